package schema

import (
	"strings"
	"testing"
)

// linked is the base sheet with a link: one dial read and written, one only read.
func linked(t *testing.T) Tree {
	t.Helper()
	doc := base(t, KindGimbal)
	change(t, doc, "link", Tree{"protocol": "mavlink", "system": int64(1), "component": int64(154), "integers": ByValue, "permanent": OnCommand})
	change(t, doc, "dial.stiffness.pan.link", Tree{"id": "PAN_STIFF", "type": "uint16", "scale": 0.1, "write": true, "lowest": int64(5), "highest": int64(70), "step": int64(2)})
	change(t, doc, "dial.stiffness.tilt.link", Tree{"id": "TILT_STIFF", "type": "real32"})
	return doc
}

func TestLinkOfASheet(t *testing.T) {
	s, ps := Default().Sheet("x", linked(t))
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	if l := s.Link; l == nil || l.System != 1 || l.Component != 154 || l.Integers != ByValue || l.Permanent != OnCommand || l.RaiseLines {
		t.Errorf("%+v", l)
	}
	if l := s.Dials["stiffness.pan"].Link; l == nil || *l != (DialLink{"PAN_STIFF", "uint16", 0.1, 0, true, 5, 70, 2}) {
		t.Errorf("%+v", l)
	}
	if l := s.Dials["stiffness.tilt"].Link; l == nil || l.Write || l.Scale != 1 || l.Lowest != 0 || l.Highest != 100 {
		t.Errorf("%+v", l)
	}
	if s.Dials["stiffness.roll"].Link != nil {
		t.Error("a link out of nothing")
	}
	const pan = "dial.stiffness.pan.link"
	for _, c := range []struct {
		path      string
		v         any
		key, what string
	}{
		{"link", nil, pan, "does not say how its units speak"},
		{"link.integers", nil, "link.integers", "missing"},
		{"link.integers", "both", "link.integers", "one of by value, bytewise"},
		{"link.system", int64(0), "link.system", "1 to 255"},
		{"link.component", int64(256), "link.component", "256"},
		{pan + ".id", "SEVENTEEN_CHARS_X", pan + ".id", "SEVENTEEN"},
		{pan + ".id", "TILT_STIFF", "dial.stiffness.tilt.link.id", "stiffness.pan has the setting"},
		{pan + ".type", "int64", pan + ".type", "one of uint8"},
		{pan + ".type", "uint8", pan + ".type", "dial 70 would be 700, not a value of type uint8"},
		{pan + ".scale", int64(0), pan + ".scale", "the scale is 0"},
		{pan + ".scale", 0.3, pan + ".scale", "not a whole number"},
		{pan + ".highest", int64(101), pan + ".lowest", "5 to 101"},
		{pan + ".highest", nil, pan + ".highest", "nothing says how far"},
		{pan + ".lowest", int64(70), pan + ".lowest", "70 to 70"},
		{pan + ".step", int64(0), pan + ".step", "above 0"},
	} {
		doc := linked(t)
		change(t, doc, c.path, c.v)
		found := false
		ps := Default().Validate(KindGimbal, doc, nil)
		for _, p := range ps {
			found = found || strings.HasPrefix(p.Key, c.key) && strings.Contains(p.Error(), c.what)
		}
		if !found {
			t.Errorf("%s = %v: %v", c.path, c.v, ps)
		}
	}
}
