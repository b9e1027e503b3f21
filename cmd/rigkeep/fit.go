package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func fitVerb() command {
	return command{
		name: "fit", args: "RIG[/TUNE]", short: "does the package fit, and where does it start to balance",
		long: "Holds the build against the gimbal's payload, clear box and clear radii, says how to move it on its plate so that its centre of gravity comes onto the axes, and what each motor turns. --without and --add answer the phone call before a booking. " +
			"--effort reads the resting efforts that the controller shows: how far off balance, which way, and what holding costs. --lens and --sensor say what the lens sees, how steady the head must hold for it, and the tilt limits that keep the gimbal's own parts out of frame. " +
			"Exit 1 when something does not fit or cannot be balanced.",
		example: "rigkeep fit a-cam-prime\nrigkeep fit a-cam-prime --without monitor --on skiff-small\nrigkeep fit a-cam-prime --effort roll=2,tilt=-6/-3 --battery 98Wh\nrigkeep fit a-cam-prime --lens 35mm --sensor 24.9x18.7mm --pixels 6000",
		flags: []cli.Flag{
			&cli.StringSliceFlag{Name: "without", Usage: "leave out the part with this `SLOT` or name; may be repeated"},
			&cli.StringSliceFlag{Name: "add", Usage: "add the parts of this build sheet `FILE`; may be repeated"},
			&cli.StringFlag{Name: "on", Usage: "try it on another `GIMBAL`"},
			&cli.StringFlag{Name: "effort", Usage: "resting `EFFORTS` in percent, as tilt=-3 or, from either side, tilt=-5/-1; with commas for several axes"},
			&cli.StringFlag{Name: "battery", Usage: "`ENERGY` of the battery, for what holding costs of it: 98Wh"},
			&cli.StringFlag{Name: "lens", Usage: "focal `LENGTH`"},
			&cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"},
			&cli.Float64Flag{Name: "pixels", Usage: "`WIDTH` of the recorded frame in pixels"},
			&cli.Float64Flag{Name: "squeeze", Usage: "anamorphic `FACTOR`, 1 for a spherical lens", Value: 1},
			&cli.Float64Flag{Name: "magnification", Usage: "`RATIO` of image to subject in focus, 0 at infinity"},
			&cli.StringFlag{Name: "pupil", Usage: "`DISTANCE` ahead of where the axes cross from which the lens sees; else the middle of the build's lens"},
		},
		pages: true, reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runFit,
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
	Left    []preset.Holding    `json:"left_over"` // where the plate's travel ends first
	Motors  map[string]fitMotor `json:"motors"`
	Raises  string              `json:"raises"`
	Efforts []preset.Holding    `json:"efforts,omitempty"`
	Draw    *balance.Draw       `json:"added_draw,omitempty"`
	NoMotor []string            `json:"draw_unknown,omitempty"`
	Sight   *preset.Sight       `json:"lens,omitempty"`
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
	d, err := k.lib.Load(k.args[0], false)
	if err != nil {
		return err
	}
	r, sheet := d.Rig, d.Sheet
	if g := k.c.String("on"); g != "" {
		if sheet, err = k.lib.Sheet("", g); err != nil {
			return err
		}
	}
	ans := fitAnswer{Format: 1, Rig: d.Rig.ID, Gimbal: sheet.Slug, WhatIf: []string{}, Motors: map[string]fitMotor{}, Raises: sheet.Raises()}
	for _, name := range k.c.StringSlice("without") {
		if r.Parts, err = preset.WithoutPart(r.Parts, name); err != nil {
			return usage("%s", err)
		}
		ans.WhatIf = append(ans.WhatIf, "without "+name)
	}
	for _, f := range k.c.StringSlice("add") {
		name, data, err := k.readInput(f)
		if err != nil {
			return err
		}
		doc, err := library.ParseAs(k.cat, name, schema.KindRig, data, nil)
		if err != nil {
			return err
		}
		r.Parts = append(append([]preset.Part(nil), r.Parts...), preset.DecodeRig("", doc.Tree()).Parts...)
		ans.WhatIf = append(ans.WhatIf, "with the parts of "+f)
	}
	lim := preset.FitLimits(sheet)
	u := k.units()
	lim.Length, lim.Mass = u.m, u.kg
	if u.length != "mm" {
		lim.Slide = u.m
	}
	if ans.Report, err = fit.Check(r.MassParts(), lim, mass.Options{}); err != nil {
		return err
	}
	if ans.Left, err = preset.ResidualEffort(sheet, r, ans.Report.Plate); err != nil {
		return err
	}
	js, err := r.Inertias(sheet, d.Tune)
	if err != nil {
		return err
	}
	for _, a := range schema.Axes {
		g, err := preset.GravityStiffness(sheet, d.Tune, r, a)
		if err != nil {
			return err
		}
		ans.Motors[a.String()] = fitMotor{js[a].Max, js[a].MaxAt * 180 / math.Pi, js[a].Min, js[a].Level, js[a].Own, [2]float64{g.Min, g.Max}}
	}
	if err := k.fitEfforts(&ans, sheet, r, d.Tune); err != nil {
		return err
	}
	if err := k.fitLens(&ans, sheet, r, d.Tune); err != nil {
		return err
	}
	if k.json() {
		ans.View = jsonFitOf(ans.Report)
		if err := k.encode(ans); err != nil {
			return err
		}
	} else {
		printFit(k, d.Label()+" on "+sheet.Slug, ans)
	}
	if ans.Report.Grade == fit.Over || slices.ContainsFunc(ans.Left, func(h preset.Holding) bool { return h.Verdict == balance.Rebalance }) {
		return errFindings
	}
	return nil
}

// fitEfforts reads --effort and --battery.
func (k *invocation) fitEfforts(ans *fitAnswer, sheet *schema.Sheet, r preset.Rig, t *preset.Tune) error {
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
	efforts, err := axisReadings(text)
	if err != nil {
		return usage("--effort: %v", err).hinted("for example: --effort roll=2,tilt=-5/-1 (percent; two readings are from either side)")
	}
	for a, e := range efforts {
		if len(e) > 2 {
			return usage("--effort: %s has %d readings", a, len(e)).hinted("one, or two from either side: tilt=-5/-1")
		}
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
func (k *invocation) fitLens(ans *fitAnswer, sheet *schema.Sheet, r preset.Rig, t *preset.Tune) error {
	focal, err := k.measure("lens", unit.Length, "mm")
	if err != nil {
		return err
	}
	sensor, err := k.sensor()
	if err != nil {
		return err
	}
	if k.c.IsSet("lens") && !(focal > 0 && focal <= 100) {
		return usage("--lens: %q is no focal length; want one above 0 and up to 100 m", k.c.String("lens")).hinted("for example: --lens 35mm")
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

func printFit(k *invocation, title string, ans fitAnswer) {
	u, rep := k.units(), ans.Report
	words := map[fit.Grade]string{fit.Fits: k.paint.good("fits"), fit.Tight: k.paint.warn("tight"), fit.Over: k.paint.bad("DOES NOT FIT"), fit.Unknown: "not known: the sheet does not say"}
	k.printf("%s: %s\n", k.paint.bold(title), words[rep.Grade])
	if len(ans.WhatIf) > 0 {
		k.write(wrap(safe.Text(strings.Join(ans.WhatIf, ", ")), "  ", k.wide))
	}
	p := rep.Properties
	k.write(wrap(fmt.Sprintf("mass %s, centre of gravity %s forward, %s left, %s up of the axes", u.kg(p.Mass), u.m(p.CG[0]), u.m(p.CG[1]), u.m(p.CG[2])), "  ", k.wide))
	section := func(name string, items []fit.Item) {
		if len(items) == 0 {
			return
		}
		k.printf("\n%s\n", k.paint.bold(name))
		t := table{}
		for _, it := range items {
			t.add(it.What, it.Grade.String(), safe.Line(it.Words))
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	section("payload", rep.Payload)
	section("as it is placed now", rep.Placed)
	k.printf("\n%s\n", k.paint.bold("where it starts to balance"))
	k.write(wrap(rep.Plate.Words, "  ", k.wide))
	for _, h := range ans.Left {
		k.write(wrap(h.Words, "  ", k.wide))
	}
	section("after that move", rep.Balanced)
	for _, it := range rep.Overhang {
		k.write(wrap(safe.Line(it.Words), "  ", k.wide))
	}
	k.printMotors(ans)
	k.printEfforts(ans)
	k.printSight(ans)
	if len(p.Assumed) > 0 {
		k.printf("\n")
	}
	for _, a := range p.Assumed {
		k.write(wrap("assumed: "+safe.Line(a.String()), "  ", k.wide))
	}
	k.printf("\n")
	k.write(wrap("Caution: power off before moving the camera on its plate, and hold it before loosening a clamp.", "", k.wide))
}

func (k *invocation) printMotors(ans fitAnswer) {
	k.printf("\n%s\n", k.paint.bold("what each motor turns"))
	t := table{head: true, right: map[int]bool{1: true, 2: true, 3: true, 4: true}}
	t.add("axis", "worst, kg·m²", "at tilt", "least", "the gimbal's", "gravity adds, Nm/rad")
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
		t.add(a.String(), fmt.Sprintf("%.5f", m.Worst), at, fmt.Sprintf("%.5f", m.Least), fmt.Sprintf("%.5f", m.Own), g)
	}
	k.write(t.render(k.paint, "  ", k.wide))
	k.write(wrap("Over the tilt range, products of inertia counted; gravity below zero is top-heavy. On this gimbal "+ans.Raises+".", "  ", k.wide))
}

func (k *invocation) printEfforts(ans fitAnswer) {
	if ans.Efforts == nil {
		return
	}
	k.printf("\n%s\n", k.paint.bold("resting effort"))
	for _, h := range ans.Efforts {
		k.write(wrap(safe.Text(h.Point+": "+h.Words), "  ", k.wide))
		var cost []string
		if h.Current != nil {
			cost = append(cost, fmt.Sprintf("%.3g A and %.3g W of heat in its winding", *h.Current, *h.Heat))
		}
		if h.StandingDeg != nil && *h.StandingDeg > 0 {
			cost = append(cost, fmt.Sprintf("%.2g° out of place for good at the tune's stiffness (no integral term)", *h.StandingDeg))
		}
		if len(cost) > 0 {
			k.write(wrap("- holding it: "+strings.Join(cost, "; "), "  ", k.wide))
		}
	}
	switch {
	case ans.Draw == nil:
		k.write(wrap("What holding draws from the battery needs motor.*.torque_constant_nm_a and winding_ohm in the sheet.", "  ", k.wide))
		return
	case ans.Draw.Share > 0:
		k.write(wrap(fmt.Sprintf("Holding adds %.3g W to the battery's load, %.2g %% of it an hour.", ans.Draw.Power, ans.Draw.Share*100), "  ", k.wide))
	default:
		k.write(wrap(fmt.Sprintf("Holding adds %.3g W to the battery's load.", ans.Draw.Power), "  ", k.wide))
	}
	if len(ans.NoMotor) > 0 {
		k.write(wrap("Not counted, for want of a torque constant and winding in the sheet: "+strings.Join(ans.NoMotor, ", "), "  ", k.wide))
	}
}

func (k *invocation) printSight(ans fitAnswer) {
	s := ans.Sight
	if s == nil {
		return
	}
	u := k.units()
	k.printf("\n%s\n", k.paint.bold("through the lens"))
	t := table{}
	t.add("field of view", fmt.Sprintf("%.1f° across, %.1f° up and down, %.1f° corner to corner", s.FOV.Across, s.FOV.UpDown, s.FOV.Corners))
	if s.PixelDeg != nil {
		t.add("one pixel", fmt.Sprintf("%.4f° of pan or tilt, %.4f° of roll at the corner: how steady it must hold", *s.PixelDeg, *s.RollPixelDeg))
	}
	t.add("1 % of the width", fmt.Sprintf("%.3f° of pan or tilt", s.PercentDeg))
	if l := s.Limits; l == nil {
		t.add("tilt limits", "the sheet lists no obstacle, so nothing is known to come into frame")
	} else {
		side := func(way string, limit float64, by string) {
			if by == "" {
				t.add("tilt limit "+way, fmt.Sprintf("%.0f°, the gimbal's own travel: nothing comes into frame before", limit))
			} else {
				t.add("tilt limit "+way, fmt.Sprintf("%.1f°, then %s comes into frame", limit, safe.Line(by)))
			}
		}
		if len(l.Always) > 0 {
			t.add("in frame", "at level already, whatever the limit: "+safe.Line(strings.Join(l.Always, ", ")))
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
			k.write(wrap("assumed: "+safe.Text(s.PupilGuess)+", "+u.m(s.Pupil)+" ahead of where the axes cross; --pupil says otherwise", "  ", k.wide))
		}
	}
}
