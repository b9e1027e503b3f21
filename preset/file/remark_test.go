package file

import (
	"bytes"
	"slices"
	"strings"
	"testing"
)

func TestAddComment(t *testing.T) {
	for _, c := range []struct {
		name, before, key, words string
		tail                     bool
		after                    string
	}{
		{"above a key", "[s]\n  pan = 1\n", "s.pan", "firm", false, "[s]\n  # firm\n  pan = 1\n"},
		{"behind a key", "[s]\npan = 1  \n", "s.pan", "firm", true, "[s]\npan = 1 # firm\n"},
		{"above, where there is one behind", "pan = 1 # a\n", "pan", "b", true, "# b\npan = 1 # a\n"},
		{"above a header", "a = 1\n\n# x\n[s]\npan = 1\n", "s", "y", false, "a = 1\n\n# x\n# y\n[s]\npan = 1\n"},
		{"Windows line ends", "a = 1\r\n", "a", "y", false, "# y\r\na = 1\r\n"},
		{"at the end", "a = 1\n", "", "done", false, "a = 1\n\n# done\n"},
		{"at the end, no line break", "a = 1", "", "done", false, "a = 1\n\n# done"},
		{"empty file", "", "", "done", false, "# done"},
		{"the line for editors", "a = 1\n", "a", ":schema x", false, "#:schema x\na = 1\n"},
		{"an element", "[[part]]\nslot = \"a\"\n\n[[part]]\nslot = \"b\"\n", "part[1]", "new", false, "[[part]]\nslot = \"a\"\n\n# new\n[[part]]\nslot = \"b\"\n"},
		{"dotted keys", "l.up = 1\nl.down = 2\n", "l", "both", false, "# both\nl.up = 1\nl.down = 2\n"},
		{"a key within braces", "w = { pan = 1 }\n", "w.pan", "x", false, "# x\nw = { pan = 1 }\n"},
		{"a value of several lines", "a = [\n1,\n]\n", "a", "x", true, "# x\na = [\n1,\n]\n"},
	} {
		d, err := Parse(c.name, []byte(c.before))
		if err != nil {
			t.Fatal(err)
		}
		got, err := d.AddComment(c.key, c.words, c.tail)
		if err != nil || string(got.Text()) != c.after {
			t.Errorf("%s: %v\n%s", c.name, err, got.Text())
			continue
		}
		for _, k := range got.Comments() {
			if k.Text == c.words {
				if back, err := got.DropComment(k); err != nil || strings.TrimRight(string(back.Text()), " \r\n") != strings.TrimRight(c.before, " \r\n") && !c.tail {
					t.Errorf("%s: taken out again: %v\n%s", c.name, err, back.Text())
				}
			}
		}
	}
	d, _ := Parse("x", []byte("a = 1\n"))
	for _, words := range []string{"two\nlines", "bell\a"} {
		if _, err := d.AddComment("a", words, false); err == nil {
			t.Errorf("%q was taken", words)
		}
	}
	if _, err := d.AddComment("b", "x", false); err == nil {
		t.Error("a remark on a key that is not there was taken")
	}
	if _, err := d.DropComment(Comment{Line: 1}); err == nil {
		t.Error("a remark that is not there was taken out")
	}
}

// TestRemarksEverywhere adds a remark to every key of many texts and takes it out again.
func TestRemarksEverywhere(t *testing.T) {
	n := 0
	for name, d := range soundDocs(t, 1500) {
		for _, key := range append(d.Keys(), d.Tables()...) {
			got, err := d.AddComment(key, "remark 77", n%2 == 0)
			if err != nil {
				t.Fatalf("%s: %s: %v\n%s", name, key, err, d.text)
			}
			n++
			cs := got.Comments()
			i := slices.IndexFunc(cs, func(c Comment) bool { return c.Text == "remark 77" })
			back, err := got.DropComment(cs[i])
			if err != nil {
				t.Fatalf("%s: %s: %v\n%s", name, key, err, got.text)
			}
			if !bytes.Equal(back.text, d.text) && !cs[i].Tail {
				t.Fatalf("%s: %s: adding and taking out leaves\n%q, was\n%q", name, key, back.text, d.text)
			}
		}
	}
	t.Logf("%d remarks", n)
}
