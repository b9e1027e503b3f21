package diffview

import (
	"errors"
	"fmt"
	"rigkeep/preset"
	"rigkeep/schema"
)

// Fields says which keys of two documents of one kind differ: known keys in the
// catalogue's order, then unknown ones. Tables of a list are matched by position.
func Fields(cat *schema.Catalogue, kind string, a, b schema.Tree) []Field {
	c := comparison{cat: cat}
	return c.fields(kind, schema.Flatten(a), schema.Flatten(b), nil)
}

// ApplyFields makes the changes to a flat document, in place of which it returns
// a changed copy.
func ApplyFields(changes []Field, doc schema.Flat) schema.Flat {
	out := schema.Flat{}
	for k, v := range doc {
		out[k] = v
	}
	for _, f := range changes {
		if f.Op == Removed {
			delete(out, f.Key)
		} else {
			out[f.Key] = f.After
		}
	}
	return out
}

// ApplyTune makes the report's changes to a tune, which must be the first side's:
// the result is the second side's.
func (r Report) ApplyTune(t preset.Tune) (preset.Tune, error) {
	out := t
	out.Values = map[string]any{}
	for k, v := range t.Values {
		out.Values[k] = v
	}
	for _, g := range r.Tune {
		for _, c := range g.Changes {
			if !equal(t.Values[c.Key], c.Before) {
				return preset.Tune{}, fmt.Errorf("%w: %s is %s, not %s", ErrOtherBase, c.Key, value(t.Values[c.Key]), value(c.Before))
			}
			if c.Op == Removed {
				delete(out.Values, c.Key)
			} else {
				out.Values[c.Key] = c.After
			}
		}
	}
	for _, f := range r.Other {
		after, _ := f.After.(string)
		switch f.Key {
		case "rig":
			out.Rig = after
		case "unit":
			out.Unit = after
		case "note":
			out.Note = after
		}
	}
	if r.Proof != nil {
		out.Proof, out.Others = r.Proof.after, r.Proof.others
	}
	return out, nil
}

// ApplyRig makes the report's changes to a rig, which must be the first side's:
// the result is the second side's. Parts that did not change keep their spelling.
func (r Report) ApplyRig(rig preset.Rig) (preset.Rig, error) {
	d := r.Build
	if d == nil {
		return rig, nil
	}
	out := rig
	out.ID, out.Gimbal = d.Fingerprints[1], d.Gimbals[1]
	n := len(d.kept)
	for _, p := range d.Parts {
		if p.Index[0] >= len(rig.Parts) {
			return preset.Rig{}, fmt.Errorf("%w: it has %s", ErrOtherBase, schema.Count(len(rig.Parts), "part", "parts"))
		}
		if p.Index[1] >= 0 {
			n++
		}
	}
	out.Parts = make([]preset.Part, n)
	for _, k := range d.kept {
		if k[0] >= len(rig.Parts) {
			return preset.Rig{}, fmt.Errorf("%w: it has %s", ErrOtherBase, schema.Count(len(rig.Parts), "part", "parts"))
		}
		out.Parts[k[1]] = rig.Parts[k[0]]
	}
	for _, p := range d.Parts {
		if p.Index[1] >= 0 {
			out.Parts[p.Index[1]] = *p.after
		}
	}
	out.Resonances = append([]preset.Resonance(nil), rig.Resonances...)
	for _, f := range d.Fields {
		after, _ := f.After.(string)
		switch f.Key {
		case "alias":
			out.Alias = after
		case "note":
			out.Note = after
		case "was":
			out.Was = nil
			l, _ := f.After.([]any)
			for _, v := range l {
				s, _ := v.(string)
				out.Was = append(out.Was, s)
			}
		default:
			out.Resonances = nil
			if d.b != nil {
				out.Resonances = append(out.Resonances, d.b.Resonances...)
			}
		}
	}
	return out, nil
}

// ErrOtherBase says that a report is applied to something else than its first side.
var ErrOtherBase = errors.New("the file has changed since the comparison")
