package unit

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParse(t *testing.T) {
	for _, c := range []struct {
		kind Kind
		text string
		want float64
	}{
		{Mass, "1.2 kg", 1.2}, {Mass, "680g", 0.68}, {Mass, "2.5 lb", 2.5 * 0.45359237}, {Mass, "12oz", 12 * 0.45359237 / 16}, {Mass, "+.5KG", 0.5},
		{Mass, "1,2 kg", 1.2}, {Mass, "142,5 g", 0.1425}, {Mass, "0,125 kg", 0.125}, {Mass, "1234,567 g", 1.234567}, {Mass, "-0,5 kg", -0.5},
		{Length, "14 mm", 0.014}, {Length, "0.5in", 0.0127}, {Length, `2"`, 0.0508}, {Length, "-3 cm", -0.03}, {Length, "1 ft", 0.3048}, {Length, "1e2mm", 0.1},
		{Angle, "90deg", math.Pi / 2}, {Angle, "45°", math.Pi / 4}, {Angle, "1.5 rad", 1.5}, {Angle, "30 arcmin", math.Pi / 360},
		{Time, "2s", 2}, {Time, "500 ms", 0.5}, {Time, "1/50 s", 0.02}, {Time, "1/50s", 0.02}, {Time, "2 min", 120}, {Time, "250µs", 250e-6},
		{Torque, "0.9 N·m", 0.9}, {Torque, "900 mNm", 0.9}, {Torque, "9 kgf·cm", 0.8825985}, {Torque, "16 ozf in", 0.112984829}, {Torque, "1lbf·in", 0.112984829},
		{Rate, "180 deg/s", math.Pi}, {Rate, "60rpm", 2 * math.Pi}, {Frequency, "1.5kHz", 1500},
	} {
		got, err := Parse(c.kind, c.text)
		if err != nil || math.Abs(got-c.want) > 1e-9*math.Abs(c.want) {
			t.Errorf("%s %q: got %v, %v; want %v", c.kind, c.text, got, err, c.want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		kind Kind
		text string
		says string
	}{
		{Mass, "", "nothing given"}, {Mass, "heavy", "does not start with a number"}, {Mass, "1.2", "has no unit"},
		{Mass, "1,2,3 kg", "comma"}, {Mass, "1,200 g", "thousands"}, {Mass, "12,250 g", "thousands"}, {Mass, "1,200.5 g", "comma"}, {Mass, ",5 kg", "comma"}, {Mass, "1, kg", "comma"}, {Mass, "3 mm", "different quantity"}, {Mass, "3 stone", "unknown unit"},
		{Mass, "NaN kg", "number"}, {Mass, "inf kg", "number"}, {Mass, "1e999 kg", "too large"}, {Length, "0x10 mm", "unknown unit"},
		{Time, "1/0 s", "fraction"}, {Time, "1/-5 s", "fraction"}, {Time, "1/s", "fraction"}, {Length, "1/2 in", "unknown unit"},
		{Length, "1 mm 2", "unknown unit"}, {"speed", "1 m/s", "unknown kind"}, {Torque, "1 nm", "unknown unit"}, {Length, "- mm", "number"},
	} {
		_, err := Parse(c.kind, c.text)
		var e *ParseError
		if !errors.As(err, &e) || !strings.Contains(err.Error(), c.says) || e.Do == "" {
			t.Errorf("%s %q: got %v, want *ParseError with %q", c.kind, c.text, err, c.says)
		}
	}
	if v, err := ParseIn(Mass, "680", "g"); err != nil || math.Abs(v-0.68) > 1e-15 {
		t.Errorf("bare number: %v, %v", v, err)
	}
	if _, err := ParseIn(Mass, "680", "mm"); err == nil {
		t.Error("a bare number in a unit of another kind went through")
	}
}

func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{"28": 28, " 28,5 ": 28.5, "-0,25": -0.25, "1e3": 1000, "+7": 7, "1000,5": 1000.5, "0,125": 0.125} {
		if got, err := Number(text); err != nil || got != want {
			t.Errorf("%q: got %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "x", "28 5", "1,250", "28,5,1", "1.5.2", "NaN", "inf", "1e999", "28kg", "2,", ",5"} {
		var e *ParseError
		if got, err := Number(text); !errors.As(err, &e) || e.Do == "" {
			t.Errorf("%q: got %v, %v; want *ParseError", text, got, err)
		}
	}
}

func TestParseSize(t *testing.T) {
	for text, want := range map[string][]float64{
		"24.9x18.7mm": {0.0249, 0.0187}, "1 in x 2 in": {0.0254, 0.0508}, "36×24 mm": {0.036, 0.024}, "3x4cm": {0.03, 0.04}, "1in x 30mm": {0.0254, 0.03},
	} {
		got, err := ParseSize(text, 2)
		if err != nil || len(got) != 2 || math.Abs(got[0]-want[0]) > 1e-15 || math.Abs(got[1]-want[1]) > 1e-15 {
			t.Errorf("%q: got %v, %v; want %v", text, got, err, want)
		}
	}
	if got, err := ParseSize("120 x 80 x 60 mm", 3); err != nil || got[2] != 0.06 {
		t.Errorf("three: %v, %v", got, err)
	}
	for _, text := range []string{"", "24mm", "24x18", "24x18x3mm", "x24mm", "axbmm"} {
		var e *ParseError
		if _, err := ParseSize(text, 2); !errors.As(err, &e) {
			t.Errorf("%q: got %v, want *ParseError", text, err)
		}
	}
}

func TestShow(t *testing.T) {
	for _, c := range []struct {
		kind Kind
		v    float64
		unit string
		want string
	}{
		{Mass, 1.2, "lb", "2.65 lb"}, {Mass, 0.68, "g", "680 g"}, {Length, 0.0141, "mm", "14.1 mm"}, {Angle, math.Pi / 6, "deg", "30.00 deg"},
		{Length, -0.00001, "mm", "0 mm"}, {Length, 0.33, "mm", "330 mm"}, {Length, 0.33, "in", "12.99 in"}, {Length, 0.254, "in", "10 in"}, {Mass, 1.2, "kg", "1.200 kg"}, {Torque, OzfIn, "ozf·in", "1.00 ozf·in"},
	} {
		if got, err := Show(c.kind, c.v, c.unit); err != nil || got != c.want {
			t.Errorf("got %q, %v; want %q", got, err, c.want)
		}
	}
	for _, f := range []func() error{
		func() error { _, err := Show(Mass, 1, "mm"); return err },
		func() error { _, err := Show(Mass, math.NaN(), "kg"); return err },
		func() error { _, err := In(Length, 1, "kg"); return err },
	} {
		var e *ParseError
		if err := f(); !errors.As(err, &e) {
			t.Errorf("got %v, want *ParseError", err)
		}
	}
}

// What is shown reads back as the same value, in every unit of every kind.
func TestShownReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]Kind{Mass, Length, Angle, Time, Torque, Rate, Frequency, Energy}).Draw(t, "kind")
		u := rapid.SampledFrom(table[kind]).Draw(t, "unit")
		v := rapid.Float64Range(-1000, 1000).Draw(t, "v") * u.si
		for _, name := range u.names {
			x, err := In(kind, v, name)
			if err != nil {
				t.Fatal(err)
			}
			s, err := Show(kind, v, name)
			if err != nil {
				t.Fatal(err)
			}
			got, err := Parse(kind, s)
			if err != nil {
				t.Fatalf("%q: %v", s, err)
			}
			if half := 0.5*math.Pow(10, -float64(u.decimals)) + 1e-9; math.Abs(got/u.si-x) > half {
				t.Fatalf("%q reads as %g, was %g", s, got/u.si, x)
			}
		}
	})
}

// Source: NIST SP 811 App. B.8 and B.9, printed values (from memory).
func TestConstants(t *testing.T) {
	for name, c := range map[string][2]float64{
		"ounce-force inch": {OzfIn, 7.061552e-3}, "pound-force inch": {LbfIn, 1.129848e-1}, "kilogram-force metre": {KgfCm * 100, 9.80665},
		"ounce": {Ounce, 2.834952e-2}, "foot": {Foot, 3.048e-1}, "degree": {Degree, 1.745329e-2},
	} {
		if math.Abs(c[0]-c[1]) > 5e-7*c[1] {
			t.Errorf("%s: %.9g, NIST prints %g", name, c[0], c[1])
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1.2 kg", "680g", "1/50 s", "24.9x18.7mm", "1,5 kg", "1e999", "-.e5°", "36×24 mm", "\xff1 kg", "0x1p-2 m", "9\u00a0mm"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for kind := range table {
			v, err := Parse(kind, s)
			if err != nil {
				var e *ParseError
				if !errors.As(err, &e) {
					t.Fatalf("%v is no *ParseError", err)
				}
				if len(err.Error()) > 600 {
					t.Fatalf("message of %d bytes", len(err.Error()))
				}
				continue
			}
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%s %q gave %v", kind, s, v)
			}
			if _, err := Show(kind, v, Names(kind)[0]); err != nil && math.Abs(v) < 1e300 {
				t.Fatal(err)
			}
		}
		if vs, err := ParseSize(s, 2); err == nil {
			for _, v := range vs {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%q gave %v", s, vs)
				}
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse(Length, "14.5 mm"); err != nil {
			b.Fatal(err)
		}
	}
}
