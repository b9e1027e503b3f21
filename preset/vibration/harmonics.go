package vibration

import (
	"math"
	"slices"
)

const (
	maxOrder = 10
	// a multiple is met when no farther off than this many lines, and this share
	matchLines, matchShare = 0.75, 0.005
	// a member may be this many times as strong as the fundamental: a stick-slip
	// or a bent ring can have a second harmonic above the first
	maxOver = 2.0
)

// group gathers peaks into harmonic series, lowest fundamental first, and leaves
// out series of one. step is the spacing of the lines in Hz.
//
// A fundamental below four lines is not used: everything is near a multiple of it.
func group(peaks []Peak, step float64) []Series {
	byHz := slices.Clone(peaks)
	slices.SortFunc(byHz, func(a, b Peak) int {
		if a.Hz < b.Hz {
			return -1
		} else if a.Hz > b.Hz {
			return 1
		}
		return 0
	})
	taken := make([]bool, len(byHz))
	out := []Series{}
	for i, f := range byHz {
		if taken[i] || f.Hz < 2*step {
			continue
		}
		s := Series{Hz: f.Hz, Members: []Harmonic{{1, f}}}
		var with []int
		for j := i + 1; j < len(byHz); j++ {
			p := byHz[j]
			order := math.Round(p.Hz / f.Hz)
			// the fundamental's own error grows with the order, so limit both
			near := math.Min(matchLines*step, f.Hz/8) + matchShare*p.Hz
			if taken[j] || order < 2 || order > maxOrder || math.Abs(p.Hz-order*f.Hz) > near || p.RMS > maxOver*f.RMS {
				continue
			}
			s.Members = append(s.Members, Harmonic{int(order), p})
			with = append(with, j)
		}
		if len(with) == 0 {
			continue
		}
		power := 0.0
		for _, m := range s.Members {
			power += m.RMS * m.RMS
		}
		s.RMS = math.Sqrt(power)
		for _, j := range with {
			taken[j] = true
		}
		taken[i] = true
		out = append(out, s)
	}
	return out
}
