package balance

import (
	"fmt"
	"math"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// directions of the motor axes with the head at home.
var directions = [...]mass.Vec{schema.Pan: {0, 0, 1}, schema.Roll: {1, 0, 0}, schema.Tilt: {0, 1, 0}}

// Reading is what one axis reported at rest, read as balance.
type Reading struct {
	Axis    schema.Axis
	Effort  float64 // %, that gravity accounts for
	Verdict Verdict
	// Known says that the effort tells an offset; an upright pan axis does not.
	Known  bool
	Offset Offset
	Side   mass.Vec // m, where the centre of gravity lies off the axis; zero if the sign is unknown
	Words  string   // for a technician: where it lies and which way to move the build
}

// NeedsTorque is an answer that needs a motor's torque, and how to get that with a scale
// and the effort on the controller's screen.
//
// Source: statics, effort = m g d / torque; 10 mm and percent leave 9.81 m, and a handle
// that leans 30° half of it. A test works it out the other way.
func NeedsTorque(axis schema.Axis) *domain.Unknown {
	u := &domain.Unknown{Needs: fmt.Sprintf("the %s motor's torque", axis), Key: "torque_nm",
		Do: "slide the balanced build 10 mm off and read the effort; 9.81 × its mass in kg ÷ percent is the torque in Nm"}
	if axis == schema.Pan {
		u.Do = "lean the handle 30°, slide the balanced build 10 mm off and read the effort; 4.9 × its mass in kg ÷ percent is the torque in Nm"
	}
	return u
}

// ReadAtAttitude is Read with the camera turned: gravity is the direction in which
// things fall, in the camera's own frame (Down with the lens level, 0 0 -1; with
// the lens straight up -1 0 0, which reads the height of the centre of gravity).
//
// Errors: as Read.
//
// Source: as Read.
func ReadAtAttitude(axis schema.Axis, a Axis, efforts []float64, sign Sign, th Thresholds, gravity mass.Vec) (Reading, error) {
	c := domain.Checker{Model: model}
	c.That(len(efforts) == 1 || len(efforts) == 2, "number of effort readings", float64(len(efforts)), "one, or two from either side", "")
	c.That(axis >= schema.Pan && axis <= schema.Roll, "axis", float64(axis), "pan, tilt or roll", "")
	if err := c.Err(); err != nil {
		return Reading{}, err
	}
	one, other := efforts[0], efforts[len(efforts)-1]
	r := Reading{Axis: axis, Effort: one/2 + other/2}
	var err error
	if r.Verdict, err = th.Judge(r.Effort); err != nil {
		return Reading{}, err
	}
	r.Words = fmt.Sprintf("%s holds %.1f %% (%s)", axis, r.Effort, r.Verdict)
	if axis == schema.Pan && math.Abs(a.Incline) > uprightFrom {
		r.Words += ": an upright pan axis carries no weight, so this is friction, a cable or a leaning stand"
		return r, nil
	}
	if a.Full == 0 {
		r.Words += ": how far it is off is " + NeedsTorque(axis).Error()
		return r, nil
	}
	if r.Offset, err = FromPair(a, one, other); err != nil {
		return Reading{}, err
	}
	r.Known = true
	if len(efforts) == 2 {
		r.Words += fmt.Sprintf(", friction %.1f %%", math.Abs(one/2-other/2))
	}
	d := math.Abs(r.Offset.Offset)
	side, ok := Where(directions[axis], gravity, r.Effort, sign)
	switch {
	case d < 5e-5:
		r.Words += ": within 0.1 mm"
	case ok:
		r.Side = side.Scale(d)
		lies, slide := words(side)
		r.Words += fmt.Sprintf(": %s mm %s the axis, move the build %s", schema.Decimals(d*1000, 1), lies, slide)
	default:
		r.Words += fmt.Sprintf(": %s mm off the axis, side unknown (try one side and read again)", schema.Decimals(d*1000, 1))
	}
	return r, nil
}

// words names the direction that a side lies nearest to, as in "left of", and the
// one against it.
func words(side mass.Vec) (lies, slide string) {
	i := 0
	for j := range side {
		if math.Abs(side[j]) > math.Abs(side[i]) {
			i = j
		}
	}
	k := 0
	if side[i] < 0 {
		k = 1
	}
	lies, slide = mass.Sides[i][k]+" of", mass.Sides[i][1-k]
	if i == 2 {
		lies = [...]string{"above", "below"}[k]
	}
	return lies, slide
}
