package identify

import (
	"fmt"
	"math"
	"math/rand"
	"strings"
	"testing"

	"rigkeep/preset/internal/modeltest"
	"rigkeep/preset/loop"
	"rigkeep/schema"
)

// axis is a loop as a sheet might have it.
func axis(j float64) loop.Loop {
	return loop.Loop{J: j, B: 0.005, K: 20, D: 20 * 0.05, Sensing: loop.LowPassHz(1, 100), Drive: loop.LowPassHz(1, 70), Delay: 0.003}
}

// seen is what a session sees of a loop whose true delay and dial scale differ from
// the sheet's, with a bracket of the given ratio.
func seen(t *testing.T, j, delay, scale, bracket float64, how loop.Raise) OnsetObservation {
	t.Helper()
	sheet := axis(j)
	if how == loop.RaiseStiffness {
		sheet.D = 60 * j // damping that is held has to suit the inertia
	}
	l := sheet
	l.Delay = delay
	on, err := l.OnsetCommon()
	if how == loop.RaiseStiffness {
		on, err = l.OnsetStiffness()
	}
	if err != nil || !on.Exists {
		t.Fatal(on, err)
	}
	return OnsetObservation{Ref: "s", Unit: "U1", Axis: schema.Tilt, Clean: on.K / scale / math.Sqrt(bracket), Onset: on.K / scale * math.Sqrt(bracket), J: j, Hz: on.Hz, Loop: &sheet, Raise: how}
}

// With many good sights the true delay and scale come out, whichever the dial raises.
func TestManySightsFindDelayAndScale(t *testing.T) {
	o := DefaultOptions()
	o.HzSD, o.SessionSD, o.JSD, o.Common = 0.005, 0.01, 0.01, 0.01
	for _, how := range []loop.Raise{loop.RaiseTogether, loop.RaiseStiffness} {
		for _, c := range []struct{ delay, scale float64 }{{0.003, 1}, {0.0045, 0.8}, {0.002, 1.3}} {
			var s []OnsetObservation
			for i := range 12 {
				s = append(s, seen(t, 0.004+0.0008*float64(i), c.delay, c.scale, 1.02, how))
			}
			r, err := Units(s, o)
			if err != nil {
				t.Fatal(err)
			}
			u := r.Units[0]
			if len(u.Refused) > 0 || u.Delay == nil || u.Axes[0].Scale == nil {
				t.Fatalf("%+v", u)
			}
			modeltest.Near(t, "delay", u.Delay.Best, c.delay, 0.02, 0)
			modeltest.Near(t, "scale", u.Axes[0].Scale.Best, c.scale, 0.02, 0)
			if e := *u.Axes[0].Scale; !(e.Lo < c.scale && c.scale < e.Hi) || e.N != 12 {
				t.Errorf("%+v does not hold %v", e, c.scale)
			}
			modeltest.Near(t, "offset of the only unit", u.Axes[0].Offset.Best, 1, 1e-12, 0)
		}
	}
}

// Without a frequency there is no word on the delay, and the scale rests on the
// sheet's; without maps there is neither.
func TestWhatIsNotKnownIsNotSaid(t *testing.T) {
	s := seen(t, 0.005, 0.003, 0.8, 1.05, loop.RaiseTogether)
	s.Hz = 0
	r, err := Units([]OnsetObservation{s}, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if u := r.Units[0]; u.Delay != nil || u.Axes[0].Scale == nil || u.Axes[0].Scale.Best <= 0.8 || u.Axes[0].Scale.Best >= 1 {
		t.Errorf("%+v: the scale should be drawn towards 1", u)
	}
	s.Loop = nil
	if r, _ = Units([]OnsetObservation{s}, DefaultOptions()); r.Units[0].Axes[0].Scale != nil {
		t.Error("a scale without a model")
	}
	s.Unit = ""
	if r, _ = Units([]OnsetObservation{s}, DefaultOptions()); len(r.Units) != 0 {
		t.Error("facts about nobody")
	}
	if r, err = Units(nil, DefaultOptions()); err != nil || len(r.Units) != 0 {
		t.Error(r, err)
	}
	if r.Ratio(schema.Pan, "a", "b") != 1 {
		t.Error("a ratio of units that nobody knows")
	}
}

// A frequency that the model's filters alone lag too much for is refused by name.
func TestSightThatTheModelCannotExplain(t *testing.T) {
	s := seen(t, 0.005, 0.003, 1, 1.05, loop.RaiseTogether)
	s.Hz = 400
	r, err := Units([]OnsetObservation{s}, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if u := r.Units[0]; u.Delay != nil || len(u.Refused) != 1 || !strings.Contains(u.Refused[0], "s, tilt: no delay") {
		t.Errorf("%+v", u)
	}
}

// Two units whose dials differ are told apart without any model, each believed less
// than its own sights say.
func TestUnitsAreToldApart(t *testing.T) {
	var s []OnsetObservation
	for i := range 4 {
		j := 0.01 * float64(i+1)
		s = append(s, OnsetObservation{Ref: "a", Unit: "A", Axis: schema.Pan, Clean: 990 * j, Onset: 1010 * j, J: j},
			OnsetObservation{Ref: "b", Unit: "B", Axis: schema.Pan, Clean: 1188 * j, Onset: 1212 * j, J: j})
	}
	r, err := Units(s, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	got := r.Ratio(schema.Pan, "A", "B")
	if got <= 1.1 || got >= 1.2 {
		t.Errorf("ratio %v, want below the 1.2 seen and not far", got)
	}
	modeltest.Near(t, "there and back", got*r.Ratio(schema.Pan, "B", "A"), 1, 1e-12, 0)
	if r.Ratio(schema.Tilt, "A", "B") != 1 || r.Ratio(schema.Pan, "A", "A") != 1 || r.Ratio(schema.Pan, "A", "") != 1 {
		t.Error("a ratio from nothing")
	}
	if c := r.Ratio(schema.Pan, "A", "C"); c <= 1 || c >= got {
		t.Errorf("a unit that nobody knows counts as the model does: ratio %v", c)
	}
	one, _ := Units(append([]OnsetObservation{s[0]}, s[1]), DefaultOptions())
	if one.Ratio(schema.Pan, "A", "B") >= got {
		t.Error("one session each should be believed less than four")
	}
	doubt := append([]OnsetObservation(nil), s...)
	for i := range doubt {
		doubt[i].Doubt = true
	}
	if d, _ := Units(doubt, DefaultOptions()); d.Ratio(schema.Pan, "A", "B") >= got {
		t.Error("doubtful sessions should be believed less")
	}
}

// On units drawn from the prior the intervals hold what they should.
func TestOffsetsCover(t *testing.T) {
	o := DefaultOptions()
	in, n := 0, 0
	for seed := range int64(300) {
		rng := rand.New(rand.NewSource(seed))
		var s []OnsetObservation
		truth := map[string]float64{}
		for i := range 4 {
			name := fmt.Sprint(i)
			truth[name] = o.UnitSD * rng.NormFloat64()
			for range 1 + rng.Intn(3) {
				j := 0.01 * math.Exp(rng.NormFloat64())
				y := 5 + truth[name] + math.Log(j) + math.Hypot(o.SessionSD, o.JSD)*rng.NormFloat64()
				s = append(s, OnsetObservation{Ref: "x", Unit: name, Axis: schema.Roll, Clean: math.Exp(y - 0.01), Onset: math.Exp(y + 0.01), J: j})
			}
		}
		r, err := Units(s, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, u := range r.Units {
			n++
			if e := u.Axes[0].Offset; math.Log(e.Lo) <= truth[u.Unit] && truth[u.Unit] <= math.Log(e.Hi) {
				in++
			}
		}
	}
	if c := float64(in) / float64(n); c < 0.87 || c > 0.93 {
		t.Errorf("intervals of 90 %% hold %.1f %%", 100*c)
	}
}

func TestBadSightsAndOptions(t *testing.T) {
	ok := OnsetObservation{Ref: "s", Unit: "U", Axis: schema.Pan, Clean: 10, Onset: 11, J: 0.01}
	for name, f := range map[string]func(*OnsetObservation){
		"no inertia":      func(s *OnsetObservation) { s.J = 0 },
		"onset of NaN":    func(s *OnsetObservation) { s.Onset = math.NaN() },
		"clean above":     func(s *OnsetObservation) { s.Clean = 12 },
		"negative clean":  func(s *OnsetObservation) { s.Clean = -1 },
		"frequency below": func(s *OnsetObservation) { s.Hz = -1 },
		"no such axis":    func(s *OnsetObservation) { s.Axis = 7 },
	} {
		s := ok
		f(&s)
		_, err := Units([]OnsetObservation{s}, DefaultOptions())
		modeltest.WantDomain(t, name, err)
	}
	for name, f := range map[string]func(*Options){"level": func(o *Options) { o.Level = 1 }, "spread": func(o *Options) { o.UnitSD = 0 }, "NaN": func(o *Options) { o.ScaleSD = math.NaN() }} {
		o := DefaultOptions()
		f(&o)
		_, err := Units([]OnsetObservation{ok}, o)
		modeltest.WantDomain(t, name, err)
	}
}

// What the sessions could not tell from the model of gimbal is not said.
func TestWords(t *testing.T) {
	r, err := Units([]OnsetObservation{seen(t, 0.005, 0.004, 0.9, 1.05, loop.RaiseTogether)}, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	w := strings.Join(r.Units[0].Words(), "\n")
	if !strings.Contains(w, "delay ") || !strings.Contains(w, "from 1 onset") || strings.Contains(w, "takes ×1.0") {
		t.Errorf("one session says %q", w)
	}
	told := Unit{Unit: "U", Axes: []Axis{{Axis: "tilt", Offset: Estimate{Best: 1.2, Lo: 1.1, Hi: 1.3, N: 4}, Scale: &Estimate{Best: 0.8, Lo: 0.7, Hi: 0.9, N: 4}}, {Axis: "pan", Offset: Estimate{Best: 1, Lo: 0.85, Hi: 1.18, N: 1}}}}
	w = strings.Join(told.Words(), "\n")
	for _, want := range []string{"tilt: takes ×1.20", "gives ×0.80 (0.70 to 0.90) of the sheet's stiffness", "from 4 onsets"} {
		if !strings.Contains(w, want) {
			t.Errorf("%q is not in %q", want, w)
		}
	}
	if strings.Contains(w, "pan") {
		t.Errorf("pan is said to be like every other: %q", w)
	}
}

func BenchmarkUnits(b *testing.B) {
	var s []OnsetObservation
	for i := range 300 {
		l := axis(0.005)
		s = append(s, OnsetObservation{Ref: "s", Unit: fmt.Sprint(i % 5), Axis: schema.Axes[i%3], Clean: 19, Onset: 20, J: 0.005, Hz: 34, Loop: &l})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Units(s, DefaultOptions()); err != nil {
			b.Fatal(err)
		}
	}
}

// Where the sheet gives neither delay nor damping, two onsets with their frequency tell
// both; one tells neither.
func TestTwoOnsetsTellDelayAndDamping(t *testing.T) {
	for _, how := range []loop.Raise{loop.RaiseTogether, loop.RaiseStiffness} {
		var sights []OnsetObservation
		var held float64
		for _, j := range []float64{0.005, 0.008} {
			s := seen(t, j, 0.004, 1, 1.05, how)
			if how == loop.RaiseStiffness {
				// one damping for both: the sight of the second build anew
				held = 60 * 0.005
				l := *s.Loop
				l.D, l.Delay = held, 0.004
				on, err := l.OnsetStiffness()
				if err != nil || !on.Exists {
					t.Fatal(on, err)
				}
				s.Clean, s.Onset, s.Hz = on.K/1.02, on.K*1.02, on.Hz
			}
			s.Loop.D, s.Loop.Delay, s.NoDamping = 0, 0, true
			sights = append(sights, s)
		}
		want := 0.05
		if how == loop.RaiseStiffness {
			want = held
		}
		r, err := Units(sights, DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		u := r.Units[0]
		if u.Delay == nil || u.Axes[0].Damping == nil || u.Axes[0].Scale == nil || u.WithHz != 2 {
			t.Fatalf("%v: %+v, refused %v", how, u, u.Refused)
		}
		modeltest.Near(t, "damping", u.Axes[0].Damping.Best, want, 0.03, 0)
		modeltest.Near(t, "delay", u.Delay.Best, 0.004, 0.03, 0)
		if d := *u.Axes[0].Damping; !(d.Lo < want && want < d.Hi) || d.N != 2 {
			t.Errorf("%+v does not hold %v", d, want)
		}
		if w := strings.Join(u.Words(), "\n"); !strings.Contains(w, "damping") {
			t.Errorf("%q does not say the damping", w)
		}
		one, err := Units(sights[:1], DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		if u := one.Units[0]; u.Delay != nil || u.Axes[0].Damping != nil || u.Axes[0].Scale != nil || u.WithHz != 1 {
			t.Errorf("%v: one onset tells %+v", how, u)
		}
		// a filter without a map that was set otherwise is another delay
		sights[1].InDelay = map[string]float64{"filters.sensing": 4}
		if r, _ := Units(sights, DefaultOptions()); r.Units[0].Delay != nil || len(r.Units[0].Refused) != 1 {
			t.Errorf("%v: two settings of a filter are one delay: %+v", how, r.Units[0])
		}
	}
}
