package main

import (
	"math"

	"rigkeep/preset"
	"rigkeep/preset/fit"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// The JSON shapes of answers that show a model's own values. Units stand in the
// names; answers.json has the schema of each, and a test holds it to the program.

type jsonPart struct {
	Slot      string     `json:"slot"`
	Name      string     `json:"name"`
	Shape     string     `json:"shape,omitempty"`
	Mass      float64    `json:"mass_kg"`
	Place     [3]float64 `json:"place_m"`
	Size      []float64  `json:"size_m,omitempty"`
	Diameter  float64    `json:"diameter_m,omitempty"`
	Bore      float64    `json:"bore_m,omitempty"`
	Length    float64    `json:"length_m,omitempty"`
	Direction string     `json:"axis,omitempty"`
	Turn      []float64  `json:"turn_deg,omitempty"`
	Density   float64    `json:"density_kg_m3,omitempty"`
	Note      string     `json:"note,omitempty"`
}

func jsonParts(ps []preset.Part) []jsonPart {
	out := make([]jsonPart, len(ps))
	for i, p := range ps {
		out[i] = jsonPart{Slot: p.Slot, Name: p.Name, Shape: p.Shape, Mass: p.Mass, Place: p.Place, Diameter: p.Diameter, Bore: p.Bore,
			Length: p.Length, Direction: p.Axis, Density: p.Density, Note: p.Note}
		if p.Size != [3]float64{} {
			out[i].Size = p.Size[:]
		}
		if p.Turn != [3]float64{} {
			for _, t := range p.Turn {
				out[i].Turn = append(out[i].Turn, t*180/math.Pi)
			}
		}
	}
	return out
}

// jsonBuild is what a build weighs and where.
type jsonBuild struct {
	Mass      float64     `json:"mass_kg"`
	CG        mass.Vec    `json:"cg_m"`
	Inertia   mass.Tensor `json:"inertia_kgm2"` // about the centre of gravity
	Principal mass.Vec    `json:"principal_kgm2"`
	Assumed   []string    `json:"assumed"`
}

func jsonProperties(p mass.Properties) jsonBuild {
	j := jsonBuild{p.Mass, p.CG, p.Inertia, p.Principal, []string{}}
	for _, a := range p.Assumed {
		j.Assumed = append(j.Assumed, a.String())
	}
	return j
}

type jsonAxisInertia struct {
	Worst float64 `json:"worst_kgm2"` // over the tilt range
	Level float64 `json:"level_kgm2"`
	Own   float64 `json:"gimbal_share_kgm2"`
}

// jsonRig is the documented shape of rig show.
type jsonRig struct {
	Format      int      `json:"format"`
	Fingerprint string   `json:"fingerprint"`
	Alias       string   `json:"alias"`
	Gimbal      string   `json:"gimbal"`
	Was         []string `json:"was"`
	Note        string   `json:"note,omitempty"`
	jsonBuild
	Axes      map[string]jsonAxisInertia `json:"axes"`
	Parts     []jsonPart                 `json:"parts"`
	Canonical string                     `json:"canonical"`
}

// jsonNear is one rig of rig near.
type jsonNear struct {
	Fingerprint  string     `json:"fingerprint"`
	Alias        string     `json:"alias"`
	Gimbal       string     `json:"gimbal"`
	Distance     float64    `json:"distance"` // 0.1 is about 10 %
	Share        jsonShares `json:"of_it"`    // Distance is the root of their squares' sum
	MostlyIn     string     `json:"mostly_in"`
	MassRatio    float64    `json:"mass_ratio"`
	CGShift      mass.Vec   `json:"cg_shift_m"`
	InertiaRatio [3]float64 `json:"inertia_ratio"` // about x, y, z through the centre of gravity
}

type jsonShares struct {
	Mass    float64 `json:"mass"`
	CG      float64 `json:"cg"`
	Inertia float64 `json:"inertia"`
}

func jsonNearOf(fp, alias, gimbal string, n mass.Similarity) jsonNear {
	return jsonNear{fp, alias, gimbal, n.Distance, jsonShares{n.Mass, n.CG, n.Inertia}, n.LargestShare, n.MassRatio, n.CGShift, n.InertiaRatio}
}

// jsonFit is what fit found.
type jsonFit struct {
	Grade    fit.Grade      `json:"grade"` // fits, tight, over, unknown
	Build    jsonBuild      `json:"build"`
	Payload  []fit.Item     `json:"payload"`
	Balanced []fit.Item     `json:"balanced"` // clearances with the build balanced
	Shift    mass.Vec       `json:"shift_m"`  // from the axis centre to the build's origin
	Overhang []fit.Overhang `json:"overhang"`
}

func jsonFitOf(r fit.Report) jsonFit {
	return jsonFit{r.Grade, jsonProperties(r.Properties), r.Payload, r.Balanced, r.Shift, r.Overhang}
}

// jsonJob is the documented shape of job show.
type jsonJob struct {
	Format   int        `json:"format"`
	Job      jobRow     `json:"job"`
	Note     string     `json:"note,omitempty"`
	Widest   float64    `json:"widest_mm,omitempty"`
	Longest  float64    `json:"longest_mm,omitempty"`
	Sensor   []float64  `json:"sensor_mm,omitempty"`
	DriftPct float64    `json:"drift_pct,omitempty"`
	DelayS   float64    `json:"delay_s,omitempty"`
	Pins     []jsonPin  `json:"pins"`
	Shots    []jsonShot `json:"shots"`
	Crew     []jsonCrew `json:"crew"`
}

type jsonPin struct {
	Rig      string `json:"rig"`
	Alias    string `json:"alias,omitempty"`
	Tune     string `json:"tune"`
	Revision string `json:"revision,omitempty"`
	Fixed    bool   `json:"fixed"` // named in the job, not only found by its saves
	Unit     string `json:"unit,omitempty"`
}

type jsonShot struct {
	Name        string  `json:"name"`
	Kind        string  `json:"kind,omitempty"`
	Rig         string  `json:"rig,omitempty"`
	Style       string  `json:"style,omitempty"`
	LensMM      float64 `json:"lens_mm,omitempty"`
	TiltUpDeg   float64 `json:"tilt_up_deg,omitempty"`
	TiltDownDeg float64 `json:"tilt_down_deg,omitempty"`
}

type jsonCrew struct {
	Role string `json:"role"`
	Name string `json:"name,omitempty"`
}

func jsonJobOf(j preset.Job, pins []jsonPin) jsonJob {
	out := jsonJob{Format: 1, Job: rowOf(j), Note: j.Note, Widest: j.Widest, Longest: j.Longest, DriftPct: j.DriftPct, DelayS: j.DelayS,
		Pins: pins, Shots: []jsonShot{}, Crew: []jsonCrew{}}
	if j.Sensor[0] > 0 {
		out.Sensor = j.Sensor[:]
	}
	for _, s := range j.Shots {
		out.Shots = append(out.Shots, jsonShot(s))
	}
	for _, c := range j.Crew {
		out.Crew = append(out.Crew, jsonCrew(c))
	}
	return out
}

// rowOf is what a list shows of a job.
func rowOf(j preset.Job) jobRow {
	return jobRow{Slug: j.Slug, Name: j.Name, From: schema.SayDate(j.From), To: schema.SayDate(j.To), State: j.State, Pins: len(j.Pins), Shots: len(j.Shots)}
}
