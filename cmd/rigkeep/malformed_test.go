package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// run calls the program in-process, in dir, as the scripts' technician.
func run(t testing.TB, dir string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errw bytes.Buffer
	e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errw, Dir: dir,
		Now: func() time.Time { return time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC) },
		Getenv: func(k string) string {
			return map[string]string{"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>", "NO_COLOR": "1", "COLUMNS": "80"}[k]
		}}
	code = Main(append([]string{"rigkeep"}, args...), e)
	return code, out.String(), errw.String()
}

// mustRun fails the test unless the command ends with 0.
func mustRun(t testing.TB, dir string, args ...string) string {
	t.Helper()
	code, out, errs := run(t, dir, args...)
	if code != 0 {
		t.Fatalf("rigkeep %s: exit %d\n%s%s", strings.Join(args, " "), code, out, errs)
	}
	return out
}

// demoLibrary is a library with the example sheets, rigs and one saved tune.
func demoLibrary(t testing.TB) string {
	t.Helper()
	top := t.TempDir()
	desk, dir := filepath.Join(top, "desk"), filepath.Join(top, "lib")
	for _, d := range []string{desk, dir} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := unpack(desk); err != nil {
		t.Fatal(err)
	}
	mustRun(t, dir, "init", ".")
	mustRun(t, dir, "gimbal", "add", "../desk/quay-large.toml", "../desk/skiff-small.toml")
	mustRun(t, dir, "rig", "add", "../desk/b-cam.toml", "../desk/a-cam-prime.toml")
	mustRun(t, dir, "start", "b-cam-85", "--write")
	mustRun(t, dir, "save", "b-cam-85", "-m", "First tune")
	return dir
}

const (
	goodTune = "format = 1\nkind = \"tune\"\nrig = \"0qygem5g0z\"\n\n[stiffness]\npan = 20\ntilt = 12\n"
	tunePath = "rigs/0q/0qygem5g0z/main.toml"
	rigPath  = "rigs/0q/0qygem5g0z/rig.toml"
	goodRig  = "format = 1\nkind = \"rig\"\nalias = \"b-cam-85\"\ngimbal = \"skiff-small\"\n[[part]]\nslot = \"body\"\nname = \"Body M\"\nmass_kg = 0.7\nplace_mm = [0, 0, 0]\n"
)

// malformed are files as they come from a slip of the hand, a bad disk or
// somebody else's editor; at is the line that the message must name, 0 for a
// fault of the whole file.
var malformed = []struct {
	name, path, text string
	at               int
	want             string // in the message
}{
	{"unknown key", tunePath, goodTune + "lean = 3\n", 8, "unknown key"},
	{"misspelt key", tunePath, strings.Replace(goodTune, "tilt = 12", "titl = 12", 1), 7, "did you mean stiffness.tilt"},
	{"misspelt table", tunePath, strings.Replace(goodTune, "[stiffness]", "[stifness]", 1), 5, "did you mean stiffness"},
	{"duplicate key", tunePath, goodTune + "pan = 21\n", 8, "twice"},
	{"duplicate table", tunePath, goodTune + "[stiffness]\nroll = 3\n", 8, "twice"},
	{"text for a number", tunePath, strings.Replace(goodTune, "12", `"12"`, 1), 7, "a number"},
	{"flag for a number", tunePath, strings.Replace(goodTune, "12", "true", 1), 7, "a number"},
	{"list for a number", tunePath, strings.Replace(goodTune, "12", "[12]", 1), 7, "a number"},
	{"number for a text", tunePath, strings.Replace(goodTune, `"0qygem5g0z"`, "22", 1), 3, "fingerprint"},
	{"over the dial", tunePath, strings.Replace(goodTune, "12", "500", 1), 7, "outside the dial"},
	{"under the dial", tunePath, strings.Replace(goodTune, "12", "-1", 1), 7, "outside the dial"},
	{"nan", tunePath, strings.Replace(goodTune, "12", "nan", 1), 7, "a number"},
	{"infinity", tunePath, strings.Replace(goodTune, "12", "inf", 1), 7, "a number"},
	{"minus infinity", tunePath, strings.Replace(goodTune, "12", "-inf", 1), 7, "a number"},
	{"no value", tunePath, strings.Replace(goodTune, "tilt = 12", "tilt =", 1), 7, ""},
	{"no equals sign", tunePath, strings.Replace(goodTune, "tilt = 12", "tilt 12", 1), 7, ""},
	{"decimal comma", tunePath, strings.Replace(goodTune, "12", "12,5", 1), 7, ""},
	{"open string", tunePath, strings.Replace(goodTune, `"tune"`, `"tune`, 1), 2, ""},
	{"open table header", tunePath, strings.Replace(goodTune, "[stiffness]", "[stiffness", 1), 5, ""},
	{"open list", tunePath, goodTune + "[proof.hold]\nstyles = [\"walk\"\n", 9, ""},
	{"escape of TOML 1.1", tunePath, goodTune + "[proof.hold]\nnote = \"a\\e[31m\"\n", 9, ""},
	{"time without seconds", tunePath, goodTune + "[proof.hold]\nat = 2026-03-01T10:00Z\n", 9, ""},
	{"newer format", tunePath, strings.Replace(goodTune, "format = 1", "format = 2", 1), 1, "newer"},
	{"no format", tunePath, strings.Replace(goodTune, "format = 1\n", "", 1), 1, "format"},
	{"format in quotes", tunePath, strings.Replace(goodTune, "format = 1", `format = "1"`, 1), 1, "format"},
	{"another kind", tunePath, strings.Replace(goodTune, `"tune"`, `"rig"`, 1), 2, "kind"},
	{"no fingerprint", tunePath, strings.Replace(goodTune, "rig = \"0qygem5g0z\"\n", "", 1), 1, "rig"},
	{"bad fingerprint", tunePath, strings.Replace(goodTune, "0qygem5g0z", "0qygem5g0i", 1), 3, "fingerprint"},
	{"bad style name", tunePath, goodTune + "[follow.\"Fast Walk\"]\ndeadband = { pan = 3 }\n", 8, "style name"},
	{"invalid UTF-8", tunePath, strings.Replace(goodTune, "kind", "note = \"\xff\"\nkind", 1), 2, "UTF-8"},
	{"zero byte", tunePath, strings.Replace(goodTune, "tilt", "ti\x00lt", 1), 7, ""},
	{"binary file", tunePath, "\x7fELF\x02\x01\x01\x00\x00\x00\x00", 1, ""},
	{"empty file", tunePath, "", 1, "format"},
	{"half a file", tunePath, goodTune[:len(goodTune)-5], 7, ""},
	{"merge markers", tunePath, strings.Replace(goodTune, "tilt = 12", "<<<<<<< ours\ntilt = 12\n=======\ntilt = 13\n>>>>>>> theirs", 1), 7, ""},
	{"build without parts", rigPath, "format = 1\nkind = \"rig\"\nalias = \"b-cam-85\"\ngimbal = \"skiff-small\"\n", 1, "[[part]]"},
	{"part without mass", rigPath, strings.Replace(goodRig, "mass_kg = 0.7\n", "", 1), 5, "mass"},
	{"mass twice", rigPath, strings.Replace(goodRig, "mass_kg = 0.7\n", "mass_kg = 0.7\nmass_g = 700\n", 1), 9, "twice"},
	{"mass of zero", rigPath, strings.Replace(goodRig, "0.7", "0", 1), 8, "out of range"},
	{"place of two numbers", rigPath, strings.Replace(goodRig, "[0, 0, 0]", "[0, 0]", 1), 9, "list of 3"},
	{"shape unknown", rigPath, strings.Replace(goodRig, "mass_kg", "shape = \"cube\"\nmass_kg", 1), 8, "one of box"},
	{"box without size", rigPath, strings.Replace(goodRig, "mass_kg", "shape = \"box\"\nmass_kg", 1), 5, "size"},
	{"tube with too wide a bore", rigPath, strings.Replace(goodRig, "mass_kg", "shape = \"tube\"\ndiameter_mm = 50\nbore_mm = 60\nlength_mm = 10\nmass_kg", 1), 10, "bore"},
	{"alias with blanks", rigPath, strings.Replace(goodRig, `"b-cam-85"`, `"B cam"`, 1), 3, "alias"},
}

// TestMalformedFiles holds each file against every command that reads it: the
// message names file and line and what was expected, nothing panics, and the
// library stays as it was.
func TestMalformedFiles(t *testing.T) {
	t.Parallel()
	if len(malformed) < 40 {
		t.Fatalf("%d malformed files, want at least 40", len(malformed))
	}
	dir := demoLibrary(t)
	place := regexp.MustCompile(`(\S+\.toml):(\d+):(\d+): `)
	for _, c := range malformed {
		t.Run(c.name, func(t *testing.T) {
			file := filepath.Join(dir, filepath.FromSlash(c.path))
			good, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			defer os.WriteFile(file, good, 0o644)
			if err := os.WriteFile(file, []byte(c.text), 0o644); err != nil {
				t.Fatal(err)
			}
			before, err := snapshot(dir)
			if err != nil {
				t.Fatal(err)
			}
			for _, args := range [][]string{
				{"show", "b-cam-85"}, {"set", "0qygem5g0z", "stiffness.tilt=13"}, {"save", "0qygem5g0z", "-m", "x"},
				{"compare", "0qygem5g0z@HEAD", "0qygem5g0z"}, {"start", "0qygem5g0z", "--write"}, {"rig", "show", "0qygem5g0z"},
			} {
				if args[0] == "show" && c.path == rigPath {
					args = []string{"show", "0qygem5g0z"} // the alias may be what is broken
				}
				if args[0] == "rig" && c.path == tunePath {
					args = []string{"history", "0qygem5g0z", "--limit", "1"}
					if code, _, errs := run(t, dir, args...); code != exitOK {
						t.Errorf("%v: exit %d, %q; the saved revisions are whole", args, code, errs)
					}
					continue
				}
				code, out, errs := run(t, dir, args...)
				if code != exitDamaged && code != exitUsage {
					t.Errorf("%v: exit %d, want 5 or 2\n%s%s", args, code, out, errs)
					continue
				}
				m := place.FindStringSubmatch(errs)
				if m == nil || m[1] != c.path {
					t.Errorf("%v: no file, line and column of %s in %q", args, c.path, errs)
					continue
				}
				if fmt.Sprint(c.at) != m[2] {
					t.Errorf("%v: line %s, want %d: %q", args, m[2], c.at, errs)
				}
				if !strings.Contains(strings.ToLower(errs), strings.ToLower(c.want)) {
					t.Errorf("%v: %q is not in %q", args, c.want, errs)
				}
			}
			if code, out, _ := run(t, dir, "check"); code != exitFindings || !strings.Contains(out, c.path+fmt.Sprintf(":%d:", c.at)) {
				t.Errorf("check: exit %d\n%s", code, out)
			}
			after, err := snapshot(dir)
			if err != nil {
				t.Fatal(err)
			}
			sameSnapshot(t, before, after)
		})
	}
}

func sameSnapshot(t testing.TB, before, after map[string]string) {
	t.Helper()
	for _, d := range differing(before, after) {
		t.Error(d)
	}
}

// A file that is too large, no file at all, or a folder in a file's place is
// refused before it is read.
func TestOddFiles(t *testing.T) {
	t.Parallel()
	dir := demoLibrary(t)
	file := filepath.Join(dir, filepath.FromSlash(tunePath))
	check := func(name, want string, codes ...int) {
		t.Helper()
		code, _, errs := run(t, dir, "show", "b-cam-85")
		ok := false
		for _, c := range codes {
			ok = ok || c == code
		}
		if !ok || !strings.Contains(errs, tunePath) || !strings.Contains(errs, want) {
			t.Errorf("%s: exit %d, %q; want %v with %q and %q", name, code, errs, codes, tunePath, want)
		}
	}
	if err := os.WriteFile(file, bytes.Repeat([]byte("# padding padding padding padding padding padding\n"), 1<<20), 0o644); err != nil {
		t.Fatal(err)
	}
	check("50 MB", "larger", exitDamaged, exitUsage)
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(file, 0o755); err != nil {
		t.Fatal(err)
	}
	check("folder", "folder", exitDamaged, exitUsage)
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	mustRun(t, dir, "restore", "b-cam-85")
	mustRun(t, dir, "show", "b-cam-85")
}
