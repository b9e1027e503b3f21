package loop

import (
	"math"
	"sort"
	"strconv"

	"rigkeep/preset/domain"
)

// Raise says what moves when the stiffness is changed.
type Raise int

const (
	// RaiseTogether moves damping and integral term in proportion.
	RaiseTogether Raise = iota
	// RaiseStiffness holds damping and integral term.
	RaiseStiffness
)

// Limits are the margins a starting stiffness has to keep.
type Limits struct {
	GM    float64 // least gain margin, a factor of 1 or more, on K, D and Ki together
	PMDeg float64 // least phase margin, degrees, 0 to below 180
	Ms    float64 // greatest maximum sensitivity, above 1
	// GMLow is the greatest lower gain margin, above 0 to 1: 0.5 asks that the
	// loop stay stable with half of everything. 0 asks nothing.
	GMLow float64
}

// Start is the largest stiffness that keeps the limits.
type Start struct {
	Feasible  bool
	K, D, Ki  float64 // K is +Inf if nothing limits it
	LimitedBy string  // "gm", "pm", "Ms" or "gm_low": the limit that is nearest; "" if nothing limits
	Margins   Margins // at K; of the loop as given if not feasible or not limited
}

func (lim Limits) validate() error {
	c := domain.Checker{Model: "loop"}
	c.That(lim.GM >= 1 && !math.IsInf(lim.GM, 1), "least gain margin", lim.GM, "a factor of 1 or more", "2 is a common choice (common practice, no source)")
	c.That(lim.PMDeg >= 0 && lim.PMDeg < 180, "least phase margin", lim.PMDeg, "degrees from 0 to below 180", "")
	c.That(lim.Ms > 1 && !math.IsInf(lim.Ms, 1), "greatest sensitivity", lim.Ms, "a number above 1", "no loop stays below 1 at every frequency")
	c.That(lim.GMLow >= 0 && lim.GMLow <= 1, "greatest lower gain margin", lim.GMLow, "a factor from above 0 to 1, or 0 for no such limit", "")
	return c.Err()
}

// LargestStiffness is the largest K whose loop is stable and meets all limits,
// D and Ki moving with K or held as how says. The set of such K need not be
// one interval: the top of the highest one is returned. K of the loop is used
// only for its proportion to D and Ki with RaiseTogether.
//
// Every edge of the stability, gain and phase limits is found as a real value
// of a curve over frequency; the stretches between are tried from the top. For
// the sensitivity each frequency forbids an interval of K, namely where
// |K + Q(jω)| < |1/H(jω)|/Ms; the search goes down to the lower end of the interval
// of the worst frequency until none forbids, so that no allowed K is passed over.
//
// Source: definitions of the margins as for Margins; the level-set step after
// Boyd & Balakrishnan, Systems & Control Letters 15 (1990) 1-7 (from memory).
func (l Loop) LargestStiffness(lim Limits, how Raise) (Start, error) {
	return l.largestUpTo(lim, how, math.Inf(1))
}

// largestUpTo is LargestStiffness among the K up to most.
func (l Loop) largestUpTo(lim Limits, how Raise, most float64) (Start, error) {
	if how != RaiseTogether && how != RaiseStiffness {
		return Start{}, &domain.Error{Model: "loop", Name: "what moves with the stiffness", Value: strconv.Itoa(int(how)), Want: "RaiseTogether or RaiseStiffness"}
	}
	if err := l.validate(how == RaiseTogether); err != nil {
		return Start{}, err
	}
	if err := lim.validate(); err != nil {
		return Start{}, err
	}
	r := l.rising(how)
	ks, err := r.edges(lim)
	if err != nil {
		return Start{}, err
	}
	none := Start{K: 0}
	free := r.line(1, 0)
	for i := len(ks); i >= 0; i-- {
		lo, hi, mid := stretch(ks, i)
		if lo >= most {
			continue
		}
		if hi <= lo*(1+1e-12) {
			continue
		}
		ok, err := lim.hold(r.at(mid))
		if err != nil {
			return none, err
		}
		if !ok {
			continue
		}
		k, err := lowerToMs(math.Min(hi, most), lo, lim.Ms, r.at, &free)
		if err != nil {
			return none, err
		}
		if k == 0 {
			continue
		}
		return r.start(k, lim)
	}
	return none, nil
}

// rising is a loop whose stiffness moves, and damping and integral term with it or not.
type rising struct {
	Loop
	how Raise
	f   factors // together: L/K; alone: the path without its controller
}

func (l Loop) rising(how Raise) *rising {
	r := &rising{Loop: l, how: how}
	if how == RaiseTogether {
		r.f = l.factors()
		r.f.lnG -= math.Log(l.K)
	} else {
		r.f = l.path()
	}
	return r
}

// at gives L for a stiffness k.
func (r *rising) at(k float64) factors {
	if r.how == RaiseTogether {
		g := r.f
		g.lnG += math.Log(k)
		return g
	}
	return r.f.withController(k, r.D, r.Ki)
}

// line is the ray with the held terms scaled by g.
func (r *rising) line(g, theta float64) ray {
	if r.how == RaiseTogether {
		return ray{h: r.f, theta: theta}
	}
	return ray{h: r.f, d: r.D * g, ki: r.Ki * g, theta: theta}
}

// edges are the stiffnesses at which the loop begins or ceases to be stable, or to keep a
// gain or phase limit, in rising order.
func (r *rising) edges(lim Limits) ([]float64, error) {
	var ks []float64
	add := func(g, theta float64) error {
		line := r.line(g, theta)
		e, err := line.edges()
		for _, x := range e {
			ks = append(ks, x.k/g)
		}
		return err
	}
	gains := []float64{1, lim.GM}
	if lim.GMLow > 0 {
		gains = append(gains, lim.GMLow)
	}
	for _, g := range gains {
		if err := add(g, 0); err != nil {
			return nil, err
		}
	}
	angle := lim.PMDeg * math.Pi / 180
	for _, th := range [...]float64{angle, -angle} {
		if err := add(1, th); err != nil {
			return nil, err
		}
	}
	sort.Float64s(ks)
	return ks, nil
}

// stretch is what lies below the edge i, and a stiffness inside it.
func stretch(ks []float64, i int) (lo, hi, mid float64) {
	lo, hi = 0.0, math.Inf(1)
	if i > 0 {
		lo = ks[i-1]
	}
	if i < len(ks) {
		hi = ks[i]
	}
	switch {
	case lo == 0 && math.IsInf(hi, 1):
		mid = 1
	case lo == 0:
		mid = hi / 2
	case math.IsInf(hi, 1):
		mid = lo * 2
	default:
		mid = math.Sqrt(lo * hi)
	}
	return lo, hi, mid
}

// hold says whether a loop is stable and keeps the gain and phase limits.
func (lim Limits) hold(f factors) (bool, error) {
	var gb, pb [16]zero
	c, err := f.count(gb[:0])
	if err != nil {
		return false, err
	}
	if v := c.verdict(); !v.Stable {
		return false, nil
	}
	angle := lim.PMDeg * math.Pi / 180
	for _, g := range c.gains {
		if _, p, _, _ := f.eval(math.Exp(g.u)); math.Abs(wrap(p+math.Pi)) < angle {
			return false, nil
		}
	}
	ph, err := f.phaseCrossovers(c.gains, pb[:0])
	for _, x := range ph {
		if x.Factor > 1 && x.Factor < lim.GM || x.Factor < 1 && lim.GMLow > 0 && x.Factor > lim.GMLow {
			return false, err
		}
	}
	return true, err
}

// start is the result for a stiffness k that keeps all limits.
func (r *rising) start(k float64, lim Limits) (Start, error) {
	s := Start{Feasible: true, K: k, D: r.D, Ki: r.Ki}
	together := r.how == RaiseTogether
	if math.IsInf(k, 1) {
		if together && r.D > 0 {
			s.D = k
		}
		if together && r.Ki > 0 {
			s.Ki = k
		}
		return s, nil
	}
	if together {
		s.D, s.Ki = r.D*k/r.K, r.Ki*k/r.K
	}
	f := r.at(k)
	var err error
	if s.Margins, err = f.margins(); err != nil {
		return Start{}, err
	}
	s.LimitedBy = lim.nearest(&s.Margins)
	return s, nil
}

// lowerToMs goes down from hi to the largest k above lo whose sensitivity is at
// most ms; 0 if there is none.
func lowerToMs(hi, lo, ms float64, at func(float64) factors, r *ray) (float64, error) {
	k := hi
	if math.IsInf(k, 1) {
		// nothing but the sensitivity can limit: as k grows without end |L| does,
		// and the worst point moves up in frequency; look far up
		k = math.Max(lo, 1) * 1e9
	}
	for range 200 {
		f := at(k)
		var buf [16]zero
		gains, err := f.gains(buf[:0])
		if err != nil {
			return 0, err
		}
		worst, w, err := f.maxSensitivity(gains, nil)
		if err != nil {
			return 0, err
		}
		if worst <= ms*(1+1e-9) {
			if math.IsInf(hi, 1) && k >= math.Max(lo, 1)*1e9 {
				return hi, nil
			}
			return k, nil
		}
		if w == 0 {
			w = math.SmallestNonzeroFloat64
		}
		re, im, a := r.q(w)
		next := -re - math.Sqrt(math.Max(0, a*a/(ms*ms)-im*im))
		if !(next < k) {
			next = k * (1 - 1e-12)
		}
		if next <= lo {
			return 0, nil
		}
		k = next
	}
	return k, nil
}

// nearest names the limit with the least room, relative to itself.
func (lim Limits) nearest(m *Margins) string {
	name, least := "Ms", lim.Ms/m.Ms-1
	see := func(n string, room float64) {
		if room < least {
			name, least = n, room
		}
	}
	see("gm", m.GM/lim.GM-1)
	if lim.PMDeg > 0 {
		see("pm", m.PMDeg/lim.PMDeg-1)
	} else {
		see("pm", m.PMDeg)
	}
	if lim.GMLow > 0 && m.GMLow > 0 {
		see("gm_low", lim.GMLow/m.GMLow-1)
	}
	return name
}
