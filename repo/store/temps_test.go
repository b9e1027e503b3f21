package store

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"rigkeep/repo/internal/objects"
)

// TestOldTemps: what killed processes left half-written goes with a save once it is an hour old,
// what is younger stays, and Temps counts both. Without that only a repair or the packing of 2,000
// loose objects took anything away.
func TestOldTemps(t *testing.T) {
	l := freshLib(t)
	put(t, l, "a.toml", "a = 1\n")
	edit(t, l, "a.toml", "a = 2\n", "Begin")
	old := time.Now().Add(-2 * time.Hour)
	young := time.Now().Add(-30 * time.Minute)
	l.SetCache("x", []byte("x"))
	dirs := map[string]string{
		l.stateDir():                            "tmp_1_1_x",
		l.stateDir("cache"):                     "new-1_1_x",
		l.ObjectFolder():                        objects.TempPrefix + "1_1_x",
		filepath.Join(l.ObjectFolder(), "pack"): objects.PackTemp + "1_1_x",
	}
	var gone, stay []string
	for dir, name := range dirs {
		if err := os.MkdirAll(dir, 0o777); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			more string
			at   time.Time
			list *[]string
		}{{"a", old, &gone}, {"b", young, &stay}} {
			p := filepath.Join(dir, name+c.more)
			if err := os.WriteFile(p, []byte("12345"), 0o444); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(p, c.at, c.at); err != nil {
				t.Fatal(err)
			}
			*c.list = append(*c.list, p)
		}
	}
	received := filepath.Join(l.ObjectFolder(), receivedPrefix+"9_9_x_1")
	if err := os.WriteFile(received, []byte("12345"), 0o444); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(received, old, old); err != nil {
		t.Fatal(err)
	}
	gone = append(gone, received)
	if got := l.Work().Temps(); got != (Temps{9, 45}) {
		t.Errorf("there are %+v", got)
	}
	if err := os.Chtimes(l.stateDir("swept"), old, old); err != nil {
		t.Fatal(err)
	}
	edit(t, l, "a.toml", "a = 3\n", "More")
	for _, p := range gone {
		if _, err := os.Stat(p); err == nil {
			t.Errorf("%s is still there", p)
		}
	}
	for _, p := range stay {
		if _, err := os.Stat(p); err != nil {
			t.Errorf("%s is gone", p)
		}
	}
	if got := l.Work().Temps(); got != (Temps{4, 20}) {
		t.Errorf("there are %+v", got)
	}
	agrees(t, l.Root())
}
