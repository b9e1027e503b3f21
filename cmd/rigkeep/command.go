package main

import (
	"fmt"
	"io"
	"regexp"
	"strings"
	"sync"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/schema"
)

// verb declares one command. The command tree, help, man page, completion and
// the check that README.md and the flags agree are all made from it.
type command struct {
	name    string
	args    string      // "RIG[/TUNE][@WHEN] KEY=VALUE…"
	short   string      // one line
	long    string      // paragraphs
	example string      // lines that can be typed
	table   [][2]string // what its words mean, under the paragraphs
	flags   []cli.Flag
	rare    []string // flags that --help only names, so that it fits a screen; the manual says what they do
	subs    []command
	reads   bool     // adds --json, which it answers itself
	changes bool     // adds --dry-run, and --json, which says what was done
	noLib   bool     // runs without a library
	hidden  bool     // for other programs, not shown to people
	pages   bool     // the answer may be longer than a screen and asks nothing
	raw     bool     // everything after the name is passed on as it stands
	argKind []string // what completes each argument: "rig", "target" (what can be saved), "side" (of a comparison), "key", "job", "gimbal", "file", "kind"; the last repeats
	minArgs int
	maxArgs int // -1 any
	run     func(*invocation) error
}

// invocation is one run of one verb.
type invocation struct {
	Env
	c       *cli.Context
	command *command
	args    []string
	cat     *schema.Catalogue
	paint   paint
	wide    int
	lib     *lib
	kept    warmed
	done    outcome
}

func (v *command) command(e Env, path string) *cli.Command {
	full := strings.TrimSpace(path + " " + v.name)
	cmd := &cli.Command{
		Name: v.name, Usage: v.short, ArgsUsage: v.args, Description: v.long,
		HideHelpCommand: true, Hidden: v.hidden, SkipFlagParsing: v.raw, UseShortOptionHandling: false,
		CustomHelpTemplate: helpTemplate(),
		OnUsageError: func(_ *cli.Context, err error, _ bool) error {
			return usage("%s", plainUsage(err)).hinted("see: rigkeep %s --help", full)
		},
	}
	cmd.Flags = append(cmd.Flags, v.flags...)
	if v.reads || v.changes {
		cmd.Flags = append(cmd.Flags, &cli.BoolFlag{Name: "json", Usage: "print JSON"})
	}
	if v.changes {
		cmd.Flags = append(cmd.Flags, &cli.BoolFlag{Name: "dry-run", Usage: "preview only; change nothing"})
	}
	sortFlags(cmd.Flags)
	for i := range v.subs {
		cmd.Subcommands = append(cmd.Subcommands, v.subs[i].command(e, full))
	}
	if len(v.subs) > 0 {
		names := make([]string, len(v.subs))
		for i, s := range v.subs {
			names[i] = s.name
		}
		cmd.Action = func(c *cli.Context) error {
			if c.Args().Present() {
				f := usage("unknown command %q under %s", c.Args().First(), full)
				if s := schema.Suggest(c.Args().First(), names); s != "" {
					return f.hinted("%s", s)
				}
				return f.hinted("commands: %s", strings.Join(names, ", "))
			}
			return usage("%s needs a command: %s", full, strings.Join(names, ", ")).hinted("see: rigkeep %s --help", full)
		}
		return cmd
	}
	cmd.Action = func(c *cli.Context) error { return v.start(e, c, full) }
	return cmd
}

// start checks the number of arguments, opens the library where one is needed
// and runs the verb.
func (v *command) start(e Env, c *cli.Context, full string) error {
	args := c.Args().Slice()
	if !v.raw {
		if len(args) < v.minArgs {
			return usage("%s needs %s", full, v.args).hinted("see: rigkeep %s --help", full)
		}
		if v.maxArgs >= 0 && len(args) > v.maxArgs {
			return usage("unexpected argument %q", args[v.maxArgs]).hinted("see: rigkeep %s --help", full)
		}
	}
	k := &invocation{Env: e, c: c, command: v, args: args, cat: e.catalogue(), paint: paint{e.colour(c.String("color"))}, wide: e.width(c.Int("width"))}
	switch c.String("color") {
	case "", "auto", "always", "never":
	default:
		return usage("--color %q is not known", c.String("color")).hinted("one of: auto, always, never")
	}
	if !v.noLib {
		if err := k.open(); err != nil {
			return err
		}
	}
	if v.changes && !v.reads && k.json() {
		return k.recorded(full, v.run)
	}
	return k.paged(v.run)
}

func joinOrNone(s string) string {
	if s == "" {
		return "no argument"
	}
	return s
}

// plainUsage words what the flag parser says for a person.
func plainUsage(err error) string {
	s := err.Error()
	if n, ok := strings.CutPrefix(s, "flag provided but not defined: "); ok {
		return "unknown flag " + "--" + strings.TrimLeft(n, "-")
	}
	if n, ok := strings.CutPrefix(s, "flag needs an argument: "); ok {
		return "the flag --" + strings.TrimLeft(n, "-") + " needs a value"
	}
	if m := badValue().FindStringSubmatch(s); m != nil {
		if strings.HasPrefix(s, "invalid boolean") {
			return "the flag --" + m[2] + " takes no value, and was given " + m[1]
		}
		return "--" + m[2] + " " + m[1] + ": write a number"
	}
	return s
}

// badValue is how the flag parser says that a value does not fit.
var badValue = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^invalid (?:boolean )?value ("(?:[^"\\]|\\.)*") for (?:flag )?-+([a-z-]+): `)
})

func (k *invocation) json() bool   { return k.c.Bool("json") }
func (k *invocation) dryRun() bool { return k.c.Bool("dry-run") }

// encode prints an answer as JSON; v carries its "format" number.
func (k *invocation) encode(v any) error {
	if k.Answered != nil {
		k.Answered(v)
	}
	return safe.WriteJSON(k.Stdout, v)
}

func (k *invocation) printf(format string, args ...any) { fmt.Fprintf(k.Stdout, format, args...) }

// say prints a message for the person, beside the data, on stderr; a command in it stands alone.
func (k *invocation) say(format string, args ...any) {
	fmt.Fprintln(k.Stderr, k.fold(k.Stderr, tries(fmt.Sprintf(format, args...))))
}

// verbatim prints a file's own bytes; on a terminal nothing in them is obeyed.
func (k *invocation) verbatim(text []byte) {
	if tty(k.Stdout) {
		text = []byte(safe.Text(strings.ReplaceAll(string(text), "\r\n", "\n")))
	}
	_, _ = k.Stdout.Write(text)
}

func (k *invocation) write(s string) { _, _ = io.WriteString(k.Stdout, s) }
