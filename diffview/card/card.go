// Package card writes the page that goes with a handover: what the next person needs to know of
// a rig and its tunes, on a phone or on paper, without Rigkeep.
package card

import (
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// Card is what to show. It holds no clock: the same card gives the same bytes.
type Card struct {
	Sender   string
	Note     string
	Revision string // full commit id
	When     time.Time
	Tool     string // the program, with its version
	Rigs     []Rig
	Files    []page.File
}

// Rig is one rig with its tunes.
type Rig struct {
	Rig   preset.Rig
	Sheet *schema.Sheet
	Tunes []Tune
	Logs  []preset.BenchLog
	Jobs  []preset.Job // whose shot lists say which style a shot has, oldest first
}

// Tune is one tune and what changed in it last.
type Tune struct {
	Name    string
	Tune    preset.Tune
	Changes []Change // newest first
	// Since says what the changes are between: "jobs" or "revisions".
	Since string
}

// Change is what changed from one job or revision to the next.
type Change struct {
	When     time.Time
	Who, Why string
	Job      string
	Revision string
	Words    []string // one for each change; none says that nothing differs
}

// row of a table: a heading, cells.
type row struct {
	Head  string
	Cells []string
}

type table struct {
	Caption string
	Head    []string
	Rows    []row
}

// fact is a term with its description.
type fact struct{ Term, Text string }

type section struct {
	Title  string
	ID     string
	Facts  []fact
	Pic    *picture
	Parts  table
	Code   code
	Lines  []string // balance, in words
	Tables []table
}

type tuneView struct {
	Title    string
	Note     string
	Groups   []table
	Proof    []fact
	ProofSay string
	Holds    bool
	Onset    *table
	Changes  []changeView
	Since    string
	Cautions []string
}

type changeView struct {
	Head, Why string
	Words     []string
}

type rigView struct {
	section
	Tunes []tuneView
}

type body struct {
	Lead  string
	Facts []fact
	Note  string
	Rigs  []rigView
}

const source = `{{define "body"}}<p class="lead">{{line .Lead}}</p>
{{template "facts" .Facts}}
{{with .Note}}<p class="strong">{{text .}}</p>{{end}}
<p class="caution">Caution: numbers that worked on another unit, in other hands or with another build are a place to start, from below. Power off before moving the camera, balance first, begin low, keep a hand near the motor cut-off.</p>
{{range .Rigs}}<section aria-label="{{line .Title}}">
<h2>{{line .Title}}</h2>
{{template "facts" .Facts}}
<figure><figcaption>The build to scale<span class="about">Thin lines are the motor axes, CG is the centre of gravity.</span></figcaption>
{{if .Pic}}{{template "picture" .Pic}}{{else}}<p>The build cannot be drawn.</p>{{end}}
<div><details open><summary>The parts</summary>{{template "numbered" .Parts}}</details></div></figure>
<h3>Balance</h3>
{{range .Lines}}<p>{{line .}}</p>
{{end}}{{range .Tables}}{{template "table" .}}{{end}}
{{range .Tunes}}<h3>{{line .Title}}</h3>
{{with .Note}}<p>{{text .}}</p>{{end}}
{{range .Groups}}{{template "table" .}}{{end}}
<div class="short"><h4>Proof</h4>
<p class="{{if .Holds}}strong{{else}}caution{{end}}">{{line .ProofSay}}</p>
{{template "facts" .Proof}}</div>
{{with .Onset}}<h4>Where it began to oscillate</h4>{{template "table" .}}{{end}}
<h4>What changed{{with .Since}} in the last {{line .}}{{end}}</h4>
{{range .Changes}}<div class="short"><p><span class="strong">{{line .Head}}</span><br>{{line .Why}}</p>{{if .Words}}<ul>{{range .Words}}<li>{{line .}}</li>{{end}}</ul>{{else}}<p class="soft">No value differs.</p>{{end}}</div>
{{else}}<p class="soft">Nothing to compare with yet.</p>{{end}}
<h4>Cautions</h4>
<ul>{{range .Cautions}}<li>{{line .}}</li>{{end}}</ul>
{{end}}<div class="short"><h3>To find it again</h3>{{template "code" .Code}}<p><code>{{line .Code.Text}}</code></p></div>
</section>
{{end}}{{end}}
{{define "facts"}}{{if .}}<dl>{{range .}}<dt>{{line .Term}}</dt><dd>{{line .Text}}</dd>{{end}}</dl>{{end}}{{end}}
{{define "table"}}{{$t := .}}<table class="rows"><caption>{{line .Caption}}</caption><thead><tr>{{range $i, $h := .Head}}<th scope="col"{{if lt $i 2}} style="width:24%"{{end}}>{{line $h}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr><th scope="row">{{line .Head}}</th>{{range $i, $c := .Cells}}<td{{if eq $c ""}} class="none"{{else if lt (len $c) 24}} class="keep"{{end}} data-label="{{line ($t.Label $i)}}">{{line $c}}</td>{{end}}</tr>
{{end}}</tbody></table>{{end}}
{{define "numbered"}}<table class="numbers"><thead><tr>{{range .Head}}<th scope="col">{{line .}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr><th scope="row">{{line .Head}}</th>{{range $i, $c := .Cells}}<td style="{{if gt $i 0}}white-space:nowrap{{else}}overflow-wrap:anywhere{{end}}">{{line $c}}</td>{{end}}</tr>
{{end}}</tbody></table>{{end}}
` + pictureSource + codeSource

// dropEmpty takes a column of cells out if no row has anything in it.
func (t *table) dropEmpty(cell int) {
	for _, r := range t.Rows {
		if r.Cells[cell] != "" {
			return
		}
	}
	t.Head = slices.Delete(t.Head, cell+1, cell+2)
	for i := range t.Rows {
		t.Rows[i].Cells = slices.Delete(t.Rows[i].Cells, cell, cell+1)
	}
}

// Label is the heading of a cell's column, for narrow screens.
func (t table) Label(cell int) string { return t.Head[cell+1] }

// Write writes the page.
//
// Errors: a build that cannot be computed; those of w.
func Write(w io.Writer, cat *schema.Catalogue, c Card) error {
	t, err := page.Template(source, template.FuncMap{})
	if err != nil {
		return err
	}
	b := body{Lead: fmt.Sprintf("Handed over by %s", c.Sender), Note: c.Note, Facts: []fact{
		{"as of", c.When.UTC().Format("2006-01-02 15:04") + " UTC"}, {"revision", c.Revision},
	}}
	var names []string
	for i, r := range c.Rigs {
		v, err := rigOf(cat, c, r, fmt.Sprintf("rig%d", i+1))
		if err != nil {
			return err
		}
		b.Rigs = append(b.Rigs, v)
		names = append(names, r.Rig.Alias)
	}
	p := page.Page{Title: "Handover: " + strings.Join(names, ", "), Foot: page.Foot{Version: strings.TrimPrefix(c.Tool, "rigkeep "), Commits: []string{c.Revision}, Files: c.Files}}
	return page.Write(w, t, p, b)
}

func rigOf(cat *schema.Catalogue, c Card, r Rig, id string) (rigView, error) {
	v := rigView{section: section{ID: id, Title: r.Rig.Alias + " on " + r.Sheet.Name}}
	rep, err := fit.Check(r.Rig.MassParts(), preset.FitLimits(r.Sheet), mass.Options{})
	if err != nil {
		return v, err
	}
	props := rep.Properties
	payload := fmt.Sprintf("%.3f kg", props.Mass)
	if r.Sheet.PayloadMax > 0 {
		payload += fmt.Sprintf(", %.0f %% of the payload limit of %s kg", 100*props.Mass/r.Sheet.PayloadMax, schema.Num(r.Sheet.PayloadMax))
	}
	v.Facts = []fact{{"fingerprint", r.Rig.ID}, {"gimbal", r.Sheet.Name + " (" + r.Sheet.Slug + ")"}, {"mass", payload}, {"centre of gravity", cgWords(props.CG) + " of where the motor axes cross"}}
	for _, u := range r.Sheet.Units {
		v.Facts = append(v.Facts, fact{"unit", joined(", ", u.Serial, u.Label, prefixed("firmware ", u.Firmware))})
	}
	if r.Rig.Note != "" {
		v.Facts = append(v.Facts, fact{"note", r.Rig.Note})
	}
	if pic, err := draw(r.Rig, r.Sheet, props, id+"-pic"); err == nil {
		v.Pic = &pic
	}
	v.Parts = partsTable(r.Rig)
	v.Lines = balanceLines(rep)
	if v.Code, err = encode(fmt.Sprintf("rigkeep %s@%s", r.Rig.ID, c.Revision)); err != nil {
		return v, err
	}
	for _, t := range r.Tunes {
		v.Tunes = append(v.Tunes, tuneOf(cat, r, t))
		if b, ok := efforts(r, t.Tune, t.Name); ok {
			v.Tables = append(v.Tables, b)
		}
	}
	if s := shots(r); len(s.Rows) > 0 {
		v.Tables = append(v.Tables, s)
	}
	return v, nil
}

func partsTable(r preset.Rig) table {
	t := table{Head: []string{"no.", "part", "mass", "centre x, y, z in mm"}}
	for i, p := range r.Parts {
		t.Rows = append(t.Rows, row{fmt.Sprint(i + 1), []string{joined(": ", p.Slot, p.Name), fmt.Sprintf("%.0f g", p.Mass*1000),
			fmt.Sprintf("%s, %s, %s", mm(p.Place[0]), mm(p.Place[1]), mm(p.Place[2]))}})
	}
	return t
}

func mm(m float64) string { return schema.Num(math.Round(m*1e4)/10 + 0) }

// balanceLines say how to set the plate and what is left then.
func balanceLines(rep fit.Report) []string {
	out := []string{"On the plate: " + rep.Plate.Words}
	if rep.Grade == fit.Over {
		out = append(out, "Caution: the build does not fit this gimbal.")
	}
	for _, items := range [][]fit.Item{rep.Payload, rep.Balanced} {
		for _, it := range items {
			if it.Grade == fit.Tight || it.Grade == fit.Over {
				out = append(out, it.Words)
			}
		}
	}
	return out
}

// efforts are the resting efforts at the proof, read as marks for balancing.
func efforts(r Rig, t preset.Tune, name string) (table, bool) {
	if t.Proof == nil || len(t.Proof.Effort) == 0 {
		return table{}, false
	}
	out := table{Caption: "Resting effort when " + name + " was proved", Head: []string{"axis", "effort", "reads as"}}
	for _, a := range schema.Axes {
		v, ok := t.Proof.Effort[a]
		if !ok {
			continue
		}
		words := ""
		for _, p := range preset.BalancePoints(r.Sheet) {
			if p.HasAxis && p.Axis == a {
				if read, err := preset.ReadEffort(r.Sheet, r.Rig, p, []float64{v}); err == nil {
					_, words, _ = strings.Cut(read.Words, " % (")
					words = strings.Replace(words, ")", "", 1)
				}
				break
			}
		}
		out.Rows = append(out.Rows, row{a.String(), []string{schema.Num(v) + " %", words}})
	}
	return out, true
}

func tuneOf(cat *schema.Catalogue, r Rig, t Tune) tuneView {
	v := tuneView{Title: "Tune " + t.Name, Note: t.Tune.Note, Since: t.Since}
	v.Groups, v.Cautions = values(cat, r, t.Tune)
	v.ProofSay, v.Proof, v.Holds = proof(r, t.Tune)
	v.Onset = onset(r, t)
	for _, c := range t.Changes {
		head := joined(", ", c.When.UTC().Format("2006-01-02 15:04"), c.Who, prefixed("job ", c.Job), prefixed("revision ", clip(c.Revision, 10)))
		v.Changes = append(v.Changes, changeView{head, c.Why, c.Words})
	}
	return v
}

// values are the tune's values by group, in working order, with the cautions that go with them.
func values(cat *schema.Catalogue, r Rig, t preset.Tune) ([]table, []string) {
	var out []table
	cautions := []string{}
	seen := map[string]bool{}
	caution := func(list []string) {
		for _, c := range list {
			if !seen[c] {
				seen[c] = true
				cautions = append(cautions, c)
			}
		}
	}
	for _, g := range cat.Groups() {
		tab := table{Caption: g.Title, Head: []string{"what", "value", "in SI", "what it means"}}
		for _, key := range cat.Expand(t.Styles()) {
			val, set := t.Values[key]
			p, _ := cat.Param(key)
			if !set || p.Group != g.Name {
				continue
			}
			e, _ := cat.ExplainOn(key, r.Sheet, val)
			text, si := fmt.Sprint(val), ""
			if n, ok := schema.Number(val); ok {
				text = schema.Num(n)
			}
			if p.Unit == "°" {
				text += p.Unit
			} else {
				text = joined(" ", text, p.Unit)
			}
			if on := e.On; on != nil && on.Dialed {
				text = joined(" ", text, on.Unit)
				plain := text
				if on.Min != nil && on.Max != nil {
					text += fmt.Sprintf(" of %s to %s, larger is %s", schema.Num(*on.Min), schema.Num(*on.Max), on.LargerIs)
				}
				if on.ValueSI != nil {
					if si = fmt.Sprintf("%.4g %s", *on.ValueSI, on.SIUnit); si == plain {
						si = "" // the dial shows SI itself
					}
				}
			}
			tab.Rows = append(tab.Rows, row{p.Label(key), []string{text, si, firstSentence(p.Does)}})
			caution(p.Cautions)
		}
		if len(tab.Rows) > 0 {
			tab.dropEmpty(1)
			out = append(out, tab)
		}
	}
	caution([]string{"A head that is loaded overhead, on a vehicle or off the ground needs a secondary safety.", "Hold the camera before loosening a clamp. Powered motors pinch."})
	return out, cautions
}

// firstSentence is what there is room for in a table.
func firstSentence(s string) string {
	if i := strings.Index(s, ". "); i >= 0 {
		s = s[:i]
	}
	return strings.TrimSuffix(strings.TrimSpace(s), ".")
}

// proof says what proof there is and whether it holds.
func proof(r Rig, t preset.Tune) (say string, facts []fact, holds bool) {
	p := t.Proof
	if p == nil {
		return "Not proved: nobody recorded that this tune was worked in the hand.", nil, false
	}
	place := map[string]string{"hand": "in the hand", "stand": "on the stand only"}[p.Place]
	say = joined(" ", "Worked", place, prefixed("on unit ", p.Unit))
	if !p.At.IsZero() {
		say += " on " + p.At.UTC().Format("2006-01-02")
	}
	holds = true
	for _, s := range t.Stale(r.Rig, r.Sheet, "") {
		say += "; no longer holds: " + s.Text
		holds = false
	}
	say += ". It proves nothing on another unit."
	minutes := ""
	if p.Minutes > 0 {
		minutes = schema.Num(p.Minutes) + " min"
	}
	for _, f := range []fact{{"by", p.By}, {"for", minutes}, {"firmware", p.Firmware}, {"styles", strings.Join(p.Styles, ", ")}, {"noticed", p.Note}} {
		if f.Text != "" {
			facts = append(facts, f)
		}
	}
	return say, facts, holds
}

// onset is where each axis began to oscillate, from the proof, else from the last bench log.
func onset(r Rig, t Tune) *table {
	out := table{Caption: "Dial numbers of this rig on the unit it was worked on", Head: []string{"axis", "onset", "kept", "seen"}}
	for _, a := range schema.Axes {
		at, hz, from := math.NaN(), 0.0, ""
		if p := t.Tune.Proof; p != nil {
			if v, ok := p.Onset[a]; ok {
				at, hz, from = v, p.OnsetHz[a], "at the proof"
				if p.Rig != "" && p.Rig != r.Rig.Fingerprint() {
					from += ", with an earlier build" // of other inertia, maybe on another gimbal
				}
			}
		}
		for i := len(r.Logs) - 1; i >= 0 && math.IsNaN(at); i-- {
			log := r.Logs[i]
			if res, ok := log.Results[a]; ok && res.Onset != nil && (log.Tune == "" || log.Tune == t.Name) {
				at, hz, from = *res.Onset, res.Hz, "in the bench log of "+log.Began.UTC().Format("2006-01-02")
			}
		}
		if math.IsNaN(at) {
			continue
		}
		if hz > 0 {
			from += ", at about " + schema.Num(hz) + " Hz"
		}
		kept, unit := "", r.Sheet.Dials["stiffness."+a.String()].Unit
		if v, ok := t.Tune.Stiffness(a); ok {
			kept = joined(" ", schema.Num(v), unit)
		}
		out.Rows = append(out.Rows, row{a.String(), []string{joined(" ", schema.Num(at), unit), kept, from}})
	}
	if len(out.Rows) == 0 {
		return nil
	}
	return &out
}

func joined(sep string, words ...string) string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return strings.Join(out, sep)
}

func prefixed(pre, s string) string {
	if s == "" {
		return ""
	}
	return pre + s
}

func clip(s string, n int) string {
	if len(s) > n {
		return s[:n]
	}
	return safe.Line(s)
}
