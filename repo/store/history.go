package store

import (
	"bytes"
	"container/heap"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/hist"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// FileRevision is a revision that changed one file. Path is where it lay; Blob is the file's
// contents after it, or "" if the revision deleted it.
type FileRevision struct {
	Commit
	Path string
	Blob BlobID
}

// First gives the first revision of the library, "" before there is one: what each of its copies has
// in common. It follows first parents, so that a history that was merged in does not count.
//
// Errors: ErrForeign in a shallow clone, ErrDamaged.
func (l *Lib) First() (Rev, error) {
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
func (l *Lib) CommitBytes(at Rev) (raw []byte, err error) {
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
func (l *Lib) Log(from Rev, limit int) ([]Commit, error) {
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

func (l *Lib) start(from Rev) (plumbing.Hash, error) {
	if from == "" {
		_, id, err := l.head()
		return id, err
	}
	return from.hash()
}

// walk visits the commits reachable from start, by commit date, newest first.
func (l *Lib) walk(r *objects.Reader, start plumbing.Hash, fn func(c *Commit) error) error {
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

func (h byDate) Len() int           { return len(h) }
func (h byDate) Less(i, j int) bool { return h[i].date > h[j].date }
func (h byDate) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *byDate) Push(x any)        { *h = append(*h, x.(*Commit)) }
func (h *byDate) Pop() any {
	old := *h
	x := old[len(old)-1]
	*h = old[:len(old)-1]
	return x
}

// History gives the revisions that changed the file, newest first; limit 0 gives all. A merge
// counts only if it differs from all its parents. No revision that changed the file is left
// out, even on a side branch whose changes a merge dropped (as `git log --full-history`).
//
// It reads a derived index (.git/rigkeep/history), which is extended as needed and can be
// deleted at any time, so the cost follows the number of revisions given, not of all there are.
func (l *Lib) History(path string, limit int) ([]FileRevision, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	return again(l, func() ([]FileRevision, error) {
		posts, err := l.postings(path)
		if err != nil {
			return nil, err
		}
		if limit > 0 && len(posts) > limit {
			posts = posts[:limit]
		}
		return l.details(posts)
	})
}

// Touched calls fn for every path below prefix (which ends in a slash) that a revision up to the
// present one changed, with the commit time of the newest that did.
func (l *Lib) Touched(prefix string, fn func(path string, at time.Time)) error {
	_, head, err := l.head()
	if err != nil || head.IsZero() {
		return err
	}
	type touched struct {
		path string
		at   int64
	}
	var all []touched
	if err := l.ask(head, func(x *hist.Index) {
		all = all[:0] // asked again if the index was damaged
		for _, p := range x.Under(prefix) {
			if posts := x.Postings(p, head); len(posts) > 0 {
				all = append(all, touched{p, x.Date(posts[0].Commit)})
			}
		}
	}); err != nil {
		return err
	}
	for _, t := range all {
		fn(t.path, time.Unix(t.at, 0))
	}
	return nil
}

// touch is one change of one path: in which commit, and the contents after it.
type touch struct {
	in   *hist.Index
	no   int // of the commit in that index; parents have smaller ones
	blob plumbing.Hash
	path string
}

// errAgain says that a part of the history index turned out damaged after some of it was used.
var errAgain = errors.New("the history index was damaged and was made anew")

// again repeats a question whose answer was begun on a damaged history index.
func again[T any](l *Lib, ask func() (T, error)) (T, error) {
	out, err := ask()
	if errors.Is(err, errAgain) {
		if out, err = ask(); errors.Is(err, errAgain) {
			err = errHistory(l)
		}
	}
	return out, err
}

// ids gives the commits of postings. They are looked up only for those that end in an answer, as
// each lies in another part of the index. errAgain means that the postings do not count.
func (l *Lib) ids(posts []touch) ([]plumbing.Hash, error) {
	l.histMu.Lock()
	defer l.histMu.Unlock()
	out := make([]plumbing.Hash, len(posts))
	for i, p := range posts {
		out[i] = p.in.ID(p.no)
		if p.in.Bad() {
			_, head, err := l.head()
			if err != nil {
				return nil, err
			}
			l.hist = nil
			if _, err := l.index(head, true); err != nil {
				return nil, l.objectError(err)
			}
			return nil, errAgain
		}
	}
	return out, nil
}

// details reads the commits of postings, on two goroutines if there are many. errAgain means that
// the postings do not count.
func (l *Lib) details(posts []touch) ([]FileRevision, error) {
	ids, err := l.ids(posts)
	if err != nil {
		return nil, err
	}
	out := make([]FileRevision, len(posts))
	parts := 1 + min(3, len(posts)/200)
	err = disk.Each(parts, func(k int) error {
		return l.with(func(r *objects.Reader) error {
			for i := len(posts) * k / parts; i < len(posts)*(k+1)/parts; i++ {
				c, err := l.commit(r, ids[i])
				if err != nil {
					return err
				}
				out[i] = FileRevision{*c, posts[i].path, blobID(posts[i].blob)}
			}
			return nil
		})
	})
	return out, err
}

// postings gives the changes of a path up to the present revision, newest first.
func (l *Lib) postings(path string) ([]touch, error) {
	_, head, err := l.head()
	if err != nil || head.IsZero() {
		return nil, err
	}
	var out []touch
	err = l.ask(head, func(x *hist.Index) {
		ps := x.Postings(path, head)
		out = make([]touch, len(ps))
		for i, p := range ps {
			out[i] = touch{x, p.Commit, p.Blob, path}
		}
	})
	return out, err
}

// ask puts a question to the history index with head in it. If the index turns out damaged it
// is built anew and asked again.
func (l *Lib) ask(head plumbing.Hash, fn func(x *hist.Index)) error {
	l.histMu.Lock()
	defer l.histMu.Unlock()
	for try := range 2 {
		x, err := l.index(head, try > 0)
		if err != nil {
			return l.objectError(err)
		}
		if !x.Bad() {
			fn(x)
		}
		if !x.Bad() {
			return nil
		}
		l.hist = nil
	}
	return errHistory(l)
}

// lendIndex gives the history index with head in it, verified whole, for as long as done has
// not been called.
func (l *Lib) lendIndex(head plumbing.Hash) (x *hist.Index, done func(), err error) {
	l.histMu.Lock()
	for try := range 2 {
		if x, err = l.index(head, try > 0); err != nil {
			break
		}
		if x.Verify(); !x.Bad() {
			return x, l.histMu.Unlock, nil
		}
		l.hist = nil
		err = errHistory(l)
	}
	l.histMu.Unlock()
	return nil, nil, l.objectError(err)
}

func errHistory(l *Lib) error {
	return &Error{Kind: ErrDamaged, Msg: "the history index cannot be made", Hint: "Delete " + l.own("history") + " and try again"}
}

// index gives the history index with head in it. histMu is held.
func (l *Lib) index(head plumbing.Hash, anew bool) (*hist.Index, error) {
	return l.makeIndex(head, anew, nil)
}

// makeIndex is index; look as hist.Index.Extend has it.
func (l *Lib) makeIndex(head plumbing.Hash, anew bool, look hist.Look) (*hist.Index, error) {
	base, journal := l.own("history"), l.own("history.journal")
	sum := l.shallowSum()
	if l.hist == nil {
		x, err := hist.Load(l.fs, base, journal, sum)
		if err != nil || anew {
			x = hist.New(sum, anew)
		}
		l.hist = x
	}
	x := l.hist
	var progress func(done, total int)
	if l.opt.OnProgress != nil {
		progress = func(done, total int) { l.opt.OnProgress("reading history", done, total) }
	}
	if err := x.Extend(l.store, head, l.shallow, look, progress); err != nil {
		return nil, err
	}
	if x.Bad() {
		return x, nil // the caller sees it and asks for a new one
	}
	if x.Unsaved() && l.ensureStateDir() == nil {
		// A library that may not be written to, or a process that is writing it now, is no reason
		// to wait or to fail: the answer is in memory.
		if lk, ok, err := disk.TryLock(l.fs, l.own("history.lock")); err == nil && ok {
			_ = x.Store(l.fs, base, journal)
			lk.Unlock()
		}
	}
	return x, nil
}

// shallowSum binds the index to the edge of a shallow clone.
func (l *Lib) shallowSum() uint32 {
	ids := make([]string, 0, len(l.shallow))
	for id := range l.shallow {
		ids = append(ids, id.String())
	}
	slices.Sort(ids)
	return crc32.ChecksumIEEE([]byte(strings.Join(ids, " ")))
}

// KeyRevision is a revision at which one value of a file changed. Value is the value after it;
// Present is false if the value (or the file) was gone.
type KeyRevision struct {
	FileRevision
	Value   string
	Present bool
}

// Always gives the contents that a file has had in every revision that changed it; ok is false if
// there was more than one, or none, or if it was ever taken away. It saves looking into the
// folders of one revision after the other for a file that hardly ever changes.
func (l *Lib) Always(path string) (id BlobID, ok bool, err error) {
	if err := CheckPath(path); err != nil {
		return "", false, err
	}
	posts, err := l.postings(path)
	if err != nil || len(posts) == 0 {
		return "", false, err
	}
	for _, p := range posts {
		if p.blob.IsZero() || p.blob != posts[0].blob {
			return "", false, nil
		}
	}
	return blobID(posts[0].blob), true, nil
}

// KeyHistory gives the revisions at which extract's answer for the file changed, newest first;
// limit 1 gives the last change only and reads no further back than it must. extract gives the
// value in a file's contents as text, and whether there is one; contents that it cannot read
// should give false.
func (l *Lib) KeyHistory(path string, limit int, extract func(data []byte) (value string, ok bool)) ([]KeyRevision, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	return again(l, func() ([]KeyRevision, error) {
		posts, err := l.postings(path)
		if err != nil {
			return nil, err
		}
		return l.keyChanges(posts, limit, extract)
	})
}

// keyChanges gives those of a file's changes, newest first, at which extract's answer changed.
func (l *Lib) keyChanges(posts []touch, limit int, extract func(data []byte) (value string, ok bool)) ([]KeyRevision, error) {
	var hits []touch
	var values []KeyRevision
	err := l.with(func(r *objects.Reader) error {
		var newer KeyRevision
		for i := 0; i <= len(posts); i++ {
			var older KeyRevision
			if i < len(posts) && !posts[i].blob.IsZero() {
				data, err := r.Blob(posts[i].blob)
				if err != nil {
					return err
				}
				older.Value, older.Present = extract(data)
			}
			if i > 0 && (older.Value != newer.Value || older.Present != newer.Present) {
				hits, values = append(hits, posts[i-1]), append(values, newer)
				if limit > 0 && len(hits) >= limit {
					return nil
				}
			}
			newer = older
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	revs, err := l.details(hits)
	if err != nil {
		return nil, err
	}
	for i := range values {
		values[i].FileRevision = revs[i]
	}
	return values, nil
}

// Entry is a file of a revision.
type Entry struct {
	Path string
	Blob BlobID
}

// ListAt gives the files of a revision whose path begins with prefix, in git's order.
func (l *Lib) ListAt(at Rev, prefix string) ([]Entry, error) {
	var out []Entry
	err := l.atTree(at, func(r *objects.Reader, root plumbing.Hash) error {
		return tree.Walk(r, root, prefix, func(path string, mode uint32, id plumbing.Hash) error {
			if mode == tree.ModeFile || mode == tree.ModeExec {
				out = append(out, Entry{path, blobID(id)})
			}
			return nil
		})
	})
	return out, err
}

// ReadAt gives a file's contents in a revision.
//
// Errors: ErrNotFound if the revision or the file in it does not exist, ErrDamaged.
func (l *Lib) ReadAt(at Rev, path string) ([]byte, error) {
	var out []byte
	err := l.atTree(at, func(r *objects.Reader, root plumbing.Hash) error {
		r.Check = true
		defer func() { r.Check = false }()
		e, err := tree.Lookup(r, root, path)
		if errors.Is(err, tree.ErrNone) || err == nil && e.IsDir() {
			return &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("file not found: %s in revision %s", path, at.Short()), Paths: []string{path}}
		}
		if err != nil {
			return err
		}
		data, err := r.Blob(e.ID)
		out = append([]byte{}, data...)
		return err
	})
	return out, err
}

// ReadBlob gives contents by their id.
func (l *Lib) ReadBlob(id BlobID) ([]byte, error) {
	if !plumbing.IsHash(string(id)) {
		return nil, &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("%q is not a contents id", string(id))}
	}
	var out []byte
	err := l.withChecked(func(r *objects.Reader) error {
		data, err := r.Blob(plumbing.NewHash(string(id)))
		out = append([]byte{}, data...)
		return err
	})
	return out, err
}

// atTree lends fn the root tree of a revision.
func (l *Lib) atTree(at Rev, fn func(r *objects.Reader, root plumbing.Hash) error) error {
	id, err := at.hash()
	if err != nil {
		return err
	}
	return l.with(func(r *objects.Reader) error {
		c, err := l.commit(r, id)
		var gone *objects.NotFoundError
		if errors.As(err, &gone) {
			return &Error{Kind: ErrNotFound, Msg: "no revision " + at.Short(), Hint: "Try: rigkeep history"}
		}
		if err != nil {
			return err
		}
		return fn(r, c.tree)
	})
}

// PathChange is a file that differs between two revisions; "" means that it is not there.
type PathChange struct {
	Path     string
	Old, New BlobID
}

// Diff gives the files that differ between revisions a and b, in git's order. The empty Rev is
// the empty library.
func (l *Lib) Diff(a, b Rev) ([]PathChange, error) {
	var out []PathChange
	err := l.with(func(r *objects.Reader) error {
		var roots [2]plumbing.Hash
		for i, v := range []Rev{a, b} {
			if v == "" {
				continue
			}
			id, err := v.hash()
			if err != nil {
				return err
			}
			c, err := l.commit(r, id)
			if err != nil {
				return err
			}
			roots[i] = c.tree
		}
		return tree.Diff(r, roots[0], roots[1], func(c tree.Change) error {
			out = append(out, PathChange{c.Path, blobID(c.Old), blobID(c.New)})
			return nil
		})
	})
	return out, err
}

// MergeBase gives the best common ancestors of two revisions: none if they share no history,
// more than one after a criss-cross of merges. Only the commits after them are read.
func (l *Lib) MergeBase(a, b Rev) ([]Rev, error) {
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
func (l *Lib) mergeBase(r *objects.Reader, a, b plumbing.Hash) ([]Rev, error) {
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
func (l *Lib) IsAncestor(a, b Rev) (bool, error) {
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

func (l *Lib) isAncestor(r *objects.Reader, a, b plumbing.Hash) (bool, error) {
	bases, err := l.mergeBase(r, a, b)
	return err == nil && len(bases) == 1 && bases[0] == rev(a), err
}
