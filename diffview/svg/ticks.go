package svg

import (
	"math"
	"strconv"
	"strings"

	"rigkeep/diffview/safe"
)

type tick struct {
	At   float64
	Text string
	Mid  float64 // of a text along x, moved in from the edge
}

// logTicks are powers of ten in a range, with 2 and 5 between where they are few.
func logTicks(lo, hi float64) (at []float64, labels []string) {
	steps := []float64{1, 2, 5}
	if math.Log10(hi/lo) > 3 {
		steps = []float64{1}
	}
	for e := math.Floor(math.Log10(lo)); e <= math.Log10(hi); e++ {
		for _, m := range steps {
			if v := m * math.Pow(10, e); v >= lo*0.999 && v <= hi*1.001 {
				at, labels = append(at, v), append(labels, strconv.FormatFloat(v, 'g', 4, 64))
			}
		}
	}
	if at == nil {
		at, labels = []float64{lo}, []string{strconv.FormatFloat(lo, 'g', 3, 64)}
	}
	return at, labels
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
func (l *layout) xTicks() []tick {
	var all []tick
	switch {
	case l.Ticks != nil:
		for _, t := range l.Ticks {
			if t.At >= l.x0 && t.At <= l.x1 {
				name := t.Short
				if name == "" {
					name = t.Name
				}
				all = append(all, tick{At: round(l.px(t.At)), Text: cut(safe.Line(name), 18)})
			}
		}
	case l.LogX:
		for e := math.Floor(math.Log10(l.x0)); e <= math.Log10(l.x1); e++ {
			for _, m := range []float64{1, 2, 5} {
				if v := m * math.Pow(10, e); v >= l.x0*0.999 && v <= l.x1*1.001 {
					all = append(all, tick{At: round(l.px(v)), Text: strconv.FormatFloat(v, 'g', 4, 64)})
				}
			}
		}
	default:
		ts := niceTicks(l.x0, l.x1, 5)
		for i, text := range tickLabels(ts) {
			if ts[i] >= l.x0-1e-9*(l.x1-l.x0) && ts[i] <= l.x1+1e-9*(l.x1-l.x0) {
				all = append(all, tick{At: round(l.px(ts[i])), Text: text})
			}
		}
	}
	var out []tick
	end := math.Inf(-1)
	for _, t := range all {
		half := charWidth*float64(len([]rune(t.Text)))/2 + 4
		t.Mid = round(math.Min(math.Max(t.At, half), float64(l.d.Width)-half))
		if t.Mid-half < end {
			continue
		}
		out = append(out, t)
		end = t.Mid + half
	}
	return out
}
