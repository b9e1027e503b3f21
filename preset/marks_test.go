package preset

import (
	"math"
	"strings"
	"testing"
	"time"

	"rigkeep/preset/mass"
	"rigkeep/schema"
)

func mmp(v float64) *float64 { v /= 1000; return &v }

// slides is a gimbal with a plate and an arm, of which the sheet knows nothing but the scales.
func slides() *schema.Sheet {
	s := stand(false)
	for a := range s.Axes {
		s.Axes[a].Torque = 2
	}
	s.Adjustments = []schema.Adjustment{
		{Name: "plate", Stage: schema.Tilt, Moves: 0, Direction: 1, Range: &[2]float64{0, 0.12}, After: -1},
		{Name: "arm", Stage: schema.Pan, Moves: 0, Direction: 1, Range: &[2]float64{0, 0.08}, Outer: true, After: 0},
	}
	return s
}

// lensed is a rig of a body of 1.2 kg at its origin and a lens of m kg at x mm.
func lensed(fp, lens string, m, x float64) Rig {
	point := func(slot, name string, m, x float64) Part {
		return Part{Slot: slot, Name: name, Mass: m, Shape: "point", Place: [3]float64{x / 1000, 0, 0}}
	}
	return Rig{ID: fp, Alias: lens, Gimbal: "g", Parts: []Part{point("body", "body", 1.2, 0), point("lens", lens, m, x)}}
}

func recordOf(r Rig, unit string, day int, plate, arm float64) BalanceRecord {
	p, err := r.Properties()
	if err != nil {
		panic(err)
	}
	at := time.Date(2026, 1, day, 9, 0, 0, 0, time.UTC)
	return BalanceRecord{Rig: r.ID, Unit: unit, Began: at, Ended: at.Add(time.Minute), MassKg: p.Mass, CG: &p.CG,
		Marks: []BalanceMark{{Name: "plate", At: at, Mark: mmp(plate)}, {Name: "Arm", At: at, Mark: mmp(arm)}}}
}

func TestMarksOfAClone(t *testing.T) {
	s := slides()
	a := lensed("aaaaaaaaaa", "35", 0.5, 80)
	b := lensed("bbbbbbbbbb", "85", 0.7, 95)
	ask := MarkQuery{Sheet: s, Rig: b, Unit: "U1", Builds: map[string][]Part{a.ID: a.Parts}}
	// nothing on record and no zero in the sheet: no mark, and how to get one
	got, err := Marks(ask)
	if err != nil || got[0].Mark != nil || !strings.Contains(got[0].Unknown, "one balance record") {
		t.Fatalf("%+v %v", got, err)
	}
	// the parent's plate at 47: with M unknown, the clone lies further back by a little less
	// than its centre of gravity lies further ahead
	ask.Records = []BalanceRecord{recordOf(a, "U1", 5, 47, 36)}
	if got, err = Marks(ask); err != nil || got[0].Mark == nil || got[0].Parent != a.ID {
		t.Fatalf("%+v %v", got, err)
	}
	ca, cb := 0.5*80/1.7, 0.7*95/1.9
	if d := 47 - got[0].Mark.Mid*1000; d < 0.4*(cb-ca) || d > 1.1*(cb-ca) {
		t.Errorf("%.1f mm back for a centre of gravity %.1f mm further ahead", d, cb-ca)
	}
	// the arm carries a balanced build: mass alone
	if d := math.Abs(got[1].Mark.Mid*1000 - 36); d > 3 || got[1].Parent != a.ID && got[1].Parent != "" {
		t.Errorf("arm %.1f mm", got[1].Mark.Mid*1000)
	}
	// found marks come first, of the same unit before a newer one of another
	ask.Records = append(ask.Records, recordOf(b, "U1", 6, 40, 35), recordOf(b, "U2", 7, 43, 35))
	if got, err = Marks(ask); err != nil || got[0].Found == nil || *got[0].Found.Mark != 0.04 || !got[0].Unit {
		t.Fatalf("%+v %v", got, err)
	}
	ask.Unit = ""
	if got, err = Marks(ask); err != nil || *got[0].Found.Mark != 0.043 || got[0].Unit {
		t.Errorf("newest of any unit: %+v %v", got[0].Found, err)
	}
	// a record of an earlier build is no found mark of this one
	old := recordOf(b, "U1", 8, 99, 35)
	old.Rig = "cccccccccc"
	ask.Records = append(ask.Records, old)
	if got, err = Marks(ask); err != nil || *got[0].Found.Mark != 0.043 {
		t.Errorf("%+v %v", got[0].Found, err)
	}
}

// A build without a balance point has no plate mark until it was balanced once; the arm
// needs its mass alone.
func TestMarksWithoutABalancePoint(t *testing.T) {
	s := slides()
	a := lensed("aaaaaaaaaa", "35", 0.5, 80)
	rec := recordOf(a, "U1", 5, 47, 36)
	other := rec
	other.Rig, other.CG = "bbbbbbbbbb", nil
	got, err := Marks(MarkQuery{Sheet: s, Rig: a, Unit: "U1", Records: []BalanceRecord{other}})
	if err != nil || got[0].Mark == nil {
		t.Fatalf("%+v %v", got, err)
	}
	if w := (got[0].Hi - got[0].Lo) * 1000; w < 40 {
		t.Errorf("a build of which nothing is known narrows the mark to %.0f mm", w)
	}
}

// Where the scale ends before balance, what is left is said: in percent with a torque.
func TestMarkOutOfTravel(t *testing.T) {
	s := slides()
	zero, own, none := 0.04, 0.4, 0.0
	s.Adjustments[0].Zero, s.Adjustments[0].OwnMass, s.Adjustments[0].OwnMoment = &zero, &own, &none
	r := lensed("aaaaaaaaaa", "long", 1.2, 150) // centre of gravity 75 mm ahead
	got, err := Marks(MarkQuery{Sheet: s, Rig: r})
	if err != nil || got[0].Mark == nil {
		t.Fatalf("%+v %v", got, err)
	}
	want := 75*2.4/2.8 - 40 // mm short of the scale's end at 0
	if math.Abs(got[0].Out*1000-want) > 1e-6 || math.Abs(got[0].Offset*1000-want) > 1e-6 {
		t.Errorf("out %.3f, offset %.3f, want %.3f", got[0].Out*1000, got[0].Offset*1000, want)
	}
	if e := 100 * 2.8 * 9.80665 * want / 1000 / s.Axes[schema.Tilt].Torque; got[0].Effort == nil || math.Abs(*got[0].Effort-e) > 1e-6 {
		t.Errorf("effort %v, want %v", got[0].Effort, e)
	}
	s.Axes[schema.Tilt].Torque = 0
	if got, err = Marks(MarkQuery{Sheet: s, Rig: r}); err != nil || got[0].Effort != nil || got[0].Out == 0 {
		t.Errorf("%+v %v", got[0], err)
	}
}

func TestMarkDoubts(t *testing.T) {
	s := slides()
	a, b := lensed("aaaaaaaaaa", "35", 0.5, 80), lensed("bbbbbbbbbb", "85", 0.7, 95)
	recs := []BalanceRecord{recordOf(a, "U1", 5, 47, 36), recordOf(b, "U1", 6, 40, 36)}
	q := MarkQuery{Sheet: s, Rig: b, Unit: "U1", Records: recs, Builds: map[string][]Part{a.ID: a.Parts}}
	ds, err := MarkDoubts(q)
	if err != nil || len(ds) != 0 {
		t.Fatalf("a mark as expected is doubted: %+v %v", ds, err)
	}
	// 85 mm instead: far outside
	q.Records = []BalanceRecord{recs[0], recordOf(b, "U1", 6, 85, 36)}
	if ds, err = MarkDoubts(q); err != nil || len(ds) != 1 || ds[0].Adjustment != "plate" || !strings.Contains(ds[0].Words(), "balanced at 85 mm, expected") {
		t.Errorf("%+v %v", ds, err)
	}
	// as far the other way as expected: the scale is taken to rise the wrong way
	q.Records = []BalanceRecord{recs[0], recordOf(b, "U1", 6, 55, 36)}
	if ds, err = MarkDoubts(q); err != nil || len(ds) != 1 || !ds[0].Turned || !strings.Contains(ds[0].Words(), "rose the other way") {
		t.Errorf("%+v %v", ds, err)
	}
	// an effort that the marks do not explain
	e := 40.0
	good := recordOf(b, "U1", 6, 40, 36)
	good.Efforts = []BalanceEffort{{Point: "tilt, lens level", Axis: "tilt", Effort: &e}}
	q.Records = []BalanceRecord{recs[0], good}
	if ds, err = MarkDoubts(q); err != nil || len(ds) != 1 || ds[0].Point == "" || !strings.Contains(ds[0].Words(), "Resting effort 40 % at tilt, lens level") {
		t.Errorf("%+v %v", ds, err)
	}
	s.Axes[schema.Tilt].Torque = 0
	if ds, err = MarkDoubts(q); err != nil || len(ds) != 0 {
		t.Errorf("an effort without a torque is doubted: %+v %v", ds, err)
	}
}

func TestMarkBacktest(t *testing.T) {
	s := slides()
	own := 0.3
	s.Adjustments[0].OwnMass = &own
	var recs []BalanceRecord
	builds := map[string][]Part{}
	for i, m := range []float64{0.4, 0.6, 0.9, 1.3} {
		r := lensed(strings.Repeat(string(rune('a'+i)), 10), "lens", m, 80)
		cg := m * 80 / (1.2 + m)
		recs = append(recs, recordOf(r, "U1", 1+i, 60-(1.2+m)*cg/(1.2+m+own), 36))
		builds[r.ID] = r.Parts
	}
	got, err := MarkBacktest(s, recs, builds)
	if err != nil || len(got) != 2 || got[0].N != 4 || got[0].Line == nil {
		t.Fatalf("%+v %v", got, err)
	}
	if got[0].Median > 0.004 || got[0].Inside < 0.75 {
		t.Errorf("noise-free: %+v", got[0])
	}
	if l := got[0].Line; math.Abs(l.Zero-0.06) > 1e-9 || math.Abs(l.OwnMoment) > 1e-9 {
		t.Errorf("least squares: zero %v, moment %v", l.Zero, l.OwnMoment)
	}
}

// Sliding changes no fingerprint: it is no change of the build.
func TestBalancedDoesNotDependOnTheOrigin(t *testing.T) {
	s := stand(false)
	for a := range s.Axes {
		s.Axes[a].Torque = 2
	}
	r := lensed("aaaaaaaaaa", "35", 0.5, 80)
	moved := lensed("aaaaaaaaaa", "35", 0.5, 80)
	for i := range moved.Parts {
		moved.Parts[i].Place = mass.Vec(moved.Parts[i].Place).Add(mass.Vec{0.03, -0.01, 0.2})
	}
	a, err1 := r.Inertias(s, nil)
	b, err2 := moved.Inertias(s, nil)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	for i := range a {
		if math.Abs(a[i].Max-b[i].Max) > 1e-12 {
			t.Errorf("%s: %v and %v", schema.Axis(i), a[i].Max, b[i].Max)
		}
	}
}
