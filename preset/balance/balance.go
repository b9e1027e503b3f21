// Package balance turns what a motor reports at rest into where the centre of
// gravity sits, and what holding it costs. SI throughout; x forward, y left,
// z up; effort alone is in percent, as controllers report it.
package balance

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
)

const model = "balance"

// Down is the direction of gravity on a level stand.
var Down = mass.Vec{0, 0, -1}

// GravityTorque returns the moment of gravity in N·m about an axis line
// (right-handed) of mass m (kg) with its centre of gravity at cg (m). gravity is
// the direction in which things fall, of any length; Down when level. g is in
// m/s², usually unit.StandardGravity. The motor holds with minus this.
//
// Errors: *domain.Error for a mass of zero or less, a g of less than zero, a
// direction without length or anything not finite.
//
// Source: statics, M = a·(r × m g) (Meriam & Kraige, Statics, ch. 2; from memory).
func GravityTorque(m float64, cg mass.Vec, axis mass.Line, gravity mass.Vec, g float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.Positive("mass", m, "kg")
	c.NotNegative("gravity", g, "m/s²")
	a, ok := axis.Dir.Unit()
	if !ok {
		c.Fail("axis direction", "", "three finite numbers, not all zero", "")
	}
	d, ok := gravity.Unit()
	if !ok {
		c.Fail("direction of gravity", "", "three finite numbers, not all zero", "use 0, 0, -1 on a level stand")
	}
	if err := c.Err(); err != nil {
		return 0, err
	}
	t := a.Dot(cg.Sub(axis.Point).Cross(d.Scale(m * g)))
	c.Result("gravity torque", t)
	return t, c.Err()
}

// Effort returns a torque as a percentage of the torque at full effort (N·m both).
//
// Errors: *domain.Error for a full torque of zero or less or a torque not finite.
//
// Source: definition of resting effort (common practice, no source).
func Effort(torque, full float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.Finite("torque", torque)
	c.Positive("torque at full effort", full, "N·m")
	e := torque / full * 100
	c.Result("effort", e)
	return e, c.Err()
}

// Axis is a motor with what it carries, for turning effort into an offset.
type Axis struct {
	Mass    float64 // kg, of everything that this motor turns
	Full    float64 // N·m at 100 % effort
	Incline float64 // rad, of the axis out of the horizontal, -π/2..π/2 exclusive; 0 for tilt and roll on a level stand
	Gravity float64 // m/s²; 0 means unit.StandardGravity
}

// uprightFrom is the lean out of the horizontal from which an axis counts as
// upright: a thousandth of the weight and less acts across it.
const uprightFrom = 89.9 * unit.Degree

func (a Axis) lever(c *domain.Checker) float64 {
	g := a.Gravity
	if g == 0 {
		g = unit.StandardGravity
	}
	c.Positive("mass", a.Mass, "kg")
	c.Positive("gravity", g, "m/s²")
	// an upright axis feels no gravity, so its effort says nothing
	c.That(math.Abs(a.Incline) <= uprightFrom, "lean of the axis out of the horizontal", a.Incline, "less than 1.569 rad (89.9 deg)", "an upright axis feels no gravity; lean the gimbal to read it")
	return a.Mass * g * math.Cos(a.Incline)
}

// Offset is where the centre of gravity sits, seen from a motor axis.
type Offset struct {
	Offset   float64 // m, across the axis and level; sign as the effort's
	Torque   float64 // N·m that gravity accounts for; sign as the effort's
	Friction float64 // N·m, 0 or more; unknown, and 0, from a single reading
}

// FromEffort returns the offset from one reading of resting effort (percent, may
// be negative). Friction cannot be told from it and counts as offset.
//
// Errors: *domain.Error for an axis out of domain or an effort that is not finite.
//
// Source: statics, d = T/(m g cos of the lean) (derived here).
func FromEffort(a Axis, effort float64) (Offset, error) {
	return FromPair(a, effort, effort)
}

// FromPair returns the offset from two readings of resting effort (percent) at
// the same angle, approached from either side: gravity is their mean, friction
// half their difference.
//
// Errors: *domain.Error for an axis out of domain or an effort that is not finite.
//
// Source: Coulomb friction reverses with the direction of approach and gravity does
// not (Armstrong-Hélouvry, Control of Machines with Friction; from memory).
func FromPair(a Axis, one, other float64) (Offset, error) {
	c := domain.Checker{Model: model}
	c.Finite("effort", one)
	c.Finite("effort", other)
	c.Positive("torque at full effort", a.Full, "N·m")
	lever := a.lever(&c)
	if err := c.Err(); err != nil {
		return Offset{}, err
	}
	t := (one/2 + other/2) / 100 * a.Full
	o := Offset{Offset: t / lever, Torque: t, Friction: math.Abs(one/2-other/2) / 100 * a.Full}
	c.Result("offset", o.Offset)
	c.Result("friction", o.Friction)
	return o, c.Err()
}

// FromTorque returns the offset in m at which gravity makes a torque (N·m) about
// the axis. The full torque of the axis is not used.
//
// Errors: *domain.Error for an axis out of domain or a torque that is not finite.
//
// Source: see FromEffort.
func FromTorque(a Axis, torque float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.Finite("torque", torque)
	lever := a.lever(&c)
	if err := c.Err(); err != nil {
		return 0, err
	}
	c.Result("offset", torque/lever)
	return torque / lever, c.Err()
}

// EffortOf returns the resting effort in percent at an offset in m: the inverse
// of FromEffort.
//
// Errors: *domain.Error for an axis out of domain or an offset that is not finite.
//
// Source: see FromEffort.
func EffortOf(a Axis, offset float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.Finite("offset", offset)
	lever := a.lever(&c)
	if err := c.Err(); err != nil {
		return 0, err
	}
	return Effort(offset*lever, a.Full)
}

// SweepFit is the centre of gravity from holding torques at several angles.
type SweepFit struct {
	X, Z     float64 // m, forward and up of the axis at angle 0
	Offset   float64 // m, distance from the axis
	Bias     float64 // N·m that does not turn with the angle: a cable, an error of the zero
	Residual float64 // N·m, root mean square of what is left
}

// SweepOptions change FromSweep. The zero value is the usual way.
type SweepOptions struct {
	NoBias  bool    // there is no constant torque: two angles suffice
	Gravity float64 // m/s²; 0 means unit.StandardGravity
}

// FromSweep returns the centre of gravity of mass m (kg) from holding torques
// (N·m, right-handed about +y) at turns about +y (rad, nose down positive), by
// least squares of torque = -m g (x cos t + z sin t) + bias.
//
// Errors: *domain.Error for a mass of zero or less, lengths that differ, fewer
// readings than unknowns, or angles that do not tell the unknowns apart.
//
// Source: statics; least squares by QR, gonum mat.QR.
func FromSweep(m float64, angles, torques []float64, opt SweepOptions) (SweepFit, error) {
	c := domain.Checker{Model: model}
	g := opt.Gravity
	if g == 0 {
		g = unit.StandardGravity
	}
	c.Positive("mass", m, "kg")
	c.Positive("gravity", g, "m/s²")
	cols := 3
	if opt.NoBias {
		cols = 2
	}
	c.That(len(angles) == len(torques), "number of torques", float64(len(torques)), fmt.Sprintf("as many as angles, %d", len(angles)), "")
	c.That(len(angles) >= cols, "number of readings", float64(len(angles)), fmt.Sprintf("at least %d", cols), "read the effort at more angles")
	for i := range angles {
		c.Finite("angle", angles[i])
		if i < len(torques) {
			c.Finite("torque", torques[i])
		}
	}
	if err := c.Err(); err != nil {
		return SweepFit{}, err
	}
	a := mat.NewDense(len(angles), cols, nil)
	for i, t := range angles {
		s, co := math.Sincos(t)
		a.Set(i, 0, -co)
		a.Set(i, 1, -s)
		if !opt.NoBias {
			a.Set(i, 2, 1)
		}
	}
	var (
		qr  mat.QR
		sol mat.VecDense
	)
	qr.Factorize(a)
	if err := qr.SolveVecTo(&sol, false, mat.NewVecDense(len(torques), torques)); err != nil || qr.Cond() > 1e8 {
		return SweepFit{}, &domain.Error{Model: model, Name: "the angles of the sweep", Want: "angles spread well apart", Do: "read at -60, -30, 0, 30 and 60 deg, say"}
	}
	mg := m * g
	f := SweepFit{X: sol.AtVec(0) / mg, Z: sol.AtVec(1) / mg}
	f.Offset = math.Hypot(f.X, f.Z)
	if !opt.NoBias {
		f.Bias = sol.AtVec(2)
	}
	var sum float64
	for i := range angles {
		r := torques[i]
		for j := range cols {
			r -= a.At(i, j) * sol.AtVec(j)
		}
		sum += r * r
	}
	f.Residual = math.Sqrt(sum / float64(len(angles)))
	c.Result("offset", f.Offset)
	c.Result("residual", f.Residual)
	c.Result("bias", f.Bias)
	return f, c.Err()
}

// Droop returns the standing angle error in rad of a loop without integral action
// that holds a torque (N·m) with a stiffness (N·m/rad).
//
// Errors: *domain.Error for a stiffness of zero or less or a torque not finite.
//
// Source: static balance K θ = T (Franklin, Powell & Emami-Naeini, Feedback Control, ch. 4; from memory).
func Droop(torque, stiffness float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.Finite("torque", torque)
	c.Positive("stiffness", stiffness, "N·m/rad")
	a := torque / stiffness
	c.Result("angle error", a)
	return a, c.Err()
}

// GravityStiffnessTurned returns the stiffness in N·m/rad that gravity adds to a
// motor axis, as a function of the angle (rad, right-handed) by which the build is
// turned about the line by; both lines are as they lie with the gimbal upright
// and the camera level. Negative is top-heavy. An upright axis has none.
//
// Errors: *domain.Error for a line without direction, or a result not finite.
//
// Source: second derivative of the height of the centre of gravity as the build
// turns about the axis, times m g (derived here; for a level axis the m g h of
// GravityStiffness).
func GravityStiffnessTurned(p mass.Properties, axis, by mass.Line) (mass.Harmonic, error) {
	c := domain.Checker{Model: model}
	a, okA := axis.Dir.Unit()
	t, okT := by.Dir.Unit()
	c.That(okA && okT, "length of the axis direction", 0, "above 0", "")
	c.Positive("mass", p.Mass, "kg")
	if err := c.Err(); err != nil {
		return mass.Harmonic{}, err
	}
	// across is how far a place reaches up from the axis, square to it
	across := func(v mass.Vec) float64 { return Down.Dot(a.Scale(a.Dot(v)).Sub(v)) }
	e := p.CG.Sub(by.Point)
	along := t.Scale(t.Dot(e))
	out := e.Sub(along)
	mg := -p.Mass * unit.StandardGravity
	h := mass.Harmonic{Mean: mg * across(by.Point.Add(along).Sub(axis.Point)), Cos1: mg * across(out), Sin1: mg * across(t.Cross(out))}
	c.Result("gravity stiffness", h.Mean+math.Abs(h.Cos1)+math.Abs(h.Sin1))
	return h, c.Err()
}

// Motor is the electrical side of a motor, as a direct-current equivalent.
type Motor struct {
	Constant   float64 // N·m/A
	Resistance float64 // Ω
}

func (m Motor) check(c *domain.Checker) {
	c.Positive("torque constant", m.Constant, "N·m/A")
	c.NotNegative("winding resistance", m.Resistance, "Ω")
}

// AtCurrent returns torque (N·m) and heat in the winding (W) at a current (A).
//
// Errors: *domain.Error for a constant of zero or less, a resistance below zero,
// or a current not finite.
//
// Source: T = Kt I and I² R (Hughes, Electric Motors and Drives; from memory).
func (m Motor) AtCurrent(current float64) (torque, loss float64, err error) {
	c := domain.Checker{Model: model}
	m.check(&c)
	c.Finite("current", current)
	torque, loss = m.Constant*current, current*current*m.Resistance
	c.Result("torque", torque)
	c.Result("loss", loss)
	return torque, loss, c.Err()
}

// Holding returns current (A) and heat in the winding (W) to hold a torque (N·m).
//
// Errors: as AtCurrent.
//
// Source: as AtCurrent.
func (m Motor) Holding(torque float64) (current, loss float64, err error) {
	c := domain.Checker{Model: model}
	m.check(&c)
	if err := c.Err(); err != nil {
		return 0, 0, err
	}
	c.Finite("torque", torque)
	current = torque / m.Constant
	c.Result("current", current)
	if err := c.Err(); err != nil {
		return 0, 0, err
	}
	_, loss, err = m.AtCurrent(current)
	return current, loss, err
}

// Draw is what holding costs the battery.
type Draw struct {
	Power   float64 `json:"power_w"`                  // in the windings
	Current float64 `json:"current_a,omitempty"`      // from the battery; 0 if its voltage is unknown
	Share   float64 `json:"share_per_hour,omitempty"` // of the battery's energy; 0 if that is unknown
}

// Battery is what feeds the motors.
type Battery struct {
	Voltage    float64 // V; 0 if unknown
	Energy     float64 // J; 0 if unknown
	Efficiency float64 // of the drive, above 0 to 1; 0 means 1
}

// AddedDraw returns what holding torques (N·m, one per motor) adds to the
// battery's load, all of it heat in the windings as nothing moves.
//
// Errors: *domain.Error for lists that differ in length, a motor out of domain, a
// voltage or energy below zero, or an efficiency outside 0..1.
//
// Source: energy balance at standstill, P = Σ I² R / efficiency (Hughes, Electric Motors and Drives; from memory).
func AddedDraw(torques []float64, motors []Motor, b Battery) (Draw, error) {
	c := domain.Checker{Model: model}
	eff := b.Efficiency
	if eff == 0 {
		eff = 1
	}
	c.That(len(torques) == len(motors), "number of motors", float64(len(motors)), fmt.Sprintf("as many as torques, %d", len(torques)), "")
	c.NotNegative("battery voltage", b.Voltage, "V")
	c.NotNegative("battery energy", b.Energy, "J")
	c.That(eff > 0 && eff <= 1, "efficiency of the drive", b.Efficiency, "above 0 to 1", "")
	if err := c.Err(); err != nil {
		return Draw{}, err
	}
	var d Draw
	for i, t := range torques {
		_, loss, err := motors[i].Holding(t)
		if err != nil {
			return Draw{}, err
		}
		d.Power += loss / eff
	}
	if b.Voltage > 0 {
		d.Current = d.Power / b.Voltage
	}
	if b.Energy > 0 {
		d.Share = d.Power * unit.Hour / b.Energy
	}
	c.Result("power", d.Power)
	c.Result("battery current", d.Current)
	c.Result("share of the battery", d.Share)
	return d, c.Err()
}
