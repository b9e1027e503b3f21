package preset

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"rigkeep/schema"
)

// The groups of a tune's values that are proved each by itself; StyleGroup is that of a
// follow style.
const (
	GroupHold    = "hold"    // stiffness and filters
	GroupLimits  = "limits"  // tilt limits
	GroupHorizon = "horizon" // horizon offset
)

const styleGroup = "style"

// StyleGroup is the group of a follow style.
func StyleGroup(style string) string { return schema.Join(styleGroup, style) }

// GroupStyle is the follow style of a group, "" where it is none.
func GroupStyle(group string) string {
	if s := schema.SplitPath(group); len(s) == 2 && s[0] == styleGroup {
		return s[1]
	}
	return ""
}

// GroupWords names a group for people.
func GroupWords(group string) string {
	if s := GroupStyle(group); s != "" {
		return "style " + s
	}
	return group
}

// GroupOf is the group that a parameter's concrete key belongs to. What is neither limit,
// horizon nor style acts on how the head is held.
func GroupOf(key string) string {
	s := schema.SplitPath(key)
	switch {
	case s[0] == "limits":
		return GroupLimits
	case s[0] == "horizon":
		return GroupHorizon
	case s[0] == "follow" && len(s) > 2:
		return StyleGroup(s[1])
	}
	return GroupHold
}

// Proof is a dated record that a group of values was tested.
type Proof struct {
	At                        time.Time
	Unit, Place, By, Firmware string
	Minutes                   float64
	Note                      string
	Rig                       string    // fingerprint at the time
	Digest                    string    // of the group's values at the time
	Parts                     string    // digest of the parts' sizes and places at the time, of limits
	TiltsDeg                  []float64 // tested, up positive, of hold and limits
	MassKg                    float64
	CGmm                      []float64
	Effort, Onset, OnsetHz    map[schema.Axis]float64
	Inertia, InertiaMost      map[schema.Axis]float64 // least and greatest over the tilts in use
	OnsetTilt, OnsetInertia   map[schema.Axis]float64 // where the onset was seen: degrees up, kg·m²
	Ended                     string                  // why a merge or a handover ended it, "" when nothing did
}

// EndedByHandover begins what Proof.Ended says where a handover brought a proof
// from elsewhere: it stays theirs, and is not a proof here.
const EndedByHandover = "handover: "

// Groups lists the groups of which a tune has values or a proof: hold, limits, horizon,
// then the styles in byte order.
func (t Tune) Groups() []string {
	there := map[string]bool{GroupHold: true}
	for k := range t.Values {
		there[GroupOf(k)] = true
	}
	for g := range t.Others {
		there[g] = true
	}
	var out []string
	for _, g := range []string{GroupHold, GroupLimits, GroupHorizon} {
		if there[g] {
			out = append(out, g)
			delete(there, g)
		}
	}
	var styles []string
	for g := range there {
		styles = append(styles, g)
	}
	sort.Strings(styles)
	return append(out, styles...)
}

// TestedGroups are the groups that a test is of: all but the styles, and those that were
// tried; or, with onlyStyles, those styles alone.
func (t Tune) TestedGroups(styles []string, onlyStyles bool) []string {
	var out []string
	for _, g := range t.Groups() {
		style := GroupStyle(g)
		if style == "" && !onlyStyles && (g == GroupHold || len(t.GroupValues(g)) > 0) || style != "" && has(styles, style) {
			out = append(out, g)
		}
	}
	return out
}

// GroupValues are the values of one group.
func (t Tune) GroupValues(group string) map[string]any {
	out := map[string]any{}
	for k, v := range t.Values {
		if GroupOf(k) == group {
			out[k] = v
		}
	}
	return out
}

// GroupDigest identifies the values of one group as Digest does those of the tune.
func (t Tune) GroupDigest(group string) string { return digestOf(t.GroupValues(group)) }

// IsOf reports whether the proof is of a tune's values of the group, by their digest.
func (p *Proof) IsOf(t Tune, group string) bool { return p.Digest == t.GroupDigest(group) }

// ValuesChanged reports whether a tune's values of the group are others than the proof is of. A
// proof that does not say of which it is, is taken to be of these.
func (p *Proof) ValuesChanged(t Tune, group string) bool { return p.Digest != "" && !p.IsOf(t, group) }

// ProofOf is the proof of a group, nil without one.
func (t Tune) ProofOf(group string) *Proof {
	if group == GroupHold {
		return t.Proof
	}
	return t.Others[group]
}

// ProvedStyles lists the follow styles of which there is a proof.
func (t Tune) ProvedStyles() []string {
	var out []string
	for g := range t.Others {
		if s := GroupStyle(g); s != "" {
			out = append(out, s)
		}
	}
	sort.Strings(out)
	return out
}

// readProofs reads the proofs of a tune's file.
func (t *Tune) readProofs(f schema.Flat) {
	groups := map[string]bool{}
	for k := range f {
		s := schema.SplitPath(k)
		switch {
		case s[0] != "proof" || len(s) < 3:
		case s[1] == styleGroup && len(s) > 3:
			groups[StyleGroup(s[2])] = true
		case s[1] != styleGroup:
			groups[s[1]] = true
		}
	}
	for g := range groups {
		at := "proof." + g + "."
		p := &Proof{At: f.Time(at + "at"), Unit: f.Str(at + "unit"), Place: f.Str(at + "place"), By: f.Str(at + "by"), Firmware: f.Str(at + "firmware"),
			Minutes: f.NumOr(at+"minutes", 0), Note: f.Str(at + "note"), Rig: f.Str(at + "rig"), Digest: f.Str(at + "digest"), Parts: f.Str(at + "parts"),
			TiltsDeg: f.Nums(at + "tilts_deg"), MassKg: f.NumOr(at+"mass_kg", 0), CGmm: f.Nums(at + "cg_mm"), Ended: f.Str(at + "stale"),
			Effort: perAxis(f, at+"effort_pct."), Onset: perAxis(f, at+"onset."), OnsetHz: perAxis(f, at+"onset_hz."),
			Inertia: perAxis(f, at+"inertia_kgm2."), InertiaMost: perAxis(f, at+"inertia_most_kgm2."),
			OnsetTilt: perAxis(f, at+"onset_tilt_deg."), OnsetInertia: perAxis(f, at+"onset_inertia_kgm2.")}
		if g == GroupHold {
			t.Proof = p
			continue
		}
		if t.Others == nil {
			t.Others = map[string]*Proof{}
		}
		t.Others[g] = p
	}
}

// Complete makes a proof that of one group, and adds what it is a proof of: the build's
// fingerprint and the digest of the group's values; of hold mass, centre of gravity and the
// least and greatest inertias over the tilts in use; of limits the parts' sizes and places.
// The tilts tested are those given, else the tune's limits for a handheld test.
func (p Proof) Complete(r Rig, sheet *schema.Sheet, t Tune, group string) (Proof, error) {
	p.Rig, p.Digest, p.Ended, p.Parts = r.ID, t.GroupDigest(group), "", ""
	p.MassKg, p.CGmm, p.Inertia, p.InertiaMost = 0, nil, nil, nil
	if len(p.TiltsDeg) == 0 && p.Place == "hand" {
		up, okUp := t.Num("limits.tilt.up_deg")
		down, okDown := t.Num("limits.tilt.down_deg")
		if okUp && okDown {
			p.TiltsDeg = []float64{-down, up}
		}
	}
	if group != GroupHold {
		p.Effort, p.Onset, p.OnsetHz, p.OnsetTilt, p.OnsetInertia = nil, nil, nil, nil, nil
		if group == GroupLimits {
			p.Parts = r.shapes()
		} else {
			p.TiltsDeg = nil
		}
		return p, nil
	}
	p.MassKg = Rounded(r.Mass(), 4)
	props, err := r.Properties()
	if IsUnknown(err) {
		return p, nil
	}
	if err != nil {
		return p, err
	}
	js, err := r.Inertias(sheet, &t)
	if err != nil {
		return p, err
	}
	p.MassKg = Rounded(props.Mass, 4)
	p.CGmm = []float64{Rounded(props.CG[0]*1000, 4), Rounded(props.CG[1]*1000, 4), Rounded(props.CG[2]*1000, 4)}
	p.Inertia, p.InertiaMost = map[schema.Axis]float64{}, map[schema.Axis]float64{}
	for _, a := range schema.Axes {
		p.Inertia[a] = Rounded(js[a].Min, 4)
		p.InertiaMost[a] = Rounded(js[a].Worst(), 4)
	}
	return p, nil
}

// shapes identifies the sizes and places of a build's parts, to the millimetre; names and
// masses do not matter.
func (r Rig) shapes() string {
	var out []string
	mm := func(v float64) string { return schema.Num(math.Round(v * 1000)) }
	for _, p := range r.Parts {
		s := p.Shape + " " + p.Axis
		for _, v := range append(append(append([]float64{}, p.Size[:]...), p.Diameter, p.Bore, p.Length), p.Place[:]...) {
			s += " " + mm(v)
		}
		for _, v := range p.Turn {
			s += " " + schema.Num(math.Round(v*180/math.Pi))
		}
		out = append(out, s)
	}
	sort.Strings(out)
	return digest("rigkeep-shapes-1\n" + strings.Join(out, "\n"))
}

// Staleness is one reason why a proof is out of date.
type Staleness struct {
	What string // "rig", "tune", "unit", "firmware", "tilts", "parts", "ended"
	Text string
}

// The states of a group.
const (
	Proved    = "proved"
	NotProved = "not proved"
	OutOfDate = "out of date"
)

// Standing is how one group of a tune stands.
type Standing struct {
	Group   string
	State   string // Proved, NotProved or OutOfDate
	Proof   *Proof // nil where it is not proved
	Reasons []Staleness
}

// Standing says of every group of a tune whether its proof holds on this build, with this
// sheet and on this unit ("" not said). This is the one place that knows when a proof is out
// of date: a group when one of its own values changed; hold and horizon also when the build
// or the unit's firmware changed; limits when a part's size or place did, or a limit was
// widened past the tilts that were tested, which puts hold out of date too. Narrowing a
// limit does nothing, and a style is put out of date by nothing but its own values. What a
// merge or a handover ended is out of date as well, and hold is of the unit that it was
// tested on.
func (t Tune) Standing(r Rig, sheet *schema.Sheet, unit string) []Standing {
	var out []Standing
	for _, g := range t.Groups() {
		s := Standing{Group: g, State: NotProved, Proof: t.ProofOf(g)}
		if s.Proof != nil {
			s.State, s.Reasons = Proved, t.reasons(g, s.Proof, r, sheet, unit)
			if len(s.Reasons) > 0 {
				s.State = OutOfDate
			}
		}
		out = append(out, s)
	}
	return out
}

// Overall is how the groups stand together, in a word or two for a list, and the group that
// it is of: hold where that is not proved, else the first of those that stand worst.
func Overall(all []Standing) (state, group string) {
	rank := map[string]int{Proved: 0, OutOfDate: 1, NotProved: 2}
	state = Proved
	for _, s := range all {
		if s.Group == GroupHold && s.State != Proved {
			return s.State, s.Group
		}
		if rank[s.State] > rank[state] {
			state, group = s.State, s.Group
		}
	}
	return state, group
}

// OverallWords is Overall as a list shows it: "walk out of date". A tune that was never
// proved is "not proved".
func OverallWords(all []Standing) string {
	state, group := Overall(all)
	if state == Proved || group == GroupHold && state == NotProved {
		return state
	}
	if style := GroupStyle(group); style != "" {
		group = style
	}
	return group + " " + state
}

func (t Tune) reasons(group string, p *Proof, r Rig, sheet *schema.Sheet, unit string) []Staleness {
	var out []Staleness
	add := func(what, text string) { out = append(out, Staleness{what, text}) }
	if p.Ended != "" {
		add("ended", p.Ended)
	}
	build := group == GroupHold || group == GroupHorizon
	if now := cmp.Or(r.Edited, r.ID); build && p.Rig != "" && now != "" && p.Rig != now {
		text := "the build changed since the proof (" + p.Rig + " then, " + now + " now)"
		if m := r.Mass(); p.MassKg > 0 && math.Abs(m-p.MassKg) >= 0.0005 {
			text += fmt.Sprintf("; mass %+.0f g", (m-p.MassKg)*1000)
		}
		if r.Edited != "" {
			text += "; that edit is not saved"
		}
		add("rig", text)
	}
	switch {
	case group == GroupLimits && len(p.TiltsDeg) > 0:
		// the tilts that were tested say more than the values that were set
	case p.ValuesChanged(t, group):
		add("tune", "values changed since the proof")
	}
	if group == GroupHold || group == GroupLimits {
		if text := t.widened(p.TiltsDeg, sheet); text != "" {
			add("tilts", text)
		}
	}
	if group == GroupLimits && p.Parts != "" && len(r.Parts) > 0 && p.Parts != r.shapes() {
		add("parts", "a part's size or place changed since the proof")
	}
	if group == GroupHold && unit != "" && p.Unit != "" && !sheet.SameUnit(unit, p.Unit) {
		add("unit", "proved on unit "+p.Unit+", not on "+unit)
	}
	if build && sheet != nil && p.Firmware != "" {
		if u, ok := sheet.Unit(p.Unit); ok && u.Firmware != "" && u.Firmware != p.Firmware {
			add("firmware", "unit "+p.Unit+" had firmware "+p.Firmware+" at the proof and has "+u.Firmware+" now")
		}
	}
	return out
}

// widened says which limit lets the head past the tilts that were tested; "" for none, and
// where they are not known. Without a limit the head goes to the end of its travel.
func (t Tune) widened(tested []float64, sheet *schema.Sheet) string {
	if len(tested) == 0 {
		return ""
	}
	var words []string
	for _, x := range []struct {
		key, word string
		tested    float64
		travel    func() *float64
	}{
		{"limits.tilt.up_deg", "up", slices.Max(tested), func() *float64 { return sheet.TiltUpDeg }},
		{"limits.tilt.down_deg", "down", -slices.Min(tested), func() *float64 { return sheet.TiltDownDeg }},
	} {
		now, ok := t.Num(x.key)
		if !ok && sheet == nil {
			continue // a list, which has the tune alone
		}
		if !ok {
			if x.travel() == nil {
				words = append(words, "no limit "+x.word+", tested to "+schema.Num(x.tested)+"°")
				continue
			}
			now = *x.travel()
		}
		if now > x.tested+1e-9 {
			words = append(words, fmt.Sprintf("%s %s°, tested to %s°", x.word, schema.Num(now), schema.Num(x.tested)))
		}
	}
	if words == nil {
		return ""
	}
	return "tilt goes past what was tested: " + strings.Join(words, "; ")
}

// Stale lists why the proof of hold, stiffness and filters, does not hold. No proof at all
// is not staleness. Standing has every group.
func (t Tune) Stale(r Rig, sheet *schema.Sheet, unit string) []Staleness {
	if t.Proof == nil {
		return nil
	}
	return t.reasons(GroupHold, t.Proof, r, sheet, unit)
}

// ProvedMargin is an axis whose onset was measured at the proof, in dial numbers.
type ProvedMargin struct {
	Axis         schema.Axis
	Value, Onset float64
}

// ProvedMargins are the margins that were measured: of every axis whose stiffness the tune
// sets, where the proof of hold holds, is of the hand, and has an onset the sheet's margin
// above each; nil else. A limit that only a model sees crossed is then worth a look, and
// no fault: what was measured outranks what is modelled.
func (t Tune) ProvedMargins(r Rig, sheet *schema.Sheet, unit string) []ProvedMargin {
	if t.Proof == nil || t.Proof.Place != "hand" || sheet == nil || len(t.Stale(r, sheet, unit)) > 0 {
		return nil
	}
	var out []ProvedMargin
	for _, a := range schema.Axes {
		v, ok := t.Stiffness(a)
		if !ok {
			continue
		}
		on, seen := t.Proof.Onset[a]
		d := sheet.Dials["stiffness."+a.String()]
		k, ok1 := stiffnessOf(d, v)
		kOn, ok2 := stiffnessOf(d, on)
		if !seen || !ok1 || !ok2 || kOn/k < math.Max(sheet.BenchMargin, 1)*(1-rounding) {
			return nil
		}
		out = append(out, ProvedMargin{a, v, on})
	}
	return out
}

// Rounded is v to so many significant digits, for a file that people read.
func Rounded(v float64, digits int) float64 { return schema.Rounded(v, digits) }

// Flat is the proof of a group as the keys it has in a tune, "proof.hold.at" and so on;
// what is not known is left out.
func (p Proof) Flat(group string) schema.Flat {
	f := schema.Flat{}
	put := func(key string, v any, there bool) {
		if there {
			f["proof."+group+"."+key] = v
		}
	}
	put("at", p.At.UTC().Truncate(time.Second), !p.At.IsZero())
	for key, s := range map[string]string{"unit": p.Unit, "place": p.Place, "by": p.By, "firmware": p.Firmware, "note": p.Note, "rig": p.Rig, "digest": p.Digest, "parts": p.Parts, "stale": p.Ended} {
		put(key, s, s != "")
	}
	put("minutes", p.Minutes, p.Minutes != 0)
	put("mass_kg", p.MassKg, p.MassKg != 0)
	put("cg_mm", anys(p.CGmm), len(p.CGmm) > 0)
	put("tilts_deg", anys(p.TiltsDeg), len(p.TiltsDeg) > 0)
	for key, m := range map[string]map[schema.Axis]float64{"effort_pct": p.Effort, "onset": p.Onset, "onset_hz": p.OnsetHz, "inertia_kgm2": p.Inertia, "inertia_most_kgm2": p.InertiaMost, "onset_tilt_deg": p.OnsetTilt, "onset_inertia_kgm2": p.OnsetInertia} {
		for a, v := range m {
			put(key+"."+a.String(), v, true)
		}
	}
	return f
}

func anys[T any](l []T) []any {
	out := make([]any, len(l))
	for i, v := range l {
		out[i] = v
	}
	return out
}
