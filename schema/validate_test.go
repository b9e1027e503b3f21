package schema

import (
	"reflect"
	"strings"
	"testing"
	"time"
)

// Each row changes one valid document in one place; the fault must be named by
// its key and its text.
func TestValidate(t *testing.T) {
	long := strings.Repeat("x", 5000)
	day := time.Date(2026, 3, 2, 0, 0, 0, 0, time.FixedZone("date-local", 3600))
	clock := time.Date(0, 1, 1, 9, 30, 0, 0, time.FixedZone("time-local", 3600))
	for _, c := range []struct {
		kind, path string
		v          any // nil removes
		key, what  string
	}{
		// head
		{KindTune, "format", nil, "format", "missing"},
		{KindTune, "format", "1", "format", "whole number"},
		{KindTune, "format", 1.5, "format", "whole number"},
		{KindTune, "format", int64(0), "format", "whole number"},
		{KindTune, "format", int64(2), "format", "newer"},
		{KindTune, "kind", nil, "kind", "missing"},
		{KindTune, "kind", "rig", "kind", `kind = "tune"`},
		{KindTune, "kind", int64(3), "kind", `kind = "tune"`},

		// unknown keys
		{KindTune, "stifness", Tree{"pan": int64(3)}, "stifness", "did you mean stiffness?"},
		{KindTune, "stiffness.pam", int64(3), "stiffness.pam", "did you mean stiffness.pan?"},
		{KindTune, "follow.walk.deadbnd.pan", int64(3), "follow.walk.deadbnd", "did you mean follow.walk.deadband?"},
		{KindTune, "up_deg", int64(3), "up_deg", "limits.tilt.up_deg"},
		{KindTune, "zzzzzzzz", int64(3), "zzzzzzzz", "put it in a comment or in note"},
		{KindTune, "stiffness.zzzzzzzz", int64(3), "stiffness.zzzzzzzz", "one of pan, tilt, roll"},
		{KindRig, "part[0].mas_kg", 1.0, "part[0].mas_kg", "did you mean part[0].mass_kg or"},
		{KindGimbal, "dial.stiffness.pan.mx", 1.0, "dial.stiffness.pan.mx", "did you mean dial.stiffness.pan.max"},
		{KindGimbal, "dial.stifness.pan.max", 1.0, "dial.stifness", "did you mean dial.stiffness?"},
		{KindGimbal, "max_kg", 1.0, "max_kg", "payload.max_kg"},
		{KindJob, "crew[0].nmae", "x", "crew[0].nmae", "did you mean crew[0].name?"},
		{KindLibrary, "unit.mass", "kg", "unit", "did you mean units?"},
		{KindBench, "step[0].sav", "clean", "step[0].sav", "did you mean step[0].saw"},
		// what looks like an index in quotes is just a name
		{KindRig, `"part[0]"`, Tree{"mass_kg": 1.0}, `"part[0]"`, "unknown table"},
		{KindTune, `"stiffness.pan"`, int64(3), `"stiffness.pan"`, "did you mean stiffness.pan?"},

		// types
		{KindTune, "stiffness.pan", "41", "stiffness.pan", "a number"},
		{KindTune, "stiffness.pan", true, "stiffness.pan", "a number"},
		{KindTune, "stiffness.pan", nan, "stiffness.pan", "a number"},
		{KindTune, "stiffness.pan", inf, "stiffness.pan", "a number"},
		{KindTune, "stiffness.pan", -inf, "stiffness.pan", "a number"},
		{KindTune, "stiffness.pan", Tree{"x": int64(1)}, "stiffness.pan", "a table"},
		{KindTune, "stiffness.pan", []any{int64(1)}, "stiffness.pan", "a list of 1"},
		{KindTune, "stiffness", int64(4), "stiffness", "a table with pan, tilt, roll"},
		{KindTune, "note", int64(4), "note", "text in quotes"},
		{KindTune, "note", long, "note", "5000 characters"},
		{KindTune, "proof.hold.at", "2026-03-02", "proof.hold.at", "a date and time"},
		{KindTune, "proof.hold.at", day, "proof.hold.at", "a date and time"},
		{KindTune, "proof.hold.at", clock, "proof.hold.at", "a date and time"},
		{KindTune, "proof.hold.cg_mm", []any{1.0, 2.0}, "proof.hold.cg_mm", "a list of 3 numbers"},
		{KindTune, "proof.hold.cg_mm", []any{1.0, nan, 2.0}, "proof.hold.cg_mm", "the list holds NaN"},
		{KindTune, "proof.hold.cg_mm", []any{1.0, 4000.0, 2.0}, "proof.hold.cg_mm", "4000 is out of range"},
		{KindTune, "rig", "K7QD2M9X4C", "rig", "fingerprint of ten"},
		{KindTune, "rig", "k7qd2m9x4l", "rig", "fingerprint of ten"}, // no l in the alphabet
		{KindTune, "rig", nil, "rig", "missing"},
		{KindRig, "was", []any{"k7qd2m9x4c", "old"}, "was", "a list, each item a fingerprint"},
		{KindRig, "was", "k7qd2m9x4c", "was", "a list, each item a fingerprint"},
		{KindJob, "from", time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), "from", "a date like"},
		{KindJob, "from", "2026-03-02", "from", "a date like"},
		{KindBench, "result.pan.doubt", "yes", "result.pan.doubt", "true or false"},
		{KindGimbal, "filter.sensing.order", 1.0, "filter.sensing.order", "a whole number"},
		{KindGimbal, "filter.sensing.order", int64(3), "filter.sensing.order", "1 to 2"},
		{KindRig, "part", "body", "part", "[[part]]"},
		{KindRig, "part", []any{"body"}, "part", `the list holds "body"`},
		{KindUnit, "held", Tree{"by": "x"}, "held", "[[held]]"},

		// ranges
		{KindTune, "limits.tilt.up_deg", 181.0, "limits.tilt.up_deg", "0 to 180 °"},
		{KindTune, "limits.tilt.up_deg", -1.0, "limits.tilt.up_deg", "0 to 180 °"},
		{KindTune, "horizon.offset_deg", 46.0, "horizon.offset_deg", "-45 to 45"},
		{KindTune, "proof.hold.effort_pct.pan", 101.0, "proof.hold.effort_pct.pan", "-100 to 100 %"},
		{KindRig, "part[0].mass_kg", 0.0, "part[0].mass_kg", "above 0"},
		{KindRig, "part[0].mass_kg", int64(-1), "part[0].mass_kg", "above 0"},
		{KindRig, "part[0].mass_kg", 1e6, "part[0].mass_kg", "up to 100 kg"},
		{KindRig, "part[0].turn_deg", []any{0.0, 0.0, 400.0}, "part[0].turn_deg", "400 is out of range"},
		{KindGimbal, "payload.max_kg", 0.0, "payload.max_kg", "above 0"},
		{KindGimbal, "bench.margin", 1.0, "bench.margin", "above 1"},
		{KindJob, "lens.squeeze", 0.5, "lens.squeeze", "1 to 3"},

		// words
		{KindRig, "part[0].shape", "boks", "part[0].shape", `did you mean "box"?`},
		{KindRig, "part[0].shape", "dodecahedron", "part[0].shape", "one of box, cylinder"},
		{KindTune, "proof.hold.place", "the hand", "proof.hold.place", "one of hand, stand"},
		{KindRig, "alias", "Two Words", "alias", "short name"},
		{KindRig, "alias", "", "alias", "empty"},
		{KindRig, "part[0].name", "  ", "part[0].name", "empty"},
		{KindRig, "alias", strings.Repeat("a", 65), "alias", "at most 64"},
		{KindJob, "state", "ajar", "state", "one of open, closed"},
		{KindGimbal, "bench.order", []any{"pan", "roll", "yaw"}, "bench.order", "a list of pan, tilt, roll"},
		{KindGimbal, "bench.order", []any{"pan", "roll"}, "bench.order", "a list of"},

		// style names
		{KindTune, `follow."Wide Shot".deadband.pan`, int64(3), `follow."Wide Shot"`, "style name"},
		{KindTune, "follow." + strings.Repeat("a", 41) + ".deadband.pan", int64(3), "follow." + strings.Repeat("a", 41), "style name"},
		{KindTune, "follow.walk", int64(3), "follow.walk", "a table with deadband, lag"},

		// required
		{KindLibrary, "name", nil, "name", "missing"},
		{KindGimbal, "name", nil, "name", "missing"},
		{KindGimbal, "payload", nil, "payload.max_kg", "missing"},
		{KindGimbal, "adjustment", []any{Tree{}}, "adjustment[0].rising", "missing"},
		{KindBalance, "rig", nil, "rig", "missing"},
		{KindBalance, "mark[0].name", nil, "mark[0].name", "missing"},
		{KindGimbal, "dial.stiffness.pan.min", nil, "dial.stiffness.pan.min", "missing"},
		{KindGimbal, "dial.stiffness.pan.up", nil, "dial.stiffness.pan.up", "one of stiffer, softer"},
		{KindUnit, "held[0].at", nil, "held[0].at", "missing"},
		{KindGimbal, "reference[0].source", nil, "reference[0].source", "missing"},
		{KindRig, "part", nil, "part", "no [[part]]"},
		{KindRig, "part", []any{}, "part", "no [[part]]"},
		{KindRig, "part[1]", nil, "part[1].name", "missing"},
		{KindRig, "resonance[0].share", nil, "resonance[0].share", "missing"},
		{KindBench, "began", nil, "began", "missing"},
		{KindBench, "step[0].saw", nil, "step[0].saw", "missing"},
		{KindJob, "from", nil, "from", "missing"},
		{KindJob, "pin[0].tune", nil, "pin[0].tune", "missing"},

		// rules that span keys
		{KindRig, "part[0].mass_kg", nil, "part[0].mass_kg", "mass_kg, mass_g, mass_lb or mass_oz"},
		{KindRig, "part[0].mass_g", 2350.0, "part[0].mass_g", "given twice"},
		{KindRig, "part[0].on", "body.top", "part[0].place_mm", "at a place and on the mount"},
		{KindRig, "part[0].shift_mm", []any{1.0, 0.0, 0.0}, "part[0].shift_mm", "at a place and shifted"},
		{KindRig, "part[0].mass_oz", 3.0, "part[0].mass_oz", "the mass is given twice"},
		{KindRig, "part[0].mount.Top.at_mm", []any{0.0, 0.0, 1.0}, "part[0].mount.Top", "mount name"},
		{KindRig, "part[0].mount.top.takes", []any{"lens"}, "part[0].mount.top.at_mm", "missing"},
		{KindRig, "part[0].place_in", []any{0.0, 0.0, 0.0}, "part[0].place_in", "given twice"},
		{KindRig, "part[0].size_mm", nil, "part[0].size_mm", "the size is missing"},
		{KindRig, "part[0].shape", "cylinder", "part[0].diameter_mm", "the diameter is missing"},
		{KindRig, "part[0].shape", "cylinder", "part[0].size_mm", "no size for a cylinder"},
		{KindRig, "part[0].shape", nil, "part[0].size_mm", "a shape that has one"},
		{KindRig, "part[0].diameter_mm", 20.0, "part[0].diameter_mm", "no diameter for a box"},
		{KindRig, "part[0].axis", "z", "part[0].axis", "only for a cylinder or tube"},
		{KindRig, "part[0].density_kg_m3", 1800.0, "part[0].density_kg_m3", "beside a shape"},
		{KindRig, "part[0].name", "a\x1b[31mb", "part[0].name", "control character"},
		{KindBench, "step[0].key", "stifness.pan", "step[0].key", "did you mean stiffness.pan"},
		{KindBench, "step[0].key", "rig", "step[0].key", "unknown parameter"},
		{KindBench, "ended", time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), "ended", "is before began"},
		{KindJob, "to", time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), "to", "is before from"},
		{KindJob, "lens.widest_mm", 100.0, "lens.widest_mm", "longer than the longest"},
		{KindJob, "pin[1]", Tree{"rig": "k7qd2m9x4c", "tune": "main"}, "pin[1].rig", "pinned twice"},
	} {
		doc := base(t, c.kind)
		if c.path == "part[1]" || c.path == "pin[1]" {
			m, _ := c.v.(Tree)
			first, _, _ := strings.Cut(c.path, "[")
			change(t, doc, c.path+".x", 1.0) // makes the element
			l := doc[first].([]any)
			l[1] = map[string]any{}
			if m != nil {
				l[1] = m
			}
		} else {
			change(t, doc, c.path, c.v)
		}
		ps := Default().Validate(c.kind, doc, nil)
		one(t, Errors(ps), c.key, c.what)
		if again := Default().Validate(c.kind, doc, nil); !reflect.DeepEqual(ps, again) {
			t.Errorf("%s at %s: two looks differ: %v, %v", c.kind, c.path, ps, again)
		}
	}
}

// What is allowed although it may look odd.
func TestValidateAccepts(t *testing.T) {
	for _, c := range []struct {
		kind, path string
		v          any
	}{
		{KindTune, "stiffness.pan", 41.0},
		{KindTune, "follow.walk", Tree{}},
		{KindTune, "follow", Tree{}},
		{KindTune, "stiffness", Tree{}},
		{KindTune, "proof.hold.at", time.Date(2026, 3, 2, 9, 30, 0, 0, time.FixedZone("datetime-local", 7200))},
		{KindTune, "proof.hold.cg_mm", []any{int64(1), 2.5, int64(-3)}},
		{KindTune, "follow.2nd-unit_x.deadband.pan", int64(3)},
		{KindJob, "from", time.Date(2026, 3, 2, 0, 0, 0, 0, time.FixedZone("date-local", -3600))},
		{KindJob, "to", time.Date(2026, 3, 2, 0, 0, 0, 0, time.FixedZone("date-local", -3600))},
		{KindJob, "pin[1]", Tree{"rig": "k7qd2m9x4c", "tune": "main", "unit": "Large B"}},
		{KindRig, "note", "two\nlines\tand a tab"},
		{KindUnit, "held", []any{}},
		{KindGimbal, "motor", Tree{}},
		{KindGimbal, "travel", Tree{}},
		{KindGimbal, "adjustment", []any{}},
		{KindBench, "step[0].key", "follow.walk.deadband.pan"},
	} {
		doc := base(t, c.kind)
		if c.path == "pin[1]" {
			change(t, doc, "pin[1].x", 1.0)
			doc["pin"].([]any)[1] = c.v
		} else {
			change(t, doc, c.path, c.v)
		}
		if ps := Default().Validate(c.kind, doc, nil); len(ps) > 0 {
			t.Errorf("%s, %s = %v: %v", c.kind, c.path, c.v, ps)
		}
	}
}

// Parts of every shape, and each shape without each of its sizes.
func TestShapes(t *testing.T) {
	sizes := map[string]any{"size_mm": []any{10.0, 20.0, 0.0}, "diameter_mm": 30.0, "bore_mm": 20.0, "length_mm": 40.0}
	need := map[string][]string{"box": {"size_mm"}, "cylinder": {"diameter_mm", "length_mm"}, "tube": {"diameter_mm", "bore_mm", "length_mm"}, "sphere": {"diameter_mm"}, "point": nil, "": nil}
	for shape, keys := range need {
		for leave := -1; leave < len(keys); leave++ {
			part := Tree{"slot": "body", "name": "x", "mass_g": 500.0, "place_in": []any{1.0, 0.0, 0.0}}
			if shape != "" {
				part["shape"] = shape
			}
			for i, k := range keys {
				if i != leave {
					part[k] = sizes[k]
				}
			}
			doc := base(t, KindRig)
			doc["part"] = []any{part}
			ps := Default().Validate(KindRig, doc, nil)
			if leave < 0 && len(ps) > 0 {
				t.Errorf("a whole %s: %v", shape, ps)
			}
			if leave >= 0 {
				one(t, ps, "part[0]."+keys[leave], "is missing")
			}
		}
	}
	for _, c := range []struct {
		key  string
		v    any
		what string
	}{
		{"bore_mm", 30.0, "not smaller"}, {"bore_mm", 31.0, "not smaller"},
	} {
		doc := base(t, KindRig)
		doc["part"] = []any{Tree{"slot": "lens", "name": "x", "shape": "tube", "mass_kg": 1.0, "place_mm": []any{0.0, 0.0, 0.0}, "diameter_mm": 30.0, "bore_mm": 20.0, "length_mm": 40.0, c.key: c.v}}
		one(t, Default().Validate(KindRig, doc, nil), "part[0]."+c.key, c.what)
	}
	doc := base(t, KindRig)
	doc["part"] = []any{Tree{"slot": "lens", "name": "x", "shape": "tube", "mass_kg": 1.0, "place_mm": []any{0.0, 0.0, 0.0}, "diameter_mm": 30.0, "bore_in": 1.0, "length_mm": 40.0}}
	one(t, Default().Validate(KindRig, doc, nil), "part[0].bore_in", "different units")
	var many []any
	for range 201 {
		many = append(many, Tree{"slot": "body", "name": "x", "shape": "point", "mass_kg": 0.1, "place_mm": []any{0.0, 0.0, 0.0}})
	}
	doc["part"] = many
	one(t, Default().Validate(KindRig, doc, nil), "part", "at most 200")
}

// A sheet adds the dials to the check of tunes, proofs, bench logs and single values.
func TestValidateOnDials(t *testing.T) {
	s := testSheet(t)
	for _, c := range []struct {
		kind, path string
		v          any
		key, what  string
		warning    bool
	}{
		{KindTune, "stiffness.pan", int64(101), "stiffness.pan", "0 to 100 on gimbal quay-large", false},
		{KindTune, "stiffness.pan", -0.5, "stiffness.pan", "outside the dial", false},
		{KindTune, "stiffness.pan", 41.5, "stiffness.pan", "use 41", true},
		{KindTune, "filters.drive", 2.25, "filters.drive", "steps of 1 from 0", true},
		{KindTune, "follow.walk.deadband.pan", int64(400), "follow.walk.deadband.pan", "outside the dial", false},
		{KindTune, "limits.tilt.up_deg", 90.5, "limits.tilt.up_deg", "at most 90°", false},
		{KindTune, "limits.tilt.down_deg", 120.5, "limits.tilt.down_deg", "at most 120°", false},
		{KindTune, "proof.hold.onset.pan", int64(101), "proof.hold.onset.pan", "outside the dial", false},
		{KindBench, "step[0].value", int64(101), "step[0].value", "outside the dial", false},
		{KindBench, "result.pan.kept", int64(101), "result.pan.kept", "outside the dial", false},
	} {
		doc := base(t, c.kind)
		change(t, doc, c.path, c.v)
		if ps := Default().Validate(c.kind, doc, nil); len(ps) > 0 {
			t.Errorf("without a sheet: %v", ps)
		}
		ps := Default().Validate(c.kind, doc, s)
		one(t, ps, c.key, c.what)
		if len(Errors(ps)) > 0 == c.warning {
			t.Errorf("%s: warning should be %v: %v", c.path, c.warning, ps)
		}
		if c.kind == KindTune && !strings.HasPrefix(c.path, "proof") {
			one(t, Default().CheckValue(c.path, c.v, s), c.key, c.what)
		}
	}
	delete(s.Dials, "filters.drive")
	doc := base(t, KindTune)
	change(t, doc, "filters.drive", int64(2))
	change(t, doc, "filters.drive", int64(20000))
	if ps := Errors(Default().Validate(KindTune, doc, s)); len(ps) > 0 {
		t.Error("without a dial a tune keeps its numbers without a range:", ps)
	}
	// a step on a parameter other than the axis's stiffness is checked on that dial
	s.Dials["filters.sensing"] = Dial{Key: "filters.sensing", Min: 0, Max: 10, Coarse: 1, Fine: 1, Sign: 1}
	doc = base(t, KindBench)
	change(t, doc, "step[0].key", "filters.sensing")
	one(t, Default().Validate(KindBench, doc, s), "step[0].value", "0 to 10")
}

func TestCheckValue(t *testing.T) {
	for _, c := range []struct {
		key  string
		v    any
		what string // "" for right
	}{
		{"stiffness.pan", int64(41), ""},
		{"follow.walk.deadband.pan", 6.0, ""},
		{"note", "text", ""},
		{"stiffness.pan", "41", "a number"},
		{"stiffness.pan", nan, "a number"},
		{"stiffness.pn", int64(4), "did you mean stiffness.pan?"},
		{"stiffness", int64(4), "this is a table"},
		{"stiffness.pan.x", int64(4), "unknown key"},
		{"", int64(4), "this is a table"},
		{"follow.BIG.deadband.pan", int64(4), "style name"},
		{"follow[0].deadband.pan", int64(4), "unknown key"},
		{"limits.tilt.up_deg", 200.0, "0 to 180"},
		{"....", int64(4), "unknown key"},
		{`"unfinished`, int64(4), "unknown key"},
	} {
		ps := Default().CheckValue(c.key, c.v, nil)
		if c.what == "" && len(ps) > 0 || c.what != "" && (len(ps) != 1 || !strings.Contains(ps[0].Error(), c.what)) {
			t.Errorf("%s = %v: want %q, got %v", c.key, c.v, c.what, ps)
		}
	}
}

func TestValidateUnknownKind(t *testing.T) {
	one(t, Default().Validate("recipe", Tree{"format": int64(1), "kind": "recipe"}, nil), "kind", "unknown file kind")
	if _, ok := Default().Kind("recipe"); ok {
		t.Error("a kind that is none")
	}
	if Default().KnownKeys("recipe") != nil {
		t.Error("keys of a kind that is none")
	}
}

// A hostile file cannot make us say or compute without end.
func TestValidateIsBounded(t *testing.T) {
	doc := base(t, KindTune)
	for i := range 50000 {
		doc["key-"+strings.Repeat("z", i%30)+Num(float64(i))] = int64(i)
	}
	ps := Default().Validate(KindTune, doc, nil)
	if len(ps) != maxProblems+1 || !strings.Contains(ps[maxProblems].What, "49900 more") {
		t.Errorf("%d problems, last %v", len(ps), ps[len(ps)-1])
	}
	deep := Tree{}
	at := deep
	for range 100000 {
		next := Tree{}
		at["a"] = next
		at = next
	}
	at["a"] = int64(1)
	doc = base(t, KindRig)
	doc["deep"] = deep
	one(t, Default().Validate(KindRig, doc, nil), "deep", "unknown table")
	if n := len(Flatten(doc)); n > 50 {
		t.Errorf("%d leaves", n)
	}
}
