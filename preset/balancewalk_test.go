package preset

import (
	"math"
	"testing"

	"rigkeep/schema"
)

// A slide is tried on by what is seen: a person who always answers truly comes to within a
// millimetre of the mark at which the build balances, in few steps, and never off the scale.
// Common practice, no source: a bracket by halves.
func TestTryNext(t *testing.T) {
	for _, rising := range []string{"forward", "back"} {
		moves, sign, _ := schema.ParseRising(rising)
		adj := schema.Adjustment{Name: "plate", Stage: schema.Tilt, Moves: moves, Direction: sign, Range: &[2]float64{0, 0.12}}
		_, signs := Signs(adj)
		for _, c := range []struct {
			start, half float64
			most        int // looks
		}{{0.047, 0.014, 14}, {0.047, 0, 40}, {0.1, 0.002, 100}, {0, 0.05, 24}} {
			for truth := 0.0; truth <= 0.12; truth += 0.0037 {
				if c.half > 0 && math.Abs(truth-c.start) > 2*c.half {
					continue
				}
				at, looks := Try{Mark: c.start}, 0
				for ; math.Abs(at.Mark-truth) > 0.001; looks++ {
					if looks > 120 {
						t.Fatalf("%s, from %v to %v: no end, at %+v", rising, c.start, truth, at)
					}
					// the lens sinks where the build stands too far forward
					s := signs[0]
					if (at.Mark > truth) != (rising == "forward") {
						s = signs[1]
					}
					at = at.Next(adj, s, c.half)
					if at.Mark < 0 || at.Mark > 0.12 {
						t.Fatalf("off the scale: %+v", at)
					}
				}
				if c.half > 0 && looks > c.most {
					t.Errorf("%s, from %v to %v: %d looks", rising, c.start, truth, looks)
				}
			}
		}
	}
}
