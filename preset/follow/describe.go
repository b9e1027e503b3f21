package follow

import (
	"math"
	"math/cmplx"
)

// DeadZoneGain is the sinusoidal describing function of a dead band of
// half-width window for a sine of the given amplitude (same unit): the gain from
// the sine to the fundamental of what passes. It is 0 up to the window and tends to 1.
// Errors are *domain.Error: a negative window, an amplitude not above 0.
//
// Source: Gelb & Vander Velde, Multiple-Input Describing Functions (1968) App. B;
// Slotine & Li, Applied Nonlinear Control (1991) 5.3 (both from memory).
func DeadZoneGain(window, amplitude float64) (float64, error) {
	if err := inRange("window", window, 0, math.MaxFloat64); err != nil {
		return 0, err
	}
	if err := above("amplitude", amplitude, math.MaxFloat64); err != nil {
		return 0, err
	}
	return sineGain(window, amplitude), nil
}

// DeadZoneRandomGain is the random-input describing function of a dead band of
// half-width window for a Gaussian error of standard deviation sigma (same unit):
// erfc(window/(sigma sqrt 2)). Errors as DeadZoneGain's.
//
// Source: Gelb & Vander Velde (1968) App. E (from memory): 2 Phi(-w/sigma).
func DeadZoneRandomGain(window, sigma float64) (float64, error) {
	if err := inRange("window", window, 0, math.MaxFloat64); err != nil {
		return 0, err
	}
	if err := above("sigma", sigma, math.MaxFloat64); err != nil {
		return 0, err
	}
	return randomGain(window, sigma), nil
}

func sineGain(w, a float64) float64 {
	if a <= w {
		return 0
	}
	r := w / a
	return 1 - 2/math.Pi*(math.Asin(r)+r*math.Sqrt(1-r*r))
}

func randomGain(w, sigma float64) float64 { return math.Erfc(w / (sigma * math.Sqrt2)) }

// SwayLeak is the share of hand sway that a style lets through.
type SwayLeak struct {
	// By harmonic balance with the sinusoidal describing function (one tone) or
	// the random-input one (several): amplitude of the error and of the camera's
	// sway in rad (rms times sqrt 2 for several tones), and camera over handle.
	ErrorAmplitude  float64 `json:"error_amplitude_rad"`
	CameraAmplitude float64 `json:"camera_amplitude_rad"`
	Leak            float64 `json:"leak"`
	// By simulation, without the balance's approximation: the fundamental's
	// amplitude (one tone), or rms times sqrt 2 of all that the camera does
	// about its mean (several).
	CameraSimulated float64 `json:"camera_amplitude_simulated_rad"`
	LeakSimulated   float64 `json:"leak_simulated"`
	Tones           int     `json:"tones"`
}

// loop gives the ratios error/handle and camera/handle at the angular frequency
// om when the dead band passes the share n.
func (s Style) loop(om, n float64) (err, cam complex128) {
	if s.Smoothing == 0 {
		return complex(1-n, 0), complex(n, 0)
	}
	jw := complex(0, om)
	switch s.Lag {
	case Critical:
		wn := complex(2/s.Smoothing, 0)
		open := complex(n, 0) * wn * wn / (jw * (jw + 2*wn))
		return 1 / (1 + open), open / (1 + open)
	case Double: // the dead band closes round the first lag only
		a := complex(s.Smoothing/2, 0)
		open := complex(n, 0) / (jw * a)
		return 1 / (1 + open), open / (1 + open) / (1 + jw*a)
	}
	open := complex(n, 0) / (jw * complex(s.Smoothing, 0))
	return 1 / (1 + open), open / (1 + open)
}

// LetThrough gives the share of a sway (one or more tones; their sum is taken as
// Gaussian if several) that reaches the camera. Errors are *domain.Error.
//
// Source: harmonic balance, Gelb & Vander Velde (1968); simulation exact on
// straight pieces as Simulate.
func LetThrough(s Style, tones ...Tone) (SwayLeak, error) {
	if err := s.Validate(); err != nil {
		return SwayLeak{}, err
	}
	if err := validTones(tones); err != nil {
		return SwayLeak{}, err
	}
	in := rms(tones)
	if in == 0 {
		return SwayLeak{}, refuse("amplitude of the sway (rad)", 0, "more than 0")
	}
	out := SwayLeak{Tones: len(tones)}
	gain := func(e float64) float64 { return sineGain(s.Window, e*math.Sqrt2) }
	if len(tones) > 1 {
		gain = func(e float64) float64 { return randomGain(s.Window, e) }
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
	if s.Smoothing == 0 { // the balance's limit: error at the edge, a quarter cycle off
		e = math.Min(in, s.Window/math.Sqrt2)
		c = math.Sqrt(sq(in) - sq(e))
	}
	out.ErrorAmplitude, out.CameraAmplitude, out.Leak = e*math.Sqrt2, c*math.Sqrt2, c/in
	out.CameraSimulated = simulatedLeak(s, tones)
	out.LeakSimulated = out.CameraSimulated / (in * math.Sqrt2)
	return out, nil
}

func sq(x float64) float64 { return x * x }

func rms(tones []Tone) float64 {
	p := 0.0
	for _, t := range tones {
		p += sq(t.Amplitude) / 2
	}
	return math.Sqrt(p)
}

// Simulated sway: samples to a cycle of the fastest tone, smoothings and cycles
// of the slowest left for the start to die out, cycles then taken.
const (
	leakSamples    = 1000 // one tone
	leakSamplesSum = 60   // several, whose rms needs less
	leakSmoothings = 12.0
	leakCycles     = 3.0
	leakCyclesSum  = 60
)

func simulatedLeak(s Style, tones []Tone) float64 {
	slow, fast := math.Inf(1), 0.0
	for _, t := range tones {
		slow, fast = math.Min(slow, t.Frequency), math.Max(fast, t.Frequency)
	}
	per, take := leakSamples, 1
	if len(tones) > 1 {
		per, take = leakSamplesSum, leakCyclesSum
	}
	dt := 1 / (fast * float64(per))
	wait := int(math.Ceil((math.Ceil(leakSmoothings*s.Smoothing*slow) + leakCycles) / slow / dt))
	n := int(math.Round(float64(take) / slow / dt))
	k := newHead(s, dt)
	handle := func(i int) float64 {
		h := 0.0
		for _, t := range tones {
			h += t.Amplitude * (math.Sin(2*math.Pi*t.Frequency*float64(i)*dt+t.Phase) - math.Sin(t.Phase))
		}
		return h
	}
	h, sum, power := 0.0, 0.0, 0.0
	var co, si float64
	for i := 1; i <= wait+n; i++ {
		next := handle(i)
		k.step((next-h)/dt, dt)
		h = next
		if i > wait {
			c := k.camera(h)
			sin, cos := math.Sincos(2 * math.Pi * slow * float64(i) * dt)
			co, si = co+c*cos, si+c*sin
			sum, power = sum+c, power+c*c
		}
	}
	if len(tones) == 1 {
		return 2 / float64(n) * math.Hypot(co, si)
	}
	mean := sum / float64(n)
	return math.Sqrt(2 * math.Max(0, power/float64(n)-mean*mean))
}
