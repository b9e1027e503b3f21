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
	if b.c.Bool("no-input") {
		return usage("--no-input and no answer given").hinted("add --saw for one answer, or --json for what to set next")
	}
	a, done, err := b.ask(b.c.Bool("plain"))
	if err != nil {
		return err
	}
	err = b.talk(a)
	goOn.Store(nil)
	done()
	if errors.Is(err, errStopped) {
		if b.s == nil || !b.s.Saved() { // only the unit was asked for
			return stopped("stopped; nothing was answered yet", "begin again with: rigkeep bench "+b.args[0])
		}
		return stopped(fmt.Sprintf("stopped after %d answers; all of them are in %s", len(b.s.Log.Steps), b.s.Path), "go on with: rigkeep bench "+b.args[0]+" --resume")
	}
	return err
}

func (b *benchRun) talk(a *asker) error {
	if b.s != nil && !b.c.Bool("resume") && !b.c.Bool("new") {
		a.say("A session of %s with %d answers is open.", b.s.Log.Began.Format("2006-01-02 15:04"), len(b.s.Log.Steps))
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
	if err := b.takeUp(); err != nil {
		return err
	}
	if err := b.onDisk(); err != nil {
		return err
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
		if err := b.balance(a); err != nil {
			return err
		}
	} else {
		a.say("%d answers so far; here it goes on.", len(b.s.Log.Steps))
		if b.looks() == 0 {
			if err := b.balance(a); err != nil {
				return err
			}
		}
	}
	b.told = map[bench.Stage]bool{}
	return b.talkOn(a)
}

func (b *benchRun) onDisk() error {
	ctx, stop := b.ctx()
	defer stop()
	again := "rigkeep bench " + b.args[0] + " --resume"
	goOn.Store(&again)
	return b.lib.BeginSession(ctx, b.s)
}

// talkOn asks until the session is over or left.
func (b *benchRun) talkOn(a *asker) error {
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
			if b.s.Saved() {
				a.say("%d answers are in %s; go on with: rigkeep bench %s --resume", len(b.s.Log.Steps), b.s.Path, b.args[0])
			}
			return nil
		}
	}
}

// askUnit asks for a unit until it is one of the sheet's.
func (a *asker) askUnit(sheet *schema.Sheet) (string, error) {
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
func (b *benchRun) balance(a *asker) error {
	done := b.s.Log.BalanceDone(b.d.Sheet, b.d.Rig)
	a.say("Balance first: the resting effort in percent as the controller shows it; two readings from either side as 2.1/-1.4 tell friction apart. Enter passes a point over.")
	for _, p := range preset.BalancePoints(b.d.Sheet) {
		for !done[p.Text] {
			efforts, err := a.efforts(p.Text)
			if err != nil {
				return err
			}
			if efforts == nil {
				if err := b.answer(bench.Event{Saw: bench.Note, Axis: p.Axis, HasAxis: p.HasAxis, Text: preset.NotRead + p.Text}); err != nil {
					return err
				}
				break
			}
			ok, err := b.note(p, efforts)
			if err != nil {
				a.say("%v", err)
				continue
			}
			r := b.balances[len(b.balances)-1]
			a.say("%s", strings.TrimSuffix(r.Words+". "+r.Guess, ". "))
			e := bench.Event{Saw: bench.Effort, Axis: p.Axis, HasAxis: p.HasAxis, Effort: r.Effort, Text: p.Text}
			if err := b.answer(e); err != nil {
				return err
			}
			if ok || b.c.Bool("go-on") {
				break
			}
			c, _, err := a.choose("Rebalance: power off, move it, then read again. Read again, go on as it is, or leave? [r/g/q]",
				[]choice{{'r', "read again"}, {'g', "go on"}, {'q', "leave"}}, 'r')
			if err != nil {
				return err
			}
			if c == 'q' {
				a.say("Rebalance, then go on with: rigkeep bench %s --resume", b.args[0])
				return errFindings
			}
			if c == 'g' {
				if err := b.answer(bench.Event{Saw: bench.Note, Axis: p.Axis, HasAxis: p.HasAxis, Text: preset.GoneOn + p.Text}); err != nil {
					return err
				}
				break
			}
		}
	}
	return nil
}

// efforts reads one effort or two; nil for Enter.
func (a *asker) efforts(point string) ([]float64, error) {
	for {
		s, err := a.line(safe.Line(point) + ":")
		if err != nil || s == "" {
			return nil, err
		}
		var out []float64
		bad := false
		for _, w := range strings.Split(s, "/") {
			v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(w), "%")), 64)
			bad = bad || err != nil || v < -100 || v > 100 || v != v
			out = append(out, v)
		}
		if !bad && len(out) <= 2 {
			return out, nil
		}
		a.say("%q is no effort: a number of percent from -100 to 100, or two as 2.1/-1.4", safe.Line(s))
	}
}

var lookChoices = []choice{{'c', "clean"}, {'f', "fast and rough"}, {'s', "slow and smooth"}, {'t', "only on the stand"}, {'k', "skip this axis"}, {'b', "back"}, {'n', "note"}, {'o', "another value"}, {'q', "leave"}}
var decideChoices = []choice{{'w', "withdraw the oscillation"}, {'k', "keep it as the onset"}, {'b', "back"}, {'n', "note"}, {'q', "leave"}}
var handChoices = []choice{{'c', "clean in the hand"}, {'f', "fast and rough"}, {'s', "slow and smooth"}, {'t', "only on the stand"}, {'k', "skip the rest"}, {'b', "back"}, {'n', "note"}, {'q', "leave"}}

var sawOf = map[byte]bench.Saw{'c': bench.Clean, 'f': bench.Fast, 's': bench.Slow, 't': bench.Stand, 'k': bench.Skip, 'b': bench.Back}

// tell explains the keys of a stage once.
func (b *benchRun) tell(a *asker, stage bench.Stage, cs []choice, more string) {
	if b.told[stage] {
		return
	}
	b.told[stage] = true
	var w []string
	for _, c := range cs {
		w = append(w, string(c.key)+" "+c.word)
	}
	a.say("keys: %s, ? this again.%s", strings.Join(w, ", "), more)
}

func keysOf(cs []choice) string {
	var k []byte
	for _, c := range cs {
		k = append(k, c.key)
	}
	return "[" + string(k) + "]"
}

// askLook asks what is seen at the proposed value.
func (b *benchRun) askLook(a *asker, p bench.Proposal) (leave bool, err error) {
	cs, more := lookChoices, " A frequency goes before the key: 22f is fast at 22 Hz."
	stage := bench.Search
	if p.Stage == bench.Decide {
		cs, more, stage = decideChoices, "", bench.Decide
	}
	b.tell(a, stage, cs, more)
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
	case c == 'b':
		e = bench.Event{Saw: bench.Back}
	case c == 'k':
	case c == 'o':
		if e, err = a.otherValue(p.Axis); err != nil || e.Saw == "" {
			return false, err
		}
	default:
		e.Value = &value
		b.hz(a, &e, hz)
	}
	return false, b.take(a, e)
}

// hz puts a frequency that was typed before the key into an oscillation.
func (b *benchRun) hz(a *asker, e *bench.Event, typed string) {
	v, err := strconv.ParseFloat(typed, 64)
	if typed == "" || err != nil || v <= 0 {
		return
	}
	if !e.Saw.Oscillates() && e.Saw != bench.Stand {
		a.say("the number %s was not used: only an oscillation has a frequency", typed)
		return
	}
	e.Hz = v
}

// take records an answer; one that does not fit is said and asked again.
func (b *benchRun) take(a *asker, e bench.Event) error {
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

func (b *benchRun) askNote(a *asker, axis schema.Axis, has bool) error {
	s, err := a.line("note:")
	if err != nil || s == "" {
		return err
	}
	return b.take(a, bench.Event{Saw: bench.Note, Axis: axis, HasAxis: has, Text: s})
}

// otherValue asks for a look of the person's own choosing.
func (a *asker) otherValue(x schema.Axis) (bench.Event, error) {
	s, err := a.line("which value was set?")
	if err != nil || s == "" {
		return bench.Event{}, err
	}
	v, perr := strconv.ParseFloat(s, 64)
	if perr != nil || v-v != 0 {
		a.say("%q is not a number", safe.Line(s))
		return bench.Event{}, nil
	}
	cs := lookChoices[:4]
	c, hz, err := a.choose(x.String()+" "+s+" "+keysOf(cs), cs, 0)
	if err != nil {
		return bench.Event{}, err
	}
	e := bench.Event{Axis: x, HasAxis: true, Value: &v, Saw: sawOf[c]}
	if f, err := strconv.ParseFloat(hz, 64); err == nil && e.Saw.Oscillates() {
		e.Hz = f
	}
	return e, nil
}

// askHand asks how the kept values work in the hand at one tilt.
func (b *benchRun) askHand(a *asker, p bench.Proposal) (leave bool, err error) {
	if !b.told[bench.InHand] {
		var kept []string
		for _, r := range b.s.State.Results() {
			if r.Kept != nil {
				kept = append(kept, r.Axis.String()+" "+schema.Num(*r.Kept))
			}
		}
		a.say("Now in the hand, with %s: walk, turn, tap the handle. The tilt with the least inertia about pan comes first, since it oscillates soonest there.", strings.Join(kept, ", "))
	}
	b.tell(a, bench.InHand, handChoices, "")
	h := b.s.State.HandCheck()
	c, hz, err := a.choose(fmt.Sprintf("in the hand, %s (%d of %d) %s", p.Point.Label, h.Clean+1, h.Points, keysOf(handChoices)), handChoices, 0)
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
	case 'b':
		e = bench.Event{Saw: bench.Back}
	case 'f', 's':
		x, _, err := a.choose("which axis? [p/r/t]", []choice{{'p', "pan"}, {'r', "roll"}, {'t', "tilt"}}, 0)
		if err != nil {
			return false, err
		}
		e.Axis, e.HasAxis = map[byte]schema.Axis{'p': schema.Pan, 'r': schema.Roll, 't': schema.Tilt}[x], true
		b.hz(a, &e, hz)
	}
	return false, b.take(a, e)
}

// finish shows what was found and saves it.
func (b *benchRun) finish(a *asker) error {
	b.wide = a.columns()
	b.printEnd()
	w, err := b.wouldSave()
	if err != nil {
		return err
	}
	if len(b.s.KeptValues()) == 0 {
		a.say("No value was kept, so the tune stays as it is.")
		c, _, err := a.choose("end the session, take the last answer back, or leave it open? [e/b/q]", []choice{{'e', "end"}, {'b', "back"}, {'q', "leave"}}, 'q')
		if err != nil || c == 'q' {
			return err
		}
		if c == 'b' {
			if err := b.take(a, bench.Event{Saw: bench.Back}); err != nil {
				return err
			}
			return b.talkOn(a)
		}
		ctx, stop := b.ctx()
		defer stop()
		return b.lib.EndSession(ctx, b.s, b.Now())
	}
	if w == "" {
		w = "the tune has these values already; the log of the session is saved"
	}
	a.say("would save, with the log of the session:\n%s", safe.Text(w))
	c, _, err := a.choose("save, take the last answer back, or leave it open? [s/b/q]", []choice{{'s', "save"}, {'b', "back"}, {'q', "leave"}}, 0)
	if err != nil {
		return err
	}
	switch c {
	case 'q':
		a.say("The session stays open; save it with: rigkeep bench %s --save", b.args[0])
		return nil
	case 'b':
		if err := b.take(a, bench.Event{Saw: bench.Back}); err != nil {
			return err
		}
		return b.talkOn(a)
	}
	why := b.c.String("message")
	if why == "" {
		if why, err = a.line(fmt.Sprintf("why? [Enter: %s]", safe.Line(b.defaultWhy()))); err != nil {
			return err
		}
	}
	_, err = b.saveSession(why)
	return err
}
