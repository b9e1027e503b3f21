package start

import (
	"cmp"
	"math"
	"slices"

	"rigkeep/preset/domain"
	"rigkeep/preset/learn"
)

// Spreads are the standard deviations of the model, of ln K where nothing else is
// said, so that 0.1 reads as about 10 %.
type Spreads struct {
	Unit     float64 // between units of one model of gimbal
	Rig      float64 // between rigs of equal inertia
	Inertia  float64 // of an inertia from parts with sizes and places, in ln J
	MassOnly float64 // of an inertia from mass alone, in ln J
	Session  float64 // between two proofs of one rig on one unit
	Doubt    float64 // added where a proof is doubted
}

// DefaultSpreads gives the spreads in use.
//
// Source: common practice, no source; package coverage beside shows how they do.
func DefaultSpreads() Spreads {
	return Spreads{Unit: 0.12, Rig: 0.06, Inertia: 0.10, MassOnly: 0.30, Session: 0.07, Doubt: 0.25}
}

// line is the question of one stiffness: which K at inertia exp(lnJ), for a rig on a
// unit, after these proofs and anchors.
type line struct {
	spreads   Spreads
	slopeSD   float64
	base      learn.Normal // ln K at the rig's own inertia before anything is known
	anchors   []anchorPoint
	rig, unit int // as numbered in the proofs
	lnJ       float64
	jSD       float64 // of the rig's own inertia, in ln
	// ownUnknown says that the gimbal's own inertia is not in the lnJ: it is then an
	// unknown of the line.
	ownUnknown bool
	robust     learn.Robust
	*scratch
}

// scratch is memory that one line uses after the other, and one request after the other.
type scratch struct {
	tunes  []tuneFacts
	proofs []lineProof
	obs    []learn.Proof
	work   learn.Workspace
	points []point
	dists  []float64
}

// lineProof is one proof as the line sees it.
type lineProof struct {
	lnJ, lnK  float64
	rig, unit int     // as learn.Proof has them
	jSD       float64 // of its inertia, in ln
	errSD     float64
}

// estimate is the answer: a mixture of normals, one for each of the spreads and own
// inertias that the proofs leave possible.
type estimate struct {
	parts []weightedNormal
	// of the likeliest part
	slope, scatter, own float64
	influence           []float64 // of each proof on the prediction, 0 to about 1
	trust               []float64 // of each proof, 1 unless it is far off the line
	flagged             []learn.Outlier
	expect              []float64 // ln K the line expects at each proof
}

type weightedNormal struct {
	w float64
	learn.Normal
}

// Spreads may be off by these factors either way; and the gimbal's own inertia, where
// unknown, is one of these multiples of the median build's.
var (
	spreadFactors = []float64{0.6, 1, 1.7}
	factorWeights = []float64{0.25, 0.5, 0.25}
	ownMultiples  = []float64{0, 0.25, 0.5, 1, 2, 4}
)

// solve conditions the line on its proofs under every possible spread and own
// inertia, weighs each by how well it explains them, and predicts.
//
// Source: learn.Mixed; Bayesian averaging over a grid (Gelman et al., Bayesian Data
// Analysis, 3rd ed., ch. 10, from memory).
func (l line) solve() (*estimate, error) {
	e := &estimate{trust: ones(len(l.proofs)), expect: make([]float64, len(l.proofs))}
	extra, err := l.outliers(e)
	if err != nil {
		return nil, err
	}
	owns := []float64{0}
	if l.ownUnknown {
		owns = ownMultiples
	}
	type tried struct {
		h hypothesis
		y learn.Normal
	}
	var all []tried
	best, bestAt := math.Inf(-1), 0
	middle := l.median()
	m := l.prior()
	for _, own := range owns {
		for i, f := range spreadFactors {
			h := hypothesis{own: middle * own, scale: f}
			spreads := make([]float64, len(spreadFactors))
			for j, u := range spreadFactors {
				spreads[j] = m.UnitSD * u
			}
			cs, err := m.ConditionEach(&l.work, l.observations(h, extra), spreads...)
			if err != nil {
				return nil, err
			}
			for j, c := range cs {
				y, err := c.Predict(l.question(h))
				if err != nil {
					return nil, err
				}
				h.unitSD, h.lnPrior = spreads[j], math.Log(factorWeights[i]*factorWeights[j])+c.LogEvidence
				if h.lnPrior > best {
					best, bestAt = h.lnPrior, len(all)
				}
				all = append(all, tried{h, y})
			}
		}
	}
	for _, t := range all {
		e.parts = append(e.parts, weightedNormal{math.Exp(t.h.lnPrior - best), t.y})
	}
	top := all[bestAt].h
	obs := l.observations(top, extra)
	m.UnitSD = top.unitSD
	c, err := m.ConditionEach(&l.work, obs, m.UnitSD)
	if err != nil {
		return nil, err
	}
	_, e.slope, _ = c[0].Line()
	e.own = top.own
	e.scatter = math.Hypot(l.spreads.Session, l.spreads.Rig) * top.scale
	obs = obs[len(l.anchors):]
	e.influence = c[0].Influences(l.question(top), obs)
	for i, p := range obs {
		e.expect[i] = c[0].Expect(p)
	}
	return e, nil
}

// hypothesis is one set of spreads and own inertia.
type hypothesis struct {
	own     float64 // kg·m² beside what the proofs have
	scale   float64 // factor on the spreads, but for that between units
	unitSD  float64 // which is this
	lnPrior float64
}

// median is the middle inertia among the proofs, the anchors and the rig.
func (l line) median() float64 {
	v := []float64{l.lnJ}
	for _, p := range l.proofs {
		v = append(v, p.lnJ)
	}
	for _, a := range l.anchors {
		v = append(v, a.lnJ)
	}
	return math.Exp(median(v))
}

// x is ln of the inertia with the gimbal's own over that of the rig, and how a share
// of the build's inertia counts in it.
func (l line) x(h hypothesis, lnJ float64) (x, share float64) {
	if h.own == 0 {
		return lnJ - l.lnJ, 1
	}
	j, me := math.Exp(lnJ), math.Exp(l.lnJ)
	return math.Log((j + h.own) / (me + h.own)), j / (j + h.own)
}

func (l line) prior() learn.Mixed {
	return learn.Mixed{Mean: [2]float64{l.base.Mean, 1}, Var: [2]float64{l.base.SD * l.base.SD, l.slopeSD * l.slopeSD}, UnitSD: l.spreads.Unit}
}

// observations are the anchors, each of a rig and unit of its own, then the proofs. They hold
// until it is called again.
func (l line) observations(h hypothesis, extra []float64) []learn.Proof {
	out := l.obs[:0]
	for _, a := range l.anchors {
		x, _ := l.x(h, a.lnJ)
		out = append(out, learn.Proof{X: x, Y: a.lnK, ErrSD: a.sd})
	}
	for i, p := range l.proofs {
		x, share := l.x(h, p.lnJ)
		out = append(out, learn.Proof{X: x, Y: p.lnK, Unit: p.unit, Rig: p.rig, RigSD: l.rigSD(h, p.jSD*share), ErrSD: math.Hypot(p.errSD*h.scale, extra[i])})
	}
	l.obs = out
	return out
}

// rigSD is the spread of a rig effect: what an error of its inertia makes of K, and a
// remainder.
func (l line) rigSD(h hypothesis, jSD float64) float64 {
	return math.Hypot(jSD, l.spreads.Rig) * h.scale
}

func (l line) question(h hypothesis) learn.Proof {
	_, share := l.x(h, l.lnJ)
	return learn.Proof{Unit: l.unit, Rig: l.rig, RigSD: l.rigSD(h, l.jSD*share), ErrSD: l.spreads.Session * h.scale}
}

func ones(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 1
	}
	return out
}

// minProofs is the least number of proofs from which one may be called far off: of
// two that disagree nobody can say which is wrong.
const minProofs = 3

// outliers finds proofs that lie farther from the line than Cut robust standard
// deviations and gives each the extra spread that brings it back to Cut, so that what
// it does to the line fades with its distance. The search begins at slope 1 through
// the median, so that a gross error cannot hide by pulling the line.
//
// Source: iteratively reweighted least squares with a redescending weight (Huber,
// Robust Statistics, ch. 7; Hampel et al. 1986; from memory).
func (l line) outliers(e *estimate) ([]float64, error) {
	n := len(l.proofs)
	extra := make([]float64, n)
	if n < minProofs || !(l.robust.Cut > 0) {
		return extra, nil
	}
	h := hypothesis{scale: 1}
	own := make([]float64, n) // spread of a proof about the line, its unit known
	at := make([]float64, n)
	rest := make([]float64, n)
	for i, p := range l.proofs {
		x, share := l.x(h, p.lnJ)
		own[i] = math.Hypot(l.rigSD(h, p.jSD*share), p.errSD)
		at[i] = p.lnK - x
	}
	mid := median(slices.Clone(at))
	for i := range rest {
		rest[i] = (at[i] - mid) / math.Hypot(own[i], l.spreads.Unit)
	}
	size := make([]float64, n)
	for pass := range l.robust.MaxIter {
		for i, z := range rest {
			size[i] = math.Abs(z)
		}
		mad := 1.4826 * median(size)
		s := math.Max(1, math.Sqrt((3+float64(n)*mad*mad)/(3+float64(n)))) // never surer than stated
		change := 0.0
		for i, z := range rest {
			t := 1.0
			if a := math.Abs(z) / s; a > l.robust.Cut {
				t = l.robust.Cut / a
			}
			change = math.Max(change, math.Abs(t*t-e.trust[i]))
			e.trust[i] = t * t
			// the total spread becomes own/t
			extra[i] = own[i] * math.Sqrt(math.Max(0, 1/(t*t)-1))
			rest[i] = z
		}
		if pass > 0 && change < 1e-6 {
			break
		}
		obs := l.observations(h, extra)
		c, err := l.prior().ConditionEach(&l.work, obs, l.spreads.Unit)
		if err != nil {
			return nil, err
		}
		for i, p := range obs[len(l.anchors):] {
			p.Rig = 0 // about the line, not about what its own rig makes of it
			rest[i] = (p.Y - c[0].Expect(p)) / own[i]
		}
	}
	for i, t := range e.trust {
		if t < 1 {
			e.flagged = append(e.flagged, learn.Outlier{Index: i, Z: rest[i], Trust: t})
		}
	}
	return extra, nil
}

// quantile is the p quantile of ln K.
func (e *estimate) quantile(p float64) (float64, error) {
	lo, hi := math.Inf(1), math.Inf(-1)
	var sum float64
	for _, n := range e.parts {
		z := learn.ZQuantile(p)
		lo, hi = math.Min(lo, n.Mean+z*n.SD), math.Max(hi, n.Mean+z*n.SD)
		sum += n.w
	}
	// every part has its quantile between lo and hi, so the mixture has too
	for range 100 {
		mid := (lo + hi) / 2
		var at float64
		for _, n := range e.parts {
			at += n.w / sum * 0.5 * math.Erfc((n.Mean-mid)/(n.SD*math.Sqrt2))
		}
		if at < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	c := domain.Checker{Model: "start"}
	c.Finite("expected stiffness", lo)
	return (lo + hi) / 2, c.Err()
}

// rankByInfluence orders indices by influence, strongest first, of equal ones by
// place.
func (e *estimate) rankByInfluence() []int {
	out := make([]int, len(e.influence))
	for i := range out {
		out[i] = i
	}
	slices.SortStableFunc(out, func(a, b int) int {
		return cmp.Compare(math.Abs(e.influence[b]), math.Abs(e.influence[a]))
	})
	return out
}
