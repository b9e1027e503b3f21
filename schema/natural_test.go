package schema

import (
	"cmp"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestCompareNatural(t *testing.T) {
	in := []string{"cam-10", "cam-2", "cam-1", "cam", "b-2-10", "b-2-9", "b-02-9", "cam-02", "10", "9", "cam-10b", "cam-"}
	want := []string{"9", "10", "b-02-9", "b-2-9", "b-2-10", "cam", "cam-", "cam-1", "cam-02", "cam-2", "cam-10", "cam-10b"}
	slices.SortFunc(in, CompareNatural)
	if !slices.Equal(in, want) {
		t.Errorf("got %q\nwant %q", in, want)
	}
}

// It is an order: same only to itself, turned round with its sides, and what is between stays between.
func TestCompareNaturalIsAnOrder(t *testing.T) {
	name := rapid.StringMatching(`[a0-9-]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := name.Draw(t, "a"), name.Draw(t, "b"), name.Draw(t, "c")
		if (CompareNatural(a, b) == 0) != (a == b) {
			t.Fatalf("%q and %q compare as %d", a, b, CompareNatural(a, b))
		}
		if (CompareNatural(a, b) < 0) != (CompareNatural(b, a) > 0) {
			t.Fatalf("%q and %q: not turned round", a, b)
		}
		if CompareNatural(a, b) <= 0 && CompareNatural(b, c) <= 0 && CompareNatural(a, c) > 0 {
			t.Fatalf("%q, %q, %q: not in order", a, b, c)
		}
	})
}

// Where the keys of two names differ they order as the names do, short, long, and with long numbers.
func TestNaturalKey(t *testing.T) {
	name := rapid.OneOf(rapid.StringMatching(`[a0-9/:-]{0,20}`), rapid.StringMatching(`a?0{0,20}[0-9]{0,400}b?`))
	differ := 0
	rapid.Check(t, func(t *rapid.T) {
		a, b := name.Draw(t, "a"), name.Draw(t, "b")
		x, y := NaturalKey(a), NaturalKey(b)
		c := cmp.Or(cmp.Compare(x[0], y[0]), cmp.Compare(x[1], y[1]))
		if c != 0 {
			differ++
		}
		if want := CompareNatural(a, b); c != 0 && (c < 0) != (want < 0) {
			t.Fatalf("%q and %q: keys %x and %x, the names compare as %d", a, b, x, y, want)
		}
	})
	if differ < 10 {
		t.Errorf("only %d pairs had different keys", differ)
	}
}
