package unit

// Parse reads a number with its unit and returns it in the SI unit of the kind.
// Time may be a fraction, as a shutter is written: "1/50 s".
//
// A decimal comma is taken where it cannot be mistaken: 28,5 and 0,125, but not 1,250.
//
// Errors: *ParseError for no number, no unit, a unit of another kind, a comma that may
// mean thousands, or a value too large.
func Parse(k Kind, text string) (float64, error) { return ParseIn(k, text, "") }
