package schema

import (
	"fmt"
	"slices"
	"strings"
)

// The rules that span keys, by the name they give to Problem.Rule. A JSON Schema
// of plain keywords cannot say these.
const (
	RuleOnDial   = "on-dial"    // a value lies on its dial, on a step, inside the travel
	RuleOnce     = "once"       // a mass, place or size is given once, in one unit
	RuleShape    = "shape"      // a part has the sizes of its shape and no others
	RulePlain    = "plain-text" // a name has no control characters
	RuleDial     = "dial"       // a dial's range, steps, default and direction agree
	RuleMap      = "map"        // a dial's map is possible and agrees with the dial
	RuleLink     = "link"       // a dial's link is possible and agrees with the dial
	RuleAgree    = "agree"      // two values of one file do not contradict each other
	RuleDistinct = "distinct"   // what must be distinct is
	RuleKnown    = "known-key"  // a text that names a parameter names a known one
)

// checkParts tests what a field list cannot say of a build: one mass, one place,
// the sizes that each shape needs, a tube's bore.
func checkParts(f Flat) []Problem {
	var ps []Problem
	for i := range f.Len("part") {
		ps = append(ps, checkPart(f, fmt.Sprintf("part[%d].", i))...)
	}
	return ps
}

// shapeSizes says which dimensions each shape has; a part without shape has none.
var shapeSizes = map[string][]string{"box": {"size"}, "cylinder": {"diameter", "length"}, "tube": {"diameter", "bore", "length"}, "sphere": {"diameter"}}

func checkPart(f Flat, at string) []Problem {
	var ps []Problem
	add := func(rule, key, what, want, fix string) {
		ps = append(ps, Problem{Key: at + key, What: what, Want: want, Fix: fix, Rule: rule})
	}
	// one returns which of several spellings of a quantity is there
	one := func(what string, required bool, keys ...string) string {
		got := ""
		for _, k := range keys {
			if _, ok := f[at+k]; !ok {
				continue
			}
			if got != "" {
				add(RuleOnce, k, "the "+what+" is given twice, as "+got+" and "+k, "one of them", "remove the other")
			}
			got = k
		}
		if got == "" && required {
			add(RuleOnce, keys[0], "the "+what+" is missing", Either(keys), "weigh or measure it, and add it")
		}
		return got
	}
	one("mass", true, "mass_kg", "mass_g", "mass_lb", "mass_oz")
	place := one("place", false, "place_mm", "place_in")
	if on := f.Str(at + "on"); on != "" && place != "" {
		add(RuleOnce, place, "the part is at a place and on the mount "+shown(on), "on, or "+place, "remove one of them")
	}
	if _, ok := f[at+"shift_mm"]; ok && place != "" {
		add(RuleOnce, "shift_mm", "the part is at a place and shifted from a mount", "a shift only with a mount", "remove it, or add it to "+place)
	}
	shape := f.Str(at + "shape")
	got := map[string]string{}
	for _, k := range []string{"size", "diameter", "bore", "length"} {
		needed := slices.Contains(shapeSizes[shape], k)
		got[k] = one(k, needed, k+"_mm", k+"_in")
		if got[k] != "" && !needed {
			want := "a shape that has one"
			if shape != "" {
				want = "no " + k + " for a " + shape
			}
			add(RuleShape, got[k], "a "+k+" is given", want, "set shape, or remove it")
		}
	}
	if shape == "tube" && got["bore"] != "" && got["diameter"] != "" {
		inner, _ := f.Num(at + got["bore"])
		outer, _ := f.Num(at + got["diameter"])
		if strings.HasSuffix(got["bore"], "_in") != strings.HasSuffix(got["diameter"], "_in") {
			add(RuleShape, got["bore"], "bore and diameter are in different units", "one unit", "give both in mm or both in inches")
		} else if inner >= outer {
			add(RuleShape, got["bore"], "the bore "+Num(inner)+" is not smaller than the diameter "+Num(outer), "a bore inside the tube", "correct one of them")
		}
	}
	if _, ok := f[at+"axis"]; ok && shape != "cylinder" && shape != "tube" {
		add(RuleShape, "axis", "an axis is given", "axis only for a cylinder or tube", "remove it, or use turn_deg")
	}
	if _, ok := f[at+"density_kg_m3"]; ok && shape != "" {
		add(RuleShape, "density_kg_m3", "a density is given beside a shape", "density only for a part without shape and size", "remove it")
	}
	for _, k := range []string{"slot", "name"} {
		if strings.ContainsFunc(f.Str(at+k), func(r rune) bool { return r < 0x20 || r == 0x7f }) {
			add(RulePlain, k, "the text has a control character", "plain text on one line", "remove it")
		}
	}
	return ps
}

// checkBench tests that steps name known parameters, that their values are on
// the dial, and that the session did not end before it began.
func (c *Catalogue) checkBench(f Flat, sheet *Sheet) []Problem {
	var ps []Problem
	for i := range f.Len("step") {
		at := fmt.Sprintf("step[%d].", i)
		key := f.Str(at + "key")
		if key == "" {
			key = "stiffness." + f.Str(at+"axis")
		} else if _, ok := c.Param(key); !ok {
			fix := "name a parameter of a tune"
			if s := Suggest(key, c.Expand([]string{"*"})); s != "" {
				fix = s
			}
			ps = append(ps, Problem{Key: at + "key", What: "unknown parameter " + shown(key), Want: "the key of a parameter, such as stiffness.pan", Fix: fix, Rule: RuleKnown})
		}
		v, ok := f.Num(at + "value")
		if p, known := c.Param(key); ok && known && sheet != nil {
			if q := sheet.fault(p, v); q != nil {
				q.Key = at + "value"
				ps = append(ps, *q)
			}
		}
	}
	return append(ps, inOrder(f, "began", "ended")...)
}

// checkJob tests that days are in order, lenses too, and that nothing is pinned twice.
func checkJob(f Flat) []Problem {
	ps := inOrder(f, "from", "to")
	wide, ok1 := f.Num("lens.widest_mm")
	long, ok2 := f.Num("lens.longest_mm")
	if ok1 && ok2 && wide > long {
		ps = append(ps, Problem{Key: "lens.widest_mm", What: "the widest lens, " + Num(wide) + " mm, is longer than the longest, " + Num(long) + " mm", Want: "widest at most longest", Fix: "swap them", Rule: RuleAgree})
	}
	pins := map[[3]string]bool{}
	for i := range f.Len("pin") {
		at := fmt.Sprintf("pin[%d].", i)
		p := [3]string{f.Str(at + "rig"), f.Str(at + "tune"), f.Str(at + "unit")}
		if pins[p] && p[0] != "" {
			ps = append(ps, Problem{Key: at + "rig", What: "tune " + p[1] + " of rig " + p[0] + " is pinned twice", Want: "one pin for each rig, tune and unit", Fix: "remove one", Rule: RuleDistinct})
		}
		pins[p] = true
	}
	return ps
}

func inOrder(f Flat, first, last string) []Problem {
	a, b := f.Time(first), f.Time(last)
	if b.IsZero() || !b.Before(a) {
		return nil
	}
	return []Problem{{Key: last, What: shown(f[last]) + " is before " + first + ", " + shown(f[first]), Want: first + " before " + last, Fix: "correct one of them", Rule: RuleAgree}}
}

// fault reports a value that is not on its dial or beyond the gimbal's travel;
// the caller adds the key.
func (s *Sheet) fault(p Param, v float64) *Problem {
	name := "this gimbal"
	if s.Slug != "" {
		name = "gimbal " + s.Slug
	}
	if p.Dial != "" {
		d, ok := s.Dials[p.Dial]
		if !ok {
			return nil // a number without a range, as long as the sheet lists no such dial
		}
		if !(v >= d.Min && v <= d.Max) {
			return &Problem{What: "the value " + Num(v) + " is outside the dial", Want: Num(d.Min) + " to " + Num(d.Max) + " on " + name, Fix: "correct it", Rule: RuleOnDial}
		}
		if !d.OnStep(v) {
			return &Problem{What: "the value " + Num(v) + " is between two steps of the dial", Want: "steps of " + Num(d.Fine) + " from " + Num(d.Min), Fix: "use " + Num(d.Round(v)), Warning: true, Rule: RuleOnDial}
		}
	}
	if t := s.travel(p.Path); t != nil && v > *t {
		return &Problem{What: "the value " + Num(v) + "° is beyond the travel of tilt", Want: "at most " + Num(*t) + "° on " + name, Fix: "correct it", Rule: RuleOnDial}
	}
	return nil
}

// travel is the mechanical end of a limit, nil when the parameter is none or the
// sheet does not say.
func (s *Sheet) travel(path string) *float64 {
	switch path {
	case "limits.tilt.up_deg":
		return s.TiltUpDeg
	case "limits.tilt.down_deg":
		return s.TiltDownDeg
	}
	return nil
}
