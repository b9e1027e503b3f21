package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// demoShop is the demo library, its clock on the morning of the last shoot.
func demoShop(t *testing.T) *fixture {
	t.Helper()
	top := t.TempDir()
	s := &fixture{dir: top, now: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), env: map[string]string{"HOME": top, "XDG_CONFIG_HOME": filepath.Join(top, ".config"), "GIT_CONFIG_NOSYSTEM": "1",
		"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>", "NO_COLOR": "1", "COLUMNS": "80", "LANG": "C.UTF-8"}}
	s.dir = demoIn(t, top)
	return s
}

// Each default screen of one rig is 24 lines at 80 columns, a job's review one more for each
// further rig, the help 40, the demo 120; the exit status says what it said before.
func TestScreenLines(t *testing.T) {
	s := demoShop(t)
	for _, c := range []struct {
		line        string
		limit, exit int
	}{
		{"fit a-cam-prime", 24, exitOK}, {"fit b-cam-85", 24, exitOK}, {"start b-cam-18", 24, exitOK}, {"start a-cam-zoom", 24, exitOK},
		{"review night-pilotage", 24, exitFindings}, {"review pilot-station", 25, exitFindings}, {"review tug-day", 24, exitFindings},
		{"diagnose --log ../desk/b-cam-shake.csv --rig b-cam-85", 24, exitOK}, {"diagnose --axis tilt --feel chatter --when tap --rig b-cam-85", 24, exitOK},
		{"show a-cam-prime", 24, exitOK}, {"show b-cam-85", 24, exitOK}, {"compare a-cam-prime@pilot-station a-cam-prime", 24, exitFindings}, {"compare b-cam-85@~3 b-cam-85", 24, exitFindings},
		{"explain stiffness.tilt --rig a-cam-prime", 24, exitOK}, {"explain follow.walk.lag.pan --rig b-cam-85", 24, exitOK}, {"history a-cam-prime", 24, exitOK}, {"rig list", 24, exitOK},
		{"bench b-cam-18 --unit SK-0412 --axis tilt --value 5 --saw clean --go-on", 24, exitOK}, {"--help", 40, exitOK}, {"demo " + filepath.Join(t.TempDir(), "other"), 120, exitOK},
	} {
		code, out, errs := s.run("", cutWords(c.line)...)
		n := strings.Count(out, "\n") + strings.Count(errs, "\n")
		t.Logf("%-70s %3d lines, exit %d", c.line, n, code)
		if code != c.exit || n > c.limit {
			t.Errorf("%s: %d lines of %d, exit %d, want %d\n%s%s", c.line, n, c.limit, code, c.exit, out, errs)
		}
	}
}

// triesOf are the commands to type of a screen, each with its line.
func triesOf(text string) []string {
	var out []string
	for l := range strings.Lines(text) {
		if _, after, ok := strings.Cut(l, "Try: "); ok {
			out = append(out, strings.TrimSpace(after))
		}
	}
	return out
}

// A command to type stands alone on its line and gets no line break of ours, also with a name
// of 62 characters: what a screen of 80 columns says to try is what one of 300 says.
func TestTriesAreWhole(t *testing.T) {
	s := demoShop(t)
	long := strings.Repeat("abcdefghij", 6) + "-2"
	s.ok(t, "rig", "rename", "b-cam-85", long)
	s.ok(t, "rig", "rename", "a-cam-prime", "x"+long[1:])
	seen := 0
	for _, line := range []string{"show " + long, "fit " + long, "start " + long, "history " + long, "compare " + long + "@~3 " + long, "review pilot-station", "review night-pilotage", "review " + long,
		"review night-pilotage --why", "bench " + long + " --unit SK-0412 --axis tilt --value 5 --saw clean --go-on", "bench " + long, "prove " + long, "set " + long + " tilt=11.5", "save " + long,
		"show " + long[:61], "show " + long + "@~99", "handover write " + long + " ../" + "h.zip", "unit show SK-0412", "load " + long + " --unit SK-0412", "diagnose --rig " + long, "follow " + long + " --style nosuch"} {
		s.env["COLUMNS"] = "80"
		_, out, errs := s.run("", cutWords(line)...)
		narrow := triesOf(out + "\n" + errs)
		for _, c := range narrow {
			words := cutWords(c)
			if seen++; len(words) < 2 || words[0] != "rigkeep" && words[0] != "git" && words[0] != "cd" || strings.Contains(c, "Try:") {
				t.Errorf("%s: %q is not one command", line, c)
			}
			for _, w := range words {
				if i := strings.Index(w, "abcdefghij-2"); strings.Contains(w, "bcdefghijabc") && i < 0 {
					t.Errorf("%s: %q cuts a name", line, c)
				}
			}
		}
		if line[:3] == "set" || line[:4] == "save" || line[:5] == "bench" || strings.HasPrefix(line, "handover") || strings.HasPrefix(line, "prove") {
			continue // a second time it is another answer
		}
		s.env["COLUMNS"] = "300"
		_, out, errs = s.run("", cutWords(line)...)
		wide := triesOf(out + "\n" + errs) // may be more: what wraps less leaves room for it
		for _, c := range narrow {
			if !slices.Contains(wide, c) {
				t.Errorf("%s: %q at 80 columns, at 300 %q", line, c, wide)
			}
		}
	}
	if seen < 14 {
		t.Errorf("only %d commands were seen", seen)
	}
}

// The list of 53 rigs stays a table with one name of 62 characters among them, and is in the
// order in which one counts.
func TestRigListOfMany(t *testing.T) {
	s := newFixture(t)
	sheet, err := os.ReadFile(filepath.Join(s.dir, "..", "desk", "b-cam.toml"))
	if err != nil {
		t.Fatal(err)
	}
	long := "cam-" + strings.Repeat("a", 58)
	args := []string{"rig", "add"}
	for i := range 49 {
		name := fmt.Sprintf("cam-%d", i+1)
		if i == 48 {
			name = long
		}
		text := strings.Replace(string(sheet), `alias = "b-cam-85"`, fmt.Sprintf("alias = %q", name), 1)
		text = strings.Replace(text, "mass_g = ", fmt.Sprintf("mass_g = %d", i+1), 1) // another build
		file := filepath.Join(s.dir, "..", "desk", name+".toml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, file)
	}
	s.ok(t, args...)
	out := s.ok(t, "rig", "list")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if len(lines) > 53+1+2+1 { // a heading, two gimbals, the long name alone
		t.Errorf("%d lines\n%s", len(lines), out)
	}
	var order []string
	for _, l := range lines {
		if n := utf8.RuneCountInString(l); n > 80 {
			t.Errorf("%d columns: %s", n, l)
		}
		if name, _, _ := strings.Cut(l, " "); strings.HasPrefix(name, "cam-") && name != long {
			order = append(order, name)
		}
	}
	for i, name := range order {
		if name != fmt.Sprintf("cam-%d", i+1) {
			t.Fatalf("%s is at %d: %v", name, i+1, order)
		}
	}
	if len(order) != 48 || !strings.Contains(out, long) {
		t.Errorf("%d rigs\n%s", len(order), out)
	}
}
