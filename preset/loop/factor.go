package loop

import (
	"math"
	"math/cmplx"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// factors is L as a product, each factor scaled to size 1 at rest:
//
//	L(s) = G0 · s^(−n0) · Π (1 + s/a) · Π (1 + 2ζ s/ρ + s²/ρ²) · e^(−sT),
//
// numerator factors with sign +1, denominator factors with sign −1. G0 > 0; the
// sign of a factor with a < 0 (a root to the right) is carried by its phase.
// The two poles of a toppling axis, one on each side, are kept as one factor:
// their phases nearly cancel, and added up would leave bounds far too wide.
type factors struct {
	lnG float64 // ln G0
	n0  int     // poles at the origin
	t   float64 // delay
	re  [12]realFactor
	nre int
	pr  [8]pairFactor
	npr int
	sad saddle
}

// saddle is 1/(s² + 2ζρ s − ρ²), scaled: poles at ρ(−ζ ± √(1+ζ²)). ρ = 0: none.
type saddle struct{ rho, zeta float64 }

// poles gives a of the factors (s + a): one above 0, one below.
func (d *saddle) poles() (left, right float64) {
	// the larger in size first, the other from the product
	big := d.rho * (math.Abs(d.zeta) + math.Sqrt(1+d.zeta*d.zeta))
	left, right = big, -d.rho*d.rho/big
	if d.zeta < 0 {
		left, right = -right, -left
	}
	return
}

// root is a root away from the origin: of the numerator (sgn +1) or denominator.
type root struct {
	sgn, n float64 // n is 2 for a conjugate pair, at having imag > 0
	at     complex128
}

// all lists the roots.
func (f *factors) all(out []root) []root {
	for _, r := range f.re[:f.nre] {
		out = append(out, root{r.sgn, 1, complex(-r.a, 0)})
	}
	for _, p := range f.pr[:f.npr] {
		out = append(out, root{p.sgn, 2, complex(-p.rho*p.zeta, p.rho*math.Sqrt((1-p.zeta)*(1+p.zeta)))})
	}
	if f.sad.rho > 0 {
		l, r := f.sad.poles()
		out = append(out, root{-1, 1, complex(-l, 0)}, root{-1, 1, complex(-r, 0)})
	}
	return out
}

type rootBuf [len(factors{}.re) + len(factors{}.pr) + 2]root

type realFactor struct {
	a   float64 // the root is −a; never 0
	sgn float64
}

type pairFactor struct {
	rho, zeta float64 // roots at ρ(−ζ ± j√(1−ζ²)), |ζ| < 1
	sgn       float64
}

func (f *factors) addReal(a, sgn float64) {
	f.re[f.nre] = realFactor{a, sgn}
	f.nre++
}

func (f *factors) addPair(rho, zeta, sgn float64) {
	f.pr[f.npr] = pairFactor{rho, zeta, sgn}
	f.npr++
}

// addQuadratic adds the roots of c2 x² + c1 x + c0, x = s/unit, c2 and c0 not 0.
func (f *factors) addQuadratic(c2, c1, c0, sgn, unit float64) {
	p, q := c1/c2*unit, c0/c2*unit*unit
	disc := p*p/4 - q
	if disc < 0 {
		rho := math.Sqrt(q)
		f.addPair(rho, p/(2*rho), sgn)
		return
	}
	// the larger root first, the other from the product, so that neither is
	// the difference of two near numbers
	big := p/2 + math.Copysign(math.Sqrt(disc), p)
	f.addReal(big, sgn)
	f.addReal(q/big, sgn)
}

func (f *factors) addFilter(l Filter) {
	switch l.Order {
	case 1:
		f.addReal(l.Cutoff, -1)
	case 2:
		f.addPair(l.Cutoff, math.Sqrt2/2, -1)
	}
}

// path is everything but the controller C.
func (l Loop) path() factors {
	f := factors{t: l.Delay}
	f.addFilter(l.Sensing)
	f.addFilter(l.Drive)
	r := l.Resonance
	if r.Share == 0 {
		f.addRigid(l.J, l.B, l.KG)
		return f
	}
	if r.SensorBeyond {
		f.addReal(r.Freq/(2*r.Damping), 1)
	} else {
		f.addPair(r.Freq, r.Damping, 1)
	}
	// denominator over J Freq², in x = s/Freq
	z2, b, k := 2*r.Damping, l.B/(l.J*r.Freq), l.KG/(l.J*r.Freq*r.Freq)
	c4, c3, c2, c1 := 1-r.Share, z2+b, 1+z2*b+k, b+z2*k
	// either numerator is Freq² at rest, so the gain at rest is the rigid one
	switch {
	case k == 0 && b == 0:
		f.n0, f.lnG = 2, -math.Log(l.J)
		f.addQuadratic(c4, c3, c2, -1, r.Freq)
	case k == 0:
		f.n0, f.lnG = 1, -math.Log(l.B)
		f.addPolynomial([]float64{c1, c2, c3, c4}, -1, r.Freq)
	default:
		f.lnG = -math.Log(math.Abs(l.KG))
		f.addPolynomial([]float64{k, c1, c2, c3, c4}, -1, r.Freq)
		f.joinSaddle()
	}
	return f
}

// joinSaddle makes one factor of the pole to the right and the real pole to
// the left that is nearest to it in size.
func (f *factors) joinSaddle() {
	right, left := -1, -1
	for i, r := range f.re[:f.nre] {
		if r.sgn < 0 && r.a < 0 {
			right = i
		}
	}
	if right < 0 {
		return
	}
	size := -f.re[right].a
	for i, r := range f.re[:f.nre] {
		if r.sgn < 0 && r.a > 0 && (left < 0 || math.Abs(math.Log(r.a/size)) < math.Abs(math.Log(f.re[left].a/size))) {
			left = i
		}
	}
	if left < 0 {
		return
	}
	rho := math.Sqrt(size * f.re[left].a)
	f.sad = saddle{rho, (f.re[left].a - size) / (2 * rho)}
	for _, i := range []int{max(left, right), min(left, right)} {
		f.re[i] = f.re[f.nre-1]
		f.nre--
	}
}

// addRigid adds 1/(J s² + B s + KG).
func (f *factors) addRigid(j, b, k float64) {
	switch {
	case k == 0 && b == 0:
		f.n0, f.lnG = 2, -math.Log(j)
	case k == 0:
		f.n0, f.lnG = 1, -math.Log(b)
		f.addReal(b/j, -1)
	default:
		f.lnG = -math.Log(math.Abs(k))
		if k < 0 {
			rho := math.Sqrt(-k / j)
			f.sad = saddle{rho, b / (2 * j * rho)}
			return
		}
		f.addQuadratic(j, b, k, -1, 1)
	}
}

// addPolynomial adds the roots of Σ c[i] x^i, x = s/unit (real, degree 3 or 4,
// ends not 0) as eigenvalues of the companion matrix, each polished by Newton's
// method.
func (f *factors) addPolynomial(c []float64, sgn, unit float64) {
	n := len(c) - 1
	m := mat.NewDense(n, n, nil)
	for i := 0; i < n; i++ {
		m.Set(0, i, -c[n-1-i]/c[n])
		if i > 0 {
			m.Set(i, i-1, 1)
		}
	}
	var e mat.Eigen
	e.Factorize(m, mat.EigenNone)
	for _, z := range e.Values(nil) {
		if imag(z) < 0 {
			continue
		}
		single := imag(z) == 0
		for range 6 {
			p, d := complex(c[n], 0), complex(0, 0)
			for i := n - 1; i >= 0; i-- {
				d = d*z + p
				p = p*z + complex(c[i], 0)
			}
			if d == 0 {
				break
			}
			z -= p / d
		}
		if single {
			f.addReal(-real(z)*unit, sgn)
			continue
		}
		rho := math.Hypot(real(z), imag(z))
		zeta := -real(z) / rho
		if math.Abs(zeta) < 1e-14 {
			zeta = 0 // undamped, as far as the roots are known
		}
		f.addPair(rho*unit, zeta, sgn)
	}
}

// withController multiplies by C(s) = K + D s + Ki/s; K > 0.
func (f factors) withController(k, d, ki float64) factors {
	switch {
	case ki == 0 && d == 0:
		f.lnG += math.Log(k)
	case ki == 0:
		f.lnG += math.Log(k)
		f.addReal(k/d, 1)
	case d == 0:
		f.n0++
		f.lnG += math.Log(ki)
		f.addReal(ki/k, 1)
	default:
		f.n0++
		f.lnG += math.Log(ki)
		f.addQuadratic(d, k, ki, 1, 1)
	}
	return f
}

func (l Loop) factors() factors { return l.path().withController(l.K, l.D, l.Ki) }

// shift gives L(s + sigma) as factors of s. sigma must not be a root.
func (f *factors) shift(sigma float64) factors {
	g := factors{lnG: f.lnG - sigma*f.t, t: f.t}
	for range f.n0 {
		g.addReal(sigma, -1)
		g.lnG -= math.Log(math.Abs(sigma))
	}
	for _, r := range f.re[:f.nre] {
		a := r.a + sigma
		g.addReal(a, r.sgn)
		g.lnG += r.sgn * math.Log(math.Abs(a/r.a))
	}
	for _, p := range f.pr[:f.npr] {
		re := p.rho*p.zeta + sigma // minus the real part of the shifted root
		im2 := p.rho * p.rho * (1 - p.zeta) * (1 + p.zeta)
		rho := math.Sqrt(re*re + im2)
		g.addPair(rho, re/rho, p.sgn)
		g.lnG += p.sgn * 2 * math.Log(rho/p.rho)
	}
	if d := f.sad; d.rho > 0 {
		half := d.zeta*d.rho + sigma                       // ζρ of the shifted quadratic
		less := d.rho*d.rho - sigma*(2*d.zeta*d.rho+sigma) // and its ρ²
		g.lnG -= math.Log(math.Abs(less) / (d.rho * d.rho))
		if less > 0 {
			rho := math.Sqrt(less)
			g.sad = saddle{rho, half / rho}
		} else { // both roots on one side now
			big := half + math.Copysign(d.rho*math.Sqrt(1+d.zeta*d.zeta), half)
			g.addReal(big, -1)
			g.addReal(-less/big, -1)
		}
	}
	return g
}

// rightPoles is the number of poles to the right of the imaginary axis.
func (f *factors) rightPoles() int {
	n := 0
	for _, r := range f.re[:f.nre] {
		if r.sgn < 0 && r.a < 0 {
			n++
		}
	}
	for _, p := range f.pr[:f.npr] {
		if p.sgn < 0 && p.zeta < 0 {
			n += 2
		}
	}
	if f.sad.rho > 0 {
		n++
	}
	return n
}

// start is the phase at rest, on the positive real axis: a multiple of π.
func (f *factors) start() float64 {
	p := 0.0
	for _, r := range f.re[:f.nre] {
		if r.a < 0 {
			p += r.sgn * math.Pi
		}
	}
	if f.sad.rho > 0 {
		p -= math.Pi
	}
	return p
}

// cancel drops real factors that stand above and below the line.
func (f *factors) cancel() {
	var gone [len(f.re)]bool
	n := 0
	for i := range f.re[:f.nre] {
		for j := i + 1; j < f.nre && !gone[i]; j++ {
			a, b := f.re[i], f.re[j]
			if !gone[j] && a.sgn != b.sgn && math.Abs(a.a-b.a) <= 4e-16*math.Abs(a.a) {
				gone[i], gone[j] = true, true
			}
		}
		if !gone[i] {
			f.re[n] = f.re[i]
			n++
		}
	}
	f.nre = n
}

// eval gives ln|L|, the unwrapped phase and their slopes over ln w at s = jw.
// The phase is that reached along the small arc round the origin from the
// positive real axis.
func (f *factors) eval(w float64) (m, p, sm, sp float64) {
	m, p, sm, sp = f.lnG, -w*f.t, 0, -w*f.t
	if f.n0 > 0 {
		n := float64(f.n0)
		m -= n * math.Log(w)
		p -= n * math.Pi / 2
		sm -= n
	}
	for i := range f.re[:f.nre] {
		r := &f.re[i]
		x := w / r.a
		q := 1 + x*x
		m += r.sgn * 0.5 * math.Log(q)
		p += r.sgn * math.Atan2(w, r.a)
		sm += r.sgn * x * x / q
		sp += r.sgn * x / q
	}
	for i := range f.pr[:f.npr] {
		r := &f.pr[i]
		x := w / r.rho
		t1, t2 := (1-x)*(1+x), 2*r.zeta*x
		q := t1*t1 + t2*t2
		m += r.sgn * 0.5 * math.Log(q)
		p += r.sgn * math.Atan2(t2, t1)
		sm += r.sgn * 2 * x * x * (x*x - 1 + 2*r.zeta*r.zeta) / q
		sp += r.sgn * t2 * (1 + x*x) / q
	}
	if d := &f.sad; d.rho > 0 {
		x := w / d.rho
		t1, t2 := 1+x*x, 2*d.zeta*x
		q := t1*t1 + t2*t2
		m -= 0.5 * math.Log(q)
		p -= math.Pi - math.Atan(t2/t1)
		sm -= 2 * x * x * (t1 + 2*d.zeta*d.zeta) / q
		sp += t2 * (1 - x) * (1 + x) / q
	}
	return
}

// point is L at one frequency, seen from inside one panel: each quantity is the
// sum of a part that rises (U) and a part that falls (D) throughout the panel.
// m is ln|L|, p the phase, a and b their slopes over u = ln w.
type point struct {
	u, w                           float64
	mU, mD, pU, pD, aU, aD, bU, bD float64
}

func (x *point) m() float64 { return x.mU + x.mD }
func (x *point) p() float64 { return x.pU + x.pD }

// bounds over the interval from x to the right-hand point y.
func mBounds(x, y *point) (lo, hi float64) { return x.mU + y.mD, y.mU + x.mD }
func pBounds(x, y *point) (lo, hi float64) { return x.pU + y.pD, y.pU + x.pD }
func aBounds(x, y *point) (lo, hi float64) { return x.aU + y.aD, y.aU + x.aD }
func bBounds(x, y *point) (lo, hi float64) { return x.bU + y.bD, y.bU + x.bD }

// panel is a range of u = ln w inside which every factor's magnitude, phase
// and slopes are monotone.
type panel struct {
	lo, hi float64
	mid    float64 // a frequency w inside
}

func up(v, sgn, dir float64, u, d *float64) {
	v *= sgn
	if sgn*dir > 0 {
		*u += v
	} else {
		*d += v
	}
}

// at evaluates L at u = ln w for the panel. Monotonicity of a pair, with v = ln(w/ρ):
// the phase rises (ζ > 0); the magnitude falls below ρ√(1−2ζ²) and rises above;
// its slope 1 + sinh v cosh v/(sinh² v + ζ²) rises between ±asinh(ζ/√(1−2ζ²))
// and falls outside; the slope of the phase ζ cosh v/(sinh² v + ζ²) rises for
// v < 0 and falls for v > 0. Of a saddle the phase π − arctan(ζ/cosh v) is least
// at v = 0, its slope turns where cosh² v = 2 + ζ², and the magnitude and its
// slope rise. (Derived here by differentiation.)
func (f *factors) at(u float64, in *panel) (x point) {
	w := math.Exp(u)
	x.w, x.u = w, u
	x.mD = f.lnG
	x.pD = -w * f.t
	x.bD = -w * f.t
	if f.n0 > 0 {
		n := float64(f.n0)
		x.mD -= n * x.u
		x.pD -= n * math.Pi / 2
		x.aD = -n
	}
	for i := range f.re[:f.nre] {
		r := &f.re[i]
		v := w / r.a
		q := 1 + v*v
		m, p, a, b := 0.5*math.Log(q), math.Atan2(w, r.a), v*v/q, v/q
		up(m, r.sgn, 1, &x.mU, &x.mD)
		up(p, r.sgn, r.a, &x.pU, &x.pD)
		up(a, r.sgn, 1, &x.aU, &x.aD)
		dir := r.a
		if in.mid > math.Abs(r.a) {
			dir = -dir
		}
		up(b, r.sgn, dir, &x.bU, &x.bD)
	}
	for i := range f.pr[:f.npr] {
		r := &f.pr[i]
		v := w / r.rho
		z := r.zeta * r.zeta
		t1, t2 := (1-v)*(1+v), 2*r.zeta*v
		q := t1*t1 + t2*t2
		m, p := 0.5*math.Log(q), math.Atan2(t2, t1)
		a, b := 2*v*v*(v*v-1+2*z)/q, t2*(1+v*v)/q
		c := in.mid / r.rho
		mdir, adir, bdir := 1.0, 1.0, r.zeta
		if z < 0.5 {
			if c*c < 1-2*z {
				mdir = -1
			}
			if s := (c - 1/c) / 2; s*s*(1-2*z) > z {
				adir = -1
			}
		}
		if c > 1 {
			bdir = -bdir
		}
		up(m, r.sgn, mdir, &x.mU, &x.mD)
		up(p, r.sgn, r.zeta, &x.pU, &x.pD)
		up(a, r.sgn, adir, &x.aU, &x.aD)
		up(b, r.sgn, bdir, &x.bU, &x.bD)
	}
	if d := &f.sad; d.rho > 0 {
		v := w / d.rho
		t1, t2 := 1+v*v, 2*d.zeta*v
		q := t1*t1 + t2*t2
		x.mD -= 0.5 * math.Log(q)
		x.aD -= 2 * v * v * (t1 + 2*d.zeta*d.zeta) / q
		c := in.mid / d.rho
		dir := d.zeta
		if c > 1 {
			dir = -dir
		}
		up(math.Atan(t2/t1)-math.Pi, 1, dir, &x.pU, &x.pD)
		dir = -d.zeta
		if h := (c + 1/c) / 2; h*h > 2+d.zeta*d.zeta {
			dir = -dir
		}
		up(t2*(1-v)*(1+v)/q, 1, dir, &x.bU, &x.bD)
	}
	return x
}

// panels cuts [lo, hi] (in u) at every frequency where some factor stops being
// monotone, and at the extra cuts. Around an undamped pole pair, where |L| is
// infinite, it leaves out a sliver in which |L| is above 10, or, if it has to
// be so narrow, above 1e11 times what it would be without the pair.
func (f *factors) panels(lo, hi float64, extra []float64, out []panel) []panel {
	var buf [64]float64
	cuts := append(buf[:0], lo, hi)
	add := func(u float64) {
		if u > lo && u < hi {
			cuts = append(cuts, u)
		}
	}
	for _, r := range f.re[:f.nre] {
		add(math.Log(math.Abs(r.a)))
	}
	type sliver struct{ lo, hi float64 }
	var gaps [1]sliver
	ngap := 0
	for _, r := range f.pr[:f.npr] {
		u, z := math.Log(r.rho), r.zeta*r.zeta
		if z == 0 {
			d := 1e-9
			m, _, _, _ := f.eval(r.rho * (1 - d))
			if m < math.Log(20) {
				d = 1e-12
			}
			if u+d > lo && u-d < hi {
				gaps[ngap] = sliver{u - d, u + d}
				ngap++
				add(u - d)
				add(u + d)
			}
			continue
		}
		add(u)
		if z < 0.5 {
			v := math.Asinh(math.Abs(r.zeta) / math.Sqrt(1-2*z))
			add(u + v)
			add(u - v)
			add(u + 0.5*math.Log1p(-2*z))
		}
	}
	if d := f.sad; d.rho > 0 {
		u, v := math.Log(d.rho), math.Acosh(math.Sqrt(2+d.zeta*d.zeta))
		add(u)
		add(u + v)
		add(u - v)
	}
	for _, u := range extra {
		add(u)
	}
	sort.Float64s(cuts)
	for i := 1; i < len(cuts); i++ {
		a, b := cuts[i-1], cuts[i]
		if b <= a || ngap > 0 && a >= gaps[0].lo && b <= gaps[0].hi {
			continue
		}
		out = append(out, panel{a, b, math.Exp((a + b) / 2)})
	}
	return out
}

// roots gives the number of finite roots away from the origin, above and below
// the line, and the least and greatest distance of one from the origin.
func (f *factors) roots() (num, den int, least, most float64) {
	least, most = math.Inf(1), 0
	var buf rootBuf
	for _, r := range f.all(buf[:0]) {
		if r.sgn > 0 {
			num += int(r.n)
		} else {
			den += int(r.n)
		}
		size := cmplx.Abs(r.at)
		least, most = math.Min(least, size), math.Max(most, size)
	}
	return
}

// lowEnd is a frequency below which |L| falls steadily and is at least e^mag. A
// factor with root r has |d ln|jw−r|/d ln w| ≤ q/(1−q), q = w/|r|, so the n0
// poles at the origin win for q < n0/(n0 + number of roots). Without a pole at
// the origin it is a frequency so low that every factor is at rest to 1e-8.
func (f *factors) lowEnd(mag float64) float64 {
	num, den, least, most := f.roots()
	if f.n0 == 0 {
		return least * 1e-8
	}
	n := float64(f.n0)
	if most == 0 {
		return math.Exp((f.lnG - mag) / n)
	}
	w := least * n / (n + float64(num+den)) * 0.999
	for range 200 {
		m, _, _, _ := f.eval(w)
		if m >= mag {
			break
		}
		w *= math.Exp((m-mag)/n - 0.01)
	}
	return w
}

// highEnd is a frequency above which |L| falls steadily and is at most e^mag: a
// factor's slope lies in [1/(1+q), 1/(1−q)], q = |r|/w, so the surplus of poles
// wins for q < (poles − zeros)/(poles + zeros).
func (f *factors) highEnd(mag float64) float64 {
	num, den, _, most := f.roots()
	den += f.n0
	d := float64(den - num)
	if most == 0 {
		return math.Exp((f.lnG - mag) / d)
	}
	w := most * float64(den+num) / d * 1.001
	for range 400 {
		m, _, _, _ := f.eval(w)
		if m <= mag {
			break
		}
		w *= math.Exp((m-mag)/float64(den) + 0.01)
	}
	return w
}
