package balance

import (
	"fmt"
	"math"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
)

// Slide is one adjustment of a gimbal along one of its axes.
type Slide struct {
	Zero      float64     // m, the mark at which the build's origin lies on the motor axis
	Direction int         // +1 where a larger mark moves the load toward the positive end of the axis, else -1
	OwnMass   float64     // kg of the gimbal that moves with the slide, 0 or more
	OwnMoment float64     // kg·m that the stage itself leaves about the motor axis at Zero, moved mass included
	Range     *[2]float64 // m, least and greatest mark; nil where the ends are not known
	Torque    float64     // N·m of the motor at full effort; 0 where it is not known
}

func (s Slide) check(c *domain.Checker) {
	c.Finite("mark at which the origin lies on the axis", s.Zero)
	c.That(s.Direction == 1 || s.Direction == -1, "direction of the scale", float64(s.Direction), "1 or -1", "")
	c.NotNegative("mass that moves with the adjustment", s.OwnMass, "kg")
	c.Finite("moment of the stage", s.OwnMoment)
	c.NotNegative("torque at full effort", s.Torque, "N·m")
	if s.Range != nil {
		c.Finite("least mark", s.Range[0])
		c.Finite("greatest mark", s.Range[1])
		c.That(s.Range[0] < s.Range[1], "least mark", s.Range[0], "less than the greatest, "+domain.Number(s.Range[1])+" m", "")
	}
}

// Mark is where a slide goes, and what is left where it does not reach.
type Mark struct {
	Needed   float64 // m, the mark at which the load balances
	Mark     float64 // m, the nearest mark within the slide's range
	Within   bool    // Needed is within the range, or no range is known
	Leftover float64 // kg·m about the motor axis at Mark; sign as the axis
	Offset   float64 // m, Leftover over everything that moves
	// Effort is the share of the motor's torque, in percent, that holds Leftover with
	// axis and lever level, the worst case; nil where the torque is not known.
	Effort *float64
}

// Moment is the first moment about the motor axis, kg·m, at a mark (m), of a load
// of m kg whose centre of gravity lies cg (m) from the build's origin.
//
// Errors: *domain.Error for a slide out of domain, a mass of zero or less, or a
// number that is not finite.
//
// Source: statics, r(μ) = m c + S + s (m + M)(μ - μ0) (common practice, no source).
func (s Slide) Moment(m, cg, mark float64) (float64, error) {
	c := domain.Checker{Model: model}
	s.check(&c)
	c.Positive("mass", m, "kg")
	c.Finite("centre of gravity", cg)
	c.Finite("mark", mark)
	if err := c.Err(); err != nil {
		return 0, err
	}
	r := m*cg + s.OwnMoment + float64(s.Direction)*(m+s.OwnMass)*(mark-s.Zero)
	c.Result("moment", r)
	return r, c.Err()
}

// Balance is the mark at which a load of m kg balances, its centre of gravity cg
// (m) from the build's origin along the slide's axis.
//
// Errors: as Moment.
//
// Source: statics, μ = μ0 - s (m c + S)/(m + M) (common practice, no source).
func (s Slide) Balance(m, cg float64) (Mark, error) { return s.balance(m, cg, 0) }

// balance adds a first moment (kg·m) that an inner stage could not take.
func (s Slide) balance(m, cg, extra float64) (Mark, error) {
	at, err := s.Moment(m, cg, s.Zero)
	if err != nil {
		return Mark{}, err
	}
	c := domain.Checker{Model: model}
	dir, total := float64(s.Direction), m+s.OwnMass
	out := Mark{Needed: s.Zero - dir*(at+extra)/total, Within: true}
	out.Mark = out.Needed
	if s.Range != nil {
		out.Mark = math.Min(math.Max(out.Needed, s.Range[0]), s.Range[1])
		out.Within = out.Mark == out.Needed
	}
	out.Leftover = dir * total * (out.Mark - out.Needed)
	out.Offset = out.Leftover / total
	if s.Torque > 0 {
		e, err := Effort(math.Abs(out.Leftover)*unit.StandardGravity, s.Torque)
		if err != nil {
			return Mark{}, err
		}
		out.Effort = &e
	}
	c.Result("mark", out.Needed)
	c.Result("moment left over", out.Leftover)
	return out, c.Err()
}

// Step is one adjustment of several, in the order in which they are set.
type Step struct {
	Slide
	Axis int // 0 along x, 1 along y, 2 along z
	// At is for an outer stage: the place (m) of the inner stage's axis, where the load
	// hangs once that balances, whatever the build's centre of gravity. nil sees the
	// build's own.
	At *float64
	// After is the index of the earlier step whose left-over moment this one has to
	// take as well; -1 for none.
	After int
}

// Marks are the marks of several adjustments for a build of m kg with its centre of
// gravity at cg (m from its origin), one after the other.
//
// Errors: as Slide.Moment, and for a step that comes after itself or a later one.
//
// Source: as Slide.Balance; once the inner stage balances, its load acts on the inner
// axis (common practice, no source).
func Marks(m float64, cg mass.Vec, steps []Step) ([]Mark, error) {
	out := make([]Mark, len(steps))
	for i, s := range steps {
		c := domain.Checker{Model: model}
		c.That(s.Axis >= 0 && s.Axis <= 2, "axis of the adjustment", float64(s.Axis), "0, 1 or 2", "")
		c.That(s.After >= -1 && s.After < i, fmt.Sprintf("step that comes before step %d", i), float64(s.After), "an earlier one", "")
		if err := c.Err(); err != nil {
			return nil, err
		}
		at, extra := cg[s.Axis], 0.0
		if s.At != nil {
			at = *s.At
			if s.After >= 0 {
				extra = out[s.After].Leftover
			}
		}
		var err error
		if out[i], err = s.balance(m, at, extra); err != nil {
			return nil, err
		}
	}
	return out, nil
}
