package store

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

func TestResolveAndHistory(t *testing.T) {
	l := freshLib(t)
	l.opt.Location = time.UTC
	var ids []Rev
	for i := range 5 {
		put(t, l, "a.toml", fmt.Sprintf("pan = %d\nroll = %d\n", i, i/2))
		id, err := l.Writer().Save(ctx, SaveRequest{Files: []File{{Path: "a.toml", Data: []byte(fmt.Sprintf("pan = %d\nroll = %d\n", i, i/2))}},
			Subject: fmt.Sprint("Step ", i), Body: "pan raised", Trailers: []Trailer{{"Job", "2025-harbour"}}, Author: aCam, When: start.AddDate(0, 0, i)})
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, id)
		if i == 2 {
			put(t, l, "b.toml", "x = 1\n")
			if _, err := l.Writer().Save(ctx, SaveRequest{Files: []File{{Path: "b.toml", Data: []byte("x = 1\n")}}, Subject: "Other", Author: bCam, When: start.AddDate(0, 0, i).Add(time.Hour)}); err != nil {
				t.Fatal(err)
			}
		}
	}
	for when, want := range map[string]Rev{
		"": ids[4], "HEAD": ids[4], "HEAD~1": ids[3], "~": ids[3], string(ids[1][:12]): ids[1], string(ids[1]) + "~1": ids[0],
		"2025-03-02": ids[1], "2025-03-04T08:59": "", "2025-03-04T09:00": ids[3], "2025-03-04T09:00:00Z": ids[3], "main~1": ids[3],
	} {
		got, err := l.Revisions().Resolve(when)
		if err != nil || want != "" && got != want {
			t.Errorf("Resolve(%q) = %s, %v; want %s", when, got, err, want)
		}
	}
	for _, bad := range []string{"nothing", "HEAD~99", "HEAD~x", "2020-01-01", "abcd"} {
		if _, err := l.Revisions().Resolve(bad); !errors.Is(err, ErrNotFound) {
			t.Errorf("Resolve(%q): %v", bad, err)
		}
	}
	for when, want := range map[string]Rev{"~0": ids[4], "~2": ids[2], "~4": ids[0]} {
		if got, err := l.Revisions().ResolveFor("a.toml", when); err != nil || got != want {
			t.Errorf("ResolveFor(%q) = %s, %v", when, got, err)
		}
	}
	if _, err := l.Revisions().ResolveFor("a.toml", "~5"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	revs, err := l.History().Of("a.toml", 0)
	if err != nil || len(revs) != 5 || revs[0].ID != ids[4] || revs[0].Job() != "2025-harbour" || revs[0].Body != "pan raised" {
		t.Fatal(revs, err)
	}
	keys, err := l.History().OfKey("a.toml", 0, func(data []byte) (string, bool) {
		_, rest, ok := strings.Cut(string(data), "roll = ")
		return strings.TrimSpace(rest), ok
	})
	if err != nil || len(keys) != 3 || keys[0].Value != "2" || keys[0].ID != ids[4] || keys[1].ID != ids[2] || keys[2].ID != ids[0] {
		t.Fatal(keys, err)
	}
	ch, err := l.Revisions().Diff(ids[1], ids[4])
	if err != nil || len(ch) != 2 || ch[0].Path != "a.toml" || ch[1].Old != "" {
		t.Fatal(ch, err)
	}
}

func TestIdentity(t *testing.T) {
	l := freshLib(t)
	env := func(kv ...string) func(string) string {
		m := map[string]string{"GIT_CONFIG_NOSYSTEM": "1"}
		for i := 0; i+1 < len(kv); i += 2 {
			m[kv[i]] = kv[i+1]
		}
		return func(k string) string { return m[k] }
	}
	if _, err := l.Identity("", env()); !errors.Is(err, ErrNoIdentity) || !strings.Contains(err.Error(), "--as") {
		t.Fatal(err)
	}
	if _, err := l.Identity("only a name", env()); !errors.Is(err, ErrNoIdentity) {
		t.Fatal(err)
	}
	home := t.TempDir()
	git(t, home, "config", "--file", home+"/.gitconfig", "user.name", "Home name")
	git(t, home, "config", "--file", home+"/.gitconfig", "user.email", "home@example.org")
	for _, c := range []struct {
		as   string
		env  func(string) string
		want Person
	}{
		{"Focus puller <f@example.org>", env(), Person{"Focus puller", "f@example.org"}},
		{"", env("RIGKEEP_AUTHOR", "B <b@example.org>"), Person{"B", "b@example.org"}},
		{"", env("GIT_AUTHOR_NAME", "C", "GIT_AUTHOR_EMAIL", "c@example.org"), Person{"C", "c@example.org"}},
		{"", env("HOME", home), Person{"Home name", "home@example.org"}},
		{"", env("HOME", home, "GIT_AUTHOR_NAME", "C"), Person{"C", "home@example.org"}},
	} {
		if got, err := l.Identity(c.as, c.env); err != nil || got != c.want {
			t.Errorf("%q: %v, %v", c.as, got, err)
		}
	}
	git(t, l.Root(), "config", "user.name", "Library name")
	l, err := Open(l.Root())
	if err != nil {
		t.Fatal(err)
	}
	if got, err := l.Identity("", env("HOME", home)); err != nil || got.Name != "Library name" {
		t.Fatal(got, err)
	}
}
