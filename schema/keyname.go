package schema

import (
	"slices"
	"strings"
)

// FindKeys gives the keys of a tune that a person can mean by name, in working order:
// the exact key; "pan", "tilt" and "roll" for the stiffnesses; any tail of a key, such as
// "sensing" or "walk.lag.pan"; and what the controller calls a dial (shown_as of the
// sheet), without case. Of a style's dial the word stands for that dial in each style,
// and "walk.WORD" for that of one. One key is an answer, several are the choice to
// offer, none is an unknown name. styles are those of the tune; sheet may be nil.
func (c *Catalogue) FindKeys(name string, styles []string, sheet *Sheet) []string {
	if _, ok := c.Field(KindTune, name); ok && !strings.Contains(name, "*") {
		return []string{name}
	}
	all := c.Expand(styles)
	fresh, _, _ := strings.Cut(name, ".") // perhaps a style that the tune does not have yet
	if fresh != name && isStyle(fresh) && !slices.Contains(styles, fresh) {
		all = append(all, c.Expand([]string{fresh})...)
	} else {
		fresh = ""
	}
	means := map[string]bool{}
	if sheet != nil {
		for _, key := range all {
			d, ok := sheet.DialOf(c, key)
			if !ok || d.ShownAs == "" {
				continue
			}
			p, _ := c.Param(key)
			style := p.Style(key)
			if (style == "" || style != fresh) && sameWord(name, d.ShownAs) || style != "" && sameWord(name, style+"."+d.ShownAs) {
				means[key] = true
			}
		}
	}
	if a, ok := ParseAxis(strings.ToLower(name)); ok {
		means["stiffness."+a.String()] = true
	} else {
		for _, key := range all {
			p, _ := c.Param(key)
			style := p.Style(key)
			if style != "" && style == fresh {
				means[key] = means[key] || strings.HasSuffix(key, "."+name) && strings.Count(key, ".") == strings.Count(name, ".")+1
			} else if strings.HasSuffix(key, "."+name) {
				means[key] = true
			}
		}
	}
	var out []string
	for _, key := range all {
		if means[key] && !slices.Contains(out, key) {
			out = append(out, key)
		}
	}
	return out
}

// sameWord compares what a person typed with what a controller shows: without case, and
// with any run of blanks as one.
func sameWord(a, b string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

// checkShown refuses two dials of one sheet with the same name on the controller: a person
// who types it could mean either.
func checkShown(s *Sheet) []Problem {
	var ps []Problem
	keys := s.DialKeys()
	for i, key := range keys {
		for _, other := range keys[:i] {
			if n := s.Dials[key].ShownAs; n != "" && sameWord(n, s.Dials[other].ShownAs) {
				ps = append(ps, Problem{Key: "dial." + key + ".shown_as", What: "the dial " + other + " is shown as " + shown(n) + " too", Want: "a name that means one dial", Fix: "correct one of the two", Rule: RuleDistinct})
				break
			}
		}
	}
	return ps
}
