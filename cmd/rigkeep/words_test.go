package main

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/mattn/go-isatty"
	"github.com/mattn/go-runewidth"
)

// counts are the things that texts count.
const counts = `(?:answers|axes|builds|causes|changes|commits|conflicts|days|dials|differences|efforts|errors|files|findings|hours|jobs|keys|kinds|lines|marks|minutes|notes|parts|photos|points|proofs|records|revisions|rigs|rules|samples|sessions|sheets|shots|steps|styles|tilts|trials|tunes|units|values|words)\b`

// unplain are forms that no text for people may have.
var unplain = map[string]*regexp.Regexp{
	"a plural of one":            regexp.MustCompile(`(?m)(?:^|[ (])1 ` + counts),
	"a Go slice":                 regexp.MustCompile(`\[(?:(?:pan|tilt|roll|library|part|gimbal|unit|rig|tune|balance|bench|job|sensing|drive) ?){2,}\]`),
	"a Go value":                 regexp.MustCompile(`%!|map\[[a-z]+:|<nil>|\(MISSING\)|\(EXTRA`),
	"a float with noise":         regexp.MustCompile(`\d\.\d{9,}\b`),
	"zeros behind whole degrees": regexp.MustCompile(`\b\d+\.0+ ?(?:deg\b|°)`),
	"a negative direction":       regexp.MustCompile(`[-−]\d[\d.]* mm (?:forward|back|left|right|up|down|above|below)\b`),
	"a name of state in shouts":  regexp.MustCompile(`\bSTALE\b`),
}

// jsonLine is a line of a JSON text: a key, a bracket, or a number of a list.
var jsonLine = regexp.MustCompile(`^\s*(?:"|[{[]\s*$|[-+0-9.eE]+,?$)`)

// unplainIn says where a text that was printed has such a form. JSON keeps full precision and is
// left out.
func unplainIn(text string) []string {
	var out []string
	for i, line := range strings.Split(text, "\n") {
		if jsonLine.MatchString(line) {
			continue
		}
		for what, re := range unplain {
			if m := re.FindString(line); m != "" {
				out = append(out, fmt.Sprintf("line %d: %s: %q", i+1, what, m))
			}
		}
	}
	return out
}

// overhear keeps what a run of the program prints besides a terminal, and leaves what is not
// plain in it, or more than a screen, in a file. RIGKEEP_WORDS names the file; the sessions fail where it has
// anything.
func overhear(e *Env, args []string) (done func()) {
	name := e.Getenv("RIGKEEP_WORDS")
	if name == "" || len(args) > 1 && args[1] == "git" || onTerminal(e.Stdout) || onTerminal(e.Stderr) {
		return func() {}
	}
	var text bytes.Buffer
	e.Stdout, e.Stderr = io.MultiWriter(e.Stdout, &text), io.MultiWriter(e.Stderr, &text)
	return func() {
		bad := append(unplainIn(text.String()), overScreen(text.String(), args, e.Getenv("RIGKEEP_SCREEN"))...)
		if bad == nil {
			return
		}
		f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o666)
		if err != nil {
			panic(err)
		}
		defer f.Close()
		for _, b := range bad {
			fmt.Fprintf(f, "%s: %s\n", strings.Join(args, " "), b)
		}
	}
}

// overScreen says where a default answer is more than one screen, of RIGKEEP_SCREEN lines at 80 columns. A
// session of questions is many screens, and whoever asks for all of it gets that.
func overScreen(text string, args []string, screen string) []string {
	most, err := strconv.Atoi(screen)
	if err != nil || slices.ContainsFunc(args, func(a string) bool {
		return slices.Contains([]string{"--plain", "--json", "--raw", "--all", "--why", "--help", "--dry-run"}, a)
	}) {
		return nil
	}
	rows := 0 // as a terminal folds them
	for l := range strings.Lines(text) {
		rows += max(1, (runewidth.StringWidth(strings.TrimRight(l, "\n"))+79)/80)
	}
	if rows <= most {
		return nil
	}
	return []string{fmt.Sprintf("%d lines at 80 columns, a screen has %d", rows, most)}
}

func onTerminal(w any) bool {
	f, ok := w.(*os.File)
	return ok && isatty.IsTerminal(f.Fd())
}

// TestPlainWords walks everything that is kept of what the program prints: sessions, examples
// and the documents. What the sessions print and do not keep is overheard (overhear).
func TestPlainWords(t *testing.T) {
	seen := 0
	look := func(path string) {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		seen++
		for i, line := range strings.Split(string(data), "\n") {
			if strings.HasPrefix(strings.TrimSpace(line), "!") {
				continue // what a session must not find
			}
			for _, bad := range unplainIn(line) {
				t.Errorf("%s:%d: %s", path, i+1, bad)
			}
		}
	}
	for _, root := range []string{"testdata", filepath.Join("..", "..", "diffview"), filepath.Join("..", "..", "examples")} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() && d.Name() == "fuzz" {
				return filepath.SkipDir
			}
			switch filepath.Ext(path) {
			case ".txtar", ".txt", ".md", ".html", ".golden", ".svg":
				look(path)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	look(filepath.Join("..", "..", "README.md"))
	look(filepath.Join("..", "..", "DEVELOPERS.md"))
	if seen < 60 {
		t.Errorf("only %d files were looked at", seen)
	}
	// the patterns find what they are for
	for what, bad := range map[string]string{"a plural of one": "12 files checked, 1 findings", "a Go slice": "[library gimbal rig]", "a Go value": "%!d(string=x)", "a float with noise": "3.2150000000000003 kg",
		"zeros behind whole degrees": "4.000 deg", "a negative direction": "centre of gravity −9.4 mm forward", "a name of state in shouts": "STALE"} {
		if got := unplainIn("so\n" + bad); len(got) != 1 || !strings.HasPrefix(got[0], "line 2: "+what) {
			t.Errorf("%s is not found in %q: %q", what, bad, got)
		}
	}
}

// TestOverhear: a run that prints one of each form is caught, on stdout and on stderr.
func TestOverhear(t *testing.T) {
	name := filepath.Join(t.TempDir(), "words")
	e := Env{Stdout: io.Discard, Stderr: io.Discard, Getenv: func(key string) string { return map[string]string{"RIGKEEP_WORDS": name}[key] }}
	done := overhear(&e, []string{"rigkeep", "fit"})
	fmt.Fprint(e.Stdout, "1 findings\n[library gimbal rig]\n3.2150000000000003 kg\nplain\n")
	fmt.Fprint(e.Stderr, "4.000 deg\ncentre of gravity -9.4 mm forward\n")
	done()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, what := range []string{"a plural of one", "a Go slice", "a float with noise", "zeros behind whole degrees", "a negative direction"} {
		if strings.Count(string(data), what) != 1 {
			t.Errorf("%s is not in\n%s", what, data)
		}
	}
	if n := strings.Count(string(data), "rigkeep fit: "); n != 5 {
		t.Errorf("%d lines were caught, want 5:\n%s", n, data)
	}
}
