package loop

import (
	"math"
	"sort"

	"rigkeep/preset/domain"
)

// Step is one step of raising a dial: its value and what was seen.
type Step struct {
	Dial       float64
	Oscillates bool
	Hz         float64 // of the oscillation; 0 if not measured
}

// Reading is what a session says about the onset, in dial numbers. A value of 0
// means that the session does not give it.
type Reading struct {
	// Consistent is false if the axis was steady above a value at which it had
	// oscillated. The bracket then stays below the lowest oscillation: readings
	// that contradict each other are never averaged.
	Consistent bool
	// Contradicting are the steady values above the lowest oscillating one; Both
	// are values seen steady and oscillating. Try these again.
	Contradicting, Both []float64

	Low, High    float64 // highest steady value below the lowest oscillating one, and that one
	Hz, Period   float64 // of the oscillation at High, Hz and s
	Onset        float64 // geometric mean of Low and High
	HalfWidthPct float64 // how far Low and High are from it, percent

	// The rest compares a value chosen in the end with the bracket.
	GMHigh, GMLowBound float64 // High/final and Low/final: the gain margin is between them
	GM, GMdB           float64 // Onset/final
	Backoff            float64 // final/Onset
}

// Session reads "raise until it oscillates, then back off": the onset lies
// between the highest steady value below the first oscillation and that
// oscillation. Order does not matter. final is the value chosen in the end, 0
// if none was. Dials are 0 or more.
//
// Source: ultimate sensitivity method, Ziegler & Nichols, Trans. ASME 64 (1942)
// 759-768 (from memory); bracket and geometric mean by definition.
func Session(steps []Step, final float64) (Reading, error) {
	c := domain.Checker{Model: "loop"}
	if len(steps) == 0 {
		c.Fail("steps of the session", "", "at least one step", "note a value and what was seen")
	}
	for _, s := range steps {
		c.NotNegative("dial of a step", s.Dial, "")
		c.NotNegative("frequency of a step", s.Hz, "Hz")
	}
	c.NotNegative("final value", final, "")
	if err := c.Err(); err != nil {
		return Reading{}, err
	}
	rows := append([]Step(nil), steps...)
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].Dial < rows[j].Dial })
	r := Reading{Consistent: true}
	first := math.Inf(1) // lowest oscillating value
	for _, s := range rows {
		if s.Oscillates {
			if s.Dial < first {
				first, r.High = s.Dial, s.Dial
			}
			if s.Dial == first && r.Hz == 0 {
				r.Hz = s.Hz
			}
		}
	}
	for _, s := range rows {
		switch {
		case s.Oscillates:
		case s.Dial < first:
			r.Low = s.Dial
		case s.Dial == first:
			r.Both = appendNew(r.Both, s.Dial)
		default:
			r.Consistent = false
			r.Contradicting = appendNew(r.Contradicting, s.Dial)
		}
	}
	if r.Hz > 0 {
		r.Period = 1 / r.Hz
	}
	if r.Low > 0 && r.High > 0 {
		r.Onset = math.Sqrt(r.Low) * math.Sqrt(r.High)
		r.HalfWidthPct = (math.Sqrt(r.High/r.Low) - 1) * 100
	}
	if final > 0 {
		r.GMHigh, r.GMLowBound = r.High/final, r.Low/final
		if r.Onset > 0 {
			r.GM, r.Backoff = r.Onset/final, final/r.Onset
			r.GMdB = 20 * math.Log10(r.GM)
		}
	}
	return r, nil
}

func appendNew(l []float64, v float64) []float64 {
	if len(l) > 0 && l[len(l)-1] == v {
		return l
	}
	return append(l, v)
}

// Rule is one row of a published tuning table: K (1 + 1/(Ti s) + Td s); 0 for a
// term that the row does not have.
type Rule struct{ K, Ti, Td float64 }

// Rules are the rows of a table for one onset.
type Rules struct{ P, PI, PID Rule }

func onsetPoint(ku, tu float64) error {
	c := domain.Checker{Model: "loop"}
	c.Positive("stiffness at onset", ku, "")
	c.Positive("period at onset", tu, "s")
	return c.Err()
}

// ZieglerNichols is the published reading of an onset, for comparison only: on an
// axis with an inertia and almost no friction it leaves little margin.
//
// Source: Ziegler & Nichols, Trans. ASME 64 (1942) 759-768 (from memory).
func ZieglerNichols(ku, tu float64) (Rules, error) {
	if err := onsetPoint(ku, tu); err != nil {
		return Rules{}, err
	}
	return Rules{
		P:   Rule{K: 0.5 * ku},
		PI:  Rule{K: 0.45 * ku, Ti: tu / 1.2},
		PID: Rule{K: 0.6 * ku, Ti: tu / 2, Td: tu / 8},
	}, nil
}

// TyreusLuyben is the gentler published reading, for comparison only. It has
// no P row.
//
// Source: Tyreus & Luyben, Ind. Eng. Chem. Res. 31 (1992) 2625-2628; PID row as
// in Luyben & Luyben, Essentials of Process Control (1997) (both from memory).
func TyreusLuyben(ku, tu float64) (Rules, error) {
	if err := onsetPoint(ku, tu); err != nil {
		return Rules{}, err
	}
	return Rules{
		PI:  Rule{K: ku / 3.2, Ti: 2.2 * tu},
		PID: Rule{K: ku / 2.2, Ti: 2.2 * tu, Td: tu / 6.3},
	}, nil
}
