package schema

// reviewBuild: is the build sheet the build that stands there?
var reviewBuild = ReviewFamily{
	Name: "build", Title: "The build sheet",
	About: "Marks, clearances and inertia are computed from the parts as they are written down.",
	Rules: []ReviewRule{
		{
			ID: "parts-overlap", Title: "Parts lie inside each other", Severity: Check, Weight: 57,
			Why:      "Two things cannot be in one place: a size, a place or a mount is wrong, and with it the centre of gravity.",
			Do:       "Measure {keys} again, or write inside = true where one part lies in the other on purpose.",
			Commands: []string{"rigkeep rig show {rig}", "rigkeep edit {rig} --build"},
			Limit:    &ReviewLimit{Value: 10, Unit: "mm deep, and 5 % of the smaller part", Source: "common practice, no source"},
			About:    "Fires when two parts of known size lie deeper in each other than 10 mm and by more than 5 % of the smaller one's volume. A part with inside = true is left out.",
		},
		{
			ID: "build-weighed", Title: "Weighed total and parts disagree", Severity: Check, Weight: 52,
			Why:      "Something is on the build that no part says, or a mass was typed wrong.",
			Do:       "Find what differs: a cable, a battery, a plate; then correct the parts.",
			Commands: []string{"rigkeep rig show {rig}"},
			Limit:    &ReviewLimit{Value: 20, Unit: "g, or 2 % of the weighed total where that is more", Source: "common practice, no source"},
			About:    "Fires when weighed_kg of the build sheet and the sum of its parts differ by more than 20 g and 2 %.",
		},
	},
}
