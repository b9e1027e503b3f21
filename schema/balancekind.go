package schema

import "fmt"

func balanceKind(_ []Param) Kind {
	fields := append(head(KindBalance),
		Field{Path: "rig", Type: String, Required: true, Pattern: fingerprintPattern, Doc: "Fingerprint of the build that was balanced.", Example: "k7qd2m9x4c"},
		Field{Path: "unit", Type: String, MaxLen: 100, Doc: "Serial or label of the unit.", Example: "Large A"},
		Field{Path: "by", Type: String, MaxLen: 200, Doc: "Who balanced it.", Example: "A-cam operator"},
		Field{Path: "began", Type: Time, Required: true, Doc: "When it began.", Example: "2026-03-02T09:10:00Z"},
		Field{Path: "ended", Type: Time, Doc: "When it was done; absent while it is open.", Example: "2026-03-02T09:22:00Z"},
		Field{Path: "mass_kg", Type: Float, Derived: true, Unit: "kg", Above: At(0), Max: At(100), Doc: "The build's mass at the time.", Example: 3.21},
		Field{Path: "cg_mm", Type: Floats, Derived: true, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Its centre of gravity at the time, from its origin; absent where that is not known.", Example: []any{2.0, 0.0, -1.5}},
		Field{Path: "origin", Type: String, Derived: true, MaxLen: 400, Doc: "The origin of a typed build; absent for one joined from parts."},
		noteField(),
		Field{Path: "mark[].name", Type: String, Required: true, MaxLen: 60, Doc: "The adjustment, by its name on the gimbal sheet.", Example: "plate"},
		Field{Path: "mark[].at", Type: Time, Required: true, Doc: "When the mark was found.", Example: "2026-03-02T09:14:00Z"},
		Field{Path: "mark[].mm", Type: Float, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "The mark at which it balanced; absent where it was passed over.", Example: 47.0},
		Field{Path: "effort[].point", Type: String, Required: true, MaxLen: 400, Doc: "Where the resting effort was read, in the words of the sheet's balance check.", Example: "tilt, lens level"},
		Field{Path: "effort[].at", Type: Time, Required: true, Doc: "When it was read.", Example: "2026-03-02T09:20:00Z"},
		Field{Path: "effort[].axis", Type: String, Enum: axisNames[:], Doc: "The motor axis.", Example: "tilt"},
		Field{Path: "effort[].pct", Type: Float, Unit: "%", Min: At(-100), Max: At(100), Doc: "Resting effort; of two readings their mean. Absent where it was passed over.", Example: 1.5},
		Field{Path: "effort[].sides_pct", Type: Floats, Len: 2, Unit: "%", Min: At(-100), Max: At(100), Doc: "The two readings, where the angle was approached from either side, in the order read; half their difference is friction.", Example: []any{2.8, 1.2}},
	)
	return Kind{Name: KindBalance, Title: "Balance record", Doc: "The marks at which a build balanced, on which unit, with what resting effort.", Fields: fields, Sections: []Section{
		{Path: "mark[]", Doc: "One adjustment.", ID: []string{"name"}, Tie: []string{"at"}},
		{Path: "effort[]", Doc: "One resting effort.", ID: []string{"point"}, Tie: []string{"at"}},
	}}
}

// checkBalance tests that a record is in order and that its marks lie on the scales
// of the sheet, where it has one.
func checkBalance(f Flat, sheet *Sheet) []Problem {
	ps := inOrder(f, "began", "ended")
	for i := range f.Len("mark") {
		at := fmt.Sprintf("mark[%d].", i)
		v, ok := f.Num(at + "mm")
		if !ok || sheet == nil {
			continue
		}
		if a, known := sheet.Adjustment(f.Str(at + "name")); known {
			if p := a.Fault(v * mm); p != nil {
				p.Key = at + "mm"
				ps = append(ps, *p)
			}
		}
	}
	return ps
}

// Adjustment finds a slide by its name, without case.
func (s *Sheet) Adjustment(name string) (Adjustment, bool) {
	for _, a := range s.Adjustments {
		if CanonicalName(a.Name) == CanonicalName(name) {
			return a, true
		}
	}
	return Adjustment{}, false
}

// Fault tests a mark (m) against the scale; nil where it is on it.
func (a Adjustment) Fault(mark float64) *Problem {
	if r := a.Range; r == nil || mark >= r[0]-1e-9 && mark <= r[1]+1e-9 {
		return nil
	}
	return &Problem{What: "the mark " + Num(mark/mm) + " mm is not on the scale of " + a.Name, Want: Num(a.Range[0]/mm) + " to " + Num(a.Range[1]/mm) + " mm", Fix: "read it again, or correct range_mm in the gimbal sheet", Rule: RuleOnDial}
}
