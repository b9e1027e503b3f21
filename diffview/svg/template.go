package svg

import (
	"html/template"
	"sync"
)

// source is the chart as a template, so that every text in it is escaped. Colours
// are those of the page; a file of its own has them as they stand here.
const source = `{{define "chart" -}}
<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 {{.Width}} {{.Height}}" role="img" aria-labelledby="{{.ID}}-t {{.ID}}-d" font-family="system-ui, sans-serif" font-size="13" style="fill:var(--second,#46524e)">
<title id="{{.ID}}-t">{{.Title}}</title>
<desc id="{{.ID}}-d">{{.Desc}}</desc>
{{template "drawn" .}}</svg>
{{- end}}
{{define "drawn"}}{{$d := .}}{{range .Zones}}<rect x="{{.X}}" y="{{.Y}}" width="{{.Width}}" height="{{.Height}}" style="fill:{{if .Loud}}var(--bad-weak,#fde9dd){{else}}var(--part,#e7ece9){{end}}"/>{{end}}
<g style="stroke:var(--rule,#c6ceca)">{{range .YTicks}}<line x1="{{$d.Left}}" y1="{{.At}}" x2="{{$d.Right}}" y2="{{.At}}"/>{{end}}</g>
<g style="stroke:var(--line,#7d8984)"><line x1="{{.Left}}" y1="{{.Base}}" x2="{{.Right}}" y2="{{.Base}}"/>{{range .XTicks}}<line x1="{{.At}}" y1="{{$d.Base}}" x2="{{.At}}" y2="{{$d.TickEnd}}"/>{{end}}</g>
<g text-anchor="end">{{range .YTicks}}<text x="{{$d.TickX}}" y="{{.TextY}}">{{.Text}}</text>{{end}}</g>
<g text-anchor="middle">{{range .XTicks}}<text x="{{.Mid}}" y="{{$d.TickY}}">{{.Text}}</text>{{end}}</g>
<text x="2" y="{{.YLabelY}}">{{.YLabel}}</text>
<text x="{{.Right}}" y="{{.XLabelY}}" text-anchor="end">{{.XLabel}}</text>
<g text-anchor="middle">{{range .Words}}<text x="{{.X}}" y="{{$d.WordY}}">{{.Text}}</text>{{end}}</g>
{{range .Lines}}{{$l := .}}<g fill="none" stroke-linejoin="round" style="{{.Style}}">{{range .Parts}}<polyline points="{{.}}"/>{{end}}</g>{{range .Dots}}<circle cx="{{index . 0}}" cy="{{index . 1}}" r="3.5" style="{{$l.Colour}}"/>{{end}}{{if .Name}}<line x1="{{.EndX}}" y1="{{.EndY}}" x2="{{.LabelX}}" y2="{{.LeadY}}" style="stroke:var(--line,#7d8984)"/><text x="{{.LabelX}}" y="{{.LabelY}}" font-weight="600" style="fill:var(--ink,#13201d)">{{.Name}}</text>{{end}}
{{end}}{{range .Marks}}<line x1="{{.X1}}" y1="{{.Y1}}" x2="{{.X2}}" y2="{{.Y2}}" stroke-dasharray="4 3" style="stroke-width:1.5;stroke:{{if eq .Class "limit"}}var(--bad,#8a1f06){{else if eq .Class "onset"}}var(--look,#755f00){{else}}var(--line,#7d8984){{end}}"/><text x="{{.TX}}" y="{{.TY}}" font-weight="600" style="paint-order:stroke;stroke:var(--panel,#fff);stroke-width:4px;stroke-linejoin:round;fill:{{if eq .Class "limit"}}var(--bad,#8a1f06){{else if eq .Class "onset"}}var(--look,#755f00){{else}}var(--second,#46524e){{end}}">{{.Name}}</text>
{{end}}{{with .Crowd}}<path d="{{.}}" style="stroke:var(--good,#005c70);stroke-width:9;stroke-linecap:round"/>
{{end}}{{range .Points}}{{if ne .Lo .Hi}}<path d="M{{.X}} {{.Lo}}V{{.Hi}}" style="stroke:var(--ink,#13201d);stroke-width:3"/>{{end}}{{if eq .Kind "offer"}}<path d="{{.Diamond}}" style="fill:var(--todo,#970d59)"/>{{else if eq .Kind "reference"}}<rect x="{{.BoxX}}" y="{{.BoxY}}" width="8" height="8" style="fill:var(--panel,#fff);stroke:var(--ink,#13201d);stroke-width:1.5"/>{{else if eq .Kind "onset"}}<path d="{{.Cross}}" style="stroke:var(--bad,#8a1f06);stroke-width:2"/>{{else if eq .Kind "cap"}}<path d="M{{.Left}} {{.Y}}H{{.Right}}" style="stroke:var(--bad,#8a1f06);stroke-width:2.5"/>{{else}}<circle cx="{{.X}}" cy="{{.Y}}" r="4.5" style="fill:{{if eq .Kind "proved"}}var(--good,#005c70){{else if eq .Kind "peak"}}var(--bad,#8a1f06){{else}}var(--ink,#13201d){{end}}"/>{{end}}{{if .Name}}<text x="{{.TX}}" y="{{.TY}}" font-weight="700" style="paint-order:stroke;stroke:var(--panel,#fff);stroke-width:4px;stroke-linejoin:round;fill:{{if eq .Kind "offer"}}var(--todo,#970d59){{else if eq .Kind "proved"}}var(--good,#005c70){{else if or (eq .Kind "onset") (eq .Kind "cap") (eq .Kind "peak")}}var(--bad,#8a1f06){{else}}var(--ink,#13201d){{end}}">{{.Name}}</text>{{end}}
{{end}}{{end}}
{{define "file"}}<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {{.Width}} {{.Total}}" width="{{.Width}}" height="{{.Total}}" role="img" aria-labelledby="{{.ID}}-t {{.ID}}-d" font-family="system-ui, sans-serif" font-size="13" style="fill:var(--second,#46524e)">
<title id="{{.ID}}-t">{{.Title}}</title>
<desc id="{{.ID}}-d">{{.Desc}}</desc>
<rect width="{{.Width}}" height="{{.Total}}" style="fill:var(--panel,#fff)"/>
{{range .Lines}}<text x="6" y="{{.Y}}" font-size="14" font-weight="700" style="fill:var(--ink,#13201d)">{{.Text}}</text>{{end}}
<g transform="translate(0 {{.Offset}})">{{template "drawn" .Chart}}</g></svg>{{end}}`

// Chart is the drawing below the title.
func (f file) Chart() drawing { return f.drawing }

// templates are parsed when the first chart is asked for.
var templates = sync.OnceValues(func() (*template.Template, error) { return template.New("svg").Parse(source) })

func (d drawing) TickEnd() float64 { return d.Base + 4 }
func (d drawing) TickX() float64   { return round(d.Left - 5) }
func (d drawing) TickY() float64   { return d.Base + 17 }
func (t tick) TextY() float64      { return round(t.At + 4.5) }
func (l line) LeadY() float64      { return round(l.LabelY - 4) }
func (d drawing) WordY() float64   { return d.Top - 6 }

// Add gives a page's template the name "chart" and the function "chart", which
// lays a Chart out: {{template "chart" (chart .Chart "fig1")}}. The second
// argument is an id that is unique on the page.
func Add(t *template.Template) (*template.Template, error) {
	t.Funcs(Funcs)
	if _, err := t.Parse(source); err != nil {
		return nil, err
	}
	return t, nil
}

// Funcs are the template functions that go with Add.
var Funcs = template.FuncMap{"chart": func(c Chart, id string) (drawing, error) { return c.lay(id) }}
