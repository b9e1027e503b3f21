package learn

import "math"

// Prior gives the posterior back as a prior for further observations, with the
// belief about the scatter replaced by shape a0 and scale b0.
//
// Source: as Update; sequential use of a conjugate prior.
func (p Posterior) Prior(a0, b0 float64) Prior {
	return Prior{Mean: p.Mean, VarScale: p.VarScale, A0: a0, B0: b0}
}

// Sigma is the scatter of one tune about the line, in ln units: sqrt(B/A).
//
// Source: as Update.
func (p Posterior) Sigma() float64 { return math.Sqrt(p.B / p.A) }

// Influence is how far the predicted ln K at inertia j follows the ln K of an
// observation at ji whose total weight (precision times count) is w: 0 not at
// all, 1 wholly.
//
// Source: the prediction is linear in the observations: (1, x) V (1, xi)ᵀ w.
func (p Posterior) Influence(j, ji, w float64) (float64, error) {
	x, err := logRatio(j, p.JRef)
	if err != nil {
		return 0, err
	}
	xi, err := logRatio(ji, p.JRef)
	if err != nil {
		return 0, err
	}
	v := p.VarScale
	return w * (v[0][0] + (x+xi)*v[0][1] + x*xi*v[1][1]), nil
}

// Unit is the effect of a unit, 0 about UnitSD for one not on record.
//
// Source: as Condition.
func (c *Conditioned) Unit(number int) Normal {
	i, _ := c.effects(Proof{Unit: number})
	if i == 0 {
		return Normal{0, c.m.UnitSD}
	}
	return Normal{c.mean[i], math.Sqrt(math.Max(0, c.cov.At(i, i)))}
}
