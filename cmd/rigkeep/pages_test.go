package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigkeep/diffview/page/pagetest"
)

// harbour makes the demo's library, spoils some of it, and gives a way to run
// commands in it: with the exit code that is wanted, and what they print.
func harbour(t *testing.T) (dir string, run func(want int, args ...string) string) {
	t.Helper()
	top := t.TempDir()
	clock := time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)
	e := Env{Stdin: strings.NewReader(""), Dir: top, Now: func() time.Time { return clock }, Getenv: func(k string) string {
		return map[string]string{"RIGKEEP_AUTHOR": "Stabiliser technician <technician@example.org>", "NO_COLOR": "1", "HOME": top, "PATH": os.Getenv("PATH")}[k]
	}}
	run = func(want int, args ...string) string {
		clock = clock.Add(time.Minute)
		var out, errs bytes.Buffer
		e.Stdout, e.Stderr = &out, &errs
		if code := Main(append([]string{"rigkeep"}, args...), e); code != want {
			t.Fatalf("rigkeep %s: exit %d, want %d\n%s%s", strings.Join(args, " "), code, want, out.String(), errs.String())
		}
		return out.String()
	}
	run(0, "demo", "harbour", "--quiet")
	dir = filepath.Join(top, "harbour", "library")
	e.Dir = dir
	return dir, run
}

// spoil gives a review of night-pilotage something to say on two gimbals, in words
// that a page must not obey.
func spoil(t *testing.T, dir string, run func(int, ...string) string) {
	t.Helper()
	job := filepath.Join(dir, "jobs", "2026-03-02-night-pilotage.toml")
	text, err := os.ReadFile(job)
	if err != nil {
		t.Fatal(err)
	}
	more := "\n[tolerance]\ndrift_pct = 20\ndelay_s = 0.2\n\n[sway]\npan_deg = 6\ntilt_deg = 2\n\n[[shot]]\nname = \"<script>alert(1)</script> up the ladder & over\"\nkind = \"chase\"\nstyle = \"chase\"\ntilt_up_deg = 50\ntilt_down_deg = 30\n"
	if err := os.WriteFile(job, append(text, more...), 0o644); err != nil {
		t.Fatal(err)
	}
	run(0, "save", "job:night-pilotage", "-m", "Tolerances")
	run(0, "prove", "b-cam-85", "--unit", "SK-0412", "--place", "stand", "--effort", "pan=1,roll=0.5,tilt=-5.5", "--onset", "tilt=17", "--note", "<b>late</b> on whips")
	run(0, "set", "b-cam-85", "stiffness.tilt=16", "filters.sensing=80", "follow.chase.deadband.pan=5", "follow.chase.lag.pan=1.2", "follow.sweep.lag.pan=1.4", "limits.tilt.up_deg=30", "limits.tilt.down_deg=130", "horizon.offset_deg=0.5")
	run(0, "save", "b-cam-85", "-m", "Wind <i>on</i> the quay", "--job", "night-pilotage", "--unit", "Small B")
	run(0, "review", "night-pilotage", "--accept", "horizon-offset:b-cam-85", "-m", "The jib leans & that is how it is rigged")
	run(0, "set", "b-cam-85", "stiffness.pan=33")
}

// Pages as the commands write them, on a phone, at a desk, on paper, light and dark.
func TestPages(t *testing.T) {
	dir, run := harbour(t)
	spoil(t, dir, run)
	for _, p := range []struct {
		name   string
		want   int // exit code
		args   []string
		has    []string
		before []string // a command to run first
		file   string   // where the page is, if not on standard output
	}{
		{"review of a job", 1, []string{"review", "night-pilotage", "--html", "-"}, []string{"proof-missing", "Accepted until 2026-03-03", `<span class="box"`, "Over the jobs", "Follow response", "&lt;script&gt;", "<h3>b-cam-85</h3>"}, nil, ""},
		{"review with nothing to say", 0, []string{"review", "night-pilotage", "--only", "payload-over", "--html", "-"}, []string{"Nothing is open"}, nil, ""},
		{"compare", 1, []string{"compare", "b-cam-85@pilot-station", "b-cam-85", "--all", "--html", "-"}, []string{"Stiffness", "Over the jobs", "Similarity to oscillation", "stiffness, tilt", "Follow response, pan (sweep)", "before, angle, °"}, nil, ""},
		{"card", 1, []string{"handover", "read", "../b-cam.zip", "--card", "../card.html"}, []string{"b-cam-85", "<svg"}, []string{"handover", "write", "b-cam-85", "../b-cam.zip", "--saved"}, "../card.html"},
	} {
		t.Run(p.name, func(t *testing.T) {
			if p.before != nil {
				run(0, p.before...)
			}
			html := run(p.want, p.args...)
			if p.file != "" {
				text, err := os.ReadFile(filepath.Join(dir, p.file))
				if err != nil {
					t.Fatal(err)
				}
				html = string(text)
			}
			for _, w := range p.has {
				if !strings.Contains(html, w) {
					t.Errorf("the page lacks %q", w)
				}
			}
			if strings.Count(html, "<script") > 1 || strings.Contains(html, "<i>on</i>") {
				t.Error("text from outside is markup on the page")
			}
			pagetest.Check(t, strings.ReplaceAll(p.name, " ", "-"), []byte(html))
		})
	}
}
