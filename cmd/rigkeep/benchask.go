package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/schema"
)

// interactive asks through a session.
func (b *benchRun) interactive() error {
	release, err := b.lib.HoldStand(b.d.Rig.ID)
	if err != nil {
		return err
	}
	defer release()
	if b.c.Bool("no-input") {
		return usage("--no-input and no answer given").hinted("add --saw for one answer, or --json for what to set next")
	}
	a, done, err := b.ask(b.c.Bool("plain"))
	if err != nil {
		return err
	}
	err = b.runQuestions(a)
	goOn.Store(nil)
	done()
	if errors.Is(err, errStopped) {
		if b.s == nil || !b.s.Saved() { // only the unit was asked for
			return stopped("Stopped. No answers recorded.", "Try: rigkeep bench "+b.args[0])
		}
		return stopped(fmt.Sprintf("Stopped. %d answers stored in %s", len(b.s.Log.Steps), b.s.Path), "Try: rigkeep bench "+b.args[0]+" --resume")
	}
	return err
}

func (b *benchRun) runQuestions(a *prompter) error {
	if b.s != nil && !b.c.Bool("resume") && !b.c.Bool("new") {
		a.say("A session from %s is open (%d answers).", b.clock(b.s.Log.Began), len(b.s.Log.Steps))
		c, _, err := a.choose("go on with it, begin a new one, or leave? [g/n/q]", []choice{{'g', "go on"}, {'n', "new"}, {'q', "leave"}}, 'g')
		if err != nil {
			return err
		}
		switch c {
		case 'n':
			_ = b.c.Set("new", "true")
		case 'q':
			return nil
		}
	}
	fresh := b.s == nil || b.c.Bool("new")
	if fresh && b.c.String("unit") == "" && len(b.d.Sheet.Units) > 0 {
		u := b.d.Sheet.Units[0].Serial
		if len(b.d.Sheet.Units) > 1 {
			var err error
			if u, err = a.askUnit(b.d.Sheet); err != nil {
				return err
			}
		}
		_ = b.c.Set("unit", u)
	}
	if err := b.resume(); err != nil {
		return err
	}
	if b.s.Saved() {
		b.resumable()
	}
	head := fmt.Sprintf("%s on %s", b.d.Label(), b.d.Sheet.Slug)
	if b.s.Log.Unit != "" {
		head += ", unit " + safe.Line(b.s.Log.Unit)
	}
	b.out("%s\n", b.paint.bold(head))
	if fresh {
		for _, c := range benchCautions {
			a.say("Caution: %s", c)
		}
		if b.s.Log.Unit == "" {
			a.say("There is no unit of %s on record, so what this session finds is kept for the model of gimbal, not for the one on the stand; rigkeep unit new %s SERIAL names it.", b.d.Sheet.Slug, b.d.Sheet.Slug)
		}
	} else {
		a.say("Continuing after %d answers.", len(b.s.Log.Steps))
	}
	b.told = map[bench.Stage]bool{}
	if b.looks() == 0 {
		leave, err := b.balance(a)
		if err != nil {
			return err
		}
		if leave {
			b.printResumeHint(a)
			return nil
		}
	}
	return b.askLoop(a)
}

// askLoop asks until the session is over or left.
func (b *benchRun) askLoop(a *prompter) error {
	for {
		p := b.s.State.Next()
		var leave bool
		var err error
		switch p.Stage {
		case bench.Done:
			return b.finish(a)
		case bench.InHand:
			leave, err = b.askHand(a, p)
		default:
			leave, err = b.askLook(a, p)
		}
		if err != nil {
			return err
		}
		if leave {
			b.printResumeHint(a)
			return nil
		}
	}
}

// resumable says, for a program that is ended by a signal, how to go on.
func (b *benchRun) resumable() {
	again := "rigkeep bench " + b.args[0] + " --resume"
	goOn.Store(&again)
}

func (b *benchRun) printResumeHint(a *prompter) {
	if !b.s.Saved() {
		a.say("Nothing was answered; no session was kept.")
		return
	}
	a.say("%d answers are in %s; go on with: rigkeep bench %s --resume", len(b.s.Log.Steps), b.s.Path, b.args[0])
}

// askUnit asks for a unit until it is one of the sheet's.
func (a *prompter) askUnit(sheet *schema.Sheet) (string, error) {
	for {
		s, err := a.unit(sheet)
		if err != nil {
			return "", err
		}
		if u, ok := sheet.Unit(s); ok {
			return u.Serial, nil
		}
		a.say("%q is not on the sheet", safe.Line(s))
	}
}

func (b *benchRun) looks() int {
	n := 0
	for _, r := range b.s.State.Results() {
		n += r.Looks
	}
	return n
}

// balance goes through the sheet's points that were not read yet; over the
// threshold it stops unless told to go on.
func (b *benchRun) balance(a *prompter) (leave bool, err error) {
	done := b.s.Log.BalanceDone(b.d.Sheet, b.d.Rig)
	points := preset.BalancePoints(b.d.Sheet)
	first := true
	for i := 0; i < len(points); {
		p := points[i]
		if done[p.Text] {
			i++
			continue
		}
		if first {
			first = false
			a.say("Balance first: type the resting effort in percent as the controller shows it; two readings, the angle come to from either side, as 2.1/-1.4 tell friction apart. Enter passes a point over, u goes back to the one before, q leaves.")
		}
		efforts, act, err := a.efforts(p.Text)
		switch {
		case err != nil:
			return false, err
		case act == 'q':
			return true, nil
		case act == 'u':
			if i == 0 {
				a.say("already at the first point")
				continue
			}
			i--
			done[points[i].Text] = false
			continue
		case efforts == nil:
			if err := b.answer(bench.Event{Saw: bench.Note, Axis: p.Axis, HasAxis: p.HasAxis, Text: preset.NotRead + p.Text}); err != nil {
				return false, err
			}
			i++
			continue
		}
		ok, err := b.note(p, efforts)
		if err != nil {
			a.say("%v", err)
			continue
		}
		a.say("%s", b.reads[len(b.reads)-1].Read.Words)
		if err := b.answer(effortEvent(p, efforts)); err != nil {
			return false, err
		}
		if ok || b.c.Bool("go-on") {
			i++
			continue
		}
		c, _, err := a.choose("Rebalance: power off, move it, then read again. Read again, go on as it is, or leave? [r/g/q]",
			[]choice{{'r', "read again"}, {'g', "go on"}, {'q', "leave"}}, 'r')
		if err != nil {
			return false, err
		}
		if c == 'q' {
			a.say("Rebalance first.\nTry: rigkeep bench %s --resume", b.args[0])
			return false, errFindings
		}
		if c == 'g' {
			if err := b.answer(bench.Event{Saw: bench.Note, Axis: p.Axis, HasAxis: p.HasAxis, Text: preset.GoneOn + p.Text}); err != nil {
				return false, err
			}
			i++
		}
	}
	return false, nil
}

// typedNumber reads a number as people type it: a percent sign and a decimal comma will do.
func typedNumber(s string) (float64, bool) {
	s = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "%"))
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && v-v == 0
}

// typedEfforts reads one effort or two with a slash between, each -100 to 100 percent.
func typedEfforts(s string) ([]float64, bool) {
	var out []float64
	for _, w := range strings.Split(s, "/") {
		v, ok := typedNumber(w)
		if !ok || v < -100 || v > 100 {
			return nil, false
		}
		out = append(out, v)
	}
	return out, len(out) <= 2
}

const effortWanted = "a number of percent from -100 to 100, or two as 2.1/-1.4"

// efforts asks for one effort or two; nil for Enter, act b or q where that was typed.
func (a *prompter) efforts(point string) (efforts []float64, act byte, err error) {
	for {
		s, err := a.line("effort in %, " + safe.Line(point) + ":")
		if err != nil || s == "" {
			return nil, 0, err
		}
		if w := strings.ToLower(s); w == "u" || w == "q" {
			return nil, w[0], nil
		}
		if out, ok := typedEfforts(s); ok {
			return out, 0, nil
		}
		a.say("%q is no effort: %s; u undo, q leave", safe.Line(s), effortWanted)
	}
}

var lookChoices = []choice{{'c', "clean"}, {'h', "chatter"}, {'r', "rocking"}, {'s', "on the stand only"}, {'k', "skip this axis"}, {'u', "undo"}, {'n', "note"}, {'o', "another value"}, {'q', "leave"}}
var decideChoices = []choice{{'w', "withdraw the oscillation"}, {'k', "keep it as the onset"}, {'u', "undo"}, {'n', "note"}, {'q', "leave"}}
var handChoices = []choice{{'c', "clean handheld"}, {'h', "chatter"}, {'r', "rocking"}, {'s', "on the stand only"}, {'k', "skip the rest"}, {'u', "undo"}, {'n', "note"}, {'q', "leave"}}

var sawOf = map[byte]bench.Saw{'c': bench.Clean, 'h': bench.Chatter, 'r': bench.Rocking, 's': bench.Stand, 'k': bench.Skip, 'u': bench.Back}

// tell explains the keys of a stage once.
func (b *benchRun) tell(a *prompter, stage bench.Stage, cs []choice) {
	if b.told[stage] {
		return
	}
	b.told[stage] = true
	a.say("keys: %s; ? says them again.", legend(cs))
}

func keysOf(cs []choice) string {
	var k []byte
	for _, c := range cs {
		k = append(k, c.key)
	}
	return "[" + string(k) + "]"
}

// askLook asks what is seen at the proposed value.
func (b *benchRun) askLook(a *prompter, p bench.Proposal) (leave bool, err error) {
	cs, stage := lookChoices, bench.Search
	if p.Stage == bench.Decide {
		cs, stage = decideChoices, bench.Decide
	}
	b.tell(a, stage, cs)
	what := "set " + p.Axis.String() + " to " + schema.Num(p.Value)
	switch p.Stage {
	case bench.Relook:
		what += " again"
	case bench.Decide:
		what = p.Axis.String() + " at " + schema.Num(p.Value)
	}
	a.say("%s (%s)", what, p.Reason)
	c, hz, err := a.choose(p.Axis.String()+" "+schema.Num(p.Value)+" "+keysOf(cs), cs, 0)
	if err != nil {
		return false, err
	}
	e := bench.Event{Axis: p.Axis, HasAxis: true, Saw: sawOf[c]}
	value := p.Value
	switch {
	case c == 'q':
		return true, nil
	case c == 'n':
		return false, b.askNote(a, p.Axis, true)
	case p.Stage == bench.Decide && c == 'w':
		e.Saw = bench.Withdraw
		e.Value = &value
	case p.Stage == bench.Decide && c == 'k':
		e.Saw = bench.Keep
		e.Value = &value
	case c == 'u':
		e = bench.Event{Saw: bench.Back}
	case c == 'k':
	case c == 'o':
		if e, err = b.otherValue(a, p.Axis); err != nil || e.Saw == "" {
			return false, err
		}
	default:
		e.Value = &value
		if !b.hz(a, &e, hz) {
			return false, nil
		}
	}
	return false, b.take(a, e)
}

// hz puts a frequency that was typed before the key into an oscillation; false where
// it cannot be one, and the question is to be put again.
func (b *benchRun) hz(a *prompter, e *bench.Event, typed string) bool {
	if typed == "" {
		return true
	}
	if !e.Saw.Oscillates() && e.Saw != bench.Stand {
		a.say("%s ignored: only an oscillation has a frequency", typed)
		return true
	}
	v, err := strconv.ParseFloat(typed, 64)
	if err != nil || !(v > 0 && v <= schema.MaxShakeHz) {
		a.say("%s Hz is out of range (above 0, up to %g). Nothing stored; answer again", typed, schema.MaxShakeHz)
		return false
	}
	e.Hz = v
	return true
}

// take records an answer; one that does not fit is said and asked again.
func (b *benchRun) take(a *prompter, e bench.Event) error {
	was := map[schema.Axis]bench.Status{}
	for _, r := range b.s.State.Results() {
		was[r.Axis] = r.Status
	}
	err := b.answer(e)
	var f *failure
	if errors.As(err, &f) && f.code == exitUsage {
		a.say("%v", err)
		return nil
	}
	if err != nil {
		return err
	}
	for _, r := range b.s.State.Results() {
		if r.Status != bench.Open && r.Status != was[r.Axis] {
			for _, l := range strings.Split(strings.TrimSuffix(wrap(r.Axis.String()+": "+axisWords(r), "", a.columns()), "\n"), "\n") {
				b.out("%s\n", b.paint.bold(l))
			}
		}
	}
	return nil
}

func (b *benchRun) askNote(a *prompter, axis schema.Axis, has bool) error {
	s, err := a.line("note:")
	if err != nil || s == "" {
		return err
	}
	return b.take(a, bench.Event{Saw: bench.Note, Axis: axis, HasAxis: has, Text: s})
}

var otherChoices = append(lookChoices[:4:4], choice{'u', "undo, none of these"})

// otherValue asks for a look of the person's own choosing; no answer where it was
// thought better of.
func (b *benchRun) otherValue(a *prompter, x schema.Axis) (bench.Event, error) {
	for {
		s, err := a.line("which value did you set? [Enter: none]")
		if err != nil || s == "" {
			return bench.Event{}, err
		}
		v, ok := typedNumber(s)
		if !ok {
			a.say("%q is not a number", safe.Line(s))
			continue
		}
		e := bench.Event{Axis: x, HasAxis: true, Value: &v, Saw: bench.Clean}
		if err := b.s.State.Fits(e); err != nil {
			a.say("%v", err)
			continue
		}
		c, hz, err := a.choose(x.String()+" "+schema.Num(v)+" "+keysOf(otherChoices), otherChoices, 0)
		if err != nil || c == 'u' {
			return bench.Event{}, err
		}
		if e.Saw = sawOf[c]; b.hz(a, &e, hz) {
			return e, nil
		}
	}
}

// askHand asks how the kept values work in the hand at one tilt.
func (b *benchRun) askHand(a *prompter, p bench.Proposal) (leave bool, err error) {
	if !b.told[bench.InHand] {
		var kept []string
		for _, r := range b.s.State.Results() {
			if r.Kept != nil {
				kept = append(kept, r.Axis.String()+" "+schema.Num(*r.Kept))
			}
		}
		for _, r := range b.s.State.Results() {
			switch r.Status {
			case bench.Failed:
				a.say("%s oscillates even at its softest setting. Do not operate it like this. Press q, check balance, loose parts and filters, then try again.", r.Axis)
			case bench.Skipped:
				a.say("%s skipped; value unchanged.", r.Axis)
			}
		}
		a.say("Handheld test with %s: walk, turn, tap the handle. First tilt: where pan has the least inertia and oscillates first.", strings.Join(kept, ", "))
	}
	b.tell(a, bench.InHand, handChoices)
	h := b.s.State.HandCheck()
	c, hz, err := a.choose(fmt.Sprintf("handheld, %s (%d of %d) %s", p.Point.Label, h.Clean+1, h.Points, keysOf(handChoices)), handChoices, 0)
	if err != nil {
		return false, err
	}
	e := bench.Event{Saw: sawOf[c], TiltDeg: p.Point.TiltDeg}
	switch c {
	case 'q':
		return true, nil
	case 'n':
		return false, b.askNote(a, 0, false)
	case 'c':
		e.Saw = bench.Hand
	case 'u':
		e = bench.Event{Saw: bench.Back}
	case 'h', 'r':
		x, _, err := a.choose("which axis? [p/t/r]", []choice{{'p', "pan"}, {'t', "tilt"}, {'r', "roll"}}, 0)
		if err != nil {
			return false, err
		}
		e.Axis, e.HasAxis = map[byte]schema.Axis{'p': schema.Pan, 'r': schema.Roll, 't': schema.Tilt}[x], true
		if !b.hz(a, &e, hz) {
			return false, nil
		}
	}
	return false, b.take(a, e)
}

// finish shows what was found and saves it.
func (b *benchRun) finish(a *prompter) error {
	b.wide = a.columns()
	b.printEnd()
	if err := b.recheck(); err != nil {
		return err
	}
	w, err := b.wouldSave()
	if err != nil {
		return err
	}
	if len(b.s.KeptValues()) == 0 {
		a.say("No new value found; the tune is unchanged.")
		c, _, err := a.choose("end the session, take the last answer back, or leave it open? [e/u/q]", []choice{{'e', "end"}, {'u', "undo"}, {'q', "leave"}}, 'q')
		if err != nil || c == 'q' {
			return err
		}
		if c == 'u' {
			if err := b.take(a, bench.Event{Saw: bench.Back}); err != nil {
				return err
			}
			return b.askLoop(a)
		}
		ctx, stop := b.ctx()
		defer stop()
		return b.lib.EndSession(ctx, b.s, b.Now())
	}
	if w == "" {
		w = "values unchanged; session log saved"
	}
	a.say("would save, with the log of the session:\n%s", safe.Text(w))
	c, _, err := a.choose("save, take the last answer back, or leave it open? [s/u/q]", []choice{{'s', "save"}, {'u', "undo"}, {'q', "leave"}}, 0)
	if err != nil {
		return err
	}
	switch c {
	case 'q':
		a.say("Session left open.\nTry: rigkeep bench %s --save", b.args[0])
		return nil
	case 'u':
		if err := b.take(a, bench.Event{Saw: bench.Back}); err != nil {
			return err
		}
		return b.askLoop(a)
	}
	why := b.c.String("message")
	if why == "" {
		if why, err = a.line(fmt.Sprintf("reason [Enter: %s]", safe.Line(b.defaultWhy()))); err != nil {
			return err
		}
	}
	_, err = b.saveSession(why)
	return err
}
