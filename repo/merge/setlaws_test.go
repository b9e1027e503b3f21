package merge

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/schema"
)

// work has somebody change a library at random: tunes, builds (which moves rigs), new rigs and
// tunes, removals, names, jobs, sheets.
func work(t testing.TB, r *rand.Rand, lib mem, tag string, n int) mem {
	lib = lib.with()
	for range n {
		var rigs, tunes []string
		for _, p := range slices.Sorted(maps.Keys(lib)) {
			switch place, _ := preset.Locate(p); place.Kind {
			case schema.KindRig:
				rigs = append(rigs, place.Rig)
			case schema.KindTune:
				tunes = append(tunes, p)
			}
		}
		edit := func(path string, fn func(d *file.Doc) (*file.Doc, error)) {
			d, err := file.Parse(path, []byte(lib[path]))
			if err == nil {
				d, err = fn(d)
			}
			if err != nil {
				t.Fatalf("%s: %v\n%s", path, err, lib[path])
			}
			lib[path] = string(d.Text())
		}
		word := fmt.Sprintf("%s%d", tag, r.IntN(100000))
		switch r.IntN(9) {
		case 0, 1:
			if len(tunes) > 0 {
				edit(tunes[r.IntN(len(tunes))], func(d *file.Doc) (*file.Doc, error) {
					return d.Set([]string{"stiffness.pan", "filters.drive", "stiffness.roll"}[r.IntN(3)], 1+r.IntN(6))
				})
			}
		case 2, 3: // another mass
			if len(rigs) > 0 {
				fp := rigs[r.IntN(len(rigs))]
				now := lib.with()
				d, _ := file.Parse("x", []byte(lib[preset.RigPath(fp)]))
				k := fmt.Sprintf("part[%d].mass_kg", r.IntN(2))
				v, _ := d.Get(k)
				f, _ := schema.Number(v)
				d, err := d.Set(k, f+float64(r.IntN(8))/1000)
				if err != nil {
					t.Fatal(err)
				}
				now[preset.RigPath(fp)] = string(d.Text())
				if to := printOf(t, string(d.Text())); to == fp {
					lib = now
				} else if lib[preset.RigPath(to)] == "" {
					lib, _ = moved(t, now, fp, "", "")
				}
			}
		case 4: // a new rig
			text := edits(t, rigBase, "zoom-build", word, "1.20", fmt.Sprintf("0.%d", 10+r.IntN(4)))
			if fp := printOf(t, text); lib[preset.RigPath(fp)] == "" {
				lib[preset.RigPath(fp)] = text
				lib[preset.TunePath(fp, "main")] = tuneFor(fp)
			}
		case 5: // a rig goes
			if len(rigs) > 1 && r.IntN(2) == 0 {
				fp := rigs[r.IntN(len(rigs))]
				if !strings.Contains(lib["jobs/2026-03-02-harbour.toml"], fp) {
					for p := range lib {
						if strings.HasPrefix(p, preset.RigDir(fp)+"/") {
							delete(lib, p)
						}
					}
				}
			}
		case 6: // a name
			if len(rigs) > 0 {
				edit(preset.RigPath(rigs[r.IntN(len(rigs))]), func(d *file.Doc) (*file.Doc, error) { return d.Set("alias", word) })
			}
		case 7:
			edit("jobs/2026-03-02-harbour.toml", func(d *file.Doc) (*file.Doc, error) {
				if len(rigs) > 0 && r.IntN(2) == 0 {
					return d.Append("pin", file.Table{{Key: "rig", Value: rigs[r.IntN(len(rigs))]}, {Key: "tune", Value: word}})
				}
				return d.Append("shot", file.Table{{Key: "name", Value: word}})
			})
		case 8:
			edit("gimbals/quay-large.toml", func(d *file.Doc) (*file.Doc, error) { return d.Set("payload.max_kg", 6.0+float64(r.IntN(30))/10) })
		}
	}
	return lib
}

// TestSetLaws: merges of whole libraries at random. What comes out holds, comes out the same
// whoever merges, and has every rig that neither side removed.
func TestSetLaws(t *testing.T) {
	rounds := 100
	if os.Getenv("RIGKEEP_STORM") != "" {
		rounds = 3000
	}
	merged, conflicts, movedBoth := 0, 0, 0
	for seed := range rounds {
		r := rand.New(rand.NewPCG(uint64(seed), 7))
		base, _ := library(t)
		base = work(t, r, base, "base", r.IntN(4))
		a, b := work(t, r, base, "ours", 1+r.IntN(6)), work(t, r, base, "theirs", 1+r.IntN(6))
		for i, c := range [][3]mem{{base, a, a}, {base, a, base}, {base, base, a}} {
			out, got := setOf(t, c[0], c[1], c[2], nil)
			if d := changed(got, a); len(out.Conflicts) > 0 || len(d) > 0 {
				t.Fatalf("seed %d, law %d: %v %v", seed, i, d, out.Conflicts)
			}
		}
		x, gx := setOf(t, base, a, b, nil)
		y, gy := setOf(t, base, b, a, nil)
		if (len(x.Conflicts) == 0) != (len(y.Conflicts) == 0) {
			t.Fatalf("seed %d: conflicts one way only:\n%+v\n%+v", seed, x.Conflicts, y.Conflicts)
		}
		if len(x.Conflicts) > 0 {
			conflicts++
			// Every conflict can be settled, either way.
			for _, side := range []Side{Ours, Theirs} {
				c, _ := NewChoices([]string{"all"}, nil, nil, nil)
				if side == Theirs {
					c, _ = NewChoices(nil, []string{"all"}, nil, nil)
				}
				out, got := setOf(t, base, a, b, c)
				if left := unsettled(out.Conflicts); len(left) > 0 {
					t.Fatalf("seed %d: %s for all leaves %+v", seed, side, left)
				}
				if len(out.Conflicts) == 0 {
					sound(t, seed, got)
				}
			}
			continue
		}
		merged++
		sound(t, seed, gx)
		for p := range gx {
			place, ok := preset.Locate(p)
			if !ok || gy[p] == "" {
				if gy[p] == "" {
					t.Fatalf("seed %d: %s only one way", seed, p)
				}
				continue
			}
			u, _ := flat(t, place.Kind, []byte(gx[p]), gy[p])
			v, _ := flat(t, place.Kind, []byte(gy[p]), gx[p])
			if diff := sameFlat(u, v); diff != "" {
				t.Fatalf("seed %d: %s is not symmetric: %s\n%s\n----\n%s", seed, p, diff, gx[p], gy[p])
			}
		}
		for p := range gx {
			if strings.HasSuffix(p, "rig.toml") && a[p] == "" && b[p] == "" {
				movedBoth++
			}
		}
		// A rig that both sides have, wherever it is now, is still there under its name.
		names := func(lib mem) map[string]bool {
			out := map[string]bool{}
			for p, s := range lib {
				if strings.HasSuffix(p, "/rig.toml") {
					v, _ := file.Values("x", []byte(s))
					out[schema.Flatten(v).Str("alias")] = true
				}
			}
			return out
		}
		na, nb, nx := names(a), names(b), names(gx)
		for n := range na {
			if nb[n] && !nx[n] {
				t.Fatalf("seed %d: rig %s is lost", seed, n)
			}
		}
	}
	t.Logf("%d merged, %d conflicts, %d rigs at a fingerprint of their own", merged, conflicts, movedBoth)
	if merged < rounds/4 || conflicts < rounds/20 || movedBoth == 0 {
		t.Error("the test does not test enough")
	}
}

// unsettled leaves out what no side can settle: two rigs that became one build.
func unsettled(cs []Conflict) []Conflict {
	var out []Conflict
	for _, c := range cs {
		if c.Key != "part" {
			out = append(out, c)
		}
	}
	return out
}

// sound is holds without pins of tunes that the random job names.
func sound(t testing.TB, seed int, lib mem) {
	t.Helper()
	defer func() {
		if t.Failed() {
			t.Logf("seed %d", seed)
		}
	}()
	holds(t, lib)
}
