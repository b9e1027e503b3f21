package loop

import (
	"math"
	"math/cmplx"
)

// Root is one characteristic root of the closed loop, s = Real ± j·Imag, 1/s and rad/s.
type Root struct {
	Real float64
	Imag float64 // 0 or more
}

// Stability is the verdict on the closed loop.
type Stability struct {
	Stable bool
	// Marginal means that the loop passes within rounding of −1: it is on its
	// boundary, and Stable is false.
	Marginal bool
	// RightRoots is the number of characteristic roots to the right of the
	// imaginary axis; each growing oscillation counts two.
	RightRoots int
}

const marginal = 1e-10 // rad or relative size: nearer to −1 than this is on the boundary

// rootCount is the outcome of one encirclement count.
type rootCount struct {
	right int
	near  float64 // rad, how near the phase comes to an odd multiple of π where |L| = 1
	gains []zero
}

// wrap takes an angle to (−π, π].
func wrap(p float64) float64 {
	p = math.Remainder(p, 2*math.Pi)
	if p == -math.Pi {
		return math.Pi
	}
	return p
}

// count is the number of roots of 1 + L right of the imaginary axis, by the
// argument principle: roots right = poles of L right + clockwise turns of L
// about −1. The turns are net crossings of the ray (−∞, −1). They are counted
// stretch by stretch where |L| > 1, from the unwrapped phase at the ends: no
// crossing within a stretch needs to be found. The contour passes poles at the
// origin and undamped poles on their right, as eval's phase does. If L
// starts on the ray (toppling gravity) the mirror image shares that crossing: half.
func (f *factors) count(buf []zero) (rootCount, error) {
	poles := f.rightPoles()
	f.cancel()
	start := f.start()
	gains, err := f.gains(buf)
	if err != nil {
		return rootCount{}, err
	}
	c := rootCount{near: math.Inf(1), gains: gains}
	open := 0.0
	if f.n0 > 0 || f.lnG > 0 {
		k := math.Round(start / math.Pi)
		open = math.Floor((k + 1) / 2)
		if math.Mod(k, 2) != 0 {
			open -= 0.5
		}
	}
	if f.n0 == 0 && math.Mod(math.Round(start/math.Pi), 2) != 0 {
		c.near = math.Abs(f.lnG)
	}
	turns := 0.0
	for _, g := range gains {
		w := math.Exp(g.u)
		if w*f.t > mostTurn {
			return rootCount{}, ErrUnresolved
		}
		_, p, _, _ := f.eval(w)
		c.near = math.Min(c.near, math.Abs(wrap(p+math.Pi)))
		if g.rising {
			open = turn(p, -math.Pi)
		} else {
			turns += open - turn(p, -math.Pi)
		}
	}
	c.right = poles + int(math.Round(2*turns))
	return c, nil
}

// rightOf counts the closed-loop roots with real part above sigma: the same count on
// a shifted axis, exact for the delay as well, which becomes a gain e^(−σT).
func (f *factors) rightOf(sigma float64, buf []zero) (rootCount, error) {
	for range 40 {
		clear := true
		near := func(re float64) {
			if math.Abs(re+sigma) < 1e-13*math.Abs(re) {
				clear = false
			}
		}
		var buf rootBuf
		for _, r := range f.all(buf[:0]) {
			near(-real(r.at))
		}
		if clear {
			break
		}
		sigma += math.Abs(sigma) * 1e-12
	}
	var g factors
	if sigma == 0 {
		g = *f
	} else {
		g = f.shift(sigma)
	}
	return g.count(buf)
}

// logL is ln(−L) at s, its imaginary part wrapped, and its derivative.
func (f *factors) logL(s complex128) (g, dg complex128) {
	g = complex(f.lnG, 0) - complex(f.t, 0)*s
	dg = complex(-f.t, 0)
	if f.n0 > 0 {
		n := complex(float64(f.n0), 0)
		g -= n * cmplx.Log(s)
		dg -= n / s
	}
	turns := math.Pi
	for _, r := range f.re[:f.nre] {
		x := 1 + s/complex(r.a, 0)
		g += complex(r.sgn, 0) * cmplx.Log(x)
		dg += complex(r.sgn/r.a, 0) / x
		if r.a < 0 {
			turns += math.Pi
		}
	}
	for _, p := range f.pr[:f.npr] {
		z := s / complex(p.rho, 0)
		x := 1 + z*(z+complex(2*p.zeta, 0))
		g += complex(p.sgn, 0) * cmplx.Log(x)
		dg += complex(p.sgn*2/p.rho, 0) * (z + complex(p.zeta, 0)) / x
	}
	if d := f.sad; d.rho > 0 {
		z := s / complex(d.rho, 0)
		x := 1 - z*(z+complex(2*d.zeta, 0))
		g -= cmplx.Log(x)
		dg += complex(2/d.rho, 0) * (z + complex(d.zeta, 0)) / x
		turns += math.Pi
	}
	return complex(real(g), wrap(imag(g)+turns)), dg
}

// newton polishes a characteristic root from s; ok if it converged.
func (f *factors) newton(s complex128) (complex128, bool) {
	for range 60 {
		g, dg := f.logL(s)
		step := g / dg
		if cmplx.IsNaN(step) || cmplx.IsInf(step) {
			return s, false
		}
		// never jump farther than the point is from the origin: the logarithm
		// has other branches out there
		if a, b := cmplx.Abs(step), cmplx.Abs(s); a > 0.5*b && b > 0 {
			step *= complex(0.5*b/a, 0)
		}
		s -= step
		if cmplx.Abs(step) <= 4e-16*cmplx.Abs(s) {
			break
		}
	}
	g, dg := f.logL(s)
	return s, cmplx.Abs(g/dg) <= 1e-11*cmplx.Abs(s) && cmplx.Abs(g) < 1e-6
}

// rightmost is the characteristic root with the greatest real part. Candidates
// come from Newton's method; one is accepted only if the count finds no root
// to its right. Otherwise the real part is bisected by counts.
func (f *factors) rightmost() (Root, error) {
	var buf [16]zero
	zeroLine, err := f.rightOf(0, buf[:0])
	if err != nil {
		return Root{}, err
	}
	inf := math.Inf(1)
	if r, ok, err := f.candidate(0, zeroLine, -inf, inf); ok || err != nil {
		return r, err
	}
	scale := 1.0
	if _, _, least, most := f.roots(); len(zeroLine.gains) > 0 {
		scale = math.Exp(zeroLine.gains[len(zeroLine.gains)-1].u)
	} else if most > 0 {
		scale = least
	}
	lo, hi, err := f.bracket(zeroLine, scale)
	if err != nil {
		return Root{}, err
	}
	var last rootCount
	for range 200 {
		mid := (lo + hi) / 2
		if hi-lo <= 1e-12*(math.Abs(lo)+math.Abs(hi)) {
			break
		}
		var b [16]zero
		c, err := f.rightOf(mid, b[:0])
		if err != nil {
			return Root{}, err
		}
		if c.right > 0 {
			lo = mid
		} else {
			hi = mid
		}
		last = c
		if r, ok, err := f.candidate(mid, c, lo, hi); ok || err != nil {
			return r, err
		}
	}
	return f.hidden((lo+hi)/2, scale, last), nil
}

// candidate is the root that Newton's method finds from the crossovers on the line at
// sigma, whose count is c; ok if it lies from lo to hi and has no root to its right.
func (f *factors) candidate(sigma float64, c rootCount, lo, hi float64) (r Root, ok bool, err error) {
	best, found := complex(math.Inf(-1), 0), false
	seed := func(s complex128) {
		r, ok := f.newton(s)
		if tol := 1e-9 * cmplx.Abs(r); ok && real(r) >= lo-tol && real(r) <= hi+tol && real(r) > real(best) {
			best, found = r, true
		}
	}
	for _, z := range c.gains {
		seed(complex(sigma, math.Exp(z.u)))
	}
	if sigma != 0 {
		seed(complex(sigma, 0))
	}
	if len(c.gains) == 0 || f.n0 == 0 {
		var buf rootBuf
		for _, r := range f.all(buf[:0]) {
			seed(r.at * 1.01)
			seed(r.at * 0.99)
		}
	}
	if !found {
		return Root{}, false, nil
	}
	var b [16]zero
	beyond, err := f.rightOf(real(best)+1e-8*cmplx.Abs(best), b[:0])
	if err != nil || beyond.right > 0 {
		return Root{}, false, err
	}
	r = Root{real(best), math.Abs(imag(best))}
	if r.Imag < 1e-12*cmplx.Abs(best) {
		r.Imag = 0 // rounding of the logarithm on the real axis
	}
	return r, true, nil
}

// bracket gives real parts such that no root is right of hi, and some right of lo.
func (f *factors) bracket(zeroLine rootCount, scale float64) (lo, hi float64, err error) {
	step := scale
	if zeroLine.right == 0 {
		step = -scale / 1024
	}
	for i := 0; ; i++ {
		if i > 200 {
			return 0, 0, ErrUnresolved
		}
		var b [16]zero
		c, err := f.rightOf(step, b[:0])
		if err != nil {
			return 0, 0, err
		}
		if step > 0 {
			if c.right == 0 {
				return lo, step, nil
			}
			lo = step
		} else {
			if c.right > 0 {
				return step, hi, nil
			}
			hi = step
		}
		step *= 2
	}
}

// hidden is a root that a zero of the controller hides from L: the open-loop pole nearest
// to the real part that the counts found.
func (f *factors) hidden(at, scale float64, last rootCount) Root {
	r := Root{Real: at}
	near := math.Inf(1)
	var rb rootBuf
	for _, x := range f.all(rb[:0]) {
		if d := math.Abs(real(x.at) - r.Real); d < near {
			near, r.Imag = d, imag(x.at)
		}
	}
	if near > 1e-6*(math.Abs(r.Real)+scale*1e-6) && len(last.gains) > 0 {
		r.Imag = math.Exp(last.gains[len(last.gains)-1].u)
	}
	return r
}

func (c *rootCount) verdict() Stability {
	s := Stability{RightRoots: c.right, Marginal: c.near < marginal}
	s.Stable = c.right == 0 && !s.Marginal
	return s
}
