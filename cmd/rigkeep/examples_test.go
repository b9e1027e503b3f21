package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// TestExamplesRun types every example of every help text in a copy of the demo
// library: what help shows must work there. Four kinds may end otherwise: what
// needs a person at a terminal, what needs a device on a line, what names a file
// that the reader is yet to write, and what there is nothing to do for.
func TestExamplesRun(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	made := demoIn(t, top)
	redirect := regexp.MustCompile(` [<>] \S+$`)
	for path := range leaves(newApp(Env{Getenv: func(string) string { return "" }}, nil).Commands, "") {
		v := findVerb(strings.Fields(path))
		if v.raw || path == "demo" {
			continue // plain git; the demo has a script of its own
		}
		dir := made
		switch {
		case path == "init":
			dir = t.TempDir()
		case v.changes: // a copy of its own
			dir = filepath.Join(top, strings.ReplaceAll(path, " ", "-"))
			if err := os.MkdirAll(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.CopyFS(dir, os.DirFS(made)); err != nil {
				t.Fatal(err)
			}
		}
		for _, line := range strings.Split(strings.TrimSpace(v.example), "\n") {
			if strings.ContainsAny(line, "|(") {
				continue // a shell's
			}
			line = redirect.ReplaceAllString(line, "")
			var out, errs bytes.Buffer
			e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Dir: dir,
				Now: func() time.Time { return time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC) },
				Getenv: func(k string) string {
					return map[string]string{"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>", "EDITOR": "true", "HOME": top, "PATH": os.Getenv("PATH")}[k]
				}}
			words := cutWords(line)
			code := Main(words, e)
			ok := code == exitOK || code == exitFindings ||
				strings.Contains(errs.String(), "no terminal for questions") ||
				strings.Contains(errs.String(), "has no photo \"") || strings.Contains(errs.String(), "file not found") || strings.Contains(errs.String(), "no key file") || strings.Contains(errs.String(), "standard input:1:1") ||
				strings.Contains(errs.String(), "no session is open") || strings.Contains(errs.String(), "is neither the print of a key") || strings.Contains(errs.String(), "still the template") ||
				strings.Contains(errs.String(), "the library proposes") || strings.Contains(errs.String(), "is pinned here") || strings.Contains(errs.String(), "backtest needs at least two") || strings.Contains(errs.String(), "proved tunes") ||
				strings.Contains(errs.String(), "Add --yes to confirm") || strings.Contains(errs.String(), " is needed by ") ||
				strings.Contains(errs.String(), "does not open") || strings.Contains(errs.String(), "has no [link]") ||
				strings.Contains(errs.String(), "folder /mnt") || strings.Contains(out.String()+errs.String(), "No sync target yet")
			if words[0] != "rigkeep" || !ok {
				t.Errorf("%s\nexit %d\n%s%s", line, code, out.String(), errs.String())
			}
			for _, bad := range unplainIn(out.String() + errs.String()) {
				t.Errorf("%s: %s", line, bad)
			}
		}
	}
}
