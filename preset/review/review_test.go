package review

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/preset/file"
	"rigkeep/preset/fit"
	"rigkeep/preset/start"
	"rigkeep/schema"
)

var cat = schema.Default()

// now is the morning of the shoot.
var now = time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)

const (
	rigTOML = `format = 1
kind = "rig"
alias = "b-cam"
gimbal = "skiff-small"

[[part]]
slot = "body"
name = "Body M"
shape = "box"
mass_g = 720
size_mm = [70, 100, 80]
place_mm = [-18, 0, 0]

[[part]]
slot = "lens"
name = "18 mm prime"
shape = "cylinder"
mass_g = 400
diameter_mm = 62
length_mm = 60
axis = "x"
place_mm = [45, 0, 2]
`
	tuneTOML = `format = 1
kind = "tune"
rig = "%s"

[stiffness]
pan = 30
roll = 14
tilt = 13

[filters]
sensing = 100
drive = 70

[limits.tilt]
up_deg = 40
down_deg = 45

[horizon]
offset_deg = 0

[follow.walk]
deadband = { pan = 4, tilt = 5 }
lag = { pan = 0.3, tilt = 0.2 }

[proof.hold]
at = 2026-02-20T10:00:00Z
unit = "SK-0412"
place = "hand"
by = "B-cam operator"
firmware = "1.8"
minutes = 12
effort_pct = { pan = 0.5, roll = 1, tilt = 1.5 }
onset = { tilt = 19 }
`
	jobTOML = `format = 1
kind = "job"
name = "Night pilotage"
from = 2026-03-02
to = 2026-03-03
state = "open"

[lens]
widest_mm = 18
longest_mm = 50
sensor_mm = [24.9, 18.7]

[tolerance]
drift_pct = 60
delay_s = 1

[sway]
pan_deg = 3
tilt_deg = 2

[[shot]]
name = "Pilot down the ladder"
kind = "walk"
style = "walk"
tilt_up_deg = 20
tilt_down_deg = 40

[[pin]]
rig = "%s"
tune = "main"
revision = "0123456789abcdef0123456789abcdef01234567"
unit = "Small A"
`
	benchTOML = `format = 1
kind = "bench"
rig = "%s"
tune = "main"
unit = "SK-0412"
by = "Stabiliser technician"
began = 2026-02-19T09:00:00Z
ended = 2026-02-19T09:40:00Z

[[step]]
at = 2026-02-19T09:20:00Z
key = "filters.sensing"
value = 110
saw = "clean"
text = "Ring at 31 Hz gone."

[result.roll]
kept = 14
clean = 18
onset = 20
`
)

var (
	pinned = Stamp{Revision: "0123456789abcdef0123456789abcdef01234567", Who: "B-cam operator", When: now.AddDate(0, 0, -10), Why: "Prove b-cam"}
	later  = Stamp{Revision: "89abcdef0123456789abcdef0123456789abcdef", Who: "Stabiliser technician", When: now.AddDate(0, 0, -1), Why: "Wind on the quay"}
)

func parse(t testing.TB, path, kind, text string, sheet *schema.Sheet) *file.Doc {
	t.Helper()
	doc, err := file.Parse(path, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if ps := schema.Errors(cat.Validate(kind, doc.Tree(), sheet)); len(ps) > 0 {
		t.Fatalf("%s: %v", path, ps)
	}
	return doc
}

// texts are the files of a case; a change makes them bad.
type texts struct{ rig, tune, job, sheet, bench string }

func replaced(s, old, with string) string {
	if !strings.Contains(s, old) {
		panic("the text has no " + old)
	}
	return strings.Replace(s, old, with, 1)
}

// good is a snapshot in which every rule can be tested and none has anything to
// say; edit changes its files first.
func good(t testing.TB, edit func(*texts)) Snapshot {
	t.Helper()
	sheet, err := os.ReadFile(filepath.Join("..", "..", "examples", "gimbals", "skiff-small.toml"))
	if err != nil {
		t.Fatal(err)
	}
	rig := preset.RigIn(parse(t, "rig.toml", schema.KindRig, rigTOML, nil))
	fp := rig.Fingerprint()
	x := texts{rigTOML, fmt.Sprintf(tuneTOML, fp), fmt.Sprintf(jobTOML, fp), string(sheet), fmt.Sprintf(benchTOML, fp)}
	if edit != nil {
		edit(&x)
	}
	sheetDoc := parse(t, "gimbals/skiff-small.toml", schema.KindGimbal, x.sheet, nil)
	sh, _ := cat.Sheet("skiff-small", sheetDoc.Tree())
	sh.Units = []schema.Unit{{Serial: "SK-0412", Label: "Small A", Firmware: "1.8"}, {Serial: "SK-0417", Label: "Small B", Firmware: "1.8"}}
	rigDoc := parse(t, preset.RigPath(fp), schema.KindRig, x.rig, nil)
	tuneDoc := parse(t, preset.TunePath(fp, "main"), schema.KindTune, x.tune, sh)
	jobDoc := parse(t, "jobs/2026-03-02-night.toml", schema.KindJob, x.job, nil)
	benchDoc := parse(t, preset.RigDir(fp)+"/bench/20260219T090000Z.toml", schema.KindBench, x.bench, nil)
	r := preset.RigIn(rigDoc)
	r.ID = r.Fingerprint()
	tune := preset.TuneIn(cat, tuneDoc)
	if p := tune.Proof; p != nil && p.Digest == "" {
		// recorded as prove records it, for the unchanged rig and values
		was := preset.TuneIn(cat, parse(t, "then", schema.KindTune, fmt.Sprintf(tuneTOML, fp), sh))
		full, err := p.Complete(rig, sh, was, preset.GroupHold)
		if err != nil {
			t.Fatal(err)
		}
		p.Digest, p.Rig, p.MassKg, p.CGmm, p.Inertia, p.TiltsDeg = full.Digest, fp, full.MassKg, full.CGmm, full.Inertia, full.TiltsDeg
		tune.Others = map[string]*preset.Proof{}
		for _, g := range was.Groups()[1:] {
			own, err := p.Complete(rig, sh, was, g)
			if err != nil {
				t.Fatal(err)
			}
			own.Rig = fp
			tune.Others[g] = &own
		}
	}
	sh.Units[0].Held = []schema.Held{{At: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC), Rig: fp, Tune: "main", Digest: tune.Digest(), Values: tune.Values}}
	j := preset.JobIn(jobDoc)
	s := Subject{
		Ref: "b-cam", Name: "b-cam", Rig: r, Sheet: sh, Tune: &tune, Unit: j.Pins[0].Unit, Then: "b-cam@0123456789",
		RigFile: Source{preset.RigPath(fp), Stamp{}, rigDoc}, TuneFile: Source{preset.TunePath(fp, "main"), pinned, tuneDoc}, SheetFile: Source{"gimbals/skiff-small.toml", Stamp{}, sheetDoc},
		UnitFiles: map[string]Source{"SK-0417": {preset.UnitPath("skiff-small", "SK-0417"), Stamp{}, parse(t, "unit.toml", schema.KindUnit, "format = 1\nkind = \"unit\"\n", nil)}, "SK-0412": {preset.UnitPath("skiff-small", "SK-0412"), Stamp{}, parse(t, "unit.toml", schema.KindUnit, "format = 1\nkind = \"unit\"\nlabel = \"Small A\"\nfirmware = \"1.8\"\ntrouble = \"\"\n\n[[held]]\nat = 2026-03-01T08:00:00Z\n", nil)}},
		PinnedAt:  pinned, Pin: 0,
		Learned: map[string]start.Range{"stiffness.pan": {Best: 30, Lo: 20, Hi: 40, Level: 0.9}, "stiffness.roll": {Best: 14, Lo: 10, Hi: 20, Level: 0.9}, "stiffness.tilt": {Best: 14, Lo: 10, Hi: 20, Level: 0.9}},
		Logs:    []Log{{Source{"bench", Stamp{}, benchDoc}, preset.BenchIn(benchDoc)}},
	}
	if p := tune.Proof; p != nil {
		for _, a := range schema.Axes {
			if v, ok := p.Onset[a]; ok {
				s.Onsets = append(s.Onsets, Onset{Axis: a, Value: v, Now: true, From: "at the proof", Key: "proof.hold.onset", File: s.TuneFile})
			}
		}
	}
	s.Onsets = append(s.Onsets, Onset{Axis: schema.Roll, Value: 20, Hz: 21, Now: true, From: "on the bench", Key: "result.roll", File: s.Logs[0].File})
	return Snapshot{Now: now, Cat: cat, Job: &j, JobFile: Source{"jobs/2026-03-02-night.toml", Stamp{}, jobDoc}, Subjects: []Subject{s},
		Exchange: &Exchange{Ref: "origin/main", Theirs: pinned, Ours: pinned}}
}

// A good library: everything can be tested, and there is nothing to say.
func TestGood(t *testing.T) {
	r := Review(good(t, nil))
	for _, f := range r.Findings {
		t.Errorf("%s: %s", f.ID, f.What)
	}
	for _, n := range r.NotChecked {
		t.Errorf("not checked: %s: %s", n.Rule, n.Why)
	}
	rules := 0
	for _, f := range schema.ReviewFamilies() {
		rules += len(f.Rules)
	}
	if r.Checked != rules || rules < 30 {
		t.Errorf("%d rules of %d", r.Checked, rules)
	}
}

// ruleCase shows one rule fire, or stay silent close by.
type ruleCase struct {
	rule, name string
	edit       func(*texts)
	change     func(*Snapshot)
	fires      bool
	says       []string // in the finding's words or evidence
	severity   schema.Severity
	command    string // among its commands
}

func sub(f func(*Subject)) func(*Snapshot) {
	return func(s *Snapshot) { f(&s.Subjects[0]) }
}

func tuned(old, with string) func(*texts) {
	return func(x *texts) { x.tune = replaced(x.tune, old, with) }
}

func jobbed(old, with string) func(*texts) {
	return func(x *texts) { x.job = replaced(x.job, old, with) }
}

func sheeted(old, with string) func(*texts) {
	return func(x *texts) { x.sheet = replaced(x.sheet, old, with) }
}

func heavier(x *texts) { x.rig = replaced(x.rig, "mass_g = 400", "mass_g = 520") }

// then gives the subject its rig and values of the proof.
func then(t testing.TB) func(*Subject) {
	return func(x *Subject) {
		g := good(t, nil)
		x.Proved = &Proved{At: pinned, Rig: &g.Subjects[0].Rig, Values: g.Subjects[0].Tune.Values}
	}
}

func unproved(x *texts) { x.tune = x.tune[:strings.Index(x.tune, "\n[proof.hold]")+1] }

func cases(t testing.TB) []ruleCase {
	both := func(fs ...func(*Subject)) func(*Snapshot) {
		return sub(func(x *Subject) {
			for _, f := range fs {
				f(x)
			}
		})
	}
	return []ruleCase{
		{rule: "proof-missing", name: "no proof", edit: unproved, fires: true, says: []string{"no proof", "rigs/"}, command: "rigkeep prove b-cam --unit 'Small A' --place hand"},
		{rule: "proof-missing", name: "taken over is another finding", edit: unproved, change: both(func(x *Subject) { x.Taken = &Handover{At: later} })},
		{rule: "proof-missing", name: "no tune at all is another finding", change: sub(func(x *Subject) { x.Tune = nil })},

		{rule: "proof-rig", name: "heavier lens", edit: heavier, change: both(then(t), func(x *Subject) { x.Builds = []Stamp{later} }), fires: true,
			says: []string{"lens: 18 mm prime +120 g", "mass +120 g", "centre of gravity forward", "inertia pan +", "Stabiliser technician", "Wind on the quay"}, command: "rigkeep fit b-cam"},
		{rule: "proof-rig", name: "the build of that day is lost", edit: heavier, fires: true, says: []string{"mass +120 g", "centre of gravity forward"}},
		{rule: "proof-rig", name: "parts added, removed, moved", edit: func(x *texts) {
			x.rig = replaced(x.rig, "slot = \"lens\"\nname = \"18 mm prime\"", "slot = \"lens\"\nname = \"25 mm prime\"") + "\n[[part]]\nslot = \"battery\"\nname = \"Brick\"\nmass_g = 100\nplace_mm = [-60, 0, 0]\n"
			x.rig = replaced(x.rig, "place_mm = [-18, 0, 0]", "place_mm = [-21, 0, 0]")
		}, change: both(then(t)), fires: true, says: []string{"in place of 18 mm prime", "battery: Brick added, 100 g", "moved back 3 mm"}},
		{rule: "proof-rig", name: "a note is no change of build", edit: func(x *texts) { x.rig = replaced(x.rig, "alias =", "note = \"tape\"\nalias =") }},

		{rule: "proof-tune", name: "tilt up", edit: tuned("tilt = 13", "tilt = 14"), change: both(then(t), func(x *Subject) { x.Changes = []Change{{"stiffness.tilt", later}} }), fires: true,
			says: []string{"stiffness.tilt 13 → 14 Nm/rad (+2 fine steps)", "Stabiliser technician", "Wind on the quay", shortRev(later.Revision)}, command: "rigkeep restore b-cam@0123456789"},
		{rule: "proof-tune", name: "by hand, not saved", edit: tuned("tilt = 13", "tilt = 12.5"), change: both(then(t)), fires: true, says: []string{"13 → 12.5 Nm/rad (-1 fine step)", "not saved"}},
		{rule: "proof-tune", name: "the proof's revision is lost", edit: tuned("tilt = 13", "tilt = 14"), fires: true, says: []string{"never saved"}},
		{rule: "proof-tune", name: "13.0 is 13", edit: tuned("tilt = 13", "tilt = 13.0"), change: both(then(t))},

		{rule: "proof-group", name: "nothing but stiffness is proved", change: sub(func(x *Subject) { x.Tune.Others = nil }), fires: true, severity: schema.Check, says: []string{"style walk not proved", "limits not proved"}, command: "rigkeep prove b-cam --unit 'Small A' --place hand"},
		{rule: "proof-group", name: "a style changed since", edit: tuned("deadband = { pan = 4", "deadband = { pan = 5"), fires: true, severity: schema.Check, says: []string{"style walk out of date (values changed since the proof)"}, command: "rigkeep prove b-cam --style walk --unit 'Small A' --place hand"},
		{rule: "proof-group", name: "a limit widened", edit: tuned("down_deg = 45", "down_deg = 60"), fires: true, severity: schema.Check, says: []string{"limits out of date", "down 60°, tested to 45°"}},
		{rule: "proof-group", name: "a limit narrowed", edit: tuned("down_deg = 45", "down_deg = 40")},
		{rule: "proof-group", name: "all proved"},
		{rule: "proof-unit", name: "goes out on another", edit: jobbed(`unit = "Small A"`, `unit = "SK-0417"`), fires: true, says: []string{"SK-0412", "SK-0417"}, command: "rigkeep prove b-cam --unit SK-0417 --place hand"},
		{rule: "proof-unit", name: "label of the same unit"},
		{rule: "proof-unit", name: "the job does not say", edit: jobbed("unit = \"Small A\"\n", "")},

		{rule: "proof-firmware", name: "new firmware on the unit", edit: tuned(`firmware = "1.8"`, `firmware = "1.7"`), fires: true, says: []string{"1.7", "1.8"}},
		{rule: "proof-firmware", name: "same"},

		{rule: "proof-ended", name: "merged", edit: tuned("minutes = 12", "stale = \"stiffness merged from two sides\"\nminutes = 12"), fires: true, says: []string{"merged from two sides"}},
		{rule: "proof-ended", name: "handover says so by itself", edit: tuned("minutes = 12", "stale = \"handover: proved elsewhere\"\nminutes = 12")},

		{rule: "proof-handover", name: "accepted", change: both(func(x *Subject) { x.Taken = &Handover{At: later, Sum: strings.Repeat("ab", 32)} }), fires: true, says: []string{"abababababab", "Wind on the quay"}},
		{rule: "proof-handover", name: "by what it wrote", edit: tuned("minutes = 12", "stale = \"handover: proved elsewhere\"\nminutes = 12"), fires: true, says: []string{"proved elsewhere"}},
		{rule: "proof-handover", name: "accepted without any proof", edit: unproved, change: both(func(x *Subject) { x.Taken = &Handover{At: later} }), fires: true},
		{rule: "proof-handover", name: "proved since", change: both(func(x *Subject) { x.Taken = &Handover{At: later, Since: true} })},

		{rule: "proof-stand", name: "stand", edit: tuned(`place = "hand"`, `place = "stand"`), fires: true, says: []string{"stand only"}},
		{rule: "proof-stand", name: "hand"},

		{rule: "proof-old", name: "181 days", change: func(s *Snapshot) { s.Now = time.Date(2026, 8, 20, 10, 0, 1, 0, time.UTC) }, fires: true, says: []string{"181 days ago", "180"}, severity: schema.Check},
		{rule: "proof-old", name: "180 days", change: func(s *Snapshot) { s.Now = time.Date(2026, 8, 19, 10, 0, 1, 0, time.UTC) }},
		{rule: "proof-old", name: "the job is later than the review", edit: func(x *texts) {
			x.job = replaced(replaced(x.job, "from = 2026-03-02", "from = 2026-12-02"), "to = 2026-03-03", "to = 2026-12-03")
		}, fires: true, severity: schema.Check},

		{rule: "payload-over", name: "over", edit: func(x *texts) { x.rig = replaced(x.rig, "mass_g = 720", "mass_g = 1801") }, fires: true, says: []string{"2.201 kg", "1 g over"}},
		{rule: "payload-over", name: "at the limit", edit: func(x *texts) { x.rig = replaced(x.rig, "mass_g = 720", "mass_g = 1800") }},
		{rule: "payload-near", name: "over 90 %", edit: func(x *texts) { x.rig = replaced(x.rig, "mass_g = 720", "mass_g = 1590") }, fires: true, says: []string{"90.5 %"}, severity: schema.Check},
		{rule: "payload-near", name: "at 90 %", edit: func(x *texts) { x.rig = replaced(x.rig, "mass_g = 720", "mass_g = 1580") }},
		{rule: "payload-near", name: "over the limit is another finding", edit: func(x *texts) { x.rig = replaced(x.rig, "mass_g = 720", "mass_g = 1801") }},
		{rule: "payload-under", name: "under", edit: func(x *texts) {
			x.rig = replaced(replaced(x.rig, "mass_g = 720", "mass_g = 150"), "mass_g = 400", "mass_g = 140")
		}, fires: true, severity: schema.Check, says: []string{"0.290 kg"}},
		{rule: "payload-under", name: "at the smallest", edit: func(x *texts) {
			x.rig = replaced(replaced(x.rig, "mass_g = 720", "mass_g = 160"), "mass_g = 400", "mass_g = 140")
		}},

		{rule: "parts-overlap", name: "the lens in the body", edit: func(x *texts) { x.rig = replaced(x.rig, "place_mm = [45, 0, 2]", "place_mm = [10, 0, 2]") }, fires: true, says: []string{"lens: 18 mm prime lies 37 mm inside body: Body M"}, command: "rigkeep rig show b-cam"},
		{rule: "parts-overlap", name: "on purpose", edit: func(x *texts) {
			x.rig = replaced(x.rig, "place_mm = [45, 0, 2]", "place_mm = [10, 0, 2]\ninside = true")
		}},
		{rule: "build-weighed", name: "101 g more", edit: func(x *texts) { x.rig = replaced(x.rig, "gimbal =", "weighed_kg = 1.221\ngimbal =") }, fires: true, says: []string{"101 g apart"}},
		{rule: "build-weighed", name: "a scale's error", edit: func(x *texts) { x.rig = replaced(x.rig, "gimbal =", "weighed_kg = 1.105\ngimbal =") }},

		{rule: "clearance-over", name: "a part past the clear box", change: sub(func(x *Subject) {
			x.Fit = &fit.Report{Balanced: []fit.Item{{What: "top", Grade: fit.Over, Words: "monitor is 4.0 mm past clearance, top"}}}
		}), fires: true, says: []string{"monitor is 4.0 mm past"}, severity: schema.Fix, command: "rigkeep fit b-cam"},
		{rule: "clearance-over", name: "tight", change: sub(func(x *Subject) {
			x.Fit = &fit.Report{Balanced: []fit.Item{{What: "top", Grade: fit.Tight}}}
		})},
		{rule: "mark-travel", name: "ends 12 mm before", change: sub(func(x *Subject) {
			e := 31.4
			x.Marks = []preset.MarkAnswer{{Adjustment: x.Sheet.Adjustments[0], Mark: &balance.Predicted{Mid: -0.012}, Out: 0.012, Offset: 0.012, Effort: &e}}
		}), fires: true, says: []string{"plate would have to go to -12 mm, 12 mm past its scale", "31 % of the tilt motor"}, severity: schema.Fix},
		{rule: "mark-travel", name: "on the scale", change: sub(func(x *Subject) {
			x.Marks = []preset.MarkAnswer{{Adjustment: x.Sheet.Adjustments[0], Mark: &balance.Predicted{Mid: 0.012}}}
		})},
		{rule: "balance-build", name: "an earlier build's record alone", change: sub(func(x *Subject) {
			x.Balances = []preset.BalanceRecord{{Rig: "k7qd2m9x4c", MassKg: 1.1, Began: now.AddDate(0, -1, 0), Path: "rigs/x"}}
		}), fires: true, says: []string{"with a build of 1.100 kg"}, severity: schema.Check, command: "rigkeep balance b-cam"},
		{rule: "balance-build", name: "balanced again since", change: sub(func(x *Subject) {
			x.Balances = []preset.BalanceRecord{{Rig: "k7qd2m9x4c", MassKg: 1.1}, {Rig: x.Rig.ID, MassKg: 1.2}}
		})},
		{rule: "mark-doubt", name: "outside the interval", change: sub(func(x *Subject) {
			x.Doubts = []preset.MarkDoubt{{Adjustment: "plate", Found: 0.055, Lo: 0.0281, Hi: 0.0407}}
		}), fires: true, says: []string{"plate balanced at 55 mm, expected 28 to 41 mm"}, severity: schema.Check, command: "rigkeep balance b-cam"},
		{rule: "mark-doubt", name: "an effort is another finding", change: sub(func(x *Subject) {
			x.Doubts = []preset.MarkDoubt{{Adjustment: "plate", Point: "tilt, lens level", Effort: 20, Most: 6}}
		})},
		{rule: "effort-doubt", name: "more than the marks allow", change: sub(func(x *Subject) {
			x.Doubts = []preset.MarkDoubt{{Adjustment: "plate", Point: "tilt, lens level", Effort: -20, Most: 6.04}}
		}), fires: true, says: []string{"Resting effort -20 % at tilt, lens level; the marks allow at most 6 %"}, severity: schema.Check},
		{rule: "effort-doubt", name: "a mark is another finding", change: sub(func(x *Subject) {
			x.Doubts = []preset.MarkDoubt{{Adjustment: "plate", Found: 0.055, Lo: 0.03, Hi: 0.04}}
		})},
		{rule: "effort-over", name: "tilt 4.1, sign aside", edit: tuned("tilt = 1.5 }", "tilt = -4.1 }"), fires: true, says: []string{"tilt -4.1 %"}, command: "rigkeep fit b-cam"},
		{rule: "effort-over", name: "at the threshold of the sheet", edit: func(x *texts) { x.tune = replaced(x.tune, "tilt = 1.5 }", "tilt = 4 }") }},
		{rule: "effort-unread", name: "roll not read", edit: tuned("roll = 1, tilt", "tilt"), fires: true, says: []string{"roll"}, severity: schema.Note},
		{rule: "effort-unread", name: "all read"},
		{rule: "horizon-offset", name: "half a degree", edit: tuned("offset_deg = 0", "offset_deg = 0.5"), fires: true, says: []string{"0.5°"}, severity: schema.Check, command: "rigkeep set b-cam horizon.offset_deg=0"},
		{rule: "horizon-offset", name: "zero, written out"},

		{rule: "onset-near", name: "three fine steps below the proof's", edit: tuned("onset = { tilt = 19 }", "onset = { tilt = 14.5 }"), fires: true, says: []string{"3 fine steps below", "14.5"}, command: "rigkeep bench b-cam"},
		{rule: "onset-near", name: "at it", edit: tuned("onset = { tilt = 19 }", "onset = { tilt = 13 }"), fires: true, says: []string{"is at an onset"}},
		{rule: "onset-near", name: "above the bench's", edit: tuned("roll = 14\n", "roll = 21\n"), fires: true, says: []string{"2 fine steps above", "21 Hz", "on the bench"}},
		{rule: "onset-near", name: "four fine steps below", edit: tuned("onset = { tilt = 19 }", "onset = { tilt = 15 }")},
		{rule: "onset-near", name: "on an earlier build: a look", edit: tuned("onset = { tilt = 19 }", "onset = { tilt = 14 }"), change: sub(func(x *Subject) { x.Onsets[0].Now = false }), fires: true, severity: schema.Check, says: []string{"earlier build"}},

		{rule: "stiffness-above", name: "above", change: sub(func(x *Subject) { x.Learned["stiffness.pan"] = start.Range{Best: 25, Lo: 20, Hi: 29.5, Level: 0.9} }), fires: true, says: []string{"20 to 29.5", "90 %"}, severity: schema.Check},
		{rule: "stiffness-above", name: "at the top of it", change: sub(func(x *Subject) { x.Learned["stiffness.pan"] = start.Range{Best: 25, Lo: 20, Hi: 30, Level: 0.9} })},
		{rule: "stiffness-above", name: "below it", change: sub(func(x *Subject) { x.Learned["stiffness.pan"] = start.Range{Best: 45, Lo: 40, Hi: 50, Level: 0.9} })},

		{rule: "filter-unexplained", name: "heavier sensing", edit: tuned("sensing = 100", "sensing = 90"), fires: true, says: []string{"filters.sensing 90 Hz, default 100", "none tried it"}, severity: schema.Check, command: "rigkeep set b-cam filters.sensing=100"},
		{rule: "filter-unexplained", name: "the bench tried it", edit: tuned("sensing = 100", "sensing = 110")},
		{rule: "filter-unexplained", name: "at the default"},

		{rule: "follow-drift", name: "long lens, slow head", edit: func(x *texts) {
			x.tune = replaced(x.tune, "lag = { pan = 0.3", "lag = { pan = 2")
			x.job = replaced(x.job, "longest_mm = 50", "longest_mm = 85")
		}, fires: true, says: []string{"85 mm", "pan", "Pilot down the ladder", "the job allows 60 %"}, command: "rigkeep start b-cam --shots walk"},
		{rule: "follow-drift", name: "a wider tolerance", edit: func(x *texts) {
			x.tune = replaced(x.tune, "lag = { pan = 0.3", "lag = { pan = 0.8")
			x.job = replaced(replaced(x.job, "longest_mm = 50", "longest_mm = 24"), "drift_pct = 60", "drift_pct = 100")
		}},
		{rule: "follow-drift", name: "a style that no shot asks for: a look", edit: func(x *texts) {
			x.tune = replaced(x.tune, "[proof.hold]", "[follow.chase]\ndeadband = { pan = 10 }\nlag = { pan = 2 }\n\n[proof.hold]")
		}, fires: true, severity: schema.Check, says: []string{"chase"}},
		{rule: "style-missing", name: "a kind that no tune has", edit: jobbed("kind = \"walk\"\nstyle = \"walk\"", "kind = \"chase\""), fires: true, severity: schema.Check, says: []string{"Pilot down the ladder", "style chase"}, command: "rigkeep edit job:2026-03-02-night"},
		{rule: "style-missing", name: "for a rig that lacks it", edit: jobbed("style = \"walk\"", "style = \"sweep\"\nrig = \"b-cam\""), fires: true, says: []string{"no tune of b-cam has"}},
		{rule: "style-missing", name: "the style that serves it"},
		{rule: "follow-delay", name: "wide dead band", edit: tuned("deadband = { pan = 4", "deadband = { pan = 20"), fires: true, says: []string{"the job allows 1 s", "pan"}},
		{rule: "follow-delay", name: "no dead band, but much lag", edit: func(x *texts) {
			x.tune = replaced(replaced(x.tune, "deadband = { pan = 4, tilt = 5 }", "deadband = { pan = 0, tilt = 0 }"), "lag = { pan = 0.3,", "lag = { pan = 3,")
		}, fires: true, says: []string{"at half of the turn", "the job allows 1 s"}},
		{rule: "follow-delay", name: "in time"},
		{rule: "deadband-sway", name: "smaller than the sway", edit: tuned("deadband = { pan = 4, tilt = 5 }", "deadband = { pan = 2.5, tilt = 5 }"), fires: true, says: []string{"walk (pan) 2.5° against 3°"}, severity: schema.Check, command: "rigkeep explain 'follow.*.deadband.pan' --rig b-cam"},
		{rule: "deadband-sway", name: "as large as the sway", edit: tuned("deadband = { pan = 4, tilt = 5 }", "deadband = { pan = 3, tilt = 5 }")},

		{rule: "frame-gimbal", name: "limits let the arm in", edit: tuned("down_deg = 45", "down_deg = 130"), fires: true, says: []string{"18 mm", "in view from"}},
		{rule: "frame-gimbal", name: "no limits: the whole travel", edit: tuned("[limits.tilt]\nup_deg = 40\ndown_deg = 45\n", ""), fires: true, says: []string{"no limit set"}},
		{rule: "frame-gimbal", name: "always in frame", edit: sheeted("[[obstacle]]", "[[obstacle]]\nname = \"a strut\"\nplace_mm = [120, 0, 0]\nradius_mm = 5\n\n[[obstacle]]"), fires: true, says: []string{"a strut", "no tilt limit"}, command: "rigkeep fit b-cam"},
		{rule: "frame-gimbal", name: "kept out"},
		{rule: "frame-short", name: "looks farther down", edit: jobbed("tilt_down_deg = 40", "tilt_down_deg = 60"), fires: true, says: []string{"Pilot down the ladder", "60° down", "at 45°"}, command: "rigkeep set b-cam limits.tilt.down_deg=60"},
		{rule: "frame-short", name: "farther than the gimbal goes", edit: jobbed("tilt_down_deg = 40", "tilt_down_deg = 140"), fires: true, says: []string{"140° down", "the gimbal itself ends at 135°"}},
		{rule: "frame-short", name: "as far as the limit", edit: jobbed("tilt_down_deg = 40", "tilt_down_deg = 45")},
		{rule: "frame-short", name: "the shot is for another rig", edit: jobbed("tilt_down_deg = 40", "rig = \"a-cam\"\ntilt_down_deg = 60")},

		{rule: "unit-clash", name: "another rig on the same unit", change: func(s *Snapshot) {
			s.Others = []OtherPin{{Job: "2026-03-03-tug-day", From: now.AddDate(0, 0, 1), To: now.AddDate(0, 0, 2), Ref: "c-cam", Rig: "zzzzzzzzzz", Tune: "main", Units: []string{"SK-0412", "Small A"}}}
		}, fires: true, says: []string{"2026-03-03-tug-day", "c-cam"}, command: "rigkeep job show 2026-03-03-tug-day"},
		{rule: "unit-clash", name: "another revision of the same tune", change: func(s *Snapshot) {
			x := s.Subjects[0]
			s.Others = []OtherPin{{Job: "2026-03-03-tug-day", From: now, To: now, Ref: "b-cam", Rig: x.Rig.ID, Tune: "main", Revision: later.Revision, Units: []string{"Small A"}}}
		}, fires: true},
		{rule: "unit-clash", name: "the same revision", change: func(s *Snapshot) {
			x := s.Subjects[0]
			s.Others = []OtherPin{{Job: "2026-03-03-tug-day", From: now, To: now, Ref: "b-cam", Rig: x.Rig.ID, Tune: "main", Revision: pinned.Revision, Units: []string{"Small A"}}}
		}},
		{rule: "unit-clash", name: "a unit of one label of another gimbal", change: func(s *Snapshot) {
			s.Others = []OtherPin{{Job: "2026-03-03-tug-day", From: now, To: now, Ref: "a-cam", Rig: "zzzzzzzzzz", Gimbal: "quay-large", Tune: "main", Units: []string{"Small A"}}}
		}},
		{rule: "part-twice", name: "on two units", change: func(s *Snapshot) {
			s.Twice = []WantedTwice{{Part: "Body M", Have: 1, Text: "wanted on Small A and Small B: 2, there is 1"}}
		}, fires: true, severity: schema.Fix, says: []string{"Body M: wanted on Small A and Small B"}, command: "rigkeep job pack 2026-03-02-night"},
		{rule: "part-twice", name: "by another job, and nobody counted", change: func(s *Snapshot) {
			s.Twice = []WantedTwice{{Part: "Body M", Have: -1, Text: "also by job:2026-03-03-tug-day"}}
		}, fires: true, severity: schema.Check, says: []string{"2026-03-03-tug-day"}},
		{rule: "part-twice", name: "enough of all"},
		{rule: "job-empty", name: "no pin", change: func(s *Snapshot) { s.Job.Pins, s.Subjects = nil, nil }, fires: true, says: []string{"nothing is pinned to 2026-03-02-night"}, command: "rigkeep rig list"},
		{rule: "job-empty", name: "one pin"},
		{rule: "pin-twice", name: "two revisions for one unit", edit: func(x *texts) {
			x.job += "\n[[pin]]\nrig = \"0qygem5g0z\"\ntune = \"main\"\nunit = \"Small A\"\n" // an earlier fingerprint of the rig
		}, change: func(s *Snapshot) {
			y := s.Subjects[0]
			y.Name, y.Pin = "b-cam@Small-A#2", 1
			s.Subjects = append(s.Subjects, y)
		}, fires: true, says: []string{"pins b-cam 2 times for Small A"}, command: "rigkeep edit job:2026-03-02-night"},
		{rule: "pin-twice", name: "on two units", change: func(s *Snapshot) {
			s.Job.Pins = append(s.Job.Pins, s.Job.Pins[0])
			y := s.Subjects[0]
			y.Name, y.Pin, y.Unit = "b-cam@SK-0417", 1, "SK-0417"
			s.Subjects = append(s.Subjects, y)
		}},
		{rule: "tune-missing", name: "a rig by itself", change: func(s *Snapshot) {
			s.Job = nil
			x := &s.Subjects[0]
			x.Tune, x.Lost, x.Pin, x.Unit = nil, "rig b-cam has no tune \"night\"", -1, ""
		}, fires: true, says: []string{"has no tune"}, command: "rigkeep start b-cam --write"},
		{rule: "tune-missing", name: "pinned is another finding", change: sub(func(x *Subject) { x.Lost, x.Tune = "rig b-cam has no tune", nil })},
		{rule: "pin-lost", name: "a rig by itself is another finding", change: func(s *Snapshot) {
			s.Job = nil
			x := &s.Subjects[0]
			x.Tune, x.Lost, x.Pin, x.Unit = nil, "rig b-cam has no tune", -1, ""
		}},
		{rule: "pin-lost", name: "revision gone", change: sub(func(x *Subject) { x.Lost, x.Tune = "revision 0123456789 does not hold the tune b-cam", nil }), fires: true, says: []string{"does not hold"}, command: "rigkeep rig list"},
		{rule: "pin-lost", name: "there"},
		{rule: "pin-open", name: "never saved for it", change: sub(func(x *Subject) { x.Open = true }), fires: true, command: "rigkeep job add 2026-03-02-night b-cam"},
		{rule: "pin-open", name: "saved"},
		{rule: "pin-behind", name: "newer values", change: sub(func(x *Subject) { x.Newer = &Newer{At: later, Keys: []string{"stiffness.tilt"}} }), fires: true, says: []string{"stiffness.tilt changed since", shortRev(later.Revision)}, severity: schema.Check, command: "rigkeep compare b-cam@2026-03-02-night b-cam"},
		{rule: "pin-behind", name: "newer proof, not saved", change: sub(func(x *Subject) { x.Newer = &Newer{Proof: true} }), fires: true, says: []string{"unsaved edits", "the proof is another"}, severity: schema.Check},
		{rule: "pin-behind", name: "the same"},
		{rule: "unit-unnamed", name: "no unit", edit: jobbed("unit = \"Small A\"\n", ""), fires: true, severity: schema.Check, command: "rigkeep job add 2026-03-02-night b-cam --unit UNIT"},
		{rule: "unit-unnamed", name: "unknown unit", edit: jobbed("Small A", "Small Z"), fires: true, severity: schema.Check, says: []string{"Small Z"}, command: "rigkeep unit list skiff-small"},
		{rule: "unit-unnamed", name: "named"},
		{rule: "unit-other", name: "the tune names another", change: sub(func(x *Subject) { x.Tune.Unit = "SK-0417" }), fires: true, says: []string{"for unit SK-0417 and goes out on SK-0412"}, command: "rigkeep job add 2026-03-02-night b-cam --unit SK-0417"},
		{rule: "unit-other", name: "by another name of the same", change: sub(func(x *Subject) { x.Tune.Unit = "sk-0412" })},
		{rule: "unit-other", name: "no unit of its own"},
		{rule: "unit-trouble", name: "a fault", change: sub(func(x *Subject) { x.Sheet.Units[0].Trouble = "Clicks on roll" }), fires: true, severity: schema.Check, says: []string{"SK-0412: Clicks on roll"}, command: "rigkeep unit show 'Small A'"},
		{rule: "unit-trouble", name: "none"},
		{rule: "unit-holds", name: "other values of the rig", change: sub(func(x *Subject) { x.Sheet.Units[0].Held[0].Digest = "22bnfhc994" }), fires: true, severity: schema.Check, says: []string{"SK-0412 holds other values of b-cam since 2026-03-01"}, command: "rigkeep load b-cam@2026-03-02-night --unit 'Small A'"},
		{rule: "unit-holds", name: "another rig's tune", change: sub(func(x *Subject) { h := &x.Sheet.Units[0].Held[0]; h.Digest, h.Rig = "22bnfhc994", "zzzzzzzzzz" }), fires: true, severity: schema.Check, says: []string{"a tune of rig zzzzzzzzzz"}},
		{rule: "unit-holds", name: "in another memory", change: sub(func(x *Subject) {
			u := &x.Sheet.Units[0]
			u.Held[0].Memory = 2
			u.Held = append(u.Held, schema.Held{At: now, Memory: 1, Digest: "22bnfhc994"})
		})},
		{rule: "unit-holds", name: "nobody knows is another finding", change: sub(func(x *Subject) { x.Sheet.Units[0].Held = nil })},
		{rule: "unit-unknown", name: "nothing recorded", change: sub(func(x *Subject) { x.Sheet.Units[0].Held = nil }), fires: true, severity: schema.Check, says: []string{"no record of what unit SK-0412 holds"}},
		{rule: "unit-unknown", name: "recorded"},

		{rule: "unreadable", name: "bench log", change: sub(func(x *Subject) { x.Faults = []Fault{{Path: "rigs/x/bench/y.toml", What: "unknown key", Line: 7}} }), fires: true, says: []string{"unknown key", "y.toml"}, command: "rigkeep check"},
		{rule: "unreadable", name: "all can be read"},
		{rule: "unsaved", name: "tune edited", change: sub(func(x *Subject) { x.Unsaved = []Edit{{x.TuneFile.Path, "modified"}} }), fires: true, says: []string{"main.toml modified"}, command: "rigkeep save b-cam -m WHY"},
		{rule: "unsaved", name: "sheet edited", change: func(s *Snapshot) { s.Unsaved = []Edit{{"gimbals/skiff-small.toml", "modified"}} }, fires: true, command: "rigkeep save gimbal:skiff-small -m WHY"},
		{rule: "unsaved", name: "job edited", change: func(s *Snapshot) { s.Unsaved = []Edit{{"jobs/2026-03-02-night.toml", "modified"}} }, fires: true, command: "rigkeep save job:2026-03-02-night -m WHY"},
		{rule: "unsaved", name: "clean"},
		{rule: "library-behind", name: "two revisions", change: func(s *Snapshot) { s.Exchange.Behind, s.Exchange.Theirs = 2, later }, fires: true, says: []string{"origin/main has 2 revisions more", "Wind on the quay"}, command: "rigkeep sync"},
		{rule: "library-behind", name: "only ahead", change: func(s *Snapshot) { s.Exchange.Ahead = 1 }},
		{rule: "library-ahead", name: "one revision", change: func(s *Snapshot) { s.Exchange.Ahead, s.Exchange.Ours = 1, later }, fires: true, says: []string{"lacks 1 revision"}, severity: schema.Check, command: "rigkeep sync"},
		{rule: "library-ahead", name: "only behind", change: func(s *Snapshot) { s.Exchange.Behind = 1 }},
	}
}

// Each rule fires on a bad library and is silent on one that is nearly as bad.
func TestRules(t *testing.T) {
	shown := map[string][2]int{}
	for _, c := range cases(t) {
		n := shown[c.rule]
		t.Run(c.rule+"/"+c.name, func(t *testing.T) {
			s := good(t, c.edit)
			if c.change != nil {
				c.change(&s)
			}
			r := Review(s)
			var got []Finding
			for _, f := range r.Findings {
				if f.Rule == c.rule {
					got = append(got, f)
				}
			}
			for _, nc := range r.NotChecked {
				if nc.Rule == c.rule && c.fires {
					t.Errorf("not checked: %s", nc.Why)
				}
			}
			if !c.fires {
				if len(got) > 0 {
					t.Fatalf("fires: %s", got[0].What)
				}
				return
			}
			if len(got) != 1 {
				t.Fatalf("%d findings, want 1 (all: %v)", len(got), r.Findings)
			}
			f := got[0]
			want := c.severity
			if rule, _ := schema.FindReviewRule(c.rule); want == 0 && rule.Severity != schema.Note {
				want = rule.Severity
			}
			if f.Severity != want {
				t.Errorf("severity %s, want %s", f.Severity, want)
			}
			all := f.What
			for _, e := range f.Evidence {
				all += "\n" + e.Text + " " + e.File + " " + e.Revision + " " + e.Who
			}
			for _, w := range c.says {
				if !strings.Contains(all, w) {
					t.Errorf("does not say %q:\n%s", w, all)
				}
			}
			if c.command != "" && !slices.Contains(f.Commands, c.command) {
				t.Errorf("no command %q in %q", c.command, f.Commands)
			}
		})
		if c.fires {
			n[0]++
		} else {
			n[1]++
		}
		shown[c.rule] = n
	}
	for _, f := range schema.ReviewFamilies() {
		for _, r := range f.Rules {
			if n := shown[r.ID]; n[0] == 0 || n[1] == 0 {
				t.Errorf("%s: shown firing %d times and silent %d times; want each at least once", r.ID, n[0], n[1])
			}
			if tests[r.ID] == nil && whole[r.ID] == nil {
				t.Errorf("%s has no test", r.ID)
			}
		}
	}
	for id := range shown {
		if _, ok := schema.FindReviewRule(id); !ok {
			t.Errorf("%s is not a rule", id)
		}
	}
}

// What every finding has, whatever the rule.
func TestFindings(t *testing.T) {
	for _, c := range cases(t) {
		if !c.fires {
			continue
		}
		s := good(t, c.edit)
		if c.change != nil {
			c.change(&s)
		}
		for i, f := range Review(s).Findings {
			all := strings.Join(append(append([]string{f.What, f.Why, f.Do}, f.Commands...), f.ID), "\n")
			switch {
			case f.ID != f.Rule+":"+f.Of || strings.ContainsAny(f.ID, " \n"):
				t.Errorf("%s/%s: id %q", c.rule, c.name, f.ID)
			case strings.ContainsAny(all, "{}"):
				t.Errorf("%s/%s: a name is left in %q", c.rule, c.name, all)
			case f.What == "" || f.Why == "" || f.Do == "" || f.Title == "":
				t.Errorf("%s/%s: a word is missing: %+v", c.rule, c.name, f)
			case len(f.Evidence) == 0:
				t.Errorf("%s/%s: %s has no evidence", c.rule, c.name, f.ID)
			case len(f.Seen) != preset.FingerprintLen:
				t.Errorf("%s/%s: seen %q", c.rule, c.name, f.Seen)
			case len(f.Commands) == 0 && f.Rule != "frame-short":
				t.Errorf("%s/%s: %s has nothing to type", c.rule, c.name, f.ID)
			}
			if rs := Review(s).Findings; i > 0 && rs[i-1].Severity < f.Severity {
				t.Errorf("%s comes after %s", f.ID, rs[i-1].ID)
			}
			for _, e := range f.Evidence {
				if e.File != "" && e.Line == 0 && f.Rule != "unsaved" && f.Rule != "unreadable" && !strings.Contains(e.Text, ": ") && e.Revision == "" {
					t.Errorf("%s/%s: no line for %+v", c.rule, c.name, e)
				}
			}
		}
	}
}

// Rules as data: complete, and distinct.
func TestRuleData(t *testing.T) {
	ids, weights := map[string]bool{}, map[string]string{}
	for _, f := range schema.ReviewFamilies() {
		if f.Name == "" || f.Title == "" || f.About == "" || len(f.Rules) == 0 || ids[f.Name] {
			t.Errorf("family %q", f.Name)
		}
		ids[f.Name] = true
		for _, r := range f.Rules {
			if ids[r.ID] || r.Family != f.Name {
				t.Errorf("rule %q of %q", r.ID, r.Family)
			}
			ids[r.ID] = true
			if r.Title == "" || !strings.HasSuffix(r.Why, ".") || !strings.HasSuffix(r.Do, ".") || !strings.HasSuffix(r.About, ".") || strings.Count(r.Why, ". ") > 1 {
				t.Errorf("%s: its texts are not whole, or the reason is longer than two sentences", r.ID)
			}
			if r.Limit != nil && (r.Limit.Source == "" || r.Limit.Unit == "") {
				t.Errorf("%s: a threshold says its unit and where it is from", r.ID)
			}
			key := fmt.Sprint(r.Severity, r.Weight)
			if weights[key] != "" {
				t.Errorf("%s and %s weigh the same: their order would be chance", r.ID, weights[key])
			}
			weights[key] = r.ID
		}
	}
}

// A fact that is missing is said, never passed in silence.
func TestNotChecked(t *testing.T) {
	want := func(s Snapshot, rule, why string) {
		t.Helper()
		for _, n := range Review(s).NotChecked {
			if n.Rule == rule && strings.Contains(n.Why, why) {
				return
			}
		}
		t.Errorf("%s does not say %q", rule, why)
	}
	alone := good(t, nil)
	alone.Job, alone.Subjects[0].Pin, alone.Subjects[0].Unit = nil, -1, ""
	for _, rule := range []string{"follow-drift", "follow-delay", "frame-gimbal", "frame-short", "unit-clash", "part-twice", "style-missing"} {
		want(alone, rule, "needs a job")
	}
	want(alone, "deadband-sway", "[sway]")
	for _, f := range Review(alone).Findings {
		t.Errorf("a rig by itself: %s", f.ID)
	}
	want(good(t, jobbed("drift_pct = 60\n", "")), "follow-drift", "tolerance.drift_pct")
	want(good(t, jobbed("delay_s = 1\n", "")), "follow-delay", "tolerance.delay_s")
	want(good(t, jobbed("longest_mm = 50\n", "")), "follow-drift", "longest_mm")
	want(good(t, jobbed("sensor_mm = [24.9, 18.7]\n", "")), "follow-drift", "sensor_mm")
	want(good(t, jobbed("widest_mm = 18\n", "")), "frame-gimbal", "widest_mm")
	want(good(t, jobbed("tilt_up_deg = 20\ntilt_down_deg = 40\n", "")), "frame-short", "tilt_up_deg or tilt_down_deg")
	want(good(t, jobbed("style = \"walk\"", "style = \"chase\"")), "follow-drift", "which no tune of the job has")
	want(good(t, tuned("firmware = \"1.8\"\n", "")), "proof-firmware", "firmware not recorded")
	want(good(t, func(x *texts) {
		x.rig = replaced(x.rig, "slot = \"lens\"", "slot = \"optics\"")
	}), "frame-gimbal", "with slot =")
	bare := good(t, nil)
	bare.Subjects[0].Sheet.Obstacles = nil
	want(bare, "frame-gimbal", "[[obstacle]]")
	mapless := good(t, nil)
	for k, d := range mapless.Subjects[0].Sheet.Dials {
		d.Map = nil
		mapless.Subjects[0].Sheet.Dials[k] = d
	}
	want(mapless, "follow-drift", "no SI conversion")
	want(mapless, "deadband-sway", "no SI conversion")
	unlearned := good(t, nil)
	unlearned.Subjects[0].Learned, unlearned.Subjects[0].NotLearned = nil, "it was not asked for"
	want(unlearned, "stiffness-above", "not asked for")
	off := good(t, nil)
	off.Exchange, off.NoExchange = nil, "this library has no server"
	want(off, "library-behind", "no server")
}

// An acceptance holds until its last day, for what was found and nothing else.
func TestAccepted(t *testing.T) {
	bad := tuned("tilt = 1.5 }", "tilt = 5 }")
	find := func(s Snapshot) Finding {
		for _, f := range Review(s).Findings {
			if f.Rule == "effort-over" {
				return f
			}
		}
		t.Fatal("no finding")
		return Finding{}
	}
	open := find(good(t, bad))
	if !open.Open() || open.Accepted != nil {
		t.Fatal("accepted by nobody")
	}
	accept := func(seen string, until time.Time) func(*Snapshot) {
		return func(s *Snapshot) {
			s.Job.Accepted = append(s.Job.Accepted, preset.Accepted{Finding: open.ID, Why: "Counterweight is on its way.", By: "B-cam operator", Seen: seen, Until: until})
		}
	}
	day := func(d int) time.Time { return time.Date(2026, 3, d, 0, 0, 0, 0, time.UTC) }
	for _, c := range []struct {
		name   string
		now    time.Time
		edit   func(*texts)
		change []func(*Snapshot)
		holds  bool
		lapsed string
	}{
		{"today", now, bad, []func(*Snapshot){accept(open.Seen, day(3))}, true, ""},
		{"at the end of the last day", day(3).Add(23*time.Hour + 59*time.Minute), bad, []func(*Snapshot){accept(open.Seen, day(3))}, true, ""},
		{"the last evening where the shoot is", time.Date(2026, 3, 3, 21, 0, 0, 0, time.FixedZone("west", -8*3600)), bad, []func(*Snapshot){accept(open.Seen, day(3))}, true, ""},
		{"past midnight where the shoot is", time.Date(2026, 3, 4, 0, 30, 0, 0, time.FixedZone("east", 9*3600)), bad, []func(*Snapshot){accept(open.Seen, day(3))}, false, "until 2026-03-03"},
		{"the day after", day(4).Add(time.Hour), bad, []func(*Snapshot){accept(open.Seen, day(3))}, false, "until 2026-03-03"},
		{"worse now", now, tuned("tilt = 1.5 }", "tilt = 9 }"), []func(*Snapshot){accept(open.Seen, day(3))}, false, "changed since"},
		{"whatever is found", now, tuned("tilt = 1.5 }", "tilt = 9 }"), []func(*Snapshot){accept("", day(3))}, true, ""},
		{"renewed", day(5), bad, []func(*Snapshot){accept(open.Seen, day(3)), accept(open.Seen, day(6))}, true, ""},
		{"one that holds before one that lapsed", day(5), bad, []func(*Snapshot){accept(open.Seen, day(6)), accept(open.Seen, day(3))}, true, ""},
	} {
		s := good(t, c.edit)
		s.Now = c.now
		for _, f := range c.change {
			f(&s)
		}
		f := find(s)
		if f.Open() == c.holds || f.Accepted == nil || !strings.Contains(f.Accepted.Lapsed, c.lapsed) || c.holds && f.Accepted.Lapsed != "" {
			t.Errorf("%s: open %v, %+v", c.name, f.Open(), f.Accepted)
		}
		r := Review(s)
		if want := 1; c.holds == (r.Acts() == want) {
			t.Errorf("%s: %d acts", c.name, r.Acts())
		}
		if last := r.Findings[len(r.Findings)-1]; c.holds && last.Open() {
			t.Errorf("%s: the accepted one does not come last", c.name)
		}
	}
}

// The order is that of what matters, then of the rigs.
func TestOrder(t *testing.T) {
	s := good(t, func(x *texts) {
		unproved(x)
		x.tune = replaced(x.tune, "offset_deg = 0", "offset_deg = 1")
	})
	second := s.Subjects[0]
	second.Ref, second.Name = "a-cam", "a-cam"
	s.Subjects = append(s.Subjects, second)
	var ids []string
	for _, f := range Review(s).Findings {
		ids = append(ids, f.ID)
	}
	want := "proof-missing:b-cam proof-missing:a-cam horizon-offset:b-cam horizon-offset:a-cam"
	if got := strings.Join(ids, " "); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	only := Some(s, func(r schema.ReviewRule) bool { return r.Family == "balance" })
	if len(only.Findings) != 2 || only.Checked != 11 {
		t.Errorf("only balance: %d findings, %d rules", len(only.Findings), only.Checked)
	}
}

func TestFill(t *testing.T) {
	for _, c := range []struct {
		command string
		pairs   []string
		want    string
		ok      bool
	}{
		{"rigkeep prove {ref} --unit {unit}", []string{"{ref}", "a", "{unit}", "Large A"}, "rigkeep prove a --unit 'Large A'", true},
		{"rigkeep prove {ref}", []string{"{ref}", "it's; rm"}, `rigkeep prove 'it'\''s; rm'`, true},
		{"rigkeep set {ref} {limits}", []string{"{ref}", "a", "{limits}", "x=1 y=2"}, "rigkeep set a x=1 y=2", true},
		{"rigkeep show {ref}@{job}", []string{"{ref}", "a", "{job}", "j"}, "rigkeep show a@j", true},
		{"rigkeep set {ref} {limits}", []string{"{ref}", "a", "{limits}", ""}, "", false},
		{"rigkeep set {ref}", nil, "", false},
	} {
		got, ok := Fill(c.command, c.pairs)
		if ok != c.ok || ok && got != c.want {
			t.Errorf("%s: %q, %v", c.command, got, ok)
		}
	}
}

// Accepting that the server has less is a revision itself, and must not undo itself.
func TestAcceptanceOutlivesItself(t *testing.T) {
	ahead := func(ours Stamp) Finding {
		s := good(t, nil)
		s.Exchange.Ahead, s.Exchange.Ours = 1, ours
		return Review(s).Findings[0]
	}
	if a, b := ahead(pinned), ahead(later); a.Rule != "library-ahead" || a.Seen != b.Seen {
		t.Errorf("%s: seen %s before and %s after one more revision here", a.ID, a.Seen, b.Seen)
	}
}
