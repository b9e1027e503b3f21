package schema

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// mapped is the base sheet with maps: linear on the stiffness of pan,
// logarithmic on the sensing filter (in Hz, larger lighter), a table on the
// lag of pan.
func mapped(t *testing.T) Tree {
	t.Helper()
	doc := base(t, KindGimbal)
	for k, v := range map[string]any{
		"dial.stiffness.pan.map":   Tree{"kind": "linear", "unit": "Nm/rad", "at_min": 0.5, "at_max": int64(60)},
		"dial.filters.sensing.up":  "lighter",
		"dial.filters.sensing.map": Tree{"kind": "logarithmic", "unit": "Hz", "at_min": 20.0, "at_max": 200.0},
		"dial.follow.lag.pan.map":  Tree{"kind": "table", "unit": "s", "points": []any{int64(0), 0.0, int64(50), 0.5, int64(100), 3.0}},
	} {
		change(t, doc, k, v)
	}
	return doc
}

// Each impossible sheet is refused with its key.
func TestImpossibleSheets(t *testing.T) {
	const (
		pan    = "dial.stiffness.pan"
		sense  = "dial.filters.sensing"
		smooth = "dial.follow.lag.pan"
	)
	if ps := Default().Validate(KindGimbal, mapped(t), nil); len(ps) > 0 {
		t.Fatal(ps)
	}
	for _, c := range []struct {
		path      string
		v         any
		key, what string
	}{
		// range and steps
		{pan + ".max", int64(0), pan + ".min", "inverted or empty"},
		{pan + ".max", int64(-100), pan + ".min", "inverted or empty"},
		{pan + ".coarse", int64(101), pan + ".coarse", "larger than the range 0 to 100"},
		{pan + ".fine", int64(101), pan + ".fine", "larger than the range 0 to 100"},
		{pan + ".fine", int64(6), pan + ".fine", "larger than the coarse step 5"},
		{pan + ".fine", int64(0), pan + ".fine", "above 0"},
		{pan + ".fine", 1e-9, pan + ".fine", "more than a million steps"},
		{pan + ".coarse", int64(-1), pan + ".coarse", "above 0"},
		{pan + ".min", 1e300, pan + ".min", "out of range"},
		{pan + ".default", int64(101), pan + ".default", "outside the dial"},
		{pan + ".up", "harder", pan + ".up", "one of stiffer, softer"},
		{pan + ".up", nil, pan + ".up", "missing"},
		{pan + ".min", nil, pan + ".min", "missing"},
		// map: its keys
		{pan + ".map.kind", nil, pan + ".map.kind", "missing"},
		{pan + ".map.kind", "cubic", pan + ".map.kind", "one of linear, logarithmic, table"},
		{pan + ".map.unit", nil, pan + ".map.unit", "missing"},
		{pan + ".map.unit", "N/mm", pan + ".map.unit", `"Nm/rad"`},
		{sense + ".map.unit", "kHz", sense + ".map.unit", "one of Hz, s"},
		{pan + ".map.at_min", nil, pan + ".map.at_min", "at_min for a linear map"},
		{pan + ".map.at_max", nil, pan + ".map.at_max", "at_max for a linear map"},
		{smooth + ".map.points", nil, smooth + ".map.points", "points for a table map"},
		{pan + ".map.points", []any{0.0, 1.0}, pan + ".map.points", "a linear map has no points"},
		{smooth + ".map.at_min", 1.0, smooth + ".map.at_min", "a table map has no at_min"},
		{pan + ".map", Tree{}, pan + ".map.kind", "missing"},
		// map: its values
		{pan + ".map.at_max", 0.5, pan + ".map.at_max", "flat"},
		{pan + ".map.at_min", -1.0, pan + ".map.at_min", "0 or more"},
		{pan + ".map.at_min", nan, pan + ".map.at_min", "NaN"},
		{sense + ".map.at_min", 0.0, sense + ".map.at_min", "cannot reach zero"},
		{sense + ".map.at_max", 0.0, sense + ".map.at_max", "cannot reach zero"},
		{smooth + ".map.points", []any{}, smooth + ".map.points", "no points"},
		{smooth + ".map.points", []any{0.0, 0.0}, smooth + ".map.points", "1 point;"},
		{smooth + ".map.points", []any{0.0, 0.0, 100.0}, smooth + ".map.points", "odd count"},
		{smooth + ".map.points", []any{0.0, 0.0, 90.0, 3.0}, smooth + ".map.points", "from dial 0 to 90"},
		{smooth + ".map.points", []any{10.0, 0.0, 100.0, 3.0}, smooth + ".map.points", "from dial 10 to 100"},
		{smooth + ".map.points", []any{100.0, 3.0, 0.0, 0.0}, smooth + ".map.points", "from dial 100 to 0"},
		{smooth + ".map.points", []any{0.0, 0.0, 50.0, 2.0, 100.0, 1.0}, smooth + ".map.points", "between dial 50 and 100"},
		{smooth + ".map.points", []any{0.0, 0.0, 50.0, 0.0, 100.0, 1.0}, smooth + ".map.points", "between dial 0 and 50"},
		{smooth + ".map.points", []any{0.0, 0.0, 50.0, 1.0, 100.0, 1.0}, smooth + ".map.points", "flat between dial 50 and 100"},
		{smooth + ".map.points", []any{0.0, 0.0, 60.0, 1.0, 50.0, 2.0, 100.0, 3.0}, smooth + ".map.points", "between dial 60 and 50"},
		{smooth + ".map.points", []any{0.0, 0.0, 50.0, 1.0, 50.0, 2.0, 100.0, 3.0}, smooth + ".map.points", "between dial 50 and 50"},
		{smooth + ".map.points", []any{0.0, -1.0, 100.0, 3.0}, smooth + ".map.points", "negative value at dial 0"},
		// map against up
		{pan + ".up", "softer", pan + ".map", "a larger number is stiffer, up says softer"},
		{sense + ".up", "heavier", sense + ".map", "a larger number is lighter, up says heavier"},
		{smooth + ".up", "shorter", smooth + ".map", "a larger number is longer, up says shorter"},
		{sense + ".map.unit", "s", sense + ".map", "a larger number is heavier, up says lighter"},
		// the rest of the sheet
		{"payload.min_kg", 6.0, "payload.min_kg", "not below the largest"},
		{"balance.good_pct", 5.0, "balance.good_pct", "above workable"},
		{"bench.order", []any{"pan", "roll", "pan"}, "bench.order", `"pan" twice`},
		{"reference[0].payload_kg", 6.1, "reference[0].payload_kg", "outside what this gimbal carries"},
		{"reference[0].stiffness.pan", int64(120), "reference[0].stiffness.pan", "outside the dial"},
		{"reference[0].stiffness.pan", "40", "reference[0].stiffness.pan", "a number"},
		{"reference[0].limits.tilt.up_deg", 95.0, "reference[0].limits.tilt.up_deg", "beyond the travel"},
		{"reference[0].follow.BIG.deadband.pan", 5.0, "reference[0].follow.BIG", "style name"},
		{"reference[0].stifness.pan", 5.0, "reference[0].stifness", "did you mean reference[0].stiffness?"},
		{"dial.filters.drive", nil, "", ""}, // no dial is allowed...
	} {
		doc := mapped(t)
		change(t, doc, c.path, c.v)
		s, ps := Default().Sheet("x", doc)
		if c.what == "" {
			if s == nil {
				t.Errorf("%s = %v: %v", c.path, c.v, ps)
			}
			continue
		}
		if s != nil {
			t.Errorf("%s = %v gave a sheet", c.path, c.v)
		}
		one(t, Errors(ps), c.key, c.what)
	}
	// ...and a reference may still name it
	doc := mapped(t)
	change(t, doc, "reference[0].filters.drive", int64(2))
	change(t, doc, "dial.filters.drive", nil)
	if _, ps := Default().Sheet("x", doc); len(Errors(ps)) > 0 {
		t.Error("without a dial a reference is a number without a range:", ps)
	}
}

// What is odd in a sheet but can be used is a warning.
func TestOddSheets(t *testing.T) {
	for _, c := range []struct {
		path      string
		v         any
		key, what string
	}{
		{"dial.stiffness.pan.default", 20.5, "dial.stiffness.pan.default", "between two steps"},
		{"dial.stiffness.pan.fine", int64(3), "dial.stiffness.pan.fine", "do not end at 100"},
		{"dial.stiffness.pan.coarse", 2.5, "dial.stiffness.pan.coarse", "not a whole number of fine steps"},
		{"loop.tilt.damping_nms_rad", 0.4, "loop.tilt.damping_nms_rad", "not used"},
		{"loop.raise", "stiffness", "loop.pan.damping_s", "stiffness alone"},
		{"reference[0].stiffness.pan", 30.5, "reference[0].stiffness.pan", "between two steps"},
	} {
		doc := mapped(t)
		if c.path == "loop.raise" {
			change(t, doc, c.key, 0.05)
		}
		change(t, doc, c.path, c.v)
		s, ps := Default().Sheet("x", doc)
		if s == nil || len(Errors(ps)) > 0 {
			t.Errorf("%s = %v: %v", c.path, c.v, ps)
		}
		one(t, ps, c.key, c.what)
	}
}

func TestSheetValues(t *testing.T) {
	doc := mapped(t)
	for k, v := range map[string]any{
		"space.pan_radius_mm": int64(250), "loop.delay_s": 0.003, "loop.raise": "stiffness", "loop.tilt.damping_nms_rad": 0.4,
		"adjustment[0].name": "plate", "adjustment[0].stage": "tilt", "adjustment[0].moves": "x", "adjustment[0].rising": "forward", "adjustment[0].range_mm": []any{int64(0), int64(120)}, "adjustment[0].zero_mm": 40.0, "adjustment[0].own_mass_kg": 0.3,
		"adjustment[1].name": "Arm", "adjustment[1].stage": "pan", "adjustment[1].moves": "x", "adjustment[1].rising": "back",
		"obstacle[0].name": "foot", "obstacle[0].place_mm": []any{10.0, 20.0, -30.0}, "obstacle[0].radius_mm": 5.0,
		"reference[0].inertia_kgm2.tilt": 0.02, "bench.order": []any{"tilt", "pan", "roll"},
	} {
		change(t, doc, k, v)
	}
	s, ps := Default().Sheet("quay-large", doc)
	if s == nil {
		t.Fatal(ps)
	}
	if s.Slug != "quay-large" || s.PayloadMax != 6 || *s.TiltUpDeg != 90 || !s.DelayKnown || s.PanRadius != 0.25 || s.Delay != 0.003 || s.RaiseTogether ||
		s.Axes[Tilt].Damping != 0.4 || s.Axes[Pan].Torque != 2.2 || s.Model != "first-order" || s.SensingOrder != 1 {
		t.Errorf("%+v", s)
	}
	if len(s.Adjustments) != 2 {
		t.Fatalf("adjustments %+v", s.Adjustments)
	}
	a, b := s.Adjustments[0], s.Adjustments[1]
	if a.Stage != Tilt || a.Moves != 0 || a.Direction != 1 || *a.Range != [2]float64{0, 0.12} || *a.Zero != 0.04 || *a.OwnMass != 0.3 || a.OwnMoment != nil || a.Outer || a.Rising() != "forward" || a.Falling() != "back" {
		t.Errorf("plate %+v", a)
	}
	if b.Stage != Pan || b.Direction != -1 || !b.Outer || b.After != 0 || b.Range != nil {
		t.Errorf("arm %+v", b)
	}
	if x, ok := s.Adjustment("arm"); !ok || x.Name != "Arm" {
		t.Errorf("found %+v %v", x, ok)
	}
	if a.Fault(0.1201) == nil || a.Fault(0.12) != nil || b.Fault(9) != nil {
		t.Error("marks off the scale")
	}
	if *s.Box != [3]float64{0.22, 0.21, 0.2} {
		t.Errorf("box %v", *s.Box)
	}
	if len(s.Obstacles) != 1 || s.Obstacles[0] != (Obstacle{"foot", [3]float64{0.01, 0.02, -0.03}, 0.005}) {
		t.Errorf("obstacles %v", s.Obstacles)
	}
	if !reflect.DeepEqual(s.BenchOrder, []Axis{Tilt, Pan, Roll}) {
		t.Errorf("order %v", s.BenchOrder)
	}
	want := Reference{3.2, "bench", map[Axis]float64{Tilt: 0.02}, map[string]float64{"stiffness.pan": 30}}
	if !reflect.DeepEqual(s.References, []Reference{want}) {
		t.Errorf("references %v", s.References)
	}
	s.Units = []Unit{{Serial: "QL-1", Label: "Large A", Was: []string{"QL-9"}}}
	for _, name := range []string{"QL-1", "ql-1", "large a", "QL-9"} {
		if u, ok := s.Unit(name); !ok || u.Serial != "QL-1" {
			t.Errorf("unit %s: %v %v", name, u, ok)
		}
	}
	if !s.SameUnit("Large A", "ql-9") || s.SameUnit("QL-1", "QL-2") {
		t.Error("units are told apart by their names")
	}
	if _, ok := s.Unit(""); ok {
		t.Error("a unit without a name")
	}
	d, ok := s.DialOf(Default(), "follow.walk.deadband.pan")
	if !ok || d.Key != "follow.deadband.pan" {
		t.Errorf("dial %v %v", d, ok)
	}
	if _, ok := s.DialOf(Default(), "limits.tilt.up_deg"); ok {
		t.Error("a dial for a limit in degrees")
	}
	if got := strings.Join(s.DialKeys(), " "); !strings.HasPrefix(got, "filters.drive filters.sensing follow.") {
		t.Error(got)
	}
	// a sheet that says nothing more gets the defaults
	s, _ = Default().Sheet("bare", decode(t, Default().template(KindGimbal, false)))
	if s.DelayKnown || !s.RaiseTogether || s.BenchMargin != DefaultBenchMargin || s.WorkablePct != DefaultWorkablePct ||
		s.GoodPct != DefaultGoodPct || !reflect.DeepEqual(s.BenchOrder, WorkOrder) || s.Box != nil {
		t.Errorf("%+v", s)
	}
}

// A measured map is the line through its points, never below zero, and says where it
// goes beyond them.
func TestMeasuredMap(t *testing.T) {
	d := Dial{Key: "stiffness.tilt", Min: 0, Max: 100, Coarse: 5, Fine: 1, Sign: 1,
		Map: &Map{Kind: Measured, Unit: "Nm/rad", Points: [][2]float64{{15, 3.4}, {30, 6.6}, {45, 10.9}, {60, 14.1}}, Sigmas: []float64{1, 0.5, 0.5, 1}}}
	// check g4o13 of the shared set: weights 1, 4, 4, 1
	for _, c := range []struct{ dial, want float64 }{{38, 8.876410256}, {80, 19.49487179}, {0, 0}, {2, 0}} {
		if got, err := d.ToSI(c.dial); err != nil || math.Abs(got-c.want) > 1e-8 {
			t.Errorf("dial %v: %v, %v, want %v", c.dial, got, err, c.want)
		}
	}
	if v, err := d.FromSI(9); err != nil || math.Abs(v-38.48884381) > 1e-7 {
		t.Errorf("dial for 9: %v, %v", v, err)
	}
	if _, err := d.FromSI(-1); err == nil {
		t.Error("a negative stiffness has a dial number")
	}
	for v, want := range map[float64]bool{14: true, 15: false, 60: false, 61: true} {
		if d.Extrapolated(v) != want {
			t.Errorf("%v: extrapolated %v", v, !want)
		}
	}
	p, _ := Default().Param("stiffness.tilt")
	if ps := d.checkMap("map", p); len(ps) > 0 {
		t.Errorf("%v", ps)
	}
	for name, change := range map[string]func(*Map){
		"one point":     func(m *Map) { m.Points, m.Sigmas = m.Points[:1], m.Sigmas[:1] },
		"sigmas":        func(m *Map) { m.Sigmas = m.Sigmas[:2] },
		"order":         func(m *Map) { m.Points[0][0] = 50 },
		"negative":      func(m *Map) { m.Points[0][1] = -1 },
		"wrong way":     func(m *Map) { m.Points[0][1], m.Points[3][1] = 30, 1 },
		"off the dial":  func(m *Map) { m.Points[3][0] = 200 },
		"no uncertain":  func(m *Map) { m.Sigmas[0] = 0 },
		"flat":          func(m *Map) { m.Points = [][2]float64{{10, 3}, {20, 3}}; m.Sigmas = nil },
		"wrong unit":    func(m *Map) { m.Unit = "s" },
		"no such point": func(m *Map) { m.Points = nil; m.Sigmas = nil },
	} {
		m := *d.Map
		m.Points, m.Sigmas = slices.Clone(m.Points), slices.Clone(m.Sigmas)
		change(&m)
		x := d
		x.Map = &m
		if ps := x.checkMap("map", p); len(ps) == 0 {
			t.Errorf("%s is taken", name)
		}
	}
}
