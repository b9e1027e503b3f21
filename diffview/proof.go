package diffview

import (
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/schema"
)

// Proof is how the record of the handheld test differs, and
// whether it still holds on each side.
type Proof struct {
	Op     Op           `json:"op"` // "changed" also when only its validity changed
	Level  schema.Level `json:"level"`
	Fields []Field      `json:"fields,omitempty"`
	// StaleBefore and StaleAfter say why the proof of each side does not hold there.
	StaleBefore []string `json:"stale_before,omitempty"`
	StaleAfter  []string `json:"stale_after,omitempty"`
	Sentence    string   `json:"sentence"`
	// Groups are the other groups of which the proof, or its state, differs; what stands
	// beside it is of stiffness and filters.
	Groups []GroupProof `json:"groups,omitempty"`

	before, after *preset.Proof
	holdSame      bool // only proofs of other groups differ
	others        map[string]*preset.Proof
}

// GroupProof is how the proof of one group differs.
type GroupProof struct {
	Group  string `json:"group"`
	Before string `json:"before"` // "proved", "not proved" or "out of date"
	After  string `json:"after"`
	Why    string `json:"why,omitempty"` // it is out of date
	At     string `json:"at,omitempty"`  // when the later side was tested, in UTC
	at     time.Time
}

// groupProofs lists the groups, but for hold, whose proof or state differs.
func (c *comparison) groupProofs() []GroupProof {
	states := func(s Side) map[string]preset.Standing {
		out := map[string]preset.Standing{}
		if s.Tune == nil {
			return out
		}
		var r preset.Rig
		if s.Rig != nil {
			r = *s.Rig
		}
		for _, x := range s.Tune.Standing(r, s.Sheet, s.Meta.Unit) {
			if x.Group != preset.GroupHold {
				out[x.Group] = x
			}
		}
		return out
	}
	a, b := states(c.a), states(c.b)
	all := map[string]bool{}
	for g := range a {
		all[g] = true
	}
	for g := range b {
		all[g] = true
	}
	var out []GroupProof
	for _, g := range slices.Sorted(maps.Keys(all)) {
		x, y := a[g], b[g]
		if x.Proof == nil && y.Proof == nil || x.State == y.State && sameProofFlat(x.Proof, y.Proof, g) {
			continue
		}
		p := GroupProof{Group: g, Before: firstText(x.State, preset.NotProved), After: firstText(y.State, preset.NotProved)}
		if y.Proof != nil && !y.Proof.At.IsZero() {
			p.at, p.At = y.Proof.At, schema.SayMoment(y.Proof.At, time.UTC)
		}
		for _, w := range y.Reasons {
			p.Why = firstText(p.Why, w.Text)
		}
		out = append(out, p)
	}
	return out
}

func sameProofFlat(a, b *preset.Proof, group string) bool {
	if a == nil || b == nil {
		return a == b
	}
	return reflect.DeepEqual(a.Flat(group), b.Flat(group))
}

// words says it in a line, with its moment in a zone.
func (g GroupProof) words(zone *time.Location) string {
	s := preset.GroupWords(g.Group) + " " + g.After
	if g.Before == g.After {
		s += " anew"
	}
	if g.After == preset.Proved && !g.at.IsZero() {
		s += " " + schema.SayMoment(g.at, zone)
	}
	if g.Why != "" {
		s += ": " + g.Why
	}
	return s
}

func (c *comparison) proof() {
	var a, b *preset.Proof
	if c.a.Tune != nil {
		a = c.a.Tune.Proof
	}
	if c.b.Tune != nil {
		b = c.b.Tune.Proof
	}
	groups := c.groupProofs()
	if a == nil && b == nil && groups == nil {
		return
	}
	p := Proof{Op: Changed, before: a, after: b, Level: schema.Minor, Groups: groups}
	if c.b.Tune != nil {
		p.others = c.b.Tune.Others
	}
	if groups != nil {
		p.Level = schema.Notable
	}
	if a == nil && b == nil {
		c.say(p)
		return
	}
	if a == nil {
		p.Op = Added
	} else if b == nil {
		p.Op = Removed
	}
	fa, fb := proofKeys(a), proofKeys(b)
	if (a == nil) == (b == nil) {
		p.Fields = c.fields(schema.KindTune, fa, fb, nil)
	}
	p.StaleBefore, p.StaleAfter = stale(c.a), stale(c.b)
	if p.Op == Changed && p.Fields == nil && equal(texts(p.StaleBefore), texts(p.StaleAfter)) {
		if groups == nil {
			return
		}
		p.holdSame = true
		c.say(p)
		return
	}
	for _, f := range p.Fields {
		p.Level = max(p.Level, f.Level)
	}
	switch {
	case p.Op == Removed:
		p.Level = schema.Major
	case p.Op == Added:
		p.Level = schema.Notable
	}
	switch {
	case b == nil || len(p.StaleAfter) == 0:
	case p.held():
		p.Level = schema.Major
	default:
		p.Level = max(p.Level, schema.Notable)
	}
	c.say(p)
}

// say keeps what differs of the proof, with the sentence that answers give.
func (c *comparison) say(p Proof) {
	p.Sentence = p.words(time.UTC)
	c.r.Proof = &p
}

// held reports whether the proof held on the first side.
func (p Proof) held() bool { return p.before != nil && len(p.StaleBefore) == 0 }

// words says what happened to the proof, with its moments in a zone.
func (p Proof) words(zone *time.Location) string {
	var out []string
	if s := p.holdWords(zone); s != "" {
		out = append(out, s)
	}
	for _, g := range p.Groups {
		out = append(out, g.words(zone))
	}
	return strings.Join(out, "; ")
}

// holdWords is words of the proof of stiffness and filters alone, "" where it is the same.
func (p Proof) holdWords(zone *time.Location) string {
	a, b := p.before, p.after
	named := func(p *preset.Proof) string {
		s := "the proof"
		if !p.At.IsZero() {
			s += " of " + schema.SayMoment(p.At, zone)
		}
		if p.Unit != "" {
			s += " on unit " + p.Unit
		}
		return s
	}
	did, now := "", ""
	switch {
	case p.holdSame || a == nil && b == nil:
		return ""
	case p.Op == Removed:
		did = named(a) + " removed"
	case p.Op == Added:
		did = named(b) + " is new"
	case !a.At.Equal(b.At) || a.Unit != b.Unit:
		did = named(b) + " replaces " + named(a)
	case p.Fields != nil:
		did = named(b) + " was changed"
	}
	switch {
	case b == nil:
	case len(p.StaleAfter) > 0:
		now = "is out of date"
	case a != nil && !p.held():
		now = "is valid again"
	}
	switch {
	case now == "":
		return did
	case did == "":
		return named(b) + " " + now
	}
	return did + ", and " + now
}

func stale(s Side) []string {
	if s.Tune == nil || s.Tune.Proof == nil {
		return nil
	}
	var r preset.Rig
	if s.Rig != nil {
		r = *s.Rig
	}
	var out []string
	for _, w := range s.Tune.Stale(r, s.Sheet, s.Meta.Unit) {
		out = append(out, w.Text)
	}
	return out
}

// proofKeys is a proof as the keys it has in a tune.
func proofKeys(p *preset.Proof) schema.Flat {
	if p == nil {
		return schema.Flat{}
	}
	return p.Flat(preset.GroupHold)
}
