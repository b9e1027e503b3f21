package merge

import (
	"fmt"
	"io/fs"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// mem is a library in memory.
type mem map[string]string

func (m mem) Read(path string) ([]byte, error) {
	if s, ok := m[path]; ok {
		return []byte(s), nil
	}
	return nil, nil
}

func (m mem) List(prefix string) ([]string, error) {
	var out []string
	for p := range m {
		if strings.HasPrefix(p, prefix) {
			out = append(out, p)
		}
	}
	sort.Strings(out)
	return out, nil
}

func (m mem) with(pairs ...string) mem {
	out := mem{}
	for k, v := range m {
		out[k] = v
	}
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			delete(out, pairs[i])
		} else {
			out[pairs[i]] = pairs[i+1]
		}
	}
	return out
}

func changed(a, b mem) []string {
	var out []string
	for p, s := range a {
		if b[p] != s {
			out = append(out, p)
		}
	}
	for p := range b {
		if _, ok := a[p]; !ok {
			out = append(out, p)
		}
	}
	sort.Strings(out)
	return out
}

func setOf(t testing.TB, base, ours, theirs mem, ch *Choices) (*SetOutput, mem) {
	t.Helper()
	out, err := Set(SetInput{Cat: cat, Base: base, Ours: ours, Theirs: theirs, OursChanged: changed(base, ours), TheirsChanged: changed(base, theirs), Choices: ch})
	if err != nil {
		t.Fatal(err)
	}
	got := ours.with()
	for p, text := range out.Files {
		if text == nil {
			delete(got, p)
		} else {
			got[p] = string(text)
		}
	}
	return out, got
}

func printOf(t testing.TB, text string) string {
	t.Helper()
	r, err := preset.UncheckedRig("", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return r.Fingerprint()
}

func tuneFor(fp string) string { return strings.Replace(tuneBase, "k7qd2m9x4c", fp, 1) }

// withProof adds a proof of the values as they are.
func withProof(t testing.TB, tune, fp string) string {
	return tune + fmt.Sprintf("\n[proof.hold]\nat = 2026-03-02T11:00:00Z\nby = \"A-cam operator\"\nrig = %q\ndigest = %q\n", fp, digestOf(t, tune))
}

// library is a base to begin from: a sheet, one rig with a tune and a bench log, a job.
func library(t testing.TB) (lib mem, fp string) {
	t.Helper()
	sheet, err := fs.ReadFile(examples.Gimbals(), "quay-large.toml")
	if err != nil {
		t.Fatal(err)
	}
	fp = printOf(t, rigBase)
	tune := tuneFor(fp)
	lib = mem{
		"library.toml":                                     "format = 1\nkind = \"library\"\nname = \"prep bay\"\n",
		"gimbals/quay-large.toml":                          string(sheet),
		preset.RigPath(fp):                                 rigBase,
		preset.TunePath(fp, "main"):                        withProof(t, tune, fp),
		preset.RigDir(fp) + "/bench/20260302T093000Z.toml": "format = 1\nkind = \"bench\"\nrig = \"" + fp + "\"\nbegan = 2026-03-02T09:30:00Z\n\n[[step]]\nat = 2026-03-02T09:34:00Z\naxis = \"pan\"\nvalue = 40\nsaw = \"clean\"\n",
		"jobs/2026-03-02-harbour.toml":                     strings.Replace(jobBase, "k7qd2m9x4c", fp, 1),
	}
	holds(t, lib)
	return lib, fp
}

// holds checks every file of a library, with its references.
func holds(t testing.TB, lib mem) {
	t.Helper()
	sheet := func(slug string) *schema.Sheet {
		v, err := file.Values("x", []byte(lib[preset.GimbalPath(slug)]))
		if err != nil {
			t.Fatal(err)
		}
		s, ps := cat.Sheet(slug, v)
		if len(schema.Errors(ps)) > 0 {
			t.Fatal(ps)
		}
		return s
	}
	aliases := map[string]string{}
	for path, text := range lib {
		p, ok := preset.Locate(path)
		if !ok {
			continue
		}
		d, err := file.Parse(path, []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		var s *schema.Sheet
		f := schema.Flatten(d.Tree())
		switch p.Kind {
		case schema.KindRig:
			r := preset.RigIn(d)
			if r.Fingerprint() != p.Rig {
				t.Fatalf("%s has the fingerprint %s", path, r.Fingerprint())
			}
			if o := aliases[r.Alias]; o != "" {
				t.Fatalf("%s and %s are both %s", o, path, r.Alias)
			}
			aliases[r.Alias] = path
			sheet(r.Gimbal)
		case schema.KindTune, schema.KindBench:
			rig, err := file.Values("x", []byte(lib[preset.RigPath(p.Rig)]))
			if err != nil || rig["gimbal"] == nil {
				t.Fatalf("%s has no rig", path)
			}
			s = sheet(rig["gimbal"].(string))
			if f.Str("rig") != p.Rig {
				t.Fatalf("%s says it is for %s", path, f.Str("rig"))
			}
		case schema.KindJob:
			for _, pin := range preset.JobIn(d).Pins {
				if pin.Revision == "" && lib[preset.RigPath(pin.Rig)] == "" {
					t.Fatalf("%s pins %s, which is not there", path, pin.Rig)
				}
			}
		}
		if ps := schema.Errors(cat.Validate(p.Kind, d.Tree(), s)); len(ps) > 0 {
			t.Fatalf("%s: %v\n%s", path, ps, text)
		}
	}
}

// moved is a library with a rig's build changed so that it gets another fingerprint, as save
// does it.
func moved(t testing.TB, lib mem, fp string, pairs ...string) (mem, string) {
	t.Helper()
	text := edits(t, lib[preset.RigPath(fp)], pairs...)
	to := printOf(t, text)
	if to == fp {
		t.Fatal("the fingerprint did not change")
	}
	out := lib.with()
	for p, s := range lib {
		if rest, ok := strings.CutPrefix(p, preset.RigDir(fp)+"/"); ok {
			delete(out, p)
			if rest == "rig.toml" {
				d, _ := file.Parse("x", []byte(text))
				v, _ := d.Get("was")
				d, err := d.Set("was", append(slices.Clone(asList(v)), fp))
				if err != nil {
					t.Fatal(err)
				}
				s = string(d.Text())
			} else {
				s = strings.Replace(s, `rig = "`+fp, `rig = "`+to, 1)
			}
			out[preset.RigDir(to)+"/"+rest] = s
		}
		if strings.HasPrefix(p, "jobs/") {
			out[p] = string(repin(p, []byte(s), func(f string) string {
				if f == fp {
					return to
				}
				return f
			}))
		}
	}
	holds(t, out)
	return out, to
}

func noConflicts(t testing.TB, out *SetOutput) {
	t.Helper()
	if len(out.Conflicts) > 0 {
		t.Fatalf("%+v", out.Conflicts)
	}
}

// both merges in both directions and hands each result to check.
func both(t *testing.T, base, ours, theirs mem, check func(t *testing.T, out *SetOutput, got mem)) {
	t.Helper()
	for _, swap := range []bool{false, true} {
		o, x := ours, theirs
		if swap {
			o, x = theirs, ours
		}
		out, got := setOf(t, base, o, x, nil)
		t.Run(fmt.Sprint("swap ", swap), func(t *testing.T) { check(t, out, got) })
	}
}

func TestTuneFollowsItsRig(t *testing.T) {
	base, fp := library(t)
	ours, to := moved(t, base, fp, "mass_kg = 1.20", "mass_kg = 1.40")
	path := preset.TunePath(fp, "main")
	newLog := preset.RigDir(fp) + "/bench/20260303T080000Z.toml"
	theirs := base.with(
		path, edits(t, base[path], "tilt = 8", "tilt = 9", "# how hard", "# theirs\n# how hard"),
		preset.TunePath(fp, "night"), tuneFor(fp),
		newLog, strings.Replace(base[preset.RigDir(fp)+"/bench/20260302T093000Z.toml"], "03-02", "03-03", 2),
	)
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
		for p := range got {
			if strings.Contains(p, fp) {
				t.Errorf("%s stayed behind", p)
			}
		}
		now := got[preset.TunePath(to, "main")]
		if !strings.Contains(now, "tilt = 9") || !strings.Contains(now, "# theirs\n") || strings.Contains(now, "stale") {
			t.Errorf("the edit did not follow:\n%s", now)
		}
		if got[preset.TunePath(to, "night")] != tuneFor(to) || got[strings.Replace(newLog, preset.RigDir(fp), preset.RigDir(to), 1)] == "" {
			t.Error("a new tune or log did not follow")
		}
		if !strings.Contains(got["jobs/2026-03-02-harbour.toml"], to) {
			t.Error("the pin did not follow")
		}
	})
	// With stiffness changed there, the proof ends: that stiffness was for the old build.
	theirs = base.with(path, edits(t, base[path], "pan = 41", "pan = 44"))
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if now := got[preset.TunePath(to, "main")]; !strings.Contains(now, "the build changed on one side and stiffness, pan on the other") {
			t.Error(now)
		}
	})
}

func TestBuildChangedOnBothSides(t *testing.T) {
	base, fp := library(t)
	ours, a := moved(t, base, fp, "mass_kg = 1.20", "mass_kg = 1.40")
	theirs, b := moved(t, base, fp, "mass_kg = 2.35", "mass_kg = 2.55")
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
		d := printOf(t, edits(t, rigBase, "1.20", "1.40", "2.35", "2.55"))
		text := got[preset.RigPath(d)]
		r, err := preset.UncheckedRig(preset.RigPath(d), []byte(text))
		if err != nil || text == "" {
			t.Fatal(got, err)
		}
		was := r.Was
		want := []string{fp, min(a, b), max(a, b)}
		if !slices.Equal(was, want) {
			t.Errorf("was %v, not %v", was, want)
		}
		for p := range got {
			if strings.HasPrefix(p, "rigs/") && !strings.Contains(p, d) {
				t.Errorf("%s stayed behind", p)
			}
		}
		if !strings.Contains(got["jobs/2026-03-02-harbour.toml"], d) {
			t.Error("the pin did not follow")
		}
	})
	// Below the resolution of the fingerprint on each side, above it together.
	ours = base.with(preset.RigPath(fp), edits(t, rigBase, "2.35", "2.352"))
	theirs = base.with(preset.RigPath(fp), edits(t, rigBase, "1.20", "1.202"))
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
	})
	// The same build in the end: the two moves are one.
	theirs, _ = moved(t, base, fp, "mass_kg = 1.20", "mass_kg = 1.40 # weighed twice")
	both(t, base, ours.with(), theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
	})
}

func TestRigAddedOnBothSides(t *testing.T) {
	base, _ := library(t)
	build := edits(t, rigBase, "1.20", "0.80", "zoom 25-80", "prime 35", "zoom-build", "prime-build")
	fp := printOf(t, build)
	ours := base.with(preset.RigPath(fp), build, preset.TunePath(fp, "main"), tuneFor(fp))
	// The same build, the same alias: one rig, and the tunes merge by key.
	theirs := base.with(preset.RigPath(fp), edits(t, build, "mass_kg = 0.80", "mass_kg = 0.80\nnote = \"weighed\""), preset.TunePath(fp, "main"), strings.Replace(tuneFor(fp), "\n[horizon]\noffset_deg = 0.5\n", "", 1))
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
		if !strings.Contains(got[preset.RigPath(fp)], "weighed") || !strings.Contains(got[preset.TunePath(fp, "main")], "offset_deg") {
			t.Error(got[preset.RigPath(fp)])
		}
	})
	// The same build, two aliases.
	theirs = base.with(preset.RigPath(fp), edits(t, build, "prime-build", "small-build"))
	out, _ := setOf(t, base, ours, theirs, nil)
	if len(out.Conflicts) != 1 || out.Conflicts[0].Key != "alias" || out.Conflicts[0].File != "prime-build" {
		t.Fatalf("%+v", out.Conflicts)
	}
	ch, _ := NewChoices(nil, nil, []string{"alias=prime-two"}, func(_, _, text string) (any, error) { return text, nil })
	out, got := setOf(t, base, ours, theirs, ch)
	noConflicts(t, out)
	holds(t, got)
	if !strings.Contains(got[preset.RigPath(fp)], `alias = "prime-two"`) {
		t.Error(got[preset.RigPath(fp)])
	}
	// Two builds, one alias.
	other := edits(t, build, "0.80", "0.90")
	op := printOf(t, other)
	theirs = base.with(preset.RigPath(op), other)
	out, _ = setOf(t, base, ours, theirs, nil)
	if len(out.Conflicts) != 1 || out.Conflicts[0].Key != "alias" || !strings.Contains(out.Conflicts[0].Why, "two rigs have the alias prime-build") {
		t.Fatalf("%+v", out.Conflicts)
	}
	for _, c := range []struct {
		ours, theirs, values []string
		renamed, to          string
	}{
		{[]string{"alias"}, nil, nil, op, "prime-build-2"},
		{nil, []string{"prime-build:alias"}, nil, fp, "prime-build-2"},
		{nil, nil, []string{"alias=other-build"}, op, "other-build"},
		{[]string{"all"}, nil, nil, op, "prime-build-2"},
	} {
		ch, err := NewChoices(c.ours, c.theirs, c.values, func(_, _, text string) (any, error) { return text, nil })
		if err != nil {
			t.Fatal(err)
		}
		out, got := setOf(t, base, ours, theirs, ch)
		noConflicts(t, out)
		holds(t, got)
		if !strings.Contains(got[preset.RigPath(c.renamed)], `alias = "`+c.to+`"`) {
			t.Errorf("%v: %s", c, got[preset.RigPath(c.renamed)])
		}
	}
	// Added on both sides, and changed further on one of them.
	theirs, to := moved(t, ours, fp, "mass_kg = 0.80", "mass_kg = 0.90")
	theirs[preset.TunePath(to, "main")] = edits(t, theirs[preset.TunePath(to, "main")], "roll = 38", "roll = 39")
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		if len(out.Conflicts) != 2 { // one part's mass, one value: both sides made both
			t.Fatalf("%+v", out.Conflicts)
		}
	})
}

func TestRigRemovedAndWorkedOn(t *testing.T) {
	base, fp := library(t)
	base["jobs/2026-03-02-harbour.toml"] = strings.Split(base["jobs/2026-03-02-harbour.toml"], "[[pin]]")[0]
	gone := base.with()
	for p := range base {
		if strings.HasPrefix(p, preset.RigDir(fp)) {
			delete(gone, p)
		}
	}
	path := preset.TunePath(fp, "main")
	worked := base.with(path, edits(t, base[path], "roll = 38", "roll = 39"))
	both(t, base, gone, worked, func(t *testing.T, out *SetOutput, got mem) {
		if len(out.Conflicts) != 1 || !strings.Contains(out.Conflicts[0].Why, "removed on one side") {
			t.Fatalf("%+v", out.Conflicts)
		}
	})
	both(t, base, gone, base.with("library.toml", edits(t, base["library.toml"], "prep bay", "prep bay two")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
		if got[path] != "" || !strings.Contains(got["library.toml"], "two") {
			t.Error("not merged")
		}
	})
	for _, c := range []struct {
		ours, theirs []string
		kept         bool
	}{{[]string{"zoom-build"}, nil, false}, {nil, []string{"zoom-build"}, true}, {nil, []string{"all"}, true}} {
		ch, _ := NewChoices(c.ours, c.theirs, nil, nil)
		out, got := setOf(t, base, gone, worked, ch)
		noConflicts(t, out)
		holds(t, got)
		if (got[path] != "") != c.kept {
			t.Errorf("%v: kept %v", c, !c.kept)
		}
	}
}

func TestSheetHereTuneThere(t *testing.T) {
	base, fp := library(t)
	path := preset.TunePath(fp, "main")
	tune := base.with(path, edits(t, base[path], "pan = 41", "pan = 96"))
	d, err := file.Parse("x", []byte(base["gimbals/quay-large.toml"]))
	if err != nil {
		t.Fatal(err)
	}
	if d, err = d.Set("dial.stiffness.pan.max", 80); err != nil {
		t.Fatal(err)
	}
	sheet := base.with("gimbals/quay-large.toml", string(d.Text()))
	both(t, base, tune, sheet, func(t *testing.T, out *SetOutput, got mem) {
		if len(out.Conflicts) != 1 || out.Conflicts[0].Key != "stiffness.pan" || !strings.Contains(out.Conflicts[0].Why, "outside the dial; expected 0 to 80") {
			t.Fatalf("%+v", out.Conflicts)
		}
	})
	for _, spec := range [][3][]string{
		{nil, nil, {"stiffness.pan=78"}},
		{nil, {"zoom-build/main:stiffness.pan"}, nil},            // back to the base's
		{{"gimbal:quay-large:dial.stiffness.pan.max"}, nil, nil}, // a clean merge, overruled
	} {
		ch, _ := NewChoices(spec[0], spec[1], spec[2], func(_, _, text string) (any, error) { return file.ParseValue(text) })
		out, got := setOf(t, base, tune, sheet, ch)
		noConflicts(t, out)
		holds(t, got)
	}
	// What lies on the new dial passes.
	tune[path] = edits(t, base[path], "pan = 41", "pan = 66")
	both(t, base, tune, sheet, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
	})
	// The sheet removed there, a rig put on it here.
	noSheet := base.with()
	for p := range base {
		if strings.HasPrefix(p, "rigs/") || strings.HasPrefix(p, "gimbals/") {
			delete(noSheet, p)
		}
	}
	noSheet["jobs/2026-03-02-harbour.toml"] = strings.Split(base["jobs/2026-03-02-harbour.toml"], "[[pin]]")[0]
	build := edits(t, rigBase, "1.20", "0.80", "zoom-build", "prime-build")
	added := base.with(preset.RigPath(printOf(t, build)), build)
	both(t, base, noSheet, added, func(t *testing.T, out *SetOutput, got mem) {
		if len(out.Conflicts) != 1 || out.Conflicts[0].Path != "gimbals/quay-large.toml" {
			t.Fatalf("%+v", out.Conflicts)
		}
	})
}

func TestJobOnBothSides(t *testing.T) {
	base, fp := library(t)
	job := "jobs/2026-03-02-harbour.toml"
	pin := "\n[[pin]]\nrig = \"" + fp + "\"\ntune = \"night\"\n"
	ours := base.with(job, edits(t, base[job], "call at six", "call at six\\nbring rain covers", "lens_mm = 24", "lens_mm = 28")+pin, preset.TunePath(fp, "night"), tuneFor(fp))
	theirs := base.with(job, edits(t, base[job], "longest_mm = 85", "longest_mm = 135", "[[shot]]", "[[shot]]\nname = \"deck\"\nlens_mm = 35\n\n[[shot]]", "name = \"the tall one\"", "name = \"the tall one\" # till noon"))
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
		j, _ := preset.UncheckedJob(job, []byte(got[job]))
		if len(j.Shots) != 2 || len(j.Pins) != 2 || j.Longest != 135 || !strings.Contains(j.Note, "rain covers") || !strings.Contains(got[job], "# till noon") || len(j.Crew) != 2 {
			t.Errorf("%+v\n%s", j, got[job])
		}
	})
	// Closed there with the pin fixed to a revision, the rig moved here: the pin stays with what that revision holds.
	movedLib, _ := moved(t, base, fp, "1.20", "1.40")
	rev := strings.Repeat("ab", 20)
	closed := base.with(job, edits(t, base[job], `state = "open"`, `state = "closed"`, "tune = \"main\"", "tune = \"main\"\nrevision = \""+rev+"\""))
	both(t, base, movedLib, closed, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		j, _ := preset.UncheckedJob(job, []byte(got[job]))
		if len(j.Pins) != 1 || j.Pins[0].Rig != fp || j.Pins[0].Revision != rev || j.State != "closed" {
			t.Errorf("%+v", j)
		}
	})
}

func TestAliasRenamed(t *testing.T) {
	base, fp := library(t)
	path := preset.RigPath(fp)
	ours := base.with(path, edits(t, rigBase, "zoom-build", "long-build"))
	both(t, base, ours, base.with(path, edits(t, rigBase, "mass_kg = 1.20", "mass_kg = 1.20\nnote = \"x\"")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		if !strings.Contains(got[path], "long-build") || !strings.Contains(got[path], "note") {
			t.Error(got[path])
		}
	})
	// Renamed here to a name that the other side gave to another rig.
	build := edits(t, rigBase, "1.20", "0.80", "zoom-build", "long-build")
	both(t, base, ours, base.with(preset.RigPath(printOf(t, build)), build), func(t *testing.T, out *SetOutput, got mem) {
		if len(out.Conflicts) != 1 || out.Conflicts[0].Key != "alias" {
			t.Fatalf("%+v", out.Conflicts)
		}
	})
	// Both rigs change names with each other on one side: nothing to settle.
	two := base.with(preset.RigPath(printOf(t, build)), build)
	swapped := two.with(path, edits(t, rigBase, "zoom-build", "long-build"), preset.RigPath(printOf(t, build)), edits(t, build, "long-build", "zoom-build"))
	both(t, two, swapped, two.with("library.toml", edits(t, two["library.toml"], "bay", "hall")), func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		holds(t, got)
	})
}

func TestChoices(t *testing.T) {
	base, fp := library(t)
	path, other := preset.TunePath(fp, "main"), preset.TunePath(fp, "night")
	base[other] = tuneFor(fp)
	ours := base.with(path, edits(t, base[path], "roll = 38", "roll = 40"), other, edits(t, base[other], "roll = 38", "roll = 41"))
	theirs := base.with(path, edits(t, base[path], "roll = 38", "roll = 42"), other, edits(t, base[other], "roll = 38", "roll = 43"))
	parse := func(kind, key, text string) (any, error) {
		if kind != schema.KindTune || key != "stiffness.roll" {
			return nil, fmt.Errorf("asked for %s of a %s", key, kind)
		}
		return file.ParseValue(text)
	}
	for _, c := range []struct {
		spec     [3][]string
		main, nt string
		err      string
		left     int
	}{
		{[3][]string{{"all"}, nil, nil}, "40", "41", "", 0},
		{[3][]string{nil, {"all"}, nil}, "42", "43", "", 0},
		{[3][]string{{"zoom-build/main"}, {"zoom-build/night:stiffness.roll"}, nil}, "40", "43", "", 0},
		{[3][]string{{path}, nil, {fp + "/night:stiffness.roll=39"}}, "40", "39", "", 0},
		{[3][]string{{"zoom-build/main:stiffness.roll"}, nil, nil}, "", "", "", 1},
		{[3][]string{{"stiffness.roll"}, nil, nil}, "", "", "in conflict in 2 files", 0},
		{[3][]string{{"stiffness.pan"}, nil, nil}, "", "", "no conflict", 0},
		{[3][]string{nil, nil, {"zoom-build/main:stiffness.roll=soft"}}, "", "", "", 0},
	} {
		ch, err := NewChoices(c.spec[0], c.spec[1], c.spec[2], parse)
		if err != nil {
			t.Fatal(err)
		}
		out, err := Set(SetInput{Cat: cat, Base: base, Ours: ours, Theirs: theirs, OursChanged: changed(base, ours), TheirsChanged: changed(base, theirs), Choices: ch})
		if strings.Contains(fmt.Sprint(c.spec), "soft") {
			if err == nil {
				t.Error("a value that is none was taken")
			}
			continue
		}
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%v: %v", c.spec, err)
			}
			continue
		}
		if err != nil || len(out.Conflicts) != c.left {
			t.Errorf("%v: %v %v", c.spec, out.Conflicts, err)
			continue
		}
		for p, v := range map[string]string{path: c.main, other: c.nt} {
			text := ours[p]
			if b, ok := out.Files[p]; ok {
				text = string(b)
			}
			if v != "" && !strings.Contains(text, "roll = "+v) {
				t.Errorf("%v: %s is not %s", c.spec, p, v)
			}
		}
	}
	if _, err := NewChoices(nil, nil, []string{"x"}, nil); err == nil {
		t.Error("KEY without VALUE was taken")
	}
}

func TestNothingToDo(t *testing.T) {
	base, fp := library(t)
	other, _ := moved(t, base, fp, "1.20", "1.40")
	for i, c := range [][3]mem{{base, other, other}, {base, other, base}, {base, base, other}, {mem{}, other, other}, {mem{}, mem{}, other}} {
		out, got := setOf(t, c[0], c[1], c[2], nil)
		noConflicts(t, out)
		if d := changed(got, other); len(d) > 0 {
			t.Errorf("%d: %v differ", i, d)
		}
	}
}

// Photos go where their rig goes, those that the other side added too, byte for byte.
func TestPhotosFollowTheirRig(t *testing.T) {
	base, fp := library(t)
	day := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	one, two, three := "\xff\xd8\xffone\x00", "\xff\xd8\xfftwo\r\n\xfe", "\xff\xd8\xffthree"
	at := func(fp, data string) string { return preset.PhotoPath(fp, day, []byte(data)) }
	base = base.with(at(fp, one), one, at(fp, three), three)
	ours, to := moved(t, base, fp, "mass_kg = 1.20", "mass_kg = 1.40")
	theirs := base.with(at(fp, two), two)
	delete(theirs, at(fp, three))
	both(t, base, ours, theirs, func(t *testing.T, out *SetOutput, got mem) {
		noConflicts(t, out)
		for p := range got {
			if strings.Contains(p, fp) {
				t.Errorf("%s stayed behind", p)
			}
		}
		if got[at(to, one)] != one || got[at(to, two)] != two {
			t.Error("a photo did not follow, or changed")
		}
		if got[at(to, three)] != "" {
			t.Error("a photo that was removed is back")
		}
	})
}
