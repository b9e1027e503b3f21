package link

import (
	"time"

	"rigkeep/preset/link/wire"
)

// Outcome is how one write ended.
type Outcome string

// The outcomes. Only Written counts as on the unit; Unknown may be either.
const (
	Written  Outcome = "written"
	Refused  Outcome = "refused"            // the unit said its old value, and has it still
	Changed  Outcome = "changed to another" // it has a value that is neither the old nor the new one
	StillOld Outcome = "still old"          // it confirmed the new value, and has the old one
	Silent   Outcome = "no answer"          // it did not confirm, and has the old value
	Unknown  Outcome = "unknown"            // nobody knows what it has
)

// Timing says how long to wait.
type Timing struct {
	Answer time.Duration // for one answer, the first time; it doubles with each repeat
	Sets   int           // how often the same value is sent, at most
	Reads  int           // how often is asked what is there, at most
}

// DefaultTiming is for a device whose answers come within 0.3 s.
func DefaultTiming() Timing { return Timing{Answer: 300 * time.Millisecond, Sets: 4, Reads: 6} }

// quietFor is how long the line has to be quiet before an answer can be trusted to
// belong to what was asked last: answers carry no number of what they answer.
func (t Timing) quietFor() time.Duration { return 2 * t.Answer }

// longest is how long to wait for a quiet line.
func (t Timing) longest() time.Duration { return 40 * t.Answer }

type phase int

const (
	settle   phase = iota // until the line is quiet
	setting               // sent, waiting for the echo
	quiet                 // until the line is quiet again
	reading               // asked, waiting for the value
	watching              // for a second, other answer
	done
)

// Write is one write and its verification as a state machine: write; wait for the
// echo of that setting; wait until no value came for two timeouts; read again;
// compare bits. Without the pause an answer that comes late is taken for the
// confirmation of what was asked after it.
type Write struct {
	System, Component byte
	ID                string
	Type              Type
	Old, New          uint32

	timing      Timing
	phase       phase
	began       bool
	sets, reads int
	until       time.Time // of the present wait
	lastValue   time.Time // when the last value of any setting came
	limit       time.Time
	echo, read  *uint32
	doubtful    bool // two answers that differ, or one of another kind
	result      Outcome
}

// NewWrite begins a write. lastValue is when the last value of any setting came, the
// zero time for never.
func NewWrite(system, component byte, id string, t Type, from, to uint32, timing Timing, lastValue time.Time) *Write {
	return &Write{System: system, Component: component, ID: id, Type: t, Old: from, New: to, timing: timing, lastValue: lastValue}
}

// Next says what to do at a time: a message to send, or none, and until when to wait
// then for Heard. done is true at the end.
func (w *Write) Next(now time.Time) (send wire.Message, until time.Time, finished bool) {
	if !w.began {
		w.began = true
		w.limit = now.Add(w.timing.longest())
	}
	for {
		switch w.phase {
		case settle:
			if q := w.lastValue.Add(w.timing.quietFor()); now.Before(q) {
				if now.After(w.limit) {
					w.end(Unknown)
					continue
				}
				return nil, q, false
			}
			return w.set(now)
		case setting:
			if now.Before(w.until) {
				return nil, w.until, false
			}
			if w.sets < w.timing.Sets {
				return w.set(now)
			}
			w.phase, w.limit = quiet, now.Add(w.timing.longest())
		case quiet:
			q := w.lastValue.Add(w.pause())
			if now.Before(q) && now.Before(w.limit) {
				return nil, q, false
			}
			return w.ask(now)
		case reading:
			if now.Before(w.until) {
				return nil, w.until, false
			}
			if w.reads < w.timing.Reads {
				return w.ask(now)
			}
			w.end(Unknown)
		case watching:
			if now.Before(w.until) {
				return nil, w.until, false
			}
			w.end(w.judge())
		case done:
			return nil, time.Time{}, true
		}
	}
}

// pause is how long the line has to be quiet before what was written is read. Where
// the value was sent more than once, the confirmations come as far apart as it was sent.
func (w *Write) pause() time.Duration {
	p := w.timing.quietFor()
	if w.sets > 1 {
		p = max(p, w.timing.Answer<<(w.sets-2)+w.timing.Answer)
	}
	return p
}

// set sends the value, with longer patience each time; always the same bits, so that
// it does no harm when both arrive.
func (w *Write) set(now time.Time) (wire.Message, time.Time, bool) {
	w.phase = setting
	w.until = now.Add(w.timing.Answer << w.sets)
	w.sets++
	return wire.Set{Bits: w.New, System: w.System, Component: w.Component, ID: w.ID, Type: byte(w.Type)}, w.until, false
}

func (w *Write) ask(now time.Time) (wire.Message, time.Time, bool) {
	w.phase = reading
	w.until = now.Add(w.timing.Answer << min(w.reads, 2))
	w.reads++
	return wire.ReadOne{Index: -1, System: w.System, Component: w.Component, ID: w.ID}, w.until, false
}

// Heard takes in a value that the device said.
func (w *Write) Heard(now time.Time, v wire.Value) {
	w.lastValue = now
	if v.ID != w.ID || w.phase == done {
		return
	}
	bits := v.Bits
	switch w.phase {
	case setting, quiet:
		w.echo = &bits
		if w.phase == setting {
			w.phase, w.limit = quiet, now.Add(w.timing.longest())
		}
	case reading:
		w.read, w.phase, w.until = &bits, watching, now.Add(w.timing.Answer)
		w.doubtful = w.doubtful || Type(v.Type) != w.Type
	case watching:
		w.doubtful = w.doubtful || bits != *w.read || Type(v.Type) != w.Type
	}
}

func (w *Write) judge() Outcome {
	switch {
	case w.doubtful:
		return Unknown
	case *w.read == w.New:
		return Written
	case *w.read != w.Old:
		return Changed
	case w.echo == nil:
		return Silent
	case *w.echo == w.New:
		return StillOld
	}
	return Refused
}

func (w *Write) end(o Outcome) { w.phase, w.result = done, o }

// Result is how a finished write ended, what was confirmed and what was read back;
// nil for nothing. Where the outcome is Unknown, read is nil as well.
func (w *Write) Result() (o Outcome, echo, read *uint32) {
	if w.result == Unknown {
		return w.result, w.echo, nil
	}
	return w.result, w.echo, w.read
}
