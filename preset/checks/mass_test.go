package checks

import (
	"fmt"
	"math"

	"rigkeep/preset/mass"
)

const deg = math.Pi / 180

func (in inputs) vec(key string) mass.Vec {
	var v mass.Vec
	copy(v[:], in.nums(key))
	return v
}

// parts reads parts as reference/massprops.py does: a cylinder is laid by its
// axis alone, a rotation vector turns the others.
func (in inputs) parts() []mass.Part {
	var out []mass.Part
	for _, t := range in.tables("parts") {
		p := mass.Part{
			Name: t.str("name"), Shape: mass.Shape(t.str("shape")), Mass: t.num("mass", math.NaN()),
			Size: t.vec("size"), Radius: t.num("radius", 0), Bore: t.num("bore", t.num("inner_radius", 0)), Length: t.num("length", 0),
			Axis: t.vec("axis"), Place: t.vec("pos"),
		}
		if p.Shape != mass.Cylinder {
			p.Turn.Vector = t.vec("rotvec_deg").Scale(deg)
		}
		out = append(out, p)
	}
	return out
}

func floats(v mass.Vec) []float64 { return v[:] }

func rows(t mass.Tensor) [][]float64 { return [][]float64{t[0][:], t[1][:], t[2][:]} }

func init() {
	register("mass_properties", func(in inputs) (map[string]any, error) {
		p, err := mass.Build(in.parts())
		if err != nil {
			return nil, err
		}
		out := map[string]any{
			"mass": p.Mass, "cg": floats(p.CG), "inertia_cg": rows(p.Inertia), "principal": p.Principal[:],
		}
		base := p.Inertia
		if _, ok := in.m["about"]; ok {
			if base, err = p.About(in.vec("about")); err != nil {
				return nil, err
			}
			out["inertia_about"] = rows(base)
		}
		if r := list(in.m["frame_rows"]); r != nil {
			var frame [3]mass.Vec
			for i := range frame {
				frame[i] = inputs{map[string]any{"row": r[i]}, ""}.vec("row")
			}
			if base, err = base.InFrame(frame); err != nil {
				return nil, err
			}
			out["inertia_in_frame"] = rows(base)
		}
		return out, nil
	})
	register("moments", func(in inputs) (map[string]any, error) {
		p, err := mass.Build(in.parts())
		if err != nil {
			return nil, err
		}
		m, err := p.Moments(mass.Head{
			Pan:  mass.Joint{Axis: mass.Line{Point: in.vec("pan_point"), Dir: mass.Vec{0, 0, 1}}},
			Roll: mass.Joint{Axis: mass.Line{Point: in.vec("roll_point"), Dir: mass.Vec{1, 0, 0}}},
			Tilt: mass.Joint{Axis: mass.Line{Point: in.vec("tilt_point"), Dir: mass.Vec{0, 1, 0}}},
		}, in.num("lo_deg", 0)*deg, in.num("hi_deg", 0)*deg)
		out := map[string]any{}
		for name, x := range map[string]mass.Moment{"pan": m.Pan, "roll": m.Roll, "tilt": m.Tilt} {
			out[name] = map[string]any{"least": x.Min, "worst": x.Worst(), "level": x.Level}
		}
		return out, err
	})
	register("axis_inertia", func(in inputs) (map[string]any, error) {
		j := map[string]any{}
		for _, ax := range in.tables("axes") {
			parts := in.parts()
			var err error
			if names := list(ax.m["carries"]); names != nil {
				var carries []string
				for _, n := range names {
					carries = append(carries, fmt.Sprint(n))
				}
				if parts, err = mass.Select(parts, carries); err != nil {
					return nil, err
				}
			}
			p, err := mass.Build(parts)
			if err != nil {
				return nil, err
			}
			if j[ax.str("name")], err = p.AboutAxis(mass.Line{Point: ax.vec("point"), Dir: ax.vec("dir")}); err != nil {
				return nil, err
			}
		}
		return map[string]any{"J": j}, nil
	})
}
