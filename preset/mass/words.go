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
	return v.WordsIn(func(m float64) string { return fmt.Sprintf("%.0f mm", m*1000) })
}

// WordsIn is Words with lengths, given in m, as show writes them.
//
// Source: as Words.
func (v Vec) WordsIn(show func(float64) string) string {
	var out []string
	for i, x := range v {
		if math.Round(math.Abs(x)*1000) == 0 {
			continue
		}
		side := Sides[i][0]
		if x < 0 {
			side = Sides[i][1]
		}
		out = append(out, side+" "+show(math.Abs(x)))
	}
	if out == nil {
		return "none"
	}
	return strings.Join(out, ", ")
}
