package start

import (
	"errors"
	"fmt"
	"math"
	"math/rand"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/domain"
	"rigkeep/schema"
)

// synthetic invents a shop's record: n rigs of 0.6 to 4 kg whose inertia scatters
// about mass^(5/3), stiffness as inertia^slope with the given scatter, dials
// rounded to a fine step, a share of gross errors.
type synthetic struct {
	n              int
	slope, scatter float64
	grossShare     float64
	noInertia      bool
}

func (y synthetic) tunes(rng *rand.Rand) []Tune {
	var out []Tune
	for i := range y.n {
		m := 0.6 * math.Exp(rng.Float64()*math.Log(4/0.6))
		t := Tune{Ref: fmt.Sprintf("rig%03d/main", i), Rig: Rig{ID: fmt.Sprintf("rig%03d", i), Mass: m}, Unit: []string{"unit 1", "unit 2"}[rng.Intn(2)],
			AgeDays: 600 * rng.Float64(), Values: map[string]float64{}, Onset: map[string]float64{}}
		for a, base := range []float64{0.011, 0.0048, 0.0042} {
			j := base * math.Pow(m, 5.0/3) * math.Exp(0.2*rng.NormFloat64())
			k := 26 * math.Pow(j/base, y.slope) * math.Exp(y.scatter*rng.NormFloat64())
			if rng.Float64() < y.grossShare {
				k *= []float64{0.3, 3}[rng.Intn(2)]
			}
			if !y.noInertia {
				t.Rig.J[a] = j
			}
			key := "stiffness." + schema.Axis(a).String()
			t.Values[key] = math.Max(1, math.Round(k))
			t.Onset[key] = math.Max(2, math.Round(1.5*k*math.Exp(0.04*rng.NormFloat64())))
		}
		t.Values["filters.sensing"] = 3
		out = append(out, t)
	}
	return out
}

// storm is short unless RIGKEEP_STORM is set.
func storm(short, long int64) int64 {
	if os.Getenv("RIGKEEP_STORM") != "" {
		return long
	}
	return short
}

func dial(key string) schema.Dial {
	return schema.Dial{Key: key, Min: 0, Max: 300, Coarse: 5, Fine: 1, Sign: 1}
}

func params() []Param {
	var ps []Param
	for _, a := range schema.Axes {
		k := "stiffness." + a.String()
		ps = append(ps, Param{Key: k, Kind: Stiffness, Axis: a, Dial: dial(k)})
	}
	two := 2.0
	return append(ps, Param{Key: "filters.sensing", Kind: Filter, Dial: schema.Dial{Key: "filters.sensing", Min: 0, Max: 10, Coarse: 1, Fine: 1, Sign: 1, Default: &two}})
}

// Invented shops: the 90 % interval holds 85 to 95 % of the proved values left out,
// for scatters either side of what the prior believes, for a slope that is not the
// prior's, with gross errors on record and with nothing but mass known.
func TestBacktestCoverage(t *testing.T) {
	for i, y := range []synthetic{
		{n: 100, slope: 1, scatter: 0.12},
		{n: 200, slope: 0.9, scatter: 0.2},
		{n: 200, slope: 1.1, scatter: 0.08},
		{n: 200, slope: 1, scatter: 0.12, grossShare: 0.03},
		{n: 200, slope: 1, scatter: 0.12, noInertia: true},
	} {
		for seed := int64(1); seed <= storm(1, 25); seed++ {
			q := Request{Params: params(), Tunes: y.tunes(rand.New(rand.NewSource(seed)))}
			opt := BacktestOptions{}
			if i > 0 {
				opt.Max = int(storm(40, 200)) // the first shop whole, the others by sample
			}
			rep, err := Backtest(q, opt)
			if err != nil {
				t.Fatal(err)
			}
			a := rep.All
			t.Logf("%+v seed %d: coverage %.3f, median error %.2f coarse %.1f fine steps %.1f %%, offer below %.2f, up from it %.2f coarse", y, seed, a.Coverage, a.MedianCoarse, a.MedianFine, a.MedianPercent, a.OfferedBelow, a.OfferedCoarse)
			if a.N != 3*rep.Tried || i == 0 && rep.Tried != 100 || len(rep.Scores) != 3 {
				t.Errorf("%d trials of %d tunes", a.N, rep.Tried)
			}
			slack := 0.0
			if opt.Max > 0 && opt.Max < y.n {
				slack = 0.03 // one standard error of the sample
			}
			if a.Coverage < 0.85-slack || a.Coverage > 0.95+slack {
				t.Errorf("%+v seed %d: the 90 %% interval covers %.1f %%, want 85 to 95", y, seed, 100*a.Coverage)
			}
			if a.OfferedBelow < 0.9 {
				t.Errorf("%+v seed %d: %.1f %% of offers lie above the proved value", y, seed, 100*(1-a.OfferedBelow))
			}
			if len(a.Misses) != a.N-a.Covered {
				t.Errorf("%d misses listed of %d", len(a.Misses), a.N-a.Covered)
			}
		}
	}
}

// With few tunes the prior's scatter decides; it must not promise too much. A shop
// whose tunes scatter 15 % still finds nine in ten inside.
func TestSmallShopsAreNotPromisedTooMuch(t *testing.T) {
	for _, n := range []int{3, 5, 10} {
		covered, total := 0, 0
		for seed := int64(0); seed < storm(80, 1000); seed++ {
			q := Request{Params: params(), Tunes: synthetic{n: n, slope: 1, scatter: 0.15}.tunes(rand.New(rand.NewSource(seed)))}
			rep, err := Backtest(q, BacktestOptions{Max: 1})
			if err != nil {
				t.Fatal(err)
			}
			covered += rep.All.Covered
			total += rep.All.N
		}
		c := float64(covered) / float64(total)
		t.Logf("%d tunes: %.3f", n, c)
		if c < 0.85 {
			t.Errorf("%d tunes: the 90 %% interval covers %.1f %%", n, 100*c)
		}
	}
}

func TestBacktestOptions(t *testing.T) {
	tunes := synthetic{n: 40, slope: 1, scatter: 0.1}.tunes(rand.New(rand.NewSource(1)))
	// every rig proved twice, the same within a step: leaving one out is easy, leaving the rig out is not
	for _, x := range tunes[:40] {
		y := x
		y.Ref += "@1"
		y.Values = map[string]float64{panKey: x.Values[panKey] + 1}
		tunes = append(tunes, y)
	}
	q := Request{Params: params()[:1], Tunes: tunes}
	rep, err := Backtest(q, BacktestOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if rep.Tunes != 80 || rep.Rigs != 40 || rep.Units != 2 || rep.All.N != 80 || rep.NewUnit.N != 80 {
		t.Errorf("%+v", rep)
	}
	// the rig's other proof, a step away, would have made this next to nothing
	if rep.All.MedianPercent < 3 {
		t.Errorf("median error %.1f %% with a scatter of 10 %%", rep.All.MedianPercent)
	}
	some, err := Backtest(q, BacktestOptions{Max: 10})
	if err != nil || some.Tried != 10 || some.Tunes != 80 || some.All.N != 10 {
		t.Errorf("%+v %v", some, err)
	}
	tunes[0].Values[panKey] = 0
	if rep, err := Backtest(q, BacktestOptions{}); err != nil || rep.All.Skipped != 1 || rep.All.N != 79 {
		t.Errorf("a value without a logarithm is skipped and counted: %+v %v", rep.All, err)
	}
	var de *domain.Error
	if _, err := Backtest(Request{Params: params()}, BacktestOptions{}); !errors.As(err, &de) {
		t.Errorf("%v", err)
	}
	if _, err := Backtest(q, BacktestOptions{Max: -1}); !errors.As(err, &de) {
		t.Errorf("%v", err)
	}
	lone, err := Backtest(Request{Params: params()[:1], Tunes: tunes[1:2]}, BacktestOptions{})
	if err != nil || lone.All.N != 0 || lone.All.Skipped != 1 {
		t.Errorf("one tune cannot be predicted from none: %+v %v", lone, err)
	}
}

func TestNth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-3, 3), 1, 60).Draw(t, "v")
		if rapid.Bool().Draw(t, "ties") {
			for i := range v {
				v[i] = math.Round(v[i])
			}
		}
		n := rapid.IntRange(0, len(v)-1).Draw(t, "n")
		want := slices.Sorted(slices.Values(v))[n]
		if got := nth(v, n); got != want {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

// With more proofs than are used, the nearest are taken and the rest is told of.
func TestNearestAreUsed(t *testing.T) {
	var tunes []Tune
	for i := range 30 {
		tunes = append(tunes, proved(fmt.Sprint("far", i), 0.08+0.001*float64(i), 400))
	}
	for i := range 10 {
		tunes = append(tunes, proved(fmt.Sprint("near", i), 0.019+0.0002*float64(i), math.Round(2000*(0.019+0.0002*float64(i)))))
	}
	q := request(tunes...)
	q.References = nil
	o := DefaultOptions()
	o.MaxTunes = 10
	q.Options = &o
	r := offerOf(t, q, panKey)
	if r.N != 10 || math.Abs(r.Final.Best-40) > 1 {
		t.Errorf("%d used, %+v", r.N, r.Final)
	}
	if e := r.Evidence[5]; e.Kind != "proved-rest" || e.Text != "5 further proved tunes; the 10 nearest of 40 are used" {
		t.Errorf("%+v", e)
	}
}

func BenchmarkStart10000(b *testing.B) {
	q := Request{Rig: Rig{ID: "x", Mass: 1.7, J: [3]float64{0.026, 0.012, 0.01}}, Params: params(), Tunes: synthetic{n: 10000, slope: 1, scatter: .12}.tunes(rand.New(rand.NewSource(1)))}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Start(q); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBacktest200(b *testing.B) {
	q := Request{Params: params(), Tunes: synthetic{n: 200, slope: 1, scatter: .12}.tunes(rand.New(rand.NewSource(1)))}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Backtest(q, BacktestOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
