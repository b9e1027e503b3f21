package learn

import (
	"errors"
	"math"
	"math/big"
	"math/rand"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"rigkeep/preset/domain"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > rel*math.Max(1, math.Abs(want)) {
		t.Errorf("%s: got %.15g, want %.15g within %g", what, got, want, rel)
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// Quantiles of the t table in every statistics textbook (from memory).
func TestTQuantileTable(t *testing.T) {
	for _, c := range []struct{ p, dof, want float64 }{
		{0.975, 1, 12.7062}, {0.975, 3, 3.18245}, {0.975, 10, 2.22814}, {0.975, 60, 2.00030},
		{0.95, 4, 2.13185}, {0.95, 9, 1.83311}, {0.995, 2, 9.92484}, {0.9, 30, 1.31042},
	} {
		near(t, "t quantile", TQuantile(c.p, c.dof), c.want, 5e-6) // the table has six digits
	}
	for _, dof := range []float64{0.5, 1.5, 4.37, 9, 250, 1e5} {
		for _, p := range []float64{0.5, 0.75, 0.95, 0.9995} {
			near(t, "round trip", distuv.StudentsT{Sigma: 1, Nu: dof}.CDF(TQuantile(p, dof)), p, 1e-9)
		}
	}
}

// The same line by gonum's own regression.
func TestFitLineAgainstGonum(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	for range 50 {
		n := 2 + rng.Intn(30)
		x, y, w := make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i], w[i] = rng.NormFloat64(), rng.NormFloat64(), 0.1+rng.Float64()
		}
		l := must(FitLine(x, y, w))
		a, b := stat.LinearRegression(x, y, w, false)
		near(t, "intercept", l.Intercept, a, 1e-9)
		near(t, "slope", l.Slope, b, 1e-9)
	}
}

// A far offset loses the digits of a fit that does not centre first: slope and
// residual scatter against exact rational arithmetic.
func TestFitLineKeepsDigits(t *testing.T) {
	const offset = 1e7
	rng := rand.New(rand.NewSource(2))
	n := 40
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = offset + float64(i)/64
		y[i] = 3 + 0.5*float64(i) + float64(rng.Intn(64))/64
	}
	rat := func(v float64) *big.Rat { return new(big.Rat).SetFloat64(v) }
	sx, sy, sxx, sxy, syy := new(big.Rat), new(big.Rat), new(big.Rat), new(big.Rat), new(big.Rat)
	for i := range x {
		sx.Add(sx, rat(x[i]))
		sy.Add(sy, rat(y[i]))
		sxx.Add(sxx, new(big.Rat).Mul(rat(x[i]), rat(x[i])))
		sxy.Add(sxy, new(big.Rat).Mul(rat(x[i]), rat(y[i])))
		syy.Add(syy, new(big.Rat).Mul(rat(y[i]), rat(y[i])))
	}
	nn := big.NewRat(int64(n), 1)
	centre := func(ab, a, b *big.Rat) *big.Rat {
		return new(big.Rat).Sub(ab, new(big.Rat).Quo(new(big.Rat).Mul(a, b), nn))
	}
	cxx, cxy, cyy := centre(sxx, sx, sx), centre(sxy, sx, sy), centre(syy, sy, sy)
	slope, _ := new(big.Rat).Quo(cxy, cxx).Float64()
	rss, _ := new(big.Rat).Sub(cyy, new(big.Rat).Quo(new(big.Rat).Mul(cxy, cxy), cxx)).Float64()
	l := must(FitLine(x, y, nil))
	near(t, "slope", l.Slope, slope, 1e-13)
	near(t, "s", l.S, math.Sqrt(rss/float64(n-2)), 1e-12)
}

var example = Data{J: []float64{0.0031, 0.0048, 0.007, 0.0105, 0.0162}, K: []float64{6.5, 10.4, 13.2, 23, 31}}

// The predictive distribution once more, by integrating the normal predictive over
// the precision with dense covariance matrices: a route that shares nothing with
// the QR (Gelman et al., Bayesian Data Analysis, from memory).
func TestPredictiveByIntegration(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	for trial := range 12 {
		n := trial % 5
		prior := Prior{Mean: [2]float64{2.6, 1}, A0: 1.5 + rng.Float64(), B0: 0.05 + 0.1*rng.Float64()}
		a, b, c := 0.5+2*rng.Float64(), 0.1+rng.Float64(), 0.0
		c = 0.5 * math.Sqrt(a*b) * (2*rng.Float64() - 1)
		prior.VarScale = [2][2]float64{{a, c}, {c, b}}
		d := Data{Weight: []float64{}}
		for range n {
			d.J = append(d.J, 0.007*math.Exp(rng.NormFloat64()))
			d.K = append(d.K, 14*math.Exp(0.5*rng.NormFloat64()))
			d.Weight = append(d.Weight, 0.3+rng.Float64())
		}
		jNew, wNew, level := 0.011, 0.5+rng.Float64(), 0.8
		post := must(prior.Update(d, 0.007))
		iv := must(post.Predict(jNew, level, wNew))

		row := func(j float64) *mat.VecDense {
			return mat.NewVecDense(2, []float64{1, math.Log(j / 0.007)})
		}
		v0 := mat.NewSymDense(2, []float64{a, c, c, b})
		m0 := mat.NewVecDense(2, prior.Mean[:])
		cov := func(x, y *mat.VecDense) float64 { return mat.Inner(x, v0, y) }
		xn := row(jNew)
		mu, vr := mat.Dot(xn, m0), 1/wNew+cov(xn, xn)
		ss := 0.0
		if n > 0 {
			cc := mat.NewSymDense(n, nil)
			ck, e := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
			for i := range n {
				xi := row(d.J[i])
				for k := i; k < n; k++ {
					cc.SetSym(i, k, cov(xi, row(d.J[k])))
				}
				cc.SetSym(i, i, cc.At(i, i)+1/d.Weight[i])
				ck.SetVec(i, cov(xi, xn))
				e.SetVec(i, math.Log(d.K[i])-mat.Dot(xi, m0))
			}
			var chol mat.Cholesky
			if !chol.Factorize(cc) {
				t.Fatal("covariance")
			}
			var se, sk mat.VecDense
			if chol.SolveVecTo(&se, e) != nil || chol.SolveVecTo(&sk, ck) != nil {
				t.Fatal("solve")
			}
			mu += mat.Dot(ck, &se)
			vr -= mat.Dot(ck, &sk)
			ss = mat.Dot(e, &se)
		}
		near(t, "median", math.Log(iv.Mid), mu, 1e-10)
		g := distuv.Gamma{Alpha: prior.A0 + float64(n)/2, Beta: prior.B0 + ss/2}
		top := g.Quantile(1 - 1e-12)
		for _, end := range []struct{ at, want float64 }{{iv.Hi, 0.5 + level/2}, {iv.Lo, 0.5 - level/2}} {
			cdf := quad.Fixed(func(u float64) float64 {
				tau := u * u * top // u*u takes the root at zero out of the integrand
				return distuv.UnitNormal.CDF((math.Log(end.at)-mu)*math.Sqrt(tau/vr)) * g.Prob(tau) * 2 * u * top
			}, 0, 1, 400, quad.Legendre{}, 0)
			near(t, "coverage of the interval's end", cdf, end.want, 1e-6)
		}
	}
}

func TestBatchEqualsOneByOne(t *testing.T) {
	prior := DiagonalPrior([2]float64{2.6, 1}, [2]float64{4, 1}, 2, 0.09)
	all := must(prior.Update(example, 0.007))
	p := prior
	var post Posterior
	for i := range example.J {
		post = must(p.Update(Data{J: example.J[i : i+1], K: example.K[i : i+1]}, 0.007))
		p = post.Prior(post.A, post.B)
	}
	for i := range 2 {
		near(t, "mean", post.Mean[i], all.Mean[i], 1e-12)
		near(t, "spread", post.VarScale[0][i], all.VarScale[0][i], 1e-12)
	}
	near(t, "A", post.A, all.A, 1e-12)
	near(t, "B", post.B, all.B, 1e-12)
}

func TestCountIsRepetition(t *testing.T) {
	prior := DiagonalPrior([2]float64{2.6, 1}, [2]float64{4, 1}, 2, 0.09)
	twice := Data{J: append(append([]float64{}, example.J...), example.J[1]), K: append(append([]float64{}, example.K...), example.K[1])}
	counted := example
	counted.Count = []float64{1, 2, 1, 1, 1}
	a, b := must(prior.Update(twice, 0.007)), must(prior.Update(counted, 0.007))
	near(t, "mean", a.Mean[0], b.Mean[0], 1e-12)
	near(t, "A", a.A, b.A, 1e-12)
	near(t, "B", a.B, b.B, 1e-12)
}

// With a prior that says nothing the Bayesian line is the classical one.
func TestVaguePriorIsLeastSquares(t *testing.T) {
	wls := must(FitPowerLaw(example, 0.007))
	n := float64(len(example.J))
	// A0 = -1 would be exact; with A0, B0 near 0 the dof differ by 2, so compare line and spread
	post := must(DiagonalPrior([2]float64{0, 0}, [2]float64{1e9, 1e9}, 1e-9, 1e-12).Update(example, 0.007))
	near(t, "intercept", post.Mean[0], wls.Intercept, 1e-7)
	near(t, "slope", post.Mean[1], wls.Slope, 1e-7)
	near(t, "rss", 2*post.B, wls.S*wls.S*(n-2), 1e-7)
}

func TestUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 12).Draw(t, "n")
		pos := rapid.Float64Range(0.01, 100)
		d := Data{}
		for range n {
			d.J = append(d.J, pos.Draw(t, "J"))
			d.K = append(d.K, pos.Draw(t, "K"))
		}
		kj, kk := pos.Draw(t, "unit of J"), pos.Draw(t, "unit of K")
		e := Data{}
		for i := range d.J {
			e.J = append(e.J, kj*d.J[i])
			e.K = append(e.K, kk*d.K[i])
		}
		prior := DiagonalPrior([2]float64{1, 1}, [2]float64{4, 1}, 2, 0.1)
		other := DiagonalPrior([2]float64{1 + math.Log(kk), 1}, [2]float64{4, 1}, 2, 0.1)
		a := must(must(prior.Update(d, 1)).Predict(3, 0.9, 1))
		b := must(must(other.Update(e, kj)).Predict(3*kj, 0.9, 1))
		for _, c := range [][2]float64{{a.Mid, b.Mid}, {a.Lo, b.Lo}, {a.Hi, b.Hi}} {
			if math.Abs(kk*c[0]/c[1]-1) > 1e-8 {
				t.Fatalf("%v in other units is %v", a, b)
			}
		}
	})
}

func TestMoreDataNarrows(t *testing.T) {
	rng := rand.New(rand.NewSource(4))
	prior := DiagonalPrior([2]float64{2, 1}, [2]float64{4, 1}, 2, 0.045)
	wide := math.Inf(1)
	for _, n := range []int{0, 1, 4, 16, 256} {
		var d Data
		for range n {
			x := rng.NormFloat64()
			d.J = append(d.J, math.Exp(x))
			d.K = append(d.K, math.Exp(2+0.8*x+0.15*rng.NormFloat64()))
		}
		post := must(prior.Update(d, 1))
		iv := must(post.Predict(1, 0.9, 1))
		if w := iv.Hi / iv.Lo; w >= wide {
			t.Errorf("%d tunes: interval a factor of %.2f wide, was %.2f with fewer", n, w, wide)
		} else {
			wide = w
		}
		if n == 256 {
			near(t, "slope", post.Mean[1], 0.8, 0.05)
			near(t, "sigma", post.Sigma(), 0.15, 0.02)
		}
	}
}

func TestOutOfDomain(t *testing.T) {
	prior := DiagonalPrior([2]float64{0, 1}, [2]float64{1, 1}, 2, 0.1)
	two := Data{J: []float64{1, 2}, K: []float64{1, 2}}
	post := must(prior.Update(two, 1))
	line := must(FitLine([]float64{0, 1, 2}, []float64{0, 1, 1}, nil))
	nan := math.NaN()
	cases := map[string]func() error{
		"one observation":  func() error { _, err := FitLine([]float64{1}, []float64{1}, nil); return err },
		"none":             func() error { _, err := FitLine(nil, nil, nil); return err },
		"same x":           func() error { _, err := FitLine([]float64{1, 1, 1}, []float64{1, 2, 3}, nil); return err },
		"lengths":          func() error { _, err := FitLine([]float64{1, 2}, []float64{1}, nil); return err },
		"zero weight":      func() error { _, err := FitLine([]float64{1, 2}, []float64{1, 2}, []float64{1, 0}); return err },
		"weights length":   func() error { _, err := FitLine([]float64{1, 2}, []float64{1, 2}, []float64{1}); return err },
		"NaN x":            func() error { _, err := FitLine([]float64{1, nan}, []float64{1, 2}, nil); return err },
		"infinite y":       func() error { _, err := FitLine([]float64{1, 2}, []float64{1, math.Inf(1)}, nil); return err },
		"overflow":         func() error { _, err := FitLine([]float64{0, 1e300}, []float64{-1e300, 1e300}, nil); return err },
		"negative inertia": func() error { _, err := FitPowerLaw(Data{J: []float64{1, -2}, K: []float64{1, 2}}, 1); return err },
		"zero stiffness":   func() error { _, err := FitPowerLaw(Data{J: []float64{1, 2}, K: []float64{0, 2}}, 1); return err },
		"J_ref":            func() error { _, err := FitPowerLaw(two, 0); return err },
		"level":            func() error { _, err := line.Predict(0, 1, 1); return err },
		"w_new":            func() error { _, err := line.Predict(0, 0.9, 0); return err },
		"x":                func() error { _, err := line.Predict(nan, 0.9, 1); return err },
		"unfitted line":    func() error { _, err := Line{}.Predict(0, 0.9, 1); return err },
		"empty posterior":  func() error { _, err := Posterior{JRef: 1}.Predict(1, 0.9, 1); return err },
		"inertia":          func() error { _, err := post.Predict(-1, 0.9, 1); return err },
		"posterior level":  func() error { _, err := post.Predict(1, nan, 1); return err },
		"prior shape":      func() error { _, err := DiagonalPrior([2]float64{}, [2]float64{1, 1}, 0, 1).Update(two, 1); return err },
		"prior spread":     func() error { _, err := DiagonalPrior([2]float64{}, [2]float64{0, 1}, 1, 1).Update(two, 1); return err },
		"prior NaN": func() error {
			_, err := DiagonalPrior([2]float64{nan, 0}, [2]float64{1, 1}, 1, 1).Update(two, 1)
			return err
		},
		"not positive definite": func() error {
			_, err := Prior{VarScale: [2][2]float64{{1, 2}, {2, 1}}, A0: 1, B0: 1}.Update(two, 1)
			return err
		},
		"not symmetric": func() error {
			_, err := Prior{VarScale: [2][2]float64{{1, 0}, {0.5, 1}}, A0: 1, B0: 1}.Update(two, 1)
			return err
		},
		"count": func() error {
			_, err := prior.Update(Data{J: []float64{1}, K: []float64{1}, Count: []float64{0}}, 1)
			return err
		},
		"interval too wide": func() error {
			_, err := must(DiagonalPrior([2]float64{}, [2]float64{1e12, 1}, 0.5, 1e4).Update(Data{}, 1)).Predict(1, 0.999, 1)
			return err
		},
	}
	for name, f := range cases {
		var de *domain.Error
		if err := f(); !errors.As(err, &de) {
			t.Errorf("%s: got %v, want a *domain.Error", name, err)
		} else if de.Want == "" || de.Name == "" {
			t.Errorf("%s: %q does not say what is wrong and what is wanted", name, de)
		}
	}
	iv := must(must(FitPowerLaw(two, 1)).Predict(3, 0.9, 1))
	if iv.Known || iv.Lo != 0 || iv.Hi != 0 {
		t.Errorf("two observations leave no interval, got %+v", iv)
	}
	near(t, "two observations still give a line", iv.Mid, 3, 1e-12)
}

// Whatever goes in, out comes a finite answer or an error.
func TestNeverNaN(t *testing.T) {
	wild := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, 1, -1, 1e-300, 1e300, math.Inf(1), math.NaN(), 5e-324}))
	rapid.Check(t, func(t *rapid.T) {
		d := Data{J: rapid.SliceOfN(wild, 0, 5).Draw(t, "J")}
		d.K = rapid.SliceOfN(wild, len(d.J), len(d.J)).Draw(t, "K")
		if rapid.Bool().Draw(t, "weighted") {
			d.Weight = rapid.SliceOfN(wild, len(d.J), len(d.J)).Draw(t, "w")
			d.Count = rapid.SliceOfN(wild, len(d.J), len(d.J)).Draw(t, "c")
		}
		ref, at, level := wild.Draw(t, "ref"), wild.Draw(t, "at"), wild.Draw(t, "level")
		prior := Prior{Mean: [2]float64{wild.Draw(t, "m0"), 1}, VarScale: [2][2]float64{{wild.Draw(t, "v0"), 0}, {0, 1}}, A0: wild.Draw(t, "a0"), B0: wild.Draw(t, "b0")}
		if p, err := FitPowerLaw(d, ref); err == nil {
			if iv, err := p.Predict(at, level, 1); err == nil && !finite(iv.Mid, iv.Lo, iv.Hi, iv.Scale) {
				t.Fatalf("%+v from %+v", iv, p)
			}
		}
		if p, err := prior.Update(d, ref); err == nil {
			if iv, err := p.Predict(at, level, 1); err == nil && !finite(iv.Mid, iv.Lo, iv.Hi, iv.Scale) {
				t.Fatalf("%+v from %+v", iv, p)
			}
		}
	})
}
