package diffview

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/schema"
)

// Options choose what the writers show.
type Options struct {
	Zone  *time.Location // of the moments that are shown; nil shows them in the zone they were written in
	All   bool           // smaller changes too, which are otherwise counted where there are weightier ones
	Place Place          // of a page, among others
	// page shows every value that changed: on paper nobody can ask for the rest.
	page bool
	more string // how to see what is counted only; "" is --all
}

// rest is how to see what is counted only.
func (o Options) rest() string {
	if o.more != "" {
		return o.more
	}
	return "--all"
}

// counted says how many of something are not shown, and how to see them.
func (o Options) counted(n int, one, many string) block {
	return block{Para: schema.Count(n, one, many) + " hidden; " + o.rest(), Tone: dim}
}

// view is a report laid out for reading, before it is written as text, Markdown
// or a page. Its strings are not sanitised: each writer does that for its medium.
type view struct {
	Title    string
	Stat     string
	Parties  [][2]string // role and words
	Sections []section
}

type section struct {
	ID, Title string
	Blocks    []block
}

// block is a paragraph, a table, a plot or several small ones.
type block struct {
	Para  string
	Tone  tone
	Table *table
	Plot  *Plot
	Plots []Plot
	ID    string // of the plot, unique on the page
}

type table struct {
	Caption string
	Loud    bool // the caption is shown on a terminal too
	Echo    bool // the caption only repeats the section's title
	Head    []column
	Rows    []row
}

type column struct {
	Title string
	Right bool
	Extra bool // the first to leave the table when the page is narrow
	Plain bool // speaks for itself without its title
	Keep  bool // short words that must not be broken
}

type row struct{ Cells []cell }

type cell struct {
	Text  string
	Tone  tone
	Marks []Mark // in place of Text
}

// tone is what a writer may colour: a verdict, never a direction. Words and signs say
// it as well.
type tone int

const (
	plainTone tone = iota
	better
	worse
	look
	added
	removed
	strong
	dim
)

func para(format string, args ...any) block { return block{Para: fmt.Sprintf(format, args...)} }

// layOut lays a report out: the build, the tune group by group, the proof, and the rest.
func layOut(r Report, o Options) view {
	v := view{Title: title(r), Stat: Stat(r), Parties: [][2]string{{"before", r.Before.words(o.Zone)}, {"after", r.After.words(o.Zone)}}}
	for _, s := range []section{r.Build.section(o), {}, r.proofSection(o), r.otherSection(o)} {
		if s.ID == "" { // the place of the tune
			for _, g := range r.Tune {
				v.Sections = append(v.Sections, r.groupSection(g, o))
			}
			continue
		}
		if len(s.Blocks) > 0 {
			v.Sections = append(v.Sections, s)
		}
	}
	for _, d := range r.Documents {
		v.Sections = append(v.Sections, d.section(o))
	}
	if s := r.textSection(); len(s.Blocks) > 0 {
		v.Sections = append(v.Sections, s)
	}
	if s := r.Behaviour.section(o); len(s.Blocks) > 0 {
		v.Sections = append(v.Sections, s)
	}
	if len(r.NotCompared) > 0 {
		s := section{ID: "not-compared", Title: "Could not compare"}
		for _, w := range r.NotCompared {
			s.Blocks = append(s.Blocks, para("%s", w))
		}
		v.Sections = append(v.Sections, s)
	}
	for _, s := range v.Sections {
		for _, b := range s.Blocks {
			if b.Table != nil {
				b.Table.trim()
				b.Table.Echo = b.Table.Caption == s.Title
			}
		}
	}
	return v
}

// trim drops columns that are empty in every row.
func (t *table) trim() {
	for j := len(t.Head) - 1; j >= 0; j-- {
		used := false
		for _, r := range t.Rows {
			used = used || !r.Cells[j].Empty()
		}
		if used {
			continue
		}
		t.Head = append(t.Head[:j:j], t.Head[j+1:]...)
		for i := range t.Rows {
			c := t.Rows[i].Cells
			t.Rows[i].Cells = append(c[:j:j], c[j+1:]...)
		}
	}
}

func title(r Report) string {
	if n := r.After.Alias; n != "" && n == r.Before.Alias {
		return n + ": what changed"
	}
	return "What changed: " + r.Before.Label + " → " + r.After.Label
}

func (p Party) words(zone *time.Location) string {
	out := []string{p.Label}
	if p.Alias != "" && p.Alias != p.Label {
		out = append(out, "rig "+p.Alias)
	}
	if p.Rig != "" && p.Rig != p.Label {
		out = append(out, p.Rig)
	}
	if p.Gimbal != "" {
		out = append(out, "on gimbal "+p.Gimbal)
	}
	if p.Revision != "" {
		out = append(out, "revision "+short(p.Revision))
	}
	if !p.When.IsZero() {
		out = append(out, schema.SayMoment(p.When, zone))
	}
	if p.Who != "" {
		out = append(out, "by "+p.Who)
	}
	if p.Job != "" {
		out = append(out, "for job "+p.Job)
	}
	return strings.Join(out, ", ")
}

// short is a commit id as people quote it.
func short(rev string) string {
	if len(rev) == 40 {
		return rev[:10]
	}
	return rev
}

// section shows the build: the whole, then inertias, then parts.
func (b *Build) section(o Options) section {
	s := section{ID: "build", Title: "Build"}
	if b == nil {
		return section{ID: "build"}
	}
	switch {
	case b.Op == Added:
		s.Blocks = append(s.Blocks, para("+ New build: %s kg, %s.", num(b.MassAfter), schema.Count(len(b.Parts), "part", "parts")))
	case b.Op == Removed:
		s.Blocks = append(s.Blocks, para("- Build removed: %s kg, %s.", num(b.MassBefore), schema.Count(len(b.Parts), "part", "parts")))
	case b.Gimbals[0] != b.Gimbals[1]:
		s.Blocks = append(s.Blocks, block{Para: "~ Gimbal " + b.Gimbals[0] + " → " + b.Gimbals[1] + ": different dials; compare SI values only.", Tone: strong})
	}
	if b.Op == Changed {
		facts := table{Caption: "Mass, balance and inertia", Head: []column{{Title: ""}, {Title: "before", Right: true}, {Title: "after", Right: true}, {Title: "change"}}}
		if b.MassDelta != 0 {
			share := ""
			if b.MassBefore > 0 {
				share = " (" + percent(b.MassAfter/b.MassBefore-1) + ")"
			}
			facts.Rows = append(facts.Rows, row{Cells: []cell{{Text: "mass"}, {Text: num(b.MassBefore) + " kg"}, {Text: num(b.MassAfter) + " kg"},
				direction(b.MassDelta, schema.Signed(b.MassDelta)+" g"+share)}})
		}
		if b.CG != nil {
			facts.Rows = append(facts.Rows, row{Cells: []cell{{Text: "centre of gravity"}, {Text: point(b.CG[0])}, {Text: point(b.CG[1])}, {Text: "~ " + b.CGShift}}})
		}
		for _, in := range b.Inertia {
			facts.Rows = append(facts.Rows, row{Cells: []cell{{Text: "inertia, " + in.Axis}, {Text: sig(in.Before) + " kg·m²"}, {Text: sig(in.After) + " kg·m²"},
				direction(in.After-in.Before, ratio(in.Ratio))}})
		}
		if facts.Rows != nil {
			s.Blocks = append(s.Blocks, block{Table: &facts})
		}
		if b.Inertia != nil {
			s.Blocks = append(s.Blocks, block{Para: "Inertia is of " + b.InertiaOf + ". For an equal hold, stiffness goes with it.", Tone: dim})
		}
	}
	if b.Parts != nil {
		t := table{Caption: "Parts", Head: []column{{Title: "part"}, {Title: "mass", Right: true}, {Title: "change"}}}
		for _, p := range b.Parts {
			t.Rows = append(t.Rows, p.row())
		}
		s.Blocks = append(s.Blocks, block{Table: &t})
	}
	if b.Reordered {
		s.Blocks = append(s.Blocks, para("~ Same parts, different order."))
	}
	s.Blocks = append(s.Blocks, fieldBlocks("Build sheet", b.Fields, o)...)
	for _, p := range b.Problems {
		s.Blocks = append(s.Blocks, para("! %s", p))
	}
	return s
}

func (p Part) row() row {
	name := p.Slot + ": " + p.Name
	c := []cell{{Text: "~ " + name}, {Text: num(p.MassAfter) + " g"}, {}}
	var words []string
	if p.MassDelta != 0 && p.Op != Added && p.Op != Removed {
		words = append(words, schema.Signed(p.MassDelta)+" g")
	}
	switch p.Op {
	case Added:
		c[0] = cell{Text: "+ " + name, Tone: added}
		words = []string{"added"}
	case Removed:
		c[0], c[1].Text = cell{Text: "- " + name, Tone: removed}, num(p.MassBefore)+" g"
		words = []string{"removed"}
	case Replaced:
		words = append(words, "in place of "+p.Was)
	}
	if p.Moved != "" {
		words = append(words, "moved "+p.Moved)
	}
	for _, f := range p.Fields {
		if f.Key != "mass" && f.Key != "place" {
			words = append(words, f.Label+" "+f.arrow(nil))
		}
	}
	c[2].Text = strings.Join(words, "; ")
	return row{Cells: c}
}

// direction is a change with its sign.
func direction(d float64, text string) cell {
	switch {
	case d > 0:
		return cell{Text: "▲ " + text}
	case d < 0:
		return cell{Text: "▼ " + text}
	}
	return cell{Text: text}
}

func percent(share float64) string { return schema.Signed(math.Round(share*1000)/10) + " %" }

// ratio is a factor, or a percentage where it is near one.
func ratio(r float64) string {
	switch {
	case math.Abs(r-1) < 0.0005:
		return "under 0.1 %"
	case math.Abs(r-1) < 0.1:
		return percent(r - 1)
	}
	return "×" + strconv.FormatFloat(r, 'f', 2, 64)
}

func point(v [3]float64) string {
	var out []string
	for _, x := range v {
		out = append(out, schema.Decimals(x, 1))
	}
	return strings.Join(out, ", ") + " mm"
}

// arrow is a field's before and after, moments in a zone.
func (f Field) arrow(zone *time.Location) string {
	unit := unitAfter(f.Unit)
	switch f.Op {
	case Added:
		return valueIn(f.After, zone) + unit
	case Removed:
		return valueIn(f.Before, zone) + unit
	}
	return valueIn(f.Before, zone) + " → " + valueIn(f.After, zone) + unit
}

// groupSection shows one group of parameters.
func (r Report) groupSection(g Group, o Options) section {
	s := section{ID: g.Name, Title: g.Title}
	if s.ID == "" {
		s.ID = "unknown"
	}
	weighty := false
	for _, x := range r.Tune {
		for _, c := range x.Changes {
			weighty = weighty || c.Level >= schema.Notable
		}
	}
	t := table{Caption: g.Title, Head: []column{{Title: "parameter"}, {Title: "before → after"}, {Title: "change"}, {Title: "share of range", Right: true, Extra: true}, {Title: "SI", Extra: true}, {Title: "weight", Keep: true}}}
	hidden := 0
	type said struct {
		labels []string
		text   string
	}
	var sentences, cautions []said
	say := func(list *[]said, label, text string) {
		for i := range *list {
			if (*list)[i].text == text {
				(*list)[i].labels = append((*list)[i].labels, label)
				return
			}
		}
		if text != "" {
			*list = append(*list, said{[]string{label}, text})
		}
	}
	for _, c := range g.Changes {
		if c.Level < schema.Notable && !o.All && !o.page && weighty {
			hidden++
			continue
		}
		t.Rows = append(t.Rows, c.row())
		say(&sentences, c.Label, c.Sentence)
		say(&cautions, c.Label, c.Caution)
	}
	if t.Rows != nil {
		s.Blocks = append(s.Blocks, block{Table: &t})
	}
	for _, x := range sentences {
		s.Blocks = append(s.Blocks, block{Para: together(x.labels) + " – " + x.text, Tone: dim})
	}
	for _, x := range cautions {
		s.Blocks = append(s.Blocks, block{Para: "Caution: " + x.text, Tone: strong})
	}
	if hidden > 0 {
		s.Blocks = append(s.Blocks, o.counted(hidden, "smaller change", "smaller changes"))
	}
	return s
}

// together lists labels, saying what they begin with in common once:
// "stiffness, pan, tilt".
func together(labels []string) string {
	out, last := "", ""
	for i, l := range labels {
		what, rest, ok := strings.Cut(l, ", ")
		switch {
		case i == 0:
			out = l
		case ok && what == last:
			out += ", " + rest
		default:
			out += "; " + l
		}
		last = what
	}
	return out
}

// sign is the mark that says without colour what happened.
func (c Change) sign() (string, tone) {
	switch {
	case c.Op == Added:
		return "+", added
	case c.Op == Removed:
		return "-", removed
	case !c.Comparable:
		return "≠", strong
	case c.Sense > 0:
		return "▲", plainTone
	case c.Sense < 0:
		return "▼", plainTone
	}
	return "~", plainTone
}

func (c Change) row() row {
	mark, tn := c.sign()
	cells := []cell{{Text: mark + " " + c.Label, Tone: tn}, {Text: c.arrow()}, {Text: c.what()}, {}, {}, {Text: c.Level.String()}}
	if c.Level == schema.Major {
		cells[5].Tone = strong
	}
	if c.Share != nil {
		cells[3].Text = percent(*c.Share)
	}
	if s := c.SI; s != nil {
		get := func(v *float64) string {
			if v == nil {
				return "–"
			}
			return sig(*v)
		}
		switch c.Op {
		case Added:
			cells[4].Text = get(s.After) + " " + s.Unit
		case Removed:
			cells[4].Text = get(s.Before) + " " + s.Unit
		default:
			cells[4].Text = get(s.Before) + " → " + get(s.After) + " " + s.Unit
		}
		if s.Extrapolated {
			cells[4].Text += schema.ExtrapolatedWords
		}
	}
	return row{Cells: cells}
}

// what is the change in words for a table.
func (c Change) what() string {
	switch {
	case !c.Comparable:
		return "not comparable: " + c.Reason
	case !c.Known:
		return "unknown key, compared as text"
	}
	var in []string
	if c.Delta != nil && c.Converted == nil {
		in = append(in, schema.Signed(*c.Delta))
	}
	if c.Converted != nil {
		in = append(in, value(c.Before)+" there is "+num(*c.Converted)+" here")
	}
	if s := c.StepWords(); s != "" {
		in = append(in, s)
	}
	if c.Remark != "" {
		in = append(in, c.Remark)
	}
	return strings.Join(in, ", ")
}

// fieldBlocks shows fields; what Rigkeep records by itself is counted only, but
// for --all.
func fieldBlocks(caption string, fs []Field, o Options) []block {
	t := table{Caption: caption, Head: []column{{Title: "key"}, {Title: "meaning", Extra: true, Plain: true}, {Title: "before → after"}}}
	hidden := 0
	for _, f := range fs {
		if f.Derived && !o.All {
			hidden++
			continue
		}
		t.Rows = append(t.Rows, f.row(o.Zone))
	}
	var out []block
	if t.Rows != nil {
		out = append(out, block{Table: &t})
	}
	if hidden > 0 {
		out = append(out, o.counted(hidden, "smaller change", "smaller changes"))
	}
	return out
}

func (f Field) row(zone *time.Location) row {
	key := cell{Text: "~ " + f.Key}
	switch f.Op {
	case Added:
		key = cell{Text: "+ " + f.Key, Tone: added}
	case Removed:
		key = cell{Text: "- " + f.Key, Tone: removed}
	}
	v := cell{Text: f.arrow(zone)}
	if len(f.Words) > 0 {
		v = cell{Marks: f.Words}
	} else if f.Delta != nil && f.Op == Changed {
		v.Text += " (" + schema.Signed(*f.Delta) + ")"
	}
	label := f.Label
	if !f.Known {
		label = "unknown key"
	}
	return row{Cells: []cell{key, {Text: label, Tone: dim}, v}}
}

func (r Report) proofSection(o Options) section {
	s := section{ID: "proof", Title: "Proof"}
	p := r.Proof
	if p == nil {
		return s
	}
	mark := "~ "
	switch {
	case len(p.StaleAfter) > 0:
		mark = "! "
	case p.Op == Added:
		mark = "+ "
	case p.Op == Removed:
		mark = "- "
	}
	s.Blocks = append(s.Blocks, block{Para: mark + sentenceCase(p.words(o.Zone)) + ".", Tone: strong})
	for _, w := range p.StaleAfter {
		s.Blocks = append(s.Blocks, para("after: %s", w))
	}
	for _, w := range p.StaleBefore {
		s.Blocks = append(s.Blocks, para("before: %s", w))
	}
	s.Blocks = append(s.Blocks, fieldBlocks("Details", p.Fields, o)...)
	return s
}

func sentenceCase(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func (r Report) otherSection(o Options) section {
	s := section{ID: "other", Title: "Other keys"}
	s.Blocks = fieldBlocks(s.Title, r.Other, o)
	return s
}

func (d Document) section(o Options) section {
	s := section{ID: "document", Title: d.Path}
	switch {
	case d.Was != "":
		s.Blocks = append(s.Blocks, para("compared with %s", d.Was))
	case d.Op == Added:
		s.Blocks = append(s.Blocks, block{Para: "+ new file", Tone: added})
	case d.Op == Removed:
		s.Blocks = append(s.Blocks, block{Para: "- file removed", Tone: removed})
	}
	s.Blocks = append(s.Blocks, fieldBlocks("Keys of "+d.Path, d.Fields, o)...)
	return s
}

func (r Report) textSection() section {
	s := section{ID: "text", Title: "Comments and spacing"}
	for _, t := range r.Texts {
		name := t.Path
		if t.Was != "" {
			name = t.Was + " → " + t.Path
		}
		s.Blocks = append(s.Blocks, para("~ %s: %s", name, t.Summary))
		for _, c := range t.Comments {
			at := ""
			if c.Key != "" {
				at = " (at " + c.Key + ")"
			}
			if c.Op == Removed {
				s.Blocks = append(s.Blocks, block{Para: "- # " + c.Text + at, Tone: removed})
			} else {
				s.Blocks = append(s.Blocks, block{Para: "+ # " + c.Text + at, Tone: added})
			}
		}
	}
	return s
}

func (b *Behaviour) section(o Options) section {
	s := section{ID: "behaviour", Title: "Behaviour"}
	if b == nil {
		return s
	}
	hidden := 0
	var t *table
	for i, f := range b.Figures {
		if f.Detail && !o.All {
			hidden++
			continue
		}
		if t == nil || f.Of != b.Figures[i-1].Of {
			t = &table{Caption: f.Of, Loud: true, Head: []column{{Title: "figure"}, {Title: "before", Right: true}, {Title: "after", Right: true}, {Title: "change"}}}
			if f.Basis != "" {
				t.Caption += " – " + f.Basis
			}
			s.Blocks = append(s.Blocks, block{Table: t})
		}
		t.Rows = append(t.Rows, f.row())
	}
	if hidden > 0 {
		s.Blocks = append(s.Blocks, o.counted(hidden, "more figure", "more figures"))
	}
	for i := range b.Plots {
		s.Blocks = append(s.Blocks, block{Plot: &b.Plots[i], ID: fmt.Sprintf("fig%d", i+1)})
	}
	for _, w := range b.Basis {
		s.Blocks = append(s.Blocks, block{Para: w, Tone: dim})
	}
	for _, w := range b.Missing {
		s.Blocks = append(s.Blocks, para("Not computed: %s", w))
	}
	return s
}

func (f Figure) row() row {
	get := func(v *float64) string {
		if v == nil {
			return "–"
		}
		return three(*v) + unitAfter(f.Unit)
	}
	ch := cell{Text: "same"}
	if f.Before != nil && f.After != nil && f.Differs {
		d := *f.After - *f.Before
		text := three(d)
		if d > 0 {
			text = "+" + text
		}
		ch = direction(d, text+unitAfter(f.Unit))
		switch f.Verdict() {
		case "better":
			ch.Text, ch.Tone = ch.Text+", ✓ better", better
		case "worse":
			ch.Text, ch.Tone = ch.Text+", ✗ worse", worse
		}
	} else if f.Before == nil {
		ch.Text = "new"
	} else if f.After == nil {
		ch.Text = "gone"
	}
	return row{Cells: []cell{{Text: f.Name}, {Text: get(f.Before)}, {Text: get(f.After)}, ch}}
}

func unitAfter(u string) string {
	if u == "" || u == "°" {
		return u
	}
	return " " + u
}

// three writes a computed figure to three significant digits.
func three(v float64) string { return page.Number(v) }
