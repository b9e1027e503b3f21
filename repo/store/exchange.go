package store

import (
	"container/heap"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// What follows is for exchanging revisions with other repositories: refs by name, objects as
// they are, and the choice of objects that the other side lacks.

// Folders gives the roots of the work tree, of this work tree's own git folder, and of the git
// folder it shares with others; the last two differ in a linked worktree only.
func (l *Lib) Folders() (work, git, common string) { return l.d.Work, l.d.Git, l.d.Common }

// ObjectFolder is where the repository's own objects lie. After packs have been put there by
// other means, call Rescan.
func (l *Lib) ObjectFolder() string { return filepath.Join(l.d.Common, "objects") }

// Setting gives one value of the repository's git configuration, as in ("remote", "origin",
// "url"); subsection may be empty. It does not look at the person's own configuration.
func (l *Lib) Setting(section, subsection, key string) string {
	return l.d.Setting(section, subsection, key)
}

// SettingAll is Setting for a key that may have several values, in order.
func (l *Lib) SettingAll(section, subsection, key string) []string {
	return l.d.All(section, subsection, key)
}

// Settings lists the subsections of a section, as in "remote".
func (l *Lib) Settings(section string) []string { return l.d.Subsections(section) }

// Refs gives the refs whose full name begins with prefix, as in "refs/remotes/", with where
// they are.
func (l *Lib) Refs(prefix string) (map[string]Rev, error) {
	refs, err := l.d.Refs(prefix)
	if err != nil {
		return nil, l.objectError(device("reading the refs", err))
	}
	out := make(map[string]Rev, len(refs))
	for n, id := range refs {
		out[n] = rev(id)
	}
	return out, nil
}

// SetRef moves a ref other than the present branch from old ("" if it must not exist) to id,
// durably, under git's lock for it. Use Save and Advance for the present branch.
//
// Errors: ErrDiverged if the ref is not at old, ErrBusy, ErrBadPath, ErrDevice.
func (l *Lib) SetRef(ctx context.Context, name string, old, id Rev, who Person, when time.Time, why string) error {
	return l.setRef(ctx, name, old, id, who, when, why, func(branch string) error {
		if branch == name {
			return &Error{Kind: ErrBadPath, Msg: name + " is the present branch; it moves by saving"}
		}
		return nil
	})
}

// setRef moves a ref, if may allows it in view of the branch that HEAD names.
func (l *Lib) setRef(ctx context.Context, name string, old, id Rev, who Person, when time.Time, why string, may func(branch string) error) error {
	to, err := id.hash()
	if err != nil {
		return err
	}
	if !strings.HasPrefix(name, "refs/") {
		return &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("%q is not the full name of a ref", name)}
	}
	unlock, err := l.lock(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	branch, _, err := l.head()
	if err == nil {
		err = may(branch)
	}
	if err != nil {
		return err
	}
	if _, err := l.d.Ref(name); err != nil {
		return l.objectError(err)
	}
	name = l.d.Target(name) // a symbolic ref stays one, as with git update-ref
	g, err := l.Writer().takeLock(l.Writer().newWaiter(ctx), l.d.RefPath(name), refHeld(name))
	if err != nil {
		return err
	}
	defer g.release()
	now, err := l.d.Ref(name)
	if err != nil {
		return l.objectError(err)
	}
	if rev(now) != old {
		return &Error{Kind: ErrDiverged, Msg: name + " has been moved meanwhile", Hint: "repeat the command"}
	}
	if now == to {
		return nil
	}
	if err := g.fill([]byte(to.String() + "\n")); err != nil {
		return device("moving "+name, err)
	}
	if err := l.d.Reflog(name, now, to, signature(who, when), strings.Join(strings.Fields(why), " ")); err != nil {
		return device("moving "+name, err)
	}
	if err := g.commit(); err != nil {
		return device("moving "+name, err)
	}
	return notSynced(name+" has moved", l.fs.SyncDir(filepath.Dir(l.d.RefPath(name))))
}

// HasObject says whether an object is in the store, without reading it.
func (l Exchange) HasObject(id string) bool {
	r := l.readers.Get().(*objects.Reader)
	defer l.readers.Put(r)
	return plumbing.IsHash(id) && r.Has(plumbing.NewHash(id))
}

// NewObjects calls fn with the id of every object that the revisions in want need and that a
// repository holding the revisions in have lacks: commits, then their trees and files. Only the
// commits between the two, and the trees that changed in them, are read. Revisions in have that
// are not in the store are passed over.
func (l Exchange) NewObjects(want, have []Rev, fn func(id string) error) error {
	return l.with(func(r *objects.Reader) error {
		commits, edge, err := l.Revisions().between(r, want, have)
		if err != nil {
			return err
		}
		seen := map[plumbing.Hash]bool{}
		give := func(id plumbing.Hash) error {
			if seen[id] {
				return nil
			}
			seen[id] = true
			return fn(id.String())
		}
		for _, c := range commits {
			if err := fn(string(c.ID)); err != nil {
				return err
			}
		}
		// Oldest first, so that a parent's objects are known before its child's.
		for i := len(commits) - 1; i >= 0; i-- {
			c := commits[i]
			var roots []plumbing.Hash
			for _, p := range c.Parents {
				pc := edge[p]
				if pc == nil {
					id, err := p.hash()
					if err != nil {
						return err
					}
					if pc, err = l.Revisions().commit(r, id); err != nil {
						return err
					}
				}
				roots = append(roots, pc.tree)
			}
			var err error
			if len(roots) > 1 {
				err = newTrees(r, c.tree, roots, seen, give)
			} else {
				err = tree.New(r, append(roots, plumbing.ZeroHash)[0], c.tree, func(id plumbing.Hash) bool { return !seen[id] }, give)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// Between gives the revisions reachable from those in want and not from those in have, newest
// first. Revisions in have that are not in the store are passed over.
func (l Revisions) Between(want, have []Rev) (out []Commit, err error) {
	err = l.with(func(r *objects.Reader) error {
		list, _, err := l.between(r, want, have)
		for _, c := range list {
			out = append(out, *c)
		}
		return err
	})
	return out, err
}

// newTrees gives the trees and files of id that none of the trees in olds has at the same place.
func newTrees(r *objects.Reader, id plumbing.Hash, olds []plumbing.Hash, seen map[plumbing.Hash]bool, give func(plumbing.Hash) error) error {
	if seen[id] {
		return nil
	}
	known := map[string][]plumbing.Hash{}
	for _, o := range olds {
		if o == id {
			return nil
		}
		b, err := r.Tree(o)
		if err != nil {
			return err
		}
		es, err := tree.Parse(b)
		if err != nil {
			return err
		}
		for _, e := range es {
			known[string(e.Name)] = append(known[string(e.Name)], e.ID)
		}
	}
	b, err := r.Tree(id)
	if err != nil {
		return err
	}
	es, err := tree.Parse(b)
	if err != nil {
		return err
	}
	if err := give(id); err != nil {
		return err
	}
next:
	for _, e := range es {
		if e.Mode == tree.ModeSub {
			continue
		}
		var below []plumbing.Hash
		for _, o := range known[string(e.Name)] {
			if o == e.ID {
				continue next
			}
			below = append(below, o)
		}
		if e.IsDir() {
			trees := below[:0]
			for _, o := range below {
				if k, _, err := r.Get(o); err == nil && k == plumbing.TreeObject {
					trees = append(trees, o)
				}
			}
			err = newTrees(r, e.ID, trees, seen, give)
		} else {
			err = give(e.ID)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// between gives the commits reachable from want and not from have, newest first, and the
// commits seen on the way.
func (l Revisions) between(r *objects.Reader, want, have []Rev) (out []*Commit, seen map[Rev]*Commit, err error) {
	const wanted, had = 1, 2
	flags := map[Rev]int{}
	seen = map[Rev]*Commit{}
	q := &byDate{}
	mark := func(id Rev, f int, must bool) error {
		old := flags[id]
		if old|f == old {
			return nil
		}
		c := seen[id]
		if c == nil {
			h, err := id.hash()
			if err != nil {
				return err
			}
			if c, err = l.commit(r, h); err != nil {
				var gone *objects.NotFoundError
				if !must && errors.As(err, &gone) {
					return nil
				}
				return err
			}
			seen[id] = c
		}
		flags[id] = old | f
		heap.Push(q, c)
		return nil
	}
	for _, id := range have {
		if err := mark(id, had, false); err != nil {
			return nil, nil, err
		}
	}
	for _, id := range want {
		if err := mark(id, wanted, true); err != nil {
			return nil, nil, err
		}
	}
	var order []*Commit
	for q.Len() > 0 {
		live := false
		for _, c := range *q {
			if flags[c.ID]&had == 0 {
				live = true
				break
			}
		}
		if !live {
			break
		}
		c := heap.Pop(q).(*Commit)
		f := flags[c.ID]
		if f == wanted {
			order = append(order, c)
		}
		for _, p := range c.Parents {
			if err := mark(p, f, f&had == 0); err != nil {
				return nil, nil, err
			}
		}
	}
	done := map[Rev]bool{}
	for _, c := range order {
		if flags[c.ID]&had == 0 && !done[c.ID] {
			done[c.ID] = true
			out = append(out, c)
		}
	}
	return out, seen, nil
}
