package handover

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Options say how to take a handover in.
type Options struct {
	On      string         // convert to this gimbal; "" takes it as it is
	Alias   string         // give the rig this alias; goes with a handover of one rig
	Jobs    bool           // take the jobs in too
	Choices *merge.Choices // settlements of conflicts; may be nil
}

// Acceptance is what taking a handover in would do, worked out and checked, not done. It is also
// what reading one shows.
type Acceptance struct {
	Plan        *library.Plan
	Base        store.Rev // where the two histories part, as an extracted revision; "" if they share nothing
	Conversions []Conversion
	Conflicts   []merge.Conflict // while there are any, there is no Plan
	Taken       []merge.Accepted
	Notes       []merge.Note
	Jobs        []string // jobs that come in
	JobsLeft    []string // jobs that do not, because they were not asked for or are here already
	Photos      int      // how many come in
	Units       []UnitChange
}

// Old is why a handover is not taken in: all of it is here already.
type Old struct {
	Since  int  // how many revisions the library is further
	Same   bool // nothing was changed here since
	Accept *store.Commit
	zone   *time.Location // in which it is said; nil is the commit's own
}

func (o *Old) Error() string {
	s := "already in the library"
	if o.Accept != nil {
		s += ", since " + schema.SayMoment(o.Accept.When, o.zone) + " (" + o.Accept.Author.Name + ")"
	}
	if !o.Same {
		s = fmt.Sprintf("this handover is %s older than your library; %s", schema.Count(o.Since, "revision", "revisions"), s)
	}
	return s
}

// Unwrap gives the class: nothing to do for the same once more, distrust for an older state over
// a newer one.
func (o *Old) Unwrap() error {
	if o.Same {
		return store.ErrNothing
	}
	return store.ErrDamaged
}

// Accept works out what taking the handover in would do.
//
// Errors: *Old; ErrBadPath for a conversion that cannot be made, with what is missing; ErrChanged
// if the gimbal's dials mean something else here; those of reading and merging.
func Accept(l *library.Library, p *Package, o Options) (*Acceptance, error) {
	head, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	x := &accepting{l: l, p: p, o: o, head: head, a: &Acceptance{}, theirs: map[string][]byte{}, base: map[string][]byte{}, ours: map[string]bool{}}
	for _, step := range []func() error{x.place, x.meet, x.sides, x.proofs, x.dials, x.merge, x.jobs, x.photos, x.units} {
		if err := step(); err != nil {
			if old := (*Old)(nil); errors.As(err, &old) && old.Same {
				return x.unitsAlone(old)
			}
			return nil, err
		}
	}
	if len(x.a.Conflicts) > 0 {
		return x.a, nil
	}
	x.a.Plan, err = l.Plans().Incoming(x.files, x.moves, p.History)
	return x.a, err
}

// unitsAlone takes in what a handover says of units where its rigs are here already: a unit's
// record changes without the rigs. old is returned where there is nothing new of them either.
func (x *accepting) unitsAlone(old *Old) (*Acceptance, error) {
	if x.to != nil {
		c := newConverter(x.l.Cat, x.to, x.p.Rigs)
		if _, err := c.files(x.p.Files, true); err != nil {
			return nil, old
		}
		x.a.Conversions = c.made
	}
	x.files = map[string][]byte{}
	if err := x.units(); err != nil {
		return nil, err
	}
	if len(x.files) == 0 {
		return nil, old
	}
	x.a.Conversions, x.a.Notes = nil, append(x.a.Notes, merge.Note{Path: preset.RigPath(x.p.Rigs[0].ID), Text: "the rigs are here already; only what became of the units comes in"})
	var err error
	x.a.Plan, err = x.l.Plans().Incoming(x.files, nil, nil)
	return x.a, err
}

// accepting is one run of Accept.
type accepting struct {
	l    *library.Library
	p    *Package
	o    Options
	head store.Rev
	a    *Acceptance

	prints       map[string]RigEntry // every fingerprint that one of the rigs has or had, here or there
	ours         map[string]bool     // the library's files that are about these rigs
	base, theirs map[string][]byte
	to           *schema.Sheet // of the gimbal to convert to
	files        map[string][]byte
	moves        []library.Move
}

// place finds the rigs here, and which files of the library are about them.
func (x *accepting) place() error {
	x.prints = map[string]RigEntry{}
	if x.o.On != "" {
		var err error
		if x.to, err = x.l.Sheet("", x.o.On); err != nil {
			return err
		}
	}
	if x.o.Alias != "" && len(x.p.Rigs) != 1 {
		return &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("another alias goes with one rig; this handover has %d", len(x.p.Rigs)), Hint: "Rename them after accepting: rigkeep rig rename"}
	}
	for i, r := range x.p.Rigs {
		for _, fp := range x.names(r) {
			x.prints[fp] = x.p.Manifest.Rigs[i]
		}
	}
	rigs, err := x.l.Names().Rigs()
	if err != nil {
		return err
	}
	for _, r := range rigs {
		for _, fp := range append([]string{r.Fingerprint}, r.Was...) {
			e, ok := x.prints[fp]
			if !ok {
				continue
			}
			for _, fp := range append([]string{r.Fingerprint}, r.Was...) {
				if _, taken := x.prints[fp]; !taken {
					x.prints[fp] = e
				}
			}
			break
		}
	}
	for fp := range x.prints {
		files, err := x.l.Store.Revisions().ListAt(x.head, preset.RigDir(fp)+"/")
		if err != nil {
			return err
		}
		for _, f := range files {
			if x.selected(f.Path) {
				x.ours[f.Path] = true
			}
		}
	}
	return nil
}

// names are the fingerprints that a rig of the handover has, had, and will have here.
func (x *accepting) names(r Rig) []string {
	out := append(slices.Clone(r.Was), r.ID)
	if x.to != nil {
		moved := r.Rig
		moved.Gimbal = x.to.Slug
		out = append(out, moved.Fingerprint())
	}
	return out
}

// selected says whether a path is about the rigs, and among the tunes that were handed over.
func (x *accepting) selected(path string) bool {
	p, ok := preset.Locate(path)
	e, about := x.prints[p.Rig]
	return ok && about && (p.Kind != schema.KindTune || e.Whole || slices.Contains(e.Tunes, p.Name))
}

// maxCriss is how often, and how many at once, histories that were merged crosswise are brought
// together to find where they part; beyond it the newest place is taken.
const maxCriss = 4

// aliases refuses a rig that is new here under a name that another rig has.
func (x *accepting) aliases() error {
	rigs, err := x.l.Names().Rigs()
	if err != nil {
		return err
	}
	for _, path := range sortedPaths(x.theirs) {
		p, _ := preset.Locate(path)
		if p.Kind != schema.KindRig {
			continue
		}
		theirs, err := preset.UncheckedRig(path, x.theirs[path])
		if err != nil {
			return err
		}
		for _, r := range rigs {
			if _, about := x.prints[r.Fingerprint]; !about && r.Alias == theirs.Alias {
				return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("another rig here is called %s already: %s on %s", theirs.Alias, r.Fingerprint, r.Gimbal),
					Hint: "Give the incoming one another name with --alias NAME", Paths: []string{path}}
			}
		}
	}
	return nil
}

func (x *accepting) note(path, text string) {
	x.a.Notes = append(x.a.Notes, merge.Note{Path: path, Text: text})
}

// here reads a file of the library's last revision; nil if there is none.
func (x *accepting) here(path string) ([]byte, error) {
	data, err := x.l.Store.Revisions().ReadAt(x.head, path)
	if store.ExitClass(err) == 3 {
		return nil, nil
	}
	return data, err
}

// proofs sees to it that no proof becomes ours by being taken in. One of our own stays; one of
// theirs comes in where there is none of ours, ended.
func (x *accepting) proofs() error {
	for _, path := range sortedPaths(x.theirs) {
		p, _ := preset.Locate(path)
		if p.Kind != schema.KindTune {
			continue
		}
		theirs, err := file.Parse(path, x.theirs[path])
		if err != nil {
			return err
		}
		if _, ok := theirs.Get("proof"); !ok {
			continue
		}
		var own *file.Doc
		for ours := range x.ours {
			if q, _ := preset.Locate(ours); q.Kind == schema.KindTune && q.Name == p.Name && x.prints[q.Rig].Fingerprint == x.prints[p.Rig].Fingerprint {
				text, err := x.here(ours)
				if err != nil {
					return err
				}
				if own, err = file.Parse(ours, text); err != nil {
					return err
				}
			}
		}
		next, err := x.proof(theirs, own)
		if err != nil {
			return err
		}
		x.theirs[path] = next.Text()
	}
	return nil
}

func (x *accepting) proof(theirs, own *file.Doc) (*file.Doc, error) {
	if own != nil {
		mine := preset.TuneIn(x.l.Cat, own)
		if mine.Proof != nil && !strings.HasPrefix(mine.Proof.Ended, preset.EndedByHandover) {
			t := preset.TuneIn(x.l.Cat, theirs)
			if t.Proof != nil && !t.Proof.At.Equal(mine.Proof.At) {
				x.note(own.Name(), fmt.Sprintf("kept our proof of %s; theirs (%s, unit %s) is in the history", schema.SayDay(mine.Proof.At, x.l.Zone), schema.SayDay(t.Proof.At, x.l.Zone), t.Proof.Unit))
			}
			d, err := theirs.Delete("proof")
			if err != nil {
				return nil, err
			}
			return d.Graft("proof", own, "proof")
		}
	}
	t := preset.TuneIn(x.l.Cat, theirs)
	if t.Proof != nil && strings.HasPrefix(t.Proof.Ended, preset.EndedByHandover) {
		return theirs, nil
	}
	if t.Proof != nil && t.Proof.Unit != "" {
		x.note(theirs.Name(), fmt.Sprintf("tested on unit %s; same dials, so the numbers are copied, but another unit needs its own proof", t.Proof.Unit))
	}
	return merge.AddStale(theirs, []string{preset.EndedByHandover + "from " + x.p.Sender.Name + ", not proved here"}, merge.ProofGroups(theirs)...)
}

// merge brings the sides together by key.
func (x *accepting) merge() error {
	paths := map[string]bool{}
	for _, m := range []map[string][]byte{x.base, x.theirs} {
		for p := range m {
			paths[p] = true
		}
	}
	for p := range x.ours {
		paths[p] = true
	}
	in := merge.SetInput{Cat: x.l.Cat, Base: tree{x, x.base}, Ours: tree{x, nil}, Theirs: tree{x, x.theirs}, Choices: x.o.Choices}
	all := make(map[string][]byte)
	for p := range paths {
		all[p] = nil
	}
	for _, p := range sortedPaths(all) {
		ours, err := x.here(p)
		if err != nil {
			return err
		}
		if !bytes.Equal(ours, x.base[p]) || (ours == nil) != (x.base[p] == nil) {
			in.OursChanged = append(in.OursChanged, p)
		}
		if !bytes.Equal(x.theirs[p], x.base[p]) || (x.theirs[p] == nil) != (x.base[p] == nil) {
			in.TheirsChanged = append(in.TheirsChanged, p)
		}
	}
	out, err := merge.Set(in)
	if err != nil {
		return err
	}
	x.a.Conflicts, x.a.Taken, x.a.Notes = out.Conflicts, out.Taken, append(x.a.Notes, out.Notes...)
	x.files = out.Files
	return x.findMoves()
}

// findMoves says which rigs of the library go to a new fingerprint.
func (x *accepting) findMoves() error {
	for _, path := range sortedPaths(x.files) {
		p, ok := preset.Locate(path)
		if !ok || p.Kind != schema.KindRig || x.files[path] == nil {
			continue
		}
		r, err := preset.UncheckedRig(path, x.files[path])
		if err != nil {
			return err
		}
		for _, w := range r.Was {
			if text, gone := x.files[preset.RigPath(w)]; gone && text == nil {
				x.moves = append(x.moves, library.Move{Alias: r.Alias, From: w, To: p.Rig})
			}
		}
	}
	return nil
}

// jobs adds the sender's jobs, where they are asked for and there is none of that name here.
func (x *accepting) jobs() error {
	for _, j := range x.p.Jobs {
		path := preset.JobPath(j.Slug)
		have, err := x.here(path)
		if err != nil {
			return err
		}
		if !x.o.Jobs || have != nil || x.to != nil {
			x.a.JobsLeft = append(x.a.JobsLeft, j.Slug)
			continue
		}
		x.a.Jobs = append(x.a.Jobs, j.Slug)
		if x.files != nil {
			x.files[path] = x.p.Files[path]
		}
	}
	return nil
}

// photos adds the sender's photos that are not here, to where their rig ends up.
func (x *accepting) photos() error {
	if x.files == nil {
		return nil // there are conflicts
	}
	for i, r := range x.p.Rigs {
		at := ""
		var prints []string
		for fp, e := range x.prints {
			if e.Fingerprint == x.p.Manifest.Rigs[i].Fingerprint {
				prints = append(prints, fp)
			}
		}
		slices.Sort(prints)
		for _, fp := range append(prints, x.names(r)...) {
			text, touched := x.files[preset.RigPath(fp)]
			if !touched {
				var err error
				if text, err = x.here(preset.RigPath(fp)); err != nil {
					return err
				}
			}
			if text != nil {
				at = preset.RigDir(fp)
			}
		}
		if at == "" {
			continue
		}
		have, err := x.l.Store.Revisions().ListAt(x.head, at+"/photos/")
		if err != nil {
			return err
		}
		n := len(have)
		for _, path := range r.Photos {
			to := at + path[len(preset.RigDir(r.ID)):]
			switch {
			case slices.ContainsFunc(have, func(f store.Entry) bool { return f.Path == to }):
			case n >= library.MaxPhotos:
				x.note(to, fmt.Sprintf("this photo stays out: the rig has %d already", n))
			default:
				x.files[to] = x.p.Files[path]
				x.a.Photos++
				n++
			}
		}
	}
	return nil
}
