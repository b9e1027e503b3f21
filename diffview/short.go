package diffview

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
	"rigkeep/schema"
)

// The short form of a comparison: the verdict first, then what changed, then what that
// does, each with as many rows as one screen takes. --all shows everything.
const (
	shortParts   = 3
	shortChanges = 10
	shortFigures = 6
)

// short writes the answer to a question about a rig in at most 24 lines; it is false where
// the two sides are no rigs, so that only the whole report says anything.
func (r Report) short(p *printer, o Options) bool {
	if r.Build == nil && r.Tune == nil && r.Proof == nil || len(r.Documents) > 0 || len(r.NotCompared) > 0 {
		return false
	}
	p.hang(strong, "", safe.Line(r.headline(o)))
	fs := shortRows(r.Behaviour)
	if s := verdict(r.Behaviour, fs); s != "" {
		p.hang(strong, "", s)
	}
	p.line("")
	hidden := 0
	hidden += r.Build.short(p)
	hidden += r.shortTune(p)
	hidden += len(r.Other)
	if r.Proof != nil {
		p.line(p.s.paint(strong, "PROOF"))
		s := r.proofSection(o)
		for i, b := range s.Blocks {
			if i < 3 && b.Table == nil {
				first, _, _ := strings.Cut(b.Para, "; ")
				p.para("  ", safe.Line(first), b.Tone)
			}
		}
	}
	r.Behaviour.short(p, fs)
	for _, t := range r.Texts {
		if t.Comments == nil && !t.Layout && r.Same {
			p.para("  ", safe.Line(t.Summary), dim)
		}
	}
	p.line("")
	words := "Models are optimistic: use them to compare, not as a test. "
	if len(fs) == 0 {
		words = ""
	}
	if hidden > 0 {
		words += schema.Count(hidden, "smaller change", "smaller changes") + " hidden. "
	}
	p.para("", words+"Everything: "+o.rest(), dim)
	return true
}

// headline names the two sides and the changes that weigh most.
func (r Report) headline(o Options) string {
	name := func(p Party, other string) string {
		s := p.Label
		if _, when, ok := strings.Cut(s, "@"); ok && p.Alias == other {
			s = when
		} else if p.Alias == other && p.Revision == "" {
			s = "now"
		}
		if !p.When.IsZero() {
			if day := schema.SayDay(p.When, o.Zone); !strings.Contains(s, day) {
				s += " (" + day + ")"
			}
		}
		return s
	}
	head := name(r.Before, r.After.Alias) + " to " + name(r.After, r.Before.Alias)
	if r.After.Alias != "" && r.Before.Alias == r.After.Alias {
		head = r.After.Alias + ", " + head
	}
	var said []string
	for _, g := range r.Tune {
		for _, c := range g.Changes {
			if g.Name == "stiffness" && c.Comparable && c.Op == Changed {
				said = append(said, c.Axis+" "+to(c.arrowPlain()))
			}
		}
	}
	if r.Build != nil && r.Build.MassDelta != 0 {
		said = append(said, "build "+schema.Signed(r.Build.MassDelta)+" g")
	}
	switch {
	case r.Same:
		said = []string{"identical"}
	case said == nil:
		said = []string{Stat(r)}
	}
	return head + ": " + strings.Join(said, ", ")
}

// arrowPlain is a change without its unit.
func (c Change) arrowPlain() string { return value(c.Before) + " → " + value(c.After) }

// to writes a change as people say it: "24 to 26".
func to(arrow string) string { return strings.Replace(arrow, " → ", " to ", 1) }

// aligned writes rows of cells in columns; a row too wide for the screen is wrapped.
func (p *printer) aligned(rows [][]string, tones []tone) {
	x := sheet.Table{How: sheet.Joins, Rows: rows, Paint: func(row, column int, s string) string {
		if column >= 0 || row < 0 {
			return s
		}
		return p.s.paint(tones[row], s)
	}}
	p.b.WriteString(x.Text("  ", p.s.Width))
}

func (b *Build) short(p *printer) (hidden int) {
	if b == nil || b.Op == "" && b.MassDelta == 0 && b.Parts == nil && b.CG == nil && b.Inertia == nil {
		return 0
	}
	p.line(p.s.paint(strong, "BUILD"))
	if b.Op != Changed || b.Gimbals[0] != b.Gimbals[1] {
		for _, x := range b.section(Options{}).Blocks {
			if x.Table == nil && x.Tone != dim {
				p.para("  ", safe.Line(x.Para), x.Tone)
				break
			}
		}
	}
	var rows [][]string
	if b.Op == Changed {
		if b.MassDelta != 0 {
			rows = append(rows, []string{"mass", num(b.MassBefore) + " to " + num(b.MassAfter) + " kg", schema.Signed(b.MassDelta) + " g"})
		}
		if b.CG != nil {
			rows = append(rows, []string{"centre of gravity", b.CGShift})
		}
		var in []string
		for _, x := range b.Inertia {
			in = append(in, x.Axis+" "+ratio(x.Ratio))
		}
		if in != nil {
			rows = append(rows, []string{"inertia", strings.Join(in, "   ")})
		}
	}
	for i, x := range b.Parts {
		if i == shortParts && len(b.Parts) > shortParts {
			hidden = len(b.Parts) - shortParts
			break
		}
		c := x.row().Cells
		words := strings.Split(c[2].Text, "; ")
		rows = append(rows, []string{safe.Line(c[0].Text), safe.Line(strings.Join(words[:min(len(words), 2)], "; "))})
	}
	p.aligned(rows, make([]tone, len(rows)))
	return hidden + len(b.Fields)
}

func (r Report) shortTune(p *printer) (hidden int) {
	least, n, weighty := schema.Minor, 0, false
	for _, g := range r.Tune {
		n += len(g.Changes)
		weighty = weighty || slices.ContainsFunc(g.Changes, func(c Change) bool { return c.Level >= schema.Notable })
	}
	if n > shortChanges && weighty { // the smaller ones only where there is room
		least = schema.Notable
	}
	left := shortChanges
	for _, g := range r.Tune {
		var rows [][]string
		var tones []tone
		unit, why := sharedUnit(g.Changes), ""
		for _, c := range g.Changes {
			if c.Level < least || left == 0 {
				hidden++
				continue
			}
			left--
			mark, tn := c.sign()
			arrow, what := to(c.arrow()), c.what()
			switch {
			case c.Op == Added || c.Op == Removed:
				what = strings.Trim(string(c.Op)+", "+c.Remark, ", ")
			case !c.Comparable:
				what, why = "not comparable", strings.TrimPrefix(c.Reason, "not comparable: ")
			case c.Known && c.Converted == nil:
				what = strings.Trim(c.fineWords()+", "+c.Remark, ", ")
			}
			if unit != "" {
				arrow = strings.ReplaceAll(arrow, unitAfter(unit), "")
			}
			label := strings.TrimPrefix(c.Label, strings.ToLower(g.Title)+", ")
			rows = append(rows, []string{mark + " " + safe.Line(label), safe.Line(arrow), safe.Line(what), c.Level.String()})
			tones = append(tones, tn)
		}
		if rows != nil {
			title := strings.ToUpper(safe.Line(g.Title))
			if unit != "" {
				title += ", " + safe.Line(unit)
			}
			p.line(p.s.paint(strong, title))
			p.aligned(rows, tones)
			if why != "" {
				p.para("  ", safe.Line(why), dim)
			}
		}
	}
	return hidden
}

// sharedUnit is the unit of all changes of a group, "" where they differ or there is one only.
func sharedUnit(cs []Change) string {
	for _, c := range cs {
		if c.Unit != cs[0].Unit || c.UnitBefore != nil && *c.UnitBefore != c.Unit {
			return ""
		}
	}
	if len(cs) < 2 {
		return ""
	}
	return cs[0].Unit
}

// fineWords counts a change in fine steps alone, which is what people turn the dial by.
func (c Change) fineWords() string {
	if s := c.Steps; s != nil && s.CoarseSize != s.FineSize {
		if n := math.Round(math.Abs(s.Fine)); math.Abs(n-math.Abs(s.Fine)) < 1e-6 && n < 1e6 && n > 0 {
			return strings.TrimSpace(schema.Count(int(n), "fine step", "fine steps") + " " + c.Direction)
		}
	}
	return c.StepWords()
}

// shortRow is one figure on all axes.
type shortRow struct {
	name    string // "sweep subject drift"
	of      string // its unit and limit, as they stand behind the name
	axes    map[string]Figure
	crossed bool
	verdict string
}

// shortRows gathers figures by name, those that crossed a limit first, then what got worse.
func shortRows(b *Behaviour) []shortRow {
	if b == nil {
		return nil
	}
	var rows []shortRow
	at := map[string]int{}
	for _, f := range b.Figures {
		v := f.Verdict()
		if f.Detail || v == "" && !f.Crossed() {
			continue
		}
		i := strings.LastIndexByte(f.Key, '.')
		key, axis := f.Key[:i], f.Key[i+1:]
		name := f.Name
		if p := strings.Split(key, "."); p[0] == "follow" && len(p) > 2 {
			name = p[1] + " " + name
		}
		of := ""
		if f.Unit != "" {
			of = ", " + f.Unit
		}
		if f.Limit != nil {
			of += " (limit " + schema.Num(*f.Limit) + ")"
		}
		if _, ok := at[key]; !ok {
			at[key] = len(rows)
			rows = append(rows, shortRow{name: name, of: of, axes: map[string]Figure{}})
		}
		r := &rows[at[key]]
		r.axes[axis] = f
		r.crossed = r.crossed || f.Crossed()
		if r.verdict != "worse" && v != "" {
			r.verdict = v
		}
	}
	rank := func(r shortRow) int {
		switch {
		case r.crossed:
			return 0
		case r.verdict == "worse":
			return 1
		}
		return 2
	}
	slices.SortStableFunc(rows, func(a, b shortRow) int { return rank(a) - rank(b) })
	return rows
}

// verdict says what the change does, worst first.
func verdict(b *Behaviour, rows []shortRow) string {
	if b == nil {
		return ""
	}
	var over, bad, good []string
	for _, r := range rows {
		switch {
		case r.crossed:
			var axes []string
			for _, a := range schema.Axes {
				if f, ok := r.axes[a.String()]; ok && f.Crossed() {
					axes = append(axes, a.String())
				}
			}
			over = append(over, r.name+" ("+strings.Join(axes, ", ")+")")
		case r.verdict == "worse":
			bad = append(bad, r.name)
		default:
			good = append(good, r.name)
		}
	}
	var out []string
	for _, x := range []struct {
		what string
		list []string
	}{{"OVER LIMIT: ", over}, {"Worse: ", bad}, {"Better: ", good}} {
		if n := len(x.list); n > 0 {
			s := x.what + strings.Join(x.list[:min(n, 2)], ", ")
			if n > 2 {
				s += ", …"
			}
			out = append(out, s)
		}
	}
	return strings.Join(out, ". ")
}

func (b *Behaviour) short(p *printer, fs []shortRow) {
	if b == nil {
		return
	}
	if len(fs) > 0 || len(b.Missing) > 0 {
		p.line(p.s.paint(strong, "BEHAVIOUR"))
	}
	head := []string{""}
	var used []string
	for _, a := range schema.Axes {
		if slices.ContainsFunc(fs, func(r shortRow) bool { _, ok := r.axes[a.String()]; return ok }) {
			used, head = append(used, a.String()), append(head, a.String())
		}
	}
	if len(fs) > 0 {
		rows, tones := [][]string{head}, []tone{dim}
		for _, r := range fs[:min(len(fs), shortFigures)] {
			sign, t := "✗", worse
			if r.verdict == "better" && !r.crossed {
				sign, t = "✓", better
			}
			cells := []string{sign + " " + safe.Line(r.name+r.of)}
			for _, a := range used {
				f, ok := r.axes[a]
				if !ok {
					cells = append(cells, "")
					continue
				}
				cells = append(cells, three(*f.Before)+" to "+three(*f.After))
			}
			rows, tones = append(rows, cells), append(tones, t)
		}
		p.aligned(rows, tones)
	}
	if n := len(b.Missing); n > 0 {
		s := "Not computed: " + safe.Line(b.Missing[0])
		if n > 1 {
			s += fmt.Sprintf(" (and %d more)", n-1)
		}
		p.para("  ", s, dim)
	}
}
