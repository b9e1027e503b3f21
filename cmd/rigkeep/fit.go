package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func fitVerb() verb {
	return verb{
		name: "fit", args: "RIG", short: "does the package fit, and where does it start to balance",
		long:    "Holds the build against the gimbal's payload, clear box and clear radii, and says how to move it on its plate so that its centre of gravity comes onto the axes. --without and --add answer the phone call before a booking. Exit 1 when something does not fit.",
		example: "rigkeep fit a-cam-prime\nrigkeep fit a-cam-prime --without monitor --on skiff-small",
		flags: []cli.Flag{
			&cli.StringSliceFlag{Name: "without", Usage: "leave out the part with this `SLOT` or name; may be repeated"},
			&cli.StringSliceFlag{Name: "add", Usage: "add the parts of this build sheet `FILE`; may be repeated"},
			&cli.StringFlag{Name: "on", Usage: "try it on another `GIMBAL`"},
		},
		pages: true, reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runFit,
	}
}

func runFit(k *call) error {
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
	what := []string{}
	for _, name := range k.c.StringSlice("without") {
		if r.Parts, err = preset.WithoutPart(r.Parts, name); err != nil {
			return usage("%s", err)
		}
		what = append(what, "without "+name)
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
		what = append(what, "with the parts of "+f)
	}
	rep, err := fit.Check(r.MassParts(), preset.FitLimits(sheet), mass.Options{})
	if err != nil {
		return err
	}
	if k.json() {
		if err := k.encode(struct {
			Format int        `json:"format"`
			Rig    string     `json:"rig"`
			Gimbal string     `json:"gimbal"`
			WhatIf []string   `json:"what_if"`
			Report fit.Report `json:"report"`
		}{1, d.Rig.Fingerprint, sheet.Slug, what, rep}); err != nil {
			return err
		}
	} else {
		printFit(k, d.Label()+" on "+sheet.Slug, what, rep)
	}
	if rep.Grade == fit.Over {
		return errFindings
	}
	return nil
}

func printFit(k *call, title string, what []string, rep fit.Report) {
	u := k.units()
	words := map[fit.Grade]string{fit.Fits: k.paint.good("fits"), fit.Tight: k.paint.warn("tight"), fit.Over: k.paint.bad("DOES NOT FIT"), fit.Unknown: "not known: the sheet does not say"}
	k.printf("%s: %s\n", k.paint.bold(title), words[rep.Grade])
	if len(what) > 0 {
		k.write(wrap(strings.Join(what, ", "), "  ", k.wide))
	}
	p := rep.Properties
	k.printf("  mass %s, centre of gravity %s forward, %s left, %s up of the axes\n", u.kg(p.Mass), u.m(p.CG[0]), u.m(p.CG[1]), u.m(p.CG[2]))
	section := func(name string, items []fit.Item) {
		if len(items) == 0 {
			return
		}
		k.printf("\n%s\n", k.paint.bold(name))
		t := table{}
		for _, it := range items {
			t.add(it.What, it.Grade.String(), it.Words)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	section("payload", rep.Payload)
	section("as it is placed now", rep.Placed)
	k.printf("\n%s\n", k.paint.bold("where it starts to balance"))
	k.write(wrap(rep.Plate.Words, "  ", k.wide))
	section("after that move", rep.Balanced)
	for _, a := range p.Assumed {
		k.write(wrap("assumed: "+a.String(), "  ", k.wide))
	}
	k.printf("\n")
	k.write(wrap("Caution: power off before moving the camera on its plate, and hold it before loosening a clamp.", "", k.wide))
}
