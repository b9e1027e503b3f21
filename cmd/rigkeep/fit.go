package main

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/draw"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/preset/domain"
	"rigkeep/preset/fit"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func fitVerb() command {
	return command{
		name: "fit", args: "RIG[/TUNE]", short: "does the build fit, and at which marks will it balance",
		long: "Checks the build, balanced, against the gimbal's payload and clearances, and says at which mark each adjustment balances: found on record, or predicted with its 90 % range. --without, --add and --on try changes without saving. " +
			"--effort records the controller's resting efforts. --lens with --sensor gives the angle of view, the angle of one pixel, and the tilt range with nothing of the gimbal in view. " +
			"Exit 1 if something does not fit or cannot be balanced.",
		example: "rigkeep fit a-cam-prime\nrigkeep fit a-cam-prime --why\nrigkeep fit a-cam-prime --without monitor --on skiff-small\nrigkeep fit a-cam-prime --effort roll=2,tilt=-6/-3 --battery 98Wh\nrigkeep fit a-cam-prime --lens 35mm --sensor 24.9x18.7mm --pixels 6000",
		flags: []cli.Flag{
			&cli.StringSliceFlag{Name: "without", Usage: "try without this part (`SLOT` or name); repeatable"},
			&cli.StringSliceFlag{Name: "add", Usage: "try with the parts of build sheet `FILE`; repeatable"},
			&cli.StringFlag{Name: "on", Usage: "try on another `GIMBAL`"},
			&cli.StringFlag{Name: "unit", Usage: "the marks on this `UNIT`, by serial or label"},
			&cli.BoolFlag{Name: "why", Usage: "say what the marks and clearances rest on"},
			&cli.BoolFlag{Name: "all", Usage: "every clearance, overhang, inertia and gravity"},
			&cli.StringFlag{Name: "effort", Usage: "resting `EFFORTS` in percent: roll=2,tilt=-5/-1"},
			&cli.StringFlag{Name: "battery", Usage: "battery `ENERGY`, as 98Wh, to show what holding costs"},
			&cli.StringFlag{Name: "lens", Usage: "focal `LENGTH`"},
			&cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"},
			&cli.StringFlag{Name: "svg", Usage: "draw the build to scale in three views, to this `FILE`"},
			&cli.Float64Flag{Name: "pixels", Usage: "`WIDTH` of the recorded frame in pixels"},
			&cli.Float64Flag{Name: "squeeze", Usage: "anamorphic `FACTOR`, 1 for a spherical lens", Value: 1},
			&cli.Float64Flag{Name: "magnification", Usage: "magnification `RATIO` (0 at infinity)"},
			&cli.StringFlag{Name: "pupil", Usage: "entrance pupil, `DISTANCE` ahead of the axis centre (default: middle of the lens)"},
		},
		rare:  []string{"magnification", "pixels", "pupil", "squeeze"},
		pages: true, reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runFit,
	}
}

// fitAnswer is what fit prints, in the shape of --json.
type fitAnswer struct {
	Format  int                 `json:"format"`
	Rig     string              `json:"rig"`
	Gimbal  string              `json:"gimbal"`
	WhatIf  []string            `json:"what_if"`
	Report  fit.Report          `json:"-"`
	View    jsonFit             `json:"report"`
	Unit    string              `json:"unit,omitempty"`
	Marks   []jsonMark          `json:"marks"`
	Unknown []string            `json:"unknown"` // what this needs and the sheets do not say
	Overlap []fit.Overlap       `json:"overlaps"`
	Record  string              `json:"record,omitempty"` // the balance record that --effort went into
	Motors  map[string]fitMotor `json:"motors"`
	Raises  string              `json:"raises"`
	Efforts []preset.Holding    `json:"efforts,omitempty"`
	Draw    *balance.Draw       `json:"added_draw,omitempty"`
	NoMotor []string            `json:"draw_unknown,omitempty"`
	Sight   *preset.LensView    `json:"lens,omitempty"`

	answers []preset.MarkAnswer
	sheet   *schema.Sheet
	parts   []preset.Part
}

// fitMotor is what one motor turns.
type fitMotor struct {
	Worst   float64    `json:"worst_kgm2"`
	WorstAt float64    `json:"worst_at_tilt_deg"` // positive is lens down
	Least   float64    `json:"least_kgm2"`
	Level   float64    `json:"level_kgm2"`
	Own     float64    `json:"gimbal_share_kgm2"`
	Gravity [2]float64 `json:"gravity_stiffness_nm_rad"` // least and most over the tilt range; below zero is top-heavy
}

func runFit(k *invocation) error {
	d, err := k.lib.Names().Load(k.args[0], false)
	if err != nil {
		return err
	}
	ans, r, err := fitRun{k}.tried(d)
	if err != nil {
		return err
	}
	if err := (fitRun{k}).workOut(&ans, d, r); err != nil {
		return err
	}
	if f := k.c.String("svg"); f != "" {
		if err := (fitRun{k}).fitDrawing(f, ans, r, ans.sheet, d.Tune); err != nil {
			return err
		}
		if f == "-" {
			return nil
		}
	}
	if k.json() {
		ans.View = jsonFitOf(ans.Report)
		if err := k.encode(ans); err != nil {
			return err
		}
	} else {
		fitRun{k}.printFit(d.Label()+" on "+ans.sheet.Slug, ans)
	}
	if ans.Report.Grade == fit.Over || ans.ends() != nil {
		return errFindings
	}
	return nil
}

// tried is the build with what --without, --add and --on change of it, and the answer as far as
// that says it.
func (k fitRun) tried(d *library.Loaded) (ans fitAnswer, r preset.Rig, err error) {
	r, sheet := d.Rig, d.Sheet
	if g := k.c.String("on"); g != "" {
		if sheet, err = k.lib.Sheet("", g); err != nil {
			return ans, r, err
		}
	}
	ans = fitAnswer{Format: 1, Rig: d.Rig.ID, Gimbal: sheet.Slug, WhatIf: []string{}, Unknown: []string{}, Overlap: []fit.Overlap{}, Motors: map[string]fitMotor{}, Raises: sheet.Raises(), sheet: sheet}
	if u := k.c.String("unit"); u != "" {
		unit, err := k.lib.Units().UnitOf(sheet, u)
		if err != nil {
			return ans, r, err
		}
		ans.Unit = unit.Serial
	}
	for _, name := range k.c.StringSlice("without") {
		if r.Parts, err = preset.WithoutPart(r.Parts, name); err != nil {
			return ans, r, usage("%s", err)
		}
		ans.WhatIf = append(ans.WhatIf, "without "+name)
	}
	for _, f := range k.c.StringSlice("add") {
		name, data, err := k.readInput(f)
		if err != nil {
			return ans, r, err
		}
		more, _, err := preset.ReadRig(k.cat, name, data)
		if err != nil {
			return ans, r, err
		}
		r.Parts = append(append([]preset.Part(nil), r.Parts...), more.Parts...)
		ans.WhatIf = append(ans.WhatIf, "with the parts of "+f)
	}
	if len(ans.WhatIf) > 0 || sheet.Slug != d.Sheet.Slug {
		r.ID = "" // no record is of this build on this gimbal
	}
	return ans, r, nil
}

// workOut fills the answer: the marks, what fits, and what was asked of efforts and a lens.
func (k fitRun) workOut(ans *fitAnswer, d *library.Loaded, r preset.Rig) error {
	q, err := k.lib.Balance().MarkQuery(r, ans.sheet, ans.Unit)
	if err != nil {
		return err
	}
	if ans.answers, err = preset.Marks(q); err != nil {
		return err
	}
	ans.Marks = markRun(k).jsonMarks(ans.answers)
	if err := k.fitReport(ans, r, ans.sheet, d.Tune); err != nil {
		return err
	}
	if err := k.fitEfforts(ans, ans.sheet, r, d.Tune); err != nil {
		return err
	}
	if ans.Efforts != nil && r.ID != "" {
		if ans.Record, err = markRun(k).keepEfforts(d, ans.Unit); err != nil {
			return err
		}
	}
	return k.fitLens(ans, ans.sheet, r, d.Tune)
}

// fitReport holds the build against the gimbal, balanced as far as the adjustments
// reach, and works out what each motor turns.
func (k fitRun) fitReport(ans *fitAnswer, r preset.Rig, sheet *schema.Sheet, t *preset.Tune) error {
	lim := preset.FitLimits(sheet)
	u := k.units()
	lim.Length, lim.Mass = u.m, u.kg
	var err error
	if ans.Report, err = preset.FitReport(r, sheet, ans.answers, lim); err != nil {
		return err
	}
	ans.parts, ans.Overlap = r.Parts, append(ans.Overlap, r.Overlaps()...)
	if _, err := r.Properties(); err != nil {
		ans.Unknown = append(ans.Unknown, "clearance, inertia and gravity: "+strings.TrimPrefix(err.Error(), "unknown: "))
		return nil
	}
	js, err := r.Inertias(sheet, t)
	if err != nil {
		return err
	}
	for _, a := range schema.Axes {
		g, err := preset.GravityStiffness(sheet, t, r, a)
		if err != nil {
			return err
		}
		ans.Motors[a.String()] = fitMotor{js[a].Max, js[a].MaxAt * 180 / math.Pi, js[a].Min, js[a].Level, js[a].Own, [2]float64{g.Min, g.Max}}
	}
	return nil
}

// fitDrawing draws the build as it balances, with the marks to set and what comes into
// frame.
func (k fitRun) fitDrawing(file string, ans fitAnswer, r preset.Rig, sheet *schema.Sheet, t *preset.Tune) error {
	lim := preset.FitLimits(sheet)
	lim.Length = k.units().drawn()
	b, _, err := draw.Of(r, sheet, t, lim)
	if err != nil {
		return fail(exitNotFound, "the build cannot be drawn: %v", err)
	}
	for _, a := range ans.answers {
		if mark, _, ok := a.Expected(); ok {
			b.Marks = append(b.Marks, draw.Mark{Axis: a.Adjustment.Moves, Text: a.Adjustment.Name + " " + wholeMM(mark) + " mm"})
		}
	}
	if s := ans.Sight; s != nil && s.Limits != nil {
		b.Frame = [2]draw.Reach{{Deg: s.Limits.Up, What: s.Limits.UpBy}, {Deg: s.Limits.Down, What: s.Limits.DownBy}}
	}
	var out bytes.Buffer
	if err := b.Write(&out); err != nil {
		return fail(exitNotFound, "%v", err)
	}
	if err := k.writeOut(file, out.Bytes()); err != nil {
		return err
	}
	if file != "-" {
		k.say("wrote %s", file)
	}
	return nil
}

// ends is the first adjustment that ends before balance, nil for none.
func (a fitAnswer) ends() *preset.MarkAnswer {
	for i := range a.answers {
		if a.answers[i].Out > 0 {
			return &a.answers[i]
		}
	}
	return nil
}

// fitEfforts reads --effort and --battery.
func (k fitRun) fitEfforts(ans *fitAnswer, sheet *schema.Sheet, r preset.Rig, t *preset.Tune) error {
	text := k.c.String("effort")
	energy, err := k.measure("battery", unit.Energy, "Wh")
	if err != nil {
		return err
	}
	if text == "" {
		if energy > 0 {
			return usage("--battery needs --effort").hinted("for example: --effort tilt=-3 --battery 98Wh")
		}
		return nil
	}
	efforts, err := markRun(k).effortReadings()
	if err != nil {
		return err
	}
	if ans.Efforts, err = preset.Hold(k.cat, sheet, r, t, efforts); err != nil {
		return err
	}
	draw, unknown, err := preset.HoldingDraw(sheet, ans.Efforts, balance.Battery{Energy: energy})
	if err != nil {
		return err
	}
	if len(unknown) < len(ans.Efforts) {
		ans.Draw = &draw
	}
	ans.NoMotor = unknown
	return nil
}

// fitLens reads --lens and what goes with it.
func (k fitRun) fitLens(ans *fitAnswer, sheet *schema.Sheet, r preset.Rig, t *preset.Tune) error {
	focal, err := k.measure("lens", unit.Length, "mm")
	if err != nil {
		return err
	}
	sensor, err := k.sensor()
	if err != nil {
		return err
	}
	if k.c.IsSet("lens") && !(focal > 0 && focal <= 100) {
		return usage("--lens: %q is not a focal length; want one above 0 and up to 100 m", k.c.String("lens")).hinted("for example: --lens 35mm")
	}
	if focal == 0 && sensor[0] == 0 {
		for _, f := range []string{"pixels", "squeeze", "magnification", "pupil"} {
			if k.c.IsSet(f) {
				return usage("--%s needs the lens and the sensor", f).hinted("for example: --lens 35mm --sensor 24.9x18.7mm")
			}
		}
		return nil
	}
	if focal == 0 || sensor[0] == 0 {
		return usage("--lens and --sensor go together").hinted("for example: --lens 35mm --sensor 24.9x18.7mm")
	}
	l := preset.Lens{Focal: focal, Width: sensor[0] / 1000, Height: sensor[1] / 1000, Squeeze: k.c.Float64("squeeze"), Magnification: k.c.Float64("magnification"), WidthPx: k.c.Float64("pixels")}
	if k.c.IsSet("pupil") {
		p, err := k.measure("pupil", unit.Length, "mm")
		if err != nil {
			return err
		}
		l.Pupil = &p
	}
	s, err := preset.See(sheet, r, t, l)
	if err != nil {
		return usage("--lens: %v", err)
	}
	ans.Sight = &s
	return nil
}

// printFit prints the answer: what fits, the marks, then what leaves least room.
func (k fitRun) printFit(title string, ans fitAnswer) {
	rep := ans.Report
	k.printf("%s: %s\n", k.paint.bold(title), k.fitVerdict(ans))
	if len(ans.WhatIf) > 0 {
		k.write(wrap(safe.Text(strings.Join(ans.WhatIf, ", ")), "  ", k.wide))
	}
	all := k.c.Bool("all")
	asked := ans.Efforts != nil || ans.Sight != nil // what was asked for comes instead
	k.printf("\n%s", hung("Payload", k.payloadWords(ans), k.wide))
	k.write(hung("Marks", k.markLine(ans.answers, ans.sheet), k.wide))
	for _, u := range ans.Unknown {
		k.write(hung("Unknown", safe.Text(u), k.wide))
	}
	for _, o := range ans.Overlap {
		k.write(hung("Overlap", safe.Line(o.Words(k.units().m))+"; check both sizes and where they sit", k.wide))
	}
	if all || !asked {
		k.printClearances(ans, all)
	}
	if k.c.Bool("why") {
		k.printFitWhy(ans)
	}
	if all {
		k.printAll(ans)
	}
	k.printEfforts(ans)
	k.printSight(ans)
	k.printf("\n")
	k.write(wrap("Caution: power off before you move the camera on its plate. Hold it before you open a clamp.", "", k.wide))
	rig := k.args[0]
	switch {
	case rep.Grade == fit.Over:
		if slot := ans.offender(); slot != "" && len(ans.WhatIf) == 0 {
			k.printf("Try: rigkeep fit %s --without %s\n", rig, slot)
		}
	case ans.ends() != nil:
	case ans.answers != nil && ans.answers[0].Found == nil && len(ans.WhatIf) == 0:
		k.printf("Try: rigkeep balance %s\n", rig)
	case len(ans.WhatIf) == 0:
		k.printf("Try: rigkeep start %s\n", rig)
	}
	if !all && !k.c.Bool("why") {
		more := "Reasons: --why   Overhang and inertia: --all"
		if len(more) > k.wide {
			more = "Reasons: --why\nOverhang and inertia: --all"
		}
		k.printf("%s\n", more)
	}
}

// worst is the item that decides a grade, nil for none.
func (a fitAnswer) worst(grade fit.Grade) (worst *fit.Item) {
	for _, list := range [][]fit.Item{a.Report.Payload, a.Report.Balanced} {
		for i, it := range list {
			if it.Grade == grade && (worst == nil || it.Margin < worst.Margin) {
				worst = &list[i]
			}
		}
		if worst != nil {
			return worst
		}
	}
	return nil
}

// offender is the slot of the part that is furthest past its limit, where it can be left
// off: one of its kind, that carries nothing and is not what the build is about.
func (a fitAnswer) offender() string {
	it := a.worst(fit.Over)
	if it == nil || it.Part == "" {
		return ""
	}
	slot, _, _ := strings.Cut(it.Part, ": ")
	rest, err := preset.WithoutPart(a.parts, slot)
	if err != nil || len(rest) == 0 || slot == "body" || slot == "lens" {
		return ""
	}
	for _, p := range rest {
		if strings.HasPrefix(p.On, slot+".") {
			return ""
		}
	}
	return slot
}

// hung writes a label and its text, the text wrapped behind the label.
func hung(label, text string, wide int) string {
	const col = 11
	lines := strings.Split(strings.TrimSuffix(wrap(text, "", wide-col), "\n"), "\n")
	return fmt.Sprintf("%-*s%s\n", col, label, strings.Join(lines, "\n"+strings.Repeat(" ", col)))
}

// fitVerdict is the answer in a few words, with what decides it.
func (k fitRun) fitVerdict(ans fitAnswer) string {
	rep := ans.Report
	over := func(grade fit.Grade) string {
		if it := ans.worst(grade); it != nil {
			return k.overWords(*it)
		}
		return ""
	}
	switch {
	case rep.Grade == fit.Over:
		return k.paint.bad("DOES NOT FIT") + " (" + over(fit.Over) + ")"
	case ans.ends() != nil:
		a := ans.ends()
		return k.paint.bad("DOES NOT BALANCE") + fmt.Sprintf(" (%s ends %s mm before)", safe.Line(a.Adjustment.Name), wholeMM(a.Out))
	case len(rep.Balanced) == 0 || ans.sheet.Box == nil:
		return k.paint.good("FITS BY MASS") + ", clearance unknown"
	case rep.Grade == fit.Tight:
		return k.paint.warn("FITS, TIGHT") + " (" + over(fit.Tight) + ")"
	}
	return k.paint.good("FITS")
}

// overWords says how far an item is over its limit, or how near to it.
func (k fitRun) overWords(it fit.Item) string {
	u := k.units()
	switch {
	case it.What == "payload" && it.Margin < 0:
		return u.kg(-it.Margin) + " too heavy"
	case it.What == "payload":
		return u.kg(it.Margin) + " left of the payload"
	case it.What == "minimum payload":
		return u.kg(-it.Margin) + " too light"
	case it.Margin >= 0:
		return fmt.Sprintf("%s, %s left", clearName(it.What), k.length(it.Margin, roundDown))
	}
	how := map[string]string{"top": "high", "bottom": "low", "front": "long", "back": "long", "left": "wide", "right": "wide", "length": "much", "width": "much", "height": "much"}[it.What]
	return fmt.Sprintf("%s, %s too %s", clearName(it.What), k.length(-it.Margin, roundUp), firstOf(how, "far"))
}

// clearName is a clearance in words: "swept about tilt" is one of turning.
func clearName(what string) string { return strings.Replace(what, "swept about", "turning about", 1) }

// length writes a length in the library's unit, mm without decimals, rounded by round.
func (k fitRun) length(m float64, round func(float64) float64) string {
	if u := k.units(); u.length != "mm" {
		return u.m(m)
	}
	return fmt.Sprintf("%.0f mm", round(m*1000)+0)
}

// roundDown and roundUp round to whole numbers, past the rounding of a computed one.
func roundDown(v float64) float64 { return math.Floor(v + 1e-6) }
func roundUp(v float64) float64   { return math.Ceil(v - 1e-6) }

func wholeMM(m float64) string { return fmt.Sprintf("%.0f", math.Round(m*1000)+0) }

func (k fitRun) payloadWords(ans fitAnswer) string {
	u, s := k.units(), ans.sheet
	return u.kg(ans.Report.Properties.Mass) + " of " + u.payload(s.PayloadMin, s.PayloadMax)
}

// printClearances lists what is left on each side and about each axis, tightest first
// in each half; only what fails, where something does and not all is asked for.
func (k fitRun) printClearances(ans fitAnswer, all bool) {
	items := ans.Report.Balanced
	if len(items) == 0 {
		return
	}
	known, fails := 0, false
	for _, it := range items {
		if it.Grade != fit.Unknown {
			known++
		}
		fails = fails || it.Grade == fit.Over
	}
	if known == 0 {
		k.write(hung("Clearance", (&domain.Unknown{Needs: "the clear space of the gimbal", Key: "space.box_mm", Do: "from its manual or a ruler"}).Error(), k.wide))
		return
	}
	unit := k.units().length
	type line struct{ name, left, part string }
	var rows []line
	half := func(list []fit.Item) {
		list = slices.DeleteFunc(slices.Clone(list), func(it fit.Item) bool {
			return it.Grade == fit.Unknown || fails && !all && it.Grade != fit.Over
		})
		slices.SortStableFunc(list, func(a, b fit.Item) int { return cmp.Compare(a.Margin, b.Margin) })
		for _, it := range list {
			l := line{clearName(it.What), strings.TrimSuffix(k.length(it.Margin, roundDown), " "+unit), it.Part}
			if _, name, ok := strings.Cut(l.part, ": "); ok {
				l.part = name
			}
			if n := len(rows); n > 0 && rows[n-1].left == l.left && rows[n-1].part == l.part && !strings.HasPrefix(l.name, "turning") {
				rows[n-1].name += ", " + l.name
				continue
			}
			rows = append(rows, l)
		}
	}
	turning := slices.IndexFunc(items, func(it fit.Item) bool { return strings.HasPrefix(it.What, "swept") })
	half(items[:turning])
	half(items[turning:])
	t := table{right: map[int]bool{1: true}}
	for _, l := range rows {
		t.add(fmt.Sprintf("%-18s", l.name), fmt.Sprintf("%4s", l.left), safe.Line(l.part))
	}
	k.printf("\n%s\n", k.paint.bold(fmt.Sprintf("%-26s  closest part", "Clearance at balance, "+unit)))
	k.write(t.render(k.paint, "  ", k.wide))
	if it := ans.worst(fit.Over); it != nil && it.Unit == "m" && it.Margin > -rulerError {
		k.write(wrap("Measure it on the build: sizes taken with a ruler, and added up, may be 5 mm off.", "  ", k.wide))
	}
	if s := ans.sheet; s.Box != nil && s.BoxCentre == nil {
		k.write(wrap("Only the size of the clear space is known, not the axis centre in it (space.centre_mm).", "  ", k.wide))
	}
}

// rulerError (m) is how far the sizes of a few parts may be off together (common practice, no
// source).
const rulerError = 0.005

// printFitWhy says what the marks rest on, and each clearance in words.
func (k fitRun) printFitWhy(ans fitAnswer) {
	k.printf("\n%s\n", k.paint.bold("Marks"))
	for _, a := range ans.answers {
		k.write(wrap(safe.Text(markRun(k).markWhy(a)), "  ", k.wide))
	}
	if len(ans.answers) == 0 {
		k.write(wrap("The gimbal sheet lists no adjustment, so the build is taken as balanced. Add the slides that have a scale as [[adjustment]].", "  ", k.wide))
	} else {
		k.write(wrap(fmt.Sprintf("Intervals hold 90 %%. Taken: %.0f mm for the centre of gravity of each build, %.0f mm for the zero of each unit, %.1f mm for a reading.", balance.RigError*1000, balance.UnitError*1000, balance.ReadingError*1000), "  ", k.wide))
	}
	k.printf("\n%s\n", k.paint.bold("Clearance"))
	for _, list := range [][]fit.Item{ans.Report.Payload, ans.Report.Balanced} {
		for _, it := range list {
			k.write(wrap(safe.Line(it.Words), "  ", k.wide))
		}
	}
	for _, a := range ans.Report.Properties.Assumed {
		k.write(wrap("Assumed: "+safe.Line(a.String()), "  ", k.wide))
	}
}

// printAll adds what a technician rarely needs.
func (k fitRun) printAll(ans fitAnswer) {
	if len(ans.Report.Overhang) > 0 {
		k.printf("\n%s\n", k.paint.bold("Overhang"))
	}
	for _, it := range ans.Report.Overhang {
		k.write(wrap(safe.Line(it.Words), "  ", k.wide))
	}
	if len(ans.Motors) > 0 {
		k.printMotors(ans)
	}
	for _, a := range ans.Report.Properties.Assumed {
		k.write(wrap("Assumed: "+safe.Line(a.String()), "  ", k.wide))
	}
}

func (k fitRun) printMotors(ans fitAnswer) {
	k.printf("\n")
	t := table{head: true, right: map[int]bool{1: true, 3: true, 4: true}}
	t.add("Inertia, kg·m²", "max", "at", "min", "gimbal alone", "gravity, Nm/rad")
	for _, a := range schema.Axes {
		m := ans.Motors[a.String()]
		at := "any"
		if m.Worst-m.Least > 1e-6*m.Worst {
			at = fmt.Sprintf("%.0f° %s", math.Abs(m.WorstAt), map[bool]string{true: "down", false: "up"}[m.WorstAt > 0])
		}
		g := "none"
		if lo, hi := m.Gravity[0], m.Gravity[1]; math.Max(-lo, hi) >= 5e-4 {
			g = fmt.Sprintf("%+.3f to %+.3f", lo, hi)
		}
		own := fmt.Sprintf("%.5f", m.Own)
		if !ans.sheet.Axes[a].MovingKnown {
			own = "unknown"
		}
		t.add("  "+a.String(), fmt.Sprintf("%.5f", m.Worst), at, fmt.Sprintf("%.5f", m.Least), own, g)
	}
	k.write(t.render(k.paint, "", k.wide))
	k.write(wrap("On this gimbal "+ans.Raises+".", "", k.wide))
}

func (k fitRun) printEfforts(ans fitAnswer) {
	if ans.Efforts == nil {
		return
	}
	k.printf("\n%s\n", k.paint.bold("resting effort"))
	for _, h := range ans.Efforts {
		k.write(wrap(safe.Text(h.Point+": "+h.Words), "  ", k.wide))
		var cost []string
		if h.Current != nil {
			cost = append(cost, fmt.Sprintf("%s A, %s W of motor heat", schema.Sig(*h.Current, 3), schema.Sig(*h.Heat, 3)))
		}
		if h.StandingDeg != nil && *h.StandingDeg > 0 {
			cost = append(cost, fmt.Sprintf("constant error %s° at this tune's stiffness", schema.Sig(*h.StandingDeg, 2)))
		}
		if len(cost) > 0 {
			k.write(wrap("- holding it: "+strings.Join(cost, "; "), "  ", k.wide))
		}
	}
	switch {
	case ans.Draw == nil:
		k.write(wrap("Battery cost "+(&domain.Unknown{Needs: "each motor's constant and winding", Key: "torque_constant_nm_a, winding_ohm", Do: "from the motor maker's data sheet, or winding_ohm with an ohmmeter at the unplugged motor"}).Error()+".", "  ", k.wide))
		return
	case ans.Draw.Share > 0:
		k.write(wrap(fmt.Sprintf("Holding costs %s W, %s %% of the battery per hour.", schema.Sig(ans.Draw.Power, 3), schema.Sig(ans.Draw.Share*100, 2)), "  ", k.wide))
	default:
		k.write(wrap(fmt.Sprintf("Holding adds %s W to the battery's load.", schema.Sig(ans.Draw.Power, 3)), "  ", k.wide))
	}
	if len(ans.NoMotor) > 0 {
		k.write(wrap("Not counted, for want of a torque constant and winding in the sheet: "+strings.Join(ans.NoMotor, ", "), "  ", k.wide))
	}
}

func (k fitRun) printSight(ans fitAnswer) {
	s := ans.Sight
	if s == nil {
		return
	}
	u := k.units()
	k.printf("\n%s\n", k.paint.bold("View through the lens"))
	t := table{}
	t.add("field of view", fmt.Sprintf("%s° across, %s° up and down, %s° corner to corner", schema.Sig(s.FOV.Across, 3), schema.Sig(s.FOV.UpDown, 3), schema.Sig(s.FOV.Corners, 3)))
	if s.PixelDeg != nil {
		t.add("one pixel", fmt.Sprintf("%.4f° pan, tilt, %.4f° roll (corner): the steadiness needed", *s.PixelDeg, *s.RollPixelDeg))
	}
	t.add("1 % of the width", fmt.Sprintf("%.3f° of pan or tilt", s.PercentDeg))
	if l := s.Limits; l == nil {
		t.add("tilt limits", (&domain.Unknown{Needs: "what can come into view", Key: "[[obstacle]]", Do: "measure the gimbal's parts in front of the lens from the axis centre"}).Error())
	} else {
		side := func(way string, limit float64, by string) {
			if by == "" {
				t.add("tilt limit "+way, fmt.Sprintf("%.0f° (full travel; nothing enters the view)", limit))
			} else {
				t.add("tilt limit "+way, fmt.Sprintf("%s°; beyond it %s is in view", schema.Sig(limit, 3), safe.Line(by)))
			}
		}
		if len(l.Always) > 0 {
			t.add("in frame", "in view even when level: "+safe.Line(strings.Join(l.Always, ", ")))
		}
		side("up", l.Up, l.UpBy)
		side("down", l.Down, l.DownBy)
	}
	k.write(t.render(k.paint, "  ", k.wide))
	if l := s.Limits; l != nil {
		for _, b := range l.Beyond {
			k.write(wrap(k.paint.warn("warning: ")+safe.Text(b), "  ", k.wide))
		}
		if s.PupilGuess != "" {
			k.write(wrap("assumed: "+safe.Text(s.PupilGuess)+", "+u.m(s.Pupil)+" ahead of the axis centre; --pupil says otherwise", "  ", k.wide))
		}
	}
}
