package main

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"rigkeep/diffview"
	"rigkeep/diffview/card"
	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/rigview"
	"rigkeep/diffview/svg"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

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
	list, err := s.lib.Past().History(rr, d.Ref.Tune, historyShown)
	if err != nil {
		return nil, err
	}
	var out []revision
	for _, h := range list {
		out = append(out, revision{Revision: h, tune: s.lib.Past().Tune(h)})
	}
	return out, nil
}

// provedValues are the values that a tune's proof is of, as they were saved; nil where they are not among its revisions.
func provedValues(revs []revision, tune *preset.Tune) map[string]any {
	if tune == nil || tune.Proof == nil {
		return nil
	}
	for _, x := range revs {
		if x.tune != nil && tune.Proof.IsOf(*x.tune, preset.GroupHold) {
			return x.tune.Values
		}
	}
	return nil
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
				x.Since = reportWords(diffview.Compare(s.cat, diffview.Side{Label: "then", Sheet: d.Sheet, Tune: h.tune}, now), s.zone)
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
	for _, key := range s.cat.Expand(slices.Sorted(maps.Keys(styles))) {
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
			if p := h.tune.Proof; p != nil && !p.At.IsZero() && !proofs[p.At] && p.IsOf(*h.tune, preset.GroupHold) {
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
			c.Ticks = append(c.Ticks, svg.Tick{At: at, Name: schema.SayDay(time.Unix(int64(at*86400), 0), s.zone)})
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
		before, err := s.lib.Names().Load(name+"@"+string(revs[1].ID), true)
		if err == nil {
			a, b := compareRun{s.invocation}.side(before), compareRun{s.invocation}.side(d)
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
