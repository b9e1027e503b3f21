package library

import (
	"bytes"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"slices"
)

// savedFor is the revision that a pin without one means: the newest of the tune that was saved for the job.
func savedFor(slug string, hist []Revision) (Revision, bool) {
	i := slices.IndexFunc(hist, func(h Revision) bool { return h.Job() == slug })
	if i < 0 {
		return Revision{}, false
	}
	return hist[i], true
}

// Pinned is the revision of a rig's tune on a job.
func (l Jobs) Pinned(slug string, rr RigRef, tune string) (store.Rev, error) {
	rev, _, err := l.pinned(slug, rr, tune)
	return rev, err
}

// PinRequest asks for one pin.
type PinRequest struct {
	Rig, Tune string
	Rev       store.Rev
	Unit      string
}

// New is a plan that changes nothing yet.
func (l Planner) New() (*Plan, error) { return l.emptyPlan() }

func (l Planner) emptyPlan() (*Plan, error) {
	base, err := l.Store.Head()
	return &Plan{Base: base, seen: map[string]store.BlobID{}}, err
}

// PlanAdd plans pins and shots of a job.
func (l Jobs) PlanAdd(slug string, pins []PinRequest, shots []preset.Shot) (*Plan, error) {
	p, err := l.Plans().emptyPlan()
	if err != nil {
		return nil, err
	}
	for _, q := range pins {
		if err := l.Plans().pin(p, slug, q.Rig, q.Tune, q.Rev, q.Unit); err != nil {
			return nil, err
		}
	}
	for _, s := range shots {
		t := file.Table{{Key: "name", Value: s.Name}}
		if s.Kind != "" {
			t = append(t, file.Field{Key: "kind", Value: s.Kind})
		}
		if s.LensMM > 0 {
			t = append(t, file.Field{Key: "lens_mm", Value: s.LensMM})
		}
		if err := l.Plans().planAppend(p, preset.JobPath(slug), "shot", t); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// planAppend adds a table to an array of tables of a file in the plan.
func (l Planner) planAppend(p *Plan, path, key string, t file.Table) error {
	doc, err := l.planned(p, path)
	if err != nil {
		return err
	}
	after, err := doc.Append(key, t)
	if err != nil {
		return err
	}
	return file.Asked(l.planText(p, path, after.Text()))
}

// planned is a file as the plan would leave it.
func (l Planner) planned(p *Plan, path string) (*file.Doc, error) {
	text, err := l.Store.Work().Read(path)
	if err != nil {
		return nil, err
	}
	for _, it := range p.Items {
		if it.Path == path && it.After != nil {
			text = it.After
		}
	}
	return l.Parse(path, text, nil)
}

func (l Planner) plannedJob(p *Plan, slug string) (preset.Job, error) {
	doc, err := l.planned(p, preset.JobPath(slug))
	if err != nil {
		return preset.Job{}, err
	}
	return preset.JobIn(doc), nil
}

// PlanState plans to open or close a job. Closing fixes every pin to the
// revision it stands for; one that cannot be found is told to unfixed.
func (l Jobs) PlanState(slug, state string, unfixed func(rig, tune, why string)) (*Plan, error) {
	p, err := l.Plans().emptyPlan()
	if err != nil {
		return nil, err
	}
	j, err := l.Read("", slug)
	if err != nil {
		return nil, err
	}
	edits := []file.Edit{{Key: "state", Value: state}}
	for i, pin := range j.Pins {
		if state != "closed" || pin.Revision != "" {
			continue
		}
		rr, err := l.Names().Find(pin.Rig)
		var rev store.Rev
		if err == nil {
			rev, err = l.Pinned(slug, rr, pin.Tune)
		}
		if err != nil {
			unfixed(pin.Rig, pin.Tune, err.Error())
			continue
		}
		edits = append(edits, file.Edit{Key: file.Join("pin", i, "revision"), Value: string(rev)})
	}
	return p, l.Plans().planEdit(p, preset.JobPath(slug), edits...)
}

// NameStyles works out a job's file with the styles of its shots named, in place:
// those that have one proposed and none named. It does not write. A closed job is
// history and stays as it is: then, and where nothing is to be named, ok is false.
func (l Jobs) NameStyles(slug string, shots []preset.ShotStyle) (e Edited, ok bool, err error) {
	j, err := l.Read("", slug)
	if err != nil || j.State != "open" {
		return Edited{}, false, err
	}
	var edits []file.Edit
	for _, s := range shots {
		if s.Proposal != nil && s.Shot.Style == "" && s.Index < len(j.Shots) && j.Shots[s.Index] == s.Shot {
			edits = append(edits, file.Edit{Key: file.Join("shot", s.Index, "style"), Value: s.Style})
		}
	}
	if len(edits) == 0 {
		return Edited{}, false, nil
	}
	e, err = l.Edits().Edit(preset.JobPath(slug), edits...)
	return e, err == nil, err
}

// JobPin is one job that pins a tune of a rig.
type JobPin struct {
	Job preset.Job
	Pin preset.Pin
	At  int // place of the pin in the job
}

// jobTexts reads every job file, once.
func (l Jobs) jobTexts() (map[string][]byte, []string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.jobText != nil {
		return l.jobText, l.jobOrder, nil
	}
	slugs, err := l.names("jobs/")
	if err != nil {
		return nil, nil, err
	}
	texts := map[string][]byte{}
	for _, s := range slugs {
		data, err := l.Store.Work().Read(preset.JobPath(s))
		if err != nil {
			continue // check says what is wrong with it
		}
		texts[s] = data
	}
	l.jobText, l.jobOrder = texts, slugs
	return texts, slugs, nil
}

// mentions reports whether a text can hold one of the words. A text with escapes
// may spell anything.
func mentions(text []byte, words []string) bool {
	if bytes.IndexByte(text, '\\') >= 0 {
		return true
	}
	for _, w := range words {
		if w != "" && bytes.Contains(text, []byte(w)) {
			return true
		}
	}
	return false
}

// jobOf reads a job from its text; ok is false where check has something to say.
func (l Jobs) jobOf(slug string, text []byte) (preset.Job, bool) {
	l.mu.Lock()
	j, ok := l.jobRead[slug]
	l.mu.Unlock()
	if !ok {
		if x, err := preset.QuickJob(l.Cat, preset.JobPath(slug), text); err == nil {
			j = &x
		}
		l.mu.Lock()
		if l.jobRead == nil {
			l.jobRead = map[string]*preset.Job{}
		}
		l.jobRead[slug] = j
		l.mu.Unlock()
	}
	if j == nil {
		return preset.Job{}, false
	}
	return *j, true
}

// Of lists the jobs that pin a tune of a rig, by their first day, oldest first.
func (l Jobs) Of(rr RigRef, tune string) ([]JobPin, error) {
	texts, slugs, err := l.jobTexts()
	if err != nil {
		return nil, err
	}
	prints := append([]string{rr.Fingerprint}, rr.Was...)
	var out []JobPin
	for _, slug := range slugs {
		text, ok := texts[slug]
		if !ok || !mentions(text, prints) {
			continue
		}
		j, ok := l.jobOf(slug, text)
		if !ok {
			continue
		}
		for i, p := range j.Pins {
			if p.Tune == tune && slices.Contains(prints, p.Rig) {
				out = append(out, JobPin{j, p, i})
				break
			}
		}
	}
	slices.SortStableFunc(out, func(a, b JobPin) int { return a.Job.From.Compare(b.Job.From) })
	return out, nil
}
