package balance

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
	"rigkeep/schema"
)

var (
	tiltDir = mass.Vec{0, 1, 0}
	rollDir = mass.Vec{1, 0, 0}
	panDir  = mass.Vec{0, 0, 1}
)

func genVec(r float64) *rapid.Generator[mass.Vec] {
	return rapid.Custom(func(t *rapid.T) mass.Vec {
		f := rapid.Float64Range(-r, r)
		return mass.Vec{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}
	})
}

// Effort computed from a centre of gravity gives back its offset and side, for
// any axis and any lean.
func TestEffortGivesBackTheOffset(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir, ok := genVec(1).Filter(func(v mass.Vec) bool { return math.Hypot(v[0], v[1]) > 0.2 }).Draw(t, "dir").Unit()
		if !ok {
			t.Fatal("no direction")
		}
		m, full := rapid.Float64Range(0.2, 6).Draw(t, "mass"), rapid.Float64Range(0.2, 5).Draw(t, "full")
		incline := math.Asin(dir[2])
		side, _ := dir.Cross(Down).Unit() // level, across the axis
		d := rapid.Float64Range(-0.05, 0.05).Filter(func(v float64) bool { return math.Abs(v) > 1e-5 }).Draw(t, "offset")
		// where along the axis, and how high, does not matter
		cg := side.Scale(d).Add(dir.Scale(rapid.Float64Range(-0.2, 0.2).Draw(t, "along")))
		grav := modeltest.Must(GravityTorque(m, cg, mass.Line{Dir: dir}, Down, unit.StandardGravity))(t)
		effort := modeltest.Must(Effort(-grav, full))(t)
		a := Axis{Mass: m, Full: full, Incline: incline}
		o := modeltest.Must(FromEffort(a, effort))(t)
		modeltest.Near(t, "offset", o.Offset, d, 1e-9, 0)
		where, ok := Where(dir, Down, effort, RightHanded)
		if !ok || where.Scale(math.Abs(o.Offset)).Sub(side.Scale(d)).Len() > 1e-9 {
			t.Fatalf("lies %v, said %v (%v)", side.Scale(d), where, ok)
		}
		if other, _ := Where(dir, Down, -effort, LeftHanded); other.Sub(where).Len() > 1e-12 {
			t.Fatal("the other count of effort gives the other side")
		}
		modeltest.Near(t, "effort back", modeltest.Must(EffortOf(a, o.Offset))(t), effort, 1e-12, 0)
		modeltest.Near(t, "from torque", modeltest.Must(FromTorque(a, o.Torque))(t), o.Offset, 1e-12, 0)

		// friction shifts both readings, and their pair takes it out
		f := rapid.Float64Range(0, 10).Draw(t, "friction %")
		pair := modeltest.Must(FromPair(a, effort+f, effort-f))(t)
		modeltest.Near(t, "offset of the pair", pair.Offset, d, 1e-9, 1e-12)
		modeltest.Near(t, "friction", pair.Friction, f/100*full, 1e-9, 1e-12)
	})
}

func TestSidesOfTheUsualAxes(t *testing.T) {
	for _, c := range []struct {
		name   string
		dir    mass.Vec
		effort float64
		want   mass.Vec
	}{
		// a motor that pushes the nose down holds a build that is tail-heavy
		{"tilt holds nose down", tiltDir, 5, mass.Vec{-1, 0, 0}},
		{"tilt holds nose up", tiltDir, -5, mass.Vec{1, 0, 0}},
		// a motor that lifts the left side holds a build that is left-heavy
		{"roll lifts the left", rollDir, 5, mass.Vec{0, 1, 0}},
	} {
		got, ok := Where(c.dir, Down, c.effort, RightHanded)
		if !ok || got.Sub(c.want).Len() > 1e-12 {
			t.Errorf("%s: got %v, %v; want %v", c.name, got, ok, c.want)
		}
	}
	for name, f := range map[string]func() (mass.Vec, bool){
		"sign unknown": func() (mass.Vec, bool) { return Where(tiltDir, Down, 5, SignUnknown) },
		"no effort":    func() (mass.Vec, bool) { return Where(tiltDir, Down, 0, RightHanded) },
		"upright pan":  func() (mass.Vec, bool) { return Where(panDir, Down, 5, RightHanded) },
		"no axis":      func() (mass.Vec, bool) { return Where(mass.Vec{}, Down, 5, RightHanded) },
		"NaN":          func() (mass.Vec, bool) { return Where(tiltDir, Down, math.NaN(), RightHanded) },
	} {
		if v, ok := f(); ok {
			t.Errorf("%s: got a direction %v", name, v)
		}
	}
}

func TestSweepFindsWhatMadeIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-0.05, 0.05)
		x, z, bias := f.Draw(t, "x"), f.Draw(t, "z"), f.Draw(t, "bias")
		m := rapid.Float64Range(0.2, 5).Draw(t, "mass")
		noBias := rapid.Bool().Draw(t, "no bias")
		if noBias {
			bias = 0
		}
		var angles, torques []float64
		start, n := rapid.Float64Range(-2, 0).Draw(t, "start"), rapid.IntRange(3, 9).Draw(t, "n")
		for i := range n {
			a := start + 2*float64(i)/float64(n-1)
			// the build turned by hand, its torque from the other function
			cg := mass.FromTurns(0, a, 0).Apply(mass.Vec{x, 0, z})
			g := modeltest.Must(GravityTorque(m, cg, mass.Line{Dir: tiltDir}, Down, unit.StandardGravity))(t)
			angles, torques = append(angles, a), append(torques, bias-g)
		}
		s := modeltest.Must(FromSweep(m, angles, torques, SweepOptions{NoBias: noBias}))(t)
		modeltest.Near(t, "x", s.X, x, 0, 1e-12)
		modeltest.Near(t, "z", s.Z, z, 0, 1e-12)
		modeltest.Near(t, "bias", s.Bias, bias, 0, 1e-11)
		modeltest.Near(t, "offset", s.Offset, math.Hypot(x, z), 0, 1e-12)
		modeltest.Near(t, "residual", s.Residual, 0, 0, 1e-12)
	})
}

func TestDrawOfHolding(t *testing.T) {
	m := Motor{Constant: 0.05, Resistance: 2}
	// 0.1 N·m takes 2 A, 8 W; two such motors at 80 % take 20 W from the battery
	d := modeltest.Must(AddedDraw([]float64{0.1, -0.1}, []Motor{m, m}, Battery{Voltage: 10, Energy: 40 * unit.Hour, Efficiency: 0.8}))(t)
	modeltest.Near(t, "power", d.Power, 20, 1e-12, 0)
	modeltest.Near(t, "current", d.Current, 2, 1e-12, 0)
	modeltest.Near(t, "half of 40 Wh in an hour", d.Share, 0.5, 1e-12, 0)
	d = modeltest.Must(AddedDraw([]float64{0.1}, []Motor{m}, Battery{}))(t)
	if d.Power != 8 || d.Current != 0 || d.Share != 0 {
		t.Errorf("a battery of which nothing is known: %+v, want 8 W and no more", d)
	}
	rapid.Check(t, func(t *rapid.T) {
		m := Motor{rapid.Float64Range(0.005, 1).Draw(t, "kt"), rapid.Float64Range(0, 20).Draw(t, "r")}
		torque := rapid.Float64Range(-3, 3).Draw(t, "torque")
		i, loss, err := m.Holding(torque)
		if err != nil {
			t.Fatal(err)
		}
		back, again, err := m.AtCurrent(i)
		if err != nil {
			t.Fatal(err)
		}
		modeltest.Near(t, "torque", back, torque, 1e-12, 1e-15)
		modeltest.Near(t, "loss", again, loss, 1e-12, 1e-300)
		_, four, _ := m.Holding(2 * torque)
		modeltest.Near(t, "twice the torque, four times the heat", four, 4*loss, 1e-12, 1e-300)
	})
}

func TestGravityStiffness(t *testing.T) {
	modeltest.Near(t, "hanging 20 mm below", modeltest.Must(GravityStiffness(1.5, 0.02, unit.StandardGravity))(t), 1.5*0.02*9.80665, 1e-14, 0)
	// it is the slope of the gravity torque at the balance point
	const h = 1e-5
	cg := mass.FromTurns(0, h, 0).Apply(mass.Vec{0, 0, -0.02})
	slope := modeltest.Must(GravityTorque(1.5, cg, mass.Line{Dir: tiltDir}, Down, unit.StandardGravity))(t) / h
	modeltest.Near(t, "slope", -slope, modeltest.Must(GravityStiffness(1.5, 0.02, unit.StandardGravity))(t), 1e-9, 0)
}

// The gravity stiffness of an axis is the second derivative of m g times the height of
// the centre of gravity as the build, tilted first, turns about that axis.
func TestGravityStiffnessIsTheCurvatureOfHeight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir := func(name string) mass.Vec {
			v, ok := genVec(1).Filter(func(v mass.Vec) bool { return v.Len() > 0.3 }).Draw(t, name).Unit()
			if !ok {
				t.Fatal(name)
			}
			return v
		}
		axis := mass.Line{Point: genVec(0.3).Draw(t, "axis point"), Dir: dir("axis")}
		by := mass.Line{Point: genVec(0.3).Draw(t, "tilt point"), Dir: dir("tilt")}
		p := mass.Properties{Mass: rapid.Float64Range(0.2, 8).Draw(t, "mass"), CG: genVec(0.2).Draw(t, "cg")}
		theta := rapid.Float64Range(-3, 3).Draw(t, "tilt")
		h := modeltest.Must(GravityStiffnessTurned(p, axis, by))(t)
		turned := func(v mass.Vec, l mass.Line, by float64) mass.Vec {
			return mass.FromVector(l.Dir.Scale(by)).Apply(v.Sub(l.Point)).Add(l.Point)
		}
		cg := turned(p.CG, by, theta)
		height := func(phi float64) float64 { return turned(cg, axis, phi)[2] }
		const d = 1e-3
		want := p.Mass * unit.StandardGravity * (height(d) - 2*height(0) + height(-d)) / (d * d)
		modeltest.Near(t, "gravity stiffness", h.At(theta), want, 1e-5, 1e-6)
	})
	// level axes: m g times how far the centre of gravity hangs below
	p := mass.Properties{Mass: 2, CG: mass.Vec{0.01, 0.02, 0.03}}
	tilt := mass.Line{Dir: tiltDir}
	for name, c := range map[string]struct {
		axis mass.Line
		at   float64
		want float64
	}{
		"tilt, level, top-heavy":           {tilt, 0, -2 * 9.80665 * 0.03},
		"tilt, nose straight down":         {tilt, math.Pi / 2, 2 * 9.80665 * 0.01},
		"tilt, nose straight up":           {tilt, -math.Pi / 2, -2 * 9.80665 * 0.01},
		"roll, level":                      {mass.Line{Dir: rollDir}, 0, -2 * 9.80665 * 0.03},
		"roll, axis 50 mm above the other": {mass.Line{Point: mass.Vec{0, 0, 0.05}, Dir: rollDir}, 0, 2 * 9.80665 * 0.02},
		"pan, upright":                     {mass.Line{Dir: panDir}, 0.4, 0},
	} {
		modeltest.Near(t, name, modeltest.Must(GravityStiffnessTurned(p, c.axis, tilt))(t).At(c.at), c.want, 1e-12, 1e-12)
	}
	if _, err := GravityStiffnessTurned(p, mass.Line{}, tilt); err == nil {
		t.Error("an axis without direction is accepted")
	}
}

func TestThresholds(t *testing.T) {
	for _, c := range []struct {
		t      Thresholds
		effort float64
		want   Verdict
	}{
		{CommonThresholds, 0, Good}, {CommonThresholds, -1, Good}, {CommonThresholds, 1.01, Workable}, {CommonThresholds, -4, Workable},
		{CommonThresholds, 4.01, Rebalance}, {Thresholds{2, 6}, 5, Workable}, {Thresholds{0, 0}, 0.1, Rebalance},
	} {
		if got, err := c.t.Judge(c.effort); err != nil || got != c.want {
			t.Errorf("%v %% under %+v: got %v, %v; want %v", c.effort, c.t, got, err, c.want)
		}
	}
}

func TestRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	ok := Axis{Mass: 1, Full: 1}
	line := mass.Line{Dir: tiltDir}
	m := Motor{0.05, 2}
	for name, f := range map[string]func() error{
		"no mass":             func() error { _, err := GravityTorque(0, mass.Vec{}, line, Down, 9.8); return err },
		"negative gravity":    func() error { _, err := GravityTorque(1, mass.Vec{}, line, Down, -9.8); return err },
		"no axis":             func() error { _, err := GravityTorque(1, mass.Vec{}, mass.Line{}, Down, 9.8); return err },
		"no down":             func() error { _, err := GravityTorque(1, mass.Vec{}, line, mass.Vec{}, 9.8); return err },
		"cg NaN":              func() error { _, err := GravityTorque(1, mass.Vec{nan, 0, 0}, line, Down, 9.8); return err },
		"full 0":              func() error { _, err := Effort(1, 0); return err },
		"torque infinite":     func() error { _, err := Effort(inf, 1); return err },
		"effort overflows":    func() error { _, err := Effort(1e300, 1e-300); return err },
		"effort NaN":          func() error { _, err := FromEffort(ok, nan); return err },
		"axis without mass":   func() error { _, err := FromEffort(Axis{Full: 1}, 1); return err },
		"axis without torque": func() error { _, err := FromEffort(Axis{Mass: 1}, 1); return err },
		"upright axis":        func() error { _, err := FromEffort(Axis{Mass: 1, Full: 1, Incline: math.Pi / 2}, 1); return err },
		"lean NaN":            func() error { _, err := FromEffort(Axis{Mass: 1, Full: 1, Incline: nan}, 1); return err },
		"pair overflows":      func() error { _, err := FromPair(Axis{Mass: 1e-300, Full: 1e300}, 1e300, 1e300); return err },
		"offset NaN":          func() error { _, err := EffortOf(ok, nan); return err },
		"torque NaN":          func() error { _, err := FromTorque(ok, nan); return err },
		"sweep too short":     func() error { _, err := FromSweep(1, []float64{0, 1}, []float64{0, 1}, SweepOptions{}); return err },
		"sweep uneven":        func() error { _, err := FromSweep(1, []float64{0, 1, 2}, []float64{0, 1}, SweepOptions{}); return err },
		"sweep at one angle": func() error {
			_, err := FromSweep(1, []float64{1, 1, 1}, []float64{0, 0, 0}, SweepOptions{})
			return err
		},
		"sweep too narrow": func() error {
			_, err := FromSweep(1, []float64{0, 1e-6, 2e-6}, []float64{0, 1, 0}, SweepOptions{})
			return err
		},
		"sweep NaN": func() error {
			_, err := FromSweep(1, []float64{0, 1, 2}, []float64{0, nan, 0}, SweepOptions{})
			return err
		},
		"sweep opposite": func() error {
			_, err := FromSweep(1, []float64{0, math.Pi}, []float64{1, -1}, SweepOptions{NoBias: true})
			return err
		},
		"droop without K":    func() error { _, err := Droop(1, 0); return err },
		"droop NaN":          func() error { _, err := Droop(nan, 1); return err },
		"gravity stiffness":  func() error { _, err := GravityStiffness(0, 1, 9.8); return err },
		"height NaN":         func() error { _, err := GravityStiffness(1, nan, 9.8); return err },
		"no constant":        func() error { _, _, err := Motor{}.AtCurrent(1); return err },
		"current NaN":        func() error { _, _, err := m.AtCurrent(nan); return err },
		"holding NaN":        func() error { _, _, err := m.Holding(nan); return err },
		"holding, no motor":  func() error { _, _, err := Motor{}.Holding(1); return err },
		"draw: lists differ": func() error { _, err := AddedDraw([]float64{1}, nil, Battery{Voltage: 1}); return err },
		"draw: voltage":      func() error { _, err := AddedDraw([]float64{1}, []Motor{m}, Battery{Voltage: -1}); return err },
		"draw: efficiency": func() error {
			_, err := AddedDraw([]float64{1}, []Motor{m}, Battery{Voltage: 1, Efficiency: 2})
			return err
		},
		"draw: motor":           func() error { _, err := AddedDraw([]float64{1}, []Motor{{}}, Battery{Voltage: 1}); return err },
		"judge NaN":             func() error { _, err := CommonThresholds.Judge(nan); return err },
		"thresholds reversed":   func() error { _, err := Thresholds{5, 2}.Judge(1); return err },
		"thresholds negative":   func() error { _, err := Thresholds{-1, 2}.Judge(1); return err },
		"gravity of zero in it": func() error { _, err := FromEffort(Axis{Mass: 1, Full: 1, Gravity: -1}, 1); return err },
	} {
		modeltest.WantDomain(t, name, f())
	}
}

func BenchmarkFromSweep(b *testing.B) {
	angles, torques := []float64{-1, -0.5, 0, 0.5, 1}, []float64{-0.1, -0.16, -0.18, -0.15, -0.08}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FromSweep(1.8, angles, torques, SweepOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

func TestReadInWords(t *testing.T) {
	a := Axis{Mass: 1.45, Full: 0.9}
	for _, c := range []struct {
		axis    schema.Axis
		a       Axis
		efforts []float64
		sign    Sign
		want    string
		known   bool
	}{
		{schema.Tilt, a, []float64{7.5}, RightHanded, "tilt holds 7.5 % (rebalance first): 4.7 mm back of the axis, move the build forward", true},
		{schema.Tilt, a, []float64{7.5}, LeftHanded, "tilt holds 7.5 % (rebalance first): 4.7 mm forward of the axis, move the build back", true},
		{schema.Roll, a, []float64{-4, -1}, RightHanded, "roll holds -2.5 % (workable), friction 1.5 %: 1.6 mm right of the axis, move the build left", true},
		{schema.Roll, a, []float64{-3}, SignUnknown, "roll holds -3.0 % (workable): 1.9 mm off the axis, side unknown (try one side and read again)", true},
		{schema.Tilt, a, []float64{3, -3}, RightHanded, "tilt holds 0.0 % (good), friction 3.0 %: within 0.1 mm", true},
		{schema.Pan, Axis{Incline: math.Pi / 2}, []float64{0.4}, RightHanded, "pan holds 0.4 % (good): an upright pan axis carries no weight, so this is friction, a cable or a leaning stand", false},
		{schema.Pan, Axis{Mass: 1, Full: 1, Incline: 1.2}, []float64{2}, RightHanded, "pan holds 2.0 % (workable): 5.6 mm off the axis, side unknown (try one side and read again)", true},
	} {
		r, err := Read(c.axis, c.a, c.efforts, c.sign, CommonThresholds)
		if err != nil {
			t.Fatal(err)
		}
		if r.Words != c.want || r.Known != c.known {
			t.Errorf("got  %s (%v)\nwant %s", r.Words, r.Known, c.want)
		}
	}
	nan := math.NaN()
	for name, f := range map[string]func() error{
		"no reading":   func() error { _, err := Read(schema.Tilt, a, nil, 0, CommonThresholds); return err },
		"three":        func() error { _, err := Read(schema.Tilt, a, []float64{1, 2, 3}, 0, CommonThresholds); return err },
		"NaN":          func() error { _, err := Read(schema.Tilt, a, []float64{nan}, 0, CommonThresholds); return err },
		"unknown axis": func() error { _, err := Read(schema.Axis(7), a, []float64{1}, 0, CommonThresholds); return err },
		"no mass": func() error {
			_, err := Read(schema.Tilt, Axis{Full: 1}, []float64{1}, 0, CommonThresholds)
			return err
		},
		"tilt upright": func() error {
			_, err := Read(schema.Tilt, Axis{Mass: 1, Full: 1, Incline: 1.57}, []float64{1}, 0, CommonThresholds)
			return err
		},
		"NaN lean, pan": func() error {
			_, err := Read(schema.Pan, Axis{Mass: 1, Full: 1, Incline: nan}, []float64{1}, 0, CommonThresholds)
			return err
		},
	} {
		modeltest.WantDomain(t, name, f())
	}
}

// How a person gets a torque with a scale and the effort shown is statics the other way.
func TestNeedsTorque(t *testing.T) {
	for _, c := range []struct {
		axis    schema.Axis
		factor  string
		incline float64
	}{{schema.Tilt, "9.81 ×", 0}, {schema.Roll, "9.81 ×", 0}, {schema.Pan, "4.9 ×", 60}} {
		do := NeedsTorque(c.axis).Do
		if !strings.Contains(do, c.factor) {
			t.Fatalf("%s: %s", c.axis, do)
		}
		factor, err := strconv.ParseFloat(strings.TrimSuffix(c.factor, " ×"), 64)
		if err != nil {
			t.Fatal(err)
		}
		const m, torque = 1.7, 1.4
		e, err := EffortOf(Axis{Mass: m, Full: torque, Incline: c.incline * math.Pi / 180}, 0.010)
		if err != nil {
			t.Fatal(err)
		}
		if got := factor * m / e; math.Abs(got/torque-1) > 2e-3 {
			t.Errorf("%s: %g Nm, want %g", c.axis, got, torque)
		}
	}
}
