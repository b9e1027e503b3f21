package diffview

import "testing"

// What could be markup is escaped, at the start of a line too; the rest is left
// readable. Source: GitHub Flavored Markdown, sections 4 and 6 (from memory).
func TestMarkdownEscapes(t *testing.T) {
	for in, want := range map[string]string{
		"41 → 44":                   "41 → 44",
		"3.07 kg":                   "3.07 kg",
		"3. item":                   `3\. item`,
		"+3.5":                      "+3.5",
		"+ item":                    `\+ item`,
		"- item":                    `\- item`,
		"# head":                    `\# head`,
		"a # b":                     "a # b",
		"*bold* _it_ `code`":        "\\*bold\\* \\_it\\_ \\`code\\`",
		"[x](y) | z":                `\[x\](y) \| z`,
		"<b>&amp;":                  "&lt;b&gt;&amp;amp;",
		"see https://example.org":   "see https&#58;//example.org",
		"www.example.org a@b":       "www&#46;example.org a&#64;b",
		"\x1b[1m":                   `\\x1b\[1m`,
		"  - indented":              `  \- indented`,
		"one\ntwo":                  `one\\ntwo`,
		"ends in a backslash \\":    `ends in a backslash \\`,
		"2026-03-02 09:30 UTC, (x)": "2026-03-02 09:30 UTC, (x)",
	} {
		if got := md(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
