package diffview

import (
	"maps"
	"reflect"
	"slices"
	"strings"

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

	after  *preset.Proof
	others map[string]*preset.Proof
}

// GroupProof is how the proof of one group differs.
type GroupProof struct {
	Group  string `json:"group"`
	Before string `json:"before"` // "proved", "not proved" or "out of date"
	After  string `json:"after"`
	Why    string `json:"why,omitempty"` // it is out of date
	At     string `json:"at,omitempty"`  // when the later side was tested
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
			p.At = when(y.Proof.At)
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

// words says it in a line.
func (g GroupProof) words() string {
	s := preset.GroupWords(g.Group) + " " + g.After
	if g.Before == g.After {
		s += " anew"
	}
	if g.After == preset.Proved && g.At != "" {
		s += " " + g.At
	}
	if g.Why != "" {
		s += ": " + g.Why
	}
	return s
}

func (c *comparison) proof() {
	p := Proof{Op: Changed, Level: schema.Minor, Groups: c.groupProofs()}
	if c.b.Tune != nil {
		p.after, p.others = c.b.Tune.Proof, c.b.Tune.Others
	}
	var said []string
	if s := c.holdProof(&p); s != "" {
		said = append(said, s)
	}
	for _, g := range p.Groups {
		said = append(said, g.words())
		p.Level = max(p.Level, schema.Notable)
	}
	if said == nil {
		return
	}
	p.Sentence = strings.Join(said, "; ")
	c.r.Proof = &p
}

// holdProof compares the proofs of stiffness and filters, and says how they differ; "" is not at all.
func (c *comparison) holdProof(p *Proof) string {
	var a *preset.Proof
	b := p.after
	if c.a.Tune != nil {
		a = c.a.Tune.Proof
	}
	switch {
	case a == nil && b == nil:
		return ""
	case a == nil:
		p.Op = Added
	case b == nil:
		p.Op = Removed
	default:
		p.Fields = c.fields(schema.KindTune, proofKeys(a), proofKeys(b), nil)
	}
	p.StaleBefore, p.StaleAfter = stale(c.a), stale(c.b)
	if p.Op == Changed && p.Fields == nil && equal(texts(p.StaleBefore), texts(p.StaleAfter)) {
		return ""
	}
	for _, f := range p.Fields {
		p.Level = max(p.Level, f.Level)
	}
	did, now := p.did(a, b), p.now(a, b)
	switch {
	case did == "":
		return proofOfDay(b) + " " + now
	case now == "":
		return did
	}
	return did + ", and " + now
}

// did says what became of the record itself, "" where it is as it was.
func (p *Proof) did(a, b *preset.Proof) string {
	switch {
	case p.Op == Removed:
		p.Level = schema.Major
		return proofOfDay(a) + " removed"
	case p.Op == Added:
		p.Level = schema.Notable
		return proofOfDay(b) + " is new"
	case !a.At.Equal(b.At) || a.Unit != b.Unit:
		return proofOfDay(b) + " replaces " + proofOfDay(a)
	case p.Fields != nil:
		return proofOfDay(b) + " was changed"
	}
	return ""
}

// now says whether the later record holds, where that is worth a word.
func (p *Proof) now(a, b *preset.Proof) string {
	held := a != nil && len(p.StaleBefore) == 0
	switch {
	case b == nil:
	case len(p.StaleAfter) > 0 && held:
		p.Level = schema.Major
		return "is out of date"
	case len(p.StaleAfter) > 0:
		p.Level = max(p.Level, schema.Notable)
		return "is out of date"
	case a != nil && !held:
		return "is valid again"
	}
	return ""
}

// proofOfDay names a proof by its day and unit.
func proofOfDay(p *preset.Proof) string {
	s := "the proof"
	if !p.At.IsZero() {
		s += " of " + when(p.At)
	}
	if p.Unit != "" {
		s += " on unit " + p.Unit
	}
	return s
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
