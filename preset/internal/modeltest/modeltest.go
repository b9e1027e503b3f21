// Package modeltest is what the tests of the models share.
package modeltest

import (
	"errors"
	"math"

	"rigkeep/preset/domain"
)

// T is a test, a benchmark or a property test.
type T interface {
	Helper()
	Errorf(format string, args ...any)
	Fatal(args ...any)
}

// Near fails t unless got is within abs + rel·|want| of want.
func Near(t T, what string, got, want, rel, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= abs+rel*math.Abs(want)) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

// Must returns v, and ends t if there is an error: Must(f())(t).
func Must[V any](v V, err error) func(t T) V {
	return func(t T) V {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// WantDomain fails t unless err is a *domain.Error that says what is wrong and
// what was expected.
func WantDomain(t T, what string, err error) {
	t.Helper()
	var e *domain.Error
	if !errors.As(err, &e) {
		t.Errorf("%s: got %v, want a *domain.Error", what, err)
		return
	}
	if e.Model == "" || e.Name == "" || e.Want == "" {
		t.Errorf("%s: the error says too little: %v", what, err)
	}
}
