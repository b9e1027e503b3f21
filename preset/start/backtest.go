package start

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/preset/domain"
)

// BacktestOptions say how a backtest is run.
type BacktestOptions struct {
	// Max is how many tunes are tried at most, spread evenly over those there are;
	// 0 tries all.
	Max int
}

// Trial is one proved tune predicted from others.
type Trial struct {
	Ref     string  `json:"ref"`
	Proved  float64 `json:"proved"`
	Offered float64 `json:"offered"`
	Final   Range   `json:"final"`
	Covered bool    `json:"covered"`
	Steps   float64 `json:"steps"`   // Final.Best less Proved in coarse steps, positive is stiffer
	Percent float64 `json:"percent"` // of Proved, in stiffness (dial numbers where there is no map), positive is stiffer; 1e300 where a number cannot hold it
}

// Score is how one stiffness did in a backtest. The medians are of absolute errors
// of the expected value, not of the offered low end.
type Score struct {
	Key           string  `json:"key"`
	N             int     `json:"n"`        // tunes tried
	Covered       int     `json:"covered"`  // proved values inside the interval
	Coverage      float64 `json:"coverage"` // Covered/N
	MedianFine    float64 `json:"median_fine_steps"`
	MedianCoarse  float64 `json:"median_coarse_steps"`
	MedianPercent float64 `json:"median_percent"`
	// OfferedBelow is the share of offers that were no stiffer than the proved
	// value: where raising from the offer meets it.
	OfferedBelow float64 `json:"offered_below"`
	// OfferedCoarse is the median distance from the offer up to the proved value.
	OfferedCoarse float64 `json:"offered_median_coarse_steps"`
	Skipped       int     `json:"skipped"` // tunes without a usable value, or predicted from nothing
	Misses        []Trial `json:"misses"`  // outside the interval, worst first
}

// Report is the outcome of a backtest.
type Report struct {
	Level float64 `json:"level"` // what coverage should be
	Tunes int     `json:"tunes"` // on record
	Rigs  int     `json:"rigs"`  // and of how many rigs they are
	Units int     `json:"units"` // and of how many units
	Tried int     `json:"tried"`
	// Scores are one per stiffness, each tune predicted without any proof of its rig.
	Scores []Score `json:"scores"`
	// All pools the stiffnesses; its medians are of the pooled errors.
	All Score `json:"all"`
	// NewUnit is the same with every proof of the tune's unit left out instead; N is 0
	// where all proofs are of one unit.
	NewUnit Score `json:"new_unit"`
}

// Backtest predicts each proved tune without any proof of its rig, and then without
// any of its unit, and compares: a tune is never predicted from its own rig's other
// sessions. q.Rig, q.Unit and q.Shots are not used; q.Cap is not asked, since the
// loop model was not asked either when those values were proved. Each prediction may
// use proofs later than the one left out: it asks how well the shop's record holds
// together, not how well it foretold. Errors are as Start's.
//
// Source: leave-one-group-out cross-validation (Stone 1974, from memory).
func Backtest(q Request, opt BacktestOptions) (*Report, error) {
	if len(q.Tunes) == 0 {
		return nil, &domain.Error{Model: "start", Name: "proved tunes on this gimbal", Value: "none", Want: "at least two, of different rigs", Do: "prove some tunes first"}
	}
	if opt.Max < 0 {
		return nil, &domain.Error{Model: "start", Name: "tunes to try", Value: fmt.Sprint(opt.Max), Want: "0 for all, or a number above 0"}
	}
	q.Cap, q.End, q.Follow, q.Shots, q.PayloadLimit = nil, nil, nil, nil, 0
	// any usable rig serves to set up; each trial brings its own
	q.Rig = Rig{Mass: 1}
	for _, t := range q.Tunes {
		if rigProblem(t.Rig) == "" {
			q.Rig = t.Rig
			break
		}
	}
	s, err := newEstimator(q, new(scratch))
	if err != nil {
		return nil, err
	}
	rigs, units := map[string]bool{}, map[string]bool{}
	for i, t := range q.Tunes {
		if s.bad[i] == "" {
			rigs[t.Rig.ID] = true
			if t.Unit != "" {
				units[t.Unit] = true
			}
		}
	}
	n := len(q.Tunes)
	try := n
	if opt.Max > 0 && opt.Max < n {
		try = opt.Max
	}
	rep := &Report{Level: s.o.Level, Tunes: n, Rigs: len(rigs), Units: len(units), Tried: try}
	pool, fresh := tally{score: Score{Key: "all"}}, tally{score: Score{Key: "new unit"}}
	for _, p := range q.Params {
		if p.Kind != Stiffness {
			continue
		}
		one := tally{score: Score{Key: p.Key}}
		for k := range try {
			i := k * n / try
			t := q.Tunes[i]
			if err := s.trial(p, i, leave{rig: t.Rig.ID, tune: i}, &one, &pool); err != nil {
				return nil, err
			}
			if t.Unit != "" && len(units) > 1 {
				if err := s.trial(p, i, leave{unit: t.Unit, tune: i}, &fresh); err != nil {
					return nil, err
				}
			}
		}
		rep.Scores = append(rep.Scores, one.finish())
	}
	rep.All, rep.NewUnit = pool.finish(), fresh.finish()
	return rep, nil
}

// trial predicts one tune from what is left, and adds the outcome to tallies.
func (s *estimator) trial(p Param, i int, out leave, to ...*tally) error {
	t := s.q.Tunes[i]
	v, ok := t.Values[p.Key]
	if !ok {
		return nil
	}
	skipped := func() error {
		for _, x := range to {
			x.score.Skipped++
		}
		return nil
	}
	y, why := newScale(p.Dial).ln(v)
	if why != "" || s.bad[i] != "" {
		return skipped()
	}
	o, err := s.offer(p, t.Rig, t.Unit, out)
	if err != nil {
		return err
	}
	// from the sheet's reference alone nothing of the record is tried
	if o.Final == nil || o.N == 0 {
		return skipped()
	}
	tr := Trial{Ref: t.Ref, Proved: v, Offered: o.Value, Final: *o.Final}
	// the proved value was itself set on a fine step
	half := p.Dial.Fine / 2
	tr.Covered = v >= o.Final.Lo-half && v <= o.Final.Hi+half
	dir := float64(sign(p.Dial))
	tr.Steps = dir * (o.Final.Best - v) / p.Dial.Coarse
	tr.Percent = min(100*math.Expm1(o.lnBest-y), 1e300)
	for _, x := range to {
		x.add(tr, p.Dial.Coarse/p.Dial.Fine, dir*(v-o.Value)/p.Dial.Coarse)
	}
	return nil
}

type tally struct {
	score                      Score
	fine, coarse, percent, ups []float64
}

func (t *tally) add(tr Trial, finePerCoarse, up float64) {
	t.score.N++
	if tr.Covered {
		t.score.Covered++
	} else {
		t.score.Misses = append(t.score.Misses, tr)
	}
	if up >= 0 {
		t.score.OfferedBelow++
	}
	t.coarse = append(t.coarse, math.Abs(tr.Steps))
	t.fine = append(t.fine, math.Abs(tr.Steps)*finePerCoarse)
	t.percent = append(t.percent, math.Abs(tr.Percent))
	t.ups = append(t.ups, up)
}

func (t *tally) finish() Score {
	s := t.score
	if s.Misses == nil {
		s.Misses = []Trial{}
	}
	if s.N == 0 {
		return s
	}
	s.Coverage = float64(s.Covered) / float64(s.N)
	s.OfferedBelow /= float64(s.N)
	s.MedianFine, s.MedianCoarse, s.MedianPercent, s.OfferedCoarse = median(t.fine), median(t.coarse), median(t.percent), median(t.ups)
	slices.SortStableFunc(s.Misses, func(a, b Trial) int {
		switch x, y := math.Abs(a.Percent), math.Abs(b.Percent); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	return s
}

// median sorts v in place.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n == 0 {
		return 0
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}
