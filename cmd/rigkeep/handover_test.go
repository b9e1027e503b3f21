package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"rigkeep/diffview/page/pagetest"
	"rigkeep/diffview/safe"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/handovertest"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// peakLimit is how much memory a hostile handover may make the program use.
const peakLimit = 200 << 20

// handoverRun runs the program in a library and gives its exit code and all that it printed.
func handoverRun(dir string, args ...string) (int, string) {
	var out bytes.Buffer
	e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Dir: dir, Now: func() time.Time { return handovertest.Start.AddDate(0, 6, 0) }, Getenv: func(k string) string {
		return map[string]string{"RIGKEEP_AUTHOR": "B-cam operator <b-cam@example.org>", "COLUMNS": "80", "NO_COLOR": "1", "HOME": dir, "PATH": os.Getenv("PATH")}[k]
	}}
	return Main(append([]string{"rigkeep"}, args...), e), out.String()
}

// harmlessText fails on what a terminal would obey.
func harmlessText(t *testing.T, what, text string) {
	t.Helper()
	if shown := safe.Text(text); shown != text {
		t.Errorf("%s: this would reach a terminal: %q", what, text)
	}
}

// TestHostileHandovers tries the corpus on a library that already took the rig in once: each file
// is refused with exit 5, and the library is byte for byte as before.
func TestHostileHandovers(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	older := a.HandOver("walk-build")
	a.Set("walk-build", "Up", "stiffness.pan=40")
	target := handovertest.Empty(t, handovertest.BCam)
	for _, data := range [][]byte{older, a.HandOver("walk-build")} {
		p, err := handover.Open(data, schema.Default())
		if err != nil {
			t.Fatal(err)
		}
		x, err := handover.Accept(target.Library, p, handover.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := target.Plans().Commit(context.Background(), x.Plan, "Accept", "", target.Who, target.Now(), store.Trailer{Key: library.HandoverTrailer, Value: p.Digest}); err != nil {
			t.Fatal(err)
		}
	}
	dir := target.Store.Root()
	before, err := snapshot(dir)
	if err != nil {
		t.Fatal(err)
	}
	desk := t.TempDir()
	corpus := a.Corpus("walk-build", older)
	if len(corpus) < 60 {
		t.Fatalf("the corpus has %d files; at least 60 were asked for", len(corpus))
	}
	most := 0
	defer func() { t.Logf("%d files, at most %d MB", len(corpus), most>>10) }()
	for i, c := range corpus {
		name := filepath.Join(desk, strconv.Itoa(i)+".zip")
		if err := os.WriteFile(name, c.Data, 0o666); err != nil {
			t.Fatal(err)
		}
		args := []string{"handover", "accept", name, "--unsigned"}
		if c.Signers != "" {
			list := filepath.Join(desk, "signers")
			if err := os.WriteFile(list, []byte(c.Signers), 0o666); err != nil {
				t.Fatal(err)
			}
			args = []string{"handover", "accept", name, "--signers", list}
		}
		code, out := handoverRun(dir, args...)
		if code != exitDamaged {
			t.Errorf("%s: accept exits %d, want %d\n%s", c.Name, code, exitDamaged, out)
		}
		harmlessText(t, c.Name, out)
		if c.Heavy || !c.Sound && os.Getenv("RIGKEEP_STORM") != "" {
			most = max(most, peak(t, c.Name, dir, "handover", "accept", name, "--unsigned"))
		}
		// reading goes the same way as accepting up to the point where nothing is left to refuse
		if c.Sound || i%5 == 0 || os.Getenv("RIGKEEP_STORM") != "" {
			want := exitDamaged
			if c.Sound {
				want = exitFindings
			}
			args[1] = "read"
			if args = args[:3]; c.Signers != "" {
				args = append(args, "--signers", filepath.Join(desk, "signers"))
			}
			if code, out = handoverRun(dir, args...); code != want {
				t.Errorf("%s: read exits %d, want %d\n%s", c.Name, code, want, out)
			}
			harmlessText(t, c.Name, out)
		}
		os.Remove(name)
		now, err := snapshot(dir)
		if err != nil {
			t.Fatal(err)
		}
		if len(now) != len(before) {
			t.Errorf("%s: the library has %d files, had %d", c.Name, len(now), len(before))
		}
		for p, text := range before {
			if now[p] != text {
				t.Errorf("%s: %s changed", c.Name, p)
			}
		}
		if t.Failed() {
			before = now // one file's fault is not the next one's
		}
	}
}

// peak runs the program as a process of its own and holds its greatest memory, which it gives in
// kB, against the limit.
func peak(t *testing.T, what, dir string, args ...string) (kb int) {
	t.Helper()
	if raceOn || runtime.GOOS != "linux" {
		return 0 // the race detector multiplies memory; other systems do not tell
	}
	note := filepath.Join(t.TempDir(), "peak")
	c := exec.Command(os.Args[0], args...)
	c.Args[0] = "rigkeep"
	c.Dir = dir
	c.Env = append(os.Environ(), "GOGC=100", "RIGKEEP_PEAK="+note, "RIGKEEP_AUTHOR=B-cam operator <b-cam@example.org>")
	out, err := c.CombinedOutput()
	if c.ProcessState == nil || c.ProcessState.ExitCode() != exitDamaged {
		t.Fatalf("%s: %v\n%s", what, err, out)
	}
	text, err := os.ReadFile(note)
	if err != nil {
		t.Fatal(err)
	}
	if kb, err = strconv.Atoi(strings.TrimSpace(string(text))); err != nil || kb < 1000 {
		t.Fatalf("the process does not say its peak: %q", text)
	}
	if kb<<10 > peakLimit {
		t.Errorf("%s: the process used %d MB", what, kb>>10)
	}
	return kb
}

// TestHarmlessHandover reads a sound handover with markup, script and control characters in every
// text: they come out shown, not obeyed, on the terminal and on the page.
func TestHarmlessHandover(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	name := filepath.Join(t.TempDir(), "x.zip")
	if err := os.WriteFile(name, a.Harmless("walk-build"), 0o666); err != nil {
		t.Fatal(err)
	}
	dir := b.Store.Root()
	html := filepath.Join(t.TempDir(), "card.html")
	for _, args := range [][]string{{"read", name, "--card", html}, {"read", name, "--json"}, {"accept", name, "--unsigned", "--dry-run"}, {"accept", name, "--unsigned"}} {
		code, out := handoverRun(dir, append([]string{"handover"}, args...)...)
		if code != exitOK && code != exitFindings {
			t.Fatalf("%v: exit %d\n%s", args, code, out)
		}
		harmlessText(t, strings.Join(args[:1], " "), out)
		if args[0] == "read" && !strings.Contains(out, "alert(1)") {
			t.Errorf("%v: the text is not shown at all", args)
		}
	}
	for _, args := range [][]string{{"show", "walk-build"}, {"history", "walk-build"}, {"rig", "show", "walk-build"}, {"rig", "list"}, {"gimbal", "show", "pier-one"}, {"fit", "walk-build"}, {"start", "walk-build"}, {"compare", "walk-build@~1", "walk-build"}, {"review", "walk-build"}, {"explain", "stiffness.pan", "--rig", "walk-build"}, {"check"}} {
		_, out := handoverRun(dir, args...)
		harmlessText(t, strings.Join(args, " "), out)
	}
	data, err := os.ReadFile(html)
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script>alert", "<img", "\x1b", "\u202e"} {
		if bytes.Contains(data, []byte(bad)) {
			t.Errorf("the card holds %q", bad)
		}
	}
	pagetest.Check(t, "harmless", data)
	// what plain git shows of it is as harmless
	out, err := exec.Command("git", "-C", dir, "log", "--format=%an %s %b").Output()
	if err != nil {
		t.Fatal(err)
	}
	harmlessText(t, "git log", string(out))
}
