package library

import (
	"fmt"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// Skipped is a rig or tune that could not serve as evidence.
type Skipped struct {
	Path string `json:"path"`
	Why  string `json:"why"`
}

// StartRequest gathers what a starting tune of a rig is computed from: its own
// inertia, the sheet's dials and references, and every proved tune on the same
// gimbal. now is the moment the ages of proofs are counted to.
func (l *Library) StartRequest(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune, unit string, now time.Time) (start.Request, []Skipped, error) {
	q := start.Request{PayloadLimit: sheet.PayloadMax, Unit: unit}
	me, err := startRig(r, sheet, tune)
	if err != nil {
		return q, nil, err
	}
	q.Rig = me
	for _, p := range l.Cat.Params() {
		d, ok := sheet.Dials[p.Dial]
		if !ok {
			continue
		}
		switch p.Group {
		case "stiffness":
			a, _ := schema.ParseAxis(p.Axis)
			q.Params = append(q.Params, start.Param{Key: p.Path, Kind: start.Stiffness, Axis: a, Dial: d})
		case "filters":
			q.Params = append(q.Params, start.Param{Key: p.Path, Kind: start.Filter, Dial: d})
		}
	}
	for i, ref := range sheet.References {
		x := start.Reference{Name: fmt.Sprintf("at %s kg (%s)", schema.Num(ref.PayloadKg), ref.Source), Values: ref.Values}
		x.Rig = start.Rig{ID: fmt.Sprintf("reference[%d]", i), Mass: ref.PayloadKg}
		for a, j := range ref.Inertia {
			x.Rig.J[a] = j
		}
		q.References = append(q.References, x)
	}
	var skipped []Skipped
	q.Tunes, skipped, err = l.proofs(r.Gimbal, now)
	if err != nil {
		return q, nil, err
	}
	return q, skipped, nil
}

// startRig is a rig as the starting model sees it.
func startRig(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune) (start.Rig, error) {
	out := start.Rig{ID: r.Fingerprint, Mass: r.Mass()}
	js, err := r.Inertias(sheet, tune)
	if err != nil {
		return out, err
	}
	for _, a := range schema.Axes {
		out.J[a] = js[a].Worst()
	}
	p, err := r.Properties()
	if err != nil {
		return out, err
	}
	// a build whose mass lies mostly in parts without a size is known by mass alone
	var assumed float64
	for _, x := range r.Parts {
		if x.Shape == "" {
			assumed += x.Mass
		}
	}
	out.JFromMass = len(p.Assumed) > 0 && assumed > out.Mass/2
	return out, nil
}

// startTune is a proved tune as evidence. The proof's own record of inertia
// counts where the build has changed since.
func startTune(r preset.Rig, sheet *schema.Sheet, t preset.Tune, ref string, now time.Time) (start.Tune, error) {
	out := start.Tune{Ref: ref, Unit: t.Proof.Unit, Values: map[string]float64{}, Onset: map[string]float64{}}
	var err error
	if out.Rig, err = startRig(r, sheet, &t); err != nil {
		return out, err
	}
	if age := now.Sub(t.Proof.At).Hours() / 24; age > 0 {
		out.AgeDays = age
	}
	for _, s := range t.Stale(r, sheet, "") {
		switch {
		case s.What == "rig" && len(t.Proof.Inertia) == len(schema.Axes):
			out.Rig.ID = t.Proof.Rig
			out.Rig.Mass = t.Proof.MassKg
			for a, j := range t.Proof.Inertia {
				out.Rig.J[a] = j
			}
		default:
			out.Stale = true
		}
	}
	if t.Proof.Place == "stand" {
		out.Doubt = "proved on the stand only"
	}
	for key := range t.Values {
		if v, ok := t.Num(key); ok {
			out.Values[key] = v
		}
	}
	for a, v := range t.Proof.Onset {
		out.Onset["stiffness."+a.String()] = v
	}
	return out, nil
}

// Cap asks the loop model for the stiffest dial number that keeps the usual
// margins; it has nothing to say where the sheet has no maps.
func (l *Library) Cap(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune) start.CapFunc {
	js, err := r.Inertias(sheet, tune)
	if err != nil {
		return nil
	}
	return func(a schema.Axis, lo, hi float64) (float64, string, bool) {
		return preset.CapStiffness(l.Cat, sheet, r, tune, a, js[a].Worst(), lo, hi)
	}
}
