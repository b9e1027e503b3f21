package follow

import (
	"math"
	"slices"
)

// SearchOptions bound a search for a style. FieldOfView is needed.
type SearchOptions struct {
	FieldOfView float64   // rad along the axis, as Options
	MaxDrift    float64   // share of the frame; 0: the shot's own
	Model       Model     // what the gimbal's lag is
	DeadBands   []float64 // rad to choose from, such as the dial's steps; nil: a grid, refined
	Lags        []float64 // s, likewise
}

// Point is one style tried on a shot.
type Point struct {
	Style Style   `json:"style"`
	Drift float64 `json:"drift_share"` // of the frame
	SPARC float64 `json:"sparc"`       // 0 where the camera stays still
	Still bool    `json:"still"`       // the camera does not move at all
}

// Proposal is what a search finds.
type Proposal struct {
	Shot     Shot    `json:"shot"`
	MaxDrift float64 `json:"max_drift"`
	// Best is the smoothest style that keeps within MaxDrift: of those within 1 %
	// of the smoothest, the one with least drift. Nil if none does.
	Best *Point `json:"best"`
	// Least is the style with least drift, whatever its smoothness.
	Least Point `json:"least_drift"`
	// Trade is the curve from least drift to most smoothness, up to one and a half
	// times MaxDrift: each point the smoothest for its drift.
	Trade []Point `json:"trade"`
	Tried int     `json:"tried"`
}

const (
	searchStep      = 1e-2 // s: pieces are exact, so only the handle's curves are coarser
	searchDeadBands = 13
	searchLags      = 14
	longestLag      = 3.0  // s
	shortestNonZero = 0.03 // s
	nearBest        = 0.01
	shownDrift      = 1.5 // limits: how far the trade curve goes
	searchTail      = 6.0 // lags simulated after the stop: a quarter per cent is left
	maxTried        = 20_000
)

// Search looks for dead band and lag that give a shot the smoothest camera
// (spectral arc length) whose drift off the meant heading stays within a share of
// the frame. Errors are *domain.Error: a shot or option outside the domain, or
// more than 20,000 styles to try.
//
// Source: exhaustive search of Simulate; the measure as SPARC (Balasubramanian et
// al. 2015); what shots allow is common practice, no source.
func Search(shot Shot, o SearchOptions) (*Proposal, error) {
	m, err := ParseMove(shot.Move)
	if err != nil {
		return nil, err
	}
	if err := above("field of view (rad)", o.FieldOfView, MaxFieldOfView); err != nil {
		return nil, err
	}
	p := &Proposal{Shot: shot, MaxDrift: o.MaxDrift}
	if p.MaxDrift == 0 {
		p.MaxDrift = shot.MaxDrift
	}
	if err := above("share of the frame that the subject may drift", p.MaxDrift, 10); err != nil {
		return nil, err
	}
	wide, err := FrameAngle(p.MaxDrift, o.FieldOfView)
	if err != nil {
		return nil, err
	}
	sway := 0.0
	for _, t := range m.Tones() {
		sway += t.Amplitude
	}
	w, s := o.DeadBands, o.Lags
	if w == nil {
		w = linspace(0, math.Min(MaxDeadBand, math.Max(wide, 1.1*sway)), searchDeadBands)
	}
	if s == nil {
		s = []float64{0}
		for i := 0; i < searchLags; i++ {
			s = append(s, shortestNonZero*math.Pow(longestLag/shortestNonZero, float64(i)/(searchLags-1)))
		}
	}
	if n := len(w) * len(s); n == 0 || n > maxTried {
		return nil, refuse("number of styles to try", n, "1 to 20000: give fewer dead bands or lags")
	}
	road := newPath(m, searchStep)
	var tried []Point
	try := func(w, s []float64) error {
		for _, a := range w {
			for _, b := range s {
				pt, ok, err := tryStyle(m, road, shot, Style{a, b, o.Model}, o.FieldOfView, shownDrift*p.MaxDrift)
				if err != nil {
					return err
				}
				if p.Tried++; ok {
					tried = append(tried, pt)
				}
			}
		}
		return nil
	}
	if err := try(w, s); err != nil {
		return nil, err
	}
	if b := best(tried, p.MaxDrift); b != nil && (o.DeadBands == nil || o.Lags == nil) {
		if err := try(finer(w, b.Style.DeadBand, o.DeadBands != nil), finer(s, b.Style.Lag, o.Lags != nil)); err != nil {
			return nil, err
		}
	}
	if len(tried) == 0 {
		return nil, refuse("shot", shot.Move, "a move and a lens with which some style keeps the subject ahead of the lens")
	}
	p.Best, p.Trade = best(tried, p.MaxDrift), tradeCurve(tried)
	if p.Least = tried[0]; math.IsInf(p.Least.SPARC, 0) { // not worked out so far from the limit
		p.Least, _, err = tryStyle(m, road, shot, p.Least.Style, o.FieldOfView, math.Inf(1))
	}
	return p, err
}

// tryStyle simulates a style on a shot. Beyond the drift shown it leaves the
// smoothness at minus infinity, and it is false for a style that loses the subject
// by a quarter turn.
func tryStyle(m Move, road *path, shot Shot, s Style, fov, shown float64) (Point, bool, error) {
	r, err := Simulate(m, s, Options{Step: searchStep, Tail: math.Max(minTail+math.Max(0, shot.Landing), searchTail*s.Lag), FieldOfView: fov, NoSmoothness: true,
		Landing: math.Max(0, shot.Landing), CountLanding: shot.Landing >= 0, path: road})
	if err != nil || r.Drift.MaxShare == nil {
		return Point{}, false, err
	}
	pt := Point{Style: s, Drift: *r.Drift.MaxShare, Still: !r.Moves}
	switch {
	case pt.Still:
	case pt.Drift > shown:
		pt.SPARC = math.Inf(-1)
	default:
		r.smoothness()
		if r.SPARC == nil {
			return Point{}, false, nil
		}
		pt.SPARC = *r.SPARC
	}
	return pt, true, nil
}

// best is the least drift among the nearly smoothest within the limit.
func best(tried []Point, limit float64) *Point {
	top := math.Inf(-1)
	for _, p := range tried {
		if p.Drift <= limit {
			top = math.Max(top, p.SPARC)
		}
	}
	var out *Point
	for _, p := range tried {
		if p.Drift <= limit && p.SPARC >= top*(1+nearBest) && (out == nil || p.Drift < out.Drift) {
			out = &p
		}
	}
	return out
}

// tradeCurve sorts the points by drift and keeps those that no other beats in both
// drift and smoothness.
func tradeCurve(tried []Point) []Point {
	slices.SortFunc(tried, func(a, b Point) int {
		switch {
		case a.Drift != b.Drift:
			if a.Drift < b.Drift {
				return -1
			}
		case a.SPARC == b.SPARC:
			return 0
		case a.SPARC > b.SPARC:
			return -1
		}
		return 1
	})
	var out []Point
	for _, p := range tried {
		if !math.IsInf(p.SPARC, 0) && (len(out) == 0 || p.SPARC > out[len(out)-1].SPARC) {
			out = append(out, p)
		}
	}
	return out
}

// finer lays a grid of five over the cells beside v, unless the choice is fixed.
func finer(grid []float64, v float64, fixed bool) []float64 {
	i := slices.Index(grid, v)
	if fixed || i < 0 || len(grid) == 1 {
		return []float64{v}
	}
	return linspace(grid[max(i-1, 0)], grid[min(i+1, len(grid)-1)], 9)
}

func linspace(lo, hi float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = lo + (hi-lo)*float64(i)/float64(n-1)
	}
	return out
}

// Ratio compares two styles whose dials have no conversion to SI, taking the dials as
// proportional to what they set: a's figure over b's. Nil where b's is zero. The
// caller must say that nothing more than the ratio is known.
type Ratio struct {
	StartDelay *float64 `json:"start_delay"` // of any constant-rate pan: the dead bands' ratio
	Lag        *float64 `json:"lag"`         // of the trailing angle beyond the dead band, and of the settling time
	// The steady trail's ratio lies between the two, depending on the pan rate.
	SteadyTrailLow  *float64 `json:"steady_trail_low"`
	SteadyTrailHigh *float64 `json:"steady_trail_high"`
}

// Relative compares two styles by their dial numbers, 0 or more; else *domain.Error.
//
// Source: start delay = deadband/rate, steady trail = deadband + rate*lag
// (ConstantRate), with dead band and lag each proportional to its dial.
func Relative(deadBandA, lagA, deadBandB, lagB float64) (Ratio, error) {
	for _, v := range []float64{deadBandA, lagA, deadBandB, lagB} {
		if err := inRange("dial number", v, 0, math.MaxFloat64); err != nil {
			return Ratio{}, err
		}
	}
	over := func(a, b float64) *float64 {
		if q := a / b; b > 0 && !math.IsInf(q, 0) {
			return &q
		}
		return nil
	}
	r := Ratio{StartDelay: over(deadBandA, deadBandB), Lag: over(lagA, lagB)}
	if r.StartDelay != nil && r.Lag != nil {
		lo, hi := math.Min(*r.StartDelay, *r.Lag), math.Max(*r.StartDelay, *r.Lag)
		r.SteadyTrailLow, r.SteadyTrailHigh = &lo, &hi
	}
	return r, nil
}
