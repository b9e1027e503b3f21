package main

import (
	"strings"
	"testing"

	"rigkeep/preset/review"
	"rigkeep/schema"
)

// Each command that a rule says to type is one of the program's, with flags it has.
func TestReviewCommands(t *testing.T) {
	app := newApp(Env{Getenv: func(string) string { return "" }}, nil)
	all := leaves(app.Commands, "")
	pairs := []string{"{ref}", "b-cam", "{rig}", "b-cam", "{job}", "night", "{other}", "tug", "{unit}", "Small A", "{own}", "Small B", "{gimbal}", "skiff-small", "{then}", "b-cam@HEAD", "{limits}", "limits.tilt.up_deg=40", "{defaults}", "filters.drive=2", "{shots}", "walk", "{key}", "filters.drive"}
	n := 0
	for _, f := range schema.ReviewFamilies() {
		for _, r := range f.Rules {
			for _, c := range r.Commands {
				n++
				line, ok := review.Fill(c, pairs)
				if !ok {
					t.Errorf("%s: %q has a name that no finding fills in", r.ID, c)
					continue
				}
				words := strings.Fields(line)
				if words[0] != "rigkeep" || len(words) < 2 {
					t.Errorf("%s: %q is no command of this program", r.ID, c)
					continue
				}
				cmd := all[strings.Join(words[1:min(3, len(words))], " ")]
				if cmd == nil {
					cmd = all[words[1]]
				}
				if cmd == nil {
					t.Errorf("%s: unknown command for %q", r.ID, c)
					continue
				}
				for _, w := range words {
					if name, isFlag := strings.CutPrefix(w, "--"); isFlag && findFlag(cmd.Flags, name) == nil {
						t.Errorf("%s: %q has no flag --%s", r.ID, c, name)
					}
				}
			}
		}
	}
	if n < len(schema.ReviewFamilies()) {
		t.Errorf("only %d commands", n)
	}
}
