package preset

import (
	"fmt"
	"math"

	"rigkeep/preset/identify"
	"rigkeep/preset/loop"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// CapLimits are the margins a starting stiffness has to keep in the loop model:
// half the onset, 45° and a maximum sensitivity of 2.
//
// Source: ranges recommended in Åström & Hägglund, PID Controllers (from memory).
var CapLimits = loop.Limits{GM: 2, PMDeg: 45, Ms: 2}

// capInertias is at how many inertias between least and greatest the limits are
// looked at, both ends included: with the damping held they need not be hardest to
// keep at an end.
const capInertias = 5

// CapStiffness is the stiffest dial number of an axis between lo and hi that keeps
// CapLimits in the loop model at every tilt in use, with what that holds for in
// words; the softest number where none of the dial keeps them. m is the inertia of
// the axis over those tilts. ok is false where the sheet has no conversion to SI for the dials
// it needs, and where the whole dial keeps the limits.
//
// Source: loop.LargestOver.
func CapStiffness(c *schema.Catalogue, s *schema.Sheet, r Rig, t *Tune, a schema.Axis, m mass.Moment, lo, hi float64) (dial float64, reason string, ok bool) {
	key := "stiffness." + a.String()
	d, has := s.Dials[key]
	if !has || d.Map == nil || len(s.LoopMissing(a)) > 0 {
		return 0, "", false
	}
	soft, stiff := ends(d)
	softest, err := d.ToSI(soft)
	if err != nil {
		return 0, "", false
	}
	stiffest, err := d.ToSI(stiff)
	if err != nil {
		return 0, "", false
	}
	loops, err := tiltLoops(c, s, trialTune(t, key, stiff), r, a, m)
	if err != nil {
		return 0, "", false
	}
	largest := func(loops []loop.Loop) (float64, error) {
		st, _, err := loop.LargestOver(loops, CapLimits, Raise(s), math.Inf(1))
		return st.K, err
	}
	margins := fmt.Sprintf("a gain margin of %s, %s° of phase and a sensitivity under %s", schema.Num(CapLimits.GM), schema.Num(CapLimits.PMDeg), schema.Num(CapLimits.Ms))
	where := "at every tilt in use, " + tiltWords(s, t)
	st, at, err := loop.LargestOver(loops, CapLimits, Raise(s), math.Inf(1))
	if err != nil {
		return 0, "", false
	}
	if st.Feasible && st.K >= stiffest {
		return 0, "", false
	}
	if Raise(s) == loop.RaiseStiffness && s.Axes[a].Integral > 0 {
		// the sheet gives the integral term over the stiffness, so it moves with the dial
		// although the damping does not: step down from the stiff end
		if _, loops, st, at, err = capByStep(c, s, r, t, a, m); err != nil {
			return 0, "", false
		}
	}
	for dial = soft; st.Feasible && st.K >= softest; {
		v, err := d.FromSI(st.K)
		if err != nil {
			return 0, "", false
		}
		if v = d.Round(v); d.Less(v, soft) {
			v = soft // the last step of the dial is shorter than the others
		}
		// with an integral term or held damping less is not always better
		k, err := d.ToSI(v)
		if err != nil {
			return 0, "", false
		}
		next, binds, err := loop.LargestOver(loops, CapLimits, Raise(s), k)
		if err != nil {
			return 0, "", false
		}
		if !next.Feasible {
			at = binds
		}
		if !next.Feasible || next.K >= k*(1-1e-9) {
			st.Feasible, dial = next.Feasible, v
			break
		}
		st = next
	}
	model := fmt.Sprintf("for a rigid build and a delay of %s ms%s", schema.Num(Rounded(s.Delay*1e3, 3)), s.LearnedWords())
	if s.Learned != nil && s.Learned.Scale[a] > 0 {
		model += fmt.Sprintf(", with the dial of unit %s taken as up to ×%.2f of the sheet's", s.Learned.Unit, s.Learned.Scale[a])
	}
	if !st.Feasible || st.K < softest {
		return soft, fmt.Sprintf("%s hold nowhere on this dial %s, %s; %s (%s); %s",
			margins, where, tiltOf(m, loops[max(at, 0)].J), model, nowhereWords(d, loops, largest, softest), s.Raises()), soft >= lo && soft <= hi
	}
	if dial < lo || dial > hi {
		return 0, "", false
	}
	return dial, fmt.Sprintf("%s hold up to here %s, limited by %s, %s; %s (%s); %s",
		margins, where, limitWords[st.LimitedBy], tiltOf(m, loops[at].J), model, delayWords(loops, largest, st.K), s.Raises()), true
}

// mostSteps is how many numbers of a dial capByStep looks at.
const mostSteps = 500

// capByStep goes down a dial from its stiff end to the first number whose own loops
// hold the limits.
func capByStep(c *schema.Catalogue, s *schema.Sheet, r Rig, t *Tune, a schema.Axis, m mass.Moment) (dial float64, loops []loop.Loop, st loop.Start, at int, err error) {
	key := "stiffness." + a.String()
	d := s.Dials[key]
	soft, stiff := ends(d)
	n := int(math.Min(mostSteps, math.Floor((d.Max-d.Min)/d.Fine)))
	for i := range n + 1 {
		v := stiff + (soft-stiff)*float64(i)/float64(n)
		if i > 0 {
			v = d.Round(v)
		}
		k, err := d.ToSI(v)
		if err != nil || k == 0 {
			continue
		}
		if loops, err = tiltLoops(c, s, trialTune(t, key, v), r, a, m); err != nil {
			return 0, nil, st, 0, err
		}
		st, at, err = loop.LargestOver(loops, CapLimits, loop.RaiseStiffness, k)
		if err != nil {
			return 0, nil, st, 0, err
		}
		if st.Feasible && st.K >= k*(1-1e-9) {
			return v, loops, st, max(at, 0), nil
		}
	}
	return soft, loops, loop.Start{}, 0, nil
}

// tiltLoops are the loops of an axis over the tilts in use: at the least and the
// greatest inertia and some between, with the least and the greatest that gravity
// adds.
func tiltLoops(c *schema.Catalogue, s *schema.Sheet, t Tune, r Rig, a schema.Axis, m mass.Moment) ([]loop.Loop, error) {
	first, err := AxisLoop(c, s, t, r, a, m.Min)
	if err != nil {
		return nil, err
	}
	kg, err := GravityStiffness(s, &t, r, a)
	if err != nil {
		return nil, err
	}
	gravity := []float64{first.KG}
	if first.KG != 0 {
		gravity = []float64{kg.Min, kg.Max}
	}
	n := capInertias
	if m.Flat() {
		n = 1
	}
	var out []loop.Loop
	for i := range n {
		l := first
		if i > 0 {
			l.J = m.Min * math.Pow(m.Max/m.Min, float64(i)/float64(n-1))
		}
		for _, g := range gravity {
			if l.KG = g; math.Abs(g) < smallestGravity {
				l.KG = 0
			}
			out = append(out, l)
		}
	}
	return out, nil
}

// tiltWords name the tilts in use, and what was taken where the sheet does not say.
func tiltWords(s *schema.Sheet, t *Tune) string {
	lo, hi := TiltRange(s, t)
	out := tiltWord(lo) + " to " + tiltWord(hi)
	if !travelKnown(s, t) {
		out += " (travel unknown: taken as 90° up and down)"
	}
	return out
}

// travelKnown reports whether sheet or tune says how far the head tilts both ways.
func travelKnown(s *schema.Sheet, t *Tune) bool {
	has := func(sheet *float64, key string) bool {
		if t != nil {
			if _, ok := t.Num(key); ok {
				return true
			}
		}
		return sheet != nil
	}
	return has(s.TiltUpDeg, "limits.tilt.up_deg") && has(s.TiltDownDeg, "limits.tilt.down_deg")
}

// tiltWord is a tilt in rad for people: positive is nose down.
func tiltWord(rad float64) string {
	deg := math.Round(rad * 180 / math.Pi)
	switch {
	case deg < 0:
		return schema.Num(-deg) + "° up"
	case deg > 0:
		return schema.Num(deg) + "° down"
	}
	return "level"
}

// tiltOf says at which tilt a moment has an inertia of its range.
func tiltOf(m mass.Moment, j float64) string {
	switch {
	case m.Flat():
		return "the same at every tilt"
	case j <= m.Min*(1+1e-9):
		return "at the least inertia, lens " + tiltWord(m.MinAt)
	case j >= m.Max*(1-1e-9):
		return "at the greatest inertia, lens " + tiltWord(m.MaxAt)
	}
	return "between the least and the greatest inertia"
}

// delayStep is how far the delay is moved to say what it does to a cap, s.
const delayStep = 1e-3

// delayed are loops with more or less delay; nil where that leaves less than none.
func delayed(loops []loop.Loop, by float64) []loop.Loop {
	var out []loop.Loop
	for _, l := range loops {
		if l.Delay += by; l.Delay < 0 {
			return nil
		}
		out = append(out, l)
	}
	return out
}

// delayWords say how far ±1 ms of delay moves a cap of k; cap finds it for other loops,
// 0 where there is none.
func delayWords(loops []loop.Loop, cap func([]loop.Loop) (float64, error), k float64) string {
	moved := func(by float64) string {
		other := delayed(loops, by)
		if other == nil {
			return ""
		}
		switch x, err := cap(other); {
		case err != nil:
			return ""
		case x == 0:
			return "leaves nothing"
		case math.IsInf(x, 1):
			return "lifts the cap"
		default:
			return fmt.Sprintf("moves it by %+.0f %%", 100*(x/k-1))
		}
	}
	out := "1 ms more " + moved(delayStep)
	if less := moved(-delayStep); less != "" {
		out += ", 1 ms less " + less
	}
	return out
}

// nowhereWords are delayWords where no number of a dial holds the limits: what 1 ms
// less delay would allow. More delay allows no more.
func nowhereWords(d schema.Dial, loops []loop.Loop, cap func([]loop.Loop) (float64, error), softest float64) string {
	other := delayed(loops, -delayStep)
	if other == nil {
		return "nor with 1 ms more"
	}
	x, err := cap(other)
	if err != nil || x < softest {
		return "nor with 1 ms more or less"
	}
	v, err := d.FromSI(x)
	if err != nil {
		return "1 ms less lifts the cap"
	}
	return "1 ms less would hold up to " + schema.Num(d.Round(v))
}

// EndLearned is the dial number at which a session of a rig on a unit should end, by
// the loop that earlier sessions on that unit told: the lowest onset over the tilts in
// use, over the sheet's margin. It is where a value is expected, not a cap: the limits
// of CapStiffness may allow less. ok is false where nothing is known of it.
//
// Source: loop.Loop.OnsetCommon and OnsetStiffness; package identify.
func EndLearned(c *schema.Catalogue, s *schema.Sheet, facts *identify.Report, unit string, r Rig, t *Tune, a schema.Axis, m mass.Moment) (dial float64, reason string, ok bool) {
	if facts == nil {
		return 0, "", false
	}
	u, has := facts.Unit(unit)
	key := "stiffness." + a.String()
	if !has || s.Dials[key].Map == nil {
		return 0, "", false
	}
	own := SheetOf(s, facts, unit)
	if len(own.LoopMissing(a)) > 0 {
		return 0, "", false
	}
	for _, x := range u.Axes {
		if x.Axis != a.String() || x.Scale == nil {
			continue
		}
		d := own.Dials[key]
		loops, err := tiltLoops(c, own, trialTune(t, key, (d.Min+d.Max)/2), r, a, m)
		if err != nil {
			return 0, "", false
		}
		k, at, err := leastOnset(loops, Raise(s))
		if err != nil || math.IsInf(k, 1) {
			return 0, "", false
		}
		if dial, err = d.FromSI(k / s.BenchMargin); err != nil {
			return 0, "", false
		}
		return d.Round(dial), fmt.Sprintf("a margin of %s below the onset %s, as %s on unit %s told the loop", schema.Num(s.BenchMargin), tiltOf(m, at), schema.Count(x.Scale.N, "onset", "onsets"), unit), true
	}
	return 0, "", false
}

// leastOnset is the lowest stiffness at which one of several loops oscillates, and the
// inertia of that loop; +Inf for none.
func leastOnset(loops []loop.Loop, how loop.Raise) (k, at float64, err error) {
	k = math.Inf(1)
	for _, l := range loops {
		on, err := l.OnsetStiffness()
		if how == loop.RaiseTogether {
			on, err = l.OnsetCommon()
		}
		if err != nil {
			return 0, 0, err
		}
		if on.Exists && on.K < k {
			k, at = on.K, l.J
		}
	}
	return k, at, nil
}

// longBuild is the length along the lens from which a build counts as long, m. Common
// practice, no source.
const longBuild = 0.25

// LongWithoutResonance says of a long build that no resonance of it is on record: a
// flexible part at 25 Hz takes up to 90 % of the onset that a rigid build has.
//
// Source: the resonance of package loop; the length is common practice, no source.
func LongWithoutResonance(r Rig) (string, bool) {
	if len(r.Resonances) > 0 {
		return "", false
	}
	solids, _, err := mass.Solids(r.MassParts(), mass.Options{})
	if err != nil {
		return "", false
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, s := range solids {
		if r.Parts[i].Shape == "" {
			continue // a size that was taken, not given
		}
		a, b := s.Extent(mass.Vec{1, 0, 0})
		lo, hi = math.Min(lo, a), math.Max(hi, b)
	}
	if !(hi-lo >= longBuild) {
		return "", false
	}
	return fmt.Sprintf("the build is %.0f mm long and no resonance of it is on record: the loop model takes it as rigid, and one flexible part at 25 Hz can take up to 90 %% of its onset. Support the lens, and work up to the onset", (hi-lo)*1e3), true
}

// ends are the soft and the stiff end of a dial.
func ends(d schema.Dial) (soft, stiff float64) {
	if d.Sign < 0 {
		return d.Max, d.Min
	}
	return d.Min, d.Max
}

// trialTune is a tune with one stiffness, and of t what else the loop of an axis
// depends on.
func trialTune(t *Tune, key string, v float64) Tune {
	trial := Tune{Values: map[string]any{key: v}}
	if t != nil {
		for _, k := range []string{"filters.sensing", "filters.drive", "limits.tilt.up_deg", "limits.tilt.down_deg"} {
			if v, ok := t.Num(k); ok {
				trial.Values[k] = v
			}
		}
	}
	return trial
}

// limitWords say what loop.Start.LimitedBy means.
var limitWords = map[string]string{"gm": "the gain margin", "pm": "the phase margin", "Ms": "the sensitivity", "gm_low": "the lower gain margin"}
