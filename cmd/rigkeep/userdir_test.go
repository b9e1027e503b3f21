//go:build unix

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/repo/transport/transporttest"
)

// TestTerminalToken: at a terminal the person is asked once whether RIGKEEP_TOKEN may go to a server;
// yes is kept outside the library, --yes and no terminal are no answer.
func TestTerminalToken(t *testing.T) {
	t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
	s := newFixture(t)
	base := t.TempDir()
	transporttest.Bare(t, base, "tunes.git")
	web := transporttest.ServeHTTP(t, base, "tech", "s3cret")
	s.env["RIGKEEP_TOKEN"], s.env["RIGKEEP_USER"], s.env["GIT_TERMINAL_PROMPT"] = "s3cret", "tech", "0"
	kept := filepath.Join(s.env["XDG_CONFIG_HOME"], "rigkeep", tokenHosts)
	if code, _, text := s.real("sync", web.URL+"tunes.git", "--yes", "--json"); code != exitConflict {
		t.Fatalf("without a terminal: exit %d\n%s", code, text)
	}
	x := s.open(t, 24, 200, "sync", web.URL+"tunes.git", "--yes")
	if q := x.question(); !strings.Contains(q, "Send it RIGKEEP_TOKEN") || !strings.Contains(q, strings.TrimSuffix(web.URL, "/")) {
		t.Fatalf("the question is %q", q)
	}
	x.send("n\r")
	if code := x.exit(); code != exitConflict || web.Refused.Load() != web.Requests.Load() {
		t.Fatalf("no: exit %d\n%s", code, x.all())
	}
	if _, err := os.Stat(kept); err == nil {
		t.Error("no was kept as yes")
	}
	x = s.open(t, 24, 200, "sync", web.URL+"tunes.git")
	x.question()
	x.send("y\r")
	if code := x.exit(); code != 0 {
		t.Fatalf("yes: exit %d\n%s", code, x.all())
	}
	if text, err := os.ReadFile(kept); err != nil || string(text) != strings.TrimSuffix(web.URL, "/")+"\n" {
		t.Errorf("kept: %q, %v", text, err)
	}
	if code, out, text := s.real("sync"); code != 0 { // kept: nothing is asked
		t.Errorf("afterwards: exit %d\n%s%s", code, out, text)
	}
}
