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
