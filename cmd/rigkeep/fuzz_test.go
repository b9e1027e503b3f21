package main

import (
	"bytes"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// FuzzCommandLine: any words make an answer or an error of a known class, never a
// panic and never a write; rearranging them loses none.
func FuzzCommandLine(f *testing.F) {
	for _, s := range []string{
		"show\x00a-cam\x00--json", "job\x00add\x00--shot\x00a,b,c", "help\x00show", "show\x00--\x00--json", "history\x00--limit\x00-3.5", "-C\x00/nowhere\x00rig\x00list",
		"--width\x00x\x00show", "git\x00--help", "explain\x00stiffness.tilt", "compare\x00--move\x00turn 90deg in 2s\x00a\x00b", "schema\x00tune", "set\x00a\x00b=c\x00--unset=d", "-\x00--", "__complete\x00show\x00", "man", "\xff\x00\x1b",
	} {
		f.Add(s)
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, s string) {
		words := strings.Split(s, "\x00")
		if len(words) > 20 {
			return
		}
		app := newApp(Env{Stdout: io.Discard, Stderr: io.Discard, Getenv: func(string) string { return "" }}, nil)
		line, cmd, bad := arrange(app, append([]string{"rigkeep"}, words...))
		part, _, _ := arrange(newApp(Env{Stdout: io.Discard, Stderr: io.Discard, Getenv: func(string) string { return "" }}, words), append([]string{"rigkeep"}, words...))
		if !slices.Equal(line, part) {
			t.Errorf("%q is %q to the whole tree, %q to its part", words, line, part)
		}
		if bad == nil && cmd != nil && !cmd.SkipFlagParsing {
			left := strings.Join(line, "\x00")
			for _, w := range words {
				switch w {
				case "--", "--help", "-h", "-help", "--h", "help", "":
					continue
				}
				if name, _, _ := strings.Cut(strings.TrimLeft(w, "-"), "="); name == "help" || name == "h" || strings.Contains(left, "--help") {
					continue
				}
				if !strings.Contains("\x00"+left+"\x00", "\x00"+w+"\x00") {
					t.Errorf("%q lost %q: %q", words, w, line)
				}
			}
		}
		for _, w := range words { // these write, where they are told to
			switch w {
			case "demo", "init", "new", "write", "read", "accept", "git", "edit":
				return
			}
		}
		var out, errs bytes.Buffer
		e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Dir: dir, Now: func() time.Time { return time.Unix(1772355600, 0) }, Getenv: func(string) string { return "" }}
		code := Main(append([]string{"rigkeep"}, words...), e)
		known := false
		for _, r := range exitTable {
			known = known || r.code == code
		}
		if !known || code > exitFindings && out.Len()+errs.Len() == 0 {
			t.Errorf("%q: exit %d\n%s%s", words, code, out.String(), errs.String())
		}
		if strings.ContainsAny(out.String()+errs.String(), "\x1b\x07\x00") {
			t.Errorf("%q: raw controls in %q%q", words, out.String(), errs.String())
		}
	})
}

// FuzzShot: a line of the shot list is refused, or has a name and a lens that can be.
func FuzzShot(f *testing.F) {
	for _, s := range []string{"up the ladder, stairs, 35mm", "a", ",", "a,b,c,d", "a, 1e999mm", "a, -3mm", "a, 35mm, 50mm", "a, NaN", "a,,", "a, 2in"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		shot, err := parseShot(s)
		if err == nil && (shot.Name == "" || !(shot.LensMM >= 0 && !math.IsInf(shot.LensMM, 0))) {
			t.Errorf("%q became %+v", s, shot)
		}
	})
}
