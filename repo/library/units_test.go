package library

import (
	"reflect"
	"testing"

	"rigkeep/preset/start"
)

// A session and the proof that followed it are one piece of evidence, not two.
func TestSessionOfAProofOnlyAddsItsOnsets(t *testing.T) {
	rig := start.Rig{ID: "k7qd2m9x4c", Mass: 2}
	proof := start.Tune{Ref: "proof", Rig: rig, Unit: "U1", Values: map[string]float64{"stiffness.pan": 40, "filters.drive": 2}, Onset: map[string]float64{"stiffness.pan": 60}}
	session := func(id, unit string, pan float64) start.Tune {
		return start.Tune{Ref: "session", Rig: start.Rig{ID: id, Mass: 2}, Unit: unit, Values: map[string]float64{"stiffness.pan": pan, "filters.drive": 3},
			Onset: map[string]float64{"stiffness.pan": 61, "stiffness.tilt": 50}}
	}
	for _, c := range []struct {
		name string
		s    start.Tune
		n    int
	}{
		{"the same", session(rig.ID, "U1", 40), 1},
		{"other values", session(rig.ID, "U1", 41), 2},
		{"other unit", session(rig.ID, "U2", 40), 2},
		{"other rig", session("0qygem5g0z", "U1", 40), 2},
		{"an earlier build", session("", "U1", 40), 2},
	} {
		got := withSessions([]start.Tune{proof}, []start.Tune{c.s})
		if len(got) != c.n {
			t.Errorf("%s: %d pieces of evidence, want %d", c.name, len(got), c.n)
		}
		want := map[string]float64{"stiffness.pan": 60}
		if c.n == 1 {
			want["stiffness.tilt"] = 50
		}
		if !reflect.DeepEqual(got[0].Onset, want) {
			t.Errorf("%s: onsets of the proof %v, want %v", c.name, got[0].Onset, want)
		}
	}
	if len(proof.Onset) != 1 {
		t.Error("the cached proof was changed")
	}
}
