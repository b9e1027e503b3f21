// Package dial turns what a technician can read at the stand into what a dial of
// the controller means: a stiffness from a hung mass or a pull and the angle it
// turns the head, a lag from a fast turn, a dead band from slow ones, and a straight
// line through several settings. SI inside: kg, m, N, rad, s. No I/O, no clock.
package dial

import (
	"fmt"
	"math"

	"rigkeep/preset/domain"
	"rigkeep/preset/learn"
)

// G is standard gravity, m/s².
//
// Source: ISO 80000-3 (the value by definition, from memory).
const G = 9.80665

// Load is one reading of a stiffness: what loaded the axis, and how far it turned.
type Load struct {
	Mass  float64 // kg hung at the arm; 0 with a pull
	Force float64 // N pulled at the arm, at a right angle to it throughout; 0 with a hung mass
	Arm   float64 // m from the motor axis
	Rest  float64 // rad below the horizontal at which the arm stood unloaded; with a pull of no account
	// Turned is how far the load took the arm, rad: one reading, or one after the
	// load was pressed further and let come up and one after it was let down gently.
	Turned []float64
	// Standard deviations: of the angle (of the mean where there are two), of the arm,
	// and of the force as a share of it. Mass and rest count as exact.
	SigmaTurned, SigmaArm, SigmaForce float64
}

// Stiffness is what one reading says.
type Stiffness struct {
	K        float64 // N·m/rad
	Sigma    float64 // N·m/rad, 0 where no uncertainty was given
	Torque   float64 // N·m of the load where the arm came to stand
	Friction float64 // N·m, 0 with one reading
}

// Stiffness is the spring that a loaded axis shows: K = m g r cos(θ₀+θ)/θ for a hung
// mass, F r/θ for a pull; θ the mean of the readings. Half the difference of two
// readings, times K, is the friction torque.
//
// Errors: *domain.Error where the arm did not turn, or turned past the vertical, and
// for every number out of its domain.
//
// Source: statics; uncertainty to first order with the turning lever, JCGM 100:2008,
// 5.1.2 (from memory).
func (l Load) Stiffness() (Stiffness, error) {
	c := domain.Checker{Model: "dial"}
	c.That((l.Mass > 0) != (l.Force > 0), "load", math.Max(l.Mass, l.Force), "either a hung mass or a pull above 0", "")
	c.NotNegative("hung mass", l.Mass, "kg")
	c.NotNegative("pull", l.Force, "N")
	c.Positive("arm", l.Arm, "m")
	c.Finite("rest angle", l.Rest)
	c.NotNegative("uncertainty of the angle", l.SigmaTurned, "rad")
	c.NotNegative("uncertainty of the arm", l.SigmaArm, "m")
	c.NotNegative("uncertainty of the pull", l.SigmaForce, "")
	if n := len(l.Turned); n != 1 && n != 2 {
		c.Fail("angles", fmt.Sprint(n), "one, or one of each direction", "")
	}
	var th, half float64
	for _, v := range l.Turned {
		c.Finite("angle", v)
		th += v / float64(len(l.Turned))
	}
	if len(l.Turned) == 2 {
		half = math.Abs(l.Turned[0]-l.Turned[1]) / 2
	}
	c.That(th > 0, "angle the load turned the arm", th, "above 0 rad", "hang a larger mass, use a longer arm or a softer setting")
	if err := c.Err(); err != nil {
		return Stiffness{}, err
	}
	lever, slope := 1.0, 0.0 // cos(θ₀+θ) and its derivative
	force := l.Force
	if l.Mass > 0 {
		lever, slope, force = math.Cos(l.Rest+th), -math.Sin(l.Rest+th), l.Mass*G
		c.That(math.Abs(l.Rest) < math.Pi/2 && math.Abs(l.Rest+th) < math.Pi/2, "angle of the loaded arm below level", l.Rest+th, "less than 90° from level", "hang a smaller mass, or set the arm level first")
		if err := c.Err(); err != nil {
			return Stiffness{}, err
		}
	}
	s := Stiffness{Torque: force * l.Arm * lever}
	s.K = s.Torque / th
	s.Friction = s.K * half
	dth := force * l.Arm * (slope/th - lever/(th*th))
	s.Sigma = math.Hypot(math.Hypot(dth*l.SigmaTurned, s.K/l.Arm*l.SigmaArm), s.K*l.SigmaForce)
	c.Result("stiffness", s.K)
	c.Result("uncertainty", s.Sigma)
	return s, c.Err()
}

// Model is the shape of a lag.
type Model string

// Shapes of a lag: with the tau of Step, one lag and two equal ones. A critically
// damped lag follows the same curve as two equal ones.
const (
	OneLag   Model = "one lag"
	TwoLags  Model = "two equal lags"
	Critical Model = "critically damped"
)

// Step is one reading after a fast turn of the handle.
type Step struct {
	Model   Model
	Missing float64 // share of the turn that the head still lacks, 0 to 1
	T       float64 // s after the turn's end
	Turn    float64 // s the turn took at constant rate, 0 for a sudden one
	// Angle and HalfWidth take a dead band off: the turn's size and half of the band,
	// in the same unit. Both 0 without one.
	Angle, HalfWidth float64
}

// curve is the share still missing, T/tau after a sudden turn, and its mean over
// [x, x+d].
func (m Model) curve(x, d float64) float64 {
	one := m == OneLag
	if d < 1e-6 {
		x += d / 2
		if one {
			return math.Exp(-x)
		}
		return (1 + x) * math.Exp(-x)
	}
	if one {
		return math.Exp(-x) * -math.Expm1(-d) / d
	}
	// minus the antiderivative of (1+x)e^-x is (x+2)e^-x
	return math.Exp(-x) * ((x+2)*-math.Expm1(-d) - d*math.Exp(-d)) / d
}

// Tau is the time constant in s that explains a reading: of the one lag, of each of
// the two, or 1/natural frequency.
//
// A dead band of half-width w holds the head back for the first w of the turn and
// for good for the last w, and what is left behaves as a turn of A-w that took
// (1-w/A) of the time; this is exact in the three models of package follow.
//
// Errors: *domain.Error for readings that contradict each other: a share that the
// dead band alone exceeds, no time at all, and every number out of its domain.
//
// Source: step response of one lag, exp(-t/τ), and of two equal or critically damped
// ones, (1 + t/τ) exp(-t/τ) (Ogata, Modern Control Engineering, ch. 5, from memory);
// a turn of constant rate is the mean over it.
func (s Step) Tau() (float64, error) {
	c := domain.Checker{Model: "dial"}
	if s.Model != OneLag && s.Model != TwoLags && s.Model != Critical {
		c.Fail("model of the lag", string(s.Model), string(OneLag)+", "+string(TwoLags)+" or "+string(Critical), "")
	}
	c.That(s.Missing > 0 && s.Missing < 1, "share of the turn still missing", s.Missing, "above 0, below 1", "")
	c.NotNegative("time after the turn", s.T, "s")
	c.NotNegative("time of the turn", s.Turn, "s")
	c.That(s.T > 0 || s.Turn > 0, "time", 0, "above 0 s", "read a later moment")
	c.NotNegative("dead band", s.HalfWidth, "")
	c.NotNegative("size of the turn", s.Angle, "")
	p, turn := s.Missing, s.Turn
	if s.HalfWidth > 0 {
		c.That(s.Angle > 0, "size of the turn", s.Angle, "above 0, since there is a dead band", "give the turn's size")
		c.That(s.HalfWidth < s.Missing*s.Angle, "dead band", s.HalfWidth, "below the part of the turn still missing, "+domain.Number(s.Missing*s.Angle), "the head stops that far short: turn farther, or read an earlier moment")
		p = (s.Missing*s.Angle - s.HalfWidth) / (s.Angle - s.HalfWidth)
		turn = s.Turn * (1 - s.HalfWidth/s.Angle)
	}
	if err := c.Err(); err != nil {
		return 0, err
	}
	// the share missing rises with tau from 0 to 1: halve in ln tau
	lo, hi := math.Log(s.T+turn)-40, math.Log(s.T+turn)+40
	for range 200 {
		mid := (lo + hi) / 2
		tau := math.Exp(mid)
		if s.Model.curve(s.T/tau, turn/tau) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	tau := math.Exp((lo + hi) / 2)
	c.Result("time constant", tau)
	return tau, c.Err()
}

// Lag is what a fast turn says: the model, and the lag in s as a tune has it, the
// trail over the rate of a steady turn.
type Lag struct {
	Model Model
	Tau   float64 // s
	Lag   float64 // s: tau of one lag, twice that of two
	Ratio float64 // by how much the two times disagree on tau, 1 for not at all
}

// mostMismatch is how far the two times of a turn may disagree on tau, as a factor: a
// reading error, or a head that does something else. Common practice, no source.
const mostMismatch = 1.25

// FromTurn tells lag and model apart by the times, in s after the end of a fast turn
// that took turn s (0 for a sudden one), at which the head has half and nine tenths of
// what it follows in the end. A dead band holds the head back at once and for good,
// so that it does not enter where both are shares of what the head itself did. The
// model is the one by which the two times agree best; one that is known is kept.
//
// Errors: *domain.Error where the times are not in order, or agree by no model.
//
// Source: as Tau.
func FromTurn(half, most, turn float64, known Model) (Lag, error) {
	c := domain.Checker{Model: "dial"}
	c.Positive("time to half", half, "s")
	c.NotNegative("time of the turn", turn, "s")
	c.That(most > half && !math.IsInf(most, 0), "time to nine tenths", most, "more than the time to half, "+domain.Number(half)+" s", "read both again")
	if err := c.Err(); err != nil {
		return Lag{}, err
	}
	models := []Model{OneLag, TwoLags}
	if known != "" {
		models = []Model{known}
	}
	best := Lag{Ratio: math.Inf(1)}
	for _, m := range models {
		a, err := Step{Model: m, Missing: 0.5, T: half, Turn: turn}.Tau()
		if err != nil {
			return Lag{}, err
		}
		b, err := Step{Model: m, Missing: 0.1, T: most, Turn: turn}.Tau()
		if err != nil {
			return Lag{}, err
		}
		if r := math.Exp(math.Abs(math.Log(a / b))); r < best.Ratio {
			best = Lag{Model: m, Tau: (a + b) / 2, Ratio: r}
		}
	}
	if best.Ratio > mostMismatch {
		return Lag{}, &domain.Error{Model: "dial", Name: "time to nine tenths", Value: domain.Number(most) + " s",
			Want: "one that agrees with the time to half, " + domain.Number(half) + " s, by one lag or two", Do: "turn faster and farther, and read both times again"}
	}
	best.Lag = best.Tau
	if best.Model != OneLag {
		best.Lag *= 2
	}
	return best, nil
}

// BandFromStart is half of a dead band, in rad, from how late the head starts when
// the handle turns at a constant rate from the middle of the band: rate times delay.
// Where the movement was noticed only once the head had gone seen rad, with a lag of
// tau s behind the band, that time is taken off.
//
// Errors: *domain.Error for numbers out of their domain, and where the head was seen
// to move sooner than without any band.
//
// Source: the model of package follow, tau dcamera/dt = dead zone(handle - camera);
// a ramp through one lag (Ogata, ch. 5, from memory).
func BandFromStart(rate, delay, seen, tau float64) (float64, error) {
	c := domain.Checker{Model: "dial"}
	c.Positive("rate of the turn", rate, "rad/s")
	c.NotNegative("delay of the start", delay, "s")
	c.NotNegative("movement at which it was seen", seen, "rad")
	c.NotNegative("lag", tau, "s")
	if err := c.Err(); err != nil {
		return 0, err
	}
	s := seen / rate
	if seen > 0 && tau > 0 {
		// rate (s - tau (1 - exp(-s/tau))) = seen rises in s and lies below its line
		lo, hi := s, s+tau
		for range 200 {
			mid := (lo + hi) / 2
			if rate*(mid+tau*math.Expm1(-mid/tau)) < seen {
				lo = mid
			} else {
				hi = mid
			}
		}
		s = (lo + hi) / 2
	}
	w := rate * (delay - s)
	c.That(w >= 0, "delay of the start", delay, "at least the "+domain.Number(s)+" s that the lag alone takes", "read it again")
	return w, c.Err()
}

// BandFromReverse is half of a dead band from how far, after following one way, the
// handle turned back before the head followed: the whole band.
//
// Errors: *domain.Error for an angle that is negative or not finite.
//
// Source: as BandFromStart: the error runs from one edge to the other.
func BandFromReverse(back float64) (float64, error) {
	c := domain.Checker{Model: "dial"}
	c.NotNegative("angle turned back", back, "rad")
	return back / 2, c.Err()
}

// BandFromSides is half of a dead band, and where the handle stood at rest
// (handle minus camera, + left), from how far it turned either way from one rest
// before the head followed.
//
// Errors: *domain.Error for an angle that is negative or not finite.
//
// Source: as BandFromStart.
func BandFromSides(left, right float64) (half, rest float64, err error) {
	c := domain.Checker{Model: "dial"}
	c.NotNegative("angle to the left", left, "rad")
	c.NotNegative("angle to the right", right, "rad")
	return (left + right) / 2, (right - left) / 2, c.Err()
}

// BandFromRest is half of a dead band from how far the handle turned and the head
// followed, once all is still.
//
// Errors: *domain.Error where the head went farther than the handle.
//
// Source: as BandFromStart.
func BandFromRest(turned, followed float64) (float64, error) {
	c := domain.Checker{Model: "dial"}
	c.NotNegative("angle turned", turned, "rad")
	c.NotNegative("angle followed", followed, "rad")
	c.That(followed <= turned, "angle followed", followed, "at most the "+domain.Number(turned)+" rad turned", "read both again")
	return turned - followed, c.Err()
}

// Line is a dial's straight line: value = intercept + slope × number.
type Line struct{ learn.Line }

// Fit fits the line through settings; weights are precisions, nil for equal ones.
//
// Errors: *domain.Error for fewer than two different settings.
//
// Source: learn.FitLine.
func Fit(numbers, values, weights []float64) (Line, error) {
	l, err := learn.FitLine(numbers, values, weights)
	return Line{l}, err
}

// For is the dial number of a value.
//
// Errors: *domain.Error for a line without slope.
//
// Source: definition.
func (l Line) For(value float64) (float64, error) {
	c := domain.Checker{Model: "dial"}
	c.Finite("value", value)
	c.That(l.Slope != 0, "slope of the dial's line", l.Slope, "not 0", "measure settings farther apart")
	if err := c.Err(); err != nil {
		return 0, err
	}
	v := (value - l.Intercept) / l.Slope
	c.Result("dial number", v)
	return v, c.Err()
}
