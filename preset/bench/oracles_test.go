package bench

import (
	"fmt"
	"math"
	"rigkeep/preset/domain"
	"rigkeep/schema"
	"slices"
)

// InOrder sorts set-ups into the order of axes given; axes that order does not
// name follow in the usual one.
//
// Source: from the inside out (tilt, roll, pan) is common practice, no source.
func InOrder(axes []Setup, order []schema.Axis) []Setup {
	if order == nil {
		order = schema.WorkOrder
	}
	rank := func(a schema.Axis) int {
		if i := slices.Index(order, a); i >= 0 {
			return i
		}
		return len(order) + slices.Index(schema.WorkOrder, a)
	}
	out := slices.Clone(axes)
	slices.SortStableFunc(out, func(a, b Setup) int { return rank(a.Axis) - rank(b.Axis) })
	return out
}

// MaxTrials counts the trials that the search of one axis takes with right answers,
// over every onset the dial can show and none at all: the most, and the mean over
// them all alike. A dial of more than 2,000 fine steps is a *domain.Error.
//
// Source: exhaustive count.
func MaxTrials(cfg Config, a Setup) (most int, mean float64, err error) {
	cfg.Axes = []Setup{a}
	if _, err := New(cfg); err != nil {
		return 0, 0, err
	}
	g := newGrid(a.Dial, 1)
	if g.n > mostCounted {
		return 0, 0, &domain.Error{Model: "bench", Name: "fine steps on the dial", Value: fmt.Sprint(g.n), Want: fmt.Sprintf("at most %d to count every onset", mostCounted)}
	}
	total := 0
	for onset := 0; onset <= g.n+1; onset++ {
		s, err := New(cfg)
		if err != nil {
			return 0, 0, err
		}
		n := 0
		for p := s.Next(); p.Stage == Search || p.Stage == Relook; p = s.Next() {
			k, _ := g.index(p.Value)
			e := Event{Saw: Clean}
			if k >= onset {
				e.Saw = Chatter
			}
			if err := s.Answer(e); err != nil {
				return 0, 0, err
			}
			n++
		}
		total += n
		most = max(most, n)
	}
	return most, float64(total) / float64(g.n+2), nil
}

// GMdB is GM in decibels, 0 where unknown.
//
// Source: 20 log10 of the ratio, definition.
func (r AxisResult) GMdB() float64 {
	if r.GM <= 0 {
		return 0
	}
	return 20 * math.Log10(r.GM)
}
