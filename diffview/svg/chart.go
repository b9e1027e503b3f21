// Package svg draws small line charts that can be read on a phone and on paper:
// large text, the page's own colours, lines told apart by dash and weight and
// labelled where they end, limits as a named line with a tinted zone beyond, and a
// title and description for those who cannot see them.
package svg

import (
	"cmp"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"sort"
	"strings"

	"rigkeep/diffview/safe"
)

// Chart is what to draw.
type Chart struct {
	Title  string // short, said by screen readers and shown by the page
	Desc   string // one sentence: what is to be seen
	XLabel string // with unit
	YLabel string
	LogX   bool
	LogY   bool
	Series []Series
	Marks  []Mark
	Points []Point
	Zones  []Zone
	// Ticks take the place of numbers along x, as for jobs.
	Ticks []Tick
	// YMin and YMax widen the range of y, as to show zero or a limit.
	YMin, YMax *float64
	// MinSpan is the least that the range of y spans, so that a small change looks
	// small; 0 is as the values are.
	MinSpan float64
	// XMin and XMax do the same for x, so that charts in a row have equal axes.
	XMin, XMax *float64
	// Wide is for a strip across the page.
	Wide bool
}

// Series is one line: points (X[i], Y[i]), X not falling. A point that is not
// finite breaks the line.
type Series struct {
	Name string
	X, Y []float64
	Dots bool // mark each point, for few measured ones
	// Look chooses colour and dash, from 1 on, so that a line looks the same in
	// several charts; 0 is by position.
	Look int
	// Step holds each value until the next, as a setting does.
	Step bool
}

// The looks of lines that several charts share.
const (
	After, Before, Third, Accent = 1, 2, 3, 4
)

// Mark is a thin line across at Y, or down at X where Down is set. A limit has the
// zone above it tinted (below it with Under).
type Mark struct {
	Name         string
	At           float64
	Down         bool
	Limit, Under bool
	Onset        bool
}

// Point is one named place. Kind is "value", "proved", "offer", "reference",
// "onset", "cap", "peak" or "harmonic". Lo and Hi draw an interval along y; equal
// is none.
type Point struct {
	X, Y, Lo, Hi float64
	Name, Kind   string
}

// Zone is a stretch along x: a job, a gap, a kind of oscillation.
type Zone struct {
	From, To float64
	Name     string
	Loud     bool // something is amiss there
}

// Tick is a named place along x. Short stands on the picture in the name's place,
// where there is one.
type Tick struct {
	At          float64
	Name, Short string
}

// ErrEmpty says that a chart has no point to draw.
var ErrEmpty = errors.New("nothing to draw: no series has a finite point")

// The box in which everything is drawn, in SVG units: on a phone 390 px wide, and
// about so on a desk and on paper, a unit is one px, so that 13 is easily read (seen
// in Chromium).
const (
	boxWidth  = 340
	boxHeight = 230
	wideWidth = 680
	textSize  = 13
	charWidth = 7.4 // about the mean of a sans-serif at textSize
	boldWidth = 8.8 // the same of its bold, that names lines
)

// looks are how lines look: ink for what counts, second ink and a dash for what it is
// held against.
var looks = []struct {
	colour, dash string
	width        float64
}{
	{"var(--ink,#13201d)", "", 2.5}, {"var(--second,#46524e)", "6 4", 2}, {"var(--second,#46524e)", "2 3", 1.5},
	{"var(--todo,#970d59)", "", 2.5}, {"var(--good,#005c70)", "9 3 2 3", 2}, {"var(--look,#755f00)", "5 3", 2},
}

// drawing is a chart with every coordinate known, for the template.
type drawing struct {
	ID                     string
	Title, Desc            string
	Width, Height          int
	Left, Right, Top, Base float64
	XLabel, YLabel         string
	XTicks, YTicks         []tick
	Lines                  []line
	Marks                  []mark
	YLabelY, XLabelY       float64
	Points                 []point
	Crowd                  string // the proved points without a name, as the path of a round pen
	Zones                  []zone
	Words                  []word // a row of names along the top
}

type point struct {
	X, Y, Lo, Hi float64
	Kind, Name   string
	TX, TY       float64
	Anchor       string
}

// Diamond is the sign of a value to set.
func (p point) Diamond() string {
	return fmt.Sprintf("M%s %sl6 6-6 6-6-6z", coord(p.X), coord(p.Y-6))
}

// Cross is the sign of an onset.
func (p point) Cross() string {
	return fmt.Sprintf("M%s %sl9 9m0-9l-9 9", coord(p.X-4.5), coord(p.Y-4.5))
}

func (p point) BoxX() float64  { return round(p.X - 4) }
func (p point) BoxY() float64  { return round(p.Y - 4) }
func (p point) Left() float64  { return round(p.X - 12) }
func (p point) Right() float64 { return round(p.X + 12) }

type zone struct {
	X, Y, Width, Height float64
	Loud                bool
}

type word struct {
	X    float64
	Text string
}

type line struct {
	Name           string
	Style          template.CSS // made of looks alone
	Colour         template.CSS
	Parts          []string // polyline points
	Dots           [][2]float64
	LabelX, LabelY float64
	EndX, EndY     float64
}

type mark struct {
	Name   string
	X1, Y1 float64
	X2, Y2 float64
	TX, TY float64
	Class  string
}

// largest is the size beyond which a number is taken as not drawable; ticks and
// coordinates keep their precision below it.
const largest = 1e12

func finite(v float64) bool { return math.Abs(v) <= largest }

func (c Chart) usable(s Series, i int) bool { return i < len(s.Y) && c.drawable(s.X[i], s.Y[i]) }

func (c Chart) drawable(x, y float64) bool {
	return finite(x) && finite(y) && (!c.LogX || x > 1/largest) && (!c.LogY || y > 1/largest)
}

// lay works out where everything goes.
func (c Chart) lay(id string) (drawing, error) {
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	longest := 0
	for _, s := range c.Series {
		seen := false
		for i := range s.X {
			if c.usable(s, i) {
				x0, x1, y0, y1 = math.Min(x0, s.X[i]), math.Max(x1, s.X[i]), math.Min(y0, s.Y[i]), math.Max(y1, s.Y[i])
				seen = true
			}
		}
		if seen {
			longest = max(longest, len([]rune(clip(s.Name))))
		}
	}
	for _, p := range c.Points {
		if !c.drawable(p.X, p.Y) {
			continue
		}
		x0, x1, y0, y1 = math.Min(x0, p.X), math.Max(x1, p.X), math.Min(y0, p.Y), math.Max(y1, p.Y)
		if p.Lo < p.Hi && c.drawable(p.X, p.Lo) && finite(p.Hi) {
			y0, y1 = math.Min(y0, p.Lo), math.Max(y1, p.Hi)
		}
	}
	if !(x1 >= x0) {
		return drawing{}, ErrEmpty
	}
	for _, v := range []*float64{c.YMin, c.YMax} {
		if v != nil && c.drawable(x0, *v) {
			y0, y1 = math.Min(y0, *v), math.Max(y1, *v)
		}
	}
	for _, v := range []*float64{c.XMin, c.XMax} {
		if v != nil && c.drawable(*v, y0) {
			x0, x1 = math.Min(x0, *v), math.Max(x1, *v)
		}
	}
	for _, m := range c.Marks {
		if !m.Down && c.drawable(x0, m.At) {
			y0, y1 = math.Min(y0, m.At), math.Max(y1, m.At)
		}
	}
	if c.MinSpan > y1-y0 && finite(c.MinSpan) && !c.LogY {
		lo := (y0 + y1 - c.MinSpan) / 2
		if y0 >= 0 && lo < 0 { // what is never below zero starts there
			lo = 0
		}
		y0, y1 = math.Min(y0, lo), math.Max(y1, lo+c.MinSpan)
	}
	x0, x1 = spread(x0, x1, c.LogX)
	for _, s := range c.Series {
		if s.Dots && !c.LogX { // keep the outer dots clear of the labels
			w := 0.04 * (x1 - x0)
			x0, x1 = x0-w, x1+w
			break
		}
	}
	var yt []float64
	var labels []string
	if c.LogY {
		y0, y1 = spread(y0, y1, true)
		yt, labels = logTicks(y0, y1)
	} else {
		yt = niceTicks(y0, y1, 5)
		y0, y1 = spread(math.Min(y0, yt[0]), math.Max(y1, yt[len(yt)-1]), false)
		labels = tickLabels(yt)
	}
	widest := 0
	for _, l := range labels {
		widest = max(widest, len([]rune(l)))
	}
	d := drawing{
		ID: id, Title: safe.Line(c.Title), Desc: safe.Line(c.Desc), Width: boxWidth, Height: boxHeight,
		Left: 10 + charWidth*float64(widest), Top: 24, Base: boxHeight - 42,
		XLabel: safe.Line(c.XLabel), YLabel: safe.Line(c.YLabel), YLabelY: 13, XLabelY: boxHeight - 6,
	}
	if c.Wide {
		d.Width = wideWidth
	}
	d.Right = float64(d.Width) - 8
	if longest > 0 && len(c.Series) > 1 {
		d.Right = float64(d.Width) - 10 - boldWidth*float64(longest)
	}
	named := slices.ContainsFunc(c.Zones, func(z Zone) bool { return z.Name != "" })
	if named { // a row of names stands above
		d.Top += 18
	}
	px := func(x float64) float64 {
		if c.LogX {
			return d.Left + (d.Right-d.Left)*math.Log(x/x0)/math.Log(x1/x0)
		}
		return d.Left + (d.Right-d.Left)*(x-x0)/(x1-x0)
	}
	py := func(y float64) float64 {
		if c.LogY {
			return d.Base - (d.Base-d.Top)*math.Log(y/y0)/math.Log(y1/y0)
		}
		return d.Base - (d.Base-d.Top)*(y-y0)/(y1-y0)
	}
	end := d.Left
	for _, z := range c.Zones {
		from, to := math.Max(z.From, x0), math.Min(z.To, x1)
		if !(from <= to) {
			continue
		}
		a, b := px(from), math.Max(px(to), px(from)+3)
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
	for i, y := range yt {
		d.YTicks = append(d.YTicks, tick{At: round(py(y)), Text: labels[i]})
	}
	d.XTicks = c.xTicks(x0, x1, px, d)
	for i, s := range c.Series {
		look := i
		if s.Look > 0 {
			look = s.Look - 1
		}
		k := looks[look%len(looks)]
		l := line{Colour: template.CSS("fill:" + k.colour), Style: template.CSS(fmt.Sprintf("stroke:%s;stroke-width:%s;stroke-dasharray:%s", k.colour, coord(k.width), cmp.Or(k.dash, "none")))}
		if len(c.Series) > 1 {
			l.Name = clip(safe.Line(s.Name))
		}
		l.Parts = c.points(s, px, py)
		last := -1
		for k := range s.X {
			if c.usable(s, k) {
				last = k
				if s.Dots {
					l.Dots = append(l.Dots, [2]float64{round(px(s.X[k])), round(py(s.Y[k]))})
				}
			}
		}
		if last < 0 {
			continue
		}
		l.EndX, l.EndY = round(px(s.X[last])), round(py(s.Y[last]))
		l.LabelX, l.LabelY = d.Right+6, l.EndY+5
		d.Lines = append(d.Lines, l)
	}
	apart(d.Lines, d.Top+8, d.Base+5)
	for _, m := range c.Marks {
		name := cut(safe.Line(m.Name), 24)
		long := charWidth * float64(len([]rune(name)))
		class := map[bool]string{true: "limit"}[m.Limit]
		if m.Onset {
			class = "onset"
		}
		switch {
		case !c.drawable(x0, y0) || !finite(m.At) || m.Down && (m.At < x0 || m.At > x1) || !m.Down && !c.drawable(x0, m.At):
		case m.Down:
			x := round(px(m.At))
			tx := x + 4
			if tx+long > float64(d.Width) {
				tx = x - 4 - long
			}
			d.Marks = append(d.Marks, mark{name, x, d.Top, x, d.Base, round(math.Max(tx, 2)), d.Top + 13, class})
			if m.Limit {
				d.Zones = append(d.Zones, zone{x, d.Top, round(d.Right - x), round(d.Base - d.Top), true})
			}
		default:
			y := round(py(m.At))
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
	c.name(&d, px, py)
	return d, nil
}

// covers is how near, in px, one point hides another of its kind.
const covers = 2

// name lays out the points with their names: beside them where there is room, else
// above or below, never on each other. Proved points without a name are one path, and of
// those that lie on each other one is drawn: a library of a thousand rigs has as many.
func (c Chart) name(d *drawing, px, py func(float64) float64) {
	type place struct{ x, y int }
	seen := map[place]bool{}
	crowd := func(p Point) bool {
		if p.Name != "" || p.Kind != "proved" || p.Lo < p.Hi {
			return false
		}
		x, y := px(p.X), py(p.Y)
		at := place{int(x / covers), int(y / covers)}
		if !seen[at] {
			d.Crowd += "M" + coord(x) + " " + coord(y) + "h0"
			seen[at] = true
		}
		return true
	}
	c.Points = slices.DeleteFunc(slices.Clone(c.Points), func(p Point) bool { return !c.drawable(p.X, p.Y) })
	type rect struct{ x0, y0, x1, y1 float64 }
	var taken []rect
	for _, p := range c.Points {
		x, y := px(p.X), py(p.Y)
		taken = append(taken, rect{x - 6, y - 6, x + 6, y + 6})
	}
	text := func(x, y, long float64) rect { return rect{x, y - 11, x + long, y + 3} }
	covered := func(r rect) (cost float64) {
		for _, t := range taken {
			if w, h := math.Min(r.x1, t.x1)-math.Max(r.x0, t.x0), math.Min(r.y1, t.y1)-math.Max(r.y0, t.y0); w > 0 && h > 0 {
				cost += w + h
			}
		}
		return cost
	}
	for i, m := range d.Marks { // one across stands where it is; one down is named on its other side, or lower
		long := charWidth * float64(len([]rune(m.Name)))
		if m.X1 == m.X2 && covered(text(m.TX, m.TY, long)) > 0 {
			least := math.Inf(1)
			for _, at := range [][2]float64{{m.TX, m.TY}, {m.X1 - 4 - long, m.TY}, {m.X1 + 4, m.TY + 18}, {m.X1 - 4 - long, m.TY + 18}} {
				r := text(at[0], at[1], long)
				if cost := covered(r) + math.Max(0, 2-r.x0) + math.Max(0, r.x1-float64(d.Width)+2); cost < least {
					d.Marks[i].TX, d.Marks[i].TY, least = round(at[0]), at[1], cost
				}
			}
		}
		taken = append(taken, text(d.Marks[i].TX, d.Marks[i].TY, long))
	}
	// a name on a line is read, but worse than one beside it
	crossed := func(r rect) (cost float64) {
		for _, s := range c.Series {
			for i := range s.X {
				if x := s.X[i]; c.usable(s, i) && px(x) > r.x0 && px(x) < r.x1 && py(s.Y[i]) > r.y0-1 && py(s.Y[i]) < r.y1+1 {
					cost += 4
				}
			}
		}
		for _, m := range d.Marks {
			if m.X1 == m.X2 && m.X1 > r.x0 && m.X1 < r.x1 {
				cost += 4
			}
		}
		return math.Min(cost, 16)
	}
	for _, p := range c.Points {
		if crowd(p) {
			continue
		}
		q := point{X: round(px(p.X)), Y: round(py(p.Y)), Kind: p.Kind, Name: cut(safe.Line(p.Name), 26), Anchor: "start"}
		if p.Lo < p.Hi && c.drawable(p.X, p.Lo) && finite(p.Hi) {
			q.Lo, q.Hi = round(py(p.Lo)), round(py(p.Hi))
		}
		long := charWidth * float64(len([]rune(q.Name)))
		best, least := [2]float64{q.X + 9, q.Y + 4}, math.Inf(1)
		for _, off := range [][2]float64{{8, -8}, {-8 - long, -8}, {8, 17}, {-8 - long, 17}, {9, 4}, {-9 - long, 4}, {-long / 2, -12}, {-long / 2, 22}, {9, 32}, {-9 - long, -24}, {9, -24}, {-9 - long, 32}} {
			r := text(q.X+off[0], q.Y+off[1], long)
			cost := math.Max(0, 2-r.x0) + math.Max(0, r.x1-float64(d.Width)+2) + math.Max(0, d.Top-6-r.y0) + math.Max(0, r.y1-d.Base) + covered(r) + crossed(r)
			if cost < least {
				best, least = [2]float64{r.x0, r.y0 + 11}, cost
			}
		}
		q.TX, q.TY = round(math.Max(best[0], 2)), round(best[1])
		taken = append(taken, text(q.TX, q.TY, long))
		d.Points = append(d.Points, q)
	}
}

// cut keeps a name to n characters, by its middle.
func cut(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	head := (n - 1) * 2 / 3
	return string(r[:head]) + "…" + string(r[len(r)-(n-1-head):])
}

// clip keeps a label short enough to stand beside the lines; the page's table
// has the whole of it.
func clip(s string) string { return cut(s, 14) }

// spread opens a range that is a single point, or as good as one.
func spread(lo, hi float64, log bool) (float64, float64) {
	if hi-lo > 1e-12*math.Max(math.Max(math.Abs(lo), math.Abs(hi)), 1) {
		return lo, hi
	}
	if log {
		return lo / 2, hi * 2
	}
	w := math.Max(math.Abs(lo)/2, 0.5) // an open range of a sensible size
	return lo - w, hi + w
}

func round(v float64) float64 { return math.Round(v*10) / 10 }

// Rows gives the chart's numbers for the table beside it: at most n places along
// x, each with the value of every series there (NaN where it has none).
func (c Chart) Rows(n int) (xs []float64, ys [][]float64) {
	seen := map[float64]bool{}
	for _, s := range c.Series {
		for i := range s.X {
			if c.usable(s, i) && !seen[s.X[i]] {
				seen[s.X[i]] = true
				xs = append(xs, s.X[i])
			}
		}
	}
	sort.Float64s(xs)
	if n > 1 && len(xs) > n {
		var few []float64
		for k := range n {
			few = append(few, xs[k*(len(xs)-1)/(n-1)])
		}
		xs = few
	}
	for _, x := range xs {
		var row []float64
		for _, s := range c.Series {
			row = append(row, c.valueAt(s, x))
		}
		ys = append(ys, row)
	}
	return xs, ys
}

func (c Chart) valueAt(s Series, x float64) float64 {
	prev := -1
	for i := range s.X {
		if !c.usable(s, i) {
			continue
		}
		switch {
		case s.X[i] == x:
			return s.Y[i]
		case s.X[i] > x && prev >= 0 && s.Step:
			return s.Y[prev]
		case s.X[i] > x && prev >= 0:
			return s.Y[prev] + (s.Y[i]-s.Y[prev])*(x-s.X[prev])/(s.X[i]-s.X[prev])
		case s.X[i] > x:
			return math.NaN()
		}
		prev = i
	}
	return math.NaN()
}

// Write writes the chart as a file of its own, with its title above it.
func Write(w io.Writer, c Chart) error {
	d, err := c.lay("chart")
	if err != nil {
		return err
	}
	t, err := templates()
	if err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")
	if err := t.ExecuteTemplate(&b, "file", fileOf(d)); err != nil {
		return fmt.Errorf("the chart %q: %w", c.Title, err)
	}
	b.WriteByte('\n')
	_, err = io.WriteString(w, b.String())
	return err
}

// file is a chart that stands alone: under its title, on its own ground.
type file struct {
	drawing
	Lines  []titleLine
	Total  int
	Offset int
}

type titleLine struct {
	Y    int
	Text string
}

// fileOf folds the title to the width of the box.
func fileOf(d drawing) file {
	f := file{drawing: d}
	wide := int(float64(d.Width-12) / (charWidth * 1.08))
	line := ""
	flush := func() {
		if line != "" {
			f.Lines = append(f.Lines, titleLine{Y: 18 + 17*len(f.Lines), Text: cut(line, wide)})
		}
		line = ""
	}
	for _, word := range strings.Fields(d.Title) {
		if line != "" && len([]rune(line))+1+len([]rune(word)) > wide {
			flush()
		}
		line = strings.TrimSpace(line + " " + word)
	}
	flush()
	f.Offset = 8 + 17*len(f.Lines)
	f.Total = d.Height + f.Offset
	return f
}
