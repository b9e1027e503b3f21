// Package unit turns what a person writes ("1.2 kg", "14 mm", "90deg", "1/50 s")
// into SI and back. Inside the program everything is SI; units live at its edge.
package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"rigkeep/schema"
)

// Constants in SI. Source: all exact by definition (yard and pound agreement of
// 1959; 3rd CGPM 1901 for standard gravity), as in NIST SP 811 App. B (from memory).
const (
	StandardGravity = 9.80665 // m/s²

	Gram  = 1e-3       // kg
	Pound = 0.45359237 // kg
	Ounce = Pound / 16 // kg

	Millimetre = 1e-3      // m
	Inch       = 0.0254    // m
	Foot       = 12 * Inch // m

	Degree = math.Pi / 180 // rad

	KgfCm  = StandardGravity / 100          // N·m
	OzfIn  = Ounce * StandardGravity * Inch // N·m
	LbfIn  = Pound * StandardGravity * Inch // N·m
	Minute = 60.0                           // s
	Hour   = 3600.0                         // s
)

// Kind is what a number measures.
type Kind string

// The kinds, each with its SI unit.
const (
	Mass      Kind = "mass"      // kg
	Length    Kind = "length"    // m
	Angle     Kind = "angle"     // rad
	Time      Kind = "time"      // s
	Torque    Kind = "torque"    // N·m
	Rate      Kind = "turn rate" // rad/s
	Frequency Kind = "frequency" // Hz
	Energy    Kind = "energy"    // J
)

// one unit: its names, the first being how it is shown; its size in SI; and the
// decimals it is shown with
type one struct {
	names    []string
	si       float64
	decimals int
}

var table = map[Kind][]one{
	Mass:   {{[]string{"kg"}, 1, 3}, {[]string{"g"}, Gram, 0}, {[]string{"lb", "lbs"}, Pound, 2}, {[]string{"oz"}, Ounce, 1}},
	Length: {{[]string{"mm"}, Millimetre, 1}, {[]string{"cm"}, 1e-2, 2}, {[]string{"m"}, 1, 4}, {[]string{"in", `"`, "″"}, Inch, 2}, {[]string{"ft", "'", "′"}, Foot, 3}},
	Angle:  {{[]string{"deg", "°", "degrees", "degree"}, Degree, 2}, {[]string{"rad"}, 1, 4}, {[]string{"mrad"}, 1e-3, 2}, {[]string{"arcmin"}, Degree / 60, 2}},
	Time: {{[]string{"s", "sec"}, 1, 3}, {[]string{"ms"}, 1e-3, 1}, {[]string{"us", "µs", "μs"}, 1e-6, 0},
		{[]string{"min"}, Minute, 2}, {[]string{"h"}, Hour, 3}},
	Torque: {{[]string{"N·m", "Nm", "N*m", "N m"}, 1, 4}, {[]string{"mN·m", "mNm", "mN*m", "mN m"}, 1e-3, 1}, {[]string{"N·cm", "Ncm", "N*cm", "N cm"}, 1e-2, 2},
		{[]string{"kgf·cm", "kgfcm", "kgf*cm", "kgf cm"}, KgfCm, 3}, {[]string{"ozf·in", "ozfin", "ozf*in", "ozf in"}, OzfIn, 2}, {[]string{"lbf·in", "lbfin", "lbf*in", "lbf in"}, LbfIn, 3}},
	Rate:      {{[]string{"deg/s", "°/s"}, Degree, 2}, {[]string{"rad/s"}, 1, 4}, {[]string{"rpm"}, 2 * math.Pi / 60, 2}},
	Frequency: {{[]string{"Hz"}, 1, 2}, {[]string{"kHz"}, 1000, 4}},
	Energy:    {{[]string{"Wh", "W·h"}, Hour, 1}, {[]string{"J"}, 1, 0}, {[]string{"kJ"}, 1000, 2}},
}

// Names lists how the units of a kind are shown, the usual one first; nil for an
// unknown kind.
func Names(k Kind) []string {
	var out []string
	for _, u := range table[k] {
		out = append(out, u.names[0])
	}
	return out
}

// ParseError says what is wrong with a written quantity. Find it with errors.As.
type ParseError struct {
	Kind Kind
	Text string // as given
	Why  string // what is wrong
	Do   string // what to write instead
}

func (e *ParseError) Error() string {
	return fmt.Sprintf("%s %s: %s; %s", e.Kind, strconv.Quote(e.Text), e.Why, e.Do)
}

// ParseIn is Parse, but a number without a unit is taken in the named unit.
//
// Errors: as Parse; also if the named unit is not one of the kind.
func ParseIn(k Kind, text, bare string) (float64, error) {
	fail := func(why, do string) (float64, error) { return 0, &ParseError{k, clip(text), why, do} }
	if len(table[k]) == 0 {
		return fail("unknown kind of quantity", "this is a fault of the program")
	}
	want := "write a number and one of " + strings.Join(Names(k), ", ")
	s := strings.TrimSpace(text)
	if s == "" {
		return fail("nothing given", want)
	}
	v, rest, ok := number(s)
	if !ok {
		if strings.Contains(s, ",") && !strings.Contains(s, ".") {
			return fail("has a comma that is not a decimal comma", "write decimals as 1.5 or 1,5")
		}
		return fail("does not start with a number", want)
	}
	if strings.HasPrefix(rest, ",") {
		return fail("has a comma that may mean thousands", "write decimals with a point and no thousands sign, as 1500.5")
	}
	rest = strings.TrimLeft(rest, " \t\u00a0")
	if k == Time && strings.HasPrefix(rest, "/") {
		var below float64
		below, rest, ok = number(strings.TrimLeft(rest[1:], " "))
		if !ok || below <= 0 {
			return fail("is not a fraction", "write it as 1/50 s")
		}
		v /= below
		rest = strings.TrimLeft(rest, " ")
	}
	if rest == "" {
		if bare == "" {
			return fail("has no unit", want)
		}
		rest = bare
	}
	u, ok := find(k, rest)
	if !ok {
		for other := range table {
			if _, is := find(other, rest); is && other != k {
				return fail("has a unit of a different quantity ("+clip(rest)+")", want)
			}
		}
		return fail("has an unknown unit "+strconv.Quote(clip(rest)), want)
	}
	v *= u.si
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return fail("is too large", "check the number")
	}
	return v, nil
}

// ParseSize reads lengths joined by x, as "24.9x18.7mm" or "120 x 80 x 60 mm":
// a part without a unit takes the last one's. The result is in m, as many as n.
//
// Errors: *ParseError as Parse, and for another count than n.
func ParseSize(text string, n int) ([]float64, error) {
	pieces := strings.FieldsFunc(text, func(r rune) bool { return r == 'x' || r == 'X' || r == '×' || r == '*' })
	if len(pieces) != n {
		example := strings.TrimSuffix(strings.Repeat("24x", n), "x") + "mm"
		return nil, &ParseError{Length, clip(text), "is " + schema.Count(len(pieces), "length", "lengths"), fmt.Sprintf("write %d joined by x, as %s", n, example)}
	}
	unit := ""
	if _, rest, ok := number(strings.TrimSpace(pieces[n-1])); ok {
		unit = strings.TrimSpace(rest)
	}
	out := make([]float64, n)
	for i, p := range pieces {
		var err error
		if out[i], err = ParseIn(Length, p, unit); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Show writes an SI value in the named unit, rounded as suits that unit:
// Show(Mass, 1.2, "lb") is "2.65 lb".
//
// Errors: *ParseError if the unit is not one of the kind or v is not finite.
func Show(k Kind, v float64, name string) (string, error) {
	u, ok := find(k, name)
	if !ok {
		return "", &ParseError{k, clip(name), "is not a valid unit here", "use one of " + strings.Join(Names(k), ", ")}
	}
	x := v / u.si
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "", &ParseError{k, strconv.FormatFloat(v, 'g', -1, 64), "is not a finite number", "this is a fault of the program"}
	}
	s := strconv.FormatFloat(x, 'f', u.decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	if k == Length && strings.Contains(s, ".") { // a tape shows no zeros behind the point, a scale does
		s = strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	}
	return s + " " + u.names[0], nil
}

// In returns an SI value in the named unit, unrounded.
//
// Errors: *ParseError if the unit is not one of the kind.
func In(k Kind, v float64, name string) (float64, error) {
	u, ok := find(k, name)
	if !ok {
		return 0, &ParseError{k, clip(name), "is not a valid unit here", "use one of " + strings.Join(Names(k), ", ")}
	}
	return v / u.si, nil
}

func find(k Kind, name string) (one, bool) {
	for _, u := range table[k] {
		for _, n := range u.names {
			if n == name {
				return u, true
			}
		}
	}
	// capitals only where no unit of the kind differs by them alone
	for _, u := range table[k] {
		for _, n := range u.names {
			if k != Torque && k != Frequency && strings.EqualFold(n, name) {
				return u, true
			}
		}
	}
	return one{}, false
}

// Number reads a plain number, with a decimal comma as in Parse.
//
// Errors: *ParseError for anything but one finite number.
func Number(text string) (float64, error) {
	s := strings.TrimSpace(text)
	v, rest, ok := number(s)
	switch {
	case ok && strings.HasPrefix(rest, ","):
		return 0, &ParseError{"number", clip(text), "has a comma that may mean thousands", "write decimals with a point and no thousands sign, as 1500.5"}
	case !ok || rest != "":
		return 0, &ParseError{"number", clip(text), "is not a number", "write a number, as 28.5"}
	case math.IsInf(v, 0):
		return 0, &ParseError{"number", clip(text), "is too large", "check the number"}
	}
	return v, nil
}

// number reads a decimal number at the start of s and returns what follows. A comma is
// the decimal sign where it cannot part thousands: not behind one to three digits and
// before exactly three, unless the first is a zero; nor where more of them or a point follow.
func number(s string) (v float64, rest string, ok bool) {
	i := 0
	digits := func() (n int) {
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
			i++
			n++
		}
		return n
	}
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	n := digits()
	if i < len(s) && s[i] == '.' {
		i++
		n += digits()
	} else if n > 0 && i+1 < len(s) && s[i] == ',' {
		comma, lead := i, s[i-n]
		i++
		m := digits()
		thousands := m == 3 && n <= 3 && lead != '0'
		if m == 0 || thousands || i < len(s) && (s[i] == ',' || s[i] == '.') {
			i = comma
		}
	}
	if n == 0 {
		return 0, s, false
	}
	if mark := i; i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		i++
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
		if digits() == 0 {
			i = mark
		}
	}
	// out of range is left as an infinity, which the callers refuse
	v, _ = strconv.ParseFloat(strings.Replace(s[:i], ",", ".", 1), 64)
	return v, s[i:], true
}

// clip keeps a message short whatever was given.
func clip(s string) string {
	if len(s) <= 40 {
		return s
	}
	i := 40
	for i > 0 && !utf8.RuneStart(s[i]) {
		i--
	}
	return s[:i] + "…"
}
