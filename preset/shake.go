package preset

import (
	"fmt"
	"maps"
	"math"
	"time"

	"rigkeep/preset/diagnose"
	"rigkeep/preset/mass"
	"rigkeep/preset/vibration"
	"rigkeep/schema"
)

// rounding is what floating-point arithmetic may leave of a ratio of two numbers as typed.
const rounding = 1e-9

// OnsetRecord is an onset that was seen on a rig.
type OnsetRecord struct {
	Axis  schema.Axis
	Onset float64 // dial number
	Hz    float64 // 0 unknown
	Unit  string
	At    time.Time
	Where string // "session" or "proof"
	Job   string // the job it was for, "" unknown
}

// Text says an onset as a technician would, with its day in a zone.
func (o OnsetRecord) Text(zone *time.Location) string {
	s := fmt.Sprintf("onset of %s: %s on %s", o.Axis, schema.Num(o.Onset), schema.SayDay(o.At, zone))
	if o.Job != "" {
		s += " (job " + o.Job + ")"
	}
	if o.Hz > 0 {
		s += fmt.Sprintf(", at %s Hz", schema.Num(o.Hz))
	}
	if o.Unit != "" {
		s += ", on unit " + o.Unit
	}
	return s
}

// nearHz is how close, as a share, two frequencies count as one.
const nearHz = 0.1

// ShakeHints is what the record of a rig says for or against causes of a shake:
// the tune's stiffness against the onsets on record, the resting effort of its
// proof, and a frequency (0 unknown) against what is known to ring. axes are those
// in question, and zone that of the days it names.
//
// Source: weights are common practice, no source.
func ShakeHints(sheet *schema.Sheet, r Rig, t *Tune, axes []schema.Axis, onsets []OnsetRecord, hz float64, zone *time.Location) []diagnose.Hint {
	var out []diagnose.Hint
	add := func(cause string, w int, format string, args ...any) {
		out = append(out, diagnose.Hint{Cause: cause, Weight: w, Text: fmt.Sprintf(format, args...)})
	}
	for _, a := range axes {
		d, ok := sheet.Dials["stiffness."+a.String()]
		var rec *OnsetRecord
		for i, o := range onsets {
			if o.Axis == a {
				rec = &onsets[i]
				break
			}
		}
		if rec != nil && rec.Hz > 0 && hz > 0 && math.Abs(rec.Hz-hz) <= nearHz*hz {
			add("over-onset", 2, "shakes at %s Hz; earlier onset of %s at %s Hz", schema.Sig(hz, 3), a, schema.Num(rec.Hz))
		}
		if t == nil || rec == nil || !ok {
			continue
		}
		v, has := t.Stiffness(a)
		k, ok1 := stiffnessOf(d, v)
		on, ok2 := stiffnessOf(d, rec.Onset)
		if !has || !ok1 || !ok2 {
			continue
		}
		switch ratio := on / k; { // 1.76 over 1.1 is 1.6
		case ratio <= 1+rounding:
			add("over-onset", 4, "%s; tune %s, not below it", rec.Text(zone), schema.Num(v))
		case ratio < sheet.BenchMargin*(1-rounding):
			add("over-onset", 2, "%s; tune %s, margin only %.2f", rec.Text(zone), schema.Num(v), ratio)
		default:
			add("over-onset", -2, "%s; tune %s, margin %.2f", rec.Text(zone), schema.Num(v), ratio)
		}
	}
	for _, a := range axes {
		for _, q := range r.Resonances {
			if q.Axis == a && hz > 0 && math.Abs(q.Hz-hz) <= nearHz*hz {
				add("long-part", 3, "it shakes at %s Hz, and the build sheet has a part that rings at %s Hz on %s", schema.Sig(hz, 3), schema.Num(q.Hz), a)
			}
		}
		if t == nil || t.Proof == nil {
			continue
		}
		if e, ok := t.Proof.Effort[a]; ok && t.Proof.Rig == r.ID {
			switch {
			case math.Abs(e) > sheet.WorkablePct:
				add("out-of-balance", 3, "%s held %s %% at the proof of %s, over the workable %s %%", a, schema.Num(e), schema.SayDay(t.Proof.At, zone), schema.Num(sheet.WorkablePct))
			case math.Abs(e) <= sheet.GoodPct:
				add("out-of-balance", -1, "%s held %s %% at the proof of %s, and the build is the same", a, schema.Num(e), schema.SayDay(t.Proof.At, zone))
			}
		}
		if t.Proof.Rig != "" && t.Proof.Rig != r.ID {
			add("out-of-balance", 1, "the build changed since the proof")
		}
	}
	return out
}

// MarginTo is the margin of a tune's stiffness to an onset, both by the dial's number:
// the ratio of the two stiffnesses. ok is false where the dial's numbers have none.
//
// Source: definition.
func MarginTo(sheet *schema.Sheet, a schema.Axis, value, onset float64) (margin float64, ok bool) {
	d, ok := sheet.Dials["stiffness."+a.String()]
	k, ok1 := stiffnessOf(d, value)
	on, ok2 := stiffnessOf(d, onset)
	return on / k, ok && ok1 && ok2
}

// LogAnswers are the answers that a log gives by itself, and what it says of causes.
//
// Source: vibration.Verdict; weights are common practice, no source.
func LogAnswers(v vibration.Verdict) (diagnose.Answers, []diagnose.Hint) {
	a := diagnose.Answers{}
	if v.Kind != vibration.Quiet {
		a["axis"] = v.Axis
	}
	var hints []diagnose.Hint
	switch v.Kind {
	case vibration.Chatter:
		a["feel"] = "chatter"
	case vibration.Rocking:
		a["feel"] = "rocking"
	case vibration.HandSway:
		a["feel"] = "rocking"
		text := "the log shows hand sway and no oscillation"
		hints = append(hints, diagnose.Hint{Cause: "deadband-under-sway", Weight: 3, Text: text}, diagnose.Hint{Cause: "lens-too-long", Weight: 2, Text: text},
			diagnose.Hint{Cause: "over-onset", Weight: -3, Text: text}, diagnose.Hint{Cause: "filter-too-heavy", Weight: -3, Text: text})
	}
	return a, hints
}

// FilterPrice is what one coarse step of a filter does to the loop of an axis.
type FilterPrice struct {
	Key       string   `json:"key"`
	Direction string   `json:"direction"`
	Axis      string   `json:"axis"`
	From      float64  `json:"from"`
	To        float64  `json:"to"`
	PMBefore  *float64 `json:"phase_margin_before_deg"` // nil where it cannot be had
	PMAfter   *float64 `json:"phase_margin_after_deg"`
	Onset     *float64 `json:"onset_before,omitempty"` // dial number at which the model oscillates
	OnsetTo   *float64 `json:"onset_after,omitempty"`
	Text      string   `json:"text"`
}

// PriceOfFilter computes what one coarse step of a filter in a direction does to
// the phase margin and the onset of an axis at the tune's values, each at the tilt in use
// where it is least, before and after. Where it cannot
// be computed the text says why.
//
// Source: margins as loop.Margins.
func PriceOfFilter(c *schema.Catalogue, sheet *schema.Sheet, r Rig, t Tune, a schema.Axis, key, direction string) FilterPrice {
	p := FilterPrice{Key: key, Direction: direction, Axis: a.String()}
	d, ok := sheet.Dials[key]
	param, known := c.Param(key)
	v, set := t.Num(key)
	switch {
	case !ok || !known:
		p.Text = "this gimbal has no " + key + " to set"
		return p
	case !set && d.Default == nil:
		p.Text = "what " + key + " is set to is not known"
		return p
	case !set:
		v = *d.Default
	}
	up := float64(d.Sign)
	if direction == param.Down {
		up = -up
	}
	to := d.Round(math.Max(d.Min, math.Min(d.Max, v+up*d.Coarse)))
	p.From, p.To = v, to
	if to == v {
		p.Text = fmt.Sprintf("%s stands at the end of its dial, %s", key, schema.Num(v))
		return p
	}
	step := fmt.Sprintf("%s %s → %s", key, schema.Num(v), schema.Num(to))
	js, err := r.Inertias(sheet, &t)
	if err != nil {
		p.Text = step + ": its price cannot be computed: " + err.Error()
		return p
	}
	was, err := loopsAt(c, sheet, r, t, a, key, v, js[a])
	if err == nil {
		var now *loopFigures
		if now, err = loopsAt(c, sheet, r, t, a, key, to, js[a]); err == nil {
			p.PMBefore, p.PMAfter, p.Onset, p.OnsetTo = was.pm, now.pm, was.onset, now.onset
			p.Text = step + ": " + was.words(now, a)
			return p
		}
	}
	p.Text = step + ": its cost in phase margin cannot be computed: " + err.Error()
	return p
}

type loopFigures struct {
	pm, onset *float64
	tilt      string // at which the phase margin is least, "" where all are alike
}

// loopsAt is the least phase margin and the lowest onset of an axis over the tilts in use,
// with one filter at a value. m is the inertia over them.
func loopsAt(c *schema.Catalogue, sheet *schema.Sheet, r Rig, t Tune, a schema.Axis, key string, v float64, m mass.Moment) (*loopFigures, error) {
	trial := Tune{Values: maps.Clone(t.Values)}
	trial.Values[key] = v
	loops, err := tiltLoops(c, sheet, trial, r, a, m)
	if err != nil {
		return nil, err
	}
	out := &loopFigures{}
	for _, l := range loops {
		g, err := l.Margins()
		if err != nil {
			return nil, err
		}
		pm := g.PMDeg
		if !g.Stable {
			pm = 0
		}
		if !math.IsInf(pm, 0) && (out.pm == nil || pm < *out.pm) {
			out.pm = &pm
			if !m.Flat() {
				out.tilt = tiltOf(m, l.J)
			}
		}
	}
	k, _, err := leastOnset(loops, Raise(sheet))
	if err == nil && !math.IsInf(k, 1) {
		if dial, err := sheet.Dials["stiffness."+a.String()].FromSI(k); err == nil {
			dial = Rounded(dial, 3)
			out.onset = &dial
		}
	}
	return out, nil
}

func (was *loopFigures) words(now *loopFigures, a schema.Axis) string {
	s := ""
	switch {
	case was.pm == nil || now.pm == nil:
		s = fmt.Sprintf("the loop of %s has no phase margin to lose", a)
	case *was.pm == 0:
		s = fmt.Sprintf("the model says %s already oscillates at this stiffness", a)
	default:
		s = fmt.Sprintf("phase margin of %s %.0f° → %.0f° (%+.0f°)", a, *was.pm, *now.pm, *now.pm-*was.pm)
		if *now.pm == 0 {
			s += ", it would oscillate"
		}
		if now.tilt != "" {
			s += " " + now.tilt
		}
	}
	if was.onset != nil && now.onset != nil {
		s += fmt.Sprintf(", onset by the model %s → %s", schema.Num(*was.onset), schema.Num(*now.onset))
	}
	return s
}
