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

// helpGroups are the commands by what people do, each line one or more commands that belong
// together. A test holds them to the commands there are.
var helpGroups = []struct {
	title string
	lines [][2]string // commands with commas, and what they do
}{
	{"Prepare", [][2]string{
		{"demo, init, import", "the demo; a new library; a spreadsheet read in"},
		{"part, gimbal, unit", "the shop's parts; gimbal sheets; single units"},
		{"rig", "builds on a gimbal: new, clone, list, near"},
		{"fit, balance", "does it fit, and at which marks; balance it"},
	}},
	{"Tune", [][2]string{
		{"start, bench", "a starting tune; the session at the stand"},
		{"prove, load", "record the handheld test; put values on a unit"},
		{"set, edit, copy", "change values; take a tune to another rig"},
		{"explain", "what a parameter does, and means on a rig"},
		{"diagnose, follow", "a shake and its causes; a style on a move"},
	}},
	{"Keep", [][2]string{
		{"show, save", "the values now; one revision of them"},
		{"history, restore, undo", "then, and back"},
		{"find, photo, label", "look for words; photos; a label for the case"},
	}},
	{"Check", [][2]string{
		{"compare", "what got better and worse between tunes"},
		{"job, review", "shoots, packing lists; findings before one"},
		{"check", "is the whole library sound?"},
	}},
	{"Share", [][2]string{
		{"handover, card", "a file for another person; a rig on one page"},
		{"open, pages, serve", "pages in the browser; as a folder; to the phone"},
		{"sync, trust", "a team's folder or server; trusted signatures"},
	}},
	{"Also", [][2]string{{"schema, git", "the formats; plain git in the library"}, {"completion, man, help", "for shells; the manual; sharing in a team"}}},
}

// overview is the help of the program: at most 40 lines at 80 columns.
func overview(d *cli.App, width int) string {
	have := map[string]bool{"help": true}
	for _, c := range d.Commands {
		have[c.Name] = !c.Hidden
	}
	var b strings.Builder
	b.WriteString("Rigkeep keeps the tunes of handheld camera stabilisers, per rig, in git.\n\n")
	b.WriteString("Usage: rigkeep COMMAND [flags]       RIG[/TUNE][@WHEN] names a tune\n")
	for _, g := range helpGroups {
		t := table{}
		for _, l := range g.lines {
			var names []string
			for _, n := range strings.Split(l[0], ", ") {
				if have[n] {
					names = append(names, n)
				}
			}
			if names != nil {
				t.add(fmt.Sprintf("%-25s", strings.Join(names, ", ")), l[1])
			}
		}
		b.WriteString("\n" + g.title + "\n" + t.render(paint{}, "  ", width))
	}
	b.WriteString("\nCalculated values are low starting points, not safe settings. The maker's\nmanual, local codes and qualified crew come first.\n")
	b.WriteString("Try: rigkeep COMMAND --help\nFlags for every command, and exit codes: rigkeep man\n")
	return b.String()
}

// printHelp lays out the help of the program or of one command, examples first.
func printHelp(e Env, w io.Writer, data any) {
	width := min(e.width(0), 100)
	var b strings.Builder
	switch d := data.(type) {
	case *cli.App:
		b.WriteString(overview(d, width))
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
		if v != nil && v.table != nil {
			t := table{}
			for _, row := range v.table {
				t.add(row[0], row[1])
			}
			b.WriteString("\n" + t.render(paint{}, "  ", width))
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
			var usual []cli.Flag
			var rare []string
			for _, f := range d.Flags {
				if v != nil && slices.Contains(v.rare, f.Names()[0]) {
					rare = append(rare, flagLines([]cli.Flag{f})[0][0])
				} else {
					usual = append(usual, f)
				}
			}
			b.WriteString("\nFlags:\n")
			printFlags(&b, usual, width)
			if rare != nil {
				b.WriteString(wrap("More in rigkeep man: "+strings.Join(rare, ", "), "", width))
			}
		}
		b.WriteString("Global flags (--library, --as, --color, …) work in any position.\nTry: rigkeep --help\n")
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
