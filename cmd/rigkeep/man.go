package main

import (
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"
)

func manVerb() command {
	return command{
		name: "man", short: "print the manual page", long: "Prints the manual page in the man macro language.",
		example: "rigkeep man > rigkeep.1\nrigkeep man | man -l -", noLib: true,
		run: func(k *invocation) error {
			k.write(manPage(newApp(k.Env, nil)))
			return nil
		},
	}
}

// roff escapes text for the man macros.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
	var out []string
	for _, l := range strings.Split(s, "\n") {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			l = `\&` + l
		}
		out = append(out, l)
	}
	return strings.Join(out, "\n")
}

// manPage writes section 1 from the command tree, so that it cannot drift.
func manPage(app *cli.App) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH RIGKEEP 1 \"\" \"rigkeep %s\" \"User Commands\"\n.SH NAME\nrigkeep \\- %s\n", version(), roff(app.Usage))
	b.WriteString(".SH SYNOPSIS\n.B rigkeep\n[\\fIflags\\fR] \\fICOMMAND\\fR [\\fIarguments\\fR] [\\fIflags\\fR]\n.SH DESCRIPTION\n" + strings.ReplaceAll(roff(about), "\n\n", "\n.PP\n") + "\n.SH COMMANDS\n")
	var walk func(path []string, c *cli.Command)
	walk = func(path []string, c *cli.Command) {
		path = append(path, c.Name)
		if len(c.Subcommands) > 0 {
			for _, s := range c.Subcommands {
				walk(path, s)
			}
			return
		}
		fmt.Fprintf(&b, ".SS rigkeep %s %s\n%s.\n", strings.Join(path, " "), roff(c.ArgsUsage), roff(upperFirst(c.Usage)))
		if c.Description != "" {
			b.WriteString(roff(c.Description) + "\n")
		}
		for _, f := range flagLines(c.Flags) {
			fmt.Fprintf(&b, ".TP\n\\fB%s\\fR\n%s\n", roff(f[0]), roff(f[1]))
		}
		if v := findVerb(path); v != nil && v.example != "" {
			b.WriteString(".PP\nExamples:\n.nf\n" + roff(strings.TrimSpace(v.example)) + "\n.fi\n")
		}
	}
	for _, c := range app.Commands {
		walk(nil, c)
	}
	b.WriteString(topicRoff("team"))
	b.WriteString(".SH FLAGS\n")
	for _, f := range flagLines(app.Flags) {
		fmt.Fprintf(&b, ".TP\n\\fB%s\\fR\n%s\n", roff(f[0]), roff(f[1]))
	}
	b.WriteString(".SH EXIT STATUS\n")
	for _, r := range exitTable {
		fmt.Fprintf(&b, ".TP\n.B %d\n%s\n", r.code, roff(r.text))
	}
	b.WriteString(".SH ENVIRONMENT\n")
	for _, e := range environment {
		fmt.Fprintf(&b, ".TP\n.B %s\n%s\n", e[0], roff(e[1]))
	}
	b.WriteString(".SH FILES\n")
	for _, f := range libraryFiles {
		fmt.Fprintf(&b, ".TP\n.I %s\n%s\n", roff(f[0]), roff(f[1]))
	}
	return b.String()
}

var environment = [][2]string{
	{"RIGKEEP_LIBRARY", "the library's folder"},
	{"RIGKEEP_AUTHOR", "author of changes, as \"ROLE <MAIL>\""},
	{"RIGKEEP_EDITOR, VISUAL, EDITOR", "the editor for edit"},
	{"RIGKEEP_PAGER, PAGER", "the pager for long output"},
	{"RIGKEEP_TOKEN, RIGKEEP_USER", "a token for https, and the name to send with it"},
	{"RIGKEEP_TOKEN_HOST", "the servers that the token is meant for: HOST, HOST:PORT, several with commas; http://HOST lets it travel unencrypted"},
	{"RIGKEEP_WAIT", "seconds to wait while another program writes (default 20)"},
	{"NO_COLOR, CLICOLOR_FORCE, TERM", "whether to colour"},
	{"COLUMNS", "text width"},
}

var libraryFiles = [][2]string{
	{"library.toml", "the library's name, format and preferred units"},
	{"gimbals/NAME.toml", "gimbal sheets"},
	{"rigs/FP/FINGERPRINT/rig.toml", "build sheets; FP is the fingerprint's first two characters"},
	{"rigs/FP/FINGERPRINT/TUNE.toml", "tunes; the default is main.toml"},
	{"rigs/FP/FINGERPRINT/bench/UTC.toml", "bench logs"},
	{"jobs/DATE-NAME.toml", "jobs with their pinned tunes"},
	{"schema/KIND.schema.json", "JSON Schema for editors"},
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
