package vibration

import (
	"math"
	"math/rand"
	"testing"

	"gonum.org/v1/gonum/interp"
	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
)

func noise(n int, seed int64, sigma float64) []float64 {
	rng := rand.New(rand.NewSource(seed))
	x := make([]float64, n)
	for i := range x {
		x[i] = sigma * rng.NormFloat64()
	}
	return x
}

// Parseval: the spectrum holds exactly the power of the windowed segments, for odd
// and even lengths.
func TestParseval(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(8, 300).Draw(t, "segment")
		x := noise(rapid.IntRange(n, 2000).Draw(t, "samples"), int64(n), 3)
		rate := rapid.Float64Range(0.1, 5000).Draw(t, "rate")
		for i := range x {
			x[i] += 7 // a mean that must not count
		}
		s, err := Welch(rate, n, x)
		if err != nil {
			t.Fatal(err)
		}
		w, power, window, segments := hann(n), 0.0, 0.0, 0
		for _, v := range w {
			window += v * v
		}
		for i := 0; i+n <= len(x); i += n - n/2 {
			mean := 0.0
			for _, v := range x[i : i+n] {
				mean += v / float64(n)
			}
			for k, v := range x[i : i+n] {
				power += (v - mean) * w[k] * (v - mean) * w[k]
			}
			segments++
		}
		if s.Segments != segments {
			t.Fatalf("%d segments, want %d", s.Segments, segments)
		}
		if want := math.Sqrt(power / window / float64(segments)); math.Abs(s.Total()-want) > 1e-9*want {
			t.Fatalf("total %g, want %g", s.Total(), want)
		}
		// bands that meet add up
		cut := rapid.Float64Range(0, rate/2).Draw(t, "cut")
		if a, b := s.Band(0, cut), s.Band(cut, math.Inf(1)); math.Abs(math.Hypot(a, b)-s.Total()) > 1e-9*s.Total() {
			t.Fatalf("bands %g and %g make %g, not %g", a, b, math.Hypot(a, b), s.Total())
		}
	})
}

// White noise has the density 2 sigma^2/rate and the rms sigma (definition).
func TestWhiteNoise(t *testing.T) {
	s, err := Welch(500, 512, noise(200_000, 4, 0.3))
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "rms", s.Total(), 0.3, 0.01, 0)
	sum := 0.0
	for _, p := range s.PSD[5:250] {
		sum += p / 245
	}
	modeltest.Near(t, "density", sum, 2*0.3*0.3/500, 0.02, 0)
}

// A tone at any frequency and level comes back, between the lines too.
func TestToneIsRecovered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]float64{100, 256, 1000, 3200}).Draw(t, "rate")
		n := rapid.SampledFrom([]int{256, 500, 1024}).Draw(t, "segment")
		step := rate / float64(n)
		f := rapid.Float64Range(14*step, rate/2-14*step).Draw(t, "frequency")
		level := rapid.Float64Range(0.01, 100).Draw(t, "rms")
		phase := rapid.Float64Range(0, 6.28).Draw(t, "phase")
		x := noise(6*n, 9, level*1e-3)
		for i := range x {
			x[i] += level * math.Sqrt2 * math.Sin(2*math.Pi*f*float64(i)/rate+phase)
		}
		s, err := Welch(rate, n, x)
		if err != nil {
			t.Fatal(err)
		}
		p := s.Peaks(0, 1)[0]
		if math.Abs(p.Hz-f) > 0.06*step || math.Abs(p.Line-f) > 0.51*step {
			t.Fatalf("%g Hz found at %g, line %g, lines %g apart", f, p.Hz, p.Line, step)
		}
		if math.Abs(p.RMS-level) > 0.01*level {
			t.Fatalf("rms %g found as %g", level, p.RMS)
		}
		if p.Prominence() < 30 {
			t.Fatalf("prominence %g dB", p.Prominence())
		}
	})
}

func TestSpectrumScalesAndTurns(t *testing.T) {
	x := noise(5000, 2, 1)
	a, err := Welch(100, 300, x[:len(x)-len(x)%150])
	if err != nil {
		t.Fatal(err)
	}
	y := make([]float64, len(x))
	for i := range x {
		y[len(x)-1-i] = -3 * x[i]
	}
	// backwards, the segments only lie elsewhere if a remainder is dropped
	b, err := Welch(100, 300, y[len(y)%150:])
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "total", b.Total(), 3*a.Total(), 0.02, 0)
	// two pieces are the mean over both, weighted by segments
	one, _ := Welch(100, 300, x[:600])
	two, _ := Welch(100, 300, x[600:1500])
	both, err := Welch(100, 300, x[:600], x[600:1500], x[1500:1600])
	if err != nil {
		t.Fatal(err)
	}
	for k := range both.PSD {
		n1, n2 := float64(one.Segments), float64(two.Segments)
		modeltest.Near(t, "pieces", both.PSD[k], (one.PSD[k]*n1+two.PSD[k]*n2)/(n1+n2), 1e-12, 0)
	}
}

func TestPeaksOfOddSpectra(t *testing.T) {
	if s := (&Spectrum{Rate: 10, Step: 1, PSD: make([]float64, 6)}); len(s.Peaks(0, 3)) != 0 {
		t.Error("a peak in nothing")
	}
	// a lone line has no parabola and no floor
	s := &Spectrum{Rate: 40, Step: 1, PSD: make([]float64, 21)}
	s.PSD[9] = 4
	p := s.Peaks(0, 3)
	if len(p) != 1 || p[0].Hz != 9 || p[0].RMS != 2 || p[0].Floor != 0 || !math.IsInf(p[0].Prominence(), 1) {
		t.Errorf("lone line read as %+v", p)
	}
	if got := s.Peaks(10, 3); len(got) != 0 {
		t.Errorf("a peak below fmin: %+v", got)
	}
	s = &Spectrum{Rate: 6, Step: 1, PSD: []float64{1, 3, 2, 1}}
	if p := s.Peaks(0, 9); len(p) != 1 || p[0].Floor != 0 || math.IsNaN(p[0].RMS) {
		t.Errorf("short spectrum read as %+v", p)
	}
}

// The not-a-knot spline gives any cubic back exactly (de Boor), and the library's
// own spline, which solves a full matrix and so only serves for short logs.
func TestCubicSpline(t *testing.T) {
	rng := rand.New(rand.NewSource(6))
	for trial := 0; trial < 20; trial++ {
		n := 4 + rng.Intn(40)
		xs, cubic, wild := make([]float64, n), make([]float64, n), make([]float64, n)
		f := func(u float64) float64 { return 1 - 2*u + 0.5*u*u - 0.3*u*u*u }
		for i := range xs {
			xs[i] = 0.1 + rng.Float64()
			if i > 0 {
				xs[i] += xs[i-1]
			}
			cubic[i], wild[i] = f(xs[i]), rng.NormFloat64()
		}
		got, err := Resample(xs, cubic, 7, Cubic)
		if err != nil {
			t.Fatal(err)
		}
		for k, y := range got {
			modeltest.Near(t, "cubic", y, f(xs[0]+float64(k)/7), 1e-9, 1e-9)
		}
		var other interp.NotAKnotCubic
		if err := other.Fit(xs, wild); err != nil {
			t.Fatal(err)
		}
		got, err = Resample(xs, wild, 7, Cubic)
		if err != nil {
			t.Fatal(err)
		}
		for k, y := range got {
			modeltest.Near(t, "spline", y, other.Predict(xs[0]+float64(k)/7), 1e-8, 1e-8)
		}
		lin, err := Resample(xs, wild, 7, Linear)
		if err != nil {
			t.Fatal(err)
		}
		var line interp.PiecewiseLinear
		if err := line.Fit(xs, wild); err != nil {
			t.Fatal(err)
		}
		for k, y := range lin {
			modeltest.Near(t, "line", y, line.Predict(xs[0]+float64(k)/7), 1e-12, 1e-12)
		}
	}
	// on the grid already: nothing changes
	x := noise(50, 1, 1)
	at := make([]float64, 50)
	for i := range at {
		at[i] = float64(i) / 8
	}
	for _, how := range []Method{Linear, Cubic} {
		got, err := Resample(at, x, 8, how)
		if err != nil || len(got) != 50 {
			t.Fatal(len(got), err)
		}
		for i := range got {
			modeltest.Near(t, string(how), got[i], x[i], 0, 1e-12)
		}
	}
}

func TestWindowDefinition(t *testing.T) {
	for _, n := range []int{8, 9, 255, 1024} { // Harris 1978, table 1 (from memory); exact but for the overlap of odd lengths
		w, err := HannFigures(n)
		if err != nil {
			t.Fatal(err)
		}
		modeltest.Near(t, "gain", w.CoherentGain, 0.5, 0, 1e-12)
		modeltest.Near(t, "bandwidth", w.NoiseBandwidth, 1.5, 0, 1e-12)
		modeltest.Near(t, "scallop", w.ScallopLossDB, 1.42, 0, 0.08)
	}
}

func TestSpectrumOutOfDomain(t *testing.T) {
	x, nan := noise(100, 1, 1), math.NaN()
	times := []float64{0, 1, 2, 3, 4}
	for name, f := range map[string]func() error{
		"rate 0":          func() error { _, err := Welch(0, 16, x); return err },
		"rate NaN":        func() error { _, err := Welch(nan, 16, x); return err },
		"segment of 4":    func() error { _, err := Welch(1, 4, x); return err },
		"segment too big": func() error { _, err := Welch(1, 101, x, x[:50]); return err },
		"nothing":         func() error { _, err := Welch(1, 16); return err },
		"NaN sample":      func() error { _, err := Welch(1, 16, append([]float64{nan}, x...)); return err },
		"lengths differ":  func() error { _, err := Resample(times, x, 1, Cubic); return err },
		"one sample":      func() error { _, err := Resample(times[:1], x[:1], 1, Cubic); return err },
		"time stands":     func() error { _, err := Resample([]float64{0, 0, 1}, x[:3], 1, Linear); return err },
		"too fine":        func() error { _, err := Resample(times, x[:5], 1e9, Linear); return err },
		"no rate":         func() error { _, err := Resample(times, x[:5], nan, Linear); return err },
		"no method":       func() error { _, err := Resample(times, x[:5], 1, None); return err },
		"unknown method":  func() error { _, err := Resample(times, x[:5], 1, "guess"); return err },
		"tiny window":     func() error { _, err := HannFigures(2); return err },
	} {
		modeltest.WantDomain(t, name, f())
	}
}
