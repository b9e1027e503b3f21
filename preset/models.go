package preset

import (
	"math"

	"rigkeep/preset/balance"
	"rigkeep/preset/fit"
	"rigkeep/preset/follow"
	"rigkeep/preset/loop"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// FitLimits is what a gimbal sheet offers a build.
//
// Source: the gimbal sheet.
func FitLimits(s *schema.Sheet) fit.Limits {
	h := Head(s)
	lim := fit.Limits{PayloadMin: s.PayloadMin, PayloadMax: s.PayloadMax, TiltRadius: s.TiltRadius, RollRadius: s.RollRadius, PanRadius: s.PanRadius,
		Pan: h.Pan.Axis, Roll: h.Roll.Axis, Tilt: h.Tilt.Axis}
	switch {
	case s.Box != nil && s.BoxCentre == nil:
		size := mass.Vec(*s.Box)
		lim.Size = &size
	case s.Box != nil:
		var lo, hi mass.Vec
		for i := range lo {
			lo[i], hi[i] = s.BoxCentre[i]-s.Box[i]/2, s.BoxCentre[i]+s.Box[i]/2
		}
		lim.Clear = &fit.Box{Min: lo, Max: hi}
	}
	return lim
}

// ErrNoMap means that a gimbal sheet does not say what a dial is in SI, so that
// what depends on it cannot be computed.
type ErrNoMap struct{ Gimbal, Dial string }

func (e *ErrNoMap) Error() string {
	return "gimbal " + e.Gimbal + " has no SI conversion for dial." + e.Dial + ", so this cannot be computed from the tune; a map in its sheet would change that"
}

// SI takes one value of a tune through its dial's map. A parameter without a
// dial is in its own unit.
//
// Source: schema.Dial.ToSI.
func SI(c *schema.Catalogue, s *schema.Sheet, t Tune, key string) (v float64, unit string, err error) {
	p, ok := c.Param(key)
	v, has := t.Num(key)
	if !ok || !has {
		return 0, "", &schema.DomainError{What: "the tune has no value for " + key}
	}
	if p.Dial == "" {
		return v, p.Unit, nil
	}
	d, ok := s.Dials[p.Dial]
	if !ok || d.Map == nil {
		return 0, "", &ErrNoMap{s.Slug, p.Dial}
	}
	v, err = d.ToSI(v)
	return v, d.Map.Unit, err
}

// smallestGravity is the gravity stiffness, N·m/rad, under which an axis counts
// as balanced: a gram one millimetre off.
const smallestGravity = 1e-5

// GravityStiffness is what gravity adds to the stiffness of a motor axis, N·m/rad,
// over the tilt range of the tune, with the build balanced: none where the axes cross,
// negative where the centre of gravity then lies above the axis. The gimbal's own parts
// are taken as balanced. A rig without parts has none.
//
// Source: balance.GravityStiffnessTurned.
func GravityStiffness(s *schema.Sheet, t *Tune, r Rig, a schema.Axis) (mass.Range, error) {
	if len(r.Parts) == 0 {
		return mass.Range{}, nil
	}
	p, err := r.Balanced(s)
	if err != nil {
		return mass.Range{}, err
	}
	h := Head(s)
	axis := map[schema.Axis]mass.Joint{schema.Pan: h.Pan, schema.Roll: h.Roll, schema.Tilt: h.Tilt}[a]
	form, err := balance.GravityStiffnessTurned(p, axis.Axis, h.Tilt.Axis)
	if err != nil {
		return mass.Range{}, err
	}
	lo, hi := TiltRange(s, t)
	return form.Range(lo, hi)
}

// AxisLoop is the loop model of one axis at an inertia of j kg·m². Filters that
// the tune does not set are taken at the sheet's default, and left out where it
// has none, or where their lag is part of a learned delay. Gravity enters with the
// value, over the tilt range, that is farthest from none. The error is *ErrNoMap where the sheet has no conversion to SI.
//
// Source: package loop.
func AxisLoop(c *schema.Catalogue, s *schema.Sheet, t Tune, r Rig, a schema.Axis, j float64) (loop.Loop, error) {
	x := s.Axes[a]
	l := loop.Loop{J: j, B: x.Viscous, Delay: s.Delay}
	k, _, err := SI(c, s, t, "stiffness."+a.String())
	if err != nil {
		return l, err
	}
	l.K = k
	if s.RaiseTogether {
		l.D = k * x.DampingTime
	} else {
		l.D = x.Damping
	}
	l.Ki = k * x.Integral
	kg, err := GravityStiffness(s, &t, r, a)
	if err != nil {
		return l, err
	}
	if l.KG = kg.Max; math.Abs(kg.Min) > math.Abs(kg.Max) {
		l.KG = kg.Min
	}
	if math.Abs(l.KG) < smallestGravity {
		l.KG = 0
	}
	for _, f := range []struct {
		key   string
		order int
		to    *loop.Filter
	}{{"filters.sensing", s.SensingOrder, &l.Sensing}, {"filters.drive", s.DriveOrder, &l.Drive}} {
		d, has := s.Dials[f.key]
		v, set := t.Num(f.key)
		switch {
		case !has:
			continue
		case d.Map == nil:
			if in, ok := inDelay(s, f.key); ok && (!set || v == in) {
				continue
			}
			return l, &ErrNoMap{s.Slug, f.key}
		case !set && d.Default == nil:
			continue
		case !set:
			v = *d.Default
		}
		si, err := d.ToSI(v)
		if err != nil {
			return l, err
		}
		hz := si
		if d.Map.Unit == "s" {
			if si == 0 {
				continue
			}
			hz = 1 / (2 * math.Pi * si)
		}
		if hz > 0 {
			*f.to = loop.LowPassHz(f.order, hz)
		}
	}
	for _, q := range r.Resonances {
		if q.Axis == a {
			l.Resonance = loop.Resonance{Freq: 2 * math.Pi * q.Hz, Damping: q.Damping, Share: q.Share, SensorBeyond: true}
		}
	}
	return l, l.Validate()
}

// inDelay is the setting of a filter without a map at which its lag is part of the delay
// that sessions told.
func inDelay(s *schema.Sheet, key string) (v float64, ok bool) {
	if s.Learned == nil {
		return 0, false
	}
	v, ok = s.Learned.InDelay[key]
	return v, ok
}

// Raise says what the stiffness dial of a gimbal moves.
//
// Source: the gimbal sheet's loop.raise.
func Raise(s *schema.Sheet) loop.Raise {
	if s.RaiseTogether {
		return loop.RaiseTogether
	}
	return loop.RaiseStiffness
}

// FollowStyle is a follow style of a tune in SI. A dead band or lag that the
// tune does not set is zero. The error is *ErrNoMap where the sheet has no map.
//
// Source: the sheet's dial maps.
func FollowStyle(c *schema.Catalogue, s *schema.Sheet, t Tune, style string, a schema.Axis) (follow.Style, error) {
	out := follow.Style{Model: follow.Model(s.Model)}
	at := schema.Join("follow", style)
	found := false
	for _, f := range []struct {
		what  string
		scale float64
		to    *float64
	}{{"deadband", math.Pi / 180, &out.DeadBand}, {"lag", 1, &out.Lag}} {
		key := at + "." + f.what + "." + a.String()
		if _, ok := t.Num(key); !ok {
			continue
		}
		found = true
		v, _, err := SI(c, s, t, key)
		if err != nil {
			return out, err
		}
		*f.to = v * f.scale
	}
	if !found {
		return out, &schema.DomainError{What: "the tune has no follow style " + style + " for " + a.String()}
	}
	return out, nil
}
