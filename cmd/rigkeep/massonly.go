package main

import (
	"fmt"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/library"
)

// jsonMassOnly is what rig show says of a build of which a balance point is unknown.
type jsonMassOnly struct {
	Format  int     `json:"format"`
	Rig     string  `json:"rig"`
	Alias   string  `json:"alias"`
	Gimbal  string  `json:"gimbal"`
	Mass    float64 `json:"mass_kg"`
	Unknown string  `json:"unknown"` // what is needed to say more
}

func (k buildRun) showMass(d *library.Loaded, unknown error) error {
	u := k.units()
	if k.json() {
		return k.encode(jsonMassOnly{1, d.Rig.ID, d.Rig.Alias, d.Rig.Gimbal, d.Rig.Mass(), unknown.Error()})
	}
	k.printf("%s  %s on %s\n", k.paint.bold(d.Rig.Alias), d.Rig.ID, d.Rig.Gimbal)
	if d.Rig.Note != "" {
		k.write(wrap(safe.Text(d.Rig.Note), "  ", k.wide))
	}
	k.writeParts(d.Rig, u)
	t := table{}
	t.add("mass", u.kg(d.Rig.Mass())+k.weighed(d.Rig, u))
	t.add("centre of gravity", unknown.Error())
	k.printf("\n")
	k.write(t.render(k.paint, "  ", k.wide))
	return nil
}

// writeParts lists the parts of a build, each with its mount or place.
func (k buildRun) writeParts(r preset.Rig, u units) {
	t := table{head: true, right: map[int]bool{2: true}}
	t.add("part", "name", "mass", "sits on", "balances at, "+u.length, "shape")
	for _, x := range r.Parts {
		shape, at := x.Shape, "unknown"
		if !x.PlaceUnknown {
			at = u.place(&x.Place)
		}
		switch {
		case shape == "" && x.PlaceUnknown:
			shape = "size unknown"
		case shape == "":
			shape = "size estimated from mass"
		}
		t.add(x.Slot, x.Name, u.kg(x.Mass), x.SitsOn, at, shape)
	}
	t.dropEmpty()
	k.write(t.render(k.paint, "  ", k.wide))
}

// weighed holds a weighed total against the sum of the parts.
func (k buildRun) weighed(r preset.Rig, u units) string {
	d, off := r.WeighedOff()
	switch {
	case r.Weighed == 0:
		return ""
	case off:
		return fmt.Sprintf("; weighed %s: find the %.0f g", u.kg(r.Weighed), d*1000)
	}
	return "; weighed " + u.kg(r.Weighed)
}
