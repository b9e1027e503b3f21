//go:build unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestTerminalTrust: at a terminal a proposal is asked about, with name, print and revision: for the
// end of the print, as its owner says it, or, where a pinned key signed the revision that made it,
// with one question. --yes answers neither.
func TestTerminalTrust(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	top := filepath.Dir(s.dir)
	key := func(name string) (public, print string) {
		t.Helper()
		if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", filepath.Join(top, name)).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		pub, err := os.ReadFile(filepath.Join(top, name+".pub"))
		if err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("ssh-keygen", "-lf", filepath.Join(top, name)).Output()
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(pub)), strings.Fields(string(out))[1]
	}
	a, aPrint := key("a")
	b, bPrint := key("b")
	propose := func(text string, sign ...string) {
		t.Helper()
		if err := os.MkdirAll(filepath.Join(s.dir, "trust"), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(s.dir, "trust", "allowed_signers"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		s.git(t, "add", "trust")
		s.git(t, append(append([]string{"-c", "gpg.format=ssh", "-c", "user.signingkey=" + filepath.Join(top, "a"), "-c", "user.email=a-cam@example.org", "commit", "-q", "-m", "Propose"}, sign...), "--author=A-cam <a-cam@example.org>")...)
	}
	listed := func() string { return s.ok(t, "trust", "list", "--json") }
	propose("a-cam@example.org " + a + "\n")
	for _, c := range []struct {
		answer string
		exit   int
		says   string
	}{
		{"", 0, "not pinned"}, {"y", exitDamaged, "does not end in"}, {aPrint[len(aPrint)-3:], exitDamaged, "does not end in"}, {bPrint[len(bPrint)-6:], exitDamaged, "does not end in"},
	} {
		x := s.open(t, 24, 200, "trust", "add")
		if q := x.question(); !strings.Contains(x.all(), aPrint) || !strings.Contains(x.all(), "a-cam@example.org by revision ") || !strings.Contains(q, "last 6 characters") {
			t.Fatalf("asks %q", x.all())
		}
		x.send(c.answer + "\r")
		if code := x.exit(); code != c.exit || !strings.Contains(x.all(), c.says) || !strings.Contains(listed(), `"pinned": []`) {
			t.Errorf("%q: exit %d\n%s", c.answer, code, x.all())
		}
	}
	x := s.open(t, 24, 200, "trust", "add", "--yes")
	if code := x.exit(); code != exitUsage || !strings.Contains(x.all(), "rigkeep trust add "+aPrint) {
		t.Errorf("--yes: exit %d\n%s", code, x.all())
	}
	x = s.open(t, 24, 200, "trust", "add")
	x.question()
	x.send(aPrint[len(aPrint)-6:] + "\r")
	if code := x.exit(); code != 0 || !strings.Contains(listed(), `"print": "`+aPrint+`"`) {
		t.Fatalf("exit %d\n%s", code, x.all())
	}
	// one that comes with the signature of a pinned key: one question
	propose("a-cam@example.org "+a+"\nb-cam@example.org "+b+"\n", "-S")
	x = s.open(t, 24, 200, "trust", "add")
	if q := x.question(); !strings.Contains(q, "Pin it? [y/N]") || !strings.Contains(x.all(), "signed with the pinned key "+aPrint) {
		t.Fatalf("asks %q", x.all())
	}
	x.send("y\r")
	if code := x.exit(); code != 0 || !strings.Contains(listed(), `"proposed": []`) {
		t.Fatalf("exit %d\n%s", code, x.all())
	}
	// accepting asks as well
	s.ok(t, "start", "b-cam-85", "--write")
	s.ok(t, "save", "b-cam-85", "-m", "First tune")
	file := filepath.Join(top, "b.zip")
	s.ok(t, "handover", "write", "b-cam-85", file, "--sign", filepath.Join(top, "a"))
	s.ok(t, "trust", "remove", aPrint)
	x = s.open(t, 24, 200, "handover", "accept", file)
	x.question()
	x.send("\r")
	if code := x.exit(); code != exitDamaged || !strings.Contains(x.all(), "NOT PINNED HERE") {
		t.Errorf("exit %d\n%s", code, x.all())
	}
}
