package store

import (
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var (
	ctx   = context.Background()
	aCam  = Person{"A-cam operator", "a-cam@example.org"}
	bCam  = Person{"Gimbal technician", "tech@example.org"}
	start = time.Date(2025, 3, 1, 9, 0, 0, 0, time.UTC)
)

// TestMain puts the scratch libraries into memory where it can: most tests are about order, not
// about a disk's speed. The long storms run on the real disk.
func TestMain(m *testing.M) {
	if os.Getenv("RIGKEEP_HELPER") != "" {
		os.Exit(helper(os.Args[1:]))
	}
	if st, err := os.Stat("/dev/shm"); err == nil && st.IsDir() && os.Getenv("TMPDIR") == "" && !long {
		_ = os.Setenv("TMPDIR", "/dev/shm")
	}
	os.Exit(m.Run())
}

// gitEnv keeps the person's own git settings out of the tests.
func gitEnv() []string {
	return append(cleanGitEnv(os.Environ()), "GIT_CONFIG_GLOBAL="+filepath.Join(os.TempDir(), "no-such-git-config"), "GIT_CONFIG_NOSYSTEM=1",
		"GIT_AUTHOR_NAME=Plain git", "GIT_AUTHOR_EMAIL=git@example.org", "GIT_COMMITTER_NAME=Plain git", "GIT_COMMITTER_EMAIL=git@example.org",
		"LC_ALL=C")
}

// git runs the real git in dir and fails the test if it fails.
func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	return gitOn(t, dir, "", args...)
}

// gitOn is git with something on its standard input.
func gitOn(t testing.TB, dir, in string, args ...string) string {
	t.Helper()
	out, err := runGit(dir, strings.NewReader(in), args...)
	if err != nil {
		t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(out)
}

func tryGit(dir string, args ...string) (string, error) { return runGit(dir, nil, args...) }

func runGit(dir string, in io.Reader, args ...string) (string, error) {
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Env = gitEnv()
	cmd.Stdin = in
	var b bytes.Buffer
	cmd.Stdout, cmd.Stderr = &b, &b
	err := cmd.Run()
	return b.String(), err
}

// agrees checks that plain git finds nothing to complain about.
func agrees(t testing.TB, dir string) {
	t.Helper()
	if out := git(t, dir, "fsck", "--strict", "--no-dangling"); out != "" {
		t.Fatalf("git fsck: %s", out)
	}
	cleanTree(t, dir)
}

// clean checks that git sees no change and that the index's cached tree is HEAD's.
func cleanTree(t testing.TB, dir string) {
	t.Helper()
	if out := git(t, dir, "status", "--porcelain"); out != "" {
		t.Fatalf("git status:\n%s", out)
	}
	if a, b := git(t, dir, "write-tree"), git(t, dir, "rev-parse", "HEAD^{tree}"); a != b {
		t.Fatalf("write-tree gives %s, HEAD's tree is %s", a, b)
	}
}

func freshLib(t testing.TB) *Lib {
	t.Helper()
	l, err := Init(filepath.Join(t.TempDir(), "lib"), []File{{Path: "library.toml", Data: []byte("format = 1\n")}}, aCam, start)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// put writes a work-tree file as an editor would.
func put(t testing.TB, l *Lib, path, text string) {
	t.Helper()
	name := filepath.Join(l.Root(), filepath.FromSlash(path))
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// edit puts a file and saves it.
func edit(t testing.TB, l *Lib, path, text, subject string) Rev {
	t.Helper()
	put(t, l, path, text)
	id, err := l.Writer().Save(ctx, SaveRequest{Files: []File{{Path: path, Data: []byte(text)}}, Subject: subject, Author: bCam, When: start.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	return id
}
