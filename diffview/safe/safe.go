// Package safe makes text that came from outside (notes, names, handovers,
// logs, commit messages, a server's words) harmless to show: nothing in it can
// move the cursor, change colours, reorder a line or hide.
package safe

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"rigkeep/schema"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Text makes a text visible as it is: control characters other than line feed
// and tab, delete, C1 controls, direction overrides and isolates, invisible
// characters, line separators and bytes that are not UTF-8 become escapes like
// \x1b or \u202e. Text that has none of them is returned unchanged, and the
// result put through Text again stays the same.
func Text(s string) string { return clean(s, false) }

// Line is Text for a cell or a title: line feed and tab become \n and \t too, so
// that the result stays on one line.
func Line(s string) string { return clean(s, true) }

func clean(s string, oneLine bool) string {
	if plain(s) {
		return s
	}
	var b strings.Builder
	var prev rune // last rune that was kept
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && n <= 1:
			fmt.Fprintf(&b, `\x%02x`, s[i])
			prev = 0
		case r == '\n' && oneLine:
			b.WriteString(`\n`)
			prev = 0
		case r == '\t' && oneLine:
			b.WriteString(`\t`)
			prev = 0
		case r == zwj || r == zwnj:
			next, _ := utf8.DecodeRuneInString(s[i+n:])
			if joins(prev) && joins(next) {
				b.WriteRune(r)
			} else {
				b.WriteString(escape(r))
			}
			prev = 0
		case schema.Hidden(r):
			b.WriteString(escape(r))
			prev = 0
		default:
			b.WriteRune(r)
			prev = r
		}
		i += n
	}
	return b.String()
}

// plain reports whether s is printable ASCII, which is most of what is shown.
func plain(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < 0x20 || s[i] > 0x7e {
			return false
		}
	}
	return true
}

const (
	zwnj = '\u200c'
	zwj  = '\u200d'
)

// joins reports whether a zero-width joiner beside r has work to do: scripts
// that join letters, and emoji. Between Latin letters it only misleads.
func joins(r rune) bool {
	return r > 0x2ff && r != utf8.RuneError && !schema.Hidden(r) && r != zwj && r != zwnj &&
		(unicode.IsLetter(r) || unicode.IsMark(r) || unicode.IsSymbol(r)) && !unicode.In(r, unicode.Greek, unicode.Cyrillic)
}

func escape(r rune) string {
	switch {
	case r < 0x80:
		return fmt.Sprintf(`\x%02x`, r)
	case r <= 0xffff:
		return fmt.Sprintf(`\u%04x`, r)
	}
	return fmt.Sprintf(`\U%08x`, r)
}

// JSON escapes within an encoded JSON document what Text would escape, without
// changing its meaning: such characters stand only inside strings there, where
// \u202e and the character are the same. Bytes that are not UTF-8 do not occur
// in what encoding/json writes.
func JSON(doc []byte) []byte {
	s := string(doc)
	if plain(strings.ReplaceAll(s, "\n", "")) {
		return doc
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case (schema.Hidden(r) || r == zwj || r == zwnj) && r > 0xffff:
			hi, lo := (r-0x10000)>>10+0xd800, (r-0x10000)&0x3ff+0xdc00
			fmt.Fprintf(&b, `\u%04x\u%04x`, hi, lo)
		case schema.Hidden(r) || r == zwj || r == zwnj:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return []byte(b.String())
}

// WriteJSON writes a value as an indented JSON document in which a terminal finds
// nothing to obey.
func WriteJSON(w io.Writer, v any) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return err
	}
	_, err := w.Write(JSON(b.Bytes()))
	return err
}
