package dial

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/preset/domain"
	"rigkeep/preset/learn"
)

// MaxShare is the largest uncertainty of a reading, as a share of it, that is taken.
// Typical uncertainties of what a phone, a ruler and a stopwatch give.
//
// Common practice, no source.
const (
	MaxShare   = 0.20
	PhoneSigma = 0.2 * math.Pi / 180 // rad, of one angle on a phone
	ArmSigma   = 0.003               // m
	PullSigma  = 0.05                // share, of a spring scale held by hand
	WatchSigma = 0.05                // s, of a stopwatch or of a film's frames
)

// Angles between which a load's turn is read well, and the shares of the motor's
// torque and of its shown effort that a load may take.
//
// Common practice, no source.
const (
	LeastTurn  = 2 * math.Pi / 180
	MostTurn   = 6 * math.Pi / 180
	TorquePart = 1.0 / 3
	EffortPart = 40.0 // percent shown on the controller
)

// Point is what one setting of a dial was measured to be.
type Point struct {
	Number, Value float64
	Sigma         float64 // standard deviation of Value
}

// Check refuses a reading that is too uncertain, and says what to change.
//
// Errors: *domain.Error over MaxShare.
//
// Source: common practice, no source.
func (p Point) Check(what, do string) error {
	if share := p.Sigma / math.Abs(p.Value); !(share <= MaxShare) {
		return &domain.Error{Model: "dial", Name: fmt.Sprintf("uncertainty of the %s at %s", what, domain.Number(p.Number)), Value: fmt.Sprintf("%.0f %%", 100*share),
			Want: fmt.Sprintf("at most %.0f %%", 100*MaxShare), Do: do}
	}
	return nil
}

// Pool joins the readings of one setting, weighted by their precision, and puts the
// settings in order. A reading without uncertainty counts alone with the others of
// its kind.
//
// Source: weighted mean with known variances (JCGM 100:2008, from memory).
func Pool(readings []Point) []Point {
	by := map[float64][]Point{}
	var numbers []float64
	for _, p := range readings {
		if by[p.Number] == nil {
			numbers = append(numbers, p.Number)
		}
		by[p.Number] = append(by[p.Number], p)
	}
	slices.Sort(numbers)
	var out []Point
	for _, n := range numbers {
		var w, wv float64
		for _, p := range by[n] {
			x := 1.0
			if p.Sigma > 0 {
				x = 1 / (p.Sigma * p.Sigma)
			}
			w += x
			wv += x * p.Value
		}
		p := Point{Number: n, Value: wv / w}
		if by[n][0].Sigma > 0 {
			p.Sigma = 1 / math.Sqrt(w)
		}
		out = append(out, p)
	}
	return out
}

// Measured is a dial's map from its points.
type Measured struct {
	Points []Point // in order of number, one per setting
	Line   Line
	weight float64 // of one further reading: the mean of the points'
}

// Map fits the line through measured points, each with the weight of its
// uncertainty; points without one count alike.
//
// Errors: *domain.Error for fewer than two settings.
//
// Source: Fit.
func Map(readings []Point) (Measured, error) {
	m := Measured{Points: Pool(readings)}
	var x, y, w []float64
	for _, p := range m.Points {
		x, y = append(x, p.Number), append(y, p.Value)
		if p.Sigma > 0 {
			w = append(w, 1/(p.Sigma*p.Sigma))
			m.weight += w[len(w)-1] / float64(len(m.Points))
		}
	}
	if len(w) != len(x) {
		w, m.weight = nil, 1
	}
	if len(x) < 2 {
		return m, &domain.Error{Model: "dial", Name: "settings measured", Value: fmt.Sprint(len(x)), Want: "at least two, better three", Do: "measure another setting"}
	}
	var err error
	m.Line, err = Fit(x, y, w)
	return m, err
}

// Value is what a map says of a number.
type Value struct {
	Value float64
	// Extrapolated says that the number lies outside the points.
	Extrapolated bool
	// Lo and Hi are the interval, with Known: from three settings on, or with two the
	// uncertainty of the readings alone.
	Lo, Hi float64
	Known  bool
}

// At is the value of a number with its interval at a level (0 to 1), never below
// zero. unitSD adds the spread between units, as a share, for a unit other than the
// one that was measured; 0 for that one.
//
// Source: learn.Line.Predict; independent spreads add in squares.
func (m Measured) At(number, level, unitSD float64) (Value, error) {
	iv, err := m.Line.Predict(number, level, m.weight)
	if err != nil {
		return Value{}, err
	}
	first, last := m.Points[0].Number, m.Points[len(m.Points)-1].Number
	v := Value{Value: math.Max(0, iv.Mid), Extrapolated: number < first || number > last}
	if !iv.Known {
		return v, nil
	}
	h := math.Hypot(iv.Hi-iv.Mid, learn.ZQuantile(0.5+level/2)*unitSD*iv.Mid)
	v.Lo, v.Hi, v.Known = math.Max(0, iv.Mid-h), math.Max(0, iv.Mid+h), true
	return v, nil
}

// Load to hang at a setting whose stiffness is about k N·m/rad, so that it turns the
// axis by about four degrees and takes no more than a third of the motor's torque
// (limit N·m in all, 0 unknown).
type Proposal struct {
	Torque float64 // N·m
	Turn   float64 // rad that it is expected to turn the axis
	OK     bool    // false: even the largest load turns it too little to be read
}

// Propose works out a load.
//
// Errors: *domain.Error for a stiffness that is not above 0.
//
// Source: statics; the limits are common practice, no source.
func Propose(k, limit float64) (Proposal, error) {
	c := domain.Checker{Model: "dial"}
	c.Positive("stiffness", k, "N·m/rad")
	c.NotNegative("torque of the motor", limit, "N·m")
	if err := c.Err(); err != nil {
		return Proposal{}, err
	}
	t := k * (LeastTurn + MostTurn) / 2
	if limit > 0 {
		t = math.Min(t, limit*TorquePart)
	}
	p := Proposal{Torque: t, Turn: t / k}
	p.OK = p.Turn >= LeastTurn*(1-1e-9)
	return p, nil
}
