package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/gitdir"
	"rigkeep/repo/internal/hist"
	"rigkeep/repo/internal/objects"
)

// Rev is a full commit id in hexadecimal. The empty Rev stands for "no commit yet".
type Rev string

// Short gives the first ten digits, for people.
func (r Rev) Short() string {
	if len(r) > 10 {
		return string(r[:10])
	}
	return string(r)
}

// BlobID names a file's contents, as git does. The empty BlobID stands for "no file".
type BlobID string

// BlobIDOf gives the id that git would give to contents.
func BlobIDOf(data []byte) BlobID {
	return BlobID(plumbing.ComputeHash(plumbing.BlobObject, data).String())
}

// Marker is the file whose presence at the root makes a repository a library.
const Marker = "library.toml"

// MaxFile is the largest file, in bytes, that a library takes. A tune is a kilobyte or two; a
// larger file is a mistake, and reading it whole would be another.
const MaxFile = 8 << 20

// Options change how a library is opened. The zero value is right for commands.
type Options struct {
	// AnyRepository also opens a repository without the Marker file.
	AnyRepository bool
	// LockWait bounds the wait for another process; 0 means 20 seconds.
	LockWait time.Duration
	// OnWait is told once, about half a second into a wait, what is being waited for.
	OnWait func(what string)
	// OnProgress is told now and then how far a long piece of work is, as in
	// ("reading history", 1200, 100000). total may be 0 if it is not known.
	OnProgress func(what string, done, total int)
	// Location is the time zone in which a date without a zone is read; nil means local time.
	Location *time.Location
	// Committer is named as committer of each revision; the zero Person is its author.
	Committer Person

	fs disk.FS // tests put a faulty disk here
}

// Lib is an open library. Its methods may be called from several goroutines.
type Lib struct {
	d       *gitdir.Dir
	fs      disk.FS
	store   *objects.Store
	opt     Options
	repairs []string
	readers sync.Pool
	shallow map[plumbing.Hash]bool

	histMu sync.Mutex
	hist   *hist.Index
}

// OpenWith finds the library that holds dir, looking upwards as git does, and repairs what a
// process that died may have left behind. It never waits for another process.
//
// Errors: ErrNotFound if there is no library, ErrForeign if it is in a form that could not be
// kept intact (sha256 objects, reftable, bare, sparse checkout, unknown extensions), ErrDamaged.
func OpenWith(dir string, opt Options) (*Lib, error) {
	if opt.fs == nil {
		opt.fs = disk.OS{}
	}
	d, err := gitdir.Find(opt.fs, dir)
	if err != nil {
		return nil, openError(dir, err)
	}
	if !opt.AnyRepository {
		if _, err := opt.fs.Stat(filepath.Join(d.Work, Marker)); err != nil {
			return nil, &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("%s is a git repository but not a Rigkeep library (no %s)", d.Work, Marker),
				Hint: "Go to a library, or make one. Try: rigkeep init DIR"}
		}
	}
	l := newLib(d, opt, objects.Open(d.FS, filepath.Join(d.Common, "objects")))
	if err := l.recoverIfNeeded(); err != nil {
		return nil, err
	}
	return l, nil
}

func newLib(d *gitdir.Dir, opt Options, store *objects.Store) *Lib {
	l := &Lib{d: d, fs: d.FS, opt: opt, store: store, shallow: d.Shallow()}
	l.readers.New = func() any { return store.NewReader(8 << 20) }
	return l
}

func openError(dir string, err error) error {
	var un *gitdir.UnsupportedError
	switch {
	case errors.Is(err, gitdir.ErrNone):
		return &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("no Rigkeep library in %s or its parents", dir),
			Hint: "Go to a library, or make one. Try: rigkeep init DIR"}
	case errors.As(err, &un):
		return &Error{Kind: ErrForeign, Msg: "cannot use this repository: " + un.What, Hint: un.Hint}
	case errors.Is(err, gitdir.ErrDamaged):
		return &Error{Kind: ErrDamaged, Msg: err.Error(), Hint: "Try: rigkeep check --git"}
	}
	return device("opening the library", err)
}

// Root is the folder that holds the library's files.
func (l *Lib) Root() string { return l.d.Work }

// Recovered says, one sentence each, what Open put right after a process that died.
func (l *Lib) Recovered() []string { return l.repairs }

// with lends a reader of objects to fn.
func (l *Lib) with(fn func(r *objects.Reader) error) error {
	r := l.readers.Get().(*objects.Reader)
	defer l.readers.Put(r)
	return l.objectError(fn(r))
}

// withChecked is with for a reader that compares each object with its id.
func (l *Lib) withChecked(fn func(r *objects.Reader) error) error {
	return l.with(func(r *objects.Reader) error {
		r.Check = true
		defer func() { r.Check = false }()
		return fn(r)
	})
}

// objectError puts errors of the object store into this package's classes.
func (l *Lib) objectError(err error) error {
	var known *Error
	var gone *objects.NotFoundError
	switch {
	case err == nil || errors.As(err, &known):
		return err
	case errors.As(err, &gone) && l.d.Partial():
		return &Error{Kind: ErrForeign, Msg: "partial clone: this object is only on the server: " + gone.Error(),
			Hint: "Fetch all of it with `git fetch --refetch --no-filter`; what is saved here meanwhile is whole"}
	case errors.As(err, &gone):
		return &Error{Kind: ErrDamaged, Msg: "part of the library's history is missing: " + gone.Error(),
			Hint: "`git fsck` lists what is missing; fetch it again from another copy of the library"}
	case errors.Is(err, objects.ErrDamaged) || errors.Is(err, gitdir.ErrDamaged):
		return &Error{Kind: ErrDamaged, Msg: err.Error(), Hint: "another copy of the library can replace the broken file. Try: rigkeep check --git"}
	}
	if path := (*fs.PathError)(nil); errors.As(err, &path) {
		return device("reading the history", err)
	}
	return err
}

// Head gives the revision the library is at; "" if nothing has been saved yet.
func (l *Lib) Head() (Rev, error) {
	_, id, err := l.head()
	return rev(id), err
}

// Branch gives the short name of the branch that saves go to, or "" if HEAD is detached.
func (l *Lib) Branch() (string, error) {
	name, _, err := l.head()
	if len(name) > len("refs/heads/") {
		name = name[len("refs/heads/"):]
	}
	return name, err
}

func (l *Lib) head() (branch string, id plumbing.Hash, err error) {
	branch, id, err = l.d.Head()
	if err != nil {
		if errors.Is(err, gitdir.ErrDamaged) {
			return branch, id, &Error{Kind: ErrDamaged, Msg: err.Error(),
				Hint: "`git reflog` shows where the branch was; `git update-ref` puts it back"}
		}
		return branch, id, device("reading HEAD", err)
	}
	return branch, id, nil
}

func rev(id plumbing.Hash) Rev {
	if id.IsZero() {
		return ""
	}
	return Rev(id.String())
}

// hash turns a Rev into an id; a Rev that is not a full id is an error.
func (r Rev) hash() (plumbing.Hash, error) {
	if !plumbing.IsHash(string(r)) {
		return plumbing.ZeroHash, &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("%q is not a full revision id", string(r))}
	}
	return plumbing.NewHash(string(r)), nil
}

func blobID(id plumbing.Hash) BlobID {
	if id.IsZero() {
		return ""
	}
	return BlobID(id.String())
}

// Init makes a new library in dir, which must not exist or hold no library yet, and saves
// files as its first revision. Files of the same name that are already in dir must have the
// same contents. Git settings that keep line endings as they are go in with it.
//
// Errors: ErrChanged if dir already is a repository or a file there differs, ErrBadPath.
func Init(dir string, files []File, author Person, when time.Time) (*Lib, error) {
	return InitWith(dir, files, author, when, Options{})
}

// attributes keeps every system from changing line endings behind our back.
const attributes = "* text=auto eol=lf\n"

// InitWith is Init with options.
func InitWith(dir string, files []File, author Person, when time.Time, opt Options) (*Lib, error) {
	if opt.fs == nil {
		opt.fs = disk.OS{}
	}
	f := opt.fs
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, device("finding the folder", err)
	}
	req := SaveRequest{Files: files, Subject: "Create library", Author: author, When: when, WriteWork: true}
	have := false
	for _, x := range files {
		have = have || x.Path == ".gitattributes"
	}
	if !have {
		req.Files = append([]File{{Path: ".gitattributes", Data: []byte(attributes)}}, files...)
	}
	if err := req.check(); err != nil {
		return nil, err
	}
	any := opt
	any.AnyRepository = true // the marker may be among the files to save
	begun, done := findInterruptedInit(f, dir, any, req.Files)
	if done != nil {
		return done, nil
	}
	_, serr := f.Stat(dir)
	git := ""
	undo := func(err error) (*Lib, error) {
		if git != "" { // else it is not ours to take away
			removeAll(f, git)
		}
		if errors.Is(serr, fs.ErrNotExist) {
			_ = f.Remove(dir) // stays if it holds anything
		}
		return nil, err
	}
	if !begun {
		if git, err = makeGit(f, dir, "main"); err != nil {
			return undo(err)
		}
	}
	l, err := OpenWith(dir, any)
	if err != nil {
		return undo(err)
	}
	l.opt.AnyRepository = opt.AnyRepository
	if _, err := l.Writer().Save(ctxBackground, req); err != nil && !(begun && errors.Is(err, ErrNothing)) {
		return undo(err)
	}
	return l, nil
}

// findInterruptedInit looks for what an Init that died in dir has left: begun is true for a repository of
// ours without a revision, and done is the library if Open could finish it and it holds files.
func findInterruptedInit(f disk.FS, dir string, opt Options, files []File) (begun bool, done *Lib) {
	text, err := f.ReadFile(filepath.Join(dir, ".git", "description"))
	if err != nil || string(text) != description {
		return false, nil
	}
	l, err := OpenWith(dir, opt)
	if err != nil || l.d.Work != dir {
		return false, nil
	}
	_, id, err := l.head()
	refs, rerr := l.Refs("refs/")
	if err != nil || rerr != nil {
		return false, nil
	}
	if id.IsZero() {
		return len(refs) == 0, nil
	}
	if len(l.Recovered()) == 0 {
		return false, nil
	}
	for _, x := range files {
		if data, err := l.Revisions().ReadAt(rev(id), x.Path); err != nil || string(data) != string(x.Data) {
			return false, nil
		}
	}
	return true, l
}

const description = "A library of stabiliser tunes, kept by rigkeep.\n"

// InitEmpty makes a repository without any revision in dir, for a library that is to come from
// elsewhere; branch is the short name of the branch that it will be on. Options.AnyRepository is
// implied.
//
// Errors: as Init; ErrBadPath if branch cannot be one.
func InitEmpty(dir, branch string, opt Options) (*Lib, error) {
	if opt.fs == nil {
		opt.fs = disk.OS{}
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, device("finding the folder", err)
	}
	if !gitdir.ValidRef("refs/heads/" + branch) {
		return nil, &Error{Kind: ErrBadPath, Msg: fmt.Sprintf("%q cannot be a branch", branch)}
	}
	if _, err := makeGit(opt.fs, dir, branch); err != nil {
		return nil, err
	}
	opt.AnyRepository = true
	return OpenWith(dir, opt)
}

// makeGit makes the .git folder of a new repository.
func makeGit(f disk.FS, dir, branch string) (git string, err error) {
	git = filepath.Join(dir, ".git")
	if _, err := f.Lstat(git); err == nil {
		return "", &Error{Kind: ErrChanged, Msg: dir + " already is a git repository", Hint: "Choose a folder that is not one"}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return "", device("looking into "+dir, err)
	}
	if err := disk.MkdirAll(f, dir, 0o777); err != nil {
		return "", device("making "+dir, err)
	}
	unmark, release, err := claim(f, dir)
	if err != nil {
		return "", err
	}
	defer release()
	// The repository is built aside and renamed into place, so that no half of one can be found.
	aside := disk.TempName(dir, asidePrefix)
	fail := func(err error) (string, error) {
		removeAll(f, aside)
		return "", device("making the repository", err)
	}
	for _, sub := range []string{"", "objects", "objects/info", "objects/pack", "refs", "refs/heads", "refs/tags", "info", "hooks"} {
		if err := f.Mkdir(filepath.Join(aside, filepath.FromSlash(sub)), 0o777); err != nil {
			return fail(err)
		}
	}
	for name, text := range map[string]string{
		"HEAD": "ref: refs/heads/" + branch + "\n",
		"config": "[core]\n\trepositoryformatversion = 0\n\tfilemode = " + fileMode + "\n\tbare = false\n\tlogallrefupdates = true\n" +
			"\tautocrlf = false\n\tprecomposeunicode = true\n",
		"description":  description,
		"info/exclude": "",
	} {
		if err := disk.WriteSynced(f, filepath.Join(aside, filepath.FromSlash(name)), []byte(text), 0o666); err != nil {
			return fail(err)
		}
	}
	for _, sub := range []string{"refs", "info", ""} {
		if err := f.SyncDir(filepath.Join(aside, sub)); err != nil {
			return fail(err)
		}
	}
	unmark()
	if err := f.Rename(aside, git); err != nil {
		return fail(err)
	}
	if err := f.SyncDir(dir); err != nil {
		removeAll(f, git)
		return "", device("making the repository", err)
	}
	return git, nil
}

// removeAll takes away a folder that this process has just made.
func removeAll(f disk.FS, dir string) {
	names, err := f.ReadDir(dir)
	if err == nil {
		for _, n := range names {
			if n.IsDir() {
				removeAll(f, filepath.Join(dir, n.Name()))
			} else {
				_ = f.Remove(filepath.Join(dir, n.Name()))
			}
		}
	}
	_ = f.Remove(dir)
}

func readAll(f disk.File, limit int64) ([]byte, error) {
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	b := bytes.NewBuffer(make([]byte, 0, max(0, min(st.Size(), limit))+bytes.MinRead))
	if _, err := b.ReadFrom(io.LimitReader(f, limit+1)); err != nil {
		return nil, err
	}
	if int64(b.Len()) > limit {
		return nil, errTooLarge
	}
	return b.Bytes(), nil
}

var errTooLarge = errors.New("the file is too large")

func (l *Lib) work(path string) string { return filepath.Join(l.d.Work, filepath.FromSlash(path)) }

// stateDir is the folder for everything the store keeps beside git's own files.
func (l *Lib) stateDir(parts ...string) string {
	return filepath.Join(append([]string{l.d.Common, "rigkeep"}, parts...)...)
}

// ensureStateDir makes the store's folder.
func (l *Lib) ensureStateDir() error {
	if _, err := l.fs.Stat(l.stateDir("held")); err == nil {
		return nil
	}
	for _, d := range []string{l.stateDir(), l.stateDir("held")} {
		if err := l.fs.Mkdir(d, 0o777); err != nil && !errors.Is(err, os.ErrExist) {
			return err
		}
	}
	return nil
}

// PagesDir is the folder for pages made from the library, beside git's own files, where
// no revision holds them. It may not be there yet; the folder above it is.
func (l *Lib) PagesDir() (string, error) {
	return l.stateDir("pages"), l.ensureStateDir()
}
