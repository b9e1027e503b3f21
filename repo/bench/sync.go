package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/schema"
)

// generate writes a library of real builds and tunes, with a history of changed values, as
// git fast-import takes it: the same arguments give the same ids.
func generate(dir string, rigs, commits int, seed uint64) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	if out, err := git(dir, "init", "-q", "-b", "main").CombinedOutput(); err != nil {
		return fmt.Errorf("%v: %s", err, out)
	}
	r := rand.New(rand.NewPCG(seed, 1))
	pr, pw := io.Pipe()
	go func() { _ = pw.CloseWithError(history(pw, r, rigs, commits)) }()
	imp := git(dir, "fast-import", "--quiet")
	imp.Stdin = pr
	if out, err := imp.CombinedOutput(); err != nil {
		return fmt.Errorf("%v: %s", err, out)
	}
	for _, args := range [][]string{{"reset", "-q", "--hard"}, {"gc", "-q"}} {
		if out, err := git(dir, args...).CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	return nil
}

// tuned is one rig's tune with its present values.
type tuned struct {
	fp string
	v  map[string]int
}

var tunedKeys = []string{"stiffness.pan", "filters.sensing", "stiffness.roll", "filters.drive", "stiffness.tilt", "follow.walk.deadband.pan", "follow.walk.lag.pan"}

func level(r *rand.Rand, key string) int {
	if strings.HasPrefix(key, "filters.") {
		return 1 + r.IntN(9)
	}
	return 10 + r.IntN(50)
}

func (t tuned) text() string {
	return fmt.Sprintf("#:schema ../../../schema/tune.schema.json\nformat = 1\nkind = \"tune\"\nrig = %q\nnote = \"As worked at the stand; see the bench log.\"\n\n# from below, axis by axis\n[stiffness]\npan = %d\nroll = %d\ntilt = %d # with the long lens\n\n[filters]\nsensing = %d\ndrive = %d\n\n[limits.tilt]\nup_deg = 45\ndown_deg = 60\n\n[horizon]\noffset_deg = 0.0\n\n[follow.walk]\ndeadband = { pan = %d, tilt = 8 }\nlag = { pan = %d, tilt = 45 }\n\n[follow.stairs]\ndeadband = { pan = 8, tilt = 11 }\nlag = { pan = 50, tilt = 60 }\n",
		t.fp, t.v["stiffness.pan"], t.v["stiffness.roll"], t.v["stiffness.tilt"], t.v["filters.sensing"], t.v["filters.drive"], t.v["follow.walk.deadband.pan"], t.v["follow.walk.lag.pan"])
}

func history(out io.Writer, r *rand.Rand, rigs, commits int) error {
	w := bufio.NewWriter(out)
	when := int64(1_600_000_000)
	step := min(600, 150_000_000/int64(2*rigs+commits)) // the last one must not lie in the future
	commit := func(subject string, files map[string]string) {
		when += step
		fmt.Fprintf(w, "commit refs/heads/main\nauthor Technician %d <tech@example.org> %d +0000\ncommitter Technician <tech@example.org> %d +0000\ndata %d\n%s\n", r.IntN(8), when, when, len(subject), subject)
		for p, s := range files {
			fmt.Fprintf(w, "M 100644 inline %s\ndata %d\n%s\n", p, len(s), s)
		}
	}
	cat := schema.Default()
	news, err := library.NewFiles(cat, "Bench", "kg", "mm")
	if err != nil {
		return err
	}
	files := map[string]string{}
	for _, f := range news {
		files[f.Path] = string(f.Data)
	}
	sheet, _ := examples.Gimbal("quay-large")
	files[preset.GimbalPath("quay-large")] = string(sheet)
	for _, p := range slices.Sorted(maps.Keys(files)) { // one file a commit keeps the order of a map out of the ids
		commit("Begin: "+p, map[string]string{p: files[p]})
	}
	var all []tuned
	for i := range rigs {
		text := fmt.Sprintf("format = 1\nkind = \"rig\"\nalias = \"build-%d\"\ngimbal = \"quay-large\"\n\n[[part]]\nslot = \"body\"\nname = \"body %d\"\nshape = \"box\"\nmass_kg = 2.35\nsize_mm = [130.0, 110.0, 105.0]\nplace_mm = [-20.0, 0.0, 10.0]\n\n[[part]]\nslot = \"lens\"\nname = \"lens %d\"\nshape = \"cylinder\"\nmass_kg = %.2f\ndiameter_mm = 95\nlength_mm = 120\nplace_mm = [90.0, 0.0, 10.0]\n", i, i%37, i, 0.5+float64(i%100)/100)
		rig, err := preset.QuickRig(cat, "", []byte(text))
		if err != nil {
			return err
		}
		t := tuned{rig.Fingerprint(), map[string]int{}}
		for _, k := range tunedKeys {
			t.v[k] = level(r, k)
		}
		all = append(all, t)
		commit(fmt.Sprintf("Add build-%d", i), map[string]string{preset.RigPath(t.fp): text})
		commit(fmt.Sprintf("Start build-%d", i), map[string]string{preset.TunePath(t.fp, "main"): t.text()})
	}
	for range commits {
		t := all[int(float64(len(all))*worked(r))]
		k := tunedKeys[r.IntN(len(tunedKeys))]
		t.v[k] = level(r, k)
		commit("Set "+k, map[string]string{preset.TunePath(t.fp, "main"): t.text()})
	}
	return w.Flush()
}

// worked gives where among the rigs the next change falls, from 0 to 1: mostly anywhere, now and
// then on one of the few that go out every week, the hottest of which has some 1.5 % of all.
func worked(r *rand.Rand) float64 {
	at := r.Float64()
	if r.IntN(7) == 0 {
		for range 5 {
			at *= r.Float64()
		}
	}
	return at
}

// syncWork is one operation of merge and sync, in a process of its own.
func syncWork(op string, args []string) error {
	if op != "clone" {
		debug.SetGCPercent(800) // as cmd/rigkeep has it while little is in use
	}
	ctx := context.Background()
	l, err := library.Open(args[0], schema.Default(), store.Options{})
	if err != nil {
		return err
	}
	switch op {
	case "merge", "merge-save":
		theirs, err := l.Store.Revisions().Resolve(args[1])
		if err != nil {
			return err
		}
		head, err := l.Store.Head()
		if err != nil {
			return err
		}
		m, err := l.Merging().Merge(head, theirs, nil)
		if err != nil || len(m.Clashes) > 0 {
			return fmt.Errorf("%d clashes, %v", len(m.Clashes), err)
		}
		if op == "merge" {
			fmt.Println(len(m.Files), "files")
			return nil
		}
		_, err = l.Merging().CommitMerge(ctx, m, "Merge", "", author, time.Now())
		return err
	case "sync":
		ref, err := l.Remotes().Find(args[1])
		if err != nil {
			return err
		}
		r, err := transport.Dial(ref.Address, transport.Options{Getenv: os.Getenv})
		if err != nil {
			return err
		}
		out, err := l.Remotes().Run(ctx, r, library.SyncOptions{Remote: ref, Who: author, Now: time.Now})
		if err != nil || out.Conflict() {
			return fmt.Errorf("a conflict, or %v", err)
		}
		return r.Close()
	case "clone":
		r, err := transport.Dial(args[1], transport.Options{Getenv: os.Getenv})
		if err != nil {
			return err
		}
		_, err = library.Clone(ctx, args[2], r, args[1], schema.Default(), store.Options{}, author, time.Now())
		return err
	}
	return fmt.Errorf("no operation %q", op)
}

// exchange is the folder with the copies that merge and exchange are measured on. For each side,
// "git" and "own", it holds a library, a bare one that it sends to, NAME.git, and a second copy of
// it, NAME-2.
type exchange struct {
	tmp   string
	tunes []string // in the program's library
}

func (x exchange) at(name string) string { return filepath.Join(x.tmp, name) }

func run(dir string, args ...string) error {
	if out, err := git(dir, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("git %v: %w: %s", args, err, out)
	}
	return nil
}

// copy makes the three of one side.
func (x exchange) copy(lib, name string) error {
	if out, err := exec.Command("cp", "-a", lib, x.at(name)).CombinedOutput(); err != nil {
		return fmt.Errorf("%v: %s", err, out)
	}
	if err := run(x.tmp, "clone", "-q", "--bare", "--no-hardlinks", lib, x.at(name+".git")); err != nil {
		return err
	}
	if err := run(x.tmp, "clone", "-q", "--no-hardlinks", x.at(name+".git"), x.at(name+"-2")); err != nil {
		return err
	}
	for _, c := range []string{name, name + "-2"} {
		_ = run(x.at(c), "remote", "remove", "origin")
		for _, args := range [][]string{{"remote", "add", "origin", x.at(name + ".git")}, {"fetch", "-q"}, {"branch", "-q", "-u", "origin/main"},
			{"config", "user.name", "T"}, {"config", "user.email", "t@example.org"}, {"config", "maintenance.auto", "false"}, {"config", "gc.auto", "0"}} {
			if err := run(x.at(c), args...); err != nil {
				return err
			}
		}
	}
	return fork(x.at(name))
}

// change makes one commit with git, in either copy alike.
func (x exchange) change(dir string) func(int) error {
	return func(i int) error {
		rel, _ := filepath.Rel(x.at("own"), x.tunes[i%len(x.tunes)])
		name := filepath.Join(dir, rel)
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		if err := os.WriteFile(name, append(text, fmt.Sprintf("# round %d\n", i)...), 0o666); err != nil {
			return err
		}
		return run(dir, "commit", "-qam", "round")
	}
}

// there does it in the other copy and sends it, so that this one has something to fetch.
func (x exchange) there(dir string) func(int) error {
	return func(i int) error {
		if err := run(dir+"-2", "pull", "-q", "--ff-only"); err != nil {
			return err
		}
		if err := x.change(dir + "-2")(i); err != nil {
			return err
		}
		return run(dir+"-2", "push", "-q", "origin", "main")
	}
}

// compareSync measures merge and exchange on a library that generate made.
func compareSync(lib string, rounds int, only string) error {
	tmp, err := os.MkdirTemp("", "rigkeep-bench-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	x := exchange{tmp: tmp}
	for _, name := range []string{"git", "own"} {
		if err := x.copy(lib, name); err != nil {
			return err
		}
	}
	commits, _ := git(x.at("git"), "rev-list", "--count", "HEAD").Output()
	files, _ := git(x.at("git"), "ls-files").Output()
	fmt.Printf("%d files, %s commits; %d rounds\n\n", bytes.Count(files, []byte("\n")), strings.TrimSpace(string(commits)), rounds)
	if x.tunes, err = filepath.Glob(filepath.Join(x.at("own"), "rigs", "*", "*", "main.toml")); err != nil || len(x.tunes) == 0 {
		return fmt.Errorf("no tunes: %v", err)
	}
	return printRows(x.rows(rounds), only)
}

// rows are the jobs of merge and exchange.
func (x exchange) rows(rounds int) []row {
	g, o := x.at("git"), x.at("own")
	one := func(before func(int) error, args ...string) side {
		return side{before, func(int) (*exec.Cmd, *exec.Cmd) { return git(g, args...), nil }}
	}
	own := func(before func(int) error, op string, args ...string) side {
		return side{before, func(int) (*exec.Cmd, *exec.Cmd) { return self("sync:"+op, append([]string{o}, args...)...), nil }}
	}
	back := func(dir string) func(int) error {
		return func(int) error { return run(dir, "reset", "-q", "--hard", "start") }
	}
	home := func(dir string) func(int) error {
		return func(int) error { return run(dir, "checkout", "-q", "main") }
	}
	n := 0
	fresh := func() string { n++; return x.at(fmt.Sprintf("clone%d", n)) }
	return []row{
		{"merge of 50+50 commits, 20 files changed on both sides: git merge-tree --write-tree", one(nil, "merge-tree", "--write-tree", "start", "theirs"), own(nil, "merge", "theirs"), "2.0", rounds},
		{"the same, saved and in the work tree: git merge", one(back(g), "merge", "-q", "--no-edit", "theirs"), own(back(o), "merge-save", "theirs"), "", rounds},
		{"push of one commit to a folder: git push", one(both(home(g), x.change(g)), "push", "-q", "origin", "main"), own(both(home(o), x.change(o)), "sync", ""), "1.5", rounds},
		{"fetch of one commit from a folder, work tree moved: git pull --ff-only", one(x.there(g), "pull", "-q", "--ff-only"), own(x.there(o), "sync", ""), "1.5", rounds},
		{"nothing new: git fetch", one(nil, "fetch", "-q"), own(nil, "sync", ""), "", rounds},
		{"clone from a folder: git clone --no-hardlinks", side{nil, func(int) (*exec.Cmd, *exec.Cmd) {
			return git(x.tmp, "clone", "-q", "--no-hardlinks", "file://"+g+".git", fresh()), nil
		}},
			side{nil, func(int) (*exec.Cmd, *exec.Cmd) { return self("sync:clone", o, o+".git", fresh()), nil }}, "", 3},
	}
}

func both(a, b func(int) error) func(int) error {
	return func(i int) error {
		if err := a(i); err != nil {
			return err
		}
		return b(i)
	}
}

// fork makes branches ours and theirs, fifty commits each, of which twenty touch the same files
// at other keys, and leaves ours checked out.
func fork(dir string) error {
	tunes, err := filepath.Glob(filepath.Join(dir, "rigs", "*", "*", "main.toml"))
	if err != nil || len(tunes) < 100 {
		return fmt.Errorf("%d tunes; a library of 100 rigs or more is needed", len(tunes))
	}
	for _, b := range []struct {
		name, from, to string
		first          int
	}{{"ours", "tilt = ", "tilt = 1", 0}, {"theirs", "pan = ", "pan = 1", 30}} {
		for _, args := range [][]string{{"checkout", "-q", "-b", b.name, "main"}} {
			if out, err := git(dir, args...).CombinedOutput(); err != nil {
				return fmt.Errorf("%v: %s", err, out)
			}
		}
		for _, name := range tunes[b.first : b.first+50] {
			text, err := os.ReadFile(name)
			if err != nil {
				return err
			}
			// One digit more would leave the dial: the first is put in place of the old.
			i := bytes.Index(text, []byte("\n"+b.from)) + len(b.from) + 1
			now := append(append(bytes.Clone(text[:i]), "7"...), text[i+1:]...)
			if bytes.Equal(now, text) {
				now[i] = '6'
			}
			if err := os.WriteFile(name, now, 0o666); err != nil {
				return err
			}
			if out, err := git(dir, "commit", "-qam", "Change "+b.name).CombinedOutput(); err != nil {
				return fmt.Errorf("%v: %s", err, out)
			}
		}
	}
	for _, args := range [][]string{{"checkout", "-q", "ours"}, {"tag", "start"}} {
		if out, err := git(dir, args...).CombinedOutput(); err != nil {
			return fmt.Errorf("%v: %s", err, out)
		}
	}
	return nil
}
