package learn

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"rigkeep/preset/domain"
)

// dense is the same prediction from the whole covariance matrix.
//
// Source: Gaussian conditioning (Rasmussen & Williams 2006, ch. 2, from memory).
func dense(m Mixed, ps []Proof, t Proof) (mean, sd, logDensity float64) {
	same := func(a, b int) bool { return a != 0 && a == b }
	cov := func(a, b Proof) float64 {
		v := m.Var[0] + m.Var[1]*a.X*b.X
		if same(a.Unit, b.Unit) {
			v += m.UnitSD * m.UnitSD
		}
		if same(a.Rig, b.Rig) {
			v += a.RigSD * a.RigSD
		}
		return v
	}
	own := func(p Proof) float64 {
		v := m.Var[0] + m.Var[1]*p.X*p.X + m.UnitSD*m.UnitSD + p.RigSD*p.RigSD + p.ErrSD*p.ErrSD
		return v
	}
	n := len(ps)
	mean, v := m.Mean[0]+m.Mean[1]*t.X, own(t)
	if n == 0 {
		return mean, math.Sqrt(v), 0
	}
	c := mat.NewSymDense(n, nil)
	e, k := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, p := range ps {
		for j := i; j < n; j++ {
			c.SetSym(i, j, cov(p, ps[j]))
		}
		c.SetSym(i, i, own(p))
		e.SetVec(i, p.Y-m.Mean[0]-m.Mean[1]*p.X)
		k.SetVec(i, cov(p, t))
	}
	var ch mat.Cholesky
	if !ch.Factorize(c) {
		panic("not positive definite")
	}
	var w, f mat.VecDense
	if err := ch.SolveVecTo(&w, k); err != nil {
		panic(err)
	}
	if err := ch.SolveVecTo(&f, e); err != nil {
		panic(err)
	}
	return mean + mat.Dot(&w, e), math.Sqrt(v - mat.Dot(&w, k)), -0.5 * (float64(n)*math.Log(2*math.Pi) + ch.LogDet() + mat.Dot(e, &f))
}

// Conditioning by effects gives what the dense covariance gives.
func TestMixedAgainstTheDenseCovariance(t *testing.T) {
	var w Workspace // one for all, as what is left in it must not matter
	rapid.Check(t, func(t *rapid.T) {
		f := func(lo, hi float64) *rapid.Generator[float64] { return rapid.Float64Range(lo, hi) }
		m := Mixed{Mean: [2]float64{f(-2, 4).Draw(t, "b0"), f(0.5, 1.5).Draw(t, "b1")},
			Var:    [2]float64{rapid.OneOf(f(1e-4, 9), rapid.Just(0.0)).Draw(t, "v0"), rapid.OneOf(f(1e-4, 1), rapid.Just(0.0)).Draw(t, "v1")},
			UnitSD: rapid.OneOf(f(0.01, 0.5), rapid.Just(0.0)).Draw(t, "unit")}
		rigSD := map[int]float64{}
		draw := func(i int) Proof {
			p := Proof{X: f(-2, 2).Draw(t, "x"), Y: f(-3, 6).Draw(t, "y"), Unit: rapid.IntRange(0, 3).Draw(t, "u"),
				Rig: rapid.IntRange(0, 3).Draw(t, "r"), RigSD: rapid.OneOf(f(0.01, 0.5), rapid.Just(0.0)).Draw(t, "rsd"), ErrSD: f(0.02, 0.5).Draw(t, "e")}
			if p.Rig != 0 {
				if sd, ok := rigSD[p.Rig]; ok {
					p.RigSD = sd
				}
				rigSD[p.Rig] = p.RigSD
			}
			return p
		}
		var ps []Proof
		for i := range rapid.IntRange(0, 12).Draw(t, "n") {
			ps = append(ps, draw(i))
		}
		to := draw(-1)
		spreads := []float64{m.UnitSD, m.UnitSD / 2}
		cs, err := m.ConditionEach(&w, ps, spreads...)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range cs {
			got, err := c.Predict(to)
			if err != nil {
				t.Fatal(err)
			}
			m.UnitSD = spreads[i]
			mean, sd, ev := dense(m, ps, to)
			for _, v := range []struct {
				what      string
				got, want float64
			}{{"mean", got.Mean, mean}, {"standard deviation", got.SD, sd}, {"evidence", c.LogEvidence, ev}} {
				if math.Abs(v.got-v.want) > 1e-7*(1+math.Abs(v.want)) {
					t.Fatalf("spread %d: %s: got %.12g, want %.12g", i, v.what, v.got, v.want)
				}
			}
		}
	})
}

// Influence is the derivative of the prediction, and Expect the prediction's mean.
func TestInfluenceIsTheSlopeOfThePrediction(t *testing.T) {
	m := Mixed{Mean: [2]float64{1, 1}, Var: [2]float64{4, 0.01}, UnitSD: 0.15}
	var ps []Proof
	for i := range 9 {
		ps = append(ps, Proof{X: float64(i%5) / 3, Y: 1 + float64(i%4)/5, Unit: []int{1, 2, 0}[i%3], Rig: []int{1, 2, 0, 3}[i%4], RigSD: 0.1, ErrSD: 0.08})
	}
	for _, to := range []Proof{{X: 0.4, Unit: 1, Rig: 1, RigSD: 0.1, ErrSD: 0.08}, {X: 1, Unit: 7, RigSD: 0.1, ErrSD: 0.08}} {
		c, err := m.Condition(ps)
		if err != nil {
			t.Fatal(err)
		}
		y, err := c.Predict(to)
		if err != nil {
			t.Fatal(err)
		}
		if e := c.Expect(to); math.Abs(e-y.Mean) > 1e-12 {
			t.Errorf("expected %v, predicted %v", e, y.Mean)
		}
		influences := c.Influences(to, ps)
		for i := range ps {
			more := append([]Proof{}, ps...)
			more[i].Y += 0.1
			d, err := m.Condition(more)
			if err != nil {
				t.Fatal(err)
			}
			z, err := d.Predict(to)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := influences[i], (z.Mean-y.Mean)/0.1; math.Abs(got-want) > 1e-9 {
				t.Errorf("proof %d: influence %v, slope %v", i, got, want)
			}
		}
	}
}

func TestMixedRefuses(t *testing.T) {
	ok := Proof{X: 0, Y: 1, ErrSD: 0.1}
	m := Mixed{Mean: [2]float64{1, 1}, Var: [2]float64{1, 1}}
	var de *domain.Error
	for _, p := range []Proof{{X: math.NaN(), Y: 1, ErrSD: 0.1}, {Y: math.Inf(1), ErrSD: 0.1}, {ErrSD: 0}, {ErrSD: 0.1, RigSD: -1}, {ErrSD: 0.1, Unit: -1}, {ErrSD: 0.1, Rig: -1}} {
		if _, err := m.Condition([]Proof{ok, p}); !errors.As(err, &de) {
			t.Errorf("%+v: %v", p, err)
		}
	}
	for _, bad := range []Mixed{{Var: [2]float64{-1, 0}}, {UnitSD: math.NaN()}, {Mean: [2]float64{math.Inf(1), 0}}} {
		if _, err := bad.Condition([]Proof{ok}); !errors.As(err, &de) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	c, err := m.Condition([]Proof{ok})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Predict(Proof{X: math.Inf(1), ErrSD: 1}); !errors.As(err, &de) {
		t.Error(err)
	}
	if _, err := (Normal{0, 1}).Interval(1); !errors.As(err, &de) {
		t.Error(err)
	}
}

func BenchmarkMixed1000(b *testing.B) {
	var ps []Proof
	for i := range 1000 {
		ps = append(ps, Proof{X: float64(i%37) / 20, Y: float64(i%41) / 20, Unit: 1 + i%4, Rig: 1 + i%400, RigSD: 0.1, ErrSD: 0.08})
	}
	m := Mixed{Mean: [2]float64{1, 1}, Var: [2]float64{9, 0.01}, UnitSD: 0.15}
	for b.Loop() {
		if _, err := m.Condition(ps); err != nil {
			b.Fatal(err)
		}
	}
}
