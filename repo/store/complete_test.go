package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/repo/internal/hist"
)

// A first copy is whole exactly if no object that git lists for it is missing: each is taken
// away in turn, from a history with merges, a file that one side brought back, a file that
// becomes a folder and back, a link, and another repository inside.
// Source: `git rev-list --objects`.
func TestCompleteAll(t *testing.T) {
	l := freshLib(t)
	dir := l.Root()
	commit := func(msg string) {
		t.Helper()
		git(t, dir, "add", "-A")
		git(t, dir, "commit", "-q", "--allow-empty", "-m", msg)
	}
	put(t, l, "rigs/aa/one/main.toml", "a = 1\n")
	put(t, l, "rigs/aa/two/main.toml", "b = 1\n")
	put(t, l, "place", "a file\n")
	commit("one")
	git(t, dir, "branch", "side")
	put(t, l, "rigs/aa/one/main.toml", "a = 2\n")
	if err := os.Remove(filepath.Join(dir, "place")); err != nil {
		t.Fatal(err)
	}
	put(t, l, "place/inside.toml", "c = 1\n")
	if err := os.Symlink("rigs/aa", filepath.Join(dir, "short")); err != nil {
		t.Fatal(err)
	}
	commit("two")
	git(t, dir, "update-index", "--add", "--cacheinfo", "160000,1234567890123456789012345678901234567890,inner")
	git(t, dir, "commit", "-q", "-m", "another repository inside")
	git(t, dir, "switch", "-q", "side")
	put(t, l, "rigs/bb/three/main.toml", "d = 1\n")
	git(t, dir, "rm", "-q", "rigs/aa/two/main.toml")
	commit("side")
	git(t, dir, "switch", "-q", "main")
	git(t, dir, "merge", "-q", "--no-ff", "-m", "both", "side")
	put(t, l, "rigs/aa/two/main.toml", "b = 1\n")
	commit("back again")
	tip, err := l.Head()
	if err != nil {
		t.Fatal(err)
	}
	fresh := func() *Lib {
		t.Helper()
		again, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		return again
	}
	if err := fresh().Exchange().CompleteAll(ctx, tip); err != nil {
		t.Fatal(err)
	}
	lines := strings.Fields(strings.ReplaceAll(git(t, dir, "rev-list", "--objects", "--no-object-names", string(tip)), "\n", " "))
	if len(lines) < 20 {
		t.Fatalf("only %d objects", len(lines))
	}
	for _, id := range lines {
		name := filepath.Join(dir, ".git", "objects", id[:2], id[2:])
		if err := os.Rename(name, name+".away"); err != nil {
			t.Fatal(err)
		}
		if err := fresh().Exchange().CompleteAll(ctx, tip); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), id) {
			t.Errorf("without %s: %v", id, err)
		}
		if err := fresh().Exchange().Complete([]Rev{tip}, nil); !errors.Is(err, ErrDamaged) {
			t.Errorf("without %s by walking: %v", id, err)
		}
		if err := os.Rename(name+".away", name); err != nil {
			t.Fatal(err)
		}
	}
	// The index that was made on the way is the one that questions make.
	made := fresh()
	if err := made.Exchange().CompleteAll(ctx, tip); err != nil {
		t.Fatal(err)
	}
	read := func() string {
		t.Helper()
		b, err := os.ReadFile(made.stateDir("history"))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	whole := read()
	if err := os.Remove(made.stateDir("history")); err != nil {
		t.Fatal(err)
	}
	made = fresh()
	head, err := tip.hash()
	if err != nil {
		t.Fatal(err)
	}
	if err := made.History().ask(head, func(*hist.Index) {}); err != nil {
		t.Fatal(err)
	}
	if read() != whole {
		t.Error("the index differs from the one that a question makes")
	}
}
