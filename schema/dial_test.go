package schema

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// genDial makes a possible dial: check finds no error in it.
func genDial(t *rapid.T) Dial {
	p, _ := Default().Param("stiffness.pan")
	unit := "Nm/rad"
	if rapid.Bool().Draw(t, "filter") {
		p, _ = Default().Param("filters.drive")
		unit = rapid.SampledFrom([]string{"Hz", "s"}).Draw(t, "unit")
	}
	fine := rapid.SampledFrom([]float64{1, 0.5, 0.1, 0.05, 0.25, 2, 10}).Draw(t, "fine")
	steps := rapid.IntRange(1, 1000).Draw(t, "steps")
	d := Dial{Key: p.Dial, Min: fine * float64(rapid.IntRange(-50, 50).Draw(t, "start")), Fine: fine, Sign: 1, Up: p.Up}
	d.Min = tidy(d.Min, 0, fine)
	d.Max = tidy(d.Min+fine*float64(steps), d.Min, fine)
	d.Coarse = fine * float64(rapid.IntRange(1, steps).Draw(t, "coarse"))
	m := &Map{Kind: rapid.SampledFrom([]MapKind{Linear, Logarithmic, Table}).Draw(t, "law"), Unit: unit}
	lo := rapid.Float64Range(0.001, 100).Draw(t, "lo")
	hi := lo * (1 + rapid.Float64Range(0.01, 100).Draw(t, "gain"))
	down := rapid.Bool().Draw(t, "down")
	if down {
		lo, hi = hi, lo
	}
	if m.Kind == Table {
		n := rapid.IntRange(1, 6).Draw(t, "pieces")
		var cuts []float64 // shares of the range and of the span, both rising
		for i := range n {
			cuts = append(cuts, (float64(i)+rapid.Float64Range(0.1, 0.9).Draw(t, "cut"))/float64(n))
		}
		m.Points = [][2]float64{{d.Min, lo}}
		for i, c := range cuts[:n-1] {
			m.Points = append(m.Points, [2]float64{d.Min + (d.Max-d.Min)*c, lo + (hi-lo)*cuts[i]*cuts[i]})
		}
		m.Points = append(m.Points, [2]float64{d.Max, hi})
	} else {
		m.AtMin, m.AtMax = lo, hi
	}
	d.Map = m
	sense := p.SI[unit]
	if down {
		sense = -sense
	}
	if d.Sign = sense; sense < 0 {
		d.Up = p.Down
	}
	if ps := Errors(d.check("dial", p)); len(ps) > 0 {
		t.Fatalf("an impossible dial: %v %+v %+v", ps, d, *d.Map)
	}
	return d
}

func TestDialMapRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := genDial(t)
		span := d.Max - d.Min
		v := d.Min + span*rapid.Float64Range(0, 1).Draw(t, "share")
		v = between(v, d.Min, d.Max)
		si, err := d.ToSI(v)
		if err != nil {
			t.Fatal(err)
		}
		back, err := d.FromSI(si)
		if err != nil {
			t.Fatalf("%v reads %v: %v", v, si, err)
		}
		if math.Abs(back-v) > 1e-7*span {
			t.Fatalf("%v reads %v, which is %v", v, si, back)
		}
		lo, hi := d.ends()
		for v, want := range map[float64]float64{d.Min: lo, d.Max: hi} {
			if got, err := d.ToSI(v); err != nil || got != want {
				t.Fatalf("the end %v reads %v, not %v (%v)", v, got, want, err)
			}
		}
		if back < d.Min || back > d.Max {
			t.Fatalf("%v is off the dial", back)
		}
	})
}

// Every value between the ends' SI values is reachable, and ToSI gives it again.
func TestDialFromSI(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := genDial(t)
		lo, hi := d.ends()
		si := between(lo+(hi-lo)*rapid.Float64Range(0, 1).Draw(t, "share"), lo, hi)
		v, err := d.FromSI(si)
		if err != nil {
			t.Fatal(err)
		}
		again, err := d.ToSI(v)
		if err != nil || math.Abs(again-si) > 1e-7*math.Max(lo, hi) {
			t.Fatalf("%v is dial %v, which reads %v (%v)", si, v, again, err)
		}
		var de *DomainError
		for _, out := range []float64{math.Min(lo, hi) * 0.999, math.Max(lo, hi) * 1.001, nan, inf, -1} {
			if v, err := d.FromSI(out); !errors.As(err, &de) {
				t.Fatalf("%v Nm/rad gave dial %v, %v", out, v, err)
			}
		}
		for _, out := range []float64{d.Min - 0.001, d.Max + 0.001, nan, inf} {
			if v, err := d.ToSI(out); !errors.As(err, &de) {
				t.Fatalf("dial %v gave %v, %v", out, v, err)
			}
		}
	})
}

// A map is strictly monotone, in the direction that Sign and the parameter say.
func TestDialMapMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := genDial(t)
		p, _ := Default().Param(d.Key)
		a := d.Min + (d.Max-d.Min)*rapid.Float64Range(0, 1).Draw(t, "a")
		b := d.Min + (d.Max-d.Min)*rapid.Float64Range(0, 1).Draw(t, "b")
		a, b = between(a, d.Min, d.Max), between(b, d.Min, d.Max)
		if math.Abs(a-b) < 1e-6*(d.Max-d.Min) {
			return
		}
		x, _ := d.ToSI(a)
		y, _ := d.ToSI(b)
		up := p.SI[d.Map.Unit]*d.Sign > 0 // larger number, larger SI
		if (x < y) != ((a < b) == up) {
			t.Fatalf("dial %v reads %v, %v reads %v, up %q", a, x, b, y, d.Up)
		}
		if d.Less(a, b) == d.Less(b, a) {
			t.Fatal("Less is no order")
		}
		if less := d.Less(a, b); less != ((x < y) == (p.SI[d.Map.Unit] > 0)) {
			t.Fatalf("Less(%v, %v) is %v", a, b, less)
		}
	})
}

// Round never goes toward stiffer, never further than a step, and stays put on a step.
func TestRoundGoesSofter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := genDial(t)
		v := d.Min + (d.Max-d.Min)*rapid.Float64Range(-0.5, 1.5).Draw(t, "share")
		r := d.Round(v)
		if d.Less(v, r) && math.Abs(r-v) > hair*d.Fine {
			t.Fatalf("%v rounds to the stiffer %v (sign %d)", v, r, d.Sign)
		}
		if math.Abs(r-v) >= d.Fine*(1+hair) {
			t.Fatalf("%v rounds to %v, more than %v away", v, r, d.Fine)
		}
		if !d.OnStep(r) {
			t.Fatalf("%v rounds to %v, not on a step", v, r)
		}
		if again := d.Round(r); again != r {
			t.Fatalf("%v rounds to %v, then to %v", v, r, again)
		}
		if places := decimals(r); places > max(decimals(d.Min), decimals(d.Fine)) {
			t.Fatalf("%v has dust", r)
		}
	})
}

// Values chosen by hand. Logarithmic: equal steps, equal ratios (definition).
func TestDialValues(t *testing.T) {
	d := Dial{Min: 0, Max: 100, Fine: 1, Coarse: 5, Sign: 1, Map: &Map{Kind: Logarithmic, Unit: "Nm/rad", AtMin: 1, AtMax: 100}}
	for v, want := range map[float64]float64{0: 1, 50: 10, 100: 100, 25: math.Sqrt(10)} {
		if got, err := d.ToSI(v); err != nil || math.Abs(got-want) > 1e-12*want {
			t.Errorf("logarithmic %v: %v, want %v (%v)", v, got, want, err)
		}
	}
	d.Map = &Map{Kind: Table, Points: [][2]float64{{0, 0}, {50, 0.5}, {100, 3}}}
	for v, want := range map[float64]float64{0: 0, 25: 0.25, 50: 0.5, 75: 1.75, 100: 3} {
		got, err := d.ToSI(v)
		back, err2 := d.FromSI(want)
		if err != nil || err2 != nil || math.Abs(got-want) > 1e-12 || math.Abs(back-v) > 1e-9 {
			t.Errorf("table %v: %v, want %v, back %v (%v, %v)", v, got, want, back, err, err2)
		}
	}
	d.Map = &Map{Kind: Linear, AtMin: 0.5, AtMax: 60}
	if got, _ := d.ToSI(50); got != 30.25 {
		t.Errorf("linear 50: %v", got)
	}
	d.Map = nil
	var de *DomainError
	d.Key = "filters.drive"
	if _, err := d.ToSI(50); !errors.As(err, &de) || de.Error() != "dial filters.drive has no conversion to SI" {
		t.Error(err)
	}
	if _, err := d.FromSI(50); !errors.As(err, &de) {
		t.Error(err)
	}
	for _, c := range []struct{ min, fine, sign, v, want float64 }{
		{0, 1, 1, 41.9, 41}, {0, 1, -1, 41.1, 42}, {0, 1, 1, 42, 42}, {0, 1, 1, 41.9999999, 42}, {0, 0.1, 1, 0.35, 0.3},
		{0, 0.1, 1, 0.1 + 0.2, 0.3}, {0.5, 0.25, 1, 1.1, 1}, {-1, 0.5, -1, -0.9, -0.5}, {0, 1, 1, -0.5, -1},
	} {
		d := Dial{Min: c.min, Max: 100, Fine: c.fine, Sign: int(c.sign)}
		if got := d.Round(c.v); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// The steps follow the rule of CoarseStep: 0 to 39 by 1 is short of forty steps, 0 to 40 has them.
func TestCoarseStep(t *testing.T) {
	for _, c := range [][4]float64{{0, 39, 1, 1}, {0, 40, 1, 5}, {-10, 10, 0.5, 2.5}, {0, 100, 10, 10}} {
		if got := CoarseStep(c[0], c[1], c[2]); got != c[3] {
			t.Errorf("%v to %v by %v: %v", c[0], c[1], c[2], got)
		}
	}
}
