package schema

import (
	"strings"
	"unicode"

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

// nameWanted says in words what slugPattern takes.
const nameWanted = "a short name of lower-case letters, digits, dot, dash and underscore"

// CanonicalName is the one spelling of all that a file system might take for the same
// name: composed, and each letter as its upper case has it in lower case, so that
// Å, å and a with a ring are one, and σ and ς are. Some file systems ignore case, some
// how letters are composed, and one library goes from one to another.
//
// Source: Unicode Standard Annex 15 (composition, NFC) and section 5.18 (case).
func CanonicalName(s string) string {
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
		start := unicode.IsOneOf([]*unicode.RangeTable{unicode.Ll, unicode.Lo, unicode.Nd}, r)
		if !start && !(unicode.IsOneOf([]*unicode.RangeTable{unicode.Lm, unicode.M}, r) && b.Len() > 0 && !gap) {
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
	return f.Pattern == "" || compiled(f.Pattern).MatchString(s) && (f.Pattern != slugPattern || CanonicalName(s) == s)
}

// isStyle reports whether a name may stand for "*", the name of a follow style.
func isStyle(s string) bool { return styleName.MatchString(s) && CanonicalName(s) == s }

// IsName reports whether s may be the short name of something: letters of any script
// in their canonical spelling, digits, dot, dash and underscore.
//
// Source: slugPattern and CanonicalName.
func IsName(s string) bool { return (&Field{Pattern: slugPattern}).matches(s) }
