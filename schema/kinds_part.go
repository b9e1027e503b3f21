package schema

// part lists the fields of one part, the same in a file of the shop and in a build sheet;
// at is what stands before each key.
func part(at string) []Field {
	fs := []Field{
		{Path: at + "name", Type: String, Required: true, MaxLen: 200, Doc: "Make or name of the part.", Example: "cine body, cage and top handle"},
		{Path: at + "slot", Type: String, Pattern: slugPattern, MaxLen: 64, Doc: "Kind of part: body, lens, plate, battery, monitor.", Example: "body", Shown: true},
		{Path: at + "shape", Type: String, Enum: []string{"box", "cylinder", "tube", "sphere", "point"}, Doc: "Shape used for its inertia; without one and without a size, a solid of the stated density.", Example: "box", Shown: true},
		{Path: at + "mass_kg", Type: Float, Unit: "kg", Above: At(0), Max: At(100), Doc: "Mass. One of the masses is needed.", Example: 2.35, Shown: true},
		{Path: at + "mass_g", Type: Float, Unit: "g", Above: At(0), Max: At(100000), Doc: "Mass, in grams.", Example: 2350.0},
		{Path: at + "mass_lb", Type: Float, Unit: "lb", Above: At(0), Max: At(220), Doc: "Mass, in pounds.", Example: 5.18},
		{Path: at + "mass_oz", Type: Float, Unit: "oz", Above: At(0), Max: At(3520), Doc: "Mass, in ounces.", Example: 82.9},
		{Path: at + "cg_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Balance point from the seat, along the part's own x, y, z; if absent, the build's centre of gravity is unknown.", Example: []any{12.0, 0.0, 44.0}},
		{Path: at + "centre_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Middle of the outline from the seat, along the part's own x, y, z; if absent, the outline lies about the balance point.", Example: []any{10.0, 0.0, 44.0}},
		{Path: at + "density_kg_m3", Type: Float, Unit: "kg/m³", Above: At(0), Max: At(25000), Doc: "Density from which a part without a size gets one.", Example: 1800.0},
		{Path: at + "axis", Type: String, Enum: []string{"x", "y", "z"}, Doc: "Direction of a cylinder's or tube's length; x is along the lens.", Example: "x"},
		{Path: at + "inside", Type: Bool, Doc: "The part lies inside another one on purpose, so an overlap is not a mistake.", Example: true},
		{Path: at + "note", Type: String, Doc: "Anything worth telling about this part.", Example: "Weighed with card and cable."},
	}
	for _, u := range []struct {
		unit                   string
		max                    float64
		size                   []any
		diameter, bore, length float64
	}{
		{"mm", 3000, []any{130.0, 110.0, 105.0}, 95, 80, 120},
		{"in", 120, []any{5.1, 4.3, 4.1}, 3.75, 3.15, 4.75},
	} {
		fs = append(fs,
			Field{Path: at + "size_" + u.unit, Type: Floats, Len: 3, Unit: u.unit, Min: At(0), Max: At(u.max), Doc: "Box: full edge lengths along x (forward), y (left), z (up).", Example: u.size, Shown: u.unit == "mm"},
			Field{Path: at + "diameter_" + u.unit, Type: Float, Unit: u.unit, Above: At(0), Max: At(u.max), Doc: "Outer diameter of a cylinder, tube or sphere.", Example: u.diameter},
			Field{Path: at + "bore_" + u.unit, Type: Float, Unit: u.unit, Above: At(0), Max: At(u.max), Doc: "Inner diameter of a tube.", Example: u.bore},
			Field{Path: at + "length_" + u.unit, Type: Float, Unit: u.unit, Above: At(0), Max: At(u.max), Doc: "Length of a cylinder or tube.", Example: u.length},
		)
	}
	return append(fs,
		Field{Path: at + "mount.*.at_mm", Type: Floats, Required: true, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Where another part's seat goes, from this part's seat.", Example: []any{0.0, 0.0, 88.0}},
		Field{Path: at + "mount.*.turn_deg", Type: Floats, Len: 3, Unit: "°", Min: At(-360), Max: At(360), Doc: "How that part lies there: rotation about x, then y, then z (fixed axes).", Example: []any{0.0, 0.0, 180.0}},
		Field{Path: at + "mount.*.takes", Type: Strings, Pattern: slugPattern, MaxLen: 50, Doc: "Slots of the parts that go there by themselves.", Example: []any{"monitor"}},
	)
}

const mountDoc = "Where another part attaches, one table for each by a name of its own."

func partKind(_ []Param) Kind {
	fs := append(head(KindPart), part("")...)
	fs = append(fs,
		Field{Path: "quantity", Type: Int, Min: At(0), Max: At(10000), Doc: "How many the shop has.", Example: 2},
		Field{Path: "owner", Type: String, MaxLen: 200, Doc: "Whose it is.", Example: "desk"},
	)
	return Kind{Name: KindPart, Title: "Part", Doc: "One part of the shop: what it weighs, its size, where it balances and where other parts attach.", Fields: fs, Sections: []Section{
		{Path: "mount.*", Doc: mountDoc, Optional: true},
	}}
}

func rigKind(_ []Param) Kind {
	rig := append(head(KindRig),
		Field{Path: "alias", Type: String, Required: true, Pattern: slugPattern, MaxLen: 64, Doc: "Short name of the rig.", Example: "zoom-build"},
		Field{Path: "gimbal", Type: String, Required: true, Pattern: slugPattern, MaxLen: 64, Doc: "The gimbal sheet, by its file name without .toml.", Example: "quay-large"},
		Field{Path: "was", Type: Strings, Pattern: fingerprintPattern, Derived: true, Doc: "Earlier fingerprints of this rig, oldest first."},
		Field{Path: "clone_of", Type: String, Pattern: fingerprintPattern, Derived: true, Doc: "The rig that this one was cloned from; its filters, limits and styles are where a tune begins."},
		Field{Path: "origin", Type: String, MaxLen: 200, Doc: "From which point typed places count, in words; default: the seat of the part that sits on no other.", Example: "the plate's middle screw"},
		Field{Path: "weighed_kg", Type: Float, Unit: "kg", Above: At(0), Max: At(100), Doc: "The whole build on a scale, to hold against the sum of its parts.", Example: 2.41},
		noteField(),
	)
	rig = append(rig, part("part[].")...)
	rig = append(rig,
		Field{Path: "part[].from", Type: String, Pattern: slugPattern, MaxLen: 64, Doc: "The part of the shop that it was taken from, by its file name without .toml.", Example: "cine-body"},
		Field{Path: "part[].on", Type: String, MaxLen: 130, Doc: "The mount it sits on, as SLOT.MOUNT of another part; if absent, with no place either, the first free mount that takes its slot.", Example: "body.front"},
		Field{Path: "part[].shift_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "How far from the mount, along the mount's x, y, z.", Example: []any{-15.0, 0.0, 0.0}},
		Field{Path: "part[].turn_deg", Type: Floats, Len: 3, Unit: "°", Min: At(-360), Max: At(360), Doc: "Rotation of the part about its seat: about x, then y, then z (fixed axes).", Example: []any{0.0, 0.0, 90.0}},
		Field{Path: "part[].place_mm", Type: Floats, Len: 3, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Where its seat is, from the build's origin: x forward, y left, z up; its middle, where it has no balance point of its own.", Example: []any{-20.0, 0.0, 10.0}, Shown: true},
		Field{Path: "part[].place_in", Type: Floats, Len: 3, Unit: "in", Min: At(-120), Max: At(120), Doc: "The same, in inches.", Example: []any{-0.8, 0.0, 0.4}},
		Field{Path: "resonance[].axis", Type: String, Required: true, Enum: axisNames[:], Doc: "Axis on which the part resonates.", Example: "tilt"},
		Field{Path: "resonance[].hz", Type: Float, Required: true, Unit: "Hz", Above: At(0), Max: At(1000), Doc: "Frequency at which it rings.", Example: 22.0},
		Field{Path: "resonance[].damping", Type: Float, Required: true, Above: At(0), Max: At(1), Doc: "Damping ratio.", Example: 0.05},
		Field{Path: "resonance[].share", Type: Float, Required: true, Above: At(0), Max: At(0.95), Doc: "Share of the axis's inertia in the resonance.", Example: 0.1},
	)
	return Kind{Name: KindRig, Title: "Build sheet", Doc: "One build on one gimbal: its parts, and how they are joined.", Fields: rig, Sections: []Section{
		{Path: "part[]", Doc: "One part of the build; a table like this for each.", ID: []string{"slot", "name"}, Min: 1, Max: 200},
		{Path: "part[].mount.*", Doc: mountDoc, Optional: true},
		{Path: "resonance[]", Doc: "A part of the build that rings, where that was measured.", ID: []string{"axis"}, Tie: []string{"hz"}},
	}}
}
