package main

import (
	"bytes"
	"io"
	"strings"
	"testing"
)

// The help of the program names each command once, and fits on 40 lines of 80 columns.
func TestOverview(t *testing.T) {
	e := Env{Getenv: func(string) string { return "" }}
	app := newApp(e, nil)
	in := map[string]int{}
	for _, g := range helpGroups {
		for _, l := range g.lines {
			for _, n := range strings.Split(l[0], ", ") {
				in[n]++
			}
		}
	}
	for _, c := range app.Commands {
		if !c.Hidden && in[c.Name] != 1 {
			t.Errorf("%s stands %d times in the help", c.Name, in[c.Name])
		}
	}
	text := overview(app, 80)
	if n := strings.Count(text, "\n"); n > 40 {
		t.Errorf("%d lines", n)
	}
	for _, l := range strings.Split(text, "\n") {
		if len([]rune(l)) > 80 {
			t.Errorf("%d columns: %s", len([]rune(l)), l)
		}
	}
}

// The help of each command fits on 40 lines of 80 columns, and the manual explains each flag that
// it only names.
func TestHelpFits(t *testing.T) {
	e := Env{Getenv: func(k string) string { return map[string]string{"COLUMNS": "80"}[k] }}
	var man bytes.Buffer
	e.Stdout, e.Stderr = &man, io.Discard
	if code := Main([]string{"rigkeep", "man"}, e); code != exitOK {
		t.Fatalf("man: exit %d", code)
	}
	for path, c := range leaves(newApp(e, nil).Commands, "") {
		if c.Hidden {
			continue
		}
		var b strings.Builder
		printHelp(e, &b, c)
		if n := strings.Count(b.String(), "\n"); n > 40 {
			t.Errorf("%s --help has %d lines", path, n)
		}
		for _, f := range findVerb(strings.Fields(path)).rare {
			if !strings.Contains(b.String(), "--"+f) || !strings.Contains(strings.ReplaceAll(man.String(), `\-`, "-"), "--"+f) {
				t.Errorf("%s: --%s is neither named nor explained", path, f)
			}
		}
	}
}
