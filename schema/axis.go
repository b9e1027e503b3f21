// Package schema is the single source of what Rigkeep knows about its files and
// parameters: one entry per parameter of a tune, one field list per kind of
// file, and the gimbal sheet with its dials and their maps to SI. Validation,
// explain, compare, merge, review, JSON Schema and completion all read it, so a
// new parameter is one entry. It reads and writes no files.
package schema

import "fmt"

// Axis is one motor axis of a three-axis gimbal in the right-handed frame
// x forward (along the lens), y left, z up.
// Source: axes and signs as ISO 8855; the names are the trade's.
type Axis int

// The axes in the order in which they are listed.
const (
	Pan  Axis = iota // about z, up
	Tilt             // about y, left
	Roll             // about x, forward
)

// Axes lists all axes as screens and files list them.
var Axes = []Axis{Pan, Tilt, Roll}

// WorkOrder is the order in which axes are balanced and raised unless a sheet says otherwise:
// from the inside out, since what is inside is carried by what is outside (common practice, no
// source).
var WorkOrder = []Axis{Tilt, Roll, Pan}

var axisNames = [...]string{"pan", "tilt", "roll"}

func (a Axis) String() string {
	if a < 0 || int(a) >= len(axisNames) {
		return fmt.Sprintf("axis(%d)", int(a))
	}
	return axisNames[a]
}

// ParseAxis reads "pan", "tilt" or "roll".
func ParseAxis(s string) (Axis, bool) {
	for i, n := range axisNames {
		if n == s {
			return Axis(i), true
		}
	}
	return 0, false
}
