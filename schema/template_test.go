package schema

import (
	"regexp"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// decode reads TOML for either kind of test.
func decode(t interface {
	Helper()
	Fatalf(string, ...any)
}, text string) Tree {
	t.Helper()
	var doc Tree
	if _, err := toml.Decode(text, &doc); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return doc
}

func TestTemplateIsValid(t *testing.T) {
	for _, kind := range Kinds {
		text := Default().template(kind, false)
		if ps := Default().Validate(kind, decode(t, text), nil); len(ps) > 0 {
			t.Errorf("%s: %v", kind, ps)
		}
	}
	if Default().Template("nonsense") != "" {
		t.Error("a template of an unknown kind")
	}
}

// A gimbal sheet that nobody filled in is no sheet: no example value is in use, and
// what is missing is said.
func TestGimbalTemplateIsRefused(t *testing.T) {
	doc := decode(t, Default().Template(KindGimbal))
	if !IsTemplate(KindGimbal, doc) || len(doc) != 2 {
		t.Errorf("in use: %v", doc)
	}
	ps := Default().Validate(KindGimbal, doc, nil)
	one(t, ps, "name", "missing")
	one(t, ps, "payload.max_kg", "missing")
	doc["name"] = "Corrie"
	doc["payload"] = Tree{"max_kg": 4.0}
	if s, ps := Default().Sheet("corrie", doc); s == nil || len(ps) > 0 || IsTemplate(KindGimbal, doc) {
		t.Errorf("name and payload limit alone: %v", ps)
	}
}

// Every key of a kind is in its template, and a line whose # is taken off holds
// a value of the right type.
func TestTemplateHasEveryKey(t *testing.T) {
	off := regexp.MustCompile(`(?m)^#([a-z\[])`)
	for _, kind := range Kinds {
		doc := decode(t, off.ReplaceAllString(Default().Template(kind), "$1"))
		for _, p := range Default().Validate(kind, doc, nil) {
			if p.Rule == "" && !p.Warning {
				t.Errorf("%s, all keys in use: %v", kind, p)
			}
		}
		flat := Flatten(doc)
		k, _ := Default().Kind(kind)
		for _, f := range k.Fields {
			key := strings.NewReplacer("[]", "[0]", "mount.*", "mount.top", "*", "walk").Replace(f.Path)
			if _, ok := flat[key]; !ok {
				t.Errorf("%s: the template lacks %s", kind, key)
			}
		}
	}
}

// A dial's map can be taken into use as it stands in the template.
func TestTemplateMaps(t *testing.T) {
	text := Default().template(KindGimbal, false)
	head := regexp.MustCompile(`^#(\[dial\..*\.map\])$`)
	var out []string
	in := false
	for _, l := range strings.Split(text, "\n") {
		if m := head.FindStringSubmatch(l); m != nil {
			l, in = m[1], true
		} else if in && strings.HasPrefix(l, "#") && !strings.HasPrefix(l, "#points") && !strings.Contains(l, "Rigkeep writes it") {
			l = l[1:]
		} else if l == "" {
			in = false
		}
		out = append(out, l)
	}
	sheet, ps := Default().Sheet("new", decode(t, strings.Join(out, "\n")))
	if sheet == nil {
		t.Fatal(ps)
	}
	for k, d := range sheet.Dials {
		if d.Map == nil {
			t.Error("no map in use on", k)
		}
	}
}

func TestTemplateIsStable(t *testing.T) {
	for _, kind := range Kinds {
		if a, b := Default().Template(kind), build(groups, params()).Template(kind); a != b {
			t.Errorf("%s: two builds differ", kind)
		}
	}
}
