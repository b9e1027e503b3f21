package checks

import (
	"math"

	"rigkeep/preset/balance"
	"rigkeep/preset/mass"
)

// slide reads an adjustment; the cases give its marks in mm.
func (in inputs) slide() balance.Slide {
	s := balance.Slide{Zero: in.num("mu0_mm", math.NaN()) / 1000, Direction: int(in.num("direction", 0)), OwnMass: in.num("own_mass", math.NaN()), OwnMoment: in.num("own_moment", math.NaN()), Torque: in.num("torque_at_full", 0)}
	if r := in.nums("limits_mm"); r != nil {
		s.Range = &[2]float64{r[0] / 1000, r[1] / 1000}
	}
	return s
}

func markFields(m balance.Mark) map[string]any {
	out := map[string]any{"needed_mm": m.Needed * 1000, "mark_mm": m.Mark * 1000, "within": m.Within, "leftover_moment": m.Leftover, "leftover_offset_mm": m.Offset * 1000}
	if m.Effort != nil {
		out["effort_pct"] = *m.Effort
	}
	return out
}

func init() {
	nan := math.NaN()
	axes := map[string]int{"x": 0, "y": 1, "z": 2}

	register("balance_mark", func(in inputs) (map[string]any, error) {
		m, err := in.slide().Balance(in.num("mass", nan), in.num("cg", nan))
		return markFields(m), err
	})
	register("balance_marks", func(in inputs) (map[string]any, error) {
		var steps []balance.Step
		var names []string
		for _, t := range in.tables("steps") {
			s := balance.Step{Slide: t.slide(), Axis: axes[t.str("axis")], After: -1}
			if _, ok := t.m["at"]; ok {
				at := t.num("at", nan)
				s.At = &at
			}
			for i, n := range names {
				if n == t.str("after") {
					s.After = i
				}
			}
			names, steps = append(names, t.str("name")), append(steps, s)
		}
		marks, err := balance.Marks(in.num("mass", nan), mass.Vec(in.vec("cg")), steps)
		var out []any
		for i, m := range marks {
			f := markFields(m)
			f["name"] = names[i]
			out = append(out, f)
		}
		return map[string]any{"marks": out}, err
	})
	register("marks_learned", func(in inputs) (map[string]any, error) {
		dir := int(in.num("direction", 0))
		var recs []balance.Found
		for _, r := range in.tables("records") {
			recs = append(recs, balance.Found{Mass: r.num("mass", nan), CG: r.num("cg", nan), Mark: r.num("mark_mm", nan) / 1000})
		}
		prior, bayes := in.m["prior"].(map[string]any)
		if !bayes {
			return leastSquares(in, dir, recs)
		}
		p := inputs{m: prior}
		mean, scale, own := p.nums("mean"), p.nums("var_scale"), in.num("own_mass", nan)
		// in metres: variances of S over σ² grow by 1e6, b0 shrinks by as much
		b := balance.Belief{Direction: dir, OwnMass: &own, Mean: [2]float64{mean[0] / 1000, mean[1]}, VarScale: [2]float64{scale[0], scale[1] * 1e6}, A0: p.num("a0", nan), B0: p.num("b0", nan) / 1e6}
		out := map[string]any{"n": float64(len(recs))}
		var predictions []any
		for _, q := range in.tables("predict") {
			l, err := b.Learn(recs, balance.Query{Mass: q.num("mass", nan), CG: q.num("cg", nan)}, in.num("level", nan))
			if err != nil {
				return nil, err
			}
			v := l.VarScale
			out["n"], out["a_n"], out["b_n"], out["dof"] = float64(l.N), l.A, l.B*1e6, 2*l.A
			out["post_mean"] = []float64{l.Mean[0] * 1000, l.Mean[1]}
			out["post_var_scale"] = [][]float64{{v[0][0], v[0][1] / 1000}, {v[1][0] / 1000, v[1][1] / 1e6}}
			predictions = append(predictions, map[string]any{"mark_mm": l.Mark.Mid * 1000, "scale_mm": l.Mark.Scale * 1000, "lo_mm": l.Mark.Lo * 1000, "hi_mm": l.Mark.Hi * 1000})
		}
		out["predictions"] = predictions
		return out, nil
	})
}

func leastSquares(in inputs, dir int, recs []balance.Found) (map[string]any, error) {
	var f balance.SlideFit
	var err error
	if _, known := in.m["own_mass"]; known {
		f, err = balance.FitSlide(dir, in.num("own_mass", math.NaN()), recs)
	} else {
		f, err = balance.FitSlideMass(dir, recs)
	}
	if err != nil {
		return nil, err
	}
	out := map[string]any{"n": float64(f.N), "mu0_mm": f.Zero * 1000, "own_mass": f.OwnMass, "own_moment": f.OwnMoment, "residual_rms_mm": f.Residual * 1000}
	var predictions []any
	for _, q := range in.tables("predict") {
		m, err := f.Balance(q.num("mass", math.NaN()), q.num("cg", math.NaN()))
		if err != nil {
			return nil, err
		}
		predictions = append(predictions, map[string]any{"mark_mm": m.Needed * 1000})
	}
	out["predictions"] = predictions
	return out, nil
}
