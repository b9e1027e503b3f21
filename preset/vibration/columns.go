package vibration

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"rigkeep/preset/internal/csvlog"
	"rigkeep/schema"
)

// Columns maps a log's columns: a header's name (capitals do not matter) or "#2"
// for the second column. Empty means guess, "-" means there is none.
type Columns struct {
	Time, Pan, Roll, Tilt string
}

func (c Columns) of(a schema.Axis) string { return [...]string{c.Pan, c.Roll, c.Tilt}[a] }

// ColumnUse says what a column was read as.
type ColumnUse struct {
	Use    string `json:"use"`  // "time", "pan", "roll", "tilt"
	Name   string `json:"name"` // of the column in the log, or "#2"
	Unit   string `json:"unit"`
	By     string `json:"by"` // "given", "header", "steps" (unit from the size of the time steps) or "assumed"
	column int
	scale  float64 // to s or rad/s
}

// words by which one use is recognised in a header.
type words struct {
	use   string
	lists [][]string
}

// guesses is the table of header words that Read recognises: general words and
// the axis letters of a sensor mounted as the head's frame (x forward, y left, z
// up). Each list is tried in turn on the names less their units; the first with a
// match decides. Common practice, no source.
var guesses = []words{
	{"time", [][]string{{"t", "time", "timestamp", "ts", "elapsed", "clock"}, {"seconds", "millis", "micros", "nanos", "ms", "us", "sec", "s"}}},
	{"pan", [][]string{{"pan", "pan rate", "gyro pan", "rate pan"}, {"yaw", "yaw rate", "gyro yaw"}, {"gyro z", "gyr z", "gz", "wz", "omega z", "rate z", "angular velocity z", "w z", "g z", "z gyro"}, {"z"}}},
	{"roll", [][]string{{"roll", "roll rate", "gyro roll", "rate roll"}, {"gyro x", "gyr x", "gx", "wx", "omega x", "rate x", "angular velocity x", "w x", "g x", "x gyro"}, {"x"}}},
	{"tilt", [][]string{{"tilt", "tilt rate", "gyro tilt", "rate tilt"}, {"pitch", "pitch rate", "gyro pitch"}, {"gyro y", "gyr y", "gy", "wy", "omega y", "rate y", "angular velocity y", "w y", "g y", "y gyro"}, {"y"}}},
}

var timeUnits = map[string]float64{
	"s": 1, "sec": 1, "secs": 1, "second": 1, "seconds": 1,
	"ms": 1e-3, "msec": 1e-3, "millis": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
	"us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "micros": 1e-6, "microsecond": 1e-6, "microseconds": 1e-6,
	"ns": 1e-9, "nsec": 1e-9, "nanos": 1e-9, "nanosecond": 1e-9, "nanoseconds": 1e-9,
}

var rateUnits = map[string]float64{
	"deg/s": deg, "°/s": deg, "dps": deg, "deg s": deg, "degs": deg, "degrees/s": deg, "degree/s": deg, "deg/sec": deg, "degrees/sec": deg,
	"mdps": deg / 1000, "mdeg/s": deg / 1000,
	"rad/s": 1, "rads": 1, "rad s": 1, "rps": 1, "radians/s": 1, "rad/sec": 1, "mrad/s": 1e-3,
}

// parts cuts a header name into its words, lower case, and its unit: what stands
// in brackets, or the last word if that is a unit.
func parts(name string, units map[string]float64) (word, unit string) {
	s := strings.ToLower(name)
	if i := strings.IndexAny(s, "[("); i >= 0 {
		unit = strings.TrimSpace(strings.Trim(s[i:], "[]() "))
		s = s[:i]
	}
	if unit == "" {
		for u := range units { // a unit with a sign in it stands as it is
			if strings.ContainsAny(u, "/ ") && strings.HasSuffix(s, u) && len(u) > len(unit) {
				unit = u
			}
		}
		s = strings.TrimSuffix(s, unit)
	}
	fields := strings.FieldsFunc(camel(name, len(s)), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '°'
	})
	if n := len(fields); unit == "" && n > 1 {
		if n > 2 { // "deg_s"
			if _, ok := units[fields[n-2]+" "+fields[n-1]]; ok {
				return strings.Join(fields[:n-2], " "), fields[n-2] + " " + fields[n-1]
			}
		}
		if _, ok := units[fields[n-1]]; ok {
			return strings.Join(fields[:n-1], " "), fields[n-1]
		}
	}
	return strings.Join(fields, " "), unit
}

// camel lowers the first n bytes of a name, with a space where a capital follows
// a small letter.
func camel(name string, n int) string {
	var b strings.Builder
	was := ' '
	for _, r := range name[:min(n, len(name))] {
		if unicode.IsUpper(r) && unicode.IsLower(was) {
			b.WriteByte(' ')
		}
		b.WriteRune(unicode.ToLower(r))
		was = r
	}
	return b.String()
}

// find maps the columns of a log.
func find(l *csvlog.Reader, o ReadOptions) (uses []ColumnUse, err error) {
	given := []string{o.Columns.Time, o.Columns.Pan, o.Columns.Roll, o.Columns.Tilt}
	taken := map[int]string{}
	for i, g := range guesses {
		if given[i] == "" || given[i] == "-" {
			continue
		}
		c, err := column(l, given[i], g.use)
		if err != nil {
			return nil, err
		}
		if was, ok := taken[c]; ok {
			return nil, &ReadError{What: fmt.Sprintf("column %q is mapped as %s and as %s", l.Name(c), was, g.use), Do: "map each column once"}
		}
		taken[c] = g.use
		uses = append(uses, ColumnUse{Use: g.use, By: "given", column: c})
	}
	for i, g := range guesses {
		if given[i] != "" || i == 0 && o.Rate > 0 {
			continue
		}
		c, err := guess(l, g, taken)
		if err != nil {
			return nil, err
		}
		if c >= 0 {
			taken[c] = g.use
			uses = append(uses, ColumnUse{Use: g.use, By: "header", column: c})
		}
	}
	rates, timed := 0, false
	for i := range uses {
		u := &uses[i]
		u.Name = l.Name(u.column)
		if u.Use == "time" {
			timed = true
			err = unitOf(u, timeUnits, o.TimeUnit, "time", "s, ms, us or ns")
		} else {
			rates++
			err = unitOf(u, rateUnits, o.RateUnit, "turn rate", "deg/s or rad/s")
		}
		if err != nil {
			return nil, err
		}
	}
	switch {
	case rates == 0:
		return nil, &ReadError{What: "no turn rate found among the columns " + names(l), Do: `map at least one of pan, roll, tilt to a column by its name or number, as "#2"`}
	case timed && o.Rate > 0:
		return nil, &ReadError{What: "both a time column and a sample rate were given", Do: "give the rate only for a log without time"}
	case !timed && !(o.Rate > 0):
		return nil, &ReadError{What: "no time found among the columns " + names(l), Do: "map the time to a column, or give the sample rate"}
	}
	return uses, nil
}

// column finds one by name or number.
func column(l *csvlog.Reader, name, use string) (int, error) {
	if n, ok := strings.CutPrefix(name, "#"); ok {
		if i, err := strconv.Atoi(n); err == nil && i >= 1 && i <= l.Columns {
			return i - 1, nil
		}
	} else {
		for i, h := range l.Header {
			if strings.EqualFold(h, name) {
				return i, nil
			}
		}
	}
	return 0, &ReadError{What: fmt.Sprintf("no column %q for %s", name, use), Do: fmt.Sprintf("the log has %s; a number such as #1 names a column too (1 to %d)", names(l), l.Columns)}
}

func names(l *csvlog.Reader) string {
	var out []string
	for i := 0; i < l.Columns && i < 24; i++ {
		out = append(out, strconv.Quote(l.Name(i)))
	}
	if l.Columns > 24 {
		out = append(out, "…")
	}
	return strings.Join(out, ", ")
}

// guess is the column of the first word list that has one, -1 if none does, an
// error if one list has several.
func guess(l *csvlog.Reader, g words, taken map[int]string) (int, error) {
	units := rateUnits
	if g.use == "time" {
		units = timeUnits
	}
	for _, list := range g.lists {
		found := -1
		for i, h := range l.Header {
			if _, used := taken[i]; used {
				continue
			}
			word, unit := parts(h, units)
			if _, known := units[unit]; unit != "" && !known {
				continue // metres, g, tesla …: another quantity
			}
			for _, w := range list {
				if word != w {
					continue
				}
				if found >= 0 && found != i {
					return 0, &ReadError{What: fmt.Sprintf("both %q and %q could be %s", l.Name(found), l.Name(i), g.use), Do: "map " + g.use + " to one of them"}
				}
				found = i
			}
		}
		if found >= 0 {
			return found, nil
		}
	}
	return -1, nil
}

// unitOf fills a column's unit from the option, the header, or an assumption.
func unitOf(u *ColumnUse, units map[string]float64, option, what, want string) error {
	unit := strings.ToLower(strings.TrimSpace(option))
	if unit == "" {
		var word string
		if word, unit = parts(u.Name, units); unit == "" && units[word] > 0 {
			unit = word // a column called "millis"
		}
		if _, ok := units[unit]; unit != "" && !ok {
			return &ReadError{What: fmt.Sprintf("column %q is in %q, not a unit of %s", u.Name, unit, what), Do: "expected " + want + "; name another column or give the unit"}
		}
	} else if _, ok := units[unit]; !ok {
		return &ReadError{What: fmt.Sprintf("%q is not a unit of %s", option, what), Do: "expected " + want}
	}
	if unit == "" { // a time's unit is found from its steps later
		u.Unit, u.By = "", "assumed"
		if what != "time" {
			u.Unit, u.scale = "deg/s", deg
		}
		return nil
	}
	u.Unit, u.scale = unit, units[unit]
	return nil
}
