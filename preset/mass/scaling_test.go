package mass

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
)

// A build that grows in every direction alike obeys the laws.
func TestScalingOnRealBuilds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := genParts().Draw(t, "parts")
		m1 := 0.0
		for _, p := range parts {
			m1 += p.Mass
		}
		m2 := m1 * rapid.Float64Range(0.2, 5).Draw(t, "ratio")
		r, err := Similar(m1, m2)
		if err != nil {
			t.Fatal(err)
		}
		grown := make([]Part, len(parts))
		for i, p := range parts {
			p.Mass *= r.Mass
			p.Size, p.Place = p.Size.Scale(r.Length), p.Place.Scale(r.Length)
			p.Radius, p.Bore, p.Length = p.Radius*r.Length, p.Bore*r.Length, p.Length*r.Length
			grown[i] = p
		}
		a, b := build(t, parts...), build(t, grown...)
		for i := range 3 {
			modeltest.Near(t, "principal moment", b.Principal[i], a.Principal[i]*r.Inertia, 1e-9, 1e-11*b.Principal[2]+1e-18)
		}
		modeltest.Near(t, "torque at the grown offset", b.Mass*b.CG.Len(), a.Mass*a.CG.Len()*r.Torque, 1e-11, 1e-15)
		modeltest.Near(t, "frequency at fixed stiffness", r.Frequency, math.Sqrt(1/r.Inertia), 1e-12, 0)
		j, err := ScaleInertia(1, m1, m2, 1.0/3)
		if err != nil {
			t.Fatal(err)
		}
		modeltest.Near(t, "general law at 1/3", j, r.Inertia, 1e-12, 0)
		f, err := Froude(r.Length)
		if err != nil {
			t.Fatal(err)
		}
		modeltest.Near(t, "Froude mass", f.Mass, r.Mass, 1e-12, 0)
		modeltest.Near(t, "Froude inertia", f.Inertia, r.Inertia, 1e-12, 0)
		modeltest.Near(t, "Froude torque", f.Torque, r.Torque, 1e-12, 0)
		modeltest.Near(t, "Froude frequency", f.Frequency, r.Frequency, 1e-12, 0)
	})
}

func TestFitExponentFindsTheLaw(t *testing.T) {
	var m, j []float64
	for _, x := range []float64{0.4, 0.9, 1.3, 2.2, 5} {
		_, ball, err := BallOf(x, 1500)
		if err != nil {
			t.Fatal(err)
		}
		m, j = append(m, x), append(j, ball)
	}
	e, c, err := FitExponent(m, j)
	if err != nil {
		t.Fatal(err)
	}
	_, one, _ := BallOf(1, 1500)
	modeltest.Near(t, "exponent of balls of one density", e, 5.0/3, 1e-12, 0)
	modeltest.Near(t, "coefficient", c, one, 1e-12, 0)
	for _, bad := range [][2][]float64{{{1}, {1}}, {{1, 2}, {1}}, {{1, 1}, {1, 2}}, {{1, -2}, {1, 2}}, {{1, 2}, {0, 2}}, {nil, nil}, {{1, math.Inf(1)}, {1, 2}}} {
		_, _, err := FitExponent(bad[0], bad[1])
		wantDomain(t, err)
	}
}

func TestScalingRefuses(t *testing.T) {
	nan := math.NaN()
	for _, f := range []func() error{
		func() error { _, err := Similar(0, 1); return err },
		func() error { _, err := Similar(1, nan); return err },
		func() error { _, err := Similar(1e-300, 1e300); return err },
		func() error { _, err := ScaleInertia(-1, 1, 1, 0); return err },
		func() error { _, err := ScaleInertia(1, 1, 2, nan); return err },
		func() error { _, err := Froude(0); return err },
		func() error { _, err := Froude(1e100); return err },
		func() error { _, _, err := CubeOf(1, 0); return err },
		func() error { _, _, err := BallOf(nan, 1); return err },
		func() error { _, err := Distance(Properties{}, Properties{Mass: 1}); return err },
	} {
		wantDomain(t, f())
	}
}

func TestDistanceIsAMetric(t *testing.T) {
	d := func(t *rapid.T, p, q Properties) float64 {
		n, err := Distance(p, q)
		if err != nil {
			t.Fatal(err)
		}
		return n.Distance
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := build(t, genParts().Draw(t, "a")...), build(t, genParts().Draw(t, "b")...), build(t, genParts().Draw(t, "c")...)
		if d(t, a, a) != 0 {
			t.Fatal("a build is not at itself")
		}
		modeltest.Near(t, "both ways", d(t, a, b), d(t, b, a), 1e-14, 0)
		if d(t, a, c) > d(t, a, b)+d(t, b, c)+1e-12 {
			t.Fatal("a detour is shorter")
		}
	})
}

func TestDistanceSaysWhatDiffers(t *testing.T) {
	body := Part{Name: "body", Shape: Box, Mass: 2, Size: Vec{0.2, 0.15, 0.12}}
	a := build(t, body)
	heavy, moved, long := body, body, body
	heavy.Mass *= 1.1
	moved.Place[0] = 0.03
	long.Size = Vec{0.3, 0.15, 0.12}
	for want, p := range map[string]Part{"mass": heavy, "centre of gravity": moved, "inertia": long} {
		n, err := Distance(a, build(t, p))
		if err != nil {
			t.Fatal(err)
		}
		if n.LargestShare != want {
			t.Errorf("got %+v, want %s", n, want)
		}
	}
	n, _ := Distance(a, build(t, heavy))
	modeltest.Near(t, "10 % in mass at the same size: ln 1.1 twice, the second by 3/5", n.Distance, math.Log(1.1)*math.Hypot(1, 0.6), 1e-9, 0)
	shifted, _ := Distance(a, build(t, moved))
	modeltest.Near(t, "30 mm", shifted.CG, 0.3, 1e-12, 0)
	modeltest.Near(t, "nothing but the shift", shifted.Distance, 0.3, 1e-12, 0)
	modeltest.Near(t, "mass ratio", n.MassRatio, 1.1, 1e-12, 0)
	modeltest.Near(t, "inertia ratio", n.InertiaRatio[1], 1.1, 1e-9, 0)
}
