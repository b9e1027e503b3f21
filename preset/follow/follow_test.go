package follow

import (
	"math"
	"math/rand"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
)

// storm is short unless RIGKEEP_STORM is set.
func storm(short, long int) int {
	if os.Getenv("RIGKEEP_STORM") != "" {
		return long
	}
	return short
}

func value(t testing.TB, what string, p *float64) float64 {
	t.Helper()
	if p == nil {
		t.Fatalf("%s is missing", what)
	}
	return *p
}

func simulate(t testing.TB, m Move, s Style, o Options) *Response {
	t.Helper()
	r, err := Simulate(m, s, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The closed forms of a pan behind one lag; Source: ConstantRate.
func TestSimulationAgreesWithClosedFormOfAPan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Style{rapid.Float64Range(0, 20).Draw(t, "deadband") * Deg, rapid.Float64Range(1e-3, 2).Draw(t, "lag"), FirstOrder}
		if rapid.IntRange(0, 9).Draw(t, "bare") == 0 {
			s.Lag = 0
		}
		rate := rapid.Float64Range(1, 200).Draw(t, "rate") * Deg
		T := rapid.Float64Range(0.01, 5).Draw(t, "duration")
		tol := rapid.Float64Range(0.01, 1).Draw(t, "tolerance") * Deg
		want, err := ConstantRate(s, rate, T, tol)
		if err != nil {
			t.Fatal(err)
		}
		sign := rapid.SampledFrom([]float64{1, -1}).Draw(t, "sign")
		got, err := Simulate(NewPan(sign*rate, T), s, Options{Tolerance: tol, Tail: 1 + 40*s.Lag, Step: 0.003, NoSmoothness: true})
		if err != nil {
			t.Fatal(err)
		}
		if got.HandleTravel != 0 && s.Lag > 0 {
			// a long pan is followed W/v + tau behind, less what the start still owes at half way
			if half, ok := got.DelayAtHalf(); ok && T/2 > 12*s.Lag && s.DeadBand < rate*T/4 {
				if steady := *want.SteadyTrail / rate; math.Abs(half-steady) > 0.01+0.02*steady {
					t.Fatalf("half way %v s behind, want near %v", half, steady)
				}
			}
		}
		if got.Moves != want.Moves {
			t.Fatalf("moves %v, want %v", got.Moves, want.Moves)
		}
		near := func(what string, got, want float64) {
			if math.IsNaN(got) || math.Abs(got-want) > 1e-9+1e-8*math.Abs(want) {
				t.Fatalf("%s: got %.12g, want %.12g", what, got, want)
			}
		}
		near("travel", sign*got.Travel, want.Travel)
		near("residual", sign*got.Residual, want.Residual)
		near("peak rate", got.PeakRate, want.PeakRate)
		near("overshoot", got.Overshoot, 0)
		if want.Moves {
			near("start delay", *got.StartDelay, *want.StartDelay)
			near("trail at stop", got.TrailAtStop, *want.TrailAtStop)
			near("largest trail", got.MaxTrail, *want.TrailAtStop)
			near("settling", *got.SettleTime, *want.SettleTime)
			near("steady trail", *got.SteadyTrail, *want.SteadyTrail)
			for i, v := range got.Trace.Rate {
				at := float64(i) * got.Trace.Step
				if s.Lag > 0 || math.Abs(at-T) > 1e-9 && math.Abs(at-*want.StartDelay) > 1e-9 {
					near("rate", v, ConstantRateSpeed(s, sign*rate, T, at))
				}
			}
		}
	})
}

// A pan behind the critically damped head and behind two lags: closed forms worked
// out by hand from the package comment's equations.
func TestSimulationAgreesWithClosedFormsOfTheOtherModels(t *testing.T) {
	const w, lag, rate, T = 3 * Deg, 0.5, 30 * Deg, 2.0
	wn := 2 / lag
	out := T - w/rate // time spent outside the dead band
	E := math.Exp(-wn * out)
	crit := simulate(t, NewPan(rate, T), Style{w, lag, Critical}, Options{Tail: 20})
	modeltest.Near(t, "critical: trail at stop", crit.TrailAtStop, w+2*rate/wn-(2*rate/wn+rate*out)*E, 1e-9, 1e-12)
	modeltest.Near(t, "critical: rate at stop", crit.Trace.Rate[2000], rate*(1-(1+wn*out)*E), 1e-9, 1e-12)
	modeltest.Near(t, "critical: travel", crit.Travel, rate*T-w, 1e-9, 1e-9)
	modeltest.Near(t, "critical: start", value(t, "start", crit.StartDelay), w/rate, 0, 1e-12)
	two := simulate(t, NewPan(rate, T), Style{w, lag, TwoStage}, Options{Tail: 20})
	// u trails by w + r a (1-E), the camera trails u by r a (1-E) - r t E
	a := lag / 2
	modeltest.Near(t, "double: trail at stop", two.TrailAtStop, w+2*rate*a*(1-E)-rate*out*E, 1e-9, 1e-12)
	modeltest.Near(t, "double: travel", two.Travel, rate*T-w, 1e-9, 1e-9)
	for _, l := range Models() {
		s := Style{w, lag, l}
		long := simulate(t, NewPan(rate, 30), s, Options{NoSmoothness: true})
		modeltest.Near(t, string(l)+": steady trail of a long pan", long.TrailAtStop, s.SteadyTrail(rate), 1e-9, 1e-9)
	}
}

// rk4 is an independent integration of the package comment's equations.
func rk4(s Style, handle func(float64) float64, end float64, steps int) (camera, rate float64) {
	var x [2]float64 // single: c; critical: c, v; double: u, c
	wn, a := 2/s.Lag, s.Lag/2
	f := func(t float64, x [2]float64) [2]float64 {
		d := deadZone(handle(t)-x[0], s.DeadBand)
		switch s.Model {
		case Critical:
			return [2]float64{x[1], wn*wn*d - 2*wn*x[1]}
		case TwoStage:
			return [2]float64{d / a, (x[0] - x[1]) / a}
		}
		return [2]float64{d / s.Lag, 0}
	}
	add := func(x, k [2]float64, h float64) [2]float64 { return [2]float64{x[0] + h*k[0], x[1] + h*k[1]} }
	h := end / float64(steps)
	for i := 0; i < steps; i++ {
		t := float64(i) * h
		k1 := f(t, x)
		k2 := f(t+h/2, add(x, k1, h/2))
		k3 := f(t+h/2, add(x, k2, h/2))
		k4 := f(t+h, add(x, k3, h))
		for j := range x {
			x[j] += h / 6 * (k1[j] + 2*k2[j] + 2*k3[j] + k4[j])
		}
	}
	d := f(end, x)
	if s.Model == TwoStage {
		return x[1], d[1]
	}
	return x[0], d[0]
}

// Moves that reverse, stop and start cross the dead band's edges in every way.
func TestExactPiecesAgreeWithFineIntegration(t *testing.T) {
	rng := rand.New(rand.NewSource(11))
	for i := 0; i < storm(12, 120); i++ {
		samples := []Sample{{0, 0}}
		for len(samples) < 8 {
			last := samples[len(samples)-1]
			samples = append(samples, Sample{last.Time + 0.05 + rng.Float64(), last.Angle + rng.NormFloat64()*20*Deg})
		}
		m, err := NewRecorded(samples)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range Models() {
			s := Style{rng.Float64() * 10 * Deg, 0.05 + rng.Float64(), l}
			if i%7 == 0 {
				s.DeadBand = 0
			}
			end := samples[len(samples)-1].Time
			// the step is long on purpose: exactness must not depend on it
			r := simulate(t, m, s, Options{Step: 0.1, Tail: 0.1, NoSmoothness: true})
			k := int(end / 0.1)
			c, v := rk4(s, m.Handle, float64(k)*0.1, 20000)
			modeltest.Near(t, string(l)+" camera", r.Trace.Camera[k], c, 0, 3e-6)
			modeltest.Near(t, string(l)+" rate", r.Trace.Rate[k], v, 1e-5, 3e-5)
		}
	}
}

// What the handle does between samples is the only error left: halving the step
// quarters it.
func TestStepOnlyMattersByTheHandlesCurve(t *testing.T) {
	s := Style{2 * Deg, 0.3, Critical}
	m := NewTurn(90*Deg, 1.5)
	fine := simulate(t, m, s, Options{Step: 1e-4, NoSmoothness: true})
	err := func(step float64) float64 {
		r := simulate(t, m, s, Options{Step: step, NoSmoothness: true})
		return math.Abs(r.Trace.Camera[int(math.Round(1/step))] - fine.Trace.Camera[10000])
	}
	if e := err(1e-3); e > 2e-6 {
		t.Errorf("error at 1 kHz is %g rad", e)
	}
	if q := err(0.02) / err(0.01); q < 3 || q > 5 {
		t.Errorf("halving the step divides the error by %.2f, want 4", q)
	}
}

// Dead band and lags know no left and right, and no size.
func TestResponseIsSymmetricAndScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Style{rapid.Float64Range(0, 8).Draw(t, "deadband") * Deg, rapid.Float64Range(1e-3, 1).Draw(t, "lag"), rapid.SampledFrom(Models()).Draw(t, "lag")}
		scale := rapid.SampledFrom([]float64{-1, 0.5, 2, -0.25}).Draw(t, "scale")
		build := func(k float64) Move {
			return Move{[][]Step{
				{{Kind: Turn, Angle: k * 40 * Deg, Duration: 1}, {Kind: Hold, Duration: 0.3}, {Kind: Pan, Rate: -k * 30 * Deg, Duration: 0.7}},
				{{Kind: Sway, Duration: 2, Tones: []Tone{{Amplitude: math.Abs(k) * 2 * Deg, Frequency: 1.3, Phase: math.Pi * (1 - math.Copysign(1, k)) / 2}}}},
			}}
		}
		o := Options{Step: 0.005, Tail: 2}
		a, err := Simulate(build(1), s, o)
		if err != nil {
			t.Fatal(err)
		}
		s2 := s
		s2.DeadBand *= math.Abs(scale)
		o.Tolerance = defaultTolerance * math.Abs(scale)
		b, err := Simulate(build(scale), s2, o)
		if err != nil {
			t.Fatal(err)
		}
		for i := range a.Trace.Camera {
			if d := math.Abs(a.Trace.Camera[i]*scale - b.Trace.Camera[i]); d > 1e-11 {
				t.Fatalf("sample %d: %g, scaled %g", i, a.Trace.Camera[i], b.Trace.Camera[i])
			}
		}
		if a.SPARC != nil && b.SPARC != nil && math.Abs(*a.SPARC-*b.SPARC) > 2e-3 {
			t.Fatalf("smoothness %g, scaled %g", *a.SPARC, *b.SPARC)
		}
		if (a.SettleTime == nil) != (b.SettleTime == nil) || a.SettleTime != nil && math.Abs(*a.SettleTime-*b.SettleTime) > 1e-6 {
			t.Fatalf("settling %v, scaled %v", a.SettleTime, b.SettleTime)
		}
	})
}

// Without a dead band the critically damped head is two equal lags: 1/(1+s a)^2.
func TestCriticalAndTwoStageAreOneFilterWithoutDeadBand(t *testing.T) {
	m, err := ParseMove("turn 70deg in 1s then turn -90deg in 0.8s then pan 25deg/s for 1s with sway 2deg at 1.1Hz")
	if err != nil {
		t.Fatal(err)
	}
	a := simulate(t, m, Style{0, 0.4, Critical}, Options{})
	b := simulate(t, m, Style{0, 0.4, TwoStage}, Options{})
	for i := range a.Trace.Camera {
		modeltest.Near(t, "camera", a.Trace.Camera[i], b.Trace.Camera[i], 0, 1e-11)
	}
	modeltest.Near(t, "jerk", value(t, "ldlj", a.LDLJ), value(t, "ldlj", b.LDLJ), 0, 1e-6)
}

// At rest inside the dead band each head stays inside it; the critical one coasts in,
// the others stop at its edge.
func TestWhereTheHeadComesToRest(t *testing.T) {
	m := NewTurn(60*Deg, 1)
	for _, l := range Models() {
		r := simulate(t, m, Style{4 * Deg, 0.3, l}, Options{})
		if r.Residual < 0 || r.Residual > 4*Deg+1e-9 {
			t.Errorf("%s rests %g degrees off, dead band 4", l, r.Residual/Deg)
		}
		if l != Critical {
			modeltest.Near(t, string(l), r.Residual, 4*Deg, 0, 1e-9)
		}
		modeltest.Near(t, "travel and residual make the whole", r.Travel+r.Residual, 60*Deg, 0, 1e-12)
	}
	// thrown back while it still moves, the critical head coasts inside
	back, err := ParseMove("turn 60deg in 0.5s then turn -8deg in 0.1s")
	if err != nil {
		t.Fatal(err)
	}
	r := simulate(t, back, Style{4 * Deg, 0.05, Critical}, Options{})
	if !(r.Residual > -4*Deg && r.Residual < 4*Deg) {
		t.Errorf("rests %g degrees off after a throw back", r.Residual/Deg)
	}
}

func TestSmallMoveDoesNothing(t *testing.T) {
	r := simulate(t, NewTurn(2*Deg, 1), Style{3 * Deg, 0.3, FirstOrder}, Options{FieldOfView: 30 * Deg})
	if r.Moves || r.Travel != 0 || r.StartDelay != nil || r.SPARC != nil {
		t.Errorf("camera moved inside its dead band: %+v", r)
	}
	modeltest.Near(t, "residual", r.Residual, 2*Deg, 0, 1e-12)
	for _, k := range []string{"start_delay_s", "sparc", "ldlj", "steady_trail_rad"} {
		if r.Omitted[k] == "" {
			t.Errorf("no reason given for leaving out %s", k)
		}
	}
}

func TestJerkIsLeftOutBehindOneLag(t *testing.T) {
	r := simulate(t, NewPan(20*Deg, 2), Style{3 * Deg, 0.4, FirstOrder}, Options{})
	if r.LDLJ != nil || !strings.Contains(r.Omitted["ldlj"], "sample rate") {
		t.Errorf("ldlj %v, reason %q", r.LDLJ, r.Omitted["ldlj"])
	}
	// and this is why: it grows with the sample rate there, and does not behind two lags
	jerk := func(l Model, fs float64) float64 {
		r := simulate(t, NewPan(20*Deg, 2), Style{3 * Deg, 0.4, l}, Options{Step: 1 / fs})
		v, err := LDLJ(r.Trace.Rate, fs)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	if one, two := jerk(FirstOrder, 200)-jerk(FirstOrder, 1600), jerk(TwoStage, 200)-jerk(TwoStage, 1600); one < 1 || math.Abs(two) > 0.05 {
		t.Errorf("eightfold sample rate changes LDLJ by %.3g behind one lag and %.3g behind two", one, two)
	}
}

// Taking the smoothness at 100 Hz rather than 1 kHz does not change it.
func TestSmoothnessDoesNotDependOnItsSampleRate(t *testing.T) {
	for _, l := range Models() {
		r := simulate(t, NewTurn(90*Deg, 1.2), Style{2 * Deg, 0.25, l}, Options{})
		full, err := SPARC(r.Trace.Rate, 1/r.Trace.Step)
		if err != nil {
			t.Fatal(err)
		}
		modeltest.Near(t, string(l), value(t, "sparc", r.SPARC), full, 0, 0.003)
	}
}

// Sinusoidal balance against simulation: a dead band's harmonics are small behind a
// lag, so they agree to some per cent (Gelb & Vander Velde 1968, from memory).
func TestDescribingFunctionAgreesWithSimulation(t *testing.T) {
	rng := rand.New(rand.NewSource(5))
	for i := 0; i < 40; i++ {
		s := Style{rng.Float64() * 2 * Deg, 0.1 + rng.Float64(), Models()[i%3]}
		tone := Tone{Amplitude: (0.5 + 3*rng.Float64()) * Deg, Frequency: 0.4 + 2*rng.Float64()}
		l, err := SwayGain(s, tone)
		if err != nil {
			t.Fatal(err)
		}
		if tone.Amplitude <= s.DeadBand {
			if l.Leak != 0 || l.LeakSimulated > 1e-12 {
				t.Errorf("sway inside the dead band leaks: %+v", l)
			}
			continue
		}
		if d := math.Abs(l.Leak - l.LeakSimulated); d > 0.02+0.05*l.Leak {
			t.Errorf("%+v %+v: balance %.4f, simulated %.4f", s, tone, l.Leak, l.LeakSimulated)
		}
	}
	// no dead band: plain linear filters, exact
	for _, l := range Models() {
		got, err := SwayGain(Style{0, 0.5, l}, Tone{Amplitude: 2 * Deg, Frequency: 0.8})
		if err != nil {
			t.Fatal(err)
		}
		want := 1 / math.Hypot(1, 2*math.Pi*0.8*0.5)
		if l != FirstOrder {
			want = 1 / (1 + math.Pow(2*math.Pi*0.8*0.25, 2))
		}
		modeltest.Near(t, string(l), got.Leak, want, 0, 1e-9)
		modeltest.Near(t, string(l)+" simulated", got.LeakSimulated, want, 0, 2e-5)
	}
	// no lag: play, whose describing function is exact since the input is a sine
	got, err := SwayGain(Style{DeadBand: 1 * Deg}, Tone{Amplitude: 2 * Deg, Frequency: 1})
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "play", got.Leak, math.Hypot(0.5, 1/math.Pi), 0, 1e-12)
	modeltest.Near(t, "play simulated", got.LeakSimulated, got.Leak, 0, 1e-4)
}

// Several tones are taken as Gaussian by the random-input describing function.
func TestRandomInputDescribingFunctionAgreesWithSimulation(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	for i := 0; i < 12; i++ {
		var tones []Tone
		for j := 0; j < 9; j++ {
			tones = append(tones, Tone{(0.3 + 0.4*rng.Float64()) * Deg, 0.4 + 2.2*rng.Float64(), 2 * math.Pi * rng.Float64()})
		}
		s := Style{rms(tones) * 1.5 * rng.Float64(), 0.3 + 0.6*rng.Float64(), Models()[i%3]}
		l, err := SwayGain(s, tones...)
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(l.Leak - l.LeakSimulated); d > 0.03+0.12*l.LeakSimulated {
			t.Errorf("%+v: balance %.4f, simulated %.4f", s, l.Leak, l.LeakSimulated)
		}
	}
}

func TestDescribingFunctionLimits(t *testing.T) {
	for _, f := range []func(w, a float64) (float64, error){DeadBandGain, DeadBandRandomGain} {
		none, _ := f(0, 1)
		modeltest.Near(t, "no dead band", none, 1, 0, 1e-12)
		was := 1.0
		for w := 0.1; w < 3; w += 0.1 {
			n, err := f(w, 1)
			if err != nil || n > was || n < 0 {
				t.Errorf("gain %g at dead band %g after %g, %v", n, w, was, err)
			}
			was = n
		}
		for _, bad := range [][2]float64{{-1, 1}, {1, 0}, {math.NaN(), 1}, {1, math.NaN()}, {1, math.Inf(1)}} {
			n, err := f(bad[0], bad[1])
			modeltest.WantDomain(t, "dead zone", err)
			if n != 0 {
				t.Errorf("gain %g beside an error", n)
			}
		}
	}
}

// Minimum jerk: 15/8 of the mean speed at its middle and 204.8 (Flash & Hogan 1985;
// Hogan & Sternad 2009, from memory); the sampled measure tends to it.
func TestMinimumJerk(t *testing.T) {
	f, err := MinimumJerkFigures(-90, 2)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "peak", f.PeakSpeed, 84.375, 1e-12, 0)
	modeltest.Near(t, "middle", MinimumJerkSpeed(90, 2, 1), 84.375, 1e-12, 0)
	modeltest.Near(t, "ldlj", math.Exp(-f.LDLJ), 204.8, 1e-12, 0)
	v := make([]float64, 4001)
	for i := range v {
		v[i] = MinimumJerkSpeed(90, 2, float64(i)/2000)
	}
	got, err := LDLJ(v, 2000)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "sampled ldlj", got, f.LDLJ, 0, 0.005)
	// the handle's heading is the integral of that speed
	m := NewTurn(90*Deg, 2)
	sum := 0.0
	for i := range v[1:] {
		sum += (v[i] + v[i+1]) / 2 / 2000
		modeltest.Near(t, "heading", m.Handle(float64(i+1)/2000)/Deg, sum, 0, 1e-4)
	}
}

// A camera that is more smoothed is smoother.
func TestMoreLagIsSmoother(t *testing.T) {
	m, err := ParseMove("turn 60deg in 2s with sway 2deg at 1.5Hz")
	if err != nil {
		t.Fatal(err)
	}
	was := math.Inf(-1)
	for _, s := range []float64{0.02, 0.1, 0.3, 0.8} {
		r := simulate(t, m, Style{0, s, TwoStage}, Options{})
		if v := value(t, "sparc", r.SPARC); v <= was {
			t.Errorf("lag %g s gives %g, no better than %g", s, v, was)
		} else {
			was = v
		}
	}
}

func TestDrift(t *testing.T) {
	fov := 2 * math.Atan(24.9/2/50) // a 50 mm lens on 24.9 mm
	r := simulate(t, NewPan(10*Deg, 4), Style{2 * Deg, 0.3, FirstOrder}, Options{FieldOfView: fov})
	// the camera trails 5 degrees: 50 tan(5 deg) of 24.9 mm
	modeltest.Near(t, "share", value(t, "share", r.Drift.MaxShare), 50*math.Tan(5*Deg)/24.9, 0, 1e-4)
	back, err := FrameAngle(*r.Drift.MaxShare, fov)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "back", back, r.Drift.MaxAngle, 0, 1e-12)
	if r.Drift.LeavesFrame {
		t.Error("5 degrees are inside a 28 degree frame")
	}
	gone := simulate(t, NewWhip(170*Deg), Style{5 * Deg, 1, FirstOrder}, Options{FieldOfView: fov})
	if gone.Drift.MaxShare != nil || !gone.Drift.LeavesFrame {
		t.Errorf("a subject behind the camera has no place in the frame: %+v", gone.Drift)
	}
	// sway is not meant: inside the dead band the subject does not drift at all
	still := simulate(t, NewSway(5, Tone{Amplitude: Deg, Frequency: 0.8}), Style{2 * Deg, 0.3, FirstOrder}, Options{FieldOfView: fov})
	modeltest.Near(t, "held", still.Drift.MaxAngle, 0, 0, 1e-15)
	// a landing counts only what comes after it
	late := simulate(t, NewWhip(90*Deg), Style{0, 0.1, FirstOrder}, Options{FieldOfView: fov, CountLanding: true, Landing: 1})
	all := simulate(t, NewWhip(90*Deg), Style{0, 0.1, FirstOrder}, Options{FieldOfView: fov})
	if !(late.Drift.MaxAngle < 0.01*Deg) || all.Drift.MaxAngle < 10*Deg {
		t.Errorf("drift %g degrees after landing, %g all along", late.Drift.MaxAngle/Deg, all.Drift.MaxAngle/Deg)
	}
}

func TestOutOfDomain(t *testing.T) {
	ok := Style{3 * Deg, 0.4, FirstOrder}
	nan := math.NaN()
	for name, f := range map[string]func() error{
		"dead band NaN":        func() error { return Style{nan, 1, FirstOrder}.Validate() },
		"dead band in degrees": func() error { return Style{6, 1, FirstOrder}.Validate() },
		"lag in ms":            func() error { return Style{0, 400, FirstOrder}.Validate() },
		"lag of no time":       func() error { return Style{0, 1e-9, FirstOrder}.Validate() },
		"negative lag":         func() error { return Style{0, -1, FirstOrder}.Validate() },
		"unknown model":        func() error { return Style{0, 1, "triple"}.Validate() },
		"empty move":           func() error { _, err := Simulate(Move{}, ok, Options{}); return err },
		"pan in degrees":       func() error { _, err := Simulate(NewPan(90, 1), ok, Options{}); return err },
		"turn in no time":      func() error { _, err := Simulate(NewTurn(1, 0), ok, Options{}); return err },
		"whip of nothing":      func() error { _, err := Simulate(NewWhip(0), ok, Options{}); return err },
		"sway of NaN":          func() error { _, err := Simulate(NewSway(1, Tone{nan, 1, 0}), ok, Options{}); return err },
		"no tones":             func() error { _, err := Simulate(NewSway(1), ok, Options{}); return err },
		"step too long":        func() error { _, err := Simulate(NewPan(1, 1), ok, Options{Step: 5}); return err },
		"too many samples":     func() error { _, err := Simulate(NewPan(1, 3000), ok, Options{Step: 1e-6}); return err },
		"lens of half a turn": func() error {
			_, err := Simulate(NewPan(1, 1), ok, Options{FieldOfView: math.Pi})
			return err
		},
		"landing after the end": func() error { _, err := Simulate(NewPan(1, 1), ok, Options{Landing: 9, Tail: 3}); return err },
		"closed form of critical": func() error {
			_, err := ConstantRate(Style{0, 1, Critical}, 1, 1, 1)
			return err
		},
		"tolerance 0":         func() error { _, err := ConstantRate(ok, 1, 1, 0); return err },
		"no distance":         func() error { _, err := MinimumJerkFigures(0, 1); return err },
		"speed of zero":       func() error { _, err := SPARC(make([]float64, 100), 100); return err },
		"speed NaN":           func() error { _, err := SPARC([]float64{1, nan, 2}, 100); return err },
		"speed of one":        func() error { _, err := SPARC([]float64{1}, 100); return err },
		"rate 0":              func() error { _, err := LDLJ([]float64{1, 2, 3, 1}, 0); return err },
		"no jerk":             func() error { _, err := LDLJ([]float64{1, 2, 3, 4}, 10); return err },
		"sway of zero":        func() error { _, err := SwayGain(ok, Tone{0, 1, 0}); return err },
		"a quarter turn":      func() error { _, err := FrameShare(math.Pi/2, 1); return err },
		"negative share":      func() error { _, err := FrameAngle(-1, 1); return err },
		"recording backwards": func() error { _, err := NewRecorded([]Sample{{1, 0}, {0, 0}}); return err },
		"recording of one":    func() error { _, err := NewRecorded([]Sample{{1, 0}}); return err },
		"dial below zero":     func() error { _, err := Relative(-1, 1, 1, 1); return err },
		"kind of shot":        func() error { _, err := ShotOf("moonwalk"); return err },
		"search without lens": func() error { _, err := Search(Shots()[0], SearchOptions{}); return err },
		"search with no style": func() error {
			_, err := Search(Shots()[0], SearchOptions{FieldOfView: 1, DeadBands: []float64{}})
			return err
		},
	} {
		modeltest.WantDomain(t, name, f())
	}
}

func TestRelative(t *testing.T) {
	r, err := Relative(6, 40, 3, 10)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "start", value(t, "start", r.StartDelay), 2, 0, 0)
	modeltest.Near(t, "lag", value(t, "lag", r.Lag), 4, 0, 0)
	// whatever the scales of the dials and the rate, the steady trail's ratio lies between
	rng := rand.New(rand.NewSource(1))
	for i := 0; i < 100; i++ {
		kw, ks, rate := rng.Float64()*0.01, rng.Float64()*0.02, rng.Float64()
		q := Style{6 * kw, 40 * ks, ""}.SteadyTrail(rate) / Style{3 * kw, 10 * ks, ""}.SteadyTrail(rate)
		if q < *r.SteadyTrailLow || q > *r.SteadyTrailHigh {
			t.Errorf("ratio %g outside %g to %g", q, *r.SteadyTrailLow, *r.SteadyTrailHigh)
		}
	}
	if r, _ := Relative(1, 1, 0, 1); r.StartDelay != nil || r.SteadyTrailLow != nil {
		t.Error("a ratio to zero was given")
	}
}

func BenchmarkRun10sAt1kHz(b *testing.B) {
	m, err := ParseMove("turn 90deg in 2s then hold 1s then pan -30deg/s for 3s with sway 2deg at 0.8Hz for 6s")
	if err != nil {
		b.Fatal(err)
	}
	for _, l := range Models() {
		b.Run(string(l), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r, err := Simulate(m, Style{3 * Deg, 0.4, l}, Options{Tail: 4, FieldOfView: 28 * Deg})
				if err != nil || len(r.Trace.Camera) != 10001 {
					b.Fatal(err, len(r.Trace.Camera))
				}
			}
		})
	}
}

func BenchmarkSearch(b *testing.B) {
	shot, err := ShotOf("walk")
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Search(shot, SearchOptions{FieldOfView: 28 * Deg, Model: TwoStage}); err != nil {
			b.Fatal(err)
		}
	}
}

func TestDelayAtHalf(t *testing.T) {
	// no dead band, lag tau: behind a ramp the camera is at v(t - tau(1-e^(-t/tau))), so it is
	// at v T/2 when t - tau(1-e^(-t/tau)) = T/2 (closed form of the single lag)
	const tau, T = 3.0, 6.0
	r := simulate(t, NewPan(12*Deg, T), Style{Lag: tau}, Options{Step: 0.01, NoSmoothness: true})
	got, ok := r.DelayAtHalf()
	at := T/2 + got
	if left := at - tau*(1-math.Exp(-at/tau)) - T/2; !ok || math.Abs(left) > 0.01 {
		t.Errorf("%.3f s behind (%v): off the closed form by %.3f s", got, ok, left)
	}
	if *r.StartDelay != 0 {
		t.Errorf("it starts %v s late", *r.StartDelay)
	}
	// a dead band that the move hardly leaves: the camera never comes half way
	if s, ok := simulate(t, NewPan(10*Deg, 1), Style{DeadBand: 8 * Deg}, Options{Step: 0.01, NoSmoothness: true}).DelayAtHalf(); ok {
		t.Errorf("half way after %v s", s)
	}
}
