// Measure prints how long whole commands take on a synthetic library, beside
// plain git doing the nearest job, interleaved in one run: read the ratios.
//
//	go run ./.ci/measure [-tunes 1000] [-commits 3000] [-rounds 15]
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
	"time"

	"rigkeep/examples/synthetic"
)

func main() {
	log.SetFlags(0)
	tunes := flag.Int("tunes", 1000, "tunes in the library")
	commits := flag.Int("commits", 3000, "commits in the library")
	rounds := flag.Int("rounds", 15, "rounds; medians are printed")
	flag.Parse()
	top, err := os.MkdirTemp("", "rigkeep-measure-")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(top)
	bin, dir := filepath.Join(top, "rigkeep"), filepath.Join(top, "lib")
	if out, err := exec.Command("go", "build", "-ldflags=-s -w", "-o", bin, "./cmd/rigkeep").CombinedOutput(); err != nil {
		log.Fatalf("%s%v", out, err)
	}
	if err := synthetic.Build(dir, synthetic.Options{Tunes: *tunes, Commits: *commits, Jobs: 20, Seed: 1}); err != nil {
		log.Fatal(err)
	}
	paths, err := filepath.Glob(filepath.Join(dir, "rigs", "*", "*", "main.toml"))
	if err != nil || len(paths) == 0 {
		log.Fatal("no tune", err)
	}
	file, _ := filepath.Rel(dir, paths[len(paths)/2])
	fp := filepath.Base(filepath.Dir(file))
	n := 0
	edit := func() {
		n++
		f, err := os.OpenFile(filepath.Join(dir, file), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Fprintf(f, "# %d\n", n)
		f.Close()
	}
	job := func(args ...string) func() {
		return func() {
			c := exec.Command(args[0], args[1:]...)
			c.Dir = dir
			c.Env = append(os.Environ(), "RIGKEEP_AUTHOR=A-cam operator <a-cam@example.org>", "GIT_AUTHOR_NAME=x", "GIT_AUTHOR_EMAIL=x@example.org", "GIT_COMMITTER_NAME=x", "GIT_COMMITTER_EMAIL=x@example.org", "GIT_CONFIG_NOSYSTEM=1")
			if out, err := c.CombinedOutput(); err != nil {
				log.Fatalf("%v: %v\n%s", args, err, out)
			}
		}
	}
	type pair struct {
		name      string
		before    func()
		ours, git func()
	}
	none := func() {}
	pairs := []pair{
		{"start of the process: completion / git --version", none, job(bin, "completion", "bash"), job("git", "--version")},
		{"show a tune / git show HEAD:path", none, job(bin, "show", fp), job("git", "show", "HEAD:"+filepath.ToSlash(file))},
		{"history / git log -- path", none, job(bin, "history", fp), job("git", "log", "--", file)},
		{"history of a key / git log -G -- path", none, job(bin, "history", fp, "--key", "stiffness.tilt"), job("git", "log", "-Gtilt", "--", file)},
		{"list with summary / git grep of three keys", none, job(bin, "rig", "list"), job("git", "grep", "-E", "^(alias|gimbal|mass_kg)")},
		{"compare with HEAD / git diff", none, job(bin, "compare", fp), job("git", "diff", "--", file)},
		{"start / -", none, job(bin, "start", fp), nil},
		{"review of a job with 20 rigs / -", none, job("sh", "-c", bin+" review job-0019 || test $? = 1"), nil},
		{"save / git add + commit", edit, job(bin, "save", fp, "-m", "again"), job("sh", "-c", "git add "+file+" && git commit -q -m again")},
	}
	fmt.Printf("%s, %s, %s/%s, %d cores; %d tunes, %d commits; medians of %d interleaved rounds\n\n", time.Now().Format("2006-01-02"), runtime.Version(), runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), *tunes, *commits, *rounds)
	fmt.Println("| job | rigkeep ms | git ms | ratio |\n|---|---:|---:|---:|")
	for _, p := range pairs {
		var a, b []float64
		for range *rounds {
			p.before()
			a = append(a, clock(p.ours))
			if p.git != nil {
				p.before()
				b = append(b, clock(p.git))
			}
		}
		row := fmt.Sprintf("| %s | %.1f |", p.name, median(a))
		if p.git != nil {
			row += fmt.Sprintf(" %.1f | %.2f |", median(b), median(a)/median(b))
		} else {
			row += " | |"
		}
		fmt.Println(strings.ReplaceAll(row, "  ", " "))
	}
}

func clock(f func()) float64 {
	t := time.Now()
	f()
	return float64(time.Since(t).Microseconds()) / 1000
}

func median(v []float64) float64 {
	sort.Float64s(v)
	return v[len(v)/2]
}
