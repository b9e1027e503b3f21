package schema

import (
	"sort"
	"strings"

	"github.com/xrash/smetrics"
)

// Nearest returns up to three candidates close enough to a mistyped word to be
// worth offering, best first; none when nothing is near. Closeness is edit
// distance (one per insertion, deletion, change) of at most a third of the word.
func Nearest(word string, candidates []string) []string {
	type hit struct {
		s string
		d int
	}
	w := strings.ToLower(word)
	limit := len([]rune(w))/3 + 1
	if limit > 4 {
		limit = 4
	}
	var hits []hit
	for _, c := range candidates {
		lc := strings.ToLower(c)
		d := smetrics.WagnerFischer(w, lc, 1, 1, 1)
		// a forgotten beginning or end is a likely slip too
		if len(w) >= 3 && (strings.HasPrefix(lc, w) || strings.HasSuffix(lc, "."+w)) && d > 2 {
			d = 2
		}
		if d <= limit && d < len(w)+1 {
			hits = append(hits, hit{c, d})
		}
	}
	sort.SliceStable(hits, func(i, j int) bool { return hits[i].d < hits[j].d })
	var out []string
	for _, h := range hits {
		if len(out) == 3 || h.d > hits[0].d+1 {
			break
		}
		out = append(out, h.s)
	}
	return out
}

// Suggest words the nearest candidates as a question, "" when nothing is near.
func Suggest(word string, candidates []string) string {
	n := Nearest(word, candidates)
	if len(n) == 0 {
		return ""
	}
	return "did you mean " + strings.Join(n, " or ") + "?"
}
