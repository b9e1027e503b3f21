package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
)

func saveVerb() command {
	return command{
		name: "save", args: "RIG…", short: "save changes as one revision",
		long: "Saves the changed files of the named rigs, tunes (RIG/TUNE), sheets (gimbal:NAME), parts (part:NAME), jobs (job:NAME) or paths as one revision: your reason, then the changes in words. Other unsaved changes are listed and left alone. " +
			"A changed build gets a new fingerprint and folder; its history continues. --job pins the tune to a job.",
		example: "rigkeep save a-cam-prime -m \"Longer lens, tilt up two steps\"\nrigkeep save a-cam-prime b-cam-85 -m \"Prep day\" --job night-pilotage\nrigkeep save --all -m \"Notes from the floor\" --dry-run",
		flags: []cli.Flag{messageFlag(), &cli.StringFlag{Name: "job", Usage: "pin the tunes to this `JOB`"}, &cli.StringFlag{Name: "unit", Usage: "gimbal `UNIT` that goes out, with --job"},
			&cli.BoolFlag{Name: "all", Usage: "save everything that changed"}},
		changes: true, maxArgs: -1, argKind: []string{"target"}, run: runSave,
	}
}

// why is the person's reason, or what was done where that says it all.
func (k *invocation) why(def string) string {
	return firstOf(strings.TrimSpace(k.c.String("message")), def)
}

func runSave(k *invocation) error {
	targets, err := saveRun{k}.saveTargets()
	if err != nil {
		return err
	}
	plan, err := k.lib.Plans().Save(targets)
	if err != nil {
		return err
	}
	job := k.c.String("job")
	var trailers []store.Trailer
	if job != "" {
		slug, err := k.lib.Jobs().Named(job)
		if err != nil {
			return err
		}
		if err := (saveRun{k}).knownUnit(targets); err != nil {
			return err
		}
		if err := k.lib.Plans().PinTargets(plan, slug, targets, k.c.String("unit")); err != nil {
			return err
		}
		trailers = append(trailers, store.Trailer{Key: "Job", Value: slug})
	} else if k.c.String("unit") != "" {
		return usage("--unit goes with --job")
	}
	if err := (saveRun{k}).printStrays(targets); err != nil {
		return err
	}
	if len(plan.Items) == 0 {
		if len(k.args) == 0 {
			return fail(exitFindings, "nothing is changed in this library")
		}
		if job != "" {
			return fail(exitFindings, "nothing is changed on %s", strings.Join(k.args, ", ")).hinted("to pin what is saved already: rigkeep job add %s %s", job, strings.Join(k.args, " "))
		}
		return fail(exitFindings, "nothing is changed on %s", strings.Join(k.args, ", "))
	}
	reports, err := compareRun{k}.reports(plan)
	if err != nil {
		return err
	}
	body := words(reports)
	why, more, _ := strings.Cut(strings.TrimSpace(k.c.String("message")), "\n")
	if more = strings.TrimSpace(more); more != "" {
		body = more + "\n\n" + body
	}
	if k.dryRun() {
		k.recordResult("", why, body, plan.Paths()...)
		k.printf("would save as one revision:\n\n%s\n\n%s\n", safe.Line(firstOf(why, "(say why with -m)")), safe.Text(body))
		for _, p := range plan.Paths() {
			k.printf("  %s\n", safe.Line(p))
		}
		return nil
	}
	if why == "" {
		return usage("reason missing: add -m REASON").hinted("Try: rigkeep save %s --dry-run", strings.Join(k.args, " "))
	}
	if err := k.commit(plan, why, body, trailers); err != nil {
		return err
	}
	k.printOtherChanges()
	return nil
}

// saveTargets is what save was asked for.
func (k saveRun) saveTargets() (targets []library.Target, err error) {
	switch {
	case k.c.Bool("all") && len(k.args) > 0:
		return nil, usage("use names or --all, not both")
	case k.c.Bool("all"):
		return k.allChanged()
	case len(k.args) == 0:
		f := usage("save needs the rigs to save, or --all")
		if changed := k.unsaved(); len(changed) > 0 {
			var ps []string
			for _, c := range changed {
				ps = append(ps, safe.Line(c.Path))
			}
			return nil, f.hinted("changed: %s", strings.Join(ps, ", "))
		}
		return nil, f.hinted("no unsaved changes")
	}
	for _, a := range k.args {
		t, err := k.lib.Plans().Target(a)
		if err != nil {
			return nil, err
		}
		targets = append(targets, t)
	}
	return targets, nil
}

// allChanged is every rig and file with a change that is not saved.
func (k saveRun) allChanged() (targets []library.Target, err error) {
	changes, err := k.lib.Changed()
	if err != nil {
		return nil, err
	}
	rigs, err := k.lib.Names().Rigs()
	if err != nil {
		return nil, err
	}
	changed := map[string]bool{} // fingerprints
	for _, c := range changes {
		if p, ok := preset.Locate(c.Path); ok {
			changed[p.Rig] = true
		}
	}
	for i := range rigs {
		if changed[rigs[i].Fingerprint] {
			targets = append(targets, library.RigTarget(rigs[i]))
		}
	}
	for _, c := range changes {
		targets = append(targets, library.Target{Path: c.Path, Name: c.Path})
	}
	return targets, nil
}

// printStrays names the files in the folders of the rigs to save that are not kept.
func (k saveRun) printStrays(targets []library.Target) error {
	for _, t := range targets {
		if t.Rig == nil || t.Dir == "" {
			continue
		}
		list, err := k.lib.Strays(t.Rig.Fingerprint)
		if err != nil {
			return err
		}
		for _, p := range list {
			k.say("not kept: %s", safe.Line(p))
			k.say("  %s", safe.Line(library.StrayHint(t.Rig.Alias, p)))
		}
	}
	return nil
}

// words are the change of every report in plain lines, as a commit keeps them.
func words(rs []diffview.Report) string {
	var out []string
	for _, r := range rs {
		w := strings.TrimSpace(diffview.InWords(r, time.UTC))
		if w == "" {
			continue
		}
		if d := r.Documents; len(d) == 1 && d[0].Op != diffview.Changed {
			w = safe.Line(r.After.Label) + " " + string(d[0].Op)
		} else if len(rs) > 1 {
			w = safe.Line(r.After.Label) + ":\n" + w
		}
		out = append(out, w)
	}
	return strings.Join(out, "\n\n")
}

// commit makes a planned revision and says so. The work was checked before.
func (k *invocation) commit(plan *library.Plan, subject, body string, trailers []store.Trailer) error {
	rev, err := k.record(plan, subject, body, trailers)
	if err != nil {
		return err
	}
	if body != "" {
		k.write(k.fold(k.Stdout, safe.Text(body)) + "\n")
	}
	k.write(wrap(fmt.Sprintf("saved as %s: %s", rev.Short(), safe.Line(subject)), "", k.wide))
	return nil
}

// record makes a planned revision and prints nothing of it.
func (k *invocation) record(plan *library.Plan, subject, body string, trailers []store.Trailer) (store.Rev, error) {
	who, err := k.who()
	if err != nil {
		return "", err
	}
	for _, m := range plan.Moves {
		k.say("rig %s has a new fingerprint: %s, was %s", m.Alias, m.To, m.From)
	}
	ctx, stop := k.ctx()
	defer stop()
	rev, err := k.lib.Plans().Commit(ctx, plan, subject, body, who, k.Now(), trailers...)
	if err == nil {
		for _, m := range plan.Moves {
			if left, err := k.lib.Store.Work().List(preset.RigDir(m.From) + "/"); err == nil && len(left) > 0 {
				k.say("not saved (not Rigkeep files): %s", safe.Line(strings.Join(left, ", ")))
			}
		}
		k.recordResult(rev, subject, body, plan.Paths()...)
	}
	return rev, err
}

// knownUnit refuses a unit that is not one of the gimbal of every rig to be pinned.
func (k saveRun) knownUnit(targets []library.Target) error {
	unit := k.c.String("unit")
	for _, t := range targets {
		if unit == "" || t.Rig == nil {
			continue
		}
		sheet, err := k.lib.Sheet("", t.Rig.Gimbal)
		if err != nil {
			return err
		}
		if _, err := k.lib.Units().UnitOf(sheet, unit); err != nil {
			return err
		}
	}
	return nil
}
