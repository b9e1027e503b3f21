package start

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset/domain"
	fits "rigkeep/preset/fit"
	"rigkeep/preset/learn"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// estimator is a request with everything worked out once that does not depend on
// which tune is left out: logarithms, distances' ingredients, trust.
type estimator struct {
	q      Request
	o      Options
	lnJ    [][3]float64 // of each tune; NaN where mass itself is unusable
	thin   [][3]bool    // that inertia comes from mass alone
	errSD  []float64    // of each proof: session, doubt, age
	bad    map[int]string
	points []point // reused by one parameter's regression after the other
	dists  []float64
	// offset takes 5/3 ln mass to ln inertia per axis; scaleFree says that no
	// inertia is known anywhere, so that mass^(5/3) itself stands for it.
	offset    [3]float64
	scaleFree [3]bool
}

func rigProblem(r Rig) string {
	if !(r.Mass > 1e-9 && r.Mass < 1e6) { // no package of a camera, and no number to scale from
		return fmt.Sprintf("its mass is %s kg, not a number above 0 that a package can have", domain.Number(r.Mass))
	}
	for _, j := range r.J {
		if !(j == 0 || j > 1e-15 && j < 1e6) {
			return fmt.Sprintf("its inertia is %s kg·m², not 0 (unknown) or a number above that a package can have", domain.Number(j))
		}
	}
	return ""
}

func newEstimator(q Request) (*estimator, error) {
	s := &estimator{q: q, o: DefaultOptions(), bad: map[int]string{}}
	if q.Options != nil {
		s.o = *q.Options
	}
	if err := s.o.check(); err != nil {
		return nil, err
	}
	if why := rigProblem(q.Rig); why != "" {
		return nil, &domain.Error{Model: "start", Name: "rig", Value: "unusable: " + why, Want: "a mass above 0 kg and inertias of 0 or more", Do: "correct the build sheet"}
	}
	c := domain.Checker{Model: "start"}
	c.NotNegative("payload limit", q.PayloadLimit, "kg")
	for _, p := range q.Params {
		d := p.Dial
		c.That(d.Min < d.Max && !math.IsInf(d.Max-d.Min, 0), "dial "+p.Key+" minimum", d.Min, "a number below the maximum", "correct the gimbal sheet")
		c.Positive("fine step of dial "+p.Key, d.Fine, "")
		c.Positive("coarse step of dial "+p.Key, d.Coarse, "")
		if p.Kind != Stiffness && p.Kind != Filter {
			c.Fail("kind of "+p.Key, string(p.Kind), "stiffness or filter", "")
		}
		if p.Kind == Stiffness && (p.Axis < 0 || int(p.Axis) > 2) {
			c.Fail("axis of "+p.Key, p.Axis.String(), "pan, tilt or roll", "")
		}
	}
	if err := c.Err(); err != nil {
		return nil, err
	}
	if over, _ := fits.Load(q.Rig.Mass, 0, q.PayloadLimit, 1); over == fits.Over {
		return nil, &PayloadError{q.Rig.Mass, q.PayloadLimit}
	}
	n := len(q.Tunes)
	s.lnJ, s.thin, s.errSD = make([][3]float64, n), make([][3]bool, n), make([]float64, n)
	for i, t := range q.Tunes {
		why := rigProblem(t.Rig)
		if why == "" {
			why = rigProblem(Rig{Mass: t.Rig.Mass, J: t.OnsetJ})
		}
		switch {
		case why != "":
			s.bad[i] = why
		case !(t.AgeDays >= 0) || math.IsInf(t.AgeDays, 0):
			s.bad[i] = fmt.Sprintf("its proof is %s days old, not 0 or more", domain.Number(t.AgeDays))
		case t.OutOfDate != "":
			s.bad[i] = "its proof is out of date: " + t.OutOfDate
		default:
			s.errSD[i] = s.o.Session * math.Exp2(math.Min(t.AgeDays/s.o.HalfLifeDays, 8)/2)
			if t.Doubt != "" {
				s.errSD[i] = math.Hypot(s.errSD[i], s.o.Doubt)
			}
		}
	}
	s.findOffsets()
	for i, t := range q.Tunes {
		if _, no := s.bad[i]; no {
			continue
		}
		for a, j := range t.OnsetJ {
			if j > 0 {
				t.Rig.J[a] = j
			}
			s.lnJ[i][a], s.thin[i][a] = s.inertia(t.Rig, schema.Axis(a))
		}
	}
	return s, nil
}

// rigs goes through every usable rig at hand.
func (s *estimator) rigs(yield func(Rig) bool) {
	if !yield(s.q.Rig) {
		return
	}
	for i, t := range s.q.Tunes {
		if s.bad[i] == "" && !yield(t.Rig) {
			return
		}
	}
	for _, r := range s.q.References {
		if rigProblem(r.Rig) == "" && !yield(r.Rig) {
			return
		}
	}
}

// findOffsets takes, per axis, the median of ln J - 5/3 ln m over every rig whose
// inertia is known.
func (s *estimator) findOffsets() {
	var need [3]bool
	for r := range s.rigs {
		for a, j := range r.J {
			need[a] = need[a] || j == 0
		}
	}
	for a := range need {
		if !need[a] {
			continue
		}
		var v []float64
		for r := range s.rigs {
			if r.J[a] > 0 {
				v = append(v, math.Log(r.J[a])-5.0/3*math.Log(r.Mass))
			}
		}
		if len(v) == 0 {
			s.scaleFree[a] = true
			continue
		}
		s.offset[a] = median(v)
	}
}

// inertia gives ln J about an axis, and whether it rests on mass alone.
func (s *estimator) inertia(r Rig, a schema.Axis) (lnJ float64, thin bool) {
	if r.J[a] > 0 {
		return math.Log(r.J[a]), r.JFromMass
	}
	// with no inertia anywhere the scatter of shapes is in the data's own scatter
	return s.offset[a] + 5.0/3*math.Log(r.Mass), !s.scaleFree[a]
}

// point is one proved tune as the regression sees it.
type point struct {
	i        int
	lnJ, lnK float64
	value    float64
	own      bool // of the rig asked for
	dist     float64
}

// fit is the regression for one parameter and one rig.
type fit struct {
	points  []point
	refused []Refusal
	est     *estimate
	prior   []Evidence
	thin    bool // the rig's inertia rests on mass alone
	lnJ     float64
	mid     float64 // ln K, median
	lo, hi  float64 // and the ends of its interval
	anchor  bool    // the prior rests on a reference or the loop model
	far     bool    // the rig lies outside the inertias of the evidence by more than a factor of two
	total   int     // usable tunes, before the nearest were taken
	rig     string  // whose effect counts, "" for a rig never seen
	unit    string
	units   []string // on which the points were proved, in order
}

// leave says which tunes a question leaves out: those of a rig, of a unit, one alone.
type leave struct {
	rig, unit string
	tune      int // -1 for none
}

var leaveNone = leave{tune: -1}

func (l leave) out(i int, t *Tune) bool {
	return i == l.tune || l.rig != "" && t.Rig.ID == l.rig || l.unit != "" && t.Unit == l.unit
}

// gather collects the tunes' values (or onsets) for a parameter. Its points share
// the estimator's buffer: they hold until the next gather.
func (s *estimator) gather(p Param, sc scale, rig Rig, unit string, out leave, onset bool) *fit {
	f := &fit{points: s.points[:0], rig: rig.ID, unit: unit}
	if cap(f.points) == 0 {
		f.points = make([]point, 0, len(s.q.Tunes))
	}
	f.lnJ, f.thin = s.inertia(rig, p.Axis)
	for i := range s.q.Tunes {
		t := &s.q.Tunes[i]
		if out.out(i, t) {
			continue
		}
		values := t.Values
		if onset {
			values = t.Onset
		}
		v, ok := values[p.Key]
		if !ok {
			continue
		}
		if why, no := s.bad[i]; no {
			f.refused = append(f.refused, Refusal{t.Ref, why})
			continue
		}
		y, why := sc.ln(v)
		if why != "" {
			f.refused = append(f.refused, Refusal{t.Ref, why})
			continue
		}
		pt := point{i: i, lnJ: s.lnJ[i][p.Axis], lnK: y, value: v, own: t.Rig.ID != "" && t.Rig.ID == rig.ID}
		pt.dist = mass.SizeDistance(rig.Mass, t.Rig.Mass, [3]float64{math.Exp(f.lnJ)}, [3]float64{math.Exp(pt.lnJ)})
		f.points = append(f.points, pt)
	}
	f.total = len(f.points)
	s.points = f.points
	if f.total > s.o.MaxTunes {
		s.dists = s.dists[:0]
		for _, pt := range f.points {
			s.dists = append(s.dists, pt.dist)
		}
		limit := nth(s.dists, s.o.MaxTunes-1)
		keep := f.points[:0]
		for _, pt := range f.points {
			if pt.dist <= limit && len(keep) < s.o.MaxTunes {
				keep = append(keep, pt)
			}
		}
		f.points = keep
	}
	for _, pt := range f.points {
		if u := s.q.Tunes[pt.i].Unit; u != "" && !slices.Contains(f.units, u) {
			f.units = append(f.units, u)
		}
	}
	slices.Sort(f.units)
	return f
}

// rigs counts the other rigs that the points are of.
func (f *fit) rigs(s *estimator) int {
	seen := map[string]bool{}
	n := 0
	for _, pt := range f.points {
		if id := s.q.Tunes[pt.i].Rig.ID; !pt.own && (id == "" || !seen[id]) {
			seen[id] = true
			n++
		}
	}
	return n
}

// split gives the rig's own points, and how many are of other rigs.
func (f *fit) split() (own []point, others int) {
	for _, pt := range f.points {
		if pt.own {
			own = append(own, pt)
		}
	}
	return own, len(f.points) - len(own)
}

// nth is the value that would stand at place n if v, which it reorders, were
// sorted; a whole sort of every distance costs more than the regression.
func nth(v []float64, n int) float64 {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot := v[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case n <= j:
			hi = j
		case n >= i:
			lo = i
		default:
			return v[n]
		}
	}
	return v[n]
}

// anchorPoint is a sheet reference or the loop model as evidence for the prior.
type anchorPoint struct {
	lnJ, lnK, sd float64
	ev           Evidence
}

// anchors finds what the prior's intercept rests on.
func (s *estimator) anchors(p Param, sc scale, f *fit) (out []anchorPoint) {
	for _, r := range s.q.References {
		v, ok := r.Values[p.Key]
		if !ok {
			continue
		}
		ref := "sheet reference " + r.Name
		if why := rigProblem(r.Rig); why != "" {
			f.refused = append(f.refused, Refusal{ref, why})
			continue
		}
		y, why := sc.ln(v)
		if why != "" {
			f.refused = append(f.refused, Refusal{ref, why})
			continue
		}
		lnJ, thin := s.inertia(r.Rig, p.Axis)
		a := anchorPoint{lnJ: lnJ, lnK: y, sd: s.o.ReferenceSD}
		text := fmt.Sprintf("%s: %s at %.2f kg, ±%.0f %%", ref, schema.Num(v), r.Rig.Mass, 100*s.o.ReferenceSD)
		if thin {
			a.sd = math.Hypot(a.sd, s.o.MassOnly)
			text = fmt.Sprintf("%s: %s at %.2f kg, inertia from mass^(5/3), ±%.0f %%", ref, schema.Num(v), r.Rig.Mass, 100*a.sd)
		}
		a.ev = Evidence{Kind: "reference", Ref: r.Name, Value: v, Text: text}
		out = append(out, a)
	}
	if len(out) == 0 && s.q.End != nil && sc.mapped {
		if v, why, ok := s.q.End(p.Axis); ok {
			if y, no := sc.ln(v); no == "" {
				return append(out, anchorPoint{lnJ: f.lnJ, lnK: y, sd: s.o.LoopSD,
					ev: Evidence{Kind: "learned", Value: v, Text: fmt.Sprintf("%s, ±%.0f %%: %s", schema.Sig(v, 3), 100*s.o.LoopSD, why)}})
			}
		}
	}
	if len(out) == 0 && s.q.Cap != nil && sc.mapped {
		if v, why, ok := s.q.Cap(p.Axis, p.Dial.Min, p.Dial.Max); ok {
			if y, no := sc.ln(v); no != "" {
				f.refused = append(f.refused, Refusal{"loop model", no})
			} else {
				out = append(out, anchorPoint{lnJ: f.lnJ, lnK: y, sd: s.o.LoopSD,
					ev: Evidence{Kind: "loop", Value: v, Text: fmt.Sprintf("%s at most, ±%.0f %%: %s", schema.Sig(v, 3), 100*s.o.LoopSD, why)}})
			}
		}
	}
	return out
}

// wide is the spread of an intercept that nothing is known about: a factor of
// twenty either way.
const wide = 3.0

// jSD is how far an inertia may be off, in ln.
func (s *estimator) jSD(thin bool, a schema.Axis) float64 {
	if thin || s.scaleFree[a] {
		return s.o.MassOnly
	}
	return s.o.Inertia
}

// solve fits the line and predicts ln K for the rig.
func (s *estimator) solve(p Param, sc scale, f *fit, withAnchors bool) error {
	slopeSD := s.o.SlopeSDDial
	if sc.mapped {
		slopeSD = s.o.SlopeSD
	}
	l := line{spreads: s.o.Spreads, slopeSD: slopeSD, lnJ: f.lnJ, jSD: s.jSD(f.thin, p.Axis), rig: f.rig, unit: f.unit,
		ownUnknown: s.q.OwnUnknown[p.Axis] && !s.scaleFree[p.Axis], robust: s.o.Robust}
	if withAnchors {
		l.anchors = s.anchors(p, sc, f)
	}
	f.anchor = len(l.anchors) > 0
	law := "stiffness in proportion to inertia"
	if f.thin || s.scaleFree[p.Axis] {
		law += ", inertia as mass^(5/3)"
	}
	f.prior = append(f.prior, Evidence{Kind: "physics", Text: fmt.Sprintf("physics: %s (slope 1 ± %.2f)", law, slopeSD)})
	if f.anchor {
		for _, a := range l.anchors {
			f.prior = append(f.prior, a.ev)
		}
		// at the slope expected, so that the little it weighs pulls nowhere
		l.base = learn.Normal{Mean: l.anchors[0].lnK + f.lnJ - l.anchors[0].lnJ, SD: wide}
	} else {
		soft, stiff := s.ends(sc)
		l.base = learn.Normal{Mean: (soft + stiff) / 2, SD: math.Max((stiff-soft)/2, s.o.Session)}
		f.prior = append(f.prior, Evidence{Kind: "dial", Text: "no sheet reference: only that the value lies on the dial"})
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	reach := func(x float64) { lo, hi = math.Min(lo, x), math.Max(hi, x) }
	for _, pt := range f.points {
		t := &s.q.Tunes[pt.i]
		l.proofs = append(l.proofs, lineProof{lnJ: pt.lnJ, lnK: pt.lnK, rig: t.Rig.ID, unit: t.Unit, jSD: s.jSD(s.thin[pt.i][p.Axis], p.Axis), errSD: s.errSD[pt.i]})
		reach(pt.lnJ)
	}
	for _, a := range l.anchors {
		reach(a.lnJ)
	}
	f.far = !math.IsInf(lo, 0) && (f.lnJ < lo-math.Ln2 || f.lnJ > hi+math.Ln2)
	var err error
	if f.est, err = l.solve(); err != nil {
		return err
	}
	for _, q := range []struct {
		to *float64
		p  float64
	}{{&f.mid, 0.5}, {&f.lo, 0.5 - s.o.Level/2}, {&f.hi, 0.5 + s.o.Level/2}} {
		if *q.to, err = f.est.quantile(q.p); err != nil {
			return err
		}
	}
	return nil
}

// ends gives ln K at the soft and stiff ends of the dial, the soft one moved in
// by a coarse step where it has no logarithm.
func (s *estimator) ends(sc scale) (soft, stiff float64) {
	d := sc.dial
	a, why := sc.ln(d.Min)
	if why != "" {
		a, _ = sc.ln(d.Min + math.Min(d.Coarse, (d.Max-d.Min)/2))
	}
	b, why := sc.ln(d.Max)
	if why != "" {
		b, _ = sc.ln(d.Max - math.Min(d.Coarse, (d.Max-d.Min)/2))
	}
	return math.Min(a, b), math.Max(a, b)
}

// offer finds the starting value of one parameter.
func (s *estimator) offer(p Param, rig Rig, unit string, out leave) (Offer, error) {
	if p.Kind == Filter {
		return s.filter(p, rig, out), nil
	}
	o := Offer{Key: p.Key, Kind: p.Kind}
	sc := newScale(p.Dial)
	o.Assumption = sc.note
	f := s.gather(p, sc, rig, unit, out, false)
	if sc.broken != "" {
		s.unscaled(&o, p, f, sc, rig, out)
		return o, nil
	}
	final, err := s.final(p, sc, f)
	if err != nil {
		return o, err
	}
	o.Refused = listed(f.refused)
	o.N, o.Rigs = len(f.points), f.rigs(s)
	if final == nil {
		o.Status = Unknown
		o.Value = softer(p.Dial, p.Dial.Min, p.Dial.Max)
		o.Evidence = f.prior
		o.Reason = fmt.Sprintf("Start at %s, the soft end of the dial: no proved tune, reference or loop model for this axis", schema.Num(o.Value))
		return o, nil
	}
	best := final.Best
	soft := softer(p.Dial, final.Lo, final.Hi)
	o.Final, o.lnBest = final, f.mid
	o.Slope, o.Scatter = f.est.slope, f.est.scatter
	s.evidence(&o, f, sc)
	o.Value, o.Status = p.Dial.Round(soft), Offered
	lead := fmt.Sprintf("Start at %s: low end of %s–%s (%.0f %%)", schema.Num(o.Value), schema.Sig(o.Final.Lo, 3), schema.Sig(o.Final.Hi, 3), 100*s.o.Level)
	var limits []string
	if s.q.Cap != nil && sc.mapped {
		// asked over the dial only: the model has no say outside it
		if v, why, ok := s.q.Cap(p.Axis, p.Dial.Min, p.Dial.Max); ok {
			binds := p.Dial.Less(v, o.Value)
			if binds {
				was := o.Value
				o.Value = p.Dial.Round(v)
				limits = append(limits, fmt.Sprintf("Start at %s: capped by the loop model (%s); without the cap %s", schema.Num(o.Value), why, schema.Num(was)))
			}
			// a model that was asked and agrees is worth saying, unless it is the anchor already
			if binds || !slices.ContainsFunc(o.Evidence, func(e Evidence) bool { return e.Kind == "loop" }) {
				o.Evidence = append(o.Evidence, Evidence{Kind: "loop", Value: v, Text: fmt.Sprintf("%s at most: %s", schema.Sig(v, 3), why)})
			}
		}
	}
	if v, ref, ok := s.ownOnset(p, rig, out); ok {
		below := p.Dial.Round(v - float64(sign(p.Dial))*p.Dial.Coarse)
		if p.Dial.Less(below, o.Value) {
			was := o.Value
			o.Value = below
			limits = append(limits, fmt.Sprintf("Start at %s, one coarse step below the onset %s seen on this rig (%s); without it %s", schema.Num(below), schema.Num(v), ref, schema.Num(was)))
		}
	}
	if v, ref, ok := s.lighterNeighbour(p, f); ok && p.Dial.Less(v, o.Value) {
		was := o.Value
		o.Value = p.Dial.Round(v)
		limits = append(limits, fmt.Sprintf("held to %s, the value of the next lighter build (%s): the gimbal's own inertia is unknown, and two rigs of different inertia must be proved before a heavier build is offered more; the evidence alone said %s", schema.Num(o.Value), ref, schema.Num(was)))
	}
	o.Warnings = append(o.Warnings, limits...)
	if w, ok := s.otherUnits(f); ok {
		o.Warnings = append(o.Warnings, w)
	}
	if o.Value < p.Dial.Min || o.Value > p.Dial.Max {
		end := p.Dial.Min
		if o.Value > p.Dial.Max {
			end = p.Dial.Max
		}
		o.Status, o.End = Outside, &end
		which := "stiffer than the dial goes"
		if p.Dial.Less(o.Value, end) {
			which = "softer than the dial goes"
		}
		o.Warnings = append(o.Warnings, fmt.Sprintf("the evidence points to %s, %s (the dial ends at %s): check the mass and the gimbal sheet; this build may not hold as well as usual", schema.Num(o.Value), which, schema.Num(end)))
	} else if best < p.Dial.Min || best > p.Dial.Max {
		o.Warnings = append(o.Warnings, fmt.Sprintf("the value expected in the end, %s, lies outside the dial (%s to %s)", schema.Sig(best, 3), schema.Num(p.Dial.Min), schema.Num(p.Dial.Max)))
	}
	if f.far {
		o.Warnings = append(o.Warnings, "extrapolated: nothing proved on this gimbal is within a factor of two of this inertia")
	}
	if f.thin {
		o.Warnings = append(o.Warnings, fmt.Sprintf("inertia estimated from mass only, so the range is about %.0f %% wider. Give the parts sizes and positions", 100*s.o.MassOnly))
	} else if s.scaleFree[p.Axis] {
		o.Warnings = append(o.Warnings, "inertia estimated from mass only on this gimbal")
	}
	o.Reason = s.reason(lead, f, &o, limits)
	if out == leaveNone {
		s.onset(&o, p, sc, rig, unit)
	}
	return o, nil
}

// lighterNeighbour is the proved value of the build next below in inertia, where the
// gimbal's own inertia is unknown and all proofs are of one inertia: how fast
// stiffness rises with the build's inertia is then not known.
func (s *estimator) lighterNeighbour(p Param, f *fit) (v float64, ref string, ok bool) {
	if !s.q.OwnUnknown[p.Axis] || len(f.points) == 0 {
		return 0, "", false
	}
	same := math.Log(s.o.SameInertia)
	lo, hi := math.Inf(1), math.Inf(-1)
	at := math.Inf(-1)
	for _, pt := range f.points {
		lo, hi = math.Min(lo, pt.lnJ), math.Max(hi, pt.lnJ)
		// of proofs of the same inertia the softest
		if pt.lnJ < f.lnJ && (pt.lnJ > at || pt.lnJ == at && p.Dial.Less(pt.value, v)) {
			at, v, ref, ok = pt.lnJ, pt.value, s.q.Tunes[pt.i].Ref, true
		}
	}
	return v, ref, ok && hi-lo <= same
}

// otherUnits says what proofs of other units tell of a unit without one.
func (s *estimator) otherUnits(f *fit) (string, bool) {
	if len(f.units) == 0 || slices.Contains(f.units, f.unit) && f.unit != "" {
		return "", false
	}
	who := "unit " + f.unit
	if f.unit == "" {
		who = "the unit at hand (name it with --unit)"
	}
	if len(f.units) == 1 {
		return fmt.Sprintf("every proof is of unit %s, and one unit says nothing of how others differ: for %s the range allows ±%.0f %%, a guess", f.units[0], who, 100*1.645*s.o.Unit), true
	}
	return fmt.Sprintf("no proof is of %s: the range includes the spread of the %d units proved", who, len(f.units)), true
}

// listed keeps a long list of refusals readable.
func listed(r []Refusal) []Refusal {
	const most = 20
	if len(r) <= most {
		return r
	}
	return append(r[:most:most], Refusal{Reason: fmt.Sprintf("and %d more", len(r)-most)})
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func sign(d schema.Dial) int {
	if d.Sign < 0 {
		return -1
	}
	return 1
}

// unscaled offers what can be said on a dial whose numbers cannot be compared by
// ratio: this rig's own newest proof, or nothing.
func (s *estimator) unscaled(o *Offer, p Param, f *fit, sc scale, rig Rig, out leave) {
	o.Refused = listed(f.refused)
	if i, v, ok := s.ownNewest(p.Key, rig, out); ok {
		t := s.q.Tunes[i]
		o.Value, o.Status, o.N = p.Dial.Round(v), Offered, 1
		o.Evidence = []Evidence{{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: v, Weight: 1, Text: fmt.Sprintf("proved at %s on this rig (%s)", schema.Num(v), t.Ref)}}
		o.Reason = fmt.Sprintf("%s: this rig's own newest proof; nothing else can be used, because %s", schema.Num(o.Value), sc.broken)
		return
	}
	o.Status = Unknown
	o.Value = softer(p.Dial, p.Dial.Min, p.Dial.Max)
	o.Reason = fmt.Sprintf("%s, the soft end of the dial: %s", schema.Num(o.Value), sc.broken)
}

func (s *estimator) ownNewest(key string, rig Rig, out leave) (i int, v float64, ok bool) {
	for j, t := range s.q.Tunes {
		w, has := t.Values[key]
		if !has || !finite(w) || out.out(j, &t) || rig.ID == "" || t.Rig.ID != rig.ID || t.Doubt != "" || s.bad[j] != "" {
			continue
		}
		if !ok || t.AgeDays < s.q.Tunes[i].AgeDays {
			i, v, ok = j, w, true
		}
	}
	return i, v, ok
}

// ownOnset is the softest onset seen on this rig.
func (s *estimator) ownOnset(p Param, rig Rig, out leave) (v float64, ref string, ok bool) {
	if rig.ID == "" {
		return 0, "", false
	}
	for i, t := range s.q.Tunes {
		if out.out(i, &t) || t.Rig.ID != rig.ID || s.bad[i] != "" {
			continue
		}
		if w, has := t.Onset[p.Key]; has && finite(w) && (!ok || p.Dial.Less(w, v)) {
			v, ref, ok = w, t.Ref, true
		}
	}
	return v, ref, ok
}

// onset predicts where oscillation begins, from the onsets on record.
func (s *estimator) onset(o *Offer, p Param, sc scale, rig Rig, unit string) {
	f := s.gather(p, sc, rig, unit, leaveNone, true)
	if len(f.points) == 0 {
		return
	}
	if err := s.solve(p, sc, f, false); err != nil {
		return // a prediction that is only a help; the offer stands without it
	}
	o.Onset = span(sc.number(f.mid), sc.number(f.lo), sc.number(f.hi), s.o.Level)
}

// evidence lists what the offer rests on, this rig's own proofs first, then by how
// far the offer follows them.
func (s *estimator) evidence(o *Offer, f *fit, sc scale) {
	order := f.est.rankByInfluence()
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case f.points[a].own == f.points[b].own:
			return 0
		case f.points[a].own:
			return -1
		}
		return 1
	})
	var rest float64
	listed, left := 0, 0
	for _, k := range order {
		pt, w := f.points[k], f.est.influence[k]
		o.DataShare += w
		o.Effective += f.est.trust[k]
		t := s.q.Tunes[pt.i]
		e := Evidence{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: pt.value, Weight: w, Text: fmt.Sprintf("proved at %s on this rig (%s)%s", schema.Num(pt.value), t.Ref, s.remark(t))}
		if !pt.own {
			if listed++; listed > s.o.Listed {
				rest += w
				left++
				continue
			}
			e.Kind, e.Distance = "proved", pt.dist
			e.Text = fmt.Sprintf("proved at %s at %.2f kg (%s)%s", schema.Num(pt.value), t.Rig.Mass, t.Ref, s.remark(t))
		}
		o.Evidence = append(o.Evidence, e)
	}
	o.DataShare = math.Min(1, math.Max(0, o.DataShare))
	if left > 0 {
		text := fmt.Sprintf("%d further proved tunes", left)
		if f.total > len(f.points) {
			text += fmt.Sprintf("; the %d nearest of %d are used", len(f.points), f.total)
		}
		o.Evidence = append(o.Evidence, Evidence{Kind: "proved-rest", Weight: rest, Text: text})
	}
	o.Evidence = append(o.Evidence, f.prior...)
	for _, x := range f.est.flagged {
		pt := f.points[x.Index]
		o.Outliers = append(o.Outliers, Outlier{Ref: s.q.Tunes[pt.i].Ref, Value: pt.value, Line: sc.number(f.est.expect[x.Index]), Z: x.Z, Trust: x.Trust})
	}
	slices.SortStableFunc(o.Outliers, func(a, b Outlier) int {
		switch {
		case a.Trust < b.Trust:
			return -1
		case a.Trust > b.Trust:
			return 1
		}
		return strings.Compare(a.Ref, b.Ref)
	})
}

// remark says why a proof is believed less.
func (s *estimator) remark(t Tune) string {
	var r []string
	if t.Doubt != "" {
		r = append(r, t.Doubt)
	}
	if s.q.Unit != "" && t.Unit != "" && t.Unit != s.q.Unit {
		r = append(r, "unit "+t.Unit)
	}
	if t.AgeDays > s.o.HalfLifeDays/2 {
		r = append(r, fmt.Sprintf("%.1f years old", t.AgeDays/365.25))
	}
	if len(r) == 0 {
		return ""
	}
	return ", " + strings.Join(r, ", ")
}

func (s *estimator) reason(lead string, f *fit, o *Offer, limits []string) string {
	var parts []string
	own, others := f.split()
	switch n := len(own); {
	case n == 1:
		parts = append(parts, fmt.Sprintf("proved at %s on this very rig", schema.Num(own[0].value)))
	case n > 1:
		parts = append(parts, fmt.Sprintf("%d proofs of this very rig", n))
	}
	if n := others; n > 0 {
		near := 0
		for _, pt := range f.points {
			if !pt.own && pt.dist <= s.o.NearDistance {
				near++
			}
		}
		parts = append(parts, fmt.Sprintf("%s on other rigs (%d similar), scaled by inertia^%.2f", schema.Count(n, "proved tune", "proved tunes"), near, o.Slope))
	}
	for _, e := range f.prior {
		if (e.Kind == "reference" || e.Kind == "loop" || e.Kind == "learned") && o.DataShare < 0.9 {
			parts = append(parts, e.Text)
		}
	}
	if n := len(f.est.flagged); n > 0 {
		parts = append(parts, schema.Count(n, "outlier", "outliers")+" low weight: "+o.Outliers[0].Ref)
	}
	text := lead + "; " + strings.Join(parts, "; ")
	if len(limits) > 0 {
		text += "; " + strings.Join(limits, "; ")
	}
	return text + "; work up from here"
}

// filter keeps the sheet's default unless this rig's own proof, or enough near
// proved rigs that agree, say otherwise.
func (s *estimator) filter(p Param, rig Rig, out leave) Offer {
	o := Offer{Key: p.Key, Kind: p.Kind}
	inDial := func(v float64) bool { return v >= p.Dial.Min && v <= p.Dial.Max }
	same := func(a, b float64) bool { return math.Abs(a-b) < p.Dial.Fine/2 }
	if i, v, ok := s.ownNewest(p.Key, rig, out); ok && inDial(v) {
		t := s.q.Tunes[i]
		o.Value, o.Status, o.N, o.Effective, o.DataShare = v, Offered, 1, 1, 1
		o.Evidence = []Evidence{{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: v, Weight: 1, Text: fmt.Sprintf("proved at %s on this rig (%s)", schema.Num(v), t.Ref)}}
		o.Reason = fmt.Sprintf("%s: this rig's own newest proof", schema.Num(v))
		return o
	}
	type vote struct {
		i    int
		v, d float64
	}
	newest := map[string]vote{}
	for i, t := range s.q.Tunes {
		v, ok := t.Values[p.Key]
		if !ok || out.out(i, &t) || t.Rig.ID == "" || rig.ID != "" && t.Rig.ID == rig.ID || t.Doubt != "" {
			continue
		}
		if why, no := s.bad[i]; no {
			o.Refused = append(o.Refused, Refusal{t.Ref, why})
			continue
		}
		d := mass.SizeDistance(rig.Mass, t.Rig.Mass, rig.J, t.Rig.J)
		if d > s.o.NearDistance {
			continue
		}
		if !inDial(v) {
			o.Refused = append(o.Refused, Refusal{t.Ref, fmt.Sprintf("its value %s is outside the dial (%s to %s)", schema.Num(v), schema.Num(p.Dial.Min), schema.Num(p.Dial.Max))})
			continue
		}
		if w, ok := newest[t.Rig.ID]; !ok || t.AgeDays < s.q.Tunes[w.i].AgeDays {
			newest[t.Rig.ID] = vote{i, v, d}
		}
	}
	votes := make([]vote, 0, len(newest))
	for _, w := range newest {
		votes = append(votes, w)
	}
	sort.Slice(votes, func(a, b int) bool { return votes[a].i < votes[b].i })
	tally, winner := 0, 0.0
	for _, w := range votes {
		n := 0
		for _, x := range votes {
			if same(w.v, x.v) {
				n++
			}
		}
		if n > tally || n == tally && p.Dial.Less(w.v, winner) {
			tally, winner = n, w.v
		}
	}
	o.N = len(votes)
	o.Refused = listed(o.Refused)
	agree := len(votes) >= s.o.FilterRigs && float64(tally) >= s.o.FilterAgree*float64(len(votes))
	list := func() {
		for k, w := range votes {
			if k == s.o.Listed {
				o.Evidence = append(o.Evidence, Evidence{Kind: "proved-rest", Weight: float64(len(votes) - k), Text: fmt.Sprintf("%d further near rigs", len(votes)-k)})
				break
			}
			t := s.q.Tunes[w.i]
			o.Evidence = append(o.Evidence, Evidence{Kind: "proved", Ref: t.Ref, Rig: t.Rig.ID, Value: w.v, Weight: 1, Distance: w.d, Text: fmt.Sprintf("proved at %s (%s)", schema.Num(w.v), t.Ref)})
		}
	}
	def := p.Dial.Default
	switch {
	case agree && (def == nil || !same(winner, *def)):
		o.Value, o.Status, o.Effective, o.DataShare = winner, Offered, float64(tally), 1
		list()
		o.Reason = fmt.Sprintf("%s: %d of %d near proved rigs agree on it", schema.Num(winner), tally, len(votes))
		if def != nil {
			o.Evidence = append(o.Evidence, Evidence{Kind: "default", Value: *def, Text: "sheet default " + schema.Num(*def)})
			o.Reason += fmt.Sprintf(" (the sheet's default is %s)", schema.Num(*def))
		}
	case def != nil:
		o.Value, o.Status = *def, Default
		o.Evidence = []Evidence{{Kind: "default", Value: *def, Weight: 1, Text: "sheet default " + schema.Num(*def)}}
		list()
		o.Reason = fmt.Sprintf("%s: sheet default (%s; %d that agree would change it)", schema.Num(*def), schema.Count(len(votes), "near proved rig", "near proved rigs"), s.o.FilterRigs)
		if agree {
			o.Reason = fmt.Sprintf("%s: sheet default; %d of %d near proved rigs agree", schema.Num(*def), tally, len(votes))
		}
	default:
		o.Value, o.Status = softer(p.Dial, p.Dial.Min, p.Dial.Max), Unknown
		list()
		o.Reason = fmt.Sprintf("%s, the lightest setting: no default in the sheet and fewer than %d near proved rigs agree", schema.Num(o.Value), s.o.FilterRigs)
	}
	return o
}
