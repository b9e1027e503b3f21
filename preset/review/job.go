package review

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/schema"
)

func init() {
	whole["unit-clash"] = unitClash
	whole["part-twice"] = partTwice
	whole["job-empty"] = jobEmpty
	whole["pin-twice"] = pinTwice
	tests["pin-lost"] = pinLost
	tests["pin-open"] = pinOpen
	tests["pin-behind"] = pinBehind
	tests["unit-unnamed"] = unitUnnamed
	tests["unit-other"] = unitOther
	tests["unit-trouble"] = unitTrouble
	tests["unit-holds"] = unitHolds
	tests["unit-unknown"] = unitUnknown
}

// pinned is the evidence that a job pins a subject.
func (l *look) pinned(x *Subject, text, key string) Evidence {
	at := fmt.Sprintf("pin[%d]", x.Pin)
	return l.s.JobFile.fact(text, at+"."+key, at+".rig", at)
}

func unitClash(l *look) {
	j := l.s.Job
	if j == nil {
		l.cannot(nil, "it needs a job")
		return
	}
	type clash struct {
		x      *Subject
		others []OtherPin
	}
	var order []string
	by := map[string]*clash{}
	for i := range l.s.Subjects {
		x := &l.s.Subjects[i]
		if x.Unit == "" || x.Pin < 0 {
			continue
		}
		for _, o := range l.s.Others {
			if !slices.ContainsFunc(o.Units, func(u string) bool { return x.Sheet.SameUnit(x.Unit, u) }) || o.Job == j.Slug {
				continue
			}
			if o.Gimbal != "" && x.Rig.Gimbal != "" && o.Gimbal != x.Rig.Gimbal {
				continue // two models may have a unit of one label
			}
			if o.Rig == x.Rig.ID && o.Tune == x.tuneName() && o.Revision == x.PinnedAt.Revision {
				continue
			}
			unit := x.Unit
			if x.Sheet != nil {
				if u, ok := x.Sheet.Unit(unit); ok {
					unit = u.Serial
				}
			}
			c := by[unit]
			if c == nil {
				c = &clash{x: x}
				by[unit] = c
				order = append(order, unit)
			}
			c.others = append(c.others, o)
		}
	}
	for _, unit := range order {
		c := by[unit]
		var words, jobs, seen []string
		ev := []Evidence{l.pinned(c.x, fmt.Sprintf("%s goes out on %s, %s to %s", c.x.Ref, unit, schema.SayDate(j.From), schema.SayDate(j.To)), "unit")}
		for _, o := range c.others {
			ref := o.Ref
			if o.Revision != "" {
				ref += " at " + shortRev(o.Revision)
			}
			words = append(words, fmt.Sprintf("%s with %s, %s to %s", o.Job, ref, schema.SayDate(o.From), schema.SayDate(o.To)))
			if !slices.Contains(jobs, o.Job) {
				jobs = append(jobs, o.Job)
			}
			seen = append(seen, o.Job+" "+o.Rig+"/"+o.Tune+" "+o.Revision+" "+schema.SayDate(o.From)+" "+schema.SayDate(o.To))
			ev = append(ev, o.File.fact(fmt.Sprintf("%s pins %s to the same unit", o.Job, ref), o.Key))
		}
		l.on(c.x, hit{of: word1(unit), what: fmt.Sprintf("unit %s goes out with %s here, and on %s", unit, c.x.Ref, strings.Join(words, "; ")), evidence: ev, fill: []string{"{other}", jobs[0]}, seen: seen})
	}
}

// tuneName is the tune's name in its rig.
func (x *Subject) tuneName() string {
	if _, name, ok := strings.Cut(x.Ref, "/"); ok {
		return name
	}
	return preset.MainTune
}

func shortRev(rev string) string {
	if len(rev) > 10 {
		return rev[:10]
	}
	return rev
}

func partTwice(l *look) {
	j := l.s.Job
	if j == nil {
		l.cannot(nil, "it needs a job")
		return
	}
	var order []string
	by := map[string][]WantedTwice{}
	for _, t := range l.s.Twice {
		if by[t.Part] == nil {
			order = append(order, t.Part)
		}
		by[t.Part] = append(by[t.Part], t)
	}
	for _, part := range order {
		var words []string
		known := false
		for _, t := range by[part] {
			words = append(words, t.Text)
			known = known || t.Have >= 0
		}
		l.on(nil, hit{of: schema.Slug(part), what: part + ": " + strings.Join(words, "; "), lower: !known, seen: append([]string{part}, words...),
			evidence: []Evidence{l.s.JobFile.fact(fmt.Sprintf("what the job pins, %s to %s", schema.SayDate(j.From), schema.SayDate(j.To)), "pin[0].rig", "from")}})
	}
}

func jobEmpty(l *look) {
	if j := l.s.Job; j != nil && len(j.Pins) == 0 {
		l.on(nil, hit{of: j.Slug, what: "nothing is pinned to " + j.Slug, evidence: []Evidence{l.s.JobFile.fact("no [[pin]]", "kind")}})
	}
}

func pinTwice(l *look) {
	j := l.s.Job
	if j == nil {
		return // nothing is pinned, so nothing twice
	}
	done := map[string]bool{}
	for i := range l.s.Subjects {
		x := &l.s.Subjects[i]
		id := x.Ref + " " + x.Unit
		if x.Pin < 0 || done[id] {
			continue
		}
		done[id] = true
		ev := []Evidence{l.pinned(x, "pinned here", "rig")}
		seen := []string{id, j.Pins[x.Pin].Revision}
		for k := i + 1; k < len(l.s.Subjects); k++ {
			y := &l.s.Subjects[k]
			if y.Pin >= 0 && y.Ref+" "+y.Unit == id {
				ev = append(ev, l.pinned(y, "and here", "rig"))
				seen = append(seen, j.Pins[y.Pin].Revision)
			}
		}
		if len(ev) > 1 {
			l.on(x, hit{what: fmt.Sprintf("%s pins %s %d times for %s", j.Slug, x.Ref, len(ev), cmp.Or(x.Unit, "no unit in particular")), evidence: ev, seen: seen})
		}
	}
}

func pinLost(l *look, x *Subject) {
	if x.Lost == "" || x.Pin < 0 {
		return
	}
	l.on(x, hit{what: x.Lost, evidence: []Evidence{l.pinned(x, "pinned as "+x.Ref, "revision")}})
}

func pinOpen(l *look, x *Subject) {
	if x.Pin < 0 || !x.Open || x.Tune == nil {
		return
	}
	l.on(x, hit{what: "no revision in the pin, none saved for " + l.s.Job.Slug, evidence: []Evidence{l.pinned(x, "pinned without a revision", "rig")}, seen: x.state()})
}

func pinBehind(l *look, x *Subject) {
	n := x.Newer
	if n == nil || x.Pin < 0 {
		return
	}
	var words []string
	if len(n.Keys) > 0 {
		words = append(words, strings.Join(n.Keys, ", ")+" changed since")
	}
	if n.Proof {
		words = append(words, "the proof is another")
	}
	ev := []Evidence{l.pinned(x, "pinned to "+shortRev(x.PinnedAt.Revision), "revision")}
	where := "unsaved edits"
	if n.At.Revision != "" {
		where = "as " + shortRev(n.At.Revision)
		ev = append(ev, n.At.told(cmp.Or(n.Path, x.TuneFile.Path), "newer revision"))
	}
	l.on(x, hit{what: fmt.Sprintf("the library now has %s; changed since the pin: %s", where, strings.Join(words, "; ")), evidence: ev, seen: append([]string{x.PinnedAt.Revision, n.At.Revision}, words...)})
}

func unitUnnamed(l *look, x *Subject) {
	if x.Pin < 0 || x.Sheet == nil {
		return
	}
	if x.Unit == "" {
		l.on(x, hit{what: "the job does not say which unit " + x.Ref + " goes out on", evidence: []Evidence{l.pinned(x, "pinned without a unit", "rig")}})
		return
	}
	if _, ok := x.Sheet.Unit(x.Unit); !ok {
		l.on(x, hit{what: fmt.Sprintf("gimbal %s has no unit %q", x.Sheet.Slug, x.Unit), evidence: []Evidence{l.pinned(x, "goes out on "+x.Unit, "unit")},
			commands: []string{"rigkeep unit list {gimbal}", "rigkeep job add {job} {ref} --unit UNIT"}})
	}
}

// goesOut is the unit that a tune goes out on with the job; ok is false where the job
// does not say, or there is no record of it.
func (x *Subject) goesOut() (u schema.Unit, ok bool) {
	if x.Pin < 0 || x.Sheet == nil || x.Unit == "" {
		return u, false
	}
	return x.Sheet.Unit(x.Unit)
}

func unitOther(l *look, x *Subject) {
	u, ok := x.goesOut()
	if !ok || x.Tune == nil || x.Tune.Unit == "" || u.Is(x.Tune.Unit) {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("the tune is for unit %s and goes out on %s", x.Tune.Unit, u.Serial), fill: []string{"{own}", x.Tune.Unit},
		evidence: []Evidence{x.TuneFile.fact("unit = "+x.Tune.Unit, "unit"), l.pinned(x, "goes out on "+x.Unit, "unit")}, seen: []string{x.Tune.Unit, u.Serial}})
}

func unitTrouble(l *look, x *Subject) {
	u, ok := x.goesOut()
	if !ok || u.Trouble == "" {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("unit %s: %s", u.Serial, u.Trouble), evidence: []Evidence{x.unitFact(u, "trouble note", "trouble")}, seen: []string{u.Serial, u.Trouble}})
}

func unitHolds(l *look, x *Subject) {
	u, ok := x.goesOut()
	holds := u.Memory()
	if !ok || x.Tune == nil || len(holds) == 0 {
		return
	}
	var ev []Evidence
	var words []string
	digest := x.Tune.Digest()
	seen := []string{digest} // not the words: their day is that of the reader
	for _, h := range holds {
		if h.Digest == digest {
			return
		}
		name := h.Says()
		switch {
		case h.Rig == x.Rig.ID || slices.Contains(x.Rig.Was, h.Rig):
			name = "other values of " + x.Rig.Alias
			if h.Tune != preset.MainTune {
				name += "/" + h.Tune
			}
		case h.Rig != "":
			name = "a tune of rig " + h.Rig
		}
		if h.Memory > 0 {
			name = fmt.Sprintf("in memory %d %s", h.Memory, name)
		}
		words, seen = append(words, name+" since "+l.day(h.At)), append(seen, name+" since "+moment(h.At))
		ev = append(ev, x.unitFact(u, name+", "+cmp.Or(h.By, "name not recorded"), "held[0].at"))
	}
	l.on(x, hit{what: fmt.Sprintf("unit %s holds %s", u.Serial, strings.Join(words, "; ")), evidence: ev, seen: seen})
}

func unitUnknown(l *look, x *Subject) {
	u, ok := x.goesOut()
	if !ok || x.Tune == nil || len(u.Held) > 0 {
		return
	}
	l.on(x, hit{what: "no record of what unit " + u.Serial + " holds", evidence: []Evidence{x.unitFact(u, "no entry", "kind")}})
}

// word1 makes a name one word, for an id that is typed.
func word1(s string) string { return strings.Join(strings.Fields(s), "-") }
