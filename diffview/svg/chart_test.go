package svg

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func drawn(t interface{ Fatal(...any) }, c Chart) string {
	var b bytes.Buffer
	if err := Write(&b, c); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(strings.NewReader(b.String()))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err, b.String())
		}
	}
	return b.String()
}

func TestChart(t *testing.T) {
	c := Chart{Title: "Follow response", Desc: "Where the head points.", XLabel: "time, s", YLabel: "angle, °", Series: []Series{
		{Name: "before", X: []float64{0, 1, 2}, Y: []float64{0, 50, 90}}, {Name: "after", X: []float64{0, 1, 2}, Y: []float64{0, 30, 90}}},
		Marks: []Mark{{Name: "end", At: 90}, {Name: "stop", At: 1, Down: true}}}
	s := drawn(t, c)
	for _, want := range []string{`viewBox="0 0 340 255"`, `role="img"`, "<title id=", "Follow response</title>", ">Follow response</text>", "Where the head points.</desc>", `font-size="13"`,
		"stroke:var(--ink,#13201d);stroke-width:2.5", "stroke-dasharray:6 4", ">before</text>", ">after</text>", ">end</text>", ">stop</text>", ">time, s</text>", ">angle, °</text>", ">100</text>"} {
		if !strings.Contains(s, want) {
			t.Errorf("the chart lacks %s:\n%s", want, s)
		}
	}
	if one := drawn(t, Chart{Series: c.Series[:1]}); strings.Contains(one, ">before</text>") {
		t.Error("a single line needs no name beside it")
	}
	named := drawn(t, Chart{Series: c.Series[:1], Ticks: []Tick{{At: 0, Name: "quay"}, {At: 1, Name: "tug"}, {At: 2, Name: "a very long name of a job"}}})
	for _, want := range []string{">quay</text>", ">tug</text>"} {
		if !strings.Contains(named, want) {
			t.Errorf("no %s", want)
		}
	}
}

func TestNothingToDraw(t *testing.T) {
	for _, c := range []Chart{{}, {Series: []Series{{Name: "a"}}}, {Series: []Series{{X: []float64{1}, Y: []float64{math.NaN()}}}}, {LogX: true, Series: []Series{{X: []float64{-1}, Y: []float64{1}}}}} {
		if err := Write(io.Discard, c); !errors.Is(err, ErrEmpty) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// A peak in a long line is kept, and a hole in it stays a hole.
func TestThin(t *testing.T) {
	s := Series{}
	for i := range 5000 {
		y := 0.0
		if i == 3333 {
			y = 100
		}
		if i == 1000 {
			y = math.NaN()
		}
		s.X, s.Y = append(s.X, float64(i)), append(s.Y, y)
	}
	d, err := Chart{Series: []Series{s}}.lay("x")
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Lines[0].Parts) != 2 {
		t.Errorf("%d parts, want two", len(d.Lines[0].Parts))
	}
	all := strings.Fields(strings.Join(d.Lines[0].Parts, " "))
	top := false
	for _, p := range all {
		_, y, _ := strings.Cut(p, ",")
		v, err := strconv.ParseFloat(y, 64)
		top = top || err == nil && v <= d.Top+0.1
	}
	if !top || len(all) > 3*maxPoints {
		t.Errorf("peak kept: %v, %d points", top, len(all))
	}
}

// Whatever is drawn stays in the box, and labels do not cover each other.
func TestInTheBox(t *testing.T) {
	number := rapid.OneOf(rapid.Float64Range(-1e3, 1e3), rapid.SampledFrom([]float64{0, 1e-9, 1e9, -1e9, math.NaN(), math.Inf(1), math.MaxFloat64, 5e-324}))
	rapid.Check(t, func(t *rapid.T) {
		c := Chart{Title: rapid.String().Draw(t, "title"), YLabel: "y", LogX: rapid.Bool().Draw(t, "log"), LogY: rapid.Bool().Draw(t, "log y"), MinSpan: rapid.SampledFrom([]float64{0, 10, 1e9}).Draw(t, "span")}
		for range rapid.IntRange(1, 4).Draw(t, "lines") {
			n := rapid.IntRange(0, 6).Draw(t, "n")
			c.Series = append(c.Series, Series{Name: rapid.StringN(0, 14, -1).Draw(t, "name"), X: rapid.SliceOfN(number, n, n).Draw(t, "x"), Y: rapid.SliceOfN(number, n, n).Draw(t, "y"), Dots: true})
		}
		for range rapid.IntRange(0, 3).Draw(t, "points") {
			c.Points = append(c.Points, Point{X: number.Draw(t, "px"), Y: number.Draw(t, "py"), Lo: number.Draw(t, "lo"), Hi: number.Draw(t, "hi"), Name: rapid.StringN(0, 14, -1).Draw(t, "name"), Kind: "offer"})
			c.Zones = append(c.Zones, Zone{From: number.Draw(t, "from"), To: number.Draw(t, "to"), Name: rapid.StringN(0, 14, -1).Draw(t, "zone")})
			c.Marks = append(c.Marks, Mark{At: number.Draw(t, "at"), Down: rapid.Bool().Draw(t, "down"), Limit: rapid.Bool().Draw(t, "limit"), Name: "limit"})
		}
		d, err := c.lay("x")
		if errors.Is(err, ErrEmpty) {
			return
		}
		in := func(what string, x, y float64) {
			if !(x >= -1 && x <= boxWidth+1 && y >= -1 && y <= boxHeight+1) {
				t.Fatalf("%s at %g, %g", what, x, y)
			}
		}
		for _, p := range d.Points {
			in("point", p.X, p.Y)
			in("point's name", p.TX, p.TY)
		}
		for _, m := range d.Marks {
			in("mark", m.X1, m.Y1)
			in("mark", m.X2, m.Y2)
			in("mark's name", m.TX, m.TY)
		}
		for _, z := range d.Zones {
			in("zone", z.X, z.Y)
			in("zone", z.X+z.Width, z.Y+z.Height)
		}
		for i, l := range d.Lines {
			in("label", l.LabelX, l.LabelY)
			for _, part := range l.Parts {
				for _, p := range strings.Fields(part) {
					x, y, _ := strings.Cut(p, ",")
					fx, _ := strconv.ParseFloat(x, 64)
					fy, err := strconv.ParseFloat(y, 64)
					if err != nil {
						t.Fatalf("point %q", p)
					}
					in("point", fx, fy)
				}
			}
			for _, m := range d.Lines[:i] {
				if math.Abs(m.LabelY-l.LabelY) < textSize {
					t.Fatalf("labels at %g and %g", m.LabelY, l.LabelY)
				}
			}
		}
		for _, x := range d.XTicks {
			in("tick", x.At, d.Base)
		}
		for _, y := range d.YTicks {
			in("tick", d.Left, y.At)
		}
		drawn(t, c)
	})
}

func TestRows(t *testing.T) {
	c := Chart{Series: []Series{{X: []float64{0, 2, 4}, Y: []float64{0, 20, 40}}, {X: []float64{1, 3}, Y: []float64{5, 7}}}}
	xs, ys := c.Rows(9)
	want := [][]float64{{0, math.NaN()}, {10, 5}, {20, 6}, {30, 7}, {40, math.NaN()}}
	if len(xs) != 5 {
		t.Fatalf("%v", xs)
	}
	for i, row := range want {
		for j, v := range row {
			if got := ys[i][j]; got != v && !(math.IsNaN(got) && math.IsNaN(v)) {
				t.Errorf("at %g: %v, want %v", xs[i], ys[i], row)
			}
		}
	}
	if xs, _ := c.Rows(3); len(xs) != 3 || xs[0] != 0 || xs[2] != 4 {
		t.Errorf("three rows: %v", xs)
	}
}

func BenchmarkWrite(b *testing.B) {
	s := Series{}
	for i := range 10000 {
		s.X, s.Y = append(s.X, float64(i)), append(s.Y, math.Sin(float64(i)/500))
	}
	for b.Loop() {
		if err := Write(io.Discard, Chart{Series: []Series{s}}); err != nil {
			b.Fatal(err)
		}
	}
}

// A change that counts as small looks small: with the span that the values could
// have, 24 to 26 of 60 is a thirtieth of the height.
func TestMinSpan(t *testing.T) {
	c := Chart{Series: []Series{{X: []float64{0, 1}, Y: []float64{24, 26}, Dots: true}}, MinSpan: 60}
	d, err := c.lay("x")
	if err != nil {
		t.Fatal(err)
	}
	dots := d.Lines[0].Dots
	if rise, high := dots[0][1]-dots[1][1], d.Base-d.Top; rise < 0.02*high || rise > 0.04*high {
		t.Errorf("2 of 60 rises %g of %g", rise, high)
	}
}

// Many proved tunes are one path, each place once; those with a name keep it, also beside them.
func TestCrowd(t *testing.T) {
	one, ten := 1.0, 10.0
	c := Chart{XMin: &one, XMax: &ten, YMin: &one, YMax: &ten, Points: []Point{{X: 5, Y: 5, Name: "near 5", Kind: "proved"}}}
	for i := range 900 {
		c.Points = append(c.Points, Point{X: 1 + 9*float64(i%3)/2, Y: 1 + float64(i%2), Kind: "proved"})
	}
	s := drawn(t, c)
	if n := strings.Count(s, "h0"); n != 6 || strings.Count(s, "<circle") != 1 || !strings.Contains(s, ">near 5</text>") {
		t.Errorf("%d places of 6, %d circles of 1:\n%s", n, strings.Count(s, "<circle"), s)
	}
}
