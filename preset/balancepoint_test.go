package preset

import (
	"math"
	"testing"

	"rigkeep/schema"
)

// A point of the balance check is text from a sheet: whatever it says, the angles
// read from it are finite, and an axis is claimed only where it begins with one.
func FuzzBalancePoints(f *testing.F) {
	for _, s := range []string{"tilt, lens level", "tilt, lens up", "roll, lens down 30 deg", "pan, handle leaning 20 degrees", "pan, handle leaning 1e9°", "look", "tilt,", ",", "Tilt , LIMIT up", "tilt, up 999999999999999999999999 degrees"} {
		f.Add(s)
	}
	up, down := 60.0, 100.0
	f.Fuzz(func(t *testing.T, text string) {
		s := shelf()
		s.BalancePoints, s.TiltUpDeg, s.TiltDownDeg = []string{text}, &up, &down
		ps := BalancePoints(s)
		if len(ps) != 1 || ps[0].Text != text {
			t.Fatalf("%q gave %+v", text, ps)
		}
		p := ps[0]
		if math.IsNaN(p.Tilt) || math.Abs(p.Tilt) > math.Pi || p.Lean != nil && !(*p.Lean >= 0 && *p.Lean <= math.Pi) {
			t.Fatalf("%q gave %+v", text, p)
		}
		read, err := ReadEffort(s, Rig{Parts: []Part{block(0, 0, 0)}}, p, []float64{3, 1})
		if err == nil && (read.Words == "" || math.IsNaN(read.Offset.Offset) || math.IsInf(read.Offset.Offset, 0)) {
			t.Fatalf("%q read as %+v", text, read)
		}
	})
}

func TestBalancePointsByHand(t *testing.T) {
	s := shelf()
	up, down := 60.0, 100.0
	s.TiltUpDeg, s.TiltDownDeg = &up, &down
	s.BalancePoints = []string{"tilt, lens up", "tilt, down to the limit", "pan, handle leaning 20 degrees", "roll, lens up 30°", "the whole rig"}
	ps := BalancePoints(s)
	rad := math.Pi / 180
	for i, want := range []float64{math.Pi / 2, -100 * rad, 0, 30 * rad, 0} {
		if math.Abs(ps[i].Tilt-want) > 1e-12 {
			t.Errorf("%q: tilt %v, want %v", ps[i].Text, ps[i].Tilt, want)
		}
	}
	if ps[2].Lean == nil || math.Abs(*ps[2].Lean-20*rad) > 1e-12 || ps[4].HasAxis || !ps[3].HasAxis || ps[3].Axis != schema.Roll {
		t.Errorf("%+v", ps)
	}
}
