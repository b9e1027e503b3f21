package loop

import (
	"math"
	"math/rand"
	"os"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// collocate gives the real part and frequency of the rightmost eigenvalue of
// the closed loop as a delay differential equation, by Chebyshev collocation of
// its generator with n+1 points: Breda, Maset & Vermiglio, SIAM J. Sci. Comput.
// 27 (2005) 482-495 (from memory). It shares nothing with the package: a
// state-space form of the physics, no factors, no frequencies.
func collocate(l Loop, n int) Root {
	var names []string
	add := func(s ...string) { names = append(names, s...) }
	add("th", "om")
	r := l.Resonance
	if r.Share > 0 {
		add("tl", "ol")
	}
	if l.Ki > 0 {
		add("z")
	}
	for i := range l.Sensing.Order {
		add("s" + string(rune('0'+i)))
	}
	for i := range l.Drive.Order {
		add("d" + string(rune('0'+i)))
	}
	d := len(names)
	ix := map[string]int{}
	for i, s := range names {
		ix[s] = i
	}
	a0, a1 := mat.NewDense(d, d, nil), mat.NewDense(d, d, nil)
	inc := func(m *mat.Dense, row, col string, v float64) { i, j := ix[row], ix[col]; m.Set(i, j, m.At(i, j)+v) }
	jm, mth, mom := l.J, "th", "om"
	if r.Share > 0 {
		jm = l.J * (1 - r.Share)
		jl := l.J * r.Share
		k, c := jl*r.Freq*r.Freq, 2*r.Damping*r.Freq*jl
		inc(a0, "tl", "ol", 1)
		inc(a0, "ol", "tl", -k/jl)
		inc(a0, "ol", "th", k/jl)
		inc(a0, "ol", "ol", -c/jl)
		inc(a0, "ol", "om", c/jl)
		inc(a0, "om", "th", -k/jm)
		inc(a0, "om", "tl", k/jm)
		inc(a0, "om", "om", -c/jm)
		inc(a0, "om", "ol", c/jm)
		if r.SensorBeyond {
			mth, mom = "tl", "ol"
		}
	}
	inc(a0, "th", "om", 1)
	inc(a0, "om", "om", -l.B/jm)
	inc(a0, "om", "th", -l.KG/jm)
	// a signal is a row of weights on the states
	sig := map[string]float64{mth: l.K, mom: l.D}
	if l.Ki > 0 {
		inc(a0, "z", mth, 1)
		sig["z"] = l.Ki
	}
	filter := func(f Filter, p string, m *mat.Dense, in map[string]float64) map[string]float64 {
		w := f.Cutoff
		switch f.Order {
		case 1:
			for k, v := range in {
				inc(m, p+"0", k, w*v)
			}
			inc(a0, p+"0", p+"0", -w)
		case 2:
			inc(a0, p+"0", p+"1", 1)
			for k, v := range in {
				inc(m, p+"1", k, w*w*v)
			}
			inc(a0, p+"1", p+"0", -w*w)
			inc(a0, p+"1", p+"1", -math.Sqrt2*w)
		default:
			return in
		}
		return map[string]float64{p + "0": 1}
	}
	sig = filter(l.Sensing, "s", a0, sig)
	late := a0
	if l.Delay > 0 {
		late = a1
	}
	if l.Drive.Order > 0 {
		sig = filter(l.Drive, "d", late, sig)
		late = a0
	}
	for k, v := range sig {
		inc(late, "om", k, -v/jm)
	}
	m := a0
	if l.Delay > 0 {
		// the differentiation matrix on x = cos(πk/n), Trefethen, Spectral
		// Methods in MATLAB, ch. 6 (from memory)
		x := make([]float64, n+1)
		c := make([]float64, n+1)
		for k := range x {
			x[k] = math.Cos(math.Pi * float64(k) / float64(n))
			c[k] = 1
			if k == 0 || k == n {
				c[k] = 2
			}
			if k%2 == 1 {
				c[k] = -c[k]
			}
		}
		m = mat.NewDense(d*(n+1), d*(n+1), nil)
		for i := 1; i <= n; i++ {
			sum := 0.0
			for j := 0; j <= n; j++ {
				if i == j {
					continue
				}
				v := c[i] / c[j] / (x[i] - x[j])
				sum += v
				for q := range d {
					m.Set(i*d+q, j*d+q, v*2/l.Delay)
				}
			}
			for q := range d {
				m.Set(i*d+q, i*d+q, -sum*2/l.Delay)
			}
		}
		for i := range d {
			for j := range d {
				m.Set(i, j, a0.At(i, j))
				m.Set(i, n*d+j, a1.At(i, j))
			}
		}
	}
	var e mat.Eigen
	if !e.Factorize(m, mat.EigenNone) {
		return Root{Real: math.NaN()}
	}
	best := complex(math.Inf(-1), 0)
	for _, v := range e.Values(nil) {
		if real(v) > real(best) {
			best = v
		}
	}
	return Root{real(best), math.Abs(imag(best))}
}

// storm is the number of random cases: n, or twenty times as many with RIGKEEP_STORM set.
func storm(n int) int {
	if os.Getenv("RIGKEEP_STORM") != "" {
		return 20 * n
	}
	return n
}

// randomLoop makes a loop such as a stand might hold, and some worse ones.
func randomLoop(r *rand.Rand, all bool) Loop {
	lu := func(a, b float64) float64 { return math.Exp(math.Log(a) + r.Float64()*math.Log(b/a)) }
	maybe := func(p, v float64) float64 {
		if r.Float64() < p {
			return v
		}
		return 0
	}
	j := lu(1e-3, 1e-1)
	w := lu(10, 150)
	l := Loop{J: j, K: j * w * w, B: maybe(0.7, j*lu(0.1, 5)), D: maybe(0.93, 2*lu(0.05, 1.5)*j*w), Delay: maybe(0.85, lu(3e-4, 8e-3))}
	filter := func() Filter {
		switch r.Intn(4) {
		case 0:
			return Filter{}
		case 1, 2:
			return FirstOrder(lu(3e-4, 6e-3))
		}
		return Butterworth2(1 / lu(3e-4, 6e-3))
	}
	l.Sensing, l.Drive = filter(), filter()
	if all {
		l.Ki = maybe(0.35, l.K*w*lu(0.005, 0.5))
		if r.Float64() < 0.4 {
			l.KG = l.K * lu(0.01, 2) * float64(1-2*r.Intn(2))
		}
		if r.Float64() < 0.45 {
			l.Resonance = Resonance{Freq: lu(30, 900), Damping: lu(0.004, 0.2), Share: lu(0.01, 0.6), SensorBeyond: r.Intn(2) == 0}
		}
	}
	return l
}

// The count, the rightmost root and the eigenvalues of the delay system agree.
func TestStabilityAgainstEigenvalues(t *testing.T) {
	r := rand.New(rand.NewSource(11))
	stable, unstable := 0, 0
	for i := range storm(100) {
		l := randomLoop(r, true)
		want := collocate(l, 24)
		got, err := l.RightmostRoot()
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		size := math.Hypot(want.Real, want.Imag)
		if math.Abs(got.Real-want.Real) > 1e-5*size+1e-7 || math.Abs(got.Imag-want.Imag) > 1e-4*size {
			t.Errorf("%d %+v: rightmost root %+v, eigenvalues say %+v", i, l, got, want)
		}
		s, err := l.Stability()
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(want.Real) > 1e-6*size && s.Stable != (want.Real < 0) {
			t.Errorf("%d %+v: stability %+v, eigenvalues say %+v", i, l, s, want)
		}
		if s.Stable {
			stable++
		} else {
			unstable++
		}
	}
	if stable < 20 || unstable < 20 {
		t.Errorf("%d stable and %d unstable loops do not test much", stable, unstable)
	}
}
