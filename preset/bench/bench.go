// Package bench is the tuning session at the stand as a pure state machine: from
// what was seen so far it proposes the next value, brackets the onset of each axis
// and stops with a stated margin below it.
//
// # How it searches
//
// Axis by axis, in the order given (tilt, roll, pan unless the sheet says otherwise; common practice, no source):
//
//  1. Begin at the low end of what the evidence expects: the value start offers
//     or, where onsets are on record, a coarse step below the low end of the
//     expected onset, whichever is stiffer; with no evidence at the dial's soft end.
//  2. Raise by one coarse step while it stays clean, until it oscillates. If the
//     first trial oscillates already, go down by one, two, four ... coarse steps.
//  3. Halve the bracket between the highest clean value and the onset, in fine
//     steps, until it is StopWidth wide.
//  4. Look again at a doubtful answer: an oscillation seen once that nothing else
//     supports, and a clean value that every later answer came down upon.
//  5. Keep the lowest onset of the whole log over Margin (a ratio of stiffness), once:
//     the stiffest step that has it, at least MarginSteps fine steps below the onset and
//     no stiffer than a value seen clean. What oscillates on the stand only is no onset.
//     The person at the stand may keep a value nearer the onset, by name.
//  6. Test the kept values handheld; an axis that oscillates there is sent back
//     and searched again below, with what was seen handheld only.
//
// # Safety rule
//
// A proposal is never stiffer than a standing onset, and never more than one coarse
// step stiffer than the stiffest clean value below it (the very first trial has no
// clean value to measure from). "Only on the stand" counts as clean, since that is
// acceptable (common practice, no source), but the next step up is halved. An
// oscillation stands until the person at the stand withdraws it, which takes two
// clean trials at that same value, or takes the answer back.
//
// # How many trials
//
// With N fine steps on the dial, C fine steps to a coarse one, right answers and
// the search begun s coarse steps below the onset: s+1 trials up to the first
// oscillation, at most ceil(log2 C) to close the bracket and at most one second
// trial. For a dial of 0 to 100, coarse 5, fine 1 that is at most 25 trials from the
// bottom; MaxTrials counts it for any start. The plain way of stepping up by coarse
// steps and back down by fine ones needs s+1 and up to C-1, and begins at the
// bottom when it has no evidence. In simulation (bench_test.go) the search takes 46 %
// of its trials with right answers, and a third or less with one answer in twenty or in
// ten wrong, if the plain way looks twice or three times at each value, which it must
// to be trusted as far; with single trials it stops early, and mostly wrongly.
//
// A session is its list of events. Replaying the list gives the same state, which
// is how it is resumed. No I/O, no clock.
package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset/domain"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// Outcome is what was seen at a step; the words are those of a bench log.
type Outcome string

// What can be seen, and what can be said instead.
const (
	Clean    Outcome = "clean"    // no oscillation
	Chatter  Outcome = "chatter"  // fast oscillation, felt as a rattle
	Rocking  Outcome = "rocking"  // slow oscillation, seen as a sway of the head
	Stand    Outcome = "stand"    // oscillates on the stand only, smooth handheld
	Skip     Outcome = "skip"     // leave this axis, or the rest of the hand check
	Undo     Outcome = "undo"     // take the last answer back
	Note     Outcome = "note"     // words only
	Hand     Outcome = "hand"     // clean handheld
	Reopen   Outcome = "reopen"   // oscillates handheld: send the axis back
	Withdraw Outcome = "withdraw" // an oscillation seen before was not one
	Keep     Outcome = "keep"     // it was one after all
	Nearer   Outcome = "nearer"   // keep a stiffer value than the margin gives, nearer the onset
)

// Oscillates reports whether the answer is an oscillation.
//
// Source: definitions above.
func (s Outcome) Oscillates() bool { return s == Chatter || s == Rocking }

// Event is one answer. Value is nil for answers that are not about a value; an
// oscillation without a value is one seen in the handheld test, at the kept value.
type Event struct {
	Axis    schema.Axis
	HasAxis bool
	Value   *float64 // dial number
	Saw     Outcome
	Hz      float64  // of the oscillation, 0 unknown
	TiltDeg *float64 // at which it was seen, up positive; nil is the proposal's, if it has one
	Text    string
	Key     string // with Saw Note: the parameter that the note and Value are about, "" for none
	At      string // when, for the log; not read here
	// Question is the ID of the Proposal that this answers; "" is whatever is asked now. Where
	// another question stands by now, Answer gives an *AnsweredError.
	Question string
}

// Evidence is what is expected of an axis before the first trial.
type Evidence struct {
	Offered *float64     // the starting value; nil for none
	Onset   *start.Range // where oscillation is expected; nil if nothing is known
	Reason  string
}

// EvidenceFrom takes the evidence from a starting tune.
//
// Source: package start.
func EvidenceFrom(o start.Offer) Evidence {
	e := Evidence{Onset: o.Onset, Reason: o.Reason}
	if o.Status != start.Unknown {
		v := o.Value
		e.Offered = &v
	}
	return e
}

// Setup is one axis of the session.
type Setup struct {
	Axis schema.Axis
	// TiltDeg is how the head stands while the axis is searched, up positive: where it has
	// least to turn, since there it oscillates first. nil where that is not known.
	TiltDeg  *float64
	Dial     schema.Dial
	Evidence Evidence
	// Held is the dial number that a tune has, for a recheck: the session begins with the
	// handheld check of it, and searches the axis only where it oscillates there.
	Held *float64
}

// Point is one place of the hand check.
type Point struct {
	Label   string
	TiltDeg *float64 // nil is any
	Style   string   // the follow style that is tried, "" for none; it can be passed over by itself
	Minutes float64  // for how long, 0 as long as it takes
}

// Config is what a session is run with. Replay needs the same Config.
type Config struct {
	Axes []Setup // in working order
	Hand []Point // worst inertia first; nil is one check without a stated tilt
	// Margin is onset stiffness over kept stiffness; 0 is schema.DefaultBenchMargin.
	Margin float64
	// MarginSteps is the least distance from onset to kept value in fine steps; 0 is 2
	// (common practice, no source).
	MarginSteps int
	// StopWidth is the bracket, in fine steps, at which the search stops; 0 is 1.
	StopWidth int
	// NoRetry leaves out the second trials.
	NoRetry bool
}

func (c Config) withDefaults() Config {
	if c.Margin == 0 {
		c.Margin = schema.DefaultBenchMargin
	}
	if c.MarginSteps == 0 {
		c.MarginSteps = 2
	}
	if c.StopWidth == 0 {
		c.StopWidth = 1
	}
	if len(c.Hand) == 0 {
		c.Hand = []Point{{Label: "handheld"}}
	}
	return c
}

func (c Config) check() error {
	k := domain.Checker{Model: "bench"}
	if len(c.Axes) == 0 {
		k.Fail("axes", "none", "at least one", "name an axis")
	}
	seen := map[schema.Axis]bool{}
	for _, a := range c.Axes {
		name := a.Axis.String()
		if a.Axis < schema.Pan || a.Axis > schema.Roll || seen[a.Axis] {
			k.Fail("axis", name, "pan, tilt and roll, each once at most", "")
		}
		seen[a.Axis] = true
		d := a.Dial
		k.Finite(name+" dial minimum", d.Min)
		k.Finite(name+" dial maximum", d.Max)
		k.That(d.Min < d.Max, name+" dial minimum", d.Min, "a number below the maximum", "correct the gimbal sheet")
		k.Positive(name+" fine step", d.Fine, "")
		k.That(d.Coarse >= d.Fine && !math.IsInf(d.Coarse, 0), name+" coarse step", d.Coarse, "at least the fine step", "correct the gimbal sheet")
		k.That(!(d.Fine > 0) || (d.Max-d.Min)/d.Fine <= maxSteps, name+" fine step", d.Fine, fmt.Sprintf("at most %d steps on the dial", int(maxSteps)), "correct the gimbal sheet")
		if o := a.Evidence.Offered; o != nil {
			k.Finite(name+" starting value", *o)
		}
		if o := a.Evidence.Onset; o != nil {
			k.Finite(name+" expected onset", o.Lo)
			k.Finite(name+" expected onset", o.Hi)
		}
	}
	for _, a := range c.Axes {
		if h := a.Held; h != nil && k.Err() == nil {
			_, ok := newGrid(a.Dial, 1).index(*h)
			k.That(ok, a.Axis.String()+" value of the tune", *h, "a number that the dial can show", "correct the tune")
		}
	}
	k.That(c.Margin >= 1 && !math.IsInf(c.Margin, 0), "margin", c.Margin, "onset over kept stiffness, 1 or more", "use 1.5")
	k.That(c.MarginSteps >= 1, "margin in fine steps", float64(c.MarginSteps), "1 or more", "")
	k.That(c.StopWidth >= 1, "bracket to stop at", float64(c.StopWidth), "1 fine step or more", "")
	return k.Err()
}

// maxSteps bounds the fine steps of a dial: more is a mistake in the sheet.
const maxSteps = 1e6

// Session is a tuning session. The zero value is not usable; see New.
type Session struct {
	cfg    Config
	events []Event
	st     *state // of the events so far
}

// New begins a session; an unusable Config is a *domain.Error.
//
// Source: package comment.
func New(cfg Config) (*Session, error) {
	cfg = cfg.withDefaults()
	if err := cfg.check(); err != nil {
		return nil, err
	}
	s := &Session{cfg: cfg}
	s.st = s.replay()
	return s, nil
}

// Replay goes on where a log of events left off. The number of the first event
// that does not fit is in the error.
//
// Source: package comment.
func Replay(cfg Config, events []Event) (*Session, error) {
	s, err := New(cfg)
	if err != nil {
		return nil, err
	}
	for i, e := range events {
		if err := s.Answer(e); err != nil {
			return nil, fmt.Errorf("step %d of the bench log: %w", i+1, err)
		}
	}
	return s, nil
}

// Events is the log so far, a copy.
//
// Source: package comment.
func (s *Session) Events() []Event { return slices.Clone(s.events) }

// ActiveEvents is the log without words and without answers that were taken back, a copy.
//
// Source: package comment.
func (s *Session) ActiveEvents() []Event { return slices.Clone(s.st.live) }

// Stage is what a proposal is about.
type Stage string

// Stages of a session.
const (
	Search Stage = "search" // set Value on Axis and look
	Relook Stage = "relook" // set Value on Axis and check again: a doubtful answer
	Decide Stage = "decide" // withdraw or keep the oscillation at Value
	InHand Stage = "hand"   // test all kept values handheld at Point
	Done   Stage = "done"
)

// Proposal is what to do next.
type Proposal struct {
	// ID names this question: how many steps the log has, the stage, and what is to be set. It
	// is the same after the log was read again, on any machine; each recorded step, a note or
	// an undo included, makes a new one, and no ID comes back. Whoever asks on several screens
	// sends it back as Event.Question.
	ID    string
	Stage Stage
	Axis  schema.Axis // Search, Relook, Decide
	Value float64     // dial number; Search, Relook, Decide
	Point Point       // InHand
	// TiltDeg is how the head stands, nil where it does not matter or is not known.
	TiltDeg *float64
	Reason  string
	// Clean and Onset are the bracket so far, nil where a side is open.
	Clean, Onset *float64
	Allowed      []Outcome
}

var (
	lookAnswers   = []Outcome{Clean, Chatter, Rocking, Stand, Skip, Undo, Note}
	decideAnswers = []Outcome{Withdraw, Keep, Undo, Note}
	handAnswers   = []Outcome{Hand, Reopen, Chatter, Rocking, Stand, Skip, Nearer, Undo, Note}
	doneAnswers   = []Outcome{Nearer, Undo, Note}
)

// AnswerError is an answer that does not fit; nothing was recorded.
type AnswerError struct{ What, Do string }

func (e *AnswerError) Error() string { return e.What + ": " + e.Do }

// AnsweredError is an answer to a question that no longer stands: it was answered before, from
// another screen or by the same key twice. Nothing was recorded; Now is the question that stands.
type AnsweredError struct {
	Question string
	Now      Proposal
}

func (e *AnsweredError) Error() string {
	return fmt.Sprintf("question %s was answered already: nothing was recorded, %s is asked now", e.Question, e.Now.ID)
}

// Next is the proposal in the present state.
//
// Source: package comment.
func (s *Session) Next() Proposal {
	p := s.st.next()
	p.ID = fmt.Sprintf("%d-%s", len(s.events)+1, p.Stage)
	switch p.Stage {
	case Search, Relook, Decide:
		p.ID += fmt.Sprintf("-%s-%s", p.Axis, schema.Num(p.Value))
	case InHand:
		p.ID += "-" + p.Point.Label
	}
	return p
}

// Answer records an answer. A missing axis or value is the proposal's own; one that
// is given may differ, for a look of one's own choosing. An answer that does not fit
// is an *AnswerError, one to a question that no longer stands an *AnsweredError; both
// leave the session as it was.
//
// Source: package comment.
func (s *Session) Answer(e Event) error {
	if p := s.Next(); e.Question != "" && e.Question != p.ID {
		return &AnsweredError{e.Question, p}
	}
	e, err := s.st.accept(e)
	if err != nil {
		return err
	}
	e.Question = ""
	s.events = append(s.events, e)
	switch e.Saw {
	case Note:
	case Undo:
		s.st = s.replay()
	default:
		s.st.live = append(s.st.live, e)
		s.st.apply(e)
	}
	return nil
}

// Fits reports whether Answer would take an event, without recording it: nil, or
// what Answer would say.
//
// Source: package comment.
func (s *Session) Fits(e Event) error {
	_, err := s.st.accept(e)
	return err
}

// accept checks an event against the state and fills in what the proposal says.
func (st *state) accept(e Event) (Event, error) {
	p := st.next()
	e, err := st.check(e, p)
	asked := p.Stage == InHand && e.Value == nil || (p.Stage == Search || p.Stage == Relook) && e.HasAxis && e.Axis == p.Axis
	if err == nil && e.TiltDeg == nil && asked && (e.Saw.Oscillates() || e.Saw == Clean || e.Saw == Stand || e.Saw == Hand || e.Saw == Reopen) {
		e.TiltDeg = p.TiltDeg
	}
	return e, err
}

func (st *state) check(e Event, p Proposal) (Event, error) {
	refuse := refusing(e)
	if !(e.Hz >= 0 && e.Hz <= schema.MaxShakeHz) {
		return refuse(fmt.Sprintf("a frequency of %s Hz", domain.Number(e.Hz)), fmt.Sprintf("give a number above 0 and up to %g, or leave it out", schema.MaxShakeHz))
	}
	if e.TiltDeg != nil && !(math.Abs(*e.TiltDeg) <= schema.MaxTiltDeg) {
		return refuse(fmt.Sprintf("a tilt of %s degrees", domain.Number(*e.TiltDeg)), fmt.Sprintf("give a number from -%g to %g, up positive, or leave it out", schema.MaxTiltDeg, schema.MaxTiltDeg))
	}
	switch e.Saw {
	case Note:
		return e, nil
	case Undo:
		if len(st.live) == 0 {
			return refuse("no answer to undo", "answer the proposal")
		}
		return e, nil
	}
	if e.HasAxis {
		if _, ok := st.axes[e.Axis]; !ok {
			return refuse(fmt.Sprintf("this session does not work on %s", e.Axis), "name one of its axes")
		}
	}
	switch e.Saw {
	case Hand:
		if p.Stage == Done && st.handDone < len(st.cfg.Hand) {
			return e, nil // every axis is done or skipped, and it was tried after all
		}
		if p.Stage != InHand {
			return refuse("the hand check has not begun", "finish or skip the axes first, or answer clean")
		}
		return e, nil
	case Reopen:
		if p.Stage != InHand || !e.HasAxis {
			return refuse("an axis is sent back from the hand check only, by its name", "name the axis that oscillates handheld")
		}
		if st.axes[e.Axis].result.Kept == nil {
			return refuse(fmt.Sprintf("%s has no kept value to go back from", e.Axis), "choose another axis")
		}
		e.Value = nil
		return e, nil
	case Skip:
		if p.Stage == InHand && !e.HasAxis {
			return e, nil
		}
		if !e.HasAxis {
			if p.Stage == Done {
				return refuse("the session is over", "take an answer back, or start another")
			}
			e.Axis, e.HasAxis = p.Axis, true
		}
		return e, nil
	case Nearer:
		return st.checkNearer(e)
	case Withdraw, Keep:
		if !e.HasAxis {
			if p.Stage == InHand || p.Stage == Done {
				return refuse("no oscillation is in question", "name the axis and value")
			}
			e.Axis, e.HasAxis = p.Axis, true
		}
		if e.Value == nil {
			if p.Stage == Done || p.Stage == InHand || p.Axis != e.Axis {
				return refuse("no value is in question", "name the value")
			}
			v := p.Value
			e.Value = &v
		}
		return st.acceptDecision(e)
	case Clean, Chatter, Rocking, Stand:
		return st.checkSeen(e, p)
	}
	return refuse(fmt.Sprintf("%q is not an answer", string(e.Saw)), "answer "+words(p.Allowed))
}

// refusing refuses an event.
func refusing(e Event) func(what, do string) (Event, error) {
	return func(what, do string) (Event, error) { return e, &AnswerError{what, do} }
}

// checkSeen checks what was seen of an axis at a value.
func (st *state) checkSeen(e Event, p Proposal) (Event, error) {
	refuse := refusing(e)
	look := p.Stage == Search || p.Stage == Relook
	if p.Stage == InHand && e.Value == nil {
		if !e.Saw.Oscillates() {
			e.Saw, e.HasAxis = Hand, false
			return e, nil
		}
		if !e.HasAxis {
			return refuse("a handheld oscillation with no axis", "name the axis that oscillates")
		}
		if st.axes[e.Axis].result.Kept == nil {
			return refuse(fmt.Sprintf("%s has no kept value to go back from", e.Axis), "choose another axis")
		}
		return e, nil
	}
	if !e.HasAxis {
		if !look && p.Stage != Decide {
			return refuse("no axis is under test", "name the axis and the value")
		}
		e.Axis, e.HasAxis = p.Axis, true
	}
	if e.Value == nil {
		if !look || p.Axis != e.Axis {
			return refuse(fmt.Sprintf("no value is proposed for %s", e.Axis), "name the value that was set")
		}
		v := p.Value
		e.Value = &v
	}
	g := st.axes[e.Axis].grid
	if _, ok := g.index(*e.Value); !ok {
		return refuse(fmt.Sprintf("%s is not a number this dial can show (%s to %s in steps of %s)", domain.Number(*e.Value), schema.Num(g.d.Min), schema.Num(g.d.Max), schema.Num(g.d.Fine)), "give the number that was set")
	}
	return e, nil
}

// NearerRange is which values of an axis may be kept nearer the onset, by name: from the
// softest to the stiffest. ok is false where there is none.
// Source: the rules in the package comment.
func (s *Session) NearerRange(x schema.Axis) (softest, stiffest float64, ok bool) {
	a := s.st.axes[x]
	if a == nil || a.result.Kept == nil || a.setup.Held != nil && len(a.trials) == 0 || a.byMargin >= a.lo {
		return 0, 0, false
	}
	return a.grid.value(a.byMargin + 1), a.grid.value(a.lo), true
}

// checkNearer takes a value between the one that the margin gives and the stiffest that was
// clean below the onset.
func (st *state) checkNearer(e Event) (Event, error) {
	if !e.HasAxis || e.Value == nil {
		return e, &AnswerError{"a nearer value without its axis and number", "name both"}
	}
	a := st.axes[e.Axis]
	if a.setup.Held != nil && len(a.trials) == 0 {
		return e, &AnswerError{fmt.Sprintf("%s was not searched", e.Axis), "change the tune with set, then check it again"}
	}
	k, ok := a.grid.index(*e.Value)
	switch {
	case a.result.Kept == nil:
		return e, &AnswerError{fmt.Sprintf("%s has no kept value yet", e.Axis), "finish the axis first"}
	case !ok || k <= a.byMargin || k > a.lo:
		return e, &AnswerError{fmt.Sprintf("%s is not between %s, which the margin gives, and %s, the stiffest clean value of %s", domain.Number(*e.Value), a.num(a.byMargin), a.num(a.lo), e.Axis), "give a number above the first and up to the second"}
	}
	return e, nil
}

func (st *state) acceptDecision(e Event) (Event, error) {
	a := st.axes[e.Axis]
	k, ok := a.grid.index(*e.Value)
	if !ok || a.count(k, true) == 0 {
		return e, &AnswerError{fmt.Sprintf("no oscillation stands at %s on %s", domain.Number(*e.Value), e.Axis), "name a value at which one was seen"}
	}
	if e.Saw == Withdraw && a.count(k, false) < 2 {
		return e, &AnswerError{fmt.Sprintf("the oscillation at %s cannot be withdrawn yet", schema.Num(*e.Value)), "repeat the trial until it was clean twice, or undo the answer"}
	}
	return e, nil
}

func words(s []Outcome) string {
	w := make([]string, len(s))
	for i := range s {
		w[i] = string(s[i])
	}
	return strings.Join(w, ", ")
}
