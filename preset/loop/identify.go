package loop

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"rigkeep/preset/domain"
)

// Observation is one measured onset on a known build.
type Observation struct {
	// Loop is what is known of the axis: inertia, friction, filters, and the proportion of
	// damping (and integral term) to stiffness if How is RaiseTogether, or
	// their values if it is RaiseStiffness. Its delay is not used.
	Loop Loop
	How  Raise

	Dial       float64 // dial value at onset, above 0
	DialSpread float64 // its relative standard deviation, above 0 (Reading.Spread gives that of a bracket)
	Hz         float64 // frequency at onset; 0 if not measured
	HzSpread   float64 // its relative standard deviation, above 0 if Hz is given
}

// Spread is the relative standard deviation of the onset that a session's
// bracket leaves: the onset lies anywhere in it. 0 without a bracket.
//
// Source: standard deviation of a uniform distribution, width/√12, of the logarithm.
func (r Reading) Spread() float64 {
	if r.Low <= 0 || r.High <= 0 {
		return 0
	}
	return math.Log(r.High/r.Low) / math.Sqrt(12)
}

// Prior is what was known of a unit before: from its earlier sessions or its sheet. The zero value knows nothing.
type Prior struct {
	Delay, DelaySpread float64 // s, and its standard deviation in s; spread 0: not known
	Scale, ScaleSpread float64 // N m/rad per dial number, and its relative standard deviation; spread 0: not known
}

// Identified is the delay and dial scale of a unit as its onsets tell.
type Identified struct {
	// Delay explains, besides the true delay, every lag that the loops given
	// do not have. It is known if its interval ends below 1 s. An interval
	// from 0 means that no delay at all would fit, too.
	DelayKnown       bool
	Delay, DelaySD   float64 // s
	DelayLo, DelayHi float64 // s, 95 %

	// Scale is stiffness = Scale × dial. It is known if its interval spans less than a factor of 10.
	ScaleKnown       bool
	Scale            float64 // N m/rad per dial number
	ScaleSpread      float64 // relative standard deviation
	ScaleLo, ScaleHi float64 // 95 %

	// Misfit is the sum of squared deviations in standard deviations, with DOF
	// measurements more than unknowns. Fits is false if so much misfit has a
	// chance below 1 %: one onset contradicts the others, or a spread is too small.
	Misfit float64
	DOF    int
	Fits   bool
	// DialOff and HzOff are measured over predicted, in standard deviations, per
	// sighting; 0 where not measured.
	DialOff, HzOff []float64

	Unknown []string // what these onsets do not tell, in words
}

const (
	delayMost = 1.0  // s; the search covers 0 and 10 µs to 1 s
	delayStep = 1e-5 // s, the shortest delay above 0 looked at
	chi95     = 3.841458820694124
)

// Identify finds delay and dial scale from one or more onsets of one unit and axis
// type: least squares of the logarithms of dial and frequency over their spreads,
// the scale solved in closed form for each delay, the delay by search over
// its whole range. Intervals are of the profile likelihood.
//
// One onset with its frequency determines both exactly and leaves nothing to check
// them by. Onsets without frequency tell the delay only from how the onset
// grows with inertia; a single one tells neither.
//
// Source: profile likelihood, Pawitan, In All Likelihood, ch. 3 (from memory);
// predictions by OnsetCommon and OnsetStiffness.
func Identify(seen []Observation, prior Prior) (Identified, error) {
	c := domain.Checker{Model: "loop"}
	if len(seen) == 0 {
		c.Fail("measured onsets", "", "at least one", "run a session up to the onset")
	}
	for _, s := range seen {
		c.Positive("dial at onset", s.Dial, "")
		c.That(s.DialSpread > 1e-6 && s.DialSpread < 10, "relative spread of the dial at onset", s.DialSpread, "a number from 1e-6 to 10", "a step of 1 at 40 is about 0.01")
		c.NotNegative("frequency at onset", s.Hz, "Hz")
		if s.Hz > 0 {
			c.That(s.HzSpread > 1e-6 && s.HzSpread < 10, "relative spread of the frequency at onset", s.HzSpread, "a number from 1e-6 to 10", "")
		}
		if s.How != RaiseTogether && s.How != RaiseStiffness {
			c.Fail("what was raised", "", "RaiseTogether or RaiseStiffness", "")
		}
		s.Loop.Delay = 0
		if err := s.Loop.validate(s.How == RaiseTogether); err != nil {
			return Identified{}, err
		}
	}
	if c.NotNegative("spread of the known delay", prior.DelaySpread, "s"); prior.DelaySpread > 0 {
		c.NotNegative("known delay", prior.Delay, "s")
		c.That(prior.Delay <= delayMost, "known delay", prior.Delay, "at most 1 s", "")
	}
	if c.NotNegative("spread of the known scale", prior.ScaleSpread, ""); prior.ScaleSpread > 0 {
		c.Positive("known scale", prior.Scale, "N m/rad per dial number")
	}
	if err := c.Err(); err != nil {
		return Identified{}, err
	}
	p := profile{seen: seen, prior: prior, cache: map[float64]fit{}}
	return p.solve()
}

// fit is the best scale for one delay.
type fit struct {
	chi, lnc float64
	onsets   []Onset
}

type profile struct {
	seen  []Observation
	prior Prior
	cache map[float64]fit
	err   error
}

func (p *profile) weight() float64 {
	w := 0.0
	for _, s := range p.seen {
		w += 1 / (s.DialSpread * s.DialSpread)
	}
	if p.prior.ScaleSpread > 0 {
		w += 1 / (p.prior.ScaleSpread * p.prior.ScaleSpread)
	}
	return w
}

// at fits the scale for delay t: a weighted mean. A delay for which an onset
// that was seen cannot happen has infinite misfit.
func (p *profile) at(t float64) fit {
	if f, ok := p.cache[t]; ok {
		return f
	}
	f := fit{onsets: make([]Onset, len(p.seen))}
	impossible := func() fit {
		f.chi = math.Inf(1)
		p.cache[t] = f
		return f
	}
	sum, sq := 0.0, 0.0
	add := func(v, spread float64) {
		w := 1 / (spread * spread)
		sum += w * v
		sq += w * v * v
	}
	for i, s := range p.seen {
		l := s.Loop
		if l.Delay = t; t < smallest {
			l.Delay = 0
		}
		var o Onset
		var err error
		if s.How == RaiseTogether {
			o, err = l.OnsetCommon()
		} else {
			o, err = l.OnsetStiffness()
		}
		if err != nil {
			p.err = err
			return impossible()
		}
		if !o.Exists || o.W == 0 {
			return impossible()
		}
		f.onsets[i] = o
		add(math.Log(o.K/s.Dial), s.DialSpread)
		if s.Hz > 0 {
			z := math.Log(s.Hz/o.Hz) / s.HzSpread
			f.chi += z * z
		}
	}
	if p.prior.ScaleSpread > 0 {
		add(math.Log(p.prior.Scale), p.prior.ScaleSpread)
	}
	if p.prior.DelaySpread > 0 {
		z := (t - p.prior.Delay) / p.prior.DelaySpread
		f.chi += z * z
	}
	w := p.weight()
	f.lnc = sum / w
	f.chi += math.Max(0, sq-sum*f.lnc)
	p.cache[t] = f
	return f
}

func (p *profile) solve() (Identified, error) {
	// 0, then evenly in the logarithm, and where the phase alone puts it
	grid := []float64{0}
	const perDecade = 12
	for i := 0; i <= 5*perDecade; i++ {
		grid = append(grid, delayStep*math.Pow(10, float64(i)/perDecade))
	}
	best, bi := math.Inf(1), -1
	for i, t := range grid {
		if f := p.at(t); f.chi < best {
			best, bi = f.chi, i
		}
	}
	if bi < 0 {
		if p.err != nil {
			return Identified{}, p.err
		}
		return Identified{}, &domain.Error{Model: "loop", Name: "measured onsets", Want: "onsets that the loops given can have at some delay up to 1 s", Do: "check inertia, damping and filters"}
	}
	// refine every valley of the grid
	t0 := grid[bi]
	for i := range grid {
		lo, hi := grid[max(i-1, 0)], grid[min(i+1, len(grid)-1)]
		f := p.at(grid[i]).chi
		if f > p.at(lo).chi || f > p.at(hi).chi || math.IsInf(f, 1) {
			continue
		}
		if t := p.golden(lo, hi); p.at(t).chi < best {
			best, t0 = p.at(t).chi, t
		}
	}
	f0 := p.at(t0)
	out := Identified{Delay: t0, Scale: math.Exp(f0.lnc), Misfit: f0.chi}
	inside := func(t float64) bool { return p.at(t).chi <= best+chi95 }
	out.DelayLo, out.DelayHi = p.ends(t0, grid, inside)
	out.DelayKnown = out.DelayHi < delayMost

	// the scale's interval: every delay inside allows a stretch about its best
	w := p.weight()
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(t float64) {
		if f := p.at(t); f.chi <= best+chi95+1e-9 {
			r := math.Sqrt(math.Max(0, best+chi95-f.chi) / w)
			lo, hi = math.Min(lo, f.lnc-r), math.Max(hi, f.lnc+r)
		}
	}
	const looks = 40
	for i := 0; i <= looks; i++ {
		see(out.DelayLo + (out.DelayHi-out.DelayLo)*float64(i)/looks)
	}
	for _, t := range grid {
		if t > out.DelayLo && t < out.DelayHi {
			see(t)
		}
	}
	see(t0)
	out.ScaleLo, out.ScaleHi = math.Exp(lo), math.Exp(hi)
	out.ScaleKnown = hi-lo < math.Log(10)
	out.ScaleSpread = (hi - lo) / (2 * math.Sqrt(chi95))
	out.DelaySD = (out.DelayHi - out.DelayLo) / (2 * math.Sqrt(chi95))

	n := len(p.seen)
	for i, s := range p.seen {
		o := f0.onsets[i]
		out.DialOff = append(out.DialOff, (math.Log(s.Dial)-math.Log(o.K)+f0.lnc)/s.DialSpread)
		off := 0.0
		if s.Hz > 0 {
			off = math.Log(s.Hz/o.Hz) / s.HzSpread
			n++
		}
		out.HzOff = append(out.HzOff, off)
	}
	if p.prior.DelaySpread > 0 {
		n++
	}
	if p.prior.ScaleSpread > 0 {
		n++
	}
	out.DOF = max(n-2, 0)
	out.Fits = true
	if out.DOF > 0 {
		out.Fits = 1-distuv.ChiSquared{K: float64(out.DOF)}.CDF(out.Misfit) >= 0.01
	}
	if !out.DelayKnown {
		out.Unknown = append(out.Unknown, "the delay: measure the frequency of an onset, or the onsets of builds of different inertia")
	} else if out.DelayLo == 0 {
		out.Unknown = append(out.Unknown, "whether there is any delay beyond the filters: these onsets only say that it is not longer")
	}
	if !out.ScaleKnown {
		out.Unknown = append(out.Unknown, "the dial's scale: it hangs on the delay, which these onsets do not tell")
	}
	if out.DOF == 0 {
		out.Unknown = append(out.Unknown, "whether the model holds: measurements do not outnumber unknowns, so nothing checks it")
	}
	return out, nil
}

// golden finds a minimum of the misfit between a and b.
func (p *profile) golden(a, b float64) float64 {
	const g = 0.6180339887498949
	x, y := b-g*(b-a), a+g*(b-a)
	fx, fy := p.at(x).chi, p.at(y).chi
	for range 50 {
		if b-a <= 1e-9*b {
			break
		}
		if fx <= fy {
			b, y, fy = y, x, fx
			x = b - g*(b-a)
			fx = p.at(x).chi
		} else {
			a, x, fx = x, y, fy
			y = a + g*(b-a)
			fy = p.at(y).chi
		}
	}
	return (a + b) / 2
}

// ends gives the outermost delays for which inside holds: from the outermost
// grid point inside to its neighbour outside, by bisection.
func (p *profile) ends(t0 float64, grid []float64, inside func(float64) bool) (lo, hi float64) {
	lo, hi = t0, t0
	below, above := 0.0, grid[len(grid)-1]
	for i := len(grid) - 1; i >= 0; i-- {
		if t := grid[i]; t < lo && inside(t) {
			lo = t
		}
	}
	for _, t := range grid {
		if t > hi && inside(t) {
			hi = t
		}
	}
	for _, t := range grid {
		if t < lo {
			below = t
		}
	}
	for i := len(grid) - 1; i >= 0; i-- {
		if grid[i] > hi {
			above = grid[i]
		}
	}
	bisect := func(in, out float64) float64 {
		if inside(out) {
			return out
		}
		for range 40 {
			mid := (in + out) / 2
			if inside(mid) {
				in = mid
			} else {
				out = mid
			}
		}
		return in
	}
	return bisect(lo, below), bisect(hi, above)
}
