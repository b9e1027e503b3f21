package library

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/schema"
)

// Packing is what a job takes along.
type Packing struct {
	Job   preset.Job
	Units []PackUnit
	Parts []PackPart
	Twice []PackTwice
	Said  []string // what could not be told
}

// PackUnit is a unit that goes out, or, without a serial, one that is not chosen yet.
type PackUnit struct {
	Gimbal, Serial, Label, Trouble string
	Rigs                           []string // aliases of what goes on it
}

// PackPart is a part with how many of it are wanted and how many there are.
type PackPart struct {
	Part, Name, Slot string // Part is its file in the shop, "" for one that is typed in a rig
	Wanted           int
	Have             int // -1 where the shop does not say
	Owner            string
	Rigs             []string
}

// PackTwice is a part or unit that is wanted more often than there is of it.
type PackTwice struct {
	Part, Unit string // one of them, by name
	Wanted     int
	Have       int
	Text       string
}

// need is what a job wants of each part, by the part's key.
type need struct {
	part  preset.Part
	count int
	rigs  []string
	units []string // that want it
}

// packKey is what two parts are the same by: the part of the shop, else slot and name.
func packKey(p preset.Part) string {
	if p.From != "" {
		return "part " + p.From
	}
	return "typed " + fold(p.Slot) + "\x00" + fold(p.Name)
}

// needs adds up what a job wants. Of the rigs that go on one unit only one is mounted at a time,
// so that a part of several of them is wanted once; on two units it is wanted twice. Rigs without
// a unit count as going on one unit of their gimbal.
func (l Jobs) needs(j preset.Job) (parts map[string]*need, units []PackUnit, said []string) {
	parts = map[string]*need{}
	at := map[string]int{}                // unit to its place in units
	onUnit := map[string]map[string]int{} // unit, part: how many
	for _, pin := range j.Pins {
		rr, err := l.Names().Find(pin.Rig)
		if err != nil {
			said = append(said, "the rig "+pin.Rig+" is not in the library: what it needs is not listed")
			continue
		}
		r, err := l.Rig("", rr.Fingerprint)
		if err != nil {
			said = append(said, rr.Alias+": its build sheet is unreadable: what it needs is not listed")
			continue
		}
		if rr.Fingerprint != pin.Rig {
			said = append(said, rr.Alias+": the build changed since it was pinned; its parts are those of now")
		}
		id := r.Gimbal + "/" + pin.Unit
		u := PackUnit{Gimbal: r.Gimbal}
		if pin.Unit != "" {
			u.Serial = pin.Unit
			if ref, err := l.Units().Find(r.Gimbal + "/" + pin.Unit); err == nil {
				u.Serial, u.Label, u.Trouble = ref.Serial, ref.Label, ref.Trouble
			}
			id = r.Gimbal + "/" + u.Serial
		}
		if _, ok := at[id]; !ok {
			at[id] = len(units)
			units = append(units, u)
			onUnit[id] = map[string]int{}
		}
		if x := &units[at[id]]; !slices.Contains(x.Rigs, r.Alias) {
			x.Rigs = append(x.Rigs, r.Alias)
		} else {
			continue // another tune of the same rig
		}
		here := map[string]int{}
		for _, p := range r.Parts {
			key := packKey(p)
			here[key]++
			n := parts[key]
			if n == nil {
				n = &need{part: p}
				parts[key] = n
			}
			if !slices.Contains(n.rigs, r.Alias) {
				n.rigs = append(n.rigs, r.Alias)
			}
		}
		for key, n := range here {
			onUnit[id][key] = max(onUnit[id][key], n)
		}
	}
	for i := range units {
		u := &units[i]
		for key, n := range onUnit[u.Gimbal+"/"+u.Serial] {
			parts[key].count += n
			parts[key].units = append(parts[key].units, cmp.Or(u.Label, u.Serial, u.Gimbal))
		}
	}
	for _, n := range parts {
		slices.Sort(n.units)
	}
	return parts, units, said
}

// Pack lists what a job takes along, and what is wanted twice: by two units of the job, or by
// another open job on one of its days. Typed parts are compared by slot and name, and how many
// there are of them is unknown.
func (l Jobs) Pack(slug string) (Packing, error) {
	j, err := l.Read("", slug)
	if err != nil {
		return Packing{}, err
	}
	out := Packing{Job: j}
	wanted, units, said := l.needs(j)
	out.Units, out.Said = units, said
	for key, n := range wanted {
		q, owner := l.have(key)
		out.Parts = append(out.Parts, PackPart{Part: n.part.From, Name: n.part.Name, Slot: n.part.Slot, Wanted: n.count, Have: q, Owner: owner, Rigs: n.rigs})
		if n.count > 1 && len(n.units) > 1 && (q < 0 || n.count > q) {
			text := fmt.Sprintf("wanted on %s: %d, ", schema.List(n.units), n.count)
			if q < 0 {
				text += "and the shop does not say how many there are"
			} else {
				text += fmt.Sprintf("there %s", isAre(q))
			}
			out.Twice = append(out.Twice, PackTwice{Part: n.part.Name, Wanted: n.count, Have: q, Text: text})
		} else if q >= 0 && n.count > q {
			out.Twice = append(out.Twice, PackTwice{Part: n.part.Name, Wanted: n.count, Have: q, Text: fmt.Sprintf("wanted: %d, there %s", n.count, isAre(q))})
		}
	}
	if err := l.othersWant(&out, slug, wanted); err != nil {
		return out, err
	}
	slices.SortFunc(out.Parts, func(a, b PackPart) int {
		return cmp.Or(strings.Compare(a.Slot, b.Slot), schema.CompareNatural(a.Name, b.Name), strings.Compare(a.Part, b.Part))
	})
	slices.SortFunc(out.Twice, func(a, b PackTwice) int {
		return cmp.Or(strings.Compare(a.Unit, b.Unit), schema.CompareNatural(a.Part, b.Part), strings.Compare(a.Text, b.Text))
	})
	return out, nil
}

// have is how many the shop has of a part, -1 where it does not say, and whose they are.
func (l Jobs) have(key string) (int, string) {
	name, ok := strings.CutPrefix(key, "part ")
	if !ok {
		return -1, ""
	}
	p, err := l.Builds().Part("", name)
	if err != nil {
		return -1, ""
	}
	return p.Quantity, p.Owner
}

// othersWant finds what other open jobs want on a day of this one.
func (l Jobs) othersWant(out *Packing, slug string, wanted map[string]*need) error {
	jobs, err := l.Slugs()
	if err != nil {
		return err
	}
	for _, other := range jobs {
		o, err := l.Read("", other)
		if err != nil || other == slug || o.State != "open" || o.To.Before(out.Job.From) || o.From.After(out.Job.To) {
			continue // a job that is unreadable is said by check
		}
		l.alsoWants(out, other, o, wanted)
	}
	return nil
}

// alsoWants compares what a job takes along with what another does.
func (l Jobs) alsoWants(out *Packing, other string, o preset.Job, wanted map[string]*need) {
	day := o.From
	if day.Before(out.Job.From) {
		day = out.Job.From
	}
	when := fmt.Sprintf("also by job:%s on %s", other, schema.SayDate(day))
	theirs, theirUnits, _ := l.needs(o)
	for key, n := range wanted {
		t := theirs[key]
		if t == nil {
			continue
		}
		q, _ := l.have(key)
		if q >= 0 && n.count+t.count <= q {
			continue
		}
		text := fmt.Sprintf("%s: %d together, ", when, n.count+t.count)
		if q < 0 {
			text += "and the shop does not say how many there are"
		} else {
			text += "there " + isAre(q)
		}
		out.Twice = append(out.Twice, PackTwice{Part: n.part.Name, Wanted: n.count + t.count, Have: q, Text: text})
	}
	for _, u := range out.Units {
		for _, t := range theirUnits {
			if u.Serial != "" && u.Serial == t.Serial && u.Gimbal == t.Gimbal {
				out.Twice = append(out.Twice, PackTwice{Unit: cmp.Or(u.Label, u.Serial), Wanted: 2, Have: 1, Text: when})
			}
		}
	}
}

func isAre(n int) string {
	if n == 1 {
		return "is 1"
	}
	return fmt.Sprintf("are %d", n)
}
