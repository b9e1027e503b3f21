package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// scaleBranches is how many branches a large house's server is taken to have.
const scaleBranches = 10_000

// scaled is one library of compareScale with what is measured on it.
type scaled struct {
	name   string
	rigs   int
	rounds int
	note   func(row, format string, a ...any)
	values map[string]string // by row

	lib        string // made once, and kept
	tmp        string // with what follows, which goes at the end
	program    string
	own, plain string    // copies to work on, by the program and by plain git
	now        time.Time // a day after the last revision
	value      int       // of the last set
	path       string    // the file of the last revision
}

// compareScale makes libraries of several sizes below dir, with ten revisions for each rig, and
// prints what grows with them: sizes, and whole processes of the program and of plain git. A
// library that is there is not made anew; the copies that are worked on go at the end.
func compareScale(dir, sizes string, rounds int) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	tmp, err := os.MkdirTemp(dir, "work-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	program := filepath.Join(tmp, "rigkeep")
	if out, err := exec.Command("go", "build", "-o", program, "rigkeep/cmd/rigkeep").CombinedOutput(); err != nil {
		return fmt.Errorf("%v: %s", err, out)
	}
	var all []*scaled
	var order []string
	for f := range strings.SplitSeq(sizes, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(f))
		if err != nil || n < 10 {
			return fmt.Errorf("-scale %q: write numbers of rigs, as in 10000,30000", sizes)
		}
		work := filepath.Join(tmp, strconv.Itoa(n))
		s := &scaled{name: fmt.Sprintf("%d rigs, %d revisions", n, 10*n), rigs: n, rounds: rounds, values: map[string]string{},
			lib: filepath.Join(dir, strconv.Itoa(n)), tmp: work, program: program, own: filepath.Join(work, "own"), plain: filepath.Join(work, "plain")}
		all = append(all, s)
		s.note = func(row, format string, a ...any) {
			if !slices.Contains(order, row) {
				order = append(order, row)
			}
			s.values[row] = fmt.Sprintf(format, a...)
			fmt.Fprintf(os.Stderr, "%s: %s: %s\n", s.name, row, s.values[row])
		}
		if err := s.measure(); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
	}
	fmt.Print("| |")
	for _, s := range all {
		fmt.Printf(" %s |", s.name)
	}
	fmt.Println("\n|" + strings.Repeat("---|", len(all)+1))
	for _, row := range order {
		fmt.Printf("| %s |", row)
		for _, s := range all {
			fmt.Printf(" %s |", s.values[row])
		}
		fmt.Println()
	}
	return nil
}

func (s *scaled) measure() error {
	if err := s.make(); err != nil {
		return err
	}
	if err := os.MkdirAll(s.tmp, 0o777); err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(s.tmp) }()
	if err := s.readLast(); err != nil {
		return err
	}
	if err := s.sizes(); err != nil {
		return err
	}
	for _, to := range []string{s.own, s.plain} { // objects by hard link: quick, whatever the size
		if out, err := git(s.tmp, "clone", "-q", "--local", s.lib, to).CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	if err := errors.Join(
		s.run("list, first time: summary from nothing", 1, s.forget("cache", "summary*", "folders"), s.asOwn("rig", "list")),
		s.run("history, first time: index from nothing", 1, s.forget("history*"), s.asOwn("history", "build-0")),
		s.daily(""),
		s.run("list", s.rounds, nil, s.asOwn("rig", "list")),
		s.run("what is edited: save --all --dry-run", s.rounds, nil, s.asOwn("save", "--all", "--dry-run")),
		s.run("git status", s.rounds, nil, s.asGit("status", "--porcelain")),
		s.run("check", 1, nil, s.asOwn("check")),
	); err != nil {
		return err
	}
	s.note("derived files", "%.1f MB", float64(bytesBelow(filepath.Join(s.own, ".git", "rigkeep")))/(1<<20))
	if err := s.branches(); err != nil {
		return err
	}
	return s.clones()
}

// make makes the library, if it is not there or was begun and not finished.
func (s *scaled) make() error {
	if _, err := os.Stat(filepath.Join(s.lib, "library.toml")); !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := os.RemoveAll(s.lib); err != nil {
		return err
	}
	began := time.Now()
	if err := generate(s.lib, s.rigs, 8*s.rigs, 1); err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "%s: made in %.0f s\n", s.name, time.Since(began).Seconds())
	return nil
}

// readLast reads when the last revision was made, and which file it changed.
func (s *scaled) readLast() error {
	tip, err := git(s.lib, "log", "-1", "--format=%cI").Output()
	if err != nil {
		return err
	}
	last, err := time.Parse(time.RFC3339, strings.TrimSpace(string(tip)))
	if err != nil {
		return err
	}
	s.now = last.AddDate(0, 0, 1)
	hot, err := exec.Command("git", "-C", s.lib, "log", "-1", "--format=", "--name-only").Output()
	s.path = strings.TrimSpace(string(hot))
	return err
}

// sizes notes how large the library is on disk.
func (s *scaled) sizes() error {
	pack, idx := bytesOf(s.lib, ".git/objects/pack/*.pack"), bytesOf(s.lib, ".git/objects/pack/*.idx")
	s.note("pack, and its index", "%d MB, %d MB", pack>>20, idx>>20)
	s.note("git's index of the work tree", "%.1f MB", float64(bytesOf(s.lib, ".git/index"))/(1<<20))
	folders, most, err := fanOut(filepath.Join(s.lib, "rigs"))
	if err != nil {
		return err
	}
	s.note("folders in rigs/, most rigs in one of them", "%d, %d", folders, most)
	return nil
}

func (s *scaled) rigkeep(args ...string) *exec.Cmd {
	c := exec.Command(s.program, args...)
	c.Dir = s.own
	c.Env = append(os.Environ(), "RIGKEEP_AUTHOR=Technician 1 <tech@example.org>", "RIGKEEP_NOW="+s.now.Format(time.RFC3339))
	return c
}

func (s *scaled) asOwn(args ...string) func() *exec.Cmd {
	return func() *exec.Cmd { return s.rigkeep(args...) }
}

func (s *scaled) asGit(args ...string) func() *exec.Cmd {
	return func() *exec.Cmd { return git(s.plain, args...) }
}

// run notes the median time and the most memory of a command.
func (s *scaled) run(row string, rounds int, before func(i int) error, cmd func() *exec.Cmd) error {
	var times []time.Duration
	var rss int64
	for i := range rounds {
		if before != nil {
			if err := before(i); err != nil {
				return fmt.Errorf("before %s: %w", row, err)
			}
		}
		c := cmd()
		var out bytes.Buffer
		c.Stderr = &out
		began := time.Now()
		err := c.Run()
		var exit *exec.ExitError
		if err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 1 && strings.Contains(out.String(), "nothing is changed")) {
			return fmt.Errorf("%s: %w: %s", row, err, out.String())
		}
		times = append(times, time.Since(began))
		rss = max(rss, maxrss(c))
	}
	slices.Sort(times)
	t := times[len(times)/2].Seconds()
	form := "%.2f s, %d MiB"
	if t >= 10 {
		form = "%.0f s, %d MiB"
	}
	s.note(row, form, t, rss/1024)
	return nil
}

// forget removes derived files of the program.
func (s *scaled) forget(names ...string) func(int) error {
	return func(int) error {
		for _, n := range names {
			found, err := filepath.Glob(filepath.Join(s.own, ".git", "rigkeep", n))
			for _, f := range found {
				err = errors.Join(err, os.RemoveAll(f))
			}
			if err != nil {
				return err
			}
		}
		return nil
	}
}

// set gives a save something to save.
func (s *scaled) set(int) error {
	s.value++
	return s.rigkeep("set", "build-0", fmt.Sprintf("stiffness.pan=%d", 10+s.value%40)).Run()
}

// touch gives git's commit something to commit.
func (s *scaled) touch(i int) error {
	name := filepath.Join(s.plain, filepath.FromSlash(s.path))
	text, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	return os.WriteFile(name, append(text, fmt.Sprintf("# round %d\n", i)...), 0o666)
}

// daily measures what is done every day. with is what the library has by then.
func (s *scaled) daily(with string) error {
	return errors.Join(
		s.run("show"+with, s.rounds, nil, s.asOwn("show", "build-0")),
		s.run("save"+with, s.rounds, s.set, s.asOwn("save", "build-0", "-m", "Round")),
		s.run("git commit -- FILE"+with, s.rounds, s.touch, s.asGit("commit", "-q", "-m", "Round", "--", s.path)),
		s.run("history"+with, s.rounds, nil, s.asOwn("history", "build-0")),
		s.run("sync --dry-run, a few revisions to send"+with, s.rounds, nil, s.asOwn("sync", "--dry-run")),
	)
}

// branches measures the same with many branches: as loose refs first, which is how they arrive one
// by one, then packed.
func (s *scaled) branches() error {
	for _, where := range []string{s.own, s.plain} {
		var b strings.Builder
		for i := range scaleBranches {
			fmt.Fprintf(&b, "create refs/heads/job/%d HEAD\n", i)
		}
		c := git(where, "update-ref", "--stdin")
		c.Stdin = strings.NewReader(b.String())
		if out, err := c.CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	if err := s.daily(fmt.Sprintf(", %d loose branches", scaleBranches)); err != nil {
		return err
	}
	for _, where := range []string{s.own, s.plain} {
		if out, err := git(where, "pack-refs", "--all").CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	s.note("packed-refs", "%.1f MB", float64(bytesOf(s.own, ".git/packed-refs"))/(1<<20))
	return s.daily(fmt.Sprintf(", %d packed branches", scaleBranches))
}

// clones measures copies of the whole library, and what git can leave out of one.
func (s *scaled) clones() error {
	clone := func(to string, how ...string) func() *exec.Cmd {
		return func() *exec.Cmd {
			return git(s.tmp, append(append([]string{"clone", "-q"}, how...), "file://"+s.lib, to)...)
		}
	}
	if err := errors.Join(
		s.run("git clone", 1, nil, clone(filepath.Join(s.tmp, "whole"))),
		s.run("rigkeep init --from", 1, nil, func() *exec.Cmd {
			c := s.rigkeep("init", filepath.Join(s.tmp, "copy"), "--from", s.lib)
			c.Dir = s.tmp
			return c
		}),
		git(s.lib, "config", "uploadpack.allowFilter", "true").Run(),
		s.run("git clone --filter=blob:none", 1, nil, clone(filepath.Join(s.tmp, "blobless"), "--filter=blob:none", "--no-checkout")),
		s.run("git clone --filter=tree:0", 1, nil, clone(filepath.Join(s.tmp, "treeless"), "--filter=tree:0", "--no-checkout")),
		s.run("git clone --depth=1", 1, nil, clone(filepath.Join(s.tmp, "shallow"), "--depth=1")),
	); err != nil {
		return err
	}
	for _, name := range []string{"blobless", "treeless", "shallow"} {
		s.note(name+" clone's packs", "%d MB", bytesOf(s.tmp, name+"/.git/objects/pack/*")>>20)
		if err := os.RemoveAll(filepath.Join(s.tmp, name)); err != nil {
			return err
		}
	}
	return nil
}

// bytesOf adds up the files that a pattern below dir names.
func bytesOf(dir, pattern string) (n int64) {
	found, _ := filepath.Glob(filepath.Join(dir, filepath.FromSlash(pattern)))
	for _, f := range found {
		if st, err := os.Stat(f); err == nil {
			n += st.Size()
		}
	}
	return n
}

func bytesBelow(dir string) (n int64) {
	_ = filepath.WalkDir(dir, func(_ string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			if st, err := e.Info(); err == nil {
				n += st.Size()
			}
		}
		return nil
	})
	return n
}

// fanOut counts the folders in dir and the entries of the fullest of them.
func fanOut(dir string) (folders, most int, err error) {
	names, err := os.ReadDir(dir)
	for _, n := range names {
		sub, serr := os.ReadDir(filepath.Join(dir, n.Name()))
		err = errors.Join(err, serr)
		most = max(most, len(sub))
	}
	return len(names), most, err
}
