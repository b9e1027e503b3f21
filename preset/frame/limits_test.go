package frame

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
)

// inFrame says by plain rotation whether a point is seen with the camera tilted up by t.
func inFrame(k Look, p [3]float64, t float64) bool {
	s, c := math.Sincos(t)
	x := c*p[0] + s*p[2] - k.Pupil[0]
	z := -s*p[0] + c*p[2] - k.Pupil[2]
	y := p[1] - k.Pupil[1]
	m := 1 + k.Margin
	return x >= 0 && math.Abs(y) <= x*math.Tan(k.View.H/2)*m && math.Abs(z) <= x*math.Tan(k.View.V/2)*m
}

func genLook() *rapid.Generator[Look] {
	return rapid.Custom(func(t *rapid.T) Look {
		a := rapid.Float64Range(0.05, 2.2)
		f := rapid.Float64Range(-0.15, 0.15)
		k := Look{View: View{H: a.Draw(t, "h"), V: a.Draw(t, "v")}, Up: rapid.Float64Range(0, math.Pi).Draw(t, "up"), Down: rapid.Float64Range(0, math.Pi).Draw(t, "down")}
		if rapid.Bool().Draw(t, "lens ahead of the axis") {
			k.Pupil = [3]float64{f.Draw(t, "ex"), f.Draw(t, "ey"), f.Draw(t, "ez")}
		}
		k.Margin = rapid.SampledFrom([]float64{0, 0, 0.1}).Draw(t, "margin")
		return k
	})
}

func TestTiltLimitsAgainstADenseSweep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := genLook().Draw(t, "look")
		f := rapid.Float64Range(-0.4, 0.4)
		var parts []Obstacle
		for range rapid.IntRange(1, 3).Draw(t, "parts") {
			parts = append(parts, Obstacle{Name: "p", Place: [3]float64{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}})
		}
		got := modeltest.Must(k.TiltLimits(parts))(t)
		seen := func(tilt float64) bool {
			for _, o := range parts {
				if inFrame(k, o.Place, tilt) {
					return true
				}
			}
			return false
		}
		if seen(0) != (len(got.Always) > 0) {
			t.Fatalf("seen at level %v, always %v", seen(0), got.Always)
		}
		if seen(0) {
			if got.Up.Limit != 0 || got.Down.Limit != 0 {
				t.Fatalf("a part is in frame at level, yet %+v", got)
			}
			return
		}
		for _, side := range []struct {
			Side
			sign, travel float64
		}{{got.Up, 1, k.Up}, {got.Down, -1, k.Down}} {
			const n = 3000
			for i := range n + 1 {
				// the frame is free up to the limit
				if tilt := side.Limit * float64(i) / n * (1 - 1e-9); seen(side.sign * tilt) {
					t.Fatalf("seen at %g, before the limit %+v", side.sign*tilt, side)
				}
			}
			if side.By == "" {
				if side.Limit != side.travel {
					t.Fatalf("no part named, yet limited to %g of %g", side.Limit, side.travel)
				}
				continue
			}
			// and no longer just past it, however short the visit
			past := false
			for _, step := range []float64{1e-9, 1e-7, 1e-5, 1e-3} {
				past = past || seen(side.sign*(side.Limit+step))
			}
			if !past {
				t.Fatalf("not seen past the limit %+v", side)
			}
		}
	})
}

// A ball is never let into frame: no point of it is seen within the limits.
func TestBallsStayOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := genLook().Draw(t, "look")
		f := rapid.Float64Range(-0.4, 0.4)
		o := Obstacle{Name: "foot", Place: [3]float64{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}, Radius: rapid.Float64Range(0, 0.08).Draw(t, "r")}
		got := modeltest.Must(k.TiltLimits([]Obstacle{o}))(t)
		point := modeltest.Must(k.TiltLimits([]Obstacle{{Name: "foot", Place: o.Place}}))(t)
		if got.Up.Limit > point.Up.Limit+1e-12 || got.Down.Limit > point.Down.Limit+1e-12 {
			t.Fatalf("a ball allows more than its centre: %+v, %+v", got, point)
		}
		if len(got.Always) > 0 {
			return
		}
		for i := range 300 {
			tilt := -got.Down.Limit + (got.Down.Limit+got.Up.Limit)*float64(i)/299
			tilt *= 1 - 1e-9
			for j := range 60 {
				// points over the ball by the golden angle
				z := 1 - 2*(float64(j)+0.5)/60
				s, c := math.Sincos(2.399963 * float64(j))
				w := math.Sqrt(1-z*z) * o.Radius
				p := [3]float64{o.Place[0] + w*c, o.Place[1] + w*s, o.Place[2] + z*o.Radius}
				if inFrame(k, p, tilt) {
					t.Fatalf("seen at %g within %+v", tilt, got)
				}
			}
		}
	})
}

func TestTiltLimitsByHand(t *testing.T) {
	look := Look{View: View{H: 60 * deg, V: 40 * deg}, Up: 90 * deg, Down: 90 * deg}
	for _, c := range []struct {
		name     string
		look     Look
		part     Obstacle
		up, down float64
		upBy     string
	}{
		// a handle straight above comes in once the top edge, 20 deg up, meets it
		{"straight above", look, Direction("handle", 0, 90*deg, 0), 70, 90, "handle"},
		{"above, 5 deg wide", look, Direction("handle", 0, 90*deg, 5*deg), 65, 90, "handle"},
		{"60 deg up", look, Direction("handle", 0, 60*deg, 0), 40, 90, "handle"},
		{"30 deg down", look, Direction("foot", 0, -30*deg, 0), 90, 10, ""},
		{"out to the left", look, Direction("hand", 80*deg, 0, 0), 90, 90, ""},
		{"as a place, lens on the axis", look, Obstacle{Name: "handle", Place: [3]float64{0, 0, 0.3}}, 70, 90, "handle"},
		// lens 100 mm ahead of the axis, bar 100 mm ahead and 200 mm up: level it is straight above the lens;
		// tilted by t the bar is at √5 · 100 mm and 63.43 deg - t, seen when tan(20 deg) = z/(x - 100 mm)
		{"lens ahead of the axis", Look{View: look.View, Pupil: [3]float64{0.1, 0, 0}, Up: 90 * deg, Down: 90 * deg}, Obstacle{Name: "bar", Place: [3]float64{0.1, 0, 0.2}}, math.Atan2(0.2, 0.1)/deg - (20 + math.Asin(-0.1*math.Sin(20*deg)/(0.1*math.Sqrt(5)))/deg), 90, "bar"},
	} {
		got := modeltest.Must(c.look.TiltLimits([]Obstacle{c.part}))(t)
		modeltest.Near(t, c.name+": up", got.Up.Limit/deg, c.up, 0, 1e-9)
		modeltest.Near(t, c.name+": down", got.Down.Limit/deg, c.down, 0, 1e-9)
		if got.Up.By != c.upBy || len(got.Always) != 0 {
			t.Errorf("%s: %+v", c.name, got)
		}
	}

	// a hand 35 deg to the left and 40 deg up meets the side of a tall frame, not its top: y = x tan(30 deg)
	tall := Look{View: View{H: 60 * deg, V: 100 * deg}, Up: 90 * deg, Down: 90 * deg}
	x, y, z := math.Cos(40*deg)*math.Cos(35*deg), math.Cos(40*deg)*math.Sin(35*deg), math.Sin(40*deg)
	side := modeltest.Must(tall.TiltLimits([]Obstacle{Direction("hand", 35*deg, 40*deg, 0)}))(t)
	modeltest.Near(t, "by the side", side.Up.Limit, math.Atan2(z, x)-math.Acos(y/math.Tan(30*deg)/math.Hypot(x, z)), 0, 1e-12)

	// a ball that comes round behind a long lens, near enough to touch it, counts from one radius behind; farther back it does not
	long := Look{View: View{H: 10 * deg, V: 10 * deg}, Pupil: [3]float64{0.1, 0, 0}, Up: 90 * deg, Down: 90 * deg}
	touch := modeltest.Must(long.TiltLimits([]Obstacle{{Name: "knob", Place: [3]float64{0, 0, 0.081}, Radius: 0.02}}))(t)
	modeltest.Near(t, "behind the lens, touching", touch.Up.Limit, math.Pi/2-math.Acos(0.08/0.081), 0, 1e-12)
	clear := modeltest.Must(long.TiltLimits([]Obstacle{{Name: "knob", Place: [3]float64{0, 0, 0.06}, Radius: 0.02}}))(t)
	if clear.Up.By != "" {
		t.Errorf("behind the lens, clear of it: %+v", clear)
	}

	// the margin keeps more than the frame free
	wide := look
	wide.Margin = 0.2
	modeltest.Near(t, "margin", modeltest.Must(wide.TiltLimits([]Obstacle{Direction("handle", 0, 90*deg, 0)}))(t).Up.Limit, math.Pi/2-math.Atan(1.2*math.Tan(20*deg)), 0, 1e-12)

	got := modeltest.Must(look.TiltLimits([]Obstacle{
		{Name: "arm", Place: [3]float64{0.2, 0.02, 0}, TiltsAlong: true},
		{Name: "behind", Place: [3]float64{-0.2, 0, 0}, TiltsAlong: true},
	}))(t)
	if strings.Join(got.Always, " ") != "arm" || got.Up.Limit != look.Up || got.Down.Limit != look.Down {
		t.Errorf("a part that tilts along: %+v", got)
	}
	got = modeltest.Must(look.TiltLimits([]Obstacle{{Name: "ring", Place: [3]float64{0.2, 0.02, 0}}}))(t)
	if strings.Join(got.Always, " ") != "ring" || got.Up.Limit != 0 || got.Down.Limit != 0 {
		t.Errorf("a part in frame at level: %+v", got)
	}
}

// The balls of a ring cover it and stand out by less than is stated.
func TestRing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-1, 1)
		var axis, centre [3]float64
		for i := range 3 {
			axis[i], centre[i] = f.Draw(t, "axis"), f.Draw(t, "centre")
		}
		if math.Hypot(math.Hypot(axis[0], axis[1]), axis[2]) < 0.1 {
			axis[2] = 1
		}
		r, n := rapid.Float64Range(0.01, 0.4).Draw(t, "r"), rapid.IntRange(3, 40).Draw(t, "n")
		balls := modeltest.Must(Ring("ring", centre, axis, r, 0.005, n))(t)
		if len(balls) != n || balls[0].Radius > 0.005+r*math.Pi/float64(n) {
			t.Fatalf("%d balls of %g", len(balls), balls[0].Radius)
		}
		dist := func(a, b [3]float64) float64 {
			return math.Hypot(math.Hypot(a[0]-b[0], a[1]-b[1]), a[2]-b[2])
		}
		for i, b := range balls {
			modeltest.Near(t, "radius", dist(b.Place, centre), r, 1e-12, 1e-15)
			dot := 0.0
			for j := range 3 {
				dot += (b.Place[j] - centre[j]) * axis[j]
			}
			modeltest.Near(t, "in the plane", dot, 0, 0, 1e-12)
			// half-way along the arc to the next is covered from both
			next := balls[(i+1)%n].Place
			var mid [3]float64
			for j := range 3 {
				mid[j] = (b.Place[j]+next[j])/2 - centre[j]
			}
			l := dist(mid, [3]float64{})
			for j := range 3 {
				mid[j] = centre[j] + mid[j]/l*r
			}
			if dist(mid, b.Place) > b.Radius-0.005+1e-12 {
				t.Fatal("the arc between two balls is not covered")
			}
		}
	})
}

func BenchmarkTiltLimits(b *testing.B) {
	ring, err := Ring("ring", [3]float64{0, 0, 0.1}, [3]float64{1, 0, 0}, 0.2, 0.01, 360)
	if err != nil {
		b.Fatal(err)
	}
	look := Look{View: View{H: 70 * deg, V: 50 * deg}, Pupil: [3]float64{0.08, 0, 0}, Up: 90 * deg, Down: 90 * deg}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := look.TiltLimits(ring); err != nil {
			b.Fatal(err)
		}
	}
}
