package vibration

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/schema"
)

// Kind is what a log shows.
type Kind string

// The kinds of motion.
const (
	Quiet    Kind = "quiet"
	HandSway Kind = "hand sway"
	Rocking  Kind = "rocking"
	Chatter  Kind = "chatter"
)

// Limits separate the kinds. Rates are rms in rad/s.
type Limits struct {
	SwayFrom     float64 // Hz
	RockingFrom  float64 // Hz
	ChatterFrom  float64 // Hz
	QuietRate    float64
	ToneRate     float64
	Prominence   float64 // dB
	RockingRate  float64
	ChatterRate  float64
	RockingShare float64 // of all below the band
	ChatterShare float64
}

// DefaultLimits are the usual limits.
//
// Source: common practice, no source.
func DefaultLimits() Limits {
	var l Limits
	for _, r := range l.rows() {
		*r.to = r.usual * r.scale
	}
	return l
}

// Limit is one row of the table of limits, for showing.
type Limit struct {
	Name    string  `json:"name"`
	Value   float64 `json:"value"`
	Unit    string  `json:"unit"`
	Meaning string  `json:"meaning"`
}

type limitRow struct {
	to           *float64
	usual, scale float64
	name, unit   string
	meaning      string
}

// rows is the table of limits. Common practice, no source.
func (l *Limits) rows() []limitRow {
	return []limitRow{
		{&l.SwayFrom, 0.3, 1, "sway from", "Hz", "below this lies what the operator means, and the sensor's drift"},
		{&l.RockingFrom, 3, 1, "rocking from", "Hz", "a hand and footsteps sway below this; a head that oscillates does so above"},
		{&l.ChatterFrom, 12, 1, "chatter from", "Hz", "an oscillation is rocking below this, chatter above"},
		{&l.QuietRate, 0.1, deg, "quiet up to", "deg/s", "rms of all above 'sway from' that is not worth a remedy"},
		{&l.ToneRate, 0.1, deg, "tone from", "deg/s", "rms of a single frequency that counts as an oscillation"},
		{&l.Prominence, 10, 1, "clear from", "dB", "how far a single frequency stands above the floor beside it"},
		{&l.RockingRate, 0.7, deg, "rocking band from", "deg/s", "rms between 'rocking from' and 'chatter from' that counts as an oscillation without a clear frequency"},
		{&l.ChatterRate, 0.5, deg, "chatter band from", "deg/s", "rms above 'chatter from' that counts as chatter without a clear frequency"},
		{&l.RockingShare, 1, 1, "rocking band over sway from", "ratio", "and its least ratio to the sway: a hand's motion fades with frequency and has no clear one either"},
		{&l.ChatterShare, 0.4, 1, "chatter band over the rest from", "ratio", "likewise, to all below it"},
	}
}

// bands are the three of the verdict for a spectrum that ends at top.
func (l Limits) bands(top float64) []Band {
	return []Band{
		{"sway", l.SwayFrom, l.RockingFrom},
		{"rocking", l.RockingFrom, l.ChatterFrom},
		{"chatter", l.ChatterFrom, math.Nextafter(math.Max(top, l.ChatterFrom), math.Inf(1))},
	}
}

// Verdict is what an axis, or the worst of a log, shows, and what to try.
type Verdict struct {
	Kind     Kind     `json:"kind"`
	Axis     string   `json:"axis"`
	Hz       *float64 `json:"hz"`        // of the clear frequency, nil for a band without one
	RMS      float64  `json:"rms_rad_s"` // of that frequency or band
	Evidence []string `json:"evidence"`  // sentences with the numbers
	Also     []Kind   `json:"also,omitempty"`
	Acts     []Act    `json:"acts"` // in the order to try them
}

// Act is one thing to try.
type Act struct {
	Step      string `json:"step"`          // "balance", "stiffness", "filters" or "follow"
	Key       string `json:"key,omitempty"` // of the parameter catalogue; none for balance
	Direction string `json:"direction"`     // the catalogue's word for that key: "softer", "heavier", ...
	Axis      string `json:"axis"`
	Why       string `json:"why"`
}

// motion is one reading of an axis, a candidate for the verdict.
type motion struct {
	kind Kind
	hz   *float64
	rms  float64
	text string
}

// judge reads one axis. clear are its peaks that stand above the floor.
func (l Limits) judge(a schema.Axis, r *AxisReport, clear []Peak) Verdict {
	sway, rocking, chatter := r.Levels[0], r.Levels[1], r.Levels[2]
	above := math.Sqrt(sway.RMS*sway.RMS + rocking.RMS*rocking.RMS + chatter.RMS*chatter.RMS)
	v := Verdict{Kind: Quiet, Axis: a.String(), RMS: above, Acts: []Act{}}
	v.Evidence = append(v.Evidence, fmt.Sprintf("%s: %s rms above %g Hz (%s below %g Hz, %s to %g Hz, %s above)",
		r.Axis, dps(above), l.SwayFrom, dps(sway.RMS), l.RockingFrom, dps(rocking.RMS), l.ChatterFrom, dps(chatter.RMS)))
	if above < l.QuietRate {
		v.Evidence = append(v.Evidence, fmt.Sprintf("that is below %s, quiet", dps(l.QuietRate)))
		return v
	}
	found := l.oscillations(r, clear)
	if len(found) > 0 {
		worst := found[0]
		for _, m := range found {
			if m.rms > worst.rms {
				worst = m
			}
		}
		v.Kind, v.Hz, v.RMS = worst.kind, worst.hz, worst.rms
		v.Evidence = append(v.Evidence, worst.text)
		for _, m := range found {
			if m.kind != worst.kind {
				v.Also = append(v.Also, m.kind)
				v.Evidence = append(v.Evidence, "also "+m.text)
			}
		}
		for _, s := range r.Series {
			if v.Hz != nil && s.Hz == *v.Hz {
				v.Evidence = append(v.Evidence, fmt.Sprintf("with harmonics (%d), %s together", len(s.Members)-1, dps(s.RMS)))
			}
		}
		if sway.RMS >= l.QuietRate {
			v.Also = append(v.Also, HandSway)
		}
	} else if sway.RMS >= l.QuietRate {
		v.Kind, v.RMS = HandSway, sway.RMS
		text := fmt.Sprintf("no clear frequency above %g Hz; the motion is slow", l.RockingFrom)
		for _, p := range clear {
			if p.Hz < l.RockingFrom {
				hz := p.Hz
				v.Hz = &hz
				text += fmt.Sprintf(", strongest at %.2f Hz", hz)
				break
			}
		}
		v.Evidence = append(v.Evidence, text)
	} else {
		v.Evidence = append(v.Evidence, "spread out, with no clear frequency and no band above its limit")
	}
	v.Acts = acts(v.Kind, a)
	return v
}

// oscillations finds the strongest slow and the strongest fast one, by a clear
// frequency or, failing that, by the level of the band.
func (l Limits) oscillations(r *AxisReport, clear []Peak) []motion {
	var out []motion
	steps := l.footsteps(r.Series)
	for i, kind := range []Kind{Rocking, Chatter} {
		band := r.Levels[i+1]
		inside := func(p Peak) bool { return p.Hz >= band.Low && p.Hz < band.High }
		var best *Peak
		for j, p := range clear {
			step := slices.ContainsFunc(steps, func(s Peak) bool { return s.index == p.index })
			if inside(p) && p.RMS >= l.ToneRate && !step && (best == nil || p.RMS > best.RMS) {
				best = &clear[j]
			}
		}
		rest := band.RMS * band.RMS
		for _, p := range steps {
			if inside(p) {
				rest -= p.RMS * p.RMS
			}
		}
		rest = math.Sqrt(math.Max(0, rest))
		limit := []float64{l.RockingRate, l.ChatterRate}[i]
		below, share := r.Levels[0].RMS, l.RockingShare
		if i == 1 {
			below, share = math.Hypot(below, r.Levels[1].RMS), l.ChatterShare
		}
		switch {
		case best != nil:
			hz := best.Hz
			out = append(out, motion{kind, &hz, best.RMS, fmt.Sprintf("%s at %.1f Hz (%s rms, %.0f dB above the floor)", kind, hz, dps(best.RMS), math.Min(best.Prominence(), 99))})
		case rest >= limit && rest >= share*below:
			out = append(out, motion{kind, nil, rest, fmt.Sprintf("%s without a clear frequency (%s rms between %g and %.4g Hz, above the limit of %s and %.2g of what lies below)", kind, dps(rest), band.Low, band.High, dps(limit), share)})
		}
	}
	return out
}

// footsteps lists the peaks that are only weaker harmonics of a sway, since steps
// and strides are not sines: one after the other from the second on, to the
// fifth at most.
func (l Limits) footsteps(series []Series) []Peak {
	var out []Peak
	for _, s := range series {
		if s.Hz >= l.RockingFrom {
			continue
		}
		for i, m := range s.Members {
			if m.Order != i+1 || m.Order > 5 || i > 0 && m.RMS >= s.Members[0].RMS {
				break
			}
			out = append(out, m.Peak)
		}
	}
	return out
}

func dps(v float64) string { return schema.Sig(v/deg, 3) + " deg/s" }

// acts lists what to try for a kind, in the order balance, stiffness, filters.
// Common practice, no source: chatter wants a heavier filter, slow and
// smooth a lighter one, and a filter comes only after balance and stiffness.
func acts(kind Kind, a schema.Axis) []Act {
	n := a.String()
	filter := func(direction, why string) []Act {
		return []Act{
			{"filters", "filters.sensing", direction, "", why},
			{"filters", "filters.drive", direction, "", why + ", if the sensing filter did not do it"},
		}
	}
	out := []Act{}
	switch kind {
	case Rocking, Chatter:
		out = append(out,
			Act{"balance", "", "nearer zero", n, "first check balance and loose parts: read the resting effort, tighten, rebalance"},
			Act{"stiffness", "stiffness." + n, "softer", n, "lower it in fine steps until it is clean"})
		if kind == Rocking {
			out = append(out, filter("lighter", "rocking points to too much delay: try a lighter filter")...)
		} else {
			out = append(out, filter("heavier", "chatter points to noise or a ringing part: a heavier filter removes it but adds delay")...)
		}
	case HandSway:
		out = append(out,
			Act{"follow", "follow.*.deadband." + n, "wider", n, "sway inside the dead band does not move the head"},
			Act{"follow", "follow.*.lag." + n, "longer", n, "the lag reduces what passes the dead band"})
	}
	return out
}

// rank orders the kinds by how much they ask to be acted on.
var rank = map[Kind]int{Quiet: 0, HandSway: 1, Rocking: 2, Chatter: 2}

// sameTone is how close, in spectral lines, frequencies on two axes count as one.
const sameTone = 1.0

// overall picks the worst axis, and says what the axes have in common.
func (r *Report) overall(l *Log) {
	for i, a := range r.Axes {
		w := r.Verdict
		if i == 0 || rank[a.Verdict.Kind] > rank[w.Kind] || rank[a.Verdict.Kind] == rank[w.Kind] && a.Verdict.RMS > w.RMS {
			r.Verdict = a.Verdict
		}
	}
	if w := r.Verdict; w.Hz != nil && rank[w.Kind] == 2 {
		for _, a := range r.Axes {
			v := a.Verdict
			if v.Axis != w.Axis && v.Hz != nil && math.Abs(*v.Hz-*w.Hz) <= sameTone*a.Spectrum.Step {
				r.Notes = append(r.Notes, fmt.Sprintf("%s and %s share %.1f Hz: look for one loose part before changing values", w.Axis, v.Axis, *w.Hz))
			}
		}
	}
	for _, f := range l.Findings {
		switch f.Kind {
		case Clipped, Constant, Duplicate, Swapped:
			r.Notes = append(r.Notes, fmt.Sprintf("the log itself is in doubt (%s, %s): see the findings before acting", f.Kind, f.Use))
		}
	}
	if note, ok := r.folded(); ok {
		r.Notes = append(r.Notes, note)
	}
}
