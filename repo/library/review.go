package library

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/review"
	"rigkeep/repo/store"
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
		data, err := l.Store.Work().Read(path)
		if err != nil {
			return nil, err
		}
		j, _, err := preset.ReadJob(l.Cat, path, data)
		if err != nil {
			return nil, err
		}
		s.Job, s.JobFile = &j, source(path, data, review.Stamp{})
	}
	asks, err := reviewFacts{l}.asks(q, s.Job)
	if err != nil {
		return nil, err
	}
	s.Subjects = make([]review.Subject, len(asks))
	if err := eachOf(len(asks), func(i int) error { return (reviewFacts{l}).subject(&s.Subjects[i], asks[i], s.Job) }); err != nil {
		return nil, err
	}
	if err := (reviewFacts{l}).takenOver(s.Subjects); err != nil {
		return nil, err
	}
	if q.Learn {
		if err := (reviewFacts{l}).learn(s.Subjects, q.Now); err != nil {
			return nil, err
		}
	}
	if s.Others, err = (reviewFacts{l}).otherPins(s); err != nil {
		return nil, err
	}
	if s.Job != nil {
		pack, err := l.Jobs().Pack(q.Job)
		if err != nil {
			return nil, err
		}
		for _, t := range pack.Twice {
			if t.Part != "" { // a unit that two jobs want is unit-clash
				s.Twice = append(s.Twice, review.WantedTwice{Part: t.Part, Have: t.Have, Text: t.Text})
			}
		}
	}
	if err := (reviewFacts{l}).reviewEdits(s); err != nil {
		return nil, err
	}
	return s, reviewFacts{l}.exchange(s)
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

// otherPins finds the pins of other open jobs that share a day with the job under
// review and a unit with one of its pins.
func (l reviewFacts) otherPins(s *review.Snapshot) ([]review.OtherPin, error) {
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
	texts, slugs, err := l.Jobs().jobTexts()
	if err != nil {
		return nil, err
	}
	var out []review.OtherPin
	for _, slug := range slugs {
		text, ok := texts[slug]
		if !ok || slug == s.Job.Slug || !mentions(text, words) {
			continue
		}
		j, ok := l.Jobs().jobOf(slug, text)
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
			if rr, err := l.Names().Find(p.Rig); err == nil {
				o.Ref = ask{rr: rr, known: true, tune: p.Tune}.ref()
				o.Rig, o.Gimbal = rr.Fingerprint, rr.Gimbal
				if o.Revision == "" {
					if rev, err := l.Jobs().Pinned(slug, rr, p.Tune); err == nil {
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
func (l reviewFacts) reviewEdits(s *review.Snapshot) error {
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
	changes, err := l.Store.Work().Edited(prefixes...)
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
func (l reviewFacts) exchange(s *review.Snapshot) error {
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
	if x.Ahead, x.Behind, err = l.Store.Revisions().AheadBehind(head, at); err != nil {
		s.NoExchange = "unreadable revisions of the server: " + err.Error()
		return nil
	}
	for _, r := range []struct {
		rev store.Rev
		to  *review.Stamp
	}{{at, &x.Theirs}, {head, &x.Ours}} {
		if c, err := l.Store.Revisions().Commit(r.rev); err == nil {
			*r.to = stamp(*c)
		}
	}
	s.Exchange = x
	return nil
}
