package schema

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// How counts, lists and times are written for people: in one place, so that all screens agree.

// Count writes a number of things: "1 file", "2 files", "no files".
func Count(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + many
	case 1:
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// List writes words as "pan, tilt and roll".
func List(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// Either writes words as "pan, tilt or roll".
func Either(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// Rounded is v to so many significant digits.
func Rounded(v float64, digits int) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	e := digits - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	if e > 300 {
		return v // too near zero for a scale of it
	}
	if e >= 0 {
		s := math.Pow10(e)
		return math.Round(v*s) / s
	}
	s := math.Pow10(-e)
	return math.Round(v/s) * s
}

// Sig writes a computed number to so many significant digits, without zeros behind them.
func Sig(v float64, digits int) string { return Num(Rounded(v, digits)) }

// Digits is Sig with the zeros behind the number, as a column of computed figures wants them:
// 2.50 under 1.87. Figures before the point are never rounded.
func Digits(v float64, digits int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return Num(v)
	}
	places := digits - 1 - int(math.Floor(math.Log10(math.Abs(v))))
	if places > 9 { // too many zeros behind the point to be counted
		return strconv.FormatFloat(Rounded(v, digits), 'g', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', max(places, 0), 64)
}

// Decimals writes a number to so many decimals at most, without zeros behind it.
func Decimals(v float64, places int) string {
	s := math.Pow10(places)
	return Num(math.Round(v*s)/s + 0) // no negative zero
}

// Signed writes a difference with its sign and without the binary dust of decimals.
func Signed(v float64) string {
	if r := math.Round(v*1e9) / 1e9; !math.IsNaN(r) && !math.IsInf(r, 0) {
		v = r + 0 // no negative zero
	}
	if v > 0 {
		return "+" + Num(v)
	}
	return Num(v)
}

// SayDate writes a calendar day (of a job, until when something counts): it stands in files as
// midnight UTC and is the same day for every reader. The zero time is "".
func SayDate(t time.Time) string { return SayDay(t, time.UTC) }

// SayDates writes the days from one to another, both among them.
func SayDates(from, to time.Time) string {
	if to.IsZero() || SayDate(from) == SayDate(to) {
		return SayDate(from)
	}
	return SayDate(from) + " to " + SayDate(to)
}

// SayDay writes the day on which a moment (a test, a revision) fell where the reader is; a nil
// zone is the moment's own. The zero time is "".
func SayDay(t time.Time, zone *time.Location) string { return inZone(t, zone, "2006-01-02") }

// SayMoment writes a moment to the minute in a zone, which it names; nil is the moment's own zone.
// The zero time is "". Screens and pages use it; files, JSON and commits keep UTC.
func SayMoment(t time.Time, zone *time.Location) string {
	return inZone(t, zone, "2006-01-02 15:04 MST")
}

// SayClock writes the time of day of what happened a moment ago, in a zone.
func SayClock(t time.Time, zone *time.Location) string { return inZone(t, zone, "15:04:05") }

func inZone(t time.Time, zone *time.Location, form string) string {
	if t.IsZero() {
		return ""
	}
	if zone != nil {
		t = t.In(zone)
	}
	return t.Format(form)
}

// ParseDay reads a day as a person says it: 2026-03-02, today, tomorrow, or the next day of a
// name, from (and with) the day of now. It is midnight UTC, as files keep days.
func ParseDay(s string, now time.Time) (time.Time, bool) {
	if t, err := time.Parse("2006-01-02", s); err == nil {
		return t, true
	}
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, time.UTC)
	switch s = strings.ToLower(s); s {
	case "today":
		return today, true
	case "tomorrow":
		return today.AddDate(0, 0, 1), true
	}
	for i := range 7 {
		t := today.AddDate(0, 0, i)
		if name := strings.ToLower(t.Weekday().String()); s == name || s == name[:3] {
			return t, true
		}
	}
	return time.Time{}, false
}

// ParseMoment reads a day, a minute or a second as people type it, in a zone where the text names none. What is short of
// a second means its end: 2026-11-29 is the last second of that day.
func ParseMoment(s string, zone *time.Location) (time.Time, bool) {
	if t, err := time.ParseInLocation("2006-01-02", s, zone); err == nil {
		return t.AddDate(0, 0, 1).Add(-time.Second), true
	}
	for _, f := range []string{"2006-01-02T15:04", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(f, s, zone); err == nil {
			return t.Add(time.Minute - time.Second), true
		}
	}
	for _, f := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02 15:04:05"} {
		if t, err := time.ParseInLocation(f, s, zone); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}
