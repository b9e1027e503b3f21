package safe

import (
	"encoding/json"
	"rigkeep/schema"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestText(t *testing.T) {
	for _, c := range []struct{ name, in, text, line string }{
		{"empty", "", "", ""},
		{"plain", "A-cam operator, take 2", "A-cam operator, take 2", "A-cam operator, take 2"},
		{"layout", "one\n\ttwo", "one\n\ttwo", `one\n\ttwo`},
		{"colour", "\x1b[31mred", `\x1b[31mred`, `\x1b[31mred`},
		{"title and bell", "\x1b]0;x\a", `\x1b]0;x\x07`, `\x1b]0;x\x07`},
		{"return", "safe\revil", `safe\x0devil`, `safe\x0devil`},
		{"nul, delete", "\x00\x7f", `\x00\x7f`, `\x00\x7f`},
		{"C1 as rune", "\u009b31m", `\u009b31m`, `\u009b31m`},
		{"C1 as byte", "\x9b31m", `\x9b31m`, `\x9b31m`},
		{"override", "a\u202eb\u202c", `a\u202eb\u202c`, `a\u202eb\u202c`},
		{"isolate", "\u2066x\u2069", `\u2066x\u2069`, `\u2066x\u2069`},
		{"marks", "\u200e\u200f\u061c", `\u200e\u200f\u061c`, `\u200e\u200f\u061c`},
		{"no width", "ad\u200bmin\ufeff", `ad\u200bmin\ufeff`, `ad\u200bmin\ufeff`},
		{"joiner between Latin letters", "ad\u200dmin", `ad\u200dmin`, `ad\u200dmin`},
		{"joiner first and last", "\u200dक\u200d", `\u200dक\u200d`, `\u200dक\u200d`},
		{"joiner with work to do", "क्\u200dष می\u200cخواهم 👩\u200d🔧", "क्\u200dष می\u200cخواهم 👩\u200d🔧", "क्\u200dष می\u200cخواهم 👩\u200d🔧"},
		{"joiner twice", "क\u200d\u200dष", `क\u200d\u200dष`, `क\u200d\u200dष`},
		{"separators", "a\u2028b\u2029c", `a\u2028b\u2029c`, `a\u2028b\u2029c`},
		{"tags", "flag\U000e0061", `flag\U000e0061`, `flag\U000e0061`},
		{"broken UTF-8", "\xc3(\xff", `\xc3(\xff`, `\xc3(\xff`},
		{"other scripts", "тон 静かに ±3.5 °/s", "тон 静かに ±3.5 °/s", "тон 静かに ±3.5 °/s"},
	} {
		if got := Text(c.in); got != c.text {
			t.Errorf("%s: Text(%q) = %q, want %q", c.name, c.in, got, c.text)
		}
		if got := Line(c.in); got != c.line {
			t.Errorf("%s: Line(%q) = %q, want %q", c.name, c.in, got, c.line)
		}
	}
}

func TestJSONKeepsMeaning(t *testing.T) {
	in := map[string]string{"note": "a\u202eb \u009b 👩\u200d🔧 \U000e0061\n", "plain": "x"}
	doc, err := json.MarshalIndent(in, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	out := JSON(doc)
	if strings.ContainsAny(string(out), "\u202e\u009b\u200d\U000e0061") {
		t.Errorf("still holds a hidden character: %q", out)
	}
	var back map[string]string
	if err := json.Unmarshal(out, &back); err != nil || back["note"] != in["note"] {
		t.Errorf("read back %q, %v", back["note"], err)
	}
}

func FuzzText(f *testing.F) {
	for _, s := range []string{"", "a", "\x1b[2J", "\u202e", "क\u200dष", "\xff\xfe", "a\u200d\u200cb", "\n\t\r"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for name, show := range map[string]func(string) string{"Text": Text, "Line": Line} {
			out := show(s)
			if !utf8.ValidString(out) {
				t.Fatalf("%s(%q) is not UTF-8: %q", name, s, out)
			}
			for _, r := range out {
				if schema.Hidden(r) || name == "Line" && (r == '\n' || r == '\t') {
					t.Fatalf("%s(%q) lets %U through", name, s, r)
				}
			}
			if again := show(out); again != out {
				t.Fatalf("%s is not stable on %q: %q, then %q", name, s, out, again)
			}
		}
		doc, err := json.Marshal(s)
		if err != nil {
			return
		}
		var want, got string
		if json.Unmarshal(doc, &want) != nil || json.Unmarshal(JSON(doc), &got) != nil || got != want {
			t.Fatalf("JSON changed %q to %q", want, got)
		}
	})
}

func BenchmarkText(b *testing.B) {
	s := strings.Repeat("A note of the ordinary kind, with a ° and a ±. ", 20)
	b.SetBytes(int64(len(s)))
	for b.Loop() {
		Text(s)
	}
}
