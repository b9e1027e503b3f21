package learn

import (
	"fmt"
	"math"

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

// Proof is one proof on record. Two proofs of one Rig share its effect, two of one
// Unit share that unit's; "" is a rig or unit of its own.
type Proof struct {
	X, Y      float64
	Unit, Rig string
	RigSD     float64 // spread of the rig effect; of one rig the same in every proof
	ErrSD     float64 // spread of this proof's own error, above 0
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
	units map[string]int // place of each unit's effect
	rigs  map[string]*rigSums
	mean  []float64 // of b0, b1 and each unit's effect
	cov   *mat.SymDense
	// LogEvidence is ln of the density of the proofs under the model.
	LogEvidence float64
	all         []*rigSums // in the order of the proofs, so that sums round alike every time
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
	for i, p := range ps {
		name := func() string { return fmt.Sprintf("proof %d of %d", i+1, len(ps)) }
		if !finite(p.X, p.Y) {
			return inputErr(name(), fmt.Sprintf("x %v, y %v", p.X, p.Y), "two numbers")
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
	if p.Rig == "" {
		v += p.RigSD * p.RigSD
	}
	if p.Unit == "" {
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
	if err := m.check(ps); err != nil {
		return nil, err
	}
	c := &Conditioned{m: m, units: map[string]int{}, rigs: make(map[string]*rigSums, len(ps)), all: make([]*rigSums, 0, len(ps))}
	at := c.place(ps)
	q := c.sum(ps, at)
	q.takeOut(c.all)
	if err := c.solve(q, len(ps)); err != nil {
		return nil, err
	}
	return c, nil
}

// place gives each unit its column, and for each proof the column of its unit; -1 if it has none.
func (c *Conditioned) place(ps []Proof) []int {
	at := make([]int, len(ps))
	for i, p := range ps {
		if c.m.UnitSD == 0 || p.Unit == "" {
			at[i] = -1
			continue
		}
		if _, ok := c.units[p.Unit]; !ok {
			c.units[p.Unit] = 2 + len(c.units)
		}
		at[i] = c.units[p.Unit]
	}
	return at
}

// precision is what the proofs say of the columns: A = Z' V⁻¹ Z and r = Z' V⁻¹ (y - prior mean),
// V the errors with the rig effects, row by row; with y' V⁻¹ y and ln |V|.
type precision struct {
	a, r        []float64
	quad, lndet float64
}

// sum adds up the proofs, with V the errors alone, and what the proofs of each rig share.
func (c *Conditioned) sum(ps []Proof, at []int) *precision {
	n := 2 + len(c.units)
	q := &precision{a: make([]float64, n*n), r: make([]float64, n)}
	// in one piece, as a thousand rigs are summed a hundred times; nearly all were on one unit
	rigs, units := make([]rigSums, 0, len(ps)), make([]unitSum, len(ps))
	for i, p := range ps {
		w := 1 / c.m.errVar(p)
		y := p.Y - c.m.Mean[0] - c.m.Mean[1]*p.X
		z := [3]float64{1, p.X, 1}
		cols := [3]int{0, 1, at[i]}
		for j, cj := range cols {
			if cj < 0 {
				continue
			}
			for k, ck := range cols {
				if ck >= 0 {
					q.a[cj*n+ck] += w * z[j] * z[k]
				}
			}
			q.r[cj] += w * z[j] * y
		}
		q.quad += w * y * y
		q.lndet -= math.Log(w)
		if p.Rig == "" {
			continue
		}
		g := c.rigs[p.Rig]
		if g == nil {
			rigs = append(rigs, rigSums{s2: p.RigSD * p.RigSD, units: units[i : i : i+1]})
			g = &rigs[len(rigs)-1]
			c.all = append(c.all, g)
			c.rigs[p.Rig] = g
		}
		g.w += w
		g.wy += w * y
		g.wz[0] += w
		g.wz[1] += w * p.X
		if at[i] >= 0 {
			g.add(at[i], w)
		}
	}
	return q
}

// takeOut takes the rigs' effects out.
func (q *precision) takeOut(rigs []*rigSums) {
	n := len(q.r)
	for _, g := range rigs {
		if g.s2 == 0 {
			continue
		}
		f := g.s2 / (1 + g.s2*g.w)
		q.lndet += math.Log1p(g.s2 * g.w)
		q.quad -= f * g.wy * g.wy
		g.each(func(j int, vj float64) {
			q.r[j] -= f * vj * g.wy
			g.each(func(k int, vk float64) { q.a[j*n+k] -= f * vj * vk })
		})
	}
}

// solve finds mean, covariance and evidence.
func (c *Conditioned) solve(q *precision, proofs int) error {
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
	c.LogEvidence = -0.5 * (float64(proofs)*math.Log(2*math.Pi) + q.lndet + ch.LogDet() + quad)
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

// Predict gives one further proof, its own error included, of p's rig on p's unit
// (Y is not used). A name that is not on record, and "", is a new one.
//
// Source: as Condition.
func (c *Conditioned) Predict(p Proof) (Normal, error) {
	if err := (Mixed{}).check([]Proof{{X: p.X, RigSD: p.RigSD, ErrSD: p.ErrSD}}); err != nil {
		return Normal{}, err
	}
	n := len(c.mean)
	z := make([]float64, n)
	z[0], z[1] = 1, p.X
	rest := p.ErrSD * p.ErrSD
	out := c.m.Mean[0] + c.m.Mean[1]*p.X
	if i, ok := c.units[p.Unit]; ok && p.Unit != "" {
		z[i] = 1
	} else {
		rest += c.m.UnitSD * c.m.UnitSD
	}
	if g := c.rigs[p.Rig]; g != nil && p.Rig != "" {
		// given all else, the rig effect is f (sum of precision times what is left)
		f := g.s2 / (1 + g.s2*g.w)
		out += f * g.wy
		g.each(func(col int, v float64) { z[col] -= f * v })
		rest += f
	} else {
		rest += p.RigSD * p.RigSD
	}
	zv := mat.NewVecDense(n, z)
	out += mat.Dot(zv, mat.NewVecDense(n, c.mean))
	v := mat.Inner(zv, c.cov, zv) + rest
	if !finite(out, v) {
		return Normal{}, inputErr("prediction", "numbers too large or too small to work with", "numbers of ordinary size")
	}
	return Normal{out, math.Sqrt(v)}, nil
}

// Expect is y at a proof's place without its error: the line, its unit's effect where
// that is on record, and its rig's.
//
// Source: as Condition.
func (c *Conditioned) Expect(p Proof) float64 {
	out := c.m.Mean[0] + c.mean[0] + (c.m.Mean[1]+c.mean[1])*p.X
	if i, ok := c.units[p.Unit]; ok && p.Unit != "" {
		out += c.mean[i]
	}
	if g := c.rigs[p.Rig]; g != nil && p.Rig != "" {
		f := g.s2 / (1 + g.s2*g.w)
		out += f * g.wy
		g.each(func(col int, v float64) { out -= f * v * c.mean[col] })
	}
	return out
}

// Influence is how far the prediction for t follows the Y of p, a proof on record: 0
// not at all, 1 wholly.
//
// Source: the prediction is linear in the proofs; this is its derivative.
func (c *Conditioned) Influence(t, p Proof) float64 {
	w := 1 / c.m.errVar(p)
	row := func(p Proof) (*rigSums, map[int]float64) {
		z := map[int]float64{0: 1, 1: p.X}
		if i, ok := c.units[p.Unit]; ok && p.Unit != "" {
			z[i] = 1
		}
		g := c.rigs[p.Rig]
		if p.Rig == "" {
			g = nil
		}
		if g != nil {
			f := g.s2 / (1 + g.s2*g.w)
			g.each(func(col int, v float64) { z[col] -= f * v })
		}
		return g, z
	}
	gt, zt := row(t)
	gp, zp := row(p)
	var out float64
	for j := range len(c.mean) {
		for k := range len(c.mean) {
			if a, b := zt[j], zp[k]; a != 0 && b != 0 {
				out += a * b * c.cov.At(j, k)
			}
		}
	}
	out *= w
	if gt != nil && gt == gp {
		out += gt.s2 / (1 + gt.s2*gt.w) * w
	}
	return out
}
