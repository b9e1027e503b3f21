package vibration

import (
	"math"

	"rigkeep/schema"
)

// Stretch is the loudest second or so of an axis: what shakes in bursts is quieter
// in the mean of a log.
type Stretch struct {
	Start  float64 `json:"start_s"`
	Length float64 `json:"length_s"`
	RMS    float64 `json:"rms_rad_s"`      // above Limits.SlowFrom
	Mean   float64 `json:"mean_rms_rad_s"` // of the whole log, likewise
}

// loudestLength is about how long a stretch is, in s: long enough for a frequency of
// a few hertz, short enough for a burst. Common practice, no source.
const loudestLength = 1.0

// loudest finds the loudest stretch among pieces of an even grid that begin at the
// given times; nil where the log is not twice as long as a stretch.
//
// Source: root mean square of each half-overlapping segment's spectrum above a
// frequency (Welch 1967, from memory).
func loudest(rate float64, start []float64, pieces [][]float64, above float64) *Stretch {
	n := max(16, int(math.Round(loudestLength*rate)))
	var out Stretch
	var sum float64
	count := 0
	for i, x := range pieces {
		for at := 0; at+n <= len(x); at += n / 2 {
			s, err := Welch(rate, n, x[at:at+n])
			if err != nil {
				return nil
			}
			rms := s.Band(above, math.Inf(1))
			sum += rms * rms
			count++
			if rms > out.RMS {
				out = Stretch{Start: start[i] + float64(at)/rate, Length: float64(n) / rate, RMS: rms}
			}
		}
	}
	if count < 3 || math.IsNaN(sum) || math.IsInf(sum, 0) {
		return nil
	}
	out.Mean = math.Sqrt(sum / float64(count))
	return &out
}

func herz(v float64) string { return schema.Sig(v, 4) + " Hz" }

// folded says once what lies above half the log's rate, for the frequency of a
// verdict: it may be that of an oscillation too fast for the log.
func (r *Report) folded() (string, bool) {
	top := r.Rate / 2
	if len(r.Axes) == 0 {
		return "", false
	}
	if hz := r.Verdict.Hz; hz != nil && rank[r.Verdict.Kind] == 2 {
		return "Anything above " + herz(top) + ", half the log's rate, appears folded below it: " + herz(*hz) + " may be " + herz(r.Rate-*hz) + " or " + herz(r.Rate+*hz) + ". Record at another rate: a folded frequency moves.", true
	}
	if top < 4*r.Axes[0].Levels[2].Low {
		return "Anything above " + herz(top) + ", half the log's rate, is missing or appears folded below it.", true
	}
	return "", false
}

// lostRows tells rows that were lost from a coarse clock where every step is a
// multiple of the usual one, q. A coarse clock keeps within about one of its steps of
// an even grid from end to end; lost rows stray from any grid, unless they are lost
// at regular places, which no clock does whose step is no round part of a second.
//
// Source: definition; common practice, no source.
func (l *Log) lostRows(q float64) (rows int, lost bool) {
	if !(q > 0) {
		return 0, false
	}
	n := len(l.Time)
	for i := 1; i < n; i++ {
		rows += int(math.Round((l.Time[i]-l.Time[i-1])/q)) - 1
	}
	if rows == 0 {
		return 0, false
	}
	// least squares line through the times
	var mt, mi float64
	for i, t := range l.Time {
		mt += t / float64(n)
		mi += float64(i) / float64(n)
	}
	var sxy, sxx float64
	for i, t := range l.Time {
		sxy += (float64(i) - mi) * (t - mt)
		sxx += (float64(i) - mi) * (float64(i) - mi)
	}
	step := sxy / sxx
	for i, t := range l.Time {
		if math.Abs(t-mt-step*(float64(i)-mi)) > q {
			return rows, true
		}
	}
	ten := math.Log10(q)
	return rows, math.Abs(ten-math.Round(ten)) > 0.002
}

// starts are the times at which pieces begin.
func (l *Log) starts(use []piece) []float64 {
	out := make([]float64, len(use))
	for i, p := range use {
		out[i] = l.Time[p.from]
	}
	return out
}
