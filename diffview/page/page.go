// Package page is the layout that Rigkeep's HTML pages share: one file without
// network or script, under a strict content policy, readable on a phone and on
// A4 paper, light and dark, with a foot by which paper can be traced.
package page

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"strconv"
	"time"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/svg"
)

//go:embed page.css
var css string

// Page is what every page has around its body.
type Page struct {
	Title string
	Foot  Foot
}

// Foot is by which a printed page can be traced.
type Foot struct {
	Made    time.Time // when the page was made, from the caller's clock
	Version string    // of the program
	Commits []string  // revisions the page is about
	Files   []File
}

// File is a file that went into the page.
type File struct{ Path, SHA256 string }

// layout has the page's head and foot; a page's own template defines "body".
const layout = `{{define "page"}}<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="referrer" content="no-referrer">
<title>{{line .Page.Title}}</title>
<style>{{css}}</style>
</head>
<body>
<main>
<h1>{{line .Page.Title}}</h1>
{{template "body" .Body}}
</main>
<footer>
{{with .Page.Foot}}<p>{{if not .Made.IsZero}}Made {{.Made.UTC.Format "2006-01-02 15:04"}} UTC by Rigkeep{{else}}Made by Rigkeep{{end}}{{with .Version}} {{line .}}{{end}}.{{with .Commits}} Revisions: {{range $i, $c := .}}{{if $i}}, {{end}}<code>{{line $c}}</code>{{end}}.{{end}}</p>
{{with .Files}}<ul>{{range .}}<li><code>{{line .Path}}</code> SHA-256 <code class="hash">{{line .SHA256}}</code></li>{{end}}</ul>{{end}}{{end}}<p>Derived values are a place to start, from below. The maker's manual, local codes and qualified crew come first.</p>
</footer>
</body>
</html>
{{end}}
{{define "figure"}}<figure>
<figcaption>{{line .Chart.Title}}{{with .Chart.Desc}}<span class="about">{{line .}}</span>{{end}}</figcaption>
{{template "chart" (chart .Chart .ID)}}
{{template "numbers" (numbers .Chart)}}
</figure>{{end}}
{{define "numbers"}}<details open><summary>The numbers</summary>
<table class="numbers"><thead><tr><th scope="col">{{line .XLabel}}</th>{{range .Names}}<th scope="col">{{line .}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr><th scope="row">{{.X}}</th>{{range .Y}}<td>{{.}}</td>{{end}}</tr>{{end}}</tbody></table>
{{with .Marks}}<p>{{range $i, $m := .}}{{if $i}}; {{end}}{{line $m}}{{end}}</p>{{end}}</details>{{end}}`

// figureRows is how many places of a picture its table has.
const figureRows = 9

// Figure is a chart with an id that is unique on its page, for
// {{template "figure" .}}: the picture, and the same numbers in a table.
type Figure struct {
	Chart svg.Chart
	ID    string
}

type numbers struct {
	XLabel string
	Names  []string
	Rows   []numbersRow
	Marks  []string
}

type numbersRow struct {
	X string
	Y []string
}

func tabulate(c svg.Chart) numbers {
	n := numbers{XLabel: c.XLabel}
	for _, s := range c.Series {
		name := s.Name
		if len(c.Series) == 1 || name == "" {
			name = c.YLabel
		} else if c.YLabel != "" {
			name += ", " + c.YLabel
		}
		n.Names = append(n.Names, name)
	}
	named := map[float64]string{}
	rows := figureRows
	for _, t := range c.Ticks {
		named[t.At] = t.Name
	}
	if c.Ticks != nil {
		rows = max(rows, len(c.Ticks))
	}
	xs, ys := c.Rows(rows)
	for i, x := range xs {
		r := numbersRow{X: Number(x)}
		if name, ok := named[x]; ok {
			r.X = safe.Line(name)
		}
		for _, y := range ys[i] {
			r.Y = append(r.Y, Number(y))
		}
		n.Rows = append(n.Rows, r)
	}
	for _, m := range c.Marks {
		n.Marks = append(n.Marks, m.Name+": "+Number(m.At))
	}
	return n
}

// Number writes a computed number to three significant digits, a dash for none.
func Number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	if v == 0 {
		return "0"
	}
	d := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	if d > 9 {
		return strconv.FormatFloat(v, 'g', 3, 64)
	}
	return strconv.FormatFloat(v, 'f', max(d, 0), 64)
}

// Template parses the body of a page, which must define "body". It may use the
// templates "figure" (of a Figure) and "chart", and the functions line and text,
// which make outside text safe to read (html/template escapes it as well).
func Template(body string, funcs template.FuncMap) (*template.Template, error) {
	t := template.New("page").Funcs(template.FuncMap{
		"line": safe.Line, "text": safe.Text, "numbers": tabulate,
		// our own style sheet, embedded; nothing from outside gets in
		"css": func() template.CSS { return template.CSS(css) },
	}).Funcs(funcs)
	t, err := svg.Add(t)
	if err != nil {
		return nil, err
	}
	if _, err := t.Parse(layout); err != nil {
		return nil, err
	}
	return t.Parse(body)
}

// Must is for templates that are part of the program.
func Must(t *template.Template, err error) *template.Template { return template.Must(t, err) }

// Write fills a page in, whole, before the first byte goes out.
func Write(w io.Writer, t *template.Template, p Page, body any) error {
	var b bytes.Buffer
	err := t.ExecuteTemplate(&b, "page", struct {
		Page Page
		Body any
	}{p, body})
	if err != nil {
		return fmt.Errorf("the page %q: %w", p.Title, err)
	}
	_, err = w.Write(b.Bytes())
	return err
}
