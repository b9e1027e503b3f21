package diffview

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/loop"
	"rigkeep/schema"
)

// modelled is the loop of one axis on one side.
type modelled struct {
	loop    loop.Loop
	margins loop.Margins
	onset   *loop.Onset // nil when the model has none
	dial    *float64    // the onset in dial numbers, where the dial reaches it
}

// errNoLoop means that the sheet does not state what margins depend on most.
type errNoLoop struct {
	gimbal string
	keys   []string
}

func (e *errNoLoop) Error() string {
	return "gimbal " + e.gimbal + " has no " + schema.List(e.keys) + " (needed for margins). Two onsets with their frequency on one unit give it"
}

// model builds the loop of one axis of one side; nil when the tune does not set its stiffness.
func (w *behaviour) model(s Side, x schema.Axis) (*modelled, error) {
	if _, ok := s.Tune.Stiffness(x); !ok {
		return nil, nil
	}
	if keys := s.Sheet.LoopMissing(x); keys != nil {
		for i, k := range keys { // the same words for each axis
			keys[i] = strings.Replace(k, "."+x.String()+".", ".AXIS.", 1)
		}
		return nil, &errNoLoop{s.Sheet.Slug, keys}
	}
	js, err := s.Rig.Inertias(s.Sheet, s.Tune)
	if err != nil {
		return nil, err
	}
	// at the tilt where the loop is nearest to oscillating; the bandwidth where there is
	// most to turn
	var worst *modelled
	bandwidth := math.Inf(1)
	for _, j := range []float64{js[x].Min, js[x].Max} {
		m, err := w.modelAt(s, x, j)
		if err != nil {
			return nil, err
		}
		bandwidth = math.Min(bandwidth, m.margins.Bandwidth)
		if worst == nil || worst.margins.Stable && (!m.margins.Stable || m.margins.Ms > worst.margins.Ms*(1+1e-9)) {
			worst = m
		}
	}
	worst.margins.Bandwidth = bandwidth
	return worst, nil
}

// modelAt is the loop of one axis at an inertia of j kg·m².
func (w *behaviour) modelAt(s Side, x schema.Axis, j float64) (*modelled, error) {
	m := modelled{}
	var err error
	if m.loop, err = preset.AxisLoop(w.cat, s.Sheet, *s.Tune, *s.Rig, x, j); err != nil {
		return nil, err
	}
	if m.margins, err = m.loop.Margins(); err != nil {
		return nil, err
	}
	var o loop.Onset
	if preset.Raise(s.Sheet) == loop.RaiseTogether {
		o, err = m.loop.OnsetCommon()
	} else {
		o, err = m.loop.OnsetStiffness()
	}
	if err != nil {
		return nil, err
	}
	if o.Exists && o.K > 0 {
		m.onset = &o
		if d, ok := s.Sheet.DialOf(w.cat, "stiffness."+x.String()); ok {
			if v, err := d.FromSI(o.K); err == nil {
				m.dial = &v
			}
		}
	}
	return &m, nil
}

// loops compares the margins of each axis by the loop model.
func (w *behaviour) loops() {
	a, b := w.a, w.b
	if a.Tune == nil || b.Tune == nil || a.Rig == nil || b.Rig == nil || a.Sheet == nil || b.Sheet == nil {
		return
	}
	axes := map[string][]string{} // by the reason for which there is no margin
	var reasons []string
	for _, x := range schema.Axes {
		ma, errA := w.model(a, x)
		mb, errB := w.model(b, x)
		if err := errors.Join(errA, errB); err != nil {
			if errA != nil {
				err = errA
			}
			if why := err.Error(); w.loopMayDiffer(x) {
				if axes[why] == nil {
					reasons = append(reasons, why)
				}
				axes[why] = append(axes[why], x.String())
			}
			continue
		}
		w.margins(x, ma, mb)
	}
	for _, why := range reasons {
		w.missing("margin to oscillation, %s: %s", strings.Join(axes[why], ", "), why)
	}
}

// loopMayDiffer reports whether something that the loop of an axis rests on differs.
func (w *behaviour) loopMayDiffer(x schema.Axis) bool {
	for _, k := range []string{"stiffness." + x.String(), "filters.sensing", "filters.drive"} {
		if !equal(w.a.Tune.Values[k], w.b.Tune.Values[k]) {
			return true
		}
	}
	return w.a.Rig.Canonical() != w.b.Rig.Canonical()
}

func (w *behaviour) margins(x schema.Axis, a, b *modelled) {
	before := len(w.out.Figures)
	for _, q := range []struct {
		key, name, unit string
		better          Better
		of              func(*modelled) float64
	}{
		{"below_onset", "below onset", "%", HigherIsBetter, func(m *modelled) float64 {
			if m.onset == nil {
				return math.NaN()
			}
			return 100 * (1 - m.loop.K/m.onset.K)
		}},
		{"onset", "onset of oscillation, dial number", "", HigherIsBetter, func(m *modelled) float64 {
			if m.dial == nil {
				return math.NaN()
			}
			return *m.dial
		}},
		{"onset_hz", "frequency at that onset", "Hz", Neither, func(m *modelled) float64 {
			if m.onset == nil {
				return math.NaN()
			}
			return m.onset.Hz
		}},
		{"phase_margin", "phase margin", "°", HigherIsBetter, func(m *modelled) float64 { return m.margins.PMDeg }},
		{"gain_margin", "gain margin", "dB", HigherIsBetter, func(m *modelled) float64 { return m.margins.GMdB }},
		{"sensitivity", "peak sensitivity", "", LowerIsBetter, func(m *modelled) float64 {
			if !m.margins.Stable {
				return math.Inf(1) // it has none, which is not a small one
			}
			return m.margins.Ms
		}},
		{"bandwidth", "bandwidth", "Hz", HigherIsBetter, func(m *modelled) float64 { return m.margins.Bandwidth / (2 * math.Pi) }},
	} {
		if q.key == "onset" && a != nil && b != nil && (a.dial == nil) != (b.dial == nil) {
			continue // one is off the dial, which "below onset" says better
		}
		get := func(m *modelled) *float64 {
			if m == nil {
				return nil
			}
			v := q.of(m)
			return &v
		}
		limit := map[string]float64{"phase_margin": preset.CapLimits.PMDeg, "gain_margin": 20 * math.Log10(preset.CapLimits.GM), "sensitivity": preset.CapLimits.Ms}
		var lim *float64
		if v, ok := limit[q.key]; ok {
			lim = &v
		}
		w.figure(Figure{Limit: lim, Key: "loop." + q.key + "." + x.String(), Name: q.name, Of: "loop, " + x.String(), Unit: q.unit, Detail: q.key == "onset_hz" || q.key == "gain_margin",
			Before: get(a), After: get(b), Better: q.better, Basis: "by the loop model"})
	}
	if len(w.out.Figures) == before {
		return
	}
	w.basis("Margins are of the loop model at the tilt in use where it is nearest to oscillating, the bandwidth where there is most to turn, with gravity and resonances as the build sheets give them. The model is optimistic: use them to compare, never as proof.")
	for _, s := range []Side{w.a, w.b} {
		counted := "onset and gain margin are counted that way"
		if !s.Sheet.RaiseTogether {
			counted = "the onset is counted that way, the gain margin with all of it raised together"
		}
		w.basis("On " + s.Sheet.Slug + " " + s.Sheet.Raises() + ": " + counted + ".")
		if told := s.Sheet.LearnedWords(); told != "" {
			w.basis("Delay and damping are" + told + ".")
		}
	}
	w.marginPlot(x, a, b)
}

// marginPlot shows the sensitivity: how much of a push is left at each frequency,
// its peak being how near the loop is to oscillating.
func (w *behaviour) marginPlot(x schema.Axis, a, b *modelled) {
	if len(w.out.Plots) >= maxPlots {
		return
	}
	lo, hi := math.Inf(1), 0.0
	for _, m := range []*modelled{a, b} {
		if m == nil || m.margins.WGC <= 0 {
			continue
		}
		lo = math.Min(lo, m.margins.WGC/20)
		hi = math.Max(hi, math.Max(m.margins.WGC*20, 2*m.margins.WPC))
	}
	if !(lo < hi) || math.IsInf(hi, 0) {
		return
	}
	p := Plot{Key: "loop." + x.String(), Title: fmt.Sprintf("Sensitivity, %s", x), LogX: true, XLabel: "frequency, Hz", YLabel: "sensitivity",
		About: "Share of a disturbance that remains (1 = all). A higher peak is closer to oscillation; starting tunes stay below the limit."}
	for _, s := range []struct {
		name string
		m    *modelled
	}{{"before", a}, {"after", b}} {
		if s.m == nil {
			continue
		}
		if !s.m.margins.Stable {
			w.missing("sensitivity, %s, %s: the model oscillates there", x, s.name)
			continue
		}
		line := Series{Name: s.name}
		for i := range plotSamples {
			om := lo * math.Pow(hi/lo, float64(i)/(plotSamples-1))
			l, err := s.m.loop.At(complex(0, om))
			if err != nil || cmplx.IsInf(l) || cmplx.IsNaN(l) {
				continue
			}
			line.X = append(line.X, math.Round(om/(2*math.Pi)*1e4)/1e4)
			line.Y = append(line.Y, math.Round(1e4/cmplx.Abs(1+l))/1e4)
		}
		p.Series = append(p.Series, line)
	}
	if len(p.Series) == 0 {
		return
	}
	p.Marks = []PlotMark{{Name: "limit", Y: preset.CapLimits.Ms}}
	w.out.Plots = append(w.out.Plots, p)
}

// onsets compares how far each side stays below the onset that was recorded at
// its own proof; it needs no map.
func (w *behaviour) onsets() {
	if w.a.Tune == nil || w.b.Tune == nil {
		return
	}
	below := func(s Side, x schema.Axis) *float64 {
		v, ok := s.Tune.Stiffness(x)
		if !ok || s.Tune.Proof == nil || s.Sheet == nil {
			return nil
		}
		on, ok := s.Tune.Proof.Onset[x]
		d, has := s.Sheet.DialOf(w.cat, "stiffness."+x.String())
		if !ok || !has || d.Fine <= 0 {
			return nil
		}
		n := (on - v) / d.Fine
		if d.Sign < 0 {
			n = -n
		}
		return &n
	}
	basis := "onset in the proof"
	if p := w.b.Tune.Proof; p != nil && p.Rig != "" && w.b.Rig != nil && w.b.Rig.ID != "" && p.Rig != w.b.Rig.ID {
		basis += ", on another build"
	}
	for _, x := range schema.Axes {
		w.figure(Figure{Key: "onset." + x.String(), Name: "below the recorded onset", Of: "onset, " + x.String(), Unit: "fine steps",
			Before: below(w.a, x), After: below(w.b, x), Better: HigherIsBetter, Basis: basis})
	}
}
