package schema

import (
	"bytes"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"github.com/xrash/smetrics"
)

// Nearest returns up to three different candidates close enough to a mistyped word to be
// worth offering, best first; none when nothing is near. Closeness is edit
// distance: one per insertion, deletion or change, or per two letters swapped.
// Near is at most a third of the word and one, at most one for three letters or
// less, at most four, and never the whole word. A word that is the beginning or
// the last segment of a candidate counts as two off.
func Nearest(word string, candidates []string) []string {
	type hit struct {
		s string
		d int
	}
	w := strings.ToLower(word)
	n := utf8.RuneCountInString(w)
	limit := min(n/3+1, 4)
	if n <= 3 {
		limit = 1
	}
	var hits []hit
	for _, c := range candidates {
		lc := strings.ToLower(c)
		d := limit + 1
		// the lengths alone tell most apart, and a long name costs nothing
		if diff := len(w) - len(lc); diff <= limit && -diff <= limit {
			if d = smetrics.WagnerFischer(w, lc, 1, 1, 1); d == 2 && sameLetters(w, lc) {
				d = 1
			}
		}
		// a forgotten beginning or end is a likely slip too
		if n >= 3 && (strings.HasPrefix(lc, w) || strings.HasSuffix(lc, "."+w)) {
			d = min(d, 2, limit)
		}
		if d == 0 || d <= limit && d < n {
			hits = append(hits, hit{c, d})
		}
	}
	sort.SliceStable(hits, func(i, j int) bool { return hits[i].d < hits[j].d })
	var out []string
	for _, h := range hits {
		if len(out) == 3 || h.d > hits[0].d+1 {
			break
		}
		if !slices.Contains(out, h.s) {
			out = append(out, h.s)
		}
	}
	return out
}

func sameLetters(a, b string) bool {
	x, y := []byte(a), []byte(b)
	slices.Sort(x)
	slices.Sort(y)
	return bytes.Equal(x, y)
}

// Suggest words the nearest candidates as a question, "" when nothing is near.
func Suggest(word string, candidates []string) string {
	n := Nearest(word, candidates)
	if len(n) == 0 {
		return ""
	}
	return "did you mean " + Either(n) + "?"
}
