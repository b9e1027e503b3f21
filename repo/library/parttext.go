package library

import (
	"math"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// PartText writes the file of a part of the shop.
func PartText(p preset.ShopPart) ([]byte, error) {
	w := begin(preset.PartPath(p.File), schema.KindPart)
	partKeys(w, p.Part)
	if p.Quantity >= 0 {
		w.Key("quantity", p.Quantity)
	}
	if p.Owner != "" {
		w.Key("owner", p.Owner)
	}
	mountTables(w, p.Part, nil)
	return textOf(w)
}

// RigText writes a build sheet.
func RigText(r preset.Rig) ([]byte, error) {
	w := begin(preset.RigPath(r.ID), schema.KindRig)
	w.Key("alias", r.Alias)
	w.Key("gimbal", r.Gimbal)
	for _, t := range []struct{ key, text string }{{"clone_of", r.CloneOf}, {"origin", r.Origin}, {"note", r.Note}} {
		if t.text != "" {
			w.Key(t.key, t.text)
		}
	}
	if r.Weighed > 0 {
		w.Key("weighed_kg", tidy(r.Weighed))
	}
	for _, p := range r.Parts {
		w.ArrayTable("part")
		partKeys(w, p)
		if p.From != "" {
			w.Key("from", p.From)
		}
		if p.On != "" {
			w.Key("on", p.On)
		}
		if p.Shift != [3]float64{} {
			w.Key("shift_mm", list(p.Shift, 1000))
		}
		if p.Turn != [3]float64{} {
			w.Key("turn_deg", list(p.Turn, 180/math.Pi))
		}
		if p.Seat != nil {
			w.Key("place_mm", list(*p.Seat, 1000))
		}
		mountTables(w, p, []string{"part"})
	}
	for _, x := range r.Resonances {
		w.ArrayTable("resonance")
		w.Key("axis", x.Axis.String())
		w.Key("hz", tidy(x.Hz))
		w.Key("damping", tidy(x.Damping))
		w.Key("share", tidy(x.Share))
	}
	return textOf(w)
}

// partKeys writes what a part is, in grams and millimetres.
func partKeys(w *file.Writer, p preset.Part) {
	if p.Slot != "" {
		w.Key("slot", p.Slot)
	}
	w.Key("name", p.Name)
	w.Key("mass_g", tidy(p.Mass*1000))
	if p.Shape != "" {
		w.Key("shape", p.Shape)
	}
	if p.Size != [3]float64{} || p.Shape == "box" {
		w.Key("size_mm", list(p.Size, 1000))
	}
	for _, d := range []struct {
		key string
		v   float64
	}{{"diameter_mm", p.Diameter}, {"bore_mm", p.Bore}, {"length_mm", p.Length}} {
		if d.v != 0 {
			w.Key(d.key, tidy(d.v*1000))
		}
	}
	if p.Axis != "" {
		w.Key("axis", p.Axis)
	}
	if p.Density != 0 {
		w.Key("density_kg_m3", tidy(p.Density))
	}
	if p.CG != nil {
		w.KeyComment("cg_mm", list(*p.CG, 1000), "balance point from the seat: forward, left, up")
	}
	if p.Centre != nil {
		w.Key("centre_mm", list(*p.Centre, 1000))
	}
	if p.Inside {
		w.Key("inside", true)
	}
	if p.Note != "" {
		w.Key("note", p.Note)
	}
}

// mountTables writes where other parts attach.
func mountTables(w *file.Writer, p preset.Part, at []string) {
	for _, m := range p.Mounts {
		w.Table(append(append([]string(nil), at...), "mount", m.Name)...)
		w.Key("at_mm", list([3]float64(m.At), 1000))
		if m.Turn != [3]float64{} {
			w.Key("turn_deg", list([3]float64(m.Turn), 180/math.Pi))
		}
		if len(m.Takes) > 0 {
			takes := make([]any, len(m.Takes))
			for i, s := range m.Takes {
				takes[i] = s
			}
			w.Key("takes", takes)
		}
	}
}

// tidy is a number as a person writes it: to a millionth, whole where it is.
func tidy(v float64) any {
	v = math.Round(v*1e6) / 1e6
	if v == math.Trunc(v) && math.Abs(v) < 1e15 {
		return int64(v)
	}
	return v
}

func list(v [3]float64, scale float64) []any {
	return []any{tidy(v[0] * scale), tidy(v[1] * scale), tidy(v[2] * scale)}
}
