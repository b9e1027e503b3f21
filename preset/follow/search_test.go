package follow

import (
	"slices"
	"testing"

	"rigkeep/preset/internal/modeltest"
)

func search(t testing.TB, kind string, o SearchOptions) *Proposal {
	t.Helper()
	s, err := ShotOf(kind)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Search(s, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestSearchKeepsTheSubjectInItsShare(t *testing.T) {
	for i, s := range Shots() {
		if i >= storm(3, 99) {
			break
		}
		p := search(t, s.Kind, SearchOptions{FieldOfView: 40 * Deg, Model: Critical})
		if p.Best == nil {
			t.Errorf("%s: no style found on a 40 degree lens; least drift %g", s.Kind, p.Least.Drift)
			continue
		}
		if p.Best.Drift > s.MaxDrift {
			t.Errorf("%s: drift %g over %g", s.Kind, p.Best.Drift, s.MaxDrift)
		}
		// what was found is what a full simulation at 1 kHz says
		m, _ := ParseMove(s.Move)
		r := simulate(t, m, p.Best.Style, Options{FieldOfView: 40 * Deg, CountLanding: s.Landing >= 0, Landing: max(0, s.Landing)})
		modeltest.Near(t, s.Kind+" drift", value(t, "drift", r.Drift.MaxShare), p.Best.Drift, 0.01, 1e-3)
		if !p.Best.Still {
			modeltest.Near(t, s.Kind+" smoothness", value(t, "sparc", r.SPARC), p.Best.SPARC, 0.01, 0.02)
		}
		for i, q := range p.Trade {
			if q.Drift <= p.MaxDrift && p.Best.SPARC < q.SPARC*(1+nearBest)-1e-12 {
				t.Errorf("%s: %+v is smoother than the best %+v", s.Kind, q, *p.Best)
			}
			if i > 0 && !(q.Drift > p.Trade[i-1].Drift && q.SPARC > p.Trade[i-1].SPARC) {
				t.Errorf("%s: the trade curve turns back at %d", s.Kind, i)
			}
		}
		if p.Least.Drift > p.Best.Drift || len(p.Trade) == 0 || p.Tried < 100 {
			t.Errorf("%s: least %+v, %d points, %d tried", s.Kind, p.Least, len(p.Trade), p.Tried)
		}
	}
}

// Wider and longer for slow, wide moves, smaller where the subject may turn at any moment; a dead band
// wider than the sway holds a frame still. Common practice, no source.
func TestSearchAgreesWithPractice(t *testing.T) {
	o := SearchOptions{FieldOfView: 40 * Deg, MaxDrift: 0.3}
	lag := func(p *Proposal) float64 { return p.Best.Style.SteadyTrail(20 * Deg) }
	if sweep, chase := search(t, "sweep", o), search(t, "chase", o); lag(sweep) < 1.5*lag(chase) {
		t.Errorf("sweep %+v, chase %+v", sweep.Best.Style, chase.Best.Style)
	}
	static := search(t, "static", o)
	if !static.Best.Still || static.Best.Style.DeadBand < Deg {
		t.Errorf("static: %+v", *static.Best)
	}
	// a longer lens allows less lag
	long := o
	long.FieldOfView = 15 * Deg
	if a, b := search(t, "sweep", o), search(t, "sweep", long); lag(b) >= lag(a) {
		t.Errorf("15 degrees: %+v, 40 degrees: %+v", b.Best.Style, a.Best.Style)
	}
}

func TestSearchChoosesAmongTheDialsSteps(t *testing.T) {
	w, s := []float64{0, 1 * Deg, 4 * Deg}, []float64{0.1, 0.3}
	p := search(t, "walk", SearchOptions{FieldOfView: 40 * Deg, DeadBands: w, Lags: s})
	for _, q := range append([]Point{*p.Best, p.Least}, p.Trade...) {
		if !slices.Contains(w, q.Style.DeadBand) || !slices.Contains(s, q.Style.Lag) {
			t.Errorf("%+v is not among the choices", q.Style)
		}
	}
	// none fits: said, not forced
	p = search(t, "chase", SearchOptions{FieldOfView: 8 * Deg, MaxDrift: 0.02})
	if p.Best != nil || p.Least.Drift <= 0.02 || p.Least.SPARC >= 0 {
		t.Errorf("best %+v, least %+v", p.Best, p.Least)
	}
}
