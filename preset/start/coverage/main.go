// Command coverage measures what the intervals of package start are worth: it draws
// shops from the spreads that the model states, by seed, asks each for one proof
// that it does not have, and counts how often the 90 % interval holds it. Its table
// stands in TABLE.md beside this file, which the test compares:
//
//	go run ./preset/start/coverage > preset/start/coverage/TABLE.md
package main

import (
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand"
	"os"
	"slices"
	"strings"

	"rigkeep/preset/start"
	"rigkeep/schema"
)

func main() {
	shops := flag.Int("shops", 1000, "shops for each line, one prediction each")
	seed := flag.Int64("seed", 1, "of the first shop")
	flag.Parse()
	out, err := all(*shops, *seed)
	if err != nil {
		fmt.Fprintln(os.Stderr, "coverage:", err)
		os.Exit(1)
	}
	table(os.Stdout, out, *seed)
}

// all measures every world.
func all(shops int, seed int64) ([]outcome, error) {
	var out []outcome
	for _, x := range worlds() {
		r, err := measure(x, shops, seed)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// world is what a shop is drawn from: the model's own spreads, except that how far an
// inertia is off differs from shop to shop, that single proofs have heavy tails, and
// where held that all units differ by more than the model states.
type world struct {
	name   string
	proofs int
	fresh  bool    // predict a unit without a proof
	unitSD float64 // 0 for the model's
	units  int     // on record, 0 for one to three
}

func worlds() []world {
	var out []world
	for _, n := range []int{1, 3, 10, 40} {
		out = append(out, world{name: "known unit", proofs: n}, world{name: "new unit", proofs: n, fresh: true})
	}
	for _, n := range []int{3, 10, 40} {
		out = append(out, world{name: "new unit, one unit on record, spread 0.15", proofs: n, fresh: true, unitSD: 0.15, units: 1})
	}
	return out
}

// outcome is what came of one world.
type outcome struct {
	world
	shops, inside int
	width         float64 // median of greatest over least
	warned        int     // said that one unit tells nothing of others
}

func (o outcome) share() float64 { return float64(o.inside) / float64(o.shops) }

func table(w io.Writer, out []outcome, seed int64) {
	o := start.DefaultSpreads()
	fmt.Fprintf(w, "# What a 90 %% interval holds\n\n")
	fmt.Fprintf(w, "%d invented shops for each line, seeds %d on, one prediction each. Drawn: units %.0f %%, rigs %.0f %% beside an\n", out[0].shops, seed, 100*o.Unit, 100*o.Rig)
	fmt.Fprintf(w, "inertia that is off by 5 to 20 %% (the model states %.0f %%), sessions %.0f %% with heavy tails (Student, 4 degrees of\n", 100*o.Inertia, 100*o.Session)
	fmt.Fprintf(w, "freedom), the slope 1 ± 0.2, dial steps of 0.1. Three predictions of ten are of a rig that has a proof.\n\n")
	fmt.Fprintf(w, "| predicted | proofs | inside | greatest over least |\n|---|---|---|---|\n")
	for _, r := range out {
		fmt.Fprintf(w, "| %s | %d | %.1f %% | %.2f |\n", r.name, r.proofs, 100*r.share(), r.width)
	}
}

func measure(x world, shops int, seed int64) (outcome, error) {
	out := outcome{world: x, shops: shops}
	var widths []float64
	for i := range shops {
		q, truth := x.draw(rand.New(rand.NewSource(seed + int64(i))))
		res, err := start.Start(q)
		if err != nil {
			return out, err
		}
		f := res.Offers[0].Final
		if f == nil {
			return out, fmt.Errorf("shop %d: no interval", i)
		}
		half := q.Params[0].Dial.Fine / 2
		if truth >= f.Lo-half && truth <= f.Hi+half {
			out.inside++
		}
		if slices.ContainsFunc(res.Offers[0].Warnings, func(w string) bool { return strings.Contains(w, "one unit says nothing of how others differ") }) {
			out.warned++
		}
		widths = append(widths, f.Hi/f.Lo)
	}
	slices.Sort(widths)
	out.width = widths[len(widths)/2]
	return out, nil
}

const key = "stiffness.pan"

// draw invents a shop: its question, and the value that will be proved.
func (x world) draw(rng *rand.Rand) (start.Request, float64) {
	o := start.DefaultSpreads()
	unitSD := o.Unit
	if x.unitSD > 0 {
		unitSD = x.unitSD
	}
	jSD := 0.05 + 0.15*rng.Float64()
	b0 := math.Log(20 + 40*rng.Float64())
	slope := 1 + start.DefaultOptions().SlopeSDDial*rng.NormFloat64()
	dial := schema.Dial{Key: key, Min: 0, Max: 5000, Coarse: 1, Fine: 0.1, Sign: 1}
	units := make([]float64, 4)
	for i := range units {
		units[i] = unitSD * rng.NormFloat64()
	}
	onRecord := x.units
	if onRecord == 0 {
		onRecord = 1 + rng.Intn(3)
	}
	onRecord = min(onRecord, x.proofs)
	type rig struct {
		start.Rig
		lnJ, effect float64
	}
	newRig := func(i int) rig {
		lnJ := math.Log(0.01) + 0.5*rng.NormFloat64()
		told := math.Exp(lnJ + jSD*rng.NormFloat64())
		return rig{start.Rig{ID: fmt.Sprint("rig", i), Mass: 1.5 * math.Pow(told/0.01, 0.6), J: [3]float64{told, told, told}}, lnJ, o.Rig * rng.NormFloat64()}
	}
	proof := func(r rig, unit int) float64 {
		// Student's t of 4 degrees of freedom has a variance of 2
		var chi float64
		for range 4 {
			n := rng.NormFloat64()
			chi += n * n
		}
		e := o.Session * rng.NormFloat64() / math.Sqrt(chi/4) / math.Sqrt2
		k := math.Exp(b0 + slope*(r.lnJ-math.Log(0.01)) + units[unit] + r.effect + e)
		return math.Max(0.1, math.Round(k/dial.Fine)*dial.Fine)
	}
	q := start.Request{Params: []start.Param{{Key: key, Kind: start.Stiffness, Axis: schema.Pan, Dial: dial}}}
	var rigs []rig
	for i := range x.proofs {
		if i == 0 || rng.Float64() < 0.7 {
			rigs = append(rigs, newRig(i))
		}
		r := rigs[rng.Intn(len(rigs))]
		if rng.Float64() < 0.7 {
			r = rigs[len(rigs)-1]
		}
		u := i % onRecord
		q.Tunes = append(q.Tunes, start.Tune{Ref: fmt.Sprint("proof", i), Rig: r.Rig, Unit: fmt.Sprint("unit", u), Values: map[string]float64{key: proof(r, u)}})
	}
	unit := 3
	if !x.fresh {
		unit = rng.Intn(onRecord)
	}
	r := newRig(x.proofs)
	if rng.Float64() < 0.3 {
		r = rigs[rng.Intn(len(rigs))]
	}
	q.Rig, q.Unit = r.Rig, fmt.Sprint("unit", unit)
	return q, proof(r, unit)
}
