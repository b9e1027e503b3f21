// Package tree reads, compares and rewrites git trees as raw bytes. Subtrees with equal ids are
// never opened, so the cost follows what changed, not how much there is.
package tree

import (
	"bytes"
	"errors"
	"fmt"
	"sort"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/schema"
)

// Modes of tree entries.
const (
	ModeFile uint32 = 0o100644
	ModeExec uint32 = 0o100755
	ModeLink uint32 = 0o120000
	ModeDir  uint32 = 0o040000
	ModeSub  uint32 = 0o160000 // a commit of another repository
)

// Getter gives a tree's bytes. *objects.Reader is one.
type Getter interface {
	Tree(id plumbing.Hash) ([]byte, error)
}

// Entry is one line of a tree. Name points into the tree's bytes.
type Entry struct {
	Mode uint32
	Name []byte
	ID   plumbing.Hash
}

// IsDir says whether the entry is a subtree.
func (e Entry) IsDir() bool { return e.Mode == ModeDir }

// next takes one entry off the front of a tree's bytes.
func next(b []byte) (e Entry, rest []byte, err error) {
	i := 0
	for ; i < len(b) && b[i] != ' '; i++ {
		if b[i] < '0' || b[i] > '7' || i > 6 {
			return e, nil, errTree
		}
		e.Mode = e.Mode<<3 | uint32(b[i]-'0')
	}
	if i == 0 || i >= len(b) {
		return e, nil, errTree
	}
	b = b[i+1:]
	z := bytes.IndexByte(b, 0)
	if z <= 0 || len(b) < z+21 {
		return e, nil, errTree
	}
	e.Name = b[:z]
	copy(e.ID[:], b[z+1:])
	return e, b[z+21:], nil
}

var errTree = fmt.Errorf("%w: a tree object has a broken entry", objects.ErrDamaged)

// Parse splits a tree into entries.
func Parse(b []byte) ([]Entry, error) {
	out := make([]Entry, 0, len(b)/36+1)
	for len(b) > 0 {
		e, rest, err := next(b)
		if err != nil {
			return nil, err
		}
		if twice(out, e) {
			return nil, errTwice(e.Name)
		}
		out = append(out, e)
		b = rest
	}
	return out, nil
}

// twice says whether an entry's name is among those before it. In git's order the entries between a
// file and a folder of one name begin with that name.
func twice(before []Entry, e Entry) bool {
	for i := len(before) - 1; i >= 0; i-- {
		if !bytes.HasPrefix(before[i].Name, e.Name) {
			return false
		}
		if len(before[i].Name) == len(e.Name) {
			return true
		}
	}
	return false
}

// errTwice is for a tree that no file system can hold, which git fsck refuses (duplicateEntries).
func errTwice(name []byte) error {
	return fmt.Errorf("%w: a tree has the name %q twice", objects.ErrDamaged, name)
}

// Format writes entries, which must be in git's order, as a tree.
func Format(es []Entry) []byte {
	n := 0
	for _, e := range es {
		n += len(e.Name) + 28
	}
	out := make([]byte, 0, n)
	for _, e := range es {
		out = fmt.Appendf(out, "%o ", e.Mode)
		out = append(append(out, e.Name...), 0)
		out = append(out, e.ID[:]...)
	}
	return out
}

// less is git's order: a folder sorts as if its name ended in a slash.
func less(a, b Entry) bool { return compare(a, b) < 0 }

func compare(a, b Entry) int {
	n := min(len(a.Name), len(b.Name))
	if c := bytes.Compare(a.Name[:n], b.Name[:n]); c != 0 {
		return c
	}
	return int(at(a, n)) - int(at(b, n))
}

func at(e Entry, i int) byte {
	switch {
	case i < len(e.Name):
		return e.Name[i]
	case e.IsDir():
		return '/'
	}
	return 0
}

// ErrNone means that a path is not in a tree.
var ErrNone = errors.New("path not found")

// Lookup finds a path in the tree root; the empty path is the root itself.
func Lookup(g Getter, root plumbing.Hash, path string) (Entry, error) {
	e := Entry{Mode: ModeDir, ID: root}
	if root.IsZero() {
		return e, ErrNone
	}
	for path != "" {
		name, rest, _ := strings.Cut(path, "/")
		path = rest
		if !e.IsDir() {
			return e, ErrNone
		}
		b, err := g.Tree(e.ID)
		if err != nil {
			return e, err
		}
		if e, err = find(b, name); err != nil {
			return e, err
		}
	}
	return e, nil
}

func find(b []byte, name string) (Entry, error) {
	for len(b) > 0 {
		e, rest, err := next(b)
		if err != nil {
			return e, err
		}
		if string(e.Name) == name {
			return e, nil
		}
		b = rest
	}
	return Entry{}, ErrNone
}

// Walk calls fn for every file below the tree root whose path begins with prefix, in git's
// order. Folders that cannot hold such a path are not opened.
func Walk(g Getter, root plumbing.Hash, prefix string, fn func(path string, mode uint32, id plumbing.Hash) error) error {
	if root.IsZero() {
		return nil
	}
	return walk(g, root, "", prefix, fn)
}

func walk(g Getter, id plumbing.Hash, dir, prefix string, fn func(string, uint32, plumbing.Hash) error) error {
	b, err := g.Tree(id)
	if err != nil {
		return err
	}
	for len(b) > 0 {
		e, rest, err := next(b)
		if err != nil {
			return err
		}
		b = rest
		path := dir + string(e.Name)
		if e.IsDir() {
			path += "/"
			if strings.HasPrefix(path, prefix) || strings.HasPrefix(prefix, path) {
				if err := walk(g, e.ID, path, prefix, fn); err != nil {
					return err
				}
			}
		} else if strings.HasPrefix(path, prefix) {
			if err := fn(path, e.Mode, e.ID); err != nil {
				return err
			}
		}
	}
	return nil
}

// Change is a file that differs between two trees. A zero id means that the file is not there.
type Change struct {
	Path             string
	OldMode, NewMode uint32
	Old, New         plumbing.Hash
}

// Diff calls fn for every file that differs between trees a and b (zero ids are empty trees).
func Diff(g Getter, a, b plumbing.Hash, fn func(Change) error) error {
	d := differ{g: g, fn: fn}
	return d.trees(a, b)
}

// Differ compares trees many times over with one path buffer.
type differ struct {
	g    Getter
	fn   func(Change) error
	path []byte
}

func (d *differ) trees(a, b plumbing.Hash) error {
	if a == b {
		return nil
	}
	var ab, bb []byte
	var err error
	if !a.IsZero() {
		if ab, err = d.g.Tree(a); err != nil {
			return err
		}
	}
	if !b.IsZero() {
		if bb, err = d.g.Tree(b); err != nil {
			return err
		}
	}
	return d.bytes(ab, bb)
}

func (d *differ) bytes(a, b []byte) error {
	a, b = trim(a, b)
	var ea, eb Entry
	var err error
	haveA, haveB := false, false
	for {
		if !haveA && len(a) > 0 {
			if ea, a, err = next(a); err != nil {
				return err
			}
			haveA = true
		}
		if !haveB && len(b) > 0 {
			if eb, b, err = next(b); err != nil {
				return err
			}
			haveB = true
		}
		switch {
		case !haveA && !haveB:
			return nil
		case haveA && haveB && bytes.Equal(ea.Name, eb.Name) && ea.IsDir() == eb.IsDir():
			haveA, haveB = false, false
			if ea.ID != eb.ID || ea.Mode != eb.Mode {
				err = d.pair(ea, eb)
			}
		case haveA && (!haveB || less(ea, eb)):
			haveA = false
			err = d.pair(ea, Entry{})
		default:
			haveB = false
			err = d.pair(Entry{}, eb)
		}
		if err != nil {
			return err
		}
	}
}

func (d *differ) pair(a, b Entry) error {
	name := a.Name
	if name == nil {
		name = b.Name
	}
	n := len(d.path)
	defer func() { d.path = d.path[:n] }()
	d.path = append(d.path, name...)
	if a.IsDir() || b.IsDir() {
		d.path = append(d.path, '/')
		return d.trees(a.ID, b.ID)
	}
	return d.fn(Change{string(d.path), a.Mode, b.Mode, a.ID, b.ID})
}

// New calls fn with tree b and every tree and file in it that tree a does not have at the same
// place; a zero a has nothing. enter says whether to look into a tree; it is asked before fn.
func New(g Getter, a, b plumbing.Hash, enter func(id plumbing.Hash) bool, fn func(id plumbing.Hash) error) error {
	if a == b || !enter(b) {
		return nil
	}
	if err := fn(b); err != nil {
		return err
	}
	var ab []byte
	if !a.IsZero() {
		data, err := g.Tree(a)
		if err != nil {
			return err
		}
		ab = bytes.Clone(data) // the next read may drop it
	}
	data, err := g.Tree(b)
	if err != nil {
		return err
	}
	if _, err := Parse(data); err != nil { // it is new here: have a look at all of it
		return err
	}
	var pairs [][2]Entry
	ab, bb := trim(ab, bytes.Clone(data))
	var old Entry
	have := false
	for len(bb) > 0 {
		var e Entry
		if e, bb, err = next(bb); err != nil {
			return err
		}
		for {
			if !have && len(ab) > 0 {
				if old, ab, err = next(ab); err != nil {
					return err
				}
				have = true
			}
			if !have || !less(old, e) {
				break
			}
			have = false
		}
		same := have && bytes.Equal(old.Name, e.Name) && old.IsDir() == e.IsDir()
		switch {
		case e.Mode == ModeSub, same && old.ID == e.ID:
		case same:
			pairs = append(pairs, [2]Entry{old, e})
		default:
			pairs = append(pairs, [2]Entry{{}, e})
		}
	}
	for _, p := range pairs {
		if p[1].IsDir() {
			err = New(g, p[0].ID, p[1].ID, enter, fn)
		} else if enter(p[1].ID) {
			err = fn(p[1].ID)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// trim cuts equal whole entries off both ends: a commit touches one entry of a long tree.
func trim(a, b []byte) ([]byte, []byte) {
	n := min(len(a), len(b))
	i := 0
	for i+8 <= n && string(a[i:i+8]) == string(b[i:i+8]) {
		i += 8
	}
	for i < n && a[i] == b[i] {
		i++
	}
	if i == len(a) && i == len(b) {
		return nil, nil
	}
	// Step forward entry by entry to the last boundary at or before i.
	head := 0
	for {
		z := bytes.IndexByte(a[head:], 0)
		if z < 0 || head+z+21 > i {
			break
		}
		head += z + 21
	}
	return a[head:], b[head:]
}

// ErrCaseClash means that a new name differs from a present one only in case.
type ErrCaseClash struct{ Path, Present string }

func (e *ErrCaseClash) Error() string {
	return fmt.Sprintf("%s and %s differ only in capitals, and some systems cannot hold both", e.Path, e.Present)
}

// Edit is a wanted change to one file: Mode 0 deletes it.
type Edit struct {
	Path string
	Mode uint32
	ID   plumbing.Hash
}

// Result is a rewritten tree.
type Result struct {
	Root    plumbing.Hash
	Objects []objects.Object         // the new trees
	Dirs    map[string]plumbing.Hash // folder ("" is the root) to new tree id, zero if it is gone
	Old     map[string]plumbing.Hash // the same folders before, zero if new
}

// Update applies edits to the tree root in one pass: each folder is written once, whatever the
// number of files changed below it. Folders left empty disappear.
func Update(g Getter, root plumbing.Hash, edits []Edit) (*Result, error) {
	edits = append([]Edit(nil), edits...)
	sort.Slice(edits, func(i, j int) bool { return edits[i].Path < edits[j].Path })
	for i := 1; i < len(edits); i++ {
		if edits[i].Path == edits[i-1].Path {
			return nil, fmt.Errorf("the path %s is given twice", edits[i].Path)
		}
	}
	r := &Result{Dirs: map[string]plumbing.Hash{}, Old: map[string]plumbing.Hash{}}
	id, err := r.update(g, root, "", edits)
	if err != nil {
		return nil, err
	}
	if id.IsZero() { // an empty commit tree is still a tree
		o := objects.New(plumbing.TreeObject, nil)
		r.Objects = append(r.Objects, o)
		id = o.ID
		r.Dirs[""] = id
	}
	r.Root = id
	return r, nil
}

func (r *Result) update(g Getter, id plumbing.Hash, dir string, edits []Edit) (plumbing.Hash, error) {
	var es []Entry
	if !id.IsZero() {
		b, err := g.Tree(id)
		if err != nil {
			return id, err
		}
		if es, err = Parse(b); err != nil {
			return id, err
		}
	}
	for len(edits) > 0 {
		name, _, below := strings.Cut(edits[0].Path[len(dir):], "/")
		n := 1
		if below {
			full := dir + name + "/"
			for n < len(edits) && strings.HasPrefix(edits[n].Path, full) {
				n++
			}
		}
		group := edits[:n]
		edits = edits[n:]
		at, clash := seek(es, name)
		want := Entry{Mode: group[0].Mode, Name: []byte(name), ID: group[0].ID}
		if below {
			want.Mode = ModeDir
			var old plumbing.Hash
			if at >= 0 {
				if !es[at].IsDir() {
					return id, fmt.Errorf("%s is a file; it cannot hold %s", dir+name, group[0].Path)
				}
				old = es[at].ID
			}
			sub, err := r.update(g, old, dir+name+"/", group)
			if err != nil {
				return id, err
			}
			want.ID = sub
			if sub.IsZero() {
				want.Mode = 0
			}
		} else if at >= 0 && es[at].IsDir() {
			if want.Mode != 0 {
				return id, fmt.Errorf("%s is a folder; a file cannot replace it", dir+name)
			}
			return id, fmt.Errorf("%s is a folder, not a file", dir+name)
		}
		switch {
		case want.Mode == 0 && at >= 0:
			es = append(es[:at], es[at+1:]...)
		case want.Mode == 0:
		case at >= 0:
			es[at] = want
		default:
			if clash != "" {
				return id, &ErrCaseClash{dir + name, dir + clash}
			}
			i := sort.Search(len(es), func(i int) bool { return less(want, es[i]) })
			es = append(es, Entry{})
			copy(es[i+1:], es[i:])
			es[i] = want
		}
	}
	key := strings.TrimSuffix(dir, "/")
	r.Old[key] = id
	if len(es) == 0 {
		r.Dirs[key] = plumbing.ZeroHash
		return plumbing.ZeroHash, nil
	}
	o := objects.New(plumbing.TreeObject, Format(es))
	r.Dirs[key] = o.ID
	if o.ID != id {
		r.Objects = append(r.Objects, o)
	}
	return o.ID, nil
}

// seek gives the place of a name, -1 if it is not there; clash is then a name that differs only
// in its form.
func seek(es []Entry, name string) (at int, clash string) {
	form := schema.CanonicalName(name)
	for i, e := range es {
		if string(e.Name) == name {
			return i, clash
		}
		if schema.CanonicalName(string(e.Name)) == form {
			clash = string(e.Name)
		}
	}
	return -1, clash
}

// Before says whether a comes before b in git's order.
func Before(a, b Entry) bool { return less(a, b) }
