package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigkeep/cmd/rigkeep/serve"
	"rigkeep/diffview/card"
	"rigkeep/diffview/draw"
	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/rigview"
	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// rig writes the pages of one rig.
func (s *site) rig(r library.RigRow) error {
	row, job, _, goes := s.listRow(r)
	name := row.Name
	v := pages.Rig{Site: s.of, Name: name, Line: row.Line, Fault: r.Fault}
	words := []string{r.Fingerprint, r.Gimbal, r.Lens, strings.Join(r.Tunes, " ")}
	if goes {
		words = append(words, job.Name)
	}
	d, err := s.lib.Names().Load(r.Fingerprint, false)
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
	v.Groups = rigview.Proof(d.Rig, sheet, tune, row.Unit, s.zone)
	row.State = rigview.Overall(v.Groups)
	v.Unit = rigview.Unit(sheet)
	revs, err := s.revisions(d, r)
	if err != nil {
		return err
	}
	proved := provedValues(revs, tune)
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
	q, err := s.lib.Balance().MarkQuery(d.Rig, d.Sheet, unit)
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
	list, err := s.lib.Photos().List(library.RigRef{Fingerprint: fp, Alias: name})
	if err != nil {
		return nil
	}
	slices.Reverse(list)
	var out []card.Photo
	for _, p := range list[:min(most, len(list))] {
		data, err := s.lib.Store.Work().Read(p.Path)
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
