package schema

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestFlatten(t *testing.T) {
	f := Flatten(Tree{
		"a": int64(1), "t": Tree{"x y": 2.5, "e": Tree{}}, "l": []any{int64(1), 2.5}, "empty": []any{},
		"part": []any{Tree{"m": 1.0}, Tree{}}, "unit": []map[string]any{{"s": "x"}},
		"mixed": []any{Tree{"m": 1.0}, int64(2)},
	})
	want := Flat{
		"a": int64(1), `t."x y"`: 2.5, "t.e": Tree{}, "l": []any{int64(1), 2.5}, "empty": []any{},
		"part[0].m": 1.0, "part[1]": Tree{}, "unit[0].s": "x", "mixed": []any{Tree{"m": 1.0}, int64(2)},
	}
	if !reflect.DeepEqual(f, want) {
		t.Errorf("got %v", f)
	}
	if f.Len("part") != 2 || f.Len("unit") != 1 || f.Len("none") != 0 {
		t.Error("lengths", f.Len("part"), f.Len("unit"))
	}
	if got := f.Names("t"); !reflect.DeepEqual(got, []string{"e", "x y"}) {
		t.Error(got)
	}
	if got := f.Nums("l"); !reflect.DeepEqual(got, []float64{1, 2.5}) {
		t.Error(got)
	}
	if f.Nums("mixed") != nil || f.Nums("a") != nil || f.Str("a") != "" || f.Bool("a") || f.NumOr("none", 3) != 3 {
		t.Error("a value of another type")
	}
}

// Any names joined to a path come apart again, and no name passes for another path.
func TestPathRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SliceOfN(rapid.String(), 1, 5).Draw(t, "names")
		path := ""
		for _, n := range names {
			path = Join(path, strings.ToValidUTF8(n, "?"))
		}
		got := SplitPath(path)
		if len(got) != len(names) {
			t.Fatalf("%q: %q", path, got)
		}
		for i := range names {
			if got[i] != strings.ToValidUTF8(names[i], "?") {
				t.Fatalf("%q: %q is not %q", path, got[i], names[i])
			}
		}
		// TOML reads the quoted name as the same name
		key := strings.ToValidUTF8(names[0], "?")
		doc := decode(t, Join("", key)+" = 1\n")
		if _, ok := doc[key]; !ok {
			t.Fatalf("TOML reads %s as %v, not %q", Join("", key), doc, key)
		}
	})
}

func TestMoment(t *testing.T) {
	utc := time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)
	zone := func(name string) time.Time {
		return time.Date(2026, 3, 2, 9, 30, 0, 0, time.FixedZone(name, 5*3600))
	}
	for _, c := range []struct {
		v    any
		t    time.Time
		form TimeForm
	}{
		{utc, utc, Instant},
		{zone("CEST"), utc.Add(-5 * time.Hour), Instant},
		{zone("datetime-local"), utc, LocalTime},
		{zone("date-local"), utc, Day},
		{zone("time-local"), time.Time{}, NoTime},
		{localDate{utc}, utc, Day},
		{localClock{utc}, utc, LocalTime},
		{"2026-03-02", time.Time{}, NoTime},
		{nil, time.Time{}, NoTime},
	} {
		got, form := Moment(c.v)
		if !got.Equal(c.t) || form != c.form {
			t.Errorf("%v: %v %v", c.v, got, form)
		}
	}
	f := Flat{"a": zone("datetime-local")}
	if got := f.Time("a"); got != utc {
		t.Error(got)
	}
}

type localClock struct{ t time.Time }

func (c localClock) Time() time.Time { return c.t }
func (c localClock) String() string  { return "2026-03-02T09:30:00" }

func TestShown(t *testing.T) {
	for _, c := range []struct {
		v    any
		want string
	}{
		{"a\x1b[31m", `"a\x1b[31m"`}, {strings.Repeat("ü", 60), `"` + strings.Repeat("ü", 40) + `…"`}, {2.50, "2.5"}, {int64(3), "3"},
		{Tree{}, "a table"}, {[]any{1}, "a list of 1"}, {true, "true"},
		{time.Date(2026, 3, 2, 0, 0, 0, 0, time.FixedZone("date-local", 0)), "2026-03-02"},
		{time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC), "2026-03-02T09:30:00Z"},
	} {
		if got := shown(c.v); got != c.want {
			t.Errorf("%v: %s", c.v, got)
		}
	}
}
