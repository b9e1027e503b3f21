package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
)

func setVerb() verb {
	return verb{
		name: "set", args: "RIG[/TUNE] KEY=VALUE…", short: "change values of a tune in place, checked",
		long:    "Each value is changed where it stands: comments, order and the spelling of everything else stay as they are. The change is in the work tree until it is saved.",
		example: "rigkeep set a-cam-long stiffness.tilt=44 filters.sensing=3\nrigkeep set a-cam-long follow.walk.window.pan=6\nrigkeep set a-cam-long --unset horizon.offset_deg",
		flags:   []cli.Flag{&cli.StringSliceFlag{Name: "unset", Usage: "remove this `KEY`; may be repeated"}},
		changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"rig", "assign"}, run: runSet,
	}
}

func runSet(k *call) error {
	d, err := k.lib.Load(k.args[0], true)
	if err != nil {
		return err
	}
	if d.Ref.When != "" {
		return usage("set changes the tune as it is now; leave @%s out", d.Ref.When)
	}
	var as []library.Assign
	for _, s := range k.args[1:] {
		a, err := library.ParseAssign(s)
		if err != nil {
			return err
		}
		as = append(as, a)
	}
	for _, key := range k.c.StringSlice("unset") {
		as = append(as, library.Assign{Key: key, Unset: true})
	}
	if len(as) == 0 {
		return usage("set needs KEY=VALUE or --unset KEY").hinted("see the keys with: rigkeep explain --rig %s", k.args[0])
	}
	e, err := k.lib.Assign(d, as)
	if err != nil {
		return err
	}
	for _, p := range k.cat.Validate("tune", e.After.Tree(), d.Sheet) {
		if p.Warning {
			k.say("warning: %s", safe.Line(p.Error()))
		}
	}
	return k.putTune(d, e)
}

func editVerb() verb {
	return verb{
		name: "edit", args: "RIG[/TUNE]", short: "open a tune or build sheet in an editor, checked on return",
		long:    "Opens a copy in RIGKEEP_EDITOR, VISUAL or EDITOR. When the editor closes, the text is checked; a fault is shown with its line and the editor can be opened again there. Only a text that holds is put in the work tree.",
		example: "rigkeep edit a-cam-long\nrigkeep edit a-cam-long --build",
		flags:   []cli.Flag{&cli.BoolFlag{Name: "build", Usage: "edit the build sheet, rig.toml"}},
		changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runEdit,
	}
}

func runEdit(k *call) error {
	d, err := k.lib.Load(k.args[0], !k.c.Bool("build"))
	if err != nil {
		return err
	}
	if d.Ref.When != "" {
		return usage("edit opens what lies in the work tree; leave @%s out", d.Ref.When)
	}
	path, sheet := d.TunePath(), d.Sheet
	if k.c.Bool("build") {
		path, sheet = preset.RigPath(d.Rig.Fingerprint), nil
	}
	base := d.Texts[path]
	if k.dryRun() {
		k.printf("would open %s\n", path)
		return nil
	}
	dir, err := os.MkdirTemp("", "rigkeep-edit-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	tmp := filepath.Join(dir, filepath.Base(path))
	if err := os.WriteFile(tmp, base, 0o600); err != nil {
		return err
	}
	for {
		if err := k.editor(tmp); err != nil {
			return err
		}
		text, err := file.Read(tmp, path)
		if err == nil && string(text) == string(base) {
			k.say("nothing changed")
			return nil
		}
		if err == nil {
			_, err = k.lib.Parse(path, text, sheet)
		}
		if err != nil {
			k.report(err, false)
			if cerr := k.confirm("The text does not hold. Open it again?"); cerr != nil || k.c.Bool("yes") || !tty(k.Stdin) {
				keep := filepath.Join(os.TempDir(), "rigkeep-"+filepath.Base(filepath.Dir(path))+"-"+filepath.Base(path))
				if werr := os.WriteFile(keep, text, 0o600); werr == nil {
					return fail(exitDamaged, "%s was left as it was", path).hinted("your text is in %s", keep)
				}
				return fail(exitDamaged, "%s was left as it was", path)
			}
			base2 := text
			_ = os.WriteFile(tmp, base2, 0o600)
			continue
		}
		ctx, stop := k.ctx()
		defer stop()
		if err := k.lib.Store.WriteFile(ctx, path, text, base); err != nil {
			return err
		}
		k.printf("wrote %s\n", path)
		k.say("not saved yet; save it with: rigkeep save %s -m WHY", refName(d))
		return nil
	}
}

// editor opens a file in the person's editor. The editor's command line may
// have flags; it is cut at blanks and not given to a shell.
func (k *call) editor(path string) error {
	for _, v := range []string{"RIGKEEP_EDITOR", "VISUAL", "EDITOR"} {
		words := strings.Fields(k.Getenv(v))
		if len(words) == 0 {
			continue
		}
		c := exec.Command(words[0], append(words[1:], path)...)
		c.Stdin, c.Stdout, c.Stderr, c.Dir = k.Stdin, straight(k.Stdout), straight(k.Stderr), k.Dir
		if err := lend(c); err != nil {
			return fail(exitUsage, "the editor %s failed: %v", words[0], err).hinted("nothing was changed")
		}
		return nil
	}
	return usage("no editor is set").hinted("set RIGKEEP_EDITOR, VISUAL or EDITOR, or open the file yourself: it is plain text")
}
