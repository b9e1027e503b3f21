package main

import (
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
