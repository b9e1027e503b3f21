package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// release is the version of a release; .ci/release sets it when it links.
var release = "1.0-dev"

// version is stamped into pages and handovers.
func version() string { return release }

// wholeVersion says version, revision and Go, for people who report something.
func wholeVersion() string {
	out := version()
	if bi, ok := debug.ReadBuildInfo(); ok {
		for _, s := range bi.Settings {
			switch {
			case s.Key == "vcs.revision":
				out += ", revision " + s.Value[:min(len(s.Value), 10)]
			case s.Key == "vcs.modified" && s.Value == "true":
				out += " with changes"
			}
		}
		out += ", " + bi.GoVersion
	}
	return out
}

const about = "Rigkeep stores tunes for handheld motorised camera stabilisers, one set per rig, as text files in a git repository. It suggests a starting tune from the build's mass, compares tunes, checks a job before the shoot, and packs a rig for another operator.\n\n" +
	"RIG is an alias or the first letters of a fingerprint. RIG[/TUNE][@WHEN] picks a tune; WHEN is a job, a date, yesterday, wednesday, ~N (N revisions back) or a commit.\n\n" +
	"Calculated values are low starting points, not safe settings. The maker's manual, local codes and qualified crew come first."

func globalFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "library", Aliases: []string{"C"}, Usage: "library folder `DIR` (default: RIGKEEP_LIBRARY, then the current folder or a parent)"},
		&cli.StringFlag{Name: "as", Usage: "your name, `\"ROLE <MAIL>\"` (default: RIGKEEP_AUTHOR, then git's settings)"},
		&cli.StringFlag{Name: "color", Usage: "use colour: `auto`, always or never", Value: "auto"},
		&cli.IntFlag{Name: "width", Usage: "text width in `COLUMNS`"},
		&cli.BoolFlag{Name: "no-pager", Usage: "do not use a pager"},
		&cli.BoolFlag{Name: "yes", Aliases: []string{"y"}, Usage: "answer yes to every question"},
		&cli.BoolFlag{Name: "no-input", Usage: "never ask; stop if an answer is missing"},
	}
}

// verbs lists the commands in the order of a technician's work.
func commands() []namedVerb {
	return []namedVerb{
		{"demo", demoVerb}, {"init", initVerb}, {"import", importVerb}, {"part", partVerb}, {"gimbal", gimbalVerb}, {"unit", unitVerb}, {"rig", rigVerb}, {"fit", fitVerb}, {"balance", balanceVerb}, {"start", startVerb}, {"set", setVerb}, {"copy", copyVerb}, {"edit", editVerb}, {"bench", benchVerb}, {"save", saveVerb}, {"prove", proveVerb}, {"load", loadVerb}, {"diagnose", diagnoseVerb}, {"follow", followVerb},
		{"show", showVerb}, {"history", historyVerb}, {"restore", restoreVerb}, {"undo", undoVerb}, {"compare", compareVerb}, {"explain", explainVerb},
		{"find", searchVerb}, {"photo", photoVerb}, {"label", labelVerb}, {"job", jobVerb}, {"review", reviewVerb}, {"card", cardVerb}, {"open", openVerb}, {"pages", pagesVerb}, {"serve", serveVerb}, {"handover", handoverVerb}, {"sync", syncVerb}, {"trust", trustVerb}, {"check", checkVerb}, {"schema", schemaVerb}, {"git", gitVerb}, {"completion", completionVerb}, {"man", manVerb},
		{"merge-driver", mergeDriverVerb}, {"diff-driver", diffDriverVerb},
	}
}

// namedVerb makes a command when it is asked for by its name: a run needs one of them.
type namedVerb struct {
	name string
	of   func() command
}

// newApp makes the command tree; given the words of a command line, only the part that they can
// mean, as most of a short command's time is its start. Without words, or if none of them is a
// command, it is whole.
func newApp(e Env, words []string) *cli.App {
	app := cli.NewApp()
	app.Name, app.Usage, app.Description, app.Version = "rigkeep", "tune library for camera stabilisers", about, wholeVersion()
	app.Writer, app.ErrWriter, app.Reader = answerTo{e.Stdout, e}, e.Stderr, e.Stdin
	app.HideHelpCommand, app.DisableSliceFlagSeparator = true, true
	app.ExitErrHandler = func(*cli.Context, error) {} // main exits, once
	app.Flags = globalFlags()
	sortFlags(app.Flags)
	app.CustomAppHelpTemplate = "placeholder" // see helpPrinter
	vs := commands()
	add := func(n namedVerb) {
		v := n.of()
		app.Commands = append(app.Commands, v.command(e, ""))
	}
	names := make([]string, len(vs))
	for i, n := range vs {
		names[i] = n.name
		if slices.Contains(words, n.name) {
			add(n)
		}
	}
	if len(app.Commands) == 0 {
		for _, n := range vs {
			add(n)
		}
	}
	app.OnUsageError = func(_ *cli.Context, err error, _ bool) error {
		return usage("%s", plainUsage(err)).hinted("see: rigkeep --help")
	}
	app.Action = func(c *cli.Context) error {
		if !c.Args().Present() {
			return cli.ShowAppHelp(c)
		}
		f := usage("unknown command %q", c.Args().First())
		if s := schema.Suggest(c.Args().First(), names); s != "" {
			return f.hinted("%s", s)
		}
		return f.hinted("see: rigkeep --help")
	}
	return app
}

// answerTo is where the answer of a run goes. The library prints help by a function that all runs
// share, and gives it nothing of its run but this.
type answerTo struct {
	io.Writer
	e Env
}

// ownFlag is one of the library's own flags, which all runs share: each of them gets a copy to work on.
type ownFlag struct{ *cli.BoolFlag }

func (f ownFlag) Apply(set *flag.FlagSet) error {
	c := *f.BoolFlag
	return c.Apply(set)
}

func init() {
	cli.HelpFlag, cli.VersionFlag = ownFlag{cli.HelpFlag.(*cli.BoolFlag)}, ownFlag{cli.VersionFlag.(*cli.BoolFlag)}
	cli.HelpPrinter = func(w io.Writer, _ string, data any) { printHelp(w.(answerTo).e, w, data) }
	cli.HelpPrinterCustom = func(w io.Writer, _ string, data any, _ map[string]any) { printHelp(w.(answerTo).e, w, data) }
}

// sortFlags puts flags in the order of their names. The library's own way to do that asks each flag
// for its name at each comparison, which took a third of the program's start.
func sortFlags(flags []cli.Flag) {
	names := make(map[cli.Flag]string, len(flags))
	for _, f := range flags {
		names[f] = f.Names()[0]
	}
	slices.SortFunc(flags, func(a, b cli.Flag) int { return strings.Compare(names[a], names[b]) })
}

// Main runs the program and returns its exit code. It is what the end-to-end
// scripts call, and what demo calls for each command it walks through.
func Main(args []string, e Env) int {
	out := &sink{w: e.Stdout}
	if sameStream(e.Stderr, e.Stdout) {
		e.Stderr = out // so that whoever writes to both knows that they are one
	}
	e.Stdout = out
	e.made = new(store.Rev)
	code := e.run(args)
	if out.err != nil {
		f := &failure{code: exitNetwork, text: "writing the answer failed: " + rootCause(out.err) + "; no revision was made", err: out.err}
		if *e.made != "" {
			f.text, f.hint = "writing the answer failed: "+rootCause(out.err)+"; revision "+e.made.Short()+" was made", "see it with: rigkeep history --limit 1"
		}
		return e.report(f, false)
	}
	return code
}

// run is Main without the look at whether all of the answer went out.
func (e Env) run(args []string) int {
	if e.Getenv("GOGC") == "" && e.Getenv("GOMEMLIMIT") == "" {
		defer easeGC()()
	}
	if len(args) > 1 && args[1] == "__complete" {
		return complete(e, args[2:])
	}
	if len(args) > 2 && args[1] == "__complete-dot" { // from a shell that may drop an empty argument
		last := len(args) - 1
		return complete(e, append(slices.Clone(args[2:last]), strings.TrimPrefix(args[last], ".")))
	}
	e = e.forTerminal()
	if len(args) > 1 && printTopic(e, args[1:]) {
		return exitOK
	}
	app := newApp(e, args[min(1, len(args)):])
	stop, interrupted := onInterrupt(e)
	defer stop()
	line, cmd, err := arrange(app, args)
	if err == nil {
		err = app.Run(line)
	}
	if interrupted() {
		return exitInterrupt // said already
	}
	if err == nil {
		return exitOK
	}
	asJSON := (cmd == nil || len(cmd.Subcommands) > 0 || findFlag(cmd.Flags, "json") != nil) && (wantsJSON(line) || cmd == nil && wantsJSON(args))
	var f *failure
	if !errors.As(err, &f) && strings.HasPrefix(err.Error(), "Required flag") {
		err = usage("%s", err.Error())
	}
	return e.report(err, asJSON)
}

// easeGC lets the heap of a short-lived process grow before it is collected, which saves time,
// and collects sooner the more is in use, so that a long command stays small.
func easeGC() (stop func()) {
	if !eased.CompareAndSwap(false, true) { // a run inside or beside another has what that one set
		return func() {}
	}
	const spare = 16 << 20 // bytes of heap beyond what is in use
	var over atomic.Bool
	pct := 800
	was := debug.SetGCPercent(pct)
	var next func()
	next = func() { // runs after each collection
		if over.Load() {
			return
		}
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		used := m.NextGC / uint64(100+pct) * 100
		pct = int(min(800, max(50, spare*100/max(used, 1))))
		debug.SetGCPercent(pct)
		runtime.SetFinalizer(new(sentinel), func(*sentinel) { next() })
	}
	runtime.SetFinalizer(new(sentinel), func(*sentinel) { next() })
	return func() { over.Store(true); debug.SetGCPercent(was); eased.Store(false) }
}

// eased says that a run in this process has the collector eased.
var eased atomic.Bool

// sentinel is collected at the next collection. It holds a pointer, so that it is not laid
// together with other small values, which would keep it.
type sentinel struct{ _ *byte }

// wantsJSON reports whether a rearranged command line asks for JSON; what stands
// behind "--" is an argument.
func wantsJSON(line []string) bool {
	for _, a := range line {
		switch a {
		case "--":
			return false
		case "--json", "-json", "--json=true":
			return true
		}
	}
	return false
}

// transfers counts what is under way and takes its rest away by itself when its context ends.
var transfers atomic.Int32

// transferRest is how long a transfer has to take its rest away after Ctrl-C.
const transferRest = 5 * time.Second

// endings are the signals that ask a run to end, where the system has them.
var endings = []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP}

// heeded are the endings but those that whoever started the program ignores, as nohup does.
func heeded() []os.Signal { return slices.DeleteFunc(slices.Clone(endings), signal.Ignored) }

// onInterrupt ends a run on Ctrl-C, TERM or HUP with 130. What is being written is finished or
// undone first and its locks are released, so that plain git can go on; a transfer has a moment to
// take away what it has brought so far. A second signal ends the run at once. interrupted says
// whether there was one.
func onInterrupt(e Env) (stop func(), interrupted func() bool) {
	if e.Stdin != io.Reader(os.Stdin) {
		return func() {}, func() bool { return false }
	}
	c, over := make(chan os.Signal, 2), make(chan struct{})
	var came atomic.Bool
	if heard := heeded(); len(heard) > 0 {
		signal.Notify(c, heard...)
	}
	go func() {
		for {
			var s os.Signal
			select {
			case <-over:
				return
			case s = <-c:
			}
			if s == os.Interrupt && foregroundJobs.Load() > 0 {
				continue // the pager or editor decides
			}
			came.Store(true)
			quiet := store.Stop()
			if back := rawTerminal.Load(); back != nil {
				(*back)()
			}
			fmt.Fprintln(e.Stderr, "\nrigkeep: interrupted; saved revisions are intact")
			if again := goOn.Load(); again != nil {
				fmt.Fprintln(e.Stderr, "Try: "+*again)
			}
			select {
			case <-over:
				return
			case <-quiet:
			case <-c:
				if left := store.Left(); len(left) > 0 {
					fmt.Fprintln(e.Stderr, "rigkeep: stopped in the middle of a save; the next rigkeep command finishes or undoes it and removes "+safe.Text(strings.Join(left, ", ")))
				}
				os.Exit(exitInterrupt)
			}
			if transfers.Load() > 0 {
				select {
				case <-over:
					return
				case <-c:
				case <-time.After(transferRest):
				}
			}
			os.Exit(exitInterrupt)
		}
	}()
	return func() { signal.Stop(c); close(over) }, came.Load
}
