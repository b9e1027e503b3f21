package merge

import (
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/aymanbagabas/go-udiff"

	"rigkeep/preset"
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

// signers merges two lists of keys in OpenSSH's allowed_signers form as sets of lines, remarks too: a
// line is there that one side added or neither took away. Which is first does not depend on who merges; a
// line that only the second has goes before the one that it stood before there. ok is false where both
// sides changed, or one took away and the other changed, the lines of one key.
func signers(base, ours, theirs string) (merged string, ok bool) {
	if theirs < ours {
		ours, theirs = theirs, ours
	}
	b, o, t := signerLines(base), signerLines(ours), signerLines(theirs)
	for key, lines := range b.of {
		if x, y := o.of[key], t.of[key]; x != lines && y != lines && x != y {
			return "", false
		}
	}
	gone := func(line string) bool { return b.has[line] && (!o.has[line] || !t.has[line]) }
	var out []string
	for _, line := range o.all {
		if !gone(strings.TrimSpace(line)) {
			out = append(out, line)
		}
	}
	at := len(out)
	for _, line := range slices.Backward(t.all) {
		s := strings.TrimSpace(line)
		i := slices.IndexFunc(out, func(l string) bool { return strings.TrimSpace(l) == s })
		switch {
		case s == "" || gone(s):
		case i >= 0:
			at = i
		default:
			out = slices.Insert(out, at, line)
		}
	}
	return strings.Join(out, "\n") + "\n", true
}

// signersFile is what signers needs of a text: its lines, which there are, and by key those with it.
type signersFile struct {
	all []string
	has map[string]bool
	of  map[string]string
}

var publicKey = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\s((?:sk-)?(?:ssh|ecdsa)-\S+\s+\S+)`) })

func signerLines(text string) signersFile {
	f := signersFile{all: strings.Split(strings.TrimRight(text, "\n"), "\n"), has: map[string]bool{}, of: map[string]string{}}
	if f.all[0] == "" && len(f.all) == 1 {
		f.all = nil
	}
	lines := map[string][]string{}
	for _, line := range f.all {
		s := strings.TrimSpace(line)
		f.has[s] = true
		if m := publicKey().FindStringSubmatch(s); m != nil && s[0] != '#' {
			lines[m[1]] = append(lines[m[1]], s)
		}
	}
	for key, ls := range lines {
		slices.Sort(ls)
		f.of[key] = strings.Join(ls, "\n")
	}
	return f
}

// wholeText merges a file that is not Rigkeep's own: by line if it is text.
func wholeText(in Input) Output {
	if out, ok := oneSided(in); ok {
		return out
	}
	if in.Path == preset.SignersPath && in.Ours != nil && in.Theirs != nil && utf8.Valid(in.Ours) && utf8.Valid(in.Theirs) {
		if text, ok := signers(string(in.Base), string(in.Ours), string(in.Theirs)); ok {
			return Output{Text: []byte(text)}
		}
		return whole(in, "one key is changed on both sides")
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
