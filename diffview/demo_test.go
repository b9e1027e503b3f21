package diffview

import (
	"bytes"
	"io"
	"os"
	"testing"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/schema"
)

var utc = time.UTC

func sheetSI() *schema.Sheet {
	d := func(key string, min, max, coarse, fine float64, sign int, m *schema.Map) schema.Dial {
		return schema.Dial{Key: key, Min: min, Max: max, Coarse: coarse, Fine: fine, Sign: sign, Map: m, Default: schema.At(min)}
	}
	s := &schema.Sheet{Slug: "halyard", Name: "Halyard", PayloadMax: 9, TiltUpDeg: schema.At(60), TiltDownDeg: schema.At(90), Model: "first-order", Delay: 0.004, DelayKnown: true, RaiseTogether: true, SensingOrder: 1, DriveOrder: 1, Dials: map[string]schema.Dial{}}
	for _, a := range schema.Axes {
		s.Axes[a] = schema.AxisFacts{Torque: 3, Moving: 0.01, DampingTime: 0.05, Viscous: 0.01}
		n := a.String()
		s.Dials["stiffness."+n] = d("stiffness."+n, 0, 200, 3.5, 0.5, 1, &schema.Map{Kind: schema.Linear, Unit: "Nm/rad", AtMin: 0, AtMax: 80})
	}
	for _, k := range []string{"sensing", "drive"} {
		s.Dials["filters."+k] = d("filters."+k, 0, 10, 1, 1, -1, &schema.Map{Kind: schema.Logarithmic, Unit: "Hz", AtMin: 20, AtMax: 200})
	}
	for _, a := range schema.Axes {
		n := a.String()
		s.Dials["follow.deadband."+n] = d("follow.deadband."+n, 0, 30, 2, 1, 1, &schema.Map{Kind: schema.Linear, Unit: "deg", AtMin: 0, AtMax: 30})
		s.Dials["follow.lag."+n] = d("follow.lag."+n, 0, 100, 5, 1, 1, &schema.Map{Kind: schema.Linear, Unit: "s", AtMin: 0, AtMax: 2})
	}
	return s
}

func sheetPlain() *schema.Sheet {
	s := sheetSI()
	s.Slug, s.Name = "bollard", "Bollard"
	for k, d := range s.Dials {
		d.Map = nil
		d.Min, d.Max = 0, 100
		s.Dials[k] = d
	}
	return s
}

func demoSides() (a, b Side) {
	rig := func(fp, lens string, m, x float64) *preset.Rig {
		return &preset.Rig{ID: fp, Alias: "pilot-long", Gimbal: "halyard", Parts: []preset.Part{
			{Slot: "body", Name: "cinema body", Shape: "box", Mass: 2.1, Size: [3]float64{0.14, 0.12, 0.13}, Place: [3]float64{0, 0, 0.01}},
			{Slot: "lens", Name: lens, Shape: "cylinder", Mass: m, Diameter: 0.08, Length: 0.11, Place: [3]float64{x, 0, 0.012}},
			{Slot: "plate", Name: "dovetail 静か", Mass: 0.35, Place: [3]float64{0, 0, -0.07}},
		}}
	}
	tune := func(v map[string]any) *preset.Tune {
		t := &preset.Tune{Rig: "k7qd2m9x4c", Note: "Clean on the quay, tested at walking pace.", Values: map[string]any{
			"stiffness.pan": 41.0, "stiffness.roll": 38.0, "stiffness.tilt": 62.5, "filters.sensing": 3.0, "filters.drive": 2.0,
			"limits.tilt.up_deg": 45.0, "limits.tilt.down_deg": 60.0, "horizon.offset_deg": 0.0,
			"follow.walk.deadband.pan": 6.0, "follow.walk.deadband.tilt": 8.0, "follow.walk.lag.pan": 40.0, "follow.walk.lag.tilt": 45.0}}
		for k, x := range v {
			if x == nil {
				delete(t.Values, k)
			} else {
				t.Values[k] = x
			}
		}
		return t
	}
	a = Side{Label: "pilot-long@quay-day", Rig: rig("k7qd2m9x4c", "35 mm prime", 0.62, 0.1), Sheet: sheetSI(), Tune: tune(nil),
		Meta: Meta{Revision: "3f2a1b9c0d3f2a1b9c0d3f2a1b9c0d3f2a1b9c0d", Who: "A-cam operator", When: time.Date(2026, 3, 2, 9, 30, 0, 0, utc), Job: "2026-03-02-quay"}}
	a.Tune.Proof = &preset.Proof{At: time.Date(2026, 3, 2, 8, 0, 0, 0, utc), Unit: "H-2", Place: "hand", By: "Gimbal technician", Rig: "k7qd2m9x4c", Digest: a.Tune.GroupDigest(preset.GroupHold), MassKg: 3.07}
	b = Side{Label: "pilot-long", Rig: rig("8wq2m9x4ck", "85 mm prime", 1.03, 0.115), Sheet: sheetSI(), Tune: tune(map[string]any{
		"stiffness.tilt": 66.0, "stiffness.pan": 42.0, "filters.sensing": 5.0, "filters.drive": nil, "horizon.offset_deg": 0.4,
		"follow.walk.lag.pan": 55.0, "follow.sweep.deadband.pan": 10.0, "follow.sweep.lag.pan": 70.0}),
		Meta: Meta{Who: "B-cam operator", When: time.Date(2026, 3, 9, 17, 5, 0, 0, utc)}}
	b.Tune.Rig = "8wq2m9x4ck"
	b.Tune.Note = "Clean on the quay, tested at running pace with the long lens."
	p := *a.Tune.Proof
	b.Tune.Proof = &p
	return a, b
}

func TestLook(t *testing.T) {
	if os.Getenv("LOOK") == "" {
		t.Skip("set LOOK=1 to print the demo report")
	}
	a, b := demoSides()
	r := Compare(schema.Default(), a, b)
	for _, w := range []int{130, 80, 40} {
		WriteText(os.Stdout, r, Options{}, Style{Width: w})
		os.Stdout.WriteString("\n=====\n")
	}
	os.Stdout.WriteString(InWords(r, nil) + "\n")
	r.Behaviour = Behave(schema.Default(), a, b, Conditions{})
	WriteText(os.Stdout, r, Options{}, Style{Width: 80})
	foot := page.Foot{Made: time.Date(2026, 3, 10, 7, 0, 0, 0, utc), Version: "0.1", Commits: []string{a.Meta.Revision}}
	for name, f := range map[string]func(io.Writer) error{
		"html": func(w io.Writer) error { return WriteHTML(w, r, Options{}, foot) },
		"md":   func(w io.Writer) error { return WriteMarkdown(w, r, Options{}) },
		"json": func(w io.Writer) error { return safe.WriteJSON(w, r) },
	} {
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(os.Getenv("LOOK")+"/report."+name, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}
