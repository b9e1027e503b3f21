package store

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"
)

// TestSymbolicBranch: a branch that is a symbolic ref stays one, and what it leads to moves, as with
// git commit and git update-ref. It was overwritten.
func TestSymbolicBranch(t *testing.T) {
	l := freshLib(t)
	put(t, l, "a.toml", "a = 1\n")
	edit(t, l, "a.toml", "a = 2\n", "Begin")
	dir := l.Root()
	git(t, dir, "symbolic-ref", "refs/heads/alias", "refs/heads/main")
	git(t, dir, "symbolic-ref", "HEAD", "refs/heads/alias")
	l = must(Open(dir))(t)
	id := edit(t, l, "a.toml", "a = 3\n", "More")
	if got := strings.TrimSpace(git(t, dir, "symbolic-ref", "refs/heads/alias")); got != "refs/heads/main" {
		t.Errorf("alias is now %q", got)
	}
	if got := strings.TrimSpace(git(t, dir, "rev-parse", "refs/heads/main")); got != string(id) {
		t.Errorf("main is at %s, %s was saved", got, id)
	}
	git(t, dir, "symbolic-ref", "refs/heads/other", "refs/heads/team")
	if err := l.SetRef(context.Background(), "refs/heads/other", "", id, bCam, start, "x"); err != nil {
		t.Fatal(err)
	}
	if git(t, dir, "symbolic-ref", "refs/heads/other") == "" || strings.TrimSpace(git(t, dir, "rev-parse", "refs/heads/team")) != string(id) {
		t.Error("a symbolic ref was overwritten by SetRef")
	}
	agrees(t, dir)
}

// TestLinkedFolder: what lies behind a linked folder is not read as if it were in the library.
func TestLinkedFolder(t *testing.T) {
	l := freshLib(t)
	put(t, l, "rigs/ab/x/main.toml", "a = 1\n")
	edit(t, l, "rigs/ab/x/main.toml", "a = 2\n", "Begin")
	away := filepath.Join(t.TempDir(), "x")
	if err := os.Rename(filepath.Join(l.Root(), "rigs", "ab", "x"), away); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(away, filepath.Join(l.Root(), "rigs", "ab", "x")); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Work().Read("rigs/ab/x/main.toml"); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "rigs/ab/x is a symbolic link") {
		t.Errorf("read: %v", err)
	}
	if _, err := l.Writer().Save(context.Background(), request("Through", false, File{Path: "rigs/ab/x/main.toml", Data: []byte("a = 2\n")})); err == nil || errors.Is(err, ErrNothing) {
		t.Errorf("save: %v", err)
	}
	if links := must(l.Work().Links())(t); len(links) != 1 || links[0] != "rigs/ab/x" {
		t.Errorf("links: %q", links)
	}
}

// TestTreeWithOneNameTwice: git fsck calls it an error (duplicateEntries), and no disk can hold it.
func TestTreeWithOneNameTwice(t *testing.T) {
	for _, entries := range [][2]string{{"100644 a.toml", "100644 a.toml"}, {"100644 a", "40000 a"}} {
		dir := t.TempDir()
		git(t, dir, "init", "-q", "-b", "main")
		write := func(kind string, data []byte) string {
			c := exec.Command("git", "hash-object", "-w", "--literally", "-t", kind, "--stdin")
			c.Dir, c.Stdin = dir, strings.NewReader(string(data))
			out, err := c.Output()
			if err != nil {
				t.Fatal(err)
			}
			return strings.TrimSpace(string(out))
		}
		blob := plumbing.NewHash(write("blob", []byte("a = 1\n")))
		sub := plumbing.NewHash(write("tree", append([]byte("100644 b\x00"), blob[:]...)))
		var raw []byte
		for _, e := range entries {
			id := blob
			if strings.HasPrefix(e, "40000") {
				id = sub
			}
			raw = append(append(append(raw, e...), 0), id[:]...)
		}
		commit := write("commit", []byte("tree "+write("tree", raw)+"\nauthor A <a@example.org> 1 +0000\ncommitter A <a@example.org> 1 +0000\n\nTwice\n"))
		git(t, dir, "update-ref", "refs/heads/main", commit)
		if _, err := tryGit(dir, "fsck", "--strict"); err == nil {
			t.Error("git takes it: this tests nothing")
		}
		from := must(OpenShared(dir, Options{}))(t)
		l := freshLib(t)
		var b strings.Builder
		var ids []string
		if err := from.Lib().Exchange().NewObjects([]Rev{Rev(commit)}, nil, func(id string) error { ids = append(ids, id); return nil }); err == nil {
			if err := from.Lib().Exchange().Send(context.Background(), &b, ids, nil); err != nil {
				t.Fatal(err)
			}
			if _, _, err := l.Exchange().Receive(context.Background(), strings.NewReader(b.String()), nil); err != nil {
				t.Fatal(err)
			}
			err = l.Exchange().Complete([]Rev{Rev(commit)}, nil)
			if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "twice") {
				t.Errorf("%q was taken in: %v", entries, err)
			}
		} else if !strings.Contains(err.Error(), "twice") {
			t.Errorf("%q: %v", entries, err)
		}
	}
}
