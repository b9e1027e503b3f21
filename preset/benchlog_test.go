package preset_test

import (
	"math"
	"math/rand"
	"reflect"
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/preset/bench"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// The millimetres and the way to slide, from a torque worked by hand: at level an
// effort of e % of a motor of T N·m holds m g d, so d = e T / (100 m g).
func TestReadEffort(t *testing.T) {
	s := &schema.Sheet{GoodPct: 1, WorkablePct: 4, EffortSign: 1}
	for a := range s.Axes {
		s.Axes[a].Torque = 2
	}
	r := build("x", 1) // 1.27 kg
	at := func(text string) preset.BalancePoint {
		return preset.BalancePoints(&schema.Sheet{BalancePoints: []string{text}})[0]
	}
	d := 0.05 * 2 / (r.Mass() * 9.80665) * 1000 // mm at 5 %
	for _, c := range []struct {
		point   string
		efforts []float64
		sign    int
		verdict balance.Verdict
		mm      float64
		words   string
	}{
		{"tilt, lens level", []float64{5}, 1, balance.Rebalance, d, "back of the axis, move the build forward"},
		{"tilt, lens level", []float64{-5}, 1, balance.Rebalance, d, "forward of the axis, move the build back"},
		{"tilt, lens level", []float64{5}, -1, balance.Rebalance, d, "forward of the axis, move the build back"},
		{"tilt, lens up", []float64{5}, 1, balance.Rebalance, d, "above the axis, move the build down"},
		{"tilt, lens down", []float64{5}, 1, balance.Rebalance, d, "below the axis, move the build up"},
		{"roll, lens level", []float64{2.5}, 1, balance.Workable, d / 2, "left of the axis, move the build right"},
		{"roll, lens level", []float64{3, -1}, 1, balance.Good, d / 5, "friction 2.0 %"},
		{"tilt, lens level", []float64{5}, 0, balance.Rebalance, d, "side unknown"},
		{"pan, handle leaning 30 degrees", []float64{5}, 1, balance.Rebalance, 2 * d, "off the axis"},
	} {
		s.EffortSign = c.sign
		got, err := preset.ReadEffort(s, r, at(c.point), c.efforts)
		if err != nil {
			t.Fatal(err)
		}
		if got.Verdict != c.verdict || math.Abs(math.Abs(got.Offset.Offset)*1000-c.mm) > 1e-6*c.mm || !strings.Contains(got.Words, c.words) {
			t.Errorf("%s %v: %s %.3f mm (want %.3f), %q", c.point, c.efforts, got.Verdict, math.Abs(got.Offset.Offset)*1000, c.mm, got.Words)
		}
	}
	s.EffortSign = 1
	for _, c := range []struct{ point, words string }{{"pan, ring leaning", "needs the lean of the handle"}, {"the plate", "the plate: 5.0 % (rebalance first)"}} {
		got, err := preset.ReadEffort(s, r, at(c.point), []float64{5})
		if err != nil || got.Known && c.point == "the plate" || !strings.Contains(got.Words, c.words) {
			t.Errorf("%s: %+v %v", c.point, got, err)
		}
	}
	for _, bad := range [][]float64{nil, {math.NaN()}, {1, 2, 3}} {
		if _, err := preset.ReadEffort(s, r, at("tilt, lens level"), bad); err == nil {
			t.Errorf("%v was read", bad)
		}
	}
}

// The tilts of the handheld test: the least inertia about pan first, then the
// ends of the travel and level, none twice.
func TestPlanBench(t *testing.T) {
	sh, r := sheet(t, "skiff-small"), build("x", 1)
	v, lo, hi := 400.0, 30.0, 50.0
	p, err := preset.PlanBench(sh, r, nil, []start.Offer{
		{Key: "stiffness.pan", Status: start.Outside, Value: v},
		{Key: "stiffness.tilt", Status: start.Offered, Value: 8, Onset: &start.Range{Lo: lo, Hi: hi}, Reason: "why"},
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(p.Order, []schema.Axis{schema.Tilt, schema.Roll, schema.Pan}) || p.Margin != 1.6 {
		t.Errorf("%+v", p)
	}
	if x := p.Axes[schema.Pan]; *x.Offered != 240 || !strings.Contains(x.Why, "asks for 400, off the dial") {
		t.Errorf("%+v", x)
	}
	if x := p.Axes[schema.Tilt]; *x.Offered != 8 || *x.OnsetLow != lo || *x.OnsetHigh != hi || x.Why != "why" {
		t.Errorf("%+v", x)
	}
	js, err := r.Inertias(sh, nil)
	if err != nil {
		t.Fatal(err)
	}
	if first := p.HandDeg[0]; math.Abs(first+js[schema.Pan].MinAt*180/math.Pi) > 2.5 {
		t.Errorf("first handheld %v°, the least inertia is at %v°", first, -js[schema.Pan].MinAt*180/math.Pi)
	}
	// each axis is searched where it has least to turn, to 5°: nowhere in use is it less by 2 %
	up, down := preset.TiltRange(sh, nil)
	for _, a := range schema.Axes {
		at := *p.Axes[a].TiltDeg
		j := r.InertiaAt(sh)
		for rad := up; rad <= down; rad += 0.01 {
			if deg := -rad * 180 / math.Pi; j(a, deg) < 0.98*j(a, at) {
				t.Fatalf("%s at %v° turns %v kg·m², at %.0f° only %v", a, at, j(a, at), deg, j(a, deg))
			}
		}
	}
	for i, a := range p.HandDeg {
		for _, b := range p.HandDeg[:i] {
			if math.Abs(a-b) < 15 {
				t.Errorf("%v is worked twice", a)
			}
		}
	}
	if p, _ := preset.PlanBench(sh, r, nil, nil, []schema.Axis{schema.Tilt}); len(p.Order) != 1 {
		t.Errorf("%+v", p.Order)
	}
	none := *sh
	none.Dials = nil
	if _, err := preset.PlanBench(&none, r, nil, nil, nil); err == nil {
		t.Error("a session without a dial")
	}
}

// Whatever is answered, the log's steps give the same session back.
func TestLogGivesTheSessionBack(t *testing.T) {
	sh, r := sheet(t, "quay-large"), build("x", 1.3)
	plan, err := preset.PlanBench(sh, r, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	for seed := range int64(150) {
		rng := rand.New(rand.NewSource(seed))
		log := preset.BenchLog{Plan: plan}
		s, err := log.BenchSession(sh)
		if err != nil {
			t.Fatal(err)
		}
		for range 1 + rng.Intn(60) {
			p := s.Next()
			e := bench.Event{Saw: p.Allowed[rng.Intn(len(p.Allowed))], Text: "x"}
			if rng.Intn(3) == 0 {
				e.Axis, e.HasAxis = schema.Axes[rng.Intn(3)], true
			}
			if e.Saw.Oscillates() {
				e.Hz = float64(rng.Intn(40))
			}
			if s.Answer(e) != nil {
				continue
			}
			events := s.Events()
			log.Steps = append(log.Steps, preset.StepOf(events[len(events)-1], at))
		}
		again, err := log.BenchSession(sh)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if !reflect.DeepEqual(s.Next(), again.Next()) || !reflect.DeepEqual(s.Results(), again.Results()) || s.HandCheck() != again.HandCheck() {
			t.Fatalf("seed %d: %+v, then %+v", seed, s.Next(), again.Next())
		}
	}
}

// A step about another parameter, as a person may write it, is no look at a stiffness: what comes
// next and what was found are as without it.
func TestStepAboutAFilterIsNoLook(t *testing.T) {
	sh, r := sheet(t, "quay-large"), build("x", 1.3)
	plan, err := preset.PlanBench(sh, r, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	look := preset.BenchStep{Axis: "pan", Value: 20, HasValue: true, Saw: "clean"}
	filter := preset.BenchStep{Key: "filters.drive", Value: 4, HasValue: true, Saw: "clean", Text: "Buzz gone"}
	without, err := preset.BenchLog{Plan: plan, Steps: []preset.BenchStep{look}}.BenchSession(sh)
	if err != nil {
		t.Fatal(err)
	}
	with, err := preset.BenchLog{Plan: plan, Steps: []preset.BenchStep{look, filter}}.BenchSession(sh)
	if err != nil {
		t.Fatal(err)
	}
	next := with.Next()
	next.ID = without.Next().ID // a note is a step of the log
	if !reflect.DeepEqual(next, without.Next()) || !reflect.DeepEqual(with.Results(), without.Results()) {
		t.Errorf("%+v, without it %+v", with.Next(), without.Next())
	}
	e := with.Events()[1]
	if s := preset.StepOf(e, time.Time{}); s.Key != filter.Key || s.Value != 4 || s.Text != filter.Text {
		t.Errorf("written again it is %+v", s)
	}
}

// Two readings of one angle stay two readings in the log: their mean is what weighs,
// half their difference is friction, and the sides say which is which.
func TestBothSidesOfAnEffortAreKept(t *testing.T) {
	sh, r := sheet(t, "skiff-small"), build("x", 1)
	pct := func(v float64) *float64 { return &v }
	rec := preset.BalanceRecord{Efforts: []preset.BalanceEffort{
		{Point: "tilt, lens up", Axis: "tilt", Effort: pct(1), Sides: []float64{3.5, -1.5}},
		{Point: "tilt, lens level", Axis: "tilt", Effort: pct(8)},
		{Point: "tilt, lens level", Axis: "tilt", Effort: pct(0.5)},
		{Point: "roll, lens level", Axis: "roll"}, // passed over
	}}
	got := rec.ReadEfforts(sh, r)
	if len(got) != 2 {
		t.Fatalf("%+v", got)
	}
	got[0], got[1] = got[1], got[0] // in the order in which they were read
	if got[0].Point.Text != "tilt, lens level" || got[0].Read.Effort != 0.5 || got[0].Short() != "tilt, lens level: 0.5 % (good)" {
		t.Errorf("%+v %q", got[0], got[0].Short())
	}
	if got[1].Short() != "tilt, lens up: 1 % (good), read as 3.5 and -1.5 from either side, friction 2.5 %" || !strings.Contains(got[1].Read.Words, "friction 2.5 %") {
		t.Errorf("%q, %q", got[1].Short(), got[1].Read.Words)
	}
	if e := rec.AxisEfforts(); len(e) != 1 || e[schema.Tilt] != 1 {
		t.Errorf("%v", e)
	}
}

// A filter that is no longer what the session was worked with moves the onset.
func TestDrift(t *testing.T) {
	r := build("x", 1)
	log := preset.BenchLog{MassKg: r.Mass(), Set: map[string]float64{"filters.sensing": 3, "filters.drive": 2}}
	if d := log.Drift(r, nil); d != nil {
		t.Errorf("%q", d)
	}
	tune := preset.Tune{Values: map[string]any{"filters.sensing": 3.0, "filters.drive": int64(2)}}
	if d := log.Drift(r, &tune); d != nil {
		t.Errorf("%q", d)
	}
	tune.Values["filters.drive"] = 4.0
	if d := log.Drift(r, &tune); len(d) != 1 || d[0] != "filters.drive was 2 when the session began and is 4 in the tune now" {
		t.Errorf("%q", d)
	}
	log.MassKg = r.Mass() - 0.1
	if d := log.Drift(r, nil); len(d) != 1 || d[0] != "the build weighed 1.17 kg when the session began and weighs 1.27 kg now" {
		t.Errorf("%q", d)
	}
}

func TestShotFor(t *testing.T) {
	r := preset.Rig{Alias: "b-cam-85", ID: "rn7jcwhexy", Was: []string{"0qygem5g0z"}}
	for rig, want := range map[string]bool{"": true, "b-cam-85": true, "rn7j": true, "0qyge": true, "b-cam": false, "rn8": false, "RN7J": false} {
		if got := (preset.Shot{Rig: rig}).For(r); got != want {
			t.Errorf("a shot for %q: %v", rig, got)
		}
	}
}
