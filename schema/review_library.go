package schema

// reviewLibrary: is what lies here what the others have?
var reviewLibrary = ReviewFamily{
	Name: "library", Title: "Library",
	About: "A review is only as good as the library it reads: unsaved edits, revisions that are not here, unreadable files.",
	Rules: []ReviewRule{
		{
			ID: "unreadable", Title: "Unreadable file", Severity: Fix, Weight: 99,
			Why:      "Unreadable files were not reviewed.",
			Do:       "Correct the file.",
			Commands: []string{"rigkeep check"},
			About:    "Fires when the build sheet, the tune, the gimbal sheet or a bench log that the review needs has a fault. Everything else is reviewed all the same.",
		},
		{
			ID: "tune-missing", Title: "Rig without that tune", Severity: Fix, Weight: 96,
			Why:      "No values to set.",
			Do:       "Create a starting tune, or name an existing one.",
			Commands: []string{"rigkeep start {ref} --write", "rigkeep rig show {rig}"},
			About:    "Fires when a rig is reviewed by itself that has no tune of the name: main, unless another was named. What a job pins and lacks is pin-lost.",
		},
		{
			ID: "unsaved", Title: "Edits that are not saved", Severity: Fix, Weight: 32,
			Why:      "Unsaved edits exist only here; later it is unknown what went out.",
			Do:       "Save them with a reason, or discard them.",
			Commands: []string{"rigkeep compare {rig}", "rigkeep save {rig} -m WHY", "rigkeep restore {ref}"},
			About:    "Fires when a file of a rig under review, its gimbal sheet, or the job differs from the last revision.",
		},
		{
			ID: "library-behind", Title: "Newer revisions on the server", Severity: Fix, Weight: 31,
			Why:      "A newer tune or a warning about this one may be on the server.",
			Do:       "Fetch and merge it, then review again.",
			Commands: []string{"rigkeep sync"},
			About:    "Fires when the branch of the server, as it was when last fetched, has revisions that are not here. The review itself asks no server, so it does not see what came after.",
		},
		{
			ID: "library-ahead", Title: "Not sent to the server yet", Severity: Check, Weight: 25,
			Why:      "These revisions exist only on this machine; the crew works without them.",
			Do:       "Send it.",
			Commands: []string{"rigkeep sync"},
			About:    "Fires when this library has revisions that the branch of the server, as it was when last fetched, lacks.",
		},
	},
}
