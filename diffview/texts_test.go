package diffview

import (
	"bytes"
	"strings"
	"testing"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/schema"
)

const tuneText = `format = 1
kind = "tune"
rig = "k7qd2m9x4c"
# quiet on the quay
[stiffness]
pan = 41
roll = 38   # soft
tilt = 62.5
`

func tuneSide(t *testing.T, label, text string) Side {
	t.Helper()
	tune, err := preset.UncheckedTune(cat, label, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return Side{Label: label, Tune: &tune, Texts: map[string][]byte{"rigs/k7/k7qd2m9x4c/main.toml": []byte(text)}}
}

func TestCommentsAndLayout(t *testing.T) {
	for _, c := range []struct {
		name, after string
		summary     string // "" when nothing is to be said of the text
		comments    []Comment
		layout      bool
		values      int
	}{
		{"same", tuneText, "", nil, false, 0},
		{"comment changed", strings.Replace(tuneText, "quiet", "clean", 1), "same values; comments differ",
			[]Comment{{Removed, "stiffness", "quiet on the quay"}, {Added, "stiffness", "clean on the quay"}}, false, 0},
		{"comment added twice", strings.Replace(tuneText, "# quiet on the quay\n", "# quiet on the quay\n# quiet on the quay\n", 1), "same values; comments differ",
			[]Comment{{Added, "stiffness", "quiet on the quay"}}, false, 0},
		{"number spelled otherwise", strings.Replace(tuneText, "41", "41.0", 1), "same values; only order, spacing or number format differ", nil, true, 0},
		{"line ends", strings.ReplaceAll(tuneText, "\n", "\r\n"), "only the line ends differ, no value does", nil, true, 0},
		{"order", strings.Replace(tuneText, "pan = 41\nroll = 38   # soft\n", "roll = 38   # soft\npan = 41\n", 1), "same values; only order, spacing or number format differ", nil, true, 0},
		{"comment and layout", strings.NewReplacer("pan = 41", "pan  =  41", "# soft", "# softer").Replace(tuneText), "only comments and layout differ, no value does",
			[]Comment{{Removed, "stiffness.roll", "soft"}, {Added, "stiffness.roll", "softer"}}, true, 0},
		{"value", strings.Replace(tuneText, "41", "44", 1), "", nil, false, 1},
		{"value and comment", strings.NewReplacer("41", "44", "# soft", "# softer").Replace(tuneText), "comments differ",
			[]Comment{{Removed, "stiffness.roll", "soft"}, {Added, "stiffness.roll", "softer"}}, false, 1},
		{"a # inside a text is none", strings.Replace(tuneText, "# quiet", "note = \"# no comment\"\n# quiet", 1), "", nil, false, 1},
	} {
		r := Compare(cat, tuneSide(t, "a", tuneText), tuneSide(t, "b", c.after))
		if r.Same != (c.after == tuneText) {
			t.Errorf("%s: Same = %v", c.name, r.Same)
		}
		if n := len(allChanges(r)) + len(r.Other); n != c.values {
			t.Errorf("%s: %d values differ, want %d", c.name, n, c.values)
		}
		var got Text
		if len(r.Texts) > 0 {
			got = r.Texts[0]
		}
		if got.Summary != c.summary || got.Layout != c.layout {
			t.Errorf("%s: says %q (layout %v), want %q (%v)", c.name, got.Summary, got.Layout, c.summary, c.layout)
		}
		if len(got.Comments) != len(c.comments) {
			t.Errorf("%s: comments %+v, want %+v", c.name, got.Comments, c.comments)
			continue
		}
		for i := range c.comments {
			if got.Comments[i] != c.comments[i] {
				t.Errorf("%s: comment %+v, want %+v", c.name, got.Comments[i], c.comments[i])
			}
		}
		if len(r.Documents) != 0 {
			t.Errorf("%s: the tune is told twice: %+v", c.name, r.Documents)
		}
	}
}

// Texts alone are enough: the values are read from them.
func TestTextsAlone(t *testing.T) {
	side := func(text string) Side {
		return Side{Label: "x", Texts: map[string][]byte{"jobs/2026-03-02-quay.toml": []byte(text)}}
	}
	const job = "format = 1\nkind = \"job\"\nname = \"Quay\"\nfrom = 2026-03-02\nstate = \"open\"\n[[crew]]\nrole = \"A-cam operator\"\n"
	r := Compare(cat, side(job), side(strings.NewReplacer("03-02", "03-03", "open", "closed").Replace(job)+"odd = 1\n"))
	if len(r.Documents) != 1 || len(r.Documents[0].Fields) != 3 || len(r.Texts) != 0 {
		t.Fatalf("%+v %+v", r.Documents, r.Texts)
	}
	f := r.Documents[0].Fields
	if f[0].Key != "from" || value(f[0].After) != "2026-03-03" || !f[0].Known || f[0].Level != schema.Notable {
		t.Errorf("%+v", f[0])
	}
	var doc bytes.Buffer
	if err := safe.WriteJSON(&doc, r); err != nil || !strings.Contains(doc.String(), `"after": "2026-03-03"`) {
		t.Errorf("%v %s", err, doc.String())
	}
	if last := f[2]; last.Key != "crew[0].odd" || last.Known || last.Op != Added {
		t.Errorf("unknown keys come last: %+v", last)
	}
	r = Compare(cat, side(job), side("not = toml = at all"))
	if r.Same || len(r.Texts) != 1 || !strings.Contains(r.Texts[0].Summary, "unreadable") {
		t.Errorf("a broken file: %+v", r.Texts)
	}
	r = Compare(cat, side(job), Side{Label: "gone"})
	if r.Same || len(r.Documents) != 1 || r.Documents[0].Op != Removed || len(r.Texts) != 0 {
		t.Errorf("a removed file: %+v %+v", r.Documents, r.Texts)
	}
}
