package svg

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"

	"rigkeep/diffview/safe"
)

// layout is a chart on its way to a drawing: the ranges of its axes, and what is placed so far.
type layout struct {
	Chart
	x0, x1, y0, y1 float64
	d              drawing
}

// lay works out where everything goes.
func (c Chart) lay(id string) (drawing, error) {
	l := layout{Chart: c}
	if !l.cover() {
		return drawing{}, ErrEmpty
	}
	l.widen()
	ticks, labels := l.yTicks()
	l.frame(id, labels)
	l.zones()
	for i, y := range ticks {
		l.d.YTicks = append(l.d.YTicks, tick{At: round(l.py(y)), Text: labels[i]})
	}
	l.d.XTicks = l.xTicks()
	l.lines()
	l.marks()
	l.points()
	return l.d, nil
}

// cover takes the ranges from the lines and points; it is false where there are none.
func (l *layout) cover() bool {
	l.x0, l.x1, l.y0, l.y1 = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, s := range l.Series {
		for i := range s.X {
			if l.usable(s, i) {
				l.coverX(s.X[i])
				l.coverY(s.Y[i])
			}
		}
	}
	for _, p := range l.Points {
		if !l.drawable(p.X, p.Y) {
			continue
		}
		l.coverX(p.X)
		l.coverY(p.Y)
		if l.interval(p) {
			l.coverY(p.Lo)
			l.coverY(p.Hi)
		}
	}
	return l.x1 >= l.x0
}

func (l *layout) coverX(x float64) { l.x0, l.x1 = math.Min(l.x0, x), math.Max(l.x1, x) }
func (l *layout) coverY(y float64) { l.y0, l.y1 = math.Min(l.y0, y), math.Max(l.y1, y) }

// interval says that a point has one to be drawn.
func (l *layout) interval(p Point) bool {
	return p.Lo < p.Hi && l.drawable(p.X, p.Lo) && finite(p.Hi)
}

// widen opens the ranges to what the chart asks for beside its lines and points.
func (l *layout) widen() {
	for _, v := range []*float64{l.YMin, l.YMax} {
		if v != nil && l.drawable(l.x0, *v) {
			l.coverY(*v)
		}
	}
	for _, v := range []*float64{l.XMin, l.XMax} {
		if v != nil && l.drawable(*v, l.y0) {
			l.coverX(*v)
		}
	}
	for _, m := range l.Marks {
		if !m.Down && l.drawable(l.x0, m.At) {
			l.coverY(m.At)
		}
	}
	if l.MinSpan > l.y1-l.y0 && finite(l.MinSpan) && !l.LogY {
		lo := (l.y0 + l.y1 - l.MinSpan) / 2
		if l.y0 >= 0 && lo < 0 { // what is never below zero starts there
			lo = 0
		}
		l.coverY(lo)
		l.coverY(lo + l.MinSpan)
	}
	l.x0, l.x1 = spread(l.x0, l.x1, l.LogX)
	if !l.LogX && slices.ContainsFunc(l.Series, func(s Series) bool { return s.Dots }) { // keep the outer dots clear of the labels
		w := 0.04 * (l.x1 - l.x0)
		l.x0, l.x1 = l.x0-w, l.x1+w
	}
}

// yTicks are the numbers along y; its range is opened to the outer ones.
func (l *layout) yTicks() (at []float64, labels []string) {
	if l.LogY {
		l.y0, l.y1 = spread(l.y0, l.y1, true)
		return logTicks(l.y0, l.y1)
	}
	at = niceTicks(l.y0, l.y1, 5)
	l.y0, l.y1 = spread(math.Min(l.y0, at[0]), math.Max(l.y1, at[len(at)-1]), false)
	return at, tickLabels(at)
}

// frame is the box between the labels of y, the names of lines and those of zones.
func (l *layout) frame(id string, yLabels []string) {
	widest := 0
	for _, s := range yLabels {
		widest = max(widest, len([]rune(s)))
	}
	l.d = drawing{
		ID: id, Title: safe.Line(l.Title), Desc: safe.Line(l.Desc), Width: boxWidth, Height: boxHeight,
		Left: 10 + charWidth*float64(widest), Top: 24, Base: boxHeight - 42,
		XLabel: safe.Line(l.XLabel), YLabel: safe.Line(l.YLabel), YLabelY: 13, XLabelY: boxHeight - 6,
	}
	if l.Wide {
		l.d.Width = wideWidth
	}
	l.d.Right = float64(l.d.Width) - 8
	longest := 0
	for _, s := range l.Series {
		if l.last(s) >= 0 {
			longest = max(longest, len([]rune(clip(s.Name))))
		}
	}
	if longest > 0 && len(l.Series) > 1 {
		l.d.Right = float64(l.d.Width) - 10 - boldWidth*float64(longest)
	}
	if slices.ContainsFunc(l.Zones, func(z Zone) bool { return z.Name != "" }) { // a row of names stands above
		l.d.Top += 18
	}
}

// last is the last point of a line that can be drawn, -1 for none.
func (l *layout) last(s Series) int {
	for i := len(s.X) - 1; i >= 0; i-- {
		if l.usable(s, i) {
			return i
		}
	}
	return -1
}

func (l *layout) px(x float64) float64 {
	if l.LogX {
		return l.d.Left + (l.d.Right-l.d.Left)*math.Log(x/l.x0)/math.Log(l.x1/l.x0)
	}
	return l.d.Left + (l.d.Right-l.d.Left)*(x-l.x0)/(l.x1-l.x0)
}

func (l *layout) py(y float64) float64 {
	if l.LogY {
		return l.d.Base - (l.d.Base-l.d.Top)*math.Log(y/l.y0)/math.Log(l.y1/l.y0)
	}
	return l.d.Base - (l.d.Base-l.d.Top)*(y-l.y0)/(l.y1-l.y0)
}

// zones are the stretches along x, with as many of their names as have room.
func (l *layout) zones() {
	d := &l.d
	end := d.Left
	for _, z := range l.Zones {
		from, to := math.Max(z.From, l.x0), math.Min(z.To, l.x1)
		if !(from <= to) {
			continue
		}
		a, b := l.px(from), math.Max(l.px(to), l.px(from)+3)
		if z.From < z.To || z.Loud { // a stretch of no length only has a name
			d.Zones = append(d.Zones, zone{round(a), d.Top, round(b - a), round(d.Base - d.Top), z.Loud})
		}
		if name := cut(safe.Line(z.Name), 18); name != "" {
			half := charWidth * float64(len([]rune(name))) / 2
			at := math.Min(math.Max((a+b)/2, end+half), float64(d.Width)-half)
			if at-half < end-1 || at+half > float64(d.Width)+1 {
				continue
			}
			d.Words = append(d.Words, word{round(at), name})
			end = at + half + 6
		}
	}
}

func (l *layout) lines() {
	d := &l.d
	for i, s := range l.Series {
		last := l.last(s)
		if last < 0 {
			continue
		}
		look := i
		if s.Look > 0 {
			look = s.Look - 1
		}
		k := looks[look%len(looks)]
		x := line{Colour: template.CSS("fill:" + k.colour), Style: template.CSS(fmt.Sprintf("stroke:%s;stroke-width:%s;stroke-dasharray:%s", k.colour, coord(k.width), cmp.Or(k.dash, "none")))}
		if len(l.Series) > 1 {
			x.Name = clip(safe.Line(s.Name))
		}
		x.Parts = l.polylines(s)
		for k := range s.X {
			if s.Dots && l.usable(s, k) {
				x.Dots = append(x.Dots, [2]float64{round(l.px(s.X[k])), round(l.py(s.Y[k]))})
			}
		}
		x.EndX, x.EndY = round(l.px(s.X[last])), round(l.py(s.Y[last]))
		x.LabelX, x.LabelY = d.Right+6, x.EndY+5
		d.Lines = append(d.Lines, x)
	}
	apart(d.Lines, d.Top+8, d.Base+5)
}

// marks are the lines across and down, each with the zone that a limit tints.
func (l *layout) marks() {
	d := &l.d
	for _, m := range l.Marks {
		name := cut(safe.Line(m.Name), 24)
		long := charWidth * float64(len([]rune(name)))
		class := map[bool]string{true: "limit"}[m.Limit]
		if m.Onset {
			class = "onset"
		}
		switch {
		case !l.drawable(l.x0, l.y0) || !finite(m.At) || m.Down && (m.At < l.x0 || m.At > l.x1) || !m.Down && !l.drawable(l.x0, m.At):
		case m.Down:
			x := round(l.px(m.At))
			tx := x + 4
			if tx+long > float64(d.Width) {
				tx = x - 4 - long
			}
			d.Marks = append(d.Marks, mark{name, x, d.Top, x, d.Base, round(math.Max(tx, 2)), d.Top + 13, class})
			if m.Limit {
				d.Zones = append(d.Zones, zone{x, d.Top, round(d.Right - x), round(d.Base - d.Top), true})
			}
		default:
			y := round(l.py(m.At))
			ty := y - 4
			if ty < d.Top+10 {
				ty = y + 14
			}
			d.Marks = append(d.Marks, mark{name, d.Left, y, d.Right, y, round(math.Max(d.Left+4, d.Right-4-long)), round(ty), class})
			switch {
			case m.Limit && m.Under:
				d.Zones = append(d.Zones, zone{d.Left, y, round(d.Right - d.Left), round(d.Base - y), true})
			case m.Limit:
				d.Zones = append(d.Zones, zone{d.Left, d.Top, round(d.Right - d.Left), round(y - d.Top), true})
			}
		}
	}
}
