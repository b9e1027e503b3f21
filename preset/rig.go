// Package preset holds what a library keeps: rigs, tunes, proofs, bench logs
// and jobs, with their fingerprints and their places. It turns checked
// documents into values and values into documents; it does no I/O. The models
// that compute with them live in the folders below.
package preset

import (
	"fmt"
	"math"
	"strings"

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
	Axis                    string     // "x", "y", "z"; "" is x
	Turn                    [3]float64 // rad about x, then y, then z
	Place                   [3]float64
	Density                 float64 // kg/m³, for a part with a mass only; 0 for the usual
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
	Fingerprint string // the folder it lies in, "" for a sheet that is not in a library
	Alias       string
	Gimbal      string // slug of the sheet
	Note        string
	Was         []string // earlier fingerprints, oldest first
	Parts       []Part
	Resonances  []Resonance
}

// DecodeRig reads a build sheet that has passed Validate. fp is the folder's
// fingerprint.
func DecodeRig(fp string, doc schema.Tree) Rig {
	f := schema.Flatten(doc)
	r := Rig{Fingerprint: fp, Alias: f.Str("alias"), Gimbal: f.Str("gimbal"), Note: f.Str("note"), Was: f.Strs("was")}
	for i := range f.Len("part") {
		at := fmt.Sprintf("part[%d].", i)
		p := Part{Slot: f.Str(at + "slot"), Name: f.Str(at + "name"), Shape: f.Str(at + "shape"), Note: f.Str(at + "note"), Axis: f.Str(at + "axis")}
		for _, m := range []struct {
			key   string
			scale float64
		}{{"mass_kg", 1}, {"mass_g", 1e-3}, {"mass_lb", unit.Pound}} {
			if v, ok := f.Num(at + m.key); ok {
				p.Mass = v * m.scale
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
			for _, d := range []struct {
				key string
				to  *[3]float64
			}{{"size", &p.Size}, {"place", &p.Place}} {
				if v := f.Nums(at + d.key + u.unit); len(v) == 3 {
					*d.to = [3]float64{v[0] * u.scale, v[1] * u.scale, v[2] * u.scale}
				}
			}
		}
		if v := f.Nums(at + "turn_deg"); len(v) == 3 {
			for j := range v {
				p.Turn[j] = v[j] * math.Pi / 180
			}
		}
		p.Density = f.NumOr(at+"density_kg_m3", 0)
		r.Parts = append(r.Parts, p)
	}
	for i := range f.Len("resonance") {
		at := fmt.Sprintf("resonance[%d].", i)
		a, _ := schema.ParseAxis(f.Str(at + "axis"))
		r.Resonances = append(r.Resonances, Resonance{a, f.NumOr(at+"hz", 0), f.NumOr(at+"damping", 0), f.NumOr(at+"share", 0)})
	}
	return r
}

// MassParts gives the build to the mass model.
func (r Rig) MassParts() []mass.Part {
	axes := map[string]mass.Vec{"": {1, 0, 0}, "x": {1, 0, 0}, "y": {0, 1, 0}, "z": {0, 0, 1}}
	out := make([]mass.Part, len(r.Parts))
	for i, p := range r.Parts {
		out[i] = mass.Part{
			Name: fmt.Sprintf("%s: %s", p.Slot, p.Name), Slot: p.Slot, Shape: mass.Shape(p.Shape), Mass: p.Mass, Size: mass.Vec(p.Size),
			Radius: p.Diameter / 2, Bore: p.Bore / 2, Length: p.Length, Axis: axes[p.Axis],
			Turn: mass.Turn{Roll: p.Turn[0], Tilt: p.Turn[1], Pan: p.Turn[2]}, Place: mass.Vec(p.Place), Density: p.Density,
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

// Properties computes mass, centre of gravity and inertia.
func (r Rig) Properties() (mass.Properties, error) { return mass.Build(r.MassParts()) }

// TiltRange is the tilt travel that matters for a tune, rad about y (positive
// is nose down): the tune's limits where set, else the sheet's travel.
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
		up = 0
	}
	if math.IsInf(down, 1) {
		down = 0
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

// Inertias is the worst inertia about each motor axis over the tilt range,
// kg·m², the gimbal's own moving parts included.
func (r Rig) Inertias(sheet *schema.Sheet, t *Tune) ([3]mass.Moment, error) {
	var out [3]mass.Moment
	p, err := r.Properties()
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
