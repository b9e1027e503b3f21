package store

import (
	"errors"
	"fmt"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// Entry is a file of a revision.
type Entry struct {
	Path string
	Blob BlobID
}

// ListAt gives the files of a revision whose path begins with prefix, in git's order.
func (l Revisions) ListAt(at Rev, prefix string) ([]Entry, error) {
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
func (l Revisions) ReadAt(at Rev, path string) ([]byte, error) {
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
func (l Revisions) ReadBlob(id BlobID) ([]byte, error) {
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
func (l Revisions) atTree(at Rev, fn func(r *objects.Reader, root plumbing.Hash) error) error {
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
func (l Revisions) Diff(a, b Rev) ([]PathChange, error) {
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
