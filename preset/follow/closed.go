package follow

import "math"

// SteadyTrail is the angle in rad by which the camera trails an endless pan at the
// given rate (rad/s, its sign ignored): deadband + rate*lag, for each lag.
//
// Source: final value theorem (ramp into a lag; Ogata, Modern Control
// Engineering, from memory) plus the dead band's edge.
func (s Style) SteadyTrail(rate float64) float64 { return s.DeadBand + math.Abs(rate)*s.Lag }

// PanFigures are the closed forms of a pan at constant rate from rest in the
// middle of the dead band, behind a first-order lag. Angles have the sign of the
// rate. Nil where the camera does not move.
type PanFigures struct {
	Moves        bool     `json:"moves"`
	HandleTravel float64  `json:"handle_travel_rad"`
	StartDelay   *float64 `json:"start_delay_s"`
	SteadyTrail  *float64 `json:"steady_trail_rad"`
	TrailAtStop  *float64 `json:"trail_at_stop_rad"`
	PeakRate     float64  `json:"peak_rate_rad_s"`
	Travel       float64  `json:"travel_rad"`
	Residual     float64  `json:"residual_rad"`
	SettleTime   *float64 `json:"settle_time_s"`
}

// ConstantRate gives the figures of a pan at rate (rad/s) for duration (s) behind
// a first-order lag, settling to tolerance (rad). The magnitudes are those of the
// rate's; signs are dropped. Errors are *domain.Error, also for another lag.
//
// Source: closed form of tau c' = dz(h - c) for a ramp; the steady trail as SteadyTrail.
func ConstantRate(s Style, rate, duration, tolerance float64) (PanFigures, error) {
	var out PanFigures
	if err := s.Validate(); err != nil {
		return out, err
	}
	if s.Model != FirstOrder && s.Model != "" {
		return out, refuse("model", s.Model, "first-order: the closed form is for that alone; simulate the others")
	}
	if err := NewPan(rate, duration).Validate(); err != nil {
		return out, err
	}
	if err := above("settling tolerance (rad)", tolerance, MaxDeadBand); err != nil {
		return out, err
	}
	v, w, tau := math.Abs(rate), s.DeadBand, s.Lag
	out.HandleTravel = v * duration
	if out.HandleTravel <= w {
		out.Residual = out.HandleTravel
		return out, nil
	}
	delay := w / v
	fill := 1.0
	if tau > 0 {
		fill = -math.Expm1(-(duration - delay) / tau)
	}
	excess := v * tau * fill
	trail, steady, settle := w+excess, s.SteadyTrail(v), 0.0
	if excess > tolerance {
		settle = tau * math.Log(excess/tolerance)
	}
	out.Moves, out.StartDelay, out.SteadyTrail, out.TrailAtStop, out.SettleTime = true, &delay, &steady, &trail, &settle
	out.PeakRate, out.Travel, out.Residual = v*fill, out.HandleTravel-w, w
	return out, nil
}

// ConstantRateSpeed is the camera's rate in rad/s at time t of the pan of
// ConstantRate.
//
// Source: time derivative of the same closed form.
func ConstantRateSpeed(s Style, rate, duration, t float64) float64 {
	v, w, tau := math.Abs(rate), s.DeadBand, s.Lag
	if v*duration <= w || t <= w/v {
		return 0
	}
	up := math.Copysign(1, rate) * v
	if tau == 0 {
		if t < duration {
			return up
		}
		return 0
	}
	up *= -math.Expm1(-(math.Min(t, duration) - w/v) / tau)
	return up * math.Exp(-math.Max(t-duration, 0)/tau)
}

// MinimumJerk are the exact figures of a minimum-jerk move.
type MinimumJerk struct {
	PeakSpeed   float64 `json:"peak_speed"`   // of the distance's unit per s
	JerkSquared float64 `json:"jerk_squared"` // integral of jerk^2, unit^2/s^5
	LDLJ        float64 `json:"ldlj"`         // -ln 204.8, whatever the move
}

// MinimumJerkFigures gives peak speed 15/8 D/T, the integral of jerk squared
// 720 D^2/T^5 and the log dimensionless jerk -ln(720/(15/8)^2) of a minimum-jerk
// move over a distance D (any unit, not zero) in T seconds. Errors are *domain.Error.
//
// Source: Flash & Hogan, J. Neurosci. 5 (1985) 1688; Hogan & Sternad 2009 (from
// memory: dimensionless jerk 204.8).
func MinimumJerkFigures(distance, duration float64) (MinimumJerk, error) {
	if math.IsNaN(distance) || math.IsInf(distance, 0) || distance == 0 {
		return MinimumJerk{}, refuse("distance", distance, "a number other than 0")
	}
	if err := above("duration (s)", duration, MaxTime); err != nil {
		return MinimumJerk{}, err
	}
	T := duration
	return MinimumJerk{
		PeakSpeed:   15.0 / 8 * math.Abs(distance) / T,
		JerkSquared: 720 * distance * distance / (T * T * T * T * T),
		LDLJ:        -math.Log(720 * 64 / 225.0),
	}, nil
}

// MinimumJerkSpeed is the speed, in amplitude's unit per second, of a
// minimum-jerk move through amplitude in duration s, t seconds after its start;
// zero outside it.
//
// Source: Flash & Hogan 1985: 30 D (u^2 - 2u^3 + u^4)/T, u = t/T.
func MinimumJerkSpeed(amplitude, duration, t float64) float64 {
	u := math.Min(1, math.Max(0, t/duration))
	return amplitude * 30 * u * u * (1 - u) * (1 - u) / duration
}
