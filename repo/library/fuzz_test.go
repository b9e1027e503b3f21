package library

import (
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/schema"
)

// FuzzNames: what a person names is refused with a hint or taken apart without
// loss; nothing panics.
func FuzzNames(f *testing.F) {
	for _, s := range []string{
		"a-cam", "a-cam/rain", "a-cam/rain@~1", "a@2026-03-01", "a@2026-03-01T10:00:00Z", "a@x@y", "/", "@", "a/", "a@", "a/../b", "a/b/c",
		"stiffness.pan=3", "=", "a=", "=b", "a==b", "follow.\"x.y\".deadband.pan = 4 ", "note=a=b", "\x00=\xff", "a\x1b@b",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if ref, err := ParseRef(s); err == nil {
			back := ref.Rig
			if strings.Contains(strings.SplitN(s, "@", 2)[0], "/") {
				back += "/" + ref.Tune
			} else if ref.Tune != preset.MainTune {
				t.Errorf("%q gave the tune %q", s, ref.Tune)
			}
			if ref.When != "" {
				back += "@" + ref.When
			}
			if back != s || !preset.IsName(ref.Tune) {
				t.Errorf("%q became %+v", s, ref)
			}
		} else if isNotFound(err) || err.Error() == "" {
			t.Errorf("%q: %v", s, err)
		}
		if a, err := ParseAssign(s); err == nil && (a.Key == "" || a.Text == "" || a.Unset || !strings.Contains(s, a.Key) || !strings.Contains(s, a.Text)) {
			t.Errorf("%q became %+v", s, a)
		}
		if at, ok := schema.ParseMoment(s, time.UTC); ok && (at.Year() < 0 || at.Year() > 9999) {
			t.Errorf("%q is %v", s, at)
		}
	})
}
