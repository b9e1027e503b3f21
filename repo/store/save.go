package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/index"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
	"rigkeep/schema"
)

// File is a file of a revision to be saved: its slash path and its contents, or Delete.
type File struct {
	Path   string
	Data   []byte
	Delete bool
}

// SaveRequest says what one revision shall hold.
type SaveRequest struct {
	Files    []File
	Subject  string // one line, why
	Body     string // the change in words; may be empty
	Trailers []Trailer
	Author   Person
	When     time.Time

	// Base is the revision that the caller looked at when it made Files. If one of the files has
	// changed between Base and the library's present revision, Save fails with ErrChanged. The
	// empty Base checks nothing.
	Base Rev
	// WriteWork lets Save write and delete files of the work tree. Without it the work tree must
	// already be as Files say, as after an edit by hand or WriteFile.
	WriteWork bool
	// Seen holds, per path, the id (BlobIDOf) of work-tree contents that the caller has read and
	// means to replace; "" means that the file was not there. Without an entry only a file
	// without unsaved edits is replaced.
	Seen map[string]BlobID
	// Parents are further parents, for a merge.
	Parents []Rev
	// With is a history that comes in together with this revision, as the last of its parents.
	With *Bundle
	// AllowSame also saves a revision that changes no file.
	AllowSame bool
}

// check refuses what could never be saved.
func (q *SaveRequest) check() error {
	seen := map[string]bool{}
	for i := range q.Files {
		f := &q.Files[i]
		if err := CheckPath(f.Path); err != nil {
			return err
		}
		fold := schema.CanonicalName(f.Path)
		if seen[fold] {
			return &Error{Kind: ErrBadPath, Msg: f.Path + " is given twice", Paths: []string{f.Path}}
		}
		seen[fold] = true
		if len(f.Data) > MaxFile {
			return &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("%s is larger than %d MB", f.Path, MaxFile>>20), Paths: []string{f.Path}}
		}
	}
	if clean(q.Author.Name) == "" || clean(q.Author.Email) == "" {
		return errNoIdentity()
	}
	text := q.Subject + q.Body + q.Author.Name + q.Author.Email
	for _, t := range q.Trailers {
		if !isToken(t.Key) {
			return &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("%q cannot be a trailer's name; use letters, digits and dashes", t.Key)}
		}
		text += t.Value
	}
	switch {
	case strings.TrimSpace(q.Subject) == "":
		return &Error{Kind: ErrBadPath, Msg: "a revision needs a reason", Hint: "add -m REASON"}
	case !utf8.ValidString(text) || strings.ContainsRune(text, 0):
		return &Error{Kind: ErrBadPath, Msg: "the message or the author's name is not text in UTF-8"}
	case q.When.Unix() <= 0 || q.When.Unix() > 1<<40:
		return &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("the time %s cannot be recorded by git", q.When), Hint: "Check the computer's clock"}
	}
	return nil
}

// Save makes one revision of the given files on the present branch and returns its id. At the
// return it is on stable storage. Other files, edited by hand or staged with git, are left as
// they are. If another process saved meanwhile, the revision is put on top of that one.
//
// Errors: ErrNothing if no file differs from the last revision; ErrChanged if the work tree, the
// index or Base disagree with the request; ErrBusy after Options.LockWait; ErrUnfinished if HEAD
// is detached or plain git is in the middle of a merge or the like; ErrBadPath; ErrNoIdentity;
// ErrDamaged; ErrDevice. After an error the library is as it was before.
func (l Writer) Save(ctx context.Context, q SaveRequest) (Rev, error) {
	if err := q.check(); err != nil {
		return "", err
	}
	unlock, err := l.lock(ctx)
	if err != nil {
		return "", err
	}
	defer unlock()
	for range 50 {
		id, again, err := l.saveOnce(ctx, &q)
		if err != nil {
			return "", l.objectError(err)
		}
		if !again {
			if l.NeedsTidy() {
				_, _ = l.tidy() // what goes wrong here is no fault of the save, and the next one tries again
			}
			return rev(id), nil
		}
	}
	return "", &Error{Kind: ErrBusy, Msg: "the branch kept moving while this was being saved", Hint: "Let the other program finish and repeat the command"}
}

func (l Writer) saveOnce(ctx context.Context, q *SaveRequest) (plumbing.Hash, bool, error) {
	t, err := l.begin(ctx)
	if err != nil {
		return plumbing.ZeroHash, false, err
	}
	defer t.end()
	return t.save(q)
}

// tx is one critical section: the advisory lock and git's index.lock are held.
type tx struct {
	l     *Lib
	w     *waiter
	ilock *gitLock
	x     *index.Index
	raw   []byte    // the index as it was
	mtime time.Time // and its time

	hlock, rlock *gitLock // HEAD.lock and the branch's lock, while the branch moves
}

// begin takes index.lock and reads the index below it.
func (l Writer) begin(ctx context.Context) (*tx, error) {
	if err := l.writable(); err != nil {
		return nil, err
	}
	t := &tx{l: l.Lib, w: l.newWaiter(ctx)}
	var err error
	if t.ilock, err = l.takeLock(t.w, filepath.Join(l.d.Git, "index"), l.heldName("index")); err != nil {
		return nil, err
	}
	if err = t.readIndex(); err != nil {
		t.end()
		return nil, err
	}
	return t, nil
}

// heldName marks a lock of a linked worktree with the worktree's name, so that a repair run
// from another worktree finds it.
func (l *Lib) heldName(name string) string {
	if l.d.Git != l.d.Common {
		return name + "@" + filepath.Base(l.d.Git)
	}
	return name
}

// writable refuses states in which a commit would land in the wrong place.
func (l Writer) writable() error {
	if what, out := l.d.Unfinished(); what != "" {
		return &Error{Kind: ErrUnfinished, Msg: "plain git is in the middle of " + what + " in this library", Hint: "End it first: " + out}
	}
	branch, id, err := l.head()
	if err != nil {
		return err
	}
	if branch == "" {
		return &Error{Kind: ErrUnfinished, Msg: "no branch is checked out here (HEAD is detached at " + rev(id).Short() + "), so a saved revision would belong to none",
			Hint: "Go back with `git switch BRANCH`, or keep this place with `git switch -c NEWBRANCH`"}
	}
	return nil
}

func (t *tx) readIndex() error {
	x, raw, mtime, err := t.l.Writer().loadIndex(true)
	if err != nil {
		return err
	}
	if x == nil { // deleted by hand or a bare checkout: build it from the last revision
		_, head, err := t.l.head()
		if err != nil {
			return err
		}
		if x, err = t.l.Writer().indexOf(head); err != nil {
			return t.l.objectError(err)
		}
	}
	if p := x.Unmerged(); p != "" {
		return &Error{Kind: ErrUnfinished, Msg: p + " has an unsettled merge in git's index", Hint: "Settle it: `git add " + p + "` after editing, or `git checkout HEAD -- " + p + "`", Paths: []string{p}}
	}
	t.x, t.raw, t.mtime = x, raw, mtime
	return nil
}

// loadIndex reads the index with plain reads, never through a map: other programs cut it short
// in place. A missing index gives nil.
func (l Writer) loadIndex(verify bool) (x *index.Index, raw []byte, mtime time.Time, err error) {
	name := filepath.Join(l.d.Git, "index")
	for try := 0; ; try++ {
		f, err := l.fs.OpenFile(name, os.O_RDONLY, 0)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil, mtime, nil
		}
		if err != nil {
			return nil, nil, mtime, device("reading git's index", err)
		}
		st, err1 := f.Stat()
		raw, err2 := readAll(f, 1<<31)
		after, err3 := f.Stat()
		_ = f.Close()
		if err = errors.Join(err1, err2, err3); err != nil {
			return nil, nil, mtime, device("reading git's index", err)
		}
		quiet := st.Size() == after.Size() && st.ModTime().Equal(after.ModTime())
		x, err = index.Parse(raw, verify)
		if err == nil && quiet {
			return x, raw, after.ModTime(), nil
		}
		if try < 5 && (!quiet || errors.Is(err, index.ErrDamaged)) {
			time.Sleep(time.Duration(try+1) * time.Millisecond)
			continue
		}
		if errors.Is(err, index.ErrUnsupported) {
			return nil, nil, mtime, &Error{Kind: ErrForeign, Msg: err.Error(), Hint: "Then repeat the command"}
		}
		return nil, nil, mtime, &Error{Kind: ErrDamaged, Msg: "unreadable git index", Err: err,
			Hint: "Delete " + name + "; it is built anew from the last revision by the next save (what was staged with `git add` must be added again)"}
	}
}

// indexOf builds an index of a whole revision, with nothing known of the work tree.
func (l Writer) indexOf(head plumbing.Hash) (*index.Index, error) {
	x := &index.Index{}
	if head.IsZero() {
		return x, nil
	}
	err := l.with(func(r *objects.Reader) error {
		c, err := l.Revisions().commit(r, head)
		if err != nil {
			return err
		}
		return tree.Walk(r, c.tree, "", func(path string, mode uint32, id plumbing.Hash) error {
			e := index.Entry{ID: id, Path: path}
			e.Mode = mode
			x.Entries = append(x.Entries, e)
			return nil
		})
	})
	return x, err
}

// end gives up whatever is still held.
func (t *tx) end() {
	t.rlock.release()
	t.hlock.release()
	t.ilock.release()
}

// save tries once. again asks for another try, because the branch moved.
func (t *tx) save(q *SaveRequest) (id plumbing.Hash, again bool, err error) {
	l := t.l
	branch, head, err := l.head()
	if err != nil {
		return id, false, err
	}
	if branch == "" {
		return id, false, l.Writer().writable()
	}
	r := l.readers.Get().(*objects.Reader)
	r.Check = true
	defer func() { r.Check = false; l.readers.Put(r) }()
	root, parents, err := l.Writer().parents(r, q, head)
	if err != nil {
		return id, false, err
	}
	steps, err := t.plan(r, q, root)
	if err != nil {
		return id, false, err
	}
	edits, objs := changed(steps)
	if len(edits) == 0 && !q.AllowSame && len(q.Parents) == 0 && q.With == nil {
		return id, false, &Error{Kind: ErrNothing, Msg: "nothing to save: no changes since the last revision"}
	}
	up, err := tree.Update(r, root, edits)
	if err != nil {
		var clash *tree.ErrCaseClash
		if errors.As(err, &clash) {
			return id, false, caseClash(clash)
		}
		return id, false, err
	}
	when := q.When
	committer := l.opt.Committer
	if committer.Name == "" {
		committer = q.Author
	}
	commit := encodeCommit(up.Root, parents, q.Author, committer, when, message(q.Subject, q.Body, q.Trailers))
	objs = append(append(objs, up.Objects...), commit)
	if err := t.ready(branch); err != nil {
		return id, false, err
	}
	word := "commit"
	if head.IsZero() {
		word = "commit (initial)"
	} else if len(parents) > 1 {
		word = "commit (merge)"
	}
	m := move{branch: branch, from: head, to: commit.ID, steps: steps, up: up,
		who: signature(committer, when), why: word + ": " + strings.Join(strings.Fields(q.Subject), " ")}
	along := objects.SyncBatch{Dirs: []string{l.stateDir("held")}}
	if !slices.ContainsFunc(steps, func(s step) bool { return s.write }) {
		// The work tree stays as it is, so what the index will hold is known now, and can be
		// written into its lock while the objects are.
		if along.Files, err = t.fill(&m); err != nil {
			return id, false, err
		}
	}
	drop := func() {}
	if q.With != nil {
		if drop, err = l.store.AddPack(q.With.whole.Objects); err != nil {
			return id, false, device("writing the history", err)
		}
	}
	if err := l.store.WriteWith(objs, along); err != nil {
		drop()
		return id, false, device("writing the revision", err)
	}
	again, err = t.move(&m)
	return commit.ID, again, err
}

// parents gives the folder of the last revision, and the parents that the new one will have.
func (l Writer) parents(r *objects.Reader, q *SaveRequest, head plumbing.Hash) (root plumbing.Hash, parents []plumbing.Hash, err error) {
	if !head.IsZero() {
		c, err := l.Revisions().commit(r, head)
		if err != nil {
			return root, nil, err
		}
		root = c.tree
		parents = append(parents, head)
	}
	for _, p := range q.Parents {
		h, err := p.hash()
		if err != nil {
			return root, nil, err
		}
		if _, err := r.Commit(h); err != nil {
			return root, nil, err
		}
		if h != head {
			parents = append(parents, h)
		}
	}
	if q.With != nil {
		h, err := q.With.Tip.hash()
		if err != nil {
			return root, nil, err
		}
		parents = append(parents, h)
	}
	return root, parents, nil
}

// changed gives what the steps do to the revision's folders, and the texts that it needs.
func changed(steps []step) (edits []tree.Edit, objs []objects.Object) {
	for i := range steps {
		s := &steps[i]
		if s.unchanged {
			continue
		}
		e := tree.Edit{Path: s.Path}
		if !s.Delete {
			e.Mode, e.ID = s.mode, s.id
			objs = append(objs, objects.Object{ID: s.id, Kind: plumbing.BlobObject, Data: s.Data})
		}
		edits = append(edits, e)
	}
	return edits, objs
}

func (t *tx) putIndexBack() error {
	l := t.l
	name := filepath.Join(l.d.Git, "index")
	now, err := l.fs.ReadFile(name)
	if err == nil && string(now) == string(t.raw) || errors.Is(err, fs.ErrNotExist) && t.raw == nil {
		return nil
	}
	g, err := l.Writer().takeLock(t.w, name, l.heldName("index"))
	if err != nil {
		return err
	}
	defer g.release()
	if t.raw == nil {
		return l.fs.Remove(name)
	}
	if err := l.fs.Rename(l.stateDir("held", "old_index"), name); err == nil {
		return l.fs.SyncDir(l.d.Git)
	}
	if err := g.fill(t.raw); err != nil {
		return err
	}
	if err := g.commit(); err != nil {
		return err
	}
	return l.fs.SyncDir(l.d.Git)
}

// keep gives a file a second name in the held folder and returns it, or "" if that cannot be.
func (t *tx) keep(name, as string) string {
	kept := t.l.stateDir("held", as)
	_ = t.l.fs.Remove(kept)
	if t.l.fs.Link(name, kept) != nil {
		return ""
	}
	return kept
}

// forget drops the second names.
func (t *tx) forget(m *move) {
	_ = t.l.fs.Remove(t.l.stateDir("held", "old_index"))
	for i := range m.steps {
		if m.steps[i].kept != "" {
			_ = t.l.fs.Remove(m.steps[i].kept)
		}
	}
}

// writeWork brings the work tree to what the move wants. All new contents are written and
// synced aside first, so that a full disk is found out before anything visible has changed;
// then files are moved away and into place, and each folder is synced once.
func (t *tx) writeWork(m *move) (err error) {
	l := t.l
	var put, del []*step
	for i := range m.steps {
		s := &m.steps[i]
		switch {
		case !s.write:
		case s.Delete:
			del = append(del, s)
		default:
			put = append(put, s)
		}
	}
	if len(put)+len(del) == 0 {
		return nil
	}
	defer func() {
		for _, s := range put {
			if s.temp != "" {
				_ = l.fs.Remove(s.temp)
			}
		}
	}()
	// Loading comes first and one by one: a reader of objects is not for several goroutines.
	for _, s := range put {
		if s.Data == nil && s.load != nil {
			if s.Data, err = s.load(); err != nil {
				return err
			}
		}
	}
	err = disk.Each(len(put), func(i int) (err error) {
		if err := t.w.ctx.Err(); err != nil { // nothing shows yet
			return err
		}
		put[i].temp, err = l.Work().tempWork(put[i].Path, put[i].Data, put[i].mode)
		return err
	})
	if err != nil {
		return err
	}
	folders := map[string]bool{}
	for i, s := range del {
		if err := l.Work().checkFolders(s.Path, false); err != nil {
			return err
		}
		s.touched = true
		name := l.work(s.Path)
		s.kept = t.keep(name, fmt.Sprintf("old_d%d", i))
		if err := l.fs.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		folders[filepath.Dir(name)] = true
	}
	for i, s := range put {
		if err := l.Work().checkFolders(s.Path, true); err != nil {
			return err
		}
		s.touched = true
		name := l.work(s.Path)
		if s.there {
			s.kept = t.keep(name, fmt.Sprintf("old_p%d", i))
		}
		if err := disk.Move(l.fs, s.temp, name, s.Data); err != nil {
			return err
		}
		s.temp = ""
		folders[filepath.Dir(name)] = true
	}
	order := slices.Sorted(maps.Keys(folders))
	return disk.Each(len(order), func(i int) error { return l.fs.SyncDir(order[i]) })
}

// sweep removes the folders that deletions left empty.
func (l Writer) sweep(steps []step) {
	for i := range steps {
		if steps[i].Delete {
			l.sweepAbove(steps[i].Path)
		}
	}
}

// sweepAbove removes the folders of a path that are empty.
func (l Writer) sweepAbove(path string) {
	for dir := filepath.Dir(l.work(path)); dir != l.d.Work && l.fs.Remove(dir) == nil; {
		dir = filepath.Dir(dir)
	}
}
