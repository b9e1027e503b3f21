package store

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// rigLib is a library with two rigs, a merge and a message that a terminal would obey.
func rigLib(t testing.TB) *Lib {
	t.Helper()
	l := freshLib(t)
	for i := range 6 {
		edit(t, l, "rigs/aa/aaaa/main.toml", fmt.Sprintf("v = %d\n", i), fmt.Sprintf("A %d", i))
		edit(t, l, "rigs/bb/bbbb/main.toml", fmt.Sprintf("v = %d\n", i), fmt.Sprintf("B %d", i))
	}
	edit(t, l, "rigs/aa/aaaa/night.toml", "n = 1\n", "A at night \x1b[31m red \u202e")
	return l
}

func selection(at Rev) Extraction {
	return Extraction{At: at, Folders: []string{"rigs/aa/aaaa"}, Trailer: "From-Revision", Always: []File{{Path: "library.toml", Data: []byte("kind = \"library\"\n")}}}
}

func extract(t testing.TB, l *Lib) *Bundle {
	t.Helper()
	head, err := l.Head()
	if err != nil {
		t.Fatal(err)
	}
	b, err := l.Exchange().Extract(selection(head))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// bundleFile writes a bundle where git can see it.
func bundleFile(t testing.TB, b *Bundle) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "history.bundle")
	if err := os.WriteFile(name, b.Encode(), 0o666); err != nil {
		t.Fatal(err)
	}
	return name
}

// TestExtractPlainGit: the real git verifies the bundle, clones it, finds nothing wrong, and
// shows the same history of the rig and nothing of the other.
func TestExtractPlainGit(t *testing.T) {
	l := rigLib(t)
	b := extract(t, l)
	name := bundleFile(t, b)
	git(t, l.Root(), "bundle", "verify", "-q", name)
	clone := filepath.Join(t.TempDir(), "clone")
	git(t, ".", "clone", "-q", name, clone)
	agrees(t, clone)
	if files := git(t, clone, "ls-files"); files != "library.toml\nrigs/aa/aaaa/main.toml\nrigs/aa/aaaa/night.toml" {
		t.Errorf("the clone holds\n%s", files)
	}
	const form = "--format=%an %ae %ad %cn %ce %cd"
	if ours, theirs := git(t, l.Root(), "log", form, "--", "rigs/aa"), git(t, clone, "log", form); ours != theirs {
		t.Errorf("history of the clone\n%s\nwant\n%s", theirs, ours)
	}
	if log := git(t, clone, "log", "--format=%s%n%b"); strings.Contains(log, "\x1b") || strings.Contains(log, "\u202e") || strings.Contains(log, "B 3") || !strings.Contains(log, "A at night [31m red") {
		t.Errorf("messages:\n%q", log)
	}
	for _, c := range b.Commits() {
		from := Rev(c.Trailer("From-Revision"))
		if o, err := l.Revisions().Commit(from); err != nil || !c.When.Equal(o.When) {
			t.Errorf("%s says it comes from %s: %v", c.ID.Short(), from, err)
		}
	}
}

// TestExtractStable: the same history gives the same bytes; extracting from a clone of the
// extract gives the same revisions; so does extracting after other rigs went on.
func TestExtractStable(t *testing.T) {
	l := rigLib(t)
	b := extract(t, l)
	if again := extract(t, l); !bytes.Equal(b.Encode(), again.Encode()) {
		t.Error("two extracts of one history differ")
	}
	edit(t, l, "rigs/bb/bbbb/main.toml", "v = 99\n", "other rig")
	if again := extract(t, l); again.Tip != b.Tip {
		t.Error("another rig's revision changed the extract")
	}
	clone := filepath.Join(t.TempDir(), "clone")
	git(t, ".", "clone", "-q", bundleFile(t, b), clone)
	c, err := Open(clone)
	if err != nil {
		t.Fatal(err)
	}
	if again := extract(t, c); again.Tip != b.Tip {
		t.Errorf("extracted from the clone: %s, want %s", again.Tip, b.Tip)
	}
	edit(t, l, "rigs/aa/aaaa/main.toml", "v = 7\n", "on")
	on := extract(t, l)
	if meet := on.MergeBases(b); len(meet) != 1 || meet[0] != b.Tip {
		t.Errorf("meet at %v, want %s", meet, b.Tip)
	}
}

// TestExtractMerge keeps a merge where both sides touched the rig, and drops the side that did not.
func TestExtractMerge(t *testing.T) {
	l := rigLib(t)
	dir := l.Root()
	for i, path := range []string{"rigs/aa/aaaa/side.toml", "rigs/bb/bbbb/side.toml"} {
		git(t, dir, "switch", "-q", "-c", fmt.Sprint("side", i), "HEAD~1")
		edit(t, l, path, "s = 1\n", "side")
		git(t, dir, "switch", "-q", "main")
		edit(t, l, "rigs/aa/aaaa/main.toml", fmt.Sprintf("v = %d\n", 10+i), "mine")
		git(t, dir, "merge", "-q", "--no-edit", fmt.Sprint("side", i))
	}
	b := extract(t, l)
	merges := 0
	for _, c := range b.Commits() {
		if len(c.Parents) > 1 {
			merges++
		}
	}
	if merges != 1 {
		t.Errorf("%d merges, want 1", merges)
	}
	clone := filepath.Join(t.TempDir(), "clone")
	git(t, ".", "clone", "-q", bundleFile(t, b), clone)
	agrees(t, clone)
	if a, b := git(t, dir, "rev-parse", "HEAD:rigs/aa"), git(t, clone, "rev-parse", "HEAD:rigs/aa"); a != b {
		t.Error("the rig's folder is not the same")
	}
}

// takeIn saves the tip of a foreign history together with it.
func takeIn(t testing.TB, l *Lib, from *Bundle) Rev {
	t.Helper()
	files, err := from.Files(from.Tip)
	if err != nil {
		t.Fatal(err)
	}
	q := SaveRequest{Subject: "Take in", Author: aCam, When: start.Add(48 * time.Hour), WriteWork: true, With: from}
	for _, f := range files {
		if f.Path != "library.toml" {
			q.Files = append(q.Files, File{Path: f.Path, Data: from.Contents(f.Blob)})
		}
	}
	id, err := l.Writer().Save(ctx, q)
	if err != nil {
		t.Fatal(err)
	}
	agrees(t, l.Root())
	return id
}

// TestSaveWith takes a foreign history in with a revision: plain git agrees, and the history of
// the file goes on in it.
func TestSaveWith(t *testing.T) {
	a := rigLib(t)
	read, err := ReadBundle(extract(t, a).Encode(), DefaultBundleLimits, nil)
	if err != nil {
		t.Fatal(err)
	}
	l := freshLib(t)
	id := takeIn(t, l, read)
	c, err := l.Revisions().Commit(id)
	if err != nil || len(c.Parents) != 2 || c.Parents[1] != read.Tip {
		t.Fatalf("parents %v, %v", c.Parents, err)
	}
	revs, err := l.History().Of("rigs/aa/aaaa/main.toml", 0)
	if err != nil || len(revs) != 6 {
		t.Errorf("%d revisions of the file, want 6 (%v)", len(revs), err)
	}
	// extracted here it is the same history again, which is how two libraries find where they parted
	if here := extract(t, l); here.Tip != read.Tip {
		t.Errorf("extracted after taking in: %s, want %s", here.Tip, read.Tip)
	}
}

// TestReadGitsBundle reads what the real git writes: deltas, and the same refs.
func TestReadGitsBundle(t *testing.T) {
	l := rigLib(t)
	dir := t.TempDir()
	clone := filepath.Join(dir, "clone")
	git(t, ".", "clone", "-q", bundleFile(t, extract(t, l)), clone)
	big := strings.Repeat("# a line of a comment that is the same every time\n", 200)
	c, err := Open(clone)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 12 {
		edit(t, c, "rigs/aa/aaaa/main.toml", big+fmt.Sprintf("v = %d\n", i), "long")
	}
	git(t, clone, "repack", "-q", "-a", "-d", "-f", "--depth=50", "--window=50")
	name := filepath.Join(dir, "git.bundle")
	git(t, clone, "bundle", "create", "-q", name, "HEAD", "main")
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	b, err := ReadBundle(data, DefaultBundleLimits, nil)
	if err != nil {
		t.Fatal(err)
	}
	head, err := c.Head()
	if err != nil {
		t.Fatal(err)
	}
	if b.Tip != head {
		t.Errorf("tip %s, want %s", b.Tip, head)
	}
	if len(data) > 20_000 {
		t.Errorf("git's bundle has %d bytes: it holds no deltas, so this tests nothing", len(data))
	}
	// one that builds on a revision it does not hold
	git(t, clone, "bundle", "create", "-q", name, "HEAD~1..HEAD", "HEAD", "main")
	if data, err = os.ReadFile(name); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadBundle(data, DefaultBundleLimits, nil); err == nil || !strings.Contains(err.Error(), "builds on a revision") {
		t.Errorf("an incremental bundle: %v", err)
	}
}

// TestThereAndBack: a rig goes to another library, is changed there, comes back, and is changed
// again here. At each step both libraries find the same revision where they parted.
func TestThereAndBack(t *testing.T) {
	a, b := rigLib(t), freshLib(t)
	for i := range 3 {
		there := extract(t, a)
		if i > 0 {
			if meet := there.MergeBases(extract(t, b)); len(meet) != 1 || meet[0] != extract(t, b).Tip {
				t.Fatalf("round %d: they meet at %v", i, meet)
			}
		}
		takeIn(t, b, there)
		edit(t, b, "rigs/aa/aaaa/main.toml", fmt.Sprintf("v = %d\n", 100+i), "Changed there")
		back := extract(t, b)
		if meet := back.MergeBases(extract(t, a)); len(meet) != 1 || meet[0] != there.Tip {
			t.Fatalf("round %d: they meet at %v, want %s", i, meet, there.Tip)
		}
		takeIn(t, a, back)
		edit(t, a, "rigs/aa/aaaa/main.toml", fmt.Sprintf("v = %d\n", 200+i), "Changed here")
	}
}

// TestExtractFromTangle: over a history with many merges the extract's tip holds what the
// library's head does, however the index was built.
func TestExtractFromTangle(t *testing.T) {
	for seed := range int64(6) {
		l := tangled(t, seed, 60)
		head, err := l.Head()
		if err != nil {
			t.Fatal(err)
		}
		all, err := l.Revisions().ListAt(head, "")
		if err != nil {
			t.Fatal(err)
		}
		q := Extraction{At: head, Trailer: "From-Revision"}
		var want []Entry
		for i, e := range all {
			if i%2 == 0 {
				q.Paths = append(q.Paths, e.Path)
				want = append(want, e)
			}
		}
		b, err := l.Exchange().Extract(q)
		if err != nil {
			t.Fatal(err)
		}
		got, err := b.Files(b.Tip)
		if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("seed %d: %v\nwant %v (%v)", seed, got, want, err)
		}
		fresh, err := Open(l.Root())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.RemoveAll(filepath.Join(l.Root(), ".git", "rigkeep")); err != nil {
			t.Fatal(err)
		}
		again, err := fresh.Exchange().Extract(q)
		if err != nil || !bytes.Equal(again.Encode(), b.Encode()) {
			t.Errorf("seed %d: other bytes from a fresh index (%v)", seed, err)
		}
		if _, err := ReadBundle(b.Encode(), DefaultBundleLimits, nil); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
		git(t, l.Root(), "bundle", "verify", "-q", bundleFile(t, b))
	}
}
