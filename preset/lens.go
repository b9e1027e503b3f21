package preset

import (
	"fmt"
	"math"

	"rigkeep/preset/frame"
	"rigkeep/schema"
)

// Lens is what the camera sees through; lengths in m.
type Lens struct {
	Focal, Width, Height   float64 // focal length; sensor area used
	Squeeze, Magnification float64 // 0 is a spherical lens, focused at infinity
	WidthPx                float64 // across the recorded frame, 0 unknown
	// Pupil is how far ahead of the axis centre the lens sees from; nil takes
	// the middle of the build's lens, or the crossing itself where it has none.
	Pupil *float64
}

// LensView is what a lens sees and how steady the head has to hold for it.
type LensView struct {
	FOV struct {
		Across  float64 `json:"across"`
		UpDown  float64 `json:"up_down"`
		Corners float64 `json:"corner_to_corner"`
	} `json:"field_of_view_deg"`
	// Errors of pan or tilt that move the middle of the frame by one pixel and by a
	// hundredth of the frame's width, and of roll that move its corner by one pixel.
	// Nil without pixels.
	PixelDeg     *float64 `json:"one_pixel_deg"`
	RollPixelDeg *float64 `json:"one_pixel_roll_deg"`
	PercentDeg   float64  `json:"one_percent_deg"`

	Pupil      float64 `json:"pupil_m"` // ahead of the axis centre
	PupilGuess string  `json:"pupil_assumed,omitempty"`
	// Limits keep the gimbal's own parts out of frame; nil where the sheet lists none.
	Limits *TiltLimits `json:"tilt_limits"`
}

// TiltLimits are tilt limits that keep the gimbal's own parts out of frame, deg.
type TiltLimits struct {
	Up     float64  `json:"up_deg"`
	UpBy   string   `json:"up_by"` // the part that comes into frame first, "" where the travel ends before
	Down   float64  `json:"down_deg"`
	DownBy string   `json:"down_by"`
	Always []string `json:"in_frame_at_level"` // what no limit keeps out
	// Beyond says where the tune lets the head go further.
	Beyond []string `json:"tune_goes_beyond"`
}

// See works out what a lens sees on a rig. t may be nil.
//
// Source: frame.Camera.FOV, AngleFor and frame.Look.TiltLimits; chord 2 r sin(a/2) for roll.
func See(s *schema.Sheet, r Rig, t *Tune, l Lens) (LensView, error) {
	var out LensView
	cam := frame.Camera{Focal: l.Focal, Width: l.Width, Height: l.Height, Squeeze: l.Squeeze, Magnification: l.Magnification, WidthPx: l.WidthPx}
	v, err := cam.FOV()
	if err != nil {
		return out, err
	}
	out.FOV.Across, out.FOV.UpDown, out.FOV.Corners = deg(v.H), deg(v.V), deg(v.D)
	hundred := cam
	hundred.WidthPx = 100
	one, err := hundred.AngleFor(1)
	if err != nil {
		return out, err
	}
	out.PercentDeg = deg(one)
	if l.WidthPx > 0 {
		px, err := cam.AngleFor(1)
		if err != nil {
			return out, err
		}
		squeeze := l.Squeeze
		if squeeze == 0 {
			squeeze = 1
		}
		corner := l.WidthPx / 2 * math.Hypot(1, l.Height/(l.Width*squeeze))
		a, roll := deg(px), deg(2*math.Asin(math.Min(1, 0.5/corner)))
		out.PixelDeg, out.RollPixelDeg = &a, &roll
	}
	place, guess := pupil(r, l.Pupil)
	out.Pupil, out.PupilGuess = place[0], guess
	if len(s.Obstacles) == 0 {
		return out, nil
	}
	look := frame.Look{View: v, Pupil: place, Up: math.Pi, Down: math.Pi}
	if s.TiltUpDeg != nil {
		look.Up = *s.TiltUpDeg * math.Pi / 180
	}
	if s.TiltDownDeg != nil {
		look.Down = *s.TiltDownDeg * math.Pi / 180
	}
	// places count from the axis centre, the model's from a point on the tilt axis
	tilt := s.Axes[schema.Tilt].Point
	var parts []frame.Obstacle
	for _, o := range s.Obstacles {
		p := frame.Obstacle{Name: o.Name, Place: o.Place, Radius: o.Radius}
		for i := range tilt {
			p.Place[i] -= tilt[i]
		}
		parts = append(parts, p)
	}
	for i := range tilt {
		look.Pupil[i] -= tilt[i]
	}
	lim, err := look.TiltLimits(parts)
	if err != nil {
		return out, err
	}
	// where the travel ends first the limit is the sheet's own number, not one gone through radians
	end := func(x frame.Side, travel *float64) float64 {
		if x.By == "" && travel != nil {
			return *travel
		}
		return deg(x.Limit)
	}
	out.Limits = &TiltLimits{Up: end(lim.Up, s.TiltUpDeg), UpBy: lim.Up.By, Down: end(lim.Down, s.TiltDownDeg), DownBy: lim.Down.By, Always: append([]string{}, lim.Always...), Beyond: []string{}}
	if t != nil {
		for _, x := range []struct {
			key, way, by string
			limit        float64
		}{{"limits.tilt.up_deg", "up", lim.Up.By, out.Limits.Up}, {"limits.tilt.down_deg", "down", lim.Down.By, out.Limits.Down}} {
			if v, ok := t.Num(x.key); ok && v > x.limit+1e-9 && x.by != "" {
				out.Limits.Beyond = append(out.Limits.Beyond, fmt.Sprintf("the tune allows %s° %s, but %s is in view from %s°", schema.Num(v), x.way, x.by, schema.Num(Rounded(x.limit, 3))))
			}
		}
	}
	return out, nil
}

func deg(rad float64) float64 { return rad * 180 / math.Pi }

// pupil is where the lens sees from, and what was assumed for it.
func pupil(r Rig, given *float64) (place [3]float64, guess string) {
	for _, p := range r.Parts {
		if p.Slot == "lens" {
			place, guess = p.Place, "the lens is taken to see from the middle of "+p.Name
			break
		}
	}
	if guess == "" {
		guess = "the build has no lens, which is taken to see from the axis centre"
	}
	if given != nil {
		place[0], guess = *given, ""
	}
	return place, guess
}
