// Package handovertest makes what the tests of handovers need: a small invented library with a
// rig that has a history, and files that no honest sender would send.
package handovertest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/repo/handover"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Roles, as the people of the tests.
var (
	ACam = store.Person{Name: "A-cam operator", Email: "a-cam@example.org"}
	BCam = store.Person{Name: "B-cam operator", Email: "b-cam@example.org"}
)

// Start is when the library begins.
var Start = time.Date(2026, 1, 12, 9, 0, 0, 0, time.UTC)

// Dials are the range of a sheet's dials, in its own numbers and in SI; SI zero leaves the maps out.
type Dials struct {
	Max  float64
	Fine float64
	SI   float64 // N·m/rad at the stiffest
}

// Sheet writes a gimbal sheet.
func Sheet(d Dials) string {
	var b strings.Builder
	b.WriteString(`format = 1
kind = "gimbal"
name = "Two-handed, invented"

[payload]
max_kg = 5.0

[travel.tilt]
up_deg = 90
down_deg = 120

`)
	for _, a := range schema.Axes {
		fmt.Fprintf(&b, "\n[motor.%s]\ntorque_nm = 2.0\n\n[moving.%s]\ninertia_kgm2 = 0.005\n", a, a)
	}
	dial := func(key, up, unit string, atMin, atMax float64) {
		fmt.Fprintf(&b, "\n[dial.%s]\nmin = 0\nmax = %g\ncoarse = %g\nfine = %g\nup = %q\n", key, d.Max, d.Fine*5, d.Fine, up)
		if d.SI > 0 {
			fmt.Fprintf(&b, "map = { kind = \"linear\", unit = %q, at_min = %g, at_max = %g }\n", unit, atMin, atMax)
		}
	}
	for _, a := range schema.Axes {
		dial("stiffness."+a.String(), "stiffer", "Nm/rad", 0, d.SI)
	}
	dial("filters.sensing", "heavier", "Hz", 200, 20)
	for _, a := range []string{"pan", "tilt"} {
		dial("follow.deadband."+a, "wider", "deg", 0, 40)
		dial("follow.lag."+a, "longer", "s", 0, 2)
	}
	return b.String()
}

// Rig writes a build sheet on a gimbal.
func Rig(alias, gimbal string, lensGrams int) string {
	return fmt.Sprintf(`# The build for walking.
format = 1
kind = "rig"
alias = %q
gimbal = %q

[[part]]
slot = "body"
name = "Body K"
shape = "box"
mass_kg = 1.25
size_mm = [105, 115, 98]
place_mm = [-22, 0, 2]

[[part]]
slot = "lens"
name = "35 mm prime"
shape = "cylinder"
mass_g = %d
diameter_mm = 82
length_mm = 95
axis = "x"
place_mm = [48, 0, 4]
`, alias, gimbal, lensGrams)
}

// Fixture is a library with the means to go on working in it.
type Fixture struct {
	*library.Library
	T   testing.TB
	Who store.Person
	now time.Time
}

// Empty makes a library without rigs.
func Empty(t testing.TB, who store.Person) *Fixture {
	t.Helper()
	return empty(t, filepath.Join(t.TempDir(), "library"), who)
}

func empty(t testing.TB, dir string, who store.Person) *Fixture {
	t.Helper()
	files, err := library.NewFiles(schema.Default(), "Test", "kg", "mm")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.Init(dir, files, who, Start); err != nil {
		t.Fatal(err)
	}
	return &Fixture{Library: reopen(t, dir), T: t, Who: who, now: Start}
}

func reopen(t testing.TB, dir string) *library.Library {
	t.Helper()
	l, err := library.Open(dir, schema.Default(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// Now is a moment later each time it is asked for.
func (s *Fixture) Now() time.Time {
	s.now = s.now.Add(time.Hour)
	return s.now
}

// Add saves new files.
func (s *Fixture) Add(why string, files map[string]string) {
	s.T.Helper()
	var list []library.NewFile
	for p, text := range files {
		list = append(list, library.NewFile{Path: p, Text: []byte(text)})
	}
	if _, err := s.Edits().AddFiles(context.Background(), list, why, s.Who, s.Now()); err != nil {
		s.T.Fatal(err)
	}
}

// AddBuild saves a build, and gives its fingerprint.
func (s *Fixture) AddBuild(text string) string {
	s.T.Helper()
	r, err := s.Edits().AddRig("rig.toml", []byte(text))
	if err != nil {
		s.T.Fatal(err)
	}
	s.Add("Add "+r.Alias, map[string]string{preset.RigPath(r.ID): text})
	return r.ID
}

// Set changes values of a tune, KEY=VALUE, and saves it.
func (s *Fixture) Set(rig, why string, values ...string) store.Rev {
	s.T.Helper()
	d, err := s.Names().Load(rig, true)
	if err != nil {
		s.T.Fatal(err)
	}
	var as []library.Assign
	for _, v := range values {
		a, err := library.ParseAssign(v)
		if err != nil {
			s.T.Fatal(err)
		}
		as = append(as, a)
	}
	e, _, err := s.Edits().Assign(d, as)
	if err != nil {
		s.T.Fatal(err)
	}
	return s.save(e, rig, why)
}

func (s *Fixture) save(e library.Edited, rig, why string, trailers ...store.Trailer) store.Rev {
	s.T.Helper()
	if err := s.Edits().Write(context.Background(), e); err != nil {
		s.T.Fatal(err)
	}
	return s.Save(rig, why, trailers...)
}

// Save saves a rig as it lies in the folder.
func (s *Fixture) Save(rig, why string, trailers ...store.Trailer) store.Rev {
	s.T.Helper()
	target, err := s.Plans().Target(rig)
	if err != nil {
		s.T.Fatal(err)
	}
	p, err := s.Plans().Save([]library.Target{target})
	if err != nil {
		s.T.Fatal(err)
	}
	rev, err := s.Plans().Commit(context.Background(), p, why, "", s.Who, s.Now(), trailers...)
	if err != nil {
		s.T.Fatal(err)
	}
	return rev
}

// Replace changes text in a file of the folder and saves the rig it belongs to.
func (s *Fixture) Replace(path, old, new, rig, why string) store.Rev {
	s.T.Helper()
	data, err := s.Store.Work().Read(path)
	if err != nil {
		s.T.Fatal(err)
	}
	if !strings.Contains(string(data), old) {
		s.T.Fatalf("%s has no %q", path, old)
	}
	if err := s.Store.Work().WriteFile(context.Background(), path, []byte(strings.Replace(string(data), old, new, 1)), data); err != nil {
		s.T.Fatal(err)
	}
	return s.Save(rig, why)
}

// ProveOn records a proof of a rig's main tune on a unit.
func (s *Fixture) ProveOn(rig, unit string) store.Rev {
	s.T.Helper()
	d, err := s.Names().Load(rig, true)
	if err != nil {
		s.T.Fatal(err)
	}
	e, err := s.Edits().Prove(d, preset.Proof{At: s.Now(), Unit: unit, Place: "hand", By: s.Who.Name, Minutes: 15,
		Effort: map[schema.Axis]float64{schema.Pan: 0.5, schema.Roll: 1, schema.Tilt: -1.5}, Onset: map[schema.Axis]float64{schema.Pan: 60, schema.Tilt: 55}}, preset.GroupHold)
	if err != nil {
		s.T.Fatal(err)
	}
	return s.save(e, rig, "Prove "+rig)
}

// Hold records that a unit of pier-one holds a rig's main tune now.
func (s *Fixture) Hold(serial, rig string) {
	s.T.Helper()
	d, err := s.Names().Load(rig, true)
	if err != nil {
		s.T.Fatal(err)
	}
	u, err := s.Units().Find(serial)
	if err != nil {
		s.T.Fatal(err)
	}
	e, err := s.Units().AddHeld(u, s.Units().HeldOf(d, 0, s.Who.Name, s.Now()), "")
	if err != nil {
		s.T.Fatal(err)
	}
	s.save(e, "unit:"+u.Serial, "Load "+rig+" on "+serial)
}

// Tune is the text of a first tune.
func Tune(fp string) string {
	return fmt.Sprintf(`format = 1
kind = "tune"
rig = %q
note = "Cable tie on the monitor arm."

[stiffness]
pan = 30     # hums from 58
roll = 25
tilt = 28

[filters]
sensing = 10

[limits.tilt]
up_deg = 45
down_deg = 60

[follow.walk]
deadband = { pan = 12, tilt = 15 }
lag = { pan = 40, tilt = 45 }
`, fp)
}

// Filled makes a library with two rigs on one gimbal. The first, walk-build, has a history of six
// revisions, a proof, a job that pins it together with the other, and an earlier fingerprint.
func Filled(t testing.TB, who store.Person) *Fixture {
	t.Helper()
	madeMu.Lock()
	defer madeMu.Unlock()
	if made[who] == "" {
		dir, err := os.MkdirTemp("", "handovertest-")
		if err != nil {
			t.Fatal(err)
		}
		made[who] = filepath.Join(dir, "library")
		fill(empty(t, made[who], who))
	}
	dir := filepath.Join(t.TempDir(), "library")
	if err := os.CopyFS(dir, os.DirFS(made[who])); err != nil {
		t.Fatal(err)
	}
	s := &Fixture{Library: reopen(t, dir), T: t, Who: who, now: Start.Add(100 * time.Hour)}
	if _, err := s.Store.Work().Status(); err != nil {
		t.Fatal(err)
	}
	return s
}

// The library is made once for each of the roles and copied, since saving waits for the disk.
var (
	madeMu sync.Mutex
	made   = map[store.Person]string{}
)

// Clean takes away what Filled keeps; TestMain calls it.
func Clean() {
	for _, dir := range made {
		os.RemoveAll(filepath.Dir(dir))
	}
}

func fill(s *Fixture) {
	t := s.T
	t.Helper()
	s.Add("Add the sheet", map[string]string{preset.GimbalPath("pier-one"): Sheet(Dials{100, 1, 200})})
	s.Add("Add the units", map[string]string{
		preset.UnitPath("pier-one", "U-01"): "format = 1\nkind = \"unit\"\nfirmware = \"2.4\"\n",
		preset.UnitPath("pier-one", "U-02"): "format = 1\nkind = \"unit\"\n",
	})
	old := s.AddBuild(Rig("walk-build", "pier-one", 560))
	other := s.AddBuild(Rig("secret-build", "pier-one", 900))
	s.Add("First tune", map[string]string{preset.TunePath(old, "main"): Tune(old)})
	s.Add("Other tune", map[string]string{preset.TunePath(other, "main"): Tune(other)})
	s.Set("walk-build", "Pan a step up", "stiffness.pan=35")
	s.Set("secret-build", "Secret step", "stiffness.pan=44")
	s.Replace(preset.RigPath(old), "mass_g = 560", "mass_g = 585", "walk-build", "Lens weighed again")
	rr, err := s.Names().Find("walk-build")
	if err != nil {
		t.Fatal(err)
	}
	rev := s.Set("walk-build", "Tilt a step down", "stiffness.tilt=26")
	s.ProveOn("walk-build", "U-01")
	s.Hold("U-01", "walk-build")
	job, err := library.JobText(preset.Job{Slug: "2026-02-02-harbour", Name: "Harbour", From: Start.AddDate(0, 0, 21), Crew: []preset.Crew{{Role: "A-cam operator", Name: "Somebody"}}, Longest: 85, Sensor: [2]float64{24.9, 14}})
	if err != nil {
		t.Fatal(err)
	}
	s.Add("Open the job", map[string]string{preset.JobPath("2026-02-02-harbour"): string(job)})
	p, err := s.Jobs().PlanAdd("2026-02-02-harbour", []library.PinRequest{{Rig: rr.Fingerprint, Tune: "main", Rev: rev, Unit: "U-01"}, {Rig: other, Tune: "main"}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Plans().Commit(context.Background(), p, "Pin", "", s.Who, s.Now()); err != nil {
		t.Fatal(err)
	}
}

// Gather collects a rig as RIG or RIG/TUNE.
func (s *Fixture) Gather(names ...string) *handover.Contents {
	s.T.Helper()
	var wanted []handover.Wanted
	for _, n := range names {
		rig, tune, one := strings.Cut(n, "/")
		rr, err := s.Names().Find(rig)
		if err != nil {
			s.T.Fatal(err)
		}
		w := handover.Wanted{Rig: rr}
		if one {
			w.Tunes = []string{tune}
		}
		wanted = append(wanted, w)
	}
	c, err := handover.Gather(s.Library, wanted)
	if err != nil {
		s.T.Fatal(err)
	}
	c.Sender = handover.Sender{Name: s.Who.Name, Email: s.Who.Email}
	return c
}

// HandOver makes an unsigned handover with a card that says nothing.
func (s *Fixture) HandOver(names ...string) []byte {
	s.T.Helper()
	data, _, err := handover.Seal(s.Gather(names...), []byte("<!DOCTYPE html><title>card</title>\n"), "rigkeep test", nil)
	if err != nil {
		s.T.Fatal(err)
	}
	return data
}
