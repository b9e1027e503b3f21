package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"
)

// helpTemplate is the marker by which printHelp finds the verb again: cli wants
// a template text, the layout is ours.
func helpTemplate() string { return "verb" }

// flagLines describes flags as two columns.
func flagLines(flags []cli.Flag) [][2]string {
	var out [][2]string
	for _, f := range flags {
		d, ok := f.(cli.DocGenerationFlag)
		if !ok || f.Names()[0] == "help" || f.Names()[0] == "version" {
			continue
		}
		ph, text := placeholder(d.GetUsage())
		name := "--" + f.Names()[0]
		for _, a := range f.Names()[1:] {
			dash := "--"
			if len(a) == 1 {
				dash = "-"
			}
			name += ", " + dash + a
		}
		if d.TakesValue() {
			if ph == "" {
				ph = "VALUE"
			}
			name += " " + ph
		}
		if v := d.GetDefaultText(); v != "" && d.TakesValue() && v != `""` && v != "0" {
			text += " (" + strings.Trim(v, `"`) + ")"
		}
		out = append(out, [2]string{name, text})
	}
	return out
}

// placeholder takes the back-quoted word out of a usage text, as cli does.
func placeholder(usage string) (ph, text string) {
	if a := strings.Index(usage, "`"); a >= 0 {
		if b := strings.Index(usage[a+1:], "`"); b >= 0 {
			ph = usage[a+1 : a+1+b]
			return ph, strings.Replace(usage, "`"+ph+"`", ph, 1)
		}
	}
	return "", usage
}

func printFlags(b *strings.Builder, flags []cli.Flag, width int) {
	t := table{}
	for _, l := range flagLines(flags) {
		t.add(l[0], l[1])
	}
	b.WriteString(t.render(paint{}, "  ", width))
}

// printHelp lays out the help of the program or of one command, examples first.
func printHelp(e Env, w io.Writer, data any) {
	width := min(e.width(0), 100)
	var b strings.Builder
	switch d := data.(type) {
	case *cli.App:
		b.WriteString(wrap(about, "", width))
		b.WriteString("\nExamples:\n  rigkeep demo              make a demo library and walk through the job\n  rigkeep show a-cam-prime  what this rig's tune is now\n  rigkeep compare a-cam-prime@~1 a-cam-prime\n\nCommands:\n")
		t := table{}
		for _, c := range d.Commands {
			if c.Hidden {
				continue
			}
			name := c.Name
			if len(c.Subcommands) > 0 {
				var subs []string
				for _, s := range c.Subcommands {
					subs = append(subs, s.Name)
				}
				name += " " + strings.Join(subs, "/")
			}
			t.add(name, c.Usage)
		}
		b.WriteString(t.render(paint{}, "  ", width))
		b.WriteString("\nFlags, before or after a command and its arguments:\n")
		printFlags(&b, d.Flags, width)
		b.WriteString("\nExit codes:\n")
		t = table{}
		for _, r := range exitTable {
			t.add(fmt.Sprint(r.code), r.text)
		}
		b.WriteString(t.render(paint{}, "  ", width))
	case *cli.Command:
		full := strings.TrimSpace(d.HelpName)
		if full == "" {
			full = "rigkeep " + d.Name
		}
		b.WriteString(full + ": " + d.Usage + "\n\n")
		v := findVerb(strings.Fields(strings.TrimPrefix(full, "rigkeep ")))
		if v != nil && v.allExamples() != "" {
			b.WriteString("Examples:\n")
			for _, l := range strings.Split(v.allExamples(), "\n") {
				b.WriteString("  " + strings.TrimSpace(l) + "\n")
			}
			b.WriteString("\n")
		}
		b.WriteString("Usage:\n  " + full)
		if len(d.Subcommands) > 0 {
			b.WriteString(" COMMAND")
		}
		if d.ArgsUsage != "" {
			b.WriteString(" " + d.ArgsUsage)
		}
		b.WriteString(" [flags]\n")
		if d.Description != "" {
			b.WriteString("\n" + wrap(d.Description, "", width))
		}
		if len(d.Subcommands) > 0 {
			b.WriteString("\nCommands:\n")
			t := table{}
			for _, s := range d.Subcommands {
				t.add(s.Name+" "+s.ArgsUsage, s.Usage)
			}
			b.WriteString(t.render(paint{}, "  ", width))
		}
		if len(flagLines(d.Flags)) > 0 {
			b.WriteString("\nFlags:\n")
			printFlags(&b, d.Flags, width)
		}
		b.WriteString("\nThe program's own flags (--library, --as, --color, --width, …) go anywhere too: rigkeep --help\n")
	}
	_, _ = io.WriteString(w, b.String())
}

// allExamples are a verb's examples; of a group, the first of each command.
func (v *command) allExamples() string {
	out := []string{strings.TrimSpace(v.example)}
	for i := range v.subs {
		first, _, _ := strings.Cut(v.subs[i].example, "\n")
		out = append(out, first)
	}
	return strings.TrimSpace(strings.Join(out, "\n"))
}

// findVerb finds a verb by its words: ["job", "open"].
func findVerb(words []string) *command {
	if len(words) == 0 {
		return nil
	}
	vs := commands()
	i := slices.IndexFunc(vs, func(n namedVerb) bool { return n.name == words[0] })
	if i < 0 {
		return nil
	}
	got := vs[i].of()
	for _, w := range words[1:] {
		i := slices.IndexFunc(got.subs, func(v command) bool { return v.name == w })
		if i < 0 {
			return nil
		}
		got = got.subs[i]
	}
	return &got
}
