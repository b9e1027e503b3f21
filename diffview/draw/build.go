// Package draw draws a build to scale in three views: from the side, from above and
// from the front, at one scale, with its parts by name, the centre of gravity, the
// motor axes, the space that the gimbal leaves, the tilt limits, and what to move.
// What does not fit is marked and named.
package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// Build is what to draw, SI, axes forward, left, up.
type Build struct {
	Name   string
	Parts  []Part
	CG     mass.Vec
	Clear  *fit.Box             // the space that the gimbal leaves
	Axes   [3]mass.Vec          // a point of each motor axis, by schema.Axis
	Radius [3]float64           // clear radius about each, 0 unknown
	Tilt   *[2]float64          // limits up and down, degrees
	Frame  [2]Reach             // what comes into frame beyond a tilt up and down
	Marks  []Mark               // to set, in working order
	Length func(float64) string // nil is mm
}

// Part is one part as it lies in the balanced build.
type Part struct {
	Name  string
	Solid mass.Part
	Side  float64 // edge taken for a part with a mass only; its outline is dashed
	Over  string  // how it does not fit, "" when it does
}

// Mark is a reading to set on a scale that moves the build along an axis.
type Mark struct {
	Axis int     // 0 along the lens, 1 to the left, 2 up
	Text string  // "fore–aft plate 59 mm"
	By   float64 // m from where the scale stands, 0 where that is not known
}

// Reach is what comes into frame past a tilt; the zero Reach is nothing.
type Reach struct {
	Deg  float64
	What string
}

// Of is the drawing of a rig as it is when it balances, with the report that it rests on.
//
// Errors: those of fit.Check.
func Of(r preset.Rig, sheet *schema.Sheet, t *preset.Tune, lim fit.Limits) (Build, fit.Report, error) {
	rep, err := fit.Check(r.MassParts(), lim, mass.Options{})
	if err != nil {
		return Build{}, rep, err
	}
	b := Build{Name: r.Alias, CG: rep.Properties.CG.Add(rep.Shift), Clear: lim.Clear, Length: lim.Length}
	side := map[string]float64{}
	for _, a := range rep.Properties.Assumed {
		side[a.Part] = a.Side
	}
	for i, p := range r.MassParts() {
		p.Place = p.Place.Add(rep.Shift)
		b.Parts = append(b.Parts, Part{Name: cmp.Or(r.Parts[i].Name, r.Parts[i].Slot), Solid: p, Side: side[p.Name]})
	}
	for _, it := range rep.Balanced {
		if it.Grade != fit.Over {
			continue
		}
		for i := range b.Parts {
			if b.Parts[i].Solid.Name == it.Part {
				b.Parts[i].Over = b.length(math.Ceil(-it.Margin*1000-1e-6)/1000) + " over, " + it.What // never "0 mm"
			}
		}
	}
	b.Radius = [3]float64{schema.Pan: lim.PanRadius, schema.Tilt: lim.TiltRadius, schema.Roll: lim.RollRadius}
	if sheet != nil {
		for _, a := range schema.Axes {
			b.Axes[a] = mass.Vec(sheet.Axes[a].Point)
		}
	}
	b.limits(sheet, t)
	return b, rep, nil
}

// limits are those of the tune, else of the gimbal.
func (b *Build) limits(sheet *schema.Sheet, t *preset.Tune) {
	up, down := math.NaN(), math.NaN()
	if sheet != nil {
		if v := sheet.TiltUpDeg; v != nil {
			up = *v
		}
		if v := sheet.TiltDownDeg; v != nil {
			down = *v
		}
	}
	if t != nil {
		if v, ok := t.Num("limits.tilt.up_deg"); ok {
			up = v
		}
		if v, ok := t.Num("limits.tilt.down_deg"); ok {
			down = v
		}
	}
	if !math.IsNaN(up) && !math.IsNaN(down) {
		b.Tilt = &[2]float64{up, down}
	}
}

func (b Build) length(m float64) string {
	if b.Length != nil {
		return b.Length(m)
	}
	return fmt.Sprintf("%.0f mm", m*1000)
}

// Over names what does not fit.
func (b Build) Over() []string {
	var out []string
	for _, p := range b.Parts {
		if p.Over != "" {
			out = append(out, p.Name+": "+p.Over)
		}
	}
	return out
}

// Way says a way along an axis (0 forward, 1 left, 2 up) in words, "" for less than half a
// millimetre. length writes metres; nil is mm.
func Way(axis int, by float64, length func(float64) string) string {
	if math.Abs(by) < 0.0005 || axis < 0 || axis > 2 {
		return ""
	}
	side := mass.Sides[axis][0]
	if by < 0 {
		side = mass.Sides[axis][1]
	}
	return side + " " + Build{Length: length}.length(math.Abs(by))
}

// Words says what to move, "" where nothing is known to move.
func (b Build) Words() string {
	var out []string
	for _, m := range b.Marks {
		if way := Way(m.Axis, m.By, b.Length); way != "" {
			out = append(out, way)
		}
	}
	return strings.Join(out, ", ")
}

// corners are points whose hull is the part as it lies.
func (p Part) corners() []mass.Vec {
	x := p.Solid
	rot := x.Turn.Rotation()
	middle := x.Place.Add(x.Outline)
	at := func(v mass.Vec) mass.Vec { return rot.Apply(v).Add(middle) }
	box := func(size mass.Vec) []mass.Vec {
		var out []mass.Vec
		for i := range 8 {
			out = append(out, at(mass.Vec{size[0] * (float64(i&1) - 0.5), size[1] * (float64(i>>1&1) - 0.5), size[2] * (float64(i>>2) - 0.5)}))
		}
		return out
	}
	switch x.Shape {
	case mass.Box:
		return box(x.Size)
	case mass.MassOnly:
		return box(mass.Vec{p.Side, p.Side, p.Side})
	case mass.Cylinder, mass.Tube:
		axis, ok := x.Axis.Unit()
		if !ok {
			axis = mass.Vec{0, 0, 1}
		}
		one, ok := axis.Cross(mass.Vec{0, 0, 1}).Unit()
		if !ok {
			one = mass.Vec{1, 0, 0}
		}
		two := axis.Cross(one)
		var out []mass.Vec
		for k := range 48 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 48)
			rim := one.Scale(cos * x.Radius).Add(two.Scale(sin * x.Radius))
			out = append(out, at(rim.Add(axis.Scale(x.Length/2))), at(rim.Sub(axis.Scale(x.Length/2))))
		}
		return out
	case mass.Sphere:
		var out []mass.Vec
		for k := range 48 { // circles in the three planes of the views
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 48)
			for i := range 3 {
				var d mass.Vec
				d[i], d[(i+1)%3] = cos*x.Radius, sin*x.Radius
				out = append(out, middle.Add(d))
			}
		}
		return out
	}
	const dot = 0.003 // a point has no size; it is drawn as a small cube
	var out []mass.Vec
	for i := range 8 {
		out = append(out, x.Place.Add(mass.Vec{dot * (float64(i&1) - 0.5), dot * (float64(i>>1&1) - 0.5), dot * (float64(i>>2) - 0.5)}))
	}
	return out
}

// hull is the convex hull of points, in order. Source: Andrew's monotone chain (Andrew
// 1979, from memory).
func hull(pts [][2]float64) [][2]float64 {
	pts = slices.Clone(pts)
	slices.SortFunc(pts, func(a, b [2]float64) int {
		switch {
		case a[0] != b[0]:
			return int(math.Copysign(1, a[0]-b[0]))
		case a[1] != b[1]:
			return int(math.Copysign(1, a[1]-b[1]))
		}
		return 0
	})
	pts = slices.Compact(pts)
	if len(pts) < 3 {
		return pts
	}
	half := func(seq [][2]float64) [][2]float64 {
		var h [][2]float64
		for _, p := range seq {
			for len(h) > 1 {
				a, b := h[len(h)-2], h[len(h)-1]
				if (b[0]-a[0])*(p[1]-a[1])-(b[1]-a[1])*(p[0]-a[0]) > 0 {
					break
				}
				h = h[:len(h)-1]
			}
			h = append(h, p)
		}
		return h
	}
	lower := half(pts)
	slices.Reverse(pts)
	upper := half(pts)
	return append(lower[:len(lower)-1:len(lower)-1], upper[:len(upper)-1]...)
}
