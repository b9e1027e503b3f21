package link

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigkeep/preset/link/wire"
	"rigkeep/schema"
)

func f32(v float64) uint32 { return math.Float32bits(float32(v)) }

// Source of the pairs: vectors.toml of package wire (node-mavlink 2.3.0) where a frame
// of it is named, else IEEE 754 single precision by hand.
func TestNumber(t *testing.T) {
	for _, c := range []struct {
		name     string
		bits     uint32
		typ      Type
		integers string
		want     float64
		err      error
	}{
		{"value-real32-v2", 0x422a0000, Real32, schema.ByValue, 42.5, nil},
		{"value-real32-rounded-v2", f32(40.1), Real32, schema.Bytewise, 40.099998474121094, nil},
		{"value-nan-v2", 0x7fc00000, Real32, schema.ByValue, 0, ErrNotANumber},
		{"infinite", 0x7f800000, Real32, schema.ByValue, 0, ErrNotANumber},
		{"value-int32-by-value-v2", f32(16777217), Int32, schema.ByValue, 16777216, nil},
		{"value-int32-bytewise-v2", 16777217, Int32, schema.Bytewise, 16777217, nil},
		{"value-int32-minus-one-bytewise-v1", 0xffffffff, Int32, schema.Bytewise, -1, nil},
		{"value-int32-snan-bytewise-v2", 0xffb3b4c0, Int32, schema.Bytewise, -5000000, nil},
		{"value-int8-bytewise-v2", 0x80, Int8, schema.Bytewise, -128, nil},
		{"int16 bytewise", 0xfffd, Int16, schema.Bytewise, -3, nil},
		{"largest uint32 by value, rounded up on its way", f32(4294967296), Uint32, schema.ByValue, 4294967296, nil},
		{"bytewise 12 read by value", 12, Uint8, schema.ByValue, 0, ErrOtherForm},
		{"bytewise -3 read by value", 0xfffffffd, Int32, schema.ByValue, 0, ErrOtherForm},
		{"by value 12 read bytewise, uint8", f32(12), Uint8, schema.Bytewise, 0, ErrOtherForm},
		{"by value 12 read bytewise, int16", f32(12), Int16, schema.Bytewise, 0, ErrOtherForm},
		{"by value 12 read bytewise, int32", f32(12), Int32, schema.Bytewise, 0x41400000, nil}, // only the dial's range can tell
		{"256 in a uint8", f32(256), Uint8, schema.ByValue, 0, ErrOtherForm},
		{"a fraction", f32(12.5), Uint8, schema.ByValue, 0, ErrOtherForm},
		{"eight bytes", 0, 8, schema.ByValue, 0, ErrType},
	} {
		got, err := Number(c.bits, c.typ, c.integers)
		if got != c.want || !errors.Is(err, c.err) || (err == nil) != (c.err == nil) {
			t.Errorf("%s: %v, %v, want %v, %v", c.name, got, err, c.want, c.err)
		}
	}
}

func TestBits(t *testing.T) {
	for _, c := range []struct {
		v        float64
		typ      Type
		integers string
		want     uint32
		bad      string
	}{
		{44.1, Real32, schema.ByValue, f32(44.1), ""},
		{13, Uint8, schema.ByValue, f32(13), ""}, // set-uint8-by-value-v2
		{13, Uint8, schema.Bytewise, 13, ""},     // set-uint8-bytewise-v2
		{-3, Int16, schema.Bytewise, 0xfffd, ""},
		{-5000000, Int32, schema.Bytewise, 0xffb3b4c0, ""},
		{16777216, Int32, schema.ByValue, f32(16777216), ""},
		{16777217, Int32, schema.ByValue, 0, "does not survive"},
		{4294967295, Uint32, schema.ByValue, 0, "does not survive"},
		{256, Uint8, schema.Bytewise, 0, "not a whole number from 0 to 255"},
		{12.5, Uint8, schema.ByValue, 0, "not a whole number"},
		{math.NaN(), Real32, schema.ByValue, 0, "not a number"},
		{math.Inf(1), Uint8, schema.ByValue, 0, "not a number"},
		{1e39, Real32, schema.ByValue, 0, "too large"},
		{1, 10, schema.ByValue, 0, "does not fit"},
	} {
		got, err := Bits(c.v, c.typ, c.integers)
		if got != c.want || (err == nil) != (c.bad == "") || err != nil && !strings.Contains(err.Error(), c.bad) {
			t.Errorf("%v %v %s: %#x, %v", c.v, c.typ, c.integers, got, err)
		}
	}
}

// Whatever can be written is read as the same number, in both forms.
func TestNumbersSurvive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typ := rapid.SampledFrom([]Type{Uint8, Int8, Uint16, Int16, Uint32, Int32, Real32}).Draw(t, "type")
		form := rapid.SampledFrom([]string{schema.ByValue, schema.Bytewise}).Draw(t, "form")
		v := rapid.Float64Range(-5e9, 5e9).Draw(t, "number")
		if typ.Whole() {
			v = math.Trunc(v)
		}
		bits, err := Bits(v, typ, form)
		if err != nil {
			t.Skip()
		}
		got, err := Number(bits, typ, form)
		if err != nil || typ.Whole() && got != v || !typ.Whole() && got != float64(float32(v)) {
			t.Fatalf("%v became %v, %v", v, got, err)
		}
	})
}

func TestDialNumbers(t *testing.T) {
	real := schema.DialLink{Type: "real32", Scale: 1}
	tenths := schema.DialLink{Type: "uint16", Scale: 0.1, Offset: 5}
	for _, c := range []struct {
		l    schema.DialLink
		dial float64
		bits uint32
	}{{real, 40.1, f32(40.1)}, {tenths, 12.3, f32(73)}, {tenths, 5, 0}, {schema.DialLink{Type: "int8", Scale: -1}, 3, f32(-3)}} {
		bits, err := FromDial(c.l, c.dial, schema.ByValue)
		if err != nil || bits != c.bits {
			t.Errorf("dial %v is %#x, %v, want %#x", c.dial, bits, err, c.bits)
		}
		raw, err := Number(bits, TypeOf(c.l.Type), schema.ByValue)
		if got := ToDial(c.l, raw); err != nil || got != c.dial {
			t.Errorf("dial %v came back as %v, %v", c.dial, got, err)
		}
	}
	if _, err := FromDial(tenths, 5.05, schema.ByValue); err == nil || !strings.Contains(err.Error(), "between two steps") {
		t.Error(err)
	}
}

// sheet is a small gimbal: stiffness with fractions, a filter and a lag in whole numbers.
func sheet() *schema.Sheet {
	s := &schema.Sheet{Slug: "stand", BenchOrder: []schema.Axis{schema.Tilt, schema.Roll, schema.Pan},
		Link:  &schema.Link{System: 1, Component: 154, Integers: schema.ByValue, Permanent: schema.OnCommand},
		Dials: map[string]schema.Dial{}}
	add := func(key, id, typ string, fine float64, sign int) {
		s.Dials[key] = schema.Dial{Key: key, Min: 0, Max: 100, Coarse: 5, Fine: fine, Sign: sign,
			Link: &schema.DialLink{ID: id, Type: typ, Scale: 1, Write: true, Lowest: 5, Highest: 80}}
	}
	add("stiffness.pan", "PAN_STIFF", "real32", 0.5, 1)
	add("stiffness.roll", "ROLL_STIFF", "real32", 0.5, 1)
	add("stiffness.tilt", "TILT_STIFF", "real32", 0.5, 1)
	add("filters.sensing", "SENSE", "uint8", 1, -1)
	add("follow.lag.pan", "PAN_LAG", "uint8", 1, 1)
	return s
}

func said(numbers map[string]float64) map[string]Reading {
	out := map[string]Reading{}
	for id, v := range numbers {
		typ := Real32
		if id == "SENSE" || id == "PAN_LAG" {
			typ = Uint8
		}
		out[id] = Reading{id, typ, f32(v)}
	}
	return out
}

var asIs = map[string]float64{"PAN_STIFF": 42.5, "ROLL_STIFF": 40, "TILT_STIFF": 38, "SENSE": 60, "PAN_LAG": 12}

func TestInterpret(t *testing.T) {
	vs, doubts := Interpret(sheet(), said(asIs), 0)
	if len(doubts) > 0 || len(vs) != 5 || vs[0].Dial != "filters.sensing" || vs[4].Number != 38 {
		t.Fatalf("%+v %+v", vs, doubts)
	}
	with := func(id string, r Reading) map[string]Reading { m := said(asIs); m[id] = r; return m }
	zeros := said(asIs)
	zeros["SENSE"], zeros["PAN_LAG"] = Reading{"SENSE", Uint8, 0}, Reading{"PAN_LAG", Uint8, 0}
	gone := said(asIs)
	delete(gone, "TILT_STIFF")
	for _, c := range []struct {
		name   string
		said   map[string]Reading
		can    uint64
		reason string
	}{
		{"the other form", with("PAN_LAG", Reading{"PAN_LAG", Uint8, 12}), 0, OtherForm},
		{"the unit says the other form", said(asIs), wire.CanBytewise, OtherForm},
		{"it says the same form", said(asIs), wire.CanByValue, ""},
		{"it says both, which is nothing", said(asIs), wire.CanByValue | wire.CanBytewise, ""},
		{"another kind", with("PAN_LAG", Reading{"PAN_LAG", Int16, f32(12)}), 0, OtherType},
		{"off the dial", with("PAN_STIFF", Reading{"PAN_STIFF", Real32, f32(100.5)}), 0, OffDial},
		{"not a number", with("PAN_STIFF", Reading{"PAN_STIFF", Real32, 0x7fc00000}), 0, NotANumber},
		{"no answer", gone, 0, NoAnswer},
		{"only zeros", zeros, 0, Unproved},
		{"only zeros, and it says its form", zeros, wire.CanByValue, ""},
	} {
		_, doubts := Interpret(sheet(), c.said, c.can)
		if c.reason == "" && len(doubts) > 0 || c.reason != "" && (len(doubts) != 1 || doubts[0].Reason != c.reason) {
			t.Errorf("%s: %+v", c.name, doubts)
		}
	}
}

const stiffnesses = `stiffness.pan
stiffness.roll
stiffness.tilt`

func wants(m map[string]float64) []Want {
	var out []Want
	for _, k := range strings.Fields("filters.sensing follow.walk.lag.pan " + stiffnesses + " limits.tilt.up_deg") {
		v, ok := m[k]
		if !ok {
			continue
		}
		w := Want{Key: k, Dial: strings.Replace(k, "walk.", "", 1), Number: v}
		if i := strings.LastIndexByte(k, '.'); strings.HasPrefix(k, "stiffness") || strings.HasPrefix(k, "follow") {
			w.Axis = k[i+1:]
		}
		out = append(out, w)
	}
	return out
}

func plan(t testing.TB, m map[string]float64) (Plan, error) {
	t.Helper()
	vs, doubts := Interpret(sheet(), said(asIs), 0)
	if len(doubts) > 0 {
		t.Fatal(doubts)
	}
	return NewPlan(schema.Default(), sheet(), wants(m), vs)
}

func TestPlanOrder(t *testing.T) {
	p, err := plan(t, map[string]float64{"stiffness.pan": 50, "stiffness.roll": 30, "stiffness.tilt": 40, "filters.sensing": 50, "follow.walk.lag.pan": 12, "limits.tilt.up_deg": 30})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range p.Steps {
		raise := ""
		if s.Raise {
			raise = " quiet?"
		}
		got = append(got, p.Changes[s.Change].Key+" "+schema.Num(s.To)+raise)
	}
	// softer first; then filters, then tilt before pan; 5 % of the range at a time. A
	// smaller number of this filter is heavier, so it is a raise.
	want := []string{"stiffness.roll 30", "filters.sensing 55 quiet?", "filters.sensing 50 quiet?", "stiffness.tilt 40 quiet?", "stiffness.pan 47.5 quiet?", "stiffness.pan 50 quiet?"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	// a follow dial without a step of its own goes up by the same 5 %, and down at once
	for to, want := range map[float64]string{24: "17 22 24", 7: "7"} {
		p, err := plan(t, map[string]float64{"follow.walk.lag.pan": to})
		var got []string
		for _, s := range p.Steps {
			if got = append(got, schema.Num(s.To)); s.Raise != (to > 12) {
				t.Errorf("%+v", s)
			}
		}
		if err != nil || strings.Join(got, " ") != want {
			t.Errorf("%q, %v", got, err)
		}
	}
	if !slices.Equal(p.Same, []string{"follow.walk.lag.pan"}) || !slices.Equal(p.ByHand, []string{"limits.tilt.up_deg"}) {
		t.Errorf("%+v", p)
	}
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct {
		m    map[string]float64
		want string
	}{
		{map[string]float64{"stiffness.pan": 81}, "outside 5 to 80"},
		{map[string]float64{"stiffness.pan": 4}, "outside 5 to 80"},
		{map[string]float64{"filters.sensing": 50.5}, "between two steps"},
	} {
		p, err := plan(t, c.m)
		var r *Refusal
		if !errors.As(err, &r) || !strings.Contains(err.Error(), c.want) || len(p.Steps) > 0 {
			t.Errorf("%v: %+v, %v", c.m, p, err)
		}
	}
	// above a known onset less its margin; going down is always allowed
	vs, _ := Interpret(sheet(), said(asIs), 0)
	w := Want{Key: "stiffness.pan", Dial: "stiffness.pan", Axis: "pan", Number: 50, Ceiling: schema.At(46.7), Why: "onset 70 less the margin"}
	if _, err := NewPlan(schema.Default(), sheet(), []Want{w}, vs); err == nil || !strings.Contains(err.Error(), "above 46.7, onset 70") {
		t.Error(err)
	}
	w.Number, w.Ceiling = 40, schema.At(30)
	if _, err := NewPlan(schema.Default(), sheet(), []Want{w}, vs); err != nil {
		t.Error(err)
	}
	vs[2].Known = false
	if _, err := NewPlan(schema.Default(), sheet(), []Want{w}, vs); err == nil {
		t.Error("written over an unknown value")
	}
}

// However a plan looks: softening comes first, no step raises by more than its step, and
// none leaves what may be written.
func TestPlanNeverLeaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := sheet()
		d := s.Dials["stiffness.pan"]
		d.Link.Step = rapid.SampledFrom([]float64{0, 0.5, 2, 7.3, 30}).Draw(t, "step")
		d.Sign = rapid.SampledFrom([]int{1, -1}).Draw(t, "sign")
		s.Dials["stiffness.pan"] = d
		m := said(asIs)
		m["PAN_STIFF"] = Reading{"PAN_STIFF", Real32, f32(rapid.Float64Range(0, 100).Draw(t, "has"))}
		vs, doubts := Interpret(s, m, 0)
		if len(doubts) > 0 {
			t.Fatal(doubts)
		}
		to := func(k string) float64 { return float64(rapid.IntRange(10, 160).Draw(t, k)) / 2 }
		p, err := NewPlan(schema.Default(), s, wants(map[string]float64{
			"stiffness.pan":       to("pan"),
			"stiffness.roll":      to("roll"),
			"stiffness.tilt":      to("tilt"),
			"follow.walk.lag.pan": float64(int(to("lag"))),
		}), vs)
		if err != nil {
			t.Fatal(err)
		}
		raised := false
		at := map[int]float64{}
		for _, st := range p.Steps {
			c := p.Changes[st.Change]
			d := s.Dials[c.Dial]
			width := d.Link.Step
			if width == 0 {
				width = 5
			}
			if from, ok := at[st.Change]; ok && from != st.From || !ok && st.From != c.Old {
				t.Fatalf("a step from %v where it is %v", st.From, from)
			}
			at[st.Change] = st.To
			up := d.Less(st.From, st.To)
			if up != st.Raise || up && math.Abs(st.To-st.From) > max(width, d.Fine)+1e-9 {
				t.Fatalf("%s from %v to %v, raise %v, step %v", c.Key, st.From, st.To, st.Raise, width)
			}
			if raised && !up {
				t.Fatal("softened after raising")
			}
			raised = raised || up
			if st.To < 5 && !up || st.To > 80 && up && d.Sign > 0 {
				t.Fatalf("%v may not be written", st.To)
			}
		}
		for i, c := range p.Changes {
			if at[i] != c.New {
				t.Fatalf("%s ends at %v, not %v", c.Key, at[i], c.New)
			}
		}
	})
}

// device answers a Write in virtual time.
type device struct {
	value   uint32
	late    time.Duration
	loseSet func(n int) bool
	take    func(old, asked uint32) (now, echo uint32, say bool)
	loseOut func(n int) bool
	sets    int
	outs    int
	due     []due
}

type due struct {
	at time.Time
	v  wire.Value
}

func (d *device) hear(now time.Time, m wire.Message) {
	say := func(bits uint32) {
		d.outs++
		if d.loseOut == nil || !d.loseOut(d.outs) {
			d.due = append(d.due, due{now.Add(d.late), wire.Value{ID: "PAN_STIFF", Type: byte(Real32), Bits: bits}})
		}
	}
	switch m := m.(type) {
	case wire.Set:
		d.sets++
		if d.loseSet != nil && d.loseSet(d.sets) {
			return
		}
		now, echo, ok := m.Bits, m.Bits, true
		if d.take != nil {
			now, echo, ok = d.take(d.value, m.Bits)
		}
		d.value = now
		if ok {
			say(echo)
		}
	case wire.ReadOne:
		say(d.value)
	}
}

// run plays a write against a device and says how it ended and how long it took.
func run(t interface {
	Helper()
	Fatal(...any)
}, w *Write, d *device) (Outcome, time.Duration) {
	t.Helper()
	start := time.Unix(1e9, 0)
	now := start
	for range 10000 {
		m, until, finished := w.Next(now)
		if finished {
			o, _, _ := w.Result()
			return o, now.Sub(start)
		}
		if m != nil {
			d.hear(now, m)
		}
		slices.SortStableFunc(d.due, func(a, b due) int { return a.at.Compare(b.at) })
		if len(d.due) > 0 && !d.due[0].at.After(until) {
			now = d.due[0].at
			w.Heard(now, d.due[0].v)
			d.due = d.due[1:]
			continue
		}
		now = until
	}
	t.Fatal("the write does not end")
	return "", 0
}

func TestWriteOutcomes(t *testing.T) {
	old, want := f32(42.5), f32(44)
	always := func(int) bool { return true }
	first := func(k int) func(int) bool { return func(n int) bool { return n <= k } }
	for _, c := range []struct {
		name string
		d    device
		want Outcome
		sets int
	}{
		{"plain", device{}, Written, 1},
		{"slow", device{late: 200 * time.Millisecond}, Written, 1},
		{"refuses", device{take: func(o, _ uint32) (uint32, uint32, bool) { return o, o, true }}, Refused, 1},
		{"clamps", device{take: func(_, _ uint32) (uint32, uint32, bool) { return f32(43), f32(43), true }}, Changed, 1},
		{"confirms and keeps the old", device{take: func(o, a uint32) (uint32, uint32, bool) { return o, a, true }}, StillOld, 1},
		// the answer comes after the timeout: without the pause its confirmation would be
		// taken for what is there
		{"confirms late and keeps the old", device{late: 400 * time.Millisecond, take: func(o, a uint32) (uint32, uint32, bool) { return o, a, true }}, StillOld, 2},
		{"silent, not set", device{take: func(o, _ uint32) (uint32, uint32, bool) { return o, o, false }}, Silent, 4},
		{"silent, set", device{take: func(_, a uint32) (uint32, uint32, bool) { return a, a, false }}, Written, 4},
		{"two writes lost", device{loseSet: first(2)}, Written, 3},
		{"all writes lost", device{loseSet: always}, Silent, 4},
		{"first answers lost", device{loseOut: first(3)}, Written, 4},
		{"all answers lost", device{loseOut: always}, Unknown, 4},
		{"answers of another kind", device{take: func(_, a uint32) (uint32, uint32, bool) { return a, a, true }}, Written, 1},
	} {
		c.d.value = old
		w := NewWrite(1, 154, "PAN_STIFF", Real32, old, want, DefaultTiming(), time.Time{})
		got, took := run(t, w, &c.d)
		if got != c.want || c.d.sets != c.sets {
			t.Errorf("%s: %q after %d writes, want %q after %d", c.name, got, c.d.sets, c.want, c.sets)
		}
		if took > 25*time.Second {
			t.Errorf("%s: took %v", c.name, took)
		}
	}
}

// Two devices under one number answer the reading differently.
func TestWriteTwoAnswers(t *testing.T) {
	w := NewWrite(1, 154, "PAN_STIFF", Real32, f32(42.5), f32(44), DefaultTiming(), time.Time{})
	now := time.Unix(1e9, 0)
	for {
		m, until, finished := w.Next(now)
		if finished {
			break
		}
		switch m.(type) {
		case wire.Set:
			w.Heard(now, wire.Value{ID: "PAN_STIFF", Type: 9, Bits: f32(44)})
		case wire.ReadOne:
			w.Heard(now, wire.Value{ID: "PAN_STIFF", Type: 9, Bits: f32(44)})
			w.Heard(now, wire.Value{ID: "PAN_STIFF", Type: 9, Bits: f32(142.5)})
		}
		now = until
	}
	if o, _, read := w.Result(); o != Unknown || read != nil {
		t.Errorf("%q %v", o, read)
	}
}

// However a line behaves, "written" is only said when the device has the new value.
func TestWriteNeverSaysWrittenWrongly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old, want := f32(42.5), f32(44)
		pct := rapid.IntRange(0, 60).Draw(t, "lost")
		lose := func(name string) func(int) bool {
			return func(int) bool { return rapid.IntRange(0, 99).Draw(t, name) < pct }
		}
		kind := rapid.IntRange(0, 4).Draw(t, "kind")
		d := &device{value: old, late: time.Duration(rapid.IntRange(0, 1500).Draw(t, "late")) * time.Millisecond, loseSet: lose("in"), loseOut: lose("out"),
			take: func(o, a uint32) (uint32, uint32, bool) {
				switch kind {
				case 1:
					return o, o, true
				case 2:
					return o, a, true
				case 3:
					return f32(43), f32(43), true
				case 4:
					return a, a, false
				}
				return a, a, true
			}}
		o, _ := run(t, NewWrite(1, 154, "PAN_STIFF", Real32, old, want, DefaultTiming(), time.Time{}), d)
		if (o == Written) != (d.value == want) && o != Unknown {
			t.Fatalf("%q, and the device has %v", o, math.Float32frombits(d.value))
		}
	})
}
