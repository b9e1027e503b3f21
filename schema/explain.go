package schema

import (
	"math"
	"strings"
)

// Explanation is all that is known of one parameter, as plain values for
// whoever lays them out.
type Explanation struct {
	Key       string        `json:"key"` // as asked for; a pattern for every style
	Name      string        `json:"name"`
	Group     string        `json:"group"`
	Title     string        `json:"group_title"`
	Axis      string        `json:"axis,omitempty"`
	Style     string        `json:"style,omitempty"`
	Order     int           `json:"order"` // its place in the order of work, from 1
	Of        int           `json:"of"`    // how many places there are
	Unit      string        `json:"unit,omitempty"`
	Range     string        `json:"range,omitempty"` // in words, where no dial sets it
	Default   any           `json:"default,omitempty"`
	Doc       string        `json:"doc"`
	Does      string        `json:"does"`
	Up        string        `json:"up"`   // word for going up: "stiffer"
	Down      string        `json:"down"` // word for going down: "softer"
	Raise     string        `json:"raise"`
	Lower     string        `json:"lower"`
	TooMuch   string        `json:"too_much"`
	TooLittle string        `json:"too_little"`
	Cautions  []string      `json:"cautions"`
	With      []Interaction `json:"with"`
	// On is what the parameter means on one gimbal, nil without one.
	On *OnGimbal `json:"on,omitempty"`
}

// OnGimbal is what a parameter means on one gimbal, with the present value if
// there is one.
type OnGimbal struct {
	Gimbal string `json:"gimbal"`
	Dialed bool   `json:"dialed"` // the value is in the numbers of a dial of this gimbal
	// Missing says that the parameter needs a dial and this gimbal's sheet has none.
	Missing bool `json:"missing,omitempty"`
	// Raises says of a stiffness what its dial moves, see Sheet.Raises.
	Raises   string   `json:"raises,omitempty"`
	Min      *float64 `json:"min,omitempty"`
	Max      *float64 `json:"max,omitempty"`
	Default  *float64 `json:"default,omitempty"`
	Unit     string   `json:"unit,omitempty"`      // of the value
	LargerIs string   `json:"larger_is,omitempty"` // what a larger number is, "stiffer"
	SIUnit   string   `json:"si_unit,omitempty"`
	MinSI    *float64 `json:"min_si,omitempty"`
	MaxSI    *float64 `json:"max_si,omitempty"`
	Value    *float64 `json:"value,omitempty"`
	ValueSI  *float64 `json:"value_si,omitempty"`
	// Extrapolated says that the value lies outside the points of a measured map.
	Extrapolated bool     `json:"extrapolated,omitempty"`
	Share        *float64 `json:"share,omitempty"` // of the range, 0 to 1 from min to max
	// Start is where the steps are taken from: the value, else the default, else
	// the middle of the range.
	Start    *float64  `json:"start,omitempty"`
	Coarse   *Step     `json:"coarse,omitempty"`
	Fine     *Step     `json:"fine,omitempty"`
	Problems []Problem `json:"problems,omitempty"` // what is wrong with the value
}

// Step is what one step means.
type Step struct {
	Size  float64  `json:"size"`            // in the value's numbers
	Share *float64 `json:"share,omitempty"` // of the range
	// Up and Down go in the parameter's own directions (stiffer and softer,
	// heavier and lighter), nil where the range ends before the step does.
	Up   *Move `json:"up,omitempty"`
	Down *Move `json:"down,omitempty"`
}

// Move is one step taken from Start.
type Move struct {
	To     float64  `json:"to"`                // the number after it
	SI     *float64 `json:"si,omitempty"`      // the change in SI, signed
	Ratio  *float64 `json:"ratio,omitempty"`   // SI after over SI before
	DelayS *float64 `json:"delay_s,omitempty"` // for a filter: the change of its delay at low frequency, s
	// Extrapolated says that the number before or after lies outside the points of a
	// measured map.
	Extrapolated bool `json:"extrapolated,omitempty"`
}

// Explain gives what is known of the parameter of a key, concrete or pattern.
func (c *Catalogue) Explain(key string) (Explanation, bool) {
	p, ok := c.Param(key)
	if !ok {
		return Explanation{}, false
	}
	e := Explanation{
		Key: key, Name: p.Label(key), Group: p.Group, Axis: p.Axis, Of: len(c.params), Unit: p.Unit, Default: p.Default,
		Doc: p.Doc, Does: p.Does, Up: p.Up, Down: p.Down, Raise: p.Raise, Lower: p.Lower, TooMuch: p.TooMuch, TooLittle: p.TooLittle,
		Cautions: append([]string(nil), p.Cautions...),
	}
	for _, g := range c.groups {
		if g.Name == p.Group {
			e.Title = g.Title
		}
	}
	for i := range c.params {
		if c.params[i].Path == p.Path {
			e.Order = i + 1
		}
	}
	if p.Dial == "" {
		e.Range = p.Range()
	}
	if e.Style = p.Style(key); e.Style == "*" {
		e.Style = ""
	}
	for _, w := range p.With {
		if e.Style != "" {
			w.Key = strings.Replace(w.Key, "*", e.Style, 1)
		}
		e.With = append(e.With, w)
	}
	return e, true
}

// ExplainOn is Explain with what the parameter means on one gimbal; value is the
// present value of the tune, nil when it has none.
func (c *Catalogue) ExplainOn(key string, sheet *Sheet, value any) (Explanation, bool) {
	e, ok := c.Explain(key)
	if !ok || sheet == nil {
		return e, ok
	}
	p, _ := c.Param(key)
	on := &OnGimbal{Gimbal: sheet.Slug, Unit: p.Unit}
	e.On = on
	d, dialed := sheet.Dials[p.Dial]
	if p.Group == "stiffness" && dialed {
		on.Raises = sheet.Raises()
	}
	switch {
	case p.Dial != "" && !dialed:
		on.Missing = true
	case dialed:
		on.Dialed, on.Unit, on.LargerIs = true, d.Unit, d.Up
		on.Min, on.Max, on.Default = At(d.Min), At(d.Max), d.Default
	default:
		// a value in its own unit makes a dial of its own, without a map
		d = Dial{Key: p.Path, Fine: p.Step, Coarse: p.Coarse, Sign: 1}
		on.Min, on.Max, on.LargerIs = p.Min, p.Max, p.Up
		if t := sheet.travel(p.Path); t != nil {
			on.Max = t
		}
		if v, ok := Number(p.Default); ok {
			on.Default = At(v)
		}
	}
	if value != nil {
		on.Problems = c.CheckValue(key, value, sheet)
	}
	v, numeric := Number(value)
	if numeric {
		on.Value = At(v)
	}
	if on.Min == nil || on.Max == nil || *on.Min >= *on.Max || d.Fine == 0 {
		return e, true
	}
	d.Min, d.Max = *on.Min, *on.Max
	inside := numeric && v >= d.Min && v <= d.Max
	start := d.Round((d.Min + d.Max) / 2)
	switch {
	case inside:
		on.Share = At((v - d.Min) / (d.Max - d.Min))
		start = v
	case on.Default != nil && *on.Default >= d.Min && *on.Default <= d.Max:
		start = *on.Default
	}
	on.Start = At(start)
	if d.Map != nil {
		lo, hi := d.ends()
		on.SIUnit, on.MinSI, on.MaxSI = d.Map.Unit, At(lo), At(hi)
		if si, err := d.ToSI(v); inside && err == nil {
			on.ValueSI, on.Extrapolated = At(si), d.Extrapolated(v)
		}
	}
	lag := sheet.lag(p)
	on.Coarse, on.Fine = d.step(d.Coarse, start, lag), d.step(d.Fine, start, lag)
	return e, true
}

// step says what a step of one size means from where the dial stands.
func (d Dial) step(size, start float64, lag func(float64) float64) *Step {
	s := &Step{Size: size, Share: At(size / (d.Max - d.Min))}
	move := func(by float64) *Move {
		to := start + by
		if to < d.Min-hair*d.Fine || to > d.Max+hair*d.Fine {
			return nil
		}
		m := &Move{To: between(tidy(to, start, size), d.Min, d.Max)}
		if d.Map == nil {
			return m
		}
		a, err1 := d.ToSI(start)
		b, err2 := d.ToSI(m.To)
		if err1 != nil || err2 != nil {
			return m
		}
		m.SI, m.Extrapolated = At(b-a), d.Extrapolated(start) || d.Extrapolated(m.To)
		if a > 0 {
			m.Ratio = At(b / a)
		}
		if lag != nil && a > 0 && b > 0 {
			m.DelayS = At(lag(b) - lag(a))
		}
		return m
	}
	by := size
	if d.Sign < 0 {
		by = -size
	}
	s.Up, s.Down = move(by), move(-by)
	return s
}

// lag gives a filter's delay at low frequency, in seconds, from the SI value of its
// dial (cutoff in Hz or time constant in s); nil for a parameter that is no filter.
// Source: slope of the phase at zero frequency of a Butterworth low pass, 1/ω for
// the first order and √2/ω for the second.
func (s *Sheet) lag(p Param) func(float64) float64 {
	order := map[string]int{"filters.sensing": s.SensingOrder, "filters.drive": s.DriveOrder}[p.Dial]
	d := s.Dials[p.Dial]
	if order == 0 || d.Map == nil {
		return nil
	}
	factor := 1.0
	if order == 2 {
		factor = math.Sqrt2
	}
	if d.Map.Unit == "Hz" {
		return func(hz float64) float64 { return factor / (2 * math.Pi * hz) }
	}
	return func(tau float64) float64 { return factor * tau }
}

// GroupList is one group with its parameters, in working order.
type GroupList struct {
	Group
	Params []Brief `json:"params"`
}

// Brief is one line on a parameter.
type Brief struct {
	Key  string `json:"key"` // pattern
	Name string `json:"name"`
	Doc  string `json:"doc"`
	Unit string `json:"unit,omitempty"`
	Dial bool   `json:"dial"` // in dial numbers of the gimbal
	Up   string `json:"up"`
	Down string `json:"down"`
}

// List gives every parameter, by group, in working order.
func (c *Catalogue) List() []GroupList {
	var out []GroupList
	for _, g := range c.groups {
		l := GroupList{Group: g}
		for _, p := range c.params {
			if p.Group == g.Name {
				l.Params = append(l.Params, Brief{p.Path, p.Name, p.Doc, p.Unit, p.Dial != "", p.Up, p.Down})
			}
		}
		out = append(out, l)
	}
	return out
}
