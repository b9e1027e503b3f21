package loop

import (
	"math"
	"math/rand"
	"testing"
)

// In time the loop grows or decays as its rightmost root says, at that rate and
// frequency: the count, the root and the run share nothing but the physics.
func TestSimulationAgrees(t *testing.T) {
	r := rand.New(rand.NewSource(21))
	grows, decays, rates := 0, 0, 0
	for i := range storm(60) {
		l := randomLoop(r, i%2 == 0)
		root, err := l.RightmostRoot()
		if err != nil {
			t.Fatal(err)
		}
		w := math.Hypot(root.Real, root.Imag)
		// far enough from the boundary to show within the run, and not so slow or
		// fast that the run is long
		if math.Abs(root.Real) < 0.01*w || w < 2 || w > 500 {
			continue
		}
		d := math.Min(14/math.Abs(root.Real), 60*2*math.Pi/w)
		tr, err := l.Simulate(SimOptions{Duration: d + 10*l.Delay})
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		s, err := l.Stability()
		if err != nil {
			t.Fatal(err)
		}
		want := Decays
		if !s.Stable {
			want = Grows
			grows++
		} else {
			decays++
		}
		if tr.Verdict != want {
			t.Errorf("%d %+v: run %s at %v/s %v Hz, root %+v", i, l, tr.Verdict, tr.Rate, tr.Hz, root)
		}
		// one root alone is left late in a growing run of one oscillation
		if s.RightRoots == 2 && root.Imag > 0 && root.Real > 0.03*w && root.Real < 0.15*w {
			rates++
			if !near(tr.Rate, root.Real, 0.08) || !near(tr.Hz*2*math.Pi, root.Imag, 0.03) {
				t.Errorf("%d %+v: run grows at %v/s, %v Hz; root %v, %v Hz", i, l, tr.Rate, tr.Hz, root.Real, root.Imag/(2*math.Pi))
			}
		}
	}
	if grows < 8 || decays < 8 || rates < 3 {
		t.Errorf("%d growing, %d decaying, %d rates", grows, decays, rates)
	}
}

// Closed forms without delay: a critically damped axis after a push,
// θ = (p/J) t e^(−ωt), and the damped sine.
func TestSimulationClosedForm(t *testing.T) {
	l := Loop{J: 0.01, K: 4, D: 0.4} // ω = 20, ζ = 1
	tr, err := l.Simulate(SimOptions{Push: 0.002, Duration: 0.5, Step: 1e-4})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range tr.Angle {
		x := float64(i) * tr.Step
		if want := 0.2 * x * math.Exp(-20*x); math.Abs(v-want) > 1e-9 {
			t.Fatalf("at %v s: %v, want %v", x, v, want)
		}
	}
	// the delayed integrator θ' = −k θ(t−T) by the method of steps: with J s² + B s,
	// K/D = B/J, it is the rate that obeys J ω' + B ω = −D ω(t−T) − K θ(t−T) …
	// so check the first delay only: nothing acts before it but friction
	l = Loop{J: 0.01, B: 0.05, K: 4, D: 0.2, Delay: 0.02}
	tr, err = l.Simulate(SimOptions{Push: 0.002, Duration: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range tr.Angle {
		x := float64(i) * tr.Step
		if x > l.Delay {
			break
		}
		if want := 0.2 / 5 * (1 - math.Exp(-5*x)); !near(v, want, 1e-6) {
			t.Fatalf("at %v s: %v, want %v", x, v, want)
		}
	}
	// and the second: J ω' + B ω = −K θ(t−T) − D ω(t−T), integrated once by hand
	// with θ, ω of the first delay: ω = e^(−5t)(0.2 − ∫ e^(5s) u(s−T)/J ds)
	i := int(math.Round(1.5 * l.Delay / tr.Step))
	x := float64(i) * tr.Step
	a, th := 5.0, 0.0
	const n = 4000
	omega := func(x float64) float64 {
		in := 0.0
		if x > l.Delay {
			h := (x - l.Delay) / n
			for k := range n {
				y := (float64(k) + 0.5) * h
				u := l.K*0.2/a*(1-math.Exp(-a*y)) + l.D*0.2*math.Exp(-a*y)
				in += h * math.Exp(a*(y+l.Delay)) * u / l.J
			}
		}
		return math.Exp(-a*x) * (0.2 - in)
	}
	const m = 400
	for k := range m {
		th += x / m * omega((float64(k)+0.5)*x/m)
	}
	if !near(tr.Angle[i], th, 1e-4) {
		t.Errorf("at %v s: %v, want %v", x, tr.Angle[i], th)
	}
}

func TestSimulationOptions(t *testing.T) {
	unstable := typical
	unstable.K, unstable.D = 60, 2.4
	free, err := unstable.Simulate(SimOptions{Duration: 3})
	if err != nil || free.Verdict != Grows || !free.Cut {
		t.Errorf("%s cut %v %v", free.Verdict, free.Cut, err)
	}
	// a motor that can give only so much turns growth into a steady oscillation
	held, err := unstable.Simulate(SimOptions{Duration: 3, TorqueLimit: 0.3})
	if err != nil || held.Verdict != Sustain || held.RMS == 0 {
		t.Errorf("with a torque limit: %s %v", held.Verdict, err)
	}
	for _, v := range held.Torque {
		if math.Abs(v) > 0.3 {
			t.Fatalf("torque %v beyond the limit", v)
		}
	}
	// friction stops a slow decay
	slow := Loop{J: 0.01, K: 4, D: 0.004}
	a, err1 := slow.Simulate(SimOptions{Duration: 4, Push: 0.002})
	b, err2 := slow.Simulate(SimOptions{Duration: 4, Push: 0.002, Friction: 0.002})
	if err1 != nil || err2 != nil || b.RMS > a.RMS/2 {
		t.Errorf("RMS %v without and %v with friction", a.RMS, b.RMS)
	}
	// stuck by friction the axis stands off by less than friction/K
	if last := b.Angle[len(b.Angle)-1]; math.Abs(last) > 0.002/4*1.01 {
		t.Errorf("stuck at %v rad, friction/K is %v", last, 0.002/4.0)
	}
	// noise: the same seed, the same run; another seed, another
	o := SimOptions{Duration: 1, Push: 1e-9, RateNoise: 0.01, AngleNoise: 1e-4, TorqueNoise: 0.01, Seed: 5, Every: 3}
	x, err := typical.Simulate(o)
	if err != nil {
		t.Fatal(err)
	}
	y, _ := typical.Simulate(o)
	o.Seed = 6
	z, _ := typical.Simulate(o)
	if len(x.Angle) != len(y.Angle) || x.RMS != y.RMS || x.RMS == z.RMS || x.RMS == 0 || x.Verdict != Sustain {
		t.Errorf("RMS %v, %v (same seed), %v; verdict %s", x.RMS, y.RMS, z.RMS, x.Verdict)
	}
	for _, bad := range []SimOptions{{Duration: -1}, {Duration: 1e9}, {Step: math.NaN()}, {Friction: -1}, {Push: math.Inf(1)}, {Every: -1}, {TorqueLimit: -1}, {RateNoise: -1}, {AngleNoise: -1}, {TorqueNoise: -1}} {
		if _, err := typical.Simulate(bad); err == nil {
			t.Errorf("%+v without error", bad)
		}
	}
}

func BenchmarkSimulate(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := typical.Simulate(SimOptions{Duration: 2, Every: 10}); err != nil {
			b.Fatal(err)
		}
	}
}
