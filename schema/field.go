package schema

import "strings"

// Type is the TOML type of a field.
type Type int

// Field types. A Float accepts integers as well.
const (
	String Type = iota
	Float
	Int
	Bool
	Date   // local date
	Time   // date-time
	Floats // array of numbers
	Strings
)

var typeNames = [...]string{"text in quotes", "a number", "a whole number", "true or false",
	"a date like 2026-03-02", "a date and time like 2026-03-02T09:30:00Z", "a list of numbers", "a list of texts"}

func (t Type) String() string { return typeNames[t] }

// Field describes one key of one kind of file. Path segments are literal, "*"
// for a name of the person's choosing, or "name[]" for an array of tables.
type Field struct {
	Path     string
	Type     Type
	Required bool
	Unit     string   // shown beside the value
	Min, Max *float64 // inclusive bounds of each number
	Above    *float64 // exclusive lower bound
	Len      int      // exact length of an array, 0 any
	Enum     []string
	Pattern  string // RE2, anchored, for text
	MaxLen   int    // characters of text, 0 means 4096
	Doc      string // one sentence
	// Derived marks a value that Rigkeep computes and records; a person need
	// not type it.
	Derived bool
}

// At returns a pointer to a bound.
func At(v float64) *float64 { return &v }

// Kind is one kind of file with its fields.
type Kind struct {
	Name   string
	Title  string
	Fields []Field
}

// matchPath reports whether a concrete path is an instance of a pattern, and
// which names stood for its stars.
func matchPath(pattern, path []string) (stars []string, ok bool) {
	if len(pattern) != len(path) {
		return nil, false
	}
	for i, p := range pattern {
		s := path[i]
		switch {
		case p == "*":
			if strings.ContainsAny(s, "[]") {
				return nil, false
			}
			stars = append(stars, s)
		case strings.HasSuffix(p, "[]"):
			n, rest, ok := strings.Cut(s, "[")
			if !ok || n != strings.TrimSuffix(p, "[]") || !strings.HasSuffix(rest, "]") {
				return nil, false
			}
		case p != s:
			return nil, false
		}
	}
	return stars, true
}
