package main

import (
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset/file"
	"rigkeep/repo/handover"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/repo/transport"
	"rigkeep/schema"
)

func readStream(r io.Reader) ([]byte, error) { return file.ReadFrom(r, "standard input") }

func readFile(path, shown string) ([]byte, error) { return file.Read(path, shown) }

func initVerb() command {
	return command{
		name: "init", args: "[DIR]", short: "make a library",
		long: "Creates a library in DIR (default: the current folder): a git repository with library.toml, JSON Schemas for editors, and settings that keep line endings. An existing library is left unchanged.\n\n" +
			"--from copies a library with all its history from a folder or git server into a new or empty folder; sync then exchanges with it. Addresses and passwords: see sync.",
		example: "rigkeep init tunes --name \"Harbour rentals\"\nrigkeep init tunes --from /mnt/share/tunes.git\nrigkeep init --dry-run",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "from", Usage: "copy the library at this `ADDRESS`"},
			&cli.StringFlag{Name: "name", Usage: "the library's `NAME`; else the folder's"},
			&cli.StringFlag{Name: "mass", Usage: "mass unit for display: `kg`, g or lb", Value: "kg"},
			&cli.StringFlag{Name: "length", Usage: "length unit for display: `mm` or in", Value: "mm"},
		},
		changes: true, noLib: true, maxArgs: 1, argKind: []string{"file"}, run: runInit,
	}
}

func runInit(k *invocation) error {
	if k.c.String("from") != "" {
		return k.initFrom()
	}
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
	if l, err := library.Open(dir, k.cat, store.Options{}); err == nil {
		if l.Store.Root() == dir {
			return fail(exitConflict, "%s is already a library", dir).hinted("nothing changed")
		}
		return fail(exitConflict, "%s is inside the library %s", dir, l.Store.Root()).hinted("git would not track a library inside a library; choose another folder")
	}
	if _, err := os.Lstat(filepath.Join(dir, ".git")); err == nil {
		return fail(exitConflict, "%s already is a git repository", dir).hinted("choose another folder")
	}
	if k.dryRun() {
		k.done.Subject = "Create library"
		k.printf("would create a library in %s:\n", dir)
		for _, f := range files {
			k.done.Files = append(k.done.Files, f.Path)
			k.printf("  %s\n", f.Path)
		}
		return nil
	}
	l, err := store.Init(dir, files, who, k.Now())
	if err != nil {
		return err
	}
	head, err := l.Head()
	if err != nil {
		return err
	}
	k.recordResult(head, "Create library", "")
	for _, f := range files {
		k.done.Files = append(k.done.Files, f.Path)
	}
	k.printf("created library %q in %s\n", name, l.Root())
	k.say("Try: rigkeep gimbal new\nTry: rigkeep part import FILE.csv --dry-run")
	return nil
}

// initFrom copies a library from elsewhere.
func (k *invocation) initFrom() error {
	for _, f := range []string{"name", "mass", "length"} {
		if k.c.IsSet(f) {
			return usage("--%s does not go with --from: the copy is as the other library is", f)
		}
	}
	address := syncRun{k}.remoteAddress(k.c.String("from"))
	base := strings.TrimSuffix(path.Base(strings.TrimRight(filepath.ToSlash(transport.Shown(address)), "/")), ".git")
	if i := strings.LastIndexByte(base, ':'); i >= 0 {
		base = base[i+1:]
	}
	dir := k.path(base)
	if len(k.args) > 0 {
		dir = k.path(k.args[0])
	}
	who, err := k.who()
	if err != nil {
		who = store.Person{Name: "rigkeep", Email: "rigkeep@localhost"} // for the reflog: a copy has no author of its own
	}
	ctx, stop := k.transferCtx()
	defer stop()
	show := syncRun{k}.progress()
	r, err := transport.Dial(address, syncRun{k}.transportOptions(show, library.RemoteRef{Address: address}))
	if err != nil {
		return err
	}
	defer func() { _ = r.Close() }()
	if k.dryRun() {
		refs, err := r.Refs(ctx)
		if err != nil {
			return err
		}
		k.done.Subject = "Copy " + r.Shown()
		k.printf("would copy %s (%s) to %s\n", safe.Line(r.Shown()), schema.Count(len(refs.Heads), "branch", "branches"), dir)
		return nil
	}
	long := k.longWork()
	opt := store.Options{OnProgress: func(what string, done, total int) {
		show.end() // the transfer's own line
		long(what, done, total)
	}}
	l, err := library.Clone(ctx, dir, r, address, k.cat, opt, who, k.Now())
	show.end()
	if err != nil {
		return err
	}
	head, err := l.Store.Head()
	if err != nil {
		return err
	}
	rigs, err := l.Names().Rigs()
	if err != nil {
		return err
	}
	k.recordResult(head, "Copy "+r.Shown(), "")
	k.printf("copied %s to %s: %s\n", safe.Line(r.Shown()), dir, schema.Count(len(rigs), "rig", "rigs"))
	k.lib = l
	if pins, _, err := (trustRun{k}).pins(); err == nil {
		if all, _, err := handover.Proposals(l.Store, pins, k.Now()); err == nil {
			trustRun{k}.sayProposed(proposalsOf(all))
		}
	}
	k.say("Try: rigkeep sync")
	return nil
}
