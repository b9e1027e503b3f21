package preset_test

import (
	"fmt"
	"math"
	"math/rand"
	"os"
	"testing"
	"time"

	"rigkeep/examples"
	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/preset/file"
	"rigkeep/preset/identify"
	"rigkeep/preset/internal/modeltest"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

func sheet(t testing.TB, slug string) *schema.Sheet {
	t.Helper()
	data, ok := examples.Gimbal(slug)
	if !ok {
		t.Fatal("no example sheet " + slug)
	}
	tree, err := file.Values(slug, data)
	if err != nil {
		t.Fatal(err)
	}
	s, ps := schema.Default().Sheet(slug, tree)
	if s == nil {
		t.Fatal(ps)
	}
	return s
}

// build is an invented build, scaled in size and mass.
func build(name string, scale float64) preset.Rig {
	part := func(slot string, kg float64, size, place [3]float64) preset.Part {
		p := preset.Part{Slot: slot, Name: name, Shape: "box", Mass: kg * scale * scale}
		for i := range size {
			p.Size[i], p.Place[i] = size[i]*scale/1000, place[i]*scale/1000
		}
		return p
	}
	r := preset.Rig{Alias: name, Gimbal: "skiff-small", Parts: []preset.Part{
		part("body", 0.75, [3]float64{110, 100, 95}, [3]float64{-22, 0, 0}),
		part("lens", 0.40, [3]float64{95, 78, 78}, [3]float64{62, 0, 2}),
		part("plate", 0.12, [3]float64{120, 50, 10}, [3]float64{0, 0, -52}),
	}}
	r.ID = r.Fingerprint()
	return r
}

// unit is one physical gimbal: what the sheet does not know of it.
type unit struct {
	serial string
	scale  [3]float64 // true stiffness over the map's
	delay  float64
}

const simStep = 2e-4 // s

func newUnit(serial string, sh *schema.Sheet, rng *rand.Rand) unit {
	u := unit{serial: serial, delay: math.Round(sh.Delay*math.Exp(0.2*rng.NormFloat64())/simStep) * simStep}
	common := math.Exp(0.12 * rng.NormFloat64())
	for a := range u.scale {
		u.scale[a] = common * math.Exp(0.04*rng.NormFloat64())
	}
	return u
}

// work plays a session of a rig on a unit, answered by the simulated stand.
func work(t testing.TB, sh *schema.Sheet, r preset.Rig, u unit, q start.Request, now time.Time, rng *rand.Rand) (preset.BenchLog, *start.Result) {
	t.Helper()
	res, err := start.Start(q)
	if err != nil {
		t.Fatal(err)
	}
	log := preset.BenchLog{Rig: r.ID, Tune: "main", Unit: u.serial, Began: now, Ended: now.Add(30 * time.Minute), MassKg: r.Mass(), Inertia: map[schema.Axis]float64{},
		Set: map[string]float64{"filters.sensing": 100, "filters.drive": 70}}
	js, err := r.Inertias(sh, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range schema.Axes {
		log.Inertia[a] = js[a].Min
	}
	if log.Plan, err = preset.PlanBench(sh, r, nil, res.Offers, nil); err != nil {
		t.Fatal(err)
	}
	s, err := log.BenchSession(sh)
	if err != nil {
		t.Fatal(err)
	}
	var stands [3]modeltest.Stand
	for _, a := range schema.Axes {
		// the build sheet is not exact, nor is one session like the other
		stands[a] = modeltest.Stand{J: js[a].Min * math.Exp(0.05*rng.NormFloat64()), Share: 0.02 + 0.04*rng.Float64(), ResHz: 80 + 60*rng.Float64(), Zeta: 0.03,
			TauSense: 1 / (2 * math.Pi * 100), TauDrive: 1 / (2 * math.Pi * 70), Delay: u.delay, Step: simStep, Noise: 2e-6}
	}
	for i := 0; ; i++ {
		if i > 300 {
			t.Fatal("the session does not end")
		}
		p := s.Next()
		e := bench.Event{Saw: bench.Clean}
		switch p.Stage {
		case bench.Done:
			log.Results, log.Hand = preset.ResultsOf(s)
			return log, res
		case bench.InHand:
			e.Saw = bench.Hand
		case bench.Decide:
			e.Saw = bench.Keep
		default:
			k, err := sh.Dials["stiffness."+p.Axis.String()].ToSI(p.Value)
			if err != nil {
				t.Fatal(err)
			}
			if hz, yes := stands[p.Axis].Oscillates(k*u.scale[p.Axis], sh.Axes[p.Axis].DampingTime, rng); yes {
				e.Saw, e.Hz = bench.Chatter, math.Round(hz)
			}
		}
		if err := s.Answer(e); err != nil {
			t.Fatal(err)
		}
	}
}

// request is what a library would ask with these sessions behind it.
func request(t testing.TB, sh *schema.Sheet, r preset.Rig, unit string, logs []preset.BenchLog, rigs []preset.Rig, now time.Time) (start.Request, *identify.Report) {
	t.Helper()
	cat := schema.Default()
	q := start.Request{Unit: unit, Rig: start.Rig{ID: r.ID, Mass: r.Mass()}}
	js, err := r.Inertias(sh, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range schema.Axes {
		q.Rig.J[a] = js[a].Min
		key := "stiffness." + a.String()
		q.Params = append(q.Params, start.Param{Key: key, Kind: start.Stiffness, Axis: a, Dial: sh.Dials[key]})
	}
	var sights []identify.OnsetObservation
	for i, l := range logs {
		sights = append(sights, l.OnsetObservations(cat, sh, &rigs[i], fmt.Sprint("session ", i))...)
	}
	facts, err := identify.Units(sights, identify.DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range logs {
		if x, ok := l.AsTune(sh, rigs[i].ID, fmt.Sprint("session ", i), now); ok {
			q.Tunes = append(q.Tunes, x)
		}
	}
	own := preset.CapSheet(sh, facts, unit)
	q.Cap = func(a schema.Axis, lo, hi float64) (float64, string, bool) {
		return preset.CapStiffness(cat, own, r, nil, a, js[a], lo, hi)
	}
	q.End = func(a schema.Axis) (float64, string, bool) {
		return preset.EndLearned(cat, sh, facts, unit, r, nil, a, js[a])
	}
	return q, facts
}

// Three sessions on a simulated gimbal tell where the fourth rig's ends: the value
// expected is within two coarse steps of the one that the fourth session keeps, and the
// 90 % interval holds it, in nine of ten of 120 seeded shops (40 without RIGKEEP_STORM). The cap, which allows less,
// does not enter the interval: it only bounds the value offered. Once with all sessions
// on one unit, once with the first two on another unit than the one at hand. The sheet's
// references are left out: what helps is what the sessions taught.
func TestThreeSessionsTeachTheNextStart(t *testing.T) {
	sh := *sheet(t, "skiff-small")
	sh.References = nil
	now := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	for _, two := range []bool{false, true} {
		runs := 40
		if os.Getenv("RIGKEEP_STORM") != "" {
			runs = 120
		}
		if two {
			runs /= 2
		}
		landed, inside, capped, n, worst := 0, 0, 0, 0, 0.0
		inScale, nScale, inDelay, nDelay := 0, 0, 0, 0
		nearer := 0.0
		for seed := range int64(runs) {
			rng := rand.New(rand.NewSource(seed))
			a, b := newUnit("SK-0412", &sh, rng), newUnit("SK-0417", &sh, rng)
			var logs []preset.BenchLog
			var rigs []preset.Rig
			for i := range 4 {
				r := build(fmt.Sprintf("rig-%d", i), 0.85+0.3*rng.Float64())
				u := b
				if two && i < 2 {
					u = a
				}
				q, facts := request(t, &sh, r, u.serial, logs, rigs, now)
				log, res := work(t, &sh, r, u, q, now, rng)
				logs, rigs = append(logs, log), append(rigs, r)
				now = now.Add(24 * time.Hour)
				if i < 3 {
					continue
				}
				f, ok := facts.Unit(u.serial)
				if !ok {
					t.Fatal("no facts of the unit at hand")
				}
				for _, x := range f.Axes {
					ax, _ := schema.ParseAxis(x.Axis)
					if x.Scale == nil {
						t.Fatalf("no scale: %v", f.Refused)
					}
					nScale++
					if x.Scale.Lo <= u.scale[ax] && u.scale[ax] <= x.Scale.Hi {
						inScale++
					}
					nearer += math.Abs(math.Log(x.Scale.Best/u.scale[ax])) - math.Abs(math.Log(u.scale[ax]))
				}
				nDelay++
				if f.Delay.Lo <= u.delay && u.delay <= f.Delay.Hi {
					inDelay++
				}
				for _, o := range res.Offers {
					ax := o.Key[len("stiffness."):]
					xa, _ := schema.ParseAxis(ax)
					kept := log.Results[xa].Kept
					if kept == nil {
						t.Fatalf("seed %d: nothing kept on %s", seed, ax)
					}
					d := sh.Dials[o.Key]
					off := math.Abs(o.Final.Best-*kept) / d.Coarse
					worst = math.Max(worst, off)
					if o.Final.Lo-d.Fine/2 <= *kept && *kept <= o.Final.Hi+d.Fine/2 {
						inside++
					}
					if limit, _, ok := q.Cap(xa, d.Min, d.Max); ok {
						if o.Value > limit {
							t.Errorf("seed %d, %s: offered %v, the limits hold up to %v", seed, ax, o.Value, limit)
						}
						if limit < d.Round(o.Final.Lo) {
							capped++
						}
					}
					n++
					if off <= 2 {
						landed++
					}
				}
			}
		}
		t.Logf("two units %v: %d of %d expected within two coarse steps (worst %.1f), %d in the interval, %d starts capped; intervals hold the true scale in %d of %d, the true delay in %d of %d; scale nearer the truth than the sheet by %.0f %% on average",
			two, landed, n, worst, inside, capped, inScale, nScale, inDelay, nDelay, -100*nearer/float64(nScale))
		if landed*10 < n*9 || inside*100 < n*85 {
			t.Errorf("two units %v: of %d values kept %d were within two coarse steps of the one expected, want 90 %%, and %d in the interval, want 85 %%", two, n, landed, inside)
		}
		if inScale*100 < nScale*80 || inDelay*100 < nDelay*80 {
			t.Errorf("two units %v: the intervals of 90 %% hold the true scale in %d of %d and the true delay in %d of %d", two, inScale, nScale, inDelay, nDelay)
		}
		if nearer >= 0 {
			t.Errorf("two units %v: what was learned of the dials is no nearer the truth than the sheet", two)
		}
	}
}
