package schema

import (
	"math"
	"testing"
	"time"
)

func TestSay(t *testing.T) {
	paris := time.FixedZone("CET", 3600)
	at := time.Date(2026, 1, 14, 23, 33, 0, 0, time.UTC)
	for _, c := range [][2]string{
		{Count(0, "file", "files"), "no files"}, {Count(1, "file", "files"), "1 file"}, {Count(2, "branch", "branches"), "2 branches"},
		{List(nil), ""}, {List([]string{"pan"}), "pan"}, {List([]string{"pan", "tilt", "roll"}), "pan, tilt and roll"},
		{SayMoment(at, paris), "2026-01-15 00:33 CET"}, {SayDay(at, paris), "2026-01-15"}, {SayMoment(at, nil), "2026-01-14 23:33 UTC"},
		{SayMoment(time.Time{}, paris), ""}, {SayDay(time.Time{}, nil), ""},
	} {
		if c[0] != c[1] {
			t.Errorf("%q, not %q", c[0], c[1])
		}
	}
}

func TestParseDay(t *testing.T) {
	wednesday := time.Date(2026, 12, 2, 23, 30, 0, 0, time.FixedZone("west", -8*3600))
	for _, c := range [][2]string{
		{"2026-03-02", "2026-03-02"}, {"today", "2026-12-02"}, {"Tomorrow", "2026-12-03"}, {"wednesday", "2026-12-02"},
		{"friday", "2026-12-04"}, {"sat", "2026-12-05"}, {"tuesday", "2026-12-08"}, {"yesterweek", ""}, {"", ""}, {"fr", ""}, {"2026-02-30", ""},
	} {
		got := ""
		if d, ok := ParseDay(c[0], wednesday); ok {
			got = d.Format("2006-01-02")
		}
		if got != c[1] {
			t.Errorf("%q: %q, want %q", c[0], got, c[1])
		}
	}
}

func TestParseMoment(t *testing.T) {
	zone := time.FixedZone("east", 3*3600)
	for _, c := range []struct{ in, want string }{
		{"2026-11-29", "2026-11-29T23:59:59+03:00"},
		{"2026-11-29 14:55", "2026-11-29T14:55:59+03:00"},
		{"2026-11-29T14:55", "2026-11-29T14:55:59+03:00"},
		{"2026-11-29 14:55:03", "2026-11-29T14:55:03+03:00"},
		{"2026-11-29T14:55:03Z", "2026-11-29T14:55:03Z"},
		{"29.11.2026", ""}, {"2026-02-30", ""}, {"", ""},
	} {
		got, ok := ParseMoment(c.in, zone)
		if ok != (c.want != "") || ok && got.Format(time.RFC3339) != c.want {
			t.Errorf("%q: %v, %v; want %q", c.in, got, ok, c.want)
		}
	}
}

func TestNumbersForPeople(t *testing.T) {
	for _, c := range []struct {
		v      float64
		digits int
		want   string
	}{
		{12.5, 3, "12.5"}, {12.46, 3, "12.5"}, {48, 3, "48"}, {3.2150000000000003, 6, "3.215"}, {26.00000000000003, 4, "26"}, {0.00123456, 3, "0.00123"}, {12345, 3, "12300"}, {-0.049, 1, "-0.05"}, {0, 3, "0"},
		{5e-324, 3, Num(5e-324)}, {math.Inf(1), 3, Num(math.Inf(1))},
	} {
		if got := Sig(c.v, c.digits); got != c.want {
			t.Errorf("Sig(%g, %d) is %s, want %s", c.v, c.digits, got, c.want)
		}
	}
	for v, want := range map[float64]string{0.1 + 0.2: "+0.3", -0.5: "-0.5", 0: "0", -1e-12: "0", 25: "+25"} {
		if got := Signed(v); got != want {
			t.Errorf("Signed(%g) is %s, want %s", v, got, want)
		}
	}
}
