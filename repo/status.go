package repo

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/go-git/go-git/v5/plumbing"

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
// ignore rule covers them. It writes nothing.
//
// Errors: ErrDamaged, ErrForeign (an index form that cannot be read), ErrDevice.
func (l *Lib) Status() ([]Change, error) {
	x, _, mtime, err := l.loadIndex()
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
			c, err := l.commit(r, head)
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
	s := scan{l: l, x: x, s: uint32(mtime.Unix()), n: uint32(mtime.Nanosecond()), report: note}
	if err := s.run(); err != nil {
		return nil, err
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
	// trackedOnly leaves out the search for new files.
	trackedOnly bool
}

// job is a folder with the index entries below it.
type job struct {
	dir string // "" or ending in a slash
	es  []index.Entry
}

// run walks folder by folder on a few goroutines: nearly all of the time is spent waiting for
// the system's answers.
func (s *scan) run() error {
	const workers = 4
	var mu sync.Mutex
	cond := sync.NewCond(&mu)
	queue := []job{{"", s.x.Entries}}
	busy := 0
	var first error
	var wg sync.WaitGroup
	for range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for {
				mu.Lock()
				for len(queue) == 0 && busy > 0 && first == nil {
					cond.Wait()
				}
				if len(queue) == 0 || first != nil {
					mu.Unlock()
					cond.Broadcast()
					return
				}
				j := queue[len(queue)-1]
				queue = queue[:len(queue)-1]
				busy++
				mu.Unlock()
				more, err := s.folder(j)
				mu.Lock()
				busy--
				queue = append(queue, more...)
				if err != nil && first == nil {
					first = err
				}
				mu.Unlock()
				cond.Broadcast()
			}
		}()
	}
	wg.Wait()
	if first != nil {
		return device("looking through the folder", first)
	}
	return nil
}

func (s *scan) folder(j job) (more []job, err error) {
	names, err := s.l.fs.ReadDir(s.l.work(strings.TrimSuffix(j.dir, "/")))
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, errNotDir) {
		return nil, err
	}
	have := make(map[string]fs.DirEntry, len(names))
	for _, n := range names {
		have[n.Name()] = n
	}
	tracked := make(map[string]bool)
	for i := 0; i < len(j.es); {
		name, _, below := strings.Cut(j.es[i].Path[len(j.dir):], "/")
		k := i + 1
		if below {
			full := j.dir + name + "/"
			for k < len(j.es) && strings.HasPrefix(j.es[k].Path, full) {
				k++
			}
			tracked[name] = true
			more = append(more, job{full, j.es[i:k]})
		} else {
			tracked[name] = true
			if err := s.file(&j.es[i], have[name]); err != nil {
				return nil, err
			}
		}
		i = k
	}
	if s.trackedOnly {
		return more, nil
	}
	for name, n := range have {
		if tracked[name] || j.dir == "" && strings.EqualFold(name, ".git") {
			continue
		}
		switch {
		case n.IsDir():
			// Another repository inside is git's business, not ours.
			if _, err := s.l.fs.Lstat(s.l.work(j.dir + name + "/.git")); err != nil {
				more = append(more, job{j.dir + name + "/", nil})
			}
		case strings.HasSuffix(strings.ToLower(name), ".toml"):
			s.report(j.dir+name, Added)
		}
	}
	return more, nil
}

func (s *scan) file(e *index.Entry, n fs.DirEntry) error {
	if e.Unwatched() || e.Stage() != 0 {
		return nil
	}
	if e.Mode == tree.ModeSub {
		return nil
	}
	if n == nil {
		s.report(e.Path, Deleted)
		return nil
	}
	full := filepath.Join(s.l.d.Work, filepath.FromSlash(e.Path))
	st, err := s.l.fs.Lstat(full)
	if errors.Is(err, fs.ErrNotExist) {
		s.report(e.Path, Deleted)
		return nil
	}
	if err != nil {
		return err
	}
	if e.IntentToAdd() {
		s.report(e.Path, Added)
		return nil
	}
	switch {
	case st.Mode()&fs.ModeSymlink != 0:
		if e.Mode != tree.ModeLink {
			s.report(e.Path, Modified)
		} else if to, err := os.Readlink(full); err != nil || plumbing.ComputeHash(plumbing.BlobObject, []byte(to)) != e.ID {
			s.report(e.Path, Modified)
		}
		return nil
	case !st.Mode().IsRegular() || e.Mode == tree.ModeLink:
		s.report(e.Path, Modified)
		return nil
	}
	if fileMode == "true" && s.l.watchMode() && gitMode(st) != e.Mode {
		s.report(e.Path, Modified)
		return nil
	}
	if e.Matches(index.FromInfo(st, e.Mode), s.s, s.n) {
		return nil
	}
	data, _, err := s.l.readWork(e.Path)
	if errors.Is(err, ErrDevice) {
		return err
	}
	if err != nil || !s.l.sameAsBlob(data, e.ID) {
		s.report(e.Path, Modified)
	}
	return nil
}

func (l *Lib) watchMode() bool { return l.d.WatchMode() }
