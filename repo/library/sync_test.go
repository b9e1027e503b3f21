package library

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/repo/transport/transporttest"
	"rigkeep/schema"
)

var (
	syncCtx = context.Background()
	syncDay = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
)

func person(i int) store.Person {
	return store.Person{Name: fmt.Sprintf("Technician %d", i), Email: fmt.Sprintf("tech%d@example.org", i)}
}

func build(alias, lens string, mass float64) string {
	return fmt.Sprintf(`format = 1
kind = "rig"
alias = %q
gimbal = "quay-large"

[[part]]
slot = "body"
name = "cine body"
shape = "box"
mass_kg = 2.35
size_mm = [130.0, 110.0, 105.0]
place_mm = [-20.0, 0.0, 10.0]

[[part]]
slot = "lens"
name = %q
shape = "point"
mass_kg = %g
place_mm = [90.0, 0.0, 10.0]
`, alias, lens, mass)
}

func tune(fp string) string {
	return fmt.Sprintf(`format = 1
kind = "tune"
rig = %q
note = "as delivered"

[stiffness]
pan = 41
roll = 38
tilt = 47

[filters]
sensing = 3
drive = 2

[follow.walk]
deadband = { pan = 6, tilt = 8 }
lag = { pan = 40, tilt = 45 }
`, fp)
}

// fast is a folder in memory where there is one: these tests are about meaning, and ten clones
// wait for thousands of syncs on a busy disk.
func fast(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "rigkeep-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// newLibrary makes a library with a sheet and some rigs, each with a tune, and gives their
// fingerprints.
func newLibrary(t testing.TB, rigs int) (*Library, []string) {
	t.Helper()
	cat := schema.Default()
	files, err := NewFiles(cat, "prep bay", "kg", "mm")
	if err != nil {
		t.Fatal(err)
	}
	sheet, _ := examples.Gimbal("quay-large")
	files = append(files, store.File{Path: "gimbals/quay-large.toml", Data: sheet})
	var fps []string
	for i := range rigs {
		text := build(fmt.Sprintf("build-%d", i), fmt.Sprintf("prime %d", 20+i), 0.8+float64(i)/100)
		r, err := preset.UncheckedRig("", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		fp := r.Fingerprint()
		fps = append(fps, fp)
		files = append(files, store.File{Path: preset.RigPath(fp), Data: []byte(text)}, store.File{Path: preset.TunePath(fp, "main"), Data: []byte(tune(fp))})
	}
	files = append(files, store.File{Path: "jobs/2026-03-02-harbour.toml", Data: fmt.Appendf(nil, "format = 1\nkind = \"job\"\nname = \"Harbour\"\nfrom = 2026-03-02\nto = 2026-03-06\nstate = \"open\"\nnote = \"call at six\"\n\n[[pin]]\nrig = %q\ntune = \"main\"\n", fps[0])})
	dir := filepath.Join(fast(t), "lib")
	if _, err := store.Init(dir, files, person(0), syncDay); err != nil {
		t.Fatal(err)
	}
	return open(t, dir), fps
}

// bareOf makes a shared repository with the library in it.
func bareOf(t testing.TB, l *Library) string {
	t.Helper()
	bare := transporttest.Bare(t, fast(t), "tunes.git")
	syncWith(t, l, bare, 0, nil)
	return bare
}

func cloneOf(t testing.TB, bare string, i int) *Library {
	t.Helper()
	r := dialTest(t, bare)
	l, err := Clone(syncCtx, filepath.Join(fast(t), fmt.Sprintf("clone%d", i)), r, bare, schema.Default(), store.Options{}, person(i), syncDay)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// shared makes a library of rigs, a shared repository with it, and a second library from that.
func shared(t testing.TB, rigs int) (a, b *Library, bare string, fps []string) {
	t.Helper()
	a, fps = newLibrary(t, rigs)
	bare = bareOf(t, a)
	return a, cloneOf(t, bare, 1), bare, fps
}

func dialTest(t testing.TB, address string) transport.Remote {
	t.Helper()
	r, err := transport.Dial(address, transport.Options{Getenv: func(string) string { return "" }})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func trySync(t testing.TB, l *Library, address string, i int, ch func() (*merge.Choices, error)) (*Synced, error) {
	t.Helper()
	ref, err := l.Remotes().Find(address)
	if err != nil {
		t.Fatal(err)
	}
	r := dialTest(t, ref.Address)
	defer func() { _ = r.Close() }()
	out, err := l.Remotes().Run(syncCtx, r, SyncOptions{Remote: ref, Who: person(i), Now: func() time.Time { return syncDay.Add(time.Hour) }, Choices: ch})
	if err == nil {
		err = l.Remotes().Remember(syncCtx, ref)
	}
	return out, err
}

func syncWith(t testing.TB, l *Library, address string, i int, ch func() (*merge.Choices, error)) *Synced {
	t.Helper()
	out, err := trySync(t, l, address, i, ch)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// put changes a file and saves it.
func put(t testing.TB, l *Library, i int, path string, change func(string) string) store.Rev {
	t.Helper()
	text, err := l.Store.Work().Read(path)
	if err != nil && !isNotFound(err) {
		t.Fatal(err)
	}
	now := change(string(text))
	q := store.SaveRequest{Files: []store.File{{Path: path, Data: []byte(now), Delete: now == ""}}, Subject: "Change " + path, Author: person(i), When: syncDay.Add(time.Hour), WriteWork: true}
	id, err := l.Store.Writer().Save(syncCtx, q)
	if errors.Is(err, store.ErrNothing) {
		return ""
	}
	if err != nil {
		t.Fatalf("%s: %v\n%s", path, err, now)
	}
	l.Names().forget()
	return id
}

func swap(old, now string) func(string) string {
	return func(s string) string { return strings.Replace(s, old, now, 1) }
}

func treeOf(t testing.TB, l *Library) string {
	t.Helper()
	return transporttest.Git(t, l.Store.Root(), "rev-parse", "HEAD^{tree}")
}

// sound checks that plain git and our own check have nothing to say.
func sound(t testing.TB, l *Library) {
	t.Helper()
	if out := transporttest.Git(t, l.Store.Root(), "status", "--porcelain"); out != "" {
		t.Fatalf("git status: %s", out)
	}
	transporttest.Git(t, l.Store.Root(), "fsck", "--strict", "--no-dangling")
	fs, _, err := open(t, l.Store.Root()).Check()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range fs {
		if !f.Warning {
			t.Fatalf("%+v", f)
		}
	}
}

func TestSyncRounds(t *testing.T) {
	a, b, bare, fps := shared(t, 2)
	sound(t, b)
	if treeOf(t, a) != treeOf(t, b) || transporttest.Git(t, b.Store.Root(), "config", "remote.origin.url") != bare || transporttest.Git(t, b.Store.Root(), "rev-parse", "origin/main") != transporttest.Git(t, a.Store.Root(), "rev-parse", "HEAD") {
		t.Fatal("the copy is no copy")
	}
	if out := syncWith(t, b, "", 1, nil); out.Sent || len(out.Came)+len(out.Went) > 0 {
		t.Fatalf("%+v", out)
	}
	main := preset.TunePath(fps[0], "main")
	// One goes ahead, the other follows.
	put(t, a, 0, main, swap("pan = 41", "pan = 43"))
	if out := syncWith(t, a, "", 0, nil); !out.Sent || len(out.Went) != 1 || out.Merged != nil {
		t.Fatalf("%+v", out)
	}
	if out := syncWith(t, b, "", 1, nil); out.Sent || len(out.Came) != 1 || len(out.Changed) != 1 || out.Came[0].Author != person(0) {
		t.Fatalf("%+v", out)
	}
	// Both go on, apart.
	put(t, a, 0, main, swap("pan = 43", "pan = 44"))
	put(t, b, 1, main, swap("roll = 38", "roll = 39"))
	put(t, b, 1, "jobs/2026-03-02-harbour.toml", swap("at six", "at seven"))
	syncWith(t, a, "", 0, nil)
	out := syncWith(t, b, "", 1, nil)
	if !out.Sent || out.Merged == nil || out.Revision == "" || len(out.Came) != 1 || len(out.Went) != 2 || len(out.Merged.Taken) != 1 {
		t.Fatalf("%+v", out)
	}
	if got := transporttest.Git(t, b.Store.Root(), "log", "-1", "--format=%P|%an"); got != string(out.Went[0].ID)+" "+string(out.Came[0].ID)+"|Technician 1" {
		t.Error(got)
	}
	syncWith(t, a, "", 0, nil)
	if treeOf(t, a) != treeOf(t, b) {
		t.Fatal("not the same")
	}
	sound(t, a)
	sound(t, b)
	text, _ := a.Store.Work().Read(main)
	if !strings.Contains(string(text), "pan = 44\nroll = 39") {
		t.Errorf("%s", text)
	}
}

func TestSyncConflict(t *testing.T) {
	a, b, _, fps := shared(t, 1)
	main := preset.TunePath(fps[0], "main")
	put(t, a, 0, main, swap("pan = 41", "pan = 45"))
	syncWith(t, a, "", 0, nil)
	put(t, b, 1, main, swap("pan = 41", "pan = 39"))
	put(t, b, 1, main, swap("roll = 38", "roll = 36"))
	before := transporttest.Git(t, b.Store.Root(), "rev-parse", "HEAD")
	out := syncWith(t, b, "", 1, nil)
	if !out.Conflict() || out.Sent || transporttest.Git(t, b.Store.Root(), "rev-parse", "HEAD") != before {
		t.Fatalf("%+v", out)
	}
	c := out.Merged.Clashes[0]
	if c.Key != "stiffness.pan" || c.File != "build-0/main" || c.Base != int64(41) || c.Ours != int64(39) || c.Theirs != int64(45) ||
		c.OursBy == nil || c.OursBy.Who != person(1).String() || c.TheirsBy == nil || c.TheirsBy.Who != person(0).String() || c.Step == 0 {
		t.Errorf("%+v %+v %+v", c, c.OursBy, c.TheirsBy)
	}
	if c.OursBy != nil && string(c.OursBy.Revision) != transporttest.Git(t, b.Store.Root(), "rev-parse", "HEAD~1") {
		t.Error("the revision that only changed roll is named for pan")
	}
	sound(t, b)
	choose := func(ours, theirs, values []string) func() (*merge.Choices, error) {
		return func() (*merge.Choices, error) { return b.Merging().Choices(ours, theirs, values) }
	}
	if _, err := trySync(t, b, "", 1, choose(nil, nil, []string{"stiffness.pan=1000"})); err == nil {
		out, _ = trySync(t, b, "", 1, choose(nil, nil, []string{"stiffness.pan=1000"}))
		if !out.Conflict() {
			t.Error("a value off the dial settled it")
		}
	}
	if _, err := trySync(t, b, "", 1, choose([]string{"stiffness.tilt"}, nil, nil)); store.ExitClass(err) != 2 {
		t.Errorf("a settlement of nothing: %v", err)
	}
	out = syncWith(t, b, "", 1, choose(nil, nil, []string{"stiffness.pan=42"}))
	if out.Conflict() || !out.Sent {
		t.Fatalf("%+v", out)
	}
	syncWith(t, a, "", 0, nil)
	text, _ := a.Store.Work().Read(main)
	if !strings.Contains(string(text), "pan = 42\nroll = 36") || treeOf(t, a) != treeOf(t, b) {
		t.Errorf("%s", text)
	}
}

// TestSyncConflictSaysWho: who gave a value is said of a rig that was weighed anew since, and of two
// rigs with one alias.
func TestSyncConflictSaysWho(t *testing.T) {
	a, b, _, fps := shared(t, 1)
	main := preset.TunePath(fps[0], "main")
	put(t, a, 0, main, swap("pan = 41", "pan = 45"))
	put(t, a, 0, preset.RigPath(fps[0]), swap("mass_kg = 2.35", "mass_kg = 2.36")) // below the step of the fingerprint
	weighed := func(l *Library, i int) {
		path := filepath.Join(l.Store.Root(), preset.RigPath(fps[0]))
		text, err := os.ReadFile(path)
		if err == nil {
			err = os.WriteFile(path, []byte(strings.Replace(string(text), "mass_kg = 2.36", "mass_kg = 2.55", 1)), 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
		l.Names().forget()
		rr, err := l.Names().Find(fps[0])
		if err != nil {
			t.Fatal(err)
		}
		p, err := l.Plans().Save([]Target{RigTarget(rr)})
		if err != nil || len(p.Moves) != 1 {
			t.Fatal(p, err)
		}
		if _, err := l.Plans().Commit(syncCtx, p, "Significance", "", person(i), syncDay.Add(3*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	weighed(a, 2)
	fresh := func(l *Library, i int, mass float64) string {
		text := build("twin", "prime 30", mass)
		x, _ := preset.UncheckedRig("", []byte(text))
		fp := x.Fingerprint()
		put(t, l, i, preset.RigPath(fp), func(string) string { return text })
		return fp
	}
	fresh(a, 3, 1.5)
	syncWith(t, a, "", 0, nil)
	put(t, b, 1, main, swap("pan = 41", "pan = 39"))
	fresh(b, 4, 1.7)
	out := syncWith(t, b, "", 1, nil)
	if !out.Conflict() || len(out.Merged.Clashes) != 2 {
		t.Fatalf("%+v", out.Merged)
	}
	for _, c := range out.Merged.Clashes {
		want := [2]int{4, 3}
		if c.Key == "stiffness.pan" {
			want = [2]int{1, 0}
		}
		if c.OursBy == nil || c.OursBy.Who != person(want[0]).String() || c.TheirsBy == nil || c.TheirsBy.Who != person(want[1]).String() {
			t.Errorf("%s of %s: %+v, %+v", c.Key, c.Path, c.OursBy, c.TheirsBy)
		}
	}
}

func TestSyncLeavesUnsavedEdits(t *testing.T) {
	a, b, _, fps := shared(t, 2)
	main, other := preset.TunePath(fps[0], "main"), preset.TunePath(fps[1], "main")
	put(t, a, 0, main, swap("pan = 41", "pan = 45"))
	syncWith(t, a, "", 0, nil)
	edit := func(path, text string) {
		if err := os.WriteFile(filepath.Join(b.Store.Root(), path), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	mine := strings.Replace(tune(fps[0]), "pan = 41", "pan = 99", 1)
	edit(main, mine)
	for range 2 { // forward, then as a merge
		_, err := trySync(t, b, "", 1, nil)
		if !errors.Is(err, store.ErrChanged) || !strings.Contains(err.Error(), main) {
			t.Fatal(err)
		}
		if text, _ := b.Store.Work().Read(main); string(text) != mine {
			t.Fatal("the edit is gone")
		}
		put(t, b, 1, other, swap("roll = 38", "roll = 37"))
	}
	edit(main, tune(fps[0]))
	edit(other, "not even saved\n")
	edit("notes.txt", "mine\n")
	syncWith(t, b, "", 1, nil)
	if text, _ := b.Store.Work().Read(other); string(text) != "not even saved\n" {
		t.Fatal("an edit that was not in the way is gone")
	}
}

func TestSyncDryRun(t *testing.T) {
	a, b, bare, fps := shared(t, 1)
	main := preset.TunePath(fps[0], "main")
	put(t, a, 0, main, swap("pan = 41", "pan = 45"))
	syncWith(t, a, "", 0, nil)
	for i := range 2 {
		ref, _ := b.Remotes().Find("")
		before := transporttest.Git(t, b.Store.Root(), "rev-parse", "HEAD") + transporttest.Git(t, bare, "rev-parse", "main")
		out, err := b.Remotes().Run(syncCtx, dialTest(t, bare), SyncOptions{Remote: ref, Who: person(1), Now: func() time.Time { return syncDay }, DryRun: true})
		if err != nil || len(out.Came) != 1 || len(out.Went) != i || out.Sent || (out.Merged != nil) != (i == 1) {
			t.Fatalf("%d: %+v %v", i, out, err)
		}
		if before != transporttest.Git(t, b.Store.Root(), "rev-parse", "HEAD")+transporttest.Git(t, bare, "rev-parse", "main") {
			t.Fatal("something moved")
		}
		put(t, b, 1, main, swap("roll = 38", "roll = 39"))
	}
}

// crowded is a remote on which someone else is quicker a few times.
type crowded struct {
	transport.Remote
	times int
	other func()
}

func (c *crowded) Push(ctx context.Context, l *store.Lib, p transport.Push) (int, error) {
	if c.times > 0 {
		c.times--
		c.other()
	}
	return c.Remote.Push(ctx, l, p)
}

func TestSyncBeginsAnew(t *testing.T) {
	a, b, bare, fps := shared(t, 2)
	n := 0
	other := func() {
		n++
		put(t, a, 0, preset.TunePath(fps[0], "main"), func(s string) string { return strings.Replace(s, "note = \"", fmt.Sprintf("note = \"%d ", n), 1) })
		syncWith(t, a, "", 0, nil)
	}
	put(t, b, 1, preset.TunePath(fps[1], "main"), swap("pan = 41", "pan = 40"))
	ref, _ := b.Remotes().Find("")
	opt := SyncOptions{Remote: ref, Who: person(1), Now: func() time.Time { return syncDay }}
	out, err := b.Remotes().Run(syncCtx, &crowded{dialTest(t, bare), 3, other}, opt)
	if err != nil || out.Tries != 4 || !out.Sent {
		t.Fatalf("%+v %v", out, err)
	}
	put(t, b, 1, preset.TunePath(fps[1], "main"), swap("pan = 40", "pan = 39"))
	if _, err := b.Remotes().Run(syncCtx, &crowded{dialTest(t, bare), 100, other}, opt); !errors.Is(err, store.ErrBusy) {
		t.Fatal(err)
	}
	syncWith(t, b, "", 1, nil)
	syncWith(t, a, "", 0, nil)
	if treeOf(t, a) != treeOf(t, b) {
		t.Fatal("not the same")
	}
	sound(t, b)
}

func TestSyncRefuses(t *testing.T) {
	a, _ := newLibrary(t, 1)
	stranger, _ := newLibrary(t, 2)
	put(t, stranger, 1, "library.toml", swap("prep bay", "another"))
	if _, err := trySync(t, stranger, bareOf(t, a), 1, nil); !errors.Is(err, store.ErrDiverged) || !strings.Contains(err.Error(), "share no history") {
		t.Error(err)
	}
	// A repository that is not a library, one on another branch, and one of a newer format.
	base := t.TempDir()
	odd := transporttest.Bare(t, base, "odd.git")
	work := filepath.Join(base, "work")
	transporttest.Git(t, base, "clone", "-q", odd, work)
	transporttest.Save(t, work, "x.txt", "x\n", "x")
	if _, err := trySync(t, stranger, odd, 1, nil); !errors.Is(err, store.ErrForeign) {
		t.Error(err)
	}
	if _, err := Clone(syncCtx, filepath.Join(base, "copy"), dialTest(t, odd), odd, schema.Default(), store.Options{}, person(1), syncDay); !errors.Is(err, store.ErrForeign) {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(base, "copy")); err == nil {
		t.Error("a failed copy left its folder")
	}
	transporttest.Save(t, work, "library.toml", "format = 99\nkind = \"library\"\nname = \"x\"\n", "y")
	before := transporttest.Git(t, stranger.Store.Root(), "rev-parse", "HEAD")
	if _, err := trySync(t, stranger, odd, 1, nil); len(file.List(err)) == 0 || !strings.Contains(err.Error(), "format") {
		t.Error(err)
	}
	if transporttest.Git(t, stranger.Store.Root(), "rev-parse", "HEAD") != before {
		t.Error("moved")
	}
	transporttest.Git(t, odd, "branch", "-m", "main", "master")
	if _, err := trySync(t, stranger, odd, 1, nil); !errors.Is(err, store.ErrNotFound) || !strings.Contains(err.Error(), "no branch main; it has master") {
		t.Error(err)
	}
	if _, err := Clone(syncCtx, filepath.Join(base, "copy"), dialTest(t, transporttest.Bare(t, base, "empty.git")), "x", schema.Default(), store.Options{}, person(1), syncDay); !errors.Is(err, store.ErrNotFound) {
		t.Error(err)
	}
	if _, err := stranger.Remotes().Find(""); !errors.Is(err, store.ErrNotFound) {
		t.Error(err)
	}
	transporttest.Git(t, stranger.Store.Root(), "checkout", "-q", "--detach")
	if _, err := stranger.Remotes().Find(""); !errors.Is(err, store.ErrUnfinished) {
		t.Error(err)
	}
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "x"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	bare := bareOf(t, a)
	if _, err := Clone(syncCtx, full, dialTest(t, bare), bare, schema.Default(), store.Options{}, person(1), syncDay); !errors.Is(err, store.ErrChanged) {
		t.Error(err)
	}
}

// TestCrissCross merges two sides that have merged each other, several times.
func TestCrissCross(t *testing.T) {
	a, b, _, fps := shared(t, 1)
	main := preset.TunePath(fps[0], "main")
	fetch := func(into, from *Library, tip store.Rev) {
		ref := dialTest(t, from.Store.Root())
		if _, err := ref.Refs(syncCtx); err != nil {
			t.Fatal(err)
		}
		if _, err := ref.Fetch(syncCtx, into.Store, []store.Rev{tip}, nil); err != nil {
			t.Fatal(err)
		}
	}
	mergeIn := func(l *Library, i int, theirs store.Rev) store.Rev {
		head, _ := l.Store.Head()
		m, err := l.Merging().Merge(head, theirs, nil)
		if err != nil || len(m.Clashes) > 0 {
			t.Fatalf("%+v %v", m, err)
		}
		id, err := l.Merging().CommitMerge(syncCtx, m, "Merge", "", person(i), syncDay.Add(2*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	for round := range 3 {
		x := put(t, a, 0, main, swap(fmt.Sprintf("pan = %d", 41+round), fmt.Sprintf("pan = %d", 42+round)))
		y := put(t, b, 1, main, swap(fmt.Sprintf("tilt = %d", 47+round), fmt.Sprintf("tilt = %d", 48+round)))
		fetch(a, b, y)
		fetch(b, a, x)
		mergeIn(a, 0, y)
		mergeIn(b, 1, x)
		if bases, _ := a.Store.Revisions().MergeBase(x, y); len(bases) == 0 {
			t.Fatal("no base")
		}
	}
	bh, _ := b.Store.Head()
	fetch(a, b, bh)
	ah, _ := a.Store.Head()
	bases, err := a.Store.Revisions().MergeBase(ah, bh)
	if err != nil || len(bases) < 2 {
		t.Fatalf("%d bases: this is no criss-cross", len(bases))
	}
	// A value that one side then changes is not a conflict, although the bases differ in it.
	put(t, a, 0, main, swap("pan = 44", "pan = 50"))
	mergeIn(a, 0, bh)
	text, _ := a.Store.Work().Read(main)
	if !strings.Contains(string(text), "pan = 50\nroll = 38\ntilt = 50") {
		t.Errorf("%s", text)
	}
	// One that both change is.
	put(t, b, 1, main, swap("pan = 44", "pan = 30"))
	bh, _ = b.Store.Head()
	fetch(a, b, bh)
	ah, _ = a.Store.Head()
	m, err := a.Merging().Merge(ah, bh, nil)
	if err != nil || len(m.Clashes) != 1 || m.Clashes[0].Key != "stiffness.pan" {
		t.Errorf("%+v %v", m, err)
	}
	sound(t, a)
}

// TestTenClones has ten people change one library at random and sync in random order through one
// shared repository: in the end all have the same, and nothing that was saved is lost.
func TestTenClones(t *testing.T) {
	rounds, seeds := 5, 1
	if os.Getenv("RIGKEEP_STORM") != "" {
		rounds, seeds = 40, 8
	}
	for seed := range seeds {
		tenClones(t, uint64(seed)+1, rounds)
	}
}

func tenClones(t *testing.T, seed uint64, rounds int) {
	r := rand.New(rand.NewPCG(seed, 99))
	first, _ := newLibrary(t, 2)
	bare := bareOf(t, first)
	clones := []*Library{first}
	for i := 1; i < 10; i++ {
		clones = append(clones, cloneOf(t, bare, i))
	}
	conflicts, merges, moves := 0, 0, 0
	words := map[string]bool{} // every remark and note line that anybody saved
	var saved []store.Rev
	change := func(i int) {
		l := clones[i]
		rigs, err := l.Names().Rigs()
		if err != nil || len(rigs) == 0 {
			t.Fatal(err)
		}
		rr := rigs[r.IntN(len(rigs))]
		main := preset.TunePath(rr.Fingerprint, "main")
		word := fmt.Sprintf("t%d-%d", i, r.IntN(1_000_000))
		doc := func(path string, fn func(d *file.Doc) (*file.Doc, error)) {
			saved = append(saved, put(t, l, i, path, func(s string) string {
				d, err := file.Parse(path, []byte(s))
				if err == nil {
					d, err = fn(d)
				}
				if err != nil {
					t.Fatalf("%s: %v", path, err)
				}
				return string(d.Text())
			}))
		}
		switch r.IntN(8) {
		case 0, 1:
			key := []string{"stiffness.pan", "filters.drive", "stiffness.roll", "filters.sensing", "stiffness.tilt"}[r.IntN(5)]
			doc(main, func(d *file.Doc) (*file.Doc, error) {
				words[word] = true
				d, err := d.AddComment(key, word, false)
				if err != nil {
					return nil, err
				}
				return d.Set(key, 1+r.IntN(8))
			})
		case 2:
			doc(main, func(d *file.Doc) (*file.Doc, error) {
				words[word] = true
				v, _ := d.Get("note")
				return d.Set("note", fmt.Sprint(v)+"\n"+word)
			})
		case 3:
			doc(main, func(d *file.Doc) (*file.Doc, error) {
				return d.Set(fmt.Sprintf("follow.s%d.deadband.pan", r.IntN(5)), 2+r.IntN(9))
			})
		case 4:
			doc("jobs/2026-03-02-harbour.toml", func(d *file.Doc) (*file.Doc, error) {
				words[word] = true
				return d.Append("shot", file.Table{{Key: "name", Value: word}, {Key: "lens_mm", Value: 20 + r.IntN(60)}})
			})
		case 5: // another lens mass: the rig moves
			path := filepath.Join(l.Store.Root(), preset.RigPath(rr.Fingerprint))
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			d, err := file.Parse(path, text)
			if err == nil {
				k := fmt.Sprintf("part[%d].mass_kg", r.IntN(2))
				v, _ := d.Get(k)
				f, _ := schema.Number(v)
				d, err = d.Set(k, f+0.01*float64(1+r.IntN(5)))
			}
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, d.Text(), 0o666); err != nil {
				t.Fatal(err)
			}
			l.Names().forget()
			p, err := l.Plans().Save([]Target{RigTarget(rr)})
			if err != nil {
				if !strings.Contains(err.Error(), "in the library already") { // somebody else has that build
					t.Fatal(err)
				}
				if err := os.WriteFile(path, text, 0o666); err != nil {
					t.Fatal(err)
				}
				l.Names().forget()
				return
			}
			id, err := l.Plans().Commit(syncCtx, p, "Significance", "", person(i), syncDay.Add(time.Hour))
			if err != nil {
				t.Fatal(err)
			}
			moves += len(p.Moves)
			saved = append(saved, id)
		case 6: // a new build
			words[word] = true
			text := build(word, fmt.Sprintf("prime %d", 20+r.IntN(3)), 0.5+float64(r.IntN(30))/10)
			x, _ := preset.UncheckedRig("", []byte(text))
			fp := x.Fingerprint()
			if _, err := l.Store.Work().Read(preset.RigPath(fp)); err == nil {
				delete(words, word)
				return
			}
			saved = append(saved, put(t, l, i, preset.RigPath(fp), func(string) string { return text }))
			saved = append(saved, put(t, l, i, preset.TunePath(fp, "main"), func(string) string { return tune(fp) }))
		case 7:
			doc("library.toml", func(d *file.Doc) (*file.Doc, error) {
				words[word] = true
				return d.AddComment("units", word, false)
			})
		}
	}
	syncOne := func(i int) {
		l := clones[i]
		out, err := trySync(t, l, "", i, nil)
		if err != nil {
			t.Fatalf("seed %d, clone %d: %v", seed, i, err)
		}
		for try := 0; out.Conflict(); try++ {
			conflicts++
			if try > 4 {
				t.Fatalf("seed %d: cannot be settled: %+v", seed, out.Merged.Clashes)
			}
			var ours, theirs, values []string
			for _, c := range out.Merged.Clashes {
				name := c.Path
				if c.Key != "" {
					name += ":" + c.Key
				}
				if c.Key == "alias" && c.Ours != nil && c.Theirs != nil && c.Ours != c.Theirs { // one rig, two names, new, renamed or weighed anew on one side: both are words of ours
					values = append(values, fmt.Sprintf("%s=%v.%v", name, c.Ours, c.Theirs))
				} else if r.IntN(2) == 0 {
					ours = append(ours, name)
				} else {
					theirs = append(theirs, name)
				}
			}
			out, err = trySync(t, l, "", i, func() (*merge.Choices, error) { return l.Merging().Choices(ours, theirs, values) })
			if err != nil {
				t.Fatalf("seed %d, clone %d: %v (%v %v)", seed, i, err, ours, theirs)
			}
		}
		if out.Merged != nil {
			merges++
		}
	}
	for range rounds {
		for _, i := range r.Perm(len(clones)) {
			for range r.IntN(3) {
				change(i)
			}
			if r.IntN(3) > 0 {
				syncOne(i)
			}
		}
	}
	for range 2 {
		for i := range clones {
			syncOne(i)
		}
	}
	want := treeOf(t, clones[0])
	for i, l := range clones {
		if treeOf(t, l) != want {
			t.Errorf("seed %d: clone %d has another tree", seed, i)
		}
	}
	sound(t, clones[r.IntN(len(clones))])
	transporttest.Git(t, bare, "fsck", "--strict")
	// Every save is in the history that all have now, and what no conflict was about is in the files.
	l := clones[0]
	log, err := l.Store.Revisions().Log("", 0)
	if err != nil {
		t.Fatal(err)
	}
	have := map[store.Rev]bool{}
	for _, c := range log {
		have[c.ID] = true
	}
	for _, id := range saved {
		if id != "" && !have[id] {
			t.Errorf("seed %d: the save %s is not in history", seed, id)
		}
	}
	var all strings.Builder
	paths, err := l.Store.Work().List("")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range paths {
		text, err := l.Store.Work().Read(p)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(text)
	}
	for w := range words {
		if !strings.Contains(all.String(), w) {
			t.Errorf("seed %d: %s is lost", seed, w)
		}
	}
	t.Logf("seed %d: %d saves, %d merges, %d moves, %d conflicts, %d words", seed, len(saved), merges, moves, conflicts, len(words))
	if merges < 5 || !slices.ContainsFunc(saved, func(id store.Rev) bool { return id != "" }) {
		t.Error("too little happened")
	}
}

// TestSyncHelper is the process that TestSyncKilled kills.
func TestSyncHelper(t *testing.T) {
	dir := os.Getenv("RIGKEEP_SYNC_HELPER")
	if dir == "" {
		t.Skip("runs only as a child of TestSyncKilled")
	}
	if os.Getenv("RIGKEEP_SYNC_CLONE") != "" {
		bare := os.Getenv("RIGKEEP_SYNC_CLONE")
		if _, err := Clone(syncCtx, dir, dialTest(t, bare), bare, schema.Default(), store.Options{}, person(1), syncDay); err != nil {
			t.Fatal(err)
		}
		return
	}
	syncWith(t, open(t, dir), "", 1, nil)
}

// TestSyncKilled kills a sync at random moments: afterwards nothing that was saved is missing on
// either side, plain git finds no fault, and the next sync completes and leaves nothing behind.
func TestSyncKilled(t *testing.T) {
	rounds := 12
	if os.Getenv("RIGKEEP_STORM") != "" {
		rounds = 400
	}
	r := rand.New(rand.NewPCG(5, 6))
	a, b, bare, fps := shared(t, 3)
	helper := func(dir string, env ...string) *exec.Cmd {
		c := exec.Command(os.Args[0], "-test.run=^TestSyncHelper$")
		c.Env = append(os.Environ(), append(env, "RIGKEEP_SYNC_HELPER="+dir)...)
		return c
	}
	temps := func(dir string) {
		t.Helper()
		err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
			if err == nil && (strings.Contains(d.Name(), "tmp_") || strings.HasSuffix(d.Name(), ".lock") && d.Name() != "history.lock") { // that one stays: the system says who holds it
				t.Errorf("left behind: %s", p)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	whole := 60 * time.Millisecond
	killed := 0
	for i := range rounds {
		one := put(t, a, 0, preset.TunePath(fps[0], "main"), func(s string) string { return s + fmt.Sprintf("# a %d\n", i) })
		syncWith(t, a, "", 0, nil)
		two := put(t, b, 1, preset.TunePath(fps[1], "main"), func(s string) string { return s + fmt.Sprintf("# b %d\n", i) })
		c := helper(b.Store.Root())
		start := time.Now()
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(r.Int64N(int64(whole))))
		_ = c.Process.Kill()
		if c.Wait() == nil {
			whole = (whole*3 + time.Since(start)) / 4
		} else {
			killed++
		}
		transporttest.Git(t, b.Store.Root(), "fsck", "--strict", "--no-dangling")
		transporttest.Git(t, bare, "fsck", "--strict", "--no-dangling")
		b = open(t, b.Store.Root())
		for _, id := range []store.Rev{two} {
			if ok, err := b.Store.Revisions().IsAncestor(id, mustHead(t, b)); !ok || err != nil {
				t.Fatalf("round %d: the save %s is gone from here: %v", i, id, err)
			}
		}
		transporttest.Git(t, bare, "merge-base", "--is-ancestor", string(one), "main")
		syncWith(t, b, "", 1, nil)
		sound(t, b)
		transporttest.Git(t, bare, "merge-base", "--is-ancestor", string(two), "main")
		temps(filepath.Join(b.Store.Root(), ".git"))
		temps(bare)
		syncWith(t, a, "", 0, nil)
		if treeOf(t, a) != treeOf(t, b) {
			t.Fatal("not the same")
		}
	}
	// A first copy.
	for i := range rounds / 2 {
		dir := filepath.Join(fast(t), "copy")
		c := helper(dir, "RIGKEEP_SYNC_CLONE="+bare)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(r.Int64N(int64(whole))))
		_ = c.Process.Kill()
		if c.Wait() != nil {
			killed++
			if _, err := os.Stat(filepath.Join(dir, ".git")); err == nil {
				sound(t, open(t, dir)) // the last step was done
				continue
			}
		} else {
			sound(t, open(t, dir))
			continue
		}
		// Files may have come to their place before .git did; a person would clear them away.
		if _, err := os.Stat(filepath.Join(dir, "library.toml")); err == nil {
			continue
		}
		l, err := Clone(syncCtx, dir, dialTest(t, bare), bare, schema.Default(), store.Options{}, person(1), syncDay)
		if err != nil {
			t.Fatalf("round %d: %v", i, err)
		}
		sound(t, l)
		temps(dir)
	}
	t.Logf("%d of %d killed in the middle", killed, rounds+rounds/2)
	if killed < rounds/4 {
		t.Error("hardly any was killed in the middle")
	}
}

func mustHead(t testing.TB, l *Library) store.Rev {
	t.Helper()
	id, err := l.Store.Head()
	if err != nil {
		t.Fatal(err)
	}
	return id
}
