package store

import (
	"strings"
	"testing"
)

// FuzzParsePerson: who is saving is refused, or is a name and a mail address that
// a commit's author line can hold.
func FuzzParsePerson(f *testing.F) {
	for _, s := range []string{"A-cam operator <a-cam@example.org>", "x", "<>", "a <b", "a b>", "a <b> c", "a <b c>", "a\n<b>", "\x00 <\x00>", "ä <é@x>", "a <<b>>", " < > "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePerson(s)
		if err != nil {
			return
		}
		if p.Name == "" || p.Email == "" || strings.ContainsAny(p.Name+p.Email, "<>\n\x00") {
			t.Errorf("%q became %+v", s, p)
		}
	})
}
