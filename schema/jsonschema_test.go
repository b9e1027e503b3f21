package schema

import (
	"bytes"
	"encoding/json"
	"math/rand"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// compileSchema reads the schema of a kind with an independent validator that
// also checks it against the draft's meta-schema; formats are asserted.
func compileSchema(t *testing.T, kind string) *jsonschema.Schema {
	t.Helper()
	text, err := Default().JSONSchema(kind)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("mem:"+kind, doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:" + kind)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// forJSON turns a document into what JSON has: times become text.
func forJSON(v any) any {
	switch x := v.(type) {
	case map[string]any:
		m := map[string]any{}
		for k, e := range x {
			m[k] = forJSON(e)
		}
		return m
	case []any:
		l := []any{}
		for _, e := range x {
			l = append(l, forJSON(e))
		}
		return l
	case []map[string]any:
		l := []any{}
		for _, e := range x {
			l = append(l, forJSON(e))
		}
		return l
	case int64:
		return json.Number(Num(float64(x)))
	}
	switch t, form := Moment(v); form {
	case Day:
		return t.Format(time.DateOnly)
	case LocalTime:
		return t.Format("2006-01-02T15:04:05")
	case Instant:
		return t.Format(time.RFC3339Nano)
	}
	if t, ok := v.(time.Time); ok {
		return t.Format("15:04:05")
	}
	return v
}

// The rules that a schema of plain keywords cannot say: Validate may refuse by
// one of these what the schema accepts.
var notInSchema = []string{RuleOnDial, RuleOnce, RuleShape, RulePlain, RuleDial, RuleMap, RuleAgree, RuleDistinct, RuleKnown}

// Where the two differ over one key, by name.
const (
	pointedInt = "a whole number with a decimal point is an integer to JSON Schema and none to us"
	localTime  = "a time without zone is taken as UTC by us and is no date-time to JSON Schema"
	timeAsText = "a time where a text belongs is text once it is JSON"
	midnight   = "a date that a program built as midnight UTC is a date to us and a date-time as text"
)

// agree fails unless schema and Validate say the same of a document.
func agree(t *testing.T, s *jsonschema.Schema, kind string, doc Tree, about string) (good bool) {
	t.Helper()
	ps := Errors(Default().Validate(kind, doc, nil))
	schemaErr := s.Validate(forJSON(doc))
	plain := slices.ContainsFunc(ps, func(p Problem) bool { return p.Rule == "" })
	for _, p := range ps {
		if p.Rule != "" && !slices.Contains(notInSchema, p.Rule) {
			t.Errorf("%s: rule %q is not among the exceptions", about, p.Rule)
		}
	}
	if plain != (schemaErr != nil) {
		t.Errorf("%s, %s: Validate says %v; the schema says %v", kind, about, ps, schemaErr)
	}
	return len(ps) == 0
}

func TestJSONSchemaAgrees(t *testing.T) {
	r := rand.New(rand.NewSource(3))
	for _, kind := range Kinds {
		s := compileSchema(t, kind)
		if !agree(t, s, kind, base(t, kind), "base") {
			t.Errorf("%s: the base document is refused", kind)
		}
		k, _ := Default().Kind(kind)
		good, bad := 0, 0
		count := func(ok bool) {
			if ok {
				good++
			} else {
				bad++
			}
		}
		for _, f := range k.Fields {
			if kind == KindGimbal && repeated(f.Path) {
				continue
			}
			key := strings.NewReplacer("[]", "[0]", "*", "walk").Replace(f.Path)
			for i, v := range samples(&f) {
				if f.Type == Date && i == dateAt {
					continue // midnight
				}
				doc := base(t, kind)
				change(t, doc, key, v)
				count(agree(t, s, kind, doc, key+" = "+shown(v)))
			}
			doc := base(t, kind)
			change(t, doc, key, nil)
			count(agree(t, s, kind, doc, "without "+key))
			doc = base(t, kind)
			change(t, doc, key+"x", int64(1))
			count(agree(t, s, kind, doc, key+"x"))
			// the table it is in, as something else or empty
			if at := key[:max(strings.LastIndex(key, "."), 0)]; at != "" && !strings.HasSuffix(at, "]") {
				for _, v := range []any{int64(3), Tree{}, []any{}, "x"} {
					doc := base(t, kind)
					change(t, doc, at, v)
					count(agree(t, s, kind, doc, at+" = "+shown(v)))
				}
			}
		}
		for _, sec := range k.Sections {
			name, ok := strings.CutSuffix(sec.Path, "[]")
			if !ok {
				continue
			}
			for _, v := range []any{[]any{}, []any{Tree{}}, Tree{}, int64(1), nil, []any{int64(1)}} {
				doc := base(t, kind)
				change(t, doc, name, v)
				count(agree(t, s, kind, doc, name+" = "+shown(v)))
			}
		}
		if kind == KindTune {
			for _, style := range []string{"Wide", "a b", "-x", "x-", "2nd", "a", strings.Repeat("a", 40), strings.Repeat("a", 41), "", "a.b", "ü"} {
				doc := base(t, kind)
				doc["follow"] = Tree{style: Tree{"deadband": Tree{"pan": int64(3)}}}
				count(agree(t, s, kind, doc, "style "+style))
			}
		}
		if good < 5 || bad < 20 {
			t.Errorf("%s: only %d good and %d bad documents were compared", kind, good, bad)
		}
		// and several changes at once
		for range 60 {
			doc := base(t, kind)
			about := ""
			for range 1 + r.Intn(3) {
				f := k.Fields[r.Intn(len(k.Fields))]
				vs := samples(&f)
				i := r.Intn(len(vs))
				if f.Type == Date && i == dateAt {
					continue
				}
				key := strings.NewReplacer("[]", "[0]", "*", "walk").Replace(f.Path)
				change(t, doc, key, vs[i])
				about += key + " = " + shown(vs[i]) + ", "
			}
			agree(t, s, kind, doc, about)
		}
	}
}

// repeated says that a field has a twin on another dial or axis that is compared.
func repeated(path string) bool {
	if rest, ok := strings.CutPrefix(path, "dial."); ok {
		return !strings.HasPrefix(rest, "stiffness.pan") && !strings.HasPrefix(rest, "filters.sensing")
	}
	return strings.Contains(path, "roll") || strings.Contains(path, "tilt.")
}

// dateAt is where samples has a date-time at midnight.
const dateAt = 0

// samples are values for a field: right, at the edges, over them, and of every
// other type. NaN is left out: JSON has none.
func samples(f *Field) []any {
	day := time.Date(2026, 3, 2, 0, 0, 0, 0, time.FixedZone("date-local", 0))
	vs := []any{
		time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), day, time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC),
		time.Date(0, 1, 1, 9, 30, 0, 0, time.FixedZone("time-local", 0)),
		true, "", " ", "x", "two words", strings.Repeat("x", 41), strings.Repeat("x", 401), strings.Repeat("x", 4097),
		int64(0), int64(1), int64(-1), 0.5, -0.5, 1e9, Tree{}, Tree{"x": int64(1)},
		[]any{}, []any{"x"}, []any{int64(1)}, []any{1.0, 2.0}, []any{1.0, 2.0, 3.0}, []any{1.0, "x", 3.0}, []any{1e9, 0.0, 0.0}, []any{-1e9, 0.0, 0.0},
		[]any{strings.Repeat("x", 401)}, []any{"pan", "roll", "tilt"},
	}
	for _, b := range []*float64{f.Min, f.Max, f.Above} {
		if b != nil {
			vs = append(vs, *b, *b+0.25, *b-0.25)
			if f.Type == Floats {
				vs = append(vs, []any{*b, *b, *b})
			}
		}
	}
	for _, e := range f.Enum {
		vs = append(vs, e, e+"x", strings.ToUpper(e))
	}
	if f.Type == String {
		vs = vs[4:] // timeAsText
	}
	if f.Type == Int {
		vs = slices.DeleteFunc(vs, func(v any) bool { x, ok := v.(float64); return ok && x == float64(int64(x)) }) // pointedInt
	}
	if f.MaxLen > 0 {
		vs = append(vs, strings.Repeat("x", f.MaxLen), strings.Repeat("x", f.MaxLen+1), make([]any, f.MaxLen+1))
	}
	switch f.Pattern {
	case slugPattern:
		vs = append(vs, "a", "a-b.c_2", "-a", "a-", ".a", "A")
	case fingerprintPattern:
		vs = append(vs, "k7qd2m9x4c", "k7qd2m9x4", "k7qd2m9x4cc", "k7qd2m9x4i", "K7QD2M9X4C")
	}
	return vs
}

// The named differences over one key are real, so that this list cannot rot.
func TestJSONSchemaExceptions(t *testing.T) {
	for _, c := range []struct {
		name, kind, key string
		v               any
		we, schema      bool
	}{
		{pointedInt, KindGimbal, "filter.sensing.order", 1.0, false, true},
		{localTime, KindTune, "proof.hold.at", time.Date(2026, 3, 2, 9, 30, 0, 0, time.FixedZone("datetime-local", 0)), true, false},
		{timeAsText, KindTune, "note", time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC), false, true},
		{midnight, KindJob, "to", time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), true, false},
	} {
		doc := base(t, c.kind)
		change(t, doc, c.key, c.v)
		we := len(Default().Validate(c.kind, doc, nil)) == 0
		schema := compileSchema(t, c.kind).Validate(forJSON(doc)) == nil
		if we != c.we || schema != c.schema {
			t.Errorf("%s: we accept %v, the schema accepts %v", c.name, we, schema)
		}
	}
}

// Plain keywords only, every object closed, keys stable.
func TestJSONSchemaIsPlain(t *testing.T) {
	plain := []string{"$schema", "title", "description", "type", "properties", "patternProperties", "additionalProperties", "required", "items",
		"minimum", "maximum", "exclusiveMinimum", "enum", "pattern", "minItems", "maxItems", "maxLength", "format"}
	for _, kind := range Kinds {
		text, err := Default().JSONSchema(kind)
		if err != nil {
			t.Fatal(err)
		}
		again, _ := build(groups, params()).JSONSchema(kind)
		if !bytes.Equal(text, again) {
			t.Errorf("%s: two builds differ", kind)
		}
		var s any
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatal(err)
		}
		var look func(v any, at string)
		look = func(v any, at string) {
			m := v.(map[string]any)
			for k, w := range m {
				if !slices.Contains(plain, k) {
					t.Errorf("%s: keyword %s at %s", kind, k, at)
				}
				switch k {
				case "properties", "patternProperties":
					for name, p := range w.(map[string]any) {
						look(p, at+"."+name)
					}
				case "items":
					look(w, at+"[]")
				}
			}
			if m["type"] == "object" && m["additionalProperties"] != false {
				t.Errorf("%s: %s is open", kind, at)
			}
			if m["type"] != "object" && m["type"] != "array" && m["description"] == nil && !strings.HasSuffix(at, "[]") {
				t.Errorf("%s: %s has no description", kind, at)
			}
		}
		look(s, "")
		// keys in the catalogue's order
		if kind == KindTune && !(bytes.Index(text, []byte(`"stiffness"`)) < bytes.Index(text, []byte(`"filters"`)) &&
			bytes.Index(text, []byte(`"filters"`)) < bytes.Index(text, []byte(`"follow"`))) {
			t.Error("keys are not in the catalogue's order")
		}
	}
	if _, err := Default().JSONSchema("recipe"); err == nil {
		t.Error("a schema of an unknown kind")
	}
}
