package preset

import (
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// Balanced is mass, centre of gravity and inertia of the build where it balances on a
// gimbal: its centre of gravity on the tilt and roll axes, from where these cross.
// Where the build was typed from does not matter.
//
// Source: fit.BalancePoint.
func (r Rig) Balanced(sheet *schema.Sheet) (mass.Properties, error) {
	p, err := r.Properties()
	if err != nil {
		return p, err
	}
	h := Head(sheet)
	p.CG, err = fit.BalancePoint(p.CG, h.Roll.Axis, h.Tilt.Axis)
	return p, err
}

// FitReport holds a build against a gimbal, balanced as far as its adjustments reach. Of
// a build whose balance point is unknown only the payload is said.
//
// Errors: those of fit.Check.
//
// Source: fit.Check; Marks.
func FitReport(r Rig, sheet *schema.Sheet, marks []MarkAnswer, lim fit.Limits) (fit.Report, error) {
	for _, a := range marks {
		if !a.Adjustment.Outer {
			lim.Off[a.Adjustment.Moves] += a.Offset
		}
	}
	if _, err := r.Properties(); IsUnknown(err) {
		return fit.Payload(r.Mass(), lim)
	}
	return fit.Check(r.MassParts(), lim, mass.Options{})
}
