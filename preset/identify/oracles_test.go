package identify

import (
	"math"
	"rigkeep/schema"
)

// Ratio is the factor that takes a stiffness found on one unit's dials to
// another's, for one axis. A unit that no session was on counts as the model of
// gimbal is.
//
// Source: offsets of Units.
func (r *Report) Ratio(a schema.Axis, from, to string) float64 {
	at := func(name string) float64 {
		u, ok := r.Unit(name)
		if !ok {
			return 0
		}
		for _, x := range u.Axes {
			if x.Axis == a.String() {
				return x.lnOffset
			}
		}
		return 0
	}
	if from == "" || to == "" || from == to {
		return 1
	}
	return math.Exp(at(to) - at(from))
}
