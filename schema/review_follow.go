package schema

// reviewFollow: does the head follow as the shots ask?
var reviewFollow = ReviewFamily{
	Name: "follow", Title: "Follow",
	About: "The job states what its shots allow of the head; the follow model says what each style does with them. Needs SI conversions of the follow dials, and the job's tolerance.",
	Rules: []ReviewRule{
		{
			ID: "style-missing", Title: "A kind of shot without a follow style", Severity: Check, Weight: 54,
			Why:      "The operator finds no style for it on the controller, and makes one up on the day.",
			Do:       "Give a tune the style {style}, or name in the shot the style that is to serve it.",
			Commands: []string{"rigkeep explain follow.*.lag.pan", "rigkeep edit job:{job}"},
			About:    "Fires for a shot of the job whose style, or else whose kind, no tune of the job that it may be for has.",
		},
		{
			ID: "follow-drift", Title: "Subject drifts too far", Severity: Fix, Weight: 45,
			Why:      "Before the head catches up, the subject drifts further in frame than the job allows.",
			Do:       "Reduce dead band or lag for {keys}, or agree on a wider lens or limit.",
			Commands: []string{"rigkeep start {ref} --shots {shots}"},
			About:    "Fires when the follow model has the subject drift farther, as a share of the frame, than tolerance.drift_pct of the job, through the job's longest lens: for each shot of the job with its style and kind of move, and for each style named as a kind of shot; one that no shot asks for weighs one step less. The same move is taken about pan and about tilt. Sway of the hands is counted.",
		},
		{
			ID: "follow-delay", Title: "Head too far behind", Severity: Fix, Weight: 44,
			Why:      "The picture arrives later than the job allows.",
			Do:       "Reduce dead band or lag for {keys}, or agree on a longer delay.",
			Commands: []string{"rigkeep start {ref} --shots {shots}"},
			About:    "Fires when the follow model has the head later after the operator than tolerance.delay_s of the job, on the moves that follow-drift looks at, their sway left out: in starting to move, or in passing half of the first turn, whichever is later. Half of a turn counts the lag as well, which lets the head start at once and come late all the same.",
		},
		{
			ID: "deadband-sway", Title: "Dead band narrower than the operator's sway", Severity: Check, Weight: 55,
			Why:      "The head follows the operator's sway.",
			Do:       "Widen the dead band of {keys} beyond the sway, or measure the sway again.",
			Commands: []string{"rigkeep explain follow.*.deadband.pan --rig {rig}"},
			About:    "Fires when the dead band of a style, half its width in degrees by the dial's map, is smaller than the sway that the job records for its operator about that axis.",
		},
	},
}
