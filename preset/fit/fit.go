// Package fit says whether a build fits a gimbal: its mass against the payload,
// its outline against the clear box, the radius it sweeps against the clear
// radii, and how to shift it on its plate so that its centre of gravity comes
// onto the axes. SI throughout; x forward, y left, z up.
package fit

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
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

// Travel is how far the plate lets the build be shifted from where it is, m, each
// 0 or more; math.Inf(1) where that is unknown.
type Travel struct{ Forward, Back, Left, Right, Up, Down float64 }

// FreeTravel is a plate of unknown travel. Source: definition.
func FreeTravel() Travel {
	i := math.Inf(1)
	return Travel{i, i, i, i, i, i}
}

// Limits is what a gimbal offers. What is zero or nil is unknown and graded so.
type Limits struct {
	PayloadMin, PayloadMax float64 // kg
	Clear                  *Box    // in the build frame
	TiltRadius             float64 // m, clear about the tilt axis
	RollRadius             float64
	PanRadius              float64
	Pan, Roll, Tilt        mass.Line // motor axes at home; without direction they run through the origin along z, x, y
	Plate                  *Travel   // nil is unknown, as FreeTravel
	// Near these the fit is tight; 0 takes the usual ones.
	WarnShare float64 // of the payload limit, above 0 to 1
	WarnClear float64 // m left to the clear space
	// Length and Slide write lengths (m), Mass a mass (kg) for people; nil is mm with a
	// decimal, whole mm as one slides a plate, and kg.
	Length, Slide, Mass func(float64) string
}

// The usual warnings (common practice, no source).
const (
	WarnShare = 0.9
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

// Plate is how to shift the build so that its centre of gravity comes onto the
// tilt and roll axes.
type Plate struct {
	Wanted mass.Vec `json:"wanted_m"` // the shift that does it
	Move   mass.Vec `json:"move_m"`   // the best shift within the plate's travel
	Short  mass.Vec `json:"short_m"`  // Wanted - Move: what the plate cannot give
	// Remains is how far the centre of gravity then is from each axis. The plate
	// does not serve the pan axis where that misses the others: its arm does.
	Remains struct {
		Pan  float64 `json:"pan"`
		Roll float64 `json:"roll"`
		Tilt float64 `json:"tilt"`
	} `json:"remains_m"`
	Ends  []string `json:"ends"` // directions in which the travel ends first
	Words string   `json:"words"`
}

// Report is the whole answer.
type Report struct {
	Grade      Grade           `json:"grade"` // the worst of Payload and Balanced: what it will be like in use
	Properties mass.Properties `json:"properties"`
	Payload    []Item          `json:"payload"`  // largest and, where known, smallest payload
	Placed     []Item          `json:"placed"`   // clearances with the build as it is placed now
	Balanced   []Item          `json:"balanced"` // clearances after Plate.Move
	Plate      Plate           `json:"plate"`
	Overhang   []Overhang      `json:"overhang"` // ahead of and behind the tilt axis, after Plate.Move
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

// Check holds a build against the limits of a gimbal.
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
	if r.Plate, err = PlateShift(props, props.Mass, lim); err != nil {
		return Report{}, err
	}
	r.Payload = payload(props.Mass, lim)
	r.Placed = clearances(solids, mass.Vec{}, lim)
	r.Balanced = clearances(solids, r.Plate.Move, lim)
	r.Overhang = overhang(solids, r.Plate.Move, lim)
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

// fill puts the usual values where there are none and checks the rest.
func (l *Limits) fill() error {
	c := domain.Checker{Model: model}
	c.NotNegative("smallest payload", l.PayloadMin, "kg")
	c.NotNegative("payload limit", l.PayloadMax, "kg")
	c.That(l.PayloadMax == 0 || l.PayloadMin < l.PayloadMax, "smallest payload", l.PayloadMin, "less than the payload limit", "")
	c.NotNegative("clear radius about tilt", l.TiltRadius, "m")
	c.NotNegative("clear radius about roll", l.RollRadius, "m")
	c.NotNegative("clear radius about pan", l.PanRadius, "m")
	if l.Clear != nil {
		for i, s := range sideNames {
			c.Finite("clear box", l.Clear.Min[i])
			c.Finite("clear box", l.Clear.Max[i])
			c.That(l.Clear.Min[i] < l.Clear.Max[i], "clear box: "+s[1], l.Clear.Min[i], "less than its "+s[0]+", "+domain.Number(l.Clear.Max[i]), "")
		}
	}
	if l.Plate == nil {
		t := FreeTravel()
		l.Plate = &t
	}
	lo, hi := l.Plate.bounds()
	for i := range lo {
		c.That(lo[i] <= 0 && hi[i] >= 0, "plate travel", math.Min(-lo[i], hi[i]), "0 m or more", "")
	}
	if l.Length == nil {
		l.Length = func(m float64) string { return fmt.Sprintf("%.1f mm", m*1000) }
	}
	if l.Slide == nil {
		l.Slide = func(m float64) string { return fmt.Sprintf("%.0f mm", m*1000) }
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

func (t Travel) bounds() (lo, hi mass.Vec) {
	return mass.Vec{-t.Back, -t.Right, -t.Down}, mass.Vec{t.Forward, t.Left, t.Up}
}

func payload(m float64, l Limits) []Item {
	it := Item{What: "payload", Have: m, Limit: l.PayloadMax, Unit: "kg"}
	if l.PayloadMax == 0 {
		it.Words = l.Mass(m) + "; the gimbal sheet gives no limit"
		return []Item{it}
	}
	it.Margin = l.PayloadMax - m
	switch share := m / l.PayloadMax; {
	case it.Margin < 0:
		it.Grade = Over
		it.Words = fmt.Sprintf("%s is %s over the payload limit of %s: take parts off or take a larger gimbal", l.Mass(m), l.Mass(-it.Margin), l.Mass(l.PayloadMax))
	case share > l.WarnShare:
		it.Grade = Tight
		it.Words = fmt.Sprintf("%s is %.0f %% of the payload limit of %s", l.Mass(m), share*100, l.Mass(l.PayloadMax))
	default:
		it.Grade = Fits
		it.Words = fmt.Sprintf("%s, %s under the payload limit", l.Mass(m), l.Mass(it.Margin))
	}
	out := []Item{it}
	if l.PayloadMin > 0 {
		lo := Item{What: "smallest payload", Have: m, Limit: l.PayloadMin, Margin: m - l.PayloadMin, Unit: "kg", Grade: Fits}
		lo.Words = l.Mass(lo.Margin) + " above the smallest payload"
		if lo.Margin < 0 {
			lo.Grade = Over
			lo.Words = fmt.Sprintf("%s is %s under the smallest payload of %s: add weight", l.Mass(m), l.Mass(-lo.Margin), l.Mass(l.PayloadMin))
		}
		out = append(out, lo)
	}
	return out
}

// clearances holds the outline, shifted, against the clear box and radii.
func clearances(solids []mass.Solid, shift mass.Vec, l Limits) []Item {
	var out []Item
	for axis, names := range sideNames {
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
				it.grade(l, "the clear box at the "+name)
			} else {
				it.Words = "the gimbal sheet gives no clear box"
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
		o.Words = fmt.Sprintf("%s reaches %s %s the tilt axis", it.Part, l.Length(it.Have), words[1])
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
		it.Words = fmt.Sprintf("%s leaves only %s to %s", it.Part, l.Length(it.Margin), where)
	default:
		it.Grade = Fits
		it.Words = fmt.Sprintf("%s leaves %s to %s", it.Part, l.Length(it.Margin), where)
	}
}

// PlateShift returns how to shift the moving mass (kg; the whole build, or less
// where some parts stay put) so that the centre of gravity of the build comes
// onto the tilt and roll axes. Where these do not cross it goes as near to both
// as it can, in the least-squares sense, and Remains says what is left.
//
// Errors: *domain.Error for limits out of domain or a moving mass that is not
// above 0 and at most the mass of the build.
//
// Source: statics (the centre of gravity moves by the moving share of the
// shift); least squares within bounds by trying every set of bounds that may
// hold (Boyd & Vandenberghe, Convex Optimization, ch. 5; from memory).
func PlateShift(p mass.Properties, moving float64, lim Limits) (Plate, error) {
	if err := lim.fill(); err != nil {
		return Plate{}, err
	}
	c := domain.Checker{Model: model}
	c.Positive("mass", p.Mass, "kg")
	c.That(moving > 0 && moving <= p.Mass*(1+1e-12), "mass that the plate moves", moving, "above 0 to the mass of the build, "+domain.Number(p.Mass)+" kg", "")
	if err := c.Err(); err != nil {
		return Plate{}, err
	}
	share := moving / p.Mass
	free := FreeTravel()
	out := Plate{Ends: []string{}, Wanted: solve(p.CG, share, lim, free), Move: solve(p.CG, share, lim, *lim.Plate)}
	out.Short = out.Wanted.Sub(out.Move)
	cg := p.CG.Add(out.Move.Scale(share))
	out.Remains.Pan, out.Remains.Roll, out.Remains.Tilt = off(cg, lim.Pan), off(cg, lim.Roll), off(cg, lim.Tilt)
	lo, hi := lim.Plate.bounds()
	for i, s := range mass.Sides {
		// under a hundredth of a millimetre nothing is short or away from its end
		const near = 1e-5
		switch {
		case out.Short[i] > near && out.Move[i] >= hi[i]-near:
			out.Ends = append(out.Ends, s[0])
		case out.Short[i] < -near && out.Move[i] <= lo[i]+near:
			out.Ends = append(out.Ends, s[1])
		}
	}
	if words := out.Move.WordsIn(lim.Slide); words == "none" {
		out.Words = "leave the build where it is"
	} else {
		out.Words = "shift the build " + words
	}
	if len(out.Ends) > 0 {
		out.Words += fmt.Sprintf("; the plate's travel ends first (%s): %s is missing", strings.Join(out.Ends, ", "), out.Short.WordsIn(lim.Slide))
	}
	for _, v := range []mass.Vec{out.Wanted, out.Move} {
		for _, x := range v {
			c.Result("plate shift", x)
		}
	}
	return out, c.Err()
}

// off is the distance of a point from a line of unit direction.
func off(p mass.Vec, l mass.Line) float64 { return p.Sub(l.Point).Cross(l.Dir).Len() }

// solve minimises the summed squared distance of the centre of gravity from the
// tilt and roll axes over the shifts that the travel allows. Each component is
// free or at one end of its travel; the minimum is that of one of the 27 cases.
func solve(cg mass.Vec, share float64, l Limits, t Travel) mass.Vec {
	lo, hi := t.bounds()
	// cost(s) = s·H s/2 + b·s + const
	var h [3]mass.Vec
	var b mass.Vec
	for _, a := range [2]mass.Line{l.Tilt, l.Roll} {
		e := cg.Sub(a.Point)
		for i := range h {
			b[i] += share * (e[i] - a.Dir[i]*e.Dot(a.Dir))
			for j := range h {
				h[i][j] -= share * share * a.Dir[i] * a.Dir[j]
			}
			h[i][i] += share * share
		}
	}
	var best mass.Vec
	least := math.Inf(1)
	for k := range 27 {
		var s mass.Vec
		var free []int
		ok := true
		for i, state := range [3]int{k % 3, k / 3 % 3, k / 9} {
			switch state {
			case 0:
				free = append(free, i)
			case 1:
				s[i] = lo[i]
			case 2:
				s[i] = hi[i]
			}
			ok = ok && !math.IsInf(s[i], 0)
		}
		if !ok || !minimiseFree(h, b, &s, free) {
			continue
		}
		cost := 0.0
		for i := range s {
			ok = ok && s[i] >= lo[i] && s[i] <= hi[i]
			cost += s[i] * (h[i].Dot(s)/2 + b[i])
		}
		if ok && cost < least {
			best, least = s, cost
		}
	}
	return best
}

// minimiseFree sets the free components of s to where the cost is least with the
// others held.
func minimiseFree(h [3]mass.Vec, b mass.Vec, s *mass.Vec, free []int) bool {
	if len(free) == 0 {
		return true
	}
	a, r := mat.NewSymDense(len(free), nil), mat.NewVecDense(len(free), nil)
	for i, fi := range free {
		for j, fj := range free {
			if j >= i {
				a.SetSym(i, j, h[fi][fj])
			}
		}
		r.SetVec(i, -b[fi]-h[fi].Dot(*s))
	}
	var ch mat.Cholesky
	var x mat.VecDense
	if !ch.Factorize(a) || ch.SolveVecTo(&x, r) != nil {
		return false
	}
	for i, fi := range free {
		s[fi] = x.AtVec(i)
	}
	return true
}
