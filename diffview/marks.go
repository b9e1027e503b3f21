package diffview

import (
	"unicode"

	"github.com/sergi/go-diff/diffmatchpatch"
)

// maxWords bounds what is compared word by word; beyond it a text is shown whole.
const maxWords = 4000

// Words marks what differs between two texts, word by word. Together the marks
// that are not added give the first text, those that are not removed the second.
func Words(a, b string) []Mark {
	if a == b {
		if a == "" {
			return nil
		}
		return []Mark{{Text: a}}
	}
	wa, wb := words(a), words(b)
	if len(wa) > maxWords || len(wb) > maxWords {
		return joined([]Mark{{Removed, a}, {Added, b}})
	}
	// each distinct word becomes one rune, so that the diff moves whole words
	codes, text := map[string]rune{}, map[rune]string{}
	next := rune(1)
	encode := func(ws []string) []rune {
		out := make([]rune, len(ws))
		for i, w := range ws {
			r, ok := codes[w]
			if !ok {
				if next == 0xd800 { // no rune is a surrogate
					next = 0xe000
				}
				r = next
				next++
				codes[w], text[r] = r, w
			}
			out[i] = r
		}
		return out
	}
	ra, rb := encode(wa), encode(wb)
	dmp := diffmatchpatch.New()
	dmp.DiffTimeout = 0 // the same answer on a slow machine
	var out []Mark
	for _, d := range dmp.DiffMainRunes(ra, rb, false) {
		var s string
		for _, r := range d.Text {
			s += text[r]
		}
		out = append(out, Mark{map[diffmatchpatch.Operation]Op{diffmatchpatch.DiffInsert: Added, diffmatchpatch.DiffDelete: Removed}[d.Type], s})
	}
	return joined(out)
}

// joined drops empty marks and puts neighbours of one kind together.
func joined(ms []Mark) []Mark {
	var out []Mark
	for _, m := range ms {
		switch n := len(out); {
		case m.Text == "":
		case n > 0 && out[n-1].Op == m.Op:
			out[n-1].Text += m.Text
		default:
			out = append(out, m)
		}
	}
	return out
}

// words cuts a text into runs of letters and digits, runs of blanks, and single
// other characters.
func words(s string) []string {
	var out []string
	class := func(r rune) int {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r) || unicode.IsMark(r) || r == '_' || r == '\'' || r == '’':
			return 1
		case r == ' ' || r == '\t':
			return 2
		}
		return 0
	}
	start, last := 0, -1
	for i, r := range s {
		c := class(r)
		if (r == '.' || r == ',') && i > 0 && i+1 < len(s) && digit(s[i-1]) && digit(s[i+1]) {
			c = 1 // 62.5 is one word
		}
		if i > start && (c != last || c == 0) {
			out = append(out, s[start:i])
			start = i
		}
		last = c
	}
	if start < len(s) {
		out = append(out, s[start:])
	}
	return out
}

func digit(c byte) bool { return c >= '0' && c <= '9' }
