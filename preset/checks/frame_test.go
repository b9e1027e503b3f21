package checks

import (
	"math"

	"rigkeep/preset/frame"
)

func (in inputs) camera() frame.Camera {
	k := frame.Camera{
		Focal: in.num("focal_mm", math.NaN()) / 1000, Magnification: in.num("magnification", 0), Squeeze: in.num("squeeze", 1),
		Width: in.num("width_mm", math.NaN()) / 1000, WidthPx: in.num("width_px", 0),
	}
	if s := in.nums("sensor_mm"); len(s) == 2 {
		k.Width, k.Height = s[0]/1000, s[1]/1000
	}
	return k
}

func (in inputs) point() (x, y float64) {
	p := in.nums("point_px")
	if len(p) != 2 {
		return math.NaN(), math.NaN()
	}
	return p[0], p[1]
}

func init() {
	nan := math.NaN()
	register("fov", func(in inputs) (map[string]any, error) {
		v, err := in.camera().FOV()
		return map[string]any{"h": v.H / deg, "v": v.V / deg, "d": v.D / deg}, err
	})
	register("focal_for_fov", func(in inputs) (map[string]any, error) {
		f, err := frame.FocalFor(in.num("fov_deg", nan)*deg, in.num("width_mm", nan)/1000)
		return map[string]any{"focal_mm": f * 1000}, err
	})
	register("shift_px", func(in inputs) (map[string]any, error) {
		s, err := in.camera().ShiftOf(in.num("angle_deg", nan)*deg, in.num("field_deg", 0)*deg)
		return map[string]any{"px": s.Px, "pct": s.Pct, "focal_px": s.FocalPx}, err
	})
	register("angle_for_px", func(in inputs) (map[string]any, error) {
		a, err := in.camera().AngleFor(in.num("px", nan))
		return map[string]any{"angle_deg": a / deg}, err
	})
	register("roll_shift", func(in inputs) (map[string]any, error) {
		x, y := in.point()
		s, err := frame.RollShiftOf(in.num("angle_deg", nan)*deg, x, y, in.num("width_px", nan))
		return map[string]any{"px": s.Px, "pct": s.Pct}, err
	})
	register("rotate_point", func(in inputs) (map[string]any, error) {
		x, y := in.point()
		m, err := in.camera().Rotate(frame.Turn{PanRight: in.num("pan_deg", nan) * deg, TiltUp: in.num("tilt_deg", nan) * deg, RollClockwise: in.num("roll_deg", nan) * deg}, x, y)
		return map[string]any{"x": m.X, "y": m.Y, "px": m.Px, "pct": m.Pct}, err
	})
	register("tilt_limits", func(in inputs) (map[string]any, error) {
		look := frame.Look{View: frame.View{H: in.num("h_deg", nan) * deg, V: in.num("v_deg", nan) * deg}, Pupil: in.vec("pupil"), Up: in.num("up_deg", nan) * deg, Down: in.num("down_deg", nan) * deg}
		var parts []frame.Obstacle
		for _, p := range list(in.m["obstacles"]) {
			o := frame.Obstacle{}
			for i, v := range list(p) {
				o.Place[i] = number(v)
			}
			parts = append(parts, o)
		}
		l, err := look.TiltLimits(parts)
		return map[string]any{"up_deg": l.Up.Limit / deg, "down_deg": l.Down.Limit / deg}, err
	})
	register("blur_px", func(in inputs) (map[string]any, error) {
		px, err := in.camera().Blur(in.num("rate_dps", nan)*deg, in.num("exposure_s", nan))
		return map[string]any{"px": px}, err
	})
	register("crop", func(in inputs) (map[string]any, error) {
		factor, eq, err := in.camera().Crop()
		return map[string]any{"factor": factor, "equivalent_mm": eq * 1000}, err
	})
}
