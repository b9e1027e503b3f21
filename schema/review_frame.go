package schema

// reviewFrame: do the tilt limits suit the lens and the shots?
var reviewFrame = ReviewFamily{
	Name: "frame", Title: "Frame and tilt limits",
	About: "Tilt limits keep the gimbal out of the picture; the shot list says how far it has to look.",
	Rules: []ReviewRule{
		{
			ID: "frame-gimbal", Title: "Gimbal or hand in view", Severity: Fix, Weight: 35,
			Why:      "With the widest lens, part of the gimbal is in view before the tilt limit stops the head.",
			Do:       "Limit the tilt to the clear range, then check it through the lens.",
			Commands: []string{"rigkeep set {ref} {limits}"},
			About:    "Fires when, through the job's widest lens, a part listed under [[obstacle]] of the gimbal sheet is in view from a tilt that the limits allow. A tune without limits allows the whole travel of the gimbal. The lens is taken to see from the middle of its part in the build sheet; hands are seen only where the sheet lists them.",
		},
		{
			ID: "frame-short", Title: "Tilt limits tighter than the shot list", Severity: Fix, Weight: 36,
			Why:      "A shot needs more tilt than the limits allow.",
			Do:       "Widen the limit or change the shot.",
			Commands: []string{"rigkeep set {ref} {limits}"},
			About:    "Fires when a shot of the job that is for this rig, or for no rig in particular, has a tilt_up_deg or tilt_down_deg beyond the tune's limit or the gimbal's travel.",
		},
	},
}
