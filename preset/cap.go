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
// the axis over those tilts. ok is false where the sheet has no SI map for the dials
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
		next, _, err := loop.LargestOver(loops, CapLimits, Raise(s), k)
		if err != nil {
			return 0, "", false
		}
		if !next.Feasible || next.K >= k*(1-1e-9) {
			st.Feasible, dial = next.Feasible, v
			break
		}
		st = next
	}
	if !st.Feasible || st.K < softest {
		return soft, margins + " hold nowhere on this dial " + where + "; " + s.Raises(), soft >= lo && soft <= hi
	}
	if dial < lo || dial > hi {
		return 0, "", false
	}
	return dial, fmt.Sprintf("%s hold %s, limited by %s %s; for a rigid build and a delay of %s ms%s (%s); %s",
		margins, where, limitWords[st.LimitedBy], tiltOf(m, loops[at].J), schema.Num(Rounded(s.Delay*1e3, 3)), s.LearnedWords(), delayWords(loops, largest, st.K), s.Raises()), true
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
		return "at every tilt alike"
	case j <= m.Min*(1+1e-9):
		return "at the least inertia, lens " + tiltWord(m.MinAt)
	case j >= m.Max*(1-1e-9):
		return "at the greatest inertia, lens " + tiltWord(m.MaxAt)
	}
	return "between the least and the greatest inertia"
}

// delayStep is how far the delay is moved to say what it does to a cap, s.
const delayStep = 1e-3

// delayWords say how far ±1 ms of delay moves a cap of k; cap finds it for other loops,
// 0 where there is none.
func delayWords(loops []loop.Loop, cap func([]loop.Loop) (float64, error), k float64) string {
	moved := func(by float64) string {
		var out []loop.Loop
		for _, l := range loops {
			if l.Delay += by; l.Delay < 0 {
				return ""
			}
			out = append(out, l)
		}
		switch x, err := cap(out); {
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

// CapLearned is CapStiffness for a unit whose loop sessions have told: the dial
// number at which the sheet's margin is kept to the onset of that loop at the tilt
// where it is lowest, at the soft end of what is not sure of the dial. ok is false
// where nothing is known of it.
//
// Source: loop.Loop.OnsetCommon and OnsetStiffness; package identify.
func CapLearned(c *schema.Catalogue, s *schema.Sheet, facts *identify.Report, unit string, r Rig, t *Tune, a schema.Axis, m mass.Moment, lo, hi float64) (dial float64, reason string, ok bool) {
	if facts == nil {
		return 0, "", false
	}
	u, has := facts.Unit(unit)
	key := "stiffness." + a.String()
	d, onDial := s.Dials[key]
	if !has || !onDial || d.Map == nil {
		return 0, "", false
	}
	for _, x := range u.Axes {
		if x.Axis != a.String() || x.Scale == nil {
			continue
		}
		own := SheetOf(s, facts, unit)
		if len(own.LoopMissing(a)) > 0 {
			return 0, "", false
		}
		loops, err := tiltLoops(c, own, trialTune(t, key, (d.Min+d.Max)/2), r, a, m)
		if err != nil {
			return 0, "", false
		}
		k, at, err := leastOnset(loops, Raise(s))
		if err != nil || math.IsInf(k, 1) {
			return 0, "", false
		}
		dial, nowhere, ok := capOnDial(d, k/s.BenchMargin/x.Scale.Hi, lo, hi)
		how := "up to here"
		if nowhere {
			how = "nowhere on this dial"
		}
		onset := func(loops []loop.Loop) (float64, error) {
			k, _, err := leastOnset(loops, Raise(s))
			return k, err
		}
		return dial, fmt.Sprintf("the loop as %s on unit %s told it keeps a margin of %s below its onset %s at every tilt in use, %s, lowest %s; for a rigid build and a delay of %s ms (%s); %s",
			schema.Count(x.Scale.N, "onset", "onsets"), unit, schema.Num(s.BenchMargin), how, tiltWords(s, t), tiltOf(m, at), schema.Num(Rounded(own.Delay*1e3, 3)), delayWords(loops, onset, k), s.Raises()), ok
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
	return fmt.Sprintf("the build is %.0f mm long and no resonance of it is on record: the loop model takes it as rigid, and one flexible part at 25 Hz can take up to 90 %% of its onset. Support the lens, and find the onset from below", (hi-lo)*1e3), true
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

// capOnDial is the dial number of the stiffest k allowed, rounded toward less
// stiff. A k under all of the dial gives its soft end, and nowhere; ok is false for
// one beyond it, where nothing is to be capped, or outside lo to hi.
func capOnDial(d schema.Dial, k, lo, hi float64) (dial float64, nowhere, ok bool) {
	soft, _ := ends(d)
	softest, err := d.ToSI(soft)
	if err != nil {
		return 0, false, false
	}
	if k < softest {
		return soft, true, soft >= lo && soft <= hi
	}
	if dial, err = d.FromSI(k); err != nil || dial < lo || dial > hi {
		return 0, false, false
	}
	if dial = d.Round(dial); d.Less(dial, soft) {
		dial = soft // the last step of the dial is shorter than the others
	}
	return dial, false, true
}

// limitWords say what loop.Start.LimitedBy means.
var limitWords = map[string]string{"gm": "the gain margin", "pm": "the phase margin", "Ms": "the sensitivity", "gm_low": "the lower gain margin"}
