package main

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/schema"
)

// printEnd shows what a session found: a table, the search of each axis, and what
// would be saved.
//
// What decides stands last, next to the question: on a small screen the rest has
// scrolled away by then.
func (b *benchRun) printEnd() {
	results := b.s.State.Results()
	if b.wide >= 54 {
		b.out("\n")
		b.printReadings(results)
	}
	if reads, err := b.s.Log.Balance(b.d.Sheet, b.d.Rig); err == nil && len(reads) > 0 {
		b.out("\n%s\n", b.paint.bold("resting effort"))
		for _, r := range reads {
			b.out("%s", wrap(safe.Text(r.Short()), "  ", b.wide))
		}
	}
	if b.wide < 54 { // too narrow for the table
		b.out("\n")
		for _, r := range results {
			b.out("%s", wrap(r.Axis.String()+": "+axisWords(r), "", b.wide))
		}
		b.out("\n")
		for _, r := range results {
			b.out("%s", b.picture(r))
		}
		b.out("%s\n", wrap(b.handWords(), "", b.wide))
		return
	}
	b.out("\n")
	for _, r := range results {
		b.out("%s", b.picture(r))
	}
	t := table{head: true, right: map[int]bool{1: true, 2: true, 3: true, 4: true, 5: true}}
	t.add("axis", "keep", "clean to", "onset", "Hz", "margin", "looks", "")
	num := func(p *float64) string {
		if p == nil {
			return "-"
		}
		return schema.Num(*p)
	}
	for _, r := range results {
		hz, margin, how := "-", "-", string(r.Saw)
		if r.Hz > 0 {
			hz = schema.Num(r.Hz)
		}
		if r.GM > 0 {
			margin = fmt.Sprintf("%.2f", r.GM)
		} else if r.GMLow > 0 {
			margin = fmt.Sprintf("> %.2f", r.GMLow)
		}
		switch {
		case len(r.Contradictions) > 0:
			how = "CONTRADICTION"
		case r.Status == bench.Skipped || r.Status == bench.Open || r.Status == bench.Failed:
			how = string(r.Status)
		case r.Status == bench.NoOnset:
			how = "no onset found"
		case len(r.StandOnly) > 0:
			how = strings.TrimSpace(how + ", partly on the stand only")
		}
		t.add(r.Axis.String(), num(r.Kept), num(r.Clean), num(r.Onset), hz, margin, fmt.Sprint(r.Looks), how)
	}
	b.out("\n%s", t.render(b.paint, "", b.wide))
	for _, r := range results {
		for _, c := range r.Contradictions {
			b.out("%s", wrap(b.paint.warn("check again: ")+safe.Text(c), "", b.wide))
		}
	}
	b.out("%s\n", wrap(b.handWords(), "", b.wide))
}

// published is how published rules read the onset of an axis; none where there is
// no onset, or the session contradicts itself.
func (b *benchRun) published(r bench.AxisResult) []preset.PublishedReading {
	if r.Onset == nil || len(r.Contradictions) > 0 {
		return nil
	}
	clean := 0.0
	if r.Clean != nil {
		clean = *r.Clean
	}
	return preset.PublishedReadings(b.d.Sheet, r.Axis, clean, *r.Onset, r.Hz)
}

// printReadings says what the dial moves, and what published rules make of the onsets.
func (b *benchRun) printReadings(results []bench.AxisResult) {
	b.out("%s", wrap("On this gimbal "+b.d.Sheet.Raises()+".", "", b.wide))
	said := false
	for _, r := range results {
		ps := b.published(r)
		if len(ps) == 0 {
			continue
		}
		if !said {
			b.out("%s", wrap("For comparison, published tuning rules (not used for the kept values):", "", b.wide))
			said = true
		}
		b.out("%s", wrap(r.Axis.String()+": "+preset.ReadingsText(ps), "  ", b.wide))
	}
}

// picture is the search of one axis: where on the dial it was looked at, o clean
// and x oscillating, with the kept value under it.
func (b *benchRun) picture(r bench.AxisResult) string {
	d, ok := b.d.Sheet.Dials["stiffness."+r.Axis.String()]
	if !ok {
		return ""
	}
	type mark struct {
		v    float64
		sign byte
	}
	var marks []mark
	var order []string
	lo, hi := math.Inf(1), math.Inf(-1)
	span := func(v float64) { lo, hi = math.Min(lo, v), math.Max(hi, v) }
	for _, e := range b.s.State.ActiveEvents() {
		if !e.HasAxis || e.Axis != r.Axis || e.Value == nil {
			continue
		}
		sign := byte('o')
		switch {
		case e.Saw.Oscillates():
			sign = 'x'
		case e.Saw == bench.Stand:
			sign = 's'
		case e.Saw != bench.Clean:
			continue
		}
		marks = append(marks, mark{*e.Value, sign})
		word := schema.Num(*e.Value) + string(sign)
		if e.Hz > 0 {
			word += "(" + schema.Num(e.Hz) + " Hz)"
		}
		order = append(order, word)
		span(*e.Value)
	}
	if len(marks) == 0 {
		return ""
	}
	if r.Kept != nil {
		span(*r.Kept)
	}
	lo, hi = math.Max(d.Min, lo-d.Coarse), math.Min(d.Max, hi+d.Coarse)
	name := fmt.Sprintf("%-5s", r.Axis.String())
	left, right := schema.Num(lo)+" ", " "+schema.Num(hi)
	w := max(10, min(b.wide, 78)-len(name)-len(left)-len(right)-2)
	at := func(v float64) int { return int(math.Round((v - lo) / (hi - lo) * float64(w-1))) }
	strip := []byte(strings.Repeat(".", w))
	for _, m := range marks { // a later look stands over an earlier one
		strip[at(m.v)] = m.sign
	}
	s := name + left + "[" + string(strip) + "]" + right + "\n"
	if r.Kept != nil {
		k := at(*r.Kept)
		label := "^ keep " + schema.Num(*r.Kept)
		pad := len(name) + len(left) + 1 + k
		if pad+len(label) > b.wide {
			label = "keep " + schema.Num(*r.Kept) + " ^"
			pad -= len(label) - 1
		}
		s += strings.Repeat(" ", max(0, pad)) + label + "\n"
	}
	return s + wrap(strings.Join(order, " "), strings.Repeat(" ", len(name)), b.wide)
}
