package merge

import (
	"strings"
	"testing"

	"rigkeep/schema"
)

const tuneBase = tuneHead + `note = "first line\nsecond line"

# how hard the motors hold
[stiffness]
pan = 41 # firm
roll = 38
tilt = 47.50

[filters]
sensing = 3
drive = 2

[horizon]
offset_deg = 0.5

[follow.walk]
deadband    = { pan = 6, tilt = 8 }
lag = { pan = 40, tilt = 45 }
`

func TestTuneByKey(t *testing.T) {
	for _, c := range []struct {
		name         string
		ours, theirs []string // replacements in the base
		want         []string // replacements in the base that give the result
		conflicts    []string
		stale        string
	}{
		{"different keys, next to each other", []string{"pan = 41", "pan = 44"}, []string{"roll = 38", "roll = 40"}, []string{"pan = 41", "pan = 44", "roll = 38", "roll = 40"}, nil, "stiffness, pan and stiffness, roll"},
		{"same key, same value spelled two ways", []string{"roll = 38", "roll = 40"}, []string{"roll = 38", "roll = 40.0"}, []string{"roll = 38", "roll = 40"}, nil, ""},
		{"same key, two values", []string{"roll = 38", "roll = 40"}, []string{"roll = 38", "roll = 41"}, nil, []string{"stiffness.roll"}, ""},
		{"the spelling of the one who changed it", []string{"pan = 41", "pan = 44"}, []string{"tilt = 47.50", "tilt = 50.00"}, []string{"pan = 41", "pan = 44", "tilt = 47.50", "tilt = 50.00"}, nil, "stiffness, pan and stiffness, tilt"},
		{"deleted here, untouched there", []string{"\n[horizon]\noffset_deg = 0.5\n", ""}, []string{"roll = 38", "roll = 40"}, []string{"\n[horizon]\noffset_deg = 0.5\n", "", "roll = 38", "roll = 40"}, nil, ""},
		{"untouched here, deleted there", []string{"roll = 38", "roll = 40"}, []string{"\n[horizon]\noffset_deg = 0.5\n", ""}, []string{"roll = 38", "roll = 40", "offset_deg = 0.5\n", ""}, nil, ""},
		{"deleted here, changed there", []string{"\n[horizon]\noffset_deg = 0.5\n", ""}, []string{"offset_deg = 0.5", "offset_deg = 0.7"}, nil, []string{"horizon.offset_deg"}, ""},
		{"a style deleted here, untouched there", []string{"\n[follow.walk]\ndeadband    = { pan = 6, tilt = 8 }\nlag = { pan = 40, tilt = 45 }\n", ""}, []string{"pan = 41", "pan = 44"},
			[]string{"\n[follow.walk]\ndeadband    = { pan = 6, tilt = 8 }\nlag = { pan = 40, tilt = 45 }\n", "", "pan = 41", "pan = 44"}, nil, ""},
		{"a style deleted here, changed there", []string{"\n[follow.walk]\ndeadband    = { pan = 6, tilt = 8 }\nlag = { pan = 40, tilt = 45 }\n", ""}, []string{"pan = 40", "pan = 42"}, nil, []string{"follow.walk"}, ""},
		{"notes by line", []string{"first line", "first line, mine"}, []string{`second line"`, `second line\nthird"`}, []string{"first line", "first line, mine", `second line"`, `second line\nthird"`}, nil, ""},
		{"the same line of a note", []string{"first line", "mine"}, []string{"first line", "theirs"}, nil, []string{"note"}, ""},
		{"a new key in braces", []string{"pan = 41", "pan = 44"}, []string{"tilt = 8 }", "tilt = 8, roll = 9 }"}, []string{"pan = 41", "pan = 44", "tilt = 8 }", "tilt = 8, roll = 9 }"}, nil, ""},
		{"stiffness here, filter there", []string{"pan = 41", "pan = 44"}, []string{"sensing = 3", "sensing = 4"}, []string{"pan = 41", "pan = 44", "sensing = 3", "sensing = 4"}, nil, "sensing filter and stiffness, pan"},
		{"dead band here, lag there, one axis", []string{"pan = 6", "pan = 7"}, []string{"pan = 40", "pan = 42"}, []string{"pan = 6", "pan = 7", "pan = 40", "pan = 42"}, nil, "dead band, pan (walk) and lag, pan (walk)"},
		{"dead band of pan here, of tilt there", []string{"pan = 6", "pan = 7"}, []string{"tilt = 8", "tilt = 9"}, []string{"pan = 6", "pan = 7", "tilt = 8", "tilt = 9"}, nil, "dead band, pan (walk) and dead band, tilt (walk)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(tuneBase), Ours: []byte(edits(t, tuneBase, c.ours...)), Theirs: []byte(edits(t, tuneBase, c.theirs...))}
			out, err := File(in)
			if err != nil {
				t.Fatal(err)
			}
			conflictsAre(t, out, c.conflicts)
			if c.conflicts == nil {
				if want := edits(t, tuneBase, c.want...); string(out.Text) != want {
					t.Errorf("got\n%s\nnot\n%s", out.Text, want)
				}
			}
			if got := strings.Join(out.Stale, "; "); (c.stale == "") != (got == "") || !strings.Contains(got, c.stale) {
				t.Errorf("stale: %q, not %q", got, c.stale)
			}
		})
	}
}

func TestConflictSays(t *testing.T) {
	sheet, _ := cat.Sheet("quay-large", schema.Tree{
		"format": int64(1), "kind": "gimbal", "name": "x", "payload": schema.Tree{"max_kg": 6.0}, "travel": schema.Tree{"tilt": schema.Tree{"up_deg": 90.0, "down_deg": 120.0}},
		"motor":  schema.Tree{"pan": schema.Tree{"torque_nm": 2.0}, "roll": schema.Tree{"torque_nm": 2.0}, "tilt": schema.Tree{"torque_nm": 2.0}},
		"moving": schema.Tree{"pan": schema.Tree{"inertia_kgm2": 0.1}, "roll": schema.Tree{"inertia_kgm2": 0.1}, "tilt": schema.Tree{"inertia_kgm2": 0.1}},
		"dial":   schema.Tree{"stiffness": schema.Tree{"roll": schema.Tree{"min": 0.0, "max": 100.0, "coarse": 5.0, "fine": 0.5, "up": "stiffer", "unit": "%"}}},
	})
	if sheet == nil {
		t.Fatal("no sheet")
	}
	out, err := File(Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Sheet: sheet,
		Base: []byte(tuneBase), Ours: []byte(edits(t, tuneBase, "roll = 38", "roll = 40")), Theirs: []byte(edits(t, tuneBase, "roll = 38\n", ""))})
	if err != nil || len(out.Conflicts) != 1 {
		t.Fatal(out.Conflicts, err)
	}
	c := out.Conflicts[0]
	want := Conflict{Path: "t.toml", Key: "stiffness.roll", Name: "stiffness, roll", Unit: "%", Step: 0.5, Base: int64(38), Ours: int64(40), Why: "deleted on one side, changed on the other", Value: true}
	c.at, c.alt = "", nil
	if c.Path != want.Path || c.Key != want.Key || c.Name != want.Name || c.Unit != want.Unit || c.Step != want.Step || c.Base != want.Base || c.Ours != want.Ours || c.Theirs != nil || c.Why != want.Why || !c.Value {
		t.Errorf("%+v", c)
	}
}

const rigBase = `format = 1
kind = "rig"
alias = "zoom-build"
gimbal = "quay-large"

[[part]]
slot = "body"
name = "cine body"
shape = "box"
mass_kg = 2.35
size_mm = [130.0, 110.0, 105.0]
place_mm = [-20.0, 0.0, 10.0]

# the long one
[[part]]
slot = "lens"
name = "zoom 25-80"
shape = "cylinder"
mass_kg = 1.20
diameter_mm = 95
length_mm = 160
place_mm = [90.0, 0.0, 10.0]
`

func TestPartsByName(t *testing.T) {
	battery := "\n# hot-swap\n[[part]]\nslot = \"battery\"\nname = \"block\"\nshape = \"box\"\nmass_kg = 0.7 # with plate\nsize_mm = [100.0, 60.0, 50.0]\nplace_mm = [-110.0, 0.0, 0.0]\n"
	monitor := strings.NewReplacer("battery", "monitor", "block", "five inch", "hot-swap", "on the arm", "with plate", "with cable").Replace(battery)
	swapped := func(s string) string { // the lens first
		i, j := strings.Index(s, "[[part]]"), strings.Index(s, "# the long one")
		return s[:i] + s[j:] + "\n" + strings.TrimRight(s[i:j], "\n") + "\n"
	}
	for _, c := range []struct {
		name               string
		base, ours, theirs string
		want               string
		conflicts          []string
	}{
		{"two parts of one build", rigBase, edits(t, rigBase, "2.35", "2.40"), edits(t, rigBase, "1.20", "1.25"), edits(t, rigBase, "2.35", "2.40", "1.20", "1.25"), nil},
		{"in another order there", rigBase, edits(t, rigBase, "2.35", "2.40"), edits(t, swapped(rigBase), "1.20", "1.25"), edits(t, rigBase, "2.35", "2.40", "1.20", "1.25"), nil},
		{"a part added on each side", rigBase, rigBase + battery, rigBase + monitor, rigBase + battery + monitor, nil},
		{"the same part added on both sides", rigBase, rigBase + battery, rigBase + battery + "\n", rigBase + battery, nil},
		{"a part taken off there", rigBase + battery, edits(t, rigBase+battery, "2.35", "2.40"), rigBase, edits(t, rigBase, "2.35", "2.40"), nil},
		{"a part taken off here, weighed there", rigBase + battery, rigBase, edits(t, rigBase+battery, "0.7", "0.8"), "", []string{"part[battery,block]"}},
		{"one part's place changed on both sides", rigBase, edits(t, rigBase, "[90.0, 0.0", "[91.0, 0.0"), edits(t, rigBase, "[90.0, 0.0", "[90.0, 1.0"), "", []string{"part[lens,zoom 25-80].place_mm"}},
		{"alias renamed there", rigBase, edits(t, rigBase, "2.35", "2.40"), edits(t, rigBase, "zoom-build", "long"), edits(t, rigBase, "2.35", "2.40", "zoom-build", "long"), nil},
		{"alias renamed on both sides alike", rigBase, edits(t, rigBase, "zoom-build", "long"), edits(t, rigBase, "zoom-build", "long", "1.20", "1.25"), edits(t, rigBase, "zoom-build", "long", "1.20", "1.25"), nil},
		{"alias renamed on both sides", rigBase, edits(t, rigBase, "zoom-build", "long"), edits(t, rigBase, "zoom-build", "far"), "", []string{"alias"}},
		{"kilograms here, grams there", rigBase, edits(t, rigBase, "mass_kg = 2.35", "mass_g = 2360"), edits(t, rigBase, "mass_kg = 2.35", "mass_lb = 5.2"), "", []string{"part[body,cine body].mass_lb"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, err := File(Input{Cat: cat, Path: "rig.toml", Kind: schema.KindRig, Base: []byte(c.base), Ours: []byte(c.ours), Theirs: []byte(c.theirs)})
			if err != nil {
				t.Fatal(err)
			}
			conflictsAre(t, out, c.conflicts)
			if c.conflicts == nil && string(out.Text) != c.want {
				t.Errorf("got\n%s\nnot\n%s", out.Text, c.want)
			}
		})
	}
}

func TestRemarksOfBothSides(t *testing.T) {
	ours := edits(t, tuneBase, "# how hard", "# mine\n# how hard", "roll = 38", "roll = 40 # up two, ours")
	theirs := edits(t, tuneBase, "tilt = 47.50", "# theirs, above\ntilt = 47.50 # theirs, behind", "# firm", "# firmer", "[filters]", "# on filters\n[filters]", "drive = 2", "drive = 3") + "\n# at the end\n"
	out, err := File(Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(tuneBase), Ours: []byte(ours), Theirs: []byte(theirs)})
	if err != nil || len(out.Conflicts) > 0 {
		t.Fatal(out.Conflicts, err)
	}
	want := edits(t, ours, "tilt = 47.50", "# theirs, above\ntilt = 47.50 # theirs, behind", "# firm", "# firmer", "[filters]", "# on filters\n[filters]", "drive = 2", "drive = 3") + "\n# at the end\n"
	if string(out.Text) != want || len(out.Lost) > 0 {
		t.Errorf("got\n%s\nnot\n%s\nlost %v", out.Text, want, out.Lost)
	}
	// A remark on what the other side took away stays, on the table around it.
	ours = edits(t, tuneBase, "drive = 2", "# heavier on wind days\ndrive = 2")
	theirs = edits(t, tuneBase, "drive = 2\n", "", "roll = 38", "roll = 39")
	for _, swap := range []bool{false, true} {
		in := Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(tuneBase), Ours: []byte(ours), Theirs: []byte(theirs)}
		if swap {
			in.Ours, in.Theirs = in.Theirs, in.Ours
		}
		out, err = File(in)
		if err != nil || len(out.Conflicts) > 0 {
			t.Fatal(out.Conflicts, err)
		}
		if n := strings.Count(string(out.Text), "# heavier on wind days\n"); n != 1 || strings.Contains(string(out.Text), "drive") {
			t.Errorf("swap %v: %d times in\n%s", swap, n, out.Text)
		}
	}
}

func TestProof(t *testing.T) {
	digest := func(text string) string { return digestOf(t, text) }
	proof := func(at, by, values string) string {
		return "\n[proof.hold]\nat = " + at + "\nunit = \"Large A\"\nby = \"" + by + "\"\ndigest = \"" + values + "\"\n"
	}
	base := tuneBase + proof("2026-03-02T11:00:00Z", "A-cam operator", digest(tuneBase))
	newer := func(text, at, by string) string {
		body, _, _ := strings.Cut(text, "\n[proof.hold]")
		return body + proof(at, by, digest(body))
	}
	pan := edits(t, base, "pan = 41", "pan = 44")
	for _, c := range []struct {
		name         string
		ours, theirs string
		by, stale    string
	}{
		{"values there, proof untouched: nothing of the merge's", base, pan, "A-cam operator", ""},
		{"proved anew there, nothing here", base, newer(pan, "2026-03-03T11:00:00Z", "B-cam operator"), "B-cam operator", ""},
		{"proved anew on both, same values: the newer", newer(base, "2026-03-04T11:00:00Z", "B-cam operator"), newer(base, "2026-03-03T11:00:00Z", "C-cam operator"), "B-cam operator", ""},
		{"proved anew here, value changed there", newer(base, "2026-03-04T11:00:00Z", "B-cam operator"), edits(t, base, "roll = 38", "roll = 40"), "B-cam operator", "with other values"},
		{"proved anew here, a style changed there", newer(base, "2026-03-04T11:00:00Z", "B-cam operator"), edits(t, base, "tilt = 8", "tilt = 9"), "B-cam operator", ""},
		{"values of both sides", pan, edits(t, base, "roll = 38", "roll = 40"), "A-cam operator", "from two sides"},
		{"stiffness here, a style there", pan, edits(t, base, "tilt = 8", "tilt = 9"), "A-cam operator", ""},
		{"stiffness here, filter there", pan, edits(t, base, "drive = 2", "drive = 3"), "A-cam operator", "drive filter and stiffness, pan"},
		{"ended here already", edits(t, base, "unit = \"Large A\"", "unit = \"Large A\"\nstale = \"b; a\""), edits(t, base, "unit = \"Large A\"", "unit = \"Large A\"\nstale = \"c; a\""), "A-cam operator", "a; b; c"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, swap := range []bool{false, true} {
				in := Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(base), Ours: []byte(c.ours), Theirs: []byte(c.theirs)}
				if swap {
					in.Ours, in.Theirs = in.Theirs, in.Ours
				}
				out, err := File(in)
				if err != nil || len(out.Conflicts) > 0 {
					t.Fatal(out.Conflicts, err)
				}
				v, _ := flat(t, schema.KindTune, out.Text)
				stale, _ := v["proof.hold.stale"].(string)
				if v["proof.hold.by"] != c.by || !strings.Contains(stale, c.stale) || (c.stale == "") != (stale == "") {
					t.Errorf("swap %v: by %v, stale %q", swap, v["proof.hold.by"], stale)
				}
			}
		})
	}
	gone := tuneBase
	out, err := File(Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(base), Ours: []byte(gone), Theirs: []byte(newer(base, "2026-03-04T11:00:00Z", "B-cam operator"))})
	if err != nil || len(out.Conflicts) != 1 || out.Conflicts[0].Key != "proof.hold" {
		t.Errorf("deleted here, made anew there: %v %v", out.Conflicts, err)
	}
}

func TestBrokenAndNewer(t *testing.T) {
	in := Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(tuneBase), Ours: []byte("pan = = 3\n"), Theirs: []byte(edits(t, tuneBase, "pan = 41", "pan = 42"))}
	out, err := File(in)
	if err != nil || len(out.Conflicts) != 1 || out.Conflicts[0].Key != "" || !strings.Contains(out.Conflicts[0].Why, "our file is unreadable") {
		t.Errorf("%v %v", out.Conflicts, err)
	}
	in.Choose = func(c Conflict, clean bool) (Choice, bool) { return Choice{Take: Theirs}, !clean }
	if out, err = File(in); err != nil || string(out.Text) != string(in.Theirs) {
		t.Errorf("%v %s", err, out.Text)
	}
	in.Theirs = []byte("format = 99\n")
	if _, err = File(in); err == nil || !strings.Contains(err.Error(), "newer Rigkeep") {
		t.Errorf("newer format: %v", err)
	}
	out, err = File(Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Base: []byte(tuneBase), Ours: nil, Theirs: []byte(edits(t, tuneBase, "pan = 41", "pan = 42"))})
	if err != nil || len(out.Conflicts) != 1 || !strings.Contains(out.Conflicts[0].Why, "deleted on one side") {
		t.Errorf("%v %v", out.Conflicts, err)
	}
}

func TestAddedOnBothSides(t *testing.T) {
	ours := tuneHead + "\n[stiffness]\npan = 41\n"
	theirs := tuneHead + "\n[stiffness]\npan = 41.0\nroll = 38\n"
	out, err := File(Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Ours: []byte(ours), Theirs: []byte(theirs)})
	if err != nil || len(out.Conflicts) > 0 || string(out.Text) != ours+"roll = 38\n" {
		t.Errorf("%v %v\n%s", out.Conflicts, err, out.Text)
	}
	out, _ = File(Input{Cat: cat, Path: "t.toml", Kind: schema.KindTune, Ours: []byte(ours), Theirs: []byte(edits(t, theirs, "41.0", "42"))})
	if len(out.Conflicts) != 1 || out.Conflicts[0].Why != "added on both sides" {
		t.Errorf("%+v", out.Conflicts)
	}
}

func TestFilesOfOthers(t *testing.T) {
	read := func(b, o, x string) Output {
		out, err := File(Input{Cat: cat, Path: "README.md", Base: []byte(b), Ours: []byte(o), Theirs: []byte(x)})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	if out := read("a\nb\nc\n", "A\nb\nc\n", "a\nb\nC\n"); string(out.Text) != "A\nb\nC\n" || len(out.Conflicts) > 0 {
		t.Errorf("%s %v", out.Text, out.Conflicts)
	}
	if out := read("a\n", "b\n", "c\n"); string(out.Text) != "b\n" || len(out.Conflicts) != 1 {
		t.Errorf("%s %v", out.Text, out.Conflicts)
	}
	if out := read("a\xff", "b\xff", "c\xff"); len(out.Conflicts) != 1 {
		t.Errorf("binary: %v", out.Conflicts)
	}
}

func TestLines(t *testing.T) {
	for _, c := range []struct{ base, a, b, want string }{
		{"", "x", "y", "x\ny"},
		{"one", "one\ntwo", "one\nzwei", "one\ntwo\nzwei"},
		{"one\ntwo\nthree", "one\nthree", "one\ntwo\nthree\nfour", "one\nthree\nfour"},
		{"a\n", "a\nb\n", "a\nc\n", "a\nb\nc\n"},
		{"a", "a", "b", "b"},
	} {
		for _, swap := range []bool{false, true} {
			a, b := c.a, c.b
			if swap {
				a, b = b, a
			}
			if got, ok := Lines(c.base, a, b); !ok || got != c.want {
				t.Errorf("%q + %q: %q %v, not %q", a, b, got, ok, c.want)
			}
		}
	}
	if _, ok := Lines("a\nb\nc", "a\nX\nc", "a\nY\nc"); ok {
		t.Error("one line changed twice passed")
	}
}
