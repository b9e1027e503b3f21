package loop

import (
	"math"

	"rigkeep/preset/domain"
)

// LargestOver is the largest K that meets the limits in every one of several loops
// that have it in common: one axis at several tilts, say. at is the loop that sets
// it, the one whose own limit is nearest; -1 where nothing limits. The set that a
// loop allows need not begin at 0 (an integral term asks for a least K), so that the
// least of the loops' own largest K may be too small for one of them: then the search
// goes on below it, until all hold or nothing is left (Feasible false, at the loop
// that has no K left).
//
// Source: as LargestStiffness.
func LargestOver(loops []Loop, lim Limits, how Raise, most float64) (s Start, at int, err error) {
	if len(loops) == 0 {
		return Start{}, -1, &domain.Error{Model: "loop", Name: "loops", Value: "none", Want: "at least one"}
	}
	at = -1
	for range 1000 {
		before := most
		for i, l := range loops {
			x, err := l.largestUpTo(lim, how, most)
			if err != nil {
				return Start{}, i, err
			}
			if !x.Feasible {
				return Start{}, i, nil
			}
			// a loop that only misses by rounding holds
			if x.K < most*(1-1e-9) || math.IsInf(most, 1) && !math.IsInf(x.K, 1) {
				most, at = x.K, i
			}
		}
		if most == before {
			break
		}
	}
	if at < 0 {
		s, err = loops[0].largestUpTo(lim, how, most)
		return s, -1, err
	}
	s, err = loops[at].largestUpTo(lim, how, most)
	return s, at, err
}
