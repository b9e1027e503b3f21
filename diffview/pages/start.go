package pages

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rigkeep/diffview/page"
	"rigkeep/diffview/svg"
	"rigkeep/schema"
)

// Start is the page of a starting tune.
type Start struct {
	Site     Site
	Rig      page.Link
	Line     string
	Values   []page.Value
	Pair     []page.Value
	Unit     string
	Answer   string
	Command  string
	Axes     []StartAxis
	Evidence []EvidenceRow
	Warnings []string
}

// StartAxis is what one axis' offer rests on, in dial numbers over kg·m².
type StartAxis struct {
	Axis       string
	Unit       string
	J          float64 // inertia of this rig
	Offer      float64
	Lo, Hi     float64 // where the value should end, equal for none
	Cap        float64 // of the loop model, 0 for none
	Slope      float64 // of the line through Best at J, 0 for none
	Best       float64
	Proved     []StartPoint
	References []StartPoint
}

// StartPoint is a proved tune or a reference of the sheet.
type StartPoint struct {
	Name     string
	J, Value float64
}

// EvidenceRow is one reason for a value.
type EvidenceRow struct{ Axis, Text, Value string }

const startBody = `{{define "body"}}<p class="answer">{{line .Answer}}</p>
{{with .Values}}{{template "values" .}}{{end}}{{with .Pair}}{{template "pair" .}}{{end}}
{{with .Unit}}<p class="small soft">Stiffness in {{line .}}.</p>{{end}}
<p class="caution"><b>Caution:</b> these are low starting points; none of them is tested. Balance first. Raise one axis at a time and keep a hand at the motor switch: an oscillating axis can throw a loose part and pinch fingers. The maker’s manual, local codes and qualified crew come first.</p>
{{with .Command}}{{template "command" .}}{{end}}
{{range .Warnings}}<p style="margin-top:12px"><span class="st look"><i aria-hidden="true">!</i>{{line .}}</span></p>{{end}}
{{with .Figures}}<section aria-labelledby="over"><div class="head"><h2 id="over">Stiffness over inertia</h2><span class="soft small">equal axes, both by factors</span></div>
<div class="g3">{{range .}}{{template "figure" .}}{{end}}</div>
<p class="small soft">Diamond: value offered. Bar: where it should end. Filled circle: proved tune. Square: reference of the sheet. Red stroke: cap of the loop model. Dashed line: how stiffness goes with inertia.</p></section>{{end}}
{{if .Evidence}}<section aria-labelledby="evidence"><div class="head"><h2 id="evidence">Evidence</h2></div>
<details><summary>What each value rests on</summary><div class="in"><table class="rows"><caption class="hush">Evidence</caption><thead><tr><th scope="col">Value</th><th scope="col" class="r">It says</th><th scope="col">Evidence</th></tr></thead><tbody>
{{range .Evidence}}<tr><th scope="row">{{line .Axis}}</th><td class="r">{{line .Value}}</td><td>{{line .Text}}</td></tr>
{{end}}</tbody></table></div></details></section>{{end}}
{{end}}`

var startTemplate = parsed(startBody)

// namedNear is how many proved tunes have their name in the picture: those of the nearest
// inertia.
const namedNear = 4

// Figures are the charts, one for each axis that has something to show.
func (s Start) Figures() []page.Figure {
	var out []page.Figure
	x0, x1, y0, y1 := math.Inf(1), 0.0, math.Inf(1), 0.0
	see := func(j, v float64) {
		if j > 0 && v > 0 {
			x0, x1, y0, y1 = math.Min(x0, j), math.Max(x1, j), math.Min(y0, v), math.Max(y1, v)
		}
	}
	for _, a := range s.Axes {
		see(a.J, a.Offer)
		see(a.J, a.Lo)
		see(a.J, a.Hi)
		for _, p := range append(append([]StartPoint(nil), a.Proved...), a.References...) {
			see(p.J, p.Value)
		}
	}
	if !(x1 >= x0) || !(y1 >= y0) {
		return nil
	}
	x0, x1, y0, y1 = x0/2, x1*2, y0/1.6, y1*1.6
	for i, a := range s.Axes {
		if !(a.J > 0 && a.Offer > 0) {
			continue
		}
		c := svg.Chart{Title: fmt.Sprintf("%s: start at %s", title(a.Axis), schema.Num(a.Offer)), XLabel: "inertia, kg·m²", YLabel: "stiffness" + unit(a.Unit), LogX: true, LogY: true, XMin: &x0, XMax: &x1, YMin: &y0, YMax: &y1}
		if a.Lo < a.Hi {
			c.Desc = fmt.Sprintf("Expected to end between %s and %s.", page.Number(a.Lo), page.Number(a.Hi))
		}
		if a.Slope != 0 && a.Best > 0 {
			l := svg.Series{Name: "expected", Look: svg.Before}
			for k := range 21 {
				j := x0 * math.Pow(x1/x0, float64(k)/20)
				v := a.Best * math.Pow(j/a.J, a.Slope)
				if v < y0 || v > y1 {
					v = math.NaN()
				}
				l.X, l.Y = append(l.X, j), append(l.Y, v)
			}
			c.Series = append(c.Series, l)
		} else {
			c.Series = append(c.Series, svg.Series{Name: "offered", X: []float64{a.J}, Y: []float64{a.Offer}})
		}
		for _, p := range a.References {
			c.Points = append(c.Points, svg.Point{X: p.J, Y: p.Value, Name: p.Name + " " + schema.Num(p.Value), Kind: "reference"})
		}
		far := func(p StartPoint) float64 { return math.Abs(math.Log(p.J / a.J)) }
		near := slices.SortedStableFunc(slices.Values(a.Proved), func(p, q StartPoint) int { return cmp.Compare(far(p), far(q)) })
		for k, p := range near {
			name := ""
			if k < namedNear {
				name = p.Name + " " + schema.Num(p.Value)
			}
			c.Points = append(c.Points, svg.Point{X: p.J, Y: p.Value, Name: name, Kind: "proved"})
		}
		if a.Cap > 0 {
			c.Points = append(c.Points, svg.Point{X: a.J, Y: a.Cap, Name: "cap " + page.Number(a.Cap), Kind: "cap"})
		}
		offer := svg.Point{X: a.J, Y: a.Offer, Name: "start at " + schema.Num(a.Offer), Kind: "offer"}
		if a.Lo < a.Hi {
			offer.Lo, offer.Hi = a.Lo, a.Hi
		}
		c.Points = append(c.Points, offer)
		out = append(out, page.Figure{ID: fmt.Sprintf("start-%d", i+1), Chart: c})
	}
	return out
}

func unit(u string) string {
	if u == "" {
		return ", dial number"
	}
	return ", " + u
}

func title(s string) string {
	if s == "" {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

// Bytes is the page.
func (s Start) Bytes() ([]byte, error) {
	p := page.Page{Title: s.Rig.Text + ": starting tune", Sub: s.Line, Library: s.Site.Library, Foot: s.Site.Foot(), Folder: s.Site.Folder}
	if s.Rig.Href != "" {
		p.Path = s.Site.Up(s.Rig, page.Link{Text: "Start"})
	}
	return write(startTemplate, p, s)
}
