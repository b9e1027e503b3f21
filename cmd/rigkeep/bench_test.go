package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigkeep/examples/synthetic"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// sizes of the benchmark libraries; 10,000 tunes with RIGKEEP_BIG=1.
func sizes() []int {
	s := []int{100, 1000}
	if os.Getenv("RIGKEEP_BIG") != "" {
		s = append(s, 10000)
	}
	return s
}

func benchLibrary(b *testing.B, tunes int) (dir, alias, fp string) {
	b.Helper()
	dir = filepath.Join(b.TempDir(), "lib")
	if err := synthetic.Build(dir, synthetic.Options{Tunes: tunes, Commits: tunes * 3, Jobs: 10, Seed: 1}); err != nil {
		b.Fatal(err)
	}
	l, err := library.Open(dir, schema.Default(), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	rigs, err := l.Names().Rigs()
	if err != nil {
		b.Fatal(err)
	}
	return dir, rigs[0].Alias, rigs[0].Fingerprint
}

// BenchmarkCommands runs whole commands in-process, at rising sizes: what grows
// with the library and what does not.
func BenchmarkCommands(b *testing.B) {
	for _, n := range sizes() {
		dir, alias, fp := benchLibrary(b, n)
		for _, c := range []struct {
			name string
			args []string
			code int
		}{
			{"open+show", []string{"show", fp}, 0},
			{"show-by-alias", []string{"show", alias}, 0},
			{"history", []string{"history", fp}, 0},
			{"history-key", []string{"history", fp, "--key", "stiffness.tilt"}, 0},
			{"compare", []string{"compare", fp + "@HEAD", fp}, 0},
			{"start", []string{"start", fp}, 0},
			{"list", []string{"rig", "list"}, 0},
			{"check", []string{"check"}, 0},
			{"review-job", []string{"review", "job-0009"}, 1}, // 20 rigs
			{"review-job-page", []string{"review", "job-0009", "--html", "-"}, 1},
		} {
			b.Run(fmt.Sprintf("%s/%d", c.name, n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					var out bytes.Buffer
					e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Dir: dir, Now: time.Now, Getenv: func(string) string { return "" }}
					if code := Main(append([]string{"rigkeep"}, c.args...), e); code != c.code {
						b.Fatalf("exit %d: %s", code, out.String())
					}
				}
			})
		}
		b.Run(fmt.Sprintf("save/%d", n), func(b *testing.B) {
			b.ReportAllocs()
			l, err := library.Open(dir, schema.Default(), store.Options{})
			if err != nil {
				b.Fatal(err)
			}
			path := preset.TunePath(fp, preset.MainTune)
			for i := 0; b.Loop(); i++ {
				text, err := l.Store.Work().Read(path)
				if err != nil {
					b.Fatal(err)
				}
				text = append(text, []byte(fmt.Sprintf("# %d\n", i))...)
				if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(path)), text, 0o644); err != nil {
					b.Fatal(err)
				}
				var out bytes.Buffer
				e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Dir: dir, Now: time.Now,
					Getenv: func(k string) string {
						return map[string]string{"RIGKEEP_AUTHOR": "A-cam operator <a-cam@example.org>"}[k]
					}}
				if code := Main([]string{"rigkeep", "save", fp, "-m", "again"}, e); code != 0 {
					b.Fatalf("exit %d: %s", code, out.String())
				}
			}
		})
	}
}

// BenchmarkPages writes a library of 1,000 rigs as pages; repo/bench/FIGURES.md has a table of it.
func BenchmarkPages(b *testing.B) {
	dir, _, _ := benchLibrary(b, 1000)
	to := filepath.Join(b.TempDir(), "site")
	for b.Loop() {
		var out bytes.Buffer
		e := Env{Stdin: strings.NewReader(""), Stdout: &out, Stderr: &out, Dir: dir, Now: time.Now, Getenv: func(string) string { return "" }}
		if code := Main([]string{"rigkeep", "pages", to, "--json"}, e); code != 0 {
			b.Fatalf("exit %d: %s", code, out.String())
		}
		var said struct{ Pages, Bytes int }
		if err := json.Unmarshal(out.Bytes(), &said); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(said.Pages), "pages")
		b.ReportMetric(float64(said.Bytes)/1e6, "MB")
	}
}

// BenchmarkServe asks a running server for pages of a large library, as a browser does. The
// first request after its start stands beside the next ones.
func BenchmarkServe(b *testing.B) {
	for _, n := range sizes() {
		dir, alias, _ := benchLibrary(b, n)
		b.Run(fmt.Sprintf("first/%d", n), func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				get, done := benchServer(b, dir)
				b.StartTimer()
				get("")
				b.StopTimer()
				done()
				b.StartTimer()
			}
		})
		get, done := benchServer(b, dir)
		for _, c := range []struct{ name, at string }{
			{"library", "index.html"}, {"rig", "rig-" + alias + ".html"}, {"bench", "bench-" + alias + ".html"},
			{"search-all", "index.html?q=lens"}, {"search-half", "index.html?q=skiff"}, {"search-two", "index.html?q=body+lens"}, {"search-one", "index.html?q=" + alias}, {"search-none", "index.html?q=nowhere"},
		} {
			b.Run(fmt.Sprintf("%s/%d", c.name, n), func(b *testing.B) {
				b.ReportAllocs()
				size := get(c.at)
				for b.Loop() {
					get(c.at)
				}
				b.ReportMetric(float64(size)/1e3, "kB")
			})
		}
		done()
	}
}

// benchServer runs serve; get asks for a page of it and gives its size.
func benchServer(b *testing.B, dir string) (get func(string) int, done func()) {
	b.Helper()
	s, done := startStand(b, dir, time.Now)
	own := s.at.Own
	return func(at string) int {
		b.Helper()
		if own != "" { // pairs, and leads to the library
			s.get(own)
			if own = ""; at == "" {
				return len(s.page)
			}
		}
		s.get(at)
		if s.code != http.StatusOK {
			b.Fatalf("%s: %d", at, s.code)
		}
		return len(s.page)
	}, done
}
