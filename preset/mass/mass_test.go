package mass

import (
	"math"
	"math/rand"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
)

func nearTensor(t modeltest.T, what string, got, want Tensor) {
	t.Helper()
	size := 0.0
	for i := range want {
		size = math.Max(size, math.Abs(want[i][i]))
	}
	for i := range want {
		for j := range want {
			modeltest.Near(t, what, got[i][j], want[i][j], 0, 1e-11*size+1e-18)
		}
	}
}

func build(t modeltest.T, parts ...Part) Properties {
	t.Helper()
	return modeltest.Must(Build(parts))(t)
}

func genVec(r float64) *rapid.Generator[Vec] {
	return rapid.Custom(func(t *rapid.T) Vec {
		f := rapid.Float64Range(-r, r)
		return Vec{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}
	})
}

func genDir() *rapid.Generator[Vec] {
	return genVec(1).Filter(func(v Vec) bool { return v.Len() > 0.1 })
}

// genPart makes parts of the size of camera kit.
func genPart() *rapid.Generator[Part] {
	return rapid.Custom(func(t *rapid.T) Part {
		l := rapid.OneOf(rapid.Float64Range(1e-4, 0.3), rapid.Just(0.0))
		p := Part{
			Name:  "part",
			Shape: rapid.SampledFrom([]Shape{Box, Cylinder, Tube, Sphere, Point, MassOnly}).Draw(t, "shape"),
			Mass:  rapid.Float64Range(0.01, 8).Draw(t, "mass"),
			Place: genVec(0.4).Draw(t, "place"),
			Turn: Turn{
				Roll: rapid.Float64Range(-4, 4).Draw(t, "roll"), Tilt: rapid.Float64Range(-4, 4).Draw(t, "tilt"),
				Pan: rapid.Float64Range(-4, 4).Draw(t, "pan"), Vector: genVec(3).Draw(t, "vector"),
			},
		}
		switch p.Shape {
		case Box:
			p.Size = Vec{l.Draw(t, "sx"), l.Draw(t, "sy"), l.Draw(t, "sz")}
		case Cylinder, Tube:
			p.Radius, p.Length, p.Axis = l.Draw(t, "r"), l.Draw(t, "l"), genDir().Draw(t, "axis")
			if p.Shape == Tube {
				p.Bore = p.Radius * rapid.Float64Range(0, 1).Draw(t, "bore")
			}
		case Sphere:
			p.Radius = l.Draw(t, "r")
		}
		return p
	})
}

func genParts() *rapid.Generator[[]Part] { return rapid.SliceOfN(genPart(), 1, 6) }

// cloud replaces a solid by points with the same moments up to second order; a
// route to the inertia that shares no formula with the package.
func cloud(s Solid) (at []Vec, m []float64) {
	put := func(v Vec, w float64) {
		at = append(at, s.Place.Add(s.rot.Apply(v)))
		m = append(m, w)
	}
	g := math.Sqrt(0.6) // Gauss-Legendre, 3 points, exact to order 5
	nodes, weights := []float64{-g, 0, g}, []float64{5. / 18, 8. / 18, 5. / 18}
	switch s.Shape {
	case Box:
		for i, a := range nodes {
			for j, b := range nodes {
				for k, c := range nodes {
					put(Vec{a * s.Size[0] / 2, b * s.Size[1] / 2, c * s.Size[2] / 2}, weights[i]*weights[j]*weights[k])
				}
			}
		}
	case Cylinder, Tube:
		for i, a := range nodes {
			rho := (s.Radius+s.Bore)/2 + a*(s.Radius-s.Bore)/2
			for k := range 8 {
				sn, cs := math.Sincos(2 * math.Pi * float64(k) / 8)
				for j, c := range nodes {
					w := rho
					if s.Radius == 0 {
						w = 1 // a rod
					}
					put(Vec{rho * cs, rho * sn, c * s.Length / 2}, weights[i]*w*weights[j]/8)
				}
			}
		}
	case Sphere:
		// shells of six points each: exact for quadratics
		for i, a := range nodes {
			rho := s.Radius / 2 * (1 + a)
			for j := range 3 {
				for _, sign := range []float64{-1, 1} {
					var v Vec
					v[j] = sign * rho
					w := rho * rho
					if w == 0 {
						w = 1
					}
					put(v, weights[i]*w/6)
				}
			}
		}
	default:
		put(Vec{}, 1)
	}
	sum := 0.0
	for _, w := range m {
		sum += w
	}
	for i := range m {
		m[i] *= s.Mass / sum
	}
	return at, m
}

func TestInertiaIsThatOfACloudOfPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := genParts().Draw(t, "parts")
		p := build(t, parts...)
		solids, _, err := Solids(parts, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var mass float64
		var cg Vec
		for _, s := range solids {
			at, m := cloud(s)
			for i := range at {
				mass += m[i]
				cg = cg.Add(at[i].Scale(m[i]))
			}
		}
		cg = cg.Scale(1 / mass)
		var want Tensor
		for _, s := range solids {
			at, m := cloud(s)
			for i := range at {
				d := at[i].Sub(cg)
				want[0][0] += m[i] * (d[1]*d[1] + d[2]*d[2])
				want[1][1] += m[i] * (d[0]*d[0] + d[2]*d[2])
				want[2][2] += m[i] * (d[0]*d[0] + d[1]*d[1])
				for k := range 3 {
					j := (k + 1) % 3
					want[k][j] -= m[i] * d[k] * d[j]
					want[j][k] -= m[i] * d[k] * d[j]
				}
			}
		}
		modeltest.Near(t, "mass", p.Mass, mass, 1e-13, 0)
		modeltest.Near(t, "cg", p.CG.Sub(cg).Len(), 0, 0, 1e-13)
		nearTensor(t, "inertia", p.Inertia, want)
	})
}

func TestInertiaTurnsAndMovesWithTheBuild(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := genParts().Draw(t, "parts")
		for i := range parts { // leaves the angles free for the turn of the whole
			parts[i].Turn = Turn{Vector: parts[i].Turn.Vector}
		}
		turn := Turn{Roll: rapid.Float64Range(-4, 4).Draw(t, "roll"), Tilt: rapid.Float64Range(-4, 4).Draw(t, "tilt"), Pan: rapid.Float64Range(-4, 4).Draw(t, "pan")}
		shift := genVec(0.5).Draw(t, "shift")
		r := turn.Rotation()
		moved := make([]Part, len(parts))
		for i, p := range parts {
			if p.Shape == MassOnly {
				parts[i].Shape = Point // a cube taken from a density turns too, but keep it simple
				p = parts[i]
			}
			moved[i] = p
			moved[i].Turn.Roll, moved[i].Turn.Tilt, moved[i].Turn.Pan = turn.Roll, turn.Tilt, turn.Pan
			moved[i].Place = r.Apply(p.Place).Add(shift)
		}
		a, b := build(t, parts...), build(t, moved...)
		modeltest.Near(t, "cg", b.CG.Sub(r.Apply(a.CG).Add(shift)).Len(), 0, 0, 1e-13)
		back := r.Inverse()
		turned, err := a.Inertia.InFrame([3]Vec{back.Column(0), back.Column(1), back.Column(2)})
		if err != nil {
			t.Fatal(err)
		}
		nearTensor(t, "turned inertia", b.Inertia, turned)
		for i := range 3 {
			modeltest.Near(t, "principal moment", b.Principal[i], a.Principal[i], 1e-10, 1e-11*a.Principal[2]+1e-18)
		}
	})
}

func TestPrincipalAxes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := build(t, genParts().Draw(t, "parts")...)
		m := p.Principal
		if m[0] > m[1] || m[1] > m[2] {
			t.Fatalf("not ascending: %v", m)
		}
		// no moment of a real body is more than the other two together
		if m[2] > (m[0]+m[1])*(1+1e-12)+1e-17 || m[0] < -1e-16 {
			t.Fatalf("triangle inequality: %v", m)
		}
		modeltest.Near(t, "trace", m[0]+m[1]+m[2], p.Inertia[0][0]+p.Inertia[1][1]+p.Inertia[2][2], 1e-12, 1e-18)
		d, err := p.Inertia.InFrame(p.Axes)
		if err != nil {
			t.Fatal(err)
		}
		nearTensor(t, "diagonal form", d, Tensor{{m[0], 0, 0}, {0, m[1], 0}, {0, 0, m[2]}})
		modeltest.Near(t, "handedness", p.Axes[0].Cross(p.Axes[1]).Dot(p.Axes[2]), 1, 1e-12, 0)
	})
}

func TestShapesMadeOfOthers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, l := rapid.Float64Range(0.01, 0.2).Draw(t, "r"), rapid.Float64Range(0.01, 0.3).Draw(t, "l")
		bore := r * rapid.Float64Range(0.05, 0.95).Draw(t, "bore")
		axis, place := genDir().Draw(t, "axis"), genVec(0.3).Draw(t, "place")
		density := rapid.Float64Range(100, 9000).Draw(t, "density")
		big := Part{Shape: Cylinder, Mass: density * math.Pi * r * r * l, Radius: r, Length: l, Axis: axis, Place: place}
		small := Part{Shape: Cylinder, Mass: density * math.Pi * bore * bore * l, Radius: bore, Length: l, Axis: axis, Place: place}
		tube := Part{Shape: Tube, Mass: big.Mass - small.Mass, Radius: r, Bore: bore, Length: l, Axis: axis, Place: place}
		all := build(t, tube, small)
		nearTensor(t, "tube + core = cylinder", all.Inertia, build(t, big).Inertia)

		// half a box on either side of a cut across its own x
		box := Part{Shape: Box, Mass: rapid.Float64Range(0.1, 5).Draw(t, "m"), Size: Vec{l, r, bore}, Place: place, Turn: Turn{Pan: axis[0], Tilt: axis[1], Roll: axis[2]}}
		x := box.Turn.Rotation().Column(0)
		cut := rapid.Float64Range(0.1, 0.9).Draw(t, "cut")
		one, two := box, box
		one.Mass, one.Size[0], one.Place = box.Mass*cut, l*cut, place.Add(x.Scale(-l*(1-cut)/2))
		two.Mass, two.Size[0], two.Place = box.Mass*(1-cut), l*(1-cut), place.Add(x.Scale(l*cut/2))
		nearTensor(t, "two halves = box", build(t, one, two).Inertia, build(t, box).Inertia)
	})
}

// Published closed forms.
func TestClosedForms(t *testing.T) {
	const src = " (Beer & Johnston, inside cover; from memory)"
	hoop := build(t, Part{Shape: Tube, Mass: 2, Radius: 0.1, Bore: 0.1})
	modeltest.Near(t, "hoop about its axis: m r²"+src, hoop.Inertia[2][2], 2*0.01, 1e-12, 0)
	modeltest.Near(t, "hoop about a diameter: m r²/2"+src, hoop.Inertia[0][0], 0.01, 1e-12, 0)
	rod := build(t, Part{Shape: Cylinder, Mass: 3, Length: 0.4, Axis: Vec{1, 1, 0}})
	end, err := rod.AboutAxis(Line{Point: Vec{0.2 / math.Sqrt2, 0.2 / math.Sqrt2, 0}, Dir: Vec{0, 0, 1}})
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "slender rod about its end: m l²/3"+src, end, 3*0.16/3, 1e-12, 0)
	disk := build(t, Part{Shape: Cylinder, Mass: 1, Radius: 0.2})
	modeltest.Near(t, "disk about a diameter: m r²/4"+src, disk.Inertia[0][0], 0.01, 1e-12, 0)
	modeltest.Near(t, "ball: 2/5 m r²"+src, build(t, Part{Shape: Sphere, Mass: 5, Radius: 0.1}).Principal[0], 0.02, 1e-12, 0)
	cube := build(t, Part{Shape: Box, Mass: 6, Size: Vec{0.1, 0.1, 0.1}})
	diagonal, err := cube.AboutAxis(Line{Dir: Vec{1, 1, 1}})
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "cube about its space diagonal: m a²/6 (Goldstein, ch. 5; from memory)", diagonal, 0.01, 1e-12, 0)
}

func TestTurnConvention(t *testing.T) {
	q := math.Pi / 2
	for _, c := range []struct {
		name string
		turn Turn
		in   Vec
		want Vec
	}{
		{"pan takes the nose left", Turn{Pan: q}, Vec{1, 0, 0}, Vec{0, 1, 0}},
		{"tilt drops the nose", Turn{Tilt: q}, Vec{1, 0, 0}, Vec{0, 0, -1}},
		{"roll raises the left side", Turn{Roll: q}, Vec{0, 1, 0}, Vec{0, 0, 1}},
		{"roll first, then tilt, then pan", Turn{Roll: q, Tilt: q, Pan: q}, Vec{0, 1, 0}, Vec{0, 1, 0}},
		{"the vector before the angles", Turn{Pan: q, Vector: Vec{0, q, 0}}, Vec{1, 0, 0}, Vec{0, 0, -1}},
	} {
		if d := c.turn.Rotation().Apply(c.in).Sub(c.want).Len(); d > 1e-15 {
			t.Errorf("%s: off by %g", c.name, d)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		v := genVec(4).Draw(t, "v")
		r := FromVector(v)
		one := r.Mul(r.Inverse())
		for i := range 3 {
			for j := range 3 {
				modeltest.Near(t, "R Rᵀ", one[i][j], NoTurn[i][j], 0, 1e-14)
			}
		}
		modeltest.Near(t, "the axis stays", r.Apply(v).Sub(v).Len(), 0, 0, 1e-14)
		modeltest.Near(t, "trace = 1 + 2 cos (Goldstein, ch. 4; from memory)", r[0][0]+r[1][1]+r[2][2], 1+2*math.Cos(v.Len()), 0, 1e-14)
	})
}

// turnedAbout moves and turns parts about a line by an angle, without any formula
// of AboutAxisTurned.
func turnedAbout(parts []Part, by Line, angle float64) []Part {
	u, _ := by.Dir.Unit()
	r := FromVector(u.Scale(angle))
	solids, _, _ := Solids(parts, Options{})
	out := make([]Part, 0, len(parts))
	for _, s := range solids {
		at, m := cloud(s)
		for i := range at {
			if m[i] > 0 {
				out = append(out, Part{Shape: Point, Mass: m[i], Place: by.Point.Add(r.Apply(at[i].Sub(by.Point)))})
			}
		}
	}
	return out
}

func genLine() *rapid.Generator[Line] {
	return rapid.Custom(func(t *rapid.T) Line {
		l := Line{Point: genVec(0.2).Draw(t, "point"), Dir: genDir().Draw(t, "dir")}
		if rapid.Bool().Draw(t, "through the middle") {
			l.Point = Vec{}
		}
		if rapid.Bool().Draw(t, "along an axis") {
			l.Dir = Vec{}
			l.Dir[rapid.IntRange(0, 2).Draw(t, "which")] = 1
		}
		return l
	})
}

func TestInertiaAboutPanAsTheBuildTilts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := genParts().Draw(t, "parts")
		axis, by := genLine().Draw(t, "axis"), genLine().Draw(t, "by")
		h, err := build(t, parts...).AboutAxisTurned(axis, by)
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			a := rapid.Float64Range(-4, 4).Draw(t, "angle")
			want, err := build(t, turnedAbout(parts, by, a)...).AboutAxis(axis)
			if err != nil {
				t.Fatal(err)
			}
			modeltest.Near(t, "inertia", h.At(a), want, 1e-10, 1e-14)
		}
	})
}

func TestRangeIsExactAgainstADenseSweep(t *testing.T) {
	check := func(t *rapid.T, h Harmonic, lo, hi float64) {
		r, err := h.Range(lo, hi)
		if err != nil {
			t.Fatal(err)
		}
		if r.MinAt < lo || r.MinAt > hi || r.MaxAt < lo || r.MaxAt > hi {
			t.Fatalf("extreme outside the range: %+v of %g..%g", r, lo, hi)
		}
		size := math.Abs(h.Mean) + math.Abs(h.Cos1) + math.Abs(h.Sin1) + math.Abs(h.Cos2) + math.Abs(h.Sin2)
		// of values equal to rounding the angle nearest zero is named
		equal := 2 * same * math.Max(math.Abs(r.Min), math.Abs(r.Max))
		modeltest.Near(t, "value at the greatest", h.At(r.MaxAt), r.Max, 1e-15, equal)
		modeltest.Near(t, "value at the least", h.At(r.MinAt), r.Min, 1e-15, equal)
		const n = 2000
		step := (hi - lo) / n
		least, most := math.Inf(1), math.Inf(-1)
		for i := range n + 1 {
			v := h.At(lo + step*float64(i))
			least, most = math.Min(least, v), math.Max(most, v)
		}
		// the sweep never passes the exact extreme, and misses it by the curvature only
		slack := 1e-12*size + step*step/2*4*size
		if most > r.Max+1e-12*size || r.Max-most > slack || least < r.Min-1e-12*size || least-r.Min > slack {
			t.Fatalf("range %+v, sweep %.15g..%.15g", r, least, most)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.OneOf(rapid.Float64Range(-1, 1), rapid.Just(0.0), rapid.Float64Range(-1e-9, 1e-9))
		h := Harmonic{c.Draw(t, "mean"), c.Draw(t, "c1"), c.Draw(t, "s1"), c.Draw(t, "c2"), c.Draw(t, "s2")}
		lo := rapid.Float64Range(-7, 7).Draw(t, "lo")
		check(t, h, lo, lo+rapid.OneOf(rapid.Float64Range(0, 7), rapid.Just(0.0)).Draw(t, "width"))
	})
	rapid.Check(t, func(t *rapid.T) {
		p := build(t, genParts().Draw(t, "parts")...)
		h, err := p.AboutAxisTurned(genLine().Draw(t, "axis"), genLine().Draw(t, "by"))
		if err != nil {
			t.Fatal(err)
		}
		check(t, h, -1.0, 0.8)
	})
}

func TestMoments(t *testing.T) {
	// a long lens: standing up it adds nothing to pan, level it adds most
	parts := []Part{
		{Name: "body", Shape: Box, Mass: 1.1, Size: Vec{0.1, 0.14, 0.12}},
		{Name: "lens", Shape: Cylinder, Mass: 0.9, Radius: 0.04, Length: 0.2, Axis: Vec{1, 0, 0}, Place: Vec{0.14, 0, 0.01}},
	}
	p := build(t, parts...)
	head := Head{
		Pan:  Joint{Line{Vec{-0.02, 0, 0}, Vec{0, 0, 1}}, 0.004},
		Roll: Joint{Line{Vec{0, 0, 0}, Vec{1, 0, 0}}, 0.002},
		Tilt: Joint{Line{Vec{0.05, 0, 0}, Vec{0, 1, 0}}, 0.0005},
	}
	lo, hi := -45*math.Pi/180, 60*math.Pi/180
	m, err := p.Moments(head, lo, hi)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		got  Moment
		j    Joint
	}{{"pan", m.Pan, head.Pan}, {"roll", m.Roll, head.Roll}, {"tilt", m.Tilt, head.Tilt}} {
		worst, least := 0.0, math.Inf(1)
		for i := range 501 {
			a := lo + (hi-lo)*float64(i)/500
			j, err := build(t, turnedAbout(parts, head.Tilt.Axis, a)...).AboutAxis(c.j.Axis)
			if err != nil {
				t.Fatal(err)
			}
			worst, least = math.Max(worst, j+c.j.Own), math.Min(least, j+c.j.Own)
		}
		modeltest.Near(t, c.name+" worst", c.got.Worst(), worst, 1e-5, 0)
		modeltest.Near(t, c.name+" least", c.got.Min, least, 1e-5, 0)
		at0, _ := p.AboutAxis(c.j.Axis)
		modeltest.Near(t, c.name+" level", c.got.Level, at0+c.j.Own, 1e-12, 0)
		if c.got.Max < worst*(1-1e-12) {
			t.Errorf("%s: a sweep found %g, more than the worst %g", c.name, worst, c.got.Max)
		}
	}
	if m.Tilt.Min != m.Tilt.Max {
		t.Errorf("tilt inertia must not depend on tilt: %g..%g", m.Tilt.Min, m.Tilt.Max)
	}
	head.RollInside = true
	if m, err = p.Moments(head, lo, hi); err != nil || m.Roll.Min != m.Roll.Max {
		t.Errorf("a roll motor that tilts along sees no change: %+v, %v", m.Roll, err)
	}
	for _, bad := range []func() error{
		func() error { _, err := p.Moments(head, 1, 0.5); return err },
		func() error { _, err := p.Moments(head, math.NaN(), 0.5); return err },
		func() error { h := head; h.Pan.Own = -1; _, err := p.Moments(h, 0, 1); return err },
		func() error { h := head; h.Pan.Axis.Dir = Vec{}; _, err := p.Moments(h, 0, 1); return err },
	} {
		wantDomain(t, bad())
	}
}

// surface draws points of a solid's outline.
func surface(s Solid, rng *rand.Rand, n int) []Vec {
	var out []Vec
	put := func(v Vec) { out = append(out, s.Place.Add(s.rot.Apply(v))) }
	for range n {
		switch s.Shape {
		case Box:
			put(Vec{(rng.Float64() - 0.5) * s.Size[0], (rng.Float64() - 0.5) * s.Size[1], (rng.Float64() - 0.5) * s.Size[2]})
		case Cylinder, Tube:
			sn, cs := math.Sincos(rng.Float64() * 2 * math.Pi)
			put(Vec{s.Radius * cs, s.Radius * sn, (float64(rng.Intn(2)) - 0.5) * s.Length})
		case Sphere:
			v, ok := (Vec{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}).Unit()
			if ok {
				put(v.Scale(s.Radius))
			}
		default:
			put(Vec{})
		}
	}
	if s.Shape == Box {
		for k := range 8 {
			put(Vec{(float64(k&1) - 0.5) * s.Size[0], (float64(k>>1&1) - 0.5) * s.Size[1], (float64(k>>2&1) - 0.5) * s.Size[2]})
		}
	}
	return out
}

func TestExtentAndReachCoverTheOutline(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	rapid.Check(t, func(t *rapid.T) {
		solids, _, err := Solids([]Part{genPart().Draw(t, "part")}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		s := solids[0]
		dir, _ := genDir().Draw(t, "dir").Unit()
		point := genVec(0.3).Draw(t, "point")
		lo, hi := s.Extent(dir)
		reach := s.Reach(point, dir)
		gotLo, gotHi, got := math.Inf(1), math.Inf(-1), 0.0
		for _, v := range surface(s, rng, 3000) {
			gotLo, gotHi = math.Min(gotLo, v.Dot(dir)), math.Max(gotHi, v.Dot(dir))
			got = math.Max(got, v.Sub(point).Cross(dir).Len())
		}
		// nothing sticks out, and what was found comes close
		if gotLo < lo-1e-12 || gotHi > hi+1e-12 || got > reach+1e-12 {
			t.Fatalf("%s sticks out: %g..%g of %g..%g, reach %g of %g", s.Shape, gotLo, gotHi, lo, hi, got, reach)
		}
		slack := 0.02 * 0.3
		if gotLo-lo > slack || hi-gotHi > slack || reach-got > slack {
			t.Fatalf("%s falls short: %g..%g of %g..%g, reach %g of %g", s.Shape, gotLo, gotHi, lo, hi, got, reach)
		}
	})
}

func TestMassOnlyPartsAreFlagged(t *testing.T) {
	p := build(t, Part{Name: "receiver", Slot: "audio", Mass: 0.125}, Part{Name: "body", Shape: Point, Mass: 1, Place: Vec{0.1, 0, 0}})
	if len(p.Assumed) != 1 || p.Assumed[0].Part != "receiver" || p.Assumed[0].Slot != "audio" {
		t.Fatalf("got %+v", p.Assumed)
	}
	modeltest.Near(t, "side", p.Assumed[0].Side, 0.05, 1e-12, 0)
	if s := p.Assumed[0].String(); !strings.Contains(s, "50 mm") || !strings.Contains(s, "1000 kg/m³") {
		t.Errorf("words: %s", s)
	}
	_, cube, err := CubeOf(0.125, 1000)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "own inertia of the cube", build(t, Part{Mass: 0.125}).Principal[1], cube, 1e-12, 0)
	// a density of its own comes before the option, the option before the usual one
	q, err := BuildWith([]Part{{Mass: 1, Density: 8000}, {Mass: 1}}, Options{Density: 125})
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "own density", q.Assumed[0].Side, 0.05, 1e-12, 0)
	modeltest.Near(t, "density of the options", q.Assumed[1].Side, 0.2, 1e-12, 0)
}

func wantDomain(t *testing.T, err error) {
	t.Helper()
	modeltest.WantDomain(t, t.Name(), err)
}

func TestBuildRefuses(t *testing.T) {
	ok := Part{Name: "lens", Shape: Cylinder, Mass: 1, Radius: 0.1, Length: 0.1}
	for name, change := range map[string]func(*Part){
		"no mass":             func(p *Part) { p.Mass = 0 },
		"negative mass":       func(p *Part) { p.Mass = -1 },
		"mass NaN":            func(p *Part) { p.Mass = math.NaN() },
		"mass infinite":       func(p *Part) { p.Mass = math.Inf(1) },
		"negative radius":     func(p *Part) { p.Radius = -0.1 },
		"length NaN":          func(p *Part) { p.Length = math.NaN() },
		"bore of a cylinder":  func(p *Part) { p.Bore = 0.05 },
		"bore too wide":       func(p *Part) { p.Shape, p.Bore = Tube, 0.2 },
		"box with a radius":   func(p *Part) { p.Shape = Box },
		"unknown shape":       func(p *Part) { p.Shape = "cone" },
		"place infinite":      func(p *Part) { p.Place[1] = math.Inf(-1) },
		"axis NaN":            func(p *Part) { p.Axis[0] = math.NaN() },
		"turn NaN":            func(p *Part) { p.Turn.Pan = math.NaN() },
		"vector infinite":     func(p *Part) { p.Turn.Vector[2] = math.Inf(1) },
		"size of a cylinder":  func(p *Part) { p.Size = Vec{1, 1, 1} },
		"mass only, a radius": func(p *Part) { p.Shape = MassOnly },
		"point with a length": func(p *Part) { p.Shape, p.Radius = Point, 0 },
		"place overflows":     func(p *Part) { p.Place[0] = 1e200 },
		"negative density":    func(p *Part) { p.Density = -1 },
	} {
		t.Run(name, func(t *testing.T) {
			p := ok
			change(&p)
			_, err := Build([]Part{{Name: "body", Shape: Point, Mass: 1}, p})
			wantDomain(t, err)
		})
	}
	_, err := Build(nil)
	wantDomain(t, err)
	_, err = BuildWith([]Part{ok}, Options{Density: -1})
	wantDomain(t, err)
	p := build(t, ok)
	_, err = p.About(Vec{math.NaN(), 0, 0})
	wantDomain(t, err)
	_, err = p.AboutAxis(Line{})
	wantDomain(t, err)
	_, err = p.Inertia.InFrame([3]Vec{{1, 0, 0}, {1, 1, 0}, {0, 0, 1}})
	wantDomain(t, err)
	_, _, err = PrincipalAxes(Tensor{{1, 2, 0}, {0, 1, 0}, {0, 0, 1}})
	wantDomain(t, err)
	_, _, err = PrincipalAxes(Tensor{{math.NaN()}})
	wantDomain(t, err)
	if _, err = Build([]Part{{Name: "lens", Shape: Point, Mass: -2}}); err == nil || !strings.Contains(err.Error(), "lens: mass is -2") {
		t.Errorf("the message must name part, field and value: %v", err)
	}
}

// Whatever is put in, the answer is an error or numbers, never NaN.
func TestBuildNeverGivesNaN(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e308, -1e308, 5e-324, 1e154}))
		v := rapid.Custom(func(t *rapid.T) Vec { return Vec{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")} })
		parts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Part {
			p := Part{Shape: rapid.SampledFrom([]Shape{Box, Cylinder, Tube, Sphere, Point, MassOnly}).Draw(t, "shape"), Mass: math.Abs(f.Draw(t, "mass")), Place: v.Draw(t, "place")}
			switch p.Shape {
			case Box:
				p.Size = v.Draw(t, "size")
			case Cylinder, Tube, Sphere:
				p.Radius = f.Draw(t, "r")
			}
			return p
		}), 0, 3).Draw(t, "parts")
		p, err := Build(parts)
		if err != nil {
			return
		}
		for i := range 3 {
			for _, x := range []float64{p.Mass, p.CG[i], p.Principal[i], p.Axes[i][0], p.Inertia[i][0], p.Inertia[i][1], p.Inertia[i][2]} {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Fatalf("%+v", p)
				}
			}
		}
	})
}

func TestSelectAndWithout(t *testing.T) {
	parts := []Part{{Name: "body"}, {Name: "lens"}, {Name: "mic"}, {Name: "mic"}}
	got, err := Select(parts, []string{"lens", "body"})
	if err != nil || len(got) != 2 || got[0].Name != "lens" {
		t.Errorf("%v, %v", got, err)
	}
	for _, n := range []string{"mic", "monitor"} {
		_, err = Select(parts, []string{n})
		wantDomain(t, err)
	}
	parts = []Part{{Name: "body", Slot: "body"}, {Name: "lens: 35 mm", Slot: "lens"}, {Name: "mic: short", Slot: "mic"}, {Name: "mic: long", Slot: "mic"}}
	for _, c := range []struct {
		names []string
		left  int
	}{{[]string{"lens"}, 3}, {[]string{"35 MM"}, 3}, {[]string{"lens: 35 mm", "body"}, 2}, {[]string{"long"}, 3}, {nil, 4}, {[]string{"body", "Body"}, 3}} {
		got, err = Without(parts, c.names)
		if err != nil || len(got) != c.left {
			t.Errorf("%v: %v, %v", c.names, got, err)
		}
	}
	for _, n := range []string{"monitor", "mic", ""} {
		_, err = Without(parts, []string{n})
		wantDomain(t, err)
	}
}

func TestWords(t *testing.T) {
	for want, v := range map[string]Vec{
		"back 14 mm, left 6 mm, down 3 mm": {-0.0141, 0.0058, -0.0027},
		"forward 1 mm":                     {0.0006, -0.0004, 0},
		"right 120 mm, up 1 mm":            {0, -0.12, 0.001},
		"none":                             {0.0004, 0, -0.0004},
	} {
		if got := v.Words(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestRangeByHand(t *testing.T) {
	for _, c := range []struct {
		name         string
		h            Harmonic
		lo, hi       float64
		least, most  float64
		leastAt, top float64
	}{
		{"greatest at half a turn", Harmonic{Mean: 2, Cos1: -1}, 3, 3.3, 2 - math.Cos(3.3), 3, 3.3, math.Pi},
		{"second order alone", Harmonic{Mean: 1, Cos2: 0.5}, -1, 2, 0.5, 1.5, math.Pi / 2, 0},
		{"constant", Harmonic{Mean: 4}, -1, 1, 4, 4, -1, -1},
		{"no width", Harmonic{Sin1: 1}, 0.5, 0.5, math.Sin(0.5), math.Sin(0.5), 0.5, 0.5},
		{"several turns on", Harmonic{Sin1: 1}, 20, 21, math.Sin(21), 1, 21, 6.5 * math.Pi},
	} {
		r, err := c.h.Range(c.lo, c.hi)
		if err != nil {
			t.Fatal(err)
		}
		modeltest.Near(t, c.name+": least", r.Min, c.least, 0, 1e-12)
		modeltest.Near(t, c.name+": most", r.Max, c.most, 0, 1e-12)
		modeltest.Near(t, c.name+": least at", r.MinAt, c.leastAt, 0, 1e-7)
		modeltest.Near(t, c.name+": most at", r.MaxAt, c.top, 0, 1e-7)
	}
	for _, bad := range [][2]float64{{1, 0}, {math.NaN(), 1}, {0, math.Inf(1)}} {
		_, err := Harmonic{}.Range(bad[0], bad[1])
		wantDomain(t, err)
	}
	_, err := Harmonic{Mean: math.Inf(1)}.Range(0, 1)
	wantDomain(t, err)
}
