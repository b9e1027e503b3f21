// Package link holds the rules by which the dials of a unit are read and written
// over a wire: which setting of the device a dial is, how its numbers travel, what
// makes a reading doubtful, in which order values are written, when a person is
// asked, and how a single write is verified. Pure: no I/O, no clock; times are
// handed in. The frames are in package wire; ports are in cmd/rigkeep/device.
//
// What a motor controller does with a wrong number can hurt someone, so every doubt
// forbids all writing, nothing is raised unasked, and only what was read back
// counts as written.
//
// # The rules for writing, and the tests that hold them
//
// Tests are of this package, of cmd/rigkeep, or link.txtar, its session.
//
//  1. Reading is all that goes unasked; a dial is written where its sheet allows it, never with --yes: TestPlanOrder, link.txtar.
//  2. System, component, kind and form of numbers agree, and one device answers: TestInterpret, TestOtherDevice, TestLinkFaults.
//  3. Old values are fresh and on disk first; others than on record are shown: TestLinkKilled, link.txtar.
//  4. The table is shown, the label typed, readiness said and logged: TestSessionRules, TestLinkFaults, link.txtar.
//  5. One write at a time, softer first, axis by axis, one writing to a unit: TestPlanOrder, TestPlanNeverLeaps, TestLinkInterrupted.
//  6. Never beside a bench session on that rig: TestLinkInterrupted, link.txtar.
//  7. Up in steps with "still quiet?", down at once, below known onsets: TestPlanNeverLeaps, TestPlanRefuses, TestSessionRules.
//  8. Write, echo, a quiet line, read again: TestWriteOutcomes, TestWriteTwoAnswers, TestWriteNeverSaysWrittenWrongly.
//  9. Each outcome has its word and exit code: TestWriteOutcomes, TestSessions, TestLinkFaults.
//  10. The same bits again, three times at most: TestWriteOutcomes.
//  11. Stopped from outside, the one write ends, then restoring is offered: TestAbort, TestWatch, TestLinkInterrupted.
//  12. Restored in reverse, each verified, what is not said first: TestSessions, TestKilledAnywhere, TestLinkKilled.
//  13. Kept over a power cycle only when asked, then read again: TestSessions, TestLinkFaults.
//  14. A line of the log before and after each frame: TestLinkKilled, TestLogCutOff, FuzzLog.
//  15. Serial, loopback, or an address named in full; never all interfaces: TestParseAddress.
//  16. --plan sends nothing: TestLinkPlanSendsNothing.
//
// Source: the parameter protocol of MAVLink (mavlink.io) for what the frames mean.
// The rules for writing are our own; common practice, no source.
package link

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"rigkeep/schema"
)

// Type is the kind of number that a setting is, as it is coded on the wire.
type Type byte

// The kinds that fit into the four bytes of a setting.
const (
	Uint8  Type = 1
	Int8   Type = 2
	Uint16 Type = 3
	Int16  Type = 4
	Uint32 Type = 5
	Int32  Type = 6
	Real32 Type = 9
)

var typeNames = map[Type]string{Uint8: "uint8", Int8: "int8", Uint16: "uint16", Int16: "int16", Uint32: "uint32", Int32: "int32", Real32: "real32"}

// TypeOf is the code of one of schema.LinkTypes, 0 for any other text.
func TypeOf(name string) Type {
	for t, n := range typeNames {
		if n == name {
			return t
		}
	}
	return 0
}

func (t Type) String() string {
	if n, ok := typeNames[t]; ok {
		return n
	}
	return "kind " + strconv.Itoa(int(t))
}

// Whole reports whether numbers of this kind have no fraction.
func (t Type) Whole() bool { return t >= Uint8 && t <= Int32 }

// What can be wrong with the four bytes of a setting.
var (
	ErrNotANumber = errors.New("not a number")
	ErrOtherForm  = errors.New("a whole number in the other form")
	ErrType       = errors.New("a kind of number that does not fit on the wire")
)

// Number reads the four bytes of a setting; integers is how whole numbers travel,
// schema.ByValue or schema.Bytewise. It is ErrOtherForm where the bytes cannot be a
// whole number of this kind in that form: by value it would have a fraction or be out
// of range, bytewise there is something in the bytes that its kind does not have.
func Number(bits uint32, t Type, integers string) (float64, error) {
	f := float64(math.Float32frombits(bits))
	if t == Real32 {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return 0, ErrNotANumber
		}
		return f, nil
	}
	if !t.Whole() {
		return 0, ErrType
	}
	if integers == schema.ByValue {
		lo, hi, _ := schema.LinkRange(t.String())
		// the greatest number of four bytes is rounded up on its way
		if !(f >= lo && f <= float64(float32(hi))) || f != math.Trunc(f) {
			return 0, ErrOtherForm
		}
		return f, nil
	}
	switch t {
	case Uint8, Int8:
		if bits>>8 != 0 {
			return 0, ErrOtherForm
		}
		if t == Int8 {
			return float64(int8(bits)), nil
		}
	case Uint16, Int16:
		if bits>>16 != 0 {
			return 0, ErrOtherForm
		}
		if t == Int16 {
			return float64(int16(bits)), nil
		}
	case Int32:
		return float64(int32(bits)), nil
	}
	return float64(bits), nil
}

// Bits writes a number as the four bytes of a setting. It is an error where reading
// them would not give that number again: a fraction of a whole number, one out of range,
// a large one that travels by value. A Real32 is rounded once, to the nearest there is.
func Bits(v float64, t Type, integers string) (uint32, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, ErrNotANumber
	}
	if t == Real32 {
		f := float32(v)
		if math.IsInf(float64(f), 0) {
			return 0, fmt.Errorf("%s is too large for the unit", schema.Num(v))
		}
		return math.Float32bits(f), nil
	}
	lo, hi, _ := schema.LinkRange(t.String())
	if !t.Whole() {
		return 0, ErrType
	}
	if v != math.Trunc(v) || v < lo || v > hi {
		return 0, fmt.Errorf("%s is not a whole number from %s to %s", schema.Num(v), schema.Num(lo), schema.Num(hi))
	}
	var bits uint32
	switch {
	case integers == schema.ByValue:
		bits = math.Float32bits(float32(v))
	case t == Uint8, t == Int8:
		bits = uint32(uint8(int64(v)))
	case t == Uint16, t == Int16:
		bits = uint32(uint16(int64(v)))
	default:
		bits = uint32(int64(v))
	}
	if back, err := Number(bits, t, integers); err != nil || back != v {
		return 0, fmt.Errorf("%s does not survive the way to the unit: it would be %s", schema.Num(v), schema.Num(back))
	}
	return bits, nil
}

// Shortest is the number as it would be typed: for one with a fraction, the shortest
// decimal that gives the same four bytes.
func Shortest(v float64, t Type) float64 {
	if t != Real32 {
		return v
	}
	s, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', -1, 32), 64)
	if err != nil {
		return v
	}
	return s
}

// ToDial is the dial number of a device's number.
func ToDial(l schema.DialLink, raw float64) float64 {
	v := Shortest(raw, TypeOf(l.Type))*l.Scale + l.Offset
	// decimals times decimals leave binary dust
	return math.Round(v*1e9) / 1e9
}

// FromDial gives the bytes of a dial number: computed in full, rounded once.
func FromDial(l schema.DialLink, v float64, integers string) (uint32, error) {
	raw := (v - l.Offset) / l.Scale
	t := TypeOf(l.Type)
	if t.Whole() {
		whole := math.Round(raw)
		if math.Abs(raw-whole) > 1e-6 {
			return 0, fmt.Errorf("%s lies between two steps of the unit, which are %s wide", schema.Num(v), schema.Num(math.Abs(l.Scale)))
		}
		raw = whole
	}
	return Bits(raw, t, integers)
}
