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
	var global, path, flags, rest []string
	var chain []*cli.Command
	cmds := app.Commands
	given := map[cli.Flag]string{}
	help := false
	i := 1
loop:
	for ; i < len(args); i++ {
		a := args[i]
		switch {
		case a == "--":
			rest = append(rest, args[i+1:]...)
			break loop
		case len(a) > 1 && a[0] == '-' && !isNumber(a):
			name, _, hasValue := strings.Cut(strings.TrimLeft(a, "-"), "=")
			if name == "help" || name == "h" {
				help = true
				continue
			}
			dest := &flags
			f := flagNamed(chain, name)
			if f == nil {
				if f = findFlag(app.Flags, name); f != nil {
					dest = &global
				}
			}
			*dest = append(*dest, a)
			if f != nil && takesValue(f) && !takesMany(f) {
				if first := given[f]; first != "" && err == nil {
					err = usage("the flag %s is given twice", first).hinted("it takes one value: leave one of them out")
				}
				given[f], _, _ = strings.Cut(a, "=")
			}
			if f != nil && !hasValue && takesValue(f) {
				if i+1 == len(args) || args[i+1] == "--" || isFlag(app, chain, args[i+1]) {
					if err == nil {
						err = noValue(a, args[i+1:])
					}
					continue
				}
				i++
				*dest = append(*dest, args[i])
			}
		default:
			if len(chain)+len(rest) == 0 && a == "help" && named(cmds, a) == nil {
				help = true
				continue
			}
			if len(rest) == 0 {
				if c := named(cmds, a); c != nil {
					chain, cmds, path = append(chain, c), c.Subcommands, append(path, a)
					if c.SkipFlagParsing {
						out = append(append([]string{args[0]}, global...), path...)
						if help {
							return append(out, "--help"), c, err
						}
						return append(out, args[i+1:]...), c, err
					}
					continue
				}
			}
			rest = append(rest, a)
		}
	}
	if len(chain) > 0 {
		cmd = chain[len(chain)-1]
	}
	out = append(append([]string{args[0]}, global...), path...)
	if help && (len(chain) > 0 || len(rest) == 0) {
		return append(out, "--help"), cmd, err
	}
	out = append(out, flags...)
	if len(rest) > 0 {
		if len(chain) == 0 || len(cmd.Subcommands) > 0 {
			return append(out, rest...), cmd, err // an unknown command: let it be named
		}
		out = append(append(out, "--"), rest...)
	}
	return out, cmd, err
}

// isFlag reports whether a word is written as a flag that the command or the program has.
func isFlag(app *cli.App, chain []*cli.Command, word string) bool {
	if len(word) < 2 || word[0] != '-' || isNumber(word) {
		return false
	}
	name, _, _ := strings.Cut(strings.TrimLeft(word, "-"), "=")
	return name == "help" || name == "h" || flagNamed(chain, name) != nil || findFlag(app.Flags, name) != nil
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
