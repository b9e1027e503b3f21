package schema

import (
	"fmt"
	"math"
	"sort"
)

// MapKind is the law of a dial map.
type MapKind string

// Laws of a dial map.
const (
	Linear      MapKind = "linear"      // SI = at_min + (at_max − at_min)·share of range
	Logarithmic MapKind = "logarithmic" // SI = at_min·(at_max/at_min)^share of range
	Table       MapKind = "table"       // straight lines between points
)

// Map takes a dial number to SI and back. Source: definitions above; a table is
// piecewise linear.
type Map struct {
	Kind         MapKind
	Unit         string
	AtMin, AtMax float64      // SI at the ends of the dial, linear and logarithmic
	Points       [][2]float64 // dial, SI: rising in dial, strictly monotone in SI
	min, max     float64
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
	Map          *Map
}

// DomainError is an input that a computation does not accept.
type DomainError struct{ What string }

func (e *DomainError) Error() string { return e.What }

func outside(v, lo, hi float64, what string) error {
	return &DomainError{fmt.Sprintf("%s %s is outside %s to %s", what, Num(v), Num(lo), Num(hi))}
}

// ToSI converts a dial number inside the dial's range, in the map's unit.
func (d Dial) ToSI(v float64) (float64, error) {
	if d.Map == nil {
		return 0, &DomainError{"dial " + d.Key + " has no map to SI"}
	}
	if !(v >= d.Min && v <= d.Max) {
		return 0, outside(v, d.Min, d.Max, "dial "+d.Key)
	}
	m := d.Map
	share := (v - d.Min) / (d.Max - d.Min)
	switch m.Kind {
	case Linear:
		return m.AtMin + (m.AtMax-m.AtMin)*share, nil
	case Logarithmic:
		return m.AtMin * math.Pow(m.AtMax/m.AtMin, share), nil
	}
	p := m.Points
	i := sort.Search(len(p), func(i int) bool { return p[i][0] >= v })
	if i == 0 {
		return p[0][1], nil
	}
	a, b := p[i-1], p[i]
	return a[1] + (b[1]-a[1])*(v-a[0])/(b[0]-a[0]), nil
}

// FromSI converts an SI value to the dial number that gives it, unrounded. A
// value the dial cannot reach is a DomainError, never the nearest end.
func (d Dial) FromSI(si float64) (float64, error) {
	if d.Map == nil {
		return 0, &DomainError{"dial " + d.Key + " has no map to SI"}
	}
	m := d.Map
	lo, err := d.ToSI(d.Min)
	if err != nil {
		return 0, err
	}
	hi, _ := d.ToSI(d.Max)
	if a, b := math.Min(lo, hi), math.Max(lo, hi); !(si >= a && si <= b) {
		return 0, outside(si, a, b, m.Unit+" reachable by dial "+d.Key+":")
	}
	switch m.Kind {
	case Linear:
		return d.Min + (d.Max-d.Min)*(si-m.AtMin)/(m.AtMax-m.AtMin), nil
	case Logarithmic:
		return d.Min + (d.Max-d.Min)*math.Log(si/m.AtMin)/math.Log(m.AtMax/m.AtMin), nil
	}
	for i := 1; i < len(m.Points); i++ {
		a, b := m.Points[i-1], m.Points[i]
		if (si-a[1])*(si-b[1]) <= 0 {
			return a[0] + (b[0]-a[0])*(si-a[1])/(b[1]-a[1]), nil
		}
	}
	return 0, outside(si, lo, hi, m.Unit)
}

// Round moves v to a fine step, toward the less stiff (lighter, narrower,
// quicker) side, which is where one starts from. It does not clamp to the range.
func (d Dial) Round(v float64) float64 {
	n := (v - d.Min) / d.Fine
	// a value a hair off a step is on it
	if r := math.Round(n); math.Abs(n-r) < 1e-6 {
		n = r
	} else if d.Sign >= 0 {
		n = math.Floor(n)
	} else {
		n = math.Ceil(n)
	}
	return tidy(d.Min + n*d.Fine)
}

// tidy removes the binary dust of a product of decimals.
func tidy(v float64) float64 { return math.Round(v*1e9) / 1e9 }

// OnStep reports whether v is reachable in fine steps.
func (d Dial) OnStep(v float64) bool {
	n := (v - d.Min) / d.Fine
	return math.Abs(n-math.Round(n)) < 1e-6
}

// Less reports whether a is less stiff (lighter, narrower, quicker) than b.
func (d Dial) Less(a, b float64) bool {
	if d.Sign < 0 {
		return a > b
	}
	return a < b
}

// check reports what is impossible in a dial; key is its table in the sheet.
func (d Dial) check(key string, p Param) []Problem {
	var ps []Problem
	add := func(k, what, want, fix string) {
		ps = append(ps, Problem{Key: key + k, What: what, Want: want, Fix: fix})
	}
	if d.Min >= d.Max {
		add(".min", fmt.Sprintf("the range is inverted: min %s is not below max %s", Num(d.Min), Num(d.Max)), "min below max", "swap them; if a larger number is "+p.Down+", say up = \""+p.Down+"\"")
		return ps
	}
	span := d.Max - d.Min
	if d.Fine > span {
		add(".fine", fmt.Sprintf("the fine step %s is larger than the range %s to %s", Num(d.Fine), Num(d.Min), Num(d.Max)), "a step that fits in the range", "correct the step or the range")
	}
	if d.Coarse > span {
		add(".coarse", fmt.Sprintf("the coarse step %s is larger than the range %s to %s", Num(d.Coarse), Num(d.Min), Num(d.Max)), "a step that fits in the range", "correct the step or the range")
	}
	if d.Fine > d.Coarse {
		add(".fine", fmt.Sprintf("the fine step %s is larger than the coarse step %s", Num(d.Fine), Num(d.Coarse)), "fine at most coarse", "swap them")
	}
	if d.Up != p.Up && d.Up != p.Down {
		add(".up", fmt.Sprintf("up = %q does not say which way a larger number goes", d.Up), fmt.Sprintf("%q or %q", p.Up, p.Down), "choose one")
	}
	if d.Default != nil && !(*d.Default >= d.Min && *d.Default <= d.Max) {
		add(".default", "the default "+Num(*d.Default)+" is outside the dial", Num(d.Min)+" to "+Num(d.Max), "correct it")
	}
	if d.Map == nil {
		return ps
	}
	m, mk := d.Map, key+".map"
	bad := func(k, what, want, fix string) {
		ps = append(ps, Problem{Key: mk + k, What: what, Want: want, Fix: fix})
	}
	sense, ok := p.SI[m.Unit]
	if !ok {
		bad(".unit", fmt.Sprintf("a %s map cannot be in %q", p.Name, m.Unit), siUnits(p), "choose one of these units and give the values in it")
		return ps
	}
	switch m.Kind {
	case Linear, Logarithmic:
		if m.AtMin == m.AtMax {
			bad(".at_max", "the map is flat: at_min and at_max are both "+Num(m.AtMin), "two different values", "give the value at each end of the dial")
			return ps
		}
		if m.AtMin < 0 || m.AtMax < 0 {
			bad(".at_min", fmt.Sprintf("the map gives a negative %s", p.Name), "values of zero or more", "correct the end below zero")
			return ps
		}
		if m.Kind == Logarithmic && (m.AtMin <= 0 || m.AtMax <= 0) {
			bad(".at_min", "a logarithmic map cannot reach zero", "two values above zero", "use a linear map or a table, or a small value in place of zero")
			return ps
		}
	case Table:
		if len(m.Points) < 2 {
			bad(".points", fmt.Sprintf("the table has %d points", len(m.Points)), "at least two, [dial, value]", "add the values at both ends of the dial")
			return ps
		}
		if m.Points[0][0] != d.Min || m.Points[len(m.Points)-1][0] != d.Max {
			bad(".points", fmt.Sprintf("the table runs from %s to %s", Num(m.Points[0][0]), Num(m.Points[len(m.Points)-1][0])), "the whole dial, "+Num(d.Min)+" to "+Num(d.Max), "add the end points")
			return ps
		}
		rise := m.Points[1][1] - m.Points[0][1]
		for i := 1; i < len(m.Points); i++ {
			a, b := m.Points[i-1], m.Points[i]
			if b[0] <= a[0] || (b[1]-a[1])*rise <= 0 || b[1] < 0 || a[1] < 0 {
				bad(".points", fmt.Sprintf("the table turns back or is flat between dial %s and %s", Num(a[0]), Num(b[0])), "dial rising and values always rising or always falling, none below zero", "sort the points and correct the odd one")
				return ps
			}
		}
	default:
		bad(".kind", fmt.Sprintf("there is no map law %q", string(m.Kind)), "linear, logarithmic or table", "choose one")
		return ps
	}
	lo, err1 := d.ToSI(d.Min)
	hi, err2 := d.ToSI(d.Max)
	if err1 == nil && err2 == nil && d.Sign != 0 {
		dir := 1
		if hi < lo {
			dir = -1
		}
		if dir*sense != d.Sign {
			bad("", fmt.Sprintf("the map says a larger number is %s, up says %s", word(p, dir*sense), d.Up), "a map that agrees with up", "correct the map's ends or up")
		}
	}
	return ps
}

func word(p Param, sign int) string {
	if sign > 0 {
		return p.Up
	}
	return p.Down
}

func siUnits(p Param) string {
	var us []string
	for u := range p.SI {
		us = append(us, u)
	}
	sort.Strings(us)
	s := ""
	for i, u := range us {
		if i > 0 {
			s += " or "
		}
		s += "\"" + u + "\""
	}
	return s
}
