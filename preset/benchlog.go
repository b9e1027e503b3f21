package preset

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rigkeep/preset/bench"
	"rigkeep/preset/mass"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

// BenchStep is one answer of a bench session.
type BenchStep struct {
	At       time.Time
	Axis     string // "" for a note
	Key      string
	Value    float64
	Saw      string
	Hz       float64
	TiltDeg  *float64 // up positive, nil not known
	Inertia  float64  // kg·m² about Axis at TiltDeg, 0 unknown
	Text     string
	HasValue bool
}

// BenchResult is what a session found on one axis, in dial numbers; nil is unknown.
type BenchResult struct {
	Kept, Clean, Onset *float64
	Hz                 float64 // 0 unknown
	Saw                string  // "chatter", "rocking" or ""
	TiltDeg            *float64
	Inertia            float64 // kg·m² at TiltDeg, where the onset was seen; 0 unknown
	Doubt              bool
}

// BenchAxis is what was expected of an axis when the session began; nil is not known.
type BenchAxis struct {
	Offered, OnsetLow, OnsetHigh *float64
	TiltDeg                      *float64 // how the head stands while the axis is searched
	Held                         *float64 // of the tune, where a recheck begins with it
	Why                          string
}

// BenchPlan is what a session was begun with. It is written into the log, so that
// the session is taken up again with the same questions.
type BenchPlan struct {
	Order   []schema.Axis
	Margin  float64
	HandDeg []float64 // tilts of the handheld check, up positive
	Styles  []string  // that a recheck tries
	Minutes float64   // of a recheck, handheld; 0 of a search
	Axes    map[schema.Axis]BenchAxis
}

// BenchLog is one tuning session, step by step.
type BenchLog struct {
	Rig, Tune, Unit, By, Firmware, Note string
	Began, Ended                        time.Time // Ended is zero while the session is open
	MassKg                              float64
	Inertia, InertiaMost                map[schema.Axis]float64 // kg·m², least and greatest over the tilts in use
	Plan                                BenchPlan
	Set                                 map[string]float64 // filters at the time, by parameter key
	Steps                               []BenchStep
	Results                             map[schema.Axis]BenchResult
	Hand                                bool // tested handheld at every tilt of the plan, and clean
}

func decodeBench(doc schema.Tree) BenchLog {
	f := schema.Flatten(doc)
	b := BenchLog{Rig: f.Str("rig"), Tune: f.Str("tune"), Unit: f.Str("unit"), By: f.Str("by"), Firmware: f.Str("firmware"), Note: f.Str("note"),
		Began: f.Time("began"), Ended: f.Time("ended"), Results: map[schema.Axis]BenchResult{}, Hand: f.Bool("result.hand"),
		MassKg: f.NumOr("mass_kg", 0), Inertia: perAxis(f, "inertia_kgm2."), InertiaMost: perAxis(f, "inertia_most_kgm2."), Set: map[string]float64{}}
	b.Plan = BenchPlan{Margin: f.NumOr("plan.margin", 0), HandDeg: f.Nums("plan.hand_deg"), Styles: f.Strs("plan.styles"), Minutes: f.NumOr("plan.minutes", 0), Axes: map[schema.Axis]BenchAxis{}}
	for _, s := range f.Strs("plan.order") {
		if a, ok := schema.ParseAxis(s); ok {
			b.Plan.Order = append(b.Plan.Order, a)
		}
	}
	for _, k := range []string{"filters.sensing", "filters.drive"} {
		if v, ok := f.Num("set." + k); ok {
			b.Set[k] = v
		}
	}
	num := func(key string) *float64 {
		if v, ok := f.Num(key); ok {
			return &v
		}
		return nil
	}
	for i := range f.Len("step") {
		at := fmt.Sprintf("step[%d].", i)
		s := BenchStep{At: f.Time(at + "at"), Axis: f.Str(at + "axis"), Key: f.Str(at + "key"), Saw: f.Str(at + "saw"), Hz: f.NumOr(at+"hz", 0),
			TiltDeg: num(at + "tilt_deg"), Inertia: f.NumOr(at+"inertia_kgm2", 0), Text: f.Str(at + "text")}
		s.Value, s.HasValue = f.Num(at + "value")
		b.Steps = append(b.Steps, s)
	}
	for _, a := range schema.Axes {
		if at := "result." + a.String(); len(f.Names(at)) > 0 {
			at += "."
			b.Results[a] = BenchResult{num(at + "kept"), num(at + "clean"), num(at + "onset"), f.NumOr(at+"hz", 0), f.Str(at + "saw"), num(at + "tilt_deg"), f.NumOr(at+"inertia_kgm2", 0), f.Bool(at + "doubt")}
		}
		if at := "plan." + a.String(); len(f.Names(at)) > 0 {
			at += "."
			b.Plan.Axes[a] = BenchAxis{num(at + "offered"), num(at + "onset_low"), num(at + "onset_high"), num(at + "tilt_deg"), num(at + "held"), f.Str(at + "why")}
		}
	}
	return b
}

// Open reports whether the session has not been ended.
func (b BenchLog) Open() bool { return b.Ended.IsZero() }

// PlanBench is the plan of a session on a rig: the axes in the sheet's order (only
// those named, if any are), what the offers of a starting tune say of each, how the head
// stands for it, and the tilts for the handheld check. An axis is searched where it has
// least to turn, since there it oscillates first; those tilts come first handheld too.
func PlanBench(sheet *schema.Sheet, r Rig, t *Tune, offers []start.Offer, only []schema.Axis) (BenchPlan, error) {
	p := BenchPlan{Margin: sheet.BenchMargin, Axes: map[schema.Axis]BenchAxis{}}
	for _, a := range sheet.BenchOrder {
		key := "stiffness." + a.String()
		if _, ok := sheet.Dials[key]; !ok || len(only) > 0 && !has(only, a) {
			continue
		}
		p.Order = append(p.Order, a)
		for _, o := range offers {
			if o.Key != key {
				continue
			}
			x := BenchAxis{Why: o.Reason}
			if e := bench.EvidenceFrom(o); e.Offered != nil {
				v := Rounded(*e.Offered, 12)
				x.Offered = &v
			}
			if o.Onset != nil {
				lo, hi := Rounded(o.Onset.Lo, 4), Rounded(o.Onset.Hi, 4)
				x.OnsetLow, x.OnsetHigh = &lo, &hi
			}
			if x.Offered != nil {
				// what is off the dial is begun at its end: the session says so
				v := math.Max(sheet.Dials[key].Min, math.Min(sheet.Dials[key].Max, *x.Offered))
				if v != *x.Offered {
					x.Why = fmt.Sprintf("the evidence asks for %s, off the dial; %s", schema.Num(*x.Offered), o.Reason)
					x.Offered = &v
				}
			}
			p.Axes[a] = x
		}
	}
	if len(p.Order) == 0 {
		return p, &schema.DomainError{What: "gimbal " + sheet.Slug + " has no stiffness dial for the axes asked for. Type the controller's dials into its sheet: rigkeep edit gimbal:" + sheet.Slug}
	}
	js, err := r.Inertias(sheet, t)
	if err != nil && !IsUnknown(err) {
		return p, err
	}
	lo, hi := TiltRange(sheet, t)
	up, down := math.Round(-lo*180/math.Pi), math.Round(-hi*180/math.Pi)
	var tilts []float64
	for _, a := range []schema.Axis{schema.Pan, schema.Roll, schema.Tilt} {
		if err != nil {
			break // known by its mass alone
		}
		deg := 0.0 // level, unless it makes a difference
		if !FlatInertia(js[a]) {
			deg = -js[a].MinAt * 180 / math.Pi
			deg = math.Round(deg/5)*5 + 0 // nobody reads a tilt closer than that; no minus zero
		}
		deg = math.Max(down, math.Min(up, deg))
		tilts = append(tilts, deg)
		if has(p.Order, a) {
			x := p.Axes[a]
			x.TiltDeg = &deg
			p.Axes[a] = x
		}
	}
	for _, deg := range append(tilts, up, down, 0) {
		switch { // the ends of the range themselves are tested
		case up-deg < 15:
			deg = up
		case deg-down < 15:
			deg = down
		}
		near := false
		for _, d := range p.HandDeg {
			near = near || math.Abs(d-deg) < 15
		}
		if !near {
			p.HandDeg = append(p.HandDeg, deg)
		}
	}
	return p, nil
}

// recheckMinutes is how long a rig is worked before a recheck counts as clean (common
// practice, no source).
const recheckMinutes = 5

// FlatInertia reports whether an axis turns the same at every tilt in use, to what counts as
// the same build.
//
// Source: common practice, no source.
func FlatInertia(m mass.Moment) bool { return m.Max <= m.Min*(1+sameInertia) }

// Recheck makes a plan one of a recheck after a rebuild: the tune's values handheld at the
// plan's tilts, its follow styles, then five minutes. A finding leads into the search.
//
// Source: common practice, no source.
func (p BenchPlan) Recheck(sheet *schema.Sheet, t *Tune) (BenchPlan, error) {
	if t == nil {
		return p, &schema.DomainError{What: "a recheck needs a tune"}
	}
	order := p.Order
	p.Order, p.Styles, p.Minutes = nil, t.Styles(), recheckMinutes
	for _, a := range order {
		v, ok := t.Stiffness(a)
		if !ok {
			continue // the tune leaves it as it is
		}
		if d := sheet.Dials["stiffness."+a.String()]; !d.OnStep(v) {
			return p, &schema.DomainError{What: fmt.Sprintf("%s %s of the tune is not a step of its dial", a, schema.Num(v))}
		}
		x := p.Axes[a]
		x.Held, x.Offered, x.OnsetLow, x.OnsetHigh, x.Why = &v, nil, nil, nil, ""
		p.Axes[a] = x
		p.Order = append(p.Order, a)
	}
	if len(p.Order) == 0 {
		return p, &schema.DomainError{What: "a recheck needs a tune with a stiffness of at least one axis"}
	}
	return p, nil
}

// IsRecheck reports whether the session began with the values of a tune.
func (p BenchPlan) IsRecheck() bool { return p.Minutes > 0 }

func has[T comparable](l []T, v T) bool {
	for _, x := range l {
		if x == v {
			return true
		}
	}
	return false
}

// BenchSession is the session of a log as a state machine, with all its steps
// answered.
func (b BenchLog) BenchSession(sheet *schema.Sheet) (*bench.Session, error) {
	cfg, err := b.Plan.config(sheet)
	if err != nil {
		return nil, err
	}
	events, err := b.events()
	if err != nil {
		return nil, err
	}
	return bench.Replay(cfg, events)
}

func (p BenchPlan) config(sheet *schema.Sheet) (bench.Config, error) {
	cfg := bench.Config{Margin: p.Margin}
	for _, a := range p.Order {
		d, ok := sheet.Dials["stiffness."+a.String()]
		if !ok {
			return cfg, &schema.DomainError{What: "gimbal " + sheet.Slug + " has no dial for the stiffness of " + a.String() + " any more, so this session cannot go on"}
		}
		x := p.Axes[a]
		s := bench.Setup{Axis: a, Dial: d, TiltDeg: x.TiltDeg, Held: x.Held, Evidence: bench.Evidence{Offered: x.Offered, Reason: x.Why}}
		if x.OnsetLow != nil && x.OnsetHigh != nil {
			s.Evidence.Onset = &start.Range{Lo: *x.OnsetLow, Hi: *x.OnsetHigh}
		}
		cfg.Axes = append(cfg.Axes, s)
	}
	for _, deg := range p.HandDeg {
		cfg.Hand = append(cfg.Hand, bench.Point{Label: TiltWords(deg), TiltDeg: &deg})
	}
	for _, s := range p.Styles {
		cfg.Hand = append(cfg.Hand, bench.Point{Label: "style " + s, Style: s})
	}
	if p.Minutes > 0 {
		cfg.Hand = append(cfg.Hand, bench.Point{Label: schema.Num(p.Minutes) + " minutes of handheld work", Minutes: p.Minutes})
	}
	return cfg, nil
}

// TiltWords says a tilt in degrees, up positive, in words.
func TiltWords(deg float64) string {
	switch {
	case deg > 0:
		return "lens up " + schema.Num(deg) + "°"
	case deg < 0:
		return "lens down " + schema.Num(-deg) + "°"
	}
	return "lens level"
}

// events are the steps of the log as the state machine takes them.
func (b BenchLog) events() ([]bench.Event, error) {
	out := make([]bench.Event, len(b.Steps))
	for i, s := range b.Steps {
		e := bench.Event{Saw: bench.Outcome(s.Saw), Hz: s.Hz, TiltDeg: s.TiltDeg, Text: s.Text}
		if s.Key != "" && !strings.HasPrefix(s.Key, "stiffness.") {
			// whatever was seen then, it is no look at a stiffness
			e.Saw, e.Key = bench.Note, s.Key
		}
		if s.Axis != "" {
			a, ok := schema.ParseAxis(s.Axis)
			if !ok {
				return nil, &schema.DomainError{What: fmt.Sprintf("step %d of the bench log names an axis %q", i+1, s.Axis)}
			}
			e.Axis, e.HasAxis = a, true
		}
		if s.HasValue {
			v := s.Value
			e.Value = &v
		}
		out[i] = e
	}
	return out, nil
}

// StepOf is an answer as a step of the log.
func StepOf(e bench.Event, at time.Time) BenchStep {
	s := BenchStep{At: at.UTC().Truncate(time.Second), Saw: string(e.Saw), Hz: e.Hz, TiltDeg: e.TiltDeg, Text: e.Text, Key: e.Key}
	if e.HasAxis {
		s.Axis = e.Axis.String()
	}
	if e.Value != nil {
		s.Value, s.HasValue = *e.Value, true
	}
	return s
}

// ResultsOf are the results of a session as its log keeps them, with whether the
// handheld check was done and clean.
func ResultsOf(s *bench.Session) (map[schema.Axis]BenchResult, bool) {
	out := map[schema.Axis]BenchResult{}
	for _, r := range s.Results() {
		if r.Trials == 0 {
			continue
		}
		out[r.Axis] = BenchResult{r.Kept, r.Clean, r.Onset, r.Hz, string(r.Saw), r.TiltDeg, 0, len(r.Contradictions) > 0}
	}
	h := s.HandCheck()
	return out, h.Done()
}

// OnsetInertia is the inertia about an axis at the tilt where its onset was seen, else the
// least over the tilts in use: what onset and regression go by. 0 is unknown.
//
// Source: the log.
func (b BenchLog) OnsetInertia(a schema.Axis) float64 {
	if j := b.Results[a].Inertia; j > 0 {
		return j
	}
	return b.Inertia[a]
}

// Onsets puts the onsets that a session saw into a proof, with where they were seen; it reports
// whether there was one without doubt.
//
// Source: the log.
func (b BenchLog) Onsets(p *Proof) bool {
	for _, m := range []*map[schema.Axis]float64{&p.Onset, &p.OnsetHz, &p.OnsetTilt, &p.OnsetInertia} {
		if *m == nil {
			*m = map[schema.Axis]float64{}
		}
	}
	for a, r := range b.Results {
		if r.Onset == nil || r.Doubt {
			continue
		}
		p.Onset[a] = *r.Onset
		if r.Hz > 0 && p.OnsetHz[a] == 0 {
			p.OnsetHz[a] = r.Hz
		}
		if r.TiltDeg != nil {
			p.OnsetTilt[a] = *r.TiltDeg
		}
		if r.Inertia > 0 {
			p.OnsetInertia[a] = r.Inertia
		}
	}
	return len(p.Onset) > 0
}

// HandTilts are the tilts at which the values were tested handheld, as the steps say, up
// positive, least first.
//
// Source: the log.
func (b BenchLog) HandTilts() []float64 {
	var out []float64
	for _, s := range b.Steps {
		if s.Saw == string(bench.Hand) && s.TiltDeg != nil && !has(out, *s.TiltDeg) {
			out = append(out, *s.TiltDeg)
		}
	}
	slices.Sort(out)
	return out
}

// Drift says what a session was worked with, beside the stiffness it looks for, and
// is otherwise now: the build's mass by 5 g or more, and filters of the tune (nil
// where there is none). What was found holds for what it was worked with.
//
// Source: the log; inertia and filters move the onset (package loop); 5 g is the step
// of the fingerprint.
func (b BenchLog) Drift(r Rig, t *Tune) []string {
	var out []string
	if m := r.Mass(); b.MassKg > 0 && math.Abs(m-b.MassKg) >= 0.005 {
		out = append(out, fmt.Sprintf("the build weighed %s kg when the session began and weighs %s kg now", schema.Num(b.MassKg), schema.Num(Rounded(m, 4))))
	}
	if t == nil {
		return out
	}
	for _, key := range []string{"filters.sensing", "filters.drive"} {
		was, ok := b.Set[key]
		if now, has := t.Num(key); ok && has && now != was {
			out = append(out, fmt.Sprintf("%s was %s when the session began and is %s in the tune now", key, schema.Num(was), schema.Num(now)))
		}
	}
	return out
}
