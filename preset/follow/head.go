package follow

import "math"

// head is the state of one axis and its exact solution along a straight piece
// of handle motion. Angles are kept as errors, since those stay small.
type head struct {
	w, tau float64 // dead band; time constant of one lag
	wn     float64 // natural frequency of the second-order head
	model  Model

	e float64 // handle minus camera; for two lags handle minus the first lag's output
	y float64 // two lags: first lag's output minus camera
	v float64 // camera rate

	t       float64 // time since the start
	started float64 // when the error first left the dead band, NaN until then

	dt, decay float64 // the usual step and its exponential
}

// newHead is a head at rest, centred; usual is the step most often taken.
func newHead(s Style, usual float64) head {
	h := head{w: s.DeadBand, tau: s.Lag, model: s.Model, started: math.NaN()}
	if s.Lag == 0 || h.model == "" {
		h.model = FirstOrder // without lag every shape is the same play at the edge
	}
	switch h.model {
	case Critical:
		h.wn = 2 / s.Lag
		h.tau = 1 / h.wn
	case TwoStage:
		h.tau = s.Lag / 2
	}
	if h.tau > 0 {
		h.dt, h.decay = usual, math.Exp(-usual/h.tau)
	}
	return h
}

// step advances the head by dt while the handle turns at the constant rate r.
func (k *head) step(r, dt float64) {
	if k.model == Critical {
		k.stepSecond(r, dt)
	} else {
		k.stepFirst(r, dt)
	}
	k.t += dt
}

// camera is the camera's angle when the handle stands at h.
func (k *head) camera(h float64) float64 { return h - k.e - k.y }

// exp gives e^(-t/tau), kept for the usual step.
func (k *head) exp(t float64) float64 {
	if t == k.dt {
		return k.decay
	}
	return math.Exp(-t / k.tau)
}

func (k *head) leave(left float64, dt float64) {
	if math.IsNaN(k.started) {
		k.started = k.t + dt - left
	}
}

// maxPieces bounds the edges met in one straight piece. Exact arithmetic meets
// at most two with one lag and a few with the second-order head; should rounding
// ever bring more, the rest of the piece is solved without looking for edges.
const maxPieces = 16

// stepFirst handles one lag and two lags. Outside the dead band, x = |e| - w obeys
// x' = r - x/tau, so x = A + (x0 - A) E with A = r tau and E = e^(-t/tau); it
// comes back to the edge at t = tau ln(1 - x0/A) if r < 0. The second lag adds
// y' = x/tau - y/tau (y' = -y/tau inside), solved along.
func (k *head) stepFirst(r, dt float64) {
	t := dt
	for i := 0; t > 0; i++ {
		last := i >= maxPieces
		s := 1.0
		switch {
		case k.e > k.w || (k.e == k.w && r > 0):
		case k.e < -k.w || (k.e == -k.w && r < 0):
			s = -1
		default: // inside
			span := t
			edge := math.Copysign(k.w, r)
			out := false
			if r != 0 {
				if te := (edge - k.e) / r; te < t && !last {
					span, out = te, true
				}
			}
			if k.model == TwoStage {
				k.y *= k.exp(span)
			}
			if out {
				k.e = edge
				t -= span
				continue
			}
			k.e += r * t
			t = 0
			continue
		}
		k.leave(t, dt)
		a := s * r * k.tau
		x := s*k.e - k.w
		if k.tau == 0 { // play: the camera is carried along at the edge
			k.e = s * k.w
			if s*r >= 0 || last {
				k.v = r
				return
			}
			continue
		}
		span, back := t, false
		E := k.exp(t)
		x1 := a + (x-a)*E
		if a < 0 && x1 < 0 && !last {
			span, back = math.Min(t, k.tau*math.Log1p(-x/a)), true
			E, x1 = math.Exp(-span/k.tau), 0
		}
		if k.model == TwoStage {
			k.y = s * (a + (s*k.y-a)*E + (x-a)*(span/k.tau)*E)
		}
		k.e = s * (k.w + x1)
		t -= span
		if !back {
			t = 0
		}
	}
	switch {
	case k.model == TwoStage:
		k.v = k.y / k.tau
	case k.tau > 0:
		k.v = deadZone(k.e, k.w) / k.tau
	default:
		k.v = 0
	}
}

// stepSecond solves the critically damped head piece by piece. Outside,
// x = |e| - w is xp + (z0 + b t) E with xp = 2 r/wn; inside, the camera coasts
// with v = v0 e^(-2 wn t). Each has at most one turning point, which brackets
// the time an edge is met.
func (k *head) stepSecond(r, dt float64) {
	wn, t := k.wn, dt
	for i := 0; t > 0; i++ {
		last := i >= maxPieces
		s := 1.0
		rise := r - k.v // e'
		switch {
		case k.e > k.w, k.e == k.w && (rise > 0 || rise == 0 && k.v > 0):
		case k.e < -k.w, k.e == -k.w && (rise < 0 || rise == 0 && k.v < 0):
			s = -1
		default:
			t = k.coast(r, t, last)
			continue
		}
		k.leave(t, dt)
		x, v, rr := s*k.e-k.w, s*k.v, s*r
		xp := 2 * rr / wn
		z0 := x - xp
		b := rr - v + wn*z0
		at := func(t float64) float64 { return xp + (z0+b*t)*math.Exp(-wn*t) }
		end, out := t, false
		E := k.exp(t)
		lo, xend := 0.0, xp+(z0+b*t)*E
		if b != 0 && !last {
			if tm := 1/wn - z0/b; tm > 0 && tm < t {
				if at(tm) < 0 {
					end, out = bracketed(at, 0, tm), true
				} else {
					lo = tm
				}
			}
		}
		if !out && xend < 0 && !last {
			end, out = bracketed(at, lo, t), true
		}
		if out {
			E = math.Exp(-wn * end)
		}
		zp := (b - wn*(z0+b*end)) * E
		k.v = s * (rr - zp)
		if out {
			k.e = s * k.w
			t -= end
			continue
		}
		k.e = s * (k.w + xend)
		t = 0
	}
}

// coast moves a second-order head inside its dead band for at most t and returns
// the time left when it meets an edge.
func (k *head) coast(r, t float64, last bool) float64 {
	wn, e0, v0 := k.wn, k.e, k.v
	if v0 == 0 && r == 0 {
		return 0
	}
	at := func(t float64) float64 { return e0 + r*t + v0*math.Expm1(-2*wn*t)/(2*wn) }
	from := 0.0
	ends := [2]float64{t, t}
	if q := r / v0; v0 != 0 && q > 0 && q < 1 {
		if tm := -math.Log(q) / (2 * wn); tm < t {
			ends[0] = tm
		}
	}
	if last {
		ends = [2]float64{}
	}
	for _, to := range ends {
		edge := 0.0
		switch e := at(to); {
		case e > k.w:
			edge = k.w
		case e < -k.w:
			edge = -k.w
		default:
			from = to
			continue
		}
		side := math.Copysign(1, edge-at(from))
		te := bracketed(func(t float64) float64 { return (edge - at(t)) * side }, from, to)
		k.e, k.v = edge, v0*math.Exp(-2*wn*te)
		return t - te
	}
	k.e, k.v = at(t), v0*math.Exp(-2*wn*t)
	return 0
}

// bracketed finds where f, positive at lo side and negative at hi and monotone
// between, crosses zero, to the last bit or nearly.
func bracketed(f func(float64) float64, lo, hi float64) float64 {
	for i := 0; i < 80; i++ {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			break
		}
		if f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}
