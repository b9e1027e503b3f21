package fit

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/mass"
)

func boxAt(name string, x, y, z float64, size mass.Vec) mass.Part {
	return mass.Part{Name: name, Shape: mass.Box, Mass: 1, Size: size, Place: mass.Vec{x, y, z}}
}

func TestOverlaps(t *testing.T) {
	body := boxAt("body", 0, 0, 0, mass.Vec{0.1, 0.12, 0.1})
	for name, c := range map[string]struct {
		parts []mass.Part
		depth float64 // 0 for none told
		share float64
	}{
		// the demo's monitor of before: 25 x 115 x 37 mm of it inside the body
		"the monitor in the body": {[]mass.Part{boxAt("body", -0.022, 0, 0.002, mass.Vec{0.105, 0.115, 0.098}), boxAt("monitor", -0.06, 0, 0.052, mass.Vec{0.025, 0.13, 0.076})}, 0.025, 0.025 * 0.115 * 0.037 / (0.025 * 0.13 * 0.076)},
		"touching":                {[]mass.Part{body, boxAt("lens", 0.1, 0, 0, mass.Vec{0.1, 0.05, 0.05})}, 0, 0},
		"9 mm deep":               {[]mass.Part{body, boxAt("lens", 0.091, 0, 0, mass.Vec{0.1, 0.05, 0.05})}, 0, 0},
		"12 mm deep, 12 %":        {[]mass.Part{body, boxAt("lens", 0.088, 0, 0, mass.Vec{0.1, 0.05, 0.05})}, 0.012, 0.12},
		"12 mm deep, 4 %":         {[]mass.Part{boxAt("body", 0, 0, 0, mass.Vec{0.5, 0.5, 0.5}), boxAt("lens", 0.388, 0, 0, mass.Vec{0.3, 0.1, 0.1})}, 0, 0},
		"one inside the other":    {[]mass.Part{body, boxAt("battery", 0, 0, 0, mass.Vec{0.04, 0.05, 0.06})}, 0.04, 1},
		"a lens in a tube": {[]mass.Part{{Name: "hood", Shape: mass.Tube, Mass: 1, Radius: 0.06, Bore: 0.05, Length: 0.1, Axis: mass.Vec{1, 0, 0}},
			{Name: "lens", Shape: mass.Cylinder, Mass: 1, Radius: 0.04, Length: 0.1, Axis: mass.Vec{1, 0, 0}}}, 0, 0},
		"a part of unknown size":           {[]mass.Part{body, {Name: "x", Mass: 5}}, 0, 0},
		"a point":                          {[]mass.Part{body, {Name: "x", Shape: mass.Point, Mass: 5}}, 0, 0},
		"an outline off its balance point": {[]mass.Part{body, {Name: "x", Shape: mass.Box, Mass: 1, Size: mass.Vec{0.04, 0.04, 0.04}, Outline: mass.Vec{0.2, 0, 0}}}, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := Overlaps(c.parts)
			if err != nil {
				t.Fatal(err)
			}
			if c.depth == 0 {
				if len(got) != 0 {
					t.Fatalf("%+v", got)
				}
				return
			}
			if len(got) != 1 || math.Abs(got[0].Depth-c.depth) > 1e-9 || math.Abs(got[0].Share-c.share) > 0.03 {
				t.Fatalf("%+v, want %g m and %g", got, c.depth, c.share)
			}
		})
	}
}

// Turning and moving the whole build changes neither depth nor share by more than the grid.
func TestOverlapMovesWithTheBuild(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		near := rapid.Float64Range(-0.08, 0.08)
		parts := []mass.Part{boxAt("a", 0, 0, 0, mass.Vec{0.1, 0.12, 0.08}), boxAt("b", near.Draw(t, "x"), near.Draw(t, "y"), near.Draw(t, "z"), mass.Vec{0.06, 0.05, 0.07})}
		r := mass.FromVector(mass.Vec{rapid.Float64Range(-3, 3).Draw(t, "a"), rapid.Float64Range(-3, 3).Draw(t, "b"), rapid.Float64Range(-3, 3).Draw(t, "c")})
		before, err := Overlaps(parts)
		if err != nil {
			t.Fatal(err)
		}
		turned := []mass.Part{parts[0], parts[1]}
		for i := range turned {
			turned[i].Turn.On = &r
			turned[i].Place = r.Apply(parts[i].Place).Add(mass.Vec{0.3, -0.1, 0.2})
		}
		after, err := Overlaps(turned)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range [][]Overlap{before, after} {
			if len(l) == 1 && (math.Abs(l[0].Depth-OverlapDepth) < 1e-6 || math.Abs(l[0].Share-OverlapShare) < 0.01) {
				return // at the edge of the rule
			}
		}
		if len(before) != len(after) || len(before) == 1 && (math.Abs(before[0].Depth-after[0].Depth) > 1e-9 || math.Abs(before[0].Share-after[0].Share) > 0.04) {
			t.Fatalf("%+v, turned %+v", before, after)
		}
	})
}
