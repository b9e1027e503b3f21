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
		{0, 1.75, Over, -0.25, "0.250 kg over the payload limit"},
		{0, 2, Tight, 0, "100 %"},
		{2.5, 4, Over, 2, "under the smallest payload"},
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
	l := Limits{Clear: &Box{mass.Vec{-0.08, -0.07, -0.06}, mass.Vec{0.12, 0.07, 0.06}}, TiltRadius: 0.14, RollRadius: 0.07}
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
		it := item(t, r.Placed, what)
		near(t, what, it.Have, want.have, 1e-12)
		near(t, what+" margin", it.Margin, want.margin, 1e-12)
		if it.Part != want.part || it.Grade != want.grade || it.Words == "" {
			t.Errorf("%s: %+v, want %v by %s", what, it, want.grade, want.part)
		}
	}
	if w := item(t, r.Placed, "front").Words; w != "lens is 10.0 mm past the clear box at the front" {
		t.Errorf("words: %s", w)
	}
	if it := item(t, r.Placed, "swept about pan"); it.Grade != Unknown {
		t.Errorf("unknown radius graded %v", it.Grade)
	}
	// balanced, the build sits 40 mm back, 6 mm left and 3 mm down
	near(t, "front when balanced", item(t, r.Balanced, "front").Have, 0.09, 1e-12)
	if r.Plate.Words != "shift the build back 40 mm, left 6 mm, down 3 mm" {
		t.Errorf("plate: %s", r.Plate.Words)
	}
	near(t, "tilt after", r.Plate.Remains.Tilt, 0, 1e-15)
	near(t, "roll after", r.Plate.Remains.Roll, 0, 1e-15)
	if len(r.Plate.Ends) != 0 {
		t.Errorf("ends: %v", r.Plate.Ends)
	}
}

func TestPlateTravelEnds(t *testing.T) {
	travel := Travel{Forward: 0.02, Back: 0.026, Left: 0.03, Right: 0.03, Up: 0.01, Down: 0.002}
	r := check(t, kit(), Limits{Plate: &travel})
	p := r.Plate
	if d := p.Move.Sub(mass.Vec{-0.026, 0.006, -0.002}).Len(); d > 1e-12 {
		t.Errorf("move %v", p.Move)
	}
	if strings.Join(p.Ends, " ") != "back down" {
		t.Errorf("ends %v", p.Ends)
	}
	if p.Words != "shift the build back 26 mm, left 6 mm, down 2 mm; the plate's travel ends first (back, down): back 14 mm, down 1 mm is missing" {
		t.Errorf("words %q", p.Words)
	}
	near(t, "tilt remains", p.Remains.Tilt, math.Hypot(0.014, 0.001), 1e-12)
	near(t, "roll remains", p.Remains.Roll, 0.001, 1e-12)
	near(t, "pan remains", p.Remains.Pan, 0.014, 1e-12)
}

// A pan axis that misses the tilt axis is its arm's business, not the plate's.
func TestPanAxisApart(t *testing.T) {
	r := check(t, kit(), Limits{Pan: mass.Line{Point: mass.Vec{0.05, 0, 0}, Dir: mass.Vec{0, 0, 1}}})
	near(t, "tilt", r.Plate.Remains.Tilt, 0, 1e-15)
	near(t, "pan", r.Plate.Remains.Pan, 0.05, 1e-12)
}

func TestMovingShare(t *testing.T) {
	p, err := mass.Build(kit())
	if err != nil {
		t.Fatal(err)
	}
	s, err := PlateShift(p, p.Mass/2, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if d := s.Move.Sub(p.CG.Scale(-2)).Len(); d > 1e-12 {
		t.Errorf("half the mass must go twice as far: %v", s.Move)
	}
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
	if rapid.Bool().Draw(t, "bounded") {
		f := rapid.Float64Range(0, 0.06)
		l.Plate = &Travel{f.Draw(t, "f"), f.Draw(t, "b"), f.Draw(t, "l"), f.Draw(t, "r"), f.Draw(t, "u"), f.Draw(t, "d")}
	}
	return l
}

// No other shift within the travel brings the centre of gravity nearer.
func TestPlateShiftIsTheBest(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	rapid.Check(t, func(t *rapid.T) {
		l := genLimits(t)
		f := rapid.Float64Range(-0.08, 0.08)
		p := mass.Properties{Mass: 2, CG: mass.Vec{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}}
		moving := rapid.Float64Range(0.5, 2).Draw(t, "moving")
		s, err := PlateShift(p, moving, l)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.fill(); err != nil {
			t.Fatal(err)
		}
		lo, hi := l.Plate.bounds()
		cost := func(m mass.Vec) float64 {
			cg := p.CG.Add(m.Scale(moving / 2))
			return math.Pow(off(cg, l.Tilt), 2) + math.Pow(off(cg, l.Roll), 2)
		}
		best := cost(s.Move)
		for i := range s.Move {
			if s.Move[i] < lo[i]-1e-12 || s.Move[i] > hi[i]+1e-12 {
				t.Fatalf("move %v outside the travel %v..%v", s.Move, lo, hi)
			}
		}
		near(t, "remains", math.Pow(s.Remains.Tilt, 2)+math.Pow(s.Remains.Roll, 2), best, 1e-12)
		for range 60 {
			var m mass.Vec
			for i := range m {
				step := math.Pow(10, -1-3*rng.Float64()) * (2*rng.Float64() - 1)
				m[i] = math.Min(hi[i], math.Max(lo[i], s.Move[i]+step))
			}
			if cost(m) < best-1e-15 {
				t.Fatalf("%v costs %g, the plate's move %v costs %g", m, cost(m), s.Move, best)
			}
		}
		if s.Short.Len() > 1e-4 && len(s.Ends) == 0 {
			t.Fatalf("short by %v but no end named", s.Short)
		}
	})
}

// The clearances after the move are those of parts that were placed there.
func TestBalancedIsTheBuildMoved(t *testing.T) {
	l := Limits{Clear: &Box{mass.Vec{-0.1, -0.1, -0.1}, mass.Vec{0.1, 0.1, 0.1}}, TiltRadius: 0.15, RollRadius: 0.1, PanRadius: 0.2}
	r := check(t, kit(), l)
	moved := kit()
	for i := range moved {
		moved[i].Place = moved[i].Place.Add(r.Plate.Move)
	}
	again := check(t, moved, l)
	for i, it := range again.Placed {
		near(t, it.What, r.Balanced[i].Have, it.Have, 1e-12)
	}
	near(t, "already balanced", again.Plate.Move.Len(), 0, 1e-12)
	if again.Plate.Words != "leave the build where it is" {
		t.Errorf("words %q", again.Plate.Words)
	}
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
		"travel negative":    {Plate: &Travel{Forward: -0.1}},
		"travel NaN":         {Plate: &Travel{Up: nan}},
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
	for _, m := range []float64{0, -1, 3, nan} {
		_, err := PlateShift(mass.Properties{Mass: 2}, m, Limits{})
		modeltest.WantDomain(t, fmt.Sprintf("moving mass %g", m), err)
	}
}

func TestGradeIsWrittenAsAWord(t *testing.T) {
	b, err := json.Marshal(map[string]Grade{"a": Over, "b": Unknown, "c": Tight, "d": Fits})
	if err != nil || string(b) != `{"a":"over","b":"unknown","c":"tight","d":"fits"}` {
		t.Errorf("%s, %v", b, err)
	}
}

func BenchmarkCheck(b *testing.B) {
	l := Limits{PayloadMax: 3, Clear: &Box{mass.Vec{-0.1, -0.1, -0.1}, mass.Vec{0.1, 0.1, 0.1}}, TiltRadius: 0.15, RollRadius: 0.1, PanRadius: 0.2, Plate: &Travel{0.02, 0.02, 0.02, 0.02, 0.01, 0.01}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Check(kit(), l, mass.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The lens reaches 130 mm ahead of the tilt axis; with the plate's end at 55 mm that
// is 75 mm past it.
func TestOverhang(t *testing.T) {
	parts := append(kit(), mass.Part{Name: "plate", Slot: "plate", Shape: mass.Box, Mass: 1e-9, Size: mass.Vec{0.1, 0.04, 0.01}, Place: mass.Vec{0.005, 0, -0.05}})
	still := Travel{}
	r := check(t, parts, Limits{Plate: &still, Tilt: mass.Line{Point: mass.Vec{0.01, 0, 0}, Dir: mass.Vec{0, 1, 0}}})
	f, b := r.Overhang[0], r.Overhang[1]
	near(t, "front", f.Reach, 0.12, 1e-9)
	near(t, "past the plate", *f.Past, 0.075, 1e-9)
	if f.Part != "lens" || f.Words != "lens reaches 120.0 mm ahead of the tilt axis, 75.0 mm past the plate" {
		t.Errorf("%+v", f)
	}
	near(t, "back", b.Reach, 0.06, 1e-9)
	// no plate, no word of it; a build all ahead of the axis has nothing behind
	r = check(t, kit(), Limits{Plate: &still, Tilt: mass.Line{Point: mass.Vec{-0.2, 0, 0}, Dir: mass.Vec{0, 1, 0}}})
	if r.Overhang[0].Past != nil || r.Overhang[1].Words != "nothing reaches behind the tilt axis" {
		t.Errorf("%+v", r.Overhang)
	}
	// in the units asked for
	inch := func(m float64) string { return fmt.Sprintf("%.2f in", m/0.0254) }
	pound := func(kg float64) string { return fmt.Sprintf("%.2f lb", kg/0.45359237) }
	r = check(t, kit(), Limits{PayloadMax: 1, Length: inch, Slide: inch, Mass: pound, Clear: &Box{mass.Vec{-0.08, -0.07, -0.06}, mass.Vec{0.12, 0.07, 0.06}}})
	if w := r.Payload[0].Words + r.Plate.Words + r.Placed[0].Words + r.Overhang[0].Words; strings.Contains(w, "mm") || strings.Contains(w, "kg") || !strings.Contains(w, "lens is 0.39 in past") {
		t.Error(w)
	}
}
