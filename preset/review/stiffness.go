package review

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"rigkeep/schema"
)

func init() {
	tests["onset-near"] = onsetNear
	tests["stiffness-above"] = stiffnessAbove
}

func onsetNear(l *look, x *Subject) {
	if x.Tune == nil {
		return
	}
	var words, keys, seen []string
	var ev []Evidence
	now := false
	for _, a := range schema.Axes {
		key := "stiffness." + a.String()
		v, ok := x.Tune.Stiffness(a)
		if !ok {
			continue
		}
		d, ok := l.dial(x, key)
		if !ok || d.Fine <= 0 {
			l.cannot(x, "the gimbal has no dial for %s", key)
			continue
		}
		worst, have := 0.0, false
		for _, o := range x.Onsets {
			if o.Axis != a {
				continue
			}
			n := math.Round((o.Value-v)/d.Fine*1e6) / 1e6 // 0.3 less 0.2 is one step of 0.1
			if d.Sign < 0 {
				n = -n
			}
			if n > l.rule.Limit.Value {
				continue
			}
			now = now || o.Now
			text := fmt.Sprintf("%s oscillated at %s", a, schema.Sig(o.Value, 6))
			if o.Hz > 0 {
				text += " (" + schema.Sig(o.Hz, 6) + " Hz)"
			}
			text += ", " + o.From
			ev = append(ev, o.File.fact(text, o.Key))
			seen = append(seen, fmt.Sprintf("%s %s %s %v", key, schema.Sig(v, 6), schema.Sig(o.Value, 6), o.Now))
			if !have || n < worst {
				worst, have = n, true
			}
		}
		if !have {
			continue
		}
		keys = append(keys, key)
		where := fmt.Sprintf("%s below", strings.TrimPrefix(steps(worst), "+"))
		switch {
		case worst == 0:
			where = "at"
		case worst < 0:
			where = fmt.Sprintf("%s above", strings.TrimPrefix(steps(worst), "-"))
		}
		words = append(words, fmt.Sprintf("%s %s%s is %s an onset on record", key, schema.Sig(v, 6), l.unit(x, key), where))
		ev = append(ev, x.TuneFile.fact(fmt.Sprintf("%s = %s", key, schema.Sig(v, 6)), key))
	}
	if words == nil {
		return
	}
	what := strings.Join(words, "; ") + fmt.Sprintf(" (within %s %s is near)", schema.Sig(l.rule.Limit.Value, 6), l.rule.Limit.Unit)
	if !now {
		what += ", seen on an earlier build of this rig"
	}
	l.on(x, hit{what: what, evidence: ev, lower: !now, fill: []string{"{keys}", schema.List(keys)}, seen: seen})
}

func stiffnessAbove(l *look, x *Subject) {
	if x.Tune == nil {
		return
	}
	if x.Learned == nil {
		l.cannot(x, "%s", cmp.Or(x.NotLearned, "its expected range was not computed"))
		return
	}
	var words, keys []string
	var ev []Evidence
	for _, a := range schema.Axes {
		key := "stiffness." + a.String()
		v, ok := x.Tune.Stiffness(a)
		r, known := x.Learned[key]
		d, dialed := l.dial(x, key)
		if !ok || !known || !dialed {
			continue
		}
		top := r.Hi
		if d.Sign < 0 {
			top = r.Lo
		}
		if !d.Less(top, v) {
			continue
		}
		keys = append(keys, key)
		words = append(words, fmt.Sprintf("%s %s%s, where %s to %s is expected (%.0f %%)", key, schema.Sig(v, 6), l.unit(x, key), schema.Sig(r.Lo, 3), schema.Sig(r.Hi, 3), r.Level*100))
		ev = append(ev, x.TuneFile.fact(fmt.Sprintf("%s = %s", key, schema.Sig(v, 6)), key))
	}
	if words != nil {
		l.on(x, hit{what: strings.Join(words, "; "), evidence: ev, fill: []string{"{keys}", schema.List(keys)}, seen: evidenceKey(ev)})
	}
}

// evidenceKey takes the facts alone for what was found: the interval moves with every
// proof that anybody records.
func evidenceKey(ev []Evidence) []string {
	var out []string
	for _, e := range ev {
		out = append(out, e.Text)
	}
	return out
}
