package schema

import "fmt"

// Adjustment is a slide of a gimbal by which a build is balanced, SI.
type Adjustment struct {
	Name      string
	Stage     Axis        // the motor axis that it balances
	Moves     int         // 0 along x, 1 along y, 2 along z
	Direction int         // +1 where a larger mark moves the build toward the positive end, else -1
	Range     *[2]float64 // m, least and greatest mark; nil where the sheet does not say
	// What is known of it; nil is unknown. Zero is the mark (m) at which the build's
	// origin lies on the axis, OwnMass (kg) moves with it, OwnMoment (kg·m) is what the
	// stage leaves about its axis at Zero, Offset (m) is where the inner stage's axis
	// lies.
	Zero, OwnMass, OwnMoment, Offset *float64
	// Outer says that an earlier adjustment, Adjustments[After], balances the same
	// direction on a stage further in: this one then carries a balanced load.
	Outer bool
	After int // -1 for none
}

// directions are the ways a scale can rise, with the axis and its sign.
var directions = []struct {
	name  string
	moves int
	sign  int
}{{"forward", 0, 1}, {"back", 0, -1}, {"left", 1, 1}, {"right", 1, -1}, {"up", 2, 1}, {"down", 2, -1}}

var coordinates = []string{"x", "y", "z"}

// Rising is the way the build moves with a larger mark: "forward", "back", …
func (a Adjustment) Rising() string {
	for _, d := range directions {
		if d.moves == a.Moves && d.sign == a.Direction {
			return d.name
		}
	}
	return ""
}

// ParseRising reads a way in which a scale can rise: along what, and its sign.
func ParseRising(way string) (moves, sign int, ok bool) {
	for _, d := range directions {
		if d.name == way {
			return d.moves, d.sign, true
		}
	}
	return 0, 0, false
}

// Along is what it moves the build along: "x", "y" or "z".
func (a Adjustment) Along() string { return coordinates[a.Moves] }

// Falling is the way the build moves with a smaller mark.
func (a Adjustment) Falling() string {
	a.Direction = -a.Direction
	return a.Rising()
}

func adjustmentFields() []Field {
	ways := make([]string, len(directions))
	for i, d := range directions {
		ways[i] = d.name
	}
	return []Field{
		{Path: "adjustment[].name", Type: String, Required: true, MaxLen: 60, Doc: "What this slide is called.", Example: "plate"},
		{Path: "adjustment[].stage", Type: String, Required: true, Enum: axisNames[:], Doc: "The motor axis that it balances.", Example: "tilt"},
		{Path: "adjustment[].moves", Type: String, Required: true, Enum: coordinates, Doc: "Along what it moves the build: x is along the lens, y to the left, z up.", Example: "x"},
		{Path: "adjustment[].rising", Type: String, Required: true, Enum: ways, Doc: "Where the build goes with a larger mark.", Example: "forward"},
		{Path: "adjustment[].range_mm", Type: Floats, Len: 2, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Smallest and largest mark of its scale.", Example: []any{0.0, 120.0}},
		{Path: "adjustment[].zero_mm", Type: Float, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Mark at which the build's origin lies on the motor axis; balance records give it too.", Example: 40.0},
		{Path: "adjustment[].own_mass_kg", Type: Float, Unit: "kg", Min: At(0), Max: At(100), Doc: "Mass of the gimbal that moves with it.", Example: 0.35},
		{Path: "adjustment[].own_moment_kgm", Type: Float, Unit: "kg·m", Min: At(-100), Max: At(100), Doc: "What the stage itself leaves about its motor axis at zero_mm, moved mass included.", Example: -0.004},
		{Path: "adjustment[].offset_mm", Type: Float, Unit: "mm", Min: At(-3000), Max: At(3000), Doc: "Outer stages: where the inner motor axis lies from this stage's axis at zero_mm.", Example: 12.0},
	}
}

// adjustments reads the slides of a sheet in working order.
func adjustments(f Flat) (out []Adjustment, ps []Problem) {
	names := map[string]bool{}
	for i := range f.Len("adjustment") {
		at := fmt.Sprintf("adjustment[%d].", i)
		bad := func(key, what, want, fix string, rule string) {
			ps = append(ps, Problem{Key: at + key, What: what, Want: want, Fix: fix, Rule: rule})
		}
		a := Adjustment{Name: f.Str(at + "name"), After: -1}
		a.Stage, _ = ParseAxis(f.Str(at + "stage"))
		for k, c := range coordinates {
			if c == f.Str(at+"moves") {
				a.Moves = k
			}
		}
		for _, d := range directions {
			switch {
			case d.name != f.Str(at+"rising"):
			case d.moves != a.Moves:
				bad("rising", "an adjustment that moves "+coordinates[a.Moves]+" cannot rise "+d.name, risesAlong(a.Moves), "correct moves or rising", RuleAgree)
			default:
				a.Direction = d.sign
			}
		}
		if idle := map[Axis]int{Roll: 0, Tilt: 1, Pan: 2}; idle[a.Stage] == a.Moves {
			bad("moves", "a slide along "+coordinates[a.Moves]+" balances nothing about the "+a.Stage.String()+" axis, which runs that way", "one of the other two directions", "correct moves or stage", RuleAgree)
		}
		if r := f.Nums(at + "range_mm"); len(r) == 2 {
			if r[0] >= r[1] {
				bad("range_mm", "the smallest mark "+Num(r[0])+" is not below the largest, "+Num(r[1]), "smallest, then largest", "correct it", RuleAgree)
			}
			a.Range = &[2]float64{r[0] * mm, r[1] * mm}
		}
		for _, v := range []struct {
			key   string
			scale float64
			to    **float64
		}{{"zero_mm", mm, &a.Zero}, {"own_mass_kg", 1, &a.OwnMass}, {"own_moment_kgm", 1, &a.OwnMoment}, {"offset_mm", mm, &a.Offset}} {
			if x, ok := f.Num(at + v.key); ok {
				*v.to = At(x * v.scale)
			}
		}
		if names[CanonicalName(a.Name)] {
			bad("name", "another adjustment is called "+shown(a.Name), "a name of its own", "rename one of the two", RuleDistinct)
		}
		names[CanonicalName(a.Name)] = true
		for j, b := range out {
			switch {
			case b.Moves != a.Moves:
			case b.Stage == a.Stage:
				bad("moves", shown(b.Name)+" moves "+coordinates[a.Moves]+" on the "+a.Stage.String()+" stage already", "one adjustment for each stage and direction", "leave one out, or correct its stage", RuleDistinct)
			default:
				a.Outer, a.After = true, j
			}
		}
		out = append(out, a)
	}
	return out, ps
}

func risesAlong(moves int) string {
	var w []string
	for _, d := range directions {
		if d.moves == moves {
			w = append(w, d.name)
		}
	}
	return w[0] + " or " + w[1]
}
