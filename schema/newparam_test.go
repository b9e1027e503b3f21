package schema_test

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"

	"rigkeep/schema"
	"rigkeep/schema/schematest"
)

// A parameter added to a copy of the catalogue is known to everything in this
// package with no other change. Compare and check have such a test of their own.
func TestNewParameter(t *testing.T) {
	c, old, key := schematest.Catalogue(), schema.Default(), schematest.Key

	// the shipped catalogue has not changed
	if _, ok := old.Param(key); ok {
		t.Fatal("the sample parameter is in the shipped catalogue; choose another sample")
	}
	if len(c.Params()) != len(old.Params())+1 {
		t.Fatalf("%d parameters, %d before", len(c.Params()), len(old.Params()))
	}
	if ps := old.Validate(schema.KindTune, schematest.TuneDoc(10), nil); len(ps) != 1 || ps[0].Key != "recovery" {
		t.Errorf("the shipped catalogue: %v", ps)
	}

	// validation of a tune, of its dial, of a sheet with dial and reference
	sheet := schematest.Sheet()
	if ps := c.Validate(schema.KindTune, schematest.TuneDoc(10), sheet); len(ps) > 0 {
		t.Errorf("tune: %v", ps)
	}
	for v, what := range map[float64]string{101: "outside the dial", 10.5: "between two steps"} {
		ps := c.Validate(schema.KindTune, schematest.TuneDoc(v), sheet)
		if len(ps) != 1 || ps[0].Key != key || !strings.Contains(ps[0].What, what) {
			t.Errorf("tune with %v: %v", v, ps)
		}
		if qs := c.CheckValue(key, v, sheet); !reflect.DeepEqual(ps, qs) {
			t.Errorf("CheckValue %v: %v", v, qs)
		}
	}
	if ps := c.CheckValue(key, "ten", nil); len(ps) != 1 {
		t.Errorf("CheckValue of a text: %v", ps)
	}
	d, ok := sheet.DialOf(c, key)
	if si, err := d.ToSI(50); !ok || err != nil || si != 1 {
		t.Errorf("dial: %v %v %v", d, si, err)
	}
	if got := sheet.References[0].Values[key]; got != 20 {
		t.Errorf("reference: %v", got)
	}
	doc := schematest.SheetDoc()
	doc["reference"].([]any)[0].(schema.Tree)["recovery"].(schema.Tree)["tilt"] = int64(200)
	if _, ps := c.Sheet("x", doc); len(ps) != 1 || ps[0].Key != "reference[0].recovery.tilt" {
		t.Errorf("reference off the dial: %v", ps)
	}
	doc = schematest.SheetDoc()
	doc["dial"].(schema.Tree)["recovery"].(schema.Tree)["tilt"].(schema.Tree)["map"].(schema.Tree)["unit"] = "Hz"
	if _, ps := c.Sheet("x", doc); len(ps) != 1 || ps[0].Key != "dial.recovery.tilt.map.unit" {
		t.Errorf("map in a wrong unit: %v", ps)
	}

	// explain, on a gimbal too, and the list
	e, ok := c.ExplainOn(key, sheet, 50.0)
	if !ok || e.Name != "recovery, tilt" || e.Does == "" || *e.On.ValueSI != 1 || *e.On.Coarse.Up.SI < 0.0999 || *e.On.Coarse.Up.SI > 0.1001 {
		t.Errorf("explain: %+v, on %+v", e, e.On)
	}
	listed := false
	for _, g := range c.List() {
		for _, b := range g.Params {
			listed = listed || g.Name == "recovery" && b.Key == key
		}
	}
	if !listed {
		t.Error("not in the list by group")
	}

	// JSON Schema of tune and sheet
	for _, kind := range []string{schema.KindTune, schema.KindGimbal} {
		text, err := c.JSONSchema(kind)
		if err != nil || !json.Valid(text) || !strings.Contains(string(text), schematest.Param().Doc) {
			t.Errorf("schema of %s: %v", kind, err)
		}
	}

	// completion: the keys of a tune and of a sheet, and the concrete keys
	if !slices.Contains(c.KnownKeys(schema.KindTune), key) || !slices.Contains(c.KnownKeys(schema.KindGimbal), "dial."+key+".fine") ||
		!slices.Contains(c.KnownKeys(schema.KindGimbal), "reference[]."+key) || !slices.Contains(c.Expand(nil), key) {
		t.Error("not among the known keys")
	}
	if ps := c.CheckValue("recovery.titl", 1.0, nil); !strings.Contains(ps[0].Fix, key) {
		t.Errorf("not suggested: %v", ps)
	}

	// templates
	var tree schema.Tree
	if _, err := toml.Decode(c.Template(schema.KindGimbal), &tree); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(c.Template(schema.KindGimbal), "\n#[dial."+key+"]\n") {
		t.Error("the template of a sheet has no dial for it")
	}

	// the sample as text is the sample as a document
	tree = nil
	if _, err := toml.Decode(schematest.Tune(10), &tree); err != nil {
		t.Fatal(err)
	}
	want := schematest.TuneDoc(10)
	want["recovery"] = schema.Tree{"tilt": int64(10)}
	if !reflect.DeepEqual(tree, want) {
		t.Errorf("text %v, document %v", tree, want)
	}
}

// With puts a parameter in the place of the one with the same key.
func TestWithReplaces(t *testing.T) {
	p, _ := schema.Default().Param("stiffness.pan")
	p.Name = "another name"
	c := schema.Default().With(p)
	if len(c.Params()) != len(schema.Default().Params()) {
		t.Error("two parameters with one key")
	}
	if q, _ := c.Param("stiffness.pan"); q.Name != "another name" {
		t.Error(q.Name)
	}
	if q, _ := schema.Default().Param("stiffness.pan"); q.Name == "another name" {
		t.Error("the shipped catalogue changed")
	}
}
