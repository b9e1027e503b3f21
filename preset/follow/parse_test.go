package follow

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/domain"
	"rigkeep/preset/internal/modeltest"
)

func TestParseMove(t *testing.T) {
	for text, want := range map[string]Move{
		"turn 90deg in 2s":                              NewTurn(90*Deg, 2),
		"Turn -90 ° in 2000 ms":                         NewTurn(-90*Deg, 2),
		"pan 20deg/s for 3s":                            NewPan(20*Deg, 3),
		"PAN 0.5rad/s for 0.05 min":                     NewPan(0.5, 3),
		"whip 120deg":                                   NewWhip(120 * Deg),
		"whip -120deg in 1s":                            {[][]Step{{{Kind: Whip, Angle: -120 * Deg, Duration: 1}}}},
		"sway 2deg at 0.8Hz":                            NewSway(10, Tone{2 * Deg, 0.8, 0}),
		"sway 2deg at .8 hz for 4 s":                    NewSway(4, Tone{2 * Deg, 0.8, 0}),
		"sway 2deg at 0.8Hz and 1deg at 1.7Hz for 1e1s": NewSway(10, Tone{2 * Deg, 0.8, 0}, Tone{1 * Deg, 1.7, 0}),
		"hold 1s": {[][]Step{{{Kind: Hold, Duration: 1}}}},
		"turn 10deg in 1s then hold 2s then whip 40deg with sway 1deg at 1Hz": {[][]Step{
			{{Kind: Turn, Angle: 10 * Deg, Duration: 1}, {Kind: Hold, Duration: 2}, {Kind: Whip, Angle: 40 * Deg, Duration: whipTime(40 * Deg)}},
			{{Kind: Sway, Tones: []Tone{{Deg, 1, 0}}}},
		}},
	} {
		got, err := ParseMove(text)
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if !alike(got, want) {
			t.Errorf("%s: got %v, want %v", text, got, want)
		}
	}
	m, _ := ParseMove("turn 10deg in 1s then hold 2s with sway 1deg at 1Hz")
	if d := m.Duration(); d != 3 {
		t.Errorf("a sway lengthens the move it lies over to %g s", d)
	}
	if m, _ := ParseMove("sway 1deg at 1Hz with sway 1deg at 2Hz"); m.Duration() != defaultSwayTime {
		t.Errorf("two open sways last %g s", m.Duration())
	}
}

// alike compares moves to rounding.
func alike(a, b Move) bool {
	if len(a.Lines) != len(b.Lines) {
		return false
	}
	near := func(x, y float64) bool { return math.Abs(x-y) <= 1e-8*math.Max(1, math.Abs(y)) }
	for i := range a.Lines {
		if len(a.Lines[i]) != len(b.Lines[i]) {
			return false
		}
		for j, s := range a.Lines[i] {
			o := b.Lines[i][j]
			if s.Kind != o.Kind || !near(s.Angle, o.Angle) || !near(s.Rate, o.Rate) || !near(s.Duration, o.Duration) || len(s.Tones) != len(o.Tones) {
				return false
			}
			for k, tone := range s.Tones {
				if !near(tone.Amplitude, o.Tones[k].Amplitude) || !near(tone.Frequency, o.Tones[k].Frequency) {
					return false
				}
			}
		}
	}
	return true
}

func TestParseMoveSaysWhatItExpected(t *testing.T) {
	for text, want := range map[string]string{
		"":                         `"pan", "turn"`,
		"spin 90deg in 2s":         `at "spin" (character 1)`,
		"turn 90 in 2s":            "an angle with its unit",
		"turn 90deg":               `"in" and a time`,
		"turn 90deg in 2":          "a time with its unit",
		"pan 20deg for 3s":         "a rate with its unit",
		"pan 20deg/s":              `"for" and a time`,
		"sway 2deg":                `"at" and a frequency`,
		"sway 2deg at 1s":          "a frequency with its unit",
		"turn 90deg in 2s hold 1s": `"then" (afterwards), "with"`,
		"turn 90deg in 2s then":    `at the end`,
		"turn 9o deg in 2s":        "an angle with its unit",
		"turn 90degs in 2s":        "an angle with its unit",
		"hold 1s" + strings.Repeat(" then hold 1s", 64):             "no more than 64 steps",
		"sway 1deg at 1Hz" + strings.Repeat(" and 1deg at 1Hz", 16): "no more than 16 tones",
	} {
		_, err := ParseMove(text)
		var p *ParseError
		if !errors.As(err, &p) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: got %v, want a ParseError with %s", text, err, want)
		}
	}
	for _, text := range []string{"turn 90000deg in 2s", "turn 90deg in 0s", "pan 9999deg/s for 1s", "hold 2000min", "sway 1deg at 900Hz", "sway -1deg at 1Hz", "whip 0deg"} {
		_, err := ParseMove(text)
		var d *domain.Error
		if !errors.As(err, &d) {
			t.Errorf("%q: got %v, want a *domain.Error", text, err)
		}
	}
}

func TestMovesRoundTripThroughText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMove(t)
		got, err := ParseMove(m.String())
		if err != nil || !alike(got, m) {
			t.Fatalf("%s: read back as %s, %v", m, got, err)
		}
		if again := got.String(); again != m.String() {
			t.Fatalf("%s becomes %s", m, again)
		}
	})
}

func drawMove(t *rapid.T) Move {
	f := func(lo, hi float64, what string) float64 {
		return math.Round(rapid.Float64Range(lo, hi).Draw(t, what)*100) / 100
	}
	var m Move
	for i := rapid.IntRange(1, 3).Draw(t, "lines"); i > 0; i-- {
		var line []Step
		for j := rapid.IntRange(1, 4).Draw(t, "steps"); j > 0; j-- {
			s := Step{Kind: rapid.SampledFrom([]StepKind{Pan, Turn, Whip, Sway, Hold}).Draw(t, "kind"), Duration: f(0.01, 9, "time")}
			switch s.Kind {
			case Pan:
				s.Rate = f(-90, 90, "rate") * Deg
			case Turn, Whip:
				s.Angle = f(-180, 180, "angle") * Deg
			case Sway:
				for k := rapid.IntRange(1, 3).Draw(t, "tones"); k > 0; k-- {
					s.Tones = append(s.Tones, Tone{Amplitude: f(0, 5, "amplitude") * Deg, Frequency: f(0.1, 5, "frequency")})
				}
			}
			line = append(line, s)
		}
		m.Lines = append(m.Lines, line)
	}
	return m
}

// Whatever the move, the handle ends where its parts add up to, without a jump on
// the way but a pan's and a sway's phase.
func TestHandleIsContinuousAndAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMove(t)
		want := 0.0
		for _, l := range m.Lines {
			for _, s := range l {
				want += s.Angle + s.Rate*s.Duration
			}
		}
		end := m.Duration()
		if got := m.Handle(end + 1); math.Abs(got-want) > 1e-9 {
			t.Fatalf("%s ends at %g, parts add up to %g", m, got, want)
		}
		was, top := 0.0, 0.0
		for _, l := range m.Lines {
			for _, s := range l {
				top += math.Abs(s.Rate) + 2*math.Abs(s.Angle)/s.Duration
				for _, tone := range s.Tones {
					top += tone.Amplitude * (2*math.Pi*tone.Frequency + 2*math.Pi/math.Min(swayFade, s.Duration/4))
				}
			}
		}
		for i := 1; i <= 500; i++ {
			h := m.Handle(end * float64(i) / 500)
			if math.Abs(h-was) > top*end/500+1e-9 {
				t.Fatalf("%s jumps by %g at %g s", m, h-was, end*float64(i)/500)
			}
			was = h
		}
	})
}

func FuzzParseMove(f *testing.F) {
	for _, s := range Shots() {
		f.Add(s.Move)
	}
	for _, s := range []string{"turn 90deg in 2s", "pan -20 °/s for 3min", "whip 1e3deg", "sway 1deg at 1Hz and 2deg at 2hz for 3s with hold 1s", "turn 90", "\xff", "turn 90deg in 2s then", "pan +-.e9deg/s"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseMove(text)
		if err != nil {
			var p *ParseError
			var d *domain.Error
			if errors.As(err, &p) && (p.Offset < 0 || p.Offset > len(text) || p.Want == "") || !errors.As(err, &p) && !errors.As(err, &d) {
				t.Fatalf("%q: odd error %v", text, err)
			}
			return
		}
		if err := m.Validate(); err != nil {
			t.Fatalf("%q read as a move that is not valid: %v", text, err)
		}
		again, err := ParseMove(m.String())
		if err != nil {
			// ten digits may round just past a limit
			var d *domain.Error
			if errors.As(err, &d) {
				return
			}
			t.Fatalf("%q written as %q: %v", text, m, err)
		}
		if !alike(again, m) {
			t.Fatalf("%q written as %q reads as %v", text, m, again)
		}
		for _, at := range []float64{-1, 0, m.Duration() / 3, m.Duration(), m.Duration() + 1} {
			if h := m.Handle(at); math.IsNaN(h) || math.IsInf(h, 0) {
				t.Fatalf("%q: heading %g at %g s", text, h, at)
			}
		}
	})
}

func TestReadRecording(t *testing.T) {
	const csv = "\xef\xbb\xbf# operator's pan, take 3\ntime_ms;heading_deg\n0;350,0\n100;355,5\n200;2,0\n300;10,0\n"
	got, err := ReadRecording(strings.NewReader(csv), RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []Sample{{0, 350 * Deg}, {0.1, 355.5 * Deg}, {0.2, 362 * Deg}, {0.3, 370 * Deg}}
	for i, s := range got {
		modeltest.Near(t, "time", s.Time, want[i].Time, 0, 1e-12)
		modeltest.Near(t, "angle", s.Angle, want[i].Angle, 0, 1e-12)
	}
	m, err := NewRecorded(got)
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "heading half way along a line", m.Handle(0.05), 2.75*Deg, 0, 1e-12)
	modeltest.Near(t, "end", m.Handle(9), 20*Deg, 0, 1e-12)
	// a recorded ramp is a pan, to the last bit or nearly
	ramp, err := ReadRecording(strings.NewReader("t,pan\n0,0\n0.7,14\n3,60\n"), RecordingOptions{TimeUnit: "s"})
	if err != nil {
		t.Fatal(err)
	}
	m, _ = NewRecorded(ramp)
	a := simulate(t, m, Style{3 * Deg, 0.4, FirstOrder}, Options{})
	b := simulate(t, NewPan(20*Deg, 3), Style{3 * Deg, 0.4, FirstOrder}, Options{})
	modeltest.Near(t, "trail at stop", a.TrailAtStop, b.TrailAtStop, 0, 1e-12)
	modeltest.Near(t, "start", value(t, "start", a.StartDelay), *b.StartDelay, 0, 1e-12)
	if !reflect.DeepEqual(a.Moves, b.Moves) {
		t.Error("one moves, one does not")
	}
	for csv, want := range map[string]string{
		"":                            "empty",
		"t,pan\n":                     "no row of numbers",
		"t,pan\n0,1\n1,x\n":           "line 3",
		"t,pan\n0,1\n0,2\n":           "line 3: the time 0 does not come after 0",
		"t,pan\n0,1\n":                "expected at least two",
		"t,level\n0,1\n1,2\n":         "a time and a heading",
		"t,pan_m\n0,1\n1,2\n":         "a time and a heading",
		"t,pan (furlong)\n0,1\n1,2\n": "a time and a heading",
		"t,pan,yaw\n0,1,2\n1,2,3\n":   `both "pan" and "yaw"`,
		"x,pan\n0,1\n1,2\n":           "a time and a heading",
		"t,pan\n0,1\n9e9,2\n":         "fit none",
		"t_s,pan\n0,1\n9e9,2\n":       "want 0 to 3600",
	} {
		_, err := ReadRecording(strings.NewReader(csv), RecordingOptions{})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %q", csv, err, want)
		}
	}
	_, err = ReadRecording(strings.NewReader("t,pan\n0,1\n1,2\n"), RecordingOptions{Heading: "#9"})
	if err == nil || !strings.Contains(err.Error(), `no column "#9"`) {
		t.Errorf("column 9 of 2: %v", err)
	}
}

func FuzzReadRecording(f *testing.F) {
	f.Add([]byte("t_s,pan_deg\n0,1\n0.1,2\n0.2,359\n"), "", "")
	f.Add([]byte("0\t1\n1\t2\n"), "#1", "#2")
	f.Fuzz(func(t *testing.T, data []byte, timeColumn, heading string) {
		got, err := ReadRecording(strings.NewReader(string(data)), RecordingOptions{Time: timeColumn, Heading: heading})
		if err != nil {
			if got != nil {
				t.Fatal("samples beside an error")
			}
			return
		}
		if _, err := NewRecorded(got); err != nil {
			t.Fatalf("read, but not a move: %v", err)
		}
	})
}
