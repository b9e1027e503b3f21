package merge

import (
	"context"
	"errors"
	"maps"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"rigkeep/preset"
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

// group is one rig with all its files, by canonical path.
type group struct {
	id    string // fingerprint in the base
	final string // and where it ends up
	paths []string
	rig   []byte // merged build sheet
	alias string
}

func (s *set) run() error {
	byID, loose := s.group()
	var jobs []string
	for _, p := range loose {
		if place, ok := preset.Locate(p); ok && place.Kind == schema.KindJob {
			jobs = append(jobs, p)
			continue
		}
		if err := s.single(p); err != nil {
			return err
		}
	}
	var untouched []*group // of which nobody changed the build
	for _, id := range slices.Sorted(maps.Keys(byID)) {
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
	s.nameFiles()
	if s.in.Virtual {
		s.out.Conflicts = nil
		return nil
	}
	return s.in.Choices.check(s.shown)
}

// group sorts what either side changed into rigs and files of no rig.
func (s *set) group() (byID map[string]*group, loose []string) {
	byID = map[string]*group{}
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
	return byID, unique(loose)
}

func (s *set) shown(path string) string { return s.names(path)[0] }

// nameFiles says of each conflict, choice and note which file it is in, as a person knows it.
func (s *set) nameFiles() {
	for i := range s.out.Conflicts {
		c := &s.out.Conflicts[i]
		c.File = s.shown(c.Path)
		c.OursPath, c.TheirsPath = firstOf(c.OursPath, c.Path), firstOf(c.TheirsPath, c.Path)
	}
	for i := range s.out.Taken {
		s.out.Taken[i].File = s.shown(s.out.Taken[i].Path)
	}
	for i := range s.out.Notes {
		s.out.Notes[i].File = s.shown(s.out.Notes[i].Path)
	}
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

// isRenamed says whether a rig leaves its folder in this merge.
func (s *set) isRenamed(id, fp string) bool {
	for _, g := range s.groups {
		if g.id == id {
			return g.rig == nil || g.final != fp
		}
	}
	return false
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
