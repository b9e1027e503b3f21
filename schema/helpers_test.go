package schema

import (
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"
)

// change sets one value in a tree by concrete path, or removes it for nil.
// Tables on the way are made; "part[1]" of a list of one is appended.
func change(t *testing.T, doc Tree, path string, v any) {
	t.Helper()
	m := doc
	ss := steps(path)
	raw := SplitPath(path)
	for i, s := range ss {
		last := i == len(ss)-1
		if !s.item {
			if last {
				if v == nil {
					delete(m, s.name)
				} else {
					m[s.name] = v
				}
				return
			}
			next, ok := m[s.name].(map[string]any)
			if !ok {
				next = Tree{}
				m[s.name] = next
			}
			m = next
			continue
		}
		var at int
		if _, err := fmt.Sscanf(strings.TrimPrefix(raw[i], s.name), "[%d]", &at); err != nil {
			t.Fatal(err)
		}
		l, _ := m[s.name].([]any)
		if old, ok := m[s.name].([]map[string]any); ok {
			for _, e := range old {
				l = append(l, e)
			}
		}
		for len(l) <= at {
			l = append(l, Tree{})
		}
		m[s.name] = l
		m = l[at].(map[string]any)
	}
}

// base is a valid document of a kind, with more in it than must be; each caller
// gets its own.
func base(t *testing.T, kind string) Tree {
	t.Helper()
	doc, ok := bases.Load(kind)
	if !ok {
		doc, _ = bases.LoadOrStore(kind, newBase(t, kind))
	}
	return clone(doc).(Tree)
}

var bases sync.Map

func clone(v any) any {
	switch x := v.(type) {
	case map[string]any:
		m := Tree{}
		for k, e := range x {
			m[k] = clone(e)
		}
		return m
	case []any:
		l := make([]any, len(x))
		for i, e := range x {
			l[i] = clone(e)
		}
		return l
	case []map[string]any:
		l := make([]map[string]any, len(x))
		for i, e := range x {
			l[i] = clone(e).(Tree)
		}
		return l
	}
	return v
}

func newBase(t *testing.T, kind string) Tree {
	t.Helper()
	doc := decode(t, Default().template(kind, false))
	more := map[string]map[string]any{
		KindTune: {
			"stiffness.pan": int64(41), "stiffness.roll": 38.5, "filters.sensing": int64(3), "limits.tilt.up_deg": int64(45),
			"horizon.offset_deg": -0.5, "follow.walk.deadband.pan": int64(6), "follow.walk.lag.tilt": int64(45),
			"proof.hold.at": time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC), "proof.hold.place": "hand", "proof.hold.onset.pan": int64(55),
		},
		KindBench: {
			"step[0].at": time.Date(2026, 3, 2, 9, 34, 0, 0, time.UTC), "step[0].axis": "pan", "step[0].value": int64(40), "step[0].saw": "clean",
			"result.pan.kept": int64(34),
		},
		KindBalance: {
			"mark[0].name": "plate", "mark[0].at": time.Date(2026, 3, 2, 9, 14, 0, 0, time.UTC), "mark[0].mm": int64(47),
			"effort[0].point": "tilt, lens level", "effort[0].at": time.Date(2026, 3, 2, 9, 20, 0, 0, time.UTC), "effort[0].axis": "tilt", "effort[0].pct": 1.5,
		},
		KindJob: {
			"pin[0].rig": "k7qd2m9x4c", "pin[0].tune": "main", "lens.widest_mm": int64(18), "lens.longest_mm": int64(85),
		},
		KindUnit: {
			"held[0].at": time.Date(2026, 3, 2, 11, 0, 0, 0, time.UTC), "held[0].values.stiffness.pan": int64(40), "held[0].values.follow.walk.lag.pan": int64(30),
		},
		KindRig: {
			"resonance[0].axis": "tilt", "resonance[0].hz": 22.0, "resonance[0].damping": 0.05, "resonance[0].share": 0.1,
		},
		KindGimbal: {
			"reference[0].payload_kg": 3.2, "reference[0].source": "bench",
			"reference[0].stiffness.pan": int64(30), "space.box_mm": []any{220.0, 210.0, 200.0}, "travel.tilt.up_deg": 90.0, "travel.tilt.down_deg": 120.0, "motor.pan.torque_nm": 2.2, "balance.good_pct": 1.0,
			"balance.workable_pct": 4.0, "dial.stiffness.pan.default": int64(20),
		},
	}
	for k, v := range more[kind] {
		change(t, doc, k, v)
	}
	if ps := Default().Validate(kind, doc, nil); len(ps) > 0 {
		t.Fatalf("the base document of %s has problems: %v", kind, ps)
	}
	return doc
}

// testSheet is a sheet with dials 0 to 100, coarse 5, fine 1, and travel 90 up, 120 down.
func testSheet(t *testing.T) *Sheet {
	t.Helper()
	s, ps := Default().Sheet("quay-large", base(t, KindGimbal))
	if s == nil {
		t.Fatal(ps)
	}
	return s
}

func one(t *testing.T, ps []Problem, key, what string) {
	t.Helper()
	for _, p := range ps {
		if p.Key == key && strings.Contains(p.Error(), what) {
			if p.Want == "" || p.Fix == "" {
				t.Errorf("no hint in: %v", p)
			}
			return
		}
	}
	t.Errorf("wanted a problem at %q with %q, got %v", key, what, ps)
}

var (
	nan = math.NaN()
	inf = math.Inf(1)
)
