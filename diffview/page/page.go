// Package page is the layout that Rigkeep's HTML pages share: under a strict content
// policy, readable without its script, on a phone and on A4 paper, light and dark, with a
// foot by which paper can be traced. A page that goes alone is one file that loads nothing;
// the pages of a folder share one style sheet and one script that lie beside them.
package page

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"
	"sync"
	"time"
	"unicode"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/svg"
	"rigkeep/schema"
)

//go:embed page.css
var css string

//go:embed page.js
var script string

//go:embed live.js
var liveScript string

//go:embed live.css
var liveCSS string

// Policy lets a page load nothing but what it holds: its style sheet, its
// pictures, and its scripts, named by their hashes. A live page may also post to the
// server that it came from and hear from it.
func Policy(live bool) string {
	if live {
		return policies().live
	}
	return policies().alone
}

// policy is that of a page; one of a folder may load what lies beside it and nothing else.
// Over file:// 'self' names other files too: seen in Chromium 156.
func (p Page) policy() string {
	if p.Folder {
		return policies().folder
	}
	return Policy(p.Live)
}

var policies = sync.OnceValue(func() (p struct{ alone, live, folder string }) {
	hash := func(s string) string {
		sum := sha256.Sum256([]byte(s))
		return " 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	all := func(style string) string {
		return "default-src 'none'; style-src " + style + "'unsafe-inline'; img-src data:; base-uri 'none'; script-src"
	}
	p.alone = all("") + hash(script) + "; form-action 'none'"
	p.live = all("") + hash(script) + hash(liveScript) + "; form-action 'self'; connect-src 'self'"
	p.folder = all("'self' ") + " 'self'; form-action 'none'"
	return p
})

// Asset is a file that the pages of a folder share.
type Asset struct{ Name, Text string }

// Assets are the style sheet and the script of the pages of a folder. Their names change
// with what is in them, so that no browser shows a page with those of an earlier one.
var Assets = sync.OnceValue(func() (a struct{ Style, Script Asset }) {
	named := func(text, ext string) Asset {
		return Asset{fmt.Sprintf("rigkeep-%.4x%s", sha256.Sum256([]byte(text)), ext), text}
	}
	a.Style, a.Script = named(css, ".css"), named(script, ".js")
	return a
})

// Page is what every page has around its body.
type Page struct {
	Title   string
	Name    string // in the window's title and on paper, "" for Title
	Sub     string // one line of what it is
	Library string // stands at the head of each sheet of paper
	Path    []Link // to this page; the last is the page itself
	Foot    Foot
	// Data is read by the page's script; nil is none. Nothing that must be read
	// stands in it alone.
	Data any
	// Folder is for a page that lies in a folder with Assets; any other holds its style sheet
	// and script itself.
	Folder bool
	// Live is for a page that a server makes anew for each request: ticks are kept on the
	// phone, and a page at the stand says whether the server is there.
	Live bool
	// Tool is for a page at the stand: a narrow column without the large title, whose one
	// line of head is Title, which leads to Path's last, and Sub.
	Tool bool
}

// Up is the page above this one.
func (p Page) Up() Link {
	if len(p.Path) == 0 {
		return Link{}
	}
	return p.Path[len(p.Path)-1]
}

// Link is a word that leads to a page, or is only a word where it leads nowhere.
type Link struct{ Text, Href string }

// Foot is by which a printed page can be traced.
type Foot struct {
	Made    time.Time // when the page was made, from the caller's clock, in the zone to show
	Version string    // of the program
	Commits []string  // revisions the page is about
	Files   []File
}

// Day is when the page was made, for the foot of each sheet of paper.
func (f Foot) Day() string {
	if f.Made.IsZero() {
		return ""
	}
	return "State of " + schema.SayMoment(f.Made, nil)
}

// File is a file that went into the page.
type File struct{ Path, SHA256 string }

// layout has the page's head and foot; a page's own template defines "body".
const layout = `{{define "page"}}<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{{policy .Page}}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="referrer" content="{{if .Page.Live}}same-origin{{else}}no-referrer{{end}}">
<title>{{line .Page.Short}} · Rigkeep</title>
{{if .Page.Folder}}<link rel="stylesheet" href="{{assets.Style.Name}}">{{else}}<style>{{css}}{{if .Page.Live}}{{livecss}}{{end}}</style>{{end}}
<style>{{margins .Page}}</style>
</head>
<body{{if .Page.Tool}} class="tool"{{end}}>
<main>
{{if .Page.Tool}}<header class="bar"><h1 dir="auto">{{with .Page.Up.Href}}<a href="{{.}}">‹ {{name $.Page.Title}}</a>{{else}}{{name .Page.Title}}{{end}}</h1><span class="soft small">{{line .Page.Sub}}</span></header>
{{else}}{{with .Page.Path}}<nav class="path" aria-label="Where you are">{{range $i, $l := .}}{{if $i}} › {{end}}{{if .Href}}<a href="{{.Href}}">{{line .Text}}</a>{{else}}<span aria-current="page">{{line .Text}}</span>{{end}}{{end}}</nav>
{{end}}<h1 dir="auto">{{name .Page.Title}}</h1>
{{with .Page.Sub}}<p class="sub">{{line .}}</p>
{{end}}{{end}}{{template "body" .Body}}
<footer>
{{with .Page.Foot}}<p>{{with .Day}}{{.}}{{end}}{{with .Commits}}{{range $i, $c := .}}{{if $i}}, {{else}}, revision {{end}}<code>{{short $c}}</code>{{end}}{{end}}. Made by Rigkeep{{with .Version}} {{line .}}{{end}}. Calculated values are a low starting point, not a safe setting. The maker’s manual, local codes and qualified crew come first.</p>
{{with .Files}}<details><summary>Files and check sums</summary><ul class="in">{{range .}}<li><code>{{raw .Path}}</code> SHA-256 <code>{{raw .SHA256}}</code></li>{{end}}</ul></details>{{end}}{{end}}</footer>
</main>
{{with .Page.Data}}<script type="application/json" id="data">{{.}}</script>
{{end}}{{if .Page.Folder}}<script src="{{assets.Script.Name}}"></script>{{else}}<script>{{script}}</script>{{end}}
{{if .Page.Live}}<script>{{live}}</script>
{{end}}</body>
</html>
{{end}}
{{define "figure"}}<figure class="panel{{if .Chart.Wide}} wide{{end}}"><figcaption>{{line .Chart.Title}}{{with .State.Word}} {{template "state" $.State}}{{end}}{{if not .Said}}{{with .Chart.Desc}}<span class="about">{{line .}}</span>{{end}}{{end}}</figcaption>
{{template "chart" (chart .Chart .ID)}}
{{template "numbers" (numbers .Chart)}}
</figure>{{end}}
{{define "numbers"}}<details><summary>Numbers of the chart</summary><div class="in flush" tabindex="0" role="region" aria-label="Numbers of {{line .Of}}">
<table class="numbers"><thead><tr><th scope="col">{{line .XLabel}}</th>{{range .Names}}<th scope="col">{{line .}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr><th scope="row">{{line .X}}</th>{{range .Y}}<td>{{.}}</td>{{end}}</tr>{{end}}</tbody></table>
{{with .Marks}}<p class="small">{{range $i, $m := .}}{{if $i}}; {{end}}{{line $m}}{{end}}</p>{{end}}</div></details>{{end}}
` + parts

// margins are the lines at the head and foot of each sheet of paper.
func margins(p Page) template.CSS {
	box := func(at, content, font, side string) string {
		return "@" + at + " { content: " + content + "; font: " + font + " sans-serif; " + side + " } "
	}
	const head, foot = "vertical-align: bottom; padding-bottom: 3mm;", "vertical-align: top; padding-top: 3mm;"
	return template.CSS("@page { " + box("top-left", cssString(p.Head()), "9pt", head) + box("top-right", cssString(p.Short()), "bold 9pt", head) +
		box("bottom-left", cssString(p.Foot.Day()), "9pt", foot) + box("bottom-right", `"Page " counter(page) " of " counter(pages)`, "9pt", foot) + "}")
}

// cssString quotes a text for a style sheet: all but letters, digits and spaces by number.
func cssString(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range Middle(safe.Line(s), 60) {
		if r == ' ' || unicode.IsLetter(r) || unicode.IsDigit(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, `\%x `, r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// Short is the name of the page for a window and for paper.
func (p Page) Short() string { return cmp.Or(p.Name, p.Title) }

// Head is the upper left of each sheet of paper.
func (p Page) Head() string {
	if p.Library == "" {
		return "Rigkeep"
	}
	return "Rigkeep · " + p.Library
}

// figureRows is how many places of a picture its table has.
const figureRows = 9

// Figure is a chart with an id that is unique on its page, for
// {{template "figure" .}}: the picture, and the same numbers in a table.
type Figure struct {
	Chart svg.Chart
	ID    string
	State State // how it stands, "" where that is not judged
	Said  bool  // what is to be seen is told above the row of charts
}

type numbers struct {
	Of     string
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
	n := numbers{XLabel: c.XLabel, Of: c.Title}
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
	return schema.Digits(v, 3)
}

// Dial writes a dial number that may have been computed: as Number does, without zeros after
// the point that no dial shows.
func Dial(v float64) string {
	s := Number(v)
	if strings.Contains(s, ".") {
		s = strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Template parses the body of a page, which must define "body". It may use the
// templates "figure" (of a Figure) and "chart", and the functions line and text,
// which make outside text safe to read (html/template escapes it as well) and
// keep a unit at its number; raw is line without that, for what is copied.
func Template(body string, funcs template.FuncMap) (*template.Template, error) {
	t := template.New("page").Funcs(template.FuncMap{
		"line": func(v any) string { return Units(safe.Line(fmt.Sprint(v))) }, "text": func(s string) string { return Units(safe.Text(s)) },
		"raw": safe.Line, "short": func(rev string) string { return Middle(safe.Line(rev[:min(len(rev), 10)]), 10) }, "name": func(s string) string { return Middle(safe.Line(s), longName) }, "margins": margins,
		"numbers": tabulate, "words": commandWords, "policy": Page.policy, "long": longNumber, "assets": func() any { return Assets() },
		// our own style sheet and script, embedded; nothing from outside gets in
		"css":     func() template.CSS { return template.CSS(css) },
		"livecss": func() template.CSS { return template.CSS(liveCSS) },
		"script":  func() template.JS { return template.JS(script) },
		"live":    func() template.JS { return template.JS(liveScript) },
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
