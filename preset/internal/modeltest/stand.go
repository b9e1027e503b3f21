package modeltest

import (
	"math"
	"math/rand"
)

// Stand is one axis on a simulated stand, in closed loop in the time domain: two
// inertias joined by a soft, lightly damped joint (a long lens on a plate), torque
// -(K θ + D ω) of the motor's side through a sensing and a drive lag and a pure
// delay, sensor noise, torque limit. Semi-implicit Euler at a step far below every time constant.
type Stand struct {
	J                  float64 // kg·m²
	Share              float64 // of J beyond the joint
	ResHz, Zeta        float64 // of the joint, Hz and damping ratio
	TauSense, TauDrive float64 // s, first-order lags of sensor and drive
	Delay              float64 // s
	Step               float64 // s, of the integration
	Noise              float64 // rad, of the measured angle
}

// Oscillates taps the axis and looks whether a motion faster than 5 Hz is still there
// at the end: a slow wobble of a soft axis is no oscillation. k is the stiffness in
// N·m/rad, tv the damping over it in s; hz is of the motion at the end.
func (a Stand) Oscillates(k, tv float64, rng *rand.Rand) (hz float64, yes bool) {
	j2 := a.Share * a.J
	j1 := a.J - j2
	w2 := 2 * math.Pi * a.ResHz
	ks, cs := j2*w2*w2, 2*a.Zeta*w2*j2
	n := int(0.9 / a.Step)
	lag := max(1, int(math.Round(a.Delay/a.Step)))
	line := make([]float64, lag)
	th1, om1, th2, om2 := 0.0, 0.02, 0.0, 0.02
	var ys, yw, u float64
	limit := 0.05 * k // torque of 0.05 rad of error
	var middle, late float64
	turns := 0
	gs, gd := 1-math.Exp(-a.Step/a.TauSense), 1-math.Exp(-a.Step/a.TauDrive)
	for i := range n {
		m := th1
		if a.Noise > 0 {
			m += a.Noise * (rng.Float64() - 0.5)
		}
		ys += gs * (m - ys)
		yw += gs * (om1 - yw)
		cmd := -k * (ys + tv*yw)
		cmd = math.Max(-limit, math.Min(limit, cmd))
		at := i % lag
		delayed := line[at]
		line[at] = cmd
		u += gd * (delayed - u)
		joint := ks*(th1-th2) + cs*(om1-om2)
		before := om1
		om1 += a.Step * (u - joint) / j1
		om2 += a.Step * joint / j2
		th1 += a.Step * om1
		th2 += a.Step * om2
		switch e := om1 * om1; {
		case i >= 2*n/3:
			late += e
			if before*om1 < 0 {
				turns++
			}
		case i >= n/3:
			middle += e
		}
	}
	return float64(turns) / 2 / (float64(n-2*n/3) * a.Step), turns >= 3 && late > 0.5*middle && late > 1e-7*float64(n)
}
