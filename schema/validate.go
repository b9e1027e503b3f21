package schema

import (
	"fmt"
	"regexp"
	"sort"
	"strings"
	"sync"
	"time"
	"unicode/utf8"
)

// Validate checks a decoded document of the given kind against the catalogue:
// format, kind, unknown keys (with the nearest known one), types, ranges,
// required keys. A sheet adds the dial ranges to a tune's check; nil leaves
// them out. Problems come in key order.
func (c *Catalogue) Validate(kind string, doc Tree, sheet *Sheet) []Problem {
	if ps := checkHead(kind, doc); ps != nil {
		return ps
	}
	k := c.kinds[kind]
	flat := Flatten(doc)
	var ps []Problem
	present := map[string]bool{}
	for _, key := range flat.Keys() {
		f, ok := c.Field(kind, key)
		if !ok {
			if t, isTable := flat[key].(map[string]any); isTable && len(t) == 0 && c.knownTable(kind, key) {
				continue
			}
			ps = append(ps, c.unknown(kind, key, flat[key]))
			continue
		}
		present[key] = true
		ps = append(ps, f.check(key, flat[key])...)
	}
	ps = append(ps, missing(k, flat, present)...)
	switch kind {
	case KindTune:
		ps = append(ps, c.checkStyles(flat)...)
		if sheet != nil {
			ps = append(ps, c.checkDials(flat, sheet)...)
		}
	case KindRig:
		ps = append(ps, checkParts(flat)...)
	case KindGimbal:
		if len(Errors(ps)) == 0 {
			_, sp := c.sheet(flat)
			ps = append(ps, sp...)
		}
	}
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].Key < ps[j].Key })
	return ps
}

// CheckValue checks one value for one key of a tune, as set does.
func (c *Catalogue) CheckValue(key string, v any, sheet *Sheet) []Problem {
	f, ok := c.Field(KindTune, key)
	if !ok {
		return []Problem{c.unknown(KindTune, key, v)}
	}
	ps := f.check(key, v)
	if len(ps) == 0 && sheet != nil {
		ps = c.checkDials(Flat{key: v}, sheet)
	}
	if p := c.badStyle(key); p != nil {
		ps = append(ps, *p)
	}
	return ps
}

func checkHead(kind string, doc Tree) []Problem {
	v, ok := doc["format"]
	if !ok {
		return []Problem{{Key: "format", What: "the key is missing", Want: fmt.Sprintf("format = %d as the first line", Format), Fix: "add it, if this is a Rigkeep file"}}
	}
	n, ok := v.(int64)
	if !ok || n < 1 {
		return []Problem{{Key: "format", What: "format is " + shown(v), Want: fmt.Sprintf("a whole number, %d today", Format), Fix: "correct it"}}
	}
	if n > Format {
		return []Problem{{Key: "format", What: fmt.Sprintf("this file has format %d, newer than this program knows (%d)", n, Format), Want: fmt.Sprintf("format %d or less", Format), Fix: "use a newer Rigkeep; nothing was read or changed"}}
	}
	if s, _ := doc["kind"].(string); s != kind {
		what := "kind is " + shown(doc["kind"])
		if doc["kind"] == nil {
			what = "the key is missing"
		}
		return []Problem{{Key: "kind", What: what, Want: "kind = \"" + kind + "\" for a file in this place", Fix: "correct it, or move the file to where its kind belongs"}}
	}
	return nil
}

func (c *Catalogue) unknown(kind, key string, v any) Problem {
	p := Problem{Key: key, What: "unknown key", Want: "a key of a " + c.kinds[kind].Title}
	known := c.KnownKeys(kind)
	plain := indexes.ReplaceAllString(key, "[]")
	if n := Nearest(plain, known); len(n) > 0 {
		p.Fix = "did you mean " + strings.Join(n, " or ") + "?"
	} else {
		p.Fix = "remove it, or put it in a comment or in note"
	}
	if _, ok := v.(map[string]any); ok {
		p.What = "unknown table"
	}
	return p
}

var indexes = regexp.MustCompile(`\[\d+\]`)

// KnownKeys lists the key patterns of a kind.
func (c *Catalogue) KnownKeys(kind string) []string {
	var out []string
	for _, f := range c.kinds[kind].Fields {
		out = append(out, f.Path)
	}
	return out
}

func (c *Catalogue) knownTable(kind, key string) bool {
	path := SplitPath(key)
	for _, f := range c.kinds[kind].Fields {
		pat := SplitPath(f.Path)
		if len(pat) > len(path) {
			if _, ok := matchPath(pat[:len(path)], path); ok {
				return true
			}
		}
	}
	return false
}

// check tests type and range of one value.
func (f Field) check(key string, v any) []Problem {
	bad := func(what, want, fix string) []Problem {
		return []Problem{{Key: key, What: what, Want: want, Fix: fix}}
	}
	typeFault := func() []Problem {
		return bad("the value is "+shown(v), f.want(), "correct it")
	}
	switch f.Type {
	case String:
		s, ok := v.(string)
		if !ok {
			return typeFault()
		}
		limit := f.MaxLen
		if limit == 0 {
			limit = 4096
		}
		if n := utf8.RuneCountInString(s); n > limit {
			return bad(fmt.Sprintf("the text has %d characters", n), fmt.Sprintf("at most %d", limit), "shorten it")
		}
		if len(f.Enum) > 0 && !contains(f.Enum, s) {
			fix := "choose one"
			if n := Nearest(s, f.Enum); len(n) > 0 {
				fix = "did you mean \"" + n[0] + "\"?"
			}
			return bad("the value is "+shown(s), f.want(), fix)
		}
		if f.Pattern != "" && !compiled(f.Pattern).MatchString(s) {
			return bad("the value is "+shown(s), f.want(), "correct it")
		}
		if f.Required && s == "" {
			return bad("the text is empty", f.want(), "fill it in")
		}
	case Float, Int:
		if _, isInt := v.(int64); f.Type == Int && !isInt {
			return typeFault()
		}
		n, ok := Number(v)
		if !ok {
			return typeFault()
		}
		if !f.inRange(n) {
			return bad("the value "+Num(n)+" is out of range", f.want(), "correct it")
		}
	case Bool:
		if _, ok := v.(bool); !ok {
			return typeFault()
		}
	case Date:
		// a program that builds a document has no local date; midnight UTC stands for one
		t, form := Moment(v)
		if form != Day && !(form == Instant && t.Equal(t.UTC().Truncate(24*time.Hour))) {
			return typeFault()
		}
	case Time:
		if _, form := Moment(v); form != LocalTime && form != Instant {
			return typeFault()
		}
	case Floats:
		l, ok := v.([]any)
		if !ok || f.Len > 0 && len(l) != f.Len {
			return typeFault()
		}
		for _, e := range l {
			n, ok := Number(e)
			if !ok {
				return typeFault()
			}
			if !f.inRange(n) {
				return bad("the value "+Num(n)+" is out of range", f.want(), "correct it")
			}
		}
	case Strings:
		l, ok := v.([]any)
		if !ok {
			return typeFault()
		}
		for _, e := range l {
			s, ok := e.(string)
			if !ok {
				return typeFault()
			}
			if utf8.RuneCountInString(s) > 400 {
				return bad("a text of the list is too long", "at most 400 characters each", "shorten it")
			}
		}
	}
	return nil
}

var patterns sync.Map // pattern text to *regexp.Regexp

func compiled(pattern string) *regexp.Regexp {
	if r, ok := patterns.Load(pattern); ok {
		return r.(*regexp.Regexp)
	}
	r := regexp.MustCompile("^(?:" + pattern + ")$")
	patterns.Store(pattern, r)
	return r
}

func (f Field) inRange(n float64) bool {
	return (f.Min == nil || n >= *f.Min) && (f.Max == nil || n <= *f.Max) && (f.Above == nil || n > *f.Above)
}

// want says in words what a field takes.
func (f Field) want() string {
	if len(f.Enum) == 1 {
		return fmt.Sprintf("%q", f.Enum[0])
	}
	if len(f.Enum) > 1 {
		return "one of " + strings.Join(f.Enum, ", ")
	}
	s := f.Type.String()
	switch {
	case f.Pattern == slugPattern:
		return "a short name of a–z, 0–9, dot, dash and underscore"
	case f.Pattern == fingerprintPattern:
		return "a fingerprint of ten characters"
	case f.Pattern != "":
		return "text of the form " + f.Pattern
	case f.Type == Floats && f.Len > 0:
		s = fmt.Sprintf("a list of %d numbers", f.Len)
	}
	switch {
	case f.Min != nil && f.Max != nil:
		s += fmt.Sprintf(", %s to %s", Num(*f.Min), Num(*f.Max))
	case f.Above != nil && f.Max != nil:
		s += fmt.Sprintf(", above %s up to %s", Num(*f.Above), Num(*f.Max))
	case f.Min != nil:
		s += ", " + Num(*f.Min) + " or more"
	case f.Above != nil:
		s += ", above " + Num(*f.Above)
	}
	if f.Unit != "" {
		s += " " + f.Unit
	}
	return s
}

func contains(l []string, s string) bool {
	for _, v := range l {
		if v == s {
			return true
		}
	}
	return false
}

// missing reports required keys that are absent: at the top always, below an
// array of tables or an optional table only where that is there.
func missing(k Kind, flat Flat, present map[string]bool) []Problem {
	var ps []Problem
	add := func(key string, f Field) {
		if !present[key] {
			if _, there := flat[key]; there {
				return // present with a fault, already said
			}
			ps = append(ps, Problem{Key: key, What: "the key is missing", Want: f.want(), Fix: "add it: " + f.Doc})
		}
	}
	for _, f := range k.Fields {
		if !f.Required {
			continue
		}
		if name, rest, ok := strings.Cut(f.Path, "[]."); ok {
			for i := 0; i < flat.Len(name); i++ {
				add(fmt.Sprintf("%s[%d].%s", name, i, rest), f)
			}
			continue
		}
		if strings.HasPrefix(f.Path, "dial.") {
			at := f.Path[:strings.LastIndex(f.Path, ".")]
			if !hasUnder(flat, at) {
				continue
			}
		}
		add(f.Path, f)
	}
	return ps
}

func hasUnder(flat Flat, at string) bool {
	for k := range flat {
		if k == at || strings.HasPrefix(k, at+".") {
			return true
		}
	}
	return false
}

var styleName = regexp.MustCompile(`^[a-z0-9]([a-z0-9_-]*[a-z0-9])?$`)

func (c *Catalogue) badStyle(key string) *Problem {
	path := SplitPath(key)
	for _, p := range c.params {
		if stars, ok := matchPath(SplitPath(p.Path), path); ok {
			for _, s := range stars {
				if len(s) > 40 || !styleName.MatchString(s) {
					return &Problem{Key: key, What: "the style name is " + shown(s), Want: "a short name of a–z, 0–9, dash and underscore", Fix: "rename it"}
				}
			}
		}
	}
	return nil
}

func (c *Catalogue) checkStyles(flat Flat) []Problem {
	var ps []Problem
	for _, k := range flat.Keys() {
		if p := c.badStyle(k); p != nil {
			ps = append(ps, *p)
		}
	}
	return ps
}

// checkDials tests the values of a tune, and of its proof's onsets, against the
// gimbal's dials.
func (c *Catalogue) checkDials(flat Flat, sheet *Sheet) []Problem {
	var ps []Problem
	for _, key := range flat.Keys() {
		p, ok := c.Param(strings.Replace(key, "proof.onset.", "stiffness.", 1))
		if !ok || p.Dial == "" {
			continue
		}
		v, ok := flat.Num(key)
		if !ok {
			continue
		}
		d, ok := sheet.Dials[p.Dial]
		if !ok {
			ps = append(ps, Problem{Key: key, What: "gimbal " + sheet.Slug + " has no dial for " + p.Name, Want: "a dial." + p.Dial + " table in gimbals/" + sheet.Slug + ".toml", Fix: "add the dial to the sheet, or remove this key"})
			continue
		}
		if v < d.Min || v > d.Max {
			ps = append(ps, Problem{Key: key, What: "the value " + Num(v) + " is outside the dial", Want: Num(d.Min) + " to " + Num(d.Max) + " on gimbal " + sheet.Slug, Fix: "correct it"})
		} else if !d.OnStep(v) {
			ps = append(ps, Problem{Key: key, What: "the value " + Num(v) + " is between two steps of the dial", Want: "steps of " + Num(d.Fine) + " from " + Num(d.Min), Fix: "use " + Num(d.Round(v)), Warning: true})
		}
	}
	for key, mech := range map[string]*float64{"limits.tilt.up_deg": sheet.TiltUpDeg, "limits.tilt.down_deg": sheet.TiltDownDeg} {
		if v, ok := flat.Num(key); ok && mech != nil && v > *mech {
			ps = append(ps, Problem{Key: key, What: "the value " + Num(v) + "° is beyond the gimbal's travel", Want: "at most " + Num(*mech) + "° on gimbal " + sheet.Slug, Fix: "correct it"})
		}
	}
	return ps
}

// checkParts tests what a field list cannot say: one mass, one place, the sizes
// that each shape needs, a tube's bore.
func checkParts(flat Flat) []Problem {
	var ps []Problem
	n := flat.Len("part")
	if n == 0 {
		ps = append(ps, Problem{Key: "part", What: "the build has no parts", Want: "at least one [[part]] table", Fix: "add the camera body, with its mass and place"})
	}
	if n > 200 {
		ps = append(ps, Problem{Key: "part", What: fmt.Sprintf("the build has %d parts", n), Want: "at most 200", Fix: "put small parts together"})
	}
	for i := 0; i < n; i++ {
		at := fmt.Sprintf("part[%d].", i)
		add := func(key, what, want, fix string) {
			ps = append(ps, Problem{Key: at + key, What: what, Want: want, Fix: fix})
		}
		one := func(what string, required bool, keys ...string) string {
			got := ""
			for _, k := range keys {
				if _, ok := flat[at+k]; ok {
					if got != "" {
						add(k, "the "+what+" is given twice, as "+got+" and "+k, "one of them", "remove the other")
					}
					got = k
				}
			}
			if got == "" && required {
				add(keys[0], "the "+what+" is missing", strings.Join(keys, " or "), "weigh or measure it, and add it")
			}
			return got
		}
		one("mass", true, "mass_kg", "mass_g", "mass_lb")
		one("place", true, "place_mm", "place_in")
		shape := flat.Str(at + "shape")
		need := map[string][]string{"box": {"size"}, "cylinder": {"diameter", "length"}, "tube": {"diameter", "bore", "length"}, "sphere": {"diameter"}}[shape]
		got := map[string]string{}
		for _, k := range []string{"size", "diameter", "bore", "length"} {
			required := contains(need, k)
			g := one(k, required, k+"_mm", k+"_in")
			got[k] = g
			if g != "" && !required {
				w := "a shape that has one"
				if shape != "" {
					w = "no " + k + " for a " + shape
				}
				add(g, "a "+k+" is given", w, "set shape, or remove it")
			}
		}
		if shape == "tube" && got["bore"] != "" && got["diameter"] != "" {
			b, _ := flat.Num(at + got["bore"])
			d, _ := flat.Num(at + got["diameter"])
			if strings.HasSuffix(got["bore"], "_in") != strings.HasSuffix(got["diameter"], "_in") {
				add(got["bore"], "bore and diameter are in different units", "one unit", "give both in mm or both in inches")
			} else if b >= d {
				add(got["bore"], "the bore "+Num(b)+" is not smaller than the diameter "+Num(d), "a bore inside the tube", "correct one of them")
			}
		}
		if _, ok := flat[at+"axis"]; ok && shape != "cylinder" && shape != "tube" {
			add("axis", "an axis is given", "axis only for a cylinder or tube", "remove it, or use turn_deg")
		}
		if _, ok := flat[at+"density_kg_m3"]; ok && shape != "" {
			add("density_kg_m3", "a density is given beside a shape", "density only for a part without shape and size", "remove it")
		}
		for _, k := range []string{"slot", "name"} {
			if s := flat.Str(at + k); strings.ContainsFunc(s, func(r rune) bool { return r < 0x20 || r == 0x7f }) {
				add(k, "the text has a control character", "plain text on one line", "remove it")
			}
		}
	}
	return ps
}
