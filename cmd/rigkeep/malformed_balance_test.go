package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const (
	balancePath = "rigs/0q/0qygem5g0z/balance/20260228T100000Z.toml"
	goodBalance = `format = 1
kind = "balance"
rig = "0qygem5g0z"
unit = "SK-0412"
began = 2026-02-28T10:00:00Z
ended = 2026-02-28T10:09:00Z
mass_kg = 1.37

[[mark]]
name = "plate"
at = 2026-02-28T10:02:00Z
mm = 47

[[effort]]
point = "tilt, lens level"
at = 2026-02-28T10:08:00Z
axis = "tilt"
pct = 1.5
`
)

// TestMalformedBalance: a balance record with a slip in it is named by check with file and line;
// what needs the marks says so or goes on without it, nothing panics and nothing is written.
func TestMalformedBalance(t *testing.T) {
	t.Parallel()
	dir := demoLibrary(t)
	file := filepath.Join(dir, filepath.FromSlash(balancePath))
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	place := regexp.MustCompile(`(\S+\.toml):(\d+)`)
	for _, c := range []struct {
		name, text string
		at         string // line
		want       string
	}{
		{"good", goodBalance, "", ""},
		{"unknown key", goodBalance + "lean = 3\n", "19", "unknown key"},
		{"misspelt key", strings.Replace(goodBalance, "began", "begun", 1), "5", "did you mean began"},
		{"no beginning", strings.Replace(goodBalance, "began = 2026-02-28T10:00:00Z\n", "", 1), "1", "began"},
		{"ended before it began", strings.Replace(goodBalance, "ended = 2026-02-28", "ended = 2026-02-27", 1), "6", "began"},
		{"mark as a text", strings.Replace(goodBalance, "mm = 47", `mm = "47"`, 1), "12", "a number"},
		{"mark of no number", strings.Replace(goodBalance, "mm = 47", "mm = nan", 1), "12", "a number"},
		{"mark off any scale", strings.Replace(goodBalance, "mm = 47", "mm = 47000", 1), "12", "out of range"},
		{"mark without a name", strings.Replace(goodBalance, "name = \"plate\"\n", "", 1), "9", "name"},
		{"effort over all", strings.Replace(goodBalance, "pct = 1.5", "pct = 150", 1), "18", "out of range"},
		{"one side", goodBalance + "sides_pct = [2.8]\n", "19", "list of 2"},
		{"an axis that is none", strings.Replace(goodBalance, `axis = "tilt"`, `axis = "yaw"`, 1), "17", "one of pan"},
		{"negative mass", strings.Replace(goodBalance, "1.37", "-1.37", 1), "7", "out of range"},
		{"another rig's", strings.Replace(goodBalance, "0qygem5g0z", "k519yw7wkv", 1), "3", "rig"},
		{"half a file", goodBalance[:len(goodBalance)-5], "18", ""},
		{"binary", "\x7fELF\x02\x01\x01\x00", "1", ""},
		{"empty", "", "1", "format"},
		{"newer format", strings.Replace(goodBalance, "format = 1", "format = 2", 1), "1", "newer"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if err := os.WriteFile(file, []byte(c.text), 0o644); err != nil {
				t.Fatal(err)
			}
			before, err := snapshot(dir)
			if err != nil {
				t.Fatal(err)
			}
			code, out, errs := run(t, dir, "check")
			switch {
			case c.at == "" && code != exitOK:
				t.Errorf("check: exit %d\n%s%s", code, out, errs)
			case c.at != "" && code != exitFindings:
				t.Errorf("check: exit %d, want %d\n%s%s", code, exitFindings, out, errs)
			case c.at != "" && !strings.Contains(out, balancePath+":"+c.at+":"):
				t.Errorf("check: no line %s in\n%s", c.at, out)
			case !strings.Contains(strings.ToLower(out), c.want):
				t.Errorf("check: %q is not in\n%s", c.want, out)
			}
			for _, args := range [][]string{{"fit", "b-cam-85"}, {"balance", "b-cam-85", "--dry-run"}, {"review", "b-cam-85"}, {"rig", "list"}, {"find", "plate"}, {"start", "b-cam-85"}} {
				code, out, errs := run(t, dir, args...)
				if c.at == "" && code != exitOK && code != exitFindings {
					t.Errorf("%v: exit %d\n%s%s", args, code, out, errs)
				}
				if code == exitDamaged || code == exitUsage {
					if m := place.FindStringSubmatch(errs); m == nil || m[1] != balancePath {
						t.Errorf("%v: exit %d does not name the file: %q", args, code, errs)
					}
				} else if code != exitOK && code != exitFindings {
					t.Errorf("%v: exit %d\n%s%s", args, code, out, errs)
				}
			}
			after, err := snapshot(dir)
			if err != nil {
				t.Fatal(err)
			}
			sameSnapshot(t, before, after)
		})
	}
}
