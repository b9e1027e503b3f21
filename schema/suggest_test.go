package schema

import (
	"reflect"
	"strings"
	"testing"
)

func TestNearest(t *testing.T) {
	const (
		key1 = "stiffness.pan"
		key2 = "stiffness.roll"
		key3 = "stiffness.tilt"
	)
	known := []string{key1, key2, key3, "filters.drive", "note", "kind"}
	for _, c := range []struct {
		word string
		want []string
	}{
		{"stiffness.pan", []string{"stiffness.pan"}},
		{"stifness.pan", []string{"stiffness.pan"}},
		{"Stiffness.Roll", []string{"stiffness.roll"}},
		{"filter.drive", []string{"filters.drive"}},
		{"tilt", []string{"stiffness.tilt"}},
		{"stiffness", []string{key1, key2, key3}},
		{"ntoe", []string{"note"}},
		{"knd", []string{"kind"}},
		{"pan", []string{"stiffness.pan"}},
		{"pna", nil},
		{"fan", nil},
		{"zebra", nil},
		{"x", nil},
		{"", nil},
		{strings.Repeat("stiffness", 3), nil},
		{"quite another word", nil},
		{"ünïcödé", nil},
	} {
		if got := Nearest(c.word, known); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%q: got %v, want %v", c.word, got, c.want)
		}
	}
	// at most three, nearest first, and none more than one edit worse than the best
	if got := Nearest("aaaa", []string{"aabb", "aaab", "aaba", "abaa", "baaa", "aaaa"}); !reflect.DeepEqual(got, []string{"aaaa", "aaab", "aaba"}) {
		t.Error(got)
	}
	if got := Nearest("pna", []string{"pan", "tilt", "pan"}); !reflect.DeepEqual(got, []string{"pan"}) {
		t.Error("one that is known twice:", got)
	}
	if got := Nearest("pna", []string{"pan", "tilt"}); !reflect.DeepEqual(got, []string{"pan"}) {
		t.Error(got)
	}
	if s := Suggest("stifness.pan", known); s != "did you mean stiffness.pan?" {
		t.Error(s)
	}
	if s := Suggest("zebra", known); s != "" {
		t.Error(s)
	}
}

// A word that is offered is never farther than the threshold.
func TestNearestThreshold(t *testing.T) {
	for n := 1; n <= 20; n++ {
		word := strings.Repeat("a", n)
		limit := min(n/3+1, 4)
		if n <= 3 {
			limit = min(1, n-1)
		}
		for d := 0; d <= n; d++ {
			cand := strings.Repeat("b", d) + strings.Repeat("a", n-d)
			if got := len(Nearest(word, []string{cand})) > 0; got != (d <= limit) {
				t.Errorf("%d of %d letters changed: offered %v", d, n, got)
			}
		}
	}
}
