package svg

import (
	"math"
	"sort"
	"strconv"
	"strings"
)

// maxPoints bounds a line: more than the box has columns cannot be seen.
const maxPoints = 280

// polylines turns a series into some; a long one keeps the least and greatest
// point of each bundle, so that no peak is lost.
func (l *layout) polylines(s Series) []string {
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
		if !l.usable(s, i) {
			flush()
			continue
		}
		x, y := l.px(s.X[i]), l.py(s.Y[i])
		if s.Step && len(run) > 0 {
			run = append(run, [2]float64{x, run[len(run)-1][1]})
		}
		run = append(run, [2]float64{x, y})
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

// coord is a coordinate of SVG, which is not for people.
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
