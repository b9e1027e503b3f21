// Package learn is the regression behind the starting tune: proved stiffness
// on inertia, both in natural logarithms,
//
//	ln K = b0 + b1 (ln J - ln J_ref) + error,   error variance sigma² / weight
//
// as classical weighted least squares and as a conjugate Bayesian regression
// (normal-inverse-gamma) whose prior carries physics and the gimbal sheet. A
// prediction is for one new tune; its interval is the exact Student form.
//
// Two kinds of weight are kept apart because they answer different questions.
// A precision weight w says an observation's error variance is sigma²/w; it
// still counts as one observation. A count c says how much an observation is
// to be believed at all (its likelihood is raised to the power c), so that a
// distant rig neither moves the line much nor makes the scatter look smaller.
//
// The package is pure: no I/O, no clock, errors instead of NaN.
package learn

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"rigkeep/preset/domain"
	"rigkeep/schema"
)

func inputErr(what string, got any, want string) error {
	return &domain.Error{Model: "learn", Name: what, Value: fmt.Sprint(got), Want: want}
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// Interval is a prediction for one new observation, in the units of what is
// predicted. Known is false when the data leave no degree of freedom: then
// only Mid is set.
type Interval struct {
	Mid   float64 // median
	Lo    float64 // lower end of the central interval
	Hi    float64 // upper end
	Scale float64 // Student scale, in ln units for a power law
	Dof   float64
	Known bool
}

// Line is a fitted straight line y = Intercept + Slope x.
type Line struct {
	N                     int
	Intercept, Slope      float64
	S                     float64 // residual standard deviation at weight 1; 0 when Dof is 0
	SEIntercept, SESlope  float64 // standard errors; 0 when Dof is 0
	RSquared              float64 // about the weighted mean; 0 when y does not vary
	Dof                   int     // N - 2
	sumW, meanX, spreadXX float64
}

// moments are the centred sums that a two-parameter fit needs. Centring first
// keeps the digits that raw sums of squares lose.
type moments struct {
	w, mx, my, sxx, sxy, syy float64
}

func centred(x, y []float64, w func(int) float64) moments {
	var m moments
	for i := range x {
		wi := w(i)
		m.w += wi
		m.mx += wi * x[i]
		m.my += wi * y[i]
	}
	if m.w == 0 {
		return moments{}
	}
	m.mx /= m.w
	m.my /= m.w
	for i := range x {
		wi := w(i)
		dx, dy := x[i]-m.mx, y[i]-m.my
		m.sxx += wi * dx * dx
		m.sxy += wi * dx * dy
		m.syy += wi * dy * dy
	}
	return m
}

// rss is the weighted residual sum of squares about the moments' own line,
// summed from the residuals: the difference of two sums would cancel.
func (m moments) rss(x, y []float64, w func(int) float64) float64 {
	slope := 0.0
	if m.sxx > 0 {
		slope = m.sxy / m.sxx
	}
	var s float64
	for i := range x {
		r := (y[i] - m.my) - slope*(x[i]-m.mx)
		s += w(i) * r * r
	}
	return s
}

func weightAt(w []float64) func(int) float64 {
	if w == nil {
		return func(int) float64 { return 1 }
	}
	return func(i int) float64 { return w[i] }
}

func checkSeries(what string, n int, v []float64, positive bool) error {
	if v != nil && len(v) != n {
		return inputErr(what, schema.Count(len(v), "value", "values"), fmt.Sprintf("%d, one for each observation", n))
	}
	for i, x := range v {
		if !finite(x) || positive && x <= 0 {
			want := "a number"
			if positive {
				want = "a positive number (leave the observation out otherwise)"
			}
			return inputErr(fmt.Sprintf("%s %d of %d", what, i+1, n), x, want)
		}
	}
	return nil
}

func checkNew(level, wNew float64) error {
	if !(level > 0 && level < 1) {
		return inputErr("interval level", level, "a share between 0 and 1, such as 0.9")
	}
	if !(wNew > 0) || math.IsInf(wNew, 0) {
		return inputErr("weight of the new observation", wNew, "a positive number")
	}
	return nil
}

// FitLine fits y = intercept + slope x by weighted least squares. x, y and
// weights have one value per observation; nil weights are all 1. At least two
// different x are needed; anything else, and a weight that is not positive, is
// an *domain.Error.
//
// Source: weighted least squares in centred form (Weisberg, Applied Linear
// Regression, from memory); checked against R lm() and NIST StRD Norris.
func FitLine(x, y, weights []float64) (Line, error) {
	n := len(x)
	if err := checkSeries("x", n, x, false); err != nil {
		return Line{}, err
	}
	if err := checkSeries("y", n, y, false); err != nil {
		return Line{}, err
	}
	if len(y) != n {
		return Line{}, inputErr("y", schema.Count(len(y), "value", "values"), fmt.Sprintf("%d, one for each x", n))
	}
	if err := checkSeries("weight", n, weights, true); err != nil {
		return Line{}, err
	}
	if n < 2 {
		return Line{}, inputErr("observations", n, "at least two for a line")
	}
	w := weightAt(weights)
	m := centred(x, y, w)
	if !(m.sxx > 0) {
		return Line{}, inputErr("x", "the same value throughout", "at least two different values for a slope")
	}
	l := Line{N: n, Slope: m.sxy / m.sxx, Dof: n - 2, sumW: m.w, meanX: m.mx, spreadXX: m.sxx}
	l.Intercept = m.my - l.Slope*m.mx
	rss := m.rss(x, y, w)
	if m.syy > 0 {
		l.RSquared = 1 - rss/m.syy
	}
	if l.Dof > 0 {
		l.S = math.Sqrt(rss / float64(l.Dof))
		l.SESlope = l.S / math.Sqrt(m.sxx)
		l.SEIntercept = l.S * math.Sqrt(1/m.w+m.mx*m.mx/m.sxx)
	}
	if !finite(l.Intercept, l.Slope, l.S, l.SEIntercept, l.SESlope, l.RSquared) {
		return Line{}, inputErr("x and y", "values too large to square", "values of ordinary size")
	}
	return l, nil
}

// Predict gives the value and the central interval at level (0 to 1) for one new
// observation of precision weight wNew (1 for an ordinary one) at x. With two
// observations there is no interval (Known false).
//
// Source: Student prediction interval of the linear model (Weisberg, Applied
// Linear Regression, from memory); checked against R predict(interval="prediction").
func (l Line) Predict(x, level, wNew float64) (Interval, error) {
	if err := checkNew(level, wNew); err != nil {
		return Interval{}, err
	}
	if l.N < 2 {
		return Interval{}, inputErr("line", "not fitted", "a line from FitLine")
	}
	if !finite(x) {
		return Interval{}, inputErr("x", x, "a number")
	}
	p := Interval{Mid: l.Intercept + l.Slope*x, Dof: float64(l.Dof)}
	if l.Dof == 0 {
		return p, nil
	}
	d := x - l.meanX
	p.Scale = l.S * math.Sqrt(1/wNew+1/l.sumW+d*d/l.spreadXX)
	h := TQuantile(0.5+level/2, p.Dof) * p.Scale
	p.Lo, p.Hi, p.Known = p.Mid-h, p.Mid+h, true
	return p, nil
}

// Data are proved stiffnesses: inertia J in kg·m² and stiffness K in N·m/rad or,
// without a conversion to SI, in dial numbers; one value per observation, all positive.
// Weight are precision weights and Count believed counts (package comment); nil
// means all 1.
type Data struct {
	J, K          []float64
	Weight, Count []float64
}

func (d Data) check() error {
	n := len(d.J)
	for _, s := range []struct {
		what string
		v    []float64
	}{{"inertia", d.J}, {"stiffness", d.K}, {"weight", d.Weight}, {"count", d.Count}} {
		if err := checkSeries(s.what, n, s.v, true); err != nil {
			return err
		}
	}
	if len(d.K) != n {
		return inputErr("stiffness", schema.Count(len(d.K), "value", "values"), fmt.Sprintf("%d, one for each inertia", n))
	}
	return nil
}

func (d Data) logs(jRef float64) (x, y []float64) {
	x, y = make([]float64, len(d.J)), make([]float64, len(d.K))
	lr := math.Log(jRef)
	for i := range d.J {
		x[i], y[i] = math.Log(d.J[i])-lr, math.Log(d.K[i])
	}
	return x, y
}

func checkRef(jRef float64) error {
	if !(jRef > 0) || math.IsInf(jRef, 0) {
		return inputErr("reference inertia", jRef, "a positive number in kg·m²")
	}
	return nil
}

// PowerLaw is K = exp(Intercept) (J/JRef)^Slope fitted by least squares in logs.
type PowerLaw struct {
	Line
	JRef float64
}

// FitPowerLaw fits ln K on ln J - ln jRef by weighted least squares. Count is
// ignored: the classical fit has no prior to discount against. Errors are
// *domain.Error.
//
// Source: as FitLine, on logarithms; checked against R lm(log(K) ~ log(J), weights).
func FitPowerLaw(d Data, jRef float64) (PowerLaw, error) {
	if err := checkRef(jRef); err != nil {
		return PowerLaw{}, err
	}
	if err := d.check(); err != nil {
		return PowerLaw{}, err
	}
	x, y := d.logs(jRef)
	l, err := FitLine(x, y, d.Weight)
	return PowerLaw{l, jRef}, err
}

// Predict gives the median stiffness at inertia j (kg·m²) and the interval for
// one new tune; level and wNew as Line.Predict.
//
// Source: as Line.Predict, exponentiated (a quantile of ln K is the ln of the
// quantile of K).
func (p PowerLaw) Predict(j, level, wNew float64) (Interval, error) {
	x, err := logRatio(j, p.JRef)
	if err != nil {
		return Interval{}, err
	}
	iv, err := p.Line.Predict(x, level, wNew)
	if err != nil {
		return Interval{}, err
	}
	return expInterval(iv)
}

func logRatio(j, jRef float64) (float64, error) {
	if err := checkRef(jRef); err != nil {
		return 0, err
	}
	if !(j > 0) || math.IsInf(j, 0) {
		return 0, inputErr("inertia", j, "a positive number in kg·m²")
	}
	return math.Log(j) - math.Log(jRef), nil
}

func expInterval(iv Interval) (Interval, error) {
	iv.Mid = math.Exp(iv.Mid)
	if iv.Known {
		iv.Lo, iv.Hi = math.Exp(iv.Lo), math.Exp(iv.Hi)
	}
	if !finite(iv.Mid, iv.Lo, iv.Hi, iv.Scale) {
		return Interval{}, inputErr("prediction", "an interval too wide to state", "a narrower prior or more proved tunes")
	}
	return iv, nil
}

// Prior is the belief before any proved tune: (b0, b1) given sigma² is normal
// with mean Mean and covariance sigma² VarScale; sigma² is inverse gamma with
// shape A0 and scale B0.
type Prior struct {
	Mean     [2]float64
	VarScale [2][2]float64
	A0, B0   float64
}

// DiagonalPrior is a Prior whose intercept and slope are independent.
//
// Source: normal-inverse-gamma prior (Gelman et al., Bayesian Data Analysis,
// 3rd ed., ch. 14, from memory).
func DiagonalPrior(mean, varScale [2]float64, a0, b0 float64) Prior {
	return Prior{Mean: mean, VarScale: [2][2]float64{{varScale[0], 0}, {0, varScale[1]}}, A0: a0, B0: b0}
}

// root is the inverse of the lower Cholesky factor of VarScale: its rows are
// the prior written as two observations of unit variance.
func (p Prior) root() (r [2][2]float64, err error) {
	v := p.VarScale
	if !finite(p.Mean[0], p.Mean[1], v[0][0], v[0][1], v[1][1], p.A0, p.B0) || v[0][1] != v[1][0] {
		return r, inputErr("prior", fmt.Sprintf("%+v", p), "finite numbers and a symmetric spread")
	}
	if !(p.A0 > 0 && p.B0 > 0) {
		return r, inputErr("prior of the scatter", fmt.Sprintf("shape %v, scale %v", p.A0, p.B0), "two positive numbers")
	}
	if !(v[0][0] > 0) {
		return r, inputErr("prior spread of the intercept", v[0][0], "a positive number")
	}
	l11 := math.Sqrt(v[0][0])
	l21 := v[1][0] / l11
	rest := v[1][1] - l21*l21
	if !(rest > 0) {
		return r, inputErr("prior spread", v, "a positive definite matrix")
	}
	l22 := math.Sqrt(rest)
	r = [2][2]float64{{1 / l11, 0}, {-l21 / (l11 * l22), 1 / l22}}
	if !finite(r[0][0], r[1][0], r[1][1]) {
		return r, inputErr("prior spread", v, "numbers of ordinary size")
	}
	return r, nil
}

// Posterior is the belief after the observations, in the form of Prior.
type Posterior struct {
	N        int     // observations
	Count    float64 // believed observations: the sum of their counts
	Mean     [2]float64
	VarScale [2][2]float64
	A, B     float64
	JRef     float64
}

// Update gives the posterior after d; no observation gives the prior back, so
// that Predict is then the prior predictive. Errors are *domain.Error.
//
// Source: conjugate normal-inverse-gamma update (Gelman et al., Bayesian Data
// Analysis, 3rd ed., ch. 14; Bishop, Pattern Recognition and Machine Learning,
// sec. 3.3; both from memory), solved by QR of the prior and the data stacked;
// counts are power-prior exponents (Ibrahim & Chen 2000, from memory).
func (p Prior) Update(d Data, jRef float64) (Posterior, error) {
	if err := checkRef(jRef); err != nil {
		return Posterior{}, err
	}
	if err := d.check(); err != nil {
		return Posterior{}, err
	}
	x, y := d.logs(jRef)
	return p.update(x, y, d.Weight, d.Count, jRef)
}

func (p Prior) update(x, y, weight, count []float64, jRef float64) (Posterior, error) {
	root, err := p.root()
	if err != nil {
		return Posterior{}, err
	}
	post := Posterior{N: len(x), Mean: p.Mean, VarScale: p.VarScale, A: p.A0, B: p.B0, JRef: jRef}
	if len(x) == 0 {
		return post, nil
	}
	wt, ct := weightAt(weight), weightAt(count)
	w := func(i int) float64 { return wt(i) * ct(i) }
	for i := range x {
		post.Count += ct(i)
	}
	m := centred(x, y, w)
	// The data's own triangle: two rows hold all that n rows say about the line.
	sw := math.Sqrt(m.w)
	var sx, sxyOver float64
	if m.sxx > 0 {
		sx = math.Sqrt(m.sxx)
		sxyOver = m.sxy / sx
	}
	a := mat.NewDense(4, 2, []float64{
		root[0][0], root[0][1],
		root[1][0], root[1][1],
		sw, sw * m.mx,
		0, sx,
	})
	rhs := mat.NewVecDense(4, []float64{
		root[0][0]*p.Mean[0] + root[0][1]*p.Mean[1],
		root[1][0]*p.Mean[0] + root[1][1]*p.Mean[1],
		sw * m.my,
		sxyOver,
	})
	var qr mat.QR
	qr.Factorize(a)
	var b mat.VecDense
	if err := qr.SolveVecTo(&b, false, rhs); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return Posterior{}, inputErr("regression", err, "numbers of ordinary size")
		}
	}
	var r mat.Dense
	qr.RTo(&r)
	r00, r01, r11 := r.At(0, 0), r.At(0, 1), r.At(1, 1)
	i00, i01, i11 := 1/r00, -r01/(r00*r11), 1/r11
	post.Mean = [2]float64{b.AtVec(0), b.AtVec(1)}
	post.VarScale = [2][2]float64{{i00*i00 + i01*i01, i01 * i11}, {i01 * i11, i11 * i11}}
	var res mat.VecDense
	res.MulVec(a, &b)
	res.SubVec(rhs, &res)
	post.A += post.Count / 2
	post.B += (m.rss(x, y, w) + mat.Dot(&res, &res)) / 2
	if !finite(post.Mean[0], post.Mean[1], post.VarScale[0][0], post.VarScale[0][1], post.VarScale[1][1], post.A, post.B) {
		return Posterior{}, inputErr("regression", "numbers too large or too small to work with", "numbers of ordinary size")
	}
	return post, nil
}

// Dof is the Student degrees of freedom of a prediction, 2A.
//
// Source: as Update.
func (p Posterior) Dof() float64 { return 2 * p.A }

// PredictLn gives the median and Student scale of ln K at inertia j (kg·m²) for
// one new tune of precision weight wNew.
//
// Source: as Predict.
func (p Posterior) PredictLn(j, wNew float64) (mid, scale float64, err error) {
	if err := checkNew(0.5, wNew); err != nil {
		return 0, 0, err
	}
	if !(p.A > 0 && p.B > 0) {
		return 0, 0, inputErr("posterior", "empty", "one from Update")
	}
	x, err := logRatio(j, p.JRef)
	if err != nil {
		return 0, 0, err
	}
	v := p.VarScale
	q := v[0][0] + 2*x*v[0][1] + x*x*v[1][1]
	return p.Mean[0] + p.Mean[1]*x, math.Sqrt(p.B / p.A * (1/wNew + q)), nil
}

// Predict gives the median stiffness at inertia j (kg·m²) and the interval at
// level (0 to 1) for one new tune of precision weight wNew (1 for an ordinary one).
//
// Source: posterior predictive Student t with 2A degrees of freedom (Gelman et
// al., Bayesian Data Analysis, 3rd ed., ch. 14, from memory).
func (p Posterior) Predict(j, level, wNew float64) (Interval, error) {
	if err := checkNew(level, wNew); err != nil {
		return Interval{}, err
	}
	mid, scale, err := p.PredictLn(j, wNew)
	if err != nil {
		return Interval{}, err
	}
	h := TQuantile(0.5+level/2, p.Dof()) * scale
	return expInterval(Interval{Mid: mid, Lo: mid - h, Hi: mid + h, Scale: scale, Dof: p.Dof(), Known: true})
}

// TQuantile is the p quantile (0 < p < 1) of Student's t with dof > 0 degrees of
// freedom.
//
// Source: inverse incomplete beta function, gonum distuv.
func TQuantile(p, dof float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(p)
}
