package preset

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"rigkeep/preset/balance"
	"rigkeep/preset/unit"
	"rigkeep/schema"
)

// MarkDoubt is a found mark or a resting effort that the other records do not bear out.
type MarkDoubt struct {
	Adjustment string
	Found      float64 // m, the mark on record
	Lo, Hi     float64 // m, where the records before it expect the mark, at MarkDoubtLevel
	// Point, Effort and Most are for an effort: what was read (%), and the most that the
	// marks allow.
	Point        string
	Effort, Most float64
	Record       BalanceRecord
	// Turned says that the mark is as expected if its scale rises the other way, so that
	// the sheet's rising is the likely slip.
	Turned bool
}

// Words says it in one sentence.
func (d MarkDoubt) Words() string {
	if d.Point != "" {
		return fmt.Sprintf("Resting effort %s %% at %s; the marks allow at most %s %%", schema.Num(Rounded(d.Effort, 3)), d.Point, schema.Num(Rounded(d.Most, 2)))
	}
	s := fmt.Sprintf("%s balanced at %.0f mm, expected %.0f to %.0f mm", d.Adjustment, d.Found*1000, math.Floor(d.Lo*1000)+0, math.Ceil(d.Hi*1000)+0)
	if d.Turned {
		s += "; it would be as expected if the scale rose the other way (rising in the gimbal sheet)"
	}
	return s
}

// slackEffort is how much of an effort may be friction or the cable, in percent
// (common practice, no source).
const slackEffort = 2

// MarkDoubts holds the newest record of a rig, of its present build, against all that
// were made before it: a mark outside the interval that is expected, and an effort
// that is more than the recorded marks leave.
//
// Errors: *domain.Error for records that the regression refuses.
//
// Source: balance.Belief.Learn at MarkDoubtLevel; effort by statics.
func MarkDoubts(q MarkQuery) ([]MarkDoubt, error) {
	rec, ok := NewestBalance(q.Records, q.Rig.ID, q.Unit)
	if !ok {
		return nil, nil
	}
	before := q
	before.Unit = rec.Unit
	before.Records = slices.DeleteFunc(slices.Clone(q.Records), func(r BalanceRecord) bool {
		return r.Began.After(rec.Began) || r.Rig == rec.Rig && r.Began.Equal(rec.Began)
	})
	answers, err := Marks(before)
	if err != nil {
		return nil, err
	}
	var out []MarkDoubt
	for _, a := range answers {
		m, ok := rec.Mark(a.Adjustment.Name)
		if !ok || m.Mark == nil || a.Mark == nil {
			continue
		}
		lo, hi := a.Mark.Interval(MarkDoubtLevel)
		if *m.Mark < lo || *m.Mark > hi {
			turned, err := before.turned(a.Adjustment, *m.Mark)
			if err != nil {
				return nil, err
			}
			out = append(out, MarkDoubt{Adjustment: a.Adjustment.Name, Found: *m.Mark, Lo: lo, Hi: hi, Record: rec, Turned: turned})
			continue // an effort that goes with it is no second finding
		}
		if d, ok := effortDoubt(q, rec, a, *m.Mark, lo, hi); ok {
			out = append(out, d)
		}
	}
	return out, nil
}

// turned reports whether a mark is as expected with the scale of its adjustment the other
// way round.
func (q MarkQuery) turned(adj schema.Adjustment, mark float64) (bool, error) {
	other := adj
	other.Direction = -adj.Direction
	s := *q.Sheet
	s.Adjustments = []schema.Adjustment{other}
	q.Sheet = &s
	answers, err := Marks(q)
	if err != nil || answers[0].Mark == nil {
		return false, err
	}
	return mark >= answers[0].Lo && mark <= answers[0].Hi, nil
}

// effortDoubt compares the efforts read on the stage of an adjustment with what its
// mark can leave at most.
func effortDoubt(q MarkQuery, rec BalanceRecord, a MarkAnswer, mark, lo, hi float64) (MarkDoubt, bool) {
	full := q.Sheet.Axes[a.Adjustment.Stage].Torque
	if full <= 0 || rec.MassKg <= 0 {
		return MarkDoubt{}, false
	}
	m := rec.MassKg
	if own := a.Adjustment.OwnMass; own != nil {
		m += *own
	}
	off := math.Max(math.Abs(mark-lo), math.Abs(hi-mark))
	most := 100*unit.StandardGravity*m*off/full + slackEffort
	for _, p := range BalancePoints(q.Sheet) {
		if !p.HasAxis || p.Axis != a.Adjustment.Stage || p.Reads() != a.Adjustment.Moves {
			continue
		}
		e, ok := rec.EffortAt(p.Text)
		if !ok || e.Effort == nil {
			continue
		}
		read := math.Abs(*e.Effort)
		if p.Axis == schema.Pan && p.Lean != nil {
			read /= math.Max(math.Sin(*p.Lean), 0.1)
		}
		if read > most {
			return MarkDoubt{Adjustment: a.Adjustment.Name, Found: mark, Lo: lo, Hi: hi, Point: p.Text, Effort: *e.Effort, Most: most, Record: rec}, true
		}
	}
	return MarkDoubt{}, false
}

// Reads is the direction whose balance an effort at this point shows: 0 along x, 1
// along y, 2 along z; -1 for a pan axis that stands upright.
//
// Source: statics.
func (p BalancePoint) Reads() int {
	switch {
	case p.Axis == schema.Pan && p.Lean == nil:
		return -1
	case p.Axis == schema.Pan:
		return 0
	case p.Axis == schema.Roll:
		return 1
	case math.Abs(math.Sin(p.Tilt)) > math.Abs(math.Cos(p.Tilt)):
		return 2
	}
	return 0
}

// MarkScore says how far off the predictions of one adjustment were.
type MarkScore struct {
	Adjustment schema.Adjustment
	N          int     // marks predicted, each from the other rigs' records alone
	Median     float64 // m, of the sizes of the errors
	Ninety     float64 // m, nine of ten errors are no larger
	Inside     float64 // share inside the interval at MarkLevel
	// Line is the adjustment by least squares over all records whose balance point is
	// known; nil where they do not tell.
	Line *balance.SlideFit
}

// MarkBacktest predicts each mark on record from those of other rigs, whole rigs left
// out. builds are the parts of rigs by fingerprint.
//
// Errors: *domain.Error for records that the regression refuses.
//
// Source: leave-one-group-out cross-validation (common practice, no source).
func MarkBacktest(s *schema.Sheet, records []BalanceRecord, builds map[string][]Part) ([]MarkScore, error) {
	var out []MarkScore
	for _, adj := range s.Adjustments {
		score := MarkScore{Adjustment: adj}
		var errs []float64
		inside := 0
		for _, rec := range records {
			m, ok := rec.Mark(adj.Name)
			if !ok || m.Mark == nil || rec.MassKg <= 0 {
				continue
			}
			others := slices.DeleteFunc(slices.Clone(records), func(r BalanceRecord) bool { return r.Rig == rec.Rig })
			found := FoundOn(adj, others, rec.Origin)
			ask := balance.Query{Mass: rec.MassKg, Unit: rec.Unit, Rig: rec.Rig}
			if ask.CG, ask.Loose = place(adj, rec.CG); ask.Loose || len(found) == 0 && adj.Zero == nil {
				continue
			}
			q := MarkQuery{Sheet: s, Rig: Rig{ID: rec.Rig, Parts: builds[rec.Rig], Origin: rec.Origin}, Records: others, Builds: builds}
			ask.Parent, ask.Swapped = q.parent()
			l, err := BeliefOf(adj).Learn(found, ask, MarkLevel)
			if err != nil {
				return nil, err
			}
			errs = append(errs, math.Abs(l.Mark.Mid-*m.Mark))
			if *m.Mark >= l.Mark.Lo && *m.Mark <= l.Mark.Hi {
				inside++
			}
		}
		if score.N = len(errs); score.N > 0 {
			sort.Float64s(errs)
			score.Median, score.Ninety = errs[(len(errs)-1)/2], errs[int(math.Ceil(0.9*float64(len(errs))))-1]
			score.Inside = float64(inside) / float64(len(errs))
		}
		score.Line = slideLine(adj, records)
		out = append(out, score)
	}
	return out, nil
}

// slideLine is what least squares has of an adjustment: with its moving mass from the
// sheet, else from the records.
func slideLine(adj schema.Adjustment, records []BalanceRecord) *balance.SlideFit {
	origin := ""
	if len(records) > 0 {
		origin = records[len(records)-1].Origin
	}
	found := slices.DeleteFunc(FoundOn(adj, records, origin), func(f balance.Found) bool { return f.Loose })
	var f balance.SlideFit
	var err error
	if adj.OwnMass != nil {
		f, err = balance.FitSlide(adj.Direction, *adj.OwnMass, found)
	} else {
		f, err = balance.FitSlideMass(adj.Direction, found)
	}
	if err != nil {
		return nil // too few builds, which is said beside it
	}
	return &f
}
