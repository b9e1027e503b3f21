package preset

import (
	"fmt"
	"time"

	"rigkeep/schema"
)

// BenchStep is one answer of a bench session.
type BenchStep struct {
	At       time.Time
	Axis     string // "" for a note
	Key      string
	Value    float64
	Saw      string
	Hz       float64
	TiltDeg  float64
	Effort   float64
	Text     string
	HasValue bool
}

// BenchResult is what a session found on one axis; zero fields are unknown.
type BenchResult struct {
	Kept, Clean, Onset, Hz float64
	Doubt                  bool
}

// BenchLog is one tuning session, step by step.
type BenchLog struct {
	Rig, Tune, Unit, By, Firmware, Note string
	Began, Ended                        time.Time // Ended is zero while the session is open
	Steps                               []BenchStep
	Results                             map[schema.Axis]BenchResult
}

// DecodeBench reads a bench log that has passed Validate.
func DecodeBench(doc schema.Tree) BenchLog {
	f := schema.Flatten(doc)
	b := BenchLog{Rig: f.Str("rig"), Tune: f.Str("tune"), Unit: f.Str("unit"), By: f.Str("by"), Firmware: f.Str("firmware"), Note: f.Str("note"),
		Began: f.Time("began"), Ended: f.Time("ended"), Results: map[schema.Axis]BenchResult{}}
	for i := 0; i < f.Len("step"); i++ {
		at := fmt.Sprintf("step[%d].", i)
		s := BenchStep{At: f.Time(at + "at"), Axis: f.Str(at + "axis"), Key: f.Str(at + "key"), Saw: f.Str(at + "saw"), Hz: f.NumOr(at+"hz", 0),
			TiltDeg: f.NumOr(at+"tilt_deg", 0), Effort: f.NumOr(at+"effort_pct", 0), Text: f.Str(at + "text")}
		s.Value, s.HasValue = f.Num(at + "value")
		b.Steps = append(b.Steps, s)
	}
	for _, a := range schema.Axes {
		at := "result." + a.String() + "."
		if len(f.Names("result."+a.String())) > 0 {
			b.Results[a] = BenchResult{f.NumOr(at+"kept", 0), f.NumOr(at+"clean", 0), f.NumOr(at+"onset", 0), f.NumOr(at+"hz", 0), f.Bool(at + "doubt")}
		}
	}
	return b
}
