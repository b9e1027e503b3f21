package store

import (
	"bytes"
	"encoding/base64"
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
	// Drawn is a folder whose files are put into those revisions only in which one of the files
	// above needs them: Needs gives the paths that a file's contents speak of. So what is put in
	// follows from each revision alone.
	Drawn   string
	Needs   func(path string, data []byte) []string
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
func (l Exchange) Extract(q Extraction) (*Bundle, error) {
	start, err := q.At.hash()
	if err != nil {
		return nil, err
	}
	var b *Bundle
	err = l.with(func(r *objects.Reader) (err error) {
		x := &extractor{l: l.Lib, r: r, q: q, objs: map[plumbing.Hash]objects.Object{}, byID: map[plumbing.Hash]*filtered{}, made: map[Rev]Rev{}, need: map[tree.Edit][]string{}}
		b, err = x.run(start)
		return err
	})
	return b, err
}

// filtered is an extracted revision: its new commit and its files.
type filtered struct {
	id    plumbing.Hash
	files []tree.Edit // sorted by path
	up    []*filtered // parents
}

// moment is a revision as far as the extract is concerned: all files that may go in, needed or
// not, and the extracted revision that stands for it; nil if nothing of the selection exists yet.
type moment struct {
	all []tree.Edit
	f   *filtered
}

type extractor struct {
	l    *Lib
	r    *objects.Reader
	q    Extraction
	objs map[plumbing.Hash]objects.Object
	byID map[plumbing.Hash]*filtered
	made map[Rev]Rev
	need map[tree.Edit][]string // what a file draws in, by path and contents
}

// picked is what one revision did to a file of the selection.
type picked struct {
	path string
	blob plumbing.Hash // zero: taken away
}

func (x *extractor) run(start plumbing.Hash) (*Bundle, error) {
	ix, done, err := x.l.History().lendIndex(start)
	if err != nil {
		return nil, err
	}
	defer done()
	paths := slices.Clone(x.q.Paths)
	if x.q.Drawn != "" {
		paths = append(paths, ix.Under(x.q.Drawn+"/")...)
	}
	for _, dir := range x.q.Folders {
		for _, p := range ix.Under(dir + "/") {
			if x.q.Keep == nil || x.q.Keep(p) {
				paths = append(paths, p)
			}
		}
	}
	changes := map[int][]picked{}
	for _, p := range paths {
		for _, post := range ix.Postings(p, start) {
			changes[post.Commit] = append(changes[post.Commit], picked{p, post.Blob})
		}
	}
	// Parents have smaller numbers than their children, so one pass up is enough; most revisions
	// have nothing to do with the selection and only pass on what their parent is.
	reach := ix.Reach(start)
	at := make([]*moment, len(reach))
	for no, ok := range reach {
		if !ok {
			continue
		}
		var up []*moment // one for each different state of the parents; nil is a parent without the selection
		ix.Parents(no, func(p int) {
			if !slices.Contains(up, at[p]) {
				up = append(up, at[p])
			}
		})
		if len(changes[no]) == 0 && len(up) < 2 {
			if len(up) == 1 {
				at[no] = up[0]
			}
			continue
		}
		if at[no], err = x.commit(ix.ID(no), up, changes[no], paths); err != nil {
			return nil, err
		}
	}
	tip := at[ix.Find(start)]
	if tip == nil || tip.f == nil {
		return nil, nil
	}
	return x.pack(tip.f.id)
}

// pack puts the objects into an order that depends on nothing but the history itself.
func (x *extractor) pack(tip plumbing.Hash) (*Bundle, error) {
	all := &objects.VerifiedPack{}
	for _, o := range x.objs {
		all.Objects = append(all.Objects, o)
	}
	loose := newBundle(rev(tip), all)
	if err := loose.gather(len(all.Objects), make([]bool, len(all.Objects))); err != nil {
		return nil, err
	}
	var order []objects.Object
	done := map[plumbing.Hash]bool{}
	add := func(id plumbing.Hash) bool {
		if !done[id] {
			done[id] = true
			order = append(order, x.objs[id])
			return true
		}
		return false
	}
	var walk func(id plumbing.Hash) error
	walk = func(id plumbing.Hash) error {
		if !add(id) {
			return nil
		}
		es, err := tree.Parse(x.objs[id].Data)
		for _, e := range es {
			if e.IsDir() {
				err = errors.Join(err, walk(e.ID))
			} else {
				add(e.ID)
			}
		}
		return err
	}
	for _, c := range loose.commits {
		id, err := c.ID.hash()
		if err = errors.Join(err, walk(c.tree)); err != nil {
			return nil, err
		}
		add(id)
	}
	whole, err := objects.WritePack(order)
	if err != nil {
		return nil, err
	}
	b := newBundle(rev(tip), whole)
	b.commits, b.byRev, b.made = loose.commits, loose.byRev, x.made
	return b, nil
}

// commit makes the extracted form of one revision, or gives its parent's if nothing differs.
func (x *extractor) commit(id plumbing.Hash, ups []*moment, changes []picked, paths []string) (*moment, error) {
	c, err := x.l.Revisions().commit(x.r, id)
	if err != nil {
		return nil, err
	}
	s := &moment{}
	var up []*filtered
	for _, u := range ups {
		if u != nil && u.f != nil && !slices.Contains(up, u.f) {
			up = append(up, u.f)
		}
	}
	up = independent(up)
	switch {
	case len(ups) > 1: // what a merge took from which side only its tree says
		if s.all, err = x.files(c, paths); err != nil {
			return nil, err
		}
	case len(ups) == 1 && ups[0] != nil:
		s.all = apply(ups[0].all, changes)
	default:
		s.all = apply(nil, changes)
	}
	f := &filtered{up: up}
	if f.files, err = x.needed(s.all); err != nil {
		return nil, err
	}
	switch {
	case len(up) == 0 && len(f.files) == 0:
		return s, nil
	case len(up) == 1 && slices.Equal(up[0].files, f.files):
		s.f = up[0]
		return s, nil
	}
	s.f, err = x.build(c, f)
	return s, err
}

// needed leaves out what was to be drawn in and is not needed.
func (x *extractor) needed(all []tree.Edit) ([]tree.Edit, error) {
	if x.q.Drawn == "" {
		return all, nil
	}
	drawn := func(path string) bool { return strings.HasPrefix(path, x.q.Drawn+"/") }
	wanted := map[string]bool{}
	for _, e := range all {
		if drawn(e.Path) {
			continue
		}
		names, known := x.need[e]
		if !known {
			data, err := x.r.Blob(e.ID)
			if err != nil {
				return nil, err
			}
			names = x.q.Needs(e.Path, data)
			x.need[e] = names
		}
		for _, n := range names {
			wanted[n] = true
		}
	}
	return slices.DeleteFunc(slices.Clone(all), func(e tree.Edit) bool { return drawn(e.Path) && !wanted[e.Path] }), nil
}

// build makes the objects of an extracted revision.
func (x *extractor) build(c *Commit, f *filtered) (*filtered, error) {
	files := slices.Clone(f.files)
	for _, a := range x.q.Always {
		o := objects.New(plumbing.BlobObject, a.Data)
		x.objs[o.ID] = o
		files = append(files, tree.Edit{Path: a.Path, Mode: tree.ModeFile, ID: o.ID})
	}
	for _, e := range f.files {
		if _, ok := x.objs[e.ID]; ok {
			continue
		}
		data, err := x.r.Blob(e.ID)
		if err != nil {
			return nil, err
		}
		x.objs[e.ID] = objects.Object{ID: e.ID, Kind: plumbing.BlobObject, Data: bytes.Clone(data)}
	}
	made, err := tree.Update(nil, plumbing.ZeroHash, files)
	if err != nil {
		return nil, err
	}
	for _, o := range made.Objects {
		x.objs[o.ID] = o
	}
	o, err := x.rewrite(c, made.Root, f.up)
	if err != nil {
		return nil, err
	}
	x.objs[o.ID] = o
	x.made[c.ID] = rev(o.ID)
	if same := x.byID[o.ID]; same != nil {
		return same, nil // a revision of ours that came back in somebody's extract of it
	}
	f.id = o.ID
	x.byID[o.ID] = f
	return f, nil
}

// apply makes changes to a list of files.
func apply(files []tree.Edit, changes []picked) []tree.Edit {
	out := slices.Clone(files)
	for _, c := range changes {
		i, there := slices.BinarySearchFunc(out, c.path, func(e tree.Edit, path string) int { return strings.Compare(e.Path, path) })
		e := tree.Edit{Path: c.path, Mode: tree.ModeFile, ID: c.blob}
		switch {
		case c.blob.IsZero() && there:
			out = slices.Delete(out, i, i+1)
		case c.blob.IsZero():
		case there:
			out[i] = e
		default:
			out = slices.Insert(out, i, e)
		}
	}
	return out
}

// files looks the selection up in a revision's tree.
func (x *extractor) files(c *Commit, paths []string) ([]tree.Edit, error) {
	var found []picked
	for _, p := range paths {
		e, err := tree.Lookup(x.r, c.tree, p)
		if err != nil && !errors.Is(err, tree.ErrNone) {
			return nil, err
		}
		if err == nil && !e.IsDir() {
			found = append(found, picked{p, e.ID})
		}
	}
	return apply(nil, found), nil
}

// independent leaves out what is an ancestor of another.
func independent(fs []*filtered) []*filtered {
	if len(fs) < 2 {
		return fs
	}
	var out []*filtered
	for i, f := range fs {
		if !slices.ContainsFunc(fs, func(o *filtered) bool { return o != f && o.reaches(f) }) {
			out = append(out, fs[i])
		}
	}
	return out
}

func (f *filtered) reaches(to *filtered) bool {
	seen := map[*filtered]bool{}
	todo := []*filtered{f}
	for len(todo) > 0 {
		g := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if g == to {
			return true
		}
		if !seen[g] {
			seen[g] = true
			todo = append(todo, g.up...)
		}
	}
	return false
}

// rewrite makes the commit of an extracted revision.
func (x *extractor) rewrite(c *Commit, root plumbing.Hash, up []*filtered) (objects.Object, error) {
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
	for _, p := range up {
		fmt.Fprintf(&b, "parent %s\n", p.id)
	}
	var kept []Trailer // what another stands for here: the author's time, and the revision byte for byte
	raw := false
	for _, key := range []string{"author", "committer"} {
		line := ""
		for l := range strings.SplitSeq(head, "\n") {
			if v, ok := strings.CutPrefix(l, key+" "); ok && line == "" {
				line = PlainText(strings.ReplaceAll(v, "\t", " "))
			}
		}
		if !validSignatureLine(line) {
			p, when, odd := parseSignature(line)
			if odd != "" && key == "author" {
				kept = append(kept, Trailer{recordedTime, odd})
			}
			raw = true
			line = signature(Person{firstText(clean(p.Name), "unknown"), firstText(clean(p.Email), "unknown")}, when)
		}
		fmt.Fprintf(&b, "%s %s\n", key, line)
	}
	text = strings.Trim(PlainText(text), "\n")
	if strings.TrimSpace(text) == "" {
		text = "(no message)"
	}
	_, _, trailers := splitMessage(text)
	if raw {
		kept = append(kept, Trailer{rawRevision, base64.StdEncoding.EncodeToString(data)})
	}
	if !slices.ContainsFunc(trailers, func(t Trailer) bool { return t.Key == x.q.Trailer && isID(t.Value) }) {
		kept = append(kept, Trailer{x.q.Trailer, string(c.ID)})
	}
	if len(trailers) == 0 && len(kept) > 0 {
		text += "\n"
	}
	for _, t := range kept {
		text += "\n" + t.Key + ": " + t.Value
	}
	fmt.Fprintf(&b, "\n%s\n", text)
	return objects.New(plumbing.CommitObject, b.Bytes()), nil
}

// Keys of the lines that keep what an extracted revision cannot have in its head: the author's time as
// it was recorded, where that is not a time, and the whole revision in base64, of which
// `base64 -d | git hash-object -t commit --stdin --literally` makes its id again.
const (
	recordedTime = "Recorded-Time"
	rawRevision  = "Raw-Revision"
)

func firstText(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
