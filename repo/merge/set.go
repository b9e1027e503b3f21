package merge

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// Tree is one state of a library. Read gives nil for a file that is not there; List gives the
// paths below a prefix.
type Tree interface {
	Read(path string) ([]byte, error)
	List(prefix string) ([]string, error)
}

// SetInput is what two versions of a library have and had.
type SetInput struct {
	Cat                *schema.Catalogue
	Base, Ours, Theirs Tree
	// OursChanged and TheirsChanged are the paths that differ from the base.
	OursChanged, TheirsChanged []string
	Choices                    *Choices // may be nil
	Virtual                    bool     // see Input
	// Parallel says that the trees may be read by several goroutines at once.
	Parallel bool
}

// Identified is a Tree that knows what a file's contents are called, "" for no file: the same
// name means the same contents. A merge then leaves alone what it need not read.
type Identified interface {
	Tree
	ID(path string) (id string, known bool)
}

// Note is something that a merge did beyond taking values.
type Note struct {
	Path string `json:"path"`
	File string `json:"file"`
	Text string `json:"text"`
}

// SetOutput is the merged library, as what differs from ours.
type SetOutput struct {
	Files     map[string][]byte // nil is a file that is gone
	Conflicts []Conflict
	Taken     []Accepted
	Notes     []Note
}

// Set merges two versions of a library, by the rules of the package.
//
// Errors: those of reading; a *file.Error for a file of a newer format; a *ChoiceError for a
// settlement that fits nothing.
func Set(in SetInput) (*SetOutput, error) {
	s := &set{in: in, out: &SetOutput{Files: map[string][]byte{}}, texts: map[string][]byte{}, origin: map[string][2]string{}, moved: map[string][]byte{}, rigs: map[string]*preset.Rig{}, sheets: map[string]*schema.Sheet{}}
	var err error
	if s.ours, err = s.renames(in.Ours, in.OursChanged); err != nil {
		return nil, err
	}
	if s.theirs, err = s.renames(in.Theirs, in.TheirsChanged); err != nil {
		return nil, err
	}
	s.pairNew()
	for old, now := range s.ours.units { // to two serials: neither is where the other goes
		if t := s.theirs.units[old]; t != "" && t != now {
			delete(s.ours.units, old)
			delete(s.theirs.units, old)
		}
	}
	return s.out, s.run()
}

type set struct {
	in           SetInput
	out          *SetOutput
	ours, theirs *renames
	texts        map[string][]byte    // merged texts by final path; nil is gone
	origin       map[string][2]string // path on our side and theirs of each merged path
	groups       []*group
	sheetsMoved  bool // a gimbal sheet is not the same on all sides

	mu     sync.Mutex               // guards out, texts, origin and what follows
	moved  map[string][]byte        // texts of theirs that are known not to be ours
	rigs   map[string]*preset.Rig   // by the text of the build sheet; nil is none
	sheets map[string]*schema.Sheet // by slug and text
}

// renames says which rig of one side is which rig of the base, where it moved to a new
// fingerprint.
type renames struct {
	to   map[string]string // fingerprint on the side: identity
	from map[string]string // identity: fingerprint on the side
	news map[string][]string
	gone map[string]bool // rigs of the base that the side has no more under that fingerprint
	// units are the folders of units that the side renamed, new ones by their old ones.
	units map[string]string
}

// unitPath is a path of the base in the folder that its unit has on the side, or back.
func (l *renames) unitPath(path string, back bool) string {
	for from, to := range l.units {
		if back {
			from, to = to, from
		}
		if rest, ok := strings.CutPrefix(path, from+"/"); ok {
			return to + "/" + rest
		}
	}
	return path
}

func (l *renames) id(fp string) string {
	if id, ok := l.to[fp]; ok {
		return id
	}
	return fp
}

func (l *renames) fp(id string) string {
	if fp, ok := l.from[id]; ok {
		return fp
	}
	return id
}

// locate is preset.Locate, and knows the photos of a rig as well: files of no kind, which go where
// their rig goes and are never merged within.
func locate(path string) (preset.Place, bool) {
	if p, ok := preset.Locate(path); ok {
		return p, true
	}
	p, ok := preset.LocatePhoto(path)
	p.Kind = ""
	return p, ok
}

// aligned is the path under which a file of the side is laid beside the base's.
func (l *renames) aligned(path string) string {
	p, ok := locate(path)
	if !ok || p.Rig == "" || l.id(p.Rig) == p.Rig {
		return l.unitPath(path, true)
	}
	return strings.Replace(path, preset.RigDir(p.Rig), preset.RigDir(l.id(p.Rig)), 1)
}

// real is aligned the other way round.
func (l *renames) real(path string) string {
	p, ok := locate(path)
	if !ok || p.Rig == "" || l.fp(p.Rig) == p.Rig {
		return l.unitPath(path, false)
	}
	return strings.Replace(path, preset.RigDir(p.Rig), preset.RigDir(l.fp(p.Rig)), 1)
}

func (s *set) renames(side Tree, changed []string) (*renames, error) {
	l := &renames{to: map[string]string{}, from: map[string]string{}, news: map[string][]string{}, gone: map[string]bool{}, units: map[string]string{}}
	var arrived []string
	was := map[string][]string{}
	left, came := map[string]bool{}, map[string][]string{} // folders of units, and what those that came were before
	for _, path := range changed {
		p, ok := preset.Locate(path)
		if ok && p.Kind == schema.KindUnit {
			now, err := side.Read(path)
			if err != nil {
				return nil, err
			}
			dir := preset.UnitDir(p.Gimbal, p.Name)
			if now == nil {
				left[dir] = true
			} else if t, err := file.Values(path, now); err == nil {
				for _, w := range schema.Flatten(t).Strs("was") {
					came[dir] = append(came[dir], preset.UnitDir(p.Gimbal, w))
				}
			}
		}
		if !ok || p.Kind != schema.KindRig {
			continue
		}
		now, err := side.Read(path)
		if err != nil {
			return nil, err
		}
		if now == nil {
			l.gone[p.Rig] = true
			continue
		}
		then, err := s.in.Base.Read(path)
		if err != nil {
			return nil, err
		}
		if then == nil {
			arrived = append(arrived, p.Rig)
			if t, err := file.Values(path, now); err == nil {
				was[p.Rig] = schema.Flatten(t).Strs("was")
			}
		}
	}
	for _, dir := range sortedKeys(came) {
		for _, w := range slices.Backward(came[dir]) {
			if left[w] && l.units[w] == "" {
				l.units[w] = dir
				break
			}
		}
	}
	sort.Strings(arrived)
	// A rig that says last where it was before goes first: two may name the same past.
	sort.SliceStable(arrived, func(i, j int) bool { return l.last(was[arrived[i]]) && !l.last(was[arrived[j]]) })
	for _, fp := range arrived {
		l.news[fp] = was[fp]
		for _, w := range slices.Backward(was[fp]) {
			if l.gone[w] && l.from[w] == "" {
				l.to[fp], l.from[w] = w, fp
				delete(l.news, fp)
				break
			}
		}
	}
	return l, nil
}

func (l *renames) last(was []string) bool { return len(was) > 0 && l.gone[was[len(was)-1]] }

// pairNew finds the rigs that both sides added and one of them has moved since.
func (s *set) pairNew() {
	for _, pair := range [][2]*renames{{s.ours, s.theirs}, {s.theirs, s.ours}} {
		a, b := pair[0], pair[1]
		for _, fp := range sortedKeys(b.news) {
			for _, w := range slices.Backward(b.news[fp]) {
				if _, ok := a.news[w]; ok && b.news[w] == nil && b.from[w] == "" && a.to[w] == "" {
					b.to[fp], b.from[w] = w, fp
					break
				}
			}
		}
	}
}

// group is one rig with all its files, by canonical path.
type group struct {
	id    string // fingerprint in the base
	final string // and where it ends up
	paths []string
	rig   []byte // merged build sheet
	alias string
}

func (s *set) run() error {
	var loose []string
	byID := map[string]*group{}
	add := func(l *renames, path string) {
		c := l.aligned(path)
		p, ok := locate(c)
		if ok && p.Rig != "" {
			g := byID[p.Rig]
			if g == nil {
				g = &group{id: p.Rig}
				byID[p.Rig] = g
			}
			g.paths = append(g.paths, c)
			return
		}
		if ok && p.Kind == schema.KindGimbal {
			s.sheetsMoved = true
		}
		loose = append(loose, c)
	}
	for _, p := range s.in.OursChanged {
		add(s.ours, p)
	}
	for _, p := range s.in.TheirsChanged {
		add(s.theirs, p)
	}
	var jobs []string
	for _, p := range unique(loose) {
		if place, ok := preset.Locate(p); ok && place.Kind == schema.KindJob {
			jobs = append(jobs, p)
			continue
		}
		if err := s.single(p); err != nil {
			return err
		}
	}
	var untouched []*group // of which nobody changed the build
	for _, id := range sortedKeys(byID) {
		g := byID[id]
		g.paths = unique(g.paths)
		s.groups = append(s.groups, g)
		if !slices.Contains(g.paths, preset.RigPath(id)) {
			untouched = append(untouched, g)
			continue
		}
		if err := s.rig(g); err != nil {
			return err
		}
	}
	if err := s.each(untouched, s.tunesOnly); err != nil {
		return err
	}
	if err := s.places(); err != nil {
		return err
	}
	if err := s.jobs(jobs); err != nil {
		return err
	}
	if err := s.aliases(); err != nil {
		return err
	}
	if err := s.sheetsThere(); err != nil {
		return err
	}
	if err := s.diff(); err != nil {
		return err
	}
	shown := func(p string) string { return s.names(p)[0] }
	for i := range s.out.Conflicts {
		c := &s.out.Conflicts[i]
		c.File = shown(c.Path)
		c.OursPath, c.TheirsPath = firstOf(c.OursPath, c.Path), firstOf(c.TheirsPath, c.Path)
	}
	for i := range s.out.Taken {
		s.out.Taken[i].File = shown(s.out.Taken[i].Path)
	}
	for i := range s.out.Notes {
		s.out.Notes[i].File = shown(s.out.Notes[i].Path)
	}
	if s.in.Virtual {
		s.out.Conflicts = nil
		return nil
	}
	return s.in.Choices.check(shown)
}

func unique(list []string) []string {
	sort.Strings(list)
	return slices.Compact(list)
}

// names are the names by which a file can be called in a settlement, the best first.
func (s *set) names(path string) []string {
	p, ok := preset.Locate(path)
	if !ok {
		return []string{path}
	}
	switch p.Kind {
	case schema.KindGimbal:
		return []string{"gimbal:" + p.Name, path}
	case schema.KindPart:
		return []string{"part:" + p.Name, path}
	case schema.KindUnit:
		return []string{"unit:" + p.Name, "unit:" + p.Gimbal + "/" + p.Name, path}
	case schema.KindJob:
		return []string{"job:" + p.Name, path}
	case schema.KindRig, schema.KindTune:
		var out []string
		fps := []string{p.Rig}
		for _, l := range []*renames{s.ours, s.theirs} {
			fps = append(fps, l.id(p.Rig), l.fp(p.Rig), l.fp(l.id(p.Rig)))
		}
		for _, t := range []Tree{s.in.Ours, s.in.Theirs} {
			for _, fp := range firstOnly(fps) {
				if a := s.aliasOf(t, fp); a != "" {
					out = append(out, a)
				}
			}
		}
		out = append(out, fps...)
		if p.Kind == schema.KindTune {
			for i := range out {
				out[i] += "/" + p.Name
			}
		}
		return append(firstOnly(out), path)
	}
	return []string{path}
}

func firstOnly(list []string) []string {
	var out []string
	for _, s := range list {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

func (s *set) aliasOf(t Tree, fp string) string {
	text, err := t.Read(preset.RigPath(fp))
	if err != nil {
		return ""
	}
	r, _ := s.decodeRig(text)
	return r.Alias
}

// merge runs File on one file and keeps its report; path is where the file ends up or is shown.
func (s *set) merge(in Input, ours, theirs string) (Output, error) {
	in.Cat, in.Virtual = s.in.Cat, s.in.Virtual
	if !s.in.Choices.Empty() {
		names := append(s.names(ours), s.names(theirs)...)
		in.Choose, in.Overrule = s.in.Choices.chooser(in.Kind, names), s.in.Choices.names(names)
	}
	out, err := File(in)
	if err != nil {
		return out, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range out.Conflicts {
		c.OursPath, c.TheirsPath = ours, theirs
		s.out.Conflicts = append(s.out.Conflicts, c)
	}
	s.out.Taken = append(s.out.Taken, out.Taken...)
	for _, l := range out.Lost {
		s.out.Notes = append(s.out.Notes, Note{Path: in.Path, Text: "not kept: " + l})
	}
	return out, nil
}

func (s *set) note(path, text string) {
	s.out.Notes = append(s.out.Notes, Note{Path: path, Text: text})
}

func (s *set) put(path, ours, theirs string, text []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.texts[path] = text
	s.origin[path] = [2]string{ours, theirs}
}

// sides reads a file of the base, ours and theirs by its canonical path.
func (s *set) sides(aligned string) (b, o, t []byte, err error) {
	b, err1 := s.in.Base.Read(aligned)
	o, err2 := s.in.Ours.Read(s.ours.real(aligned))
	t, err3 := s.in.Theirs.Read(s.theirs.real(aligned))
	return b, o, t, errors.Join(err1, err2, err3)
}

// single merges a file that belongs to no rig; one of a unit goes where its unit went.
func (s *set) single(path string) error {
	b, o, t, err := s.sides(path)
	if err != nil {
		return err
	}
	place, _ := preset.Locate(path)
	ours, theirs := s.ours.real(path), s.theirs.real(path)
	final := ours
	if ours == path {
		final = theirs
	}
	out, err := s.merge(Input{Path: final, Kind: place.Kind, Base: b, Ours: o, Theirs: t}, ours, theirs)
	if err != nil {
		return err
	}
	s.put(final, ours, theirs, out.Text)
	return nil
}

// each runs fn on every group, several at a time where the trees allow it.
func (s *set) each(groups []*group, fn func(*group) error) error {
	workers := 1
	if s.in.Parallel {
		workers = min(runtime.GOMAXPROCS(0), len(groups))
	}
	if workers <= 1 {
		for _, g := range groups {
			if err := fn(g); err != nil {
				return err
			}
		}
		return nil
	}
	work, ctx := errgroup.WithContext(context.Background())
	work.SetLimit(workers)
	for _, g := range groups {
		if ctx.Err() != nil {
			break
		}
		work.Go(func() error { return fn(g) })
	}
	err := work.Wait()
	// What was found came in any order.
	slices.SortStableFunc(s.out.Conflicts, func(a, b Conflict) int { return strings.Compare(a.Path, b.Path) })
	slices.SortStableFunc(s.out.Taken, func(a, b Accepted) int { return strings.Compare(a.Path, b.Path) })
	slices.SortStableFunc(s.out.Notes, func(a, b Note) int { return strings.Compare(a.Path, b.Path) })
	return err
}

// tunesOnly merges the files of a rig whose build nobody touched: nothing moves, and the build
// is read only where a tune needs its sheet.
func (s *set) tunesOnly(g *group) error {
	g.final = g.id
	for _, c := range g.paths {
		if done, err := s.oneSided(c); done || err != nil {
			if err != nil {
				return err
			}
			continue
		}
		if err := s.rigFile(g, c, false, false); err != nil {
			return err
		}
	}
	return nil
}

// oneSided settles a file that is untouched on one side by the names of its contents, without
// reading more than what is taken over. done is false if that cannot be told.
func (s *set) oneSided(path string) (done bool, err error) {
	if s.sheetsMoved || !s.in.Choices.Empty() {
		return false, nil
	}
	var ids [3]string
	for i, t := range []Tree{s.in.Base, s.in.Ours, s.in.Theirs} {
		named, ok := t.(Identified)
		if !ok {
			return false, nil
		}
		if ids[i], ok = named.ID(path); !ok {
			return false, nil
		}
	}
	switch b, o, t := ids[0], ids[1], ids[2]; {
	case o == t, t == b:
		return true, nil
	case o != b:
		return false, nil
	}
	text, err := s.in.Theirs.Read(path)
	if err == nil {
		err = newer(path, text)
	}
	if err == nil {
		s.put(path, path, path, text)
		s.mu.Lock()
		s.moved[path] = text
		s.mu.Unlock()
	}
	return true, err
}

// rig merges one rig with all its files.
func (s *set) rig(g *group) error {
	path := preset.RigPath(g.id)
	ours, theirs := s.ours.real(path), s.theirs.real(path)
	b, o, t, err := s.sides(path)
	if err != nil {
		return err
	}
	shown := ours
	if o == nil {
		shown = theirs
	}
	if b != nil && (o == nil) != (t == nil) {
		if done, err := s.rigGone(g, shown, b, o, t); done || err != nil {
			return err
		}
	}
	out, err := s.merge(Input{Path: shown, Kind: schema.KindRig, Base: b, Ours: o, Theirs: t}, ours, theirs)
	if err != nil {
		return err
	}
	g.rig, g.final = out.Text, g.id
	if out.Text != nil {
		g.final = s.settle(g, out.Text, o, t)
	}
	if err := s.tidy(g, ours, theirs); err != nil {
		return err
	}
	massOurs, massTheirs := s.changedBuild(b, o, t), s.changedBuild(b, t, o)
	for _, c := range g.paths {
		if c == path {
			continue
		}
		if err := s.rigFile(g, c, massOurs, massTheirs); err != nil {
			return err
		}
	}
	return nil
}

// rigGone settles a rig that one side took out of the library while the other worked on it.
func (s *set) rigGone(g *group, shown string, b, o, t []byte) (done bool, err error) {
	worked := false
	for _, c := range g.paths {
		fb, fo, ft, err := s.sides(c)
		if err != nil {
			return true, err
		}
		if side := map[bool][]byte{true: ft, false: fo}[o == nil]; side != nil {
			own, err := s.normal(c, side)
			if err != nil {
				return true, err
			}
			worked = worked || !sameText(own, fb)
		}
	}
	if o == nil {
		worked = worked || s.newlyPinned(s.in.Theirs, s.theirs, s.in.TheirsChanged, g.id)
	} else {
		worked = worked || s.newlyPinned(s.in.Ours, s.ours, s.in.OursChanged, g.id)
	}
	keep := Ours
	switch {
	case !worked && t == nil:
		keep = Theirs
	case worked:
		c := Conflict{Path: shown, Base: textOrNil(b), Ours: textOrNil(o), Theirs: textOrNil(t), Why: "removed on one side, changed on the other"}
		choose := s.in.Choices.chooser(schema.KindRig, s.names(shown))
		ch, ok := Choice{}, false
		if choose != nil {
			ch, ok = choose(c, false)
		}
		if !ok || ch.Take == "" {
			s.out.Conflicts = append(s.out.Conflicts, c)
			return true, nil
		}
		keep = ch.Take
	}
	l, tree := s.ours, s.in.Ours
	if keep == Theirs {
		l, tree = s.theirs, s.in.Theirs
	}
	g.final = l.fp(g.id)
	for _, c := range g.paths {
		text, err := tree.Read(l.real(c))
		if err != nil {
			return true, err
		}
		s.put(l.real(c), s.ours.real(c), s.theirs.real(c), text)
		if c == preset.RigPath(g.id) {
			g.rig = text
		}
	}
	s.out.Taken = append(s.out.Taken, Accepted{Path: shown, Ours: textOrNil(o), Merged: textOrNil(g.rig), Chosen: worked})
	return true, nil
}

// newlyPinned says whether a side has put a rig on a job since.
func (s *set) newlyPinned(side Tree, l *renames, changed []string, id string) bool {
	pins := func(t Tree, path, fp string) (n int) {
		text, err := t.Read(path)
		if err != nil || text == nil {
			return 0
		}
		v, err := file.Values(path, text)
		if err != nil {
			return 0
		}
		for _, pin := range preset.DecodeJob("", v).Pins {
			if pin.Rig == fp && pin.Revision == "" {
				n++
			}
		}
		return n
	}
	for _, path := range changed {
		if place, ok := preset.Locate(path); ok && place.Kind == schema.KindJob && pins(side, path, l.fp(id)) > pins(s.in.Base, path, id) {
			return true
		}
	}
	return false
}

// settle finds the fingerprint under which a merged rig belongs.
func (s *set) settle(g *group, merged, o, t []byte) string {
	if of := s.ours.fp(g.id); of == s.theirs.fp(g.id) && sameText(merged, o) && sameText(merged, t) {
		return of
	}
	m, ok := s.decodeRig(merged)
	if !ok {
		return s.ours.fp(g.id)
	}
	same := func(text []byte) bool {
		r, ok := s.decodeRig(text)
		return ok && r.Canonical() == m.Canonical()
	}
	of, tf := s.ours.fp(g.id), s.theirs.fp(g.id)
	inOurs, inTheirs := o != nil && same(o), t != nil && same(t)
	switch {
	case inOurs && inTheirs && of != tf:
		// The same build under two names: the folder that fits it, else the one that moved.
		if m.Fingerprint() == tf || of == g.id {
			return tf
		}
		return of
	case inOurs:
		return of
	case inTheirs:
		return tf
	}
	return m.Fingerprint()
}

// decodeRig reads a build sheet, each text once.
func (s *set) decodeRig(text []byte) (preset.Rig, bool) {
	if text == nil {
		return preset.Rig{}, false
	}
	s.mu.Lock()
	r, known := s.rigs[string(text)]
	s.mu.Unlock()
	if !known {
		if v, err := file.Values("", text); err == nil {
			rig := preset.DecodeRig("", v).InFileOrder(text)
			r = &rig
		}
		s.mu.Lock()
		s.rigs[string(text)] = r
		s.mu.Unlock()
	}
	if r == nil {
		return preset.Rig{}, false
	}
	return *r, true
}

// tidy puts the merged build sheet where it belongs, with the fingerprints it had on both
// sides among its earlier ones, and finds the rig's other files if it moves further than either
// side took it.
func (s *set) tidy(g *group, ours, theirs string) error {
	of, tf := s.ours.fp(g.id), s.theirs.fp(g.id)
	if g.rig != nil {
		var add []string
		r, _ := s.decodeRig(g.rig)
		for _, fp := range unique([]string{g.id, of, tf}) {
			if fp != g.final && !slices.Contains(r.Was, fp) && s.had(fp) {
				add = append(add, fp)
			}
		}
		if len(add) > 0 {
			d, err := file.Parse(ours, g.rig)
			if err != nil {
				return err
			}
			was := []any{}
			for _, w := range append(slices.Clone(r.Was), add...) {
				was = append(was, w)
			}
			if d, err = d.WithOrder(shapeOf(s.in.Cat, schema.KindRig).order).Set("was", was); err != nil {
				return err
			}
			g.rig = d.Text()
		}
		g.alias = r.Alias
	}
	if g.final != of && g.rig != nil {
		// Everything of the rig moves along, touched or not.
		list, err := s.in.Ours.List(preset.RigDir(of) + "/")
		if err != nil {
			return err
		}
		for _, p := range list {
			if _, ok := locate(p); ok {
				g.paths = append(g.paths, s.ours.aligned(p))
			}
		}
		g.paths = unique(g.paths)
		if g.final != g.id && of != tf || g.final != tf {
			s.note(ours, fmt.Sprintf("the rig moves to the fingerprint %s", g.final))
		}
	}
	if g.final != tf && g.rig != nil {
		list, err := s.in.Theirs.List(preset.RigDir(tf) + "/")
		if err != nil {
			return err
		}
		for _, p := range list {
			if _, ok := locate(p); ok {
				g.paths = append(g.paths, s.theirs.aligned(p))
			}
		}
		g.paths = unique(g.paths)
	}
	s.put(preset.RigPath(g.final), ours, theirs, g.rig)
	return nil
}

// had says whether a fingerprint was a rig's own on some side: then its history is under it.
func (s *set) had(fp string) bool {
	for _, t := range []Tree{s.in.Base, s.in.Ours, s.in.Theirs} {
		if text, err := t.Read(preset.RigPath(fp)); err == nil && text != nil {
			return true
		}
	}
	return false
}

// sheetOf is the merged sheet of a rig's gimbal; check says that it is not the one that both
// sides checked their tunes against.
func (s *set) sheetOf(g *group) (sheet *schema.Sheet, check bool, err error) {
	rig := g.rig
	if rig == nil {
		if rig, err = s.in.Ours.Read(preset.RigPath(s.ours.fp(g.id))); err != nil {
			return nil, false, err
		}
	}
	r, ok := s.decodeRig(rig)
	if !ok || r.Gimbal == "" {
		return nil, false, nil
	}
	path := preset.GimbalPath(r.Gimbal)
	o, err1 := s.in.Ours.Read(path)
	t, err2 := s.in.Theirs.Read(path)
	if err := errors.Join(err1, err2); err != nil {
		return nil, false, err
	}
	s.mu.Lock()
	text, merged := s.texts[path]
	s.mu.Unlock()
	if !merged {
		text = o
	}
	check = !sameText(o, text) || !sameText(t, text)
	// A rig put on another gimbal on one side has its tunes checked as well.
	for _, x := range s.both() {
		if side, err := x.t.Read(preset.RigPath(x.l.fp(g.id))); err == nil {
			if q, ok := s.decodeRig(side); ok && q.Gimbal != r.Gimbal {
				check = true
			}
		}
	}
	if text == nil {
		return nil, false, nil
	}
	key := r.Gimbal + "\x00" + string(text)
	s.mu.Lock() // held throughout: all tunes want the same one or two sheets
	defer s.mu.Unlock()
	sheet, known := s.sheets[key]
	if !known {
		if v, err := file.Values(path, text); err == nil { // else said where the sheet is merged or checked
			if x, ps := s.in.Cat.Sheet(r.Gimbal, v); len(schema.Errors(ps)) == 0 {
				sheet = x
			}
		}
		s.sheets[key] = sheet
	}
	return sheet, check && sheet != nil, nil
}

// changedBuild says whether a side changed masses, sizes or places, and the other did not do
// the same.
func (s *set) changedBuild(base, side, other []byte) bool {
	if sameText(side, base) || sameText(side, other) {
		return false
	}
	b, ok1 := s.decodeRig(base)
	x, ok2 := s.decodeRig(side)
	y, ok3 := s.decodeRig(other)
	if !ok1 || !ok2 || !ok3 {
		return false
	}
	return !sameBuild(b, x) && !sameBuild(x, y)
}

func sameBuild(a, b preset.Rig) bool {
	strip := func(ps []preset.Part) []preset.Part {
		out := slices.Clone(ps)
		for i := range out {
			out[i].Note, out[i].Name = "", ""
		}
		return out
	}
	return reflect.DeepEqual(strip(a.Parts), strip(b.Parts)) && reflect.DeepEqual(a.Resonances, b.Resonances)
}

// normal gives a side's text of a rig's file the rig's identity, so that a move alone is no change.
func (s *set) normal(aligned string, text []byte) ([]byte, error) {
	p, _ := locate(aligned)
	if text == nil || p.Kind != schema.KindTune && p.Kind != schema.KindBench {
		return text, nil
	}
	return setRig(aligned, text, p.Rig)
}

// setRig writes a fingerprint into a tune or bench log.
func setRig(path string, text []byte, fp string) ([]byte, error) {
	v, err := file.Values(path, text)
	if err != nil {
		return text, nil // broken on its side; File says so if it matters
	}
	if was, ok := v["rig"].(string); !ok || was == fp {
		return text, nil
	}
	d, err := file.Parse(path, text)
	if err != nil {
		return text, nil
	}
	if d, err = d.Set("rig", fp); err != nil {
		return nil, err
	}
	return d.Text(), nil
}

// rigFile merges a tune, bench log or other file of a rig.
func (s *set) rigFile(g *group, aligned string, massOurs, massTheirs bool) error {
	b, o, t, err := s.sides(aligned)
	if err != nil {
		return err
	}
	place, _ := locate(aligned)
	ours, theirs := s.ours.real(aligned), s.theirs.real(aligned)
	shown := ours
	if o == nil {
		shown = theirs
	}
	moves := g.final != g.id || s.ours.fp(g.id) != g.id || s.theirs.fp(g.id) != g.id
	in := Input{Path: shown, Kind: place.Kind, Base: b, Ours: o, Theirs: t}
	if moves {
		for _, text := range []*[]byte{&in.Base, &in.Ours, &in.Theirs} {
			if *text, err = s.normal(aligned, *text); err != nil {
				return err
			}
		}
	}
	ofSheet := place.Kind == schema.KindTune || place.Kind == schema.KindBench
	oneSided := sameText(in.Ours, in.Base) || sameText(in.Theirs, in.Base) || sameText(in.Ours, in.Theirs)
	if ofSheet && (!oneSided || s.sheetsMoved || g.rig != nil) {
		if in.Sheet, in.Check, err = s.sheetOf(g); err != nil {
			return err
		}
	}
	out, err := s.merge(in, ours, theirs)
	if err != nil {
		return err
	}
	text := out.Text
	if text != nil && place.Kind == schema.KindTune {
		if text, err = s.markStale(shown, text, out.Stale, s.checkBuildVsStiffness(in, text, massOurs, massTheirs)); err != nil {
			return err
		}
	}
	if text != nil && ofSheet && moves {
		if text, err = setRig(aligned, text, g.final); err != nil {
			return err
		}
	}
	final := aligned
	if g.rig != nil {
		final = strings.Replace(aligned, preset.RigDir(g.id), preset.RigDir(g.final), 1)
	}
	s.put(final, ours, theirs, text)
	return nil
}

// checkBuildVsStiffness says whether the merge puts one side's build under the other's stiffness or
// filters.
func (s *set) checkBuildVsStiffness(in Input, merged []byte, massOurs, massTheirs bool) []string {
	if !massOurs && !massTheirs || in.Base == nil || in.Ours == nil || in.Theirs == nil {
		return nil
	}
	read := func(text []byte) preset.Tune {
		v, err := file.Values(in.Path, text)
		if err != nil {
			return preset.Tune{}
		}
		return preset.DecodeTune(s.in.Cat, v)
	}
	b, o, t, m := read(in.Base), read(in.Ours), read(in.Theirs), read(merged)
	var labels []string
	for _, p := range s.in.Cat.Params() {
		if p.Group != "stiffness" && p.Group != "filters" {
			continue
		}
		k := p.Path
		fromTheirs := t.Values[k] != b.Values[k] && m.Values[k] == t.Values[k] && o.Values[k] != t.Values[k]
		fromOurs := o.Values[k] != b.Values[k] && m.Values[k] == o.Values[k] && o.Values[k] != t.Values[k]
		if massOurs && fromTheirs || massTheirs && fromOurs {
			labels = append(labels, p.Name)
		}
	}
	if len(labels) == 0 {
		return nil
	}
	return []string{"the build changed on one side and " + strings.Join(labels, " and ") + " on the other"}
}

// markStale tells of the proofs that the merge of a tune ended, mixed, and ends those that a
// build from the other side does, whether or not there is a proof.
func (s *set) markStale(path string, text []byte, mixed, reasons []string) ([]byte, error) {
	if len(mixed)+len(reasons) == 0 {
		return text, nil
	}
	d, err := file.Parse(path, text)
	if err != nil {
		return text, nil
	}
	next, err := AddStale(d.WithOrder(shapeOf(s.in.Cat, schema.KindTune).order), reasons, BuildGroups...)
	if err != nil {
		return nil, err
	}
	v, _ := d.Get("proof")
	for _, r := range append(mixed[:len(mixed):len(mixed)], reasons...) {
		if v != nil {
			r += ": proof out of date, test it again"
		} else {
			r += ": test it before use"
		}
		s.note(path, r)
	}
	return next.Text(), nil
}

type sideOf struct {
	t Tree
	l *renames
}

func (s *set) both() []sideOf { return []sideOf{{s.in.Ours, s.ours}, {s.in.Theirs, s.theirs}} }

// places refuses two rigs in one folder.
func (s *set) places() error {
	at := map[string]*group{}
	for _, g := range s.groups {
		if g.rig == nil {
			continue
		}
		other := at[g.final]
		at[g.final] = g
		path := preset.RigPath(g.final)
		taken := other != nil
		for _, side := range s.both() {
			if side.l.id(g.final) == g.id || taken {
				continue
			}
			text, err := side.t.Read(path)
			if err != nil {
				return err
			}
			taken = text != nil && !s.isRenamed(side.l.id(g.final), g.final)
		}
		if taken {
			s.out.Conflicts = append(s.out.Conflicts, Conflict{Path: s.ours.real(preset.RigPath(g.id)), Key: "part", Why: "merged, this build is the same as that of another rig, " + g.final,
				Ours: s.ours.fp(g.id), Theirs: s.theirs.fp(g.id)})
		}
	}
	return nil
}

// isRenamed says whether a rig leaves its folder in this merge.
func (s *set) isRenamed(id, fp string) bool {
	for _, g := range s.groups {
		if g.id == id {
			return g.rig == nil || g.final != fp
		}
	}
	return false
}

// aliases refuses two rigs with one name: each side knew only one of them.
func (s *set) aliases() error {
	by := map[string][]*group{}
	for _, g := range s.groups {
		if g.rig != nil && g.alias != "" {
			by[g.alias] = append(by[g.alias], g)
		}
	}
	for _, alias := range sortedKeys(by) {
		gs := by[alias]
		if len(gs) < 2 {
			continue
		}
		// Ours first, so that ours and theirs in the conflict mean what they say.
		sort.SliceStable(gs, func(i, j int) bool {
			return s.holds(s.in.Ours, s.ours, gs[i], alias) && !s.holds(s.in.Ours, s.ours, gs[j], alias)
		})
		for _, g := range gs[1:] {
			c := Conflict{Path: preset.RigPath(g.final), Key: "alias", Why: fmt.Sprintf("two rigs have the alias %s: %s and %s", alias, gs[0].final, g.final), Value: true,
				Ours: alias + " is " + gs[0].final, Theirs: alias + " is " + g.final,
				OursPath: preset.RigPath(s.ours.fp(gs[0].id)), TheirsPath: preset.RigPath(s.theirs.fp(g.id))}
			choose := s.in.Choices.chooser(schema.KindRig, append(s.names(preset.RigPath(g.id)), s.names(c.Path)...))
			ch, ok := Choice{}, false
			if choose != nil {
				ch, ok = choose(c, false)
			}
			rename, to := g, ""
			switch v, isText := ch.Value.(string); {
			case !ok:
				s.out.Conflicts = append(s.out.Conflicts, c)
				continue
			case ch.Take == "" && isText && preset.IsName(v) && len(by[v]) == 0:
				to = v
			case ch.Take == "":
				return &ChoiceError{fmt.Sprintf("%v cannot be the alias of a rig here", ch.Value), "Use another short name of a–z, 0–9, dot, dash and underscore"}
			case ch.Take == Theirs:
				rename = gs[0]
			}
			for n := 2; to == ""; n++ {
				if free := fmt.Sprintf("%s-%d", alias, n); len(by[free]) == 0 {
					to = free
				}
			}
			by[to] = append(by[to], rename)
			d, err := file.Parse("", rename.rig)
			if err == nil {
				d, err = d.Set("alias", to)
			}
			if err != nil {
				return err
			}
			rename.rig, rename.alias = d.Text(), to
			s.texts[preset.RigPath(rename.final)] = rename.rig
			s.note(preset.RigPath(rename.final), fmt.Sprintf("its alias is now %s", to))
		}
	}
	return nil
}

func (s *set) holds(t Tree, l *renames, g *group, alias string) bool {
	return s.aliasOf(t, l.fp(g.id)) == alias
}

// sheetsThere refuses a rig whose gimbal sheet the other side removed.
func (s *set) sheetsThere() error {
	for _, g := range s.groups {
		r, ok := s.decodeRig(g.rig)
		if !ok {
			continue
		}
		path := preset.GimbalPath(r.Gimbal)
		text, merged := s.texts[path]
		if !merged || text != nil {
			continue
		}
		b, o, t, err := s.sides(path)
		if err != nil {
			return err
		}
		s.out.Conflicts = append(s.out.Conflicts, Conflict{Path: path, Base: textOrNil(b), Ours: textOrNil(o), Theirs: textOrNil(t),
			Why: fmt.Sprintf("the sheet was removed on one side, and rig %s needs it", g.alias)})
	}
	return nil
}

// jobs merges jobs. A pin without a revision follows its rig wherever that ends up; one with a
// revision stays with the fingerprint under which that revision is found.
func (s *set) jobs(paths []string) error {
	final := map[string]string{} // by fingerprint on either side
	further := false
	for _, g := range s.groups {
		if g.rig == nil {
			continue
		}
		for _, fp := range []string{g.id, s.ours.fp(g.id), s.theirs.fp(g.id)} {
			if fp != g.final {
				final[fp] = g.final
			}
		}
		further = further || g.final != s.ours.fp(g.id) && g.final != s.theirs.fp(g.id)
	}
	if further {
		list, err := s.in.Ours.List("jobs/")
		if err != nil {
			return err
		}
		for _, p := range list {
			if _, ok := preset.Locate(p); ok {
				paths = append(paths, p)
			}
		}
		paths = unique(paths)
	}
	for _, p := range paths {
		b, o, t, err := s.sides(p)
		if err != nil {
			return err
		}
		no, nt := o, t
		if len(s.ours.to)+len(s.theirs.to) > 0 {
			no, nt = repin(p, o, s.ours.id), repin(p, t, s.theirs.id)
		}
		out, err := s.merge(Input{Path: p, Kind: schema.KindJob, Base: b, Ours: no, Theirs: nt}, p, p)
		if err != nil {
			return err
		}
		text := out.Text
		if len(final) > 0 {
			text = repin(p, text, func(fp string) string {
				if to, ok := final[fp]; ok {
					return to
				}
				return fp
			})
		}
		s.put(p, p, p, s.unpin(p, text))
	}
	return nil
}

// unpin takes out the pins of rigs that somebody decided to remove.
func (s *set) unpin(path string, text []byte) []byte {
	v, err := file.Values(path, text)
	if text == nil || err != nil {
		return text
	}
	var edits []file.Edit
	for i, pin := range preset.DecodeJob("", v).Pins {
		if rig, merged := s.texts[preset.RigPath(pin.Rig)]; merged && rig == nil && pin.Revision == "" {
			edits = append([]file.Edit{{Key: file.Join("pin", i), Delete: true}}, edits...)
			s.note(path, fmt.Sprintf("the pin of rig %s is taken out, as the rig is removed", pin.Rig))
		}
	}
	if len(edits) == 0 {
		return text
	}
	d, err := file.Parse(path, text)
	if err == nil {
		d, err = d.Apply(edits...)
	}
	if err != nil {
		return text
	}
	return d.Text()
}

// repin points the pins without a revision of an open job elsewhere.
func repin(path string, text []byte, to func(fp string) string) []byte {
	if text == nil {
		return nil
	}
	v, err := file.Values(path, text)
	if err != nil {
		return text
	}
	j := preset.DecodeJob("", v)
	var edits []file.Edit
	for i, pin := range j.Pins {
		if now := to(pin.Rig); pin.Revision == "" && now != pin.Rig && j.State == "open" {
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "rig"), Value: now})
		}
	}
	if len(edits) == 0 {
		return text
	}
	d, err := file.Parse(path, text)
	if err != nil {
		return text
	}
	if d, err = d.Apply(edits...); err != nil {
		return text
	}
	return d.Text()
}

// diff turns the merged texts into what differs from ours.
func (s *set) diff() error {
	for path, text := range s.texts {
		if from := s.origin[path][0]; from != path {
			if _, kept := s.texts[from]; !kept {
				there, err := s.in.Ours.Read(from)
				if err != nil {
					return err
				}
				if there != nil {
					s.out.Files[from] = nil
				}
			}
		}
		if theirs, ok := s.moved[path]; ok && sameText(theirs, text) {
			s.out.Files[path] = text
			continue
		}
		now, err := s.in.Ours.Read(path)
		if err != nil {
			return err
		}
		if !sameText(now, text) {
			s.out.Files[path] = text
		}
	}
	return nil
}
