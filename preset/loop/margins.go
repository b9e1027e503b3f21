package loop

import (
	"math"
	"math/cmplx"
)

// GainCrossover is a frequency at which |L| = 1.
type GainCrossover struct {
	W       float64 // rad/s
	PhaseM  float64 // rad in (−π, π]: how far the phase is from −180°, ahead of it if positive
	DelayM  float64 // s, the further delay that would bring L to −1 here
	Falling bool    // |L| falls with frequency here
}

// PhaseCrossover is a frequency at which L is real and negative.
type PhaseCrossover struct {
	W       float64 // rad/s; 0 for the static crossing of a toppling axis
	Factor  float64 // 1/|L|: the factor on K, D and Ki together that brings L to −1 here
	Falling bool    // the phase falls with frequency here
}

// Margins says how far one axis is from oscillating. All margins of an
// unstable loop are 0, and Rightmost and the restoring factors tell more.
type Margins struct {
	Stability

	// Gain has every gain crossover, ascending. Phase has the phase crossovers
	// with |L| above 0.01, ascending, and at least the first one beyond if there
	// is none with |L| < 1 among them (a delay makes endless weaker ones);
	// of a long steady run only the first and last 16.
	Gain  []GainCrossover
	Phase []PhaseCrossover

	GM    float64 // factor on K, D, Ki together up to oscillation, above 1; +Inf if nothing stops it
	GMdB  float64 // 20 log10(GM)
	WPC   float64 // rad/s, where; 0 if GM is +Inf
	GMLow float64 // factor, below 1, down to oscillation or toppling; 0 if there is none
	// WPCLow is where, rad/s; 0 is toppling, if GMLow is not 0.
	WPCLow float64

	// PMDeg is the phase margin in degrees at the gain crossover nearest −180°: how
	// far the phase may turn there, either way. (More lag first where
	// Gain says PhaseM > 0; a resonance may leave one where less lag comes
	// first.) +Inf without gain crossover.
	PMDeg  float64
	WGC    float64 // rad/s, that crossover; 0 without one
	DelayM float64 // s, least over all gain crossovers; +Inf without one

	Ms  float64 // maximum sensitivity, max |1/(1+L)|, at least 1
	WMs float64 // rad/s, where; +Inf if Ms is 1, approached at high frequency

	// Bandwidth is the first frequency, rad/s, at which |L/(1+L)| has fallen to
	// 1/√2 of its value at rest.
	Bandwidth float64

	Rightmost Root // of an unstable or marginal loop
	// Lower is the factor below 1, nearest 1, at which an unstable loop becomes
	// stable as K, D and Ki are lowered together; Raise the one above 1 if they
	// are raised. 0 if there is none.
	Lower, Raise float64
}

const (
	weakest = 0.01 // |L| below which phase crossovers are left out
	msTol   = 1e-7 // relative, how far Ms may be below the true supremum
)

// Margins gives stability and all margins of the loop.
//
// Source: definitions as in Åström & Murray, Feedback Systems, ch. 10, and
// Skogestad & Postlethwaite, Multivariable Feedback Control, ch. 2 (from
// memory); the search is this package's (see its comment).
func (l Loop) Margins() (Margins, error) {
	if err := l.Validate(); err != nil {
		return Margins{}, err
	}
	f := l.factors()
	return f.margins()
}

func (f *factors) margins() (Margins, error) {
	full := *f // with what cancel drops
	var gbuf, pbuf [16]zero
	c, err := f.count(gbuf[:0])
	if err != nil {
		return Margins{}, err
	}
	m := Margins{Stability: c.verdict()}
	m.Gain = make([]GainCrossover, len(c.gains))
	for i, g := range c.gains {
		w := math.Exp(g.u)
		_, p, _, _ := f.eval(w)
		pm := wrap(p + math.Pi)
		dm := pm
		if dm < 0 {
			dm += 2 * math.Pi
		}
		m.Gain[i] = GainCrossover{w, pm, dm / w, !g.rising}
	}
	if m.Marginal {
		m.Rightmost, err = full.rightmost()
		return m, err
	}
	phase, err := f.phaseCrossovers(c.gains, pbuf[:0])
	if err != nil {
		return Margins{}, err
	}
	m.Phase = phase
	if !m.Stable {
		if m.Rightmost, err = full.rightmost(); err != nil {
			return Margins{}, err
		}
		m.Lower, m.Raise, err = full.restore(phase)
		return m, err
	}
	m.GM = math.Inf(1)
	for _, x := range phase {
		if x.Factor > 1 && x.Factor < m.GM {
			m.GM, m.WPC = x.Factor, x.W
		}
		if x.Factor < 1 && x.Factor > m.GMLow {
			m.GMLow, m.WPCLow = x.Factor, x.W
		}
	}
	m.GMdB = 20 * math.Log10(m.GM)
	m.PMDeg, m.DelayM = math.Inf(1), math.Inf(1)
	for _, g := range m.Gain {
		if pm := math.Abs(g.PhaseM); pm < m.PMDeg {
			m.PMDeg, m.WGC = pm, g.W
		}
		m.DelayM = math.Min(m.DelayM, g.DelayM)
	}
	m.PMDeg *= 180 / math.Pi
	if m.Ms, m.WMs, err = f.maxSensitivity(c.gains, phase); err != nil {
		return Margins{}, err
	}
	m.Bandwidth, err = f.bandwidth()
	return m, err
}

// phaseCrossovers gives the crossovers as Margins.Phase documents them.
func (f *factors) phaseCrossovers(gains []zero, buf []zero) ([]PhaseCrossover, error) {
	hi := f.highEnd(math.Log(weakest))
	lo := f.phaseLow(-math.Pi)
	var extra [16]float64
	cuts := extra[:0]
	for _, g := range gains {
		cuts = append(cuts, g.u)
	}
	var pb [48]panel
	panels := f.panels(math.Log(lo), math.Log(hi), cuts, pb[:0])
	zs, err := f.phases(-math.Pi, math.Log(weakest), panels, buf)
	if err != nil {
		return nil, err
	}
	weak := false
	for _, z := range zs {
		if m, _, _, _ := f.eval(math.Exp(z.u)); m < 0 {
			weak = true
		}
	}
	if !weak {
		// |L| falls steadily from hi on, so the first one beyond is the strongest
		end := hi
		if f.t > 0 {
			num, den, _, _ := f.roots()
			end += (2*math.Pi + math.Pi*float64(num+den+1)) / f.t
		} else {
			end = f.phaseHigh(-math.Pi, hi)
		}
		// from the last gain crossover on: one below weakest may lie before hi
		from := math.Log(lo)
		if len(gains) > 0 {
			from = gains[len(gains)-1].u
		}
		panels = f.panels(from, math.Log(end), nil, pb[:0])
		var more [48]zero
		found, err := f.phases(-math.Pi, math.Inf(-1), panels, more[:0])
		if err != nil {
			return nil, err
		}
		best, bm := -1, math.Inf(-1)
		for i, z := range found {
			if m, _, _, _ := f.eval(math.Exp(z.u)); m < 0 && m > bm {
				best, bm = i, m
			}
		}
		if best >= 0 {
			zs = append(zs, found[best])
		}
	}
	var out []PhaseCrossover
	if _, p0, _, _ := f.eval(math.SmallestNonzeroFloat64); f.n0 == 0 && math.Abs(wrap(p0+math.Pi)) < 1e-9 {
		out = append(out, PhaseCrossover{0, math.Exp(-f.lnG), false})
	}
	for _, z := range zs {
		w := math.Exp(z.u)
		m, _, _, _ := f.eval(w)
		out = append(out, PhaseCrossover{w, math.Exp(-m), !z.rising})
	}
	return out, nil
}

// restore finds the nearest factors below and above 1 at which the loop
// turns stable, trying the stretches between the factors of its crossovers.
func (f *factors) restore(phase []PhaseCrossover) (lower, raise float64, err error) {
	stable := func(lo, hi float64) (bool, error) {
		g := *f
		switch {
		case lo == 0:
			g.lnG += math.Log(hi / 2)
		case math.IsInf(hi, 1):
			g.lnG += math.Log(lo * 2)
		default:
			g.lnG += 0.5 * (math.Log(lo) + math.Log(hi))
		}
		var buf [16]zero
		c, err := g.count(buf[:0])
		return c.right == 0, err
	}
	at := 1.0
	for at > 0 {
		next := 0.0
		for _, x := range phase {
			if x.Factor < at && x.Factor > next {
				next = x.Factor
			}
		}
		if at < 1 {
			ok, err := stable(next, at)
			if err != nil {
				return 0, 0, err
			}
			if ok {
				lower = at
				break
			}
		}
		at = next
	}
	at = 1.0
	for !math.IsInf(at, 1) {
		next := math.Inf(1)
		for _, x := range phase {
			if x.Factor > at && x.Factor < next {
				next = x.Factor
			}
		}
		if at > 1 {
			ok, err := stable(at, next)
			if err != nil {
				return 0, 0, err
			}
			if ok {
				raise = at
				break
			}
		}
		at = next
	}
	return lower, raise, nil
}

// distance2 is |1+L|².
func distance2(m, p float64) float64 {
	a := math.Exp(m)
	// (1−a)² + 2a(1+cos p), without the loss of 1 + 2a cos p + a² near −1
	c := math.Cos(p / 2)
	return (1-a)*(1-a) + 4*a*c*c
}

// trig bounds cosine and sine over an interval of angles.
type trig struct{ clo, chi, slo, shi float64 }

func trigOver(lo, hi float64) trig {
	s1, c1 := math.Sincos(lo)
	s2, c2 := math.Sincos(hi)
	t := trig{min(c1, c2), max(c1, c2), min(s1, s2), max(s1, s2)}
	// quarter turns inside the interval are the extremes
	k1, k2 := math.Floor(lo*(2/math.Pi)), math.Floor(hi*(2/math.Pi))
	if k2-k1 >= 4 {
		return trig{-1, 1, -1, 1}
	}
	for k := k1 + 1; k <= k2; k++ {
		switch int(math.Mod(k, 4)+4) % 4 {
		case 0:
			t.chi = 1
		case 1:
			t.shi = 1
		case 2:
			t.clo = -1
		case 3:
			t.slo = -1
		}
	}
	return t
}

// maxSensitivity is max 1/|1+L| with its frequency.
func (f *factors) maxSensitivity(gains []zero, phase []PhaseCrossover) (ms, w float64, err error) {
	n := nearest{1, math.Inf(1)}
	for _, g := range gains {
		_, p, _, _ := f.eval(math.Exp(g.u))
		n.see(g.u, 0, p)
	}
	for _, x := range phase {
		if x.W > 0 {
			n.see(math.Log(x.W), -math.Log(x.Factor), math.Pi)
		}
	}
	if f.n0 == 0 {
		_, p, _, _ := f.eval(math.SmallestNonzeroFloat64)
		n.see(math.Inf(-1), f.lnG, p)
	}
	var cuts [2]float64
	floor, bottom := cuts[:0], math.NaN()
	if u, ok := f.deepest(gains, phase); ok {
		m, p, _, _ := f.eval(math.Exp(u))
		n.see(u, m, p)
		bottom = u
		if h := f.floorOf(u); h > 0 {
			floor = append(floor, u-h, u+h)
		}
	}
	if err := f.search(&n, floor); err != nil {
		return 0, 0, err
	}
	switch {
	case math.IsInf(n.u, 1):
		return 1, n.u, nil
	case math.IsInf(n.u, -1):
		return 1 / math.Sqrt(n.d), 0, nil
	}
	// the best point is within 1e-3 of the bottom of its valley, if not at it
	if n.u != bottom {
		if u, ok := f.valley(n.u-1e-3, n.u+1e-3); ok {
			m, p, _, _ := f.eval(math.Exp(u))
			n.see(u, m, p)
		}
	}
	return 1 / math.Sqrt(n.d), math.Exp(n.u), nil
}

// nearest is the point of L seen so far that is nearest to −1: |1+L|² and ln ω.
type nearest struct{ d, u float64 }

func (n *nearest) see(u, m, p float64) {
	if d := distance2(m, p); d < n.d {
		n.d, n.u = d, u
	}
}

// deepest is the valley of |1+L| between the last crossover of the gain and the next one
// of the phase: the deepest, as a rule. Found at once and its floor left out, it saves
// most of the search.
func (f *factors) deepest(gains []zero, phase []PhaseCrossover) (u float64, ok bool) {
	if len(gains) == 0 {
		return 0, false
	}
	u = gains[len(gains)-1].u
	for _, x := range phase {
		if v := math.Log(x.W); v > u {
			return f.valley(u, v)
		}
	}
	return 0, false
}

// search sees the point of L that is nearest to −1, by branch and bound: an interval is
// dropped if the sector that holds L stays farther from −1 than the best point found,
// within msTol, or if the slope of |1+L|² excludes it. floor is an interval to leave out.
func (f *factors) search(best *nearest, floor []float64) error {
	// beyond hi |1+L| > 1−|L|; below lo |L| > 2 and |1+L| > 1
	small := math.Max(1-math.Sqrt(best.d*(1-msTol)), msTol/2)
	hi, lo := f.highEnd(math.Log(small)), f.lowEnd(math.Ln2)
	var pb [48]panel
	panels := f.panels(math.Log(lo), math.Log(hi), floor, pb[:0])
	b := bisect()
	defer b.end()
	for i := range panels {
		p := &panels[i]
		if len(floor) > 0 && p.lo >= floor[0] && p.hi <= floor[1] {
			continue
		}
		b.begin(f, p)
		for _, x := range [...]*point{&b.stack[0].x, &b.stack[0].y} {
			best.see(x.u, x.m(), x.p())
		}
		for b.n > 0 {
			q := b.next()
			if q == nil {
				return ErrUnresolved
			}
			if b.full() || f.fartherThan(&q.x, &q.y, best.d*(1-msTol)) {
				continue
			}
			m := b.halve(f, p, q)
			best.see(m.u, m.m(), m.p())
		}
	}
	return nil
}

// fartherThan shows that |1+L|² is at least least all over the cell, or that
// it is so but for points already seen at the cell's ends: because the
// sector that holds L is that far from −1, or because the slope
//
//	d|1+L|²/du = 2|L| e,  e = a (cos p + |L|) − b sin p,
//
// has one sign, or is too small to get down to least from either end.
func (f *factors) fartherThan(x, y *point, least float64) bool {
	mlo, mhi := mBounds(x, y)
	plo, phi := pBounds(x, y)
	t := trigOver(plo, phi)
	lo, hi := math.Exp(mlo), math.Exp(mhi)
	a := min(max(-t.clo, lo), hi)
	if (1-a)*(1-a)+2*a*(1+t.clo) >= least {
		return true
	}
	if phi-plo > math.Pi/2 {
		return false
	}
	alo, ahi := aBounds(x, y)
	blo, bhi := bBounds(x, y)
	l1, h1 := times(alo, ahi, t.clo+lo, t.chi+hi)
	l2, h2 := times(blo, bhi, t.slo, t.shi)
	elo, ehi := l1-h2, h1-l2
	if elo > 0 || ehi < 0 {
		return true
	}
	ends := min(distance2(x.m(), x.p()), distance2(y.m(), y.p()))
	return ends-(y.u-x.u)*hi*max(-elo, ehi) >= least
}

// floorOf is a half-width h around a stationary u of D = |1+L|² within which D
// is at least D(u): by Taylor's theorem for h ≤ 3 D″/B, B bounding |D‴|. With
// Λ = d ln L/du, a sum over the roots r of ±λ, λ = jω/(jω−r),
//
//	λ′ = λ(1−λ),  λ″ = (1−2λ)λ′,  1−λ = −r/(jω−r),
//	D″ = 2 Re((1+L)* L″) + 2|L′|²,  D‴ = 2 Re((1+L)* L‴) + 6 Re(L′* L″).
func (f *factors) floorOf(u float64) float64 {
	const most = 0.1
	w := math.Exp(u)
	m, p, a, b := f.eval(w)
	lo, hi := w*math.Exp(-most), w*math.Exp(most)
	// bounds of |Λ′|, |Λ″| over [lo, hi], and Λ′ at u
	c2, c3 := hi*f.t, hi*f.t
	d := complex(0, -w*f.t)
	add := func(sgn float64, r complex128) {
		im := min(max(imag(r), lo), hi)
		gap := math.Hypot(real(r), im-imag(r)) // least |jω−r|
		size := cmplx.Abs(r)
		x, y := hi/gap, size/gap
		c2 += x * y
		c3 += x * y * (x + y)
		l := complex(0, w) / (complex(0, w) - r)
		d += complex(sgn, 0) * l * (1 - l)
	}
	var buf rootBuf
	for _, r := range f.all(buf[:0]) {
		add(r.sgn, r.at)
		if r.n == 2 {
			add(r.sgn, cmplx.Conj(r.at))
		}
	}
	l := cmplx.Rect(math.Exp(m), p)
	la := complex(a, b)
	l1, l2 := la*l, (la*la+d)*l
	curve := 2*real(cmplx.Conj(1+l)*l2) + 2*real(l1*cmplx.Conj(l1))
	// tighter than the sums: the value at u and how far it can move
	s1, s2 := cmplx.Abs(la)+most*c2, cmplx.Abs(d)+most*c3
	size := math.Exp(m + most*s1)                  // |L|
	dist := cmplx.Abs(1+l) + most*s1*size          // |1+L|
	second, third := s1*s1+s2, s1*s1*s1+3*s1*s2+c3 // |L″|/|L|, |L‴|/|L|
	bound := 2*dist*third*size + 6*s1*second*size*size
	return min(most, 2.9*curve/bound)
}

// valley solves distanceSlope = 0 between a and b by regula falsi (Illinois).
func (f *factors) valley(a, b float64) (float64, bool) {
	fa, fb := f.distanceSlope(a), f.distanceSlope(b)
	if !(fa < 0 && fb > 0) {
		return 0, false
	}
	u := a
	for range 60 {
		last := u
		u = (a*fb - b*fa) / (fb - fa)
		fu := f.distanceSlope(u)
		if fu == 0 || math.Abs(u-last) < 1e-9 {
			break
		}
		if fu < 0 {
			a, fa, fb = u, fu, fb/2
		} else {
			b, fb, fa = u, fu, fa/2
		}
	}
	return u, true
}

// distanceSlope has the sign of d|1+L|²/du.
func (f *factors) distanceSlope(u float64) float64 {
	m, p, sm, sp := f.eval(math.Exp(u))
	s, c := math.Sincos(p)
	return sm*(c+math.Exp(m)) - sp*s
}

// times is the product of two intervals.
func times(alo, ahi, blo, bhi float64) (lo, hi float64) {
	a, b, c, d := alo*blo, alo*bhi, ahi*blo, ahi*bhi
	return min(a, b, c, d), max(a, b, c, d)
}

// closedLoop is the curve k|L|² − |1+L|², positive where |L/(1+L)|² > 1/k.
type closedLoop struct{ k float64 }

func (c closedLoop) value(x *point) float64 {
	a := math.Exp(x.m())
	return (c.k-1)*a*a - 2*a*math.Cos(x.p()) - 1
}

func (c closedLoop) bounds(x, y *point) (lo, hi float64) {
	mlo, mhi := mBounds(x, y)
	plo, phi := pBounds(x, y)
	alo, ahi := math.Exp(mlo), math.Exp(mhi)
	t := trigOver(plo, phi)
	l1, h1 := times(alo, ahi, t.clo, t.chi)
	l2, h2 := (c.k-1)*alo*alo, (c.k-1)*ahi*ahi
	if c.k < 1 {
		l2, h2 = h2, l2
	}
	return l2 - 2*h1 - 1, h2 - 2*l1 - 1
}

func (c closedLoop) slope(x, y *point) (lo, hi float64) {
	// over 2|L|: ((k−1)|L| − cos p) a + b sin p
	mlo, mhi := mBounds(x, y)
	plo, phi := pBounds(x, y)
	alo, ahi := aBounds(x, y)
	blo, bhi := bBounds(x, y)
	l, h := times(c.k-1, c.k-1, math.Exp(mlo), math.Exp(mhi))
	t := trigOver(plo, phi)
	l1, h1 := times(l-t.chi, h-t.clo, alo, ahi)
	l2, h2 := times(blo, bhi, t.slo, t.shi)
	return l1 + l2, h1 + h2
}

func (c closedLoop) eval(f *factors, w float64) (v, dv float64) {
	m, p, sm, sp := f.eval(w)
	a := math.Exp(m)
	s, co := math.Sincos(p)
	return (c.k-1)*a*a - 2*a*co - 1, 2 * a * (((c.k-1)*a-co)*sm + sp*s)
}

// bandwidth is the first frequency at which |L/(1+L)| is 1/√2 of its value at rest.
func (f *factors) bandwidth() (float64, error) {
	rest := 1.0
	if f.n0 == 0 {
		_, p, _, _ := f.eval(math.SmallestNonzeroFloat64)
		rest = math.Exp(2*f.lnG) / distance2(f.lnG, p)
	}
	// |L| above 4: |L/(1+L)| > 0.8; |L| below x: less than x/(1−x)
	x := math.Sqrt(rest / 2)
	lo, hi := f.lowEnd(math.Log(4)), f.highEnd(math.Log(0.99*x/(1+x)))
	var pb [48]panel
	panels := f.panels(math.Log(lo), math.Log(hi), nil, pb[:0])
	var zb [4]zero
	zs, err := isolate(f, closedLoop{2 / rest}, panels, zb[:0], 1)
	if err != nil || len(zs) == 0 {
		return 0, err
	}
	return math.Exp(zs[0].u), nil
}
