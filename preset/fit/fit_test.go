package fit

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
	"rigkeep/preset/mass"
)

// kit is a small invented package whose centre of gravity lies at
// (0.04, -0.006, 0.003).
func kit() []mass.Part {
	return []mass.Part{
		{Name: "body", Shape: mass.Box, Mass: 1, Size: mass.Vec{0.1, 0.12, 0.1}, Place: mass.Vec{0, -0.006, 0.003}},
		{Name: "lens", Shape: mass.Cylinder, Mass: 1, Radius: 0.04, Length: 0.1, Axis: mass.Vec{1, 0, 0}, Place: mass.Vec{0.08, -0.006, 0.003}},
	}
}

// asTyped leaves the kit where it is typed: as far off as its centre of gravity lies.
var asTyped = mass.Vec{0.04, -0.006, 0.003}

func item(t *testing.T, items []Item, what string) Item {
	t.Helper()
	for _, it := range items {
		if it.What == what {
			return it
		}
	}
	t.Fatalf("no item %q in %+v", what, items)
	return Item{}
}

func near(t modeltest.T, what string, got, want, abs float64) {
	t.Helper()
	modeltest.Near(t, what, got, want, 0, abs)
}

func check(t *testing.T, parts []mass.Part, l Limits) Report {
	t.Helper()
	r, err := Check(parts, l, mass.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestPayload(t *testing.T) {
	for _, c := range []struct {
		min, max float64
		grade    Grade
		margin   float64
		says     string
	}{
		{0, 3, Fits, 1, "1.000 kg under"},
		{0, 2.1, Tight, 0.1, "95 % of the payload limit"},
		{0, 1.75, Over, -0.25, "0.250 kg over the limit"},
		{0, 2, Tight, 0, "100 %"},
		{2.5, 4, Over, 2, "below the minimum"},
		{0, 0, Unknown, 0, "gives no limit"},
	} {
		r := check(t, kit(), Limits{PayloadMin: c.min, PayloadMax: c.max})
		words := ""
		for _, it := range r.Payload {
			words += it.Words + "; "
		}
		if r.Grade != c.grade || !strings.Contains(words, c.says) {
			t.Errorf("limit %g..%g: %v, %s; want %v, %s", c.min, c.max, r.Grade, words, c.grade, c.says)
		}
		near(t, "margin", r.Payload[0].Margin, c.margin, 1e-12)
	}
	// the warning share is a parameter
	if r := check(t, kit(), Limits{PayloadMax: 3, WarnShare: 0.5}); r.Grade != Tight {
		t.Errorf("own share: %v", r.Grade)
	}
}

func TestClearancesByHand(t *testing.T) {
	l := Limits{Clear: &Box{mass.Vec{-0.08, -0.07, -0.06}, mass.Vec{0.12, 0.07, 0.06}}, TiltRadius: 0.14, RollRadius: 0.07, Off: asTyped}
	r := check(t, kit(), l)
	for what, want := range map[string]struct {
		have, margin float64
		part         string
		grade        Grade
	}{
		"front":  {0.13, -0.01, "lens", Over},
		"back":   {0.05, 0.03, "body", Fits},
		"left":   {0.054, 0.016, "body", Fits},
		"right":  {0.066, 0.004, "body", Tight},
		"top":    {0.053, 0.007, "body", Fits},
		"bottom": {0.047, 0.013, "body", Fits},
		// the lens's front rim: 130 mm ahead and 43 mm up
		"swept about tilt": {math.Hypot(0.13, 0.043), 0.14 - math.Hypot(0.13, 0.043), "lens", Tight},
		// the body's corner: 66 mm right and 53 mm up
		"swept about roll": {math.Hypot(0.066, 0.053), 0.07 - math.Hypot(0.066, 0.053), "body", Over},
	} {
		it := item(t, r.Balanced, what)
		near(t, what, it.Have, want.have, 1e-12)
		near(t, what+" margin", it.Margin, want.margin, 1e-12)
		if it.Part != want.part || it.Grade != want.grade || it.Words == "" {
			t.Errorf("%s: %+v, want %v by %s", what, it, want.grade, want.part)
		}
	}
	if w := item(t, r.Balanced, "front").Words; w != "lens is 10 mm past clearance, front" {
		t.Errorf("words: %s", w)
	}
	if it := item(t, r.Balanced, "swept about pan"); it.Grade != Unknown {
		t.Errorf("unknown radius graded %v", it.Grade)
	}
	// balanced, the build sits 40 mm back, 6 mm left and 3 mm down
	l.Off = mass.Vec{}
	r = check(t, kit(), l)
	near(t, "front when balanced", item(t, r.Balanced, "front").Have, 0.09, 1e-12)
	near(t, "shift", r.Shift.Add(asTyped).Len(), 0, 1e-12)
}

// Of a clear space whose place is not known, its size alone is held against the build.
func TestClearSizeAlone(t *testing.T) {
	r := check(t, kit(), Limits{Size: &mass.Vec{0.19, 0.12, 0.095}, Off: mass.Vec{9, 9, 9}})
	for what, margin := range map[string]float64{"length": 0.01, "width": 0, "height": -0.005} {
		near(t, what, item(t, r.Balanced, what).Margin, margin, 1e-12)
	}
	if it := item(t, r.Balanced, "height"); it.Grade != Over || it.Words != "body is 5 mm past the clear space in height" || r.Grade != Over {
		t.Errorf("%+v", it)
	}
	if len(r.Balanced) != 6 {
		t.Errorf("%+v", r.Balanced)
	}
	_, err := Check(kit(), Limits{Size: &mass.Vec{0.1, 0.1, 0}}, mass.Options{})
	modeltest.WantDomain(t, "no height", err)
}

// Adjustments that end 14 mm before balance leave the build 14 mm further ahead.
func TestAdjustmentsEnd(t *testing.T) {
	l := Limits{Clear: &Box{mass.Vec{-0.08, -0.07, -0.06}, mass.Vec{0.12, 0.07, 0.06}}}
	whole := item(t, check(t, kit(), l).Balanced, "front").Margin
	l.Off = mass.Vec{0.014}
	near(t, "front", item(t, check(t, kit(), l).Balanced, "front").Margin, whole-0.014, 1e-12)
}

// Of a build whose balance point is not known, the payload alone is said.
func TestPayloadAlone(t *testing.T) {
	r, err := Payload(2, Limits{PayloadMax: 1.75})
	if err != nil || r.Grade != Over || len(r.Balanced) != 0 || r.Properties.Mass != 2 {
		t.Errorf("%+v %v", r, err)
	}
	_, err = Payload(0, Limits{})
	modeltest.WantDomain(t, "no mass", err)
}

func genLimits(t *rapid.T) Limits {
	v := func(name string, r float64) mass.Vec {
		f := rapid.Float64Range(-r, r)
		return mass.Vec{f.Draw(t, name), f.Draw(t, name), f.Draw(t, name)}
	}
	l := Limits{
		Tilt: mass.Line{Point: v("tilt point", 0.05), Dir: mass.Vec{0, 1, 0}},
		Roll: mass.Line{Point: v("roll point", 0.05), Dir: mass.Vec{1, 0, 0}},
		Pan:  mass.Line{Point: v("pan point", 0.05), Dir: mass.Vec{0, 0, 1}},
	}
	if rapid.Bool().Draw(t, "slanted") {
		l.Roll.Dir, l.Tilt.Dir = mass.Vec{1, 0.4, -0.3}, v("tilt dir", 0.5).Add(mass.Vec{0, 1, 0})
	}
	return l
}

// No other shift brings the centre of gravity nearer to both axes.
func TestBalancePointIsTheBest(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	rapid.Check(t, func(t *rapid.T) {
		l := genLimits(t)
		f := rapid.Float64Range(-0.08, 0.08)
		at, err := BalancePoint(mass.Vec{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}, l.Roll, l.Tilt)
		if err != nil {
			t.Fatal(err)
		}
		off := func(p mass.Vec, a mass.Line) float64 {
			d, _ := a.Dir.Unit()
			return p.Sub(a.Point).Cross(d).Len()
		}
		cost := func(p mass.Vec) float64 { return math.Pow(off(p, l.Tilt), 2) + math.Pow(off(p, l.Roll), 2) }
		best := cost(at)
		for range 60 {
			m := at
			for i := range m {
				m[i] += math.Pow(10, -1-3*rng.Float64()) * (2*rng.Float64() - 1)
			}
			if cost(m) < best-1e-15 {
				t.Fatalf("%v costs %g, the place of balance %v costs %g", m, cost(m), at, best)
			}
		}
	})
}

// Where a build is typed from does not matter: balanced, it lies in one place.
func TestOriginDoesNotMatter(t *testing.T) {
	l := Limits{Clear: &Box{mass.Vec{-0.1, -0.1, -0.1}, mass.Vec{0.1, 0.1, 0.1}}, TiltRadius: 0.15, RollRadius: 0.1, PanRadius: 0.2}
	r := check(t, kit(), l)
	moved := kit()
	by := mass.Vec{0.11, -0.02, 0.3}
	for i := range moved {
		moved[i].Place = moved[i].Place.Add(by)
	}
	again := check(t, moved, l)
	for i, it := range again.Balanced {
		near(t, it.What, r.Balanced[i].Have, it.Have, 1e-12)
	}
	near(t, "shift", r.Shift.Sub(again.Shift).Sub(by).Len(), 0, 1e-12)
}

func TestCheckRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, l := range map[string]Limits{
		"negative payload":   {PayloadMax: -1},
		"NaN payload":        {PayloadMax: nan},
		"payload reversed":   {PayloadMin: 3, PayloadMax: 2},
		"box reversed":       {Clear: &Box{mass.Vec{1, 1, 1}, mass.Vec{}}},
		"box infinite":       {Clear: &Box{mass.Vec{-1, -1, -1}, mass.Vec{1, inf, 1}}},
		"radius negative":    {TiltRadius: -0.1},
		"radius NaN":         {PanRadius: nan},
		"offset NaN":         {Off: mass.Vec{nan, 0, 0}},
		"warn above 1":       {WarnShare: 1.2},
		"clearance negative": {WarnClear: -1},
		"axis NaN":           {Roll: mass.Line{Dir: mass.Vec{nan, 0, 0}}},
		"axes parallel":      {Roll: mass.Line{Dir: mass.Vec{0, 2, 0}}},
	} {
		_, err := Check(kit(), l, mass.Options{})
		modeltest.WantDomain(t, name, err)
	}
	_, err := Check(nil, Limits{}, mass.Options{})
	modeltest.WantDomain(t, "no parts", err)
	_, err = BalancePoint(mass.Vec{nan}, mass.Line{Dir: mass.Vec{1, 0, 0}}, mass.Line{Dir: mass.Vec{0, 1, 0}})
	modeltest.WantDomain(t, "centre of gravity NaN", err)
	_, err = BalancePoint(mass.Vec{}, mass.Line{Dir: mass.Vec{0, 1, 0}}, mass.Line{Dir: mass.Vec{0, 1, 0}})
	modeltest.WantDomain(t, "parallel", err)
}

func TestGradeIsWrittenAsAWord(t *testing.T) {
	b, err := json.Marshal(map[string]Grade{"a": Over, "b": Unknown, "c": Tight, "d": Fits})
	if err != nil || string(b) != `{"a":"over","b":"unknown","c":"tight","d":"fits"}` {
		t.Errorf("%s, %v", b, err)
	}
}

func BenchmarkCheck(b *testing.B) {
	l := Limits{PayloadMax: 3, Clear: &Box{mass.Vec{-0.1, -0.1, -0.1}, mass.Vec{0.1, 0.1, 0.1}}, TiltRadius: 0.15, RollRadius: 0.1, PanRadius: 0.2}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Check(kit(), l, mass.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The lens: 130 mm ahead of the tilt axis; with the plate's end at 55 mm that
// is 75 mm past it.
func TestOverhang(t *testing.T) {
	parts := append(kit(), mass.Part{Name: "plate", Slot: "plate", Shape: mass.Box, Mass: 1e-9, Size: mass.Vec{0.1, 0.04, 0.01}, Place: mass.Vec{0.005, 0, -0.05}})
	r := check(t, parts, Limits{Off: asTyped.Sub(mass.Vec{0.01}), Tilt: mass.Line{Point: mass.Vec{0.01, 0, 0}, Dir: mass.Vec{0, 1, 0}}})
	f, b := r.Overhang[0], r.Overhang[1]
	near(t, "front", f.Reach, 0.12, 1e-9)
	near(t, "past the plate", *f.Past, 0.075, 1e-9)
	if f.Part != "lens" || f.Words != "lens: 120 mm ahead of the tilt axis, 75 mm past the plate" {
		t.Errorf("%+v", f)
	}
	near(t, "back", b.Reach, 0.06, 1e-9)
	// no plate, no word of it; a build all ahead of the axis has nothing behind
	r = check(t, kit(), Limits{Off: asTyped.Add(mass.Vec{0.2}), Tilt: mass.Line{Point: mass.Vec{-0.2, 0, 0}, Dir: mass.Vec{0, 1, 0}}})
	if r.Overhang[0].Past != nil || r.Overhang[1].Words != "nothing reaches behind the tilt axis" {
		t.Errorf("%+v", r.Overhang)
	}
	// in the units asked for
	inch := func(m float64) string { return fmt.Sprintf("%.2f in", m/0.0254) }
	pound := func(kg float64) string { return fmt.Sprintf("%.2f lb", kg/0.45359237) }
	r = check(t, kit(), Limits{PayloadMax: 1, Length: inch, Off: asTyped, Mass: pound, Clear: &Box{mass.Vec{-0.08, -0.07, -0.06}, mass.Vec{0.12, 0.07, 0.06}}})
	if w := r.Payload[0].Words + r.Balanced[0].Words + r.Overhang[0].Words; strings.Contains(w, "mm") || strings.Contains(w, "kg") || !strings.Contains(w, "lens is 0.39 in past") {
		t.Error(w)
	}
}
