package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func setVerb() command {
	return command{
		name: "set", args: "RIG[/TUNE]|unit:UNIT KEY=VALUE…", short: "change values in a tune; makes the tune if there is none",
		long:    "Changes only the values you name; comments and order stay. KEY is the key, pan, tilt or roll for a stiffness, the end of a key (sensing, walk.lag.pan), or what the controller calls the dial. KEY=+2 is two fine steps up, KEY=-=2 two down, KEY=+1c one coarse step, by the dial's number.",
		example: "rigkeep set a-cam-prime tilt=44 sensing=3\nrigkeep set a-cam-prime tilt=+2 pan=-=1\nrigkeep set a-cam-prime walk.deadband.pan=6\nrigkeep set a-cam-prime --unset limits.tilt.up_deg\nrigkeep set unit:QL-0044 firmware=2.5 trouble=clicks",
		flags: []cli.Flag{&cli.StringSliceFlag{Name: "unset", Usage: "remove this `KEY`; repeatable"},
			&cli.StringFlag{Name: "from-unit", Usage: "take the values that this `UNIT` has: read over a link, else as on record"}, fromFlag(), styleFlag(),
			&cli.IntFlag{Name: "memory", Usage: "with --from-unit: of the controller's memory `N`"}},
		changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"rig", "assign"}, run: runSet,
	}
}

func runSet(k *invocation) error {
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
	from := k.c.String("from-unit")
	if len(as) == 0 && from == "" {
		return usage("set needs KEY=VALUE or --unset KEY").hinted("Try: rigkeep explain --rig %s", k.args[0])
	}
	if strings.HasPrefix(k.args[0], "unit:") {
		return unitRun{k}.setUnit(as)
	}
	d, err := k.loadNow(false, "set changes the current tune only")
	if err != nil {
		return err
	}
	if d.Tune == nil {
		if err := (setRun{k}).newTune(d); err != nil {
			return err
		}
	}
	if from != "" {
		has, err := unitRun{k}.assignsFromUnit(d, from)
		if err != nil || len(has)+len(as) == 0 {
			return err
		}
		as = append(has, as...)
	}
	e, notes, err := k.lib.Edits().Assign(d, as)
	if err != nil {
		return err
	}
	for _, n := range notes {
		k.say("%s", safe.Line(n))
	}
	for _, p := range k.cat.Validate("tune", e.After.Tree(), d.Sheet) {
		if p.Warning {
			k.say("warning: %s", safe.Line(p.Error()))
		}
	}
	if d.Tune == nil && !k.dryRun() {
		k.say("%s is a new tune", safe.Line(refName(d)))
	}
	return startRun{k}.putTune(d, e)
}

// newTune refuses to make a tune where the person most likely means another: one that was
// deleted and can be restored, and one whose name is a slip away.
func (k setRun) newTune(d *library.Loaded) error {
	if _, err := k.lib.Names().Load(k.args[0], true); k.lib.Names().WasSaved(d.TunePath()) {
		return err
	}
	names, err := k.lib.Tunes(d.Rig.ID)
	if err != nil {
		return err
	}
	if near := schema.Nearest(d.Ref.Tune, names); len(near) > 0 {
		return fail(exitNotFound, "rig %s has no tune %q", d.Rig.Alias, d.Ref.Tune).
			hinted("Try: rigkeep set %s/%s …\nTo make a tune of that name: rigkeep copy %s %s/%s", d.Rig.Alias, near[0], d.Rig.Alias, d.Rig.Alias, d.Ref.Tune)
	}
	return nil
}

func editVerb() command {
	return command{
		name: "edit", args: "RIG[/TUNE] | gimbal:NAME | part:NAME | unit:UNIT | job:NAME", short: "edit a tune or sheet in your editor",
		long:    "Opens a copy in RIGKEEP_EDITOR, VISUAL or EDITOR and checks it when you close the editor. On an error you can reopen it at that line. Only a valid file replaces the old one.",
		example: "rigkeep edit a-cam-prime\nrigkeep edit a-cam-prime --build\nrigkeep edit gimbal:quay-large",
		flags:   []cli.Flag{&cli.BoolFlag{Name: "build", Usage: "edit the build sheet, rig.toml"}},
		changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"target"}, run: runEdit,
	}
}

func runEdit(k *invocation) error {
	e, err := k.lib.Edits().Editable(k.args[0], k.c.Bool("build"))
	if err != nil {
		return err
	}
	if k.dryRun() {
		k.recordResult("", "", "", e.Path)
		k.printf("would open %s\n", e.Path)
		return nil
	}
	dir, err := os.MkdirTemp("", "rigkeep-edit-")
	if err != nil {
		return outError("a temporary copy", err)
	}
	defer os.RemoveAll(dir)
	tmp := filepath.Join(dir, filepath.Base(e.Path))
	if err := os.WriteFile(tmp, e.Text, 0o600); err != nil {
		return outError(tmp, err)
	}
	line := 0
	for {
		if err := (setRun{k}).editor(tmp, line); err != nil {
			return err
		}
		text, err := file.Read(tmp, e.Path)
		if err == nil && string(text) == string(e.Text) {
			k.say("nothing changed")
			return nil
		}
		if err == nil {
			_, err = k.lib.Parse(e.Path, text, e.Sheet)
		}
		if err == nil {
			return keepText(text, setRun{k}.putEdited(e, text))
		}
		k.report(err, false)
		line = 1
		if es := file.List(err); len(es) > 0 {
			line = max(1, es[0].Line)
		}
		if !tty(k.Stdin) || k.c.Bool("yes") || k.confirm(fmt.Sprintf("The file has errors. Reopen it at line %d?", line)) != nil {
			return keepText(text, fail(exitDamaged, "%s is unchanged", e.Path))
		}
	}
}

// putEdited writes an edited text into the work tree and says what is different.
func (k setRun) putEdited(e library.Editable, text []byte) error {
	place, _ := preset.Locate(e.Path)
	said := ""
	if rs, err := compareRun(k).reports(&library.Plan{Items: []library.Item{{Path: e.Path, OldPath: e.Path, Place: place, Before: e.Text, After: text}}}); err == nil {
		said = words(rs)
	}
	ctx, stop := k.ctx()
	defer stop()
	if err := k.lib.Store.Work().WriteFile(ctx, e.Path, text, e.Text); err != nil {
		return err
	}
	k.recordResult("", "", said, e.Path)
	if said != "" {
		k.write(safe.Text(said) + "\n")
	}
	k.printf("wrote %s\n", e.Path)
	k.say("not saved yet; save it with: rigkeep save %s -m WHY", safe.Line(e.Name))
	return nil
}

// keepText keeps what a person wrote where it could not be taken, and says where.
func keepText(text []byte, err error) error {
	if err == nil || len(text) == 0 {
		return err
	}
	f, ferr := os.CreateTemp("", "rigkeep-*.toml")
	if ferr != nil {
		return err
	}
	_, ferr = f.Write(text)
	if cerr := f.Close(); ferr != nil || cerr != nil {
		return err
	}
	return &failure{code: codeOf(err), text: err.Error(), hint: "your edits are kept in " + f.Name(), err: err}
}

// editor opens a file in the person's editor, at a line where one is given. The
// editor's command line may have flags; it is cut at blanks and not given to a
// shell.
func (k setRun) editor(path string, line int) error {
	for _, v := range []string{"RIGKEEP_EDITOR", "VISUAL", "EDITOR"} {
		words := strings.Fields(k.Getenv(v))
		if len(words) == 0 {
			continue
		}
		c := exec.Command(words[0], append(words[1:], atLine(words[0], path, line)...)...)
		c.Stdin, c.Stdout, c.Stderr, c.Dir = k.Stdin, straight(k.Stdout), straight(k.Stderr), k.Dir
		if err := runInForeground(c); err != nil {
			return fail(exitUsage, "the editor %s failed: %v", words[0], err).hinted("nothing was changed")
		}
		return nil
	}
	return usage("no editor is set").hinted("set RIGKEEP_EDITOR, VISUAL or EDITOR, or open the file yourself: it is plain text")
}

// atLine are the arguments that open a file at a line, for editors whose way of
// saying it is known; the others get the file alone. Source: the editors' manual
// pages, from memory.
func atLine(editor, path string, line int) []string {
	if line <= 0 {
		return []string{path}
	}
	switch strings.TrimSuffix(filepath.Base(editor), ".exe") {
	case "vi", "vim", "nvim", "gvim", "nano", "pico", "emacs", "emacsclient", "micro", "kak", "joe", "jed", "ne", "mg", "ex", "view":
		return []string{fmt.Sprintf("+%d", line), path}
	case "code", "codium":
		return []string{"--goto", fmt.Sprintf("%s:%d", path, line)}
	case "hx", "helix", "subl", "zed":
		return []string{fmt.Sprintf("%s:%d", path, line)}
	}
	return []string{path}
}
