package schema

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestFindKeys(t *testing.T) {
	sheet := &Sheet{Dials: map[string]Dial{
		"stiffness.pan": {ShownAs: "Brace 1"}, "stiffness.tilt": {ShownAs: "pan"}, "filters.drive": {ShownAs: "Sensing"}, "follow.lag.pan": {ShownAs: "Ease P"},
	}}
	for _, c := range []struct {
		name   string
		styles string
		sheet  *Sheet
		want   string
	}{
		{"stiffness.pan", "", nil, "stiffness.pan"}, {"pan", "walk", nil, "stiffness.pan"}, {"TILT", "", nil, "stiffness.tilt"},
		{"sensing", "", nil, "filters.sensing"}, {"tilt.up_deg", "", nil, "limits.tilt.up_deg"}, {"note", "", nil, "note"},
		{"walk.lag.pan", "walk", nil, "follow.walk.lag.pan"}, {"walk.lag.pan", "", nil, "follow.walk.lag.pan"}, {"lag.pan", "walk", nil, "follow.walk.lag.pan"},
		{"lag.pan", "car walk", nil, "follow.car.lag.pan follow.walk.lag.pan"}, {"lag.pan", "", nil, ""},
		{"brace  1", "", sheet, "stiffness.pan"}, {"pan", "", sheet, "stiffness.pan and stiffness.tilt"}, {"sensing", "", sheet, "filters.sensing filters.drive"},
		{"EASE P", "walk", sheet, "follow.walk.lag.pan"}, {"ease p", "", sheet, ""}, {"car.ease p", "walk", sheet, "follow.car.lag.pan"},
		{"", "walk", sheet, ""}, {".", "walk", sheet, ""}, {"an", "walk", nil, ""}, {"stiffness", "", nil, ""}, {"follow.*.lag.pan", "walk", nil, ""},
	} {
		got := Default().FindKeys(c.name, strings.Fields(c.styles), c.sheet)
		want := strings.Fields(strings.ReplaceAll(c.want, " and ", " "))
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%q with styles %q: got %q, want %q", c.name, c.styles, got, want)
		}
	}
}

// Each tail of a key finds that key, among others or alone.
func TestFindKeysByAnyTail(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		styles := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"walk", "car", "lag", "sit"}), 1, 3, rapid.ID[string]).Draw(t, "styles")
		key := rapid.SampledFrom(Default().Expand(styles)).Draw(t, "key")
		segs := strings.Split(key, ".")
		tail := strings.Join(segs[rapid.IntRange(0, len(segs)-1).Draw(t, "from"):], ".")
		if _, axis := ParseAxis(tail); axis {
			return // a word for the stiffness
		}
		if got := Default().FindKeys(tail, styles, nil); !slices.Contains(got, key) {
			t.Fatalf("%q does not find %s: %q", tail, key, got)
		}
	})
}

// A sheet whose names on the controller collide, but for case and blanks, is refused.
func TestShownNamesCollide(t *testing.T) {
	s := &Sheet{Dials: map[string]Dial{"stiffness.pan": {}, "filters.drive": {ShownAs: "Ease 1"}, "filters.sensing": {ShownAs: "ease  1"}, "stiffness.roll": {}}}
	if ps := checkShown(s); len(ps) != 1 || ps[0].Key != "dial.filters.sensing.shown_as" {
		t.Errorf("got %v", ps)
	}
}
