package disktest

import (
	"io/fs"
	"maps"
	"math/rand"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"rigkeep/repo/internal/disk"
)

// Forgetful passes every call on to the real disk and keeps, beside it, a model of what a loss
// of power could leave: a file's bytes are safe only after its Sync, a name in a folder only
// after the folder's SyncDir. Snapshots are taken of the model at every step.
type Forgetful struct {
	Inner disk.FS
	Root  string

	mu    sync.Mutex
	top   *node
	Snaps []*Snapshot
}

// node is a file or folder of the model.
type node struct {
	dir  map[string]*node // nil for a file
	safe map[string]*node // the names that are on stable storage
	mode fs.FileMode
	data []byte
	sync []byte // the bytes that are on stable storage; nil if none are
}

// Snapshot is the model at one step, before the step was done.
type Snapshot struct {
	What string
	top  *node
}

// NewForgetful reads the folder root as it is, all of it safe.
func NewForgetful(root string) (*Forgetful, error) {
	top, err := load(root)
	return &Forgetful{Inner: disk.OS{}, Root: root, top: top}, err
}

func load(name string) (*node, error) {
	st, err := os.Lstat(name)
	if err != nil {
		return nil, err
	}
	n := &node{mode: st.Mode()}
	if !st.IsDir() {
		if n.data, err = os.ReadFile(name); err != nil {
			return nil, err
		}
		n.sync = append([]byte{}, n.data...)
		return n, nil
	}
	n.dir, n.safe = map[string]*node{}, map[string]*node{}
	es, err := os.ReadDir(name)
	if err != nil {
		return nil, err
	}
	for _, e := range es {
		c, err := load(filepath.Join(name, e.Name()))
		if err != nil {
			return nil, err
		}
		n.dir[e.Name()], n.safe[e.Name()] = c, c
	}
	return n, nil
}

// copy keeps hard links: two names of one node stay two names of one node.
func (n *node) copy(seen map[*node]*node) *node {
	if n == nil {
		return nil
	}
	if c := seen[n]; c != nil {
		return c
	}
	c := &node{mode: n.mode, data: n.data, sync: n.sync}
	seen[n] = c
	if n.dir != nil {
		c.dir, c.safe = map[string]*node{}, map[string]*node{}
		for k, v := range n.dir {
			c.dir[k] = v.copy(seen)
		}
		for k, v := range n.safe {
			c.safe[k] = v.copy(seen)
		}
	}
	return c
}

// snap must be called with mu held.
func (f *Forgetful) snap(what, name string) {
	rel, _ := filepath.Rel(f.Root, name)
	f.Snaps = append(f.Snaps, &Snapshot{what + " " + rel, f.top.copy(map[*node]*node{})})
}

// End takes the last snapshot.
func (f *Forgetful) End() { f.snap("end", f.Root) }

func (f *Forgetful) at(name string) *node {
	rel, err := filepath.Rel(f.Root, name)
	if err != nil || strings.HasPrefix(rel, "..") {
		return nil
	}
	n := f.top
	if rel == "." {
		return n
	}
	for part := range strings.SplitSeq(rel, string(filepath.Separator)) {
		if n == nil || n.dir == nil {
			return nil
		}
		n = n.dir[part]
	}
	return n
}

func (f *Forgetful) parent(name string) (*node, string) {
	return f.at(filepath.Dir(name)), filepath.Base(name)
}

// Lose writes into dir what a loss of power at the snapshot could have left. With luck 0 only
// what was synced is there and files that were not synced are empty; with luck 1 everything is;
// between them each name and each file's bytes are decided by rnd.
func (s *Snapshot) Lose(dir string, rnd *rand.Rand, luck float64) error {
	return s.top.lose(dir, rnd, luck, map[*node]string{})
}

func (n *node) lose(name string, rnd *rand.Rand, luck float64, names map[*node]string) error {
	lucky := func() bool { return luck >= 1 || luck > 0 && rnd.Float64() < luck }
	if n.dir == nil {
		data := n.sync
		switch {
		case string(n.data) == string(n.sync):
		case lucky():
			data = n.data
		case luck > 0 && rnd.Intn(2) == 0 && len(n.data) > 0:
			data = n.data[:rnd.Intn(len(n.data))]
		}
		if first, ok := names[n]; ok {
			return os.Link(first, name)
		}
		names[n] = name
		if err := os.WriteFile(name, data, 0o666); err != nil {
			return err
		}
		return os.Chmod(name, n.mode.Perm())
	}
	if err := os.MkdirAll(name, 0o777); err != nil {
		return err
	}
	order := slices.Sorted(maps.Keys(n.dir))
	for k := range n.safe {
		if n.dir[k] == nil {
			order = append(order, k)
		}
	}
	slices.Sort(order)
	for _, k := range order {
		c := n.safe[k]
		if n.dir[k] != c && lucky() {
			c = n.dir[k]
		}
		if c == nil {
			continue
		}
		if err := c.lose(filepath.Join(name, k), rnd, luck, names); err != nil {
			return err
		}
	}
	return nil
}

// OpenFile implements disk.FS.
func (f *Forgetful) OpenFile(name string, flag int, perm fs.FileMode) (disk.File, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if flag&(os.O_CREATE|os.O_WRONLY|os.O_RDWR) == 0 {
		return f.Inner.OpenFile(name, flag, perm)
	}
	f.snap("create", name)
	h, err := f.Inner.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	p, base := f.parent(name)
	if p == nil {
		return h, nil
	}
	n := p.dir[base]
	if n == nil {
		st, err := h.Stat()
		if err != nil {
			return nil, err
		}
		n = &node{mode: st.Mode()}
		p.dir[base] = n
	}
	return &recorded{h, f, n}, nil
}

type recorded struct {
	disk.File
	f *Forgetful
	n *node
}

func (h *recorded) Write(p []byte) (int, error) {
	h.f.mu.Lock()
	defer h.f.mu.Unlock()
	h.f.snap("write", h.Name())
	n, err := h.File.Write(p)
	h.n.data = append(slices.Clip(h.n.data), p[:n]...)
	return n, err
}

func (h *recorded) Sync() error {
	h.f.mu.Lock()
	defer h.f.mu.Unlock()
	h.f.snap("sync", h.Name())
	h.n.sync = h.n.data
	return nil // the model is what counts; the real disk need not be waited for
}

// ReadFile implements disk.FS.
func (f *Forgetful) ReadFile(name string) ([]byte, error) { return f.Inner.ReadFile(name) }

// ReadDir implements disk.FS.
func (f *Forgetful) ReadDir(name string) ([]fs.DirEntry, error) { return f.Inner.ReadDir(name) }

// Lstat implements disk.FS.
func (f *Forgetful) Lstat(name string) (fs.FileInfo, error) { return f.Inner.Lstat(name) }

// Stat implements disk.FS.
func (f *Forgetful) Stat(name string) (fs.FileInfo, error) { return f.Inner.Stat(name) }

// Rename implements disk.FS.
func (f *Forgetful) Rename(from, to string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap("rename to", to)
	if err := f.Inner.Rename(from, to); err != nil {
		return err
	}
	p, a := f.parent(from)
	q, b := f.parent(to)
	if p != nil && q != nil && p.dir[a] != q.dir[b] {
		q.dir[b] = p.dir[a]
		delete(p.dir, a)
	}
	return nil
}

// Link implements disk.FS.
func (f *Forgetful) Link(from, to string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap("link to", to)
	if err := f.Inner.Link(from, to); err != nil {
		return err
	}
	if q, b := f.parent(to); q != nil {
		q.dir[b] = f.at(from)
	}
	return nil
}

// Remove implements disk.FS.
func (f *Forgetful) Remove(name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap("remove", name)
	if err := f.Inner.Remove(name); err != nil {
		return err
	}
	if p, a := f.parent(name); p != nil {
		delete(p.dir, a)
	}
	return nil
}

// Mkdir implements disk.FS.
func (f *Forgetful) Mkdir(name string, perm fs.FileMode) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap("mkdir", name)
	if err := f.Inner.Mkdir(name, perm); err != nil {
		return err
	}
	if p, a := f.parent(name); p != nil {
		p.dir[a] = &node{dir: map[string]*node{}, safe: map[string]*node{}, mode: fs.ModeDir | perm}
	}
	return nil
}

// Chmod implements disk.FS.
func (f *Forgetful) Chmod(name string, perm fs.FileMode) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if n := f.at(name); n != nil {
		n.mode = n.mode&^0o777 | perm
	}
	return f.Inner.Chmod(name, perm)
}

// Touch implements disk.FS; times are not part of the model.
func (f *Forgetful) Touch(name string) error { return f.Inner.Touch(name) }

// SyncDir implements disk.FS.
func (f *Forgetful) SyncDir(name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.snap("sync folder", name)
	if n := f.at(name); n != nil && n.dir != nil {
		n.safe = map[string]*node{}
		for k, v := range n.dir {
			n.safe[k] = v
		}
	}
	return nil
}
