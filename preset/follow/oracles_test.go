package follow

// NewTurn is a minimum-jerk turn through angle (rad, signed) in duration s.
//
// Source: Flash & Hogan 1985, as Handle.
func NewTurn(angle, duration float64) Move {
	return Move{[][]Step{{{Kind: Turn, Angle: angle, Duration: duration}}}}
}

// NewWhip is a fast minimum-jerk turn through angle (rad, signed) whose peak
// rate is WhipRate.
//
// Source: Flash & Hogan 1985 for the shape; WhipRate is common practice, no source.
func NewWhip(angle float64) Move {
	return Move{[][]Step{{{Kind: Whip, Angle: angle, Duration: whipTime(angle)}}}}
}

// NewSway is a sum of tones for duration s.
//
// Source: definition.
func NewSway(duration float64, tones ...Tone) Move {
	return Move{[][]Step{{{Kind: Sway, Duration: duration, Tones: tones}}}}
}

// Handle is the handle's angle in rad t seconds into the move, from zero at the
// start.
//
// Source: minimum-jerk turn after Flash & Hogan 1985, the rest by definition.
func (m Move) Handle(t float64) float64 {
	h, _ := heading(m.place(), t)
	return h
}
