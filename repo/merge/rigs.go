package merge

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

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
		j, err := preset.UncheckedJob(path, text)
		if err != nil {
			return 0
		}
		for _, pin := range j.Pins {
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
		if rig, err := preset.UncheckedRig("", text); err == nil {
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
		if x, err := preset.QuickSheet(s.in.Cat, path, text); err == nil { // else said where the sheet is merged or checked
			sheet = x
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
		t, _ := preset.UncheckedTune(s.in.Cat, in.Path, text)
		return t
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
	return []string{"the build changed on one side and " + schema.List(labels) + " on the other"}
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
