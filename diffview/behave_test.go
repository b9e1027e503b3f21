package diffview

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/preset/loop"
	"rigkeep/schema"
)

func figures(b *Behaviour) map[string]Figure {
	out := map[string]Figure{}
	if b != nil {
		for _, f := range b.Figures {
			out[f.Key] = f
		}
	}
	return out
}

func followSide(w, s float64) Side {
	return Side{Label: "x", Sheet: sheetSI(), Rig: rigOn("halyard"), Tune: tuneOf(map[string]any{"follow.walk.deadband.pan": w, "follow.walk.lag.pan": s})}
}

// A pan at 20°/s through a dead band of w degrees and a lag of τ seconds: the head
// starts after w/20 s and trails by w + 20 τ. The sheet's dead bands are in degrees,
// its lag 0.02 s a number. Source: follow.ConstantRate.
func TestFollowFigures(t *testing.T) {
	b := Behave(cat, followSide(4, 10), followSide(8, 20), Conditions{Move: "pan 20deg/s for 10s"})
	f := figures(b)
	for key, want := range map[string][2]float64{
		"follow.walk.start_delay.pan":   {0.2, 0.4},
		"follow.walk.largest_trail.pan": {4 + 20*0.2, 8 + 20*0.4},
	} {
		got := f[key]
		if got.Before == nil || math.Abs(*got.Before-want[0]) > 2e-3 || math.Abs(*got.After-want[1]) > 2e-3 || got.Verdict() != "worse" {
			t.Errorf("%s: %+v, want %v", key, got, want)
		}
	}
	// 50 mm on 24.9 mm sees 27.97° across; 8° off the middle is tan 8°/tan 13.99° of half a frame.
	// Source: rectilinear projection (Hartley & Zisserman, ch. 6; from memory).
	drift := func(deg float64) float64 { return 100 * math.Tan(deg*math.Pi/180) / (24.9 / 50) }
	if d := f["follow.walk.drift.pan"]; d.Before == nil || math.Abs(*d.Before-drift(8)) > 0.05 || math.Abs(*d.After-drift(16)) > 0.05 {
		t.Errorf("drift %+v, want %g and %g", d, drift(8), drift(16))
	}
	if len(b.Plots) != 1 || len(b.Plots[0].Series) != 3 || len(b.Basis) == 0 || !strings.Contains(strings.Join(b.Basis, " "), "50 mm (default)") {
		t.Errorf("%+v", b.Basis)
	}
	if same := Behave(cat, followSide(4, 10), followSide(4, 10), Conditions{}); same != nil {
		t.Errorf("no change, but %+v", same)
	}
}

// The job's shot, lens, sensor and sway come before the defaults.
func TestJobConditions(t *testing.T) {
	job := &preset.Job{Longest: 135, Sensor: [2]float64{36, 24}, Squeeze: 1, Sway: map[schema.Axis]float64{schema.Pan: 3},
		Shots: []preset.Shot{{Name: "gangway", Kind: "stairs", Style: "walk", LensMM: 85}}}
	b := Behave(cat, followSide(1, 5), followSide(2, 10), Conditions{Job: job})
	all := strings.Join(b.Basis, "\n")
	for _, want := range []string{"job's shot gangway", "85 mm (the shot's)", "36 × 24 mm (the job's)", "the job's 3°"} {
		if !strings.Contains(all, want) {
			t.Errorf("the basis lacks %q:\n%s", want, all)
		}
	}
	job.Shots = nil
	if all := strings.Join(Behave(cat, followSide(1, 5), followSide(2, 10), Conditions{Job: job}).Basis, "\n"); !strings.Contains(all, "135 mm (the job's longest)") || !strings.Contains(all, "kind of shot walk") {
		t.Error(all)
	}
}

// Without maps only ratios are given, and said to be.
func TestRelativeOnly(t *testing.T) {
	side := func(w, s float64) Side {
		x := followSide(w, s)
		x.Sheet, x.Rig = sheetPlain(), rigOn("bollard")
		return x
	}
	b := Behave(cat, side(4, 10), side(8, 25), Conditions{})
	f := figures(b)
	if a := f["follow.walk.start_delay_ratio.pan"]; a.After == nil || *a.After != 2 || a.Unit != "×" || !strings.Contains(a.Basis, "relative only") {
		t.Errorf("%+v", a)
	}
	if a := f["follow.walk.lag_ratio.pan"]; a.After == nil || *a.After != 2.5 {
		t.Errorf("%+v", a)
	}
	if !strings.Contains(strings.Join(b.Basis, " "), "relative to the first side") || len(b.Plots) != 0 {
		t.Errorf("%+v", b)
	}
	// another gimbal without a map: nothing can be said, and that is said
	b = Behave(cat, followSide(4, 10), side(8, 25), Conditions{})
	if b == nil || len(b.Missing) == 0 || !strings.Contains(b.Missing[0], "no SI conversion") || len(figures(b)) != 0 {
		t.Errorf("%+v", b)
	}
}

func loopSide(k float64) Side {
	return Side{Label: "x", Sheet: sheetSI(), Rig: rigOn("halyard"), Tune: tuneOf(map[string]any{"stiffness.tilt": k, "filters.sensing": 5.0, "filters.drive": 5.0})}
}

// The figures are those of the loop package for the same axis.
func TestLoopFigures(t *testing.T) {
	a, b := loopSide(40), loopSide(60)
	f := figures(Behave(cat, a, b, Conditions{}))
	for _, s := range []struct {
		side Side
		of   func(Figure) *float64
	}{{a, func(f Figure) *float64 { return f.Before }}, {b, func(f Figure) *float64 { return f.After }}} {
		k, _ := s.side.Tune.Stiffness(schema.Tilt)
		k *= 0.4                     // the sheet's 80 Nm/rad over 200
		hz := 20 * math.Pow(10, 0.5) // half way on a logarithmic map of 20 to 200 Hz
		l := loop.Loop{J: 0.01, B: 0.01, K: k, D: k * 0.05, Delay: 0.004, Sensing: loop.LowPassHz(1, hz), Drive: loop.LowPassHz(1, hz)}
		m, err := l.Margins()
		if err != nil {
			t.Fatal(err)
		}
		on, err := l.OnsetCommon()
		if err != nil {
			t.Fatal(err)
		}
		for key, want := range map[string]float64{"phase_margin": m.PMDeg, "gain_margin": m.GMdB, "sensitivity": m.Ms, "below_onset": 100 * (1 - k/on.K), "onset_hz": on.Hz, "bandwidth": m.Bandwidth / (2 * math.Pi)} {
			got, ok := f["loop."+key+".tilt"]
			if !ok && key == "onset_hz" { // it does not depend on the stiffness, so it does not differ
				continue
			}
			if v := s.of(got); v == nil || math.Abs(*v-want) > 1e-3*math.Abs(want)+1e-4 {
				t.Errorf("%s: %+v, want %g", key, got, want)
			}
		}
	}
	if got := f["loop.phase_margin.tilt"]; got.Verdict() != "worse" {
		t.Errorf("stiffer has less margin: %+v", got)
	}
}

func TestLoopNeedsDelayAndMap(t *testing.T) {
	a, b := loopSide(40), loopSide(60)
	a.Sheet.DelayKnown, b.Sheet.DelayKnown = false, false
	if got := Behave(cat, a, b, Conditions{}); got == nil || !strings.Contains(strings.Join(got.Missing, " "), "loop.delay_s") {
		t.Errorf("%+v", got)
	}
	a.Sheet, b.Sheet = sheetPlain(), sheetPlain()
	if got := Behave(cat, a, b, Conditions{}); got == nil || !strings.Contains(strings.Join(got.Missing, " "), "no SI conversion") {
		t.Errorf("%+v", got)
	}
	if got := Behave(cat, a, a, Conditions{}); got != nil {
		t.Errorf("nothing changed, but %+v", got)
	}
}

// The distance to the onset that was recorded needs no map.
func TestRecordedOnset(t *testing.T) {
	side := func(k float64) Side {
		s := loopSide(k)
		s.Sheet = sheetPlain()
		s.Tune.Proof = &preset.Proof{Onset: map[schema.Axis]float64{schema.Tilt: 70}}
		return s
	}
	f := figures(Behave(cat, side(40), side(60), Conditions{}))["onset.tilt"]
	if f.Before == nil || *f.Before != 60 || *f.After != 20 || f.Unit != "fine steps" || f.Verdict() != "worse" {
		t.Errorf("%+v", f)
	}
}

// A loop that oscillates is a result: its margins are zero and no curve is drawn.
func TestUnstable(t *testing.T) {
	b := Behave(cat, loopSide(20), loopSide(200), Conditions{})
	f := figures(b)
	if got := f["loop.below_onset.tilt"]; got.After == nil || *got.After >= 0 {
		t.Fatalf("the axis should oscillate: %+v", got)
	}
	if got := f["loop.sensitivity.tilt"]; got.After != nil || got.Verdict() == "better" {
		t.Errorf("a loop that oscillates has a sensitivity: %+v", got)
	}
	if !strings.Contains(strings.Join(b.Missing, " "), "oscillates") {
		t.Errorf("%+v", b.Missing)
	}
}

// A limit that only the model sees crossed is over the limit where nothing was measured,
// and a look where the onsets at the proof leave the sheet's margin.
func TestMeasuredOutranksTheModel(t *testing.T) {
	a, b := loopSide(20), loopSide(60)
	pageOf := func() string {
		r := Compare(cat, a, b)
		r.Behaviour = Behave(cat, a, b, Conditions{})
		var w bytes.Buffer
		if err := WriteHTML(&w, r, Options{}, demoFoot); err != nil {
			t.Fatal(err)
		}
		return w.String()
	}
	b.Rig.ID = b.Rig.Fingerprint()
	b.Sheet.BenchMargin = 1.5
	if s := pageOf(); !strings.Contains(s, "✗ Over the limit: loop, tilt") || !strings.Contains(s, "These values have no proof with a recorded onset") {
		t.Error("a limit crossed by the model alone is not told")
	}
	b.Tune.Proof = &preset.Proof{Place: "hand", Rig: b.Rig.ID, Digest: b.Tune.GroupDigest(preset.GroupHold), Onset: map[schema.Axis]float64{schema.Tilt: 100}}
	if s := pageOf(); strings.Contains(s, "✗ Over the limit: loop, tilt") || !strings.Contains(s, "Over the limit by the model:") || !strings.Contains(s, "tilt 100, the tune has 60") {
		t.Error("what was measured does not outrank the model")
	}
	b.Tune.Proof.Onset[schema.Tilt] = 85 // under the margin
	if s := pageOf(); !strings.Contains(s, "✗ Over the limit: loop, tilt") {
		t.Error("an onset too near outranks the model")
	}
}

// Sag is the residual moment over the stiffness, in SI: 2 % of 3 Nm over 16 and 24 Nm/rad.
// Where moment or stiffness is not known, it says what it needs.
//
// Source: definition, torque = stiffness × angle.
func TestSag(t *testing.T) {
	side := func(k float64) Side {
		s := loopSide(k)
		s.Tune.Proof = &preset.Proof{Effort: map[schema.Axis]float64{schema.Tilt: 0.5}}
		s.Resting = map[schema.Axis]float64{schema.Tilt: -2} // the balance record is newer than the proof
		return s
	}
	deg := func(k float64) float64 { return 0.06 / (k * 0.4) * 180 / math.Pi }
	a, b := side(40), side(60)
	f := figures(Behave(cat, a, b, Conditions{}))["sag.tilt"]
	if f.Before == nil || math.Abs(*f.Before-deg(40)) > 1e-4 || math.Abs(*f.After-deg(60)) > 1e-4 || f.Unit != "°" || f.Verdict() != "better" || f.Basis != "residual moment over stiffness (SI)" {
		t.Errorf("%+v, want %.4f and %.4f", f, deg(40), deg(60))
	}
	// one side's reading counts for both on one build, and the proof's where there is no record
	b.Resting, b.Tune.Proof = nil, nil
	if f := figures(Behave(cat, a, b, Conditions{}))["sag.tilt"]; f.After == nil || math.Abs(*f.After-deg(60)) > 1e-4 {
		t.Errorf("%+v", f)
	}
	a.Resting = nil
	if f := figures(Behave(cat, a, b, Conditions{}))["sag.tilt"]; f.Before == nil || math.Abs(*f.Before-deg(40)/4) > 1e-4 {
		t.Errorf("by the proof: %+v", f)
	}
	needs := func(want string) {
		t.Helper()
		got := Behave(cat, a, b, Conditions{})
		if _, ok := figures(got)["sag.tilt"]; ok || got == nil || !strings.Contains(strings.Join(got.Missing, "\n"), want) {
			t.Errorf("%+v, want %q", got, want)
		}
	}
	a.Tune.Proof = nil
	needs("sag at rest, tilt: unknown: needs a resting effort (rigkeep balance)")
	a.Sheet, b.Sheet = sheetPlain(), sheetPlain()
	a.Sheet.Axes[schema.Tilt].Torque = 0
	needs("sag at rest, tilt: unknown: needs a resting effort (rigkeep balance), the motor's torque (motor.AXIS.torque_nm), the SI conversion (dial.stiffness.AXIS: rigkeep gimbal measure)")
	// an integral term lets nothing sag
	c, d := side(40), side(60)
	for _, s := range []Side{c, d} {
		s.Sheet.Axes[schema.Tilt].Integral = 1
	}
	if f, ok := figures(Behave(cat, c, d, Conditions{}))["sag.tilt"]; ok {
		t.Errorf("with an integral term: %+v", f)
	}
}
