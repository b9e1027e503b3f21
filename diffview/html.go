package diffview

import (
	"fmt"
	"html/template"
	"strings"

	"rigkeep/diffview/page"
	"rigkeep/diffview/svg"
)

// parts are the templates that the pages of this package share.
const parts = `{{define "blocks"}}{{range .}}{{if .Table}}{{template "rows" .Table}}{{else if .Plots}}<div class="g3">{{range .Figures}}{{template "figure" .}}{{end}}</div>{{else if .Plot}}{{template "figure" .Figure}}{{else}}{{$c := cautioned .Para}}{{if $c}}{{template "caution" $c}}{{else}}<p{{with .Tone.String}} class="{{.}}"{{end}}>{{line .Para}}</p>{{end}}{{end}}
{{end}}{{end}}
{{define "rows"}}{{$t := .}}<table class="rows{{if .Short}} short{{end}}"><caption{{if .Echo}} class="hush"{{end}}>{{line .Caption}}</caption>
<thead><tr>{{range .Head}}<th scope="col"{{if .Right}} class="r"{{end}}>{{if .Title}}{{.Title}}{{else}}what{{end}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr>{{range $i, $c := .Cells}}{{$h := index $t.Head $i}}{{if eq $i 0}}<th scope="row" class="{{$c.Tone}}">{{template "cell" $c}}</th>{{else}}<td class="{{$c.Tone}}{{if $h.Right}} r{{end}}{{if $c.Empty}} none{{end}}"{{if $h.Title}} data-label="{{$h.Title}}"{{end}}>{{template "cell" $c}}</td>{{end}}{{end}}</tr>
{{end}}</tbody></table>{{end}}
{{define "cell"}}{{if .Marks}}{{range .Marks}}{{if eq .Op "added"}}<ins>{{line .Text}}</ins>{{else if eq .Op "removed"}}<del>{{line .Text}}</del>{{else}}{{line .Text}}{{end}}{{end}}{{else}}{{line .Text}}{{end}}{{end}}`

// cautioned is what a caution says, "" for any other paragraph.
func cautioned(para string) string {
	said, ok := strings.CutPrefix(para, "Caution: ")
	if !ok {
		return ""
	}
	return said
}

// String is the tone's class on a page.
func (t tone) String() string {
	return [...]string{"", "good", "bad", "look", "strong", "strong", "strong", "soft"}[t]
}

// Short reports whether a table is kept on one sheet of paper.
func (t *table) Short() bool { return len(t.Rows) <= 12 }

// Empty reports whether a cell has nothing to show.
func (c cell) Empty() bool { return c.Text == "" && c.Marks == nil }

// Chart is the plot as a picture.
func (p Plot) Chart() svg.Chart {
	c := svg.Chart{Title: p.Title, Desc: p.About, XLabel: p.XLabel, YLabel: p.YLabel, LogX: p.LogX, MinSpan: p.LeastSpan}
	for _, s := range p.Series {
		// the two sides look alike in every picture, also where one is missing
		look := map[string]int{"before": svg.Before, "after": svg.After, "operator": svg.Third}[s.Name]
		c.Series = append(c.Series, svg.Series{Name: s.Name, X: s.X, Y: s.Y, Look: look, Dots: p.Ticks != nil})
	}
	for _, t := range p.Ticks {
		c.Ticks = append(c.Ticks, svg.Tick{At: t.X, Name: t.Name, Short: t.Short})
	}
	for _, m := range p.Marks {
		c.Marks = append(c.Marks, svg.Mark{Name: m.Name + " " + page.Number(m.Y), At: m.Y, Limit: m.Name == "limit", Onset: m.Name == "onset"})
	}
	return c
}

// Figure is the block's plot for the page.
func (b block) Figure() page.Figure { return page.Figure{Chart: b.Plot.Chart(), ID: b.ID} }

// Figures are the block's small plots for the page.
func (b block) Figures() []page.Figure {
	var out []page.Figure
	for i, p := range b.Plots {
		out = append(out, page.Figure{Chart: p.Chart(), ID: fmt.Sprintf("%s-%d", b.ID, i+1)})
	}
	return out
}

// funcs are what parts needs.
var funcs = template.FuncMap{"cautioned": cautioned, "first": firstGoes, "rest": restGoes}
