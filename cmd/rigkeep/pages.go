package main

import (
	"bytes"
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

	"rigkeep/cmd/rigkeep/serve"
	"rigkeep/diffview"
	"rigkeep/diffview/card"
	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/rigview"
	"rigkeep/diffview/safe"
	"rigkeep/diffview/svg"
	"rigkeep/preset"
	"rigkeep/preset/fit"
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
	n, size, err := k.writeSite(dir)
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
func (k *invocation) writeSite(dir string) (n, size int, err error) {
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

func (k *invocation) newSite(put func(string, []byte) error) (*site, error) {
	listed, err := k.rigRows()
	if err != nil {
		return nil, err
	}
	rows := make([]library.RigRow, len(listed))
	for i, r := range listed {
		rows[i] = *r
	}
	s := &site{invocation: k, put: put, rows: rows, page: map[string]string{}, alias: map[string]string{}, today: k.Now(), zone: k.Now().Location(), lim: k.units(), listed: map[string]pages.RigRow{}, words: map[string]string{}}
	s.of = k.siteOf()
	for _, r := range rows {
		s.alias[r.Fingerprint] = cmp.Or(r.Alias, r.Fingerprint)
		f := pages.File("rig", s.alias[r.Fingerprint])
		s.page[r.Fingerprint] = f
		if r.Alias != "" {
			s.page[r.Alias] = f
		}
	}
	slugs, err := k.lib.Jobs()
	if err != nil {
		return nil, err
	}
	for _, slug := range slugs {
		if j, err := k.lib.Job("", slug); err == nil { // what is wrong with a job, check says
			s.jobs = append(s.jobs, j)
		}
	}
	s.next = k.nextPins(s.jobs)
	if s.units, _, err = k.lib.AllUnits(); err != nil {
		return nil, err
	}
	return s, nil
}

// siteOf is what all pages of the library share.
func (k *invocation) siteOf() pages.Site {
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
	b := s.bar("pages", int64(len(s.rows)))
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
func (k *invocation) nextPins(jobs []preset.Job) map[string]goingOut {
	out := map[string]goingOut{}
	for _, j := range jobs {
		if j.State != "open" || !k.notOver(j) {
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
	if t.IsZero() {
		return ""
	}
	return t.In(s.zone).Format("2 January 2006, 15:04")
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

// rig writes the pages of one rig.
func (s *site) rig(r library.RigRow) error {
	row, job, _, goes := s.listRow(r)
	name := row.Name
	v := pages.Rig{Site: s.of, Name: name, Line: row.Line, Fault: r.Fault}
	words := []string{r.Fingerprint, r.Gimbal, r.Lens, strings.Join(r.Tunes, " ")}
	if goes {
		words = append(words, job.Name)
	}
	d, err := s.lib.Load(r.Fingerprint, false)
	if err != nil {
		v.Fault = cmp.Or(v.Fault, err.Error())
		row.State = page.State{V: page.Bad, Word: "unreadable"}
	} else {
		if err := s.fillRig(&v, &row, d, r, job, goes); err != nil {
			return err
		}
		words = append(words, d.Rig.Note)
		for _, p := range d.Rig.Parts {
			words = append(words, p.Name, p.Note)
		}
		if d.Tune != nil {
			words = append(words, d.Tune.Note)
		}
	}
	s.mu.Lock()
	s.listed[r.Fingerprint] = row
	s.words[r.Fingerprint] = strings.Join(words, " ")
	s.mu.Unlock()
	if !s.wants(row.Href) {
		return nil
	}
	if s.of.Live {
		v.Acts = serve.Acts(name)
	}
	data, err := v.Bytes()
	if err != nil {
		return err
	}
	return s.put(row.Href, data)
}

// historyShown is how many revisions a rig's page has.
const historyShown = 12

func (s *site) fillRig(v *pages.Rig, row *pages.RigRow, d *library.Loaded, r library.RigRow, job preset.Job, goes bool) error {
	sheet, tune := d.Sheet, d.Tune
	v.Line = rigview.Line(d.Rig, sheet)
	row.Line = v.Line
	v.Groups = rigview.Proof(d.Rig, sheet, tune, row.Unit)
	row.State = rigview.Overall(v.Groups)
	v.Unit = rigview.Unit(sheet)
	revs, err := s.revisions(d, r)
	if err != nil {
		return err
	}
	var proved map[string]any
	if tune != nil && tune.Proof != nil {
		for _, x := range revs {
			if x.tune != nil && x.tune.GroupDigest(preset.GroupHold) == tune.Proof.Digest {
				proved = x.tune.Values
				break
			}
		}
	}
	v.Values, v.Pair = rigview.Stiffness(sheet, tune, proved), rigview.FiltersAndLimits(sheet, tune, proved)
	if tune != nil {
		v.Styles, v.Other = rigview.StylesOf(sheet, tune, v.Groups), rigview.Other(s.cat, tune)
	}
	lim := preset.FitLimits(sheet)
	lim.Length, lim.Mass = s.lim.drawn(), s.lim.kg
	b, rep, err := draw.Of(d.Rig, sheet, tune, lim)
	mass := ""
	if err != nil {
		v.Clearances = []string{err.Error()}
	} else {
		v.Frame = s.frame(&b, d, job, goes)
		drawMarks(&b, s.marks(d, row.Unit))
		v.Views, _ = b.Views("view") // a build of points has no size
		v.Moves, v.Over = b.Words(), b.Over()
		v.Fits = fitState(rep.Grade)
		mass = s.lim.kg(rep.Properties.Mass)
		for _, it := range append(slices.Clone(rep.Payload), rep.Balanced...) {
			v.Clearances = append(v.Clearances, it.Words)
		}
	}
	for _, p := range d.Rig.Parts {
		x := pages.Part{Name: cmp.Or(p.Name, p.Slot), Slot: p.Slot, Mass: s.lim.kg(p.Mass)}
		if !p.PlaceUnknown {
			x.Place = strings.Join([]string{s.lim.m(p.Place[0]), s.lim.m(p.Place[1]), s.lim.m(p.Place[2])}, ", ")
		}
		v.Parts = append(v.Parts, x)
	}
	v.PartsSum = schema.Count(len(v.Parts), "part", "parts")
	if sheet.PayloadMax > 0 && mass != "" {
		v.PartsSum += fmt.Sprintf(", %s of %s", mass, s.lim.kg(sheet.PayloadMax))
	}
	marks := s.marks(d, row.Unit)
	for _, m := range marks {
		v.Marks = append(v.Marks, pages.Mark{Name: m.Name, Set: m.Value, Range: m.Range, Now: m.now, Move: m.move})
	}
	if len(marks) > 0 {
		v.MarksFrom = marks[0].from
	}
	v.Facts = []page.Fact{{Term: "Goes out on", Text: cmp.Or(row.Unit, "–")}, {Term: "Next job", Text: cmp.Or(row.Job.Text, "–"), Href: row.Job.Href},
		{Term: "Build", Text: cmp.Or(mass, "–")}, {Term: "Saved", Text: cmp.Or(row.Changed, "–")}}
	v.Photos = s.photos(r.Fingerprint, calledRig(d), photosShown)
	if d.Rig.Note != "" {
		v.Notes = append(v.Notes, d.Rig.Note)
	}
	if tune != nil && tune.Note != "" {
		v.Notes = append(v.Notes, tune.Note)
	}
	for _, t := range r.Tunes {
		if t != d.Ref.Tune {
			v.Tunes = append(v.Tunes, page.Link{Text: t})
		}
	}
	s.todo(v, d, row.Unit)
	s.history(v, row, d, revs, r)
	return s.beside(v, row, d, revs, r)
}

// shownMark is a mark to set, with how far that is from where the scale stood last on
// the unit.
type shownMark struct {
	card.Mark
	now, move, from string
	axis            int
	by              float64 // m along that axis, 0 where it is not known
}

// marks are the marks to set for a rig on a unit: found ones, else predicted; none where
// nothing is known.
func (s *site) marks(d *library.Loaded, unit string) []shownMark {
	q, err := s.lib.MarkQuery(d.Rig, d.Sheet, unit)
	if err != nil || len(q.Sheet.Adjustments) == 0 {
		return nil
	}
	answers, err := preset.Marks(q)
	if err != nil {
		return nil // fit says why
	}
	last := map[string]float64{}
	var at time.Time
	for _, r := range q.Records {
		if unit != "" && r.Unit == unit && r.Began.After(at) {
			at = r.Began
			clear(last)
			for _, m := range r.Marks {
				if m.Mark != nil {
					last[m.Name] = *m.Mark
				}
			}
		}
	}
	var out []shownMark
	for _, a := range answers {
		mark, found, ok := a.Expected()
		if !ok {
			continue
		}
		m := shownMark{Mark: card.Mark{Name: a.Adjustment.Name, Value: wholeMM(mark) + " mm"}, axis: a.Adjustment.Moves}
		switch {
		case found:
			m.from = "found at a balance of this rig"
			if !a.Unit {
				m.Range = "found on " + cmp.Or(a.In.Unit, "another unit")
			}
		case a.Mark != nil:
			m.from = "predicted from " + schema.Count(a.Mark.N, "balance record", "balance records") + " of this gimbal"
			m.Range = "± " + wholeMM((a.Hi-a.Lo)/2) + " mm"
		}
		if now, ok := last[a.Adjustment.Name]; ok {
			m.now = wholeMM(now) + " mm"
			m.by = (mark - now) * float64(a.Adjustment.Direction)
			if by := draw.Way(m.axis, m.by, s.lim.drawn()); by != "" {
				m.move = by
			} else {
				m.move, m.by = "stays", 0
			}
		}
		out = append(out, m)
	}
	return out
}

// drawMarks puts the marks to set into a drawing.
func drawMarks(b *draw.Build, marks []shownMark) {
	for _, m := range marks {
		b.Marks = append(b.Marks, draw.Mark{Axis: m.axis, Text: m.Name + " " + m.Value, By: m.by})
	}
}

// cardMarks are the marks for a card and for its drawing.
func (s *site) cardMarks(d *library.Loaded, unit string) (out []card.Mark, drawn []draw.Mark) {
	var b draw.Build
	marks := s.marks(d, unit)
	drawMarks(&b, marks)
	for _, m := range marks {
		out = append(out, m.Mark)
	}
	return out, b.Marks
}

// drawn writes lengths on drawings: whole millimetres, as one slides a plate, or the
// library's other unit.
func (u units) drawn() func(float64) string {
	if u.length == "mm" {
		return nil
	}
	return u.m
}

// photosShown is how many photos a rig's page has; the first stands on its card.
const photosShown = 4

// photos are the newest photos of a rig, as they stand in a page. One that cannot be read
// is left out: check says what is wrong with it.
func (s *site) photos(fp, name string, most int) []card.Photo {
	list, err := s.lib.Photos(library.RigRef{Fingerprint: fp, Alias: name})
	if err != nil {
		return nil
	}
	slices.Reverse(list)
	var out []card.Photo
	for _, p := range list[:min(most, len(list))] {
		data, err := s.lib.Store.Read(p.Path)
		if err != nil {
			continue
		}
		if url, err := card.PhotoURL(data); err == nil {
			out = append(out, card.Photo{Alt: name + ", " + p.Name, Data: url})
		}
	}
	return out
}

// calledRig is what people call a rig.
func calledRig(d *library.Loaded) string { return cmp.Or(d.Rig.Alias, d.Rig.ID) }

// todo is what to do next with a rig.
func (s *site) todo(v *pages.Rig, d *library.Loaded, unit string) {
	name := cmp.Or(d.Rig.Alias, d.Rig.ID)
	switch {
	case d.Tune == nil:
		v.Todo, v.Command = "No tune yet. Start one.", "rigkeep start "+name+" --write"
	case v.Groups[0].State.V != page.Good:
		v.Todo, v.Command = "Test it handheld, then record the proof.", "rigkeep prove "+name
		if unit != "" {
			v.Command += " --unit " + shellWord(unit)
		}
		v.Command += " --place hand"
	}
}

func fitState(g fit.Grade) page.State {
	switch g {
	case fit.Fits:
		return page.State{V: page.Good, Word: "fits"}
	case fit.Tight:
		return page.State{V: page.Look, Word: "fits, tight"}
	case fit.Over:
		return page.State{V: page.Bad, Word: "does not fit"}
	}
	return page.State{V: page.Note, Word: "the sheet does not say what fits"}
}

// frame says what of the gimbal comes into frame with the widest lens of the next job,
// and marks it in the drawing.
func (s *site) frame(b *draw.Build, d *library.Loaded, job preset.Job, goes bool) string {
	if !goes || job.Widest <= 0 || job.Sensor[0] <= 0 {
		return ""
	}
	x, err := preset.See(d.Sheet, d.Rig, d.Tune, preset.Lens{Focal: job.Widest / 1000, Width: job.Sensor[0] / 1000, Height: job.Sensor[1] / 1000, Squeeze: max(job.Squeeze, 1)})
	if err != nil || x.Limits == nil {
		return ""
	}
	l := x.Limits
	if l.UpBy != "" {
		b.Frame[0] = draw.Reach{Deg: l.Up, What: l.UpBy}
	}
	if l.DownBy != "" {
		b.Frame[1] = draw.Reach{Deg: l.Down, What: l.DownBy}
	}
	said := fmt.Sprintf("Through %s mm, the widest lens of %s: ", schema.Num(job.Widest), job.Name)
	switch {
	case l.UpBy == "" && l.DownBy == "":
		return said + "nothing of the gimbal is in view."
	case l.UpBy == "":
		return said + fmt.Sprintf("%s in frame from %.0f° down.", l.DownBy, l.Down)
	case l.DownBy == "":
		return said + fmt.Sprintf("%s in frame from %.0f° up.", l.UpBy, l.Up)
	}
	return said + fmt.Sprintf("%s in frame from %.0f° up, %s from %.0f° down.", l.UpBy, l.Up, l.DownBy, l.Down)
}

// revision is one revision of a tune with its values, nil where it was taken away then or
// cannot be read.
type revision struct {
	library.Revision
	tune *preset.Tune
}

// revisions are the newest of a rig's usual tune.
func (s *site) revisions(d *library.Loaded, r library.RigRow) ([]revision, error) {
	if d.Tune == nil {
		return nil, nil
	}
	rr := library.RigRef{Fingerprint: r.Fingerprint, Alias: r.Alias, Gimbal: r.Gimbal, Was: d.Rig.Was}
	list, err := s.lib.History(rr, d.Ref.Tune, historyShown)
	if err != nil {
		return nil, err
	}
	var out []revision
	for _, h := range list {
		x := revision{Revision: h}
		if h.Blob != "" {
			if data, err := s.lib.Store.ReadBlob(h.Blob); err == nil {
				if doc, err := s.lib.Parse(h.Path, data, nil); err == nil {
					t := preset.DecodeTune(s.cat, doc.Tree())
					x.tune = &t
				}
			}
		}
		out = append(out, x)
	}
	return out, nil
}

// history is the revisions with what differs from now, and the stiffnesses over time.
func (s *site) history(v *pages.Rig, row *pages.RigRow, d *library.Loaded, revs []revision, r library.RigRow) {
	if len(revs) == 0 {
		return
	}
	row.Why = revs[0].Subject
	v.Labels = map[string]string{}
	seen := map[string]bool{}
	now := diffview.Side{Label: "now", Sheet: d.Sheet, Tune: d.Tune}
	for i, h := range revs {
		x := pages.Revision{ID: string(h.ID), When: s.saved(h.When), Who: h.Author.Name, Why: h.Subject, Values: map[string]string{}}
		if slug := h.Job(); slug != "" {
			x.Job.Text = slug
			for _, j := range s.jobs {
				if j.Slug == slug {
					x.Job = page.Link{Text: j.Name, Href: pages.File("job", j.Slug)}
				}
			}
		}
		if h.tune != nil {
			for key, val := range h.tune.Values {
				x.Values[key], seen[key] = rigview.Number(val), true
			}
			if i > 0 {
				x.Since = reportWords(diffview.Compare(s.cat, diffview.Side{Label: "then", Sheet: d.Sheet, Tune: h.tune}, now))
			}
		}
		v.History = append(v.History, x)
	}
	styles := map[string]bool{}
	for _, h := range revs {
		if h.tune != nil {
			for _, st := range h.tune.Styles() {
				styles[st] = true
			}
		}
	}
	for _, key := range s.cat.Expand(sortedKeys(styles)) {
		if seen[key] {
			v.Keys = append(v.Keys, key)
			if p, ok := s.cat.Param(key); ok {
				v.Labels[key] = p.Label(key)
			}
		}
	}
	v.Charts = s.overTime(d, revs, r)
}

// overTime are the stiffnesses as steps on a true time axis, with what is proved, the
// onsets and the jobs. All three have one axis, from zero, so that a small change looks
// small.
func (s *site) overTime(d *library.Loaded, revs []revision, r library.RigRow) []page.Figure {
	days := func(t time.Time) float64 { return float64(t.Unix()) / 86400 }
	first, now := days(revs[len(revs)-1].When), days(s.today)
	if !(now > first) {
		now = first + 1
	}
	pad := (now - first) * 0.04
	x0, x1, top, zero := first-pad, now+pad, 0.0, 0.0
	for _, h := range revs {
		if h.tune != nil {
			for _, a := range schema.Axes {
				if n, ok := h.tune.Stiffness(a); ok {
					top = max(top, n)
				}
				if p := h.tune.Proof; p != nil {
					top = max(top, p.Onset[a])
				}
			}
		}
	}
	top *= 1.15
	var zones []svg.Zone
	for _, j := range s.jobs {
		if slices.ContainsFunc(j.Pins, func(p preset.Pin) bool { return p.Rig == r.Fingerprint }) && days(j.To)+1 > x0 && days(j.From) < x1 {
			zones = append(zones, svg.Zone{From: max(days(j.From), x0), To: min(days(j.To)+1, x1), Name: j.Name})
		}
	}
	slices.SortFunc(zones, func(a, b svg.Zone) int { return cmp.Compare(a.From, b.From) })
	var out []page.Figure
	for _, a := range schema.Axes {
		c := svg.Chart{Title: rigview.Title(a.String()), YLabel: "dial number", XLabel: "", XMin: &x0, XMax: &x1, YMin: &zero, YMax: &top, Zones: zones}
		if u := d.Sheet.Dials["stiffness."+a.String()].Unit; u != "" {
			c.YLabel = u
		}
		line := svg.Series{Name: a.String(), Step: true, Look: svg.After, Dots: true}
		proofs := map[time.Time]bool{}
		for i := len(revs) - 1; i >= 0; i-- {
			h := revs[i]
			if h.tune == nil {
				continue
			}
			n, ok := h.tune.Stiffness(a)
			if !ok {
				continue
			}
			line.X, line.Y = append(line.X, days(h.When)), append(line.Y, n)
			if p := h.tune.Proof; p != nil && !p.At.IsZero() && !proofs[p.At] && p.Digest == h.tune.GroupDigest(preset.GroupHold) {
				proofs[p.At] = true
				c.Points = append(c.Points, svg.Point{X: min(max(days(p.At), x0), x1), Y: n, Name: "proved " + schema.Num(n), Kind: "proved"})
				if on, ok := p.Onset[a]; ok {
					c.Points = append(c.Points, svg.Point{X: min(max(days(p.At), x0), x1), Y: on, Name: "onset " + schema.Num(on) + ", " + p.Unit, Kind: "onset"})
				}
			}
		}
		if len(line.X) == 0 {
			continue
		}
		c.Desc = fmt.Sprintf("Now %s.", schema.Num(line.Y[len(line.Y)-1]))
		if line.Y[0] != line.Y[len(line.Y)-1] {
			c.Desc = fmt.Sprintf("From %s to %s.", schema.Num(line.Y[0]), schema.Num(line.Y[len(line.Y)-1]))
		}
		line.X, line.Y = append(line.X, now), append(line.Y, line.Y[len(line.Y)-1])
		c.Series = []svg.Series{line}
		for k := range 3 {
			at := first + (now-first)*float64(k)/2
			c.Ticks = append(c.Ticks, svg.Tick{At: at, Name: time.Unix(int64(at*86400), 0).In(s.zone).Format("2 Jan 06")})
		}
		out = append(out, page.Figure{ID: "over-" + a.String(), Chart: c})
	}
	return out
}

// beside writes the pages that go with a rig's: its card, its last change, its start.
func (s *site) beside(v *pages.Rig, row *pages.RigRow, d *library.Loaded, revs []revision, r library.RigRow) error {
	name := cmp.Or(r.Alias, r.Fingerprint)
	up := s.of.Up(page.Link{Text: name, Href: row.Href})
	other := func(kind, text string) bool { // a page that is not asked for has a link all the same
		f := pages.File(kind, name)
		if s.wants(f) {
			return false
		}
		v.Links = append(v.Links, page.Link{Text: text, Href: f})
		return true
	}
	if len(v.Parts) > 0 && !other("card", "Card") {
		c := card.Card{Revision: s.of.Revision, When: s.today, Tool: tool(), Library: s.of.Library, Zone: s.zone, Length: s.lim.drawn(), Folder: s.of.Folder}
		x := card.Rig{Rig: d.Rig, Sheet: d.Sheet, Unit: row.Unit, Href: row.Href}
		x.Marks, x.Move = s.cardMarks(d, row.Unit)
		x.Photos = v.Photos[:min(1, len(v.Photos))]
		for _, j := range s.jobs {
			if slices.ContainsFunc(j.Pins, func(p preset.Pin) bool { return p.Rig == r.Fingerprint }) {
				x.Jobs = append(x.Jobs, j)
			}
		}
		if d.Tune != nil {
			x.Tunes = []card.Tune{{Name: d.Ref.Tune, Tune: *d.Tune}}
		}
		c.Rigs = []card.Rig{x}
		var b bytes.Buffer
		if err := card.Write(&b, s.cat, c); err == nil { // a build that cannot be computed has no card
			f := pages.File("card", name)
			if err := s.put(f, b.Bytes()); err != nil {
				return err
			}
			v.Links = append(v.Links, page.Link{Text: "Card", Href: f})
		}
	}
	if len(revs) > 1 && revs[1].tune != nil && !other("compare", "Last change") {
		before, err := s.lib.Load(name+"@"+string(revs[1].ID), true)
		if err == nil {
			a, b := s.side(before), s.side(d)
			rep := diffview.Compare(s.cat, a, b)
			rep.Behaviour = diffview.Behave(s.cat, a, b, diffview.Conditions{})
			var buf bytes.Buffer
			if err := diffview.WriteHTML(&buf, rep, diffview.Options{Place: diffview.Place{Library: s.of.Library, Up: up, Folder: s.of.Folder}}, s.of.Foot()); err != nil {
				return err
			}
			f := pages.File("compare", name)
			if err := s.put(f, buf.Bytes()); err != nil {
				return err
			}
			v.Links = append(v.Links, page.Link{Text: "Last change", Href: f})
		}
	}
	if (d.Tune == nil || v.Groups[0].State.V != page.Good) && !other("start", "Starting tune") {
		p, ok := s.startPage(d, row.Unit)
		if ok {
			p.Rig.Href = row.Href
			data, err := p.Bytes()
			if err != nil {
				return err
			}
			f := pages.File("start", name)
			if err := s.put(f, data); err != nil {
				return err
			}
			v.Links = append(v.Links, page.Link{Text: "Starting tune", Href: f})
		}
	}
	return nil
}

// startPage is a starting tune with what it rests on; ok is false where there is none to
// offer.
func (s *site) startPage(d *library.Loaded, unit string) (p pages.Start, ok bool) {
	if _, err := s.lib.UnitOf(d.Sheet, unit); err != nil {
		unit = ""
	}
	q, _, err := s.lib.StartRequest(d.Rig, d.Sheet, d.Tune, unit, s.today)
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

// job writes the page of a job and gives how it stands.
func (s *site) job(j preset.Job) (page.State, error) {
	v := pages.Job{Site: s.of, Name: j.Name, Note: j.Note, Sub: pages.JobRow{From: j.From, To: j.To}.Days()}
	state := page.State{}
	rev := diffview.Review{Format: 1, Of: j.Slug, Job: j.Slug, Name: j.Name, From: review.Day(j.From), To: review.Day(j.To), At: s.today, Subject: []string{}, Href: s.href}
	if j.State == "open" {
		snap, err := s.lib.Review(library.ReviewRequest{Job: j.Slug, Now: s.today})
		if err != nil {
			v.Note = strings.TrimSpace(v.Note + "\nThe review failed: " + err.Error())
		} else {
			rev.Result = review.Review(*snap)
			rev.Counts = diffview.Tallied(rev.Result)
			rev.Unfit = unfit(snap, s.href, s.lim.drawn())
			for i := range snap.Subjects {
				x := &snap.Subjects[i]
				rev.Subject = append(rev.Subject, x.Name)
				g := diffview.GoesOut{Name: x.Name, Href: s.href(x.Ref), Unit: x.Unit}
				for a, val := range rigview.Stiffness(x.Sheet, x.Tune, nil) {
					g.Values[a] = val.Number
				}
				g.State = rigview.Overall(rigview.Proof(x.Rig, x.Sheet, x.Tune, x.Unit))
				rev.Goes = append(rev.Goes, g)
				v.Cases = append(v.Cases, s.packed(x.Name, x.Rig, x.Sheet, x.Unit))
			}
			v.Reviewed = true
		}
		state = page.State{V: page.Good, Word: "nothing to fix"}
		switch c := rev.Counts; {
		case c.Fix > 0:
			state = page.State{V: page.Bad, Word: fmt.Sprintf("%d must fix", c.Fix)}
		case c.Check > 0:
			state = page.State{V: page.Look, Word: fmt.Sprintf("%d to check", c.Check)}
		}
		v.Command = "rigkeep review " + j.Slug
	}
	v.Review = rev.ForPage()
	if !v.Reviewed {
		v.Review.Answer = "Closed"
		if j.State == "open" {
			v.Review.Answer = "Not reviewed"
		}
		for _, p := range j.Pins {
			v.Review.Goes = append(v.Review.Goes, diffview.GoesOut{Name: s.aliasOf(p.Rig) + tuneSuffix(p.Tune), Href: s.href(p.Rig), Unit: p.Unit, Values: [3]string{"–", "–", "–"}})
		}
	}
	twice(v.Cases)
	if j.DriftPct > 0 {
		v.Drift = fmt.Sprintf("drift up to %s %% of frame", schema.Num(j.DriftPct))
	}
	for _, x := range j.Shots {
		shot := pages.Shot{Name: cmp.Or(x.Name, x.Kind), Style: cmp.Or(x.Style, "no style yet"), Rig: x.Rig}
		if x.LensMM > 0 {
			shot.Lens = schema.Num(x.LensMM) + " mm"
		}
		v.Shots = append(v.Shots, shot)
	}
	for _, c := range j.Crew {
		v.Crew = append(v.Crew, page.Fact{Term: c.Role, Text: cmp.Or(c.Name, "–")})
	}
	data, err := v.Bytes()
	if err != nil {
		return state, err
	}
	return state, s.put(pages.File("job", j.Slug), data)
}

func tuneSuffix(tune string) string {
	if tune == "" || tune == preset.MainTune {
		return ""
	}
	return "/" + tune
}

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

// packed is what goes into a case for one rig.
func (s *site) packed(name string, r preset.Rig, sheet *schema.Sheet, unit string) pages.Case {
	c := pages.Case{Title: name}
	if sheet != nil {
		c.Things = append(c.Things, pages.Packed{Name: sheet.Name + ", unit " + cmp.Or(unit, "not chosen")})
	}
	for _, p := range r.Parts {
		c.Things = append(c.Things, pages.Packed{Name: cmp.Or(p.Name, p.Slot)})
	}
	return c
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
		p, err := s.lib.Pack(j.Slug)
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

// twice marks what several cases hold; the shop may have more than one of it.
func twice(cs []pages.Case) {
	n := map[string]int{}
	for _, c := range cs {
		for _, t := range c.Things {
			n[t.Name]++
		}
	}
	for i := range cs {
		for k := range cs[i].Things {
			cs[i].Things[k].Twice = n[cs[i].Things[k].Name] > 1
		}
	}
}

// rigsShown is how many rigs one page of the library lists.
const rigsShown = 200

// library writes the library's page, and further ones for a long list of rigs.
func (s *site) library(states map[string]page.State) error {
	var rows []pages.RigRow
	for _, r := range s.rows {
		rows = append(rows, s.listed[r.Fingerprint])
	}
	// what goes out next stands first, then what is not proved
	rank := map[page.Verdict]int{page.Bad: 0, page.Look: 1, page.Note: 2, page.Good: 3}
	when := map[string]string{}
	for _, j := range s.jobs {
		when[pages.File("job", j.Slug)] = j.From.Format("2006-01-02")
	}
	slices.SortStableFunc(rows, func(a, b pages.RigRow) int {
		ja, jb := cmp.Or(when[a.Job.Href], "9"), cmp.Or(when[b.Job.Href], "9")
		return cmp.Or(cmp.Compare(ja, jb), cmp.Compare(rank[a.State.V], rank[b.State.V]), cmp.Compare(a.Name, b.Name))
	})
	l := pages.Library{Site: s.of, Today: s.today, Part: 1}
	proved := 0
	gimbals := map[string]bool{}
	for _, r := range s.rows {
		gimbals[r.Gimbal] = true
		e := pages.Entry{cmp.Or(r.Alias, r.Fingerprint), s.page[r.Fingerprint], "rig", s.words[r.Fingerprint]}
		if s.listed[r.Fingerprint].State.V == page.Good {
			proved++
		}
		l.Index = append(l.Index, e)
	}
	for _, j := range s.jobs {
		row := pages.JobRow{Name: j.Name, Href: pages.File("job", j.Slug), From: j.From, To: j.To, Open: j.State == "open", Rigs: len(j.Pins), State: states[j.Slug]}
		words := []string{j.Slug, j.Note}
		for _, p := range j.Pins {
			if p.Unit != "" && !slices.Contains(row.Units, p.Unit) {
				row.Units = append(row.Units, p.Unit)
			}
			words = append(words, s.aliasOf(p.Rig))
		}
		for _, x := range j.Shots {
			words = append(words, x.Name, x.Kind)
		}
		for _, c := range j.Crew {
			words = append(words, c.Role)
		}
		l.Jobs = append(l.Jobs, row)
		l.Index = append(l.Index, pages.Entry{j.Name, row.Href, "job", strings.Join(words, " ")})
	}
	for _, u := range s.units {
		l.Units = append(l.Units, s.unitRow(u))
		l.Index = append(l.Index, pages.Entry{u.Serial, pages.Home + "#units", "unit", u.Label + " " + u.Gimbal + " " + u.Note + " " + u.Trouble})
	}
	l.Twice = pages.WantedTwice(l.Jobs)
	if s.wants(listFile(0)) {
		l.Twice = append(l.Twice, s.partsTwice()...)
	}
	l.Sub = strings.Join([]string{schema.Count(len(rows), "rig", "rigs"), schema.Count(len(gimbals), "gimbal", "gimbals"), schema.Count(len(s.units), "unit", "units"), schema.Count(len(s.jobs), "job", "jobs")}, ", ")
	l.Answer = fmt.Sprintf("%d of %s proved.", proved, schema.Count(len(rows), "rig", "rigs"))
	if len(rows) == 0 {
		l.Answer = "No rig yet."
	}
	for _, j := range l.Open() {
		if j.To.Before(s.today.AddDate(0, 0, -1)) {
			continue
		}
		l.Answer += fmt.Sprintf(" %s %s,", j.Name, s.starts(j.From))
		l.Next = page.Link{Text: cmp.Or(j.State.Word, "open it") + ".", Href: j.Href}
		break
	}
	if s.of.Live {
		l.Index = nil // the server searches
	}
	for part := 0; part == 0 || part*rigsShown < len(rows); part++ {
		if !s.wants(listFile(part)) {
			continue
		}
		one := l
		one.Part = part + 1
		one.Rigs = rows[part*rigsShown : min((part+1)*rigsShown, len(rows))]
		one.Counts = countsOf(one.Rigs)
		if len(rows) > rigsShown {
			for i := 0; i*rigsShown < len(rows); i++ {
				link := page.Link{Text: fmt.Sprintf("rigs %d to %d", i*rigsShown+1, min((i+1)*rigsShown, len(rows)))}
				if i != part {
					link.Href = listFile(i)
				}
				one.Parts = append(one.Parts, link)
			}
		}
		if part > 0 {
			one.Units, one.Jobs, one.Index, one.Twice = nil, nil, nil, nil
			one.Answer, one.Next = one.Parts[part].Text, page.Link{}
		}
		data, err := one.Bytes()
		if err != nil {
			return err
		}
		if err := s.put(listFile(part), data); err != nil {
			return err
		}
	}
	return nil
}

func listFile(part int) string {
	if part == 0 {
		return pages.Home
	}
	return fmt.Sprintf("rigs-%d.html", part+1)
}

func countsOf(rows []pages.RigRow) []pages.Count {
	var out []pages.Count
	for _, x := range []struct {
		v    page.Verdict
		word string
	}{{page.Bad, "not proved"}, {page.Look, "to check"}, {page.Note, "no tune yet"}, {page.Good, "proved"}} {
		n := 0
		for _, r := range rows {
			if r.State.V == x.v {
				n++
			}
		}
		if n > 0 {
			out = append(out, pages.Count{V: x.v, N: n, Word: x.word})
		}
	}
	return out
}

// starts says when something begins, from today.
func (s *site) starts(from time.Time) string {
	d := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	switch n := int(d(from).Sub(d(s.today)).Hours() / 24); {
	case n < 0:
		return "has begun"
	case n == 0:
		return "starts today"
	case n == 1:
		return "starts tomorrow"
	default:
		return "starts in " + schema.Count(n, "day", "days")
	}
}

// unitRow is a unit with what it holds, held against what lies in the library.
func (s *site) unitRow(u library.UnitRef) pages.UnitRow {
	row := pages.UnitRow{Serial: u.Serial, Label: u.Label, Gimbal: u.Gimbal, Note: cmp.Or(u.Trouble, u.Note), State: page.State{V: page.Note, Word: "no load on record"}}
	if u.Firmware != "" {
		row.Gimbal += ", firmware " + u.Firmware
	}
	m := u.Memory()
	if len(m) == 0 {
		return row
	}
	h := m[0]
	row.Holds = page.Link{Text: s.aliasOf(h.Rig), Href: s.href(h.Rig)}
	if len(m) > 1 {
		row.Holds.Text += fmt.Sprintf(" and %d more", len(m)-1)
	}
	if h.Rig == "" {
		row.Holds, row.State.Word = page.Link{Text: h.Says()}, "read from the unit"
		if len(h.Values) == 0 {
			row.State.Word = "as a handover said"
		}
		return row
	}
	d, err := s.lib.Load(h.Rig+"/"+cmp.Or(h.Tune, preset.MainTune), false)
	if err != nil || d.Tune == nil {
		row.State = page.State{V: page.Look, Word: "its tune is not in the library"}
		return row
	}
	if differ := review.ChangedKeys(h.Values, d.Tune.Values); len(differ) > 0 {
		row.State = page.State{V: page.Look, Word: "differs from the library: " + schema.Count(len(differ), "value", "values")}
	} else {
		row.State = page.State{V: page.Good, Word: "as in the library"}
	}
	if u.Trouble != "" {
		row.State = page.State{V: page.Look, Word: "has a fault"}
	}
	return row
}
