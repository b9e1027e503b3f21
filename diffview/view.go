package diffview

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"rigkeep/schema"
)

// Options choose what the writers show.
type Options struct {
	All bool // smaller changes too, which are otherwise counted where there are weightier ones
}

// view is a report laid out for reading, before it is written as text, Markdown
// or a page. Its strings are not sanitised: each writer does that for its medium.
type view struct {
	title    string
	stat     string
	parties  [][2]string // role and words
	sections []section
}

type section struct {
	id, title string
	blocks    []block
}

// block is a paragraph, a table or a plot.
type block struct {
	para  string
	tone  tone
	table *table
	plot  *Plot
}

type table struct {
	caption string
	head    []column
	rows    []row
}

type column struct {
	title string
	right bool
	extra bool // the first to leave the table when the page is narrow
	plain bool // speaks for itself without its title
}

type row struct {
	cells []cell
	under string // said below the row
}

type cell struct {
	text  string
	tone  tone
	marks []Mark // in place of text
}

// tone is what a writer may colour; words and signs say it as well.
type tone int

const (
	plainTone tone = iota
	up
	down
	added
	removed
	strong
	dim
)

func para(format string, args ...any) block { return block{para: fmt.Sprintf(format, args...)} }

func layOut(r Report, o Options) view {
	v := view{title: title(r), stat: Stat(r), parties: [][2]string{{"before", r.Before.words()}, {"after", r.After.words()}}}
	for _, s := range []section{r.Build.section(), {}, r.proofSection(o), r.otherSection(o)} {
		if s.id == "" { // the place of the tune
			for _, g := range r.Tune {
				v.sections = append(v.sections, r.groupSection(g, o))
			}
			continue
		}
		if len(s.blocks) > 0 {
			v.sections = append(v.sections, s)
		}
	}
	for _, d := range r.Documents {
		v.sections = append(v.sections, d.section(o))
	}
	if s := r.textSection(); len(s.blocks) > 0 {
		v.sections = append(v.sections, s)
	}
	if s := r.Behaviour.section(); len(s.blocks) > 0 {
		v.sections = append(v.sections, s)
	}
	if len(r.NotCompared) > 0 {
		s := section{id: "not-compared", title: "Not compared"}
		for _, w := range r.NotCompared {
			s.blocks = append(s.blocks, para("%s", w))
		}
		v.sections = append(v.sections, s)
	}
	return v
}

func title(r Report) string {
	return "What changed: " + r.Before.Label + " → " + r.After.Label
}

func (p Party) words() string {
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
		out = append(out, when(p.When))
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
func (b *Build) section() section {
	s := section{id: "build", title: "Build"}
	if b == nil {
		return section{id: "build"}
	}
	switch {
	case b.Op == Added:
		s.blocks = append(s.blocks, para("+ The build is new: %s kg in %s.", num(b.MassAfter), plural(len(b.Parts), "part", "parts")))
	case b.Op == Removed:
		s.blocks = append(s.blocks, para("- The build is gone: %s kg in %s.", num(b.MassBefore), plural(len(b.Parts), "part", "parts")))
	case b.Gimbals[0] != b.Gimbals[1]:
		s.blocks = append(s.blocks, block{para: "~ Gimbal " + b.Gimbals[0] + " → " + b.Gimbals[1] + ": the dial numbers of the two do not mean the same.", tone: strong})
	}
	if b.Op == Changed {
		facts := table{caption: "Mass, balance and inertia", head: []column{{title: ""}, {title: "before", right: true}, {title: "after", right: true}, {title: "change"}}}
		if b.MassDelta != 0 {
			share := ""
			if b.MassBefore > 0 {
				share = " (" + percent(b.MassAfter/b.MassBefore-1) + ")"
			}
			facts.rows = append(facts.rows, row{cells: []cell{{text: "mass"}, {text: num(b.MassBefore) + " kg"}, {text: num(b.MassAfter) + " kg"},
				direction(b.MassDelta, signed(b.MassDelta)+" g"+share)}})
		}
		if b.CG != nil {
			facts.rows = append(facts.rows, row{cells: []cell{{text: "centre of gravity"}, {text: point(b.CG[0])}, {text: point(b.CG[1])}, {text: "~ " + b.CGShift}}})
		}
		for _, in := range b.Inertia {
			facts.rows = append(facts.rows, row{cells: []cell{{text: "inertia, " + in.Axis}, {text: sig(in.Before) + " kg·m²"}, {text: sig(in.After) + " kg·m²"},
				direction(in.After-in.Before, "×"+ratio(in.Ratio))}})
		}
		if facts.rows != nil {
			s.blocks = append(s.blocks, block{table: &facts})
		}
		if b.Inertia != nil {
			s.blocks = append(s.blocks, block{para: "Inertia is of " + b.InertiaOf + ". For an equal hold, stiffness goes with it.", tone: dim})
		}
	}
	if b.Parts != nil {
		t := table{caption: "Parts", head: []column{{title: "part"}, {title: "mass", right: true}, {title: "change"}}}
		for _, p := range b.Parts {
			t.rows = append(t.rows, p.row())
		}
		s.blocks = append(s.blocks, block{table: &t})
	}
	if b.Reordered {
		s.blocks = append(s.blocks, para("~ The parts are listed in another order."))
	}
	if t := fieldTable("Fields of the build", b.Fields); t != nil {
		s.blocks = append(s.blocks, block{table: t})
	}
	for _, p := range b.Problems {
		s.blocks = append(s.blocks, para("! %s", p))
	}
	return s
}

func (p Part) row() row {
	name := p.Slot + ": " + p.Name
	c := []cell{{text: "~ " + name}, {text: num(p.MassAfter) + " g"}, {}}
	var words []string
	if p.MassDelta != 0 && p.Op != Added && p.Op != Removed {
		words = append(words, signed(p.MassDelta)+" g")
	}
	switch p.Op {
	case Added:
		c[0] = cell{text: "+ " + name, tone: added}
		words = []string{"added"}
	case Removed:
		c[0], c[1].text = cell{text: "- " + name, tone: removed}, num(p.MassBefore)+" g"
		words = []string{"removed"}
	case Replaced:
		words = append(words, "in place of "+p.Was)
	}
	if p.Moved != "" {
		words = append(words, "moved "+p.Moved)
	}
	for _, f := range p.Fields {
		if f.Key != "mass" && f.Key != "place" {
			words = append(words, f.Label+" "+f.arrow())
		}
	}
	c[2].text = strings.Join(words, "; ")
	return row{cells: c}
}

// direction is a change with its sign.
func direction(d float64, text string) cell {
	switch {
	case d > 0:
		return cell{text: "▲ " + text, tone: up}
	case d < 0:
		return cell{text: "▼ " + text, tone: down}
	}
	return cell{text: text}
}

func percent(share float64) string { return signed(math.Round(share*1000)/10) + " %" }

func ratio(r float64) string { return strconv.FormatFloat(r, 'f', 2, 64) }

func point(v [3]float64) string {
	var out []string
	for _, x := range v {
		out = append(out, schema.Num(math.Round(x*10)/10+0))
	}
	return strings.Join(out, ", ") + " mm"
}

// arrow is a field's before and after.
func (f Field) arrow() string {
	unit := f.Unit
	if unit != "" && unit != "°" {
		unit = " " + unit
	}
	switch f.Op {
	case Added:
		return value(f.After) + unit
	case Removed:
		return value(f.Before) + unit
	}
	return value(f.Before) + " → " + value(f.After) + unit
}

// groupSection shows one group of parameters.
func (r Report) groupSection(g Group, o Options) section {
	s := section{id: g.Name, title: g.Title}
	if s.id == "" {
		s.id = "unknown"
	}
	weighty := false
	for _, x := range r.Tune {
		for _, c := range x.Changes {
			weighty = weighty || c.Level >= schema.Notable
		}
	}
	t := table{caption: g.Title, head: []column{{title: "parameter"}, {title: "before → after"}, {title: "change"}, {title: "share of range", right: true, extra: true}, {title: "SI", extra: true}, {title: "weight"}}}
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
		if c.Level < schema.Notable && !o.All && weighty {
			hidden++
			continue
		}
		t.rows = append(t.rows, c.row())
		label := c.Label
		if c.Direction != "" {
			label += " " + c.Direction
		}
		say(&sentences, label, c.Sentence)
		say(&cautions, c.Label, c.Caution)
	}
	if t.rows != nil {
		s.blocks = append(s.blocks, block{table: &t})
	}
	for _, x := range sentences {
		s.blocks = append(s.blocks, block{para: strings.Join(x.labels, "; ") + ": " + x.text, tone: dim})
	}
	for _, x := range cautions {
		s.blocks = append(s.blocks, block{para: "Caution: " + x.text, tone: strong})
	}
	if hidden > 0 {
		s.blocks = append(s.blocks, smaller(hidden))
	}
	return s
}

func smaller(n int) block {
	return block{para: plural(n, "smaller change", "smaller changes") + " not shown, --all", tone: dim}
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
		return "▲", up
	case c.Sense < 0:
		return "▼", down
	}
	return "~", plainTone
}

func (c Change) row() row {
	mark, tn := c.sign()
	cells := []cell{{text: mark + " " + c.Label, tone: tn}, {text: c.arrow()}, {text: c.what()}, {}, {}, {text: c.Level.String()}}
	if c.Level == schema.Major {
		cells[5].tone = strong
	}
	if c.Share != nil {
		cells[3].text = percent(*c.Share)
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
			cells[4].text = get(s.After) + " " + s.Unit
		case Removed:
			cells[4].text = get(s.Before) + " " + s.Unit
		default:
			cells[4].text = get(s.Before) + " → " + get(s.After) + " " + s.Unit
		}
	}
	return row{cells: cells}
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
		in = append(in, signed(*c.Delta))
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

// fieldTable shows fields, nil when there are none.
func fieldTable(caption string, fs []Field) *table {
	if len(fs) == 0 {
		return nil
	}
	t := table{caption: caption, head: []column{{title: "key"}, {title: "what it is", extra: true, plain: true}, {title: "before → after"}}}
	for _, f := range fs {
		t.rows = append(t.rows, f.row())
	}
	return &t
}

func (f Field) row() row {
	key := cell{text: "~ " + f.Key}
	switch f.Op {
	case Added:
		key = cell{text: "+ " + f.Key, tone: added}
	case Removed:
		key = cell{text: "- " + f.Key, tone: removed}
	}
	v := cell{text: f.arrow()}
	if len(f.Words) > 0 {
		v = cell{marks: f.Words}
	} else if f.Delta != nil && f.Op == Changed {
		v.text += " (" + signed(*f.Delta) + ")"
	}
	label := f.Label
	if !f.Known {
		label = "unknown key"
	}
	return row{cells: []cell{key, {text: label, tone: dim}, v}}
}

// shown leaves out what Rigkeep records by itself, and counts it.
func shown(fs []Field, o Options) (out []Field, hidden int) {
	for _, f := range fs {
		if f.Derived && !o.All {
			hidden++
			continue
		}
		out = append(out, f)
	}
	if out == nil {
		return fs, 0
	}
	return out, hidden
}

func (r Report) proofSection(o Options) section {
	s := section{id: "proof", title: "Proof"}
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
	s.blocks = append(s.blocks, block{para: mark + sentenceCase(p.Sentence) + ".", tone: strong})
	for _, w := range p.StaleAfter {
		s.blocks = append(s.blocks, para("after: %s", w))
	}
	for _, w := range p.StaleBefore {
		s.blocks = append(s.blocks, para("before: %s", w))
	}
	fs, hidden := shown(p.Fields, o)
	if t := fieldTable("The record", fs); t != nil {
		s.blocks = append(s.blocks, block{table: t})
	}
	if hidden > 0 {
		s.blocks = append(s.blocks, smaller(hidden))
	}
	return s
}

func sentenceCase(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func (r Report) otherSection(o Options) section {
	s := section{id: "other", title: "Other fields of the tune"}
	if t := fieldTable(s.title, r.Other); t != nil {
		s.blocks = append(s.blocks, block{table: t})
	}
	return s
}

func (d Document) section(o Options) section {
	s := section{id: "document", title: d.Path}
	switch {
	case d.Was != "":
		s.blocks = append(s.blocks, para("compared with %s", d.Was))
	case d.Op == Added:
		s.blocks = append(s.blocks, block{para: "+ the file is new", tone: added})
	case d.Op == Removed:
		s.blocks = append(s.blocks, block{para: "- the file is gone", tone: removed})
	}
	fs, hidden := shown(d.Fields, o)
	if t := fieldTable("Keys of "+d.Path, fs); t != nil {
		s.blocks = append(s.blocks, block{table: t})
	}
	if hidden > 0 {
		s.blocks = append(s.blocks, smaller(hidden))
	}
	return s
}

func (r Report) textSection() section {
	s := section{id: "text", title: "Comments and layout"}
	for _, t := range r.Texts {
		name := t.Path
		if t.Was != "" {
			name = t.Was + " → " + t.Path
		}
		s.blocks = append(s.blocks, para("~ %s: %s", name, t.Summary))
		for _, c := range t.CommentsRemoved {
			s.blocks = append(s.blocks, block{para: "- # " + c, tone: removed})
		}
		for _, c := range t.CommentsAdded {
			s.blocks = append(s.blocks, block{para: "+ # " + c, tone: added})
		}
	}
	return s
}

func (b *Behaviour) section() section {
	s := section{id: "behaviour", title: "Behaviour"}
	if b == nil {
		return s
	}
	if len(b.Figures) > 0 {
		t := table{caption: "What the change does", head: []column{{title: "figure"}, {title: "before", right: true}, {title: "after", right: true}, {title: "change"}, {title: "for", extra: true, plain: true}}}
		for _, f := range b.Figures {
			t.rows = append(t.rows, f.row())
		}
		s.blocks = append(s.blocks, block{table: &t})
	}
	for i := range b.Plots {
		s.blocks = append(s.blocks, block{plot: &b.Plots[i]})
	}
	for _, w := range b.Basis {
		s.blocks = append(s.blocks, block{para: w, tone: dim})
	}
	for _, w := range b.Missing {
		s.blocks = append(s.blocks, para("Not computed: %s", w))
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
	ch := cell{text: "same"}
	if f.Before != nil && f.After != nil && f.Differs {
		d := *f.After - *f.Before
		text := three(d)
		if d > 0 {
			text = "+" + text
		}
		ch = direction(d, text+unitAfter(f.Unit))
		if v := f.Verdict(); v != "" {
			ch.text += ", " + v
		}
	} else if f.Before == nil || f.After == nil {
		ch.text = "–"
	}
	return row{cells: []cell{{text: f.Name}, {text: get(f.Before)}, {text: get(f.After)}, ch, {text: f.Basis, tone: dim}}}
}

func unitAfter(u string) string {
	if u == "" || u == "°" {
		return u
	}
	return " " + u
}

// three writes a computed figure to three significant digits.
func three(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return schema.Num(v)
	}
	d := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	return strconv.FormatFloat(v, 'f', min(max(d, 0), 9), 64)
}
