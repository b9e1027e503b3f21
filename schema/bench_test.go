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
		follow[s] = Tree{"deadband": Tree{"pan": int64(6), "tilt": int64(8)}, "lag": Tree{"pan": int64(40), "tilt": int64(45)}}
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

func BenchmarkValidateTuneOnSheet(b *testing.B) {
	c := Default()
	t := benchTune()
	s := &Sheet{Dials: map[string]Dial{}}
	for _, p := range c.Params() {
		if p.Dial != "" {
			s.Dials[p.Dial] = Dial{Key: p.Dial, Max: 100, Coarse: 5, Fine: 1, Sign: 1}
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if ps := c.Validate(KindTune, t, s); ps != nil {
			b.Fatal(ps)
		}
	}
}

func BenchmarkSheet(b *testing.B) {
	c := Default()
	t := decode(b, c.template(KindGimbal, false))
	b.ReportAllocs()
	for b.Loop() {
		if s, ps := c.Sheet("x", t); s == nil {
			b.Fatal(ps)
		}
	}
}

func BenchmarkParam(b *testing.B) {
	for b.Loop() {
		if _, ok := Default().Param("follow.walk.deadband.pan"); !ok {
			b.Fatal("not found")
		}
	}
}

func BenchmarkFlatten(b *testing.B) {
	t := benchTune()
	b.ReportAllocs()
	for b.Loop() {
		if len(Flatten(t)) == 0 {
			b.Fatal("nothing")
		}
	}
}

func BenchmarkCatalogue(b *testing.B) {
	for b.Loop() {
		build(groups, params())
	}
}
