package bench

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"rigkeep/schema"
)

// grid counts a dial in fine steps of stiffness: 0 is its soft end.
type grid struct {
	d      schema.Dial
	n      int // the stiff end
	coarse int // fine steps to a coarse one, at least 1
	stop   int // bracket at which to stop: never wider than a coarse step
}

func newGrid(d schema.Dial, stopWidth int) grid {
	g := grid{d: d, n: int(math.Floor((d.Max-d.Min)/d.Fine + 1e-6))}
	g.coarse = max(1, int(math.Floor(d.Coarse/d.Fine+1e-6)))
	g.stop = min(stopWidth, g.coarse)
	return g
}

func (g grid) value(k int) float64 {
	if g.d.Sign < 0 {
		k = g.n - k
	}
	// decimals times decimals leave binary dust
	return math.Round((g.d.Min+float64(k)*g.d.Fine)*1e9) / 1e9
}

// index is false for a number that the dial cannot show.
func (g grid) index(v float64) (int, bool) {
	x := (v - g.d.Min) / g.d.Fine
	k := math.Round(x)
	if math.IsNaN(x) || math.Abs(x-k) > 1e-6 || k < 0 || k > float64(g.n) {
		return 0, false
	}
	if g.d.Sign < 0 {
		return g.n - int(k), true
	}
	return int(k), true
}

// below is the stiffest step that is not stiffer than a dial number, kept on the
// dial.
func (g grid) below(v float64) int {
	x := (v - g.d.Min) / g.d.Fine
	if g.d.Sign < 0 {
		x = float64(g.n) - x
	}
	return int(math.Max(0, math.Min(float64(g.n), math.Floor(x+1e-6))))
}

// stiffness is what margins are ratios of: SI where the dial has a map, else the
// number itself (or its inverse). ok is false where no ratio can be formed.
func (g grid) stiffness(k int) (float64, bool) {
	v := g.value(k)
	if g.d.Map != nil {
		s, err := g.d.ToSI(v)
		return s, err == nil && s > 0
	}
	if g.d.Min < 0 || v <= 0 {
		return 0, false
	}
	if g.d.Sign < 0 {
		return 1 / v, true
	}
	return v, true
}

// look is one sighting.
type look struct {
	k         int
	saw       Outcome
	hz        float64
	tilt      *float64
	hand      bool // after the axis was sent back from the hand check
	withdrawn bool
}

func (l look) osc() bool { return l.saw.Oscillates() || l.saw == Reopen }

// axis is the state of one axis.
type axis struct {
	setup   Setup
	grid    grid
	cfg     *Config
	trials  []look
	kept    map[int]bool // oscillations confirmed by Keep
	skipped bool
	hand    bool // sent back: only handheld trials count as clean
	near    int  // kept by Nearer, -1 for none

	byMargin int // what the margin gives, where the axis is finished

	lo, hi         int // highest clean below hi, lowest standing onset; -1 none
	contradictions []string
	proposal       Proposal // Stage Done when the axis is finished
	result         AxisResult
}

// state is everything derived from the events.
type state struct {
	cfg      Config
	axes     map[schema.Axis]*axis
	order    []schema.Axis
	live     []Event // events in force: neither taken back nor words only
	handDone int
	handSkip bool
	passed   map[int]bool // points of the handheld check that were passed over
	reopened int
}

// replay works the state out anew from the events.
func (s *Session) replay() *state {
	st := &state{cfg: s.cfg, axes: map[schema.Axis]*axis{}, passed: map[int]bool{}}
	for _, e := range s.events {
		switch e.Saw {
		case Note:
		case Undo:
			st.live = st.live[:len(st.live)-1]
		default:
			st.live = append(st.live, e)
		}
	}
	for _, a := range s.cfg.Axes {
		x := &axis{setup: a, grid: newGrid(a.Dial, s.cfg.StopWidth), cfg: &st.cfg, kept: map[int]bool{}, near: -1}
		st.axes[a.Axis] = x
		st.order = append(st.order, a.Axis)
		x.decide()
	}
	for _, e := range st.live {
		st.apply(e)
	}
	return st
}

func (st *state) apply(e Event) {
	if e.Saw == Hand {
		st.handDone++
		st.handSkip = false
		return
	}
	if e.Saw == Skip && !e.HasAxis {
		if st.cfg.Hand[st.handDone].Style != "" {
			st.passed[st.handDone] = true
			st.handDone++
			return
		}
		st.handSkip = true
		return
	}
	// whatever else changes a kept value, or may: it is tested handheld again
	st.handDone, st.passed = 0, map[int]bool{}
	a := st.axes[e.Axis]
	switch {
	case e.Saw == Skip:
		a.skipped = true
	case e.Saw == Withdraw:
		k, _ := a.grid.index(*e.Value)
		for i := range a.trials {
			if a.trials[i].k == k && a.trials[i].osc() {
				a.trials[i].withdrawn = true
			}
		}
	case e.Saw == Keep:
		k, _ := a.grid.index(*e.Value)
		a.kept[k] = true
	case e.Saw == Nearer:
		a.near, _ = a.grid.index(*e.Value)
		st.handSkip = false
	case e.Saw == Reopen || e.Saw.Oscillates() && e.Value == nil:
		k, _ := a.grid.index(*a.result.Kept)
		a.hand, a.near = true, -1
		a.trials = append(a.trials, look{k: k, saw: e.Saw, hz: e.Hz, tilt: e.TiltDeg, hand: true})
		st.reopened++
	default:
		k, _ := a.grid.index(*e.Value)
		a.skipped = false
		a.trials = append(a.trials, look{k: k, saw: e.Saw, hz: e.Hz, tilt: e.TiltDeg, hand: a.hand})
		st.handSkip = false
	}
	a.decide()
}

// next is the first unfinished axis, then the hand check.
func (st *state) next() Proposal {
	kept := false
	for _, x := range st.order {
		a := st.axes[x]
		if a.proposal.Stage != Done {
			return a.proposal
		}
		kept = kept || a.result.Kept != nil
	}
	if kept && !st.handSkip && st.handDone < len(st.cfg.Hand) {
		p := st.cfg.Hand[st.handDone]
		return Proposal{Stage: InHand, Point: p, TiltDeg: p.TiltDeg, Allowed: handAnswers,
			Reason: fmt.Sprintf("handheld with the kept values, %s (%d of %d); name the axis if one oscillates", p.Label, st.handDone+1, len(st.cfg.Hand))}
	}
	return Proposal{Stage: Done, Allowed: doneAnswers, Reason: "every axis is finished"}
}

// count is the number of standing trials at k that oscillated or did not.
func (a *axis) count(k int, osc bool) int {
	n := 0
	for _, l := range a.trials {
		if l.k == k && l.osc() == osc && !l.withdrawn && (osc || l.hand == a.hand) {
			n++
		}
	}
	return n
}

func (a *axis) num(k int) string { return schema.Num(a.grid.value(k)) }

func (a *axis) ptr(k int) *float64 {
	if k < 0 {
		return nil
	}
	v := a.grid.value(k)
	return &v
}

// first is where the search begins, and why.
func (a *axis) first() (int, string) {
	e := a.setup.Evidence
	if e.Offered == nil && e.Onset == nil {
		return 0, "nothing known for this axis: start at the soft end"
	}
	k, why := 0, "the soft end of the dial"
	if e.Offered != nil {
		k = a.grid.below(*e.Offered)
		why = "suggested start"
		if v := a.grid.value(k); math.Abs(v-*e.Offered) >= a.setup.Dial.Fine {
			why = fmt.Sprintf("the end of the dial; the evidence asks for %s", schema.Num(*e.Offered))
		}
	}
	if e.Onset != nil {
		soft := e.Onset.Lo
		if a.setup.Dial.Less(e.Onset.Hi, soft) {
			soft = e.Onset.Hi
		}
		if j := max(0, a.grid.below(soft)-a.grid.coarse); j > k {
			k, why = j, fmt.Sprintf("one coarse step below the expected onset (%s)", schema.Num(math.Round(soft*10)/10))
		}
	}
	return k, why
}

// decide works out bracket, contradictions, proposal and result from the trials.
func (a *axis) decide() {
	a.lo, a.hi = -1, -1
	a.contradictions = nil
	for _, l := range a.trials {
		if l.osc() && !l.withdrawn && (a.hi < 0 || l.k < a.hi) {
			a.hi = l.k
		}
	}
	clash := -1
	standOnly := false
	for _, l := range a.trials {
		if l.osc() || l.hand != a.hand {
			continue
		}
		switch {
		case a.hi >= 0 && l.k >= a.hi:
			clash = max(clash, l.k)
		case l.k > a.lo:
			a.lo, standOnly = l.k, l.saw == Stand
		case l.k == a.lo && l.saw == Stand:
			standOnly = true
		}
	}
	if clash >= 0 {
		if clash == a.hi {
			a.contradictions = append(a.contradictions, fmt.Sprintf("%s: both oscillating and clean at %s", a.setup.Axis, a.num(a.hi)))
		} else {
			a.contradictions = append(a.contradictions, fmt.Sprintf("%s: oscillating at %s, clean at %s", a.setup.Axis, a.num(a.hi), a.num(clash)))
		}
	}
	for i, l := range a.trials {
		if l.withdrawn && slices.IndexFunc(a.trials, func(m look) bool { return m.k == l.k && m.withdrawn }) == i {
			a.contradictions = append(a.contradictions, fmt.Sprintf("%s: an oscillation at %s was withdrawn after clean trials", a.setup.Axis, a.num(l.k)))
		}
	}
	a.proposal = a.propose(clash >= 0, standOnly)
	a.result = a.summarise()
}

func (a *axis) propose(clash, standOnly bool) Proposal {
	done := func(why string) Proposal { return Proposal{Stage: Done, Axis: a.setup.Axis, Reason: why} }
	ask := func(stage Stage, k int, format string, args ...any) Proposal {
		p := Proposal{Stage: stage, Axis: a.setup.Axis, Value: a.grid.value(k), TiltDeg: a.setup.TiltDeg, Reason: fmt.Sprintf(format, args...),
			Clean: a.ptr(a.lo), Onset: a.ptr(a.hi), Allowed: lookAnswers}
		if stage == Decide {
			p.Allowed = decideAnswers
		}
		return p
	}
	if a.skipped {
		return done("skipped")
	}
	if a.setup.Held != nil && len(a.trials) == 0 {
		return done("the value of the tune")
	}
	g := a.grid
	step := g.coarse
	if standOnly {
		step = (step + 1) / 2
	}
	if a.hi < 0 && a.lo < 0 {
		k, why := a.first()
		return ask(Search, k, "%s", why)
	}
	if a.hi < 0 {
		if a.lo == g.n {
			return done("no oscillation on the whole dial")
		}
		k := min(a.lo+step, g.n)
		if standOnly {
			return ask(Search, k, "%s oscillates on the stand only: half a coarse step up, then try it handheld as well", a.num(a.lo))
		}
		return ask(Search, k, "%s clean, one coarse step up", a.num(a.lo))
	}
	if p, ok := a.doubt(clash, ask); ok {
		return p
	}
	if a.lo < 0 {
		if a.hi == 0 {
			return done("oscillates at the softest setting: check balance, loose parts and filters")
		}
		if a.hand && a.trials[len(a.trials)-1].hand && a.handTrials() == 1 {
			k := max(0, min(a.hi-1, a.margin(a.hi)))
			return ask(Search, k, "oscillated handheld at %s: restart one margin lower", a.num(a.hi))
		}
		down := g.coarse << min(a.distinctOnsets()-1, 20)
		k := max(0, a.hi-down)
		return ask(Search, k, "%s oscillates, no clean value yet: go down", a.num(a.hi))
	}
	if gap := a.hi - a.lo; gap > g.stop {
		k := min(a.lo+gap/2, a.lo+step)
		return ask(Search, k, "onset is between %s and %s, halving", a.num(a.lo), a.num(a.hi))
	}
	return done(fmt.Sprintf("onset between %s and %s", a.num(a.lo), a.num(a.hi)))
}

func (a *axis) handTrials() int {
	n := 0
	for _, l := range a.trials {
		if l.hand {
			n++
		}
	}
	return n
}

func (a *axis) distinctOnsets() int {
	seen := map[int]bool{}
	for _, l := range a.trials {
		if l.osc() && !l.withdrawn && l.hand == a.hand {
			seen[l.k] = true
		}
	}
	return max(1, len(seen))
}

// doubt asks for a second look where an answer stands alone.
func (a *axis) doubt(clash bool, ask func(Stage, int, string, ...any) Proposal) (Proposal, bool) {
	if a.cfg.NoRetry {
		return Proposal{}, false
	}
	osc, clean := a.count(a.hi, true), a.count(a.hi, false)
	if !a.kept[a.hi] && osc == 1 {
		switch {
		case clean >= 2:
			return ask(Decide, a.hi, "%s oscillated once, then clean %d times: withdraw it or keep it as the onset?", a.num(a.hi), clean), true
		case clean == 1:
			return ask(Relook, a.hi, "%s oscillated once and was clean once: a third trial decides", a.num(a.hi)), true
		case clash:
			return ask(Relook, a.hi, "%s oscillated but a stiffer value was clean: check it again", a.num(a.hi)), true
		}
	}
	closed := a.lo >= 0 && a.hi-a.lo <= a.grid.stop
	if !closed || a.kept[a.hi] {
		return Proposal{}, false
	}
	standing, after, cleanAfter := 0, 0, false
	seen := false
	for _, l := range a.trials {
		switch {
		case l.withdrawn:
		case l.osc():
			standing++
			if seen {
				after++
			}
			seen = true
		case seen && l.hand == a.hand:
			cleanAfter = true
		}
	}
	if standing == 1 && cleanAfter {
		return ask(Relook, a.hi, "onset %s seen only once: check it again", a.num(a.hi)), true
	}
	if after > 0 && !cleanAfter && a.count(a.lo, false) == 1 {
		return ask(Relook, a.lo, "%s seen clean only once: check it again", a.num(a.lo)), true
	}
	return Proposal{}, false
}

// margin is the stiffest step whose ratio to step k is at least the margin asked
// for, -1 where the dial does not go that low. Where no ratio can be formed it is a
// coarse step.
func (a *axis) margin(k int) int {
	top, ok := a.grid.stiffness(k)
	if !ok {
		return k - a.grid.coarse
	}
	return sort.Search(k+1, func(j int) bool {
		s, ok := a.grid.stiffness(j)
		return ok && s*a.cfg.Margin > top*(1+1e-12)
	}) - 1
}
