package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/cmd/rigkeep/device"
	"rigkeep/diffview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/link"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func unitReadVerb() command {
	return command{
		name: "read", args: "UNIT", short: "read what a unit has over a link, beside what is on record", reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"units"},
		long:    "Asks the unit for each dial that the gimbal sheet ties to a setting of the device. It only reads. A difference from the record, or an unreliable answer, is a finding. --record takes what it has into its record.",
		example: "rigkeep unit read QL-0031 --from serial:/dev/ttyUSB0:115200",
		flags:   append(boolFlags("record", "take what was read in as what the unit holds"), fromFlag(), styleFlag(), &cli.IntFlag{Name: "memory", Usage: "its controller's memory `N` is the one in use"}),
		run:     runUnitRead,
	}
}

// jsonDialRead is the documented shape of one dial that was read.
type jsonDialRead struct {
	Dial     string   `json:"dial"`
	Key      string   `json:"key,omitempty"` // of a tune
	ID       string   `json:"id"`            // what the device calls it
	Value    *float64 `json:"value"`         // dial number; null where it is not known
	Raw      *float64 `json:"raw"`           // the device's number
	Bits     uint32   `json:"bits"`
	Recorded *float64 `json:"recorded"` // null where nothing is on record
	Same     *bool    `json:"same"`     // null where one of the two is not known
}

// jsonUnitRead is the documented shape of what unit read found.
type jsonUnitRead struct {
	Format   int            `json:"format"`
	Gimbal   string         `json:"gimbal"`
	Serial   string         `json:"serial"`
	DeviceID string         `json:"device_id,omitempty"`
	Signed   bool           `json:"signed,omitempty"`
	Style    string         `json:"style,omitempty"`
	Dials    []jsonDialRead `json:"dials"`
	Doubts   []link.Doubt   `json:"doubts"`
	Recorded bool           `json:"recorded"`          // by this run
	Pending  string         `json:"pending,omitempty"` // log of a writing that did not end
}

func runUnitRead(k *invocation) error {
	u, sheet, err := deviceRun{k}.linkedUnit(k.args[0])
	if err != nil {
		return err
	}
	out, rows, err := unitRun{k}.unitNow(u, sheet)
	if err != nil {
		return err
	}
	_, out.Pending, err = unitRun{k}.pending(u)
	if err != nil {
		return err
	}
	differ := 0
	for _, r := range out.Dials {
		if r.Same != nil && !*r.Same {
			differ++
		}
	}
	var edited *library.Edited
	if k.c.Bool("record") && len(out.Doubts) == 0 {
		if edited, err = (unitRun{k}).recordRead(u, sheet, out); err != nil {
			return err
		}
		out.Recorded = edited != nil && !k.dryRun()
	}
	if k.json() {
		if err := k.encode(out); err != nil {
			return err
		}
	} else {
		unitRun{k}.printUnitRead(u, out, rows, differ)
	}
	switch {
	case len(out.Doubts) > 0:
		if k.c.Bool("record") {
			k.say("Nothing was recorded.")
		}
		return errFindings
	case edited != nil:
		if !k.json() {
			verb := "wrote"
			if k.dryRun() {
				verb = "would write"
			}
			k.printf("%s %s\n", verb, edited.Path)
			k.say("not saved yet\nTry: rigkeep save unit:%s -m WHY", safe.Line(u.Serial))
		}
		return nil
	case k.c.Bool("record"):
		k.say("the record has these values already")
		return nil
	case differ > 0:
		return errFindings
	}
	return nil
}

// unitNow reads a unit and lays what it has beside its record.
func (k unitRun) unitNow(u library.UnitRef, sheet *schema.Sheet) (jsonUnitRead, []link.Value, error) {
	out := jsonUnitRead{Format: 1, Gimbal: u.Gimbal, Serial: u.Serial, Dials: []jsonDialRead{}, Doubts: []link.Doubt{}}
	from, err := deviceRun(k).address(u)
	if err != nil {
		return out, nil, err
	}
	ctx, stop := k.ctx()
	defer stop()
	c, err := deviceRun(k).reach(ctx, from, device.Pair{System: sheet.Link.System, Component: sheet.Link.Component}, sheet.Link.RaiseLines)
	if err != nil {
		return out, nil, err
	}
	defer c.Close()
	r, err := readUnit(ctx, c, sheet, u)
	if err != nil {
		return out, nil, err
	}
	out.DeviceID, out.Signed = r.id, c.Signed
	out.Doubts = append(out.Doubts, r.doubts...)
	held, _ := u.Holds(k.c.Int("memory"))
	if out.Style, err = deviceRun(k).styleOf(held.Values, r.values); err != nil {
		return out, nil, err
	}
	for _, v := range r.values {
		j := jsonDialRead{Dial: v.Dial, ID: v.Link.ID, Bits: v.Reading.Bits}
		if keys := keysOfDial(k.cat, v.Dial, styles(out.Style)); len(keys) > 0 {
			j.Key = keys[0]
		}
		if v.Known {
			j.Value, j.Raw = &v.Number, &v.Raw
		}
		if x, ok := schema.Number(held.Values[j.Key]); ok {
			j.Recorded = &x
			if v.Known {
				same := x == v.Number
				j.Same = &same
			}
		}
		out.Dials = append(out.Dials, j)
	}
	return out, r.values, nil
}

func styles(s string) []string {
	if s == "" {
		return nil
	}
	return []string{s}
}

// dialOrder sorts dials as they are worked: in the catalogue's order.
func dialOrder(k *invocation, ds []jsonDialRead) []jsonDialRead {
	order := map[string]int{}
	for i, p := range k.cat.Expand([]string{"x"}) {
		if q, ok := k.cat.Param(p); ok && q.Dial != "" {
			if _, there := order[q.Dial]; !there {
				order[q.Dial] = i
			}
		}
	}
	out := slices.Clone(ds)
	slices.SortStableFunc(out, func(a, b jsonDialRead) int { return order[a.Dial] - order[b.Dial] })
	return out
}

func (k unitRun) printUnitRead(u library.UnitRef, out jsonUnitRead, _ []link.Value, differ int) {
	name := u.Serial
	if u.Label != "" {
		name += " (" + safe.Line(u.Label) + ")"
	}
	recorded := slices.ContainsFunc(out.Dials, func(d jsonDialRead) bool { return d.Recorded != nil })
	state := "as on record"
	switch {
	case len(out.Doubts) > 0:
		state = doubtWords(out.Doubts)
	case !recorded:
		state = "nothing on record"
	case differ > 0:
		state = schema.Count(differ, "difference", "differences") + " from the record"
	}
	k.printf("%s on %s: %s\n", k.paint.bold(name), u.Gimbal, state)
	t := table{head: true}
	t.add("dial", "on the unit", "on record", "", "it calls it")
	for _, d := range dialOrder(k.invocation, out.Dials) {
		value, mark := "unknown", ""
		if d.Value != nil {
			value = schema.Num(*d.Value)
		}
		rec := ""
		if d.Recorded != nil {
			rec = schema.Num(*d.Recorded)
		}
		if d.Same != nil && !*d.Same {
			mark = "differs"
		}
		t.add(d.Dial, value, rec, mark, safe.Line(d.ID))
	}
	t.dropEmpty()
	k.write(t.render(k.paint, "  ", k.wide))
	if out.Style != "" {
		k.printf("Follow values beside style %s.\n", out.Style)
	}
	for _, d := range out.Doubts {
		k.say("%s", safe.Line(d.Text))
	}
	if out.Signed {
		k.say("The unit signs what it sends. That is read, not verified; it may ignore what is written to it.")
	}
	if out.Pending != "" {
		k.sayPending(u, out.Pending)
		return
	}
	if differ > 0 && len(out.Doubts) == 0 && !k.c.Bool("record") {
		k.say("Try: rigkeep unit read %s --record", safe.Line(u.Serial))
	}
}

// recordRead works out the record with what was read, and puts it in the work tree; nil
// where the record says so already. Values that no dial tells stay as on record.
func (k unitRun) recordRead(u library.UnitRef, sheet *schema.Sheet, out jsonUnitRead) (*library.Edited, error) {
	memory := k.c.Int("memory")
	held, known := u.Holds(memory)
	values := maps.Clone(held.Values)
	if values == nil {
		values = map[string]any{}
	}
	changed := !known
	var noStyle []string
	for _, d := range out.Dials {
		if d.Value == nil {
			continue
		}
		if d.Key == "" {
			noStyle = append(noStyle, d.Dial)
			continue
		}
		if x, ok := schema.Number(values[d.Key]); !ok || x != *d.Value {
			values[d.Key], changed = *d.Value, true
		}
	}
	if len(noStyle) > 0 {
		k.say("not recorded, since no follow style is named: %s\nTry: rigkeep unit read %s --record --style NAME", strings.Join(noStyle, ", "), safe.Line(u.Serial))
	}
	if !changed && (out.DeviceID == "" || out.DeviceID == u.DeviceID) {
		return nil, nil
	}
	who, err := k.who()
	if err != nil {
		return nil, err
	}
	h := schema.Held{At: k.Now(), By: who.Name, Memory: memory, Values: values, Digest: preset.Tune{Values: values}.Digest()}
	e, err := k.lib.Units().AddHeld(u, h, "")
	if err != nil {
		return nil, err
	}
	if out.DeviceID != "" && u.DeviceID == "" {
		if e.After, err = e.After.Apply(file.Edit{Key: "link.device_id", Value: out.DeviceID}); err != nil {
			return nil, err
		}
	}
	if _, err := k.put(e); err != nil {
		return nil, err
	}
	k.recordResult("", "", "", e.Path)
	return &e, nil
}

// pending is the beginning of a restoring where the last writing to a unit did not end, and
// the name of its log; "" where all is well.
func (k unitRun) pending(u library.UnitRef) (link.Begin, string, error) {
	b, log, open, err := k.lib.Units().Unfinished(u)
	if err != nil || !open {
		return b, "", err
	}
	return b, log, nil
}

func (k unitRun) sayPending(u library.UnitRef, log string) {
	k.say("The last writing to this unit did not end, and not all its old values were restored (%s).", safe.Line(log))
	k.say("Try: rigkeep load RIG --unit %s --link --restore", safe.Line(u.Serial))
}

// assignsFromUnit are the values that a unit has, as what set is to change. Where the unit
// is reached over a link it is read; else its record is taken.
func (k unitRun) assignsFromUnit(d *library.Loaded, name string) ([]library.Assign, error) {
	u, err := k.lib.Units().Find(name)
	if err != nil {
		return nil, err
	}
	if d.Rig.Gimbal != u.Gimbal {
		return nil, fail(exitConflict, "%s is a %s, and the rig is on %s: their dials are not the same", u.Serial, u.Gimbal, d.Rig.Gimbal)
	}
	has := map[string]float64{}
	if (u.Address != "" || k.c.String("from") != "") && d.Sheet.Link != nil {
		out, values, err := k.unitNow(u, d.Sheet)
		if err != nil {
			return nil, err
		}
		if len(out.Doubts) > 0 {
			for _, x := range out.Doubts {
				k.say("%s", safe.Line(x.Text))
			}
			return nil, fail(exitConflict, "%s: nothing was changed", doubtWords(out.Doubts))
		}
		style := out.Style
		if d.Tune != nil && k.c.String("style") == "" {
			if style, err = deviceRun(k).styleOf(d.Tune.Values, values); err != nil {
				return nil, err
			}
		}
		var left []string
		for _, v := range values {
			keys := keysOfDial(k.cat, v.Dial, styles(style))
			for _, key := range keys {
				has[key] = v.Number
			}
			if len(keys) == 0 {
				left = append(left, v.Dial)
			}
		}
		if len(left) > 0 {
			k.say("left out, since no follow style is named (--style NAME): %s", strings.Join(left, ", "))
		}
	} else {
		held, ok := u.Holds(k.c.Int("memory"))
		if !ok {
			return nil, fail(exitNotFound, "no record of what unit %s holds", u.Serial).hinted("Try: rigkeep load RIG --unit %s", u.Serial)
		}
		for key, v := range held.Values {
			if n, ok := schema.Number(v); ok {
				has[key] = n
			}
		}
	}
	var out []library.Assign
	t := table{head: true}
	t.add("key", "tune", "unit "+u.Serial)
	for _, key := range slices.Sorted(maps.Keys(has)) {
		old := ""
		if d.Tune != nil {
			if n, ok := schema.Number(d.Tune.Values[key]); ok {
				if n == has[key] {
					continue
				}
				old = schema.Num(n)
			}
		}
		t.add(key, old, schema.Num(has[key]))
		out = append(out, library.Assign{Key: key, Text: schema.Num(has[key])})
	}
	if len(out) == 0 {
		k.say("the tune has the values of unit %s already", u.Serial)
		return nil, nil
	}
	if !k.json() {
		k.write(t.render(k.paint, "  ", k.wide))
	}
	if !k.dryRun() {
		if err := k.confirm(fmt.Sprintf("Put %s of unit %s into the tune?", schema.Count(len(out), "value", "values"), u.Serial)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// unitSides are the sides of a comparison of which one or both are what a unit holds by its
// record. Values that are not on record there are left out of the other side and counted
// aloud: nobody knows whether they differ.
func (k unitRun) unitSides(nameA, nameB string) (a, b diffview.Side, err error) {
	load := func(name string) (diffview.Side, error) {
		if !strings.HasPrefix(name, "unit:") {
			return compareRun(k).sideOf(name)
		}
		u, err := k.lib.Units().Find(name)
		if err != nil {
			return diffview.Side{}, err
		}
		var held schema.Held
		for _, h := range u.Held { // oldest first: of all memories the one written last
			held = h
		}
		if held.Values == nil {
			return diffview.Side{}, fail(exitNotFound, "no record of what unit %s holds", u.Serial).hinted("Try: rigkeep load RIG --unit %s", u.Serial)
		}
		s, err := k.lib.Sheet("", u.Gimbal)
		return diffview.Side{Label: name, Sheet: s, Tune: &preset.Tune{Values: held.Values}, Meta: diffview.Meta{Who: held.By, When: held.At, Unit: u.Serial}}, err
	}
	if a, err = load(nameA); err != nil {
		return a, b, err
	}
	if b, err = load(nameB); err != nil {
		return a, b, err
	}
	narrow := func(name string, s *diffview.Side, unit diffview.Side) error {
		if s.Sheet == nil {
			return usage("%s is not a tune", name).hinted("a unit is compared with RIG, RIG/TUNE or RIG@WHEN, or with another unit")
		}
		if s.Sheet.Slug != unit.Sheet.Slug {
			return fail(exitConflict, "%s is on %s, and %s is a %s: their dials are not the same", name, s.Sheet.Slug, unit.Label, unit.Sheet.Slug)
		}
		if s.Tune == nil {
			return fail(exitNotFound, "%s has no tune", name)
		}
		t := *s.Tune
		t.Values, t.Proof, t.Note, t.Rig, t.Unit = map[string]any{}, nil, "", "", ""
		missing := 0
		for key, v := range s.Tune.Values {
			if _, ok := unit.Tune.Values[key]; ok {
				t.Values[key] = v
			} else {
				missing++
			}
		}
		if missing > 0 {
			k.say("not on record for %s: %s of %s", unit.Label, schema.Count(missing, "value", "values"), name)
		}
		s.Tune, s.Texts, s.Docs = &t, nil, nil
		return nil
	}
	ua, ub := a, b
	if strings.HasPrefix(nameA, "unit:") {
		err = narrow(nameB, &b, ua)
		a.Rig = b.Rig
	}
	if err == nil && strings.HasPrefix(nameB, "unit:") {
		err = narrow(nameA, &a, ub)
		b.Rig = a.Rig
	}
	return a, b, err
}
