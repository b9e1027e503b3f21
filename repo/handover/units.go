package handover

import (
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// A unit goes along when a job of the handover pins one of its tunes to it, when a tune names
// it, or when one of its memories holds a tune. Of its record go label, serials, firmware,
// memories, trouble note and the entries of these tunes. Where something else was put into a
// memory since, an entry says so without saying what: else it would seem to hold the tune still.
// Note and link address are the sender's own.

// gatherUnits adds the records of the units, without their history.
func (c *Contents) gatherUnits(l *library.Library, head store.Rev) error {
	for _, slug := range c.gimbals() {
		sheet, err := l.Sheet(head, slug)
		if err != nil {
			return err
		}
		for _, u := range sheet.Units {
			if !c.unitGoes(slug, u) {
				continue
			}
			doc, err := library.UnitDoc(l.Cat, library.UnitRef{Gimbal: slug, Unit: c.ownUnit(slug, u)})
			if err != nil {
				return err
			}
			c.Files[preset.UnitPath(slug, u.Serial)] = doc.Text()
			c.addUnit(slug, preset.UnitIn(l.Cat, doc))
		}
	}
	return nil
}

// gimbals are those of the rigs, each once, sorted.
func (c *Contents) gimbals() []string {
	var out []string
	for _, r := range c.Rigs {
		out = append(out, r.Gimbal)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// addUnit puts a unit on the sheet that goes along, where whoever shows a rig looks for it.
func (c *Contents) addUnit(gimbal string, u schema.Unit) {
	c.Units = append(c.Units, library.UnitRef{Gimbal: gimbal, Unit: u})
	for _, r := range c.Rigs {
		if r.Gimbal == gimbal {
			r.Sheet.Units = append(r.Sheet.Units, u)
			return // rigs of one gimbal share its sheet
		}
	}
}

// unitGoes reports whether a unit of a gimbal belongs into the handover.
func (c *Contents) unitGoes(gimbal string, u schema.Unit) bool {
	for _, r := range c.Rigs {
		if r.Gimbal != gimbal {
			continue
		}
		for _, t := range r.Tunes {
			if u.Is(t.Unit) {
				return true
			}
		}
		for _, j := range c.Jobs {
			if slices.ContainsFunc(j.Pins, func(p preset.Pin) bool { return u.Is(p.Unit) && r.is(p.Rig) }) {
				return true
			}
		}
	}
	return slices.ContainsFunc(u.Memory(), func(h schema.Held) bool { return c.has(gimbal, h) })
}

// is reports whether a fingerprint is that of the rig, now or before.
func (r Rig) is(fp string) bool { return fp == r.ID || slices.Contains(r.Was, fp) }

// has reports whether an entry of a unit is of a tune of the handover.
func (c *Contents) has(gimbal string, h schema.Held) bool {
	return h.Rig != "" && slices.ContainsFunc(c.Rigs, func(r Rig) bool {
		return r.Gimbal == gimbal && r.is(h.Rig) && (r.Whole || slices.ContainsFunc(r.Tunes, func(t Tune) bool { return t.Name == h.Tune }))
	})
}

// ownUnit takes out of a unit what does not concern the tunes. Revisions are those of the
// extracted history.
func (c *Contents) ownUnit(gimbal string, u schema.Unit) schema.Unit {
	out := schema.Unit{Serial: u.Serial, Label: u.Label, Was: u.Was, Firmware: u.Firmware, Memories: u.Memories, Trouble: u.Trouble}
	newest := u.Memory()
	for _, h := range u.Held {
		switch {
		case c.has(gimbal, h):
			h.Revision = string(c.History.Made(store.Rev(h.Revision)))
			out.Held = append(out.Held, h)
		case slices.ContainsFunc(newest, func(n schema.Held) bool { return n.Memory == h.Memory && n.At.Equal(h.At) && n.By == h.By }):
			out.Held = append(out.Held, schema.Held{At: h.At, By: h.By, Memory: h.Memory})
		}
	}
	return out
}

// checkUnit holds a unit that came in to what gatherUnits makes of one.
func (c *Contents) checkUnit(cat *schema.Catalogue, path string, p preset.Place, doc *file.Doc) error {
	if !slices.Contains(c.gimbals(), p.Gimbal) {
		return fmt.Errorf("%q belongs to none of its rigs", path)
	}
	u := preset.UnitIn(cat, doc)
	alien := func(key string) error {
		return doc.Fault(key, "it says more of the unit than concerns the rigs of this handover", "", "ask the sender for the file again")
	}
	switch {
	case u.Note != "":
		return alien("note")
	case u.Address != "" || u.DeviceID != "":
		return alien("link")
	case !c.unitGoes(p.Gimbal, u):
		return fmt.Errorf("%q belongs to none of its rigs", path)
	}
	for i, h := range u.Held {
		other := h.Rig == "" && h.Tune == "" && h.Revision == "" && h.Digest == "" && len(h.Values) == 0
		if !other && !c.has(p.Gimbal, h) {
			return alien(file.Join("held", i))
		}
		if _, known := c.History.Commit(store.Rev(h.Revision)); !known && h.Revision != "" {
			return doc.Fault(file.Join("held", i, "revision"), "it names a revision that is not in this handover", "", "ask the sender for the file again")
		}
		if !other && h.Digest != (preset.Tune{Values: h.Values}).Digest() {
			return doc.Fault(file.Join("held", i, "digest"), "it is not the digest of these values", "", "ask the sender for the file again")
		}
	}
	c.addUnit(p.Gimbal, u)
	return nil
}

// units merges the sender's unit records into those here, under the name that the gimbal has
// here: entries of what a unit held are united by moment and person; of the rest ours stays, and
// theirs fills what is empty.
func (x *accepting) units() error {
	if x.files == nil {
		return nil // there are conflicts
	}
	for _, u := range x.p.Units {
		gimbal := u.Gimbal
		if x.to != nil {
			if slices.ContainsFunc(x.a.Conversions, func(c Conversion) bool { return c.Unit != "" }) {
				x.note(u.Path(), "this unit stays out: its gimbal is another than "+x.to.Slug)
				continue
			}
			gimbal = x.to.Slug
		}
		if err := x.unit(library.UnitRef{Gimbal: gimbal, Unit: x.moved(u.Unit)}); err != nil {
			return err
		}
	}
	return nil
}

// moved is a unit whose entries name the rigs as they are called after a conversion.
func (x *accepting) moved(u schema.Unit) schema.Unit {
	if x.to == nil {
		return u
	}
	print := newConverter(x.l.Cat, x.to, x.p.Rigs).print
	u.Held = slices.Clone(u.Held)
	for i, h := range u.Held {
		for _, r := range x.p.Rigs {
			if h.Rig != "" && r.is(h.Rig) {
				u.Held[i].Rig = print[r.ID]
			}
		}
	}
	return u
}

// unit merges one record.
func (x *accepting) unit(u library.UnitRef) error {
	var there []schema.Unit
	sheet, err := x.l.Sheet(x.head, u.Gimbal)
	switch {
	case err == nil:
		there = sheet.Units
	case store.ExitClass(err) != 3:
		return err
	}
	ours, found := schema.Unit{}, false
	for _, o := range there {
		if o.Is(u.Serial) || slices.ContainsFunc(u.Was, o.Is) || schema.CanonicalName(o.Serial) == schema.CanonicalName(u.Label) {
			ours, found = o, true
			break
		}
	}
	for _, o := range there {
		if u.Label != "" && o.Serial != ours.Serial && o.Is(u.Label) {
			x.note(u.Path(), fmt.Sprintf("the label %q stays out: unit %s has it here", u.Label, o.Serial))
			u.Label = ""
		}
	}
	if !found {
		doc, err := library.UnitDoc(x.l.Cat, u)
		if err != nil {
			return err
		}
		x.files[u.Path()] = doc.Text()
		x.a.Units = append(x.a.Units, UnitChange{Path: u.Path(), Unit: u.Serial, New: true, Entries: len(u.Held)})
		return nil
	}
	return x.unite(library.UnitRef{Gimbal: u.Gimbal, Unit: ours}, u.Unit)
}

// unite adds to our record of a unit what theirs has beyond it.
func (x *accepting) unite(ours library.UnitRef, theirs schema.Unit) error {
	path := ours.Path()
	text, err := x.here(path)
	if err != nil {
		return err
	}
	doc, err := file.Parse(path, text)
	if err != nil {
		return err
	}
	var edits []file.Edit
	for _, f := range []struct{ key, ours, theirs string }{{"label", ours.Label, theirs.Label}, {"firmware", ours.Firmware, theirs.Firmware}, {"trouble", ours.Trouble, theirs.Trouble}} {
		switch {
		case f.theirs == "" || f.theirs == f.ours:
		case f.ours == "":
			edits = append(edits, file.Edit{Key: f.key, Value: f.theirs})
		default:
			x.note(path, fmt.Sprintf("%s is %q here and stays; theirs is %q", f.key, f.ours, f.theirs))
		}
	}
	memory := ours.Memories
	for _, h := range theirs.Held {
		memory = max(memory, h.Memory)
	}
	if memory > ours.Memories {
		edits = append(edits, file.Edit{Key: "memories", Value: max(memory, theirs.Memories)})
	}
	change := UnitChange{Path: path, Unit: ours.Serial}
	var more []schema.Held
	for _, h := range theirs.Held {
		i := slices.IndexFunc(ours.Held, func(o schema.Held) bool { return sameEntry(o, h) })
		if i < 0 || ours.Held[i].Digest == "" && h.Digest != "" { // an earlier handover said only that something was there
			more = append(more, h)
			change.Entries++
		}
	}
	for _, e := range edits {
		change.Keys = append(change.Keys, e.Key)
	}
	if len(edits)+len(more) == 0 {
		return nil
	}
	was := schema.Flatten(doc.Tree())
	for i := was.Len("held") - 1; i >= 0; i-- { // from the end, so that the places before keep their numbers
		at := fmt.Sprintf("held[%d].", i)
		o := schema.Held{At: was.Time(at + "at"), By: was.Str(at + "by"), Memory: int(was.NumOr(at+"memory", 0))}
		if slices.ContainsFunc(more, func(h schema.Held) bool { return sameEntry(o, h) }) {
			edits = append(edits, file.Edit{Key: file.Join("held", i), Delete: true})
		}
	}
	if doc, err = doc.Apply(edits...); err != nil {
		return err
	}
	for _, h := range more {
		if doc, err = library.AppendHeld(x.l.Cat, doc, h); err != nil {
			return err
		}
	}
	x.files[path] = doc.Text()
	x.a.Units = append(x.a.Units, change)
	return nil
}

// sameEntry reports whether two entries are of one moment, person and memory.
func sameEntry(a, b schema.Held) bool {
	return a.At.Equal(b.At) && a.By == b.By && a.Memory == b.Memory
}

// UnitChange is what accepting a handover does to the record of a unit.
type UnitChange struct {
	Path    string   `json:"path"`
	Unit    string   `json:"unit"`
	New     bool     `json:"new,omitempty"`
	Entries int      `json:"entries"`        // of what it held, that come in
	Keys    []string `json:"keys,omitempty"` // filled in because they were empty here
}

// Words say it in a line.
func (c UnitChange) Words() string {
	var parts []string
	if c.New {
		parts = append(parts, "new here")
	}
	if c.Entries > 0 {
		parts = append(parts, schema.Count(c.Entries, "entry", "entries")+" of what it held")
	}
	if len(c.Keys) > 0 {
		parts = append(parts, schema.List(c.Keys)+" filled in")
	}
	return "unit " + c.Unit + ": " + strings.Join(parts, ", ")
}
