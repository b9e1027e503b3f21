package schema

import (
	"fmt"
	"slices"
	"sort"
	"strings"
)

// AxisFacts is what a gimbal sheet says of one motor axis, SI.
type AxisFacts struct {
	Torque         float64 // N·m at full effort
	TorqueConstant float64 // N·m/A, 0 unknown
	Winding        float64 // Ω, 0 unknown
	Moving         float64 // kg·m², the gimbal's own parts; 0 where MovingKnown is false
	MovingKnown    bool
	Point          [3]float64
	Viscous        float64 // N·m·s/rad
	DampingTime    float64 // s, D/K where stiffness and damping are raised together
	Damping        float64 // N·m·s/rad where stiffness alone is raised
	Integral       float64 // 1/s, Ki/K
}

// Reference is a payload at which some values are known to work.
type Reference struct {
	PayloadKg float64
	Source    string
	Inertia   map[Axis]float64   // kg·m², where given
	Values    map[string]float64 // parameter key to dial number
}

// Obstacle is a part of the gimbal that can come into frame; metres from where
// the motor axes cross, head level.
type Obstacle struct {
	Name   string
	Place  [3]float64
	Radius float64
}

// Sheet is a gimbal sheet, decoded and SI.
type Sheet struct {
	Slug, Name, Note                  string
	PayloadMin, PayloadMax            float64     // kg
	Box                               *[3]float64 // m
	BoxCentre                         *[3]float64 // m from the axis centre; nil unknown
	TiltRadius, RollRadius, PanRadius float64     // m, 0 unknown
	TiltUpDeg, TiltDownDeg            *float64
	Adjustments                       []Adjustment // in working order
	Axes                              [3]AxisFacts
	Delay                             float64 // s
	DelayKnown                        bool
	RaiseTogether                     bool
	RaiseKnown                        bool // the sheet says which; else together is taken
	SensingOrder                      int
	DriveOrder                        int
	SensorRate, SensorRange           float64
	DriveRate                         float64
	WorkablePct, GoodPct              float64
	BalancePoints                     []string
	EffortSign                        int // +1 right-handed about the axis, -1 the other way, 0 not known
	BenchOrder                        []Axis
	BenchMargin                       float64
	Model                             string // "first-order", "critical", "two-stage"
	Dials                             map[string]Dial
	Units                             []Unit // its unit records, where the sheet was read from a library
	References                        []Reference
	Obstacles                         []Obstacle
	Link                              *Link // nil where its units are keyed in by hand
	// Learned says that sessions on a unit told delay or damping; nil where the sheet's
	// own count.
	Learned *LearnedLoop
}

// LearnedLoop is what the loop of a sheet rests on where sessions told it.
type LearnedLoop struct {
	Unit   string // on which they were
	Onsets int    // with their frequency; 0 where the delay is the sheet's
	// Scale is what the map of each stiffness dial was multiplied by; 0 where it is the
	// sheet's.
	Scale [3]float64
	// InDelay are the filters without a map, at the settings at which their lag is part
	// of the delay.
	InDelay map[string]float64
}

// LearnedWords say behind a number of the loop what it rests on; "" where it is the
// sheet's.
func (s *Sheet) LearnedWords() string {
	if s.Learned == nil || s.Learned.Onsets == 0 {
		return ""
	}
	return " as " + Count(s.Learned.Onsets, "onset", "onsets") + " on unit " + s.Learned.Unit + " told"
}

// LoopMissing lists the keys that a sheet does not give and the loop of an axis needs
// for its margins.
func (s *Sheet) LoopMissing(a Axis) []string {
	var out []string
	if !s.DelayKnown {
		out = append(out, "loop.delay_s")
	}
	switch x := s.Axes[a]; {
	case s.RaiseTogether && x.DampingTime == 0:
		out = append(out, "loop."+a.String()+".damping_s")
	case !s.RaiseTogether && x.Damping == 0:
		out = append(out, "loop."+a.String()+".damping_nms_rad")
	}
	return out
}

// Defaults of a sheet that does not say (common practice, no source).
const (
	DefaultWorkablePct = 4.0
	DefaultGoodPct     = 1.0
	DefaultBenchMargin = 1.5
)

// Sheet decodes and checks a gimbal sheet. slug is its file name without .toml.
// The sheet is usable only when no problem is an error.
func (c *Catalogue) Sheet(slug string, doc Tree) (*Sheet, []Problem) {
	ps, s := c.validate(KindGimbal, doc, nil)
	if len(Errors(ps)) > 0 {
		return nil, ps
	}
	if s == nil { // it has keys that only deserve a warning
		s, _ = c.sheet(Flatten(doc))
	}
	s.Slug = slug
	return s, ps
}

// Unit finds a unit by serial or label, without case.
func (s *Sheet) Unit(name string) (Unit, bool) {
	for _, u := range s.Units {
		if u.Is(name) {
			return u, true
		}
	}
	return Unit{}, false
}

// SameUnit reports whether two names written by people mean one unit. The sheet may be
// nil, or know neither.
func (s *Sheet) SameUnit(a, b string) bool {
	if CanonicalName(a) == CanonicalName(b) {
		return true
	}
	if s == nil {
		return false
	}
	u, ok := s.Unit(a)
	return ok && u.Is(b)
}

// DialKeys lists the dials in key order.
func (s *Sheet) DialKeys() []string {
	var out []string
	for k := range s.Dials {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// DialOf returns the dial of a concrete parameter key.
func (s *Sheet) DialOf(c *Catalogue, key string) (Dial, bool) {
	p, ok := c.Param(key)
	if !ok || p.Dial == "" {
		return Dial{}, false
	}
	d, ok := s.Dials[p.Dial]
	return d, ok
}

// Raises says in words what the stiffness dials of this gimbal move. It belongs
// beside every onset and margin, since the two ways put the onset far apart.
func (s *Sheet) Raises() string {
	out := "stiffness rises, damping stays"
	if s.RaiseTogether {
		out = "stiffness and damping rise together"
	}
	if !s.RaiseKnown {
		out += " (assumed: loop.raise is not in the sheet)"
	}
	return out
}

const mm = 1e-3

func vec(v []float64, scale float64) [3]float64 {
	var out [3]float64
	for i := range out {
		if i < len(v) {
			out[i] = v[i] * scale
		}
	}
	return out
}

func (c *Catalogue) sheet(f Flat) (*Sheet, []Problem) {
	var ps []Problem
	s := &Sheet{
		Name: f.Str("name"), Note: f.Str("note"),
		PayloadMin: f.NumOr("payload.min_kg", 0), PayloadMax: f.NumOr("payload.max_kg", 0),
		TiltRadius: f.NumOr("space.tilt_radius_mm", 0) * mm, RollRadius: f.NumOr("space.roll_radius_mm", 0) * mm, PanRadius: f.NumOr("space.pan_radius_mm", 0) * mm,
		Delay: f.NumOr("loop.delay_s", 0), RaiseTogether: f.Str("loop.raise") != "stiffness",
		SensingOrder: int(f.NumOr("filter.sensing.order", 1)), DriveOrder: int(f.NumOr("filter.drive.order", 1)),
		SensorRate: f.NumOr("sensor.rate_hz", 0), SensorRange: f.NumOr("sensor.range_dps", 0), DriveRate: f.NumOr("drive.rate_hz", 0),
		WorkablePct: f.NumOr("balance.workable_pct", DefaultWorkablePct), GoodPct: f.NumOr("balance.good_pct", DefaultGoodPct),
		BalancePoints: f.Strs("balance.points"), BenchMargin: f.NumOr("bench.margin", DefaultBenchMargin),
		Model: f.Str("follow.model"), Dials: map[string]Dial{},
	}
	if s.Model == "" {
		s.Model = "first-order"
	}
	_, s.DelayKnown = f["loop.delay_s"]
	_, s.RaiseKnown = f["loop.raise"]
	s.EffortSign = map[string]int{"right-handed": 1, "left-handed": -1}[f.Str("balance.effort_sign")]
	if b := f.Nums("space.box_mm"); b != nil {
		v := vec(b, mm)
		s.Box = &v
	}
	if c := f.Nums("space.centre_mm"); c != nil {
		v := vec(c, mm)
		s.BoxCentre = &v
	}
	for _, t := range []struct {
		key string
		to  **float64
	}{{"travel.tilt.up_deg", &s.TiltUpDeg}, {"travel.tilt.down_deg", &s.TiltDownDeg}} {
		if v, ok := f.Num(t.key); ok {
			*t.to = At(v)
		}
	}
	if s.PayloadMin >= s.PayloadMax {
		ps = append(ps, contradiction("payload.min_kg", "the minimum payload "+Num(s.PayloadMin)+" kg is not below the largest, "+Num(s.PayloadMax)+" kg", "min below max", "correct one of them"))
	}
	if s.GoodPct > s.WorkablePct {
		ps = append(ps, contradiction("balance.good_pct", "good "+Num(s.GoodPct)+" % is above workable "+Num(s.WorkablePct)+" %", "good at most workable", "correct one of them"))
	}
	slides, bad := adjustments(f)
	s.Adjustments, ps = slides, append(ps, bad...)
	s.axes(f)
	ps = append(ps, idleDamping(f, s.RaiseTogether)...)
	ps = append(ps, s.benchOrder(f)...)
	ps = append(ps, s.dials(c, f)...)
	s.Link = readLink(f)
	ps = append(ps, checkLinks(s.Dials)...)
	ps = append(ps, checkShown(s)...)
	ps = append(ps, s.references(c, f)...)
	for i := range f.Len("obstacle") {
		at := fmt.Sprintf("obstacle[%d].", i)
		s.Obstacles = append(s.Obstacles, Obstacle{f.Str(at + "name"), vec(f.Nums(at+"place_mm"), mm), f.NumOr(at+"radius_mm", 0) * mm})
	}
	return s, ps
}

// contradiction is a value that does not agree with another.
func contradiction(key, what, want, fix string) Problem {
	return Problem{Key: key, What: what, Want: want, Fix: fix, Rule: RuleAgree}
}

// axes reads the facts of each axis.
func (s *Sheet) axes(f Flat) {
	for _, a := range Axes {
		n := a.String()
		s.Axes[a] = AxisFacts{
			Torque: f.NumOr("motor."+n+".torque_nm", 0), TorqueConstant: f.NumOr("motor."+n+".torque_constant_nm_a", 0),
			Winding: f.NumOr("motor."+n+".winding_ohm", 0), Moving: f.NumOr("moving."+n+".inertia_kgm2", 0),
			Point: vec(f.Nums("axis."+n+".point_mm"), mm), Viscous: f.NumOr("loop."+n+".viscous_nms_rad", 0),
			DampingTime: f.NumOr("loop."+n+".damping_s", 0), Damping: f.NumOr("loop."+n+".damping_nms_rad", 0),
			Integral: f.NumOr("loop."+n+".integral_hz", 0),
		}
		_, s.Axes[a].MovingKnown = f["moving."+n+".inertia_kgm2"]
	}
}

// benchOrder reads the order in which the axes are worked.
func (s *Sheet) benchOrder(f Flat) (ps []Problem) {
	for _, o := range f.Strs("bench.order") {
		if a, ok := ParseAxis(o); ok && !slices.Contains(s.BenchOrder, a) {
			s.BenchOrder = append(s.BenchOrder, a)
		} else {
			ps = append(ps, contradiction("bench.order", "the order names "+shown(o)+" twice", "each of pan, tilt, roll once", "correct it"))
		}
	}
	if s.BenchOrder == nil {
		s.BenchOrder = append(s.BenchOrder, WorkOrder...)
	}
	return ps
}

// dials reads the dials that the sheet has, in the catalogue's order.
func (s *Sheet) dials(c *Catalogue, f Flat) (ps []Problem) {
	done := map[string]bool{}
	for _, p := range c.params {
		at := "dial." + p.Dial
		if p.Dial == "" || done[p.Dial] || !f.has(at) {
			continue
		}
		done[p.Dial] = true
		d := Dial{Key: p.Dial, Min: f.NumOr(at+".min", 0), Max: f.NumOr(at+".max", 0), Coarse: f.NumOr(at+".coarse", 0), Fine: f.NumOr(at+".fine", 0), Up: f.Str(at + ".up"), Unit: f.Str(at + ".unit"), ShownAs: f.Str(at + ".shown_as")}
		switch d.Up {
		case p.Up:
			d.Sign = 1
		case p.Down:
			d.Sign = -1
		}
		if v, ok := f.Num(at + ".default"); ok {
			d.Default = At(v)
		}
		if f.has(at + ".map") {
			m, bad := readMap(f, at+".map")
			d.Map, ps = m, append(ps, bad...)
			if bad != nil {
				d.Map = nil // said already; check the rest of the dial
			}
		}
		ps = append(ps, d.check(at, p)...)
		l, bad := readDialLink(f, at, d)
		d.Link, ps = l, append(ps, bad...)
		s.Dials[p.Dial] = d
	}
	return ps
}

// references reads the payloads at which values are known to work.
func (s *Sheet) references(c *Catalogue, f Flat) (ps []Problem) {
	keys := f.Keys()
	for i := range f.Len("reference") {
		at := fmt.Sprintf("reference[%d].", i)
		r := Reference{PayloadKg: f.NumOr(at+"payload_kg", 0), Source: f.Str(at + "source"), Inertia: map[Axis]float64{}, Values: map[string]float64{}}
		for _, a := range Axes {
			if v, ok := f.Num(at + "inertia_kgm2." + a.String()); ok {
				r.Inertia[a] = v
			}
		}
		if r.PayloadKg > s.PayloadMax || r.PayloadKg < s.PayloadMin {
			ps = append(ps, contradiction(at+"payload_kg", "the reference payload "+Num(r.PayloadKg)+" kg is outside what this gimbal carries, "+Num(s.PayloadMin)+" to "+Num(s.PayloadMax)+" kg", "a payload from the minimum to the maximum of this gimbal", "correct one of them"))
		}
		for _, k := range keys {
			key, ok := strings.CutPrefix(k, at)
			if !ok {
				continue
			}
			p, known := c.Param(key)
			v, isNum := f.Num(k)
			if !known || !isNum {
				continue
			}
			r.Values[key] = v
			if q := s.fault(p, v); q != nil {
				q.Key = k
				ps = append(ps, *q)
			}
		}
		s.References = append(s.References, r)
	}
	return ps
}

// idleDamping warns of a damping that the sheet's loop has no use for: over
// stiffness where the dial raises stiffness alone, or the other way round.
func idleDamping(f Flat, together bool) []Problem {
	idle, used := "damping_s", "damping_nms_rad"
	raises := "stiffness alone"
	if together {
		idle, used, raises = used, idle, "stiffness and damping together"
	}
	var ps []Problem
	for _, a := range axisNames {
		key := "loop." + a + "." + idle
		if _, ok := f[key]; ok {
			ps = append(ps, Problem{Key: key, What: "this is not used: the stiffness dial raises " + raises, Want: used, Fix: "give " + used + ", or correct loop.raise", Rule: RuleAgree, Warning: true})
		}
	}
	return ps
}

// readMap reads the map of a dial and reports keys that its law needs or has no
// use for.
func readMap(f Flat, at string) (*Map, []Problem) {
	var ps []Problem
	m := &Map{Kind: MapKind(f.Str(at + ".kind")), Unit: f.Str(at + ".unit"), AtMin: f.NumOr(at+".at_min", 0), AtMax: f.NumOr(at+".at_max", 0)}
	needs := []string{"at_min", "at_max"}
	if m.Kind == Table || m.Kind == Measured {
		needs = []string{"points"}
	}
	if m.Kind == Measured {
		m.Sigmas, m.MeasuredOn, m.Date, m.Readings = f.Nums(at+".sigmas"), f.Str(at+".measured_on"), f.Str(at+".date"), f.Strs(at+".readings")
	} else {
		for _, k := range []string{"sigmas", "measured_on", "date", "readings"} {
			if _, there := f[at+"."+k]; there {
				ps = append(ps, Problem{Key: at + "." + k, What: "a " + string(m.Kind) + " map has no " + k, Want: "kind = \"measured\"", Fix: "remove it, or correct the kind", Rule: RuleMap})
			}
		}
	}
	for _, k := range []string{"at_min", "at_max", "points"} {
		key := at + "." + k
		_, there := f[key]
		if need := slices.Contains(needs, k); need && !there {
			ps = append(ps, Problem{Key: key, What: "the key is missing", Want: k + " for a " + string(m.Kind) + " map", Fix: "add it", Rule: RuleMap})
		} else if !need && there {
			ps = append(ps, Problem{Key: key, What: "a " + string(m.Kind) + " map has no " + k, Want: List(needs), Fix: "remove it, or choose another kind", Rule: RuleMap})
		}
	}
	pts := f.Nums(at + ".points")
	if len(pts)%2 == 1 {
		ps = append(ps, Problem{Key: at + ".points", What: "the table has " + Count(len(pts), "number", "numbers") + ", an odd count", Want: "pairs: dial, value, dial, value", Fix: "add the missing one", Rule: RuleMap})
	}
	for i := 0; i+1 < len(pts); i += 2 {
		m.Points = append(m.Points, [2]float64{pts[i], pts[i+1]})
	}
	return m, ps
}
