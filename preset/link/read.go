package link

import (
	"errors"
	"fmt"
	"slices"

	"rigkeep/preset/link/wire"
	"rigkeep/schema"
)

// Reading is one setting as a device said it.
type Reading struct {
	ID   string
	Type Type
	Bits uint32
}

// Value is one dial as the device has it.
type Value struct {
	Dial    string // key of the dial
	Link    schema.DialLink
	Reading Reading
	Raw     float64 // the device's number
	Number  float64 // the dial number
	Known   bool    // there was an answer, and it holds
}

// Reasons of a doubt, as JSON says them.
const (
	NoAnswer   = "no-answer"    // nothing came for this dial
	OtherType  = "other-type"   // the device says another kind of number than the sheet
	OtherForm  = "other-form"   // whole numbers come in the other form
	NotANumber = "not-a-number" // the device has no number there
	OffDial    = "off-dial"     // the number lies outside the dial
	Unproved   = "unproved"     // nothing shows in which form whole numbers come
)

// Doubt is a reason to write nothing.
type Doubt struct {
	Dial   string `json:"dial,omitempty"`
	Reason string `json:"reason"`
	Text   string `json:"text"`
}

// Linked lists the dials of a sheet that are reached over a link, in key order.
func Linked(s *schema.Sheet) []string {
	var out []string
	for _, k := range s.DialKeys() {
		if s.Dials[k].Link != nil {
			out = append(out, k)
		}
	}
	return out
}

// Interpret turns what a device said into dial numbers. can is what it says of
// itself, 0 for nothing. All the sheet's linked dials are in the answer, in key
// order; one doubt is enough to write nothing.
func Interpret(s *schema.Sheet, said map[string]Reading, can uint64) ([]Value, []Doubt) {
	var out []Value
	var doubts []Doubt
	doubt := func(dial, reason, format string, args ...any) {
		doubts = append(doubts, Doubt{dial, reason, fmt.Sprintf(format, args...)})
	}
	integers := s.Link.Integers
	proved, whole := false, false
	if told := can & (wire.CanByValue | wire.CanBytewise); told == wire.CanByValue || told == wire.CanBytewise {
		if (told == wire.CanBytewise) != (integers == schema.Bytewise) {
			doubt("", OtherForm, "the unit says that it sends whole numbers in the other form than the sheet says (%s)", integers)
		} else {
			proved = true
		}
	}
	for _, k := range Linked(s) {
		d := s.Dials[k]
		v := Value{Dial: k, Link: *d.Link}
		r, ok := said[d.Link.ID]
		v.Reading = r
		want := TypeOf(d.Link.Type)
		switch {
		case !ok:
			v.Reading = Reading{ID: d.Link.ID, Type: want}
			doubt(k, NoAnswer, "no answer about %s", d.Link.ID)
		case r.Type != want:
			doubt(k, OtherType, "%s is %s on the unit and %s in the sheet", d.Link.ID, r.Type, want)
		default:
			raw, err := Number(r.Bits, r.Type, integers)
			switch {
			case errors.Is(err, ErrNotANumber):
				doubt(k, NotANumber, "the unit has not a number in %s", d.Link.ID)
			case err != nil:
				doubt(k, OtherForm, "%s comes in the other form than the sheet says (%s)", d.Link.ID, integers)
			default:
				v.Raw, v.Number = raw, ToDial(*d.Link, raw)
				if v.Number < d.Min || v.Number > d.Max {
					doubt(k, OffDial, "%s is %s, which the dial (%s to %s) does not have", d.Link.ID, schema.Num(v.Number), schema.Num(d.Min), schema.Num(d.Max))
				} else {
					v.Known = true
					proved = proved || want.Whole() && r.Bits != 0
				}
			}
		}
		whole = whole || want.Whole()
		out = append(out, v)
	}
	if whole && !proved && !slices.ContainsFunc(doubts, func(d Doubt) bool { return d.Reason == OtherForm }) {
		doubt("", Unproved, "all whole numbers of the unit are 0, so nothing shows in which form it sends them")
	}
	return out, doubts
}
