package main

import "testing"

// A command to type stands alone on its line, whatever words were before it.
func TestCommandsStandAlone(t *testing.T) {
	for in, want := range map[string]string{
		"not saved yet; save it with: rigkeep save b-cam -m WHY":                                 "not saved yet\nTry: rigkeep save b-cam -m WHY",
		"for example: rigkeep fit b-cam":                                                         "Try: rigkeep fit b-cam",
		"next: rigkeep fit RIG, then rigkeep start RIG --write":                                  "Try: rigkeep fit RIG\nTry: rigkeep start RIG --write",
		"answer with flags, or --plain":                                                          "answer with flags, or --plain",
		"List them with: rigkeep rig list":                                                       "Try: rigkeep rig list",
		"Make one with `rigkeep init DIR`":                                                       "Try: rigkeep init DIR",
		"when it has been worked, record the proof: rigkeep prove b-cam":                         "when it has been worked, record the proof\nTry: rigkeep prove b-cam",
		"no rigs yet; add one with: rigkeep rig add FILE":                                        "no rigs yet\nTry: rigkeep rig add FILE",
		"did you mean b-cam?\nTry: rigkeep show b-cam":                                           "did you mean b-cam?\nTry: rigkeep show b-cam",
		"for example: rigkeep diagnose --axis tilt; or --plain to be asked":                      "or --plain to be asked\nTry: rigkeep diagnose --axis tilt",
		"See the jobs with: rigkeep job list; the revisions of a tune with: rigkeep history RIG": "Try: rigkeep job list\nTry: rigkeep history RIG",
	} {
		if got := tries(in); got != want {
			t.Errorf("%q:\n%s\nnot\n%s", in, got, want)
		}
	}
}
