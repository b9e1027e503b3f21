package library

import (
	"path"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/link"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Writes lists the logs of what was written to a unit over a link, oldest first.
func (l Units) Writes(u UnitRef) ([]string, error) {
	paths, err := l.Store.Work().List(preset.UnitDir(u.Gimbal, u.Serial) + "/writes/")
	paths = slices.DeleteFunc(paths, func(p string) bool { return !isWrites(p) })
	slices.Sort(paths)
	return paths, err
}

// isWrites says of a path whether such a log is there.
func isWrites(p string) bool {
	ok, _ := path.Match("units/*/*/writes/*.jsonl", p)
	return ok
}

// NewWrites is the path of a new log; two that begin in one second get different ones.
func (l Units) NewWrites(u UnitRef, now time.Time) (string, error) {
	there, err := l.Writes(u)
	if err != nil {
		return "", err
	}
	for ; ; now = now.Add(time.Second) {
		p := preset.UnitDir(u.Gimbal, u.Serial) + "/writes/" + now.UTC().Format("20060102T150405Z") + ".jsonl"
		if !slices.Contains(there, p) {
			return p, nil
		}
	}
}

// AppendWrite puts an event into a log. It is on stable storage when it returns; what is
// sent to a unit is sent after that.
func (l Units) AppendWrite(p string, e link.Event) error {
	b, err := link.Line(e)
	if err != nil {
		return err
	}
	return l.Store.Writer().Append(p, b)
}

// ReadWrites reads a log.
func (l Units) ReadWrites(p string) ([]link.Event, error) {
	data, err := l.Store.Work().Read(p)
	if err != nil {
		return nil, err
	}
	es, err := link.ParseLog(data)
	if err != nil {
		return nil, &file.Error{File: p, What: err.Error(), Fix: "it is a log and is not edited by hand: restore it with git"}
	}
	return es, nil
}

// Unfinished is the beginning of a session that puts back what the unit's newest one left;
// open is false where that one ended as it should.
func (l Units) Unfinished(u UnitRef) (b link.Begin, log string, open bool, err error) {
	paths, err := l.Writes(u)
	if err != nil || len(paths) == 0 {
		return b, "", false, err
	}
	log = paths[len(paths)-1]
	es, err := l.ReadWrites(log)
	if err != nil || len(es) == 0 {
		return b, log, false, err
	}
	sheet, err := l.Sheet("", u.Gimbal)
	if err != nil {
		return b, log, false, err
	}
	b, open, err = link.Unfinished(sheet, es, path.Base(log))
	if err != nil {
		err = &file.Error{File: log, What: err.Error(), Fix: "look at the unit's values, and record them with: rigkeep unit read " + u.Serial + " --record"}
	}
	return b, log, open, err
}

// LockStand takes what is done at the stand with a rig: a bench session that asks and
// a writing over a link exclude each other. release ends it.
func (l Units) LockStand(fingerprint string) (release func(), err error) {
	return l.lock("stand-"+strings.ToLower(fingerprint), "this rig is on the stand in another window: a session or a writing goes on there")
}

// Lock takes a unit for a writing: two never go on at once, of whichever rigs. release ends it.
func (l Units) Lock(u UnitRef) (release func(), err error) {
	return l.lock("unit-"+u.Gimbal+"-"+u.Serial, "this unit is being written to in another window")
}

func (l Units) lock(name, busy string) (release func(), err error) {
	release, ok, err := l.Store.Writer().Hold(name)
	if err == nil && !ok {
		err = &store.Error{Kind: store.ErrBusy, Msg: busy, Hint: "Finish it there first"}
	}
	return release, err
}

// PlanWritten plans to save a log, and what the unit holds since, nil where nothing changed.
func (l Units) PlanWritten(u UnitRef, log string, h *schema.Held) (*Plan, error) {
	p, err := l.Plans().emptyPlan()
	if err != nil {
		return nil, err
	}
	data, err := l.Store.Work().Read(log)
	if err != nil {
		return nil, err
	}
	l.Plans().planRaw(p, log, data, true)
	if h == nil {
		return p, nil
	}
	return p, l.PlanHeld(p, u, *h, "")
}

// planRaw adds a file as it is. there says that it lies in the work tree already.
func (l Planner) planRaw(p *Plan, path string, data []byte, there bool) {
	place, _ := preset.Locate(path)
	p.seen[path] = ""
	if there {
		p.seen[path] = store.BlobIDOf(data)
	}
	p.Items = append(p.Items, Item{Path: path, OldPath: path, Place: place, After: data})
}
