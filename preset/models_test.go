package preset

import (
	"errors"
	"math"
	"math/rand"
	"strings"
	"testing"

	"rigkeep/preset/loop"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// stand is a gimbal whose stiffness dials run from 1 to 200 Nm/rad, with a loop
// that is known in full.
func stand(together bool) *schema.Sheet {
	s := &schema.Sheet{Slug: "stand", Delay: 0.003, DelayKnown: true, RaiseTogether: together, RaiseKnown: true, SensingOrder: 1, DriveOrder: 2, Dials: map[string]schema.Dial{}}
	for _, a := range schema.Axes {
		s.Axes[a] = schema.AxisFacts{Moving: 0.004, Viscous: 0.005, DampingTime: 0.05, Damping: 0.9, Integral: 0.2}
		k := "stiffness." + a.String()
		s.Dials[k] = schema.Dial{Key: k, Min: 0, Max: 100, Coarse: 5, Fine: 1, Sign: 1, Map: &schema.Map{Kind: schema.Linear, Unit: "Nm/rad", AtMin: 1, AtMax: 200}}
	}
	for _, k := range []string{"filters.sensing", "filters.drive"} {
		s.Dials[k] = schema.Dial{Key: k, Min: 20, Max: 200, Coarse: 10, Fine: 5, Sign: -1, Default: schema.At(90), Map: &schema.Map{Kind: schema.Linear, Unit: "Hz", AtMin: 20, AtMax: 200}}
	}
	return s
}

func block(place ...float64) Part {
	return Part{Slot: "body", Name: "block", Shape: "box", Mass: 2, Size: [3]float64{0.1, 0.1, 0.1}, Place: [3]float64{place[0], place[1], place[2]}}
}

func tuneAt(v float64) Tune {
	return Tune{Values: map[string]any{"stiffness.pan": v, "stiffness.roll": v, "stiffness.tilt": v}}
}

// Balanced, gravity adds nothing where the axes cross, wherever the build was typed
// from; where the roll axis lies above the tilt axis, the centre of gravity balances
// half-way between, and reaches the loop as m g h.
func TestGravityReachesTheLoop(t *testing.T) {
	const mg = 2 * 9.80665
	up, down := 40.0, 90.0
	for _, c := range []struct {
		name  string
		rig   Rig
		apart float64 // m, roll axis above tilt axis
		axis  schema.Axis
		want  float64
	}{
		{"typed above", Rig{Parts: []Part{block(0, 0, 0.02)}}, 0, schema.Tilt, 0},
		{"typed ahead", Rig{Parts: []Part{block(0.05, 0, 0)}}, 0, schema.Tilt, 0},
		{"upright pan", Rig{Parts: []Part{block(0.01, 0, 0.02)}}, 0.04, schema.Pan, 0},
		{"above the tilt axis", Rig{Parts: []Part{block(0.05, 0, 0)}}, 0.04, schema.Tilt, -mg * 0.02},
		// lens straight down, it hangs from the roll axis by all of it
		{"below the roll axis", Rig{Parts: []Part{block(0.05, 0, 0)}}, 0.04, schema.Roll, mg * 0.04},
		{"hanging", Rig{Parts: []Part{block(0, 0, 0.3)}}, -0.06, schema.Tilt, mg * 0.03},
		{"less than a gram a millimetre off", Rig{Parts: []Part{block(0, 0, 0)}}, 8e-7, schema.Tilt, 0},
		{"no parts", Rig{}, 0.04, schema.Tilt, 0},
	} {
		s := stand(true)
		s.TiltUpDeg, s.TiltDownDeg = &up, &down
		s.Axes[schema.Roll].Point[2] = c.apart
		l, err := AxisLoop(schema.Default(), s, tuneAt(20), c.rig, c.axis, 0.01)
		if err != nil {
			t.Fatal(c.name, err)
		}
		if math.Abs(l.KG-c.want) > 1e-9 {
			t.Errorf("%s: gravity stiffness %v, want %v", c.name, l.KG, c.want)
		}
	}
	// the tune's limits narrow the range: the centre of gravity stands highest at level
	s := stand(true)
	s.TiltUpDeg, s.TiltDownDeg = &up, &down
	s.Axes[schema.Roll].Point[2] = 0.04
	tune := tuneAt(20)
	tune.Values["limits.tilt.down_deg"] = 30.0
	g, err := GravityStiffness(s, &tune, Rig{Parts: []Part{block(0.05, 0, 0)}}, schema.Tilt)
	if err != nil || math.Abs(g.Min+mg*0.02) > 1e-9 || math.Abs(g.Max+mg*0.02*math.Cos(40*math.Pi/180)) > 1e-9 {
		t.Errorf("%+v, %v", g, err)
	}
}

// A top-heavy build has a lower gain margin that a balanced one has not.
func TestTopHeavyHasALowerMargin(t *testing.T) {
	for _, z := range []float64{0, 0.02} {
		s := stand(true)
		for a := range s.Axes {
			s.Axes[a].Integral = 0
		}
		s.Axes[schema.Roll].Point[2] = 2 * z
		l, err := AxisLoop(schema.Default(), s, tuneAt(10), Rig{Parts: []Part{block(0, 0, 0)}}, schema.Tilt, 0.02)
		if err != nil {
			t.Fatal(err)
		}
		m, err := l.Margins()
		if err != nil || !m.Stable {
			t.Fatalf("%+v, %v", m, err)
		}
		if (m.GMLow > 0) != (z > 0) {
			t.Errorf("centre of gravity %v m up: lower gain margin %v", z, m.GMLow)
		}
		// toppling begins where the stiffness is what gravity takes
		if z > 0 && math.Abs(m.GMLow+l.KG/l.K) > 1e-9 {
			t.Errorf("lower gain margin %v, want %v", m.GMLow, -l.KG/l.K)
		}
	}
}

func TestLoopTakesTheSheet(t *testing.T) {
	for _, together := range []bool{true, false} {
		s := stand(together)
		r := Rig{Parts: []Part{block(0, 0, 0)}, Resonances: []Resonance{{Axis: schema.Tilt, Hz: 23, Damping: 0.02, Share: 0.3}}}
		l, err := AxisLoop(schema.Default(), s, tuneAt(50), r, schema.Tilt, 0.02)
		if err != nil {
			t.Fatal(err)
		}
		want := loop.Loop{J: 0.02, B: 0.005, K: 100.5, D: 0.9, Ki: 20.1, Delay: 0.003, Sensing: loop.LowPassHz(1, 90), Drive: loop.LowPassHz(2, 90),
			Resonance: loop.Resonance{Freq: 2 * math.Pi * 23, Damping: 0.02, Share: 0.3, SensorBeyond: true}}
		if together {
			want.D = 100.5 * 0.05
		}
		if l != want {
			t.Errorf("%+v, want %+v", l, want)
		}
		// the resonance belongs to its own axis
		if l, err = AxisLoop(schema.Default(), s, tuneAt(50), r, schema.Roll, 0.02); err != nil || l.Resonance != (loop.Resonance{}) {
			t.Errorf("%+v, %v", l, err)
		}
		words := s.Raises()
		if strings.Contains(words, "together") != together || strings.Contains(words, "damping stays") == together {
			t.Error(words)
		}
	}
	s := stand(true)
	s.RaiseKnown = false
	if !strings.Contains(s.Raises(), "loop.raise is not in the sheet") {
		t.Error(s.Raises())
	}
	d := s.Dials["stiffness.tilt"]
	d.Map = nil
	s.Dials["stiffness.tilt"] = d
	var no *ErrNoMap
	if _, err := AxisLoop(schema.Default(), s, tuneAt(50), Rig{}, schema.Tilt, 0.02); !errors.As(err, &no) || no.Dial != "stiffness.tilt" {
		t.Error(err)
	}
}

// At the cap the limits hold; a coarse step above it one of them does not.
func TestCapKeepsItsLimits(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	capped := 0
	for range 60 {
		s := stand(rng.Intn(2) == 0)
		s.Delay = 0.001 + 0.006*rng.Float64()
		d := s.Dials["stiffness.tilt"]
		if rng.Intn(2) == 0 { // a dial that counts down
			d.Sign, d.Map = -1, &schema.Map{Kind: schema.Linear, Unit: "Nm/rad", AtMin: 200, AtMax: 1}
			s.Dials["stiffness.tilt"] = d
		}
		r := Rig{Parts: []Part{block(0, 0, 0.02*rng.NormFloat64())}}
		j := 0.004 * math.Exp(3*rng.Float64())
		if !s.RaiseTogether {
			for a := range s.Axes {
				s.Axes[a].Damping = j * (20 + 60*rng.Float64())
			}
		}
		at := func(v float64) (loop.Margins, loop.Loop) {
			l, err := AxisLoop(schema.Default(), s, tuneAt(v), r, schema.Tilt, j)
			if err != nil {
				t.Fatal(err)
			}
			m, err := l.Margins()
			if err != nil {
				t.Fatal(err)
			}
			return m, l
		}
		holds := func(m loop.Margins) bool {
			return m.Stable && m.GM >= CapLimits.GM*(1-1e-9) && m.PMDeg >= CapLimits.PMDeg-1e-6 && m.Ms <= CapLimits.Ms*(1+1e-6)
		}
		v, why, ok := CapStiffness(schema.Default(), s, r, nil, schema.Tilt, moment(j, j), 0, 100)
		if !ok {
			end := 100.0
			if d.Sign < 0 {
				end = 0
			}
			if m, l := at(end); !holds(m) && s.RaiseTogether {
				t.Errorf("no cap, but the stiff end does not keep the limits: %+v %+v", l, m)
			}
			continue
		}
		capped++
		m, l := at(v)
		if nowhere := strings.Contains(why, "nowhere on this dial"); nowhere {
			if soft := map[bool]float64{true: 0, false: 100}[d.Sign > 0]; v != soft {
				t.Errorf("nowhere, but %v and not the soft end %v", v, soft)
			}
			continue
		}
		if s.RaiseTogether && !holds(m) {
			t.Errorf("cap %v: %+v does not keep the limits: %+v", v, l, m)
		}
		if m, l := at(math.Min(100, math.Max(0, v+float64(d.Sign)*d.Coarse))); v != 0 && v != 100 && holds(m) {
			t.Errorf("cap %v, but a coarse step above the limits hold: %+v %+v", v, l, m)
		}
		if !strings.Contains(why, s.Raises()) {
			t.Error(why)
		}
	}
	if capped < 20 {
		t.Errorf("only %d caps to look at", capped)
	}
}

// A loop too slow for even the soft end of the dial is held to the soft end, not
// left without a cap.
func TestCapBelowTheDial(t *testing.T) {
	s := stand(true)
	s.Delay = 0.2
	v, why, ok := CapStiffness(schema.Default(), s, Rig{}, nil, schema.Tilt, moment(0.005, 0.005), 0, 100)
	if !ok || v != 0 || !strings.Contains(why, "nowhere on this dial") {
		t.Errorf("%v %q %v", v, why, ok)
	}
	s.DelayKnown = false
	if _, _, ok := CapStiffness(schema.Default(), s, Rig{}, nil, schema.Tilt, moment(0.005, 0.005), 0, 100); ok {
		t.Error("a cap without a delay")
	}
}

// moment is an inertia that goes from least at level to greatest with the lens up.
func moment(least, greatest float64) mass.Moment {
	return mass.Moment{Range: mass.Range{Min: least, Max: greatest, MaxAt: -math.Pi / 2}, Level: least}
}
