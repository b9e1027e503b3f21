package preset

import (
	"fmt"
	"strings"
	"time"

	"rigkeep/schema"
)

// Pin is one rig's tune on a job.
type Pin struct {
	Rig, Tune string
	Revision  string // full commit id, "" until saved for the job
	Unit      string
}

// Shot is one entry of a job's shot list.
type Shot struct {
	Name, Kind, Rig, Style string
	LensMM                 float64 // 0 unknown
	TiltUpDeg, TiltDownDeg float64
}

// For reports whether a shot is for this rig: it names it by alias or fingerprint, an
// earlier one of the same rig too, or names none.
func (s Shot) For(r Rig) bool {
	if s.Rig == "" || s.Rig == r.Alias {
		return true
	}
	if !IsFingerprint(s.Rig) {
		return false
	}
	for _, fp := range append([]string{r.ID}, r.Was...) {
		if strings.HasPrefix(fp, s.Rig) {
			return true
		}
	}
	return false
}

// Accepted is a review finding that somebody accepted, until a day.
type Accepted struct {
	Finding, Why, By string
	Seen             string    // digest of what was found, "" for whatever is found
	Until            time.Time // last day
}

// Job is a shoot.
type Job struct {
	Slug              string // file name without .toml: <date>-<slug>
	Name, State, Note string
	From, To          time.Time
	Widest, Longest   float64    // mm, 0 unknown
	Sensor            [2]float64 // mm, zero unknown
	Squeeze           float64    // 1 for none
	DriftPct, DelayS  float64    // tolerances, 0 not stated
	Sway              map[schema.Axis]float64
	Crew              []Crew
	Shots             []Shot
	Pins              []Pin
	Accepted          []Accepted
}

// Crew is one role on a job.
type Crew struct{ Role, Name string }

func decodeJob(slug string, doc schema.Tree) Job {
	f := schema.Flatten(doc)
	j := Job{
		Slug: slug, Name: f.Str("name"), State: f.Str("state"), Note: f.Str("note"), From: f.Time("from"), To: f.Time("to"),
		Widest: f.NumOr("lens.widest_mm", 0), Longest: f.NumOr("lens.longest_mm", 0), Squeeze: f.NumOr("lens.squeeze", 1),
		DriftPct: f.NumOr("tolerance.drift_pct", 0), DelayS: f.NumOr("tolerance.delay_s", 0), Sway: map[schema.Axis]float64{},
	}
	if j.To.IsZero() {
		j.To = j.From
	}
	if s := f.Nums("lens.sensor_mm"); len(s) == 2 {
		j.Sensor = [2]float64{s[0], s[1]}
	}
	for _, a := range schema.Axes {
		if v, ok := f.Num("sway." + a.String() + "_deg"); ok {
			j.Sway[a] = v
		}
	}
	for i := range f.Len("crew") {
		at := fmt.Sprintf("crew[%d].", i)
		j.Crew = append(j.Crew, Crew{f.Str(at + "role"), f.Str(at + "name")})
	}
	for i := range f.Len("shot") {
		at := fmt.Sprintf("shot[%d].", i)
		j.Shots = append(j.Shots, Shot{f.Str(at + "name"), f.Str(at + "kind"), f.Str(at + "rig"), f.Str(at + "style"), f.NumOr(at+"lens_mm", 0), f.NumOr(at+"tilt_up_deg", 0), f.NumOr(at+"tilt_down_deg", 0)})
	}
	for i := range f.Len("pin") {
		at := fmt.Sprintf("pin[%d].", i)
		j.Pins = append(j.Pins, Pin{f.Str(at + "rig"), f.Str(at + "tune"), f.Str(at + "revision"), f.Str(at + "unit")})
	}
	for i := range f.Len("accepted") {
		at := fmt.Sprintf("accepted[%d].", i)
		j.Accepted = append(j.Accepted, Accepted{f.Str(at + "finding"), f.Str(at + "why"), f.Str(at + "by"), f.Str(at + "seen"), f.Time(at + "until")})
	}
	return j
}

// Pin finds the pin of a rig and tune.
func (j Job) Pin(rig, tune string) (Pin, bool) {
	for _, p := range j.Pins {
		if p.Rig == rig && p.Tune == tune {
			return p, true
		}
	}
	return Pin{}, false
}
