package review

import (
	"fmt"
	"strings"

	"rigkeep/schema"
)

func init() {
	tests["parts-overlap"] = partsOverlap
	tests["build-weighed"] = buildWeighed
}

func partsOverlap(l *look, x *Subject) {
	var words, names []string
	for _, o := range x.Rig.Overlaps() {
		words = append(words, o.Words(func(m float64) string { return fmt.Sprintf("%.0f mm", m*1000) }))
		names = append(names, o.Parts[:]...)
	}
	if words == nil {
		return
	}
	l.on(x, hit{what: strings.Join(words, "; "), evidence: []Evidence{x.RigFile.fact("sizes and places of the parts", "part[0]")}, fill: []string{"{keys}", schema.List(unique(names))}, seen: words})
}

func buildWeighed(l *look, x *Subject) {
	d, off := x.Rig.WeighedOff()
	if !off {
		return
	}
	l.on(x, hit{what: fmt.Sprintf("weighed %.3f kg, the parts sum to %.3f kg: %.0f g apart", x.Rig.Weighed, x.Rig.Mass(), d*1000),
		evidence: []Evidence{x.RigFile.fact(fmt.Sprintf("weighed_kg = %s", schema.Sig(x.Rig.Weighed, 6)), "weighed_kg")}})
}

func unique(names []string) []string {
	var out []string
	seen := map[string]bool{}
	for _, n := range names {
		if !seen[n] {
			seen[n] = true
			out = append(out, n)
		}
	}
	return out
}
