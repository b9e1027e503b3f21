// Package preset holds what a library keeps: rigs, tunes, proofs, bench logs
// and jobs, with their fingerprints and their places. It turns checked
// documents into values and values into documents; it does no I/O. The models
// that compute with them live in the folders below.
package preset

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset/assembly"
	"rigkeep/preset/domain"
	"rigkeep/preset/file"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
	"rigkeep/schema"
)

// Part is one piece of a build, SI: kg, m, rad. Zero dimensions mean not given.
type Part struct {
	Slot, Name, Shape, Note string
	Mass                    float64
	Size                    [3]float64 // box, full edges
	Diameter, Bore, Length  float64
	Axis                    string  // "x", "y", "z"; "" is x
	Density                 float64 // kg/m³, for a part with a mass only; 0 for the usual
	From                    string  // the part of the shop that it was taken from; "" for a typed one
	Inside                  bool    // it lies inside another part on purpose

	// Balance point and middle of the outline from the seat, in the part's own frame; nil is
	// unknown. Mounts are where other parts attach.
	CG, Centre *[3]float64
	Mounts     []assembly.Mount

	// Where it attaches: on a mount of another part, shifted along the mount's axes; or with
	// its seat at Seat in the build. Turn is about the seat.
	On    string // "slot.mount", "" for none
	Shift [3]float64
	Seat  *[3]float64
	Turn  [3]float64 // about x, then y, then z

	// What joining the parts gives: the balance point in the build, unless PlaceUnknown; what
	// leads from there to the middle of the outline; how the part lies, nil for as Turn says.
	Place        [3]float64
	PlaceUnknown bool
	Outline      [3]float64
	Lies         *mass.Rotation
	SitsOn       string // the mount, named or chosen
}

// Label names a part for people.
func (p Part) Label() string {
	if p.Slot == "" {
		return p.Name
	}
	return p.Slot + ": " + p.Name
}

// Resonance is a piece of the build that rings on one axis.
type Resonance struct {
	Axis    schema.Axis
	Hz      float64
	Damping float64 // ratio
	Share   float64 // of the axis's inertia
}

// Rig is a build on a gimbal.
type Rig struct {
	ID         string // the folder it lies in, "" for a sheet that is not in a library
	Edited     string // its fingerprint where it was changed by hand and is not saved, else ""
	Alias      string
	Gimbal     string // slug of the sheet
	Note       string
	Was        []string // earlier fingerprints, oldest first
	CloneOf    string   // fingerprint of the rig that it was cloned from
	Origin     string   // from where typed places count, in words
	Weighed    float64  // kg, the whole build on a scale; 0 for not weighed
	Parts      []Part
	Resonances []Resonance
	Fault      error // why the parts cannot be joined
}

// decodeRig leaves the mounts of a part in no order of their own: values do not say which
// stands first, and where parts lie may depend on that.
func decodeRig(fp string, doc schema.Tree) Rig {
	f := schema.Flatten(doc)
	r := Rig{ID: fp, Alias: f.Str("alias"), Gimbal: f.Str("gimbal"), Note: f.Str("note"), Was: f.Strs("was")}
	r.CloneOf, r.Origin, r.Weighed = f.Str("clone_of"), f.Str("origin"), f.NumOr("weighed_kg", 0)
	for i := range f.Len("part") {
		r.Parts = append(r.Parts, decodePart(f, fmt.Sprintf("part[%d].", i)))
	}
	r.Join()
	for i := range f.Len("resonance") {
		at := fmt.Sprintf("resonance[%d].", i)
		a, _ := schema.ParseAxis(f.Str(at + "axis"))
		r.Resonances = append(r.Resonances, Resonance{a, f.NumOr(at+"hz", 0), f.NumOr(at+"damping", 0), f.NumOr(at+"share", 0)})
	}
	return r
}

// decodePart reads the part whose keys begin with at.
func decodePart(f schema.Flat, at string) Part {
	p := Part{Slot: f.Str(at + "slot"), Name: f.Str(at + "name"), Shape: f.Str(at + "shape"), Note: f.Str(at + "note"), Axis: f.Str(at + "axis"),
		From: f.Str(at + "from"), On: f.Str(at + "on"), Inside: f.Bool(at + "inside"), Density: f.NumOr(at+"density_kg_m3", 0)}
	for u, scale := range massUnits {
		if v, ok := f.Num(at + "mass_" + u); ok {
			p.Mass = v * scale
		}
	}
	for _, u := range []struct {
		unit  string
		scale float64
	}{{"_mm", 1e-3}, {"_in", unit.Inch}} {
		for _, d := range []struct {
			key string
			to  *float64
		}{{"diameter", &p.Diameter}, {"bore", &p.Bore}, {"length", &p.Length}} {
			if v, ok := f.Num(at + d.key + u.unit); ok {
				*d.to = v * u.scale
			}
		}
		if v := scaled(f, at+"size"+u.unit, u.scale); v != nil {
			p.Size = *v
		}
		if v := scaled(f, at+"place"+u.unit, u.scale); v != nil {
			p.Seat = v
		}
	}
	p.CG, p.Centre = scaled(f, at+"cg_mm", 1e-3), scaled(f, at+"centre_mm", 1e-3)
	if v := scaled(f, at+"shift_mm", 1e-3); v != nil {
		p.Shift = *v
	}
	if v := scaled(f, at+"turn_deg", math.Pi/180); v != nil {
		p.Turn = *v
	}
	for _, name := range f.Names(at + "mount") {
		m := assembly.Mount{Name: name, Takes: f.Strs(at + "mount." + name + ".takes")}
		if v := scaled(f, at+"mount."+name+".at_mm", 1e-3); v != nil {
			m.At = *v
		}
		if v := scaled(f, at+"mount."+name+".turn_deg", math.Pi/180); v != nil {
			m.Turn = *v
		}
		p.Mounts = append(p.Mounts, m)
	}
	return p
}

// inOrder sorts mounts as their names are listed; those that are not listed come last.
func inOrder(mounts []assembly.Mount, names []string) []assembly.Mount {
	rank := func(m assembly.Mount) int {
		if i := slices.Index(names, m.Name); i >= 0 {
			return i
		}
		return len(names)
	}
	slices.SortStableFunc(mounts, func(a, b assembly.Mount) int { return rank(a) - rank(b) })
	return mounts
}

// inFileOrder is a build with its mounts as they stand in its text: a part that names no mount
// takes the first that is free. It asks for the Doc only where that can matter, as in few builds
// it does; nil changes nothing.
func (r Rig) inFileOrder(text func() *file.Doc) Rig {
	chooses := func(p Part) bool { return p.On == "" && p.Seat == nil }
	several := func(p Part) bool { return len(p.Mounts) > 1 }
	if !slices.ContainsFunc(r.Parts, chooses) || !slices.ContainsFunc(r.Parts, several) {
		return r
	}
	doc := text()
	if doc == nil {
		return r
	}
	for i := range r.Parts {
		p := &r.Parts[i]
		p.Mounts = inOrder(p.Mounts, mountOrder(doc, fmt.Sprintf("part[%d].", i)))
	}
	r.Join()
	return r
}

// mountOrder lists the mounts of the part at a path ("" or "part[0].") in the order of the text.
func mountOrder(doc *file.Doc, at string) []string {
	var out []string
	for _, t := range doc.Tables() {
		if name, ok := strings.CutPrefix(t, at+"mount."); ok && !strings.Contains(name, ".") {
			out = append(out, name)
		}
	}
	return out
}

// massUnits are the units of a mass by the tail of its key.
var massUnits = map[string]float64{"kg": 1, "g": unit.Gram, "lb": unit.Pound, "oz": unit.Ounce}

func scaled(f schema.Flat, key string, scale float64) *[3]float64 {
	v := f.Nums(key)
	if len(v) != 3 {
		return nil
	}
	return &[3]float64{v[0] * scale, v[1] * scale, v[2] * scale}
}

// Join works out where every part lies: it fills in what is said of that in Part, and
// Fault where the parts cannot be joined. A part that is typed at a place and has no
// balance point of its own balances there.
func (r *Rig) Join() {
	as := make([]assembly.Part, len(r.Parts))
	vec := func(v *[3]float64) *mass.Vec {
		if v == nil {
			return nil
		}
		w := mass.Vec(*v)
		return &w
	}
	for i, p := range r.Parts {
		as[i] = assembly.Part{Slot: p.Slot, Name: p.Name, CG: vec(p.CG), Centre: vec(p.Centre), Mounts: p.Mounts, On: p.On,
			Shift: mass.Vec(p.Shift), Place: vec(p.Seat), Turn: assembly.Turn(p.Turn)}
		if p.Seat != nil && p.CG == nil {
			at := mass.Vec{}
			if p.Centre != nil {
				at = mass.Vec(*p.Centre)
			}
			as[i].CG = &at
		}
	}
	placed, _, err := assembly.Join(as)
	r.Fault = err
	for i := range r.Parts {
		p := &r.Parts[i]
		p.Place, p.PlaceUnknown, p.Outline, p.Lies, p.SitsOn = [3]float64{}, true, [3]float64{}, nil, ""
		if err != nil {
			continue
		}
		x := placed[i]
		p.Lies, p.SitsOn = &x.Turn, x.On
		if x.CG != nil {
			p.PlaceUnknown, p.Place = false, *x.CG
			if x.Centre != nil {
				p.Outline = x.Centre.Sub(*x.CG)
			}
		}
	}
}

// MassParts gives the build to the mass model. Parts whose balance point is unknown lie
// at the origin: ask Properties first.
func (r Rig) MassParts() []mass.Part {
	axes := map[string]mass.Vec{"": {1, 0, 0}, "x": {1, 0, 0}, "y": {0, 1, 0}, "z": {0, 0, 1}}
	out := make([]mass.Part, len(r.Parts))
	for i, p := range r.Parts {
		turn := mass.Turn{On: p.Lies}
		if p.Lies == nil {
			turn = mass.Turn{Roll: p.Turn[0], Tilt: p.Turn[1], Pan: p.Turn[2]}
		}
		out[i] = mass.Part{
			Name: p.Label(), Slot: p.Slot, Shape: mass.Shape(p.Shape), Mass: p.Mass, Size: mass.Vec(p.Size),
			Radius: p.Diameter / 2, Bore: p.Bore / 2, Length: p.Length, Axis: axes[p.Axis],
			Turn: turn, Place: mass.Vec(p.Place), Outline: mass.Vec(p.Outline), Density: p.Density,
		}
	}
	return out
}

// Mass is the sum of the parts, kg.
func (r Rig) Mass() float64 {
	var m float64
	for _, p := range r.Parts {
		m += p.Mass
	}
	return m
}

// A weighed total that is off the sum of the parts by more than both is told (common
// practice, no source).
const (
	weighedShare = 0.02
	weighedKg    = 0.020
)

// WeighedOff is by how much, kg, the sum of the parts misses the weighed total; ok where that is
// more than a scale's error.
func (r Rig) WeighedOff() (d float64, ok bool) {
	d = math.Abs(r.Weighed - r.Mass())
	return d, r.Weighed > 0 && d > math.Max(weighedKg, weighedShare*r.Weighed)
}

// Properties computes mass, centre of gravity and inertia.
//
// Errors: *domain.Unknown where a balance point is unknown; *domain.Error for parts that
// cannot be joined or a number out of domain.
func (r Rig) Properties() (mass.Properties, error) {
	if r.Fault != nil {
		return mass.Properties{}, r.Fault
	}
	for _, p := range r.Parts {
		if !p.PlaceUnknown {
			continue
		}
		if p.CG == nil {
			return mass.Properties{}, &domain.Unknown{Needs: "the balance point of " + p.Label(), Key: "cg_mm", Do: "find where it balances on an edge, and measure from its seat"}
		}
		return mass.Properties{}, &domain.Unknown{Needs: "where " + p.Label() + " attaches", Key: "on", Do: "name a mount of another part"}
	}
	return mass.Build(r.MassParts())
}

// Overlaps are the parts that lie inside each other further than a ruler's error, but for those
// that say they do so on purpose. Parts whose place is unknown are left out.
func (r Rig) Overlaps() []fit.Overlap {
	var known []mass.Part
	for i, p := range r.MassParts() {
		if !r.Parts[i].PlaceUnknown && !r.Parts[i].Inside {
			known = append(known, p)
		}
	}
	if len(known) == 0 {
		return nil
	}
	out, err := fit.Overlaps(known)
	if err != nil {
		return nil // Check says what is wrong
	}
	return out
}

// Check reports parts that make no build; what is only unknown is no fault.
func (r Rig) Check() error {
	_, err := r.Properties()
	if IsUnknown(err) && r.Fault == nil {
		_, err = mass.Build(r.MassParts()) // what is known must still be in domain
	}
	return err
}

// IsUnknown reports whether an answer failed only because something is not known yet.
func IsUnknown(err error) bool {
	var u *domain.Unknown
	return errors.As(err, &u)
}

// TiltRange is the tilt travel that matters for a tune, rad about y (positive
// is nose down): the tune's limits where set, else the sheet's travel, else a quarter
// turn either way.
func TiltRange(sheet *schema.Sheet, t *Tune) (lo, hi float64) {
	up, down := math.Inf(1), math.Inf(1)
	if sheet != nil && sheet.TiltUpDeg != nil {
		up = *sheet.TiltUpDeg
	}
	if sheet != nil && sheet.TiltDownDeg != nil {
		down = *sheet.TiltDownDeg
	}
	if t != nil {
		if v, ok := t.Num("limits.tilt.up_deg"); ok {
			up = math.Min(up, v)
		}
		if v, ok := t.Num("limits.tilt.down_deg"); ok {
			down = math.Min(down, v)
		}
	}
	if math.IsInf(up, 1) {
		up = 90
	}
	if math.IsInf(down, 1) {
		down = 90
	}
	return -up * math.Pi / 180, down * math.Pi / 180
}

// Head is the sheet's three motor axes for the mass model.
func Head(sheet *schema.Sheet) mass.Head {
	joint := func(a schema.Axis, dir mass.Vec) mass.Joint {
		return mass.Joint{Axis: mass.Line{Point: mass.Vec(sheet.Axes[a].Point), Dir: dir}, Own: sheet.Axes[a].Moving}
	}
	return mass.Head{Pan: joint(schema.Pan, mass.Vec{0, 0, 1}), Roll: joint(schema.Roll, mass.Vec{1, 0, 0}), Tilt: joint(schema.Tilt, mass.Vec{0, 1, 0})}
}

// Inertias is the worst inertia about each motor axis over the tilt range, kg·m², with
// the build balanced and the gimbal's own moving parts included.
func (r Rig) Inertias(sheet *schema.Sheet, t *Tune) ([3]mass.Moment, error) {
	var out [3]mass.Moment
	p, err := r.Balanced(sheet)
	if err != nil {
		return out, err
	}
	lo, hi := TiltRange(sheet, t)
	m, err := p.Moments(Head(sheet), lo, hi)
	if err != nil {
		return out, err
	}
	out[schema.Pan], out[schema.Roll], out[schema.Tilt] = m.Pan, m.Roll, m.Tilt
	return out, nil
}

// InertiaAt gives the inertia about an axis at a tilt in degrees, up positive, in kg·m² to
// four digits; 0 where the build does not tell it.
//
// Source: Inertias.
func (r Rig) InertiaAt(sheet *schema.Sheet) func(a schema.Axis, tiltDeg float64) float64 {
	js, err := r.Inertias(sheet, nil)
	return func(a schema.Axis, tiltDeg float64) float64 {
		if err != nil {
			return 0
		}
		return Rounded(js[a].Form.At(-tiltDeg*math.Pi/180), 4)
	}
}

// WithoutPart leaves out the one part with the given slot or name; case does
// not matter. None or several is an error that lists what there is.
func WithoutPart(parts []Part, name string) ([]Part, error) {
	var out []Part
	var have []string
	for _, p := range parts {
		have = append(have, p.Slot)
		if strings.EqualFold(p.Slot, name) || strings.EqualFold(p.Name, name) {
			continue
		}
		out = append(out, p)
	}
	switch len(parts) - len(out) {
	case 0:
		return nil, fmt.Errorf("the build has no part %q; it has: %s", name, strings.Join(have, ", "))
	case 1:
		return out, nil
	}
	return nil, fmt.Errorf("%q names %d parts; give the name of one", name, len(parts)-len(out))
}
