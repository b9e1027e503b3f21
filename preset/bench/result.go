package bench

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/schema"
)

// Status is how far an axis has come.
type Status string

// Statuses of an axis.
const (
	Open    Status = "open"
	Found   Status = "found"   // onset bracketed, value kept
	NoOnset Status = "clean"   // no oscillation on the whole dial, value kept
	Failed  Status = "failed"  // oscillates at the soft end of the dial, nothing kept
	Skipped Status = "skipped" // left by the person at the stand
	Held    Status = "held"    // the value of the tune, not searched
)

// AxisResult is what the session knows of one axis, in dial numbers; nil is
// unknown.
type AxisResult struct {
	Axis   schema.Axis
	Status Status
	Kept   *float64
	Clean  *float64 // stiffest clean below the onset
	Onset  *float64 // softest standing oscillation
	Hz     float64  // at the onset, 0 unknown
	Saw    Outcome  // Chatter or Rocking at the onset, "" unknown
	// TiltDeg is how the head stood when the onset was seen, nil unknown.
	TiltDeg *float64
	InHand  bool // the bracket is from handheld trials
	// Gain margins are ratios of stiffness to the kept value: GM at the geometric
	// mean of the bracket, GMLow at its clean end (certain), GMHigh at its onset. SI
	// says that they are of N·m/rad by the dial's map and not of dial numbers. All 0
	// where unknown.
	GM, GMLow, GMHigh float64
	SI                bool
	Nearer            bool      // Kept was chosen by Nearer, not by the margin
	StandOnly         []float64 // values that oscillated on the stand only
	Contradictions    []string  // never averaged; the softer onset counts
	Trials            int
	Why               string
}

// Results gives every axis in working order, finished or not.
//
// Source: bracket and its geometric mean, definition (as shared check c13).
func (s *Session) Results() []AxisResult {
	st := s.st
	out := make([]AxisResult, len(st.order))
	for i, x := range st.order {
		out[i] = st.axes[x].result
	}
	return out
}

// HandCheck says how far the handheld test has come.
type HandCheck struct {
	Points   int  `json:"points"`
	Clean    int  `json:"clean"`
	Passed   int  `json:"passed_over,omitempty"` // styles that were not tried
	Skipped  bool `json:"skipped"`
	SentBack int  `json:"sent_back"` // times an axis was sent back
	More     bool `json:"-"`         // a point is no tilt: a style, or minutes
}

// HandCheck gives the state of the handheld test.
//
// Source: package comment.
func (s *Session) HandCheck() HandCheck {
	more := slices.ContainsFunc(s.cfg.Hand, func(p Point) bool { return p.Style != "" || p.Minutes > 0 })
	return HandCheck{More: more, Points: len(s.cfg.Hand), Clean: s.st.handDone - len(s.st.passed), Passed: len(s.st.passed), Skipped: s.st.handSkip, SentBack: s.st.reopened}
}

// Done reports whether the handheld check is finished: each point clean, or a style that was
// passed over.
//
// Source: definition.
func (h HandCheck) Done() bool { return h.Clean > 0 && h.Clean+h.Passed == h.Points && !h.Skipped }

// CleanPoints are the points of the handheld check that were clean with the values that are
// kept now.
//
// Source: package comment.
func (s *Session) CleanPoints() []Point {
	var out []Point
	for i, p := range s.cfg.Hand[:s.st.handDone] {
		if !s.st.passed[i] {
			out = append(out, p)
		}
	}
	return out
}

// summarise reads the axis's result off its bracket.
func (a *axis) summarise() AxisResult {
	r := AxisResult{Axis: a.setup.Axis, Status: Open, Clean: a.ptr(a.lo), Onset: a.ptr(a.hi), InHand: a.hand,
		Contradictions: a.contradictions, Trials: len(a.trials), Why: a.proposal.Reason}
	for _, l := range a.trials {
		if v := a.grid.value(l.k); l.saw == Stand && !slices.Contains(r.StandOnly, v) {
			r.StandOnly = append(r.StandOnly, v)
		}
	}
	if a.hi >= 0 {
		r.Hz, r.Saw, r.TiltDeg = a.atOnset()
	}
	if a.proposal.Stage != Done {
		return r
	}
	switch {
	case a.skipped:
		r.Status = Skipped
		return r
	case a.setup.Held != nil && len(a.trials) == 0:
		r.Status, r.Kept = Held, a.setup.Held
		return r
	case a.lo < 0:
		r.Status = Failed
		return r
	case a.hi < 0:
		r.Status = NoOnset
	default:
		r.Status = Found
	}
	// the margin is taken once, from the lowest onset of the whole log, be it from the
	// stand or handheld; without one from the stiffest value seen clean
	from := a.lo
	if a.hi >= 0 {
		from = a.hi
	}
	k := a.margin(from)
	short := k < 0
	if a.hi >= 0 {
		k = min(k, a.hi-a.cfg.MarginSteps)
		short = short || k < 0
	}
	k = min(max(k, 0), a.lo)
	a.byMargin = k
	near := a.near > k && a.near <= a.lo
	if near {
		k = a.near
	}
	r.Kept = a.ptr(k)
	if kept, ok := a.grid.stiffness(k); ok {
		r.SI = a.grid.d.Map != nil
		clean, _ := a.grid.stiffness(a.lo)
		r.GMLow = clean / kept
		if a.hi >= 0 {
			onset, _ := a.grid.stiffness(a.hi)
			r.GMHigh = onset / kept
			r.GM = math.Sqrt(r.GMLow * r.GMHigh)
		}
	}
	switch {
	case near:
		r.Nearer = true
		r.Why = fmt.Sprintf("%s; kept %s, nearer the onset than the margin of %s allows (%s)", r.Why, a.num(k), schema.Num(a.cfg.Margin), a.num(a.byMargin))
	case short:
		r.Why = fmt.Sprintf("%s; %s is the soft end of the dial and leaves less margin than asked for", r.Why, a.num(k))
	case a.hi < 0:
		r.Why = fmt.Sprintf("%s; %s is one margin below the stiffest clean value (onset unknown)", r.Why, a.num(k))
	case r.GM == 0:
		r.Why = fmt.Sprintf("%s; kept %s, a coarse step below: this dial's numbers have no ratio", r.Why, a.num(k))
	default:
		r.Why = fmt.Sprintf("%s; kept %s, the lowest onset %s over a margin of %s", r.Why, a.num(k), a.num(a.hi), schema.Num(a.cfg.Margin))
	}
	return r
}

// atOnset is frequency and character of the look nearest the onset that has one, and the
// tilt of the onset; an axis sent back from the hand oscillates in its own way there.
func (a *axis) atOnset() (hz float64, saw Outcome, tilt *float64) {
	near, nearSaw := math.MaxInt, math.MaxInt
	for _, l := range a.trials {
		if !l.osc() || l.withdrawn || l.hand != a.hand {
			continue
		}
		d := l.k - a.hi
		if d == 0 {
			tilt = l.tilt
		}
		if l.hz > 0 && d < near {
			hz, near = l.hz, d
		}
		if l.saw.Oscillates() && d < nearSaw {
			saw, nearSaw = l.saw, d
		}
	}
	return hz, saw, tilt
}

const mostCounted = 2000
