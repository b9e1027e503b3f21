package preset

import (
	"fmt"
	"math"
	"sort"
	"time"

	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// BalanceMark is the mark found on one adjustment.
type BalanceMark struct {
	Name string
	At   time.Time
	Mark *float64 // m; nil where the adjustment was passed over
}

// BalanceEffort is a resting effort read at one point of the balance check.
type BalanceEffort struct {
	Point  string
	At     time.Time
	Axis   string
	Effort *float64  // %; nil where the point was passed over
	Sides  []float64 // the two readings that Effort is the mean of; nil for one
}

// BalanceRecord says at which marks a build balanced, on which unit, with what resting
// effort.
type BalanceRecord struct {
	Path                string // in the library; "" where that is not known
	Rig, Unit, By, Note string
	Began, Ended        time.Time // Ended is zero while the record is open
	MassKg              float64
	CG                  *mass.Vec // m from the build's origin; nil where it is not known
	Origin              string    // of a typed build; "" for one joined from parts
	Marks               []BalanceMark
	Efforts             []BalanceEffort
}

func decodeBalance(doc schema.Tree) BalanceRecord {
	f := schema.Flatten(doc)
	b := BalanceRecord{Rig: f.Str("rig"), Unit: f.Str("unit"), By: f.Str("by"), Note: f.Str("note"), Origin: f.Str("origin"),
		Began: f.Time("began"), Ended: f.Time("ended"), MassKg: f.NumOr("mass_kg", 0)}
	if v := f.Nums("cg_mm"); len(v) == 3 {
		b.CG = &mass.Vec{v[0] / 1000, v[1] / 1000, v[2] / 1000}
	}
	for i := range f.Len("mark") {
		at := fmt.Sprintf("mark[%d].", i)
		m := BalanceMark{Name: f.Str(at + "name"), At: f.Time(at + "at")}
		if v, ok := f.Num(at + "mm"); ok {
			v /= 1000
			m.Mark = &v
		}
		b.Marks = append(b.Marks, m)
	}
	for i := range f.Len("effort") {
		at := fmt.Sprintf("effort[%d].", i)
		e := BalanceEffort{Point: f.Str(at + "point"), At: f.Time(at + "at"), Axis: f.Str(at + "axis"), Sides: f.Nums(at + "sides_pct")}
		if v, ok := f.Num(at + "pct"); ok {
			e.Effort = &v
		}
		b.Efforts = append(b.Efforts, e)
	}
	return b
}

// Resting gives of each axis the largest effort read at any point, percent with its sign.
//
// Source: the record.
func (b BalanceRecord) Resting() map[schema.Axis]float64 {
	out := map[schema.Axis]float64{}
	newest := map[string]BalanceEffort{}
	for _, e := range b.Efforts {
		newest[e.Axis+" "+e.Point] = e
	}
	for _, e := range newest {
		a, ok := schema.ParseAxis(e.Axis)
		if !ok || e.Effort == nil {
			continue
		}
		if was, seen := out[a]; !seen || math.Abs(*e.Effort) > math.Abs(was) || math.Abs(*e.Effort) == math.Abs(was) && *e.Effort > was {
			out[a] = *e.Effort
		}
	}
	return out
}

// Open reports whether the record has not been ended.
func (b BalanceRecord) Open() bool { return b.Ended.IsZero() }

// Mark is the newest mark of an adjustment, by its name without case.
func (b BalanceRecord) Mark(name string) (m BalanceMark, ok bool) {
	for _, x := range b.Marks {
		if schema.CanonicalName(x.Name) == schema.CanonicalName(name) {
			m, ok = x, true
		}
	}
	return m, ok
}

// EffortAt is the newest effort of a point of the balance check.
func (b BalanceRecord) EffortAt(point string) (e BalanceEffort, ok bool) {
	for _, x := range b.Efforts {
		if x.Point == point {
			e, ok = x, true
		}
	}
	return e, ok
}

// Readings are the readings of an effort, percent: one, or two from either side.
//
// Source: the record.
func (e BalanceEffort) Readings() []float64 {
	switch {
	case len(e.Sides) > 0:
		return e.Sides
	case e.Effort != nil:
		return []float64{*e.Effort}
	}
	return nil
}

// NewestBalance orders records by which counts most for a rig on a unit: those of its
// present fingerprint, of the same unit, the newest. unit "" is not a unit.
//
// Source: DESIGN section 4, at balance.
func NewestBalance(records []BalanceRecord, fingerprint, unit string) (BalanceRecord, bool) {
	var own []BalanceRecord
	for _, r := range records {
		if r.Rig == fingerprint && (len(r.Marks) > 0 || len(r.Efforts) > 0) {
			own = append(own, r)
		}
	}
	if len(own) == 0 {
		return BalanceRecord{}, false
	}
	sort.SliceStable(own, func(i, j int) bool {
		a, b := own[i], own[j]
		if sa, sb := unit != "" && a.Unit == unit, unit != "" && b.Unit == unit; sa != sb {
			return sa
		}
		if !a.Began.Equal(b.Began) {
			return a.Began.After(b.Began)
		}
		return a.Path > b.Path // begun in the same second
	})
	return own[0], true
}
