package frame

import (
	"fmt"
	"math"
	"sort"

	"rigkeep/preset/domain"
)

// Obstacle is a part of the gimbal that may come into frame: a ball, or a point
// if Radius is 0. It stays with the gimbal when the camera tilts, unless it tilts with it.
type Obstacle struct {
	Name   string
	Place  [3]float64 // m from a point on the tilt axis, camera level: x forward, y left, z up
	Radius float64    // m
	// Far marks a direction instead of a place: Place is then of any length and
	// Radius is the angular radius in rad. The camera's offset does not matter.
	Far bool
	// TiltsAlong marks a part that turns with the camera: no limit keeps it out.
	TiltsAlong bool
}

// Look is what the camera sees from where, for finding tilt limits.
type Look struct {
	View   View       // H and V are used, rad, each above 0 and below π
	Pupil  [3]float64 // m, the lens's entrance pupil from the same point as the obstacles, camera level
	Up     float64    // rad, how far the camera can tilt up at all, 0..π
	Down   float64    // rad, and down
	Margin float64    // share of the half frame kept free around it, 0 or more: 0.1 keeps 10 % more than is seen free
}

// Side is one tilt limit.
type Side struct {
	Limit float64 // rad, tilt to stay within
	// By names the part that comes into frame first; empty if none does before
	// the gimbal's own travel ends.
	By string
}

// Limits is how far the camera may tilt with the gimbal's own parts out of frame.
type Limits struct {
	Up, Down Side
	// Always names parts that are in frame with the camera level or that tilt
	// with it and are in frame: no tilt limit keeps those out. The limits are
	// then 0 for a part seen at level.
	Always []string
}

// TiltLimits returns how far the camera may tilt up and down before a part comes
// into frame. Points are exact; a ball counts as soon as it touches the planes
// of the frame, which near a corner is slightly early, never late.
//
// Errors: *domain.Error for a field of view outside 0..π exclusive, a travel outside 0..π, a
// margin below zero, or places that are not finite.
//
// Source: a point turned about the tilt axis crosses a plane of the frame where
// a cos θ + b sin θ = c, which has two closed roots; the frame is the meeting of five
// such half spaces (derived here).
func (k Look) TiltLimits(parts []Obstacle) (Limits, error) {
	c := domain.Checker{Model: model}
	c.That(k.View.H > 0 && k.View.H < math.Pi, "field of view across", k.View.H, "above 0 and below 3.14159 rad (180 deg)", "")
	c.That(k.View.V > 0 && k.View.V < math.Pi, "field of view up and down", k.View.V, "above 0 and below 3.14159 rad (180 deg)", "")
	c.Within("tilt travel up", k.Up, 0, math.Pi, "rad")
	c.Within("tilt travel down", k.Down, 0, math.Pi, "rad")
	c.NotNegative("margin around the frame", k.Margin, "")
	for _, v := range k.Pupil {
		c.Finite("place of the lens", v)
	}
	for i, o := range parts {
		who := o.Name
		if who == "" {
			who = fmt.Sprintf("part %d", i+1)
		}
		size := 0.0
		for _, v := range o.Place {
			c.Finite(who+": place", v)
			size = math.Max(size, math.Abs(v))
		}
		c.NotNegative(who+": radius", o.Radius, "m")
		if o.Far {
			c.That(size > 0, who+": direction", size, "a direction", "")
			c.That(o.Radius < math.Pi/2, who+": angular radius", o.Radius, "below 1.5708 rad (90 deg)", "")
		}
	}
	if err := c.Err(); err != nil {
		return Limits{}, err
	}
	out := Limits{Up: Side{Limit: k.Up}, Down: Side{Limit: k.Down}}
	for _, o := range parts {
		p := k.prepare(o)
		if p.seen(0) {
			out.Always = append(out.Always, o.Name)
			if !o.TiltsAlong {
				out.Up, out.Down = Side{0, o.Name}, Side{0, o.Name}
			}
			continue
		}
		if o.TiltsAlong {
			continue
		}
		if t, ok := p.first(out.Up.Limit, 1); ok {
			out.Up = Side{t, o.Name}
		}
		if t, ok := p.first(out.Down.Limit, -1); ok {
			out.Down = Side{t, o.Name}
		}
	}
	return out, nil
}

// sight is an obstacle as the frame meets it: in the camera's axes after tilting
// up by t its centre is at forward ρ cos(α - t) - ex, up ρ sin(α - t) - ez, left y.
type sight struct {
	rho, alpha             float64
	ex, ez, y              float64
	radius                 float64
	cosH, cosV, sinH, sinV float64 // of half the field of view
}

func (k Look) prepare(o Obstacle) sight {
	q, e, r := o.Place, k.Pupil, o.Radius
	if o.Far {
		l := math.Hypot(math.Hypot(q[0], q[1]), q[2])
		// a cone of that half-angle touches a ball of this radius at distance 1
		q, e, r = [3]float64{q[0] / l, q[1] / l, q[2] / l}, [3]float64{}, math.Sin(o.Radius)
	}
	tanH, tanV := math.Tan(k.View.H/2)*(1+k.Margin), math.Tan(k.View.V/2)*(1+k.Margin)
	s := sight{
		rho: math.Hypot(q[0], q[2]), alpha: math.Atan2(q[2], q[0]),
		ex: e[0], ez: e[2], y: math.Abs(q[1] - e[1]), radius: r,
	}
	s.cosH, s.sinH = 1/math.Hypot(1, tanH), tanH/math.Hypot(1, tanH)
	s.cosV, s.sinV = 1/math.Hypot(1, tanV), tanV/math.Hypot(1, tanV)
	return s
}

// outside returns, for the centre turned to angle psi = α - t, how far it
// is outside the frame less the radius: seen at 0 or less.
func (s sight) outside(psi float64) float64 {
	sn, cs := math.Sincos(psi)
	x, z := s.rho*cs-s.ex, s.rho*sn-s.ez
	return max(-x-s.radius, s.y*s.cosH-x*s.sinH-s.radius, z*s.cosV-x*s.sinV-s.radius, -z*s.cosV-x*s.sinV-s.radius)
}

func (s sight) seen(t float64) bool { return s.outside(s.alpha-t) <= 0 }

// first returns the least tilt in (0, limit) in the direction sign (1 up, -1
// down) at which the obstacle comes into frame.
func (s sight) first(limit, sign float64) (float64, bool) {
	// every change between seen and not seen is at one of these tilts
	at := []float64{limit}
	root := func(a, b, c float64) { // a cos ψ + b sin ψ = c
		m := math.Hypot(a, b)
		if m == 0 || math.Abs(c) > m {
			return
		}
		mid, half := math.Atan2(b, a), math.Acos(c/m)
		for _, psi := range [2]float64{mid + half, mid - half} {
			t := math.Mod(sign*(s.alpha-psi), 2*math.Pi)
			if t < 0 {
				t += 2 * math.Pi
			}
			if t < limit {
				at = append(at, t)
			}
		}
	}
	r := s.radius
	root(s.rho, 0, s.ex-r)                                        // x = -r
	root(s.rho*s.sinH, 0, s.y*s.cosH-r+s.ex*s.sinH)               // side
	root(-s.rho*s.sinV, s.rho*s.cosV, r+s.ez*s.cosV-s.ex*s.sinV)  // top
	root(-s.rho*s.sinV, -s.rho*s.cosV, r-s.ez*s.cosV-s.ex*s.sinV) // bottom
	sort.Float64s(at)
	last := 0.0
	for _, t := range at {
		// between two of them nothing changes: ask in the middle
		if t > last && s.seen(sign*(last+t)/2) {
			return last, true
		}
		last = t
	}
	return 0, false
}
