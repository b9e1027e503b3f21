package merge

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

var cat = schema.Default()

const tuneHead = `format = 1
kind = "tune"
rig = "k7qd2m9x4c"
`

// edits makes a text from another by replacing, and fails if there is nothing to replace.
func edits(t testing.TB, text string, pairs ...string) string {
	t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("no %q in\n%s", pairs[i], text)
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	return text
}

// flat is a text's values by identity, the remarks as a sorted list, for comparing without
// regard to order and layout.
func flat(t testing.TB, kind string, text []byte, beside ...string) (map[string]any, []string) {
	t.Helper()
	s := shapeOf(cat, kind)
	var docs []*file.Doc
	var trees []map[string]any
	for _, text := range append([]string{string(text)}, beside...) {
		d, err := file.Parse("x", []byte(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		docs, trees = append(docs, d), append(trees, d.Tree())
	}
	d := docs[0]
	x := s.parse(d, s.needTies(trees...))
	out := map[string]any{}
	for id, l := range x.leaves {
		out[id] = l.value
	}
	var words []string
	for _, c := range d.Comments() {
		words = append(words, c.Text)
	}
	sort.Strings(words)
	return out, words
}

func sameFlat(a, b map[string]any) string {
	for k, v := range a {
		w, ok := b[k]
		if !ok {
			return k + " is missing"
		}
		if !file.Equal(v, w) {
			return fmt.Sprintf("%s: %v, not %v", k, w, v)
		}
	}
	for k := range b {
		if _, ok := a[k]; !ok {
			return k + " is extra"
		}
	}
	return ""
}

func digestOf(t testing.TB, text string) string {
	t.Helper()
	d, err := file.Parse("x", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return preset.TuneIn(cat, d).GroupDigest(preset.GroupHold)
}

// conflictsAre holds the conflicts of a merge, by key, against those wanted.
func conflictsAre(t testing.TB, out Output, want []string) {
	t.Helper()
	var keys []string
	for _, x := range out.Conflicts {
		keys = append(keys, x.Key)
	}
	if !slices.Equal(keys, want) {
		t.Fatalf("conflicts %v, not %v", out.Conflicts, want)
	}
}
