package main

import (
	"errors"
	"strings"
	"testing"
)

// TestFlagWithoutValue gives every flag that takes a value none: at the end, before "--", and before
// each other flag. Each is bad use, and --flag=VALUE takes anything. Without that the flag took what
// followed it: `save RIG -m` made a revision with the subject "--".
func TestFlagWithoutValue(t *testing.T) {
	app := newApp(Env{Getenv: func(string) string { return "" }}, nil)
	tried := 0
	for path, c := range leaves(app.Commands, "") {
		if c.SkipFlagParsing {
			continue
		}
		all := append(append(c.Flags[:len(c.Flags):len(c.Flags)], app.Flags...), nil)
		for _, f := range all {
			if f == nil || !takesValue(f) {
				continue
			}
			for _, name := range f.Names() {
				flag := "--" + name
				if len(name) == 1 {
					flag = "-" + name
				}
				line := append(append([]string{"rigkeep"}, strings.Fields(path)...), "first", flag)
				for _, then := range [][]string{nil, {"--"}, {"--", "x"}, {"--yes"}, {"-y"}, {"--library=x"}, {"--help"}, {flag, "x"}} {
					tried++
					_, _, err := arrange(app, append(line[:len(line):len(line)], then...))
					var f *failure
					if !errors.As(err, &f) || f.code != exitUsage || !strings.Contains(f.text, flag) {
						t.Errorf("%v %v: %v", line, then, err)
					}
					if len(then) > 0 && then[0] != "--" {
						whole := append(line[:len(line)-1:len(line)-1], flag+"="+then[0])
						if got, _, err := arrange(app, whole); err != nil || !strings.Contains(strings.Join(got, "\n")+"\n", flag+"="+then[0]+"\n") {
							t.Errorf("%v: %v, %v", whole, got, err)
						}
					}
				}
				for _, value := range []string{"", "-", "-5", "-.5", "-not-a-flag", "a=b"} {
					if _, _, err := arrange(app, append(line[:len(line):len(line)], value)); err != nil {
						t.Errorf("%v %q: %v", line, value, err)
					}
				}
			}
		}
	}
	if tried < 500 {
		t.Errorf("only %d tried", tried)
	}
}

// TestFlagTwice gives every flag that takes a value two, under each of its names: one that takes one
// value is bad use, one that takes many keeps both. Without that the last one counted, without a word.
func TestFlagTwice(t *testing.T) {
	app := newApp(Env{Getenv: func(string) string { return "" }}, nil)
	one, many := 0, 0
	for path, c := range leaves(app.Commands, "") {
		if c.SkipFlagParsing {
			continue
		}
		for _, f := range append(c.Flags[:len(c.Flags):len(c.Flags)], app.Flags...) {
			if !takesValue(f) {
				continue
			}
			for _, name := range f.Names() {
				line := append(append([]string{"rigkeep"}, strings.Fields(path)...), "--"+f.Names()[0], "5", "first", "-"+name+"=6")
				got, _, err := arrange(app, line)
				var bad *failure
				if takesMany(f) {
					many++
					if text := strings.Join(got, " "); err != nil || !strings.Contains(text, " 5") || !strings.Contains(text, "=6") {
						t.Errorf("%v: %v, %v", line, got, err)
					}
					continue
				}
				one++
				if !errors.As(err, &bad) || bad.code != exitUsage || !strings.Contains(bad.text, "--"+f.Names()[0]+" is given twice") {
					t.Errorf("%v: %v", line, err)
				}
			}
		}
	}
	if one < 100 || many < 15 {
		t.Errorf("only %d and %d tried", one, many)
	}
}
