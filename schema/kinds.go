package schema

import "strings"

const (
	slugPattern        = `[a-z0-9]([a-z0-9._-]*[a-z0-9])?`
	fingerprintPattern = `[0-9a-hjkmnp-tv-z]{10}`
)

// kinds builds the field lists of every kind of file; those that hold tune
// parameters or dials take them from the catalogue's parameters.
func kinds(ps []Param) []Kind {
	head := func(kind string) []Field {
		return []Field{
			{Path: "format", Type: Int, Required: true, Min: At(1), Doc: "Version of this file's format."},
			{Path: "kind", Type: String, Required: true, Enum: []string{kind}, Doc: "What this file is."},
		}
	}
	note := Field{Path: "note", Type: String, Doc: "Anything worth telling the next person."}

	library := append(head(KindLibrary),
		Field{Path: "name", Type: String, Required: true, MaxLen: 200, Doc: "The library's name."},
		Field{Path: "units.mass", Type: String, Enum: []string{"kg", "g", "lb"}, Doc: "Unit in which masses are shown."},
		Field{Path: "units.length", Type: String, Enum: []string{"mm", "in"}, Doc: "Unit in which lengths are shown."},
		note,
	)

	rig := append(head(KindRig),
		Field{Path: "alias", Type: String, Required: true, Pattern: slugPattern, MaxLen: 64, Doc: "The name by which people call this rig."},
		Field{Path: "gimbal", Type: String, Required: true, Pattern: slugPattern, MaxLen: 64, Doc: "The gimbal sheet, by its file name without .toml."},
		Field{Path: "was", Type: Strings, Derived: true, Doc: "Earlier fingerprints of this rig, oldest first."},
		note,
		Field{Path: "part[].slot", Type: String, Required: true, Pattern: slugPattern, MaxLen: 64, Doc: "What the part is: body, lens, plate, battery, monitor."},
		Field{Path: "part[].name", Type: String, Required: true, MaxLen: 200, Doc: "Which one it is."},
		Field{Path: "part[].shape", Type: String, Enum: []string{"box", "cylinder", "tube", "sphere", "point"}, Doc: "Shape used for its inertia; without one and without a size, a solid of the stated density."},
		Field{Path: "part[].mass_kg", Type: Float, Unit: "kg", Above: At(0), Max: At(100), Doc: "Mass."},
		Field{Path: "part[].mass_g", Type: Float, Unit: "g", Above: At(0), Max: At(100000), Doc: "Mass, in grams."},
		Field{Path: "part[].mass_lb", Type: Float, Unit: "lb", Above: At(0), Max: At(220), Doc: "Mass, in pounds."},
		Field{Path: "part[].density_kg_m3", Type: Float, Unit: "kg/m³", Above: At(0), Max: At(25000), Doc: "Density from which a part without a size gets one."},
		Field{Path: "part[].turn_deg", Type: Floats, Len: 3, Unit: "°", Min: At(-360), Max: At(360), Doc: "Rotation of the part about x, then y, then z (fixed axes)."},
		Field{Path: "part[].axis", Type: String, Enum: []string{"x", "y", "z"}, Doc: "Direction of a cylinder's or tube's length; x is along the lens."},
		Field{Path: "part[].note", Type: String, Doc: "Anything worth telling about this part."},
	)
	for _, u := range []struct {
		unit string
		max  float64
	}{{"mm", 3000}, {"in", 120}} {
		rig = append(rig,
			Field{Path: "part[].size_" + u.unit, Type: Floats, Len: 3, Unit: u.unit, Min: At(0), Max: At(u.max), Doc: "Box: full edge lengths along x (forward), y (left), z (up)."},
			Field{Path: "part[].diameter_" + u.unit, Type: Float, Unit: u.unit, Above: At(0), Max: At(u.max), Doc: "Outer diameter of a cylinder, tube or sphere."},
			Field{Path: "part[].bore_" + u.unit, Type: Float, Unit: u.unit, Above: At(0), Max: At(u.max), Doc: "Inner diameter of a tube."},
			Field{Path: "part[].length_" + u.unit, Type: Float, Unit: u.unit, Above: At(0), Max: At(u.max), Doc: "Length of a cylinder or tube."},
			Field{Path: "part[].place_" + u.unit, Type: Floats, Len: 3, Unit: u.unit, Min: At(-u.max), Max: At(u.max), Doc: "Centre of the part from where the motor axes cross: x forward, y left, z up."},
		)
	}
	rig = append(rig,
		Field{Path: "resonance[].axis", Type: String, Required: true, Enum: axisNames[:], Doc: "Axis on which a part of the build rings."},
		Field{Path: "resonance[].hz", Type: Float, Required: true, Unit: "Hz", Above: At(0), Max: At(1000), Doc: "Frequency at which it rings."},
		Field{Path: "resonance[].damping", Type: Float, Required: true, Above: At(0), Max: At(1), Doc: "Damping ratio."},
		Field{Path: "resonance[].share", Type: Float, Required: true, Above: At(0), Max: At(0.95), Doc: "Share of the axis's inertia that rings."},
	)

	tune := append(head(KindTune),
		Field{Path: "rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of the rig this tune is for."},
		note,
	)
	var dials, refs []Field
	for _, p := range ps {
		tune = append(tune, p.Field)
		if p.Dial != "" {
			d := "dial." + p.Dial
			if _, ok := fieldAt(dials, d+".min"); !ok {
				dials = append(dials, dialFields(d, p)...)
			}
		}
		rf := p.Field
		rf.Path, rf.Required = "reference[]."+p.Path, false
		refs = append(refs, rf)
	}
	tune = append(tune, proofFields("proof.")...)

	gimbal := append(head(KindGimbal),
		Field{Path: "name", Type: String, Required: true, MaxLen: 200, Doc: "What the shop calls this model."},
		note,
		Field{Path: "payload.max_kg", Type: Float, Required: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "Largest mass the head may carry, from the maker's manual."},
		Field{Path: "payload.min_kg", Type: Float, Unit: "kg", Min: At(0), Max: At(100), Doc: "Smallest mass the maker allows."},
		Field{Path: "space.box_mm", Type: Floats, Len: 3, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Clear box for the build, full edges along x, y, z."},
		Field{Path: "space.centre_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Centre of the clear box from where the motor axes cross."},
		Field{Path: "space.tilt_radius_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Clear radius about the tilt axis."},
		Field{Path: "space.roll_radius_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(3000), Doc: "Clear radius about the roll axis."},
		Field{Path: "travel.tilt.up_deg", Type: Float, Required: true, Unit: "°", Min: At(0), Max: At(180), Doc: "Mechanical travel of tilt, up from level."},
		Field{Path: "travel.tilt.down_deg", Type: Float, Required: true, Unit: "°", Min: At(0), Max: At(180), Doc: "Mechanical travel of tilt, down from level."},
		Field{Path: "loop.delay_s", Type: Float, Unit: "s", Min: At(0), Max: At(1), Doc: "Delay from motion to torque, sampling included."},
		Field{Path: "loop.raise", Type: String, Enum: []string{"together", "stiffness"}, Doc: "What the stiffness dial raises: stiffness and damping together, or stiffness alone."},
		Field{Path: "filter.sensing.order", Type: Int, Min: At(1), Max: At(2), Doc: "Order of the sensing filter; 2 is Butterworth."},
		Field{Path: "filter.drive.order", Type: Int, Min: At(1), Max: At(2), Doc: "Order of the drive filter; 2 is Butterworth."},
		Field{Path: "sensor.rate_hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(100000), Doc: "Rate of the motion sensor."},
		Field{Path: "sensor.range_dps", Type: Float, Unit: "°/s", Above: At(0), Max: At(100000), Doc: "Range of the motion sensor."},
		Field{Path: "drive.rate_hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(1000000), Doc: "Rate of the motor drive."},
		Field{Path: "balance.workable_pct", Type: Float, Unit: "%", Above: At(0), Max: At(100), Doc: "Resting effort up to which the rig may be worked."},
		Field{Path: "balance.good_pct", Type: Float, Unit: "%", Above: At(0), Max: At(100), Doc: "Resting effort under which there is no more to gain."},
		Field{Path: "balance.points", Type: Strings, Doc: "What to check when balancing, in order."},
		Field{Path: "bench.order", Type: Strings, Doc: "Axes in the order in which to raise them."},
		Field{Path: "bench.margin", Type: Float, Above: At(1), Max: At(10), Doc: "Onset over the stiffness that is kept."},
		Field{Path: "follow.lag", Type: String, Enum: []string{"single", "critical", "double"}, Doc: "What smoothing is: one first-order lag, one critically damped second-order, or two lags in a row."},
		Field{Path: "obstacle[].name", Type: String, Required: true, MaxLen: 100, Doc: "A part of the gimbal that can come into frame: ring, foot, hand."},
		Field{Path: "obstacle[].place_mm", Type: Floats, Required: true, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Where its nearest point is, from where the motor axes cross, head level."},
		Field{Path: "obstacle[].radius_mm", Type: Float, Unit: "mm", Min: At(0), Max: At(1000), Doc: "Its radius about that point."},
	)
	for _, d := range []string{"forward_mm", "back_mm", "left_mm", "right_mm", "up_mm", "down_mm"} {
		gimbal = append(gimbal, Field{Path: "plate." + d, Type: Float, Unit: "mm", Min: At(0), Max: At(1000), Doc: "How far the camera can be moved " + strings.TrimSuffix(d, "_mm") + " on its plate."})
	}
	for _, a := range axisNames {
		gimbal = append(gimbal,
			Field{Path: "motor." + a + ".torque_nm", Type: Float, Required: true, Unit: "Nm", Above: At(0), Max: At(1000), Doc: "Torque at full effort."},
			Field{Path: "motor." + a + ".torque_constant_nm_a", Type: Float, Unit: "Nm/A", Above: At(0), Max: At(100), Doc: "Torque per ampere."},
			Field{Path: "motor." + a + ".winding_ohm", Type: Float, Unit: "Ω", Above: At(0), Max: At(1000), Doc: "Winding resistance."},
			Field{Path: "moving." + a + ".inertia_kgm2", Type: Float, Required: true, Unit: "kg·m²", Min: At(0), Max: At(100), Doc: "Inertia of the gimbal's own parts that turn about this axis."},
			Field{Path: "axis." + a + ".point_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "A point this motor axis runs through, if not where the axes cross."},
			Field{Path: "loop." + a + ".viscous_nms_rad", Type: Float, Unit: "Nms/rad", Min: At(0), Max: At(100), Doc: "Viscous friction."},
			Field{Path: "loop." + a + ".damping_s", Type: Float, Unit: "s", Min: At(0), Max: At(10), Doc: "Damping over stiffness, D/K."},
			Field{Path: "loop." + a + ".damping_nms_rad", Type: Float, Unit: "Nms/rad", Min: At(0), Max: At(100), Doc: "Damping, where the stiffness dial does not raise it."},
			Field{Path: "loop." + a + ".integral_hz", Type: Float, Unit: "1/s", Min: At(0), Max: At(100), Doc: "Integral over stiffness, Ki/K."},
		)
	}
	gimbal = append(gimbal, dials...)
	gimbal = append(gimbal,
		Field{Path: "unit[].serial", Type: String, Required: true, MaxLen: 100, Doc: "Serial number of one physical gimbal."},
		Field{Path: "unit[].label", Type: String, MaxLen: 100, Doc: "Shop label."},
		Field{Path: "unit[].firmware", Type: String, MaxLen: 100, Doc: "Firmware text it shows now."},
		Field{Path: "unit[].note", Type: String, Doc: "Anything to know about this unit."},
		Field{Path: "reference[].payload_kg", Type: Float, Required: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "Payload at which these values are known to work."},
		Field{Path: "reference[].source", Type: String, Required: true, MaxLen: 400, Doc: "Where that is known from."},
	)
	for _, a := range axisNames {
		gimbal = append(gimbal, Field{Path: "reference[].inertia_kgm2." + a, Type: Float, Unit: "kg·m²", Above: At(0), Max: At(100), Doc: "Inertia about this axis at that payload, gimbal's own parts included."})
	}
	gimbal = append(gimbal, refs...)

	bench := append(head(KindBench),
		Field{Path: "rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of the rig on the stand."},
		Field{Path: "tune", Type: String, Pattern: slugPattern, Doc: "The tune that was worked on."},
		Field{Path: "unit", Type: String, MaxLen: 100, Doc: "Serial or label of the unit."},
		Field{Path: "by", Type: String, MaxLen: 200, Doc: "Who stood at it."},
		Field{Path: "began", Type: Time, Required: true, Doc: "When the session began."},
		Field{Path: "ended", Type: Time, Doc: "When it ended; absent while it is open."},
		Field{Path: "firmware", Type: String, MaxLen: 100, Doc: "Firmware text of the unit."},
		note,
		Field{Path: "step[].at", Type: Time, Required: true, Doc: "When the step was answered."},
		Field{Path: "step[].axis", Type: String, Enum: axisNames[:], Doc: "The axis under test."},
		Field{Path: "step[].key", Type: String, MaxLen: 200, Doc: "The parameter under test, if not the axis's stiffness."},
		Field{Path: "step[].value", Type: Float, Doc: "The dial number that was set."},
		Field{Path: "step[].saw", Type: String, Required: true, Enum: []string{"clean", "fast", "slow", "stand", "skip", "back", "note", "effort", "hand", "reopen", "withdraw", "keep"}, Doc: "What was seen: clean, fast and rough, slow and smooth, only on the stand, skipped, taken back, a note, a resting effort, clean in the hand, sent back from the hand check, an oscillation withdrawn or kept after further looks."},
		Field{Path: "step[].hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(1000), Doc: "Frequency of the oscillation, if known."},
		Field{Path: "step[].tilt_deg", Type: Float, Unit: "°", Min: At(-180), Max: At(180), Doc: "Tilt at which it was seen."},
		Field{Path: "step[].effort_pct", Type: Float, Unit: "%", Min: At(-100), Max: At(100), Doc: "Resting effort read."},
		Field{Path: "step[].text", Type: String, Doc: "In the technician's words."},
	)
	for _, a := range axisNames {
		bench = append(bench,
			Field{Path: "result." + a + ".kept", Type: Float, Doc: "Stiffness kept."},
			Field{Path: "result." + a + ".clean", Type: Float, Doc: "Highest stiffness seen clean."},
			Field{Path: "result." + a + ".onset", Type: Float, Doc: "Lowest stiffness seen to oscillate."},
			Field{Path: "result." + a + ".hz", Type: Float, Unit: "Hz", Above: At(0), Max: At(1000), Doc: "Frequency at the onset, if known."},
			Field{Path: "result." + a + ".doubt", Type: Bool, Doc: "The answers contradict each other."},
		)
	}

	job := append(head(KindJob),
		Field{Path: "name", Type: String, Required: true, MaxLen: 200, Doc: "What the shoot is called."},
		Field{Path: "from", Type: Date, Required: true, Doc: "First day."},
		Field{Path: "to", Type: Date, Doc: "Last day."},
		Field{Path: "state", Type: String, Required: true, Enum: []string{"open", "closed"}, Doc: "Whether tunes are still pinned to it."},
		note,
		Field{Path: "lens.widest_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(2000), Doc: "Widest lens on the list."},
		Field{Path: "lens.longest_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(2000), Doc: "Longest lens on the list."},
		Field{Path: "lens.sensor_mm", Type: Floats, Len: 2, Unit: "mm", Above: At(0), Max: At(200), Doc: "Width and height of the sensor area used."},
		Field{Path: "lens.squeeze", Type: Float, Min: At(1), Max: At(3), Doc: "Anamorphic squeeze, 1 for none."},
		Field{Path: "tolerance.drift_pct", Type: Float, Unit: "%", Above: At(0), Max: At(100), Doc: "How far the subject may drift, as a share of frame width."},
		Field{Path: "tolerance.lag_s", Type: Float, Unit: "s", Above: At(0), Max: At(60), Doc: "How late the head may start."},
		Field{Path: "crew[].role", Type: String, Required: true, MaxLen: 100, Doc: "A role on the shoot."},
		Field{Path: "crew[].name", Type: String, MaxLen: 100, Doc: "Who fills it."},
		Field{Path: "shot[].name", Type: String, Required: true, MaxLen: 200, Doc: "The shot, in the list's words."},
		Field{Path: "shot[].kind", Type: String, Pattern: slugPattern, MaxLen: 40, Doc: "Kind of move: walk, stairs, sweep, chase, whip, static."},
		Field{Path: "shot[].lens_mm", Type: Float, Unit: "mm", Above: At(0), Max: At(2000), Doc: "Its lens."},
		Field{Path: "shot[].rig", Type: String, MaxLen: 64, Doc: "The rig it is for, by alias or fingerprint."},
		Field{Path: "shot[].style", Type: String, Pattern: slugPattern, MaxLen: 40, Doc: "The follow style chosen for it."},
		Field{Path: "shot[].tilt_up_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "How far up it has to look."},
		Field{Path: "shot[].tilt_down_deg", Type: Float, Unit: "°", Min: At(0), Max: At(180), Doc: "How far down it has to look."},
		Field{Path: "pin[].rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of a rig on this job."},
		Field{Path: "pin[].tune", Type: String, Required: true, Pattern: slugPattern, Doc: "Its tune."},
		Field{Path: "pin[].revision", Type: String, Pattern: `[0-9a-f]{40}`, Doc: "The commit this tune is pinned to; absent until it is saved for the job."},
		Field{Path: "pin[].unit", Type: String, MaxLen: 100, Doc: "The unit it goes out on."},
		Field{Path: "sway.pan_deg", Type: Float, Unit: "°", Above: At(0), Max: At(90), Doc: "Hand sway of the operator about pan, half of the swing."},
		Field{Path: "sway.tilt_deg", Type: Float, Unit: "°", Above: At(0), Max: At(90), Doc: "Hand sway of the operator about tilt, half of the swing."},
		Field{Path: "sway.roll_deg", Type: Float, Unit: "°", Above: At(0), Max: At(90), Doc: "Hand sway of the operator about roll, half of the swing."},
		Field{Path: "accepted[].finding", Type: String, Required: true, MaxLen: 200, Doc: "Id of a review finding that was accepted."},
		Field{Path: "accepted[].why", Type: String, Required: true, Doc: "Why."},
		Field{Path: "accepted[].by", Type: String, MaxLen: 200, Doc: "Who accepted it."},
		Field{Path: "accepted[].until", Type: Date, Required: true, Doc: "Last day on which that holds."},
	)
	return []Kind{
		{KindLibrary, "Library", library},
		{KindGimbal, "Gimbal sheet", gimbal},
		{KindRig, "Build sheet", rig},
		{KindTune, "Tune", tune},
		{KindBench, "Bench log", bench},
		{KindJob, "Job", job},
	}
}

func fieldAt(fs []Field, path string) (Field, bool) {
	for _, f := range fs {
		if f.Path == path {
			return f, true
		}
	}
	return Field{}, false
}

func dialFields(d string, p Param) []Field {
	return []Field{
		{Path: d + ".min", Type: Float, Required: true, Doc: "Smallest number of the " + p.Name + " dial."},
		{Path: d + ".max", Type: Float, Required: true, Doc: "Largest number."},
		{Path: d + ".coarse", Type: Float, Required: true, Above: At(0), Doc: "Step to use while searching."},
		{Path: d + ".fine", Type: Float, Required: true, Above: At(0), Doc: "Smallest step the controller takes."},
		{Path: d + ".up", Type: String, Required: true, Enum: []string{p.Up, p.Down}, Doc: "What a larger number is."},
		{Path: d + ".default", Type: Float, Doc: "What the controller comes with."},
		{Path: d + ".unit", Type: String, MaxLen: 20, Doc: "The controller's own unit word, if it shows one."},
		{Path: d + ".map.kind", Type: String, Enum: []string{string(Linear), string(Logarithmic), string(Table)}, Doc: "Law that takes the dial to SI."},
		{Path: d + ".map.unit", Type: String, MaxLen: 20, Doc: "Unit that the map gives."},
		{Path: d + ".map.at_min", Type: Float, Doc: "SI value at the smallest number."},
		{Path: d + ".map.at_max", Type: Float, Doc: "SI value at the largest number."},
		{Path: d + ".map.points", Type: Floats, Doc: "Table: dial, value, dial, value, from the smallest to the largest number."},
	}
}

func proofFields(at string) []Field {
	fs := []Field{
		{Path: at + "at", Type: Time, Doc: "When the tune was worked in the hand."},
		{Path: at + "unit", Type: String, MaxLen: 100, Doc: "Unit it was worked on, by serial or label."},
		{Path: at + "place", Type: String, Enum: []string{"hand", "stand"}, Doc: "Where: in the hand, or on the stand only."},
		{Path: at + "by", Type: String, MaxLen: 200, Doc: "Who worked it."},
		{Path: at + "firmware", Type: String, MaxLen: 100, Doc: "Firmware text the unit showed."},
		{Path: at + "minutes", Type: Float, Unit: "min", Min: At(0), Max: At(1440), Doc: "How long it was worked."},
		{Path: at + "styles", Type: Strings, Doc: "Follow styles that were tried."},
		{Path: at + "note", Type: String, Doc: "What was noticed."},
		{Path: at + "rig", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "The rig's fingerprint at the time."},
		{Path: at + "values", Type: String, Derived: true, Pattern: fingerprintPattern, Doc: "Digest of the tune's values at the time."},
		{Path: at + "mass_kg", Type: Float, Derived: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "The build's mass at the time."},
		{Path: at + "cg_mm", Type: Floats, Derived: true, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Its centre of gravity at the time."},
		{Path: at + "stale", Type: String, Derived: true, MaxLen: 400, Doc: "Why this proof no longer holds, where a merge or a handover ended it."},
	}
	for _, a := range axisNames {
		fs = append(fs,
			Field{Path: at + "effort_pct." + a, Type: Float, Unit: "%", Min: At(-100), Max: At(100), Doc: "Resting effort on this axis."},
			Field{Path: at + "onset." + a, Type: Float, Doc: "Stiffness at which this axis began to oscillate, in dial numbers."},
			Field{Path: at + "onset_hz." + a, Type: Float, Unit: "Hz", Above: At(0), Max: At(1000), Doc: "Frequency of that oscillation, if known."},
			Field{Path: at + "inertia_kgm2." + a, Type: Float, Derived: true, Unit: "kg·m²", Above: At(0), Max: At(1000), Doc: "Inertia about this axis at the time."},
		)
	}
	return fs
}
