package checks

import (
	"errors"
	"fmt"
	"math"

	"rigkeep/preset/follow"
)

func init() {
	register("pan", pan)
	register("deadzone_df", func(in inputs) (map[string]any, error) {
		n, err := follow.DeadBandGain(in.num("half_width", 0), in.num("amplitude", 0))
		return map[string]any{"N": n}, err
	})
	register("deadzone_ridf", func(in inputs) (map[string]any, error) {
		n, err := follow.DeadBandRandomGain(in.num("half_width", 0), in.num("sigma", 0))
		return map[string]any{"N": n}, err
	})
	register("sway", sway)
	register("smoothness", smoothness)
	register("follow_sim", func(in inputs) (map[string]any, error) {
		m, err := follow.ParseMove(in.str("move"))
		if err != nil {
			return nil, err
		}
		s := follow.Style{DeadBand: in.num("half_width", 0) * follow.Deg, Lag: in.num("tau", 0), Model: follow.Model(in.str("model"))}
		r, err := follow.Simulate(m, s, follow.Options{})
		if err != nil {
			return nil, err
		}
		return map[string]any{"trail_at_stop": r.TrailAtStop / follow.Deg, "max_trail": r.MaxTrail / follow.Deg, "peak_rate": r.PeakRate / follow.Deg, "travel": r.Travel / follow.Deg}, nil
	})
	register("minjerk_exact", func(in inputs) (map[string]any, error) {
		m, err := follow.MinimumJerkFigures(in.num("distance", 0), in.num("duration", 0))
		return map[string]any{"peak_speed": m.PeakSpeed, "jerk_sq": m.JerkSquared, "ldlj": m.LDLJ}, err
	})
}

// pan gives the closed form, after the simulation has agreed with it.
func pan(in inputs) (map[string]any, error) {
	style := follow.Style{DeadBand: in.num("half_width", 0) * follow.Deg, Lag: in.num("tau", 0), Model: follow.FirstOrder}
	rate, duration, tol := in.num("rate", 0)*follow.Deg, in.num("duration", 0), in.num("tol", 0.1)*follow.Deg
	f, err := follow.ConstantRate(style, rate, duration, tol)
	if err != nil {
		return nil, err
	}
	sim, err := follow.Simulate(follow.NewPan(rate, duration), style, follow.Options{Tolerance: tol, Tail: 40*style.Lag + 1, NoSmoothness: true})
	if err != nil {
		return nil, err
	}
	out := map[string]any{"moves": f.Moves, "handle_travel": f.HandleTravel / follow.Deg, "peak_rate": f.PeakRate / follow.Deg,
		"travel": f.Travel / follow.Deg, "residual": f.Residual / follow.Deg}
	agree := []struct {
		name             string
		closed, measured *float64
		scale            float64
	}{
		{"start_delay", f.StartDelay, sim.StartDelay, 1},
		{"steady_lag", f.SteadyTrail, sim.SteadyTrail, follow.Deg},
		{"lag_at_stop", f.TrailAtStop, &sim.TrailAtStop, follow.Deg},
		{"settle_time", f.SettleTime, sim.SettleTime, 1},
		{"travel", &f.Travel, &sim.Travel, follow.Deg},
		{"peak_rate", &f.PeakRate, &sim.PeakRate, follow.Deg},
	}
	var wrong []error
	for _, a := range agree {
		if a.closed == nil {
			continue
		}
		out[a.name] = *a.closed / a.scale
		if a.measured == nil || math.Abs(*a.closed-*a.measured) > 1e-9+1e-7*math.Abs(*a.closed) {
			wrong = append(wrong, fmt.Errorf("%s: closed form %v, simulated %v", a.name, *a.closed, a.measured))
		}
	}
	return out, errors.Join(wrong...)
}

func sway(in inputs) (map[string]any, error) {
	style := follow.Style{DeadBand: in.num("half_width", 0) * follow.Deg, Lag: in.num("tau", 0)}
	l, err := follow.SwayGain(style, follow.Tone{Amplitude: in.num("amplitude", 0) * follow.Deg, Frequency: in.num("f_hz", 0)})
	return map[string]any{"error_amplitude": l.ErrorAmplitude / follow.Deg, "camera_amplitude": l.CameraAmplitude / follow.Deg, "leak": l.Leak,
		"camera_amplitude_simulated": l.CameraSimulated / follow.Deg}, err
}

func smoothness(in inputs) (map[string]any, error) {
	p := in.table("profile")
	n, fs := int(p.num("n", 0)), p.num("fs", 0)
	speed, err := speedAt(p)
	if err != nil {
		return nil, err
	}
	v := make([]float64, n)
	for i := range v {
		v[i] = speed(float64(i) / fs)
	}
	sparc, err := follow.SPARC(v, fs)
	if err != nil {
		return nil, err
	}
	out := map[string]any{"sparc": sparc}
	if want, ok := in.m["ldlj"].(bool); !ok || want {
		if out["ldlj"], err = follow.LDLJ(v, fs); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func speedAt(p inputs) (func(t float64) float64, error) {
	T := p.num("T", 1)
	switch kind := p.str("type"); kind {
	case "gauss":
		c, t0 := p.num("c", 0), p.num("t0", 0)
		return func(t float64) float64 { return math.Exp(-c * (t - t0) * (t - t0)) }, nil
	case "minjerk":
		amp := p.num("amp", 1)
		return func(t float64) float64 { return follow.MinimumJerkSpeed(amp, T, t) }, nil
	case "minjerk_sum":
		var subs [][]float64
		for _, s := range list(p.m["subs"]) {
			var sub []float64
			for _, x := range list(s) {
				sub = append(sub, number(x))
			}
			subs = append(subs, sub)
		}
		return func(t float64) float64 {
			v := 0.0
			for _, s := range subs {
				v += follow.MinimumJerkSpeed(s[2], s[1], t-s[0])
			}
			return v
		}, nil
	case "minjerk_ripple":
		depth, f := p.num("depth", 0), p.num("f", 0)
		return func(t float64) float64 {
			return follow.MinimumJerkSpeed(1, T, t) * (1 + depth*math.Sin(2*math.Pi*f*t))
		}, nil
	case "follow":
		style := follow.Style{DeadBand: p.num("half_width", 0) * follow.Deg, Lag: p.num("tau", 0)}
		rate, duration := p.num("rate", 0)*follow.Deg, p.num("duration", 0)
		return func(t float64) float64 { return follow.ConstantRateSpeed(style, rate, duration, t) / follow.Deg }, nil
	default:
		return nil, fmt.Errorf("unknown speed profile %q", kind)
	}
}
