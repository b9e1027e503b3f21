package examples

import (
	"bytes"
	"io/fs"
	"math"
	"testing"

	"github.com/BurntSushi/toml"

	"rigkeep/preset/loop"
	"rigkeep/schema"
)

func sheet(t *testing.T, slug string) *schema.Sheet {
	t.Helper()
	text, ok := Gimbal(slug)
	if !ok {
		t.Fatal("no sheet", slug)
	}
	var doc schema.Tree
	if _, err := toml.Decode(string(text), &doc); err != nil {
		t.Fatal(err)
	}
	s, ps := schema.Default().Sheet(slug, doc)
	for _, p := range ps {
		t.Errorf("%s: %v", slug, p)
	}
	if s == nil {
		t.FailNow()
	}
	return s
}

func TestSheets(t *testing.T) {
	if got := GimbalSlugs(); len(got) != 2 {
		t.Fatalf("sheets: %v", got)
	}
	for _, slug := range GimbalSlugs() {
		s := sheet(t, slug)
		for _, p := range schema.Default().Params() {
			if d, ok := s.Dials[p.Dial]; p.Dial != "" && (!ok || d.Default == nil) {
				t.Errorf("%s: dial %s is missing or has no default", slug, p.Dial)
			}
		}
		if len(s.References) == 0 {
			t.Errorf("%s has no reference", slug)
		}
	}
}

// The large one counts 0 to 100 without maps; the small one is in SI throughout.
func TestMaps(t *testing.T) {
	for _, d := range sheet(t, "quay-large").Dials {
		if d.Map != nil || d.Min != 0 {
			t.Errorf("quay-large, %s: %+v", d.Key, d)
		}
	}
	for _, d := range sheet(t, "skiff-small").Dials {
		if d.Map == nil {
			t.Errorf("skiff-small, %s has no map", d.Key)
			continue
		}
		for _, v := range []float64{d.Min, *d.Default, d.Max} {
			if si, err := d.ToSI(v); err != nil || math.Abs(si-v) > 1e-9*d.Max {
				t.Errorf("skiff-small, %s: %v reads %v in SI (%v)", d.Key, v, si, err)
			}
		}
	}
}

// On the small gimbal the reference is stable with room to spare, and the onset
// lies on the dial from half to twice the reference inertia.
func TestSmallLoop(t *testing.T) {
	s := sheet(t, "skiff-small")
	r := s.References[0]
	filter := func(key string) loop.Filter {
		hz, err := s.Dials[key].ToSI(r.Values[key])
		if err != nil {
			t.Fatal(err)
		}
		return loop.LowPassHz(1, hz)
	}
	for _, a := range schema.Axes {
		d := s.Dials["stiffness."+a.String()]
		k, err := d.ToSI(r.Values[d.Key])
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range []float64{0.5, 1, 2} {
			l := loop.Loop{J: j * r.Inertia[a], B: s.Axes[a].Viscous, K: k, D: k * s.Axes[a].DampingTime,
				Sensing: filter("filters.sensing"), Drive: filter("filters.drive"), Delay: s.Delay}
			o, err := l.OnsetCommon()
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%v, J %.4f: onset %.1f Nm/rad at %.1f Hz", a, l.J, o.K, o.W/2/math.Pi)
			if !(o.K > d.Min && o.K < d.Max) {
				t.Errorf("%v at %v times the inertia: onset %.1f is off the dial, %v to %v", a, j, o.K, d.Min, d.Max)
			}
			if j != 1 {
				continue
			}
			m, err := l.Margins()
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%v: %+v", a, m)
			if !(o.K/k >= s.BenchMargin) {
				t.Errorf("%v: onset over reference is %.2f, under the sheet's margin %v", a, o.K/k, s.BenchMargin)
			}
		}
	}
}

func TestAccess(t *testing.T) {
	for _, slug := range GimbalSlugs() {
		a, ok := Gimbal(slug)
		b, err := fs.ReadFile(Gimbals(), slug+".toml")
		if !ok || err != nil || !bytes.Equal(a, b) || len(a) == 0 {
			t.Errorf("%s: %v, %v", slug, ok, err)
		}
	}
	for _, slug := range []string{"", "nonesuch", "../gimbals/quay-large"} {
		if _, ok := Gimbal(slug); ok {
			t.Errorf("a sheet %q", slug)
		}
	}
}
