package merge

import (
	"strings"
	"unicode/utf8"

	"github.com/aymanbagabas/go-udiff"
)

// Lines merges two versions of a text line by line. Lines that both added at one place are all
// kept, in alphabetical order of the two additions, so that it does not matter who merges. ok
// is false where both changed the same lines.
func Lines(base, ours, theirs string) (merged string, ok bool) {
	switch {
	case ours == theirs, theirs == base:
		return ours, true
	case ours == base:
		return theirs, true
	}
	end := func(s string) string {
		if s == "" || strings.HasSuffix(s, "\n") {
			return s
		}
		return s + "\n"
	}
	a, b := ours, theirs
	if b < a {
		a, b = b, a
	}
	x, y := udiff.Lines(end(base), end(a)), udiff.Lines(end(base), end(b))
	edits, ok := udiff.Merge(x, y)
	if !ok {
		return "", false
	}
	merged, err := udiff.Apply(end(base), edits)
	if err != nil {
		return "", false
	}
	if !strings.HasSuffix(ours, "\n") || !strings.HasSuffix(theirs, "\n") {
		merged = strings.TrimSuffix(merged, "\n")
	}
	return merged, true
}

// wholeText merges a file that is not Rigkeep's own: by line if it is text.
func wholeText(in Input) Output {
	if out, ok := oneSided(in); ok {
		return out
	}
	if in.Ours != nil && in.Theirs != nil && utf8.Valid(in.Ours) && utf8.Valid(in.Theirs) && utf8.Valid(in.Base) {
		if text, ok := Lines(string(in.Base), string(in.Ours), string(in.Theirs)); ok && in.Base != nil {
			return Output{Text: []byte(text)}
		}
	}
	why := "changed on both sides"
	if in.Ours == nil || in.Theirs == nil {
		why = "deleted on one side, changed on the other"
	}
	return whole(in, why)
}
