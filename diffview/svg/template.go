package svg

import (
	"html/template"
	"sync"
)

// source is the chart as a template, so that every text in it is escaped.
const source = `{{define "chart" -}}
<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 {{.Width}} {{.Height}}" role="img" aria-labelledby="{{.ID}}-t {{.ID}}-d" font-family="system-ui, sans-serif" font-size="22" fill="currentColor">
<title id="{{.ID}}-t">{{.Title}}</title>
<desc id="{{.ID}}-d">{{.Desc}}</desc>
{{$d := .}}<g stroke="currentColor" stroke-opacity="0.25">{{range .YTicks}}<line x1="{{$d.Left}}" y1="{{.At}}" x2="{{$d.Right}}" y2="{{.At}}"/>{{end}}</g>
<g stroke="currentColor"><line x1="{{.Left}}" y1="{{.Base}}" x2="{{.Right}}" y2="{{.Base}}"/>{{range .XTicks}}<line x1="{{.At}}" y1="{{$d.Base}}" x2="{{.At}}" y2="{{$d.TickEnd}}"/>{{end}}</g>
<g text-anchor="end">{{range .YTicks}}<text x="{{$d.TickX}}" y="{{.TextY}}">{{.Text}}</text>{{end}}</g>
<g text-anchor="middle">{{range .XTicks}}<text x="{{.Mid}}" y="{{$d.TickY}}">{{.Text}}</text>{{end}}</g>
<text x="4" y="{{.YLabelY}}">{{.YLabel}}</text>
<text x="{{.Right}}" y="{{.XLabelY}}" text-anchor="end">{{.XLabel}}</text>
{{range .Marks}}<line x1="{{.X1}}" y1="{{.Y1}}" x2="{{.X2}}" y2="{{.Y2}}" stroke="currentColor" stroke-dasharray="2 4"/><text x="{{.TX}}" y="{{.TY}}">{{.Name}}</text>
{{end}}{{range .Lines}}{{$l := .}}<g fill="none" stroke="{{.Colour}}" stroke-width="3.5" stroke-linejoin="round" stroke-dasharray="{{.Dash}}">{{range .Parts}}<polyline points="{{.}}"/>{{end}}</g>{{range .Dots}}<circle cx="{{index . 0}}" cy="{{index . 1}}" r="5" fill="{{$l.Colour}}"/>{{end}}{{if .Name}}<line x1="{{.EndX}}" y1="{{.EndY}}" x2="{{.LabelX}}" y2="{{.LeadY}}" stroke="currentColor" stroke-opacity="0.5"/><text x="{{.LabelX}}" y="{{.LabelY}}">{{.Name}}</text>{{end}}
{{end}}</svg>
{{- end}}`

// templates are parsed when the first chart is asked for.
var templates = sync.OnceValues(func() (*template.Template, error) { return template.New("svg").Parse(source) })

func (d drawing) TickEnd() float64 { return d.Base + 6 }
func (d drawing) TickX() float64   { return round(d.Left - 6) }
func (d drawing) TickY() float64   { return d.Base + 28 }
func (t tick) TextY() float64      { return round(t.At + 7) }
func (l line) LeadY() float64      { return round(l.LabelY - 7) }

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
