package diffview

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
	"rigkeep/preset"
	"rigkeep/schema"
	"rigkeep/schema/schematest"
)

func tuneOf(values map[string]any) *preset.Tune {
	return &preset.Tune{Rig: "k7qd2m9x4c", Values: values}
}

func one(t *testing.T, a, b Side) Change {
	t.Helper()
	cs := allChanges(Compare(cat, a, b))
	if len(cs) != 1 {
		t.Fatalf("%d changes, want one: %+v", len(cs), cs)
	}
	return cs[0]
}

// The sheet SI has stiffness 0–200 by 3.5 and 0.5 mapped linearly to 0–80 Nm/rad,
// and filters 0–10 by 1, larger being lighter.
func TestOneValue(t *testing.T) {
	for _, c := range []struct {
		name        string
		key         string
		a, b        any
		words       string
		level       schema.Level
		sense       int
		share       float64
		si          string
		hasSentence bool
	}{
		{"coarse step", "stiffness.tilt", 62.5, 66.0, "stiffness.tilt 62.5 → 66 (+3.5, 1 coarse step stiffer)", schema.Notable, 1, 0.0175, "25 26.4 Nm/rad", true},
		{"coarse steps down", "stiffness.tilt", 66.0, 59.0, "stiffness.tilt 66 → 59 (-7, 2 coarse steps softer)", schema.Major, -1, -0.035, "26.4 23.6 Nm/rad", true},
		{"fine steps", "stiffness.pan", 41.0, 42.0, "stiffness.pan 41 → 42 (+1, 2 fine steps stiffer)", schema.Minor, 1, 0.005, "16.4 16.8 Nm/rad", false},
		{"coarse and fine", "stiffness.pan", 40.0, 44.5, "stiffness.pan 40 → 44.5 (+4.5, 1 coarse and 2 fine steps stiffer)", schema.Notable, 1, 0.0225, "16 17.8 Nm/rad", true},
		{"less than a step", "stiffness.pan", 40.0, 40.1, "stiffness.pan 40 → 40.1 (+0.1, less than a fine step stiffer)", schema.Minor, 1, 0.0005, "16 16.04 Nm/rad", false},
		{"between steps", "stiffness.pan", 40.0, 40.7, "stiffness.pan 40 → 40.7 (+0.7, 1.4 fine steps stiffer)", schema.Minor, 1, 0.0035, "16 16.28 Nm/rad", false},
		{"larger is lighter", "filters.sensing", 3.0, 5.0, "filters.sensing 3 → 5 (+2, 2 steps lighter)", schema.Major, -1, 0.2, "", true},
		{"no dial", "horizon.offset_deg", 0.3, 0.1, "horizon.offset_deg 0.3 → 0.1° (-0.2, 2 fine steps left side down)", schema.Notable, -1, -0.2 / 90, "", true},
		{"limit", "limits.tilt.up_deg", int64(45), 50.0, "limits.tilt.up_deg 45 → 50° (+5, 1 coarse step wider)", schema.Notable, 1, 5.0 / 180, "", true},
	} {
		a := Side{Label: "a", Sheet: sheetSI(), Tune: tuneOf(map[string]any{c.key: c.a})}
		b := Side{Label: "b", Sheet: sheetSI(), Tune: tuneOf(map[string]any{c.key: c.b})}
		ch := one(t, a, b)
		if got, _ := ch.words(); got != c.words {
			t.Errorf("%s: %q, want %q", c.name, got, c.words)
		}
		if ch.Level != c.level || ch.Sense != c.sense {
			t.Errorf("%s: level %s, sense %d; want %s, %d", c.name, ch.Level, ch.Sense, c.level, c.sense)
		}
		if ch.Share == nil || math.Abs(*ch.Share-c.share) > 1e-8 {
			t.Errorf("%s: share %v, want %g", c.name, ch.Share, c.share)
		}
		if (ch.Sentence != "") != c.hasSentence {
			t.Errorf("%s: sentence %q", c.name, ch.Sentence)
		}
		if c.si != "" {
			if got := schema.Num(tidy(*ch.SI.Before)) + " " + schema.Num(tidy(*ch.SI.After)) + " " + ch.SI.Unit; got != c.si {
				t.Errorf("%s: SI %s, want %s", c.name, got, c.si)
			}
		}
		if in := InWords(Compare(cat, a, b), nil); in != c.words {
			t.Errorf("%s: in words %q", c.name, in)
		}
	}
}

// 40 and 40.0 are one value, however the tune was decoded.
func TestSpellingIsNoChange(t *testing.T) {
	a := Side{Label: "a", Sheet: sheetSI(), Tune: tuneOf(map[string]any{"stiffness.pan": int64(40)})}
	b := Side{Label: "b", Sheet: sheetSI(), Tune: tuneOf(map[string]any{"stiffness.pan": 40.0})}
	if r := Compare(cat, a, b); !r.Same {
		t.Errorf("%+v", r.Tune)
	}
}

func TestAbsentKeys(t *testing.T) {
	full := map[string]any{"filters.drive": 2.0, "horizon.offset_deg": 0.0, "follow.walk.deadband.pan": 6.0, "follow.walk.deadband.tilt": 7.0, "follow.run.deadband.pan": 2.0}
	less := map[string]any{"follow.walk.deadband.tilt": 7.0}
	a, b := Side{Label: "a", Sheet: sheetSI(), Tune: tuneOf(full)}, Side{Label: "b", Sheet: sheetSI(), Tune: tuneOf(less)}
	want := map[string][2]string{ // remark when removed, when added
		"filters.drive":            {"the dial's default 0 now applies", "the dial's default 0 applied before"},
		"horizon.offset_deg":       {"the default 0 now applies", "the default 0 applied before"},
		"follow.walk.deadband.pan": {"the dial's default 0 now applies", "the dial's default 0 applied before"},
		"follow.run.deadband.pan":  {"unset", "was not set"},
	}
	for i, r := range []Report{Compare(cat, a, b), Compare(cat, b, a)} {
		cs := allChanges(r)
		if len(cs) != len(want) {
			t.Fatalf("%d changes", len(cs))
		}
		for _, c := range cs {
			if c.Remark != want[c.Key][i] || c.Op != []Op{Removed, Added}[i] {
				t.Errorf("%s: %s, %q, want %q", c.Key, c.Op, c.Remark, want[c.Key][i])
			}
			if c.Key == "horizon.offset_deg" && c.Level != schema.Minor {
				t.Errorf("a key written out at its default weighs %s", c.Level)
			}
		}
	}
}

func rigOn(gimbal string) *preset.Rig {
	return &preset.Rig{ID: "k7qd2m9x4c", Gimbal: gimbal, Parts: []preset.Part{{Slot: "body", Name: "body", Mass: 2, Shape: "point"}}}
}

func TestOtherGimbal(t *testing.T) {
	scaled := func(f func(d *schema.Dial)) *schema.Sheet { // a second gimbal of our sheet's kind
		s := sheetSI()
		s.Slug = "capstan"
		for k, d := range s.Dials {
			if d.Map != nil {
				m := *d.Map
				d.Map = &m
			}
			f(&d)
			s.Dials[k] = d
		}
		return s
	}
	for _, c := range []struct {
		name   string
		sheet  *schema.Sheet
		key    string
		a, b   float64
		what   string // as the table shows it, after the label
		comp   bool
		level  schema.Level
		exists bool
	}{
		{"through SI", scaled(func(d *schema.Dial) { d.Max, d.Coarse, d.Fine = 100, 5, 1 }), "stiffness.pan", 100, 55, "100 there is 50 here, 1 coarse step stiffer", true, schema.Notable, true},
		{"equal in SI", scaled(func(d *schema.Dial) { d.Max = 100 }), "stiffness.pan", 100, 50, "100 there is 50 here, same effect, different dial number", true, schema.Minor, true},
		{"equal number, other effect", scaled(func(d *schema.Dial) { d.Max, d.Coarse = 100, 10 }), "stiffness.pan", 50, 50, "50 there is 25 here, 2 coarse and 10 fine steps stiffer", true, schema.Major, true},
		{"out of reach", scaled(func(d *schema.Dial) { d.Map.AtMax /= 4 }), "stiffness.pan", 150, 100, "softer, 150 is outside the dial of gimbal capstan", true, schema.Major, true},
		{"same dial on another gimbal", scaled(func(d *schema.Dial) {}), "stiffness.pan", 50, 50, "", true, schema.Same, false},
		{"no map", sheetPlain(), "stiffness.pan", 50, 50, "not comparable: not comparable: no SI conversion for bollard", false, schema.Notable, true},
		{"degrees need no map", sheetPlain(), "limits.tilt.up_deg", 50, 51, "+1, 1 fine step wider", true, schema.Minor, true},
		{"cutoff in s", scaled(func(d *schema.Dial) {
			if strings.HasPrefix(d.Key, "filters.") { // τ = 1/(2πf), so the same filter
				d.Map = &schema.Map{Kind: schema.Logarithmic, Unit: "s", AtMin: 1 / (2 * math.Pi * 20), AtMax: 1 / (2 * math.Pi * 200)}
			}
		}), "filters.drive", 4, 4, "", true, schema.Same, false},
		{"no dial there", func() *schema.Sheet { s := scaled(func(*schema.Dial) {}); delete(s.Dials, "stiffness.pan"); return s }(), "stiffness.pan", 1, 1, "not comparable: gimbal capstan has no dial for it", false, schema.Notable, true},
	} {
		a := Side{Label: "a", Rig: rigOn("halyard"), Sheet: sheetSI(), Tune: tuneOf(map[string]any{c.key: c.a})}
		b := Side{Label: "b", Rig: rigOn(c.sheet.Slug), Sheet: c.sheet, Tune: tuneOf(map[string]any{c.key: c.b})}
		r := Compare(cat, a, b)
		cs := allChanges(r)
		if (len(cs) == 1) != c.exists {
			t.Errorf("%s: %+v", c.name, cs)
			continue
		}
		if r.Same || r.Build == nil || r.Build.Level != schema.Major {
			t.Errorf("%s: another gimbal is a major change of build: %+v", c.name, r.Build)
		}
		if c.exists && (cs[0].what() != c.what || cs[0].Comparable != c.comp || cs[0].Level != c.level) {
			t.Errorf("%s: %q, comparable %v, %s; want %q, %v, %s", c.name, cs[0].what(), cs[0].Comparable, cs[0].Level, c.what, c.comp, c.level)
		}
	}
}

// A sheet edited between two revisions changes what its numbers mean.
func TestChangedDial(t *testing.T) {
	later := sheetPlain()
	d := later.Dials["stiffness.pan"]
	d.Max = 200
	later.Dials["stiffness.pan"] = d
	a := Side{Label: "a", Sheet: sheetPlain(), Tune: tuneOf(map[string]any{"stiffness.pan": 40.0})}
	b := Side{Label: "b", Sheet: later, Tune: tuneOf(map[string]any{"stiffness.pan": 40.0})}
	c := one(t, a, b)
	if want := "not comparable: the dial changed from 0–100 to 0–200 and has no SI conversion"; c.Comparable || c.Reason != want {
		t.Errorf("%v %q", c.Comparable, c.Reason)
	}
}

// An angle goes the short way round.
func TestCircular(t *testing.T) {
	with := cat.With(schema.Param{Field: schema.Field{Path: "horizon.heading_deg", Type: schema.Float, Unit: "°"}, Name: "heading", Group: "horizon", Order: 41,
		Up: "left", Down: "right", Step: 1, Coarse: 10, Circular: 360, Significance: schema.Significance{Notable: 1, Major: 3}})
	r := Compare(with, Side{Label: "a", Tune: tuneOf(map[string]any{"horizon.heading_deg": 350.0})}, Side{Label: "b", Tune: tuneOf(map[string]any{"horizon.heading_deg": 10.0})})
	if c := allChanges(r)[0]; *c.Delta != 20 || c.Direction != "left" || c.Level != schema.Notable || c.Remark != "wraps around" {
		t.Errorf("%+v", c)
	}
}

// TestNewParameter: a parameter added to a copy of the catalogue is compared,
// named, weighed, explained and shown by every writer with no other change.
func TestNewParameter(t *testing.T) {
	with := schematest.Catalogue()
	side := func(c *schema.Catalogue, v float64) Side {
		tune, err := preset.UncheckedTune(c, "", []byte(schematest.Tune(v)))
		if err != nil {
			t.Fatal(err)
		}
		return Side{Label: "x", Sheet: schematest.Sheet(), Tune: &tune, Texts: map[string][]byte{preset.TunePath(schematest.Rig, "main"): []byte(schematest.Tune(v))}}
	}
	r := Compare(with, side(with, 10), side(with, 20))
	if got, want := InWords(r, nil), "recovery.tilt 10 → 20 (+10, 2 coarse steps quicker recovery)"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	p := schematest.Param()
	if c := allChanges(r)[0]; c.Level != schema.Major || c.Sentence != p.Raise || c.Caution != p.Cautions[0] || *c.SI.After != 0.4 || c.SI.Unit != "1/s" {
		t.Errorf("%+v", c)
	}
	for name, write := range map[string]func(io.Writer) error{
		"text":     func(w io.Writer) error { return WriteText(w, r, Options{All: true}, Style{Width: 120}) },
		"markdown": func(w io.Writer) error { return WriteMarkdown(w, r, Options{}) },
		"page":     func(w io.Writer) error { return WriteHTML(w, r, Options{}, page.Foot{}) },
		"json":     func(w io.Writer) error { return safe.WriteJSON(w, r) },
	} {
		var out bytes.Buffer
		if err := write(&out); err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{p.Name, "major", "sooner"} {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%s lacks %q:\n%s", name, want, out.String())
			}
		}
	}
	// a program without it says that it does not know the key, and drops nothing
	old := Compare(cat, side(cat, 10), side(cat, 20))
	if old.Same || len(old.Documents) != 1 || old.Documents[0].Fields[0].Key != schematest.Key || old.Documents[0].Fields[0].Known {
		t.Errorf("%+v", old.Documents)
	}
}

func TestBuild(t *testing.T) {
	part := func(slot, name string, g, x float64) preset.Part {
		return preset.Part{Slot: slot, Name: name, Shape: "box", Size: [3]float64{0.1, 0.1, 0.1}, Mass: g / 1000, Place: [3]float64{x / 1000, 0, 0}}
	}
	base := []preset.Part{part("body", "body", 2000, 0), part("lens", "35 mm", 600, 90), part("plate", "plate", 300, 0)}
	for _, c := range []struct {
		name  string
		after []preset.Part
		words string
	}{
		{"grams for kilograms", []preset.Part{func() preset.Part { p := part("body", "body", 2000, 0); p.Mass = 2000 * 1e-3; return p }(), base[1], base[2]}, ""},
		{"replaced", []preset.Part{base[0], part("lens", "85 mm", 1010, 110), base[2]}, "build 2.9 → 3.31 kg (+410 g)\ncentre of gravity forward 15 mm\nlens \"35 mm\" → \"85 mm\": +410 g, moved forward 20 mm"},
		{"added", append(append([]preset.Part{}, base...), part("monitor", "5 in", 250, -50)), "build 2.9 → 3.15 kg (+250 g)\ncentre of gravity back 5 mm\npart added: monitor \"5 in\", 250 g"},
		{"removed", base[:2], "build 2.9 → 2.6 kg (-300 g)\ncentre of gravity forward 2 mm\npart removed: plate \"plate\", 300 g"},
		{"moved", []preset.Part{base[0], part("lens", "35 mm", 600, 104), base[2]}, "centre of gravity forward 3 mm\nlens \"35 mm\": moved forward 14 mm"},
		{"turned", []preset.Part{base[0], base[1], func() preset.Part { p := base[2]; p.Turn[2] = math.Pi / 2; return p }()}, "plate \"plate\": turn changed"},
		{"reordered", []preset.Part{base[1], base[0], base[2]}, "parts reordered"},
	} {
		a := Side{Label: "a", Rig: &preset.Rig{Gimbal: "halyard", Parts: base}, Sheet: sheetSI()}
		b := Side{Label: "b", Rig: &preset.Rig{Gimbal: "halyard", Parts: c.after}, Sheet: sheetSI()}
		r := Compare(cat, a, b)
		if got := InWords(r, nil); got != c.words {
			t.Errorf("%s: %q, want %q", c.name, got, c.words)
		}
		if r.Same != (c.words == "") {
			t.Errorf("%s: Same = %v", c.name, r.Same)
		}
	}
}

// Inertia about the motor axes is the gimbal's own and the build's, balanced: two builds
// of two equal point masses, worked by hand. Source: J = m r² (definition).
func TestInertia(t *testing.T) {
	rig := func(x float64) *preset.Rig {
		return &preset.Rig{Gimbal: "halyard", Parts: []preset.Part{{Slot: "body", Name: "body", Shape: "point", Mass: 1, Place: [3]float64{x, 0, 0}}, {Slot: "lens", Name: "lens", Shape: "point", Mass: 1, Place: [3]float64{-x, 0, 0}}}}
	}
	r := Compare(cat, Side{Label: "a", Rig: rig(0.1), Sheet: sheetSI()}, Side{Label: "b", Rig: rig(0.2), Sheet: sheetSI()})
	for _, in := range r.Build.Inertia {
		want := [2]float64{0.01 + 2*0.01, 0.01 + 2*0.04} // tilt, and pan with the head level
		if in.Axis == "roll" {
			// tilted by 90° the mass stands off the roll axis, which does not tilt: the worst
			if math.Abs(in.Before-want[0]) > 1e-9 || math.Abs(in.After-want[1]) > 1e-9 {
				t.Errorf("roll: %+v", in)
			}
			continue
		}
		if math.Abs(in.Before-want[0]) > 1e-9 || math.Abs(in.After-want[1]) > 1e-9 || math.Abs(in.Ratio-3) > 1e-9 {
			t.Errorf("%+v, want %v", in, want)
		}
	}
	if len(r.Build.Inertia) != 3 || r.Build.Level != schema.Major {
		t.Errorf("%+v", r.Build)
	}
}

func TestNoBuildKnown(t *testing.T) {
	a := Side{Label: "a", Rig: rigOn("halyard"), Tune: tuneOf(map[string]any{"stiffness.pan": 1.0})}
	b := Side{Label: "mine.toml", Tune: tuneOf(map[string]any{"stiffness.pan": 1.0})}
	r := Compare(cat, a, b)
	if !r.Same || len(r.NotCompared) != 1 || !strings.Contains(r.NotCompared[0], "mine.toml") {
		t.Errorf("%v %v", r.Same, r.NotCompared)
	}
}

func TestProof(t *testing.T) {
	proved := func(v float64) Side {
		tune := tuneOf(map[string]any{"stiffness.pan": v})
		tune.Proof = &preset.Proof{At: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), Unit: "H-2", Rig: "k7qd2m9x4c", Digest: tuneOf(map[string]any{"stiffness.pan": 40.0}).GroupDigest(preset.GroupHold)}
		return Side{Label: "x", Rig: rigOn("halyard"), Tune: tune}
	}
	bare := Side{Label: "x", Rig: rigOn("halyard"), Tune: tuneOf(map[string]any{"stiffness.pan": 40.0})}
	later := proved(40)
	later.Tune.Proof.At = later.Tune.Proof.At.AddDate(0, 0, 7)
	noted := proved(40)
	noted.Tune.Proof.Note = "quiet"
	for _, c := range []struct {
		name     string
		a, b     Side
		sentence string
		level    schema.Level
	}{
		{"lost its validity", proved(40), proved(41), "the proof of 2026-03-02 08:00 UTC on unit H-2 is out of date", schema.Major},
		{"is valid again", proved(41), proved(40), "the proof of 2026-03-02 08:00 UTC on unit H-2 is valid again", schema.Minor},
		{"new", bare, proved(40), "the proof of 2026-03-02 08:00 UTC on unit H-2 is new", schema.Notable},
		{"new and stale at once", bare, proved(41), "the proof of 2026-03-02 08:00 UTC on unit H-2 is new, and is out of date", schema.Notable},
		{"gone", proved(40), bare, "the proof of 2026-03-02 08:00 UTC on unit H-2 removed", schema.Major},
		{"replaced", proved(40), later, "the proof of 2026-03-09 08:00 UTC on unit H-2 replaces the proof of 2026-03-02 08:00 UTC on unit H-2", schema.Notable},
		{"noted", proved(40), noted, "the proof of 2026-03-02 08:00 UTC on unit H-2 was changed", schema.Minor},
	} {
		r := Compare(cat, c.a, c.b)
		if r.Proof == nil || r.Proof.Sentence != c.sentence || r.Proof.Level != c.level {
			t.Errorf("%s: %+v", c.name, r.Proof)
		}
	}
	if r := Compare(cat, proved(41), proved(41)); r.Proof != nil || !r.Same {
		t.Errorf("a stale proof on both sides is no difference: %+v", r.Proof)
	}
}

// Smaller changes are counted where there are weightier ones, and shown where not.
func TestSmallerChanges(t *testing.T) {
	side := func(x, y float64) Side {
		return Side{Label: "x", Sheet: sheetSI(), Tune: tuneOf(map[string]any{"stiffness.pan": x, "stiffness.tilt": y})}
	}
	text := func(r Report, o Options) string {
		var b bytes.Buffer
		if err := WriteText(&b, r, o, Style{}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	mixed, small := Compare(cat, side(40, 40), side(40.5, 60)), Compare(cat, side(40, 40), side(40.5, 40))
	// on a screen where there is room, and not where there are many
	if s := text(mixed, Options{}); !strings.Contains(s, "pan   40 to 40.5") || strings.Contains(s, "hidden") {
		t.Error(s)
	}
	a, b := map[string]any{}, map[string]any{}
	for i := range shortChanges {
		key := fmt.Sprintf("follow.s%d.lag.pan", i)
		a[key], b[key] = 0.1, 0.9
	}
	a["stiffness.pan"], b["stiffness.pan"] = 40.0, 40.5
	many := Compare(cat, Side{Label: "x", Sheet: sheetSI(), Tune: tuneOf(a)}, Side{Label: "x", Sheet: sheetSI(), Tune: tuneOf(b)})
	if s := text(many, Options{}); !strings.Contains(s, "40.5") || !strings.Contains(s, "1 smaller change hidden. Everything: --all") {
		t.Error(s)
	}
	if s := text(mixed, Options{All: true}); !strings.Contains(s, "stiffness, pan") || strings.Contains(s, "hidden") {
		t.Error(s)
	}
	// nobody can ask a page for the rest
	var page, review bytes.Buffer
	if err := WriteHTML(&page, mixed, Options{}, demoFoot); err != nil {
		t.Fatal(err)
	}
	if err := WriteReviewHTML(&review, Review{Of: "x", Changes: []Since{{Of: "x", Since: "y", Command: "rigkeep compare x@y x", Report: &mixed}}}, demoFoot); err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{page.String(), review.String()} {
		if !strings.Contains(s, "stiffness, pan") || strings.Contains(s, "minor change") {
			t.Errorf("a page leaves a value out: %s", s)
		}
	}
	if s := text(small, Options{}); !strings.Contains(s, "pan  40 to 40.5") {
		t.Error(s)
	}
	if s := text(Compare(cat, side(1, 1), side(1, 1)), Options{}); !strings.Contains(s, "identical") {
		t.Error(s)
	}
}

var colour = regexp.MustCompile("\x1b\\[[0-9]*m")

// No line is wider than asked, whatever the width; colour adds nothing but colour.
func TestTextWidth(t *testing.T) {
	r := demoReport()
	rapid.Check(t, func(t *rapid.T) {
		w := rapid.IntRange(minWidth, 180).Draw(t, "width")
		all := rapid.Bool().Draw(t, "all")
		var plain, painted bytes.Buffer
		if err := WriteText(&plain, r, Options{All: all}, Style{Width: w}); err != nil {
			t.Fatal(err)
		}
		for _, l := range strings.Split(plain.String(), "\n") {
			if sheet.Width(l) > w {
				t.Fatalf("a line of %d columns at %d: %q", sheet.Width(l), w, l)
			}
		}
		if err := WriteText(&painted, r, Options{All: all}, Style{Width: w, Colour: true}); err != nil {
			t.Fatal(err)
		}
		trimmed := regexp.MustCompile(`(?m) +$`).ReplaceAllString(colour.ReplaceAllString(painted.String(), ""), "")
		if trimmed != plain.String() {
			t.Fatalf("colour changes the text:\n%s\n%s", trimmed, plain.String())
		}
	})
}

func TestCommitWords(t *testing.T) {
	a, b := demoSides()
	want := `build 3.07 → 3.48 kg (+410 g)
centre of gravity forward 14 mm, up 1 mm
lens "35 mm prime" → "85 mm prime": +410 g, moved forward 15 mm
stiffness.pan 41 → 42 (+1, 2 fine steps stiffer)
stiffness.tilt 62.5 → 66 (+3.5, 1 coarse step stiffer)
filters.sensing 3 → 5 (+2, 2 steps lighter)
filters.drive removed, was 2 (the dial's default 0 now applies)
horizon.offset_deg 0 → 0.4° (+0.4, 4 fine steps right side down)
follow.sweep added, 2 values
follow.walk.lag.pan 40 → 55 (+15, 3 coarse steps longer)
the proof of 2026-03-02 08:00 UTC on unit H-2 is out of date
note changed`
	r := Compare(cat, a, b)
	if got := InWords(r, nil); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if got, want := Stat(r), "build +410 g; 8 values (2 major, 5 notable, 1 minor); proof out of date; note changed"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// The shape of the JSON is documented; what is promised stays.
func TestJSONShape(t *testing.T) {
	var b bytes.Buffer
	if err := safe.WriteJSON(&b, demoReport()); err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got["format"] != float64(Format) || got["same"] != false {
		t.Errorf("format %v, same %v", got["format"], got["same"])
	}
	change := got["tune"].([]any)[0].(map[string]any)["changes"].([]any)[1].(map[string]any)
	for key, want := range map[string]any{"key": "stiffness.tilt", "label": "stiffness, tilt", "axis": "tilt", "op": "changed", "before": 62.5, "after": 66.0, "delta": 3.5,
		"share_of_range": 0.0175, "sense": 1.0, "direction": "stiffer", "level": "notable", "comparable": true, "known": true} {
		if change[key] != want {
			t.Errorf("%s is %v, want %v", key, change[key], want)
		}
	}
	if s := change["steps"].(map[string]any); s["coarse"] != 1.0 || s["fine"] != 7.0 {
		t.Errorf("steps %v", s)
	}
	if got["before"].(map[string]any)["when"] != "2026-03-02T09:30:00Z" || got["build"].(map[string]any)["mass_delta_g"] != 410.0 {
		t.Errorf("%v %v", got["before"], got["build"])
	}
}

func BenchmarkCompare(b *testing.B) {
	x, y := demoSides()
	for b.Loop() {
		Compare(cat, x, y)
	}
}

func BenchmarkBehave(b *testing.B) {
	x, y := demoSides()
	for b.Loop() {
		Behave(cat, x, y, Conditions{})
	}
}

func BenchmarkWriteText(b *testing.B) {
	r := demoReport()
	for b.Loop() {
		if err := WriteText(&bytes.Buffer{}, r, Options{}, Style{Width: 100}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWriteHTML(b *testing.B) {
	r := demoReport()
	for b.Loop() {
		if err := WriteHTML(&bytes.Buffer{}, r, Options{}, demoFoot); err != nil {
			b.Fatal(err)
		}
	}
}
