// Package svg draws small line charts that can be read on a phone and on paper:
// large text, the page's own text colour, lines told apart by dash as well as
// by colour and labelled where they end, and a title and description for those
// who cannot see them.
package svg

import (
	"errors"
	"fmt"
	"io"
	"math"
	"sort"
	"strconv"
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
	Series []Series
	Marks  []Mark
	// Ticks take the place of numbers along x, as for jobs.
	Ticks []Tick
	// YMin and YMax widen the range of y, as to show zero or a limit.
	YMin, YMax *float64
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
}

// Mark is a thin line across at Y, or down at X where Down is set.
type Mark struct {
	Name string
	At   float64
	Down bool
}

// Tick is a named place along x. Short stands on the picture in the name's place,
// where there is one.
type Tick struct {
	At          float64
	Name, Short string
}

// ErrEmpty says that a chart has no point to draw.
var ErrEmpty = errors.New("nothing to draw: no series has a finite point")

// The box in which everything is drawn, in SVG units. On a phone 390 px wide a
// unit is about 0.65 px, so 22 is the least for text (seen in Chromium).
const (
	boxWidth  = 560
	boxHeight = 360
	textSize  = 22
	charWidth = 12.0 // about the mean of a sans-serif at textSize
)

// Colours are for two to six lines: Okabe and Ito's set for all kinds of colour
// vision, those of it that stand out on white and on black.
// Source: M. Okabe and K. Ito, Color Universal Design, 2008 (values from memory).
var Colours = []string{"#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00"}

// Dashes go with Colours.
var Dashes = []string{"", "12 7", "3 7", "18 6 4 6", "8 4", "2 4"}

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
}

type tick struct {
	At   float64
	Text string
	Mid  float64 // of a text along x, moved in from the edge
}

type line struct {
	Name, Colour, Dash string
	Parts              []string // polyline points
	Dots               [][2]float64
	LabelX, LabelY     float64
	EndX, EndY         float64
}

type mark struct {
	Name   string
	X1, Y1 float64
	X2, Y2 float64
	TX, TY float64
}

// largest is the size beyond which a number is taken as not drawable; ticks and
// coordinates keep their precision below it.
const largest = 1e12

func finite(v float64) bool { return math.Abs(v) <= largest }

func (c Chart) usable(s Series, i int) bool {
	return i < len(s.Y) && finite(s.X[i]) && finite(s.Y[i]) && (!c.LogX || s.X[i] > 1/largest)
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
	if !(x1 >= x0) {
		return drawing{}, ErrEmpty
	}
	for _, v := range []*float64{c.YMin, c.YMax} {
		if v != nil && finite(*v) {
			y0, y1 = math.Min(y0, *v), math.Max(y1, *v)
		}
	}
	for _, m := range c.Marks {
		if !m.Down && finite(m.At) {
			y0, y1 = math.Min(y0, m.At), math.Max(y1, m.At)
		}
	}
	x0, x1 = spread(x0, x1, c.LogX)
	for _, s := range c.Series {
		if s.Dots && !c.LogX { // keep the outer dots clear of the labels
			w := 0.04 * (x1 - x0)
			x0, x1 = x0-w, x1+w
			break
		}
	}
	yt := niceTicks(y0, y1, 5)
	y0, y1 = spread(math.Min(y0, yt[0]), math.Max(y1, yt[len(yt)-1]), false)
	widest := 0
	labels := tickLabels(yt)
	for _, l := range labels {
		widest = max(widest, len([]rune(l)))
	}
	d := drawing{
		ID: id, Title: safe.Line(c.Title), Desc: safe.Line(c.Desc), Width: boxWidth, Height: boxHeight,
		Left: 14 + charWidth*float64(widest), Top: 44, Base: boxHeight - 66,
		XLabel: safe.Line(c.XLabel), YLabel: safe.Line(c.YLabel), YLabelY: 22, XLabelY: boxHeight - 8,
	}
	d.Right = boxWidth - 12
	if longest > 0 && len(c.Series) > 1 {
		d.Right = boxWidth - 16 - charWidth*float64(longest)
	}
	px := func(x float64) float64 {
		if c.LogX {
			return d.Left + (d.Right-d.Left)*math.Log(x/x0)/math.Log(x1/x0)
		}
		return d.Left + (d.Right-d.Left)*(x-x0)/(x1-x0)
	}
	py := func(y float64) float64 { return d.Base - (d.Base-d.Top)*(y-y0)/(y1-y0) }
	for i, y := range yt {
		d.YTicks = append(d.YTicks, tick{At: round(py(y)), Text: labels[i]})
	}
	d.XTicks = c.xTicks(x0, x1, px, d)
	for i, s := range c.Series {
		look := i
		if s.Look > 0 {
			look = s.Look - 1
		}
		l := line{Colour: Colours[look%len(Colours)], Dash: Dashes[look%len(Dashes)]}
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
		l.LabelX, l.LabelY = d.Right+8, l.EndY+7
		d.Lines = append(d.Lines, l)
	}
	apart(d.Lines, d.Top+8, d.Base+7)
	for _, m := range c.Marks {
		switch {
		case !finite(m.At) || m.Down && (m.At < x0 || m.At > x1):
		case m.Down:
			x := round(px(m.At))
			tx := math.Min(x+6, d.Right-charWidth*float64(len([]rune(clip(m.Name)))))
			d.Marks = append(d.Marks, mark{clip(safe.Line(m.Name)), x, d.Top, x, d.Base, round(tx), d.Top + 18})
		default:
			y := round(py(m.At))
			ty := y - 6
			if ty < d.Top+14 {
				ty = y + 22
			}
			d.Marks = append(d.Marks, mark{clip(safe.Line(m.Name)), d.Left, y, d.Right, y, d.Left + 8, round(ty)})
		}
	}
	return d, nil
}

// clip keeps a label short enough to stand beside the lines; the page's table
// has the whole of it.
func clip(s string) string {
	r := []rune(s)
	if len(r) > 10 {
		return string(r[:9]) + "…"
	}
	return s
}

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

// maxPoints bounds a line: more than the box has columns cannot be seen.
const maxPoints = 280

// points turns a series into polylines; a long one keeps the least and greatest
// point of each bundle, so that no peak is lost.
func (c Chart) points(s Series, px, py func(float64) float64) []string {
	var out []string
	var run [][2]float64
	flush := func() {
		if len(run) > maxPoints {
			run = thin(run)
		}
		var b strings.Builder
		for i, p := range run {
			if i > 0 {
				b.WriteByte(' ')
			}
			b.WriteString(coord(p[0]) + "," + coord(p[1]))
		}
		if len(run) > 0 {
			out = append(out, b.String())
		}
		run = nil
	}
	for i := range s.X {
		if !c.usable(s, i) {
			flush()
			continue
		}
		run = append(run, [2]float64{px(s.X[i]), py(s.Y[i])})
	}
	flush()
	return out
}

func thin(run [][2]float64) [][2]float64 {
	out := [][2]float64{run[0]}
	bundle := (len(run) + maxPoints/2 - 1) / (maxPoints / 2)
	for i := 1; i < len(run)-1; i += bundle {
		j := min(i+bundle, len(run)-1)
		lo, hi := i, i
		for k := i; k < j; k++ {
			if run[k][1] < run[lo][1] {
				lo = k
			}
			if run[k][1] > run[hi][1] {
				hi = k
			}
		}
		out = append(out, run[min(lo, hi)])
		if lo != hi {
			out = append(out, run[max(lo, hi)])
		}
	}
	return append(out, run[len(run)-1])
}

func coord(v float64) string { return strconv.FormatFloat(round(v), 'f', -1, 64) }

// apart moves labels that would cover each other, keeping their order.
func apart(ls []line, top, base float64) {
	order := make([]int, len(ls))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return ls[order[a]].LabelY < ls[order[b]].LabelY })
	const need = textSize + 2
	for k, i := range order {
		least := top
		if k > 0 {
			least = ls[order[k-1]].LabelY + need
		}
		ls[i].LabelY = math.Max(ls[i].LabelY, least)
	}
	most := base
	for k := len(order) - 1; k >= 0; k-- {
		i := order[k]
		ls[i].LabelY = round(math.Min(ls[i].LabelY, most))
		most = ls[i].LabelY - need
	}
}

// niceTicks are about n round numbers that cover a range.
func niceTicks(lo, hi float64, n int) []float64 {
	lo, hi = spread(lo, hi, false)
	raw := (hi - lo) / float64(n-1)
	mag := math.Pow(10, math.Floor(math.Log10(raw)))
	step := mag
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if step = m * mag; step >= raw*0.999 {
			break
		}
	}
	var out []float64
	for k := math.Floor(lo/step + 1e-9); len(out) < 20; k++ {
		out = append(out, k*step)
		if k*step >= hi-step*1e-9 {
			break
		}
	}
	return out
}

// tickLabels write numbers of one scale with equal decimals.
func tickLabels(ts []float64) []string {
	dec := 0
	if len(ts) > 1 {
		step := math.Abs(ts[1] - ts[0])
		for dec < 8 && math.Abs(math.Round(step*math.Pow10(dec))-step*math.Pow10(dec)) > 1e-6*step*math.Pow10(dec) {
			dec++
		}
	}
	out := make([]string, len(ts))
	for i, t := range ts {
		s := strconv.FormatFloat(t, 'f', dec, 64)
		if strings.Trim(s, "-0.") == "" {
			s = strings.TrimPrefix(s, "-")
		}
		out[i] = s
	}
	return out
}

// xTicks are numbers along x, or the chart's own names, as many as have room.
func (c Chart) xTicks(x0, x1 float64, px func(float64) float64, d drawing) []tick {
	var all []tick
	switch {
	case c.Ticks != nil:
		for _, t := range c.Ticks {
			if t.At >= x0 && t.At <= x1 {
				name := t.Short
				if name == "" {
					name = t.Name
				}
				all = append(all, tick{At: round(px(t.At)), Text: clip(safe.Line(name))})
			}
		}
	case c.LogX:
		for e := math.Floor(math.Log10(x0)); e <= math.Log10(x1); e++ {
			for _, m := range []float64{1, 2, 5} {
				if v := m * math.Pow(10, e); v >= x0*0.999 && v <= x1*1.001 {
					all = append(all, tick{At: round(px(v)), Text: strconv.FormatFloat(v, 'g', 4, 64)})
				}
			}
		}
	default:
		ts := niceTicks(x0, x1, 5)
		for i, l := range tickLabels(ts) {
			if ts[i] >= x0-1e-9*(x1-x0) && ts[i] <= x1+1e-9*(x1-x0) {
				all = append(all, tick{At: round(px(ts[i])), Text: l})
			}
		}
	}
	var out []tick
	end := math.Inf(-1)
	for _, t := range all {
		half := charWidth*float64(len([]rune(t.Text)))/2 + 4
		t.Mid = round(math.Min(math.Max(t.At, half), boxWidth-half))
		if t.Mid-half < end {
			continue
		}
		out = append(out, t)
		end = t.Mid + half
	}
	return out
}

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
		case s.X[i] > x && prev >= 0:
			return s.Y[prev] + (s.Y[i]-s.Y[prev])*(x-s.X[prev])/(s.X[i]-s.X[prev])
		case s.X[i] > x:
			return math.NaN()
		}
		prev = i
	}
	return math.NaN()
}

// Write writes the chart as a file of its own.
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
	if err := t.ExecuteTemplate(&b, "chart", d); err != nil {
		return fmt.Errorf("the chart %q: %w", c.Title, err)
	}
	b.WriteByte('\n')
	_, err = io.WriteString(w, b.String())
	return err
}
