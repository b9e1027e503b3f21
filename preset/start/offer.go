package start

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset/mass"
	"rigkeep/schema"
)

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
	limits := s.limit(&o, p, sc, f, rig, out)
	o.Warnings = append(o.Warnings, limits...)
	if w, ok := s.otherUnits(f); ok {
		o.Warnings = append(o.Warnings, w)
	}
	outside(&o, p.Dial, best)
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

// limit holds an offer to what the loop model, this rig's own onset and the next lighter build
// allow, and says what it was held to.
func (s *estimator) limit(o *Offer, p Param, sc scale, f *fit, rig Rig, out leave) (limits []string) {
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
	return limits
}

// outside warns of an offer, or of a value expected in the end, that the dial does not reach.
func outside(o *Offer, d schema.Dial, best float64) {
	if o.Value < d.Min || o.Value > d.Max {
		end := d.Min
		if o.Value > d.Max {
			end = d.Max
		}
		o.Status, o.End = Outside, &end
		which := "stiffer than the dial goes"
		if d.Less(o.Value, end) {
			which = "softer than the dial goes"
		}
		o.Warnings = append(o.Warnings, fmt.Sprintf("the evidence points to %s, %s (the dial ends at %s): check the mass and the gimbal sheet; this build may not hold as well as usual", schema.Num(o.Value), which, schema.Num(end)))
	} else if best < d.Min || best > d.Max {
		o.Warnings = append(o.Warnings, fmt.Sprintf("the value expected in the end, %s, lies outside the dial (%s to %s)", schema.Sig(best, 3), schema.Num(d.Min), schema.Num(d.Max)))
	}
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
	return fmt.Sprintf("no proof is of %s: the range includes the spread of %s", who, schema.Count(len(f.units), "proved unit", "proved units")), true
}

// listed keeps a long list of refusals readable.
func listed(r []Refusal) []Refusal {
	const most = 20
	if len(r) <= most {
		return r
	}
	return append(r[:most:most], Refusal{Reason: fmt.Sprintf("and %d more", len(r)-most)})
}

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
	if i, v, ok := s.ownNewest(p.Key, rig, out); ok && inDial(p.Dial, v) {
		t := s.q.Tunes[i]
		o.Value, o.Status, o.N, o.Effective, o.DataShare = v, Offered, 1, 1, 1
		o.Evidence = []Evidence{{Kind: "own", Ref: t.Ref, Rig: t.Rig.ID, Value: v, Weight: 1, Text: fmt.Sprintf("proved at %s on this rig (%s)", schema.Num(v), t.Ref)}}
		o.Reason = fmt.Sprintf("%s: this rig's own newest proof", schema.Num(v))
		return o
	}
	votes := s.votes(&o, p, rig, out)
	tally, winner := count(votes, p.Dial)
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
	case agree && (def == nil || !same(p.Dial, winner, *def)):
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

func inDial(d schema.Dial, v float64) bool { return v >= d.Min && v <= d.Max }

// same says whether two numbers are one on the dial.
func same(d schema.Dial, a, b float64) bool { return math.Abs(a-b) < d.Fine/2 }

// vote is the newest proved value of a near rig.
type vote struct {
	i    int     // of the tune
	v, d float64 // value, and distance
}

// votes are those of the near rigs, in the order of their tunes.
func (s *estimator) votes(o *Offer, p Param, rig Rig, out leave) []vote {
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
		if !inDial(p.Dial, v) {
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
	return votes
}

// count finds the value that most votes are for, the softest of several.
func count(votes []vote, d schema.Dial) (tally int, winner float64) {
	for _, w := range votes {
		n := 0
		for _, x := range votes {
			if same(d, w.v, x.v) {
				n++
			}
		}
		if n > tally || n == tally && d.Less(w.v, winner) {
			tally, winner = n, w.v
		}
	}
	return tally, winner
}
