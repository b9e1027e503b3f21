package diffview

import (
	"fmt"
	"math"

	"rigkeep/preset"
	"rigkeep/schema"
)

// Conditions are the moves and the lens for which behaviour is computed. The
// zero value means the stated defaults.
type Conditions struct {
	Job      *preset.Job // its shots and lenses come before the defaults
	Move     string      // as follow.ParseMove reads it; for every style, before the job's
	LensMM   float64     // before the job's
	SensorMM [2]float64  // width and height of the area used
	Squeeze  float64     // 1 or 0 for a spherical lens
}

// What is taken where neither the caller nor the job says: a middling lens on a
// middling sensor, and a brisk turn. Stated with every figure that rests on it.
const (
	defaultLens = 50.0 // mm
	defaultMove = "turn 90deg in 2s"
)

var defaultSensor = [2]float64{24.9, 18.7} // mm

// Bounds of what is shown: more pictures than this hide each other.
const (
	maxPlots     = 6
	plotSamples  = 160
	visibleShare = 0.005 // of the larger figure; less cannot be felt
	visibleLeast = 0.005 // in the figure's unit (s, °, %, Hz)
)

// Behave computes what the change from a to b does: how each follow style that
// changed answers the operator, and how far each axis is from oscillating. It is
// nil when nothing of it changed. What cannot be computed is named with what is
// missing. Nothing here says that a value is safe.
//
// Source: preset/follow and preset/loop, which state theirs.
func Behave(cat *schema.Catalogue, a, b Side, in Conditions) *Behaviour {
	w := behaviour{cat: cat, a: a, b: b, in: in}
	w.follow()
	w.loops()
	w.onsets()
	w.sag()
	if w.out.Figures == nil && w.out.Plots == nil && w.out.Missing == nil {
		return nil
	}
	return &w.out
}

type behaviour struct {
	cat  *schema.Catalogue
	a, b Side
	in   Conditions
	out  Behaviour
}

func (w *behaviour) missing(format string, args ...any) {
	s := fmt.Sprintf(format, args...)
	for _, m := range w.out.Missing {
		if m == s {
			return
		}
	}
	w.out.Missing = append(w.out.Missing, s)
}

func (w *behaviour) basis(s string) {
	for _, m := range w.out.Basis {
		if m == s {
			return
		}
	}
	w.out.Basis = append(w.out.Basis, s)
}

// figure adds a number unless both sides have it and it changed too little to matter.
func (w *behaviour) figure(f Figure) {
	// what is not finite cannot be had, and dust is no figure
	for _, v := range []**float64{&f.Before, &f.After} {
		if *v == nil {
			continue
		}
		x := math.Round(**v*1e4) / 1e4
		*v = &x
		if math.IsNaN(x) || math.IsInf(x, 0) {
			*v = nil
		}
	}
	switch {
	case f.Before == nil && f.After == nil:
		return
	case f.Before == nil || f.After == nil:
		f.Differs = true
	default:
		x, y := *f.Before, *f.After
		f.Differs = math.Abs(y-x) > math.Max(visibleShare*math.Max(math.Abs(x), math.Abs(y)), visibleLeast)
	}
	if f.Differs {
		w.out.Figures = append(w.out.Figures, f)
	}
}
