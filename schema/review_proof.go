package schema

// reviewProof: does a proof stand behind what goes out?
var reviewProof = ReviewFamily{
	Name: "proof", Title: "Proof",
	About: "Is there a proof of this build, these values and this unit, and is it recent?",
	Rules: []ReviewRule{
		{
			ID: "proof-missing", Title: "Not proved on this build", Severity: Fix, Weight: 80,
			Why:      "No proof is on record for these values on this build. Any oscillation would show up on the shoot.",
			Do:       "Test it handheld over the full tilt range in every follow style, then record the proof.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the tune has no [proof.hold], and was not accepted from a handover, which is proof-handover. A starting tune is not proved by being computed, nor a bench session by being ended: prove records the handheld test.",
		},
		{
			ID: "proof-handover", Title: "Accepted from a handover, not proved here", Severity: Fix, Weight: 85,
			Why:      "A proof made elsewhere was on another unit. Accepting a handover is not a test.",
			Do:       "Balance it on this unit, find the onset, test it handheld, then record your own proof.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the newest acceptance of a handover for this tune is not followed by a proof of our own. An acceptance is known by the Handover line of its revision, or by what it wrote into the proof.",
		},
		{
			ID: "proof-rig", Title: "Build changed since its proof", Severity: Fix, Weight: 75,
			Why:      "Stiffness must match inertia: a heavier build responds more slowly, a lighter one oscillates sooner.",
			Do:       "Balance it again, find the onset again, working up, then test it handheld and record it.",
			Commands: []string{"rigkeep fit {rig}", "rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the fingerprint of the build differs from the one recorded with the proof. The build of that day is read from history and compared part by part; where it cannot be found, the mass, centre of gravity and inertias recorded with the proof are compared.",
		},
		{
			ID: "proof-tune", Title: "Values changed since its proof", Severity: Fix, Weight: 70,
			Why:      "The proof was made with other values.",
			Do:       "Test the new values handheld and record them, or restore the proved ones.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand", "rigkeep restore {then}"},
			About:    "Fires when the digest of the values differs from the one recorded with the proof. The values of that day are read from history: each key that differs is named with its steps and with who changed it last.",
		},
		{
			ID: "proof-unit", Title: "Proved on another unit", Severity: Fix, Weight: 60,
			Why:      "Units of one model differ in motors, bearings and wear, and so in their onset.",
			Do:       "Test it handheld on the unit that goes out, and record that, or send the unit it was proved on.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the job says which unit the tune goes out on and the proof was made on another. Serial and label of one unit count as the same.",
		},
		{
			ID: "proof-firmware", Title: "Firmware changed since its proof", Severity: Fix, Weight: 50,
			Why:      "New firmware may filter or scale differently, so the same numbers may behave differently.",
			Do:       "Read the maker's notes, then test it handheld again on this firmware and record it.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the firmware text recorded with the proof differs from the one that the gimbal sheet gives for the unit that goes out, or, where no unit is named, for the unit of the proof. It does not know which of the two is newer.",
		},
		{
			ID: "proof-ended", Title: "Proof ended", Severity: Fix, Weight: 65,
			Why:      "A merge or handover changed something the proof does not cover.",
			Do:       "Look at what was merged, then test it handheld and record it.",
			Commands: []string{"rigkeep history {ref}", "rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the proof carries a reason why it ended: a merge that mixed two sides within one axis, for example.",
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
			Why:      "A stand holds the head differently from hands; one can oscillate where the other does not.",
			Do:       "Test it handheld, over the whole tilt range, and record that.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the proof says stand. Oscillating on the stand but smooth handheld is acceptable, the other way round is not (common practice, no source).",
		},
		{
			ID: "proof-old", Title: "Proof is old", Severity: Check, Weight: 40,
			Why:   "Bearings wear, cables get moved, clamps get swapped. Recheck after half a year.",
			Do:    "Tap each axis and operate it for a minute. If nothing has changed, record a new proof.",
			Limit: &ReviewLimit{Value: 180, Unit: "days", Source: "common practice, no source"},
			Commands: []string{
				"rigkeep prove {ref} --unit {unit} --place hand"},
			About: "Fires when the proof was made more than 180 days before the review (before the job's first day, if that is later). It says nothing about how much the unit was used meanwhile.",
		},
	},
}
