package schema

// groups are in the order in which a technician works through them: balance
// comes before any of them, stiffness before filters (common practice, no source).
var groups = []Group{
	{"stiffness", "Stiffness", "How hard each motor resists a turn away from where the head should point. Raised axis by axis, from below, after the rig is balanced."},
	{"filters", "Filters", "Low-pass filters in the control loop. They quiet noise and vibration and pay for it in delay, so they come after balance and stiffness."},
	{"limits", "Limits", "How far the head may tilt, so that it stays clear of its own parts and the shot stays clear of the gimbal."},
	{"horizon", "Horizon", "A standing correction of level."},
	{"follow", "Follow styles", "How the head follows the operator for a kind of shot: a window in which it ignores the operator, and a smoothing with which it catches up."},
}

const (
	unitStiffness = "Nm/rad"
	unitDamping   = "Nms/rad"
)

// cautionStiffness is shown wherever stiffness may be raised.
const cautionStiffness = "Begin low and keep a hand near the motor cut-off while raising it: an axis that oscillates can throw a loose part and pinch fingers. The maker's manual and qualified crew come first."

// params is the catalogue of a tune. The physics is that of a torque loop on an
// inertia with delay; what it looks like in the hand is common practice, no source.
func params() []Param {
	var ps []Param
	notes := map[Axis]string{
		Pan:  "Pan carries the most inertia on most rigs and takes the whole of a whip, so it is set first.",
		Roll: "Roll keeps the horizon; a long lens adds little inertia to it, a wide build adds much.",
		Tilt: "A long lens adds most inertia to tilt, so tilt changes first when a lens is changed.",
	}
	for i, a := range Axes {
		n := a.String()
		ps = append(ps, Param{
			Field: Field{Path: "stiffness." + n, Type: Float, Doc: "Stiffness of the " + n + " motor, in the dial numbers of this gimbal."},
			Name:  "stiffness, " + n, Group: "stiffness", Axis: n, Order: 10 + i,
			Dial: "stiffness." + n, SI: map[string]int{unitStiffness: 1}, Up: "stiffer", Down: "softer",
			Step: 1, Coarse: 5,
			Does:      "The torque with which the " + n + " motor answers each degree of error. The loop's bandwidth grows as the square root of stiffness over inertia, so a heavier rig needs more for the same hold. " + notes[a],
			Raise:     "The head is held harder against bumps, wind and acceleration, and a resting imbalance leaves less standing error. The margin to oscillation shrinks.",
			Lower:     "The head gives more, drifts and wobbles under load, and comes back to rest more slowly. The margin to oscillation grows.",
			TooMuch:   "A buzz or fast shake on the " + n + " axis, at rest or when the head is tapped, growing as it is raised; hot motor, short battery life.",
			TooLittle: "A loose, swimming head: slow wobble after a move, horizon or aim sagging when the operator accelerates.",
			Cautions:  []string{cautionStiffness, "Balance first: stiffness hides an imbalance, it does not cure it."},
			With: []Interplay{
				{"filters.sensing", "A heavier sensing filter adds delay and lowers the stiffness at which the axis starts to oscillate."},
				{"filters.drive", "A heavier drive filter does the same."},
			},
			Weigh: Weigh{Notable: 0.6, Major: 2},
		})
	}
	filter := func(key, name, where, does string, order int) Param {
		return Param{
			Field: Field{Path: "filters." + key, Type: Float, Doc: "Low-pass filter on the " + where + ", in the dial numbers of this gimbal."},
			Name:  name, Group: "filters", Order: order,
			Dial: "filters." + key, SI: map[string]int{"Hz": -1, "s": 1}, Up: "heavier", Down: "lighter",
			Step: 1, Coarse: 1,
			Does:      does,
			Raise:     "Less noise and vibration passes, and more delay is put in the loop: each axis oscillates, slowly and smoothly, at a lower stiffness.",
			Lower:     "The loop answers faster and takes more stiffness, and more noise and vibration passes: a rough, fast shake or a noisy motor.",
			TooMuch:   "A slow, smooth oscillation, or an axis that takes noticeably less stiffness than before.",
			TooLittle: "A fast, rough buzz that does not go away as stiffness is lowered a little; motors that hiss.",
			Cautions:  []string{"Touch filters only after balance and stiffness (common practice, no source), one step at a time, and look for the onset again on every axis afterwards."},
			With: []Interplay{
				{"stiffness.pan", "Filter delay costs phase margin on every axis; a stiffness that was safe may not be after the filter is made heavier."},
				{"stiffness.roll", "The same holds for roll."},
				{"stiffness.tilt", "The same holds for tilt."},
			},
			Weigh: Weigh{Notable: 1, Major: 2},
		}
	}
	ps = append(ps,
		filter("sensing", "sensing filter", "motion sensor", "A low-pass filter on the motion sensor's signal before the controller sees it. It takes out sensor noise and vibration of the frame above its cutoff.", 20),
		filter("drive", "drive filter", "motor command", "A low-pass filter on the torque command before it reaches the motors. It keeps the motors from shaking the rig with what noise is left.", 21),
	)
	limit := func(key, word, sees string, order int) Param {
		return Param{
			Field: Field{Path: "limits.tilt." + key, Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "How far the head may tilt " + word + " from level, in degrees."},
			Name:  "tilt limit " + word, Group: "limits", Axis: "tilt", Order: order,
			Up: "wider", Down: "tighter", Step: 1, Coarse: 5,
			Does:      "The head stops following past this angle, " + word + "wards from level.",
			Raise:     "More of the " + word + "ward range can be framed. " + sees,
			Lower:     "The gimbal's own parts stay out of the shot and away from the lens; the operator reaches the stop sooner.",
			TooMuch:   "Ring, feet or hands in frame at a wide lens, or the lens striking the gimbal.",
			TooLittle: "The head stops before the shot does, and jerks at the stop.",
			Cautions:  []string{"Find the limit by hand with the motors off: a powered head driven against its frame can pinch fingers and break the lens."},
			With:      []Interplay{{"horizon.offset_deg", "An offset eats into the travel on one side."}},
			Weigh:     Weigh{Notable: 1, Major: 3},
		}
	}
	ps = append(ps,
		limit("up_deg", "up", "The frame or the operator's hands come into frame.", 30),
		limit("down_deg", "down", "The ring and the feet come into frame.", 31),
		Param{
			Field: Field{Path: "horizon.offset_deg", Type: Float, Unit: "°", Min: At(-45), Max: At(45), Doc: "A standing roll correction of the horizon, positive rolls the picture's right side down."},
			Name:  "horizon offset", Group: "horizon", Axis: "roll", Order: 40,
			Up: "right side down", Down: "left side down", Default: 0.0, Step: 0.1, Coarse: 0.5,
			Does:      "Turns what the head holds as level by this angle about roll.",
			Raise:     "The picture's right side goes down.",
			Lower:     "The picture's left side goes down.",
			TooMuch:   "A horizon that leans.",
			TooLittle: "A horizon that leans the other way.",
			Cautions:  []string{"Zero unless there is a reason: an offset left from another day is found on the first wide shot."},
			With:      []Interplay{{"limits.tilt.up_deg", "At a large tilt, a roll offset shows as a turned picture."}},
			Weigh:     Weigh{Notable: 0.4, Major: 2},
		},
	)
	for i, a := range Axes {
		n := a.String()
		ps = append(ps, Param{
			Field: Field{Path: "follow.*.window." + n, Type: Float, Doc: "Dead band on the operator's " + n + " for this style, in the dial numbers of this gimbal."},
			Name:  "window, " + n, Group: "follow", Axis: n, Order: 50 + i,
			Dial: "follow.window." + n, SI: map[string]int{"deg": 1}, Up: "wider", Down: "narrower", Step: 1, Coarse: 2,
			Does:      "The head does not answer until the operator's " + n + " has left this window around where the head points.",
			Raise:     "Footsteps and unsteady hands are let pass without a move; a turn starts later and the head stays further behind.",
			Lower:     "The head starts with the operator, at the price of a stiffer look: small, unmeant moves show.",
			TooMuch:   "The head starts late and with a visible catch; the subject leaves the frame before it moves.",
			TooLittle: "The head nods along with steps and breathing.",
			Cautions:  []string{"A window narrower than the operator's sway lets the sway through."},
			With:      []Interplay{{"follow.*.smoothing." + n, "The head trails by the window plus the rate times the smoothing time; the two trade against each other."}},
			Weigh:     Weigh{Notable: 1, Major: 3},
		}, Param{
			Field: Field{Path: "follow.*.smoothing." + n, Type: Float, Doc: "Lag with which the head follows the operator's " + n + " for this style, in the dial numbers of this gimbal."},
			Name:  "smoothing, " + n, Group: "follow", Axis: n, Order: 60 + i,
			Dial: "follow.smoothing." + n, SI: map[string]int{"s": 1}, Up: "smoother", Down: "quicker", Step: 1, Coarse: 5,
			Does:      "A lag behind the operator once the window is left: the head closes the gap over this time rather than at once.",
			Raise:     "Starts and stops are softer and moves look longer; the head trails further behind at the same rate and takes longer to settle.",
			Lower:     "The head keeps up with sudden moves; starts and stops show more.",
			TooMuch:   "The subject slides out of frame on a turn, and the head goes on moving after the operator has stopped.",
			TooLittle: "Each start and stop of the operator shows as a jerk.",
			Cautions:  []string{"Large window and much smoothing for sweeping moves, small for subjects that turn without notice (common practice, no source)."},
			With:      []Interplay{{"follow.*.window." + n, "See there: lag in a steady turn is window plus rate times smoothing time."}},
			Weigh:     Weigh{Notable: 1, Major: 3},
		})
	}
	return ps
}
