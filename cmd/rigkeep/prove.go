package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func proveVerb() command {
	return command{
		name: "prove", args: "RIG[/TUNE]", short: "record a handheld test of a tune",
		long: "Saves the current values (unsaved edits included) and their proof as one revision. Each group is proved by itself: hold (stiffness and filters), limits, horizon, and each follow style tested; --style proves one style alone. A group is out of date when its own values change; hold and horizon also with the build or the firmware, limits when a part moves or a limit is widened past the tilts tested. " +
			"Missing details come from the last bench session with these values, or are asked for.",
		example: "rigkeep prove b-cam-85 --unit SK-0412 --place hand --minutes 12 --effort pan=1,roll=0.5,tilt=2 --styles walk,sweep\nrigkeep prove b-cam-85 --style walk --unit SK-0412 --place hand\nrigkeep prove a-cam-zoom --unit \"Large A\" --place stand --onset tilt=46 --onset-hz tilt=22 -m \"After the lens change\" --job tug-day",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "unit", Usage: "gimbal `UNIT` (serial or label)"},
			&cli.IntFlag{Name: "memory", Usage: "the controller's numbered memory `N` that the tune is in"},
			&cli.StringFlag{Name: "place", Usage: "tested `WHERE`: hand or stand"},
			&cli.StringFlag{Name: "effort", Usage: "resting effort in percent, `AXIS=PERCENT`, with commas: pan=1,roll=0.5,tilt=2; of two readings from either side, tilt=2.8/1.2, the mean is recorded"},
			&cli.StringFlag{Name: "onset", Usage: "onset, `AXIS=NUMBER`, comma-separated"},
			&cli.StringFlag{Name: "onset-hz", Usage: "onset frequency, `AXIS=HZ`, comma-separated"},
			&cli.Float64Flag{Name: "minutes", Usage: "test time, `MINUTES`"},
			&cli.StringFlag{Name: "styles", Usage: "follow styles tested, `NAMES`, comma-separated"},
			&cli.StringSliceFlag{Name: "style", Usage: "prove this `STYLE` alone; repeatable"},
			&cli.StringFlag{Name: "firmware", Usage: "firmware `TEXT` the unit shows; else the sheet's for this unit"},
			&cli.StringFlag{Name: "note", Usage: "a `NOTE`"},
			messageFlag(), &cli.StringFlag{Name: "job", Usage: "pin the tune to this `JOB`"},
		},
		changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runProve,
	}
}

// axisNumbers reads AXIS=NUMBER,… of a flag.
func (k proveRun) axisNumbers(flag string) (map[schema.Axis]float64, error) {
	m, err := axisNumbers(k.c.String(flag))
	if err != nil {
		return nil, usage("--%s: %v", flag, err).hinted("for example: --%s pan=1,roll=0.5,tilt=2", flag)
	}
	return m, nil
}

func axisNumbers(s string) (map[schema.Axis]float64, error) {
	all, err := axisReadings(s)
	out := map[schema.Axis]float64{}
	for a, v := range all {
		if out[a] = v[0]; len(v) > 1 {
			return nil, fmt.Errorf("%s has %s, and takes one", a, schema.Count(len(v), "number", "numbers"))
		}
	}
	return out, err
}

// axisReadings reads AXIS=NUMBER,… where each number may be several with a slash between.
func axisReadings(s string) (map[schema.Axis][]float64, error) {
	out := map[schema.Axis][]float64{}
	for _, p := range strings.Split(s, ",") {
		if strings.TrimSpace(p) == "" {
			continue
		}
		name, nums, ok := strings.Cut(p, "=")
		a, isAxis := schema.ParseAxis(strings.TrimSpace(strings.ToLower(name)))
		if _, twice := out[a]; isAxis && twice {
			return nil, fmt.Errorf("%s is given twice", a)
		}
		for _, num := range strings.Split(nums, "/") {
			v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(num), "%")), 64)
			if !ok || !isAxis || err != nil || v-v != 0 {
				return nil, fmt.Errorf("%q is not AXIS=NUMBER, where AXIS is pan, tilt or roll", strings.TrimSpace(p))
			}
			out[a] = append(out[a], v)
		}
	}
	return out, nil
}

func words2list(s string) []string {
	var out []string
	for _, w := range strings.Split(s, ",") {
		if w = strings.TrimSpace(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}

func runProve(k *invocation) error {
	d, err := k.loadNow(true, "prove records the current tune only")
	if err != nil {
		return err
	}
	p, err := proveRun{k}.given(d)
	if err != nil {
		return err
	}
	only := k.c.StringSlice("style")
	styles := append(words2list(k.c.String("styles")), only...)
	asked, err := proveRun{k}.askProof(d, &p, &styles, len(only) > 0)
	if err != nil {
		return err
	}
	if p.Place != "hand" && p.Place != "stand" {
		return usage("--place %q: write hand or stand", p.Place)
	}
	if f := unknownStyle(d, styles); f != nil {
		return f
	}
	u, err := proveRun{k}.provedOn(d, &p, asked)
	if err != nil {
		return err
	}
	plan, err := proveRun{k}.planProof(d, p, u, d.Tune.TestedGroups(styles, len(only) > 0))
	if err != nil {
		return err
	}
	trailers, err := proveRun{k}.pinned(plan, d, p.Unit)
	if err != nil {
		return err
	}
	reports, err := compareRun{k}.reports(plan)
	if err != nil {
		return err
	}
	what := refName(d)
	if len(only) > 0 {
		what = "style " + strings.Join(only, ", ") + " of " + what
	}
	place := map[string]string{"hand": "handheld", "stand": "on the stand"}[p.Place]
	subject := k.why(fmt.Sprintf("Prove %s on %s, %s", what, p.Unit, place))
	body := words(reports)
	if k.dryRun() {
		k.printf("would save as one revision:\n\n%s\n\n%s\n", safe.Line(subject), safe.Text(body))
		return nil
	}
	if p.Place == "stand" {
		k.say("note: stand test only. An axis may still oscillate handheld or at another tilt")
	}
	return k.commit(plan, subject, body, trailers)
}

// given is a proof as far as the flags say it.
func (k proveRun) given(d *library.Loaded) (preset.Proof, error) {
	who, err := k.who()
	if err != nil {
		return preset.Proof{}, err
	}
	p := preset.Proof{At: k.Now(), By: who.Name, Unit: k.c.String("unit"), Place: k.c.String("place"), Minutes: k.c.Float64("minutes"),
		Firmware: k.c.String("firmware"), Note: strings.TrimSpace(k.c.String("note")), Effort: map[schema.Axis]float64{}}
	if p.Onset, err = k.axisNumbers("onset"); err != nil {
		return p, err
	}
	if p.OnsetHz, err = k.axisNumbers("onset-hz"); err != nil {
		return p, err
	}
	// of two readings from either side a proof keeps the mean, which is what gravity asks for
	efforts, err := markRun(k).effortReadings()
	if err != nil {
		return p, err
	}
	for a, e := range efforts {
		if p.Effort[a] = *preset.NewEffort(preset.BalancePoint{}, e, k.Now()).Effort; math.Abs(p.Effort[a]) > d.Sheet.WorkablePct {
			k.say("note: %s %s %% is over the workable %s %% of the sheet", a, schema.Num(p.Effort[a]), schema.Num(d.Sheet.WorkablePct))
		}
	}
	return p, nil
}

// provedOn finds the unit of a proof on the sheet and takes its serial and firmware. It is nil for
// one that is not there and meant all the same: asked says that a person was asked which it is.
func (k proveRun) provedOn(d *library.Loaded, p *preset.Proof, asked bool) (*schema.Unit, error) {
	u, err := k.lib.Units().UnitOf(d.Sheet, p.Unit)
	if err == nil {
		p.Unit, p.Firmware = u.Serial, firstOf(p.Firmware, u.Firmware)
		return &u, nil
	}
	if !asked && k.confirm(fmt.Sprintf("%v. Record it anyway?", err)) != nil {
		return nil, err
	}
	return nil, nil
}

// planProof plans the values with their proof, and that the unit, where it is known, holds them.
func (k proveRun) planProof(d *library.Loaded, p preset.Proof, u *schema.Unit, groups []string) (*library.Plan, error) {
	e, err := k.lib.Edits().Prove(d, p, groups...)
	if err != nil {
		return nil, err
	}
	plan, err := k.lib.Plans().Edited(d, e)
	if err == nil && u != nil {
		err = k.planHolds(plan, d, *u, p.By, p.Firmware)
	}
	return plan, err
}

// planHolds adds to a plan that a unit holds a tune, which was worked on it.
func (k proveRun) planHolds(plan *library.Plan, d *library.Loaded, u schema.Unit, by, firmware string) error {
	memory := k.c.Int("memory")
	said, err := k.lib.Units().PlanHolds(plan, library.UnitRef{Gimbal: d.Sheet.Slug, Unit: u}, d.Rig, k.lib.Units().HeldOf(d, memory, by, k.Now()), firmware)
	if err == nil && !said {
		k.say("note: unit %s has memories 1 to %d; --memory N records which one holds this tune", u.Serial, u.Memories)
	}
	return err
}

// unknownStyle says which of some style names the tune does not have; nil for none.
func unknownStyle(d *library.Loaded, styles []string) *failure {
	have := d.Tune.Styles()
	for _, s := range styles {
		if contains(have, s) {
			continue
		}
		f := usage("the tune has no follow style %q", s)
		if sug := schema.Suggest(s, have); sug != "" {
			return f.hinted("%s", sug)
		}
		return f.hinted("it has: %s", firstOf(strings.Join(have, ", "), "none"))
	}
	return nil
}

// pinned pins the tune of a plan to the job of --job, where one is given.
func (k proveRun) pinned(plan *library.Plan, d *library.Loaded, unit string) ([]store.Trailer, error) {
	job := k.c.String("job")
	if job == "" {
		return nil, nil
	}
	slug, err := k.lib.Jobs().Named(job)
	if err != nil {
		return nil, err
	}
	target, err := k.lib.Plans().Target(d.Rig.Alias + "/" + d.Ref.Tune)
	if err != nil {
		return nil, err
	}
	return []store.Trailer{{Key: "Job", Value: slug}}, k.lib.Plans().PinTargets(plan, slug, []library.Target{target}, unit)
}

func contains[T comparable](l []T, s T) bool { return slices.Contains(l, s) }

// askProof completes a proof: from the last bench session that found the tune's
// values, then by asking where there is somebody to ask; asked says that the unit was
// asked for.
func (k proveRun) askProof(d *library.Loaded, p *preset.Proof, styles *[]string, onlyStyles bool) (asked bool, err error) {
	serial := p.Unit
	if u, ok := d.Sheet.Unit(p.Unit); ok {
		serial = u.Serial
	}
	told := p.Unit != "" && p.Place != "" // by the person: then nothing more is asked
	log, path, err := k.lib.Evidence().LastSession(d, serial)
	if err != nil {
		return false, err
	}
	if log != nil {
		var took []string
		if p.Unit == "" && log.Unit != "" {
			p.Unit = log.Unit
			took = append(took, "the unit, "+safe.Line(log.Unit))
		}
		if n := fromSession(log, p); n != "" {
			took = append(took, n)
		}
		if p.Place == "" && log.Hand {
			p.Place = "hand"
			took = append(took, "that it was tested handheld")
		}
		if len(took) > 0 {
			k.say("from the session %s: %s", path, strings.Join(took, ", "))
		}
	}
	if len(p.Effort) == 0 {
		day := k.Now()
		if log != nil {
			day = log.Began.In(day.Location())
		}
		rec, ok, err := k.lib.Balance().OfDay(d, firstOf(serial, p.Unit), day)
		if err != nil {
			return false, err
		}
		if e := rec.AxisEfforts(); ok && len(e) > 0 {
			p.Effort = e
			k.say("from the balance of %s: resting efforts", k.clock(rec.Began))
		}
	}
	asks := !k.c.Bool("no-input") && tty(k.Stdin) && tty(k.Stdout)
	if told || !asks {
		var missing []string
		if p.Unit == "" {
			missing = append(missing, "--unit (the sheet lists: "+firstOf(unitNames(d.Sheet), "none")+")")
		}
		if p.Place == "" {
			missing = append(missing, "--place hand or --place stand")
		}
		if len(missing) > 0 {
			return false, usage("missing: %s", schema.List(missing)).hinted("see: rigkeep prove --help")
		}
		return false, nil
	}
	a, done, err := k.ask(false)
	if err != nil {
		return false, err
	}
	asked = p.Unit == "" // else it is known already, and held against the sheet
	err = a.proof(d, p, styles, onlyStyles)
	done()
	if errors.Is(err, errStopped) {
		return asked, stopped("Stopped. Nothing recorded.", "Start again with: rigkeep prove "+k.args[0])
	}
	return asked, err
}

// fromSession takes onsets, where they were seen, and the tilts tested handheld of a session
// where the person gave none.
func fromSession(log *preset.BenchLog, p *preset.Proof) string {
	if len(p.TiltsDeg) == 0 && p.Place != "stand" {
		p.TiltsDeg = log.HandTilts()
	}
	if len(p.Onset) > 0 {
		return ""
	}
	if !log.Onsets(p) {
		return ""
	}
	return "onsets"
}

func unitNames(s *schema.Sheet) string {
	var out []string
	for _, u := range s.Units {
		n := u.Serial
		if u.Label != "" {
			n += " (" + u.Label + ")"
		}
		out = append(out, n)
	}
	return strings.Join(out, ", ")
}

// proof asks for what a proof should have and was not given; u goes back to the question
// before. What is typed is held against the sheet.
func (a *prompter) proof(d *library.Loaded, p *preset.Proof, styles *[]string, onlyStyles bool) error {
	var steps []func() (back bool, err error)
	isBack := func(s string) bool { return strings.EqualFold(s, "u") || strings.EqualFold(s, "undo") }
	if p.Unit == "" {
		steps = append(steps, func() (bool, error) {
			u, err := a.askProofUnit(d.Sheet)
			p.Unit = u
			return false, err
		})
	}
	if p.Place == "" {
		steps = append(steps, func() (bool, error) {
			c, _, err := a.choose("tested handheld or on the stand only? [h/s, u undo]", []choice{{'h', "hand"}, {'s', "stand"}, {'u', "undo"}}, 0)
			p.Place = map[byte]string{'h': "hand", 's': "stand"}[c]
			return c == 'u', err
		})
	}
	if p.Minutes == 0 {
		steps = append(steps, func() (bool, error) {
			for {
				s, err := a.line("how many minutes? [Enter: skip, u undo]")
				if err != nil || s == "" || isBack(s) {
					return isBack(s), err
				}
				v, ok := typedNumber(strings.TrimSuffix(strings.TrimSpace(s), "min"))
				if ok && v >= 0 && v <= 1440 {
					p.Minutes = v
					return false, nil
				}
				a.say("%q is not a number of minutes, 0 to 1440", safe.Line(s))
			}
		})
	}
	if len(p.Effort) == 0 && !onlyStyles {
		for _, x := range schema.Axes {
			steps = append(steps, func() (bool, error) {
				delete(p.Effort, x)
				return a.effort(d.Sheet, x, p)
			})
		}
	}
	if have := d.Tune.Styles(); len(*styles) == 0 && len(have) > 0 {
		steps = append(steps, func() (bool, error) {
			for {
				s, err := a.line(fmt.Sprintf("follow styles tested (%s)? [Enter: none, u undo]", strings.Join(have, ", ")))
				if err != nil || isBack(s) && !contains(have, s) {
					return true, err
				}
				if *styles = words2list(s); unknownStyle(d, *styles) == nil {
					return false, nil
				}
				a.say("%v: %s, with commas", unknownStyle(d, *styles), strings.Join(have, ", "))
			}
		})
	}
	if p.Note == "" {
		steps = append(steps, func() (bool, error) {
			s, err := a.line("note? [Enter: none, u undo]")
			if err == nil && !isBack(s) {
				p.Note = s
			}
			return isBack(s), err
		})
	}
	for i := 0; i < len(steps); {
		back, err := steps[i]()
		switch {
		case err != nil:
			return err
		case back:
			i = max(0, i-1)
		default:
			i++
		}
	}
	return nil
}

// effort asks for the resting effort of an axis. One above what the sheet calls workable
// is asked again, since it is more often a slip, or minutes, than a rig that was tested so.
func (a *prompter) effort(sheet *schema.Sheet, x schema.Axis, p *preset.Proof) (back bool, err error) {
	for {
		s, err := a.line(fmt.Sprintf("resting effort, %s, in percent? [Enter: not read, u undo]", x))
		if err != nil || s == "" {
			return false, err
		}
		if strings.EqualFold(s, "u") || strings.EqualFold(s, "undo") {
			return true, nil
		}
		e, ok := typedEfforts(s)
		if !ok {
			a.say("%q is not an effort: %s", safe.Line(s), effortWanted)
			continue
		}
		v := *preset.NewEffort(preset.BalancePoint{}, e, p.At).Effort
		if w := sheet.WorkablePct; math.Abs(v) > w {
			c, _, err := a.choose(fmt.Sprintf("%s %% is over the workable %s %%. Type it again, or keep it? [t/k]", schema.Num(v), schema.Num(w)), []choice{{'t', "type it again"}, {'k', "keep it"}}, 't')
			if err != nil {
				return false, err
			}
			if c == 't' {
				continue
			}
		}
		p.Effort[x] = v
		return false, nil
	}
}

// unit asks which unit is at hand, by number or name.
func (a *prompter) unit(sheet *schema.Sheet) (string, error) {
	for i, u := range sheet.Units {
		a.k.out("  %d  %s %s\n", i+1, safe.Line(u.Serial), safe.Line(u.Label))
	}
	s, err := a.line("which unit? [number or name]")
	if err != nil {
		return "", err
	}
	if n, err := strconv.Atoi(s); err == nil && n >= 1 && n <= len(sheet.Units) {
		return sheet.Units[n-1].Serial, nil
	}
	return s, nil
}

// askProofUnit asks for a unit; one that the sheet does not list, say a rented one, is
// asked about.
func (a *prompter) askProofUnit(sheet *schema.Sheet) (string, error) {
	if len(sheet.Units) == 0 {
		a.say("The sheet of %s lists no unit.", sheet.Slug)
	}
	for {
		s, err := a.unit(sheet)
		if err != nil {
			return "", err
		}
		if u, ok := sheet.Unit(s); ok {
			return u.Serial, nil
		}
		if s == "" {
			a.say("a proof says on which unit")
			continue
		}
		c, _, err := a.choose(fmt.Sprintf("%q is not in the gimbal sheet of %s. Record it anyway, or name another? [r/n]", safe.Line(s), sheet.Slug), []choice{{'r', "record it"}, {'n', "name another"}}, 0)
		if err != nil {
			return "", err
		}
		if c == 'r' {
			return s, nil
		}
	}
}
