// Package textchart draws a chart of package svg with the characters of a terminal:
// readable at 80 columns, without colour, in ASCII where need be.
package textchart

import (
	"fmt"
	"math"
	"strings"

	"github.com/mattn/go-runewidth"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/svg"
)

// Signs tell the lines apart; the first line lies over the others.
var Signs = []byte("*o+x#%")

// limits of a drawing, in characters.
const (
	leastWidth, mostWidth = 30, 200
	leastHeight           = 4
	legendGap             = "  "
)

// Draw gives the chart as lines of text, at most width columns wide, its picture
// height lines high. ascii leaves out signs that only Unicode has. The error is
// svg.ErrEmpty where no series has a finite point.
func Draw(c svg.Chart, width, height int, ascii bool) (string, error) {
	width = min(max(width, leastWidth), mostWidth)
	height = max(height, leastHeight)
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, s := range c.Series {
		for i := range s.X {
			if finite(s.X[i]) && finite(s.Y[i]) {
				x0, x1 = math.Min(x0, s.X[i]), math.Max(x1, s.X[i])
				y0, y1 = math.Min(y0, s.Y[i]), math.Max(y1, s.Y[i])
			}
		}
	}
	if x0 > x1 {
		return "", svg.ErrEmpty
	}
	for _, m := range c.Marks {
		if m.Down {
			x0, x1 = math.Min(x0, m.At), math.Max(x1, m.At)
		} else {
			y0, y1 = math.Min(y0, m.At), math.Max(y1, m.At)
		}
	}
	if c.YMin != nil {
		y0 = math.Min(y0, *c.YMin)
	}
	if c.YMax != nil {
		y1 = math.Max(y1, *c.YMax)
	}
	x0, x1 = spread(x0, x1)
	y0, y1 = spread(y0, y1)
	g := grid{h: height, x0: x0, x1: x1, y0: y0, y1: y1, logX: c.LogX && x0 > 0}
	labels := map[int]string{0: axisLabel(y1), height - 1: axisLabel(y0)}
	if height > 5 {
		labels[(height-1)/2] = axisLabel(g.yAt((height - 1) / 2))
	}
	left := 0
	for _, l := range labels {
		left = max(left, len(l))
	}
	w := width - left - 2
	g.w = w
	g.cells = make([][]byte, height)
	for i := range g.cells {
		g.cells[i] = []byte(strings.Repeat(" ", w))
	}
	for _, m := range c.Marks {
		g.mark(m)
	}
	for i := len(c.Series) - 1; i >= 0; i-- {
		g.line(c.Series[i], Signs[i%len(Signs)])
	}
	var b strings.Builder
	wall := "│"
	corner, floor := "└", "─"
	if ascii {
		wall, corner, floor = "|", "+", "-"
	}
	if c.YLabel != "" {
		b.WriteString(safe.Line(c.YLabel) + "\n")
	}
	for i, row := range g.cells {
		b.WriteString(strings.TrimRight(fmt.Sprintf("%*s ", left, labels[i])+wall+string(row), " ") + "\n")
	}
	b.WriteString(strings.Repeat(" ", left+1) + corner + strings.Repeat(floor, w) + "\n")
	lo, hi := axisLabel(x0), axisLabel(x1)
	mid := safe.Line(c.XLabel)
	room := w - len(lo) - len(hi)
	mid = runewidth.Truncate(mid, max(0, room-2), "")
	pad := max(0, room-runewidth.StringWidth(mid))
	b.WriteString(strings.Repeat(" ", left+2) + lo + strings.Repeat(" ", pad/2) + mid + strings.Repeat(" ", pad-pad/2) + hi + "\n")
	b.WriteString(legend(c, left+2, width))
	return b.String(), nil
}

func legend(c svg.Chart, left, width int) string {
	var items []string
	for i, s := range c.Series {
		if s.Name != "" {
			items = append(items, string(Signs[i%len(Signs)])+" "+safe.Line(s.Name))
		}
	}
	for _, m := range c.Marks {
		sign := "."
		if m.Down {
			sign = ":"
		}
		if m.Name != "" {
			items = append(items, sign+" "+safe.Line(m.Name))
		}
	}
	var b strings.Builder
	line := strings.Repeat(" ", left)
	for _, it := range items {
		if strings.TrimSpace(line) != "" && runewidth.StringWidth(line+legendGap+it) > width {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = strings.Repeat(" ", left)
		}
		if strings.TrimSpace(line) != "" {
			line += legendGap
		}
		line += runewidth.Truncate(it, max(1, width-left), "")
	}
	if strings.TrimSpace(line) != "" {
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	return b.String()
}

func finite(v float64) bool { return math.Abs(v) < 1e300 } // false for NaN; the span of two must not overflow

// spread gives a range some width where it has none.
func spread(lo, hi float64) (float64, float64) {
	if hi-lo > 1e-12*math.Max(math.Abs(lo), math.Abs(hi)) {
		return lo, hi
	}
	d := math.Max(math.Abs(lo)*0.1, 1)
	return lo - d, hi + d
}

// axisLabel is a value beside an axis, in as few characters as it can take: not a number to read off.
func axisLabel(v float64) string { return fmt.Sprintf("%.4g", v) }

type grid struct {
	cells          [][]byte
	w, h           int
	x0, x1, y0, y1 float64
	logX           bool
}

func (g *grid) col(x float64) int {
	s := (x - g.x0) / (g.x1 - g.x0)
	if g.logX {
		s = math.Log(x/g.x0) / math.Log(g.x1/g.x0)
	}
	return int(math.Round(s * float64(g.w-1)))
}

func (g *grid) row(y float64) int {
	return g.h - 1 - int(math.Round((y-g.y0)/(g.y1-g.y0)*float64(g.h-1)))
}

func (g *grid) yAt(row int) float64 {
	return g.y0 + (g.y1-g.y0)*float64(g.h-1-row)/float64(g.h-1)
}

func (g *grid) put(col, row int, sign byte) {
	if col >= 0 && col < g.w && row >= 0 && row < g.h {
		g.cells[row][col] = sign
	}
}

func (g *grid) mark(m svg.Mark) {
	if m.Down {
		for r := range g.h {
			g.put(g.col(m.At), r, ':')
		}
		return
	}
	for c := range g.w {
		g.put(c, g.row(m.At), '.')
	}
}

// line draws a series: a sign in each column it passes, and in each row it crosses;
// only its points where they are few and measured.
func (g *grid) line(s svg.Series, sign byte) {
	has := false
	var pc, pr int
	for i := range s.X {
		if !finite(s.X[i]) || !finite(s.Y[i]) || g.logX && s.X[i] <= 0 {
			has = false
			continue
		}
		c, r := g.col(s.X[i]), g.row(s.Y[i])
		g.put(c, r, sign)
		if has && !s.Dots {
			n := max(abs(c-pc), abs(r-pr))
			for k := 1; k < n; k++ {
				g.put(pc+int(math.Round(float64(k*(c-pc))/float64(n))), pr+int(math.Round(float64(k*(r-pr))/float64(n))), sign)
			}
		}
		has, pc, pr = true, c, r
	}
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}
