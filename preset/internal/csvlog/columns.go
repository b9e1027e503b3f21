package csvlog

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// Want is one use of a column.
type Want struct {
	Use   string             // "time", "pan", ...
	Given string             // the person's choice: a header name, "#2", "-" for none, "" to guess
	Lists [][]string         // header words to guess by, tried list by list on the names less their units
	Unit  string             // the person's choice, "" to take the header's
	Units map[string]float64 // what is known, to SI
	Known string             // the same in words, for messages
	Bare  string             // the unit assumed where none is named; "" leaves Scale 0
}

// Use says what a column is read as.
type Use struct {
	Use    string  `json:"use"`
	Name   string  `json:"name"` // of the column in the log, or "#2"
	Unit   string  `json:"unit"`
	By     string  `json:"by"` // "given", "header", "steps" (unit from the size of the time steps) or "assumed"
	List   int     `json:"-"`  // the word list that guessed it
	Column int     `json:"-"`
	Scale  float64 `json:"-"` // to SI, 0 unknown
}

// TimeUnits are the units of a time column, to seconds.
var TimeUnits = map[string]float64{
	"s": 1, "sec": 1, "secs": 1, "second": 1, "seconds": 1,
	"ms": 1e-3, "msec": 1e-3, "millis": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
	"us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "micros": 1e-6, "microsecond": 1e-6, "microseconds": 1e-6,
	"ns": 1e-9, "nsec": 1e-9, "nanos": 1e-9, "nanosecond": 1e-9, "nanoseconds": 1e-9,
}

// TimeWords are the header words of a time column.
var TimeWords = [][]string{{"t", "time", "timestamp", "ts", "elapsed", "clock"}, {"seconds", "millis", "micros", "nanos", "ms", "us", "ns", "sec", "s"}}

// TimeWant is the use of a column as time.
func TimeWant(given, unit string) Want {
	return Want{Use: "time", Given: given, Lists: TimeWords, Unit: unit, Units: TimeUnits, Known: "s, ms, us or ns"}
}

// stepUnits tells the unit of a time column without one from its median step: logs
// run at some 10 Hz to 50 kHz. Common practice, no source.
var stepUnits = []struct {
	from, to float64
	unit     string
}{{2e-5, 0.15, "s"}, {0.15, 150, "ms"}, {150, 1.5e5, "us"}, {1.5e5, 1.5e8, "ns"}}

// FromSteps fills the unit of a time column that names none from its median step.
func (u *Use) FromSteps(step float64) error {
	for _, g := range stepUnits {
		if step >= g.from && step < g.to {
			u.Unit, u.By, u.Scale = g.unit, "steps", TimeUnits[g.unit]
			return nil
		}
	}
	return &Error{What: fmt.Sprintf("the time column %q has no unit, and its steps of %.3g fit none", u.Name, step), Do: "give its unit: s, ms, us or ns"}
}

// parts cuts a header name into its words, lower case, and its unit: what stands
// in brackets, or the last word or two if that is a unit.
func parts(name string, units map[string]float64) (word, unit string) {
	s := name
	if i := strings.IndexAny(s, "[("); i >= 0 {
		unit = strings.ToLower(strings.Trim(s[i:], "[]() "))
		s = s[:i]
	}
	s = camel(s)
	if unit == "" {
		for u := range units { // a unit with a sign in it stands as it is
			if strings.ContainsAny(u, "/ ") && strings.HasSuffix(s, u) && len(u) > len(unit) {
				unit = u
			}
		}
		s = strings.TrimSuffix(s, unit)
	}
	fields := strings.FieldsFunc(s, func(r rune) bool {
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

// camel lowers a name, with a space where a capital follows a small letter.
func camel(name string) string {
	var b strings.Builder
	was := ' '
	for _, r := range name {
		if unicode.IsUpper(r) && unicode.IsLower(was) {
			b.WriteByte(' ')
		}
		b.WriteRune(unicode.ToLower(r))
		was = r
	}
	return b.String()
}

// Find maps the columns of a log to the uses wanted, in their order; a use that
// is neither given nor guessed is left out. Errors are *Error.
func (l *Reader) Find(wants []Want) ([]Use, error) {
	found := make([]int, len(wants))
	taken := map[int]string{}
	take := func(i, c int) error {
		if was, ok := taken[c]; ok {
			return &Error{What: fmt.Sprintf("column %q is mapped as %s and as %s", l.Name(c), was, wants[i].Use), Do: "map each column once"}
		}
		taken[c], found[i] = wants[i].Use, c
		return nil
	}
	for i, w := range wants {
		found[i] = -1
		if w.Given == "" || w.Given == "-" {
			continue
		}
		c, err := l.column(w.Given, w.Use)
		if err == nil {
			err = take(i, c)
		}
		if err != nil {
			return nil, err
		}
	}
	var uses []Use
	for i, w := range wants {
		by, list := "given", 0
		if w.Given == "" {
			by = "header"
			c, n, err := l.guess(w, taken)
			if err != nil {
				return nil, err
			}
			if list = n; c >= 0 {
				taken[c], found[i] = w.Use, c
			}
		}
		if found[i] < 0 {
			continue
		}
		u := Use{Use: w.Use, Name: l.Name(found[i]), By: by, List: list, Column: found[i]}
		if err := u.unit(w); err != nil {
			return nil, err
		}
		uses = append(uses, u)
	}
	return uses, nil
}

// column finds one by name or number.
func (l *Reader) column(name, use string) (int, error) {
	if n, ok := strings.CutPrefix(name, "#"); ok {
		if i, err := strconv.Atoi(n); err == nil && i >= 1 && i <= l.Columns {
			return i - 1, nil
		}
	}
	for i, h := range l.Header {
		if strings.EqualFold(h, name) {
			return i, nil
		}
	}
	return 0, &Error{What: fmt.Sprintf("no column %q for %s", name, use), Do: fmt.Sprintf("the log has %s; a number such as #1 names a column too (1 to %d)", l.Names(), l.Columns)}
}

// Names lists the columns for a message.
func (l *Reader) Names() string {
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
func (l *Reader) guess(w Want, taken map[int]string) (column, list int, err error) {
	for n, list := range w.Lists {
		found := -1
		for i, h := range l.Header {
			if _, used := taken[i]; used {
				continue
			}
			word, unit := parts(h, w.Units)
			if _, known := w.Units[unit]; unit != "" && !known {
				continue // metres, g, tesla …: another quantity
			}
			for _, g := range list {
				if word != g {
					continue
				}
				if found >= 0 {
					return 0, 0, &Error{What: fmt.Sprintf("both %q and %q could be %s", l.Name(found), l.Name(i), w.Use), Do: "map " + w.Use + " to one of them"}
				}
				found = i
			}
		}
		if found >= 0 {
			return found, n, nil
		}
	}
	return -1, 0, nil
}

// unit fills a column's unit from the person's choice, the header, or the
// assumption.
func (u *Use) unit(w Want) error {
	unit := strings.ToLower(strings.TrimSpace(w.Unit))
	if unit == "" {
		var word string
		if word, unit = parts(u.Name, w.Units); unit == "" && w.Units[word] > 0 {
			unit = word // a column called "millis"
		}
		if _, ok := w.Units[unit]; unit != "" && !ok {
			return &Error{What: fmt.Sprintf("column %q is in %q, not a unit of %s", u.Name, unit, w.Use), Do: "expected " + w.Known + "; name another column or give the unit"}
		}
	} else if _, ok := w.Units[unit]; !ok {
		return &Error{What: fmt.Sprintf("%q is not a unit of %s", w.Unit, w.Use), Do: "expected " + w.Known}
	}
	if unit == "" {
		u.By, unit = "assumed", w.Bare
	}
	u.Unit, u.Scale = unit, w.Units[unit]
	return nil
}

// Median sorts x, not empty; it is the mean of the two middle ones of an even number.
func Median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}

// Steps are the differences of neighbours.
func Steps(t []float64) []float64 {
	d := make([]float64, max(len(t)-1, 0))
	for i := range d {
		d[i] = t[i+1] - t[i]
	}
	return d
}
