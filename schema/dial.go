package schema

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
)

// MapKind is the law of a dial map.
type MapKind string

// Laws of a dial map.
const (
	Linear      MapKind = "linear"      // SI = at_min + (at_max − at_min)·share of range
	Logarithmic MapKind = "logarithmic" // SI = at_min·(at_max/at_min)^share of range
	Table       MapKind = "table"       // straight lines between points
	// Measured is the straight line of least squares through points measured at the
	// stand, each with the weight of its uncertainty, never below zero.
	Measured MapKind = "measured"
)

// Map takes a dial number to SI and back. Source: definitions above; a table is
// piecewise linear.
type Map struct {
	Kind         MapKind
	Unit         string
	AtMin, AtMax float64      // SI at the ends of the dial, linear and logarithmic
	Points       [][2]float64 // dial, SI: rising in dial, strictly monotone in SI unless measured
	// Of a measured map: the standard deviation of each point in the map's unit (none
	// or one for each), on which unit, when, and every reading as it was typed.
	Sigmas           []float64
	MeasuredOn, Date string
	Readings         []string
}

// line is the intercept and slope of a measured map.
//
// Source: weighted least squares in centred form, as learn.FitLine, which a test
// compares; here it needs no library.
func (m *Map) line() (intercept, slope float64) {
	var w, mx, my float64
	weight := func(i int) float64 {
		if len(m.Sigmas) != len(m.Points) || !(m.Sigmas[i] > 0) {
			return 1
		}
		return 1 / (m.Sigmas[i] * m.Sigmas[i])
	}
	for i, p := range m.Points {
		w += weight(i)
		mx += weight(i) * p[0]
		my += weight(i) * p[1]
	}
	mx, my = mx/w, my/w
	var sxx, sxy float64
	for i, p := range m.Points {
		sxx += weight(i) * (p[0] - mx) * (p[0] - mx)
		sxy += weight(i) * (p[0] - mx) * (p[1] - my)
	}
	slope = sxy / sxx
	return my - slope*mx, slope
}

// Extrapolated reports whether a number lies outside the points of a measured map.
func (d Dial) Extrapolated(v float64) bool {
	return d.Map != nil && d.Map.Kind == Measured && (v < d.Map.Points[0][0] || v > d.Map.Points[len(d.Map.Points)-1][0])
}

// ExtrapolatedWords stand behind an SI value of which Extrapolated is true.
const ExtrapolatedWords = ", extrapolated"

// SIWords is an SI value of a number for people, with where it rests on no measurement.
func (d Dial) SIWords(v, si float64, unit string) string {
	out := Sig(si, 4) + " " + unit
	if d.Extrapolated(v) {
		out += ExtrapolatedWords
	}
	return out
}

// Dial is one settable number of a gimbal's controller.
type Dial struct {
	Key          string
	Min, Max     float64
	Coarse, Fine float64
	Up           string // the physical direction of a larger number
	Sign         int    // +1 when a larger number goes in the parameter's Up direction
	Default      *float64
	Unit         string // the controller's own unit word, "" when it has none
	ShownAs      string // what the controller calls it, "" when the sheet does not say
	Map          *Map
	Link         *DialLink // nil where it is not reached over a link
}

// CoarseStep proposes a coarse step for a dial of which only the range and the fine step are known:
// five fine ones on a dial of forty or more, else one.
//
// Source: common practice, no source.
func CoarseStep(least, most, fine float64) float64 {
	if most-least >= 40*fine {
		return 5 * fine
	}
	return fine
}

// DomainError is an input that a computation does not accept.
type DomainError struct{ What string }

func (e *DomainError) Error() string { return e.What }

func outside(v, lo, hi float64, what string) error {
	return &DomainError{fmt.Sprintf("%s %s is outside %s to %s", what, Num(v), Num(lo), Num(hi))}
}

// ToSI converts a dial number inside the dial's range, in the map's unit.
// Source: the laws defined above.
func (d Dial) ToSI(v float64) (float64, error) {
	if d.Map == nil {
		return 0, &DomainError{"dial " + d.Key + " has no conversion to SI"}
	}
	if !(v >= d.Min && v <= d.Max) {
		return 0, outside(v, d.Min, d.Max, "dial "+d.Key)
	}
	lo, hi := d.ends()
	// the ends are exact, and rounding between them never passes them
	if v == d.Min {
		return lo, nil
	}
	if v == d.Max {
		return hi, nil
	}
	m := d.Map
	share := (v - d.Min) / (d.Max - d.Min)
	var si float64
	switch m.Kind {
	case Linear:
		si = lo + (hi-lo)*share
	case Logarithmic:
		si = math.Exp(math.Log(lo) + (math.Log(hi)-math.Log(lo))*share)
	case Measured:
		a, b := m.line()
		si = math.Max(0, a+b*v)
	default:
		i := sort.Search(len(m.Points), func(i int) bool { return m.Points[i][0] >= v })
		a, b := m.Points[i-1], m.Points[i]
		si = a[1] + (b[1]-a[1])*(v-a[0])/(b[0]-a[0])
	}
	return between(si, lo, hi), nil
}

// FromSI converts an SI value to the dial number that gives it, unrounded. A
// value the dial cannot reach is a DomainError, never the nearest end.
// Source: the inverse of the laws defined above.
func (d Dial) FromSI(si float64) (float64, error) {
	if d.Map == nil {
		return 0, &DomainError{"dial " + d.Key + " has no conversion to SI"}
	}
	m := d.Map
	lo, hi := d.ends()
	if a, b := math.Min(lo, hi), math.Max(lo, hi); !(si >= a && si <= b) {
		return 0, outside(si, a, b, m.Unit+" reachable by dial "+d.Key+":")
	}
	var v float64
	switch m.Kind {
	case Linear:
		v = d.Min + (d.Max-d.Min)*((si-lo)/(hi-lo))
	case Logarithmic:
		v = d.Min + (d.Max-d.Min)*((math.Log(si)-math.Log(lo))/(math.Log(hi)-math.Log(lo)))
	case Measured:
		a, b := m.line()
		v = (si - a) / b
	default:
		i := 1
		for i < len(m.Points)-1 && (si-m.Points[i][1])*(hi-lo) > 0 {
			i++
		}
		a, b := m.Points[i-1], m.Points[i]
		v = a[0] + (b[0]-a[0])*((si-a[1])/(b[1]-a[1]))
	}
	return between(v, d.Min, d.Max), nil
}

// ends are the SI values at the smallest and the largest dial number.
func (d Dial) ends() (lo, hi float64) {
	if d.Map.Kind == Measured {
		a, b := d.Map.line()
		return math.Max(0, a+b*d.Min), math.Max(0, a+b*d.Max)
	}
	if d.Map.Kind == Table {
		return d.Map.Points[0][1], d.Map.Points[len(d.Map.Points)-1][1]
	}
	return d.Map.AtMin, d.Map.AtMax
}

// between takes off what rounding has put past an end; ends in either order.
func between(v, a, b float64) float64 {
	return math.Max(math.Min(v, math.Max(a, b)), math.Min(a, b))
}

// Round moves v to a fine step, toward the less stiff (lighter, narrower,
// quicker) side, which is where one starts from. It does not clamp to the range.
func (d Dial) Round(v float64) float64 {
	n := (v - d.Min) / d.Fine
	// a value a hair off a step is on it
	if r := math.Round(n); math.Abs(n-r) < hair {
		n = r
	} else if d.Sign >= 0 {
		n = math.Floor(n)
	} else {
		n = math.Ceil(n)
	}
	return tidy(d.Min+n*d.Fine, d.Min, d.Fine)
}

// hair is the share of a fine step within which a value counts as on it.
const hair = 1e-6

// AddSteps adds n steps to a value, without binary dust: 12.5 and two steps of 0.1 are 12.7.
func AddSteps(v, step, n float64) float64 { return tidy(v+n*step, v, step) }

// tidy removes the binary dust of adding multiples of step to start: the result
// has no more decimals than they have.
func tidy(v, start, step float64) float64 {
	places := max(decimals(start), decimals(step))
	if places > 15 {
		return v
	}
	t, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', places, 64), 64)
	if err != nil {
		return v
	}
	return t
}

func decimals(v float64) int {
	_, after, _ := strings.Cut(Num(v), ".")
	return len(after)
}

// OnStep reports whether v is reachable in fine steps.
func (d Dial) OnStep(v float64) bool {
	n := (v - d.Min) / d.Fine
	return math.Abs(n-math.Round(n)) < hair
}

// Less reports whether a is less stiff (lighter, narrower, shorter) than b.
func (d Dial) Less(a, b float64) bool {
	if d.Sign < 0 {
		return a > b
	}
	return a < b
}

// maxSteps bounds the fine steps in a range; more is a slip of the decimal point.
const maxSteps = 1e6

// check reports what is impossible in a dial, and warns of what is odd; key is
// its table in the sheet.
func (d Dial) check(key string, p Param) []Problem {
	var ps []Problem
	add := func(k, what, want, fix string) {
		ps = append(ps, Problem{Key: key + k, What: what, Want: want, Fix: fix, Rule: RuleDial})
	}
	odd := func(k, what, want, fix string) {
		ps = append(ps, Problem{Key: key + k, What: what, Want: want, Fix: fix, Rule: RuleDial, Warning: true})
	}
	dialRange := dialRange(d)
	if d.Min >= d.Max {
		add(".min", fmt.Sprintf("the range is inverted or empty: min %s is not below max %s", Num(d.Min), Num(d.Max)), "min below max", "swap them; if a larger number is "+p.Down+", say up = \""+p.Down+"\"")
		return ps
	}
	span := d.Max - d.Min
	for _, s := range []struct {
		key, word string
		step      float64
	}{{".fine", "fine", d.Fine}, {".coarse", "coarse", d.Coarse}} {
		if s.step > span*(1+hair) {
			add(s.key, "the "+s.word+" step "+Num(s.step)+" is larger than the range "+dialRange, "a step that fits in the range", "correct the step or the range")
		}
	}
	if d.Fine > d.Coarse*(1+hair) {
		add(".fine", "the fine step "+Num(d.Fine)+" is larger than the coarse step "+Num(d.Coarse), "fine at most coarse", "swap them")
	}
	if span/d.Fine > maxSteps {
		add(".fine", "the fine step "+Num(d.Fine)+" cuts the range "+dialRange+" into more than a million steps", "the smallest step the controller takes", "correct the step or the range")
		return ps
	}
	if d.Default != nil && !(*d.Default >= d.Min && *d.Default <= d.Max) {
		add(".default", "the default "+Num(*d.Default)+" is outside the dial", dialRange, "correct it")
	} else if d.Default != nil && !d.OnStep(*d.Default) {
		odd(".default", "the default "+Num(*d.Default)+" is between two steps", "steps of "+Num(d.Fine)+" from "+Num(d.Min), "check it against the controller")
	}
	if d.Fine <= span && !d.OnStep(d.Max) {
		odd(".fine", "fine steps of "+Num(d.Fine)+" from "+Num(d.Min)+" do not end at "+Num(d.Max), "a whole number of steps in the range", "check step and range against the controller")
	}
	if n := d.Coarse / d.Fine; d.Coarse > d.Fine && math.Abs(n-math.Round(n)) > hair {
		odd(".coarse", "the coarse step "+Num(d.Coarse)+" is not a whole number of fine steps of "+Num(d.Fine), "a multiple of the fine step", "correct one of them")
	}
	if d.Map != nil {
		ps = append(ps, d.checkMap(key+".map", p)...)
	}
	return ps
}

// checkMap reports the first thing that makes the dial's map impossible.
func (d Dial) checkMap(key string, p Param) []Problem {
	bad := func(k, what, want, fix string) []Problem {
		return []Problem{{Key: key + k, What: what, Want: want, Fix: fix, Rule: RuleMap}}
	}
	m := d.Map
	sense, ok := p.SI[m.Unit]
	if !ok {
		return bad(".unit", fmt.Sprintf("a map of the %s dial cannot be in %q", p.Name, m.Unit), strings.Join(units(p), " or "), "choose one of these units and give the values in it")
	}
	if m.Kind == Measured {
		if n, w := len(m.Sigmas), len(m.Points); n != 0 && n != w {
			return bad(".sigmas", Count(n, "uncertainty", "uncertainties")+" for "+Count(w, "point", "points"), "one for each point, or none", "measure again: rigkeep gimbal measure")
		}
		if len(m.Points) < 2 {
			return bad(".points", "the map has "+Count(len(m.Points), "point", "points"), "at least two settings: dial, value, dial, value", "measure another setting: rigkeep gimbal measure")
		}
		for i, b := range m.Points {
			if b[0] < d.Min || b[0] > d.Max {
				return bad(".points", "the point "+Num(b[0])+" is outside the dial", dialRange(d), "correct it")
			}
			if b[1] < 0 {
				return bad(".points", "the map gives a negative value at dial "+Num(b[0]), "values of zero or more", "correct it")
			}
			if i > 0 && b[0] <= m.Points[i-1][0] {
				return bad(".points", "dial "+Num(b[0])+" does not follow dial "+Num(m.Points[i-1][0]), "each setting once, dial rising", "sort the pairs")
			}
		}
		for i, s := range m.Sigmas {
			if !(s > 0) {
				return bad(".sigmas", fmt.Sprintf("the uncertainty of point %d is %s", i+1, Num(s)), "numbers above zero", "measure again: rigkeep gimbal measure")
			}
		}
		if lo, hi := d.ends(); lo == hi {
			return bad(".points", "the line through the points is flat", "values that change with the dial", "measure settings farther apart")
		}
	} else if m.Kind == Table {
		if len(m.Points) < 2 {
			return bad(".points", "the table has "+Count(len(m.Points), "point", "points"), "at least two pairs: dial, value, dial, value", "add the values at both ends of the dial")
		}
		if first, last := m.Points[0][0], m.Points[len(m.Points)-1][0]; first != d.Min || last != d.Max {
			return bad(".points", "the table runs from dial "+Num(first)+" to "+Num(last), "the whole dial, "+Num(d.Min)+" to "+Num(d.Max), "add the end points, or sort the pairs")
		}
		rise := m.Points[1][1] - m.Points[0][1]
		for i, b := range m.Points {
			if b[1] < 0 {
				return bad(".points", "the table gives a negative value at dial "+Num(b[0]), "values of zero or more", "correct it")
			}
			if i == 0 {
				continue
			}
			a := m.Points[i-1]
			if b[0] <= a[0] || !((b[1]-a[1])*rise > 0) {
				return bad(".points", "the table turns back or is flat between dial "+Num(a[0])+" and "+Num(b[0]), "dial rising, and values always rising or always falling", "sort the pairs and correct the odd one")
			}
		}
	} else {
		if m.AtMin == m.AtMax {
			return bad(".at_max", "the map is flat: at_min and at_max are both "+Num(m.AtMin), "two different values", "give the value at each end of the dial")
		}
		for _, e := range []struct {
			key string
			v   float64
		}{{".at_min", m.AtMin}, {".at_max", m.AtMax}} {
			if e.v < 0 {
				return bad(e.key, "the map gives a negative value, "+Num(e.v), "zero or more", "correct it")
			}
			if e.v == 0 && m.Kind == Logarithmic {
				return bad(e.key, "a logarithmic map cannot reach zero", "a value above zero", "use a linear map or a table, or a small value in place of zero")
			}
		}
	}
	dir := 1
	if lo, hi := d.ends(); hi < lo {
		dir = -1
	}
	if dir*sense != d.Sign {
		return bad("", fmt.Sprintf("the map says a larger number is %s, up says %s", word(p, dir*sense), d.Up), "a map that agrees with up", "correct the map's ends or up")
	}
	return nil
}

func dialRange(d Dial) string { return Num(d.Min) + " to " + Num(d.Max) }

func word(p Param, sign int) string {
	if sign > 0 {
		return p.Up
	}
	return p.Down
}
