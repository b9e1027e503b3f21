package mass

import (
	"fmt"
	"math"

	"rigkeep/preset/domain"
)

// Solid is a part checked and placed: its rotation and axis worked out, a
// mass-only part turned into its cube.
type Solid struct {
	Part
	rot Rotation // own frame to build frame; third column is a cylinder's axis
}

// Moved returns the solid shifted by d (m).
//
// Source: definition.
func (s Solid) Moved(d Vec) Solid {
	s.Place = s.Place.Add(d)
	return s
}

// Middle returns the middle of the solid's outline (m, build frame).
//
// Source: definition.
func (s Solid) Middle() Vec { return s.Place.Add(s.Outline) }

// Frame returns how the solid's own axes lie in the build; those of a cylinder or
// tube with its length along the third.
//
// Source: definition.
func (s Solid) Frame() Rotation { return s.rot }

// Solids checks the parts and works out how each lies in the build. The second
// result lists the parts that took their size from a density.
//
// Errors: as Build.
//
// Source: a cube of side (m/ρ)^(1/3) for a part with mass only (common practice, no source).
func Solids(parts []Part, opt Options) ([]Solid, []Assumption, error) {
	c := domain.Checker{Model: "mass"}
	if len(parts) == 0 {
		c.Fail("the build", "without parts", "at least one part", "add the camera body first")
	}
	c.NotNegative("density of parts with mass only", opt.Density, "kg/m³")
	density := opt.Density
	if density == 0 {
		density = AssumedDensity
	}
	out := make([]Solid, 0, len(parts))
	var assumed []Assumption
	for i, p := range parts {
		s, a := place(&c, i, p, density)
		if a != nil {
			assumed = append(assumed, *a)
		}
		out = append(out, s)
	}
	if err := c.Err(); err != nil {
		return nil, nil, err
	}
	return out, assumed, nil
}

func place(c *domain.Checker, i int, p Part, density float64) (Solid, *Assumption) {
	who := p.Name
	if who == "" {
		who = fmt.Sprintf("part %d", i+1)
	}
	c.That(p.Mass > 0 && !math.IsInf(p.Mass, 0), who+": mass", p.Mass, "a number above 0 kg", "weigh it, or leave the part out")
	for _, f := range []struct {
		name string
		v    Vec
	}{
		{"place", p.Place}, {"outline", p.Outline}, {"size", p.Size}, {"axis", p.Axis}, {"turn", p.Turn.Vector},
		{"turn", Vec{p.Turn.Roll, p.Turn.Tilt, p.Turn.Pan}},
	} {
		if !f.v.finite() {
			c.Fail(who+": "+f.name, "not finite", "three finite numbers", "")
		}
	}
	for _, l := range p.Size {
		c.NotNegative(who+": size", l, "m")
	}
	c.NotNegative(who+": radius", p.Radius, "m")
	c.NotNegative(who+": bore", p.Bore, "m")
	c.NotNegative(who+": length", p.Length, "m")
	c.NotNegative(who+": density", p.Density, "kg/m³")
	if p.Density > 0 {
		density = p.Density
	}
	// a size that the shape does not have is a mistake in the sheet, not something to pass over
	unused := func(what string, v float64) {
		c.That(v == 0, who+": "+what, v, "none for "+shapeWords(p.Shape), "give the shape that has it, or take it out")
	}
	if p.Shape != Tube {
		unused("bore", p.Bore)
	}
	p.Name = who
	s := Solid{Part: p, rot: p.Turn.Rotation()}
	var a *Assumption
	switch p.Shape {
	case MassOnly:
		unused("radius", p.Radius)
		unused("size", p.Size.Len())
		unused("length", p.Length)
		a = &Assumption{Part: who, Slot: p.Slot, Density: density, Side: math.Cbrt(p.Mass / density)}
		s.Shape, s.Size = Box, Vec{a.Side, a.Side, a.Side}
	case Box:
		unused("radius", p.Radius)
		unused("length", p.Length)
	case Cylinder, Tube:
		unused("size", p.Size.Len())
		c.That(p.Bore <= p.Radius, who+": bore", p.Bore, "at most the outer radius", "give radii, not diameters")
		if p.Axis != (Vec{}) {
			if w, ok := p.Axis.Unit(); ok {
				s.rot = s.rot.Mul(alongZ(w))
			}
		}
	case Sphere:
		unused("size", p.Size.Len())
		unused("length", p.Length)
	case Point:
		unused("radius", p.Radius)
		unused("size", p.Size.Len())
		unused("length", p.Length)
	default:
		c.Fail(who+": shape", string(p.Shape), "box, cylinder, tube, sphere, point, or none for a part with mass only", "")
	}
	return s, a
}

func shapeWords(s Shape) string {
	if s == MassOnly {
		return "a part without a shape"
	}
	return "a " + string(s)
}

// own is the solid's tensor about its own centre, axes of the build frame.
func (s Solid) own() Tensor {
	m := s.Mass
	var d Vec
	switch s.Shape {
	case Box:
		x, y, z := s.Size[0]*s.Size[0], s.Size[1]*s.Size[1], s.Size[2]*s.Size[2]
		d = Vec{m / 12 * (y + z), m / 12 * (x + z), m / 12 * (x + y)}
	case Cylinder, Tube:
		rr := s.Radius*s.Radius + s.Bore*s.Bore
		t := m / 12 * (3*rr + s.Length*s.Length)
		d = Vec{t, t, m / 2 * rr}
	case Sphere:
		j := 0.4 * m * s.Radius * s.Radius
		d = Vec{j, j, j}
	}
	var t Tensor
	for i := range t {
		for j := range t {
			for k := range d {
				t[i][j] += s.rot[i][k] * d[k] * s.rot[j][k]
			}
		}
	}
	return t
}

// Extent returns how far the solid reaches along a unit direction: the least and
// greatest value of dir·r over its points, in m, exactly.
//
// Source: support function of box, cylinder and ball (Ericson, Real-Time
// Collision Detection, ch. 4; from memory).
func (s Solid) Extent(dir Vec) (lo, hi float64) {
	mid := s.Middle().Dot(dir)
	half := 0.0
	switch s.Shape {
	case Box:
		for j, e := range s.Size {
			half += e / 2 * math.Abs(s.rot.Column(j).Dot(dir))
		}
	case Cylinder, Tube:
		w := s.rot.Column(2)
		half = s.Length/2*math.Abs(w.Dot(dir)) + s.Radius*w.Cross(dir).Len()
	case Sphere:
		half = s.Radius
	}
	return mid - half, mid + half
}

// Reach returns the greatest distance in m of any point of the solid from a
// line, exactly: the radius it sweeps when turned about it. dir is a unit vector.
//
// Source: the distance from a line is convex, so its greatest value over a box is at a
// corner, over a cylinder on an end rim (there a trigonometric polynomial, see
// Harmonic); elementary geometry, derived here.
func (s Solid) Reach(point, dir Vec) float64 {
	// across drops the part of a vector along the line
	across := func(v Vec) Vec { return v.Sub(dir.Scale(v.Dot(dir))) }
	e := across(s.Middle().Sub(point))
	switch s.Shape {
	case Box:
		far := 0.0
		for k := range 8 {
			q := e
			for j, l := range s.Size {
				q = q.Add(across(s.rot.Column(j)).Scale(l * (float64(k>>j&1) - 0.5)))
			}
			far = math.Max(far, q.Len())
		}
		return far
	case Cylinder, Tube:
		u, v := across(s.rot.Column(0)).Scale(s.Radius), across(s.rot.Column(1)).Scale(s.Radius)
		far := 0.0
		for _, end := range [2]float64{-0.5, 0.5} {
			q := e.Add(across(s.rot.Column(2)).Scale(end * s.Length))
			// |q + u cos φ + v sin φ|²
			h := Harmonic{
				Mean: q.Dot(q) + (u.Dot(u)+v.Dot(v))/2,
				Cos1: 2 * q.Dot(u), Sin1: 2 * q.Dot(v),
				Cos2: (u.Dot(u) - v.Dot(v)) / 2, Sin2: u.Dot(v),
			}
			far = math.Max(far, h.extremes(-math.Pi, math.Pi).Max)
		}
		return math.Sqrt(far)
	case Sphere:
		return e.Len() + s.Radius
	}
	return e.Len()
}

// Half returns half the edges in m of the box about the solid in its own axes (see Frame).
//
// Source: definition.
func (s Solid) Half() Vec {
	switch s.Shape {
	case Box:
		return s.Size.Scale(0.5)
	case Cylinder, Tube:
		return Vec{s.Radius, s.Radius, s.Length / 2}
	case Sphere:
		return Vec{s.Radius, s.Radius, s.Radius}
	}
	return Vec{}
}

// Volume returns the solid's volume in m³.
//
// Source: elementary geometry.
func (s Solid) Volume() float64 {
	switch s.Shape {
	case Box:
		return s.Size[0] * s.Size[1] * s.Size[2]
	case Cylinder, Tube:
		return math.Pi * (s.Radius*s.Radius - s.Bore*s.Bore) * s.Length
	case Sphere:
		return 4.0 / 3 * math.Pi * s.Radius * s.Radius * s.Radius
	}
	return 0
}

// Contains reports whether a point (m, build frame) lies in the solid; the bore of a tube is empty.
//
// Source: elementary geometry.
func (s Solid) Contains(p Vec) bool {
	v := s.rot.Inverse().Apply(p.Sub(s.Middle()))
	h := s.Half()
	switch s.Shape {
	case Box:
		return math.Abs(v[0]) <= h[0] && math.Abs(v[1]) <= h[1] && math.Abs(v[2]) <= h[2]
	case Cylinder, Tube:
		r := math.Hypot(v[0], v[1])
		return r <= s.Radius && math.Abs(v[2]) <= h[2] && (s.Shape == Cylinder || r >= s.Bore)
	case Sphere:
		return v.Len() <= s.Radius
	}
	return false
}
