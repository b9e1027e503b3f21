package loop

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"rigkeep/preset/domain"
)

// SimOptions says how to run Simulate. The zero value runs a small push for a
// time that suits the loop.
type SimOptions struct {
	Duration float64 // s; 0: fifty times the slowest time scale at crossover
	Step     float64 // s, largest step; 0: a tenth of the fastest time scale
	Push     float64 // N m s, angular impulse at the start; 0: one that gives 1 mrad at the motor per crossover period
	Every    int     // keep every so many steps; 0 keeps all

	TorqueLimit float64 // N m the motor can give; 0 for no limit
	Friction    float64 // N m of Coulomb friction on the motor's side

	AngleNoise  float64 // rad, standard deviation on the sensed angle, anew each step
	RateNoise   float64 // rad/s, the same on the sensed rate
	TorqueNoise float64 // N m, the same on the motor's side
	Seed        uint64  // of the noise
}

// Verdict is what a run showed.
type Verdict string

// The verdicts: the size of the motion over the last quarter against that over
// the first, after the push has rung through.
const (
	Grows   Verdict = "grows"
	Decays  Verdict = "decays"
	Sustain Verdict = "sustained" // within a factor of two: a limit cycle, noise, or the boundary
)

// Trace is a simulated run.
type Trace struct {
	Step   float64   // s between the samples
	Angle  []float64 // rad, at the sensor
	Torque []float64 // N m, of the motor, after the limit

	Verdict Verdict
	Rate    float64 // 1/s, slope of the logarithm of the size of the motion over the last three quarters
	Hz      float64 // from the zero crossings of the last half; 0 if there are fewer than three
	RMS     float64 // rad, of the last quarter, mean removed
	Cut     bool    // stopped early because the motion had grown a millionfold
}

const maxSteps = 20_000_000

type simState [9]float64 // motor angle, rate; flexible angle, rate; integral; sensing 2; drive 2

// Simulate runs the closed loop in time from rest after a push. The delay is a whole
// number of steps, so exact, with the values between steps from the cubic
// through values and slopes; the rest by the classical fourth-order Runge-Kutta
// step. Coulomb friction acts after each step as the impulse that can at most
// stop the motor. A run is deterministic for its seed.
//
// Source: Runge-Kutta 4 and cubic Hermite interpolation for delay equations, Bellen &
// Zennaro, Numerical Methods for Delay Differential Equations (2003);
// friction by time stepping, Stewart & Trinkle, Int. J. Numer. Meth. Eng. 39
// (1996) 2673-2691 (both from memory).
func (l Loop) Simulate(o SimOptions) (Trace, error) {
	if err := l.Validate(); err != nil {
		return Trace{}, err
	}
	c := domain.Checker{Model: "loop"}
	c.NotNegative("duration", o.Duration, "s")
	c.NotNegative("step", o.Step, "s")
	c.Finite("push", o.Push)
	c.NotNegative("torque limit", o.TorqueLimit, "N m")
	c.NotNegative("friction", o.Friction, "N m")
	c.NotNegative("noise of the angle", o.AngleNoise, "rad")
	c.NotNegative("noise of the rate", o.RateNoise, "rad/s")
	c.NotNegative("noise of the torque", o.TorqueNoise, "N m")
	if o.Every < 0 {
		c.Fail("steps between samples", domain.Number(float64(o.Every)), "0 or more", "")
	}
	if err := c.Err(); err != nil {
		return Trace{}, err
	}
	s, steps, err := l.newSim(o)
	if err != nil {
		return Trace{}, err
	}
	return s.run(o, steps), nil
}

type sim struct {
	l        Loop
	h        float64
	delay    int // steps
	jm       float64
	soft, dp float64 // spring and damper of the flexible part
	jl       float64
	ring     []struct{ v, dv float64 } // command after sensing filter
	n        int
	x        simState
	na, nr   float64 // noise of this step
	nt       float64
	limit    float64
}

// newSim fixes the step and the length of a run.
func (l Loop) newSim(o SimOptions) (*sim, int, error) {
	f := l.factors()
	var buf [16]zero
	gains, err := f.gains(buf[:0])
	if err != nil {
		return nil, 0, err
	}
	slow, fast := math.Sqrt(l.K/l.J), math.Sqrt(l.K/l.J)
	for _, g := range gains {
		w := math.Exp(g.u)
		slow, fast = math.Min(slow, w), math.Max(fast, w)
	}
	var rb rootBuf
	for _, x := range f.all(rb[:0]) {
		if x.sgn < 0 {
			fast = math.Max(fast, cmplx.Abs(x.at))
		}
	}
	fast = math.Max(fast, l.D/l.J)
	h := 0.1 / fast
	if o.Step > 0 {
		h = math.Min(h, o.Step)
	}
	s := &sim{l: l, h: h, jm: l.J, limit: math.Inf(1)}
	if o.TorqueLimit > 0 {
		s.limit = o.TorqueLimit
	}
	if r := l.Resonance; r.Share > 0 {
		s.jl, s.jm = l.J*r.Share, l.J*(1-r.Share)
		s.soft, s.dp = s.jl*r.Freq*r.Freq, 2*r.Damping*r.Freq*s.jl
	}
	duration := o.Duration
	if duration == 0 {
		duration = 50/slow + 20*l.Delay
	}
	steps := duration / h
	if l.Delay > 0 {
		n := math.Ceil(l.Delay / h)
		steps = duration / (l.Delay / n)
		s.delay, s.h = int(math.Min(n, maxSteps+1)), l.Delay/n
	}
	if !(steps <= maxSteps) || s.delay > maxSteps {
		return nil, 0, &domain.Error{Model: "loop", Name: "number of simulation steps", Value: domain.Number(steps), Want: "at most 20 million", Do: "shorten the duration: it is very long against the fastest part of the loop"}
	}
	s.ring = make([]struct{ v, dv float64 }, s.delay+1)
	push := o.Push
	if push == 0 {
		push = 1e-3 * slow * s.jm
	}
	s.x[1] = push / s.jm
	return s, max(int(math.Ceil(steps)), 1), nil
}

// sensed is the angle and its first two derivatives where the sensor sits.
func (s *sim) sensed(x *simState) (th, om float64) {
	if s.jl > 0 && s.l.Resonance.SensorBeyond {
		return x[2], x[3]
	}
	return x[0], x[1]
}

// command is the controller's output, and what comes out of the sensing filter.
func (s *sim) command(x *simState) (raw, out float64) {
	th, om := s.sensed(x)
	raw = s.l.K*(th+s.na) + s.l.D*(om+s.nr) + s.l.Ki*x[4]
	if s.l.Sensing.Order == 0 {
		return raw, raw
	}
	return raw, x[5]
}

// rates gives dx/dt with the delayed command v (used if there is a delay).
func (s *sim) rates(x *simState, v float64) (d simState, torque float64) {
	raw, out := s.command(x)
	if s.delay == 0 {
		v = out
	}
	lag := func(f Filter, i int, in float64) float64 {
		w := f.Cutoff
		switch f.Order {
		case 1:
			d[i] = w * (in - x[i])
			return x[i]
		case 2:
			d[i] = x[i+1]
			d[i+1] = w*w*(in-x[i]) - math.Sqrt2*w*x[i+1]
			return x[i]
		}
		return in
	}
	lag(s.l.Sensing, 5, raw)
	torque = -lag(s.l.Drive, 7, v)
	torque = math.Min(math.Max(torque, -s.limit), s.limit)
	th, _ := s.sensed(x)
	d[0], d[4] = x[1], th+s.na
	t := torque + s.nt - s.l.B*x[1] - s.l.KG*x[0]
	if s.jl > 0 {
		link := s.soft*(x[2]-x[0]) + s.dp*(x[3]-x[1])
		d[2], d[3] = x[3], -link/s.jl
		t += link
	}
	d[1] = t / s.jm
	return d, torque
}

// delayed is the command a delay ago, at share c of the current step. Before
// the start there was none; the push makes it jump at a whole step.
func (s *sim) delayed(c float64) float64 {
	if s.n < s.delay || s.delay == 0 {
		return 0
	}
	size := len(s.ring)
	a, b := &s.ring[(s.n+1)%size], &s.ring[(s.n+2)%size] // step n−delay and the next
	switch c {
	case 0:
		return a.v
	case 1:
		return b.v
	}
	c2, c3 := c*c, c*c*c
	return (2*c3-3*c2+1)*a.v + (c3-2*c2+c)*s.h*a.dv + (3*c2-2*c3)*b.v + (c3-c2)*s.h*b.dv
}

func (s *sim) run(o SimOptions, steps int) Trace {
	every := max(o.Every, 1)
	tr := Trace{Step: s.h * float64(every)}
	rnd := rand.New(rand.NewPCG(o.Seed, 0x5bd1e995))
	start := 0.0
	for s.n = 0; s.n < steps; s.n++ {
		if o.AngleNoise > 0 {
			s.na = o.AngleNoise * rnd.NormFloat64()
		}
		if o.RateNoise > 0 {
			s.nr = o.RateNoise * rnd.NormFloat64()
		}
		if o.TorqueNoise > 0 {
			s.nt = o.TorqueNoise * rnd.NormFloat64()
		}
		x := s.x
		if s.delay > 0 {
			_, out := s.command(&x)
			e := &s.ring[s.n%len(s.ring)]
			e.v = out
		}
		d1, torque := s.rates(&x, s.delayed(0))
		if s.delay > 0 {
			e := &s.ring[s.n%len(s.ring)]
			switch s.l.Sensing.Order {
			case 0:
				if s.l.Resonance.SensorBeyond && s.jl > 0 {
					e.dv = s.l.K*d1[2] + s.l.D*d1[3] + s.l.Ki*d1[4]
				} else {
					e.dv = s.l.K*d1[0] + s.l.D*d1[1] + s.l.Ki*d1[4]
				}
			default:
				e.dv = d1[5]
			}
		}
		if s.n%every == 0 {
			th, _ := s.sensed(&x)
			tr.Angle = append(tr.Angle, th)
			tr.Torque = append(tr.Torque, torque)
		}
		add := func(d *simState, h float64) (y simState) {
			for i := range y {
				y[i] = x[i] + h*d[i]
			}
			return
		}
		mid, end := s.delayed(0.5), s.delayed(1)
		y := add(&d1, s.h/2)
		d2, _ := s.rates(&y, mid)
		y = add(&d2, s.h/2)
		d3, _ := s.rates(&y, mid)
		y = add(&d3, s.h)
		d4, _ := s.rates(&y, end)
		size := 0.0
		for i := range s.x {
			s.x[i] = x[i] + s.h/6*(d1[i]+2*d2[i]+2*d3[i]+d4[i])
		}
		if o.Friction > 0 {
			most := o.Friction * s.h / s.jm
			s.x[1] = math.Copysign(math.Max(0, math.Abs(s.x[1])-most), s.x[1])
		}
		th, _ := s.sensed(&s.x)
		size = math.Abs(th)
		if s.n < steps/8+1 {
			start = math.Max(start, size)
		} else if size > 1e6*start && start > 0 || size > 1e100 {
			tr.Cut = true
			break
		}
	}
	tr.judge()
	return tr
}

// judge fills the figures of a trace from its samples.
func (t *Trace) judge() {
	n := len(t.Angle)
	// the size of the motion in twelve windows
	const windows = 12
	if n < 4*windows {
		t.Verdict = Sustain
		return
	}
	var size [windows]float64
	for i := range size {
		size[i] = rms(t.Angle[i*n/windows : (i+1)*n/windows])
	}
	t.RMS = rms(t.Angle[n-n/4:])
	var sx, sy, sxx, sxy, k float64
	for i := windows / 4; i < windows; i++ {
		if size[i] == 0 {
			continue
		}
		x, y := (float64(i)+0.5)*float64(n)*t.Step/windows, math.Log(size[i])
		sx, sy, sxx, sxy, k = sx+x, sy+y, sxx+x*x, sxy+x*y, k+1
	}
	if d := k*sxx - sx*sx; d > 0 {
		t.Rate = (k*sxy - sx*sy) / d
	}
	first := math.Max(size[1], size[2])
	switch last := size[windows-1]; {
	case t.Cut || last > 2*first:
		t.Verdict = Grows
	case last < first/2:
		t.Verdict = Decays
	default:
		t.Verdict = Sustain
	}
	// about the mean of the motion freed of its growth, or a growing swing would
	// put the mean to its own side
	half := append([]float64(nil), t.Angle[n/2:]...)
	mean := 0.0
	for i := range half {
		half[i] *= math.Exp(-t.Rate * float64(i) * t.Step)
		mean += half[i] / float64(len(half))
	}
	var crossings []float64
	for i := 1; i < len(half); i++ {
		a, b := half[i-1]-mean, half[i]-mean
		if (a < 0) != (b < 0) {
			crossings = append(crossings, float64(i-1)+a/(a-b))
		}
	}
	if m := len(crossings); m >= 3 {
		t.Hz = float64(m-1) / 2 / ((crossings[m-1] - crossings[0]) * t.Step)
	}
}

// rms is the root mean square of v about its mean.
func rms(v []float64) float64 {
	mean, scale := 0.0, 0.0
	for _, x := range v {
		mean += x / float64(len(v))
		scale = math.Max(scale, math.Abs(x))
	}
	if scale == 0 {
		return 0
	}
	s := 0.0
	for _, x := range v {
		e := (x - mean) / scale
		s += e * e
	}
	return scale * math.Sqrt(s/float64(len(v)))
}
