package merge

import (
	"strings"
	"testing"

	"rigkeep/schema"
)

// BenchmarkFile merges a tune that each side changed one value of.
func BenchmarkFile(b *testing.B) {
	base := `format = 1
kind = "tune"
rig = "k7qd2m9x4c"

[stiffness]
pan = 40
roll = 38
tilt = 41

[filters]
sensing = 20
drive = 30

[follow.walk]
deadband.pan = 8.0
deadband.tilt = 10.0
lag.pan = 40
lag.tilt = 45
`
	in := Input{Cat: schema.Default(), Path: "rigs/k7/k7qd2m9x4c/main.toml", Kind: schema.KindTune, Base: []byte(base),
		Ours: []byte(strings.Replace(base, "pan = 40", "pan = 42", 1)), Theirs: []byte(strings.Replace(base, "drive = 30", "drive = 31", 1))}
	for b.Loop() {
		out, err := File(in)
		if err != nil || len(out.Conflicts) > 0 {
			b.Fatal(out.Conflicts, err)
		}
	}
}
