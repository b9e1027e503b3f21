package mass

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"rigkeep/preset/domain"
)

// Ratios is how a build changes when it grows in every direction alike.
type Ratios struct {
	Mass, Length, Inertia float64
	Torque                float64 // gravity torque at an offset that grows with it
	Frequency             float64 // natural frequency at a stiffness left alone
}

// Similar returns the ratios from mass m1 to mass m2 (kg) at the same shape and
// density: length ∝ m^(1/3), inertia ∝ m^(5/3), torque ∝ m^(4/3), frequency at
// fixed stiffness ∝ m^(-5/6).
//
// Errors: *domain.Error for a mass of zero or less.
//
// Source: geometric similarity (Gibbings, Dimensional Analysis; from memory).
func Similar(m1, m2 float64) (Ratios, error) {
	c := domain.Checker{Model: "mass"}
	c.Positive("mass", m1, "kg")
	c.Positive("mass", m2, "kg")
	r := m2 / m1
	l := math.Cbrt(r)
	out := Ratios{Mass: r, Length: l, Inertia: r * l * l, Torque: r * l, Frequency: math.Pow(r, -5.0/6)}
	c.Result("inertia ratio", out.Inertia)
	return out, c.Err()
}

// ScaleInertia returns the inertia in kg·m² at mass m2 of a build with inertia j1
// at mass m1, when length goes with mass to the power p: 1/3 for the same
// density, 0 for the same size and denser.
//
// Errors: *domain.Error for a mass or inertia of zero or less, or a p that is not finite.
//
// Source: J ∝ m l² with l ∝ m^p (Gibbings, Dimensional Analysis; from memory).
func ScaleInertia(j1, m1, m2, p float64) (float64, error) {
	c := domain.Checker{Model: "mass"}
	c.Positive("inertia", j1, "kg·m²")
	c.Positive("mass", m1, "kg")
	c.Positive("mass", m2, "kg")
	c.Finite("exponent of length on mass", p)
	j := j1 * math.Pow(m2/m1, 1+2*p)
	c.Result("inertia", j)
	return j, c.Err()
}

// Froude returns the ratios at a length ratio λ for the same density: mass λ³,
// inertia λ⁵, torque λ⁴.
//
// Errors: *domain.Error for a ratio of zero or less.
//
// Source: Froude scale factors (ITTC; Chakrabarti; from memory).
func Froude(lambda float64) (Ratios, error) {
	c := domain.Checker{Model: "mass"}
	c.Positive("length ratio", lambda, "")
	l3 := lambda * lambda * lambda
	out := Ratios{Mass: l3, Length: lambda, Inertia: l3 * lambda * lambda, Torque: l3 * lambda, Frequency: math.Pow(lambda, -2.5)}
	c.Result("inertia ratio", out.Inertia)
	return out, c.Err()
}

// CubeOf returns side (m) and inertia about an axis through the centre (kg·m²)
// of a cube of mass m (kg) and density (kg/m³).
//
// Errors: *domain.Error for a mass or density of zero or less.
//
// Source: J = m a²/6 (Beer & Johnston, Vector Mechanics, inside cover; from memory).
func CubeOf(m, density float64) (side, inertia float64, err error) {
	c := domain.Checker{Model: "mass"}
	c.Positive("mass", m, "kg")
	c.Positive("density", density, "kg/m³")
	side = math.Cbrt(m / density)
	inertia = m * side * side / 6
	c.Result("inertia", inertia)
	return side, inertia, c.Err()
}

// BallOf returns radius (m) and inertia about an axis through the centre (kg·m²)
// of a ball of mass m (kg) and density (kg/m³).
//
// Errors: *domain.Error for a mass or density of zero or less.
//
// Source: J = 2/5 m r² (Beer & Johnston, Vector Mechanics, inside cover; from memory).
func BallOf(m, density float64) (radius, inertia float64, err error) {
	c := domain.Checker{Model: "mass"}
	c.Positive("mass", m, "kg")
	c.Positive("density", density, "kg/m³")
	radius = math.Cbrt(3 * m / (4 * math.Pi * density))
	inertia = 0.4 * m * radius * radius
	c.Result("inertia", inertia)
	return radius, inertia, c.Err()
}

// FitExponent returns the exponent and coefficient (kg·m² at 1 kg) of inertia on
// mass, J = coefficient · m^exponent, by unweighted least squares of ln J on ln m.
//
// Errors: *domain.Error for fewer than two pairs, values of zero or less, or
// masses that are all equal.
//
// Source: ordinary least squares on logarithms (Weisberg, Applied Linear
// Regression, ch. 2; from memory), by gonum stat.LinearRegression.
func FitExponent(m, j []float64) (exponent, coefficient float64, err error) {
	c := domain.Checker{Model: "mass"}
	c.That(len(m) == len(j), "number of inertias", float64(len(j)), "as many as masses, "+domain.Number(float64(len(m))), "")
	c.That(len(m) >= 2, "number of masses", float64(len(m)), "at least 2", "")
	if err := c.Err(); err != nil {
		return 0, 0, err
	}
	x, y := make([]float64, len(m)), make([]float64, len(m))
	differ := false
	for i := range m {
		c.Positive("mass", m[i], "kg")
		c.Positive("inertia", j[i], "kg·m²")
		x[i], y[i] = math.Log(m[i]), math.Log(j[i])
		differ = differ || x[i] != x[0]
	}
	c.That(differ, "every mass", m[0], "masses that differ", "an exponent needs at least two")
	if err := c.Err(); err != nil {
		return 0, 0, err
	}
	a, b := stat.LinearRegression(x, y, nil, false)
	c.Result("exponent", b)
	c.Result("coefficient", math.Exp(a))
	return b, math.Exp(a), c.Err()
}

// NearCG is the difference in centre of gravity that counts in Distance as much
// as a factor e in mass: 10 mm count like 10 % (our choice, no source).
const NearCG = 0.1 // m

// nearGyration keeps the logarithm of inertia finite for builds of points: below
// this radius of gyration two shapes no longer differ (our choice, no source).
const nearGyration = 0.01 // m

// Similarity is how far one build is from another, and in what.
type Similarity struct {
	Distance          float64 // 0 for equal builds; 0.1 is about 10 %
	Mass, CG, Inertia float64 // the three shares; Distance is the root of their squares' sum
	MassRatio         float64 // second to first
	CGShift           Vec     // m, second less first
	InertiaRatio      [3]float64
	LargestShare      string // "mass", "centre of gravity" or "inertia"
}

// features maps a build onto the space in which Distance is the plain distance.
func (p Properties) features() (f [7]float64) {
	f[0] = math.Log(p.Mass)
	for i := range 3 {
		f[1+i] = p.CG[i] / NearCG
		f[4+i] = growth / math.Sqrt(3) * math.Log(p.Inertia[i][i]+p.Mass*nearGyration*nearGyration)
	}
	return f
}

// growth weighs ln inertia against ln mass, so that a build that only grew counts alike in both.
//
// Source: J ∝ m^(5/3), see Similar.
const growth = 3.0 / 5

// SizeDistance is Distance without the centre of gravity, for builds of which only mass (kg) and inertia (kg m², 0 where
// unknown) about some axes are known: over the axes known of both, and over the mass alone where there is none.
//
// Source: as Distance.
func SizeDistance(m, n float64, j, k [3]float64) float64 {
	var ln []float64
	for a := range j {
		if j[a] > 0 && k[a] > 0 {
			ln = append(ln, math.Log(k[a]/j[a]))
		}
	}
	return LnDistance(math.Log(n/m), ln...)
}

// LnDistance is SizeDistance, given the differences of ln mass and of ln inertia about each axis
// that is known of both.
//
// Source: as Distance.
func LnDistance(mass float64, inertias ...float64) float64 {
	if len(inertias) == 0 {
		return math.Abs(mass) * math.Sqrt2
	}
	var sum float64
	for _, ln := range inertias {
		sum += growth * ln * growth * ln
	}
	return math.Sqrt(mass*mass + sum/float64(len(inertias)))
}

// Distance returns how far q is from p: the plain distance over ln mass, centre
// of gravity in units of NearCG, and 3/5 of the root-mean-square ln of the three
// moments of inertia about x, y, z through the centre of gravity. It is a metric: symmetric,
// zero only for equal features, and no detour is shorter.
//
// Errors: *domain.Error if a build has no mass.
//
// Source: our own definition; the 3/5 follows from J ∝ m^(5/3), see Similar.
func Distance(p, q Properties) (Similarity, error) {
	c := domain.Checker{Model: "mass"}
	c.Positive("mass", p.Mass, "kg")
	c.Positive("mass", q.Mass, "kg")
	if err := c.Err(); err != nil {
		return Similarity{}, err
	}
	a, b := p.features(), q.features()
	var d [7]float64
	for i := range d {
		d[i] = b[i] - a[i]
		c.Result("distance", d[i])
	}
	n := Similarity{
		Mass: math.Abs(d[0]), CG: Vec(d[1:4]).Len(), Inertia: Vec(d[4:7]).Len(),
		MassRatio: q.Mass / p.Mass, CGShift: q.CG.Sub(p.CG),
	}
	n.Distance = Vec{n.Mass, n.CG, n.Inertia}.Len()
	for i := range 3 {
		n.InertiaRatio[i] = math.Exp(d[4+i] * math.Sqrt(3) / growth)
	}
	n.LargestShare = "mass"
	if n.CG > n.Mass && n.CG >= n.Inertia {
		n.LargestShare = "centre of gravity"
	} else if n.Inertia > n.Mass {
		n.LargestShare = "inertia"
	}
	return n, c.Err()
}
