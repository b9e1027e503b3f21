package loop

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand"
	"strings"
	"testing"

	"rigkeep/preset/domain"
)

func near(a, b, rel float64) bool { return math.Abs(a-b) <= rel*math.Max(math.Abs(a), math.Abs(b)) }

// The factored form and the formula of the package comment are the same L, and
// the unwrapped phase is continuous but for undamped poles.
func TestFactorsAreTheLoop(t *testing.T) {
	r := rand.New(rand.NewSource(1))
	for i := range storm(500) {
		l := randomLoop(r, true)
		f := l.factors()
		for range 5 {
			w := math.Exp(r.Float64()*14 - 3)
			m, p, sm, sp := f.eval(w)
			want := l.at(complex(0, w))
			got := cmplx.Rect(math.Exp(m), p)
			if cmplx.Abs(got-want) > 1e-8*cmplx.Abs(want)*(1+w*l.Delay) {
				t.Fatalf("%d %+v at %v: factors %v, formula %v", i, l, w, got, want)
			}
			const h = 1e-6
			m2, p2, _, _ := f.eval(w * math.Exp(h))
			m1, p1, _, _ := f.eval(w * math.Exp(-h))
			if d := (m2 - m1) / (2 * h); math.Abs(d-sm) > 1e-3*(1+math.Abs(sm)) && math.Abs(sm) < 100 {
				t.Fatalf("%d %+v at %v: slope of magnitude %v, want %v", i, l, w, sm, d)
			}
			if d := (p2 - p1) / (2 * h); math.Abs(d-sp) > 1e-3*(1+math.Abs(sp)) && math.Abs(sp) < 100 {
				t.Fatalf("%d %+v at %v: slope of phase %v, want %v", i, l, w, sp, d)
			}
			// shifted axis
			s := (r.Float64() - 0.5) * w
			g := f.shift(s)
			m, p, _, _ = g.eval(w)
			want = l.at(complex(s, w))
			if got := cmplx.Rect(math.Exp(m), p); cmplx.Abs(got-want) > 1e-7*cmplx.Abs(want)*(1+w*l.Delay) {
				t.Fatalf("%d %+v at %v + j%v: factors %v, formula %v", i, l, s, w, got, want)
			}
		}
	}
}

// The bounds of a cell hold everything in it.
func TestCellBounds(t *testing.T) {
	r := rand.New(rand.NewSource(2))
	for range storm(200) {
		l := randomLoop(r, true)
		f := l.factors()
		panels := f.panels(math.Log(f.lowEnd(0.1)), math.Log(f.highEnd(-0.1)), nil, nil)
		ray := ray{h: l.path(), d: l.D, ki: l.Ki}
		for i := range panels {
			p := &panels[i]
			a := p.lo + r.Float64()*(p.hi-p.lo)
			b := a + r.Float64()*(p.hi-a)
			x, y := f.at(a, p), f.at(b, p)
			mlo, mhi := mBounds(&x, &y)
			plo, phi := pBounds(&x, &y)
			alo, ahi := aBounds(&x, &y)
			blo, bhi := bBounds(&x, &y)
			for range 5 {
				u := a + r.Float64()*(b-a)
				m, ph, sm, sp := f.eval(math.Exp(u))
				for _, q := range [][3]float64{{mlo, m, mhi}, {plo, ph, phi}, {alo, sm, ahi}, {blo, sp, bhi}} {
					slack := 1e-9 * (1 + math.Abs(q[1]))
					if q[1] < q[0]-slack || q[1] > q[2]+slack {
						t.Fatalf("%+v, u %v in [%v, %v]: %v outside [%v, %v]", l, u, a, b, q[1], q[0], q[2])
					}
				}
			}
		}
		// the curves of the K line, over their own panels
		panels = ray.h.panels(math.Log(1), math.Log(1e3), nil, nil)
		c := imagQ{&ray}
		k := closedLoop{2}
		for i := range panels {
			p := &panels[i]
			a := p.lo + r.Float64()*(p.hi-p.lo)
			b := a + r.Float64()*(p.hi-a)
			x, y := ray.h.at(a, p), ray.h.at(b, p)
			lo, hi := c.bounds(&x, &y)
			slo, shi := c.slope(&x, &y)
			klo, khi := k.bounds(&x, &y)
			for range 5 {
				u := a + r.Float64()*(b-a)
				v, dv := c.eval(&ray.h, math.Exp(u))
				kv, _ := k.eval(&ray.h, math.Exp(u))
				for _, q := range [][3]float64{{lo, v, hi}, {slo, dv, shi}, {klo, kv, khi}} {
					slack := 1e-9 * (1 + math.Abs(q[0]) + math.Abs(q[2]))
					if q[1] < q[0]-slack || q[1] > q[2]+slack {
						t.Fatalf("%+v, u %v in [%v, %v]: %v outside [%v, %v]", l, u, a, b, q[1], q[0], q[2])
					}
				}
			}
		}
	}
}

// A dense sweep of the formula, far beyond the searched range, finds no gain
// crossover, no phase crossover that matters and no sensitivity that we miss.
func TestNoCrossoverMissed(t *testing.T) {
	r := rand.New(rand.NewSource(3))
	const n = 20000
	for i := range storm(50) {
		l := randomLoop(r, true)
		m, err := l.Margins()
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		var gains, phases []float64
		last, ms := complex128(0), 1.0
		for k := range n {
			w := math.Exp(math.Log(1e-4) + float64(k)/n*math.Log(1e10))
			v := l.at(complex(0, w))
			if k > 0 {
				if (cmplx.Abs(v) < 1) != (cmplx.Abs(last) < 1) {
					gains = append(gains, w)
				}
				// the step must be small against a turn to tell a crossing
				if real(v) < 0 && real(last) < 0 && (imag(v) < 0) != (imag(last) < 0) && w*l.Delay < 200 && cmplx.Abs(v) > 1.1*weakest && cmplx.Abs(last) < 1e4 {
					phases = append(phases, w)
				}
			}
			if s := 1 / cmplx.Abs(1+v); s > ms {
				ms = s
			}
			last = v
		}
		if len(gains) != len(m.Gain) {
			t.Fatalf("%d %+v: %d gain crossovers %v, the sweep has %d %v", i, l, len(m.Gain), m.Gain, len(gains), gains)
		}
		for k, w := range gains {
			if !near(w, m.Gain[k].W, 2e-3) {
				t.Errorf("%d %+v: gain crossover %v, the sweep has %v", i, l, m.Gain[k].W, w)
			}
			if a := cmplx.Abs(l.at(complex(0, m.Gain[k].W))); !near(a, 1, 1e-8) {
				t.Errorf("%d: |L| is %v at a gain crossover", i, a)
			}
		}
		for _, w := range phases {
			found := false
			for _, x := range m.Phase {
				found = found || near(x.W, w, 2e-3)
			}
			if !found {
				t.Errorf("%d %+v: phase crossover near %v missed, have %+v", i, l, w, m.Phase)
			}
		}
		for _, x := range m.Phase {
			v := l.at(complex(0, math.Max(x.W, 1e-300)))
			if x.Factor < 1e-6 {
				continue // on the peak of a pole that is all but undamped
			}
			if !near(1/x.Factor, -real(v), 1e-7) || math.Abs(imag(v)) > 1e-6*cmplx.Abs(v) {
				t.Errorf("%d %+v: L is %v at the phase crossover %+v", i, l, v, x)
			}
		}
		at := 1.0
		if w := m.WMs; !math.IsInf(w, 1) {
			at = 1 / cmplx.Abs(1+l.at(complex(0, math.Max(w, 1e-300))))
		}
		if m.Stable && (ms > m.Ms*(1+2e-7) || !near(m.Ms, at, 1e-7)) {
			t.Errorf("%d %+v: Ms %v at %v where |S| is %v, the sweep has %v", i, l, m.Ms, m.WMs, at, ms)
		}
	}
}

// Each margin is what it says: the loop is stable just inside it and not
// beyond, by the eigenvalue-free count and, at the boundary, by its root.
func TestMarginsAreTheBoundary(t *testing.T) {
	r := rand.New(rand.NewSource(4))
	seen := 0
	for i := range storm(150) {
		l := randomLoop(r, true)
		m, err := l.Margins()
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		check := func(what string, in, out Loop, at Loop, w float64) {
			t.Helper()
			a, e1 := in.Stability()
			b, e2 := out.Stability()
			if e1 != nil || e2 != nil || !a.Stable || b.Stable {
				t.Errorf("%d %+v: %s: inside %+v %v, outside %+v %v", i, l, what, a, e1, b, e2)
			}
			root, err := at.RightmostRoot()
			if err != nil || math.Abs(root.Real) > 1e-5*(w+math.Sqrt(l.K/l.J)*1e-2) || w > 0 && !near(root.Imag, w, 1e-4) {
				t.Errorf("%d %+v: %s at %v rad/s: root %+v %v", i, l, what, w, root, err)
			}
		}
		if !m.Stable {
			if m.Lower > 1e-6 {
				check("lower", l.scaled(m.Lower*0.999), l.scaled(m.Lower*1.001), l.scaled(m.Lower), 0)
			}
			if m.Raise > 0 && m.Raise < 1e6 {
				check("raise", l.scaled(m.Raise*1.001), l.scaled(m.Raise*0.999), l.scaled(m.Raise), 0)
			}
			continue
		}
		seen++
		if !math.IsInf(m.GM, 1) && m.GM < 1e6 {
			check("gain", l.scaled(1+(m.GM-1)*0.99), l.scaled(m.GM*1.001), l.scaled(m.GM), m.WPC)
		}
		if m.GMLow > 0 {
			check("lower gain", l.scaled(1-(1-m.GMLow)*0.99), l.scaled(m.GMLow*0.999), l.scaled(m.GMLow), m.WPCLow)
		}
		if !math.IsInf(m.DelayM, 1) {
			in, at, out := l, l, l
			in.Delay += m.DelayM * 0.99
			at.Delay += m.DelayM
			out.Delay += m.DelayM * 1.01
			w := 0.0
			for _, g := range m.Gain {
				if g.DelayM == m.DelayM {
					w = g.W
				}
			}
			check("delay", in, out, at, w)
		}
		// the phase margin, as a definition
		v := l.at(complex(0, m.WGC))
		if pm := math.Abs(cmplx.Phase(-v)) * 180 / math.Pi; m.WGC > 0 && math.Abs(pm-m.PMDeg) > 1e-6 {
			t.Errorf("%d: phase margin %v, want %v", i, m.PMDeg, pm)
		}
		if m.Bandwidth > 0 {
			cl := func(w float64) float64 { v := l.at(complex(0, w)); return cmplx.Abs(v / (1 + v)) }
			if rest := cl(1e-7); !near(cl(m.Bandwidth), rest/math.Sqrt2, 1e-4) {
				t.Errorf("%d %+v: closed loop is %v at the bandwidth, %v at rest", i, l, cl(m.Bandwidth), rest)
			}
		} else {
			t.Errorf("%d %+v: no bandwidth", i, l)
		}
	}
	if seen < 40 {
		t.Errorf("only %d stable loops", seen)
	}
}

// Onsets: stable one percent below, not above; the root at the edge.
func TestOnsetsAreEdges(t *testing.T) {
	r := rand.New(rand.NewSource(5))
	common, alone, none := 0, 0, 0
	for i := range storm(150) {
		l := randomLoop(r, true)
		o, err := l.OnsetCommon()
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		if o.Exists && o.Multiplier > 1e-6 && o.Multiplier < 1e6 {
			common++
			in, out := l.scaled(o.Multiplier*0.99), l.scaled(o.Multiplier*1.01)
			if o.From > 0 {
				in = l.scaled(math.Max(o.Multiplier*0.99, math.Sqrt(o.From*o.Multiplier)))
			}
			a, _ := in.Stability()
			b, _ := out.Stability()
			root, err := l.scaled(o.Multiplier).RightmostRoot()
			if !a.Stable || b.Stable || err != nil || math.Abs(root.Real) > 1e-5*o.W || !near(root.Imag, o.W, 1e-4) {
				t.Errorf("%d %+v: common onset %+v: below %+v, above %+v, root %+v %v", i, l, o, a, b, root, err)
			}
		}
		k, err := l.OnsetStiffness()
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		at := func(v float64) Loop { q := l; q.K = v; return q }
		if k.Exists && k.K > 1e-6*l.K && k.K < 1e6*l.K {
			alone++
			in := at(math.Max(k.K*0.99, math.Sqrt(k.From*k.K)))
			a, _ := in.Stability()
			b, _ := at(k.K * 1.01).Stability()
			root, err := at(k.K).RightmostRoot()
			if !a.Stable || b.Stable || err != nil || math.Abs(root.Real) > 1e-5*k.W || !near(root.Imag, k.W, 1e-4) {
				t.Errorf("%d %+v: stiffness onset %+v: below %+v, above %+v, root %+v %v", i, l, k, a, b, root, err)
			}
		}
		// a sweep of stiffness finds no stable value below the range reported, nor
		// any at all if none is reported
		sweep := func(what string, from float64, any bool, at func(float64) Loop) {
			for v := 1e-6; v < 1e6; v *= 3 {
				if any && v > from*0.999 {
					return
				}
				q := at(v)
				if q.Validate() != nil {
					continue
				}
				if s, err := q.Stability(); err != nil || s.Stable {
					t.Errorf("%d %+v: %s: stable at %v (%v), lowest range said to start at %v (any: %v)", i, l, what, v, err, from, any)
					return
				}
			}
		}
		sweep("stiffness", k.From/l.K, k.Exists || k.Ever, func(v float64) Loop { return at(v * l.K) })
		sweep("common", o.From, o.Exists || o.Ever, func(v float64) Loop { return l.scaled(v) })
		if !k.Exists && !k.Ever {
			none++
		}
	}
	if common < 40 || alone < 40 || none < 8 {
		t.Errorf("%d common, %d stiffness onsets, %d without a stable range do not test much", common, alone, none)
	}
}

// Ranges: between the edges the verdict does not change (sweep of stiffness).
func TestRangesAgainstSweep(t *testing.T) {
	r := rand.New(rand.NewSource(6))
	several := 0
	for i := range storm(60) {
		l := randomLoop(r, true)
		rs, err := l.StiffnessRanges()
		if err != nil {
			t.Fatalf("%d %+v: %v", i, l, err)
		}
		cs, err := l.CommonRanges()
		if err != nil {
			t.Fatal(err)
		}
		if len(rs) > 1 || len(cs) > 1 {
			several++
		}
		holds := func(rs []StableRange, v float64) (in, near bool) {
			for _, x := range rs {
				in = in || v > x.From && v < x.To
				near = near || math.Abs(v/x.From-1) < 1e-3 || math.Abs(v/x.To-1) < 1e-3
			}
			return
		}
		for v := 1e-4; v < 1e5; v *= 1.37 {
			q := l
			q.K = l.K * v
			s, err := q.Stability()
			if in, near := holds(rs, q.K); err != nil || !near && in != s.Stable {
				t.Fatalf("%d %+v: stiffness %v: count says %+v (%v), ranges %+v", i, l, q.K, s, err, rs)
			}
			if l.scaled(v).Validate() != nil {
				continue
			}
			s, err = l.scaled(v).Stability()
			if in, near := holds(cs, v); err != nil || !near && in != s.Stable {
				t.Fatalf("%d %+v: multiplier %v: count says %+v (%v), ranges %+v", i, l, v, s, err, cs)
			}
		}
	}
	if several < 1 {
		t.Errorf("only %d loops with several stable ranges", several)
	}
}

// The largest stiffness keeps the limits and no larger one does.
func TestLargestStiffness(t *testing.T) {
	r := rand.New(rand.NewSource(7))
	feasible, split := 0, 0
	by := map[string]int{}
	for i := range storm(60) {
		l := randomLoop(r, i%2 == 0)
		lim := Limits{GM: 1.2 + 2*r.Float64(), PMDeg: 60 * r.Float64(), Ms: 1.2 + 2*r.Float64()}
		if i%3 == 0 {
			lim.GMLow = 0.3 + 0.6*r.Float64()
		}
		how := Raise(r.Intn(2))
		s, err := l.LargestStiffness(lim, how)
		if err != nil {
			t.Fatalf("%d %+v %+v %v: %v", i, l, lim, how, err)
		}
		at := func(k float64) Loop {
			if how == RaiseTogether {
				return l.scaled(k / l.K)
			}
			q := l
			q.K = k
			return q
		}
		ok := func(k, slack float64) bool {
			m, err := at(k).Margins()
			if errors.Is(err, ErrUnresolved) && k > 1e3*l.K {
				return false // the crossover is thousands of delays up
			}
			if err != nil {
				t.Fatalf("%d %+v: %v", i, at(k), err)
			}
			return m.Stable && m.GM >= lim.GM*(1-slack) && m.PMDeg >= lim.PMDeg*(1-slack)-slack && m.Ms <= lim.Ms*(1+slack) &&
				(lim.GMLow == 0 || m.GMLow <= lim.GMLow*(1+slack))
		}
		if s.Feasible && math.IsInf(s.K, 1) {
			if !ok(1e6, 1e-6) {
				t.Errorf("%d %+v: said to be without limit", i, l)
			}
			continue
		}
		from := l.J * 1e-2
		if s.Feasible {
			if at(s.K).Validate() != nil {
				continue // at the rim of the domain
			}
			feasible++
			by[s.LimitedBy]++
			from = s.K * (1 + 1e-5)
			if !ok(s.K, 1e-5) {
				t.Errorf("%d %+v %+v %v: limits not kept at %+v", i, l, lim, how, s)
			}
			if v, err := at(s.K).Margins(); err != nil || !near(v.Ms, s.Margins.Ms, 1e-6) {
				t.Errorf("%d: margins of the start differ", i)
			}
		}
		for k := from; k < from*1e6 && at(k).Validate() == nil; k *= 1.12 {
			if ok(k, -1e-7) {
				t.Errorf("%d %+v %+v %v: %v keeps the limits, reported %+v", i, l, lim, how, k, s)
				break
			}
		}
		if s.Feasible {
			was := true
			for k := s.K * 0.999; k > s.K*1e-3 && at(k).Validate() == nil; k *= 0.93 {
				now := ok(k, 0)
				if now && !was {
					split++
					break
				}
				was = now
			}
		}
	}
	t.Logf("%d feasible, limited by %v, %d with more than one feasible stretch", feasible, by, split)
	if feasible < 20 || by["gm"] == 0 || by["pm"] == 0 || by["Ms"] == 0 {
		t.Errorf("%d feasible, limited by %v: not much of a test", feasible, by)
	}
}

// A feasible set of two stretches: with damping held and a soft plate, the
// limits fail in the middle. The upper stretch's end is reported.
func TestLargestStiffnessPicksTheUpperStretch(t *testing.T) {
	r := rand.New(rand.NewSource(70))
	for range 4000 {
		l := randomLoop(r, true)
		cs, err := l.CommonRanges()
		if err != nil {
			t.Fatal(err)
		}
		if len(cs) < 2 || math.IsInf(cs[1].To, 1) || cs[1].To < cs[1].From*1.5 || cs[0].To < cs[0].From*2 {
			continue
		}
		s, err := l.LargestStiffness(Limits{GM: 1.01, PMDeg: 0.1, Ms: 1000}, RaiseTogether)
		if err != nil {
			t.Fatal(err)
		}
		if m := s.K / l.K; !s.Feasible || m < cs[len(cs)-1].From || m > cs[len(cs)-1].To {
			t.Fatalf("%+v: ranges %+v, start %v of K", l, cs, m)
		}
		return
	}
	t.Fatal("no loop with two wide stable ranges found")
}

// Dimensional analysis (Gibbings, Dimensional Analysis, from memory): with
// every time stretched by c, frequencies divide by c and margins stay; with every
// torque term times c nothing changes at all.
func TestScalingLaws(t *testing.T) {
	r := rand.New(rand.NewSource(8))
	for i := range 60 {
		l := randomLoop(r, true)
		m, err := l.Margins()
		if err != nil {
			t.Fatal(err)
		}
		c := 0.2 + 3*r.Float64()
		slow := l
		slow.J, slow.B, slow.D, slow.Ki, slow.Delay = l.J*c*c, l.B*c, l.D*c, l.Ki/c, l.Delay*c
		slow.Sensing.Cutoff /= c
		slow.Drive.Cutoff /= c
		slow.Resonance.Freq /= c
		heavy := l.scaled(c)
		heavy.J, heavy.B, heavy.KG = l.J*c, l.B*c, l.KG*c
		for _, q := range []struct {
			name string
			l    Loop
			time float64
		}{{"time", slow, c}, {"torque", heavy, 1}} {
			n, err := q.l.Margins()
			if err != nil {
				t.Fatal(err)
			}
			if n.Stable != m.Stable || n.RightRoots != m.RightRoots || len(n.Gain) != len(m.Gain) {
				t.Errorf("%d %s: %+v, want as %+v", i, q.name, n, m)
				continue
			}
			same := [][2]float64{{n.GMLow, m.GMLow}, {n.Ms, m.Ms}, {n.WGC * q.time, m.WGC}, {n.WPC * q.time, m.WPC},
				{n.Bandwidth * q.time, m.Bandwidth}, {n.Rightmost.Imag * q.time, m.Rightmost.Imag},
				{n.Rightmost.Real*q.time + m.Rightmost.Imag, m.Rightmost.Real + m.Rightmost.Imag}, {n.Lower, m.Lower}, {n.Raise, m.Raise}}
			if !math.IsInf(m.GM, 1) {
				same = append(same, [2]float64{n.GM, m.GM})
			}
			if m.WGC > 0 {
				same = append(same, [2]float64{n.PMDeg, m.PMDeg}, [2]float64{n.DelayM / q.time, m.DelayM})
			}
			for k, v := range same {
				if !near(v[0], v[1], 1e-6) {
					t.Errorf("%d %s: figure %d is %v, want %v (%+v)", i, q.name, k, v[0], v[1], l)
				}
			}
		}
	}
}

// With the same damping the two onsets differ: for a pure integrator with delay
// and K and D both raised the onset is at ω T = π/2, by hand: L = k e^(−sT)/s.
func TestOnsetByHand(t *testing.T) {
	// J s² + B s with K/D = B/J cancels to D/J e^(−sT)/s
	l := Loop{J: 0.02, B: 0.04, K: 0.02, D: 0.01, Delay: 1}
	o, err := l.OnsetCommon()
	if err != nil || !near(o.W, math.Pi/2, 1e-12) || !near(o.Multiplier, math.Pi, 1e-12) {
		t.Errorf("common onset %+v %v, want π/2 rad/s at π times", o, err)
	}
	// Routh by hand, no delay, one filter: s (J s + B)(τ s + 1) + D s + K:
	// K_u = (B + D)(J + Bτ)/(Jτ), ω² = (B + D)/(Jτ)
	q := Loop{J: 0.006, B: 0.004, D: 0.4, Sensing: FirstOrder(0.002)}
	o, err = q.OnsetStiffness()
	k, w := (q.B+q.D)*(q.J+q.B*0.002)/(q.J*0.002), math.Sqrt((q.B+q.D)/(q.J*0.002))
	if err != nil || !near(o.K, k, 1e-10) || !near(o.W, w, 1e-10) {
		t.Errorf("stiffness onset %+v %v, want %v at %v", o, err, k, w)
	}
	// no lag at all: never
	q.Sensing = Filter{}
	if o, err = q.OnsetStiffness(); err != nil || o.Exists || !o.Ever || o.From != 0 {
		t.Errorf("without lag the onset is %+v %v", o, err)
	}
	// toppling gravity needs K above |KG|, by hand
	q.KG = -0.7
	if o, err = q.OnsetStiffness(); err != nil || !o.Ever || !near(o.From, 0.7, 1e-12) {
		t.Errorf("toppling: %+v %v, want stable from 0.7", o, err)
	}
	q.K = 1.4
	m, err := q.Margins()
	if err != nil || !m.Stable || !near(m.GMLow, 0.5, 1e-12) || m.WPCLow != 0 {
		t.Errorf("toppling margins %+v %v, want a lower gain margin of 0.5 at rest", m, err)
	}
	q.K = 0.5
	m, err = q.Margins()
	if err != nil || m.Stable || m.RightRoots != 1 || m.Rightmost.Imag != 0 || m.Rightmost.Real <= 0 || !near(m.Raise, 1.4, 1e-12) {
		t.Errorf("toppled %+v %v, want one real growing root, stable from 1.4 times", m, err)
	}
}

// An undamped double integrator under stiffness alone is on its boundary: s = ±j√(K/J).
func TestMarginal(t *testing.T) {
	l := Loop{J: 0.01, K: 9}
	m, err := l.Margins()
	if err != nil || m.Stable || !m.Marginal || math.Abs(m.Rightmost.Real) > 1e-6 || !near(m.Rightmost.Imag, 30, 1e-9) {
		t.Errorf("%+v %v", m, err)
	}
	// zero of the controller over a filter: phase −180° at every frequency
	l = Loop{J: 0.01, K: 9, D: 0.018, Sensing: FirstOrder(0.002)}
	if m, err = l.Margins(); err != nil || m.Stable || !m.Marginal {
		t.Errorf("%+v %v", m, err)
	}
	for _, f := range []func() (Onset, error){l.OnsetCommon, l.OnsetStiffness} {
		if o, err := f(); err != nil && !errors.Is(err, ErrUnresolved) {
			t.Errorf("%+v %v", o, err)
		}
	}
}

// The two ways to place the sensor: with a long soft part beyond the sensor the
// loop tolerates more than with the sensor on the soft part (Preumont,
// Vibration Control of Active Structures, ch. 6, from memory).
func TestSensorPlace(t *testing.T) {
	l := typical
	l.Sensing, l.Drive, l.Delay = FirstOrder(0.0004), Filter{}, 0.0005
	l.Resonance = Resonance{Freq: 250, Damping: 0.01, Share: 0.2}
	near, err := l.OnsetCommon()
	if err != nil {
		t.Fatal(err)
	}
	l.Resonance.SensorBeyond = true
	far, err := l.OnsetCommon()
	if err != nil {
		t.Fatal(err)
	}
	if !near.Exists || !far.Exists || far.Multiplier >= near.Multiplier/2 {
		t.Errorf("onset %v times with the sensor before the soft part, %v beyond it", near.Multiplier, far.Multiplier)
	}
	// and any resonance is less kind than none at all here
	l.Resonance = Resonance{}
	if rigid, err := l.OnsetCommon(); err != nil || rigid.Multiplier <= far.Multiplier {
		t.Errorf("rigid %v times, soft %v", rigid.Multiplier, far.Multiplier)
	}
}

func TestDelayFromOnset(t *testing.T) {
	r := rand.New(rand.NewSource(9))
	same := 0
	for range 100 {
		l := randomLoop(r, true)
		o, err := l.OnsetCommon()
		if err != nil {
			t.Fatal(err)
		}
		if !o.Exists {
			continue
		}
		f := l.factors()
		if _, p, _, _ := f.eval(o.W); math.Abs(p+math.Pi) > 1e-6 {
			continue // an onset on another turn of the phase is not of this form
		}
		same++
		td, k, err := l.DelayFromOnset(o.W)
		if l.Delay == 0 && err != nil {
			continue // rounding may put a delay of nothing below 0
		}
		if err != nil || math.Abs(td-l.Delay) > 1e-9 || !near(k, o.K, 1e-9) {
			t.Errorf("%+v: delay %v, stiffness %v; want %v, %v (%v)", l, td, k, l.Delay, o.K, err)
		}
	}
	if same < 30 {
		t.Errorf("only %d onsets on the first turn", same)
	}
	_, _, err := typical.DelayFromOnset(2000)
	var lag *TooMuchLag
	var out *domain.Error
	if !errors.As(err, &lag) || !errors.As(err, &out) || lag.Surplus <= 0 || !strings.Contains(err.Error(), "too much already") {
		t.Errorf("an onset that needs a negative delay gives %v", err)
	}
}

func TestStandingAngle(t *testing.T) {
	l := typical
	a, err := l.StandingAngle(0.28)
	if err != nil || !near(a, 0.02, 1e-12) {
		t.Errorf("%v %v, want 0.02", a, err)
	}
	l.Ki = 3
	if a, err = l.StandingAngle(0.28); a != 0 || err != nil {
		t.Errorf("with an integral term: %v %v, want 0", a, err)
	}
	l.Ki, l.KG = 0, -14
	if _, err = l.StandingAngle(0.28); err == nil {
		t.Error("no error though gravity takes all stiffness")
	}
}

func TestDomain(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	bad := map[string]func(*Loop){
		"inertia zero":      func(l *Loop) { l.J = 0 },
		"inertia negative":  func(l *Loop) { l.J = -1 },
		"inertia NaN":       func(l *Loop) { l.J = nan },
		"inertia tiny":      func(l *Loop) { l.J = 1e-30 },
		"friction negative": func(l *Loop) { l.B = -1 },
		"friction infinite": func(l *Loop) { l.B = inf },
		"stiffness zero":    func(l *Loop) { l.K = 0 },
		"stiffness NaN":     func(l *Loop) { l.K = nan },
		"damping negative":  func(l *Loop) { l.D = -0.1 },
		"integral negative": func(l *Loop) { l.Ki = -0.1 },
		"gravity NaN":       func(l *Loop) { l.KG = nan },
		"delay negative":    func(l *Loop) { l.Delay = -1e-3 },
		"delay huge":        func(l *Loop) { l.Delay = 1e30 },
		"filter order":      func(l *Loop) { l.Drive.Order = 3 },
		"filter cutoff":     func(l *Loop) { l.Sensing = Butterworth2(0) },
		"filter negative":   func(l *Loop) { l.Sensing = FirstOrder(-0.1) },
		"share":             func(l *Loop) { l.Resonance = Resonance{100, 0.1, 1, false} },
		"share missing":     func(l *Loop) { l.Resonance = Resonance{100, 0.1, 0, false} },
		"damping ratio":     func(l *Loop) { l.Resonance = Resonance{100, 0, 0.1, false} },
		"resonance":         func(l *Loop) { l.Resonance = Resonance{nan, 0.1, 0.1, false} },
	}
	for name, spoil := range bad {
		l := typical
		spoil(&l)
		var want *domain.Error
		if err := l.Validate(); !errors.As(err, &want) || want.Want == "" {
			t.Errorf("%s: error %v, want a *domain.Error that says what is wanted", name, err)
		}
		if _, err := l.Margins(); err == nil {
			t.Errorf("%s: margins without error", name)
		}
	}
	for _, lim := range []Limits{{GM: 0.5, PMDeg: 45, Ms: 2}, {GM: 2, PMDeg: -1, Ms: 2}, {GM: 2, PMDeg: 180, Ms: 2}, {GM: 2, PMDeg: 45, Ms: 1}, {GM: nan, PMDeg: 45, Ms: 2}, {GM: 2, PMDeg: nan, Ms: 2}, {GM: 2, PMDeg: 45, Ms: inf}, {GM: 2, PMDeg: 45, Ms: 2, GMLow: 1.5}} {
		if _, err := typical.LargestStiffness(lim, RaiseTogether); err == nil {
			t.Errorf("limits %+v without error", lim)
		}
	}
	if _, err := typical.LargestStiffness(Limits{GM: 2, PMDeg: 45, Ms: 2}, Raise(7)); err == nil {
		t.Error("an unknown way to raise without error")
	}
	if _, err := typical.At(cmplx.NaN()); err == nil {
		t.Error("NaN frequency without error")
	}
	if v, err := typical.At(0); err != nil || !cmplx.IsInf(v) {
		t.Errorf("L at its pole: %v %v", v, err)
	}
	if _, _, err := typical.DelayFromOnset(-1); err == nil {
		t.Error("negative onset frequency without error")
	}
}

// The floor of a valley, which the sensitivity search leaves out: nothing in it
// is nearer to −1 than its stationary point.
func TestFloorOfValley(t *testing.T) {
	r := rand.New(rand.NewSource(12))
	wide := 0
	for range storm(300) {
		l := randomLoop(r, true)
		f := l.factors()
		last := math.Inf(1)
		for u := -3.0; u < 9; u += 0.05 {
			s := f.distanceSlope(u)
			if last < 0 && s > 0 {
				v, ok := f.valley(u-0.05, u)
				if !ok {
					t.Fatalf("%+v: no valley in [%v, %v]", l, u-0.05, u)
				}
				h := f.floorOf(v)
				m, p, _, _ := f.eval(math.Exp(v))
				least := distance2(m, p)
				for k := -20; k <= 20; k++ {
					m, p, _, _ := f.eval(math.Exp(v + h*float64(k)/20))
					if d := distance2(m, p); d < least*(1-1e-9) {
						t.Fatalf("%+v: valley at %v, half-width %v: |1+L|² %v at %v, %v at the bottom", l, v, h, d, k, least)
					}
				}
				if h > 0.01 {
					wide++
				}
			}
			last = s
		}
	}
	if wide < 100 {
		t.Errorf("only %d floors wider than a hundredth", wide)
	}
}
