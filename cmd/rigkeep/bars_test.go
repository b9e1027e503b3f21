package main

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"rigkeep/schema"
)

// texts are tunes as people write them; each has every key of keys once.
var tuneTexts = []string{
	"format = 1\nkind = \"tune\"\nrig = \"0qygem5g0z\"\n\n[stiffness]\npan = 20\nroll = 9.50\ntilt = 0x0c\n\n[filters]\nsensing = 100\ndrive = 70\n\n[limits.tilt]\nup_deg = 45\ndown_deg = 60.0\n\n[follow.walk.deadband]\npan = 6\ntilt = 8\n",
	"\ufeff# the pier, windy\r\nformat = 1\r\nkind = \"tune\"\r\nrig = \"0qygem5g0z\"\r\n\r\n[stiffness]   # by ear\r\n\tpan   =   20   # = 20\r\n\troll = +9.50\r\n\ttilt =\t1_2\r\n[filters]\r\nsensing = 1_00\r\ndrive = 7e1\r\n[limits]\r\ntilt.up_deg = 45\r\ntilt . down_deg = 60\r\n[follow.walk]\r\ndeadband = {pan = 6, tilt = 8} # both\r\n",
	"format = 1\nkind = \"tune\"\nrig = \"0qygem5g0z\"\nnote = \"\"\"\npan = 20 [stiffness]\n  tilt = 12 # no key\n\"\"\"\nstiffness.pan = 20\nstiffness.\"roll\" = 9.5\nstiffness.'tilt' = 12.0\nfilters = { sensing = 100, drive = 70 }\nlimits = { tilt = { up_deg = 45, down_deg = 60 } }\n[follow]\nwalk.deadband.tilt = 8\nwalk.deadband.pan = 6",
	"format = 1\nkind = \"tune\"\nrig = \"0qygem5g0z\"\n[follow.walk.deadband]\ntilt = 8 # pan = 6\npan = 6\n[limits.tilt]\ndown_deg = 60\nup_deg = 45\n[filters]\ndrive = 70\nsensing = 100\n[stiffness]\ntilt = 12\nroll = 9.5\npan = 20 # last, without a line end",
}

var tuneKeys = map[string][2]float64{ // range of the value, whole and half steps within it are written
	"stiffness.pan": {2, 240}, "stiffness.roll": {1, 120}, "stiffness.tilt": {1, 120}, "filters.sensing": {40, 200}, "filters.drive": {30, 200},
	"limits.tilt.up_deg": {0, 90}, "limits.tilt.down_deg": {0, 135}, "follow.walk.deadband.pan": {0, 30}, "follow.walk.deadband.tilt": {0, 30},
}

// TestSetMovesNoByte: 300 values set from the command line change the value's own
// bytes and no other byte of the file.
func TestSetMovesNoByte(t *testing.T) {
	t.Parallel()
	dir := demoLibrary(t)
	file := filepath.Join(dir, filepath.FromSlash(tunePath))
	r := rand.New(rand.NewSource(20260301))
	keys := slices.Sorted(maps.Keys(tuneKeys))
	number := regexp.MustCompile(`^[-+0-9a-fx_.]*$`)
	changed := 0
	for i := 0; i < 300; i++ {
		if i%30 == 0 {
			if err := os.WriteFile(file, []byte(tuneTexts[i/30%len(tuneTexts)]), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		before, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		key := keys[r.Intn(len(keys))]
		lo, hi := tuneKeys[key][0], tuneKeys[key][1]
		v := schema.Num(lo + float64(r.Intn(int(2*(hi-lo))+1))/2)
		mustRun(t, dir, "set", "b-cam-85", key+"="+v)
		after, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(before, after) {
			continue // it had that value
		}
		changed++
		head, tail := 0, 0
		for head < min(len(before), len(after)) && before[head] == after[head] {
			head++
		}
		for tail < min(len(before), len(after))-head && before[len(before)-1-tail] == after[len(after)-1-tail] {
			tail++
		}
		was, now := string(before[head:len(before)-tail]), string(after[head:len(after)-tail])
		last := key[strings.LastIndexByte(key, '.')+1:]
		line := string(before[:head])
		line = line[strings.LastIndexAny(line, "\n{,")+1:]
		if !number.MatchString(was) || !number.MatchString(now) || !strings.Contains(line, last) {
			t.Fatalf("set %s=%s: %q became %q behind %q", key, v, was, now, line)
		}
		got := mustRun(t, dir, "show", "b-cam-85", "--json")
		if !regexp.MustCompile(fmt.Sprintf(`"%s": \{\s*"value": %s\b`, regexp.QuoteMeta(key), regexp.QuoteMeta(v))).MatchString(got) {
			t.Fatalf("set %s=%s shows\n%s", key, v, got)
		}
	}
	if changed < 250 {
		t.Errorf("only %d of 300 changed anything", changed)
	}
}

// TestPatchesApply: the patches between 100 random pairs of revisions, builds that
// move to another folder among them, are taken by git apply and by GNU patch, and
// give the other revision byte for byte.
func TestPatchesApply(t *testing.T) {
	t.Parallel()
	dir := demoLibrary(t)
	r := rand.New(rand.NewSource(20260302))
	// the rig goes through folders; what belongs to it is told by its alias
	rig := func() map[string]string {
		out := map[string]string{}
		for p, text := range must(snapshot(filepath.Join(dir, "rigs"))) {
			if !strings.Contains(text, "hxdk37xyrz") && !strings.Contains(text, "a-cam") && !strings.HasPrefix(p, "cr") {
				out["rigs/"+filepath.ToSlash(p)] = text
			}
		}
		return out
	}
	write := func(folder string, texts map[string]string) {
		for p, text := range texts {
			name := filepath.Join(folder, filepath.FromSlash(p))
			if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	mutate := func(p, text string) string {
		lines := strings.SplitAfter(text, "\n")
		switch r.Intn(5) {
		case 0:
			lines[len(lines)-1] = strings.TrimRight(lines[len(lines)-1], "\n") // no line end
		case 1:
			lines = append(lines, fmt.Sprintf("\n# %d ± ü 静かに\n", r.Intn(99)))
		case 2:
			i := 3 + r.Intn(max(1, len(lines)-3))
			lines = append(lines[:i:i], append([]string{fmt.Sprintf("# -- %d ++ @@\n", r.Intn(99))}, lines[i:]...)...)
		}
		text = strings.Join(lines, "")
		if strings.HasSuffix(p, "rig.toml") && r.Intn(3) == 0 {
			text = regexp.MustCompile(`mass_g = \d+`).ReplaceAllString(text, fmt.Sprintf("mass_g = %d", 100+5*r.Intn(80)))
		}
		return text
	}
	for i := 0; i < 100; i++ {
		before := rig()
		for _, p := range slices.Sorted(maps.Keys(before)) {
			text := before[p]
			if now := mutate(p, text); now != text {
				write(dir, map[string]string{p: now})
			}
		}
		key := slices.Sorted(maps.Keys(tuneKeys))[r.Intn(len(tuneKeys))]
		lo, hi := tuneKeys[key][0], tuneKeys[key][1]
		mustRun(t, dir, "set", "b-cam-85", fmt.Sprintf("%s=%d", key, int(lo)+r.Intn(int(hi-lo))))
		if code, out, errs := run(t, dir, "save", "b-cam-85", "-m", fmt.Sprint("Pair ", i)); code != 0 {
			if strings.Contains(errs, "nothing is changed") {
				i--
				continue
			}
			t.Fatalf("save: %s%s", out, errs)
		}
		after := rig()
		// ~N counts the tune's own revisions, and a pair may change the build alone
		a, b := "b-cam-85@HEAD~1", "b-cam-85@HEAD"
		if r.Intn(2) == 0 { // and back
			a, b, before, after = b, a, after, before
		}
		code, patch, errs := run(t, dir, "compare", a, b, "--patch")
		if code != exitFindings {
			t.Fatalf("pair %d: exit %d %s", i, code, errs)
		}
		for _, tool := range [][]string{{"git", "apply"}, {"patch", "-p1", "-s", "-E"}} {
			folder := t.TempDir()
			write(folder, before)
			c := exec.Command(tool[0], tool[1:]...)
			c.Dir, c.Stdin = folder, strings.NewReader(patch)
			c.Env = append(os.Environ(), "GIT_CEILING_DIRECTORIES="+filepath.Dir(folder))
			if out, err := c.CombinedOutput(); err != nil {
				t.Fatalf("pair %d: %v: %v\n%s\n%s", i, tool, err, out, patch)
			}
			got := must(snapshot(folder))
			for p, text := range after {
				if got[filepath.FromSlash(p)] != text {
					t.Fatalf("pair %d: %v gives another %s\n%s\n%q\n%q\n%q", i, tool, p, patch, before, got[filepath.FromSlash(p)], text)
				}
			}
			if len(got) != len(after) {
				t.Fatalf("pair %d: %v leaves %v, want %v", i, tool, slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(after)))
			}
		}
	}
}

func must[V any](v V, err error) V {
	if err != nil {
		panic(err)
	}
	return v
}
