package schema

// groups are in the order in which a technician works through them: balance
// comes before any of them, stiffness before filters (common practice, no source).
var groups = []Group{
	{"stiffness", "Stiffness", "Motor torque per degree of pointing error. Set it after balancing, one axis at a time, starting low."},
	{"filters", "Filters", "Low-pass filters in the control loop. They reduce noise and add delay, so adjust them after balance and stiffness."},
	{"limits", "Limits", "Tilt range in which nothing touches and nothing of the gimbal is in view."},
	{"horizon", "Horizon", "Fixed level correction."},
	{"follow", "Follow styles", "How the head follows the operator, per type of shot: a dead band it does not react to, and a lag with which it catches up."},
}

const unitStiffness = "Nm/rad"

// params is the catalogue of a tune. The physics is that of the loop
// (K + D s)/(J s² + b s) with two low-pass filters and a delay, and of a dead
// band followed by a lag; what it looks like handheld is common practice, no
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
		Pan:  "Pan turns the whole head, so it usually has the most inertia and takes the highest stiffness. Gravity loads it only when the handle leans, so check pan balance with the handle leaning.",
		Roll: "Roll turns the head about the lens axis and holds the horizon. A long lens adds little inertia to it; side-mounted batteries and monitors add much.",
		Tilt: "Tilt carries little of the gimbal and most of the lens, so a lens change affects tilt most. Gravity always loads its imbalance, differently at each angle.",
	}
	tooMuch := map[Axis]string{
		Pan:  "Sideways chatter or a humming pan motor, sometimes only at steep tilt; hot motor.",
		Roll: "Chatter of the horizon: the corners of the frame shimmer, the centre stands still; hot motor.",
		Tilt: "Up-and-down chatter, a hum when the lens is tapped, hot motor.",
	}
	tooLittle := map[Axis]string{
		Pan:  "Aim wanders in wind or at a run; after a fast turn the head overshoots and returns slowly.",
		Roll: "Horizon rocks after each step and leans when the operator turns a corner.",
		Tilt: "Lens nods with each step, sags away from level.",
	}
	with := []Interaction{
		{"filters.sensing", "A heavier sensing filter adds delay and lowers this axis's onset."},
		{"filters.drive", "A heavier drive filter does the same; the delays add."},
	}
	switch a {
	case Pan:
		with = append(with,
			Interaction{"limits.tilt.up_deg", "A long build tilted up has less inertia about pan: a stiffness that is clean at level must be clean at this limit too."},
			Interaction{"limits.tilt.down_deg", "The same holds at the limit down."})
	case Roll:
		with = append(with, Interaction{"horizon.offset_deg", "A roll imbalance causes a constant lean that changes with stiffness. Balance it; do not hide it with an offset."})
	case Tilt:
		with = append(with,
			Interaction{"limits.tilt.up_deg", "Imbalance load changes with tilt: test the stiffness at this limit."},
			Interaction{"limits.tilt.down_deg", "Try it at the limit down as well."})
	}
	return Param{
		Field: Field{Path: "stiffness." + n, Type: Float, Doc: "Stiffness of the " + n + " motor (dial number).", Example: 20.0},
		Name:  "stiffness, " + n, Group: "stiffness", Axis: n, Order: order,
		Dial: "stiffness." + n, SI: map[string]int{unitStiffness: 1}, Up: "stiffer", Down: "softer",
		Step: 1, Coarse: 5,
		Does:      "Motor torque per degree of pointing error on " + n + ". Twice the inertia needs twice the stiffness to respond as fast. " + does[a],
		Raise:     "Holds harder against bumps, wind and acceleration; less margin to oscillation.",
		Lower:     "Yields more under load and wanders; more margin to oscillation.",
		TooMuch:   tooMuch[a],
		TooLittle: tooLittle[a],
		Cautions: []string{
			"Start low and keep a hand at the motor switch: an oscillating axis can throw a loose part and pinch fingers. The maker's manual and qualified crew come first.",
			"Balance first: stiffness hides an imbalance, it does not fix it.",
			"On the same value a lighter build is closer to oscillation, not further away.",
		},
		With:         with,
		Significance: Significance{Notable: 0.6, Major: 2},
	}
}

// filter is what both filters of the loop share: they lie in series, so what
// they cost is the sum of their delays.
func filter(key, name, doc string, order int) Param {
	return Param{
		Field: Field{Path: "filters." + key, Type: Float, Doc: doc + " (dial number).", Example: 2.0},
		Name:  name, Group: "filters", Order: order,
		Dial: "filters." + key, SI: map[string]int{"Hz": -1, "s": 1}, Up: "heavier", Down: "lighter",
		Step: 1, Coarse: 1,
		Cautions: []string{
			"Adjust filters only after balance and stiffness, one step at a time (common practice).",
			"After a heavier setting, work up to the onset again on every axis: a stiffness that was clean may now oscillate.",
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
	p.Does = "Removes sensor noise and frame vibration above its cutoff and delays the rest slightly."
	p.Raise = "With a heavier filter less noise reaches the motors, but later: each axis starts to rock at a lower stiffness."
	p.Lower = "Less delay, so each axis takes more stiffness; more noise reaches the motors."
	p.TooMuch = "Rocking that a softer setting stops, or an axis that takes clearly less stiffness than before."
	p.TooLittle = "Steady hiss from all motors at rest, louder with stiffness; fine grain of movement in the picture; warm motors."
	p.With = lagCost("drive", "drive filter")
	return p
}

func filterDrive() Param {
	p := filter("drive", "drive filter", "Low-pass filter on the motor command", 21)
	p.Does = "A low-pass filter on the torque command before it reaches the motors. Above its cutoff it keeps the motors from exciting what rings on the build, such as a monitor arm, a matte box or a long lens, and from sounding out what noise is left."
	p.Raise = "A heavier filter stops chatter, but adds delay: each axis starts to rock at a lower stiffness."
	p.Lower = "Less delay, so each axis takes more stiffness; a ringing part is driven harder."
	p.TooMuch = "Rocking that a lighter drive filter stops, or an axis that takes clearly less stiffness than before."
	p.TooLittle = "Chatter from one part: holding or moving it changes the pitch, and a slightly softer setting does not stop it."
	p.With = lagCost("sensing", "sensing filter")
	return p
}

func tiltLimit(word string, order int, example float64) Param {
	frame := map[string]string{"up": "the handle, the pan motor above the head or the operator's hands", "down": "the lower ring, the feet or the operator's own shoes"}[word]
	ground := map[string]string{"up": "a rear part of the build, such as a battery, turns down toward the gimbal", "down": "the front of the lens turns down toward the gimbal and the ground"}[word]
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
			"Find the limit by hand with the motors off: a powered head driven into its frame can pinch fingers and break a lens.",
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
		Cautions:  []string{"Keep it at zero unless there is a reason on record."},
		With: []Interaction{
			{"stiffness.roll", "A roll imbalance also causes a lean: balance first, then level."},
			{"follow.*.deadband.roll", "A style that follows in roll leans with the handle; judge the offset with the handle level."},
		},
		Significance: Significance{Notable: 0.4, Major: 2},
	}
}

// dead band of one axis: half of the dead band on the operator's heading.
func deadBand(a Axis, order int) Param {
	n := a.String()
	p := Param{
		Field: Field{Path: "follow.*.deadband." + n, Type: Float, Doc: "Dead band, " + n + " for this style, to each side (dial number).", Example: 6.0},
		Name:  "dead band, " + n, Group: "follow", Axis: n, Order: order,
		Dial: "follow.deadband." + n, SI: map[string]int{"deg": 1}, Up: "wider", Down: "narrower", Step: 1, Coarse: 2,
		Does: "The head does not answer until the operator's " + n + " has moved further than this from where the head points, to either side. ",
		With: []Interaction{
			{"follow.*.lag." + n, "In a steady turn the head trails by the dead band plus turn rate × lag."},
		},
		Significance: Significance{Notable: 1, Major: 3},
	}
	switch a {
	case Pan:
		p.Does += "A turn starts late by the dead band over the rate of the turn."
		p.Raise = "Footsteps and unsteady hands no longer move the picture; turns start later and the head trails further."
		p.Lower = "With a narrower dead band the head starts sooner; small unintended turns become visible."
		p.TooMuch = "The turn starts late and with a jerk, with the subject already near the frame edge."
		p.TooLittle = "The picture moves left and right with each step."
		p.Cautions = []string{"A dead band narrower than the operator's sway passes the sway."}
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
		p.Lower = "With a narrower dead band the head tilts sooner; small unintended tilts become visible."
		p.TooMuch = "On stairs or a tilt up a wall the picture stays behind, then sets off with a catch; headroom is lost first."
		p.TooLittle = "The picture nods with each footfall and breath."
		p.Cautions = []string{"A dead band narrower than the operator's sway passes the sway."}
		p.With = append(p.With, Interaction{"limits.tilt.down_deg", "The head trails by at least the dead band, so it meets its limit later than the handle does."})
	}
	return p
}

// lag of one axis: the lag with which the head closes the gap.
func lag(a Axis, order int) Param {
	n := a.String()
	p := Param{
		Field: Field{Path: "follow.*.lag." + n, Type: Float, Doc: "Follow lag, " + n + " for this style (dial number).", Example: 30.0},
		Name:  "lag, " + n, Group: "follow", Axis: n, Order: order,
		Dial: "follow.lag." + n, SI: map[string]int{"s": 1}, Up: "longer", Down: "shorter", Step: 1, Coarse: 5,
		Does: "Outside the dead band the head closes the gap gradually: about two thirds after one lag time, nearly all after three (first-order model). ",
		With: []Interaction{
			{"follow.*.deadband." + n, "In a steady turn the head trails by the dead band plus turn rate × lag."},
		},
		Cautions:     []string{"Wide dead band and long lag for long, slow moves; narrow and short when the subject may turn at any moment (common practice)."},
		Significance: Significance{Notable: 1, Major: 3},
	}
	switch a {
	case Pan:
		p.Does += "It passes less of a quick sway than of a slow one."
		p.Raise = "With a longer lag turns start and end softly. In a steady turn the head trails further behind, and it settles later."
		p.Lower = "With a shorter lag the head reacts faster; starts and stops become more visible."
		p.TooMuch = "The subject slides toward the frame edge in a turn, and the picture still moves after the operator has stopped."
		p.TooLittle = "Turns start and stop with a jerk; steps show as a twitch."
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
		p.Lower = "With a shorter lag the head reacts faster to a subject that sits or rises; starts and stops become more visible."
		p.TooMuch = "Headroom is lost while a subject rises, and the picture goes on tilting after the operator has stopped."
		p.TooLittle = "Each start and stop of a tilt shows as a jerk; footfalls show as a nod."
		p.With = append(p.With, Interaction{"limits.tilt.up_deg", "With more lag the head reaches its limit later and more gently."})
	}
	return p
}
