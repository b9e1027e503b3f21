package learn

import (
	"cmp"
	"math"
	"slices"
)

// Robust holds the constants of the outlier rule. Both are choices, not
// measurements (common practice, no source).
type Robust struct {
	// Cut is how many robust standard deviations a tune may lie from the line
	// before it is believed less. 2.5 touches about one clean tune in eighty.
	Cut float64
	// MaxIter bounds the reweighting passes.
	MaxIter int
}

// DefaultRobust is Cut 2.5 and at most 50 passes.
var DefaultRobust = Robust{Cut: 2.5, MaxIter: 50}

// minRobust is the least number of observations from which one may be called
// an outlier: of two that disagree nobody can say which is wrong.
const minRobust = 3

// Outlier names an observation that was believed less.
type Outlier struct {
	Index int     // into the data
	Z     float64 // distance from the line in robust standard deviations, signed
	Trust float64 // factor on its count, 0 to 1
}

// UpdateRobust is Update with outliers believed less: a tune further than Cut
// robust standard deviations from the line has its count multiplied by
// (Cut/|z|)², so that what it adds to the scatter stays bounded and what it adds
// to the line fades with its distance. The search starts at the prior's slope
// and the weighted median intercept, so that a gross error cannot hide itself
// by pulling the line; the robust standard deviation is the weighted median
// absolute residual × 1.4826, pooled with the prior's scatter because a median
// of few residuals is no estimate. Fewer than three observations: plain Update.
// Outliers come in order of index; trust has one value per observation.
//
// Source: iteratively reweighted least squares with a redescending weight
// (Huber, Robust Statistics, ch. 7; Hampel et al. 1986; from memory).
func (p Prior) UpdateRobust(d Data, jRef float64, opt Robust) (post Posterior, trust []float64, out []Outlier, err error) {
	if err := checkRef(jRef); err != nil {
		return Posterior{}, nil, nil, err
	}
	if err := d.check(); err != nil {
		return Posterior{}, nil, nil, err
	}
	if !(opt.Cut > 0) || opt.MaxIter < 1 {
		return Posterior{}, nil, nil, inputErr("outlier rule", opt, "a positive cut and at least one pass")
	}
	x, y := d.logs(jRef)
	n := len(x)
	trust = make([]float64, n)
	for i := range trust {
		trust[i] = 1
	}
	if n < minRobust {
		post, err = p.update(x, y, d.Weight, d.Count, jRef)
		return post, trust, nil, err
	}
	wt, ct := weightAt(d.Weight), weightAt(d.Count)
	var total float64
	base := make([]float64, n)
	for i := range base {
		base[i] = ct(i)
		total += base[i]
	}
	m := weightedMedian{vals: make([]weighted, n)}
	slope := p.Mean[1]
	mid := m.median(n, func(i int) (float64, float64) { return y[i] - slope*x[i], base[i] * wt(i) })
	scale := func(b0, b1 float64) float64 {
		mad := 1.4826 * m.median(n, func(i int) (float64, float64) {
			return math.Abs(y[i]-b0-b1*x[i]) * math.Sqrt(wt(i)), base[i]
		})
		return math.Sqrt((2*p.B0 + total*mad*mad) / (2*p.A0 + total))
	}
	b0, b1 := mid, slope
	s := scale(b0, b1)
	z := make([]float64, n)
	count := make([]float64, n)
	// The scale is found anew in the first passes only, then held: with both moving
	// a redescending rule can cycle.
	const scalePasses = 3
	for pass := 0; pass < opt.MaxIter; pass++ {
		change := 0.0
		for i := range z {
			z[i] = (y[i] - b0 - b1*x[i]) * math.Sqrt(wt(i)) / s
			t := 1.0
			if a := math.Abs(z[i]); a > opt.Cut {
				t = opt.Cut / a
				t *= t
			}
			change = math.Max(change, math.Abs(t-trust[i]))
			trust[i] = t
			count[i] = base[i] * t
		}
		if post, err = p.update(x, y, d.Weight, count, jRef); err != nil {
			return Posterior{}, nil, nil, err
		}
		b0, b1 = post.Mean[0], post.Mean[1]
		if pass < scalePasses {
			s = scale(b0, b1)
		} else if change < 1e-9 {
			break
		}
	}
	for i := range z {
		if trust[i] < 1 {
			out = append(out, Outlier{Index: i, Z: z[i], Trust: trust[i]})
		}
	}
	return post, trust, out, nil
}

type weighted struct{ v, w float64 }

// weightedMedian finds weighted medians over one reused buffer.
type weightedMedian struct{ vals []weighted }

func (m *weightedMedian) median(n int, at func(int) (v, w float64)) float64 {
	var total float64
	for i := range n {
		v, w := at(i)
		m.vals[i] = weighted{v, w}
		total += w
	}
	slices.SortFunc(m.vals[:n], func(a, b weighted) int { return cmp.Compare(a.v, b.v) })
	var sum float64
	for i, e := range m.vals[:n] {
		sum += e.w
		if sum > total/2 {
			return e.v
		}
		if sum == total/2 && i+1 < n {
			return (e.v + m.vals[i+1].v) / 2
		}
	}
	return m.vals[n-1].v
}
