package diffview

import (
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/schema"
)

// sag compares how far each axis sags at rest: the moment that balancing left over the
// stiffness. Where both sides are of one build, an effort that only one of them has counts
// for both.
func (w *behaviour) sag() {
	a, b := w.a, w.b
	if a.Tune == nil || b.Tune == nil || a.Rig == nil || b.Rig == nil || a.Sheet == nil || b.Sheet == nil {
		return
	}
	oneBuild := a.Rig.Canonical() == b.Rig.Canonical()
	axes := map[string][]string{} // by what is missing
	var reasons []string
	for _, x := range schema.Axes {
		ka, hasA := a.Tune.Stiffness(x)
		kb, hasB := b.Tune.Stiffness(x)
		if !hasA && !hasB || hasA && hasB && ka == kb && oneBuild {
			continue
		}
		ea, eb := resting(a, x), resting(b, x)
		if oneBuild && ea == nil {
			ea = eb
		}
		if oneBuild && eb == nil {
			eb = ea
		}
		f := Figure{Key: "sag." + x.String(), Name: "sag at rest", Of: "sag, " + x.String(), Unit: "°", Better: LowerIsBetter, Basis: "residual moment over stiffness (SI)"}
		var needs []string
		for _, s := range []struct {
			side   Side
			has    bool
			effort *float64
			to     **float64
		}{{a, hasA, ea, &f.Before}, {b, hasB, eb, &f.After}} {
			if !s.has {
				continue
			}
			deg, lacks, err := preset.Sag(w.cat, s.side.Sheet, s.side.Tune, x, s.effort)
			if err != nil {
				lacks = []string{err.Error()}
			}
			for _, l := range lacks {
				// the same words for each axis
				if l = strings.Replace(l, "."+x.String(), ".AXIS", 1); !slices.Contains(needs, l) {
					needs = append(needs, l)
				}
			}
			*s.to = deg
		}
		if needs == nil {
			w.figure(f)
			continue
		}
		why := strings.Join(needs, ", ")
		if axes[why] == nil {
			reasons = append(reasons, why)
		}
		axes[why] = append(axes[why], x.String())
	}
	for _, why := range reasons {
		w.missing("sag at rest, %s: unknown: needs %s", strings.Join(axes[why], ", "), why)
	}
}

// resting is the effort of an axis at rest, percent; nil where nobody read it.
func resting(s Side, x schema.Axis) *float64 {
	if v, ok := s.Resting[x]; ok {
		return &v
	}
	if s.Tune.Proof != nil {
		if v, ok := s.Tune.Proof.Effort[x]; ok {
			return &v
		}
	}
	return nil
}
