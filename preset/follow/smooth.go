package follow

import (
	"math"
	"math/bits"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Settings of the spectral arc length, as its authors' defaults.
const (
	sparcPad       = 4    // powers of two of zero padding
	sparcCutoff    = 10.0 // Hz
	sparcThreshold = 0.05 // of the largest amplitude
	sparcMaxLog2   = 26   // samples, padding included
)

// smoothRate is the least sample rate, Hz, at which the response's arc length is
// taken: it looks below 10 Hz, so 1 kHz would only cost time.
const smoothRate = 100.0

// plans keeps transforms by the logarithm of their length: making one costs more
// than using it.
var plans [sparcMaxLog2 + 1]sync.Pool

type plan struct {
	fft  *fourier.FFT
	in   []float64
	bins []complex128
}

// SPARC is the spectral arc length of a speed profile v (any unit) sampled at
// fs Hz: minus the length of the arc of its amplitude spectrum, normalised to
// its largest value, over the frequencies up to 10 Hz between the first and the
// last bin above 0.05, with zero padding by 2^4. It is below zero; nearer zero is
// smoother, and it does not depend on amplitude. Errors are *domain.Error: fewer
// than two samples, no motion, or a spectrum of one bin only.
//
// Source: Balasubramanian, Melendez-Calderon, Roby-Brami, Burdet, J. NeuroEng.
// Rehabil. 12 (2015) 112; checked against the authors' published doctest value.
func SPARC(v []float64, fs float64) (float64, error) {
	if err := profileOK(v, fs, 2); err != nil {
		return 0, err
	}
	log2 := bits.Len(uint(len(v)-1)) + sparcPad
	if log2 > sparcMaxLog2 {
		return 0, refuse("number of speed samples", len(v), "at most four million")
	}
	n := 1 << log2
	p, _ := plans[log2].Get().(*plan)
	if p == nil {
		p = &plan{fourier.NewFFT(n), make([]float64, n), make([]complex128, n/2+1)}
	}
	defer plans[log2].Put(p)
	clear(p.in[copy(p.in, v):])
	bins := p.fft.Coefficients(p.bins, p.in)

	df := fs / float64(n)
	mag := func(k int) float64 { // the spectrum of a real signal repeats, mirrored
		if k > n/2 {
			k = n - k
		}
		return math.Hypot(real(bins[k]), imag(bins[k]))
	}
	top, largest := 0, 0.0
	for k := range bins {
		largest = math.Max(largest, mag(k))
	}
	for top < n && float64(top)*df <= sparcCutoff {
		top++
	}
	first, last := -1, -1
	for k := 0; k < top; k++ {
		if mag(k)/largest >= sparcThreshold {
			if first < 0 {
				first = k
			}
			last = k
		}
	}
	if last <= first {
		return 0, refuse("speed profile", "one spectral line below 10 Hz", "a move with more than one")
	}
	arc, was := 0.0, mag(first)/largest
	for k := first + 1; k <= last; k++ {
		is := mag(k) / largest
		arc += math.Hypot(1/float64(last-first), is-was)
		was = is
	}
	return -arc, nil
}

// LDLJ is the log dimensionless jerk of a speed profile v (any unit) sampled at
// fs Hz: -ln(T^3/vpeak^2 sum(jerk^2) dt), the jerk being the second difference of
// v over dt^2 and T = len(v)/fs. Nearer zero is smoother. It only means something
// where the acceleration has no jump: behind one lag it grows with fs.
// Errors are *domain.Error: fewer than three samples, no motion or no jerk.
//
// Source: Hogan & Sternad, J. Motor Behavior 41 (2009) 529; Balasubramanian et
// al. 2015; checked against the authors' published doctest value.
func LDLJ(v []float64, fs float64) (float64, error) {
	if err := profileOK(v, fs, 3); err != nil {
		return 0, err
	}
	dt := 1 / fs
	sum, peak := 0.0, 0.0
	for i, x := range v {
		peak = math.Max(peak, math.Abs(x))
		if i >= 2 {
			j := (x - 2*v[i-1] + v[i-2]) / (dt * dt)
			sum += j * j
		}
	}
	T := float64(len(v)) * dt
	d := T * T * T / (peak * peak) * sum * dt
	if !(d > 0) || math.IsInf(d, 0) {
		return 0, refuse("speed profile", "free of jerk", "a speed that bends")
	}
	return -math.Log(d), nil
}

func profileOK(v []float64, fs float64, least int) error {
	if err := above("sample rate (Hz)", fs, 1e9); err != nil {
		return err
	}
	if len(v) < least {
		return refuse("number of speed samples", len(v), "more of them")
	}
	moving := false
	for _, x := range v {
		if math.IsNaN(x) || math.Abs(x) > 1e100 {
			return refuse("speed", x, "a number of ordinary size")
		}
		moving = moving || math.Abs(x) > 1e-100
	}
	if !moving {
		return refuse("speed profile", "zero throughout", "some motion")
	}
	return nil
}

// smoothness fills the two measures of the camera's rate.
func (r *Response) smoothness() {
	stride := max(1, int(1/(r.Trace.Step*smoothRate)))
	v := make([]float64, 0, len(r.Trace.Rate)/stride+1)
	for i := 0; i < len(r.Trace.Rate); i += stride {
		v = append(v, r.Trace.Rate[i])
	}
	fs := 1 / (r.Trace.Step * float64(stride))
	if !r.Moves {
		r.Omitted["sparc"] = "the camera does not move"
		r.Omitted["ldlj"] = "the camera does not move"
		return
	}
	if s, err := SPARC(v, fs); err == nil {
		r.SPARC = &s
	} else {
		r.Omitted["sparc"] = err.Error()
	}
	if r.Style.Model == FirstOrder || r.Style.Model == "" || r.Style.Lag == 0 {
		r.Omitted["ldlj"] = "one lag jumps in acceleration, so its jerk depends on the sample rate; use the spectral arc length"
		return
	}
	if s, err := LDLJ(r.Trace.Rate, 1/r.Trace.Step); err == nil {
		r.LDLJ = &s
	} else {
		r.Omitted["ldlj"] = err.Error()
	}
}
