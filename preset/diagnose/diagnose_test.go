package diagnose

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"rigkeep/preset/file"
	"rigkeep/preset/internal/modeltest"
)

func TestTheTableHoldsTogether(t *testing.T) {
	tab, err := Parse("causes.toml", Text())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range tab.Contradictions() {
		t.Error(c)
	}
	// every cause that the work at the stand knows is there
	for _, id := range []string{"out-of-balance", "loose-part", "cable", "long-part", "over-onset", "filter-too-light", "filter-too-heavy", "deadband-under-sway", "lens-too-long", "motor-connection", "moved-at-start"} {
		if !slices.ContainsFunc(tab.Causes, func(c Cause) bool { return c.ID == id }) {
			t.Errorf("no cause %s", id)
		}
	}
}

// Whatever is answered: acts come in the order of steps, a filter last; fast and
// rough never leads to a lighter filter nor rocking to a heavier one; no
// plan wants one parameter both ways. Common practice, no source.
func TestOrderForEveryAnswer(t *testing.T) {
	tab := Default()
	n := 0
	tab.every(func(a Answers) {
		rs, err := tab.Rank(a)
		if err != nil {
			t.Fatal(err)
		}
		n++
		plan := Plan(rs, 4)
		step, way, filters := 0, map[string]string{}, 0
		for _, p := range plan {
			i := slices.Index(Steps, p.Step)
			if i < step {
				t.Fatalf("%s: %s after %s", a, p.Step, Steps[step])
			}
			step = i
			if p.Key != "" {
				if w := way[p.Key]; w != "" && w != p.Direction {
					t.Fatalf("%s: %s both ways", a, p.Key)
				}
				way[p.Key] = p.Direction
			}
			if strings.Contains(p.Key, "AXIS") {
				t.Fatalf("%s: key %s", a, p.Key)
			}
			if p.Step == "filters" {
				filters++
			}
			if p.Step == "filters" && (a["feel"] == "chatter") != (p.Direction == "heavier") {
				t.Fatalf("%s: %s %s", a, p.Key, p.Direction)
			}
		}
		if (a["feel"] == "chatter" || a["feel"] == "rocking") != (filters == 2) && a["when"] == "rest" {
			t.Fatalf("%s: %d filters on the plan", a, filters)
		}
		seenFilter := false
		for _, r := range rs {
			if r.Score < 1 || len(r.Acts) == 0 {
				t.Fatalf("%s: %+v", a, r)
			}
			seenFilter = seenFilter || last(r)
			if seenFilter && !last(r) {
				t.Fatalf("%s: %s stands behind a filter", a, r.ID)
			}
		}
	})
	t.Logf("%d sets of answers", n)
}

// Cases that a technician would call plain. Common practice, no source.
func TestPlainCases(t *testing.T) {
	tab := Default()
	for _, c := range []struct {
		a    Answers
		want string
	}{
		{Answers{"feel": "chatter", "when": "tap", "held": "stops", "changed": "values"}, "over-onset"},
		{Answers{"feel": "rocking", "when": "walk", "where": "hand"}, "deadband-under-sway"},
		{Answers{"feel": "rocking", "when": "walk", "where": "vehicle"}, "too-soft"},
		{Answers{"feel": "chatter", "when": "rest", "where": "stand", "held": "stops"}, "over-onset"},
		{Answers{"feel": "rocking", "when": "rest", "where": "stand", "changed": "nothing", "held": "goes-on"}, "out-of-balance"},
		{Answers{"feel": "jerk", "when": "turn", "tilt": "up"}, "cable"},
		{Answers{"feel": "jerk", "when": "power-on", "held": "goes-on", "changed": "unit"}, "motor-connection"},
		{Answers{"when": "power-on", "changed": "nothing"}, "moved-at-start"},
		{Answers{"feel": "chatter", "when": "tap", "held": "stops", "changed": "build", "where": "vehicle"}, "loose-part"},
		{Answers{"where": "vehicle", "held": "goes-on", "changed": "nothing"}, "outside"},
		{Answers{}, "out-of-balance"},
	} {
		rs, err := tab.Rank(c.a)
		if err != nil {
			t.Fatal(err)
		}
		if rs[0].ID != c.want {
			var got []string
			for _, r := range rs[:3] {
				got = append(got, fmt.Sprint(r.ID, " ", r.Score))
			}
			t.Errorf("%v leads to %v, want %s", c.a, got, c.want)
		}
	}
}

func TestHintsAndAxis(t *testing.T) {
	tab := Default()
	a := Answers{"axis": "tilt", "feel": "chatter", "when": "rest"}
	rs, err := tab.Rank(a, Hint{"over-onset", 3, "onset was 46 here on the last job, the tune has 45"})
	if err != nil {
		t.Fatal(err)
	}
	if rs[0].ID != "over-onset" || rs[0].For[0] != "onset was 46 here on the last job, the tune has 45" || rs[0].Acts[0].Key != "stiffness.tilt" {
		t.Errorf("%+v", rs[0])
	}
	a["axis"] = "several"
	rs, _ = tab.Rank(a)
	for _, r := range rs {
		for _, x := range r.Acts {
			if strings.Contains(x.Key, "stiffness") {
				t.Errorf("a key for no axis: %+v", x)
			}
		}
	}
	for _, bad := range []Answers{{"feel": "odd"}, {"colour": "red"}} {
		_, err := tab.Rank(bad)
		modeltest.WantDomain(t, fmt.Sprint(bad), err)
	}
}

func TestContradictionsAreFound(t *testing.T) {
	text := strings.Replace(string(Text()), "direction = \"softer\"\ndo = \"Come down in fine steps until a tap dies at once. Then", "direction = \"stiffer\"\ndo = \"Go up until a tap dies at once. Then", 1)
	tab, err := Parse("mine.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	c := strings.Join(tab.Contradictions(), "\n")
	if !strings.Contains(c, "wants stiffness.pan") {
		t.Errorf("two ways for one stiffness were not found: %q", c)
	}
	tab.Causes[0].Usual = -8
	if c := strings.Join(tab.Contradictions(), "\n"); !strings.Contains(c, "no answers bring out-of-balance to the top") {
		t.Errorf("a cause that cannot come was not found: %q", c)
	}
}

func TestBadTables(t *testing.T) {
	good := string(Text())
	for name, edit := range map[string][2]string{
		"format":           {"format = 1", "format = 2"},
		"kind":             {`kind = "causes"`, `kind = "tune"`},
		"unknown key":      {"usual = 4", "usual = 4\nusally = 3"},
		"no such question": {`needs = ["feel"]`, `needs = ["smell"]`},
		"no such answer":   {"rocking = 1 }, when", "rockin = 1 }, when"},
		"weight":           {"rocking = 1 }, when", "rocking = 5 }, when"},
		"weight between":   {"rocking = 1 }, when", "rocking = -5 }, when"},
		"weight of text":   {"rocking = 1 }, when", `rocking = "x" }, when`},
		"step":             {`step = "balance"`, `step = "ballance"`},
		"direction":        {`direction = "softer"`, `direction = "heavier"`},
		"key":              {`key = "stiffness.AXIS"`, `key = "stifness.AXIS"`},
		"key on a check":   {`step = "check"`, "step = \"check\"\nkey = \"stiffness.AXIS\""},
		"step of the key":  {"step = \"stiffness\"", "step = \"follow\""},
		"twice":            {`id = "roll"`, `id = "pan"`},
		"missing text":     {`ask = "When?"`, `ask = ""`},
		"order of steps":   {"[[cause.act]]\nstep = \"check\"\ndo = \"Power off. Push", "[[cause.act]]\nstep = \"filters\"\nkey = \"filters.drive\"\ndirection = \"heavier\"\ndo = \"x\"\nwhy = \"y\"\n\n[[cause.act]]\nstep = \"check\"\ndo = \"Power off. Push"},
		"syntax":           {"[[cause]]", "[[cause]"},
	} {
		text := strings.Replace(good, edit[0], edit[1], 1)
		if text == good {
			t.Fatalf("%s: nothing was changed", name)
		}
		_, err := Parse("mine.toml", []byte(text))
		es := file.List(err)
		if len(es) == 0 || es[0].Line == 0 || es[0].File != "mine.toml" {
			t.Errorf("%s: %v, want a fault with its line", name, err)
		}
	}
	for _, text := range []string{"", "format = 1\nkind = \"causes\"", "format = 1\nkind = \"causes\"\nquestion = 3\ncause = [1]"} {
		if _, err := Parse("x", []byte(text)); err == nil {
			t.Errorf("%q was read", text)
		}
	}
}

// A technician's own cause is one block more.
func TestACauseIsOneBlock(t *testing.T) {
	tab, err := Parse("mine.toml", append(Text(), []byte(`
[[cause]]
id = "rain-cover"
name = "the rain cover"
why = "It flaps."
usual = 2
speaks = { where = { vehicle = 3 }, changed = { build = 3 }, held = { goes-on = 3 } }

[[cause.act]]
step = "check"
do = "Take it off and look again."
why = "Costs nothing."
`)...))
	if err != nil {
		t.Fatal(err)
	}
	if c := tab.Contradictions(); len(c) > 0 {
		t.Error(c)
	}
	rs, _ := tab.Rank(Answers{"where": "vehicle", "changed": "build", "held": "goes-on"})
	if rs[0].ID != "rain-cover" {
		t.Errorf("%+v", rs[0])
	}
}

func FuzzParse(f *testing.F) {
	f.Add(Text())
	f.Add([]byte("format = 1\nkind = \"causes\"\n[[question]]\nid = \"q\"\n[[cause]]\nspeaks = {q = {a = 1}}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		tab, err := Parse("x", data)
		if err != nil {
			return
		}
		if _, err := tab.Rank(Answers{}); err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkRank(b *testing.B) {
	tab := Default()
	a := Answers{"axis": "tilt", "feel": "chatter", "when": "rest"}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := tab.Rank(a); err != nil {
			b.Fatal(err)
		}
	}
}
