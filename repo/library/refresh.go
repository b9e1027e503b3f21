package library

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// Steps from which on a change of a part of the shop is taken into a rig: those of the
// fingerprint.
const (
	refreshMass   = 0.005 // kg
	refreshLength = 0.005 // m
)

// Refreshed is a rig whose parts the shop has changed since.
type Refreshed struct {
	Rig    preset.Rig // as it would be
	Was    string     // fingerprint that it has now
	Edited Edited
	Said   []string // what changed, part by part
	Proofs []Ended  // what goes out of date with it
}

// Refresh takes what changed of a rig's parts in the shop by at least a step of the fingerprint
// into its build sheet. It writes nothing; nil means that there is nothing to take. gone are
// parts of the rig that the shop has no more.
func (l Builds) Refresh(rr RigRef) (out *Refreshed, gone []string, err error) {
	path := preset.RigPath(rr.Fingerprint)
	doc, err := l.Doc("", path)
	if err != nil {
		return nil, nil, err
	}
	rig := preset.RigIn(doc)
	var edits []file.Edit
	out = &Refreshed{Was: rr.Fingerprint}
	for i, p := range rig.Parts {
		if p.From == "" {
			continue
		}
		shop, err := l.Part("", p.From)
		if isNotFound(err) {
			gone = append(gone, p.From)
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		said := changed(p, shop.Part)
		if said == nil {
			continue
		}
		out.Said = append(out.Said, p.Label()+": "+strings.Join(said, ", "))
		es, err := partEdits(doc, fmt.Sprintf("part[%d].", i), p, shop.Part)
		if err != nil {
			return nil, nil, err
		}
		edits = append(edits, es...)
	}
	if edits == nil {
		return nil, gone, nil
	}
	if out.Edited, err = l.Edits().edit(path, doc, nil, edits...); err != nil {
		return nil, nil, err
	}
	out.Rig = preset.RigIn(out.Edited.After)
	out.Rig.ID = out.Rig.Fingerprint()
	if err := out.Rig.Check(); err != nil {
		return nil, nil, out.Edited.After.Fault("part", err.Error(), "", "correct the part of the shop, or its mount in the rig")
	}
	return out, gone, l.proofsEnded(rig, out)
}

// changed says how a part of the shop differs from what a rig has of it; nil for less than
// a step.
func changed(rig, shop preset.Part) []string {
	var out []string
	if d := shop.Mass - rig.Mass; math.Abs(d) >= refreshMass {
		out = append(out, fmt.Sprintf("%+.0f g", d*1000))
	}
	far := func(a, b *[3]float64) bool {
		if a == nil || b == nil {
			return a != b
		}
		for i := range a {
			if math.Abs(a[i]-b[i]) >= refreshLength {
				return true
			}
		}
		return false
	}
	if far(rig.CG, shop.CG) {
		out = append(out, "balance point moved")
	}
	one := func(v float64) *[3]float64 { return &[3]float64{v} }
	if rig.Shape != shop.Shape || far(&rig.Size, &shop.Size) || far(one(rig.Diameter), one(shop.Diameter)) || far(one(rig.Length), one(shop.Length)) || far(one(rig.Bore), one(shop.Bore)) || far(rig.Centre, shop.Centre) {
		out = append(out, "size changed")
	}
	for _, m := range shop.Mounts {
		at := [3]float64(m.At)
		moved := true
		for _, n := range rig.Mounts {
			was := [3]float64(n.At)
			moved = moved && !(n.Name == m.Name && !far(&at, &was) && n.Turn == m.Turn)
		}
		if moved {
			out = append(out, "mount "+m.Name+" moved")
		}
	}
	if schema.CanonicalName(rig.Name) != schema.CanonicalName(shop.Name) {
		out = append(out, "named "+shop.Name)
	}
	return out
}

// partEdits makes the keys of one part of a build sheet those of a part of the shop. Where it
// sits, its slot and its comments stay.
func partEdits(doc *file.Doc, at string, rig, shop preset.Part) ([]file.Edit, error) {
	shop.Slot = rig.Slot
	w := file.NewWriter("part")
	w.Key("format", schema.Format)
	partKeys(w, shop)
	mountTables(w, shop, nil)
	want, err := w.Doc()
	if err != nil {
		return nil, err
	}
	var edits []file.Edit
	mine := map[string]bool{"from": true, "on": true, "shift_mm": true, "turn_deg": true, "place_mm": true, "place_in": true, "slot": true, "note": true, "inside": true}
	for _, key := range doc.Keys() {
		tail, ok := strings.CutPrefix(key, at)
		if !ok || mine[tail] {
			continue
		}
		if _, ok := want.Get(tail); !ok {
			edits = append(edits, file.Edit{Key: key, Delete: true})
		}
	}
	for _, key := range want.Keys() {
		if mine[key] || key == "format" {
			continue
		}
		v, _ := want.Get(key)
		if was, ok := doc.Get(at + key); ok && file.Equal(was, v) {
			continue
		}
		edits = append(edits, file.Edit{Key: at + key, Value: v})
	}
	return edits, nil
}

// proofsEnded names the groups of each tune of a rig whose proof holds now and would not with the
// build as it would be.
func (l Builds) proofsEnded(was preset.Rig, out *Refreshed) error {
	tunes, err := l.Tunes(was.ID)
	if err != nil {
		return err
	}
	sheet, err := l.Sheet("", was.Gimbal)
	if err != nil {
		return err
	}
	slices.Sort(tunes)
	for _, name := range tunes {
		doc, err := l.Doc("", preset.TunePath(was.ID, name))
		if err != nil {
			continue // check says what is wrong with it
		}
		t := preset.TuneIn(l.Cat, doc)
		e := Ended{Tune: was.Alias + "/" + name}
		before := t.Standing(was, sheet, "")
		for i, now := range t.Standing(out.Rig, sheet, "") {
			if before[i].State == preset.Proved && now.State == preset.OutOfDate {
				e.Groups = append(e.Groups, now.Group)
			}
		}
		if e.Groups != nil {
			out.Proofs = append(out.Proofs, e)
		}
	}
	return nil
}

// Ended is a tune with the groups whose proof goes out of date.
type Ended struct {
	Tune   string // RIG/TUNE
	Groups []string
}
