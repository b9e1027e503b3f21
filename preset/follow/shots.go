package follow

import (
	"fmt"
	"slices"
)

// Shot is a kind of shot: the move that stands for it, and how much of the frame
// the subject may drift.
type Shot struct {
	Kind string `json:"kind"` // as in a job's shot list
	Text string `json:"text"` // for a person
	Move string `json:"move"` // as ParseMove reads it
	// MaxDrift is the share of the frame's width that the subject may be off its
	// place; 0.5 is from the middle to the edge.
	MaxDrift float64 `json:"max_drift"`
	// Landing: the drift counts only from this many seconds after the operator
	// has stopped; negative: all along.
	Landing float64 `json:"landing_s"`
}

const allAlong = -1

// shots is the table of kinds. Common practice, no source: what operators call
// these shots and about how fast they turn; a job's own move may replace each.
var shots = []Shot{
	{"static", "holding a frame", "hold 8s with sway 1deg at 0.4Hz and 0.5deg at 1.1Hz", 0.05, allAlong},
	{"walk", "walking with a subject, gentle turns", "hold 1s then turn 40deg in 3s then hold 1s then turn -40deg in 3s with sway 1.5deg at 0.9Hz and 0.7deg at 1.8Hz", 0.25, allAlong},
	{"stairs", "up or down stairs, turning on the landing", "hold 2s then turn 60deg in 3s then hold 2s with sway 2.5deg at 0.8Hz and 1.2deg at 1.6Hz", 0.30, allAlong},
	{"sweep", "a slow pan across a wide scene", "pan 12deg/s for 6s with sway 0.5deg at 0.4Hz", 0.30, allAlong},
	{"chase", "after a subject who turns without notice", "turn 50deg in 1s then turn -70deg in 1.3s then hold 0.5s then turn 40deg in 0.9s with sway 2deg at 1.3Hz", 0.40, allAlong},
	{"whip", "a whip from one subject to the next", "whip 120deg", 0.10, 0.5},
}

// Shots lists the kinds of shot known.
//
// Source: common practice, no source.
func Shots() []Shot { return slices.Clone(shots) }

// ShotOf finds a kind of shot. The error is *domain.Error and lists the kinds.
//
// Source: common practice, no source.
func ShotOf(kind string) (Shot, error) {
	var kinds []string
	for _, s := range shots {
		if s.Kind == kind {
			return s, nil
		}
		kinds = append(kinds, s.Kind)
	}
	return Shot{}, refuse("kind of shot", kind, fmt.Sprintf("one of %v", kinds))
}
