package link

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/schema"
)

// defaultStep is the share of a dial's range by which it is raised in one go, where
// the sheet does not say (common practice, no source).
const defaultStep = 0.05

// maxRamp bounds the steps of one raise; a person is asked after each.
const maxRamp = 1000

// Want is a value to be put on the unit.
type Want struct {
	Key    string // of the tune: "stiffness.tilt", "follow.walk.lag.pan"
	Dial   string
	Axis   string // "" for none
	Number float64
	// Ceiling is the stiffest number that the known onset of oscillation allows, with
	// its margin; nil where none is known. Why says where that is from.
	Ceiling *float64
	Why     string
}

// Change is one dial that has to change.
type Change struct {
	Key     string  `json:"key"`
	Dial    string  `json:"dial"`
	Axis    string  `json:"axis,omitempty"`
	ID      string  `json:"id"`
	Type    Type    `json:"type"`
	Old     float64 `json:"old"` // dial numbers
	New     float64 `json:"new"`
	OldBits uint32  `json:"old_bits"`
	NewBits uint32  `json:"new_bits"`
	Softer  bool    `json:"softer"` // it softens: stiffness down, a filter lighter, a dead band narrower, a lag shorter
}

// Step is one write.
type Step struct {
	Change int     `json:"change"` // which one of the plan's
	From   float64 `json:"from"`
	To     float64 `json:"to"`
	Bits   uint32  `json:"bits"`
	Raise  bool    `json:"raise"` // somebody has to say that the head is still quiet
}

// Plan is what is written, in order.
type Plan struct {
	Changes []Change `json:"changes"`
	Steps   []Step   `json:"steps"`
	Same    []string `json:"same,omitempty"`    // keys whose value the unit has already
	ByHand  []string `json:"by_hand,omitempty"` // keys that the sheet does not let be written
}

// Refusal is a plan that breaks a rule; nothing may be written.
type Refusal struct{ Reasons []string }

func (r *Refusal) Error() string { return strings.Join(r.Reasons, "; ") }

// NewPlan orders what has to be written: what softens goes first, then what raises, axis
// by axis in the sheet's order, filters before stiffness, so that a stiffness is
// raised under the filters it will have. A raise goes in steps. values are fresh from the unit, without a doubt among them.
func NewPlan(c *schema.Catalogue, s *schema.Sheet, wants []Want, values []Value) (Plan, error) {
	p := Plan{Changes: []Change{}, Steps: []Step{}}
	var bad []string
	refuse := func(format string, args ...any) { bad = append(bad, fmt.Sprintf(format, args...)) }
	held := map[string]Value{}
	for _, v := range values {
		held[v.Dial] = v
	}
	for _, w := range wants {
		d, ok := s.Dials[w.Dial]
		if !ok || d.Link == nil || !d.Link.Write {
			p.ByHand = append(p.ByHand, w.Key)
			continue
		}
		v, ok := held[w.Dial]
		if !ok || !v.Known {
			refuse("what the unit has for %s is not known", w.Key)
			continue
		}
		bits, err := FromDial(*d.Link, w.Number, s.Link.Integers)
		if err != nil {
			refuse("%s: %v", w.Key, err)
			continue
		}
		if bits == v.Reading.Bits {
			p.Same = append(p.Same, w.Key)
			continue
		}
		if w.Number < d.Link.Lowest || w.Number > d.Link.Highest {
			refuse("%s: %s is outside %s to %s, which the gimbal sheet lets be written", w.Key, schema.Num(w.Number), schema.Num(d.Link.Lowest), schema.Num(d.Link.Highest))
			continue
		}
		softer := d.Less(w.Number, v.Number)
		if w.Ceiling != nil && !softer && d.Less(*w.Ceiling, w.Number) {
			refuse("%s: %s is above %s, %s", w.Key, schema.Num(w.Number), schema.Num(*w.Ceiling), w.Why)
			continue
		}
		p.Changes = append(p.Changes, Change{Key: w.Key, Dial: w.Dial, Axis: w.Axis, ID: d.Link.ID, Type: TypeOf(d.Link.Type),
			Old: v.Number, New: w.Number, OldBits: v.Reading.Bits, NewBits: bits, Softer: softer})
	}
	if bad != nil {
		return Plan{}, &Refusal{bad}
	}
	order := func(axis string) int {
		i := slices.IndexFunc(s.BenchOrder, func(a schema.Axis) bool { return a.String() == axis })
		return i // what has no axis comes first
	}
	group := func(key string) int {
		if strings.HasPrefix(key, "stiffness.") {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(p.Changes, func(a, b Change) int {
		if a.Softer != b.Softer {
			if a.Softer {
				return -1
			}
			return 1
		}
		if x := order(a.Axis) - order(b.Axis); x != 0 {
			return x
		}
		return group(a.Key) - group(b.Key)
	})
	for i, ch := range p.Changes {
		steps, err := ramp(s, i, ch, ch.Old, ch.New, ch.NewBits)
		if err != nil {
			return Plan{}, &Refusal{[]string{ch.Key + ": " + err.Error()}}
		}
		p.Steps = append(p.Steps, steps...)
	}
	return p, nil
}

// ramp takes a dial from one number to another: at once where that softens, else in
// steps on the dial.
func ramp(s *schema.Sheet, change int, ch Change, from, to float64, bits uint32) ([]Step, error) {
	d := s.Dials[ch.Dial]
	if !d.Less(from, to) {
		return []Step{{Change: change, From: from, To: to, Bits: bits}}, nil
	}
	width := d.Link.Step
	if width == 0 {
		width = defaultStep * (d.Max - d.Min)
	}
	width = max(d.Fine, math.Floor(width/d.Fine+1e-6)*d.Fine)
	if math.Abs(to-from)/width > maxRamp {
		return nil, fmt.Errorf("from %s to %s are more than %d steps", schema.Num(from), schema.Num(to), maxRamp)
	}
	sign := 1.0
	if to < from {
		sign = -1
	}
	var out []Step
	for at := from; ; {
		next := math.Round((at+sign*width)*1e9) / 1e9
		if d.OnStep(to) && !d.OnStep(next) { // a start between two steps
			next = d.Round(next)
		}
		if !d.Less(next, to) || !d.Less(at, next) {
			return append(out, Step{change, at, to, bits, true}), nil
		}
		b, err := FromDial(*d.Link, next, s.Link.Integers)
		if err != nil {
			return nil, err
		}
		out = append(out, Step{change, at, next, b, true})
		at = next
	}
}
