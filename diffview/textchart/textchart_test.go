package textchart

import (
	"errors"
	"math"
	"math/rand"
	"strings"
	"testing"

	"github.com/mattn/go-runewidth"

	"rigkeep/diffview/svg"
)

func TestDraw(t *testing.T) {
	c := svg.Chart{XLabel: "time, s", YLabel: "angle", Series: []svg.Series{
		{Name: "handle", X: []float64{0, 1, 2}, Y: []float64{0, 10, 10}},
		{Name: "camera", X: []float64{0, 2}, Y: []float64{0, 10}},
	}, Marks: []svg.Mark{{Name: "limit", At: 5}}}
	got, err := Draw(c, 34, 5, true)
	if err != nil {
		t.Fatal(err)
	}
	want := `angle
10 |              ****************
   |          ****     ooooooo
   |......****.oooooooo...........
   |  ****ooooo
 0 |**oo
   +------------------------------
    0          time, s           2
    * handle  o camera  . limit
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Whatever is drawn: no line is too wide, no point falls off, nothing hidden gets
// through, and ASCII is ASCII.
func TestDrawHolds(t *testing.T) {
	for seed := range int64(400) {
		rng := rand.New(rand.NewSource(seed))
		c := svg.Chart{XLabel: "x\x1b[2J", YLabel: "y", LogX: rng.Intn(3) == 0}
		odd := []float64{math.NaN(), math.Inf(1), 0, -1, 1e300, -1.7e308, 1e-300, 5}
		for i := range 1 + rng.Intn(8) {
			s := svg.Series{Name: strings.Repeat("n", rng.Intn(60)) + "\u202e", Dots: i%2 == 0}
			for j := range rng.Intn(50) {
				s.X = append(s.X, float64(j))
				y := rng.NormFloat64()
				if rng.Intn(9) == 0 {
					y = odd[rng.Intn(len(odd))]
				}
				s.Y = append(s.Y, y)
			}
			c.Series = append(c.Series, s)
		}
		c.Marks = []svg.Mark{{Name: "m", At: rng.NormFloat64()}, {Name: "d", At: 3, Down: true}}
		w := 30 + rng.Intn(100)
		text, err := Draw(c, w, 4+rng.Intn(20), true)
		if errors.Is(err, svg.ErrEmpty) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range strings.Split(text, "\n") {
			if runewidth.StringWidth(l) > w {
				t.Fatalf("seed %d: %d columns of %d: %q", seed, runewidth.StringWidth(l), w, l)
			}
			for _, r := range l {
				if r > 126 || r < ' ' {
					t.Fatalf("seed %d: %q", seed, l)
				}
			}
		}
	}
	if _, err := Draw(svg.Chart{Series: []svg.Series{{X: []float64{1}, Y: []float64{math.NaN()}}}}, 80, 10, false); !errors.Is(err, svg.ErrEmpty) {
		t.Error(err)
	}
}

func BenchmarkDraw(b *testing.B) {
	var s svg.Series
	for i := range 1000 {
		s.X, s.Y = append(s.X, float64(i)), append(s.Y, math.Sin(float64(i)/50))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Draw(svg.Chart{Series: []svg.Series{s, s}}, 78, 14, false); err != nil {
			b.Fatal(err)
		}
	}
}
