package bench

import (
	"fmt"
	"strings"

	"rigkeep/schema"
)

// Cautions are said when a session begins.
var Cautions = []string{
	"Power off before the camera is moved on its plate, and hold it before a clamp is loosened: powered motors pinch.",
	"Tighten everything first. An axis that oscillates can throw a loose part: keep a hand at the motor switch while stiffness is raised, and faces and fingers clear.",
	"Values are found from below and are a place to work from, not a promise. The maker's manual, local codes and qualified crew come first.",
}

// RaiseCaution is said before each question that asks for a stiffer value.
const RaiseCaution = "Tighten everything. Keep a hand at the motor switch, faces and fingers clear."

// HandCautions are said before the kept values are worked in the hand.
func (s *Session) HandCautions() []string {
	var out []string
	for _, r := range s.Results() {
		switch r.Status {
		case Failed:
			out = append(out, r.Axis.String()+" oscillates at its softest and has no value: do not work the head handheld like that. Leave, mend it (balance, loose parts, filters), then look at it again.")
		case Skipped:
			out = append(out, r.Axis.String()+" was skipped and stays at what it is set to.")
		}
	}
	return out
}

// Raises reports whether the next question asks to set an axis stiffer than it was looked
// at last; before the first look of an axis it does.
func (s *Session) Raises() bool {
	p := s.Next()
	if p.Stage != Search && p.Stage != Relook {
		return false
	}
	a := s.st.axes[p.Axis]
	if len(a.looks) == 0 {
		return true
	}
	k, ok := a.grid.index(p.Value)
	return !ok || k > a.looks[len(a.looks)-1].k
}

// Words says how far an axis has come.
func (r AxisResult) Words() string {
	switch r.Status {
	case Open:
		return "not finished"
	case Skipped:
		return "skipped"
	}
	s := r.Why
	if r.Hz > 0 {
		s += fmt.Sprintf(", at %s Hz", schema.Num(r.Hz))
	}
	if len(r.Contradictions) > 0 {
		s += "; CONTRADICTION, look again: " + strings.Join(r.Contradictions, "; ")
	}
	return s
}

// Words says how far the check in the hand came.
func (h HandCheck) Words() string {
	if h.Clean == h.Points && !h.Skipped {
		return fmt.Sprintf("tested handheld at %d tilts", h.Points)
	}
	return fmt.Sprintf("not tested handheld over the whole tilt range (%d of %d)", h.Clean, h.Points)
}
