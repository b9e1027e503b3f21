// Package follow models how a stabilised head follows the operator's heading:
// a window (dead band) on the heading error and a smoothing (lag) behind it.
//
// Everything is one axis at a time, in SI: angles in radians, rates in rad/s,
// times in seconds. The heading error is handle minus camera. Three shapes of
// smoothing are known, each with the same meaning of the smoothing time: on a
// steady pan of rate r the camera trails by window + r*smoothing.
//
//	first-order   tau c' = dz(h - c), tau = smoothing
//	second-order  c'' = wn^2 dz(h - c) - 2 wn c', critically damped, wn = 2/smoothing
//	two-lags      a u' = dz(h - u), a c' = u - c, a = smoothing/2
//
// with dz(e) = sign(e) max(|e| - window, 0). Without a window the last two are
// the same filter; with one they differ: the second-order head coasts into the
// window, the two lags stop exactly at its edge.
//
// The simulation takes the handle as straight lines between its samples and
// corners, and solves each line exactly, edges of the window included. There is
// no time-stepping error, only that of the straight lines.
//
// The package does no input or output and reads no clock; ReadRecording takes
// an io.Reader.
package follow

import (
	"fmt"
	"math"
	"strings"
)

// Deg is one degree in radians.
const Deg = math.Pi / 180

// Lag names the shape of the smoothing.
type Lag string

// The shapes of smoothing. The empty Lag is read as FirstOrder.
const (
	FirstOrder  Lag = "first-order"
	SecondOrder Lag = "second-order"
	TwoLags     Lag = "two-lags"
)

// Lags lists every shape of smoothing.
func Lags() []Lag { return []Lag{FirstOrder, SecondOrder, TwoLags} }

// ParseLag reads the name of a shape of smoothing; empty is FirstOrder.
func ParseLag(s string) (Lag, error) {
	l := Lag(strings.ToLower(strings.TrimSpace(s)))
	if l == "" {
		return FirstOrder, nil
	}
	for _, k := range Lags() {
		if l == k {
			return l, nil
		}
	}
	return "", &InputError{"lag", s, `"first-order", "second-order" or "two-lags"`}
}

// InputError says which input is outside what the model can take.
type InputError struct {
	Field string // what it is, in words
	Got   any    // the value given
	Want  string // what was expected
}

func (e *InputError) Error() string {
	return fmt.Sprintf("%s is %v; expected %s", e.Field, e.Got, e.Want)
}

// Limits of what the model takes. They are wide: their point is to catch a
// wrong unit (degrees given as radians, milliseconds as seconds).
const (
	MaxWindow    = math.Pi    // rad
	MaxSmoothing = 60.0       // s
	MaxAngle     = 3600 * Deg // rad, one step of a move
	MaxRate      = 3600 * Deg // rad/s
	MaxTime      = 3600.0     // s, one step of a move
	MaxFrequency = 50.0       // Hz, of a sway tone
	maxSamples   = 20_000_000
)

// Style is one axis of a follow style in SI units.
type Style struct {
	Window    float64 `json:"window_rad"`  // half-width of the dead band, rad, 0 or more
	Smoothing float64 `json:"smoothing_s"` // trailing angle per rate on a steady pan, s, 0 or more
	Lag       Lag     `json:"lag"`         // empty is FirstOrder
}

// Validate reports the first field outside the model's domain as *InputError.
func (s Style) Validate() error {
	if err := inRange("window (rad)", s.Window, 0, MaxWindow); err != nil {
		return err
	}
	if err := inRange("smoothing (s)", s.Smoothing, 0, MaxSmoothing); err != nil {
		return err
	}
	_, err := ParseLag(string(s.Lag))
	return err
}

func inRange(field string, v, lo, hi float64) error {
	if math.IsNaN(v) || v < lo || v > hi {
		return &InputError{field, v, fmt.Sprintf("a number from %g to %.6g", lo, hi)}
	}
	return nil
}

// above is inRange for a quantity that must not be zero.
func above(field string, v, hi float64) error {
	if !(v > 0) || v > hi {
		return &InputError{field, v, fmt.Sprintf("a number above 0, at most %.6g", hi)}
	}
	return nil
}

// deadZone is dz of the package comment.
func deadZone(e, w float64) float64 {
	switch {
	case e > w:
		return e - w
	case e < -w:
		return e + w
	}
	return 0
}
