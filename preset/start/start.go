// Package start gives a rig its starting tune: for every stiffness and filter
// a value to begin from, the interval it should end in, the evidence used and
// the reason in words. The value offered is the low end of the interval, rounded
// to a step toward less stiff, because one raises stiffness from there.
//
// The model per gimbal and axis is
//
//	ln K = b0 + b1 ln(J / J_ref) + unit effect + rig effect + session scatter
//
// with K the stiffness, J the inertia about the axis and a prior from physics:
// at equal bandwidth stiffness is proportional to inertia (b1 = 1), and where
// only mass is known inertia is taken as proportional to mass^(5/3) (similar
// shape and density). The sheet's reference point, else the loop model, sets b0.
// Proofs of one unit share that unit's effect and proofs of one rig that rig's:
// what an error of its inertia makes of K, and a remainder (package learn, Mixed).
// All spreads are stated; a small grid lets the proofs say where they are larger or
// smaller. A unit or a rig without a proof keeps its whole spread in the interval.
// Where the gimbal's own inertia is unknown it is one more unknown of that grid.
// A dial without a conversion to SI is taken as proportional to stiffness with an
// unknown scale (inversely, if a larger number is softer), and says so.
//
// All constants are in Options with their defaults; those of judgment are
// common practice, no source. The package is pure: no I/O, no clock; functions
// are safe for concurrent use if the hooks are.
package start

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/preset/domain"
	"rigkeep/preset/learn"
	"rigkeep/schema"
)

// Kind is the kind of a parameter: how its starting value is found.
type Kind string

// Kinds of parameter.
const (
	Stiffness Kind = "stiffness" // regression on inertia about Axis
	Filter    Kind = "filter"    // sheet default unless near proved rigs agree on another value
)

// Param is one parameter that the tune needs, with its dial from the sheet.
type Param struct {
	Key  string
	Kind Kind
	Axis schema.Axis // of a stiffness
	Dial schema.Dial
}

// Rig is what is known of a build.
type Rig struct {
	ID   string  // fingerprint; equal IDs are the same rig, "" matches none
	Mass float64 // kg
	// J is the least inertia about each schema.Axis over the tilts in use in kg·m², 0 unknown.
	J [3]float64
	// JFromMass says that J came from masses and a stated density, not from
	// measured parts: it is believed with Options.MassOnly.
	JFromMass bool
}

// Reference is a payload at which the gimbal sheet gives values.
type Reference struct {
	Name   string
	Rig    Rig
	Values map[string]float64 // parameter key to dial number
}

// Tune is one proved tune on this model of gimbal.
type Tune struct {
	Ref     string // what a person can look up, such as "k7qd2m9x4c/main@3f2a"
	Rig     Rig
	Unit    string
	AgeDays float64 // since the proof
	// OutOfDate says why the proof does not count, "" where it does. It is then only
	// named among what was refused.
	OutOfDate string
	Doubt     string // why the caller doubts it, "" for no doubt
	Values    map[string]float64
	Onset     map[string]float64 // stiffness key to the dial number of the onset seen
	// OnsetJ is the inertia about each axis at the tilt where its onset was seen, kg·m²; 0 for
	// the rig's own.
	OnsetJ [3]float64
}

// CapFunc asks the loop model for the stiffest dial number it allows on an axis
// between lo and hi (dial numbers). ok is false where the sheet has no conversion to SI
// or the model has nothing to say.
type CapFunc func(axis schema.Axis, lo, hi float64) (dial float64, reason string, ok bool)

// EndFunc asks where the value of an axis should end on the unit at hand, by what
// onsets on it told. It is evidence for the interval and caps nothing. ok is false
// where nothing is known.
type EndFunc func(axis schema.Axis) (dial float64, reason string, ok bool)

// Shot is a kind of shot and the lens it is made with.
type Shot struct {
	Kind          string  // "walk", "sweep", "chase", ...
	FocalMM       float64 // 0 unknown
	SensorWidthMM float64 // 0 unknown
}

// Style is a follow style proposed for a shot.
type Style struct {
	Name   string             `json:"name"`
	Values map[string]float64 `json:"values"` // parameter key to dial number
	Reason string             `json:"reason"`
}

// FollowFunc proposes the follow style of a shot.
type FollowFunc func(Shot) (Style, error)

// Request is everything that a starting tune is made from.
type Request struct {
	Rig          Rig
	Unit         string  // the unit at hand, "" unknown
	PayloadLimit float64 // kg, 0 unknown
	Params       []Param
	References   []Reference
	Tunes        []Tune
	Cap          CapFunc
	End          EndFunc
	Shots        []Shot
	Follow       FollowFunc
	Options      *Options // nil is DefaultOptions
	Remarks      []string // what is to be said of the rig as a whole, added to the warnings
	// OwnUnknown says of each axis that the gimbal's own inertia about it is not known
	// and not part of any J here: it is then an unknown of the regression.
	OwnUnknown [3]bool
}

// Options holds every constant of the model.
type Options struct {
	Level float64 // of every interval
	Spreads
	SlopeSD     float64 // of the slope about 1, dial with a conversion to SI
	SlopeSDDial float64 // of the slope about 1, dial without
	ReferenceSD float64 // of ln K at the sheet's reference point
	LoopSD      float64 // of ln K by the loop model as the only evidence

	NearDistance float64 // mass.SizeDistance up to which a rig is called near
	// HalfLifeDays is the age at which a proof's own variance has doubled.
	HalfLifeDays float64
	SameInertia  float64 // ratio up to which two inertias count as the same
	MaxTunes     int     // the nearest so many are used
	FilterRigs   int     // near proved rigs needed to leave the sheet's filter default
	FilterAgree  float64 // share of them that must agree
	Listed       int     // proved tunes listed one by one as evidence
	Robust       learn.Robust
}

// DefaultOptions gives the constants in use (common practice, no source).
//
// Source: common practice, no source; the backtest and package coverage show how they do.
func DefaultOptions() Options {
	return Options{
		Level: 0.90, Spreads: DefaultSpreads(),
		SlopeSD: 0.10, SlopeSDDial: 0.20, ReferenceSD: 0.25, LoopSD: 0.40,
		NearDistance: 0.18, HalfLifeDays: 1460, SameInertia: 1.1,
		MaxTunes: 400, FilterRigs: 3, FilterAgree: 2.0 / 3, Listed: 5,
		Robust: learn.DefaultRobust,
	}
}

func (o Options) check() error {
	c := domain.Checker{Model: "start"}
	c.That(o.Level > 0 && o.Level < 1, "interval level", o.Level, "a share between 0 and 1", "use 0.9")
	for _, p := range []struct {
		name string
		v    float64
	}{{"spread between units", o.Unit}, {"spread between rigs", o.Rig}, {"spread of an inertia", o.Inertia}, {"spread of an inertia from mass", o.MassOnly},
		{"spread between sessions", o.Session}, {"spread of a doubted proof", o.Doubt}, {"slope spread", o.SlopeSD}, {"slope spread without a map", o.SlopeSDDial},
		{"reference spread", o.ReferenceSD}, {"loop spread", o.LoopSD}, {"near distance", o.NearDistance}, {"half life", o.HalfLifeDays},
		{"ratio of the same inertia", o.SameInertia}, {"filter rigs", float64(o.FilterRigs)}, {"tunes used", float64(o.MaxTunes)}} {
		c.Positive(p.name, p.v, "")
	}
	c.That(o.FilterAgree > 0 && o.FilterAgree <= 1, "filter agreement", o.FilterAgree, "a share above 0, at most 1", "")
	return c.Err()
}

// Status says what an offer's value is.
type Status string

// Statuses of an offer.
const (
	Offered Status = "offered" // from evidence, inside the dial
	Default Status = "default" // the sheet's default
	Outside Status = "outside" // from evidence, but the dial does not reach it
	Unknown Status = "unknown" // no evidence: the soft end of the dial, or nothing to offer
)

// Evidence is one thing an offer rests on.
type Evidence struct {
	// Kind is "own" (a proof of this rig), "proved" (one of another rig),
	// "proved-rest" (those not listed one by one), "reference", "physics", "learned"
	// (where onsets on the unit at hand say it ends), "loop" (the cap), "dial" or "default".
	Kind     string  `json:"kind"`
	Ref      string  `json:"ref,omitempty"` // tune or sheet reference
	Rig      string  `json:"rig,omitempty"`
	Value    float64 `json:"value,omitempty"`    // dial number it says
	Weight   float64 `json:"weight,omitempty"`   // share of the expected value that follows it, or a vote of a filter
	Distance float64 `json:"distance,omitempty"` // in ln mass and ln inertia
	Text     string  `json:"text"`
}

// Refusal is evidence that was not used.
type Refusal struct {
	Ref    string `json:"ref"`
	Reason string `json:"reason"`
}

// Outlier is a proved tune that was believed less because it is far off the line.
type Outlier struct {
	Ref   string  `json:"ref"`
	Value float64 `json:"value"` // its dial number
	Line  float64 `json:"line"`  // the dial number the line expects there
	Z     float64 `json:"z"`     // robust standard deviations off the line
	Trust float64 `json:"trust"` // 0 to 1
}

// Range is an interval in dial numbers, Lo ≤ Best ≤ Hi as numbers.
type Range struct {
	Best  float64 `json:"best"`
	Lo    float64 `json:"lo"`
	Hi    float64 `json:"hi"`
	Level float64 `json:"level"`
}

// Offer is the starting value of one parameter, in dial numbers.
type Offer struct {
	Key    string  `json:"key"`
	Kind   Kind    `json:"kind"`
	Status Status  `json:"status"`
	Value  float64 `json:"value"` // offered: the soft end of Final on a fine step
	// End is the dial's nearest end where Status is Outside: what the dial can do.
	End   *float64 `json:"end,omitempty"`
	Final *Range   `json:"final,omitempty"` // where the proved value should end; nil if nothing is known
	// Onset is where oscillation should begin, from onsets recorded on this gimbal;
	// nil if there are none.
	Onset *Range `json:"onset,omitempty"`
	// Slope is the exponent of stiffness on inertia after the evidence.
	Slope      float64    `json:"slope,omitempty"`
	Scatter    float64    `json:"scatter,omitempty"` // of one tune about the line, in ln
	N          int        `json:"n"`                 // proved tunes used
	Rigs       int        `json:"rigs"`              // other rigs they are of
	Effective  float64    `json:"effective"`         // how many that is with those far off the line counted in part
	DataShare  float64    `json:"data_share"`        // share of the prediction that follows proved tunes, 0 to 1
	Evidence   []Evidence `json:"evidence"`
	Reason     string     `json:"reason"`
	Assumption string     `json:"assumption,omitempty"`
	Warnings   []string   `json:"warnings,omitempty"`
	Outliers   []Outlier  `json:"outliers,omitempty"`
	Refused    []Refusal  `json:"refused,omitempty"`

	lnBest float64 // ln of the stiffness expected
}

// ShotStyle is the follow style proposed for one shot, or why there is none.
type ShotStyle struct {
	Shot    string `json:"shot"`
	Style   *Style `json:"style,omitempty"`
	Problem string `json:"problem,omitempty"`
}

// Result is a starting tune.
type Result struct {
	Offers   []Offer     `json:"offers"` // in the order of Request.Params
	Follow   []ShotStyle `json:"follow,omitempty"`
	Warnings []string    `json:"warnings,omitempty"`
}

// Offer finds the offer of a parameter.
//
// Source: look-up.
func (r *Result) Offer(key string) (Offer, bool) {
	for _, o := range r.Offers {
		if o.Key == key {
			return o, true
		}
	}
	return Offer{}, false
}

// PayloadError says that the rig is heavier than the gimbal may carry: there is
// no starting tune for it.
type PayloadError struct{ Mass, Limit float64 } // kg

func (e *PayloadError) Error() string {
	return fmt.Sprintf("this rig weighs %.3f kg, the gimbal's payload limit is %.3f kg: take off %.3f kg or use a stronger gimbal",
		e.Mass, e.Limit, e.Mass-e.Limit)
}

// Start computes the starting tune. A payload over the limit is a *PayloadError,
// any other request outside the domain a *domain.Error; a proved tune or
// reference that cannot be used is never an error but a Refusal in the offers.
//
// Source: Gaussian conditioning in logarithms (learn.Mixed) with slope prior 1 from
// equal bandwidth, K ∝ J, and J ∝ m^(5/3) from geometric similarity (Gibbings,
// Dimensional Analysis, from memory); constants common practice, no source.
func Start(q Request) (*Result, error) {
	s, err := newEstimator(q, new(scratch))
	if err != nil {
		return nil, err
	}
	r := &Result{Warnings: slices.Clone(q.Remarks)}
	for _, p := range q.Params {
		o, err := s.offer(p, q.Rig, q.Unit, leaveNone)
		if err != nil {
			return nil, err
		}
		r.Offers = append(r.Offers, o)
	}
	if n := len(s.bad); n > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%d proved tunes could not be used; each offer says why", n))
	}
	for _, sh := range q.Shots {
		st := ShotStyle{Shot: sh.Kind}
		if q.Follow == nil {
			st.Problem = "no follow model is at hand for this gimbal"
		} else if style, err := q.Follow(sh); err != nil {
			st.Problem = err.Error()
		} else {
			st.Style = &style
		}
		r.Follow = append(r.Follow, st)
	}
	return r, nil
}

// scale says how a parameter's dial number relates to stiffness.
type scale struct {
	dial   schema.Dial
	mapped bool
	note   string // the assumption made, "" for none
	broken string // why nothing can be scaled, "" if it can
}

func newScale(d schema.Dial) scale {
	s := scale{dial: d, mapped: d.Map != nil}
	switch {
	case s.mapped:
	case d.Min < 0:
		s.broken = fmt.Sprintf("the dial runs below zero (%s to %s) and has no conversion to SI, so a ratio of its numbers says nothing about stiffness", schema.Num(d.Min), schema.Num(d.Max))
	case d.Sign < 0:
		s.note = "this dial has no conversion to SI: stiffness is taken as inversely proportional to its number"
	default:
		s.note = "this dial has no conversion to SI: its number is taken as proportional to stiffness"
	}
	return s
}

// ln gives ln K of a dial number, or why it cannot.
func (s scale) ln(v float64) (float64, string) {
	if s.broken != "" {
		return 0, s.broken
	}
	if !finite(v) {
		return 0, "its value is not a number"
	}
	if !s.mapped {
		if v <= 0 {
			return 0, fmt.Sprintf("its value %s has no logarithm: on a dial without a conversion to SI only numbers above zero can be scaled", schema.Num(v))
		}
		if s.dial.Sign < 0 {
			return -math.Log(v), ""
		}
		return math.Log(v), ""
	}
	k, err := s.dial.ToSI(v)
	if err != nil {
		return 0, err.Error()
	}
	if k <= 0 {
		return 0, fmt.Sprintf("its value %s has no logarithm by the dial's map", schema.Num(v))
	}
	return math.Log(k), ""
}

// number gives the dial number of ln K; past the dial's end it goes on straight.
func (s scale) number(y float64) float64 {
	if !s.mapped {
		if s.dial.Sign < 0 {
			return math.Exp(-y)
		}
		return math.Exp(y)
	}
	k := math.Exp(y)
	if v, err := s.dial.FromSI(k); err == nil {
		return v
	}
	d := s.dial
	atMin, _ := d.ToSI(d.Min)
	atMax, _ := d.ToSI(d.Max)
	end, in := d.Max, d.Max-d.Fine
	if (k < atMin) == (atMin < atMax) {
		end, in = d.Min, d.Min+d.Fine
	}
	kEnd, _ := d.ToSI(end)
	kIn, _ := d.ToSI(in)
	return end + (k-kEnd)*(end-in)/(kEnd-kIn)
}

// softer is the one of two dial numbers that is less stiff.
func softer(d schema.Dial, a, b float64) float64 {
	if d.Less(a, b) {
		return a
	}
	return b
}

// span orders two dial numbers.
func span(best, a, b, level float64) *Range {
	return &Range{Best: best, Lo: math.Min(a, b), Hi: math.Max(a, b), Level: level}
}
