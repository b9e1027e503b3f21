package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestOddCommits has plain git take commits whose zone or time is none, as git fsck --strict lets
// through. History shows each with a time that can be and marks it; saving, comparing, sync and
// handovers go on. Without that one of them broke its rig for ever: `history --json` and `handover
// write` failed from then on.
func TestOddCommits(t *testing.T) {
	t.Parallel()
	s := newFixture(t)
	s.ok(t, "start", "a-cam-prime", "--write")
	s.ok(t, "save", "a-cam-prime", "-m", "First tune")
	path := ""
	for line := range strings.Lines(s.git(t, "ls-files", "rigs")) {
		if text, _ := os.ReadFile(filepath.Join(s.dir, strings.TrimSpace(line))); strings.HasSuffix(strings.TrimSpace(line), "/main.toml") && strings.Contains(string(text), "stiffness") {
			path = strings.TrimSpace(line)
		}
	}
	raw := map[string]string{} // by id
	stamps := []string{"1767225600 +9999", "1767225600 -9999", "100000000000000000000 +0000", "253402300799 +1400", "1767225600 +2400", "1767225600 +0099", "1767225600", "x"}
	odd := 0
	for i, stamp := range stamps {
		text, err := os.ReadFile(filepath.Join(s.dir, path))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(s.dir, path), append(text, "# "+stamp+"\n"...), 0o666); err != nil {
			t.Fatal(err)
		}
		s.git(t, "add", path)
		commit := "tree " + s.git(t, "write-tree") + "\nparent " + s.git(t, "rev-parse", "HEAD") +
			"\nauthor Odd <odd@example.org> " + stamp + "\ncommitter Odd <odd@example.org> " + stamp + "\n\nOdd " + stamp + "\n"
		c := exec.Command("git", "hash-object", "-t", "commit", "-w", "--stdin", "--literally")
		c.Dir, c.Stdin = s.dir, strings.NewReader(commit)
		id, err := c.Output()
		if err != nil {
			t.Fatal(err)
		}
		s.git(t, "update-ref", "HEAD", strings.TrimSpace(string(id)))
		raw[strings.TrimSpace(string(id))] = commit
		if i == 0 {
			if text := s.git(t, "fsck", "--strict", "--no-dangling"); text != "" {
				t.Errorf("git minds %q: %s", stamp, text)
			}
		}
		odd++
		var h struct {
			Revisions []struct {
				When string `json:"when"`
				Odd  string `json:"odd_time"`
			}
		}
		out := s.ok(t, "history", "a-cam-prime", "--json")
		if err := json.Unmarshal([]byte(out), &h); err != nil || len(h.Revisions) < 1+odd {
			t.Fatalf("%q: %v\n%s", stamp, err, out)
		}
		if want := strings.TrimSpace(stamp); stamp != "1767225600" && h.Revisions[0].Odd != want || stamp == "1767225600" && h.Revisions[0].Odd != "" {
			t.Errorf("%q is marked %q", stamp, h.Revisions[0].Odd)
		}
		if text := s.ok(t, "history", "a-cam-prime"); stamp != "1767225600" && !strings.Contains(text, "records the time "+`"`+stamp+`"`) {
			t.Errorf("%q is not marked in\n%s", stamp, text)
		}
		file := filepath.Join(t.TempDir(), "out.zip")
		s.ok(t, "handover", "write", "a-cam-prime", file)
		if code, out, errw := s.run("", "handover", "read", file); code > 1 { // 1: it is not signed
			t.Fatalf("%q: read: exit %d\n%s%s", stamp, code, out, errw)
		}
	}
	// what was handed over holds each of them byte for byte, and another library takes and marks it
	file := filepath.Join(t.TempDir(), "out.zip")
	s.ok(t, "handover", "write", "a-cam-prime", file)
	other := newFixture(t)
	if code, out, errw := other.run("", "handover", "accept", file, "--unsigned", "--alias", "theirs", "--yes"); code != 0 {
		t.Fatalf("accept: exit %d\n%s%s", code, out, errw)
	}
	log := other.git(t, "log", "--all", "--format=%B")
	for _, line := range regexp.MustCompile(`(?m)^Raw-Revision: (\S+)$`).FindAllStringSubmatch(log, -1) {
		c := exec.Command("sh", "-c", "base64 -d | git hash-object -t commit --stdin --literally")
		c.Stdin = strings.NewReader(line[1])
		id, err := c.Output()
		if err != nil || raw[strings.TrimSpace(string(id))] == "" || !strings.Contains(log, "Revision: "+strings.TrimSpace(string(id))) {
			t.Errorf("a revision came as another: %s %v", id, err)
		}
		delete(raw, strings.TrimSpace(string(id)))
	}
	if len(raw) > 0 {
		t.Errorf("not handed over: %v in\n%s", raw, log)
	}
	if text := strings.Join(strings.Fields(other.ok(t, "history", "theirs")), " "); strings.Count(text, "which is not a time") != len(stamps)-1 || !strings.Contains(text, `records the time "1767225600 +9999"`) {
		t.Errorf("not marked where it came to:\n%s", text)
	}
	// saving on top, and a sync, go on
	s.ok(t, "set", "a-cam-prime", "stiffness.pan=33")
	s.ok(t, "save", "a-cam-prime", "-m", "On top")
	bare := filepath.Join(t.TempDir(), "team.git")
	s.git(t, "init", "-q", "--bare", "-b", "main", bare)
	s.ok(t, "sync", bare)
}
