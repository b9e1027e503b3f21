package schema

// reviewProof: does a proof stand behind what goes out?
var reviewProof = ReviewFamily{
	Name: "proof", Title: "Proof",
	About: "A tune goes out on the word of whoever worked it in the hand. These rules ask whether that word is about this build, these values, this unit, and recent.",
	Rules: []ReviewRule{
		{
			ID: "proof-missing", Title: "Never proved", Severity: Fix, Weight: 80,
			Why:      "Nobody has recorded that these values were worked on this build, so an oscillation would be found on the shoot.",
			Do:       "Work it in the hand, over the whole tilt range and in each follow style, then record it.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the tune has no [proof.hold], and was not taken over from a handover, which is proof-handover. A starting tune is not proved by being computed, nor a bench session by being ended: prove records that it was worked.",
		},
		{
			ID: "proof-handover", Title: "Taken over and never proved here", Severity: Fix, Weight: 85,
			Why:      "A proof made elsewhere is of another unit in other hands; accepting a handover does not prove it here.",
			Do:       "Balance it on this unit, look for the onset, work it in the hand, then record your own proof.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the newest acceptance of a handover for this tune is not followed by a proof of our own. An acceptance is known by the Handover line of its revision, or by what it wrote into the proof.",
		},
		{
			ID: "proof-rig", Title: "Build changed since its proof", Severity: Fix, Weight: 75,
			Why:      "Stiffness follows inertia: a heavier or longer build answers more slowly, a lighter one oscillates sooner.",
			Do:       "Balance it again, look for the onset again from below, then work it in the hand and record it.",
			Commands: []string{"rigkeep fit {rig}", "rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the fingerprint of the build differs from the one recorded with the proof. The build of that day is read from history and compared part by part; where it cannot be found, the mass, centre of gravity and inertias recorded with the proof are compared.",
		},
		{
			ID: "proof-tune", Title: "Values changed since its proof", Severity: Fix, Weight: 70,
			Why:      "The proof is of other values than those that go out.",
			Do:       "Work the new values in the hand and record them, or go back to those that were proved.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand", "rigkeep restore {then}"},
			About:    "Fires when the digest of the values differs from the one recorded with the proof. The values of that day are read from history: each key that differs is named with its steps and with who changed it last.",
		},
		{
			ID: "proof-unit", Title: "Proved on another unit", Severity: Fix, Weight: 60,
			Why:      "Two units of one model differ in motors, bearings and wear, and so does the stiffness at which they oscillate.",
			Do:       "Work it in the hand on the unit that goes out, and record that, or send the unit it was proved on.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the job says which unit the tune goes out on and the proof was made on another. Serial and shop label of one unit in the gimbal sheet are the same.",
		},
		{
			ID: "proof-firmware", Title: "Firmware changed since its proof", Severity: Fix, Weight: 50,
			Why:      "New firmware may filter, delay or scale otherwise, so the same dial numbers may not do the same.",
			Do:       "Read the maker's notes, then work it in the hand again on this firmware and record it.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the firmware text recorded with the proof differs from the one that the gimbal sheet gives for the unit that goes out, or, where no unit is named, for the unit of the proof. It does not know which of the two is newer.",
		},
		{
			ID: "proof-ended", Title: "Proof was ended", Severity: Fix, Weight: 65,
			Why:      "Something was merged or taken over that the proof does not cover.",
			Do:       "Look at what was merged, then work it in the hand and record it.",
			Commands: []string{"rigkeep history {ref}", "rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the proof carries a reason why it no longer holds: a merge that mixed two sides within one axis, for example.",
		},
		{
			ID: "proof-group", Title: "Not all of the tune is proved", Severity: Check, Weight: 74,
			Why:      "Limits, horizon and each follow style are tested by themselves, and what was not tested is not known.",
			Do:       "Try it handheld and record it.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when stiffness and filters have a proof, and the limits, the horizon or a follow style has none or one that is out of date.",
		},
		{
			ID: "proof-stand", Title: "Proved on the stand only", Severity: Fix, Weight: 40,
			Why:      "A stand holds the head otherwise than hands do: it may oscillate in one and be smooth in the other.",
			Do:       "Work it in the hand, over the whole tilt range, and record that.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the proof says stand. Oscillating on the stand but smooth in the hand is acceptable, the other way round is not (common practice, no source).",
		},
		{
			ID: "proof-old", Title: "Proof is old", Severity: Check, Weight: 40,
			Why:   "Bearings wear, cables are re-laid, clamps are swapped: what held half a year ago may not hold now.",
			Do:    "Tap each axis and work it for a minute; if it is as it was, record that.",
			Limit: &ReviewLimit{Value: 180, Unit: "days", Source: "common practice, no source"},
			Commands: []string{
				"rigkeep prove {ref} --unit {unit} --place hand"},
			About: "Fires when the proof was made more than 180 days before the review (before the job's first day, if that is later). It says nothing about how much the unit was used meanwhile.",
		},
	},
}
