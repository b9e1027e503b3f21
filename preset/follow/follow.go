// Package follow models how a stabilised head follows the operator's heading:
// a dead band on the heading error and a lag behind it.
//
// Everything is one axis at a time, in SI: angles in radians, rates in rad/s,
// times in seconds. The heading error is handle minus camera. Three shapes of
// lag are known, each with the same meaning of the lag time: on a
// steady pan of rate r the camera trails by deadband + r*lag.
//
//	single    tau c' = dz(h - c), tau = lag
//	critical  c'' = wn^2 dz(h - c) - 2 wn c', critically damped, wn = 2/lag
//	double    a u' = dz(h - u), a c' = u - c, a = lag/2
//
// with dz(e) = sign(e) max(|e| - deadband, 0). Without a dead band the last two are
// the same filter; with one they differ: the critical one coasts into the
// dead band, the double one stops exactly at its edge.
//
// The simulation takes the handle as straight lines between its samples and
// corners, and solves each line exactly, edges of the dead band included. There is
// no time-stepping error, only that of the straight lines.
//
// The package does no input or output and reads no clock; ReadRecording takes
// an io.Reader.
package follow

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/preset/domain"
)

// Deg is one degree in radians.
const Deg = math.Pi / 180

// Model names the shape of the lag, in the words of a gimbal sheet's follow.model.
type Model string

// The shapes of lag. The empty Lag is read as FirstOrder.
const (
	FirstOrder Model = "first-order"
	Critical   Model = "critical"
	TwoStage   Model = "two-stage"
)

// Lags lists every shape of lag.
//
// Source: the package comment's definitions.
func Models() []Model { return []Model{FirstOrder, Critical, TwoStage} }

// ParseModel reads the name of a shape of lag; empty is FirstOrder.
//
// Source: definition.
func ParseModel(s string) (Model, error) {
	l := Model(strings.ToLower(strings.TrimSpace(s)))
	if l == "" {
		return FirstOrder, nil
	}
	for _, k := range Models() {
		if l == k {
			return l, nil
		}
	}
	return "", refuse("model", s, `"first-order", "critical" or "two-stage"`)
}

const modelName = "follow"

// refuse is the error for an input outside the model's domain.
func refuse(name string, value any, want string) error {
	c := domain.Checker{Model: modelName}
	c.Fail(name, fmt.Sprint(value), want, "")
	return c.Err()
}

// Limits of what the model takes. They are wide: their point is to catch a
// wrong unit (degrees given as radians, milliseconds as seconds).
const (
	MaxDeadBand  = math.Pi    // rad
	MinLag       = 1e-6       // s, below which there is none
	MaxLag       = 60.0       // s
	MaxAngle     = 3600 * Deg // rad, one step of a move
	MaxRate      = 3600 * Deg // rad/s
	MaxTime      = 3600.0     // s, one step of a move
	MaxFrequency = 50.0       // Hz, of a sway tone
	maxSamples   = 20_000_000
)

// Style is one axis of a follow style in SI units.
type Style struct {
	DeadBand float64 `json:"deadband_rad"` // half-width of the dead band, rad, 0 or more
	Lag      float64 `json:"lag_s"`        // trailing angle per rate on a steady pan, s: 0, or MinLag and more
	Model    Model   `json:"model"`        // empty is FirstOrder
}

// Validate reports the first field outside the model's domain as *domain.Error.
//
// Source: limits by definition, wide enough for any head.
func (s Style) Validate() error {
	if err := inRange("dead band (rad)", s.DeadBand, 0, MaxDeadBand); err != nil {
		return err
	}
	if s.Lag != 0 {
		if err := inRange("lag (s), where there is any,", s.Lag, MinLag, MaxLag); err != nil {
			return err
		}
	}
	_, err := ParseModel(string(s.Model))
	return err
}

func inRange(name string, v, lo, hi float64) error {
	c := domain.Checker{Model: modelName}
	c.Within(name, v, lo, hi, "")
	return c.Err()
}

// above is inRange for a quantity that must not be zero.
func above(name string, v, hi float64) error {
	c := domain.Checker{Model: modelName}
	c.That(v > 0 && v <= hi, name, v, "a number above 0, at most "+domain.Number(hi), "")
	return c.Err()
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
