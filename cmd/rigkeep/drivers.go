package main

import (
	"fmt"
	"os"
	"os/exec"
	"strings"

	"rigkeep/diffview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// installDrivers has plain git call this program to merge and compare the library's files. Both
// settings are for this copy alone: .git/config and .git/info/attributes.
func (k driverRun) installDrivers() error {
	ctx, stop := k.ctx()
	defer stop()
	self, err := selfCommand()
	if err != nil {
		return err
	}
	changed := false
	for _, s := range []struct {
		section string
		add     []store.AddSetting
	}{
		{"merge", []store.AddSetting{{Key: "name", Value: "Rigkeep, by key"}, {Key: "driver", Value: self + " merge-driver %O %A %B %L %P"}}},
		{"diff", []store.AddSetting{{Key: "command", Value: self + " diff-driver"}}},
	} {
		c, err := k.lib.Store.AddSettings(ctx, s.section, "rigkeep", s.add...)
		if err != nil {
			return err
		}
		changed = changed || c
	}
	photos, err := k.lib.Store.AddAttribute(ctx, library.PhotoAttribute)
	if err != nil {
		return err
	}
	changed = changed || photos
	c, err := k.lib.Store.AddAttribute(ctx, "*.toml merge=rigkeep diff=rigkeep")
	if err != nil {
		return err
	}
	if k.json() {
		return k.encode(struct {
			Format  int    `json:"format"`
			Command string `json:"command"`
			Changed bool   `json:"changed"`
		}{1, self, changed || c})
	}
	if !changed && !c {
		k.printf("plain git already merges and compares by key here\n")
		return nil
	}
	k.printf("plain git now merges and compares by key in this copy of the library (git diff --no-ext-diff shows lines)\n")
	return nil
}

// selfCommand is this program as git's shell can call it: by name if that finds it.
func selfCommand() (string, error) {
	self, err := os.Executable()
	if err != nil {
		return "", fail(exitNotFound, "cannot find where this program is: %v", err)
	}
	if found, err := exec.LookPath("rigkeep"); err == nil {
		a, err1 := os.Stat(found)
		b, err2 := os.Stat(self)
		if err1 == nil && err2 == nil && os.SameFile(a, b) {
			return "rigkeep", nil
		}
	}
	return shellWord(self), nil
}

func mergeDriverVerb() command {
	return command{
		name: "merge-driver", args: "BASE OURS THEIRS [SIZE [PATH]]", short: "merge one file by key, for git",
		long:    "git calls this after check --install-drivers: gitattributes(5), \"Defining a custom merge driver\". The result goes into OURS. On a conflict exit is 1, OURS keeps our value for the key and everything else merged, and the conflicts are listed: no markers are put into the file.",
		example: "rigkeep merge-driver base.toml ours.toml theirs.toml 7 rigs/k7/k7qd2m9x4c/main.toml",
		noLib:   true, hidden: true, minArgs: 3, maxArgs: 5, argKind: []string{"file"}, run: runMergeDriver,
	}
}

func runMergeDriver(k *invocation) error {
	path := k.args[1]
	if len(k.args) > 4 {
		path = k.args[4]
	}
	in := merge.Input{Cat: k.cat, Path: path}
	for i, to := range []*[]byte{&in.Base, &in.Ours, &in.Theirs} {
		data, err := os.ReadFile(k.path(k.args[i]))
		if err != nil {
			return err
		}
		*to = data
	}
	if len(in.Base) == 0 {
		in.Base = nil // git gives an empty file where both sides added one
	}
	place, _ := preset.Locate(path)
	in.Kind = place.Kind
	if place.Kind == schema.KindTune || place.Kind == schema.KindBench {
		in.Sheet, in.Check = driverRun{k}.driverSheet(place.Rig), true
	}
	out, err := merge.File(in)
	if err != nil {
		return err
	}
	if out.Text == nil {
		out.Text = in.Ours
	}
	if err := os.WriteFile(k.path(k.args[1]), out.Text, 0o666); err != nil {
		return err
	}
	shown := safe.Line(path)
	for _, s := range out.Stale {
		k.say("%s: %s: test it handheld again", shown, safe.Line(s))
	}
	for _, l := range out.Lost {
		k.say("%s: not kept: %s", shown, safe.Line(l))
	}
	for _, c := range out.Conflicts {
		k.say("%s: conflict: %s: %s; before %s, ours %s, theirs %s", shown, safe.Line(firstOf(c.Key, "the whole file")), safe.Line(c.Why),
			clashValue(c.Base, c.Key), clashValue(c.Ours, c.Key), clashValue(c.Theirs, c.Key))
	}
	if len(out.Conflicts) > 0 {
		k.say("%s: our values were kept for these keys, all else is merged; correct the file, then: git add %s", shown, shellWord(shown))
		return errFindings
	}
	return nil
}

// driverSheet is the gimbal sheet of a rig as it lies in the work tree; nil if it cannot be had
// in the middle of git's merge, in which case the ranges of dials are left to check.
func (k driverRun) driverSheet(fp string) *schema.Sheet {
	r, s := k.driverRig(fp)
	if r == nil {
		return nil
	}
	return s
}

func (k driverRun) driverRig(fp string) (*preset.Rig, *schema.Sheet) {
	if k.lib == nil && k.open() != nil {
		return nil, nil
	}
	r, err := k.lib.Rig("", fp)
	if err != nil {
		return nil, nil
	}
	s, _ := k.lib.Sheet("", r.Gimbal)
	return &r, s
}

func diffDriverVerb() command {
	return command{
		name: "diff-driver", args: "PATH OLD-FILE OLD-ID OLD-MODE NEW-FILE NEW-ID NEW-MODE …", short: "say what differs in one file, for git",
		long:    "git calls this after check --install-drivers, with seven arguments or more: git(1), GIT_EXTERNAL_DIFF.",
		example: "rigkeep diff-driver rigs/k7/k7qd2m9x4c/main.toml old.toml 0 100644 new.toml 0 100644",
		noLib:   true, hidden: true, minArgs: 1, maxArgs: -1, argKind: []string{"file"}, run: runDiffDriver,
	}
}

func runDiffDriver(k *invocation) error {
	path := k.args[0]
	if len(k.args) < 7 {
		k.printf("%s is not merged yet\n", safe.Line(path)) // git's call for an unmerged path
		return nil
	}
	if len(k.args) > 7 {
		path = k.args[7]
	}
	a, err := driverRun{k}.driverSide(k.args[0], k.args[1])
	if err != nil {
		return err
	}
	b, err := driverRun{k}.driverSide(path, k.args[4])
	if err != nil {
		return err
	}
	k.printf("%s\n", k.paint.bold("rigkeep diff "+safe.Line(path)))
	if a == nil || b == nil { // no TOML that we know: as plain as it comes
		return driverRun{k}.plainDiff(k.args[1], k.args[4])
	}
	return diffview.WriteText(k.Stdout, diffview.Compare(k.cat, *a, *b), diffview.Options{Zone: k.Now().Location()}, diffview.Style{Colour: k.paint.on, Width: k.wide})
}

// driverSide is one version of a file for a comparison; nil if it cannot be read as what its
// place says it is.
func (k driverRun) driverSide(path, name string) (*diffview.Side, error) {
	s := &diffview.Side{Label: path, Docs: map[string]schema.Tree{}, Texts: map[string][]byte{}}
	if name == os.DevNull || name == "/dev/null" || name == "nul" {
		return s, nil
	}
	text, err := os.ReadFile(k.path(name))
	if err != nil {
		return nil, err
	}
	place, ok := preset.Locate(path)
	if !ok {
		return nil, nil
	}
	s.Texts[path] = text
	switch place.Kind {
	case schema.KindTune:
		var t preset.Tune
		t, err = preset.UncheckedTune(k.cat, path, text)
		s.Tune = &t
		s.Rig, s.Sheet = k.driverRig(place.Rig)
	case schema.KindRig:
		var r preset.Rig
		r, err = preset.UncheckedRig(path, text)
		s.Rig = &r
	default:
		s.Docs[path], err = file.Values(path, text)
	}
	if err != nil {
		return nil, nil
	}
	return s, nil
}

// plainDiff has git show lines.
func (k driverRun) plainDiff(a, b string) error {
	git, err := exec.LookPath("git")
	if err != nil {
		return fail(exitNotFound, "git is not installed")
	}
	out, err := exec.Command(git, "diff", "--no-ext-diff", "--no-index", "--no-color", "--", k.path(a), k.path(b)).Output()
	if _, differ := err.(*exec.ExitError); err != nil && !differ {
		return err
	}
	for _, l := range strings.SplitAfter(string(out), "\n") {
		fmt.Fprint(k.Stdout, safe.Text(l))
	}
	return nil
}
