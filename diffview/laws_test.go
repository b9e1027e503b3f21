package diffview

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigkeep/preset"
	"rigkeep/schema"
)

var cat = schema.Default()

// genTune draws a tune; with a base it draws one that differs from it in a few places.
func genTune(t *rapid.T, base *preset.Tune) *preset.Tune {
	out := preset.Tune{Rig: "k7qd2m9x4c", Values: map[string]any{}}
	if base != nil {
		out = *base
		out.Values = map[string]any{}
		for k, v := range base.Values {
			out.Values[k] = v
		}
	}
	styles := rapid.SampledFrom([][]string{{"walk"}, {"walk", "sweep"}, {"a b"}, {}}).Draw(t, "styles")
	for _, k := range cat.Expand(styles) {
		switch rapid.IntRange(0, 9).Draw(t, k) {
		case 0, 1:
			out.Values[k] = float64(rapid.IntRange(0, 90).Draw(t, "v")) / 2
		case 2:
			delete(out.Values, k)
		case 3:
			out.Values[k] = rapid.Float64Range(0, 45).Draw(t, "f")
		}
	}
	if rapid.Bool().Draw(t, "has unit") {
		out.Unit = rapid.SampledFrom([]string{"", "H-1", "H-2"}).Draw(t, "own unit")
	}
	if rapid.Bool().Draw(t, "has note") {
		out.Note = rapid.SampledFrom([]string{"", "quiet", "quiet on the quay", "quiet\nand calm", "\x1b[31m"}).Draw(t, "note")
	}
	if rapid.IntRange(0, 5).Draw(t, "rig") == 0 {
		out.Rig = "8wq2m9x4ck"
	}
	switch rapid.IntRange(0, 3).Draw(t, "proof") {
	case 0:
		out.Proof = nil
	case 1:
		out.Proof = &preset.Proof{
			At:   time.Date(2026, 3, rapid.IntRange(1, 3).Draw(t, "day"), 8, 0, 0, 0, time.UTC),
			Unit: rapid.SampledFrom([]string{"", "H-1", "H-2"}).Draw(t, "unit"), Digest: out.GroupDigest(preset.GroupHold), Rig: out.Rig,
			Effort: map[schema.Axis]float64{schema.Pan: float64(rapid.IntRange(0, 4).Draw(t, "effort"))}, Minutes: 5,
			Onset: map[schema.Axis]float64{}, OnsetHz: map[schema.Axis]float64{}, Inertia: map[schema.Axis]float64{},
		}
	}
	return &out
}

func genRig(t *rapid.T, base *preset.Rig) *preset.Rig {
	out := preset.Rig{ID: "k7qd2m9x4c", Alias: "long", Gimbal: "halyard"}
	if base != nil {
		out = *base
		out.Parts = append([]preset.Part(nil), base.Parts...)
	}
	part := func() preset.Part {
		return preset.Part{
			Slot: rapid.SampledFrom([]string{"lens", "body", "plate"}).Draw(t, "slot"), Name: rapid.SampledFrom([]string{"a", "b", "静か"}).Draw(t, "name"),
			Mass: float64(rapid.IntRange(1, 4000).Draw(t, "g")) * 1e-3, Place: [3]float64{float64(rapid.IntRange(-100, 100).Draw(t, "mm")) * 1e-3, 0, 0},
			Shape: rapid.SampledFrom([]string{"", "point"}).Draw(t, "shape"),
		}
	}
	for range rapid.IntRange(0, 3).Draw(t, "edits") {
		n := len(out.Parts)
		switch at := rapid.IntRange(0, max(n, 1)).Draw(t, "at"); {
		case at >= n:
			out.Parts = append(out.Parts, part())
		case rapid.Bool().Draw(t, "swap") && at > 0:
			out.Parts[at-1], out.Parts[at] = out.Parts[at], out.Parts[at-1]
		case rapid.Bool().Draw(t, "drop"):
			out.Parts = append(out.Parts[:at], out.Parts[at+1:]...)
		default:
			out.Parts[at] = part()
		}
	}
	if rapid.IntRange(0, 3).Draw(t, "fields") == 0 {
		out.Alias = rapid.SampledFrom([]string{"long", "short"}).Draw(t, "alias")
		out.Note = rapid.SampledFrom([]string{"", "with mattebox"}).Draw(t, "note")
		out.Was = rapid.SampledFrom([][]string{nil, {"0000000000"}}).Draw(t, "was")
		out.Gimbal = rapid.SampledFrom([]string{"halyard", "bollard"}).Draw(t, "gimbal")
		out.Resonances = rapid.SampledFrom([][]preset.Resonance{nil, {{Axis: schema.Tilt, Hz: 12, Damping: 0.05, Share: 0.1}}}).Draw(t, "rings")
	}
	return &out
}

func sheetFor(r *preset.Rig) *schema.Sheet {
	if r.Gimbal == "bollard" {
		return sheetPlain()
	}
	return sheetSI()
}

func sameTune(a, b preset.Tune) bool {
	if a.Rig != b.Rig || a.Note != b.Note || len(a.Values) != len(b.Values) || !equalProof(a.Proof, b.Proof) {
		return false
	}
	for k, v := range a.Values {
		if w, ok := b.Values[k]; !ok || v != w {
			return false
		}
	}
	return true
}

func equalProof(a, b *preset.Proof) bool {
	return (a == nil) == (b == nil) && reflect.DeepEqual(proofKeys(a), proofKeys(b))
}

func sameRig(a, b preset.Rig) bool {
	if len(a.Parts) != len(b.Parts) {
		return false
	}
	for i := range a.Parts {
		if !samePart(a.Parts[i], b.Parts[i]) {
			return false
		}
	}
	a.Parts, b.Parts = nil, nil
	return fmt.Sprint(a) == fmt.Sprint(b)
}

// Law: a report is Same exactly when nothing differs; applying it to the first
// side gives the second. Every writer takes every report.
func TestLawsOfTuneAndRig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Side{Label: "a", Rig: genRig(t, nil), Tune: genTune(t, nil)}
		b := Side{Label: "b", Rig: genRig(t, a.Rig), Tune: genTune(t, a.Tune)}
		if rapid.IntRange(0, 4).Draw(t, "alike") == 0 {
			b.Rig, b.Tune = a.Rig, a.Tune
		}
		if rapid.Bool().Draw(t, "sheets") {
			a.Sheet, b.Sheet = sheetFor(a.Rig), sheetFor(b.Rig)
		}
		r := Compare(cat, a, b)
		if want := sameTune(*a.Tune, *b.Tune) && sameRig(*a.Rig, *b.Rig); r.Same != want {
			t.Fatalf("Same = %v, want %v\n%+v\n%+v", r.Same, want, r.Build, r.Tune)
		}
		if (r.Counts.Total() == 0) != r.Same {
			t.Fatalf("counts %+v do not agree with Same = %v", r.Counts, r.Same)
		}
		gotT, err := r.ApplyTune(*a.Tune)
		if err != nil || !sameTune(gotT, *b.Tune) {
			t.Fatalf("apply(diff(a,b), a) is not b: %v\n%+v\n%+v", err, gotT, b.Tune)
		}
		gotR, err := r.ApplyRig(*a.Rig)
		if err != nil || !sameRig(gotR, *b.Rig) {
			t.Fatalf("apply(diff(a,b), a) is not b: %v\n%+v\n%+v", err, gotR, b.Rig)
		}
		if (InWords(r, nil) == "") != r.Same {
			t.Fatalf("InWords is %q where Same = %v", InWords(r, nil), r.Same)
		}
		for _, c := range allChanges(r) {
			if c.Delta != nil && c.Sense != 0 && c.Direction == "" {
				t.Fatalf("%s has a sense and no direction", c.Key)
			}
			if c.Op == Changed && c.Known && c.Comparable && c.Level == schema.Same {
				t.Fatalf("%s differs and weighs nothing", c.Key)
			}
		}
		if back := Compare(cat, b, a); back.Same != r.Same {
			t.Fatalf("Same is %v one way and %v the other", r.Same, back.Same)
		}
	})
}

func allChanges(r Report) []Change {
	var out []Change
	for _, g := range r.Tune {
		out = append(out, g.Changes...)
	}
	return out
}

func genValue(t *rapid.T) any {
	switch rapid.IntRange(0, 6).Draw(t, "type") {
	case 0:
		return int64(rapid.IntRange(0, 3).Draw(t, "int"))
	case 1:
		return float64(rapid.IntRange(0, 6).Draw(t, "float")) / 2
	case 2:
		return rapid.SampledFrom([]string{"", "a", "a b", "a\nb", "\xff", "\u202e"}).Draw(t, "string")
	case 3:
		return rapid.Bool().Draw(t, "bool")
	case 4:
		return time.Date(2026, 1, rapid.IntRange(1, 2).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
	case 5:
		return []any{int64(rapid.IntRange(0, 1).Draw(t, "e")), "x"}
	}
	return map[string]any{}
}

func genTree(t *rapid.T) schema.Tree {
	tree := schema.Tree{"format": int64(1), "kind": "job"}
	for _, k := range []string{"name", "note", "from", "lens.widest_mm", "odd key", "crew"} {
		switch rapid.IntRange(0, 3).Draw(t, k) {
		case 0:
			tree[strings.SplitN(k, ".", 2)[0]] = genValue(t)
		case 1:
			if k == "crew" {
				var l []any
				for range rapid.IntRange(0, 12).Draw(t, "n") {
					l = append(l, schema.Tree{"role": genValue(t)})
				}
				tree[k] = l
			}
		case 2:
			tree["lens"] = schema.Tree{"widest_mm": genValue(t)}
		}
	}
	return tree
}

func sameFlat(a, b schema.Flat) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if w, ok := b[k]; !ok || !equal(v, w) {
			return false
		}
	}
	return true
}

func TestLawsOfDocuments(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := genTree(t)
		b := a
		if rapid.Bool().Draw(t, "another") {
			b = genTree(t)
		}
		fa, fb := schema.Flatten(a), schema.Flatten(b)
		fs := Fields(cat, "job", a, b)
		if (len(fs) == 0) != sameFlat(fa, fb) {
			t.Fatalf("%d differences between\n%v\n%v", len(fs), fa, fb)
		}
		if got := ApplyFields(fs, fa); !sameFlat(got, fb) {
			t.Fatalf("apply(diff(a,b), a) is not b:\n%v\n%v", got, fb)
		}
		r := Compare(cat, Side{Label: "a", Docs: map[string]schema.Tree{"jobs/x.toml": a}}, Side{Label: "b", Docs: map[string]schema.Tree{"jobs/x.toml": b}})
		if r.Same != (len(fs) == 0) {
			t.Fatalf("the report says Same = %v with %d differences", r.Same, len(fs))
		}
	})
}

func TestLawOfWords(t *testing.T) {
	word := rapid.SampledFrom([]string{"a", "quay", " ", "  ", "\n", "62.5", ".", "静か", "é", "-"})
	rapid.Check(t, func(t *rapid.T) {
		a := strings.Join(rapid.SliceOfN(word, 0, 30).Draw(t, "a"), "")
		b := strings.Join(rapid.SliceOfN(word, 0, 30).Draw(t, "b"), "")
		var x, y string
		changed := false
		for _, m := range Words(a, b) {
			if m.Op != Added {
				x += m.Text
			}
			if m.Op != Removed {
				y += m.Text
			}
			changed = changed || m.Op != ""
		}
		if x != a || y != b || changed != (a != b) {
			t.Fatalf("marks of %q and %q give %q and %q", a, b, x, y)
		}
	})
}
