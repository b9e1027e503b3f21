package main

import (
	"fmt"
	"sort"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/schema"
)

// complete answers a shell's question: words is the command line after the
// program's name, the last one being typed. It prints a candidate a line, with
// a tab and a description. It runs no command and evaluates nothing.
func complete(e Env, words []string) int {
	if len(words) == 0 {
		words = []string{""}
	}
	cur := words[len(words)-1]
	app := newApp(e, nil)
	t := typedLine{app: app, cmds: app.Commands}
	for _, w := range words[:len(words)-1] {
		t.take(w)
	}
	out := t.candidates(e, cur)
	sort.Slice(out, func(i, j int) bool { return out[i].word < out[j].word })
	seen := map[string]bool{}
	for _, c := range out {
		if strings.HasPrefix(c.word, cur) && !seen[c.word] {
			seen[c.word] = true
			fmt.Fprintf(e.Stdout, "%s\t%s\n", safe.Line(c.word), safe.Line(c.about))
		}
	}
	return exitOK
}

// typedLine is what a command line says before the word that is being typed.
type typedLine struct {
	app    *cli.App
	chain  []*cli.Command // the command and those it is under
	path   []string       // their names
	cmds   []*cli.Command // that may come next
	want   cli.Flag       // the flag whose value is being typed
	libDir string
	args   []string
}

// take reads one word.
func (t *typedLine) take(w string) {
	if t.want != nil {
		if hasName(t.want, "library") {
			t.libDir = w
		}
		t.want = nil
		return
	}
	if strings.HasPrefix(w, "-") && w != "-" {
		name, val, eq := strings.Cut(strings.TrimLeft(w, "-"), "=")
		f, _ := flagOf(t.app, t.chain, name)
		if f != nil && hasName(f, "library") && eq {
			t.libDir = val
		}
		if f != nil && takesValue(f) && !eq {
			t.want = f
		}
		return
	}
	if c := named(t.cmds, w); c != nil && len(t.args) == 0 {
		t.chain, t.cmds, t.path = append(t.chain, c), c.Subcommands, append(t.path, w)
		return
	}
	t.args = append(t.args, w)
}

// candidates are what may stand in the place of the word being typed.
func (t *typedLine) candidates(e Env, cur string) []candidate {
	var out []candidate
	switch {
	case t.want != nil:
		return flagValues(e, t.want.Names()[0], t.libDir, t.args, cur)
	case strings.HasPrefix(cur, "-") && strings.Contains(cur, "="):
		head, val, _ := strings.Cut(cur, "=")
		if f, _ := flagOf(t.app, t.chain, strings.TrimLeft(head, "-")); f != nil {
			for _, c := range flagValues(e, f.Names()[0], t.libDir, t.args, val) {
				out = append(out, candidate{head + "=" + c.word, c.about})
			}
		}
		return out
	case strings.HasPrefix(cur, "-"):
		return t.flags()
	case len(t.chain) == 0 || len(t.cmds) > 0:
		for _, c := range t.cmds {
			if !c.Hidden {
				out = append(out, candidate{c.Name, c.Usage})
			}
		}
		return out
	}
	if v := findVerb(t.path); v != nil && len(v.argKind) > 0 {
		return argValues(e, v.argKind[min(len(t.args), len(v.argKind)-1)], t.libDir, t.args, cur)
	}
	return nil
}

// flags are those of the program and the command, by their long names.
func (t *typedLine) flags() []candidate {
	flags := append([]cli.Flag(nil), t.app.Flags...)
	for _, c := range t.chain {
		flags = append(flags, c.Flags...)
	}
	var out []candidate
	for _, f := range flags {
		if d, ok := f.(cli.DocGenerationFlag); ok && len(f.Names()[0]) > 1 {
			_, text := placeholder(d.GetUsage())
			out = append(out, candidate{"--" + f.Names()[0], text})
		}
	}
	return append(out, candidate{"--help", "show help"})
}

type candidate struct{ word, about string }

func hasName(f cli.Flag, n string) bool {
	for _, x := range f.Names() {
		if x == n {
			return true
		}
	}
	return false
}

func enum(words ...string) []candidate {
	out := make([]candidate, len(words))
	for i, w := range words {
		out[i].word = w
	}
	return out
}

// flagValues completes the value of a flag by the flag's name, which means the
// same everywhere. given are the arguments before it.
func flagValues(e Env, flag, libDir string, given []string, cur string) []candidate {
	switch flag {
	case "color":
		return enum("auto", "always", "never")
	case "job", "since", "for":
		return argValues(e, "job", libDir, nil, cur)
	case "rig", "key", "style", "gimbal", "unit":
		return argValues(e, flag, libDir, given, cur)
	case "against":
		return argValues(e, "style", libDir, given, cur)
	case "on":
		return argValues(e, "gimbal", libDir, nil, cur)
	case "unset":
		return argValues(e, "setkey", libDir, given, cur)
	case "ours", "theirs":
		return argValues(e, "key", libDir, nil, cur)
	case "axis":
		return enum("pan", "tilt", "roll")
	case "mass":
		return enum("kg", "g", "lb")
	case "length":
		return enum("mm", "in")
	case "place":
		return enum("hand", "stand")
	case "saw":
		return enum("clean", "chatter", "rocking", "stand", "skip", "back", "note", "hand", "reopen", "withdraw", "keep")
	case "feel", "when", "where", "held", "changed":
		return causeAnswers(flag)
	}
	return nil
}

// argValues completes an argument by its kind, with live names from the library.
func argValues(e Env, kind, libDir string, given []string, cur string) []candidate {
	cat := e.catalogue()
	switch kind {
	case "kind":
		return enum(schema.Kinds...)
	case "shell":
		return enum("bash", "zsh", "fish", "powershell")
	case "key":
		var out []candidate
		for _, p := range cat.Params() {
			out = append(out, candidate{p.Path, p.Doc})
		}
		return out
	}
	return completionCandidates(e, kind, libDir, given, cur)
}
