package loop

import (
	"errors"
	"math"
	"reflect"
	"testing"

	"rigkeep/preset/domain"
)

// finite fails if any number inside v is NaN.
func noNaN(t *testing.T, what string, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		if math.IsNaN(v.Float()) {
			t.Fatalf("%s is NaN", what)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			noNaN(t, what+"."+v.Type().Field(i).Name, v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			noNaN(t, what+"[]", v.Index(i))
		}
	}
}

func typedError(t *testing.T, what string, err error) {
	t.Helper()
	var d *domain.Error
	if err != nil && !errors.As(err, &d) && !errors.Is(err, ErrUnresolved) {
		t.Fatalf("%s: untyped error %v", what, err)
	}
}

// FuzzLoop gives every entry any numbers at all: no panic, no NaN, no untyped
// error, and verdicts that agree with each other.
func FuzzLoop(f *testing.F) {
	add := func(l Loop) {
		f.Add(l.J, l.B, l.KG, l.K, l.D, l.Ki, l.Delay, l.Sensing.Cutoff, l.Drive.Cutoff, uint8(l.Sensing.Order), uint8(l.Drive.Order), l.Resonance.Freq, l.Resonance.Damping, l.Resonance.Share, l.Resonance.SensorBeyond)
	}
	add(typical)
	add(withResonance())
	add(Loop{J: 1, K: 1})
	add(Loop{J: 1e-9, B: 1e9, K: 1e9, D: 1e-9, Ki: 1e9, Delay: 1e9})
	add(Loop{J: 1, KG: 1, K: 1e-9})
	add(Loop{J: 1, KG: -1, K: 1})
	add(Loop{J: 0.01, K: 9, D: 0.018, Sensing: FirstOrder(0.002)})
	add(Loop{J: 1, K: 1, Delay: 1e-9, Resonance: Resonance{1e-9, 1e-6, 1 - 1e-6, true}})
	f.Fuzz(func(t *testing.T, j, b, kg, k, d, ki, delay, c1, c2 float64, o1, o2 uint8, rf, rz, rs float64, far bool) {
		l := Loop{J: j, B: b, KG: kg, K: k, D: d, Ki: ki, Delay: delay, Sensing: Filter{int(o1 % 4), c1}, Drive: Filter{int(o2 % 4), c2}, Resonance: Resonance{rf, rz, rs, far}}
		m, err := l.Margins()
		typedError(t, "margins", err)
		noNaN(t, "margins", reflect.ValueOf(m))
		if err == nil {
			s, err := l.Stability()
			if err != nil || s != m.Stability {
				t.Fatalf("%+v: margins say %+v, the count %+v %v", l, m.Stability, s, err)
			}
			if m.Stable && (m.GM <= 1 || m.Ms < 1 || m.GMLow >= 1 || m.DelayM < 0) {
				t.Fatalf("%+v: impossible margins %+v", l, m)
			}
		}
		for _, onset := range []func() (Onset, error){l.OnsetCommon, l.OnsetStiffness} {
			o, err := onset()
			typedError(t, "onset", err)
			noNaN(t, "onset", reflect.ValueOf(o))
			if o.Exists && (o.K <= o.From && o.Multiplier == 0 || o.Hz < 0) {
				t.Fatalf("%+v: onset %+v", l, o)
			}
		}
		s, err := l.LargestStiffness(Limits{GM: 2, PMDeg: 40, Ms: 2}, RaiseTogether)
		typedError(t, "start", err)
		noNaN(t, "start", reflect.ValueOf(s))
		if s.Feasible && (!(s.K > 0) || !math.IsInf(s.K, 1) && !s.Margins.Stable) {
			t.Fatalf("%+v: start %+v", l, s)
		}
		td, ku, err := l.DelayFromOnset(c1)
		typedError(t, "delay", err)
		noNaN(t, "delay", reflect.ValueOf([]float64{td, ku}))
		o := SimOptions{Duration: 1, Step: 1e-3, TorqueLimit: 1}
		if l.Validate() == nil {
			if _, steps, err := l.newSim(o); err == nil && steps > 20000 {
				return // allowed, but slow to try
			}
		}
		tr, err := l.Simulate(o)
		typedError(t, "simulate", err)
		noNaN(t, "trace", reflect.ValueOf(tr))
	})
}

// FuzzSession reads any steps.
func FuzzSession(f *testing.F) {
	f.Add(10.0, 12.0, 14.0, 20.0, 5.0, uint8(2))
	f.Fuzz(func(t *testing.T, a, b, c, hz, final float64, seen uint8) {
		steps := []Step{{a, seen&1 != 0, hz}, {b, seen&2 != 0, hz}, {c, seen&4 != 0, 0}}
		r, err := Session(steps, final)
		typedError(t, "session", err)
		noNaN(t, "session", reflect.ValueOf(r))
		if err == nil && r.High > 0 && r.Low >= r.High {
			t.Fatalf("%v: %+v", steps, r)
		}
	})
}
