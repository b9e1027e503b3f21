package merge

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// someone edits a text of a kind as a person might: values, deletions, new keys, remarks, notes,
// the order of parts. tag keeps two persons' words apart.
func someone(t testing.TB, r *rand.Rand, kind, text, tag string, n int) string {
	t.Helper()
	d, err := file.Parse("x", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	apply := func(next *file.Doc, err error) {
		if err == nil && valid(kind, string(next.Text())) {
			d = next
		}
	}
	pick := func(keys []string, want func(string) bool) string {
		keys = slices.DeleteFunc(slices.Clone(keys), func(k string) bool { return !want(k) })
		if len(keys) == 0 {
			return ""
		}
		return keys[r.IntN(len(keys))]
	}
	for range n {
		number := pick(d.Keys(), func(k string) bool {
			v, _ := d.Get(k)
			_, ok := schema.Number(v)
			return ok && k != "format"
		})
		switch r.IntN(11) {
		case 0, 1, 2:
			if number != "" {
				v, _ := d.Get(number)
				f, _ := schema.Number(v)
				apply(d.Set(number, f+float64(1+r.IntN(3))))
			}
		case 3:
			if k := pick(d.Keys(), func(k string) bool {
				return strings.Contains(k, ".") && !strings.HasPrefix(k, "part") && !strings.HasPrefix(k, "step")
			}); k != "" {
				apply(d.Delete(k))
			}
		case 4:
			if kind == schema.KindTune {
				apply(d.Set(fmt.Sprintf("follow.%s.deadband.%s", []string{"walk", "run", "stairs"}[r.IntN(3)], []string{"pan", "roll", "tilt"}[r.IntN(3)]), 2+r.IntN(9)))
			} else if kind == schema.KindRig {
				apply(d.Append("part", file.Table{{Key: "slot", Value: "extra"}, {Key: "name", Value: fmt.Sprint("item ", r.IntN(4))}, {Key: "shape", Value: "point"}, {Key: "mass_kg", Value: 0.1 + float64(r.IntN(3))/10}, {Key: "place_mm", Value: []any{0.0, 0.0, 0.0}}}))
			} else {
				apply(d.Append("shot", file.Table{{Key: "name", Value: fmt.Sprint("shot ", r.IntN(5))}, {Key: "lens_mm", Value: 20 + r.IntN(3)}}))
			}
		case 5:
			k := pick(append(d.Keys(), d.Tables()...), func(string) bool { return true })
			apply(d.AddComment(k, fmt.Sprintf("%s %d", tag, r.IntN(1000)), r.IntN(2) == 0))
		case 6:
			v, _ := d.Get("note")
			note, _ := v.(string)
			ls := strings.Split(note, "\n")
			i := r.IntN(len(ls) + 1)
			ls = slices.Insert(ls, i, fmt.Sprintf("%s said %d", tag, r.IntN(1000)))
			apply(d.Set("note", strings.Join(ls, "\n")))
		case 7:
			if cs := d.Comments(); len(cs) > 0 {
				apply(d.DropComment(cs[r.IntN(len(cs))]))
			}
		case 8:
			if kind == schema.KindRig {
				if v, _ := d.Get("part"); len(asList(v)) > 1 {
					apply(d.Delete(fmt.Sprintf("part[%d]", r.IntN(len(asList(v))))))
				}
			} else if kind == schema.KindTune {
				if k := pick(d.Tables(), func(k string) bool { return strings.HasPrefix(k, "follow.") && strings.Count(k, ".") == 1 }); k != "" {
					apply(d.Delete(k))
				}
			}
		case 9: // layout
			s := strings.ReplaceAll(string(d.Text()), "\n\n", "\n\n\n")
			apply(file.Parse("x", []byte(s)))
		case 10:
			if kind == schema.KindTune {
				apply(d.Set("proof.hold.at", file.DateTime{Date: file.Date{Year: 2026, Month: 3, Day: 1 + r.IntN(28)}}.Time()))
				apply(d.Set("proof.hold.by", tag))
				apply(d.Set("proof.hold.digest", digestOf(t, string(d.Text()))))
			}
		}
	}
	return string(d.Text())
}

const jobBase = `format = 1
kind = "job"
name = "Harbour film"
from = 2026-03-02
to = 2026-03-06
state = "open"
note = "call at six"

[lens]
widest_mm = 18
longest_mm = 85

[[crew]]
role = "A-cam operator"

[[crew]]
role = "Gimbal technician"
name = "the tall one"

[[shot]]
name = "ladder"
kind = "stairs"
lens_mm = 24

[[pin]]
rig = "k7qd2m9x4c"
tune = "main"
`

func valid(kind string, text string) bool {
	d, err := file.Parse("x", []byte(text))
	return err == nil && len(schema.Errors(cat.Validate(kind, d.Tree(), nil))) == 0
}

// TestLaws holds the laws of a merge on random edits of tunes, build sheets and jobs.
func TestLaws(t *testing.T) {
	rounds := 500
	if os.Getenv("RIGKEEP_STORM") != "" {
		rounds = 20_000
	}
	merged, conflicts, lost := 0, 0, 0
	for seed := range rounds {
		r := rand.New(rand.NewPCG(uint64(seed), 4))
		kind, base := schema.KindTune, tuneBase
		switch seed % 3 {
		case 1:
			kind, base = schema.KindRig, rigBase
		case 2:
			kind, base = schema.KindJob, jobBase
		}
		base = someone(t, r, kind, base, "base", r.IntN(4))
		a := someone(t, r, kind, base, "ours", r.IntN(6))
		b := someone(t, r, kind, base, "theirs", r.IntN(6))
		merge := func(base, o, th string) Output {
			out, err := File(Input{Cat: cat, Path: "x", Kind: kind, Base: []byte(base), Ours: []byte(o), Theirs: []byte(th)})
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			return out
		}
		for i, out := range []Output{merge(base, a, a), merge(base, a, base), merge(base, base, a)} {
			if string(out.Text) != a || len(out.Conflicts) > 0 {
				t.Fatalf("seed %d, law %d: %v\n%s\nnot\n%s", seed, i, out.Conflicts, out.Text, a)
			}
		}
		x, y := merge(base, a, b), merge(base, b, a)
		if len(x.Conflicts) != len(y.Conflicts) {
			t.Fatalf("seed %d: %d and %d conflicts\n%v\n%v\n%s\n----\n%s\n----\n%s", seed, len(x.Conflicts), len(y.Conflicts), x.Conflicts, y.Conflicts, base, a, b)
		}
		for i, c := range x.Conflicts {
			d := y.Conflicts[i]
			if c.Key != d.Key || fmt.Sprint(c.Ours) != fmt.Sprint(d.Theirs) || fmt.Sprint(c.Base) != fmt.Sprint(d.Base) || c.Why != d.Why {
				t.Fatalf("seed %d: %+v\n%+v", seed, c, d)
			}
		}
		lost += len(x.Lost)
		if len(x.Conflicts) > 0 {
			conflicts++
			continue
		}
		merged++
		all := []string{base, a, b, string(x.Text), string(y.Text)}
		xv, xw := flat(t, kind, x.Text, all...)
		yv, yw := flat(t, kind, y.Text, all...)
		if diff := sameFlat(xv, yv); diff != "" {
			t.Fatalf("seed %d: not symmetric: %s\n%s\n----\n%s\n----\n%s", seed, diff, base, a, b)
		}
		if !slices.Equal(xw, yw) {
			t.Fatalf("seed %d: remarks not symmetric:\n%q\n%q\n%s\n----\n%s\n----\n%s", seed, xw, yw, base, a, b)
		}
		if valid(kind, a) && valid(kind, b) && !valid(kind, string(x.Text)) {
			t.Fatalf("seed %d: merged to something that does not hold\n%s", seed, x.Text)
		}
		// Nothing is lost: what one side alone has changed is in the result, and so is every
		// remark that one side added.
		bv, bw := flat(t, kind, []byte(base), all...)
		av, aw := flat(t, kind, []byte(a), all...)
		tv, tw := flat(t, kind, []byte(b), all...)
		keys := union3(bv, av, tv)
		for k := range keys {
			if strings.Contains(k, "#") {
				clear(keys) // two elements that nothing tells apart: which of them is gone cannot be said
			}
		}
		for k := range keys {
			in := func(m map[string]any) cell { v, ok := m[k]; return cell{ok, v} }
			want := in(av)
			if in(av).is(in(bv)) {
				want = in(tv)
			}
			if strings.HasPrefix(k, "proof") || k == "note" || k == "was" {
				continue
			}
			if !in(xv).is(want) {
				t.Fatalf("seed %d: %s is %v, was %v, changed to %v and %v\n%s\n----\n%s\n----\n%s", seed, k, in(xv), in(bv), in(av), in(tv), base, a, b)
			}
		}
		for _, w := range append(minus(aw, bw), minus(tw, bw)...) {
			if !slices.Contains(xw, w) {
				t.Fatalf("seed %d: the remark %q is lost\n%s\n----\n%s\n----\n%s", seed, w, a, b, x.Text)
			}
		}
		for _, side := range []map[string]any{av, tv} {
			note, _ := side["note"].(string)
			old, _ := bv["note"].(string)
			now, _ := xv["note"].(string)
			for _, l := range strings.Split(note, "\n") {
				if !strings.Contains(old, l) && !strings.Contains(now, l) {
					t.Fatalf("seed %d: the line %q of a note is lost", seed, l)
				}
			}
		}
	}
	t.Logf("%d merged, %d conflicts, %d remarks could not be placed", merged, conflicts, lost)
	if merged < rounds/4 || conflicts < rounds/20 || lost > 0 {
		t.Errorf("the test does not test enough: %d merged, %d conflicts of %d; %d lost", merged, conflicts, rounds, lost)
	}
}

func union3(ms ...map[string]any) map[string]bool {
	out := map[string]bool{}
	for _, m := range ms {
		for k := range m {
			out[k] = true
		}
	}
	return out
}

func minus(a, b []string) []string {
	var out []string
	for _, s := range a {
		if !slices.Contains(b, s) {
			out = append(out, s)
		}
	}
	return out
}

func FuzzFile(f *testing.F) {
	f.Add(tuneBase, strings.Replace(tuneBase, "41", "42", 1), strings.Replace(tuneBase, "38", "39", 1), byte(0))
	f.Add(rigBase, strings.Replace(rigBase, "2.35", "2.4", 1), rigBase+"\n# end\n", byte(1))
	f.Add("", jobBase, jobBase+"x = 1\n", byte(2))
	part := "format = 1\nkind = \"part\"\nname = \"Quay 35\"\nslot = \"lens\"\nmass_g = 820\n\n[mount.front]\nat_mm = [10, 0, 0]\ntakes = [\"filter\"]\n"
	f.Add(part, strings.Replace(part, "820", "835", 1), part+"\n[mount.top]\nat_mm = [0, 0, 10]\n", byte(6))
	unit := "format = 1\nkind = \"unit\"\nlabel = \"Bay 1\"\n"
	held := "\n[[held]]\nat = 2026-03-02T11:00:00Z\nby = \"A-cam operator\"\nrig = \"0qygem5g0z\"\ntune = \"main\"\nvalues.stiffness.pan = 40\n"
	f.Add(unit, unit+held, unit+strings.Replace(held, "11:00", "12:00", 1), byte(7))
	balance := "format = 1\nkind = \"balance\"\nrig = \"0qygem5g0z\"\nbegan = 2026-03-02T09:30:00Z\n\n[[mark]]\nname = \"plate\"\nat = 2026-03-02T09:31:00Z\nmm = 47\n"
	f.Add(balance, strings.Replace(balance, "mm = 47", "mm = 48", 1), balance+"\n[[mark]]\nname = \"post\"\nat = 2026-03-02T09:32:00Z\nmm = 20\n", byte(8))
	kinds := []string{schema.KindTune, schema.KindRig, schema.KindJob, schema.KindGimbal, schema.KindBench, schema.KindLibrary, schema.KindPart, schema.KindUnit, schema.KindBalance, ""}
	f.Fuzz(func(t *testing.T, base, ours, theirs string, k byte) {
		in := Input{Cat: cat, Path: "x", Kind: kinds[int(k)%len(kinds)], Base: []byte(base), Ours: []byte(ours), Theirs: []byte(theirs)}
		out, err := File(in)
		if err != nil || len(out.Conflicts) > 0 || in.Kind == "" {
			return
		}
		for _, s := range []string{base, ours, theirs} {
			if string(out.Text) == s {
				return
			}
		}
		if valid(in.Kind, ours) && valid(in.Kind, theirs) && !valid(in.Kind, string(out.Text)) {
			t.Fatalf("merged to something that does not hold:\n%s", out.Text)
		}
	})
}
