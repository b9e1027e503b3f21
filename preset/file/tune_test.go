package file

const tune = `#:schema ../../../schema/tune.schema.json
# Main tune for the pilot boat package. Checked on the stand before every day.
format = 1
kind = "tune"
rig = "k7qd2m9x4c"
name = "main"

[stiffness]             # dial numbers of this gimbal
pan = 41                # from the bench, 12 March
roll = 38
tilt = 47

[filters]
sensing = 3
drive = 2

[limits.tilt]
up_deg = 45
down_deg = 60

[horizon]
offset_deg = 0.0

# walking shots in the corridor
[follow.walk]
deadband    = { pan = 6, tilt = 8 }
lag = { pan = 40, tilt = 45 }

[follow.sweep]
deadband    = { pan = 12, tilt = 14 }
lag = { pan = 60, tilt = 65 }

[follow.run]
deadband    = { pan = 3, tilt = 3 }
lag = { pan = 20, tilt = 25 }

[proof]
when = 2026-03-12T09:40:00Z
by = "A-cam operator"
unit = "shop-3"
effort_pct = { pan = 1.50, roll = 2.0, tilt = 0.8 }
onset = { pan = 52, roll = 47, tilt = 58 }
notes = """
Smooth in the hand at all three styles.
Slight hum on the stand at tilt 52, gone in the hand.
"""
`
