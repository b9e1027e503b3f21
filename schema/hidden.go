package schema

// Hidden reports whether r is a character that a terminal or a page would obey
// or leave invisible rather than show. Line feed and tab are not; joiners are
// judged from what stands beside them.
func Hidden(r rune) bool {
	switch {
	case r == '\n' || r == '\t':
		return false
	case r < 0x20 || r >= 0x7f && r < 0xa0: // C0, delete, C1
		return true
	case r < 0xa0:
		return false
	case r == 0x00ad, // soft hyphen
		r == 0x061c, r == 0x200e, r == 0x200f, // direction marks
		r >= 0x202a && r <= 0x202e,                                        // embeddings and overrides
		r >= 0x2066 && r <= 0x206f,                                        // isolates and deprecated controls
		r == 0x200b, r >= 0x2060 && r <= 0x2065, r == 0xfeff, r == 0x180e, // no width
		r == 0x2028, r == 0x2029, // line and paragraph separators
		r == 0x034f, r == 0x115f, r == 0x1160, r == 0x3164, r == 0xffa0, // fillers without a shape
		r >= 0xfff9 && r <= 0xfffb,   // annotation marks
		r >= 0x1d173 && r <= 0x1d17a, // musical controls
		r >= 0xe0000 && r <= 0xe0fff: // tags and supplementary variation selectors
		return true
	}
	return false
}
