package store

import (
	"encoding/binary"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/index"
	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// ChangeKind says how a file differs from the last revision.
type ChangeKind string

// The kinds of change.
const (
	Modified ChangeKind = "modified" // other contents
	Added    ChangeKind = "added"    // not in the last revision
	Deleted  ChangeKind = "deleted"  // only in the last revision
)

// Change is a file that is not as in the last revision.
type Change struct {
	Path string
	Kind ChangeKind
	// Staged says that git's index differs from the last revision: someone used `git add`.
	Staged bool
	// Unstaged says that the work tree differs from git's index.
	Unstaged bool
	// Unmerged says that plain git left an unsettled merge of this file.
	Unmerged bool
}

// Status lists the files that have been edited, added, deleted or staged by hand since the last
// revision, sorted by path. Files that git does not know are listed if they end in .toml and no
// ignore rule covers them. It changes nothing but a note of when it last read which folder.
//
// Errors: ErrDamaged, ErrForeign (an index form that cannot be read), ErrDevice.
func (l WorkTree) Status() ([]Change, error) { return l.status(nil) }

// StatusOf is Status for whoever needs the contents of some files only: an edit that changes a
// file in place is given only where want says so. What came, went or was staged is given for all.
func (l WorkTree) StatusOf(want func(path string) bool) ([]Change, error) { return l.status(want) }

// Tracked gives the number of files that git's index speaks of, without reading it.
func (l WorkTree) Tracked() (int, error) {
	f, err := l.fs.OpenFile(filepath.Join(l.d.Git, "index"), os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, device("reading git's index", err)
	}
	defer func() { _ = f.Close() }()
	var head [12]byte // signature, version, number of entries
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return 0, device("reading git's index", err)
	}
	return int(binary.BigEndian.Uint32(head[8:])), nil
}

func (l WorkTree) status(want func(path string) bool) ([]Change, error) {
	x, _, mtime, err := l.Writer().loadIndex(false)
	if err != nil {
		return nil, err
	}
	_, head, err := l.head()
	if err != nil {
		return nil, err
	}
	if x == nil {
		x = &index.Index{}
	}
	found := map[string]*Change{}
	get := func(path string) *Change {
		c := found[path]
		if c == nil {
			c = &Change{Path: path, Kind: Modified}
			found[path] = c
		}
		return c
	}
	err = l.with(func(r *objects.Reader) error {
		var root plumbing.Hash
		if !head.IsZero() {
			c, err := l.Revisions().commit(r, head)
			if err != nil {
				return err
			}
			root = c.tree
		}
		return stagedChanges(r, x, root, func(path string, kind ChangeKind) {
			c := get(path)
			c.Staged, c.Kind = true, kind
		})
	})
	if err != nil {
		return nil, err
	}
	var mu sync.Mutex
	note := func(path string, kind ChangeKind) {
		mu.Lock()
		defer mu.Unlock()
		c := get(path)
		c.Unstaged = true
		switch {
		case kind == Deleted && c.Staged && c.Kind == Added:
			c.Kind = Deleted // staged, then removed
		case kind == Added && c.Staged && c.Kind == Deleted:
			c.Kind = Modified // removed from the index, present as a file
		case kind != Modified:
			c.Kind = kind
		}
	}
	s := scan{l: l.Lib, x: x, s: uint32(mtime.Unix()), n: uint32(mtime.Nanosecond()), report: note, want: want}
	if err := s.run(); err != nil {
		return nil, err
	}
	for path, c := range found {
		if c.Kind == Added && !c.Staged && l.ignored(path) {
			delete(found, path)
		}
	}
	out := make([]Change, 0, len(found))
	for i := range x.Entries {
		if x.Entries[i].Stage() != 0 {
			get(x.Entries[i].Path).Unmerged = true
		}
	}
	for _, c := range found {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b Change) int { return strings.Compare(a.Path, b.Path) })
	return out, nil
}

// stagedChanges compares the index with tree root. Folders whose cached tree is the
// revision's own are not opened, so a clean index costs one comparison.
func stagedChanges(r *objects.Reader, x *index.Index, root plumbing.Hash, fn func(string, ChangeKind)) error {
	if x.Is(root) {
		return nil
	}
	var walk func(dir string, id plumbing.Hash, n *index.Node, es []index.Entry) error
	walk = func(dir string, id plumbing.Hash, n *index.Node, es []index.Entry) error {
		if n != nil && n.Entries >= 0 && n.ID == id && n.Entries == len(es) {
			return nil
		}
		var ts []tree.Entry
		if !id.IsZero() {
			b, err := r.Tree(id)
			if err != nil {
				return err
			}
			if ts, err = tree.Parse(b); err != nil {
				return err
			}
		}
		byName := make(map[string]tree.Entry, len(ts))
		for _, e := range ts {
			byName[string(e.Name)] = e
		}
		for i := 0; i < len(es); {
			name, _, below := strings.Cut(es[i].Path[len(dir):], "/")
			j := i + 1
			t, have := byName[name]
			if below {
				full := dir + name + "/"
				for j < len(es) && strings.HasPrefix(es[j].Path, full) {
					j++
				}
				sub := plumbing.ZeroHash
				if have && t.IsDir() {
					sub = t.ID
					delete(byName, name)
				}
				if err := walk(full, sub, n.Sub(name), es[i:j]); err != nil {
					return err
				}
			} else {
				e := &es[i]
				switch {
				case e.Stage() != 0 || e.IntentToAdd():
				case !have || t.IsDir():
					fn(e.Path, Added)
				case t.ID != e.ID || t.Mode != e.Mode:
					fn(e.Path, Modified)
				}
				if have && !t.IsDir() {
					delete(byName, name)
				}
			}
			i = j
		}
		for name, t := range byName {
			if !t.IsDir() {
				fn(dir+name, Deleted)
				continue
			}
			if err := tree.Walk(r, t.ID, "", func(path string, _ uint32, _ plumbing.Hash) error {
				fn(dir+name+"/"+path, Deleted)
				return nil
			}); err != nil {
				return err
			}
		}
		return nil
	}
	return walk("", root, x.Root(), x.Entries)
}

// scan compares the work tree with the index.
type scan struct {
	l      *Lib
	x      *index.Index
	s, n   uint32 // the index file's time
	report func(path string, kind ChangeKind)
	want   func(path string) bool // whose contents are looked at; nil is all

	root    *index.Folder
	folders []*folder
	known   *folderCache
	modes   bool // the executable bit counts
}

// folder is a folder that the index speaks of.
type folder struct {
	path  string // "" or ending in a slash
	files []int  // places in the index
	subs  []string
	names uint64 // of files and subs, as a hash
	stat  index.Stat
	same  bool        // holds exactly the names that the index speaks of
	seen  *folderSeen // when it was last read, nil for never
	known bool        // holds the same names as then
}

// list finds the folders of the index in one pass: what a folder holds lies together there, so those that the last path is
// in are all that may still grow.
func (s *scan) list() {
	spare := make([]folder, len(s.x.Entries)/2+1)
	open := []*folder{}
	enter := func(dir string) {
		if len(spare) == 0 {
			spare = make([]folder, 256)
		}
		f := &spare[0]
		spare = spare[1:]
		f.path, f.names = dir, fnvStart
		s.folders = append(s.folders, f)
		open = append(open, f)
	}
	enter("")
	for i := range s.x.Entries {
		path := s.x.Entries[i].Path
		for !strings.HasPrefix(path, open[len(open)-1].path) {
			open = open[:len(open)-1]
		}
		for {
			f := open[len(open)-1]
			base := path[len(f.path):]
			slash := strings.IndexByte(base, '/')
			if slash < 0 {
				f.files = append(f.files, i)
				f.names = fnv(f.names, base)
				break
			}
			f.subs = append(f.subs, base[:slash])
			f.names = fnv(f.names, base[:slash+1])
			enter(path[:len(f.path)+slash+1])
		}
	}
}

const fnvStart = 14695981039346656037

// fnv continues a hash (Fowler, Noll and Vo, 64 bits) with a name and its end.
func fnv(h uint64, name string) uint64 {
	for i := range len(name) {
		h = (h ^ uint64(name[i])) * 1099511628211
	}
	return h * 1099511628211
}

// run goes through the folders on a few goroutines: nearly all of the time is spent in the
// system's answers.
func (s *scan) run() error {
	var err error
	if s.root, err = index.OpenFolder(s.l.d.Work); err != nil {
		return device("looking through the folder", err)
	}
	defer s.root.Close()
	s.modes = fileMode == "true" && s.l.d.FileMode()
	s.list()
	if s.known = s.l.Work().loadFolders(); s.known != nil {
		s.known.match(s.folders)
	}
	began := time.Now()
	var next atomic.Int64
	const batch = 16
	err = disk.Each(min(4, len(s.folders)/batch+1), func(int) error {
		for {
			to := int(next.Add(batch))
			for i := to - batch; i < min(to, len(s.folders)); i++ {
				if err := s.folder(s.folders[i]); err != nil {
					return err
				}
			}
			if to >= len(s.folders) {
				return nil
			}
		}
	})
	if err != nil {
		return device("looking through the folder", err)
	}
	s.l.Work().saveFolders(s, began)
	return nil
}

func (s *scan) folder(f *folder) error {
	var passed []*index.Entry // of which only the presence counts
	for _, i := range f.files {
		if e := &s.x.Entries[i]; s.want != nil && !s.want(e.Path) {
			passed = append(passed, e)
			continue
		}
		if err := s.file(&s.x.Entries[i]); err != nil {
			return err
		}
	}
	// A folder whose own times have not moved since it was last read holds the same names.
	if s.known != nil {
		name := "."
		if f.path != "" {
			name = f.path[:len(f.path)-1]
		}
		kind, err := s.root.Lstat(name, &f.stat)
		if err == nil && kind&fs.ModeDir != 0 && f.seen != nil && *f.seen == seenOf(f) {
			f.same, f.known = true, true
			return nil
		}
	}
	// The folder must be read: then it is as quick to look at all of its files.
	for _, e := range passed {
		if err := s.file(e); err != nil {
			return err
		}
	}
	names, err := s.l.fs.ReadDir(s.l.work(f.path))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotDir) {
			return nil
		}
		return err
	}
	tracked := make(map[string]bool, len(f.files)+len(f.subs))
	for _, i := range f.files {
		tracked[s.x.Entries[i].Path[len(f.path):]] = true
	}
	for _, n := range f.subs {
		tracked[n] = true
	}
	f.same = true
	here := 0
	for _, n := range names {
		if tracked[n.Name()] {
			here++
			continue
		}
		if f.path == "" && strings.EqualFold(n.Name(), ".git") {
			continue
		}
		f.same = false
		if err := s.unknown(f.path+n.Name(), n); err != nil {
			return err
		}
	}
	f.same = f.same && here == len(tracked)
	return nil
}

// unknown reports a file that git does not know, or those in a folder that it does not know.
func (s *scan) unknown(path string, n fs.DirEntry) error {
	if !n.IsDir() {
		if strings.HasSuffix(strings.ToLower(path), ".toml") {
			s.report(path, Added)
		}
		return nil
	}
	// Another repository inside is git's business, not ours.
	if _, err := s.l.fs.Lstat(s.l.work(path + "/.git")); err == nil {
		return nil
	}
	names, err := s.l.fs.ReadDir(s.l.work(path))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	}
	for _, c := range names {
		if err := s.unknown(path+"/"+c.Name(), c); err != nil {
			return err
		}
	}
	return nil
}

// file compares one file.
func (s *scan) file(e *index.Entry) error {
	if e.AssumeUnchanged() || e.Stage() != 0 || e.Mode == tree.ModeSub {
		return nil
	}
	var st index.Stat
	kind, err := s.root.Lstat(e.Path, &st)
	switch {
	case errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotDir):
		s.report(e.Path, Deleted)
		return nil
	case err != nil:
		return &fs.PathError{Op: "lstat", Path: e.Path, Err: err}
	case e.IntentToAdd():
		s.report(e.Path, Added)
		return nil
	case kind&fs.ModeSymlink != 0:
		if e.Mode != tree.ModeLink {
			s.report(e.Path, Modified)
		} else if to, err := os.Readlink(s.l.work(e.Path)); err != nil || plumbing.ComputeHash(plumbing.BlobObject, []byte(to)) != e.ID {
			s.report(e.Path, Modified)
		}
		return nil
	case !kind.IsRegular() || e.Mode == tree.ModeLink,
		s.modes && (kind&0o100 != 0) != (e.Mode == tree.ModeExec):
		s.report(e.Path, Modified)
		return nil
	case e.Matches(st, s.s, s.n):
		return nil
	}
	data, _, err := s.l.Work().readWork(e.Path)
	if errors.Is(err, ErrDevice) {
		return err
	}
	if err != nil || !s.l.Work().sameAsBlob(data, e.ID) {
		s.report(e.Path, Modified)
	}
	return nil
}
