package checks

import (
	"fmt"
	"math"

	"rigkeep/preset/balance"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
)

func init() {
	nan := math.NaN()
	gravity := func(in inputs) float64 { return in.num("g", unit.StandardGravity) }

	register("holding_torque", func(in inputs) (map[string]any, error) {
		down := balance.Down
		if _, ok := in.m["gravity_dir"]; ok {
			down = in.vec("gravity_dir")
		}
		t, err := balance.GravityTorque(in.num("mass", nan), in.vec("cg"), mass.Line{Point: in.vec("axis_point"), Dir: in.vec("axis_dir")}, down, gravity(in))
		if err != nil {
			return nil, err
		}
		out := map[string]any{"gravity_torque": t, "hold_torque": -t}
		if _, ok := in.m["torque_at_full"]; ok {
			if out["effort_pct"], err = balance.Effort(-t, in.num("torque_at_full", nan)); err != nil {
				return nil, err
			}
		}
		return out, nil
	})
	register("offset_from_effort", func(in inputs) (map[string]any, error) {
		a := balance.Axis{Mass: in.num("mass", nan), Full: in.num("torque_at_full", nan), Incline: in.num("axis_incline_deg", 0) * deg, Gravity: gravity(in)}
		var o balance.Offset
		var err error
		switch e := in.nums("effort_pct"); len(e) {
		case 0:
			o, err = balance.FromEffort(a, in.num("effort_pct", nan))
		case 2:
			o, err = balance.FromPair(a, e[0], e[1])
		default:
			err = fmt.Errorf("%d efforts, want one or two", len(e))
		}
		return map[string]any{"torque": o.Torque, "friction_torque": o.Friction, "offset": o.Offset}, err
	})
	register("offset_from_sweep", func(in inputs) (map[string]any, error) {
		angles := in.nums("angles_deg")
		for i := range angles {
			angles[i] *= deg
		}
		noBias, _ := in.m["no_bias"].(bool)
		f, err := balance.FromSweep(in.num("mass", nan), angles, in.nums("hold_torque"), balance.SweepOptions{NoBias: noBias, Gravity: gravity(in)})
		out := map[string]any{"x": f.X, "z": f.Z, "offset": f.Offset, "residual_rms": f.Residual}
		if !noBias {
			out["bias"] = f.Bias
		}
		return out, err
	})
	register("gravity_stiffness", func(in inputs) (map[string]any, error) {
		h, err := balance.GravityStiffnessTurned(mass.Properties{Mass: in.num("mass", nan), CG: in.vec("cg")}, mass.Line{Point: in.vec("axis_point"), Dir: in.vec("axis_dir")}, mass.Line{Dir: mass.Vec{0, 1, 0}})
		return map[string]any{"k": h.At(in.num("tilt_deg", nan) * deg)}, err
	})
	register("added_draw", func(in inputs) (map[string]any, error) {
		kt, r := in.nums("kt"), in.nums("resistance")
		var motors []balance.Motor
		for i := range kt {
			motors = append(motors, balance.Motor{Constant: kt[i], Resistance: r[i]})
		}
		d, err := balance.AddedDraw(in.nums("torque"), motors, balance.Battery{Voltage: in.num("voltage", 0), Energy: in.num("energy_wh", 0) * unit.Hour, Efficiency: in.num("efficiency", 0)})
		return map[string]any{"power_w": d.Power, "current_a": d.Current}, err
	})
	register("motor_current", func(in inputs) (map[string]any, error) {
		t, loss, err := balance.Motor{Constant: in.num("kt", nan), Resistance: in.num("resistance", nan)}.AtCurrent(in.num("current", nan))
		if err != nil {
			return nil, err
		}
		o, err := balance.FromTorque(balance.Axis{Mass: in.num("mass", nan), Gravity: gravity(in)}, t)
		return map[string]any{"torque": t, "loss_w": loss, "offset": o}, err
	})
	register("droop", func(in inputs) (map[string]any, error) {
		a, err := balance.Droop(in.num("torque", nan), in.num("K", nan))
		return map[string]any{"angle_deg": a / deg}, err
	})
	register("constants", func(inputs) (map[string]any, error) {
		return map[string]any{
			"ozf_in": unit.OzfIn, "kgf_cm": unit.KgfCm, "lbf_in": unit.LbfIn, "rad_deg": 1 / unit.Degree,
			"lb": unit.Pound, "oz": unit.Ounce, "in": unit.Inch, "ft": unit.Foot, "g": unit.StandardGravity,
		}, nil
	})
}
