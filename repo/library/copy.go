package library

import (
	"fmt"

	"rigkeep/preset/file"
	"rigkeep/repo/store"
)

// CopyTune gives one tune the values of another, in place: its own comments and note stay,
// a value that the other lacks goes, and so does no proof, which is then out of date where
// a value of it changed. Where there is no such tune it is made. It does not write.
//
// Errors: store.ErrBadPath for a tune onto itself, for rigs on two gimbals, and for a tune
// without values.
func (l Editor) CopyTune(from, to *Loaded) (Edited, error) {
	refuse := func(way, format string, args ...any) (Edited, error) {
		return Edited{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf(format, args...), Hint: way}
	}
	if from.Rig.Gimbal != to.Rig.Gimbal {
		return refuse("Try: rigkeep start "+to.Rig.Alias, "%s is on %s and %s on %s: the numbers of one controller mean something else on the other",
			from.Rig.Alias, from.Rig.Gimbal, to.Rig.Alias, to.Rig.Gimbal)
	}
	if from.Rev == "" && from.TunePath() == to.TunePath() {
		return refuse("Name another rig or tune, or a moment of this one: "+to.Label()+"@yesterday", "%s cannot be copied onto itself", from.Label())
	}
	if len(from.Tune.Values) == 0 {
		return refuse("", "%s has no values to copy", from.Label())
	}
	if to.Tune == nil {
		return l.PutTune(to, from.Tune.Values)
	}
	var edits []file.Edit
	for _, key := range to.Tune.Keys() {
		if _, ok := from.Tune.Values[key]; !ok {
			edits = append(edits, file.Edit{Key: key, Delete: true})
		}
	}
	for _, key := range from.Tune.Keys() {
		edits = append(edits, file.Edit{Key: key, Value: from.Tune.Values[key]})
	}
	return l.edit(to.TunePath(), to.Doc, to.Sheet, edits...)
}
