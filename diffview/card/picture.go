package card

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// The picture is drawn in units of which a phone 390 px wide shows about 0.64 px each, so
// 22 is the least for text (see diffview/svg).
const (
	width  = 560.0
	margin = 16.0
	tallM  = 330.0 // most height of one view
)

// picture is a rig from the side and from above, to one scale, with every coordinate known.
type picture struct {
	ID, Title, Desc string
	Height          float64
	Views           []view
	Bar             bar
}

type view struct {
	Name     string
	NameY    float64
	Outlines []outline
	Lines    [][4]float64 // motor axes
	Ring     []float64    // an axis seen end on: x, y
	CG       mark
}

type outline struct {
	Points string // of a polygon
	Circle []float64
	Dashed bool // a size that was not given
	Number string
	X, Y   float64 // of the number
}

type mark struct{ X, Y float64 }

// Quadrants are the dark quarters of the sign for a centre of gravity.
func (m mark) Quadrants() string {
	return fmt.Sprintf("M%s %sh-12a12 12 0 0 1 12-12zm0 0h12a12 12 0 0 1-12 12z", num(m.X), num(m.Y))
}

func (m mark) TextX() float64 { return round(m.X + 17) }
func (m mark) TextY() float64 { return round(m.Y - 14) }

type bar struct {
	X1, X2, Y float64
	Text      string
}

func (b bar) TextY() float64 { return round(b.Y - 8) }

func round(v float64) float64 { return math.Round(v*10) / 10 }
func num(v float64) string    { return strconv.FormatFloat(round(v), 'f', -1, 64) }

// plane is one way of looking at a build: which coordinate goes right and which up.
type plane struct {
	name      string
	right, up int
	axes      [2]schema.Axis // that lie across: level, upright
	end       int            // the axis seen end on, -1 for none
}

var planes = []plane{
	{"from the side, front to the right", 0, 2, [2]schema.Axis{schema.Roll, schema.Pan}, int(schema.Tilt)},
	{"from above, front to the right", 0, 1, [2]schema.Axis{schema.Roll, schema.Tilt}, -1},
}

// draw lays a rig out. The numbers are those of the table of parts.
func draw(r preset.Rig, sheet *schema.Sheet, props mass.Properties, id string) (picture, error) {
	parts := r.MassParts()
	p := picture{ID: id, Title: "The build " + safe.Line(r.Alias) + " from the side and from above",
		Desc: fmt.Sprintf("%d parts to scale, numbered as in the table, with the centre of gravity %s from where the motor axes cross.", len(parts), cgWords(props.CG))}
	assumed := map[string]float64{}
	for _, a := range props.Assumed {
		assumed[a.Part] = a.Side
	}
	lo, hi := mass.Vec{}, mass.Vec{} // where the axes cross is always in the picture
	hulls := make([][]mass.Vec, len(parts))
	grow := func(v mass.Vec) {
		for k := range v {
			lo[k], hi[k] = math.Min(lo[k], v[k]), math.Max(hi[k], v[k])
		}
	}
	for i, x := range parts {
		hulls[i] = corners(x, assumed[x.Name])
		for _, v := range hulls[i] {
			grow(v)
		}
	}
	grow(props.CG)
	room := 0.04 * math.Max(hi[0]-lo[0], 0.01)
	for k := range lo {
		lo[k], hi[k] = lo[k]-room, hi[k]+room
	}
	scale := (width - 2*margin) / (hi[0] - lo[0])
	for _, k := range []int{1, 2} {
		scale = math.Min(scale, tallM/(hi[k]-lo[k]))
	}
	if !(scale > 0) || math.IsInf(scale, 0) {
		return p, fmt.Errorf("the build has no size that can be drawn")
	}
	y := 0.0
	for _, pl := range planes {
		v := view{Name: pl.name, NameY: y + 26}
		top := y + 40
		px := func(w mass.Vec) float64 {
			return round((width-(hi[0]-lo[0])*scale)/2 + (w[pl.right]-lo[pl.right])*scale)
		}
		py := func(w mass.Vec) float64 { return round(top + (hi[pl.up]-w[pl.up])*scale) }
		bottom := round(top + (hi[pl.up]-lo[pl.up])*scale)
		for i, x := range parts {
			o := outline{Number: strconv.Itoa(i + 1), Dashed: x.Shape == mass.MassOnly}
			centre := x.Place.Add(x.Outline)
			o.X, o.Y = px(centre), py(centre)+8
			switch x.Shape {
			case mass.Sphere:
				o.Circle = []float64{px(centre), py(centre), round(x.Radius * scale)}
			case mass.Point:
				o.Circle = []float64{px(centre), py(centre), 4}
			default:
				var pts [][2]float64
				for _, c := range hulls[i] {
					pts = append(pts, [2]float64{px(c), py(c)})
				}
				o.Points = polygon(pts)
			}
			v.Outlines = append(v.Outlines, o)
		}
		spread(v.Outlines, top, bottom)
		if sheet != nil {
			level, upright := mass.Vec(sheet.Axes[pl.axes[0]].Point), mass.Vec(sheet.Axes[pl.axes[1]].Point)
			v.Lines = append(v.Lines, [4]float64{margin / 2, py(level), width - margin/2, py(level)}, [4]float64{px(upright), top, px(upright), bottom})
			if pl.end >= 0 {
				at := mass.Vec(sheet.Axes[pl.end].Point)
				v.Ring = []float64{px(at), py(at)}
			}
		}
		v.CG = mark{px(props.CG), py(props.CG)}
		p.Views = append(p.Views, v)
		y = bottom + 14
	}
	length := 0.01
	for _, l := range []float64{0.02, 0.05, 0.1, 0.2, 0.5, 1} {
		if l*scale < width/2.5 {
			length = l
		}
	}
	p.Bar = bar{X1: margin, X2: round(margin + length*scale), Y: y + 34, Text: fmt.Sprintf("%g mm", math.Round(length*1000))}
	p.Height = math.Ceil(y + 46)
	return p, nil
}

// corners are points whose hull is the part as it lies in the build. side is the edge taken for a
// part with mass only.
func corners(x mass.Part, side float64) []mass.Vec {
	rot := x.Turn.Rotation()
	at := func(v mass.Vec) mass.Vec { return rot.Apply(v).Add(x.Place.Add(x.Outline)) }
	box := func(size mass.Vec) []mass.Vec {
		var out []mass.Vec
		for i := range 8 {
			out = append(out, at(mass.Vec{size[0] * (float64(i&1) - 0.5), size[1] * (float64(i>>1&1) - 0.5), size[2] * (float64(i>>2) - 0.5)}))
		}
		return out
	}
	switch x.Shape {
	case mass.Box:
		return box(x.Size)
	case mass.MassOnly:
		return box(mass.Vec{side, side, side})
	case mass.Cylinder, mass.Tube:
		axis, ok := x.Axis.Unit()
		if !ok {
			axis = mass.Vec{0, 0, 1}
		}
		one, ok := axis.Cross(mass.Vec{0, 0, 1}).Unit()
		if !ok {
			one = mass.Vec{1, 0, 0}
		}
		two := axis.Cross(one)
		var out []mass.Vec
		for k := range 32 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 32)
			rim := one.Scale(cos * x.Radius).Add(two.Scale(sin * x.Radius))
			out = append(out, at(rim.Add(axis.Scale(x.Length/2))), at(rim.Sub(axis.Scale(x.Length/2))))
		}
		return out
	case mass.Sphere:
		var out []mass.Vec
		for k := range 3 {
			var d mass.Vec
			d[k] = x.Radius
			out = append(out, at(d), at(d.Scale(-1)))
		}
		return out
	}
	return []mass.Vec{at(mass.Vec{})}
}

// polygon is the convex hull of points, in order. Source: Andrew's monotone chain (Andrew 1979, from memory).
func polygon(pts [][2]float64) string {
	slices.SortFunc(pts, func(a, b [2]float64) int {
		switch {
		case a[0] != b[0]:
			return int(math.Copysign(1, a[0]-b[0]))
		case a[1] != b[1]:
			return int(math.Copysign(1, a[1]-b[1]))
		}
		return 0
	})
	pts = slices.Compact(pts)
	half := func(seq [][2]float64) [][2]float64 {
		var h [][2]float64
		for _, p := range seq {
			for len(h) > 1 {
				a, b := h[len(h)-2], h[len(h)-1]
				if (b[0]-a[0])*(p[1]-a[1])-(b[1]-a[1])*(p[0]-a[0]) > 0 {
					break
				}
				h = h[:len(h)-1]
			}
			h = append(h, p)
		}
		return h
	}
	lower := half(pts)
	back := slices.Clone(pts)
	slices.Reverse(back)
	upper := half(back)
	ring := pts
	if len(pts) > 2 {
		ring = append(lower[:len(lower)-1:len(lower)-1], upper[:len(upper)-1]...)
	}
	var b strings.Builder
	for i, p := range ring {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(num(p[0]) + "," + num(p[1]))
	}
	return b.String()
}

// spread moves numbers that would cover each other, to the right and down, within the view.
func spread(os []outline, top, bottom float64) {
	const wide, high = 28.0, 24.0
	for i := range os {
		o := &os[i]
		for try := 0; try < 60; try++ {
			clash := slices.ContainsFunc(os[:i], func(p outline) bool {
				return math.Abs(p.X-o.X) < wide && math.Abs(p.Y-o.Y) < high
			})
			if !clash {
				break
			}
			o.Y = round(o.Y + high)
			if o.Y > bottom {
				o.Y, o.X = round(top+20), round(o.X+wide)
			}
		}
		o.X = math.Min(math.Max(o.X, margin), width-margin)
	}
}

// cgWords says a place in millimetres and directions.
func cgWords(v mass.Vec) string {
	var out []string
	for k, sides := range mass.Sides {
		side := sides[0]
		if v[k] < 0 {
			side = sides[1]
		}
		if mm := math.Abs(v[k]) * 1000; mm >= 0.05 {
			out = append(out, fmt.Sprintf("%.1f mm %s", mm, side))
		}
	}
	if len(out) == 0 {
		return "0 mm"
	}
	return strings.Join(out, ", ")
}

const pictureSource = `{{define "picture"}}<svg xmlns="http://www.w3.org/2000/svg" class="chart" viewBox="0 0 560 {{.Height}}" role="img" aria-labelledby="{{.ID}}-t {{.ID}}-d" font-family="system-ui, sans-serif" font-size="22" fill="currentColor">
<title id="{{.ID}}-t">{{.Title}}</title>
<desc id="{{.ID}}-d">{{.Desc}}</desc>
{{range .Views}}<text x="8" y="{{.NameY}}">{{.Name}}</text>
<g stroke="currentColor" stroke-opacity="0.55" stroke-dasharray="14 5 2 5">{{range .Lines}}<line x1="{{index . 0}}" y1="{{index . 1}}" x2="{{index . 2}}" y2="{{index . 3}}"/>{{end}}</g>{{with .Ring}}<circle cx="{{index . 0}}" cy="{{index . 1}}" r="7" fill="none" stroke="currentColor"/>{{end}}
{{range .Outlines}}<g fill="currentColor" fill-opacity="0.07" stroke="currentColor" stroke-width="2"{{if .Dashed}} stroke-dasharray="5 5"{{end}}>{{if .Circle}}<circle cx="{{index .Circle 0}}" cy="{{index .Circle 1}}" r="{{index .Circle 2}}"/>{{else}}<polygon points="{{.Points}}"/>{{end}}</g>
{{end}}{{range .Outlines}}<text x="{{.X}}" y="{{.Y}}" text-anchor="middle" font-weight="600" style="paint-order:stroke;stroke:var(--back);stroke-width:5px;stroke-linejoin:round">{{.Number}}</text>{{end}}
<circle cx="{{.CG.X}}" cy="{{.CG.Y}}" r="12" style="fill:var(--back)" stroke="currentColor" stroke-width="2"/><path d="{{.CG.Quadrants}}"/><text x="{{.CG.TextX}}" y="{{.CG.TextY}}" font-weight="600" style="paint-order:stroke;stroke:var(--back);stroke-width:5px;stroke-linejoin:round">CG</text>
{{end}}{{with .Bar}}<path d="M{{.X1}} {{.Y}}V{{.Y}}H{{.X2}}" fill="none" stroke="currentColor" stroke-width="3"/><text x="{{.X1}}" y="{{.TextY}}">{{.Text}}</text>{{end}}
</svg>{{end}}`
