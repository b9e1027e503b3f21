package repo

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/objects"
	"rigkeep/repo/internal/tree"
)

// Extraction says which part of the history to extract.
type Extraction struct {
	At      Rev
	Folders []string // slash paths without a slash at the end; everything below them that Keep keeps
	Paths   []string // single files
	Keep    func(path string) bool
	Always  []File // put into every revision, in place of what the library has there
	Trailer string // key of the line that names the revision each was made from
}

// Extract makes a history of its own out of the revisions that changed certain files: the same
// authors, times and messages (without what a terminal would obey), none of the other files, and
// in each message a trailer with the id of the revision it comes from. Revisions that changed
// nothing of it are left out; merges stay where both sides did. The same history and request
// give the same ids, and extracting from what was extracted changes nothing, so that two
// libraries that handed a rig to and fro still find where they parted.
//
// The result is nil if no revision holds any such file.
func (l *Lib) Extract(q Extraction) (*Bundle, error) {
	start, err := q.At.hash()
	if err != nil {
		return nil, err
	}
	var b *Bundle
	err = l.with(func(r *objects.Reader) (err error) {
		x := &extractor{l: l, r: r, q: q, made: map[Rev]*filtered{}, below: map[string][]tree.Edit{}, have: map[plumbing.Hash]bool{}}
		b, err = x.run(start)
		return err
	})
	return b, err
}

// filtered is an extracted revision: its new commit and what its files are.
type filtered struct {
	id    plumbing.Hash // zero if nothing of the selection exists yet
	state string        // identifies the files
}

type extractor struct {
	l     *Lib
	r     *objects.Reader
	q     Extraction
	made  map[Rev]*filtered
	below map[string][]tree.Edit // files of a folder, by its path and tree
	objs  []objects.Object
	have  map[plumbing.Hash]bool
	up    map[plumbing.Hash][]plumbing.Hash // parents of the new commits
}

func (x *extractor) add(o objects.Object) {
	if !x.have[o.ID] {
		x.have[o.ID] = true
		x.objs = append(x.objs, o)
	}
}

func (x *extractor) run(start plumbing.Hash) (*Bundle, error) {
	x.up = map[plumbing.Hash][]plumbing.Hash{}
	order, err := x.l.parentsFirst(x.r, start)
	if err != nil {
		return nil, err
	}
	for _, c := range order {
		if err := x.commit(c); err != nil {
			return nil, err
		}
	}
	tip := x.made[rev(start)]
	if tip.id.IsZero() {
		return nil, nil
	}
	whole, err := objects.WritePack(x.objs)
	if err != nil {
		return nil, err
	}
	b := newBundle(rev(tip.id), whole)
	if err := b.gather(len(whole.Objects), make([]bool, len(whole.Objects))); err != nil {
		return nil, err
	}
	return b, nil
}

// parentsFirst lists the commits reachable from start, every one after its parents.
func (l *Lib) parentsFirst(r *objects.Reader, start plumbing.Hash) ([]*Commit, error) {
	type frame struct {
		c    *Commit
		next int
	}
	var out []*Commit
	first, err := l.commit(r, start)
	if err != nil {
		return nil, err
	}
	seen := map[Rev]bool{first.ID: true}
	stack := []frame{{c: first}}
	for len(stack) > 0 {
		f := &stack[len(stack)-1]
		if f.next == len(f.c.Parents) {
			out = append(out, f.c)
			stack = stack[:len(stack)-1]
			continue
		}
		p := f.c.Parents[f.next]
		f.next++
		if seen[p] {
			continue
		}
		seen[p] = true
		id, err := p.hash()
		if err != nil {
			return nil, err
		}
		c, err := l.commit(r, id)
		if err != nil {
			return nil, err
		}
		stack = append(stack, frame{c: c})
	}
	return out, nil
}

func (x *extractor) commit(c *Commit) error {
	files, state, err := x.files(c)
	if err != nil {
		return err
	}
	f := &filtered{state: state}
	x.made[c.ID] = f
	var parents []plumbing.Hash
	var same *filtered
	for _, p := range c.Parents {
		m := x.made[p]
		if m == nil || m.id.IsZero() || slices.Contains(parents, m.id) {
			continue
		}
		parents = append(parents, m.id)
		same = m
	}
	if len(parents) > 1 {
		parents = x.independent(parents)
		for _, p := range c.Parents {
			if m := x.made[p]; m != nil && m.id == parents[0] {
				same = m
			}
		}
	}
	switch {
	case len(parents) == 0 && len(files) == 0:
		return nil
	case len(parents) == 1 && same.state == state:
		f.id = same.id
		return nil
	}
	for _, a := range x.q.Always {
		o := objects.New(plumbing.BlobObject, a.Data)
		x.add(o)
		files = append(files, tree.Edit{Path: a.Path, Mode: tree.ModeFile, ID: o.ID})
	}
	for _, e := range files {
		if x.have[e.ID] {
			continue
		}
		data, err := x.r.Blob(e.ID)
		if err != nil {
			return err
		}
		x.add(objects.Object{ID: e.ID, Kind: plumbing.BlobObject, Data: bytes.Clone(data)})
	}
	up, err := tree.Update(nil, plumbing.ZeroHash, files)
	if err != nil {
		return err
	}
	for _, o := range up.Objects {
		x.add(o)
	}
	o, err := x.rewrite(c, up.Root, parents)
	if err != nil {
		return err
	}
	x.add(o)
	x.up[o.ID] = parents
	f.id = o.ID
	return nil
}

// files gives the selected files of a revision, and a text that is equal for equal selections.
func (x *extractor) files(c *Commit) ([]tree.Edit, string, error) {
	var out []tree.Edit
	find := func(path string) (tree.Entry, bool, error) {
		e, err := tree.Lookup(x.r, c.tree, path)
		if errors.Is(err, tree.ErrNone) {
			return e, false, nil
		}
		return e, err == nil, err
	}
	for _, dir := range x.q.Folders {
		e, ok, err := find(dir)
		if err != nil {
			return nil, "", err
		}
		if !ok || !e.IsDir() {
			continue
		}
		key := dir + "\x00" + string(e.ID[:])
		es, known := x.below[key]
		if !known {
			err := tree.Walk(x.r, e.ID, "", func(path string, mode uint32, id plumbing.Hash) error {
				if (mode == tree.ModeFile || mode == tree.ModeExec) && (x.q.Keep == nil || x.q.Keep(dir+"/"+path)) {
					es = append(es, tree.Edit{Path: dir + "/" + path, Mode: tree.ModeFile, ID: id})
				}
				return nil
			})
			if err != nil {
				return nil, "", err
			}
			x.below[key] = es
		}
		out = append(out, es...)
	}
	for _, path := range x.q.Paths {
		e, ok, err := find(path)
		if err != nil {
			return nil, "", err
		}
		if ok && !e.IsDir() {
			out = append(out, tree.Edit{Path: path, Mode: tree.ModeFile, ID: e.ID})
		}
	}
	var state strings.Builder
	for _, e := range out {
		fmt.Fprintf(&state, "%s\x00%s\n", e.Path, e.ID)
	}
	return out, state.String(), nil
}

// independent leaves out what is an ancestor of another.
func (x *extractor) independent(ids []plumbing.Hash) []plumbing.Hash {
	var out []plumbing.Hash
	for i, id := range ids {
		needless := false
		for k, other := range ids {
			needless = needless || k != i && x.reaches(other, id)
		}
		if !needless {
			out = append(out, id)
		}
	}
	return out
}

func (x *extractor) reaches(from, to plumbing.Hash) bool {
	seen := map[plumbing.Hash]bool{}
	todo := []plumbing.Hash{from}
	for len(todo) > 0 {
		id := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if id == to {
			return true
		}
		if !seen[id] {
			seen[id] = true
			todo = append(todo, x.up[id]...)
		}
	}
	return false
}

// rewrite makes the commit of an extracted revision.
func (x *extractor) rewrite(c *Commit, root plumbing.Hash, parents []plumbing.Hash) (objects.Object, error) {
	id, err := c.ID.hash()
	if err != nil {
		return objects.Object{}, err
	}
	data, err := x.r.Commit(id)
	if err != nil {
		return objects.Object{}, err
	}
	head, text, _ := strings.Cut(string(data), "\n\n")
	var b bytes.Buffer
	fmt.Fprintf(&b, "tree %s\n", root)
	for _, p := range parents {
		fmt.Fprintf(&b, "parent %s\n", p)
	}
	for _, key := range []string{"author", "committer"} {
		line := ""
		for l := range strings.SplitSeq(head, "\n") {
			if v, ok := strings.CutPrefix(l, key+" "); ok && line == "" {
				line = plainText(strings.ReplaceAll(v, "\t", " "))
			}
		}
		if !goodStamp(line) {
			p, when := parseSignature(line)
			line = signature(Person{firstText(clean(p.Name), "unknown"), firstText(clean(p.Email), "unknown")}, when)
		}
		fmt.Fprintf(&b, "%s %s\n", key, line)
	}
	text = strings.Trim(plainText(text), "\n")
	if strings.TrimSpace(text) == "" {
		text = "(no message)"
	}
	_, _, trailers := splitMessage(text)
	if !slices.ContainsFunc(trailers, func(t Trailer) bool { return t.Key == x.q.Trailer && isID(t.Value) }) {
		if len(trailers) == 0 {
			text += "\n"
		}
		text += "\n" + x.q.Trailer + ": " + string(c.ID)
	}
	fmt.Fprintf(&b, "\n%s\n", text)
	return objects.New(plumbing.CommitObject, b.Bytes()), nil
}

func firstText(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
