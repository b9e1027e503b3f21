package diffview

import (
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/diffview/svg"
	"rigkeep/schema"
)

// compareBody is a comparison as a page: the verdict, the values, what they do, then
// the pictures; what is seldom asked stands folded.
const compareBody = parts + `{{define "body"}}{{with .Crossed}}<p class="over" id="limit">✗ Over the limit: {{line .}}{{with $.But}}<span>{{line .}}</span>{{end}}</p>
{{end}}{{if .Amber}}<p class="answer"><span class="st look"><i aria-hidden="true">!</i>Over the limit by the model:</span> {{line .Amber}}</p><p>{{line .But}}</p>
{{end}}{{range .Answers}}<p class="answer">{{if .State.Word}}{{template "state" .State}} {{end}}{{line .Text}}</p>
{{end}}{{with .Values}}{{template "values" .}}{{end}}
{{with .Unit}}<p class="small soft">{{line .}}</p>{{end}}
{{range .Told}}<p>{{line .}}</p>
{{end}}{{with .Cautions}}<div class="caution">{{range .}}<p><b>Caution:</b> {{line .}}</p>{{end}}</div>{{end}}
{{if .Figures}}<section aria-labelledby="behaviour"><div class="head"><h2 id="behaviour">Behaviour</h2><span class="soft small">models: use them to compare, not as a test</span></div>
<table class="rows"><caption class="hush">Behaviour</caption><thead><tr><th scope="col">figure</th><th scope="col" class="r">before</th><th scope="col" class="r">after</th><th scope="col">change</th></tr></thead><tbody>
{{range .Figures}}<tr><th scope="rowgroup" colspan="4" class="group">{{template "state" .State}}</th></tr>
{{range .Rows}}<tr><th scope="row">{{line .Name}}</th><td class="r"><span class="phone-only">{{line .Before}} → {{if .Crossed}}<b class="cross">✗ {{line .After}}</b>{{else}}<b>{{line .After}}</b>{{end}}</span><span class="wide-only">{{line .Before}}</span></td><td class="r none">{{if .Crossed}}<b class="cross">✗ {{line .After}}</b>{{else}}<b>{{line .After}}</b>{{end}}</td><td class="wide-only">{{line .Change}}</td></tr>
{{end}}{{end}}</tbody></table>{{with .Neither}}<details><summary>{{.Title}}</summary><div class="in">{{template "blocks" .Blocks}}</div></details>{{end}}</section>
{{end}}{{range .Charts}}<section aria-labelledby="{{.ID}}"><div class="head"><h2 id="{{.ID}}">{{line .Title}}</h2><span class="soft small">equal axes</span></div>{{with .About}}<p class="soft small" style="margin-bottom:8px">{{line .}}</p>{{end}}
<div class="g3">{{range .Figures}}{{template "figure" .}}{{end}}</div></section>
{{end}}{{range .Sections}}<section aria-labelledby="s-{{.ID}}"><div class="head"><h2 id="s-{{.ID}}">{{line .Title}}</h2></div>
{{template "blocks" .Blocks}}</section>
{{end}}<section aria-labelledby="more"><div class="head"><h2 id="more">In full</h2></div>
{{range .Folds}}<details><summary>{{line .Title}}</summary><div class="in">{{template "blocks" .Blocks}}</div></details>
{{end}}<details><summary>Both sides</summary><div class="in"><dl>{{range .Parties}}<dt class="soft">{{index . 0}}</dt><dd>{{line (index . 1)}}</dd>{{end}}</dl></div></details>
{{with .Command}}{{template "command" .}}{{end}}</section>
{{end}}`

var compareTemplate = sync.OnceValues(func() (*template.Template, error) { return page.Template(compareBody, funcs) })

type compareView struct {
	Crossed, Amber, But string
	Answers             []answer
	Values              []page.Value
	Unit                string
	Told, Cautions      []string
	Figures             []figureGroup
	Neither             *section // figures that are neither better nor worse
	Charts              []chartGroup
	Sections, Folds     []section
	Parties             [][2]string
	Command             string
}

type answer struct {
	State page.State
	Text  string
}

type figureGroup struct {
	State page.State
	Rows  []figureRow
}

type figureRow struct {
	Name, Before, After, Change string
	Crossed                     bool
}

type chartGroup struct {
	ID, Title, About string
	Figures          []page.Figure
}

// Place is where a page stands among others; the zero Place is alone.
type Place struct {
	Library string
	Up      []page.Link // from the library down to the page above this one
	Folder  bool        // it lies in a folder with page.Assets
}

// Under is a page's place under those above it.
func (p Place) Under(name string) []page.Link {
	if len(p.Up) == 0 {
		return nil
	}
	return append(append([]page.Link(nil), p.Up...), page.Link{Text: name})
}

// WriteHTML writes the report as a page, self-contained unless its place is a folder.
//
// Errors: those of w; a picture that cannot be drawn.
func WriteHTML(w io.Writer, r Report, o Options, foot page.Foot) error {
	t, err := compareTemplate()
	if err != nil {
		return err
	}
	o.page = true
	v := r.forPage(o)
	p := page.Page{Title: title(r), Name: "Compare", Sub: r.sub(o.Zone), Library: o.Place.Library, Path: o.Place.Under("Compare"), Foot: foot, Folder: o.Place.Folder}
	return page.Write(w, t, p, v)
}

// sub is the days of both sides and how many figures went either way.
func (r Report) sub(zone *time.Location) string {
	var out []string
	a, b := schema.SayDay(r.Before.When, zone), schema.SayDay(r.After.When, zone)
	switch {
	case a != "" && b != "":
		out = append(out, a+" to "+b)
	case b != "":
		out = append(out, b)
	case a != "":
		out = append(out, "from "+a+" to now")
	}
	out = append(out, Stat(r))
	if b := r.Behaviour; b != nil {
		worse, better := b.verdicts()
		if worse+better > 0 {
			out = append(out, fmt.Sprintf("%d worse, %d better", worse, better))
		}
	}
	return strings.Join(out, ". ")
}

func (b *Behaviour) verdicts() (worse, better int) {
	for _, f := range b.Figures {
		switch f.Verdict() {
		case "worse":
			worse++
		case "better":
			better++
		}
	}
	return worse, better
}

func (r Report) forPage(o Options) compareView {
	lay := layOut(r, o)
	v := compareView{Parties: lay.Parties}
	if r.Same {
		v.Answers = append(v.Answers, answer{Text: "Nothing differs."})
	}
	if r.Before.Label != "" && !strings.ContainsAny(r.Before.Label+r.After.Label, " \t\n") {
		v.Command = "rigkeep compare " + r.Before.Label + " " + r.After.Label
	}
	v.verdict(r)
	v.values(r)
	var groups []section
	for _, s := range lay.Sections {
		switch s.ID {
		case "behaviour":
			for _, b := range s.Blocks { // the words under the figures
				if b.Para != "" {
					v.fold("How it is computed", b)
				}
			}
		case "document":
			v.Folds = append(v.Folds, sheetGroups(s)...)
		case "text", "not-compared", "other":
			v.Folds = append(v.Folds, s)
		case "build", "proof":
			v.Sections = append(v.Sections, s)
		default: // a group of parameters: its cautions stand with the values
			s.Blocks = slices.DeleteFunc(s.Blocks, func(b block) bool { return cautioned(b.Para) != "" })
			groups = append(groups, s)
		}
	}
	v.Folds = append(groups, v.Folds...)
	if b := r.Behaviour; b != nil {
		v.charts(b.Plots)
	}
	if len(r.History) > 0 {
		g := chartGroup{ID: "history", Title: "Values by job"}
		for i, p := range r.History {
			g.Figures = append(g.Figures, page.Figure{ID: fmt.Sprintf("job-%d", i+1), Chart: p.Chart()})
		}
		v.Charts = append(v.Charts, g)
	}
	return v
}

func (v *compareView) fold(title string, b block) {
	if n := len(v.Folds); n == 0 || v.Folds[n-1].Title != title {
		v.Folds = append(v.Folds, section{Title: title})
	}
	f := &v.Folds[len(v.Folds)-1]
	f.Blocks = append(f.Blocks, b)
}

// sheetGroups cuts the keys of one document by their first word, a fold for each.
func sheetGroups(s section) []section {
	out := []section{}
	for _, b := range s.Blocks {
		if b.Table == nil || len(b.Table.Rows) <= 12 {
			if len(out) == 0 {
				out = append(out, section{Title: s.Title})
			}
			out[0].Blocks = append(out[0].Blocks, b)
			continue
		}
		at := map[string]int{}
		for _, r := range b.Table.Rows {
			group := strings.TrimLeft(r.Cells[0].Text, "+-~ ")
			group, _, _ = strings.Cut(group, ".")
			group, _, _ = strings.Cut(group, "[")
			i, ok := at[group]
			if !ok {
				i = len(out)
				at[group] = i
				t := *b.Table
				t.Rows = nil
				t.Caption = s.Title + ", " + group
				out = append(out, section{Title: s.Title + ": " + group, Blocks: []block{{Table: &t}}})
			}
			t := out[i].Blocks[0].Table
			t.Rows = append(t.Rows, r)
		}
	}
	for i := range out {
		if n := 0; len(out[i].Blocks) > 0 && out[i].Blocks[0].Table != nil {
			n = len(out[i].Blocks[0].Table.Rows)
			out[i].Title += ", " + schema.Count(n, "key", "keys")
		}
	}
	return out
}

// verdict says first what crossed a limit, then what became worse, then better.
func (v *compareView) verdict(r Report) {
	if r.Behaviour == nil {
		return
	}
	list := r.Behaviour.Figures
	v.figures(list)
	v.limits(list, r.provedWithMargin())
	v.most(list)
}

// figures are the rows of figures, worse before better; what is neither is folded where there is either.
func (v *compareView) figures(list []Figure) {
	groups := map[string]*figureGroup{"worse": {State: page.State{V: page.Bad, Word: "worse"}}, "better": {State: page.State{V: page.Good, Word: "better"}}, "": {State: page.State{V: page.Note, Word: "changed"}}}
	for _, f := range list {
		g := groups[f.Verdict()]
		g.Rows = append(g.Rows, f.pageRow())
	}
	for _, k := range []string{"worse", "better"} {
		if len(groups[k].Rows) > 0 {
			v.Figures = append(v.Figures, *groups[k])
		}
	}
	if rest := groups[""]; len(rest.Rows) > 0 && v.Figures == nil {
		v.Figures = append(v.Figures, *rest)
	} else if len(rest.Rows) > 0 {
		t := table{Caption: "Neither better nor worse", Head: []column{{Title: "figure"}, {Title: "before → after"}, {Title: "change"}}}
		for _, x := range rest.Rows {
			t.Rows = append(t.Rows, row{Cells: []cell{{Text: x.Name}, {Text: x.Before + " → " + x.After}, {Text: x.Change}}})
		}
		v.Neither = &section{Title: schema.Count(len(rest.Rows), "other figure", "other figures"), Blocks: []block{{Table: &t}}}
	}
}

func (f Figure) pageRow() figureRow {
	row := figureRow{Name: f.Name + ", " + f.Of, Before: f.text(f.Before), After: f.text(f.After), Crossed: f.past(f.After)}
	if f.Limit != nil {
		row.Name += ", limit " + schema.Decimals(*f.Limit, 2) + unitAfter(f.Unit)
	}
	if f.Before != nil && f.After != nil && f.Differs {
		row.Change = direction(*f.After-*f.Before, three(math.Abs(*f.After-*f.Before))+unitAfter(f.Unit)).Text
	}
	return row
}

// limits says which limits are crossed now, and which were before. amber is a test on record that
// is in favour of the later values, "" for none.
func (v *compareView) limits(list []Figure, amber string) {
	var crossed, still []string
	for _, f := range list {
		if !f.past(f.After) || f.Detail {
			continue
		}
		said := fmt.Sprintf("%s, %s %s, limit %s", f.Of, f.Name, f.text(f.After), schema.Decimals(*f.Limit, 2)+unitAfter(f.Unit))
		if f.Crossed() {
			crossed = append(crossed, said)
		} else {
			still = append(still, said)
		}
	}
	few := func(list []string) string {
		if len(list) > 2 {
			list = append(slices.Clone(list[:2]), fmt.Sprintf("and %d more", len(list)-2))
		}
		return strings.Join(list, "; ")
	}
	if len(still) > 0 {
		a := answer{page.State{V: page.Bad, Word: "Still over the limit"}, few(still)}
		if amber != "" {
			a = answer{page.State{V: page.Look, Word: "Still over the limit by the model"}, a.Text + ". " + amber}
		}
		v.Answers = append(v.Answers, a)
	}
	switch said := few(crossed); {
	case said == "":
	case amber != "":
		v.Amber, v.But = said, amber
	default:
		v.Crossed, v.But = said, "By the model. These values have no proof with a recorded onset."
	}
}

// most says what became worse and better by most. Beside a crossed limit nothing is better as well
// as worse.
func (v *compareView) most(list []Figure) {
	worst, worstBy, best, bestBy := "", 0.0, "", 0.0
	for _, f := range list {
		if f.Before == nil || f.After == nil || !f.Differs {
			continue
		}
		by := math.Abs(*f.After-*f.Before) / math.Max(math.Max(math.Abs(*f.After), math.Abs(*f.Before)), 1e-9)
		// what the subject does in the frame is what people see, so it comes before the others
		if strings.HasPrefix(f.Key, "follow.") {
			by++
		}
		said := fmt.Sprintf("%s, %s: %s to %s", f.Name, f.Of, three(*f.Before), f.text(f.After))
		switch {
		case f.Verdict() == "worse" && by > worstBy && !f.Crossed():
			worst, worstBy = said, by
		case f.Verdict() == "better" && by > bestBy:
			best, bestBy = said, by
		}
	}
	if worst != "" {
		v.Answers = append(v.Answers, answer{page.State{V: page.Bad, Word: "Worse"}, worst})
	}
	if best != "" && (worst == "" || v.Crossed == "") {
		v.Answers = append(v.Answers, answer{page.State{V: page.Good, Word: "Better"}, best})
	}
}

func (f Figure) text(v *float64) string {
	if v == nil {
		return "–"
	}
	return three(*v) + unitAfter(f.Unit)
}

// provedWithMargin says that what was measured is in favour of the later values.
func (r Report) provedWithMargin() string {
	if r.b.Tune == nil || r.b.Sheet == nil || r.b.Rig == nil {
		return ""
	}
	var said []string
	for _, m := range r.b.Tune.ProvedMargins(*r.b.Rig, r.b.Sheet, r.b.Meta.Unit) {
		said = append(said, fmt.Sprintf("%s %s, the tune has %s", m.Axis, num(m.Onset), num(m.Value)))
	}
	if said == nil {
		return ""
	}
	return "The onsets found handheld leave the margin of the gimbal sheet: " + strings.Join(said, "; ") + "."
}

// values are the stiffnesses in large figures where one of them changed, and the rest
// in words.
func (v *compareView) values(r Report) {
	units := map[string]bool{}
	seen := map[string]bool{}
	var cells []page.Value
	for _, g := range r.Tune {
		for _, c := range g.Changes {
			if c.Caution != "" && !seen[c.Caution] {
				seen[c.Caution] = true
				v.Cautions = append(v.Cautions, c.Caution)
			}
			if g.Name == "stiffness" && c.Axis != "" && c.After != nil && c.Comparable {
				continue
			}
			if c.Level < schema.Notable {
				continue
			}
			mark, _ := c.sign()
			said := mark + " " + c.Label + " " + c.arrow()
			if d := c.StepWords(); d != "" {
				said += ", " + d
			}
			if len(v.Told) < 4 {
				v.Told = append(v.Told, said)
			}
		}
	}
	changed := false
	for _, a := range schema.Axes {
		val := page.Value{Name: a.String(), Number: "–"}
		if r.b.Tune != nil {
			if n, ok := r.b.Tune.Stiffness(a); ok {
				val.Number, val.As = num(n), "as before"
			}
		}
		for _, g := range r.Tune {
			for _, c := range g.Changes {
				if g.Name != "stiffness" || c.Axis != a.String() || c.After == nil || !c.Comparable {
					continue
				}
				changed = true
				mark, _ := c.sign()
				val.Number = value(c.After)
				val.As = strings.TrimSpace(mark + " " + c.StepWords())
				if c.Before != nil {
					val.As = "was " + value(c.Before) + ", " + val.As
				}
				units[c.Unit] = true
			}
		}
		cells = append(cells, val)
	}
	if !changed {
		return
	}
	v.Values = cells
	if len(units) == 1 {
		for u := range units {
			v.Unit = "Stiffness, " + firstText(u, "dial number") + "."
		}
	}
}

func firstText(ss ...string) string {
	for _, s := range ss {
		if s != "" {
			return s
		}
	}
	return ""
}

// charts are grouped by what they show, those of a group with equal axes.
func (v *compareView) charts(ps []Plot) {
	at := map[string]int{}
	for i, p := range ps {
		kind, _, _ := strings.Cut(p.Key, ".")
		k := kind + p.XLabel + p.YLabel
		n, ok := at[k]
		if !ok {
			n = len(v.Charts)
			at[k] = n
			title := map[string]string{"loop": "Margin to oscillation", "follow": "Follow styles"}[kind]
			v.Charts = append(v.Charts, chartGroup{ID: "charts-" + kind, Title: firstText(title, p.Title)})
			for _, g := range v.Charts[:n] {
				if g.ID == v.Charts[n].ID {
					v.Charts[n].ID, v.Charts[n].Title = fmt.Sprintf("%s-%d", v.Charts[n].ID, n+1), p.Title
					break
				}
			}
		}
		f := page.Figure{ID: fmt.Sprintf("fig%d", i+1), Chart: p.Chart()}
		if kind == "loop" {
			f.State = overLimit(p)
		}
		v.Charts[n].Figures = append(v.Charts[n].Figures, f)
	}
	for i := range v.Charts {
		fs := v.Charts[i].Figures
		equalAxes(fs)
		if about := fs[0].Chart.Desc; len(fs) > 1 && !slices.ContainsFunc(fs, func(f page.Figure) bool { return f.Chart.Desc != about }) {
			v.Charts[i].About = about
			for k := range fs {
				fs[k].Said = true
			}
		}
	}
}

// overLimit says whether the later line of a plot passes its limit.
func overLimit(p Plot) page.State {
	for _, m := range p.Marks {
		if m.Name != "limit" {
			continue
		}
		for _, s := range p.Series {
			if s.Name != "after" {
				continue
			}
			for _, y := range s.Y {
				if y > m.Y {
					return page.State{V: page.Bad, Word: "over the limit"}
				}
			}
			return page.State{V: page.Good, Word: "below the limit"}
		}
	}
	return page.State{}
}

// equalAxes gives charts one range, so that what looks alike is alike.
func equalAxes(fs []page.Figure) {
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	widen := func(s svg.Series) {
		for i := range s.X {
			if i < len(s.Y) && !math.IsNaN(s.Y[i]) && !math.IsInf(s.Y[i], 0) {
				x0, x1, y0, y1 = math.Min(x0, s.X[i]), math.Max(x1, s.X[i]), math.Min(y0, s.Y[i]), math.Max(y1, s.Y[i])
			}
		}
	}
	for _, f := range fs {
		for _, s := range f.Chart.Series {
			widen(s)
		}
	}
	if !(x1 >= x0) {
		return
	}
	for i := range fs {
		c := &fs[i].Chart
		c.XMin, c.XMax, c.YMin, c.YMax = &x0, &x1, &y0, &y1
	}
}
