package preset

import (
	"math"
	"strings"
	"testing"

	"rigkeep/schema"
)

// 50 mm on 36 × 24 mm sees 39.6° by 27.0°, 46.8° corner to corner. Source: public
// field-of-view tables (from memory, as case e1 of the check values). One of 6000
// pixels is atan(1/8333.3); a corner 3605.6 px out turns by 1/3605.6 rad.
func TestSight(t *testing.T) {
	s, r := stand(true), Rig{}
	see, err := See(s, r, nil, Lens{Focal: 0.05, Width: 0.036, Height: 0.024, WidthPx: 6000})
	if err != nil {
		t.Fatal(err)
	}
	for what, x := range map[string][2]float64{
		"across": {see.FOV.Across, 39.59775271}, "up and down": {see.FOV.UpDown, 26.99146656}, "corners": {see.FOV.Corners, 46.79300334},
		"pixel": {*see.PixelDeg, math.Atan(1/(50.0/36*6000)) * 180 / math.Pi}, "roll": {*see.RollPixelDeg, 180 / math.Pi / (3000 * math.Hypot(1, 24.0/36))},
		"percent": {see.PercentDeg, math.Atan(36.0/50/100) * 180 / math.Pi},
	} {
		if math.Abs(x[0]-x[1]) > 1e-7 {
			t.Errorf("%s: %v, want %v", what, x[0], x[1])
		}
	}
	if see.Limits != nil || !strings.Contains(see.PupilGuess, "no lens") {
		t.Errorf("%+v", see)
	}
	// squeezed by two it sees twice the width, and a corner is 1.054 half-widths out
	wide, err := See(s, r, nil, Lens{Focal: 0.05, Width: 0.036, Height: 0.024, Squeeze: 2, WidthPx: 6000})
	if err != nil || math.Abs(wide.FOV.Across-2*math.Atan(36.0/50)*180/math.Pi) > 1e-9 || wide.FOV.UpDown != see.FOV.UpDown {
		t.Errorf("%+v %v", wide, err)
	}
	if got := *wide.RollPixelDeg * math.Pi / 180 * 3000 * math.Hypot(1, 24.0/72); math.Abs(got-1) > 1e-6 {
		t.Errorf("a corner moves %v px", got)
	}
	// without pixels the angle of one is not known, and the share of the frame is
	if see, err = See(s, r, nil, Lens{Focal: 0.05, Width: 0.036, Height: 0.024}); err != nil || see.PixelDeg != nil || see.PercentDeg == 0 {
		t.Errorf("%+v %v", see, err)
	}
	for name, l := range map[string]Lens{
		"no focal length": {Width: 0.036, Height: 0.024}, "no height": {Focal: 0.05, Width: 0.036}, "negative squeeze": {Focal: 0.05, Width: 0.036, Height: 0.024, Squeeze: -1},
		"negative pixels": {Focal: 0.05, Width: 0.036, Height: 0.024, WidthPx: -5}, "not a number": {Focal: math.NaN(), Width: 0.036, Height: 0.024},
	} {
		if _, err := See(s, r, nil, l); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

// A point straight below the lens, 100 mm ahead of it when level: in frame once the
// camera looks down by the angle to it less half the view.
func TestTiltLimitsOfABuild(t *testing.T) {
	s := stand(true)
	up, down := 60.0, 90.0
	s.TiltUpDeg, s.TiltDownDeg = &up, &down
	s.Axes[schema.Tilt].Point = [3]float64{0, 0, 0.01}
	s.Obstacles = []schema.Obstacle{{Name: "left foot", Place: [3]float64{0.1, 0, -0.19}}}
	lens := Part{Slot: "lens", Name: "prime", Shape: "cylinder", Mass: 0.5, Diameter: 0.08, Length: 0.1, Place: [3]float64{0.08, 0, 0}}
	at := 0.0
	l := Lens{Focal: 0.05, Width: 0.036, Height: 0.024, Pupil: &at}
	tune := tuneAt(20)
	tune.Values["limits.tilt.down_deg"], tune.Values["limits.tilt.up_deg"] = 60.0, 45.0
	see, err := See(s, Rig{}, &tune, l)
	if err != nil {
		t.Fatal(err)
	}
	// the lens sees from 10 mm below the tilt axis: turned down by θ the foot lies at
	// (0.1 cos θ + 0.2 sin θ, -0.2 cos θ + 0.1 sin θ) from the axis, seen from (0, -0.01)
	half := see.FOV.UpDown / 2 * math.Pi / 180
	lo, hi := 0.0, math.Pi/2
	for range 60 {
		a := (lo + hi) / 2
		x, z := 0.1*math.Cos(a)+0.2*math.Sin(a), 0.1*math.Sin(a)-0.2*math.Cos(a)+0.01
		if math.Atan2(-z, x) > half {
			lo = a
		} else {
			hi = a
		}
	}
	if got, want := see.Limits.Down, lo*180/math.Pi; math.Abs(got-want) > 1e-6 || see.Limits.DownBy != "left foot" {
		t.Errorf("%+v, want %v° down", see.Limits, want)
	}
	if see.Limits.Up != 60 || see.Limits.UpBy != "" || len(see.Limits.Always) != 0 {
		t.Errorf("%+v", see.Limits)
	}
	if len(see.Limits.Beyond) != 1 || !strings.Contains(see.Limits.Beyond[0], "the tune allows 60° down, but left foot is in view from") {
		t.Errorf("%v", see.Limits.Beyond)
	}
	// without a word on it the middle of the lens is taken, and said
	l.Pupil = nil
	if see, err = See(s, Rig{Parts: []Part{lens}}, nil, l); err != nil || see.Pupil != 0.08 || !strings.Contains(see.PupilGuess, "middle of prime") || see.Limits.Beyond == nil {
		t.Errorf("%+v %v", see, err)
	}
}
