package start

import (
	"fmt"
	"math"
	"math/rand"
	"testing"

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

func TestBacktestCoverage(t *testing.T) {
	for _, y := range []synthetic{
		{n: 200, slope: 1, scatter: 0.12},
		{n: 200, slope: 0.9, scatter: 0.2},
		{n: 200, slope: 1, scatter: 0.12, grossShare: 0.03},
		{n: 200, slope: 1, scatter: 0.12, noInertia: true},
	} {
		for seed := int64(1); seed <= 3; seed++ {
			q := Request{Params: params(), Tunes: y.tunes(rand.New(rand.NewSource(seed)))}
			rep, err := Backtest(q, BacktestOptions{})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%+v seed %d: coverage %.3f, median %.2f coarse, %.1f %%, below %.2f, up %.2f", y, seed, rep.All.Coverage, rep.All.MedianCoarse, rep.All.MedianPercent, rep.All.OfferedBelow, rep.All.OfferedCoarse)
		}
	}
}

func TestLook(t *testing.T) {
	tu := synthetic{n: 40, slope: 1, scatter: .12}.tunes(rand.New(rand.NewSource(1)))
	q := Request{Rig: Rig{ID: "x", Mass: 1.7, J: [3]float64{0.026, 0.012, 0.01}}, Params: params(), Tunes: tu,
		References: []Reference{{Name: "mid", Rig: Rig{Mass: 1.5}, Values: map[string]float64{"stiffness.pan": 55}}}}
	for _, n := range []int{0, 1, 40} {
		q.Tunes = tu[:n]
		r, err := Start(q)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range r.Offers {
			t.Logf("%d: %s %s %v final %+v onset %+v share %.2f\n  %s\n  %v", n, o.Key, o.Status, o.Value, o.Final, o.Onset, o.DataShare, o.Reason, o.Warnings)
		}
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
