package diffview

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"rigkeep/preset"
	"rigkeep/schema"
)

// tune compares values, note and rig of the two tunes.
func (c *comparison) tune() {
	a, b := c.a.Tune, c.b.Tune
	if a == nil && b == nil {
		return
	}
	if ra, rb := c.a.Rig, c.b.Rig; (a == nil || b == nil) && ra != nil && rb != nil && !sameRigOf(*ra, *rb) {
		// to list every value of one rig as gone from another would only be noise
		s := c.a
		if b == nil {
			s = c.b
		}
		c.r.NotCompared, c.noTune = append(c.r.NotCompared, "the tunes: "+s.Label+" has none"), true
		return
	}
	if a == nil {
		a = &preset.Tune{}
	}
	if b == nil {
		b = &preset.Tune{}
	}
	byGroup := map[string][]Change{}
	for _, key := range union(a.Values, b.Values) {
		p, known := c.cat.Param(key)
		ch, differs := c.change(p, known, key, a.Values[key], b.Values[key])
		if differs {
			byGroup[p.Group] = append(byGroup[p.Group], ch)
		}
	}
	order := map[string]int{}
	for i, g := range c.cat.Groups() {
		order[g.Name] = i
	}
	title := map[string]string{}
	for _, g := range c.cat.Groups() {
		title[g.Name] = g.Title
	}
	for name, changes := range byGroup {
		sort.SliceStable(changes, func(i, j int) bool {
			x, y := c.place(changes[i].Key), c.place(changes[j].Key)
			if x.style != y.style {
				return x.style < y.style
			}
			if x.order != y.order {
				return x.order < y.order
			}
			return changes[i].Key < changes[j].Key
		})
		t := title[name]
		if name == "" {
			t, order[name] = "Unknown keys", len(order)+1
		}
		c.r.Tune = append(c.r.Tune, Group{name, t, changes})
	}
	sort.SliceStable(c.r.Tune, func(i, j int) bool { return order[c.r.Tune[i].Name] < order[c.r.Tune[j].Name] })

	if a.Rig != b.Rig {
		f := c.field(schema.KindTune, "rig", present(a.Rig), present(b.Rig))
		f.Label = "Fingerprint of the rig"
		// where the builds are compared, it follows from them
		f.Derived = c.a.Rig != nil && c.b.Rig != nil && a.Rig == c.a.Rig.ID && b.Rig == c.b.Rig.ID
		if f.Derived {
			f.Level = schema.Minor
		}
		c.r.Other = append(c.r.Other, f)
	}
	if a.Unit != b.Unit {
		c.r.Other = append(c.r.Other, c.field(schema.KindTune, "unit", present(a.Unit), present(b.Unit)))
	}
	if a.Note != b.Note {
		c.r.Other = append(c.r.Other, c.field(schema.KindTune, "note", present(a.Note), present(b.Note)))
	}
}

// sameRigOf reports whether two builds are one rig at two times: the same folder
// or alias, or one having been the other before its parts changed.
func sameRigOf(a, b preset.Rig) bool {
	return a.ID == b.ID || a.Alias == b.Alias || moved(a, b)
}

// moved reports whether a rig went from one folder to the other.
func moved(a, b preset.Rig) bool {
	return a.ID != b.ID && (slices.Contains(b.Was, a.ID) || slices.Contains(a.Was, b.ID))
}

// present is a text as a value: nil when it is empty, as an absent key is.
func present(s string) any {
	if s == "" {
		return nil
	}
	return s
}

type place struct {
	style string
	order int
}

func (c *comparison) place(key string) place {
	p, _ := c.cat.Param(key)
	return place{styleOf(p.Path, key), p.Order}
}

// styleOf is the name that stands for the star of a parameter's path.
func styleOf(pattern, key string) string {
	ps, ks := schema.SplitPath(pattern), schema.SplitPath(key)
	for i, s := range ps {
		if s == "*" && i < len(ks) {
			return ks[i]
		}
	}
	return ""
}

// change compares one parameter; differs is false when there is nothing to say.
func (c *comparison) change(p schema.Param, known bool, key string, va, vb any) (ch Change, differs bool) {
	ch = Change{Key: key, Label: key, Before: va, After: vb, Op: opOf(va, vb), Known: known, Comparable: true, Level: schema.Notable}
	if !known {
		return ch, !equal(va, vb)
	}
	ch.Label, ch.Unit, ch.Axis = p.Label(key), p.Unit, p.Axis
	rel := c.relate(p)
	if ch.Unit == "" {
		ch.Unit = rel.b.Unit
		if rel.a.Unit != rel.b.Unit {
			ch.UnitBefore = &rel.a.Unit
		}
	}
	na, okA := schema.Number(va)
	nb, okB := schema.Number(vb)
	switch {
	case ch.Op == Added || ch.Op == Removed:
		c.absent(&ch, p, rel, okA, na, okB, nb)
		return ch, true
	case !okA || !okB:
		return ch, !equal(va, vb)
	case rel.how == direct && na == nb:
		return ch, false
	}
	c.numbers(&ch, p, rel, na, nb)
	// one number that does the same on both dials is no difference
	return ch, na != nb || rel.how != throughSI || ch.Delta == nil || *ch.Delta != 0
}

// numbers fills in what can be said of two numbers.
func (c *comparison) numbers(ch *Change, p schema.Param, rel relation, na, nb float64) {
	ch.SI = rel.si(na, nb)
	from := na
	switch rel.how {
	case apart:
		ch.Comparable, ch.Reason = false, rel.reason
		return
	case throughSI:
		ch.Reason = rel.reason
		v, unit, err := rel.convert(na)
		if err != nil {
			ch.Level, ch.Remark = schema.Major, num(na)+" is outside the dial of "+rel.nameB
			if sa, sb := ch.SI.Before, ch.SI.After; sa != nil && sb != nil {
				ch.setSense(p, cmp(*sb, *sa)*p.SI[unit])
			}
			return
		}
		ch.Converted, from = &v, v
	}
	d := nb - from
	if p.Circular > 0 {
		d = math.Remainder(d, p.Circular)
	}
	d = tidy(d)
	ch.Delta = &d
	sign := 1
	if rel.b.Sign < 0 {
		sign = -1
	}
	ch.setSense(p, sign*cmp(d, 0))
	st := Steps{CoarseSize: rel.b.Coarse, FineSize: rel.b.Fine}
	if st.CoarseSize > 0 && st.FineSize > 0 {
		st.Coarse, st.Fine = tidy(d/st.CoarseSize), tidy(d/st.FineSize)
		ch.Steps = &st
		ch.Level = weigh(p, st.Coarse)
	}
	if span := rel.b.Max - rel.b.Min; span > 0 && !math.IsInf(span, 0) {
		s := tidy(d / span)
		ch.Share = &s
	}
	if d == 0 {
		ch.Level, ch.Remark = schema.Minor, "same effect, different dial number"
	}
	if p.Circular > 0 && d != tidy(nb-from) {
		ch.Remark = "wraps around"
	}
	if ch.Level >= schema.Notable && ch.Sense != 0 {
		ch.Sentence = p.Lower
		if ch.Sense > 0 {
			ch.Sentence = p.Raise
		}
		if len(p.Cautions) > 0 {
			ch.Caution = p.Cautions[0]
		}
	}
}

func (ch *Change) setSense(p schema.Param, sense int) {
	ch.Sense = sense
	switch {
	case sense > 0:
		ch.Direction = p.Up
	case sense < 0:
		ch.Direction = p.Down
	}
}

func cmp(a, b float64) int {
	switch {
	case a > b:
		return 1
	case a < b:
		return -1
	}
	return 0
}

// weigh puts a change in coarse steps on the catalogue's scale.
func weigh(p schema.Param, coarse float64) schema.Level {
	switch n := math.Abs(coarse) + 1e-9; {
	case p.Significance.Major > 0 && n >= p.Significance.Major:
		return schema.Major
	case n >= p.Significance.Notable:
		return schema.Notable
	}
	return schema.Minor
}

// absent fills in a key that only one side has: which default applies instead.
func (c *comparison) absent(ch *Change, p schema.Param, rel relation, okA bool, na float64, okB bool, nb float64) {
	d := rel.b
	if ch.Op == Added {
		d = rel.a
	}
	def, where := any(nil), ""
	switch {
	case d.Default != nil:
		def, where = *d.Default, "the dial's default"
	case p.Default != nil:
		def, where = p.Default, "the default"
	}
	if style := styleOf(p.Path, ch.Key); style != "" {
		lacks := c.a.Tune
		if ch.Op == Removed {
			lacks = c.b.Tune
		}
		if lacks == nil || !hasStyle(*lacks, style) {
			def = nil
		}
	}
	switch {
	case def != nil && ch.Op == Removed:
		ch.Remark = where + " " + value(def) + " now applies"
	case def != nil:
		ch.Remark = where + " " + value(def) + " applied before"
	case ch.Op == Removed:
		ch.Remark = "unset"
	default:
		ch.Remark = "was not set"
	}
	// a key written out at its default changes nothing
	if n, ok := schema.Number(def); ok && (okA && na == n || okB && nb == n) {
		ch.Level = schema.Minor
	}
	if okA || okB {
		ch.SI = rel.si(pick(okA, na), pick(okB, nb))
	}
}

func hasStyle(t preset.Tune, name string) bool {
	for _, s := range t.Styles() {
		if s == name {
			return true
		}
	}
	return false
}

func pick(ok bool, v float64) float64 {
	if ok {
		return v
	}
	return math.NaN()
}

// opOf tells from the two values what happened to a key.
func opOf(a, b any) Op {
	switch {
	case a == nil:
		return Added
	case b == nil:
		return Removed
	}
	return Changed
}

// how two numbers of one parameter relate.
type how int

const (
	direct    how = iota // same dial, or a unit that is the same everywhere
	throughSI            // different dials, both mapped
	apart                // the numbers mean different things
)

// relation is the two dials of one parameter. Where a parameter has no dial, or
// no sheet is known, both are made from the catalogue's own steps.
type relation struct {
	how          how
	a, b         schema.Dial
	nameA, nameB string
	reason       string
}

func (c *comparison) relate(p schema.Param) relation {
	plain := schema.Dial{Key: p.Dial, Fine: p.Step, Coarse: p.Coarse, Sign: 1}
	if p.Dial == "" {
		if p.Min != nil && p.Max != nil {
			plain.Min, plain.Max = *p.Min, *p.Max
		}
		return relation{a: plain, b: plain}
	}
	sa, sb := c.a.Sheet, c.b.Sheet
	if sa == nil && sb == nil {
		return c.sheetless(plain)
	}
	// A file without a rig is taken to be for the other side's gimbal.
	if sa == nil {
		if g := gimbal(c.a); g != "" && g != sb.Slug {
			return relation{how: apart, a: plain, b: plain, reason: "the sheet of gimbal " + g + " is not known"}
		}
		sa = sb
	}
	if sb == nil {
		if g := gimbal(c.b); g != "" && g != sa.Slug {
			return relation{how: apart, a: plain, b: plain, reason: "the sheet of gimbal " + g + " is not known"}
		}
		sb = sa
	}
	r := relation{nameA: "gimbal " + sa.Slug, nameB: "gimbal " + sb.Slug}
	if sa.Slug == sb.Slug {
		r.nameA, r.nameB = "the earlier sheet", "the later sheet"
	}
	var okA, okB bool
	r.a, okA = sa.Dials[p.Dial]
	r.b, okB = sb.Dials[p.Dial]
	switch {
	case !okA && !okB && sa.Slug == sb.Slug:
		return relation{a: plain, b: plain}
	case !okA || !okB:
		name := r.nameA
		if okA {
			name = r.nameB
		}
		r.how, r.reason = apart, name+" has no dial for it"
	case sa.Slug == sb.Slug && sameDial(r.a, r.b):
		r.how = direct
	case r.a.Map != nil && r.b.Map != nil:
		r.how, r.reason = throughSI, "compared in SI units (different dials)"
		if r.a.Map.Unit != r.b.Map.Unit && !(cutoff(r.a.Map.Unit) && cutoff(r.b.Map.Unit)) {
			r.how, r.reason = apart, fmt.Sprintf("%s maps it to %s, %s to %s", r.nameA, r.a.Map.Unit, r.nameB, r.b.Map.Unit)
		}
	case sa.Slug == sb.Slug:
		r.how, r.reason = apart, fmt.Sprintf("not comparable: the dial changed from %s–%s to %s–%s and has no SI conversion", num(r.a.Min), num(r.a.Max), num(r.b.Min), num(r.b.Max))
	default:
		var lack []string
		if r.a.Map == nil {
			lack = append(lack, sa.Slug)
		}
		if r.b.Map == nil {
			lack = append(lack, sb.Slug)
		}
		r.how, r.reason = apart, "not comparable: no SI conversion for "+schema.Either(lack)
	}
	return r
}

// sheetless relates two tunes whose sheets are both unknown.
func (c *comparison) sheetless(plain schema.Dial) relation {
	if ga, gb := gimbal(c.a), gimbal(c.b); ga != gb && ga != "" && gb != "" {
		return relation{how: apart, a: plain, b: plain, reason: "not comparable: no gimbal sheets"}
	}
	return relation{a: plain, b: plain}
}

func gimbal(s Side) string {
	if s.Rig != nil {
		return s.Rig.Gimbal
	}
	return ""
}

// sameDial reports whether a number means the same on both; steps and default may differ.
func sameDial(a, b schema.Dial) bool {
	if a.Min != b.Min || a.Max != b.Max || a.Sign != b.Sign {
		return false
	}
	if a.Map == nil || b.Map == nil { // what a dial gives was learned between the two
		return true
	}
	if a.Map.Kind != b.Map.Kind || a.Map.Unit != b.Map.Unit || a.Map.AtMin != b.Map.AtMin || a.Map.AtMax != b.Map.AtMax || len(a.Map.Points) != len(b.Map.Points) {
		return false
	}
	for i := range a.Map.Points {
		if a.Map.Points[i] != b.Map.Points[i] {
			return false
		}
	}
	return true
}

// cutoff reports whether a filter map's unit says where the filter cuts off.
func cutoff(unit string) bool { return unit == "Hz" || unit == "s" }

// toUnit turns a cutoff frequency into a time constant or back.
// Source: definition of a low-pass filter's time constant, τ = 1/(2πf).
func toUnit(v float64, from, to string) float64 {
	if from != to && cutoff(from) && cutoff(to) {
		return 1 / (2 * math.Pi * v)
	}
	return v
}

// si gives both numbers through the maps in the second side's unit; a NaN is absent.
func (r relation) si(na, nb float64) *SI {
	s := SI{}
	switch {
	case r.b.Map != nil:
		s.Unit = r.b.Map.Unit
	case r.a.Map != nil:
		s.Unit = r.a.Map.Unit
	default:
		return nil
	}
	get := func(d schema.Dial, n float64) *float64 {
		if d.Map == nil {
			return nil
		}
		v, err := d.ToSI(n)
		if err != nil {
			return nil
		}
		s.Extrapolated = s.Extrapolated || d.Extrapolated(n)
		v = toUnit(v, d.Map.Unit, s.Unit)
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return nil
		}
		return &v
	}
	s.Before, s.After = get(r.a, na), get(r.b, nb)
	if s.Before == nil && s.After == nil {
		return nil
	}
	return &s
}

// convert takes a number of the first dial to the second through SI; unit is
// the second map's, also when the number is out of reach.
func (r relation) convert(n float64) (v float64, unit string, err error) {
	unit = r.b.Map.Unit
	si, err := r.a.ToSI(n)
	if err != nil {
		return 0, unit, err
	}
	v, err = r.b.FromSI(toUnit(si, r.a.Map.Unit, unit))
	return tidy(v), unit, err
}
