// Package schematest has what a test needs to show that its package knows a new
// parameter with no change of its own: a sample parameter, the shipped catalogue
// with that parameter in it, and a gimbal sheet and a tune that use it. For
// tests only.
package schematest

import (
	"fmt"

	"rigkeep/schema"
)

// Key is the sample parameter's key.
const Key = "recovery.tilt"

// Slug is the sample sheet's slug; Rig is the fingerprint that the sample tunes name.
const (
	Slug = "sample"
	Rig  = "k7qd2m9x4c"
)

// Param is an invented parameter in a group of its own, on a dial with a map to
// SI, complete with texts. The shipped catalogue does not have it.
func Param() schema.Param {
	return schema.Param{
		Field: schema.Field{Path: Key, Type: schema.Float, Doc: "How quickly the tilt motor works off a standing error (dial number).", Example: 10.0},
		Name:  "recovery, tilt", Group: "recovery", Axis: "tilt", Order: 15,
		Dial: Key, SI: map[string]int{"1/s": 1}, Up: "quicker recovery", Down: "slower recovery",
		Step: 1, Coarse: 5,
		Does:         "An integral term: torque that goes on growing while an error stands.",
		Raise:        "With a quicker recovery a standing error is gone sooner; phase margin shrinks at low frequency.",
		Lower:        "With a slower recovery a standing error stays longer; the loop is calmer.",
		TooMuch:      "A slow rocking about level after each disturbance.",
		TooLittle:    "The lens hangs a little after a change of load.",
		Cautions:     []string{"Start low and keep a hand at the motor switch."},
		With:         []schema.Interaction{{Key: "stiffness.tilt", Text: "A stiffer axis has less standing error to work off."}},
		Significance: schema.Significance{Notable: 1, Major: 2},
	}
}

// Catalogue is the shipped catalogue with the sample parameter.
func Catalogue() *schema.Catalogue { return schema.Default().With(Param()) }

// SheetDoc is a gimbal sheet of the sample catalogue as a document: dials 0 to
// 100, coarse 5, fine 1 for every parameter that has one, a larger number going
// up, a linear map on the sample parameter (0 to 2 per second) and a reference at
// 3 kg with Key at 20 and the stiffness of tilt at 40. Each call makes a new one.
func SheetDoc() schema.Tree {
	c := Catalogue()
	dials := schema.Tree{}
	for _, p := range c.Params() {
		if p.Dial == "" {
			continue
		}
		at := dials
		for _, s := range schema.SplitPath(p.Dial) {
			next, ok := at[s].(schema.Tree)
			if !ok {
				next = schema.Tree{}
				at[s] = next
			}
			at = next
		}
		at["min"], at["max"], at["coarse"], at["fine"] = int64(0), int64(100), int64(5), int64(1)
		at["up"], at["default"] = p.Up, int64(10)
		if p.Path == Key {
			at["map"] = schema.Tree{"kind": "linear", "unit": "1/s", "at_min": 0.0, "at_max": 2.0}
		}
	}
	motors, moving := schema.Tree{}, schema.Tree{}
	for _, a := range schema.Axes {
		motors[a.String()] = schema.Tree{"torque_nm": 2.0}
		moving[a.String()] = schema.Tree{"inertia_kgm2": 0.01}
	}
	return schema.Tree{
		"format": int64(schema.Format), "kind": schema.KindGimbal, "name": "Sample (invented)",
		"payload": schema.Tree{"max_kg": 6.0}, "travel": schema.Tree{"tilt": schema.Tree{"up_deg": 90.0, "down_deg": 120.0}},
		"motor": motors, "moving": moving, "dial": dials,
		"reference": []any{schema.Tree{"payload_kg": 3.0, "source": "invented",
			"recovery": schema.Tree{"tilt": int64(20)}, "stiffness": schema.Tree{"tilt": int64(40)}}},
	}
}

// Sheet is SheetDoc, decoded. It panics if the sheet is refused, which a test
// of package schema excludes.
func Sheet() *schema.Sheet {
	s, ps := Catalogue().Sheet(Slug, SheetDoc())
	if s == nil {
		panic(fmt.Sprint("schematest: ", ps))
	}
	s.Units = []schema.Unit{{Serial: "S-1", Label: "Sample A"}}
	return s
}

// TuneDoc is a tune for Rig with the sample parameter at v, as a document. Each
// call makes a new one.
func TuneDoc(v float64) schema.Tree {
	return schema.Tree{
		"format": int64(schema.Format), "kind": schema.KindTune, "rig": Rig,
		"stiffness": schema.Tree{"pan": int64(41), "roll": int64(38), "tilt": int64(47)},
		"recovery":  schema.Tree{"tilt": v},
		"filters":   schema.Tree{"sensing": int64(3), "drive": int64(2)},
		"follow":    schema.Tree{"walk": schema.Tree{"deadband": schema.Tree{"pan": int64(6)}, "lag": schema.Tree{"pan": int64(40)}}},
	}
}

// Tune is a tune for Rig with the sample parameter at v, as TOML text.
func Tune(v float64) string {
	return fmt.Sprintf(`format = %d
kind = "tune"
rig = "%s"

[stiffness]
pan = 41
roll = 38
tilt = 47

[recovery]
tilt = %s  # worked off by the second step

[filters]
sensing = 3
drive = 2

[follow.walk]
deadband = { pan = 6 }
lag = { pan = 40 }
`, schema.Format, Rig, schema.Num(v))
}
