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
		name: "start", args: "RIG[/TUNE]", short: "a starting tune with expected ranges and reasons",
		long: "Suggests low starting values from the rig's inertia, proved tunes on this gimbal, the sheet's reference tunes and the loop model: each is the low end of the expected range. --write puts them in the tune file, with the filters, limits and styles of the rig it was cloned from. " +
			"--backtest predicts each proved tune without its own rig, and without its own unit.",
		example: "rigkeep start a-cam-prime\nrigkeep start a-cam-prime --shots walk,sweep --lens 35mm --sensor 24.9x18.7mm --write\nrigkeep start a-cam-prime --backtest",
		flags: []cli.Flag{
			&cli.BoolFlag{Name: "write", Usage: "write the values into the tune file"},
			&cli.StringFlag{Name: "unit", Usage: "`UNIT` at hand, by serial or label"},
			&cli.StringFlag{Name: "shots", Usage: "propose follow styles for these `KINDS` of shot, with commas: walk,sweep,chase"},
			&cli.StringFlag{Name: "lens", Usage: "focal `LENGTH` for the follow styles"},
			&cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"},
			&cli.Float64Flag{Name: "squeeze", Usage: "anamorphic `FACTOR`, 1 for a spherical lens", Value: 1},
			&cli.BoolFlag{Name: "backtest", Usage: "predict each proved tune on this gimbal without its rig, and without its unit"},
			&cli.BoolFlag{Name: "why", Usage: "the evidence for each value"},
			&cli.BoolFlag{Name: "all", Usage: "everything: reasons, what was not used, the unit's sessions"},
		},
		pages: true, reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runStart,
	}
}

func runStart(k *invocation) error {
	d, err := k.loadNow(false, "start uses the current build only")
	if err != nil {
		return err
	}
	unit := k.c.String("unit")
	if unit != "" {
		if _, err := k.lib.Units().UnitOf(d.Sheet, unit); err != nil {
			return err
		}
	}
	q, skipped, err := k.lib.Evidence().StartRequest(d.Rig, d.Sheet, d.Tune, unit, k.Now())
	if err != nil {
		return err
	}
	if k.c.Bool("backtest") {
		return startRun{k}.backtest(d, q)
	}
	if err := (startRun{k}).wantShots(&q, d.Sheet); err != nil {
		return err
	}
	res, err := start.Start(q)
	if err != nil {
		return err
	}
	facts, err := startRun{k}.unitFacts(d.Sheet, q.Unit)
	if err != nil {
		return err
	}
	if !k.json() {
		startView{k, d, res, skipped, facts}.print()
		if !k.c.Bool("write") {
			return nil
		}
		return startRun{k}.writeStart(d, res)
	}
	if k.c.Bool("write") {
		if err := (startRun{k}).writeStart(d, res); err != nil {
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
func (k startRun) unitFacts(sheet *schema.Sheet, unit string) (*identify.Unit, error) {
	_, u, err := k.lib.Evidence().SheetFor(sheet, unit)
	return u, err
}

// writeStart puts the offered values into the work tree: a new tune, or the
// offered keys of the tune that is there.
func (k startRun) writeStart(d *library.Loaded, res *start.Result) error {
	values := map[string]any{}
	from := ""
	if d.Tune == nil { // a tune that is there keeps what it has
		if inherited, tune := k.lib.Evidence().Inherited(d); len(inherited) > 0 {
			values, from = inherited, tune
		}
	}
	for _, o := range res.Offers {
		if _, has := values[o.Key]; has && o.Kind == start.Filter {
			continue // of the rig that this one was cloned from
		}
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
		return fail(exitFindings, "nothing to write: no value has any evidence").hinted("add a [[reference]] to gimbals/%s.toml, or set values by hand", d.Sheet.Slug)
	}
	if dirty := k.unsaved(d.TunePath()); d.Tune != nil && len(dirty) > 0 && !k.dryRun() {
		if err := k.confirm(fmt.Sprintf("%s has unsaved edits. Overwrite its values?", d.TunePath())); err != nil {
			return err
		}
	}
	e, err := k.lib.Edits().PutTune(d, values)
	if err != nil {
		return err
	}
	if from != "" {
		k.say("Filters, limits and styles are those of %s.", safe.Line(from))
	}
	return k.putTune(d, e)
}

// putTune writes a new or changed tune into the work tree, says the change in
// words and what to do next.
func (k startRun) putTune(d *library.Loaded, e library.Edited) error {
	path := d.TunePath()
	if e.Before != nil && e.Same() {
		k.say("%s already has these values", path)
		return nil
	}
	now := *d
	t := preset.TuneIn(k.cat, e.After)
	now.Tune, now.Texts = &t, maps.Clone(d.Texts)
	now.Texts[path] = e.After.Text()
	said := ""
	if d.Tune != nil {
		said = diffview.InWords(diffview.Compare(k.cat, compareRun(k).side(d), compareRun(k).side(&now)), k.Now().Location())
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

func (k startRun) backtest(d *library.Loaded, q start.Request) error {
	if len(q.Tunes) < 2 {
		return fail(exitNotFound, "%s on %s: a backtest needs at least two, of different rigs", schema.Count(len(q.Tunes), "proof", "proofs"), d.Sheet.Slug).hinted("prove tunes with: rigkeep prove RIG")
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
	k.printf("%s: %s of %s on %s\n\n", k.paint.bold(d.Sheet.Slug), schema.Count(rep.Tunes, "proof", "proofs"), schema.Count(rep.Rigs, "rig", "rigs"), schema.Count(rep.Units, "unit", "units"))
	t := table{head: true, right: map[int]bool{1: true, 2: true, 3: true, 4: true}}
	t.add("", "tried", fmt.Sprintf("inside %.0f %%", rep.Level*100), "median error", "offered no stiffer")
	add := func(name string, s start.Score) {
		if s.N == 0 {
			t.add(name, "0", "–", "–", "–")
			return
		}
		t.add(name, fmt.Sprint(s.N), fmt.Sprintf("%.0f %%", s.Coverage*100), fmt.Sprintf("%.1f coarse steps, %.0f %%", s.MedianCoarse, s.MedianPercent), fmt.Sprintf("%.0f %%", s.OfferedBelow*100))
	}
	for _, s := range rep.Scores {
		add(strings.TrimPrefix(s.Key, "stiffness."), s)
	}
	add("all, without its rig", rep.All)
	add("all, without its unit", rep.NewUnit)
	k.write(t.render(k.paint, "  ", k.wide))
	if rep.Rigs < 2 {
		k.write(wrap("All proofs are of one rig: nothing can be predicted from another. Prove a rig of another build.", "", k.wide))
	}
	if rep.Units < 2 {
		k.write(wrap("All proofs are of one unit: one unit tells nothing of others.", "", k.wide))
	}
	return nil
}

// wantShots adds the follow styles asked for with --shots to the request.
func (k startRun) wantShots(q *start.Request, sheet *schema.Sheet) error {
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
