package review

import (
	"fmt"
	"math"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/schema"
)

func init() {
	tests["payload-over"] = payloadOver
	tests["payload-near"] = payloadNear
	tests["payload-under"] = payloadUnder
	tests["clearance-over"] = clearanceOver
	tests["mark-travel"] = markTravel
	tests["balance-build"] = balanceBuild
	tests["mark-doubt"] = markDoubt
	tests["effort-doubt"] = effortDoubt
	tests["effort-over"] = effortOver
	tests["effort-unread"] = effortUnread
	tests["horizon-offset"] = horizonOffset
}

// payload is the build's mass and how it stands against the sheet's largest and smallest payload.
func (x *Subject) payload(near float64) (kg float64, largest, smallest fit.Grade) {
	if kg = x.Rig.Mass(); x.Sheet == nil || kg <= 0 {
		return kg, fit.Unknown, fit.Unknown
	}
	largest, smallest = fit.Load(kg, x.Sheet.PayloadMin, x.Sheet.PayloadMax, near)
	return kg, largest, smallest
}

// weighed is the evidence for a payload.
func (x *Subject) weighed(limit, key string) []Evidence {
	return []Evidence{x.RigFile.fact(fmt.Sprintf("parts of %.3f kg in all", x.Rig.Mass()), "part[0].mass_kg", "part[0]"), x.SheetFile.fact(limit, key)}
}

func payloadOver(l *look, x *Subject) {
	kg, largest, _ := x.payload(1)
	if largest != fit.Over {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("%.3f kg on a gimbal for %s kg: %.0f g over", kg, schema.Sig(x.Sheet.PayloadMax, 6), (kg-x.Sheet.PayloadMax)*1000),
		evidence: x.weighed("payload limit "+schema.Sig(x.Sheet.PayloadMax, 6)+" kg", "payload.max_kg")})
}

func payloadNear(l *look, x *Subject) {
	kg, largest, _ := x.payload(l.rule.Limit.Value / 100)
	if largest != fit.Tight {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("%.3f kg, %.1f %% of the %s kg limit (check above %s %%)", kg, kg/x.Sheet.PayloadMax*100, schema.Sig(x.Sheet.PayloadMax, 6), schema.Sig(l.rule.Limit.Value, 6)),
		evidence: x.weighed("payload limit "+schema.Sig(x.Sheet.PayloadMax, 6)+" kg", "payload.max_kg")})
}

func payloadUnder(l *look, x *Subject) {
	kg, _, smallest := x.payload(1)
	if smallest != fit.Over {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("%.3f kg on a gimbal for %s kg and more", kg, schema.Sig(x.Sheet.PayloadMin, 6)),
		evidence: x.weighed("minimum payload "+schema.Sig(x.Sheet.PayloadMin, 6)+" kg", "payload.min_kg")})
}

func clearanceOver(l *look, x *Subject) {
	if x.Fit == nil {
		return
	}
	var ev []Evidence
	var words []string
	for _, it := range x.Fit.Balanced {
		if it.Grade == fit.Over {
			words = append(words, it.Words)
			ev = append(ev, x.SheetFile.fact(it.Words, "space.box_mm", "space"))
		}
	}
	if words != nil {
		l.on(x, hit{what: strings.Join(words, "; "), evidence: ev})
	}
}

func markTravel(l *look, x *Subject) {
	for _, m := range x.Marks {
		if m.Out <= 0 {
			continue
		}
		what := fmt.Sprintf("%s would have to go to %.0f mm, %.0f mm past its scale", m.Adjustment.Name, m.Mark.Mid*1000, m.Out*1000)
		if m.Effort != nil {
			what += fmt.Sprintf("; holding that takes %s %% of the %s motor", schema.Sig(*m.Effort, 2), m.Adjustment.Stage)
		}
		r := m.Adjustment.Range
		l.on(x, hit{what: what, seen: []string{m.Adjustment.Name}, evidence: []Evidence{x.SheetFile.fact(fmt.Sprintf("scale of %s: %s to %s mm", m.Adjustment.Name, schema.Sig(r[0]*1000, 6), schema.Sig(r[1]*1000, 6)), "adjustment")}})
	}
}

func balanceBuild(l *look, x *Subject) {
	var last *preset.BalanceRecord
	for i, b := range x.Balances {
		if b.Rig == x.Rig.ID {
			return
		}
		if last == nil || b.Began.After(last.Began) {
			last = &x.Balances[i]
		}
	}
	if last == nil {
		return
	}
	what := fmt.Sprintf("balanced on %s with a build of %.3f kg; it has %.3f kg now", l.day(last.Began), last.MassKg, x.Rig.Mass())
	l.on(x, hit{what: what, seen: []string{last.Rig}, evidence: []Evidence{{Text: "balance record of build " + last.Rig, File: last.Path, Line: 1, Who: last.By, When: last.Began}}})
}

func markDoubt(l *look, x *Subject)   { x.doubts(l, false) }
func effortDoubt(l *look, x *Subject) { x.doubts(l, true) }

func (x *Subject) doubts(l *look, effort bool) {
	for _, d := range x.Doubts {
		if effort != (d.Point != "") {
			continue
		}
		l.on(x, hit{what: d.Words(), seen: []string{d.Adjustment, d.Point}, evidence: []Evidence{{Text: d.Words(), File: d.Record.Path, Line: 1, Who: d.Record.By, When: d.Record.Began}}})
	}
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
		words = append(words, fmt.Sprintf("%s %s %%", a, schema.Sig(v, 6)))
		ev = append(ev, x.proofFact(fmt.Sprintf("resting effort of %s: %s %%", a, schema.Sig(v, 6)), "proof.hold.effort_pct."+a.String(), "proof.hold.effort_pct"))
	}
	if words == nil {
		return
	}
	ev = append(ev, x.SheetFile.fact(fmt.Sprintf("workable up to %s %%", schema.Sig(x.Sheet.WorkablePct, 6)), "balance.workable_pct"))
	l.on(x, hit{what: fmt.Sprintf("resting effort %s; workable is up to %s %%", strings.Join(words, ", "), schema.Sig(x.Sheet.WorkablePct, 6)), evidence: ev, fill: []string{"{keys}", schema.List(axes)}})
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
	l.on(x, hit{what: "the proof has no resting effort of " + schema.List(axes), evidence: []Evidence{x.proofFact("no resting effort of "+schema.List(axes), "proof.hold.effort_pct")}, fill: []string{"{keys}", schema.List(axes)}})
}

func horizonOffset(l *look, x *Subject) {
	if x.Tune == nil {
		return
	}
	v, ok := x.Tune.Num("horizon.offset_deg")
	if !ok || v == 0 {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("the horizon is offset by %s°", schema.Sig(v, 6)), evidence: []Evidence{x.TuneFile.fact(fmt.Sprintf("horizon.offset_deg = %s", schema.Sig(v, 6)), "horizon.offset_deg")}})
}
