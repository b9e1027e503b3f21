package schema

import "testing"

func benchTune() Tree {
	t := Tree{"format": int64(1), "kind": "tune", "rig": "k7qd2m9x4c",
		"stiffness": Tree{"pan": int64(41), "roll": int64(38), "tilt": 47.0},
		"filters":   Tree{"sensing": int64(3), "drive": int64(2)},
		"limits":    Tree{"tilt": Tree{"up_deg": int64(45), "down_deg": int64(60)}},
		"horizon":   Tree{"offset_deg": 0.0},
	}
	follow := Tree{}
	for _, s := range []string{"walk", "sweep", "chase"} {
		follow[s] = Tree{"window": Tree{"pan": int64(6), "tilt": int64(8)}, "smoothing": Tree{"pan": int64(40), "tilt": int64(45)}}
	}
	t["follow"] = follow
	return t
}

func BenchmarkValidateTune(b *testing.B) {
	c, t := Default(), benchTune()
	b.ReportAllocs()
	for b.Loop() {
		if ps := c.Validate(KindTune, t, nil); ps != nil {
			b.Fatal(ps)
		}
	}
}
