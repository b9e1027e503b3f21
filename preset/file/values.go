package file

import (
	"fmt"
	"time"

	gotoml "github.com/pelletier/go-toml/v2"
)

// Date is a day in no particular time zone.
type Date struct{ Year, Month, Day int }

// Clock is a time of day in no particular time zone.
type Clock struct{ Hour, Minute, Second, Nano int }

// DateTime is a day and time of day in no particular time zone.
type DateTime struct {
	Date
	Clock
}

func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// Time is the beginning of the day in UTC.
func (d Date) Time() time.Time {
	return time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC)
}

func (c Clock) String() string {
	t := time.Date(1, 1, 1, c.Hour, c.Minute, c.Second, c.Nano, time.UTC)
	return t.Format("15:04:05.999999999")
}

func (d DateTime) String() string { return d.Date.String() + "T" + d.Clock.String() }

// Time is the day and time of day in UTC.
func (d DateTime) Time() time.Time {
	return time.Date(d.Year, time.Month(d.Month), d.Day, d.Hour, d.Minute, d.Second, d.Nano, time.UTC)
}

// normal turns what either decoder gives into the types that Doc.Tree promises.
func normal(v any) any {
	switch t := v.(type) {
	case map[string]any:
		if t == nil {
			return map[string]any{}
		}
		for k, e := range t {
			switch e.(type) {
			case string, int64, float64, bool:
			default:
				t[k] = normal(e)
			}
		}
	case []map[string]any:
		list := make([]any, len(t))
		for i, e := range t {
			list[i] = normal(e)
		}
		return list
	case []any:
		for i, e := range t {
			t[i] = normal(e)
		}
	case time.Time:
		// BurntSushi/toml marks local values by the name of a made-up zone.
		date := Date{t.Year(), int(t.Month()), t.Day()}
		clock := Clock{t.Hour(), t.Minute(), t.Second(), t.Nanosecond()}
		switch t.Location().String() {
		case "date-local":
			return date
		case "time-local":
			return clock
		case "datetime-local":
			return DateTime{date, clock}
		}
	case gotoml.LocalDate:
		return localDate(t)
	case gotoml.LocalTime:
		return localClock(t)
	case gotoml.LocalDateTime:
		return DateTime{localDate(t.LocalDate), localClock(t.LocalTime)}
	}
	return v
}

func localDate(d gotoml.LocalDate) Date { return Date{d.Year, d.Month, d.Day} }

func localClock(c gotoml.LocalTime) Clock { return Clock{c.Hour, c.Minute, c.Second, c.Nanosecond} }

// Equal says whether two values or trees mean the same: whole numbers and decimals by value (40 and 40.0 are equal), times by
// instant, tables key by key, arrays element by element.
func Equal(a, b any) bool { return same(a, b, true) }

// same with loose false also requires numbers to be of the same kind.
func same(a, b any, loose bool) bool {
	switch x := a.(type) {
	case map[string]any:
		y, ok := b.(map[string]any)
		if !ok || len(x) != len(y) {
			return false
		}
		for k, v := range x {
			if w, ok := y[k]; !ok || !same(v, w, loose) {
				return false
			}
		}
		return true
	case []any:
		y, ok := b.([]any)
		if !ok || len(x) != len(y) {
			return false
		}
		for i := range x {
			if !same(x[i], y[i], loose) {
				return false
			}
		}
		return true
	case time.Time:
		y, ok := b.(time.Time)
		return ok && x.Equal(y) && (loose || x.Format(time.RFC3339Nano) == y.Format(time.RFC3339Nano))
	case int64:
		if y, ok := b.(float64); ok && loose {
			return intIsFloat(x, y)
		}
	case float64:
		if y, ok := b.(int64); ok && loose {
			return intIsFloat(y, x)
		}
	}
	return a == b
}

// intIsFloat compares without the rounding of float64(i).
func intIsFloat(i int64, f float64) bool {
	return f >= -1<<63 && f < 1<<63 && f == float64(int64(f)) && int64(f) == i
}
