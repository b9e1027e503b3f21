package schema

import (
	"fmt"
	"strings"
	"time"
)

// Problem is one fault in a document, named by key so that the layer that knows
// the text can add file, line and column.
type Problem struct {
	Key     string `json:"key"`               // dotted path, "part[0].mass_kg"; "" for the whole document
	What    string `json:"what"`              // what is wrong, with the value found
	Want    string `json:"want,omitempty"`    // what was expected
	Fix     string `json:"fix,omitempty"`     // what to do
	Warning bool   `json:"warning,omitempty"` // worth saying, but the document can be used
	Rule    string `json:"rule,omitempty"`    // name of the rule that spans keys, "" for a fault of one key
}

func (p Problem) Error() string {
	var b strings.Builder
	if p.Key != "" {
		b.WriteString(p.Key + ": ")
	}
	b.WriteString(p.What)
	if p.Want != "" {
		b.WriteString("; expected " + p.Want)
	}
	if p.Fix != "" {
		b.WriteString("; " + p.Fix)
	}
	return b.String()
}

// Errors returns the problems that are not warnings.
func Errors(ps []Problem) []Problem {
	var out []Problem
	for _, p := range ps {
		if !p.Warning {
			out = append(out, p)
		}
	}
	return out
}

// shown renders a value the way a person wrote it, short and on one line.
func shown(v any) string {
	switch x := v.(type) {
	case string:
		r := []rune(x)
		if len(r) > 40 {
			x = string(r[:40]) + "…"
		}
		return fmt.Sprintf("%q", x)
	case float64:
		return Num(x)
	case time.Time:
		if _, form := Moment(x); form == Day {
			return x.Format(time.DateOnly)
		}
		return x.Format(time.RFC3339Nano)
	case map[string]any:
		return "a table"
	case []any:
		return fmt.Sprintf("a list of %d", len(x))
	}
	return fmt.Sprint(v)
}
