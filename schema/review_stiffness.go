package schema

// reviewStiffness: how near to oscillating is it?
var reviewStiffness = ReviewFamily{
	Name: "stiffness", Title: "Stiffness",
	About: "Compares stiffness with recorded onsets and with other rigs on this gimbal.",
	Rules: []ReviewRule{
		{
			ID: "onset-near", Title: "Stiffness near a recorded onset", Severity: Fix, Weight: 95,
			Why:      "A little wear, cold or a loose clamp can be enough to make it oscillate.",
			Do:       "Lower {keys}, a hand at the motor switch, then test it handheld.",
			Commands: []string{"rigkeep bench {ref}"},
			Limit:    &ReviewLimit{Value: 3, Unit: "fine steps", Source: "common practice, no source"},
			About:    "Fires when the stiffness of an axis is within 3 fine steps below an onset that was recorded for this rig, or at or above it: in the proof, in an earlier proof of this tune, or in a bench log of this rig. An onset seen on an earlier build of the rig weighs one step less, since another inertia has another onset. Session results that contradict themselves are left out.",
		},
		{
			ID: "stiffness-above", Title: "Stiffer than near rigs", Severity: Check, Weight: 65,
			Why:      "Proved tunes of near rigs on this gimbal, scaled by inertia, are lower.",
			Do:       "Find the onset of {keys} again; if there is margin, record it with the proof.",
			Commands: []string{"rigkeep start {ref}", "rigkeep bench {ref}"},
			About:    "Fires when the stiffness of an axis is stiffer than the expected range of a starting tune, in which 90 % of proved values lie. The range is learned from proved tunes on this gimbal and the sheet's reference; where nothing is known there is none.",
		},
	},
}
