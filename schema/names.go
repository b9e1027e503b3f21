package schema

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// The letters of a short name: those of any script, in lower case where the script
// has cases, and digits. A name becomes the name of a file, so two names that a file
// system may take for one are one: see CanonicalName.
const (
	nameStart = `\p{Ll}\p{Lo}\p{Nd}`
	nameMore  = nameStart + `\p{Lm}\p{M}`

	slugPattern = `[` + nameStart + `]([` + nameMore + `._-]*[` + nameMore + `])?`
)

// hasForm reports what a match of slugPattern or stylePattern would: a letter or digit, then
// more of them and marks between. To compile those patterns, with their tables of all scripts,
// takes longer than a short command may.
func hasForm(s, marks string) bool {
	whole := false
	for i, r := range s {
		switch {
		case starts(r):
			whole = true
		case i == 0:
			return false
		case follows(r):
			whole = true
		case strings.ContainsRune(marks, r):
			whole = false
		default:
			return false
		}
	}
	return whole
}

// starts and follows are the classes nameStart and, without those, nameMore.
func starts(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r >= 0x80 && unicode.In(r, unicode.Ll, unicode.Lo, unicode.Nd)
}

func follows(r rune) bool { return r >= 0x80 && unicode.In(r, unicode.Lm, unicode.M) }

// nameWanted says in words what slugPattern takes.
const nameWanted = "a short name of lower-case letters, digits, dot, dash and underscore"

// CanonicalName is the one spelling of all that a file system might take for the same
// name: composed, and each letter as its upper case has it in lower case, so that
// Å, å and a with a ring are one, and σ and ς are. Some file systems ignore case, some
// how letters are composed, and one library goes from one to another.
//
// Source: Unicode Standard Annex 15 (composition, NFC) and section 5.18 (case).
func CanonicalName(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r >= 0x80 || r >= 'A' && r <= 'Z' }) {
		return s
	}
	fold := func(r rune) rune { return unicode.ToLower(unicode.ToUpper(r)) }
	return norm.NFC.String(strings.Map(fold, norm.NFC.String(s)))
}

// Slug makes a short name of words in any script: letters and digits in their
// canonical spelling, a dash for each run of anything else. It is "" where there is
// no letter and no digit.
//
// Source: CanonicalName.
func Slug(s string) string {
	var b strings.Builder
	gap := false
	for _, r := range CanonicalName(s) {
		if !starts(r) && !(follows(r) && b.Len() > 0 && !gap) {
			gap = true
			continue
		}
		if gap && b.Len() > 0 {
			b.WriteByte('-')
		}
		gap = false
		b.WriteRune(r)
	}
	return b.String()
}

// misspelt says how a name that is not in its canonical spelling is written; "" for
// one that is.
func misspelt(s string) string {
	if c := CanonicalName(s); c != s {
		return c
	}
	return ""
}

// renameTo says what to do about a name.
func renameTo(name string) string {
	if c := misspelt(name); c != "" {
		return "write it as " + quote(c)
	}
	return "rename it"
}

// matches reports whether a text has the field's form; a short name is in its
// canonical spelling too.
func (f *Field) matches(s string) bool {
	switch f.Pattern {
	case "":
		return true
	case slugPattern:
		return hasForm(s, "._-") && CanonicalName(s) == s
	}
	return compiled(f.Pattern).MatchString(s)
}

// isStyle reports whether a name may stand for "*", the name of a follow style.
func isStyle(s string) bool {
	return hasForm(s, "_-") && utf8.RuneCountInString(s) <= 40 && CanonicalName(s) == s
}

// IsName reports whether s may be the short name of something: letters of any script
// in their canonical spelling, digits, dot, dash and underscore.
//
// Source: slugPattern and CanonicalName.
func IsName(s string) bool { return (&Field{Pattern: slugPattern}).matches(s) }
