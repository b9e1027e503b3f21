// Package svg draws small line charts that can be read on a phone and on paper:
// large text, the page's own colours, lines told apart by dash and weight and
// labelled where they end, limits as a named line with a tinted zone beyond, and a
// title and description for those who cannot see them.
package svg

import (
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"sort"
	"strings"
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
