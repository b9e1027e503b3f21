package diffview

import (
	"fmt"
	"math"
	"reflect"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// Build is how two builds differ. Masses in g and kg, lengths in mm, inertias in kg·m².
type Build struct {
	Op           Op           `json:"op"`
	Level        schema.Level `json:"level"`
	Fingerprints [2]string    `json:"fingerprints"`
	Gimbals      [2]string    `json:"gimbals"`
	Parts        []Part       `json:"parts,omitempty"`
	Reordered    bool         `json:"reordered,omitempty"` // same parts, listed in another order
	MassBefore   float64      `json:"mass_before_kg"`
	MassAfter    float64      `json:"mass_after_kg"`
	MassDelta    float64      `json:"mass_delta_g"`
	// CG is the centre of gravity before and after, mm; nil when a side's parts
	// do not make a build.
	CG        *[2][3]float64 `json:"cg_mm,omitempty"`
	CGShift   string         `json:"cg_shift,omitempty"` // "forward 6 mm, down 1 mm"
	Inertia   []Inertia      `json:"inertia,omitempty"`
	InertiaOf string         `json:"inertia_of,omitempty"` // what the inertias are about
	Fields    []Field        `json:"fields,omitempty"`     // alias, note, earlier fingerprints, resonances
	Problems  []string       `json:"problems,omitempty"`   // why something could not be computed

	kept [][2]int // parts that did not change, by index before and after
	b    *preset.Rig
}

// Part is one part that differs. Its place is the centre of it, mm.
type Part struct {
	Op         Op      `json:"op"`
	Slot       string  `json:"slot"`
	Name       string  `json:"name"`          // of the second side, or the removed part's
	Was        string  `json:"was,omitempty"` // of the first side, if another
	MassBefore float64 `json:"mass_before_g"`
	MassAfter  float64 `json:"mass_after_g"`
	MassDelta  float64 `json:"mass_delta_g"`
	Moved      string  `json:"moved,omitempty"` // "back 14 mm"
	Fields     []Field `json:"fields,omitempty"`
	Index      [2]int  `json:"index"` // in the two part lists, −1 for none

	after *preset.Part
}

// Inertia is the inertia about one axis before and after.
type Inertia struct {
	Axis   string  `json:"axis"`
	Before float64 `json:"before_kgm2"`
	After  float64 `json:"after_kgm2"`
	Ratio  float64 `json:"ratio"`
}

// How much a change of build weighs: by the largest change of inertia or mass,
// since stiffness for an equal hold goes with inertia. Common practice, no source.
const (
	notableShare = 0.05
	majorShare   = 0.20
	notableShift = 2.0 // mm of the centre of gravity
)

func (c *comparison) build() {
	a, b := c.a.Rig, c.b.Rig
	switch {
	case a == nil && b == nil:
		return
	case a == nil && c.a.Tune != nil, b == nil && c.b.Tune != nil:
		s := c.a
		if b == nil {
			s = c.b
		}
		c.r.NotCompared = append(c.r.NotCompared, "the builds: no build sheet is known for "+s.Label)
		return
	}
	out := Build{Op: Changed, b: b}
	if a == nil {
		out.Op, a = Added, &preset.Rig{}
	}
	if b == nil {
		out.Op, b = Removed, &preset.Rig{}
	}
	out.Fingerprints = [2]string{a.ID, b.ID}
	out.Gimbals = [2]string{a.Gimbal, b.Gimbal}
	out.parts(a.Parts, b.Parts)
	out.fields(c, a, b)
	// a sheet that lies outside a library has no fingerprint yet, which is no change
	sameFolder := a.ID == b.ID || a.ID == "" || b.ID == ""
	if out.Op == Changed && a.Gimbal == b.Gimbal && sameFolder && out.Parts == nil && !out.Reordered && out.Fields == nil {
		return
	}
	out.MassBefore, out.MassAfter = tidy(a.Mass()), tidy(b.Mass())
	out.MassDelta = tidy((out.MassAfter - out.MassBefore) * 1000)
	out.properties(c, a, b)
	out.weigh(a, b)
	c.r.Build = &out
}

// parts matches by slot and name, equal parts first, then what is left in the
// same slot as a replacement, and the rest as added and removed.
func (o *Build) parts(as, bs []preset.Part) {
	usedA, usedB := make([]bool, len(as)), make([]bool, len(bs))
	pair := func(match func(x, y preset.Part) bool) (out [][2]int) {
		for j := range bs {
			for i := range as {
				if !usedA[i] && !usedB[j] && match(as[i], bs[j]) {
					usedA[i], usedB[j] = true, true
					out = append(out, [2]int{i, j})
				}
			}
		}
		return out
	}
	o.kept = pair(samePart)
	for k := 1; k < len(o.kept); k++ {
		o.Reordered = o.Reordered || o.kept[k][0] < o.kept[k-1][0]
	}
	changed := pair(func(x, y preset.Part) bool { return x.Slot == y.Slot && x.Name == y.Name })
	replaced := pair(func(x, y preset.Part) bool { return x.Slot == y.Slot })
	for _, l := range []struct {
		op    Op
		pairs [][2]int
	}{{Changed, changed}, {Replaced, replaced}} {
		for _, p := range l.pairs {
			o.Parts = append(o.Parts, partChange(l.op, as[p[0]], bs[p[1]], p))
		}
	}
	for j, b := range bs {
		if !usedB[j] {
			o.Parts = append(o.Parts, partChange(Added, preset.Part{}, b, [2]int{-1, j}))
		}
	}
	for i, a := range as {
		if !usedA[i] {
			o.Parts = append(o.Parts, partChange(Removed, a, preset.Part{}, [2]int{i, -1}))
		}
	}
}

// exactly rounds an SI quantity to 1e-9 so that one written in other units, as
// 1205 g for 1.205 kg, is the same.
func exactly(p preset.Part) preset.Part {
	p.Mass, p.Diameter, p.Bore, p.Length, p.Density = tidy(p.Mass), tidy(p.Diameter), tidy(p.Bore), tidy(p.Length), tidy(p.Density)
	for i := range 3 {
		p.Size[i], p.Turn[i], p.Place[i], p.Shift[i] = tidy(p.Size[i]), tidy(p.Turn[i]), tidy(p.Place[i]), tidy(p.Shift[i])
	}
	p.Outline, p.Lies, p.SitsOn, p.Seat = [3]float64{}, nil, "", nil // Place and what it comes of say it
	return p
}

func samePart(a, b preset.Part) bool { return reflect.DeepEqual(exactly(a), exactly(b)) }

func partChange(op Op, a, b preset.Part, at [2]int) Part {
	p := Part{Op: op, Slot: b.Slot, Name: b.Name, Index: at, MassBefore: tidy(a.Mass * 1000), MassAfter: tidy(b.Mass * 1000)}
	p.MassDelta = tidy(p.MassAfter - p.MassBefore)
	if op == Removed {
		p.Slot, p.Name = a.Slot, a.Name
		return p
	}
	p.after = &b
	if op == Added {
		return p
	}
	if a.Name != b.Name {
		p.Was = a.Name
	}
	if d := mass.Vec(b.Place).Sub(mass.Vec(a.Place)); exactly(a).Place != exactly(b).Place {
		p.Moved = d.Words()
		if p.Moved == "none" {
			p.Moved = "less than 1 mm"
		}
	}
	add := func(key, label, unit string, x, y any) {
		if !equal(x, y) {
			f := Field{Key: key, Label: label, Unit: unit, Op: opOf(x, y), Before: x, After: y, Level: schema.Minor, Known: true}
			p.Fields = append(p.Fields, f.finish())
		}
	}
	add("mass", "mass", "g", p.MassBefore, p.MassAfter)
	add("place", "position (forward, left, up)", "mm", millimetres(a.Place), millimetres(b.Place))
	add("shape", "shape", "", present(a.Shape), present(b.Shape))
	add("size", "size", "mm", millimetres(a.Size), millimetres(b.Size))
	add("diameter", "diameter", "mm", given(a.Diameter*1000), given(b.Diameter*1000))
	add("bore", "bore", "mm", given(a.Bore*1000), given(b.Bore*1000))
	add("length", "length", "mm", given(a.Length*1000), given(b.Length*1000))
	add("axis", "direction", "", present(a.Axis), present(b.Axis))
	add("turn", "turn", "°", degrees(a.Turn), degrees(b.Turn))
	add("density", "density", "kg/m³", given(a.Density), given(b.Density))
	add("note", "note", "", present(a.Note), present(b.Note))
	return p
}

// given is a dimension as a value: nil when it is not stated.
func given(v float64) any {
	if v == 0 {
		return nil
	}
	return tidy(v)
}

func vector(v [3]float64, scale float64) any {
	if v == [3]float64{} {
		return nil
	}
	return []any{tidy(v[0] * scale), tidy(v[1] * scale), tidy(v[2] * scale)}
}

func millimetres(v [3]float64) any { return vector(v, 1000) }
func degrees(v [3]float64) any     { return vector(v, 180/math.Pi) }

// fields compares what a rig has besides parts and gimbal.
func (o *Build) fields(c *comparison, a, b *preset.Rig) {
	add := func(f Field) { o.Fields = append(o.Fields, f) }
	if a.Alias != b.Alias {
		add(c.field(schema.KindRig, "alias", present(a.Alias), present(b.Alias)))
	}
	if a.Note != b.Note {
		add(c.field(schema.KindRig, "note", present(a.Note), present(b.Note)))
	}
	if strings.Join(a.Was, "\n") != strings.Join(b.Was, "\n") || len(a.Was) != len(b.Was) {
		add(c.field(schema.KindRig, "was", texts(a.Was), texts(b.Was)))
	}
	for i := range max(len(a.Resonances), len(b.Resonances)) {
		if i < len(a.Resonances) && i < len(b.Resonances) && a.Resonances[i] == b.Resonances[i] {
			continue
		}
		f := Field{Key: fmt.Sprintf("resonance[%d]", i), Label: "resonance of the build", Level: schema.Notable, Known: true}
		if i < len(a.Resonances) {
			f.Before = resonance(a.Resonances[i])
		}
		if i < len(b.Resonances) {
			f.After = resonance(b.Resonances[i])
		}
		f.Op = opOf(f.Before, f.After)
		add(f)
	}
}

func resonance(r preset.Resonance) any {
	return fmt.Sprintf("%s at %s Hz, damping %s, share of inertia %s", r.Axis, num(r.Hz), num(r.Damping), num(r.Share))
}

func texts(l []string) any {
	if len(l) == 0 {
		return nil
	}
	out := make([]any, len(l))
	for i, s := range l {
		out[i] = s
	}
	return out
}

// properties computes what the change of parts does to the centre of gravity
// and the inertias.
func (o *Build) properties(c *comparison, a, b *preset.Rig) {
	if len(a.Parts) == 0 || len(b.Parts) == 0 {
		return
	}
	pa, errA := a.Properties()
	pb, errB := b.Properties()
	for i, err := range []error{errA, errB} {
		if err != nil {
			o.Problems = append(o.Problems, fmt.Sprintf("the inertia of %s cannot be computed: %v", []string{c.a.Label, c.b.Label}[i], err))
		}
	}
	if errA != nil || errB != nil {
		return
	}
	var cg [2][3]float64
	for i := range 3 {
		cg[0][i], cg[1][i] = tidy(pa.CG[i]*1000), tidy(pb.CG[i]*1000)
	}
	if !reflect.DeepEqual(cg[0], cg[1]) {
		o.CG, o.CGShift = &cg, pb.CG.Sub(pa.CG).Words()
		if o.CGShift == "none" {
			o.CGShift = "less than 1 mm"
		}
	}
	var ja, jb [3]float64
	o.InertiaOf = "the build about its centre of gravity"
	if c.a.Sheet != nil && c.b.Sheet != nil {
		ma, errA := a.Inertias(c.a.Sheet, c.a.Tune)
		mb, errB := b.Inertias(c.b.Sheet, c.b.Tune)
		if errA != nil || errB != nil {
			err := errA
			if err == nil {
				err = errB
			}
			o.Problems = append(o.Problems, "the inertia about the motor axes cannot be computed: "+err.Error())
			return
		}
		for _, x := range schema.Axes {
			ja[x], jb[x] = ma[x].Worst(), mb[x].Worst()
		}
		o.InertiaOf = "inertia on each motor, gimbal included, maximum over the tilt range"
	} else {
		for i, x := range []schema.Axis{schema.Roll, schema.Tilt, schema.Pan} {
			ja[x], jb[x] = pa.Inertia[i][i], pb.Inertia[i][i]
		}
	}
	for _, x := range schema.Axes {
		in := Inertia{Axis: x.String(), Before: ja[x], After: jb[x]}
		if ja[x] > 0 {
			in.Ratio = jb[x] / ja[x]
		}
		if math.Abs(in.Ratio-1) > 1e-9 {
			o.Inertia = append(o.Inertia, in)
		}
	}
	if o.Inertia == nil {
		o.InertiaOf = ""
	}
}

func (o *Build) weigh(a, b *preset.Rig) {
	o.Level = schema.Minor
	raise := func(share float64) {
		switch {
		case share >= majorShare:
			o.Level = schema.Major
		case share >= notableShare:
			o.Level = max(o.Level, schema.Notable)
		}
	}
	if o.MassBefore > 0 {
		raise(math.Abs(o.MassAfter/o.MassBefore - 1))
	}
	for _, in := range o.Inertia {
		if in.Ratio > 0 {
			raise(math.Abs(in.Ratio - 1))
		}
	}
	if o.CG != nil && mass.Vec(o.CG[1]).Sub(mass.Vec(o.CG[0])).Len() >= notableShift {
		o.Level = max(o.Level, schema.Notable)
	}
	if a.Fingerprint() != b.Fingerprint() {
		o.Level = max(o.Level, schema.Notable)
	}
	if a.Gimbal != b.Gimbal || o.Op != Changed {
		o.Level = schema.Major
	}
}
