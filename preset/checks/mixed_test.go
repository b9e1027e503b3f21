package checks

import (
	"math"

	"rigkeep/preset/learn"
)

// Group g6: a new unit, by learn.Mixed, which package start calls. Sources stand in
// checks-2.toml.

func init() {
	register("predict_new_unit", runMixed)
}

func runMixed(in inputs) (map[string]any, error) {
	pr := in.table("prior")
	mean, v := pr.nums("mean"), pr.nums("var")
	m := learn.Mixed{Mean: [2]float64{mean[0], mean[1]}, Var: [2]float64{v[0], v[1]}, UnitSD: in.num("sigma_u", 0)}
	units, rigs := learn.Numbers{}, learn.Numbers{}
	proof := func(p inputs) learn.Proof {
		return learn.Proof{X: math.Log(p.num("J", 0) / in.num("J_ref", 0)), Y: math.Log(p.num("K", 1)), Unit: units.Of(p.str("unit")), Rig: rigs.Of(p.str("rig")),
			RigSD: in.num("sigma_r", 0), ErrSD: in.num("sigma_w", 0)}
	}
	var ps []learn.Proof
	for _, p := range in.tables("proofs") {
		ps = append(ps, proof(p))
	}
	c, err := m.Condition(ps)
	if err != nil {
		return nil, err
	}
	out := []map[string]any{}
	for _, p := range in.tables("predict") {
		y, err := c.Predict(proof(p))
		if err != nil {
			return nil, err
		}
		iv, err := y.Interval(in.num("level", 0.9))
		if err != nil {
			return nil, err
		}
		out = append(out, map[string]any{"unit": p.str("unit"), "J": p.num("J", 0), "mean_ln": y.Mean, "sd_ln": y.SD, "K": iv.Mid, "lo": iv.Lo, "hi": iv.Hi})
	}
	return map[string]any{"n": len(ps), "predictions": out}, nil
}
