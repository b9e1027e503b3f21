package main

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"rigkeep/cmd/rigkeep/device/devicetest"
	"rigkeep/examples"
)

// TestMain gives the scripts the program as a process. RIGKEEP_NOW sets its clock,
// so that revisions come out the same each time.
func TestMain(m *testing.M) {
	testscript.Main(tests{m}, map[string]func(){"rigkeep": func() {
		code := overheard(os.Args, osEnv())
		if name := os.Getenv("RIGKEEP_PEAK"); name != "" {
			notePeak(name)
		}
		os.Exit(code)
	}})
}

// overheard is Main with the clock at RIGKEEP_NOW, where that is set, and its words looked at.
func overheard(args []string, e Env) int {
	if s := e.Getenv("RIGKEEP_NOW"); s != "" {
		t, err := time.Parse(time.RFC3339, s)
		if err != nil {
			panic(err)
		}
		e.Now = func() time.Time { return t }
	}
	plain := overhear(&e, args)
	defer plain()
	return Main(args, e)
}

// notePeak leaves the process's greatest memory, in kB, in a file. The parent cannot ask for it:
// what it is told counts its own memory in.
func notePeak(name string) {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		panic(err)
	}
	_, after, _ := strings.Cut(string(status), "VmHWM:")
	if err := os.WriteFile(name, []byte(strings.Fields(after + " 0")[0]), 0o666); err != nil {
		panic(err)
	}
}

// TestScripts plays the users' sessions in testdata/script.
func TestScripts(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("git"); err != nil {
		t.Fatal("the scripts compare with the real git, which is not installed: bash .ci/test installs it")
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("RIGKEEP_UPDATE") != "",
		ContinueOnError:     true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("XDG_CONFIG_HOME", filepath.Join(e.WorkDir, ".config"))
			e.Setenv("GIT_CONFIG_NOSYSTEM", "1")
			e.Setenv("RIGKEEP_AUTHOR", "A-cam operator <a-cam@example.org>")
			e.Setenv("RIGKEEP_NOW", "2026-03-01T09:00:00Z")
			e.Setenv("TZ", "UTC")
			e.Setenv("NO_COLOR", "1")
			e.Setenv("COLUMNS", "80")
			words := filepath.Join(e.WorkDir, ".unplain")
			e.Setenv("RIGKEEP_WORDS", words)
			e.Defer(func() {
				if data, err := os.ReadFile(words); err == nil {
					e.T().Fatal("not plain English, see words_test.go:\n" + string(data))
				}
			})
			e.Setenv("GORACE", "atexit_sleep_ms=0") // else each command of a script waits a second before it ends
			// the desk holds the example sheets
			desk := filepath.Join(e.WorkDir, "desk")
			if err := os.MkdirAll(desk, 0o755); err != nil {
				return err
			}
			return unpack(desk)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"run":      cmdRun,
			"exitcode": cmdExitCode,
			"gitclean": cmdGitClean,
			"library":  cmdLibrary,
			"keep":     cmdKeep,
			"plain":    cmdPlain,
			"device":   cmdDevice,
			"same":     cmdSame,
			"photo":    cmdPhoto,
		},
	})
}

// run [N] rigkeep ARGS… calls the program here, as a process is most of what a short command costs, and
// checks its exit code: 0, or N, or any other than 0 behind "!". It reads nothing, and what it starts
// itself has the environment of the test, not of the script: behind stdin, for git and its drivers, and
// for an editor that asks for its environment a script says exec or exitcode. With RIGKEEP_STORM each run is a process.
func cmdRun(ts *testscript.TestScript, neg bool, args []string) {
	want := 0
	if len(args) > 0 {
		if n, err := strconv.Atoi(args[0]); err == nil {
			want, args = n, args[1:]
		}
	}
	if len(args) == 0 || args[0] != "rigkeep" || neg && want != 0 {
		ts.Fatalf("usage: [!] run [N] rigkeep ARGS…")
	}
	if len(args) > 1 && args[1] == "git" || slices.Contains(args, "--install-drivers") {
		ts.Fatalf("git would have the settings of whoever runs the tests, or this test as its driver: exec rigkeep")
	}
	var code int
	if os.Getenv("RIGKEEP_STORM") != "" {
		code = asProcess(ts, args)
	} else {
		code = overheard(args, Env{Stdin: strings.NewReader(""), Stdout: ts.Stdout(), Stderr: ts.Stderr(), Getenv: ts.Getenv, Dir: ts.MkAbs("."), Now: time.Now})
	}
	if neg && code == 0 || !neg && code != want {
		ts.Fatalf("exit code %d", code)
	}
}

// asProcess runs a command as a process and gives its exit code.
func asProcess(ts *testscript.TestScript, args []string) int {
	err := ts.Exec(args[0], args[1:]...)
	if ee, ok := err.(*exec.ExitError); ok {
		return ee.ExitCode()
	}
	ts.Check(err)
	return 0
}

// exitcode N rigkeep ARGS… runs a command and checks its exit code.
func cmdExitCode(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 || neg {
		ts.Fatalf("usage: exitcode N command…")
	}
	if code := asProcess(ts, args[1:]); fmt.Sprint(code) != args[0] {
		ts.Fatalf("exit code %d, want %s", code, args[0])
	}
}

// plain rigkeep ARGS… runs a command, with whatever exit code, and looks for what rounding
// leaves behind: digits far behind the point, and a value that one unit has of another.
func cmdPlain(ts *testscript.TestScript, neg bool, args []string) {
	if err := ts.Exec(args[0], args[1:]...); err != nil {
		if code := (*exec.ExitError)(nil); !errors.As(err, &code) || code.ExitCode() > 1 {
			ts.Fatalf("%v", err)
		}
	}
	for _, out := range []string{"stdout", "stderr"} {
		text := ts.ReadFile(out)
		if m := unplain["a float with noise"].FindString(text); m != "" {
			ts.Fatalf("a float with noise: %s", m)
		}
		if strings.Contains(text, "taken over to") {
			ts.Fatalf("a value taken over from another unit:\n%s", text)
		}
	}
}

// gitclean [DIR] has the real git look: fsck --strict says nothing and status is clean.
func cmdGitClean(ts *testscript.TestScript, neg bool, args []string) {
	dir := ts.MkAbs(".")
	if len(args) > 0 {
		dir = ts.MkAbs(args[0])
	}
	for _, words := range [][]string{{"fsck", "--strict", "--no-dangling"}, {"status", "--porcelain"}} {
		c := exec.Command("git", append([]string{"-C", dir}, words...)...)
		c.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "HOME="+dir)
		out, err := c.CombinedOutput()
		text := strings.TrimSpace(string(out))
		clean := err == nil && (words[0] == "fsck" || text == "")
		if neg && words[0] == "status" {
			clean = err == nil && text != ""
		}
		if !clean {
			ts.Fatalf("git %s: %v\n%s", strings.Join(words, " "), err, text)
		}
	}
}

// device ARGS… starts the pretend device on UDP; $DEVICE is its address, $SEEN its log. In
// ARGS a file is named from the working folder.
func cmdDevice(ts *testscript.TestScript, neg bool, args []string) {
	dir, err := os.MkdirTemp(ts.Getenv("WORK"), "device-")
	ts.Check(err)
	for i, a := range args {
		if i > 0 && args[i-1] == "--table" {
			args[i] = ts.MkAbs(a)
		}
	}
	d, err := devicetest.Run(dir, "udp:127.0.0.1:0", args...)
	ts.Check(err)
	ts.Defer(d.Kill)
	ts.Setenv("DEVICE", d.Address())
	ts.Setenv("SEEN", d.Log())
}

// library makes lib with the example sheets and four rigs and goes into it.
func cmdLibrary(ts *testscript.TestScript, neg bool, args []string) {
	dir := ts.MkAbs("lib")
	ts.Check(os.Mkdir(dir, 0o777))
	ts.Check(sessionLibrary.copyTo(dir, func(made string) error {
		desk := filepath.Join(ts.Getenv("WORK"), "desk")
		for _, a := range [][]string{
			{"init", made, "--name", "Harbour rentals"},
			{"gimbal", "add", filepath.Join(desk, "quay-large.toml"), filepath.Join(desk, "skiff-small.toml")},
			{"unit", "new", "quay-large", "QL-0031", "--label", "Large A", "--firmware", "2.4"},
			{"unit", "new", "quay-large", "QL-0044", "--label", "Large B", "--firmware", "2.4"},
			{"unit", "new", "skiff-small", "SK-0412", "--label", "Small A", "--firmware", "1.8"},
			{"unit", "new", "skiff-small", "SK-0417", "--label", "Small B", "--firmware", "1.8"},
			{"rig", "add", filepath.Join(desk, "a-cam-prime.toml"), filepath.Join(desk, "a-cam-zoom.toml"), filepath.Join(desk, "b-cam.toml"), filepath.Join(desk, "b-cam-wide.toml")},
		} {
			if a[0] != "init" {
				a = append(a, "--library", made)
			}
			if err := ts.Exec("rigkeep", a...); err != nil {
				return fmt.Errorf("rigkeep %v: %w", a, err)
			}
		}
		return nil
	}))
	ts.Check(ts.Chdir("lib"))
}

// sessionLibrary is what the script command library makes.
var sessionLibrary begun

// snapshot is every file below a folder with its contents, refs and objects included.
func snapshot(dir string) (map[string]string, error) {
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(p)
		rel, _ := filepath.Rel(dir, p)
		// what is derived and may be rebuilt at any time is no part of the library
		if !strings.HasPrefix(filepath.ToSlash(rel), ".git/rigkeep/") {
			out[rel] = string(data)
		}
		return err
	})
	return out, err
}

// photo FILE WxH writes a picture of that size, no two alike, as PNG or as JPEG with a remark of
// where it was taken.
func cmdPhoto(ts *testscript.TestScript, neg bool, args []string) {
	var w, h int
	if n, err := fmt.Sscanf(strings.Join(args[1:], ""), "%dx%d", &w, &h); err != nil || n != 2 || neg {
		ts.Fatalf("usage: photo FILE WxH")
	}
	m := image.NewGray(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = byte(i%w*3 + i/w*5 + w)
	}
	var b bytes.Buffer
	var err error
	if strings.HasSuffix(args[0], ".png") {
		err = png.Encode(&b, m)
	} else {
		err = jpeg.Encode(&b, m, nil)
	}
	ts.Check(err)
	data := b.Bytes()
	if !strings.HasSuffix(args[0], ".png") {
		remark := "\xff\xfe\x00\x0fat 53.1N 8.2E"
		data = append([]byte("\xff\xd8"+remark), data[2:]...)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o666))
}

var keptMu sync.Mutex

var kept = map[*testscript.TestScript]map[string]string{}

// keep remembers the library byte for byte; same checks that it is still so.
func cmdKeep(ts *testscript.TestScript, neg bool, args []string) {
	s, err := snapshot(ts.MkAbs("."))
	ts.Check(err)
	keptMu.Lock()
	kept[ts] = s
	keptMu.Unlock()
}

func cmdSame(ts *testscript.TestScript, neg bool, args []string) {
	now, err := snapshot(ts.MkAbs("."))
	ts.Check(err)
	keptMu.Lock()
	was := kept[ts]
	keptMu.Unlock()
	if was == nil {
		ts.Fatalf("same without keep")
	}
	for _, d := range differing(was, now) {
		ts.Fatalf("%s", d)
	}
}

// differing says which files of two snapshots differ.
func differing(before, after map[string]string) []string {
	var out []string
	for p, text := range before {
		if after[p] != text {
			out = append(out, p+" was changed")
		}
	}
	for p := range after {
		if _, ok := before[p]; !ok {
			out = append(out, p+" is new")
		}
	}
	return out
}

// TestScenario parses the demo's scenario.
func TestScenario(t *testing.T) {
	steps, err := examples.Scenario()
	if err != nil {
		t.Fatal(err)
	}
	revisions := map[string]int{}
	who, jobs, rigs := "", 0, 0
	for _, s := range steps {
		if s.As != "" {
			who = s.As
		}
		if len(s.Command) == 0 {
			continue
		}
		switch s.Command[0] {
		case "save":
			revisions[who]++
		case "job":
			if s.Command[1] == "open" {
				jobs++
			}
		case "rig":
			if s.Command[1] == "add" {
				for _, a := range s.Command[2:] {
					if strings.HasSuffix(a, ".toml") {
						rigs++
					}
				}
			}
		}
	}
	if len(revisions) < 3 || jobs < 3 || rigs < 4 {
		t.Errorf("roles that save %v, %d jobs, %d rigs; want 3, 3 and 4", revisions, jobs, rigs)
	}
}
