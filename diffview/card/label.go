package card

import (
	"bytes"
	"html/template"
	"io"
	"sync"

	"rigkeep/diffview/safe"
)

// Label is what stands on a small page for a case.
type Label struct {
	Title string   // the rig or unit
	Lines []string // what it is, a line each
	// Command is what the code says: a command that shows the present state.
	Command string
	Warn    string // a fault that whoever opens the case should know, "" for none
	Foot    string
}

// the size of a label; two columns, the code on the right
const labelSource = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{.Title}} · label</title>
<style>
@page { size: 100mm 62mm; margin: 4mm }
* { box-sizing: border-box }
body { margin: 0; font: 11pt/1.3 system-ui, sans-serif; color: #000; background: #fff }
main { width: 92mm; min-height: 54mm; display: flex; gap: 4mm; padding: 0 }
@media screen { main { margin: 6mm; padding: 3mm; width: 98mm; outline: 1px solid #767676 } }
.says { flex: 1; min-width: 0; overflow-wrap: anywhere }
h1 { font-size: 17pt; line-height: 1.1; margin: 0 0 1.5mm }
p { margin: 0 0 0.8mm }
.warn { font-weight: 700; border: 0.6mm solid #000; padding: 0.6mm 1.2mm; margin-top: 1.5mm }
.small { font-size: 8pt }
figure { margin: 0; width: 32mm; flex: none }
figure svg { display: block; width: 32mm; height: 32mm }
code { font: 7.5pt/1.25 ui-monospace, monospace; overflow-wrap: anywhere }
</style>
</head>
<body>
<main>
<div class="says">
<h1 dir="auto">{{.Title}}</h1>
{{range .Lines}}<p dir="auto">{{.}}</p>
{{end}}{{with .Warn}}<p class="warn" dir="auto">{{.}}</p>
{{end}}<p class="small">Motors pinch: power off before the camera goes on or comes off.</p>
{{with .Foot}}<p class="small">{{.}}</p>
{{end}}</div>
<figure>{{with .Code}}<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {{.Size}} {{.Size}}" role="img" aria-label="QR code of: {{.Text}}" shape-rendering="crispEdges"><rect width="{{.Size}}" height="{{.Size}}" fill="#fff"/><path d="{{.Path}}" fill="#000"/></svg>{{end}}
<figcaption><code>{{.Command}}</code></figcaption></figure>
</main>
</body>
</html>
`

var labelPage = sync.OnceValue(func() *template.Template { return template.Must(template.New("label").Parse(labelSource)) })

// WriteLabel writes a label as one page of 100 × 62 mm without anything from outside.
//
// Errors: a command too long for a code; the writer's.
func WriteLabel(w io.Writer, l Label) error {
	c, err := encode(l.Command)
	if err != nil {
		return err
	}
	for i, s := range l.Lines {
		l.Lines[i] = safe.Line(s)
	}
	l.Title, l.Warn, l.Foot = safe.Line(l.Title), safe.Line(l.Warn), safe.Line(l.Foot)
	var b bytes.Buffer
	if err := labelPage().ExecuteTemplate(&b, "label", struct {
		Label
		Code code
	}{l, c}); err != nil {
		return err
	}
	_, err = w.Write(b.Bytes())
	return err
}
