package index

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"
	gogit "github.com/go-git/go-git/v5/plumbing/format/index"
)

func git(t testing.TB, dir string, args ...string) string {
	t.Helper()
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "GIT_AUTHOR_NAME=T", "GIT_AUTHOR_EMAIL=t@example.org", "GIT_COMMITTER_NAME=T", "GIT_COMMITTER_EMAIL=t@example.org")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("git %v: %v %s", args, err, out)
	}
	return strings.TrimSpace(string(out))
}

// repository has files in folders, a long name, an executable, a promise to add and, on
// request, other index versions.
func repository(t testing.TB, version string) (dir string, raw []byte) {
	dir = t.TempDir()
	git(t, dir, "init", "-q")
	for i := range 30 {
		name := filepath.Join(dir, fmt.Sprintf("rigs/%02x/r%d/main.toml", i%5, i))
		if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(fmt.Sprint(i)), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for name, mode := range map[string]os.FileMode{strings.Repeat("long", 50): 0o666, "run.sh": 0o777, "later": 0o666} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(name), mode); err != nil {
			t.Fatal(err)
		}
	}
	git(t, dir, "add", "rigs", "run.sh", strings.Repeat("long", 50))
	git(t, dir, "commit", "-qm", "x")
	if version == "3" {
		git(t, dir, "add", "-N", "later")
	}
	if version == "4" {
		git(t, dir, "update-index", "--index-version", "4")
	}
	raw, err := os.ReadFile(filepath.Join(dir, ".git", "index"))
	if err != nil {
		t.Fatal(err)
	}
	return dir, raw
}

// TestReadsAsGoGitDoes compares with go-git's decoder, and lets git judge what is written back.
func TestReadsAsGoGitDoes(t *testing.T) {
	for _, version := range []string{"2", "3", "4"} {
		dir, raw := repository(t, version)
		x, err := Parse(raw, true)
		if err != nil {
			t.Fatal(version, err)
		}
		if fmt.Sprint(x.Version) != version {
			t.Fatal(x.Version, version)
		}
		var g gogit.Index
		if err := gogit.NewDecoder(bytes.NewReader(raw)).Decode(&g); err != nil {
			t.Fatal(err)
		}
		if len(g.Entries) != len(x.Entries) {
			t.Fatal(len(g.Entries), len(x.Entries))
		}
		for i, e := range g.Entries {
			o := x.Entries[i]
			if e.Name != o.Path || e.Hash != o.ID || uint32(e.Mode) != o.Mode || e.Size != o.Size || (!e.ModifiedAt.IsZero() && uint32(e.ModifiedAt.Unix()) != o.MTimeS) || e.IntentToAdd != o.IntentToAdd() {
				t.Fatalf("%+v\n%+v", e, o)
			}
		}
		out := x.Format()
		if version == "2" && !bytes.Equal(out, raw) {
			t.Error("an untouched index changes when it is written")
		}
		if err := os.WriteFile(filepath.Join(dir, ".git", "index"), out, 0o666); err != nil {
			t.Fatal(err)
		}
		want := ""
		if version == "3" {
			want = " A later"
		} else {
			if err := os.Remove(filepath.Join(dir, "later")); err != nil {
				t.Fatal(err)
			}
		}
		if got := git(t, dir, "status", "--porcelain"); strings.TrimSpace(got) != strings.TrimSpace(want) {
			t.Fatal(version, got)
		}
		git(t, dir, "fsck", "--strict")
	}
}

func TestDamage(t *testing.T) {
	_, raw := repository(t, "2")
	for name, b := range map[string][]byte{
		"empty":   nil,
		"text":    bytes.Repeat([]byte("hello "), 20),
		"cut":     raw[:len(raw)/2],
		"flipped": append(append(append([]byte{}, raw[:100]...), raw[100]^1), raw[101:]...),
	} {
		if _, err := Parse(b, true); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestCachedTree: a replaced entry moves the folders' ids, an added one and a staged one make
// git compute them anew.
func TestCachedTree(t *testing.T) {
	_, raw := repository(t, "2")
	x, err := Parse(raw, true)
	if err != nil {
		t.Fatal(err)
	}
	unread, err := Parse(raw, true) // whose folders nobody asked for
	if err != nil {
		t.Fatal(err)
	}
	root := x.Root()
	was, id := root.ID, plumbing.NewHash("1111111111111111111111111111111111111111")
	if !unread.Is(was) || unread.Is(id) || !x.Is(was) {
		t.Error("Is does not know the index's own tree, or takes another for it")
	}
	x.SetTree("", was, id)
	if root.ID != id || !x.Is(id) {
		t.Error("the root did not move")
	}
	if unread.Drop(unread.Entries[0].Path); unread.Is(was) {
		t.Error("an entry is gone, and Is does not see it")
	}
	x.SetTree("rigs", id, was) // not what the index holds: something else is staged there
	if root.Sub("rigs").Entries != -1 {
		t.Error("a folder with something staged kept its id")
	}
	e := x.Entries[len(x.Entries)-1]
	e.Path = "rigs/00/r0/wind.toml"
	x.Set(e)
	if root.Entries != -1 || root.Sub("rigs").Sub("00").Entries != -1 || root.Sub("rigs").Sub("01").Entries == -1 {
		t.Error("an added file must make its folders, and only them, be computed anew")
	}
	if x.Find(e.Path) == nil {
		t.Error("the added entry is not found")
	}
	x.Drop(e.Path)
	if x.Find(e.Path) != nil || len(x.Below("rigs/00/r0/")) != 1 {
		t.Error("the dropped entry is still there")
	}
}

func FuzzParse(f *testing.F) {
	for _, v := range []string{"2", "3", "4"} {
		_, raw := repository(f, v)
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		x, err := Parse(raw, false)
		if err != nil {
			return
		}
		x.Unmerged()
		y, err := Parse(x.Format(), true)
		if err != nil {
			t.Fatal("what we wrote we cannot read:", err)
		}
		if len(y.Entries) != len(x.Entries) {
			t.Fatal(len(y.Entries), len(x.Entries))
		}
		for i := range x.Entries {
			a, b := x.Entries[i], y.Entries[i]
			if a.Path != b.Path || a.ID != b.ID || a.Stat != b.Stat || a.Stage() != b.Stage() || a.Ext != b.Ext {
				t.Fatalf("%+v\n%+v", a, b)
			}
		}
	})
}
