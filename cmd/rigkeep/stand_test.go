package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// shop is a library for a test, with the example sheets and rigs, and a clock.
type shop struct {
	dir string
	now time.Time
	env map[string]string
}

func newShop(t testing.TB) *shop {
	t.Helper()
	top := t.TempDir()
	s := &shop{dir: filepath.Join(top, "lib"), now: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC), env: map[string]string{
		"HOME": top, "XDG_CONFIG_HOME": filepath.Join(top, ".config"), "GIT_CONFIG_NOSYSTEM": "1", "RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>", "NO_COLOR": "1", "COLUMNS": "80", "LANG": "C.UTF-8"}}
	desk := filepath.Join(top, "desk")
	for _, d := range []string{s.dir, desk} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := unpack(desk); err != nil {
		t.Fatal(err)
	}
	s.ok(t, "init", ".", "--name", "Harbour rentals")
	s.ok(t, "gimbal", "add", "../desk/quay-large.toml", "../desk/skiff-small.toml")
	s.ok(t, "rig", "add", "../desk/a-cam-prime.toml", "../desk/a-cam-zoom.toml", "../desk/b-cam.toml", "../desk/b-cam-wide.toml")
	return s
}

func (s *shop) run(stdin string, args ...string) (code int, stdout, stderr string) {
	var out, errw bytes.Buffer
	s.now = s.now.Add(time.Second)
	now := s.now
	e := Env{Stdin: strings.NewReader(stdin), Stdout: &out, Stderr: &errw, Dir: s.dir, Now: func() time.Time { return now }, Getenv: func(k string) string { return s.env[k] }}
	code = Main(append([]string{"rigkeep"}, args...), e)
	return code, out.String(), errw.String()
}

func (s *shop) ok(t testing.TB, args ...string) string {
	t.Helper()
	code, out, errw := s.run("", args...)
	if code != 0 {
		t.Fatalf("rigkeep %v: exit %d\n%s%s", args, code, out, errw)
	}
	return out
}

// next reads what bench --json says.
func next(t testing.TB, out string) jsonBench {
	t.Helper()
	var j jsonBench
	if err := json.Unmarshal([]byte(out), &j); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	return j
}

// stand answers for a gimbal whose axes oscillate from a dial number on.
type stand struct {
	onset map[string]float64
	wrong float64 // share of wrong answers
	rng   *rand.Rand
}

// saw is the answer to a proposal, as flags.
func (s stand) saw(p jsonProposal) []string {
	switch p.Stage {
	case "decide":
		return []string{"--axis", p.Axis, "--value", fmt.Sprint(*p.Value), "--saw", "keep"}
	case "hand":
		return []string{"--saw", "hand"}
	}
	saw := "clean"
	osc := *p.Value >= s.onset[p.Axis]
	if s.wrong > 0 && s.rng.Float64() < s.wrong {
		osc = !osc
	}
	if osc {
		saw = "fast"
	}
	return []string{"--axis", p.Axis, "--value", fmt.Sprint(*p.Value), "--saw", saw}
}

// TestBenchByScript works three axes one answer a run, to the saved revision.
func TestBenchByScript(t *testing.T) {
	s := newShop(t)
	st := stand{onset: map[string]float64{"pan": 41, "roll": 37, "tilt": 29}}
	began := time.Now()
	j := next(t, s.ok(t, "bench", "a-cam-zoom", "--json"))
	if j.Session != "" || j.Next.Stage != "search" || j.Next.Axis != "pan" {
		t.Fatalf("%+v", j)
	}
	runs := 0
	for ; j.Next.Stage != "done"; runs++ {
		if runs > 100 {
			t.Fatal("it does not end")
		}
		j = next(t, s.ok(t, append([]string{"bench", "a-cam-zoom", "--unit", "Large A", "--json"}, st.saw(j.Next)...)...))
	}
	j = next(t, s.ok(t, "bench", "a-cam-zoom", "--save", "-m", "By script", "--json"))
	t.Logf("%d runs in %v", runs, time.Since(began))
	if j.Saved == "" {
		t.Error("no revision")
	}
	for _, a := range j.Axes {
		if a.Status != "found" || *a.Onset != st.onset[a.Axis] || *a.Clean != st.onset[a.Axis]-1 || *a.Kept*1.5 > *a.Onset || a.GMLow < 1.5 {
			t.Errorf("%+v", a)
		}
	}
	show := s.ok(t, "show", "a-cam-zoom", "--json")
	for _, a := range j.Axes {
		if !strings.Contains(show, fmt.Sprintf("\"stiffness.%s\": {\n      \"value\": %v", a.Axis, *a.Kept)) {
			t.Errorf("%s %v is not in %s", a.Axis, *a.Kept, show)
		}
	}
	if out := s.ok(t, "check", "--git"); !strings.Contains(out, "0 findings") {
		t.Error(out)
	}
	if out := s.ok(t, "git", "status", "--porcelain"); out != "" {
		t.Error(out)
	}
	// the log is in the same revision as the tune
	if out := s.ok(t, "git", "show", "--stat", "--format=%s%n%b", "HEAD"); !strings.Contains(out, "/bench/20260301T") || !strings.Contains(out, "main.toml") || !strings.Contains(out, "worked in the hand at") {
		t.Error(out)
	}
	// and the session is over
	if code, _, _ := s.run("", "bench", "a-cam-zoom", "--resume"); code != exitNotFound {
		t.Errorf("--resume of an ended session: exit %d", code)
	}
}

func BenchmarkBenchSession(b *testing.B) {
	for range b.N {
		b.StopTimer()
		s := newShop(b)
		st := stand{onset: map[string]float64{"pan": 41, "roll": 37, "tilt": 29}}
		b.StartTimer()
		j := next(b, s.ok(b, "bench", "a-cam-zoom", "--json"))
		for j.Next.Stage != "done" {
			j = next(b, s.ok(b, append([]string{"bench", "a-cam-zoom", "--json"}, st.saw(j.Next)...)...))
		}
		s.ok(b, "bench", "a-cam-zoom", "--save", "-m", "By script")
	}
}
