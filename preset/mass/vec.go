package mass

import (
	"math"

	"rigkeep/preset/domain"
)

// Vec is a point or direction in the build frame: x forward along the lens,
// y left, z up (right-handed, ISO 8855); metres when it is a place.
type Vec [3]float64

// Add returns v + w. Source: definition.
func (v Vec) Add(w Vec) Vec { return Vec{v[0] + w[0], v[1] + w[1], v[2] + w[2]} }

// Sub returns v - w. Source: definition.
func (v Vec) Sub(w Vec) Vec { return Vec{v[0] - w[0], v[1] - w[1], v[2] - w[2]} }

// Scale returns s v. Source: definition.
func (v Vec) Scale(s float64) Vec { return Vec{s * v[0], s * v[1], s * v[2]} }

// Dot returns the scalar product. Source: definition.
func (v Vec) Dot(w Vec) float64 { return v[0]*w[0] + v[1]*w[1] + v[2]*w[2] }

// Cross returns the vector product v × w. Source: definition.
func (v Vec) Cross(w Vec) Vec {
	return Vec{v[1]*w[2] - v[2]*w[1], v[2]*w[0] - v[0]*w[2], v[0]*w[1] - v[1]*w[0]}
}

// Len returns the length of v without overflow on the way. Source: definition.
func (v Vec) Len() float64 { return math.Hypot(math.Hypot(v[0], v[1]), v[2]) }

// Unit returns v at length 1, and false if v has no direction. Source: definition.
func (v Vec) Unit() (Vec, bool) {
	l := v.Len()
	if !(l > 0) || math.IsInf(l, 0) {
		return Vec{}, false
	}
	return Vec{v[0] / l, v[1] / l, v[2] / l}, true
}

func (v Vec) finite() bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// Line is an axis: a point on it (m) and its direction, of any length above
// zero. A turn about it is right-handed.
type Line struct {
	Point Vec
	Dir   Vec
}

func (l Line) check(c *domain.Checker, name string) Vec {
	u, ok := l.Dir.Unit()
	if !ok {
		c.Fail(name+" direction", "", "three finite numbers, not all zero", "")
	}
	if !l.Point.finite() {
		c.Fail(name+" point", "", "three finite numbers in m", "")
	}
	return u
}

// Tensor is an inertia tensor in kg·m², symmetric, the matrix of H = I ω: the
// off-diagonals are minus the products of inertia, I_xy = -∫ x y dm.
type Tensor [3][3]float64

func (t Tensor) add(u Tensor) Tensor {
	for i := range t {
		for j := range t[i] {
			t[i][j] += u[i][j]
		}
	}
	return t
}

func (t Tensor) quad(a Vec) float64 {
	return a.Dot(Vec{Vec(t[0]).Dot(a), Vec(t[1]).Dot(a), Vec(t[2]).Dot(a)})
}

// parallelAxis is what mass m adds when it sits at d from the reference point.
func parallelAxis(m float64, d Vec) Tensor {
	var t Tensor
	dd := d.Dot(d)
	for i := range t {
		for j := range t[i] {
			t[i][j] = -m * d[i] * d[j]
		}
		t[i][i] += m * dd
	}
	return t
}

// InFrame returns the tensor in a turned frame whose three axes are given in the
// build frame, one per row, of any length above zero.
//
// Errors: *domain.Error if a row has no direction or the rows are not
// perpendicular to within 0.001.
//
// Source: I' = A I Aᵀ, Meriam & Kraige, Dynamics, App. B (from memory).
func (t Tensor) InFrame(rows [3]Vec) (Tensor, error) {
	c := domain.Checker{Model: "mass"}
	var a [3]Vec
	for i, r := range rows {
		u, ok := r.Unit()
		if !ok {
			c.Fail("a row of the frame", "", "three finite numbers, not all zero", "")
		}
		a[i] = u
	}
	for i := range a {
		d := a[i].Dot(a[(i+1)%3])
		c.That(math.Abs(d) <= 1e-3, "the cosine between two rows of the frame", d, "0 (rows at right angles)", "")
	}
	if err := c.Err(); err != nil {
		return Tensor{}, err
	}
	var out Tensor
	for i := range out {
		ti := Vec{Vec(t[0]).Dot(a[i]), Vec(t[1]).Dot(a[i]), Vec(t[2]).Dot(a[i])}
		for j := range out {
			out[i][j] = ti.Dot(a[j])
		}
	}
	return out, nil
}

// Rotation turns vectors of a part's own frame into the build frame; row i gives
// component i of the result.
type Rotation [3][3]float64

// NoTurn is the rotation that leaves everything where it is.
var NoTurn = Rotation{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

// Apply returns R v. Source: definition.
func (r Rotation) Apply(v Vec) Vec {
	return Vec{Vec(r[0]).Dot(v), Vec(r[1]).Dot(v), Vec(r[2]).Dot(v)}
}

// Mul returns r s: s first, then r. Source: definition.
func (r Rotation) Mul(s Rotation) Rotation {
	var out Rotation
	for i := range out {
		for j := range out {
			for k := range out {
				out[i][j] += r[i][k] * s[k][j]
			}
		}
	}
	return out
}

// Column returns where the part's own axis j (0 x, 1 y, 2 z) points. Source: definition.
func (r Rotation) Column(j int) Vec { return Vec{r[0][j], r[1][j], r[2][j]} }

// Inverse returns the rotation that undoes r. Source: definition.
func (r Rotation) Inverse() Rotation {
	return Rotation{[3]float64(r.Column(0)), [3]float64(r.Column(1)), [3]float64(r.Column(2))}
}

// FromTurns returns R = Rz(pan) Ry(tilt) Rx(roll), angles in rad: the part is
// turned first about the build's x (roll: its left side rises), then about the
// build's y (tilt: its nose drops), then about the build's z (pan: its nose goes
// left). All three are right-handed about axes that stay with the build;
// the same as pan, tilt, roll in that order about axes that go with the part.
//
// Source: elementary rotations, Goldstein, Classical Mechanics, ch. 4 (from memory).
func FromTurns(roll, tilt, pan float64) Rotation {
	return FromVector(Vec{0, 0, pan}).Mul(FromVector(Vec{0, tilt, 0})).Mul(FromVector(Vec{roll, 0, 0}))
}

// FromVector returns the right-handed turn about v by |v| rad.
//
// Source: Rodrigues' rotation formula, Goldstein, Classical Mechanics, ch. 4 (from memory).
func FromVector(v Vec) Rotation {
	angle := v.Len()
	u, ok := v.Unit()
	if !ok {
		return NoTurn
	}
	s, c := math.Sincos(angle)
	d := 2 * math.Pow(math.Sin(angle/2), 2) // 1 - cos without cancellation
	x, y, z := u[0], u[1], u[2]
	return Rotation{
		{c + d*x*x, d*x*y - s*z, d*x*z + s*y},
		{d*x*y + s*z, c + d*y*y, d*y*z - s*x},
		{d*x*z - s*y, d*y*z + s*x, c + d*z*z},
	}
}

// alongZ returns a rotation that takes z onto the unit vector w; which way round
// does not matter for a body of revolution.
func alongZ(w Vec) Rotation {
	h := Vec{1, 0, 0}
	if math.Abs(w[0]) >= 0.9 {
		h = Vec{0, 1, 0}
	}
	u, _ := h.Cross(w).Unit()
	v := w.Cross(u)
	return Rotation{{u[0], v[0], w[0]}, {u[1], v[1], w[1]}, {u[2], v[2], w[2]}}
}
