// Package card writes the card of a rig: what the next person needs to key in and to know, on
// one sheet of paper or a phone, without Rigkeep. Several rigs have a contents and a sheet each.
package card

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/diffview/rigview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/fit"
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
	Library  string                 // stands at the head of the paper
	Zone     *time.Location         // for times that people read; nil is UTC
	Length   func(m float64) string // nil is mm
	Folder   bool                   // the page lies in a folder with page.Assets
}

// Rig is one rig with its tunes.
type Rig struct {
	Rig    preset.Rig
	Sheet  *schema.Sheet
	Tunes  []Tune
	Logs   []preset.BenchLog
	Jobs   []preset.Job // whose shot lists say which style a shot has, oldest first
	Unit   string       // that it goes out on, "" not said
	Marks  []Mark
	Photos []Photo
	Move   []draw.Mark // the same, for the drawing
	Href   string      // of the rig's page, "" where the card stands alone
}

// Mark is a reading to set on a scale of the gimbal.
type Mark struct{ Name, Value, Range string }

// Photo is a picture of a rig.
type Photo struct {
	Alt  string
	Data template.URL // a data: address of a JPEG, made by PhotoURL
}

// PhotoURL is a picture for a page that loads nothing. Anything but a JPEG is refused.
func PhotoURL(jpeg []byte) (template.URL, error) {
	if !bytes.HasPrefix(jpeg, []byte{0xff, 0xd8, 0xff}) {
		return "", fmt.Errorf("the photo is not a JPEG")
	}
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(jpeg)), nil
}

// Tune is one tune and what changed in it last.
type Tune struct {
	Name    string
	Tune    preset.Tune
	Proved  map[string]any // values of the proof, nil where they are not known
	Changes []Change       // newest first
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

type tuneView struct {
	Title      string
	Groups     []rigview.Group
	Values     []table
	Proof      []fact
	Onset      *table
	Efforts    *table
	Changes    []changeView
	Since      string
	Cautions   []string
	Note       string
	First      bool
	Vals, Pair []page.Value
	Styles     rigview.Styles
	Other      []page.Fact
}

type changeView struct {
	Head, Why string
	Words     []string
}

type rigView struct {
	ID, Name, Line string
	Href           string
	One            bool // the only rig of the card: its name is the page's title
	Badges         []page.Badge
	Main           *tuneView
	Unit           string // word for the dial numbers
	Marks          []Mark
	Photos         []Photo
	Code           code
	State          string // what this card is of
	Views          []draw.View
	Moves          string
	Over           []string
	Parts          table
	Fits           []string
	Shots          *table
	Facts          []fact
	Tunes          []tuneView
}

type body struct {
	Several  bool
	Contents []contentsRow
	Facts    []fact
	Note     string
	Rigs     []rigView
}

type contentsRow struct {
	ID, Name, Unit, Values string
	State                  page.State
}

const source = `{{define "body"}}{{if .Several}}<div class="contents"><table class="rows"><caption class="hush">Rigs on this card</caption><thead><tr><th scope="col">Rig</th><th scope="col">Proof</th><th scope="col">Pan, tilt, roll</th><th scope="col">Unit</th></tr></thead><tbody>
{{range .Contents}}<tr><th scope="row"><a href="#{{.ID}}"><bdi>{{line .Name}}</bdi></a></th><td>{{template "state" .State}}</td><td data-label="pan, tilt, roll">{{line .Values}}</td><td class="{{if not .Unit}}none{{end}}" data-label="unit">{{line .Unit}}</td></tr>
{{end}}</tbody></table>{{template "sender" .}}</div>{{end}}
{{range .Rigs}}<section class="sheet{{if .Photos}} pictured{{end}}" id="{{.ID}}" aria-label="{{line .Name}}"{{if .One}} style="margin-top:0"{{end}}>
{{if .One}}<h2 class="hush">What to key in</h2>{{else}}<h2 dir="auto">{{line .Name}}</h2><p class="sub">{{line .Line}}</p>{{end}}
{{template "badges" .Badges}}
{{with .Main}}{{template "values" .Vals}}{{template "pair" .Pair}}{{end}}
{{with .Unit}}<p class="small soft">Stiffness in {{line .}}.</p>{{end}}
{{range .Over}}<p class="over">✗ Does not fit: {{line .}}</p>{{end}}
<p class="caution"><b>Caution:</b> power off before you move the camera. Balance first. Start low and keep a hand at the motor switch. Numbers from another unit, other hands or another build are a low starting point.</p>
<div class="g2" style="margin-top:14px">
{{with .Main}}{{if .Styles.Rows}}<div class="short"><h3>Follow styles</h3>{{template "styles" .Styles}}</div>{{end}}{{end}}
{{if .Marks}}<div class="short"><h3>Marks</h3><table class="matrix"><caption class="hush">Marks to set</caption><thead class="hush"><tr><th scope="col">Scale</th><th scope="col">Mark</th></tr></thead><tbody>{{range .Marks}}<tr><th scope="row">{{line .Name}}</th><td class="r"><span class="v">{{line .Value}}</span>{{with .Range}} <span class="soft">{{line .}}</span>{{end}}</td></tr>{{end}}</tbody></table></div>{{end}}
<div class="short screen-only">{{template "latest" .}}</div>
</div>
{{if .Views}}<h3 style="margin-top:14px">Build{{with .Moves}}: {{line .}}{{end}}</h3><div class="g3">{{range .Views}}<figure class="panel {{.Of}}"><figcaption>{{.Name}}</figcaption>{{template "view" .}}</figure>{{end}}{{template "beside" .}}</div>{{else}}{{template "beside" .}}<p>The build cannot be drawn.</p>{{end}}
<details><summary>Parts and clearances</summary><div class="in flush" tabindex="0" role="region" aria-label="Parts and clearances of {{line .Name}}">{{template "numbered" .Parts}}<ul class="plain">{{range .Fits}}<li>{{line .}}</li>{{end}}</ul>{{template "facts" .Facts}}</div></details>
{{with .Shots}}<details><summary>{{line .Caption}}</summary><div class="in">{{template "table" .}}</div></details>
{{end}}{{range .Tunes}}<details><summary>Proof and onset{{if not .First}}: {{line .Title}}{{end}}</summary><div class="in">{{template "groups" .Groups}}{{template "facts" .Proof}}{{with .Onset}}{{template "table" .}}{{end}}{{with .Efforts}}{{template "table" .}}{{end}}</div></details>
<details><summary>All values{{if not .First}}: {{line .Title}}{{end}}</summary><div class="in">{{with .Note}}<p>{{text .}}</p>{{end}}{{range .Values}}{{template "table" .}}{{end}}</div></details>
<details><summary>What changed{{with .Since}} in the last {{line .}}{{end}}{{if not .First}}: {{line .Title}}{{end}}</summary><div class="in">{{range .Changes}}<p><span class="strong">{{line .Head}}</span><br>{{line .Why}}</p>{{if .Words}}<ul class="plain">{{range .Words}}<li>{{line .}}</li>{{end}}</ul>{{else}}<p class="soft">No value differs.</p>{{end}}
{{else}}<p class="soft">No earlier revision.</p>{{end}}</div></details>
<details><summary>Cautions{{if not .First}}: {{line .Title}}{{end}}</summary><ul class="in plain">{{range .Cautions}}<li>{{line .}}</li>{{end}}</ul></details>
{{end}}{{if .One}}{{template "sender" $}}{{end}}</section>
{{end}}{{end}}
{{define "beside"}}<div class="{{if .Photos}}shot{{else}}paper-only{{end}}">{{range .Photos}}<img class="photo" src="{{.Data}}" alt="{{line .Alt}}">{{end}}<div class="paper-only">{{template "latest" .}}</div></div>{{end}}
{{define "latest"}}<h3>Latest state</h3><div class="code">{{template "code" .Code}}<div><p>Scan on the laptop, or type:</p>{{template "command" .Code.Text}}<p class="small soft">{{line .State}}</p></div></div>{{end}}
{{define "sender"}}{{if .Facts}}<details><summary>Handover</summary><div class="in">{{template "facts" .Facts}}</div></details>{{end}}{{with .Note}}<p class="strong">{{text .}}</p>{{end}}{{end}}
{{define "facts"}}{{if .}}<dl>{{range .}}<dt class="soft small">{{line .Term}}</dt><dd>{{line .Text}}</dd>{{end}}</dl>{{end}}{{end}}
{{define "table"}}{{$t := .}}<table class="rows"><caption>{{line .Caption}}</caption><thead><tr>{{range $i, $h := .Head}}<th scope="col">{{line $h}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr><th scope="row">{{line .Head}}</th>{{range $i, $c := .Cells}}<td{{if eq $c ""}} class="none"{{end}} data-label="{{line ($t.Label $i)}}">{{line $c}}</td>{{end}}</tr>
{{end}}</tbody></table>{{end}}
{{define "numbered"}}<table class="numbers"><thead><tr>{{range .Head}}<th scope="col">{{line .}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr><th scope="row">{{line .Head}}</th>{{range .Cells}}<td>{{line .}}</td>{{end}}</tr>
{{end}}</tbody></table>{{end}}
` + codeSource

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

var cardTemplate = sync.OnceValues(func() (*template.Template, error) {
	return page.Template(source+rigview.Templates+draw.Source(), nil)
})

// Write writes the page.
//
// Errors: a build that cannot be computed; those of w.
func Write(w io.Writer, cat *schema.Catalogue, c Card) error {
	t, err := cardTemplate()
	if err != nil {
		return err
	}
	zone := c.Zone
	if zone == nil {
		zone = time.UTC
	}
	b := body{Note: c.Note, Several: len(c.Rigs) > 1}
	if c.Sender != "" {
		b.Facts = []fact{{"handed over by", c.Sender}, {"as of", schema.SayMoment(c.When, zone)}, {"revision", c.Revision}}
	}
	var names []string
	for i, r := range c.Rigs {
		v, err := rigOf(cat, c, r, fmt.Sprintf("rig%d", i+1), zone)
		if err != nil {
			return err
		}
		v.One = len(c.Rigs) == 1
		b.Rigs = append(b.Rigs, v)
		names = append(names, r.Rig.Alias)
		row := contentsRow{ID: v.ID, Name: v.Name, Unit: r.Unit, State: page.State{V: page.Note, Word: "no tune yet"}}
		if v.Main != nil {
			row.State = rigview.Overall(v.Main.Groups)
			var vals []string
			for _, x := range v.Main.Vals {
				vals = append(vals, x.Number)
			}
			row.Values = strings.Join(vals, ", ")
		}
		b.Contents = append(b.Contents, row)
	}
	p := page.Page{Title: strings.Join(names, ", "), Library: c.Library, Foot: page.Foot{Made: c.When.In(zone), Version: strings.TrimPrefix(c.Tool, "rigkeep "), Commits: []string{c.Revision}, Files: c.Files}, Folder: c.Folder}
	if len(b.Rigs) == 1 {
		p.Sub = b.Rigs[0].Line
		if h := c.Rigs[0].Href; h != "" {
			p.Path = []page.Link{{Text: names[0], Href: h}, {Text: "Card"}}
		}
	} else {
		p.Title, p.Name = fmt.Sprintf("Cards of %d rigs", len(names)), "Cards"
	}
	if c.Sender != "" {
		p.Name = "Handover: " + strings.Join(names, ", ")
	}
	return page.Write(w, t, p, b)
}

func rigOf(cat *schema.Catalogue, c Card, r Rig, id string, zone *time.Location) (rigView, error) {
	v := rigView{ID: id, Name: r.Rig.Alias, Line: rigview.Line(r.Rig, r.Sheet), Marks: r.Marks, Photos: r.Photos, Href: r.Href, Unit: rigview.Unit(r.Sheet)}
	lim := preset.FitLimits(r.Sheet)
	lim.Length = c.Length
	var main *preset.Tune
	if len(r.Tunes) > 0 {
		main = &r.Tunes[0].Tune
	}
	b, rep, err := draw.Of(r.Rig, r.Sheet, main, lim)
	if err != nil {
		return v, err
	}
	b.Marks = r.Move
	v.Views, _ = b.Views(id + "-view") // a build of points has no size that can be drawn
	v.Moves, v.Over = b.Words(), b.Over()
	v.Line += ", " + rigview.Kilos(rep.Properties.Mass)
	if r.Unit != "" {
		v.Line += ". Goes out on " + r.Unit
	}
	props := rep.Properties
	payload := fmt.Sprintf("%.3f kg", props.Mass)
	if r.Sheet.PayloadMax > 0 {
		payload += fmt.Sprintf(", %.0f %% of the payload limit of %s kg", 100*props.Mass/r.Sheet.PayloadMax, schema.Num(r.Sheet.PayloadMax))
	}
	v.Facts = []fact{{"fingerprint", r.Rig.ID}, {"gimbal", r.Sheet.Name + " (" + r.Sheet.Slug + ")"}, {"mass", payload}, {"centre of gravity", props.CG.Words() + " from the axis centre, as the parts are placed"}}
	for _, u := range r.Sheet.Units {
		v.Facts = append(v.Facts, fact{"unit", joined(", ", u.Serial, u.Label, prefixed("firmware ", u.Firmware), u.Trouble)})
	}
	if r.Rig.Note != "" {
		v.Facts = append(v.Facts, fact{"note", r.Rig.Note})
	}
	v.Parts = partsTable(r.Rig)
	v.Fits = balanceLines(rep)
	if v.Code, err = encode("rigkeep show " + r.Rig.Alias); err != nil {
		return v, err
	}
	v.State = "This card: revision " + clip(c.Revision, 10)
	if !c.When.IsZero() {
		v.State += ", " + schema.SayMoment(c.When, zone)
	}
	for i, t := range r.Tunes {
		x := tuneOf(cat, r, t, zone)
		x.First = i == 0
		v.Tunes = append(v.Tunes, x)
	}
	if len(v.Tunes) > 0 {
		v.Main = &v.Tunes[0]
		v.Badges = rigview.Badges(v.Main.Groups)
	}
	if s := shots(r); len(s.Rows) > 0 {
		v.Shots = &s
	}
	return v, nil
}

func partsTable(r preset.Rig) table {
	t := table{Head: []string{"no.", "part", "mass", "centre forward, left, up in mm"}}
	for i, p := range r.Parts {
		t.Rows = append(t.Rows, row{fmt.Sprint(i + 1), []string{joined(": ", p.Slot, p.Name), fmt.Sprintf("%.0f g", p.Mass*1000),
			fmt.Sprintf("%s, %s, %s", mm(p.Place[0]), mm(p.Place[1]), mm(p.Place[2]))}})
	}
	return t
}

func mm(m float64) string { return schema.Decimals(m*1000, 1) }

// balanceLines say what does not fit, or hardly does, with the build balanced.
func balanceLines(rep fit.Report) []string {
	var out []string
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

func tuneOf(cat *schema.Catalogue, r Rig, t Tune, zone *time.Location) tuneView {
	v := tuneView{Title: "tune " + t.Name, Note: t.Tune.Note, Since: t.Since}
	v.Groups = rigview.Proof(r.Rig, r.Sheet, &t.Tune, r.Unit, zone)
	v.Vals, v.Pair = rigview.Stiffness(r.Sheet, &t.Tune, t.Proved), rigview.FiltersAndLimits(r.Sheet, &t.Tune, t.Proved)
	v.Styles = rigview.StylesOf(r.Sheet, &t.Tune, v.Groups)
	v.Values, v.Cautions = values(cat, r, t.Tune)
	v.Proof = proof(t.Tune)
	v.Onset = onset(r, t, zone)
	if b, ok := efforts(r, t.Tune, t.Name); ok {
		v.Efforts = &b
	}
	for _, c := range t.Changes {
		head := joined(", ", schema.SayMoment(c.When, zone), c.Who, prefixed("job ", c.Job), prefixed("revision ", clip(c.Revision, 10)))
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
		tab := table{Caption: g.Title, Head: []string{"what", "value", "in SI", "meaning"}}
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
					if si = schema.Sig(*on.ValueSI, 4) + " " + on.SIUnit; si == plain {
						si = "" // the dial shows SI itself
					} else if on.Extrapolated {
						si += schema.ExtrapolatedWords
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
	caution([]string{"Overhead, on a vehicle or off the ground: use a secondary safety.", "Hold the build before you open a clamp. Powered motors pinch."})
	return out, cautions
}

// firstSentence is what there is room for in a table.
func firstSentence(s string) string {
	if i := strings.Index(s, ". "); i >= 0 {
		s = s[:i]
	}
	return strings.TrimSuffix(strings.TrimSpace(s), ".")
}

// proof says what else the record of the proof tells.
func proof(t preset.Tune) (facts []fact) {
	p := t.Proof
	if p == nil {
		return nil
	}
	minutes := ""
	if p.Minutes > 0 {
		minutes = schema.Num(p.Minutes) + " min"
	}
	for _, f := range []fact{{"by", p.By}, {"for", minutes}, {"firmware", p.Firmware}, {"styles", strings.Join(t.ProvedStyles(), ", ")}, {"noticed", p.Note}} {
		if f.Text != "" {
			facts = append(facts, f)
		}
	}
	return append(facts, fact{"holds on", "unit " + p.Unit + " alone. It proves nothing on another unit."})
}

// onset is where each axis began to oscillate, from the proof, else from the last bench log.
func onset(r Rig, t Tune, zone *time.Location) *table {
	out := table{Caption: "Dial numbers on the tested unit", Head: []string{"axis", "onset", "kept", "seen"}}
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
				at, hz, from = *res.Onset, res.Hz, "in the bench log of "+schema.SayDay(log.Began, zone)
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
