package schema

import "time"

// Unit is one physical gimbal, as its unit record says.
type Unit struct {
	Serial   string // the name of its folder
	Label    string
	Was      []string // serials it had before
	Firmware string
	Memories int // numbered memories of its controller, 0 for none
	Note     string
	Trouble  string // shown when it goes out
	Address  string // how it is reached over a link
	DeviceID string // the device's own number, where it tells one
	Held     []Held // what was put on it, oldest first
}

// Held is what a controller held from one moment on.
type Held struct {
	At               time.Time
	By               string
	Rig, Tune        string // fingerprint and tune, "" where the values are of no tune
	Memory           int    // 0 where the controller has no numbered memories
	Revision, Digest string // of the tune; the revision is "" for values that were not saved
	Values           map[string]any
}

// Says names what an entry without a rig holds.
func (h Held) Says() string {
	if h.Digest == "" && len(h.Values) == 0 {
		return "something not handed over" // a handover said no more
	}
	return "values of no tune"
}

// Is reports whether a name written by a person means this unit: its serial, its
// label or a serial it had, without case.
func (u Unit) Is(name string) bool {
	if name == "" {
		return false
	}
	name = CanonicalName(name)
	for _, n := range u.Names() {
		if CanonicalName(n) == name {
			return true
		}
	}
	return false
}

// Names are the names by which a unit is known, the serial first.
func (u Unit) Names() []string {
	out := []string{u.Serial}
	if u.Label != "" {
		out = append(out, u.Label)
	}
	return append(out, u.Was...)
}

// Holds is the newest entry of one memory of the unit's controller; ok is false where
// none is recorded.
func (u Unit) Holds(memory int) (h Held, ok bool) {
	for _, x := range u.Held {
		if x.Memory == memory && (!ok || !x.At.Before(h.At)) {
			h, ok = x, true
		}
	}
	return h, ok
}

// Memory lists the newest entry of every memory, in the order of their numbers.
func (u Unit) Memory() []Held {
	var out []Held
	top := u.Memories
	for _, h := range u.Held {
		top = max(top, h.Memory)
	}
	for m := range top + 1 {
		if h, ok := u.Holds(m); ok {
			out = append(out, h)
		}
	}
	return out
}

func unitKind(ps []Param) Kind {
	unit := append(head(KindUnit),
		Field{Path: "label", Type: String, MaxLen: 100, Doc: "What is written on its case.", Example: "Large A"},
		Field{Path: "firmware", Type: String, MaxLen: 100, Doc: "Firmware text it shows now.", Example: "2.4"},
		Field{Path: "memories", Type: Int, Min: At(1), Max: At(100), Doc: "How many numbered memories its controller has.", Example: 3},
		noteField(),
		Field{Path: "trouble", Type: String, Doc: "A fault that the operator must know of.", Example: "Clicks on roll."},
		Field{Path: "was", Type: Strings, Derived: true, MaxLen: 100, Doc: "Serials under which it was known before."},
		Field{Path: "link.address", Type: String, MaxLen: 200, Pattern: `(serial|tcp|udp|udp-in):[^\x00-\x1f\x7f]+`, Doc: "How it is reached over a link.", Example: "tcp:192.0.2.7:5760"},
		Field{Path: "link.device_id", Type: String, Derived: true, Pattern: `[0-9a-f]{16,36}`, Doc: "The device's own number, where it tells one.", Example: "0123456789abcdef"},
		Field{Path: "held[].at", Type: Time, Required: true, Derived: true, Doc: "Since when the controller holds this.", Example: "2026-03-02T11:00:00Z"},
		Field{Path: "held[].by", Type: String, Derived: true, MaxLen: 200, Doc: "Who put it there.", Example: "A-cam operator"},
		Field{Path: "held[].rig", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "The rig whose tune it is.", Example: "k7qd2m9x4c"},
		Field{Path: "held[].tune", Type: String, Derived: true, Pattern: slugPattern, MaxLen: 64, Doc: "That rig's tune.", Example: "main"},
		Field{Path: "held[].memory", Type: Int, Derived: true, Min: At(1), Max: At(100), Doc: "The controller's memory it is in.", Example: 2},
		Field{Path: "held[].revision", Type: String, Derived: true, Pattern: `[0-9a-f]{40}`, Doc: "Revision of the tune; absent for values that were not saved.", Example: "0123456789abcdef0123456789abcdef01234567"},
		Field{Path: "held[].digest", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "Digest of the values."},
	)
	for _, p := range ps {
		f := p.Field
		f.Path, f.Required, f.Derived, f.Of = "held[].values."+p.Path, false, true, p.Path
		unit = append(unit, f)
	}
	return Kind{Name: KindUnit, Title: "Unit record", Doc: "One physical gimbal: its label, its state, and what its controller holds.", Fields: unit, Sections: []Section{
		{Path: "link", Doc: "How it is reached, where it speaks an open standard.", Optional: true},
		{Path: "held[]", Doc: "What its controller held from a moment on; load, bench and prove add to it, and nothing is taken away.", ID: []string{"at", "by"}},
	}}
}
