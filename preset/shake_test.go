package preset_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/diagnose"
	"rigkeep/preset/vibration"
	"rigkeep/schema"
)

func TestShakeHints(t *testing.T) {
	sh := sheet(t, "skiff-small")
	r := build("x", 1)
	r.Resonances = []preset.Resonance{{Axis: schema.Tilt, Hz: 22, Damping: 0.05, Share: 0.1}}
	at := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	rec := []preset.OnsetRecord{{Axis: schema.Tilt, Onset: 16, Hz: 21, Unit: "SK-0412", At: at, Job: "2026-03-02-pilot"}, {Axis: schema.Tilt, Onset: 90, At: at.Add(-time.Hour)}}
	tune := func(v float64, p *preset.Proof) *preset.Tune {
		return &preset.Tune{Values: map[string]any{"stiffness.tilt": v}, Proof: p}
	}
	for _, c := range []struct {
		name   string
		tune   *preset.Tune
		hz     float64
		weight map[string]int
		text   string
	}{
		{"at the onset", tune(16, nil), 0, map[string]int{"over-onset": 4}, "onset of tilt: 16 on 2026-03-02 (job 2026-03-02-pilot), at 21 Hz, on unit SK-0412; tune 16, not below it"},
		{"little margin", tune(12, nil), 0, map[string]int{"over-onset": 2}, "margin only 1.33"},
		{"margin kept", tune(10, nil), 0, map[string]int{"over-onset": -2}, "margin 1.60"},
		{"its frequency", tune(10, nil), 22, map[string]int{"over-onset": 0, "long-part": 3}, "a part that rings at 22 Hz on tilt"},
		{"badly balanced", tune(10, &preset.Proof{At: at, Rig: r.ID, Effort: map[schema.Axis]float64{schema.Tilt: -6}}), 0, map[string]int{"over-onset": -2, "out-of-balance": 3}, "over the workable 4 %"},
		{"well balanced", tune(10, &preset.Proof{At: at, Rig: r.ID, Effort: map[schema.Axis]float64{schema.Tilt: 0.5}}), 0, map[string]int{"over-onset": -2, "out-of-balance": -1}, "the build is the same"},
		{"another build", tune(10, &preset.Proof{At: at, Rig: "0000000000", Effort: map[schema.Axis]float64{schema.Tilt: 9}}), 0, map[string]int{"over-onset": -2, "out-of-balance": 1}, "the build changed"},
		{"no tune", nil, 0, map[string]int{}, ""},
	} {
		got := map[string]int{}
		text := ""
		for _, h := range preset.ShakeHints(sh, r, c.tune, []schema.Axis{schema.Tilt}, rec, c.hz, nil) {
			got[h.Cause] += h.Weight
			text += h.Text + "\n"
		}
		for k, w := range c.weight {
			if got[k] != w {
				t.Errorf("%s: %s %d, want %d (%v)", c.name, k, got[k], w, got)
			}
		}
		if len(got) > len(c.weight) || !strings.Contains(text, c.text) {
			t.Errorf("%s: %v %q", c.name, got, text)
		}
	}
	// exactly at the margin, though the quotient of the two numbers is a hair less
	if q := num(1.76) / num(1.1); q >= 1.6 {
		t.Fatalf("%v: no case of rounding", q)
	}
	sh.BenchMargin = 1.6
	for _, h := range preset.ShakeHints(sh, r, tune(1.1, nil), []schema.Axis{schema.Tilt}, []preset.OnsetRecord{{Axis: schema.Tilt, Onset: 1.76, At: at}}, 0, nil) {
		if h.Weight != -2 || !strings.Contains(h.Text, "margin 1.60") {
			t.Errorf("at the margin: %+v", h)
		}
	}
	// every hint names a cause of the table
	tab := diagnose.Default()
	for _, id := range []string{"over-onset", "long-part", "out-of-balance", "deadband-under-sway", "lens-too-long", "filter-too-heavy"} {
		found := false
		for _, c := range tab.Causes {
			found = found || c.ID == id
		}
		if !found {
			t.Errorf("a hint for no cause: %s", id)
		}
	}
}

func TestLogAnswers(t *testing.T) {
	for kind, want := range map[vibration.Kind]string{vibration.Chatter: "axis=tilt feel=chatter", vibration.Rocking: "axis=tilt feel=rocking", vibration.HandSway: "axis=tilt feel=rocking", vibration.Quiet: ""} {
		a, h := preset.LogAnswers(vibration.Verdict{Kind: kind, Axis: "tilt"})
		if a.String() != want || (len(h) > 0) != (kind == vibration.HandSway) {
			t.Errorf("%s: %q %v", kind, a, h)
		}
		if _, err := diagnose.Default().Rank(a, h...); err != nil {
			t.Error(err)
		}
	}
}

// A heavier filter costs phase margin and onset, a lighter one gives some back, and
// the two prices of one step there and back agree.
func TestPriceOfFilter(t *testing.T) {
	sh, cat, r := sheet(t, "skiff-small"), schema.Default(), build("x", 1)
	tune := preset.Tune{Values: map[string]any{"stiffness.tilt": 9.0, "filters.sensing": 100.0, "filters.drive": 70.0}}
	heavy := preset.PriceOfFilter(cat, sh, r, tune, schema.Tilt, "filters.sensing", "heavier")
	if heavy.To != 80 || heavy.PMBefore == nil || !(*heavy.PMAfter < *heavy.PMBefore) || !(*heavy.OnsetTo < *heavy.Onset) || !strings.Contains(heavy.Text, "100 → 80: phase margin of tilt") {
		t.Fatalf("%+v", heavy)
	}
	tune.Values["filters.sensing"] = 80.0
	light := preset.PriceOfFilter(cat, sh, r, tune, schema.Tilt, "filters.sensing", "lighter")
	if light.To != 100 || math.Abs(*light.PMAfter-*heavy.PMBefore) > 1e-9 || math.Abs(*light.PMBefore-*heavy.PMAfter) > 1e-9 {
		t.Errorf("%+v against %+v", light, heavy)
	}
	tune.Values["filters.sensing"] = 40.0
	if end := preset.PriceOfFilter(cat, sh, r, tune, schema.Tilt, "filters.sensing", "heavier"); end.PMAfter != nil || !strings.Contains(end.Text, "end of its dial") {
		t.Errorf("%+v", end)
	}
	// at the tilt that binds: a long lens is lightest to roll near level of its travel, and its
	// phase margin there is far below the one at 90° up
	long := longLens()
	tune.Values["stiffness.roll"], tune.Values["filters.sensing"] = 7.0, 100.0
	js, err := long.Inertias(sh, nil)
	if err != nil {
		t.Fatal(err)
	}
	price := preset.PriceOfFilter(cat, sh, long, tune, schema.Roll, "filters.sensing", "heavier")
	if price.PMBefore == nil || !strings.Contains(price.Text, "at the least inertia, lens") {
		t.Fatalf("%+v", price)
	}
	for i := range 50 {
		l, err := preset.AxisLoop(cat, sh, tune, long, schema.Roll, js[schema.Roll].Min+(js[schema.Roll].Max-js[schema.Roll].Min)*float64(i)/49)
		if err != nil {
			t.Fatal(err)
		}
		if m, err := l.Margins(); err != nil || m.PMDeg < *price.PMBefore-1e-6 {
			t.Errorf("inertia %.5f has %.2f°, less than the %.2f° said: %v", l.J, m.PMDeg, *price.PMBefore, err)
		}
	}
	tune.Values["filters.sensing"] = 40.0
	delete(tune.Values, "stiffness.tilt")
	if none := preset.PriceOfFilter(cat, sh, r, tune, schema.Tilt, "filters.drive", "heavier"); none.PMAfter != nil || !strings.Contains(none.Text, "cannot be computed") {
		t.Errorf("%+v", none)
	}
	ring := *sheet(t, "quay-large")
	tune.Values["stiffness.tilt"] = 30.0
	if none := preset.PriceOfFilter(cat, &ring, r, tune, schema.Tilt, "filters.drive", "heavier"); none.PMAfter != nil || !strings.Contains(none.Text, "no SI conversion") {
		t.Errorf("%+v", none)
	}
}

// num keeps the compiler from reckoning exactly.
//
//go:noinline
func num(v float64) float64 { return v }
