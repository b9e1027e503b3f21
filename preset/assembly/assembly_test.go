package assembly

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
)

func at(x, y, z float64) *mass.Vec { return &mass.Vec{x, y, z} }

// mm is a place in whole tenths of a millimetre, in m.
func mm(t *rapid.T, what string) float64 {
	return float64(rapid.IntRange(-2000, 2000).Draw(t, what)) / 1e4
}

func vec(t *rapid.T, what string) mass.Vec { return mass.Vec{mm(t, what), mm(t, what), mm(t, what)} }

func turn(t *rapid.T, what string) Turn {
	v := rapid.SliceOfN(rapid.Float64Range(-4, 4), 3, 3).Draw(t, what)
	return Turn{v[0], v[1], v[2]}
}

// build draws a tree of up to eight parts: each sits on a mount of one before it.
func build(t *rapid.T) []Part {
	n := rapid.IntRange(1, 8).Draw(t, "parts")
	parts := make([]Part, n)
	for i := range parts {
		cg, centre := vec(t, "cg"), vec(t, "centre")
		parts[i] = Part{Slot: fmt.Sprintf("slot-%d", i), CG: &cg, Centre: &centre, Turn: turn(t, "turn")}
		if i > 0 {
			of := rapid.IntRange(0, i-1).Draw(t, "on")
			name := fmt.Sprintf("m%d", i)
			parts[of].Mounts = append(parts[of].Mounts, Mount{Name: name, At: vec(t, "at"), Turn: turn(t, "mount turn")})
			parts[i].On, parts[i].Shift = parts[of].Slot+"."+name, vec(t, "shift")
		}
	}
	return parts
}

func join(t interface{ Fatal(...any) }, parts []Part) []Placed {
	out, _, err := Join(parts)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func near(t *rapid.T, what string, a, b mass.Vec, tol float64) {
	if a.Sub(b).Len() > tol {
		t.Fatalf("%s: %v and %v", what, a, b)
	}
}

// The order in which parts are listed moves nothing.
func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := build(t)
		want := map[string]Placed{}
		for i, x := range join(t, parts) {
			want[parts[i].Slot] = x
		}
		mixed := rapid.Permutation(parts).Draw(t, "order")
		for i, x := range join(t, mixed) {
			w := want[mixed[i].Slot]
			near(t, "seat", x.Seat, w.Seat, 0)
			near(t, "balance point", *x.CG, *w.CG, 0)
			near(t, "outline", *x.Centre, *w.Centre, 0)
		}
	})
}

// Typed from any of its parts, by its place and turn from that part's seat, a build has
// the same distances between its balance points.
func TestTypedFromAnyPart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := build(t)
		placed := join(t, parts)
		from := rapid.IntRange(0, len(parts)-1).Draw(t, "from")
		typed := make([]Part, len(parts))
		for i, p := range parts {
			p.On, p.Shift, p.Turn, p.Mounts = "", mass.Vec{}, Turn{}, nil
			p.Place = at(0, 0, 0)
			*p.Place = placed[i].Seat.Sub(placed[from].Seat)
			cg := placed[i].Turn.Apply(*p.CG)
			p.CG = &cg
			typed[i] = p
		}
		again := join(t, typed)
		for i := range parts {
			near(t, "from part to part", again[i].CG.Sub(*again[from].CG), placed[i].CG.Sub(*placed[from].CG), 1e-12)
		}
	})
}

// A build keeps its shape when its first part is turned: lengths between any two
// balance points stay.
func TestTurnKeepsShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := build(t)
		before := join(t, parts)
		parts = slices.Clone(parts)
		parts[0].Turn = turn(t, "new turn")
		after := join(t, parts)
		for i := range parts {
			for j := range parts {
				a, b := before[i].CG.Sub(*before[j].CG).Len(), after[i].CG.Sub(*after[j].CG).Len()
				if math.Abs(a-b) > 1e-12 {
					t.Fatalf("%d to %d: %g m, then %g m", i, j, a, b)
				}
			}
		}
	})
}

// parts of a shelf: a plate that takes a body, a body that takes a lens and two accessories.
func shelf() (plate, body, lens, monitor, mic Part) {
	plate = Part{Slot: "plate", CG: at(0, 0, 0.005), Mounts: []Mount{{Name: "top", At: mass.Vec{0.02, 0, 0.01}, Takes: []string{"body"}}}}
	body = Part{Slot: "body", CG: at(0.01, 0, 0.04), Mounts: []Mount{
		{Name: "front", At: mass.Vec{0.05, 0, 0.045}, Takes: []string{"lens"}},
		{Name: "top", At: mass.Vec{0, 0, 0.09}, Takes: []string{"monitor", "mic"}},
		{Name: "shoe", At: mass.Vec{-0.03, 0, 0.09}, Takes: []string{"mic"}},
	}}
	lens = Part{Slot: "lens", CG: at(0.03, 0, 0)}
	monitor = Part{Slot: "monitor", CG: at(0, 0, 0.04)}
	mic = Part{Slot: "mic", CG: at(0.02, 0, 0.02)}
	return
}

func TestChooses(t *testing.T) {
	plate, body, lens, monitor, mic := shelf()
	for _, c := range []struct {
		name  string
		parts []Part
		on    []string // of each part
		known []bool
	}{
		{"first free mount that takes the slot", []Part{body, lens, plate, monitor, mic}, []string{"plate.top", "body.front", "", "body.top", "body.shoe"}, nil},
		{"the mic first takes the first mount, and the monitor is left", []Part{body, mic, monitor}, []string{"", "body.top", ""}, []bool{false, false, false}},
		{"a named mount is given away before any is chosen", []Part{body, mic, with(monitor, "body.top")}, []string{"", "body.shoe", "body.top"}, nil},
		{"a part alone", []Part{lens}, []string{""}, nil},
		{"two that take each other", []Part{takes("a", "b"), takes("b", "a")}, []string{"b.m", ""}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for i, x := range join(t, c.parts) {
				if x.On != c.on[i] {
					t.Errorf("%s sits on %q, want %q", c.parts[i].Slot, x.On, c.on[i])
				}
				if known := c.known == nil || c.known[i]; x.Known != known || (x.CG != nil) != known {
					t.Errorf("%s: known %v, want %v", c.parts[i].Slot, x.Known, known)
				}
			}
		})
	}
}

func with(p Part, on string) Part { p.On = on; return p }

func takes(slot, what string) Part {
	return Part{Slot: slot, CG: at(0, 0, 0), Mounts: []Mount{{Name: "m", Takes: []string{what}}}}
}

func TestUnknownStaysUnknown(t *testing.T) {
	_, body, lens, _, _ := shelf()
	lens.CG = nil
	out := join(t, []Part{body, lens})
	if out[0].CG == nil || out[1].CG != nil || !out[1].Known {
		t.Errorf("a lens without a balance point: %+v", out)
	}
	if _, ok := out[1].Solid(mass.Part{Mass: 1}); ok {
		t.Error("a part without a balance point became a solid")
	}
}

func TestErrors(t *testing.T) {
	plate, body, lens, monitor, mic := shelf()
	a, b, c := takes("a", ""), takes("b", ""), takes("c", "")
	placed := with(lens, "body.front")
	placed.Place = at(0, 0, 0)
	twice := body
	twice.Mounts = append(slices.Clone(body.Mounts), Mount{Name: "top"})
	shifted := lens
	shifted.Shift = mass.Vec{0.01, 0, 0}
	wild := lens
	wild.CG = at(math.NaN(), 0, 0)
	for name, x := range map[string]struct {
		parts []Part
		want  string
	}{
		"a circle of two":           {[]Part{with(a, "b.m"), with(b, "a.m")}, "joined in a circle: a on b on a"},
		"a circle of three":         {[]Part{plate, with(a, "b.m"), with(b, "c.m"), with(c, "a.m")}, "joined in a circle: a on b on c on a"},
		"a part on itself":          {[]Part{with(a, "a.m")}, "cannot sit on itself"},
		"a mount that is missing":   {[]Part{body, with(lens, "body.nose")}, "it has body.front, body.top, body.shoe"},
		"a part that is missing":    {[]Part{body, with(lens, "cage.front")}, "the build has no cage; free are body.front"},
		"no mounts at all":          {[]Part{lens, with(mic, "lens.rim")}, "no mounts; add one"},
		"a mount taken":             {[]Part{body, with(monitor, "body.top"), with(mic, "body.top")}, "it holds monitor already; free are body.front, body.shoe"},
		"two parts of that slot":    {[]Part{body, body, with(lens, "body.front")}, "give one of the two another slot"},
		"not slot and mount":        {[]Part{body, with(lens, "front")}, "want SLOT.MOUNT"},
		"on a mount and at a place": {[]Part{body, placed}, "one of the two"},
		"two mounts of one name":    {[]Part{twice}, "mount top is there twice"},
		"a shift from nothing":      {[]Part{shifted}, "sits on no mount"},
		"not a number":              {[]Part{wild}, "three finite numbers"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := Join(x.parts)
			var d *domain.Error
			if !errors.As(err, &d) || !strings.Contains(err.Error(), x.want) {
				t.Errorf("got %v, want %q", err, x.want)
			}
		})
	}
}

// A long chain in a circle is found, and no input makes Join hang or panic.
func FuzzJoin(f *testing.F) {
	f.Add("a b.m\nb a.m", true)
	f.Add("body \nlens body.front\nmic lens.m", false)
	f.Fuzz(func(t *testing.T, text string, takesAll bool) {
		var parts []Part
		for _, line := range strings.Split(text, "\n") {
			slot, on, _ := strings.Cut(line, " ")
			p := Part{Slot: slot, On: on, CG: at(0, 0, 0), Mounts: []Mount{{Name: "m"}, {Name: "front"}}}
			if takesAll {
				p.Mounts[0].Takes = []string{"a", "lens"}
			}
			parts = append(parts, p)
		}
		out, _, err := Join(parts)
		if err == nil && len(out) != len(parts) {
			t.Fatalf("%d parts placed of %d", len(out), len(parts))
		}
	})
}
