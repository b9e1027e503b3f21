package link

import (
	"time"

	"rigkeep/preset/link/wire"
)

// Trouble is a reason to stop, seen in how a device's frames come.
type Trouble string

// The troubles.
const (
	None      Trouble = ""
	Lost      Trouble = "lost"      // no sign of life for LostAfter
	Restarted Trouble = "restarted" // it began to count its frames again
	Two       Trouble = "two"       // two devices send under one number
)

// LostAfter is how long a device may be without a sign of life; it gives one a second.
const LostAfter = 3 * time.Second

// Watch follows the frames of one device. They carry a count from 0 to 255 and
// round again, which starts at 0 after a restart. Single frames get lost, come twice or in
// another order; so nothing is concluded from one frame, and the count of lost
// frames is never used.
type Watch struct {
	System, Component byte

	seen     bool
	last     byte // count of the newest frame
	doubt    bool // a frame far from where the count was
	doubtAt  byte
	woven    int       // frames that went on where the count had been before a doubt
	beat     time.Time // the last heartbeat, and its count
	beatSeq  byte
	beats    int // heartbeats
	doubles  int // heartbeats that came again at once
	fellBack bool
}

// far is more than loss and disorder on a line make of the count.
const (
	farBack  = 8
	farAhead = 16
	nearZero = 4
)

// Hear takes in a frame.
func (w *Watch) Hear(now time.Time, f wire.Frame) {
	if f.System != w.System || f.Component != w.Component {
		return
	}
	if _, ok := f.Message.(wire.Heartbeat); ok {
		if w.beats > 0 && f.Seq == w.beatSeq && now.Sub(w.beat) < time.Second/2 {
			w.doubles++
		} else {
			w.beats++
		}
		w.beat, w.beatSeq = now, f.Seq
	}
	if !w.seen {
		w.seen, w.last = true, f.Seq
		return
	}
	if w.doubt {
		switch near := f.Seq - w.doubtAt; {
		case near > 0 && near <= farBack:
			// it goes on from there: the count began anew
			w.fellBack, w.doubt, w.last = true, false, f.Seq
			return
		case f.Seq-w.last <= farBack:
			w.woven++
			w.doubt = false
		}
	}
	ahead := f.Seq - w.last
	switch {
	case ahead == 0:
	case ahead < 128:
		if ahead > farAhead && f.Seq < nearZero {
			w.doubt, w.doubtAt = true, f.Seq
			return
		}
		w.last = f.Seq
	case -ahead > farBack:
		w.doubt, w.doubtAt = true, f.Seq
	}
}

// Trouble says what is wrong at a time.
func (w *Watch) Trouble(now time.Time) Trouble {
	switch {
	case w.beats >= 6 && w.doubles >= w.beats-1, w.woven >= 3: // by chance one or two come twice, not all
		return Two
	case w.fellBack:
		return Restarted
	case w.beats > 0 && now.Sub(w.beat) > LostAfter:
		return Lost
	}
	return None
}
