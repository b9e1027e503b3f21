// Command bench compares the store with plain git, side by side on copies of one library, and
// prints the table of "Figures: store" in FIGURES.md. Every figure is a whole process from start to exit; runs
// of the two sides alternate, and the median of each is taken.
//
//	go run ./repo/bench -library DIR [-rounds 15]
//	go run ./repo/bench -library DIR -generate 2000 -commits 16000
//	go run ./repo/bench -library DIR -sync
//	go run ./repo/bench -library DIR -scale 10000,30000,100000 [-rounds 5]
//
// DIR is a library of builds and tunes as -generate makes it.
package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"rigkeep/repo/store"
)

func main() {
	if op := os.Getenv("RIGKEEP_BENCH_OP"); op != "" {
		err := error(nil)
		if s, ok := strings.CutPrefix(op, "sync:"); ok {
			err = syncWork(s, os.Args[1:])
		} else {
			err = work(op, os.Args[1:])
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	library := flag.String("library", "", "the library to measure on (it is copied)")
	rounds := flag.Int("rounds", 15, "rounds per row")
	only := flag.String("only", "", "only rows whose name holds this text")
	sync := flag.Bool("sync", false, "measure merge and sync, on a library made with -generate")
	make := flag.Int("generate", 0, "write a library of this many rigs to -library, and end")
	commits := flag.Int("commits", 1000, "with -generate: how many further commits")
	sizes := flag.String("scale", "", "measure libraries of these many rigs, made below -library if they are not there yet")
	flag.Parse()
	if *library != "" && *sizes != "" {
		if err := compareScale(*library, *sizes, *rounds); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	if *library != "" && (*sync || *make > 0) {
		err := error(nil)
		if *make > 0 {
			err = generate(*library, *make, *commits, 1)
		} else {
			err = compareSync(*library, *rounds, *only)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	if *library == "" {
		flag.Usage()
		os.Exit(2)
	}
	if err := compare(*library, *rounds, *only); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

var author = store.Person{Name: "Gimbal technician", Email: "tech@example.org"}

// key stands in for the catalogue's extractor: the value of one "key = value" line.
func key(data []byte, name string) (string, bool) {
	_, rest, ok := bytes.Cut(data, []byte("\n"+name+" = "))
	line, _, _ := bytes.Cut(rest, []byte("\n"))
	return string(line), ok
}

// work is one operation of the store, in a process of its own.
func work(op string, args []string) error {
	if op == "nothing" {
		return nil
	}
	if op != "rebuild" {
		debug.SetGCPercent(800) // as cmd/rigkeep has it while little is in use
	}
	l, err := store.OpenWith(args[0], store.Options{AnyRepository: true})
	if err != nil {
		return err
	}
	switch op {
	case "show":
		head, err := l.Head()
		if err != nil {
			return err
		}
		data, err := l.Revisions().ReadAt(head, args[1])
		if err != nil {
			return err
		}
		_, err = os.Stdout.Write(data)
		return err
	case "save":
		data, err := l.Work().Read(args[1])
		if err != nil {
			return err
		}
		_, err = l.Writer().Save(context.Background(), store.SaveRequest{Files: []store.File{{Path: args[1], Data: data}}, Subject: "m", Author: author, When: time.Now()})
		return err
	case "history":
		revs, err := l.History().Of(args[1], 0)
		for _, r := range revs {
			fmt.Println(r.ID, r.When.Format(time.RFC3339), r.Author.Name, r.Subject)
		}
		return err
	case "key": // of a tune's stiffness, which comes first in it
		revs, err := l.History().OfKey(args[1], 1, func(data []byte) (string, bool) { return key(data, args[2]) })
		for _, r := range revs {
			fmt.Println(r.ID, r.When.Format(time.RFC3339), r.Author.Name, r.Value)
		}
		return err
	case "list":
		list, err := l.Work().Summaries(store.SummaryOptions{Name: "bench", Version: "1", SavedOnly: len(args) > 1,
			Extract: func(_ string, data []byte) string {
				a, _ := key(data, "alias")
				b, _ := key(data, "gimbal")
				c, _ := key(data, "mass_kg")
				return a + "\t" + b + "\t" + c
			}})
		var b bytes.Buffer
		for _, s := range list {
			fmt.Fprintf(&b, "%s\t%s\t%s\n", s.Path, s.Value, s.Unsaved)
		}
		_, _ = os.Stdout.Write(b.Bytes())
		return err
	case "status":
		changes, err := l.Work().Status()
		for _, c := range changes {
			fmt.Println(c)
		}
		return err
	case "merge-base":
		a, err := l.Revisions().Resolve(args[1])
		if err != nil {
			return err
		}
		b, err := l.Revisions().Resolve(args[2])
		if err != nil {
			return err
		}
		ids, err := l.Revisions().MergeBase(a, b)
		fmt.Println(ids)
		return err
	case "date":
		id, err := l.Revisions().Resolve(args[1])
		fmt.Println(id)
		return err
	case "rebuild":
		_, _, common := l.Folders()
		for _, n := range []string{"history", "history.journal"} {
			_ = os.Remove(filepath.Join(common, "rigkeep", n))
		}
		_, err := l.History().Of(args[1], 1)
		return err
	}
	return fmt.Errorf("no operation %q", op)
}

// side is one of the two things that a row compares.
type side struct {
	before func(i int) error // not measured
	run    func(i int) (*exec.Cmd, *exec.Cmd)
}

type result struct {
	median time.Duration
	cpu    time.Duration // user and system time, median
	rss    int64         // KiB
}

func compare(library string, rounds int, only string) error {
	tmp, err := os.MkdirTemp("", "rigkeep-bench-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	copies, err := copiesOf(library, tmp)
	if err != nil {
		return err
	}
	g, gg, o := copies["git"], copies["graph"], copies["own"]
	hot, median, changes, files, err := paths(g)
	if err != nil {
		return err
	}
	commits, _ := git(g, "rev-list", "--count", "HEAD").Output()
	fmt.Printf("%d files, %s commits; hottest path %d changes, median path %d; %d rounds\n\n", files, strings.TrimSpace(string(commits)), changes[0], changes[1], rounds)
	if err := warm(o, hot); err != nil {
		return err
	}
	fmt.Println()
	if err := printRows(storeRows(g, gg, o, hot, median, rounds), only); err != nil {
		return err
	}
	for _, dir := range []string{g, o} {
		if out, err := git(dir, "fsck", "--strict", "--no-dangling").CombinedOutput(); err != nil || len(out) > 0 {
			return fmt.Errorf("git fsck in %s: %v %s", dir, err, out)
		}
		if out, err := git(dir, "status", "--porcelain").CombinedOutput(); err != nil || len(out) > 0 {
			return fmt.Errorf("git status in %s: %v %s", dir, err, out)
		}
	}
	return nil
}

// copiesOf makes the copies that the sides work on: git's, one with what plain git derives, and
// the store's.
func copiesOf(library, tmp string) (map[string]string, error) {
	copies := map[string]string{}
	for _, name := range []string{"git", "graph", "own"} {
		to := filepath.Join(tmp, name)
		if out, err := exec.Command("cp", "-a", library, to).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("%v: %s", err, out)
		}
		copies[name] = to
		_ = os.RemoveAll(filepath.Join(to, ".git", "rigkeep"))
		if err := git(to, "update-index", "-q", "--refresh").Run(); err != nil {
			return nil, err
		}
	}
	return copies, git(copies["graph"], "commit-graph", "write", "--reachable", "--changed-paths").Run()
}

// warm makes what is derived, as it is after the first use, and says what the first use costs.
func warm(own, path string) error {
	if err := self("list", own).Run(); err != nil {
		return err
	}
	start := time.Now()
	build := self("rebuild", own, path)
	if err := build.Run(); err != nil {
		return err
	}
	fmt.Printf("history index from nothing: %.2f s, %d MiB\n", time.Since(start).Seconds(), maxrss(build)/1024)
	time.Sleep(2500 * time.Millisecond) // folder times must settle before they are kept
	for range 2 {
		if err := self("status", own).Run(); err != nil {
			return err
		}
	}
	return nil
}

// row is one job, done by both sides.
type row struct {
	name     string
	git, own side
	target   string
	rounds   int
}

// storeRows are the jobs of the store. g, gg and o are the copies of copiesOf.
func storeRows(g, gg, o, hot, median string, rounds int) []row {
	line := func(path, key string) string {
		data, _ := os.ReadFile(filepath.Join(g, path))
		for i, l := range strings.Split(string(data), "\n") {
			if strings.HasPrefix(l, key+" = ") {
				return fmt.Sprintf("%d,%d", i+1, i+1)
			}
		}
		return "1,1"
	}
	one := func(dir string, args ...string) side {
		return side{run: func(int) (*exec.Cmd, *exec.Cmd) { return git(dir, args...), nil }}
	}
	own := func(op string, args ...string) side {
		return side{run: func(int) (*exec.Cmd, *exec.Cmd) { return self(op, append([]string{o}, args...)...), nil }}
	}
	n := 0
	touch := func(dir string) func(i int) error {
		return func(int) error {
			n++
			name := filepath.Join(dir, filepath.FromSlash(hot))
			text, err := os.ReadFile(name)
			if err != nil {
				return err
			}
			at := bytes.Index(text, []byte("\ntilt = ")) + len("\ntilt = ")
			end := at + bytes.IndexByte(text[at:], '\n')
			return os.WriteFile(name, slices.Concat(text[:at], fmt.Appendf(nil, "20.%04d", n), text[end:]), 0o666)
		}
	}
	return []row{
		{"start of a process (git --version / nothing)", one(g, "--version"), own("nothing"), "", rounds},
		{"show: git show HEAD:path", one(g, "show", "HEAD:"+hot), own("show", hot), "2.0", rounds},
		{"save, all synced: git add + git commit (nothing synced)", side{touch(g), func(i int) (*exec.Cmd, *exec.Cmd) {
			return git(g, "add", hot), git(g, "commit", "-q", "-m", "m")
		}}, side{touch(o), func(int) (*exec.Cmd, *exec.Cmd) { return self("save", o, hot), nil }}, "1.0", rounds},
		{"save, all synced: git commit -m -- path, no maintenance", side{touch(g), func(i int) (*exec.Cmd, *exec.Cmd) {
			return git(g, "-c", "maintenance.auto=false", "commit", "-q", "-m", "m", "--", hot), nil
		}}, side{touch(o), func(int) (*exec.Cmd, *exec.Cmd) { return self("save", o, hot), nil }}, "", rounds},
		{"history, hottest path: git log -- path", one(g, "log", "--format=%H %aI %an %s", "--", hot), own("history", hot), "0.03", rounds},
		{"history, median path: git log -- path", one(g, "log", "--format=%H %aI %an %s", "--", median), own("history", median), "0.03", rounds},
		{"history, hottest path: same with commit-graph and filters", one(gg, "log", "--format=%H %aI %an %s", "--", hot), own("history", hot), "0.25", rounds},
		{"history, median path: same with commit-graph and filters", one(gg, "log", "--format=%H %aI %an %s", "--", median), own("history", median), "0.25", rounds},
		{"last change of a key, hottest path: git blame -L with filters", one(gg, "blame", "-L", line(hot, "tilt"), "--", hot), own("key", hot, "tilt"), "0.4", rounds},
		{"last change of a key, median path: git blame -L with filters", one(gg, "blame", "-L", line(median, "tilt"), "--", median), own("key", median, "tilt"), "0.4", rounds},
		{"list all with summary and unsaved edits: git grep of three keys", one(g, "grep", "-hE", "^(alias|gimbal|mass_kg) = "), own("list"), "0.3", rounds},
		{"list all with summary, last revision only: git grep at HEAD", one(g, "grep", "-hE", "^(alias|gimbal|mass_kg) = ", "HEAD"), own("list", "saved"), "", rounds},
		{"status: git status --porcelain", one(g, "status", "--porcelain"), own("status"), "0.8", rounds},
		{"merge base of HEAD~50 and HEAD: git merge-base", one(g, "merge-base", "HEAD", "HEAD~50"), own("merge-base", "HEAD", "HEAD~50"), "", rounds},
		{"revision at a date half-way: git rev-list --before", one(g, "rev-list", "-1", "--first-parent", "--before="+midDate(g), "HEAD"), own("date", midDate(g)), "", rounds},
	}
}

// printRows measures the rows whose name holds a text, and prints their table.
func printRows(rows []row, only string) error {
	fmt.Printf("| job (plain git's side) | git | own | ratio | target | ratio of CPU time | MiB git / own |\n|---|---|---|---|---|---|---|\n")
	for _, r := range rows {
		if !strings.Contains(r.name, only) {
			continue
		}
		a, b, err := alternate(r.git, r.own, r.rounds)
		if err != nil {
			return fmt.Errorf("%s: %w", r.name, err)
		}
		fmt.Printf("| %s | %s | %s | **%.3f** | %s | %.3f | %d / %d |\n", r.name, ms(a.median), ms(b.median),
			float64(b.median)/float64(a.median), r.target, float64(b.cpu)/float64(a.cpu), a.rss/1024, b.rss/1024)
	}
	return nil
}

func ms(d time.Duration) string { return fmt.Sprintf("%.1f ms", float64(d.Microseconds())/1000) }

// midDate gives the time of the commit in the middle of history.
func midDate(dir string) string {
	n, _ := git(dir, "rev-list", "--count", "HEAD").Output()
	var count int
	_, _ = fmt.Sscan(string(n), &count)
	out, _ := git(dir, "log", "-1", "--format=%cI", fmt.Sprintf("HEAD~%d", count/2)).Output()
	return strings.TrimSpace(string(out))
}

// alternate runs both sides in turns, the order changing, and takes medians.
func alternate(a, b side, rounds int) (ra, rb result, err error) {
	var ta, tb, ca, cb []time.Duration
	for i := range rounds {
		pair := []*side{&a, &b}
		if i%2 == 1 {
			pair[0], pair[1] = pair[1], pair[0]
		}
		for _, s := range pair {
			d, cpu, rss, err := once(s)
			if err != nil {
				return ra, rb, err
			}
			if s == &a {
				ta, ca = append(ta, d), append(ca, cpu)
				ra.rss = max(ra.rss, rss)
			} else {
				tb, cb = append(tb, d), append(cb, cpu)
				rb.rss = max(rb.rss, rss)
			}
		}
	}
	for _, t := range [][]time.Duration{ta, tb, ca, cb} {
		slices.Sort(t)
	}
	mid := len(ta) / 2
	ra.median, rb.median, ra.cpu, rb.cpu = ta[mid], tb[mid], ca[mid], cb[mid]
	return ra, rb, nil
}

var serial int

func once(s *side) (wall, cpu time.Duration, rss int64, err error) {
	serial++
	if s.before != nil {
		if err := s.before(serial); err != nil {
			return 0, 0, 0, err
		}
	}
	first, second := s.run(serial)
	start := time.Now()
	for _, c := range []*exec.Cmd{first, second} {
		if c == nil {
			continue
		}
		var errs bytes.Buffer
		c.Stdout, c.Stderr = io.Discard, &errs
		if err := c.Run(); err != nil {
			return 0, 0, 0, fmt.Errorf("%v: %w: %s", c.Args, err, errs.String())
		}
		rss = max(rss, maxrss(c))
		cpu += c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	}
	return time.Since(start), cpu, rss, nil
}

func git(dir string, args ...string) *exec.Cmd {
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_AUTHOR_NAME=T", "GIT_AUTHOR_EMAIL=t@example.org", "GIT_COMMITTER_NAME=T", "GIT_COMMITTER_EMAIL=t@example.org",
		"GIT_CONFIG_NOSYSTEM=1", "GIT_PAGER=cat")
	return cmd
}

func self(op string, args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), "RIGKEEP_BENCH_OP="+op)
	return cmd
}

// paths finds the path changed most often and one in the middle.
func paths(dir string) (hot, median string, changes [2]int, files int, err error) {
	out, err := git(dir, "log", "--format=", "--name-only").Output()
	if err != nil {
		return
	}
	n := map[string]int{}
	for line := range strings.Lines(string(out)) {
		if p := strings.TrimSpace(line); p != "" {
			n[p]++
		}
	}
	out, err = git(dir, "ls-files").Output()
	if err != nil {
		return
	}
	all := strings.Fields(string(out))
	files = len(all)
	all = slices.DeleteFunc(all, func(p string) bool { return !strings.HasSuffix(p, "/main.toml") })
	slices.SortFunc(all, func(a, b string) int {
		if n[a] != n[b] {
			return n[b] - n[a]
		}
		return strings.Compare(a, b)
	})
	hot, median = all[0], all[len(all)/2]
	return hot, median, [2]int{n[hot], n[median]}, files, nil
}
