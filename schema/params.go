package schema

// groups are in the order in which a technician works through them: balance
// comes before any of them, stiffness before filters (common practice, no source).
var groups = []Group{
	{"stiffness", "Stiffness", "How hard each motor resists a turn away from where the head should point. Raised axis by axis, from below, after the rig is balanced."},
	{"filters", "Filters", "Low-pass filters in the control loop. They quiet noise and vibration and pay for it in delay, so they come after balance and stiffness."},
	{"limits", "Limits", "How far the head may tilt, so that it stays clear of its own parts and the shot stays clear of the gimbal."},
	{"horizon", "Horizon", "A standing correction of level."},
	{"follow", "Follow styles", "How the head follows the operator for a kind of shot: a dead band in which it ignores the operator, and a lag with which it catches up."},
}

const unitStiffness = "Nm/rad"

// params is the catalogue of a tune. The physics is that of the loop
// (K + D s)/(J s² + b s) with two low-pass filters and a delay, and of a dead
// band followed by a lag; what it looks like in the hand is common practice, no
// source.
func params() []Param {
	ps := []Param{
		filterSensing(), filterDrive(),
		tiltLimit("up", 30, 45),
		tiltLimit("down", 31, 60),
		horizonOffset(),
	}
	for i, a := range Axes {
		ps = append(ps, stiffness(a, 10+i), deadBand(a, 50+i), lag(a, 60+i))
	}
	return ps
}

// stiffness of one motor: the K of the loop.
func stiffness(a Axis, order int) Param {
	n := a.String()
	does := map[Axis]string{
		Pan:  "Pan turns the whole head, so on most builds it carries the most inertia and takes the highest stiffness; it is worked first. With the handle upright gravity does not load it: a pan imbalance shows only when the handle leans or the operator accelerates.",
		Roll: "Roll turns the head about the lens axis and holds the horizon. A long lens adds little inertia to it; side-mounted batteries and monitors add much.",
		Tilt: "Tilt carries the least of the gimbal and the most of the lens, so it is the axis that a change of lens changes. Gravity loads its imbalance at every moment, and differently at each tilt.",
	}
	tooMuch := map[Axis]string{
		Pan:  "A fast side-to-side shake or a hum from the pan motor, at rest or when the handle is tapped, strongest in long-lens verticals; it may come only with the lens tilted steeply, where pan inertia is least. Hot motor, short battery life.",
		Roll: "A fine, fast tremble of the horizon: the corners of the frame shimmer while the centre stands still. A hum from the roll motor when the handle is tapped; hot motor, short battery life.",
		Tilt: "A fast up-and-down shake or a hum from the tilt motor, at rest or when the lens is tapped; it may come with a light lens at a value that a heavy lens took. Hot motor, short battery life.",
	}
	tooLittle := map[Axis]string{
		Pan:  "Aim wanders left and right in wind and at a run; after a fast turn the head swings past and comes back slowly.",
		Roll: "The horizon rocks after each footfall and leans when the operator turns a corner or starts off sideways.",
		Tilt: "The lens nods with each footfall, sags as it is tilted away from level, and shifts when a zoom or focus motor moves its mass.",
	}
	with := []Interaction{
		{"filters.sensing", "A heavier sensing filter adds lag to the loop and lowers the stiffness at which this axis starts to oscillate."},
		{"filters.drive", "A heavier drive filter does the same; the lags of both add up."},
	}
	switch a {
	case Pan:
		with = append(with,
			Interaction{"limits.tilt.up_deg", "A long build tilted up has less inertia about pan: a stiffness that is clean at level must be clean at this limit too."},
			Interaction{"limits.tilt.down_deg", "The same holds at the limit down."})
	case Roll:
		with = append(with, Interaction{"horizon.offset_deg", "A roll imbalance leaves a standing lean of torque over stiffness; an offset that hides it is wrong again at the next stiffness."})
	case Tilt:
		with = append(with,
			Interaction{"limits.tilt.up_deg", "The resting load of an imbalance changes with tilt: try the stiffness at this limit."},
			Interaction{"limits.tilt.down_deg", "Try it at the limit down as well."})
	}
	return Param{
		Field: Field{Path: "stiffness." + n, Type: Float, Doc: "Stiffness of the " + n + " motor, in the dial numbers of this gimbal.", Example: 20.0},
		Name:  "stiffness, " + n, Group: "stiffness", Axis: n, Order: order,
		Dial: "stiffness." + n, SI: map[string]int{unitStiffness: 1}, Up: "stiffer", Down: "softer",
		Step: 1, Coarse: 5,
		Does:      "The torque with which the " + n + " motor answers each degree of error. At equal stiffness twice the inertia answers more slowly, by a factor of about 1.4; to answer as quickly, stiffness has to grow with inertia. " + does[a],
		Raise:     "A stiffer axis holds the head harder against bumps, wind and acceleration; twice the stiffness halves the standing error of a resting imbalance. The margin to oscillation shrinks. On some gimbals the dial raises damping with stiffness, on others stiffness alone: on one and the same axis the two begin to oscillate at stiffnesses a factor of about two apart, and at another frequency. The gimbal sheet says which (loop.raise).",
		Lower:     "A softer axis gives more under load, drifts and wobbles, and comes back to rest more slowly. The margin to oscillation grows.",
		TooMuch:   tooMuch[a],
		TooLittle: tooLittle[a],
		Cautions: []string{
			"Begin low and keep a hand near the motor cut-off while raising it: an axis that oscillates can throw a loose part and pinch fingers. The maker's manual and qualified crew come first.",
			"Balance first: stiffness hides an imbalance, it does not cure it.",
			"A lighter build on the same value is nearer to oscillation, not further from it.",
		},
		With:         with,
		Significance: Significance{Notable: 0.6, Major: 2},
	}
}

// filter is what both filters of the loop share: they lie in series, so what
// they cost is the sum of their lags.
func filter(key, name, doc string, order int) Param {
	return Param{
		Field: Field{Path: "filters." + key, Type: Float, Doc: doc + ", in the dial numbers of this gimbal.", Example: 2.0},
		Name:  name, Group: "filters", Order: order,
		Dial: "filters." + key, SI: map[string]int{"Hz": -1, "s": 1}, Up: "heavier", Down: "lighter",
		Step: 1, Coarse: 1,
		Cautions: []string{
			"Touch filters only after balance and stiffness (common practice, no source), one step at a time.",
			"After making it heavier, look for the onset again on every axis, from below: a stiffness that was clean may not be any more.",
		},
		Significance: Significance{Notable: 1, Major: 2},
	}
}

// lagCost is what a filter costs each axis.
func lagCost(other, name string) []Interaction {
	return []Interaction{
		{"stiffness.pan", "The filter's lag takes phase margin from the pan loop: the heavier it is, the less stiffness pan takes."},
		{"stiffness.roll", "The same holds for roll."},
		{"stiffness.tilt", "The same holds for tilt; the quickest axis, with the least inertia, feels it first."},
		{"filters." + other, "The two lie in series and their lags add up: a step heavier here can be paid for with a step lighter on the " + name + "."},
	}
}

func filterSensing() Param {
	p := filter("sensing", "sensing filter", "Low-pass filter on the motion sensor", 20)
	p.Does = "A low-pass filter on the motion sensor's signal before the controller acts on it. Above its cutoff it takes out the sensor's own noise and what the frame's vibration puts on the sensor; below, it passes the motion a little late."
	p.Raise = "A heavier filter keeps more sensor noise and frame vibration from the controller, which learns of real motion later: each axis starts to oscillate, slowly and smoothly, at a lower stiffness."
	p.Lower = "With a lighter filter the controller learns of motion sooner and each axis takes more stiffness; it also answers noise as if it were motion."
	p.TooMuch = "A slow, smooth sway that a softer setting cures, or an axis that takes noticeably less stiffness than before; the head meets each bump late."
	p.TooLittle = "A steady hiss from all motors with the rig at rest on the stand, louder with stiffness, with a fine, rough grain in the picture; warm motors."
	p.With = lagCost("drive", "drive filter")
	return p
}

func filterDrive() Param {
	p := filter("drive", "drive filter", "Low-pass filter on the motor command", 21)
	p.Does = "A low-pass filter on the torque command before it reaches the motors. Above its cutoff it keeps the motors from exciting what rings on the build, such as a monitor arm, a matte box or a long lens, and from sounding out what noise is left."
	p.Raise = "Through a heavier filter torque comes on more gently and fast buzz dies out; it comes later as well, so each axis starts to oscillate, slowly and smoothly, at a lower stiffness."
	p.Lower = "Through a lighter filter torque comes at once and each axis takes more stiffness; a part that rings is driven harder."
	p.TooMuch = "A slow, smooth sway that a softer setting cures, or an axis that takes noticeably less stiffness than before."
	p.TooLittle = "A fast, rough buzz with one part of the build in it: holding that part or moving it changes the note, and lowering the stiffness a little does not end it."
	p.With = lagCost("sensing", "sensing filter")
	return p
}

func tiltLimit(word string, order int, example float64) Param {
	frame := map[string]string{"up": "the handle, the pan motor above the head or the operator's hands", "down": "the lower ring, the feet or the operator's own shoes"}[word]
	ground := map[string]string{"up": "a rear part of the build, such as a battery, swings down toward the gimbal", "down": "the front of the lens swings down toward the gimbal and the ground"}[word]
	other := map[string]string{"up": "down", "down": "up"}[word]
	return Param{
		Field: Field{Path: "limits.tilt." + word + "_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "How far the head may tilt " + word + " from level, in degrees.", Example: example},
		Name:  "tilt limit " + word, Group: "limits", Axis: "tilt", Order: order,
		Up: "wider", Down: "tighter", Step: 1, Coarse: 5,
		Does:      "The head stops following past this angle, " + word + "wards from level. As it goes there, " + ground + ".",
		Raise:     "A wider limit lets more of the " + word + "ward range be framed; nearer the end, " + frame + " may come into a wide frame.",
		Lower:     "A tighter limit keeps " + frame + " out of frame and the build clear of the gimbal; the operator meets the stop sooner.",
		TooMuch:   "At the end of a tilt " + word + ", " + frame + " in a wide frame, or the build striking the gimbal.",
		TooLittle: "A tilt " + word + " that stops before the shot does, with a visible catch at the stop.",
		Cautions: []string{
			"Find the limit by hand with the motors off: a powered head driven against its frame can pinch fingers and break a lens.",
			"Find it again after a change of lens, matte box or rear part.",
		},
		With: []Interaction{
			{"limits.tilt." + other + "_deg", "Together they are the range over which stiffness and balance have to hold."},
			{"stiffness.pan", "Inertia about pan changes with tilt; a wider limit can uncover an oscillation there."},
			{"follow.*.lag.tilt", "A smooth style reaches the stop gently, a quick one with a catch."},
		},
		Significance: Significance{Notable: 1, Major: 3},
	}
}

func horizonOffset() Param {
	return Param{
		Field: Field{Path: "horizon.offset_deg", Type: Float, Unit: "°", Min: At(-45), Max: At(45), Doc: "A standing correction of level, about roll; positive lowers the right side of the head, so that the horizon in the picture climbs to the right.", Example: 0.0},
		Name:  "horizon offset", Group: "horizon", Axis: "roll", Order: 40,
		Up: "right side down", Down: "left side down", Default: 0.0, Step: 0.1, Coarse: 0.5,
		Does:      "Turns what the head holds as level by this angle about the lens axis.",
		Raise:     "The head leans right side down, and the horizon in the picture climbs to the right.",
		Lower:     "The head leans left side down, and the horizon in the picture climbs to the left.",
		TooMuch:   "On level ground the horizon climbs to the right.",
		TooLittle: "On level ground the horizon climbs to the left.",
		Cautions:  []string{"Zero unless there is a reason: an offset left from another day is found on the first wide shot."},
		With: []Interaction{
			{"stiffness.roll", "A lean from a roll imbalance shrinks as stiffness rises: balance first, then level."},
			{"follow.*.deadband.roll", "A style that follows in roll leans with the handle; judge the offset with the handle level."},
		},
		Significance: Significance{Notable: 0.4, Major: 2},
	}
}

// dead band of one axis: half of the dead band on the operator's heading.
func deadBand(a Axis, order int) Param {
	n := a.String()
	p := Param{
		Field: Field{Path: "follow.*.deadband." + n, Type: Float, Doc: "Dead band on the operator's " + n + " for this style, to each side, in the dial numbers of this gimbal.", Example: 6.0},
		Name:  "dead band, " + n, Group: "follow", Axis: n, Order: order,
		Dial: "follow.deadband." + n, SI: map[string]int{"deg": 1}, Up: "wider", Down: "narrower", Step: 1, Coarse: 2,
		Does: "The head does not answer until the operator's " + n + " has left this dead band around where the head points, to either side. ",
		With: []Interaction{
			{"follow.*.lag." + n, "In a steady turn the head trails by the dead band plus the rate times the lag; the two trade against each other."},
		},
		Significance: Significance{Notable: 1, Major: 3},
	}
	switch a {
	case Pan:
		p.Does += "A turn starts late by the dead band over the rate of the turn."
		p.Raise = "A wider dead band lets the swing of a walk and unsteady hands pass without a move of the picture; a turn starts later and the head stays further behind."
		p.Lower = "With a narrower dead band the head starts with the operator, at the price of a stiffer look: small, unmeant turns show."
		p.TooMuch = "The operator has turned and the picture has not; then it sets off with a catch, with the subject already at the edge of frame."
		p.TooLittle = "The picture swings left and right with each step."
		p.Cautions = []string{"A dead band narrower than the operator's sway lets the sway through."}
	case Roll:
		p.Does += "Most styles leave roll out, and the horizon stays level whatever the handle does."
		p.Raise = "A wider dead band lets the handle lean further before the horizon leans with it."
		p.Lower = "With a narrower dead band the horizon leans almost as soon as the handle does."
		p.TooMuch = "A lean that was meant comes late and with a catch."
		p.TooLittle = "The horizon rocks with the operator's hands."
		p.Cautions = []string{"A horizon that follows the handle leans with every unmeant lean: leave roll out of a style unless the shot asks for it."}
		p.With = append(p.With, Interaction{"horizon.offset_deg", "The offset is what counts as level inside this dead band."})
	case Tilt:
		p.Does += "A tilt starts late by the dead band over its rate."
		p.Raise = "A wider dead band lets breathing, steps and a tired arm pass without a nod of the picture; a tilt starts later and the head stays further behind."
		p.Lower = "With a narrower dead band the head tilts with the operator, at the price of a stiffer look: small, unmeant tilts show."
		p.TooMuch = "On stairs or a tilt up a wall the picture stays behind, then sets off with a catch; headroom is lost first."
		p.TooLittle = "The picture nods with each footfall and breath."
		p.Cautions = []string{"A dead band narrower than the operator's sway lets the sway through."}
		p.With = append(p.With, Interaction{"limits.tilt.down_deg", "The head trails by at least the dead band, so it meets its limit later than the handle does."})
	}
	return p
}

// lag of one axis: the lag with which the head closes the gap.
func lag(a Axis, order int) Param {
	n := a.String()
	p := Param{
		Field: Field{Path: "follow.*.lag." + n, Type: Float, Doc: "Lag with which the head follows the operator's " + n + " for this style, in the dial numbers of this gimbal.", Example: 30.0},
		Name:  "lag, " + n, Group: "follow", Axis: n, Order: order,
		Dial: "follow.lag." + n, SI: map[string]int{"s": 1}, Up: "longer", Down: "shorter", Step: 1, Coarse: 5,
		Does: "Once the dead band is left, the head closes the gap over this time rather than at once: after one such time about two thirds of it, after three nearly all, for a first-order lag. ",
		With: []Interaction{
			{"follow.*.deadband." + n, "In a steady turn the head trails by the dead band plus the rate times the lag; the two trade against each other."},
		},
		Cautions:     []string{"Wide and long for slow moves; narrow and short when the subject may turn at any moment (common practice, no source)."},
		Significance: Significance{Notable: 1, Major: 3},
	}
	switch a {
	case Pan:
		p.Does += "It also lets less of a quick sway through than of a slow one."
		p.Raise = "With a longer lag turns start and end softly. In a steady turn the head trails further behind, and it settles later."
		p.Lower = "With a shorter lag the head keeps up with a sudden turn, and starts and stops show more."
		p.TooMuch = "The subject slides out of frame on a turn, and the picture goes on turning after the operator has stopped."
		p.TooLittle = "Each start and stop of a turn shows as a jerk; steps show as a twitch."
	case Roll:
		p.Does += "It matters only in a style that follows in roll."
		p.Raise = "With a longer lag a lean of the horizon comes and goes gently, and stays longer."
		p.Lower = "With a shorter lag the horizon leans and comes back with the handle."
		p.TooMuch = "The horizon is still leaning when the handle has long been level."
		p.TooLittle = "The horizon jerks as the handle leans."
		p.With = append(p.With, Interaction{"horizon.offset_deg", "Level, offset included, is what the head comes back to."})
	case Tilt:
		p.Does += "It also lets less of a quick nod through than of a slow one."
		p.Raise = "With a longer lag tilts start and end softly. On stairs the head trails further behind, and it settles later."
		p.Lower = "With a shorter lag the head keeps up with a subject that sits or rises, and starts and stops show more."
		p.TooMuch = "Headroom is lost while a subject rises, and the picture goes on tilting after the operator has stopped."
		p.TooLittle = "Each start and stop of a tilt shows as a jerk; footfalls show as a nod."
		p.With = append(p.With, Interaction{"limits.tilt.up_deg", "With more lag the head reaches its limit later and more gently."})
	}
	return p
}
