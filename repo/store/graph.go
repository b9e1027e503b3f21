package store

import (
	"bytes"
	"container/heap"
	"errors"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
)

// First gives the first revision of the library, "" before there is one: what each of its copies has
// in common. It follows first parents, so that a history that was merged in does not count.
//
// Errors: ErrForeign in a shallow clone, ErrDamaged.
func (l Revisions) First() (Rev, error) {
	id, err := l.start("")
	if err != nil || id.IsZero() {
		return "", err
	}
	err = l.with(func(r *objects.Reader) error {
		for {
			if l.shallow[id] {
				return &Error{Kind: ErrForeign, Msg: "this is a shallow clone, and its first revision is not here", Hint: "Fetch all of it with `git fetch --unshallow`"}
			}
			data, err := r.Commit(id)
			if err != nil {
				return err
			}
			h, err := objects.ParseCommit(id, data)
			if err != nil {
				return err
			}
			if len(h.Parents) == 0 {
				return nil
			}
			id = h.Parents[0]
		}
	})
	return rev(id), err
}

// CommitBytes gives a revision as git keeps it.
//
// Errors: ErrNotFound, ErrDamaged.
func (l Revisions) CommitBytes(at Rev) (raw []byte, err error) {
	id, err := at.hash()
	if err != nil {
		return nil, err
	}
	err = l.with(func(r *objects.Reader) error {
		data, err := r.Commit(id)
		raw = bytes.Clone(data)
		return err
	})
	return raw, err
}

// Log gives revisions reachable from rev ("" is the present one), newest first; limit 0 gives
// all.
func (l Revisions) Log(from Rev, limit int) ([]Commit, error) {
	id, err := l.start(from)
	if err != nil || id.IsZero() {
		return nil, err
	}
	var out []Commit
	err = l.with(func(r *objects.Reader) error {
		return l.walk(r, id, func(c *Commit) error {
			out = append(out, *c)
			if limit > 0 && len(out) >= limit {
				return errStop
			}
			return nil
		})
	})
	return out, err
}

var errStop = errors.New("stop")

func (l Revisions) start(from Rev) (plumbing.Hash, error) {
	if from == "" {
		_, id, err := l.head()
		return id, err
	}
	return from.hash()
}

// walk visits the commits reachable from start, by commit date, newest first.
func (l Revisions) walk(r *objects.Reader, start plumbing.Hash, fn func(c *Commit) error) error {
	seen := map[Rev]bool{rev(start): true}
	first, err := l.commit(r, start)
	if err != nil {
		return err
	}
	q := &byDate{first}
	for q.Len() > 0 {
		c := heap.Pop(q).(*Commit)
		for _, p := range c.Parents {
			if seen[p] {
				continue
			}
			seen[p] = true
			id, err := p.hash()
			if err != nil {
				return err
			}
			pc, err := l.commit(r, id)
			if err != nil {
				return err
			}
			heap.Push(q, pc)
		}
		if err := fn(c); err != nil {
			if errors.Is(err, errStop) {
				return nil
			}
			return err
		}
	}
	return nil
}

type byDate []*Commit

func (h byDate) Len() int { return len(h) }

func (h byDate) Less(i, j int) bool { return h[i].date > h[j].date }

func (h byDate) Swap(i, j int) { h[i], h[j] = h[j], h[i] }

func (h *byDate) Push(x any) { *h = append(*h, x.(*Commit)) }

func (h *byDate) Pop() any {
	old := *h
	x := old[len(old)-1]
	*h = old[:len(old)-1]
	return x
}

// MergeBase gives the best common ancestors of two revisions: none if they share no history,
// more than one after a criss-cross of merges. Only the commits after them are read.
func (l Revisions) MergeBase(a, b Rev) ([]Rev, error) {
	x, err := a.hash()
	if err != nil {
		return nil, err
	}
	y, err := b.hash()
	if err != nil {
		return nil, err
	}
	var out []Rev
	err = l.with(func(r *objects.Reader) (err error) {
		out, err = l.mergeBase(r, x, y)
		return err
	})
	return out, err
}

// mergeBase paints the history down from both tips by date until only common commits are left
// to visit, as git does.
func (l Revisions) mergeBase(r *objects.Reader, a, b plumbing.Hash) ([]Rev, error) {
	if a == b {
		return []Rev{rev(a)}, nil
	}
	const fromA, fromB, stale, result = 1, 2, 4, 8
	flags := map[Rev]int{}
	commits := map[Rev]*Commit{}
	q := &byDate{}
	push := func(id Rev, f int) error {
		if flags[id]|f == flags[id] {
			return nil
		}
		flags[id] |= f
		c := commits[id]
		if c == nil {
			h, err := id.hash()
			if err != nil {
				return err
			}
			if c, err = l.commit(r, h); err != nil {
				return err
			}
			commits[id] = c
		}
		heap.Push(q, c)
		return nil
	}
	if err := push(rev(a), fromA); err != nil {
		return nil, err
	}
	if err := push(rev(b), fromB); err != nil {
		return nil, err
	}
	var found []Rev
	for {
		live := false
		for _, c := range *q {
			if flags[c.ID]&stale == 0 {
				live = true
				break
			}
		}
		if !live {
			break
		}
		c := heap.Pop(q).(*Commit)
		f := flags[c.ID] & (fromA | fromB | stale)
		if f == fromA|fromB {
			if flags[c.ID]&result == 0 {
				flags[c.ID] |= result
				found = append(found, c.ID)
			}
			f |= stale
		}
		for _, p := range c.Parents {
			if err := push(p, f); err != nil {
				return nil, err
			}
		}
	}
	var out []Rev
	for _, id := range found {
		if flags[id]&stale == 0 {
			out = append(out, id)
		}
	}
	return out, nil
}

// IsAncestor says whether revision a is b or an ancestor of b.
func (l Revisions) IsAncestor(a, b Rev) (bool, error) {
	x, err := a.hash()
	if err != nil {
		return false, err
	}
	y, err := b.hash()
	if err != nil {
		return false, err
	}
	var ok bool
	err = l.with(func(r *objects.Reader) (err error) {
		ok, err = l.isAncestor(r, x, y)
		return err
	})
	return ok, err
}

func (l Revisions) isAncestor(r *objects.Reader, a, b plumbing.Hash) (bool, error) {
	bases, err := l.mergeBase(r, a, b)
	return err == nil && len(bases) == 1 && bases[0] == rev(a), err
}
