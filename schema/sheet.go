package schema

import (
	"fmt"
	"sort"
)

// AxisFacts is what a gimbal sheet says of one motor axis, SI.
type AxisFacts struct {
	Torque         float64 // N·m at full effort
	TorqueConstant float64 // N·m/A, 0 unknown
	Winding        float64 // Ω, 0 unknown
	Moving         float64 // kg·m², the gimbal's own parts
	Point          [3]float64
	Viscous        float64 // N·m·s/rad
	DampingTime    float64 // s, D/K where stiffness and damping are raised together
	Damping        float64 // N·m·s/rad where stiffness alone is raised
	Integral       float64 // 1/s, Ki/K
}

// Unit is one physical gimbal.
type Unit struct{ Serial, Label, Firmware, Note string }

// Is reports whether a name written by a person means this unit.
func (u Unit) Is(name string) bool { return name != "" && (name == u.Serial || name == u.Label) }

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
	Slug, Name, Note        string
	PayloadMin, PayloadMax  float64     // kg
	Box                     *[3]float64 // m
	BoxCentre               [3]float64
	TiltRadius, RollRadius  float64 // m, 0 unknown
	TiltUpDeg, TiltDownDeg  *float64
	Plate                   map[string]float64 // "forward" … "down" to metres; absent means unknown
	Axes                    [3]AxisFacts
	Delay                   float64 // s
	DelayKnown              bool
	RaiseTogether           bool
	SensingOrder            int
	DriveOrder              int
	SensorRate, SensorRange float64
	DriveRate               float64
	WorkablePct, GoodPct    float64
	BalancePoints           []string
	BenchOrder              []Axis
	BenchMargin             float64
	Lag                     string // "single", "critical", "double"
	Dials                   map[string]Dial
	Units                   []Unit
	References              []Reference
	Obstacles               []Obstacle
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
	ps := c.Validate(KindGimbal, doc, nil)
	if len(Errors(ps)) > 0 {
		return nil, ps
	}
	s, _ := c.sheet(Flatten(doc))
	s.Slug = slug
	return s, ps
}

// Unit finds a unit by serial or label.
func (s *Sheet) Unit(name string) (Unit, bool) {
	for _, u := range s.Units {
		if u.Is(name) {
			return u, true
		}
	}
	return Unit{}, false
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
		BoxCentre:  vec(f.Nums("space.centre_mm"), mm),
		TiltRadius: f.NumOr("space.tilt_radius_mm", 0) * mm, RollRadius: f.NumOr("space.roll_radius_mm", 0) * mm,
		Plate: map[string]float64{}, Delay: f.NumOr("loop.delay_s", 0), RaiseTogether: f.Str("loop.raise") != "stiffness",
		SensingOrder: int(f.NumOr("filter.sensing.order", 1)), DriveOrder: int(f.NumOr("filter.drive.order", 1)),
		SensorRate: f.NumOr("sensor.rate_hz", 0), SensorRange: f.NumOr("sensor.range_dps", 0), DriveRate: f.NumOr("drive.rate_hz", 0),
		WorkablePct: f.NumOr("balance.workable_pct", DefaultWorkablePct), GoodPct: f.NumOr("balance.good_pct", DefaultGoodPct),
		BalancePoints: f.Strs("balance.points"), BenchMargin: f.NumOr("bench.margin", DefaultBenchMargin),
		Lag: f.Str("follow.lag"), Dials: map[string]Dial{},
	}
	if s.Lag == "" {
		s.Lag = "single"
	}
	_, s.DelayKnown = f["loop.delay_s"]
	if b := f.Nums("space.box_mm"); b != nil {
		v := vec(b, mm)
		s.Box = &v
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
		ps = append(ps, Problem{Key: "payload.min_kg", What: "the smallest payload " + Num(s.PayloadMin) + " kg is not below the largest, " + Num(s.PayloadMax) + " kg", Want: "min below max", Fix: "correct one of them"})
	}
	if s.GoodPct > s.WorkablePct {
		ps = append(ps, Problem{Key: "balance.good_pct", What: "good " + Num(s.GoodPct) + " % is above workable " + Num(s.WorkablePct) + " %", Want: "good at most workable", Fix: "correct one of them"})
	}
	for _, d := range []string{"forward", "back", "left", "right", "up", "down"} {
		if v, ok := f.Num("plate." + d + "_mm"); ok {
			s.Plate[d] = v * mm
		}
	}
	for _, a := range Axes {
		n := a.String()
		s.Axes[a] = AxisFacts{
			Torque: f.NumOr("motor."+n+".torque_nm", 0), TorqueConstant: f.NumOr("motor."+n+".torque_constant_nm_a", 0),
			Winding: f.NumOr("motor."+n+".winding_ohm", 0), Moving: f.NumOr("moving."+n+".inertia_kgm2", 0),
			Point: vec(f.Nums("axis."+n+".point_mm"), mm), Viscous: f.NumOr("loop."+n+".viscous_nms_rad", 0),
			DampingTime: f.NumOr("loop."+n+".damping_s", 0), Damping: f.NumOr("loop."+n+".damping_nms_rad", 0),
			Integral: f.NumOr("loop."+n+".integral_hz", 0),
		}
	}
	order := f.Strs("bench.order")
	if order == nil {
		s.BenchOrder = append(s.BenchOrder, Axes...)
	}
	seen := map[Axis]bool{}
	for _, o := range order {
		a, ok := ParseAxis(o)
		if !ok || seen[a] {
			ps = append(ps, Problem{Key: "bench.order", What: "the order names " + shown(o), Want: "each of pan, roll, tilt once", Fix: "correct it"})
			break
		}
		seen[a] = true
		s.BenchOrder = append(s.BenchOrder, a)
	}
	if order != nil && len(order) != len(Axes) {
		ps = append(ps, Problem{Key: "bench.order", What: fmt.Sprintf("the order names %d axes", len(order)), Want: "each of pan, roll, tilt once", Fix: "correct it"})
	}
	done := map[string]bool{}
	for _, p := range c.params {
		at := "dial." + p.Dial
		if p.Dial == "" || done[p.Dial] || !hasUnder(f, at) {
			continue
		}
		done[p.Dial] = true
		d := Dial{Key: p.Dial, Min: f.NumOr(at+".min", 0), Max: f.NumOr(at+".max", 0), Coarse: f.NumOr(at+".coarse", 0), Fine: f.NumOr(at+".fine", 0), Up: f.Str(at + ".up"), Unit: f.Str(at + ".unit")}
		switch d.Up {
		case p.Up:
			d.Sign = 1
		case p.Down:
			d.Sign = -1
		}
		if v, ok := f.Num(at + ".default"); ok {
			d.Default = At(v)
		}
		if hasUnder(f, at+".map") {
			m := &Map{Kind: MapKind(f.Str(at + ".map.kind")), Unit: f.Str(at + ".map.unit"), AtMin: f.NumOr(at+".map.at_min", 0), AtMax: f.NumOr(at+".map.at_max", 0)}
			pts := f.Nums(at + ".map.points")
			if len(pts)%2 == 1 {
				ps = append(ps, Problem{Key: at + ".map.points", What: fmt.Sprintf("the table has %d numbers, an odd count", len(pts)), Want: "pairs: dial, value, dial, value", Fix: "add the missing one"})
			}
			for i := 0; i+1 < len(pts); i += 2 {
				m.Points = append(m.Points, [2]float64{pts[i], pts[i+1]})
			}
			for _, k := range map[MapKind][]string{Linear: {"at_min", "at_max"}, Logarithmic: {"at_min", "at_max"}, Table: {"points"}}[m.Kind] {
				if _, ok := f[at+".map."+k]; !ok {
					ps = append(ps, Problem{Key: at + ".map." + k, What: "the key is missing", Want: "a " + k + " for a " + string(m.Kind) + " map", Fix: "add it"})
				}
			}
			d.Map = m
		}
		ps = append(ps, d.check(at, p)...)
		s.Dials[p.Dial] = d
	}
	serials := map[string]bool{}
	for i := 0; i < f.Len("unit"); i++ {
		at := fmt.Sprintf("unit[%d].", i)
		u := Unit{f.Str(at + "serial"), f.Str(at + "label"), f.Str(at + "firmware"), f.Str(at + "note")}
		if serials[u.Serial] {
			ps = append(ps, Problem{Key: at + "serial", What: "two units have the serial " + shown(u.Serial), Want: "one table for each unit", Fix: "remove one"})
		}
		serials[u.Serial] = true
		s.Units = append(s.Units, u)
	}
	for i := 0; i < f.Len("reference"); i++ {
		at := fmt.Sprintf("reference[%d].", i)
		r := Reference{PayloadKg: f.NumOr(at+"payload_kg", 0), Source: f.Str(at + "source"), Inertia: map[Axis]float64{}, Values: map[string]float64{}}
		for _, a := range Axes {
			if v, ok := f.Num(at + "inertia_kgm2." + a.String()); ok {
				r.Inertia[a] = v
			}
		}
		if r.PayloadKg > s.PayloadMax {
			ps = append(ps, Problem{Key: at + "payload_kg", What: "the reference payload " + Num(r.PayloadKg) + " kg is over the limit, " + Num(s.PayloadMax) + " kg", Want: "a payload this gimbal may carry", Fix: "correct one of them"})
		}
		for _, k := range f.Keys() {
			key, ok := cutPrefix(k, at)
			if !ok {
				continue
			}
			p, ok := c.Param(key)
			v, isNum := f.Num(k)
			if !ok || !isNum {
				continue
			}
			r.Values[key] = v
			if d, ok := s.Dials[p.Dial]; p.Dial != "" && ok && (v < d.Min || v > d.Max) {
				ps = append(ps, Problem{Key: k, What: "the value " + Num(v) + " is outside the dial", Want: Num(d.Min) + " to " + Num(d.Max), Fix: "correct it"})
			} else if p.Dial != "" && !ok {
				ps = append(ps, Problem{Key: k, What: "this sheet has no dial for " + p.Name, Want: "a [dial." + p.Dial + "] table", Fix: "add the dial or remove this value"})
			}
		}
		s.References = append(s.References, r)
	}
	for i := 0; i < f.Len("obstacle"); i++ {
		at := fmt.Sprintf("obstacle[%d].", i)
		s.Obstacles = append(s.Obstacles, Obstacle{f.Str(at + "name"), vec(f.Nums(at+"place_mm"), mm), f.NumOr(at+"radius_mm", 0) * mm})
	}
	return s, ps
}

func cutPrefix(s, p string) (string, bool) {
	if len(s) > len(p) && s[:len(p)] == p {
		return s[len(p):], true
	}
	return "", false
}
