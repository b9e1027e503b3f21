package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"rigkeep/diffview"
	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/rigview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/review"
	"rigkeep/preset/start"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func pagesVerb() command {
	return command{
		name: "pages", args: "DIR", short: "the whole library as a folder of pages",
		long: "Writes a page for the library, each rig, its card, its last change, its starting tune where nothing is proved yet, and each job. The pages need no network and no program: open index.html from a stick, a phone or any web host. Search on the first page goes by words.\n\n" +
			"DIR is made, or replaced where an earlier run made it. A folder with anything else in it is not touched.",
		example: "rigkeep pages /media/stick/harbour",
		reads:   true, minArgs: 1, maxArgs: 1, argKind: []string{"file"}, run: runPages,
	}
}

// ours marks a folder that pages made, so that it can be replaced.
const ours = ".made-by-rigkeep"

func runPages(k *invocation) error {
	dir := k.path(k.args[0])
	if err := replaceable(dir, k.args[0]); err != nil {
		return err
	}
	n, size, err := pagesRun{k}.writeSite(dir)
	if err != nil {
		return err
	}
	if k.json() {
		return k.encode(struct {
			Format int    `json:"format"`
			Folder string `json:"folder"`
			Pages  int    `json:"pages"`
			Bytes  int    `json:"bytes"`
		}{1, dir, n, size})
	}
	k.printf("wrote %s to %s, %s\n", schema.Count(n, "page", "pages"), safe.Line(k.args[0]), bytesText(size))
	k.printf("open: %s\n", safe.Line(filepath.Join(k.args[0], pages.Home)))
	return nil
}

// replaceable reports whether pages may be put where a folder is.
func replaceable(dir, shown string) error {
	es, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return outError(shown, err)
	case len(es) == 0 || slices.ContainsFunc(es, func(e fs.DirEntry) bool { return e.Name() == ours }):
		return nil
	}
	return fail(exitConflict, "%s has files in it that rigkeep pages did not make", shown).hinted("name an empty folder, or a new one")
}

// writeSite writes all pages into a new folder beside dir and puts that in its place, so
// that a reader never sees half of them.
func (k pagesRun) writeSite(dir string) (n, size int, err error) {
	if err := os.MkdirAll(filepath.Dir(dir), 0o777); err != nil {
		return 0, 0, outError(dir, err)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), ".rigkeep-pages-")
	if err != nil {
		return 0, 0, outError(dir, err)
	}
	defer os.RemoveAll(tmp)
	if err := os.Chmod(tmp, 0o755); err != nil {
		return 0, 0, outError(dir, err)
	}
	var mu sync.Mutex
	put := func(name string, data []byte) error {
		mu.Lock()
		n, size = n+1, size+len(data)
		mu.Unlock()
		return os.WriteFile(filepath.Join(tmp, name), data, 0o644)
	}
	s, err := k.newSite(put)
	if err != nil {
		return 0, 0, err
	}
	s.of.Folder = true
	if err := s.all(); err != nil {
		return 0, 0, err
	}
	shared := page.Assets()
	for _, a := range []page.Asset{shared.Style, shared.Script, {Name: ours}} {
		size += len(a.Text)
		if err := os.WriteFile(filepath.Join(tmp, a.Name), []byte(a.Text), 0o644); err != nil {
			return 0, 0, outError(dir, err)
		}
	}
	if err := os.RemoveAll(dir); err != nil {
		return 0, 0, outError(dir, err)
	}
	if err := os.Rename(tmp, dir); err != nil {
		return 0, 0, outError(dir, err)
	}
	return n, size, nil
}

// site gathers what the pages show. Its fields do not change once the work has begun, so
// that several rigs are done at once.
type site struct {
	*invocation
	put   func(name string, data []byte) error
	only  string // the one page that is asked for, "" for all
	of    pages.Site
	rows  []library.RigRow
	page  map[string]string // of a rig by fingerprint and alias
	alias map[string]string // what people call a rig, by fingerprint
	jobs  []preset.Job
	next  map[string]goingOut // of the rigs
	units []library.UnitRef
	today time.Time
	zone  *time.Location
	lim   units

	mu     sync.Mutex
	listed map[string]pages.RigRow
	words  map[string]string
}

func (k pagesRun) newSite(put func(string, []byte) error) (*site, error) {
	listed, err := serveRun(k).rigRows()
	if err != nil {
		return nil, err
	}
	rows := make([]library.RigRow, len(listed))
	for i, r := range listed {
		rows[i] = *r
	}
	s := &site{invocation: k.invocation, put: put, rows: rows, page: map[string]string{}, alias: map[string]string{}, today: k.Now(), zone: k.Now().Location(), lim: k.units(), listed: map[string]pages.RigRow{}, words: map[string]string{}}
	s.of = k.siteOf()
	for _, r := range rows {
		s.alias[r.Fingerprint] = cmp.Or(r.Alias, r.Fingerprint)
		f := pages.File("rig", s.alias[r.Fingerprint])
		s.page[r.Fingerprint] = f
		if r.Alias != "" {
			s.page[r.Alias] = f
		}
	}
	slugs, err := k.lib.Jobs().Slugs()
	if err != nil {
		return nil, err
	}
	for _, slug := range slugs {
		if j, err := k.lib.Jobs().Read("", slug); err == nil { // what is wrong with a job, check says
			s.jobs = append(s.jobs, j)
		}
	}
	s.next = k.nextPins(s.jobs)
	if s.units, _, err = k.lib.Units().All(); err != nil {
		return nil, err
	}
	return s, nil
}

// siteOf is what all pages of the library share.
func (k pagesRun) siteOf() pages.Site {
	of := pages.Site{Library: "Library", Made: k.Now(), Version: version()}
	if doc, err := k.lib.Doc("", preset.LibraryPath); err == nil {
		of.Library = cmp.Or(schema.Flatten(doc.Tree()).Str("name"), of.Library)
	}
	if head, err := k.lib.Store.Head(); err == nil {
		of.Revision = string(head)
	}
	return of
}

// wants reports whether a page is to be made: all are, or the one that is asked for.
func (s *site) wants(file string) bool { return s.only == "" || s.only == file }

// href is the page of a rig as a person names it, RIG or RIG/TUNE@UNIT; "" for none.
func (s *site) href(name string) string {
	name, _, _ = strings.Cut(name, "@")
	name, _, _ = strings.Cut(name, "/")
	return s.page[name]
}

// all writes every page: the rigs first, several at once, then the jobs, then the library,
// whose list needs both.
func (s *site) all() error {
	b := diagnoseRun{s.invocation}.bar("pages", int64(len(s.rows)))
	b.on = tty(b.out) && len(s.rows) > 50
	done := 0
	var work errgroup.Group
	work.SetLimit(runtime.GOMAXPROCS(0))
	for _, r := range s.rows {
		work.Go(func() error {
			err := s.rig(r)
			s.mu.Lock()
			defer s.mu.Unlock()
			done++
			b.at(int64(done), 0)
			return err
		})
	}
	err := work.Wait()
	b.done()
	if err != nil {
		return err
	}
	states := map[string]page.State{}
	for _, j := range s.jobs {
		work.Go(func() error {
			st, err := s.job(j)
			s.mu.Lock()
			defer s.mu.Unlock()
			states[j.Slug] = st
			return err
		})
	}
	if err := work.Wait(); err != nil {
		return err
	}
	return s.library(states)
}

// goingOut is a rig on an open job that is not over.
type goingOut struct {
	job preset.Job
	pin preset.Pin
}

// nextPins are the next jobs of all rigs, by fingerprint.
func (k pagesRun) nextPins(jobs []preset.Job) map[string]goingOut {
	out := map[string]goingOut{}
	for _, j := range jobs {
		if j.State != "open" || !reviewRun(k).notOver(j) {
			continue
		}
		mine := map[string]bool{}
		for _, p := range j.Pins {
			if was, ok := out[p.Rig]; !mine[p.Rig] && (!ok || j.From.Before(was.job.From)) {
				out[p.Rig] = goingOut{j, p}
			}
			mine[p.Rig] = true
		}
	}
	return out
}

// nextPin is the next open job of a rig that is not over, with the pin.
func (s *site) nextPin(fp string) (preset.Job, preset.Pin, bool) {
	g, ok := s.next[fp]
	return g.job, g.pin, ok
}

func (s *site) saved(t time.Time) string {
	return schema.SayMoment(t, s.zone)
}

// rowState is how a rig of a list stands.
func rowState(r *library.RigRow) page.State {
	switch {
	case r.Fault != "":
		return page.State{V: page.Bad, Word: "unreadable"}
	case r.Proof == "":
		return page.State{V: page.Note, Word: "no tune yet"}
	case r.Proof == preset.Proved:
		return page.State{V: page.Good, Word: r.Proof}
	case r.Proof == preset.NotProved:
		return page.State{V: page.Bad, Word: r.Proof}
	}
	return page.State{V: page.Look, Word: r.Proof}
}

// listRow is a rig as its list knows it, and the next job that it goes out on.
func (s *site) listRow(r library.RigRow) (row pages.RigRow, job preset.Job, pin preset.Pin, goes bool) {
	row = pages.RigRow{Name: cmp.Or(r.Alias, r.Fingerprint), Href: s.page[r.Fingerprint], Line: cmp.Or(r.Lens, "no lens") + " on " + r.Gimbal, Unit: r.Unit(), Changed: s.saved(r.Changed)}
	row.State = rowState(&r)
	if job, pin, goes = s.nextPin(r.Fingerprint); goes {
		row.Job = page.Link{Text: job.Name, Href: pages.File("job", job.Slug)}
		row.Unit = cmp.Or(pin.Unit, row.Unit)
	}
	return row, job, pin, goes
}

// startPage is a starting tune with what it rests on; ok is false where there is none to
// offer.
func (s *site) startPage(d *library.Loaded, unit string) (p pages.Start, ok bool) {
	if _, err := s.lib.Units().UnitOf(d.Sheet, unit); err != nil {
		unit = ""
	}
	q, _, err := s.lib.Evidence().StartRequest(d.Rig, d.Sheet, d.Tune, unit, s.today)
	if err != nil {
		return p, false
	}
	res, err := start.Start(q)
	if err != nil {
		return p, false
	}
	return s.startOf(d, q, res), true
}

func (s *site) startOf(d *library.Loaded, q start.Request, res *start.Result) pages.Start {
	name := cmp.Or(d.Rig.Alias, d.Rig.ID)
	p := pages.Start{Site: s.of, Rig: page.Link{Text: name}, Line: rigview.Line(d.Rig, d.Sheet) + ", " + s.lim.kg(d.Rig.Mass()), Unit: rigview.Unit(d.Sheet), Answer: "Start at these values, then work up.", Command: "rigkeep start " + name + " --write"}
	values := map[string]page.Value{}
	for _, o := range res.Offers {
		v := page.Value{Number: "–", As: "no value offered"}
		if o.Status == start.Offered || o.Status == start.Default {
			v.Number, v.As = schema.Num(o.Value), "sheet default"
			if o.Final != nil {
				v.As = fmt.Sprintf("%s to %s expected", page.Number(o.Final.Lo), page.Number(o.Final.Hi))
			}
			if u := d.Sheet.Dials[o.Key].Unit; u != "" && strings.HasPrefix(o.Key, "filters.") {
				v.As = u + ", " + v.As
			}
		}
		values[o.Key] = v
		for _, e := range o.Evidence {
			row := pages.EvidenceRow{Axis: rigview.Title(strings.TrimPrefix(strings.TrimPrefix(o.Key, "stiffness."), "filters.")), Text: e.Text}
			if e.Value != 0 {
				row.Value = page.Dial(e.Value)
			}
			p.Evidence = append(p.Evidence, row)
		}
		for _, w := range o.Warnings {
			if w = rigview.Title(w); !slices.Contains(p.Warnings, w) {
				p.Warnings = append(p.Warnings, w)
			}
		}
	}
	for _, a := range schema.Axes {
		key := "stiffness." + a.String()
		v := values[key]
		v.Name = a.String()
		v.Number = cmp.Or(v.Number, "–")
		p.Values = append(p.Values, v)
		o, ok := res.Offer(key)
		if !ok || o.Status != start.Offered {
			continue
		}
		x := pages.StartAxis{Axis: a.String(), Unit: d.Sheet.Dials[key].Unit, J: q.Rig.J[a], Offer: o.Value, Slope: o.Slope}
		if o.Final != nil {
			x.Lo, x.Hi, x.Best = o.Final.Lo, o.Final.Hi, o.Final.Best
		}
		for _, e := range o.Evidence {
			if e.Kind == "loop" {
				x.Cap = e.Value
			}
		}
		for _, t := range q.Tunes {
			if n, ok := t.Values[key]; ok && t.OutOfDate == "" && t.Rig.J[a] > 0 {
				ref, _, _ := strings.Cut(t.Ref, "@")
				ref, _, _ = strings.Cut(ref, "/")
				x.Proved = append(x.Proved, pages.StartPoint{Name: s.aliasOf(ref), J: t.Rig.J[a], Value: n})
			}
		}
		for _, r := range q.References {
			if n, ok := r.Values[key]; ok && r.Rig.J[a] > 0 {
				x.References = append(x.References, pages.StartPoint{Name: "reference", J: r.Rig.J[a], Value: n})
			}
		}
		p.Axes = append(p.Axes, x)
	}
	for _, x := range []struct{ key, name string }{{"filters.sensing", "Sensing"}, {"filters.drive", "Drive"}} {
		if v, ok := values[x.key]; ok {
			v.Name = x.name
			p.Pair = append(p.Pair, v)
		}
	}
	return p
}

// aliasOf is what people call a rig of the list.
func (s *site) aliasOf(fp string) string { return cmp.Or(s.alias[fp], fp) }

// mostUnfit is how many drawings of rigs that do not fit a review has.
const mostUnfit = 5

// unfit are the rigs of a review whose build passes a limit of its gimbal, with what does.
func unfit(snap *review.Snapshot, href func(string) string, length func(float64) string) []diffview.Unfit {
	var out []diffview.Unfit
	for i := range snap.Subjects {
		x := &snap.Subjects[i]
		if x.Sheet == nil || len(out) == mostUnfit {
			continue
		}
		lim := preset.FitLimits(x.Sheet)
		lim.Length = length
		b, _, err := draw.Of(x.Rig, x.Sheet, x.Tune, lim)
		if err != nil || len(b.Over()) == 0 {
			continue
		}
		u := diffview.Unfit{ID: fmt.Sprintf("unfit-%d", i+1), Name: x.Name, Over: b.Over()}
		if href != nil {
			u.Href = href(x.Ref)
		}
		if u.Views, err = b.Views(u.ID + "-view"); err == nil {
			out = append(out, u)
		}
	}
	return out
}

// packedJobs is how many of the next jobs are held against each other for parts.
const packedJobs = 12

// partsTwice says which parts the next jobs want more often than the shop has them.
func (s *site) partsTwice() (out []string) {
	var done []string
	for _, j := range s.jobs {
		if j.State != "open" || j.To.Before(s.today.AddDate(0, 0, -1)) || len(done) == packedJobs {
			continue
		}
		p, err := s.lib.Jobs().Pack(j.Slug)
		if err != nil {
			continue // check says what is wrong with it
		}
		for _, t := range p.Twice {
			said := slices.ContainsFunc(done, func(slug string) bool { return strings.Contains(t.Text, "job:"+slug+" ") })
			if t.Part != "" && !said {
				out = append(out, fmt.Sprintf("%s for %s, %s", t.Part, j.Name, t.Text))
			}
		}
		done = append(done, j.Slug)
	}
	return out
}
