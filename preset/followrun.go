package preset

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset/follow"
	"rigkeep/schema"
)

// DefaultMove stands for a style whose name is not a kind of shot.
const DefaultMove = "turn 90deg in 2s then hold 1s"

// FollowCase is what a follow style is tried on.
type FollowCase struct {
	Move     follow.Move
	Text     string  // the move in words
	FOVh     float64 // rad, 0 without a lens
	FOVv     float64
	Landing  float64       // s after the stop from which drift counts; negative: all along
	SwayTone []follow.Tone // of the sway to let through; nil for the move's own
}

// FollowRun is what a style does on one axis.
type FollowRun struct {
	Style    string             `json:"style"`
	Axis     string             `json:"axis"`
	Response *follow.Response   `json:"response"`
	Sway     *follow.SwayPassed `json:"sway,omitempty"`
	// SwayMissing says why there is no share of sway, where the case has some.
	SwayMissing string `json:"sway_missing,omitempty"`
}

// RunFollow simulates a style of a tune on one axis. The error is *ErrNoMap where
// the sheet has no map for its dials.
//
// Source: follow.Simulate, follow.SwayGain.
func RunFollow(c *schema.Catalogue, s *schema.Sheet, t Tune, style string, a schema.Axis, k FollowCase) (*FollowRun, error) {
	si, err := FollowStyle(c, s, t, style, a)
	if err != nil {
		return nil, err
	}
	o := follow.Options{CountLanding: k.Landing >= 0, Landing: math.Max(k.Landing, 0)}
	switch a {
	case schema.Pan:
		o.FieldOfView = k.FOVh
	case schema.Tilt:
		o.FieldOfView = k.FOVv
	}
	out := &FollowRun{Style: style, Axis: a.String()}
	if out.Response, err = follow.Simulate(k.Move, si, o); err != nil {
		return nil, err
	}
	tones := k.SwayTone
	if tones == nil {
		tones = k.Move.Tones()
	}
	if len(tones) > 0 {
		if l, err := follow.SwayGain(si, tones...); err != nil {
			out.SwayMissing = err.Error()
		} else {
			out.Sway = &l
		}
	}
	return out, nil
}

// RelativeFollow compares two styles of one gimbal whose dials have no conversion to SI,
// by the ratio of the dial numbers alone: a's figures over b's. It holds only where
// the dials begin at zero and a larger number is more.
//
// Source: follow.Relative.
func RelativeFollow(s *schema.Sheet, ta Tune, a string, tb Tune, b string, x schema.Axis) (*follow.Ratio, error) {
	for _, what := range []string{"deadband", "lag"} {
		if d, ok := s.Dials["follow."+what+"."+x.String()]; ok && (d.Min != 0 || d.Sign < 0) {
			return nil, &schema.DomainError{What: "dial follow." + what + "." + x.String() + " of gimbal " + s.Slug + " does not run up from zero, so its numbers have no ratio; only the direction of a change is known"}
		}
	}
	read := func(t Tune, style, what string) float64 { v, _ := t.Style(style, what, x); return v }
	r, err := follow.Relative(read(ta, a, "deadband"), read(ta, a, "lag"), read(tb, b, "deadband"), read(tb, b, "lag"))
	return &r, err
}

// HasStyle reports whether a tune has a style on an axis.
func (t Tune) HasStyle(style string, a schema.Axis) bool {
	_, w := t.Style(style, "deadband", a)
	_, s := t.Style(style, "lag", a)
	return w || s
}

// ShotStyle is what a job's shot asks of a rig, and the style proposed for it.
type ShotStyle struct {
	Shot     Shot
	Index    int            // of the shot in the job's list
	Style    string         // name it would have in the tune
	MaxDrift float64        // share of the frame, 0 the kind's own
	Lens     float64        // mm
	LensFrom string         // "the shot's", "the job's longest"
	Proposal *StyleProposal // nil where none can be made
	Problem  string         // why
	Shadowed string         // the shot whose longer lens decides the style of this name, "" for none
}

// ProposeShots proposes a style for each shot of a job that is for this rig, or for
// any. Shots that share a style share its values: the one with the longest lens,
// where drift shows most, decides.
//
// Source: ProposeStyle.
func ProposeShots(c *schema.Catalogue, s *schema.Sheet, j Job, r Rig) ([]ShotStyle, error) {
	var out []ShotStyle
	for i, shot := range j.Shots {
		if !shot.For(r) {
			continue
		}
		x := ShotStyle{Shot: shot, Index: i, Style: shot.Style, Lens: shot.LensMM, LensFrom: "the shot's", MaxDrift: j.DriftPct / 100}
		if x.Style == "" {
			x.Style = shot.Kind
		}
		if x.Lens == 0 {
			x.Lens, x.LensFrom = j.Longest, "the job's longest"
		}
		switch {
		case shot.Kind == "":
			x.Problem = "the shot has no kind, such as walk or sweep"
		case x.Lens == 0:
			x.Problem = "no lens is known for it, nor a longest one for the job"
		case j.Sensor == [2]float64{}:
			x.Problem = "the job says no sensor"
		default:
			h, v, err := View(x.Lens, j.Sensor, j.Squeeze)
			if err == nil {
				x.Proposal, err = ProposeStyle(c, s, shot.Kind, x.Style, h, v, x.MaxDrift)
			}
			var noMap *ErrNoMap
			if errors.As(err, &noMap) {
				return nil, err // the same for every shot
			}
			if err != nil {
				x.Problem = err.Error()
			}
		}
		out = append(out, x)
	}
	for i := range out {
		for k := range out {
			a, b := out[i], out[k]
			if i != k && a.Proposal != nil && b.Proposal != nil && a.Style == b.Style && (b.Lens > a.Lens || b.Lens == a.Lens && k < i) {
				out[i].Shadowed = b.Shot.Name
			}
		}
	}
	return out, nil
}

// ShotValues are the values that the proposals would put into a tune.
func ShotValues(shots []ShotStyle) map[string]any {
	out := map[string]any{}
	for _, s := range shots {
		if s.Proposal == nil || s.Shadowed != "" {
			continue
		}
		for k, v := range s.Proposal.Values {
			out[k] = v
		}
	}
	return out
}

// StyleCase is what a style is tried on where nobody says: the kind of shot of its
// name, else DefaultMove.
func StyleCase(style string) (FollowCase, error) {
	k := FollowCase{Text: DefaultMove, Landing: -1}
	if shot, err := follow.ShotOf(style); err == nil {
		k.Text, k.Landing = shot.Move, shot.Landing
	}
	var err error
	k.Move, err = follow.ParseMove(k.Text)
	return k, err
}

// Kinds of shot that a job may name.
func ShotKinds() string {
	var out []string
	for _, s := range follow.Shots() {
		out = append(out, fmt.Sprintf("%s (%s)", s.Kind, s.Text))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}
