package frame

import (
	"math"
	"rigkeep/preset/domain"
)

// Direction is an obstacle known only by where it is seen from the tilt axis, camera level:
// azimuth to the left, elevation up, angular radius, all rad.
//
// Source: spherical coordinates (ISO 80000-2; from memory).
func Direction(name string, azimuth, elevation, radius float64) Obstacle {
	sa, ca := math.Sincos(azimuth)
	se, ce := math.Sincos(elevation)
	return Obstacle{Name: name, Place: [3]float64{ce * ca, ce * sa, se}, Radius: radius, Far: true}
}

// Ring lays n balls along a ring of the given centre and radius (m) about an axis
// direction, large enough to cover all of it and its thickness (m, radius of its cross-section).
// They stand out of the ring by at most radius·π/n.
//
// Errors: *domain.Error for fewer than 3 balls, a radius of zero or less, a
// thickness below zero, or an axis without direction.
//
// Source: elementary geometry; every point of the ring is within half a chord,
// 2 r sin(π/2n), of a ball's centre.
func Ring(name string, centre, axis [3]float64, radius, thickness float64, n int) ([]Obstacle, error) {
	c := domain.Checker{Model: model}
	c.That(n >= 3, name+": number of balls", float64(n), "3 or more", "")
	c.Positive(name+": radius", radius, "m")
	c.NotNegative(name+": thickness", thickness, "m")
	l := math.Hypot(math.Hypot(axis[0], axis[1]), axis[2])
	c.That(l > 0 && !math.IsInf(l, 0), name+": axis", l, "a direction", "")
	if err := c.Err(); err != nil {
		return nil, err
	}
	w := [3]float64{axis[0] / l, axis[1] / l, axis[2] / l}
	// any direction across the axis will do as a start
	u := [3]float64{0, -w[2], w[1]}
	if math.Abs(w[0]) > 0.9 {
		u = [3]float64{w[2], 0, -w[0]}
	}
	k := math.Hypot(math.Hypot(u[0], u[1]), u[2])
	for i := range u {
		u[i] /= k
	}
	v := [3]float64{w[1]*u[2] - w[2]*u[1], w[2]*u[0] - w[0]*u[2], w[0]*u[1] - w[1]*u[0]}
	out := make([]Obstacle, n)
	for i := range out {
		s, co := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		o := Obstacle{Name: name, Radius: thickness + 2*radius*math.Sin(math.Pi/2/float64(n))}
		for j := range 3 {
			o.Place[j] = centre[j] + radius*(u[j]*co+v[j]*s)
		}
		out[i] = o
	}
	return out, nil
}
