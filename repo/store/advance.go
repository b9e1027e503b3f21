package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// Advance moves the branch forward to revision to, which must be in the store and have the
// present revision among its ancestors, and brings the work tree and the index along, with the
// same promises as Save. Files with unsaved edits that the move would touch stop it before
// anything is changed. who, when and why go into git's reflog.
//
// Errors: ErrDiverged if the present revision is not an ancestor of to; ErrChanged; ErrBusy;
// ErrUnfinished; ErrDamaged if to holds paths that have no place in a library; ErrDevice.
func (l Writer) Advance(ctx context.Context, to Rev, who Person, when time.Time, why string) error {
	id, err := to.hash()
	if err != nil {
		return err
	}
	unlock, err := l.lock(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	t, err := l.begin(ctx)
	if err != nil {
		return err
	}
	defer t.end()
	for range 50 {
		again, err := t.advance(id, signature(who, when), why)
		if err != nil {
			return l.objectError(err)
		}
		if !again {
			return nil
		}
	}
	return &Error{Kind: ErrBusy, Msg: "the branch kept moving", Hint: "Let the other program finish and repeat the command"}
}

func (t *tx) advance(to plumbing.Hash, who, why string) (again bool, err error) {
	l := t.l
	branch, head, err := l.head()
	if err != nil || head == to {
		return false, err
	}
	r := l.readers.Get().(*objects.Reader)
	defer l.readers.Put(r)
	c, err := l.Revisions().commit(r, to)
	if err != nil {
		return false, err
	}
	var root plumbing.Hash
	if !head.IsZero() {
		ok, err := l.Revisions().isAncestor(r, head, to)
		if err != nil {
			return false, err
		}
		if !ok {
			return false, &Error{Kind: ErrDiverged, Msg: fmt.Sprintf("revision %s does not follow from the present one, %s", rev(to).Short(), rev(head).Short()),
				Hint: "They must be merged"}
		}
		old, err := l.Revisions().commit(r, head)
		if err != nil {
			return false, err
		}
		root = old.tree
	}
	var steps []step
	var edits []tree.Edit
	err = tree.Diff(r, root, c.tree, func(ch tree.Change) error {
		if !ch.New.IsZero() {
			if err := CheckPath(ch.Path); err != nil {
				return &Error{Kind: ErrDamaged, Msg: "revision " + rev(to).Short() + " cannot be accepted: " + err.Error(), Paths: []string{ch.Path}}
			}
			if ch.NewMode != tree.ModeFile && ch.NewMode != tree.ModeExec {
				return &Error{Kind: ErrDamaged, Msg: fmt.Sprintf("revision %s cannot be accepted: %s is a link or another repository; only ordinary files have a place in a library", rev(to).Short(), ch.Path), Paths: []string{ch.Path}}
			}
		}
		s := step{File: File{Path: ch.Path, Delete: ch.New.IsZero()}, mode: ch.NewMode, id: ch.New, old: tree.Entry{Mode: ch.OldMode, ID: ch.Old}}
		s.load = func() ([]byte, error) {
			data, err := r.Blob(s.id)
			return data, err
		}
		steps = append(steps, s)
		edits = append(edits, tree.Edit{Path: ch.Path, Mode: ch.NewMode, ID: ch.New})
		return nil
	})
	if err != nil {
		return false, err
	}
	for i := range steps {
		if err := t.look(&steps[i]); err != nil {
			return false, err
		}
	}
	if err := t.protect(steps, nil, true); err != nil {
		return false, err
	}
	// The trees exist already; making them once more gives the ids for the index and proves that
	// the steps lead to the revision.
	up, err := tree.Update(r, root, edits)
	if err != nil {
		var clash *tree.ErrCaseClash
		if errors.As(err, &clash) {
			return false, caseClash(clash)
		}
		up = nil // a file and a folder change places: let git compute the folders anew
	} else if up.Root != c.tree {
		up = nil
	}
	return t.move(&move{branch: branch, from: head, to: to, steps: steps, up: up, who: who, why: strings.Join(strings.Fields(why), " ")})
}
