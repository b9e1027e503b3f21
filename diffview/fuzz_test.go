package diffview

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/schema"
)

// Any two texts: no panic, Same exactly when the bytes are equal, and every
// writer's output harmless.
func FuzzTexts(f *testing.F) {
	f.Add([]byte(tuneText), []byte(strings.Replace(tuneText, "41", "44", 1)))
	f.Add([]byte(tuneText), []byte("\ufeff"+tuneText))
	f.Add([]byte("kind = \"job\"\n[[crew]]\nrole = \"a\"\n"), []byte("kind = \"job\"\ncrew = []\n"))
	f.Add([]byte(""), []byte("\r\n# x"))
	f.Add([]byte("a = \"\"\"\n# no\n\"\"\" # yes"), []byte("a = '# no'"))
	f.Add([]byte("note = \"a b\"\n"), []byte("note = \"a \\u202e b\"\n"))
	f.Fuzz(func(t *testing.T, a, b []byte) {
		if len(a)+len(b) > 4096 {
			return
		}
		side := func(text []byte) Side { return Side{Label: "x", Texts: map[string][]byte{"jobs/x.toml": text}} }
		r := Compare(cat, side(a), side(b))
		if r.Same != bytes.Equal(a, b) {
			t.Fatalf("Same = %v for\n%q\n%q\n%+v", r.Same, a, b, r)
		}
		for name, write := range map[string]func(io.Writer) error{
			"text":     func(w io.Writer) error { return WriteText(w, r, Options{All: true}, Style{Width: 60}) },
			"markdown": func(w io.Writer) error { return WriteMarkdown(w, r, Options{All: true}) },
			"html":     func(w io.Writer) error { return WriteHTML(w, r, Options{All: true}, page.Foot{}) },
			"json":     func(w io.Writer) error { return safe.WriteJSON(w, r) },
			"words":    func(w io.Writer) error { _, err := io.WriteString(w, InWords(r, nil)+Stat(r)); return err },
		} {
			var out bytes.Buffer
			if err := write(&out); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, c := range out.String() {
				if schema.Hidden(c) {
					t.Fatalf("%s lets %U through", name, c)
				}
			}
		}
		if err := WritePatch(io.Discard, r); err != nil {
			t.Fatal(err)
		}
	})
}
