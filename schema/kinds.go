package schema

import (
	"maps"
	"slices"
	"strings"
)

const fingerprintPattern = `[0-9a-hjkmnp-tv-z]{10}`

// What an answer at the stand may say; more is a slip of the finger.
const (
	MaxShakeHz = 1000.0 // Hz, frequency of an oscillation
	MaxTiltDeg = 180.0  // degrees up or down
)

// kinds makes each kind of file; those that hold tune parameters or dials take them
// from the catalogue's parameters. Each is made when it is first asked for, as a short
// command asks for one or two and all of them would be a good part of its time.
var kinds = map[string]func(ps []Param) Kind{
	KindLibrary: libraryKind,
	KindPart:    partKind,
	KindGimbal:  gimbalKind,
	KindUnit:    unitKind,
	KindRig:     rigKind,
	KindTune:    tuneKind,
	KindBalance: balanceKind,
	KindBench:   benchKind,
	KindJob:     jobKind,
}

// head is what every file begins with.
func head(kind string) []Field {
	return []Field{
		{Path: "format", Type: Int, Required: true, Min: At(1), Max: At(Format), Doc: "Version of this file's format.", Example: Format},
		{Path: "kind", Type: String, Required: true, Enum: []string{kind}, Doc: "What this file is."},
	}
}

func noteField() Field {
	return Field{Path: "note", Type: String, Doc: "Note for the next operator.", Example: "Cable tie on the monitor arm; see the packing list."}
}

func libraryKind(_ []Param) Kind {
	library := append(head(KindLibrary),
		Field{Path: "name", Type: String, Required: true, MaxLen: 200, Doc: "The library's name.", Example: "Prep bay two"},
		Field{Path: "units.mass", Type: String, Enum: []string{"kg", "g", "lb"}, Doc: "Unit in which masses are shown.", Example: "kg"},
		Field{Path: "units.length", Type: String, Enum: []string{"mm", "in"}, Doc: "Unit in which lengths are shown.", Example: "mm"},
		noteField(),
	)
	return Kind{Name: KindLibrary, Title: "Library", Doc: "The library itself: its name and the units in which it shows things.", Fields: library, Sections: []Section{
		{Path: "units", Doc: "Units shown; files say their own."},
	}}
}

func gimbalKind(ps []Param) Kind {
	dials, refs := make([]Field, 0, 12*len(ps)), make([]Field, 0, len(ps))
	seen := map[string]bool{}
	for _, p := range ps {
		if p.Dial != "" && !seen[p.Dial] {
			seen[p.Dial] = true
			dials = dialFields(dials, "dial."+p.Dial, p)
		}
		rf := p.Field
		rf.Path, rf.Required, rf.Of = "reference[]."+p.Path, false, p.Path
		refs = append(refs, rf)
	}
	gimbal := append(head(KindGimbal),
		Field{Path: "name", Type: String, Required: true, MaxLen: 200, Doc: "Your name for this model.", Example: "Two-handed ring, large"},
		noteField(),
		Field{Path: "payload.max_kg", Type: Float, Required: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "Maximum payload, from the maker's manual.", Example: 6.0},
		Field{Path: "payload.min_kg", Type: Float, Unit: "kg", Min: At(0), Max: At(100), Doc: "Minimum payload, from the maker's manual.", Example: 0.5},
		Field{Path: "space.box_mm", Type: Floats, Len: 3, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Free space for the build: length, width, height.", Example: []any{220.0, 210.0, 200.0}},
		Field{Path: "space.centre_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Centre of the clear box from the axis centre; if absent, only its size is compared with the build.", Example: []any{10.0, 0.0, 0.0}},
		Field{Path: "space.tilt_radius_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Clear radius about the tilt axis.", Example: 150.0},
		Field{Path: "space.roll_radius_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Clear radius about the roll axis.", Example: 160.0},
		Field{Path: "space.pan_radius_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Clear radius about the pan axis.", Example: 240.0},
		Field{Path: "travel.tilt.up_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "Mechanical travel of tilt, up from level.", Example: 90.0},
		Field{Path: "travel.tilt.down_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "Mechanical travel of tilt, down from level.", Example: 120.0},
		Field{Path: "loop.delay_s", Type: Float, Unit: "s", Min: At(0), Max: At(1), Doc: "Delay from motion to torque, sampling included.", Example: 0.003},
		Field{Path: "loop.raise", Type: String, Enum: []string{"together", "stiffness"}, Doc: "What the stiffness dial raises: stiffness and damping together, or stiffness alone.", Example: "together"},
		Field{Path: "filter.sensing.order", Type: Int, Min: At(1), Max: At(2), Doc: "Order of the sensing filter; 2 is Butterworth.", Example: 1},
		Field{Path: "filter.drive.order", Type: Int, Min: At(1), Max: At(2), Doc: "Order of the drive filter; 2 is Butterworth.", Example: 1},
		Field{Path: "sensor.rate_hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(100000), Doc: "Rate of the motion sensor.", Example: 2000.0},
		Field{Path: "sensor.range_dps", Type: Float, Unit: "°/s", Above: At(0), Max: At(100000), Doc: "Range of the motion sensor.", Example: 1000.0},
		Field{Path: "drive.rate_hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(1000000), Doc: "Rate of the motor drive.", Example: 20000.0},
		Field{Path: "balance.workable_pct", Type: Float, Unit: "%", Above: At(0), Max: At(100), Doc: "Highest acceptable resting effort.", Example: 4.0},
		Field{Path: "balance.good_pct", Type: Float, Unit: "%", Above: At(0), Max: At(100), Doc: "Resting effort that needs no further balancing.", Example: 1.0},
		Field{Path: "balance.effort_sign", Type: String, Enum: []string{"right-handed", "left-handed"}, Doc: "How the controller counts effort: above zero where the motor turns right-handed about its axis (x forward for roll, y left for tilt, z up for pan), or the other way; if absent, an effort does not give the side.", Example: "right-handed"},
		Field{Path: "balance.points", Type: Strings, Doc: "What to check when balancing, in order: the axis, a comma, how the head stands. Say level, lens up or lens down, and by how many degrees a handle leans.", Example: []any{"tilt, lens level", "tilt, lens up", "roll, lens level", "pan, handle leaning 20 degrees"}},
		Field{Path: "bench.order", Type: Strings, Len: len(axisNames), Enum: axisNames[:], Doc: "Order in which bench tunes the axes.", Example: []any{"tilt", "roll", "pan"}},
		Field{Path: "bench.margin", Type: Float, Above: At(1), Max: At(10), Doc: "Margin: onset divided by the value kept.", Example: 1.5},
		Field{Path: "follow.model", Type: String, Enum: []string{"first-order", "critical", "two-stage"}, Doc: "How the lag works: first-order, critical (second-order, critically damped) or two-stage (two first-order in a row).", Example: "first-order"},
		Field{Path: "obstacle[].name", Type: String, Required: true, MaxLen: 100, Doc: "A part of the gimbal that can be in view: ring, foot, hand.", Example: "left ring foot"},
		Field{Path: "obstacle[].place_mm", Type: Floats, Required: true, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Where its nearest point is, from the axis centre, head level.", Example: []any{60.0, 190.0, -180.0}},
		Field{Path: "obstacle[].radius_mm", Type: Float, Unit: "mm", Min: At(0), Max: At(1000), Doc: "Its radius about that point.", Example: 20.0},
	)
	gimbal = append(gimbal, adjustmentFields()...)
	for _, a := range axisNames {
		gimbal = append(gimbal,
			Field{Path: "motor." + a + ".torque_nm", Type: Float, Unit: "Nm", Above: At(0), Max: At(1000), Doc: "Torque at full effort.", Example: 2.2},
			Field{Path: "motor." + a + ".torque_constant_nm_a", Type: Float, Unit: "Nm/A", Above: At(0), Max: At(100), Doc: "Torque per ampere.", Example: 0.9},
			Field{Path: "motor." + a + ".winding_ohm", Type: Float, Unit: "Ω", Above: At(0), Max: At(1000), Doc: "Winding resistance.", Example: 4.5},
			Field{Path: "moving." + a + ".inertia_kgm2", Type: Float, Unit: "kg·m²", Min: At(0), Max: At(100), Doc: "Inertia of the gimbal's own parts that turn about this axis.", Example: 0.012},
			Field{Path: "axis." + a + ".point_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "A point on this motor axis, if it misses the axis centre.", Example: []any{0.0, 0.0, 0.0}},
			Field{Path: "loop." + a + ".viscous_nms_rad", Type: Float, Unit: "Nms/rad", Min: At(0), Max: At(100), Doc: "Viscous friction.", Example: 0.004},
			Field{Path: "loop." + a + ".damping_s", Type: Float, Unit: "s", Min: At(0), Max: At(10), Doc: "Damping over stiffness, D/K.", Example: 0.03},
			Field{Path: "loop." + a + ".damping_nms_rad", Type: Float, Unit: "Nms/rad", Min: At(0), Max: At(100), Doc: "Damping, where the stiffness dial does not raise it.", Example: 0.42},
			Field{Path: "loop." + a + ".integral_hz", Type: Float, Unit: "1/s", Min: At(0), Max: At(100), Doc: "Integral over stiffness, Ki/K.", Example: 0.5},
		)
	}
	gimbal = slices.Grow(append(gimbal, linkFields()...), len(dials)+len(refs)+2+len(axisNames))
	gimbal = append(gimbal, dials...)
	gimbal = append(gimbal,
		Field{Path: "reference[].payload_kg", Type: Float, Required: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "Payload these values were tested with.", Example: 3.2},
		Field{Path: "reference[].source", Type: String, Required: true, MaxLen: 400, Doc: "Where that is known from.", Example: "Our own bench, clean handheld."},
	)
	for _, a := range axisNames {
		gimbal = append(gimbal, Field{Path: "reference[].inertia_kgm2." + a, Type: Float, Unit: "kg·m²", Above: At(0), Max: At(100), Doc: "Inertia about this axis at that payload, gimbal's own parts included.", Example: 0.03})
	}
	gimbal = append(gimbal, refs...)
	return Kind{Name: KindGimbal, Title: "Gimbal sheet", Doc: "One model of stabiliser: what it carries, its motors, and the dials of its controller.", Fields: gimbal, Sections: append(dialSections(ps),
		Section{Path: "link", Doc: "How its units speak over a wire, where they speak an open standard.", Optional: true},
		Section{Path: "payload", Doc: "Payload, from the maker's manual."},
		Section{Path: "space", Doc: "Clear space for the build, from the axis centre."},
		Section{Path: "travel.tilt", Doc: "Mechanical travel of tilt."},
		Section{Path: "loop", Doc: "Facts of the control loop, where they are known; margins need them."},
		Section{Path: "filter.sensing", Doc: "Filter on the motion sensor."},
		Section{Path: "filter.drive", Doc: "Filter on the motor command."},
		Section{Path: "sensor", Doc: "Motion sensor."},
		Section{Path: "drive", Doc: "Motor drive."},
		Section{Path: "balance", Doc: "When balance is good enough."},
		Section{Path: "bench", Doc: "How a tuning session goes on this gimbal."},
		Section{Path: "follow", Doc: "How this controller follows."},
		Section{Path: "adjustment[]", Doc: "The slides by which a build is balanced, in the order in which they are set: from the inside out, tilt, roll, pan. A slide between gimbal and build belongs here, also where the plate carries the scale.", ID: []string{"name"}},
		Section{Path: "obstacle[]", Doc: "Parts of the gimbal that can be in view.", ID: []string{"name"}},
		Section{Path: "reference[]", Doc: "Payloads at which some values are known to work, one table each; starting tunes are scaled from them.", ID: []string{"payload_kg"}, Tie: []string{"source"}},
	)}
}

func tuneKind(ps []Param) Kind {
	tune := append(head(KindTune),
		Field{Path: "rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of the rig this tune is for.", Example: "k7qd2m9x4c"},
		Field{Path: "unit", Type: String, MaxLen: 100, Doc: "The unit it is for, by serial or label, where it is for one only.", Example: "Large A"},
		noteField(),
	)
	for _, p := range ps {
		tune = append(tune, p.Field)
	}
	tune = append(tune, proofFields()...)
	return Kind{Name: KindTune, Title: "Tune", Doc: "The values for one rig.", Fields: tune, Sections: []Section{
		{Path: "proof.hold", Doc: "The record that stiffness and filters were tested handheld; prove writes it."},
		{Path: "proof.limits", Doc: "The record that the tilt limits were tested."},
		{Path: "proof.horizon", Doc: "The record that the horizon offset was tested."},
		{Path: "proof.style.*", Doc: "The record that a follow style was tested, one table each."},
	}}
}

func benchKind(ps []Param) Kind {
	bench := append(head(KindBench),
		Field{Path: "rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of the rig on the stand.", Example: "k7qd2m9x4c"},
		Field{Path: "tune", Type: String, Pattern: slugPattern, MaxLen: 64, Doc: "The tune of the session.", Example: "main"},
		Field{Path: "unit", Type: String, MaxLen: 100, Doc: "Serial or label of the unit.", Example: "Large A"},
		Field{Path: "by", Type: String, MaxLen: 200, Doc: "Operator.", Example: "A-cam operator"},
		Field{Path: "began", Type: Time, Required: true, Doc: "When the session began.", Example: "2026-03-02T09:30:00Z"},
		Field{Path: "ended", Type: Time, Doc: "When it ended; absent while it is open.", Example: "2026-03-02T10:05:00Z"},
		Field{Path: "firmware", Type: String, MaxLen: 100, Doc: "Firmware text of the unit.", Example: "2.4"},
		Field{Path: "mass_kg", Type: Float, Derived: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "The build's mass at the time.", Example: 3.21},
		noteField(),
		Field{Path: "plan.order", Type: Strings, Derived: true, Enum: axisNames[:], MaxLen: len(axisNames), Doc: "The axes of the session in the order of work.", Example: []any{"tilt", "roll", "pan"}},
		Field{Path: "plan.margin", Type: Float, Derived: true, Min: At(1), Max: At(10), Doc: "Onset over kept stiffness that the session keeps.", Example: 1.5},
		Field{Path: "plan.hand_deg", Type: Floats, Derived: true, Unit: "°", Min: At(-180), Max: At(180), MaxLen: 20, Doc: "Tilts at which the kept values are tested handheld, up positive, in order.", Example: []any{-60.0, 0.0, 45.0}},
		Field{Path: "plan.styles", Type: Strings, Derived: true, MaxLen: 100, Doc: "Follow styles that a recheck tries.", Example: []any{"walk"}},
		Field{Path: "plan.minutes", Type: Float, Derived: true, Unit: "min", Above: At(0), Max: At(1440), Doc: "For how long a recheck works the rig handheld.", Example: 5.0},
		Field{Path: "step[].at", Type: Time, Required: true, Doc: "When the step was answered.", Example: "2026-03-02T09:34:00Z"},
		Field{Path: "step[].axis", Type: String, Enum: axisNames[:], Doc: "The axis under test.", Example: "pan"},
		Field{Path: "step[].key", Type: String, MaxLen: 200, Doc: "The parameter under test, if not the axis's stiffness.", Example: "filters.drive"},
		Field{Path: "step[].value", Type: Float, Doc: "The dial number that was set.", Example: 40.0},
		Field{Path: "step[].saw", Type: String, Required: true, Enum: []string{"clean", "chatter", "rocking", "stand", "skip", "undo", "note", "hand", "reopen", "withdraw", "keep", "nearer"}, Doc: "What was seen: clean, chatter, rocking, stand only, skipped, the last answer undone, a note, clean handheld, sent back from the handheld check, an oscillation withdrawn or kept after further trials, a value kept nearer the onset than the margin gives.", Example: "clean"},
		Field{Path: "step[].hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(MaxShakeHz), Doc: "Frequency of the oscillation, if known.", Example: 18.0},
		Field{Path: "step[].tilt_deg", Type: Float, Unit: "°", Min: At(-MaxTiltDeg), Max: At(MaxTiltDeg), Doc: "Tilt at which it was seen, up positive.", Example: -30.0},
		Field{Path: "step[].inertia_kgm2", Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Inertia about the axis at that tilt.", Example: 0.031},
		Field{Path: "step[].text", Type: String, Doc: "Note.", Example: "Hum on a firm tap, gone at once."},
	)
	for _, a := range axisNames {
		bench = append(bench,
			Field{Path: "inertia_kgm2." + a, Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Least inertia about this axis over the tilts in use at the time.", Example: 0.031},
			Field{Path: "inertia_most_kgm2." + a, Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Greatest inertia about this axis over the tilts in use at the time.", Example: 0.034},
			Field{Path: "plan." + a + ".tilt_deg", Type: Float, Derived: true, Unit: "°", Min: At(-MaxTiltDeg), Max: At(MaxTiltDeg), Doc: "Tilt of the head while this axis is searched, up positive: where it has least to turn.", Example: -40.0},
			Field{Path: "plan." + a + ".offered", Type: Float, Derived: true, Doc: "Stiffness at which the evidence said to begin.", Example: 30.0, Of: "stiffness." + a},
			Field{Path: "plan." + a + ".onset_low", Type: Float, Derived: true, Min: At(-far), Max: At(far), Doc: "Where oscillation was expected, low end; may lie off the dial.", Example: 44.0},
			Field{Path: "plan." + a + ".onset_high", Type: Float, Derived: true, Min: At(-far), Max: At(far), Doc: "Where oscillation was expected, high end.", Example: 62.0},
			Field{Path: "plan." + a + ".held", Type: Float, Derived: true, Doc: "Stiffness of the tune that a recheck begins with.", Example: 30.0, Of: "stiffness." + a},
			Field{Path: "plan." + a + ".why", Type: String, Derived: true, Doc: "What that rests on.", Example: "4 proved tunes of other rigs"},
			Field{Path: "result." + a + ".kept", Type: Float, Doc: "Stiffness kept.", Example: 34.0, Of: "stiffness." + a},
			Field{Path: "result." + a + ".clean", Type: Float, Doc: "Stiffest clean value.", Example: 50.0, Of: "stiffness." + a},
			Field{Path: "result." + a + ".onset", Type: Float, Doc: "Softest value that oscillated (onset).", Example: 55.0, Of: "stiffness." + a},
			Field{Path: "result." + a + ".hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(MaxShakeHz), Doc: "Frequency at the onset, if known.", Example: 18.0},
			Field{Path: "result." + a + ".saw", Type: String, Enum: []string{"chatter", "rocking"}, Doc: "How it oscillated: chatter or rocking.", Example: "chatter"},
			Field{Path: "result." + a + ".tilt_deg", Type: Float, Derived: true, Unit: "°", Min: At(-MaxTiltDeg), Max: At(MaxTiltDeg), Doc: "Tilt at which the onset was seen, up positive.", Example: -40.0},
			Field{Path: "result." + a + ".inertia_kgm2", Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Inertia about this axis at that tilt.", Example: 0.031},
			Field{Path: "result." + a + ".doubt", Type: Bool, Doc: "The answers contradict each other.", Example: false},
		)
	}

	bench = append(bench, Field{Path: "result.hand", Type: Bool, Doc: "The kept values were clean handheld at every tilt of the plan.", Example: true})
	for _, p := range ps {
		if p.Group == "filters" {
			f := p.Field
			f.Path, f.Required, f.Derived, f.Of = "set."+p.Path, false, true, p.Path
			bench = append(bench, f)
		}
	}
	return Kind{Name: KindBench, Title: "Bench log", Doc: "One tuning session, step by step.", Fields: bench, Sections: []Section{
		{Path: "plan", Doc: "What the session was begun with, so that it can be taken up again."},
		{Path: "set", Doc: "What else was set on the controller during the session."},
		{Path: "step[]", Doc: "One step: what was set and what was seen.", ID: []string{"at"}, Tie: []string{"axis", "key", "saw"}},
		{Path: "result", Doc: "What the session found."},
	}}
}

func jobKind(_ []Param) Kind {
	job := append(head(KindJob),
		Field{Path: "name", Type: String, Required: true, MaxLen: 200, Doc: "Name of the job.", Example: "Harbour film, spring days"},
		Field{Path: "from", Type: Date, Required: true, Doc: "First day.", Example: "2026-03-02"},
		Field{Path: "to", Type: Date, Doc: "Last day.", Example: "2026-03-06"},
		Field{Path: "state", Type: String, Required: true, Enum: []string{"open", "closed"}, Doc: "open or closed.", Example: "open"},
		noteField(),
		Field{Path: "lens.widest_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(2000), Doc: "Widest lens on the list.", Example: 18.0},
		Field{Path: "lens.longest_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(2000), Doc: "Longest lens on the list.", Example: 85.0},
		Field{Path: "lens.sensor_mm", Type: Floats, Len: 2, Unit: "mm", Above: At(0), Max: At(200), Doc: "Width and height of the sensor area used.", Example: []any{24.9, 14.0}},
		Field{Path: "lens.squeeze", Type: Float, Min: At(1), Max: At(3), Doc: "Anamorphic squeeze, 1 for none.", Example: 1.0},
		Field{Path: "tolerance.drift_pct", Type: Float, Unit: "%", Above: At(0), Max: At(100), Doc: "Allowed subject drift, % of frame width.", Example: 20.0},
		Field{Path: "tolerance.delay_s", Type: Float, Unit: "s", Above: At(0), Max: At(60), Doc: "Allowed delay behind the operator, at the start and half-way through a turn.", Example: 0.5},
		Field{Path: "crew[].role", Type: String, Required: true, MaxLen: 100, Doc: "A role on the shoot.", Example: "A-cam operator"},
		Field{Path: "crew[].name", Type: String, MaxLen: 100, Doc: "Who fills it."},
		Field{Path: "shot[].name", Type: String, Required: true, MaxLen: 200, Doc: "The shot, in the list's words.", Example: "Pilot down the ladder"},
		Field{Path: "shot[].kind", Type: String, Pattern: slugPattern, MaxLen: 40, Doc: "Kind of move: walk, stairs, sweep, chase, whip, static.", Example: "stairs"},
		Field{Path: "shot[].lens_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(2000), Doc: "Its lens.", Example: 24.0},
		Field{Path: "shot[].rig", Type: String, MaxLen: 64, Doc: "The rig it is for, by alias or fingerprint.", Example: "zoom-build"},
		Field{Path: "shot[].style", Type: String, Pattern: slugPattern, MaxLen: 40, Doc: "The follow style chosen for it.", Example: "walk"},
		Field{Path: "shot[].tilt_up_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "How far up it has to look.", Example: 20.0},
		Field{Path: "shot[].tilt_down_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "How far down it has to look.", Example: 60.0},
		Field{Path: "pin[].rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of a rig on this job.", Example: "k7qd2m9x4c"},
		Field{Path: "pin[].tune", Type: String, Required: true, Pattern: slugPattern, MaxLen: 64, Doc: "Its tune.", Example: "main"},
		Field{Path: "pin[].revision", Type: String, Pattern: `[0-9a-f]{40}`, Doc: "The commit this tune is pinned to; absent until it is saved for the job.", Example: "0123456789abcdef0123456789abcdef01234567"},
		Field{Path: "pin[].unit", Type: String, MaxLen: 100, Doc: "The unit it goes out on.", Example: "Large A"},
		Field{Path: "sway.pan_deg", Type: Float, Unit: "°", Above: At(0), Max: At(90), Doc: "Operator sway about pan, peak (±).", Example: 3.0},
		Field{Path: "sway.tilt_deg", Type: Float, Unit: "°", Above: At(0), Max: At(90), Doc: "Operator sway about tilt, peak (±).", Example: 2.0},
		Field{Path: "sway.roll_deg", Type: Float, Unit: "°", Above: At(0), Max: At(90), Doc: "Operator sway about roll, peak (±).", Example: 2.0},
		Field{Path: "accepted[].finding", Type: String, Required: true, MaxLen: 200, Doc: "ID of the accepted finding.", Example: "proof-missing:zoom-build"},
		Field{Path: "accepted[].why", Type: String, Required: true, Doc: "Why.", Example: "Stands on a tripod all day."},
		Field{Path: "accepted[].by", Type: String, MaxLen: 200, Doc: "Who accepted it.", Example: "A-cam operator"},
		Field{Path: "accepted[].seen", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "Digest of the finding; if it changes, the acceptance ends."},
		Field{Path: "accepted[].until", Type: Date, Required: true, Doc: "Last day on which that holds.", Example: "2026-03-06"},
	)
	return Kind{Name: KindJob, Title: "Job", Doc: "A shoot: dates, crew, lenses, shots, and the tunes pinned to it.", Fields: job, Sections: []Section{
		{Path: "lens", Doc: "The lens list in short."},
		{Path: "tolerance", Doc: "What the shots allow of the head."},
		{Path: "crew[]", Doc: "Who is on it, by role.", ID: []string{"role"}, Tie: []string{"name"}},
		{Path: "shot[]", Doc: "One shot of the list.", ID: []string{"name"}, Tie: []string{"kind"}},
		{Path: "pin[]", Doc: "One tune that goes out on this job.", ID: []string{"rig", "tune"}, Tie: []string{"unit"}},
		{Path: "sway", Doc: "How much this operator's hands sway."},
		{Path: "accepted[]", Doc: "An accepted finding of a review, and until when.", ID: []string{"finding"}, Tie: []string{"until"}},
	}}
}

// dialSections describes the tables of the dials: each may be absent, and so may
// its map, but not half of either.
func dialSections(ps []Param) []Section {
	var ss []Section
	for _, p := range ps {
		at := "dial." + p.Dial
		if p.Dial == "" || slices.ContainsFunc(ss, func(s Section) bool { return s.Path == at }) {
			continue
		}
		ss = append(ss,
			Section{Path: at, Doc: "Dial: " + p.Name + ".", Optional: true, Shown: true})
		if len(p.SI) > 0 {
			ss = append(ss, Section{Path: at + ".map", Doc: "How its numbers go to SI, where that is known.", Optional: true})
		}
		ss = append(ss, Section{Path: at + ".link", Doc: "Which setting of the device it is, where it is reached over a link.", Optional: true})
	}
	return ss
}

// far bounds what a dial number or a mapped value can be, so that no range overflows.
const far = 1e6

// shownExample is an invented word of a controller for a dial, another for each.
func shownExample(dial string) string {
	words := strings.Split(dial, ".")
	for i, w := range words {
		if w != "" {
			words[i] = strings.ToUpper(w[:1]) + w[1:]
		}
	}
	return strings.Join(words, " ")
}

// dialFields appends the fields of a dial, which are below d.
func dialFields(fs []Field, d string, p Param) []Field {
	fs = append(fs, []Field{
		{Path: d + ".min", Type: Float, Required: true, Min: At(-far), Max: At(far), Doc: "Smallest number of the " + p.Name + " dial.", Example: 0.0},
		{Path: d + ".max", Type: Float, Required: true, Min: At(-far), Max: At(far), Doc: "Largest number.", Example: 100.0},
		{Path: d + ".coarse", Type: Float, Required: true, Above: At(0), Max: At(far), Doc: "Coarse step.", Example: p.Coarse},
		{Path: d + ".fine", Type: Float, Required: true, Above: At(0), Max: At(far), Doc: "Fine step (smallest step of the controller).", Example: p.Step},
		{Path: d + ".up", Type: String, Required: true, Enum: []string{p.Up, p.Down}, Doc: "What a larger number is.", Example: p.Up},
		{Path: d + ".default", Type: Float, Min: At(-far), Max: At(far), Doc: "What the controller comes with.", Example: 20.0},
		{Path: d + ".unit", Type: String, MaxLen: 20, Doc: "The controller's own unit word, if it shows one.", Example: "%"},
		{Path: d + ".shown_as", Type: String, MaxLen: 40, Doc: "What this controller calls the dial; it can be typed in place of the key.", Example: shownExample(p.Dial)},
	}...)
	fs = dialLinkFields(fs, d)
	if len(p.SI) == 0 {
		return fs
	}
	lo, hi := 1.0, 10.0
	if p.SI[units(p)[0]] < 0 {
		lo, hi = hi, lo
	}
	return append(fs, []Field{
		{Path: d + ".map.kind", Type: String, Required: true, Enum: []string{string(Linear), string(Logarithmic), string(Table), string(Measured)}, Doc: "Conversion to SI: linear, logarithmic, a table, or a line through measured points.", Example: string(Linear)},
		{Path: d + ".map.unit", Type: String, Required: true, Enum: units(p), Doc: "Unit that the map gives.", Example: units(p)[0]},
		{Path: d + ".map.at_min", Type: Float, Min: At(0), Max: At(far), Doc: "Linear and logarithmic: value at the smallest number.", Example: lo},
		{Path: d + ".map.at_max", Type: Float, Min: At(0), Max: At(far), Doc: "Linear and logarithmic: value at the largest number.", Example: hi},
		{Path: d + ".map.points", Type: Floats, Min: At(-far), Max: At(far), MaxLen: 200, Doc: "Table: dial, value, dial, value, from the smallest to the largest number. Measured: the settings measured.", Example: []any{0.0, lo, 60.0, 4.0, 100.0, hi}},
		{Path: d + ".map.sigmas", Type: Floats, Derived: true, Above: At(0), Max: At(far), MaxLen: 100, Doc: "Measured: standard deviation of each value.", Example: []any{0.2, 0.3, 0.6}},
		{Path: d + ".map.measured_on", Type: String, Derived: true, MaxLen: 100, Doc: "Measured: the unit it was measured on, by serial.", Example: "QL-0044"},
		{Path: d + ".map.date", Type: String, Derived: true, MaxLen: 20, Doc: "Measured: the day.", Example: "2026-03-02"},
		{Path: d + ".map.readings", Type: Strings, Derived: true, MaxLen: 200, Doc: "Measured: every reading as it was taken, also those not used.", Example: []any{"dial=20 mass_g=200 arm_mm=150 down_deg=1.4"}},
	}...)
}

// units lists the units that a map of this parameter's dial may give.
func units(p Param) []string {
	return slices.Sorted(maps.Keys(p.SI))
}

// proofFields are the keys of a proof, group by group. Every group says when, by whom, on
// which unit and of what; the group of stiffness and filters has what was measured too.
func proofFields() []Field {
	var fs []Field
	for _, g := range []struct{ name, of string }{{"hold", "stiffness and filters"}, {"limits", "the tilt limits"}, {"horizon", "the horizon offset"}, {"style.*", "the style"}} {
		at := "proof." + g.name + "."
		fs = append(fs,
			Field{Path: at + "at", Type: Time, Doc: "When " + g.of + " were tested.", Example: "2026-03-02T11:00:00Z"},
			Field{Path: at + "unit", Type: String, MaxLen: 100, Doc: "Unit it was tested on, by serial or label.", Example: "Large A"},
			Field{Path: at + "place", Type: String, Enum: []string{"hand", "stand"}, Doc: "Where: handheld, or on the stand only.", Example: "hand"},
			Field{Path: at + "by", Type: String, MaxLen: 200, Doc: "Who tested it.", Example: "A-cam operator"},
			Field{Path: at + "firmware", Type: String, MaxLen: 100, Doc: "Firmware text the unit showed.", Example: "2.4"},
			Field{Path: at + "minutes", Type: Float, Unit: "min", Min: At(0), Max: At(1440), Doc: "Minutes tested.", Example: 15.0},
			Field{Path: at + "note", Type: String, Doc: "What was noticed.", Example: "Smooth on the stairs; a little late on whips."},
			Field{Path: at + "rig", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "The rig's fingerprint at the time."},
			Field{Path: at + "digest", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "Digest of the group's values at the time."},
			Field{Path: at + "stale", Type: String, Derived: true, MaxLen: 400, Doc: "Why the proof ended (by a merge or handover).", Example: "stiffness merged from two sides"},
		)
		if g.name == "hold" || g.name == "limits" {
			fs = append(fs, Field{Path: at + "tilts_deg", Type: Floats, Unit: "°", Min: At(-180), Max: At(180), MaxLen: 20, Doc: "Tilts at which it was tested, up positive.", Example: []any{-60.0, 0.0, 45.0}})
		}
		if g.name == "limits" {
			fs = append(fs, Field{Path: at + "parts", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "Digest of the parts' sizes and places at the time."})
		}
	}
	at := "proof.hold."
	fs = append(fs,
		Field{Path: at + "mass_kg", Type: Float, Derived: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "The build's mass at the time.", Example: 3.21},
		Field{Path: at + "cg_mm", Type: Floats, Derived: true, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Its centre of gravity at the time.", Example: []any{2.0, 0.0, -1.5}},
	)
	for _, a := range axisNames {
		fs = append(fs,
			Field{Path: at + "effort_pct." + a, Type: Float, Unit: "%", Min: At(-100), Max: At(100), Doc: "Resting effort on this axis.", Example: 1.5},
			Field{Path: at + "onset." + a, Type: Float, Doc: "Stiffness at which this axis began to oscillate, in dial numbers.", Example: 55.0, Of: "stiffness." + a},
			Field{Path: at + "onset_hz." + a, Type: Float, Unit: "Hz", Above: At(0), Max: At(MaxShakeHz), Doc: "Frequency of that oscillation, if known.", Example: 18.0},
			Field{Path: at + "inertia_kgm2." + a, Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Least inertia about this axis over the tilts in use at the time.", Example: 0.031},
			Field{Path: at + "inertia_most_kgm2." + a, Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Greatest inertia about this axis over the tilts in use at the time.", Example: 0.034},
			Field{Path: at + "onset_tilt_deg." + a, Type: Float, Unit: "°", Min: At(-MaxTiltDeg), Max: At(MaxTiltDeg), Doc: "Tilt at which that oscillation was seen, up positive.", Example: -40.0},
			Field{Path: at + "onset_inertia_kgm2." + a, Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Inertia about this axis at that tilt.", Example: 0.031},
		)
	}
	return fs
}
