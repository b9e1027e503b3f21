package library

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/assembly"
	"rigkeep/preset/mass"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Build is a build that is to become a rig, and what was settled on the way.
type Build struct {
	Rig  preset.Rig
	Text []byte
	Said []string // mounts that were chosen, places that were taken, what is unknown
}

// BuildRequest is a build from parts of the shop.
type BuildRequest struct {
	Alias, Gimbal string
	Parts         []string          // of the shop, as a person names them; one may stand there twice
	On            map[string]string // slot or part to SLOT.MOUNT
}

// NewBuild joins parts of the shop. It writes nothing.
//
// Errors: an unknown gimbal or part, an alias that is taken, a mount that does not exist or is
// taken, and parts joined in a circle.
func (l Builds) NewBuild(q BuildRequest) (Build, error) {
	r := preset.Rig{Alias: schema.CanonicalName(q.Alias), Gimbal: q.Gimbal}
	used := map[string]bool{}
	for _, name := range q.Parts {
		file, err := l.FindPart(name)
		if err != nil {
			return Build{}, err
		}
		p, err := l.Part("", file)
		if err != nil {
			return Build{}, err
		}
		for _, key := range []string{p.Slot, p.File, strings.TrimSpace(name)} {
			if on, ok := q.On[key]; ok && key != "" && !used[key] {
				p.On, used[key] = on, true
				break
			}
		}
		r.Parts = append(r.Parts, p.Part)
	}
	for key := range q.On {
		if !used[key] {
			return Build{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("--on %s=%s: the build has no part or slot %q", key, q.On[key], key), Hint: "Name a part of --parts, or its slot"}
		}
	}
	chosen, err := settle(&r)
	if err != nil {
		return Build{}, err
	}
	b, err := l.finish(r)
	b.Said = append(chosen, b.Said...)
	return b, err
}

// MassBuild is a build of which only the mass is known, and perhaps its size (m) and where it
// balances (m from its seat). It writes nothing.
func (l Builds) MassBuild(alias, gimbal string, kg float64, size, balance *[3]float64) (Build, error) {
	p := preset.Part{Slot: "build", Name: alias, Mass: kg, CG: balance}
	if size != nil {
		p.Shape, p.Size, p.Centre = "box", *size, &[3]float64{0, 0, size[2] / 2}
	}
	r := preset.Rig{Alias: schema.CanonicalName(alias), Gimbal: gimbal, Parts: []preset.Part{p}}
	r.Join()
	return l.finish(r)
}

// settle chooses the mounts of parts that name none, and writes them into the parts, so
// that the build stays as it is when a part of the shop gets another mount.
func settle(r *preset.Rig) (said []string, err error) {
	before := make([]string, len(r.Parts))
	for i, p := range r.Parts {
		before[i] = p.On
	}
	if r.Join(); r.Fault != nil {
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: r.Fault.Error()}
	}
	var loose []string
	for i := range r.Parts {
		p := &r.Parts[i]
		switch {
		case p.SitsOn != "" && before[i] == "":
			p.On = p.SitsOn
			said = append(said, fmt.Sprintf("%s on %s", p.Label(), p.SitsOn))
		case p.SitsOn == "" && p.Seat == nil:
			loose = append(loose, p.Label())
		}
	}
	if len(loose) > 1 {
		said = append(said, "no mount takes "+strings.Join(loose, ", ")+": where they sit stays unknown, and so do centre of gravity and marks")
	}
	return said, nil
}

// finish names a build by its fingerprint, looks whether it may be added, and writes its sheet.
func (l Builds) finish(r preset.Rig) (Build, error) {
	r.ID = r.Fingerprint()
	text, err := RigText(r)
	if err != nil {
		return Build{}, err
	}
	again, err := l.Edits().AddRig("the new build", text)
	if err != nil {
		return Build{}, err
	}
	if again.ID != r.ID {
		return Build{}, fmt.Errorf("the build has the fingerprint %s and reads as %s: a fault of the program", r.ID, again.ID)
	}
	b := Build{Rig: r, Text: text}
	if _, err := r.Properties(); err != nil {
		b.Said = append(b.Said, err.Error())
	}
	return b, nil
}

// Replace is one part in place of another in a clone: the slot or name of the part that
// goes, and the part of the shop that comes; "" takes it off.
type Replace struct{ Slot, Part string }

// CloneBuild is a rig's build with parts replaced, under another alias. Filters, limits and
// styles stay with the rig and are where a tune of the clone begins. It writes nothing.
//
// A part comes to sit where the old one sat. In a typed build, which does not say where
// the old part's seat was, that is the middle of the old part's back for a lens or filter, and
// of its underside for anything else; Said tells.
//
// Errors: as NewBuild, and for a slot that the rig has not, or twice.
func (l Builds) CloneBuild(from preset.Rig, alias string, replace []Replace) (Build, error) {
	r := from
	r.Alias, r.CloneOf, r.Was, r.Weighed = schema.CanonicalName(alias), from.ID, nil, 0
	r.Parts = slices.Clone(from.Parts)
	var said []string
	for _, x := range replace {
		i, err := onePart(r.Parts, x.Slot)
		if err != nil {
			return Build{}, err
		}
		old := r.Parts[i]
		if x.Part == "" {
			if on := carried(r.Parts, old.Slot); on != "" {
				return Build{}, &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("%s carries %s", old.Label(), on), Hint: "Take that off first: --replace " + on + "="}
			}
			r.Parts = slices.Delete(r.Parts, i, i+1)
			continue
		}
		file, err := l.FindPart(x.Part)
		if err != nil {
			return Build{}, err
		}
		shop, err := l.Part("", file)
		if err != nil {
			return Build{}, err
		}
		p := shop.Part
		p.Slot = old.Slot // what sits on it names it so
		if p.Slot == "" {
			p.Slot = shop.Slot
		}
		p.On, p.Shift, p.Turn = old.SitsOn, old.Shift, old.Turn
		if old.Seat != nil {
			seat, how := seatOf(old)
			p.Seat = &seat
			if how != "" && p.CG != nil {
				said = append(said, fmt.Sprintf("%s: its seat is taken at %s of %s", p.Label(), how, old.Name))
			}
			if p.CG == nil {
				// without a balance point of its own it would balance at its seat
				return Build{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("part %s has no balance point (cg_mm), which a build typed by places needs", file), Hint: "Measure it and add it: rigkeep edit part:" + file}
			}
		}
		r.Parts[i] = p
		if err := rehang(r.Parts, i, old); err != nil {
			return Build{}, err
		}
	}
	if _, err := settle(&r); err != nil {
		return Build{}, err
	}
	b, err := l.finish(r)
	b.Said = append(said, b.Said...)
	return b, err
}

// onePart finds the one part of a slot or name.
func onePart(parts []preset.Part, name string) (int, error) {
	var have []string
	for _, same := range []func(preset.Part) string{func(p preset.Part) string { return p.Slot }, func(p preset.Part) string { return p.From }, func(p preset.Part) string { return p.Name }} {
		var hits []int
		for i, p := range parts {
			if name != "" && schema.CanonicalName(same(p)) == schema.CanonicalName(name) {
				hits = append(hits, i)
			}
		}
		if len(hits) == 1 {
			return hits[0], nil
		}
		if len(hits) > 1 {
			return 0, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q names %d parts of this build", name, len(hits)), Hint: "Give the name of one"}
		}
	}
	for _, p := range parts {
		have = append(have, p.Slot)
	}
	return 0, &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("the build has no part %q", name), Hint: nearest(name, have, "It has: "+strings.Join(have, ", "))}
}

// carried is the slot of a part that sits on the given slot, "" for none.
func carried(parts []preset.Part, slot string) string {
	for _, p := range parts {
		if s, _, ok := cutMount(p.SitsOn); ok && slot != "" && strings.EqualFold(s, slot) {
			return p.Slot
		}
	}
	return ""
}

func cutMount(on string) (slot, mount string, ok bool) {
	i := strings.LastIndex(on, ".")
	if i < 0 {
		return "", "", false
	}
	return on[:i], on[i+1:], true
}

// rehang moves what sat on the old part to the new one: to the mount of the same name, else
// to the one that takes it.
func rehang(parts []preset.Part, i int, old preset.Part) error {
	for j := range parts {
		q := &parts[j]
		slot, mount, ok := cutMount(q.SitsOn)
		if j == i || !ok || !strings.EqualFold(slot, old.Slot) {
			continue
		}
		has := func(f func(assembly.Mount) bool) string {
			if k := slices.IndexFunc(parts[i].Mounts, f); k >= 0 {
				return parts[i].Mounts[k].Name
			}
			return ""
		}
		name := has(func(m assembly.Mount) bool { return m.Name == mount })
		if name == "" {
			name = has(func(m assembly.Mount) bool { return slices.Contains(m.Takes, q.Slot) })
		}
		if name == "" {
			return &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%s has no mount for %s, which sat on %s", parts[i].Label(), q.Label(), q.SitsOn),
				Hint: "Add a mount to the part: rigkeep edit part:" + parts[i].From}
		}
		q.On = parts[i].Slot + "." + name
	}
	return nil
}

// seatOf is where the seat of a typed part lies, m, and how that was told: "" where the
// sheet says it.
func seatOf(p preset.Part) (seat [3]float64, how string) {
	if p.CG != nil || p.From != "" {
		return *p.Seat, ""
	}
	solids, _, err := mass.Solids(preset.Rig{Parts: []preset.Part{p}}.MassParts(), mass.Options{})
	if err != nil || p.Shape == "" || p.Shape == "point" {
		return *p.Seat, "the place"
	}
	seat = [3]float64(solids[0].Middle())
	if slices.Contains([]string{"lens", "filter", "motor", "support"}, p.Slot) {
		seat[0], _ = solids[0].Extent(mass.Vec{1, 0, 0})
		return seat, "the middle of the back"
	}
	seat[2], _ = solids[0].Extent(mass.Vec{0, 0, 1})
	return seat, "the middle of the underside"
}

// Users lists the rigs that use a part of the shop, by alias, and in what way.
func (l Builds) Users(part string) ([]RigRef, error) {
	rigs, err := l.Names().Rigs()
	if err != nil {
		return nil, err
	}
	var out []RigRef
	for _, r := range rigs {
		if r.Fault != "" {
			continue
		}
		// most rigs do not name the part at all, and need no reading
		text, err := l.Store.Work().Read(preset.RigPath(r.Fingerprint))
		if err != nil || !bytes.Contains(text, []byte(part)) {
			continue
		}
		rig, err := l.Rig("", r.Fingerprint)
		if err != nil {
			continue
		}
		if slices.ContainsFunc(rig.Parts, func(p preset.Part) bool { return p.From == part }) {
			out = append(out, r)
		}
	}
	return out, nil
}
