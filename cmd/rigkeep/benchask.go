package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/preset/bench"
	"rigkeep/schema"
)

// interactive asks through a session.
func (b *benchRun) interactive() error {
	release, err := b.lib.Units().LockStand(b.d.Rig.ID)
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
		return stopped(fmt.Sprintf("Stopped. %s stored in %s", schema.Count(len(b.s.Log.Steps), "answer", "answers"), b.s.Path), "Try: rigkeep bench "+b.args[0]+" --resume")
	}
	return err
}

func (b *benchRun) runQuestions(a *prompter) error {
	if b.s != nil && !b.c.Bool("resume") && !b.c.Bool("new") && !b.c.Bool("recheck") {
		a.say("A session from %s is open (%s).", b.clock(b.s.Log.Began), schema.Count(len(b.s.Log.Steps), "answer", "answers"))
		c, _, err := a.choose("Continue it, start a new one, or quit? [g/n/q]", []choice{{'g', "continue"}, {'n', "new"}, {'q', "quit"}}, 'g')
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
	b.asked = true
	b.out("%s\n", b.paint.bold(b.head()))
	for _, c := range bench.Cautions {
		a.say("Caution: %s", c)
	}
	if fresh && b.s.Log.Unit == "" {
		a.say("No unit of %s is on record: what this session finds is kept for the model. Try: rigkeep unit new %s SERIAL", b.d.Sheet.Slug, b.d.Sheet.Slug)
	}
	if !fresh {
		a.say("Continuing after %s.", schema.Count(len(b.s.Log.Steps), "answer", "answers"))
	}
	if b.trials() == 0 {
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

// head names what is on the stand.
func (b *benchRun) head() string {
	return safe.Line(b.d.Label() + " on " + firstOf(b.s.Log.Unit, b.d.Sheet.Slug))
}

// askLoop asks until the session is over or left, on a screen where there is one.
func (b *benchRun) askLoop(a *prompter) error {
	closeScreen := a.openScreen(func(wide int) []string { return b.block(b.s.State.Next(), wide) })
	done, err := b.questions(a)
	closeScreen()
	switch {
	case err != nil:
		return err
	case done:
		return b.finish(a)
	}
	b.printResumeHint(a)
	return nil
}

// questions asks one after the other; done says that none is left.
func (b *benchRun) questions(a *prompter) (done bool, err error) {
	for {
		p := b.s.State.Next()
		if p.Stage == bench.Done {
			return true, nil
		}
		if a.screen == nil {
			for _, l := range b.block(p, a.columns()) {
				b.out("%s\n", l)
			}
		}
		ask := b.askTrial
		if p.Stage == bench.InHand {
			ask = b.askHand
		}
		if leave, err := ask(a, p); err != nil || leave {
			return false, err
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
		a.say("No answers recorded; no session was kept.")
		return
	}
	a.say("%s stored in %s", schema.Count(len(b.s.Log.Steps), "answer", "answers"), b.s.Path)
	b.out("Try: rigkeep bench %s --resume\n", b.args[0])
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

func (b *benchRun) trials() int {
	n := 0
	for _, r := range b.s.State.Results() {
		n += r.Trials
	}
	return n
}

// balance says the balance that counts for the session: a record of the same day is taken,
// else one is offered; an effort that is not workable is asked about.
func (b *benchRun) balance(a *prompter) (leave bool, err error) {
	for {
		rec, ok, err := b.lib.Balance().OfDay(b.d, b.s.Log.Unit, b.Now())
		if err != nil {
			return false, err
		}
		question := "No balance record of today. Balance now, continue without it, or quit? [b/g/q]"
		if ok {
			reads := rec.ReadEfforts(b.d.Sheet, b.d.Rig)
			a.say("Balance of %s: %s", b.clock(rec.Began), firstOf(shortReadings(reads), "no resting effort was read"))
			bad := false
			for _, r := range reads {
				if r.Read.Verdict == balance.Rebalance {
					bad = true
					a.say("%s", safe.Text(r.Read.Words))
				}
			}
			if !bad || b.c.Bool("go-on") {
				return false, nil
			}
			question = "Rebalance first. Balance again, continue anyway, or quit? [b/g/q]"
		} else if b.c.Bool("go-on") {
			return false, nil
		}
		c, _, err := a.choose(question, []choice{{'b', "balance"}, {'g', "continue"}, {'q', "quit"}}, 'b')
		if err != nil || c != 'b' {
			return c == 'q', err
		}
		w := &balanceRun{invocation: b.invocation, d: b.d, unit: b.s.Log.Unit}
		if err := w.walk(a); err != nil {
			return false, err
		}
		goOn.Store(nil)
	}
}

// shortReadings are resting efforts in a line, of each axis the largest:
// "pan 1 % (good), tilt 1.5 % (workable)".
func shortReadings(reads []preset.PointReading) string {
	most := map[string]preset.PointReading{}
	var order []string
	for _, r := range reads {
		name := r.Point.Text
		if r.Point.HasAxis {
			name = r.Point.Axis.String()
		}
		was, have := most[name]
		if !have {
			order = append(order, name)
		}
		if !have || math.Abs(r.Read.Effort) > math.Abs(was.Read.Effort) {
			most[name] = r
		}
	}
	var out []string
	for _, name := range order {
		r := most[name].Read
		out = append(out, fmt.Sprintf("%s %s %% (%s)", safe.Line(name), schema.Sig(r.Effort, 3), r.Verdict))
	}
	return strings.Join(out, ", ")
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

var (
	trialChoices  = []choice{{'c', "clean"}, {'h', "chatter"}, {'r', "rocking"}, {'s', "stand only"}, {'k', "skip this axis"}, {'u', "undo"}, {'n', "note"}, {'o', "another value"}, {'q', "quit"}}
	decideChoices = []choice{{'w', "withdraw the oscillation"}, {'k', "keep it as the onset"}, {'u', "undo"}, {'n', "note"}, {'q', "quit"}}
	handChoices   = []choice{{'c', "clean handheld"}, {'h', "chatter"}, {'r', "rocking"}, {'s', "stand only"}, {'k', "skip the rest"}, {'v', "keep a value nearer the onset"}, {'u', "undo"}, {'n', "note"}, {'q', "quit"}}
	styleChoices  = append([]choice{{'k', "skip this style"}}, without(handChoices, 'k')...)
)

func without(cs []choice, key byte) []choice {
	return slices.DeleteFunc(slices.Clone(cs), func(c choice) bool { return c.key == key })
}

// choices are the answers to a question, with those of them that its line of keys shows.
func choices(p bench.Proposal) (cs []choice, keys []string) {
	switch {
	case p.Stage == bench.Decide:
		return decideChoices, []string{"[w]ithdraw", "[k]eep", "[u]ndo", "[q]uit", " ? help"}
	case p.Stage == bench.InHand:
		cs = handChoices
		if p.Point.Style != "" {
			cs = styleChoices
		}
		return cs, []string{"[c]lean", "c[h]atter", "[r]ocking", "[v]alue", "s[k]ip", "[u]ndo", "[q]uit", " ? help"}
	}
	return trialChoices, []string{"[c]lean", "c[h]atter", "[r]ocking", "[s]tand only", "s[k]ip", "[u]ndo", "[q]uit", " ? help"}
}

var sawOf = map[byte]bench.Outcome{'c': bench.Clean, 'h': bench.Chatter, 'r': bench.Rocking, 's': bench.Stand, 'k': bench.Skip, 'u': bench.Undo}

// askTrial asks what is seen at the proposed value.
func (b *benchRun) askTrial(a *prompter, p bench.Proposal) (leave bool, err error) {
	cs, _ := choices(p)
	c, hz, err := a.choose(">", cs, 0)
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
		e.Saw, e.Value = bench.Withdraw, &value
	case p.Stage == bench.Decide && c == 'k':
		e.Saw, e.Value = bench.Keep, &value
	case c == 'u':
		e = bench.Event{Saw: bench.Undo}
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
			a.say("%s: %s", r.Axis, r.Words())
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

var otherChoices = append(trialChoices[:4:4], choice{'u', "undo, none of these"})

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
		c, hz, err := a.choose(fmt.Sprintf("%s %s: clean, chatter, rocking, stand only, undo? [c/h/r/s/u]", x, schema.Num(v)), otherChoices, 0)
		if err != nil || c == 'u' {
			return bench.Event{}, err
		}
		if e.Saw = sawOf[c]; b.hz(a, &e, hz) {
			return e, nil
		}
	}
}

// askHand asks how the kept values work handheld at one point.
func (b *benchRun) askHand(a *prompter, p bench.Proposal) (leave bool, err error) {
	cs, _ := choices(p)
	c, hz, err := a.choose(">", cs, 0)
	if err != nil {
		return false, err
	}
	e := bench.Event{Saw: sawOf[c]}
	switch c {
	case 'q':
		return true, nil
	case 'n':
		return false, b.askNote(a, 0, false)
	case 'c':
		e.Saw = bench.Hand
	case 'v':
		return false, b.askNearer(a)
	case 'h', 'r':
		x, back, err := a.askAxis()
		if err != nil || back {
			return false, err
		}
		e.Axis, e.HasAxis = x, true
		if !b.hz(a, &e, hz) {
			return false, nil
		}
	}
	return false, b.take(a, e)
}

// askAxis asks for an axis; u goes back to the question that led here.
func (a *prompter) askAxis() (x schema.Axis, back bool, err error) {
	c, _, err := a.choose("which axis? [p/t/r, u undo]", []choice{{'p', "pan"}, {'t', "tilt"}, {'r', "roll"}, {'u', "undo"}}, 0)
	return map[byte]schema.Axis{'p': schema.Pan, 't': schema.Tilt, 'r': schema.Roll}[c], c == 'u', err
}

// askNearer keeps a value nearer the onset than the margin gives.
func (b *benchRun) askNearer(a *prompter) error {
	x, back, err := a.askAxis()
	if err != nil || back {
		return err
	}
	s, err := a.line(fmt.Sprintf("which value of %s to keep, above what the margin of %s gives? [Enter: none]", x, schema.Num(b.s.Log.Plan.Margin)))
	if err != nil || s == "" {
		return err
	}
	v, ok := typedNumber(s)
	if !ok {
		a.say("%q is not a number", safe.Line(s))
		return nil
	}
	return b.take(a, bench.Event{Saw: bench.Nearer, Axis: x, HasAxis: true, Value: &v})
}

// finish shows what was found and saves it.
func (b *benchRun) finish(a *prompter) error {
	b.wide = a.columns()
	b.printEnd()
	if err := b.reread(); err != nil {
		return err
	}
	cs := []choice{{'s', "save"}, {'v', "keep a value nearer the onset"}, {'u', "undo"}, {'q', "quit"}}
	question := "Save, keep a nearer value, undo the last answer, or quit? [s/v/u/q]"
	none := len(b.s.KeptValues()) == 0
	if none {
		a.say("No value found; the tune is unchanged.")
		cs, question = []choice{{'e', "end"}, {'u', "undo"}, {'q', "quit"}}, "End the session, undo the last answer, or quit? [e/u/q]"
	}
	c, _, err := a.choose(question, cs, 0)
	if err != nil {
		return err
	}
	switch c {
	case 'q':
		a.say("Session left open.")
		if !none {
			b.out("Try: rigkeep bench %s --save -m REASON\n", b.args[0])
		}
		return nil
	case 'u':
		if err := b.take(a, bench.Event{Saw: bench.Undo}); err != nil {
			return err
		}
		return b.askLoop(a)
	case 'v':
		if err := b.askNearer(a); err != nil {
			return err
		}
		return b.askLoop(a)
	case 'e':
		ctx, stop := b.ctx()
		defer stop()
		return b.lib.Sessions().End(ctx, b.s, b.Now())
	}
	why := b.c.String("message")
	if why == "" {
		if why, err = a.line(fmt.Sprintf("reason [Enter: %s]:", safe.Line(b.s.Subject(b.d)))); err != nil {
			return err
		}
	}
	_, err = b.saveSession(why)
	return err
}
