package dial

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/domain"
	"rigkeep/preset/internal/modeltest"
)

const deg = math.Pi / 180

// 0.3 N·m turns 60 N·m/rad by 0.29°, which a phone that reads to 0.2° does not tell:
// the reading is refused, and says what to change.
func TestAStiffSettingIsRefused(t *testing.T) {
	l := Load{Mass: 0.3 / G / 0.15, Arm: 0.15, Turned: []float64{0.3 / 60}, SigmaTurned: PhoneSigma, SigmaArm: ArmSigma}
	s, err := l.Stiffness()
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "stiffness", s.K, 60, 0.001, 0)
	var refused *domain.Error
	if err := (Point{Number: 60, Value: s.K, Sigma: s.Sigma}).Check("stiffness", "measure at a softer setting"); !errors.As(err, &refused) || refused.Value != "70 %" || refused.Do == "" {
		t.Errorf("%v", err)
	}
	l.Turned[0] = 3 * deg
	if s, err = l.Stiffness(); err != nil {
		t.Fatal(err)
	}
	if err := (Point{Number: 10, Value: s.K, Sigma: s.Sigma}).Check("stiffness", ""); err != nil {
		t.Error(err)
	}
}

// A spring with friction, loaded both ways: the mean angle gives the spring back.
//
// Source: statics, K θ ± F = torque, solved here for θ by bisection.
func TestBothDirectionsTellFrictionApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(12, 40).Draw(t, "k")
		l := Load{Mass: rapid.Float64Range(0.1, 0.4).Draw(t, "m"), Arm: rapid.Float64Range(0.1, 0.25).Draw(t, "r"), Rest: rapid.Float64Range(-5, 5).Draw(t, "rest") * deg}
		f := rapid.Float64Range(0, 0.2).Draw(t, "friction") * l.Mass * G * l.Arm
		at := func(f float64) float64 {
			lo, hi := 0.0, math.Pi/2-l.Rest-1e-6
			for range 100 {
				mid := (lo + hi) / 2
				if k*mid+f < l.Mass*G*l.Arm*math.Cos(l.Rest+mid) {
					lo = mid
				} else {
					hi = mid
				}
			}
			return lo
		}
		l.Turned = []float64{at(-f), at(f)}
		s, err := l.Stiffness()
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.K/k-1) > 0.01 || math.Abs(s.Friction-f) > 0.06*f+1e-9 {
			t.Fatalf("got %.5g ± %.5g, want %.5g ± %.5g", s.K, s.Friction, k, f)
		}
		l.Mass, l.Force = 0, l.Mass*G
		l.Turned = []float64{l.Force * l.Arm / k}
		if s, err = l.Stiffness(); err != nil || math.Abs(s.K/k-1) > 1e-9 {
			t.Fatalf("pull: %v, %v, want %v", s.K, err, k)
		}
	})
}

// The times to half and nine tenths of a turn tell the lag and its model back.
func TestTimesTellTheModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom([]Model{OneLag, TwoLags}).Draw(t, "model")
		tau := rapid.Float64Range(0.02, 3).Draw(t, "tau")
		at := func(p float64) float64 {
			lo, hi := 0.0, 40.0
			for range 100 {
				mid := (lo + hi) / 2
				if m.curve(mid, 0) > p {
					lo = mid
				} else {
					hi = mid
				}
			}
			return lo * tau
		}
		l, err := FromTurn(at(0.5), at(0.1), 0, "")
		if err != nil {
			t.Fatal(err)
		}
		if l.Model != m || math.Abs(l.Tau/tau-1) > 1e-6 {
			t.Fatalf("got %+v, want %s of %g s", l, m, tau)
		}
	})
	var refused *domain.Error
	for _, v := range [][2]float64{{1, 1.1}, {1, 8}, {0, 1}, {2, 1}} {
		if _, err := FromTurn(v[0], v[1], 0, ""); !errors.As(err, &refused) {
			t.Errorf("%v: %v", v, err)
		}
	}
}

// The share missing after a turn rises with the lag and has no step where the two
// formulas of it meet.
func TestCurveIsSmooth(t *testing.T) {
	for _, m := range []Model{OneLag, TwoLags} {
		for _, x := range []float64{0, 0.3, 2, 9} {
			below, above := m.curve(x, 0.999e-6), m.curve(x, 1.001e-6)
			modeltest.Near(t, string(m), above, below, 1e-8, 0)
		}
	}
}

func TestBands(t *testing.T) {
	// noticed late: simulate the ramp behind a band and one lag in small steps
	const rate, w, tau, seen = 8 * deg, 4 * deg, 0.4, 1 * deg
	var head, at float64
	const dt = 1e-5
	for head < seen {
		at += dt
		if e := rate*at - head; e > w {
			head += (e - w) / tau * dt
		}
	}
	got, err := BandFromStart(rate, at, seen, tau)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "half of the band", got, w, 1e-3, 0)
	var refused *domain.Error
	if _, err := BandFromStart(rate, 0.01, seen, tau); !errors.As(err, &refused) {
		t.Error(err)
	}
	if _, err := BandFromRest(5, 6); !errors.As(err, &refused) {
		t.Error(err)
	}
}

func TestMeasuredMap(t *testing.T) {
	m, err := Map([]Point{{30, 6.6, 0.2}, {15, 3.4, 0.2}, {15, 3.2, 0.2}, {45, 10.9, 0.4}})
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Points) != 3 || m.Points[0].Number != 15 || math.Abs(m.Points[0].Value-3.3) > 1e-12 {
		t.Errorf("%+v", m.Points)
	}
	in, err := m.At(30, 0.9, 0)
	if err != nil || in.Extrapolated || !in.Known || !(in.Lo < in.Value && in.Value < in.Hi) {
		t.Errorf("%+v %v", in, err)
	}
	other, _ := m.At(30, 0.9, 0.1)
	if other.Hi-other.Lo <= in.Hi-in.Lo {
		t.Errorf("another unit is no surer: %+v, %+v", other, in)
	}
	low, err := m.At(-40, 0.9, 0)
	if err != nil || !low.Extrapolated || low.Value != 0 || low.Lo != 0 {
		t.Errorf("%+v %v", low, err)
	}
	two, err := Map([]Point{{20, 4.1, 0}, {60, 13.3, 0}})
	if err != nil {
		t.Fatal(err)
	}
	if v, err := two.At(40, 0.9, 0.1); err != nil || v.Known {
		t.Errorf("two settings tell no scatter: %+v %v", v, err)
	}
	var refused *domain.Error
	if _, err := Map([]Point{{20, 4, 0}, {20, 5, 0}}); !errors.As(err, &refused) {
		t.Error(err)
	}
}

func TestPropose(t *testing.T) {
	p, err := Propose(5, 3)
	if err != nil || !p.OK || p.Turn < LeastTurn || p.Turn > MostTurn || p.Torque > 1 {
		t.Errorf("%+v %v", p, err)
	}
	if p, err = Propose(60, 0.9); err != nil || p.OK {
		t.Errorf("0.3 N·m on 60 N·m/rad: %+v %v", p, err)
	}
}

func TestReadings(t *testing.T) {
	for _, text := range []string{
		"dial,mass_g,arm_mm,rest_deg,up_deg,down_deg\n20,300,140,0,3.1,2.3\n# a remark\n\n40,300,140,0,1.6,1.2\n",
		"dial;mass_g;arm_mm;rest_deg;up_deg;down_deg\n20;300;140;0;3,1;2,3\n40;300;140;0;1,6;1,2\n",
		"dial=20 mass_g=300 arm_mm=140 rest_deg=0 up_deg=3.1 down_deg=2.3\ndial=40 mass_g=300 arm_mm=140 rest_deg=0 up_deg=1.6 down_deg=1.2\n",
	} {
		rs, err := ParseReadings(OfStiffness, text)
		if err != nil || len(rs) != 2 {
			t.Fatalf("%q: %v, %v", text, rs, err)
		}
		again, err := ParseReadings(OfStiffness, rs[0].String())
		if err != nil || again[0].String() != rs[0].String() {
			t.Errorf("%v comes back as %v, %v", rs[0], again, err)
		}
		r, err := rs[0].Measure(OfStiffness, "")
		// check g4o3 of the shared set
		if err != nil || r.Refused != nil || math.Abs(r.Value-8.730647325) > 1e-6 || math.Abs(r.Friction-0.06095141666) > 1e-8 {
			t.Errorf("%+v, %v", r, err)
		}
	}
	var refused *domain.Error
	for _, text := range []string{"", "mass_g\n3\n", "dial,mass\n", "dial,mass_g\n1\n", "dial,mass_g\nx,1\n", "mass_g=3\n", "dial=1 colour=2\n", "dial=NaN mass_g=1\n"} {
		if _, err := ParseReadings(OfStiffness, text); !errors.As(err, &refused) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, err := (Reading{Number: 3, Values: map[string]float64{"mass_g": 3}}).Measure(OfStiffness, ""); !errors.As(err, &refused) {
		t.Error(err)
	}
	if r, err := (Reading{Number: 3, Values: map[string]float64{"left_deg": 3.4, "right_deg": 5.8}}).Measure(OfDeadBand, ""); err != nil || math.Abs(r.Value-4.6) > 1e-9 || math.Abs(r.Rest-1.2) > 1e-9 {
		t.Errorf("%+v, %v", r, err)
	}
	if r, err := (Reading{Number: 3, Values: map[string]float64{"half_s": 0.55, "most_s": 1.83}}).Measure(OfLag, ""); err != nil || r.Lag.Model != OneLag || math.Abs(r.Value-0.794) > 0.002 || r.Refused != nil {
		t.Errorf("%+v, %v", r, err)
	}
}

func FuzzParseReadings(f *testing.F) {
	f.Add("dial,mass_g\n20,300\n")
	f.Add("dial=20 mass_g=300")
	f.Fuzz(func(t *testing.T, text string) {
		rs, err := ParseReadings(OfStiffness, text)
		if err != nil {
			return
		}
		for _, r := range rs {
			if _, err := r.Measure(OfStiffness, ""); err != nil {
				continue
			}
			if _, err := ParseReadings(OfStiffness, r.String()); err != nil {
				t.Fatalf("%q does not come back: %v", r.String(), err)
			}
		}
	})
}
