// Package fit says whether a build fits a gimbal: its mass against the payload,
// its outline against the clear box and the radius it sweeps against the clear
// radii, both with the build balanced. SI throughout; x forward, y left, z up.
package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

const model = "fit"

// Grade says how an item fits, best first but for Unknown, which the gimbal
// sheet leaves open.
type Grade int

// The grades of fit.
const (
	Unknown Grade = iota
	Fits
	Tight // inside the limit, but near it
	Over  // outside the limit
)

func (g Grade) String() string {
	return [...]string{"unknown", "fits", "tight", "over"}[max(0, min(int(g), 3))]
}

// MarshalText writes the grade as its word.
func (g Grade) MarshalText() ([]byte, error) { return []byte(g.String()), nil }

// Box is a clear space between two corners, m.
type Box struct{ Min, Max mass.Vec }

// Limits is what a gimbal offers. What is zero or nil is unknown and graded so.
type Limits struct {
	PayloadMin, PayloadMax float64 // kg
	Clear                  *Box    // from the axis centre
	// Size is the clear space, m, where only its edges along x, y and z are known and not
	// where it lies; Clear is nil then.
	Size            *mass.Vec
	TiltRadius      float64 // m, clear about the tilt axis
	RollRadius      float64
	PanRadius       float64
	Pan, Roll, Tilt mass.Line // motor axes at home; without direction they run through the origin along z, x, y
	// Off is how far (m) the centre of gravity stays from where it would balance, as
	// the adjustments end first; none of it where they do not.
	Off mass.Vec
	// Near these the fit is tight; 0 takes the usual ones.
	WarnShare float64 // of the payload limit, above 0 to 1
	WarnClear float64 // m left to the clear space
	// Length writes lengths (m), Mass a mass (kg) for people; nil is mm with a decimal,
	// and kg.
	Length, Mass func(float64) string
}

// The usual warnings (common practice, no source).
const (
	WarnShare = schema.PayloadNear / 100
	WarnClear = 0.005 // m
)

// Item is one thing that was held against a limit.
type Item struct {
	What   string  `json:"what"`           // "payload", "front", ..., "swept about tilt"
	Part   string  `json:"part,omitempty"` // the part that decides it; empty for the payload
	Have   float64 `json:"have"`           // kg, or m outward from the origin or the axis
	Limit  float64 `json:"limit"`          // 0 where the sheet gives none
	Margin float64 `json:"margin"`         // what is left; negative is how far it is over
	Unit   string  `json:"unit"`           // "kg" or "m"
	Grade  Grade   `json:"grade"`
	Words  string  `json:"words"` // one sentence for a technician
}

// Report is the whole answer.
type Report struct {
	Grade      Grade           `json:"grade"` // the worst of Payload and Balanced
	Properties mass.Properties `json:"properties"`
	Payload    []Item          `json:"payload"`  // largest and, where known, minimum payload
	Balanced   []Item          `json:"balanced"` // clearances with the build balanced
	// Shift leads from the axis centre to the build's origin, m, with the
	// build balanced.
	Shift    mass.Vec   `json:"shift_m"`
	Overhang []Overhang `json:"overhang"` // ahead of and behind the tilt axis, balanced
}

// Overhang is how far the build reaches to one side of the tilt axis.
type Overhang struct {
	Side  string  `json:"side"` // "front" or "back"
	Part  string  `json:"part"` // the part that reaches furthest
	Reach float64 `json:"reach_m"`
	// Past is how far that is past the furthest part in the slot "plate"; nil where
	// there is none, or the plate reaches furthest.
	Past  *float64 `json:"past_plate_m,omitempty"`
	Words string   `json:"words"`
}

var sideNames = [3][2]string{{"front", "back"}, {"left", "right"}, {"top", "bottom"}}

// Check holds a build against the limits of a gimbal, balanced: its centre of gravity
// on the tilt and roll axes, or Limits.Off away from there.
//
// Errors: *domain.Error for parts out of domain (see mass.Build), limits that are
// negative or reversed, or tilt and roll axes that are parallel. A build that
// does not fit is no error but a Report with the grade Over.
//
// Source: geometry, exact for every shape (see mass.Solid); thresholds are common
// practice, no source.
func Check(parts []mass.Part, lim Limits, opt mass.Options) (Report, error) {
	if err := lim.fill(); err != nil {
		return Report{}, err
	}
	props, err := mass.BuildWith(parts, opt)
	if err != nil {
		return Report{}, err
	}
	solids, _, err := mass.Solids(parts, opt)
	if err != nil {
		return Report{}, err
	}
	r := Report{Properties: props}
	at, err := BalancePoint(props.CG, lim.Roll, lim.Tilt)
	if err != nil {
		return Report{}, err
	}
	r.Shift = at.Sub(props.CG).Add(lim.Off)
	r.Payload = payload(props.Mass, lim)
	r.Balanced = clearances(solids, r.Shift, lim)
	r.Overhang = overhang(solids, r.Shift, lim)
	if r.Properties.Assumed == nil {
		r.Properties.Assumed = []mass.Assumption{}
	}
	for _, list := range [][]Item{r.Payload, r.Balanced} {
		for _, it := range list {
			r.Grade = max(r.Grade, it.Grade)
		}
	}
	return r, nil
}

// Payload holds a mass (kg) against the payload alone: what is left to say of a build
// whose balance point is not known.
//
// Errors: *domain.Error for limits that are negative or reversed, or a mass of zero or less.
//
// Source: definition; thresholds are common practice, no source.
func Payload(m float64, lim Limits) (Report, error) {
	if err := lim.fill(); err != nil {
		return Report{}, err
	}
	c := domain.Checker{Model: model}
	c.Positive("mass", m, "kg")
	if err := c.Err(); err != nil {
		return Report{}, err
	}
	r := Report{Properties: mass.Properties{Mass: m, Assumed: []mass.Assumption{}}, Payload: payload(m, lim), Balanced: []Item{}, Overhang: []Overhang{}}
	for _, it := range r.Payload {
		r.Grade = max(r.Grade, it.Grade)
	}
	return r, nil
}

// fill puts the usual values where there are none and checks the rest.
func (l *Limits) fill() error {
	c := domain.Checker{Model: model}
	c.NotNegative("minimum payload", l.PayloadMin, "kg")
	c.NotNegative("payload limit", l.PayloadMax, "kg")
	c.That(l.PayloadMax == 0 || l.PayloadMin < l.PayloadMax, "minimum payload", l.PayloadMin, "less than the payload limit", "")
	c.NotNegative("clear radius about tilt", l.TiltRadius, "m")
	c.NotNegative("clear radius about roll", l.RollRadius, "m")
	c.NotNegative("clear radius about pan", l.PanRadius, "m")
	if l.Size != nil {
		for _, v := range l.Size {
			c.Positive("clear space", v, "m")
		}
		c.That(l.Clear == nil, "clear space", 0, "a size or a box, not both", "")
	}
	if l.Clear != nil {
		for i, s := range sideNames {
			c.Finite("clear box", l.Clear.Min[i])
			c.Finite("clear box", l.Clear.Max[i])
			c.That(l.Clear.Min[i] < l.Clear.Max[i], "clear box: "+s[1], l.Clear.Min[i], "less than its "+s[0]+", "+domain.Number(l.Clear.Max[i]), "")
		}
	}
	for _, v := range l.Off {
		c.Finite("offset left by the adjustments", v)
	}
	if l.Length == nil {
		l.Length = func(m float64) string { return schema.Decimals(m*1000, 1) + " mm" }
	}
	if l.Mass == nil {
		l.Mass = func(kg float64) string { return fmt.Sprintf("%.3f kg", kg) }
	}
	if l.WarnShare == 0 {
		l.WarnShare = WarnShare
	}
	if l.WarnClear == 0 {
		l.WarnClear = WarnClear
	}
	c.That(l.WarnShare > 0 && l.WarnShare <= 1, "share of the payload to warn from", l.WarnShare, "above 0 to 1", "")
	c.NotNegative("clearance to warn below", l.WarnClear, "m")
	for i, a := range []struct {
		name string
		line *mass.Line
	}{{"roll", &l.Roll}, {"tilt", &l.Tilt}, {"pan", &l.Pan}} {
		if a.line.Dir == (mass.Vec{}) {
			a.line.Dir[i] = 1
		}
		u, ok := a.line.Dir.Unit()
		if !ok {
			c.Fail(a.name+" axis direction", "", "three finite numbers, not all zero", "")
		}
		a.line.Dir = u
		for _, v := range a.line.Point {
			c.Finite(a.name+" axis point", v)
		}
	}
	c.That(l.Roll.Dir.Cross(l.Tilt.Dir).Len() > 1e-3 || c.Err() != nil, "sine between tilt and roll axes", l.Roll.Dir.Cross(l.Tilt.Dir).Len(), "axes that are not parallel", "")
	return c.Err()
}

// Load grades a mass against the largest and the smallest payload, all kg, 0 where a sheet gives none: Over beyond one
// of them, Tight above the share near of the largest.
//
// Source: definition.
func Load(m, smallest, largest, near float64) (ofLargest, ofSmallest Grade) {
	switch {
	case largest == 0:
	case m > largest:
		ofLargest = Over
	case m > near*largest:
		ofLargest = Tight
	default:
		ofLargest = Fits
	}
	switch {
	case smallest == 0:
	case m < smallest:
		ofSmallest = Over
	default:
		ofSmallest = Fits
	}
	return ofLargest, ofSmallest
}

func payload(m float64, l Limits) []Item {
	it := Item{What: "payload", Have: m, Limit: l.PayloadMax, Unit: "kg"}
	if l.PayloadMax == 0 {
		it.Words = l.Mass(m) + "; the gimbal sheet gives no limit"
		return []Item{it}
	}
	it.Margin = l.PayloadMax - m
	least := Unknown
	it.Grade, least = Load(m, l.PayloadMin, l.PayloadMax, l.WarnShare)
	switch it.Grade {
	case Over:
		it.Words = fmt.Sprintf("%s, %s over the limit of %s: remove parts or use a larger gimbal", l.Mass(m), l.Mass(-it.Margin), l.Mass(l.PayloadMax))
	case Tight:
		it.Words = fmt.Sprintf("%s is %.0f %% of the payload limit of %s", l.Mass(m), m/l.PayloadMax*100, l.Mass(l.PayloadMax))
	default:
		it.Words = fmt.Sprintf("%s, %s under the payload limit", l.Mass(m), l.Mass(it.Margin))
	}
	out := []Item{it}
	if l.PayloadMin > 0 {
		lo := Item{What: "minimum payload", Have: m, Limit: l.PayloadMin, Margin: m - l.PayloadMin, Unit: "kg", Grade: least}
		lo.Words = l.Mass(lo.Margin) + " above the minimum"
		if least == Over {
			lo.Words = fmt.Sprintf("%s, %s below the minimum of %s: add weight", l.Mass(m), l.Mass(-lo.Margin), l.Mass(l.PayloadMin))
		}
		out = append(out, lo)
	}
	return out
}

// clearances holds the outline, shifted, against the clear box and radii.
func clearances(solids []mass.Solid, shift mass.Vec, l Limits) []Item {
	var out []Item
	for axis, name := range [3]string{"length", "width", "height"} {
		if l.Size == nil {
			break
		}
		dir := mass.Vec{}
		dir[axis] = 1
		far := func(d mass.Vec) Item {
			return furthest(solids, func(s mass.Solid) float64 {
				_, hi := s.Extent(d)
				return hi
			})
		}
		it, back := far(dir), far(dir.Scale(-1))
		it.What, it.Limit = name, l.Size[axis]
		it.Have += back.Have
		it.grade(l, "the clear space in "+name)
		out = append(out, it)
	}
	for axis, names := range sideNames {
		if l.Size != nil {
			break
		}
		for k, name := range names {
			var dir mass.Vec
			dir[axis] = 1 - 2*float64(k)
			it := furthest(solids, func(s mass.Solid) float64 {
				_, hi := s.Moved(shift).Extent(dir)
				return hi
			})
			it.What = name
			if l.Clear != nil {
				it.Limit = l.Clear.Max[axis]
				if k == 1 {
					it.Limit = -l.Clear.Min[axis]
				}
				it.grade(l, "clearance, "+name)
			} else {
				it.Words = "not in the gimbal sheet"
			}
			out = append(out, it)
		}
	}
	for _, a := range []struct {
		name   string
		line   mass.Line
		radius float64
	}{{"tilt", l.Tilt, l.TiltRadius}, {"roll", l.Roll, l.RollRadius}, {"pan", l.Pan, l.PanRadius}} {
		it := furthest(solids, func(s mass.Solid) float64 { return s.Moved(shift).Reach(a.line.Point, a.line.Dir) })
		it.What = "swept about " + a.name
		if a.radius > 0 {
			it.Limit = a.radius
			it.grade(l, "the clear radius about "+a.name)
		} else {
			it.Words = "the gimbal sheet gives no clear radius about " + a.name
		}
		out = append(out, it)
	}
	return out
}

// furthest is the part that reaches out the most.
func furthest(solids []mass.Solid, reach func(mass.Solid) float64) Item {
	it := Item{Have: math.Inf(-1), Unit: "m"}
	for _, s := range solids {
		if v := reach(s); v > it.Have {
			it.Have, it.Part = v, s.Name
		}
	}
	return it
}

// overhang is how far the build reaches ahead of and behind the tilt axis, and past
// the plate it stands on where a part has that slot: what bends a plate and strikes
// things, whether or not it is clear.
func overhang(solids []mass.Solid, shift mass.Vec, l Limits) []Overhang {
	var out []Overhang
	for k, words := range [2][2]string{{"front", "ahead of"}, {"back", "behind"}} {
		dir := mass.Vec{1 - 2*float64(k)}
		reach := func(s mass.Solid) float64 {
			_, hi := s.Moved(shift).Extent(dir)
			return hi - l.Tilt.Point.Dot(dir)
		}
		it := furthest(solids, reach)
		o := Overhang{Side: words[0], Part: it.Part, Reach: it.Have}
		if it.Have < 0 {
			o.Words = "nothing reaches " + words[1] + " the tilt axis"
			out = append(out, o)
			continue
		}
		o.Words = fmt.Sprintf("%s: %s %s the tilt axis", it.Part, l.Length(it.Have), words[1])
		plate := math.Inf(-1)
		for _, s := range solids {
			if s.Slot == "plate" {
				plate = math.Max(plate, reach(s))
			}
		}
		if past := it.Have - plate; !math.IsInf(plate, 0) && past > 0 {
			o.Past = &past
			o.Words += fmt.Sprintf(", %s past the plate", l.Length(past))
		}
		out = append(out, o)
	}
	return out
}

func (it *Item) grade(l Limits, where string) {
	it.Margin = it.Limit - it.Have
	switch {
	case it.Margin < 0:
		it.Grade = Over
		it.Words = fmt.Sprintf("%s is %s past %s", it.Part, l.Length(-it.Margin), where)
	case it.Margin < l.WarnClear:
		it.Grade = Tight
		it.Words = fmt.Sprintf("%s: only %s from %s", it.Part, l.Length(it.Margin), where)
	default:
		it.Grade = Fits
		it.Words = fmt.Sprintf("%s leaves %s to %s", it.Part, l.Length(it.Margin), where)
	}
}

// BalancePoint is the place, m, at which a centre of gravity balances about both the
// tilt and the roll axis, as near to where it is as can be; where these do not cross,
// the point nearest to both.
//
// Errors: *domain.Error for a number that is not finite, an axis without direction, or
// axes that are parallel.
//
// Source: statics (a load balances about an axis that its centre of gravity lies on);
// least squares of the distances from both lines.
func BalancePoint(cg mass.Vec, roll, tilt mass.Line) (mass.Vec, error) {
	c := domain.Checker{Model: model}
	for _, v := range cg {
		c.Finite("centre of gravity", v)
	}
	if err := c.Err(); err != nil {
		return mass.Vec{}, err
	}
	h, b := mat.NewSymDense(3, nil), mat.NewVecDense(3, nil)
	for _, a := range [2]mass.Line{tilt, roll} {
		d, ok := a.Dir.Unit()
		if !ok {
			return mass.Vec{}, &domain.Error{Model: model, Name: "axis direction", Want: "three finite numbers, not all zero"}
		}
		e := cg.Sub(a.Point)
		for i := range 3 {
			b.SetVec(i, b.AtVec(i)-(e[i]-d[i]*e.Dot(d)))
			for j := i; j < 3; j++ {
				v := -d[i] * d[j]
				if i == j {
					v++
				}
				h.SetSym(i, j, h.At(i, j)+v)
			}
		}
	}
	var ch mat.Cholesky
	var x mat.VecDense
	if !ch.Factorize(h) || ch.SolveVecTo(&x, b) != nil {
		return mass.Vec{}, &domain.Error{Model: model, Name: "tilt and roll axes", Want: "axes that are not parallel"}
	}
	out := cg
	for i := range out {
		out[i] += x.AtVec(i)
		c.Result("place of balance", out[i])
	}
	return out, c.Err()
}
