package vibration

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"rigkeep/preset/domain"
	"rigkeep/preset/internal/csvlog"
)

func refuse(name string, value any, want, do string) error {
	c := domain.Checker{Model: model}
	c.Fail(name, fmt.Sprint(value), want, do)
	return c.Err()
}

// Spectrum is a one-sided power spectral density: PSD[k] at k*Step Hz, in the
// square of the signal's unit per Hz (rad/s gives (rad/s)^2/Hz).
type Spectrum struct {
	Rate     float64   `json:"rate_hz"` // of the samples
	Segment  int       `json:"segment"` // samples in each
	Segments int       `json:"segments"`
	Step     float64   `json:"step_hz"` // between lines
	PSD      []float64 `json:"psd"`
}

// Welch estimates the spectrum of a signal sampled at rate Hz, in one or more
// pieces without a gap, averaging segments of n samples: one-sided density,
// periodic Hann window, 50 % overlap, the mean of each segment removed, what is
// left at a piece's end dropped, plain mean of the periodograms. Errors are
// *domain.Error: a rate not above 0, n below 8, no piece as long as n, a sample
// that is not a number.
//
// Source: Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70; the scaling as
// scipy.signal.welch's, against which checks f1 to f3 were computed.
func Welch(rate float64, n int, pieces ...[]float64) (*Spectrum, error) {
	if !(rate > 0) || math.IsInf(rate, 0) {
		return nil, refuse("sample rate (Hz)", rate, "a number above 0", "")
	}
	if n < 8 {
		return nil, refuse("samples to a segment", n, "at least 8", "")
	}
	longest := 0
	for _, x := range pieces {
		longest = max(longest, len(x))
	}
	if longest < n {
		return nil, refuse("samples to a segment", n, fmt.Sprintf("at most %d, the longest piece without a gap", longest), "take a shorter segment or a longer log")
	}
	window, power := hann(n), 0.0
	for _, w := range window {
		power += w * w
	}
	// the spacing as 1/(n dt), since band edges are compared with it to the last bit
	s := &Spectrum{Rate: rate, Segment: n, Step: 1 / (float64(n) * (1 / rate)), PSD: make([]float64, n/2+1)}
	fft := fourier.NewFFT(n)
	buf, bins := make([]float64, n), make([]complex128, n/2+1)
	for _, x := range pieces {
		for i := 0; i+n <= len(x); i += n - n/2 {
			seg := x[i : i+n]
			mean := 0.0
			for _, v := range seg {
				mean += v
			}
			if mean /= float64(n); math.IsNaN(mean) || math.IsInf(mean, 0) {
				return nil, refuse("a sample", mean, "a number", "leave out rows without one")
			}
			for k, v := range seg {
				buf[k] = (v - mean) * window[k]
			}
			fft.Coefficients(bins, buf)
			for k, b := range bins {
				s.PSD[k] += real(b)*real(b) + imag(b)*imag(b)
			}
			s.Segments++
		}
	}
	for k := range s.PSD {
		s.PSD[k] /= rate * power * float64(s.Segments)
		if k > 0 && 2*k != n {
			s.PSD[k] *= 2 // the negative frequencies' share
		}
	}
	return s, nil
}

// hann is the periodic Hann window.
func hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
	}
	return w
}

// Window holds the figures of merit of the window Welch uses.
type Window struct {
	CoherentGain       float64 `json:"coherent_gain"`
	NoiseBandwidth     float64 `json:"enbw_bins"`
	ScallopLossDB      float64 `json:"scallop_db"`
	OverlapCorrelation float64 `json:"overlap_correlation"` // of neighbouring half-overlapped segments, 0 to 1
}

// HannFigures gives them for a length of n samples, n at least 8; else *domain.Error.
//
// Source: Harris, Proc. IEEE 66 (1978) 51, table 1 (from memory: 0.50, 1.50 bins,
// 1.42 dB, 16.7 %).
func HannFigures(n int) (Window, error) {
	if n < 8 {
		return Window{}, refuse("samples to a segment", n, "at least 8", "")
	}
	w := hann(n)
	var sum, power, co, si, overlap float64
	for i, v := range w {
		sum += v
		power += v * v
		s, c := math.Sincos(math.Pi * float64(i) / float64(n))
		co, si = co+v*c, si+v*s
		if i+n/2 < n {
			overlap += v * w[i+n/2]
		}
	}
	return Window{sum / float64(n), float64(n) * power / (sum * sum), -20 * math.Log10(math.Hypot(co, si)/sum), overlap / power}, nil
}

// Hz is the frequency of line k.
//
// Source: definition.
func (s *Spectrum) Hz(k int) float64 { return float64(k) * s.Step }

// At is the density of the line nearest f, 0 outside the spectrum.
//
// Source: lookup in Welch's result.
func (s *Spectrum) At(f float64) float64 {
	if k := int(math.RoundToEven(f / s.Step)); k >= 0 && k < len(s.PSD) {
		return s.PSD[k]
	}
	return 0
}

// Band is the rms of what lies in lo <= f < hi: the root of the sum of density
// times line spacing.
//
// Source: Parseval's relation.
func (s *Spectrum) Band(lo, hi float64) float64 {
	sum := 0.0
	for k, p := range s.PSD {
		if f := s.Hz(k); f >= lo && f < hi {
			sum += p
		}
	}
	return math.Sqrt(sum * s.Step)
}

// Total is the rms of the whole spectrum.
//
// Source: Parseval's relation.
func (s *Spectrum) Total() float64 { return s.Band(0, math.Inf(1)) }

// Peak is a local maximum of a spectrum.
type Peak struct {
	Line  float64 `json:"line_hz"` // frequency of the highest line
	Hz    float64 `json:"hz"`      // between the lines, by a parabola through the log density of three
	PSD   float64 `json:"psd"`     // of the highest line
	RMS   float64 `json:"rms"`     // of the tone: five lines less the floor beside them
	Floor float64 `json:"floor"`   // median density of the lines 5 to 12 away
	index int
}

// Prominence is the highest line over the floor beside it, in dB; +Inf over none.
//
// Source: definition.
func (p Peak) Prominence() float64 { return 10 * math.Log10(p.PSD/p.Floor) }

// Peaks lists up to count local maxima at fmin Hz or above, highest first.
//
// Source: parabolic interpolation of the log spectrum (Gasior & Gonzalez, CERN
// AB-Note-2004-021, from memory); the tone's level by summing the main lobe.
func (s *Spectrum) Peaks(fmin float64, count int) []Peak {
	var at []int
	for k := 1; k+1 < len(s.PSD); k++ {
		if s.PSD[k] > s.PSD[k-1] && s.PSD[k] >= s.PSD[k+1] && s.Hz(k) >= fmin {
			at = append(at, k)
		}
	}
	slices.SortStableFunc(at, func(a, b int) int {
		switch {
		case s.PSD[a] > s.PSD[b]:
			return -1
		case s.PSD[a] < s.PSD[b]:
			return 1
		}
		return 0
	})
	out := []Peak{}
	for _, k := range at[:min(max(count, 0), len(at))] {
		out = append(out, s.peak(k))
	}
	return out
}

const (
	lobe              = 2     // lines on either side that a tone fills
	floorIn, floorOut = 5, 12 // lines away from which the floor is taken
)

func (s *Spectrum) peak(k int) Peak {
	n := len(s.PSD)
	p := Peak{Line: s.Hz(k), Hz: s.Hz(k), PSD: s.PSD[k], index: k}
	if s.PSD[k-1] > 0 && s.PSD[k+1] > 0 { // a line of exactly nothing leaves no parabola
		a, b, c := math.Log(s.PSD[k-1]), math.Log(s.PSD[k]), math.Log(s.PSD[k+1])
		if bend := a - 2*b + c; bend < 0 {
			p.Hz = (float64(k) + 0.5*(a-c)/bend) * s.Step
		}
	}
	var side []float64
	side = append(side, s.PSD[max(k-floorOut, 0):max(k-floorIn+1, 0)]...)
	side = append(side, s.PSD[min(k+floorIn, n):min(k+floorOut+1, n)]...)
	if len(side) > 0 {
		p.Floor = csvlog.Median(side)
	}
	power := 0.0
	lo, hi := max(k-lobe, 0), min(k+lobe+1, n)
	for _, v := range s.PSD[lo:hi] {
		power += v
	}
	p.RMS = math.Sqrt(math.Max(power-float64(hi-lo)*p.Floor, 0) * s.Step)
	return p
}
