package review

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/schema"
)

func init() {
	tests["payload-over"] = payloadOver
	tests["payload-near"] = payloadNear
	tests["payload-under"] = payloadUnder
	tests["effort-over"] = effortOver
	tests["effort-unread"] = effortUnread
	tests["horizon-offset"] = horizonOffset
}

// payload is the build's mass and its share of the limit, percent.
func (x *Subject) payload() (kg, pct float64, ok bool) {
	if x.Sheet == nil || x.Sheet.PayloadMax <= 0 {
		return 0, 0, false
	}
	kg = x.Rig.Mass()
	return kg, kg / x.Sheet.PayloadMax * 100, kg > 0
}

// weighed is the evidence for a payload.
func (x *Subject) weighed(limit, key string) []Evidence {
	return []Evidence{x.RigFile.fact(fmt.Sprintf("parts of %.3f kg in all", x.Rig.Mass()), "part[0].mass_kg", "part[0]"), x.SheetFile.fact(limit, key)}
}

func payloadOver(l *look, x *Subject) {
	kg, pct, ok := x.payload()
	if !ok || pct <= 100 {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("%.3f kg on a gimbal for %s kg: %.0f g over", kg, num(x.Sheet.PayloadMax), (kg-x.Sheet.PayloadMax)*1000),
		evidence: x.weighed("payload limit "+num(x.Sheet.PayloadMax)+" kg", "payload.max_kg")})
}

func payloadNear(l *look, x *Subject) {
	kg, pct, ok := x.payload()
	if !ok || pct > 100 || pct <= l.rule.Limit.Value {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("%.3f kg is %.1f %% of the limit of %s kg; more than %s %% asks for a look", kg, pct, num(x.Sheet.PayloadMax), num(l.rule.Limit.Value)),
		evidence: x.weighed("payload limit "+num(x.Sheet.PayloadMax)+" kg", "payload.max_kg")})
}

func payloadUnder(l *look, x *Subject) {
	kg, _, ok := x.payload()
	if !ok || kg >= x.Sheet.PayloadMin {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("%.3f kg on a gimbal for %s kg and more", kg, num(x.Sheet.PayloadMin)),
		evidence: x.weighed("smallest payload "+num(x.Sheet.PayloadMin)+" kg", "payload.min_kg")})
}

func effortOver(l *look, x *Subject) {
	p := x.proof()
	if p == nil || x.Sheet == nil {
		return
	}
	var words, axes []string
	var ev []Evidence
	for _, a := range schema.Axes {
		v, ok := p.Effort[a]
		if !ok || math.Abs(v) <= x.Sheet.WorkablePct {
			continue
		}
		axes = append(axes, a.String())
		words = append(words, fmt.Sprintf("%s %s %%", a, num(v)))
		ev = append(ev, x.proofFact(fmt.Sprintf("resting effort of %s: %s %%", a, num(v)), "proof.hold.effort_pct."+a.String(), "proof.hold.effort_pct"))
	}
	if words == nil {
		return
	}
	ev = append(ev, x.SheetFile.fact(fmt.Sprintf("workable up to %s %%", num(x.Sheet.WorkablePct)), "balance.workable_pct"))
	l.on(x, hit{what: fmt.Sprintf("resting effort %s; workable is up to %s %%", strings.Join(words, ", "), num(x.Sheet.WorkablePct)), evidence: ev, fill: []string{"{keys}", list(axes)}})
}

func effortUnread(l *look, x *Subject) {
	p := x.proof()
	if p == nil || x.Sheet == nil {
		return
	}
	var axes []string
	for _, a := range schema.Axes {
		if _, ok := p.Effort[a]; !ok && x.Sheet.Axes[a].Torque > 0 {
			axes = append(axes, a.String())
		}
	}
	if axes == nil {
		return
	}
	l.on(x, hit{what: "the proof has no resting effort of " + list(axes), evidence: []Evidence{x.proofFact("no resting effort of "+list(axes), "proof.hold.effort_pct")}, fill: []string{"{keys}", list(axes)}})
}

func horizonOffset(l *look, x *Subject) {
	if x.Tune == nil {
		return
	}
	v, ok := x.Tune.Num("horizon.offset_deg")
	if !ok || v == 0 {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("the horizon is offset by %s°", num(v)), evidence: []Evidence{x.TuneFile.fact(fmt.Sprintf("horizon.offset_deg = %s", num(v)), "horizon.offset_deg")}})
}
