package checks

import (
	"math"

	"rigkeep/preset/mass"
)

// Group g5: inertia over the tilt range, by mass.Properties.Moments, which every
// command that needs an inertia calls. Sources stand in checks-2.toml.

func init() {
	register("least_inertia", runLeastInertia)
}

func runLeastInertia(in inputs) (map[string]any, error) {
	p := mass.Properties{Mass: in.num("mass", math.NaN()), CG: point(in.nums("cg"))}
	for i, row := range list(in.m["inertia"]) {
		for j, v := range list(row) {
			p.Inertia[i][j] = number(v)
		}
	}
	pan, roll := pair(in.nums("pan_at")), pair(in.nums("roll_at"))
	fixed := in.table("fixed")
	head := mass.Head{
		Pan:  mass.Joint{Axis: mass.Line{Point: mass.Vec{pan[0], pan[1], 0}, Dir: mass.Vec{0, 0, 1}}, Own: fixed.num("pan", 0)},
		Roll: mass.Joint{Axis: mass.Line{Point: mass.Vec{0, roll[0], roll[1]}, Dir: mass.Vec{1, 0, 0}}, Own: fixed.num("roll", 0)},
		Tilt: mass.Joint{Axis: mass.Line{Dir: mass.Vec{0, 1, 0}}},
	}
	deg := in.nums("range_deg")
	m, err := p.Moments(head, deg[0]*math.Pi/180, deg[1]*math.Pi/180)
	if err != nil {
		return nil, err
	}
	axis := func(m mass.Moment) map[string]any {
		out := map[string]any{"flat": m.Flat(), "level": m.Level, "least": m.Min, "greatest": m.Max}
		if !m.Flat() {
			out["least_at_deg"], out["greatest_at_deg"] = m.MinAt*180/math.Pi, m.MaxAt*180/math.Pi
		}
		return out
	}
	return map[string]any{"pan": axis(m.Pan), "roll": axis(m.Roll), "tilt": m.Tilt.Level}, nil
}

func point(v []float64) (out mass.Vec) {
	copy(out[:], v)
	return out
}

func pair(v []float64) (out [2]float64) {
	copy(out[:], v)
	return out
}
