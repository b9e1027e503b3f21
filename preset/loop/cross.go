package loop

import (
	"math"
	"math/cmplx"
	"sync"
)

// budget is the greatest number of cells one search may look at.
const budget = 100_000

// mostTurn is the greatest phase, in rad, that the delay may have where it
// matters: beyond it there are too many turns to tell apart.
const mostTurn = 1e7

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

// stacks are reused: a stack of cells is large, and methods of a type parameter
// would move a local one to the heap.
var stacks = sync.Pool{New: func() any { return new([64]cell) }}

// bisection goes through a panel cell by cell, from the left: each is dropped or halved.
type bisection struct {
	stack *[64]cell
	n     int // cells on the stack
	left  int // of the budget
}

func bisect() bisection {
	return bisection{stack: stacks.Get().(*[64]cell), left: budget}
}

func (b *bisection) end() { stacks.Put(b.stack) }

// begin goes on with a panel, which is one cell.
func (b *bisection) begin(f *factors, p *panel) {
	b.n = 1
	b.stack[0] = cell{f.at(p.lo, p), f.at(p.hi, p)}
}

// next takes the next cell off the stack; nil once the budget is used up.
func (b *bisection) next() *cell {
	if b.left--; b.left < 0 {
		return nil
	}
	b.n--
	return &b.stack[b.n]
}

// full says that there is no room to halve the cell taken.
func (b *bisection) full() bool { return b.n >= len(b.stack)-2 }

// halve puts back the halves of the cell taken, the left one on top, and gives its middle.
func (b *bisection) halve(f *factors, p *panel, q *cell) *point {
	m := f.at((q.x.u+q.y.u)/2, p)
	left := &b.stack[b.n+1]
	left.x, left.y = q.x, m
	q.x = m
	b.n += 2
	return &left.y
}

// isolate finds every zero of c in the panels, in rising order: a cell is
// dropped if its bounds exclude 0, solved if its slope has one sign, and
// otherwise halved. A zero that only touches within rounding is not reported:
// the curve does not change sign there.
func isolate[C curve](f *factors, c C, panels []panel, out []zero, most int) ([]zero, error) {
	b := bisect()
	defer b.end()
	for i := range panels {
		p := &panels[i]
		b.begin(f, p)
		for b.n > 0 {
			q := b.next()
			if q == nil {
				return out, ErrUnresolved
			}
			if lo, hi := c.bounds(&q.x, &q.y); lo > 0 || hi < 0 {
				continue
			}
			vx, vy := c.value(&q.x), c.value(&q.y)
			lo, hi := c.slope(&q.x, &q.y)
			narrow := q.y.u-q.x.u < 1e-13*(1+math.Abs(q.x.u)) || b.full()
			if lo > 0 || hi < 0 || narrow {
				if (vx < 0) != (vy < 0) {
					out = append(out, zero{refine(f, c, q.x.u, q.y.u, vx < 0), vx < 0})
					if len(out) >= most {
						return out, nil
					}
				}
				continue
			}
			b.halve(f, p, q)
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
		next, done := u-v/dv, 1e-9 // Newton's step squares the error: nothing is left of one so small
		if !(next > a && next < b) {
			next, done = (a+b)/2, 1e-15
		}
		if math.Abs(next-u) <= done {
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
	panels := f.panels(lo, hi, nil, buf[:0])
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
	b := bisect()
	defer b.end()
	for i := range panels {
		p := &panels[i]
		b.begin(f, p)
		for b.n > 0 {
			q := b.next()
			if q == nil {
				return out, ErrUnresolved
			}
			if _, hi := mBounds(&q.x, &q.y); hi < floor {
				continue
			}
			lo, hi := pBounds(&q.x, &q.y)
			if turn(lo, level) == turn(hi, level) {
				continue
			}
			slo, shi := bBounds(&q.x, &q.y)
			narrow := q.y.u-q.x.u < 1e-13*(1+math.Abs(q.x.u)) || b.full()
			steady := slo > 0 || shi < 0
			if alo, ahi := aBounds(&q.x, &q.y); steady && !(alo > 0 || ahi < 0) {
				// the rule for leaving out needs a steady magnitude as well
				steady = math.Abs(q.x.p()-q.y.p()) < 2*math.Pi*2*manyLevels
			}
			if steady || narrow {
				kx, ky := turn(q.x.p(), level), turn(q.y.p(), level)
				rising := ky > kx
				count := math.Abs(ky - kx)
				far := q.y.w*f.t > mostTurn
				if far && q.x.w*f.t > mostTurn {
					return out, ErrUnresolved
				}
				for j := 0.0; j < count; j++ {
					if count > 2*manyLevels && j == manyLevels {
						if far {
							break
						}
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
			b.halve(f, p, q)
		}
	}
	return out, nil
}

// series gives the coefficients of the unwrapped phase, limit + c1 x + c3 x³ +
// R, and R's bound: at rest with x = w, or at infinity with x = 1/w (without
// the delay's part). From ln(1−z) = −z − z²/2 − z³/3 …, the even terms of
// conjugate roots cancelling; |R| ≤ Σ q⁵/(5(1−q)), q = w/|r| or |r|/w.
// A c1 that is rounding of 0 is 0.
type series struct {
	limit, c1, c3 float64
	roots         []root
	infinity      bool
}

func (f *factors) series(infinity bool, buf []root) (s series) {
	s.infinity = infinity
	s.limit = f.start() - float64(f.n0)*math.Pi/2
	scale := 0.0
	if !infinity {
		s.c1, scale = -f.t, f.t
	}
	s.roots = f.all(buf)
	for i := range s.roots {
		r := &s.roots[i]
		a := -r.at
		if infinity {
			// each ends a quarter turn from where it began, down if to the right
			s.limit += r.sgn * r.n * math.Pi / 2
			if real(a) < 0 {
				s.limit -= r.sgn * r.n * math.Pi
			}
		} else {
			a = 1 / a
		}
		c, c3 := r.n*r.sgn*real(a), -r.n*r.sgn*real(a*a*a)/3
		if infinity {
			c, c3 = -c, -c3
		}
		if d := f.sad; d.rho > 0 && i >= len(s.roots)-2 {
			// the two poles of a saddle at once, without loss
			c, c3 = 0, 0
			if i == len(s.roots)-1 {
				sum, cube := -2*d.zeta/d.rho, -(2*d.zeta*(4*d.zeta*d.zeta+3))/(d.rho*d.rho*d.rho)
				if infinity {
					sum, cube = -2*d.zeta*d.rho, -(2*d.zeta*(4*d.zeta*d.zeta+3))*d.rho*d.rho*d.rho
				}
				c, c3 = -sum, cube/3
			}
			scale += math.Abs(c)
		} else {
			scale += r.n * cmplx.Abs(a)
		}
		s.c1 += c
		s.c3 += c3
		r.at = a
	}
	if math.Abs(s.c1) <= 1e-14*scale {
		s.c1 = 0
	}
	return s
}

// moved bounds how far the phase is from its limit at x, and at most anywhere
// between, and tells whether it stays on one side there (sign, or 0 if that is not sure).
func (s *series) moved(x float64) (least, most, sign float64) {
	rest3, rest5 := 0.0, 0.0
	for _, r := range s.roots {
		q := cmplx.Abs(r.at) * x
		if q >= 0.9 {
			return 0, math.Inf(1), 0
		}
		rest3 += r.n * q * q * q / (3 * (1 - q))
		rest5 += r.n * q * q * q * q * q / (5 * (1 - q))
	}
	first, third := math.Abs(s.c1)*x, math.Abs(s.c3)*x*x*x
	most = first + rest3
	switch {
	case first > rest3:
		least, sign = first-rest3, math.Copysign(1, s.c1)
	case s.c1 == 0 && third > rest5:
		least, sign = third-rest5, math.Copysign(1, s.c3)
	}
	return least, most, sign
}

// clear reports whether the phase passes no level + 2πk between the limit and x.
func (s *series) clear(x, level float64) bool {
	k := (s.limit - level) / (2 * math.Pi)
	_, most, sign := s.moved(x)
	if near := math.Abs(k-math.Round(k)) * 2 * math.Pi; near > 1e-9 {
		return most < near
	}
	return sign != 0 && most < 2*math.Pi
}

// phaseLow is a frequency below which the phase passes no level + 2πk.
func (f *factors) phaseLow(level float64) float64 {
	_, _, w, most := f.roots()
	if most == 0 {
		w = f.lowEnd(0.1) // the delay alone turns the phase
		if f.t > 0 {
			w = math.Min(w, 1/f.t)
		}
		return w
	}
	var buf rootBuf
	s := f.series(false, buf[:0])
	for range 60 {
		if s.clear(w, level) {
			break
		}
		w /= 2
	}
	return w
}

// phaseHigh is a frequency, at least w, above which a loop without delay
// passes no level + 2πk.
func (f *factors) phaseHigh(level, w float64) float64 {
	var buf rootBuf
	s := f.series(true, buf[:0])
	for range 60 {
		if s.clear(1/w, level) {
			break
		}
		w *= 2
	}
	return w
}
