package link

import (
	"fmt"
	"slices"

	"rigkeep/schema"
)

// What an event of a session is.
const (
	EvBegin    = "begin"     // the session: everything that was known before the first frame
	EvSeen     = "seen"      // yes: the person has seen that the unit holds other values than the record says
	EvLabel    = "label"     // yes: the unit's label was typed
	EvReady    = "ready"     // yes: motors off or head held, hands clear, camera balanced, on the stand
	EvSend     = "send"      // a write is about to go out
	EvOutcome  = "outcome"   // how it ended
	EvQuiet    = "quiet"     // yes: still quiet; no: not any more
	EvAbort    = "abort"     // stopped from outside: Ctrl-C, the device lost or restarted, the program ended
	EvReadBack = "read back" // what was read again
	EvRestore  = "restore"   // yes or no to putting the old values back
	EvStore    = "store"     // yes or no to keeping the values over a power cycle
	EvStored   = "stored"    // how that ended
	EvEnd      = "end"
)

// Answers that stop a session before anything is sent.
const (
	StopRecord = "the values on the unit are not those on record"
	StopLabel  = "the label typed is not this unit's"
	StopReady  = "the head was not ready"
)

// Event is one line of the log of a session. Which fields it has depends on Event.
type Event struct {
	At      string             `json:"at"`
	Event   string             `json:"event"`
	Yes     *bool              `json:"yes,omitempty"`
	Begin   *Begin             `json:"begin,omitempty"`
	Step    *Step              `json:"step,omitempty"`
	Key     string             `json:"key,omitempty"`
	ID      string             `json:"id,omitempty"`
	Outcome Outcome            `json:"outcome,omitempty"`
	OldBits *uint32            `json:"old_bits,omitempty"`
	Echo    *uint32            `json:"echo,omitempty"`
	Read    *uint32            `json:"read,omitempty"`
	Found   map[string]*uint32 `json:"found,omitempty"` // by id; nil is not an answer
	Text    string             `json:"text,omitempty"`
	Result  *Result            `json:"result,omitempty"`
}

// Begin is what is on disk before the first frame that writes.
type Begin struct {
	Unit      string `json:"unit"` // gimbal/serial
	Label     string `json:"label"`
	Address   string `json:"address"`
	System    byte   `json:"system"`
	Component byte   `json:"component"`
	DeviceID  string `json:"device_id,omitempty"`
	Person    string `json:"person"`
	Tune      string `json:"tune,omitempty"`
	Commit    string `json:"commit,omitempty"`
	Digest    string `json:"digest,omitempty"` // of the tune's values
	Permanent string `json:"permanent"`        // schema.AtOnce or schema.OnCommand
	Differs   bool   `json:"differs,omitempty"`
	Restores  string `json:"restores,omitempty"` // the log whose old values are put back
	Integers  string `json:"integers"`
	Plan      Plan   `json:"plan"`
}

// Do is what comes next in a session.
type Do string

// What can come next.
const (
	AskSeen     Do = "seen"
	AskLabel    Do = "label"
	AskReady    Do = "ready"
	DoWrite     Do = "write"
	AskQuiet    Do = "quiet"
	DoReadBack  Do = "read back"
	AskRestore  Do = "restore"
	AskStore    Do = "store"
	DoStore     Do = "keep"
	DoEnd       Do = "end"
	nothingLeft Do = "ended"
)

// Action is what comes next, with the write where it is one.
type Action struct {
	Do    Do
	Step  Step
	Old   uint32 // what the device has before the write, as far as is known
	Back  bool   // the write puts an old value back, or goes down again
	Total int    // writes of this run, for counting them
	Done  int
}

// Left is a dial that does not have what it should, at the end of a session.
type Left struct {
	Key string   `json:"key"`
	ID  string   `json:"id"`
	Old float64  `json:"old"` // what it had before the session, in dial numbers
	Has *float64 `json:"has"` // what it has now; nil is unknown
}

// Result is how a session ended.
type Result struct {
	Outcome  Outcome  `json:"outcome"`            // of the whole: Written, or that of the write that ended it; "" where nothing was sent
	Stopped  string   `json:"stopped,omitempty"`  // why it ended before the last write
	Written  []string `json:"written,omitempty"`  // keys that have their new value, read back
	Restored []string `json:"restored,omitempty"` // keys that have their old value again, read back
	Left     []Left   `json:"left,omitempty"`     // keys that have neither, or nobody knows
	Partly   []string `json:"partly,omitempty"`   // keys whose new value stayed although the session did not end as it should
	Kept     string   `json:"kept"`               // over a power cycle: "yes", "no", "refused" by the device, "unknown", or "" where nothing was written
}

// Session is one run of writes, replayed from its events.
type Session struct {
	sheet  *schema.Sheet
	begin  Begin
	events []Event

	next      Do
	queue     []Step
	at        int
	back      bool      // the queue puts old values back
	now       []*uint32 // by change: what the device has, nil unknown
	touched   []int     // changes for which a write went out, in order
	inFlight  bool
	outcome   Outcome
	stopped   string
	goingDown bool // the present write takes back a raise that was not quiet
	dead      bool // nothing more can be sent
	kept      string
	storing   bool
}

// NewSession begins a session. sheet is that of the gimbal: its dials order the ramps
// of a restoring.
func NewSession(sheet *schema.Sheet, b Begin) *Session {
	s := &Session{sheet: sheet, begin: b, next: AskLabel, queue: b.Plan.Steps}
	if b.Differs {
		s.next = AskSeen
	}
	for _, c := range b.Plan.Changes {
		bits := c.OldBits
		s.now = append(s.now, &bits)
	}
	switch {
	case b.Restores != "":
		// what the device has is read first
		s.stopped = "the writing before this one did not end"
		for i := range b.Plan.Changes {
			s.now[i] = nil
			s.touched = append(s.touched, i)
		}
	case len(b.Plan.Steps) == 0:
		s.next = DoEnd
	}
	return s
}

// Unfinished is the beginning of a session that puts back what another one left: it
// did not end, or nobody knows what the device has. events are that other one's,
// log is its name. False where there is nothing to put back.
func Unfinished(sheet *schema.Sheet, events []Event, log string) (Begin, bool, error) {
	s, err := Replay(sheet, events)
	if err != nil {
		return Begin{}, false, err
	}
	open := !s.Ended()
	for _, l := range s.Result().Left {
		open = open || l.Has == nil
	}
	if !open || len(s.touched) == 0 {
		return Begin{}, false, nil
	}
	b := s.begin
	b.Restores, b.Differs = log, false
	b.Plan = Plan{}
	for _, i := range s.touched {
		b.Plan.Changes = append(b.Plan.Changes, s.begin.Plan.Changes[i])
	}
	return b, true, nil
}

// Begun is what the session was begun with.
func (s *Session) Begun() Begin { return s.begin }

// Next says what comes next.
func (s *Session) Next() Action {
	a := Action{Do: s.next, Back: s.back || s.goingDown, Total: len(s.queue), Done: s.at}
	if s.next == DoWrite || s.next == AskQuiet {
		a.Step = s.queue[s.at]
		a.Old = s.begin.Plan.Changes[a.Step.Change].OldBits
		if n := s.now[a.Step.Change]; n != nil {
			a.Old = *n
		}
	}
	return a
}

func yes(e Event) bool { return e.Yes != nil && *e.Yes }

// Add takes in what happened. It is an error where that does not answer Next; Ctrl-C and
// the like (EvAbort) may come at any time.
func (s *Session) Add(e Event) error {
	ok := map[string]Do{EvSeen: AskSeen, EvLabel: AskLabel, EvReady: AskReady, EvSend: DoWrite, EvOutcome: DoWrite, EvQuiet: AskQuiet,
		EvReadBack: DoReadBack, EvRestore: AskRestore, EvStore: AskStore, EvStored: DoStore, EvEnd: DoEnd}
	if want, known := ok[e.Event]; e.Event != EvAbort && (!known || want != s.next || (e.Event == EvOutcome) != s.inFlight && want == DoWrite) {
		return fmt.Errorf("%q does not follow here: next is %q", e.Event, s.next)
	}
	s.events = append(s.events, e)
	switch e.Event {
	case EvSeen:
		s.ask(e, AskLabel, StopRecord)
	case EvLabel:
		s.ask(e, AskReady, StopLabel)
	case EvReady:
		then := DoWrite
		if s.begin.Restores != "" {
			then = DoReadBack
		}
		s.ask(e, then, StopReady)
	case EvSend:
		s.send()
	case EvOutcome:
		s.took(e)
	case EvQuiet:
		if yes(e) {
			s.advance()
			break
		}
		s.goDown()
	case EvAbort:
		s.abort(e.Text)
	case EvReadBack:
		s.readBack(e)
	case EvRestore:
		if yes(e) {
			s.putBack()
		} else {
			s.next = DoEnd
		}
	case EvStore:
		s.next, s.kept = DoEnd, "no"
		if yes(e) {
			s.next = DoStore
		}
	case EvStored:
		s.storing = true
		s.next = DoReadBack
		s.kept = map[Outcome]string{Written: "yes", Refused: "refused"}[e.Outcome]
		if s.kept == "" {
			s.kept = "unknown"
		}
	case EvEnd:
		s.next = nothingLeft
	}
	return nil
}

func (s *Session) ask(e Event, then Do, otherwise string) {
	s.next = then
	if !yes(e) {
		s.next, s.stopped = DoEnd, otherwise
	}
}

func (s *Session) send() {
	s.inFlight = true
	i := s.queue[s.at].Change
	s.now[i] = nil
	if !slices.Contains(s.touched, i) {
		s.touched = append(s.touched, i)
	}
}

func (s *Session) took(e Event) {
	s.inFlight = false
	step := s.queue[s.at]
	if e.Outcome == Written {
		bits := step.Bits
		s.now[step.Change] = &bits
		switch {
		case s.goingDown:
			s.goingDown = false
			s.trouble()
		case step.Raise:
			s.next = AskQuiet
		default:
			s.advance()
		}
		return
	}
	s.goingDown = false
	s.now[step.Change] = e.Read
	if !s.back {
		s.outcome = e.Outcome
		s.trouble()
		return
	}
	// what cannot be put back is told at the end; the others still can, if it answers
	if e.Outcome == Silent || e.Outcome == Unknown {
		s.next = DoReadBack
		s.dead = true
		return
	}
	for s.at+1 < len(s.queue) && s.queue[s.at+1].Change == step.Change {
		s.at++
	}
	s.advance()
}

func (s *Session) advance() {
	s.at++
	s.next = DoWrite
	if s.at >= len(s.queue) {
		s.next = DoReadBack
	}
}

// goDown takes back the raise that was not quiet; softening needs no question.
func (s *Session) goDown() {
	step := s.queue[s.at]
	s.stopped = "not quiet at " + schema.Num(step.To) + " of " + s.begin.Plan.Changes[step.Change].Key
	bits, err := FromDial(*s.sheet.Dials[s.begin.Plan.Changes[step.Change].Dial].Link, step.From, s.begin.Integers)
	if err != nil { // it was there before, but between two steps of the dial
		bits = s.begin.Plan.Changes[step.Change].OldBits
	}
	s.queue = append(slices.Clone(s.queue[:s.at+1]), Step{Change: step.Change, From: step.To, To: step.From, Bits: bits})
	s.at++
	s.goingDown = true
	s.next = DoWrite
}

func (s *Session) abort(why string) {
	if s.inFlight {
		s.inFlight = false
		if !s.back {
			s.outcome = Unknown
		}
	}
	if s.stopped == "" {
		s.stopped = why
	}
	s.goingDown = false
	switch s.next {
	case nothingLeft, DoEnd:
	case AskSeen, AskLabel, AskReady, AskRestore, AskStore:
		s.next = DoEnd
	case DoStore:
		s.next, s.kept = DoEnd, "unknown"
	case DoReadBack:
		if !s.storing {
			for _, i := range s.touched {
				s.now[i] = nil
			}
			if s.outcome == "" && !s.back {
				s.outcome = Unknown
			}
		}
		s.next = DoEnd
	default:
		s.trouble()
	}
}

// trouble ends the writing: what can be read is read, then restoring is offered.
func (s *Session) trouble() {
	if len(s.touched) == 0 {
		s.next = DoEnd
		return
	}
	if s.back {
		s.dead = true // no second offer
	}
	s.next = DoReadBack
}

func (s *Session) readBack(e Event) {
	verified := s.stopped == "" && s.outcome == "" && !s.back || s.storing // all writes were: has it kept them?
	for _, i := range s.touched {
		c := s.begin.Plan.Changes[i]
		had := s.now[i]
		got := e.Found[c.ID]
		s.now[i] = got
		switch {
		case !verified || s.outcome == Unknown:
		case got == nil:
			s.outcome = Unknown
		case had != nil && *got == *had:
		case *got == c.OldBits:
			s.outcome = StillOld
		default:
			s.outcome = Changed
		}
	}
	switch {
	case s.storing:
		for _, i := range s.touched {
			if n := s.now[i]; n == nil || *n != s.begin.Plan.Changes[i].NewBits {
				s.kept = "unknown"
			}
		}
		s.next = DoEnd
	case s.back || s.dead:
		s.next = DoEnd
	case s.outcome == "" && s.stopped == "":
		s.outcome = Written
		s.next, s.kept = DoEnd, "yes"
		if s.begin.Permanent == schema.OnCommand {
			s.next, s.kept = AskStore, "no"
		}
	case s.anyAway():
		s.next = AskRestore
	default:
		s.next = DoEnd
	}
}

// anyAway reports whether a dial has something else than before the session.
func (s *Session) anyAway() bool {
	for _, i := range s.touched {
		if n := s.now[i]; n == nil || *n != s.begin.Plan.Changes[i].OldBits {
			return true
		}
	}
	return false
}

// putBack orders the restoring: in reverse, each dial from where it is now. Where
// that raises again it goes in steps with the same question as before. Where nobody
// knows what the device has, it is taken to have the new value.
func (s *Session) putBack() {
	s.queue, s.at, s.back = nil, 0, true
	for _, i := range slices.Backward(s.touched) {
		c := s.begin.Plan.Changes[i]
		d := s.sheet.Dials[c.Dial]
		n := s.now[i]
		if n != nil && *n == c.OldBits {
			continue
		}
		from := c.New
		if n != nil {
			if raw, err := Number(*n, c.Type, s.begin.Integers); err == nil {
				from = ToDial(*d.Link, raw)
			}
		}
		steps, err := ramp(s.sheet, i, c, from, c.Old, c.OldBits)
		if err != nil {
			steps = []Step{{Change: i, From: from, To: c.Old, Bits: c.OldBits, Raise: d.Less(from, c.Old)}}
		}
		s.queue = append(s.queue, steps...)
	}
	s.next = DoWrite
	if len(s.queue) == 0 {
		s.next = DoEnd
	}
}

// Result is how the session stands.
func (s *Session) Result() Result {
	r := Result{Outcome: s.outcome, Stopped: s.stopped, Kept: s.kept}
	for _, i := range s.touched {
		c := s.begin.Plan.Changes[i]
		n := s.now[i]
		switch {
		case n != nil && *n == c.NewBits && s.outcome == Written:
			r.Written = append(r.Written, c.Key)
		case n != nil && *n == c.OldBits:
			r.Restored = append(r.Restored, c.Key)
		case n != nil && *n == c.NewBits:
			r.Partly = append(r.Partly, c.Key)
		default:
			l := Left{Key: c.Key, ID: c.ID, Old: c.Old}
			if n != nil {
				if raw, err := Number(*n, c.Type, s.begin.Integers); err == nil {
					v := ToDial(*s.sheet.Dials[c.Dial].Link, raw)
					l.Has = &v
				}
			}
			r.Left = append(r.Left, l)
		}
	}
	if len(s.touched) > 0 && r.Outcome != Written && r.Kept == "" {
		r.Kept = map[bool]string{true: "yes", false: "no"}[s.begin.Permanent == schema.AtOnce]
	}
	return r
}

// Ended reports whether the session is over.
func (s *Session) Ended() bool { return s.next == nothingLeft }

// Replay builds a session from its log.
func Replay(sheet *schema.Sheet, events []Event) (*Session, error) {
	if len(events) == 0 || events[0].Event != EvBegin || events[0].Begin == nil {
		return nil, fmt.Errorf("the log does not begin with what was known before the first write")
	}
	for _, c := range events[0].Begin.Plan.Changes {
		if d, ok := sheet.Dials[c.Dial]; !ok || d.Link == nil {
			return nil, fmt.Errorf("the gimbal sheet has no link for %s any more", c.Dial)
		}
	}
	for _, st := range events[0].Begin.Plan.Steps {
		if st.Change < 0 || st.Change >= len(events[0].Begin.Plan.Changes) {
			return nil, fmt.Errorf("the log has a step of change %d, which is not in it", st.Change)
		}
	}
	s := NewSession(sheet, *events[0].Begin)
	for i, e := range events[1:] {
		if err := s.Add(e); err != nil {
			return nil, fmt.Errorf("line %d of the log: %w", i+2, err)
		}
	}
	return s, nil
}
