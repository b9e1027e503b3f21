// Measure prints how long whole commands take on a synthetic library, beside
// plain git doing the nearest job, interleaved in one run: read the ratios.
//
//	go run ./.ci/measure [-tunes 1000] [-commits 3000] [-rounds 15] [-library DIR]
//
// DIR is a library that examples/synthetic made before; it is measured on a copy.
package main

import (
	"flag"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sort"
	"strings"
	"syscall"
	"time"

	"rigkeep/examples/synthetic"
)

func main() {
	log.SetFlags(0)
	tunes := flag.Int("tunes", 1000, "tunes in the library")
	commits := flag.Int("commits", 3000, "commits in the library")
	rounds := flag.Int("rounds", 15, "rounds; medians are printed")
	library := flag.String("library", "", "measure on a copy of this library")
	flag.Parse()
	top, err := os.MkdirTemp("", "rigkeep-measure-")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(top)
	s := subject{bin: filepath.Join(top, "rigkeep"), dir: filepath.Join(top, "lib"), graph: filepath.Join(top, "graph")}
	must(build(s.bin))
	if *library != "" {
		copyLibrary(*library, s.dir)
	} else if err := synthetic.Build(s.dir, synthetic.Options{Tunes: *tunes, Commits: *commits, Jobs: 20, Seed: 1}); err != nil {
		log.Fatal(err)
	} else {
		must(exec.Command("git", "-C", s.dir, "gc", "-q")) // as git likes it best
	}
	// Plain git with its own derived data: a commit-graph with filters of the changed paths.
	must(exec.Command("cp", "-a", s.dir, s.graph))
	must(exec.Command("git", "-C", s.graph, "commit-graph", "write", "--reachable", "--changed-paths"))
	files, err := filepath.Glob(filepath.Join(s.dir, "rigs", "*", "*", "main.toml"))
	if err != nil || len(files) == 0 {
		log.Fatal("no tune", err)
	}
	s.file, _ = filepath.Rel(s.dir, files[len(files)/2])
	s.fp = filepath.Base(filepath.Dir(s.file))
	pairs := s.pairs()

	count, err := exec.Command("git", "-C", s.dir, "rev-list", "--count", "HEAD").Output()
	if err != nil {
		log.Fatal(err)
	}
	revisions := strings.TrimSpace(string(count))
	fmt.Printf("%s, %s, %s/%s, %d cores; %d tunes, %s commits; medians of %d interleaved rounds\n\n", time.Now().Format("2006-01-02"), runtime.Version(), runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), len(files), revisions, *rounds)
	for _, first := range []struct {
		name string
		run  func() use
	}{{"first list: the summary from nothing", s.job(s.bin, "rig", "list")}, {"first history: the index from nothing", s.job(s.bin, "history", s.fp)}} {
		t := time.Now()
		u := first.run()
		fmt.Printf("%s: %.1f s, %.1f s of processor time, %d MiB\n", first.name, time.Since(t).Seconds(), u.cpu.Seconds(), u.kib/1024)
	}
	time.Sleep(2500 * time.Millisecond) // folder times must settle before they are kept
	s.job("sh", "-c", s.bin+" save || test $? = 2")()
	fmt.Println("\n| job: rigkeep / plain git | rigkeep ms | git ms | ratio | target | ratio of processor time | MiB rigkeep / git |\n|---|---:|---:|---:|---:|---:|---:|")
	for _, p := range pairs {
		fmt.Println(p.row(*rounds))
	}
}

func must(c *exec.Cmd) {
	if out, err := c.CombinedOutput(); err != nil {
		log.Fatalf("%s%v", out, err)
	}
}

// copyLibrary copies a library, without what was derived from it.
func copyLibrary(from, to string) {
	must(exec.Command("cp", "-a", from, to))
	os.RemoveAll(filepath.Join(to, ".git", "rigkeep"))
	must(exec.Command("git", "-C", to, "update-index", "-q", "--refresh"))
}

// subject is the library that is measured on, and the program.
type subject struct {
	bin, dir string
	graph    string // a copy of the library, with what plain git derives
	file, fp string // the tune that the jobs are about
}

// use is what one run of a command took.
type use struct {
	cpu time.Duration
	kib int64
}

// job gives a run of a command in the library.
func (s subject) job(args ...string) func() use {
	return func() use {
		c := exec.Command(args[0], args[1:]...)
		c.Dir = s.dir
		c.Env = append(os.Environ(), "RIGKEEP_AUTHOR=A-cam operator <a-cam@example.org>", "GIT_AUTHOR_NAME=x", "GIT_AUTHOR_EMAIL=x@example.org", "GIT_COMMITTER_NAME=x", "GIT_COMMITTER_EMAIL=x@example.org", "GIT_CONFIG_NOSYSTEM=1")
		if out, err := c.CombinedOutput(); err != nil {
			log.Fatalf("%v: %v\n%s", args, err, out)
		}
		st := c.ProcessState
		u := use{cpu: st.UserTime() + st.SystemTime()}
		if ru, ok := st.SysUsage().(*syscall.Rusage); ok {
			u.kib = ru.Maxrss
		}
		return u
	}
}

// pair is one row of the table: a job of the program, and the nearest of plain git.
type pair struct {
	name      string
	target    string
	before    func()
	ours, git func() use
}

// pairs are the rows of the table.
func (s subject) pairs() []pair {
	bin, file, fp, job := s.bin, s.file, s.fp, s.job
	n := 0
	edit := func() {
		n++
		f, err := os.OpenFile(filepath.Join(s.dir, file), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Fprintf(f, "# %d\n", n)
		f.Close()
	}
	none := func() {}
	text, err := os.ReadFile(filepath.Join(s.dir, file))
	if err != nil {
		log.Fatal(err)
	}
	line := strings.Count(string(text[:strings.Index(string(text), "\ntilt = ")]), "\n") + 2
	job(bin, "part", "new", "Measured lens", "--slot", "lens", "--mass", "480g", "--balance", "31,0,0mm")() // for the clone
	pairs := []pair{
		{"start of the process: completion / git --version", "", none, job(bin, "completion", "bash"), job("git", "--version")},
		{"show a tune's file: show --raw / git show HEAD:path", "2.0", none, job(bin, "show", fp, "--raw"), job("git", "show", "HEAD:"+filepath.ToSlash(file))},
		{"show a tune with units, SI, proof, unsaved edits / the same", "", none, job(bin, "show", fp), job("git", "show", "HEAD:"+filepath.ToSlash(file))},
		{"save, all synced / git add + commit, nothing synced", "1.0", edit, job(bin, "save", fp, "-m", "again"), job("sh", "-c", "git add "+file+" && git commit -q -m again")},
		{"history / git log -- path", "0.03", none, job(bin, "history", fp), job("git", "log", "--", file)},
		{"history / the same with commit-graph and filters", "0.25", none, job(bin, "history", fp), job("git", "-C", s.graph, "log", "--", file)},
		{"last change of a key / git blame -L with filters", "0.4", none, job(bin, "history", fp, "--key", "stiffness.tilt", "--limit", "1"), job("git", "-C", s.graph, "blame", "-L", fmt.Sprintf("%d,%d", line, line), "--", file)},
		{"history of a key / git log -G -- path", "", none, job(bin, "history", fp, "--key", "stiffness.tilt"), job("git", "log", "-Gtilt", "--", file)},
		{"list with summary and unsaved edits / git grep of three keys", "0.3", none, job(bin, "rig", "list"), job("git", "grep", "-E", "^(alias|gimbal|mass_kg)")},
		{"rig clone --dry-run / git grep of three keys", "0.7", none, job(bin, "rig", "clone", fp, "measured-clone", "--replace", "lens=measured-lens", "--dry-run"), job("git", "grep", "-E", "^(alias|gimbal|mass_kg)")},
		{"find with unsaved edits / git grep of three keys", "0.4", none, job("sh", "-c", bin+" find prime || test $? = 3"), job("git", "grep", "-E", "^(alias|gimbal|mass_kg)")},
		{"what is unsaved: save without a name / git status", "0.8", none, job("sh", "-c", bin+" save || test $? = 2"), job("git", "status", "--porcelain")},
		{"compare with HEAD / git diff", "", none, job(bin, "compare", fp), job("git", "diff", "--", file)},
		{"start / -", "150 ms", none, job(bin, "start", fp), nil},
	}
	if jobs, _ := filepath.Glob(filepath.Join(s.dir, "jobs", "*-job-0019.toml")); len(jobs) > 0 {
		pairs = append(pairs, pair{"review of a job with 20 rigs / -", "300 ms", none, job("sh", "-c", bin+" review job-0019 || test $? = 1"), nil})
	}
	return pairs
}

// row measures a pair, the two in turn.
func (p pair) row(rounds int) string {
	var a, b, ca, cb []float64
	var ma, mb int64
	clock := func(f func() use, wall, cpu *[]float64, kib *int64) {
		p.before()
		t := time.Now()
		u := f()
		*wall = append(*wall, float64(time.Since(t).Microseconds())/1000)
		*cpu = append(*cpu, float64(u.cpu.Microseconds())/1000)
		*kib = max(*kib, u.kib)
	}
	for range rounds {
		clock(p.ours, &a, &ca, &ma)
		if p.git != nil {
			clock(p.git, &b, &cb, &mb)
		}
	}
	row := fmt.Sprintf("| %s | %.1f |", p.name, median(a))
	if p.git != nil {
		row += fmt.Sprintf(" %.1f | %.3f | %s | %.3f | %d / %d |", median(b), median(a)/median(b), p.target, median(ca)/median(cb), ma/1024, mb/1024)
	} else {
		row += fmt.Sprintf(" | | %s | | %d |", p.target, ma/1024)
	}
	return strings.ReplaceAll(row, "  ", " ")
}

// build makes the program as README.md says to.
func build(to string) *exec.Cmd {
	c := exec.Command("go", "build", "-o", to, "./cmd/rigkeep")
	c.Env = append(os.Environ(), "CGO_ENABLED=0")
	return c
}

func median(v []float64) float64 {
	sort.Float64s(v)
	return v[len(v)/2]
}
