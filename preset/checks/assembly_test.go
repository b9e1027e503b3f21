package checks

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"rigkeep/preset/assembly"
	"rigkeep/preset/mass"
)

// joined reads parts that sit on each other's mounts; a mount's name is unique in its part.
func (in inputs) joined() (parts []assembly.Part, solids []mass.Part) {
	turn := func(in inputs, key string) assembly.Turn { return assembly.Turn(in.vec(key).Scale(deg)) }
	for _, t := range in.tables("parts") {
		cg, centre := t.vec("cg"), t.vec("centre")
		p := assembly.Part{Slot: t.str("name"), CG: &cg, Centre: &centre, On: t.str("on"), Shift: t.vec("shift_mm").Scale(1e-3), Turn: turn(t, "turn_deg")}
		for _, name := range slices.Sorted(maps.Keys(t.table("mounts").m)) {
			m := t.table("mounts").table(name)
			p.Mounts = append(p.Mounts, assembly.Mount{Name: name, At: m.vec("at"), Turn: turn(m, "turn_deg")})
		}
		parts = append(parts, p)
		solids = append(solids, mass.Part{Name: t.str("name"), Shape: mass.Shape(t.str("shape")), Mass: t.num("mass", math.NaN()),
			Size: t.vec("size"), Radius: t.num("radius", 0), Bore: t.num("bore", 0), Length: t.num("length", 0), Axis: t.vec("axis")})
	}
	return parts, solids
}

func init() {
	register("assembly", func(in inputs) (map[string]any, error) {
		parts, solids := in.joined()
		placed, _, err := assembly.Join(parts)
		if err != nil {
			return nil, err
		}
		var rows []map[string]any
		for i, x := range placed {
			var ok bool
			if solids[i], ok = x.Solid(solids[i]); !ok {
				return nil, fmt.Errorf("%s was not placed", parts[i].Slot)
			}
			rows = append(rows, map[string]any{"name": parts[i].Slot, "seat": floats(x.Seat), "cg": floats(*x.CG), "centre": floats(*x.Centre)})
		}
		p, err := mass.Build(solids)
		return map[string]any{"mass": p.Mass, "cg": floats(p.CG), "inertia_cg": [][]float64{p.Inertia[0][:], p.Inertia[1][:], p.Inertia[2][:]}, "parts": rows,
			"cg_x": p.CG[0], "cg_y": p.CG[1], "cg_z": p.CG[2]}, err
	})
}
