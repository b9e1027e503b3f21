package frame

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/internal/modeltest"
)

const deg = math.Pi / 180

func genCamera() *rapid.Generator[Camera] {
	return rapid.Custom(func(t *rapid.T) Camera {
		return Camera{
			Focal:         rapid.Float64Range(0.008, 0.6).Draw(t, "focal"),
			Magnification: rapid.SampledFrom([]float64{0, 0, 0.1, 1}).Draw(t, "magnification"),
			Squeeze:       rapid.SampledFrom([]float64{0, 1, 1.33, 2}).Draw(t, "squeeze"),
			Width:         rapid.Float64Range(0.005, 0.06).Draw(t, "width"), Height: rapid.Float64Range(0.004, 0.04).Draw(t, "height"),
			WidthPx: rapid.Float64Range(640, 9000).Draw(t, "px"),
		}
	})
}

// Published fields of view on 36 × 24 mm, printed to 0.1 deg (Ray, Applied
// Photographic Optics; from memory).
func TestPublishedFields(t *testing.T) {
	for focal, want := range map[float64][3]float64{
		20: {84.0, 61.9, 94.5}, 35: {54.4, 37.8, 63.4}, 85: {23.9, 16.1, 28.6}, 135: {15.2, 10.2, 18.2}, 200: {10.3, 6.9, 12.3},
	} {
		v := modeltest.Must(Camera{Focal: focal / 1000, Width: 0.036, Height: 0.024}.FOV())(t)
		for i, got := range []float64{v.H, v.V, v.D} {
			modeltest.Near(t, "field", got/deg, want[i], 0, 0.0501)
		}
	}
}

// A squeeze of 2 on half the width is the spherical lens on the whole width.
func TestSqueeze(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := genCamera().Draw(t, "camera")
		k.Squeeze = 2
		flat := k
		flat.Width, flat.Squeeze = 2*k.Width, 0
		if a, b := modeltest.Must(k.FOV())(t), modeltest.Must(flat.FOV())(t); a != b {
			t.Fatalf("%v, %v", a, b)
		}
		a, b := modeltest.Must(k.ShiftOf(0.01, 0.1))(t), modeltest.Must(flat.ShiftOf(0.01, 0.1))(t)
		if a != b {
			t.Fatalf("%v, %v", a, b)
		}
	})
}

func TestAnglesAndPixels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := genCamera().Draw(t, "camera")
		v := modeltest.Must(k.FOV())(t)
		modeltest.Near(t, "focal for the field", modeltest.Must(FocalFor(v.V, k.Height))(t), k.Focal*(1+k.Magnification), 1e-10, 0)
		// half the field is half the frame
		half := modeltest.Must(k.ShiftOf(v.H/2, 0))(t)
		modeltest.Near(t, "half the frame", half.Pct, 50, 1e-9, 0)
		// a shift and its inverse
		px := rapid.Float64Range(-500, 500).Draw(t, "px")
		a := modeltest.Must(k.AngleFor(px))(t)
		modeltest.Near(t, "inverse", modeltest.Must(k.ShiftOf(a, 0))(t).Px, px, 1e-9, 1e-9)
		// two errors in a row are their sum
		f, e1, e2 := rapid.Float64Range(-0.5, 0.5).Draw(t, "field"), rapid.Float64Range(-0.3, 0.3).Draw(t, "e1"), rapid.Float64Range(-0.3, 0.3).Draw(t, "e2")
		sum := modeltest.Must(k.ShiftOf(e1+e2, f))(t).Px
		modeltest.Near(t, "chain", modeltest.Must(k.ShiftOf(e1, f))(t).Px+modeltest.Must(k.ShiftOf(e2, f+e1))(t).Px, sum, 1e-9, 1e-9*half.FocalPx)
		// a turn during the exposure is a shift
		modeltest.Near(t, "blur", modeltest.Must(k.Blur(e1/0.02, 0.02))(t), modeltest.Must(k.ShiftOf(e1, 0))(t).Px, 1e-9, 1e-12)
		// a pan by Rotate moves the middle as ShiftOf says, a roll as RollShiftOf says
		modeltest.Near(t, "pan", modeltest.Must(k.Rotate(Turn{PanRight: e1}, 0, 0))(t).Px, math.Abs(modeltest.Must(k.ShiftOf(e1, 0))(t).Px), 1e-9, 1e-12)
		modeltest.Near(t, "roll", modeltest.Must(k.Rotate(Turn{RollClockwise: e1}, px, 40))(t).Px, modeltest.Must(RollShiftOf(e1, px, 40, k.WidthPx))(t).Px, 1e-9, 1e-9)
	})
}

// The directions are those of the field names.
func TestRotateDirections(t *testing.T) {
	k := Camera{Focal: 0.05, Width: 0.036, WidthPx: 3840}
	if m := modeltest.Must(k.Rotate(Turn{PanRight: 0.1}, 0, 0))(t); !(m.X < 0) || math.Abs(m.Y) > 1e-9 {
		t.Errorf("after a pan to the right the subject is on the left: %+v", m)
	}
	if m := modeltest.Must(k.Rotate(Turn{TiltUp: 0.1}, 0, 0))(t); !(m.Y > 0) || math.Abs(m.X) > 1e-9 {
		t.Errorf("after a tilt up the subject is low: %+v", m)
	}
	if m := modeltest.Must(k.Rotate(Turn{RollClockwise: 0.1}, 100, 0))(t); !(m.Y < 0) {
		t.Errorf("after a clockwise roll what was right is higher: %+v", m)
	}
}

func TestCrop(t *testing.T) {
	f, eq, err := Camera{Focal: 0.025, Width: 0.018, Height: 0.012}.Crop()
	if err != nil {
		t.Fatal(err)
	}
	modeltest.Near(t, "half the size", f, 2, 1e-12, 0)
	modeltest.Near(t, "equivalent", eq, 0.05, 1e-12, 0)
}

func TestRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	k := Camera{Focal: 0.05, Width: 0.036, Height: 0.024, WidthPx: 3840}
	with := func(f func(*Camera)) Camera { c := k; f(&c); return c }
	look := Look{View: View{H: 1, V: 1}, Up: 1, Down: 1}
	for name, f := range map[string]func() error{
		"focal 0":             func() error { _, err := with(func(k *Camera) { k.Focal = 0 }).FOV(); return err },
		"focal NaN":           func() error { _, err := with(func(k *Camera) { k.Focal = nan }).FOV(); return err },
		"squeeze negative":    func() error { _, err := with(func(k *Camera) { k.Squeeze = -1 }).FOV(); return err },
		"no height":           func() error { _, err := with(func(k *Camera) { k.Height = 0 }).FOV(); return err },
		"magnification":       func() error { _, err := with(func(k *Camera) { k.Magnification = -0.5 }).FOV(); return err },
		"no pixels":           func() error { _, err := with(func(k *Camera) { k.WidthPx = 0 }).ShiftOf(0.1, 0); return err },
		"field beyond":        func() error { _, err := k.ShiftOf(0.1, 2); return err },
		"error beyond":        func() error { _, err := k.ShiftOf(1, 1); return err },
		"angle NaN":           func() error { _, err := k.ShiftOf(nan, 0); return err },
		"px infinite":         func() error { _, err := k.AngleFor(inf); return err },
		"angle of 180":        func() error { _, err := FocalFor(math.Pi, 1); return err },
		"width 0":             func() error { _, err := FocalFor(1, 0); return err },
		"roll NaN":            func() error { _, err := RollShiftOf(nan, 1, 1, 100); return err },
		"roll without frame":  func() error { _, err := RollShiftOf(0.1, 1, 1, 0); return err },
		"rotate NaN":          func() error { _, err := k.Rotate(Turn{TiltUp: nan}, 0, 0); return err },
		"rotate point NaN":    func() error { _, err := k.Rotate(Turn{}, nan, 0); return err },
		"rotate out of sight": func() error { _, err := k.Rotate(Turn{PanRight: 3}, 0, 0); return err },
		"rotate to 90 deg":    func() error { _, err := k.Rotate(Turn{PanRight: math.Pi / 2}, 0, 0); return err },
		"exposure negative":   func() error { _, err := k.Blur(1, -1); return err },
		"turn too far":        func() error { _, err := k.Blur(100, 1); return err },
		"rate NaN":            func() error { _, err := k.Blur(nan, 1); return err },
		"crop":                func() error { _, _, err := with(func(k *Camera) { k.Width = -1 }).Crop(); return err },
		"view":                func() error { _, err := Look{View: View{H: 1, V: 4}, Up: 1, Down: 1}.TiltLimits(nil); return err },
		"view NaN":            func() error { _, err := Look{View: View{H: nan, V: 1}, Up: 1, Down: 1}.TiltLimits(nil); return err },
		"travel":              func() error { l := look; l.Up = 4; _, err := l.TiltLimits(nil); return err },
		"margin":              func() error { l := look; l.Margin = -1; _, err := l.TiltLimits(nil); return err },
		"pupil":               func() error { l := look; l.Pupil[0] = inf; _, err := l.TiltLimits(nil); return err },
		"place":               func() error { _, err := look.TiltLimits([]Obstacle{{Place: [3]float64{nan, 0, 0}}}); return err },
		"radius":              func() error { _, err := look.TiltLimits([]Obstacle{{Radius: -1}}); return err },
		"no direction":        func() error { _, err := look.TiltLimits([]Obstacle{{Far: true}}); return err },
		"wide direction":      func() error { _, err := look.TiltLimits([]Obstacle{Direction("ring", 0, 1, 2)}); return err },
		"ring of 2":           func() error { _, err := Ring("ring", [3]float64{}, [3]float64{1, 0, 0}, 1, 0, 2); return err },
		"ring without axis":   func() error { _, err := Ring("ring", [3]float64{}, [3]float64{}, 1, 0, 8); return err },
		"ring radius":         func() error { _, err := Ring("ring", [3]float64{}, [3]float64{1, 0, 0}, 0, 0, 8); return err },
	} {
		modeltest.WantDomain(t, name, f())
	}
}

func BenchmarkRotate(b *testing.B) {
	k := Camera{Focal: 0.035, Width: 0.036, WidthPx: 3840}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := k.Rotate(Turn{0.01, -0.02, 0.03}, 1200, -640); err != nil {
			b.Fatal(err)
		}
	}
}
