package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"rigkeep/preset"
)

// TestDemoBuildsArePossible: no part of a build of the demo or the examples lies inside another further than
// a ruler's error (10 mm and 5 % of the smaller), and each build says where its parts are.
func TestDemoBuildsArePossible(t *testing.T) {
	seen := 0
	for _, pattern := range []string{filepath.Join(demoLibrary(t), "rigs", "*", "*", preset.RigName), filepath.Join("..", "..", "examples", "demo", "files", "*-cam*.toml")} {
		names, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			r, err := preset.UncheckedRig("", text)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := r.Properties(); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			for _, o := range r.Overlaps() {
				t.Errorf("%s: %s", name, o.Words(func(m float64) string { return fmt.Sprintf("%.0f mm", m*1000) }))
			}
			seen++
		}
	}
	if seen < 6 {
		t.Errorf("only %d builds", seen)
	}
}
