package preset

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/preset/balance"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// MarkLevel is the level of the interval in which a mark is expected; outside
// MarkDoubtLevel a found mark is a finding.
const (
	MarkLevel      = 0.9
	MarkDoubtLevel = 0.99
)

// MarkQuery asks for the marks of a rig on a gimbal.
type MarkQuery struct {
	Sheet   *schema.Sheet
	Rig     Rig
	Unit    string // serial; "" for a unit that is not known
	Records []BalanceRecord
	// Builds are the parts of rigs that have records, by fingerprint; one that is not
	// there is no rig to start from.
	Builds map[string][]Part
}

// MarkAnswer is what is known of one adjustment for a rig.
type MarkAnswer struct {
	Adjustment schema.Adjustment
	// Found is the newest mark of this fingerprint, the same unit first; nil for none.
	Found  *BalanceMark
	In     BalanceRecord // the record of Found
	Unit   bool          // Found is of the unit that was asked for
	Mark   *balance.Predicted
	Lo, Hi float64 // m, at MarkLevel
	Parent string  // fingerprint of the rig whose marks it starts from, "" for none
	// Unknown says why Mark is nil: what is needed, and how to get it.
	Unknown string
	// Out is how far (m) the adjustment ends before balance, 0 where it reaches; Offset
	// is where the centre of gravity then stays, along the adjustment's axis, and Effort
	// what holding that takes of the motor's torque, in percent, nil without a torque.
	Out, Offset float64
	Effort      *float64
}

// Expected is the mark to go to: the found one, else the predicted one held to the scale.
//
// Source: DESIGN section 4, at balance.
func (a MarkAnswer) Expected() (mark float64, found, ok bool) {
	switch {
	case a.Found != nil:
		return *a.Found.Mark, true, true
	case a.Mark != nil:
		return a.held(), false, true
	}
	return 0, false, false
}

// held is the predicted mark, or the end of the scale that is nearest to it.
func (a MarkAnswer) held() float64 {
	m := a.Mark.Mid
	if r := a.Adjustment.Range; r != nil {
		m = math.Min(math.Max(m, r[0]), r[1])
	}
	return m
}

// Marks says for each adjustment of the sheet, in working order, which mark was found
// and which is expected.
//
// Errors: *domain.Error for records that the regression refuses.
//
// Source: balance.Belief.Learn; a stage that carries a balanced one sees the mass alone.
func Marks(q MarkQuery) ([]MarkAnswer, error) {
	var cg *mass.Vec
	if p, err := q.Rig.Properties(); err == nil {
		cg = &p.CG
	}
	parent, swapped := q.parent()
	var out []MarkAnswer
	for _, adj := range q.Sheet.Adjustments {
		a := MarkAnswer{Adjustment: adj}
		if b, ok := newestMark(q.Records, q.Rig.ID, q.Unit, adj.Name); ok {
			m, _ := b.Mark(adj.Name)
			a.Found, a.In, a.Unit = &m, b, q.Unit != "" && b.Unit == q.Unit
		}
		recs := FoundOn(adj, q.Records, q.Rig.Origin)
		ask := balance.Query{Mass: q.Rig.Mass(), Rig: q.Rig.ID, Unit: q.Unit, Parent: parent, Swapped: swapped}
		ask.CG, ask.Loose = place(adj, cg)
		own := slices.ContainsFunc(recs, func(r balance.Found) bool { return r.Rig == q.Rig.ID && r.Rig != "" })
		switch {
		case ask.Mass <= 0:
			a.Unknown = "needs the build's mass"
		case len(recs) == 0 && adj.Zero == nil:
			a.Unknown = "needs one balance record on this gimbal, or zero_mm of the adjustment in its sheet"
		case ask.Loose && !own:
			a.Unknown = "needs the build's balance point (cg_mm of its parts), or one balance of this rig"
		default:
			l, err := BeliefOf(adj).Learn(recs, ask, MarkLevel)
			if err != nil {
				return nil, err
			}
			a.Mark, a.Lo, a.Hi = &l.Mark, l.Mark.Lo, l.Mark.Hi
			if parent != "" && !own && slices.ContainsFunc(recs, func(r balance.Found) bool { return r.Rig == parent }) {
				a.Parent = parent
			}
			if err := a.travel(q.Sheet, ask.Mass); err != nil {
				return nil, err
			}
		}
		out = append(out, a)
	}
	return out, nil
}

// travel works out what is left where the scale ends before balance. A mark that was
// found is on it.
func (a *MarkAnswer) travel(s *schema.Sheet, m float64) error {
	held := a.held()
	if a.Found != nil || held == a.Mark.Mid {
		return nil
	}
	a.Out = math.Abs(held - a.Mark.Mid)
	a.Offset = float64(a.Adjustment.Direction) * (held - a.Mark.Mid)
	full := s.Axes[a.Adjustment.Stage].Torque
	if full <= 0 {
		return nil
	}
	if own := a.Adjustment.OwnMass; own != nil {
		m += *own
	}
	e, err := balance.EffortOf(balance.Axis{Mass: m, Full: full}, a.Out)
	a.Effort = &e
	return err
}

// newestMark is the record that counts for one adjustment.
func newestMark(records []BalanceRecord, fp, unit, name string) (BalanceRecord, bool) {
	return NewestBalance(slices.DeleteFunc(slices.Clone(records), func(r BalanceRecord) bool {
		m, ok := r.Mark(name)
		return !ok || m.Mark == nil
	}), fp, unit)
}

// place is where the load of an adjustment lies along it, and whether that is unknown.
func place(a schema.Adjustment, cg *mass.Vec) (float64, bool) {
	switch {
	case a.Outer && a.Offset != nil:
		return *a.Offset, false
	case a.Outer:
		return 0, false // an unknown place of the inner axis is one with the zero
	case cg == nil:
		return 0, true
	}
	return cg[a.Moves], false
}

// FoundOn are the marks found on an adjustment, for the regression. A build that was
// typed from another point than origin only says what it is itself.
//
// Source: the records.
func FoundOn(a schema.Adjustment, records []BalanceRecord, origin string) []balance.Found {
	var out []balance.Found
	for _, r := range records {
		m, ok := r.Mark(a.Name)
		if !ok || m.Mark == nil || r.MassKg <= 0 {
			continue
		}
		f := balance.Found{Mass: r.MassKg, Mark: *m.Mark, Rig: r.Rig, Unit: r.Unit}
		if f.CG, f.Loose = place(a, r.CG); !a.Outer && r.Origin != origin {
			f.CG, f.Loose = 0, true
		}
		out = append(out, f)
	}
	return out
}

// BeliefOf is what is believed of an adjustment before its records.
//
// Source: balance.UsualBelief on what the sheet gives.
func BeliefOf(a schema.Adjustment) balance.Belief {
	return balance.UsualBelief(a.Direction, a.OwnMass, a.Zero, a.OwnMoment, a.Range, a.Outer)
}

// leastShared is the share of its mass that a rig must have from another one to start
// from its marks (common practice, no source).
const leastShared = 0.5

// changedShare is the share of its mass that is taken to differ in an earlier build of a
// rig, beside what its mass changed by (common practice, no source).
const changedShare = 0.05

// parent is the rig with records that most of this one's mass is from, and the masses
// of the parts of either that the other has not.
func (q MarkQuery) parent() (fp string, swapped []float64) {
	best := leastShared * q.Rig.Mass()
	seen := map[string]bool{q.Rig.ID: true}
	for _, r := range q.Records {
		if seen[r.Rig] || !r.hasMark() || r.Origin != q.Rig.Origin {
			continue
		}
		seen[r.Rig] = true
		var same float64
		var diff []float64
		if parts, ok := q.Builds[r.Rig]; ok {
			same, diff = sharedParts(q.Rig.Parts, parts)
		} else if slices.Contains(q.Rig.Was, r.Rig) {
			// an earlier build of this rig, of which the mass alone is known
			changed := math.Abs(r.MassKg-q.Rig.Mass()) + changedShare*q.Rig.Mass()
			same, diff = q.Rig.Mass()-changed, []float64{changed}
		}
		if same > best || same == best && r.Rig < fp {
			best, fp, swapped = same, r.Rig, diff
		}
	}
	return fp, swapped
}

func (b BalanceRecord) hasMark() bool {
	return slices.ContainsFunc(b.Marks, func(m BalanceMark) bool { return m.Mark != nil })
}

// sharedParts is the mass, kg, of the parts that two builds have in common, and the
// masses of those that one of them has alone. Where a part sits does not matter.
func sharedParts(a, b []Part) (same float64, alone []float64) {
	key := func(p Part) string { return fmt.Sprintf("%s\x00%s\x00%.4f", p.Slot, p.Name, p.Mass) }
	have := map[string]int{}
	for _, p := range b {
		have[key(p)]++
	}
	for _, p := range a {
		if have[key(p)] > 0 {
			have[key(p)]--
			same += p.Mass
		} else {
			alone = append(alone, p.Mass)
		}
	}
	for _, p := range b {
		if have[key(p)] > 0 {
			have[key(p)]--
			alone = append(alone, p.Mass)
		}
	}
	return same, alone
}
