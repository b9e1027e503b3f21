package mass

import (
	"cmp"
	"math"

	"gonum.org/v1/gonum/mat"

	"rigkeep/preset/domain"
)

// Harmonic is a quantity that depends on an angle θ in rad as
//
//	Mean + Cos1 cos θ + Sin1 sin θ + Cos2 cos 2θ + Sin2 sin 2θ.
//
// The inertia about one axis as the build turns about another has this form
// exactly; the first-order terms vanish when the two axes cross at a right angle.
type Harmonic struct {
	Mean, Cos1, Sin1, Cos2, Sin2 float64
}

// At returns the value at θ.
//
// Source: definition.
func (h Harmonic) At(theta float64) float64 {
	s, c := math.Sincos(theta)
	return h.Mean + h.Cos1*c + h.Sin1*s + h.Cos2*(c-s)*(c+s) + h.Sin2*2*s*c
}

func (h Harmonic) slopes(theta float64) (d1, d2 float64) {
	s, c := math.Sincos(theta)
	s2, c2 := 2*s*c, (c-s)*(c+s)
	return -h.Cos1*s + h.Sin1*c - 2*h.Cos2*s2 + 2*h.Sin2*c2, -h.Cos1*c - h.Sin1*s - 4*h.Cos2*c2 - 4*h.Sin2*s2
}

// Add returns the sum of two such quantities of the same angle.
//
// Source: definition.
func (h Harmonic) Add(g Harmonic) Harmonic {
	return Harmonic{h.Mean + g.Mean, h.Cos1 + g.Cos1, h.Sin1 + g.Sin1, h.Cos2 + g.Cos2, h.Sin2 + g.Sin2}
}

// Range is the least and greatest value over a range of angles, and where: of
// equal values at the angle nearest zero, of two as near at the lower one.
type Range struct {
	Min, Max     float64
	MinAt, MaxAt float64 // rad
}

// Range returns the exact extremes for lo <= θ <= hi (rad). Over a range of a
// whole turn or more every stationary point counts.
//
// Errors: *domain.Error for a range that is reversed or not finite, or a
// quantity that is not finite.
//
// Source: dH/dθ = 0 is a quartic in tan(θ/2), whose real roots are all the
// stationary points besides θ = π (derived here; roots as eigenvalues of the
// companion matrix, Golub & Van Loan, Matrix Computations, ch. 7, from memory).
func (h Harmonic) Range(lo, hi float64) (Range, error) {
	c := domain.Checker{Model: "mass"}
	c.Finite("lower end of the range", lo)
	c.Finite("upper end of the range", hi)
	c.That(lo <= hi, "lower end of the range", lo, "at most the upper end, "+domain.Number(hi)+" rad", "")
	c.Finite("sum of the harmonics", math.Abs(h.Mean)+math.Abs(h.Cos1)+math.Abs(h.Sin1)+math.Abs(h.Cos2)+math.Abs(h.Sin2))
	if err := c.Err(); err != nil {
		return Range{}, err
	}
	return h.extremes(lo, hi), nil
}

// same is the share of a quantity's size within which two values of it are equal:
// rounding of the sums above.
const same = 1e-12

func (h Harmonic) extremes(lo, hi float64) Range {
	at := []float64{lo, hi}
	for _, t := range h.stationary() {
		// into the range by whole turns; all that lie in it are tried, since of equal
		// values the one nearest zero counts
		for t += 2 * math.Pi * math.Ceil((lo-t)/(2*math.Pi)); t <= hi; t += 2 * math.Pi {
			at = append(at, math.Max(t, lo)) // rounding may have left it just below
			if len(at) > 64 {
				break
			}
		}
	}
	r := Range{Min: math.Inf(1), Max: math.Inf(-1)}
	for _, t := range at {
		v := h.At(t)
		r.Min, r.Max = math.Min(r.Min, v), math.Max(r.Max, v)
	}
	near := same * math.Max(math.Abs(r.Min), math.Abs(r.Max))
	// nearest zero, of two as near the lower
	better := func(t, than float64) bool {
		a, b := math.Abs(t), math.Abs(than)
		return math.IsNaN(than) || a < b-1e-9 || a < b+1e-9 && t < than
	}
	r.MinAt, r.MaxAt = math.NaN(), math.NaN()
	for _, t := range at {
		v := h.At(t)
		if v <= r.Min+near && better(t, r.MinAt) {
			r.MinAt = t
		}
		if v >= r.Max-near && better(t, r.MaxAt) {
			r.MaxAt = t
		}
	}
	return r
}

// Flat reports that the quantity does not change over the range, to rounding. Its
// angles then say nothing.
//
// Source: definition.
func (r Range) Flat() bool {
	return r.Max-r.Min <= same*math.Max(math.Abs(r.Min), math.Abs(r.Max))
}

// stationary returns angles among which all stationary points are. It may hold
// others: as all of them are only tried, those do no harm.
func (h Harmonic) stationary() []float64 {
	// With u = tan(θ/2), (1+u²)² dH/dθ is this polynomial, lowest power first.
	p := []float64{
		h.Sin1 + 2*h.Sin2,
		-2*h.Cos1 - 8*h.Cos2,
		-12 * h.Sin2,
		-2*h.Cos1 + 8*h.Cos2,
		-h.Sin1 + 2*h.Sin2,
	}
	// dividing by the largest first order keeps tiny tensors clear of underflow
	size := 0.0
	for _, v := range p {
		size = math.Max(size, math.Abs(v))
	}
	if size == 0 || math.IsInf(size, 0) || math.IsNaN(size) {
		return nil
	}
	n := len(p) - 1
	for n > 0 && math.Abs(p[n]) <= 1e-14*size {
		n-- // the root went to u = ∞, which is θ = π
	}
	out := []float64{math.Pi}
	if n > 0 {
		// companion matrix of the monic polynomial
		a := mat.NewDense(n, n, nil)
		for i := range n {
			a.Set(i, n-1, -p[i]/p[n])
			if i > 0 {
				a.Set(i, i-1, 1)
			}
		}
		var e mat.Eigen
		if e.Factorize(a, mat.EigenNone) {
			for _, u := range e.Values(nil) {
				out = append(out, 2*math.Atan(real(u)))
			}
		}
	}
	for i, t := range out {
		out[i] = h.polish(t)
	}
	return out
}

// polish brings a nearly stationary angle closer by Newton steps that must lower the slope.
func (h Harmonic) polish(t float64) float64 {
	d1, d2 := h.slopes(t)
	for range 20 {
		step := d1 / d2
		// a long step has left the root it came for
		if d1 == 0 || !(math.Abs(step) < 0.1) {
			break
		}
		u := t - step
		e1, e2 := h.slopes(u)
		if !(math.Abs(e1) < math.Abs(d1)) {
			break
		}
		t, d1, d2 = u, e1, e2
	}
	return t
}

// AboutAxisTurned returns the inertia in kg·m² about the line axis as a function
// of the angle (rad, right-handed) by which the build is turned about the line
// by. Products of inertia and axes that do not cross are taken into account.
//
// Errors: *domain.Error for a line without direction or not finite.
//
// Source: a'·I_cg a' + m |a' × (c - p')|² with the axis turned back by the
// angle instead of the build forward (derived here from the parallel axis theorem).
func (p Properties) AboutAxisTurned(axis, by Line) (Harmonic, error) {
	c := domain.Checker{Model: "mass"}
	a, t := axis.check(&c, "axis"), by.check(&c, "turning axis")
	if err := c.Err(); err != nil {
		return Harmonic{}, err
	}
	// Turned back by θ: a' = al + cos θ ac - sin θ as, with al along t.
	al := t.Scale(a.Dot(t))
	ac := a.Sub(al)
	as := t.Cross(ac)
	quad := func(x, y Vec) float64 {
		return Vec{Vec(p.Inertia[0]).Dot(x), Vec(p.Inertia[1]).Dot(x), Vec(p.Inertia[2]).Dot(x)}.Dot(y)
	}
	h := Harmonic{
		Mean: quad(al, al) + (quad(ac, ac)+quad(as, as))/2,
		Cos1: 2 * quad(al, ac), Sin1: -2 * quad(al, as),
		Cos2: (quad(ac, ac) - quad(as, as)) / 2, Sin2: -quad(ac, as),
	}
	// The centre of gravity moves on a circle: from the axis it is f0 + fc cos θ + fs sin θ.
	e := p.CG.Sub(by.Point)
	el := t.Scale(e.Dot(t))
	ec := e.Sub(el)
	f0 := a.Cross(el.Add(by.Point).Sub(axis.Point))
	fc, fs := a.Cross(ec), a.Cross(t.Cross(ec))
	h = h.Add(Harmonic{
		Mean: p.Mass * (f0.Dot(f0) + (fc.Dot(fc)+fs.Dot(fs))/2),
		Cos1: 2 * p.Mass * f0.Dot(fc), Sin1: 2 * p.Mass * f0.Dot(fs),
		Cos2: p.Mass * (fc.Dot(fc) - fs.Dot(fs)) / 2, Sin2: p.Mass * fc.Dot(fs),
	})
	c.Result("inertia", h.Mean+h.Cos1+h.Sin1+h.Cos2+h.Sin2)
	return h, c.Err()
}

// Joint is one motor axis of a gimbal at its home position (camera level and
// facing forward).
type Joint struct {
	Axis Line
	Own  float64 // kg·m² about Axis, of the gimbal's own parts that this motor turns; taken as constant
}

// Head is the three motor axes that carry a build.
type Head struct {
	Pan, Roll, Tilt Joint
	// RollInside says that the roll motor sits between camera and tilt motor, so
	// that it tilts with the camera; else tilt is innermost.
	RollInside bool
}

// Moment is the inertia one motor turns, kg·m², over a range of tilt.
type Moment struct {
	Range
	Level float64  // with the camera level
	Own   float64  // the gimbal's share, included in the others
	Form  Harmonic // as a function of tilt angle, Own included
}

// Worst is the greatest inertia of the range, the one to tune for: a motor that
// is stiff enough there is stiff enough elsewhere.
//
// Source: common practice, no source.
func (m Moment) Worst() float64 { return m.Max }

// Moments is the inertia about each motor axis.
type Moments struct{ Pan, Roll, Tilt Moment }

// Moments returns what each motor of the head turns when it carries the build,
// for tilt angles lo..hi in rad about the tilt axis as its line is given
// (right-handed: with the line pointing left, positive is nose down), roll level.
//
// Errors: *domain.Error for an axis without direction, a negative own inertia,
// or a range of tilt that is reversed.
//
// Source: see AboutAxisTurned; the motors' own inertia adds (common practice, no source).
func (p Properties) Moments(head Head, lo, hi float64) (Moments, error) {
	c := domain.Checker{Model: "mass"}
	c.NotNegative("pan: own inertia", head.Pan.Own, "kg·m²")
	c.NotNegative("roll: own inertia", head.Roll.Own, "kg·m²")
	c.NotNegative("tilt: own inertia", head.Tilt.Own, "kg·m²")
	if err := c.Err(); err != nil {
		return Moments{}, err
	}
	var firstErr error
	moment := func(j Joint, turned bool) Moment {
		h := Harmonic{}
		var err error
		if turned {
			h, err = p.AboutAxisTurned(j.Axis, head.Tilt.Axis)
		} else {
			h.Mean, err = p.AboutAxis(j.Axis)
		}
		h.Mean += j.Own
		r, err2 := h.Range(lo, hi)
		firstErr = cmp.Or(firstErr, err, err2)
		return Moment{Range: r, Level: h.At(0), Own: j.Own, Form: h}
	}
	m := Moments{Pan: moment(head.Pan, true), Roll: moment(head.Roll, !head.RollInside), Tilt: moment(head.Tilt, false)}
	if firstErr != nil {
		return Moments{}, firstErr
	}
	return m, nil
}
