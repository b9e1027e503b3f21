package schema

// reviewJob: is the job itself in order?
var reviewJob = ReviewFamily{
	Name: "job", Title: "Job",
	About: "Which tune goes out on which unit, and whether two jobs ask the same unit to be two things.",
	Rules: []ReviewRule{
		{
			ID: "unit-clash", Title: "One unit, two jobs, two tunes", Severity: Fix, Weight: 55,
			Why:      "One unit holds one tune at a time; the second job would work with the first job's values.",
			Do:       "Give one of the jobs another unit, or pin the same tune.",
			Commands: []string{"rigkeep job show {other}", "rigkeep job add {job} {ref} --unit OTHER-UNIT"},
			About:    "Fires when an open job that shares a day with this one pins another tune, or another revision of it, to the same unit.",
		},
		{
			ID: "part-twice", Title: "A part is wanted twice", Severity: Fix, Weight: 58,
			Why:      "It can be on one build at a time, and the other one waits for it.",
			Do:       "Send another part, get one more, or put the rigs on one unit.",
			Commands: []string{"rigkeep job pack {job}"},
			About:    "Fires when the units of the job, or this job and another open one that shares a day with it, want more of a part than the shop has. Rigs that go on one unit share its parts. Where the shop does not say how many there are, it weighs one step less.",
		},
		{
			ID: "job-empty", Title: "The job pins no rig", Severity: Fix, Weight: 97,
			Why:      "No tune is pinned, so nothing was checked.",
			Do:       "Pin every rig that goes out.",
			Commands: []string{"rigkeep rig list", "rigkeep job add {job} RIG --unit UNIT"},
			About:    "Fires when a job is reviewed that has no [[pin]].",
		},
		{
			ID: "pin-twice", Title: "Pinned twice", Severity: Fix, Weight: 54,
			Why:      "The job has two pins for the same tune and unit; it is unclear which one counts.",
			Do:       "Keep one [[pin]] and delete the other in the job file.",
			Commands: []string{"rigkeep job show {job}", "rigkeep edit job:{job}"},
			About:    "Fires when a job pins the same tune of the same rig more than once for one unit, or without saying for which. It comes of two sides of a merge, or of a file edited by hand, which name the rig by its present and by an earlier fingerprint.",
		},
		{
			ID: "pin-lost", Title: "Pinned tune is missing", Severity: Fix, Weight: 98,
			Why:      "The job asks for a rig, a tune or a revision that the library does not have.",
			Do:       "Bring it back, or pin another.",
			Commands: []string{"rigkeep job show {job}", "rigkeep rig list"},
			About:    "Fires when a pin of the job names a rig, tune or revision that cannot be found.",
		},
		{
			ID: "pin-open", Title: "Pinned but not saved", Severity: Fix, Weight: 30,
			Why:      "The pin has no revision, so whatever is in the library on the day goes out.",
			Do:       "Save it for the job, or pin the revision that was saved.",
			Commands: []string{"rigkeep job add {job} {ref}"},
			About:    "Fires when a pin has no revision and none was saved with --job. The tune is then reviewed as it lies in the library now.",
		},
		{
			ID: "pin-behind", Title: "Newer revision available", Severity: Check, Weight: 75,
			Why:      "Work continued after the pin, so the job would go out with older values.",
			Do:       "Check the change, then pin the newer revision or accept this finding.",
			Commands: []string{"rigkeep compare {ref}@{job} {ref}", "rigkeep job add {job} {ref}"},
			About:    "Fires when the tune that lies in the library now has other values, or another proof, than the revision pinned to the job.",
		},
		{
			ID: "unit-unnamed", Title: "No unit named", Severity: Check, Weight: 30,
			Why:      "A proof counts for one unit only. Name the unit that goes out.",
			Do:       "Say which unit goes out.",
			Commands: []string{"rigkeep job add {job} {ref} --unit UNIT"},
			About:    "Fires when a pin has no unit, or one with no record.",
		},
		{
			ID: "unit-other", Title: "The tune is for another unit", Severity: Fix, Weight: 53,
			Why:      "Units of one model differ in motors, bearings and wear, and this tune was made for one of them.",
			Do:       "Send the unit that the tune is for, or make a tune for this one and prove it.",
			Commands: []string{"rigkeep job add {job} {ref} --unit {own}"},
			About:    "Fires when a tune names its unit and goes out on another.",
		},
		{
			ID: "unit-trouble", Title: "The unit has a fault", Severity: Check, Weight: 79,
			Why:      "The operator who takes it out must know.",
			Do:       "Have it looked at, or send another unit.",
			Commands: []string{"rigkeep unit show {unit}"},
			About:    "Fires when the record of a unit that goes out has a trouble note.",
		},
		{
			ID: "unit-holds", Title: "The unit does not hold this tune", Severity: Check, Weight: 78,
			Why:      "What is on the controller is what the operator will have in hand.",
			Do:       "Key the tune in and read it back.",
			Commands: []string{"rigkeep load {ref}@{job} --unit {unit}"},
			About:    "Fires when the unit that a tune goes out on holds other values, by its record.",
		},
		{
			ID: "unit-unknown", Title: "No record of what the unit holds", Severity: Check, Weight: 29,
			Why:      "The controller may hold anything, last month's job included.",
			Do:       "Key the tune in, or read back what it shows.",
			Commands: []string{"rigkeep load {ref}@{job} --unit {unit}"},
			About:    "Fires when the record of the unit that a tune goes out on has no entry of what it holds.",
		},
	},
}
