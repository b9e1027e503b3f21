package main

import (
	"strings"

	"rigkeep/diffview"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// side is what was loaded, as one side of a comparison.
func (k compareRun) side(d *library.Loaded) diffview.Side {
	r := d.Rig
	s := diffview.Side{Label: d.Label(), Rig: &r, Sheet: d.Sheet, Tune: d.Tune, Texts: d.Texts, Meta: meta(d.Commit)}
	s.Meta.Job, s.Meta.Unit = firstOf(d.Job, s.Meta.Job), showRun(k).unitAt(d)
	units := []string{s.Meta.Unit}
	if t := d.Tune; t != nil {
		if units = append(units, t.Unit); t.Proof != nil {
			units = append(units, t.Proof.Unit)
		}
	}
	s.Sheet = k.learnedLoop(d.Sheet, units...)
	if records, err := k.lib.Balance().Own(d.Rig.ID); err == nil { // one that cannot be read is for check
		if b, ok := preset.NewestBalance(records, d.Rig.ID, s.Meta.Unit); ok {
			s.Resting = b.Resting()
		}
	}
	return s
}

// learnedLoop is a sheet for margins, with what sessions told where it lacks it; one that
// they cannot be read for stays as it is.
func (k compareRun) learnedLoop(s *schema.Sheet, units ...string) *schema.Sheet {
	if s == nil {
		return nil
	}
	if learned, err := k.lib.Evidence().LoopSheet(s, units...); err == nil {
		return learned
	}
	return s
}

func meta(c *store.Commit) diffview.Meta {
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

// reports compares what a plan would change: each rig with its tune, further
// tunes, then the other files one by one.
func (k compareRun) reports(p *library.Plan) ([]diffview.Report, error) {
	type pair struct{ a, b diffview.Side }
	pairs := map[string]*pair{}
	var rigs, others []string
	get := func(id, label string, order *[]string) *pair {
		if pairs[id] == nil {
			side := func() diffview.Side {
				return diffview.Side{Label: label, Docs: map[string]schema.Tree{}, Texts: map[string][]byte{}}
			}
			pairs[id] = &pair{side(), side()}
			*order = append(*order, id)
		}
		return pairs[id]
	}
	oldOf := map[string]string{}
	for _, m := range p.Moves {
		oldOf[m.To] = m.From
	}
	first := map[string]string{} // the tune that stands with its rig
	for _, it := range p.Items {
		if it.Place.Kind == schema.KindTune && (first[it.Place.Rig] == "" || it.Place.Name == preset.MainTune) {
			first[it.Place.Rig] = it.Place.Name
		}
	}
	for _, it := range p.Items {
		if it.After == nil && movedAway(p, it) || it.Place.Kind == preset.KindPhoto {
			continue // the file goes on at its new place; a photo has no words
		}
		var x *pair
		switch it.Place.Kind {
		case schema.KindRig, schema.KindTune:
			fp := it.Place.Rig
			oldFP := firstOf(oldOf[fp], fp)
			alias := k.aliasOf(p, fp, oldFP)
			id, label := fp, alias
			if it.Place.Kind == schema.KindTune && it.Place.Name != first[fp] {
				id, label = fp+"/"+it.Place.Name, alias+"/"+it.Place.Name
			}
			x = get(id, label, &rigs)
			if it.Place.Kind == schema.KindRig {
				x.a.Rig, x.b.Rig = k.rigOf(it.OldPath, it.Before), k.rigOf(it.Path, it.After)
			} else {
				x.a.Tune, x.b.Tune = k.tuneOf(it.OldPath, it.Before), k.tuneOf(it.Path, it.After)
			}
			x.a.Sheet, x.b.Sheet = k.sheetFor(nil, x.a.Rig, oldFP, fp), k.sheetFor(p, x.b.Rig, fp, oldFP)
		case schema.KindBench:
			if it.OldPath != it.Path {
				continue // a log goes along and stays as it was
			}
			fallthrough
		default:
			x = get(it.Path, strings.TrimSpace(it.Place.Kind+" "+it.Place.Name), &others)
			for _, s := range []struct {
				side diffview.Side
				text []byte
			}{{x.a, it.Before}, {x.b, it.After}} {
				if doc, err := k.lib.Parse(it.Path, s.text, nil); s.text != nil && err == nil {
					s.side.Docs[it.Path] = doc.Tree()
				}
			}
		}
		if it.Before != nil {
			x.a.Texts[it.Path] = it.Before
		}
		if it.After != nil {
			x.b.Texts[it.Path] = it.After
		}
	}
	var out []diffview.Report
	for _, id := range append(rigs, others...) {
		if r := diffview.Compare(k.cat, pairs[id].a, pairs[id].b); !r.Same {
			out = append(out, r)
		}
	}
	return out, nil
}

// rigOf reads a build sheet's text, nil where there is none or the old one was
// broken; the new one is checked by the plan.
func (k compareRun) rigOf(path string, text []byte) *preset.Rig {
	if text == nil {
		return nil
	}
	r, _, err := preset.ReadRig(k.cat, path, text)
	if err != nil {
		return nil
	}
	return &r
}

// sheetFor is the sheet of a rig: of the build at hand, else of the one that the
// work tree has under either fingerprint; as a plan would leave it, where one is given.
func (k compareRun) sheetFor(p *library.Plan, r *preset.Rig, fps ...string) *schema.Sheet {
	for _, fp := range fps {
		if r == nil {
			if now, err := k.lib.Rig("", fp); err == nil {
				r = &now
			}
		}
	}
	if r == nil {
		return nil
	}
	if p != nil {
		for _, it := range p.Items {
			if it.After == nil || it.Path != preset.GimbalPath(r.Gimbal) {
				continue
			}
			if s, err := preset.ReadSheet(k.cat, it.Path, it.After); err == nil {
				return k.learnedLoop(s)
			}
		}
	}
	s, err := k.lib.Sheet("", r.Gimbal)
	if err != nil {
		return nil
	}
	return k.learnedLoop(s)
}

// aliasOf is what people call a rig of a plan.
func (k compareRun) aliasOf(p *library.Plan, fps ...string) string {
	for _, it := range p.Items {
		if it.Place.Kind != schema.KindRig || it.Place.Rig != fps[0] {
			continue
		}
		for _, text := range [][]byte{it.After, it.Before} {
			if r := k.rigOf(it.Path, text); r != nil {
				return r.Alias
			}
		}
	}
	for _, fp := range fps {
		if r, err := k.lib.Rig("", fp); err == nil {
			return r.Alias
		}
	}
	return fps[0]
}

func movedAway(p *library.Plan, it library.Item) bool {
	for _, m := range p.Moves {
		if it.Place.Rig == m.From {
			return true
		}
	}
	return false
}

func (k compareRun) tuneOf(path string, text []byte) *preset.Tune {
	if text == nil {
		return nil
	}
	t, _, err := preset.ReadTune(k.cat, path, text, nil)
	if err != nil {
		return nil
	}
	return &t
}
