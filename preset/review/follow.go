package review

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/follow"
	"rigkeep/schema"
)

func init() {
	whole["style-missing"] = styleMissing
	tests["follow-drift"] = followDrift
	tests["follow-delay"] = followLate
	tests["deadband-sway"] = deadBandSway
}

// style is one style and move to look at, for one axis.
type style struct {
	name, shot string // shot is the job's, or "" for the style's own name as a kind
	kind       follow.Shot
	axis       schema.Axis
	si         follow.Style
}

// followAxes are the axes that follow an operator; roll holds the horizon.
var followAxes = []schema.Axis{schema.Pan, schema.Tilt}

// styles lists what the job's shots and the tune's own styles ask of the head,
// and why something of it cannot be looked at.
func styles(s *Snapshot, x *Subject) (out []style, why []string) {
	if x.Tune == nil || x.Sheet == nil || s.Job == nil {
		return nil, nil
	}
	have := x.Tune.Styles()
	type ask struct{ name, shot, kind string }
	var asks []ask
	for _, shot := range s.Job.Shots {
		name := cmp.Or(shot.Style, shot.Kind)
		switch {
		case !shot.For(x.Rig) || name == "":
		case slices.Contains(have, name):
			asks = append(asks, ask{name, shot.Name, cmp.Or(shot.Kind, name)})
		case !s.styled(shot, name):
			why = append(why, fmt.Sprintf("%q asks for style %s, which no tune of the job has", shot.Name, name))
		}
	}
	for _, name := range have {
		if !slices.ContainsFunc(asks, func(a ask) bool { return a.name == name }) {
			asks = append(asks, ask{name, "", name})
		}
	}
	for _, a := range asks {
		k, err := follow.ShotOf(a.kind)
		if err != nil {
			why = append(why, fmt.Sprintf("no move is known for the kind %q of style %s", a.kind, a.name))
			continue
		}
		for _, ax := range followAxes {
			if !hasStyle(x.Tune, a.name, ax) {
				continue
			}
			si, err := preset.FollowStyle(s.Cat, x.Sheet, *x.Tune, a.name, ax)
			var none *preset.ErrNoMap
			switch {
			case errors.As(err, &none):
				return out, append(why, noMap(x))
			case err != nil:
				why = append(why, err.Error())
				continue
			}
			out = append(out, style{a.name, a.shot, k, ax, si})
		}
	}
	return out, why
}

func styleMissing(l *look) {
	if l.s.Job == nil {
		l.cannot(nil, "it needs a job")
		return
	}
	done := map[string]bool{}
	for i, shot := range l.s.Job.Shots {
		name := cmp.Or(shot.Style, shot.Kind)
		if name == "" {
			l.cannot(nil, "a shot says neither its kind nor its style")
			continue
		}
		if done[name+"\x00"+shot.Rig] || l.s.styled(shot, name) {
			continue
		}
		done[name+"\x00"+shot.Rig] = true
		var x *Subject // the first that it may be for, so that the finding comes beside its rig
		for k := range l.s.Subjects {
			if x == nil && l.s.Subjects[k].Tune != nil && shot.For(l.s.Subjects[k].Rig) {
				x = &l.s.Subjects[k]
			}
		}
		whose := "no tune of the job has"
		if shot.Rig != "" {
			whose = "no tune of " + shot.Rig + " has"
		}
		at := fmt.Sprintf("shot[%d]", i)
		l.on(x, hit{of: word1(shot.Name), what: fmt.Sprintf("%q is to be shot with style %s, which %s", shot.Name, name, whose), fill: []string{"{style}", name},
			evidence: []Evidence{l.s.JobFile.fact("the shot", at+".style", at+".kind", at+".name")}, seen: []string{name, shot.Rig}})
	}
}

// styled reports whether a tune under review that a shot may be for has the style it asks for.
func (s *Snapshot) styled(shot preset.Shot, name string) bool {
	return slices.ContainsFunc(s.Subjects, func(x Subject) bool {
		return x.Tune != nil && shot.For(x.Rig) && slices.Contains(x.Tune.Styles(), name)
	})
}

func hasStyle(t *preset.Tune, name string, a schema.Axis) bool {
	_, w := t.Style(name, "deadband", a)
	_, s := t.Style(name, "lag", a)
	return w || s
}

func noMap(x *Subject) string {
	return "gimbal " + x.Sheet.Slug + " has no SI conversion for its follow dials"
}

// step of the simulation, s: a hundredth of a second is as fine as anything here is
// judged, and the heading is exact between.
const step = 0.01

// responded is what a style makes of its move: with the sway of the operator's
// hands, and of the meant move alone, which tells when the head starts.
type responded struct {
	style
	r, meant *follow.Response
}

// moves are the responses of one subject, and what could not be had.
type moves struct {
	of  []responded
	why []string
}

// moves simulates the styles of a subject, once for all rules.
func (l *look) moves(x *Subject) moves {
	if m, ok := l.made[x]; ok {
		return m
	}
	var m moves
	var asked []style
	asked, m.why = styles(l.s, x)
	for _, s := range asked {
		r, err := l.simulate(s, s.kind.Move)
		if err != nil {
			m.why = append(m.why, err.Error())
			continue
		}
		calm, _, swaying := strings.Cut(s.kind.Move, " with sway ")
		meant := r
		if swaying {
			if meant, err = l.simulate(s, calm); err != nil {
				m.why = append(m.why, err.Error())
				continue
			}
		}
		m.of = append(m.of, responded{s, r, meant})
	}
	l.made[x] = m
	return m
}

func (l *look) simulate(s style, move string) (*follow.Response, error) {
	fov, err := l.view(s.axis)
	if err != nil {
		return nil, err
	}
	m, err := follow.ParseMove(move)
	if err != nil {
		return nil, err
	}
	return follow.Simulate(m, s.si, follow.Options{Step: step, FieldOfView: fov, NoSmoothness: true, CountLanding: s.kind.Landing >= 0, Landing: math.Max(s.kind.Landing, 0)})
}

// view is the angle of view along an axis through the job's longest lens; 0 where
// the job does not say enough.
func (l *look) view(a schema.Axis) (float64, error) {
	j := l.s.Job
	if j.Longest <= 0 || j.Sensor == [2]float64{} {
		return 0, nil
	}
	h, v, err := preset.View(j.Longest, j.Sensor, j.Squeeze)
	if a == schema.Tilt {
		return v, err
	}
	return h, err
}

// asked is what a style was looked at for, in words.
func (s style) asked() string {
	if s.shot != "" {
		return fmt.Sprintf("%s for %q", s.name, s.shot)
	}
	return s.name
}

// needs reports whether the job states what a rule about follow needs.
func (l *look) needs(tolerance float64, key string, lens bool) bool {
	j := l.s.Job
	switch {
	case j == nil:
		l.cannot(nil, "needs a job (shots and lenses)")
	case tolerance <= 0:
		l.cannot(nil, "job has no %s", key)
	case lens && j.Longest <= 0:
		l.cannot(nil, "job has no lens.longest_mm")
	case lens && j.Sensor == [2]float64{}:
		l.cannot(nil, "job has no lens.sensor_mm")
	default:
		return true
	}
	return false
}

func (l *look) tolerance() (drift, lag float64) {
	if l.s.Job == nil {
		return 0, 0
	}
	return l.s.Job.DriftPct, l.s.Job.DelayS
}

func followDrift(l *look, x *Subject) {
	limit, _ := l.tolerance()
	if !l.needs(limit, "tolerance.drift_pct", true) {
		return
	}
	l.follow(x, limit, " % of the frame", "tolerance.drift_pct", "lens.longest_mm", func(r responded) (float64, string) {
		if r.r.Drift == nil {
			return 0, ""
		}
		if r.r.Drift.MaxShare == nil {
			return math.Inf(1), "out of frame"
		}
		v := *r.r.Drift.MaxShare * 100
		return v, fmt.Sprintf("%.0f %% of the frame", v)
	}, func(words string) string {
		return fmt.Sprintf("at %s mm the subject drifts %s (limit %s %%)", schema.Sig(l.s.Job.Longest, 6), words, schema.Sig(limit, 6))
	})
}

func followLate(l *look, x *Subject) {
	_, limit := l.tolerance()
	if !l.needs(limit, "tolerance.delay_s", false) {
		return
	}
	l.follow(x, limit, " s", "tolerance.delay_s", "", func(r responded) (float64, string) {
		if r.meant.StartDelay == nil {
			return 0, ""
		}
		v, how := *r.meant.StartDelay, "before it starts"
		if half, ok := r.meant.DelayAtHalf(); ok && half > v {
			v, how = half, "at half of the turn"
		}
		return v, fmt.Sprintf("%.2f s %s", v, how)
	}, func(words string) string {
		return fmt.Sprintf("the head is %s behind (limit %s s)", words, schema.Sig(limit, 6))
	})
}

// follow finds the worst of each style and axis over the limit.
func (l *look) follow(x *Subject, limit float64, unit, key, lens string, measure func(responded) (float64, string), say func(string) string) {
	type worst struct {
		v    float64
		text string
		s    style
	}
	var order []string
	by := map[string]worst{}
	m := l.moves(x)
	for _, why := range m.why {
		l.cannot(x, "%s", why)
	}
	for _, r := range m.of {
		v, text := measure(r)
		if text == "" || v <= limit {
			continue
		}
		id := r.name + "." + r.axis.String()
		if w, ok := by[id]; !ok || v > w.v {
			if !ok {
				order = append(order, id)
			}
			by[id] = worst{v, text, r.style}
		}
	}
	if order == nil {
		return
	}
	var words, keys, shots []string
	var ev []Evidence
	asked := len(l.s.Job.Shots) == 0
	for _, id := range order {
		w := by[id]
		asked = asked || w.s.shot != ""
		words = append(words, fmt.Sprintf("%s in %s (%s)", w.text, w.s.axis, w.s.asked()))
		at := schema.Join("follow", w.s.name)
		keys = append(keys, fmt.Sprintf("%s (%s)", w.s.name, w.s.axis))
		if !slices.Contains(shots, w.s.kind.Kind) {
			shots = append(shots, w.s.kind.Kind)
		}
		ev = append(ev, x.TuneFile.fact(fmt.Sprintf("%s, %s: dead band %s°, lag %s s; move: %s", w.s.name, w.s.axis, schema.Sig(w.s.si.DeadBand/follow.Deg, 3), schema.Sig(w.s.si.Lag, 3), w.s.kind.Move),
			at+".deadband."+w.s.axis.String(), at+".lag."+w.s.axis.String(), at+".deadband"))
	}
	ev = append(ev, l.s.JobFile.fact("the job allows "+schema.Sig(limit, 6)+unit, key))
	if lens != "" {
		ev = append(ev, l.s.JobFile.fact("longest lens "+schema.Sig(l.s.Job.Longest, 6)+" mm", lens))
	}
	// a style that no shot of the list asks for weighs one step less
	l.on(x, hit{what: say(strings.Join(words, ", ")), evidence: ev, lower: !asked, fill: []string{"{keys}", schema.List(keys), "{shots}", strings.Join(shots, ",")}})
}

func deadBandSway(l *look, x *Subject) {
	if x.Tune == nil || x.Sheet == nil {
		return
	}
	if l.s.Job == nil || len(l.s.Job.Sway) == 0 {
		l.cannot(nil, "job has no [sway]")
		return
	}
	var words, keys []string
	var ev []Evidence
	said := map[schema.Axis]bool{}
	for _, name := range x.Tune.Styles() {
		for _, a := range schema.Axes {
			sway := l.s.Job.Sway[a]
			key := schema.Join("follow", name) + ".deadband." + a.String()
			if _, ok := x.Tune.Num(key); !ok || sway <= 0 {
				continue
			}
			v, _, err := preset.SI(l.s.Cat, x.Sheet, *x.Tune, key)
			var none *preset.ErrNoMap
			if errors.As(err, &none) {
				l.cannot(x, "%s", noMap(x))
				return
			}
			if err != nil {
				l.cannot(x, "%v", err)
				continue
			}
			if v >= sway {
				continue
			}
			keys = append(keys, fmt.Sprintf("%s (%s)", name, a))
			words = append(words, fmt.Sprintf("%s (%s) %s° against %s°", name, a, schema.Sig(v, 3), schema.Sig(sway, 6)))
			ev = append(ev, x.TuneFile.fact(fmt.Sprintf("%s: a dead band of %s°", key, schema.Sig(v, 3)), key, schema.Join("follow", name)+".deadband"))
			if !said[a] {
				said[a] = true
				ev = append(ev, l.s.JobFile.fact(fmt.Sprintf("hand sway about %s: %s°", a, schema.Sig(sway, 6)), "sway."+a.String()+"_deg"))
			}
		}
	}
	if words != nil {
		l.on(x, hit{what: "dead band smaller than the operator's sway: " + strings.Join(words, ", "), evidence: ev, fill: []string{"{keys}", schema.List(keys)}})
	}
}
