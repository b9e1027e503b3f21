package store

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"sort"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
	"rigkeep/schema"
)

// Bundle is a history that stands by itself, held in memory: one extracted from a library to be
// given away, or one read from a git bundle that somebody gave. It never changes.
type Bundle struct {
	Tip Rev

	whole   *objects.VerifiedPack
	at      map[plumbing.Hash]int
	commits []*Commit // parents before children
	byRev   map[Rev]*Commit
	made    map[Rev]Rev // for an extract: the revision each was made from, to its own
}

// bundleHead begins a git bundle, and bundleRefs are what every bundle of ours names: git needs
// HEAD to know what to check out. Source: gitformat-bundle(5), version 2.
const bundleHead = "# v2 git bundle\n"

var bundleRefs = []string{"HEAD", "refs/heads/main"}

// Encode writes the history as a git bundle: the same history gives the same bytes.
func (b *Bundle) Encode() []byte {
	var out bytes.Buffer
	out.WriteString(bundleHead)
	for _, ref := range bundleRefs {
		fmt.Fprintf(&out, "%s %s\n", b.Tip, ref)
	}
	out.WriteByte('\n')
	out.Write(b.whole.Data)
	return out.Bytes()
}

// Commits gives the revisions, parents before children.
func (b *Bundle) Commits() []Commit {
	out := make([]Commit, len(b.commits))
	for i, c := range b.commits {
		out[i] = *c
	}
	return out
}

// Commit gives one revision of the bundle.
func (b *Bundle) Commit(id Rev) (*Commit, bool) {
	c, ok := b.byRev[id]
	return c, ok
}

// Made gives the revision that an extract made of a library's revision; "" if it made none,
// because that changed nothing of the selection.
func (b *Bundle) Made(of Rev) Rev { return b.made[of] }

// Ancestors gives the revisions reachable from one, itself included.
func (b *Bundle) Ancestors(of Rev) map[Rev]bool {
	out := map[Rev]bool{}
	todo := []Rev{of}
	for len(todo) > 0 {
		id := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		c := b.byRev[id]
		if c == nil || out[id] {
			continue
		}
		out[id] = true
		todo = append(todo, c.Parents...)
	}
	return out
}

// Files gives the files of a revision in git's order.
func (b *Bundle) Files(at Rev) ([]Entry, error) {
	c := b.byRev[at]
	if c == nil {
		return nil, &Error{Kind: ErrNotFound, Msg: "no revision " + at.Short() + " in the bundle"}
	}
	var out []Entry
	err := tree.Walk(b, c.tree, "", func(path string, _ uint32, id plumbing.Hash) error {
		out = append(out, Entry{path, blobID(id)})
		return nil
	})
	return out, err
}

// File gives the id of one file's contents in a revision; "" if it has no such file.
func (b *Bundle) File(at Rev, path string) BlobID {
	c := b.byRev[at]
	if c == nil {
		return ""
	}
	e, err := tree.Lookup(b, c.tree, path)
	if err != nil || e.IsDir() {
		return ""
	}
	return blobID(e.ID)
}

// Contents gives a file's contents by their id; nil if the bundle has none of that id.
func (b *Bundle) Contents(id BlobID) []byte {
	i, ok := b.at[plumbing.NewHash(string(id))]
	if !ok || b.whole.Objects[i].Kind != plumbing.BlobObject {
		return nil
	}
	return b.whole.Objects[i].Data
}

// Tree gives a tree's bytes, for the functions that walk trees.
func (b *Bundle) Tree(id plumbing.Hash) ([]byte, error) {
	i, ok := b.at[id]
	if !ok || b.whole.Objects[i].Kind != plumbing.TreeObject {
		return nil, &objects.NotFoundError{ID: id}
	}
	return b.whole.Objects[i].Data, nil
}

// BundleLimits bound what ReadBundle takes. They are far above any honest rig's history and far
// below what would hurt.
type BundleLimits struct {
	Objects  int   // objects in all
	Each     int64 // bytes of one object
	Total    int64 // bytes of all objects
	Files    int   // files in one revision
	Revision int   // revisions
}

// DefaultBundleLimits are the usual ones.
var DefaultBundleLimits = BundleLimits{Objects: 100_000, Each: 1 << 20, Total: 32 << 20, Files: 2_000, Revision: 20_000}

var (
	bundleRef = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^([0-9a-f]{40}) (.*)$`) })
	stampLine = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[^<>]*<[^<>]*> [0-9]{1,12} [+-][0-9]{4}$`) })
)

// ReadBundle reads a git bundle that holds one whole branch, named as Encode names it, and checks
// it as `git fsck --strict` would and further: nothing outside the limits, no object that the
// branch does not need, no file but ordinary ones at paths that allowed permits (nil permits all
// that CheckPath does), no text in a commit that a terminal would obey. Every error is an *Error
// of class ErrDamaged.
func ReadBundle(data []byte, lim BundleLimits, allowed func(path string) error) (*Bundle, error) {
	b, err := readBundle(data, lim, allowed)
	if err != nil {
		var known *Error
		if errors.As(err, &known) && errors.Is(known.Kind, ErrDamaged) {
			return nil, err
		}
		return nil, &Error{Kind: ErrDamaged, Msg: "the bundled history is damaged", Err: err}
	}
	return b, nil
}

func readBundle(data []byte, lim BundleLimits, allowed func(string) error) (*Bundle, error) {
	tip, pack, err := bundleHeader(data)
	if err != nil {
		return nil, err
	}
	whole, err := objects.ReadPack(pack, objects.Limits{Objects: lim.Objects, Each: lim.Each, Total: lim.Total})
	if err != nil {
		return nil, err
	}
	b := newBundle(tip, whole)
	used := make([]bool, len(whole.Objects))
	if err := b.gather(lim.Revision, used); err != nil {
		return nil, err
	}
	f := fsck{b: b, used: used, files: lim.Files, left: 4 * lim.Objects, allowed: allowed, seen: map[string]int{}}
	for _, c := range b.commits {
		if _, err := f.tree(c.tree, ""); err != nil {
			return nil, err
		}
	}
	for i, ok := range used {
		if !ok {
			return nil, fmt.Errorf("it holds an object that nothing in it needs (%s %s)", whole.Objects[i].Kind, whole.Objects[i].ID)
		}
	}
	return b, nil
}

// bundleHeader reads the lines before the pack.
func bundleHeader(data []byte) (tip Rev, pack []byte, err error) {
	rest, ok := bytes.CutPrefix(data, []byte(bundleHead))
	if !ok {
		return "", nil, errors.New("it does not begin with \"# v2 git bundle\"")
	}
	for i := 0; ; i++ {
		line, after, ok := bytes.Cut(rest, []byte("\n"))
		switch {
		case !ok || len(line) > 200:
			return "", nil, errors.New("its header has no end")
		case len(line) == 0 && i == len(bundleRefs):
			return tip, after, nil
		case len(line) > 0 && line[0] == '-':
			return "", nil, errors.New("it builds on a revision that is not in it; a handover carries its whole history")
		}
		m := bundleRef().FindSubmatch(line)
		if m == nil || i >= len(bundleRefs) || string(m[2]) != bundleRefs[i] {
			return "", nil, fmt.Errorf("its header names other refs than %s", strings.Join(bundleRefs, " and "))
		}
		if i > 0 && string(m[1]) != string(tip) {
			return "", nil, errors.New("its refs name different revisions")
		}
		tip, rest = Rev(m[1]), after
	}
}

func newBundle(tip Rev, whole *objects.VerifiedPack) *Bundle {
	b := &Bundle{Tip: tip, whole: whole, at: make(map[plumbing.Hash]int, len(whole.Objects)), byRev: map[Rev]*Commit{}}
	for i, o := range whole.Objects {
		b.at[o.ID] = i
	}
	return b
}

// gather finds the commits from the tip, parents first, and checks each.
func (b *Bundle) gather(limit int, used []bool) error {
	type frame struct {
		c    *Commit
		next int
	}
	var stack []frame
	open := func(id Rev) error {
		h, err := id.hash()
		if err != nil {
			return err
		}
		i, ok := b.at[h]
		if !ok || b.whole.Objects[i].Kind != plumbing.CommitObject {
			return fmt.Errorf("revision %s is missing", id.Short())
		}
		if len(b.byRev) >= limit {
			return fmt.Errorf("it holds more than %d revisions", limit)
		}
		if err := strictCommit(b.whole.Objects[i].Data); err != nil {
			return fmt.Errorf("revision %s: %w", id.Short(), err)
		}
		c, err := parseCommit(h, b.whole.Objects[i].Data)
		if err != nil {
			return err
		}
		used[i] = true
		b.byRev[id] = c
		stack = append(stack, frame{c: c})
		return nil
	}
	if err := open(b.Tip); err != nil {
		return err
	}
	for len(stack) > 0 {
		f := &stack[len(stack)-1]
		if f.next == len(f.c.Parents) {
			b.commits = append(b.commits, f.c)
			stack = stack[:len(stack)-1]
			continue
		}
		p := f.c.Parents[f.next]
		f.next++
		if b.byRev[p] == nil {
			if err := open(p); err != nil {
				return err
			}
		}
	}
	return nil
}

// strictCommit holds a commit to the form that Extract writes: tree, parents, author, committer,
// a blank line and a message of plain text.
func strictCommit(data []byte) error {
	if !utf8.Valid(data) {
		return errors.New("its text is not UTF-8")
	}
	head, text, ok := strings.Cut(string(data), "\n\n")
	if !ok {
		return errors.New("it has no message")
	}
	lines := strings.Split(head, "\n")
	want := func(key string) (string, bool) {
		if len(lines) == 0 {
			return "", false
		}
		v, ok := strings.CutPrefix(lines[0], key+" ")
		if ok {
			lines = lines[1:]
		}
		return v, ok
	}
	id, ok := want("tree")
	if !ok || !isID(id) {
		return errors.New("its tree is missing")
	}
	parents := map[string]bool{}
	for {
		p, ok := want("parent")
		if !ok {
			break
		}
		if !isID(p) || parents[p] {
			return errors.New("it names a parent twice or wrongly")
		}
		parents[p] = true
	}
	for _, key := range []string{"author", "committer"} {
		v, ok := want(key)
		if !ok || !validSignatureLine(v) {
			return fmt.Errorf("its %s and time are missing", key)
		}
	}
	if len(lines) > 0 {
		return errors.New("it has a header that a handover does not use")
	}
	if strings.TrimSpace(text) == "" {
		return errors.New("it has no message")
	}
	if s := string(data); PlainText(s) != s {
		return errors.New("its text holds control characters or hidden ones")
	}
	return nil
}

// validSignatureLine accepts a name, a mail address and a time that every calendar and zone can hold.
func validSignatureLine(line string) bool {
	if !stampLine().MatchString(line) {
		return false
	}
	_, when, odd := parseSignature(line)
	zone := line[len(line)-4:]
	return odd == "" && when.Year() < 9999 && zone[:2] <= "14" && zone[2:] < "60"
}

func isID(s string) bool {
	return len(s) == 40 && strings.Trim(s, "0123456789abcdef") == ""
}

// PlainText leaves out what a terminal would obey and what hides or reorders text, so that plain
// git can show a message as safely as we can. Line feed and tab stay.
func PlainText(s string) string {
	return strings.Map(func(r rune) rune {
		if schema.Hidden(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

// fsck checks trees; seen holds, by folder and tree, the files below it.
type fsck struct {
	b       *Bundle
	used    []bool
	files   int // most files in a revision
	left    int // entries that may still be looked at
	allowed func(string) error
	seen    map[string]int
}

// maxDepth is how many folders deep a library's files can lie.
const maxDepth = 6

func (f *fsck) tree(id plumbing.Hash, dir string) (files int, err error) {
	key := dir + "\x00" + string(id[:])
	if n, ok := f.seen[key]; ok {
		return n, nil
	}
	i, ok := f.b.at[id]
	if !ok || f.b.whole.Objects[i].Kind != plumbing.TreeObject {
		return 0, fmt.Errorf("the folder %q of a revision is missing", dir)
	}
	if strings.Count(dir, "/") > maxDepth {
		return 0, fmt.Errorf("%q lies too deep", dir)
	}
	f.used[i] = true
	es, err := tree.Parse(f.b.whole.Objects[i].Data)
	if err != nil {
		return 0, err
	}
	if len(es) == 0 || !bytes.Equal(tree.Format(es), f.b.whole.Objects[i].Data) {
		return 0, fmt.Errorf("the folder %q of a revision is empty or not written as git writes it", dir)
	}
	if f.left -= len(es); f.left < 0 {
		return 0, errors.New("it asks for more work than an honest history does")
	}
	fold := map[string]bool{}
	for k, e := range es {
		path := dir + string(e.Name)
		if k > 0 && !tree.Before(es[k-1], e) {
			return 0, fmt.Errorf("the folder %q of a revision is not in git's order", dir)
		}
		if low := schema.CanonicalName(string(e.Name)); fold[low] {
			return 0, fmt.Errorf("%q is there twice, but for capitals or how letters are composed", path)
		} else {
			fold[low] = true
		}
		if strings.Contains(string(e.Name), "/") {
			return 0, fmt.Errorf("%q has a slash in its name", path)
		}
		if err := CheckPath(path); err != nil {
			return 0, err
		}
		n := 1
		switch {
		case e.IsDir():
			if n, err = f.tree(e.ID, path+"/"); err != nil {
				return 0, err
			}
		case e.Mode != tree.ModeFile:
			return 0, fmt.Errorf("%q is a link, a program or another repository; only ordinary files have a place in a library", path)
		default:
			j, ok := f.b.at[e.ID]
			if !ok || f.b.whole.Objects[j].Kind != plumbing.BlobObject {
				return 0, fmt.Errorf("the contents of %q are missing", path)
			}
			f.used[j] = true
			if f.allowed != nil {
				if err := f.allowed(path); err != nil {
					return 0, err
				}
			}
		}
		if files += n; files > f.files {
			return 0, fmt.Errorf("a revision holds more than %d files", f.files)
		}
	}
	// What is the same tree in the same folder is walked once, so that a small bundle of nested
	// trees cannot ask for endless work.
	f.seen[key] = files
	return files, nil
}

// MergeBases gives the best common ancestors of two histories' tips, as MergeBase does within a library.
func (b *Bundle) MergeBases(other *Bundle) []Rev {
	return b.best(b.Ancestors(b.Tip), other.Ancestors(other.Tip))
}

// MergeBase gives the best common ancestors of two revisions of the bundle, as Lib.MergeBase does.
func (b *Bundle) MergeBase(x, y Rev) []Rev { return b.best(b.Ancestors(x), b.Ancestors(y)) }

// best are those of two sets of revisions with all their ancestors that both have, and below none
// of which another one is; the newest first. ours are revisions of b.
func (b *Bundle) best(ours, theirs map[Rev]bool) []Rev {
	common := map[Rev]bool{}
	for id := range ours {
		if theirs[id] {
			common[id] = true
		}
	}
	// every parent of a common revision is common too, so what is left has no common child
	below := map[Rev]bool{}
	for id := range common {
		for _, p := range b.byRev[id].Parents {
			below[p] = true
		}
	}
	var out []Rev
	for id := range common {
		if !below[id] {
			out = append(out, id)
		}
	}
	sort.Slice(out, func(i, j int) bool {
		x, y := b.byRev[out[i]], b.byRev[out[j]]
		return x.date > y.date || x.date == y.date && x.ID < y.ID
	})
	return out
}
