package main

import (
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func demoVerb() command {
	return command{
		name: "demo", args: "[DIR]", short: "build a demo library and play one job through",
		long:    "Builds an invented library in DIR (default: a new temporary folder): a documentary about harbour pilots with four rigs, two gimbals, three jobs and three people. Prints a line for each step; --full prints each command with its output. DIR must be empty.",
		example: "rigkeep demo\nrigkeep demo harbour --full",
		flags:   boolFlags("full", "print each command with its output", "quiet", "build the library, print only its location"),
		changes: true, noLib: true, maxArgs: 1, argKind: []string{"file"}, run: runDemo,
	}
}

func runDemo(k *invocation) error {
	steps, err := examples.Scenario()
	if err != nil {
		return err
	}
	if k.dryRun() {
		for _, s := range steps {
			if s.Command != nil {
				k.printf("would run rigkeep %s\n", shellWords(s.Command))
				k.done.Words = append(k.done.Words, "rigkeep "+shellWords(s.Command))
			}
		}
		return nil
	}
	dir, err := demoRun{k}.demoDir()
	if err != nil {
		return err
	}
	lib := filepath.Join(dir, "library")
	for _, d := range []string{lib, filepath.Join(dir, "desk")} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			return outError(d, err)
		}
	}
	if err := unpack(filepath.Join(dir, "desk")); err != nil {
		return err
	}
	out, full := k.Stdout, k.c.Bool("full")
	if !full {
		out = io.Discard
	}
	if !k.c.Bool("quiet") && !full {
		k.printf("An invented film about harbour pilots: four rigs, two gimbals, three jobs.\n\n")
	}
	var walk demoWalk
	clock := time.Time{}
	who := ""
	for _, s := range steps {
		clock = clock.Add(time.Minute)
		switch {
		case !s.When.IsZero():
			clock = s.When
		case s.As != "":
			who = s.As
		case s.Say != "":
			walk.next(clock, s.Say)
			fmt.Fprintf(out, "\n%s", wrap(k.paint.bold("# "+s.Say), "", k.wide))
		case s.Stand != nil:
			if err := (demoRun{k}).demoStand(lib, out, s, who, &clock); err != nil {
				return err
			}
		case s.Edit != nil:
			path, err := handEdit(lib, *s.Edit)
			if err != nil {
				return fail(exitDamaged, "demo, line %d: %v", s.Line, err)
			}
			fmt.Fprintf(out, "\n(by hand, in an editor: %s: %s → %s)\n", path, s.Edit.Old, s.Edit.New)
		default:
			walk.ran(s.Command)
			if err := (demoRun{k}).demoStep(lib, out, s, who, clock); err != nil {
				return err
			}
		}
	}
	k.recordResult("", "", "", lib)
	walk.end()
	if !k.c.Bool("quiet") && !full {
		k.write(walk.lines.String() + "\n")
	}
	k.printf("Library: %s\nThe sheets it was made from: %s\n", lib, filepath.Join(dir, "desk"))
	k.printf("Try: cd %s\nTry: rigkeep review night-pilotage\nTry: rigkeep compare a-cam-prime@pilot-station a-cam-prime\n", lib)
	if !full && !k.c.Bool("quiet") {
		k.printf("Every command with its output: rigkeep demo DIR --full\n")
	}
	return nil
}

// demoWalk is the short form of the demo: a line for each step, with the commands it ran.
type demoWalk struct {
	lines     strings.Builder
	day, last string
	say       string
	commands  []string
}

// next ends the step before and begins another.
func (w *demoWalk) next(at time.Time, say string) {
	w.end()
	w.day, w.say = at.Format("Jan _2"), say
}

// ran notes the name of a command of this step, once.
func (w *demoWalk) ran(words []string) {
	name := words[0]
	if len(words) > 1 && len(findVerb(words[:1]).subs) > 0 {
		name += " " + words[1]
	}
	if !slices.Contains(w.commands, name) {
		w.commands = append(w.commands, name)
	}
}

// demoColumns is what is left for the names of commands on a line of 80 columns.
const demoColumns = 28

func (w *demoWalk) end() {
	if w.say == "" {
		return
	}
	day := w.day
	if day == w.last {
		day = ""
	}
	names := ""
	for i, n := range w.commands {
		if len(names)+len(n)+2 > demoColumns-2 {
			names += ", …"
			break
		}
		if i > 0 {
			names += ", "
		}
		names += n
	}
	fmt.Fprintf(&w.lines, "%-6s  %-43s %s\n", day, w.say, names)
	w.last, w.say, w.commands = w.day, "", nil
}

// demoStep plays one command in-process and prints it with its output.
func (k demoRun) demoStep(dir string, out io.Writer, s examples.Step, who string, clock time.Time) error {
	fmt.Fprintf(out, "\n%s\n", k.paint.bold("$ rigkeep "+shellWords(s.Command)))
	now := clock
	e := Env{Stdin: strings.NewReader(""), Stdout: out, Stderr: out, Dir: dir, Now: func() time.Time { return now },
		Getenv: func(name string) string {
			switch name {
			case "RIGKEEP_AUTHOR":
				return who
			case "COLUMNS":
				return fmt.Sprint(k.wide)
			case "CLICOLOR_FORCE":
				if k.paint.on {
					return "1"
				}
				return ""
			case "RIGKEEP_LIBRARY", "GIT_AUTHOR_NAME", "GIT_AUTHOR_EMAIL":
				return ""
			}
			return k.Getenv(name)
		}}
	if code := Main(append([]string{"rigkeep"}, s.Command...), e); code != s.Expect {
		return fail(exitDamaged, "demo, line %d: rigkeep %s ended with exit code %d, not %d", s.Line, shellWords(s.Command), code, s.Expect).hinted("the library so far is in %s", dir)
	}
	return nil
}

// demoStand plays a bench session: it asks what to set next and answers as the
// scenario's gimbal would.
func (k demoRun) demoStand(dir string, out io.Writer, s examples.Step, who string, clock *time.Time) error {
	for range 100 {
		var answer strings.Builder
		if err := k.demoStep(dir, &answer, examples.Step{Line: s.Line, Command: []string{"bench", s.Stand.Rig, "--json"}}, who, *clock); err != nil {
			return err
		}
		_, text, _ := strings.Cut(answer.String(), "{")
		var state struct {
			Next jsonProposal `json:"next"`
		}
		if err := json.NewDecoder(strings.NewReader("{" + text)).Decode(&state); err != nil {
			return fail(exitDamaged, "demo, line %d: %v", s.Line, err)
		}
		words := []string{"bench", s.Stand.Rig}
		switch n := state.Next; {
		case n.Stage == bench.Done:
			return nil
		case n.Stage == bench.InHand:
			words = append(words, "--saw", string(bench.Hand))
		case n.Value == nil:
			return fail(exitDamaged, "demo, line %d: no value is proposed: %s", s.Line, n.Reason)
		default:
			words = append(words, "--axis", n.Axis, "--value", schema.Num(*n.Value))
			if *n.Value >= s.Stand.Onset[n.Axis] {
				words = append(words, "--saw", "chatter", "--hz", schema.Num(s.Stand.Hz[n.Axis]))
			} else {
				words = append(words, "--saw", "clean")
			}
		}
		*clock = clock.Add(time.Minute)
		if err := k.demoStep(dir, out, examples.Step{Line: s.Line, Command: words}, who, *clock); err != nil {
			return err
		}
	}
	return fail(exitDamaged, "demo, line %d: the session does not end", s.Line)
}

// shellWords writes words so that they can be pasted into a shell.
func shellWords(words []string) string {
	out := make([]string, len(words))
	for i, w := range words {
		if w == "" || strings.ContainsAny(w, " \t'\"$&|;<>()*?~#\\") {
			w = "\"" + w + "\""
		}
		out[i] = w
	}
	return strings.Join(out, " ")
}

// demoDir is the folder to play in: new, or there and empty.
func (k demoRun) demoDir() (string, error) {
	if len(k.args) == 0 {
		dir, err := os.MkdirTemp("", "rigkeep-demo-")
		return dir, outError("a temporary folder", err)
	}
	dir := k.path(k.args[0])
	es, err := os.ReadDir(dir)
	switch {
	case err == nil && len(es) > 0:
		return "", fail(exitConflict, "%s is not empty", dir).hinted("choose a new or empty folder")
	case err == nil:
		return dir, nil
	case os.IsNotExist(err):
		return dir, outError(dir, os.MkdirAll(dir, 0o755))
	}
	return "", outError(dir, err)
}

// demoFiles are what a technician would have at hand before the library is made.
func demoFiles() (map[string][]byte, error) {
	out := map[string][]byte{}
	for _, slug := range examples.GimbalSlugs() {
		out[slug+".toml"], _ = examples.Gimbal(slug)
	}
	files := examples.DemoFiles()
	err := fs.WalkDir(files, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		out[p], err = fs.ReadFile(files, p)
		return err
	})
	return out, err
}

func unpack(dir string) error {
	files, err := demoFiles()
	if err != nil {
		return err
	}
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			return outError(name, err)
		}
	}
	return nil
}

// handEdit changes a file as a person with an editor would, beside Rigkeep.
func handEdit(dir string, e examples.Edit) (string, error) {
	l, err := library.Open(dir, schema.Default(), store.Options{})
	if err != nil {
		return "", err
	}
	rr, err := l.Names().Find(e.Rig)
	if err != nil {
		return "", err
	}
	rel := preset.RigDir(rr.Fingerprint) + "/" + e.File
	name := filepath.Join(dir, filepath.FromSlash(rel))
	data, err := os.ReadFile(name)
	if err != nil {
		return "", err
	}
	text := string(data)
	if strings.Count(text, e.Old) != 1 {
		return "", fmt.Errorf("%s: %q is not there once", rel, e.Old)
	}
	return rel, os.WriteFile(name, []byte(strings.Replace(text, e.Old, e.New, 1)), 0o644)
}
