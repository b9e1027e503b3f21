// Package mass computes the mass properties of a build: total mass,
// centre of gravity, inertia tensor, principal axes, and the inertia each motor
// turns. SI throughout; x forward, y left, z up.
package mass

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"rigkeep/preset/domain"
)

// Shape names a solid of even density. The zero value is a part of which only
// the mass is known.
type Shape string

// The shapes, each with the fields of Part that size it.
const (
	MassOnly Shape = ""         // none: takes a cube from a stated density, and is flagged
	Box      Shape = "box"      // Size
	Cylinder Shape = "cylinder" // Radius, Length, Axis
	Tube     Shape = "tube"     // Radius, Bore, Length, Axis
	Sphere   Shape = "sphere"   // Radius
	Point    Shape = "point"    // none: no size on purpose
)

// Part is one piece of a build: a solid of even density whose centre of gravity
// lies at Place, and whose outline may lie elsewhere.
type Part struct {
	Name string
	Slot string
	Shape
	Mass   float64 // kg, above 0
	Size   Vec     // m, full edges of a box along its own x, y, z; 0 makes a thin plate or rod
	Radius float64 // m, outer radius
	Bore   float64 // m, inner radius of a tube, at most Radius
	Length float64 // m, along Axis
	Axis   Vec     // direction of a cylinder or tube in its own frame, any length; zero means z
	Turn   Turn    // how the part is turned in the build
	Place  Vec     // m, balance point of the part in the build frame
	// Outline in m leads from Place to the middle of the solid's outline, build frame.
	// It takes no part in mass, centre of gravity and inertia.
	Outline Vec
	// Density in kg/m³ sizes a part with mass only; 0 takes that of the Options.
	Density float64
}

// Turn is how a part is turned in the build: by three angles, and before that by
// a rotation vector (for those who have one). The zero value is no turn.
type Turn struct {
	Roll, Tilt, Pan float64   // rad, see FromTurns
	Vector          Vec       // rad, see FromVector
	On              *Rotation // of what the part sits on, in the build; nil for no turn
}

// Rotation returns the whole turn: Vector first, then the angles, then that of
// what the part sits on.
//
// Source: see FromTurns and FromVector.
func (t Turn) Rotation() Rotation {
	r := FromTurns(t.Roll, t.Tilt, t.Pan).Mul(FromVector(t.Vector))
	if t.On != nil {
		r = t.On.Mul(r)
	}
	return r
}

// AssumedDensity is the density of a part of which only the mass is known,
// kg/m³: about that of water, which bodies and lenses with their air come near
// to (common practice, no source).
const AssumedDensity = 1000.0

// Assumption says that a part's size was not given but taken from a density.
type Assumption struct {
	Part    string  `json:"part"`
	Slot    string  `json:"slot"`
	Density float64 `json:"density_kg_m3"`
	Side    float64 `json:"side_m"` // edge of the cube taken
}

func (a Assumption) String() string {
	return fmt.Sprintf("%s: size not given, taken as a cube of %.0f mm (%.0f kg/m³)", a.Part, a.Side*1000, a.Density)
}

// Properties are the mass properties of a build.
type Properties struct {
	Mass      float64    `json:"mass_kg"`
	CG        Vec        `json:"cg_m"`           // centre of gravity in the build frame
	Inertia   Tensor     `json:"inertia_kgm2"`   // about the centre of gravity, axes of the build frame
	Principal [3]float64 `json:"principal_kgm2"` // principal moments, ascending
	// Axes holds the principal directions as rows, in the order of Principal,
	// right-handed. With equal moments the directions in their plane are arbitrary.
	Axes    [3]Vec       `json:"principal_axes"`
	Assumed []Assumption `json:"assumed"` // parts that took their size from a density
}

// Options change how a build is computed. The zero value is the usual way.
type Options struct {
	Density float64 // kg/m³ for parts with mass only; 0 means AssumedDensity
}

// Build returns the mass properties of at least one part.
//
// Errors: *domain.Error that names the part and the field, for no parts, a mass
// of zero or less, a negative size, a bore wider than its tube, an unknown shape,
// or any number that is not finite.
//
// Source: closed forms of solids (Beer & Johnston, Vector Mechanics, inside
// cover; Meriam & Kraige, Dynamics, App. D; from memory) and the parallel axis theorem.
func Build(parts []Part) (Properties, error) { return BuildWith(parts, Options{}) }

// BuildWith is Build with options.
//
// Errors: as Build, and for a density of less than zero.
//
// Source: as Build.
func BuildWith(parts []Part, opt Options) (Properties, error) {
	solids, assumed, err := Solids(parts, opt)
	if err != nil {
		return Properties{}, err
	}
	p := Properties{Assumed: assumed}
	for _, s := range solids {
		p.Mass += s.Mass
	}
	for _, s := range solids {
		p.CG = p.CG.Add(s.Place.Scale(s.Mass / p.Mass))
	}
	for _, s := range solids {
		p.Inertia = p.Inertia.add(s.own()).add(parallelAxis(s.Mass, s.Place.Sub(p.CG)))
	}
	c := domain.Checker{Model: "mass"}
	c.Result("total mass", p.Mass)
	for i := range 3 {
		c.Result("centre of gravity", p.CG[i])
		for j := range 3 {
			c.Result("inertia", p.Inertia[i][j])
		}
	}
	if err := c.Err(); err != nil {
		return Properties{}, err
	}
	p.Principal, p.Axes, err = PrincipalAxes(p.Inertia)
	return p, err
}

// PrincipalAxes returns the principal moments in kg·m², ascending, and their
// directions as rows of a right-handed frame.
//
// Errors: *domain.Error if the eigenvalues cannot be found (not finite, or not a
// symmetric tensor).
//
// Source: eigenvalues of the symmetric inertia tensor (Goldstein, Classical
// Mechanics, ch. 5; from memory), by gonum mat.EigenSym.
func PrincipalAxes(t Tensor) ([3]float64, [3]Vec, error) {
	var (
		vals [3]float64
		rows [3]Vec
		eig  mat.EigenSym
	)
	c := domain.Checker{Model: "mass"}
	size := 0.0
	for i := range 3 {
		for j := range 3 {
			c.Finite("inertia", t[i][j])
			size = math.Max(size, math.Abs(t[i][j]))
		}
	}
	for i := range 3 {
		d := t[i][(i+1)%3] - t[(i+1)%3][i]
		c.That(math.Abs(d) <= 1e-9*size, "difference of mirrored products of inertia", d, "0 (a symmetric tensor)", "")
	}
	if err := c.Err(); err != nil {
		return vals, rows, err
	}
	if size == 0 {
		return vals, [3]Vec{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, nil
	}
	// the scale is taken out so that gram-sized and ton-sized builds are alike
	s := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			s.SetSym(i, j, t[i][j]/size)
		}
	}
	if !eig.Factorize(s, true) {
		return vals, rows, &domain.Error{Model: "mass", Name: "inertia tensor", Want: "one whose principal axes can be found"}
	}
	var vecs mat.Dense
	eig.VectorsTo(&vecs)
	for j, v := range eig.Values(nil) {
		vals[j] = v * size
		for i := range 3 {
			rows[j][i] = vecs.At(i, j)
		}
	}
	// the sign of an eigenvector is arbitrary: its largest component is made
	// positive so that results do not depend on the library's version
	for j := range 2 {
		k := 0
		for i := range 3 {
			if math.Abs(rows[j][i]) > math.Abs(rows[j][k])+1e-9 {
				k = i
			}
		}
		if rows[j][k] < 0 {
			rows[j] = rows[j].Scale(-1)
		}
	}
	rows[2] = rows[0].Cross(rows[1])
	return vals, rows, nil
}

// About returns the inertia tensor about a point (m), axes of the build frame.
//
// Errors: *domain.Error if the point is not finite.
//
// Source: parallel axis theorem in tensor form (Meriam & Kraige, Dynamics, App. B; from memory).
func (p Properties) About(point Vec) (Tensor, error) {
	c := domain.Checker{Model: "mass"}
	t := p.Inertia.add(parallelAxis(p.Mass, point.Sub(p.CG)))
	for i := range 3 {
		c.Finite("point", point[i])
		c.Result("inertia", t[i][i])
	}
	return t, c.Err()
}

// AboutAxis returns the scalar moment of inertia in kg·m² about a line.
//
// Errors: *domain.Error if the line has no direction or is not finite.
//
// Source: I_a = a·I a with the tensor about a point of the line (Hibbeler,
// Engineering Mechanics: Dynamics, ch. 21; from memory).
func (p Properties) AboutAxis(l Line) (float64, error) {
	c := domain.Checker{Model: "mass"}
	a := l.check(&c, "axis")
	if err := c.Err(); err != nil {
		return 0, err
	}
	x := a.Cross(p.CG.Sub(l.Point))
	j := p.Inertia.quad(a) + p.Mass*x.Dot(x)
	c.Result("inertia", j)
	return j, c.Err()
}

// Select returns the parts with the given names, each of which must exist once.
//
// Errors: *domain.Error that names the missing or doubled name.
//
// Source: definition.
func Select(parts []Part, names []string) ([]Part, error) {
	var out []Part
	for _, n := range names {
		i := slices.IndexFunc(parts, func(p Part) bool { return p.Name == n })
		if i < 0 {
			return nil, unknownPart(parts, n)
		}
		if slices.ContainsFunc(parts[i+1:], func(p Part) bool { return p.Name == n }) {
			return nil, &domain.Error{Model: "mass", Name: "part " + n, Want: "one part of that name", Do: "two have it; give them different names"}
		}
		out = append(out, parts[i])
	}
	return out, nil
}

func unknownPart(parts []Part, name string) error {
	var have []string
	for _, p := range parts {
		have = append(have, p.Name)
	}
	return &domain.Error{Model: "mass", Name: "part " + name, Want: "a part of the build", Do: "it has " + strings.Join(have, ", ")}
}
