package preset_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigkeep/preset"
	"rigkeep/schema"
)

func part(slot string, kg float64, place [3]float64, size float64) preset.Part {
	return preset.Part{Slot: slot, Name: slot, Mass: kg, Shape: "box", Size: [3]float64{size, size, size}, Place: place}
}

func provable(t testing.TB) (preset.Rig, *schema.Sheet, preset.Tune) {
	t.Helper()
	up, down := 90.0, 120.0
	sheet := &schema.Sheet{Slug: "quay-large", TiltUpDeg: &up, TiltDownDeg: &down, Units: []schema.Unit{{Serial: "QL-0031", Label: "Large A", Firmware: "2.4"}}}
	r := preset.Rig{Alias: "a-cam", Gimbal: "quay-large", Parts: []preset.Part{part("body", 1.2, [3]float64{}, 0.1), part("lens", 0.4, [3]float64{0.1, 0, 0}, 0.08)}}
	r.ID = r.Fingerprint()
	tune := preset.Tune{Values: map[string]any{
		"stiffness.pan": 29.0, "stiffness.tilt": 26.0, "stiffness.roll": 25.0, "filters.sensing": 3.0,
		"limits.tilt.up_deg": 45.0, "limits.tilt.down_deg": 60.0, "horizon.offset_deg": 0.5,
		"follow.walk.deadband.pan": 12.0, "follow.walk.lag.pan": 40.0, "follow.sweep.lag.pan": 20.0,
	}}
	p := preset.Proof{At: time.Date(2026, 1, 14, 10, 33, 0, 0, time.UTC), Unit: "QL-0031", Place: "hand", Firmware: "2.4"}
	tune.Others = map[string]*preset.Proof{}
	for _, g := range tune.Groups() {
		own, err := p.Complete(r, sheet, tune, g)
		if err != nil {
			t.Fatal(err)
		}
		if g == preset.GroupHold {
			tune.Proof = &own
		} else {
			tune.Others[g] = &own
		}
	}
	return r, sheet, tune
}

// Groups go out of date exactly by the rule of DESIGN section 3: the changes are drawn, and
// which groups each of them ends is written down here by hand.
func TestGroupsGoOutOfDateByRule(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r, sheet, tune := provable(t)
		want := map[string]bool{}
		end := func(groups ...string) {
			for _, g := range groups {
				want[g] = true
			}
		}
		for range rapid.IntRange(0, 4).Draw(rt, "changes") {
			switch rapid.IntRange(0, 11).Draw(rt, "change") {
			case 0:
				tune.Values["stiffness.tilt"] = 27.0
				end("hold")
			case 1:
				tune.Values["filters.drive"] = 2.0
				end("hold")
			case 2: // narrowed, which does nothing
				if tune.Values["limits.tilt.up_deg"] == 45.0 {
					tune.Values["limits.tilt.up_deg"] = 30.0
				}
			case 3: // widened past what was tested
				tune.Values["limits.tilt.down_deg"] = 75.0
				end("limits", "hold")
			case 4: // taken away: the head goes to the end of its travel
				delete(tune.Values, "limits.tilt.down_deg")
				end("limits", "hold")
			case 5:
				tune.Values["horizon.offset_deg"] = 0.0
				end("horizon")
			case 6:
				tune.Values["follow.walk.deadband.pan"] = 13.0
				end("style.walk")
			case 7:
				tune.Values["follow.sweep.deadband.pan"] = 2.0
				end("style.sweep")
			case 8: // a heavier lens, of the same size at the same place
				r.Parts[1].Mass = 0.7
				r.ID = r.Fingerprint()
				end("hold", "horizon")
			case 9: // a longer one, which reaches farther
				r.Parts[1].Size[0] = 0.2
				r.Parts[1].Mass = 0.71
				r.ID = r.Fingerprint()
				end("hold", "horizon", "limits")
			case 10:
				sheet.Units[0].Firmware = "2.5"
				end("hold", "horizon")
			case 11: // the unit under another of its names
				sheet.Units[0].Label = "Large Z"
			}
		}
		for _, s := range tune.Standing(r, sheet, "") {
			state := preset.Proved
			if want[s.Group] {
				state = preset.OutOfDate
			}
			if s.State != state {
				rt.Fatalf("%s is %s (%v), want %s", s.Group, s.State, s.Reasons, state)
			}
			if (len(s.Reasons) > 0) != want[s.Group] {
				rt.Fatalf("%s: reasons %v", s.Group, s.Reasons)
			}
		}
	})
}

func TestStanding(t *testing.T) {
	r, sheet, tune := provable(t)
	for _, s := range tune.Standing(r, sheet, "Large A") {
		if s.State != preset.Proved {
			t.Errorf("%s is %s: %v", s.Group, s.State, s.Reasons)
		}
	}
	// a style that nobody tried
	tune.Values["follow.chase.lag.pan"] = 10.0
	got := map[string]string{}
	for _, s := range tune.Standing(r, sheet, "QL-0044") {
		got[s.Group] = s.State
	}
	// on another unit hold is not proved; a style is
	if got["style.chase"] != preset.NotProved || got["hold"] != preset.OutOfDate || got["style.walk"] != preset.Proved || got["limits"] != preset.Proved {
		t.Errorf("%v", got)
	}
	// an edit of the build counts before it is saved
	r.Edited = "zzzzzzzzzz"
	if s := tune.Stale(r, sheet, ""); len(s) != 1 || s[0].What != "rig" {
		t.Errorf("%v", s)
	}
	tune.Others["style.walk"].Ended = "handover: from elsewhere"
	for _, s := range tune.Standing(r, sheet, "") {
		if s.Group == "style.walk" && s.State != preset.OutOfDate {
			t.Error("an ended style is proved")
		}
	}
	for key, g := range map[string]string{"stiffness.pan": "hold", "filters.drive": "hold", "limits.tilt.up_deg": "limits", "horizon.offset_deg": "horizon", "follow.walk.lag.pan": "style.walk", "recovery.tilt": "hold"} {
		if preset.GroupOf(key) != g {
			t.Errorf("%s is of %s", key, preset.GroupOf(key))
		}
	}
}

// What was measured speaks for the values only where the proof holds, is of the hand, and
// has an onset the sheet's margin above every axis, also on a dial where larger is softer.
func TestProvedMargins(t *testing.T) {
	r, sheet, tune := provable(t)
	sheet.BenchMargin, sheet.Dials = 1.5, map[string]schema.Dial{}
	for _, a := range schema.Axes {
		sheet.Dials["stiffness."+a.String()] = schema.Dial{Min: 0, Max: 100, Fine: 1, Coarse: 5, Sign: 1}
	}
	enough := map[schema.Axis]float64{schema.Pan: 44, schema.Tilt: 39, schema.Roll: 38}
	tune.Proof.Onset = enough
	if m := tune.ProvedMargins(r, sheet, "QL-0031"); len(m) != 3 || m[0] != (preset.ProvedMargin{Axis: schema.Pan, Value: 29, Onset: 44}) {
		t.Errorf("%+v", m)
	}
	for name, change := range map[string]func(*preset.Tune, *preset.Rig){
		"one axis without an onset": func(x *preset.Tune, _ *preset.Rig) {
			x.Proof.Onset = map[schema.Axis]float64{schema.Pan: 44, schema.Tilt: 39}
		},
		"one too near": func(x *preset.Tune, _ *preset.Rig) {
			x.Proof.Onset = map[schema.Axis]float64{schema.Pan: 43, schema.Tilt: 39, schema.Roll: 38}
		},
		"on the stand only":   func(x *preset.Tune, _ *preset.Rig) { x.Proof.Place = "stand" },
		"another value since": func(x *preset.Tune, _ *preset.Rig) { x.Values["stiffness.pan"] = 28.0 },
		"another build since": func(_ *preset.Tune, b *preset.Rig) { b.ID = "another" },
		"a dial turned around": func(*preset.Tune, *preset.Rig) {
			sheet.Dials["stiffness.pan"] = schema.Dial{Min: 0, Max: 100, Fine: 1, Coarse: 5, Sign: -1}
		},
	} {
		r, _, x := provable(t)
		x.Proof.Onset = enough
		change(&x, &r)
		if m := x.ProvedMargins(r, sheet, "QL-0031"); m != nil {
			t.Errorf("%s: %+v", name, m)
		}
		sheet.Dials["stiffness.pan"] = sheet.Dials["stiffness.tilt"]
	}
	if m := tune.ProvedMargins(r, sheet, "QL-0044"); m != nil {
		t.Errorf("another unit: %+v", m)
	}
}

// A proof is of the values with its digest; one without a digest says nothing of a change.
func TestProofIsOf(t *testing.T) {
	was := preset.Tune{Values: map[string]any{"stiffness.pan": 40.0, "limits.speed.pan": 90.0}}
	now := preset.Tune{Values: map[string]any{"stiffness.pan": 41.0, "limits.speed.pan": 90.0}}
	p := &preset.Proof{Digest: was.GroupDigest(preset.GroupHold)}
	if !p.IsOf(was, preset.GroupHold) || p.IsOf(now, preset.GroupHold) || p.ValuesChanged(was, preset.GroupHold) || !p.ValuesChanged(now, preset.GroupHold) {
		t.Error("one stiffness more or less is another set of values")
	}
	if old := (&preset.Proof{}); old.ValuesChanged(now, preset.GroupHold) || old.IsOf(now, preset.GroupHold) {
		t.Error("a proof without a digest")
	}
}
