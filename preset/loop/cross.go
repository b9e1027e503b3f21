package loop

import "math"

// budget is the greatest number of cells one search may look at.
const budget = 60000

// curve is a function of u = ln w whose range and slope over a cell the points
// at its ends bound.
type curve interface {
	value(x *point) float64
	bounds(x, y *point) (lo, hi float64)
	slope(x, y *point) (lo, hi float64)
	// exact value and slope, for refining
	eval(f *factors, w float64) (v, dv float64)
}

// zero is one solution of curve = 0.
type zero struct {
	u      float64
	rising bool
}

type cell struct{ x, y point }

// isolate finds every zero of c in the panels, in rising order: a cell is
// dropped if its bounds exclude 0, solved if its slope has one sign, and
// otherwise halved. A zero that only touches within rounding is not reported:
// the curve does not change sign there.
func isolate[C curve](f *factors, c C, panels []panel, out []zero, most int) ([]zero, error) {
	var stack [64]cell
	left := budget
	for i := range panels {
		p := &panels[i]
		stack[0] = cell{f.at(p.lo, p), f.at(p.hi, p)}
		n := 1
		for n > 0 {
			if left--; left < 0 {
				return out, ErrUnresolved
			}
			n--
			q := &stack[n]
			if lo, hi := c.bounds(&q.x, &q.y); lo > 0 || hi < 0 {
				continue
			}
			vx, vy := c.value(&q.x), c.value(&q.y)
			lo, hi := c.slope(&q.x, &q.y)
			narrow := q.y.u-q.x.u < 1e-13*(1+math.Abs(q.x.u)) || n >= len(stack)-2
			if lo > 0 || hi < 0 || narrow {
				if (vx < 0) != (vy < 0) {
					out = append(out, zero{refine(f, c, q.x.u, q.y.u, vx < 0), vx < 0})
					if len(out) >= most {
						return out, nil
					}
				}
				continue
			}
			m := f.at((q.x.u+q.y.u)/2, p)
			y := q.y
			stack[n].y = m
			stack[n+1] = stack[n]
			stack[n] = cell{m, y} // the left half on top, so that zeros come in order
			n += 2
		}
	}
	return out, nil
}

// refine solves c = 0 between a and b, where c changes sign once, by Newton's
// method kept inside the bracket.
func refine[C curve](f *factors, c C, a, b float64, rising bool) float64 {
	u := (a + b) / 2
	for range 100 {
		v, dv := c.eval(f, math.Exp(u))
		if v == 0 {
			return u
		}
		if (v < 0) == rising {
			a = u
		} else {
			b = u
		}
		next := u - v/dv
		if !(next > a && next < b) {
			next = (a + b) / 2
		}
		if math.Abs(next-u) <= 2e-16*(1+math.Abs(u)) {
			return next
		}
		u = next
	}
	return u
}

// magnitude is the curve ln|L|.
type magnitude struct{}

func (magnitude) value(x *point) float64              { return x.m() }
func (magnitude) bounds(x, y *point) (lo, hi float64) { return mBounds(x, y) }
func (magnitude) slope(x, y *point) (lo, hi float64)  { return aBounds(x, y) }
func (magnitude) eval(f *factors, w float64) (v, dv float64) {
	v, _, dv, _ = f.eval(w)
	return
}

// gains gives the frequencies at which |L| = 1, ascending.
func (f *factors) gains(out []zero) ([]zero, error) {
	lo, hi := math.Log(f.lowEnd(0.1)), math.Log(f.highEnd(-0.1))
	var buf [48]panel
	panels, err := f.panels(lo, hi, nil, buf[:0])
	if err != nil {
		return out, err
	}
	return isolate(f, magnitude{}, panels, out, math.MaxInt)
}

// phaseAt is the curve phase − level.
type phaseAt struct{ level float64 }

func (c phaseAt) value(x *point) float64 { return x.p() - c.level }
func (c phaseAt) bounds(x, y *point) (lo, hi float64) {
	lo, hi = pBounds(x, y)
	return lo - c.level, hi - c.level
}
func (c phaseAt) slope(x, y *point) (lo, hi float64) { return bBounds(x, y) }
func (c phaseAt) eval(f *factors, w float64) (v, dv float64) {
	_, v, _, dv = f.eval(w)
	return v - c.level, dv
}

// turn numbers the sheet of the phase: it steps up by one where the phase
// rises through level + 2πk.
func turn(p, level float64) float64 { return math.Floor((p - level) / (2 * math.Pi)) }

// manyLevels is how many crossings of one steady run of the phase are
// reported from each of its ends; only with a delay far longer than the rest of
// the loop are there more.
const manyLevels = 16

// phases finds where the phase passes level + 2πk with |L| at least e^floor,
// ascending. If one steady stretch, on one side of |L| = 1, has more than 32 of
// them, the inner ones are left out: they are neither the nearest nor the
// farthest from |L| = 1.
func (f *factors) phases(level, floor float64, panels []panel, out []zero) ([]zero, error) {
	var stack [64]cell
	left := budget
	for i := range panels {
		p := &panels[i]
		stack[0] = cell{f.at(p.lo, p), f.at(p.hi, p)}
		n := 1
		for n > 0 {
			if left--; left < 0 {
				return out, ErrUnresolved
			}
			n--
			q := &stack[n]
			if _, hi := mBounds(&q.x, &q.y); hi < floor {
				continue
			}
			lo, hi := pBounds(&q.x, &q.y)
			if turn(lo, level) == turn(hi, level) {
				continue
			}
			slo, shi := bBounds(&q.x, &q.y)
			narrow := q.y.u-q.x.u < 1e-13*(1+math.Abs(q.x.u)) || n >= len(stack)-2
			steady := slo > 0 || shi < 0
			if alo, ahi := aBounds(&q.x, &q.y); steady && !(alo > 0 || ahi < 0) {
				// the rule for leaving out needs a steady magnitude as well
				steady = math.Abs(q.x.p()-q.y.p()) < 2*math.Pi*2*manyLevels
			}
			if steady || narrow {
				kx, ky := turn(q.x.p(), level), turn(q.y.p(), level)
				rising := ky > kx
				count := math.Abs(ky - kx)
				for j := 0.0; j < count; j++ {
					if count > 2*manyLevels && j == manyLevels {
						j = count - manyLevels
					}
					k := kx - j
					if rising {
						k = kx + 1 + j
					}
					c := phaseAt{level + 2*math.Pi*k}
					out = append(out, zero{refine(f, c, q.x.u, q.y.u, rising), rising})
				}
				continue
			}
			m := f.at((q.x.u+q.y.u)/2, p)
			y := q.y
			stack[n].y = m
			stack[n+1] = stack[n]
			stack[n] = cell{m, y}
			n += 2
		}
	}
	return out, nil
}

// phaseLow is a frequency, at most w, below which the phase passes no level + 2πk.
// Near rest the phase is p0 + c w + O(w³), so if p0 is itself such a level the
// sign of the slope decides; otherwise the bounds exclude a crossing.
func (f *factors) phaseLow(level, w float64) float64 {
	_, p0, _, _ := f.eval(math.SmallestNonzeroFloat64)
	k := (p0 - level) / (2 * math.Pi)
	if near := math.Abs(k - math.Round(k)); near > 1e-9 {
		for range 60 {
			if f.phaseReach(w) < near*2*math.Pi {
				return w
			}
			w /= 2
		}
		return w
	}
	for range 60 {
		if lo, hi := f.phaseSlopeBelow(w); lo > 0 || hi < 0 {
			return w
		}
		w /= 2
	}
	return w
}

// phaseReach bounds how far the phase moves between rest and w.
func (f *factors) phaseReach(w float64) float64 {
	s := w * f.t
	for _, r := range f.re[:f.nre] {
		s += math.Atan(w / math.Abs(r.a))
	}
	for _, r := range f.pr[:f.npr] {
		x := w / r.rho
		if x >= 1 {
			s += math.Pi
		} else {
			s += math.Atan2(2*math.Abs(r.zeta)*x, (1-x)*(1+x))
		}
	}
	return s
}

// phaseSlopeBelow bounds d phase/d w over (0, w].
func (f *factors) phaseSlopeBelow(w float64) (lo, hi float64) {
	lo, hi = -f.t, -f.t
	add := func(sgn, a, b float64) {
		a, b = sgn*a, sgn*b
		lo += math.Min(a, b)
		hi += math.Max(a, b)
	}
	for _, r := range f.re[:f.nre] {
		x := w / r.a
		add(r.sgn, 1/r.a, 1/r.a/(1+x*x))
	}
	for _, r := range f.pr[:f.npr] {
		x := w / r.rho
		if x > 0.5 {
			return math.Inf(-1), math.Inf(1)
		}
		s, d := 2*r.zeta/r.rho, (1-x)*(1+x)
		add(r.sgn, s/(1+4*r.zeta*r.zeta*x*x), s*(1+x*x)/(d*d))
	}
	return
}

// phaseHigh is a frequency, at least w, above which a loop without delay
// passes no level + 2πk: with q = |r|/w the phase is its limit + c/w + R,
// c = Σ ± Re r and |R| ≤ Σ q³/(3(1−q)).
func (f *factors) phaseHigh(level, w float64) float64 {
	limit, c := -float64(f.n0)*math.Pi/2, 0.0
	for _, r := range f.re[:f.nre] {
		limit += r.sgn * math.Pi / 2
		c -= r.sgn * r.a
	}
	for _, r := range f.pr[:f.npr] {
		limit += r.sgn * math.Copysign(math.Pi, r.zeta)
		c -= r.sgn * 2 * r.zeta * r.rho
	}
	_, _, _, most := f.roots()
	w = math.Max(w, 2*most)
	k := (limit - level) / (2 * math.Pi)
	near := math.Abs(k-math.Round(k)) * 2 * math.Pi
	for range 60 {
		rest := 0.0
		add := func(n, size float64) {
			q := size / w
			rest += n * q * q * q / (3 * (1 - q))
		}
		for _, r := range f.re[:f.nre] {
			add(1, math.Abs(r.a))
		}
		for _, r := range f.pr[:f.npr] {
			add(2, r.rho)
		}
		first := math.Abs(c) / w
		if near > 1e-9 && first+rest < near || near <= 1e-9 && first > rest {
			return w
		}
		w *= 2
	}
	return w
}
