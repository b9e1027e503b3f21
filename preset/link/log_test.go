package link

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
)

func lineOf(t testing.TB, es ...Event) []byte {
	t.Helper()
	var out []byte
	for _, e := range es {
		b, err := Line(e)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, b...)
	}
	return out
}

// A log is read as it was written; a last line that was cut off anywhere is left out.
func TestLogCutOff(t *testing.T) {
	b := begin(t, target)
	es := []Event{{At: "2026-03-01T09:00:00Z", Event: EvBegin, Begin: &b}, {Event: EvLabel, Yes: pb(true)}, {Event: EvReady, Yes: pb(true)}, {Event: EvSend, Step: &b.Plan.Steps[0], ID: "TILT_STIFF"}}
	text := lineOf(t, es...)
	for n := range len(text) + 1 {
		got, err := ParseLog(text[:n])
		if err != nil {
			t.Fatalf("cut off after %d bytes: %v", n, err)
		}
		whole := bytes.Count(text[:n], []byte("\n"))
		if len(got) != whole || whole > 0 && !reflect.DeepEqual(got, es[:whole]) {
			t.Fatalf("cut off after %d bytes: %d events, want %d", n, len(got), whole)
		}
	}
	if _, err := ParseLog([]byte("{}\n{\"event\":\"x\",\"other\":1}\n")); err == nil || !strings.Contains(err.Error(), "line 2") {
		t.Error(err)
	}
}

// FuzzLog holds that no text makes reading or replaying a log panic, and that what was
// read is written the same way.
func FuzzLog(f *testing.F) {
	p, err := plan(f, target)
	if err != nil {
		f.Fatal(err)
	}
	b := Begin{Unit: "stand/A-1", Permanent: "on command", Integers: "by value", Plan: p}
	f.Add(lineOf(f, Event{Event: EvBegin, Begin: &b}, Event{Event: EvLabel, Yes: pb(true)}, Event{Event: EvReady, Yes: pb(true)}, Event{Event: EvSend, Step: &p.Steps[0]}, Event{Event: EvOutcome, Outcome: Refused}))
	f.Add([]byte("{\"event\":\"begin\",\"begin\":{\"restores\":\"x\"}}\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		es, err := ParseLog(text)
		if err != nil {
			return
		}
		again, err := ParseLog(lineOf(t, es...))
		if err != nil || len(again) != len(es) {
			t.Fatalf("%d events became %d, %v", len(es), len(again), err)
		}
		if s, err := Replay(sheet(), es); err == nil {
			_ = s.Next()
			_ = s.Result()
		}
		_, _, _ = Unfinished(sheet(), es, "x")
	})
}
