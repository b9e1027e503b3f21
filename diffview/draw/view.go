package draw

import (
	"cmp"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"rigkeep/diffview/safe"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// A view is as wide as a phone leaves, 13 px for its text; see diffview/svg.
const (
	width     = 340.0
	side      = 12.0
	head      = 40.0 // two rows of names above
	foot      = 58.0 // two rows of names, the arrow and the scale below
	tallest   = 300.0
	textHigh  = 17.0
	charWide  = 8.8 // with room for the larger text of paper
	axisReach = 8.0
)

// plane is one way of looking: which coordinate goes right, which up, and which comes
// towards the viewer, with its sign.
type plane struct {
	name           string
	right, up      int
	near           int
	sign           float64
	level, upright schema.Axis
	end            schema.Axis // seen end on
}

var planes = []plane{
	{"Side, front to the right", 0, 2, 1, -1, schema.Roll, schema.Pan, schema.Tilt},
	{"Above, front to the right", 0, 1, 2, 1, schema.Roll, schema.Tilt, schema.Pan},
	{"Front", 1, 2, 0, 1, schema.Tilt, schema.Pan, schema.Roll},
}

// View is one view laid out, for the template "view".
type View struct {
	ID, Name, Title, Desc string
	Width, Height         float64
	Space                 *rect // the clear box
	Circle                *circle
	Lines                 []seg // motor axes
	End                   [2]float64
	Shapes                []shape
	CG                    [2]float64
	Arc                   *arc
	Arrows                []arrow
	Labels                []label
	Bar                   seg
}

type rect struct{ X, Y, W, H float64 }
type circle struct{ X, Y, R float64 }
type seg struct{ X1, Y1, X2, Y2 float64 }

type shape struct {
	Points       string
	Dashed, Over bool
	x0, y0       float64
	x1, y1       float64
}

// arc is the tilt between its limits, with what lies past the point where something
// comes into frame.
type arc struct {
	Path  string
	Ticks []seg
	Bad   []string
}

type arrow struct {
	Line seg
	Head string
}

type label struct {
	X, Y   float64
	Text   string
	Class  string // "b" a part, "todo" what to do, "bad" what does not fit, "" the rest
	Lead   *seg
	Anchor string
}

func round(v float64) float64 { return math.Round(v*10) / 10 }

// coord is a coordinate of SVG, which is not for people.
func coord(v float64) string { return strconv.FormatFloat(round(v)+0, 'f', -1, 64) }

// Of is from where the view looks: "side", "above" or "front".
func (v View) Of() string {
	word, _, _ := strings.Cut(strings.ToLower(v.Name), ",")
	return word
}

// Quadrants are the dark quarters of the sign for a centre of gravity.
func (v View) Quadrants() string {
	x, y := v.CG[0], v.CG[1]
	return fmt.Sprintf("M%s %sh-7a7 7 0 0 1 7-7zm0 0h7a7 7 0 0 1-7 7z", coord(x), coord(y))
}

// ErrNothing says that a build has no size that can be drawn.
var ErrNothing = errors.New("the build has no size that can be drawn")

// Views lays the three views out at one scale. id makes the ids on a page unique.
func (b Build) Views(id string) ([]View, error) {
	lo, hi := mass.Vec{math.Inf(1), math.Inf(1), math.Inf(1)}, mass.Vec{math.Inf(-1), math.Inf(-1), math.Inf(-1)}
	grow := func(v mass.Vec) {
		for k := range v {
			lo[k], hi[k] = math.Min(lo[k], v[k]), math.Max(hi[k], v[k])
		}
	}
	corners := make([][]mass.Vec, len(b.Parts))
	for i, p := range b.Parts {
		corners[i] = p.corners()
		for _, c := range corners[i] {
			grow(c)
		}
	}
	grow(b.CG)
	for _, a := range b.Axes {
		grow(a)
	}
	if b.Clear != nil {
		grow(b.Clear.Min)
		grow(b.Clear.Max)
	}
	scale := math.Inf(1)
	for _, p := range planes {
		scale = math.Min(scale, math.Min((width-2*side-2*axisReach)/(hi[p.right]-lo[p.right]), tallest/(hi[p.up]-lo[p.up])))
	}
	if !(scale > 0) || scale > 1e6 {
		return nil, ErrNothing
	}
	var out []View
	for i, p := range planes {
		out = append(out, b.view(p, fmt.Sprintf("%s-%d", id, i+1), corners, lo, hi, scale))
	}
	return out, nil
}

func (b Build) view(p plane, id string, corners [][]mass.Vec, lo, hi mass.Vec, scale float64) View {
	v := View{ID: id, Name: p.name, Width: width, Height: math.Ceil(head + (hi[p.up]-lo[p.up])*scale + foot)}
	midX := width / 2
	px := func(w mass.Vec) float64 { return round(midX + (w[p.right]-(lo[p.right]+hi[p.right])/2)*scale) }
	py := func(w mass.Vec) float64 { return round(head + (hi[p.up]-w[p.up])*scale) }
	base := head + (hi[p.up]-lo[p.up])*scale
	if c := b.Clear; c != nil {
		v.Space = &rect{px(c.Min), py(c.Max), round(px(c.Max) - px(c.Min)), round(py(c.Min) - py(c.Max))}
	}
	end := b.Axes[p.end]
	v.End = [2]float64{px(end), py(end)}
	if r := b.Radius[p.end]; r > 0 {
		v.Circle = &circle{v.End[0], v.End[1], round(r * scale)}
	}
	v.Lines = []seg{{2, py(b.Axes[p.level]), width - 2, py(b.Axes[p.level])}, {px(b.Axes[p.upright]), head - 6, px(b.Axes[p.upright]), round(base + 6)}}
	v.CG = [2]float64{px(b.CG), py(b.CG)}
	order := make([]int, len(b.Parts))
	for i := range order {
		order[i] = i
	}
	depth := func(i int) float64 { return p.sign * b.Parts[i].Solid.Place[p.near] }
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(depth(i), depth(j)) })
	l := layout{v: &v, base: base}
	l.take(v.CG[0]-9, v.CG[1]-9, v.CG[0]+9, v.CG[1]+9)
	shapes := make([]shape, len(b.Parts))
	for _, i := range order {
		part := b.Parts[i]
		s := shape{Dashed: part.Solid.Shape == mass.MassOnly, Over: part.Over != "", x0: math.Inf(1), y0: math.Inf(1), x1: math.Inf(-1), y1: math.Inf(-1)}
		var pts [][2]float64
		for _, c := range corners[i] {
			x, y := px(c), py(c)
			pts = append(pts, [2]float64{x, y})
			s.x0, s.y0, s.x1, s.y1 = math.Min(s.x0, x), math.Min(s.y0, y), math.Max(s.x1, x), math.Max(s.y1, y)
		}
		var text strings.Builder
		for k, q := range hull(pts) {
			if k > 0 {
				text.WriteByte(' ')
			}
			text.WriteString(coord(q[0]) + "," + coord(q[1]))
		}
		s.Points = text.String()
		v.Shapes = append(v.Shapes, s)
		shapes[i] = s
	}
	l.foot(b, p, scale)
	if p.end == schema.Tilt && b.Tilt != nil {
		l.tilt(b)
	}
	if v.Circle != nil {
		l.put(fmt.Sprintf("%s radius %s", p.end, b.length(b.Radius[p.end])), "", [][2]float64{{width - 4, 13}, {4, 13}, {width - 4, base + 14}}, nil)
	}
	if v.Space != nil {
		s := v.Space
		l.put("clear box", "", [][2]float64{{s.X + s.W - 4, s.Y + s.H - 5}, {s.X + 4, s.Y + s.H - 5}, {s.X + 4, s.Y + 14}, {s.X + s.W - 4, s.Y + 14}}, nil)
	}
	for i, part := range b.Parts {
		l.part(part, shapes[i])
	}
	l.put(p.level.String()+" axis", "", [][2]float64{{width - 4, v.Lines[0].Y1 - 4}, {4, v.Lines[0].Y1 - 4}, {width - 4, v.Lines[0].Y1 + 14}, {4, v.Lines[0].Y1 + 14}}, nil)
	upright, beside := p.upright.String()+" axis", v.Lines[1].X1-5-long(p.upright.String()+" axis")
	l.put(upright, "", [][2]float64{{v.Lines[1].X1 + 5, base + 14}, {beside, base + 14}, {v.Lines[1].X1 + 5, base + 30}, {v.Lines[1].X1 + 5, 29}, {beside, 29}, {v.Lines[1].X1 + 5, 13}, {beside, 13}}, nil)
	what := "to scale"
	if over := b.Over(); len(over) > 0 {
		what += "; does not fit: " + strings.Join(over, ", ")
	}
	var names []string
	for _, part := range b.Parts {
		names = append(names, part.Name)
	}
	v.Title = safe.Line(fmt.Sprintf("%s: %s", b.Name, strings.ToLower(p.name)))
	v.Desc = safe.Line(fmt.Sprintf("%s, %s. Parts: %s.", p.name, what, strings.Join(names, ", ")))
	return v
}

// layout places labels where they cover nothing that is there already.
type layout struct {
	v     *View
	base  float64
	taken []rect
}

func (l *layout) take(x0, y0, x1, y1 float64) {
	l.taken = append(l.taken, rect{x0, y0, x1 - x0, y1 - y0})
}

// cost is how much a label at a place covers, and how far it leaves the view.
func (l *layout) cost(r rect) float64 {
	c := 4*math.Max(0, 2-r.X) + 4*math.Max(0, r.X+r.W-width+2) + 4*math.Max(0, -r.Y) + 4*math.Max(0, r.Y+r.H-l.v.Height)
	for _, t := range l.taken {
		w := math.Min(r.X+r.W, t.X+t.W) - math.Max(r.X, t.X)
		h := math.Min(r.Y+r.H, t.Y+t.H) - math.Max(r.Y, t.Y)
		if w > 0 && h > 0 {
			c += 20 + w*h
		}
	}
	return c
}

func long(s string) float64 { return charWide * float64(len([]rune(s))) }

// put places a text at the best of some points; a point in the right half is where it ends.
func (l *layout) put(text, class string, at [][2]float64, lead func(rect) *seg) {
	text = cut(safe.Line(text), 30)
	w := long(text)
	var best rect
	least := math.Inf(1)
	for i, a := range at {
		x := a[0]
		if a[0] > width*0.62 {
			x -= w
		}
		x = math.Min(math.Max(x, 2), math.Max(2, width-2-w))
		r := rect{x, math.Min(math.Max(a[1]-12, 0), l.v.Height-textHigh), w, textHigh}
		if c := l.cost(r) + float64(i)*0.5; c < least {
			best, least = r, c
		}
	}
	l.taken = append(l.taken, best)
	lab := label{X: round(best.X), Y: round(best.Y + 12), Text: text, Class: class}
	if best.X+best.W/2 > width/2 { // a text wider than it was taken for grows into the view
		lab.X, lab.Anchor = round(best.X+best.W), "end"
	}
	if lead != nil {
		lab.Lead = lead(best)
	}
	l.v.Labels = append(l.v.Labels, lab)
}

// part names a part: inside it where the name has room, else above or below the
// drawing with a line to it.
func (l *layout) part(p Part, s shape) {
	text, class := cut(safe.Line(p.Name), 22), "b"
	if p.Over != "" {
		text, class = "✗ "+text, "bad"
	}
	w := long(text)
	cx, cy := (s.x0+s.x1)/2, (s.y0+s.y1)/2
	if s.x1-s.x0 >= w+6 && s.y1-s.y0 >= textHigh {
		for _, y := range []float64{cy + 4, s.y0 + 14, s.y1 - 5, cy - 14, cy + 22} {
			r := rect{cx - w/2, y - 12, w, textHigh}
			if r.Y >= s.y0-1 && r.Y+r.H <= s.y1+4 && l.cost(r) == 0 {
				l.taken = append(l.taken, r)
				l.v.Labels = append(l.v.Labels, label{X: round(r.X), Y: round(y), Text: text, Class: class})
				return
			}
		}
	}
	var at [][2]float64
	for _, y := range []float64{29, 13, l.base + 14, l.base + 30} {
		if y < l.base/2 && cy > l.base*0.62 || y > l.base/2 && cy < head+(l.base-head)*0.38 {
			continue // the line to it would cross the whole drawing
		}
		for _, x := range []float64{cx - w/2, cx - w + 10, cx - 10, 4, width - 4 - w, cx - w - 20, cx + 20} {
			if x > width*0.62 {
				x += w // put takes it as the end
			}
			at = append(at, [2]float64{x, y})
		}
	}
	l.put(text, class, at, func(r rect) *seg {
		x := math.Min(math.Max(cx, r.X+4), r.X+r.W-4)
		y, to := r.Y+textHigh, math.Max(s.y0+math.Min(6, (s.y1-s.y0)/2), r.Y+textHigh)
		if r.Y > s.y1 {
			y, to = r.Y, s.y1-math.Min(6, (s.y1-s.y0)/2)
		}
		return &seg{round(x), round(y), round(math.Min(math.Max(x, s.x0+2), s.x1-2)), round(to)}
	})
}

// tilt draws the limits of tilt about the tilt axis, and what comes into frame.
func (l *layout) tilt(b Build) {
	v := l.v
	reach := 0.0
	for _, s := range v.Shapes {
		reach = math.Max(reach, s.x1-v.End[0])
	}
	r := math.Min(math.Max(reach+14, 60), width-v.End[0]-16)
	if b.Tilt[1] > 50 { // the lower end stays above the scale
		r = math.Max(40, math.Min(r, l.base+22-v.End[1]))
	}
	at := func(deg, r float64) (float64, float64) {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		return round(v.End[0] + r*cos), round(v.End[1] - r*sin)
	}
	up, down := math.Min(b.Tilt[0], 100), math.Min(b.Tilt[1], 100)
	path := func(from, to float64) string {
		var t strings.Builder
		n := int(math.Max(2, math.Abs(to-from)/3))
		for i := range n + 1 {
			x, y := at(from+(to-from)*float64(i)/float64(n), r)
			fmt.Fprintf(&t, "%s%s %s", map[bool]string{true: "M", false: "L"}[i == 0], coord(x), coord(y))
		}
		return t.String()
	}
	a := arc{Path: path(-down, up)}
	for _, deg := range []float64{up, -down} {
		x1, y1 := at(deg, r-6)
		x2, y2 := at(deg, r+6)
		a.Ticks = append(a.Ticks, seg{x1, y1, x2, y2})
	}
	for i, f := range b.Frame {
		if f.What == "" || f.Deg >= b.Tilt[i] {
			continue
		}
		if i == 0 {
			a.Bad = append(a.Bad, path(math.Min(f.Deg, up), up))
		} else {
			a.Bad = append(a.Bad, path(-math.Min(f.Deg, down), -down))
		}
		x, y := at(map[bool]float64{true: f.Deg, false: -f.Deg}[i == 0], r+4)
		l.put("✗ "+f.What+fmt.Sprintf(" from %.0f°", f.Deg), "bad", [][2]float64{{x, y}, {width - 4, y}, {width - 4, 29}, {width - 4, l.base + 14}, {4, 29}, {4, l.base + 14}, {4, l.base + 30}}, nil)
	}
	v.Arc = &a
	for i, deg := range []float64{up, -down} {
		x, y := at(deg, r+8)
		name, full := "tilt up", b.Tilt[0]
		if i == 1 {
			name, full = "tilt down", b.Tilt[1]
			y += 10
		}
		text := fmt.Sprintf("%s %s°", name, schema.Num(full))
		left := x - 8 - long(text)
		l.put(text, "b", [][2]float64{{x + 2, y}, {x - 4, y - 14}, {width - 4, y}, {width - 4, y - 16}, {width - 4, y + 16}, {left, y}, {left, y - 16}, {left, y + 12}}, nil)
	}
}

// foot has the scale and the arrow with the mark to set.
func (l *layout) foot(b Build, p plane, scale float64) {
	v := l.v
	mm := 0.01
	for _, m := range []float64{0.02, 0.05, 0.1, 0.2, 0.5, 1} {
		if m*scale < 90 {
			mm = m
		}
	}
	y := v.Height - 8
	v.Bar = seg{4, y, round(4 + mm*scale), y}
	l.take(0, y-14, v.Bar.X2+60, y+8)
	v.Labels = append(v.Labels, label{X: round(v.Bar.X2 + 6), Y: y + 4, Text: b.length(mm)})
	y -= 2
	for _, m := range b.Marks {
		way := Way(m.Axis, m.By, b.Length)
		text := cut(safe.Line(m.Text), 28)
		switch {
		case m.Axis == p.right:
			w := long(text)
			x := width - 4 - w
			if way != "" {
				from, to := x-44, x-8
				if m.By < 0 {
					from, to = to, from
				}
				v.Arrows = append(v.Arrows, arrowTo(from, y-4, to, y-4))
				x -= 48
			}
			v.Labels = append(v.Labels, label{X: width - 4, Y: y, Text: text, Class: "todo", Anchor: "end"})
			l.take(x-4, y-14, width, y+8)
			y -= 17
		case m.Axis == p.up && way != "":
			x, mid := 10.0, v.End[1]+38
			from, to := mid+18, mid-18
			if m.By < 0 {
				from, to = to, from
			}
			v.Arrows = append(v.Arrows, arrowTo(x, from, x, to))
			v.Labels = append(v.Labels, label{X: x + 10, Y: round(mid + 4), Text: way, Class: "todo"})
			l.take(2, mid-22, x+12+long(way), mid+22)
		}
	}
}

func arrowTo(x1, y1, x2, y2 float64) arrow {
	dx, dy := x2-x1, y2-y1
	n := math.Hypot(dx, dy)
	dx, dy = dx/n, dy/n
	return arrow{seg{round(x1), round(y1), round(x2 - 8*dx), round(y2 - 8*dy)}, fmt.Sprintf("M%s %sL%s %sL%s %sz", coord(x2), coord(y2), coord(x2-10*dx-5*dy), coord(y2-10*dy+5*dx), coord(x2-10*dx+5*dy), coord(y2-10*dy-5*dx))}
}

// cut keeps a name to n characters, by its middle.
func cut(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	h := (n - 1) * 2 / 3
	return string(r[:h]) + "…" + string(r[len(r)-(n-1-h):])
}

const source = `{{define "view"}}<svg xmlns="http://www.w3.org/2000/svg" class="drawing" viewBox="0 0 {{.Width}} {{.Height}}" role="img" aria-labelledby="{{.ID}}-t {{.ID}}-d" font-family="system-ui, sans-serif" font-size="13" style="fill:var(--second,#46524e)">
<title id="{{.ID}}-t">{{.Title}}</title>
<desc id="{{.ID}}-d">{{.Desc}}</desc>
{{template "view-drawn" .}}</svg>{{end}}
{{define "view-drawn"}}{{with .Space}}<rect x="{{.X}}" y="{{.Y}}" width="{{.W}}" height="{{.H}}" style="fill:var(--page,#f4f6f3);stroke:var(--line,#7d8984);stroke-width:1.5"/>{{end}}
{{with .Circle}}<circle cx="{{.X}}" cy="{{.Y}}" r="{{.R}}" fill="none" stroke-dasharray="5 4" style="stroke:var(--line,#7d8984)"/>{{end}}
{{range .Shapes}}<polygon points="{{.Points}}"{{if .Dashed}} stroke-dasharray="4 3"{{end}} style="stroke-width:{{if .Over}}3{{else}}1.5{{end}};stroke:{{if .Over}}var(--bad,#8a1f06){{else}}var(--ink,#13201d){{end}};fill:{{if .Over}}var(--bad-weak,#fde9dd){{else}}var(--part,#e7ece9){{end}}"/>
{{end}}<g stroke-dasharray="9 3 2 3" style="stroke:var(--line,#7d8984)">{{range .Lines}}<line x1="{{.X1}}" y1="{{.Y1}}" x2="{{.X2}}" y2="{{.Y2}}"/>{{end}}</g><circle cx="{{index .End 0}}" cy="{{index .End 1}}" r="4" fill="none" style="stroke:var(--line,#7d8984)"/>
{{with .Arc}}<path d="{{.Path}}" fill="none" style="stroke:var(--ink,#13201d);stroke-width:1.5"/>{{range .Bad}}<path d="{{.}}" fill="none" style="stroke:var(--bad,#8a1f06);stroke-width:4"/>{{end}}{{range .Ticks}}<line x1="{{.X1}}" y1="{{.Y1}}" x2="{{.X2}}" y2="{{.Y2}}" style="stroke:var(--ink,#13201d);stroke-width:2"/>{{end}}
{{end}}<circle cx="{{index .CG 0}}" cy="{{index .CG 1}}" r="7" style="fill:var(--panel,#fff);stroke:var(--ink,#13201d);stroke-width:1.5"/><path d="{{.Quadrants}}" style="fill:var(--ink,#13201d)"/>
{{range .Arrows}}<line x1="{{.Line.X1}}" y1="{{.Line.Y1}}" x2="{{.Line.X2}}" y2="{{.Line.Y2}}" style="stroke:var(--todo,#970d59);stroke-width:2.5"/><path d="{{.Head}}" style="fill:var(--todo,#970d59)"/>{{end}}
{{with .Bar}}<line x1="{{.X1}}" y1="{{.Y1}}" x2="{{.X2}}" y2="{{.Y2}}" style="stroke:var(--ink,#13201d);stroke-width:3"/>{{end}}
{{range .Labels}}{{with .Lead}}<line x1="{{.X1}}" y1="{{.Y1}}" x2="{{.X2}}" y2="{{.Y2}}" style="stroke:var(--ink,#13201d)"/>{{end}}<text x="{{.X}}" y="{{.Y}}"{{with .Anchor}} text-anchor="{{.}}"{{end}}{{if .Class}} font-weight="650"{{end}} style="paint-order:stroke;stroke:var(--panel,#fff);stroke-width:3.5px;stroke-linejoin:round;fill:{{if eq .Class "bad"}}var(--bad,#8a1f06){{else if eq .Class "todo"}}var(--todo,#970d59){{else if eq .Class "b"}}var(--ink,#13201d){{else}}var(--second,#46524e){{end}}">{{.Text}}</text>
{{end}}{{end}}
{{define "views"}}<div class="g3">{{range .}}<figure class="panel"><figcaption>{{.Name}}</figcaption>{{template "view" .}}</figure>{{end}}</div>{{end}}
{{define "sheet"}}<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {{.Width}} {{.Height}}" width="{{.Width}}" height="{{.Height}}" role="img" aria-labelledby="title desc" font-family="system-ui, sans-serif" font-size="13" style="fill:var(--second,#46524e)">
<title id="title">{{.Title}}</title>
<desc id="desc">{{.Desc}}</desc>
<rect width="{{.Width}}" height="{{.Height}}" style="fill:var(--panel,#fff)"/>
<text x="10" y="24" font-size="18" font-weight="700" style="fill:var(--ink,#13201d)">{{.Title}}</text>
{{range .Lines}}<text x="10" y="{{.Y}}"{{if .Bad}} font-weight="650" style="fill:var(--bad,#8a1f06)"{{end}}>{{.Text}}</text>{{end}}
{{range .Views}}<svg x="{{.X}}" y="{{$.Top}}" width="{{.View.Width}}" height="{{.View.Height}}" viewBox="0 0 {{.View.Width}} {{.View.Height}}">{{template "view-drawn" .View}}</svg><text x="{{.TextX}}" y="{{$.NameY}}" font-weight="650" style="fill:var(--ink,#13201d)">{{.View.Name}}</text>
{{end}}</svg>{{end}}`

// Source is the template itself, for a page that is parsed whole.
func Source() string { return source }

var templates = sync.OnceValues(func() (*template.Template, error) { return template.New("draw").Parse(source) })

type sheet struct {
	Title, Desc   string
	Width, Height float64
	Top, NameY    float64
	Lines         []sheetLine
	Views         []placed
}

type sheetLine struct {
	Y    float64
	Text string
	Bad  bool
}

type placed struct {
	X    float64
	View View
}

// TextX is where the name of a view stands.
func (p placed) TextX() float64 { return p.X + 6 }

// Write writes the three views as one SVG file of their own, under the rig's name and
// what to move, set or take off.
//
// Errors: ErrNothing; those of w.
func (b Build) Write(w io.Writer) error {
	views, err := b.Views("view")
	if err != nil {
		return err
	}
	t, err := templates()
	if err != nil {
		return err
	}
	s := sheet{Title: cut(safe.Line(b.Name), 60), Width: 3*width + 40}
	add := func(bad bool, text string) {
		s.Lines = append(s.Lines, sheetLine{Y: 44 + 18*float64(len(s.Lines)), Text: safe.Line(text), Bad: bad})
	}
	for _, o := range b.Over() {
		add(true, "✗ does not fit: "+o)
	}
	if m := b.Words(); m != "" {
		add(false, "To balance: "+m)
	}
	for _, m := range b.Marks {
		add(false, "Set "+m.Text)
	}
	s.NameY = 52 + 18*float64(len(s.Lines))
	s.Top = s.NameY + 6
	for i, v := range views {
		s.Views = append(s.Views, placed{10 + float64(i)*(width+10), v})
		s.Height = math.Max(s.Height, s.Top+v.Height+8)
		s.Desc += v.Desc + " "
	}
	var out strings.Builder
	out.WriteString("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")
	if err := t.ExecuteTemplate(&out, "sheet", s); err != nil {
		return fmt.Errorf("the drawing of %q: %w", b.Name, err)
	}
	out.WriteByte('\n')
	_, err = io.WriteString(w, out.String())
	return err
}
