package vibration

import (
	"fmt"
	"math"
	"math/bits"

	"rigkeep/schema"
)

// Settings of an analysis. The zero value chooses all by itself.
type Settings struct {
	Resample Method  // empty: None for an even log, Linear where gaps are bridged, else Cubic
	Rate     float64 // Hz of the even grid; 0: one over the median time step
	Segment  int     // samples to a Welch segment; 0: about 4 s, fewer in a short log
	Bands    []Band  // whose level to give beside the three of the verdict
	MinHz    float64 // lowest peak listed; 0: Limits.SwayFrom
	Peaks    int     // peaks listed to an axis; 0: 8
	// AcrossGaps interpolates over gaps too; otherwise the spectrum is taken
	// between them, where the pieces are long enough.
	AcrossGaps bool
	Limits     *Limits // nil: DefaultLimits
}

const (
	wantedSegment   = 4.0 // s: a quarter of a hertz apart
	leastSegment    = 1.0 // s: below that, pieces between gaps are too short to use
	defaultPeaks    = 8
	consideredPeaks = 40
	mostGrid        = 20.0 // samples on the even grid for each row of the log
)

// Band is a stretch of frequencies, Low <= f < High.
type Band struct {
	Name string  `json:"name,omitempty"`
	Low  float64 `json:"low_hz"`
	High float64 `json:"high_hz"`
}

// Level is what lies in a band.
type Level struct {
	Band
	RMS   float64 `json:"rms_rad_s"`
	Share float64 `json:"share"` // of the axis's whole power, 0 to 1
}

// Report is the reading of a log.
type Report struct {
	Timing   Timing       `json:"timing"`
	Columns  []ColumnUse  `json:"columns"`
	Findings []Finding    `json:"findings"`
	Method   Method       `json:"method"`
	Rate     float64      `json:"rate_hz"` // of the spectra's samples
	Pieces   int          `json:"pieces"`  // stretches used, cut at gaps
	Notes    []string     `json:"notes"`
	Axes     []AxisReport `json:"axes"`    // in the order pan, roll, tilt
	Verdict  Verdict      `json:"verdict"` // of the worst axis
}

// AxisReport is the reading of one axis.
type AxisReport struct {
	Axis     string    `json:"axis"`
	Mean     float64   `json:"mean_rad_s"`
	Total    float64   `json:"total_rms_rad_s"`
	Levels   []Level   `json:"levels"` // sway, rocking, chatter, then those asked for
	Peaks    []Peak    `json:"peaks"`  // highest first
	Series   []Series  `json:"harmonics"`
	Loudest  *Stretch  `json:"loudest,omitempty"` // nil in a log of less than two seconds
	Verdict  Verdict   `json:"verdict"`
	Spectrum *Spectrum `json:"-"`
}

// Series is a fundamental and the peaks at whole multiples of it.
type Series struct {
	Hz      float64    `json:"hz"`        // of the fundamental
	RMS     float64    `json:"rms_rad_s"` // of all together
	Members []Harmonic `json:"members"`   // the fundamental first
}

// Harmonic is one member of a series.
type Harmonic struct {
	Order int `json:"order"`
	Peak
}

// Analyse reads a log: spectrum, peaks and bands of every axis, the verdict and
// what to try. Rates are in rad/s. Errors are *domain.Error for a setting outside the
// domain, a segment longer than the log, or bands upside down.
//
// Source: Welch's method on samples brought to an even grid by their timestamps;
// the verdict's limits are common practice, no source.
func Analyse(l *Log, s Settings) (*Report, error) {
	lim := DefaultLimits()
	if s.Limits != nil {
		lim = *s.Limits
	}
	if len(l.Time) < minRows {
		return nil, refuse("number of rows in the log", len(l.Time), fmt.Sprintf("at least %d", minRows), "")
	}
	for _, b := range s.Bands {
		if !(b.Low >= 0 && b.High > b.Low) {
			return nil, refuse("band", fmt.Sprintf("%g to %g Hz", b.Low, b.High), "a lower and a higher frequency, 0 or more", "")
		}
	}
	r := &Report{Timing: l.Timing, Columns: l.Columns, Findings: l.Findings, Method: s.Resample, Rate: s.Rate, Notes: []string{}}
	if r.Method == "" {
		r.Method = Cubic
		if l.Timing.Even && s.Rate == 0 {
			r.Method = None
		}
	}
	if r.Rate == 0 {
		r.Rate = 1 / l.Timing.StepMedian
		if l.Timing.Even { // the whole length gives an even grid's step more exactly
			r.Rate = l.Timing.MeanRate
		}
	}
	if !(r.Rate > 0) || math.IsInf(r.Rate, 0) {
		return nil, refuse("sample rate (Hz)", r.Rate, "a number above 0", "")
	}
	use, n := l.choose(s, r)
	grid := 0.0
	for _, p := range use {
		grid += l.lasts(p) * r.Rate
	}
	if grid > mostGrid*float64(len(l.Time)) {
		return nil, refuse("number of samples on an even grid", grid, fmt.Sprintf("at most %g for each row", mostGrid), "cut the log at its gaps, or ask for a lower rate")
	}
	for _, a := range schema.Axes {
		x := l.Rates[a]
		if x == nil {
			continue
		}
		var even [][]float64
		for _, p := range use {
			y := x[p.from:p.to]
			if r.Method != None {
				var err error
				if y, err = Resample(l.Time[p.from:p.to], y, r.Rate, r.Method); err != nil {
					return nil, err
				}
			}
			even = append(even, y)
		}
		spec, err := Welch(r.Rate, n, even...)
		if err != nil {
			return nil, err
		}
		if t := spec.Total(); math.IsNaN(t) || math.IsInf(t, 0) {
			return nil, refuse("turn rate about "+a.String(), t, "values whose squares a computer number can hold", "check the column and its unit")
		}
		ar := axisReport(a, spec, meanOf(even), s, lim)
		ar.Loudest = loudest(r.Rate, l.starts(use), even, lim.RockingFrom)
		r.Axes = append(r.Axes, ar)
	}
	r.overall(l)
	r.fill()
	return r, nil
}

// fill makes empty lists of what there is none of, so that JSON has [] and not null.
func (r *Report) fill() {
	list(&r.Timing.Gaps)
	list(&r.Columns)
	list(&r.Findings)
	list(&r.Notes)
	list(&r.Axes)
	list(&r.Verdict.Evidence)
	list(&r.Verdict.Acts)
	for i := range r.Axes {
		a := &r.Axes[i]
		list(&a.Peaks)
		list(&a.Series)
		list(&a.Verdict.Evidence)
		list(&a.Verdict.Acts)
	}
	for i := range r.Findings {
		list(&r.Findings[i].Lines)
	}
}

func list[T any](l *[]T) {
	if *l == nil {
		*l = []T{}
	}
}

// choose picks the stretches of rows and the segment.
func (l *Log) choose(s Settings, r *Report) ([]piece, int) {
	whole := []piece{{0, len(l.Time)}}
	use := whole
	bridged := s.AcrossGaps && len(l.Timing.Gaps) > 0
	if !s.AcrossGaps && r.Method != None && len(l.Timing.Gaps) > 0 {
		use = l.pieces()
	}
	longest := func(ps []piece) float64 {
		d := 0.0
		for _, p := range ps {
			d = math.Max(d, l.lasts(p))
		}
		return d
	}
	least := leastSegment
	if s.Segment > 0 {
		least = float64(s.Segment) / r.Rate
	}
	fits := longest(whole)*r.Rate <= mostGrid*float64(len(l.Time))
	if len(use) > 1 && longest(use) < 2*least && longest(whole) >= 2*least && fits {
		use = whole
		bridged = true
		r.Notes = append(r.Notes, "the pieces between the gaps are too short for a spectrum, so the gaps are bridged; levels are less sure")
	}
	if bridged && s.Resample == "" && r.Method == Cubic {
		r.Method = Linear // over a gap a spline swings far out; real traces showed twice the level
	}
	n := s.Segment
	if n == 0 {
		n = max(16, 1<<bits.Len(uint(math.Min(wantedSegment*r.Rate/math.Sqrt2, maxRows))))
		for n > 16 && float64(n) > longest(use)*r.Rate/2 {
			n /= 2
		}
	}
	out := use[:0:0]
	for _, p := range use {
		if l.lasts(p)*r.Rate+1+1e-9 >= float64(n) {
			out = append(out, p)
		}
	}
	if len(out) == 0 {
		out = use // Welch says how long the longest is
	}
	if len(use) > 1 && len(out) < len(use) {
		r.Notes = append(r.Notes, fmt.Sprintf("%d of %d pieces between gaps are shorter than a segment and left out", len(use)-len(out), len(use)))
	}
	r.Pieces = len(out)
	return out, n
}

func meanOf(pieces [][]float64) float64 {
	sum, n := 0.0, 0
	for _, x := range pieces {
		for _, v := range x {
			sum += v
		}
		n += len(x)
	}
	return sum / float64(n)
}

func axisReport(a schema.Axis, spec *Spectrum, mean float64, s Settings, lim Limits) AxisReport {
	fmin, count := s.MinHz, s.Peaks
	if fmin == 0 {
		fmin = lim.SwayFrom
	}
	if count == 0 {
		count = defaultPeaks
	}
	out := AxisReport{Axis: a.String(), Mean: mean, Total: spec.Total(), Peaks: spec.Peaks(fmin, count), Spectrum: spec}
	for _, b := range append(lim.bands(spec.Rate/2), s.Bands...) {
		v := Level{Band: b, RMS: spec.Band(b.Low, b.High)}
		if out.Total > 0 {
			v.Share = v.RMS * v.RMS / (out.Total * out.Total)
		}
		out.Levels = append(out.Levels, v)
	}
	var clear []Peak
	for _, p := range spec.Peaks(lim.SwayFrom, consideredPeaks) {
		if p.Prominence() >= lim.Prominence && p.RMS >= lim.ToneRate/10 {
			clear = append(clear, p)
		}
	}
	out.Series = group(clear, spec.Step)
	out.Verdict = lim.judge(a, &out, clear)
	return out
}
