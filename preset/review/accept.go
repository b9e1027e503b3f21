package review

import (
	"fmt"
	"time"

	"rigkeep/preset"
	"rigkeep/schema"
)

// The longest that an acceptance may last, and how long it lasts where neither the person nor the
// job says.
const (
	acceptMost  = 366 * 24 * time.Hour
	acceptUsual = 14 * 24 * time.Hour
)

// AcceptedUntil is the last day on which a finding of a job stays accepted: the day that is asked
// for, else the job's last, or two weeks from today where the job is over. The zero time asks for
// none. today is in the zone of whoever accepts.
//
// Source: common practice, no source.
//
// Errors: for a day that is over, and for one more than a year away.
func AcceptedUntil(j preset.Job, asked, today time.Time) (time.Time, error) {
	until := asked
	switch {
	case !until.IsZero():
	case Over(j, today):
		until = today.Add(acceptUsual)
	default:
		until = j.To
	}
	until = time.Date(until.Year(), until.Month(), until.Day(), 0, 0, 0, 0, time.UTC)
	switch {
	case schema.SayDay(today, nil) > schema.SayDate(until): // as the clock there has it
		return until, fmt.Errorf("%s is over already", schema.SayDate(until))
	case until.After(today.Add(acceptMost)):
		return until, fmt.Errorf("%s is more than a year away; choose a date within one year", schema.SayDate(until))
	}
	return until, nil
}

// Over reports whether a job has no day left.
func Over(j preset.Job, today time.Time) bool {
	return schema.SayDay(today, nil) > schema.SayDate(j.To)
}
