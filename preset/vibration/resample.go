package vibration

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Method is how rows are brought to an even grid.
type Method string

// The methods. The empty Method is chosen by Analyse.
const (
	None   Method = "none"
	Linear Method = "linear"
	Cubic  Method = "cubic" // spline, not-a-knot ends
)

// Resample gives a signal, known at rising times t (s), at rate Hz from the first
// time on, to the last within it. Errors are *domain.Error: lengths that differ, fewer
// than two samples, times that do not rise, a rate not above 0 or one that would
// make more than 50 million samples, an unknown method (None is one here).
//
// Source: linear, or the cubic spline with not-a-knot ends (de Boor, A Practical
// Guide to Splines, ch. IV), in the form scipy.interpolate.CubicSpline solves it.
func Resample(t, x []float64, rate float64, how Method) ([]float64, error) {
	if len(t) != len(x) || len(t) < 2 {
		return nil, refuse("number of samples", len(x), "as many as times, at least 2", "")
	}
	for i, v := range t {
		if math.IsNaN(v) || math.IsNaN(x[i]) || math.IsInf(x[i], 0) || i > 0 && !(v > t[i-1]) {
			return nil, refuse("time of a sample", v, "times that rise, and values that are numbers", "")
		}
	}
	last := t[len(t)-1]
	count := math.Floor((last-t[0])*rate + 1e-9)
	if !(rate > 0) || !(count < maxRows) {
		return nil, refuse("rate to resample to (Hz)", rate, "a number above 0 that makes at most 50 million samples", "")
	}
	value := func(i int, u float64) float64 { return x[i] + (x[i+1]-x[i])*(u-t[i])/(t[i+1]-t[i]) }
	switch {
	case how == Cubic && len(t) > 3:
		d, err := slopes(t, x)
		if err != nil {
			return nil, err
		}
		value = func(i int, u float64) float64 { // Hermite form on one interval
			h := t[i+1] - t[i]
			s := (u - t[i]) / h
			chord := (x[i+1] - x[i]) / h
			a, b := d[i]-chord, d[i+1]-chord
			return x[i] + h*s*(chord+(1-s)*(a*(1-s)-b*s))
		}
	case how != Linear && how != Cubic:
		return nil, refuse("method of resampling", how, `"linear" or "cubic"`, "")
	}
	out := make([]float64, int(count)+1)
	i := 0
	for k := range out {
		u := math.Min(t[0]+float64(k)/rate, last)
		for i < len(t)-2 && t[i+1] <= u {
			i++
		}
		out[k] = value(i, u)
	}
	return out, nil
}

// slopes solves for the spline's slopes at the knots, at least four.
func slopes(t, x []float64) ([]float64, error) {
	n := len(t)
	h, c := make([]float64, n-1), make([]float64, n-1) // widths, chords
	for i := range h {
		h[i] = t[i+1] - t[i]
		c[i] = (x[i+1] - x[i]) / h[i]
	}
	low, diag, up, b := make([]float64, n-1), make([]float64, n), make([]float64, n-1), make([]float64, n)
	for i := 1; i < n-1; i++ {
		low[i-1], diag[i], up[i] = h[i], 2*(h[i-1]+h[i]), h[i-1]
		b[i] = 3 * (h[i]*c[i-1] + h[i-1]*c[i])
	}
	w := t[2] - t[0]
	diag[0], up[0] = h[1], w
	b[0] = ((h[0]+2*w)*h[1]*c[0] + h[0]*h[0]*c[1]) / w
	w = t[n-1] - t[n-3]
	diag[n-1], low[n-2] = h[n-3], w
	b[n-1] = (h[n-2]*h[n-2]*c[n-3] + (2*w+h[n-2])*h[n-3]*c[n-2]) / w
	var out mat.VecDense
	if err := mat.NewTridiag(n, low, diag, up).SolveVecTo(&out, false, mat.NewVecDense(n, b)); err != nil {
		return nil, refuse("time steps", err, "steps of like size", "cut the log at its gaps")
	}
	return out.RawVector().Data, nil
}

// piece is a stretch of rows without a gap.
type piece struct{ from, to int }

// pieces cuts the log at its gaps.
func (l *Log) pieces() []piece {
	var out []piece
	from := 0
	for _, g := range l.Timing.Gaps {
		out = append(out, piece{from, g.index})
		from = g.index
	}
	return append(out, piece{from, len(l.Time)})
}

func (l *Log) lasts(p piece) float64 { return l.Time[p.to-1] - l.Time[p.from] }
