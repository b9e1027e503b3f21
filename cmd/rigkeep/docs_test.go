package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/urfave/cli/v2"
)

// playReadme runs the commands of README.md's console blocks in the demo
// library, in order, and returns the text with what they print now.
func playReadme(t *testing.T, text string) string {
	t.Helper()
	dir := t.TempDir()
	clock := time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC)
	e := Env{Stdin: strings.NewReader(""), Dir: dir, Now: func() time.Time { return clock }, Getenv: func(k string) string {
		return map[string]string{"RIGKEEP_AUTHOR": "Stabiliser technician <technician@example.org>", "COLUMNS": "100", "NO_COLOR": "1", "HOME": dir, "PATH": os.Getenv("PATH")}[k]
	}}
	e.Dir = demoIn(t, dir)
	head := regexp.MustCompile(` \| head -(\d+)$`)
	block := regexp.MustCompile("(?s)```console\n(.*?)```")
	return block.ReplaceAllStringFunc(text, func(b string) string {
		var out strings.Builder
		out.WriteString("```console\n")
		for _, line := range strings.Split(b, "\n") {
			command, ok := strings.CutPrefix(line, "$ rigkeep ")
			if !ok {
				continue
			}
			out.WriteString(line + "\n")
			limit := 0
			if m := head.FindStringSubmatch(command); m != nil {
				limit, _ = strconv.Atoi(m[1])
				command = strings.TrimSuffix(command, m[0])
			}
			var got bytes.Buffer
			e.Stdout, e.Stderr = &got, &got
			code := Main(append([]string{"rigkeep"}, cutWords(command)...), e)
			if code != exitOK && code != exitFindings {
				t.Errorf("README: rigkeep %s: exit %d\n%s", command, code, got.String())
			}
			lines := strings.SplitAfter(got.String(), "\n")
			if limit > 0 && len(lines) > limit {
				lines = append(lines[:limit:limit], "…\n")
			}
			out.WriteString(strings.Join(lines, ""))
			clock = clock.Add(time.Minute)
		}
		return strings.TrimRight(out.String(), "\n") + "\n```"
	})
}

var quoted = regexp.MustCompile(`"([^"]*)"|(\S+)`)

func cutWords(s string) []string {
	var out []string
	for _, m := range quoted.FindAllStringSubmatch(s, -1) {
		out = append(out, m[1]+m[2])
	}
	return out
}

// TestReadme fails when README.md shows what the program does not print.
// RIGKEEP_UPDATE=1 writes what it prints now.
func TestReadme(t *testing.T) {
	t.Parallel()
	file := filepath.Join("..", "..", "README.md")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	now := playReadme(t, string(text))
	if os.Getenv("RIGKEEP_UPDATE") != "" {
		if err := os.WriteFile(file, []byte(now), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	// revision ids come from every byte of the demo, so their digits are not compared
	ids := regexp.MustCompile(`\b([0-9a-f]{40}|[0-9a-f]{10})\b`)
	blank := func(s string) string {
		return ids.ReplaceAllStringFunc(s, func(id string) string {
			if strings.ContainsAny(id, "0123456789") {
				return strings.Repeat("#", len(id))
			}
			return id
		})
	}
	if was, now := blank(string(text)), blank(now); now != was {
		a, b := strings.Split(was, "\n"), strings.Split(now, "\n")
		for i := range b {
			if i >= len(a) || a[i] != b[i] {
				was := "(the end)"
				if i < len(a) {
					was = a[i]
				}
				t.Fatalf("README.md line %d is not what the program prints:\n  README:  %s\n  program: %s\nRIGKEEP_UPDATE=1 go test ./cmd/rigkeep -run TestReadme rewrites it", i+1, was, b[i])
			}
		}
		t.Fatal("README.md has more than the program prints")
	}
	if !strings.Contains(now, "$ rigkeep ") {
		t.Fatal("README.md plays no command")
	}
}

// leaves lists every command by its words.
func leaves(cmds []*cli.Command, at string) map[string]*cli.Command {
	out := map[string]*cli.Command{}
	for _, c := range cmds {
		if c.Hidden {
			continue
		}
		path := strings.TrimSpace(at + " " + c.Name)
		if len(c.Subcommands) == 0 {
			out[path] = c
			continue
		}
		for p, s := range leaves(c.Subcommands, path) {
			out[p] = s
		}
	}
	return out
}

// TestDocsMatchFlags holds the documents and the command tree against each other.
func TestDocsMatchFlags(t *testing.T) {
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join("..", "..", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	readme, manual := read("README.md"), read("DEVELOPERS.md")
	app := newApp(Env{Getenv: func(string) string { return "" }}, nil)
	all := leaves(app.Commands, "")
	flags := map[string]bool{"help": true, "version": true}
	for _, f := range app.Flags {
		for _, n := range f.Names() {
			flags[n] = true
		}
	}
	_, table, _ := strings.Cut(readme, "\n## Commands\n")
	table, _, _ = strings.Cut(table, "\n## ")
	listed := map[string]bool{}
	for _, row := range regexp.MustCompile("(?m)^\\| (`.*?) \\|").FindAllStringSubmatch(table, -1) {
		for _, cell := range regexp.MustCompile("`([a-z-]+)( [a-z/-]+)?[^`]*`").FindAllStringSubmatch(row[1], -1) {
			if subs := strings.TrimSpace(cell[2]); subs != "" {
				for _, s := range strings.Split(subs, "/") {
					listed[cell[1]+" "+s] = true
				}
				continue
			}
			listed[cell[1]] = true
		}
	}
	for path, c := range all {
		if !listed[path] {
			t.Errorf("the command %q is not in README.md's table", path)
		}
		if c.Usage == "" || findVerb(strings.Fields(path)).example == "" {
			t.Errorf("%s: no usage line or no example", path)
		}
		for _, f := range c.Flags {
			for _, n := range f.Names() {
				flags[n] = true
			}
			if d := f.(cli.DocGenerationFlag); d.GetUsage() == "" {
				t.Errorf("%s --%s: no words", path, f.Names()[0])
			}
		}
		v := findVerb(strings.Fields(path))
		if len(v.argKind) == 0 && v.args != "" && !v.raw {
			t.Errorf("%s: its arguments do not complete", path)
		}
		// what an example types must be understood
		for _, line := range strings.Split(strings.TrimSpace(v.example), "\n") {
			if v.raw {
				continue // the flags are another program's
			}
			for _, m := range regexp.MustCompile(`--([a-z][a-z-]*)`).FindAllStringSubmatch(line, -1) {
				if findFlag(c.Flags, m[1]) == nil && findFlag(app.Flags, m[1]) == nil {
					t.Errorf("%s: the example uses --%s, which it does not have", path, m[1])
				}
			}
		}
	}
	for path := range listed {
		if all[path] == nil {
			t.Errorf("README.md lists %q, which is no command", path)
		}
	}
	foreign := regexp.MustCompile("git [^`\n]*") // git's own
	for name, text := range map[string]string{"README.md": readme, "DEVELOPERS.md": manual} {
		for _, m := range regexp.MustCompile("[ `(]--([a-z][a-z-]*)").FindAllStringSubmatch(foreign.ReplaceAllString(text, ""), -1) {
			if !flags[m[1]] {
				t.Errorf("%s speaks of --%s, which no command has", name, m[1])
			}
		}
	}
	for _, r := range exitTable {
		if !strings.Contains(readme, fmt.Sprintf("| %d | %s |", r.code, r.text)) {
			t.Errorf("README.md's table of exit codes lacks %d, %s", r.code, r.text)
		}
	}
}

// TestFlagsAnywhere gives every command its flags after its arguments: none may
// be dropped or taken for an argument.
func TestFlagsAnywhere(t *testing.T) {
	app := newApp(Env{Getenv: func(string) string { return "" }}, nil)
	for path, c := range leaves(app.Commands, "") {
		if c.SkipFlagParsing {
			continue
		}
		words := strings.Fields(path)
		for _, f := range append(append([]cli.Flag{}, c.Flags...), app.Flags...) {
			for _, name := range f.Names() {
				dash := "--"
				if len(name) == 1 {
					dash = "-"
				}
				line := append(append([]string{"rigkeep"}, words...), "first", "-3.5", dash+name)
				if takesValue(f) {
					line = append(line, "value")
				}
				line = append(line, "second")
				got, cmd, err := arrange(app, line)
				if err != nil || cmd == nil || cmd.Name != c.Name {
					t.Fatalf("%v: found command %v, %v", line, cmd, err)
				}
				rest := strings.Join(got, " ")
				if !strings.HasSuffix(rest, "-- first -3.5 second") {
					t.Errorf("%v became %v", line, got)
				}
				if !strings.Contains(strings.SplitN(rest, " -- ", 2)[0], dash+name) {
					t.Errorf("%v lost its flag: %v", line, got)
				}
			}
		}
	}
}

// A command is found by the name in the list before it is made.
func TestVerbNames(t *testing.T) {
	for _, n := range commands() {
		if v := n.of(); v.name != n.name {
			t.Errorf("%s is listed as %s", v.name, n.name)
		}
		if v := findVerb([]string{n.name}); v == nil || v.name != n.name {
			t.Errorf("%s is not found", n.name)
		}
	}
}
