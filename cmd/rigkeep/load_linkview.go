package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"rigkeep/cmd/rigkeep/device"
	"rigkeep/diffview/safe"
	"rigkeep/preset/link"
	"rigkeep/preset/link/wire"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// jsonLoadLink is the documented shape of what load --link did.
type jsonLoadLink struct {
	Format int         `json:"format"`
	Unit   string      `json:"unit"`
	Tune   string      `json:"tune,omitempty"`
	Plan   link.Plan   `json:"plan"`
	Frames []jsonFrame `json:"frames,omitempty"` // with --plan: what would be sent
	Log    string      `json:"log,omitempty"`
	Result link.Result `json:"result"`
}

// jsonFrame is one frame that would be sent.
type jsonFrame struct {
	What string `json:"what"`
	Hex  string `json:"hex"`
}

func (r *linkRun) printPlan(d *library.Loaded, plan link.Plan, others []string, style string, differs []string) {
	r.printf("%s\n", r.paint.bold(fmt.Sprintf("%s onto unit %s: %s, %s", safe.Line(d.Label()), safe.Line(firstOf(r.u.Label, r.u.Serial)), schema.Count(len(plan.Changes), "dial", "dials"), schema.Count(len(plan.Steps), "write", "writes"))))
	t := table{head: true}
	t.add("dial", "old", "new", "change", "it calls it", "old there", "new there")
	for _, c := range plan.Changes {
		t.add(c.Key, schema.Num(c.Old), schema.Num(c.New), schema.Signed(c.New-c.Old), safe.Line(c.ID), rawText(c.OldBits, c.Type, r.sheet), rawText(c.NewBits, c.Type, r.sheet))
	}
	r.write(t.render(r.paint, "  ", r.wide))
	if style != "" {
		r.printf("Follow values are those of style %s.\n", style)
	}
	if len(others) > 0 {
		r.write(wrap(fmt.Sprintf("%s by hand, ticked off at the end: %s.", schema.Count(len(others), "value is keyed in", "values are keyed in"), strings.Join(others, ", ")), "", r.wide))
	}
	if len(differs) > 0 {
		r.printf("Not as on record: %s.\n", strings.Join(differs, "; "))
	}
	if r.u.Trouble != "" {
		r.printf("Trouble of this unit: %s\n", safe.Line(r.u.Trouble))
	}
	if r.c.Signed {
		r.say("The unit signs what it sends; it may ignore what is written to it.")
	}
}

func rawText(bits uint32, t link.Type, s *schema.Sheet) string {
	v, err := link.Number(bits, t, s.Link.Integers)
	if err != nil {
		return err.Error()
	}
	return schema.Num(link.Shortest(v, t))
}

// printAway shows what the unit has now and had before.
func (r *linkRun) printAway() {
	res := r.s.Result()
	for _, l := range res.Left {
		has := "unknown"
		if l.Has != nil {
			has = schema.Num(*l.Has)
		}
		r.say("%s is %s; before it was %s", l.Key, has, schema.Num(l.Old))
	}
	for _, c := range r.s.Begun().Plan.Changes {
		if slices.Contains(res.Partly, c.Key) {
			r.say("%s is %s; before it was %s", c.Key, schema.Num(c.New), schema.Num(c.Old))
		}
	}
}

func (r *linkRun) printResult(res link.Result) {
	// first and loudest what does not have its value
	for _, l := range res.Left {
		has := "UNKNOWN"
		if l.Has != nil {
			has = schema.Num(*l.Has)
		}
		r.printf("%s\n", r.paint.bold(fmt.Sprintf("NOT RESTORED: %s is %s; before it was %s", l.Key, has, schema.Num(l.Old))))
	}
	if len(res.Left) > 0 {
		r.say("Try: rigkeep load %s --unit %s --link --restore", safe.Line(firstOf(r.s.Begun().Tune, "RIG")), safe.Line(r.u.Serial))
	}
	for _, x := range []struct {
		word string
		keys []string
	}{{"written", res.Written}, {"has its new value, although the writing did not end", res.Partly}, {"has its old value", res.Restored}} {
		if len(x.keys) > 0 {
			r.printf("%s: %s\n", x.word, strings.Join(x.keys, ", "))
		}
	}
	if res.Stopped != "" {
		r.printf("stopped: %s\n", safe.Line(res.Stopped))
	}
	if res.Outcome != "" && res.Outcome != link.Written {
		r.printf("result: %s\n", res.Outcome)
	}
	switch {
	case res.Kept == "yes" && len(res.Written) > 0:
		r.printf("The unit keeps them when it is switched off.\n")
	case res.Kept == "no" && len(res.Written) > 0:
		r.printf("Held until power-off: the unit does not keep them when it is switched off.\n")
	case res.Kept == "refused":
		r.printf("The unit refused to keep them: held until power-off.\n")
	case res.Kept == "unknown":
		r.printf("UNKNOWN whether the unit keeps them when it is switched off.\n")
	case len(res.Written)+len(res.Partly)+len(res.Restored)+len(res.Left) == 0:
		r.printf("Nothing was written.\n")
	}
}

// planLink prints what would be sent, and opens no line. The unit's record stands for
// what it has.
func (k deviceRun) planLink(d *library.Loaded, u library.UnitRef, memory int, sheet *schema.Sheet, wants []link.Want) error {
	held, _ := u.Holds(memory)
	var values []link.Value
	var known []link.Want
	var unknown []string
	for _, w := range wants {
		dial := sheet.Dials[w.Dial]
		n, ok := schema.Number(held.Values[w.Key])
		if !ok {
			unknown = append(unknown, w.Key)
			continue
		}
		bits, err := link.FromDial(*dial.Link, n, sheet.Link.Integers)
		if err != nil {
			return fail(exitConflict, "%s: %v", w.Key, err)
		}
		t := link.TypeOf(dial.Link.Type)
		values = append(values, link.Value{Dial: w.Dial, Link: *dial.Link, Reading: link.Reading{ID: dial.Link.ID, Type: t, Bits: bits}, Number: n, Known: true})
		known = append(known, w)
	}
	plan, err := link.NewPlan(k.cat, sheet, known, values)
	if err != nil {
		return planFailure(err)
	}
	var frames []jsonFrame
	seq := byte(0)
	frame := func(what string, m wire.Message) error {
		b, err := device.Bytes(m, seq)
		if err != nil {
			return err
		}
		seq++
		frames = append(frames, jsonFrame{what, fmt.Sprintf("%x", b)})
		return nil
	}
	for _, s := range plan.Steps {
		c := plan.Changes[s.Change]
		err := errors.Join(
			frame(fmt.Sprintf("write %s %s", c.Key, schema.Num(s.To)), wire.Set{Bits: s.Bits, System: sheet.Link.System, Component: sheet.Link.Component, ID: c.ID, Type: byte(c.Type)}),
			frame("read "+c.Key, wire.ReadOne{Index: -1, System: sheet.Link.System, Component: sheet.Link.Component, ID: c.ID}))
		if err != nil {
			return err
		}
	}
	if len(plan.Steps) > 0 && sheet.Link.Permanent == schema.OnCommand {
		if err := frame("keep over a power cycle, if you say so", device.KeepMessage(device.Pair{System: sheet.Link.System, Component: sheet.Link.Component}, 0)); err != nil {
			return err
		}
	}
	if k.json() {
		return k.encode(jsonLoadLink{Format: 1, Unit: u.Serial, Tune: d.Label(), Plan: plan, Frames: frames})
	}
	k.printf("%s\n", k.paint.bold(fmt.Sprintf("%s onto unit %s, as its record stands: %s", safe.Line(d.Label()), safe.Line(u.Serial), schema.Count(len(plan.Steps), "write", "writes"))))
	t := table{}
	for _, f := range frames {
		t.add(f.What, f.Hex)
	}
	k.write(t.render(k.paint, "  ", k.wide))
	if len(unknown) > 0 {
		k.say("What the unit has is not on record for %s.\nTry: rigkeep unit read %s --record", strings.Join(unknown, ", "), safe.Line(u.Serial))
	}
	k.say("Nothing was sent.")
	return nil
}
