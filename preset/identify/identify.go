// Package identify learns about one physical gimbal from the onsets that sessions
// on it saw: the delay of its loop and the scale of its stiffness dials against the
// gimbal sheet's maps, and how much more or less its dials take than those of the
// other units of the model.
//
// An onset is where an axis begins to oscillate as its stiffness is raised. Its
// frequency tells the delay (at onset the phase is -180°, and what filters and
// friction do not explain is delay); its stiffness by the model, against the
// stiffness that the dial's map gives for the number that was set, tells the dial's
// scale. Inertia and scale enter the onset as one product, so an error of the build
// sheet's inertia reads as one of the dial: the spread says so. Against other units
// no model is needed: at equal loops the onset is proportional to inertia, and what
// is left between units is theirs.
//
// Everything is a normal estimate in logarithms with a prior, so that one session
// moves a belief and does not replace it. SI inside. No I/O, no clock.
package identify

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset/domain"
	"rigkeep/preset/loop"
	"rigkeep/schema"
)

// OnsetObservation is one onset that one session saw on one axis.
type OnsetObservation struct {
	Ref   string // what a person can look up
	Unit  string // "" unknown: it speaks for the model of gimbal only
	Axis  schema.Axis
	Clean float64 // stiffest clean, N·m/rad by the dial's map, or the dial's number where it has none
	Onset float64 // softest oscillating, likewise
	J     float64 // kg·m² as the axis stood in the session
	JFrom JSource
	Hz    float64 // of the oscillation, 0 unknown
	Doubt bool    // the session contradicts itself
	// Loop is the axis as the sheet and the build have it, with K, D and Ki in their
	// proportion; nil where the sheet has no maps.
	Loop  *loop.Loop
	Raise loop.Raise
	// NoDamping says that the damping of the axis is not known and not in the loop.
	NoDamping bool
	// InDelay are the settings of filters of which no map tells the lag: it then reads as
	// delay, and only onsets with the same settings tell of one.
	InDelay map[string]float64
}

// JSource says where an inertia comes from.
type JSource int

// Sources of an inertia.
const (
	JMeasured JSource = iota // parts with sizes and places
	JFromMass                // masses and a stated density
)

// Options are the constants of the estimates: standard deviations of logarithms,
// so 0.1 reads as about 10 %.
type Options struct {
	Level     float64 // of every interval
	UnitSD    float64 // between units of one model
	SessionSD float64 // between sessions on one unit and rig
	HzSD      float64 // of a frequency that was read
	DelaySD   float64 // of the sheet's delay
	ScaleSD   float64 // of the sheet's dial maps
	JSD       float64 // of an inertia from measured parts
	JMassSD   float64 // of an inertia from masses alone
	DoubtSD   float64 // added where a session contradicts itself
	Common    float64 // share of the spread of one delay that all sessions on a unit have in common
}

// DefaultOptions gives the constants in use.
//
// Source: common practice, no source.
func DefaultOptions() Options {
	return Options{Level: 0.9, UnitSD: 0.10, SessionSD: 0.06, HzSD: 0.05, DelaySD: 0.30, ScaleSD: 0.25, JSD: 0.05, JMassSD: 0.30, DoubtSD: 0.30, Common: 0.3}
}

func (o Options) check() error {
	c := domain.Checker{Model: "identify"}
	c.That(o.Level > 0 && o.Level < 1, "interval level", o.Level, "a share between 0 and 1", "use 0.9")
	for _, p := range []struct {
		name string
		v    float64
	}{{"spread between units", o.UnitSD}, {"spread between sessions", o.SessionSD}, {"spread of a frequency", o.HzSD}, {"spread of the sheet's delay", o.DelaySD},
		{"spread of the dial maps", o.ScaleSD}, {"spread of inertia", o.JSD}, {"spread of inertia from mass", o.JMassSD}, {"spread of a doubtful session", o.DoubtSD}, {"common share", o.Common}} {
		c.That(p.v > 0 && p.v <= 2, p.name, p.v, "above 0, at most 2", "")
	}
	return c.Err()
}

// Estimate is a value with its interval.
type Estimate struct {
	Best  float64 `json:"best"`
	Lo    float64 `json:"lo"`
	Hi    float64 `json:"hi"`
	Level float64 `json:"level"`
	N     int     `json:"n"` // sights it rests on
}

// Axis is what is known of one axis of a unit.
type Axis struct {
	Axis string `json:"axis"`
	// Offset is the onset of this unit over that of the model of gimbal at equal
	// inertia, in dial stiffness: 1.1 takes a tenth more on its dials.
	Offset Estimate `json:"offset"`
	// Scale is the true stiffness over what the sheet's map says; nil where the
	// sheet has no map or the loop no onset.
	Scale *Estimate `json:"scale,omitempty"`
	// Damping is that over stiffness in s, or in N·m·s/rad where the dial raises stiffness
	// alone; nil where the sheet gives it, and with fewer than TwoOnsets.
	Damping *Estimate `json:"damping,omitempty"`

	lnOffset float64
}

// Unit is what is known of one unit.
type Unit struct {
	Unit              string `json:"unit"`
	OnsetObservations int    `json:"sights"`
	// Delay is that of the loop, s; nil where no frequency was read or the sheet has
	// no maps.
	Delay *Estimate `json:"delay_s,omitempty"`
	Axes  []Axis    `json:"axes"`
	// InDelay are the settings of filters whose lag is part of Delay.
	InDelay map[string]float64 `json:"in_delay,omitempty"`
	// WithHz is how many onsets have their frequency and a loop.
	WithHz int `json:"onsets_with_hz,omitempty"`
	// Refused says which sights could not be used for delay, damping or scale, and why.
	Refused []string `json:"refused,omitempty"`
}

// TwoOnsets is how many onsets with their frequency it takes to learn a delay or a
// damping of which the sheet says nothing.
const TwoOnsets = 2

// Report is what the sights say of every unit, by name.
type Report struct {
	Units []Unit `json:"units"`
}

// Unit finds a unit.
//
// Source: look-up.
func (r *Report) Unit(name string) (Unit, bool) {
	for _, u := range r.Units {
		if u.Unit == name {
			return u, true
		}
	}
	return Unit{}, false
}

// Units learns from sights on the units of one model of gimbal. A sight that
// cannot be (an onset at or below the clean value, no inertia) is a *domain.Error;
// one that a model cannot explain is named in Refused.
//
// Source: offsets as best linear unbiased predictions of a random effect with known
// variances (Robinson, Statistical Science 6 (1991) 15-32, from memory), onset ∝
// inertia at equal loops; delay and scale by loop.DelayFromOnset and the onset of
// the loop, pooled as normal estimates (Gelman et al., Bayesian Data Analysis, ch.
// 2, from memory).
func Units(sights []OnsetObservation, o Options) (*Report, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	c := domain.Checker{Model: "identify"}
	for _, s := range sights {
		c.Positive("stiffness at onset ("+s.Ref+")", s.Onset, "")
		c.Positive("clean stiffness ("+s.Ref+")", s.Clean, "")
		c.That(!(s.Clean > s.Onset), "clean stiffness ("+s.Ref+")", s.Clean, "at most that at onset, "+domain.Number(s.Onset), "")
		c.Positive("inertia ("+s.Ref+")", s.J, "kg·m²")
		c.NotNegative("frequency ("+s.Ref+")", s.Hz, "Hz")
		c.That(s.Axis >= schema.Pan && s.Axis <= schema.Roll, "axis ("+s.Ref+")", float64(s.Axis), "pan, tilt or roll", "")
	}
	if err := c.Err(); err != nil {
		return nil, err
	}
	names := map[string]bool{}
	for _, s := range sights {
		if s.Unit != "" {
			names[s.Unit] = true
		}
	}
	r := &Report{}
	for name := range names {
		r.Units = append(r.Units, Unit{Unit: name})
	}
	sort.Slice(r.Units, func(i, j int) bool { return r.Units[i].Unit < r.Units[j].Unit })
	for _, a := range schema.Axes {
		o.offsets(r, sights, a)
	}
	for i := range r.Units {
		u := &r.Units[i]
		var mine []OnsetObservation
		for _, s := range sights {
			if s.Unit == u.Unit {
				mine = append(mine, s)
			}
		}
		u.OnsetObservations = len(mine)
		o.loops(u, mine)
	}
	return r, nil
}

func sq(x float64) float64 { return x * x }

// ln is the logarithm of the stiffness at onset, the geometric middle of its
// bracket, with its variance: bracket (uniform in ln), inertia, session.
func (o Options) ln(s OnsetObservation) (y, v float64) {
	y = (math.Log(s.Clean) + math.Log(s.Onset)) / 2
	v = sq(math.Log(s.Onset/s.Clean))/12 + sq(o.SessionSD)
	j := o.JSD
	if s.JFrom == JFromMass {
		j = o.JMassSD
	}
	v += sq(j)
	if s.Doubt {
		v += sq(o.DoubtSD)
	}
	return y, v
}

// interval is a normal estimate in logarithms as a value with its interval.
func (o Options) interval(ln, variance float64, n int) Estimate {
	h := math.Sqrt2 * math.Erfinv(o.Level) * math.Sqrt(variance)
	return Estimate{Best: math.Exp(ln), Lo: math.Exp(ln - h), Hi: math.Exp(ln + h), Level: o.Level, N: n}
}

// offsets predicts what each unit takes more or less than the model of gimbal.
func (o Options) offsets(r *Report, sights []OnsetObservation, a schema.Axis) {
	type sum struct {
		w, wy float64
		n     int
	}
	by := map[string]*sum{}
	for _, s := range sights {
		if s.Axis != a {
			continue
		}
		y, v := o.ln(s)
		g := by[s.Unit]
		if g == nil {
			g = &sum{}
			by[s.Unit] = g
		}
		g.w += 1 / v
		g.wy += (y - math.Log(s.J)) / v
		g.n++
	}
	if len(by) == 0 {
		return
	}
	// a unit's mean varies about the model's by unit and by its sights; one whose
	// unit is not known stands for a unit of its own
	var w, wy float64
	for _, g := range by {
		x := 1 / (sq(o.UnitSD) + 1/g.w)
		w += x
		wy += x * g.wy / g.w
	}
	model := wy / w
	for i := range r.Units {
		g := by[r.Units[i].Unit]
		if g == nil {
			continue
		}
		pull := sq(o.UnitSD) / (sq(o.UnitSD) + 1/g.w)
		u := pull * (g.wy/g.w - model)
		// the variance of the prediction error with the model's mean estimated too
		v := sq(o.UnitSD)*(1-pull) + sq(pull)/w
		r.Units[i].Axes = append(r.Units[i].Axes, Axis{Axis: a.String(), Offset: o.interval(u, v, g.n), lnOffset: u})
	}
}

// loops finds the delay and the scales of the dials of one unit.
func (o Options) loops(u *Unit, sights []OnsetObservation) {
	refuse := func(s OnsetObservation, what string, err error) {
		u.Refused = append(u.Refused, fmt.Sprintf("%s, %s: no %s: %v", s.Ref, s.Axis, what, err))
	}
	sights = sameFilters(u, sights, refuse)
	for _, s := range sights {
		if s.Loop != nil && s.Hz > 0 {
			u.WithHz++
		}
	}
	sights = o.dampings(u, sights, refuse)
	delay, delaySD := o.findDelay(u, sights, refuse)
	if delay == 0 {
		return // without a delay the model's onset says nothing
	}
	o.scales(u, sights, delay, delaySD, refuse)
}

// findDelay finds the delay of a unit from the sheet's with its spread, and each frequency that
// was read; 0 if nothing says it.
func (o Options) findDelay(u *Unit, sights []OnsetObservation, refuse func(OnsetObservation, string, error)) (delay, delaySD float64) {
	var w, wt float64
	prior, least := 0.0, math.Inf(1)
	n := 0
	for _, s := range sights {
		if s.Loop == nil {
			continue
		}
		if prior == 0 && s.Loop.Delay > 0 {
			prior = s.Loop.Delay
			w, wt = 1/sq(o.DelaySD*prior), 1/sq(o.DelaySD*prior)*prior
		}
		if s.Hz == 0 {
			continue
		}
		t, sd, err := o.delay(s)
		if err != nil {
			refuse(s, "delay", err)
			continue
		}
		w += 1 / sq(sd)
		wt += t / sq(sd)
		n++
		least = math.Min(least, sd)
	}
	if prior == 0 && n < TwoOnsets {
		w, n = 0, 0 // nothing but one reading to hold it against
	}
	delay, delaySD = prior, o.DelaySD*prior
	if w > 0 {
		delay, delaySD = wt/w, 1/math.Sqrt(w)
	}
	if n > 0 {
		// how a frequency is read, and what the sheet has wrong of filters and damping,
		// is the same in every session: many do not average it away
		delaySD = math.Hypot(delaySD, o.Common*least)
	}
	if n > 0 {
		h := math.Sqrt2 * math.Erfinv(o.Level) * delaySD
		u.Delay = &Estimate{Best: delay, Lo: math.Max(0, delay-h), Hi: delay + h, Level: o.Level, N: n}
	}
	return delay, delaySD
}

// scales finds the scales of the stiffness dials of a unit whose delay is known.
func (o Options) scales(u *Unit, sights []OnsetObservation, delay, delaySD float64, refuse func(OnsetObservation, string, error)) {
	for i := range u.Axes {
		a := &u.Axes[i]
		var w, wy, common float64
		n := 0
		for _, s := range sights {
			if s.Loop == nil || s.Axis.String() != a.Axis {
				continue
			}
			lnK, sd, err := onsetAt(s, delay, delaySD)
			if err != nil {
				refuse(s, "scale", err)
				continue
			}
			y, v := o.ln(s)
			w += 1 / v
			wy += (lnK - y) / v
			common = math.Max(common, sd)
			n++
		}
		if n > 0 {
			v := 1/w + sq(common) // the delay is one for all of them
			pull := sq(o.ScaleSD) / (sq(o.ScaleSD) + v)
			e := o.interval(pull*wy/w, pull*v, n)
			a.Scale = &e
		}
	}
}

// sameFilters takes the loop from the sights whose filters without a map had other
// settings than most.
func sameFilters(u *Unit, sights []OnsetObservation, refuse func(OnsetObservation, string, error)) []OnsetObservation {
	count := map[string]int{}
	most := ""
	for _, s := range sights {
		if s.Loop != nil {
			count[fmt.Sprint(s.InDelay)]++
		}
	}
	for k, n := range count {
		if n > count[most] || n == count[most] && k < most {
			most = k
		}
	}
	out := slices.Clone(sights)
	for i, s := range out {
		switch {
		case s.Loop == nil:
		case fmt.Sprint(s.InDelay) == most:
			u.InDelay = s.InDelay
		default:
			out[i].Loop = nil
			refuse(s, "delay", errors.New("its filters had other settings than most, and their lag is not known apart"))
		}
	}
	return out
}

// dampings finds the damping of each axis whose sheet gives none, and returns the sights
// with it in their loops; those of an axis of which it is not known have no loop.
//
// At onset the loop's magnitude is 1: stiffness and frequency then tell the damping.
// Delay, phase and so the frequency's own error hardly enter.
func (o Options) dampings(u *Unit, sights []OnsetObservation, refuse func(OnsetObservation, string, error)) []OnsetObservation {
	out := slices.Clone(sights)
	for i := range u.Axes {
		a := &u.Axes[i]
		var w, wy, least float64
		n := 0
		for _, s := range out {
			if !s.NoDamping || s.Loop == nil || s.Hz == 0 || s.Axis.String() != a.Axis {
				continue
			}
			y, v := o.ln(s)
			lnD, err := lnDamping(s, y, s.Hz)
			if err != nil {
				refuse(s, "damping", err)
				continue
			}
			move := func(dy, hz float64) float64 {
				if x, err := lnDamping(s, y+dy, hz); err == nil {
					return math.Abs(x - lnD)
				}
				return 1 // near where nothing fits: hardly known
			}
			sd := math.Hypot(move(-math.Sqrt(v), s.Hz), move(0, s.Hz*(1-o.HzSD)))
			w += 1 / sq(sd)
			wy += lnD / sq(sd)
			least = math.Max(least, move(-o.ScaleSD, s.Hz)) // the map's error is one for all
			n++
		}
		if n >= TwoOnsets {
			e := o.interval(wy/w, 1/w+sq(least), n)
			a.Damping = &e
		}
		for j, s := range out {
			if !s.NoDamping || s.Loop == nil || s.Axis.String() != a.Axis {
				continue
			}
			out[j].Loop = nil
			if a.Damping != nil {
				l := *s.Loop
				if l.D = a.Damping.Best; s.Raise == loop.RaiseTogether {
					l.D *= l.K
				}
				out[j].Loop = &l
			}
		}
	}
	return out
}

// lnDamping is ln of the damping that an onset at a stiffness of exp(lnK) and a
// frequency tells: over stiffness where both are raised together.
//
// Source: magnitude condition of the ultimate point (Åström & Hägglund, PID
// Controllers, ch. 2, from memory): |K + j(ωD − Ki/ω)| |G(jω)| = 1.
func lnDamping(s OnsetObservation, lnK, hz float64) (float64, error) {
	bare := *s.Loop
	ki := bare.Ki
	if s.Raise == loop.RaiseTogether {
		ki *= math.Exp(lnK) / bare.K
	}
	bare.K, bare.D, bare.Ki, bare.Delay = 1, 0, 0, 0
	w := 2 * math.Pi * hz
	g, err := bare.At(complex(0, w))
	if err != nil {
		return 0, err
	}
	k := math.Exp(lnK)
	x2 := 1/(sq(real(g))+sq(imag(g))) - sq(k)
	if !(x2 > 0) {
		return 0, &domain.Error{Model: "identify", Name: "frequency of the oscillation", Value: domain.Number(hz) + " Hz", Want: "one above that of the stiffness on the inertia alone", Do: "check the frequency, the build's inertia and the dial's map"}
	}
	d := (math.Sqrt(x2) + ki/w) / w
	if s.Raise == loop.RaiseTogether {
		d /= k
	}
	return math.Log(d), nil
}

// delay is the delay that one frequency says, with its standard deviation.
func (o Options) delay(s OnsetObservation) (t, sd float64, err error) {
	at := func(hz float64) (float64, error) { return delayAt(*s.Loop, s.Raise, 2*math.Pi*hz) }
	if t, err = at(s.Hz); err != nil {
		return 0, 0, err
	}
	lo, err1 := at(s.Hz * (1 + o.HzSD))
	hi, err2 := at(s.Hz * (1 - o.HzSD))
	switch {
	case err1 == nil && err2 == nil:
		sd = math.Abs(hi-lo) / 2
	case err2 == nil:
		sd = math.Abs(hi - t) // no delay at all would be seen only a little faster
	case err1 == nil:
		sd = math.Abs(t - lo)
	default:
		return 0, 0, errors.Join(err1, err2)
	}
	// a filter or a friction that the sheet has a little wrong reads as delay
	return t, math.Max(sd, 0.05*t+1e-6), nil
}

// delayAt is the delay that explains an oscillation at w rad/s.
func delayAt(l loop.Loop, how loop.Raise, w float64) (float64, error) {
	if how == loop.RaiseTogether {
		t, _, err := l.DelayFromOnset(w)
		return t, err
	}
	// damping and integral term are held: the magnitude first tells the stiffness
	bare := l
	bare.K, bare.D, bare.Ki, bare.Delay = 1, 0, 0, 0
	g, err := bare.At(complex(0, w))
	if err != nil {
		return 0, err
	}
	m := math.Hypot(real(g), imag(g))
	k2 := sq(1/m) - sq(w*l.D-l.Ki/w)
	if !(k2 > 0) {
		return 0, &domain.Error{Model: "identify", Name: "frequency of the oscillation", Value: domain.Number(w/(2*math.Pi)) + " Hz", Want: "one at which the damping alone does not carry the loop", Do: "check the sheet's damping and the build's inertia"}
	}
	l.K = math.Sqrt(k2)
	t, _, err := l.DelayFromOnset(w)
	return t, err
}

// onsetAt is ln of the loop's stiffness at onset at a delay, with what the delay's
// spread makes of it.
func onsetAt(s OnsetObservation, delay, sd float64) (lnK, spread float64, err error) {
	at := func(t float64) (float64, error) {
		l := *s.Loop
		l.Delay = t
		var on loop.Onset
		var err error
		if s.Raise == loop.RaiseTogether {
			on, err = l.OnsetCommon()
		} else {
			on, err = l.OnsetStiffness()
		}
		if err == nil && (!on.Exists || !(on.K > 0)) {
			err = errors.New("the model has no onset: it stays stable, or is never stable")
		}
		return math.Log(on.K), err
	}
	if lnK, err = at(delay); err != nil {
		return 0, 0, err
	}
	more, err := at(delay + sd)
	if err != nil {
		return 0, 0, err
	}
	return lnK, math.Abs(more - lnK), nil
}

// says reports whether an estimate of a ratio tells it from 1.
func (e Estimate) says() bool { return e.Lo > 1 || e.Hi < 1 }

// Words say what is known of a unit, a line each, and leave out what the sessions
// could not tell from the model of gimbal.
//
// Source: definition.
func (u Unit) Words() []string {
	var out []string
	pct := func(e Estimate) string {
		return fmt.Sprintf("×%.2f (%.2f to %.2f)", e.Best, e.Lo, e.Hi)
	}
	for _, a := range u.Axes {
		var parts []string
		if a.Offset.says() {
			parts = append(parts, fmt.Sprintf("takes %s of what this model of gimbal takes", pct(a.Offset)))
		}
		if a.Scale != nil && a.Scale.says() {
			parts = append(parts, fmt.Sprintf("its dial gives %s of the sheet's stiffness", pct(*a.Scale)))
		}
		if d := a.Damping; d != nil {
			parts = append(parts, fmt.Sprintf("damping %.3g (%.3g to %.3g)", d.Best, d.Lo, d.Hi))
		}
		if parts != nil {
			out = append(out, fmt.Sprintf("%s: %s, from %s", a.Axis, strings.Join(parts, "; "), schema.Count(a.Offset.N, "onset", "onsets")))
		}
	}
	if u.Delay != nil {
		out = append(out, fmt.Sprintf("delay %.2f ms (%.2f to %.2f), from %s", u.Delay.Best*1e3, u.Delay.Lo*1e3, u.Delay.Hi*1e3, schema.Count(u.Delay.N, "onset", "onsets")))
	}
	return slices.Clip(out)
}
