package start

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset/domain"
	"rigkeep/preset/learn"
	"rigkeep/schema"
)

// shop is a request with everything worked out once that does not depend on
// which tune is left out: logarithms, distances' ingredients, trust.
type shop struct {
	q      Request
	o      Options
	lnMass []float64
	lnJ    [][3]float64 // of each tune; NaN where mass itself is unusable
	thin   [][3]bool    // that inertia comes from mass alone
	trust  []float64    // stale, doubt, age, repeat; not the unit
	bad    map[int]string
	// room that one parameter's regression after the other uses
	points []point
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

func newShop(q Request) (*shop, error) {
	s := &shop{q: q, o: DefaultOptions(), bad: map[int]string{}}
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
	if q.PayloadLimit > 0 && q.Rig.Mass > q.PayloadLimit {
		return nil, &PayloadError{q.Rig.Mass, q.PayloadLimit}
	}
	n := len(q.Tunes)
	s.lnMass, s.lnJ, s.thin, s.trust = make([]float64, n), make([][3]float64, n), make([][3]bool, n), make([]float64, n)
	for i, t := range q.Tunes {
		if why := rigProblem(t.Rig); why != "" {
			s.bad[i] = why
		} else if !(t.AgeDays >= 0) || math.IsInf(t.AgeDays, 0) {
			s.bad[i] = fmt.Sprintf("its proof is %s days old, not 0 or more", domain.Number(t.AgeDays))
		} else {
			s.lnMass[i] = math.Log(t.Rig.Mass)
		}
	}
	s.findOffsets()
	for i, t := range q.Tunes {
		if _, no := s.bad[i]; no {
			continue
		}
		for a := range s.lnJ[i] {
			s.lnJ[i][a], s.thin[i][a] = s.inertia(t.Rig, schema.Axis(a))
		}
	}
	s.weigh()
	return s, nil
}

// rigs goes through every usable rig at hand.
func (s *shop) rigs(yield func(Rig) bool) {
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
func (s *shop) findOffsets() {
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
func (s *shop) inertia(r Rig, a schema.Axis) (lnJ float64, thin bool) {
	if r.J[a] > 0 {
		return math.Log(r.J[a]), r.JFromMass
	}
	// with no inertia anywhere the scatter of shapes is in the data's own scatter
	return s.offset[a] + 5.0/3*math.Log(r.Mass), !s.scaleFree[a]
}

// weigh finds how far each proof is to be believed, whatever rig is asked for.
func (s *shop) weigh() {
	type place struct{ rig, unit string }
	newest := make(map[place]int, len(s.q.Tunes))
	for i, t := range s.q.Tunes {
		if t.Rig.ID == "" || s.bad[i] != "" {
			continue
		}
		p := place{t.Rig.ID, t.Unit}
		if j, ok := newest[p]; !ok || t.AgeDays < s.q.Tunes[j].AgeDays {
			newest[p] = i
		}
	}
	for i, t := range s.q.Tunes {
		w := math.Exp2(-t.AgeDays / s.o.HalfLifeDays)
		if t.Stale {
			w *= s.o.StaleTrust
		}
		if t.Doubt != "" {
			w *= s.o.DoubtTrust
		}
		if j, ok := newest[place{t.Rig.ID, t.Unit}]; ok && j != i {
			w *= s.o.RepeatTrust
		}
		s.trust[i] = math.Max(w, 1e-6)
	}
}

func (s *shop) unitTrust(i int, unit string) float64 {
	if u := s.q.Tunes[i].Unit; unit != "" && u != "" && u != unit {
		return s.o.OtherUnitTrust
	}
	return 1
}

// point is one proved tune as the regression sees it.
type point struct {
	i        int
	lnJ, lnK float64
	value    float64
	weight   float64 // precision
	count    float64
	dist     float64
}

// fit is the regression for one parameter and one rig.
type fit struct {
	points  []point // of other rigs
	own     []point
	refused []Refusal
	trust   []float64 // robust factor per point
	flagged []learn.Outlier
	post    learn.Posterior
	prior   []Evidence
	thin    bool // the rig's inertia rests on mass alone
	lnJ     float64
	mid     float64 // ln K
	sd      float64 // Student scale
	dof     float64
	anchor  bool // the prior rests on a reference or the loop model
	far     bool // the rig lies outside the inertias of the evidence by more than a factor of two
	total   int  // usable tunes of other rigs, before the nearest were taken
}

// gather collects the tunes' values (or onsets) for a parameter. Its points share
// the shop's room: they hold until the next gather.
func (s *shop) gather(p Param, sc scale, rig Rig, unit string, skip int, wholeRig, onset bool) *fit {
	f := &fit{points: s.points[:0]}
	if cap(f.points) == 0 {
		f.points = make([]point, 0, len(s.q.Tunes))
	}
	f.lnJ, f.thin = s.inertia(rig, p.Axis)
	lnM := math.Log(rig.Mass)
	var skipRig string
	if skip >= 0 && wholeRig {
		skipRig = s.q.Tunes[skip].Rig.ID
	}
	thinWeight := s.o.Scatter * s.o.Scatter / (s.o.Scatter*s.o.Scatter + s.o.MassOnlySD*s.o.MassOnlySD)
	for i := range s.q.Tunes {
		t := &s.q.Tunes[i]
		if i == skip || skipRig != "" && t.Rig.ID == skipRig {
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
		pt := point{i: i, lnJ: s.lnJ[i][p.Axis], lnK: y, value: v, weight: 1}
		dm, dj := s.lnMass[i]-lnM, pt.lnJ-f.lnJ
		pt.dist = math.Sqrt(dm*dm + dj*dj)
		pt.count = s.trust[i] * s.unitTrust(i, unit)
		if t.Rig.ID != "" && t.Rig.ID == rig.ID {
			f.own = append(f.own, pt)
			continue
		}
		h := pt.dist / s.o.HalfDistance
		pt.count /= 1 + h*h
		if s.thin[i][p.Axis] {
			pt.weight = thinWeight
		}
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
	return f
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
func (s *shop) anchors(p Param, sc scale, f *fit) (out []anchorPoint) {
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
		text := fmt.Sprintf("%s: %s at %.2f kg, believed to about %.0f %%", ref, schema.Num(v), r.Rig.Mass, 100*s.o.ReferenceSD)
		if thin {
			a.sd = math.Hypot(a.sd, s.o.MassOnlySD)
			text = fmt.Sprintf("%s: %s at %.2f kg, inertia from mass^(5/3), believed to about %.0f %%", ref, schema.Num(v), r.Rig.Mass, 100*a.sd)
		}
		a.ev = Evidence{Kind: "reference", Ref: r.Name, Value: v, Text: text}
		out = append(out, a)
	}
	if len(out) == 0 && s.q.Cap != nil && sc.mapped {
		if v, why, ok := s.q.Cap(p.Axis, p.Dial.Min, p.Dial.Max); ok {
			if y, no := sc.ln(v); no != "" {
				f.refused = append(f.refused, Refusal{"loop model", no})
			} else {
				out = append(out, anchorPoint{lnJ: f.lnJ, lnK: y, sd: s.o.LoopSD,
					ev: Evidence{Kind: "loop", Value: v, Text: fmt.Sprintf("loop model allows %s (%s), believed to about %.0f %%", number(v), why, 100*s.o.LoopSD)}})
			}
		}
	}
	for i := range out {
		r := s.o.Scatter / out[i].sd
		out[i].ev.Weight = r * r
	}
	return out
}

// wide is the spread of an intercept that nothing is known about: a factor of
// twenty either way.
const wide = 3.0

// solve fits the line and predicts ln K for the rig.
func (s *shop) solve(p Param, sc scale, f *fit, withAnchors bool) error {
	slopeSD := s.o.SlopeSDDial
	if sc.mapped {
		slopeSD = s.o.SlopeSD
	}
	sigma := s.o.Scatter
	if s.scaleFree[p.Axis] {
		sigma = math.Hypot(sigma, s.o.MassOnlySD)
	}
	a0 := s.o.ScatterShape
	b0 := a0 * sigma * sigma
	var anchors []anchorPoint
	if withAnchors {
		anchors = s.anchors(p, sc, f)
	}
	f.anchor = len(anchors) > 0
	law := "stiffness in proportion to inertia"
	if f.thin || s.scaleFree[p.Axis] {
		law += ", inertia as mass^(5/3)"
	}
	f.prior = append(f.prior, Evidence{Kind: "physics", Weight: sigma * sigma / (slopeSD * slopeSD),
		Text: fmt.Sprintf("physics: %s at equal bandwidth (slope 1 ± %.2f)", law, slopeSD)})
	ref := f.lnJ
	square := func(x float64) float64 { return x * x }
	var prior learn.Prior
	if f.anchor {
		near := 0
		d := learn.Data{}
		for i, a := range anchors {
			if math.Abs(a.lnJ-f.lnJ) < math.Abs(anchors[near].lnJ-f.lnJ) {
				near = i
			}
			d.J = append(d.J, math.Exp(a.lnJ))
			d.K = append(d.K, math.Exp(a.lnK))
			d.Weight = append(d.Weight, square(sigma/a.sd))
			f.prior = append(f.prior, a.ev)
		}
		ref = anchors[near].lnJ
		base := learn.DiagonalPrior([2]float64{anchors[near].lnK, 1}, [2]float64{square(wide / sigma), square(slopeSD / sigma)}, a0, b0)
		post, err := base.Update(d, math.Exp(ref))
		if err != nil {
			return err
		}
		prior = post.Prior(a0, b0)
	} else {
		soft, stiff := s.ends(sc)
		mid, sd := (soft+stiff)/2, math.Max((stiff-soft)/2, sigma)
		prior = learn.DiagonalPrior([2]float64{mid, 1}, [2]float64{square(sd / sigma), square(slopeSD / sigma)}, a0, b0)
		f.prior = append(f.prior, Evidence{Kind: "dial", Weight: square(sigma / sd), Text: "no sheet reference: only that the value lies on the dial"})
	}
	d := learn.Data{J: make([]float64, len(f.points)), K: make([]float64, len(f.points)), Weight: make([]float64, len(f.points)), Count: make([]float64, len(f.points))}
	lo, hi := math.Inf(1), math.Inf(-1)
	reach := func(x float64) { lo, hi = math.Min(lo, x), math.Max(hi, x) }
	for i, pt := range f.points {
		d.J[i], d.K[i], d.Weight[i], d.Count[i] = math.Exp(pt.lnJ), math.Exp(pt.lnK), pt.weight, pt.count
		reach(pt.lnJ)
	}
	for _, a := range anchors {
		reach(a.lnJ)
	}
	for _, pt := range f.own {
		reach(pt.lnJ)
	}
	f.far = !math.IsInf(lo, 0) && (f.lnJ < lo-math.Ln2 || f.lnJ > hi+math.Ln2)
	var err error
	if f.post, f.trust, f.flagged, err = prior.UpdateRobust(d, math.Exp(ref), s.o.Robust); err != nil {
		return err
	}
	mid, sd, err := f.post.PredictLn(math.Exp(f.lnJ), 1)
	if err != nil {
		return err
	}
	// Split the spread into what all tunes of this rig share (line, rig effect,
	// unsure inertia) and what is new each session; the rig's own proofs inform on
	// the shared part.
	sig2 := square(f.post.Sigma())
	session := (1 - s.o.SameRig) * sig2
	shared := sd*sd - session
	if f.thin {
		shared += square(f.post.Mean[1] * s.o.MassOnlySD)
	}
	var k, e float64
	for _, pt := range f.own {
		k += pt.count
		e += pt.count * (pt.lnK - mid)
	}
	f.mid, f.dof = mid, f.post.Dof()
	if k > 0 {
		pull := k * shared / (k*shared + session)
		f.mid += pull * e / k
		shared *= 1 - pull
	}
	f.sd = math.Sqrt(shared + session)
	return nil
}

// ends gives ln K at the soft and stiff ends of the dial, the soft one moved in
// by a coarse step where it has no logarithm.
func (s *shop) ends(sc scale) (soft, stiff float64) {
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

// offer finds the starting value of one parameter. skip leaves one tune out (-1
// none), with wholeRig every tune of its rig.
func (s *shop) offer(p Param, rig Rig, unit string, skip int, wholeRig bool) (Offer, error) {
	if p.Kind == Filter {
		return s.filter(p, rig, skip, wholeRig), nil
	}
	o := Offer{Key: p.Key, Kind: p.Kind}
	sc := newScale(p.Dial)
	o.Assumption = sc.note
	f := s.gather(p, sc, rig, unit, skip, wholeRig, false)
	if sc.broken != "" {
		s.unscaled(&o, p, f, sc, rig, skip)
		return o, nil
	}
	final, err := s.final(p, sc, f)
	if err != nil {
		return o, err
	}
	o.Refused = listed(f.refused)
	o.N = len(f.points) + len(f.own)
	if final == nil {
		o.Status = Unknown
		o.Value = softer(p.Dial, p.Dial.Min, p.Dial.Max)
		o.Evidence = f.prior
		o.Reason = fmt.Sprintf("%s, the soft end of the dial: no proved tune, no sheet reference and no loop model says anything here; raise it from the bottom", schema.Num(o.Value))
		return o, nil
	}
	best := final.Best
	soft := softer(p.Dial, final.Lo, final.Hi)
	o.Final, o.lnBest = final, f.mid
	o.Slope, o.Scatter, o.Effective = f.post.Mean[1], f.post.Sigma(), f.post.Count
	s.evidence(&o, f, sc)
	o.Value, o.Status = p.Dial.Round(soft), Offered
	lead := fmt.Sprintf("%s: low end of %s to %s (%.0f %%)", schema.Num(o.Value), number(o.Final.Lo), number(o.Final.Hi), 100*s.o.Level)
	var limits []string
	if s.q.Cap != nil && sc.mapped {
		// asked over the dial only: the model has no say outside it
		if v, why, ok := s.q.Cap(p.Axis, p.Dial.Min, p.Dial.Max); ok {
			binds := p.Dial.Less(v, o.Value)
			if binds {
				was := o.Value
				o.Value = p.Dial.Round(v)
				limits = append(limits, fmt.Sprintf("held to %s by the loop model (%s); the evidence alone said %s", schema.Num(o.Value), why, schema.Num(was)))
			}
			// a model that was asked and agrees is worth saying, unless it is the anchor already
			if binds || !slices.ContainsFunc(o.Evidence, func(e Evidence) bool { return e.Kind == "loop" }) {
				o.Evidence = append(o.Evidence, Evidence{Kind: "loop", Value: v, Text: fmt.Sprintf("loop model would begin at %s at most: %s", number(v), why)})
			}
		}
	}
	if v, ref, ok := s.ownOnset(p, rig, skip, wholeRig); ok {
		below := p.Dial.Round(v - float64(sign(p.Dial))*p.Dial.Coarse)
		if p.Dial.Less(below, o.Value) {
			was := o.Value
			o.Value = below
			limits = append(limits, fmt.Sprintf("held to %s, a coarse step below the onset %s seen on this rig (%s); the evidence alone said %s", schema.Num(below), schema.Num(v), ref, schema.Num(was)))
		}
	}
	o.Warnings = append(o.Warnings, limits...)
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
		o.Warnings = append(o.Warnings, fmt.Sprintf("the evidence asks for %s, %s (its end is %s): check the mass and the sheet, and expect less than usual of this package", schema.Num(o.Value), which, schema.Num(end)))
	} else if best < p.Dial.Min || best > p.Dial.Max {
		o.Warnings = append(o.Warnings, fmt.Sprintf("the value expected in the end, %s, lies outside the dial (%s to %s)", number(best), schema.Num(p.Dial.Min), schema.Num(p.Dial.Max)))
	}
	if f.far {
		o.Warnings = append(o.Warnings, "this rig's inertia is more than a factor of two from anything proved or referenced on this gimbal: an extrapolation")
	}
	if f.thin {
		o.Warnings = append(o.Warnings, fmt.Sprintf("inertia is taken from mass alone (mass^(5/3)), which widens the interval by about %.0f %%: give the parts sizes and places", 100*s.o.MassOnlySD))
	} else if s.scaleFree[p.Axis] {
		o.Warnings = append(o.Warnings, "no inertia is known on this gimbal: mass^(5/3) stands for it")
	}
	o.Reason = s.reason(lead, f, &o, limits)
	if skip < 0 {
		s.onset(&o, p, sc, rig, unit)
	}
	return o, nil
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
func (s *shop) unscaled(o *Offer, p Param, f *fit, sc scale, rig Rig, skip int) {
	o.Refused = listed(f.refused)
	if i, v, ok := s.ownNewest(p.Key, rig, skip); ok {
		t := s.q.Tunes[i]
		o.Value, o.Status, o.N = p.Dial.Round(v), Offered, 1
		o.Evidence = []Evidence{{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: v, Weight: s.trust[i], Text: fmt.Sprintf("proved at %s on this rig (%s)", schema.Num(v), t.Ref)}}
		o.Reason = fmt.Sprintf("%s: this rig's own newest proof; nothing else can be used, because %s", schema.Num(o.Value), sc.broken)
		return
	}
	o.Status = Unknown
	o.Value = softer(p.Dial, p.Dial.Min, p.Dial.Max)
	o.Reason = fmt.Sprintf("%s, the soft end of the dial: %s", schema.Num(o.Value), sc.broken)
}

func (s *shop) ownNewest(key string, rig Rig, skip int) (i int, v float64, ok bool) {
	for j, t := range s.q.Tunes {
		w, has := t.Values[key]
		if !has || !finite(w) || j == skip || rig.ID == "" || t.Rig.ID != rig.ID || t.Stale || t.Doubt != "" || s.bad[j] != "" {
			continue
		}
		if !ok || t.AgeDays < s.q.Tunes[i].AgeDays {
			i, v, ok = j, w, true
		}
	}
	return i, v, ok
}

// ownOnset is the softest onset seen on this rig.
func (s *shop) ownOnset(p Param, rig Rig, skip int, wholeRig bool) (v float64, ref string, ok bool) {
	if rig.ID == "" || wholeRig && skip >= 0 {
		return 0, "", false
	}
	for i, t := range s.q.Tunes {
		if i == skip || t.Rig.ID != rig.ID || s.bad[i] != "" {
			continue
		}
		if w, has := t.Onset[p.Key]; has && finite(w) && (!ok || p.Dial.Less(w, v)) {
			v, ref, ok = w, t.Ref, true
		}
	}
	return v, ref, ok
}

// onset predicts where oscillation begins, from the onsets on record.
func (s *shop) onset(o *Offer, p Param, sc scale, rig Rig, unit string) {
	f := s.gather(p, sc, rig, unit, -1, false, true)
	if len(f.points)+len(f.own) == 0 {
		return
	}
	if err := s.solve(p, sc, f, false); err != nil {
		return // a prediction that is only a help; the offer stands without it
	}
	h := learn.TQuantile(0.5+s.o.Level/2, f.dof) * f.sd
	o.Onset = span(sc.number(f.mid), sc.number(f.mid-h), sc.number(f.mid+h), s.o.Level)
}

// evidence lists what the offer rests on, strongest first.
func (s *shop) evidence(o *Offer, f *fit, sc scale) {
	type weighed struct {
		pt point
		w  float64
		z  bool
	}
	all := make([]weighed, len(f.points))
	for i, pt := range f.points {
		w := pt.weight * pt.count * f.trust[i]
		all[i] = weighed{pt: pt, w: w, z: f.trust[i] < 1}
		if inf, err := f.post.Influence(math.Exp(f.lnJ), math.Exp(pt.lnJ), w); err == nil {
			o.DataShare += inf
		}
	}
	o.DataShare = math.Min(1, math.Max(0, o.DataShare))
	if len(f.own) > 0 {
		for _, pt := range f.own {
			t := s.q.Tunes[pt.i]
			o.Evidence = append(o.Evidence, Evidence{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: pt.value, Weight: pt.count,
				Text: fmt.Sprintf("proved at %s on this rig (%s)%s", schema.Num(pt.value), t.Ref, s.remark(t))})
			o.Effective += pt.count
		}
		o.DataShare = 1
	}
	slices.SortStableFunc(all, func(a, b weighed) int {
		if a.w != b.w {
			if a.w > b.w {
				return -1
			}
			return 1
		}
		return a.pt.i - b.pt.i
	})
	var rest float64
	for k, e := range all {
		if k >= s.o.Listed {
			rest += e.w
			continue
		}
		t := s.q.Tunes[e.pt.i]
		o.Evidence = append(o.Evidence, Evidence{Kind: "proved", Ref: t.Ref, Rig: t.Rig.ID, Value: e.pt.value, Weight: e.w, Distance: e.pt.dist,
			Text: fmt.Sprintf("proved at %s at %.2f kg (%s)%s", schema.Num(e.pt.value), t.Rig.Mass, t.Ref, s.remark(t))})
	}
	if n := len(all) - s.o.Listed; n > 0 {
		text := fmt.Sprintf("%d further proved tunes", n)
		if f.total > len(all) {
			text += fmt.Sprintf("; the %d nearest of %d are used", len(all), f.total)
		}
		o.Evidence = append(o.Evidence, Evidence{Kind: "proved-rest", Weight: rest, Text: text})
	}
	o.Evidence = append(o.Evidence, f.prior...)
	for _, x := range f.flagged {
		pt := f.points[x.Index]
		line := f.post.Mean[0] + f.post.Mean[1]*(pt.lnJ-math.Log(f.post.JRef))
		o.Outliers = append(o.Outliers, Outlier{Ref: s.q.Tunes[pt.i].Ref, Value: pt.value, Line: sc.number(line), Z: x.Z, Trust: x.Trust})
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
func (s *shop) remark(t Tune) string {
	var r []string
	if t.Stale {
		r = append(r, "stale")
	}
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

func (s *shop) reason(lead string, f *fit, o *Offer, limits []string) string {
	var parts []string
	switch n := len(f.own); {
	case n == 1:
		parts = append(parts, fmt.Sprintf("proved at %s on this very rig", schema.Num(f.own[0].value)))
	case n > 1:
		parts = append(parts, fmt.Sprintf("%d proofs of this very rig", n))
	}
	if n := len(f.points); n > 0 {
		near := 0
		for _, pt := range f.points {
			if pt.dist <= s.o.NearDistance {
				near++
			}
		}
		parts = append(parts, fmt.Sprintf("%s of other rigs (%d near), stiffness as inertia^%.2f", count(n, "proved tune"), near, o.Slope))
	}
	for _, e := range f.prior {
		if (e.Kind == "reference" || e.Kind == "loop") && o.DataShare < 0.9 {
			parts = append(parts, e.Text)
		}
	}
	if n := len(f.flagged); n > 0 {
		parts = append(parts, count(n, "outlier")+" believed less: "+o.Outliers[0].Ref)
	}
	text := lead + "; " + strings.Join(parts, "; ")
	if len(limits) > 0 {
		text += "; " + strings.Join(limits, "; ")
	}
	return text + "; raise it from here"
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// number is a computed dial number for people: three significant digits.
func number(v float64) string {
	if v == 0 {
		return "0"
	}
	d := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(v))))
	if math.IsInf(d, 0) || d == 0 {
		return schema.Num(v)
	}
	return schema.Num(math.Round(v*d) / d)
}

// filter keeps the sheet's default unless this rig's own proof, or enough near
// proved rigs that agree, say otherwise.
func (s *shop) filter(p Param, rig Rig, skip int, wholeRig bool) Offer {
	o := Offer{Key: p.Key, Kind: p.Kind}
	inDial := func(v float64) bool { return v >= p.Dial.Min && v <= p.Dial.Max }
	same := func(a, b float64) bool { return math.Abs(a-b) < p.Dial.Fine/2 }
	if i, v, ok := s.ownNewest(p.Key, rig, skip); ok && !(wholeRig && skip >= 0) && inDial(v) {
		t := s.q.Tunes[i]
		o.Value, o.Status, o.N, o.Effective, o.DataShare = v, Offered, 1, s.trust[i], 1
		o.Evidence = []Evidence{{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: v, Weight: s.trust[i], Text: fmt.Sprintf("proved at %s on this rig (%s)", schema.Num(v), t.Ref)}}
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
		if !ok || i == skip || t.Rig.ID == "" || rig.ID != "" && t.Rig.ID == rig.ID || t.Stale || t.Doubt != "" {
			continue
		}
		if why, no := s.bad[i]; no {
			o.Refused = append(o.Refused, Refusal{t.Ref, why})
			continue
		}
		d := s.rigDistance(rig, i)
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
		o.Reason = fmt.Sprintf("%s: the sheet's default; at least %d near proved rigs, two thirds of them on one other value, would change it (%d near)", schema.Num(*def), s.o.FilterRigs, len(votes))
		if agree {
			o.Reason = fmt.Sprintf("%s: the sheet's default, and %d of %d near proved rigs agree", schema.Num(*def), tally, len(votes))
		}
	default:
		o.Value, o.Status = softer(p.Dial, p.Dial.Min, p.Dial.Max), Unknown
		list()
		o.Reason = fmt.Sprintf("%s, the light end of the dial: the sheet gives no default and fewer than %d near proved rigs agree", schema.Num(o.Value), s.o.FilterRigs)
	}
	return o
}

// rigDistance is the distance of a tune's rig in ln mass and the mean ln inertia
// of the axes known on both.
func (s *shop) rigDistance(r Rig, i int) float64 {
	t := s.q.Tunes[i].Rig
	dm := s.lnMass[i] - math.Log(r.Mass)
	var sum float64
	n := 0
	for a := range r.J {
		if r.J[a] > 0 && t.J[a] > 0 {
			d := math.Log(r.J[a] / t.J[a])
			sum += d * d
			n++
		}
	}
	if n == 0 {
		return math.Abs(dm) * math.Hypot(1, 5.0/3)
	}
	return math.Sqrt(dm*dm + sum/float64(n))
}
