package checks

import (
	"fmt"
	"math"

	"rigkeep/preset/mass"
)

func init() {
	register("similar", func(in inputs) (map[string]any, error) {
		r, err := mass.Similar(in.num("m1", math.NaN()), in.num("m2", math.NaN()))
		if err != nil {
			return nil, err
		}
		out := map[string]any{"length_ratio": r.Length, "inertia_ratio": r.Inertia, "torque_ratio": r.Torque}
		// K keeps onset frequency and margins by growing with J
		for name, ratio := range map[string]float64{"J": r.Inertia, "K": r.Inertia, "T": r.Torque} {
			if _, ok := in.m[name+"1"]; ok {
				out[name+"2"] = in.num(name+"1", 0) * ratio
			}
		}
		if fixed, _ := in.m["K_fixed"].(bool); fixed {
			out["frequency_ratio"] = r.Frequency
		}
		return out, nil
	})
	register("general", func(in inputs) (map[string]any, error) {
		j, err := mass.ScaleInertia(in.num("J1", math.NaN()), in.num("m1", math.NaN()), in.num("m2", math.NaN()), in.num("p", math.NaN()))
		return map[string]any{"J2": j}, err
	})
	register("solid", func(in inputs) (map[string]any, error) {
		of, size := mass.BallOf, "radius"
		switch s := in.str("shape"); s {
		case "sphere":
		case "cube", "box":
			of, size = mass.CubeOf, "side"
		default:
			return nil, fmt.Errorf("shape %q: want sphere or cube", s)
		}
		l, j, err := of(in.num("m", math.NaN()), in.num("density", math.NaN()))
		return map[string]any{size: l, "J": j}, err
	})
	register("froude", func(in inputs) (map[string]any, error) {
		r, err := mass.Froude(in.num("lambda", math.NaN()))
		return map[string]any{"mass_ratio": r.Mass, "inertia_ratio": r.Inertia, "torque_ratio": r.Torque}, err
	})
	register("exponent", func(in inputs) (map[string]any, error) {
		e, c, err := mass.FitExponent(in.nums("m"), in.nums("J"))
		return map[string]any{"exponent": e, "coefficient": c}, err
	})
}
