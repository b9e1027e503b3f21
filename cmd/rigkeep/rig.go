package main

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/mass"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func rigVerb() command {
	return command{
		name: "rig", short: "list, add and inspect rigs (a camera build on a gimbal)",
		subs: []command{
			rigNewVerb(), rigCloneVerb(), rigRefreshVerb(),
			{name: "add", args: "FILE…", short: "check build sheets and add the rigs to the library", changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"file"},
				long:    "The rig's ID (fingerprint) is computed from the gimbal and the parts and names its folder. A duplicate build or alias is refused.",
				example: "rigkeep rig add c-cam.toml\nrigkeep rig add c-cam.toml d-cam.toml -m \"Builds for the pilot station\"",
				flags:   []cli.Flag{messageFlag()}, run: runRigAdd},
			{name: "list", pages: true, short: "list the rigs", reads: true,
				long:    "By gimbal, then by name: the lens, whether the usual tune is proved, the unit that holds it or on which it was proved, the day of the last change, and the next open job.",
				example: "rigkeep rig list --gimbal quay-large\nrigkeep rig list --lens 85",
				flags:   []cli.Flag{&cli.StringFlag{Name: "gimbal", Usage: "only rigs on this `GIMBAL`"}, &cli.StringFlag{Name: "lens", Usage: "only rigs whose lens has these `WORDS` in its name"}}, run: runRigList},
			{name: "show", pages: true, args: "RIG", short: "show a build with its mass, centre of gravity and inertia", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, example: "rigkeep rig show a-cam-prime", run: runRigShow},
			{name: "near", pages: true, args: "RIG", short: "find rigs with similar mass, balance and inertia", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"},
				long:    "A difference of 0.1 is about 10 % in mass or 10 mm in centre of gravity. Rigs on other gimbals are listed too.",
				example: "rigkeep rig near a-cam-prime", flags: []cli.Flag{&cli.IntFlag{Name: "limit", Usage: "at most `N` rigs", Value: 10}}, run: runRigNear},
			{name: "remove", args: "RIG", short: "remove a rig; its history stays", changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"},
				example: "rigkeep rig remove b-cam-18 -m \"Camera sold\"", flags: []cli.Flag{messageFlag()}, run: runRigRemove},
			{name: "rename", args: "RIG ALIAS", short: "rename a rig", changes: true, minArgs: 2, maxArgs: 2, argKind: []string{"rig", "none"},
				example: "rigkeep rig rename b-cam-18 b-cam-wide", flags: []cli.Flag{messageFlag()}, run: runRigRename},
		},
	}
}

func runRigAdd(k *invocation) error {
	var files []library.NewFile
	seen := map[string]string{}
	for _, arg := range k.args {
		name, data, err := k.readInput(arg)
		if err != nil {
			return err
		}
		r, err := k.lib.Edits().AddRig(name, data)
		if err != nil {
			return err
		}
		data, foreign, err := k.lib.Edits().OwnHistory(name, data)
		if err != nil {
			return err
		}
		if foreign != nil {
			k.say("%s: left out the earlier fingerprints of another rig: %s", r.Alias, strings.Join(foreign, ", "))
		}
		for _, id := range []string{r.ID, r.Alias} {
			if other, ok := seen[id]; ok {
				return usage("%s and %s are the same rig, or share the alias %s", other, name, id)
			}
			seen[id] = name
		}
		files = append(files, library.NewFile{Path: preset.RigPath(r.ID), Text: data, What: "rig " + r.Alias + " (" + r.ID + ")"})
	}
	if err := k.addSheets(files, "Add"); err != nil {
		return err
	}
	if !k.dryRun() {
		k.say("Try: rigkeep fit RIG")
	}
	return nil
}

// jsonRigRow is one rig of the list, as JSON.
type jsonRigRow struct {
	Fingerprint string   `json:"fingerprint"`
	Alias       string   `json:"alias"`
	Gimbal      string   `json:"gimbal"`
	MassKg      float64  `json:"mass_kg"`
	Lens        string   `json:"lens,omitempty"`
	Tunes       []string `json:"tunes"`
	Proof       string   `json:"proof,omitempty"` // of the usual tune; none without a tune
	ProvedOn    string   `json:"proved_on,omitempty"`
	HeldBy      []string `json:"held_by"`
	Changed     string   `json:"changed,omitempty"` // UTC
	Unsaved     bool     `json:"unsaved"`
	NextJob     string   `json:"next_job,omitempty"`
	Fault       string   `json:"fault,omitempty"`
}

func runRigList(k *invocation) error {
	rows, err := rigRun{k}.listed()
	if err != nil {
		return err
	}
	if k.json() {
		out := make([]jsonRigRow, 0, len(rows))
		for _, r := range rows {
			x := jsonRigRow{r.Fingerprint, r.Alias, r.Gimbal, r.Mass, r.Lens, append([]string{}, r.Tunes...), r.Proof, r.ProvedOn, append([]string{}, r.HeldBy...), "", r.Unsaved, r.NextJob, r.Fault}
			if !r.Changed.IsZero() {
				x.Changed = r.Changed.UTC().Format(time.RFC3339)
			}
			out = append(out, x)
		}
		return k.encode(struct {
			Format int          `json:"format"`
			Rigs   []jsonRigRow `json:"rigs"`
		}{1, out})
	}
	gimbal, lens := k.c.String("gimbal"), k.c.String("lens")
	switch {
	case len(rows) > 0:
		rigRun{k}.printList(byGimbal(rows))
	case lens != "":
		k.say("no rig has the lens %s", safe.Line(lens))
	case gimbal != "":
		k.say("no rigs on %s", gimbal)
	default:
		k.say("no rigs yet; add one with: rigkeep rig add FILE")
	}
	return nil
}

// listed are the rigs that --gimbal and --lens leave.
func (k rigRun) listed() ([]*library.RigRow, error) {
	all, err := k.lib.Lists().RigRows(k.Now())
	if err != nil {
		return nil, err
	}
	gimbal, lens := k.c.String("gimbal"), k.c.String("lens")
	rows := make([]*library.RigRow, 0, len(all))
	for _, r := range all {
		if (gimbal == "" || r.Gimbal == gimbal) && (lens == "" || library.HasWords(r.Lens, lens)) {
			rows = append(rows, r)
		}
	}
	if len(rows) == 0 && gimbal != "" {
		if _, err := k.lib.Sheet("", gimbal); isNotFound(err) {
			return nil, err
		}
	}
	return rows, nil
}

// byGimbal puts the rigs of one gimbal together, the gimbals by name.
func byGimbal(rows []*library.RigRow) []*library.RigRow {
	var gimbals []string
	of := map[string][]*library.RigRow{}
	for _, r := range rows {
		if of[r.Gimbal] == nil {
			gimbals = append(gimbals, r.Gimbal)
		}
		of[r.Gimbal] = append(of[r.Gimbal], r)
	}
	slices.SortFunc(gimbals, schema.CompareNatural)
	out := make([]*library.RigRow, 0, len(rows))
	for _, g := range gimbals {
		out = append(out, of[g]...)
	}
	return out
}

// printList is a table of rigs, those of one gimbal under its name.
func (k rigRun) printList(rows []*library.RigRow) {
	t := table{head: true, rows: make([][]string, 0, len(rows)+1)}
	t.add("rig", "lens", "tune", "unit", "changed", "next job")
	on, now := "", k.Now()
	year := now.Format("2006-")
	for _, r := range rows {
		if r.Gimbal != on {
			on = r.Gimbal
			t.title(on)
		}
		changed := ""
		if !r.Changed.IsZero() {
			changed = k.on(r.Changed)
		}
		if r.Unsaved {
			changed = "not saved"
		}
		state := rowState(r)
		if r.Fault != "" {
			state.Word += ": " + r.Fault
		} else if r.Proof == "" {
			state = page.State{Word: "–"}
		}
		job := ""
		if r.NextJob != "" {
			job = strings.TrimPrefix(r.NextJob, year)
		}
		t.add(firstOf(r.Alias, r.Fingerprint), r.Lens, k.paint.signed(state.V, state.Word), r.Unit(), changed, job)
		t.standing(2, state.V)
		if r.Unsaved {
			t.standing(4, page.Look)
		}
	}
	t.dropEmpty()
	k.write(t.fitted(k.paint, "", k.wide, 28))
}

func runRigShow(k *invocation) error {
	d, err := k.lib.Names().Load(k.args[0], false)
	if err != nil {
		return err
	}
	p, err := d.Rig.Properties()
	if preset.IsUnknown(err) {
		return buildRun{k}.showMass(d, err)
	}
	if err != nil {
		return err
	}
	js, err := d.Rig.Inertias(d.Sheet, d.Tune)
	if err != nil {
		return err
	}
	if k.json() {
		ax := map[string]jsonAxisInertia{}
		for _, a := range schema.Axes {
			ax[a.String()] = jsonAxisInertia{js[a].Worst(), js[a].Level, js[a].Own}
		}
		return k.encode(jsonRig{1, d.Rig.ID, d.Rig.Alias, d.Rig.Gimbal, append([]string{}, d.Rig.Was...), d.Rig.Note, jsonProperties(p), ax, jsonParts(d.Rig.Parts), d.Rig.Canonical()})
	}
	u := k.units()
	k.printf("%s  %s on %s\n", k.paint.bold(d.Rig.Alias), d.Rig.ID, d.Rig.Gimbal)
	if d.Rig.Note != "" {
		k.write(wrap(safe.Text(d.Rig.Note), "  ", k.wide))
	}
	buildRun{k}.writeParts(d.Rig, u)
	t := table{}
	t.add("mass", u.kg(p.Mass)+buildRun{k}.weighed(d.Rig, u))
	t.add("centre of gravity", p.CG.WordsIn(u.m)+" from the axis centre")
	for _, a := range schema.Axes {
		t.add("inertia, "+a.String(), fmt.Sprintf("max %.5f kg·m² over the tilt range (level %.5f, gimbal alone %.5f)", js[a].Worst(), js[a].Level, js[a].Own))
	}
	for _, w := range p.Assumed {
		t.add("assumed", w.String())
	}
	for _, o := range d.Rig.Overlaps() {
		t.add("overlap", o.Words(u.m))
	}
	k.printf("\n")
	k.write(t.render(k.paint, "  ", k.wide))
	return nil
}

func runRigNear(k *invocation) error {
	d, err := k.lib.Names().Load(k.args[0], false)
	if err != nil {
		return err
	}
	me, err := d.Rig.Properties()
	if preset.IsUnknown(err) {
		near, nearErr := buildRun{k}.nearWords(d.Rig)
		if nearErr != nil {
			return nearErr
		}
		return usage("%v", err).hinted("nearest rigs: %s", near)
	}
	if err != nil {
		return err
	}
	rigs, err := k.lib.Names().Rigs()
	if err != nil {
		return err
	}
	rows := []jsonNear{}
	skipped := 0
	for _, r := range rigs {
		if r.Fingerprint == d.Rig.ID {
			continue
		}
		props, known := r.Props()
		if !known {
			skipped++
			continue
		}
		n, err := mass.Distance(me, props)
		if err != nil {
			skipped++
			continue
		}
		rows = append(rows, jsonNearOf(r.Fingerprint, r.Alias, r.Gimbal, n))
	}
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].Distance < rows[j].Distance })
	if n := k.c.Int("limit"); n > 0 && len(rows) > n {
		rows = rows[:n]
	}
	if skipped > 0 {
		k.say("%s unreadable; see: rigkeep check", schema.Count(skipped, "rig", "rigs"))
	}
	if k.json() {
		return k.encode(struct {
			Format int        `json:"format"`
			Rig    string     `json:"rig"`
			Near   []jsonNear `json:"near"`
		}{1, d.Rig.ID, rows})
	}
	if len(rows) == 0 {
		k.say("no other rigs to compare with")
		return nil
	}
	u := k.units()
	t := table{head: true, right: map[int]bool{2: true}}
	t.add("rig", "gimbal", "distance", "mass", "centre of gravity (forward, left, up)", "main difference")
	for _, r := range rows {
		t.add(r.Alias, r.Gimbal, fmt.Sprintf("%.3f", r.Distance), fmt.Sprintf("%+.0f %%", (r.MassRatio-1)*100),
			fmt.Sprintf("%s, %s, %s", u.m(r.CGShift[0]), u.m(r.CGShift[1]), u.m(r.CGShift[2])), r.MostlyIn)
	}
	k.write(t.render(k.paint, "", k.wide))
	return nil
}

func runRigRemove(k *invocation) error {
	rr, err := k.lib.Names().Find(k.args[0])
	if err != nil {
		return err
	}
	plan, err := k.lib.Plans().Removal(rr)
	if err != nil {
		return err
	}
	if k.dryRun() {
		k.recordResult("", k.why("Remove rig "+rr.Alias), "", plan.Paths()...)
		for _, p := range plan.Paths() {
			k.printf("would remove %s\n", p)
		}
		return nil
	}
	if err := k.confirm(fmt.Sprintf("Remove rig %s (%s), %s? Its history stays.", rr.Alias, rr.Fingerprint, schema.Count(len(plan.Items), "file", "files"))); err != nil {
		return err
	}
	return k.commit(plan, k.why("Remove rig "+rr.Alias), "", nil)
}

func runRigRename(k *invocation) error {
	rr, err := k.lib.Names().Find(k.args[0])
	if err != nil {
		return err
	}
	plan, err := k.lib.Plans().Rename(rr, strings.ToLower(k.args[1]))
	if err != nil {
		return err
	}
	if k.dryRun() {
		k.recordResult("", k.why("Rename rig "+rr.Alias+" to "+k.args[1]), "", plan.Paths()...)
		k.printf("would rename rig %s to %s\n", rr.Alias, k.args[1])
		return nil
	}
	return k.commit(plan, k.why("Rename rig "+rr.Alias+" to "+k.args[1]), "", nil)
}
