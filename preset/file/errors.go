package file

import (
	"errors"
	"fmt"
	"strings"
)

// Class says whose fault an Error is about; the command line turns it into an exit code.
type Class int

const (
	Damaged Class = iota // the file is damaged, not what it should be, or not to be trusted (exit 5)
	Usage                // what was asked for cannot be done (exit 2)
	Missing              // file not found (exit 3)
)

func (c Class) String() string {
	return [...]string{"damaged", "usage", "missing"}[c]
}

// ErrUnsafeEdit is wrapped by the Error of an edit that was refused because the result would not have been the text with
// just that one value changed. The text is left as it was.
var ErrUnsafeEdit = errors.New("edit would change more than its key")

// Error is one fault in a file, for a person who can act on it:
//
//	rigs/k7/k7qd2m9x4c/main.toml:12:5: stiffness.pan: <what>; expected <want>; <fix>
//
// Any part but What may be empty. Line and Col count from 1, Col in characters; 0 means the fault has no place.
type Error struct {
	Class Class
	File  string
	Line  int
	Col   int
	Key   string // as a path, see Path
	What  string // what is wrong
	Want  string // what was expected
	Fix   string // what to do
	Cause error  // the fault beneath, if any
}

func (e *Error) Error() string {
	var b strings.Builder
	if e.File != "" {
		b.WriteString(e.File)
		if e.Line > 0 {
			fmt.Fprintf(&b, ":%d", e.Line)
			if e.Col > 0 {
				fmt.Fprintf(&b, ":%d", e.Col)
			}
		}
		b.WriteString(": ")
	} else if e.Line > 0 {
		fmt.Fprintf(&b, "line %d, column %d: ", e.Line, e.Col)
	}
	if e.Key != "" {
		b.WriteString(e.Key + ": ")
	}
	b.WriteString(e.What)
	if e.Want != "" {
		b.WriteString("; expected " + e.Want)
	}
	if e.Fix != "" {
		b.WriteString("; " + e.Fix)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Cause }

// Errors is several faults of one file, in the order of the text.
type Errors []*Error

func (es Errors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.Is and errors.As look into each fault.
func (es Errors) Unwrap() []error {
	out := make([]error, len(es))
	for i, e := range es {
		out[i] = e
	}
	return out
}

// Err is nil for no faults, the fault for one, and the list otherwise: use it to return what was gathered.
func (es Errors) Err() error {
	switch len(es) {
	case 0:
		return nil
	case 1:
		return es[0]
	}
	return es
}

// List is the faults in an error that this package or a user of it returned: the Errors, the one *Error, or none.
func List(err error) Errors {
	var es Errors
	if errors.As(err, &es) {
		return es
	}
	var e *Error
	if errors.As(err, &e) {
		return Errors{e}
	}
	return nil
}

// Fault makes an Error of class Damaged about the value of a key, placed at that value. If the text has no such key, it is
// placed at the nearest table above it that the text has (the root is at the top of the file).
func (d *Doc) Fault(key, what, want, fix string) *Error {
	return d.fault(key, what, want, fix, (*item).valueOff)
}

// KeyFault is Fault placed at the key's name and not its value, for a key that should not be there.
func (d *Doc) KeyFault(key, what, want, fix string) *Error {
	return d.fault(key, what, want, fix, func(it *item) int { return it.keyOff })
}

func (d *Doc) fault(key, what, want, fix string, at func(*item) int) *Error {
	e := &Error{Class: Damaged, File: d.name, Line: 1, Col: 1, Key: key, What: what, Want: want, Fix: fix}
	p, err := ParsePath(key)
	if err != nil {
		e.Key = printable(key)
		return e
	}
	for ; len(p) > 0; p = p[:len(p)-1] {
		if it := d.index().find(p); it != nil {
			e.Line, e.Col = d.index().lineCol(at(it))
			break
		}
		at = func(it *item) int { return it.keyOff }
	}
	return e
}

// Asked turns the faults of a text that was made from a person's answers, and is not
// on disk, into faults of what was asked: of class Usage, by key, without a place in
// a file that nobody has. Other errors come back as they are.
func Asked(err error) error {
	es := List(err)
	if len(es) == 0 {
		return err
	}
	out := make(Errors, len(es))
	for i, e := range es {
		x := *e
		x.Class, x.File, x.Line, x.Col = Usage, "", 0, 0
		out[i] = &x
	}
	return out.Err()
}
