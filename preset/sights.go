package preset

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"rigkeep/preset/identify"
	"rigkeep/preset/mass"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// StandOnly is the doubt about what was not tested handheld.
const StandOnly = "tested on the stand only"

// sameInertia is how close a recorded inertia must be to the build's present one
// for the session to count as one of this build.
const sameInertia = 0.02

// OfBuild reports whether a session was on the build as it is now, by the inertia
// it recorded: the log moves along when a build changes.
//
// Source: common practice, no source.
func (b BenchLog) OfBuild(m mass.Moments) bool {
	now := [...]mass.Moment{schema.Pan: m.Pan, schema.Roll: m.Roll, schema.Tilt: m.Tilt}
	for a, j := range b.Inertia {
		// over a tune's own tilt limits the worst may be less than over the whole travel
		if j < now[a].Min*(1-sameInertia) || j > now[a].Max*(1+sameInertia) {
			return false
		}
	}
	return len(b.Inertia) == len(schema.Axes)
}

// OnsetObservations are the onsets that a session saw. With a rig, and where the sheet has
// maps, each carries the loop of its axis at the inertia of the session.
//
// Source: AxisLoop.
func (b BenchLog) OnsetObservations(c *schema.Catalogue, sheet *schema.Sheet, r *Rig, ref string) []identify.OnsetObservation {
	known := false
	if r != nil {
		if js, err := r.Inertias(sheet, nil); err == nil {
			known = b.OfBuild(mass.Moments{Pan: js[schema.Pan], Roll: js[schema.Roll], Tilt: js[schema.Tilt]})
		}
	}
	as := *sheet
	as.Learned = &schema.LearnedLoop{InDelay: map[string]float64{}}
	for key, v := range b.Set {
		if d, ok := sheet.Dials[key]; ok && d.Map == nil {
			as.Learned.InDelay[key] = v
		}
	}
	var out []identify.OnsetObservation
	for _, a := range schema.Axes {
		res, ok := b.Results[a]
		key := "stiffness." + a.String()
		d, has := sheet.Dials[key]
		if !ok || !has || res.Onset == nil || res.Clean == nil {
			continue
		}
		clean, ok1 := stiffnessOf(d, *res.Clean)
		onset, ok2 := stiffnessOf(d, *res.Onset)
		j := b.OnsetInertia(a)
		if !ok1 || !ok2 || !(clean <= onset) || !(j > 0) {
			continue
		}
		s := identify.OnsetObservation{Ref: ref, Unit: b.Unit, Axis: a, Clean: clean, Onset: onset, J: j, Hz: res.Hz, Doubt: res.Doubt, Raise: Raise(sheet)}
		if u, ok := sheet.Unit(b.Unit); ok {
			s.Unit = u.Serial
		}
		if known && d.Map != nil {
			s.NoDamping = slices.ContainsFunc(sheet.LoopMissing(a), func(k string) bool { return k != "loop.delay_s" })
			// the lens is level, so gravity counts as it is there
			t := Tune{Values: map[string]any{key: *res.Onset, "limits.tilt.up_deg": 0.0, "limits.tilt.down_deg": 0.0}}
			for k, v := range b.Set {
				t.Values[k] = v
			}
			if l, err := AxisLoop(c, &as, t, *r, a, j); err == nil {
				s.Loop, s.InDelay = &l, as.Learned.InDelay
			}
		}
		out = append(out, s)
	}
	return out
}

// ProofSession is what the proof of a tune's stiffness tells as a session does: the
// onsets that it has with their frequency. Clean is taken as a coarse step below, and at
// least the value that was proved. ok is false where it tells none, where the values are
// others by now, so that nobody knows the filters of that day, and where it ended.
//
// Source: the proof; the coarse step is common practice, no source.
func (t Tune) ProofSession(sheet *schema.Sheet) (b BenchLog, ok bool) {
	p := t.Proof
	if p == nil || p.Ended != "" || !p.IsOf(t, GroupHold) {
		return b, false
	}
	b = BenchLog{Rig: p.Rig, Unit: p.Unit, By: p.By, Began: p.At, Ended: p.At, MassKg: p.MassKg, Inertia: p.Inertia, Set: map[string]float64{}, Results: map[schema.Axis]BenchResult{}}
	for _, key := range []string{"filters.sensing", "filters.drive"} {
		if v, set := t.Num(key); set {
			b.Set[key] = v
		}
	}
	for a, onset := range p.Onset {
		d, has := sheet.Dials["stiffness."+a.String()]
		if !has || !(p.OnsetHz[a] > 0) {
			continue
		}
		soft, stiff := ends(d)
		clean := onset - d.Coarse
		if d.Sign < 0 {
			clean = onset + d.Coarse
		}
		for _, v := range []float64{soft, valueOr(t, a, soft)} {
			if d.Less(clean, v) && d.Less(v, onset) {
				clean = v
			}
		}
		if d.Less(stiff, onset) {
			continue
		}
		r := BenchResult{Onset: &onset, Clean: &clean, Hz: p.OnsetHz[a], Inertia: p.OnsetInertia[a]}
		if deg, seen := p.OnsetTilt[a]; seen {
			r.TiltDeg = &deg
		}
		b.Results[a] = r
	}
	return b, len(b.Results) > 0
}

func valueOr(t Tune, a schema.Axis, other float64) float64 {
	if v, ok := t.Stiffness(a); ok {
		return v
	}
	return other
}

// stiffnessOf is what a dial number is in stiffness: SI by the map, else the number
// itself or, where larger is softer, its inverse. ok is false where there is none.
func stiffnessOf(d schema.Dial, v float64) (float64, bool) {
	if d.Map != nil {
		k, err := d.ToSI(v)
		return k, err == nil && k > 0
	}
	if d.Min < 0 || v <= 0 {
		return 0, false
	}
	if d.Sign < 0 {
		return 1 / v, true
	}
	return v, true
}

// dialOf is the inverse of stiffnessOf; ok is false off the dial.
func dialOf(d schema.Dial, k float64) (float64, bool) {
	if d.Map != nil {
		v, err := d.FromSI(k)
		return v, err == nil
	}
	if !(k > 0) {
		return 0, false
	}
	if d.Sign < 0 {
		k = 1 / k
	}
	return k, k >= d.Min && k <= d.Max
}

// AsTune is what a session found, as evidence for a starting tune: the values it
// kept and the onsets it saw, at the inertia it had. ok is false for one that is
// open, or kept nothing.
//
// Source: the log.
func (b BenchLog) AsTune(sheet *schema.Sheet, fp, ref string, now time.Time) (t start.Tune, ok bool) {
	if b.Open() {
		return t, false
	}
	t = start.Tune{Ref: ref, Unit: b.Unit, Values: map[string]float64{}, Onset: map[string]float64{}}
	if u, ok := sheet.Unit(b.Unit); ok {
		t.Unit = u.Serial
	}
	t.Rig = start.Rig{ID: fp, Mass: b.MassKg}
	for a, j := range b.Inertia {
		t.Rig.J[a], t.OnsetJ[a] = j, b.OnsetInertia(a)
	}
	t.AgeDays = math.Max(0, now.Sub(b.Ended).Hours()/24)
	for a, r := range b.Results {
		key := "stiffness." + a.String()
		if r.Kept != nil {
			t.Values[key] = *r.Kept
			ok = true
		}
		if r.Onset != nil {
			t.Onset[key] = *r.Onset
		}
		if r.Doubt {
			t.Doubt = "the session contradicts itself"
		}
	}
	for k, v := range b.Set {
		t.Values[k] = v
	}
	if !b.Hand && t.Doubt == "" {
		t.Doubt = StandOnly
	}
	return t, ok && t.Rig.Mass > 0
}

// LoopSheet is a gimbal sheet with the delay and the damping of one unit, where sessions
// on it told them.
//
// Source: package identify.
func LoopSheet(sheet *schema.Sheet, facts *identify.Report, unit string) *schema.Sheet {
	if facts == nil {
		return sheet
	}
	u, ok := facts.Unit(unit)
	if !ok || u.Delay == nil {
		return sheet
	}
	out := *sheet
	out.Delay, out.DelayKnown = u.Delay.Best, true
	out.Learned = &schema.LearnedLoop{Unit: unit, Onsets: u.Delay.N, InDelay: u.InDelay}
	for _, x := range u.Axes {
		a, _ := schema.ParseAxis(x.Axis)
		switch {
		case x.Damping == nil:
		case sheet.RaiseTogether:
			out.Axes[a].DampingTime = x.Damping.Best
		default:
			out.Axes[a].Damping = x.Damping.Best
		}
	}
	return &out
}

// LoopRemarks say what the margins and the cap of a gimbal still need, where its stiffness
// dials have maps.
//
// Source: definition.
func LoopRemarks(sheet *schema.Sheet, facts *identify.Report, unit string) []string {
	var missing []string
	for _, a := range schema.Axes {
		if sheet.Dials["stiffness."+a.String()].Map == nil {
			continue
		}
		for _, k := range sheet.LoopMissing(a) {
			if !has(missing, k) {
				missing = append(missing, k)
			}
		}
	}
	if missing == nil {
		return nil
	}
	onRecord, who := 0, "one unit"
	if unit != "" {
		who = "unit " + unit
		if facts != nil {
			u, _ := facts.Unit(unit)
			onRecord = u.WithHz
		}
	}
	return []string{fmt.Sprintf("no margins and no cap: %s missing in the sheet. Two onsets of an axis on %s, each with its frequency and on builds of known inertia, tell delay and damping (%d on record)", strings.Join(missing, ", "), who, onRecord)}
}

// SheetOf is LoopSheet with the maps of the stiffness dials as onsets on the unit told
// their scale.
//
// Source: package identify.
func SheetOf(sheet *schema.Sheet, facts *identify.Report, unit string) *schema.Sheet {
	return scaledSheet(sheet, facts, unit, func(e identify.Estimate) float64 { return e.Best })
}

// CapSheet is SheetOf at the stiff end of what the onsets tell of each scale: a cap may
// not rest on the dial giving less than it does.
//
// Source: package identify.
func CapSheet(sheet *schema.Sheet, facts *identify.Report, unit string) *schema.Sheet {
	return scaledSheet(sheet, facts, unit, func(e identify.Estimate) float64 { return e.Hi })
}

func scaledSheet(sheet *schema.Sheet, facts *identify.Report, unit string, by func(identify.Estimate) float64) *schema.Sheet {
	if facts == nil {
		return sheet
	}
	u, ok := facts.Unit(unit)
	if !ok {
		return sheet
	}
	out := *LoopSheet(sheet, facts, unit)
	learned := schema.LearnedLoop{Unit: unit}
	if out.Learned != nil {
		learned = *out.Learned
	}
	out.Dials = maps.Clone(sheet.Dials)
	for _, x := range u.Axes {
		key := "stiffness." + x.Axis
		d, ok := out.Dials[key]
		if x.Scale == nil || !ok || d.Map == nil {
			continue
		}
		scale := by(*x.Scale)
		m := *d.Map
		m.AtMin, m.AtMax = m.AtMin*scale, m.AtMax*scale
		m.Points = nil
		for _, p := range d.Map.Points {
			m.Points = append(m.Points, [2]float64{p[0], p[1] * scale})
		}
		d.Map = &m
		out.Dials[key] = d
		a, _ := schema.ParseAxis(x.Axis)
		learned.Scale[a] = scale
		out.Learned = &learned
	}
	return &out
}
