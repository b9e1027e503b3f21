package main

import (
	"rigkeep/diffview"
	"rigkeep/preset"
	"rigkeep/repo"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// side is what was loaded, as one side of a comparison.
func (k *call) side(d *library.Loaded) diffview.Side {
	r := d.Rig
	s := diffview.Side{Label: d.Label(), Rig: &r, Sheet: d.Sheet, Tune: d.Tune, Texts: d.Texts, Meta: meta(d.Commit)}
	s.Meta.Job, s.Meta.Unit = firstOf(d.Job, s.Meta.Job), k.unitAt(d)
	return s
}

func meta(c *repo.Commit) diffview.Meta {
	if c == nil {
		return diffview.Meta{}
	}
	return diffview.Meta{Revision: string(c.ID), Who: c.Author.Name, When: c.When, Job: c.Job()}
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// reports compares what a plan would change, rig by rig and file by file.
func (k *call) reports(p *library.Plan) ([]diffview.Report, error) {
	type pair struct{ a, b diffview.Side }
	tunes := map[string]*pair{} // by path after
	var order []string
	newSide := func(rev repo.Rev, label string) diffview.Side {
		return diffview.Side{Label: label, Docs: map[string]schema.Tree{}, Texts: map[string][]byte{}}
	}
	get := func(id string) *pair {
		if tunes[id] == nil {
			tunes[id] = &pair{newSide(p.Base, "before"), newSide("", "after")}
			order = append(order, id)
		}
		return tunes[id]
	}
	rigOf := func(path string, text []byte, fp string) *preset.Rig {
		if text == nil {
			return nil
		}
		doc, err := k.lib.Parse(path, text, nil)
		if err != nil {
			return nil // the old text was broken; the new one is checked by the plan
		}
		r := preset.DecodeRig(fp, doc.Tree())
		return &r
	}
	oldOf := map[string]string{}
	for _, m := range p.Moves {
		oldOf[m.To] = m.From
	}
	for _, it := range p.Items {
		if it.After == nil && movedAway(p, it) {
			continue // the file goes on at its new place
		}
		switch it.Place.Kind {
		case schema.KindRig, schema.KindTune:
			oldFP := firstOf(oldOf[it.Place.Rig], it.Place.Rig)
			x := get(it.Path)
			if it.Place.Kind == schema.KindRig {
				x.a.Rig, x.b.Rig = rigOf(it.OldPath, it.Before, oldFP), rigOf(it.Path, it.After, it.Place.Rig)
			} else {
				x.a.Tune, x.b.Tune = k.tuneOf(it.OldPath, it.Before), k.tuneOf(it.Path, it.After)
			}
			r := x.b.Rig
			if r == nil {
				r = x.a.Rig
			}
			if r == nil {
				if now, err := k.lib.Rig("", oldFP); err == nil {
					r = &now
				}
			}
			if r != nil {
				if s, err := k.lib.Sheet("", r.Gimbal); err == nil {
					x.a.Sheet, x.b.Sheet = s, s
				}
				x.a.Label, x.b.Label = r.Alias, r.Alias
			}
			if it.Before != nil {
				x.a.Texts[it.Path] = it.Before
			}
			if it.After != nil {
				x.b.Texts[it.Path] = it.After
			}
		default:
			x := get("")
			for _, s := range []struct {
				side diffview.Side
				text []byte
				path string
			}{{x.a, it.Before, it.Path}, {x.b, it.After, it.Path}} {
				if s.text == nil {
					continue
				}
				s.side.Texts[s.path] = s.text
				if doc, err := k.lib.Parse(s.path, s.text, nil); err == nil {
					s.side.Docs[s.path] = doc.Tree()
				}
			}
		}
	}
	var out []diffview.Report
	for _, id := range order {
		if r := diffview.Compare(k.cat, tunes[id].a, tunes[id].b); !r.Same {
			out = append(out, r)
		}
	}
	return out, nil
}

func movedAway(p *library.Plan, it library.Item) bool {
	for _, m := range p.Moves {
		if it.Place.Rig == m.From {
			return true
		}
	}
	return false
}

func (k *call) tuneOf(path string, text []byte) *preset.Tune {
	if text == nil {
		return nil
	}
	doc, err := k.lib.Parse(path, text, nil)
	if err != nil {
		return nil
	}
	t := preset.DecodeTune(k.cat, doc.Tree())
	return &t
}
