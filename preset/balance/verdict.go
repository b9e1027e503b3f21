package balance

import (
	"math"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
)

// Thresholds are the resting efforts in percent, sign aside, up to which balance
// is good, and workable. A gimbal sheet may set its own.
type Thresholds struct {
	Good     float64
	Workable float64
}

// CommonThresholds are used where a sheet says nothing: nearer zero is better, up
// to 3-4 % is workable (common practice, no source).
var CommonThresholds = Thresholds{Good: 1, Workable: 4}

// Verdict grades a resting effort.
type Verdict string

// The grades of resting effort, best first.
const (
	Good      Verdict = "good"
	Workable  Verdict = "workable"
	Rebalance Verdict = "rebalance first"
)

// Judge grades a resting effort in percent.
//
// Errors: *domain.Error for an effort that is not finite, or thresholds that are
// negative or reversed.
//
// Source: common practice, no source.
func (t Thresholds) Judge(effort float64) (Verdict, error) {
	c := domain.Checker{Model: model}
	c.Finite("effort", effort)
	c.NotNegative("threshold of good balance", t.Good, "%")
	c.That(t.Workable >= t.Good && !math.IsInf(t.Workable, 0), "threshold of workable balance", t.Workable, "at least that of good balance, "+domain.Number(t.Good)+" %", "")
	if err := c.Err(); err != nil {
		return "", err
	}
	switch e := math.Abs(effort); {
	case e <= t.Good:
		return Good, nil
	case e <= t.Workable:
		return Workable, nil
	}
	return Rebalance, nil
}

// Sign says how a controller's effort is counted.
type Sign int

// How effort is counted: unknown, or the motor's torque right-handed about the
// axis (x forward for roll, y left for tilt), or the other way.
const (
	SignUnknown Sign = 0
	RightHanded Sign = 1
	LeftHanded  Sign = -1
)

// Where returns the direction in which the centre of gravity lies off an axis
// that points along dir, for a holding effort of the given sign. The direction
// is level and across the axis, of length 1. ok is false where the sign is
// unknown, the effort is zero, or the axis stands along gravity.
//
// Source: statics: the moment that holds is -a·(r × m g), so r lies along
// ±(a × down) (derived here).
func Where(dir, gravity mass.Vec, effort float64, sign Sign) (side mass.Vec, ok bool) {
	a, ok1 := dir.Unit()
	g, ok2 := gravity.Unit()
	e := effort * float64(sign)
	if !ok1 || !ok2 || e == 0 || math.IsNaN(e) {
		return mass.Vec{}, false
	}
	// -a·(r × g) = r·(a × g)
	s := a.Cross(g)
	if s.Len() < 1e-3 {
		return mass.Vec{}, false
	}
	u, _ := s.Unit()
	return u.Scale(math.Copysign(1, e)), true
}
