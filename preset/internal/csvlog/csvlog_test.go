package csvlog

import (
	"errors"
	"io"
	"math"
	"strings"
	"testing"
)

func TestParts(t *testing.T) {
	for name, want := range map[string][2]string{
		"t":               {"t", ""},
		"t_s":             {"t", "s"},
		"Time [ms]":       {"time", "ms"},
		"TimestampUs":     {"timestamp", "us"},
		"time (µs)":       {"time", "µs"},
		"seconds":         {"seconds", ""},
		"elapsed.seconds": {"elapsed", "seconds"},
		"time (UTC)":      {"time", "utc"},
		"":                {"", ""},
		"___":             {"", ""},
		"ZEIT s":          {"zeit", "s"},
		"temp_c":          {"temp c", ""},
		"İzmir_time_ms":   {"izmir time", "ms"},
	} {
		if word, unit := parts(name, TimeUnits); word != want[0] || unit != want[1] {
			t.Errorf("%q: got %q in %q, want %q in %q", name, word, unit, want[0], want[1])
		}
	}
	rates := map[string]float64{"deg/s": 1, "deg s": 1, "dps": 1, "rad/s": 2}
	for name, want := range map[string][2]string{
		"gyroX":          {"gyro x", ""},
		"gyro_x_dps":     {"gyro x", "dps"},
		"gyro_x_deg_s":   {"gyro x", "deg s"},
		"GyroZ(rad/s)":   {"gyro z", "rad/s"},
		"pan rate deg/s": {"pan rate", "deg/s"},
		"ax [g]":         {"ax", "g"},
	} {
		if word, unit := parts(name, rates); word != want[0] || unit != want[1] {
			t.Errorf("%q: got %q in %q, want %q in %q", name, word, unit, want[0], want[1])
		}
	}
}

func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{"1": 1, "-2.5": -2.5, "1e3": 1000, "0,25": 0.25, "+.5": 0.5} {
		if v, ok := number([]byte(text)); !ok || v != want {
			t.Errorf("%q: got %v, %v", text, v, ok)
		}
	}
	for _, text := range []string{"", "nan", "NaN", "NULL", "-", "n/a", "inf"} {
		if v, ok := number([]byte(text)); !ok || !math.IsNaN(v) {
			t.Errorf("%q: got %v, %v, want a gap", text, v, ok)
		}
	}
	for _, text := range []string{"x", "1.2.3", "1,2,3", "1e999", "--1", "12:30", "1 2"} {
		if v, ok := number([]byte(text)); ok || !math.IsNaN(v) {
			t.Errorf("%q: got %v, %v, want no number", text, v, ok)
		}
	}
}

// A stray quote must cost one line, not all lines after it.
func TestStrayQuoteCostsOneLine(t *testing.T) {
	l, err := Open(strings.NewReader("a,b\n1,2\n\"3,4\n5,6\n7,8\n"))
	if err != nil {
		t.Fatal(err)
	}
	l.Use([]int{0, 1})
	row, got := make([]float64, 2), []float64{}
	for {
		if err := l.Next(row); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		got = append(got, row[0]+row[1])
	}
	if len(got) != 4 || got[0] != 3 || !math.IsNaN(got[1]) || got[2] != 11 || got[3] != 15 {
		t.Errorf("rows %v", got)
	}
	if l.Bytes != 21 || l.Line != 5 {
		t.Errorf("%d bytes, line %d", l.Bytes, l.Line)
	}
}

// A header name reaches a terminal: nothing in it may be a control character.
func TestHeaderNamesArePrintable(t *testing.T) {
	l, err := Open(strings.NewReader("\x1b[31mt,pan\u202e\xff\n1,2\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := l.Names(); got != `"[31mt", "pan"` {
		t.Errorf("names %s", got)
	}
}
