package schema

// reviewBalance: is what hangs on the motors within what they should carry?
var reviewBalance = ReviewFamily{
	Name: "balance", Title: "Balance and payload",
	About: "Balance comes before every other setting, and the maker's payload limit before that.",
	Rules: []ReviewRule{
		{
			ID: "payload-over", Title: "Payload over the limit", Severity: Fix, Weight: 100,
			Why:      "Beyond the maker's limit neither the motors nor the structure are made for it.",
			Do:       "Take parts off, or put the build on a gimbal that may carry it.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when the parts of the build weigh more than payload.max_kg of the gimbal sheet. Parts that were not written down are not counted.",
		},
		{
			ID: "payload-near", Title: "Payload near the limit", Severity: Check, Weight: 70,
			Why:      "There is little torque left for wind, acceleration and an imbalance, and a small addition goes over.",
			Do:       "Check what may still be added (cards, cables, a filter tray) and the resting effort of each axis.",
			Commands: []string{"rigkeep fit {rig}"},
			Limit:    &ReviewLimit{Value: 90, Unit: "% of the limit", Source: "common practice, no source"},
			About:    "Fires when the build weighs more than 90 % of payload.max_kg of the gimbal sheet, and not more than all of it.",
		},
		{
			ID: "payload-under", Title: "Payload under the smallest", Severity: Check, Weight: 35,
			Why:      "A head that is lighter than the maker allows has less inertia than the loop was made for and oscillates sooner.",
			Do:       "Add a counterweight, or begin from low stiffness.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when the build weighs less than payload.min_kg of the gimbal sheet, where the sheet gives it.",
		},
		{
			ID: "effort-over", Title: "Resting effort too high", Severity: Fix, Weight: 90,
			Why:      "An imbalance eats torque and battery, heats the motor, and hides behind stiffness until the motor gives way.",
			Do:       "Balance {keys} first, then look at stiffness again.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when a resting effort recorded with the proof, sign aside, is over balance.workable_pct of the gimbal sheet (4 % where the sheet does not say: common practice, no source).",
		},
		{
			ID: "effort-unread", Title: "Resting effort not recorded", Severity: Note, Weight: 20,
			Why:      "Without it nobody can tell on the day whether the balance is still what it was.",
			Do:       "Read the resting effort of {keys} and give it when proving.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the proof has no resting effort for a motor axis of the gimbal.",
		},
		{
			ID: "horizon-offset", Title: "Horizon offset is not zero", Severity: Check, Weight: 60,
			Why:      "An offset set for one mount or one shot tilts the horizon of all that follow.",
			Do:       "Level the head against a true horizon or a level; if it is straight at zero, take the offset out.",
			Commands: []string{"rigkeep set {ref} horizon.offset_deg=0"},
			About:    "Fires when horizon.offset_deg of the tune is anything but zero.",
		},
	},
}
