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
