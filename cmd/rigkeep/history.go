package main

import (
	"fmt"
	"regexp"
	"strings"
	"sync"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
)

func boolFlags(nameUsage ...string) []cli.Flag {
	var out []cli.Flag
	for i := 0; i+1 < len(nameUsage); i += 2 {
		out = append(out, &cli.BoolFlag{Name: nameUsage[i], Usage: nameUsage[i+1]})
	}
	return out
}

func historyVerb() command {
	return command{
		name: "history", args: "[RIG[/TUNE]]", short: "list revisions of a tune, a value or the library",
		long:    "Newest first: who, when, for which job, and why. --key lists only changes of one value. Without a rig: the whole library.",
		example: "rigkeep history a-cam-prime\nrigkeep history a-cam-prime --key stiffness.tilt\nrigkeep history --limit 5",
		flags:   []cli.Flag{&cli.StringFlag{Name: "key", Usage: "only where this `KEY` changed"}, &cli.IntFlag{Name: "limit", Usage: "the newest `N` revisions; 0 is all", Value: 50}, &cli.BoolFlag{Name: "all", Usage: "whole reasons and revisions"}},
		pages:   true, reads: true, maxArgs: 1, argKind: []string{"rig"}, run: runHistory,
	}
}

type historyRow struct {
	Revision string    `json:"revision"`
	Back     *int      `json:"back,omitempty"` // N of ~N, where the list counts them
	When     time.Time `json:"when"`
	OddTime  string    `json:"odd_time,omitempty"` // as recorded, where that is not a time; when is then the nearest
	By       string    `json:"by"`
	Job      string    `json:"job,omitempty"`
	Subject  string    `json:"subject"`
	Proof    string    `json:"proof,omitempty"`       // "hand", "stand"; empty without one
	Holds    *bool     `json:"proof_holds,omitempty"` // whether that of hold did at that revision
	Groups   []string  `json:"groups,omitempty"`      // that had a proof: "style walk proved", "limits out of date"
	StaleNow []string  `json:"stale_now,omitempty"`   // of the newest: why it does not hold today though it did
	Key      string    `json:"key,omitempty"`
	Value    *string   `json:"value,omitempty"`
	Gone     bool      `json:"gone,omitempty"`

	standing []preset.Standing
}

// dated is the name of a job's file: its first day, then its name.
var dated = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^\d{4}-\d{2}-\d{2}-.`) })

func runHistory(k *invocation) error {
	limit := k.c.Int("limit")
	if limit < 0 {
		return usage("--limit %d: write a whole number of 0 or more", limit)
	}
	ask := 0
	if limit > 0 {
		ask = limit + 1 // one more tells whether there are more
	}
	title, key, rows, err := historyRun{k}.historyRows(ask)
	if err != nil {
		return err
	}
	more := limit > 0 && len(rows) > limit
	if more {
		rows = rows[:limit]
	}
	if k.json() {
		if rows == nil {
			rows = []historyRow{}
		}
		return k.encode(struct {
			Format    int          `json:"format"`
			Of        string       `json:"of"`
			Key       string       `json:"key,omitempty"`
			Revisions []historyRow `json:"revisions"`
			More      bool         `json:"more,omitempty"`
		}{1, title, key, rows, more})
	}
	historyRun{k}.printHistory(title, rows)
	for _, r := range rows {
		if r.OddTime != "" {
			k.write(wrap(fmt.Sprintf("? revision %s records the time %q, which is not a time; the nearest is shown.", r.Revision[:10], r.OddTime), "", k.wide))
		}
	}
	if len(rows) > 0 {
		for _, s := range rows[0].StaleNow {
			k.write(wrap("Proof of ~0 is out of date: "+safe.Line(s), "", k.wide))
		}
	}
	if !k.c.Bool("all") {
		k.say("Whole reasons and revisions: --all")
	}
	if more {
		words := append([]string{"rigkeep", "history"}, k.args...)
		if key := k.c.String("key"); key != "" {
			words = append(words, "--key", key)
		}
		k.say("older revisions hidden.\nTry: %s", shellWords(append(words, "--limit", "0")))
	}
	return nil
}

// historyRows reads what history shows: of the library, of a tune, or of one of its keys; the newest first, at most ask of
// them (0: all).
func (k historyRun) historyRows(ask int) (title, key string, rows []historyRow, err error) {
	key = k.c.String("key")
	if len(k.args) == 0 {
		if key != "" {
			return "", "", nil, usage("--key needs a rig").hinted("for example: rigkeep history RIG --key stiffness.tilt")
		}
		cs, err := k.lib.Store.Revisions().Log("", ask)
		for _, c := range cs {
			rows = append(rows, historyRow{Revision: string(c.ID), When: c.When, OddTime: c.OddTime, By: c.Author.Name, Job: c.Job(), Subject: c.Subject})
		}
		return "library", "", rows, err
	}
	ref, err := library.ParseRef(k.args[0])
	if err != nil {
		return "", "", nil, err
	}
	rr, err := k.lib.Names().Find(ref.Rig)
	if err != nil {
		return "", "", nil, err
	}
	title = rr.Alias + "/" + ref.Tune
	if key == "" {
		rows, err = k.tuneHistory(rr, ref.Tune, ask)
	} else {
		if _, exact := k.cat.Param(key); !exact { // the tune's styles and the sheet's own names tell what is meant
			d, broken := k.lib.Names().LoadFound(rr, library.Ref{Rig: ref.Rig, Tune: ref.Tune}, false)
			if broken != nil {
				d = nil // a broken file does not keep its history from being shown
			}
			key, err = k.lib.Edits().Key(key, d)
		}
		if err == nil {
			rows, err = k.keyHistory(rr, ref.Tune, key, ask)
		}
	}
	if err == nil && len(rows) == 0 {
		err = fail(exitNotFound, "%s has no saved revision", title).hinted("save it with: rigkeep save %s -m WHY", k.args[0])
	}
	return title, key, rows, err
}

// tuneHistory reads the revisions of a tune, and what was proved at each.
func (k historyRun) tuneHistory(rr library.RigRef, tune string, ask int) (rows []historyRow, err error) {
	hist, err := k.lib.Past().History(rr, tune, ask)
	if err != nil {
		return nil, err
	}
	proofs := k.lib.Past().Proofs()
	for i, h := range hist {
		n := i
		row := historyRow{Revision: string(h.ID), Back: &n, When: h.When, OddTime: h.OddTime, By: h.Author.Name, Job: h.Job(), Subject: h.Subject, Gone: h.Blob == ""}
		if t := k.lib.Past().Tune(h); t != nil && (t.Proof != nil || len(t.Others) > 0) {
			row.standing = proofs.StandingAt(h, *t)
			for _, s := range row.standing {
				if s.Proof == nil {
					continue
				}
				row.Groups = append(row.Groups, preset.GroupWords(s.Group)+" "+s.State)
				if s.Group == preset.GroupHold {
					holds := s.State == preset.Proved
					row.Proof, row.Holds = firstOf(s.Proof.Place, "yes"), &holds
				}
			}
		}
		rows = append(rows, row)
	}
	return rows, k.staleSince(rr, tune, rows)
}

// printHistory is the table of history.
func (k historyRun) printHistory(title string, rows []historyRow) {
	all := k.c.Bool("all")
	job := func(r historyRow) string {
		if all || !dated().MatchString(r.Job) {
			return r.Job
		}
		return r.Job[len("2026-01-02-"):] // the name it was opened by
	}
	t := table{head: true, whole: map[int]bool{1: true}}
	if k.c.String("key") != "" {
		t.add("revision", "when", "value", "by", "job", "why")
		for _, r := range rows {
			v := "(gone)"
			if r.Value != nil {
				v = *r.Value
			}
			t.add(r.Revision[:10], k.stamp(r.When, r.OddTime), v, r.By, job(r), r.Subject)
		}
	} else if title == "library" {
		t.add("", "when", "by", "job", "why")
		for _, r := range rows {
			t.add(r.Revision[:7], k.stamp(r.When, r.OddTime), r.By, job(r), r.Subject)
		}
	} else {
		t.add("", "revision", "when", "by", "job", "proof", "why")
		for _, r := range rows {
			why := r.Subject
			if r.Gone {
				why += " (removed)"
			}
			id := ""
			if all {
				id = r.Revision[:10]
			}
			t.add(fmt.Sprintf("~%d", *r.Back), id, k.stamp(r.When, r.OddTime), r.By, job(r), proofCell(r), why)
		}
	}
	t.dropEmpty()
	if all {
		k.write(t.render(k.paint, "", k.wide))
	} else {
		k.write(t.fitted(k.paint, "", k.wide, 12))
	}
}

// stamp is clock with a mark on a time that was not recorded so.
func (k historyRun) stamp(t time.Time, odd string) string {
	if odd != "" {
		return k.clock(t) + " ?"
	}
	return k.clock(t)
}

// staleSince says of the newest revision why its proof, which held then, does not hold
// today: another firmware on the unit's sheet, another unit in an open job.
func (k historyRun) staleSince(rr library.RigRef, tune string, rows []historyRow) error {
	if len(rows) == 0 || rows[0].Holds == nil || !*rows[0].Holds {
		return nil
	}
	d, err := k.lib.Names().Load(rr.Fingerprint+"/"+tune, true)
	if err != nil {
		return nil // the work tree's own troubles are not history's: check says them
	}
	stale, err := k.lib.Past().StaleNow(d)
	for _, s := range stale {
		if s.What == "firmware" || s.What == "unit" {
			rows[0].StaleNow = append(rows[0].StaleNow, s.Text)
		}
	}
	return err
}

// proofCell is where hold was proved and whether that held, then what else was proved and
// does not hold; a style that was proved alone is named.
func proofCell(r historyRow) string {
	var out []string
	switch {
	case len(r.StaleNow) > 0:
		out = append(out, r.Proof, "out of date")
	case r.Holds != nil && !*r.Holds:
		out = append(out, r.Proof, "out of date")
	case r.Proof != "":
		out = append(out, r.Proof)
	}
	for _, s := range r.standing {
		style := firstOf(preset.GroupStyle(s.Group), s.Group)
		if s.Group != preset.GroupHold && s.Proof != nil && (s.State != preset.Proved || r.Proof == "") {
			word := map[string]string{preset.Proved: "", preset.OutOfDate: " out of date"}[s.State]
			out = append(out, style+word)
		}
	}
	return strings.Join(out, ", ")
}

func (k historyRun) keyHistory(rr library.RigRef, tune, key string, limit int) ([]historyRow, error) {
	revs, err := k.lib.Past().KeyHistory(rr, tune, key, limit)
	if err != nil {
		return nil, err
	}
	var rows []historyRow
	for _, r := range revs {
		row := historyRow{Revision: string(r.ID), When: r.When, OddTime: r.OddTime, By: r.Author.Name, Job: r.Job(), Subject: r.Subject, Key: key, Gone: !r.Present}
		if r.Present {
			v := safe.Line(r.Value)
			row.Value = &v
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func restoreVerb() command {
	return command{
		name: "restore", args: "RIG[/TUNE]@WHEN | RIG[/TUNE]", short: "restore an earlier tune",
		long:    "Puts the tune of WHEN back into its file; without WHEN, discards edits since the last revision. Unsaved edits are overwritten only with --yes. Save with: rigkeep save.",
		example: "rigkeep restore a-cam-prime@~1\nrigkeep restore a-cam-prime@pilot-station\nrigkeep restore a-cam-prime --yes\nrigkeep restore a-cam-prime --build",
		flags:   boolFlags("build", "restore the build sheet (rig.toml) instead"),
		changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runRestore,
	}
}

func runRestore(k *invocation) error {
	s := k.args[0]
	if !strings.Contains(s, "@") {
		s += "@HEAD"
	}
	build := k.c.Bool("build")
	d, err := k.lib.Names().Load(s, !build)
	if err != nil {
		return err
	}
	rr, err := k.lib.Names().Find(d.Ref.Rig)
	if err != nil {
		return err
	}
	put := k.lib.Plans().Restore
	if build {
		put = k.lib.Plans().RestoreBuild
	}
	e, err := put(d, rr)
	if err != nil {
		return err
	}
	if e.Same() {
		k.say("%s is already as at %s", e.Path, d.Ref.When)
		return nil
	}
	if k.dryRun() {
		k.recordResult("", "", "", e.Path)
		k.printf("would restore %s as at %s\n", e.Path, d.Ref.When)
		return nil
	}
	if dirty := k.unsaved(e.Path); len(dirty) > 0 && dirty[0].Kind != store.Deleted {
		if err := k.confirm(fmt.Sprintf("%s has unsaved edits. Overwrite them?", e.Path)); err != nil {
			return err
		}
	}
	ctx, stop := k.ctx()
	defer stop()
	if err := k.lib.Edits().Write(ctx, e); err != nil {
		return err
	}
	k.recordResult("", "", "", e.Path)
	k.printf("restored %s as at %s\n", e.Path, d.Ref.When)
	if k.args[0] == s {
		k.say("not saved yet; save it with: rigkeep save %s -m WHY", refName(d))
	}
	return nil
}

func undoVerb() command {
	return command{
		name: "undo", args: "[REVISION]", short: "undo the last revision (adds a reversing one)",
		long:    "Adds a revision that reverses the last one (or the one named). History is not rewritten. If one of the files has changed since, nothing is done and the file is named.",
		example: "rigkeep undo --dry-run\nrigkeep undo -m \"Wrong rig\"",
		flags:   []cli.Flag{messageFlag()}, changes: true, maxArgs: 1, argKind: []string{"none"}, run: runUndo,
	}
}

func runUndo(k *invocation) error {
	when := "HEAD"
	if len(k.args) > 0 {
		when = k.args[0]
	}
	rev, err := k.lib.Store.Revisions().Resolve(when)
	if err != nil {
		return err
	}
	plan, c, err := k.lib.Plans().Undo(rev)
	if err != nil {
		return err
	}
	reports, err := compareRun{k}.reports(plan)
	if err != nil {
		return err
	}
	body := words(reports)
	subject := "Undo: " + c.Subject
	if was, ok := strings.CutPrefix(c.Subject, "Undo: "); ok {
		subject = "Redo: " + was
	}
	if k.dryRun() {
		k.recordResult("", k.why(subject), body, plan.Paths()...)
		k.printf("would undo %s (%s):\n\n%s\n", rev.Short(), safe.Line(c.Subject), safe.Text(body))
		return nil
	}
	return k.commit(plan, k.why(subject), strings.TrimSpace("Reverses "+string(rev)+".\n\n"+body), nil)
}
