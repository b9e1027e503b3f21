// Package loop models one motor axis of a stabiliser as a feedback loop:
//
//	L(s) = C(s) · P(s) · R(s) · F_sensing(s) · F_drive(s) · e^(−s·Delay)
//	C(s) = K + D s + Ki/s            stiffness, damping, integral term
//	P(s) = 1 / (J s² + B s + KG)     inertia, viscous friction, gravity stiffness
//
// with an exact delay (never a Padé form), filters of first or second order and
// an optional structural resonance. It answers: is the loop stable (by a count
// of roots, not by margins), how far is it from oscillating, which stiffness
// makes it oscillate, which stiffness keeps stated margins, and what a measured
// onset says about the delay and the dial.
//
// # How nothing is missed
//
// L is kept as a product of real first- and second-order factors. Between a
// few known frequencies (the corners and peaks of the factors) the logarithm
// of the magnitude, the unwrapped phase and both their slopes are, factor by
// factor, monotone; so the values at the two ends of a frequency interval
// bound all four inside it. Every search of this package splits frequency into
// intervals until each is excluded by those bounds or shown to hold exactly
// one solution. The ends of the searched range are derived, too: below the lower
// and above the upper end the magnitude is shown to fall steadily.
//
// # Units and errors
//
// SI throughout: kg m², N m s/rad, N m/rad, seconds, rad/s; degrees and hertz
// only where a name says Deg or Hz. Input out of domain gives a *domain.Error.
// An unstable loop is a result, not an error. No result is ever NaN; a margin
// that does not exist is +Inf, and says so at its field.
//
// A model is more optimistic than a stand: it knows only the resonance it was given.
// Nothing here is a promise that a stiffness is safe to run.
package loop

import (
	"errors"
	"math"
	"math/cmplx"
	"strconv"

	"rigkeep/preset/domain"
)

// Filter is a low-pass filter with unit gain at rest: nothing (the zero
// value), first order 1/(s/ω+1), or second-order Butterworth
// 1/((s/ω)² + √2 s/ω + 1), ω being the cutoff.
type Filter struct {
	Order  int     // 0 none, 1 or 2
	Cutoff float64 // rad/s, the −3 dB point; ignored if Order is 0
}

// FirstOrder is the lag 1/(tau s + 1); tau in seconds, 0 for no filter.
//
// Source: definition.
func FirstOrder(tau float64) Filter {
	if tau == 0 {
		return Filter{}
	}
	return Filter{Order: 1, Cutoff: 1 / tau}
}

// LowPassHz is a filter of the given order (1 or 2) with its −3 dB point at hz.
//
// Source: definition, ω = 2π f.
func LowPassHz(order int, hz float64) Filter { return Filter{Order: order, Cutoff: 2 * math.Pi * hz} }

func (f Filter) at(s complex128) complex128 {
	x := s / complex(f.Cutoff, 0)
	switch f.Order {
	case 1:
		return 1 / (x + 1)
	case 2:
		return 1 / (x*x + complex(math.Sqrt2, 0)*x + 1)
	}
	return 1
}

// Resonance is one flexible part: an inertia of Share·J hangs on the rest,
// (1−Share)·J, by a spring and a damper, such as a long lens on its mount or a
// camera on a soft plate. Freq is what the part rings at when its root is held
// still; free in space the pair rings at Freq/√(1−Share).
//
// The spring is Share·J·Freq², the damper 2·Damping·Freq·Share·J. With
// N(s) = s² + 2·Damping·Freq·s + Freq² the motion of the motor's side is
//
//	θ/torque = N / ( ((1−Share) J s² + B s + KG) N + Share J s² (2·Damping·Freq·s + Freq²) )
//
// exactly, friction and gravity acting on the motor's side. That is the path
// if the sensor sits on the motor's side (collocated: each peak comes with a
// dip before it and costs little phase). With SensorBeyond the sensor sits on
// the flexible part and the numerator is 2·Damping·Freq·s + Freq² instead
// (non-collocated: a peak and 180° more lag, much the harder case).
//
// Source: equations of motion of two inertias; collocated and non-collocated
// control after Preumont, Vibration Control of Active Structures, ch. 2 and 6
// (from memory).
type Resonance struct {
	Freq         float64 // rad/s, above 0
	Damping      float64 // ratio of the part with its root held, 0 < Damping < 1
	Share        float64 // part of J that is beyond the spring, 0 < Share < 1; 0 means no resonance
	SensorBeyond bool
}

// Loop is one axis with its controller. The zero value of every optional field
// means the thing is not there.
type Loop struct {
	J  float64 // inertia about the motor axis, kg m²
	B  float64 // viscous friction, N m s/rad
	KG float64 // gravity stiffness, N m/rad: m·g·(how far the centre of gravity hangs below the axis), see balance.GravityStiffness; negative if above

	K  float64 // stiffness, N m/rad
	D  float64 // damping, N m s/rad
	Ki float64 // integral term, N m/(rad s)

	Sensing Filter  // on the motion sensor
	Drive   Filter  // on the motor command
	Delay   float64 // seconds, exact

	Resonance Resonance
}

// limits of what a gimbal axis can be; far outside any real one, inside what
// double precision carries through every formula here.
const (
	smallest = 1e-9
	largest  = 1e9
)

// ErrUnresolved means that a search could not be finished within its budget:
// the loop lies along its stability boundary over a whole range of frequencies, or
// its delay is thousands of times longer than its fastest part.
var ErrUnresolved = errors.New("loop: the search for crossovers did not finish; want a delay less than some thousand times the fastest filter, and a loop that does not lie along its stability boundary: check delay, filters and inertia for a wrong unit")

// Validate checks the domain: J, K above 0; B, D, Ki, Delay 0 or more; KG any
// sign; every number finite and, unless 0, between 1e-9 and 1e9 in size.
//
// Source: domain of the model, as the type says.
func (l Loop) Validate() error { return l.validate(true) }

func (l Loop) validate(needK bool) error {
	c := domain.Checker{Model: "loop"}
	size := func(name string, v float64, unit string) {
		if a := math.Abs(v); v != 0 && !(a >= smallest && a <= largest) {
			c.Fail(name, domain.Number(v), "a size between 1e-9 and 1e9 "+unit, "check its unit")
		}
	}
	c.Positive("inertia", l.J, "kg m²")
	size("inertia", l.J, "kg m²")
	c.NotNegative("viscous friction", l.B, "N m s/rad")
	size("viscous friction", l.B, "N m s/rad")
	c.Finite("gravity stiffness", l.KG)
	size("gravity stiffness", l.KG, "N m/rad")
	if needK {
		c.Positive("stiffness", l.K, "N m/rad")
	} else {
		c.NotNegative("stiffness", l.K, "N m/rad")
	}
	size("stiffness", l.K, "N m/rad")
	c.NotNegative("damping", l.D, "N m s/rad")
	size("damping", l.D, "N m s/rad")
	c.NotNegative("integral term", l.Ki, "N m/(rad s)")
	size("integral term", l.Ki, "N m/(rad s)")
	c.NotNegative("delay", l.Delay, "s")
	size("delay", l.Delay, "s")
	filter := func(order, cutoff string, f Filter) {
		if f.Order < 0 || f.Order > 2 {
			c.Fail(order, strconv.Itoa(f.Order), "0 (none), 1 or 2", "")
		}
		if f.Order != 0 {
			c.Positive(cutoff, f.Cutoff, "rad/s")
			size(cutoff, f.Cutoff, "rad/s")
		}
	}
	filter("order of the sensing filter", "cutoff of the sensing filter", l.Sensing)
	filter("order of the drive filter", "cutoff of the drive filter", l.Drive)
	if r := l.Resonance; r != (Resonance{}) {
		c.That(r.Share > 0 && r.Share < 1, "share of inertia of the resonance", r.Share, "a share above 0 and below 1", "leave the whole resonance out if there is none")
		c.That(r.Share >= 1e-6 && r.Share <= 1-1e-6, "share of inertia of the resonance", r.Share, "a share between 1e-6 and 1-1e-6", "")
		c.Positive("frequency of the resonance", r.Freq, "rad/s")
		size("frequency of the resonance", r.Freq, "rad/s")
		c.That(r.Damping >= 1e-6 && r.Damping < 1, "damping ratio of the resonance", r.Damping, "a ratio from 1e-6 to below 1", "a bare metal structure has about 0.005 (common practice, no source)")
	}
	return c.Err()
}

// plant is motor torque to sensed angle, without filters and delay.
func (l Loop) plant(s complex128) complex128 {
	j, b, k := complex(l.J, 0), complex(l.B, 0), complex(l.KG, 0)
	r := l.Resonance
	if r.Share == 0 {
		return 1 / ((j*s+b)*s + k)
	}
	mu, w := complex(r.Share, 0), complex(r.Freq, 0)
	soft := complex(2*r.Damping, 0)*w*s + w*w
	n := s*s + soft
	den := (((1-mu)*j*s+b)*s+k)*n + mu*j*s*s*soft
	if r.SensorBeyond {
		return soft / den
	}
	return n / den
}

// At is the open loop L at the complex frequency s (rad/s), in the form of the
// package comment. At s = jω it is the frequency response. At a pole of L the
// result is infinite.
//
// Source: definition; Åström & Murray, Feedback Systems, ch. 10 (from memory).
func (l Loop) At(s complex128) (complex128, error) {
	if err := l.validate(false); err != nil {
		return 0, err
	}
	if cmplx.IsNaN(s) || cmplx.IsInf(s) {
		return 0, &domain.Error{Model: "loop", Name: "frequency", Value: domain.Number(real(s)) + ", " + domain.Number(imag(s)), Want: "two finite numbers, rad/s"}
	}
	v := l.at(s)
	if cmplx.IsNaN(v) {
		v = cmplx.Inf()
	}
	return v, nil
}

func (l Loop) at(s complex128) complex128 {
	c := complex(l.K, 0) + complex(l.D, 0)*s
	if l.Ki != 0 {
		c += complex(l.Ki, 0) / s
	}
	return c * l.plant(s) * l.Sensing.at(s) * l.Drive.at(s) * cmplx.Exp(-s*complex(l.Delay, 0))
}

// StandingAngle is how far, in rad, a steady torque (N m), such as a resting
// imbalance, turns the axis for good: torque/(K+KG), and 0 with an integral
// term. It holds for a stable loop.
//
// Source: final value theorem, 1/(1/P(0) + C(0)).
func (l Loop) StandingAngle(torque float64) (float64, error) {
	c := domain.Checker{Model: "loop"}
	if err := l.Validate(); err != nil {
		return 0, err
	}
	c.Finite("torque", torque)
	if l.Ki == 0 {
		c.That(l.K+l.KG > 0, "stiffness with gravity", l.K+l.KG, "more than 0 N m/rad", "raise the stiffness or lower the centre of gravity")
	}
	if err := c.Err(); err != nil || l.Ki != 0 {
		return 0, err
	}
	return torque / (l.K + l.KG), nil
}
