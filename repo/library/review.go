package library

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/review"
	"rigkeep/preset/start"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// HandoverTrailer is the line of a revision that accepted a handover; its value is
// the SHA-256 of the file.
const HandoverTrailer = "Handover"

// SignedTrailer names the key that signed an accepted handover, or says "no"; ProposedTrailer the
// revision that had proposed the key, and who made it.
const (
	SignedTrailer   = "Handover-Signed"
	ProposedTrailer = "Handover-Key-Proposed"
)

// handoverOf is what a revision that accepted a handover says of it.
func handoverOf(c store.Commit) *review.Handover {
	return &review.Handover{At: stamp(c), Sum: c.Trailer(HandoverTrailer), Key: c.Trailer(SignedTrailer), From: c.Trailer(ProposedTrailer)}
}

// ReviewRequest says what to review.
type ReviewRequest struct {
	// Rigs are tunes as a person names them, RIG or RIG/TUNE, as they lie in the
	// work tree; without any, all that the job pins, as they are pinned.
	Rigs []string
	// Job is the slug of the job in whose light they are looked at, "" for none.
	Job string
	Now time.Time
	// Learn asks for where stiffness should end by the evidence.
	Learn bool
}

// lines finds keys in a text that is parsed when the first one is asked for.
type lines struct {
	path string
	data []byte
	once sync.Once
	doc  *file.Doc
}

func (t *lines) Pos(key string) (line, col int, ok bool) {
	t.once.Do(func() { t.doc, _ = file.Parse(t.path, t.data) })
	if t.doc == nil {
		return 0, 0, false
	}
	return t.doc.Pos(key)
}

func source(path string, data []byte, at review.Stamp) review.Source {
	s := review.Source{Path: path, At: at}
	if data != nil {
		s.Text = &lines{path: path, data: data}
	}
	return s
}

func stamp(c store.Commit) review.Stamp {
	return review.Stamp{Revision: string(c.ID), Who: c.Author.Name, When: c.When, Why: c.Subject}
}

// fault is an error about a file as a review shows it.
func fault(path string, err error) review.Fault {
	if es := file.List(err); len(es) > 0 {
		what := es[0].What
		if es[0].Want != "" {
			what += "; expected " + es[0].Want
		}
		if n := len(es) - 1; n > 0 {
			what += fmt.Sprintf("; and %d more", n)
		}
		if es[0].File != "" {
			path = es[0].File
		}
		return review.Fault{Path: path, What: what, Line: es[0].Line}
	}
	return review.Fault{Path: path, What: err.Error()}
}

// Review gathers what a review looks at. What cannot be read becomes a fault of
// the subject, not an error, so that everything else is reviewed all the same.
func (l *Library) Review(q ReviewRequest) (*review.Snapshot, error) {
	s := &review.Snapshot{Now: q.Now, Cat: l.Cat}
	if q.Job != "" {
		path := preset.JobPath(q.Job)
		data, err := l.Store.Read(path)
		if err != nil {
			return nil, err
		}
		doc, err := l.Parse(path, data, nil)
		if err != nil {
			return nil, err
		}
		j := preset.DecodeJob(q.Job, doc.Tree())
		s.Job, s.JobFile = &j, source(path, data, review.Stamp{})
	}
	asks, err := l.asks(q, s.Job)
	if err != nil {
		return nil, err
	}
	s.Subjects = make([]review.Subject, len(asks))
	if err := eachOf(len(asks), func(i int) error { return l.subject(&s.Subjects[i], asks[i], s.Job) }); err != nil {
		return nil, err
	}
	if err := l.takenOver(s.Subjects); err != nil {
		return nil, err
	}
	if q.Learn {
		if err := l.learn(s.Subjects, q.Now); err != nil {
			return nil, err
		}
	}
	if s.Others, err = l.otherPins(s); err != nil {
		return nil, err
	}
	if s.Job != nil {
		pack, err := l.Pack(q.Job)
		if err != nil {
			return nil, err
		}
		for _, t := range pack.Twice {
			if t.Part != "" { // a unit that two jobs want is unit-clash
				s.Twice = append(s.Twice, review.WantedTwice{Part: t.Part, Have: t.Have, Text: t.Text})
			}
		}
	}
	if err := l.reviewEdits(s); err != nil {
		return nil, err
	}
	return s, l.exchange(s)
}

// eachOf calls fn for 0 to n−1 on a few goroutines and gives the first error.
func eachOf(n int, fn func(i int) error) error {
	g, ctx := errgroup.WithContext(context.Background())
	g.SetLimit(min(runtime.GOMAXPROCS(0), 8))
	for i := range n {
		if ctx.Err() != nil {
			break
		}
		g.Go(func() error { return fn(i) })
	}
	return g.Wait()
}

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

func (l *Library) asks(q ReviewRequest, j *preset.Job) ([]ask, error) {
	var out []ask
	for _, name := range q.Rigs {
		ref, err := ParseRef(name)
		if err != nil {
			return nil, err
		}
		if ref.When != "" {
			return nil, &store.Error{Kind: store.ErrBadPath, Msg: "review checks what goes out now; " + name + " names a moment", Hint: "For what changed since then: --since " + ref.When}
		}
		rr, err := l.Find(ref.Rig)
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
		rr, err := l.Find(p.Rig)
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
func (l *Library) subject(x *review.Subject, a ask, j *preset.Job) error {
	*x = review.Subject{Ref: a.ref(), Name: a.ref() + a.suffix, Unit: a.unit, Pin: a.pin, NotLearned: "it was not asked for"}
	x.Rig.Alias = x.Ref
	if !a.known {
		x.Lost, x.Rig.ID = a.why, a.name
		return nil
	}
	fp := a.rr.Fingerprint
	rigPath, tunePath := preset.RigPath(fp), preset.TunePath(fp, a.tune)
	rigText, err := l.Store.Read(rigPath)
	if err == nil {
		x.RigFile = source(rigPath, rigText, review.Stamp{})
		var doc *file.Doc
		if doc, err = l.Parse(rigPath, rigText, nil); err == nil {
			x.Rig = preset.ReadRig(fp, doc)
		}
	}
	if err != nil {
		x.Faults = append(x.Faults, fault(rigPath, err))
		x.Rig.ID = fp
		return nil // everything else rests on the build
	}
	sheetPath := preset.GimbalPath(x.Rig.Gimbal)
	if x.Sheet, err = l.Sheet("", x.Rig.Gimbal); err != nil {
		x.Sheet = nil
		x.Faults = append(x.Faults, fault(sheetPath, err))
	}
	sheetText, _ := l.Store.Read(sheetPath)
	x.SheetFile = source(sheetPath, sheetText, review.Stamp{})
	x.UnitFiles = map[string]review.Source{}
	if x.Sheet != nil {
		for _, u := range x.Sheet.Units {
			path := preset.UnitPath(x.Sheet.Slug, u.Serial)
			if text, err := l.Store.Read(path); err == nil {
				x.UnitFiles[u.Serial] = source(path, text, review.Stamp{})
			}
		}
	}

	if x.Sheet != nil {
		if err := l.atBalance(x); err != nil {
			return err
		}
	}
	hist, err := l.History(a.rr, a.tune, 0)
	if err != nil {
		return err
	}
	work, err := l.Store.Read(tunePath)
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
	x.TuneFile = source(st.path, st.text, st.stamp)
	doc, err := l.Parse(st.path, st.text, nil)
	if err != nil {
		x.Faults = append(x.Faults, fault(st.path, err))
		return nil
	}
	if x.Sheet != nil && !a.pinned {
		// the dials as they are now; a pinned tune may be older than the sheet
		if err := Faults(doc, l.Cat.Validate(schema.KindTune, doc.Tree(), x.Sheet)); err != nil {
			x.Faults = append(x.Faults, fault(st.path, err))
		}
	}
	t := preset.DecodeTune(l.Cat, doc.Tree())
	x.Tune = &t
	if err := l.sinceProof(x, a, st, hist); err != nil {
		return err
	}
	if err := l.onRecord(x, a, st, hist); err != nil {
		return err
	}
	return nil
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
func (l *Library) pinnedState(j preset.Job, a ask, hist []Revision) (st state, open bool, lost string, err error) {
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
		data, err := l.Store.ReadBlob(h.Blob)
		if err != nil {
			return st, false, "", err
		}
		return state{data, h.Path, i, stamp(h.Commit), true}, false, "", nil
	}
	// a revision that did not change the tune, or one that a person wrote in
	for _, fp := range append([]string{a.rr.Fingerprint}, reversed(a.rr.Was)...) {
		path := preset.TunePath(fp, a.tune)
		data, err := l.Store.ReadAt(rev, path)
		if isNotFound(err) {
			continue
		}
		if err != nil {
			return st, false, "", err
		}
		st = state{data, path, -1, review.Stamp{Revision: string(rev)}, true}
		if c, err := l.Store.Commit(rev); err == nil {
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
func (l *Library) newer(pinned, present state) *review.Newer {
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
func (l *Library) decode(path string, text []byte) *preset.Tune {
	tree, err := file.Values(path, text)
	if err != nil {
		return nil
	}
	t := preset.DecodeTune(l.Cat, tree)
	return &t
}

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
func (l *Library) sinceProof(x *review.Subject, a ask, st state, hist []Revision) error {
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
				data, err := l.Store.ReadBlob(h.Blob)
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
	stale := p.Digest != "" && p.Digest != x.Tune.GroupDigest(preset.GroupHold) || p.Rig != "" && p.Rig != x.Rig.Fingerprint()
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
		data, err := l.Store.ReadBlob(h.Blob)
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
		return nil // proved in the work tree, not saved
	}
	h := hist[recorded]
	data, err := l.Store.ReadBlob(h.Blob)
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
func (l *Library) introducedByHandover(st state, accept Revision) (bool, error) {
	if accept.Trailer(HandoverTrailer) == "" || len(accept.Parents) == 0 || st.stamp.Revision == "" {
		return false, nil
	}
	here, err := l.Store.IsAncestor(store.Rev(st.stamp.Revision), accept.Parents[0])
	return !here, err
}

// mostTaken bounds how many revisions are looked through for acceptances.
const mostTaken = 300

// takenOver finds acceptances of tunes that came with a history of their own and
// without a proof: such a revision is a merge that leaves the tune as the other
// side had it, which is no change of the tune.
func (l *Library) takenOver(xs []review.Subject) error {
	bare := func(x review.Subject) bool { return x.Tune != nil && x.Tune.Proof == nil && x.Taken == nil }
	if !slices.ContainsFunc(xs, bare) {
		return nil
	}
	log, err := l.Store.Log("", mostTaken)
	if err != nil {
		return err
	}
	for _, c := range log {
		sum := c.Trailer(HandoverTrailer)
		if sum == "" || len(c.Parents) == 0 {
			continue
		}
		changes, err := l.Store.Diff(c.Parents[0], c.ID)
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
func (l *Library) builds(rr RigRef, after time.Time) ([]review.Stamp, error) {
	revs, err := l.Store.HistoryAlong(trail(rr), preset.RigName, 0)
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
func (l *Library) whoChanged(x *review.Subject, then map[string]any, hist []Revision) error {
	open := review.ChangedKeys(then, x.Tune.Values)
	after := x.Tune.Values
	for i := 0; i < len(hist) && len(open) > 0; i++ {
		if hist[i].Blob == "" {
			break
		}
		data, err := l.Store.ReadBlob(hist[i].Blob)
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
func (l *Library) onRecord(x *review.Subject, a ask, st state, hist []Revision) error {
	js := map[schema.Axis]float64{}
	if x.Sheet != nil {
		if m, err := x.Rig.Inertias(x.Sheet, x.Tune); err == nil {
			for _, ax := range schema.Axes {
				js[ax] = m[ax].Min
			}
		}
	}
	now := func(ax schema.Axis, inertia map[schema.Axis]float64, mass float64) bool {
		if was := inertia[ax]; was > 0 && js[ax] > 0 {
			return math.Abs(js[ax]/was-1) <= alike
		}
		if mass > 0 {
			return math.Abs(x.Rig.Mass()/mass-1) <= alike
		}
		return true // nothing says that it was another build
	}
	proof := func(p *preset.Proof, src review.Source, from string) {
		for _, ax := range schema.Axes {
			if v, ok := p.Onset[ax]; ok {
				x.Onsets = append(x.Onsets, review.Onset{Axis: ax, Value: v, Hz: p.OnsetHz[ax], From: from, Key: "proof.hold.onset", File: src,
					Now: p.Rig == x.Rig.Fingerprint() || now(ax, p.Inertia, p.MassKg)})
			}
		}
	}
	there, since, err := l.elsewhere(a.rr, x.Rig.Gimbal)
	if err != nil {
		return err
	}
	if p := x.Tune.Proof; p != nil && !there[p.Rig] {
		proof(p, x.TuneFile, "at the proof of "+review.Day(p.At))
	}
	last := record(st.text)
	for i := max(st.at, 0); i < len(hist) && i < mostRecords; i++ {
		h := hist[i]
		if h.Blob == "" {
			continue
		}
		data, err := l.Store.ReadBlob(h.Blob)
		if err != nil {
			return err
		}
		r := record(data)
		if !bytes.Contains(data, []byte("onset")) || r != nil && bytes.Equal(r, last) {
			continue
		}
		last = r
		t := l.decode(h.Path, data)
		if t == nil || t.Proof == nil || there[h.Fingerprint] || there[t.Proof.Rig] || sameRecord(x, t.Proof) {
			continue
		}
		proof(t.Proof, source(h.Path, data, stamp(h.Commit)), "at the earlier proof of "+review.Day(t.Proof.At))
	}
	paths, err := l.BenchLogs(a.rr.Fingerprint)
	if err != nil {
		return err
	}
	for _, path := range paths {
		data, err := l.Store.Read(path)
		if err != nil {
			x.Faults = append(x.Faults, fault(path, err))
			continue
		}
		doc, err := l.Parse(path, data, nil)
		if err != nil {
			x.Faults = append(x.Faults, fault(path, err))
			continue
		}
		b := review.Log{File: source(path, data, review.Stamp{}), Log: preset.DecodeBench(doc.Tree())}
		if b.Log.Began.Before(since) {
			continue
		}
		x.Logs = append(x.Logs, b)
		for _, ax := range schema.Axes {
			r, ok := b.Log.Results[ax]
			if !ok || r.Onset == nil || r.Doubt {
				continue
			}
			src := b.File
			src.At.Who, src.At.When = b.Log.By, b.Log.Began
			x.Onsets = append(x.Onsets, review.Onset{Axis: ax, Value: *r.Onset, Hz: r.Hz, From: "on the bench of " + review.Day(b.Log.Began), Key: "result." + ax.String(), File: src,
				Now: now(ax, b.Log.Inertia, b.Log.MassKg)})
		}
	}
	return nil
}

// elsewhere lists the earlier fingerprints of a rig under which it was on another gimbal,
// whose dial numbers say nothing here, and since when it is on this one; the zero time is ever.
func (l *Library) elsewhere(rr RigRef, gimbal string) (there map[string]bool, since time.Time, err error) {
	if len(rr.Was) == 0 {
		return nil, since, nil
	}
	revs, err := l.Store.HistoryAlong(trail(rr), preset.RigName, 0)
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
			data, err := l.Store.ReadBlob(r.Blob)
			if err != nil {
				return nil, since, err
			}
			tree, err := file.Values(r.Path, data)
			if err != nil {
				continue
			}
			known[place.Rig] = true
			there[place.Rig] = preset.DecodeRig(place.Rig, tree).Gimbal != gimbal
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
// evidence of a gimbal and unit is gathered once for all its rigs.
func (l *Library) learn(xs []review.Subject, now time.Time) error {
	known := map[[2]string]evidence{}
	place := func(x *review.Subject) [2]string { return [2]string{x.Rig.Gimbal, serial(x.Sheet, x.Unit)} }
	for i := range xs {
		x := &xs[i]
		if x.Tune == nil || x.Sheet == nil {
			continue
		}
		at := place(x)
		if _, ok := known[at]; ok {
			continue
		}
		e, err := l.evidence(x.Sheet, at[0], at[1], now)
		if err != nil {
			return err
		}
		known[at] = e
	}
	return eachOf(len(xs), func(i int) error {
		x := &xs[i]
		if x.Tune == nil || x.Sheet == nil {
			return nil
		}
		at := place(x)
		q, err := l.ownRequest(x.Rig, x.Sheet, x.Tune, at[1])
		if err == nil {
			l.with(&q, known[at], x.Rig, x.Sheet, x.Tune)
			x.Learned, err = start.Finals(q)
		}
		if x.NotLearned = ""; err != nil {
			x.Learned, x.NotLearned = nil, "expected range unknown: "+err.Error()
		}
		return nil
	})
}

// JobPin is one job that pins a tune of a rig.
type JobPin struct {
	Job preset.Job
	Pin preset.Pin
	At  int // place of the pin in the job
}

// jobTexts reads every job file, once.
func (l *Library) jobTexts() (map[string][]byte, []string, error) {
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
		data, err := l.Store.Read(preset.JobPath(s))
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
func (l *Library) jobOf(slug string, text []byte) (preset.Job, bool) {
	l.mu.Lock()
	j, ok := l.jobRead[slug]
	l.mu.Unlock()
	if !ok {
		if doc, err := l.Parse(preset.JobPath(slug), text, nil); err == nil {
			x := preset.DecodeJob(slug, doc.Tree())
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

// JobsOf lists the jobs that pin a tune of a rig, by their first day, oldest first.
func (l *Library) JobsOf(rr RigRef, tune string) ([]JobPin, error) {
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

// otherPins finds the pins of other open jobs that share a day with the job under
// review and a unit with one of its pins.
func (l *Library) otherPins(s *review.Snapshot) ([]review.OtherPin, error) {
	if s.Job == nil {
		return nil, nil
	}
	names := map[string][]string{} // every name of a unit that goes out, to all its names
	var words []string
	for i := range s.Subjects {
		x := &s.Subjects[i]
		if x.Unit == "" {
			continue
		}
		all := []string{x.Unit}
		if x.Sheet != nil {
			if u, ok := x.Sheet.Unit(x.Unit); ok {
				all = u.Names()
			}
		}
		for _, n := range all {
			if n != "" {
				names[n] = all
				words = append(words, n)
			}
		}
	}
	if len(words) == 0 {
		return nil, nil
	}
	texts, slugs, err := l.jobTexts()
	if err != nil {
		return nil, err
	}
	var out []review.OtherPin
	for _, slug := range slugs {
		text, ok := texts[slug]
		if !ok || slug == s.Job.Slug || !mentions(text, words) {
			continue
		}
		j, ok := l.jobOf(slug, text)
		if !ok || j.State != "open" || j.From.After(s.Job.To) || s.Job.From.After(j.To) {
			continue
		}
		for i, p := range j.Pins {
			units := names[p.Unit]
			if units == nil {
				continue
			}
			o := review.OtherPin{Job: slug, From: j.From, To: j.To, Ref: p.Rig, Rig: p.Rig, Tune: p.Tune, Revision: p.Revision, Units: units,
				File: source(preset.JobPath(slug), text, review.Stamp{}), Key: fmt.Sprintf("pin[%d].unit", i)}
			if rr, err := l.Find(p.Rig); err == nil {
				o.Ref = ask{rr: rr, known: true, tune: p.Tune}.ref()
				o.Rig, o.Gimbal = rr.Fingerprint, rr.Gimbal
				if o.Revision == "" {
					if rev, err := l.Pinned(slug, rr, p.Tune); err == nil {
						o.Revision = string(rev)
					}
				}
			}
			out = append(out, o)
		}
	}
	return out, nil
}

// reviewEdits finds files under review that are in no revision.
func (l *Library) reviewEdits(s *review.Snapshot) error {
	var prefixes []string
	owner := map[string][]int{}
	add := func(p string, i int) {
		if !slices.Contains(prefixes, p) {
			prefixes = append(prefixes, p)
		}
		owner[p] = append(owner[p], i)
	}
	for i := range s.Subjects {
		x := &s.Subjects[i]
		if fp := x.Rig.ID; len(fp) == preset.FingerprintLen {
			add(preset.RigDir(fp)+"/", i)
		}
		if x.Rig.Gimbal != "" {
			add(preset.GimbalPath(x.Rig.Gimbal), -1)
			if x.Sheet != nil {
				if u, ok := x.Sheet.Unit(cmp.Or(x.Unit, x.ProvedUnit())); ok {
					add(preset.UnitPath(x.Rig.Gimbal, u.Serial), -1)
				}
			}
		}
	}
	if s.Job != nil {
		add(preset.JobPath(s.Job.Slug), -1)
	}
	changes, err := l.Store.Edited(prefixes...)
	if err != nil {
		return err
	}
	for _, c := range changes {
		e := review.Edit{Path: c.Path, Kind: string(c.Kind)}
		for p, is := range owner {
			if !strings.HasPrefix(c.Path, p) {
				continue
			}
			for _, i := range is {
				if i < 0 {
					s.Unsaved = append(s.Unsaved, e)
					break
				}
				s.Subjects[i].Unsaved = append(s.Subjects[i].Unsaved, e)
			}
		}
	}
	slices.SortFunc(s.Unsaved, func(a, b review.Edit) int { return strings.Compare(a.Path, b.Path) })
	return nil
}

// exchange says how the library stands to its server, as last fetched.
func (l *Library) exchange(s *review.Snapshot) error {
	name, at, err := l.Store.Upstream()
	if err != nil {
		return err
	}
	if at == "" {
		s.NoExchange = "no server set up, or never synced"
		return nil
	}
	head, err := l.Store.Head()
	if err != nil || head == "" {
		return err
	}
	x := &review.Exchange{Ref: name}
	if x.Ahead, x.Behind, err = l.Store.Apart(head, at); err != nil {
		s.NoExchange = "unreadable revisions of the server: " + err.Error()
		return nil
	}
	for _, r := range []struct {
		rev store.Rev
		to  *review.Stamp
	}{{at, &x.Theirs}, {head, &x.Ours}} {
		if c, err := l.Store.Commit(r.rev); err == nil {
			*r.to = stamp(*c)
		}
	}
	s.Exchange = x
	return nil
}
