package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/schema"
)

// block is one question as a screen shows it, and as lines that follow each other: the same
// lines in the same place each time.
func (b *benchRun) block(p bench.Proposal, wide int) []string {
	right := ""
	switch p.Stage {
	case bench.InHand:
		h := b.s.State.HandCheck()
		right = fmt.Sprintf("handheld %d of %d", h.Clean+h.Passed+1, h.Points)
	case bench.Search, bench.Relook, bench.Decide:
		order := b.s.Log.Plan.Order
		right = fmt.Sprintf("axis %d of %d: %s", slices.Index(order, p.Axis)+1, len(order), strings.ToUpper(p.Axis.String()))
	}
	right += fmt.Sprintf("   answer %d", len(b.s.Log.Steps)+1)
	title := b.head()
	out := strings.Split(spread(b.paint.bold(title), title, right, wide), "\n")
	set := strings.ToUpper(safe.Line(p.Do()))
	out = append(out, b.bar(p, wide-1), "", "  "+b.paint.bold(set))
	text := func(s string) {
		out = append(out, strings.Split(strings.TrimSuffix(wrap(s, "  ", wide-1), "\n"), "\n")...)
	}
	text(b.s.How(b.d, p))
	at := len(out)
	text("Caution: " + bench.RaiseCaution)
	for i := at; i < len(out); i++ { // its place stays empty where nothing is raised
		if p.Stage == bench.InHand || b.s.State.Raises() {
			out[i] = b.paint.warn(out[i])
		} else {
			out[i] = ""
		}
	}
	out = append(out, "")
	_, keys := choices(p)
	line := " "
	for _, k := range keys {
		if columns(line)+1+columns(k) > wide-1 {
			out, line = append(out, line), " "
		}
		line += " " + k + " "
	}
	out = append(out, strings.TrimRight(line, " "), "")
	if p.Stage != bench.InHand {
		text(strings.ToUpper(p.Reason[:1]) + p.Reason[1:] + ".")
	}
	return out
}

// sighting is what the answers said of a value.
type sighting struct {
	value float64
	saw   bench.Outcome
	hz    float64
}

// sightings are the values of an axis that were tried, from the soft end of the dial.
func (b *benchRun) sightings(a schema.Axis) []sighting {
	var out []sighting
	for _, e := range b.s.State.ActiveEvents() {
		if !e.HasAxis || e.Axis != a || e.Value == nil {
			continue
		}
		i := slices.IndexFunc(out, func(s sighting) bool { return s.value == *e.Value })
		switch {
		case e.Saw == bench.Withdraw && i >= 0:
			out[i].saw, out[i].hz = bench.Clean, 0
		case !(e.Saw.Oscillates() || e.Saw == bench.Stand || e.Saw == bench.Clean):
		case i < 0:
			out = append(out, sighting{*e.Value, e.Saw, e.Hz})
		case e.Saw.Oscillates() || !out[i].saw.Oscillates(): // an oscillation stands until it is withdrawn
			out[i].saw, out[i].hz = e.Saw, e.Hz
		}
	}
	d := b.d.Sheet.Dials["stiffness."+a.String()]
	slices.SortFunc(out, func(x, y sighting) int {
		if d.Less(x.value, y.value) {
			return -1
		}
		return 1
	})
	return out
}

func (s sighting) words() string {
	w := schema.Num(s.value) + " " + string(s.saw)
	if s.saw == bench.Stand {
		w += " only"
	}
	if s.hz > 0 {
		w += " " + schema.Num(s.hz) + " Hz"
	}
	return w
}

// bar is the bracket of the axis in question, or the values that are tested handheld.
func (b *benchRun) bar(p bench.Proposal, wide int) string {
	if p.Stage == bench.InHand {
		var kept []string
		for _, r := range b.s.State.Results() {
			switch {
			case r.Kept != nil:
				kept = append(kept, strings.ToUpper(r.Axis.String())+" "+schema.Num(*r.Kept))
			case r.Status == bench.Failed:
				kept = append(kept, b.paint.bad(strings.ToUpper(r.Axis.String())+" OSCILLATES: DO NOT USE IT"))
			}
		}
		return "  " + strings.Join(kept, "   ")
	}
	parts, at := b.barParts(p)
	lo, hi := around(parts, at, wide)
	var words []string
	if lo > 0 {
		words = append(words, "…")
	}
	for _, x := range parts[lo:hi] {
		switch {
		case x.saw.Oscillates():
			x.text = b.paint.bad(x.text)
		case x.saw == bench.Stand:
			x.text = b.paint.warn(x.text)
		case x.saw == bench.Clean:
			x.text = b.paint.good(x.text)
		default:
			x.text = b.paint.bold(x.text)
		}
		words = append(words, x.text)
	}
	if hi < len(parts) {
		words = append(words, "…")
	}
	return "  " + strings.Join(words, " ─ ")
}

// barPart is one value on the bar.
type barPart struct {
	text string
	saw  bench.Outcome
}

// barParts are the values tried on an axis, with the proposed one in its place among them; at is that place.
func (b *benchRun) barParts(p bench.Proposal) (parts []barPart, at int) {
	const asked = " ?"
	at = -1
	d := b.d.Sheet.Dials["stiffness."+p.Axis.String()]
	for _, s := range b.sightings(p.Axis) {
		if at < 0 && !d.Less(s.value, p.Value) {
			at = len(parts)
			if s.value == p.Value {
				parts = append(parts, barPart{s.words() + asked, s.saw})
				continue
			}
			parts = append(parts, barPart{schema.Num(p.Value) + asked, ""})
		}
		parts = append(parts, barPart{s.words(), s.saw})
	}
	if at < 0 {
		at = len(parts)
		parts = append(parts, barPart{schema.Num(p.Value) + asked, ""})
	}
	return parts, at
}

// around gives as many parts as fit, those nearest to the one at at.
func around(parts []barPart, at, wide int) (lo, hi int) {
	fits := func(lo, hi int) bool {
		n := 2 - 3
		for _, x := range parts[lo:hi] {
			n += columns(x.text) + 3
		}
		if lo > 0 {
			n += 4
		}
		if hi < len(parts) {
			n += 4
		}
		return n <= wide
	}
	lo, hi = at, at+1
	for grown := true; grown; {
		grown = false
		if lo > 0 && fits(lo-1, hi) {
			lo, grown = lo-1, true
		}
		if hi < len(parts) && fits(lo, hi+1) {
			hi, grown = hi+1, true
		}
	}
	return lo, hi
}

// printEnd shows what a session found; with --all every trial, and published rules.
func (b *benchRun) printEnd() {
	results := b.s.State.Results()
	head := b.head()
	b.out("\n%s", wrap(b.paint.bold(head)+": "+b.doneWords(), "", b.wide))
	t := table{head: true, right: map[int]bool{1: true, 2: true, 3: true, 4: true, 5: true, 6: true}}
	t.add("axis", "SET TO", "clean up to", "onset", "at", "margin", "trials", "")
	num := func(p *float64) string {
		if p == nil {
			return "-"
		}
		return schema.Num(*p)
	}
	searched := false
	for _, r := range results {
		searched = searched || r.Trials > 0
		hz, margin, how := "-", "-", string(r.Saw)
		if r.Hz > 0 {
			hz = schema.Num(r.Hz) + " Hz"
		}
		if r.GM > 0 {
			margin = fmt.Sprintf("%.2f", r.GM)
		} else if r.GMLow > 0 {
			margin = fmt.Sprintf("> %.2f", r.GMLow)
		}
		switch {
		case len(r.Contradictions) > 0:
			how = "CONTRADICTION"
		case r.Status == bench.Held:
			how = "as in the tune"
		case r.Status == bench.Skipped || r.Status == bench.Open || r.Status == bench.Failed:
			how = string(r.Status)
		case r.Status == bench.NoOnset:
			how = "no onset found"
		case r.Nearer:
			how = "nearer by choice"
		case len(r.StandOnly) > 0:
			how = strings.TrimPrefix(how+", stand only in part", ", ")
		}
		t.add(r.Axis.String(), num(r.Kept), num(r.Clean), num(r.Onset), hz, margin, fmt.Sprint(r.Trials), how)
	}
	b.out("\n%s", t.render(b.paint, "", b.wide))
	for _, r := range results {
		for _, c := range r.Contradictions {
			b.out("%s", wrap(b.paint.warn("Try again")+": "+safe.Text(c), "", b.wide))
		}
		if r.Nearer {
			b.out("%s", wrap(b.paint.warn("Nearer")+": "+r.Axis.String()+", "+r.Why, "", b.wide))
		}
	}
	if searched {
		b.out("\n")
		for _, r := range results {
			b.out("%s", b.picture(r))
		}
		b.out("          o clean   x oscillates\n")
	}
	b.out("\n")
	if reads, err := b.lib.Sessions().Points(b.d, b.s, b.Now().Location()); err == nil && len(reads) > 0 {
		b.out("%s", wrap("Resting effort: "+shortReadings(reads), "", b.wide))
	}
	if w := b.tested(); len(w) > 0 {
		b.out("%s", wrap("Handheld: "+strings.Join(w, ", "), "", b.wide))
	}
	b.out("%s", wrap(fmt.Sprintf("Margin %s. On this gimbal %s.", schema.Num(b.s.Log.Plan.Margin), b.d.Sheet.Raises()), "", b.wide))
	if b.c.Bool("all") {
		b.printTrials(results)
		b.printReadings(results)
	}
}

// doneWords are how far a session came: "3 axes done, clean handheld at 4 tilts".
func (b *benchRun) doneWords() string {
	n := map[bench.Status]int{}
	for _, r := range b.s.State.Results() {
		s := r.Status
		if s == bench.NoOnset {
			s = bench.Found
		}
		n[s]++
	}
	var out []string
	for _, x := range []struct {
		s    bench.Status
		word string
	}{{bench.Held, "as in the tune"}, {bench.Found, "done"}, {bench.Failed, "failed"}, {bench.Skipped, "skipped"}, {bench.Open, "open"}} {
		if n[x.s] > 0 {
			out = append(out, schema.Count(n[x.s], "axis", "axes")+" "+x.word)
		}
	}
	return strings.Join(append(out, b.s.State.HandCheck().Words()), ", ")
}

// tested are the points of the handheld check that were clean.
func (b *benchRun) tested() []string {
	var out []string
	for _, p := range b.s.State.CleanPoints() {
		out = append(out, safe.Line(p.Label))
	}
	return out
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

// printTrials lists every trial in the order in which it was made.
func (b *benchRun) printTrials(results []bench.AxisResult) {
	for _, r := range results {
		var order []string
		for _, e := range b.s.State.ActiveEvents() {
			if e.HasAxis && e.Axis == r.Axis && e.Value != nil {
				order = append(order, sighting{*e.Value, e.Saw, e.Hz}.words())
			}
		}
		if len(order) > 0 {
			b.out("%s", wrap(r.Axis.String()+": "+strings.Join(order, ", "), "", b.wide))
		}
	}
}

// picture is the search of one axis: where on the dial it was tried, o clean and x
// oscillating, and the value kept.
func (b *benchRun) picture(r bench.AxisResult) string {
	d, ok := b.d.Sheet.Dials["stiffness."+r.Axis.String()]
	seen := b.sightings(r.Axis)
	if !ok || len(seen) == 0 {
		return ""
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range seen {
		lo, hi = math.Min(lo, s.value), math.Max(hi, s.value)
	}
	set := ""
	if r.Kept != nil {
		lo, hi = math.Min(lo, *r.Kept), math.Max(hi, *r.Kept)
		set = "set to " + schema.Num(*r.Kept)
	}
	lo, hi = math.Max(d.Min, lo-d.Coarse), math.Min(d.Max, hi+d.Coarse)
	left, right := fmt.Sprintf("%-4s %-5s", r.Axis, schema.Num(lo)), fmt.Sprintf("  %-5s %s", schema.Num(hi), set)
	w := max(10, min(b.wide, 80)-1-len(left)-len(fmt.Sprintf("  %-5s set to 00.00", "")))
	strip := []rune(strings.Repeat("·", w))
	for _, s := range seen {
		sign := 'o'
		switch {
		case s.saw.Oscillates():
			sign = 'x'
		case s.saw == bench.Stand:
			sign = 's'
		}
		strip[int(math.Round((s.value-lo)/(hi-lo)*float64(w-1)))] = sign
	}
	return strings.TrimRight(left+string(strip)+right, " ") + "\n"
}
