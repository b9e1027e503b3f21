package preset

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rigkeep/preset/bench"
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
	TiltDeg  float64
	Effort   float64
	Sides    []float64 // the two readings that Effort is the mean of; nil for one
	Text     string
	HasValue bool
}

// BenchResult is what a session found on one axis, in dial numbers; nil is unknown.
type BenchResult struct {
	Kept, Clean, Onset *float64
	Hz                 float64 // 0 unknown
	Saw                string  // "chatter", "rocking" or ""
	Doubt              bool
}

// BenchAxis is what was expected of an axis when the session began; nil is not known.
type BenchAxis struct {
	Offered, OnsetLow, OnsetHigh *float64
	Why                          string
}

// BenchPlan is what a session was begun with. It is written into the log, so that
// the session is taken up again with the same questions.
type BenchPlan struct {
	Order   []schema.Axis
	Margin  float64
	HandDeg []float64 // tilts of the check in the hand, up positive
	Axes    map[schema.Axis]BenchAxis
}

// BenchLog is one tuning session, step by step.
type BenchLog struct {
	Rig, Tune, Unit, By, Firmware, Note string
	Began, Ended                        time.Time // Ended is zero while the session is open
	MassKg                              float64
	Inertia                             map[schema.Axis]float64 // kg·m², 0 unknown
	Plan                                BenchPlan
	Set                                 map[string]float64 // filters at the time, by parameter key
	Steps                               []BenchStep
	Results                             map[schema.Axis]BenchResult
	Hand                                bool // worked in the hand at every tilt of the plan, and clean
}

// DecodeBench reads a bench log that has passed Validate.
func DecodeBench(doc schema.Tree) BenchLog {
	f := schema.Flatten(doc)
	b := BenchLog{Rig: f.Str("rig"), Tune: f.Str("tune"), Unit: f.Str("unit"), By: f.Str("by"), Firmware: f.Str("firmware"), Note: f.Str("note"),
		Began: f.Time("began"), Ended: f.Time("ended"), Results: map[schema.Axis]BenchResult{}, Hand: f.Bool("result.hand"),
		MassKg: f.NumOr("mass_kg", 0), Inertia: perAxis(f, "inertia_kgm2."), Set: map[string]float64{}}
	b.Plan = BenchPlan{Margin: f.NumOr("plan.margin", 0), HandDeg: f.Nums("plan.hand_deg"), Axes: map[schema.Axis]BenchAxis{}}
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
	for i := range f.Len("step") {
		at := fmt.Sprintf("step[%d].", i)
		s := BenchStep{At: f.Time(at + "at"), Axis: f.Str(at + "axis"), Key: f.Str(at + "key"), Saw: f.Str(at + "saw"), Hz: f.NumOr(at+"hz", 0),
			TiltDeg: f.NumOr(at+"tilt_deg", 0), Effort: f.NumOr(at+"effort_pct", 0), Sides: f.Nums(at + "effort_sides_pct"), Text: f.Str(at + "text")}
		s.Value, s.HasValue = f.Num(at + "value")
		b.Steps = append(b.Steps, s)
	}
	num := func(key string) *float64 {
		if v, ok := f.Num(key); ok {
			return &v
		}
		return nil
	}
	for _, a := range schema.Axes {
		if at := "result." + a.String(); len(f.Names(at)) > 0 {
			at += "."
			b.Results[a] = BenchResult{num(at + "kept"), num(at + "clean"), num(at + "onset"), f.NumOr(at+"hz", 0), f.Str(at + "saw"), f.Bool(at + "doubt")}
		}
		if at := "plan." + a.String(); len(f.Names(at)) > 0 {
			at += "."
			b.Plan.Axes[a] = BenchAxis{num(at + "offered"), num(at + "onset_low"), num(at + "onset_high"), f.Str(at + "why")}
		}
	}
	return b
}

// Open reports whether the session has not been ended.
func (b BenchLog) Open() bool { return b.Ended.IsZero() }

// PlanBench is the plan of a session on a rig: the axes in the sheet's order (only
// those named, if any are), what the offers of a starting tune say of each, and
// the tilts for the check in the hand, the one with the least inertia first, since
// an axis oscillates sooner the less it has to turn.
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
		return p, &schema.DomainError{What: "gimbal " + sheet.Slug + " has no stiffness dial for the axes asked for, so there is nothing to work on"}
	}
	js, err := r.Inertias(sheet, t)
	if err != nil && !IsUnknown(err) {
		return p, err
	}
	lo, hi := TiltRange(sheet, t)
	least := -js[schema.Pan].MinAt * 180 / math.Pi
	if r := math.Round(least/5) * 5; r >= -hi*180/math.Pi && r <= -lo*180/math.Pi {
		least = r // nobody reads a tilt closer than that
	}
	for _, deg := range []float64{least, -lo * 180 / math.Pi, -hi * 180 / math.Pi, 0} {
		deg = math.Round(deg) + 0 // no minus zero
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
		s := bench.Setup{Axis: a, Dial: d, Evidence: bench.Evidence{Offered: x.Offered, Reason: x.Why}}
		if x.OnsetLow != nil && x.OnsetHigh != nil {
			s.Evidence.Onset = &start.Range{Lo: *x.OnsetLow, Hi: *x.OnsetHigh}
		}
		cfg.Axes = append(cfg.Axes, s)
	}
	for _, deg := range p.HandDeg {
		cfg.Hand = append(cfg.Hand, bench.Point{Label: TiltWords(deg), TiltDeg: deg})
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
		e := bench.Event{Saw: bench.Saw(s.Saw), Hz: s.Hz, TiltDeg: s.TiltDeg, Effort: s.Effort, Sides: s.Sides, Text: s.Text}
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
	s := BenchStep{At: at.UTC().Truncate(time.Second), Saw: string(e.Saw), Hz: e.Hz, TiltDeg: e.TiltDeg, Effort: e.Effort, Sides: e.Sides, Text: e.Text, Key: e.Key}
	if e.HasAxis {
		s.Axis = e.Axis.String()
	}
	if e.Value != nil {
		s.Value, s.HasValue = *e.Value, true
	}
	return s
}

// ResultsOf are the results of a session as its log keeps them, with whether the
// check in the hand was done and clean.
func ResultsOf(s *bench.Session) (map[schema.Axis]BenchResult, bool) {
	out := map[schema.Axis]BenchResult{}
	for _, r := range s.Results() {
		if r.Looks == 0 {
			continue
		}
		out[r.Axis] = BenchResult{r.Kept, r.Clean, r.Onset, r.Hz, string(r.Saw), len(r.Contradictions) > 0}
	}
	h := s.HandCheck()
	return out, h.Clean > 0 && h.Clean == h.Points && !h.Skipped
}

// Efforts are the resting efforts of the session by axis, percent: the last one
// read at each point of the balance check, and of those the largest.
func (b BenchLog) Efforts() map[schema.Axis]float64 {
	type point struct{ axis, text string }
	last := map[point]float64{}
	for _, s := range b.Steps {
		if s.Saw == string(bench.Effort) {
			r := s.Readings()
			last[point{s.Axis, s.Text}] = Rounded(r[0]/2+r[len(r)-1]/2, 9)
		}
	}
	out := map[schema.Axis]float64{}
	for p, v := range last {
		a, ok := schema.ParseAxis(p.axis)
		if was, have := out[a]; ok && (!have || math.Abs(v) > math.Abs(was) || math.Abs(v) == math.Abs(was) && v > was) {
			out[a] = v
		}
	}
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
