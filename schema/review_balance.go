package schema

// PayloadNear is the share of the payload limit from which a build is near it, percent (common practice, no source).
const PayloadNear = 90.0

// reviewBalance: is what hangs on the motors within what they should carry?
var reviewBalance = ReviewFamily{
	Name: "balance", Title: "Balance and payload",
	About: "Balance comes before every other setting, and the maker's payload limit before that.",
	Rules: []ReviewRule{
		{
			ID: "payload-over", Title: "Payload over the limit", Severity: Fix, Weight: 100,
			Why:      "Motors and structure are not built for more than the maker's limit.",
			Do:       "Remove parts, or use a gimbal rated for this build.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when the parts of the build weigh more than payload.max_kg of the gimbal sheet. Parts that were not written down are not counted.",
		},
		{
			ID: "payload-near", Title: "Payload near the limit", Severity: Check, Weight: 70,
			Why:      "Little torque is left for wind, acceleration and imbalance; one more accessory may exceed the limit.",
			Do:       "Check what may still be added (cards, cables, filter tray) and read the resting efforts.",
			Commands: []string{"rigkeep fit {rig}"},
			Limit:    &ReviewLimit{Value: PayloadNear, Unit: "% of the limit", Source: "common practice, no source"},
			About:    "Fires when the build weighs more than 90 % of payload.max_kg of the gimbal sheet, and not more than all of it.",
		},
		{
			ID: "payload-under", Title: "Payload below the minimum", Severity: Check, Weight: 35,
			Why:      "Below the minimum there is less inertia than the loop is made for; it oscillates sooner.",
			Do:       "Add a counterweight, or begin from low stiffness.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when the build weighs less than payload.min_kg of the gimbal sheet, where the sheet gives it.",
		},
		{
			ID: "clearance-over", Title: "Does not fit", Severity: Fix, Weight: 94,
			Why:      "A part that reaches out of the clear space strikes the gimbal when the head moves.",
			Do:       "Move the part, take it off, or take another gimbal.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when the build, balanced, reaches past the clear box or a clear radius of the gimbal sheet.",
		},
		{
			ID: "mark-travel", Title: "An adjustment ends before balance", Severity: Fix, Weight: 92,
			Why:      "The motor has to hold what the adjustment cannot take: it heats, and little torque is left.",
			Do:       "Move a part of the build the other way, or take a longer plate.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when the mark at which an adjustment would balance is not on its scale. A mark that was found is on it.",
		},
		{
			ID: "balance-build", Title: "Balanced with another build", Severity: Check, Weight: 58,
			Why:      "What changed since moves the centre of gravity, and with it the marks.",
			Do:       "Balance it as it is now.",
			Commands: []string{"rigkeep balance {rig}"},
			About:    "Fires when the balance records of a rig are all of an earlier build.",
		},
		{
			ID: "mark-doubt", Title: "Found mark disagrees with the records", Severity: Check, Weight: 56,
			Why:      "A mark far from what the other records lead to is a slip, a loose clamp, or a part that is not the one on the list.",
			Do:       "Check the mark, its scale and every clamp, and whether a part changed.",
			Commands: []string{"rigkeep balance {rig}", "rigkeep fit {rig} --why"},
			Limit:    &ReviewLimit{Value: 99, Unit: "% interval", Source: "common practice, no source"},
			About:    "Fires when a mark of the newest balance record lies outside the range that the records before it lead to.",
		},
		{
			ID: "effort-doubt", Title: "Resting effort disagrees with the marks", Severity: Check, Weight: 51,
			Why:      "With these marks the build should hold with less: something pulls, a clamp slipped, or a part moved after it was balanced.",
			Do:       "Power off, turn each axis through its travel, check every clamp and cable, then balance again.",
			Commands: []string{"rigkeep balance {rig}"},
			About:    "Fires when a resting effort of the newest balance record is more than its marks allow, by the range of the mark and 2 % for friction. It needs the motor's torque.",
		},
		{
			ID: "effort-over", Title: "Resting effort too high", Severity: Fix, Weight: 90,
			Why:      "Imbalance costs torque and battery and heats the motor. Stiffness hides it until the motor gives up.",
			Do:       "Rebalance {keys}, then check stiffness again.",
			Commands: []string{"rigkeep fit {rig}"},
			About:    "Fires when a resting effort recorded with the proof, sign aside, is over balance.workable_pct of the gimbal sheet (4 % where the sheet does not say: common practice, no source).",
		},
		{
			ID: "effort-unread", Title: "Resting effort not recorded", Severity: Note, Weight: 20,
			Why:      "Without it you cannot tell on the day whether the balance has changed.",
			Do:       "Read the resting effort of {keys} and record it with the next proof.",
			Commands: []string{"rigkeep prove {ref} --unit {unit} --place hand"},
			About:    "Fires when the proof has no resting effort for a motor axis of the gimbal.",
		},
		{
			ID: "horizon-offset", Title: "Horizon offset is not zero", Severity: Check, Weight: 60,
			Why:      "An offset set for one mount or shot tilts the horizon in all later shots.",
			Do:       "Check against a true horizon or a spirit level. If it is level at zero, remove the offset.",
			Commands: []string{"rigkeep set {ref} horizon.offset_deg=0"},
			About:    "Fires when horizon.offset_deg of the tune is anything but zero.",
		},
	},
}
