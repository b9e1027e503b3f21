package diffview

import (
	"errors"
	"fmt"
	"math"

	"rigkeep/preset"
	"rigkeep/preset/follow"
	"rigkeep/schema"
)

// follow compares the follow styles of which a value, a dial or the kind of lag differs.
func (w *behaviour) follow() {
	a, b := w.a.Tune, w.b.Tune
	if a == nil || b == nil || w.a.Sheet == nil || w.b.Sheet == nil {
		return
	}
	styles := map[string]bool{}
	for _, t := range []*preset.Tune{a, b} {
		for _, s := range t.Styles() {
			styles[s] = true
		}
	}
	for _, style := range union(styles, nil) {
		for _, x := range schema.Axes {
			w.style(style, x)
		}
	}
}

func (w *behaviour) style(style string, x schema.Axis) {
	has := func(t *preset.Tune) bool {
		_, win := t.Style(style, "deadband", x)
		_, smo := t.Style(style, "lag", x)
		return win || smo
	}
	hasA, hasB := has(w.a.Tune), has(w.b.Tune)
	if !hasA && !hasB {
		return
	}
	name := fmt.Sprintf("%s (%s)", x, style)
	sa, errA := w.si(w.a, hasA, style, x)
	sb, errB := w.si(w.b, hasB, style, x)
	if err := errors.Join(errA, errB); err != nil {
		if hasA && hasB {
			w.relative(style, name, x, errA, errB)
		}
		return
	}
	if sa != nil && sb != nil && *sa == *sb {
		return
	}
	move, fov, basis, err := w.circumstances(style, x)
	if err != nil {
		w.missing("follow response, %s: %v", name, err)
		return
	}
	var ra, rb *follow.Response
	for _, r := range []struct {
		s  *follow.Style
		to **follow.Response
	}{{sa, &ra}, {sb, &rb}} {
		if r.s == nil {
			continue
		}
		if *r.to, err = follow.Simulate(move.move, *r.s, follow.Options{FieldOfView: fov, NoSmoothness: true, CountLanding: move.landing >= 0, Landing: math.Max(move.landing, 0)}); err != nil {
			w.missing("follow response, %s: %v", name, err)
			return
		}
	}
	get := func(r *follow.Response, f func(*follow.Response) *float64) *float64 {
		if r == nil {
			return nil
		}
		return f(r)
	}
	scaled := func(v *float64, by float64) *float64 {
		if v == nil {
			return nil
		}
		s := *v * by
		return &s
	}
	for _, q := range []struct {
		key, name, unit string
		of              func(*follow.Response) *float64
	}{
		{"start_delay", "start delay", "s", func(r *follow.Response) *float64 { return r.StartDelay }},
		{"largest_trail", "largest trail", "°", func(r *follow.Response) *float64 { return scaled(&r.MaxTrail, 1/follow.Deg) }},
		{"settling", "settling after the move", "s", func(r *follow.Response) *float64 { return r.SettleTime }},
		{"drift", "subject drift", "%", func(r *follow.Response) *float64 {
			if r.Drift == nil {
				return nil
			}
			return scaled(r.Drift.MaxShare, 100)
		}},
	} {
		w.figure(Figure{Key: "follow." + style + "." + q.key + "." + x.String(), Name: q.name, Of: "follow, " + name, Unit: q.unit,
			Before: get(ra, q.of), After: get(rb, q.of), Better: LowerIsBetter, Basis: basis})
	}
	w.sway(style, name, basis, x, sa, sb, move.move)
	w.followPlot(name, move.move, ra, rb)
}

// si is a style of one side in SI; nil when the side does not have it.
func (w *behaviour) si(s Side, has bool, style string, x schema.Axis) (*follow.Style, error) {
	if !has {
		return nil, nil
	}
	st, err := preset.FollowStyle(w.cat, s.Sheet, *s.Tune, style, x)
	if err != nil {
		return nil, err
	}
	return &st, nil
}

// relative compares two styles on a gimbal without maps: only the ratio of the
// dial numbers is known.
func (w *behaviour) relative(style, name string, x schema.Axis, errA, errB error) {
	var noMap *preset.ErrNoMap
	err := errA
	if err == nil {
		err = errB
	}
	if !errors.As(err, &noMap) {
		w.missing("follow response, %s: %v", name, err)
		return
	}
	if w.a.Sheet.Slug != w.b.Sheet.Slug {
		w.missing("follow response, %s: gimbal %s has no SI conversion for dial.%s, so the two gimbals cannot be set against each other", name, noMap.Gimbal, noMap.Dial)
		return
	}
	read := func(t *preset.Tune, what string) float64 { v, _ := t.Style(style, what, x); return v }
	wa, ma, wb, mb := read(w.a.Tune, "deadband"), read(w.a.Tune, "lag"), read(w.b.Tune, "deadband"), read(w.b.Tune, "lag")
	if wa == wb && ma == mb {
		return
	}
	q, err := preset.RelativeFollow(w.b.Sheet, *w.b.Tune, style, *w.a.Tune, style, x)
	if err != nil {
		w.missing("follow response, %s: %v", name, err)
		return
	}
	one := 1.0
	basis := "relative only: no SI conversion, dials taken as proportional"
	for _, f := range []struct {
		key, name string
		after     *float64
	}{{"start_delay", "start delay", q.StartDelay}, {"lag", "trailing beyond the dead band, and settling", q.Lag}} {
		if f.after != nil {
			w.figure(Figure{Key: "follow." + style + "." + f.key + "_ratio." + x.String(), Name: f.name, Of: "follow, " + name, Unit: "×",
				Before: &one, After: f.after, Better: LowerIsBetter, Basis: basis})
		}
	}
	w.basis("Gimbal " + noMap.Gimbal + " has no SI conversion for its follow dials. Figures with × are relative to the first side.")
}

type plannedMove struct {
	move    follow.Move
	landing float64
}

// circumstances chooses the move and the lens for a style: what the caller says,
// the job's shot of this style, the style's own name as a kind of shot, the default.
func (w *behaviour) circumstances(style string, x schema.Axis) (m plannedMove, fov float64, basis string, err error) {
	text, why, lens, lensWhy := w.in.Move, "", w.in.LensMM, ""
	landing := -1.0
	shot, fromJob := w.shot(style)
	if text == "" {
		kind, from := style, "kind of shot"
		if fromJob && shot.Kind != "" {
			kind, from = shot.Kind, "job's shot "+shot.Name
		}
		if k, err := follow.ShotOf(kind); err == nil {
			text, why, landing = k.Move, from, k.Landing
			if from == "kind of shot" {
				why = "kind of shot " + kind
			}
		} else {
			text, why = defaultMove, "default move"
		}
	}
	if m.move, err = follow.ParseMove(text); err != nil {
		return m, 0, "", err
	}
	m.landing = landing
	switch {
	case lens > 0:
	case fromJob && shot.LensMM > 0:
		lens, lensWhy = shot.LensMM, "the shot's"
	case w.in.Job != nil && w.in.Job.Longest > 0:
		lens, lensWhy = w.in.Job.Longest, "the job's longest"
	default:
		lens, lensWhy = defaultLens, "default"
	}
	sensor, squeeze, sensorWhy := w.in.SensorMM, w.in.Squeeze, ""
	if sensor == [2]float64{} && w.in.Job != nil && w.in.Job.Sensor != [2]float64{} {
		sensor, sensorWhy = w.in.Job.Sensor, "the job's"
		if squeeze == 0 {
			squeeze = w.in.Job.Squeeze
		}
	}
	if sensor == [2]float64{} {
		sensor, sensorWhy = defaultSensor, "default"
	}
	h, v, err := preset.View(lens, sensor, squeeze)
	if err != nil {
		return m, 0, "", err
	}
	switch x {
	case schema.Pan:
		fov = h
	case schema.Tilt:
		fov = v
	}
	in := func(s string) string {
		if s == "" {
			return ""
		}
		return " (" + s + ")"
	}
	w.basis(fmt.Sprintf("%s: %s%s.", style, text, in(why)))
	basis = "style " + style + "'s move"
	if fov > 0 {
		w.basis(fmt.Sprintf("Drift in frame through %s mm%s on a sensor of %s × %s mm%s.", num(lens), in(lensWhy), num(sensor[0]), num(sensor[1]), in(sensorWhy)))
		basis += fmt.Sprintf(", %s mm lens", num(lens))
	}
	return m, fov, basis, nil
}

// shot is the first shot of the job that asks for this style.
func (w *behaviour) shot(style string) (preset.Shot, bool) {
	if w.in.Job == nil {
		return preset.Shot{}, false
	}
	for _, s := range w.in.Job.Shots {
		mine := s.Rig == "" || w.b.Rig != nil && s.For(*w.b.Rig)
		if s.Style == style && mine {
			return s, true
		}
	}
	return preset.Shot{}, false
}

// sway compares the share of hand sway let through, for the job's measured sway
// or the move's own.
func (w *behaviour) sway(style, name, basis string, x schema.Axis, sa, sb *follow.Style, m follow.Move) {
	tones := m.Tones()
	if w.in.Job != nil && w.in.Job.Sway[x] > 0 && len(tones) > 0 {
		tones = []follow.Tone{{Amplitude: w.in.Job.Sway[x] * follow.Deg, Frequency: tones[0].Frequency}}
		w.basis(fmt.Sprintf("Sway about %s: the job's %s°, at %s Hz.", x, num(w.in.Job.Sway[x]), num(tones[0].Frequency)))
	}
	if len(tones) == 0 {
		return
	}
	share := func(s *follow.Style) *float64 {
		if s == nil {
			return nil
		}
		l, err := follow.SwayGain(*s, tones...)
		if err != nil {
			return nil
		}
		v := l.LeakAll * 100
		return &v
	}
	w.figure(Figure{Key: "follow." + style + ".sway." + x.String(), Name: "sway passed", Of: "follow, " + name, Unit: "%",
		Before: share(sa), After: share(sb), Better: LowerIsBetter, Basis: basis})
}

func (w *behaviour) followPlot(name string, m follow.Move, ra, rb *follow.Response) {
	if len(w.out.Plots) >= maxPlots/2 {
		return
	}
	p := Plot{Key: "follow." + name, Title: "Follow response, " + name, XLabel: "time, s", YLabel: "angle, °"}
	// the move and what follows it until the slower side has all but settled
	end := m.Duration() + 1
	for _, r := range []*follow.Response{ra, rb} {
		if r != nil {
			end = math.Max(end, m.Duration()+3*r.Style.Lag)
		}
	}
	add := func(label string, r *follow.Response, ys []float64) {
		ys = ys[:min(len(ys), int(end/r.Trace.Step)+1)]
		every := max(len(ys)/plotSamples, 1)
		s := Series{Name: label}
		for i := 0; i < len(ys); i += every {
			s.X, s.Y = append(s.X, tidy(float64(i)*r.Trace.Step)), append(s.Y, math.Round(ys[i]/follow.Deg*1000)/1000)
		}
		p.Series = append(p.Series, s)
	}
	whose := rb
	if ra != nil {
		add("before", ra, ra.Trace.Camera)
		whose = ra
	}
	if rb != nil {
		add("after", rb, rb.Trace.Camera)
	}
	add("operator", whose, whose.Trace.Handle)
	p.About = "Camera heading during the move: " + whose.Move + "."
	w.out.Plots = append(w.out.Plots, p)
}
