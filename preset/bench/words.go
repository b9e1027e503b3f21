package bench

import (
	"fmt"
	"strings"

	"rigkeep/schema"
)

// Cautions are said when a session begins.
var Cautions = []string{
	"Power off before you move the camera on its plate; hold it before you open a clamp. Powered motors pinch.",
	"Tighten everything first. An axis that oscillates can throw a loose part: keep a hand at the motor switch while stiffness is raised, and faces and fingers clear.",
	"Values found here are working values, not a guarantee. The maker's manual, local codes and qualified crew come first.",
}

// RaiseCaution is said before each question that asks for a stiffer value.
const RaiseCaution = "Tighten everything. Keep a hand at the motor switch, faces and fingers clear."

// HandCautions are said before the kept values are worked handheld.
// Source: words only; package comment.
func (s *Session) HandCautions() []string {
	var out []string
	for _, r := range s.Results() {
		switch r.Status {
		case Failed:
			out = append(out, r.Axis.String()+" oscillates even at its softest: do not use the head like that. Quit, check balance, loose parts and filters, then try again.")
		case Skipped:
			out = append(out, r.Axis.String()+" skipped; value unchanged.")
		}
	}
	return out
}

// Raises reports whether the next question asks to set an axis stiffer than it was looked
// at last; before the first look of an axis it does.
// Source: words only; package comment.
func (s *Session) Raises() bool {
	p := s.Next()
	if p.Stage != Search && p.Stage != Relook {
		return false
	}
	a := s.st.axes[p.Axis]
	if len(a.trials) == 0 {
		return true
	}
	k, ok := a.grid.index(p.Value)
	return !ok || k > a.trials[len(a.trials)-1].k
}

// Words says how far an axis has come.
// Source: words only; package comment.
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
		s += "; CONTRADICTORY, check again: " + strings.Join(r.Contradictions, "; ")
	}
	return s
}

// Words says how far the handheld check came.
// Source: words only; package comment.
func (h HandCheck) Words() string {
	what := "tilts"
	if h.More {
		what = "points"
	}
	switch {
	case h.Done() && h.Passed == 0:
		return fmt.Sprintf("clean handheld at %d %s", h.Points, what)
	case h.Done():
		return fmt.Sprintf("clean handheld at %d %s, %s not tried", h.Clean, what, schema.Count(h.Passed, "style", "styles"))
	}
	return fmt.Sprintf("handheld at %d of %d %s", h.Clean, h.Points, what)
}

// Do says in a few words what a question asks to do, to be read at arm's length.
// Source: words only; package comment.
func (p Proposal) Do() string {
	set := fmt.Sprintf("set %s to %s", p.Axis, schema.Num(p.Value))
	switch {
	case p.Stage == Done:
		return "done"
	case p.Stage == Decide:
		return fmt.Sprintf("%s at %s: onset or not?", p.Axis, schema.Num(p.Value))
	case p.Stage == Relook:
		return set + " again"
	case p.Stage == Search:
		return set
	case p.Point.Minutes > 0:
		return fmt.Sprintf("handheld for %s minutes", schema.Num(p.Point.Minutes))
	}
	return "handheld: " + p.Point.Label
}

// How says how the head stands or is worked for a question. flat says that the axis turns the
// same at every tilt.
// Source: words only; package comment.
func (p Proposal) How(flat bool) string {
	switch {
	case p.Point.Style != "":
		return "Load the style, then walk and turn as for its shots."
	case p.Point.Minutes > 0:
		return "Walk, turn, tilt over the whole range, as on the shoot."
	case p.Stage == InHand:
		return "Walk, turn, tap the handle. Name the axis if one oscillates."
	case p.TiltDeg == nil:
		return "Tap the head at each value, and let it settle."
	}
	head := "Head level"
	switch t := *p.TiltDeg; {
	case t > 0:
		head = fmt.Sprintf("Tilt the head %s° up", schema.Num(t))
	case t < 0:
		head = fmt.Sprintf("Tilt the head %s° down", schema.Num(-t))
	}
	if flat {
		return fmt.Sprintf("%s; %s turns the same at every tilt. Tap the head.", head, p.Axis)
	}
	return fmt.Sprintf("%s: there %s has least to turn. Tap the head.", head, p.Axis)
}
