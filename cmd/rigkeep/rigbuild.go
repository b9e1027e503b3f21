package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func rigNewVerb() command {
	return command{name: "new", args: "[NAME]", short: "make a rig from parts of the shop, or from a mass", changes: true, maxArgs: 1, argKind: []string{"none"},
		long: "Joins the parts at the mounts that take them, and says which. With --mass alone the rig is one part: its payload is checked, and a tune can begin from its mass. " +
			"Without --parts and --mass the commented template of a build sheet is printed, or written to NAME where that ends in .toml.",
		example: "rigkeep rig new c-cam-50 --gimbal skiff-small --parts body-m,50-mm-prime,quick-plate\nrigkeep rig new d-cam --gimbal quay-large --mass 2.3kg --balance-point 10,0,60mm",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "gimbal", Usage: "the `GIMBAL` it goes on"}, &cli.StringFlag{Name: "parts", Usage: "the `PARTS`, with commas between: body,prime-85,plate"},
			&cli.StringSliceFlag{Name: "on", Usage: "the mount for one part, `PART=SLOT.MOUNT`: monitor=body.top; repeatable"},
			&cli.StringFlag{Name: "mass", Usage: "`MASS` of the whole build, as 2.3kg"}, &cli.StringFlag{Name: "size", Usage: "its `SIZE`, length x width x height: 180x150x140mm"},
			&cli.StringFlag{Name: "balance-point", Usage: "where it balances, `FORWARD,LEFT,UP` of where it is screwed down: 10,0,60mm"}, messageFlag(),
		}, run: runRigNew}
}

func rigCloneVerb() command {
	return command{name: "clone", args: "RIG NAME", short: "make a rig from another one with a part replaced", changes: true, minArgs: 2, maxArgs: 2, argKind: []string{"rig", "none"},
		long: "The build is cloned, no tune: the answer says what the replacement changes. A starting tune of the clone takes the filters, limits and styles of the rig that it came from. " +
			"A part is named by its slot; without a part behind the = it is taken off.",
		example: "rigkeep rig clone b-cam-85 b-cam-50 --replace lens=50-mm-prime --dry-run",
		flags:   []cli.Flag{&cli.StringSliceFlag{Name: "replace", Usage: "put a part of the shop in place of one, `SLOT=PART`: lens=prime-50; repeatable"}, messageFlag()}, run: runRigClone}
}

func runRigNew(k *invocation) error {
	parts, kg := k.c.String("parts"), k.c.String("mass")
	if parts == "" && kg == "" {
		for _, f := range []string{"gimbal", "size", "balance-point"} {
			if k.c.String(f) != "" {
				return usage("--%s needs --parts or --mass", f).hinted("Try: rigkeep rig new NAME --gimbal GIMBAL --parts body,lens,plate")
			}
		}
		if len(k.args) > 0 && !strings.HasSuffix(k.args[0], ".toml") && k.args[0] != "-" {
			return usage("rig %q needs parts or a mass", k.args[0]).hinted("Try: rigkeep rig new %s --gimbal GIMBAL --parts body,lens,plate", k.args[0])
		}
		return gimbalRun{k}.template(schema.KindRig)
	}
	switch {
	case len(k.args) == 0:
		return usage("a rig needs a name").hinted("Try: rigkeep rig new NAME --gimbal GIMBAL --parts body,lens,plate")
	case parts != "" && kg != "":
		return usage("--parts and --mass do not go together: the parts say what the build weighs")
	case parts != "" && k.c.String("size")+k.c.String("balance-point") != "":
		return usage("--size and --balance-point go with --mass")
	case kg != "" && len(k.c.StringSlice("on")) > 0:
		return usage("--on goes with --parts")
	}
	gimbal, err := buildRun{k}.gimbalFlag()
	if err != nil {
		return err
	}
	var b library.Build
	if kg != "" {
		m, err := k.measure("mass", unit.Mass, "")
		if err != nil {
			return err
		}
		if !(m > 0 && m <= 100) {
			return usage("--mass: %s is not the mass of a build", kg).hinted("above 0 and at most 100 kg")
		}
		size, err := partRun{k}.box("size")
		if err != nil {
			return err
		}
		at, err := partRun{k}.vector("balance-point")
		if err != nil {
			return err
		}
		if b, err = k.lib.Builds().MassBuild(k.args[0], gimbal, m, size, at); err != nil {
			return err
		}
	} else {
		q := library.BuildRequest{Alias: k.args[0], Gimbal: gimbal, On: map[string]string{}}
		for _, p := range strings.Split(parts, ",") {
			if p = strings.TrimSpace(p); p != "" {
				q.Parts = append(q.Parts, p)
			}
		}
		for _, s := range k.c.StringSlice("on") {
			part, mount, ok := strings.Cut(s, "=")
			if !ok || part == "" || mount == "" {
				return usage("--on: %q is not PART=SLOT.MOUNT", s).hinted("for example: --on monitor=body.top")
			}
			q.On[strings.TrimSpace(part)] = strings.TrimSpace(mount)
		}
		if len(q.Parts) == 0 {
			return usage("--parts names no part")
		}
		if b, err = k.lib.Builds().NewBuild(q); err != nil {
			return err
		}
	}
	if err := (buildRun{k}).addBuild(b, "Add"); err != nil {
		return err
	}
	sheet, err := k.lib.Sheet("", gimbal)
	if err != nil {
		return err
	}
	buildRun{k}.sayBuild(b, sheet)
	k.say("Try: rigkeep fit %s", b.Rig.Alias)
	return nil
}

// gimbalFlag is the gimbal asked for, or the library's only one.
func (k buildRun) gimbalFlag() (string, error) {
	if g := schema.CanonicalName(k.c.String("gimbal")); g != "" {
		_, err := k.lib.Sheet("", g)
		return g, err
	}
	all, err := k.lib.Gimbals()
	if err != nil && !isNotFound(err) {
		return "", err
	}
	if len(all) == 1 {
		return all[0], nil
	}
	if len(all) == 0 {
		return "", usage("no gimbal sheets yet").hinted("Try: rigkeep gimbal new")
	}
	return "", usage("--gimbal is missing").hinted("one of: %s", strings.Join(all, ", "))
}

// addBuild saves a new build sheet.
func (k buildRun) addBuild(b library.Build, verb string) error {
	for _, s := range b.Said {
		k.write(wrap(safe.Line(s), "", k.wide))
	}
	return k.addSheets([]library.NewFile{{Path: preset.RigPath(b.Rig.ID), Text: b.Text, What: "rig " + b.Rig.Alias + " (" + b.Rig.ID + ")"}}, verb)
}

// sayBuild says what a build weighs and whether the gimbal carries it.
func (k buildRun) sayBuild(b library.Build, sheet *schema.Sheet) {
	u := k.units()
	line := u.kg(b.Rig.Mass())
	if p, err := b.Rig.Properties(); err == nil {
		at := [3]float64(p.CG)
		line += ", balances at " + u.place(&at) + " " + u.length + " (forward, left, up of its origin)"
	}
	k.write(wrap(line, "", k.wide))
	k.write(wrap(k.payload(b.Rig, sheet), "", k.wide))
	for _, o := range b.Rig.Overlaps() {
		k.write(wrap("overlap: "+o.Words(u.m), "", k.wide))
	}
}

// payload says in a line how a build lies in what the gimbal carries.
func (k buildRun) payload(r preset.Rig, sheet *schema.Sheet) string {
	u := k.units()
	m := r.Mass()
	switch {
	case sheet.PayloadMax > 0 && m > sheet.PayloadMax:
		return fmt.Sprintf("DOES NOT FIT: %s over the payload limit of %s", u.kg(m-sheet.PayloadMax), sheet.Slug)
	case m < sheet.PayloadMin:
		return fmt.Sprintf("DOES NOT FIT: %s under the minimum payload of %s", u.kg(sheet.PayloadMin-m), sheet.Slug)
	}
	return fmt.Sprintf("%s under the payload limit of %s", u.kg(sheet.PayloadMax-m), sheet.Slug)
}

func runRigClone(k *invocation) error {
	if len(k.c.StringSlice("replace")) == 0 {
		return usage("a clone needs a replacement: the same build is the same rig").hinted("Try: rigkeep rig clone %s %s --replace lens=PART\nfor its values on another rig: rigkeep copy %s RIG", k.args[0], k.args[1], k.args[0])
	}
	rr, err := k.lib.Names().Find(k.args[0])
	if err != nil {
		return err
	}
	from, err := k.lib.Rig("", rr.Fingerprint)
	if err != nil {
		return err
	}
	var rs []library.Replace
	for _, s := range k.c.StringSlice("replace") {
		slot, part, ok := strings.Cut(s, "=")
		if !ok || strings.TrimSpace(slot) == "" {
			return usage("--replace: %q is not SLOT=PART", s).hinted("for example: --replace lens=prime-50")
		}
		rs = append(rs, library.Replace{Slot: strings.TrimSpace(slot), Part: strings.TrimSpace(part)})
	}
	b, err := k.lib.Builds().CloneBuild(from, k.args[1], rs)
	if err != nil {
		return err
	}
	if err := (buildRun{k}).addBuild(b, "Clone "+from.Alias+" as"); err != nil {
		return err
	}
	sheet, err := k.lib.Sheet("", from.Gimbal)
	if err != nil {
		return err
	}
	if err := (buildRun{k}).sayChange(from, b.Rig, sheet); err != nil {
		return err
	}
	k.say("Try: rigkeep start %s --write", b.Rig.Alias)
	return nil
}

// sayChange says what a clone changes: mass, balance, fit, inertia, and which rigs are near.
func (k buildRun) sayChange(from, to preset.Rig, sheet *schema.Sheet) error {
	u := k.units()
	t := table{}
	t.add("mass", fmt.Sprintf("%s → %s (%+.0f g)", u.kg(from.Mass()), u.kg(to.Mass()), (to.Mass()-from.Mass())*1000))
	was, errA := from.Properties()
	now, errB := to.Properties()
	switch {
	case errB != nil:
		t.add("balance", errB.Error())
	case errA != nil:
		t.add("balance", "of "+from.Alias+" "+errA.Error())
	default:
		t.add("balance", "centre of gravity "+moved(now.CG.Sub(was.CG)))
	}
	q, err := k.lib.Balance().MarkQuery(to, sheet, "")
	if err != nil {
		return err
	}
	ans := fitAnswer{Motors: map[string]fitMotor{}, sheet: sheet}
	if ans.answers, err = preset.Marks(q); err != nil {
		return err
	}
	if len(sheet.Adjustments) > 0 {
		t.add("marks", k.markLine(ans.answers, sheet))
	}
	if err := fitRun(k).fitReport(&ans, to, sheet, nil); err != nil {
		return err
	}
	t.add("fit", fitLine(ans.Report))
	if errB == nil {
		before, errA := from.Inertias(sheet, nil)
		after, errB := to.Inertias(sheet, nil)
		if errA == nil && errB == nil {
			var out []string
			of := "kg·m²"
			for _, a := range schema.Axes {
				if !sheet.Axes[a].MovingKnown {
					of = "kg·m², of the build alone"
				}
				out = append(out, fmt.Sprintf("%s %.4f (%+.0f %%)", a, after[a].Min, (after[a].Min/before[a].Min-1)*100))
			}
			t.add("least inertia", strings.Join(out, ", ")+", "+of)
		}
	}
	near, err := k.nearWords(to)
	if err != nil {
		return err
	}
	t.add("near rigs", near)
	for _, o := range to.Overlaps() {
		t.add("overlap", o.Words(u.m))
	}
	k.write(t.render(k.paint, "  ", k.wide))
	return nil
}

func moved(d mass.Vec) string {
	if w := d.Words(); w != "none" {
		return w
	}
	return "less than 1 mm off"
}

// fitLine says in a line whether a build fits, balanced.
func fitLine(rep fit.Report) string {
	worst := ""
	if it := (fitAnswer{Report: rep}).worst(rep.Grade); it != nil {
		worst = it.Words
	}
	switch {
	case rep.Grade == fit.Over:
		return "DOES NOT FIT: " + worst
	case rep.Grade == fit.Fits && len(rep.Balanced) == 0:
		return "fits by mass, clearance unknown"
	case rep.Grade == fit.Fits:
		return "fits"
	}
	return strings.TrimSuffix(rep.Grade.String()+": "+worst, ": ")
}

// nearRig is a rig of the same gimbal, and how far it is from a build.
type nearRig struct {
	*library.RigRef
	d float64
}

// nearestRigs are the rigs of the library on the same gimbal, the nearest first: by mass
// alone where the build's balance point is not known.
func (k buildRun) nearestRigs(r preset.Rig) (hits []nearRig, byMass bool, err error) {
	rigs, err := k.lib.Names().Rigs()
	if err != nil {
		return nil, false, err
	}
	p, perr := r.Properties()
	for i := range rigs {
		x := &rigs[i]
		if x.Fingerprint == r.ID || x.Gimbal != r.Gimbal || x.Fault != "" {
			continue
		}
		if perr != nil {
			hits = append(hits, nearRig{x, math.Abs(math.Log(x.Mass() / r.Mass()))})
			continue
		}
		if q, ok := x.Props(); ok {
			if n, err := mass.Distance(p, q); err == nil {
				hits = append(hits, nearRig{x, n.Distance})
			}
		}
	}
	slices.SortStableFunc(hits, func(a, b nearRig) int { return cmp.Compare(a.d, b.d) })
	return hits, perr != nil, nil
}

// nearWords names the three rigs that are nearest to a build, with how far they are.
func (k buildRun) nearWords(r preset.Rig) (string, error) {
	hits, byMass, err := k.nearestRigs(r)
	if err != nil || len(hits) == 0 {
		return "none on " + r.Gimbal, err
	}
	var out []string
	for _, h := range hits[:min(3, len(hits))] {
		out = append(out, fmt.Sprintf("%s %.2f", h.Alias, h.d))
	}
	s := strings.Join(out, ", ")
	if byMass {
		s += ", by mass alone"
	}
	return s, nil
}

func rigRefreshVerb() command {
	return command{name: "refresh", args: "[RIG…]", short: "bring changes of the shop's parts into a rig", changes: true, maxArgs: -1, argKind: []string{"rigs"},
		long:    "Only what changed by at least a step of the fingerprint (5 g, 5 mm) is taken. The build sheet is written and not saved. --dry-run names the proofs that would go out of date, group by group.",
		example: "rigkeep rig refresh --all --dry-run",
		flags:   boolFlags("all", "all rigs of the library"), run: runRigRefresh}
}

func runRigRefresh(k *invocation) error {
	all := k.c.Bool("all")
	if all == (len(k.args) > 0) {
		return usage("name the rigs to refresh, or give --all").hinted("Try: rigkeep rig refresh --all --dry-run")
	}
	var rigs []library.RigRef
	if all {
		list, err := k.lib.Names().Rigs()
		if err != nil {
			return err
		}
		rigs = list
	}
	for _, name := range k.args {
		rr, err := k.lib.Names().Find(name)
		if err != nil {
			return err
		}
		rigs = append(rigs, rr)
	}
	// all are worked out before any is written
	var found []*library.Refreshed
	for _, rr := range rigs {
		if rr.Fault != "" {
			k.say("%s is unreadable: %s", rr.Alias, rr.Fault)
			continue
		}
		f, gone, err := k.lib.Builds().Refresh(rr)
		if err != nil {
			return err
		}
		for _, p := range gone {
			k.say("%s: the shop has no part %q any more", rr.Alias, p)
		}
		if f != nil {
			found = append(found, f)
		}
	}
	if len(found) == 0 {
		k.printf("%s: nothing changed\n", schema.Count(len(rigs), "rig", "rigs"))
		return nil
	}
	var names []string
	ended := 0
	for _, f := range found {
		verb, err := k.put(f.Edited)
		if err != nil {
			return err
		}
		k.recordResult("", "", strings.Join(f.Said, "\n"), f.Edited.Path)
		k.printf("%s %s\n", verb, f.Edited.Path)
		for _, s := range f.Said {
			k.write(wrap(safe.Line(s), "  ", k.wide))
		}
		for _, p := range f.Proofs {
			var groups []string
			for _, g := range p.Groups {
				groups = append(groups, preset.GroupWords(g))
			}
			k.write(wrap("goes out of date: "+safe.Line(p.Tune)+": "+strings.Join(groups, ", "), "  ", k.wide))
			ended += len(groups)
		}
		names = append(names, f.Rig.Alias)
	}
	k.printf("%s of %d changed, %s out of date\n", schema.Count(len(found), "rig", "rigs"), len(rigs), schema.Count(ended, "proof", "proofs"))
	if !k.dryRun() {
		k.say("Try: rigkeep save %s -m WHY", strings.Join(names, " "))
	}
	return nil
}
