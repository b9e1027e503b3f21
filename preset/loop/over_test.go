package loop

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// longLens is the roll axis of a 1.73 kg build with a long lens on a small gimbal:
// 0.00530 kg·m² near level, 0.01119 with the lens 90° up.
func longLens(j float64) Loop {
	return Loop{J: j, K: 10, D: 10 * 0.055, B: 0.004, Delay: 0.003, Sensing: LowPassHz(1, 100), Drive: LowPassHz(1, 70)}
}

// keeps says whether a loop is stable and keeps the limits, by its margins alone.
func keeps(t interface{ Fatal(...any) }, l Loop, lim Limits) bool {
	m, err := l.Margins()
	if err != nil {
		t.Fatal(err)
	}
	return m.Stable && m.GM >= lim.GM*(1-1e-6) && m.PMDeg >= lim.PMDeg-1e-4 && m.Ms <= lim.Ms*(1+1e-6) && (lim.GMLow == 0 || m.GMLow <= lim.GMLow*(1+1e-6))
}

func at(l Loop, k float64, how Raise) Loop {
	if how == RaiseTogether {
		l.D, l.Ki = l.D*k/l.K, l.Ki*k/l.K
	}
	l.K = k
	return l
}

// What was measured on that build before the cap went by the tilt.
//
// Source: figures of that build measured beside the program, with other code.
func TestLongLensByTilt(t *testing.T) {
	lim := Limits{GM: 2, PMDeg: 45, Ms: 2}
	s, err := longLens(0.0053).LargestStiffness(lim, RaiseTogether)
	if err != nil || math.Abs(s.K-8.3) > 0.051 {
		t.Errorf("%.4g, %v", s.K, err)
	}
	// with damping held the greatest inertia can be the binding one
	var k [2]float64
	for i, j := range []float64{0.0053, 0.0112} {
		l := longLens(j)
		l.D = 0.2
		s, err := l.LargestStiffness(lim, RaiseStiffness)
		if err != nil {
			t.Fatal(err)
		}
		k[i] = s.K
	}
	if k[1] >= k[0] {
		t.Errorf("damping held: %.4g at the least inertia, %.4g at the greatest", k[0], k[1])
	}
}

// The cap holds its three limits at every inertia between the two extremes, for
// damping raised together, held, and with an integral term; a hundredth more does not.
func TestLargestOverHoldsAtEveryTilt(t *testing.T) {
	lim := Limits{GM: 2, PMDeg: 45, Ms: 2}
	for _, c := range []struct {
		name string
		how  Raise
		with func(Loop) Loop
	}{
		{"raised together", RaiseTogether, func(l Loop) Loop { return l }},
		{"held", RaiseStiffness, func(l Loop) Loop { l.D = 0.2; return l }},
		{"held, little", RaiseStiffness, func(l Loop) Loop { l.D = 0.1; return l }},
		{"together, integral", RaiseTogether, func(l Loop) Loop { l.Ki = l.K * 2; return l }},
		{"held, integral", RaiseStiffness, func(l Loop) Loop { l.D, l.Ki = 0.2, 2; return l }},
	} {
		const least, greatest = 0.0053, 0.01119
		var loops []Loop
		for i := range 5 {
			loops = append(loops, c.with(longLens(least*math.Pow(greatest/least, float64(i)/4))))
		}
		s, which, err := LargestOver(loops, lim, c.how, math.Inf(1))
		if err != nil {
			t.Fatal(err)
		}
		if !s.Feasible {
			t.Errorf("%s: no stiffness at all", c.name)
			continue
		}
		t.Logf("%s: %.4g, set at inertia %.5f by %s", c.name, s.K, loops[which].J, s.LimitedBy)
		for i := range 101 {
			j := least * math.Pow(greatest/least, float64(i)/100)
			if l := at(c.with(longLens(j)), s.K, c.how); !keeps(t, l, lim) {
				m, _ := l.Margins()
				t.Errorf("%s: at inertia %.5f the cap %.4g has %+v", c.name, j, s.K, m)
				break
			}
		}
		if keeps(t, at(loops[which], s.K*1.01, c.how), lim) {
			t.Errorf("%s: a hundredth more keeps the limits as well", c.name)
		}
	}
}

// Whatever the loops: all keep the limits at the largest common stiffness, and one
// does not just above it.
func TestLargestOverProperty(t *testing.T) {
	lim := Limits{GM: 2, PMDeg: 45, Ms: 2}
	rapid.Check(t, func(t *rapid.T) {
		f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		how := rapid.SampledFrom([]Raise{RaiseTogether, RaiseStiffness}).Draw(t, "how")
		l := Loop{K: 10, D: 10 * f("damping", 0.01, 0.08), Delay: f("delay", 0.001, 0.008), Sensing: LowPassHz(1, f("sensing", 40, 200)), B: f("viscous", 0.001, 0.02)}
		if rapid.Bool().Draw(t, "integral") {
			l.Ki = 10 * f("ki", 0.1, 5)
		}
		a := f("least", 0.003, 0.02)
		b := a * f("ratio", 1, 3)
		lo, hi := l, l
		lo.J, hi.J = a, b
		s, which, err := LargestOver([]Loop{lo, hi}, lim, how, math.Inf(1))
		if err != nil {
			t.Fatal(err)
		}
		if !s.Feasible || which < 0 {
			return
		}
		for _, x := range []Loop{lo, hi} {
			if !keeps(t, at(x, s.K, how), lim) {
				m, _ := at(x, s.K, how).Margins()
				t.Fatalf("at inertia %g the cap %g has %+v", x.J, s.K, m)
			}
		}
	})
}
