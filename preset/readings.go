package preset

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/preset/loop"
	"rigkeep/schema"
)

// PublishedReading is what a published rule makes of an onset: a stiffness, in
// dial numbers, and for its other rows an integral and a derivative time.
type PublishedReading struct {
	Rule string  `json:"rule"`
	Row  string  `json:"row"` // "P", "PI" or "PID"
	Dial float64 `json:"dial"`
	Ti   float64 `json:"integral_s,omitempty"`   // K/Ki
	Td   float64 `json:"derivative_s,omitempty"` // D/K
}

// PublishedReadings reads an onset as published rules do, from the highest clean
// value (0 for none) and the lowest oscillating one, in dial numbers, and the
// frequency in Hz (0 unknown leaves the times out). It is for comparison only:
// the rules are for processes with much friction, and leave an inertia on a motor
// little margin. Empty where the dial's numbers cannot be taken as a ratio.
//
// Source: loop.ZieglerNichols and loop.TyreusLuyben.
func PublishedReadings(s *schema.Sheet, a schema.Axis, clean, onset, hz float64) []PublishedReading {
	d, ok := s.Dials["stiffness."+a.String()]
	if !ok {
		return nil
	}
	ku, ok := stiffnessOf(d, onset)
	if !ok {
		return nil
	}
	if low, ok := stiffnessOf(d, clean); ok && clean != 0 {
		ku = math.Sqrt(low * ku)
	}
	period := 1.0
	if hz > 0 {
		period = 1 / hz
	}
	var out []PublishedReading
	add := func(rule, row string, r loop.Rule) {
		v, on := dialOf(d, r.K)
		if !on || r.K == 0 {
			return // the dial does not reach it, or the rule has no such row
		}
		p := PublishedReading{Rule: rule, Row: row, Dial: d.Round(v)}
		if hz > 0 {
			p.Ti, p.Td = Rounded(r.Ti, 3), Rounded(r.Td, 3)
		}
		out = append(out, p)
	}
	for _, x := range []struct {
		name string
		of   func(ku, tu float64) (loop.Rules, error)
	}{{"Ziegler–Nichols", loop.ZieglerNichols}, {"Tyreus–Luyben", loop.TyreusLuyben}} {
		r, err := x.of(ku, period)
		if err != nil {
			return nil
		}
		add(x.name, "P", r.P)
		add(x.name, "PI", r.PI)
		add(x.name, "PID", r.PID)
	}
	return out
}

// ReadingsText says published readings in one line.
//
// Source: PublishedReadings.
func ReadingsText(ps []PublishedReading) string {
	var out []string
	rule := ""
	for _, p := range ps {
		s := p.Row + " " + schema.Num(p.Dial)
		var times []string
		if p.Ti > 0 {
			times = append(times, fmt.Sprintf("integral %s s", schema.Num(p.Ti)))
		}
		if p.Td > 0 {
			times = append(times, fmt.Sprintf("derivative %s s", schema.Num(p.Td)))
		}
		if times != nil {
			s += " (" + strings.Join(times, ", ") + ")"
		}
		if p.Rule != rule {
			s, rule = p.Rule+" "+s, p.Rule
		}
		out = append(out, s)
	}
	return strings.Join(out, ", ")
}
