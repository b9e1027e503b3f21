package diffview

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// tidy removes the binary dust of a difference of decimals.
func tidy(v float64) float64 {
	r := math.Round(v*1e9) / 1e9
	if math.IsInf(r, 0) || math.IsNaN(r) {
		return v
	}
	return r + 0 // no negative zero
}

// num writes a number without dust.
func num(v float64) string { return schema.Num(tidy(v)) }

// sig writes a computed quantity to four significant digits.
func sig(v float64) string { return schema.Digits(v, 4) }

// value writes a decoded value as a person would.
func value(v any) string { return valueIn(v, time.UTC) }

// valueIn is value with moments in a zone.
func valueIn(v any, zone *time.Location) string {
	switch x := v.(type) {
	case nil:
		return "not set"
	case string:
		return strconv.Quote(x)
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case time.Time:
		if _, form := schema.Moment(x); form == schema.Day {
			return schema.SayDate(x)
		}
		return schema.SayMoment(x, zone)
	case []any:
		parts := make([]string, len(x))
		for i, e := range x {
			parts[i] = valueIn(e, zone)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case map[string]any:
		if len(x) == 0 {
			return "an empty table"
		}
		return fmt.Sprintf("a table of %d", len(x))
	}
	if n, ok := schema.Number(v); ok {
		return schema.Num(n)
	}
	return fmt.Sprint(v)
}

// equal compares two decoded values: 40 and 40.0 are the same, and so are two
// spellings of one moment.
func equal(a, b any) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return file.Equal(a, b)
}
