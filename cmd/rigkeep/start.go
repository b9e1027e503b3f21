package main

import (
	"fmt"
	"maps"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/follow"
	"rigkeep/preset/identify"
	"rigkeep/preset/start"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func startVerb() command {
	return command{
		name: "start", args: "RIG[/TUNE]", short: "a starting tune with intervals, evidence and reasons",
		long: "Works out where to begin from the rig's inertia, proved tunes of near rigs on this gimbal, the sheet's reference points and the loop model. The value offered is the low end, since one raises it from there. --write puts it in the work tree; it is not saved until you save it. " +
			"--backtest leaves each proved tune out in turn and says how far the method can be trusted here.",
		example: "rigkeep start a-cam-prime\nrigkeep start a-cam-prime --shots walk,sweep --lens 35mm --sensor 24.9x18.7mm --write\nrigkeep start a-cam-prime --backtest",
		flags: []cli.Flag{
			&cli.BoolFlag{Name: "write", Usage: "put the tune in the work tree"},
			&cli.StringFlag{Name: "unit", Usage: "`UNIT` at hand, by serial or label"},
			&cli.StringFlag{Name: "shots", Usage: "propose follow styles for these `KINDS` of shot, with commas: walk,sweep,chase"},
			&cli.StringFlag{Name: "lens", Usage: "focal `LENGTH` for the follow styles"},
			&cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"},
			&cli.Float64Flag{Name: "squeeze", Usage: "anamorphic `FACTOR`, 1 for a spherical lens", Value: 1},
			&cli.BoolFlag{Name: "backtest", Usage: "leave each proved tune on this gimbal out in turn"},
		},
		pages: true, reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runStart,
	}
}

func runStart(k *invocation) error {
	d, err := k.loadNow(false, "start works on the rig as it is now")
	if err != nil {
		return err
	}
	unit := k.c.String("unit")
	if unit != "" {
		if _, err := k.lib.UnitOf(d.Sheet, unit); err != nil {
			return err
		}
	}
	q, skipped, err := k.lib.StartRequest(d.Rig, d.Sheet, d.Tune, unit, k.Now())
	if err != nil {
		return err
	}
	if k.c.Bool("backtest") {
		return k.backtest(d, q)
	}
	if err := k.wantShots(&q, d.Sheet); err != nil {
		return err
	}
	res, err := start.Start(q)
	if err != nil {
		return err
	}
	facts, err := k.unitFacts(d.Sheet, q.Unit)
	if err != nil {
		return err
	}
	if !k.json() {
		printStart(k, d, res, skipped)
		k.printUnit(facts)
		if !k.c.Bool("write") {
			k.say("Try: rigkeep start %s --write", k.args[0])
			return nil
		}
		return k.writeStart(d, res)
	}
	if k.c.Bool("write") {
		if err := k.writeStart(d, res); err != nil {
			return err
		}
	}
	return k.encode(struct {
		Format  int               `json:"format"`
		Rig     string            `json:"rig"`
		Gimbal  string            `json:"gimbal"`
		Tune    string            `json:"tune"`
		Raises  string            `json:"raises"`
		Unit    *identify.Unit    `json:"unit,omitempty"` // what sessions told of the unit at hand
		Result  *start.Result     `json:"result"`
		Skipped []library.Skipped `json:"skipped"`
		Caution string            `json:"caution"`
		DryRun  bool              `json:"dry_run"`
		Files   []string          `json:"files"` // what --write wrote
	}{1, d.Rig.ID, d.Sheet.Slug, d.Ref.Tune, d.Sheet.Raises(), facts, res, append([]library.Skipped{}, skipped...), startCaution, k.dryRun(), append([]string{}, k.done.Files...)})
}

// unitFacts is what saved sessions told of a unit; nil for none.
func (k *invocation) unitFacts(sheet *schema.Sheet, unit string) (*identify.Unit, error) {
	_, u, err := k.lib.SheetFor(sheet, unit)
	return u, err
}

// printUnit says what sessions told of a unit.
func (k *invocation) printUnit(u *identify.Unit) {
	if u == nil {
		return
	}
	k.out("\n%s\n", k.paint.bold("unit "+safe.Line(u.Unit)+", from its sessions"))
	for _, w := range append(u.Words(), u.Refused...) {
		k.out("%s", wrap("- "+safe.Text(w), "  ", k.wide))
	}
}

const startCaution = "These are places to begin, from below, not values that are safe. Balance first. Begin low, raise one axis at a time, and keep a hand near the motor cut-off: an axis that oscillates can throw a loose part and pinch fingers. The maker's manual, local codes and qualified crew come first."

func printStart(k *invocation, d *library.Loaded, res *start.Result, skipped []library.Skipped) {
	u := k.units()
	k.printf("%s on %s, %s: where to begin\n\n", k.paint.bold(d.Label()), d.Sheet.Slug, u.kg(d.Rig.Mass()))
	t := table{head: true, right: map[int]bool{1: true}}
	t.add("parameter", "begin", "should end in", "", "evidence")
	for _, o := range res.Offers {
		val, iv := schema.Num(o.Value), ""
		switch o.Status {
		case start.Unknown:
			iv = "not known"
		case start.Default:
			iv = "sheet's default"
		case start.Outside:
			iv = "OUTSIDE THE DIAL"
		}
		if o.Final != nil {
			iv = strings.TrimSpace(fmt.Sprintf("%s to %s", short(o.Final.Lo), short(o.Final.Hi)) + " " + map[bool]string{true: "(outside the dial)"}[o.Status == start.Outside])
		}
		lvl := ""
		if o.Final != nil {
			lvl = fmt.Sprintf("%.0f %%", o.Final.Level*100)
		}
		t.add(o.Key, val, iv, lvl, evidenceWord(o))
	}
	k.write(t.render(k.paint, "  ", k.wide))
	k.write(wrap("On this gimbal "+d.Sheet.Raises()+".", "  ", k.wide))
	for _, o := range res.Offers {
		k.printf("\n%s\n", k.paint.bold(o.Key+" "+schema.Num(o.Value)))
		k.write(wrap(safe.Text(o.Reason), "  ", k.wide))
		for _, e := range o.Evidence {
			if e.Kind == "reference" || e.Kind == "default" {
				continue // the reason has it in the same words; --json lists all
			}
			k.write(wrap("- "+safe.Text(e.Text), "  ", k.wide))
		}
		if o.Assumption != "" {
			k.write(wrap("assumed: "+safe.Text(o.Assumption), "  ", k.wide))
		}
		for _, x := range o.Outliers {
			k.write(wrap(fmt.Sprintf("believed less: %s at %s, where the line expects %s", safe.Text(x.Ref), schema.Num(x.Value), short(x.Line)), "  ", k.wide))
		}
		for _, x := range o.Refused {
			k.write(wrap("not used: "+safe.Text(x.Ref)+": "+safe.Text(x.Reason), "  ", k.wide))
		}
		for _, w := range o.Warnings {
			k.write(wrap(k.paint.warn("warning: ")+safe.Text(w), "  ", k.wide))
		}
	}
	for _, f := range res.Follow {
		k.printf("\n%s\n", k.paint.bold("follow style for "+safe.Text(f.Shot)))
		if f.Style == nil {
			k.write(wrap("none proposed: "+safe.Text(f.Problem), "  ", k.wide))
			continue
		}
		t := table{}
		for _, key := range sortedKeys(f.Style.Values) {
			t.add(key, schema.Num(f.Style.Values[key]))
		}
		k.write(t.render(k.paint, "  ", k.wide))
		k.write(wrap(safe.Text(f.Style.Reason), "  ", k.wide))
	}
	for _, w := range res.Warnings {
		k.write(wrap(k.paint.warn("warning: ")+safe.Text(w), "", k.wide))
	}
	for _, s := range skipped {
		k.say("not used as evidence: %s", safe.Line(s.Path+": "+s.Why))
	}
	k.printf("\n")
	k.write(wrap("Caution: "+startCaution, "", k.wide))
}

func evidenceWord(o start.Offer) string {
	counts := map[string]int{}
	for _, e := range o.Evidence {
		counts[e.Kind]++
	}
	var out []string
	add := func(kind, word string) {
		if counts[kind] > 0 {
			out = append(out, word)
		}
	}
	add("own", "this rig's own proofs")
	if o.N > 0 {
		out = append(out, fmt.Sprintf("%d proved", o.N))
	}
	add("reference", "sheet's reference")
	add("physics", "inertia")
	add("loop", "loop model")
	add("default", "sheet's default")
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, ", ")
}

func short(v float64) string { return fmt.Sprintf("%.4g", v) }

// writeStart puts the offered values into the work tree: a new tune, or the
// offered keys of the tune that is there.
func (k *invocation) writeStart(d *library.Loaded, res *start.Result) error {
	values := map[string]any{}
	for _, o := range res.Offers {
		if o.Status == start.Offered || o.Status == start.Default {
			values[o.Key] = o.Value
		} else {
			k.say("not written: %s (%s)", o.Key, o.Status)
		}
	}
	for _, f := range res.Follow {
		if f.Style != nil {
			for key, v := range f.Style.Values {
				values[key] = v
			}
		}
	}
	if len(values) == 0 {
		return fail(exitFindings, "there is nothing to write: no value rests on evidence").hinted("add a reference point to gimbals/%s.toml, or set values by hand: rigkeep set", d.Sheet.Slug)
	}
	if dirty := k.unsaved(d.TunePath()); d.Tune != nil && len(dirty) > 0 && !k.dryRun() {
		if err := k.confirm(fmt.Sprintf("%s has edits that are in no revision. Replace its values?", d.TunePath())); err != nil {
			return err
		}
	}
	e, err := k.lib.PutTune(d, values)
	if err != nil {
		return err
	}
	return k.putTune(d, e)
}

// putTune writes a new or changed tune into the work tree, says the change in
// words and what to do next.
func (k *invocation) putTune(d *library.Loaded, e library.Edited) error {
	path := d.TunePath()
	if e.Before != nil && e.Same() {
		k.say("%s has these values already", path)
		return nil
	}
	now := *d
	t := preset.DecodeTune(k.cat, e.After.Tree())
	now.Tune, now.Texts = &t, maps.Clone(d.Texts)
	now.Texts[path] = e.After.Text()
	said := ""
	if d.Tune != nil {
		said = diffview.InWords(diffview.Compare(k.cat, k.side(d), k.side(&now)))
	}
	verb, err := k.put(e)
	if err != nil {
		return err
	}
	k.recordResult("", "", said, path)
	if !k.json() {
		if said != "" {
			k.write(said + "\n")
		}
		k.printf("%s %s\n", verb, path)
	}
	if !k.dryRun() {
		k.say("not saved yet; save it with: rigkeep save %s -m WHY", refName(d))
	}
	return nil
}

func refName(d *library.Loaded) string {
	if d.Ref.Tune != preset.MainTune {
		return d.Rig.Alias + "/" + d.Ref.Tune
	}
	return d.Rig.Alias
}

func (k *invocation) backtest(d *library.Loaded, q start.Request) error {
	if len(q.Tunes) < 2 {
		return fail(exitNotFound, "%d proved tunes on %s; to leave one out, at least two are needed", len(q.Tunes), d.Sheet.Slug).hinted("prove tunes with: rigkeep prove RIG")
	}
	rep, err := start.Backtest(q, start.BacktestOptions{})
	if err != nil {
		return err
	}
	if k.json() {
		return k.encode(struct {
			Format int           `json:"format"`
			Gimbal string        `json:"gimbal"`
			Report *start.Report `json:"report"`
		}{1, d.Sheet.Slug, rep})
	}
	k.printf("%s: %d proved tunes on record, %d predicted from the others\n\n", k.paint.bold(d.Sheet.Slug), rep.Tunes, rep.Tried)
	if rep.Tried == 0 {
		k.say("there is no proved tune to leave out yet; prove tunes with: rigkeep prove RIG")
		return nil
	}
	t := table{head: true, right: map[int]bool{1: true, 2: true, 3: true, 4: true}}
	t.add("parameter", "tried", fmt.Sprintf("inside the %.0f %% interval", rep.Level*100), "median error", "begun no stiffer")
	for _, s := range append(rep.Scores, rep.All) {
		name := s.Key
		if name == "" {
			name = "all"
		}
		t.add(name, fmt.Sprint(s.N), fmt.Sprintf("%.0f %%", s.Coverage*100), fmt.Sprintf("%.1f coarse steps, %.0f %%", s.MedianCoarse, s.MedianPercent), fmt.Sprintf("%.0f %%", s.OfferedBelow*100))
	}
	k.write(t.render(k.paint, "  ", k.wide))
	return nil
}

// wantShots adds the follow styles asked for with --shots to the request.
func (k *invocation) wantShots(q *start.Request, sheet *schema.Sheet) error {
	kinds := k.c.String("shots")
	if kinds == "" {
		return nil
	}
	lens, err := k.measure("lens", unit.Length, "mm")
	if err != nil {
		return err
	}
	sensor, err := k.sensor()
	if err != nil {
		return err
	}
	if lens == 0 || sensor[0] == 0 {
		return usage("--shots needs the lens and the sensor").hinted("for example: --shots walk,chase --lens 35mm --sensor 24.9x18.7mm")
	}
	h, v, err := preset.View(lens*1000, sensor, k.c.Float64("squeeze"))
	if err != nil {
		return usage("--lens: %v", err)
	}
	for _, s := range strings.Split(kinds, ",") {
		kind := strings.TrimSpace(s)
		if _, err := follow.ShotOf(kind); err != nil {
			return usage("--shots: %v", err)
		}
		q.Shots = append(q.Shots, start.Shot{Kind: kind, FocalMM: lens * 1000, SensorWidthMM: sensor[0]})
	}
	q.Follow = func(s start.Shot) (start.Style, error) {
		p, err := preset.ProposeStyle(k.cat, sheet, s.Kind, s.Kind, h, v, 0)
		if err != nil {
			return start.Style{}, err
		}
		return start.Style{Name: p.Style, Values: p.Values, Reason: p.Reason}, nil
	}
	return nil
}
