package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/cmd/rigkeep/device"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/link"
	"rigkeep/preset/link/wire"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// wallClock is the time that a line goes by: the real one, whatever the library's is.
type wallClock struct{}

func (wallClock) Now() time.Time                         { return time.Now() }
func (wallClock) After(d time.Duration) <-chan time.Time { return time.After(d) }

// reach opens the line to a device and waits for its sign of life. raise is the sheet's word
// on the control lines of a serial port. system 0 is whichever one device is there.
func (k deviceRun) reach(ctx context.Context, address string, pair device.Pair, raise bool) (*device.Client, error) {
	a, err := link.ParseAddress(address)
	if err != nil {
		return nil, usage("%v", err)
	}
	rw, err := device.Open(ctx, a, raise)
	if err != nil {
		return nil, linkFailure(err)
	}
	c := device.New(rw, wallClock{})
	if err := k.greet(ctx, c, pair); err != nil {
		_ = c.Close()
		return nil, linkFailure(err)
	}
	return c, nil
}

func (k deviceRun) greet(ctx context.Context, c *device.Client, pair device.Pair) error {
	if pair.System != 0 {
		return c.Connect(ctx, pair)
	}
	there, err := c.Find(ctx)
	switch {
	case err != nil:
		return err
	case len(there) == 0:
		return device.ErrSilent
	case len(there) > 1:
		var names []string
		for _, p := range there {
			names = append(names, fmt.Sprintf("--system %d --component %d", p.System, p.Component))
		}
		return usage("%d devices are on this line", len(there)).hinted("choose one: %s", strings.Join(names, ", or "))
	}
	return c.Connect(ctx, there[0])
}

// linkFailure is an error of a line or a device with its exit code and what to do.
func linkFailure(err error) error {
	if err == nil {
		return nil
	}
	f := &failure{code: exitNetwork, text: err.Error(), err: err}
	var open *device.OpenError
	var already *failure
	switch {
	case errors.As(err, &already):
		return err
	case errors.Is(err, context.Canceled):
		return err
	case errors.As(err, &open):
		f.hint = open.Hint
	case errors.Is(err, device.ErrTwo):
		f.code, f.hint = exitConflict, "switch one of them off, or give it another number; nothing was written"
	case errors.Is(err, device.ErrSilent):
		f.hint = "check power, cable and address; nothing was written"
	case errors.Is(err, device.ErrUnsteady), errors.Is(err, device.ErrRestarted):
		f.hint = "wait until it has started, and repeat the command"
	case errors.Is(err, device.ErrLost):
		f.hint = "check power and cable"
	}
	return f
}

// linkedUnit is a unit with its sheet, whose dials are reached over a link.
func (k deviceRun) linkedUnit(name string) (library.UnitRef, *schema.Sheet, error) {
	u, err := k.lib.Units().Find(name)
	if err != nil {
		return u, nil, err
	}
	s, err := k.linkedSheet(u)
	return u, s, err
}

// linkedSheet is the sheet of a unit. It is a usage error where it ties no dial to a
// setting of a device.
func (k deviceRun) linkedSheet(u library.UnitRef) (*schema.Sheet, error) {
	s, err := k.lib.Sheet("", u.Gimbal)
	if err != nil {
		return nil, err
	}
	if s.Link == nil {
		return nil, usage("the sheet of %s does not say how its units speak: it has no [link]", u.Gimbal).hinted("Try: rigkeep gimbal link %s --from ADDRESS", u.Gimbal)
	}
	if len(link.Linked(s)) == 0 {
		return nil, usage("no dial of %s has a link in its sheet", u.Gimbal).hinted("Try: rigkeep gimbal link %s --from ADDRESS", u.Gimbal)
	}
	return s, nil
}

// address is how a unit is reached: --from, else its record.
func (k deviceRun) address(u library.UnitRef) (string, error) {
	if s := k.c.String("from"); s != "" {
		return s, nil
	}
	if u.Address == "" {
		return "", usage("the record of unit %s does not say how it is reached", u.Serial).hinted("Try: rigkeep set unit:%s link.address=serial:/dev/ttyUSB0:115200", u.Serial)
	}
	return u.Address, nil
}

// unitReading is what a unit said of its dials.
type unitReading struct {
	values []link.Value
	doubts []link.Doubt
	id     string // the device's own, "" where it tells none
}

// readUnit reads the linked dials of a unit.
func readUnit(ctx context.Context, c *device.Client, s *schema.Sheet, u library.UnitRef) (unitReading, error) {
	var ids []string
	for _, key := range link.Linked(s) {
		ids = append(ids, s.Dials[key].Link.ID)
	}
	said, err := c.Read(ctx, ids)
	if err != nil {
		return unitReading{}, linkFailure(err)
	}
	v, _, err := c.Capabilities(ctx)
	if err != nil {
		return unitReading{}, linkFailure(err)
	}
	r := unitReading{id: deviceID(v)}
	r.values, r.doubts = link.Interpret(s, said, v.Capabilities)
	if u.DeviceID != "" && r.id != "" && r.id != u.DeviceID {
		r.doubts = append(r.doubts, link.Doubt{Reason: "other-unit", Text: fmt.Sprintf("this is not unit %s: the device says it is %s, and the record has %s", u.Serial, r.id, u.DeviceID)})
	}
	return r, nil
}

// deviceID is a device's own number as text, "" where it tells none.
func deviceID(v wire.Version) string {
	if v.UID2 != [18]byte{} {
		return fmt.Sprintf("%x", v.UID2)
	}
	if v.UID != 0 {
		return fmt.Sprintf("%016x", v.UID)
	}
	return ""
}

// doubtWords says in a sentence what a technician can make of a doubt.
func doubtWords(ds []link.Doubt) string {
	form, silent := 0, 0
	for _, d := range ds {
		switch d.Reason {
		case link.OtherForm:
			form++
		case link.NoAnswer:
			silent++
		}
	}
	switch {
	case form > 0:
		return "The unit answers, but with whole numbers in the other form"
	case silent > 0 && silent == len(ds):
		return fmt.Sprintf("The unit answers, but not about %s", schema.Count(silent, "dial", "dials"))
	}
	return "The unit answers, but not as the gimbal sheet says"
}

// keysOfDial are the keys of a tune that a dial is for, styles being those of the tune.
func keysOfDial(cat *schema.Catalogue, dial string, styles []string) []string {
	var out []string
	for _, key := range cat.Expand(styles) {
		if p, ok := cat.Param(key); ok && p.Dial == dial {
			out = append(out, key)
		}
	}
	return out
}

// styleOf is the follow style that goes with a unit's one set of follow dials: --style, the
// only one, or of several the one that agrees best with what the unit has. "" for none.
func (k deviceRun) styleOf(values map[string]any, has []link.Value) (string, error) {
	styles := preset.Tune{Values: values}.Styles()
	if s := k.c.String("style"); s != "" {
		if len(styles) > 0 && !slices.Contains(styles, s) {
			return "", usage("unknown follow style %q", s).hinted("styles: %s", strings.Join(styles, ", "))
		}
		return s, nil
	}
	best, hits := "", -1
	for _, s := range styles {
		n := 0
		for _, v := range has {
			for _, key := range keysOfDial(k.cat, v.Dial, []string{s}) {
				if x, ok := schema.Number(values[key]); ok && v.Known && x == v.Number {
					n++
				}
			}
		}
		if n > hits {
			best, hits = s, n
		}
	}
	return best, nil
}

func styleFlag() cli.Flag {
	return &cli.StringFlag{Name: "style", Usage: "the follow `STYLE` that the unit's follow dials are for"}
}

func fromFlag() cli.Flag {
	return &cli.StringFlag{Name: "from", Usage: "reach it at this `ADDRESS`, not the one on record: " + link.AddressForms}
}

// jsonSetting is the documented shape of one setting of a device.
type jsonSetting struct {
	ID       string   `json:"id"`
	Kind     string   `json:"kind"`
	Bits     uint32   `json:"bits"`               // its four bytes
	Value    *float64 `json:"value"`              // null where it is not a number, or its form is not known
	Bytewise *float64 `json:"bytewise,omitempty"` // where the form is not known: in either form
	ByValue  *float64 `json:"by_value,omitempty"`
	Dial     string   `json:"dial,omitempty"` // of the sheet
}

// jsonDevice is the documented shape of what a device has.
type jsonDevice struct {
	Format    int           `json:"format"`
	System    byte          `json:"system"`
	Component byte          `json:"component"`
	DeviceID  string        `json:"device_id,omitempty"`
	Integers  string        `json:"integers"`          // "by value", "bytewise", or "" where it is not known
	Because   string        `json:"because,omitempty"` // how that is known
	Signed    bool          `json:"signed,omitempty"`  // it signs its frames
	Settings  []jsonSetting `json:"settings"`
}

// runGimbalLink lists what a device has, for filling a sheet. It only reads.
func runGimbalLink(k *invocation) error {
	sheet, err := deviceRun{k}.sheetNamed(k.args[0])
	if err != nil {
		return err
	}
	from := k.c.String("from")
	if from == "" {
		return usage("--from is missing").hinted("where is the device? %s", link.AddressForms)
	}
	for _, flag := range []string{"system", "component"} {
		if n := k.c.Int(flag); k.c.IsSet(flag) && (n < 1 || n > 255) {
			return usage("--%s %d: these numbers go from 1 to 255", flag, n)
		}
	}
	pair := device.Pair{System: byte(k.c.Int("system")), Component: byte(k.c.Int("component"))}
	raise := false
	if sheet.Link != nil {
		raise = sheet.Link.RaiseLines
		if pair.System == 0 {
			pair = device.Pair{System: sheet.Link.System, Component: sheet.Link.Component}
		}
	}
	ctx, stop := k.ctx()
	defer stop()
	c, err := deviceRun{k}.reach(ctx, from, pair, raise)
	if err != nil {
		return err
	}
	defer c.Close()
	all, err := c.ReadAll(ctx)
	if err != nil {
		return linkFailure(err)
	}
	v, _, err := c.Capabilities(ctx)
	if err != nil {
		return linkFailure(err)
	}
	dials := map[string]string{}
	for _, key := range link.Linked(sheet) {
		dials[sheet.Dials[key].Link.ID] = key
	}
	out := jsonDevice{Format: 1, System: c.Pair.System, Component: c.Pair.Component, DeviceID: deviceID(v), Signed: c.Signed, Settings: []jsonSetting{}}
	out.Integers, out.Because = formOf(all, v.Capabilities)
	for _, r := range all {
		out.Settings = append(out.Settings, settingOf(r, out.Integers, dials[r.ID]))
	}
	if k.json() {
		return k.encode(out)
	}
	deviceRun{k}.printDevice(from, out, sheet)
	return nil
}

// sheetNamed is a gimbal sheet of the library, or one in a file.
func (k deviceRun) sheetNamed(name string) (*schema.Sheet, error) {
	if preset.IsName(name) {
		if s, err := k.lib.Sheet("", name); err == nil || !isNotFound(err) {
			return s, err
		}
	}
	name, data, err := k.readInput(name)
	if err != nil {
		return nil, err
	}
	s, err := preset.ReadSheet(k.cat, name, data)
	if err != nil {
		return nil, err
	}
	s.Slug = "" // it is none of this library's, whatever its file is called
	return s, nil
}

// formOf is the form of a device's whole numbers, and how that is known; "" for unknown.
func formOf(all []link.Reading, can uint64) (form, because string) {
	switch can & (wire.CanByValue | wire.CanBytewise) {
	case wire.CanByValue:
		return schema.ByValue, "the device says so"
	case wire.CanBytewise:
		return schema.Bytewise, "the device says so"
	}
	fits := func(form string) bool {
		some := false
		for _, r := range all {
			if !r.Type.Whole() {
				continue
			}
			if _, err := link.Number(r.Bits, r.Type, form); err != nil {
				return false
			}
			some = some || r.Bits != 0
		}
		return some
	}
	switch v, b := fits(schema.ByValue), fits(schema.Bytewise); {
	case v && !b:
		return schema.ByValue, "its values are whole numbers only in this form"
	case b && !v:
		return schema.Bytewise, "its values are whole numbers only in this form"
	}
	return "", ""
}

func settingOf(r link.Reading, form, dial string) jsonSetting {
	s := jsonSetting{ID: r.ID, Kind: r.Type.String(), Bits: r.Bits, Dial: dial}
	number := func(form string) *float64 {
		v, err := link.Number(r.Bits, r.Type, form)
		if err != nil {
			return nil
		}
		v = link.Shortest(v, r.Type)
		return &v
	}
	if r.Type.Whole() && form == "" {
		s.ByValue, s.Bytewise = number(schema.ByValue), number(schema.Bytewise)
		return s
	}
	s.Value = number(form)
	return s
}

func (k deviceRun) printDevice(from string, d jsonDevice, sheet *schema.Sheet) {
	k.printf("%s at %s, system %d, component %d\n", k.paint.bold(schema.Count(len(d.Settings), "setting", "settings")), safe.Line(from), d.System, d.Component)
	t := table{head: true}
	t.add("setting", "kind", "value", "dial")
	show := func(v *float64) string {
		if v == nil {
			return "not a number"
		}
		return schema.Num(*v)
	}
	for _, s := range d.Settings {
		value := show(s.Value)
		if s.ByValue != nil || s.Bytewise != nil {
			value = show(s.ByValue) + " or " + show(s.Bytewise)
		}
		t.add(safe.Line(s.ID), s.Kind, value, s.Dial)
	}
	t.dropEmpty()
	k.write(t.render(k.paint, "  ", k.wide))
	if d.Signed {
		k.say("The device signs what it sends. That is read, not verified; it may ignore what is written to it.")
	}
	form := d.Integers
	if form == "" {
		k.say("Nothing shows in which form it sends whole numbers: where a value has two readings, the first is by value, the second bytewise. Set one of them on the device to a known number and read again.")
		form = schema.ByValue + "\"  # or \"" + schema.Bytewise
	} else {
		k.printf("Whole numbers come %s: %s.\n", form, d.Because)
	}
	if sheet.Link == nil {
		k.printf("For the sheet:\n\n[link]\nprotocol = \"mavlink\"\nsystem = %d\ncomponent = %d\nintegers = \"%s\"\npermanent = \"on command\"  # or \"at once\", as its manual says\n\n", d.System, d.Component, form)
	}
	if len(d.Settings) > 0 && len(link.Linked(sheet)) == 0 {
		k.printf("A dial is tied to a setting like this; check in the manual which is which:\n\n[dial.stiffness.tilt.link]\nid = \"%s\"\ntype = \"%s\"\n\n", safe.Line(d.Settings[0].ID), d.Settings[0].Kind)
	}
	k.say("Nothing was written to the device.")
}
