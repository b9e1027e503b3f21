package learn

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Mixed is a line through proofs of several rigs and units, every variance known:
//
//	y = b0 + b1 x + unit + rig + error
//
// with b normal about Mean, the unit effect of standard deviation UnitSD, a rig
// effect and an error whose standard deviations each proof states. All effects are
// normal and independent. x is ln inertia over a reference, y is ln stiffness.
type Mixed struct {
	Mean, Var [2]float64 // of b0 and b1; a variance of 0 means known
	UnitSD    float64
}

// Proof is one proof on record. Rigs and units are numbered from 1, close together: two
// proofs of one rig share its effect, two of one unit share that unit's. Number 0 is a rig
// or unit of its own.
type Proof struct {
	X, Y      float64
	Unit, Rig int
	RigSD     float64 // spread of the rig effect; of one rig the same in every proof
	ErrSD     float64 // spread of this proof's own error, above 0
}

// Numbers numbers the names of rigs, or of units, for a Proof.
type Numbers map[string]int

// Of is the number of a name, from 1 in the order in which they come up; "" is 0.
//
// Source: definition.
func (n Numbers) Of(name string) int {
	if name == "" {
		return 0
	}
	i, ok := n[name]
	if !ok {
		i = len(n) + 1
		n[name] = i
	}
	return i
}

// Normal is a normal distribution of y.
type Normal struct{ Mean, SD float64 }

// Interval is the central interval of a normal y at a level (0 to 1), as
// exponentials: the median and the two ends.
//
// Source: definition; the quantile is gonum's.
func (n Normal) Interval(level float64) (Interval, error) {
	if err := checkNew(level, 1); err != nil {
		return Interval{}, err
	}
	h := ZQuantile(0.5+level/2) * n.SD
	return expInterval(Interval{Mid: n.Mean, Lo: n.Mean - h, Hi: n.Mean + h, Scale: n.SD, Dof: math.Inf(1), Known: true})
}

// ZQuantile is the p quantile (0 < p < 1) of the standard normal distribution.
//
// Source: inverse error function, gonum distuv.
func ZQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// Conditioned is a Mixed after its proofs.
type Conditioned struct {
	m     Mixed
	units []int     // column of each unit's effect by its number, 0 for a unit without a proof
	rigs  []rigSums // by number; a rig without a proof has a precision of 0
	mean  []float64 // of b0, b1 and each unit's effect
	cov   *mat.SymDense
	// LogEvidence is ln of the density of the proofs under the model.
	LogEvidence float64
}

// rigSums is what one rig's proofs say of its effect, given everything else.
type rigSums struct {
	s2    float64    // variance of the rig effect
	w     float64    // sum of precisions
	wy    float64    // precision times y
	wz    [2]float64 // precision times the rows of the line
	units []unitSum  // and of the units that it was on
}

// unitSum is the precision of one column.
type unitSum struct {
	col int
	w   float64
}

func (m Mixed) check(ps []Proof) error {
	if !finite(m.Mean[0], m.Mean[1], m.Var[0], m.Var[1], m.UnitSD) || m.Var[0] < 0 || m.Var[1] < 0 || m.UnitSD < 0 {
		return inputErr("prior", fmt.Sprintf("%+v", m), "finite numbers, variances of 0 or more")
	}
	for i := range ps {
		p := &ps[i]
		name := func() string { return fmt.Sprintf("proof %d of %d", i+1, len(ps)) }
		if !finite(p.X, p.Y) {
			return inputErr(name(), fmt.Sprintf("x %v, y %v", p.X, p.Y), "two numbers")
		}
		if p.Unit < 0 || p.Rig < 0 {
			return inputErr(name(), fmt.Sprintf("unit %d, rig %d", p.Unit, p.Rig), "numbers of 0 or more")
		}
		if !(p.RigSD >= 0) || math.IsInf(p.RigSD, 0) {
			return inputErr(name()+": spread of its rig", p.RigSD, "0 or more")
		}
		if !(p.ErrSD > 0) || math.IsInf(p.ErrSD, 0) {
			return inputErr(name()+": its own spread", p.ErrSD, "a positive number")
		}
	}
	return nil
}

// errVar is what a proof has for itself: its error, and the effects of a rig and a
// unit that are its own.
func (m Mixed) errVar(p Proof) float64 {
	v := p.ErrSD * p.ErrSD
	if p.Rig == 0 {
		v += p.RigSD * p.RigSD
	}
	if p.Unit == 0 {
		v += m.UnitSD * m.UnitSD
	}
	return v
}

// Condition takes the proofs in. Without a proof the prior stands.
//
// Source: Gaussian conditioning with known variances (best linear unbiased
// prediction: Robinson, Statistical Science 6 (1991) 15-51; Searle, Casella &
// McCulloch, Variance Components, ch. 7; from memory). The rig effects are taken
// out one rig at a time (Sherman and Morrison's formula), so that the work grows
// with the number of proofs; the effects left are found in the form
// S (1 + S A S)⁻¹ S with S their prior standard deviations, which a standard
// deviation of 0 does not harm.
func (m Mixed) Condition(ps []Proof) (*Conditioned, error) {
	cs, err := m.ConditionEach(new(Workspace), ps, m.UnitSD)
	if err != nil {
		return nil, err
	}
	return cs[0], nil
}

// Workspace is memory for one ConditionEach after the other.
type Workspace struct {
	rigs  []rigSums
	units []unitSum
}

// ConditionEach is Condition for each of several spreads between units in place of UnitSD.
// What does not depend on them is summed once. The answers hold until the workspace is used
// again. Errors as Condition's.
//
// Source: as Condition.
func (m Mixed) ConditionEach(w *Workspace, ps []Proof, unitSDs ...float64) ([]*Conditioned, error) {
	for i, sd := range unitSDs {
		if m.UnitSD = sd; i == 0 {
			if err := m.check(ps); err != nil {
				return nil, err
			}
		} else if err := m.check(nil); err != nil {
			return nil, err
		}
	}
	units, columns := columns(ps)
	steady := w.sums(columns, ps)
	// The variance of a proof without a unit has the spread between units in it; if it has a rig,
	// so have the sums of that rig.
	rigsChange := false
	for i := range ps {
		if p := &ps[i]; p.Unit != 0 {
			steady.add(m, p, units[p.Unit])
		} else {
			rigsChange = rigsChange || p.Rig != 0
		}
	}
	if !rigsChange {
		steady.takeOut()
	}
	out := make([]*Conditioned, 0, len(unitSDs))
	for _, sd := range unitSDs {
		m.UnitSD = sd
		q := steady.copy(rigsChange)
		for i := range ps {
			if p := &ps[i]; p.Unit == 0 {
				q.add(m, p, 0)
			}
		}
		if rigsChange {
			q.takeOut()
		}
		c := &Conditioned{m: m, units: units, rigs: q.rigs}
		if err := c.solve(q, len(ps)); err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, nil
}

// columns gives each unit with a proof its column behind those of the line, by its number,
// and says how many columns there are.
func columns(ps []Proof) (of []int, n int) {
	n = 2
	for _, p := range ps {
		for p.Unit >= len(of) {
			of = append(of, 0)
		}
		if p.Unit != 0 && of[p.Unit] == 0 {
			of[p.Unit] = n
			n++
		}
	}
	return of, n
}

// sums is what the proofs say of the columns: A = Z' V⁻¹ Z, of which the upper half is kept
// row by row, and r = Z' V⁻¹ (y - prior mean), V the errors and in the end the rig effects;
// with y' V⁻¹ y and |V|.
type sums struct {
	a, r []float64
	quad float64
	det  logProduct
	rigs []rigSums
}

// sums makes room for n columns and the rigs of these proofs.
func (w *Workspace) sums(n int, ps []Proof) *sums {
	rigs := 1
	for i := range ps {
		rigs = max(rigs, ps[i].Rig+1)
	}
	if len(w.rigs) < rigs {
		w.rigs, w.units = make([]rigSums, rigs), make([]unitSum, rigs)
	}
	s := &sums{a: make([]float64, n*n), r: make([]float64, n), det: logProduct{rest: 1}, rigs: w.rigs[:rigs]}
	for i := range s.rigs {
		s.rigs[i] = rigSums{units: w.units[i : i : i+1]} // room for one: nearly all rigs were on one unit
	}
	return s
}

// copy is the same sums to go on from, with sums of the rigs of its own if they are to change.
func (s *sums) copy(rigs bool) *sums {
	c := *s
	c.a, c.r = slices.Clone(s.a), slices.Clone(s.r)
	if rigs {
		c.rigs = slices.Clone(s.rigs)
		for i := range c.rigs {
			c.rigs[i].units = slices.Clone(c.rigs[i].units)
		}
	}
	return &c
}

// add adds a proof, on the unit of a column or, of column 0, on one of its own.
func (s *sums) add(m Mixed, p *Proof, col int) {
	v := m.errVar(*p)
	w := 1 / v
	y := p.Y - m.Mean[0] - m.Mean[1]*p.X
	n := len(s.r)
	s.a[0] += w
	s.a[1] += w * p.X
	s.a[n+1] += w * p.X * p.X
	s.r[0] += w * y
	s.r[1] += w * p.X * y
	if col != 0 {
		s.a[col] += w
		s.a[n+col] += w * p.X
		s.a[col*n+col] += w
		s.r[col] += w * y
	}
	s.quad += w * y * y
	s.det.times(v)
	if p.Rig == 0 {
		return
	}
	g := &s.rigs[p.Rig]
	if g.w == 0 {
		g.s2 = p.RigSD * p.RigSD
	}
	g.w += w
	g.wy += w * y
	g.wz[0] += w
	g.wz[1] += w * p.X
	if col != 0 {
		g.add(col, w)
	}
}

// takeOut takes the rigs' effects out.
func (s *sums) takeOut() {
	n := len(s.r)
	for i := range s.rigs {
		g := &s.rigs[i]
		if g.s2 == 0 {
			continue
		}
		f := g.left()
		s.det.times(1 + g.s2*g.w)
		s.quad -= f * g.wy * g.wy
		g.each(func(j int, vj float64) {
			s.r[j] -= f * vj * g.wy
			row := s.a[j*n : j*n+n]
			g.each(func(k int, vk float64) {
				if j <= k {
					row[k] -= f * vj * vk
				}
			})
		})
	}
}

// logProduct is the logarithm of a product: most factors are multiplied, which is quicker than
// to add their logarithms.
type logProduct struct{ log, rest float64 }

func (l *logProduct) times(v float64) {
	if next := l.rest * v; next > 1e-200 && next < 1e200 {
		l.rest = next
		return
	}
	l.log += math.Log(l.rest) + math.Log(v)
	l.rest = 1
}

func (l logProduct) value() float64 { return l.log + math.Log(l.rest) }

// solve finds mean, covariance and evidence.
func (c *Conditioned) solve(q *sums, proofs int) error {
	n := len(q.r)
	sd := make([]float64, n)
	sd[0], sd[1] = math.Sqrt(c.m.Var[0]), math.Sqrt(c.m.Var[1])
	for i := 2; i < n; i++ {
		sd[i] = c.m.UnitSD
	}
	// B = 1 + S A S
	b := mat.NewSymDense(n, nil)
	rhs := mat.NewVecDense(n, nil)
	for j := range n {
		for k := j; k < n; k++ {
			v := sd[j] * q.a[j*n+k] * sd[k]
			if j == k {
				v++
			}
			b.SetSym(j, k, v)
		}
		rhs.SetVec(j, sd[j]*q.r[j])
	}
	var ch mat.Cholesky
	if !ch.Factorize(b) {
		return inputErr("regression", "numbers too large or too small to work with", "numbers of ordinary size")
	}
	var e mat.VecDense
	if err := ch.SolveVecTo(&e, rhs); err != nil {
		return inputErr("regression", err, "numbers of ordinary size")
	}
	var inv mat.SymDense
	if err := ch.InverseTo(&inv); err != nil {
		return inputErr("regression", err, "numbers of ordinary size")
	}
	c.mean = make([]float64, n)
	c.cov = mat.NewSymDense(n, nil)
	for j := range n {
		c.mean[j] = sd[j] * e.AtVec(j)
		for k := j; k < n; k++ {
			c.cov.SetSym(j, k, sd[j]*inv.At(j, k)*sd[k])
		}
	}
	quad := q.quad - mat.Dot(&e, rhs)
	c.LogEvidence = -0.5 * (float64(proofs)*math.Log(2*math.Pi) + q.det.value() + ch.LogDet() + quad)
	if !finite(c.LogEvidence) || !finite(c.mean...) {
		return inputErr("regression", "numbers too large or too small to work with", "numbers of ordinary size")
	}
	return nil
}

// add adds a precision to the column of a unit.
func (g *rigSums) add(col int, w float64) {
	for i := range g.units {
		if g.units[i].col == col {
			g.units[i].w += w
			return
		}
	}
	g.units = append(g.units, unitSum{col, w})
}

// each goes through the columns that are not zero.
func (g *rigSums) each(f func(col int, v float64)) {
	f(0, g.wz[0])
	f(1, g.wz[1])
	for _, u := range g.units {
		f(u.col, u.w)
	}
}

// Line is intercept and slope after the proofs, with the slope's standard deviation.
//
// Source: as Condition.
func (c *Conditioned) Line() (intercept, slope, slopeSD float64) {
	return c.m.Mean[0] + c.mean[0], c.m.Mean[1] + c.mean[1], math.Sqrt(math.Max(0, c.cov.At(1, 1)))
}

// effects gives the column of p's unit, 0 if that has no proof, and the sums of its rig, nil if
// that has none.
func (c *Conditioned) effects(p Proof) (col int, g *rigSums) {
	if p.Unit < len(c.units) {
		col = c.units[p.Unit]
	}
	if p.Rig != 0 && p.Rig < len(c.rigs) && c.rigs[p.Rig].w != 0 {
		g = &c.rigs[p.Rig]
	}
	return col, g
}

// left is the variance that the rig effect still has, given all else.
func (g *rigSums) left() float64 { return g.s2 / (1 + g.s2*g.w) }

// Predict gives one further proof, its own error included, of p's rig on p's unit
// (Y is not used). A number that is not on record, and 0, is a new one.
//
// Source: as Condition.
func (c *Conditioned) Predict(p Proof) (Normal, error) {
	if err := (Mixed{}).check([]Proof{{X: p.X, Unit: p.Unit, Rig: p.Rig, RigSD: p.RigSD, ErrSD: p.ErrSD}}); err != nil {
		return Normal{}, err
	}
	rest := p.ErrSD * p.ErrSD
	out := c.m.Mean[0] + c.m.Mean[1]*p.X
	col, g := c.effects(p)
	if col == 0 {
		rest += c.m.UnitSD * c.m.UnitSD
	}
	if g != nil {
		f := g.left()
		out += f * g.wy
		rest += f
	} else {
		rest += p.RigSD * p.RigSD
	}
	zv := mat.NewVecDense(len(c.mean), c.row(p))
	out += mat.Dot(zv, mat.NewVecDense(len(c.mean), c.mean))
	v := mat.Inner(zv, c.cov, zv) + rest
	if !finite(out, v) {
		return Normal{}, inputErr("prediction", "numbers too large or too small to work with", "numbers of ordinary size")
	}
	return Normal{out, math.Sqrt(v)}, nil
}

// row is how a prediction at p rests on the columns.
func (c *Conditioned) row(p Proof) []float64 {
	z := make([]float64, len(c.mean))
	z[0], z[1] = 1, p.X
	col, g := c.effects(p)
	if col != 0 {
		z[col] = 1
	}
	if g != nil {
		f := g.left()
		g.each(func(col int, v float64) { z[col] -= f * v })
	}
	return z
}

// on is the row of p times a value for each column.
func (c *Conditioned) on(values []float64, p Proof) float64 {
	out := values[0] + p.X*values[1]
	col, g := c.effects(p)
	if col != 0 {
		out += values[col]
	}
	if g != nil {
		f := g.left()
		g.each(func(col int, v float64) { out -= f * v * values[col] })
	}
	return out
}

// Expect is y at a proof's place without its error: the line, its unit's effect where
// that is on record, and its rig's.
//
// Source: as Condition.
func (c *Conditioned) Expect(p Proof) float64 {
	out := c.m.Mean[0] + c.m.Mean[1]*p.X + c.on(c.mean, p)
	if _, g := c.effects(p); g != nil {
		out += g.left() * g.wy
	}
	return out
}

// Influences is how far the prediction for t follows the Y of each of some proofs on
// record: 0 not at all, 1 wholly.
//
// Source: the prediction is linear in the proofs; this is its derivative.
func (c *Conditioned) Influences(t Proof, ps []Proof) []float64 {
	var at mat.VecDense
	at.MulVec(c.cov, mat.NewVecDense(len(c.mean), c.row(t)))
	_, of := c.effects(t)
	out := make([]float64, len(ps))
	for i, p := range ps {
		out[i] = c.on(at.RawVector().Data, p)
		if _, g := c.effects(p); g != nil && g == of {
			out[i] += g.left()
		}
		out[i] /= c.m.errVar(p)
	}
	return out
}
