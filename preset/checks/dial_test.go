package checks

import (
	"errors"
	"math"

	"rigkeep/preset/dial"
	"rigkeep/preset/domain"
	"rigkeep/preset/learn"
)

// Group g4: dials in SI, by package dial, which gimbal measure calls. Sources stand
// in checks-2.toml.

func init() {
	register("hung_mass", defined(runHungMass))
	register("lag_from_step", defined(runLagFromStep))
	register("deadband_from_turn", defined(runDeadBand))
	register("dial_map", defined(runDialMap))
}

// defined turns a refused input into the answer defined = false.
func defined(run runner) runner {
	return func(in inputs) (map[string]any, error) {
		got, err := run(in)
		var refused *domain.Error
		if errors.As(err, &refused) {
			return map[string]any{"defined": false}, nil
		}
		return got, err
	}
}

func runHungMass(in inputs) (map[string]any, error) {
	l := dial.Load{Mass: in.num("mass", 0), Arm: in.num("arm", 0), Rest: in.num("theta0_deg", 0) * deg, SigmaTurned: in.num("sigma_theta_deg", 0) * deg, SigmaArm: in.num("sigma_arm", 0)}
	th := in.nums("theta_deg")
	if th == nil {
		th = []float64{in.num("theta_deg", math.NaN())}
	}
	for _, v := range th {
		l.Turned = append(l.Turned, v*deg)
	}
	s, err := l.Stiffness()
	return map[string]any{"torque": s.Torque, "K": s.K, "friction_torque": s.Friction, "sigma_K": s.Sigma}, err
}

func runLagFromStep(in inputs) (map[string]any, error) {
	s := dial.Step{Model: dial.Model(in.str("model")), Missing: in.num("missing", math.NaN()), T: in.num("t_s", math.NaN()), Turn: in.num("turn_s", 0),
		Angle: in.num("turn_deg", 0), HalfWidth: in.num("half_width_deg", 0)}
	tau, err := s.Tau()
	// the sources print the time as a multiple of tau, and twice that
	x := s.T / tau
	return map[string]any{"tau_s": tau, "natural_rad_s": 1 / tau, "t_over_tau": x, "chi2_4_upper_10": 2 * x, "chi2_4_upper_50": 2 * x}, err
}

func runDeadBand(in inputs) (map[string]any, error) {
	at := func(key string) float64 { return in.num(key, math.NaN()) * deg }
	var w, rest float64
	var err error
	switch in.str("method") {
	case "start":
		w, err = dial.BandFromStart(at("rate_deg_s"), in.num("delay_s", math.NaN()), in.num("seen_deg", 0)*deg, in.num("tau_s", 0))
	case "reverse":
		w, err = dial.BandFromReverse(at("back_deg"))
	case "both sides":
		w, rest, err = dial.BandFromSides(at("left_deg"), at("right_deg"))
	case "rest":
		w, err = dial.BandFromRest(at("turned_deg"), at("followed_deg"))
	default:
		err = errors.New("method " + in.str("method"))
	}
	return map[string]any{"half_width_deg": w / deg, "rest_error_deg": rest / deg}, err
}

func runDialMap(in inputs) (map[string]any, error) {
	l, err := dial.Fit(in.nums("dial"), in.nums("value"), in.nums("weights"))
	if err != nil {
		return nil, err
	}
	out := lineFields(l.Line)
	if out["predictions"], err = predictions(in, "predict", "dial", "value", func(v, level, w float64) (learn.Interval, error) { return l.Predict(v, level, w) }); err != nil {
		return nil, err
	}
	var dials []any
	for _, v := range in.nums("dial_for") {
		d, err := l.For(v)
		if err != nil {
			return nil, err
		}
		dials = append(dials, d)
	}
	out["dial_for"] = dials
	return out, nil
}
