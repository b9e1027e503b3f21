package library

import (
	"fmt"
	"strings"

	"rigkeep/preset"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Editable is a file that a person names to open in an editor. Its text may be
// broken: that is a reason to open it.
type Editable struct {
	Path  string
	Text  []byte
	Sheet *schema.Sheet // adds the dial ranges to the check of a tune; nil where it is not known
	Name  string        // what to save it by
}

// Editable resolves a name to edit: a tune (RIG or RIG/TUNE), a rig's build sheet
// where build is set, "gimbal:SLUG", "part:NAME", "unit:UNIT" or "job:SLUG".
func (l Editor) Editable(name string, build bool) (e Editable, err error) {
	e.Name = name
	slug, isGimbal := strings.CutPrefix(name, "gimbal:")
	job, isJob := strings.CutPrefix(name, "job:")
	part, isPart := strings.CutPrefix(name, "part:")
	switch {
	case isPart:
		if part, err = l.Builds().FindPart(part); err != nil {
			return e, err
		}
		e.Path = preset.PartPath(part)
		e.Text, err = l.Store.Work().Read(e.Path)
		return e, err
	case isGimbal:
		if !preset.IsName(slug) {
			return e, l.noGimbal(slug)
		}
		e.Path = preset.GimbalPath(slug)
		if e.Text, err = l.Store.Work().Read(e.Path); isNotFound(err) {
			err = l.noGimbal(slug)
		}
		return e, err
	case strings.HasPrefix(name, "unit:"):
		u, err := l.Units().Find(name)
		if err != nil {
			return e, err
		}
		e.Path = u.Path()
		e.Text, err = l.Store.Work().Read(e.Path)
		return e, err
	case isJob:
		if job, err = l.Jobs().Named(job); err != nil {
			return e, err
		}
		e.Path = preset.JobPath(job)
		e.Text, err = l.Store.Work().Read(e.Path)
		return e, err
	}
	ref, err := ParseRef(name)
	if err != nil {
		return e, err
	}
	if ref.When != "" {
		return e, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%s names a moment; only the files as they are now can be edited", name), Hint: "To bring an older tune back: rigkeep restore " + name}
	}
	rr, err := l.Names().Find(ref.Rig)
	if err != nil {
		return e, err
	}
	if build {
		e.Path, e.Name = preset.RigPath(rr.Fingerprint), ref.Rig
		e.Text, err = l.Store.Work().Read(e.Path)
		return e, err
	}
	e.Path = preset.TunePath(rr.Fingerprint, ref.Tune)
	if e.Text, err = l.Store.Work().Read(e.Path); err != nil {
		return e, l.Names().noTune(rr, ref, err)
	}
	if r, err := l.Rig("", rr.Fingerprint); err == nil {
		e.Sheet, _ = l.Sheet("", r.Gimbal)
	}
	return e, nil
}
