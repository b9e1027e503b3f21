package balance

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"rigkeep/preset/domain"
)

// Found is one mark at which a load balanced.
type Found struct {
	Mass float64 // kg of the build
	CG   float64 // m from the build's origin along the slide's axis; 0 for an outer stage
	Mark float64 // m
	// Rig and Unit name what balanced and on which gimbal; those with one name share
	// one error. Empty: none of its own.
	Rig, Unit string
	// Loose: the centre of gravity is not known, or was typed from a point of its own,
	// so that the record only says what this rig's is.
	Loose bool
}

func checkFound(c *domain.Checker, dir int, recs []Found) {
	c.That(dir == 1 || dir == -1, "direction of the scale", float64(dir), "1 or -1", "")
	for i, r := range recs {
		name := fmt.Sprintf("balance record %d of %d: ", i+1, len(recs))
		c.Positive(name+"mass", r.Mass, "kg")
		c.Finite(name+"centre of gravity", r.CG)
		c.Finite(name+"mark", r.Mark)
	}
}

// masses is how many different masses the records have.
func masses(recs []Found) int {
	m := map[float64]bool{}
	for _, r := range recs {
		m[r.Mass] = true
	}
	return len(m)
}

// SlideFit is a slide as least squares has it from records.
type SlideFit struct {
	Slide
	N        int
	Residual float64 // m, root mean square; 0 where there are as many unknowns as records
}

// FitSlide finds Zero and OwnMoment of a slide from the marks at which builds
// balanced, by least squares; dir is its direction and ownMass (kg) moves with it.
// Rigs and units are not told apart.
//
// Errors: *domain.Error for records out of domain or with fewer than two different
// masses.
//
// Source: ordinary least squares of z = μ + s m c/(m + M) on x = -s/(m + M),
// z = μ0 + S x (derived here; Weisberg, Applied Linear Regression, ch. 2; from memory).
func FitSlide(dir int, ownMass float64, recs []Found) (SlideFit, error) {
	c := domain.Checker{Model: model}
	checkFound(&c, dir, recs)
	c.NotNegative("mass that moves with the adjustment", ownMass, "kg")
	c.That(masses(recs) >= 2, "number of different masses", float64(masses(recs)), "at least 2", "balance a heavier or lighter build and record its marks")
	if err := c.Err(); err != nil {
		return SlideFit{}, err
	}
	a, b := mat.NewDense(len(recs), 2, nil), mat.NewVecDense(len(recs), nil)
	for i, r := range recs {
		total := r.Mass + ownMass
		a.SetRow(i, []float64{1, -float64(dir) / total})
		b.SetVec(i, r.Mark+float64(dir)*r.Mass*r.CG/total)
	}
	sol, rms, err := leastSquares(a, b)
	if err != nil {
		return SlideFit{}, err
	}
	return SlideFit{Slide: Slide{Zero: sol[0], Direction: dir, OwnMass: ownMass, OwnMoment: sol[1]}, N: len(recs), Residual: rms}, nil
}

// FitSlideMass is FitSlide for a slide whose moving mass is not known either.
//
// Errors: *domain.Error for records out of domain, with fewer than three different
// masses, or that give a moving mass below zero.
//
// Source: linear least squares of m (μ + s c) = μ0 m + A - M μ with A = μ0 M - s S
// (derived here; Weisberg, Applied Linear Regression, ch. 2; from memory).
func FitSlideMass(dir int, recs []Found) (SlideFit, error) {
	c := domain.Checker{Model: model}
	checkFound(&c, dir, recs)
	c.That(masses(recs) >= 3, "number of different masses", float64(masses(recs)), "at least 3", "balance builds of other masses and record their marks")
	if err := c.Err(); err != nil {
		return SlideFit{}, err
	}
	a, b := mat.NewDense(len(recs), 3, nil), mat.NewVecDense(len(recs), nil)
	for i, r := range recs {
		a.SetRow(i, []float64{r.Mass, 1, -r.Mark})
		b.SetVec(i, r.Mass*(r.Mark+float64(dir)*r.CG))
	}
	sol, _, err := leastSquares(a, b)
	if err != nil {
		return SlideFit{}, err
	}
	if sol[2] < -1e-9 {
		return SlideFit{}, &domain.Error{Model: model, Name: "mass that moves with the adjustment", Value: domain.Number(sol[2]) + " kg by these records", Want: "0 kg or more", Do: "check that the scale rises the way the sheet says, or record more builds"}
	}
	f := SlideFit{Slide: Slide{Zero: sol[0], Direction: dir, OwnMass: math.Max(sol[2], 0)}, N: len(recs)}
	f.OwnMoment = float64(dir) * (sol[0]*sol[2] - sol[1])
	if len(recs) > 3 {
		var sum float64
		for _, r := range recs {
			m, err := f.Balance(r.Mass, r.CG)
			if err != nil {
				return SlideFit{}, err
			}
			sum += (m.Needed - r.Mark) * (m.Needed - r.Mark)
		}
		f.Residual = math.Sqrt(sum / float64(len(recs)))
	}
	return f, nil
}

// leastSquares solves a x = b by QR with the columns scaled to length 1, and gives
// the root mean square of what is left.
func leastSquares(a *mat.Dense, b *mat.VecDense) (x []float64, rms float64, err error) {
	n, cols := a.Dims()
	bad := &domain.Error{Model: model, Name: "the balance records", Want: "builds that tell the unknowns apart", Do: "record builds of other masses and balance points"}
	scale := make([]float64, cols)
	for j := range scale {
		scale[j] = mat.Norm(a.ColView(j), 2)
		if !(scale[j] > 0) {
			return nil, 0, bad
		}
		for i := range n {
			a.Set(i, j, a.At(i, j)/scale[j])
		}
	}
	var (
		qr  mat.QR
		sol mat.VecDense
		res mat.VecDense
	)
	qr.Factorize(a)
	if err := qr.SolveVecTo(&sol, false, b); err != nil || qr.Cond() > 1e10 {
		return nil, 0, bad
	}
	res.MulVec(a, &sol)
	res.SubVec(b, &res)
	if n > cols {
		rms = mat.Norm(&res, 2) / math.Sqrt(float64(n))
	}
	x = make([]float64, cols)
	for j := range x {
		x[j] = sol.AtVec(j) / scale[j]
		if math.IsNaN(x[j]) || math.IsInf(x[j], 0) {
			return nil, 0, bad
		}
	}
	return x, rms, nil
}

// Belief is what is believed of a slide before its records: (μ0, S) given σ² is
// normal with mean Mean and variances σ² VarScale, σ² is inverse gamma with shape
// A0 and scale B0. σ is the error of one reading; the errors of rigs and units are
// stated as multiples of it, so that records that scatter more widen all of them.
type Belief struct {
	Direction int
	// OwnMass is the mass (kg) that moves with the slide; nil where it is not known:
	// then every mass of OwnMasses counts by how well it explains the records.
	OwnMass   *float64
	Mean      [2]float64 // m, kg·m
	VarScale  [2]float64 // of m² and (kg·m)², each over σ² in m²
	A0, B0    float64    // B0 in m²
	RigScale  float64    // variance of a rig's centre-of-gravity error over σ²; 0 for none
	UnitScale float64    // variance of a unit's zero over σ²; 0 for none
}

// The usual sizes of what a mark is made of (common practice, no source). DESIGN
// section 4 states those of rigs and units.
const (
	ReadingError = 0.0005 // m, of one reading of a scale
	RigError     = 0.003  // m, of a build's centre of gravity
	UnitError    = 0.002  // m, of a unit's zero
	innerError   = 0.001  // m, of the balance of an inner stage, as an outer one sees it
	looseError   = 0.1    // m, of a centre of gravity that is not known
	momentError  = 0.03   // kg·m, of what a stage leaves about its axis
	zeroError    = 0.1    // m, of a zero where neither sheet nor scale says anything
	beliefShape  = 8      // as sure of these sizes as 16 records would be
)

// OwnMasses are the moving masses, kg, that are tried where none is known.
var OwnMasses = []float64{0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.3, 1.6, 2}

// UsualBelief is the belief about a slide of which a sheet gives what it gives: zero
// (m) and moment (kg·m) nil where unknown, rng the ends of its scale. outer is for a
// stage that carries a balanced inner one, and so sees little of a build's error.
//
// Source: common practice, no source; the sizes are the constants beside it.
func UsualBelief(dir int, ownMass, zero, moment *float64, rng *[2]float64, outer bool) Belief {
	over := func(sd float64) float64 { return sd * sd / (ReadingError * ReadingError) }
	b := Belief{Direction: dir, OwnMass: ownMass, A0: beliefShape, B0: beliefShape * ReadingError * ReadingError, UnitScale: over(UnitError)}
	b.RigScale = over(RigError)
	if outer {
		b.RigScale = over(innerError)
	}
	b.VarScale = [2]float64{over(zeroError), over(momentError)}
	if rng != nil {
		b.Mean[0] = (rng[0] + rng[1]) / 2
		b.VarScale[0] = over(math.Max(zeroError, rng[1]-rng[0]))
	}
	if zero != nil {
		b.Mean[0], b.VarScale[0] = *zero, over(2*ReadingError)
	}
	if moment != nil {
		b.Mean[1], b.VarScale[1] = *moment, over(0.002)
	}
	return b
}

func (b Belief) check(c *domain.Checker) {
	c.That(b.Direction == 1 || b.Direction == -1, "direction of the scale", float64(b.Direction), "1 or -1", "")
	if b.OwnMass != nil {
		c.NotNegative("mass that moves with the adjustment", *b.OwnMass, "kg")
	}
	for i := range b.Mean {
		c.Finite("prior mean", b.Mean[i])
		c.Positive("prior variance", b.VarScale[i], "")
	}
	c.Positive("prior shape of the scatter", b.A0, "")
	c.Positive("prior scale of the scatter", b.B0, "m²")
	c.NotNegative("variance of a rig's error", b.RigScale, "")
	c.NotNegative("variance of a unit's zero", b.UnitScale, "")
}

// Query is a load whose mark is wanted.
type Query struct {
	Mass, CG  float64 // kg, m from the build's origin
	Rig, Unit string  // "" for a rig or unit that is not known
	Loose     bool    // the centre of gravity is not known: only the rig's own records say
	// Parent is a recorded rig that this one was made from; Swapped are the masses (kg)
	// of the parts that differ, of either rig. Empty Parent: none.
	Parent  string
	Swapped []float64
}

// Predicted is the mark that is expected, for one new reading.
type Predicted struct {
	N      int     // records that it rests on
	Mid    float64 // m, mean
	Lo, Hi float64 // m, the central interval at the level asked for
	Scale  float64 // m, Student scale; of a mixture the standard deviation's
	Dof    float64
	parts  []component
}

type component struct{ w, mid, scale, dof float64 }

// Interval is the central interval at another level.
//
// Source: as Belief.Predict.
func (p Predicted) Interval(level float64) (lo, hi float64) {
	return p.quantile(0.5 - level/2), p.quantile(0.5 + level/2)
}

// quantile solves the distribution function of the mixture by bisection.
func (p Predicted) quantile(q float64) float64 {
	at := func(c component) float64 {
		return distuv.StudentsT{Mu: c.mid, Sigma: c.scale, Nu: c.dof}.Quantile(q)
	}
	if len(p.parts) == 1 {
		return at(p.parts[0])
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, c := range p.parts {
		v := at(c)
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	for range 50 {
		mid := lo + (hi-lo)/2
		var f float64
		for _, c := range p.parts {
			f += c.w * distuv.StudentsT{Mu: c.mid, Sigma: c.scale, Nu: c.dof}.CDF(mid)
		}
		if f < q {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + (hi-lo)/2
}

// Learned is a belief after its records, for one load that is asked about.
type Learned struct {
	N        int
	Mean     [2]float64    // μ0 in m, S in kg·m
	VarScale [2][2]float64 // without the σ²
	A, B     float64       // B in m²
	Mark     Predicted
}

// Learn takes in the marks found and predicts that of q, at a level such as 0.9.
// Where the moving mass is not known, Mean, VarScale, A and B are those of the mass
// that explains the records best.
//
// Errors: *domain.Error for a belief, records or a query out of domain; a Loose query
// without a record of its own rig or of its parent.
//
// Source: Bayesian linear regression with a normal-inverse-gamma prior and a Student
// prediction (Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 14; Bishop, Pattern
// Recognition and Machine Learning, sec. 3.3; from memory); the errors of rigs and
// units are random effects, those of rigs that are not asked for integrated out
// (Searle, Casella & McCulloch, Variance Components, ch. 7; from memory); an unknown
// moving mass is averaged over by marginal likelihood.
func (b Belief) Learn(recs []Found, q Query, level float64) (Learned, error) {
	c := domain.Checker{Model: model}
	b.check(&c)
	checkFound(&c, b.Direction, recs)
	c.Positive("mass", q.Mass, "kg")
	c.Finite("centre of gravity", q.CG)
	c.That(level > 0 && level < 1, "level of the interval", level, "a share between 0 and 1, such as 0.9", "")
	for _, m := range q.Swapped {
		c.NotNegative("mass of a part that differs", m, "kg")
	}
	if err := c.Err(); err != nil {
		return Learned{}, err
	}
	own := slices.ContainsFunc(recs, func(r Found) bool { return r.Rig == q.Rig && r.Rig != "" })
	if q.Loose && b.RigScale > 0 && !own {
		return Learned{}, &domain.Error{Model: model, Name: "centre of gravity of the build", Want: "a balance point", Do: "give the parts' balance points, or balance it once and record the marks"}
	}
	masses := OwnMasses
	if b.OwnMass != nil {
		masses = []float64{*b.OwnMass}
	}
	var out Learned
	best := math.Inf(-1)
	var logs []float64
	for _, m := range masses {
		l, ln, err := b.learn(m, recs, q)
		if err != nil {
			return Learned{}, err
		}
		parts := append(out.Mark.parts, l.Mark.parts...)
		logs = append(logs, ln)
		if ln > best {
			best, out = ln, l
		}
		out.Mark.parts = parts
	}
	var sum float64
	for i := range logs {
		out.Mark.parts[i].w = math.Exp(logs[i] - best)
		sum += out.Mark.parts[i].w
	}
	p := &out.Mark
	p.N, p.Mid, p.Scale = len(recs), 0, 0
	for i := range p.parts {
		p.parts[i].w /= sum
		p.Mid += p.parts[i].w * p.parts[i].mid
	}
	p.parts = slices.DeleteFunc(p.parts, func(c component) bool { return c.w < 1e-9 })
	for _, x := range p.parts {
		p.Scale += x.w * (x.scale*x.scale + (x.mid-p.Mid)*(x.mid-p.Mid))
	}
	p.Scale, p.Dof = math.Sqrt(p.Scale), p.parts[0].dof
	p.Lo, p.Hi = p.Interval(level)
	for _, v := range []float64{p.Mid, p.Lo, p.Hi, out.B} {
		c.Result("mark", v)
	}
	return out, c.Err()
}

// learn is Learn with the moving mass known, and the log of how likely the records
// are then.
func (b Belief) learn(own float64, recs []Found, q Query) (Learned, float64, error) {
	u := b.unknowns(own, recs, q)
	rows, y, logDet := u.whitened(recs)
	bad := &domain.Error{Model: model, Name: "the balance records", Want: "numbers of ordinary size"}
	sol, ok := u.solve(rows, y)
	if !ok {
		return Learned{}, 0, bad
	}
	post := Learned{N: len(recs), A: b.A0 + float64(len(rows))/2, B: b.B0 + sol.squares/2}
	for j := range 2 {
		post.Mean[j] = sol.value(j)
	}
	e0, e1 := make([]float64, len(u.prior)), make([]float64, len(u.prior))
	e0[0], e1[1] = 1, 1
	v0, v1 := sol.spread(e0), sol.spread(e1)
	cross := mat.Dot(v0, v1)
	post.VarScale = [2][2]float64{{mat.Dot(v0, v0), cross}, {cross, mat.Dot(v1, v1)}}

	h, extra := u.reading(recs, q)
	mid := -u.s * q.Mass * q.CG / (q.Mass + own)
	for j := range h {
		mid += h[j] * sol.value(j)
	}
	v := sol.spread(h)
	scale := math.Sqrt(post.B / post.A * (extra + mat.Dot(v, v)))
	post.Mark = Predicted{N: len(recs), parts: []component{{1, mid, scale, 2 * post.A}}}
	// ln of the marginal likelihood, up to what does not depend on the moving mass
	ln := -sol.lnR - logDet/2 - post.A*math.Log(post.B)
	if math.IsNaN(mid+scale+ln) || math.IsInf(mid+scale+ln, 0) {
		return Learned{}, 0, bad
	}
	return post, ln, nil
}

// unknowns are the columns of the regression: μ0, S, one zero per unit, and the error
// of the rig that is asked for or of its parent; the other rigs' errors sit in the
// covariance of their records.
type unknowns struct {
	b           Belief
	own         float64        // kg, the moving mass
	s           float64        // 1 or -1, the direction
	units       map[string]int // the column of each unit
	focus       string         // the rig whose error is the last column; empty: none
	loose       float64        // what a centre of gravity that is not known adds to RigScale
	prior, mean []float64      // of each column
}

func (b Belief) unknowns(own float64, recs []Found, q Query) unknowns {
	u := unknowns{b: b, own: own, s: float64(b.Direction), units: map[string]int{}, loose: looseError * looseError / (b.B0 / b.A0)}
	if b.UnitScale > 0 {
		for _, r := range recs {
			if _, ok := u.units[r.Unit]; !ok && r.Unit != "" {
				u.units[r.Unit] = 2 + len(u.units)
			}
		}
	}
	if b.RigScale > 0 {
		for _, r := range recs {
			if r.Rig != "" && (r.Rig == q.Rig || u.focus == "" && r.Rig == q.Parent) {
				u.focus = r.Rig
			}
		}
	}
	p := 2 + len(u.units)
	if u.focus != "" {
		p++
	}
	u.prior, u.mean = make([]float64, p), make([]float64, p)
	for j := range u.prior {
		u.prior[j] = b.UnitScale
	}
	u.prior[0], u.prior[1] = b.VarScale[0], b.VarScale[1]
	u.mean[0], u.mean[1] = b.Mean[0], b.Mean[1]
	if u.focus != "" {
		u.prior[p-1] = b.RigScale
		if slices.ContainsFunc(recs, func(r Found) bool { return r.Rig == u.focus && r.Loose }) {
			u.prior[p-1] += u.loose
		}
	}
	return u
}

// whitened gives the rows of the records and their marks, rig by rig and of unit
// variance, and the log of the determinant of their covariance.
func (u unknowns) whitened(recs []Found) (rows [][]float64, y []float64, logDet float64) {
	p := len(u.prior)
	rows = make([][]float64, 0, len(recs))
	byRig := map[string][]int{}
	var order []string
	for i, r := range recs {
		key := r.Rig
		if key == "" {
			key = fmt.Sprintf("\x00%d", i)
		}
		if byRig[key] == nil {
			order = append(order, key)
		}
		byRig[key] = append(byRig[key], i)
	}
	for _, rig := range order {
		var sq float64 // Σ w², w the part of a rig's error that its mark shows
		var w []float64
		kappa := u.b.RigScale
		first := len(rows)
		for _, i := range byRig[rig] {
			r := recs[i]
			total := r.Mass + u.own
			row := make([]float64, p)
			row[0], row[1] = 1, -u.s/total
			if j, ok := u.units[r.Unit]; ok {
				row[j] = 1
			}
			share := r.Mass / total
			if rig == u.focus {
				row[p-1] = -u.s * share
			}
			w, sq = append(w, share), sq+share*share
			if r.Loose && u.b.RigScale > 0 {
				kappa = u.b.RigScale + u.loose
			}
			rows, y = append(rows, row), append(y, r.Mark+u.s*r.Mass*r.CG/total)
		}
		if rig == u.focus || kappa == 0 {
			continue
		}
		logDet += math.Log1p(kappa * sq)
		shareError(rows[first:], y[first:], w, sq, kappa)
	}
	return rows, y, logDet
}

// shareError whitens the rows of one rig, which share an error of variance kappa by
// their weights w; sq is w'w:
//
//	(I + κ w w')^(-1/2) = I - (1 - 1/√(1 + κ w'w)) w w'/(w'w)
func shareError(rows [][]float64, y, w []float64, sq, kappa float64) {
	f := (1 - 1/math.Sqrt(1+kappa*sq)) / sq
	for j := range rows[0] {
		var dot float64
		for k := range w {
			dot += w[k] * rows[k][j]
		}
		for k := range w {
			rows[k][j] -= f * dot * w[k]
		}
	}
	var dot float64
	for k := range w {
		dot += w[k] * y[k]
	}
	for k := range w {
		y[k] -= f * dot * w[k]
	}
}

// solution is the least squares of prior and records.
type solution struct {
	unknowns
	t       mat.VecDense  // (β - mean)/√prior
	r       *mat.TriDense // of the QR factors
	lnR     float64       // ln |det r|
	squares float64       // sum of the squared residuals
}

// solve stacks prior and records as rows of unit variance, in units of the prior's own
// spread so that the columns are of one size.
func (u unknowns) solve(rows [][]float64, y []float64) (sol solution, ok bool) {
	p, n := len(u.prior), len(rows)
	a, rhs := mat.NewDense(n+p, p, nil), mat.NewVecDense(n+p, nil)
	for j := range p {
		a.Set(j, j, 1) // the unknown is (β - mean)/√prior
	}
	for i, row := range rows {
		v := y[i]
		for j := range p {
			a.Set(p+i, j, row[j]*math.Sqrt(u.prior[j]))
			v -= row[j] * u.mean[j]
		}
		rhs.SetVec(p+i, v)
	}
	sol = solution{unknowns: u, r: mat.NewTriDense(p, mat.Upper, nil)}
	var qr mat.QR
	qr.Factorize(a)
	if err := qr.SolveVecTo(&sol.t, false, rhs); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return sol, false
		}
	}
	var res mat.VecDense
	res.MulVec(a, &sol.t)
	res.SubVec(rhs, &res)
	sol.squares = mat.Dot(&res, &res)
	var full mat.Dense
	qr.RTo(&full)
	for i := range p {
		for j := i; j < p; j++ {
			sol.r.SetTri(i, j, full.At(i, j))
		}
		sol.lnR += math.Log(math.Abs(full.At(i, i)))
	}
	return sol, true
}

// value is the unknown of column j.
func (s *solution) value(j int) float64 {
	return s.mean[j] + s.t.AtVec(j)*math.Sqrt(s.prior[j])
}

// spread is R'^-1 h of a linear form h of the unknowns: the square of it is the form's variance.
func (s *solution) spread(h []float64) *mat.VecDense {
	var v mat.VecDense
	x := mat.NewVecDense(len(h), nil)
	for j := range h {
		x.SetVec(j, h[j]*math.Sqrt(s.prior[j]))
	}
	if err := v.SolveVec(s.r.T(), x); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			v.Reset()
			v.ReuseAsVec(len(h))
			v.SetVec(0, math.NaN())
		}
	}
	return &v
}

// reading is one new reading of the mark, as a linear form of the unknowns and with the
// variance that they do not explain.
func (u unknowns) reading(recs []Found, q Query) (h []float64, extra float64) {
	b, p := u.b, len(u.prior)
	total := q.Mass + u.own
	h, extra = make([]float64, p), 1
	h[0], h[1] = 1, -u.s/total
	if j, ok := u.units[q.Unit]; ok {
		h[j] = 1
	} else {
		extra += b.UnitScale
	}
	share := q.Mass / total
	switch {
	case b.RigScale == 0:
	case u.focus != "" && u.focus == q.Rig:
		h[p-1] = -u.s * share
	case u.focus != "":
		// the moment of what both rigs have is the parent's; each part that differs has
		// an error of its own
		var parent float64
		for _, x := range recs {
			if x.Rig == u.focus {
				parent = x.Mass
			}
		}
		h[p-1] = -u.s * parent / total
		for _, m := range q.Swapped {
			extra += b.RigScale * m * m / (total * total)
		}
	default:
		extra += b.RigScale * share * share
	}
	return h, extra
}
