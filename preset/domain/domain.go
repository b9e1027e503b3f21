// Package domain holds the one error that the models return for input they
// cannot answer. A model never clamps such input and never returns NaN: it says
// which value is wrong, what was expected and what to do.
package domain

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/schema"
)

// Error is input outside the domain of a model. Find it with errors.As.
type Error struct {
	Model string // package that refused: "mass", "fit", ...
	Name  string // the input in words, with the part or axis it belongs to
	Value string // what was given; empty if nothing was
	Want  string // what was expected, with its unit
	Do    string // what to do; may be empty
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Model + ": " + e.Name)
	if e.Value != "" {
		b.WriteString(" is " + e.Value)
	}
	b.WriteString("; want " + e.Want)
	if e.Do != "" {
		b.WriteString(": " + e.Do)
	}
	return b.String()
}

// Unknown means that an answer needs something that nobody has said yet. It is no
// fault of what was said.
type Unknown struct {
	Needs string // in words: "the tilt motor's torque"
	Key   string // where it would be written: "torque_nm"; may be empty
	Do    string // how to get it; may be empty
}

func (e *Unknown) Error() string {
	s := "unknown: needs " + e.Needs
	if e.Key != "" {
		s += " (" + e.Key + ")"
	}
	if e.Do != "" {
		s += ": " + e.Do
	}
	return s
}

// Number gives v as short text for Error.Value.
func Number(v float64) string { return schema.Sig(v, 6) }

// Checker collects the first error of several checks of one model, so that a
// function can state its whole domain at its top.
type Checker struct {
	Model string
	err   *Error
}

// Err is the first failed check, or nil.
func (c *Checker) Err() error {
	if c.err == nil {
		return nil
	}
	return c.err
}

// Fail records an error unless one is there already.
func (c *Checker) Fail(name, value, want, do string) {
	if c.err == nil {
		c.err = &Error{c.Model, name, value, want, do}
	}
}

// That records an error unless ok.
func (c *Checker) That(ok bool, name string, v float64, want, do string) {
	if !ok {
		c.Fail(name, Number(v), want, do)
	}
}

// Finite wants a number that is neither NaN nor infinite.
func (c *Checker) Finite(name string, v float64) {
	c.That(!math.IsNaN(v) && !math.IsInf(v, 0), name, v, "a finite number", "")
}

// Positive wants a finite number above zero; unit is for the message.
func (c *Checker) Positive(name string, v float64, unit string) {
	c.That(v > 0 && !math.IsInf(v, 0), name, v, strings.TrimSpace("a number above 0 "+unit), "")
}

// NotNegative wants a finite number of zero or more; unit is for the message.
func (c *Checker) NotNegative(name string, v float64, unit string) {
	c.That(v >= 0 && !math.IsInf(v, 0), name, v, strings.TrimSpace("0 or a number above 0 "+unit), "")
}

// Within wants lo <= v <= hi.
func (c *Checker) Within(name string, v, lo, hi float64, unit string) {
	c.That(v >= lo && v <= hi, name, v, strings.TrimSpace(fmt.Sprintf("%s to %s %s", Number(lo), Number(hi), unit)), "")
}

// Result wants a computed value to have stayed within what a float64 can hold:
// it fails for inputs each in domain that overflow together.
func (c *Checker) Result(name string, v float64) {
	c.That(!math.IsNaN(v) && !math.IsInf(v, 0), name, v, "a result that a computer number can hold", "check the units of what was given")
}
