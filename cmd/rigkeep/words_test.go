package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// unplain are forms that no text for people may have.
var unplain = map[string]*regexp.Regexp{
	"a plural of one":            regexp.MustCompile(`(?m)(?:^|[ (])1 (?:files|findings|rigs|tunes|revisions|parts|units|jobs|values|rules|conflicts|commits|photos|answers|steps|samples|errors)\b`),
	"a Go slice":                 regexp.MustCompile(`\[(?:library|gimbal|rig|tune|bench|job) (?:library|gimbal|rig|tune|bench|job)\b`),
	"a Go value":                 regexp.MustCompile(`%!|map\[[a-z]+:|<nil>|\(MISSING\)|\(EXTRA`),
	"a float with noise":         regexp.MustCompile(`\d\.\d*(?:0{8,}[1-9]|9{9,}\d?)\b`),
	"zeros behind whole degrees": regexp.MustCompile(`\b\d+\.000 deg\b`),
	"a negative direction":       regexp.MustCompile(`[-−]\d[\d.]* mm (?:forward|back|left|right|up|down|above|below)\b`),
	"a name of state in shouts":  regexp.MustCompile(`\bSTALE\b`),
}

// TestPlainWords walks everything that is kept of what the program prints: sessions, examples
// and the documents. JSON keeps full precision and is left out.
func TestPlainWords(t *testing.T) {
	seen := 0
	look := func(path string) {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		seen++
		for i, line := range strings.Split(string(data), "\n") {
			if s := strings.TrimSpace(line); strings.HasPrefix(s, `"`) || strings.HasPrefix(s, "!") {
				continue // JSON; what a session must not find
			}
			for what, re := range unplain {
				if m := re.FindString(line); m != "" {
					t.Errorf("%s:%d: %s: %q", path, i+1, what, m)
				}
			}
		}
	}
	for _, root := range []string{"testdata", filepath.Join("..", "..", "diffview"), filepath.Join("..", "..", "examples")} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() && d.Name() == "fuzz" {
				return filepath.SkipDir
			}
			switch filepath.Ext(path) {
			case ".txtar", ".txt", ".md", ".html", ".golden", ".svg":
				look(path)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	look(filepath.Join("..", "..", "README.md"))
	look(filepath.Join("..", "..", "DEVELOPERS.md"))
	if seen < 60 {
		t.Errorf("only %d files were looked at", seen)
	}
	// the patterns find what they are for
	for what, bad := range map[string]string{"a plural of one": "12 files checked, 1 findings", "a Go slice": "[library gimbal rig]", "a float with noise": "26.00000000000003", "zeros behind whole degrees": "4.000 deg", "a negative direction": "-9.4 mm forward"} {
		if !unplain[what].MatchString(bad) {
			t.Errorf("%s is not found in %q", what, bad)
		}
	}
}
