package main

import (
	"io"
	"os"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"rigkeep/preset/file"
	"rigkeep/repo"
	"rigkeep/repo/library"
)

func readStream(r io.Reader) ([]byte, error) { return file.ReadFrom(r, "standard input") }

func readFile(path, shown string) ([]byte, error) { return file.Read(path, shown) }

func initVerb() verb {
	return verb{
		name: "init", args: "[DIR]", short: "make a library",
		long:    "Makes a library in DIR, or in the folder one stands in: a git repository with library.toml, the JSON Schemas for editors, and settings that keep line endings as they are. A folder that holds a library already is left alone.",
		example: "rigkeep init tunes --name \"Harbour rentals\"\nrigkeep init --dry-run",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "the library's `NAME`; else the folder's"},
			&cli.StringFlag{Name: "mass", Usage: "`UNIT` in which masses are shown: kg, g, lb", Value: "kg"},
			&cli.StringFlag{Name: "length", Usage: "`UNIT` in which lengths are shown: mm, in", Value: "mm"},
		},
		changes: true, noLib: true, maxArgs: 1, argKind: []string{"file"}, run: runInit,
	}
}

func runInit(k *call) error {
	dir := k.Dir
	if len(k.args) > 0 {
		dir = k.path(k.args[0])
	}
	name := k.c.String("name")
	if name == "" {
		name = filepath.Base(dir)
	}
	files, err := library.NewFiles(k.cat, name, k.c.String("mass"), k.c.String("length"))
	if err != nil {
		return err
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	if l, err := library.Open(dir, k.cat, repo.Options{}); err == nil {
		if l.Store.Root() == dir {
			return fail(exitConflict, "%s is a library already", dir).hinted("it was left alone")
		}
		return fail(exitConflict, "%s lies in the library %s", dir, l.Store.Root()).hinted("a library in a library would be lost to git; choose a folder outside")
	}
	if _, err := os.Lstat(filepath.Join(dir, ".git")); err == nil {
		return fail(exitConflict, "%s already is a git repository", dir).hinted("choose a folder that is not one")
	}
	if k.dryRun() {
		k.done.Subject = "Begin the library"
		k.printf("would make a library in %s:\n", dir)
		for _, f := range files {
			k.done.Files = append(k.done.Files, f.Path)
			k.printf("  %s\n", f.Path)
		}
		return nil
	}
	l, err := repo.Init(dir, files, who, k.Now())
	if err != nil {
		return err
	}
	head, err := l.Head()
	if err != nil {
		return err
	}
	k.did(head, "Begin the library", "")
	for _, f := range files {
		k.done.Files = append(k.done.Files, f.Path)
	}
	k.printf("made library %q in %s\n", name, l.Root())
	k.say("next: rigkeep gimbal add FILE, then rigkeep rig add FILE (templates: rigkeep gimbal new, rigkeep rig new)")
	return nil
}
