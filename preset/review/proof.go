package review

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

func init() {
	tests["proof-missing"] = proofMissing
	tests["proof-handover"] = proofHandover
	tests["proof-rig"] = proofRig
	tests["proof-tune"] = proofTune
	tests["proof-unit"] = proofUnit
	tests["proof-firmware"] = proofFirmware
	tests["proof-ended"] = proofEnded
	tests["proof-stand"] = proofStand
	tests["proof-group"] = proofGroup
	tests["proof-old"] = proofOld
}

// proof is the subject's proof, nil without one.
func (x *Subject) proof() *preset.Proof {
	if x.Tune == nil {
		return nil
	}
	return x.Tune.Proof
}

// proofFact is the proof as evidence.
func (x *Subject) proofFact(text string, keys ...string) Evidence {
	e := x.TuneFile.fact(text, append(keys, "proof.hold.at", "proof.hold", "proof")...)
	p := x.proof()
	e.Who, e.When = p.By, p.At
	return e
}

// state is what identifies the values and the build as they are.
func (x *Subject) state() []string {
	return []string{x.Rig.Fingerprint(), x.Tune.Digest()}
}

func proofMissing(l *look, x *Subject) {
	if x.Tune == nil || x.Tune.Proof != nil || x.taken() {
		return
	}
	l.on(x, hit{what: "no proof on record", seen: x.state(), evidence: []Evidence{x.TuneFile.fact("the tune has no [proof.hold]", "kind")}})
}

// taken reports whether the newest acceptance of a handover still lacks a proof of ours.
func (x *Subject) taken() bool {
	if x.Tune == nil {
		return false
	}
	if x.Taken != nil && !x.Taken.Since {
		return true
	}
	p := x.proof()
	return p != nil && strings.Contains(p.Ended, preset.EndedByHandover)
}

func proofHandover(l *look, x *Subject) {
	if !x.taken() {
		return
	}
	what := x.Ref + " came from a handover; not proved here since"
	var ev []Evidence
	if t := x.Taken; t != nil {
		text := "accepted the handover"
		if t.Sum != "" {
			text += " " + short(t.Sum)
		}
		if t.Key != "" && t.Key != "no" {
			text += ", signed by " + t.Key
		}
		if t.From != "" {
			text += ", a key that revision " + t.From + " proposed"
		}
		ev = append(ev, t.At.told(x.TuneFile.Path, text))
	}
	if p := x.proof(); p != nil {
		text := "their proof"
		if p.Unit != "" {
			text += ", of unit " + p.Unit
		}
		if p.Ended != "" {
			text += "; " + p.Ended
		}
		ev = append(ev, x.proofFact(text, "proof.hold.stale", "proof.hold.unit"))
	}
	l.on(x, hit{what: what, evidence: ev, seen: x.state()})
}

func proofEnded(l *look, x *Subject) {
	p := x.proof()
	if p == nil || p.Ended == "" || x.taken() {
		return
	}
	l.on(x, hit{what: "the proof was ended: " + p.Ended, evidence: []Evidence{x.proofFact(p.Ended, "proof.hold.stale")}})
}

func proofRig(l *look, x *Subject) {
	p := x.proof()
	now := x.Rig.Fingerprint()
	if p == nil || p.Rig == "" || p.Rig == now || x.taken() {
		return
	}
	words := x.buildWords(p)
	what := "the build changed since the proof of " + l.day(p.At)
	if len(words) > 0 {
		what += ": " + strings.Join(words, "; ")
	}
	ev := []Evidence{x.proofFact("proved with the build "+p.Rig, "proof.hold.rig"), x.RigFile.fact("the build is "+now+" now", "part[0]")}
	for _, b := range x.Builds {
		ev = append(ev, b.told(x.RigFile.Path, "changed the build"))
	}
	l.on(x, hit{what: what, evidence: ev, seen: []string{p.Rig, now}})
}

// buildWords says what changed of the build since the proof: part by part, then
// mass, centre of gravity and inertia.
func (x *Subject) buildWords(p *preset.Proof) []string {
	var out []string
	now, err := x.Rig.Properties()
	if err != nil {
		return nil
	}
	then := mass.Properties{Mass: p.MassKg}
	known := len(p.CGmm) == 3
	if known {
		then.CG = mass.Vec{p.CGmm[0] / 1000, p.CGmm[1] / 1000, p.CGmm[2] / 1000}
	}
	inertia := p.Inertia
	if x.Proved != nil && x.Proved.Rig != nil {
		if was := x.Proved.Rig.Gimbal; was != x.Rig.Gimbal {
			out = append(out, "gimbal "+was+" → "+x.Rig.Gimbal)
		}
		out = append(out, partWords(x.Proved.Rig.Parts, x.Rig.Parts)...)
		if was, err := x.Proved.Rig.Properties(); err == nil {
			then, known = was, true
		}
		if x.Proved.Rig.Gimbal != x.Rig.Gimbal {
			inertia = nil // of other motors and other parts that move
		} else if x.Sheet != nil {
			// over the same tilt range, so that only the build makes the difference
			if js, err := x.Proved.Rig.Inertias(x.Sheet, x.Tune); err == nil {
				inertia = map[schema.Axis]float64{}
				for _, a := range schema.Axes {
					inertia[a] = js[a].Min
				}
			}
		}
	}
	if then.Mass > 0 {
		if d := now.Mass - then.Mass; math.Abs(d) >= 0.0005 {
			out = append(out, fmt.Sprintf("mass %+.0f g (%s → %s kg)", d*1000, schema.Sig(then.Mass, 3), schema.Sig(now.Mass, 3)))
		}
	}
	if known {
		if w := now.CG.Sub(then.CG).Words(); w != "none" {
			out = append(out, "centre of gravity "+w)
		}
	}
	if x.Sheet == nil {
		return out
	}
	js, err := x.Rig.Inertias(x.Sheet, x.Tune)
	if err != nil {
		return out
	}
	var in []string
	for _, a := range schema.Axes {
		if was := inertia[a]; was > 0 {
			if r := js[a].Min / was; math.Abs(r-1) >= 0.005 {
				in = append(in, fmt.Sprintf("%s %+.1f %%", a, (r-1)*100))
			}
		}
	}
	if in != nil {
		out = append(out, "inertia "+strings.Join(in, ", "))
	}
	return out
}

// partWords says which parts differ: matched by slot and name, then by slot.
func partWords(then, now []preset.Part) []string {
	left := slices.Clone(then)
	take := func(same func(preset.Part) bool) (preset.Part, bool) {
		for i, p := range left {
			if same(p) {
				left = slices.Delete(left, i, i+1)
				return p, true
			}
		}
		return preset.Part{}, false
	}
	was := make([]*preset.Part, len(now))
	for pass := range 2 {
		for i, p := range now {
			if was[i] != nil {
				continue
			}
			if q, ok := take(func(q preset.Part) bool { return q.Slot == p.Slot && (pass == 1 || q.Name == p.Name) }); ok {
				was[i] = &q
			}
		}
	}
	var out []string
	for i, p := range now {
		name := p.Slot + ": " + p.Name
		if was[i] == nil {
			out = append(out, fmt.Sprintf("%s added, %.0f g", name, p.Mass*1000))
			continue
		}
		var in []string
		if was[i].Name != p.Name {
			in = append(in, "in place of "+was[i].Name)
		}
		if d := (p.Mass - was[i].Mass) * 1000; math.Abs(d) >= 0.5 {
			in = append(in, fmt.Sprintf("%+.0f g", d))
		}
		if w := mass.Vec(p.Place).Sub(mass.Vec(was[i].Place)).Words(); w != "none" {
			in = append(in, "moved "+w)
		}
		if in != nil {
			out = append(out, name+" "+strings.Join(in, ", "))
		}
	}
	for _, p := range left {
		out = append(out, fmt.Sprintf("%s removed, %.0f g", p.Slot+": "+p.Name, p.Mass*1000))
	}
	return out
}

func proofTune(l *look, x *Subject) {
	p := x.proof()
	if p == nil || !p.ValuesChanged(*x.Tune, preset.GroupHold) || x.taken() {
		return
	}
	what := "values changed since the proof of " + l.day(p.At)
	ev := []Evidence{x.proofFact("proved on "+l.day(p.At), "proof.hold.digest")}
	if x.Proved == nil {
		l.on(x, hit{what: what + "; the proved values were never saved", evidence: ev, seen: x.state()})
		return
	}
	var words []string
	for _, key := range x.changed(x.Proved.Values) {
		if preset.GroupOf(key) != preset.GroupHold {
			continue
		}
		was, now := x.Proved.Values[key], x.Tune.Values[key]
		w := l.change(x, key, was, now)
		words = append(words, w)
		e := x.TuneFile.fact(w, key)
		// who did it: the last revision that touched the key, if any did
		if i := lastChange(x.Changes, key); i >= 0 {
			c := x.Changes[i].At
			e.Revision, e.Who, e.When = c.Revision, c.Who, c.When
			e.Text += ": " + c.Why
		} else {
			e.Revision, e.Who, e.When = "", "", time.Time{}
			e.Text += ", not saved"
		}
		ev = append(ev, e)
	}
	if words == nil {
		return // the digest is of an older program
	}
	if n := len(words); n > mostNamed+1 {
		words = append(words[:mostNamed], fmt.Sprintf("and %d more", n-mostNamed))
	}
	l.on(x, hit{what: what + ": " + strings.Join(words, "; "), evidence: ev, seen: x.state()})
}

// mostNamed is how many values a finding names; its evidence has all of them.
const mostNamed = 5

func lastChange(cs []Change, key string) int {
	for i := len(cs) - 1; i >= 0; i-- {
		if cs[i].Key == key {
			return i
		}
	}
	return -1
}

// changed lists the keys whose values differ from others, in working order.
func (x *Subject) changed(from map[string]any) []string {
	return ChangedKeys(from, x.Tune.Values)
}

// ChangedKeys lists the keys of two sets of values that differ, in byte order.
func ChangedKeys(a, b map[string]any) []string {
	var out []string
	for k, v := range a {
		if w, ok := b[k]; !ok || !same(v, w) {
			out = append(out, k)
		}
	}
	for k := range b {
		if _, ok := a[k]; !ok {
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

func same(a, b any) bool {
	x, okA := schema.Number(a)
	y, okB := schema.Number(b)
	if okA && okB {
		return x == y
	}
	return a == b
}

// change says one value's change in numbers and fine steps.
func (l *look) change(x *Subject, key string, was, now any) string {
	s := fmt.Sprintf("%s %s → %s%s", key, word(was), word(now), l.unit(x, key))
	a, okA := schema.Number(was)
	b, okB := schema.Number(now)
	if !okA || !okB {
		return s
	}
	if d, ok := l.dial(x, key); ok && d.Fine > 0 {
		s += fmt.Sprintf(" (%s)", steps((b-a)/d.Fine))
	}
	return s
}

func word(v any) string {
	if v == nil {
		return "not set"
	}
	if n, ok := schema.Number(v); ok {
		return schema.Sig(n, 6)
	}
	return fmt.Sprint(v)
}

// steps writes a count of fine steps with its sign.
func steps(n float64) string {
	n = preset.Rounded(n, 6)
	unit := "fine steps"
	if math.Abs(n) == 1 {
		unit = "fine step"
	}
	if n > 0 {
		return "+" + schema.Sig(n, 6) + " " + unit
	}
	return schema.Sig(n, 6) + " " + unit
}

// unit is the unit of a key's value as it stands behind a number; "" where there is none,
// or the key says it itself.
func (l *look) unit(x *Subject, key string) string {
	if d, ok := l.dial(x, key); ok && d.Unit != "" {
		return " " + d.Unit
	}
	return ""
}

// dial is the dial of a concrete key on the subject's gimbal.
func (l *look) dial(x *Subject, key string) (schema.Dial, bool) {
	if x.Sheet == nil {
		return schema.Dial{}, false
	}
	return x.Sheet.DialOf(l.s.Cat, key)
}

func proofUnit(l *look, x *Subject) {
	p := x.proof()
	if p == nil || p.Unit == "" || x.Unit == "" || x.Sheet.SameUnit(x.Unit, p.Unit) || x.taken() {
		return
	}
	ev := []Evidence{x.proofFact("proved on unit "+p.Unit, "proof.hold.unit")}
	if x.Pin >= 0 {
		ev = append(ev, l.s.JobFile.fact("goes out on unit "+x.Unit, fmt.Sprintf("pin[%d].unit", x.Pin), fmt.Sprintf("pin[%d]", x.Pin)))
	}
	l.on(x, hit{what: fmt.Sprintf("proved on unit %s, goes out on %s", p.Unit, x.Unit), evidence: ev})
}

func proofFirmware(l *look, x *Subject) {
	p := x.proof()
	if p == nil || x.Sheet == nil || x.taken() {
		return
	}
	name := cmp.Or(x.Unit, p.Unit)
	if x.Unit != "" && !x.Sheet.SameUnit(x.Unit, p.Unit) {
		name = x.Unit
	}
	u, ok := x.Sheet.Unit(name)
	switch {
	case p.Firmware == "":
		l.cannot(x, "firmware not recorded with the proof")
		return
	case !ok || u.Firmware == "":
		l.cannot(x, "no unit record says which firmware the unit has")
		return
	case u.Firmware == p.Firmware:
		return
	}
	l.on(x, hit{what: fmt.Sprintf("proved on firmware %s; unit %s has %s now", p.Firmware, cmp.Or(u.Serial, u.Label), u.Firmware), evidence: []Evidence{
		x.proofFact("firmware "+p.Firmware+" at the proof", "proof.hold.firmware"),
		x.unitFact(u, "firmware "+u.Firmware+" now", "firmware"),
	}})
}

// ProvedUnit is the unit that the proof names, "" without one.
func (x *Subject) ProvedUnit() string {
	if x.Tune == nil || x.Tune.Proof == nil {
		return ""
	}
	return x.Tune.Proof.Unit
}

// unitFact is evidence from a unit's record.
func (x *Subject) unitFact(u schema.Unit, text string, keys ...string) Evidence {
	s, ok := x.UnitFiles[u.Serial]
	if !ok {
		s.Path = preset.UnitPath(x.Sheet.Slug, u.Serial)
	}
	return s.fact(text, keys...)
}

// proofGroup tells of the groups beside stiffness and filters.
func proofGroup(l *look, x *Subject) {
	if x.proof() == nil || x.taken() {
		return
	}
	var words []string
	var ev []Evidence
	seen := []string{}
	styles, others := "", false // prove records single styles, or all groups
	for _, s := range x.Tune.Standing(x.Rig, x.Sheet, x.Unit) {
		if s.Group == preset.GroupHold || s.State == preset.Proved || len(x.Tune.GroupValues(s.Group)) == 0 {
			continue
		}
		w := preset.GroupWords(s.Group) + " " + s.State
		for _, r := range s.Reasons {
			w += " (" + r.Text + ")"
		}
		words = append(words, w)
		if name := preset.GroupStyle(s.Group); name != "" {
			styles += " --style " + name
		} else {
			others = true
		}
		seen = append(seen, s.Group, x.Tune.GroupDigest(s.Group))
		var keys []string
		for k := range x.Tune.GroupValues(s.Group) {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		ev = append(ev, x.TuneFile.fact(w, append([]string{"proof." + s.Group + ".at"}, keys...)...))
	}
	if words != nil {
		var commands []string
		if !others {
			commands = []string{strings.Replace(l.rule.Commands[0], "{ref}", "{ref}"+styles, 1)}
		}
		l.on(x, hit{what: strings.Join(words, "; "), evidence: ev, seen: seen, commands: commands})
	}
}

func proofStand(l *look, x *Subject) {
	p := x.proof()
	if p == nil || p.Place != "stand" || x.taken() {
		return
	}
	l.on(x, hit{what: "the proof of " + l.day(p.At) + " was made on the stand only", evidence: []Evidence{x.proofFact("place = stand", "proof.hold.place")}, seen: []string{moment(p.At)}})
}

func proofOld(l *look, x *Subject) {
	p := x.proof()
	if p == nil || p.At.IsZero() || x.taken() {
		return
	}
	on := l.s.Now
	if l.s.Job != nil && l.s.Job.From.After(on) {
		on = l.s.Job.From
	}
	days := math.Floor(on.Sub(p.At).Hours() / 24)
	if days <= l.rule.Limit.Value {
		return
	}
	what := fmt.Sprintf("proved %s, %.0f days ago (recheck after %s)", l.day(p.At), days, schema.Sig(l.rule.Limit.Value, 6))
	l.on(x, hit{what: what, evidence: []Evidence{x.proofFact("proved on "+l.day(p.At), "proof.hold.at")}, seen: []string{moment(p.At)}})
}

// moment names a moment alike for every reader, as what was seen has to.
func moment(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// short is a digest as people quote it.
func short(sum string) string {
	if len(sum) > 12 {
		return sum[:12]
	}
	return sum
}
