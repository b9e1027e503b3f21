package library

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// By is who last changed something on one side of a conflict, and when.
type By struct {
	Revision store.Rev `json:"revision"`
	Who      string    `json:"who"`
	When     time.Time `json:"when"`
}

// Clash is a conflict with who made it on both sides; nil is not known.
type Clash struct {
	merge.Conflict
	OursBy   *By `json:"ours_by,omitempty"`
	TheirsBy *By `json:"theirs_by,omitempty"`
}

// Merged is two revisions brought together. It is not saved yet.
type Merged struct {
	Ours, Theirs store.Rev
	Bases        []store.Rev
	Files        map[string][]byte // what differs from ours; nil is a file that is gone
	Clashes      []Clash           // not empty: it cannot be saved
	Taken        []merge.Accepted
	Notes        []merge.Note
}

// Paths are the files in which the merge differs from ours.
func (m *Merged) Paths() []string {
	out := make([]string, 0, len(m.Files))
	for p := range m.Files {
		out = append(out, p)
	}
	sort.Strings(out)
	return out
}

// Choices reads a person's settlements; see merge.Choices.
func (l Merger) Choices(ours, theirs, values []string) (*merge.Choices, error) {
	c, err := merge.NewChoices(ours, theirs, values, func(kind, key, text string) (any, error) {
		return l.Edits().value(kind, Assign{Key: key, Text: text})
	})
	if err != nil {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: err.Error()}
	}
	return c, nil
}

// Merge brings two revisions together by key, against their best common ancestor. If they have
// several, as after merges crosswise, those are merged first; what conflicts between them counts
// as not having been there, so that the two sides' own values decide.
//
// Errors: store.ErrDiverged if the two share no history; a *file.Error if one was written by a
// newer Rigkeep; store.ErrBadPath for a settlement that fits nothing.
func (l Merger) Merge(ours, theirs store.Rev, ch *merge.Choices) (*Merged, error) {
	go l.Cat.Prepare() // while the common ancestor is looked for
	bases, err := l.Store.Revisions().MergeBase(ours, theirs)
	if err != nil {
		return nil, err
	}
	if len(bases) == 0 {
		return nil, &store.Error{Kind: store.ErrDiverged, Msg: "these libraries share no history and cannot be merged",
			Hint: "Take a copy of the other one with `rigkeep init DIR --from ADDRESS`, and carry rigs over with `rigkeep handover write` and `accept`"}
	}
	base, err := l.base(bases, 0)
	if err != nil {
		return nil, err
	}
	out, err := l.mergeStates(base, snapshot{l.Library, ours, nil}, snapshot{l.Library, theirs, nil}, ch, false)
	if err != nil {
		return nil, err
	}
	m := &Merged{Ours: ours, Theirs: theirs, Bases: bases, Files: out.Files, Taken: out.Taken, Notes: out.Notes}
	for _, c := range out.Conflicts {
		m.Clashes = append(m.Clashes, Clash{c, l.blame(ours, c.OursPath, c.Key), l.blame(theirs, c.TheirsPath, c.Key)})
	}
	return m, nil
}

func (l Merger) mergeStates(base, ours, theirs snapshot, ch *merge.Choices, virtual bool) (*merge.SetOutput, error) {
	root := &reading{snapshot: base, shared: &sharedTexts{texts: map[store.BlobID][]byte{}}, blobs: map[string]store.BlobID{}, read: map[string][]byte{}}
	var o, t *reading
	var oc, tc []string
	var oerr, terr error
	var wg sync.WaitGroup
	wg.Go(func() { o, oc, oerr = root.beside(ours) })
	wg.Go(func() { t, tc, terr = root.beside(theirs) })
	wg.Wait()
	if err := errors.Join(oerr, terr); err != nil {
		return nil, err
	}
	out, err := merge.Set(merge.SetInput{Cat: l.Cat, Base: root, Ours: o, Theirs: t, OursChanged: oc, TheirsChanged: tc, Choices: ch, Virtual: virtual, Parallel: true})
	if c, ok := err.(*merge.ChoiceError); ok {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: c.What, Hint: c.Hint}
	}
	return out, err
}

// maxCriss is how often merge bases have merge bases of their own before the first is taken.
const maxCriss = 8

// base is the state that two revisions are compared with.
func (l Merger) base(bases []store.Rev, depth int) (snapshot, error) {
	at := snapshot{l.Library, bases[0], map[string][]byte{}}
	if depth >= maxCriss {
		return at, nil
	}
	for _, b := range bases[1:] {
		under, err := l.Store.Revisions().MergeBase(bases[0], b)
		if err != nil {
			return at, err
		}
		low := snapshot{l.Library, "", nil}
		if len(under) > 0 {
			if low, err = l.base(under, depth+1); err != nil {
				return at, err
			}
		}
		out, err := l.mergeStates(low, at, snapshot{l.Library, b, nil}, nil, true)
		if err != nil {
			return at, err
		}
		for p, text := range out.Files {
			at.over[p] = text
		}
	}
	return at, nil
}

// snapshot is a revision with some files in place of its own: a merge that nobody saved.
type snapshot struct {
	l    *Library
	rev  store.Rev // "" is the empty library
	over map[string][]byte
}

// Read implements merge.Tree.
func (s snapshot) Read(path string) ([]byte, error) {
	if text, ok := s.over[path]; ok {
		return text, nil
	}
	if s.rev == "" {
		return nil, nil
	}
	data, err := s.l.Store.Revisions().ReadAt(s.rev, path)
	if isNotFound(err) {
		return nil, nil
	}
	return data, err
}

// List implements merge.Tree.
func (s snapshot) List(prefix string) ([]string, error) {
	var out []string
	if s.rev != "" {
		es, err := s.l.Store.Revisions().ListAt(s.rev, prefix)
		if err != nil {
			return nil, err
		}
		for _, e := range es {
			if text, ok := s.over[e.Path]; !ok || text != nil {
				out = append(out, e.Path)
			}
		}
	}
	for p, text := range s.over {
		if text != nil && len(p) >= len(prefix) && p[:len(prefix)] == prefix && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	sort.Strings(out)
	return out, nil
}

// reading is a snapshot that reads nothing twice, and nothing at all where it is as the one it
// is compared with: a merge looks at the same few files again and again.
type reading struct {
	snapshot
	base   *reading // nil for the base itself
	shared *sharedTexts
	blobs  map[string]store.BlobID // of files that differ from the base; for the base, of files that differ anywhere
	read   map[string][]byte
}

// sharedTexts are the contents that were read, for the three snapshots of a merge; its lock
// guards the maps of all of them.
type sharedTexts struct {
	mu    sync.Mutex
	texts map[store.BlobID][]byte
}

// ID implements merge.Identified.
func (r *reading) ID(path string) (string, bool) {
	if _, ok := r.over[path]; ok {
		return "", false
	}
	r.shared.mu.Lock()
	id, known := r.blobs[path]
	r.shared.mu.Unlock()
	if !known && r.base != nil && len(r.base.over) == 0 {
		return r.base.ID(path)
	}
	return string(id), known
}

// Read implements merge.Tree.
func (r *reading) Read(path string) ([]byte, error) {
	if text, ok := r.over[path]; ok {
		return text, nil
	}
	r.shared.mu.Lock()
	id, known := r.blobs[path]
	blob, haveBlob := r.shared.texts[id]
	text, have := r.read[path]
	r.shared.mu.Unlock()
	var err error
	switch {
	case known && id == "":
		return nil, nil
	case known && haveBlob:
		return blob, nil
	case known:
		if text, err = r.l.Store.Revisions().ReadBlob(id); err == nil {
			r.shared.mu.Lock()
			r.shared.texts[id] = text
			r.shared.mu.Unlock()
		}
		return text, err
	case r.base != nil && len(r.base.over) == 0:
		return r.base.Read(path)
	case have:
		return text, nil
	}
	if text, err = r.snapshot.Read(path); err == nil {
		r.shared.mu.Lock()
		r.read[path] = text
		r.shared.mu.Unlock()
	}
	return text, err
}

// beside is another snapshot that is compared with this one, and the paths in which it differs.
func (r *reading) beside(s snapshot) (*reading, []string, error) {
	out := &reading{snapshot: s, base: r, shared: r.shared, blobs: map[string]store.BlobID{}, read: map[string][]byte{}}
	diff, err := r.l.Store.Revisions().Diff(r.rev, s.rev)
	if err != nil {
		return nil, nil, err
	}
	seen := map[string]bool{}
	r.shared.mu.Lock()
	for _, d := range diff {
		r.blobs[d.Path], out.blobs[d.Path] = d.Old, d.New
		seen[d.Path] = true
	}
	r.shared.mu.Unlock()
	for _, over := range []map[string][]byte{r.over, s.over} {
		for p := range over {
			seen[p] = true
		}
	}
	var paths []string
	for p := range seen {
		_, a := r.over[p]
		if _, b := s.over[p]; a || b {
			x, err := r.Read(p)
			if err != nil {
				return nil, nil, err
			}
			y, err := out.Read(p)
			if err != nil {
				return nil, nil, err
			}
			if (x == nil) == (y == nil) && string(x) == string(y) {
				continue
			}
		}
		paths = append(paths, p)
	}
	sort.Strings(paths)
	return out, paths, nil
}

// blameSteps bounds how far back the author of a conflicting value is looked for.
const blameSteps = 2000

// blame finds the revision that gave a key its value at tip; nil if that is too far back. Where a
// rig moved to a new fingerprint, it is followed to the earlier one.
func (l Merger) blame(tip store.Rev, path, key string) *By {
	place, _ := preset.Locate(path)
	texts := map[string]string{} // values by contents: most revisions do not touch the file
	value := func(at store.Rev, path string) string {
		data, err := snapshot{l.Library, at, nil}.Read(path)
		if err != nil {
			return "?"
		}
		if data == nil {
			return "gone"
		}
		v, ok := texts[string(data)]
		if !ok {
			v = fmt.Sprintf("%#v", merge.ValueAt(l.Cat, place.Kind, data, key))
			texts[string(data)] = v
		}
		return v
	}
	want := value(tip, path)
	at := tip
next:
	for range blameSteps {
		c, err := l.Store.Revisions().Commit(at)
		if err != nil {
			return nil
		}
		for _, p := range c.Parents {
			v := value(p, path)
			if v == "gone" && want != "gone" && place.Rig != "" {
				for _, was := range l.earlier(at, path) {
					if v = value(p, was); v != "gone" {
						if v == want {
							path = was
						}
						break
					}
				}
			}
			if v == want {
				at = p
				continue next
			}
		}
		return &By{c.ID, c.Author.String(), c.When}
	}
	return nil
}

// earlier gives where a rig's file lay under the fingerprints that the rig had before, the last first.
func (l Merger) earlier(at store.Rev, path string) (out []string) {
	place, _ := preset.Locate(path)
	r, err := l.Rig(at, place.Rig)
	if err != nil {
		return nil
	}
	for i := len(r.Was) - 1; i >= 0; i-- {
		out = append(out, strings.Replace(path, preset.RigDir(place.Rig), preset.RigDir(r.Was[i]), 1))
	}
	return out
}

// CommitMerge saves a merge without clashes as one revision with two parents, on top of ours,
// and brings the work tree along. Unsaved edits that it would touch stop it before anything is
// changed.
//
// Errors: those of store.Save; store.ErrChanged also if ours moved on and touched the same files.
func (l Merger) CommitMerge(ctx context.Context, m *Merged, subject, body string, who store.Person, when time.Time) (store.Rev, error) {
	if len(m.Clashes) > 0 {
		return "", &store.Error{Kind: store.ErrDiverged, Msg: schema.Count(len(m.Clashes), "conflict", "conflicts") + " to settle"}
	}
	defer l.Names().forget()
	q := store.SaveRequest{Subject: subject, Body: body, Author: who, When: when, Base: m.Ours, WriteWork: true, Parents: []store.Rev{m.Theirs}}
	for _, p := range m.Paths() {
		text := m.Files[p]
		q.Files = append(q.Files, store.File{Path: p, Data: text, Delete: text == nil})
	}
	return l.Store.Writer().Save(ctx, q)
}

// checkTheirs refuses a revision that this program cannot read as a library.
func (l Merger) checkTheirs(rev store.Rev) error {
	data, err := l.Store.Revisions().ReadAt(rev, preset.LibraryPath)
	if isNotFound(err) {
		return &store.Error{Kind: store.ErrForeign, Msg: "the other side is not a library: no " + preset.LibraryPath, Hint: "Check the address"}
	}
	if err != nil {
		return err
	}
	_, err = l.Parse(preset.LibraryPath, data, nil)
	if es := file.List(err); len(es) > 0 {
		for _, e := range es {
			e.File = "theirs:" + e.File
		}
	}
	return err
}

// Words says a merge in lines, for people and for the body of the revision that saves it: the
// files that changed, and of those changed on both sides which values were taken over.
func (m *Merged) Words() []string {
	var out []string
	by := map[string][]merge.Accepted{}
	for _, t := range m.Taken {
		by[firstWord(t.File, t.Path)] = append(by[firstWord(t.File, t.Path)], t)
	}
	for _, f := range sortedNames(setOf(by)) {
		for _, t := range by[f] {
			line := f
			if t.Key != "" {
				line += ": " + t.Key + " " + shortValue(t.Ours) + " → " + shortValue(t.Merged)
			} else if t.Merged == nil {
				line += ": removed"
			} else {
				line += ": accepted"
			}
			if t.Chosen {
				line += " (settled by hand)"
			}
			out = append(out, line)
		}
	}
	for _, n := range m.Notes {
		out = append(out, firstWord(n.File, n.Path)+": "+n.Text)
	}
	return out
}

func setOf[V any](m map[string]V) map[string]bool {
	out := map[string]bool{}
	for k := range m {
		out[k] = true
	}
	return out
}

func firstWord(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// shortValue is a value for one line.
func shortValue(v any) string {
	s := fmt.Sprint(v)
	switch n, ok := schema.Number(v); {
	case v == nil:
		return "none"
	case ok:
		return schema.Num(n)
	}
	s, more, cut := strings.Cut(s, "\n")
	if r := []rune(s); len(r) > 40 {
		s, cut = string(r[:40]), true
	}
	if cut || more != "" {
		s += "…"
	}
	return s
}
