package preset

import (
	"errors"
	"math"

	"rigkeep/preset/balance"
	"rigkeep/preset/loop"
	"rigkeep/schema"
)

// Holding is what one motor does to hold still.
type Holding struct {
	Axis      string          `json:"axis"`
	Point     string          `json:"point"` // how the head stood, in the words of the sheet's balance check
	EffortPct float64         `json:"effort_pct"`
	Verdict   balance.Verdict `json:"verdict"`
	// Torque that gravity accounts for and friction, N·m; nil where the sheet gives no
	// torque of the motor, and friction from a single reading.
	Torque   *float64 `json:"torque_nm,omitempty"`
	Friction *float64 `json:"friction_nm,omitempty"`
	OffsetM  *float64 `json:"offset_m,omitempty"` // nil where the effort tells none
	// Current and heat in the winding; nil where the sheet gives no torque constant
	// or no winding resistance.
	Current *float64 `json:"current_a,omitempty"`
	Heat    *float64 `json:"heat_w,omitempty"`
	// StandingDeg is how far the torque turns the axis for good at the tune's
	// stiffness; nil where that is not known, 0 with an integral term.
	StandingDeg *float64 `json:"standing_deg,omitempty"`
	Words       string   `json:"words"`
}

// balancePoint is the first point of a sheet's balance check on an axis.
func balancePoint(s *schema.Sheet, a schema.Axis) BalancePoint {
	for _, p := range BalancePoints(s) {
		if p.HasAxis && p.Axis == a {
			return p
		}
	}
	return BalancePoint{Text: a.String() + ", lens level", Axis: a, HasAxis: true}
}

// Hold reads the resting efforts of a rig (percent; one reading per axis, or two
// from either side), each at the first point that the sheet's balance check has
// for that axis, and says what holding costs. t may be nil.
//
// Source: ReadEffort, balance.Motor, loop.Loop.StandingAngle.
func Hold(c *schema.Catalogue, s *schema.Sheet, r Rig, t *Tune, efforts map[schema.Axis][]float64) ([]Holding, error) {
	out := []Holding{}
	for _, a := range schema.Axes {
		e, ok := efforts[a]
		if !ok {
			continue
		}
		p := balancePoint(s, a)
		read, err := ReadEffort(s, r, p, e)
		if err != nil {
			return nil, err
		}
		h := Holding{Axis: a.String(), Point: p.Text, EffortPct: read.Effort, Verdict: read.Verdict, Words: read.Words}
		if read.Known {
			h.OffsetM = &read.Offset.Offset
		}
		full := s.Axes[a].Torque
		if full == 0 {
			out = append(out, h)
			continue
		}
		torque := read.Effort / 100 * full
		h.Torque = &torque
		if len(e) == 2 {
			f := math.Abs(e[0]-e[1]) / 200 * full
			h.Friction = &f
		}
		if m, ok := motorOf(s, a); ok {
			i, w, err := m.Holding(torque)
			if err != nil {
				return nil, err
			}
			i = math.Abs(i)
			h.Current, h.Heat = &i, &w
		}
		if h.StandingDeg, err = standing(c, s, t, a, torque); err != nil {
			return nil, err
		}
		out = append(out, h)
	}
	return out, nil
}

// motorOf is the electrical side of a motor, where the sheet gives all of it.
func motorOf(s *schema.Sheet, a schema.Axis) (balance.Motor, bool) {
	x := s.Axes[a]
	return balance.Motor{Constant: x.TorqueConstant, Resistance: x.Winding}, x.TorqueConstant > 0 && x.Winding > 0
}

// standing is the angle in degrees by which a torque turns the axis for good; nil
// where the tune does not set its stiffness or the sheet has no map.
func standing(c *schema.Catalogue, s *schema.Sheet, t *Tune, a schema.Axis, torque float64) (*float64, error) {
	if t == nil {
		return nil, nil
	}
	if _, ok := t.Stiffness(a); !ok {
		return nil, nil
	}
	k, _, err := SI(c, s, *t, "stiffness."+a.String())
	var no *ErrNoMap
	if errors.As(err, &no) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	// neither inertia nor filters count at rest; the torque that was read is gravity's, all of it
	angle, err := loop.Loop{J: 1, K: k, Ki: k * s.Axes[a].Integral}.StandingAngle(torque)
	if err != nil {
		return nil, err
	}
	deg := math.Abs(angle) * 180 / math.Pi
	return &deg, nil
}

// Sag is how far, in degrees, an axis of a tune sags at rest: the moment that is left of
// the imbalance, from its resting effort in percent and the motor's torque, over the
// stiffness. Where that is not known, needs says what it takes.
//
// Source: loop.Loop.StandingAngle.
func Sag(c *schema.Catalogue, s *schema.Sheet, t *Tune, a schema.Axis, effortPct *float64) (deg *float64, needs []string, err error) {
	if effortPct == nil {
		needs = append(needs, "a resting effort (rigkeep balance)")
	}
	if s.Axes[a].Torque == 0 {
		needs = append(needs, "the motor's torque (motor."+a.String()+".torque_nm)")
	}
	if d, ok := s.Dials["stiffness."+a.String()]; !ok || d.Map == nil {
		needs = append(needs, "the SI conversion (dial.stiffness."+a.String()+": rigkeep gimbal measure)")
	}
	if needs != nil {
		return nil, needs, nil
	}
	deg, err = standing(c, s, t, a, *effortPct/100*s.Axes[a].Torque)
	return deg, nil, err
}

// HoldingDraw is what the holdings add to the battery's load, with the axes whose
// motors the sheet does not say enough about.
//
// Source: balance.AddedDraw.
func HoldingDraw(s *schema.Sheet, held []Holding, b balance.Battery) (d balance.Draw, unknown []string, err error) {
	var torques []float64
	var motors []balance.Motor
	for _, h := range held {
		a, _ := schema.ParseAxis(h.Axis)
		if m, ok := motorOf(s, a); ok && h.Torque != nil {
			torques, motors = append(torques, *h.Torque), append(motors, m)
		} else {
			unknown = append(unknown, h.Axis)
		}
	}
	d, err = balance.AddedDraw(torques, motors, b)
	return d, unknown, err
}
