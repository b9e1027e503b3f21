package library

import (
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Restore works out how to put a tune back as it was. A tune of an earlier
// fingerprint comes back under the rig's present one. It does not write.
func (l Planner) Restore(d *Loaded, rr RigRef) (Edited, error) {
	path := preset.TunePath(rr.Fingerprint, d.Ref.Tune)
	now, err := l.Rig("", rr.Fingerprint)
	if err != nil {
		return Edited{}, err
	}
	sheet, err := l.Sheet("", now.Gimbal)
	if err != nil {
		return Edited{}, err
	}
	doc := d.Doc
	if d.Rig.ID != rr.Fingerprint {
		if doc, err = doc.Apply(file.Edit{Key: "rig", Value: rr.Fingerprint}); err != nil {
			return Edited{}, err
		}
	}
	after, err := l.Parse(path, doc.Text(), sheet)
	if err != nil {
		return Edited{}, err
	}
	return l.putBack(path, after)
}

// RestoreBuild works out how to put a rig's build sheet back as it was, in the
// rig's present folder. It does not write.
func (l Planner) RestoreBuild(d *Loaded, rr RigRef) (Edited, error) {
	path := preset.RigPath(rr.Fingerprint)
	after, err := l.Parse(path, d.Texts[preset.RigPath(d.Rig.ID)], nil)
	if err != nil {
		return Edited{}, err
	}
	return l.putBack(path, after)
}

// putBack is a file as it should be again. What lies there may be broken: that is
// a reason to restore, so it is not checked.
func (l Planner) putBack(path string, after *file.Doc) (Edited, error) {
	e := Edited{Path: path, After: after}
	text, err := l.Store.Work().Read(path)
	if isNotFound(err) {
		return e, nil
	}
	if err != nil {
		return e, err
	}
	e.BeforeText = text
	e.Before, _ = file.Parse(path, text)
	return e, nil
}

// Undo plans the revision that reverses another one. A file that was
// changed since is a conflict that names it.
func (l Planner) Undo(rev store.Rev) (*Plan, *store.Commit, error) {
	c, err := l.Store.Revisions().Commit(rev)
	if err != nil {
		return nil, nil, err
	}
	if len(c.Parents) == 0 {
		return nil, nil, &store.Error{Kind: store.ErrBadPath, Msg: "the first revision made the library; it cannot be undone"}
	}
	// what a handover brought is what differs from our own side
	if len(c.Parents) > 1 && c.Trailer(HandoverTrailer) == "" {
		return nil, nil, &store.Error{Kind: store.ErrBadPath, Msg: rev.Short() + " is a merge; it cannot be undone as a whole", Hint: "Restore the tunes one by one: rigkeep restore RIG@WHEN"}
	}
	base, err := l.Store.Head()
	if err != nil {
		return nil, nil, err
	}
	diff, err := l.Store.Revisions().Diff(c.Parents[0], rev)
	if err != nil {
		return nil, nil, err
	}
	p := &Plan{Base: base, seen: map[string]store.BlobID{}}
	var clash []string
	for _, ch := range diff {
		place, ok := preset.Locate(ch.Path)
		if !ok {
			if place, ok = preset.LocatePhoto(ch.Path); !ok {
				continue
			}
		}
		it := Item{Path: ch.Path, OldPath: ch.Path, Place: place}
		if it.Before, err = l.Store.Revisions().ReadAt(base, ch.Path); err != nil && !isNotFound(err) {
			return nil, nil, err
		}
		now, err := l.Store.Work().Read(ch.Path)
		if err != nil && !isNotFound(err) {
			return nil, nil, err
		}
		id := store.BlobID("")
		if now != nil {
			id = store.BlobIDOf(now)
		}
		if id != ch.New {
			clash = append(clash, ch.Path)
			continue
		}
		p.seen[ch.Path] = id
		if ch.Old != "" {
			if it.After, err = l.Store.Revisions().ReadBlob(ch.Old); err != nil {
				return nil, nil, err
			}
		}
		p.Items = append(p.Items, it)
	}
	if len(clash) > 0 {
		return nil, nil, &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("changed since %s: %s", rev.Short(), strings.Join(clash, ", ")), Hint: "Nothing was done. Restore what you want back by itself: rigkeep restore RIG@WHEN", Paths: clash}
	}
	if len(p.Items) == 0 {
		return nil, nil, &store.Error{Kind: store.ErrNothing, Msg: rev.Short() + " changed no file of the library's own"}
	}
	l.findMoves(p)
	return p, c, l.checkPlan(p)
}

// findMoves tells a rig that goes to another of its fingerprints from one that
// goes and another that comes.
func (l Planner) findMoves(p *Plan) {
	read := func(it Item, text []byte) (r preset.Rig, ok bool) {
		r, _, err := preset.ReadRig(l.Cat, it.Path, text)
		return r, err == nil
	}
	for _, gone := range p.Items {
		if gone.Place.Kind != schema.KindRig || gone.After != nil {
			continue
		}
		old, ok := read(gone, gone.Before)
		if !ok {
			continue
		}
		for _, come := range p.Items {
			if come.Place.Kind != schema.KindRig || come.Before != nil {
				continue
			}
			now, ok := read(come, come.After)
			if ok && (slices.Contains(old.Was, now.ID) || slices.Contains(now.Was, old.ID)) {
				p.Moves = append(p.Moves, Move{now.Alias, old.ID, now.ID})
			}
		}
	}
	for _, m := range p.Moves {
		before := map[string][]byte{}
		for _, it := range p.Items {
			if it.Place.Rig == m.From {
				before[it.Path] = it.Before
			}
		}
		for i, it := range p.Items {
			if it.Place.Rig == m.To {
				p.Items[i].OldPath = strings.Replace(it.Path, preset.RigDir(m.To), preset.RigDir(m.From), 1)
				p.Items[i].Before = before[p.Items[i].OldPath]
			}
		}
	}
}
