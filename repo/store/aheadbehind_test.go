package store

import (
	"fmt"
	"strings"
	"testing"
)

// Counted as git counts them.
func TestApartAgreesWithGit(t *testing.T) {
	l := branchy(t)
	for _, c := range [][2]string{{"main", "side"}, {"side", "main"}, {"main", "main"}, {"main~2", "side"}, {"main~3", "main"}} {
		a, b := Rev(git(t, l.Root(), "rev-parse", c[0])), Rev(git(t, l.Root(), "rev-parse", c[1]))
		x, y, err := l.Revisions().AheadBehind(a, b)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := fmt.Sprintf("%d %d", x, y), strings.Join(strings.Fields(git(t, l.Root(), "rev-list", "--left-right", "--count", c[0]+"..."+c[1])), " "); got != want {
			t.Errorf("%v: %s, git says %s", c, got, want)
		}
	}
	if _, _, err := l.Revisions().AheadBehind(Rev(strings.Repeat("0", 39)+"1"), ""); err == nil {
		t.Error("a revision that is not there counts as one")
	}
}

func TestUpstream(t *testing.T) {
	l := branchy(t)
	want := func(name, at string) {
		t.Helper()
		n, rev, err := l.Upstream()
		if err != nil || n != name || string(rev) != at {
			t.Errorf("%q %q %v, want %q %q", n, rev, err, name, at)
		}
	}
	reopen := func() {
		t.Helper()
		var err error
		if l, err = Open(l.Root()); err != nil {
			t.Fatal(err)
		}
	}
	main, side := git(t, l.Root(), "rev-parse", "main"), git(t, l.Root(), "rev-parse", "side")
	want("", "")
	git(t, l.Root(), "config", "remote.house.url", "../house")
	reopen()
	want("", "") // never fetched
	git(t, l.Root(), "update-ref", "refs/remotes/house/main", side)
	want("house/main", side)
	git(t, l.Root(), "config", "remote.origin.url", "../origin")
	git(t, l.Root(), "update-ref", "refs/remotes/origin/main", main)
	git(t, l.Root(), "update-ref", "refs/remotes/origin/prep", side)
	reopen()
	want("origin/main", main)
	git(t, l.Root(), "config", "branch.main.remote", "origin")
	git(t, l.Root(), "config", "branch.main.merge", "refs/heads/prep")
	reopen()
	want("origin/prep", side)
	git(t, l.Root(), "checkout", "-q", "--detach")
	want("", "")
}

// Edited says of the files below its prefixes what Status says of all.
func TestEditedAgreesWithStatus(t *testing.T) {
	l := branchy(t)
	put(t, l, "rigs/aa/x/main.toml", "pan = 9\n")
	put(t, l, "rigs/aa/x/rain.toml", "pan = 9\n")
	put(t, l, "rigs/aa/x/notes.txt", "no file of ours\n")
	put(t, l, "rigs/bb/y/main.toml", "pan = 4\r\n") // as an editor may write it
	put(t, l, "rigs/cc/z/main.toml", "pan = 9\n")
	put(t, l, ".gitignore", "rigs/aa/x/scratch*\n")
	put(t, l, "rigs/aa/x/scratch.toml", "pan = 9\n")
	edit(t, l, "rigs/dd/w/main.toml", "pan = 1\n", "Three")
	git(t, l.Root(), "rm", "-q", "rigs/dd/w/main.toml")
	for _, prefixes := range [][]string{{""}, {"rigs/aa/"}, {"rigs/bb/", "rigs/dd/"}, {"rigs/aa/x/", "rigs/aa/"}, {"rigs/none/"}, {"rigs/cc/z/main.toml"}, nil} {
		all, err := l.Work().Status()
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]ChangeKind{}
		for _, c := range all {
			for _, p := range prefixes {
				if strings.HasPrefix(c.Path, p) {
					want[c.Path] = c.Kind
				}
			}
		}
		got, err := l.Work().Edited(prefixes...)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range got {
			if want[c.Path] != c.Kind {
				t.Errorf("%q: %s %s, Status says %q", prefixes, c.Path, c.Kind, want[c.Path])
			}
			delete(want, c.Path)
		}
		for p, k := range want {
			t.Errorf("%q: %s %s is not said", prefixes, p, k)
		}
	}
}
