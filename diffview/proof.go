package diffview

import (
	"rigkeep/preset"
	"rigkeep/schema"
)

// Proof is how the record of having worked the tune in the hand differs, and
// whether it still holds on each side.
type Proof struct {
	Op     Op           `json:"op"` // "changed" also when only its validity changed
	Level  schema.Level `json:"level"`
	Fields []Field      `json:"fields,omitempty"`
	// StaleBefore and StaleAfter say why the proof of each side does not hold there.
	StaleBefore []string `json:"stale_before,omitempty"`
	StaleAfter  []string `json:"stale_after,omitempty"`
	Sentence    string   `json:"sentence"`

	after *preset.Proof
}

func (c *comparison) proof() {
	var a, b *preset.Proof
	if c.a.Tune != nil {
		a = c.a.Tune.Proof
	}
	if c.b.Tune != nil {
		b = c.b.Tune.Proof
	}
	if a == nil && b == nil {
		return
	}
	p := Proof{Op: Changed, after: b, Level: schema.Minor}
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
		return
	}
	for _, f := range p.Fields {
		p.Level = max(p.Level, f.Level)
	}
	day := func(p *preset.Proof) string {
		s := "the proof"
		if !p.At.IsZero() {
			s += " of " + when(p.At)
		}
		if p.Unit != "" {
			s += " on unit " + p.Unit
		}
		return s
	}
	lost := a != nil && len(p.StaleBefore) == 0 // it held before
	var did string
	switch {
	case p.Op == Removed:
		p.Level, did = schema.Major, day(a)+" is gone"
	case p.Op == Added:
		p.Level, did = schema.Notable, day(b)+" is new"
	case !a.At.Equal(b.At) || a.Unit != b.Unit:
		did = day(b) + " takes the place of " + day(a)
	case p.Fields != nil:
		did = day(b) + " was changed"
	}
	now := ""
	switch {
	case b == nil:
	case len(p.StaleAfter) > 0 && lost:
		p.Level, now = schema.Major, "no longer holds"
	case len(p.StaleAfter) > 0:
		p.Level, now = max(p.Level, schema.Notable), "does not hold"
	case !lost && a != nil:
		now = "holds again"
	}
	switch {
	case did == "":
		p.Sentence = day(b) + " " + now
	case now == "":
		p.Sentence = did
	default:
		p.Sentence = did + ", and " + now
	}
	c.r.Proof = &p
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
	return p.Flat()
}
