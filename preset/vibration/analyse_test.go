package vibration

import (
	"encoding/json"
	"math"
	"math/rand"
	"slices"
	"strings"
	"testing"

	"rigkeep/preset/internal/modeltest"
	"rigkeep/schema"
)

// tone is a sine on an axis: frequency, rms in deg/s.
type tone struct{ hz, rms float64 }

// logOf makes a log at rate Hz for some seconds: tones on tilt, noise (deg/s) on all.
func logOf(rate, seconds, sigma float64, jitter float64, tones ...tone) *Log {
	rng := rand.New(rand.NewSource(8))
	n := int(rate * seconds)
	l := &Log{lines: []lineAt{{0, 2}}}
	for a := range l.Rates {
		l.Rates[a] = make([]float64, n)
	}
	for i := 0; i < n; i++ {
		t := (float64(i) + jitter*(rng.Float64()-0.5)) / rate
		if i == 0 {
			t = 0
		}
		l.Time = append(l.Time, t)
		for a := range l.Rates {
			l.Rates[a][i] = sigma * deg * rng.NormFloat64()
		}
		for _, f := range tones {
			l.Rates[schema.Tilt][i] += f.rms * math.Sqrt2 * deg * math.Sin(2*math.Pi*f.hz*t+f.hz)
		}
	}
	l.Columns = []ColumnUse{{Use: "time"}, {Use: "pan"}, {Use: "roll"}, {Use: "tilt"}}
	l.timing()
	return l
}

func analyse(t testing.TB, l *Log, s Settings) *Report {
	t.Helper()
	r, err := Analyse(l, s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// What each kind of log is read as. Common practice, no source.
func TestVerdict(t *testing.T) {
	for name, c := range map[string]struct {
		log  *Log
		kind Kind
		hz   float64 // 0: none asked
		also []Kind
	}{
		"on a stand":          {logOf(400, 20, 0.02, 0), Quiet, 0, nil},
		"a hand":              {logOf(400, 20, 0.05, 0, tone{0.9, 1.5}, tone{1.9, 0.5}), HandSway, 0.9, nil},
		"footsteps":           {logOf(400, 30, 0.05, 0, tone{1.8, 2}, tone{3.6, 0.9}, tone{5.4, 0.5}, tone{7.2, 0.3}), HandSway, 1.8, nil},
		"rocking":             {logOf(400, 20, 0.05, 0, tone{6.3, 2}), Rocking, 6.3, nil},
		"slow, handheld":      {logOf(400, 20, 0.05, 0, tone{0.9, 3}, tone{6.3, 0.8}), Rocking, 6.3, []Kind{HandSway}},
		"chatter":             {logOf(400, 20, 0.05, 0, tone{47.3, 1}), Chatter, 47.3, nil},
		"fast over footsteps": {logOf(400, 30, 0.05, 0, tone{1.8, 2}, tone{3.6, 1}, tone{61, 0.4}), Chatter, 61, []Kind{HandSway}},
		"both":                {logOf(400, 20, 0.05, 0, tone{8, 0.6}, tone{47.3, 1}), Chatter, 47.3, []Kind{Rocking}},
		"rough without tone":  {logOf(400, 20, 0.8, 0), Chatter, 0, []Kind{}},
		"uneven":              {logOf(400, 20, 0.05, 0.5, tone{6.3, 2}), Rocking, 6.3, nil},
	} {
		t.Run(name, func(t *testing.T) {
			r := analyse(t, c.log, Settings{})
			v := r.Verdict
			if v.Kind != c.kind {
				t.Fatalf("read as %q, want %q; %q", v.Kind, c.kind, v.Evidence)
			}
			if c.hz > 0 {
				if v.Axis != "tilt" || v.Hz == nil || math.Abs(*v.Hz-c.hz) > 0.1 {
					t.Errorf("axis %s, %v Hz, want tilt, %g", v.Axis, v.Hz, c.hz)
				}
			}
			if c.also != nil && !slices.Equal(v.Also, c.also) && len(c.also)+len(v.Also) > 0 {
				t.Errorf("also %q, want %q", v.Also, c.also)
			}
			if len(v.Evidence) < 2 || !strings.Contains(v.Evidence[0], "deg/s") {
				t.Errorf("evidence %q", v.Evidence)
			}
			// JSON knows neither NaN nor infinity
			text, err := json.Marshal(r)
			if err != nil {
				t.Error(err)
			}
			for _, k := range []string{"notes", "acts", "harmonics", "peaks", "levels", "axes"} {
				if strings.Contains(string(text), `"`+k+`":null`) {
					t.Errorf("%s is null rather than empty", k)
				}
			}
		})
	}
}

// Acts go balance, stiffness, filters, name catalogue keys, and use the catalogue's
// own words for the directions.
func TestActsFollowTheCatalogue(t *testing.T) {
	cat := schema.Default()
	for _, a := range schema.Axes {
		for kind, filter := range map[Kind]string{Rocking: "lighter", Chatter: "heavier", HandSway: "", Quiet: ""} {
			order := 0
			for _, act := range acts(kind, a) {
				rank := slices.Index([]string{"balance", "stiffness", "filters", "follow"}, act.Step)
				if rank < order {
					t.Errorf("%s: %s comes after a later step", kind, act.Step)
				}
				order = rank
				if act.Why == "" {
					t.Errorf("%s %s has no reason", kind, act.Key)
				}
				if act.Step == "balance" {
					continue
				}
				p, ok := cat.Param(act.Key)
				if !ok || act.Direction != p.Up && act.Direction != p.Down {
					t.Errorf("%s: %s %s is not in the catalogue", kind, act.Key, act.Direction)
				}
				if act.Step == "filters" && act.Direction != filter {
					t.Errorf("%s wants a %s filter, got %s", kind, filter, act.Direction)
				}
				if act.Step == "stiffness" && act.Direction != "softer" {
					t.Errorf("%s: stiffness %s", kind, act.Direction)
				}
			}
			if n := len(acts(kind, a)); (kind == Quiet) != (n == 0) {
				t.Errorf("%s has %d acts", kind, n)
			}
		}
	}
}

// The same motion logged evenly, unevenly or with rows missing reads the same.
func TestUnevenSamplingAgrees(t *testing.T) {
	tones := []tone{{1.3, 2}, {9.7, 1}, {31, 0.5}}
	even := analyse(t, logOf(400, 40, 0, 0, tones...), Settings{Segment: 2048, Rate: 400})
	want := even.Axes[schema.Tilt].Spectrum.Peaks(0.5, 3)
	uneven := logOf(400, 40, 0, 0.6, tones...)
	missing := logOf(400, 40, 0, 0, tones...)
	rng := rand.New(rand.NewSource(3))
	keep := func(i int) bool { return i == 0 || rng.Float64() > 0.05 }
	for i, j := 0, 0; i < len(missing.Time); i++ {
		if keep(i) {
			missing.Time[j] = missing.Time[i]
			for a := range missing.Rates {
				missing.Rates[a][j] = missing.Rates[a][i]
			}
			j++
		}
		if i == len(missing.Time)-1 {
			missing.Time = missing.Time[:j]
			for a := range missing.Rates {
				missing.Rates[a] = missing.Rates[a][:j]
			}
		}
	}
	missing.Timing = Timing{}
	missing.timing()
	for name, l := range map[string]*Log{"uneven": uneven, "missing": missing} {
		if l.Timing.Even {
			t.Fatalf("%s counts as even", name)
		}
		for _, how := range []Method{Linear, Cubic, ""} {
			r := analyse(t, l, Settings{Segment: 2048, Rate: 400, Resample: how})
			if r.Method == None {
				t.Errorf("%s: not brought to a grid", name)
			}
			for i, p := range r.Axes[schema.Tilt].Spectrum.Peaks(0.5, 3) {
				tol := 0.01
				if how == Linear {
					tol = 0.06 // a straight line cuts 31 Hz short
				}
				modeltest.Near(t, name+" Hz", p.Hz, want[i].Hz, 0, 0.02)
				modeltest.Near(t, name+" rms", p.RMS, want[i].RMS, tol, 0)
			}
		}
	}
}

// A hole is not filled with invented motion: the spectrum is taken on either side.
func TestGapsCutTheLog(t *testing.T) {
	whole := logOf(400, 60, 0.05, 0, tone{6.3, 2})
	hole := func(from, to int) *Log {
		l := &Log{lines: []lineAt{{0, 2}}, Columns: whole.Columns}
		l.Time = append(slices.Clone(whole.Time[:from]), whole.Time[to:]...)
		for a := range l.Rates {
			l.Rates[a] = append(slices.Clone(whole.Rates[a][:from]), whole.Rates[a][to:]...)
		}
		l.timing()
		return l
	}
	r := analyse(t, hole(10000, 14000), Settings{})
	if r.Pieces != 2 || len(r.Timing.Gaps) != 1 || r.Timing.Gaps[0].Line != 10002 {
		t.Errorf("%d pieces, gaps %+v", r.Pieces, r.Timing.Gaps)
	}
	modeltest.Near(t, "rms", r.Axes[schema.Tilt].Peaks[0].RMS/deg, 2, 0.01, 0)
	bridged := analyse(t, hole(10000, 14000), Settings{AcrossGaps: true})
	if bridged.Pieces != 1 || bridged.Axes[schema.Tilt].Peaks[0].RMS > 1.95*deg {
		t.Errorf("%d pieces, rms %g: the gap should have cost level", bridged.Pieces, bridged.Axes[schema.Tilt].Peaks[0].RMS/deg)
	}
	// a short end piece is left out and said
	r = analyse(t, hole(23000, 23900), Settings{})
	if r.Pieces != 1 || len(r.Notes) == 0 || !strings.Contains(r.Notes[0], "1 of 2 pieces") {
		t.Errorf("%d pieces, notes %q", r.Pieces, r.Notes)
	}
	// a log that is all holes is bridged, and said
	l := &Log{lines: []lineAt{{0, 2}}, Columns: whole.Columns}
	for i := range whole.Time {
		if i%200 < 180 {
			l.Time = append(l.Time, whole.Time[i])
			for a := range l.Rates {
				l.Rates[a] = append(l.Rates[a], whole.Rates[a][i])
			}
		}
	}
	l.timing()
	r = analyse(t, l, Settings{})
	if r.Pieces != 1 || len(r.Notes) == 0 || !strings.Contains(r.Notes[0], "bridged") {
		t.Errorf("%d pieces, notes %q", r.Pieces, r.Notes)
	}
}

func TestHarmonicsAreGrouped(t *testing.T) {
	r := analyse(t, logOf(500, 40, 0.02, 0, tone{17.3, 1}, tone{34.6, 0.5}, tone{51.9, 0.2}, tone{41, 0.4}), Settings{})
	s := r.Axes[schema.Tilt].Series
	if len(s) != 1 || len(s[0].Members) != 3 {
		t.Fatalf("series %+v", s)
	}
	for i, m := range s[0].Members {
		if m.Order != i+1 {
			t.Errorf("member %d has order %d", i, m.Order)
		}
	}
	modeltest.Near(t, "fundamental", s[0].Hz, 17.3, 0, 0.02)
	modeltest.Near(t, "level", s[0].RMS/deg, math.Sqrt(1+0.25+0.04), 0.01, 0)
	if v := r.Verdict; !slices.ContainsFunc(v.Evidence, func(e string) bool { return strings.Contains(e, "with harmonics (2)") }) {
		t.Errorf("evidence %q", v.Evidence)
	}
	if len(r.Axes[0].Series) != 0 {
		t.Errorf("harmonics in noise: %+v", r.Axes[0].Series)
	}
}

func TestNotes(t *testing.T) {
	has := func(r *Report, what string) bool {
		return slices.ContainsFunc(r.Notes, func(n string) bool { return strings.Contains(n, what) })
	}
	l := logOf(400, 20, 0.05, 0, tone{6.3, 2})
	l.Rates[schema.Pan] = slices.Clone(l.Rates[schema.Tilt])
	if r := analyse(t, l, Settings{}); !has(r, "share 6.3 Hz") {
		t.Errorf("notes %q", r.Notes)
	}
	if r := analyse(t, logOf(60, 20, 0.05, 0, tone{6.3, 2}), Settings{}); !has(r, "above 30 Hz, half the log's rate, appears folded below it: 6.298 Hz may be 53.7 Hz or 66.3 Hz") {
		t.Errorf("notes %q", r.Notes)
	}
	l = logOf(400, 20, 0.05, 0)
	l.add(Clipped, "pan", problem{}, "cut off")
	if r := analyse(t, l, Settings{}); !has(r, "in doubt (clipped, pan)") {
		t.Errorf("notes %q", r.Notes)
	}
}

func TestLimitsAreATable(t *testing.T) {
	for _, row := range DefaultLimits().Table() {
		if row.Name == "" || row.Unit == "" || row.Meaning == "" || !(row.Value > 0) {
			t.Errorf("row %+v", row)
		}
	}
	lim := DefaultLimits()
	modeltest.Near(t, "tone", lim.ToneRate, 0.1*math.Pi/180, 0, 1e-15)
	lim.ChatterFrom = 5 // another shop's habit
	if r := analyse(t, logOf(400, 20, 0.05, 0, tone{6.3, 2}), Settings{Limits: &lim}); r.Verdict.Kind != Chatter {
		t.Errorf("limits are not heeded: %q", r.Verdict.Kind)
	}
}

func TestAnalyseOutOfDomain(t *testing.T) {
	l := logOf(400, 5, 0.05, 0)
	for name, s := range map[string]Settings{
		"segment of 3":     {Segment: 3},
		"segment too long": {Segment: 1e6},
		"negative rate":    {Rate: -1},
		"rate NaN":         {Rate: math.NaN()},
		"band upside down": {Bands: []Band{{"", 5, 2}}},
		"unknown method":   {Resample: "guess"},
	} {
		t.Run(name, func(t *testing.T) {
			if r, err := Analyse(l, s); err == nil || r != nil || !strings.Contains(err.Error(), "vibration: ") {
				t.Errorf("got %v, %v", r, err)
			}
		})
	}
	if _, err := Analyse(&Log{}, Settings{}); err == nil {
		t.Error("an empty log was analysed")
	}
}
