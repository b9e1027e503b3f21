package file

import (
	"fmt"
	"math"
	"reflect"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Field is one key of a Table.
type Field struct {
	Key   string
	Value any
}

// Table is a table to be written, with its keys in order. Where order does not matter a map[string]any does as well; its
// keys are written in alphabetical order.
type Table []Field

// Raw is a value as TOML text, to be written just as it is: Raw("62.50") keeps the 0. It must be one whole TOML 1.0 value.
type Raw string

// ParseValue reads one TOML 1.0 value, such as what follows the = of rigkeep set KEY=VALUE, into the types of Doc.Tree. The
// error is an *Error of class Usage.
func ParseValue(s string) (any, error) {
	v, err := Raw(s).read()
	if err != nil {
		return nil, err
	}
	return v.value, nil
}

// raw is a Raw that has been read.
type raw struct {
	text  string
	value any
}

func (r Raw) read() (raw, *Error) {
	s := strings.TrimSpace(string(r))
	d, err := check("", []byte("v = "+s))
	if err != nil {
		e := *List(err)[0]
		e.Class, e.Line, e.Col, e.Key, e.Cause = Usage, 0, 0, "", err
		return raw{}, &e
	}
	// More than the one key, or less than the whole text: a line break and another key, or a remark behind.
	it := d.index().root.child(Key("v"))
	if len(d.tree) != 1 || it == nil || it.valEnd != len(d.text) {
		return raw{}, &Error{Class: Usage, What: "this is more than one value", Want: anyValue, Fix: "put text in double quotes"}
	}
	return raw{s, d.tree["v"]}, nil
}

func decimal(v float64) string {
	if wide(v) {
		s := strconv.FormatFloat(v, 'e', -1, 64)
		mantissa, exp, _ := strings.Cut(s, "e")
		n, _ := strconv.Atoi(exp)
		return mantissa + "e" + strconv.Itoa(n)
	}
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}

// wide says whether a number is easier to read with an exponent.
func wide(v float64) bool {
	a := math.Abs(v)
	return a >= 1e15 || a != 0 && a < 1e-6
}

// Literal is a value as TOML 1.0 text, on one line unless a Raw is in it. It takes what Doc.Tree gives, Raw, and all Go integers, floats, strings, bools,
// time.Time, Table, maps with string keys, slices, and pointers to these. The error is an *Error of class Usage: a NaN or
// infinity, text that is not UTF-8, a time outside years 1 to 9999, a key given twice, or a type that TOML has no form for.
func Literal(v any) (string, error) {
	o, err := ordered(v, 0)
	if err != nil {
		return "", err
	}
	return text(o), nil
}

// text writes an ordered value.
func text(v any) string {
	switch t := v.(type) {
	case string:
		return quote(t)
	case int64:
		return strconv.FormatInt(t, 10)
	case float64:
		return decimal(t)
	case bool:
		return strconv.FormatBool(t)
	case raw:
		return t.text
	case time.Time:
		return t.Format(time.RFC3339Nano)
	case []any:
		parts := make([]string, len(t))
		for i, e := range t {
			parts[i] = text(e)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case Table:
		if len(t) == 0 {
			return "{}"
		}
		parts := make([]string, len(t))
		for i, f := range t {
			parts[i] = keyText(f.Key) + " = " + text(f.Value)
		}
		return "{ " + strings.Join(parts, ", ") + " }"
	default: // Date, Clock, DateTime
		return fmt.Sprint(t)
	}
}

// ordered checks a value and brings it to string, int64, float64, bool, time.Time, Date, Clock, DateTime, []any or Table.
func ordered(v any, depth int) (any, *Error) {
	if depth > MaxDepth {
		return nil, unfit("the value is too deep", fmt.Sprintf("at most %d lists or tables in each other", MaxDepth))
	}
	switch t := v.(type) {
	case nil:
		return nil, unfit("no value", anyValue)
	case string:
		if !utf8.ValidString(t) {
			return nil, unfit("the text is not UTF-8", "UTF-8 text")
		}
		return t, nil
	case bool, int64:
		return t, nil
	case Raw:
		r, err := t.read()
		if err != nil {
			return nil, err
		}
		return r, nil
	case raw:
		return t, nil
	case float64:
		if math.IsNaN(t) || math.IsInf(t, 0) {
			return nil, unfit(fmt.Sprintf("%v is not a number one can set", t), "a finite number")
		}
		return t, nil
	case time.Time:
		if _, off := t.Zone(); off%60 != 0 {
			t = t.UTC()
		}
		if t.Year() < 1 || t.Year() > 9999 {
			return nil, unfit(fmt.Sprintf("year %d cannot be written", t.Year()), "a year from 1 to 9999")
		}
		return t.Round(0), nil
	case Date:
		if !t.valid() {
			return nil, unfit("no day "+t.String(), "a day that exists, from year 1 to 9999")
		}
		return t, nil
	case Clock:
		if !t.valid() {
			return nil, unfit("not a time of day", "00:00:00 to 23:59:59")
		}
		return t, nil
	case DateTime:
		if !t.Date.valid() || !t.Clock.valid() {
			return nil, unfit("not a day or time", "a day that exists and a time from 00:00:00 to 23:59:59")
		}
		return t, nil
	case Table:
		out, seen := make(Table, 0, len(t)), map[string]bool{}
		for _, f := range t {
			if seen[f.Key] {
				return nil, unfit("key "+keyText(f.Key)+" is given twice", "each key once")
			}
			seen[f.Key] = true
			if !utf8.ValidString(f.Key) {
				return nil, unfit("a key is not UTF-8", "UTF-8 text")
			}
			e, err := ordered(f.Value, depth+1)
			if err != nil {
				err.Key = strings.TrimSuffix(keyText(f.Key)+"."+err.Key, ".")
				return nil, err
			}
			out = append(out, Field{f.Key, e})
		}
		return out, nil
	}
	return orderedKind(reflect.ValueOf(v), depth)
}

// orderedKind is ordered for values of other types, by their kind.
func orderedKind(r reflect.Value, depth int) (any, *Error) {
	switch r.Kind() {
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return r.Int(), nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		if r.Uint() > math.MaxInt64 {
			return nil, unfit(tooBig, bigWant)
		}
		return int64(r.Uint()), nil
	case reflect.Float32: // by its shortest decimal: 0.1 and not 0.10000000149
		f, _ := strconv.ParseFloat(strconv.FormatFloat(r.Float(), 'g', -1, 32), 64)
		return ordered(f, depth)
	case reflect.Float64:
		return ordered(r.Float(), depth)
	case reflect.String:
		return ordered(r.String(), depth)
	case reflect.Bool:
		return r.Bool(), nil
	case reflect.Pointer:
		if !r.IsNil() {
			return ordered(r.Elem().Interface(), depth+1)
		}
	case reflect.Slice, reflect.Array:
		list := make([]any, r.Len())
		for i := range list {
			e, err := ordered(r.Index(i).Interface(), depth+1)
			if err != nil {
				return nil, err
			}
			list[i] = e
		}
		return list, nil
	case reflect.Map:
		if r.Type().Key().Kind() == reflect.String {
			var t Table
			for _, k := range r.MapKeys() {
				t = append(t, Field{k.String(), r.MapIndex(k).Interface()})
			}
			sort.Slice(t, func(i, j int) bool { return t[i].Key < t[j].Key })
			return ordered(t, depth)
		}
	}
	return nil, unfit(fmt.Sprintf("a value of type %v has no form in TOML", r.Type()), anyValue)
}

func unfit(what, want string) *Error { return &Error{Class: Usage, What: what, Want: want} }

func (d Date) valid() bool {
	t := d.Time()
	return d.Year >= 1 && d.Year <= 9999 && t.Year() == d.Year && int(t.Month()) == d.Month && t.Day() == d.Day
}

func (c Clock) valid() bool {
	in := func(n, below int) bool { return n >= 0 && n < below }
	return in(c.Hour, 24) && in(c.Minute, 60) && in(c.Second, 60) && in(c.Nano, 1e9)
}

// tree turns an ordered value into the form Doc.Tree has.
func tree(v any) any {
	switch t := v.(type) {
	case raw:
		return t.value
	case Table:
		m := make(map[string]any, len(t))
		for _, f := range t {
			m[f.Key] = tree(f.Value)
		}
		return m
	case []any:
		list := make([]any, len(t))
		for i, e := range t {
			list[i] = tree(e)
		}
		return list
	}
	return v
}

const (
	escapeLetters = `btnfr"\`
	escapeBytes   = "\b\t\n\f\r\"\\"
)

// hidden says whether a character must not stand as itself in a text: controls, and marks that turn or hide what is around
// them on a screen, so that a file shows what it holds in any editor.
func hidden(r rune) bool {
	switch {
	case r < 0x20, r >= 0x7f && r < 0xa0, r == 0xad, r == 0x61c, r == 0xfeff,
		r >= 0x200b && r <= 0x200f, r >= 0x2028 && r <= 0x202e, r >= 0x2060 && r <= 0x206f:
		return true
	}
	return false
}

// quote writes a basic string.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		writeRune(&b, r)
	}
	b.WriteByte('"')
	return b.String()
}

func writeRune(b *strings.Builder, r rune) {
	if r < 0x80 {
		if i := strings.IndexByte(escapeBytes, byte(r)); i >= 0 {
			b.WriteByte('\\')
			b.WriteByte(escapeLetters[i])
			return
		}
	}
	if hidden(r) {
		fmt.Fprintf(b, `\u%04X`, r)
		return
	}
	b.WriteRune(r)
}

// printable is text from outside for use in a message: what is hidden becomes visible, and it does not run on for ever.
func printable(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) > 200 {
		s = strings.ToValidUTF8(s[:200], "") + "…"
	}
	var b strings.Builder
	for _, r := range s {
		if hidden(r) {
			fmt.Fprintf(&b, `\u%04X`, r)
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// like writes an ordered value the way the old literal was written: its decimals, radix, plus sign and kind of quotes, as
// far as the new value allows.
func like(old string, v any) string {
	switch t := v.(type) {
	case string:
		return stringLike(old, t)
	case int64:
		return formatLike(old, float64(t), &t)
	case float64:
		return formatLike(old, t, nil)
	}
	return text(v)
}

func stringLike(old, s string) string {
	plain := !strings.ContainsFunc(s, hidden)
	switch {
	case strings.HasPrefix(old, `"""`) && strings.Contains(s, "\n") && !strings.Contains(old, "\r"):
		var b strings.Builder
		b.WriteString("\"\"\"\n")
		for i, r := range s {
			switch {
			case r == '\n':
				b.WriteByte('\n')
			case r == '"' && !strings.HasPrefix(s[i:], `""`) && i+1 < len(s):
				b.WriteByte('"')
			default:
				writeRune(&b, r)
			}
		}
		b.WriteString(`"""`)
		return b.String()
	case strings.HasPrefix(old, "'") && !strings.HasPrefix(old, "'''") && plain && !strings.Contains(s, "'"):
		return "'" + s + "'"
	}
	return quote(s)
}

// formatLike writes f, or i when it is not nil, in the manner of old.
func formatLike(old string, f float64, i *int64) string {
	plain := func() string {
		if i != nil {
			return strconv.FormatInt(*i, 10)
		}
		return decimal(f)
	}
	if old == "" || !isDigit(old[0]) && old[0] != '-' && old[0] != '+' || strings.Contains(old, ":") ||
		strings.Count(old[1:], "-") > 1 {
		return plain() // old was no number
	}
	s := plain()
	switch {
	case len(old) > 2 && old[0] == '0' && strings.IndexByte("xob", old[1]) >= 0:
		if n, ok := integral(f, i); ok && n >= 0 {
			digits := strconv.FormatInt(n, map[byte]int{'x': 16, 'o': 8, 'b': 2}[old[1]])
			if old[2:] == strings.ToUpper(old[2:]) && old[2:] != strings.ToLower(old[2:]) {
				digits = strings.ToUpper(digits)
			}
			return old[:2] + digits
		}
	case strings.ContainsAny(old, "eE"):
		if i == nil || *i == int64(f) && math.Abs(f) < 1<<53 {
			s = strconv.FormatFloat(f, 'e', -1, 64)
			mantissa, exp, _ := strings.Cut(s, "e")
			n, _ := strconv.Atoi(exp)
			letter := "e"
			if strings.Contains(old, "E") {
				letter = "E"
			}
			s = mantissa + letter + strconv.Itoa(n)
		}
	case strings.Contains(old, "."):
		if i != nil && math.Abs(f) >= 1<<53 || i == nil && wide(f) {
			break // only its plain form is exact or readable
		}
		s = strconv.FormatFloat(f, 'f', -1, 64)
		whole, decimals, _ := strings.Cut(s, ".")
		_, had, _ := strings.Cut(strings.ReplaceAll(old, "_", ""), ".")
		s = whole + "." + decimals + strings.Repeat("0", max(len(had)-len(decimals), 0))
	default: // a whole number stays one where it can
		if n, ok := integral(f, i); ok {
			s = strconv.FormatInt(n, 10)
		}
	}
	if old[0] == '+' && s[0] != '-' {
		s = "+" + s
	}
	return s
}

// integral gives the number as an integer if that is exact.
func integral(f float64, i *int64) (int64, bool) {
	if i != nil {
		return *i, true
	}
	if math.Abs(f) < 1<<53 && f == math.Trunc(f) && !(f == 0 && math.Signbit(f)) {
		return int64(f), true
	}
	return 0, false
}
