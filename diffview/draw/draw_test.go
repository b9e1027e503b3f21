package draw

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

	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// block is a build of one box with a known place, and a gimbal with a clear box.
func block() Build {
	return Build{Name: "block", Parts: []Part{{Name: "Body", Solid: mass.Part{Name: "body", Shape: mass.Box, Mass: 1, Size: mass.Vec{0.1, 0.06, 0.08}}}},
		Clear: &fit.Box{Min: mass.Vec{-0.1, -0.1, -0.1}, Max: mass.Vec{0.1, 0.1, 0.1}}, Radius: [3]float64{0.2, 0.15, 0.12}, Tilt: &[2]float64{45, 60}, Marks: []Mark{{Axis: 0, Text: "fore-aft plate 59 mm", By: -0.003}, {Axis: 2, Text: "riser 13 mm", By: 0.0002}}}
}

// extent of the first shape of a view.
func extent(t *testing.T, v View) (w, h float64) {
	t.Helper()
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range strings.Fields(v.Shapes[0].Points) {
		a, b, _ := strings.Cut(p, ",")
		x, err := strconv.ParseFloat(a, 64)
		if err != nil {
			t.Fatal(err)
		}
		y, err := strconv.ParseFloat(b, 64)
		if err != nil {
			t.Fatal(err)
		}
		x0, y0, x1, y1 = math.Min(x0, x), math.Min(y0, y), math.Max(x1, x), math.Max(y1, y)
	}
	return x1 - x0, y1 - y0
}

// The three views have one scale, which is that of the bar: 100 by 60 by 80 mm.
func TestToScale(t *testing.T) {
	views, err := block().Views("v")
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][2]float64{{100, 80}, {100, 60}, {60, 80}} {
		v := views[i]
		var mm float64
		for _, l := range v.Labels {
			if n, ok := strings.CutSuffix(l.Text, " mm"); ok && !strings.Contains(n, " ") {
				mm, _ = strconv.ParseFloat(n, 64)
			}
		}
		scale := (v.Bar.X2 - v.Bar.X1) / mm
		w, h := extent(t, v)
		if math.Abs(w/scale-want[0]) > 0.5 || math.Abs(h/scale-want[1]) > 0.5 {
			t.Errorf("%s: %.1f by %.1f mm by its own scale, want %v", v.Name, w/scale, h/scale, want)
		}
		if r := v.Circle.R / scale; math.Abs(r-[]float64{150, 200, 120}[i]) > 0.5 {
			t.Errorf("%s: clear radius %.1f mm", v.Name, r)
		}
	}
	text := views[0].words()
	for _, want := range []string{"Body", "tilt up 45°", "tilt down 60°", "clear box", "tilt radius 150 mm", "fore-aft plate 59 mm", "pan axis", "roll axis"} {
		if !strings.Contains(text, want) {
			t.Errorf("the side view lacks %q: %s", want, text)
		}
	}
	if len(views[0].Arrows) != 1 || views[0].Arrows[0].Line.X2 > views[0].Arrows[0].Line.X1 {
		t.Errorf("back 3 mm has the arrows %+v", views[0].Arrows)
	}
}

func (v View) words() string {
	var out []string
	for _, l := range v.Labels {
		out = append(out, l.Text)
	}
	return strings.Join(out, "|")
}

// What does not fit is marked and named, and what comes into frame too.
func TestOver(t *testing.T) {
	sheet := &schema.Sheet{Name: "Quay", PayloadMax: 4, Box: &[3]float64{0.3, 0.2, 0.1}}
	r := preset.Rig{Alias: "tall", Parts: []preset.Part{{Slot: "body", Name: "Body", Shape: "box", Mass: 2, Size: [3]float64{0.1, 0.1, 0.08}}, {Slot: "monitor", Name: "Tall monitor", Shape: "box", Mass: 0.1, Size: [3]float64{0.02, 0.1, 0.1}, Place: [3]float64{-0.06, 0, 0.06}}}}
	b, rep, err := Of(r, sheet, nil, preset.FitLimits(sheet))
	if err != nil {
		t.Fatal(err)
	}
	if rep.Grade != fit.Over || len(b.Over()) != 1 || !strings.HasPrefix(b.Over()[0], "Tall monitor: 50 mm over") {
		t.Fatalf("%v: %q", rep.Grade, b.Over())
	}
	b.Tilt, b.Frame[1] = &[2]float64{45, 90}, Reach{67, "Ring foot"}
	views, err := b.Views("v")
	if err != nil {
		t.Fatal(err)
	}
	if s := views[0].words(); !strings.Contains(s, "✗ Tall monitor") || !strings.Contains(s, "✗ Ring foot from 67°") || len(views[0].Arc.Bad) != 1 {
		t.Errorf("%s, %d", s, len(views[0].Arc.Bad))
	}
	var out bytes.Buffer
	if err := b.Write(&out); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "does not fit: Tall monitor") {
		t.Error("the file does not name what does not fit")
	}
}

func TestNothing(t *testing.T) {
	if _, err := (Build{}).Views("v"); !errors.Is(err, ErrNothing) {
		t.Errorf("nothing is drawn: %v", err)
	}
}

// Labels stay in their view, hostile names cannot get out as markup, and no build panics.
func TestInTheView(t *testing.T) {
	size := rapid.Float64Range(0.001, 0.4)
	rapid.Check(t, func(t *rapid.T) {
		b := block()
		for range rapid.IntRange(0, 6).Draw(t, "n") {
			p := mass.Part{Shape: rapid.SampledFrom([]mass.Shape{mass.Box, mass.Cylinder, mass.Sphere, mass.Point, mass.MassOnly}).Draw(t, "shape"),
				Size: mass.Vec{size.Draw(t, "a"), size.Draw(t, "b"), size.Draw(t, "c")}, Radius: size.Draw(t, "r"), Length: size.Draw(t, "l"), Place: mass.Vec{size.Draw(t, "x") - 0.2, size.Draw(t, "y") - 0.2, size.Draw(t, "z") - 0.2}}
			b.Parts = append(b.Parts, Part{Name: rapid.String().Draw(t, "name"), Solid: p, Side: 0.05, Over: rapid.SampledFrom([]string{"", "3 mm over"}).Draw(t, "over")})
		}
		b.Name = rapid.String().Draw(t, "rig")
		views, err := b.Views("v")
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range views {
			for _, l := range v.Labels {
				if l.X < 0 || l.X > width || l.Y < 0 || l.Y > v.Height {
					t.Fatalf("%q at %g, %g", l.Text, l.X, l.Y)
				}
			}
		}
		var out bytes.Buffer
		if err := b.Write(&out); err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(&out)
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
	})
}
