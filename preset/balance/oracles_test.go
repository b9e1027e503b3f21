package balance

import (
	"rigkeep/preset/domain"
	"rigkeep/schema"
)

// GravityStiffness returns the stiffness in N·m/rad that gravity adds to an axis
// when the centre of gravity of m (kg) is h (m) below it: positive hangs
// (steadies), negative is top-heavy (tips over). g in m/s².
//
// Errors: *domain.Error for a mass of zero or less, a g below zero, or an h not finite.
//
// Source: linearised pendulum, m g h (Meriam & Kraige, Dynamics, ch. 8; from memory).
func GravityStiffness(m, h, g float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.Positive("mass", m, "kg")
	c.Finite("height of the axis above the centre of gravity", h)
	c.NotNegative("gravity", g, "m/s²")
	k := m * g * h
	c.Result("gravity stiffness", k)
	return k, c.Err()
}

// Read turns the resting effort of one axis (percent; one reading, or two taken
// from either side at the same angle) into a verdict, an offset and what to do. The head is
// at home on a level stand. For pan, Incline near π/2 is an upright axis, which
// tells no offset; a Full of 0 is an unknown torque, with which no effort does.
//
// Errors: *domain.Error for another number of readings, an axis or thresholds
// out of domain, or readings that are not finite.
//
// Source: see FromPair and Where; thresholds are common practice, no source.
func Read(axis schema.Axis, a Axis, efforts []float64, sign Sign, th Thresholds) (Reading, error) {
	return ReadAtAttitude(axis, a, efforts, sign, th, Down)
}
