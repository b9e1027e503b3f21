package main

import (
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"
)

// arrange rewrites a command line so that flags may stand anywhere: cli v2
// stops reading flags at the first argument and would drop the rest without a
// word. Global flags go in front of the command, its own flags straight behind
// it, arguments after "--". A help flag anywhere, or the word help in front, means help
// for that command.
// It returns the command it found as well. A flag whose value is missing is an error: nothing, "--"
// or a flag of the command or of the program stands in its place. Written as --flag=VALUE it takes anything.
// A flag that takes one value and is given twice is an error too: cli would keep the last.
func arrange(app *cli.App, args []string) (out []string, cmd *cli.Command, err error) {
	r := arranging{app: app, given: map[cli.Flag]string{}}
	var path, rest []string
	cmds := app.Commands
	help := false
loop:
	for i := 1; i < len(args); i++ {
		a := args[i]
		name, flag := flagName(a)
		switch {
		case a == "--":
			rest = append(rest, args[i+1:]...)
			break loop
		case flag && isHelp(name):
			help = true
		case flag:
			if r.flag(name, a, args[i+1:]) {
				i++
			}
		default:
			if len(r.chain)+len(rest) == 0 && a == "help" && named(cmds, a) == nil {
				help = true
				continue
			}
			if len(rest) == 0 {
				if c := named(cmds, a); c != nil {
					r.chain, cmds, path = append(r.chain, c), c.Subcommands, append(path, a)
					if c.SkipFlagParsing {
						out = append(append([]string{args[0]}, r.global...), path...)
						if help {
							return append(out, "--help"), c, r.err
						}
						return append(out, args[i+1:]...), c, r.err
					}
					continue
				}
			}
			rest = append(rest, a)
		}
	}
	if len(r.chain) > 0 {
		cmd = r.chain[len(r.chain)-1]
	}
	out = append(append([]string{args[0]}, r.global...), path...)
	if help && (len(r.chain) > 0 || len(rest) == 0) {
		return append(out, "--help"), cmd, r.err
	}
	out = append(out, r.flags...)
	if len(rest) > 0 {
		if len(r.chain) == 0 || len(cmd.Subcommands) > 0 {
			return append(out, rest...), cmd, r.err // an unknown command: let it be named
		}
		out = append(append(out, "--"), rest...)
	}
	return out, cmd, r.err
}

// arranging is a command line as far as it is read.
type arranging struct {
	app           *cli.App
	chain         []*cli.Command
	global, flags []string            // the program's flags and the command's, with their values
	given         map[cli.Flag]string // how each was written
	err           error               // the first
}

// flag takes a flag, and says whether it took the word behind it as its value.
func (r *arranging) flag(name, a string, behind []string) bool {
	f, ofProgram := flagOf(r.app, r.chain, name)
	dest := &r.flags
	if ofProgram {
		dest = &r.global
	}
	*dest = append(*dest, a)
	if f == nil || !takesValue(f) {
		return false
	}
	if !takesMany(f) {
		if first := r.given[f]; first != "" && r.err == nil {
			r.err = usage("the flag %s is given twice", first).hinted("it takes one value: leave one of them out")
		}
		r.given[f], _, _ = strings.Cut(a, "=")
	}
	if strings.Contains(a, "=") {
		return false
	}
	if len(behind) == 0 || behind[0] == "--" || isFlag(r.app, r.chain, behind[0]) {
		if r.err == nil {
			r.err = noValue(a, behind)
		}
		return false
	}
	*dest = append(*dest, behind[0])
	return true
}

// flagName is the name in a word that is written as a flag; ok is false for any other word.
func flagName(word string) (name string, ok bool) {
	if len(word) < 2 || word[0] != '-' || isNumber(word) {
		return "", false
	}
	name, _, _ = strings.Cut(strings.TrimLeft(word, "-"), "=")
	return name, true
}

func isHelp(name string) bool { return name == "help" || name == "h" }

// isFlag reports whether a word is written as a flag that the command or the program has.
func isFlag(app *cli.App, chain []*cli.Command, word string) bool {
	name, ok := flagName(word)
	f, _ := flagOf(app, chain, name)
	return ok && (f != nil || isHelp(name))
}

// flagOf finds a flag of the command that chain leads to, else of the program.
func flagOf(app *cli.App, chain []*cli.Command, name string) (f cli.Flag, ofProgram bool) {
	if f := flagNamed(chain, name); f != nil {
		return f, false
	}
	f = findFlag(app.Flags, name)
	return f, f != nil
}

// noValue says of a flag that its value is missing, and how a value is given that looks like a flag.
func noValue(flag string, then []string) error {
	if len(then) == 0 || then[0] == "--" {
		return usage("the flag %s needs a value", flag)
	}
	long := flag
	if !strings.HasPrefix(flag, "--") {
		long = "-" + strings.TrimLeft(flag, "-")
	}
	return usage("the flag %s needs a value; %s is a flag", flag, then[0]).hinted("to give that as the value, write %s=%s", long, then[0])
}

func isNumber(s string) bool { _, err := strconv.ParseFloat(s, 64); return err == nil }

func named(cmds []*cli.Command, name string) *cli.Command {
	for _, c := range cmds {
		if c.HasName(name) {
			return c
		}
	}
	return nil
}

func flagNamed(chain []*cli.Command, name string) cli.Flag {
	for i := len(chain) - 1; i >= 0; i-- {
		if f := findFlag(chain[i].Flags, name); f != nil {
			return f
		}
	}
	return nil
}

func findFlag(flags []cli.Flag, name string) cli.Flag {
	for _, f := range flags {
		for _, n := range f.Names() {
			if n == name {
				return f
			}
		}
	}
	return nil
}

func takesValue(f cli.Flag) bool {
	v, ok := f.(cli.DocGenerationFlag)
	return ok && v.TakesValue()
}

// takesMany reports whether a flag may be given more than once.
func takesMany(f cli.Flag) bool {
	v, ok := f.(cli.DocGenerationSliceFlag)
	return ok && v.IsSliceFlag()
}
