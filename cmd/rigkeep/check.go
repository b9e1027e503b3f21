package main

import (
	"context"
	"fmt"
	"strings"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
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

func runCheck(k *invocation) error {
	if k.c.Bool("install-drivers") {
		return driverRun{k}.installDrivers()
	}
	fs, files, err := k.lib.Check()
	if err != nil {
		return err
	}
	dirty := k.unsaved()
	gitSays := ""
	damaged := false
	if k.c.Bool("git") {
		var out safeBuffer
		status, err := k.lib.Store.Git(context.Background(), nil, &out, &out, "fsck", "--strict", "--no-dangling")
		if err != nil {
			return err
		}
		gitSays = "git fsck: no errors"
		if status != 0 {
			if strings.Contains(out.String(), "safe.directory") { // git-config(1), safe.directory
				return fail(exitConflict, "git does not work in a library of another owner: %s", k.lib.Store.Root()).
					hinted("nothing is wrong with the library; to let git look at it: git config --global --add safe.directory %s", shellWord(k.lib.Store.Root()))
			}
			damaged = true
			gitSays = "git fsck --strict found damage:\n" + out.String()
		}
	}
	temps := k.lib.Store.Work().Temps()
	worst := false
	for _, f := range fs {
		worst = worst || !f.Warning
	}
	switch {
	case k.json():
		if fs == nil {
			fs = []library.Finding{}
		}
		var un []string
		for _, c := range dirty {
			un = append(un, c.Path)
		}
		if err := k.encode(struct {
			Format   int               `json:"format"`
			Files    int               `json:"files"`
			Findings []library.Finding `json:"findings"`
			Unsaved  []string          `json:"unsaved"`
			Git      string            `json:"git,omitempty"`
			Temps    int               `json:"temporary_files"`
			TempSize int64             `json:"temporary_bytes"`
		}{1, files, fs, append([]string{}, un...), gitSays, temps.Files, temps.Bytes}); err != nil {
			return err
		}
	case !k.c.Bool("quiet"):
		for _, f := range fs {
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
		all := page.Good
		switch {
		case worst:
			all = page.Bad
		case len(fs) > 0:
			all = page.Look
		}
		k.printf("%s checked, %s\n", schema.Count(files, "file", "files"), k.paint.verdict(all, k.paint.signed(all, schema.Count(len(fs), "finding", "findings"))))
		if gitSays != "" {
			k.printf("%s\n", safe.Text(gitSays))
		}
		if temps.Files > 0 {
			k.printf("%s being written or left by killed programs, %s; they go with the next save once an hour old\n", schema.Count(temps.Files, "temporary file", "temporary files"), bytesText(int(temps.Bytes)))
		}
		k.printUnsaved(dirty)
	}
	if damaged {
		return &failure{code: exitDamaged, text: "git found damage in the library", hint: "back up the library first; restore the missing objects from an intact clone"}
	}
	if worst {
		return errFindings
	}
	return nil
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
