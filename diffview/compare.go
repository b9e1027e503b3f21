package diffview

import (
	"sort"

	"rigkeep/schema"
)

// Compare says what differs between two sides. It reads the catalogue for every
// name, unit, direction and weight, and changes neither side.
func Compare(cat *schema.Catalogue, a, b Side) Report {
	r := Report{Format: Format, Before: party(a), After: party(b), a: a, b: b}
	c := comparison{cat: cat, a: a, b: b, r: &r}
	c.read()
	c.build()
	c.tune()
	c.proof()
	c.documents()
	c.texts()
	r.Same = r.Build == nil && r.Tune == nil && r.Proof == nil && r.Other == nil && r.Documents == nil && r.Texts == nil
	r.count()
	return r
}

type comparison struct {
	cat  *schema.Catalogue
	a, b Side
	r    *Report
	// documents given and read from the texts, and the texts that differ
	docsA, docsB map[string]schema.Tree
	texted       []textPair
	noTune       bool // the tunes are not compared, which is said
}

func party(s Side) Party {
	p := Party{Label: s.Label, Meta: s.Meta}
	switch {
	case s.Rig != nil:
		p.Rig, p.Alias, p.Gimbal = s.Rig.ID, s.Rig.Alias, s.Rig.Gimbal
	case s.Tune != nil:
		p.Rig = s.Tune.Rig
	}
	if p.Gimbal == "" && s.Sheet != nil {
		p.Gimbal = s.Sheet.Slug
	}
	return p
}

func (r *Report) count() {
	r.Counts = Count{}
	if r.Build != nil {
		r.Counts.add(r.Build.Level)
	}
	for _, g := range r.Tune {
		for _, c := range g.Changes {
			r.Counts.add(c.Level)
		}
	}
	if r.Proof != nil {
		r.Counts.add(r.Proof.Level)
	}
	for _, f := range r.Other {
		r.Counts.add(f.Level)
	}
	for _, d := range r.Documents {
		for _, f := range d.Fields {
			r.Counts.add(f.Level)
		}
		if len(d.Fields) == 0 {
			r.Counts.add(schema.Minor)
		}
	}
	for range r.Texts {
		r.Counts.add(schema.Minor)
	}
}

// union lists the keys of both maps once, in order.
func union[V any](a, b map[string]V) []string {
	var out []string
	for k := range a {
		out = append(out, k)
	}
	for k := range b {
		if _, ok := a[k]; !ok {
			out = append(out, k)
		}
	}
	sort.Strings(out)
	return out
}
