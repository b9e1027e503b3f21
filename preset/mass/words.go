package mass

import (
	"fmt"
	"math"
	"strings"
)

// Sides are the words for the two directions along x, y and z.
var Sides = [3][2]string{{"forward", "back"}, {"left", "right"}, {"up", "down"}}

// Words says a shift in whole millimetres and directions, as "back 14 mm, left
// 6 mm, down 3 mm"; parts under half a millimetre are left out, and none at all
// is "none".
//
// Source: axes of the build frame (ISO 8855).
func (v Vec) Words() string {
	var out []string
	for i, x := range v {
		mm := math.Round(math.Abs(x) * 1000)
		if mm == 0 {
			continue
		}
		side := Sides[i][0]
		if x < 0 {
			side = Sides[i][1]
		}
		out = append(out, fmt.Sprintf("%s %.0f mm", side, mm))
	}
	if out == nil {
		return "none"
	}
	return strings.Join(out, ", ")
}
