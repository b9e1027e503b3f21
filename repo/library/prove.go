package library

import (
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Prove works out the tune with a new proof of each group named in the place of the old
// one, which is replaced whole; the other groups keep theirs. It does not write. A build
// that was edited and not saved is refused, since its fingerprint is not the folder's yet.
func (l Editor) Prove(d *Loaded, p preset.Proof, groups ...string) (Edited, error) {
	if now := d.Rig.Fingerprint(); now != d.Rig.ID {
		return Edited{}, &store.Error{Kind: store.ErrChanged, Msg: "the build of " + d.Rig.Alias + " was changed and is not saved: its fingerprint is " + now + " now", Hint: "Save it first: rigkeep save " + d.Rig.Alias + " -m WHY", Paths: []string{preset.RigPath(d.Rig.ID)}}
	}
	path := d.TunePath()
	doc := d.Doc.WithOrder(l.rank(path))
	for _, g := range groups {
		own, err := p.Complete(d.Rig, d.Sheet, *d.Tune, g)
		if err != nil {
			return Edited{}, err
		}
		if doc, err = l.putProof(doc, g, own); err != nil {
			return Edited{}, err
		}
		doc = doc.WithOrder(l.rank(path))
	}
	_, err := l.Parse(path, doc.Text(), d.Sheet)
	return Edited{Path: path, Before: d.Doc, After: doc}, file.Asked(err)
}

// putProof writes the proof of one group, in place where there is one, so that what a
// person wrote beside it stays.
func (l Editor) putProof(doc *file.Doc, group string, p preset.Proof) (*file.Doc, error) {
	at := "proof." + group
	t := l.proofTable(p, group)
	if _, there := doc.Get(at); !there {
		return doc.AddTable(at, t)
	}
	flat := p.Flat(group)
	n := len(schema.SplitPath(at))
	var edits []file.Edit
	gone := map[string]bool{}
	for _, key := range doc.Keys() {
		seg := schema.SplitPath(key)
		if len(seg) <= n || !strings.HasPrefix(key, at+".") {
			continue
		}
		own := at + "." + seg[n]
		if _, keep := flat[key]; !keep && !underAny(flat, own) && !gone[own] {
			gone[own] = true
			edits = append(edits, file.Edit{Key: own, Delete: true})
		}
	}
	for _, f := range t {
		edits = append(edits, file.Edit{Key: at + "." + f.Key, Value: f.Value})
	}
	return doc.Apply(edits...)
}

// underAny reports whether a key is in the map, or any key below it.
func underAny(f schema.Flat, at string) bool {
	for k := range f {
		if k == at || strings.HasPrefix(k, at+".") {
			return true
		}
	}
	return false
}

// proofTable is the proof of a group in the catalogue's order, with a table in braces for
// what is known per axis.
func (l Editor) proofTable(p preset.Proof, group string) file.Table {
	flat := p.Flat(group)
	k, _ := l.Cat.Kind(schema.KindTune)
	var out file.Table
	at := map[string]int{}
	pattern := "proof." + group + "."
	if preset.GroupStyle(group) != "" {
		pattern = "proof.style.*."
	}
	for _, f := range k.Fields {
		key, ok := strings.CutPrefix(f.Path, pattern)
		if !ok {
			continue
		}
		v, ok := flat["proof."+group+"."+key]
		if !ok {
			continue
		}
		if n, isNum := schema.Number(v); isNum {
			v = tomlNumber(n)
		}
		name, axis, per := strings.Cut(key, ".")
		if !per {
			out = append(out, file.Field{Key: name, Value: v})
			continue
		}
		i, ok := at[name]
		if !ok {
			i = len(out)
			at[name] = i
			out = append(out, file.Field{Key: name, Value: file.Table{}})
		}
		out[i].Value = append(out[i].Value.(file.Table), file.Field{Key: axis, Value: v})
	}
	return out
}

// Edited plans the revision that saves edited files of a rig, those that differ.
func (l Planner) Edited(d *Loaded, es ...Edited) (*Plan, error) {
	p, err := l.emptyPlan()
	if err != nil {
		return nil, err
	}
	rr, err := l.Names().Find(d.Rig.ID)
	if err != nil {
		return nil, err
	}
	p.Rigs = []RigRef{rr}
	for _, e := range es {
		if e.Same() {
			continue
		}
		if err := l.planEdited(p, e); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// Proofs tells of one revision of a tune after the other whether its proof held then.
type Proofs struct {
	l    *Library
	rigs map[string]*preset.Rig // by fingerprint, of builds whose file never changed; nil where it did
}

// Proofs begins to look at the proofs of a history.
func (l Past) Proofs() *Proofs { return &Proofs{l.Library, map[string]*preset.Rig{}} }

// StandingAt says how each group of a tune stood at a revision, against the build and the
// gimbal sheet of that revision.
func (p *Proofs) StandingAt(h Revision, t preset.Tune) []preset.Standing {
	r := p.rig(h)
	sheet, err := p.l.Sheet(h.ID, r.Gimbal)
	if err != nil {
		sheet = nil
	}
	return t.Standing(r, sheet, "")
}

// rig is the build at a revision; one that cannot be read has no parts.
func (p *Proofs) rig(h Revision) preset.Rig {
	r, known := p.rigs[h.Fingerprint]
	if !known {
		if id, ok, err := p.l.Store.History().Always(preset.RigPath(h.Fingerprint)); err == nil && ok {
			if data, err := p.l.Store.Revisions().ReadBlob(id); err == nil {
				if only, _, err := preset.ReadRig(p.l.Cat, preset.RigPath(h.Fingerprint), data); err == nil {
					r = &only
				}
			}
		}
		p.rigs[h.Fingerprint] = r
	}
	if r != nil {
		return *r
	}
	then, err := p.l.Rig(h.ID, h.Fingerprint)
	if err != nil {
		return preset.Rig{ID: h.Fingerprint}
	}
	return then
}

// StaleNow says why the proof of a tune's stiffness and filters, as the tune is in the work
// tree, does not hold today: values, build, also one that was edited and is not saved,
// firmware of the unit, and the unit that an open job sends it out on.
func (l Past) StaleNow(d *Loaded) ([]preset.Staleness, error) {
	if d.Tune == nil || d.Tune.Proof == nil {
		return nil, nil
	}
	out := d.Tune.Stale(d.Rig, d.Sheet, "")
	pins, err := l.Jobs().Of(RigRef{Fingerprint: d.Rig.ID, Was: d.Rig.Was}, d.Ref.Tune)
	if err != nil {
		return out, err
	}
	for _, j := range pins {
		if j.Job.State != "open" || j.Pin.Unit == "" {
			continue
		}
		for _, s := range d.Tune.Stale(d.Rig, d.Sheet, j.Pin.Unit) {
			if s.What == "unit" {
				out = append(out, preset.Staleness{What: "unit", Text: s.Text + ", on which it goes out with " + j.Job.Slug})
			}
		}
	}
	return out, nil
}

// PinnedUnit is the unit that a tune goes out on with a job, "" where the job does
// not say.
func (l Jobs) PinnedUnit(job string, r preset.Rig, tune string) string {
	j, err := l.Read("", job)
	if err != nil {
		return ""
	}
	for _, fp := range append([]string{r.ID}, r.Was...) {
		if p, ok := j.Pin(fp, tune); ok {
			return p.Unit
		}
	}
	return ""
}
