package library

import (
	"bytes"
	"maps"
	"math"
	"slices"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/review"
	"rigkeep/preset/start"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// sameProofs reports whether two tunes have the same record of every group.
func sameProofs(a, b *preset.Tune) bool {
	for _, g := range append(a.Groups(), b.Groups()...) {
		if !sameProof(a.ProofOf(g), b.ProofOf(g)) {
			return false
		}
	}
	return true
}

func sameProof(a, b *preset.Proof) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.At.Equal(b.At) && a.Unit == b.Unit && a.Place == b.Place && a.Digest == b.Digest && a.Rig == b.Rig && a.Ended == b.Ended
}

// record is the part of a tune's text from its proof on, by which one record is
// told from another without reading the whole; nil where it has no such header.
func record(text []byte) []byte {
	if i := bytes.Index(text, []byte("\n[proof.hold]")); i >= 0 {
		return text[i:]
	}
	return nil
}

// sinceProof finds the revision that recorded the proof, the rig and the values of
// that moment, and who changed what since.
func (l reviewFacts) sinceProof(x *review.Subject, a ask, st state, hist []Revision) error {
	p := x.Tune.Proof
	// acceptances of handovers, and whether a proof of our own came after
	for i, h := range hist {
		if i < st.at {
			// a revision that came in with a later acceptance is theirs, as a job that came along pins it
			came, err := l.introducedByHandover(st, h)
			if err != nil {
				return err
			}
			if came {
				x.Taken = handoverOf(h.Commit)
			}
			continue
		}
		if x.Taken != nil {
			break
		}
		if sum := h.Trailer(HandoverTrailer); sum != "" {
			x.Taken = handoverOf(h.Commit)
			if p != nil && p.Ended == "" && h.Blob != "" {
				data, err := l.Store.Revisions().ReadBlob(h.Blob)
				if err != nil {
					return err
				}
				then := l.decode(h.Path, data)
				x.Taken.Since = then != nil && (then.Proof == nil || !then.Proof.At.Equal(p.At))
			}
			break
		}
	}
	if p == nil {
		return nil
	}
	stale := p.ValuesChanged(*x.Tune, preset.GroupHold) || p.Rig != "" && p.Rig != x.Rig.Fingerprint()
	if !stale {
		return nil
	}
	mine := record(st.text)
	recorded := -1
	var then *preset.Tune
	for i := max(st.at, 0); i < len(hist); i++ {
		h := hist[i]
		if h.Blob == "" {
			break
		}
		data, err := l.Store.Revisions().ReadBlob(h.Blob)
		if err != nil {
			return err
		}
		if r := record(data); mine == nil || !bytes.Equal(r, mine) {
			if t := l.decode(h.Path, data); t == nil || t.Proof == nil || !t.Proof.At.Equal(p.At) {
				break
			}
		}
		recorded = i
	}
	if recorded < 0 {
		return nil // proved, not saved
	}
	h := hist[recorded]
	data, err := l.Store.Revisions().ReadBlob(h.Blob)
	if err != nil {
		return err
	}
	if then = l.decode(h.Path, data); then == nil {
		return nil
	}
	x.Proved = &review.Proved{At: stamp(h.Commit), Values: then.Values}
	x.Then = a.ref() + "@" + h.ID.Short()
	if r, err := l.Rig(h.ID, h.Fingerprint); err == nil {
		x.Proved.Rig = &r
	}
	if p.Rig != "" && p.Rig != x.Rig.Fingerprint() {
		if x.Builds, err = l.builds(a.rr, h.When); err != nil {
			return err
		}
	}
	return l.whoChanged(x, then.Values, hist[max(st.at, 0):recorded+1])
}

// introducedByHandover reports whether a state came into the library with the acceptance of a handover.
func (l reviewFacts) introducedByHandover(st state, accept Revision) (bool, error) {
	if accept.Trailer(HandoverTrailer) == "" || len(accept.Parents) == 0 || st.stamp.Revision == "" {
		return false, nil
	}
	here, err := l.Store.Revisions().IsAncestor(store.Rev(st.stamp.Revision), accept.Parents[0])
	return !here, err
}

// mostTaken bounds how many revisions are looked through for acceptances.
const mostTaken = 300

// takenOver finds acceptances of tunes that came with a history of their own and
// without a proof: such a revision is a merge that leaves the tune as the other
// side had it, which is no change of the tune.
func (l reviewFacts) takenOver(xs []review.Subject) error {
	bare := func(x review.Subject) bool { return x.Tune != nil && x.Tune.Proof == nil && x.Taken == nil }
	if !slices.ContainsFunc(xs, bare) {
		return nil
	}
	log, err := l.Store.Revisions().Log("", mostTaken)
	if err != nil {
		return err
	}
	for _, c := range log {
		sum := c.Trailer(HandoverTrailer)
		if sum == "" || len(c.Parents) == 0 {
			continue
		}
		changes, err := l.Store.Revisions().Diff(c.Parents[0], c.ID)
		if err != nil {
			return err
		}
		for i := range xs {
			if bare(xs[i]) && slices.ContainsFunc(changes, func(p store.PathChange) bool { return p.Path == xs[i].TuneFile.Path }) {
				xs[i].Taken = handoverOf(c)
			}
		}
	}
	return nil
}

// mostBuilds bounds how many revisions of a build are named.
const mostBuilds = 5

// builds lists the newest revisions that changed a rig's build sheet after a
// moment, oldest first.
func (l reviewFacts) builds(rr RigRef, after time.Time) ([]review.Stamp, error) {
	revs, err := l.Store.History().Along(trail(rr), preset.RigName, 0)
	if err != nil {
		return nil, err
	}
	var out []review.Stamp
	for _, r := range revs {
		if r.Blob != "" && !r.When.Before(after) && len(out) < mostBuilds {
			out = append(out, stamp(r.Commit))
		}
	}
	slices.Reverse(out)
	return out, nil
}

// whoChanged finds, for every key that differs from the proof, the last revision
// that changed it. hist runs from the present to the proof, newest first.
func (l reviewFacts) whoChanged(x *review.Subject, then map[string]any, hist []Revision) error {
	open := review.ChangedKeys(then, x.Tune.Values)
	after := x.Tune.Values
	for i := 0; i < len(hist) && len(open) > 0; i++ {
		if hist[i].Blob == "" {
			break
		}
		data, err := l.Store.Revisions().ReadBlob(hist[i].Blob)
		if err != nil {
			return err
		}
		t := l.decode(hist[i].Path, data)
		if t == nil {
			continue
		}
		differ := review.ChangedKeys(t.Values, after)
		var left []string
		for _, key := range open {
			switch {
			case !slices.Contains(differ, key):
				left = append(left, key)
			case i > 0:
				x.Changes = append(x.Changes, review.Change{Key: key, At: stamp(hist[i-1].Commit)})
			} // before the first revision: it is not saved
		}
		open, after = left, t.Values
	}
	slices.Reverse(x.Changes)
	return nil
}

// mostRecords bounds how far back earlier proofs are looked at for onsets.
const mostRecords = 200

// alike is how near two inertias have to be for an onset to be of the same build.
const alike = 0.02

// onRecord gathers the onsets and bench logs of a rig.
func (l reviewFacts) onRecord(x *review.Subject, a ask, st state, hist []Revision) error {
	r := onsets{reviewFacts: l, x: x, inertia: map[schema.Axis]float64{}}
	if x.Sheet != nil {
		if m, err := x.Rig.Inertias(x.Sheet, x.Tune); err == nil {
			for _, ax := range schema.Axes {
				r.inertia[ax] = m[ax].Min
			}
		}
	}
	var err error
	if r.there, r.since, err = l.elsewhere(a.rr, x.Rig.Gimbal); err != nil {
		return err
	}
	if p := x.Tune.Proof; p != nil && !r.there[p.Rig] {
		r.proof(p, x.TuneFile, "at the proof of "+schema.SayDay(p.At, l.Zone))
	}
	if err := r.earlier(st, hist); err != nil {
		return err
	}
	return r.benchLogs(a.rr.Fingerprint)
}

// onsets gathers what is on record for one subject.
type onsets struct {
	reviewFacts
	x       *review.Subject
	inertia map[schema.Axis]float64 // of the build as it is
	there   map[string]bool         // of elsewhere
	since   time.Time
}

// now says whether what was seen at an inertia, or at a mass, was seen of the build as it is.
func (r onsets) now(ax schema.Axis, inertia map[schema.Axis]float64, mass float64) bool {
	if was := inertia[ax]; was > 0 && r.inertia[ax] > 0 {
		return math.Abs(r.inertia[ax]/was-1) <= alike
	}
	if mass > 0 {
		return math.Abs(r.x.Rig.Mass()/mass-1) <= alike
	}
	return true // nothing says that it was another build
}

// proof takes the onsets of a proof in.
func (r onsets) proof(p *preset.Proof, src review.Source, from string) {
	for _, ax := range schema.Axes {
		if v, ok := p.Onset[ax]; ok {
			r.x.Onsets = append(r.x.Onsets, review.Onset{Axis: ax, Value: v, Hz: p.OnsetHz[ax], From: from, Key: "proof.hold.onset", File: src,
				Now: p.Rig == r.x.Rig.Fingerprint() || r.now(ax, p.Inertia, p.MassKg)})
		}
	}
}

// earlier takes in the proofs of earlier revisions.
func (r onsets) earlier(st state, hist []Revision) error {
	last := record(st.text)
	for i := max(st.at, 0); i < len(hist) && i < mostRecords; i++ {
		h := hist[i]
		if h.Blob == "" {
			continue
		}
		data, err := r.Store.Revisions().ReadBlob(h.Blob)
		if err != nil {
			return err
		}
		rec := record(data)
		if !bytes.Contains(data, []byte("onset")) || rec != nil && bytes.Equal(rec, last) {
			continue
		}
		last = rec
		t := r.decode(h.Path, data)
		if t == nil || t.Proof == nil || r.there[h.Fingerprint] || r.there[t.Proof.Rig] || sameRecord(r.x, t.Proof) {
			continue
		}
		r.proof(t.Proof, source(h.Path, data, stamp(h.Commit)), "at the earlier proof of "+schema.SayDay(t.Proof.At, r.Zone))
	}
	return nil
}

// benchLogs takes in the bench logs of the rig.
func (r onsets) benchLogs(fp string) error {
	paths, err := r.Evidence().BenchLogs(fp)
	if err != nil {
		return err
	}
	for _, path := range paths {
		data, err := r.Store.Work().Read(path)
		if err != nil {
			r.x.Faults = append(r.x.Faults, fault(path, err))
			continue
		}
		log, _, err := preset.ReadBench(r.Cat, path, data)
		if err != nil {
			r.x.Faults = append(r.x.Faults, fault(path, err))
			continue
		}
		b := review.Log{File: source(path, data, review.Stamp{}), Log: log}
		if b.Log.Began.Before(r.since) {
			continue
		}
		r.x.Logs = append(r.x.Logs, b)
		for _, ax := range schema.Axes {
			res, ok := b.Log.Results[ax]
			if !ok || res.Onset == nil || res.Doubt {
				continue
			}
			src := b.File
			src.At.Who, src.At.When = b.Log.By, b.Log.Began
			r.x.Onsets = append(r.x.Onsets, review.Onset{Axis: ax, Value: *res.Onset, Hz: res.Hz, From: "on the bench of " + schema.SayDay(b.Log.Began, r.Zone), Key: "result." + ax.String(), File: src,
				Now: r.now(ax, b.Log.Inertia, b.Log.MassKg)})
		}
	}
	return nil
}

// elsewhere lists the earlier fingerprints of a rig under which it was on another gimbal,
// whose dial numbers say nothing here, and since when it is on this one; the zero time is ever.
func (l reviewFacts) elsewhere(rr RigRef, gimbal string) (there map[string]bool, since time.Time, err error) {
	if len(rr.Was) == 0 {
		return nil, since, nil
	}
	revs, err := l.Store.History().Along(trail(rr), preset.RigName, 0)
	if err != nil {
		return nil, since, err
	}
	there = map[string]bool{}
	known := map[string]bool{}
	moved := false
	for _, r := range revs { // newest first
		place, _ := preset.Locate(r.Path)
		if r.Blob == "" {
			continue
		}
		if !known[place.Rig] {
			data, err := l.Store.Revisions().ReadBlob(r.Blob)
			if err != nil {
				return nil, since, err
			}
			then, err := preset.UncheckedRig(r.Path, data)
			if err != nil {
				continue
			}
			known[place.Rig] = true
			there[place.Rig] = then.Gimbal != gimbal
		}
		switch {
		case there[place.Rig]:
			moved = true
		case !moved:
			since = r.When
		}
	}
	if !moved {
		since = time.Time{}
	}
	return there, since, nil
}

// sameRecord reports whether the onsets of a proof are on the list already.
func sameRecord(x *review.Subject, p *preset.Proof) bool {
	for ax, v := range p.Onset {
		if !slices.ContainsFunc(x.Onsets, func(o review.Onset) bool { return o.Axis == ax && o.Value == v }) {
			return false
		}
	}
	return true
}

// learn asks the starting model where the stiffness of each subject should end. The
// evidence of a gimbal is gathered once for all its rigs, and what it tells of a unit once.
func (l reviewFacts) learn(xs []review.Subject, now time.Time) error {
	type place struct{ gimbal, unit string }
	of := func(x *review.Subject) place { return place{x.Rig.Gimbal, serial(x.Sheet, x.Unit)} }
	sheets := map[string]*schema.Sheet{}
	known := map[place]*evidence{}
	for i := range xs {
		if x := &xs[i]; x.Tune != nil && x.Sheet != nil {
			sheets[x.Rig.Gimbal] = x.Sheet
			known[of(x)] = &evidence{}
		}
	}
	gimbals, places := slices.Collect(maps.Keys(sheets)), slices.Collect(maps.Keys(known))
	found := make([]evidence, len(gimbals))
	if err := eachOf(len(gimbals), func(i int) (err error) {
		found[i], err = l.Evidence().ofGimbal(sheets[gimbals[i]], gimbals[i], now)
		return err
	}); err != nil {
		return err
	}
	if err := eachOf(len(places), func(i int) (err error) {
		at := places[i]
		*known[at], err = l.Evidence().ofUnit(found[slices.Index(gimbals, at.gimbal)], sheets[at.gimbal], at.unit)
		return err
	}); err != nil {
		return err
	}
	return eachOf(len(xs), func(i int) error {
		x := &xs[i]
		if x.Tune == nil || x.Sheet == nil {
			return nil
		}
		at := of(x)
		q, err := l.Evidence().ownRequest(x.Rig, x.Sheet, x.Tune, at.unit)
		if err == nil {
			l.Evidence().with(&q, *known[at], x.Rig, x.Sheet, x.Tune)
			x.Learned, err = start.Finals(q)
		}
		if x.NotLearned = ""; err != nil {
			x.Learned, x.NotLearned = nil, "expected range unknown: "+err.Error()
		}
		return nil
	})
}
