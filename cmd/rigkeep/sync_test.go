package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigkeep/repo/transport/transporttest"
)

// person is somebody at a machine of their own.
type person struct {
	t   *testing.T
	dir string
	env map[string]string
	now time.Time
}

func someone(t *testing.T, dir, role string, env ...string) *person {
	p := &person{t, dir, map[string]string{"RIGKEEP_AUTHOR": role + " <crew@example.org>", "COLUMNS": "100", "HOME": t.TempDir(), "PATH": os.Getenv("PATH")}, time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	for i := 0; i < len(env); i += 2 {
		p.env[env[i]] = env[i+1]
	}
	return p
}

func (p *person) run(want int, line string) (out, errs string) {
	p.t.Helper()
	var o, e bytes.Buffer
	code := Main(append([]string{"rigkeep"}, cutWords(line)...), Env{Stdin: strings.NewReader(""), Stdout: &o, Stderr: &e, Dir: p.dir,
		Getenv: func(k string) string { return p.env[k] }, Now: func() time.Time { p.now = p.now.Add(time.Minute); return p.now }})
	if code != want {
		p.t.Fatalf("rigkeep %s: exit %d, want %d\n%s%s", line, code, want, o.String(), e.String())
	}
	return o.String(), e.String()
}

func says(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, s := range parts {
		if !strings.Contains(text, s) {
			t.Errorf("no %q in\n%s", s, text)
		}
	}
}

// TestSyncServers has two people exchange tunes through each kind of server.
func TestSyncServers(t *testing.T) {
	t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
	t.Setenv("GIT_TERMINAL_PROMPT", "0")
	base := t.TempDir()
	a := someone(t, filepath.Join(base, "a"), "A-cam operator")
	if err := os.Mkdir(a.dir, 0o777); err != nil {
		t.Fatal(err)
	}
	a.run(0, "demo made --quiet")
	a.dir = filepath.Join(a.dir, "made", "library")
	web := transporttest.ServeHTTP(t, base, "tech", "s3cret")
	ssh := transporttest.ServeSSH(t)
	for i, c := range []struct {
		name, address string
		env           []string
	}{
		{"git", transporttest.Daemon(t, base) + "git.git", nil},
		{"http", web.URL + "http.git", []string{"RIGKEEP_TOKEN", "s3cret", "RIGKEEP_USER", "tech", "RIGKEEP_TOKEN_HOST", strings.Trim(strings.TrimPrefix(web.URL, "http://"), "/")}},
		{"ssh", ssh.URL + filepath.Join(base, "ssh.git"), []string{"HOME", ssh.Home}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a.t = t
			bare := transporttest.Bare(t, base, c.name+".git")
			for i := 0; i < len(c.env); i += 2 {
				a.env[c.env[i]] = c.env[i+1]
			}
			out, _ := a.run(0, "sync "+c.address)
			says(t, out, "sent to")
			b := someone(t, t.TempDir(), "B-cam operator", c.env...)
			out, _ = b.run(0, "init copy --from "+c.address)
			says(t, out, "copied", "4 rigs")
			b.dir = filepath.Join(b.dir, "copy")
			b.run(0, fmt.Sprintf("set b-cam-85 stiffness.pan=%d", 21+i))
			b.run(0, "save b-cam-85 -m Pan")
			b.run(0, "sync")
			a.run(0, "set b-cam-85 note="+c.name)
			a.run(0, "save b-cam-85 -m Note")
			out, _ = a.run(0, "sync "+c.address+" --json")
			var ans syncAnswer
			if err := json.Unmarshal([]byte(out), &ans); err != nil || len(ans.Came) != 1 || ans.Came[0].Subject != "Pan" || ans.Merge == nil || !ans.Sent {
				t.Fatalf("%v\n%s", err, out)
			}
			transporttest.Git(t, bare, "fsck", "--strict")
			if strings.Contains(transporttest.Git(t, b.dir, "config", "--list"), "s3cret") {
				t.Error("the password was written down")
			}
			b.run(0, "check --git")
		})
	}
}

// TestSyncRefusals: what goes wrong has its own exit code, leaves the library as it was, and no
// server can speak to the terminal.
func TestSyncRefusals(t *testing.T) {
	t.Setenv("GIT_CONFIG_GLOBAL", os.DevNull)
	t.Setenv("GIT_TERMINAL_PROMPT", "0")
	base := t.TempDir()
	a := someone(t, base, "A-cam operator")
	a.run(0, "demo made --quiet")
	a.dir = filepath.Join(base, "made", "library")
	before := transporttest.Git(t, a.dir, "rev-parse", "HEAD")
	bare := transporttest.Bare(t, base, "tunes.git")
	web := transporttest.ServeHTTP(t, base, "tech", "s3cret")
	ssh := transporttest.ServeSSH(t)
	_, errs := a.run(6, "sync http://127.0.0.1:1/tunes.git")
	says(t, errs, "connection refused", "nothing here is lost")
	_, errs = a.run(4, "sync "+web.URL+"tunes.git")
	says(t, errs, "needs a user name and a password", "RIGKEEP_TOKEN")
	_, errs = a.run(4, "sync "+web.With("tech", "wrong")+"tunes.git")
	if strings.Contains(errs, "wrong") {
		t.Error("the password is shown")
	}
	_, errs = a.run(5, "sync "+ssh.URL+bare)
	says(t, errs, "is not known yet", ssh.Fingerprint, "known_hosts")
	_, errs = a.run(2, "sync ftp://house/tunes.git")
	says(t, errs, "ftp:// is not supported")
	a.run(3, "sync "+web.With("tech", "s3cret")+"other.git")
	if err := os.WriteFile(filepath.Join(bare, "hooks", "pre-receive"), []byte("#!/bin/sh\nprintf 'closed \\033[2Jtoday\\n'\nexit 1\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	_, errs = a.run(4, "sync "+web.With("tech", "s3cret")+"tunes.git")
	says(t, errs, `closed \x1b[2Jtoday`, "did not take what was sent")
	if strings.ContainsRune(errs, 0x1b) {
		t.Error("the server's escapes reach the terminal")
	}
	// a branch that the server protects
	if err := os.Rename(filepath.Join(bare, "hooks", "pre-receive"), filepath.Join(bare, "hooks", "update")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(bare, "hooks", "update"), []byte("#!/bin/sh\ntest $1 != refs/heads/main || { echo protected; exit 1; }\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	out, errs := a.run(4, "sync "+web.With("tech", "s3cret")+"tunes.git --json")
	says(t, out, `"kind": "refused"`, `"exit": 4`)
	says(t, out+errs, "protected", "did not take what was sent")
	out, _ = a.run(6, "sync http://127.0.0.1:1/tunes.git --json")
	says(t, out, `"kind": "network"`, `"exit": 6`)
	if transporttest.Git(t, a.dir, "rev-parse", "HEAD") != before || transporttest.Git(t, a.dir, "status", "--porcelain") != "" {
		t.Error("the library was changed")
	}
	if got := transporttest.Git(t, a.dir, "config", "--list"); strings.Contains(got, "remote.") {
		t.Errorf("a remote that did not answer was remembered: %s", got)
	}
}
