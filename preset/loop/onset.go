package loop

import (
	"math"
	"math/cmplx"
	"sort"

	"rigkeep/preset/domain"
)

// ray is the family of loops in which one factor k ≥ 0 is raised and the rest
// is held: the loop is at −1·e^(jθ) where k = −Q(jω),
//
//	Q = e^(jθ)/H + j (ω D − Ki/ω),
//
// H being what k multiplies and D, Ki the held terms. θ = 0 gives the edges of
// stability, θ = ±φ those of a phase margin φ.
type ray struct {
	h     factors
	d, ki float64
	theta float64
}

// q is Q at w with |1/H|.
func (r *ray) q(w float64) (re, im, a float64) {
	m, p, _, _ := r.h.eval(w)
	a = math.Exp(-m)
	s, c := math.Sincos(r.theta - p)
	im = a * s
	if r.d != 0 || r.ki != 0 {
		im += w*r.d - r.ki/w
	}
	return a * c, im, a
}

// edge is a factor k at which a root lies on the imaginary axis at jw.
type edge struct{ k, w float64 }

// imagQ is the curve Im Q.
type imagQ struct{ r *ray }

func (c imagQ) value(x *point) float64 {
	return math.Exp(-x.m())*math.Sin(c.r.theta-x.p()) + x.w*c.r.d - c.r.ki/x.w
}

func (c imagQ) bounds(x, y *point) (lo, hi float64) {
	mlo, mhi := mBounds(x, y)
	plo, phi := pBounds(x, y)
	t := trigOver(c.r.theta-phi, c.r.theta-plo)
	lo, hi = times(math.Exp(-mhi), math.Exp(-mlo), t.slo, t.shi)
	return lo + x.w*c.r.d - c.r.ki/x.w, hi + y.w*c.r.d - c.r.ki/y.w
}

func (c imagQ) slope(x, y *point) (lo, hi float64) {
	mlo, mhi := mBounds(x, y)
	plo, phi := pBounds(x, y)
	alo, ahi := aBounds(x, y)
	blo, bhi := bBounds(x, y)
	t := trigOver(c.r.theta-phi, c.r.theta-plo)
	l1, h1 := times(-ahi, -alo, t.slo, t.shi)
	l2, h2 := times(-bhi, -blo, t.clo, t.chi)
	lo, hi = times(math.Exp(-mhi), math.Exp(-mlo), l1+l2, h1+h2)
	return lo + x.w*c.r.d + c.r.ki/y.w, hi + y.w*c.r.d + c.r.ki/x.w
}

func (c imagQ) eval(f *factors, w float64) (v, dv float64) {
	m, p, sm, sp := f.eval(w)
	a := math.Exp(-m)
	s, co := math.Sincos(c.r.theta - p)
	return a*s + w*c.r.d - c.r.ki/w, a*(-sm*s-sp*co) + w*c.r.d + c.r.ki/w
}

// edges gives every k > 0 at which a root is on the imaginary axis, up to the
// first one of the range where, with a delay, further edges follow without end and each
// only takes a pair of roots to the right (see steady). Ascending in k.
func (r *ray) edges() ([]edge, error) {
	var out []edge
	if r.h.n0 == 0 && r.ki == 0 && r.theta == 0 {
		if re, _, _ := r.q(math.SmallestNonzeroFloat64); re < 0 {
			out = append(out, edge{-re, 0})
		}
	}
	var zs []zero
	var pb [48]panel
	if r.d == 0 && r.ki == 0 {
		level := r.theta - math.Pi
		lo, hi := r.h.phaseLow(level), 0.0
		if r.h.t > 0 {
			hi = r.steady()
			hi += (2*math.Pi + math.Pi*r.rootCount()) / r.h.t
		} else {
			hi = r.h.phaseHigh(level, r.h.highEnd(0))
		}
		panels := r.h.panels(math.Log(lo), math.Log(hi), nil, pb[:0])
		var err error
		if zs, err = r.h.phases(level, math.Inf(-1), panels, nil); err != nil {
			return nil, err
		}
	} else {
		lo, hi := r.low(), r.steady()
		if hi*r.h.t > budget {
			return nil, ErrUnresolved // each turn has its own edge
		}
		if r.h.t > 0 {
			hi += (4*math.Pi + math.Pi*r.rootCount()) / r.h.t
		} else {
			hi = r.high(hi)
		}
		panels := r.h.panels(math.Log(lo), math.Log(hi), nil, pb[:0])
		var err error
		if zs, err = isolate(&r.h, imagQ{r}, panels, nil, math.MaxInt); err != nil {
			return nil, err
		}
	}
	for _, z := range zs {
		w := math.Exp(z.u)
		if re, _, _ := r.q(w); re < 0 {
			out = append(out, edge{-re, w})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].k < out[j].k })
	return out, nil
}

func (r *ray) rootCount() float64 {
	num, den, _, _ := r.h.roots()
	return float64(num + den + 2)
}

// steady is a frequency above which, with a delay, every edge moves a pair of
// roots to the right as k rises, and edges rise in k: |1/H| climbs at least as
// ω^(2d/3), its phase with at least ωT/2, and both held terms are small beside it.
// (Re ds/dk has the sign of −Im dQ/du at an edge, which there is
// ωD(a+1) + (Ki/ω)(1−a) + b k with a = d ln|H|/du ≤ −2d/3 and b ≤ −ωT/2.)
func (r *ray) steady() float64 {
	num, den, _, most := r.h.roots()
	den += r.h.n0
	w := 1.0
	if most > 0 {
		w = most * 3 * float64(num+den) / float64(den-num)
	} else {
		m, _, _, _ := r.h.eval(1)
		w = math.Exp(m / float64(den))
	}
	var buf rootBuf
	roots := r.h.all(buf[:0])
	for range 400 {
		spread := 0.0
		for _, x := range roots {
			size := cmplx.Abs(x.at)
			spread += x.n * size / (w - size)
		}
		m, _, _, _ := r.h.eval(w)
		a := math.Exp(-m)
		turn := 1.0
		if r.h.t > 0 {
			turn = math.Min(1, w*r.h.t)
		}
		if (r.h.t == 0 || w*r.h.t > 2*spread) && a > 2*w*r.d && r.ki/w < 1e-3*a*turn {
			return w
		}
		w *= 1.3
	}
	return w
}

// low is a frequency below which Im Q keeps its sign.
func (r *ray) low() float64 {
	num, den, w, most := r.h.roots()
	if most == 0 {
		w = 1
		if r.d > 0 {
			m, _, _, _ := r.h.eval(1)
			w = math.Exp(m) * r.d // where J w = D
		}
	}
	w *= 1e-3
	n, least := float64(num+den), w*1e3
	var buf rootBuf
	rest := r.h.series(false, buf[:0])
	p0 := rest.limit
	base := math.Exp(-r.h.lnG)
	for range 400 {
		// over (0, w]: |1/H| = e^(−lnG) ω^n0 e^(±μ), the phase within reach of rest
		mu := 0.0
		if most > 0 {
			mu = n * w / least * 1.01
		}
		_, reach, _ := rest.moved(w)
		t := trigOver(r.theta-p0-reach, r.theta-p0+reach)
		slo, shi := t.slo, t.shi
		switch {
		case r.ki > 0:
			if base*math.Pow(w, float64(r.h.n0))*math.Exp(mu)+w*r.d < r.ki/w {
				return w
			}
		case r.h.n0 == 0 && math.Abs(math.Sin(r.theta-p0)) < 1e-9:
			// sin(ψ0+δ) = ±sin δ, δ = −c1 ω ± R
			more := reach/w - math.Abs(rest.c1)
			dlo, dhi := -rest.c1-more, -rest.c1+more
			if math.Cos(r.theta-p0) < 0 {
				dlo, dhi = -dhi, -dlo
			}
			lo, hi := times(dlo, dhi, base*math.Exp(-mu)*(1-reach*reach/6), base*math.Exp(mu))
			if lo+r.d > 0 || hi+r.d < 0 {
				return w
			}
		default:
			// the path over ω: grows with ω^(n0−1), so the far end bounds it
			lo, hi := times(slo, shi, base*math.Pow(w, float64(r.h.n0-1))*math.Exp(-mu), base*math.Pow(w, float64(r.h.n0-1))*math.Exp(mu))
			if r.h.n0 != 1 {
				// towards rest it runs to 0 or without end, with its sign
				lo, hi = math.Min(lo, 0), math.Max(hi, 0)
				if r.h.n0 == 0 && slo*shi > 0 {
					lo, hi = times(slo, shi, base/w*math.Exp(-mu), base/w*math.Exp(mu))
				}
			}
			if lo+r.d > 0 || hi+r.d < 0 {
				return w
			}
		}
		w /= 2
	}
	return w
}

// high is a frequency, at least w, above which Im Q of a loop without delay
// keeps its sign: the path's part is A sin ψ with ψ → ψ∞ + c/ω, growing at
// least as fast as ω D.
func (r *ray) high(w float64) float64 {
	f := &r.h
	var buf rootBuf
	s := f.series(true, buf[:0])
	_, _, _, most := f.roots()
	w = math.Max(w, 4*most)
	s0, c0 := math.Sincos(r.theta - s.limit)
	for range 60 {
		least, dev, sign := s.moved(1 / w)
		m, _, _, _ := f.eval(w)
		a := math.Exp(-m)
		if r.ki/w > 1e-3*w*r.d+1e-3*a*dev {
			w *= 2
			continue
		}
		switch {
		case math.Abs(s0) > 1e-9:
			if sin := math.Abs(s0) - dev; sin > 0 && (s0 > 0 || a*sin > 1.01*w*r.d) {
				return w
			}
		case sign*c0 < 0 && dev < 1: // ψ = θ − p leaves its limit the other way than p
			return w
		case a*dev < 0.99*w*r.d:
			return w
		case dev < 0.7 && a*0.9*least > 1.01*w*r.d && s.c1 != 0:
			return w
		}
		w *= 2
	}
	return w
}

// StableRange is a stretch of stiffness (or of the common factor) over which the loop is stable.
type StableRange struct {
	From, To   float64 // To may be +Inf
	WFrom, WTo float64 // rad/s of the oscillation at either end; 0 at 0, at +Inf and where the axis topples
}

// ranges tries the stretches between the edges; with first it stops behind the lowest stable one.
func ranges(edges []edge, first bool, stable func(k float64) (bool, error)) ([]StableRange, error) {
	var out []StableRange
	last := edge{}
	for i := 0; i <= len(edges); i++ {
		next := edge{k: math.Inf(1)}
		mid := 1.0
		switch {
		case i < len(edges) && last.k == 0:
			next = edges[i]
			mid = next.k / 2
		case i < len(edges):
			next = edges[i]
			mid = math.Sqrt(last.k * next.k)
		case last.k > 0:
			mid = last.k * 2
		}
		if next.k <= last.k*(1+1e-13) {
			continue
		}
		ok, err := stable(mid)
		if err != nil {
			return nil, err
		}
		switch {
		case ok && len(out) > 0 && out[len(out)-1].To == last.k:
			out[len(out)-1].To, out[len(out)-1].WTo = next.k, next.w // the edge between was only touched
		case first && !ok && len(out) > 0:
			return out, nil
		case ok:
			out = append(out, StableRange{last.k, next.k, last.w, next.w})
		}
		last = next
	}
	return out, nil
}

func (l Loop) commonRanges(first bool) ([]StableRange, error) {
	f := l.factors()
	r := ray{h: f}
	e, err := r.edges()
	if err != nil {
		return nil, err
	}
	return ranges(e, first, func(k float64) (bool, error) {
		g := f
		g.lnG += math.Log(k)
		var buf [16]zero
		c, err := g.count(buf[:0])
		return c.right == 0, err
	})
}

func (l Loop) stiffnessRanges(first bool) ([]StableRange, error) {
	if err := l.validate(false); err != nil {
		return nil, err
	}
	r := ray{h: l.path(), d: l.D, ki: l.Ki}
	e, err := r.edges()
	if err != nil {
		return nil, err
	}
	return ranges(e, first, func(k float64) (bool, error) {
		g := r.h.withController(k, l.D, l.Ki)
		var buf [16]zero
		c, err := g.count(buf[:0])
		return c.right == 0, err
	})
}

// Onset is where an axis begins to oscillate as something is raised from
// nothing: the upper end of the lowest stable range.
type Onset struct {
	// Exists is false if no value is stable, or if the loop stays stable
	// however far it is raised (then Ever is true).
	Exists bool
	Ever   bool // stable for every value above From
	From   float64
	// Multiplier is K/(the K of the loop): only for OnsetCommon.
	Multiplier float64
	K, D, Ki   float64 // at the onset; K is +Inf if Ever
	W          float64 // rad/s of the oscillation
	Hz         float64 // the same in Hz
	Period     float64 // s
}

func (o *Onset) at(r StableRange) {
	o.From = r.From
	if math.IsInf(r.To, 1) {
		o.Ever, o.K = true, r.To
		return
	}
	o.Exists, o.W, o.Hz = true, r.WTo, r.WTo/(2*math.Pi)
	if r.WTo > 0 {
		o.Period = 2 * math.Pi / r.WTo
	}
}

// OnsetCommon is the onset as stiffness, damping and integral term are raised
// together in the proportion the loop has them. From is a multiplier.
//
// Source: ultimate gain, Ziegler & Nichols, Trans. ASME 64 (1942) 759-768 (from
// memory), here for a loop given by its physics.
func (l Loop) OnsetCommon() (Onset, error) {
	if err := l.Validate(); err != nil {
		return Onset{}, err
	}
	rs, err := l.commonRanges(true)
	if err != nil || len(rs) == 0 {
		return Onset{}, err
	}
	var o Onset
	o.at(rs[0])
	o.Multiplier = rs[0].To
	if o.Exists {
		o.K, o.D, o.Ki = l.K*rs[0].To, l.D*rs[0].To, l.Ki*rs[0].To
	}
	return o, nil
}

// OnsetStiffness is the onset as the stiffness alone is raised with damping
// and integral term held. K of the loop itself is not used. From is a
// stiffness in N m/rad.
//
// Source: as StiffnessRanges.
func (l Loop) OnsetStiffness() (Onset, error) {
	rs, err := l.stiffnessRanges(true)
	if err != nil || len(rs) == 0 {
		return Onset{}, err
	}
	o := Onset{D: l.D, Ki: l.Ki}
	o.at(rs[0])
	if o.Exists {
		o.K = rs[0].To
	}
	return o, nil
}

// TooMuchLag is the error of an onset that no delay explains: the axis was seen
// to oscillate faster than it could with the lags the model has already.
type TooMuchLag struct {
	W       float64 // rad/s, the onset seen
	Surplus float64 // s by which the model lags too much
	K       float64 // N m/rad, the stiffness at onset the model would have there
}

func (e *TooMuchLag) Error() string { return e.Unwrap().Error() }

// Unwrap gives the same as a *domain.Error.
//
// Source: definition.
func (e *TooMuchLag) Unwrap() error {
	return &domain.Error{Model: "loop", Name: "frequency of the oscillation", Value: domain.Number(e.W) + " rad/s",
		Want: "one at which filters, friction and damping of the model lag less than 180° together",
		Do:   "the model lags " + domain.Number(e.Surplus*1000) + " ms too much already: check filters, damping and inertia"}
}

// DelayFromOnset gives the pure delay that explains an oscillation seen at w
// rad/s as K and D (and Ki) were raised together, from the phase, and the
// stiffness at onset the model then has, from the magnitude. Of the loop the
// delay is not used and K, D, Ki only for their proportion. Compare the
// stiffness with the one seen: their ratio is the error of the dial's scale.
//
// If the model's filters and friction alone lag more than 180° there, the error
// is a *TooMuchLag.
//
// Source: phase and magnitude conditions of the ultimate point (Åström &
// Hägglund, PID Controllers, ch. 2, from memory).
func (l Loop) DelayFromOnset(w float64) (delay, k float64, err error) {
	l.Delay = 0
	if err := l.Validate(); err != nil {
		return 0, 0, err
	}
	c := domain.Checker{Model: "loop"}
	c.Positive("frequency of the oscillation", w, "rad/s")
	c.That(!(w < smallest || w > largest), "frequency of the oscillation", w, "a size between 1e-9 and 1e9 rad/s", "check its unit")
	if err := c.Err(); err != nil {
		return 0, 0, err
	}
	f := l.factors()
	m, p, _, _ := f.eval(w)
	delay = (p + math.Pi) / w
	if k = l.K * math.Exp(-m); delay < 0 {
		return 0, 0, &TooMuchLag{W: w, Surplus: -delay, K: k}
	}
	return delay, k, nil
}
