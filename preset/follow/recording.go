package follow

import (
	"fmt"
	"io"
	"math"

	"rigkeep/preset/internal/csvlog"
	"rigkeep/schema"
)

// ReadError is a recording that cannot be read: the line (0 for the whole file),
// what is wrong and what to do. Find it with errors.As.
type ReadError = csvlog.Error

// RecordingOptions say how to read a recorded move. Empty fields are guessed from
// the header; a column is named by its header or as "#2".
type RecordingOptions struct {
	Time, Heading string // columns
	TimeUnit      string // "s", "ms", "us" or "ns"
	AngleUnit     string // "deg" or "rad"; deg if the header does not say
}

var angleScale = map[string]float64{"deg": Deg, "degrees": Deg, "degree": Deg, "°": Deg, "rad": 1, "radians": 1, "mrad": 1e-3}

// headingWords are the header words of a heading, in order of preference. Common
// practice, no source.
var headingWords = [][]string{{"heading", "handle", "operator", "angle"}, {"pan", "yaw", "tilt", "pitch"}}

const maxRecorded = 5_000_000

// ReadRecording reads a recorded move: a time and a heading column in a CSV. A
// heading that jumps by more than half a turn from one row to the next is taken
// to have passed north, and made continuous. Errors are *ReadError: no such
// columns, a cell that is not a number, a time that does not rise, fewer than two rows;
// or *domain.Error: a recording longer than an hour.
//
// Source: a form of our own; CSV as RFC 4180 as far as it goes.
func ReadRecording(r io.Reader, o RecordingOptions) ([]Sample, error) {
	in, err := csvlog.Open(r)
	if err != nil {
		return nil, err
	}
	uses, err := in.Find([]csvlog.Want{
		csvlog.TimeWant(o.Time, o.TimeUnit),
		{Use: "heading", Given: o.Heading, Lists: headingWords, Unit: o.AngleUnit, Units: angleScale, Known: "deg or rad", Bare: "deg"},
	})
	if err != nil {
		return nil, err
	}
	if len(uses) != 2 {
		return nil, &ReadError{What: "a time and a heading are needed; the log has " + in.Names(), Do: "map both to columns by name or number"}
	}
	t, h := &uses[0], uses[1]
	in.Use([]int{t.Column, h.Column})
	var out []Sample
	var times []float64
	row := make([]float64, 2)
	turns := 0.0
	for {
		if err := in.Next(row); err == io.EOF {
			break
		} else if err != nil {
			return nil, err
		}
		if math.IsNaN(row[0]) || math.IsNaN(row[1]) {
			return nil, &ReadError{Line: in.Line, What: "time or heading is not a number", Do: "take the row out or put it right"}
		}
		a := row[1] * h.Scale
		if n := len(out); n > 0 {
			if !(row[0] > times[n-1]) {
				return nil, &ReadError{Line: in.Line, What: fmt.Sprintf("the time %g does not come after %g", row[0], times[n-1]), Do: "put the rows in order of time"}
			}
			turns -= math.Round((a+turns-out[n-1].Angle)/(2*math.Pi)) * 2 * math.Pi
		}
		if len(out) == maxRecorded {
			return nil, &ReadError{Line: in.Line, What: fmt.Sprintf("more than %d rows", maxRecorded), Do: "cut the recording to the move"}
		}
		times = append(times, row[0])
		out = append(out, Sample{Angle: a + turns})
	}
	if len(out) < 2 {
		return nil, &ReadError{What: schema.Count(len(out), "row of numbers", "rows of numbers"), Do: "expected at least two"}
	}
	if t.Scale == 0 {
		if err := t.FromSteps(csvlog.Median(csvlog.Steps(times))); err != nil {
			return nil, err
		}
	}
	for i := range out {
		out[i].Time = (times[i] - times[0]) * t.Scale
	}
	if _, err := NewRecorded(out); err != nil {
		return nil, err
	}
	return out, nil
}
