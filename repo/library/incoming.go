package library

import (
	"maps"
	"slices"

	"rigkeep/preset"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Incoming plans a revision of whole texts that came from outside, nil for a file that goes,
// together with the history they came with. Files with unsaved edits will not be replaced. It does
// not write.
func (l Planner) Incoming(files map[string][]byte, moves []Move, with *store.Bundle) (*Plan, error) {
	p, err := l.emptyPlan()
	if err != nil {
		return nil, err
	}
	p.With, p.Moves = with, moves
	from := map[string]string{}
	for _, m := range moves {
		from[m.To] = m.From
	}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		place, ok := preset.Locate(path)
		if !ok {
			if place, ok = preset.LocatePhoto(path); !ok {
				continue
			}
		}
		it := Item{Path: path, OldPath: path, Place: place, After: files[path]}
		if old := from[place.Rig]; old != "" && it.After != nil {
			it.OldPath = preset.RigDir(old) + path[len(preset.RigDir(place.Rig)):]
		}
		if it.Before, err = l.Store.Revisions().ReadAt(p.Base, it.OldPath); err != nil && !isNotFound(err) {
			return nil, err
		}
		p.Items = append(p.Items, it)
	}
	return p, l.checkPlan(p)
}

// plannedSheet is a gimbal sheet as the plan would leave it.
func (l Planner) plannedSheet(p *Plan, slug string) (*schema.Sheet, error) {
	for _, it := range p.Items {
		if it.Path != preset.GimbalPath(slug) {
			continue
		}
		if it.After == nil {
			return nil, l.noGimbal(slug)
		}
		return preset.ReadSheet(l.Cat, it.Path, it.After)
	}
	return l.Sheet("", slug)
}
