package library

import (
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// A rig whose build changed enough has a new fingerprint: its folder moves, and what names it follows.

// moveRig adds the moves of a rig whose build sheet no longer has the
// fingerprint of its folder.
func (l Planner) moveRig(p *Plan, rr RigRef, base store.Rev) error {
	r, err := l.Rig("", rr.Fingerprint)
	if isNotFound(err) {
		return nil // a rig that was removed by hand
	}
	if err != nil {
		return err
	}
	now := r.Fingerprint()
	if now == rr.Fingerprint {
		return nil
	}
	moved := r
	moved.ID = now
	if err := l.Edits().vacant(moved); err != nil {
		return err
	}
	p.Moves = append(p.Moves, Move{r.Alias, rr.Fingerprint, now})
	paths, err := l.Store.Work().List(preset.RigDir(rr.Fingerprint) + "/")
	if err != nil {
		return err
	}
	drop := map[string]bool{}
	for _, from := range paths {
		moved, err := l.moveFile(p, r, rr.Fingerprint, from, base)
		if err != nil {
			return err
		}
		drop[from] = moved
	}
	// what was planned for the old place before the move was known
	kept := p.Items[:0]
	for _, it := range p.Items {
		if drop[it.Path] && it.After != nil {
			continue
		}
		kept = append(kept, it)
	}
	p.Items = kept
	p.dropAbsent()
	return l.repin(p, rr.Fingerprint, now)
}

// moveFile adds the move of one file in the folder of a rig that was fp; moved is false for one
// that stays.
func (l Planner) moveFile(p *Plan, r preset.Rig, fp, from string, base store.Rev) (moved bool, err error) {
	now := r.Fingerprint()
	place, ok := preset.Locate(from)
	isPhoto := false
	if !ok {
		// photos go along as they are; what a person put beside them stays and is told
		if place, isPhoto = preset.LocatePhoto(from); !isPhoto || base == "" {
			return false, nil
		}
		if _, err := l.Store.Revisions().ReadAt(base, from); err != nil {
			return false, nil
		}
	}
	text, err := l.Store.Work().Read(from)
	if err != nil {
		return false, err
	}
	p.seen[from] = store.BlobIDOf(text)
	to := strings.Replace(from, preset.RigDir(fp), preset.RigDir(now), 1)
	it := Item{Path: to, OldPath: from, Place: preset.Place{Kind: place.Kind, Rig: now, Name: place.Name}}
	if it.Before, err = l.Store.Revisions().ReadAt(base, from); err != nil && !isNotFound(err) {
		return false, err
	}
	it.After = text
	if !isPhoto {
		if it.After, err = l.movedText(r, fp, from, place.Kind, text); err != nil {
			return false, err
		}
	}
	p.seen[to] = ""
	p.Items = append(p.Items, it, Item{Path: from, OldPath: from, Place: place, Before: it.Before})
	return true, nil
}

// movedText is a file's text with the keys that say which rig it is of as they are after the move.
func (l Planner) movedText(r preset.Rig, fp, from, kind string, text []byte) ([]byte, error) {
	doc, err := l.Parse(from, text, nil)
	if err != nil {
		return nil, err
	}
	var edits []file.Edit
	switch kind {
	case schema.KindRig:
		was := []any{}
		for _, w := range append(append([]string(nil), r.Was...), fp) {
			was = append(was, w)
		}
		edits = append(edits, file.Edit{Key: "was", Value: was})
	case schema.KindTune, schema.KindBench:
		edits = append(edits, file.Edit{Key: "rig", Value: r.Fingerprint()})
	}
	if doc, err = doc.WithOrder(l.Edits().rank(from)).Apply(edits...); err != nil {
		return nil, err
	}
	return doc.Text(), nil
}

// dropAbsent removes deletions of files that no revision has.
func (p *Plan) dropAbsent() {
	kept := p.Items[:0]
	for _, it := range p.Items {
		if it.After != nil || it.Before != nil || p.seen[it.Path] != "" {
			kept = append(kept, it)
		}
	}
	p.Items = kept
}

// repin points the pins of open jobs at a rig's new fingerprint.
func (l Planner) repin(p *Plan, from, to string) error {
	jobs, err := l.Jobs().Slugs()
	if err != nil {
		return err
	}
	for _, slug := range jobs {
		j, err := l.Jobs().Read("", slug)
		if err != nil || j.State != "open" {
			continue // a broken job is said by check; a closed one is history
		}
		var edits []file.Edit
		for i, pin := range j.Pins {
			if pin.Rig == from && pin.Revision == "" {
				edits = append(edits, file.Edit{Key: file.Join("pin", i, "rig"), Value: to})
			}
		}
		if len(edits) == 0 {
			continue
		}
		if err := l.planEdit(p, preset.JobPath(slug), edits...); err != nil {
			return err
		}
	}
	return nil
}
