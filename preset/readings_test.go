package preset

import (
	"math"
	"testing"

	"rigkeep/schema"
)

// Onset between 28 and 32.14: Ku 30, and Tu 2.8099 s. Source: Ogata, Modern Control
// Engineering, Example 8-1, PID K 18, Ti 1.405, Td 0.35124 (from memory); Tyreus &
// Luyben 1992, Ku/3.2 and 2.2 Tu (from memory).
func TestPublishedReadings(t *testing.T) {
	s := stand(true)
	d := s.Dials["stiffness.tilt"]
	d.Fine, d.Map = 0.01, nil
	s.Dials["stiffness.tilt"] = d
	got := PublishedReadings(s, schema.Tilt, 28, 900.0/28, 1/2.8099)
	want := []PublishedReading{{"Ziegler–Nichols", "P", 15, 0, 0}, {"Ziegler–Nichols", "PI", 13.5, 2.34, 0}, {"Ziegler–Nichols", "PID", 18, 1.4, 0.351},
		{"Tyreus–Luyben", "PI", 9.37, 6.18, 0}, {"Tyreus–Luyben", "PID", 13.63, 6.18, 0.446}}
	if len(got) != len(want) {
		t.Fatalf("%+v", got)
	}
	for i := range want {
		if g := got[i]; g.Rule != want[i].Rule || g.Row != want[i].Row || math.Abs(g.Dial-want[i].Dial) > 1e-9 || g.Ti != want[i].Ti || g.Td != want[i].Td {
			t.Errorf("%+v, want %+v", g, want[i])
		}
	}
	if txt := ReadingsText(got[:2]); txt != "Ziegler–Nichols P 15, PI 13.5 (integral 2.34 s)" {
		t.Error(txt)
	}
	// no frequency, no times; without a clean value the onset itself counts
	for _, g := range PublishedReadings(s, schema.Tilt, 0, 30, 0) {
		if g.Ti != 0 || g.Td != 0 || g.Rule == "Ziegler–Nichols" && g.Row == "P" && g.Dial != 15 {
			t.Errorf("%+v", g)
		}
	}
	// a map counts in N·m/rad: half of 1 + 199 v/100 is not half of v
	s = stand(true)
	got = PublishedReadings(s, schema.Tilt, 0, 50, 0)
	if k := 1 + 1.99*got[0].Dial; math.Abs(k-0.5*100.5) > 1.99 || k > 0.5*100.5 {
		t.Errorf("half of 100.5 N·m/rad read as dial %v, %v N·m/rad", got[0].Dial, k)
	}
	// larger is softer: half the stiffness is twice the number
	d.Sign = -1
	s.Dials["stiffness.tilt"] = d
	if got = PublishedReadings(s, schema.Tilt, 0, 30, 0); got[0].Dial != 60 {
		t.Errorf("%+v", got[0])
	}
	// a dial that runs through zero has no ratio
	d.Min, d.Sign = -50, 1
	s.Dials["stiffness.tilt"] = d
	if got = PublishedReadings(s, schema.Tilt, 0, 30, 0); got != nil {
		t.Errorf("%+v", got)
	}
	if got = PublishedReadings(&schema.Sheet{}, schema.Tilt, 0, 30, 0); got != nil {
		t.Errorf("%+v", got)
	}
}
