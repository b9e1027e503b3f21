package vibration

import (
	"errors"
	"fmt"
	"math"
	"math/rand"
	"slices"
	"strings"
	"testing"

	"rigkeep/preset/internal/modeltest"
	"rigkeep/schema"
)

func read(t testing.TB, text string, o ReadOptions) *Log {
	t.Helper()
	l, err := Read(strings.NewReader(text), o)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// rows writes n rows in a given form: %t the time, %p %r %w the rates of pan, roll
// and tilt in deg/s.
func rows(n int, form string, step float64) string {
	var b strings.Builder
	for i := 0; i < n; i++ {
		b.WriteString(strings.NewReplacer("%t", fmt.Sprint(math.Round(float64(i)*step*1e9)/1e9),
			"%p", fmt.Sprintf("%.4f", pan(i)), "%r", fmt.Sprintf("%.4f", -2*pan(i)), "%w", fmt.Sprintf("%.4f", 3*pan(i)+1)).Replace(form) + "\n")
	}
	return b.String()
}

func pan(i int) float64 { return math.Round(1e4*math.Sin(float64(i)*0.7)) / 1e4 }

// Every way to write the same log reads the same.
func TestFormsOfALog(t *testing.T) {
	comma := func(s string) string { return strings.ReplaceAll(s, ".", ",") }
	for name, c := range map[string]struct {
		text string
		o    ReadOptions
		unit float64
	}{
		"plain":            {"t_s,pan_dps,roll_dps,tilt_dps\n" + rows(40, "%t,%p,%r,%w", 0.005), ReadOptions{}, 1},
		"byte order mark":  {"\xef\xbb\xbft_s,pan_dps,roll_dps,tilt_dps\n" + rows(40, "%t,%p,%r,%w", 0.005), ReadOptions{}, 1},
		"CR LF":            {strings.ReplaceAll("t_s,pan_dps,roll_dps,tilt_dps\n"+rows(40, "%t,%p,%r,%w", 0.005), "\n", "\r\n"), ReadOptions{}, 1},
		"no last line end": {strings.TrimSpace("t_s,pan_dps,roll_dps,tilt_dps\n" + rows(40, "%t,%p,%r,%w", 0.005)), ReadOptions{}, 1},
		"semicolons":       {"time [s];pan [deg/s];roll [deg/s];tilt [deg/s]\n" + rows(40, "%t;%p;%r;%w", 0.005), ReadOptions{}, 1},
		"decimal commas":   {"time [s];pan [deg/s];roll [deg/s];tilt [deg/s]\n" + comma(rows(40, "%t;%p;%r;%w", 0.005)), ReadOptions{}, 1},
		"quoted commas":    {"\"time, s\",pan,roll,tilt\n" + comma2(rows(40, "%t|%p|%r|%w", 0.005)), ReadOptions{Columns: Columns{Time: "#1"}, TimeUnit: "s"}, 1},
		"tabs":             {"Time (ms)\tYaw rate (°/s)\tRoll rate (°/s)\tPitch rate (°/s)\n" + rows(40, "%t\t%p\t%r\t%w", 5), ReadOptions{}, 1},
		"axis letters":     {"timestamp_us,ax,ay,az,gyro_x,gyro_y,gyro_z,mx\n" + rows(40, "%t,1,2,3,%r,%w,%p,9", 5000), ReadOptions{}, 1},
		"camel case":       {"TimeNs,GyroX[deg/s],GyroY[deg/s],GyroZ[deg/s]\n" + rows(40, "%t,%r,%w,%p", 5e6), ReadOptions{TimeUnit: "ns"}, 1},
		"radians":          {"t,wx_rad_s,wy_rad_s,wz_rad_s\n" + rows(40, "%t,%r,%w,%p", 0.005), ReadOptions{}, 180 / math.Pi},
		"a unit given":     {"t,x,y,z\n" + rows(40, "%t,%r,%w,%p", 0.005), ReadOptions{RateUnit: "rad/s"}, 180 / math.Pi},
		"spaces":           {"t_s , pan , roll , tilt\n" + rows(40, " %t , %p ,\t%r , %w ", 0.005), ReadOptions{}, 1},
		"preamble": {"Logger 4 of the workshop\n256\n\n# kept for the tests\nt_s,pan,roll,tilt\n" + rows(20, "%t,%p,%r,%w", 0.005) + "# half way\n\n" +
			strings.Join(strings.SplitAfter(rows(40, "%t,%p,%r,%w", 0.005), "\n")[20:], ""), ReadOptions{}, 1},
		"header as comment": {"# t_s,pan,roll,tilt\n" + rows(40, "%t,%p,%r,%w", 0.005), ReadOptions{}, 1},
		"mapped":            {"a,b,c,d\n" + rows(40, "%w,%p,%t,%r", 0.005), ReadOptions{Columns: Columns{Time: "c", Pan: "B", Roll: "#4", Tilt: "#1"}, TimeUnit: "s"}, 1},
		"no header":         {rows(40, "%t,%p,%r,%w", 0.005), ReadOptions{Columns: Columns{Time: "#1", Pan: "#2", Roll: "#3", Tilt: "#4"}}, 1},
		"no time":           {"pan,roll,tilt\n" + rows(40, "%p,%r,%w", 0.005), ReadOptions{Rate: 200}, 1},
		"no unit of time":   {"clock,pan,roll,tilt\n" + rows(40, "%t,%p,%r,%w", 5), ReadOptions{}, 1},
		"epoch":             {"t_us,pan,roll,tilt\n" + epoch(), ReadOptions{}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			l := read(t, c.text, c.o)
			if l.Timing.Rows != 40 || !l.Timing.Even {
				t.Fatalf("timing %+v", l.Timing)
			}
			for i, x := range l.Time {
				modeltest.Near(t, "time", x, float64(i)*0.005, 0, 1e-9)
			}
			for a, scale := range map[schema.Axis]float64{schema.Pan: 1, schema.Roll: -2, schema.Tilt: 3} {
				if len(l.Rates[a]) != 40 {
					t.Fatalf("%s has %d rows", a, len(l.Rates[a]))
				}
				off := 0.0
				if a == schema.Tilt {
					off = 1
				}
				for i, x := range l.Rates[a] {
					modeltest.Near(t, a.String(), x*180/math.Pi, (scale*pan(i)+off)*c.unit, 1e-9, 1e-9)
				}
			}
		})
	}
}

func comma2(s string) string {
	s = strings.ReplaceAll(s, ".", ",")
	s = strings.ReplaceAll(s, "|", `","`)
	return `"` + strings.ReplaceAll(strings.TrimSpace(s), "\n", "\"\n\"") + "\"\n"
}

func epoch() string {
	var b strings.Builder
	for i := 0; i < 40; i++ {
		fmt.Fprintf(&b, "%d,%.4f,%.4f,%.4f\n", 1700000000000000+int64(i)*5000, pan(i), -2*pan(i), 3*pan(i)+1)
	}
	return b.String()
}

func TestWhatCannotBeRead(t *testing.T) {
	body := rows(40, "%t,%p,%r,%w", 0.005)
	for name, c := range map[string]struct {
		text string
		o    ReadOptions
		want string
	}{
		"empty":          {"", ReadOptions{}, "the file is empty"},
		"blank":          {"\n \n", ReadOptions{}, "the file is empty"},
		"words":          {"once upon a time\nthere was a log\n", ReadOptions{}, "no row of numbers"},
		"binary":         {"\x7fELF\x00\x00\x01", ReadOptions{}, "not text"},
		"UTF-16":         {"\xff\xfet\x00,\x00", ReadOptions{}, "UTF-16"},
		"one long line":  {strings.Repeat("1,", 1<<16), ReadOptions{}, "longer than 65,535 bytes"},
		"late long line": {"t_s,pan\n" + rows(40, "%t,%p", 0.005) + strings.Repeat("1,", 1<<16), ReadOptions{}, "line 42: the line is longer"},
		"no time":        {"pan,roll,tilt\n" + rows(40, "%p,%r,%w", 1), ReadOptions{}, "no time found"},
		"no rates":       {"t,level\n" + rows(40, "%t,%p", 1), ReadOptions{}, "no turn rate found"},
		"no header":      {body, ReadOptions{}, "no turn rate found"},
		"twice":          {"t,gyro_x,wx\n" + rows(40, "%t,%p,%r", 1), ReadOptions{}, `both "gyro_x" and "wx"`},
		"no such column": {"t,pan\n" + rows(40, "%t,%p", 1), ReadOptions{Columns: Columns{Pan: "yaw"}}, `no column "yaw" for pan`},
		"mapped twice":   {"t,pan\n" + rows(40, "%t,%p", 1), ReadOptions{Columns: Columns{Time: "t", Pan: "#1"}}, "mapped as time and as pan"},
		"unknown unit":   {"t,pan\n" + rows(40, "%t,%p", 1), ReadOptions{RateUnit: "rpm"}, `"rpm" is not a unit of pan; expected deg/s or rad/s`},
		"another unit":   {"t,pan [g]\n" + rows(40, "%t,%p", 1), ReadOptions{Columns: Columns{Pan: "#2"}}, `column "pan [g]" is in "g"`},
		"time and rate":  {"t,pan\n" + rows(40, "%t,%p", 1), ReadOptions{Rate: 200, Columns: Columns{Time: "t"}}, "both a time column and a sample rate"},
		"negative rate":  {"t,pan\n" + rows(40, "%t,%p", 1), ReadOptions{Rate: -200}, "cannot be"},
		"too short":      {"t,pan\n" + rows(9, "%t,%p", 0.01), ReadOptions{}, "only 9 rows"},
		"mostly words":   {"t,pan\n" + rows(30, "%t,%p", 0.01) + strings.Repeat("1,off\n", 30), ReadOptions{}, `line 32: 30 of 60 rows have no number in a column that is needed ("off" in line 32)`},
		"swapped":        {"pan,t\n" + rows(40, "%t,%p", 0.01), ReadOptions{}, `line 5: the time does not rise in 33 of 40 rows, while`},
		"steps fit none": {"t,pan\n" + rows(40, "%t,%p", 1e9), ReadOptions{}, "fit none"},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := Read(strings.NewReader(c.text), c.o)
			var e *ReadError
			if !errors.As(err, &e) || !strings.Contains(err.Error(), c.want) || l != nil {
				t.Errorf("got %v, want a *ReadError with %q", err, c.want)
			}
			if e != nil && e.Do == "" {
				t.Errorf("%v does not say what to do", err)
			}
		})
	}
	_, err := Read(strings.NewReader("pan,t\n"+rows(40, "%t,%p", 0.01)), ReadOptions{})
	if err == nil || !strings.Contains(err.Error(), `while column "pan", read as pan, does: they look swapped`) {
		t.Errorf("the swap is not named: %v", err)
	}
	if _, err := Read(broken{}, ReadOptions{}); !errors.Is(err, errBroken) {
		t.Errorf("a reader's own error came back as %v", err)
	}
}

var errBroken = errors.New("card pulled")

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errBroken }

func finding(l *Log, k FindingKind) *Finding {
	for i, f := range l.Findings {
		if f.Kind == k {
			return &l.Findings[i]
		}
	}
	return nil
}

func expect(t *testing.T, l *Log, k FindingKind, use string, count int, lines ...int) {
	t.Helper()
	f := finding(l, k)
	if f == nil {
		t.Errorf("no finding %s; got %+v", k, l.Findings)
		return
	}
	if f.Use != use || f.Count != count || !slices.Equal(f.Lines, lines) || f.Text == "" {
		t.Errorf("%s: got %+v, want use %q, count %d, lines %v", k, *f, use, count, lines)
	}
}

func TestFindingsNameTheirLines(t *testing.T) {
	head := "t_s,pan_dps,tilt_dps\n"
	clean := strings.SplitAfter(strings.TrimSuffix(rows(100, "%t,%p,%w", 0.01), "\n"), "\n")
	// row i stands in line i+2
	with := func(edit func(r []string) []string) *Log {
		return read(t, head+strings.Join(edit(slices.Clone(clean)), ""), ReadOptions{})
	}
	if l := with(func(r []string) []string { return r }); len(l.Findings) != 0 {
		t.Errorf("findings in a clean log: %+v", l.Findings)
	}
	l := with(func(r []string) []string {
		r[10], r[20], r[30] = "0.1,nan,1\n", "0.2,x,1\n", "0.3,1\n"
		return r
	})
	expect(t, l, Unreadable, "", 3, 12, 22, 32)
	if l.Timing.Rows != 97 || math.Abs(l.Timing.StepMax-0.02) > 1e-9 || !slices.Contains([]int{13, 23, 33}, l.Timing.StepMaxLine) {
		t.Errorf("timing %+v", l.Timing)
	}
	if !strings.Contains(finding(l, Unreadable).Text, `"x" in line 22`) {
		t.Errorf("no example in %q", finding(l, Unreadable).Text)
	}
	l = with(func(r []string) []string {
		r[40], r[41] = r[41], r[40]
		r[50] = r[49]
		return r
	})
	expect(t, l, OutOfOrder, "time", 2, 43, 52)
	l = with(func(r []string) []string { return slices.Delete(r, 60, 70) })
	expect(t, l, Gapped, "time", 1, 62)
	expect(t, l, Uneven, "time", 0)
	if g := l.Timing.Gaps[0]; math.Abs(g.Start-0.59) > 1e-9 || math.Abs(g.Length-0.11) > 1e-9 || g.Line != 62 {
		t.Errorf("gap %+v", g)
	}
	l = read(t, "t_s,pan,tilt\n"+rows(50, "%t,%p,%p", 0.01), ReadOptions{})
	expect(t, l, Duplicate, "tilt", 50)
	expect(t, l, Assumed, "pan", 0)
	l = read(t, "t_s,pan_dps,tilt_dps\n"+rows(50, "%t,%p,2.5", 0.01), ReadOptions{})
	expect(t, l, Constant, "tilt", 50)
	l = read(t, "t_s,pan_dps,tilt_dps\n"+rows(50, "%t,%p,%t", 0.01), ReadOptions{})
	expect(t, l, Swapped, "tilt", 0)
	l = read(t, "clock,pan_dps\n"+rows(50, "%t,%p", 10), ReadOptions{})
	expect(t, l, Assumed, "time", 0)
	l = read(t, "t_s,gx_dps,gz_dps\n"+rows(50, "%t,%p,%r", 0.01), ReadOptions{})
	expect(t, l, Assumed, "", 0)
	l = read(t, "clock,pan_dps\n"+rows(50, "%t,%p", 10), ReadOptions{})
	if l.Columns[0].Unit != "ms" || l.Columns[0].By != "steps" {
		t.Errorf("time read as %+v", l.Columns[0])
	}
}

func TestClockThatStartsAgain(t *testing.T) {
	var b strings.Builder
	b.WriteString("t_us,pan\n")
	for i := 0; i < 200; i++ {
		fmt.Fprintf(&b, "%d,%.4f\n", uint32(1<<32-100*5000+i*5000), pan(i))
	}
	l := read(t, b.String(), ReadOptions{})
	expect(t, l, Wrapped, "time", 1, 102)
	if !l.Timing.Even || l.Timing.Rows != 200 || math.Abs(l.Timing.Duration-199*0.005) > 1e-9 {
		t.Errorf("timing %+v", l.Timing)
	}
}

func TestRoundedTimestamps(t *testing.T) {
	var b strings.Builder
	b.WriteString("t_ms,pan_dps\n")
	for i := 0; i < 300; i++ {
		fmt.Fprintf(&b, "%d,%.4f\n", int(float64(i)*2.5), pan(i))
	}
	l := read(t, b.String(), ReadOptions{})
	if f := finding(l, CoarseClock); f == nil || !strings.Contains(f.Text, "rounded to 1 ms") {
		t.Errorf("rounding to 1 ms at 400 Hz not named: %+v", l.Findings)
	}
	// nor are rows that are missing from an even log: left out here, or lost on the way
	for name, lose := range map[string]func(i int) string{
		"a tenth unreadable": func(i int) string {
			if i%10 == 3 {
				return fmt.Sprintf("%d,oops\n", i*5)
			}
			return fmt.Sprintf("%d,%.4f\n", i*5, pan(i))
		},
		"a few lost": func(i int) string {
			if i%100 == 3 {
				return ""
			}
			return fmt.Sprintf("%d,%.4f\n", i*5, pan(i))
		},
	} {
		b.Reset()
		b.WriteString("t_ms,pan_dps\n")
		for i := 0; i < 300; i++ {
			b.WriteString(lose(i))
		}
		if l := read(t, b.String(), ReadOptions{}); finding(l, CoarseClock) != nil || finding(l, Uneven) == nil {
			t.Errorf("%s: %+v", name, l.Findings)
		}
	}
	// true jitter is not rounding
	b.Reset()
	b.WriteString("t_ms,pan_dps\n")
	rng := rand.New(rand.NewSource(1))
	for i := 0; i < 300; i++ {
		fmt.Fprintf(&b, "%.6f,%.4f\n", (float64(i)+0.3*rng.Float64())*2.5, pan(i))
	}
	if l := read(t, b.String(), ReadOptions{}); finding(l, CoarseClock) != nil || finding(l, Uneven) == nil {
		t.Errorf("jitter: %+v", l.Findings)
	}
}

func TestClippingIsToldFromCoarseSteps(t *testing.T) {
	rng := rand.New(rand.NewSource(2))
	log := func(f func(i int) float64) *Log {
		var b strings.Builder
		b.WriteString("t_s,pan_dps\n")
		for i := 0; i < 3000; i++ {
			fmt.Fprintf(&b, "%.3f,%.5g\n", float64(i)/1000, f(i))
		}
		return read(t, b.String(), ReadOptions{})
	}
	sine := func(i int) float64 { return 300 * math.Sin(2*math.Pi*3*float64(i)/1000) }
	l := log(func(i int) float64 { return math.Max(-250, math.Min(250, sine(i)+rng.NormFloat64())) })
	if f := finding(l, Clipped); f == nil || f.Count < 500 || f.Lines[0] < 50 || !strings.Contains(f.Text, "cut off at 250") {
		t.Errorf("clipping at 250 not found: %+v", l.Findings)
	}
	for name, f := range map[string]func(i int) float64{
		"slow sine in coarse steps": func(i int) float64 { return math.Round(10*math.Sin(2*math.Pi*0.5*float64(i)/1000)) / 2 },
		"fine sine":                 sine,
		"noise of few levels":       func(i int) float64 { return math.Round(rng.NormFloat64()) * 0.0625 },
	} {
		if l := log(f); finding(l, Clipped) != nil {
			t.Errorf("%s taken for clipping: %+v", name, *finding(l, Clipped))
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"t_s,pan_dps,roll_dps,tilt_dps\n" + rows(20, "%t,%p,%r,%w", 0.005),
		"\xef\xbb\xbftime [ms];yaw [rad/s]\n" + rows(20, "%t;%p", 5),
		"t,gx,gy,gz\n0,1,2,3\n\"1\",,nan,4\n# c\n2,3\n",
		rows(20, "%t\t%p", 0.1),
		"millis,z\n" + rows(18, "%t,%p", 4294967),
	} {
		f.Add([]byte(s), "", "", 0.0)
		f.Add([]byte(s), "#1", "#2", 0.0)
		f.Add([]byte(s), "-", "#2", 100.0)
	}
	f.Fuzz(func(t *testing.T, data []byte, timeColumn, panColumn string, rate float64) {
		l, err := Read(strings.NewReader(string(data)), ReadOptions{Columns: Columns{Time: timeColumn, Pan: panColumn}, Rate: rate})
		if err != nil {
			var e *ReadError
			if !errors.As(err, &e) || e.What == "" {
				t.Fatalf("odd error %v", err)
			}
			return
		}
		for i, x := range l.Time {
			if math.IsNaN(x) || i > 0 && x <= l.Time[i-1] {
				t.Fatalf("time %g after %g", x, l.Time[max(i-1, 0)])
			}
		}
		lines := 1 + strings.Count(string(data), "\n")
		for _, x := range l.Findings {
			for _, n := range x.Lines {
				if n < 1 || n > lines {
					t.Fatalf("%+v names line %d of %d", x, n, lines)
				}
			}
		}
		r, err := Analyse(l, Settings{})
		if err != nil {
			return // a domain error: too wide a range of times or values
		}
		for _, a := range r.Axes {
			for _, p := range append(a.Spectrum.PSD, a.Total, a.Mean) {
				if math.IsNaN(p) {
					t.Fatal("NaN in a report")
				}
			}
		}
	})
}

// A log in which nothing moves is no log of a quiet head.
func TestDeadLog(t *testing.T) {
	var b strings.Builder
	b.WriteString("t_ms,pan_dps,tilt_dps\n")
	for i := range 100 {
		fmt.Fprintf(&b, "%d,0,0.25\n", i*5)
	}
	var re *ReadError
	if _, err := Read(strings.NewReader(b.String()), ReadOptions{}); !errors.As(err, &re) || !strings.Contains(re.What, "dead") || re.Do == "" {
		t.Errorf("%v", err)
	}
}
