package follow

import (
	"fmt"
	"math"
)

// Options of a simulation. The zero value is 1 kHz, settling to 0.1 degrees, a
// tail long enough to settle, no lens.
type Options struct {
	Step      float64 // s between samples; 0 is 0.001
	Tail      float64 // s simulated after the handle stops; 0 is 8 lags, at least 1 s
	Tolerance float64 // rad, for the settling time; 0 is 0.1 degrees
	// FieldOfView is the lens's full angle of view along this axis in rad
	// (horizontal for pan, vertical for tilt); 0 leaves the drift in frame out.
	FieldOfView float64
	// CountLanding takes the largest drift only from Landing seconds after the
	// handle's stop: for a whip, whose way there is a blur.
	CountLanding bool
	Landing      float64
	// NoSmoothness leaves out the two smoothness measures, which cost more than
	// the simulation itself.
	NoSmoothness bool

	path *path // of the move at Step, where several styles go the same way
}

const (
	defaultStep      = 1e-3
	defaultTolerance = 0.1 * Deg
	minTail          = 1.0
	tailLags         = 8.0
)

func (o Options) filled(s Style) (Options, error) {
	if o.Step == 0 {
		o.Step = defaultStep
	}
	if o.Tail == 0 {
		o.Tail = math.Max(minTail+o.Landing, tailLags*s.Lag)
	}
	if o.Tolerance == 0 {
		o.Tolerance = defaultTolerance
	}
	for _, err := range []error{
		above("sample step (s)", o.Step, 0.1),
		above("time after the move (s)", o.Tail, MaxTime),
		above("settling tolerance (rad)", o.Tolerance, MaxDeadBand),
		inRange("landing (s)", o.Landing, 0, o.Tail),
	} {
		if err != nil {
			return o, err
		}
	}
	if o.FieldOfView != 0 {
		return o, above("field of view (rad)", o.FieldOfView, MaxFieldOfView)
	}
	return o, nil
}

// Trace is the simulated time series, all of one length, samples Step apart
// from time zero.
type Trace struct {
	Step   float64   `json:"step_s"`
	Handle []float64 `json:"handle_rad"`
	Camera []float64 `json:"camera_rad"`
	Rate   []float64 `json:"rate_rad_s"` // of the camera
}

// Response is what a style makes of a move. A pointer is nil where the figure
// does not exist; Omitted then says why, by the JSON name of the figure.
type Response struct {
	Move  string `json:"move"`
	Style Style  `json:"style"`

	Moves        bool     `json:"moves"`             // the camera leaves its first heading
	HandleTravel float64  `json:"handle_travel_rad"` // end minus start
	Travel       float64  `json:"travel_rad"`        // of the camera, once all is at rest
	Residual     float64  `json:"residual_rad"`      // handle minus camera at rest
	StartDelay   *float64 `json:"start_delay_s"`     // from the handle's first motion to the camera's
	SteadyTrail  *float64 `json:"steady_trail_rad"`  // of an endless pan at the move's highest pan rate
	TrailAtStop  float64  `json:"trail_at_stop_rad"` // |handle minus camera| when the handle stops
	MaxTrail     float64  `json:"max_trail_rad"`     // largest |handle minus camera|
	SettleTime   *float64 `json:"settle_time_s"`     // from the handle's stop until within the tolerance of rest for good
	PeakRate     float64  `json:"peak_rate_rad_s"`   // largest |rate| of the camera
	Overshoot    float64  `json:"overshoot_rad"`     // farthest the camera goes past its rest, beyond the handle's own excursion, >= 0
	SPARC        *float64 `json:"sparc"`             // spectral arc length of the camera's rate; nearer zero is smoother
	LDLJ         *float64 `json:"ldlj"`              // log dimensionless jerk of the camera's rate; nearer zero is smoother
	Drift        *Drift   `json:"drift,omitempty"`   // where a field of view is given

	Omitted map[string]string `json:"omitted,omitempty"`
	Trace   Trace             `json:"-"`
}

// Drift is how far the subject moves off its place in the frame, taking it that
// the operator's meant heading (sway left out) keeps the subject in place.
type Drift struct {
	MaxAngle float64 `json:"max_angle_rad"` // largest |meant heading minus camera|, from the landing on if that is asked
	AtStop   float64 `json:"at_stop_rad"`   // the same when the handle stops
	// Shares of the frame's width (height for tilt); 0.5 is from the middle to
	// the edge. Nil where the subject is 90 degrees or more off the lens axis.
	MaxShare    *float64 `json:"max_share"`
	AtStopShare *float64 `json:"at_stop_share"`
	LeavesFrame bool     `json:"leaves_frame"` // a subject in the middle passes the edge
}

// DelayAtHalf is the time in s from when the handle first passes half of the way to where it
// is farthest from its first heading, to when the camera does; never negative. ok is false
// where the handle stays, or the camera does not come that far within the trace. Both times
// are interpolated within a step.
//
// Source: own definition, on the trace of Simulate; for a pan of constant rate it nears
// SteadyTrail / rate, as the tests compare.
func (r *Response) DelayAtHalf() (seconds float64, ok bool) {
	h := r.Trace.Handle
	if len(h) == 0 {
		return 0, false
	}
	far := 0.0
	for _, v := range h {
		if d := v - h[0]; math.Abs(d) > math.Abs(far)+1e-9 {
			far = d
		}
	}
	if far == 0 {
		return 0, false
	}
	by, ok1 := passes(h, h[0]+far/2)
	at, ok2 := passes(r.Trace.Camera, h[0]+far/2)
	return math.Max(0, at-by) * r.Trace.Step, ok1 && ok2
}

// passes is the place, in samples, at which a trace first reaches a heading.
func passes(trace []float64, heading float64) (float64, bool) {
	side := heading - trace[0]
	for i := 1; i < len(trace); i++ {
		if d := heading - trace[i]; d == 0 || (d > 0) != (side > 0) {
			return float64(i-1) + (heading-trace[i-1])/(trace[i]-trace[i-1]), true
		}
	}
	return 0, false
}

// Simulate gives the response of a style to a move. The handle is taken as
// straight lines between samples and the move's own corners; each line is
// solved exactly, so the only error is that of the lines, of order
// rate-of-change-of-rate times Step squared over eight. Errors are *domain.Error.
//
// Source: dead band and linear lag integrated in closed form piece by piece;
// for the constant-rate pan see ConstantRate, which tests compare it with.
func Simulate(m Move, s Style, o Options) (*Response, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if err := m.Validate(); err != nil {
		return nil, err
	}
	o, err := o.filled(s)
	if err != nil {
		return nil, err
	}
	stop := m.Duration()
	if n := (stop + o.Tail) / o.Step; n > maxSamples {
		return nil, refuse("number of samples", n, fmt.Sprintf("at most %d: a longer step or a shorter move", maxSamples))
	}
	n := int(math.Ceil((stop+o.Tail)/o.Step)) + 1
	buf := make([]float64, 3*n)
	r := &Response{Move: m.String(), Style: s, Omitted: map[string]string{}}
	r.Trace = Trace{o.Step, buf[:n:n], buf[n : 2*n : 2*n], buf[2*n:]}
	run := newRun(m, s, o)
	for i := 0; i < n; i++ {
		run.to(i)
		r.Trace.Handle[i], r.Trace.Camera[i], r.Trace.Rate[i] = run.handle, run.camera(run.handle), run.v
	}
	run.figures(r)
	if !o.NoSmoothness {
		r.smoothness()
	}
	if o.FieldOfView > 0 {
		r.Drift = run.drift(o.FieldOfView)
	}
	return r, nil
}

// run walks a head along a move, keeping the extremes.
type run struct {
	head
	o                 Options
	path              *path
	knots             []float64
	t                 float64 // the head's clock, exactly at a sample or knot
	handle, meant     float64
	stop              float64
	moved             float64 // when the handle first moved, NaN until then
	maxTrail, peak    float64
	maxDrift, stopOff float64
	trailAtStop       float64

	// from the stop on
	final, atStop float64 // where the camera comes to rest; where it was at the stop
	overshoot     float64
	far           head    // the head when last farther from rest than the tolerance
	farAt         float64 // NaN: never
	near          float64 // the next time seen, within it
	stopped, away bool
}

func newRun(m Move, s Style, o Options) *run {
	r := &run{head: newHead(s, o.Step), o: o, path: o.path, knots: m.knots(), stop: m.Duration(), moved: math.NaN(), farAt: math.NaN()}
	if r.path == nil {
		r.path = newPath(m, o.Step)
	}
	for len(r.knots) > 0 && r.knots[0] <= 0 {
		r.knots = r.knots[1:]
	}
	return r
}

// path is the way of a move's handle: where it is at each sample, worked out when first asked for.
type path struct {
	steps []placed
	step  float64 // s between samples
	at    []way
}

// way is where the handle is, and where it is meant to be without sway, both in rad.
type way struct{ handle, meant float64 }

func newPath(m Move, step float64) *path { return &path{steps: m.place(), step: step} }

// sample is the way at sample i.
func (p *path) sample(i int) way {
	for len(p.at) <= i {
		p.at = append(p.at, p.when(float64(len(p.at))*p.step))
	}
	return p.at[i]
}

// when is the way at time t.
func (p *path) when(t float64) (w way) {
	w.handle, w.meant = heading(p.steps, t)
	return w
}

// to goes on to sample i, stopping at every knot before it.
func (r *run) to(i int) {
	t := float64(i) * r.o.Step
	for len(r.knots) > 0 && r.knots[0] < t {
		r.line(r.knots[0], r.path.when(r.knots[0]))
		r.knots = r.knots[1:]
	}
	if len(r.knots) > 0 && r.knots[0] == t {
		r.knots = r.knots[1:]
	}
	r.line(t, r.path.sample(i))
}

// line takes the handle straight from where it is to where it is at time t.
func (r *run) line(t float64, w way) {
	if t > r.t {
		dt := t - r.t
		if d := dt - r.o.Step; math.Abs(d) < 1e-9*r.o.Step {
			dt = r.o.Step // the same to rounding: the kept exponential serves
		}
		if w.handle != r.handle && math.IsNaN(r.moved) {
			r.moved = r.t
		}
		r.step((w.handle-r.handle)/dt, dt)
		r.t, r.handle, r.meant = t, w.handle, w.meant
	}
	c := r.camera(r.handle)
	trail := math.Abs(r.handle - c)
	off := math.Abs(r.meant - c)
	r.maxTrail = math.Max(r.maxTrail, trail)
	if !r.o.CountLanding || r.t >= r.stop+r.o.Landing {
		r.maxDrift = math.Max(r.maxDrift, off)
	}
	r.peak = math.Max(r.peak, math.Abs(r.v))
	if r.t <= r.stop {
		r.trailAtStop, r.stopOff = trail, off
	}
	if r.t >= r.stop {
		r.after(c)
	}
}

// after follows the camera, at c, to its rest once the handle stands still.
func (r *run) after(c float64) {
	if !r.stopped {
		r.stopped, r.atStop = true, c
		rest := r.head
		rest.step(0, 60*rest.tau) // e^-60: at rest to the last bit
		r.final = rest.camera(r.handle)
	}
	toGo := math.Copysign(1, r.final-r.atStop) * (r.final - c)
	r.overshoot = math.Max(r.overshoot, -toGo)
	switch away := math.Abs(toGo) > r.o.Tolerance; {
	case away:
		r.far, r.farAt, r.away = r.head, r.t, true
	case r.away:
		r.near, r.away = r.t, false
	}
}

// figures fills the response after the walk.
func (r *run) figures(out *Response) {
	out.HandleTravel = r.handle
	out.Moves = !math.IsNaN(r.started)
	out.TrailAtStop, out.MaxTrail, out.PeakRate = r.trailAtStop, r.maxTrail, r.peak
	out.Travel, out.Residual, out.Overshoot = r.final, r.handle-r.final, r.overshoot
	if out.Moves {
		d := math.Max(0, r.started-r.moved)
		out.StartDelay = &d
	} else {
		out.Omitted["start_delay_s"] = "the camera does not move: the handle stays inside the dead band"
	}
	rate := 0.0
	for _, s := range r.path.steps {
		if s.Kind == Pan {
			rate = math.Max(rate, math.Abs(s.Rate))
		}
	}
	if rate > 0 {
		trail := out.Style.SteadyTrail(rate)
		out.SteadyTrail = &trail
	} else {
		out.Omitted["steady_trail_rad"] = "the move has no constant-rate pan"
	}
	if t, ok := r.settled(); ok {
		out.SettleTime = &t
	} else {
		out.Omitted["settle_time_s"] = fmt.Sprintf("not within the tolerance %.3g s after the stop", r.o.Tail)
	}
}

// settled is the time after the stop from which the camera stays within the
// tolerance of its rest, solved within the piece in which it comes there.
func (r *run) settled() (float64, bool) {
	if math.IsNaN(r.farAt) {
		return 0, true
	}
	if r.away {
		return 0, false
	}
	within := bracketed(func(t float64) float64 {
		h := r.far
		h.step(0, t)
		return math.Abs(h.camera(r.handle)-r.final) - r.o.Tolerance
	}, 0, r.near-r.farAt)
	return r.farAt + within - r.stop, true
}

func (r *run) drift(fov float64) *Drift {
	d := &Drift{MaxAngle: r.maxDrift, AtStop: r.stopOff}
	d.MaxShare, d.AtStopShare = shareOrNil(d.MaxAngle, fov), shareOrNil(d.AtStop, fov)
	d.LeavesFrame = d.MaxAngle > fov/2
	return d
}

func shareOrNil(angle, fov float64) *float64 {
	s, err := FrameShare(angle, fov)
	if err != nil {
		return nil
	}
	return &s
}

// MaxFieldOfView is the widest full angle of view of a rectilinear lens taken, rad.
const MaxFieldOfView = 170 * Deg

// FrameShare is how far from the middle an angle off the lens axis (rad) shows
// up, as a share of the frame's full width, through a rectilinear lens with the
// full angle of view fov (rad). The error is *domain.Error for an angle of 90
// degrees or more, which no such lens shows.
//
// Source: rectilinear projection x = f tan(angle), frame width 2 f tan(fov/2).
func FrameShare(angle, fov float64) (float64, error) {
	if err := above("field of view (rad)", fov, MaxFieldOfView); err != nil {
		return 0, err
	}
	if a := math.Abs(angle); !(a < math.Pi/2) {
		return 0, refuse("angle off the lens axis (rad)", angle, "less than a quarter turn")
	}
	return math.Tan(math.Abs(angle)) / (2 * math.Tan(fov/2)), nil
}

// FrameAngle is the inverse of FrameShare: the angle in rad at which a subject
// stands the given share of the frame's width from the middle.
//
// Source: as FrameShare.
func FrameAngle(share, fov float64) (float64, error) {
	if err := above("field of view (rad)", fov, MaxFieldOfView); err != nil {
		return 0, err
	}
	if err := inRange("share of the frame", share, 0, 100); err != nil {
		return 0, err
	}
	return math.Atan(share * 2 * math.Tan(fov/2)), nil
}
