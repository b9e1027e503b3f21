package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigkeep/diffview"
	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/rigview"
	"rigkeep/preset"
	"rigkeep/preset/review"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// job writes the page of a job and gives how it stands.
func (s *site) job(j preset.Job) (page.State, error) {
	v := pages.Job{Site: s.of, Name: j.Name, Note: j.Note, Sub: pages.JobRow{From: j.From, To: j.To}.Days()}
	state := page.State{}
	rev := diffview.Review{Format: 1, Of: j.Slug, Job: j.Slug, Name: j.Name, From: schema.SayDate(j.From), To: schema.SayDate(j.To), At: s.today, Subject: []string{}, Href: s.href}
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
				g.State = rigview.Overall(rigview.Proof(x.Rig, x.Sheet, x.Tune, x.Unit, s.zone))
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
	rows := s.rigsInOrder()
	l := pages.Library{Site: s.of, Today: s.today, Sub: s.contents()}
	for _, r := range s.rows {
		l.Index = append(l.Index, pages.Entry{cmp.Or(r.Alias, r.Fingerprint), s.page[r.Fingerprint], "rig", s.words[r.Fingerprint]})
	}
	for _, j := range s.jobs {
		row := s.jobRow(j, states[j.Slug])
		l.Jobs = append(l.Jobs, row)
		l.Index = append(l.Index, pages.Entry{j.Name, row.Href, "job", s.jobWords(j)})
	}
	for _, u := range s.units {
		l.Units = append(l.Units, s.unitRow(u))
		l.Index = append(l.Index, pages.Entry{u.Serial, pages.Home + "#units", "unit", u.Label + " " + u.Gimbal + " " + u.Note + " " + u.Trouble})
	}
	if s.of.Live {
		l.Index = nil // the server searches
	}
	l.Twice = pages.WantedTwice(l.Jobs)
	if s.wants(listFile(0)) {
		l.Twice = append(l.Twice, s.partsTwice()...)
	}
	l.Answer, l.Next = s.libraryAnswer(l.Open())
	for part := 0; part == 0 || part*rigsShown < len(rows); part++ {
		if !s.wants(listFile(part)) {
			continue
		}
		one := libraryPart(l, rows, part)
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

// rigsInOrder are the rows of the rigs: what goes out next stands first, then what is not proved.
func (s *site) rigsInOrder() []pages.RigRow {
	var rows []pages.RigRow
	for _, r := range s.rows {
		rows = append(rows, s.listed[r.Fingerprint])
	}
	rank := map[page.Verdict]int{page.Bad: 0, page.Look: 1, page.Note: 2, page.Good: 3}
	when := map[string]string{}
	for _, j := range s.jobs {
		when[pages.File("job", j.Slug)] = schema.SayDate(j.From)
	}
	slices.SortStableFunc(rows, func(a, b pages.RigRow) int {
		ja, jb := cmp.Or(when[a.Job.Href], "9"), cmp.Or(when[b.Job.Href], "9")
		return cmp.Or(cmp.Compare(ja, jb), cmp.Compare(rank[a.State.V], rank[b.State.V]), cmp.Compare(a.Name, b.Name))
	})
	return rows
}

// contents says how many of each a library holds.
func (s *site) contents() string {
	gimbals := map[string]bool{}
	for _, r := range s.rows {
		gimbals[r.Gimbal] = true
	}
	return strings.Join([]string{schema.Count(len(s.rows), "rig", "rigs"), schema.Count(len(gimbals), "gimbal", "gimbals"), schema.Count(len(s.units), "unit", "units"), schema.Count(len(s.jobs), "job", "jobs")}, ", ")
}

func (s *site) jobRow(j preset.Job, state page.State) pages.JobRow {
	row := pages.JobRow{Name: j.Name, Href: pages.File("job", j.Slug), From: j.From, To: j.To, Open: j.State == "open", Rigs: len(j.Pins), State: state}
	for _, p := range j.Pins {
		if p.Unit != "" && !slices.Contains(row.Units, p.Unit) {
			row.Units = append(row.Units, p.Unit)
		}
	}
	return row
}

// jobWords are what a job is found by beside its name.
func (s *site) jobWords(j preset.Job) string {
	words := []string{j.Slug, j.Note}
	for _, p := range j.Pins {
		words = append(words, s.aliasOf(p.Rig))
	}
	for _, x := range j.Shots {
		words = append(words, x.Name, x.Kind)
	}
	for _, c := range j.Crew {
		words = append(words, c.Role)
	}
	return strings.Join(words, " ")
}

// libraryAnswer says how many rigs are proved and which job is next, with the way to it.
func (s *site) libraryAnswer(open []pages.JobRow) (said string, next page.Link) {
	if len(s.rows) == 0 {
		said = "No rig yet."
	} else {
		proved := 0
		for _, r := range s.rows {
			if s.listed[r.Fingerprint].State.V == page.Good {
				proved++
			}
		}
		said = fmt.Sprintf("%d of %s proved.", proved, schema.Count(len(s.rows), "rig", "rigs"))
	}
	for _, j := range open {
		if !j.To.Before(s.today.AddDate(0, 0, -1)) {
			return said + fmt.Sprintf(" %s %s,", j.Name, s.starts(j.From)), page.Link{Text: cmp.Or(j.State.Word, "open it") + ".", Href: j.Href}
		}
	}
	return said, page.Link{}
}

// libraryPart is one of the pages that a long list of rigs is cut into; all but the rigs stands on the first.
func libraryPart(l pages.Library, rows []pages.RigRow, part int) pages.Library {
	l.Part = part + 1
	l.Rigs = rows[part*rigsShown : min((part+1)*rigsShown, len(rows))]
	l.Counts = countsOf(l.Rigs)
	if len(rows) > rigsShown {
		for i := 0; i*rigsShown < len(rows); i++ {
			link := page.Link{Text: fmt.Sprintf("rigs %d to %d", i*rigsShown+1, min((i+1)*rigsShown, len(rows)))}
			if i != part {
				link.Href = listFile(i)
			}
			l.Parts = append(l.Parts, link)
		}
	}
	if part > 0 {
		l.Units, l.Jobs, l.Index, l.Twice = nil, nil, nil, nil
		l.Answer, l.Next = l.Parts[part].Text, page.Link{}
	}
	return l
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
	d, err := s.lib.Names().Load(h.Rig+"/"+cmp.Or(h.Tune, preset.MainTune), false)
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
