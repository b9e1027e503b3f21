package preset

import (
	"math"
	"strings"
	"testing"

	"rigkeep/preset/balance"
	"rigkeep/schema"
)

func shelf() *schema.Sheet {
	s := stand(true)
	s.GoodPct, s.WorkablePct, s.EffortSign = 1, 4, 1
	s.BalancePoints = []string{"tilt, lens level", "roll, lens level", "pan, handle leaning 30 degrees"}
	for a := range s.Axes {
		s.Axes[a].Torque, s.Axes[a].TorqueConstant, s.Axes[a].Winding, s.Axes[a].Integral = 2, 0.5, 4, 0
	}
	return s
}

// Everything by hand. 3 % of 2 N·m is 0.06 N·m: 3.06 mm at 2 kg, 0.12 A at 0.5 N·m/A,
// 0.0576 W in 4 Ω; at dial 50, 100.5 N·m/rad, it turns the axis by 0.0342°.
// Source: statics, T = Kt I, I² R and T/K, as package balance.
func TestHoldingByHand(t *testing.T) {
	r, tune := Rig{Parts: []Part{block(0, 0, 0)}}, tuneAt(50)
	held, err := Hold(schema.Default(), shelf(), r, &tune, map[schema.Axis][]float64{schema.Tilt: {-5, -1}, schema.Pan: {2}})
	if err != nil || len(held) != 2 || held[0].Axis != "pan" || held[1].Axis != "tilt" {
		t.Fatalf("%+v, %v", held, err)
	}
	near := func(what string, got *float64, want float64) {
		t.Helper()
		if got == nil || math.Abs(*got-want) > 1e-9 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	h := held[1]
	near("effort", &h.EffortPct, -3)
	near("torque", h.Torque, -0.06)
	near("friction, half the difference", h.Friction, 0.04)
	near("offset", h.OffsetM, -0.06/(2*9.80665))
	near("current", h.Current, 0.12)
	near("heat", h.Heat, 0.12*0.12*4)
	near("standing angle", h.StandingDeg, 0.06/100.5*180/math.Pi)
	if h.Verdict != balance.Workable || !strings.Contains(h.Words, "3.1 mm forward of the axis, move the build back") || !strings.Contains(h.Words, "friction 2.0 %") {
		t.Errorf("%+v", h)
	}
	if held[0].Friction != nil {
		t.Error("friction from one reading")
	}
	near("pan offset at 30° of lean", held[0].OffsetM, 0.04/(2*9.80665*0.5))

	// two motors' heat add up; 2 % of 2 N·m is 0.08 A, 0.0256 W
	d, unknown, err := HoldingDraw(shelf(), held, balance.Battery{Energy: 98 * 3600})
	if err != nil || unknown != nil || math.Abs(d.Power-0.0832) > 1e-9 || math.Abs(d.Share-0.0832/98) > 1e-12 {
		t.Errorf("%+v %v %v", d, unknown, err)
	}
}

// What the sheet does not say stays unsaid; its own thresholds count.
func TestHoldingNeedsTheSheet(t *testing.T) {
	s := shelf()
	s.Axes[schema.Tilt].Winding, s.WorkablePct, s.EffortSign = 0, 2.5, 0
	d := s.Dials["stiffness.tilt"]
	d.Map = nil
	s.Dials["stiffness.tilt"] = d
	r, tune := Rig{Parts: []Part{block(0.004, 0, 0)}}, tuneAt(50)
	efforts := map[schema.Axis][]float64{schema.Tilt: {3}}
	held, err := Hold(schema.Default(), s, r, &tune, efforts)
	if err != nil {
		t.Fatal(err)
	}
	h := held[0]
	if h.Current != nil || h.Heat != nil || h.StandingDeg != nil || h.Verdict != balance.Rebalance {
		t.Errorf("%+v", h)
	}
	if !strings.Contains(h.Words, "side unknown (try one side and read again)") {
		t.Error(h.Words)
	}
	if draw, unknown, err := HoldingDraw(s, held, balance.Battery{}); err != nil || draw.Power != 0 || len(unknown) != 1 || unknown[0] != "tilt" {
		t.Errorf("%+v %v %v", draw, unknown, err)
	}
	// with an integral term nothing stands; without a tune nothing is known of it
	s = shelf()
	for a := range s.Axes {
		s.Axes[a].Integral = 0.5
	}
	held, err = Hold(schema.Default(), s, r, &tune, efforts)
	if err != nil || held[0].StandingDeg == nil || *held[0].StandingDeg != 0 {
		t.Errorf("%+v %v", held, err)
	}
	if held, err = Hold(schema.Default(), s, r, nil, efforts); err != nil || held[0].StandingDeg != nil {
		t.Errorf("%+v %v", held, err)
	}
	if _, err = Hold(schema.Default(), s, r, nil, map[schema.Axis][]float64{schema.Tilt: {1, 2, 3}}); err == nil {
		t.Error("three readings are accepted")
	}
}

// Without the torque of a motor an effort is judged, and nothing is made of the torque.
func TestHoldWithoutTorque(t *testing.T) {
	s := shelf()
	s.Axes[schema.Tilt].Torque = 0
	held, err := Hold(schema.Default(), s, Rig{Parts: []Part{block(0.04, 0, 0)}}, nil, map[schema.Axis][]float64{schema.Tilt: {6, 3}})
	if err != nil || len(held) != 1 {
		t.Fatalf("%+v %v", held, err)
	}
	h := held[0]
	if h.Verdict != balance.Rebalance || h.Torque != nil || h.OffsetM != nil || h.Friction != nil || !strings.Contains(h.Words, "unknown: needs the tilt motor's torque (torque_nm)") {
		t.Errorf("%+v", h)
	}
}
