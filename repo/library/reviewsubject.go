package library

import (
	"bytes"
	"fmt"
	"slices"

	"rigkeep/preset"
	"rigkeep/preset/review"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// ask is one subject to be gathered.
type ask struct {
	rr     RigRef
	known  bool // the rig was found
	why    string
	name   string // as asked for, where it was not
	tune   string
	pin    int // −1 for none
	pinned bool
	unit   string
	suffix string // tells two pins of one tune apart
}

func (l reviewFacts) asks(q ReviewRequest, j *preset.Job) ([]ask, error) {
	var out []ask
	for _, name := range q.Rigs {
		ref, err := ParseRef(name)
		if err != nil {
			return nil, err
		}
		if ref.When != "" {
			return nil, &store.Error{Kind: store.ErrBadPath, Msg: "review checks what goes out now; " + name + " names a moment", Hint: "For what changed since then: --since " + ref.When}
		}
		rr, err := l.Names().Find(ref.Rig)
		if err != nil {
			return nil, err
		}
		a := ask{rr: rr, known: true, tune: ref.Tune, pin: -1}
		if j != nil {
			for i, p := range j.Pins {
				if p.Tune == ref.Tune && (p.Rig == rr.Fingerprint || slices.Contains(rr.Was, p.Rig)) {
					a.pin, a.unit = i, p.Unit
					break
				}
			}
		}
		out = append(out, a)
	}
	if len(q.Rigs) > 0 || j == nil {
		return out, nil
	}
	count := map[string]int{}
	for i, p := range j.Pins {
		a := ask{name: p.Rig, tune: p.Tune, pin: i, pinned: true, unit: p.Unit}
		rr, err := l.Names().Find(p.Rig)
		if err == nil {
			a.rr, a.known = rr, true
		} else if !isNotFound(err) {
			return nil, err
		} else {
			a.why = "no rig " + p.Rig + " in this library"
		}
		count[a.ref()]++
		out = append(out, a)
	}
	for i := range out {
		if a := &out[i]; count[a.ref()] > 1 && a.unit != "" {
			a.suffix = "@" + a.unit
		}
	}
	// one that is pinned twice for one unit still gives findings that can be told apart
	seen := map[string]int{}
	for i := range out {
		a := &out[i]
		name := a.ref() + a.suffix
		if seen[name]++; seen[name] > 1 {
			a.suffix += fmt.Sprintf("#%d", seen[name])
		}
	}
	return out, nil
}

// ref names the tune as a person would.
func (a ask) ref() string {
	s := a.name
	if a.known {
		s = a.rr.Alias
		if s == "" {
			s = a.rr.Fingerprint
		}
	}
	if a.tune != preset.MainTune {
		s += "/" + a.tune
	}
	return s
}

// subject gathers one tune.
func (l reviewFacts) subject(x *review.Subject, a ask, j *preset.Job) error {
	*x = review.Subject{Ref: a.ref(), Name: a.ref() + a.suffix, Unit: a.unit, Pin: a.pin, NotLearned: "it was not asked for"}
	x.Rig.Alias = x.Ref
	if !a.known {
		x.Lost, x.Rig.ID = a.why, a.name
		return nil
	}
	fp := a.rr.Fingerprint
	tunePath := preset.TunePath(fp, a.tune)
	if !l.build(x, preset.RigPath(fp)) {
		x.Rig.ID = fp
		return nil // everything else rests on the build
	}
	l.sheet(x)
	if x.Sheet != nil {
		if err := l.atBalance(x); err != nil {
			return err
		}
	}
	hist, err := l.Past().History(a.rr, a.tune, 0)
	if err != nil {
		return err
	}
	work, err := l.Store.Work().Read(tunePath)
	if err != nil && !isNotFound(err) {
		x.Faults = append(x.Faults, fault(tunePath, err))
		return nil
	}
	present := state{text: work, path: tunePath, at: -1, there: err == nil}
	if present.there && len(hist) > 0 && hist[0].Path == tunePath && hist[0].Blob == store.BlobIDOf(work) {
		present.at, present.stamp = 0, stamp(hist[0].Commit)
	}
	st := present
	if a.pin >= 0 {
		pinned, open, lost, err := l.pinnedState(*j, a, hist)
		if err != nil {
			return err
		}
		x.Open = open
		switch {
		case a.pinned && lost != "":
			x.Lost = lost
		case a.pinned && pinned.there:
			st = pinned
		}
		if pinned.there {
			x.Newer = l.newer(pinned, present)
			x.PinnedAt = pinned.stamp
		}
	}
	if !st.there {
		if x.Lost == "" {
			x.Lost = fmt.Sprintf("rig %s has no tune %q", a.rr.Alias, a.tune)
		}
		return nil
	}
	if !l.tune(x, a, st) {
		return nil
	}
	if err := l.sinceProof(x, a, st, hist); err != nil {
		return err
	}
	return l.onRecord(x, a, st, hist)
}

// build reads the build; ok is false where it cannot be read.
func (l reviewFacts) build(x *review.Subject, path string) (ok bool) {
	text, err := l.Store.Work().Read(path)
	if err == nil {
		x.RigFile = source(path, text, review.Stamp{})
		var r preset.Rig
		if r, _, err = preset.ReadRig(l.Cat, path, text); err == nil {
			x.Rig = r
		}
	}
	if err != nil {
		x.Faults = append(x.Faults, fault(path, err))
	}
	return err == nil
}

// sheet reads the gimbal's sheet and its units, as far as they can be read.
func (l reviewFacts) sheet(x *review.Subject) {
	sheetPath := preset.GimbalPath(x.Rig.Gimbal)
	var err error
	if x.Sheet, err = l.Sheet("", x.Rig.Gimbal); err != nil {
		x.Sheet = nil
		x.Faults = append(x.Faults, fault(sheetPath, err))
	}
	sheetText, _ := l.Store.Work().Read(sheetPath)
	x.SheetFile = source(sheetPath, sheetText, review.Stamp{})
	x.UnitFiles = map[string]review.Source{}
	if x.Sheet != nil {
		for _, u := range x.Sheet.Units {
			path := preset.UnitPath(x.Sheet.Slug, u.Serial)
			if text, err := l.Store.Work().Read(path); err == nil {
				x.UnitFiles[u.Serial] = source(path, text, review.Stamp{})
			}
		}
	}
}

// tune reads the tune; ok is false where it cannot be read.
func (l reviewFacts) tune(x *review.Subject, a ask, st state) (ok bool) {
	x.TuneFile = source(st.path, st.text, st.stamp)
	t, doc, err := preset.ReadTune(l.Cat, st.path, st.text, nil)
	if err != nil {
		x.Faults = append(x.Faults, fault(st.path, err))
		return false
	}
	if x.Sheet != nil && !a.pinned {
		// the dials as they are now; a pinned tune may be older than the sheet
		if err := preset.Check(l.Cat, schema.KindTune, doc, x.Sheet); err != nil {
			x.Faults = append(x.Faults, fault(st.path, err))
		}
	}
	x.Tune = &t
	return true
}

// state is a tune's text at one moment.
type state struct {
	text  []byte
	path  string
	at    int // place in the history, −1 where it is in no revision
	stamp review.Stamp
	there bool
}

// pinnedState is the tune as a job pins it. open: no revision was saved for the
// job; lost: the revision is not there.
func (l reviewFacts) pinnedState(j preset.Job, a ask, hist []Revision) (st state, open bool, lost string, err error) {
	rev := store.Rev(j.Pins[a.pin].Revision)
	if rev == "" {
		h, ok := savedFor(j.Slug, hist)
		if !ok {
			return st, true, "", nil
		}
		rev = h.ID
	}
	for i, h := range hist {
		if h.ID != rev || h.Blob == "" {
			continue
		}
		data, err := l.Store.Revisions().ReadBlob(h.Blob)
		if err != nil {
			return st, false, "", err
		}
		return state{data, h.Path, i, stamp(h.Commit), true}, false, "", nil
	}
	// a revision that did not change the tune, or one that a person wrote in
	for _, fp := range append([]string{a.rr.Fingerprint}, reversed(a.rr.Was)...) {
		path := preset.TunePath(fp, a.tune)
		data, err := l.Store.Revisions().ReadAt(rev, path)
		if isNotFound(err) {
			continue
		}
		if err != nil {
			return st, false, "", err
		}
		st = state{data, path, -1, review.Stamp{Revision: string(rev)}, true}
		if c, err := l.Store.Revisions().Commit(rev); err == nil {
			st.stamp = stamp(*c)
		}
		id := store.BlobIDOf(data)
		for i, h := range hist {
			if h.Blob == id {
				st.at = i
				break
			}
		}
		return st, false, "", nil
	}
	return st, false, fmt.Sprintf("revision %s does not hold the tune %s", rev.Short(), a.ref()), nil
}

// newer compares the pinned tune with what lies in the library now; nil when they
// say the same.
func (l reviewFacts) newer(pinned, present state) *review.Newer {
	if !present.there || bytes.Equal(pinned.text, present.text) {
		return nil
	}
	a, b := l.decode(pinned.path, pinned.text), l.decode(present.path, present.text)
	if a == nil || b == nil {
		return nil // an unreadable file is said by itself
	}
	n := &review.Newer{At: present.stamp, Path: present.path, Keys: review.ChangedKeys(a.Values, b.Values), Proof: !sameProofs(a, b)}
	if len(n.Keys) == 0 && !n.Proof {
		return nil
	}
	return n
}

// decode reads a tune without its rig; nil where it cannot be read.
func (l reviewFacts) decode(path string, text []byte) *preset.Tune {
	t, err := preset.UncheckedTune(l.Cat, path, text)
	if err != nil {
		return nil
	}
	return &t
}
