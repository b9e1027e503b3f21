package follow

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// DeadBandGain is the sinusoidal describing function of a dead band of
// half-width deadBand for a sine of the given amplitude (same unit): the gain from
// the sine to the fundamental of what passes. It is 0 up to the dead band and tends to 1.
// Errors are *domain.Error: a negative dead band, an amplitude not above 0.
//
// Source: Gelb & Vander Velde, Multiple-Input Describing Functions (1968) App. B;
// Slotine & Li, Applied Nonlinear Control (1991) 5.3 (both from memory).
func DeadBandGain(deadBand, amplitude float64) (float64, error) {
	if err := inRange("deadband", deadBand, 0, math.MaxFloat64); err != nil {
		return 0, err
	}
	if err := above("amplitude", amplitude, math.MaxFloat64); err != nil {
		return 0, err
	}
	return sineGain(deadBand, amplitude), nil
}

// DeadBandRandomGain is the random-input describing function of a dead band of
// half-width deadBand for a Gaussian error of standard deviation sigma (same unit):
// erfc(deadBand/(sigma sqrt 2)). Errors as DeadBandGain's.
//
// Source: Gelb & Vander Velde (1968) App. E (from memory): 2 Phi(-w/sigma).
func DeadBandRandomGain(deadBand, sigma float64) (float64, error) {
	if err := inRange("deadband", deadBand, 0, math.MaxFloat64); err != nil {
		return 0, err
	}
	if err := above("sigma", sigma, math.MaxFloat64); err != nil {
		return 0, err
	}
	return randomGain(deadBand, sigma), nil
}

func sineGain(w, a float64) float64 {
	if a <= w {
		return 0
	}
	r := w / a
	return 1 - 2/math.Pi*(math.Asin(r)+r*math.Sqrt(1-r*r))
}

func randomGain(w, sigma float64) float64 { return math.Erfc(w / (sigma * math.Sqrt2)) }

// SwayPassed is the share of hand sway that a style lets through.
type SwayPassed struct {
	// By harmonic balance with the sinusoidal describing function (one tone) or
	// the random-input one (several): amplitude of the error and of the camera's
	// sway in rad (rms times sqrt 2 for several tones), and camera over handle.
	ErrorAmplitude  float64 `json:"error_amplitude_rad"`
	CameraAmplitude float64 `json:"camera_amplitude_rad"`
	Leak            float64 `json:"leak"`
	// By simulation, without the balance's approximation: amplitude at the tones'
	// own frequencies (rms times sqrt 2 for several), and camera over handle.
	CameraSimulated float64 `json:"camera_amplitude_simulated_rad"`
	LeakSimulated   float64 `json:"leak_simulated"`
	// The same with all that the camera does about its mean, the harmonics and
	// beats made by the dead band's edges included.
	LeakAll float64 `json:"leak_all"`
}

// loop gives the ratios error/handle and camera/handle at the angular frequency
// om when the dead band passes the share n.
func (s Style) loop(om, n float64) (err, cam complex128) {
	if s.Lag == 0 {
		return complex(1-n, 0), complex(n, 0)
	}
	jw := complex(0, om)
	switch s.Model {
	case Critical:
		wn := complex(2/s.Lag, 0)
		open := complex(n, 0) * wn * wn / (jw * (jw + 2*wn))
		return 1 / (1 + open), open / (1 + open)
	case TwoStage: // the dead band closes round the first lag only
		a := complex(s.Lag/2, 0)
		open := complex(n, 0) / (jw * a)
		return 1 / (1 + open), open / (1 + open) / (1 + jw*a)
	}
	open := complex(n, 0) / (jw * complex(s.Lag, 0))
	return 1 / (1 + open), open / (1 + open)
}

// SwayGain gives the share of a sway (one or more tones; their sum is taken as
// Gaussian if several) that reaches the camera. The balance takes the error for
// a sine, which holds behind a lag that is long against the sway's period over
// 2 pi; where it is short, trust the simulation. Errors are *domain.Error.
//
// Source: harmonic balance with the dead band's (without lag the play's)
// describing function, Gelb & Vander Velde (1968) App. B and E (from memory);
// simulation exact on straight pieces as Simulate.
func SwayGain(s Style, tones ...Tone) (SwayPassed, error) {
	if err := s.Validate(); err != nil {
		return SwayPassed{}, err
	}
	if err := validTones(tones); err != nil {
		return SwayPassed{}, err
	}
	in := rms(tones)
	if in == 0 {
		return SwayPassed{}, refuse("amplitude of the sway (rad)", 0, "more than 0")
	}
	var out SwayPassed
	gain := func(e float64) float64 { return sineGain(s.DeadBand, e*math.Sqrt2) }
	if len(tones) > 1 {
		gain = func(e float64) float64 { return randomGain(s.DeadBand, e) }
	}
	level := func(n float64) (e, c float64) {
		for _, t := range tones {
			le, lc := s.loop(2*math.Pi*t.Frequency, n)
			e += sq(t.Amplitude*cmplx.Abs(le)) / 2
			c += sq(t.Amplitude*cmplx.Abs(lc)) / 2
		}
		return math.Sqrt(e), math.Sqrt(c)
	}
	// the error level at which the loop, with the gain that level has, gives it back
	hi := in
	for i := 0; i < 60; i++ {
		if e, _ := level(gain(hi)); e <= hi {
			break
		}
		hi *= 1.25
	}
	e := bracketed(func(e float64) float64 { l, _ := level(gain(e)); return l - e }, 0, hi)
	_, c := level(gain(e))
	if s.Lag == 0 {
		e, c = play(s.DeadBand/math.Sqrt2, in)
	}
	out.ErrorAmplitude, out.CameraAmplitude, out.Leak = e*math.Sqrt2, c*math.Sqrt2, c/in
	at, all, err := simulatedLeak(s, tones)
	out.CameraSimulated, out.LeakSimulated, out.LeakAll = at*math.Sqrt2, at/in, all/in
	return out, err
}

func sq(x float64) float64 { return x * x }

// play is the describing function of play with half-width deadBand for a sine of
// amplitude a, as amplitudes of error and output.
func play(w, a float64) (err, out float64) {
	if a <= w {
		return a, 0
	}
	g := w / a
	in := a / math.Pi * (math.Pi/2 + math.Asin(1-2*g) + 2*(1-2*g)*math.Sqrt(g*(1-g)))
	quad := 4 * w / math.Pi * (1 - g)
	return math.Hypot(a-in, quad), math.Hypot(in, quad)
}

func rms(tones []Tone) float64 {
	p := 0.0
	for _, t := range tones {
		p += sq(t.Amplitude) / 2
	}
	return math.Sqrt(p)
}

// Simulated sway: samples to a cycle of the fastest tone; lags, and cycles of
// the slowest tone, left for the start to die out; cycles of it then taken.
const (
	leakSamples    = 1000 // one tone
	leakSamplesSum = 60   // several, over whose many cycles errors average out
	leakLags       = 12.0
	leakCycles     = 3.0
	leakCyclesSum  = 60
	leakMost       = 3_000_000 // samples in all
)

// simulatedLeak gives the camera's rms at the tones' frequencies and in all.
func simulatedLeak(s Style, tones []Tone) (at, all float64, err error) {
	slow, fast := math.Inf(1), 0.0
	for _, t := range tones {
		slow, fast = math.Min(slow, t.Frequency), math.Max(fast, t.Frequency)
	}
	per, take := leakSamples, 1
	if len(tones) > 1 {
		per, take = leakSamplesSum, leakCyclesSum
	}
	dt := 1 / (fast * float64(per))
	wait := int(math.Ceil((math.Ceil(leakLags*s.Lag*slow) + leakCycles) / slow / dt))
	n := int(math.Round(float64(take) / slow / dt))
	if wait+n > leakMost {
		return 0, 0, refuse("sway", fmt.Sprintf("tones from %g to %g Hz", slow, fast), "tones nearer each other, or less lag")
	}
	k := newHead(s, dt)
	h := 0.0
	// least squares on 1, cos and sin of each tone: normal equations
	basis := make([]float64, 1+2*len(tones))
	left, right := mat.NewSymDense(len(basis), nil), mat.NewVecDense(len(basis), nil)
	power := 0.0
	for i := 1; i <= wait+n; i++ {
		next := 0.0
		basis[0] = 1
		for j, t := range tones {
			sin, cos := math.Sincos(2*math.Pi*t.Frequency*float64(i)*dt + t.Phase)
			next += t.Amplitude * (sin - math.Sin(t.Phase))
			basis[1+2*j], basis[2+2*j] = cos, sin
		}
		k.step((next-h)/dt, dt)
		h = next
		if i <= wait {
			continue
		}
		c := k.camera(h)
		power += c * c
		for a, x := range basis {
			right.SetVec(a, right.AtVec(a)+x*c)
			for b := a; b < len(basis); b++ {
				left.SetSym(a, b, left.At(a, b)+x*basis[b])
			}
		}
	}
	mean := right.AtVec(0) / float64(n)
	all = math.Sqrt(math.Max(0, power/float64(n)-mean*mean))
	var fit mat.VecDense
	if err := fit.SolveVec(left, right); err != nil {
		return 0, 0, refuse("sway tones", err, "frequencies that differ by more than a hundredth of the lowest")
	}
	for j := range tones {
		at += (sq(fit.AtVec(1+2*j)) + sq(fit.AtVec(2+2*j))) / 2
	}
	return math.Sqrt(at), all, nil
}
