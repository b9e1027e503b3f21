package store

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The benchmarks run on libraries of 100 and 1,000 tunes, each tune changed ten times on
// average; RIGKEEP_BENCH=10000 adds that size (and makes it, which takes half a minute).
// repo/bench compares whole processes with plain git.

func sizes() []int {
	out := []int{100, 1000}
	if n, err := strconv.Atoi(os.Getenv("RIGKEEP_BENCH")); err == nil && n > 0 {
		out = append(out, n)
	}
	return out
}

// grown makes a library of n tunes with 10 n revisions, packed.
func grown(b *testing.B, n int) *Lib {
	dir := b.TempDir()
	git(b, dir, "init", "-q", "-b", "main")
	var s bytes.Buffer
	for i := range 10 * n {
		k := i % n
		if i >= n {
			k = i * 7919 % n
		}
		text := benchTune(k, i)
		fmt.Fprintf(&s, "commit refs/heads/main\ncommitter T <t@example.org> %d +0000\ndata 4\nstep\nM 100644 inline %s\ndata %d\n%s\n", 1700000000+i*60, benchPath(k), len(text), text)
	}
	fmt.Fprintf(&s, "commit refs/heads/main\ncommitter T <t@example.org> %d +0000\ndata 1\nm\nM 100644 inline library.toml\ndata 11\nformat = 1\n\n", 1700000000+n*600)
	cmd := exec.Command("git", "fast-import", "--quiet")
	cmd.Dir, cmd.Stdin, cmd.Env = dir, &s, gitEnv()
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatal(err, string(out))
	}
	git(b, dir, "reset", "-q", "--hard")
	git(b, dir, "repack", "-q", "-a", "-d")
	l, err := Open(dir)
	if err != nil {
		b.Fatal(err)
	}
	return l
}

func benchPath(k int) string { return fmt.Sprintf("rigs/%02x/r%06d/t%d.toml", k/3%256, k/3, k%3) }

func benchTune(k, i int) string {
	return fmt.Sprintf("format = 1\nkind = \"tune\"\nrig = \"r%d\"\n[stiffness]\npan = %d\nroll = %d\ntilt = %d\n%s", k, i%100, k%100, (i+k)%100,
		strings.Repeat("# kept by hand\n", 20))
}

func each(b *testing.B, fn func(b *testing.B, l *Lib, n int)) {
	for _, n := range sizes() {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			l := grown(b, n)
			fn(b, l, n)
		})
	}
}

// BenchmarkOpen opens the library and reads one tune of the last revision.
func BenchmarkOpen(b *testing.B) {
	each(b, func(b *testing.B, l *Lib, n int) {
		for b.Loop() {
			l := must(Open(l.Root()))(b)
			if _, err := l.Revisions().ReadAt(must(l.Head())(b), benchPath(n/2)); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkSave saves an edit, synced.
func BenchmarkSave(b *testing.B) {
	each(b, func(b *testing.B, l *Lib, n int) {
		i := 0
		for b.Loop() {
			i++
			path := benchPath(n / 2)
			text := benchTune(n/2, i)
			if err := os.WriteFile(l.work(path), []byte(text), 0o666); err != nil {
				b.Fatal(err)
			}
			if _, err := l.Writer().Save(ctx, SaveRequest{Files: []File{{Path: path, Data: []byte(text)}}, Subject: "s", Author: aCam, When: time.Now(), AllowSame: true}); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkHistory asks for the history of one tune in a freshly opened library.
func BenchmarkHistory(b *testing.B) {
	each(b, func(b *testing.B, l *Lib, n int) {
		must(l.History().Of(benchPath(n/2), 0))(b)
		for b.Loop() {
			if revs := must(must(Open(l.Root()))(b).History().Of(benchPath(n/2), 0))(b); len(revs) == 0 {
				b.Fatal("no revisions")
			}
		}
	})
}

// BenchmarkHistoryIndex builds the history index from nothing.
func BenchmarkHistoryIndex(b *testing.B) {
	each(b, func(b *testing.B, l *Lib, n int) {
		for b.Loop() {
			if err := os.RemoveAll(l.stateDir("history")); err != nil {
				b.Fatal(err)
			}
			must(must(Open(l.Root()))(b).History().Of(benchPath(n/2), 1))(b)
		}
	})
}

// BenchmarkList lists every tune with a line from its contents, unsaved edits included.
func BenchmarkList(b *testing.B) {
	each(b, func(b *testing.B, l *Lib, n int) {
		opt := SummaryOptions{Name: "bench", Version: "1", Extract: func(_ string, data []byte) string { return string(data[:min(60, len(data))]) }}
		must(l.Work().Summaries(opt))(b)
		for b.Loop() {
			if list := must(must(Open(l.Root()))(b).Work().Summaries(opt))(b); len(list) < n/2 {
				b.Fatal(len(list))
			}
		}
	})
}

// BenchmarkStatus looks for edits by hand.
func BenchmarkStatus(b *testing.B) {
	each(b, func(b *testing.B, l *Lib, n int) {
		for b.Loop() {
			if ch := must(must(Open(l.Root()))(b).Work().Status())(b); len(ch) != 0 {
				b.Fatal(ch)
			}
		}
	})
}
