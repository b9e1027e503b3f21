package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"rigkeep/examples/synthetic"
	"rigkeep/preset"
)

// BenchmarkHandover runs the whole commands in a library of 10,000 tunes; aim: each under 500 ms.
func BenchmarkHandover(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "large")
	if err := synthetic.Build(dir, synthetic.Options{Tunes: 10_000, Commits: 10_000, Jobs: 50, Seed: 1}); err != nil {
		b.Fatal(err)
	}
	paths, err := filepath.Glob(filepath.Join(dir, "rigs", "*", "*", "main.toml"))
	if err != nil || len(paths) < 9_000 {
		b.Fatal(len(paths), err)
	}
	fp := filepath.Base(filepath.Dir(paths[len(paths)/2]))
	run := func(dir string, args ...string) {
		if code, out := handoverRun(dir, args...); code != exitOK && code != exitFindings {
			b.Fatalf("%v: exit %d\n%s", args, code, out)
		}
	}
	out := filepath.Join(b.TempDir(), "x.zip")
	run(dir, "handover", "write", fp, out) // the history index is made once
	b.Run("write", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			run(dir, "handover", "write", fp, out, "--force")
		}
	})
	b.Run("read", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			run(dir, "handover", "read", out)
		}
	})
	b.Run("accept", func(b *testing.B) {
		b.ReportAllocs()
		small := filepath.Join(b.TempDir(), "small")
		run(b.TempDir(), "init", small)
		run(small, "handover", "accept", out, "--unsigned")
		tune := filepath.Join(small, filepath.FromSlash(preset.TunePath(fp, "main")))
		for i := 0; b.Loop(); i++ {
			b.StopTimer()
			f, err := os.OpenFile(tune, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				b.Fatal(err)
			}
			fmt.Fprintf(f, "# note %d\n", i)
			f.Close()
			run(small, "save", fp, "-m", "Note")
			run(small, "handover", "write", fp, out, "--force")
			b.StartTimer()
			run(dir, "handover", "accept", out, "--unsigned")
		}
	})
}
