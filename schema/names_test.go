package schema

import (
	"regexp"
	"strings"
	"testing"
	"unicode"

	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"
)

func TestNames(t *testing.T) {
	for in, want := range map[string]string{
		"Night pilotage":            "night-pilotage",
		"Café du port":              "café-du-port",
		"Cafe\u0301 du port":        "café-du-port", // composed and taken apart are one
		"Λιμένας Πειραιά":           "λιμένασ-πειραιά",
		"ПРИЧАЛ №3":                 "причал-3",
		"港口 第二天":                    "港口-第二天",
		"บ้านริมน้ำ":                "บ้านริมน้ำ", // marks belong to their letters
		"../..\\etc\x00\u202e":      "etc",
		"--  Dash -- ":              "dash",
		"!!!":                       "",
		"":                          "",
		"\u0301a":                   "a",
		"ΌΡΜΟΣ όρμος":               "όρμοσ-όρμοσ",
		"\u212bngstr\u00f6m \u212a": "ångström-k",
	} {
		if got := Slug(in); got != want {
			t.Errorf("Slug(%q) is %q, want %q", in, got, want)
		}
		if want != "" && !IsName(Slug(in)) {
			t.Errorf("%q is no name", want)
		}
	}
	for _, bad := range []string{"", "Café", "cafe\u0301", "όρμος", "a b", "a/b", "a\\b", "a:b", ".a", "a.", "-a", "a\u202eb", "a\u200bb", "a\nb", "ſ", "µ", "\u212a", "𝒶b\x80", "a?b", "a*b", "com¹", "İ"} {
		if IsName(bad) {
			t.Errorf("%q passes as a name", bad)
		}
	}
}

// No two names that a file system may take for one are both names: not by case, not by
// how letters are composed. Source: case by each letter's simple mappings and
// composition, as NTFS, APFS and HFS+ compare names (from memory).
func TestNamesCannotCollide(t *testing.T) {
	letter := rapid.SampledFrom([]rune("aAåÅ\u212bsSſßσςΣµμΜkK\u212aeé\u0301iıIİдД港が\u3099か-._1"))
	rapid.Check(t, func(t *rapid.T) {
		s := string(rapid.SliceOfN(letter, 1, 8).Draw(t, "s"))
		c := CanonicalName(s)
		if CanonicalName(c) != c {
			t.Fatalf("%q: %q is not the last word, %q", s, c, CanonicalName(c))
		}
		for _, other := range []string{strings.ToUpper(s), strings.ToLower(s), norm.NFD.String(s), norm.NFC.String(strings.ToUpper(s)), strings.Map(unicode.SimpleFold, s)} {
			if other != s && IsName(other) && IsName(s) && CanonicalName(other) == c {
				t.Fatalf("%q and %q are two names of one file", s, other)
			}
		}
		if sl := Slug(s); sl != "" && !IsName(sl) && !strings.HasPrefix(sl, "-") {
			t.Fatalf("Slug(%q) is %q, which is no name", s, sl)
		}
	})
}

// What decides is the pattern that the JSON Schema publishes. Source: package regexp.
func TestNamesArePatterns(t *testing.T) {
	letter := rapid.SampledFrom([]rune("aA09._- é\u0301ʰʼдДغ港がᵃ\u200b\ufffd№Ⅷ²߀𝒶"))
	pieces := rapid.OneOf(rapid.Map(rapid.SliceOfN(letter, 0, 44), func(r []rune) string { return string(r) }), rapid.String(), rapid.StringMatching(slugPattern))
	slug, style := regexp.MustCompile("^(?:"+slugPattern+")$"), regexp.MustCompile("^"+stylePattern+"$")
	rapid.Check(t, func(t *rapid.T) {
		s := pieces.Draw(t, "s")
		if got, want := hasForm(s, "._-"), slug.MatchString(s); got != want {
			t.Fatalf("a name %q: %v, the pattern says %v", s, got, want)
		}
		if got, want := isStyle(s), style.MatchString(s) && CanonicalName(s) == s; got != want {
			t.Fatalf("a style %q: %v, the pattern says %v", s, got, want)
		}
	})
}
