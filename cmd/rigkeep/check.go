package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func checkVerb() command {
	return command{
		name: "check", short: "check the whole library: files, fingerprints, references, git",
		long:    "Checks every file and lists errors with file, line and fix. --git also runs git fsck. --install-drivers makes plain git merge and compare by key in this copy. Exit 1 on errors, 5 if git finds damage.",
		example: "rigkeep check\nrigkeep check --git --json\nrigkeep check --install-drivers",
		flags:   boolFlags("git", "run git fsck --strict as well", "install-drivers", "have plain git merge and compare by key", "quiet", "only the exit code"),
		pages:   true, reads: true, argKind: nil, run: runCheck,
	}
}

// checked is what check found.
type checked struct {
	findings []library.Finding
	files    int
	unsaved  []store.Change
	git      string // what git fsck said, "" where it was not asked
	damaged  bool   // by git's word
	temps    store.Temps
}

// bad says that a finding is more than a warning.
func (c checked) bad() bool {
	return slices.ContainsFunc(c.findings, func(f library.Finding) bool { return !f.Warning })
}

func runCheck(k *invocation) error {
	if k.c.Bool("install-drivers") {
		return driverRun{k}.installDrivers()
	}
	var c checked
	var err error
	if c.findings, c.files, err = k.lib.Check(); err != nil {
		return err
	}
	c.unsaved = k.unsaved()
	if k.c.Bool("git") {
		if c.git, c.damaged, err = (checkRun{k}).fsck(); err != nil {
			return err
		}
	}
	c.temps = k.lib.Store.Work().Temps()
	switch {
	case k.json():
		if err := (checkRun{k}).encodeAnswer(c); err != nil {
			return err
		}
	case !k.c.Bool("quiet"):
		checkRun{k}.printAnswer(c)
	}
	if c.damaged {
		return &failure{code: exitDamaged, text: "git found damage in the library", hint: "back up the library first; restore the missing objects from an intact clone"}
	}
	if c.bad() {
		return errFindings
	}
	return nil
}

// fsck has git look at the library.
func (k checkRun) fsck() (says string, damaged bool, err error) {
	var out safeBuffer
	status, err := k.lib.Store.Git(context.Background(), nil, &out, &out, "fsck", "--strict", "--no-dangling")
	switch {
	case err != nil:
		return "", false, err
	case status == 0:
		return "git fsck: no errors", false, nil
	case strings.Contains(out.String(), "safe.directory"): // git-config(1), safe.directory
		return "", false, fail(exitConflict, "git does not work in a library of another owner: %s", k.lib.Store.Root()).
			hinted("nothing is wrong with the library; to let git look at it: git config --global --add safe.directory %s", shellWord(k.lib.Store.Root()))
	}
	return "git fsck --strict found damage:\n" + out.String(), true, nil
}

func (k checkRun) encodeAnswer(c checked) error {
	un := []string{}
	for _, x := range c.unsaved {
		un = append(un, x.Path)
	}
	return k.encode(struct {
		Format   int               `json:"format"`
		Files    int               `json:"files"`
		Findings []library.Finding `json:"findings"`
		Unsaved  []string          `json:"unsaved"`
		Git      string            `json:"git,omitempty"`
		Temps    int               `json:"temporary_files"`
		TempSize int64             `json:"temporary_bytes"`
	}{1, c.files, append([]library.Finding{}, c.findings...), un, c.git, c.temps.Files, c.temps.Bytes})
}

func (k checkRun) printAnswer(c checked) {
	for _, f := range c.findings {
		k.printFinding(f)
	}
	all := page.Good
	switch {
	case c.bad():
		all = page.Bad
	case len(c.findings) > 0:
		all = page.Look
	}
	k.printf("%s checked, %s\n", schema.Count(c.files, "file", "files"), k.paint.verdict(all, k.paint.signed(all, schema.Count(len(c.findings), "finding", "findings"))))
	if c.git != "" {
		k.printf("%s\n", safe.Text(c.git))
	}
	if c.temps.Files > 0 {
		k.printf("%s being written or left by killed programs, %s; they go with the next save once an hour old\n", schema.Count(c.temps.Files, "temporary file", "temporary files"), bytesText(int(c.temps.Bytes)))
	}
	k.printUnsaved(c.unsaved)
}

func (k checkRun) printFinding(f library.Finding) {
	at := safe.Line(f.Path)
	if f.Line > 0 {
		at += fmt.Sprintf(":%d:%d", f.Line, f.Col)
	}
	if f.Key != "" {
		at += ": " + safe.Line(f.Key)
	}
	mark := k.paint.bad(k.paint.signed(page.Bad, "act "))
	if f.Warning {
		mark = k.paint.warn(k.paint.signed(page.Look, "note"))
	}
	k.printf("%s %s\n", mark, at)
	k.write(wrap(safe.Line(f.What), "       ", k.wide))
	if f.Fix != "" {
		k.write(wrap("→ "+safe.Line(f.Fix), "       ", k.wide))
	}
}

type safeBuffer struct{ b []byte }

func (s *safeBuffer) Write(p []byte) (int, error) {
	if len(s.b) < 64<<10 {
		s.b = append(s.b, p...)
	}
	return len(p), nil
}
func (s *safeBuffer) String() string { return string(s.b) }

func gitVerb() command {
	return command{
		name: "git", args: "…", short: "run git in the library",
		long:    "Runs git in the library folder.",
		example: "rigkeep git log --oneline\nrigkeep git status",
		raw:     true, noLib: true, maxArgs: -1, run: runGit,
	}
}

func runGit(k *invocation) error {
	if len(k.args) == 1 && (k.args[0] == "--help" || k.args[0] == "-h") {
		printHelp(k.Env, k.Stdout, k.c.Command)
		return nil
	}
	if err := k.open(); err != nil {
		return err
	}
	foregroundJobs.Add(1) // git has the terminal: Ctrl-C is its
	defer foregroundJobs.Add(-1)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	status, err := k.lib.Store.Git(ctx, k.Stdin, straight(k.Stdout), straight(k.Stderr), k.args...)
	if err != nil {
		return err
	}
	if status != 0 {
		return &failure{code: status, text: ""}
	}
	return nil
}

func completionVerb() command {
	return command{
		name: "completion", args: "SHELL", short: "print the completion script of a shell",
		long:    "Shells: bash, zsh, fish, powershell. The script asks rigkeep for candidates and evaluates nothing that was typed.",
		example: "source <(rigkeep completion bash)\nrigkeep completion fish | source",
		noLib:   true, minArgs: 1, maxArgs: 1, argKind: []string{"shell"},
		run: func(k *invocation) error {
			s, ok := completionScripts[k.args[0]]
			if !ok {
				return usage("no completion for %q", k.args[0]).hinted("one of: bash, zsh, fish, powershell")
			}
			k.write(s)
			return nil
		},
	}
}
