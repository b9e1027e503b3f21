package main

import (
	"bytes"
	"cmp"
	"slices"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/card"
	"rigkeep/preset"
	"rigkeep/repo/library"
)

func cardVerb() command {
	return command{
		name: "card", args: "RIG[/TUNE]…", short: "the card of a rig on one sheet, for paper or a phone",
		long:    "Writes the values, follow styles, proof and drawing of each rig as it lies here now. Several rigs have a contents first and a sheet each. The code on the card holds the command that shows the present state. The page goes to RIG-card.html, or where --html says.",
		example: "rigkeep card a-cam-prime\nrigkeep card a-cam-prime b-cam-85 --html cards.html --unit QL-0044",
		flags:   []cli.Flag{&cli.StringFlag{Name: "html", Usage: "write the page to this `FILE`, - for standard output"}, &cli.StringFlag{Name: "unit", Usage: "the `UNIT` it goes out on; else that of the next job"}},
		reads:   true, minArgs: 1, maxArgs: -1, argKind: []string{"rig"}, run: runCard,
	}
}

func runCard(k *invocation) error {
	s, err := pagesRun{k}.newSite(nil)
	if err != nil {
		return err
	}
	c := card.Card{Revision: s.of.Revision, When: k.Now(), Tool: tool(), Library: s.of.Library, Zone: s.zone, Length: s.lim.drawn()}
	var names []string
	for _, name := range k.args {
		ref, err := library.ParseRef(name)
		if err != nil {
			return err
		}
		d, err := k.lib.Names().Load(name, false)
		if err != nil {
			return err
		}
		if slices.Contains(names, d.Rig.ID+"/"+ref.Tune) {
			return usage("%s is named twice", name)
		}
		names = append(names, d.Rig.ID+"/"+ref.Tune)
		r := card.Rig{Rig: d.Rig, Sheet: d.Sheet, Unit: k.c.String("unit")}
		if _, pin, ok := s.nextPin(d.Rig.ID); ok {
			r.Unit = cmp.Or(r.Unit, pin.Unit)
		}
		r.Marks, r.Move = s.cardMarks(d, r.Unit)
		r.Photos = s.photos(d.Rig.ID, calledRig(d), 1)
		for _, j := range s.jobs {
			if slices.ContainsFunc(j.Pins, func(p preset.Pin) bool { return p.Rig == d.Rig.ID }) {
				r.Jobs = append(r.Jobs, j)
			}
		}
		if d.Tune != nil {
			t := card.Tune{Name: d.Ref.Tune, Tune: *d.Tune}
			revs, err := s.revisions(d, library.RigRow{Fingerprint: d.Rig.ID, Alias: d.Rig.Alias, Gimbal: d.Rig.Gimbal})
			if err != nil {
				return err
			}
			t.Proved = provedValues(revs, d.Tune)
			r.Tunes = []card.Tune{t}
		}
		c.Rigs = append(c.Rigs, r)
	}
	var b bytes.Buffer
	if err := card.Write(&b, k.cat, c); err != nil {
		return err
	}
	file := cmp.Or(k.c.String("html"), c.Rigs[0].Rig.Alias+"-card.html")
	if err := k.writeOut(file, b.Bytes()); err != nil {
		return err
	}
	if file == "-" {
		return nil
	}
	if k.json() {
		return k.encode(struct {
			Format int    `json:"format"`
			File   string `json:"file"`
			Bytes  int    `json:"bytes"`
		}{1, file, b.Len()})
	}
	k.say("wrote %s", file)
	return nil
}
