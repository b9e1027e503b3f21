package store

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// branchy makes a library with a side branch that plain git merged.
func branchy(t *testing.T) *Lib {
	l := freshLib(t)
	edit(t, l, "rigs/aa/x/main.toml", "pan = 1\n", "One")
	edit(t, l, "rigs/bb/y/main.toml", "pan = 1\n", "Two")
	git(t, l.Root(), "checkout", "-q", "-b", "side")
	put(t, l, "rigs/aa/x/main.toml", "pan = 2\n")
	git(t, l.Root(), "commit", "-qam", "Side")
	git(t, l.Root(), "checkout", "-q", "main")
	edit(t, l, "rigs/bb/y/main.toml", "pan = 3\n", "Three")
	git(t, l.Root(), "merge", "-q", "--no-edit", "side")
	edit(t, l, "rigs/bb/y/main.toml", "pan = 4\n", "Four")
	return l
}

func TestNewObjects(t *testing.T) {
	l := branchy(t)
	for _, c := range [][2]string{{"HEAD", "HEAD~3"}, {"HEAD", "HEAD~1"}, {"HEAD", "side"}, {"HEAD", ""}, {"side", "main~2"}} {
		want := []Rev{Rev(git(t, l.Root(), "rev-parse", c[0]))}
		var have []Rev
		args := []string{"rev-list", "--objects", "--no-object-names", c[0]}
		if c[1] != "" {
			have = []Rev{Rev(git(t, l.Root(), "rev-parse", c[1]))}
			args = append(args, "^"+c[1])
		}
		ref := strings.Fields(git(t, l.Root(), args...))
		var got []string
		if err := l.Exchange().NewObjects(want, have, func(id string) error { got = append(got, id); return nil }); err != nil {
			t.Fatal(err)
		}
		slices.Sort(ref)
		slices.Sort(got)
		if !slices.Equal(slices.Compact(got), ref) || len(slices.Compact(got)) != len(got) {
			t.Errorf("%v: %d objects, git gives %d", c, len(got), len(ref))
		}
	}
}

func TestMergeBaseAgreesWithGit(t *testing.T) {
	l := branchy(t)
	for _, c := range [][2]string{{"HEAD", "side"}, {"HEAD~2", "side"}, {"HEAD", "HEAD"}, {"side", "HEAD~1"}} {
		a, b := Rev(git(t, l.Root(), "rev-parse", c[0])), Rev(git(t, l.Root(), "rev-parse", c[1]))
		got, err := l.Revisions().MergeBase(a, b)
		if err != nil || len(got) != 1 || string(got[0]) != git(t, l.Root(), "merge-base", c[0], c[1]) {
			t.Errorf("%v: %v %v", c, got, err)
		}
	}
}

func TestAdvance(t *testing.T) {
	l := branchy(t)
	tip, _ := l.Head()
	git(t, l.Root(), "reset", "-q", "--hard", "HEAD~2")
	put(t, l, "rigs/aa/x/main.toml", "pan = 77\n")
	if err := l.Writer().Advance(ctx, tip, aCam, start, "sync"); !errors.Is(err, ErrChanged) {
		t.Fatal(err)
	}
	git(t, l.Root(), "checkout", "-q", "--", ".")
	put(t, l, "notes.toml", "mine = 1\n") // not touched by the move
	if err := l.Writer().Advance(ctx, tip, aCam, start, "sync"); err != nil {
		t.Fatal(err)
	}
	if got := git(t, l.Root(), "status", "--porcelain"); got != "?? notes.toml" {
		t.Fatal(got)
	}
	if err := os.Remove(filepath.Join(l.Root(), "notes.toml")); err != nil {
		t.Fatal(err)
	}
	agrees(t, l.Root())
	if now, _ := l.Head(); now != tip {
		t.Fatal(now)
	}
	git(t, l.Root(), "checkout", "-q", "--orphan", "other")
	git(t, l.Root(), "commit", "-qm", "other root")
	if err := l.Writer().Advance(ctx, tip, aCam, start, "sync"); !errors.Is(err, ErrDiverged) {
		t.Fatal(err)
	}
}

func TestAdvanceRefusesHostilePaths(t *testing.T) {
	l := freshLib(t)
	edit(t, l, "a.toml", "a = 1\n", "A")
	home := git(t, l.Root(), "rev-parse", "HEAD")
	blob := git(t, l.Root(), "rev-parse", "HEAD:a.toml")
	for _, entry := range []string{"120000 blob " + blob + "\tlink", "100644 blob " + blob + "\taux.toml", "100644 blob " + blob + "\tA.toml\n100644 blob " + blob + "\ta.toml"} {
		if err := os.WriteFile(filepath.Join(l.Root(), "list"), []byte(entry+"\n"), 0o666); err != nil {
			t.Fatal(err)
		}
		tree := git(t, l.Root(), "-c", "core.protectNTFS=false", "-c", "alias.mk=!git mktree < list", "mk")
		_ = os.Remove(filepath.Join(l.Root(), "list"))
		c := git(t, l.Root(), "commit-tree", "-p", home, "-m", "hostile", tree)
		if err := l.Writer().Advance(ctx, Rev(c), aCam, start, "sync"); !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrBadPath) {
			t.Errorf("%q: %v", entry, err)
		}
		agrees(t, l.Root())
		if now, _ := l.Head(); string(now) != home {
			t.Fatal("moved")
		}
	}
}

func TestSetRef(t *testing.T) {
	l := branchy(t)
	tip, _ := l.Head()
	if err := l.SetRef(ctx, "refs/remotes/origin/main", "", tip, aCam, start, "fetch"); err != nil {
		t.Fatal(err)
	}
	if err := l.SetRef(ctx, "refs/remotes/origin/main", "", tip, aCam, start, "fetch"); !errors.Is(err, ErrDiverged) {
		t.Fatal(err)
	}
	if err := l.SetRef(ctx, "refs/heads/main", tip, tip, aCam, start, "fetch"); !errors.Is(err, ErrBadPath) {
		t.Fatal(err)
	}
	refs, err := l.Refs("refs/remotes/")
	if err != nil || len(refs) != 1 || refs["refs/remotes/origin/main"] != tip {
		t.Fatal(refs, err)
	}
	agrees(t, l.Root())
}
