package checks

import "rigkeep/preset/learn"

// Group (h): regression of proven stiffness. Sources stand in checks.toml.

func init() {
	register("wls", runPowerLaw)
	register("mammals", runPowerLaw)
	register("norris", runLine)
	register("nig", runNIG)
}

func lineFields(l learn.Line) map[string]any {
	out := map[string]any{"intercept": l.Intercept, "slope": l.Slope, "n": l.N, "dof": l.Dof}
	if l.Dof > 0 {
		out["s"], out["se_intercept"], out["se_slope"], out["r_squared"] = l.S, l.SEIntercept, l.SESlope, l.RSquared
	}
	return out
}

// predictions fills one table per inertia asked for.
func predictions(in inputs, key, at, value string, predict func(v, level, wNew float64) (learn.Interval, error)) ([]map[string]any, error) {
	out := []map[string]any{}
	for _, v := range in.nums(key) {
		iv, err := predict(v, in.num("level", 0.95), in.num("w_new", 1))
		if err != nil {
			return nil, err
		}
		p := map[string]any{at: v, value: iv.Mid}
		if iv.Known {
			p["lo"], p["hi"], p["scale"] = iv.Lo, iv.Hi, iv.Scale
		}
		out = append(out, p)
	}
	return out, nil
}

func runPowerLaw(in inputs) (map[string]any, error) {
	d := learn.Data{J: in.nums("J"), K: in.nums("K"), Weight: in.nums("weights")}
	fit, err := learn.FitPowerLaw(d, in.num("J_ref", 1))
	if err != nil {
		return nil, err
	}
	out := lineFields(fit.Line)
	out["predictions"], err = predictions(in, "predict_J", "J", "K", fit.Predict)
	return out, err
}

func runLine(in inputs) (map[string]any, error) {
	l, err := learn.FitLine(in.nums("x"), in.nums("y"), in.nums("weights"))
	if err != nil {
		return nil, err
	}
	out := lineFields(l)
	out["predictions"], err = predictions(in, "predict_x", "x", "y", l.Predict)
	return out, err
}

func runNIG(in inputs) (map[string]any, error) {
	pr := in.table("prior")
	mean, v := pr.nums("mean"), pr.nums("var_scale")
	prior := learn.DiagonalPrior([2]float64{mean[0], mean[1]}, [2]float64{v[0], v[1]}, pr.num("a0", 0), pr.num("b0", 0))
	post, err := prior.Update(learn.Data{J: in.nums("J"), K: in.nums("K"), Weight: in.nums("weights")}, in.num("J_ref", 1))
	if err != nil {
		return nil, err
	}
	out := map[string]any{
		"n":              post.N,
		"post_mean":      post.Mean[:],
		"post_var_scale": [][]float64{post.VarScale[0][:], post.VarScale[1][:]},
		"a_n":            post.A,
		"b_n":            post.B,
		"dof":            post.Dof(),
	}
	out["predictions"], err = predictions(in, "predict_J", "J", "K", post.Predict)
	return out, err
}
