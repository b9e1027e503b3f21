package library

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/identify"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// Skipped is a rig or tune that could not serve as evidence.
type Skipped struct {
	Path string `json:"path"`
	Why  string `json:"why"`
}

// StartRequest gathers what a starting tune of a rig is computed from: its own
// inertia, the sheet's dials and references, and every proved tune and saved bench
// session on the same gimbal. Without a unit, the only one on record is taken.
// now is the moment the ages of proofs are counted to.
func (l Evidence) StartRequest(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune, unit string, now time.Time) (start.Request, []Skipped, error) {
	if unit == "" && len(sheet.Units) == 1 {
		unit = sheet.Units[0].Serial
	}
	unit = serial(sheet, unit)
	q, err := l.ownRequest(r, sheet, tune, unit)
	if err != nil {
		return q, nil, err
	}
	e, err := l.evidence(sheet, r.Gimbal, unit, now)
	if err != nil {
		return q, nil, err
	}
	l.with(&q, e, r, sheet, tune)
	return q, e.skipped, nil
}

// evidence is what a gimbal's proofs and sessions say to whoever has a unit at
// hand, whatever the rig.
type evidence struct {
	tunes   []start.Tune
	skipped []Skipped
	logs    []savedLog
	facts   *identify.Report // of the unit; nil without one, or without a session
}

// evidence gathers the proved tunes and saved sessions of a gimbal, and what they tell of a unit
// ("" for none).
func (l Evidence) evidence(sheet *schema.Sheet, gimbal, unit string, now time.Time) (evidence, error) {
	e, err := l.ofGimbal(sheet, gimbal, now)
	if err != nil {
		return e, err
	}
	return l.ofUnit(e, sheet, unit)
}

// ofGimbal is the evidence of a gimbal, whatever the unit.
func (l Evidence) ofGimbal(sheet *schema.Sheet, gimbal string, now time.Time) (e evidence, err error) {
	if e.tunes, e.skipped, err = l.proofs(gimbal, now); err != nil {
		return e, err
	}
	if e.logs, err = l.savedLogs(gimbal); err != nil {
		return e, err
	}
	for i := range e.tunes {
		e.tunes[i].Unit = serial(sheet, e.tunes[i].Unit)
	}
	e.tunes = withSessions(e.tunes, l.sessions(sheet, e.logs, now))
	return e, nil
}

// ofUnit adds to the evidence of a gimbal what it tells of a unit; "" is none.
func (l Evidence) ofUnit(e evidence, sheet *schema.Sheet, unit string) (_ evidence, err error) {
	if unit != "" {
		e.facts, err = l.unitFacts(sheet, unit, e.logs)
	}
	return e, err
}

// with puts evidence into a request for a rig.
func (l Evidence) with(q *start.Request, e evidence, r preset.Rig, sheet *schema.Sheet, tune *preset.Tune) {
	q.Tunes, q.Cap = e.tunes, l.Cap(r, preset.CapSheet(sheet, e.facts, q.Unit), tune)
	q.End = l.endLearned(r, sheet, tune, e.facts, q.Unit)
	q.Remarks = append(q.Remarks, preset.LoopRemarks(preset.LoopSheet(sheet, e.facts, q.Unit), e.facts, q.Unit)...)
	if text, ok := preset.LongWithoutResonance(r); ok {
		q.Remarks = append(q.Remarks, text)
	}
}

// ownRequest is a request without the evidence of other rigs.
func (l Evidence) ownRequest(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune, unit string) (start.Request, error) {
	q := start.Request{PayloadLimit: sheet.PayloadMax, Unit: unit}
	for _, a := range schema.Axes {
		q.OwnUnknown[a] = !sheet.Axes[a].MovingKnown
	}
	me, err := startRig(r, sheet, tune)
	if err != nil {
		return q, err
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
	return q, nil
}

// startRig is a rig as the starting model sees it, at the least inertia over the
// tilts in use: there an axis oscillates first.
func startRig(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune) (start.Rig, error) {
	out := start.Rig{ID: r.ID, Mass: r.Mass()}
	js, err := r.Inertias(sheet, tune)
	if preset.IsUnknown(err) {
		return out, nil // known by its mass alone
	}
	if err != nil {
		return out, err
	}
	for _, a := range schema.Axes {
		out.J[a] = js[a].Min
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

// startTune is a proved tune as evidence: the values that were proved, at the inertia
// they were proved at. Where the build has changed since, the proof's own record of
// inertia counts, and it stays a proof of the same rig; a proof of other values, of
// another firmware or one that ended does not count.
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
		if s.What == "rig" && len(t.Proof.Inertia) == len(schema.Axes) {
			out.Rig.Mass = t.Proof.MassKg
			for a, j := range t.Proof.Inertia {
				out.Rig.J[a] = j
			}
			continue
		}
		if out.OutOfDate == "" {
			out.OutOfDate = s.Text
		}
	}
	if t.Proof.Place == "stand" {
		out.Doubt = preset.StandOnly
	}
	for key := range t.Values {
		if v, ok := t.Num(key); ok {
			out.Values[key] = v
		}
	}
	for a, v := range t.Proof.Onset {
		out.Onset["stiffness."+a.String()] = v
		out.OnsetJ[a] = t.Proof.OnsetInertia[a]
	}
	return out, nil
}

// withSessions adds sessions to proofs. A session whose values a proof of the same
// rig on the same unit has is that proof's: it only adds the onsets it saw.
func withSessions(proofs, sessions []start.Tune) []start.Tune {
	type place struct{ rig, unit string }
	at := map[place][]int{}
	for _, s := range sessions {
		at[place{s.Rig.ID, s.Unit}] = nil
	}
	for i, t := range proofs {
		if of, ok := at[place{t.Rig.ID, t.Unit}]; ok {
			at[place{t.Rig.ID, t.Unit}] = append(of, i)
		}
	}
	out := proofs
next:
	for _, s := range sessions {
		for _, i := range at[place{s.Rig.ID, s.Unit}] {
			if s.Rig.ID == "" || !sameStiffness(s, proofs[i]) || !sameBuild(s.Rig, proofs[i].Rig) {
				continue
			}
			onset := map[string]float64{}
			for _, m := range []map[string]float64{s.Onset, proofs[i].Onset} { // the proof's own count
				for k, v := range m {
					onset[k] = v
				}
			}
			out[i].Onset = onset
			for a, j := range s.OnsetJ {
				if out[i].OnsetJ[a] == 0 {
					out[i].OnsetJ[a] = j
				}
			}
			continue next
		}
		out = append(out, s)
	}
	return out
}

// sameBuild reports whether two records of one rig are of one build of it, by what it
// has to turn.
func sameBuild(a, b start.Rig) bool {
	for i := range a.J {
		if a.J[i] > 0 && b.J[i] > 0 && math.Abs(a.J[i]/b.J[i]-1) > alike {
			return false
		}
	}
	return math.Abs(a.Mass/b.Mass-1) <= alike
}

// sameStiffness reports whether a proof has every stiffness that a session kept.
func sameStiffness(s, proof start.Tune) bool {
	for k, v := range s.Values {
		if w, ok := proof.Values[k]; strings.HasPrefix(k, "stiffness.") && (!ok || w != v) {
			return false
		}
	}
	return true
}

// endLearned asks where a value should end by the loop that sessions on the unit at hand
// told.
func (l Evidence) endLearned(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune, facts *identify.Report, unit string) start.EndFunc {
	js, err := r.Inertias(sheet, tune)
	if facts == nil || err != nil {
		return nil
	}
	return func(a schema.Axis) (float64, string, bool) {
		return preset.EndLearned(l.Cat, sheet, facts, unit, r, tune, a, js[a])
	}
}

// Cap asks the loop model for the stiffest dial number that keeps the usual
// margins at every tilt in use; it has nothing to say where the sheet has no maps.
func (l Evidence) Cap(r preset.Rig, sheet *schema.Sheet, tune *preset.Tune) start.CapFunc {
	js, err := r.Inertias(sheet, tune)
	if err != nil {
		return nil
	}
	return func(a schema.Axis, lo, hi float64) (float64, string, bool) {
		return preset.CapStiffness(l.Cat, sheet, r, tune, a, js[a], lo, hi)
	}
}

// Inherited is what a tune of a cloned rig begins with beside its stiffness: filters,
// limits, horizon and styles of the tune of the rig that it was cloned from, on the
// same gimbal; and that tune's name. Nothing for a rig that is no clone, and where the
// other rig or its tune is gone.
func (l Evidence) Inherited(d *Loaded) (values map[string]any, from string) {
	if d.Rig.CloneOf == "" {
		return nil, ""
	}
	for _, tune := range []string{d.Ref.Tune, preset.MainTune} {
		p, err := l.Names().Load(d.Rig.CloneOf+"/"+tune, true)
		if err != nil || p.Tune == nil || p.Rig.Gimbal != d.Rig.Gimbal {
			continue
		}
		values = map[string]any{}
		for key, v := range p.Tune.Values {
			if param, ok := l.Cat.Param(key); ok && param.Group != "stiffness" {
				values[key] = v
			}
		}
		from = p.Rig.Alias
		if tune != preset.MainTune {
			from += "/" + tune
		}
		return values, from
	}
	return nil, ""
}
