package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func jobVerb() command {
	return command{
		name: "job", short: "manage jobs: dates, crew, shots, pinned tunes",
		subs: []command{
			{name: "open", args: "NAME", short: "open or reopen a job", changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"job"},
				long:    "Makes jobs/DATE-NAME.toml and saves it. The name of a closed job opens that one again; with --from it is a new job of the same name.",
				example: "rigkeep job open \"Ice pilots\" --from 2026-12-02 --to 2026-12-06 --widest 18mm --longest 85mm --sensor 24.9x18.7mm",
				flags: []cli.Flag{
					&cli.StringFlag{Name: "slug", Usage: "the `SHORT-NAME` of its file behind the date; else made of NAME's letters and digits"},
					&cli.StringFlag{Name: "from", Usage: "first `DAY`, as 2026-03-02 or friday; today if left out"}, &cli.StringFlag{Name: "to", Usage: "last `DAY`"},
					&cli.StringFlag{Name: "widest", Usage: "widest `LENS` on the list, as 18mm"}, &cli.StringFlag{Name: "longest", Usage: "longest `LENS` on the list"},
					&cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"}, &cli.StringFlag{Name: "drift", Usage: "allowed subject drift, `PERCENT` of frame width"},
					&cli.StringFlag{Name: "delay", Usage: "allowed delay behind the operator, `TIME`: 0.4s"},
					&cli.StringSliceFlag{Name: "crew", Usage: "a `ROLE` on the job; repeatable"}, messageFlag()}, run: runJobOpen},
			{name: "add", args: "JOB RIG[/TUNE]…", short: "pin saved tunes to a job, or add shots", changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"job", "rigs"},
				long:    "Pins the last saved revision of each tune. --shot adds a line of the shot list: words for the shot, its kind, its lens.",
				example: "rigkeep job add tug-day a-cam-prime --unit \"Large B\"\nrigkeep job add tug-day --shot \"up the ladder, stairs, 35mm\"",
				flags:   []cli.Flag{&cli.StringFlag{Name: "unit", Usage: "gimbal `UNIT` that goes out"}, &cli.StringSliceFlag{Name: "shot", Usage: "a `SHOT`: \"words, kind, lens\"; repeatable"}, messageFlag()}, run: runJobAdd},
			{name: "close", args: "JOB", short: "close a job (fixes every pin to its revision)", changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"job"}, example: "rigkeep job close tug-day", flags: []cli.Flag{messageFlag()}, run: runJobClose},
			{name: "list", pages: true, short: "list the jobs", reads: true, example: "rigkeep job list --open", flags: boolFlags("open", "only open ones"), run: runJobList},
			{name: "show", pages: true, args: "JOB", short: "show a job with its pins and shots", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"job"}, example: "rigkeep job show pilot-station", run: runJobShow},
			packSub(),
		},
	}
}

// day reads a flag of a day; a name of one is the next from now, or from after where that is set.
func (k *invocation) day(flag string, after time.Time) (time.Time, error) {
	s := k.c.String(flag)
	if after.IsZero() {
		after = k.Now()
	}
	if s == "" {
		return time.Time{}, nil
	}
	t, ok := schema.ParseDay(s, after)
	if !ok {
		return t, usage("--%s: %q is not a date", flag, s).hinted("write 2026-03-02, today, tomorrow or friday")
	}
	return t, nil
}

// measure reads a flag with a unit, in the SI unit; 0 when it is not given.
func (k *invocation) measure(flag string, kind unit.Kind, bare string) (float64, error) {
	s := k.c.String(flag)
	if s == "" {
		return 0, nil
	}
	v, err := unit.ParseIn(kind, s, bare)
	if err != nil {
		return 0, usage("--%s: %v", flag, err)
	}
	return v, nil
}

// sensor reads --sensor as width and height in mm; zeros when it is not given.
func (k *invocation) sensor() ([2]float64, error) {
	s := k.c.String("sensor")
	if s == "" {
		return [2]float64{}, nil
	}
	v, err := unit.ParseSize(s, 2)
	if err != nil {
		return [2]float64{}, usage("--sensor: %v", err)
	}
	out := [2]float64{round(v[0] * 1000), round(v[1] * 1000)}
	if !(out[0] > 0 && out[1] > 0 && out[0] <= 1000 && out[1] <= 1000) {
		return [2]float64{}, usage("--sensor: %q is not a sensor; want a width and a height above 0 and up to 1000 mm", s).hinted("for example: --sensor 24.9x18.7mm")
	}
	return out, nil
}

// round takes the binary dust off a value that a person wrote in decimals.
func round(v float64) float64 {
	if math.Abs(v) > 1e9 {
		return v // nobody wrote that with decimals; what takes it says that it is out of range
	}
	return math.Round(v*1e6) / 1e6
}

func runJobOpen(k *invocation) error {
	name := strings.TrimSpace(k.args[0])
	if slug, err := k.lib.Jobs().Find(name); err == nil && (k.c.String("from") == "" || slug == name) {
		return k.reopen(slug)
	}
	tail := schema.Slug(firstOf(k.c.String("slug"), name))
	if k.c.String("from") == "" && tail != "" { // with a day of its own it is another job of that name
		if slug, err := k.lib.Jobs().Find(tail); err == nil {
			return k.reopen(slug)
		} else if !isNotFound(err) {
			return err
		}
	}
	j := preset.Job{Name: name, State: "open"}
	var err error
	if j.From, err = k.day("from", time.Time{}); err != nil {
		return err
	}
	if j.From.IsZero() {
		n := k.Now()
		j.From = time.Date(n.Year(), n.Month(), n.Day(), 0, 0, 0, 0, time.UTC)
	}
	if j.To, err = k.day("to", j.From); err != nil {
		return err
	}
	if !j.To.IsZero() && j.To.Before(j.From) {
		return usage("the last day, %s, is before the first, %s", schema.SayDate(j.To), schema.SayDate(j.From))
	}
	w, err := k.measure("widest", unit.Length, "mm")
	if err != nil {
		return err
	}
	l, err := k.measure("longest", unit.Length, "mm")
	if err != nil {
		return err
	}
	j.Widest, j.Longest = round(w*1000), round(l*1000)
	if j.Sensor, err = k.sensor(); err != nil {
		return err
	}
	if s := strings.TrimSuffix(strings.TrimSpace(k.c.String("drift")), "%"); s != "" {
		if _, err := fmt.Sscan(s, &j.DriftPct); err != nil {
			return usage("--drift %q is not a percentage", s)
		}
	}
	if j.DelayS, err = k.measure("delay", unit.Time, "s"); err != nil {
		return err
	}
	for _, r := range k.c.StringSlice("crew") {
		j.Crew = append(j.Crew, preset.Crew{Role: r})
	}
	j.Slug = schema.SayDate(j.From) + "-" + tail
	if tail == "" || !preset.IsName(j.Slug) {
		return usage("%q cannot be turned into a file name", firstOf(k.c.String("slug"), name)).hinted("use 1 to 50 letters or digits, or add --slug SHORT-NAME")
	}
	text, err := library.JobText(j)
	if err != nil {
		return err
	}
	return file.Asked(k.addSheets([]library.NewFile{{Path: preset.JobPath(j.Slug), Text: text, What: "job " + j.Slug}}, "Open"))
}

func (k *invocation) reopen(slug string) error {
	j, err := k.lib.Jobs().Read("", slug)
	if err != nil {
		return err
	}
	if j.State == "open" {
		return fail(exitFindings, "job %s is already open", slug).hinted("for a new job of that name add --from DATE")
	}
	plan, err := k.lib.Jobs().PlanState(slug, "open", nil)
	if err != nil {
		return err
	}
	if k.dryRun() {
		k.recordResult("", k.why("Open job "+slug+" again"), "", plan.Paths()...)
		k.printf("would open %s again\n", slug)
		return nil
	}
	return k.commit(plan, k.why("Open job "+slug+" again"), "", []store.Trailer{{Key: "Job", Value: slug}})
}

func runJobAdd(k *invocation) error {
	slug, err := k.lib.Jobs().Named(k.args[0])
	if err != nil {
		return err
	}
	var pins []library.PinRequest
	var names []string
	for _, a := range k.args[1:] {
		ref, err := library.ParseRef(a)
		if err != nil {
			return err
		}
		when := ref.When
		if when == "" {
			a += "@HEAD"
		}
		d, err := k.lib.Names().Load(a, true)
		if err != nil {
			return err
		}
		rr, err := k.lib.Names().Find(ref.Rig)
		if err != nil {
			return err
		}
		rev := d.Rev
		if when == "" { // the revision that last changed this tune says more than the present one
			h, err := k.lib.Past().History(rr, ref.Tune, 1)
			if err != nil {
				return err
			}
			if len(h) > 0 {
				rev = h[0].ID
			}
		}
		if dirty := k.unsaved(d.TunePath()); len(dirty) > 0 {
			k.say("note: %s has unsaved edits; pinned the saved revision %s", refName(d), rev.Short())
		}
		pins = append(pins, library.PinRequest{Rig: d.Rig.ID, Tune: ref.Tune, Rev: rev, Unit: k.c.String("unit")})
		names = append(names, refName(d))
	}
	var shots []preset.Shot
	for _, s := range k.c.StringSlice("shot") {
		shot, err := parseShot(s)
		if err != nil {
			return err
		}
		shots = append(shots, shot)
		names = append(names, "shot "+shot.Name)
	}
	if len(pins)+len(shots) == 0 {
		return usage("job add needs rigs to pin, or --shot").hinted("see: rigkeep job add --help")
	}
	plan, err := k.lib.Jobs().PlanAdd(slug, pins, shots)
	if err != nil {
		return err
	}
	if len(plan.Items) == 0 {
		return fail(exitFindings, "already in job %s", slug)
	}
	if k.dryRun() {
		k.printf("would add to %s: %s\n", slug, safe.Line(strings.Join(names, ", ")))
		return nil
	}
	reports, err := compareRun{k}.reports(plan)
	if err != nil {
		return err
	}
	return k.commit(plan, k.why("Add to job "+slug+": "+strings.Join(names, ", ")), words(reports), nil)
}

// parseShot reads "words, kind, lens"; kind and lens may be left out.
func parseShot(s string) (preset.Shot, error) {
	parts := strings.Split(s, ",")
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	out := preset.Shot{Name: parts[0]}
	if out.Name == "" || len(parts) > 3 {
		return out, usage("--shot %q is not a shot", s).hinted("write words, kind and lens: --shot \"up the ladder, stairs, 35mm\"")
	}
	for _, p := range parts[1:] {
		if v, err := unit.ParseIn(unit.Length, p, "mm"); err == nil && p != "" && p[0] >= '0' && p[0] <= '9' {
			if out.LensMM = round(v * 1000); math.IsInf(out.LensMM, 0) {
				return out, usage("--shot %q: %s is not a lens", s, p)
			}
			continue
		}
		if p = schema.CanonicalName(strings.Join(strings.Fields(p), "-")); !preset.IsName(p) {
			return out, usage("--shot %q: %q is neither a kind of shot nor a lens", s, p).hinted("write words, kind and lens: --shot \"up the ladder, stairs, 35mm\"")
		}
		out.Kind = p
	}
	return out, nil
}

// jobNamed reads the job that a person names.
func (k *invocation) jobNamed(name string) (slug string, j preset.Job, err error) {
	if slug, err = k.lib.Jobs().Named(name); err == nil {
		j, err = k.lib.Jobs().Read("", slug)
	}
	return slug, j, err
}

func runJobClose(k *invocation) error {
	slug, j, err := k.jobNamed(k.args[0])
	if err != nil {
		return err
	}
	if j.State == "closed" {
		return fail(exitFindings, "job %s is closed already", slug)
	}
	plan, err := k.lib.Jobs().PlanState(slug, "closed", func(rig, tune, why string) {
		k.say("pin not fixed: %s/%s: %s", rig, tune, safe.Line(why))
	})
	if err != nil {
		return err
	}
	if k.dryRun() {
		k.recordResult("", k.why("Close job "+slug), "", plan.Paths()...)
		k.printf("would close %s and fix %s\n", slug, schema.Count(len(j.Pins), "pin", "pins"))
		return nil
	}
	return k.commit(plan, k.why("Close job "+slug), "", nil)
}

type jobRow struct {
	Slug  string `json:"slug"`
	Name  string `json:"name"`
	From  string `json:"from"`
	To    string `json:"to"`
	State string `json:"state"`
	Pins  int    `json:"pins"`
	Shots int    `json:"shots"`
	Fault string `json:"fault,omitempty"`
}

func runJobList(k *invocation) error {
	slugs, err := k.lib.Jobs().Slugs()
	if err != nil {
		return err
	}
	rows := []jobRow{}
	for _, s := range slugs {
		j, err := k.lib.Jobs().Read("", s)
		if err != nil {
			rows = append(rows, jobRow{Slug: s, Fault: err.Error()})
			continue
		}
		if k.c.Bool("open") && j.State != "open" {
			continue
		}
		rows = append(rows, rowOf(j))
	}
	if k.json() {
		return k.encode(struct {
			Format int      `json:"format"`
			Jobs   []jobRow `json:"jobs"`
		}{1, rows})
	}
	if len(rows) == 0 {
		k.say("no jobs yet.\nTry: rigkeep job open NAME")
		return nil
	}
	t := table{head: true, right: map[int]bool{4: true, 5: true}}
	t.add("job", "from", "to", "state", "rigs", "shots", "name")
	for _, r := range rows {
		if r.Fault != "" {
			t.add(r.Slug, "", "", "", "", "", "unreadable: "+r.Fault)
			continue
		}
		t.add(r.Slug, r.From, r.To, r.State, fmt.Sprint(r.Pins), fmt.Sprint(r.Shots), r.Name)
	}
	k.write(t.render(k.paint, "", k.wide))
	return nil
}

func runJobShow(k *invocation) error {
	slug, j, err := k.jobNamed(k.args[0])
	if err != nil {
		return err
	}
	pins := []jsonPin{}
	for _, p := range j.Pins {
		x := jsonPin{Rig: p.Rig, Tune: p.Tune, Revision: p.Revision, Fixed: p.Revision != "", Unit: p.Unit}
		if rr, err := k.lib.Names().Find(p.Rig); err == nil {
			x.Alias = rr.Alias
			if x.Revision == "" {
				if rev, err := k.lib.Jobs().Pinned(slug, rr, p.Tune); err == nil {
					x.Revision = string(rev)
				}
			}
		}
		pins = append(pins, x)
	}
	if k.json() {
		return k.encode(jsonJobOf(j, pins))
	}
	k.printf("%s\n%s", k.paint.bold(slug), wrap(fmt.Sprintf("%s, %s, %s", safe.Line(j.Name), schema.SayDates(j.From, j.To), j.State), "  ", k.wide))
	if j.Note != "" {
		k.write(wrap(safe.Text(j.Note), "  ", k.wide))
	}
	var facts []string
	if j.Widest > 0 {
		facts = append(facts, fmt.Sprintf("widest lens %s mm", schema.Num(j.Widest)))
	}
	if j.Longest > 0 {
		facts = append(facts, fmt.Sprintf("longest lens %s mm", schema.Num(j.Longest)))
	}
	if j.Sensor[0] > 0 {
		facts = append(facts, fmt.Sprintf("sensor %s × %s mm", schema.Num(j.Sensor[0]), schema.Num(j.Sensor[1])))
	}
	if j.DriftPct > 0 {
		facts = append(facts, fmt.Sprintf("drift up to %s %% of frame", schema.Num(j.DriftPct)))
	}
	if j.DelayS > 0 {
		facts = append(facts, fmt.Sprintf("delay up to %s s", schema.Num(j.DelayS)))
	}
	if len(facts) > 0 {
		k.write(wrap(strings.Join(facts, ", "), "  ", k.wide))
	}
	if len(pins) > 0 {
		k.printf("\n%s\n", k.paint.bold("pinned"))
		t := table{}
		for _, p := range pins {
			rev := "not saved for this job"
			if p.Revision != "" {
				rev = p.Revision[:10]
			}
			t.add(firstOf(p.Alias, p.Rig)+"/"+p.Tune, rev, p.Unit)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	if len(j.Shots) > 0 {
		k.printf("\n%s\n", k.paint.bold("shots"))
		t := table{}
		for _, s := range j.Shots {
			lens := ""
			if s.LensMM > 0 {
				lens = fmt.Sprintf("%s mm", schema.Num(s.LensMM))
			}
			t.add(s.Name, s.Kind, lens, s.Style)
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	if len(j.Crew) > 0 {
		k.printf("\n%s\n", k.paint.bold("crew"))
		for _, c := range j.Crew {
			k.printf("  %s %s\n", safe.Line(c.Role), safe.Line(c.Name))
		}
	}
	return nil
}
