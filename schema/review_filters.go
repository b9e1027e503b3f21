package schema

// reviewFilters: is every filter setting accounted for?
var reviewFilters = ReviewFamily{
	Name: "filters", Title: "Filters",
	About: "A filter change should have a recorded reason; without one it is copied from rig to rig.",
	Rules: []ReviewRule{
		{
			ID: "filter-unexplained", Title: "Filter changed, no reason recorded", Severity: Check, Weight: 50,
			Why:      "A heavier filter delays the loop and brings the onset down; a lighter one lets ringing through.",
			Do:       "Try {keys} at the default. If the change is needed, record why.",
			Commands: []string{"rigkeep bench {ref} --saw note --key {key} --text WHY --end", "rigkeep set {ref} {defaults}"},
			About:    "Fires when a filter of the tune is not at the default that the gimbal sheet gives for its dial, and no bench log of this rig has a step that tried that filter at this value, or a note on it. A session that was merely run with it explains nothing.",
		},
	},
}
