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
	values map[string]string // by row
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
		s := &scaled{name: fmt.Sprintf("%d rigs, %d revisions", n, 10*n), rigs: n, values: map[string]string{}}
		all = append(all, s)
		note := func(row, format string, a ...any) {
			if !slices.Contains(order, row) {
				order = append(order, row)
			}
			s.values[row] = fmt.Sprintf(format, a...)
			fmt.Fprintf(os.Stderr, "%s: %s: %s\n", s.name, row, s.values[row])
		}
		if err := s.measure(dir, filepath.Join(tmp, strconv.Itoa(n)), program, rounds, note); err != nil {
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

func (s *scaled) measure(dir, tmp, program string, rounds int, note func(row, format string, a ...any)) error {
	lib, own, plain := filepath.Join(dir, strconv.Itoa(s.rigs)), filepath.Join(tmp, "own"), filepath.Join(tmp, "plain")
	if _, err := os.Stat(filepath.Join(lib, "library.toml")); errors.Is(err, fs.ErrNotExist) {
		if err := os.RemoveAll(lib); err != nil { // begun and not finished
			return err
		}
		began := time.Now()
		if err := generate(lib, s.rigs, 8*s.rigs, 1); err != nil {
			return err
		}
		fmt.Fprintf(os.Stderr, "%s: made in %.0f s\n", s.name, time.Since(began).Seconds())
	}
	if err := os.MkdirAll(tmp, 0o777); err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	tip, err := git(lib, "log", "-1", "--format=%cI").Output()
	if err != nil {
		return err
	}
	last, err := time.Parse(time.RFC3339, strings.TrimSpace(string(tip)))
	if err != nil {
		return err
	}
	rigkeep := func(args ...string) *exec.Cmd {
		c := exec.Command(program, args...)
		c.Dir = own
		c.Env = append(os.Environ(), "RIGKEEP_AUTHOR=Technician 1 <tech@example.org>", "RIGKEEP_NOW="+last.AddDate(0, 0, 1).Format(time.RFC3339))
		return c
	}
	// run gives the median time and the most memory of a command.
	run := func(row string, rounds int, before func(i int) error, cmd func() *exec.Cmd) error {
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
		note(row, form, t, rss/1024)
		return nil
	}
	asGit := func(args ...string) func() *exec.Cmd { return func() *exec.Cmd { return git(plain, args...) } }
	asOwn := func(args ...string) func() *exec.Cmd { return func() *exec.Cmd { return rigkeep(args...) } }

	pack, idx := bytesOf(lib, ".git/objects/pack/*.pack"), bytesOf(lib, ".git/objects/pack/*.idx")
	note("pack, and its index", "%d MB, %d MB", pack>>20, idx>>20)
	note("git's index of the work tree", "%.1f MB", float64(bytesOf(lib, ".git/index"))/(1<<20))
	folders, most, err := fanOut(filepath.Join(lib, "rigs"))
	if err != nil {
		return err
	}
	note("folders in rigs/, most rigs in one of them", "%d, %d", folders, most)
	for _, to := range []string{own, plain} { // objects by hard link: quick, whatever the size
		if out, err := git(tmp, "clone", "-q", "--local", lib, to).CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	forget := func(names ...string) func(int) error {
		return func(int) error {
			for _, n := range names {
				found, err := filepath.Glob(filepath.Join(own, ".git", "rigkeep", n))
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
	value := 0
	set := func(int) error { // each save has something to save
		value++
		return rigkeep("set", "build-0", fmt.Sprintf("stiffness.pan=%d", 10+value%40)).Run()
	}
	hot, err := exec.Command("git", "-C", lib, "log", "-1", "--format=", "--name-only").Output()
	if err != nil {
		return err
	}
	path := strings.TrimSpace(string(hot))
	touch := func(i int) error {
		name := filepath.Join(plain, filepath.FromSlash(path))
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(name, append(text, fmt.Sprintf("# round %d\n", i)...), 0o666)
	}
	daily := func(with string) error {
		return errors.Join(
			run("show"+with, rounds, nil, asOwn("show", "build-0")),
			run("save"+with, rounds, set, asOwn("save", "build-0", "-m", "Round")),
			run("git commit -- FILE"+with, rounds, touch, asGit("commit", "-q", "-m", "Round", "--", path)),
			run("history"+with, rounds, nil, asOwn("history", "build-0")),
			run("sync --dry-run, a few revisions to send"+with, rounds, nil, asOwn("sync", "--dry-run")),
		)
	}
	if err := errors.Join(
		run("list, first time: summary from nothing", 1, forget("cache", "summary*", "folders"), asOwn("rig", "list")),
		run("history, first time: index from nothing", 1, forget("history*"), asOwn("history", "build-0")),
		daily(""),
		run("list", rounds, nil, asOwn("rig", "list")),
		run("what is edited: save --all --dry-run", rounds, nil, asOwn("save", "--all", "--dry-run")),
		run("git status", rounds, nil, asGit("status", "--porcelain")),
		run("check", 1, nil, asOwn("check")),
	); err != nil {
		return err
	}
	note("derived files", "%.1f MB", float64(bytesBelow(filepath.Join(own, ".git", "rigkeep")))/(1<<20))
	// Branches: as loose refs first, which is how they arrive one by one, then packed.
	for _, where := range []string{own, plain} {
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
	if err := daily(fmt.Sprintf(", %d loose branches", scaleBranches)); err != nil {
		return err
	}
	for _, where := range []string{own, plain} {
		if out, err := git(where, "pack-refs", "--all").CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	note("packed-refs", "%.1f MB", float64(bytesOf(own, ".git/packed-refs"))/(1<<20))
	if err := daily(fmt.Sprintf(", %d packed branches", scaleBranches)); err != nil {
		return err
	}
	clone := func(to string, how ...string) func() *exec.Cmd {
		return func() *exec.Cmd {
			return git(tmp, append(append([]string{"clone", "-q"}, how...), "file://"+lib, to)...)
		}
	}
	if err := errors.Join(
		run("git clone", 1, nil, clone(filepath.Join(tmp, "whole"))),
		run("rigkeep init --from", 1, nil, func() *exec.Cmd {
			c := rigkeep("init", filepath.Join(tmp, "copy"), "--from", lib)
			c.Dir = tmp
			return c
		}),
		git(lib, "config", "uploadpack.allowFilter", "true").Run(),
		run("git clone --filter=blob:none", 1, nil, clone(filepath.Join(tmp, "blobless"), "--filter=blob:none", "--no-checkout")),
		run("git clone --filter=tree:0", 1, nil, clone(filepath.Join(tmp, "treeless"), "--filter=tree:0", "--no-checkout")),
		run("git clone --depth=1", 1, nil, clone(filepath.Join(tmp, "shallow"), "--depth=1")),
	); err != nil {
		return err
	}
	for _, name := range []string{"blobless", "treeless", "shallow"} {
		note(name+" clone's packs", "%d MB", bytesOf(tmp, name+"/.git/objects/pack/*")>>20)
		if err := os.RemoveAll(filepath.Join(tmp, name)); err != nil {
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
