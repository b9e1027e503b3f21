// Package assembly joins parts at their mounts: it works out where the seat, the
// balance point and the outline of each part lie in the frame of the build, and
// chooses mounts for parts that name none. SI throughout; x forward, y left, z up.
package assembly

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset/domain"
	"rigkeep/preset/mass"
)

// Turn is three angles in rad: about x, then about y, then about z, all of the frame
// that is turned from.
type Turn [3]float64

// Rotation is the turn as a matrix: R = Rz Ry Rx.
//
// Source: see mass.FromTurns.
func (t Turn) Rotation() mass.Rotation { return mass.FromTurns(t[0], t[1], t[2]) }

// Mount is a place of a part where another part attaches.
type Mount struct {
	Name  string
	At    mass.Vec // m, from the part's seat
	Turn  Turn     // of the mount's axes in the part
	Takes []string // slots that it takes by itself; none is taken unless it is named
}

// Part is what assembly needs to know of one part.
type Part struct {
	Slot, Name string
	CG         *mass.Vec // m, balance point from the seat; nil is unknown
	Centre     *mass.Vec // m, middle of the outline from the seat; nil is unknown
	Mounts     []Mount

	// Where it attaches: On names "slot.mount" of another part, and Shift (m) goes along
	// that mount's axes; or Place (m) is where its seat lies in the build. Neither lets
	// Join choose a mount. Turn is about the seat.
	On    string
	Shift mass.Vec
	Place *mass.Vec
	Turn  Turn
}

// Label names a part for people.
//
// Source: definition.
func (p Part) Label() string {
	switch {
	case p.Slot == "":
		return p.Name
	case p.Name == "":
		return p.Slot
	}
	return p.Slot + " (" + p.Name + ")"
}

// Placed is where a part came to lie in the build, in m. CG and Centre are nil where
// they are unknown.
type Placed struct {
	Seat       mass.Vec
	Turn       mass.Rotation // of the part's axes in the build
	CG, Centre *mass.Vec
	On         string // the mount that it sits on, chosen or named; "" for none
	Parent     int    // index of the part it sits on, -1 for none
	// Known is false where the build does not say where the part sits: it attaches to
	// nothing, and is not the only such part.
	Known bool
}

// Choice is a mount that Join chose for a part, by their indices.
type Choice struct{ Part, Parent, Mount int }

// hold is one mount of one part.
type hold struct{ part, mount int }

// Join places every part. A part with neither On nor Place takes the first free
// mount, in the order of the parts and of their mounts, whose Takes has its slot. The
// origin is the seat of the one part that then sits on nothing; several such parts
// leave each other's places unknown. Mounts that are named are given away first.
//
// Errors: *domain.Error for a part or mount that does not exist or that several parts
// have, a mount taken twice, parts joined in a circle, both On and Place, a number that is
// not finite.
//
// Source: rigid frames; a point p of a part lies at R_parent (at + R_mount (shift +
// R_part p)) + o_parent (Goldstein, Classical Mechanics, ch. 4; from memory).
func Join(parts []Part) ([]Placed, []Choice, error) {
	if err := check(parts); err != nil {
		return nil, nil, err
	}
	on := make([]hold, len(parts))
	taken := map[hold]int{}
	for i, p := range parts {
		on[i] = hold{-1, -1}
		if p.On == "" {
			continue
		}
		h, err := named(parts, i)
		if err != nil {
			return nil, nil, err
		}
		if other, ok := taken[h]; ok {
			return nil, nil, fail(p, "on", shown(p.On), "a free mount", "it holds "+parts[other].Label()+" already"+freeMounts(parts, taken))
		}
		on[i], taken[h] = h, i
	}
	if err := circle(parts, on); err != nil {
		return nil, nil, err
	}
	var chosen []Choice
	for i, p := range parts {
		if p.On != "" || p.Place != nil || p.Slot == "" {
			continue
		}
		if h, ok := firstFree(parts, on, taken, i); ok {
			on[i], taken[h] = h, i
			chosen = append(chosen, Choice{i, h.part, h.mount})
		}
	}
	for i, p := range parts {
		if on[i].part < 0 && p.Shift != (mass.Vec{}) {
			return nil, nil, fail(p, "shift", "given, and the part sits on no mount", "a mount to shift it from", "name one with on, or remove the shift")
		}
	}
	return place(parts, on), chosen, nil
}

// Solid gives a placed part to the mass model: what is its size, mass and shape, x
// says where it lies. The outline lies about the balance point where Centre is
// unknown. ok is false where the balance point is unknown.
//
// Source: definition.
func (x Placed) Solid(of mass.Part) (_ mass.Part, ok bool) {
	if x.CG == nil {
		return of, false
	}
	turn := x.Turn
	of.Place, of.Outline, of.Turn = *x.CG, mass.Vec{}, mass.Turn{On: &turn}
	if x.Centre != nil {
		of.Outline = x.Centre.Sub(*x.CG)
	}
	return of, true
}

func fail(p Part, what, value, want, do string) error {
	return &domain.Error{Model: "assembly", Name: p.Label() + ": " + what, Value: value, Want: want, Do: do}
}

func shown(s string) string { return fmt.Sprintf("%q", s) }

func check(parts []Part) error {
	c := domain.Checker{Model: "assembly"}
	finite := func(p Part, what string, v [3]float64) {
		for _, x := range v {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				c.Fail(p.Label()+": "+what, "not finite", "three finite numbers", "")
			}
		}
	}
	for _, p := range parts {
		finite(p, "shift", p.Shift)
		finite(p, "turn", p.Turn)
		for _, v := range []struct {
			what string
			at   *mass.Vec
		}{{"balance point", p.CG}, {"centre", p.Centre}, {"place", p.Place}} {
			if v.at != nil {
				finite(p, v.what, *v.at)
			}
		}
		if p.On != "" && p.Place != nil {
			c.Fail(p.Label(), "on a mount and at a place", "one of the two", "remove on, or remove place")
		}
		seen := map[string]bool{}
		for _, m := range p.Mounts {
			finite(p, "mount "+m.Name, m.At)
			finite(p, "mount "+m.Name, m.Turn)
			if seen[m.Name] {
				c.Fail(p.Label()+": mount "+m.Name, "there twice", "mounts of different names", "")
			}
			seen[m.Name] = true
		}
	}
	return c.Err()
}

// named finds the mount that a part names.
func named(parts []Part, i int) (hold, error) {
	p := parts[i]
	cut := strings.LastIndex(p.On, ".")
	if cut <= 0 || cut == len(p.On)-1 {
		return hold{}, fail(p, "on", shown(p.On), "SLOT.MOUNT", "write for example body.top"+freeMounts(parts, nil))
	}
	slot, mount := p.On[:cut], p.On[cut+1:]
	of := -1
	for j, q := range parts {
		if j == i || !strings.EqualFold(q.Slot, slot) {
			continue
		}
		if of >= 0 {
			return hold{}, fail(p, "on", shown(p.On), "one part in the slot "+slot, "give one of the two another slot")
		}
		of = j
	}
	if of < 0 {
		if strings.EqualFold(p.Slot, slot) {
			return hold{}, fail(p, "on", shown(p.On), "a mount of another part", "a part cannot sit on itself")
		}
		return hold{}, fail(p, "on", shown(p.On), "a slot of this build", "the build has no "+slot+freeMounts(parts, nil))
	}
	k := slices.IndexFunc(parts[of].Mounts, func(m Mount) bool { return strings.EqualFold(m.Name, mount) })
	if k < 0 {
		return hold{}, fail(p, "on", shown(p.On), "a mount of "+parts[of].Label(), "it has "+mountNames(parts[of]))
	}
	return hold{of, k}, nil
}

func mountNames(p Part) string {
	if len(p.Mounts) == 0 {
		return "no mounts; add one to the part: [mount.NAME] with at_mm"
	}
	names := make([]string, len(p.Mounts))
	for i, m := range p.Mounts {
		names[i] = p.Slot + "." + m.Name
	}
	return strings.Join(names, ", ")
}

// freeMounts lists the mounts that nothing sits on, for a message.
func freeMounts(parts []Part, taken map[hold]int) string {
	var names []string
	for i, p := range parts {
		for k, m := range p.Mounts {
			if _, ok := taken[hold{i, k}]; !ok {
				names = append(names, p.Slot+"."+m.Name)
			}
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "; free are " + strings.Join(names, ", ")
}

// circle reports parts that carry each other.
func circle(parts []Part, on []hold) error {
	for i := range parts {
		seen := map[int]bool{}
		var names []string
		for j := i; j >= 0; j = on[j].part {
			names = append(names, parts[j].Label())
			if j == i && len(names) > 1 {
				return fail(parts[i], "on", shown(parts[i].On), "one part that sits on nothing", "joined in a circle: "+strings.Join(names, " on "))
			}
			if seen[j] {
				break // a circle further along: reported from one of its own parts
			}
			seen[j] = true
		}
	}
	return nil
}

// firstFree is the first mount that takes a part by itself and that the part does not carry.
func firstFree(parts []Part, on []hold, taken map[hold]int, i int) (hold, bool) {
	for j, q := range parts {
		if carries(on, i, j) {
			continue
		}
		for k, m := range q.Mounts {
			h := hold{j, k}
			if _, full := taken[h]; full {
				continue
			}
			if slices.ContainsFunc(m.Takes, func(s string) bool { return strings.EqualFold(s, parts[i].Slot) }) {
				return h, true
			}
		}
	}
	return hold{}, false
}

// carries reports whether part j is i or sits on it, however far along.
func carries(on []hold, i, j int) bool {
	for ; j >= 0; j = on[j].part {
		if j == i {
			return true
		}
	}
	return false
}

func place(parts []Part, on []hold) []Placed {
	roots := 0
	for i, p := range parts {
		if on[i].part < 0 && p.Place == nil {
			roots++
		}
	}
	out := make([]Placed, len(parts))
	done := make([]bool, len(parts))
	var put func(i int)
	put = func(i int) {
		if done[i] {
			return
		}
		done[i] = true
		p, h := parts[i], on[i]
		x := Placed{Turn: p.Turn.Rotation(), Parent: h.part, Known: p.Place != nil || roots == 1}
		switch {
		case h.part >= 0:
			put(h.part)
			base, m := out[h.part], parts[h.part].Mounts[h.mount]
			axes := base.Turn.Mul(m.Turn.Rotation())
			x.Seat = base.Seat.Add(base.Turn.Apply(m.At)).Add(axes.Apply(p.Shift))
			x.Turn = axes.Mul(x.Turn)
			x.On = parts[h.part].Slot + "." + m.Name
			x.Known = base.Known
		case p.Place != nil:
			x.Seat = *p.Place
		}
		at := func(v *mass.Vec) *mass.Vec {
			if v == nil || !x.Known {
				return nil
			}
			w := x.Seat.Add(x.Turn.Apply(*v))
			return &w
		}
		x.CG, x.Centre = at(p.CG), at(p.Centre)
		out[i] = x
	}
	for i := range parts {
		put(i)
	}
	return out
}
