package vibration

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/schema"
)

func (l *Log) add(kind FindingKind, use string, p problem, format string, args ...any) {
	l.Findings = append(l.Findings, Finding{kind, use, p.count, append([]int{}, p.lines...), fmt.Sprintf(format, args...)})
}

// report names what is odd about the log, worst first. steps are the sorted time
// steps.
func (l *Log) report(unreadable, disordered, wrapped problem, example string, steps []float64) {
	l.columns()
	if disordered.count > 0 {
		l.add(OutOfOrder, "time", disordered, "the time stands still or steps back in %s, left out", rowsOf(disordered.count))
	}
	if unreadable.count > 0 {
		l.add(Unreadable, "", unreadable, "%s without a number that is needed%s, left out", rowsOf(unreadable.count), example)
	}
	if wrapped.count > 0 {
		l.add(Wrapped, "time", wrapped, "the clock's counter started again from zero %d times; corrected", wrapped.count)
	}
	t := l.Timing
	inGaps := 0
	if n := len(t.Gaps); n > 0 {
		var p problem
		lost := 0.0
		for _, g := range t.Gaps {
			p.at(g.Line)
			inGaps += int(math.Round(g.Length/t.StepMedian)) - 1
			lost += g.Length - t.StepMedian
		}
		l.add(Gapped, "time", p, "%s of more than %g steps, %.3g s in all; the spectrum is taken on either side where the pieces are long enough", schema.Count(n, "gap", "gaps"), GapSteps, lost)
	}
	if !t.Even {
		l.add(Uneven, "time", problem{}, "time steps of %.4g to %.4g ms, median %.4g: the rows are brought to an even grid by their timestamps", t.StepMin*1e3, t.StepMax*1e3, t.StepMedian*1e3)
		q, ok := rounding(steps, t.StepMedian)
		if n, lost := l.lostRows(q); ok && math.Abs(q/t.StepMedian-1) < 0.01 && lost {
			if n -= unreadable.count + disordered.count + inGaps; n > 0 {
				l.add(LostRows, "time", problem{count: n}, "%s lost on the way, %.2g %% of the log: levels near %.4g Hz and above are less sure; log to a faster card, or fewer columns", rowsOf(n), 100*float64(n)/float64(n+t.Rows), 0.25/t.StepMedian)
			}
		} else if ok {
			l.add(CoarseClock, "time", problem{}, "timestamps are rounded to %.3g ms, %.0f %% of a step: levels at high frequencies are less sure; log finer timestamps, or no time and the sample rate", q*1e3, 100*q/t.StepMedian)
		}
	}
	for _, c := range l.Columns {
		if a, ok := schema.ParseAxis(c.Use); ok && c.By != "given" && c.List >= len(guesses[a])-letterLists {
			l.add(Assumed, "", problem{}, "the columns are named by the sensor's axes: x is read as roll, y as tilt, z as pan, which holds for a sensor mounted with x forward along the lens and z up; map them otherwise if it is not")
			break
		}
	}
	for _, c := range l.Columns {
		switch c.By {
		case "assumed":
			l.add(Assumed, c.Use, problem{}, "column %q names no unit: read as %s", c.Name, c.Unit)
		case "steps":
			l.add(Assumed, c.Use, problem{}, "column %q names no unit: its steps look like %s", c.Name, c.Unit)
		}
	}
}

// rounding finds the size to which timestamps were rounded, if it is a large part
// of the step and every step a multiple of it.
func rounding(steps []float64, med float64) (float64, bool) {
	q := math.Inf(1)
	for i := 1; i < len(steps); i++ {
		if d := steps[i] - steps[i-1]; d > 1e-4*med {
			q = math.Min(q, d)
		}
	}
	if !(q > 0.05*med && q < 2*med) {
		return 0, false
	}
	for _, d := range steps {
		if r := d / q; math.Abs(r-math.Round(r)) > 0.01*math.Max(1, r) {
			return 0, false
		}
	}
	return q, true
}

// columns looks at the rates themselves.
func (l *Log) columns() {
	var have []ColumnUse
	for _, c := range l.Columns {
		if c.Use != "time" {
			have = append(have, c)
		}
	}
	rate := func(c ColumnUse) []float64 {
		a, _ := schema.ParseAxis(c.Use)
		return l.Rates[a]
	}
	for i, c := range have {
		x := rate(c)
		if slices.Min(x) == slices.Max(x) {
			l.add(Constant, c.Use, problem{count: len(x)}, "column %q, read as %s, is %.4g in every row: the sensor or the log is dead there", c.Name, c.Use, x[0]/c.Scale)
			continue
		}
		for _, d := range have[:i] {
			if slices.Equal(x, rate(d)) {
				l.add(Duplicate, c.Use, problem{count: len(x)}, "columns %q and %q, read as %s and %s, are the same in every row", d.Name, c.Name, d.Use, c.Use)
			}
		}
		if p, level := l.clipped(x); p.count > 0 {
			l.add(Clipped, c.Use, p, "column %q, read as %s, is cut off at %.4g in %s: the sensor's range was too small, and levels there are too low", c.Name, c.Use, level/c.Scale, rowsOf(p.count))
		}
	}
}

// clipped finds runs of equal samples at the extremes. A smooth signal in coarse
// steps also stands still at its peak, but comes there by one step; a cut-off one
// arrives with a jump.
func (l *Log) clipped(x []float64) (problem, float64) {
	lo, hi := slices.Min(x), slices.Max(x)
	quantum := math.Inf(1)
	for i := 1; i < len(x); i++ {
		if d := math.Abs(x[i] - x[i-1]); d > 0 {
			quantum = math.Min(quantum, d)
		}
	}
	var p problem
	level := 0.0
	for i := 0; i < len(x); {
		if x[i] != lo && x[i] != hi {
			i++
			continue
		}
		j := i + 1
		for j < len(x) && x[j] == x[i] {
			j++
		}
		jump := 0.0
		if i > 0 {
			jump = math.Abs(x[i] - x[i-1])
		}
		if j < len(x) {
			jump = math.Max(jump, math.Abs(x[j]-x[i]))
		}
		if j-i >= clipRun && jump > 2.5*quantum {
			for k := i; k < j; k++ {
				p.at(l.line(k))
			}
			level = math.Max(level, math.Abs(x[i]))
		}
		i = j
	}
	return p, level
}

func rowsOf(n int) string { return schema.Count(n, "row", "rows") }
