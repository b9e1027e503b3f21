package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/disk/disktest"
)

// TestInitFaults puts a fault before each write, sync, rename and removal of making a library, new
// or out of a copy: after it there is a whole library or none, and the same command makes one.
func TestInitFaults(t *testing.T) {
	files := []File{{Path: "library.toml", Data: []byte("format = 1\n")}, {Path: "gimbals/a.toml", Data: []byte("a = 1\n")}}
	for name, run := range map[string]func(dir string, opt Options) error{
		"init": func(dir string, opt Options) error {
			_, err := InitWith(dir, files, aCam, start, opt)
			return err
		},
		"copy": func(dir string, opt Options) error {
			return InitFrom(dir, "main", opt, func(l *Lib) error {
				if _, err := l.Writer().Save(ctx, SaveRequest{Files: files, Subject: "Begin the library", Author: aCam, When: start, WriteWork: true}); err != nil {
					return err
				}
				return nil
			})
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			count := &disktest.Faulty{Inner: disk.OS{}}
			if err := run(filepath.Join(t.TempDir(), "lib"), Options{fs: count}); err != nil {
				t.Fatal(err)
			}
			whole := func(dir string) bool {
				l, err := Open(dir)
				if err != nil {
					return false
				}
				head, err := l.Head()
				if err != nil || head == "" {
					return false
				}
				for _, f := range files {
					if data, err := l.Work().Read(f.Path); err != nil || string(data) != string(f.Data) {
						return false
					}
				}
				agrees(t, dir)
				return true
			}
			for at := 1; at <= count.Steps(); at++ {
				for mode := disktest.Fail; mode <= disktest.DieShort; mode++ {
					if !long && (3*at+5*int(mode))%7 != 0 {
						continue
					}
					dir := filepath.Join(t.TempDir(), "lib")
					f := &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: mode, Err: syscall.ENOSPC}
					err := run(dir, Options{fs: f, LockWait: 300 * time.Millisecond})
					what := fmt.Sprintf("step %d of %d, mode %d (%s): %v", at, count.Steps(), mode, f.What, err)
					there := whole(dir)
					if err == nil && !there {
						t.Fatalf("%s: acknowledged, but not there", what)
					}
					if mode == disktest.FailOn && err != nil && !errors.Is(err, ErrDevice) {
						t.Fatalf("%s: not said as a fault of the disk", what)
					}
					if there {
						nextWorks(t, dir, what)
						continue
					}
					// A folder that was made and then could not be synced may stay, empty.
					if _, serr := os.Stat(dir); mode == disktest.Fail && serr == nil && !strings.HasPrefix(f.What, "sync folder") {
						t.Fatalf("%s: it left a folder", what)
					}
					err = run(dir, Options{})
					for try := 0; errors.Is(err, ErrBusy) && try < 200; try++ {
						// a process that another test is just starting shares our lock for a moment
						time.Sleep(2 * time.Millisecond)
						err = run(dir, Options{})
					}
					if err != nil {
						t.Fatalf("%s: the same command again: %v", what, err)
					}
					if !whole(dir) {
						t.Fatalf("%s: the same command again made no library", what)
					}
					nextWorks(t, dir, what)
				}
			}
		})
	}
}

// TestRepairSays kills a save before each of its steps: the next command says what it put right,
// once, in the words below, and nothing where there was nothing to do.
func TestRepairSays(t *testing.T) {
	kinds := map[string]int{}
	for _, name := range []string{"restore", "save an edit", "write a file"} {
		var c *change
		for i := range changes {
			if changes[i].name == name {
				c = &changes[i]
			}
		}
		base := small(t, c)
		before := stateOf(t, base)
		count := &disktest.Faulty{Inner: disk.OS{}}
		if err := c.run(must(OpenWith(duplicate(t, base), Options{fs: count}))(t)); err != nil {
			t.Fatal(err)
		}
		for at := 1; at <= count.Steps(); at++ {
			if !long && at%2 == 0 {
				continue
			}
			dir := duplicate(t, base)
			_ = c.run(must(OpenWith(dir, Options{fs: &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: disktest.DieShort}}))(t))
			held, _ := os.ReadDir(filepath.Join(dir, ".git", "rigkeep", "held"))
			raw := filesOf(t, dir)
			l := must(Open(dir))(t)
			said := strings.Join(l.Recovered(), " ")
			if (len(held) > 0) != (said != "") {
				t.Fatalf("%s, killed at %d: %d left in hand, said %q", name, at, len(held), said)
			}
			for _, r := range l.Recovered() {
				kind := ""
				for _, k := range []string{"lock file", "temporary file", "Completed the interrupted save", "was not completed", "was killed during a save"} {
					if strings.Contains(r, k) {
						kind = k
					}
				}
				if kind == "" {
					t.Fatalf("%s, killed at %d: %q", name, at, r)
				}
				kinds[kind]++
			}
			// What is said is what was done: a save is finished exactly where it says so, and the
			// work tree, the index or the branch is brought along.
			now := stateOf(t, dir)
			finished := strings.Contains(said, "Completed the interrupted save")
			if finished && (now.same(before) || now.head == before.head) {
				t.Fatalf("%s, killed at %d: says %q and did not", name, at, said)
			}
			if !finished && now.head != before.head && raw[".git/refs/heads/main"] == string(before.head)+"\n" {
				t.Fatalf("%s, killed at %d: finished a save and does not say so: %q", name, at, said)
			}
			if again := must(Open(dir))(t).Recovered(); len(again) > 0 {
				t.Fatalf("%s, killed at %d: said again: %q", name, at, again)
			}
		}
	}
	for _, k := range []string{"lock file", "temporary file", "Completed the interrupted save"} {
		if kinds[k] == 0 {
			t.Errorf("no kill led to %q", k)
		}
	}
}

// filesOf reads the branch as it lies on the disk.
func filesOf(t testing.TB, dir string) map[string]string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, ".git", "refs", "heads", "main"))
	if err != nil {
		t.Fatal(err)
	}
	return map[string]string{".git/refs/heads/main": string(data)}
}

// TestDerivedFaults lets each write of what is derived fail: the answers are right all the same,
// and the next process makes what is missing.
func TestDerivedFaults(t *testing.T) {
	base := small(t, &change{})
	opt := SummaryOptions{Name: "x", Version: "1", Extract: func(_ string, data []byte) string { return string(data) }}
	ask := func(l *Lib) string {
		revs, err := l.History().Of("rigs/aa/x/main.toml", 0)
		if err != nil {
			return err.Error()
		}
		list, err := l.Work().Summaries(opt)
		return fmt.Sprint(revs, list, err)
	}
	count := &disktest.Faulty{Inner: disk.OS{}}
	want := ask(must(OpenWith(duplicate(t, base), Options{fs: count}))(t))
	if count.Steps() < 4 {
		t.Fatal("nothing derived was written:", count.Steps())
	}
	for at := 1; at <= count.Steps(); at++ {
		for mode := disktest.Fail; mode <= disktest.FailOn; mode++ {
			dir := duplicate(t, base)
			f := &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: mode, Err: syscall.ENOSPC}
			if got := ask(must(OpenWith(dir, Options{fs: f}))(t)); got != want {
				t.Fatalf("step %d (%s): %s\nwanted %s", at, f.What, got, want)
			}
			if got := ask(must(Open(dir))(t)); got != want {
				t.Fatalf("after step %d (%s): %s\nwanted %s", at, f.What, got, want)
			}
		}
		// A process killed in the middle of it leaves nothing that is believed.
		dir := duplicate(t, base)
		f := &disktest.Faulty{Inner: disk.OS{}, At: at, Mode: disktest.DieShort}
		_ = ask(must(OpenWith(dir, Options{fs: f}))(t))
		if got := ask(must(Open(dir))(t)); got != want {
			t.Fatalf("killed at step %d (%s): %s\nwanted %s", at, f.What, got, want)
		}
	}
}
