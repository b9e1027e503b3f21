package schema

import (
	"encoding/binary"
	"strings"
)

// CompareNatural orders names as a person counts: a run of digits by its number, so that
// a-2 comes before a-10; all else by bytes. Names that differ only in leading zeros are
// ordered by their bytes.
func CompareNatural(a, b string) int {
	x, y := a, b
	for x != "" && y != "" {
		if isDigit(x[0]) && isDigit(y[0]) {
			var m, n string
			m, x = cutDigits(x)
			n, y = cutDigits(y)
			if len(m) != len(n) {
				return len(m) - len(n)
			}
			if c := strings.Compare(m, n); c != 0 {
				return c
			}
			continue
		}
		if x[0] != y[0] {
			return int(x[0]) - int(y[0])
		}
		x, y = x[1:], y[1:]
	}
	if c := len(x) - len(y); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

// NaturalKey is the beginning of a name as numbers, for sorting many: where two keys differ they order as
// CompareNatural orders the names; where they are alike, ask that.
func NaturalKey(name string) (key [2]uint64) {
	var b [16]byte
	n := 0
	for rest := name; rest != "" && n < len(b); {
		if !isDigit(rest[0]) {
			b[n], rest = rest[0], rest[1:]
			n++
			continue
		}
		var digits string
		digits, rest = cutDigits(rest)
		b[n] = '0' // beside anything else, a digit is one
		if n+1 < len(b) {
			b[n+1] = byte(min(len(digits), 255))
		}
		if n += 2; n < len(b) {
			n += copy(b[n:], digits)
		}
		if len(digits) >= 255 {
			break // the length is not told any more
		}
	}
	return [2]uint64{binary.BigEndian.Uint64(b[:8]), binary.BigEndian.Uint64(b[8:])}
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// cutDigits takes a run of digits off s, without its leading zeros.
func cutDigits(s string) (digits, rest string) {
	i := 0
	for i < len(s) && isDigit(s[i]) {
		i++
	}
	return strings.TrimLeft(s[:i], "0"), s[i:]
}
