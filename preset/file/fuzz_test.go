package file

import (
	"bytes"
	"errors"
	"math"
	"testing"
	"unicode/utf8"

	bstoml "github.com/BurntSushi/toml"
)

func seeds(f *testing.F, add func(data []byte)) {
	add([]byte(tune))
	for _, folder := range []string{"valid", "invalid"} {
		for _, data := range corpus(f, folder) {
			add(data)
		}
	}
	for seed := int64(0); seed < 20; seed++ {
		add(genText(seed))
	}
}

// FuzzParse: never a panic; what is taken is finite, is the same to both parsers, and every key in it has a place; what is
// refused is refused with a reason.
func FuzzParse(f *testing.F) {
	seeds(f, func(data []byte) { f.Add(data) })
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := Parse("f.toml", data)
		values, verr := Values("f.toml", data)
		if err != nil {
			es := List(err)
			if len(es) == 0 {
				t.Fatalf("%T: %v", err, err)
			}
			for _, e := range es {
				if e.Class != Damaged || e.What == "" || e.Want == "" || !utf8.ValidString(e.Error()) || e.Line < 1 && len(data) <= MaxBytes {
					t.Errorf("%+v", e)
				}
			}
			if verr == nil && !errors.As(es[0].Cause, new(bstoml.ParseError)) {
				t.Errorf("Values takes what Parse refuses: %v", err)
			}
			return
		}
		if verr != nil || !same(values, d.tree, false) {
			t.Fatalf("the parsers differ: %v, %v\n%v\n%v", err, verr, d.tree, values)
		}
		finite(t, d.tree)
		keys := d.Keys()
		for _, k := range append(keys, d.Tables()...) {
			line, col, ok := d.Pos(k)
			if _, got := d.Get(k); !ok || !got || line < 1 || col < 1 {
				t.Errorf("%s at %d:%d, %v, %v", k, line, col, ok, got)
			}
		}
		for _, k := range keys {
			lit, ok := d.Literal(k)
			v, err := ParseValue(lit)
			if want, _ := d.Get(k); !ok || err != nil || !same(v, want, false) {
				t.Errorf("%s is written %q, which is %v, %v; want %v", k, lit, v, err, want)
			}
		}
		if n := leafCount(d.tree); n != len(keys) {
			t.Errorf("%d keys with a place, %d in the tree", len(keys), n)
		}
		if c, l := Layout(d, d); c || l || !SameValues(d, d) {
			t.Error("differs from itself")
		}
		if !bytes.Equal(d.Text(), data) {
			t.Error("the text has changed")
		}
	})
}

func finite(t *testing.T, v any) {
	switch x := v.(type) {
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Errorf("%v was taken", x)
		}
	case []any:
		for _, e := range x {
			finite(t, e)
		}
	case map[string]any:
		for _, e := range x {
			finite(t, e)
		}
	}
}

// leafCount counts what Doc.Keys lists, from the tree.
func leafCount(v any) int {
	n := 0
	switch x := v.(type) {
	case map[string]any:
		for _, e := range x {
			n += leafCount(e)
		}
		return n
	case []any:
		if !hasTable(x) {
			return 1
		}
		for _, e := range x {
			n += leafCount(e)
		}
		return n
	}
	return 1
}

func hasTable(list []any) bool {
	for _, e := range list {
		if _, ok := e.(map[string]any); ok {
			return true
		}
		if sub, ok := e.([]any); ok && hasTable(sub) {
			return true
		}
	}
	return false
}

// FuzzEdit: an edit of any key of any text either gives a sound text with only that value changed (Set and Delete see to
// that, and what they give is read again here) or is refused with a reason and no change.
func FuzzEdit(f *testing.F) {
	seeds(f, func(data []byte) {
		f.Add(data, uint(3), "x", 1.5, int64(7))
	})
	f.Add([]byte("x=1\n\na.b=1\n\na.c=2"), uint(2), "a", 0.1, int64(-1))
	f.Add([]byte("a = [ # one\n1 # two\n]"), uint(0), "\x00", 1e300, int64(0))
	f.Fuzz(func(t *testing.T, data []byte, pick uint, s string, n float64, i int64) {
		d, err := Parse("f.toml", data)
		if err != nil {
			return
		}
		var all []Path
		d.index().root.walk(nil, func(p Path, _ *item) { all = append(all, p) })
		key := Join(s)
		if len(all) > 0 {
			key = all[pick%uint(len(all))].String()
		}
		edits := []Edit{
			{Key: key, Value: s}, {Key: key, Value: n}, {Key: key, Value: i}, {Key: key, Value: []any{i, n, s}},
			{Key: key, Value: Table{{s, n}, {"k", []any{s}}}}, {Key: key, Value: Raw(s)}, {Key: key, Delete: true},
			{Key: key + ".new", Value: s}, {Key: key + "." + Join(s), Value: Table{{"k", i}}}, {Key: key + "[0]", Value: i},
			{Key: Join(s), Value: n}, {Key: Join(s, "a", "b"), Value: i}, {Key: Join(s, 0, "b"), Value: i}, {Key: s, Value: n},
		}
		for _, e := range edits {
			got, err := d.Apply(e)
			if err != nil {
				var bad *Error
				if !errors.As(err, &bad) || bad.Class != Usage || bad.What == "" || got != nil {
					t.Errorf("%+v: %v", e, err)
				}
				if errors.Is(err, ErrUnsafeEdit) {
					t.Errorf("%+v: an edit that had to be refused: %v\n%q", e, err, data)
				}
				continue
			}
			again, err := Parse("f.toml", got.Text())
			if err != nil || !same(again.tree, got.tree, false) {
				t.Errorf("%+v: %v", e, err)
			}
			p, _ := ParsePath(e.Key)
			v, ok := p.in(again.tree)
			if e.Delete {
				continue
			}
			want, _ := ordered(e.Value, 0)
			if !ok || !Equal(v, tree(want)) {
				t.Errorf("%+v: gives %v", e, v)
			}
		}
		for _, k := range d.index().root.kids {
			name := Path{k.step}.String()
			got, err := (&Doc{name: "empty", tree: map[string]any{}}).Graft(name, d, name)
			if err != nil {
				t.Errorf("graft %s: %v\n%q", name, err, data)
			} else if v, _ := got.Get(name); !same(v, d.tree[k.step.Key], false) {
				t.Errorf("graft %s: %v\n%q", name, v, data)
			}
		}
	})
}

// FuzzPath: a path that can be read is written so that it reads the same.
func FuzzPath(f *testing.F) {
	for _, s := range []string{"a", "a.b", `a."b c"[0].d`, "part[12].mass_kg", `'x.y'."\u0041"`, "a[", "a..b", `"`, "[0]", "a[01]", "a[-1]"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePath(s)
		if err != nil {
			return
		}
		q, err := ParsePath(p.String())
		if err != nil || q.String() != p.String() || len(p) != len(q) {
			t.Errorf("%q reads as %v, then %v, %v", s, p, q, err)
		}
		for i := range p {
			if p[i] != q[i] {
				t.Errorf("%q: step %d is %v, then %v", s, i, p[i], q[i])
			}
		}
	})
}
