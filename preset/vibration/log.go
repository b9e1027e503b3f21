// Package vibration reads a gyro log and says what shakes: the spectrum of each
// axis, its peaks and bands, whether that is a hand's sway, a a rocking or
// a chatter, and which parameter to try in which direction.
//
// Everything is SI inside: rates in rad/s, times in s, densities in (rad/s)^2/Hz.
// The spectra follow Welch with the conventions named at Welch. Read takes an
// io.Reader and streams it; nothing here touches a file, a clock or a terminal.
package vibration

import (
	"fmt"
	"io"
	"math"
	"slices"

	"rigkeep/preset/internal/csvlog"
	"rigkeep/schema"
)

const deg = math.Pi / 180

const model = "vibration"

// ReadError is a log that cannot be read: the line (0 for the whole file), what
// is wrong and what to do. Find it with errors.As.
type ReadError = csvlog.Error

// ReadOptions say how to read a log. The zero value guesses all it can.
type ReadOptions struct {
	Columns  Columns
	TimeUnit string  // "s", "ms", "us" or "ns"; empty: from the header, else from the size of the steps
	RateUnit string  // "deg/s" or "rad/s"; empty: from the header, else deg/s is assumed and said
	Rate     float64 // Hz, for a log without time
	// Progress is called now and then with the bytes and rows read so far.
	Progress func(bytes int64, rows int)
}

// Log is a gyro log in SI. Rates[a] is nil for an axis the log does not have;
// the others have one value per time.
type Log struct {
	Time     []float64    // s since the first row, rising
	Rates    [3][]float64 // rad/s, by schema.Axis
	Columns  []ColumnUse  // what was read as what
	Findings []Finding    // what is odd about the log, worst first
	Timing   Timing       //
	lines    []lineAt     // line numbers, where they jump
}

type lineAt struct{ index, line int }

// Columns maps a log's columns: a header's name (capitals do not matter) or "#2"
// for the second column. Empty means guess, "-" means there is none.
type Columns struct {
	Time, Pan, Roll, Tilt string
}

// ColumnUse says what a column was read as.
type ColumnUse = csvlog.Use

// guesses are the header words by which Read knows the turn rates: general words,
// and the axis letters of a sensor mounted as the head's frame (x forward, y left,
// z up). Each list is tried in turn on the names less their units; the first with a
// match decides. Common practice, no source.
var guesses = [3][][]string{
	schema.Pan:  {{"pan", "pan rate", "gyro pan", "rate pan"}, {"yaw", "yaw rate", "gyro yaw"}, {"gyro z", "gyr z", "gz", "wz", "omega z", "rate z", "angular velocity z", "w z", "g z", "z gyro"}, {"z"}},
	schema.Roll: {{"roll", "roll rate", "gyro roll", "rate roll"}, {"gyro x", "gyr x", "gx", "wx", "omega x", "rate x", "angular velocity x", "w x", "g x", "x gyro"}, {"x"}},
	schema.Tilt: {{"tilt", "tilt rate", "gyro tilt", "rate tilt"}, {"pitch", "pitch rate", "gyro pitch"}, {"gyro y", "gyr y", "gy", "wy", "omega y", "rate y", "angular velocity y", "w y", "g y", "y gyro"}, {"y"}},
}

// letterLists is how many of each axis's last lists go by a sensor's axis letters.
const letterLists = 2

var rateUnits = map[string]float64{
	"deg/s": deg, "°/s": deg, "dps": deg, "deg s": deg, "degs": deg, "degrees/s": deg, "degree/s": deg, "deg/sec": deg, "degrees/sec": deg,
	"mdps": deg / 1000, "mdeg/s": deg / 1000,
	"rad/s": 1, "rads": 1, "rad s": 1, "rps": 1, "radians/s": 1, "rad/sec": 1, "mrad/s": 1e-3,
}

// find maps the columns of a log.
func find(in *csvlog.Reader, o ReadOptions) ([]ColumnUse, error) {
	wants := []csvlog.Want{csvlog.TimeWant(o.Columns.Time, o.TimeUnit)}
	if o.Rate > 0 && o.Columns.Time == "" {
		wants[0].Given = "-"
	}
	for i, given := range []string{o.Columns.Pan, o.Columns.Tilt, o.Columns.Roll} {
		a := schema.Axes[i]
		wants = append(wants, csvlog.Want{Use: a.String(), Given: given, Lists: guesses[a], Unit: o.RateUnit, Units: rateUnits, Known: "deg/s or rad/s", Bare: "deg/s"})
	}
	uses, err := in.Find(wants)
	if err != nil {
		return nil, err
	}
	timed := len(uses) > 0 && uses[0].Use == "time"
	switch {
	case len(uses) == 0 || timed && len(uses) == 1:
		return nil, &ReadError{What: "no turn rate found among the columns " + in.Names(), Do: `map at least one of pan, roll, tilt to a column by its name or number, as "#2"`}
	case timed && o.Rate > 0:
		return nil, &ReadError{What: "both a time column and a sample rate were given", Do: "give the rate only for a log without time"}
	case !timed && !(o.Rate > 0):
		return nil, &ReadError{What: "no time found among the columns " + in.Names(), Do: "map the time to a column, or give the sample rate"}
	}
	return uses, nil
}

// Timing is what the timestamps say, before any spectrum.
type Timing struct {
	Rows        int     `json:"rows"` // kept
	Duration    float64 `json:"duration_s"`
	MeanRate    float64 `json:"mean_rate_hz"` // for information; spectra go by the timestamps
	StepMedian  float64 `json:"step_median_s"`
	StepMin     float64 `json:"step_min_s"`
	StepMax     float64 `json:"step_max_s"`
	StepMaxLine int     `json:"step_max_line"` // the row after the largest step
	Even        bool    `json:"even"`          // every row within 2 % of a step of an even grid
	Gaps        []Gap   `json:"gaps"`          // steps of more than GapSteps medians
}

// Gap is a hole in the log.
type Gap struct {
	Start  float64 `json:"start_s"` // time of the row before it
	Length float64 `json:"length_s"`
	Line   int     `json:"line"` // of the row after it
	index  int     // of that row
}

// Finding is something odd about a log.
type Finding struct {
	Kind  FindingKind `json:"kind"`
	Use   string      `json:"use,omitempty"` // the column's use: "time", "pan", ...
	Count int         `json:"count"`         // rows concerned
	Lines []int       `json:"lines"`         // the first of them, 1-based
	Text  string      `json:"text"`          // for a person, with what it means
}

// FindingKind names what is odd.
type FindingKind string

// What may be odd about a log.
const (
	Unreadable  FindingKind = "unreadable"    // cells empty, not a number, or missing: the rows are left out
	OutOfOrder  FindingKind = "out-of-order"  // time steps back or stands still: the rows are left out
	Wrapped     FindingKind = "wrapped-clock" // a counter started again from zero: put right
	Gapped      FindingKind = "gap"
	Uneven      FindingKind = "uneven"
	LostRows    FindingKind = "lost-rows"    // rows missing one by one, told by whole steps
	CoarseClock FindingKind = "coarse-clock" // timestamps rounded to a large part of the step
	Clipped     FindingKind = "clipped"
	Constant    FindingKind = "constant"
	Duplicate   FindingKind = "duplicate" // two columns the same
	Swapped     FindingKind = "swapped"   // a rate column that looks like the time, or time that does not
	Assumed     FindingKind = "assumed"   // a unit neither given nor in the header
)

// Thresholds of reading. Common practice, no source.
const (
	GapSteps      = 5.0  // medians of the time step that make a gap
	evenShare     = 0.02 // of a step: largest distance from an even grid that still counts as even
	maxBadShare   = 0.1  // unreadable or out-of-order rows beyond which the log is refused
	minRows       = 16
	maxRows       = 50_000_000
	listedLines   = 5
	clipRun       = 3 // equal extreme samples in a row
	progressEvery = 1 << 14
)

// problem gathers the rows of one kind of finding.
type problem struct {
	count int
	lines []int
}

func (p *problem) at(line int) {
	if p.count++; len(p.lines) < listedLines {
		p.lines = append(p.lines, line)
	}
}

// Read reads a log. It keeps 8 bytes a number; the file itself is streamed. Rows
// that cannot be used are left out and named in Findings; the log is refused with
// *ReadError if that is more than a tenth of it, if no columns fit, or if fewer
// than 16 rows remain.
//
// Source: CSV as RFC 4180 as far as it goes; what counts as odd is common practice, no source.
func Read(r io.Reader, o ReadOptions) (*Log, error) {
	if o.Rate != 0 && !(o.Rate > 0 && o.Rate <= 1e6) {
		return nil, &ReadError{What: fmt.Sprintf("the sample rate %g Hz cannot be", o.Rate), Do: "expected a number above 0, at most 1000000"}
	}
	in, err := csvlog.Open(r)
	if err != nil {
		return nil, err
	}
	l := &Log{Findings: []Finding{}}
	l.Timing.Gaps = []Gap{}
	if l.Columns, err = find(in, o); err != nil {
		return nil, err
	}
	var use []int
	for _, u := range l.Columns {
		use = append(use, u.Column)
	}
	in.Use(use)
	x := &reader{Log: l, in: in, clock: clock{has: l.Columns[0].Use == "time", rate: o.Rate}}
	if err := x.read(len(use), o.Progress); err != nil {
		return nil, err
	}
	if err := x.refused(); err != nil {
		return nil, err
	}
	if err := l.scaleTime(); err != nil {
		return nil, err
	}
	steps := l.timing()
	if c, ok := x.climb.rate(l.Columns); ok {
		l.add(Swapped, c.Use, problem{}, "column %q, read as %s, rises from row to row as a time or a counter does: check the mapping", c.Name, c.Use)
	}
	l.report(x.unreadable, x.disordered, x.wrapped, example(x.in), steps)
	return l, nil
}

// reader is a log while it is read.
type reader struct {
	*Log
	in                              *csvlog.Reader
	clock                           clock
	unreadable, disordered, wrapped problem
	climb                           rising
}

// read takes the rows in that can be used.
func (x *reader) read(columns int, progress func(bytes int64, rows int)) error {
	l := x.Log
	row, cols := make([]float64, columns), make([][]float64, columns)
	for n := 0; ; n++ {
		err := x.in.Next(row)
		if err == io.EOF {
			break
		} else if err != nil {
			return err
		}
		if progress != nil && n%progressEvery == 0 {
			progress(x.in.Bytes, n)
		}
		if slices.ContainsFunc(row, math.IsNaN) {
			x.unreadable.at(x.in.Line)
			x.clock.rows++
			continue
		}
		x.climb.see(row)
		t, how := x.clock.read(row[0])
		switch how {
		case Wrapped:
			x.wrapped.at(x.in.Line)
		case OutOfOrder:
			x.disordered.at(x.in.Line)
			continue
		}
		if k := len(l.Time); k == 0 || x.in.Line != l.lines[len(l.lines)-1].line+k-l.lines[len(l.lines)-1].index {
			l.lines = append(l.lines, lineAt{k, x.in.Line})
		}
		if len(l.Time) == maxRows {
			return &ReadError{Line: x.in.Line, What: fmt.Sprintf("more than %d rows", maxRows), Do: "cut the log into parts"}
		}
		l.Time = append(l.Time, t)
		for i, v := range row {
			if !x.clock.has || i > 0 {
				cols[i] = append(cols[i], v*l.Columns[i].Scale)
			}
		}
	}
	if progress != nil {
		progress(x.in.Bytes, len(l.Time))
	}
	for i, u := range l.Columns {
		if a, ok := schema.ParseAxis(u.Use); ok {
			l.Rates[a] = cols[i]
		}
	}
	return nil
}

// refused says why the log as a whole cannot be used.
func (x *reader) refused() error {
	l := x.Log
	rows := len(l.Time) + x.unreadable.count + x.disordered.count
	bad := func(p problem) bool { return float64(p.count) > maxBadShare*float64(rows) }
	switch {
	case bad(x.unreadable):
		return &ReadError{Line: x.unreadable.lines[0], What: fmt.Sprintf("%d of %d rows have no number in a column that is needed%s", x.unreadable.count, rows, example(x.in)), Do: "check which columns are mapped and what separates them"}
	case bad(x.disordered):
		what := fmt.Sprintf("the time does not rise in %d of %d rows", x.disordered.count, rows)
		if c, ok := x.climb.rate(l.Columns); ok {
			what += fmt.Sprintf(", while column %q, read as %s, does: they look swapped", c.Name, c.Use)
		}
		return &ReadError{Line: x.disordered.lines[0], What: what, Do: "check which column is the time, or cut the log where the clock starts again"}
	case len(l.Time) < minRows:
		return &ReadError{What: fmt.Sprintf("only %s can be used", rowsOf(len(l.Time))), Do: fmt.Sprintf("expected at least %d, better some seconds' worth", minRows)}
	}
	dead := true
	for _, x := range l.Rates {
		dead = dead && (len(x) == 0 || slices.Min(x) == slices.Max(x))
	}
	if dead {
		return &ReadError{What: "no turn rate changes from row to row: the sensor or the log is dead", Do: "check which columns are mapped, or log again with the head moving"}
	}
	return nil
}

func example(in *csvlog.Reader) string {
	if in.BadText == "" {
		return ""
	}
	return fmt.Sprintf(" (%q in line %d)", in.BadText, in.BadLine)
}

// clock turns the time column, or the row count, into rising times.
type clock struct {
	has        bool
	rate       float64
	rows       int // seen, for a log without time
	last, lift float64
	begun      bool
}

// counterBits are the widths at which a clock that counts starts again.
var counterBits = []float64{1 << 32, 1 << 24, 1 << 16}

func (c *clock) read(v float64) (float64, FindingKind) {
	if !c.has {
		c.rows++
		return float64(c.rows-1) / c.rate, ""
	}
	how := FindingKind("")
	if c.begun && v+c.lift <= c.last {
		for _, full := range counterBits {
			// from near the top to near the bottom, in whole counts
			if top := c.last - c.lift; top > 0.99*full && top < full && v >= 0 && v < 0.01*full && v == math.Trunc(v) {
				c.lift += full
				how = Wrapped
				break
			}
		}
		if v+c.lift <= c.last {
			return 0, OutOfOrder
		}
	}
	c.begun, c.last = true, v+c.lift
	return c.last, how
}

// rising watches which columns rise from every row to the next, as only a time or
// a counter does.
type rising struct {
	last []float64
	fell []bool
	rows int
}

func (r *rising) see(row []float64) {
	if r.rows == 0 {
		r.last, r.fell = make([]float64, len(row)), make([]bool, len(row))
	}
	for i, v := range row {
		r.fell[i] = r.fell[i] || r.rows > 0 && !(v > r.last[i])
		r.last[i] = v
	}
	r.rows++
}

// rate is the first rate column that only rises, if there is one.
func (r *rising) rate(columns []ColumnUse) (ColumnUse, bool) {
	for i, c := range columns {
		if c.Use != "time" && r.rows >= minRows && !r.fell[i] {
			return c, true
		}
	}
	return ColumnUse{}, false
}

// line is the line number of a row.
func (l *Log) line(index int) int {
	i, _ := slices.BinarySearchFunc(l.lines, index, func(a lineAt, i int) int { return a.index - i })
	if i == len(l.lines) || l.lines[i].index > index {
		i--
	}
	return l.lines[i].line + index - l.lines[i].index
}

// scaleTime brings the time to seconds since the first row.
func (l *Log) scaleTime() error {
	u := &l.Columns[0]
	scale := 1.0
	if u.Use == "time" {
		if u.Scale == 0 {
			if err := u.FromSteps(csvlog.Median(csvlog.Steps(l.Time))); err != nil {
				return err
			}
		}
		scale = u.Scale
	}
	t0 := l.Time[0]
	for i := range l.Time {
		l.Time[i] = (l.Time[i] - t0) * scale
	}
	if d := l.Time[len(l.Time)-1]; !(d > 0) || math.IsInf(d, 0) {
		return &ReadError{What: fmt.Sprintf("the log lasts %g s", d), Do: "check the time column and its unit"}
	}
	return nil
}

// timing fills Timing and returns the time steps, sorted.
func (l *Log) timing() []float64 {
	n := len(l.Time)
	t := &l.Timing
	t.Rows, t.Duration = n, l.Time[n-1]
	t.MeanRate = float64(n-1) / t.Duration
	steps := csvlog.Steps(l.Time)
	t.StepMedian = csvlog.Median(steps)
	t.StepMin, t.Even = math.Inf(1), true
	grid := t.Duration / float64(n-1)
	for i := 1; i < n; i++ {
		d := l.Time[i] - l.Time[i-1]
		t.StepMin = math.Min(t.StepMin, d)
		if d > t.StepMax {
			t.StepMax, t.StepMaxLine = d, l.line(i)
		}
		if d > GapSteps*t.StepMedian {
			t.Gaps = append(t.Gaps, Gap{l.Time[i-1], d, l.line(i), i})
		}
		if math.Abs(l.Time[i]-float64(i)*grid) > evenShare*grid {
			t.Even = false
		}
	}
	return steps
}
