package vibration

import (
	"fmt"
	"math"
	"math/rand"
	"strings"
	"testing"

	"rigkeep/schema"
)

// A tenth of the rows lost at 200 Hz, anywhere or every tenth, is lost rows and no
// clock that is rounded to 5 ms.
func TestLostRowsAreLostRows(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	for name, lose := range map[string]func(i int) bool{
		"anywhere":    func(int) bool { return rng.Float64() < 0.1 },
		"every tenth": func(i int) bool { return i%10 == 4 },
		"at one end":  func(i int) bool { return i > 300 && i%3 == 0 },
	} {
		var b strings.Builder
		b.WriteString("t_s,pan_dps\n")
		lost, last := 0, 0
		for i := range 1000 {
			if i > 0 && lose(i) {
				lost++
				continue
			}
			last = i
			fmt.Fprintf(&b, "%.3f,%.4f\n", float64(i)*0.005, pan(i))
		}
		lost -= 999 - last // after the last row nothing shows
		l := read(t, b.String(), ReadOptions{})
		f := finding(l, LostRows)
		if f == nil || finding(l, CoarseClock) != nil || f.Count > lost || f.Count < lost-8 { // a longer hole is a gap of its own
			t.Errorf("%s: %d lost: %+v", name, lost, l.Findings)
		}
	}
	// a clock in whole milliseconds stays one
	var b strings.Builder
	b.WriteString("t_s,pan_dps\n")
	for i := range 600 {
		fmt.Fprintf(&b, "%.3f,%.4f\n", math.Floor(float64(i)*1.3)/1000, pan(i))
	}
	if l := read(t, b.String(), ReadOptions{}); finding(l, CoarseClock) == nil || finding(l, LostRows) != nil {
		t.Errorf("%+v", l.Findings)
	}
}

// 180 Hz in a log of 200 Hz looks like a clear 20 Hz; the note says so, once.
//
// Source: the sampling theorem (Oppenheim & Schafer, Discrete-Time Signal Processing, from memory).
func TestFoldingIsSaidOnce(t *testing.T) {
	l := logOf(200, 10, 0.05, 0, tone{180, 2})
	r := analyse(t, l, Settings{})
	if r.Verdict.Hz == nil || math.Abs(*r.Verdict.Hz-20) > 0.1 {
		t.Fatalf("%+v", r.Verdict)
	}
	n := 0
	for _, x := range r.Notes {
		if strings.Contains(x, "folded") && strings.Contains(x, "180 Hz") {
			n++
		}
	}
	if n != 1 {
		t.Errorf("notes %q", r.Notes)
	}
}

// A burst of one second in ten is told beside the mean.
func TestLoudestStretch(t *testing.T) {
	l := logOf(200, 10, 0.02, 0)
	x := l.Rates[schema.Tilt]
	for i, at := range l.Time {
		if at >= 6 && at < 7.5 {
			x[i] += 3 * deg * math.Sin(2*math.Pi*20*at)
		}
	}
	r := analyse(t, l, Settings{})
	for _, a := range r.Axes {
		if a.Axis != "tilt" {
			continue
		}
		s := a.Loudest
		if s == nil || s.Start < 5.9 || s.Start > 6.6 || math.Abs(s.RMS/deg-3/math.Sqrt2) > 0.2 || s.Mean > s.RMS/2 {
			t.Errorf("%+v", s)
		}
	}
	if r := analyse(t, logOf(200, 1.5, 0.02, 0), Settings{}); r.Axes[0].Loudest != nil {
		t.Errorf("%+v", r.Axes[0].Loudest)
	}
}
