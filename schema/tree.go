package schema

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Tree is a decoded document: int64, float64, bool, string, []any, nested
// map[string]any, and for times a time.Time or a value with methods Time and
// String (see Moment).
type Tree = map[string]any

// Flat is a document as a map from concrete dotted path to leaf: arrays of
// tables become "part[0].mass_kg"; plain arrays stay whole.
type Flat map[string]any

// Flatten turns a tree into its leaves. Keys that are not bare are quoted as in TOML.
//
// Tables nested deeper than any file of ours stay whole, so that a hostile file
// cannot make paths of quadratic length.
func Flatten(t Tree) Flat {
	f := Flat{}
	flatten(f, "", t, 0)
	return f
}

const maxDepth = 16

func flatten(f Flat, at string, v any, depth int) {
	if depth > maxDepth {
		f[at] = v
		return
	}
	switch x := v.(type) {
	case map[string]any:
		if len(x) == 0 && at != "" {
			f[at] = x
		}
		for k, w := range x {
			flatten(f, Join(at, k), w, depth+1)
		}
	case []any:
		if len(x) > 0 && allTables(x) {
			for i, w := range x {
				flatten(f, at+"["+strconv.Itoa(i)+"]", w, depth+1)
			}
			return
		}
		f[at] = x
	case []map[string]any:
		for i, w := range x {
			flatten(f, at+"["+strconv.Itoa(i)+"]", w, depth+1)
		}
	default:
		f[at] = v
	}
}

func allTables(l []any) bool {
	for _, v := range l {
		if _, ok := v.(map[string]any); !ok {
			return false
		}
	}
	return true
}

// Join adds one key to a dotted path, quoting it when it is not bare.
func Join(at, key string) string {
	if !bare(key) {
		key = quote(key)
	}
	if at == "" {
		return key
	}
	return at + "." + key
}

func bare(k string) bool {
	if k == "" {
		return false
	}
	for _, c := range []byte(k) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return false
		}
	}
	return true
}

// quote writes a key as a TOML basic string.
func quote(key string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range key {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r == '\r':
			b.WriteString(`\r`)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// cutSegment takes the first segment off a path.
func cutSegment(p string) (name, rest string, quoted bool) {
	if p[0] == '"' {
		if q, err := strconv.QuotedPrefix(p); err == nil {
			name, _ = strconv.Unquote(q)
			return name, strings.TrimPrefix(p[len(q):], "."), true
		}
	}
	name, rest, _ = strings.Cut(p, ".")
	return name, rest, false
}

// SplitPath cuts a dotted path into segments; quoted segments are unquoted and
// an index stays on its segment ("part[0]").
func SplitPath(p string) []string {
	var out []string
	for p != "" {
		var s string
		s, p, _ = cutSegment(p)
		out = append(out, s)
	}
	return out
}

// Keys returns the paths in byte order.
func (f Flat) Keys() []string {
	out := make([]string, 0, len(f))
	for k := range f {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// Num reads a number (integers too).
func (f Flat) Num(key string) (float64, bool) { return Number(f[key]) }

// NumOr reads a number with a default.
func (f Flat) NumOr(key string, def float64) float64 {
	if v, ok := f.Num(key); ok {
		return v
	}
	return def
}

// Str reads a string, "" when absent.
func (f Flat) Str(key string) string { s, _ := f[key].(string); return s }

// Bool reads a flag, false when absent.
func (f Flat) Bool(key string) bool { b, _ := f[key].(bool); return b }

// Time reads a date or date-time; zero when absent. Local forms are taken as UTC.
func (f Flat) Time(key string) time.Time { t, _ := Moment(f[key]); return t }

// Nums reads an array of numbers.
func (f Flat) Nums(key string) []float64 {
	l, ok := f[key].([]any)
	if !ok {
		return nil
	}
	out := make([]float64, 0, len(l))
	for _, v := range l {
		n, ok := Number(v)
		if !ok {
			return nil
		}
		out = append(out, n)
	}
	return out
}

// Strs reads an array of strings.
func (f Flat) Strs(key string) []string {
	l, _ := f[key].([]any)
	var out []string
	for _, v := range l {
		if s, ok := v.(string); ok {
			out = append(out, s)
		}
	}
	return out
}

// Len counts the elements of an array of tables, "part".
func (f Flat) Len(name string) int {
	n := 0
	for k := range f {
		if rest, ok := strings.CutPrefix(k, name+"["); ok {
			if i, _, ok := strings.Cut(rest, "]"); ok {
				if v, err := strconv.Atoi(i); err == nil && v+1 > n {
					n = v + 1
				}
			}
		}
	}
	return n
}

// has reports whether a table is there, empty or not.
func (f Flat) has(at string) bool {
	for k := range f {
		if k == at || strings.HasPrefix(k, at+".") {
			return true
		}
	}
	return false
}

// Names lists the direct children under a path: Names("follow") gives the style names.
func (f Flat) Names(at string) []string {
	seen := map[string]bool{}
	var out []string
	for k := range f {
		rest, ok := strings.CutPrefix(k, at+".")
		if !ok {
			continue
		}
		s := SplitPath(rest)[0]
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	sort.Strings(out)
	return out
}

// TimeForm says how much of a point in time a document gave.
type TimeForm int

// Forms of a time: NoTime for a value that is none, and for a bare time of day.
const (
	NoTime    TimeForm = iota
	Day                // 2026-03-02
	LocalTime          // 2026-03-02T09:30:00
	Instant            // 2026-03-02T09:30:00Z
)

// Moment reads a date or date-time as any TOML decoder gives it: a time.Time
// (a local form marked by the zone names date-local and datetime-local), or a
// value with the methods Time() time.Time and String() string. Local forms are
// taken as UTC, so that a library means the same on every machine.
func Moment(v any) (time.Time, TimeForm) {
	switch x := v.(type) {
	case time.Time:
		switch x.Location().String() {
		case "time-local":
			return time.Time{}, NoTime
		case "date-local":
			return asUTC(x), Day
		case "datetime-local":
			return asUTC(x), LocalTime
		}
		return x, Instant
	case interface {
		Time() time.Time
		String() string
	}:
		if len(x.String()) == len("2006-01-02") {
			return x.Time(), Day
		}
		return x.Time(), LocalTime
	}
	return time.Time{}, NoTime
}

func asUTC(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
}

// Number converts a decoded number; NaN and infinities are not numbers here.
func Number(v any) (float64, bool) {
	switch x := v.(type) {
	case int64:
		return float64(x), true
	case int:
		return float64(x), true
	case float64:
		return x, !math.IsNaN(x) && !math.IsInf(x, 0)
	}
	return 0, false
}

// Num writes a number in its shortest decimal form; one that no dial or field can
// hold gets an exponent, so that a message about it stays readable.
func Num(v float64) string {
	if a := math.Abs(v); a >= 1e21 || a > 0 && a < 1e-15 {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
