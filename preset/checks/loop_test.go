package checks

import (
	"errors"
	"math"

	"rigkeep/preset/loop"
)

// loopOf reads a loop in the letters of checks.md, group c.
func loopOf(in inputs) loop.Loop {
	l := loop.Loop{
		J: in.num("J", 0), B: in.num("b", 0), K: in.num("K", 1), D: in.num("D", 0), Ki: in.num("Ki", 0), KG: in.num("KG", 0),
		Sensing: loop.FirstOrder(in.num("tau_sense", 0)), Drive: loop.FirstOrder(in.num("tau_drive", 0)),
		Delay: in.num("Td", 0),
	}
	// what more.toml adds: filters by order and cutoff, and a resonance
	for key, to := range map[string]*loop.Filter{"sensing": &l.Sensing, "drive": &l.Drive} {
		if f := in.table(key); f.m != nil {
			*to = loop.LowPassHz(int(f.num("order", 0)), f.num("hz", 0))
		}
	}
	if r := in.table("resonance"); r.m != nil {
		beyond, _ := r.m["beyond"].(bool)
		l.Resonance = loop.Resonance{Freq: 2 * math.Pi * r.num("hz", 0), Damping: r.num("damping", 0), Share: r.num("share", 0), SensorBeyond: beyond}
	}
	return l
}

func init() {
	register("margins", func(in inputs) (map[string]any, error) {
		m, err := loopOf(in).Margins()
		if err != nil {
			return nil, err
		}
		out := map[string]any{"stable": m.Stable}
		if !m.Stable {
			out["rightmost_real"], out["rightmost_imag"] = m.Rightmost.Real, m.Rightmost.Imag
			// the convention of the check file: the factor at the first phase
			// crossover, if it is below 1
			if len(m.Phase) > 0 && m.Phase[0].Factor < 1 {
				out["gain_to_restore"] = m.Phase[0].Factor
			}
			return out, nil
		}
		out["w_gc"], out["pm_deg"], out["dm_s"] = m.WGC, m.PMDeg, m.DelayM
		for _, g := range m.Gain {
			if g.W == m.WGC { // signed in the check file
				out["pm_deg"] = g.PhaseM * 180 / math.Pi
			}
		}
		out["gm"], out["Ms"] = m.GM, m.Ms
		if !math.IsInf(m.GM, 1) {
			out["gm_db"], out["w_pc"] = m.GMdB, m.WPC
		}
		if m.GMLow > 0 {
			out["gm_low"], out["w_pc_low"] = m.GMLow, m.WPCLow
		}
		if m.Ms > 1.0001 {
			out["w_Ms"] = m.WMs
		}
		return out, nil
	})
}

func init() {
	register("onset_common", func(in inputs) (map[string]any, error) {
		o, err := loopOf(in).OnsetCommon()
		if err != nil || !o.Exists {
			return nil, err
		}
		return map[string]any{"multiplier": o.Multiplier, "K_u": o.K, "D_u": o.D, "w_u": o.W, "f_u_hz": o.Hz, "T_u": o.Period}, nil
	})
	register("onset_stiffness", func(in inputs) (map[string]any, error) {
		o, err := loopOf(in).OnsetStiffness()
		// in the check file a stable range ends at an onset and begins at 0: a loop
		// that never oscillates (Ever) has none either
		if err != nil || !o.Exists || o.From > 0 {
			return map[string]any{"stable_range": false}, err
		}
		return map[string]any{"stable_range": true, "K_u": o.K, "w_u": o.W, "f_u_hz": o.Hz}, nil
	})
	register("start_stiffness", func(in inputs) (map[string]any, error) {
		l, how := loopOf(in), loop.RaiseStiffness
		if _, ok := in.m["Tv"]; ok {
			l.K, l.D, how = 1, in.num("Tv", 0), loop.RaiseTogether
		}
		s, err := l.LargestStiffness(loop.Limits{GM: in.num("gm_min", 1), PMDeg: in.num("pm_min_deg", 0), Ms: in.num("ms_max", math.MaxFloat64)}, how)
		if err != nil {
			return nil, err
		}
		// the convention of the check file: its search ends a millionth of the way to
		// the stiffness that the lags could follow; what holds no better counts as none
		lag := math.Max(l.Delay+in.num("tau_sense", 0)+in.num("tau_drive", 0), 1e-4)
		if !s.Feasible || s.K < 1e-6*l.J/(lag*lag) {
			return map[string]any{"feasible": false}, nil
		}
		return map[string]any{"feasible": true, "K": s.K, "D": s.D, "limited_by": s.LimitedBy,
			"gm": s.Margins.GM, "pm_deg": s.Margins.PMDeg, "Ms": s.Margins.Ms, "w_gc": s.Margins.WGC}, nil
	})
	for kind, rules := range map[string]func(ku, tu float64) (loop.Rules, error){"zn_table": loop.ZieglerNichols, "tl_table": loop.TyreusLuyben} {
		register(kind, func(in inputs) (map[string]any, error) {
			r, err := rules(in.num("Ku", 0), in.num("Tu", 0))
			return map[string]any{
				"P":   map[string]any{"K": r.P.K},
				"PI":  map[string]any{"K": r.PI.K, "Ti": r.PI.Ti},
				"PID": map[string]any{"K": r.PID.K, "Ti": r.PID.Ti, "Td": r.PID.Td},
			}, err
		})
	}
	register("session", func(in inputs) (map[string]any, error) {
		var steps []loop.Step
		for _, row := range list(in.m["rows"]) {
			c := list(row)
			s := loop.Step{Dial: number(c[0])}
			s.Oscillates, _ = c[1].(bool)
			if len(c) > 2 {
				s.Hz = number(c[2])
			}
			steps = append(steps, s)
		}
		r, err := loop.Session(steps, in.num("final", 0))
		if err != nil {
			return nil, err
		}
		out := map[string]any{"consistent": r.Consistent}
		for k, v := range map[string]float64{"Ku_low": r.Low, "Ku_high": r.High, "f_u_hz": r.Hz, "Tu": r.Period, "Ku": r.Onset,
			"half_width_pct": r.HalfWidthPct, "backoff": r.Backoff, "gm_high": r.GMHigh, "gm_low_bound": r.GMLowBound, "gm": r.GM, "gm_db": r.GMdB} {
			if v != 0 || k == "gm_db" && r.GM != 0 || k == "half_width_pct" && r.Onset != 0 {
				out[k] = v
			}
		}
		return out, nil
	})
	register("delay_from_onset", func(in inputs) (map[string]any, error) {
		l := loopOf(in)
		l.K, l.D, l.Delay = 1, in.num("Tv", 0), 0
		td, k, err := l.DelayFromOnset(in.num("w_u", 0))
		var lag *loop.TooMuchLag
		if errors.As(err, &lag) { // the check file writes it as a negative delay
			td, k, err = -lag.Surplus, lag.K, nil
		}
		return map[string]any{"Td": td, "K_u_model": k}, err
	})
}
