package repo

import (
	"os"
	"testing"
)

func BenchmarkZStatus(b *testing.B) {
	dir := os.Getenv("LIB")
	for b.Loop() {
		l, err := OpenWith(dir, Options{AnyRepository: true})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := l.Status(); err != nil {
			b.Fatal(err)
		}
	}
}
func BenchmarkZIndex(b *testing.B) {
	dir := os.Getenv("LIB")
	for b.Loop() {
		os.RemoveAll(dir + "/.git/rigkeep/history")
		os.RemoveAll(dir + "/.git/rigkeep/history.journal")
		l, err := OpenWith(dir, Options{AnyRepository: true})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := l.History("rigs/x.toml", 0); err != nil {
			b.Fatal(err)
		}
	}
}
