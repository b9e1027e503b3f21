package loop

import (
	"math"
	"math/rand"
	"reflect"
	"testing"
)

func TestSession(t *testing.T) {
	step := func(d float64, osc bool, hz ...float64) Step {
		s := Step{Dial: d, Oscillates: osc}
		if len(hz) > 0 {
			s.Hz = hz[0]
		}
		return s
	}
	for _, c := range []struct {
		name  string
		steps []Step
		final float64
		want  Reading
	}{
		{"contradictory: 12 oscillates, 14 does not", []Step{step(10, false), step(12, true, 20), step(14, false)}, 0,
			Reading{Consistent: false, Contradicting: []float64{14}, Low: 10, High: 12, Hz: 20, Period: 0.05, Onset: math.Sqrt(120), HalfWidthPct: (math.Sqrt(1.2) - 1) * 100}},
		{"contradictory without a steady value below", []Step{step(14, false), step(12, true)}, 6,
			Reading{Consistent: false, Contradicting: []float64{14}, High: 12, GMHigh: 2}},
		{"only steady", []Step{step(5, false), step(9, false)}, 3,
			Reading{Consistent: true, Low: 9, GMLowBound: 3}},
		{"seen both ways at one value", []Step{step(8, false), step(10, false), step(10, true)}, 0,
			Reading{Consistent: true, Both: []float64{10}, Low: 8, High: 10, Onset: math.Sqrt(80), HalfWidthPct: (math.Sqrt(1.25) - 1) * 100}},
		{"coming down finds the same bracket", []Step{step(22, true, 13), step(20, true), step(18, false)}, 0,
			Reading{Consistent: true, Low: 18, High: 20, Onset: math.Sqrt(360), HalfWidthPct: (math.Sqrt(20.0/18) - 1) * 100}},
		{"oscillates from the first value", []Step{step(4, true, 9)}, 2,
			Reading{Consistent: true, High: 4, Hz: 9, Period: 1.0 / 9, GMHigh: 2}},
		{"steady at zero is no bracket", []Step{step(0, false), step(4, true)}, 0, Reading{Consistent: true, High: 4}},
	} {
		got, err := Session(c.steps, c.final)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		g, w := reflect.ValueOf(got), reflect.ValueOf(c.want)
		for i := range g.NumField() {
			name := g.Type().Field(i).Name
			if x, ok := g.Field(i).Interface().(float64); ok {
				if y := w.Field(i).Float(); !near(x, y, 1e-12) {
					t.Errorf("%s: %s is %v, want %v", c.name, name, x, y)
				}
			} else if !reflect.DeepEqual(g.Field(i).Interface(), w.Field(i).Interface()) {
				t.Errorf("%s: %s is %v, want %v", c.name, name, g.Field(i), w.Field(i))
			}
		}
	}
	for _, bad := range [][]Step{nil, {step(-1, false)}, {step(math.NaN(), true)}, {step(3, true, math.Inf(1))}} {
		if _, err := Session(bad, 0); err == nil {
			t.Errorf("%v without error", bad)
		}
	}
	if _, err := Session([]Step{step(1, false)}, -2); err == nil {
		t.Error("negative final value without error")
	}
}

// An honest session brackets the onset, whatever its order.
func TestSessionBracketsTheOnset(t *testing.T) {
	r := rand.New(rand.NewSource(41))
	for range 300 {
		onset := 5 + 80*r.Float64()
		var steps []Step
		for range 1 + r.Intn(12) {
			d := math.Round(100 * r.Float64())
			steps = append(steps, Step{Dial: d, Oscillates: d >= onset})
		}
		got, err := Session(steps, 0)
		if err != nil || !got.Consistent || got.Low >= onset || got.High > 0 && got.High < onset || got.Both != nil {
			t.Fatalf("onset %v, %v: %+v %v", onset, steps, got, err)
		}
	}
}

// Ziegler & Nichols as in Ogata, Modern Control Engineering, 5th ed., Example
// 8-1 (from memory): K 18, Ti 1.405, Td 0.35124. Tyreus & Luyben from memory:
// PI Ku/3.2 and 2.2 Tu, PID Ku/2.2, 2.2 Tu and Tu/6.3.
func TestTables(t *testing.T) {
	zn, err := ZieglerNichols(30, 2.8099)
	if err != nil || !near(zn.PID.K, 18, 1e-9) || !near(zn.PID.Ti, 1.405, 1e-4) || !near(zn.PID.Td, 0.35124, 1e-4) || zn.P.Ti != 0 {
		t.Errorf("%+v %v", zn, err)
	}
	tl, err := TyreusLuyben(32, 2)
	if err != nil || !near(tl.PI.K, 10, 1e-12) || !near(tl.PI.Ti, 4.4, 1e-12) || !near(tl.PID.Td, 2/6.3, 1e-12) || tl.PID.K <= tl.PI.K || tl.P.K != 0 {
		t.Errorf("%+v %v", tl, err)
	}
	for _, v := range [][2]float64{{0, 1}, {1, 0}, {math.NaN(), 1}, {1, math.Inf(1)}} {
		if _, err := ZieglerNichols(v[0], v[1]); err == nil {
			t.Errorf("%v without error", v)
		}
		if _, err := TyreusLuyben(v[0], v[1]); err == nil {
			t.Errorf("%v without error", v)
		}
	}
}
