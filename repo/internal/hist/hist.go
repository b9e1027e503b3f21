// Package hist keeps a derived index of history: which commits changed which path. It can be
// thrown away at any time and is never trusted: a check sum covers the whole file, a journal of
// later commits is bound to it and ignores a torn end, and each query begins at the commit that
// HEAD is at now, extending or rebuilding as needed.
//
// A merge counts as changing a path only if the path differs from all of its parents.
package hist

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
)

const (
	magic      = "rigkeep history 1\n" // the number is the version of the layout and of the rules above
	headerSize = 80
)

// Posting is one change of one path.
type Posting struct {
	Commit int // number of the commit; parents have smaller numbers than their children
	Blob   plumbing.Hash
}

// Index is the base, mapped from disk, and the commits added since.
type Index struct {
	base    []byte // whole file, or nil
	n       int    // commits in the base
	paths   int    // paths in the base
	sum     uint32 // check sum of the base; binds the journal to it
	shallow uint32 // check sum of the shallow file that the base was built under

	ids, byID, dates, parentAt, parents   []byte
	pathAt, pathText, postAt, postEntries []byte

	added    []Commit // commits n, n+1, …
	addedNo  map[plumbing.Hash]int
	addedFor map[string][]Posting
	heads    map[int]bool // commits without a child in the index
	saved    int          // how many of added are on disk
	journal  int64        // bytes of the journal file that were good
}

// Commit is one commit with the paths that it changed.
type Commit struct {
	ID      plumbing.Hash
	Date    int64
	Parents []int
	Changed []Changed
}

// Changed is a path with its contents after the commit; a zero id is a deletion.
type Changed struct {
	Path string
	Blob plumbing.Hash
}

var errBad = errors.New("the history index is not usable")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Len gives the number of commits.
func (x *Index) Len() int { return x.n + len(x.added) }

// Load maps the base and reads the journal. Anything in doubt gives an error and the caller
// builds anew.
func Load(f disk.FS, base, journal string, shallow uint32) (*Index, error) {
	b, _, err := disk.Map(base)
	if err != nil {
		return nil, err
	}
	x, err := parseBase(b)
	if err != nil {
		return nil, err
	}
	if x.shallow != shallow {
		return nil, errBad
	}
	raw, err := f.ReadFile(journal)
	if err == nil {
		x.readJournal(raw)
	}
	return x, nil
}

func newIndex() *Index {
	return &Index{addedNo: map[plumbing.Hash]int{}, addedFor: map[string][]Posting{}, heads: map[int]bool{}}
}

func parseBase(b []byte) (*Index, error) {
	if len(b) < headerSize || string(b[:len(magic)]) != magic {
		return nil, errBad
	}
	x := newIndex()
	x.base = b
	u := func(i int) uint32 { return binary.LittleEndian.Uint32(b[i:]) }
	if u(64) != checksum(b) {
		return nil, errBad
	}
	x.n, x.paths = int(u(20)), int(u(24))
	nParents, nText, nPosts := int(u(28)), int(u(32)), int(u(36))
	x.shallow, x.sum = u(60), u(64)
	if max(x.n, x.paths, nParents, nText, nPosts) > math.MaxInt32/32 {
		return nil, errBad
	}
	rest := b[headerSize:]
	ok := true
	take := func(n int) []byte {
		if n < 0 || n > len(rest) {
			ok = false
			return nil
		}
		s := rest[:n:n]
		rest = rest[n:]
		return s
	}
	x.ids = take(x.n * 20)
	x.byID = take(x.n * 4)
	x.dates = take(x.n * 8)
	x.parentAt = take((x.n + 1) * 4)
	x.parents = take(nParents * 4)
	x.pathAt = take((x.paths + 1) * 4)
	x.pathText = take(nText)
	x.postAt = take((x.paths + 1) * 4)
	x.postEntries = take(nPosts * 24)
	if !ok || len(rest) != 0 {
		return nil, errBad
	}
	if !x.sound() {
		return nil, errBad
	}
	if tip := x.Find(plumbing.Hash(b[40:60])); tip >= 0 {
		x.heads[tip] = true
	} else {
		child := make([]bool, x.n)
		for i := range x.n {
			x.Parents(i, func(p int) { child[p] = true })
		}
		for i, c := range child {
			if !c {
				x.heads[i] = true
			}
		}
	}
	return x, nil
}

// sound checks every number that is used as a place, so that no bytes whatever can make a query
// run out of bounds.
func (x *Index) sound() bool {
	rising := func(b []byte, n, end int) bool {
		last := 0
		for i := range n {
			v := le(b, i)
			if v < last {
				return false
			}
			last = v
		}
		return last == end && le(b, 0) == 0
	}
	if !rising(x.parentAt, x.n+1, len(x.parents)/4) || !rising(x.pathAt, x.paths+1, len(x.pathText)) ||
		!rising(x.postAt, x.paths+1, len(x.postEntries)/24) {
		return false
	}
	for i := range x.n {
		if le(x.byID, i) >= x.n {
			return false
		}
		for k := le(x.parentAt, i); k < le(x.parentAt, i+1); k++ {
			if le(x.parents, k) >= i {
				return false
			}
		}
	}
	for k := 0; k < len(x.postEntries); k += 24 {
		if int(binary.LittleEndian.Uint32(x.postEntries[k:])) >= x.n {
			return false
		}
	}
	return true
}

// checksum covers everything but itself.
func checksum(b []byte) uint32 {
	sum := crc32.Update(0, castagnoli, b[:64])
	return crc32.Update(sum, castagnoli, b[68:])
}

func le(b []byte, i int) int { return int(binary.LittleEndian.Uint32(b[i*4:])) }

// Find gives a commit's number, or -1.
func (x *Index) Find(id plumbing.Hash) int {
	if no, ok := x.addedNo[id]; ok {
		return no
	}
	lo, hi := 0, x.n
	for lo < hi {
		mid := (lo + hi) / 2
		no := le(x.byID, mid)
		switch bytes.Compare(x.ids[no*20:no*20+20], id[:]) {
		case 0:
			return no
		case -1:
			lo = mid + 1
		default:
			hi = mid
		}
	}
	return -1
}

// ID gives a commit's id.
func (x *Index) ID(no int) (id plumbing.Hash) {
	if no < x.n {
		copy(id[:], x.ids[no*20:])
		return id
	}
	return x.added[no-x.n].ID
}

// Date gives a commit's time.
func (x *Index) Date(no int) int64 {
	if no < x.n {
		return int64(binary.LittleEndian.Uint64(x.dates[no*8:]))
	}
	return x.added[no-x.n].Date
}

// Parents calls fn with the number of each parent.
func (x *Index) Parents(no int, fn func(no int)) {
	if no >= x.n {
		for _, p := range x.added[no-x.n].Parents {
			fn(p)
		}
		return
	}
	for i := le(x.parentAt, no); i < le(x.parentAt, no+1); i++ {
		fn(le(x.parents, i))
	}
}

// FirstParent gives the number of the first parent, or -1.
func (x *Index) FirstParent(no int) int {
	first := -1
	x.Parents(no, func(p int) {
		if first < 0 {
			first = p
		}
	})
	return first
}

func (x *Index) path(i int) []byte { return x.pathText[le(x.pathAt, i):le(x.pathAt, i+1)] }

// Postings gives the changes of a path among the commits reachable from head, which must be in
// the index, newest first.
func (x *Index) Postings(path string, head plumbing.Hash) []Posting {
	i := sort.Search(x.paths, func(i int) bool { return string(x.path(i)) >= path })
	var out []Posting
	if i < x.paths && string(x.path(i)) == path {
		for k := le(x.postAt, i); k < le(x.postAt, i+1); k++ {
			e := x.postEntries[k*24 : k*24+24]
			p := Posting{Commit: int(binary.LittleEndian.Uint32(e))}
			copy(p.Blob[:], e[4:])
			out = append(out, p)
		}
	}
	out = append(out, x.addedFor[path]...)
	if !(len(x.heads) == 1 && x.heads[x.Find(head)]) {
		reach := x.Reach(head)
		out = slices.DeleteFunc(out, func(p Posting) bool { return !reach[p.Commit] })
	}
	slices.Reverse(out)
	return out
}

// Under lists the paths that begin with prefix and that any commit of the index changed, sorted.
func (x *Index) Under(prefix string) []string {
	var out []string
	for i := sort.Search(x.paths, func(i int) bool { return string(x.path(i)) >= prefix }); i < x.paths; i++ {
		p := string(x.path(i))
		if !strings.HasPrefix(p, prefix) {
			break
		}
		out = append(out, p)
	}
	for p := range x.addedFor {
		if strings.HasPrefix(p, prefix) {
			out = append(out, p)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Reach marks the commits reachable from head. Parents have smaller numbers, so one pass down
// is enough.
func (x *Index) Reach(head plumbing.Hash) []bool {
	out := make([]bool, x.Len())
	no := x.Find(head)
	if no < 0 {
		return out
	}
	out[no] = true
	for i := no; i >= 0; i-- {
		if out[i] {
			x.Parents(i, func(p int) { out[p] = true })
		}
	}
	return out
}

// add appends a commit whose parents are in the index.
func (x *Index) add(c Commit) {
	no := x.Len()
	x.added = append(x.added, c)
	x.addedNo[c.ID] = no
	for _, p := range c.Parents {
		delete(x.heads, p)
	}
	x.heads[no] = true
	for _, ch := range c.Changed {
		x.addedFor[ch.Path] = append(x.addedFor[ch.Path], Posting{no, ch.Blob})
	}
}

// format writes the whole index as a base.
func (x *Index) format() []byte {
	n := x.Len()
	byPath := map[string][]Posting{}
	for i := range x.paths {
		p := string(x.path(i))
		for k := le(x.postAt, i); k < le(x.postAt, i+1); k++ {
			e := x.postEntries[k*24 : k*24+24]
			post := Posting{Commit: int(binary.LittleEndian.Uint32(e))}
			copy(post.Blob[:], e[4:])
			byPath[p] = append(byPath[p], post)
		}
	}
	nPosts := len(x.postEntries) / 24
	for p, posts := range x.addedFor {
		byPath[p] = append(byPath[p], posts...)
		nPosts += len(posts)
	}
	paths := make([]string, 0, len(byPath))
	nText := 0
	for p := range byPath {
		paths = append(paths, p)
		nText += len(p)
	}
	slices.Sort(paths)
	nParents := 0
	for i := range n {
		x.Parents(i, func(int) { nParents++ })
	}
	out := make([]byte, headerSize, headerSize+n*36+nParents*4+len(paths)*8+nText+nPosts*24+16)
	put := func(v int) { out = binary.LittleEndian.AppendUint32(out, uint32(v)) }
	order := make([]int, n)
	for i := range n {
		id := x.ID(i)
		out = append(out, id[:]...)
		order[i] = i
	}
	ids := out[headerSize:]
	slices.SortFunc(order, func(a, b int) int { return bytes.Compare(ids[a*20:a*20+20], ids[b*20:b*20+20]) })
	for _, no := range order {
		put(no)
	}
	for i := range n {
		out = binary.LittleEndian.AppendUint64(out, uint64(x.Date(i)))
	}
	at := 0
	for i := range n {
		put(at)
		x.Parents(i, func(int) { at++ })
	}
	put(at)
	for i := range n {
		x.Parents(i, func(p int) { put(p) })
	}
	at = 0
	for _, p := range paths {
		put(at)
		at += len(p)
	}
	put(at)
	for _, p := range paths {
		out = append(out, p...)
	}
	at = 0
	for _, p := range paths {
		put(at)
		at += len(byPath[p])
	}
	put(at)
	for _, p := range paths {
		for _, post := range byPath[p] {
			put(post.Commit)
			out = append(out, post.Blob[:]...)
		}
	}
	copy(out, magic)
	for i, v := range []int{n, len(paths), nParents, nText, nPosts} {
		binary.LittleEndian.PutUint32(out[20+4*i:], uint32(v))
	}
	if len(x.heads) == 1 {
		for no := range x.heads {
			id := x.ID(no)
			copy(out[40:], id[:])
		}
	}
	binary.LittleEndian.PutUint32(out[60:], x.shallow)
	binary.LittleEndian.PutUint32(out[64:], checksum(out))
	return out
}

// line writes one journal line: a check sum, then the commit.
func (x *Index) line(no int) []byte {
	c := &x.added[no-x.n]
	b := fmt.Appendf(nil, "%d\t%s\t%d\t", no, c.ID, c.Date)
	for i, p := range c.Parents {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, int64(p), 10)
	}
	for _, ch := range c.Changed {
		b = fmt.Appendf(b, "\t%s\t", ch.Blob)
		b = strconv.AppendQuote(b, ch.Path)
	}
	return fmt.Appendf(nil, "%08x\t%s\n", crc32.Checksum(b, castagnoli), b)
}

func (x *Index) journalHead() string { return fmt.Sprintf("journal %08x %d\n", x.sum, x.n) }

// readJournal takes in lines up to the first that is torn or does not fit. A journal of another
// base is passed over whole.
func (x *Index) readJournal(raw []byte) {
	head := x.journalHead()
	if !bytes.HasPrefix(raw, []byte(head)) {
		return
	}
	x.journal = int64(len(head))
	for raw = raw[len(head):]; ; {
		nl := bytes.IndexByte(raw, '\n')
		if nl < 0 {
			break
		}
		c, ok := x.parseLine(string(raw[:nl]))
		if !ok {
			break
		}
		x.add(c)
		x.journal += int64(nl) + 1
		raw = raw[nl+1:]
	}
	x.saved = len(x.added)
}

func (x *Index) parseLine(s string) (c Commit, ok bool) {
	sum, s, ok := strings.Cut(s, "\t")
	if want, err := strconv.ParseUint(sum, 16, 32); !ok || err != nil || uint32(want) != crc32.Checksum([]byte(s), castagnoli) {
		return c, false
	}
	f := strings.Split(s, "\t")
	if len(f) < 4 || len(f)%2 != 0 || f[0] != strconv.Itoa(x.Len()) || !plumbing.IsHash(f[1]) {
		return c, false
	}
	c.ID = plumbing.NewHash(f[1])
	var err error
	if c.Date, err = strconv.ParseInt(f[2], 10, 64); err != nil {
		return c, false
	}
	if f[3] != "" {
		for num := range strings.SplitSeq(f[3], ",") {
			p, err := strconv.Atoi(num)
			if err != nil || p < 0 || p >= x.Len() {
				return c, false
			}
			c.Parents = append(c.Parents, p)
		}
	}
	for i := 4; i < len(f); i += 2 {
		path, err := strconv.Unquote(f[i+1])
		if err != nil || !plumbing.IsHash(f[i]) {
			return c, false
		}
		c.Changed = append(c.Changed, Changed{path, plumbing.NewHash(f[i])})
	}
	return c, true
}

// foldAt is how many commits a journal may hold before it is folded into a new base.
const foldAt = 2048

// Store puts on disk what has been added since Load: a line or a few at the journal's end, or a
// new base. It needs no sync: a torn end is passed over, a torn base has a wrong check sum, and
// both can be made anew. The caller holds the lock for it. If somebody else has written since
// Load, theirs stays and nothing is done.
func (x *Index) Store(f disk.FS, base, journal string) error {
	if !x.Unsaved() {
		return nil
	}
	y, err := Load(f, base, journal, x.shallow)
	if x.base == nil && err == nil || x.base != nil && (err != nil || y.sum != x.sum || y.saved != x.saved) {
		return nil
	}
	if x.base == nil || len(x.added) > foldAt {
		tmp := disk.TempName(filepath.Dir(base), "tmp_")
		b := x.format()
		if err := disk.WriteNew(f, tmp, b, 0o666); err != nil {
			return err
		}
		if err := f.Rename(tmp, base); err != nil {
			_ = f.Remove(tmp)
			return err
		}
		_ = f.Remove(journal)
		if y, err = parseBase(b); err == nil {
			*x = *y
		}
		return err
	}
	var out []byte
	flag := os.O_WRONLY | os.O_APPEND
	if st, err := f.Stat(journal); err != nil || x.journal == 0 || st.Size() != x.journal {
		// None yet, one of another base, or one with a torn end: begin anew.
		if err := f.Remove(journal); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		flag |= os.O_CREATE | os.O_EXCL
		out = append(out, x.journalHead()...)
		x.saved, x.journal = 0, 0
	}
	for i := x.saved; i < len(x.added); i++ {
		out = append(out, x.line(x.n+i)...)
	}
	h, err := f.OpenFile(journal, flag, 0o666)
	if err != nil {
		return err
	}
	_, err = h.Write(out)
	if cerr := h.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		x.saved = len(x.added)
		x.journal += int64(len(out))
	}
	return err
}

// Unsaved says whether Store would write something.
func (x *Index) Unsaved() bool { return x.base == nil || x.saved != len(x.added) }
