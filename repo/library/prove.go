package library

import (
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Prove works out the tune with a new proof in the place of the old one, which is
// replaced whole. It does not write. A build that was edited and not saved is
// refused, since its fingerprint is not the folder's yet.
func (l *Library) Prove(d *Loaded, p preset.Proof) (Edited, error) {
	if now := d.Rig.Fingerprint(); now != d.Rig.ID {
		return Edited{}, &store.Error{Kind: store.ErrChanged, Msg: "the build of " + d.Rig.Alias + " was changed and is not saved: its fingerprint is " + now + " now", Hint: "Save it first: rigkeep save " + d.Rig.Alias + " -m WHY", Paths: []string{preset.RigPath(d.Rig.ID)}}
	}
	p, err := p.Complete(d.Rig, d.Sheet, *d.Tune)
	if err != nil {
		return Edited{}, err
	}
	t := l.proofTable(p)
	path := d.TunePath()
	doc := d.Doc.WithOrder(l.rank(path))
	if d.Tune.Proof == nil {
		after, err := doc.AddTable("proof", t)
		if err != nil {
			return Edited{}, err
		}
		_, err = l.Parse(path, after.Text(), d.Sheet)
		return Edited{Path: path, Before: d.Doc, After: after}, file.Asked(err)
	}
	// in place, so that what a person wrote beside it stays
	flat := p.Flat()
	var edits []file.Edit
	gone := map[string]bool{}
	for _, key := range doc.Keys() {
		seg := schema.SplitPath(key)
		if seg[0] != "proof" || len(seg) < 2 {
			continue
		}
		at := strings.Join(seg[:2], ".")
		if _, keep := flat[key]; !keep && !underAny(flat, at) && !gone[at] {
			gone[at] = true
			edits = append(edits, file.Edit{Key: at, Delete: true})
		}
	}
	for _, f := range t {
		edits = append(edits, file.Edit{Key: "proof." + f.Key, Value: f.Value})
	}
	return l.edit(path, doc, d.Sheet, edits...)
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

// proofTable is a proof in the catalogue's order, with a table in braces for what
// is known per axis.
func (l *Library) proofTable(p preset.Proof) file.Table {
	flat := p.Flat()
	k, _ := l.Cat.Kind(schema.KindTune)
	var out file.Table
	at := map[string]int{}
	for _, f := range k.Fields {
		v, ok := flat[f.Path]
		if !ok || !strings.HasPrefix(f.Path, "proof.") {
			continue
		}
		if n, isNum := schema.Number(v); isNum {
			v = number(n)
		}
		seg := schema.SplitPath(f.Path)
		if len(seg) == 2 {
			out = append(out, file.Field{Key: seg[1], Value: v})
			continue
		}
		i, ok := at[seg[1]]
		if !ok {
			i = len(out)
			at[seg[1]] = i
			out = append(out, file.Field{Key: seg[1], Value: file.Table{}})
		}
		out[i].Value = append(out[i].Value.(file.Table), file.Field{Key: seg[2], Value: v})
	}
	return out
}

// PlanEdited plans the revision that saves edited files of a rig, those that differ.
func (l *Library) PlanEdited(d *Loaded, es ...Edited) (*Plan, error) {
	p, err := l.emptyPlan()
	if err != nil {
		return nil, err
	}
	rr, err := l.Find(d.Rig.ID)
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
func (l *Library) Proofs() *Proofs { return &Proofs{l, map[string]*preset.Rig{}} }

// StaleAt says why a tune's proof did not hold at a revision, against the build
// and the gimbal sheet of that revision.
func (p *Proofs) StaleAt(h Revision, t preset.Tune) []preset.Staleness {
	r := p.rig(h)
	sheet, err := p.l.Sheet(h.ID, r.Gimbal)
	if err != nil {
		sheet = nil
	}
	return t.Stale(r, sheet, "")
}

// rig is the build at a revision; one that cannot be read has no parts.
func (p *Proofs) rig(h Revision) preset.Rig {
	r, known := p.rigs[h.Fingerprint]
	if !known {
		if id, ok, err := p.l.Store.Always(preset.RigPath(h.Fingerprint)); err == nil && ok {
			if data, err := p.l.Store.ReadBlob(id); err == nil {
				if doc, err := p.l.Parse(preset.RigPath(h.Fingerprint), data, nil); err == nil {
					only := preset.DecodeRig(h.Fingerprint, doc.Tree())
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

// StaleNow says why the proof of a tune, as it is in the work tree, does not hold today:
// values, build, also one that was edited and is not saved, firmware of the unit, and
// the unit that an open job sends it out on.
func (l *Library) StaleNow(d *Loaded) ([]preset.Staleness, error) {
	if d.Tune == nil || d.Tune.Proof == nil {
		return nil, nil
	}
	out := d.Tune.Stale(d.Rig, d.Sheet, "")
	if now := d.Rig.Fingerprint(); now != d.Rig.ID && d.Tune.Proof.Rig == d.Rig.ID {
		r := d.Rig
		r.ID = now
		for _, s := range d.Tune.Stale(r, d.Sheet, "") {
			if s.What == "rig" {
				out = append(out, preset.Staleness{What: "rig", Text: s.Text + "; that edit is not saved"})
			}
		}
	}
	pins, err := l.JobsOf(RigRef{Fingerprint: d.Rig.ID, Was: d.Rig.Was}, d.Ref.Tune)
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
func (l *Library) PinnedUnit(job string, r preset.Rig, tune string) string {
	j, err := l.Job("", job)
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
