package serve

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/preset/bench"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// session is the open bench session of the rig, else a new one on the unit that was chosen;
// nil where that is still to be chosen.
func (t *task) session() (*library.Session, error) {
	s, err := t.l.Sessions().Open(t.d)
	if s != nil || err != nil || !t.chosen() {
		return s, err
	}
	return t.newSession(t.unit, t.req.URL.Query().Has("recheck"))
}

func (t *task) newSession(unit string, recheck bool) (*library.Session, error) {
	q := library.SessionRequest{Unit: unit, By: t.dev.who.Name, Now: t.now(), Recheck: recheck}
	if u, ok := t.d.Sheet.Unit(unit); ok {
		q.Firmware = u.Firmware
	}
	return t.l.Sessions().New(t.d, q)
}

func showBench(t *task) (pages.Stand, error) {
	s, err := t.session()
	if err != nil {
		return pages.Stand{}, err
	}
	if s == nil {
		p := t.begin("bench", bench.Cautions)
		if _, err := t.newSession(t.held(), true); err == nil {
			f := &p.Forms[0]
			f.Buttons = append(f.Buttons, pages.Button{Value: "recheck", Word: "Recheck after a rebuild", Hint: "the tune’s values handheld, no search", Size: "full low"})
		}
		return p, nil
	}
	q := s.State.Next()
	p := pages.Stand{Title: t.title(s.Log.Unit), ID: q.ID, Version: q.ID}
	if n := len(s.Log.Steps); n > 0 {
		p.Version = path.Base(s.Path) + " " + q.ID
		p.Saved = fmt.Sprintf("answer %d saved %s", n, t.clock(s.Log.Steps[n-1].At))
	}
	if err := t.s.stands.busy(t.l, t.d.Rig.ID); err != nil {
		p.Version += " busy"
		p.Refused = words(err)
	}
	for _, w := range s.Log.Drift(t.d.Rig, t.d.Tune) {
		p.Badges = append(p.Badges, page.Badge{Name: "Changed", State: page.State{V: page.Look, Word: w}})
	}
	if len(s.Log.Steps) == 0 {
		if err := t.benchBalance(&p, s); err != nil {
			return p, err
		}
	}
	switch q.Stage {
	case bench.InHand:
		t.benchHand(&p, s, q)
	case bench.Done:
		t.benchDone(&p, s)
	default:
		t.benchLook(&p, s, q)
	}
	return p, nil
}

var (
	endNow    = pages.Form{Fold: "End the session here", Buttons: []pages.Button{{Value: "end", Word: "End it, change no value", Hint: "the log is kept", Size: "full low", Said: "The end"}}}
	undo      = pages.Button{Value: "undo", Word: "Undo", Size: "low", Said: "Undo"}
	undoAlone = pages.Button{Value: "undo", Word: "Undo", Size: "full low", Said: "Undo"}
	noteIt    = pages.Form{Fold: "Note", Fields: []pages.Field{{Name: "text", Label: "Note", Kind: "area"}}, Buttons: []pages.Button{{Value: "note", Word: "Keep the note", Size: "full low", Said: "The note"}}}
)

func saw(value, word, hint string, v page.Verdict, size, at string) pages.Button {
	return pages.Button{Value: value, Word: word, Hint: hint, V: v, Size: size, Said: strings.TrimSpace(word + " " + at)}
}

var hzField = pages.Field{Name: "hz", Label: "Frequency of the oscillation", Kind: "number", Unit: "Hz"}

// benchLook asks what is seen at a value.
func (t *task) benchLook(p *pages.Stand, s *library.Session, q bench.Proposal) {
	axis, num := q.Axis.String(), schema.Num(q.Value)
	p.Step = fmt.Sprintf("axis %d of %d", slices.Index(s.Log.Plan.Order, q.Axis)+1, len(s.Log.Plan.Order))
	dial := t.d.Sheet.Dials["stiffness."+axis]
	var as []string
	if dial.ShownAs != "" {
		as = append(as, dial.ShownAs+" on the controller")
	}
	b := &pages.Bracket{Axis: axis, Min: dial.Min, Max: dial.Max, Coarse: dial.Coarse, Reversed: dial.Sign < 0, Next: &q.Value, Clean: q.Clean, Onset: q.Onset}
	last := ""
	for _, e := range s.State.ActiveEvents() {
		if !e.HasAxis || e.Axis != q.Axis || e.Value == nil || !(e.Saw.Oscillates() || e.Saw == bench.Clean || e.Saw == bench.Stand) {
			continue
		}
		b.Trials = append(b.Trials, pages.BracketTrial{Value: *e.Value, Bad: e.Saw.Oscillates(), Stand: e.Saw == bench.Stand})
		last = "now " + schema.Num(*e.Value)
		if q.Onset != nil && *q.Onset == *e.Value && e.Saw.Oscillates() {
			b.OnsetWord = string(e.Saw) + " " + schema.Num(*e.Value)
			if e.Hz > 0 {
				b.OnsetWord += ", " + schema.Num(e.Hz) + " Hz"
			}
		}
	}
	if last != "" && last != "now "+num {
		as = append(as, last)
	}
	as = append(as, fmt.Sprintf("trial %d", len(b.Trials)+1))
	if b.Onset != nil && b.OnsetWord == "" {
		b.OnsetWord = "onset " + schema.Num(*b.Onset)
	}
	if len(b.Trials) > 0 {
		p.Bracket = b
	}
	p.Set = &pages.SetTo{Do: "set " + axis + " to", Number: num, As: strings.Join(as, ", ")}
	p.Lines = append(p.Lines, s.How(t.d, q))
	if n := len(b.Trials); n > 0 && b.Trials[n-1].Stand && q.Stage == bench.Search {
		p.Lines = append(p.Lines, strings.ToUpper(q.Reason[:1])+q.Reason[1:]+".")
	}
	if s.State.Raises() {
		p.Caution = []string{bench.RaiseCaution}
	}
	at := "at " + num
	if q.Stage == bench.Decide {
		p.Set.Do = axis + " oscillated at"
		p.Lines = append(p.Lines, q.Reason)
		p.Forms = []pages.Form{{Buttons: []pages.Button{saw("keep", "It did", "it stays the onset", page.Bad, "", at), saw("withdraw", "It did not", "the answer was wrong", page.Good, "", at), undoAlone}}, noteIt}
		return
	}
	if q.Stage == bench.Relook {
		p.Set.As = "once more: " + p.Set.As
	}
	p.Forms = []pages.Form{
		{More: "Frequency in Hz", Fields: []pages.Field{hzField}, Buttons: []pages.Button{
			saw("clean", "Clean", "", page.Good, "full", at), saw("chatter", "Chatter", "fast, a rattle", page.Bad, "", at), saw("rocking", "Rocking", "slow, head sways", page.Bad, "", at),
			saw("stand", "Stand only", "", "", "low", at), undo}},
		noteIt,
		{Fold: "Why this value; another value; skip", Fields: []pages.Field{
			{Name: "value", Label: "Another value was set on " + axis, Kind: "number", Hint: "Why " + num + ": " + q.Reason},
			{Name: "saw", Label: "What was seen there", Kind: "choose", Options: []string{"clean", "chatter", "rocking", "stand"}}},
			Buttons: []pages.Button{{Value: "other", Word: "Record this trial", Size: "low", Said: "The trial"}, {Value: "skip", Word: "Skip " + axis, Size: "low", Said: "Skip " + axis}}},
		endNow,
	}
}

// benchBalance says the balance record that counts for the session, before its first answer.
func (t *task) benchBalance(p *pages.Stand, s *library.Session) error {
	reads, err := t.l.Sessions().Points(t.d, s, t.now().Location())
	if err != nil {
		return err
	}
	if reads == nil {
		p.Lines = append(p.Lines, "No balance record of today: balance first.")
	}
	for _, r := range reads {
		p.Lines = append(p.Lines, "Balance of today: "+r.Short())
	}
	return nil
}

// benchHand asks how the kept values work handheld.
func (t *task) benchHand(p *pages.Stand, s *library.Session, q bench.Proposal) {
	h := s.State.HandCheck()
	p.Step = fmt.Sprintf("handheld %d of %d", h.Clean+h.Passed+1, h.Points)
	var kept, axes []string
	for _, r := range s.State.Results() {
		if r.Kept != nil {
			kept, axes = append(kept, r.Axis.String()+" "+schema.Num(*r.Kept)), append(axes, r.Axis.String())
		}
	}
	p.Caution = append([]string{bench.RaiseCaution}, s.State.HandCautions()...)
	p.Set = &pages.SetTo{Do: "handheld", Number: q.Point.Label, As: strings.Join(kept, ", ")}
	p.Lines = append(p.Lines, s.How(t.d, q))
	at := "handheld, " + q.Point.Label
	skip := "Skip the other tilts"
	if q.Point.Style != "" {
		skip = "Skip this style"
	}
	p.Forms = []pages.Form{
		{More: "Axis that oscillates, and its frequency", Fields: []pages.Field{{Name: "axis", Label: "Axis", Kind: "choose", Options: axes}, hzField}, Buttons: []pages.Button{
			saw("clean", "Clean", "", page.Good, "full", at), saw("chatter", "Chatter", "choose the axis below", page.Bad, "", at), saw("rocking", "Rocking", "choose the axis below", page.Bad, "", at),
			saw("stand", "Stand only", "", "", "low", at), undo}},
		noteIt,
		{Fold: "Skip", Buttons: []pages.Button{{Value: "skip", Word: skip, Size: "full low", Said: "Skip"}}},
	}
	p.Forms = append(append(p.Forms, nearer(s)...), endNow)
	p.Forms[0].Open = true
	if len(axes) == 1 {
		p.Forms[0].Fields[0].Value = axes[0]
	}
}

// nearer asks for a value to keep between that of the margin and the onset, of the axes
// that have room there; no form where none has.
func nearer(s *library.Session) []pages.Form {
	f := pages.Form{Fold: "Keep a value nearer the onset", Caution: bench.RaiseCaution + " A nearer value leaves less margin."}
	var axes, room []string
	for _, r := range s.State.Results() {
		if lo, hi, ok := s.State.NearerRange(r.Axis); ok {
			axes = append(axes, r.Axis.String())
			room = append(room, r.Axis.String()+" "+schema.Num(lo)+" to "+schema.Num(hi))
		}
	}
	if len(axes) == 0 {
		return nil
	}
	f.Fields = []pages.Field{{Name: "axis", Label: "Axis", Kind: "choose", Options: axes}, {Name: "value", Label: "Value to keep", Kind: "number", Hint: strings.Join(room, "; ") + ". It is tried handheld next."}}
	f.Buttons = []pages.Button{{Value: "nearer", Word: "Keep this value", Size: "full low", Said: "The value"}}
	return []pages.Form{f}
}

// benchDone shows what was found.
func (t *task) benchDone(p *pages.Stand, s *library.Session) {
	p.Step = "done"
	kept := 0
	var found []string
	for _, r := range s.State.Results() {
		st := pages.StandStep{Name: r.Axis.String() + ": " + r.Words(), Value: "–"}
		if r.Kept != nil {
			kept++
			st.Value = schema.Num(*r.Kept)
			found = append(found, strings.ToUpper(r.Axis.String())+"\u00a0"+st.Value)
		}
		p.Steps = append(p.Steps, st)
	}
	p.Lines = []string{schema.Count(kept, "value", "values") + " kept, " + s.State.HandCheck().Words() + "."}
	if kept == 0 {
		p.Forms = []pages.Form{{Buttons: []pages.Button{{Value: "end", Word: "End the session", Size: "main", Said: "The end"}, undoAlone}}}
		return
	}
	p.Forms = []pages.Form{{Fields: []pages.Field{why(s.Subject(t.d))}, Buttons: []pages.Button{{Value: "save", Word: "Save tune and session", Size: "main", Said: "The save"}, undoAlone}}}
	p.Set = &pages.SetTo{Do: "found", Number: strings.Join(found, ", ")}
	p.Forms = append(append(p.Forms, nearer(s)...), endNow)
}

func actBench(t *task) (pages.Stand, error) {
	if do := t.get("do"); do == "begin" || do == "recheck" {
		if err := t.begun(); err != nil {
			return t.refused(showBench, err)
		}
		if do == "recheck" {
			t.to += "&recheck"
		}
		return pages.Stand{}, nil
	}
	s, err := t.session()
	if err != nil || s == nil {
		return t.refused(showBench, errors.Join(err, errStale))
	}
	if err := t.s.stands.hold(t.l, t.d.Rig.ID, t.dev); err != nil {
		return t.refused(showBench, err)
	}
	q := s.State.Next()
	if t.get("id") != q.ID {
		return t.refused(showBench, errors.New(errStale.Error()+lastStep(s)))
	}
	switch t.get("do") {
	case "save":
		plan, err := t.l.Sessions().Plan(t.d, s, t.now())
		if err == nil {
			err = t.l.Sessions().PlanHeld(plan, t.d, s, t.dev.who.Name, t.now())
		}
		if err == nil {
			err = t.save(plan, s.Subject(t.d), t.l.Sessions().Describe(t.d, s, t.now().Location()))
		}
		if err != nil {
			return t.refused(showBench, err)
		}
		t.s.stands.drop(t.d.Rig.ID)
		return pages.Stand{}, nil
	case "end":
		if err := t.l.Sessions().End(t.ctx, s, t.now()); err != nil {
			return t.refused(showBench, err)
		}
		t.s.stands.drop(t.d.Rig.ID)
		t.rigPage()
		return pages.Stand{}, nil
	}
	e, err := t.benchEvent(q)
	if err != nil {
		return t.refused(showBench, err)
	}
	e.Question = q.ID
	was := map[schema.Axis]bench.Status{}
	for _, r := range s.State.Results() {
		was[r.Axis] = r.Status
	}
	if err := t.l.Sessions().Answer(t.ctx, s, e, t.now()); err != nil {
		var twice *bench.AnsweredError
		if errors.As(err, &twice) {
			err = errStale
		}
		return t.refused(showBench, err)
	}
	for _, r := range s.State.Results() {
		if r.Status != bench.Open && r.Status != was[r.Axis] {
			t.told(r.Axis.String() + ": " + r.Words())
		}
	}
	t.at(s.Log.Unit)
	return pages.Stand{}, nil
}

// lastStep says what is on record of the question before.
func lastStep(s *library.Session) string {
	n := len(s.Log.Steps)
	if n == 0 {
		return ""
	}
	x := s.Log.Steps[n-1]
	out := ". The last answer on record: " + x.Saw
	if x.Axis != "" && x.HasValue {
		out += " at " + x.Axis + " " + schema.Num(x.Value)
	}
	return out
}

// benchEvent is an answer as the session takes it.
func (t *task) benchEvent(q bench.Proposal) (e bench.Event, err error) {
	do := t.get("do")
	look := q.Stage == bench.Search || q.Stage == bench.Relook
	if look || q.Stage == bench.Decide {
		e.Axis, e.HasAxis = q.Axis, true
	}
	if hz := t.get("hz"); hz != "" && (do == "chatter" || do == "rocking" || do == "stand") {
		if e.Hz, err = unit.Number(hz); err != nil || !(e.Hz > 0) {
			return e, fmt.Errorf("%q is not a frequency: write a number above 0 and up to %g", hz, schema.MaxShakeHz)
		}
	}
	switch do {
	case "note":
		e.Saw, e.Text = bench.Note, t.get("text")
		if e.Text == "" {
			return e, errors.New("the note has no words yet")
		}
		return e, nil
	case "undo":
		return bench.Event{Saw: bench.Undo}, nil
	case "keep", "withdraw":
		e.Saw, e.Value = bench.Outcome(do), &q.Value
		return e, nil
	case "skip":
		e.Saw = bench.Skip
		return e, nil
	case "nearer":
		a, ok := schema.ParseAxis(t.get("axis"))
		v, err := unit.Number(t.get("value"))
		if !ok || err != nil {
			return e, errors.New("choose the axis and type the value to keep")
		}
		return bench.Event{Saw: bench.Nearer, Axis: a, HasAxis: true, Value: &v}, nil
	case "other":
		v, err := unit.Number(t.get("value"))
		if err != nil {
			return e, fmt.Errorf("%q is not a number of the dial", t.get("value"))
		}
		e.Saw, e.Value = bench.Outcome(t.get("saw")), &v
		if !look || !slices.Contains([]bench.Outcome{bench.Clean, bench.Chatter, bench.Rocking, bench.Stand}, e.Saw) {
			return e, errors.New("say what was seen there: clean, chatter, rocking or stand")
		}
		return e, nil
	case "clean", "chatter", "rocking", "stand":
	default:
		return e, errors.New("that is not an option")
	}
	e.Saw = bench.Outcome(do)
	if look {
		e.Value = &q.Value
		return e, nil
	}
	switch {
	case do == "clean":
		e.Saw = bench.Hand
	case e.Saw.Oscillates():
		a, ok := schema.ParseAxis(t.get("axis"))
		if !ok {
			return e, errors.New("choose the axis that oscillates, then answer again")
		}
		e.Axis, e.HasAxis = a, true
	}
	return e, nil
}
