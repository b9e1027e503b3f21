package review

import (
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/schema"
)

// The days are counted by hand from the rule of AcceptedUntil. At 22 h in a zone 11 h ahead of UTC
// the day there is later than a UTC clock has it for half of the day.
func TestAcceptedUntil(t *testing.T) {
	day := func(s string) time.Time {
		d, err := time.Parse("2006-01-02", s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	today := time.Date(2026, 3, 2, 22, 0, 0, 0, time.FixedZone("", 11*3600))
	for _, c := range []struct {
		to, asked  string
		until, err string
	}{
		{"2026-03-04", "", "2026-03-04", ""},
		{"2026-03-02", "", "2026-03-02", ""},
		{"2026-03-01", "", "2026-03-16", ""}, // over: two weeks
		{"2026-03-04", "2026-03-03", "2026-03-03", ""},
		{"2026-03-04", "2026-03-01", "", "2026-03-01 is over already"},
		{"2026-03-04", "2027-03-03", "2027-03-03", ""},
		{"2026-03-04", "2027-03-05", "", "2027-03-05 is more than a year away"},
	} {
		var asked time.Time
		if c.asked != "" {
			asked = day(c.asked)
		}
		got, err := AcceptedUntil(preset.Job{To: day(c.to)}, asked, today)
		if c.err == "" && (err != nil || schema.SayDate(got) != c.until) || c.err != "" && (err == nil || !strings.HasPrefix(err.Error(), c.err)) {
			t.Errorf("job to %s, asked %q: %s, %v", c.to, c.asked, schema.SayDate(got), err)
		}
	}
}
