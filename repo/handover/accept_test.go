package handover_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/handover/handovertest"
	"rigkeep/repo/library"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func open(t testing.TB, data []byte) *handover.Package {
	t.Helper()
	p, err := handover.Open(data, cat)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// accept takes a handover in and has the real git look at the library.
func accept(s *handovertest.Fixture, data []byte, o handover.Options) *handover.Acceptance {
	s.T.Helper()
	p := open(s.T, data)
	a, err := handover.Accept(s.Library, p, o)
	if err != nil {
		s.T.Fatal(err)
	}
	if len(a.Conflicts) > 0 {
		s.T.Fatalf("conflicts: %+v", a.Conflicts)
	}
	if _, err := s.Plans().Commit(context.Background(), a.Plan, "Accept", "", s.Who, s.Now(), store.Trailer{Key: library.HandoverTrailer, Value: p.Digest}); err != nil {
		s.T.Fatal(err)
	}
	clean(s)
	return a
}

func clean(s *handovertest.Fixture) {
	s.T.Helper()
	dir := s.Store.Root()
	if out := run(s.T, dir, "git", "fsck", "--strict", "--no-dangling"); out != "" {
		s.T.Errorf("git fsck: %s", out)
	}
	if out := run(s.T, dir, "git", "status", "--porcelain"); out != "" {
		s.T.Errorf("git status: %s", out)
	}
	fs, _, err := s.Check()
	if err != nil {
		s.T.Fatal(err)
	}
	for _, f := range fs {
		s.T.Errorf("check: %s %s %s", f.Path, f.Key, f.What)
	}
}

func value(s *handovertest.Fixture, ref, key string) float64 {
	s.T.Helper()
	d, err := s.Names().Load(ref, true)
	if err != nil {
		s.T.Fatal(err)
	}
	v, _ := d.Tune.Num(key)
	return v
}

// TestAcceptNew takes a rig into a library that has nothing of it: one revision, its history
// kept, its proof not ours.
func TestAcceptNew(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	data := a.HandOver("walk-build")
	got := accept(b, data, handover.Options{Jobs: true})
	if len(got.Jobs) != 1 || got.Base != "" {
		t.Errorf("jobs %v, base %s", got.Jobs, got.Base)
	}
	d, err := b.Names().Load("walk-build", true)
	if err != nil {
		t.Fatal(err)
	}
	if p := d.Tune.Proof; p == nil || !strings.HasPrefix(p.Ended, preset.EndedByHandover) || len(d.Tune.Stale(d.Rig, d.Sheet, "")) == 0 {
		t.Errorf("the proof holds here: %+v", p)
	}
	head, err := b.Store.Head()
	if err != nil {
		t.Fatal(err)
	}
	c, err := b.Store.Revisions().Commit(head)
	if err != nil || len(c.Parents) != 2 || c.Parents[1] != open(t, data).History.Tip {
		t.Errorf("parents %v, %v", c.Parents, err)
	}
	rr := mustFind(b, "walk-build")
	hist, err := b.Past().History(rr, "main", 0)
	if err != nil || len(hist) != 6 {
		t.Errorf("%d revisions of the tune here, %v", len(hist), err)
	}
	// the job resolves here, in the history that came with it
	if v := value(b, "walk-build@harbour", "stiffness.tilt"); v != 26 {
		t.Errorf("tilt as pinned to the job: %v", v)
	}

	// once more: there is nothing to do
	var old *handover.Old
	if _, err := handover.Accept(b.Library, open(t, data), handover.Options{}); !errors.As(err, &old) || !old.Same || old.Accept == nil || store.ExitClass(err) != 1 {
		t.Errorf("accepted again: %v", err)
	}
}

// TestAcceptThereAndBack merges by key from where the two libraries parted, each way.
func TestAcceptThereAndBack(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	first := a.HandOver("walk-build")
	accept(b, first, handover.Options{})
	b.Set("walk-build", "Softer", "stiffness.pan=33")
	a.Set("walk-build", "Roll up", "stiffness.roll=27")
	back := b.HandOver("walk-build")
	got := accept(a, back, handover.Options{})
	if got.Base == "" || len(got.Conflicts) > 0 {
		t.Errorf("base %q, conflicts %v", got.Base, got.Conflicts)
	}
	if p, r := value(a, "walk-build", "stiffness.pan"), value(a, "walk-build", "stiffness.roll"); p != 33 || r != 27 {
		t.Errorf("pan %v, roll %v", p, r)
	}
	d, err := a.Names().Load("walk-build", true)
	if err != nil {
		t.Fatal(err)
	}
	if p := d.Tune.Proof; p == nil || p.Ended != "" && strings.HasPrefix(p.Ended, preset.EndedByHandover) {
		t.Errorf("our own proof did not stay ours: %+v", p)
	}
	text, err := a.Store.Work().Read(d.TunePath())
	if err != nil || !strings.Contains(string(text), "# hums from 58") {
		t.Errorf("the remark is gone: %s, %v", text, err)
	}
	// and forth again
	accept(b, a.HandOver("walk-build"), handover.Options{})
	if r := value(b, "walk-build", "stiffness.roll"); r != 27 {
		t.Errorf("roll %v", r)
	}
	// an older handover over the newer tune is noticed, here and at its own source
	for _, s := range []*handovertest.Fixture{a, b} {
		var old *handover.Old
		if _, err := handover.Accept(s.Library, open(t, first), handover.Options{}); !errors.As(err, &old) || old.Same || store.ExitClass(err) != 5 || !strings.Contains(err.Error(), "older than your library") {
			t.Errorf("replay: %v", err)
		}
	}
}

// TestAcceptConflict: the same key changed on both sides is for a person to settle.
func TestAcceptConflict(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	accept(b, a.HandOver("walk-build"), handover.Options{})
	a.Set("walk-build", "Up", "stiffness.pan=40")
	b.Set("walk-build", "Down", "stiffness.pan=31")
	data := a.HandOver("walk-build")
	before := files(t, b.Store.Root())
	got, err := handover.Accept(b.Library, open(t, data), handover.Options{})
	if err != nil || len(got.Conflicts) != 1 || got.Conflicts[0].Key != "stiffness.pan" || got.Plan != nil {
		t.Fatalf("%+v, %v", got, err)
	}
	same(t, before, files(t, b.Store.Root()))
	choices, err := merge.NewChoices(nil, []string{"stiffness.pan"}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	accept(b, data, handover.Options{Choices: choices})
	if v := value(b, "walk-build", "stiffness.pan"); v != 40 {
		t.Errorf("pan %v", v)
	}
}

// TestAcceptMovedBuild: the build changed on either side, so the rig has another fingerprint there.
func TestAcceptMovedBuild(t *testing.T) {
	t.Parallel()
	for _, theirs := range []bool{true, false} {
		a := handovertest.Filled(t, handovertest.ACam)
		b := handovertest.Empty(t, handovertest.BCam)
		accept(b, a.HandOver("walk-build"), handover.Options{})
		move := a
		if !theirs {
			move = b
		}
		rr := mustFind(move, "walk-build")
		move.Replace(preset.RigPath(rr.Fingerprint), "mass_g = 585", "mass_g = 640", "walk-build", "Another lens")
		moved := mustFind(move, "walk-build")
		if moved.Fingerprint == rr.Fingerprint {
			t.Fatal("the build did not move")
		}
		a.Set("walk-build", "Up", "stiffness.roll=24")
		b.Set("walk-build", "Down", "stiffness.pan=34")
		accept(b, a.HandOver("walk-build"), handover.Options{})
		if now := mustFind(b, "walk-build"); now.Fingerprint != moved.Fingerprint {
			t.Errorf("theirs %v: the rig is %s, want %s", theirs, now.Fingerprint, moved.Fingerprint)
		}
		if p, r := value(b, "walk-build", "stiffness.pan"), value(b, "walk-build", "stiffness.roll"); p != 34 || r != 24 {
			t.Errorf("theirs %v: pan %v, roll %v", theirs, p, r)
		}
		if rigs, err := b.Names().Rigs(); err != nil || len(rigs) != 1 {
			t.Errorf("theirs %v: %v, %v", theirs, rigs, err)
		}
	}
}

// TestAcceptAlias: a name that is taken here is for a person to settle.
func TestAcceptAlias(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	b.Add("Sheet", map[string]string{preset.GimbalPath("pier-one"): handovertest.Sheet(handovertest.Dials{Max: 100, Fine: 1, SI: 200})})
	b.AddBuild(handovertest.Rig("walk-build", "pier-one", 700))
	data := a.HandOver("walk-build")
	if _, err := handover.Accept(b.Library, open(t, data), handover.Options{}); store.ExitClass(err) != 4 || !strings.Contains(err.Error(), "--alias") {
		t.Fatal(err)
	}
	accept(b, data, handover.Options{Alias: "their-walk-build"})
	if v := value(b, "their-walk-build", "stiffness.pan"); v != 35 {
		t.Errorf("pan %v", v)
	}
}

// TestAcceptOtherDials: numbers of a dial that means something else here are not taken as they are.
func TestAcceptOtherDials(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	data := a.HandOver("walk-build")
	for _, c := range []struct {
		dials   handovertest.Dials
		refused bool
	}{
		{handovertest.Dials{Max: 100, Fine: 1, SI: 200}, false},
		{handovertest.Dials{Max: 100, Fine: 0.5, SI: 200}, false}, // finer steps, the same numbers
		{handovertest.Dials{Max: 200, Fine: 1, SI: 200}, true},
		{handovertest.Dials{Max: 100, Fine: 1, SI: 300}, true},
	} {
		b := handovertest.Empty(t, handovertest.BCam)
		b.Add("Sheet", map[string]string{preset.GimbalPath("pier-one"): handovertest.Sheet(c.dials)})
		_, err := handover.Accept(b.Library, open(t, data), handover.Options{})
		if (err != nil) != c.refused || c.refused && (store.ExitClass(err) != 4 || !strings.Contains(err.Error(), "--on pier-one")) {
			t.Errorf("%+v: %v", c.dials, err)
		}
		if !c.refused {
			continue
		}
		got := accept(b, data, handover.Options{On: "pier-one"})
		if v := value(b, "walk-build", "stiffness.pan"); v != 35*200/c.dials.SI*c.dials.Max/100-fraction(35*200/c.dials.SI*c.dials.Max/100) {
			t.Errorf("%+v: pan %v, %+v", c.dials, v, got.Conversions)
		}
	}
}

func fraction(v float64) float64 { return v - float64(int(v)) }

// TestAcceptOn converts to another gimbal, each number through SI and to the softer step.
func TestAcceptOn(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	data := a.HandOver("walk-build")
	b := handovertest.Empty(t, handovertest.BCam)
	b.Add("Sheets", map[string]string{
		preset.GimbalPath("pier-two"): handovertest.Sheet(handovertest.Dials{Max: 40, Fine: 0.5, SI: 300}),
		preset.GimbalPath("mute"):     handovertest.Sheet(handovertest.Dials{Max: 40, Fine: 0.5}),
		preset.GimbalPath("weak"):     handovertest.Sheet(handovertest.Dials{Max: 40, Fine: 0.5, SI: 40}),
	})
	for gimbal, want := range map[string]string{"mute": "the sheet of mute has no SI conversion for dial.filters.sensing, ", "weak": "stiffness, pan: ", "none": "no gimbal sheet"} {
		if _, err := handover.Accept(b.Library, open(t, data), handover.Options{On: gimbal}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("on %s: %v", gimbal, err)
		}
	}
	got := accept(b, data, handover.Options{On: "pier-two"})
	// 35 of 100 is 70 Nm/rad of 200; of 300 on a dial of 40 that is 9.33, and 9 is the softer step
	if v := value(b, "walk-build", "stiffness.pan"); v != 9 {
		t.Errorf("pan %v", v)
	}
	for _, c := range got.Conversions {
		if c.Key == "stiffness.pan" && (c.From != 35 || c.SI != 70 || c.Exact < 9.33 || c.Exact > 9.34 || c.To != 9 || c.Toward != "softer" || c.Unit != "Nm/rad") {
			t.Errorf("%+v", c)
		}
	}
	if len(got.Conversions) != 8 {
		t.Errorf("%d conversions", len(got.Conversions))
	}
	d, err := b.Names().Load("walk-build", true)
	if err != nil || d.Rig.Gimbal != "pier-two" || d.Tune.Proof != nil || d.Rig.Fingerprint() != d.Rig.ID {
		t.Errorf("%+v, %v", d, err)
	}
	// and what is changed there later comes in converted and merged
	a.Set("walk-build", "Up", "stiffness.roll=30")
	b.Set("walk-build", "Down", "stiffness.pan=8")
	accept(b, a.HandOver("walk-build"), handover.Options{On: "pier-two"})
	if p, r := value(b, "walk-build", "stiffness.pan"), value(b, "walk-build", "stiffness.roll"); p != 8 || r != 8 {
		t.Errorf("pan %v, roll %v", p, r)
	}
}

// TestAcceptUnsaved: an edit that is not saved is never overwritten.
func TestAcceptUnsaved(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	accept(b, a.HandOver("walk-build"), handover.Options{})
	a.Set("walk-build", "Up", "stiffness.pan=40")
	rr := mustFind(b, "walk-build")
	name := filepath.Join(b.Store.Root(), filepath.FromSlash(preset.TunePath(rr.Fingerprint, "main")))
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, append(text, "# mine\n"...), 0o666); err != nil {
		t.Fatal(err)
	}
	before := files(t, b.Store.Root())
	got, err := handover.Accept(b.Library, open(t, a.HandOver("walk-build")), handover.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err = b.Plans().Commit(context.Background(), got.Plan, "Accept", "", b.Who, b.Now()); store.ExitClass(err) != 4 {
		t.Errorf("accepted over an unsaved edit: %v", err)
	}
	same(t, before, files(t, b.Store.Root()))
}

// TestAcceptRemoved: a rig that was taken out here comes back whole.
func TestAcceptRemoved(t *testing.T) {
	t.Parallel()
	a := handovertest.Filled(t, handovertest.ACam)
	b := handovertest.Empty(t, handovertest.BCam)
	accept(b, a.HandOver("walk-build"), handover.Options{})
	p, err := b.Plans().Removal(mustFind(b, "walk-build"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Plans().Commit(context.Background(), p, "Remove", "", b.Who, b.Now()); err != nil {
		t.Fatal(err)
	}
	accept(b, a.HandOver("walk-build"), handover.Options{})
	if v := value(b, "walk-build", "stiffness.pan"); v != 35 {
		t.Errorf("pan %v", v)
	}
}

// files is every file of a library but what is derived and can be made anew.
func files(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(dir, p)
		if !strings.HasPrefix(filepath.ToSlash(rel), ".git/rigkeep/") {
			data, err := os.ReadFile(p)
			out[rel] = string(data)
			return err
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func same(t testing.TB, a, b map[string]string) {
	t.Helper()
	for p := range b {
		if _, ok := a[p]; !ok {
			t.Errorf("%s is new", p)
		}
	}
	for p, text := range a {
		if b[p] != text {
			t.Errorf("%s changed", p)
		}
	}
}

// TestAcceptCrosswise has two people hand a rig to each other at once, again and again, each
// changing one value in between, often back to what it was: both end up with what either meant.
func TestAcceptCrosswise(t *testing.T) {
	var keys []string
	for _, a := range schema.Axes {
		keys = append(keys, "stiffness."+a.String())
	}
	for seed := range uint64(3) {
		r := rand.New(rand.NewPCG(seed, 5))
		a := handovertest.Filled(t, handovertest.ACam)
		b := handovertest.Empty(t, handovertest.BCam)
		want := map[string]float64{}
		for _, k := range keys {
			want[k] = value(a, "walk-build", k)
		}
		accept(b, a.HandOver("walk-build"), handover.Options{})
		for round := range 6 {
			two := r.Perm(len(keys))[:2]
			for i, s := range []*handovertest.Fixture{a, b} {
				k := keys[two[i]]
				// two values in turn: most changes take something back
				v := 20.0
				if want[k] == v {
					v = 30
				}
				s.Set("walk-build", "Turn", fmt.Sprintf("%s=%g", k, v))
				want[k] = v
			}
			fromA, fromB := a.HandOver("walk-build"), b.HandOver("walk-build")
			accept(a, fromB, handover.Options{})
			accept(b, fromA, handover.Options{})
			for name, s := range map[string]*handovertest.Fixture{"A": a, "B": b} {
				for _, k := range keys {
					if got := value(s, "walk-build", k); got != want[k] {
						t.Fatalf("seed %d, round %d: %s of %s is %g, want %g", seed, round, k, name, got, want[k])
					}
				}
			}
		}
	}
}
