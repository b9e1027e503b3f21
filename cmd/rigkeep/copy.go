package main

import (
	"fmt"

	"rigkeep/diffview/safe"
	"rigkeep/repo/library"
)

func copyVerb() command {
	return command{
		name: "copy", args: "FROM[/TUNE][@WHEN] TO[/TUNE]", short: "give a rig the tune of another, or a rig one more tune",
		long:    "All values of the first tune go to the second, which is made if there is none. Comments and the note of the second stay. Nothing copied is proved: the values were tested on another build.",
		example: "rigkeep copy a-cam-prime a-cam-zoom\nrigkeep copy a-cam-prime a-cam-prime/night\nrigkeep copy a-cam-prime@~1 a-cam-prime/earlier",
		changes: true, minArgs: 2, maxArgs: 2, argKind: []string{"rig"}, run: runCopy,
	}
}

func runCopy(k *invocation) error {
	if ref, err := library.ParseRef(k.args[1]); err == nil && ref.When != "" {
		return usage("copy changes the tune as it is now; leave @%s out", ref.When)
	}
	from, err := k.lib.Names().Load(k.args[0], true)
	if err != nil {
		return err
	}
	to, err := k.lib.Names().Load(k.args[1], false)
	if err != nil {
		return err
	}
	e, err := k.lib.Edits().CopyTune(from, to)
	if err != nil {
		return err
	}
	if to.Tune != nil && !e.Same() && !k.dryRun() && len(k.unsaved(to.TunePath())) > 0 {
		if err := k.confirm(fmt.Sprintf("%s has unsaved edits. Overwrite its values?", to.TunePath())); err != nil {
			return err
		}
	}
	if !k.dryRun() {
		k.say("%s has the values of %s; they are not proved on it", safe.Line(refName(to)), safe.Line(from.Label()))
	}
	return startRun{k}.putTune(to, e)
}
