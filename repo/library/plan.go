package library

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Item is one file of a revision to be made, before and after.
type Item struct {
	Path          string
	OldPath       string // where it was before a rig moved to a new fingerprint, else Path
	Place         preset.Place
	Before, After []byte // nil where there is none
}

// Move is a rig whose build changed enough to change its fingerprint.
type Move struct{ Alias, From, To string }

// Plan is one revision, worked out and checked, not yet made.
type Plan struct {
	Base  store.Rev
	Items []Item
	Moves []Move
	Rigs  []RigRef // the rigs it is about
	// With is a history that comes in with the revision, nil for none.
	With *store.Bundle
	seen map[string]store.BlobID
}

// Paths gives the paths of the items.
func (p *Plan) Paths() []string {
	out := make([]string, len(p.Items))
	for i, it := range p.Items {
		out[i] = it.Path
	}
	return out
}

// Target is what a person names to be saved.
type Target struct {
	Rig  *RigRef
	Dir  string // prefix of the paths that belong to it
	Path string // or one path
	Name string
}

// Target resolves a name to save: a rig (RIG or RIG/TUNE), "gimbal:SLUG",
// "part:NAME", "unit:UNIT", "job:SLUG", or a path in the library.
func (l Planner) Target(name string) (Target, error) {
	if slug, ok := strings.CutPrefix(name, "gimbal:"); ok {
		if _, err := l.Sheet("", slug); err != nil {
			return Target{}, err
		}
		return Target{Path: preset.GimbalPath(slug), Name: name}, nil
	}
	if s, ok := strings.CutPrefix(name, "part:"); ok {
		part, err := l.Builds().FindPart(s)
		if err != nil {
			return Target{}, err
		}
		return Target{Path: preset.PartPath(part), Name: name}, nil
	}
	if strings.HasPrefix(name, "unit:") {
		u, err := l.Units().Find(name)
		if err != nil {
			return Target{}, err
		}
		return Target{Dir: preset.UnitDir(u.Gimbal, u.Serial) + "/", Name: name}, nil
	}
	if s, ok := strings.CutPrefix(name, "job:"); ok {
		slug, err := l.Jobs().Named(s)
		if err != nil {
			return Target{}, err
		}
		return Target{Path: preset.JobPath(slug), Name: name}, nil
	}
	if _, ok := preset.Locate(name); ok {
		return Target{Path: name, Name: name}, nil
	}
	ref, err := ParseRef(name)
	if err != nil {
		return Target{}, err
	}
	if ref.When != "" {
		return Target{}, &store.Error{Kind: store.ErrBadPath, Msg: name + " names a moment; only the files as they are now can be saved", Hint: "To bring an older tune back: rigkeep restore " + name}
	}
	rr, err := l.Names().Find(ref.Rig)
	if err != nil {
		return Target{}, err
	}
	t := Target{Rig: &rr, Dir: preset.RigDir(rr.Fingerprint) + "/", Name: name}
	if strings.Contains(name, "/") {
		t.Path, t.Dir = preset.TunePath(rr.Fingerprint, ref.Tune), ""
	}
	return t, nil
}

// Save works out the revision that saves the targets as they lie in the work
// tree: every file is checked strictly, with its references, and a rig whose
// fingerprint changed moves to its new folder with its tunes. An empty plan
// means there is nothing to save.
func (l Planner) Save(targets []Target) (*Plan, error) {
	base, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	var where []string
	for _, t := range targets {
		where = append(where, t.Dir+t.Path)
	}
	changes, err := l.Changed(where...)
	if err != nil {
		return nil, err
	}
	p := &Plan{Base: base, seen: map[string]store.BlobID{}}
	add := func(c store.Change) error {
		for _, it := range p.Items {
			if it.Path == c.Path {
				return nil
			}
		}
		place, ok := preset.Locate(c.Path)
		if !ok && !isWrites(c.Path) {
			return nil
		}
		it := Item{Path: c.Path, OldPath: c.Path, Place: place}
		if it.Before, err = l.Store.Revisions().ReadAt(base, c.Path); err != nil && !isNotFound(err) {
			return err
		}
		if it.After, err = l.Store.Work().Read(c.Path); err != nil && !isNotFound(err) {
			return err
		}
		if it.After != nil {
			p.seen[c.Path] = store.BlobIDOf(it.After)
		} else {
			p.seen[c.Path] = ""
		}
		p.Items = append(p.Items, it)
		return nil
	}
	for _, t := range targets {
		if t.Rig != nil {
			p.Rigs = append(p.Rigs, *t.Rig)
		}
		for _, c := range changes {
			if t.Path == c.Path || t.Dir != "" && strings.HasPrefix(c.Path, t.Dir) {
				if err := add(c); err != nil {
					return nil, err
				}
			}
		}
	}
	for _, t := range targets {
		if t.Rig != nil && t.Dir != "" {
			if err := l.moveRig(p, *t.Rig, base); err != nil {
				return nil, err
			}
		}
	}
	sort.Slice(p.Items, func(i, j int) bool { return p.Items[i].Path < p.Items[j].Path })
	return p, l.checkPlan(p)
}

// planEdit adds an edit of a library file to the plan.
func (l Planner) planEdit(p *Plan, path string, edits ...file.Edit) error {
	doc, err := l.planned(p, path)
	if err != nil {
		return err
	}
	e, err := l.Edits().edit(path, doc, nil, edits...)
	if err != nil {
		return err
	}
	return l.planText(p, path, e.After.Text())
}

// checkPlan checks every file of the plan as it will be, its references, and that
// nothing which stays refers to what goes.
func (l Planner) checkPlan(p *Plan) error {
	if err := l.checkGone(p); err != nil {
		return err
	}
	sheets := map[string]*schema.Sheet{} // by fingerprint of the rigs in the plan
	was := map[string][]string{}
	for _, it := range p.Items {
		if it.After == nil || it.Place.Kind != schema.KindRig {
			continue
		}
		r, doc, err := preset.ReadRig(l.Cat, it.Path, it.After)
		if err != nil {
			return err
		}
		s, err := l.plannedSheet(p, r.Gimbal)
		if err != nil {
			return doc.Fault("gimbal", fmt.Sprintf("unknown gimbal sheet %q", r.Gimbal), "the name of a sheet under gimbals/", "add the sheet first, or correct the name")
		}
		if err := l.Edits().checkAliasFree(r.Alias, p.oldFingerprint(it.Place.Rig)); err != nil {
			return err
		}
		if err := r.Check(); err != nil {
			return doc.Fault("part", err.Error(), "", "correct it")
		}
		sheets[it.Place.Rig], was[it.Place.Rig] = s, r.Was
	}
	for _, it := range p.Items {
		if it.After == nil || it.Place.Kind == preset.KindPhoto || it.Place.Kind == "" {
			continue
		}
		sheet := sheets[it.Place.Rig]
		if sheet == nil && it.Place.Rig != "" {
			r, err := l.Rig("", it.Place.Rig)
			if err != nil {
				return err
			}
			if sheet, err = l.plannedSheet(p, r.Gimbal); err != nil {
				return err
			}
		}
		doc, err := l.Parse(it.Path, it.After, sheet)
		if err != nil {
			return err
		}
		if it.Place.Kind == schema.KindTune || it.Place.Kind == schema.KindBench {
			if fp := schema.Flatten(doc.Tree()).Str("rig"); fp != it.Place.Rig {
				return doc.Fault("rig", fmt.Sprintf("the tune says it is for rig %s and lies in the folder of %s", fp, it.Place.Rig), "rig = \""+it.Place.Rig+"\"", "correct the key, or move the file")
			}
		}
		if it.Place.Kind == schema.KindBalance {
			// it stays with the build that was balanced, also where that was an earlier one
			if fp := schema.Flatten(doc.Tree()).Str("rig"); !slices.Contains(append(l.prints(p, it.Place.Rig), was[it.Place.Rig]...), fp) {
				return doc.Fault("rig", fmt.Sprintf("the record is of rig %s and lies in the folder of %s", fp, it.Place.Rig), "a fingerprint that this rig has or had", "correct the key, or move the file")
			}
		}
	}
	return nil
}

// checkGone refuses to take away what other files need: a gimbal sheet of a rig, a
// build sheet whose folder still holds tunes, a rig that an open job pins.
func (l Planner) checkGone(p *Plan) error {
	gone := map[string]bool{} // paths
	for _, it := range p.Items {
		if it.After == nil {
			gone[it.Path] = true
		}
	}
	needed := func(path, by, way string) error {
		return &store.Error{Kind: store.ErrChanged, Msg: path + " is needed by " + by, Hint: way + "; nothing was done", Paths: []string{path}}
	}
	for _, it := range p.Items {
		if it.After != nil {
			continue
		}
		switch it.Place.Kind {
		case schema.KindGimbal:
			rigs, err := l.Names().Rigs()
			if err != nil {
				return err
			}
			if left, err := l.Store.Work().List("units/" + it.Place.Name + "/"); err == nil {
				for _, path := range left {
					if _, ours := preset.Locate(path); ours && !gone[path] {
						return needed(it.Path, path, "Remove its units first, or keep the sheet")
					}
				}
			}
			for _, r := range rigs {
				if r.Gimbal == it.Place.Name && !gone[preset.RigPath(r.Fingerprint)] {
					return needed(it.Path, "rig "+r.Alias, "Take that rig away first, or keep the sheet")
				}
			}
		case schema.KindUnit:
			if slices.ContainsFunc(p.Items, func(o Item) bool { return o.After != nil && o.Place.Kind == schema.KindUnit }) {
				continue // renamed
			}
			u := UnitRef{it.Place.Gimbal, schema.Unit{Serial: it.Place.Name}}
			if read, err := preset.QuickUnit(l.Cat, it.Path, it.Before); err == nil {
				u.Unit = read
			}
			if jobs := l.Units().pinsOf(u); len(jobs) > 0 {
				return needed(it.Path, "the open job "+jobs[0], "Close the job, or name another unit in it")
			}
		case schema.KindRig:
			paths, err := l.Store.Work().List(preset.RigDir(it.Place.Rig) + "/")
			if err != nil {
				return err
			}
			for _, path := range paths {
				if _, ours := preset.Locate(path); ours && !gone[path] {
					return needed(it.Path, path, "Take that away first, or the whole rig: rigkeep rig remove "+it.Place.Rig)
				}
			}
			if slices.ContainsFunc(p.Moves, func(m Move) bool { return m.From == it.Place.Rig }) {
				continue // pins find it by its earlier fingerprint
			}
			if job := l.openPin(p, it.Place.Rig); job != "" {
				return needed(it.Path, "the open job "+job, "Close the job, or take its pin out of the file")
			}
		}
	}
	return nil
}

// openPin is an open job that pins a rig, "" for none. The plan's own edits of
// jobs count.
func (l Planner) openPin(p *Plan, fp string) string {
	jobs, err := l.Jobs().Slugs()
	if err != nil {
		return ""
	}
	for _, slug := range jobs {
		j, err := l.plannedJob(p, slug)
		if err != nil {
			continue // a broken job is said by check
		}
		for _, pin := range j.Pins {
			if j.State == "open" && pin.Rig == fp {
				return slug
			}
		}
	}
	return ""
}

func (p *Plan) oldFingerprint(fp string) string {
	for _, m := range p.Moves {
		if m.To == fp {
			return m.From
		}
	}
	return fp
}

// Commit makes the planned revision.
func (l Planner) Commit(ctx context.Context, p *Plan, subject, body string, who store.Person, when time.Time, trailers ...store.Trailer) (store.Rev, error) {
	defer l.Names().forget()
	q := store.SaveRequest{Subject: subject, Body: body, Author: who, When: when, Base: p.Base, WriteWork: true, Seen: p.seen, Trailers: trailers, With: p.With}
	for _, it := range p.Items {
		q.Files = append(q.Files, store.File{Path: it.Path, Data: it.After, Delete: it.After == nil})
	}
	return l.Store.Writer().Save(ctx, q)
}

// Removal plans to take a rig with all its files out of the library. Files
// with unsaved edits are refused, since no revision would hold them.
func (l Planner) Removal(rr RigRef) (*Plan, error) {
	base, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	p := &Plan{Base: base, Rigs: []RigRef{rr}, seen: map[string]store.BlobID{}}
	paths, err := l.Store.Work().List(preset.RigDir(rr.Fingerprint) + "/")
	if err != nil {
		return nil, err
	}
	for _, path := range paths {
		place, ok := preset.Locate(path)
		if !ok {
			if place, ok = preset.LocatePhoto(path); !ok || !l.Names().WasSaved(path) {
				continue
			}
		}
		now, err := l.Store.Work().Read(path)
		if err != nil {
			return nil, err
		}
		before, err := l.Store.Revisions().ReadAt(base, path)
		if err != nil || string(before) != string(now) {
			return nil, &store.Error{Kind: store.ErrChanged, Msg: path + " has unsaved edits", Hint: "Save them first, or undo them. Try: rigkeep restore " + rr.Alias, Paths: []string{path}}
		}
		p.seen[path] = store.BlobIDOf(now)
		p.Items = append(p.Items, Item{Path: path, OldPath: path, Place: place, Before: before})
	}
	return p, l.checkGone(p)
}

// Rename plans to give a rig another alias. The fingerprint does not change.
func (l Planner) Rename(rr RigRef, alias string) (*Plan, error) {
	if err := l.Edits().checkAliasFree(alias, rr.Fingerprint); err != nil {
		return nil, err
	}
	base, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	p := &Plan{Base: base, Rigs: []RigRef{rr}, seen: map[string]store.BlobID{}}
	return p, l.planEdit(p, preset.RigPath(rr.Fingerprint), file.Edit{Key: "alias", Value: alias})
}

// RigTarget is a whole rig to be saved.
func RigTarget(rr RigRef) Target {
	return Target{Rig: &rr, Dir: preset.RigDir(rr.Fingerprint) + "/", Name: rr.Alias}
}

// PinTargets pins the tunes of the rigs named to a job: the tune named, else
// every tune that the plan changes, else main.
func (l Planner) PinTargets(p *Plan, slug string, targets []Target, unit string) error {
	for _, t := range targets {
		if t.Rig == nil {
			continue
		}
		fp := t.Rig.Fingerprint
		tunes := map[string]bool{}
		if place, ok := preset.Locate(t.Path); ok && place.Kind == schema.KindTune {
			tunes[place.Name] = true
		} else {
			for _, it := range p.Items {
				if it.Place.Kind == schema.KindTune && p.oldFingerprint(it.Place.Rig) == fp && it.After != nil {
					tunes[it.Place.Name] = true
				}
			}
			if len(tunes) == 0 {
				tunes[preset.MainTune] = true
			}
		}
		for _, name := range sortedNames(tunes) {
			if err := l.pin(p, slug, fp, name, "", unit); err != nil {
				return err
			}
		}
	}
	return nil
}

func sortedNames(m map[string]bool) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// pin adds or renews one pin in the plan's copy of the job. rev "" means the
// newest revision saved for the job.
func (l Planner) pin(p *Plan, slug, fp, tune string, rev store.Rev, unit string) error {
	path := preset.JobPath(slug)
	doc, err := l.planned(p, path)
	if err != nil {
		return err
	}
	j := preset.JobIn(doc)
	if j.State != "open" {
		return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("job %s is closed", slug), Hint: "Open another job, or this one again with: rigkeep job open " + slug}
	}
	if unit != "" {
		if unit, err = l.serialOf(fp, unit); err != nil {
			return err
		}
	}
	for _, m := range p.Moves {
		if m.From == fp {
			fp = m.To
		}
	}
	var edits []file.Edit
	at := len(j.Pins)
	prints := l.prints(p, fp)
	for i, pin := range j.Pins {
		if !slices.Contains(prints, pin.Rig) || pin.Tune != tune {
			continue
		}
		at = i
		if pin.Rig != fp {
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "rig"), Value: fp})
		}
		switch {
		case rev == "" && pin.Revision != "":
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "revision"), Delete: true})
		case string(rev) != pin.Revision:
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "revision"), Value: string(rev)})
		}
		if unit != "" && pin.Unit != unit {
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "unit"), Value: unit})
		}
	}
	if at < len(j.Pins) {
		if len(edits) == 0 {
			return nil
		}
		return l.planEdit(p, path, edits...)
	}
	t := file.Table{{Key: "rig", Value: fp}, {Key: "tune", Value: tune}}
	if rev != "" {
		t = append(t, file.Field{Key: "revision", Value: string(rev)})
	}
	if unit != "" {
		t = append(t, file.Field{Key: "unit", Value: unit})
	}
	after, err := doc.Append("pin", t)
	if err != nil {
		return err
	}
	return l.planText(p, path, after.Text())
}

// prints lists the fingerprints that a rig has and had, the plan's moves included.
func (l Planner) prints(p *Plan, fp string) []string {
	out := []string{fp}
	for _, m := range p.Moves {
		if m.To == fp {
			out, fp = append(out, m.From), m.From
		}
	}
	if rr, err := l.Names().Find(fp); err == nil {
		out = append(append(out, rr.Fingerprint), rr.Was...)
	}
	return out
}

// serialOf is the serial of a unit of a rig's gimbal, named by serial or label.
func (l Planner) serialOf(fp, unit string) (string, error) {
	rr, err := l.Names().Find(fp)
	if err != nil {
		return "", err
	}
	sheet, err := l.Sheet("", rr.Gimbal)
	if err != nil {
		return "", err
	}
	u, err := l.Units().UnitOf(sheet, unit)
	return u.Serial, err
}

// planText puts a whole new text of a library file into the plan.
func (l Planner) planText(p *Plan, path string, text []byte) error {
	if _, err := l.Parse(path, text, nil); err != nil {
		return err
	}
	for i, it := range p.Items {
		if it.Path == path && it.After != nil {
			p.Items[i].After = text
			return nil
		}
	}
	place, _ := preset.Locate(path)
	it := Item{Path: path, OldPath: path, Place: place, After: text}
	var err error
	if it.Before, err = l.Store.Revisions().ReadAt(p.Base, path); err != nil && !isNotFound(err) {
		return err
	}
	now, err := l.Store.Work().Read(path)
	switch {
	case err == nil:
		p.seen[path] = store.BlobIDOf(now)
	case isNotFound(err):
		p.seen[path] = ""
	default:
		return err
	}
	p.Items = append(p.Items, it)
	return nil
}
