package preset

import (
	"errors"
	"fmt"
	"math"

	"rigkeep/preset/balance"
	"rigkeep/preset/fit"
	"rigkeep/schema"
)

// Holding is what one motor does to hold still.
type Holding struct {
	Axis      string          `json:"axis"`
	Point     string          `json:"point"` // how the head stood, in the words of the sheet's balance check
	EffortPct float64         `json:"effort_pct"`
	Verdict   balance.Verdict `json:"verdict"`
	// Torque that gravity accounts for and friction, N·m; friction is unknown, and
	// nil, from a single reading.
	Torque   float64  `json:"torque_nm"`
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
		h := Holding{Axis: a.String(), Point: p.Text, EffortPct: read.Effort, Verdict: read.Verdict, Torque: read.Effort / 100 * s.Axes[a].Torque, Words: read.Words}
		if read.Guess != "" {
			h.Words += ". " + read.Guess
		}
		if read.Known {
			h.OffsetM = &read.Offset.Offset
		}
		if len(e) == 2 {
			f := math.Abs(e[0]-e[1]) / 200 * s.Axes[a].Torque
			h.Friction = &f
		}
		if m, ok := motorOf(s, a); ok {
			i, w, err := m.Holding(h.Torque)
			if err != nil {
				return nil, err
			}
			i = math.Abs(i)
			h.Current, h.Heat = &i, &w
		}
		if h.StandingDeg, err = standing(c, s, r, t, a, h.Torque); err != nil {
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
func standing(c *schema.Catalogue, s *schema.Sheet, r Rig, t *Tune, a schema.Axis, torque float64) (*float64, error) {
	if t == nil {
		return nil, nil
	}
	if _, ok := t.Stiffness(a); !ok {
		return nil, nil
	}
	// the angle at rest does not depend on the inertia
	l, err := AxisLoop(c, s, *t, r, a, 1)
	var no *ErrNoMap
	if errors.As(err, &no) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	l.KG = 0 // the torque that was read is gravity's, all of it
	angle, err := l.StandingAngle(torque)
	if err != nil {
		return nil, err
	}
	deg := math.Abs(angle) * 180 / math.Pi
	return &deg, nil
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
		if m, ok := motorOf(s, a); ok {
			torques, motors = append(torques, h.Torque), append(motors, m)
		} else {
			unknown = append(unknown, h.Axis)
		}
	}
	d, err = balance.AddedDraw(torques, motors, b)
	return d, unknown, err
}

// ResidualEffort is the resting effort in percent that a plate leaves on roll and tilt
// where its travel ends before the centre of gravity is on the axes; empty where
// it does not end.
//
// Source: balance.EffortOf; thresholds are the sheet's.
func ResidualEffort(s *schema.Sheet, r Rig, p fit.Plate) ([]Holding, error) {
	out := []Holding{}
	if len(p.Ends) == 0 {
		return out, nil
	}
	th := balance.Thresholds{Good: s.GoodPct, Workable: s.WorkablePct}
	for _, x := range []struct {
		axis schema.Axis
		off  float64
	}{{schema.Roll, p.Remains.Roll}, {schema.Tilt, p.Remains.Tilt}} {
		full := s.Axes[x.axis].Torque
		e, err := balance.EffortOf(balance.Axis{Mass: r.Mass(), Full: full}, x.off)
		if err != nil {
			return nil, err
		}
		v, err := th.Judge(e)
		if err != nil {
			return nil, err
		}
		off := x.off
		out = append(out, Holding{Axis: x.axis.String(), Point: "at worst over a turn", EffortPct: e, Verdict: v, Torque: e / 100 * full, OffsetM: &off,
			Words: fmt.Sprintf("%s keeps up to %.1f %% of its torque to hold what is left (%s)", x.axis, e, v)})
	}
	return out, nil
}
