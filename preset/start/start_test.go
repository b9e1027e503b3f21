package start

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/domain"
	"rigkeep/schema"
)

const panKey = "stiffness.pan"

func request(tunes ...Tune) Request {
	return Request{
		Rig:    Rig{ID: "new", Mass: 1.6, J: [3]float64{0.02, 0.01, 0.009}},
		Unit:   "unit 1",
		Params: params()[:1], Tunes: tunes,
		References: []Reference{{Name: "middle", Rig: Rig{Mass: 1.6, J: [3]float64{0.02, 0, 0}}, Values: map[string]float64{panKey: 40}}},
	}
}

// proved is a tune of a rig with the given pan inertia.
func proved(id string, j, value float64) Tune {
	return Tune{Ref: id + "/main", Unit: "unit 1", Rig: Rig{ID: id, Mass: 1.6 * math.Pow(j/0.02, 0.6), J: [3]float64{j, j / 2, j / 2}}, Values: map[string]float64{panKey: value}}
}

func offerOf(t testing.TB, q Request, key string) Offer {
	t.Helper()
	r, err := Start(q)
	if err != nil {
		t.Fatal(err)
	}
	o, ok := r.Offer(key)
	if !ok {
		t.Fatalf("no offer for %s", key)
	}
	return o
}

func hasWarning(o Offer, words ...string) bool {
	for _, w := range o.Warnings {
		all := true
		for _, x := range words {
			all = all && strings.Contains(w, x)
		}
		if all {
			return true
		}
	}
	return false
}

func kinds(o Offer) string {
	var k []string
	for _, e := range o.Evidence {
		k = append(k, e.Kind)
	}
	return strings.Join(k, " ")
}

// With no proof the reference and the physics speak; one proof moves the answer part
// of the way; many carry it whatever the reference said.
func TestEvidenceTakesOver(t *testing.T) {
	none := offerOf(t, request(), panKey)
	if none.Status != Offered || math.Abs(none.Final.Best-40) > 1e-9 || none.N != 0 || none.DataShare != 0 || kinds(none) != "physics reference" {
		t.Errorf("%+v", none)
	}
	if none.Final.Hi/none.Final.Lo < 2 {
		t.Errorf("%+v: a reference alone cannot be known this well", none.Final)
	}
	// the same law, a heavier rig
	q := request()
	q.Rig.J[0], q.Rig.Mass = 0.04, 2.4
	if o := offerOf(t, q, panKey); math.Abs(o.Final.Best-80) > 1e-9 {
		t.Errorf("twice the inertia: %+v, want 80", o.Final)
	}
	one := offerOf(t, request(proved("a", 0.022, 66)), panKey)
	if !(one.Final.Best > 45 && one.Final.Best < 60) || one.DataShare < 0.5 || one.DataShare > 0.98 {
		t.Errorf("one proof at 60 for this inertia against a reference of 40: %+v share %.2f", one.Final, one.DataShare)
	}
	if one.Final.Hi/one.Final.Lo >= none.Final.Hi/none.Final.Lo {
		t.Errorf("one proof does not narrow %+v to %+v", none.Final, one.Final)
	}
	rng := rand.New(rand.NewSource(1))
	var many []Tune
	for i := range 60 {
		x := rng.NormFloat64() * 0.5
		many = append(many, proved(fmt.Sprint(i), 0.02*math.Exp(x), math.Round(60*math.Exp(x+0.06*rng.NormFloat64()))))
	}
	all := offerOf(t, request(many...), panKey)
	if math.Abs(all.Final.Best-60) > 2.5 || all.DataShare < 0.97 || math.Abs(all.Slope-1) > 0.1 {
		t.Errorf("sixty proofs at 60 for this inertia: %+v share %.3f slope %.2f", all.Final, all.DataShare, all.Slope)
	}
	if n := strings.Count(kinds(all), "proved"); n != 6 || !strings.Contains(kinds(all), "proved-rest") {
		t.Errorf("evidence %q", kinds(all))
	}
	for _, o := range []Offer{none, one, all} {
		if o.Value > o.Final.Lo || o.Value < o.Final.Lo-1 || o.Value != math.Floor(o.Value) {
			t.Errorf("offered %v is not the low end %v on a step toward less stiff", o.Value, o.Final.Lo)
		}
		if !strings.Contains(o.Reason, fmt.Sprint(o.Value)) || !strings.Contains(o.Assumption, "no conversion to SI") {
			t.Errorf("reason %q assumption %q", o.Reason, o.Assumption)
		}
	}
}

func TestNothingKnown(t *testing.T) {
	q := request()
	q.References = nil
	o := offerOf(t, q, panKey)
	if o.Status != Unknown || o.Value != 0 || o.Final != nil || !strings.Contains(o.Reason, "soft end") {
		t.Errorf("%+v", o)
	}
	q.Params[0].Dial.Sign = -1
	if o := offerOf(t, q, panKey); o.Value != 300 {
		t.Errorf("the soft end of a reversed dial is its upper: %+v", o)
	}
}

func TestOwnProofLeads(t *testing.T) {
	var tunes []Tune
	for i := range 12 {
		j := 0.012 + 0.002*float64(i)
		tunes = append(tunes, proved(fmt.Sprint(i), j, math.Round(2000*j)))
	}
	without := offerOf(t, request(tunes...), panKey)
	own := proved("new", 0.02, 50)
	with := offerOf(t, request(append(tunes, own)...), panKey)
	if with.Final.Best <= without.Final.Best+3 || with.Final.Best >= 50 {
		t.Errorf("line says %.1f, this rig was proved at 50: %.1f", without.Final.Best, with.Final.Best)
	}
	thrice := offerOf(t, request(append(tunes, own, own, own)...), panKey)
	if thrice.Final.Best <= with.Final.Best {
		t.Errorf("three proofs %.1f, one %.1f", thrice.Final.Best, with.Final.Best)
	}
	if kinds(with)[:3] != "own" || !strings.Contains(with.Reason, "this very rig") {
		t.Errorf("%q %q", kinds(with), with.Reason)
	}
	// alone, it is all there is besides the dial
	q := request(own)
	q.References = nil
	if o := offerOf(t, q, panKey); math.Abs(o.Final.Best-50) > 1 {
		t.Errorf("%+v", o.Final)
	}
}

func TestOwnOnsetHolds(t *testing.T) {
	own := proved("new", 0.02, 40)
	own.Onset = map[string]float64{panKey: 36}
	o := offerOf(t, request(own, own, own), panKey)
	if o.Value != 31 || !hasWarning(o, "31", "onset 36") {
		t.Errorf("%v %q", o.Value, o.Warnings)
	}
	other := proved("other", 0.02, 40)
	other.Onset = map[string]float64{panKey: 60}
	o = offerOf(t, request(other), panKey)
	if o.Onset == nil || !(o.Onset.Lo < 60 && 60 < o.Onset.Hi) {
		t.Errorf("onset %+v", o.Onset)
	}
}

func TestOutlierIsNamed(t *testing.T) {
	var tunes []Tune
	for i := range 10 {
		j := 0.015 + 0.001*float64(i)
		tunes = append(tunes, proved(fmt.Sprint("r", i), j, math.Round(2000*j)))
	}
	good := offerOf(t, request(tunes...), panKey)
	bad := proved("slip", 0.02, 4) // a digit lost
	o := offerOf(t, request(append(tunes, bad)...), panKey)
	if len(o.Outliers) != 1 || o.Outliers[0].Ref != "slip/main" || o.Outliers[0].Value != 4 || math.Abs(o.Outliers[0].Line-40) > 2 || o.Outliers[0].Z > -5 || o.Outliers[0].Trust > 0.05 {
		t.Errorf("%+v", o.Outliers)
	}
	if math.Abs(o.Final.Best/good.Final.Best-1) > 0.02 || !strings.Contains(o.Reason, "slip/main") {
		t.Errorf("%v against %v without it; %q", o.Final, good.Final, o.Reason)
	}
}

func TestTrust(t *testing.T) {
	// two rigs like this one disagree; whatever is wrong with the second moves the answer to the first
	base := func(f func(*Tune)) float64 {
		a, b := proved("a", 0.0201, 40), proved("b", 0.0199, 60)
		f(&b)
		q := request(a, b)
		q.References = nil
		return offerOf(t, q, panKey).Final.Best
	}
	even := base(func(*Tune) {})
	if math.Abs(even-math.Sqrt(40*60)) > 1 {
		t.Errorf("between 40 and 60: %v", even)
	}
	for name, f := range map[string]func(*Tune){
		"out of date": func(t *Tune) { t.OutOfDate = "the values changed" }, "doubted": func(t *Tune) { t.Doubt = "effort was 9 %" },
		"old": func(t *Tune) { t.AgeDays = 2000 }, "other unit": func(t *Tune) { t.Unit = "unit 2" },
		"mass only": func(t *Tune) { t.Rig.JFromMass = true },
	} {
		if v := base(f); v >= even-0.3 {
			t.Errorf("%s: %v, want it nearer 40 than %v", name, v, even)
		}
	}
	// repeating one proof is not as good as another rig
	a, b := proved("a", 0.0201, 40), proved("b", 0.0199, 60)
	b2 := b
	b2.AgeDays = 1
	q := request(a, b, b2)
	q.References = nil
	rep := offerOf(t, q, panKey).Final.Best
	b2.Rig.ID = "c"
	q = request(a, b, b2)
	q.References = nil
	if two := offerOf(t, q, panKey).Final.Best; rep <= even || two <= rep {
		t.Errorf("even %v, repeated %v, two rigs %v", even, rep, two)
	}
}

func TestMassOnly(t *testing.T) {
	tunes := []Tune{proved("a", 0.02, 40), proved("b", 0.02, 41), proved("c", 0.021, 41)}
	known := offerOf(t, request(tunes...), panKey)
	q := request(tunes...)
	q.Rig.J = [3]float64{}
	q.Rig.Mass *= 2
	o := offerOf(t, q, panKey)
	// by g1 of the shared checks: twice the mass, 3.1748 times the inertia and the stiffness
	if r := o.Final.Best / known.Final.Best; math.Abs(r-3.1748) > 0.15 {
		t.Errorf("twice the mass: %.3f times the stiffness, want near 3.17", r)
	}
	q.Rig.Mass /= 2
	o = offerOf(t, q, panKey)
	if o.Final.Hi/o.Final.Lo <= known.Final.Hi/known.Final.Lo*1.2 || !hasWarning(o, "from mass only") {
		t.Errorf("%+v against %+v, %q", o.Final, known.Final, o.Warnings)
	}
	q = request(tunes...)
	q.Rig.JFromMass = true
	if p := offerOf(t, q, panKey); !hasWarning(p, "from mass only") || math.Abs(p.Final.Best/known.Final.Best-1) > 0.02 {
		t.Errorf("%+v", p)
	}
	for i := range tunes {
		tunes[i].Rig.J = [3]float64{}
	}
	q = request(tunes...)
	q.References, q.Rig.J = nil, [3]float64{}
	if p := offerOf(t, q, panKey); !hasWarning(p, "from mass only on this gimbal") || math.Abs(p.Final.Best-41) > 2 {
		t.Errorf("%+v", p)
	}
}

func mapped(kind schema.MapKind, lo, hi float64, sign int) schema.Dial {
	d := dial(panKey)
	d.Max, d.Sign = 100, sign
	d.Map = &schema.Map{Kind: kind, Unit: "Nm/rad", AtMin: lo, AtMax: hi}
	return d
}

func TestMapsAndDirections(t *testing.T) {
	// one truth in N·m/rad, K = 1500 J, seen through different dials, gives one answer
	k := func(j float64) float64 { return 1500 * j }
	js := []float64{0.012, 0.015, 0.018, 0.022, 0.027}
	var want float64
	for i, d := range []schema.Dial{mapped(schema.Linear, 2, 102, 1), mapped(schema.Linear, 102, 2, -1), mapped(schema.Logarithmic, 4, 120, 1)} {
		d.Fine = 1e-6 // so that rounding says nothing
		var tunes []Tune
		for n, j := range js {
			v, err := d.FromSI(k(j) * []float64{1, 1.05, 0.95}[n%3])
			if err != nil {
				t.Fatal(err)
			}
			tunes = append(tunes, proved(fmt.Sprint(n), j, v))
		}
		q := request(tunes...)
		q.References, q.Params[0].Dial = nil, d
		o := offerOf(t, q, panKey)
		best, err := d.ToSI(o.Final.Best)
		if err != nil {
			t.Fatal(err)
		}
		offered, err := d.ToSI(o.Value)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(best-30) > 1 || offered >= best || o.Assumption != "" {
			t.Errorf("dial %d: %.2f N·m/rad expected, %.2f offered, %q", i, best, offered, o.Assumption)
		}
		if i == 0 {
			want = offered
		} else if math.Abs(offered/want-1) > 0.02 {
			t.Errorf("dial %d: %.3f N·m/rad offered, the first dial %.3f", i, offered, want)
		}
		if d.Sign < 0 && o.Value < o.Final.Best {
			t.Errorf("the softer end of a reversed dial is the larger number: %+v", o)
		}
	}
	// reversed without a map: inversely proportional
	q := request(proved("a", 0.01, 80), proved("b", 0.02, 40), proved("c", 0.04, 20))
	q.References, q.Params[0].Dial.Sign = nil, -1
	o := offerOf(t, q, panKey)
	if math.Abs(o.Final.Best-40) > 1 || o.Value <= 40 || math.Abs(o.Slope-1) > 0.05 || !strings.Contains(o.Assumption, "inversely") {
		t.Errorf("%+v", o)
	}
}

func TestRefusedEvidence(t *testing.T) {
	good := proved("good", 0.02, 40)
	cases := map[string]struct {
		dial func(*schema.Dial)
		tune func(*Tune)
		want string
	}{
		"zero without a map":    {nil, func(t *Tune) { t.Values[panKey] = 0 }, "no logarithm"},
		"negative":              {nil, func(t *Tune) { t.Values[panKey] = -3 }, "no logarithm"},
		"not a number":          {nil, func(t *Tune) { t.Values[panKey] = math.NaN() }, "not a number"},
		"outside the map":       {func(d *schema.Dial) { *d = mapped(schema.Linear, 1, 50, 1) }, func(t *Tune) { t.Values[panKey] = 120 }, "outside"},
		"no stiffness by map":   {func(d *schema.Dial) { *d = mapped(schema.Linear, 0, 50, 1) }, func(t *Tune) { t.Values[panKey] = 0 }, "no logarithm"},
		"no mass":               {nil, func(t *Tune) { t.Rig.Mass = 0 }, "mass"},
		"inertia not a number":  {nil, func(t *Tune) { t.Rig.J[1] = math.NaN() }, "inertia"},
		"proved in the future":  {nil, func(t *Tune) { t.AgeDays = -3 }, "days old"},
		"infinite mass on tune": {nil, func(t *Tune) { t.Rig.Mass = math.Inf(1) }, "mass"},
	}
	for name, c := range cases {
		bad := proved("bad", 0.02, 40)
		c.tune(&bad)
		q := request(bad, good)
		q.References = nil
		if c.dial != nil {
			c.dial(&q.Params[0].Dial)
		}
		o := offerOf(t, q, panKey)
		if len(o.Refused) != 1 || o.Refused[0].Ref != "bad/main" || !strings.Contains(o.Refused[0].Reason, c.want) {
			t.Errorf("%s: refused %+v, want a reason with %q", name, o.Refused, c.want)
		}
		if o.N != 1 || math.Abs(o.Final.Best-40) > 1 {
			t.Errorf("%s: the good tune is lost: %+v", name, o)
		}
	}
	// a dial across zero has no ratio: only this rig's own proof can be offered
	q := request(good, proved("new", 0.02, 12))
	q.Params[0].Dial.Min = -50
	if o := offerOf(t, q, panKey); o.Status != Offered || o.Value != 12 || len(o.Refused) != 2 || !strings.Contains(o.Reason, "below zero") {
		t.Errorf("%+v", o)
	}
	q.Rig.ID = "another"
	if o := offerOf(t, q, panKey); o.Status != Unknown || o.Value != -50 || o.Final != nil {
		t.Errorf("%+v", o)
	}
	var many []Tune
	for i := range 50 {
		many = append(many, proved(fmt.Sprint(i), 0.02, 0))
	}
	if o := offerOf(t, request(many...), panKey); len(o.Refused) != 21 || !strings.Contains(o.Refused[20].Reason, "30 more") {
		t.Errorf("%d refusals listed", len(o.Refused))
	}
}

func TestOutsideTheDialIsSaid(t *testing.T) {
	for name, c := range map[string]struct {
		dial   schema.Dial
		j      float64
		end    float64
		words  string
		beyond func(v, end float64) bool
	}{
		"stiffer":          {func() schema.Dial { d := dial(panKey); d.Max = 60; return d }(), 0.2, 60, "stiffer", func(v, e float64) bool { return v > e }},
		"softer":           {func() schema.Dial { d := dial(panKey); d.Min = 20; return d }(), 0.004, 20, "softer", func(v, e float64) bool { return v < e }},
		"stiffer by map":   {mapped(schema.Linear, 1, 101, 1), 0.2, 100, "stiffer", func(v, e float64) bool { return v > e }},
		"softer by log":    {mapped(schema.Logarithmic, 20, 80, 1), 0.002, 0, "softer", func(v, e float64) bool { return v < e }},
		"stiffer reversed": {mapped(schema.Linear, 101, 1, -1), 0.2, 0, "stiffer", func(v, e float64) bool { return v < e }},
	} {
		var tunes []Tune
		for i, j := range []float64{0.016, 0.018, 0.02, 0.022, 0.024, 0.026} {
			tunes = append(tunes, proved(fmt.Sprint(i), j, 2000*j))
		}
		q := request(tunes...)
		q.References, q.Params[0].Dial = nil, c.dial
		q.Rig.J[0] = c.j
		o := offerOf(t, q, panKey)
		if o.Status != Outside || o.End == nil || *o.End != c.end || !c.beyond(o.Value, c.end) {
			t.Errorf("%s: %+v end %v", name, o, o.End)
			continue
		}
		if !hasWarning(o, schema.Num(o.Value), schema.Num(c.end), c.words) {
			t.Errorf("%s: %q does not give both numbers", name, o.Warnings)
		}
	}
	q := request(proved("a", 0.02, 40), proved("b", 0.022, 44), proved("c", 0.018, 36))
	q.Rig.J[0] = 0.2
	if o := offerOf(t, q, panKey); !hasWarning(o, "extrapolated") {
		t.Errorf("ten times the inertia of anything proved: %q", o.Warnings)
	}
}

func TestLoopModel(t *testing.T) {
	tunes := []Tune{proved("a", 0.02, 40), proved("b", 0.022, 44), proved("c", 0.018, 36)}
	q := request(tunes...)
	q.References, q.Params[0].Dial = nil, mapped(schema.Linear, 1, 101, 1)
	asked := 0
	limit := 20.5
	q.Cap = func(a schema.Axis, lo, hi float64) (float64, string, bool) {
		asked++
		if a != schema.Pan || lo != 0 || hi != 100 {
			t.Errorf("asked for %v %v to %v", a, lo, hi)
		}
		return limit, "phase margin 45°", true
	}
	o := offerOf(t, q, panKey)
	if o.Value != 20 || !hasWarning(o, "20", "phase margin 45°") || asked == 0 {
		t.Errorf("%+v", o)
	}
	limit = 90
	if o := offerOf(t, q, panKey); o.Value < 30 || len(o.Warnings) != 0 {
		t.Errorf("a limit above the offer changes nothing: %+v", o)
	}
	// with nothing else known the model is the evidence, and a loose one
	limit = 50
	q.Tunes = nil
	o = offerOf(t, q, panKey)
	if o.Status != Offered || math.Abs(o.Final.Best-50) > 1e-6 || o.Value > 35 || !strings.Contains(kinds(o), "loop") {
		t.Errorf("%+v", o)
	}
	q.Params[0].Dial.Map = nil
	asked = 0
	if o := offerOf(t, q, panKey); asked != 0 || o.Status != Unknown {
		t.Errorf("asked %d times about a dial without a map; %+v", asked, o)
	}
}

// Where the gimbal's own inertia is unknown, a heavier build is offered no more than its
// lighter neighbour's proved value until two rigs of different inertia are proved.
//
// Source: the rule of DESIGN section 4, "Inertia over tilt".
func TestHeavierBuildIsOfferedNoMore(t *testing.T) {
	light := proved("light", 0.02, 40)
	ask := func(own bool, tunes ...Tune) Offer {
		q := request(tunes...)
		q.Rig.J[0], q.Rig.Mass, q.OwnUnknown[schema.Pan] = 0.08, 3.6, own
		return offerOf(t, q, panKey)
	}
	if free := ask(false, light); free.Value <= 60 {
		t.Fatalf("four times the inertia is offered %v: the rule has nothing to hold", free.Value)
	}
	if o := ask(true, light); o.Value != 40 || !hasWarning(o, "light/main", "own inertia is unknown") {
		t.Errorf("%v, %q", o.Value, o.Warnings)
	}
	// of several of one inertia the softest; 5 % apart is one inertia
	if o := ask(true, light, proved("twin", 0.021, 44), proved("soft", 0.021, 37)); o.Value != 37 || !hasWarning(o, "soft/main") {
		t.Errorf("%v, %q", o.Value, o.Warnings)
	}
	// the rule holds no lighter build, and ends with a second inertia
	q := request(proved("heavy", 0.08, 20))
	q.OwnUnknown[schema.Pan] = true
	if o := offerOf(t, q, panKey); hasWarning(o, "own inertia") {
		t.Errorf("a lighter build: %q", o.Warnings)
	}
	if o := ask(true, light, proved("mid", 0.05, 100)); o.Value <= 40 || hasWarning(o, "own inertia") {
		t.Errorf("two inertias proved: %v, %q", o.Value, o.Warnings)
	}
}

func TestFilters(t *testing.T) {
	const key = "filters.sensing"
	p := params()[3]
	mk := func(id string, dj, v float64) Tune {
		x := proved(id, 0.02*(1+dj), 40)
		x.Rig.J[1], x.Rig.J[2] = 0.01, 0.009
		x.Values[key] = v
		return x
	}
	stale := mk("s", 0, 5)
	stale.OutOfDate = "the values changed"
	for name, c := range map[string]struct {
		tunes  []Tune
		status Status
		value  float64
	}{
		"nothing":         {nil, Default, 2},
		"two agree":       {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5)}, Default, 2},
		"three agree":     {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5), mk("c", -0.05, 5)}, Offered, 5},
		"three of four":   {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5), mk("c", -0.05, 5), mk("d", 0, 1)}, Offered, 5},
		"half":            {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5), mk("c", -0.05, 1), mk("d", 0, 1)}, Default, 2},
		"far":             {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5), mk("c", 2, 5)}, Default, 2},
		"one rig thrice":  {[]Tune{mk("a", 0, 5), mk("a", 0, 5), mk("a", 0, 5)}, Default, 2},
		"stale":           {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5), stale}, Default, 2},
		"outside":         {[]Tune{mk("a", 0, 50), mk("b", 0.05, 50), mk("c", -0.05, 50)}, Default, 2},
		"own":             {[]Tune{mk("new", 0, 7)}, Offered, 7},
		"agree on it":     {[]Tune{mk("a", 0, 2), mk("b", 0.05, 2), mk("c", -0.05, 2)}, Default, 2},
		"own beats three": {[]Tune{mk("a", 0, 5), mk("b", 0.05, 5), mk("c", -0.05, 5), mk("new", 0, 7)}, Offered, 7},
	} {
		q := request(c.tunes...)
		q.Params = []Param{p}
		o := offerOf(t, q, key)
		if o.Status != c.status || o.Value != c.value || o.Reason == "" || len(o.Evidence) == 0 {
			t.Errorf("%s: %+v, want %s %v", name, o, c.status, c.value)
		}
	}
	q := request()
	p.Dial.Default = nil
	q.Params = []Param{p}
	if o := offerOf(t, q, key); o.Status != Unknown || o.Value != 0 {
		t.Errorf("no default: %+v", o)
	}
}

func TestFollowStyles(t *testing.T) {
	q := request()
	q.Shots = []Shot{{Kind: "walk", FocalMM: 35}, {Kind: "sweep"}}
	r, err := Start(q)
	if err != nil || len(r.Follow) != 2 || r.Follow[0].Style != nil || r.Follow[0].Problem == "" {
		t.Fatalf("%+v %v", r, err)
	}
	q.Follow = func(s Shot) (Style, error) {
		if s.Kind == "sweep" {
			return Style{}, errors.New("no dial for lag")
		}
		return Style{Name: s.Kind, Values: map[string]float64{"follow.walk.deadband.pan": 6}, Reason: "sway of 4°"}, nil
	}
	r, err = Start(q)
	if err != nil || r.Follow[0].Style.Values["follow.walk.deadband.pan"] != 6 || r.Follow[1].Problem != "no dial for lag" {
		t.Fatalf("%+v %v", r.Follow, err)
	}
}

func TestPayloadAndDomain(t *testing.T) {
	q := request()
	q.PayloadLimit = 1.5
	var pe *PayloadError
	if _, err := Start(q); !errors.As(err, &pe) || pe.Mass != 1.6 || pe.Limit != 1.5 || !strings.Contains(err.Error(), "1.60") || !strings.Contains(err.Error(), "1.50") {
		t.Errorf("%v", err)
	}
	nan := math.NaN()
	for name, f := range map[string]func(*Request){
		"no mass":      func(q *Request) { q.Rig.Mass = 0 },
		"NaN mass":     func(q *Request) { q.Rig.Mass = nan },
		"inertia":      func(q *Request) { q.Rig.J[2] = -1 },
		"limit":        func(q *Request) { q.PayloadLimit = nan },
		"dial ends":    func(q *Request) { q.Params[0].Dial.Max = -1 },
		"dial NaN":     func(q *Request) { q.Params[0].Dial.Min = nan },
		"endless dial": func(q *Request) { q.Params[0].Dial.Max = math.Inf(1) },
		"fine":         func(q *Request) { q.Params[0].Dial.Fine = 0 },
		"coarse":       func(q *Request) { q.Params[0].Dial.Coarse = nan },
		"kind":         func(q *Request) { q.Params[0].Kind = "colour" },
		"axis":         func(q *Request) { q.Params[0].Axis = 3 },
		"level":        func(q *Request) { o := DefaultOptions(); o.Level = 1; q.Options = &o },
		"scatter":      func(q *Request) { o := DefaultOptions(); o.Session = 0; q.Options = &o },
		"unit":         func(q *Request) { o := DefaultOptions(); o.Unit = -1; q.Options = &o },
	} {
		q := request(proved("a", 0.02, 40))
		f(&q)
		var de *domain.Error
		if _, err := Start(q); !errors.As(err, &de) || de.Want == "" {
			t.Errorf("%s: got %v, want a *domain.Error", name, err)
		}
	}
}

// The answer depends on neither the order of the record nor on being asked before,
// and the request is left alone.
func TestSameQuestionSameAnswer(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	q := request(synthetic{n: 60, slope: 0.9, scatter: 0.15, grossShare: 0.05}.tunes(rng)...)
	q.Params = params()
	before := fmt.Sprintf("%+v", q)
	a, err := Start(q)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Start(q)
	if !reflect.DeepEqual(a, b) || fmt.Sprintf("%+v", q) != before {
		t.Fatal("asked twice, answered twice")
	}
	if _, err := json.Marshal(a); err != nil {
		t.Fatal(err)
	}
	rng.Shuffle(len(q.Tunes), func(i, j int) { q.Tunes[i], q.Tunes[j] = q.Tunes[j], q.Tunes[i] })
	c, _ := Start(q)
	for i := range a.Offers {
		if a.Offers[i].Value != c.Offers[i].Value || a.Offers[i].Status != c.Offers[i].Status {
			t.Errorf("%s: %v in one order, %v in another", a.Offers[i].Key, a.Offers[i].Value, c.Offers[i].Value)
		}
	}
}

// More inertia never gets a softer offer from the same record, and the interval
// holds its middle.
func TestMoreInertiaIsStiffer(t *testing.T) {
	tunes := synthetic{n: 30, slope: 1, scatter: 0.1}.tunes(rand.New(rand.NewSource(4)))
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, len(tunes)).Draw(t, "n")
		f := rapid.Float64Range(0.3, 1).Draw(t, "lighter")
		ask := func(k float64) Offer {
			q := request(tunes[:n]...)
			q.Rig.J[0] *= k
			q.Rig.Mass *= math.Pow(k, 0.6)
			r, err := Start(q)
			if err != nil {
				t.Fatal(err)
			}
			return r.Offers[0]
		}
		light, heavy := ask(f), ask(1)
		if light.Final.Best > heavy.Final.Best*(1+1e-9) {
			t.Fatalf("%v for less inertia than %v", light.Final, heavy.Final)
		}
		for _, o := range []Offer{light, heavy} {
			if !(o.Final.Lo < o.Final.Best && o.Final.Best < o.Final.Hi) {
				t.Fatalf("%+v", o.Final)
			}
		}
	})
}

// Whatever the record holds: an error or numbers, never NaN, never a panic.
// TestOwnProofIsANumber: on a dial that cannot be scaled the rig's own proof is offered as it
// is, but not if it is not a number.
func TestOwnProofIsANumber(t *testing.T) {
	d := dial(panKey)
	d.Min = -5
	own := func(v float64) Request {
		r := Rig{ID: "new", Mass: 1, J: [3]float64{1, 1, 1}}
		return Request{Rig: r, Params: []Param{{Key: panKey, Kind: Stiffness, Axis: schema.Pan, Dial: d}}, Tunes: []Tune{{Ref: "0", Rig: r, Values: map[string]float64{panKey: v}}}}
	}
	for _, v := range []float64{20, math.NaN(), math.Inf(1)} {
		r, err := Start(own(v))
		if err != nil {
			t.Fatal(v, err)
		}
		if got := r.Offers[0].Status == Offered; got != (v == 20) {
			t.Errorf("%v: %+v", v, r.Offers[0])
		}
	}
}

func TestNeverNaN(t *testing.T) {
	wild := rapid.OneOf(rapid.Float64Range(-10, 200), rapid.SampledFrom([]float64{0, 1e-300, 1e300, -1, math.NaN(), math.Inf(1), 5e-324}))
	rapid.Check(t, func(t *rapid.T) {
		d := dial(panKey)
		d.Sign = rapid.SampledFrom([]int{1, -1, 0}).Draw(t, "sign")
		d.Min = rapid.SampledFrom([]float64{0, 1, -5}).Draw(t, "min")
		if rapid.Bool().Draw(t, "mapped") {
			d.Map = &schema.Map{Kind: schema.Linear, Unit: "Nm/rad", AtMin: rapid.Float64Range(0, 10).Draw(t, "at min"), AtMax: rapid.Float64Range(11, 100).Draw(t, "at max")}
		}
		rig := func(id string) Rig {
			return Rig{ID: id, Mass: wild.Draw(t, "mass"), J: [3]float64{wild.Draw(t, "J"), wild.Draw(t, "J"), 0}, JFromMass: rapid.Bool().Draw(t, "thin")}
		}
		q := Request{Rig: rig("new"), Params: []Param{{Key: panKey, Kind: Stiffness, Axis: schema.Pan, Dial: d}, {Key: "f", Kind: Filter, Dial: d}}}
		for i := range rapid.IntRange(0, 5).Draw(t, "tunes") {
			v := map[string]float64{panKey: wild.Draw(t, "v"), "f": wild.Draw(t, "f")}
			q.Tunes = append(q.Tunes, Tune{Ref: fmt.Sprint(i), Rig: rig(rapid.SampledFrom([]string{"new", "a", ""}).Draw(t, "id")), Values: v, Onset: v, AgeDays: wild.Draw(t, "age")})
		}
		if rapid.Bool().Draw(t, "reference") {
			q.References = []Reference{{Name: "r", Rig: rig("r"), Values: map[string]float64{panKey: wild.Draw(t, "ref")}}}
		}
		r, err := Start(q)
		if err == nil {
			if _, err := json.Marshal(r); err != nil {
				t.Fatalf("%v in %+v", err, r)
			}
		}
		if len(q.Tunes) > 0 {
			if rep, err := Backtest(q, BacktestOptions{}); err == nil {
				if _, err := json.Marshal(rep); err != nil {
					t.Fatalf("%v in %+v", err, rep)
				}
			}
		}
	})
}
