package domain

import (
	"errors"
	"math"
	"testing"
)

func TestCheckerKeepsTheFirst(t *testing.T) {
	c := Checker{Model: "mass"}
	c.Positive("mass", 1, "kg")
	c.Finite("place", -3)
	c.Within("share", 1, 0, 1, "")
	c.NotNegative("size", 0, "m")
	c.Result("inertia", 1e300)
	if err := c.Err(); err != nil {
		t.Fatalf("all good, yet %v", err)
	}
	c.Positive("lens: mass", -2, "kg")
	c.Finite("place", math.NaN())
	err := c.Err()
	var e *Error
	if !errors.As(err, &e) || e.Name != "lens: mass" {
		t.Fatalf("got %v", err)
	}
	if got := err.Error(); got != "mass: lens: mass is -2; want a number above 0 kg" {
		t.Errorf("message: %s", got)
	}
	c = Checker{Model: "fit"}
	c.Fail("the build", "", "a part", "add one")
	if got := c.Err().Error(); got != "fit: the build; want a part: add one" {
		t.Errorf("message: %s", got)
	}
}

func TestChecks(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, c := range map[string]struct {
		check func(*Checker, float64)
		bad   []float64
		good  []float64
	}{
		"finite":   {func(c *Checker, v float64) { c.Finite("v", v) }, []float64{nan, inf, -inf}, []float64{0, -1, math.MaxFloat64}},
		"positive": {func(c *Checker, v float64) { c.Positive("v", v, "m") }, []float64{nan, inf, 0, -1}, []float64{1, 5e-324}},
		"not neg":  {func(c *Checker, v float64) { c.NotNegative("v", v, "m") }, []float64{nan, inf, -1}, []float64{0, 1}},
		"within":   {func(c *Checker, v float64) { c.Within("v", v, -1, 2, "m") }, []float64{nan, inf, -1.1, 2.1}, []float64{-1, 0, 2}},
		"result":   {func(c *Checker, v float64) { c.Result("v", v) }, []float64{nan, inf}, []float64{0}},
	} {
		for _, v := range c.bad {
			k := Checker{Model: "m"}
			if c.check(&k, v); k.Err() == nil {
				t.Errorf("%s let %v through", name, v)
			}
		}
		for _, v := range c.good {
			k := Checker{Model: "m"}
			if c.check(&k, v); k.Err() != nil {
				t.Errorf("%s refused %v: %v", name, v, k.Err())
			}
		}
	}
}
