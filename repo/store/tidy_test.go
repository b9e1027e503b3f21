package store

import (
	"errors"
	"fmt"
	"math/rand"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/disk/disktest"
)

func TestTidy(t *testing.T) {
	l := freshLib(t)
	for i := range 30 {
		edit(t, l, "rigs/aa/x/main.toml", fmt.Sprintf("pan = %d\n%s", i, strings.Repeat("roll = 1\n", 40)), "Step")
	}
	old := must(Open(l.Root()))(t) // a reader that was there before
	if _, err := old.Revisions().ReadAt(must(old.Head())(t), "rigs/aa/x/main.toml"); err != nil {
		t.Fatal(err)
	}
	before := stateOf(t, l.Root())
	n, err := l.Tidy(ctx)
	if err != nil || n < 150 {
		t.Fatal(n, err)
	}
	agrees(t, l.Root())
	if out := git(t, l.Root(), "count-objects", "-v"); !strings.Contains(out, "count: 0\n") || !strings.Contains(out, "packs: 1\n") || !strings.Contains(out, "garbage: 0") {
		t.Fatal(out)
	}
	for _, r := range must(old.History().Of("rigs/aa/x/main.toml", 0))(t) {
		if _, err := old.Revisions().ReadAt(r.ID, "rigs/aa/x/main.toml"); err != nil {
			t.Fatal(err)
		}
	}
	if now := stateOf(t, l.Root()); !now.same(before) {
		t.Fatal("Tidy changed the library")
	}
	if n, err := l.Tidy(ctx); n != 0 || err != nil {
		t.Fatal(n, err)
	}
	edit(t, l, "rigs/aa/x/main.toml", "pan = 99\n", "After")
	agrees(t, l.Root())
	// An object that is not what its id says stops the work, and stays where git finds it.
	loose, _ := filepath.Glob(filepath.Join(l.Root(), ".git", "objects", "??", "*"))
	if err := os.Chmod(loose[0], 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(loose[0], []byte("not zlib"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Tidy(ctx); !errors.Is(err, ErrDamaged) {
		t.Fatal(err)
	}
	if _, err := os.Stat(loose[0]); err != nil {
		t.Fatal(err)
	}
}

// TestTidyByItself: saves pack what they leave, and join the packs that this makes; git agrees, and
// a reader that was there before reads on.
func TestTidyByItself(t *testing.T) {
	was := tidyAt
	tidyAt = 255 // two files in the folder that is counted
	t.Cleanup(func() { tidyAt = was })
	l := freshLib(t)
	edit(t, l, "rigs/aa/x/main.toml", "pan = 1\n", "First")
	old := must(Open(l.Root()))(t)
	first := must(old.Head())(t)
	must(old.Revisions().ReadAt(first, "rigs/aa/x/main.toml"))(t)
	packs := func() []string {
		return must(filepath.Glob(filepath.Join(l.Root(), ".git", "objects", "pack", "*.pack")))(t)
	}
	saves := 0
	step := func() {
		saves++
		edit(t, l, "rigs/aa/x/main.toml", fmt.Sprintf("pan = %d\nroll = %d\n", saves, saves%7), "Step")
	}
	for len(packs()) == 0 {
		if step(); saves > 600 {
			t.Fatal("saves never pack what they leave")
		}
	}
	tidied := func() (joins int) { // as often as makes packs enough to be joined
		last := len(packs())
		for range 14 {
			step()
			must(l.Tidy(ctx))(t)
			if len(packs()) < last {
				joins++
			}
			if last = len(packs()); last > 13 {
				t.Fatal(last, "packs")
			}
		}
		return joins
	}
	if tidied() == 0 {
		t.Fatal("packs are never joined")
	}
	agrees(t, l.Root())
	for _, lib := range []*Lib{old, must(Open(l.Root()))(t)} {
		revs := must(lib.History().Of("rigs/aa/x/main.toml", 0))(t)
		if len(revs) != saves+1 {
			t.Fatal(len(revs))
		}
		for _, r := range revs {
			must(lib.Revisions().ReadAt(r.ID, "rigs/aa/x/main.toml"))(t)
		}
	}
	// What somebody asked to keep stays.
	kept := packs()[0]
	if err := os.WriteFile(strings.TrimSuffix(kept, ".pack")+".keep", nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if tidied() == 0 {
		t.Fatal("packs are never joined")
	}
	if _, err := os.Stat(kept); err != nil {
		t.Fatal(err)
	}
	agrees(t, l.Root())
}

// manyPacked is a library in which one more pack lets all be joined.
func manyPacked(t testing.TB) string {
	base := small(t, &change{})
	for i := range 11 {
		l := must(Open(base))(t)
		edit(t, l, "rigs/aa/x/main.toml", fmt.Sprintf("pan = %d\n", 10+i), "Step")
		must(l.Tidy(ctx))(t)
	}
	edit(t, must(Open(base))(t), "rigs/aa/x/main.toml", "pan = 90\n", "Loose")
	return base
}

// TestMapsAreGivenBack: a process that opens a library again and again does not run out of maps.
func TestMapsAreGivenBack(t *testing.T) {
	if _, err := os.Stat("/proc/self/maps"); err != nil {
		t.Skip("the system does not say what is mapped")
	}
	dir := manyPacked(t)
	maps := func() int {
		text, err := os.ReadFile("/proc/self/maps")
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(string(text), dir)
	}
	opens := 200
	for range opens {
		l := must(Open(dir))(t)
		must(l.Revisions().ReadAt(must(l.Head())(t), "rigs/aa/x/main.toml"))(t)
	}
	for try := 0; maps() > opens; try++ { // 22 for each if none were given back
		if try > 100 {
			t.Fatalf("%d maps are left of %d opens", maps(), opens)
		}
		runtime.GC()
		time.Sleep(10 * time.Millisecond)
	}
}

// TestTidyPowerLoss: whatever of packing and joining has reached the disk when power is lost, each
// object is there.
func TestTidyPowerLoss(t *testing.T) {
	dir := manyPacked(t)
	before := stateOf(t, dir)
	f, err := disktest.NewForgetful(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := must(OpenWith(dir, Options{fs: f}))(t).Tidy(ctx); err != nil {
		t.Fatal(err)
	}
	f.End()
	if out := git(t, dir, "count-objects", "-v"); !strings.Contains(out, "packs: 1\n") {
		t.Fatal(out)
	}
	rnd := rand.New(rand.NewSource(7))
	for k, s := range f.Snaps {
		for _, luck := range []float64{0, 0.5, 0.9} {
			// Not all, even in the long form: what is mapped of each library stays so until the end.
			if rare := map[bool]int{false: 12, true: 2}[long]; k != len(f.Snaps)-1 && rnd.Intn(rare) != 0 {
				continue
			}
			got := filepath.Join(t.TempDir(), "lib")
			if err := s.Lose(got, rnd, luck); err != nil {
				t.Fatal(err)
			}
			what := fmt.Sprintf("power lost before step %d of %d (%s), luck %.1f", k, len(f.Snaps), s.What, luck)
			if now := stateOf(t, got); !now.same(before) {
				t.Fatal(what)
			}
			if out := git(t, got, "fsck", "--strict", "--no-dangling"); out != "" {
				t.Fatalf("%s: fsck: %s", what, out)
			}
			nextWorks(t, got, what)
		}
	}
}

// TestJoinLeaves: what somebody asked to keep, what a server vouches for, and packs over which git
// keeps an index are not joined.
func TestJoinLeaves(t *testing.T) {
	for _, ext := range []string{".keep", ".promisor"} {
		dir := manyPacked(t)
		must(must(Open(dir))(t).store.PackLoose(nil))(t)
		packs, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.pack"))
		if err := os.WriteFile(strings.TrimSuffix(packs[3], ".pack")+ext, nil, 0o666); err != nil {
			t.Fatal(err)
		}
		l := must(Open(dir))(t)
		edit(t, l, "rigs/aa/x/main.toml", "pan = 91\n", "One more") // else there are too few without it
		must(l.Tidy(ctx))(t)
		left, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.pack"))
		if len(left) != 2 || !slices.Contains(left, packs[3]) {
			t.Errorf("%s: %v", ext, left)
		}
		agrees(t, dir)
	}
	dir := manyPacked(t)
	git(t, dir, "multi-pack-index", "write")
	must(must(Open(dir))(t).Tidy(ctx))(t)
	if left, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.pack")); len(left) != 12 {
		t.Errorf("%d packs are left of those in git's index over several", len(left))
	}
	agrees(t, dir)
	git(t, dir, "multi-pack-index", "verify")
}

// TestTidyFaults interrupts the packing at each step: nothing may ever be missing.
func TestTidyFaults(t *testing.T) {
	base := manyPacked(t)
	before := stateOf(t, base)
	count := &disktest.Faulty{Inner: disk.OS{}}
	tidied := duplicate(t, base)
	if _, err := must(OpenWith(tidied, Options{fs: count}))(t).Tidy(ctx); err != nil {
		t.Fatal(err)
	}
	if out := git(t, tidied, "count-objects", "-v"); !strings.Contains(out, "packs: 1\n") {
		t.Fatal(out)
	}
	for at := 1; at <= count.Steps(); at++ {
		for mode := disktest.Fail; mode <= disktest.DieShort; mode++ {
			if !long && (at+int(mode))%37 != 0 {
				continue
			}
			dir := duplicate(t, base)
			f := &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: mode, Err: syscall.ENOSPC}
			l, err := OpenWith(dir, Options{fs: f})
			if err == nil {
				_, err = l.Tidy(ctx)
			}
			what := fmt.Sprintf("step %d, mode %d (%s): %v", at, mode, f.What, err)
			if now := stateOf(t, dir); !now.same(before) {
				t.Fatal(what)
			}
			if out := git(t, dir, "fsck", "--strict", "--no-dangling"); out != "" {
				t.Fatalf("%s: %s", what, out)
			}
			if n, err := must(Open(dir))(t).Tidy(ctx); err != nil {
				t.Fatal(what, n, err)
			}
			nextWorks(t, dir, what)
		}
	}
}

// TestReadOnly reads a library on a disk that takes no write at all.
func TestReadOnly(t *testing.T) {
	for _, errno := range []error{syscall.EROFS, syscall.EACCES, syscall.ENOSPC, syscall.EDQUOT} {
		base := small(t, &change{})
		put(t, must(Open(base))(t), "rigs/aa/x/main.toml", "pan = 2\n")
		l, err := OpenWith(base, Options{fs: &disktest.Faulty{Inner: disk.OS{}, At: 1, Mode: disktest.FailOn, Err: errno}, LockWait: 50 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		if revs, err := l.History().Of("rigs/aa/x/main.toml", 0); err != nil || len(revs) != 1 {
			t.Fatal(revs, err)
		}
		list, err := l.Work().Summaries(SummaryOptions{Name: "x", Version: "1", Extract: func(_ string, data []byte) string { return string(data) }})
		if err != nil || len(list) != 4 || list[2].Value != "pan = 2\n" {
			t.Fatal(list, err)
		}
		if ch, err := l.Work().Status(); err != nil || len(ch) != 1 {
			t.Fatal(ch, err)
		}
		before := stateOf(t, base)
		for name, try := range map[string]func() error{
			"save": func() error {
				return saved(l, request("x", false, File{Path: "rigs/aa/x/main.toml", Data: []byte("pan = 2\n")}))
			},
			"write":  func() error { return l.Work().WriteFile(ctx, "n.toml", []byte("x"), nil) },
			"remove": func() error { return l.RemoveFile(ctx, "rigs/bb/y/main.toml", []byte("pan = 1\n")) },
		} {
			err := try()
			want := map[error]string{syscall.EROFS: "read-only", syscall.EACCES: "permission", syscall.ENOSPC: "full", syscall.EDQUOT: "quota"}[errno]
			exit := 6
			if errno == syscall.EACCES {
				exit = 4 // refused, not unreachable
			}
			if !errors.Is(err, ErrDevice) || ExitClass(err) != exit || !strings.Contains(err.Error(), want) {
				t.Errorf("%s with %v: %v", name, errno, err)
			}
		}
		if !stateOf(t, base).same(before) {
			t.Errorf("%v: the library changed", errno)
		}
	}
}

// TestReadFaults lets each single look at the disk fail during a save: a file that vanished
// between two steps, or a disk that cannot read.
func TestReadFaults(t *testing.T) {
	for i := range changes {
		c := &changes[i]
		base := small(t, c)
		before := stateOf(t, base)
		done := duplicate(t, base)
		count := &disktest.Faulty{Inner: disk.OS{}}
		if err := c.run(must(OpenWith(done, Options{fs: count}))(t)); err != nil {
			t.Fatal(err)
		}
		after := stateOf(t, done)
		for at := 1; at <= count.Reads(); at++ {
			if !long && (at+i)%9 != 0 {
				continue
			}
			errno := []error{syscall.ENOENT, syscall.EIO}[at%2]
			dir := duplicate(t, base)
			l, err := OpenWith(dir, Options{fs: &disktest.Faulty{Inner: disk.OS{}, ReadAt: at, ReadErr: errno}, LockWait: 300 * time.Millisecond})
			if err == nil {
				err = c.run(l)
			}
			what := fmt.Sprintf("%s: look %d of %d fails with %v: %v", c.name, at, count.Reads(), errno, err)
			now := stateOf(t, dir)
			if err == nil && !now.same(after) || err != nil && !now.same(before) && !strings.Contains(err.Error(), "half-way") {
				t.Fatalf("%s\n%+v", what, now)
			}
			nextWorks(t, dir, what)
		}
	}
}
