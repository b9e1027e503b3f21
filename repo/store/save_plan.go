package store

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/index"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// step is one file of a save with what was found about it.
type step struct {
	File
	mode      uint32
	id        plumbing.Hash // of the new contents
	old       tree.Entry    // in the last revision
	there     bool          // the work tree holds the file now
	work      []byte        // its contents
	st        fs.FileInfo
	write     bool                   // the work tree must be changed
	unchanged bool                   // the last revision already is so
	load      func() ([]byte, error) // gives Data where it was not read yet

	temp    string // the new contents, written aside
	touched bool   // the work-tree file may have been changed
	kept    string // a second name of the old work-tree file
}

// plan compares the request with the last revision, the index and the work tree.
func (t *tx) plan(r *objects.Reader, q *SaveRequest, root plumbing.Hash) ([]step, error) {
	var baseRoot plumbing.Hash
	if q.Base != "" {
		id, err := q.Base.hash()
		if err != nil {
			return nil, err
		}
		c, err := t.l.Revisions().commit(r, id)
		if err != nil {
			return nil, err
		}
		baseRoot = c.tree
	}
	steps := make([]step, len(q.Files))
	var moved []string
	for i, f := range q.Files {
		s := &steps[i]
		s.File = f
		old, err := lookup(r, root, f.Path)
		if err != nil {
			return nil, err
		}
		if q.Base != "" {
			was, err := lookup(r, baseRoot, f.Path)
			if err != nil {
				return nil, err
			}
			if was.ID != old.ID {
				moved = append(moved, f.Path)
			}
		}
		if err := t.look(s); err != nil {
			return nil, err
		}
		s.old = old
		entry := t.x.Find(f.Path)
		if f.Delete && entry != nil && entry.SkipWorktree() && !s.there && !q.WriteWork {
			return nil, &Error{Kind: ErrChanged, Msg: f.Path + " is not in the folder because git was told to leave it out; that is not a deletion",
				Hint: "Bring it back with `git update-index --no-skip-worktree " + f.Path + "` and `git checkout -- " + f.Path + "`", Paths: []string{f.Path}}
		}
		if !f.Delete {
			s.mode = old.Mode
			if s.mode != tree.ModeFile && s.mode != tree.ModeExec {
				s.mode = tree.ModeFile
			}
			if s.there && fileMode == "true" {
				s.mode = gitMode(s.st)
			}
			// Where git stores the file with LF, it would turn CRLF back into LF; so do we, and
			// the lines that the person did not touch stay the same lines.
			if lf, ok := toLF(f.Data); ok && entry != nil && old.ID == entry.ID {
				if blob, err := r.Blob(old.ID); err == nil && !strings.Contains(string(blob), "\r") {
					s.Data = lf
				}
			}
			s.id = plumbing.ComputeHash(plumbing.BlobObject, s.Data)
		}
		s.unchanged = old.ID == s.id && (f.Delete || old.Mode == s.mode)
	}
	if len(moved) > 0 {
		return nil, &Error{Kind: ErrChanged, Msg: "another revision has just changed " + strings.Join(moved, ", "),
			Hint: "Look at it with `rigkeep history` and repeat the change on top of it", Paths: moved}
	}
	return steps, t.protect(steps, q.Seen, q.WriteWork)
}

// look reads the work-tree file of a step.
func (t *tx) look(s *step) error {
	work, st, err := t.l.Work().readWork(s.Path)
	switch {
	case err == nil:
		s.there, s.work, s.st = true, work, st
	case !errors.Is(err, ErrNotFound):
		return err
	}
	return nil
}

// protect finds out which files of the work tree must be written, and refuses where that, or
// the patch to the index, would lose something that a person did.
func (t *tx) protect(steps []step, seen map[string]BlobID, mayWrite bool) error {
	var edited, staged []string
	for i := range steps {
		s := &steps[i]
		asWanted := s.there != s.Delete && (s.Delete || t.l.Work().sameAsBlob(s.work, s.id))
		if !asWanted {
			s.write = true
			clean := s.there == !s.old.ID.IsZero() && (!s.there || t.l.Work().sameAsBlob(s.work, s.old.ID))
			if id, ok := seen[s.Path]; ok {
				now := BlobID("")
				if s.there {
					now = BlobIDOf(s.work)
				}
				clean = clean || now == id
			}
			if !clean || !mayWrite {
				edited = append(edited, s.Path)
			}
		}
		e := t.x.Find(s.Path)
		if e != nil && e.ID != s.old.ID && e.ID != s.id && !e.IntentToAdd() && (!s.there || !t.l.Work().sameAsBlob(s.work, e.ID)) {
			staged = append(staged, s.Path)
		}
	}
	switch {
	case len(edited) > 0 && !mayWrite:
		return &Error{Kind: ErrChanged, Msg: "file changed while saving: " + some(edited),
			Hint: "close the other editor, then repeat the command", Paths: edited}
	case len(edited) > 0:
		return &Error{Kind: ErrChanged, Msg: "unsaved edits would be lost in " + some(edited),
			Hint: "Save them with `rigkeep save`, or move the file away, and repeat the command", Paths: edited}
	case len(staged) > 0:
		return &Error{Kind: ErrChanged, Msg: "another version is staged with `git add` for " + some(staged),
			Hint: "Commit it with git, or drop it with `git reset -- " + staged[0] + "`", Paths: staged}
	}
	return nil
}

// some names the first few of many.
func some(paths []string) string {
	if len(paths) > 5 {
		return strings.Join(paths[:5], ", ") + fmt.Sprintf(" and %d more", len(paths)-5)
	}
	return strings.Join(paths, ", ")
}

func lookup(r *objects.Reader, root plumbing.Hash, path string) (tree.Entry, error) {
	e, err := tree.Lookup(r, root, path)
	if errors.Is(err, tree.ErrNone) {
		return tree.Entry{}, nil
	}
	if err == nil && e.IsDir() {
		return e, &Error{Kind: ErrBadPath, Msg: path + " is a folder in the last revision", Hint: "Choose another name", Paths: []string{path}}
	}
	return e, err
}

// move is a step of the branch from one commit to another, with what it does to the work tree
// and the index.
type move struct {
	branch   string
	from, to plumbing.Hash
	steps    []step
	up       *tree.Result
	who, why string
	noted    bool // the note is there already: this is a repair
	filled   bool // the locks hold their new contents already
}

// move takes the branch's locks, compares, and then changes work tree, index and branch in this
// order. Whatever prefix of that a crash leaves is a good library: an unsaved edit, then a staged
// change, then the new revision. (The other order, branch before index, lets the person's next
// plain commit silently revert the save.)
func (t *tx) move(m *move) (again bool, err error) {
	l := t.l
	if err := t.ready(m.branch); err != nil {
		return false, err
	}
	defer func() {
		t.rlock.release()
		t.hlock.release()
		t.rlock, t.hlock = nil, nil
	}()
	if err := t.hlock.take(t.w); err != nil {
		return false, err
	}
	if err := t.rlock.take(t.w); err != nil {
		return false, err
	}
	branch, now, err := l.head()
	if err != nil {
		return false, err
	}
	if branch != m.branch || now != m.from {
		return true, nil
	}
	// From here on a crash leaves something to finish; say what before touching it.
	if !m.noted {
		if err := l.Writer().note(m); err != nil {
			return false, device("writing the revision", err)
		}
	}
	fail := func(err error) (bool, error) {
		if uerr := t.undo(m); uerr != nil {
			// The note stays, and with it the promise.
			return false, &Error{Kind: ErrDevice, Msg: "save interrupted", Err: errors.Join(err, uerr),
				Hint: "the next rigkeep command will finish this save once the disk is writable"}
		}
		l.Writer().clearNote()
		return false, device("saving", err)
	}
	if err := t.writeWork(m); err != nil {
		return fail(err)
	}
	if !m.filled {
		files, err := t.fill(m)
		if err == nil {
			err = disk.Each(len(files), func(i int) error { return files[i]() })
		}
		if err != nil {
			return fail(err)
		}
	}
	for _, name := range []string{"HEAD", m.branch} {
		if err := l.d.Reflog(name, m.from, m.to, m.who, m.why); err != nil {
			return fail(err)
		}
	}
	// A second name for the old index lets a failure below put it back without needing space.
	t.keep(filepath.Join(l.d.Git, "index"), "old_index")
	if err := t.ilock.commit(); err != nil {
		return fail(err)
	}
	if err := l.fs.SyncDir(l.d.Git); err != nil {
		return fail(err)
	}
	if err := t.rlock.commit(); err != nil {
		return fail(err)
	}
	// The branch has moved; nothing below can take that back.
	if err := l.fs.SyncDir(filepath.Dir(l.d.RefPath(m.branch))); err != nil {
		return false, notSynced("the revision is there", err)
	}
	t.hlock.release()
	t.forget(m)
	l.Writer().sweep(m.steps)
	l.Writer().clearNote()
	return false, nil
}

// fill gives what writes the new index and the new branch into their locks and syncs them.
func (t *tx) fill(m *move) ([]func() error, error) {
	if err := t.patch(m); err != nil {
		return nil, err
	}
	data := t.x.Format()
	m.filled = true
	return []func() error{
		func() error { return t.ilock.fill(data) },
		func() error { return t.rlock.fill([]byte(m.to.String() + "\n")) },
	}, nil
}

// ready prepares the branch's locks, so that our names for them can be synced with the objects:
// after a loss of power a lock is then still known as ours.
func (t *tx) ready(branch string) (err error) {
	if t.rlock != nil && t.rlock.target == t.l.d.RefPath(branch) {
		return nil
	}
	t.rlock.release()
	t.hlock.release()
	if t.hlock, err = t.l.Writer().readyLock(filepath.Join(t.l.d.Git, "HEAD"), t.l.heldName("head")); err != nil {
		return err
	}
	t.rlock, err = t.l.Writer().readyLock(t.l.d.RefPath(branch), refHeld(branch))
	return err
}

// patch puts the new state of the files into the index.
func (t *tx) patch(m *move) error {
	for i := range m.steps {
		s := &m.steps[i]
		if s.Delete {
			t.x.Drop(s.Path)
			continue
		}
		st := s.st
		if s.write {
			work, now, err := t.l.Work().readWork(s.Path)
			if err != nil {
				return err
			}
			if !t.l.Work().sameAsBlob(work, s.id) {
				now = nil
			}
			st = now
		}
		e := index.Entry{ID: s.id, Path: s.Path}
		e.Mode = s.mode
		if st != nil {
			e = statEntry(s.Path, s.id, st, s.mode)
		}
		if old := t.x.Find(s.Path); old != nil {
			e.Flags, e.Ext = old.Flags, old.Ext&^0x2000
		}
		t.x.Set(e)
	}
	if m.up == nil {
		for i := range m.steps {
			t.x.Invalidate(m.steps[i].Path)
		}
	} else {
		for dir, id := range m.up.Dirs {
			if !id.IsZero() {
				t.x.SetTree(dir, m.up.Old[dir], id)
			}
		}
	}
	return nil
}

// undo puts the work tree and the index back after a failed move. Where the old files still
// have a second name, that needs no space on the disk.
func (t *tx) undo(m *move) (err error) {
	l := t.l
	for i := len(m.steps) - 1; i >= 0; i-- {
		s := &m.steps[i]
		if !s.touched {
			continue
		}
		name := l.work(s.Path)
		switch {
		case s.kept != "":
			rerr := l.fs.Rename(s.kept, name)
			if rerr == nil {
				_ = l.fs.Remove(s.kept) // it stays if both names were one file
			}
			err = errors.Join(err, rerr)
		case s.there:
			if now, _, rerr := l.Work().readWork(s.Path); rerr != nil || string(now) != string(s.work) {
				err = errors.Join(err, l.Work().putWork(s.Path, s.work, gitMode(s.st)))
			}
		default:
			now, _, rerr := l.Work().readWork(s.Path)
			if rerr == nil && BlobIDOf(now) == BlobID(s.id.String()) {
				err = errors.Join(err, l.Work().dropWork(s.Path))
			} else if errors.Is(rerr, ErrNotFound) {
				l.Writer().sweepAbove(s.Path) // its folders may have been made for it
			}
		}
	}
	if t.ilock != nil && t.ilock.done { // the index was already replaced, or its lock lost
		err = errors.Join(err, t.putIndexBack())
	}
	if err == nil {
		t.forget(m)
	}
	return err
}
