//go:build unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/repo/transport/transporttest"
)

// TestHelpTeam plays each command of `rigkeep help team`, with real servers in place of its made-up
// addresses, in the order in which it shows them.
func TestHelpTeam(t *testing.T) {
	t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
	s := newFixture(t)
	top := t.TempDir()
	srv, stick, share := filepath.Join(top, "srv"), filepath.Join(top, "stick"), filepath.Join(top, "share")
	for _, d := range []string{srv, stick, share, filepath.Join(srv, "house")} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	transporttest.Bare(t, srv, "tunes.git")
	transporttest.Bare(t, filepath.Join(srv, "house"), "tunes.git")
	ssh := transporttest.ServeSSH(t)
	web := transporttest.ServeHTTP(t, srv, "tech", "s3cret")
	s.env["HOME"] = ssh.Home
	s.env["RIGKEEP_TOKEN"], s.env["RIGKEEP_USER"], s.env["RIGKEEP_TOKEN_HOST"] = "s3cret", "tech", strings.Trim(strings.TrimPrefix(web.URL, "http://"), "/")
	s.env["GIT_SSH_COMMAND"] = "ssh -i " + filepath.Join(ssh.Home, ".ssh", "id_ed25519") + " -o UserKnownHostsFile=" + ssh.KnownHosts
	// the library proposes a key
	key := filepath.Join(top, "key")
	if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	pub, err := os.ReadFile(key + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("ssh-keygen", "-lf", key).Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(s.dir, "trust"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(s.dir, "trust", "allowed_signers"), append([]byte("a-cam@example.org "), pub...), 0o644); err != nil {
		t.Fatal(err)
	}
	s.git(t, "add", "trust")
	s.git(t, "commit", "-q", "-m", "Propose a key")

	code, text, _ := s.real("help", "team")
	if code != 0 || strings.Count(text, "\n") > 40 {
		t.Fatalf("exit %d, %d lines", code, strings.Count(text, "\n"))
	}
	made := strings.NewReplacer(
		"/mnt/share", share, "/media/stick", stick, "https://host.example/", web.URL,
		"ssh://tech@house.example/srv/", ssh.URL+srv+"/", " /srv/mirror.git", " "+filepath.Join(srv, "mirror.git"),
		"SHA256:0123456789012345678901234567890123456789012", strings.Fields(string(out))[1])
	played := 0
	for line := range strings.Lines(text) {
		if len([]rune(line)) > 81 {
			t.Errorf("wider than 80: %q", line)
		}
		line, ok := strings.CutPrefix(strings.TrimRight(line, "\n"), "  ")
		if !ok {
			continue
		}
		played++
		c := exec.Command("sh", "-c", made.Replace(line))
		c.Dir = s.dir
		c.Env = []string{"PATH=" + os.Getenv("PATH"), "GORACE=atexit_sleep_ms=0", "GIT_CONFIG_GLOBAL=" + os.DevNull}
		for k, v := range s.env {
			c.Env = append(c.Env, k+"="+v)
		}
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", line, err, out)
		}
		if strings.Contains(made.Replace(line), "example/") {
			t.Errorf("%s: a made-up address was asked", line)
		}
	}
	if played < 14 {
		t.Errorf("only %d commands", played)
	}
	// what came back from the stick, and what the branch house copied, is the library
	head := s.git(t, "rev-parse", "HEAD")
	for _, dir := range []string{"restored", "tunes", "branch"} {
		if got := transporttest.Git(t, filepath.Join(s.dir, dir), "rev-parse", "HEAD"); strings.TrimSpace(got) != head {
			t.Errorf("%s is at %s, not %s", dir, got, head)
		}
	}
	if page := s.ok(t, "man"); !strings.Contains(page, "HOW A TEAM SHARES A LIBRARY") {
		t.Error("the manual page lacks it")
	}
}
