package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/cmd/rigkeep/device"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/link"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// loadLinkFlags are the flags of load that are about a link.
func loadLinkFlags() []cli.Flag {
	return append(boolFlags("link", "write over the unit's link, step by step",
		"plan", "with --link: print what would be sent",
		"restore", "with --link: undo a write that did not end"),
		fromFlag(), styleFlag())
}

// linkCautions are said before anything is written.
var linkCautions = []string{
	"Writing to a motor controller can set the head moving. Balance the camera first; motors off, or the head on its stand and held; hands, hair and straps clear; a hand at the motor switch.",
	"The values are a place to work from, not a promise. The maker's manual, local codes and qualified crew come first.",
}

// linkRun is one writing to a unit.
type linkRun struct {
	*invocation
	ctx    context.Context
	stop   context.CancelFunc
	u      library.UnitRef
	memory int
	sheet  *schema.Sheet
	c      *device.Client
	s      *link.Session
	log    string
	lines  chan answered
}

type answered struct {
	text string
	err  error
}

// runLoadLink writes a tune to a unit over its link. Nothing is sent that writes before
// the old values are on disk, the unit's label was typed and the person said that
// the head is ready.
func runLoadLink(k *invocation, d *library.Loaded, u library.UnitRef, memory int) error {
	sheet, err := deviceRun{k}.linkedSheet(u)
	if err != nil {
		return err
	}
	style, err := deviceRun{k}.styleToLoad(d)
	if err != nil {
		return err
	}
	wants, others, err := deviceRun{k}.wants(d, sheet, style)
	if err != nil {
		return err
	}
	if k.c.Bool("plan") || k.dryRun() {
		return deviceRun{k}.planLink(d, u, memory, sheet, wants)
	}
	if s, err := k.lib.Sessions().Open(d); err != nil {
		return err
	} else if s != nil {
		return fail(exitConflict, "a bench session on %s waits for an answer; nothing was written", refName(d)).hinted("Try: rigkeep bench %s --resume", refName(d))
	}
	release, err := k.lib.Units().LockStand(d.Rig.ID)
	if err != nil {
		return err
	}
	defer release()
	free, err := k.lib.Units().Lock(u)
	if err != nil {
		return err
	}
	defer free()
	r := &linkRun{invocation: k, u: u, memory: memory, sheet: sheet}
	if err := r.open(); err != nil {
		return err
	}
	defer r.close()
	begin, log, err := unitRun{k}.pending(u)
	if err != nil {
		return err
	}
	if log != "" {
		if done, err := r.offerRestore(begin, log); done || err != nil {
			return err
		}
	} else if k.c.Bool("restore") {
		return fail(exitNotFound, "the last writing to unit %s left nothing to restore", u.Serial)
	}
	return r.load(d, wants, others, style)
}

// styleToLoad is the follow style whose values go into the unit's follow dials.
func (k deviceRun) styleToLoad(d *library.Loaded) (string, error) {
	have := d.Tune.Styles()
	s := k.c.String("style")
	switch {
	case s != "" && !slices.Contains(have, s):
		return "", usage("the tune has no follow style %q", s).hinted("it has: %s", joinOrNone(strings.Join(have, ", ")))
	case s == "" && len(have) == 1:
		return have[0], nil
	}
	return s, nil
}

// wants are the values to be put on the unit, and the keys of the tune that no dial
// with a link is for.
func (k deviceRun) wants(d *library.Loaded, sheet *schema.Sheet, style string) (out []link.Want, others []string, err error) {
	onsets, err := k.lib.Evidence().Onsets(d)
	if err != nil {
		return nil, nil, err
	}
	keys := slices.Sorted(maps.Keys(d.Tune.Values))
	for _, key := range keys {
		p, ok := k.cat.Param(key)
		v, num := schema.Number(d.Tune.Values[key])
		if !ok || !num {
			continue
		}
		linked := p.Dial != "" && sheet.Dials[p.Dial].Link != nil
		if strings.HasPrefix(key, "follow.") && !strings.HasPrefix(key, "follow."+style+".") {
			linked = false
		}
		if !linked {
			others = append(others, key)
			continue
		}
		w := link.Want{Key: key, Dial: p.Dial, Axis: p.Axis, Number: v}
		if p.Group == "stiffness" {
			w.Ceiling, w.Why = k.ceiling(sheet, sheet.Dials[p.Dial], p.Axis, onsets)
		}
		out = append(out, w)
	}
	return out, others, nil
}

// ceiling is the stiffest dial number that the lowest onset on record allows, nil where
// none is known.
func (k deviceRun) ceiling(sheet *schema.Sheet, d schema.Dial, axis string, onsets []preset.OnsetRecord) (*float64, string) {
	var low *preset.OnsetRecord
	for i, o := range onsets {
		if o.Axis.String() == axis && (low == nil || d.Less(o.Onset, low.Onset)) {
			low = &onsets[i]
		}
	}
	if low == nil {
		return nil, ""
	}
	top := low.Onset / sheet.BenchMargin
	switch {
	case d.Map != nil:
		si, err := d.ToSI(low.Onset)
		if err != nil {
			return nil, ""
		}
		if top, err = d.FromSI(si / sheet.BenchMargin); err != nil {
			top = d.Min
			if d.Sign < 0 {
				top = d.Max
			}
		}
	case d.Min < 0:
		top = low.Onset // no ratio of such numbers has a meaning
	case d.Sign < 0:
		top = low.Onset * sheet.BenchMargin
	}
	top = math.Round(top*1e6) / 1e6
	return &top, fmt.Sprintf("the onset %s of %s less the margin %s", schema.Num(low.Onset), k.on(low.At), schema.Num(sheet.BenchMargin))
}

// open opens the line and begins to take the person's lines.
func (r *linkRun) open() error {
	if r.flagged("no-input") {
		return usage("load --link asks, and --no-input forbids it").hinted("nothing was written")
	}
	if !tty(r.Stdin) && !r.flagged("plain") {
		return usage("no terminal for questions").hinted("add --plain to be asked line by line; nothing was written")
	}
	from, err := deviceRun{r.invocation}.address(r.u)
	if err != nil {
		return err
	}
	foregroundJobs.Add(1) // Ctrl-C is taken here: what is under way is finished, then putting back is offered
	r.ctx, r.stop = r.invocation.ctx()
	r.c, err = deviceRun{r.invocation}.reach(r.ctx, from, device.Pair{System: r.sheet.Link.System, Component: r.sheet.Link.Component}, r.sheet.Link.RaiseLines)
	if err != nil {
		foregroundJobs.Add(-1)
		r.stop()
		return err
	}
	r.lines = make(chan answered)
	go func() {
		in := bufio.NewScanner(r.Stdin)
		for in.Scan() {
			r.lines <- answered{text: strings.TrimSpace(in.Text())}
		}
		err := in.Err()
		if err == nil {
			err = io.EOF
		}
		for {
			r.lines <- answered{err: err}
		}
	}()
	return nil
}

func (r *linkRun) flagged(flag string) bool { return r.invocation.c.Bool(flag) }

func (r *linkRun) close() {
	foregroundJobs.Add(-1)
	r.stop()
	_ = r.c.Close()
}

// ask puts a question on stderr and listens to the device while it waits for a line: one
// that is lost or restarts ends the question.
func (r *linkRun) ask(format string, args ...any) (string, error) {
	fmt.Fprint(r.Stderr, r.fold(r.Stderr, fmt.Sprintf(format, args...)), " ")
	for {
		select {
		case a := <-r.lines:
			if !tty(r.Stdin) {
				fmt.Fprintln(r.Stderr, safe.Line(a.text))
			}
			if a.err != nil {
				return "", errStopped
			}
			return a.text, nil
		case <-r.ctx.Done():
			fmt.Fprintln(r.Stderr)
			return "", errStopped
		default:
		}
		if err := r.c.Watch(r.ctx, 50*time.Millisecond); err != nil {
			if errors.Is(err, context.Canceled) {
				err = errStopped
			}
			fmt.Fprintln(r.Stderr)
			return "", err
		}
	}
}

// yes asks until the answer is one.
func (r *linkRun) yes(format string, args ...any) (bool, error) {
	for {
		s, err := r.ask(format+" [y/n]", args...)
		if err != nil {
			return false, err
		}
		switch strings.ToLower(s) {
		case "y", "yes":
			return true, nil
		case "n", "no":
			return false, nil
		}
		r.say("y or n")
	}
}

// fresh reads the unit, and refuses on any doubt.
func (r *linkRun) fresh() (unitReading, error) {
	got, err := readUnit(r.ctx, r.c, r.sheet, r.u)
	if err == nil {
		// two devices under one number show in their signs of life
		err = linkFailure(r.c.Watch(r.ctx, 2200*time.Millisecond))
	}
	if err != nil {
		return got, err
	}
	if len(got.doubts) > 0 {
		for _, d := range got.doubts {
			r.say("%s", safe.Line(d.Text))
		}
		code := exitConflict
		if !slices.ContainsFunc(got.doubts, func(d link.Doubt) bool { return d.Reason != link.NoAnswer }) {
			code = exitNetwork
		}
		return got, fail(code, "%s: nothing was written", doubtWords(got.doubts))
	}
	return got, nil
}

// load writes the tune.
func (r *linkRun) load(d *library.Loaded, wants []link.Want, others []string, style string) error {
	got, err := r.fresh()
	if err != nil {
		return err
	}
	plan, err := link.NewPlan(r.cat, r.sheet, wants, got.values)
	if err != nil {
		return planFailure(err)
	}
	others = append(others, plan.ByHand...)
	differs := r.differs(plan, d)
	if !r.json() {
		r.printPlan(d, plan, others, style, differs)
	}
	if len(plan.Steps) == 0 {
		if r.json() {
			return r.encode(jsonLoadLink{Format: 1, Unit: r.u.Serial, Tune: d.Label(), Plan: plan})
		}
		r.say("The unit has these values already; nothing was written.")
		if len(others) > 0 {
			r.say("Try: rigkeep load %s --unit %s", safe.Line(d.Label()), shellWords([]string{r.u.Serial}))
		}
		return nil
	}
	begin := r.begin(got.id, plan)
	begin.Tune, begin.Digest, begin.Differs = d.Label(), d.Tune.Digest(), len(differs) > 0
	if d.Commit != nil {
		begin.Commit = string(d.Commit.ID)
	}
	res, err := r.session(begin)
	if err != nil {
		return err
	}
	return r.finish(d, plan, others, res)
}

// differs lists the keys for which the unit has another value than its record says.
func (r *linkRun) differs(plan link.Plan, d *library.Loaded) []string {
	held, ok := r.u.Holds(r.memory)
	if !ok {
		return nil
	}
	var out []string
	for _, c := range plan.Changes {
		if n, ok := schema.Number(held.Values[c.Key]); ok && n != c.Old {
			out = append(out, fmt.Sprintf("%s: %s on record, %s on the unit", c.Key, schema.Num(n), schema.Num(c.Old)))
		}
	}
	return out
}

func planFailure(err error) error {
	var no *link.Refusal
	if errors.As(err, &no) {
		return fail(exitConflict, "nothing was written:\n%s", strings.Join(no.Reasons, "\n"))
	}
	return err
}

func (r *linkRun) begin(id string, plan link.Plan) link.Begin {
	from, _ := deviceRun{r.invocation}.address(r.u)
	who, _ := r.who()
	return link.Begin{Unit: r.u.Gimbal + "/" + r.u.Serial, Label: firstOf(r.u.Label, r.u.Serial), Address: from, System: r.sheet.Link.System, Component: r.sheet.Link.Component,
		DeviceID: id, Person: who.Name, Permanent: r.sheet.Link.Permanent, Integers: r.sheet.Link.Integers, Plan: plan}
}

// session runs a session to its end. Every event is on disk before what follows from it.
func (r *linkRun) session(b link.Begin) (link.Result, error) {
	r.s = link.NewSession(r.sheet, b)
	var err error
	if r.log, err = r.lib.Units().NewWrites(r.u, r.Now()); err != nil {
		return link.Result{}, err
	}
	// no log, no write
	if err := r.lib.Units().AppendWrite(r.log, link.Event{At: r.stamp(), Event: link.EvBegin, Begin: &b}); err != nil {
		return link.Result{}, err
	}
	for !r.s.Ended() {
		a := r.s.Next()
		if a.Do == link.DoEnd {
			res := r.s.Result()
			if err := r.note(link.Event{Event: link.EvEnd, Result: &res}); err != nil {
				return res, err
			}
			break
		}
		e, err := r.do(a)
		if err != nil {
			why := "interrupted"
			if !errors.Is(err, errStopped) && !errors.Is(err, context.Canceled) {
				why = err.Error()
				r.say("%s", safe.Line(why))
			}
			e = link.Event{Event: link.EvAbort, Text: why}
			r.renew()
		}
		if err := r.note(e); err != nil {
			return r.s.Result(), err
		}
	}
	return r.s.Result(), nil
}

// renew takes Ctrl-C anew after one was taken.
func (r *linkRun) renew() {
	r.stop()
	r.ctx, r.stop = r.invocation.ctx()
}

func (r *linkRun) stamp() string { return r.Now().UTC().Format(time.RFC3339Nano) }

// note puts an event into the log and then into the session.
func (r *linkRun) note(e link.Event) error {
	e.At = r.stamp()
	if err := r.lib.Units().AppendWrite(r.log, e); err != nil {
		return err
	}
	return r.s.Add(e)
}

// do carries out what comes next and says what came of it.
func (r *linkRun) do(a link.Action) (link.Event, error) {
	if err := r.ctx.Err(); err != nil {
		return link.Event{}, err
	}
	answer := func(event string, yes bool, err error) (link.Event, error) {
		return link.Event{Event: event, Yes: &yes}, err
	}
	begin := r.s.Begun()
	switch a.Do {
	case link.AskSeen:
		yes, err := r.yes("The unit has other values than its record says. Go on?")
		return answer(link.EvSeen, yes, err)
	case link.AskLabel:
		for _, c := range linkCautions {
			r.say("%s", c)
		}
		s, err := r.ask("Type the label of the unit on this line, as it stands on its case:")
		return answer(link.EvLabel, r.u.Is(s), err)
	case link.AskReady:
		yes, err := r.yes("Motors off or head held, on the stand, hands clear, camera balanced?")
		return answer(link.EvReady, yes, err)
	case link.AskQuiet:
		yes, err := r.yes("%s at %s: still quiet?", begin.Plan.Changes[a.Step.Change].Key, schema.Num(a.Step.To))
		return answer(link.EvQuiet, yes, err)
	case link.AskRestore:
		r.printAway()
		yes, err := r.yes("Put the old values back?")
		return answer(link.EvRestore, yes, err)
	case link.AskStore:
		yes, err := r.yes("All values are written and read back. Is the head quiet, and should the unit keep them when it is switched off?")
		return answer(link.EvStore, yes, err)
	case link.DoStore:
		o, err := r.c.Keep()
		e := link.Event{Event: link.EvStored, Outcome: o}
		if err != nil {
			e.Text = err.Error()
		}
		return e, nil
	case link.DoReadBack:
		return r.readBack(begin)
	case link.DoWrite:
		return r.writeOne(a)
	}
	return link.Event{}, fmt.Errorf("nothing is known of %q", a.Do)
}

// writeOne sends one value. The line of the log stands before the frame goes out.
func (r *linkRun) writeOne(a link.Action) (link.Event, error) {
	if err := r.c.Trouble(); err != nil {
		return link.Event{}, err
	}
	c := r.s.Begun().Plan.Changes[a.Step.Change]
	step, old := a.Step, a.Old
	if err := r.note(link.Event{Event: link.EvSend, Step: &step, Key: c.Key, ID: c.ID, OldBits: &old}); err != nil {
		return link.Event{}, err
	}
	o, echo, read, err := r.c.Write(c.ID, c.Type, a.Old, a.Step.Bits)
	e := link.Event{Event: link.EvOutcome, Key: c.Key, ID: c.ID, Outcome: o, Echo: echo, Read: read}
	if err != nil {
		e.Text = err.Error()
	}
	word := map[bool]string{true: "back to ", false: "to "}[a.Back]
	r.say("%d of %d: %s %s%s: %s%s", a.Done+1, a.Total, c.Key, word, schema.Num(a.Step.To), o, r.outcomeTail(c, o, read))
	return e, nil
}

// outcomeTail says what the unit has where that is not what was asked.
func (r *linkRun) outcomeTail(c link.Change, o link.Outcome, read *uint32) string {
	switch o {
	case link.Written:
		return ""
	case link.Unknown:
		return "; what the unit has now is unknown"
	}
	if read == nil {
		return ""
	}
	raw, err := link.Number(*read, c.Type, r.sheet.Link.Integers)
	if err != nil {
		return "; the unit has " + err.Error()
	}
	return "; the unit has " + schema.Num(link.ToDial(*r.sheet.Dials[c.Dial].Link, raw))
}

// readBack reads what was written to again.
func (r *linkRun) readBack(b link.Begin) (link.Event, error) {
	var ids []string
	for _, c := range b.Plan.Changes {
		ids = append(ids, c.ID)
	}
	said, err := r.c.Read(r.ctx, ids)
	if errors.Is(err, device.ErrRestarted) || errors.Is(err, device.ErrLost) {
		// it may be back: what it has now is what counts
		if err = r.c.Connect(r.ctx, r.c.Pair); err == nil {
			said, err = r.c.Read(r.ctx, ids)
		}
	}
	if err != nil {
		return link.Event{}, err
	}
	e := link.Event{Event: link.EvReadBack, Found: map[string]*uint32{}}
	for _, c := range b.Plan.Changes {
		e.Found[c.ID] = nil
		if x, ok := said[c.ID]; ok && x.Type == c.Type {
			e.Found[c.ID] = &x.Bits
		}
	}
	return e, nil
}

// offerRestore offers to put back what a writing that did not end has left. done says that
// there is nothing more to do in this run.
func (r *linkRun) offerRestore(b link.Begin, log string) (done bool, err error) {
	r.say("The last writing to this unit did not end (%s).", safe.Line(log))
	for _, c := range b.Plan.Changes {
		r.say("%s was %s before it; the unit was to have %s", c.Key, schema.Num(c.Old), schema.Num(c.New))
	}
	if !r.flagged("restore") {
		yes, err := r.yes("Put the old values back first?")
		if err != nil {
			return true, unsent(err)
		}
		if !yes {
			return false, nil
		}
	}
	got, err := r.fresh()
	if err != nil {
		return true, err
	}
	nb := r.begin(got.id, b.Plan)
	nb.Restores, nb.Tune, nb.Permanent, nb.Integers = b.Restores, b.Tune, b.Permanent, b.Integers
	res, err := r.session(nb)
	if err != nil {
		return true, err
	}
	return true, r.finish(nil, b.Plan, nil, res)
}
