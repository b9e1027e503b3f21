package preset

import (
	"math"
	"time"

	"rigkeep/schema"
)

// EndedByHandover begins what Proof.Ended says where a handover brought a proof
// from elsewhere: it stays theirs, and is not a proof here.
const EndedByHandover = "handover: "

// Complete adds to a proof what it is a proof of: the build's fingerprint, mass,
// centre of gravity and least inertias over the tilts in use, and the digest of the tune's values.
func (p Proof) Complete(r Rig, sheet *schema.Sheet, t Tune) (Proof, error) {
	p.Rig, p.Digest = r.ID, t.Digest()
	props, err := r.Properties()
	if IsUnknown(err) {
		p.MassKg, p.Ended = Rounded(r.Mass(), 4), ""
		return p, nil
	}
	if err != nil {
		return p, err
	}
	js, err := r.Inertias(sheet, &t)
	if err != nil {
		return p, err
	}
	p.MassKg = Rounded(props.Mass, 4)
	p.CGmm = []float64{Rounded(props.CG[0]*1000, 4), Rounded(props.CG[1]*1000, 4), Rounded(props.CG[2]*1000, 4)}
	p.Inertia = map[schema.Axis]float64{}
	for _, a := range schema.Axes {
		p.Inertia[a] = Rounded(js[a].Min, 4)
	}
	p.Ended = ""
	return p, nil
}

// Rounded is v to so many significant digits, for a file that people read.
func Rounded(v float64, digits int) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	e := digits - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	if e >= 0 {
		s := math.Pow10(e)
		return math.Round(v*s) / s
	}
	s := math.Pow10(-e)
	return math.Round(v/s) * s
}

// Flat is the proof as the keys it has in a tune, "proof.at" and so on; what is
// not known is left out.
func (p Proof) Flat() schema.Flat {
	f := schema.Flat{}
	put := func(key string, v any, there bool) {
		if there {
			f["proof."+key] = v
		}
	}
	put("at", p.At.UTC().Truncate(time.Second), !p.At.IsZero())
	for key, s := range map[string]string{"unit": p.Unit, "place": p.Place, "by": p.By, "firmware": p.Firmware, "note": p.Note, "rig": p.Rig, "values": p.Digest, "stale": p.Ended} {
		put(key, s, s != "")
	}
	put("minutes", p.Minutes, p.Minutes != 0)
	put("mass_kg", p.MassKg, p.MassKg != 0)
	put("styles", anys(p.Styles), len(p.Styles) > 0)
	put("cg_mm", anys(p.CGmm), len(p.CGmm) > 0)
	for key, m := range map[string]map[schema.Axis]float64{"effort_pct": p.Effort, "onset": p.Onset, "onset_hz": p.OnsetHz, "inertia_kgm2": p.Inertia} {
		for a, v := range m {
			put(key+"."+a.String(), v, true)
		}
	}
	return f
}

func anys[T any](l []T) []any {
	out := make([]any, len(l))
	for i, v := range l {
		out[i] = v
	}
	return out
}
