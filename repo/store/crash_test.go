package store

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/disk/disktest"
)

// long says whether the long form of the storms was asked for.
var long = os.Getenv("RIGKEEP_STORM") != ""

// change is one changing command on a small library, as the crash tests see it.
type change struct {
	name string
	prep func(t testing.TB, l *Lib)
	run  func(l *Lib) error
}

func request(subject string, work bool, files ...File) SaveRequest {
	return SaveRequest{Files: files, Subject: subject, Author: bCam, When: start.Add(24 * time.Hour), WriteWork: work}
}

func saved(l *Lib, q SaveRequest) error {
	_, err := l.Writer().Save(ctx, q)
	return err
}

var side Rev // where the advance scenario goes; set by its prep

var changes = []change{
	{name: "save an edit", prep: func(t testing.TB, l *Lib) { put(t, l, "rigs/aa/x/main.toml", "pan = 2\n") }, run: func(l *Lib) error {
		return saved(l, request("Edit", false, File{Path: "rigs/aa/x/main.toml", Data: []byte("pan = 2\n")}))
	}},
	{name: "save a new file", prep: func(t testing.TB, l *Lib) { put(t, l, "rigs/cc/z/main.toml", "pan = 5\n") }, run: func(l *Lib) error {
		return saved(l, request("New", false, File{Path: "rigs/cc/z/main.toml", Data: []byte("pan = 5\n")}))
	}},
	{name: "restore", run: func(l *Lib) error {
		return saved(l, request("Restore", true, File{Path: "rigs/aa/x/main.toml", Data: []byte("pan = 0\n")},
			File{Path: "rigs/bb/y/main.toml", Delete: true}, File{Path: "rigs/dd/w/main.toml", Data: []byte("pan = 7\n")}))
	}},
	{name: "replace an edit", prep: func(t testing.TB, l *Lib) { put(t, l, "rigs/aa/x/main.toml", "pan = 9 # by hand\n") }, run: func(l *Lib) error {
		q := request("Replace", true, File{Path: "rigs/aa/x/main.toml", Data: []byte("pan = 3\n")})
		q.Seen = map[string]BlobID{"rigs/aa/x/main.toml": BlobIDOf([]byte("pan = 9 # by hand\n"))}
		return saved(l, q)
	}},
	{name: "write a file", run: func(l *Lib) error {
		return l.Work().WriteFile(ctx, "rigs/aa/x/main.toml", []byte("pan = 4\n"), []byte("pan = 1\n"))
	}},
	{name: "write a new file", run: func(l *Lib) error {
		return l.Work().WriteFile(ctx, "rigs/ee/v/main.toml", []byte("pan = 4\n"), nil)
	}},
	{name: "remove a file", run: func(l *Lib) error {
		return l.RemoveFile(ctx, "rigs/bb/y/main.toml", []byte("pan = 1\n"))
	}},
	{name: "advance", prep: func(t testing.TB, l *Lib) {
		git(t, l.Root(), "checkout", "-q", "-b", "side")
		put(t, l, "rigs/aa/x/main.toml", "pan = 8\n")
		put(t, l, "rigs/ff/u/main.toml", "pan = 8\n")
		git(t, l.Root(), "rm", "-q", "rigs/bb/y/main.toml")
		git(t, l.Root(), "add", "-A")
		git(t, l.Root(), "commit", "-qm", "Side")
		side = Rev(git(t, l.Root(), "rev-parse", "HEAD"))
		git(t, l.Root(), "checkout", "-q", "main")
	}, run: func(l *Lib) error {
		id, err := l.Revisions().Resolve("side")
		if err != nil {
			return err
		}
		return l.Writer().Advance(ctx, id, aCam, start, "sync")
	}},
	{name: "set a ref", run: func(l *Lib) error {
		id, err := l.Head()
		if err != nil {
			return err
		}
		return l.SetRef(ctx, "refs/remotes/origin/main", "", id, aCam, start, "fetch")
	}},
	{name: "merge", prep: func(t testing.TB, l *Lib) {
		git(t, l.Root(), "checkout", "-q", "-b", "side")
		edit(t, must(Open(l.Root()))(t), "rigs/bb/y/main.toml", "pan = 8\n", "Side")
		git(t, l.Root(), "checkout", "-q", "main")
		edit(t, must(Open(l.Root()))(t), "rigs/aa/x/main.toml", "pan = 6\n", "Main")
	}, run: func(l *Lib) error {
		id, err := l.Revisions().Resolve("side")
		if err != nil {
			return err
		}
		q := request("Merge", true, File{Path: "rigs/bb/y/main.toml", Data: []byte("pan = 8\n")})
		q.Parents = []Rev{id}
		return saved(l, q)
	}},
	{name: "take in a history", run: func(l *Lib) error {
		b, err := ReadBundle(foreign().bundle, DefaultBundleLimits, nil)
		if err != nil {
			return err
		}
		q := request("Take in", true, File{Path: "rigs/aa/aaaa/main.toml", Data: []byte("v = 5\n")})
		q.With = b
		return saved(l, q)
	}},
	{name: "receive", run: func(l *Lib) error { // as a sync does
		if _, _, err := l.Exchange().Receive(ctx, bytes.NewReader(foreign().pack), nil); err != nil {
			return err
		}
		return l.SetRef(ctx, "refs/remotes/origin/main", "", foreign().tip, aCam, start, "fetch")
	}},
	{name: "settings", run: func(l *Lib) error {
		_, err := l.AddSettings(ctx, "remote", "origin", AddSetting{"url", "../house"})
		return err
	}},
	{name: "attributes", run: func(l *Lib) error {
		_, err := l.AddAttribute(ctx, "*.toml merge=rigkeep")
		return err
	}},
}

// foreign is a history from elsewhere, as a bundle and as a pack of more objects than are put
// down one by one.
var foreign = sync.OnceValue(func() (f struct {
	bundle, pack []byte
	tip          Rev
}) {
	dir, err := os.MkdirTemp("", "foreign")
	if err != nil {
		panic(err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	l, err := Init(filepath.Join(dir, "lib"), []File{{Path: "library.toml", Data: []byte("format = 1\n")}}, aCam, start)
	if err != nil {
		panic(err)
	}
	for i := range 30 {
		if f.tip, err = l.Writer().Save(ctx, request("Far", true, File{Path: "rigs/aa/aaaa/main.toml", Data: []byte(fmt.Sprintf("v = %d\n", i))})); err != nil {
			panic(err)
		}
	}
	b, err := l.Exchange().Extract(selection(f.tip))
	if err != nil {
		panic(err)
	}
	cmd := exec.Command("git", "pack-objects", "--stdout", "--revs", "--quiet")
	cmd.Dir, cmd.Env, cmd.Stdin = l.Root(), gitEnv(), strings.NewReader("HEAD\n")
	if f.pack, err = cmd.Output(); err != nil {
		panic(err)
	}
	f.bundle = b.Encode()
	return f
})

// small makes the library that the crash tests begin with and copies it for each try.
func small(t testing.TB, c *change) string {
	l := freshLib(t)
	edit(t, l, "rigs/aa/x/main.toml", "pan = 1\n", "One")
	edit(t, l, "rigs/bb/y/main.toml", "pan = 1\n", "Two")
	if c.prep != nil {
		c.prep(t, l)
	}
	return l.Root()
}

// duplicate copies a library with the files' times, so that its index stays true.
func duplicate(t testing.TB, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "lib")
	if out, err := exec.Command("cp", "-a", dir, to).CombinedOutput(); err != nil {
		t.Fatalf("cp: %v %s", err, out)
	}
	return to
}

// state is what must be wholly old or wholly new: the last revision's files, the refs, git's
// settings, the index's files and the work tree.
type state struct {
	head  Rev
	tree  string
	refs  string
	set   string
	index string
	work  map[string]string
}

func stateOf(t testing.TB, dir string) state {
	t.Helper()
	l, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	// A process that another test is just starting may share our lock for a moment, and then
	// Open takes the dead writer for a live one.
	for range 200 {
		if names, _ := os.ReadDir(l.stateDir("held")); len(names) == 0 {
			break
		}
		time.Sleep(2 * time.Millisecond)
		if l, err = Open(dir); err != nil {
			t.Fatal(err)
		}
	}
	var s state
	if s.head, err = l.Head(); err != nil {
		t.Fatal(err)
	}
	es, err := l.Revisions().ListAt(s.head, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range es {
		if _, err := l.Revisions().ReadBlob(e.Blob); err != nil {
			t.Fatal(err)
		}
		s.tree += e.Path + " " + string(e.Blob) + "\n"
	}
	refs, err := l.Refs("refs/remotes/")
	if err != nil {
		t.Fatal(err)
	}
	s.refs = fmt.Sprint(refs)
	for _, name := range []string{"config", "info/attributes"} {
		text, err := os.ReadFile(filepath.Join(l.d.Common, name))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
		s.set += string(text)
	}
	x, _, _, err := l.Writer().loadIndex(false)
	if err != nil {
		t.Fatal(err)
	}
	if x != nil {
		for _, e := range x.Entries {
			s.index += e.Path + " " + e.ID.String() + "\n"
		}
	}
	s.work = map[string]string{}
	paths, err := l.Work().List("")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range paths {
		data, err := l.Work().Read(p)
		if err != nil {
			t.Fatal(err)
		}
		s.work[p] = string(data)
	}
	return s
}

func (s state) same(o state) bool { return s.equal(o) && fmt.Sprint(s.work) == fmt.Sprint(o.work) }

// equal leaves the work tree out.
func (s state) equal(o state) bool {
	return s.tree == o.tree && s.refs == o.refs && s.set == o.set && s.index == o.index
}

// between says whether each file of the work tree is as in one of the two states.
func (s state) between(a, b state) bool {
	for p := range s.work {
		va, oka := a.work[p]
		vb, okb := b.work[p]
		if (!oka || s.work[p] != va) && (!okb || s.work[p] != vb) {
			return false
		}
	}
	for p := range a.work {
		if _, ok := s.work[p]; !ok {
			if _, there := b.work[p]; there {
				return false
			}
		}
	}
	return true
}

// nextWorks saves once more, which must work after whatever happened.
func nextWorks(t testing.TB, dir, what string) {
	t.Helper()
	l, err := Open(dir)
	if err != nil {
		t.Fatal(what, err)
	}
	put(t, l, "rigs/after.toml", "pan = 50\n")
	if _, err := l.Writer().Save(ctx, request("After", false, File{Path: "rigs/after.toml", Data: []byte("pan = 50\n")})); err != nil {
		t.Fatalf("%s: the next save: %v", what, err)
	}
	for _, leftover := range []string{"index.lock", "HEAD.lock", "refs/heads/main.lock"} {
		if _, err := os.Lstat(filepath.Join(dir, ".git", leftover)); err == nil {
			t.Fatalf("%s: %s is left", what, leftover)
		}
	}
	if names, _ := os.ReadDir(filepath.Join(dir, ".git", "rigkeep", "held")); len(names) != 0 {
		t.Fatalf("%s: %v is left in hand", what, names)
	}
}

// tryOut makes a change with nothing in its way: the library that it is made on, how it is before
// and after, and how many steps the change takes.
func tryOut(t testing.TB, c *change) (base string, before, after state, steps int) {
	t.Helper()
	base = small(t, c)
	before = stateOf(t, base)
	done := duplicate(t, base)
	count := &disktest.Faulty{Inner: disk.OS{}}
	l, err := OpenWith(done, Options{fs: count})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.run(l); err != nil {
		t.Fatal(err)
	}
	after = stateOf(t, done)
	if before.same(after) {
		t.Fatal("the command changes nothing; the test would prove nothing")
	}
	return base, before, after, count.Steps()
}

// TestFaults puts a fault before each single write, sync, rename, link and removal of each
// changing command: a passing fault, a disk that stays full, and a kill.
func TestFaults(t *testing.T) {
	for i := range changes {
		c := &changes[i]
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			t.Parallel()
			base, before, after, steps := tryOut(t, c)
			modes := []disktest.Mode{disktest.Fail, disktest.FailOn, disktest.Die, disktest.DieShort}
			faults := 0
			for at := 1; at <= steps; at++ {
				for _, mode := range modes {
					if !long && (3*at+5*int(mode)+i)%8 != 0 {
						continue // the short form takes an eighth of the grid; the long one all of it
					}
					faults++
					dir := duplicate(t, base)
					f := &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: mode, Err: syscall.ENOSPC}
					l, err := OpenWith(dir, Options{fs: f, LockWait: 300 * time.Millisecond})
					if err == nil {
						err = c.run(l)
					}
					what := fmt.Sprintf("step %d of %d, mode %d (%s): %v", at, steps, mode, f.What, err)
					now := stateOf(t, dir) // opens, and so repairs
					switch {
					case err == nil && !now.same(after):
						t.Fatalf("%s: acknowledged, but not there", what)
					case now.same(before) || now.same(after):
					case mode == disktest.Fail || mode == disktest.FailOn:
						t.Fatalf("%s: neither as before nor as after:\n%+v", what, now)
					default:
						t.Fatalf("%s: neither as before nor as after the repair:\n%+v", what, now)
					}
					if mode == disktest.Fail && err != nil && !now.same(before) && !strings.Contains(err.Error(), "did not confirm") {
						t.Fatalf("%s: failed, but the library is not as before", what)
					}
					if mode == disktest.FailOn && err != nil && !errors.Is(err, ErrDevice) {
						t.Fatalf("%s: not said as a fault of the disk", what)
					}
					if long || at%4 == 0 {
						if out := git(t, dir, "fsck", "--strict", "--no-dangling"); out != "" {
							t.Fatalf("%s: fsck: %s", what, out)
						}
					}
					nextWorks(t, dir, what)
				}
			}
			t.Logf("%d faults at %d steps", faults, steps)
		})
	}
}

// TestRepairKilled kills the repair itself at each step, and the repair after it must do.
func TestRepairKilled(t *testing.T) {
	for _, name := range []string{"restore", "save an edit"} {
		var c *change
		for i := range changes {
			if changes[i].name == name {
				c = &changes[i]
			}
		}
		base, before, after, steps := tryOut(t, c)
		rnd := rand.New(rand.NewSource(3))
		tries := 25
		if long {
			tries = 600
		}
		for range tries {
			dir := duplicate(t, base)
			at := steps/2 + rnd.Intn(steps/2)
			l, err := OpenWith(dir, Options{fs: &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: disktest.Die}})
			if err == nil {
				err = c.run(l)
			}
			var trail []string
			for range 3 {
				f := &disktest.Faulty{Inner: disk.OS{}, At: 1 + rnd.Intn(25), Mode: disktest.Die}
				_, _ = OpenWith(dir, Options{fs: f})
				trail = append(trail, f.What)
			}
			now := stateOf(t, dir)
			if !now.same(before) && !now.same(after) || err == nil && !now.same(after) {
				t.Fatalf("killed at %d, then in repairs at %q: neither old nor new:\n%+v", at, trail, now)
			}
			nextWorks(t, dir, fmt.Sprint(at, trail))
		}
	}
}

// TestFaultThenKill has a step fail, and kills what handles that: random pairs of both. The next
// command finds the library as it was or as it was to be.
func TestFaultThenKill(t *testing.T) {
	tries := 12
	if long {
		tries = 300
	}
	hit := 0
	for i := range changes {
		c := &changes[i]
		base, before, after, steps := tryOut(t, c)
		rnd := rand.New(rand.NewSource(int64(11 + i)))
		for range tries {
			dir := duplicate(t, base)
			at := 1 + rnd.Intn(steps)
			kill := &disktest.Faulty{Inner: disk.OS{}, At: at + rnd.Intn(12), Mode: []disktest.Mode{disktest.Die, disktest.DieShort}[rnd.Intn(2)]}
			fault := &disktest.Faulty{Inner: kill, At: at, Mode: disktest.Fail, Err: []error{syscall.ENOSPC, syscall.EIO, syscall.EACCES}[rnd.Intn(3)]}
			l, err := OpenWith(dir, Options{fs: fault, LockWait: 300 * time.Millisecond})
			if err == nil {
				err = c.run(l)
			}
			if fault.What != "" && kill.What != "" {
				hit++
			}
			what := fmt.Sprintf("%s: a fault at %d (%s), killed at %q: %v", c.name, at, fault.What, kill.What, err)
			now := stateOf(t, dir)
			if !now.same(before) && !now.same(after) || err == nil && !now.same(after) {
				t.Fatalf("%s: neither old nor new:\n%+v", what, now)
			}
			nextWorks(t, dir, what)
		}
	}
	if hit < len(changes) {
		t.Errorf("only %d pairs hit both", hit)
	}
	t.Logf("%d pairs of a fault and a kill in what handled it", hit)
}

// TestPowerLoss keeps a model of what is on stable storage, and builds from it what a loss of
// power at each step could leave: only what was synced, all of it, or some of it.
func TestPowerLoss(t *testing.T) {
	for i := range changes {
		c := &changes[i]
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			t.Parallel()
			base := small(t, c)
			before := stateOf(t, base)
			dir := duplicate(t, base)
			if l, err := Open(dir); err != nil || l.ensureStateDir() != nil {
				t.Fatal(err)
			}
			f, err := disktest.NewForgetful(dir)
			if err != nil {
				t.Fatal(err)
			}
			l, err := OpenWith(dir, Options{fs: f})
			if err != nil {
				t.Fatal(err)
			}
			if err := c.run(l); err != nil {
				t.Fatal(err)
			}
			f.End()
			acknowledged := len(f.Snaps) - 1
			after := stateOf(t, dir)
			rnd := rand.New(rand.NewSource(int64(i)))
			lucks := []float64{0, 0.5, 0.9}
			for k, s := range f.Snaps {
				for _, luck := range lucks {
					if !long && k != acknowledged && rnd.Intn(12) != 0 {
						continue
					}
					got := filepath.Join(t.TempDir(), "lib")
					if err := s.Lose(got, rnd, luck); err != nil {
						t.Fatal(err)
					}
					what := fmt.Sprintf("power lost before step %d of %d (%s), luck %.1f", k, acknowledged, s.What, luck)
					clearForeignLocks(t, got)
					now := stateOf(t, got)
					ok := now.same(before) || now.same(after)
					if !ok && k < acknowledged {
						// The index is ahead (as after `git add`), or the note is lost: every file is
						// the old one or the new one, and the revision is wholly old.
						ok = now.tree == before.tree && now.refs == before.refs && now.set == before.set && (now.index == before.index || now.index == after.index) && now.between(before, after)
					}
					if k == acknowledged {
						ok = now.same(after)
					}
					if !ok {
						t.Fatalf("%s:\nnow    %+v\nbefore %+v\nafter  %+v", what, now, before, after)
					}
					if out := git(t, got, "fsck", "--strict", "--no-dangling"); out != "" {
						t.Fatalf("%s: fsck: %s", what, out)
					}
					nextWorks(t, got, what)
				}
			}
		})
	}
}

// clearForeignLocks does what the message tells a person to do: a power cut may leave a lock
// whose second name did not reach the disk, and such a lock cannot be proved ours.
func clearForeignLocks(t testing.TB, dir string) {
	for _, n := range []string{"index", "HEAD", "refs/heads/main", "refs/remotes/origin/main"} {
		name := filepath.Join(dir, ".git", n+".lock")
		if _, err := os.Lstat(name); err == nil {
			held, _ := os.ReadDir(filepath.Join(dir, ".git", "rigkeep", "held"))
			ours := false
			for _, h := range held {
				same, err := sameFile(disk.OS{}, filepath.Join(dir, ".git", "rigkeep", "held", h.Name()), name)
				ours = ours || err == nil && same
			}
			if !ours {
				if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
					t.Fatal(err)
				}
			}
		}
	}
}
