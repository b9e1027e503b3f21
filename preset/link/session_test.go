package link

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigkeep/preset/link/wire"
	"rigkeep/schema"
)

func pb(v bool) *bool { return &v }

// play is a person and a device for a session. It answers what comes next, with one
// thing going wrong at one place.
type play struct {
	has      map[string]uint32 // the device, by id
	answers  map[Do]bool       // false where the person says no; absent is yes
	noQuiet  map[string]bool   // "key number" at which it is not quiet
	outcomes map[int]Outcome   // how the nth write ends; absent is written
	keep     Outcome           // how storing ends
	forgets  int               // the nth reading back finds old values: it restarted before that
	mute     int               // the nth reading back gets no answer about tilt
	reads    int
	events   []Event
	asked    []Do
	sent     []string
}

// next plays one action and says whether the session goes on.
func (p *play) next(t fataler, s *Session) bool {
	t.Helper()
	a := s.Next()
	add := func(e Event) {
		p.events = append(p.events, e)
		if err := s.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	p.asked = append(p.asked, a.Do)
	yes := true
	if v, ok := p.answers[a.Do]; ok {
		yes = v
	}
	switch a.Do {
	case AskSeen, AskLabel, AskReady, AskRestore, AskStore:
		add(Event{Event: map[Do]string{AskSeen: EvSeen, AskLabel: EvLabel, AskReady: EvReady, AskRestore: EvRestore, AskStore: EvStore}[a.Do], Yes: pb(yes)})
	case DoWrite:
		step := a.Step
		c := s.Begun().Plan.Changes[step.Change]
		p.sent = append(p.sent, fmt.Sprintf("%s %s", c.Key, schema.Num(step.To)))
		add(Event{Event: EvSend, Step: &step})
		o := p.outcomes[len(p.sent)]
		if o == "" {
			o = Written
			p.has[c.ID] = step.Bits
		}
		bits := p.has[c.ID]
		e := Event{Event: EvOutcome, Outcome: o, Read: &bits}
		if o == Unknown {
			e.Read = nil
		}
		add(e)
	case AskQuiet:
		add(Event{Event: EvQuiet, Yes: pb(!p.noQuiet[s.Begun().Plan.Changes[a.Step.Change].Key+" "+schema.Num(a.Step.To)])})
	case DoReadBack:
		found := map[string]*uint32{}
		p.reads++
		for _, c := range s.Begun().Plan.Changes {
			if p.forgets == p.reads {
				p.has[c.ID] = c.OldBits
			}
			v := p.has[c.ID]
			found[c.ID] = &v
			if p.mute == p.reads && c.ID == "TILT_STIFF" {
				found[c.ID] = nil
			}
		}
		add(Event{Event: EvReadBack, Found: found})
	case DoStore:
		add(Event{Event: EvStored, Outcome: p.keep})
	case DoEnd:
		add(Event{Event: EvEnd})
		return false
	default:
		t.Fatalf("next is %q", a.Do)
	}
	return true
}

type fataler interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}

func begin(t testing.TB, m map[string]float64) Begin {
	p, err := plan(t, m)
	if err != nil {
		t.Fatal(err)
	}
	return Begin{Unit: "stand/A-1", Label: "Large A", Permanent: schema.OnCommand, Integers: schema.ByValue, Plan: p}
}

func bitsOf(m map[string]float64) map[string]uint32 {
	out := map[string]uint32{}
	for k, v := range m {
		out[k] = f32(v)
	}
	return out
}

var target = map[string]float64{"stiffness.pan": 50, "stiffness.tilt": 30}

func TestSessions(t *testing.T) {
	for _, c := range []struct {
		name   string
		p      play
		begin  func(*Begin)
		sent   string
		result string // JSON; keys of stiffness by their axis
		asked  string // last questions
	}{
		{"all goes well, and it is kept", play{keep: Written}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"written","written":["tilt","pan"],"kept":"yes"}`, "read back, store, keep, read back, end"},
		{"not kept", play{answers: map[Do]bool{AskStore: false}}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"written","written":["tilt","pan"],"kept":"no"}`, "store, end"},
		{"keeping is refused", play{keep: Refused}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"written","written":["tilt","pan"],"kept":"refused"}`, "keep, read back, end"},
		{"no answer about keeping", play{keep: Unknown}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"written","written":["tilt","pan"],"kept":"unknown"}`, "keep, read back, end"},
		{"it keeps at once", play{}, func(b *Begin) { b.Permanent = schema.AtOnce }, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"written","written":["tilt","pan"],"kept":"yes"}`, "read back, end"},
		{"the wrong label", play{answers: map[Do]bool{AskLabel: false}}, nil, "",
			`{"outcome":"","stopped":"the label typed is not this unit's","kept":""}`, "label, end"},
		{"not ready", play{answers: map[Do]bool{AskReady: false}}, nil, "",
			`{"outcome":"","stopped":"the head was not ready","kept":""}`, "label, ready, end"},
		{"other values than on record, not seen", play{answers: map[Do]bool{AskSeen: false}}, func(b *Begin) { b.Differs = true }, "",
			`{"outcome":"","stopped":"the values on the unit are not those on record","kept":""}`, "seen, end"},
		{"the first is refused", play{outcomes: map[int]Outcome{1: Refused}}, nil, "tilt 30",
			`{"outcome":"refused","restored":["tilt"],"kept":"no"}`, "write, read back, end"},
		// the second is unknown, and was not set: what was written before is put back, in steps
		{"unknown, put back", play{outcomes: map[int]Outcome{2: Unknown}}, nil, "tilt 30, pan 47.5, tilt 35, tilt 38",
			`{"outcome":"unknown","restored":["tilt","pan"],"kept":"no"}`, "quiet, read back, end"},
		{"unknown, left so", play{outcomes: map[int]Outcome{2: Unknown}, answers: map[Do]bool{AskRestore: false}}, nil, "tilt 30, pan 47.5",
			`{"outcome":"unknown","restored":["pan"],"partly":["tilt"],"kept":"no"}`, "read back, restore, end"},
		// not quiet: down at once without a question, then the offer
		{"not quiet", play{noQuiet: map[string]bool{"stiffness.pan 50": true}}, nil,
			"tilt 30, pan 47.5, pan 50, pan 47.5, pan 42.5, tilt 35, tilt 38",
			`{"outcome":"","stopped":"not quiet at 50 of pan","restored":["tilt","pan"],"kept":"no"}`, "quiet, read back, end"},
		{"not quiet, left there", play{noQuiet: map[string]bool{"stiffness.pan 50": true}, answers: map[Do]bool{AskRestore: false}}, nil,
			"tilt 30, pan 47.5, pan 50, pan 47.5",
			`{"outcome":"","stopped":"not quiet at 50 of pan","left":[{"key":"pan","id":"PAN_STIFF","old":42.5,"has":47.5}],"partly":["tilt"],"kept":"no"}`, "write, read back, restore, end"},
		{"all verified, then it forgets", play{forgets: 1}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"still old","restored":["tilt","pan"],"kept":"no"}`, "quiet, read back, end"},
		{"kept, then no answer about one", play{keep: Written, mute: 2}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"unknown","left":[{"key":"tilt","id":"TILT_STIFF","old":38,"has":null}],"partly":["pan"],"kept":"unknown"}`, "keep, read back, end"},
		{"kept, then it has the old ones", play{keep: Written, forgets: 2}, nil, "tilt 30, pan 47.5, pan 50",
			`{"outcome":"still old","restored":["tilt","pan"],"kept":"unknown"}`, "keep, read back, end"},
		// a restoring that fails goes on with the others, and says so
		{"put back, refused", play{outcomes: map[int]Outcome{3: Refused, 4: Refused}, noQuiet: map[string]bool{"stiffness.pan 47.5": true}}, nil,
			"tilt 30, pan 47.5, pan 42.5, pan 42.5, tilt 35, tilt 38",
			`{"outcome":"refused","stopped":"not quiet at 47.5 of pan","restored":["tilt"],"left":[{"key":"pan","id":"PAN_STIFF","old":42.5,"has":47.5}],"kept":"no"}`, "quiet, read back, end"},
		{"put back, no answer", play{outcomes: map[int]Outcome{2: Unknown, 3: Silent}}, nil, "tilt 30, pan 47.5, tilt 35",
			`{"outcome":"unknown","restored":["pan"],"partly":["tilt"],"kept":"no"}`, "restore, write, read back, end"},
	} {
		b := begin(t, target)
		if c.begin != nil {
			c.begin(&b)
		}
		s := NewSession(sheet(), b)
		c.p.has = bitsOf(asIs)
		for c.p.next(t, s) {
		}
		short := func(s string) string { return strings.ReplaceAll(s, "stiffness.", "") }
		if got := short(strings.Join(c.p.sent, ", ")); got != c.sent {
			t.Errorf("%s: sent %s, want %s", c.name, got, c.sent)
		}
		j, err := json.Marshal(s.Result())
		if err != nil || short(string(j)) != c.result {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, j, c.result)
		}
		var asked []string
		for _, d := range c.p.asked {
			asked = append(asked, string(d))
		}
		if got := strings.Join(asked, ", "); !strings.HasSuffix(got, c.asked) {
			t.Errorf("%s: %s, want at the end %s", c.name, got, c.asked)
		}
		if !s.Ended() {
			t.Errorf("%s: did not end", c.name)
		}
		again, err := Replay(sheet(), append([]Event{{Event: EvBegin, Begin: &b}}, c.p.events...))
		if j2, _ := json.Marshal(again.Result()); err != nil || string(j2) != string(j) {
			t.Errorf("%s: replayed as %s, %v", c.name, j2, err)
		}
	}
}

// The program is ended after each of its steps: what is on disk says what may have
// changed, and another session puts it back.
func TestKilledAnywhere(t *testing.T) {
	b := begin(t, target)
	whole := play{has: bitsOf(asIs), keep: Written}
	s := NewSession(sheet(), b)
	for whole.next(t, s) {
	}
	for n := range len(whole.events) {
		log := append([]Event{{Event: EvBegin, Begin: &b}}, whole.events[:n]...)
		touched := slices.ContainsFunc(log, func(e Event) bool { return e.Event == EvSend })
		nb, open, err := Unfinished(sheet(), log, "a.jsonl")
		if err != nil || open != touched {
			t.Fatalf("after %d events: open %v, %v", n, open, err)
		}
		if !open {
			continue
		}
		// the device has what it had at that moment
		now := play{has: bitsOf(asIs)}
		for _, e := range log {
			if e.Event == EvSend {
				now.has[b.Plan.Changes[e.Step.Change].ID] = e.Step.Bits
			}
		}
		r := NewSession(sheet(), nb)
		for now.next(t, r) {
		}
		if got := r.Result(); len(got.Left)+len(got.Partly)+len(got.Written) > 0 || len(got.Restored) != len(nb.Plan.Changes) {
			t.Errorf("after %d events: %+v", n, got)
		}
		for id, v := range bitsOf(asIs) {
			if now.has[id] != v {
				t.Errorf("after %d events: %s has %#x", n, id, now.has[id])
			}
		}
	}
	// a session that ended leaves nothing to do
	if _, open, err := Unfinished(sheet(), append([]Event{{Event: EvBegin, Begin: &b}}, whole.events...), "a"); open || err != nil {
		t.Error(open, err)
	}
	if _, err := Replay(sheet(), nil); err == nil {
		t.Error("replayed nothing")
	}
	if _, err := Replay(sheet(), []Event{{Event: EvBegin, Begin: &b}, {Event: EvOutcome}}); err == nil {
		t.Error("replayed an outcome of nothing")
	}
}

// Whatever people and devices do: nothing is sent before label and readiness, a raise is
// followed by the question, a raise in a restoring only after a yes, and what is said
// to be written is on the device.
func TestSessionRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs, _ := Interpret(sheet(), said(asIs), 0)
		to := func(k string) float64 { return float64(rapid.IntRange(10, 160).Draw(t, k)) / 2 }
		p, err := NewPlan(schema.Default(), sheet(), wants(map[string]float64{
			"stiffness.pan":   to("pan"),
			"stiffness.roll":  to("roll"),
			"filters.sensing": float64(int(to("filter"))),
		}), vs)
		if err != nil {
			t.Fatal(err)
		}
		s := NewSession(sheet(), Begin{Permanent: rapid.SampledFrom([]string{schema.AtOnce, schema.OnCommand}).Draw(t, "permanent"), Integers: schema.ByValue, Plan: p})
		pl := play{has: bitsOf(asIs), answers: map[Do]bool{}, noQuiet: map[string]bool{}, outcomes: map[int]Outcome{}, keep: rapid.SampledFrom([]Outcome{Written, Refused, Unknown}).Draw(t, "keep")}
		for _, d := range []Do{AskLabel, AskReady, AskRestore, AskStore} {
			pl.answers[d] = rapid.IntRange(0, 4).Draw(t, string(d)) > 0
		}
		bad := rapid.IntRange(0, 30).Draw(t, "bad write")
		pl.outcomes[bad] = rapid.SampledFrom([]Outcome{Refused, Changed, StillOld, Silent, Unknown}).Draw(t, "outcome")
		for _, c := range p.Steps {
			if rapid.IntRange(0, 9).Draw(t, "quiet") == 0 {
				pl.noQuiet[p.Changes[c.Change].Key+" "+schema.Num(c.To)] = true
			}
		}
		label, ready, restore, quietOwed := false, false, false, false
		for i := 0; ; i++ {
			if i > 500 {
				t.Fatal("the session does not end")
			}
			a := s.Next()
			switch a.Do {
			case AskQuiet:
				quietOwed = false
			case DoWrite:
				d := sheet().Dials[p.Changes[a.Step.Change].Dial]
				up := d.Less(a.Step.From, a.Step.To)
				switch {
				case !label || !ready:
					t.Fatal("sent before label and readiness")
				case quietOwed && up:
					t.Fatal("raised twice without a question")
				case a.Back && up && !restore:
					t.Fatal("raised unasked")
				case up && !a.Step.Raise:
					t.Fatal("raised without a question behind it")
				}
				quietOwed = up
			}
			on := pl.next(t, s)
			switch e := pl.events[len(pl.events)-1]; e.Event {
			case EvOutcome:
				quietOwed = quietOwed && e.Outcome == Written // else the run ends, and the offer follows
			case EvLabel:
				label = *e.Yes
			case EvReady:
				ready = *e.Yes
			case EvRestore:
				restore = *e.Yes
			}
			if !on {
				break
			}
		}
		r := s.Result()
		for _, c := range p.Changes {
			has := pl.has[c.ID]
			if slices.Contains(r.Written, c.Key) && has != c.NewBits || slices.Contains(r.Restored, c.Key) && has != c.OldBits {
				t.Fatalf("%+v, and %s has %#x", r, c.Key, has)
			}
		}
		if r.Outcome == Written && len(r.Written) != len(p.Changes) {
			t.Fatalf("%+v", r)
		}
	})
}

// Stops from outside: at a question nothing more is sent, in a write the offer follows.
func TestAbort(t *testing.T) {
	for n := 0; ; n++ {
		b := begin(t, target)
		s := NewSession(sheet(), b)
		p := play{has: bitsOf(asIs), keep: Written}
		i := 0
		for ; i < n && p.next(t, s); i++ {
		}
		if s.Ended() {
			break
		}
		at, sent := s.Next().Do, len(p.sent)
		if err := s.Add(Event{Event: EvAbort, Text: "interrupted"}); err != nil {
			t.Fatal(err)
		}
		p.answers = map[Do]bool{AskRestore: false}
		for p.next(t, s) {
		}
		if len(p.sent) != sent {
			t.Errorf("stopped at %q: %v was sent after it", at, p.sent[sent:])
		}
		if r := s.Result(); r.Stopped == "" && r.Outcome != Written {
			t.Errorf("stopped at %q: %+v", at, r)
		}
	}
}

func TestWatch(t *testing.T) {
	at := time.Unix(1e9, 0)
	type hear struct {
		after time.Duration
		seq   byte
		beat  bool
	}
	beats := func(seqs ...byte) []hear {
		var out []hear
		for _, s := range seqs {
			out = append(out, hear{time.Second, s, true})
		}
		return out
	}
	twice := func(seqs ...byte) []hear {
		var out []hear
		for _, s := range seqs {
			out = append(out, hear{time.Second, s, true}, hear{0, s, true})
		}
		return out
	}
	for _, c := range []struct {
		name  string
		heard []hear
		later time.Duration
		want  Trouble
	}{
		{"nothing yet", nil, time.Hour, None},
		{"plain", beats(1, 2, 3, 4, 5), 0, None},
		{"round the end of the count", beats(253, 254, 255, 0, 1, 2), 0, None},
		{"much is lost", beats(1, 9, 40, 90, 130, 200), 0, None},
		{"quiet", beats(1, 2), 3500 * time.Millisecond, Lost},
		{"restarted", beats(100, 101, 102, 0, 1), 0, Restarted},
		{"restarted late in the count", beats(200, 201, 0, 1, 2), 0, Restarted},
		{"one frame in another order", append(beats(10, 12), hear{0, 11, false}, hear{0, 13, false}), 0, None},
		{"one very old frame", append(beats(40, 41), hear{0, 20, false}, hear{0, 42, false}, hear{0, 43, false}), 0, None},
		{"each heartbeat twice", twice(1, 2, 3, 4, 5, 6), 0, Two},
		{"the first ones twice", append(twice(1, 2, 3), beats(4, 5, 6, 7)...), 0, None},
		{"now and then one twice", []hear{{time.Second, 1, true}, {0, 1, true}, {time.Second, 2, true}, {time.Second, 3, true}, {time.Second, 4, true}}, 0, None},
		{"two counts", append(beats(10), hear{0, 90, false}, hear{0, 11, false}, hear{0, 91, false}, hear{0, 12, false}, hear{0, 92, false}, hear{0, 13, false}, hear{0, 93, false}), 0, Two},
	} {
		w := Watch{System: 1, Component: 154}
		now := at
		for _, h := range c.heard {
			now = now.Add(h.after)
			var m wire.Message = wire.Value{}
			if h.beat {
				m = wire.Heartbeat{}
			}
			w.Hear(now, wire.Frame{Seq: h.seq, System: 1, Component: 154, Message: m})
			// another part of the same unit is not listened to
			w.Hear(now, wire.Frame{Seq: h.seq + 77, System: 1, Component: 155, Message: m})
		}
		if got := w.Trouble(now.Add(c.later)); got != c.want {
			t.Errorf("%s: %q, want %q (%+v)", c.name, got, c.want, w)
		}
	}
}
