package schema

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

// Every parameter is complete: no text is empty, both directions have a text, and
// whatever it refers to is there.
func TestParametersAreComplete(t *testing.T) {
	c := Default()
	groups := map[string]bool{}
	for _, g := range c.Groups() {
		groups[g.Name] = true
		if g.Title == "" || g.About == "" {
			t.Errorf("group %s lacks a text", g.Name)
		}
	}
	texts := map[string]string{} // text to the parameter that has it
	for i, p := range c.Params() {
		if i > 0 && c.Params()[i-1].Order > p.Order {
			t.Errorf("%s is out of order", p.Path)
		}
		for field, s := range map[string]string{"Doc": p.Doc, "Name": p.Name, "Does": p.Does, "Raise": p.Raise, "Lower": p.Lower,
			"TooMuch": p.TooMuch, "TooLittle": p.TooLittle, "Up": p.Up, "Down": p.Down, "Path": p.Path} {
			if strings.TrimSpace(s) == "" {
				t.Errorf("%s: %s is empty", p.Path, field)
			}
			if field == "Does" || field == "Raise" || field == "Lower" || field == "TooMuch" || field == "TooLittle" || field == "Doc" {
				if !strings.HasSuffix(s, ".") {
					t.Errorf("%s: %s does not end in a full stop: %s", p.Path, field, s)
				}
			}
			// what a parameter looks like when it is wrong is its own, but for the cost that both filters share
			if field == "TooLittle" || field == "TooMuch" {
				if other, ok := texts[s]; ok {
					t.Errorf("%s and %s have the same %s: %s", other, p.Path, field, s)
				}
				texts[s] = p.Path
			}
		}
		if p.Raise == p.Lower {
			t.Errorf("%s: one text for both directions", p.Path)
		}
		if p.Up == p.Down {
			t.Errorf("%s: one word for both directions", p.Path)
		}
		if len(p.Cautions) == 0 || len(p.With) == 0 {
			t.Errorf("%s: no caution or no interplay", p.Path)
		}
		for _, s := range p.Cautions {
			if strings.TrimSpace(s) == "" {
				t.Errorf("%s: an empty caution", p.Path)
			}
		}
		for _, w := range p.With {
			q, ok := c.Param(w.Key)
			if !ok || w.Text == "" {
				t.Errorf("%s: interplay with %q does not resolve or has no text", p.Path, w.Key)
			}
			if q.Path == p.Path {
				t.Errorf("%s: interplay with itself", p.Path)
			}
		}
		if !groups[p.Group] {
			t.Errorf("%s: no group %q", p.Path, p.Group)
		}
		if p.Axis != "" {
			if _, ok := ParseAxis(p.Axis); !ok {
				t.Errorf("%s: no axis %q", p.Path, p.Axis)
			}
		}
		if !(p.Step > 0 && p.Coarse >= p.Step) || !(p.Significance.Notable > 0 && p.Significance.Major > p.Significance.Notable) {
			t.Errorf("%s: steps %v, %v, weight %+v", p.Path, p.Step, p.Coarse, p.Significance)
		}
		if (p.Dial == "") == (p.Unit == "") || (p.Dial == "") != (p.SI == nil) {
			t.Errorf("%s: a parameter has a dial with SI units, or a unit", p.Path)
		}
		for unit, sign := range p.SI {
			if sign != 1 && sign != -1 {
				t.Errorf("%s: %s has sign %d", p.Path, unit, sign)
			}
		}
		if p.Default != nil {
			if what, _, _ := p.fault(p.Default); what != "" {
				t.Errorf("%s: default: %s", p.Path, what)
			}
		}
	}
}

// Every field of every kind is documented, its example is one that it takes, and
// no two have the same path.
func TestFieldsAreComplete(t *testing.T) {
	for _, kind := range Kinds {
		k, ok := Default().Kind(kind)
		if !ok || k.Title == "" || k.Doc == "" {
			t.Fatalf("kind %s lacks a title or text", kind)
		}
		seen := map[string]bool{}
		for _, f := range k.Fields {
			if seen[f.Path] {
				t.Errorf("%s: %s twice", kind, f.Path)
			}
			seen[f.Path] = true
			if f.Doc == "" || !strings.HasSuffix(f.Doc, ".") {
				t.Errorf("%s: %s has no sentence: %q", kind, f.Path, f.Doc)
			}
			if f.Pattern == slugPattern && f.MaxLen == 0 {
				t.Errorf("%s: %s is a short name of any length", kind, f.Path)
			}
			g, ok := Default().Field(kind, f.Path)
			if !ok || g.Path != f.Path {
				t.Errorf("%s: %s is not found by its pattern", kind, f.Path)
			}
			concrete := strings.NewReplacer("[]", "[3]", "*", "walk").Replace(f.Path)
			if g, ok := Default().Field(kind, concrete); !ok || g.Path != f.Path {
				t.Errorf("%s: %s is not found by %s", kind, f.Path, concrete)
			}
			if f.Of != "" {
				if _, ok := Default().Param(f.Of); !ok {
					t.Errorf("%s: %s is of %q, no parameter", kind, f.Path, f.Of)
				}
			}
		}
		for _, s := range k.Sections {
			if s.Doc == "" || k.root.find(steps(s.Path)) == nil || k.root.find(steps(s.Path)).section.Path != s.Path {
				t.Errorf("%s: section %q has no place or no text", kind, s.Path)
			}
			if strings.HasSuffix(s.Path, "[]") != (len(s.ID) > 0) {
				t.Errorf("%s: section %q: ID says which element of an array of tables is which, and is for nothing else", kind, s.Path)
			}
			for _, key := range append(append([]string(nil), s.ID...), s.Tie...) {
				if f, ok := Default().Field(kind, s.Path+"."+key); !ok || f.Type == Floats || f.Type == Strings {
					t.Errorf("%s: section %q is told apart by %q, which is no single value", kind, s.Path, key)
				}
			}
		}
	}
}

func TestParamByKey(t *testing.T) {
	c := Default()
	const key = "stiffness.roll"
	const styled = "follow.*.deadband.pan"
	for _, x := range []struct{ want, key string }{
		{key, key},
		{styled, "follow.walk.deadband.pan"},
		{styled, styled},
		{"follow.*.lag.tilt", `follow."wide shot".lag.tilt`},
		{"horizon.offset_deg", "horizon.offset_deg"},
		{"", "note"}, {"", "rig"}, {"", "proof.hold.onset.pan"},
		{"", "stiffness"}, {"", ""}, {"", "."}, {"", key + "."},
		{"", "follow[0].deadband.pan"}, {"", quote(key)},
		{"", "stiffness..pan"},
	} {
		p, ok := c.Param(x.key)
		if p.Path != x.want || ok != (x.want != "") {
			t.Errorf("%q: %q, %v", x.key, p.Path, ok)
		}
	}
	p, _ := c.Param(styled)
	for _, x := range []struct{ want, key string }{
		{"dead band, pan", styled},
		{p.Name + " (walk)", "follow.walk.deadband.pan"},
		{p.Name + " (a b)", `follow."a b".deadband.pan`},
	} {
		if got := p.Label(x.key); got != x.want {
			t.Errorf("%s: %q", x.key, got)
		}
	}
	if p, _ := c.Param(key); p.Style(key) != "" || p.Label(key) != p.Name {
		t.Error("a style for", key)
	}
	if _, ok := c.Field("rig", "part[0].mass_kg"); !ok {
		t.Error("no part[0].mass_kg")
	}
	if _, ok := c.Field("rig", "part.mass_kg"); ok {
		t.Error("a part without index")
	}
	if _, ok := c.Param("stiffness[0].roll"); ok {
		t.Error("an index on a plain table")
	}
	if _, ok := c.Field("rig", `"part[0]".mass_kg`); ok {
		t.Error("a quoted name passes for an index")
	}
}

func TestExpand(t *testing.T) {
	got := Default().Expand([]string{"walk", "2nd unit"})
	if !slices.Contains(got, "follow.walk.deadband.pan") || !slices.Contains(got, `follow."2nd unit".lag.tilt`) || !slices.Contains(got, "stiffness.tilt") {
		t.Errorf("%v", got)
	}
	for _, k := range got {
		if _, ok := Default().Param(k); !ok {
			t.Errorf("%s does not resolve", k)
		}
	}
	if a, b := Default().Expand(nil), 8; len(a) != b {
		t.Errorf("%d keys without styles, want %d: %v", len(a), b, a)
	}
}

func TestAxis(t *testing.T) {
	for i, n := range []string{"pan", "tilt", "roll"} {
		a, ok := ParseAxis(n)
		if !ok || a != Axes[i] || a.String() != n {
			t.Errorf("%s: %v %v", n, a, ok)
		}
	}
	if _, ok := ParseAxis("yaw"); ok || Axis(9).String() != "axis(9)" {
		t.Error("an axis that is none")
	}
}

func TestLevels(t *testing.T) {
	var got []string
	for l := Same; l <= Major; l++ {
		got = append(got, l.String())
		var back Level
		text, err := l.MarshalText()
		if err != nil || back.UnmarshalText(text) != nil || back != l {
			t.Errorf("%v is written %q and read %v", l, text, back)
		}
	}
	var l Level
	if l.UnmarshalText([]byte("huge")) == nil || Level(9).String() != "level(9)" {
		t.Error("a level that is none")
	}
	if !reflect.DeepEqual(got, []string{"same", "minor", "notable", "major"}) {
		t.Error(got)
	}
}
