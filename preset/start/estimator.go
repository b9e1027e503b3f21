package start

import (
	"fmt"
	"math"
	"slices"

	"rigkeep/preset/domain"
	fits "rigkeep/preset/fit"
	"rigkeep/preset/learn"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// tuneFacts is what a tune counts with, whatever the parameter; 0 where it cannot be used.
type tuneFacts struct {
	lnJ    [3]float64
	thin   [3]bool // that inertia comes from mass alone
	lnMass float64
	errSD  float64 // of its proof: session, doubt, age
}

// estimator is a request with everything worked out once that does not depend on
// which tune is left out: logarithms, distances' ingredients, trust.
type estimator struct {
	q   Request
	o   Options
	bad map[int]string
	*scratch
	// offset takes 5/3 ln mass to ln inertia per axis; scaleFree says that no
	// inertia is known anywhere, so that mass^(5/3) itself stands for it.
	offset    [3]float64
	scaleFree [3]bool
}

func rigProblem(r Rig) string {
	if !(r.Mass > 1e-9 && r.Mass < 1e6) { // no package of a camera, and no number to scale from
		return fmt.Sprintf("its mass is %s kg, not a number above 0 that a build can have", domain.Number(r.Mass))
	}
	for _, j := range r.J {
		if !(j == 0 || j > 1e-15 && j < 1e6) {
			return fmt.Sprintf("its inertia is %s kg·m², not 0 (unknown) or a number above that a build can have", domain.Number(j))
		}
	}
	return ""
}

// newEstimator works in room, as do its regressions: what they give holds until room is used again.
func newEstimator(q Request, room *scratch) (*estimator, error) {
	s := &estimator{q: q, o: DefaultOptions(), bad: map[int]string{}, scratch: room}
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
	s.tunes = slices.Grow(s.tunes[:0], len(q.Tunes))[:len(q.Tunes)]
	clear(s.tunes)
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
			s.tunes[i].errSD = s.o.Session * math.Exp2(math.Min(t.AgeDays/s.o.HalfLifeDays, 8)/2)
			if t.Doubt != "" {
				s.tunes[i].errSD = math.Hypot(s.tunes[i].errSD, s.o.Doubt)
			}
		}
	}
	s.findOffsets()
	for i, t := range q.Tunes {
		if _, no := s.bad[i]; no {
			continue
		}
		s.tunes[i].lnMass = math.Log(t.Rig.Mass)
		for a, j := range t.OnsetJ {
			if j > 0 {
				t.Rig.J[a] = j
			}
			s.tunes[i].lnJ[a], s.tunes[i].thin[a] = s.inertia(t.Rig, schema.Axis(a))
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
	lnMass := math.Log(rig.Mass)
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
		pt := point{i: i, lnJ: s.tunes[i].lnJ[p.Axis], lnK: y, value: v, own: t.Rig.ID != "" && t.Rig.ID == rig.ID}
		pt.dist = mass.LnDistance(s.tunes[i].lnMass-lnMass, pt.lnJ-f.lnJ)
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
	rigs, units := learn.Numbers{}, learn.Numbers{}
	l := line{scratch: s.scratch, spreads: s.o.Spreads, slopeSD: slopeSD, lnJ: f.lnJ, jSD: s.jSD(f.thin, p.Axis), rig: rigs.Of(f.rig), unit: units.Of(f.unit),
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
	l.proofs = l.proofs[:0]
	for _, pt := range f.points {
		t := &s.q.Tunes[pt.i]
		l.proofs = append(l.proofs, lineProof{lnJ: pt.lnJ, lnK: pt.lnK, rig: rigs.Of(t.Rig.ID), unit: units.Of(t.Unit), jSD: s.jSD(s.tunes[pt.i].thin[p.Axis], p.Axis), errSD: s.tunes[pt.i].errSD})
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

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
