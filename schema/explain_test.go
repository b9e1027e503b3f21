package schema

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

func TestExplain(t *testing.T) {
	c := Default()
	for i, p := range c.Params() {
		e, ok := c.Explain(p.Path)
		if !ok || e.Name != p.Name || e.Title == "" || e.Order != i+1 || e.Of != len(c.Params()) || e.Does != p.Does || e.Raise == "" ||
			e.Lower == "" || e.TooMuch == "" || e.TooLittle == "" || len(e.Cautions) == 0 || len(e.With) == 0 || e.Up == "" || e.Down == "" || e.On != nil {
			t.Errorf("%s: %+v", p.Path, e)
		}
		if (e.Range == "") != (p.Dial != "") {
			t.Errorf("%s: range %q", p.Path, e.Range)
		}
		if b, err := json.Marshal(e); err != nil || strings.Contains(string(b), `"Key"`) {
			t.Errorf("%s: %v %s", p.Path, err, b)
		}
	}
	e, _ := c.Explain("follow.walk.deadband.pan")
	if e.Style != "walk" || e.Name != "dead band, pan (walk)" || e.With[0].Key != "follow.walk.lag.pan" {
		t.Errorf("%+v", e)
	}
	if e, _ := c.Explain("follow.*.deadband.pan"); e.Style != "" || e.With[0].Key != "follow.*.lag.pan" {
		t.Errorf("%+v", e)
	}
	if e, _ := c.Explain("limits.tilt.up_deg"); e.Range != "0 to 180 °" || e.Unit != "°" {
		t.Errorf("%+v", e)
	}
	for _, key := range []string{"", "rig", "note", "stiffness", "stiffness.pam", "proof.hold.at"} {
		if _, ok := c.Explain(key); ok {
			t.Errorf("%q is explained", key)
		}
		if _, ok := c.ExplainOn(key, testSheet(t), 3.0); ok {
			t.Errorf("%q is explained on a gimbal", key)
		}
	}
}

func is(p *float64, want float64) bool {
	return p != nil && math.Abs(*p-want) <= 1e-9*math.Max(1, math.Abs(want))
}

func TestExplainOn(t *testing.T) {
	c := Default()
	doc := mapped(t)
	change(t, doc, "dial.stiffness.pan.map", Tree{"kind": "linear", "unit": "Nm/rad", "at_min": 0.0, "at_max": 50.0})
	s, ps := c.Sheet("x", doc)
	if s == nil {
		t.Fatal(ps)
	}
	// mapped: 40 of 0 to 100 is 20 Nm/rad; a coarse step of 5 is 2.5 Nm/rad and an eighth more
	e, _ := c.ExplainOn("stiffness.pan", s, int64(40))
	on := e.On
	if !on.Dialed || on.LargerIs != "stiffer" || !is(on.Value, 40) || !is(on.ValueSI, 20) || !is(on.Share, 0.4) || !is(on.Start, 40) || on.SIUnit != "Nm/rad" ||
		!is(on.MinSI, 0) || !is(on.MaxSI, 50) || !is(on.Default, 20) || on.Problems != nil {
		t.Errorf("%+v", on)
	}
	if up := on.Coarse.Up; !is(&up.To, 45) || !is(up.SI, 2.5) || !is(up.Ratio, 1.125) || up.DelayS != nil || !is(on.Coarse.Share, 0.05) || !is(&on.Coarse.Size, 5) {
		t.Errorf("%+v", up)
	}
	if down := on.Fine.Down; !is(&down.To, 39) || !is(down.SI, -0.5) || !is(down.Ratio, 0.975) {
		t.Errorf("%+v", down)
	}
	// at the ends a step that leaves the dial is not offered
	e, _ = c.ExplainOn("stiffness.pan", s, int64(98))
	if e.On.Coarse.Up != nil || e.On.Coarse.Down == nil || e.On.Fine.Up == nil {
		t.Errorf("%+v", e.On.Coarse)
	}
	// from zero there is a difference and no ratio
	e, _ = c.ExplainOn("stiffness.pan", s, int64(0))
	if up := e.On.Coarse.Up; !is(up.SI, 2.5) || up.Ratio != nil || e.On.Coarse.Down != nil {
		t.Errorf("%+v", up)
	}
	// a cutoff in Hz: heavier is a smaller number, and its lag is 1/(2 pi f) for a first-order filter (Butterworth, slope at zero frequency)
	e, _ = c.ExplainOn("filters.sensing", s, int64(50))
	d := s.Dials["filters.sensing"]
	at, _ := d.ToSI(50)
	lower, _ := d.ToSI(49)
	if up := e.On.Fine.Up; e.On.LargerIs != "lighter" || !is(&up.To, 49) || !is(up.SI, lower-at) || !is(up.DelayS, 1/(2*math.Pi*lower)-1/(2*math.Pi*at)) {
		t.Errorf("%+v", up)
	}
	s.SensingOrder = 2
	second, _ := c.ExplainOn("filters.sensing", s, int64(50))
	if r := *second.On.Fine.Up.DelayS / *e.On.Fine.Up.DelayS; !is(&r, math.Sqrt2) {
		t.Errorf("second order over first: %v", r)
	}
	// a time constant: its lag is itself
	d = s.Dials["filters.drive"]
	d.Map = &Map{Kind: Linear, Unit: "s", AtMin: 0, AtMax: 0.01}
	s.Dials[d.Key] = d
	e, _ = c.ExplainOn(d.Key, s, int64(20))
	if up := e.On.Fine.Up; !is(up.SI, 0.0001) || !is(up.DelayS, 0.0001) {
		t.Errorf("%+v", up)
	}
	// no value: steps from the default
	e, _ = c.ExplainOn("stiffness.pan", s, nil)
	if on := e.On; on.Value != nil || on.ValueSI != nil || on.Share != nil || !is(on.Start, 20) || !is(on.Coarse.Up.SI, 2.5) {
		t.Errorf("%+v", on)
	}
	// a value that is wrong is said, and steps are from the default
	for _, v := range []any{int64(140), "x", nan, 40.5} {
		e, _ = c.ExplainOn("stiffness.pan", s, v)
		if len(e.On.Problems) != 1 {
			t.Errorf("%v: %+v", v, e.On.Problems)
		}
		if v != 40.5 && (!is(e.On.Start, 20) || e.On.Share != nil) {
			t.Errorf("%v: %+v", v, e.On)
		}
	}
	// without a map: share of range, no SI; without a default: from the middle
	e, _ = c.ExplainOn("stiffness.roll", s, nil)
	d = s.Dials["stiffness.roll"]
	d.Default = nil
	s.Dials["stiffness.roll"] = d
	e, _ = c.ExplainOn("stiffness.roll", s, nil)
	if on := e.On; !is(on.Start, 50) || on.SIUnit != "" || on.Coarse.Up.SI != nil || !is(on.Coarse.Share, 0.05) {
		t.Errorf("%+v", on)
	}
	// in its own unit: the gimbal's travel ends the range
	e, _ = c.ExplainOn("limits.tilt.up_deg", s, 45.0)
	if on := e.On; on.Dialed || on.Unit != "°" || !is(on.Max, 90) || !is(on.Share, 0.5) || !is(&on.Coarse.Up.To, 50) || on.LargerIs != "wider" {
		t.Errorf("%+v", on)
	}
	e, _ = c.ExplainOn("horizon.offset_deg", s, nil)
	if on := e.On; !is(on.Start, 0) || !is(&on.Fine.Up.To, 0.1) || !is(&on.Fine.Down.To, -0.1) {
		t.Errorf("%+v", on)
	}
	// a dial that the sheet lacks
	delete(s.Dials, "filters.drive")
	e, _ = c.ExplainOn("filters.drive", s, int64(2))
	if on := e.On; !on.Missing || on.Coarse != nil || len(on.Problems) != 0 {
		t.Errorf("%+v", on)
	}
	// without a sheet it is Explain
	if e, ok := c.ExplainOn("stiffness.pan", nil, nil); !ok || e.On != nil {
		t.Error("on no gimbal")
	}
}

func TestList(t *testing.T) {
	n := 0
	for i, g := range Default().List() {
		if g.Name != Default().Groups()[i].Name || len(g.Params) == 0 {
			t.Errorf("%+v", g)
		}
		for _, b := range g.Params {
			n++
			if b.Key == "" || b.Name == "" || b.Doc == "" || b.Up == "" || b.Down == "" {
				t.Errorf("%+v", b)
			}
		}
	}
	if n != len(Default().Params()) {
		t.Errorf("%d of %d parameters listed", n, len(Default().Params()))
	}
}
