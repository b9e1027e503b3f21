// Package frame computes what a lens sees and what an angle error does to the
// picture. The lens is rectilinear and focused at infinity unless it has a
// magnification. Lengths in m, angles in rad.
package frame

import (
	"math"

	"rigkeep/preset/domain"
)

const model = "frame"

// Camera is a lens on a sensor.
type Camera struct {
	Focal         float64 // m
	Magnification float64 // of the subject in focus, 0 at infinity; lengthens the lens to Focal (1 + Magnification)
	Squeeze       float64 // of an anamorphic lens: the frame is this much wider once unsqueezed; 0 means 1 (spherical)
	Width, Height float64 // m, of the sensor area used; Height may be 0 where only the width matters
	WidthPx       float64 // px across the unsqueezed frame; 0 if unknown
}

// check returns the focal length at this magnification and the sensor width as
// the unsqueezed frame would need it.
func (k Camera) check(c *domain.Checker) (focal, width float64) {
	squeeze := k.Squeeze
	if squeeze == 0 {
		squeeze = 1
	}
	c.Positive("focal length", k.Focal, "m")
	c.NotNegative("magnification", k.Magnification, "")
	c.Positive("anamorphic squeeze", squeeze, "")
	c.Positive("sensor width", k.Width, "m")
	c.NotNegative("sensor height", k.Height, "m")
	c.NotNegative("frame width", k.WidthPx, "px")
	return k.Focal * (1 + k.Magnification), k.Width * squeeze
}

// focalPx is the focal length in pixels across the frame.
func (k Camera) focalPx(c *domain.Checker) float64 {
	f, w := k.check(c)
	c.That(k.WidthPx > 0, "frame width", k.WidthPx, "a number of pixels", "give the width of the recorded picture")
	fpx := f / w * k.WidthPx
	c.Result("focal length in pixels", fpx)
	return fpx
}

// View is a field of view in rad: across, up and down, and corner to corner.
type View struct{ H, V, D float64 }

// FOV returns the field of view. Squeeze widens it across only.
//
// Errors: *domain.Error for a focal length, sensor size or squeeze of zero or less.
//
// Source: 2 atan(d/2f) (Ray, Applied Photographic Optics; from memory).
func (k Camera) FOV() (View, error) {
	c := domain.Checker{Model: model}
	f, w := k.check(&c)
	c.Positive("sensor height", k.Height, "m")
	if err := c.Err(); err != nil {
		return View{}, err
	}
	a := func(d float64) float64 { return 2 * math.Atan(d/2/f) }
	v := View{a(w), a(k.Height), a(math.Hypot(w, k.Height))}
	c.Result("field of view", v.D)
	return v, c.Err()
}

// FocalFor returns the focal length in m that sees an angle (rad) over a sensor
// width (or height, or diagonal) in m, focused at infinity.
//
// Errors: *domain.Error for an angle outside 0..π exclusive or a width of zero or less.
//
// Source: inverse of FOV.
func FocalFor(angle, width float64) (float64, error) {
	c := domain.Checker{Model: model}
	c.That(angle > 0 && angle < math.Pi, "field of view", angle, "above 0 and below 3.14159 rad (180 deg)", "")
	c.Positive("sensor width", width, "m")
	f := width / (2 * math.Tan(angle/2))
	c.Result("focal length", f)
	return f, c.Err()
}

// Shift is how far the picture moves.
type Shift struct {
	Px      float64 // px, sign as the angle's
	Pct     float64 // % of the frame width
	FocalPx float64 // px, the focal length
}

// ShiftOf returns how far a pan or tilt error (rad) moves a subject seen at the
// angle field (rad) from the middle of the frame along the same direction.
//
// Errors: *domain.Error for a camera out of domain or without pixels, or angles
// that reach 90 degrees from the lens axis.
//
// Source: f (tan(t + a) - tan t), rectilinear projection (Hartley & Zisserman, ch. 6; from memory).
func (k Camera) ShiftOf(angle, field float64) (Shift, error) {
	c := domain.Checker{Model: model}
	f := k.focalPx(&c)
	c.That(math.Abs(field) < math.Pi/2, "angle from the middle of the frame", field, "less than 1.5708 rad (90 deg)", "")
	c.That(math.Abs(field+angle) < math.Pi/2, "angle from the middle of the frame after the error", field+angle, "less than 1.5708 rad (90 deg)", "")
	if err := c.Err(); err != nil {
		return Shift{}, err
	}
	// tan a − tan b without cancellation for small errors
	px := f * math.Sin(angle) / (math.Cos(field+angle) * math.Cos(field))
	c.Result("shift", px)
	return Shift{px, px / k.WidthPx * 100, f}, c.Err()
}

// AngleFor returns the pan or tilt error in rad that moves the middle of the
// frame by px pixels. AngleFor(1) is how steady the head must hold for this lens.
//
// Errors: *domain.Error for a camera out of domain or without pixels, or px not finite.
//
// Source: inverse of ShiftOf at the middle.
func (k Camera) AngleFor(px float64) (float64, error) {
	c := domain.Checker{Model: model}
	f := k.focalPx(&c)
	c.Finite("shift", px)
	return math.Atan(px / f), c.Err()
}

// RollShiftOf returns how far a roll error (rad) moves an image point at (x, y)
// px from the middle, along the straight line between before and after.
//
// Errors: *domain.Error for a frame width of zero or less or anything not finite.
//
// Source: chord 2 r sin(a/2), elementary geometry.
func RollShiftOf(angle, x, y, widthPx float64) (Shift, error) {
	c := domain.Checker{Model: model}
	c.Finite("roll error", angle)
	c.Finite("image point", x)
	c.Finite("image point", y)
	c.Positive("frame width", widthPx, "px")
	px := 2 * math.Hypot(x, y) * math.Abs(math.Sin(angle/2))
	c.Result("shift", px)
	return Shift{Px: px, Pct: px / widthPx * 100}, c.Err()
}

// Turn is a small rotation of the camera about its own axes in rad, made in this
// order: pan, then tilt, then roll.
type Turn struct {
	PanRight, TiltUp, RollClockwise float64 // as seen from behind the camera
}

// Moved is where an image point went.
type Moved struct {
	X, Y float64 // px from the middle, right and down
	Px   float64 // px, how far it moved
	Pct  float64 // % of the frame width
}

// Rotate returns where a point first seen at (x, y) px from the middle (right and
// down) is seen after the camera turned, whatever its distance.
//
// Errors: *domain.Error for a camera out of domain or without pixels, anything
// not finite, or a point that ends up beside or behind the camera.
//
// Source: infinite homography K Rᵀ K⁻¹, R = Ry(pan) Rx(tilt) Rz(roll), axes x right,
// y down, z ahead (Hartley & Zisserman, Multiple View Geometry, ch. 8; from memory).
func (k Camera) Rotate(t Turn, x, y float64) (Moved, error) {
	c := domain.Checker{Model: model}
	f := k.focalPx(&c)
	for _, v := range []float64{t.PanRight, t.TiltUp, t.RollClockwise} {
		c.Finite("turn", v)
	}
	c.Finite("image point", x)
	c.Finite("image point", y)
	if err := c.Err(); err != nil {
		return Moved{}, err
	}
	// the inverse turns, in the other order, applied to the ray
	rx, ry, rz := x/f, y/f, 1.0
	s, o := math.Sincos(t.PanRight)
	rx, rz = o*rx-s*rz, s*rx+o*rz
	s, o = math.Sincos(t.TiltUp)
	ry, rz = o*ry+s*rz, -s*ry+o*rz
	s, o = math.Sincos(t.RollClockwise)
	rx, ry = o*rx+s*ry, -s*rx+o*ry
	if !(rz > 1e-9*math.Hypot(math.Hypot(rx, ry), rz)) {
		c.Fail("the image point after the turn", "not in front of the camera", "a turn that leaves it within 90 deg of the lens axis", "")
		return Moved{}, c.Err()
	}
	m := Moved{X: f * rx / rz, Y: f * ry / rz}
	m.Px = math.Hypot(m.X-x, m.Y-y)
	m.Pct = m.Px / k.WidthPx * 100
	c.Result("image point", m.X)
	c.Result("image point", m.Y)
	c.Result("shift", m.Px)
	return m, c.Err()
}

// Blur returns how far in px the middle of the frame moves during an exposure (s)
// at a turn rate (rad/s).
//
// Errors: *domain.Error for a camera out of domain or without pixels, an exposure
// below zero, or a turn of 90 degrees or more within it.
//
// Source: f tan(rate · exposure), see ShiftOf.
func (k Camera) Blur(rate, exposure float64) (float64, error) {
	c := domain.Checker{Model: model}
	f := k.focalPx(&c)
	c.NotNegative("exposure", exposure, "s")
	a := rate * exposure
	c.That(math.Abs(a) < math.Pi/2, "turn during the exposure", a, "less than 1.5708 rad (90 deg)", "")
	px := f * math.Tan(a)
	c.Result("blur", px)
	return px, c.Err()
}

// Crop returns the crop factor of a sensor (m) against 36 × 24 mm by diagonal,
// and the focal length (m) with the same diagonal field there.
//
// Errors: *domain.Error for a focal length or sensor size of zero or less.
//
// Source: ratio of diagonals (Ray, Applied Photographic Optics; from memory).
func (k Camera) Crop() (factor, equivalent float64, err error) {
	c := domain.Checker{Model: model}
	k.check(&c)
	c.Positive("sensor height", k.Height, "m")
	factor = math.Hypot(0.036, 0.024) / math.Hypot(k.Width, k.Height)
	equivalent = k.Focal * factor
	c.Result("crop factor", factor)
	c.Result("equivalent focal length", equivalent)
	return factor, equivalent, c.Err()
}
