package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/domain"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func gimbalVerb() command {
	return command{
		name: "gimbal", short: "manage gimbal sheets (payload, clearance, motors, dials)",
		subs: []command{
			{name: "new", args: "[FILE]", short: "ask for a gimbal sheet, or write its template", noLib: true, changes: true, maxArgs: 1, argKind: []string{"file"},
				long:    "On a terminal it asks for what the manual prints, from name and payload to the controller's numbers; what is left out stays unknown. With FILE it writes the commented template there, if file not found yet; to a pipe it prints it.",
				example: "rigkeep gimbal new\nrigkeep gimbal new my-gimbal.toml", flags: append(boolFlags("plain", "ask line by line, from any input"), messageFlag()), run: runGimbalNew},
			{name: "add", args: "FILE…", short: "check gimbal sheets and add them to the library", changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"file"},
				long:    "The file's name without .toml becomes the gimbal's name. The sheet is saved as one revision.",
				example: "rigkeep gimbal add quay-large.toml\nrigkeep gimbal add - --name skiff-small < sheet.toml",
				flags:   []cli.Flag{&cli.StringFlag{Name: "name", Usage: "gimbal `NAME`, if FILE has none"}, messageFlag()}, run: runGimbalAdd},
			{name: "list", pages: true, short: "list the gimbal sheets", reads: true, example: "rigkeep gimbal list", run: runGimbalList},
			{name: "show", pages: true, args: "GIMBAL", short: "show a gimbal sheet", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"gimbal"}, example: "rigkeep gimbal show quay-large", run: runGimbalShow},
			{name: "remove", args: "GIMBAL", short: "take a gimbal sheet without units and rigs out; its history stays", changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"gimbal"},
				example: "rigkeep gimbal remove quay-large --dry-run", flags: []cli.Flag{messageFlag()}, run: runGimbalRemove},
			gimbalMeasureVerb(),
			{name: "link", args: "GIMBAL|FILE --from ADDRESS", short: "list what a device has over a link, to fill a sheet from", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"gimbal"},
				long:    "Lists the settings of a device that speaks an open standard, with their values, beside the dials of the sheet. It only reads. Copy what it says of the device into the sheet.",
				example: "rigkeep gimbal link quay-large --from tcp:127.0.0.1:5760",
				flags:   []cli.Flag{fromFlag(), &cli.IntFlag{Name: "system", Usage: "the device with system number `N`"}, &cli.IntFlag{Name: "component", Usage: "the part with component number `N`"}},
				run:     runGimbalLink},
		},
	}
}

func messageFlag() cli.Flag {
	return &cli.StringFlag{Name: "message", Aliases: []string{"m"}, Usage: "`REASON`, one line"}
}

// template prints or writes a commented template.
func (k gimbalRun) template(kind string) error {
	text := k.cat.Template(kind)
	if len(k.args) == 0 || k.args[0] == "-" {
		k.done.Words = lines(text)
		k.write(text)
		return nil
	}
	if k.dryRun() {
		if _, err := os.Lstat(k.path(k.args[0])); err == nil {
			return isThere(k.path(k.args[0]))
		}
		k.recordResult("", "", "", k.args[0])
		k.printf("would write %s\n", k.args[0])
		return nil
	}
	if err := createFile(k.path(k.args[0]), []byte(text)); err != nil {
		return err
	}
	k.recordResult("", "", "", k.args[0])
	k.printf("wrote %s\n", k.args[0])
	k.say("Fill it in.\nTry: rigkeep %s add %s", kind, k.args[0])
	return nil
}

func runGimbalRemove(k *invocation) error {
	sheet, err := k.lib.Sheet("", strings.TrimPrefix(k.args[0], "gimbal:"))
	if err != nil {
		return err
	}
	plan, err := k.lib.Units().PlanGimbalRemoval(sheet.Slug)
	if err != nil {
		return err
	}
	if !k.dryRun() {
		if err := k.confirm(fmt.Sprintf("Remove gimbal sheet %s? Its history stays.", sheet.Slug)); err != nil {
			return err
		}
	}
	return unitRun{k}.planned(plan, "Remove gimbal sheet "+sheet.Slug)
}

func runGimbalAdd(k *invocation) error {
	var files []library.NewFile
	for _, arg := range k.args {
		name, data, err := k.readInput(arg)
		if err != nil {
			return err
		}
		slug := k.c.String("name")
		if slug == "" {
			slug = schema.CanonicalName(strings.TrimSuffix(filepath.Base(name), ".toml"))
		} else if len(k.args) > 1 {
			return usage("--name goes with one file")
		}
		if !preset.IsName(slug) {
			return usage("%q cannot be the name of a gimbal", slug).hinted("use a short name of lower-case letters, digits, dot, dash and underscore: --name NAME")
		}
		if tree, err := file.Values(name, data); err == nil && schema.IsTemplate(schema.KindGimbal, tree) {
			return &file.Error{File: name, What: "this is still the template: nothing of it is filled in", Fix: "write at least name and payload.max_kg, and take the # off their lines"}
		}
		if _, err := preset.ReadAs(k.cat, name, schema.KindGimbal, data, nil); err != nil {
			return err
		}
		files = append(files, library.NewFile{Path: preset.GimbalPath(slug), Text: data, What: "gimbal sheet " + slug})
	}
	return k.addSheets(files, "Add")
}

// addSheets saves new sheets as one revision, and names them.
func (k *invocation) addSheets(files []library.NewFile, verb string) error {
	var what []string
	for _, f := range files {
		what = append(what, f.What)
	}
	subject := k.why(verb + " " + strings.Join(what, ", "))
	if k.dryRun() {
		for _, f := range files {
			if err := k.lib.Edits().CheckFree(f); err != nil {
				return err
			}
			k.recordResult("", subject, "", f.Path)
			k.printf("would add %s as %s\n", f.What, f.Path)
		}
		return nil
	}
	rev, err := k.addFiles(files, subject)
	if err != nil {
		return err
	}
	for _, f := range files {
		k.printf("added %s as %s\n", f.What, f.Path)
	}
	k.printf("saved as %s\n", rev.Short())
	return nil
}

func runGimbalList(k *invocation) error {
	slugs, err := k.lib.Gimbals()
	if err != nil {
		return err
	}
	type row struct {
		Name       string  `json:"name"`
		Title      string  `json:"title"`
		PayloadMin float64 `json:"payload_min_kg"`
		PayloadMax float64 `json:"payload_max_kg"`
		Dials      int     `json:"dials"`
		Mapped     int     `json:"dials_mapped_to_si"`
		Units      int     `json:"units"`
		Fault      string  `json:"fault,omitempty"`
	}
	rows := []row{}
	for _, s := range slugs {
		sh, err := k.lib.Sheet("", s)
		if err != nil {
			rows = append(rows, row{Name: s, Fault: err.Error()})
			continue
		}
		r := row{Name: s, Title: sh.Name, PayloadMin: sh.PayloadMin, PayloadMax: sh.PayloadMax, Dials: len(sh.Dials), Units: len(sh.Units)}
		for _, d := range sh.Dials {
			if d.Map != nil {
				r.Mapped++
			}
		}
		rows = append(rows, r)
	}
	if k.json() {
		return k.encode(struct {
			Format  int   `json:"format"`
			Gimbals []row `json:"gimbals"`
		}{1, rows})
	}
	if len(rows) == 0 {
		k.say("no gimbal sheets yet\nTry: rigkeep gimbal new")
		return nil
	}
	t := table{head: true}
	t.add("gimbal", "payload", "units", "dials", "name")
	u := k.units()
	for _, r := range rows {
		if r.Fault != "" {
			t.add(r.Name, "", "", "", "unreadable: "+r.Fault)
			continue
		}
		si := "no SI conversion"
		if r.Mapped > 0 {
			si = fmt.Sprintf("%d in SI", r.Mapped)
		}
		t.add(r.Name, u.payload(r.PayloadMin, r.PayloadMax), fmt.Sprint(r.Units), fmt.Sprintf("%d, %s", r.Dials, si), r.Title)
	}
	k.write(t.render(k.paint, "", k.wide))
	return nil
}

func runGimbalShow(k *invocation) error {
	doc, err := k.lib.Doc("", preset.GimbalPath(k.args[0]))
	if err != nil {
		if isNotFound(err) {
			_, err = k.lib.Sheet("", k.args[0])
		}
		return err
	}
	s, err := k.lib.Sheet("", k.args[0])
	if err != nil {
		return err
	}
	if k.json() {
		return k.encode(struct {
			Format int    `json:"format"`
			Gimbal string `json:"gimbal"`
			Sheet  any    `json:"sheet"` // the file's own keys
		}{1, k.args[0], jsonTree(doc.Tree())})
	}
	u := k.units()
	k.printf("%s: %s\n", k.paint.bold(s.Slug), safe.Line(s.Name))
	if s.Note != "" {
		k.write(wrap(safe.Text(s.Note), "  ", k.wide))
	}
	gimbalRun{k}.sheetFacts(s)
	gimbalRun{k}.sheetDials(s)
	if len(s.Units) > 0 {
		k.printf("\n%s\n", k.paint.bold("units"))
		t := table{}
		for _, x := range s.Units {
			t.add(x.Serial, x.Label, x.Firmware, firstOf(x.Trouble, x.Note))
		}
		k.write(t.render(k.paint, "  ", k.wide))
	}
	if len(s.References) > 0 {
		k.printf("\n%s\n", k.paint.bold("reference tunes"))
		for _, r := range s.References {
			var vs []string
			for _, key := range slices.Sorted(maps.Keys(r.Values)) {
				vs = append(vs, key+" "+schema.Num(r.Values[key]))
			}
			k.write(wrap(fmt.Sprintf("%s: %s (%s)", u.kg(r.PayloadKg), strings.Join(vs, ", "), r.Source), "  ", k.wide))
		}
	}
	return nil
}

// sheetFacts prints what a gimbal sheet knows of the stabiliser, and what it does not.
func (k gimbalRun) sheetFacts(s *schema.Sheet) {
	u := k.units()
	t := table{}
	t.add("payload", u.payload(s.PayloadMin, s.PayloadMax))
	if s.Box != nil {
		t.add("clear space", fmt.Sprintf("%s × %s × %s (forward, left, up)", u.m(s.Box[0]), u.m(s.Box[1]), u.m(s.Box[2])))
	}
	if s.TiltUpDeg != nil && s.TiltDownDeg != nil {
		t.add("tilt travel", fmt.Sprintf("%s° up, %s° down", schema.Num(*s.TiltUpDeg), schema.Num(*s.TiltDownDeg)))
	}
	for _, a := range s.Adjustments {
		text := fmt.Sprintf("balances %s, rises %s", a.Stage, a.Rising())
		if a.Range != nil {
			text = wholeMM(a.Range[0]) + " to " + wholeMM(a.Range[1]) + " mm, " + text
		}
		t.add(a.Name, text)
	}
	var unknown []string
	for _, a := range schema.Axes {
		x := s.Axes[a]
		var known []string
		if x.Torque > 0 {
			known = append(known, schema.Num(x.Torque)+" Nm at full effort")
		} else {
			unknown = append(unknown, a.String())
		}
		if x.MovingKnown {
			known = append(known, "inertia of moving parts "+schema.Num(x.Moving)+" kg·m²")
		}
		if known != nil {
			t.add(a.String()+" motor", strings.Join(known, ", "))
		}
	}
	if s.DelayKnown {
		t.add("loop delay", fmt.Sprintf("%.1f ms", s.Delay*1000))
	} else {
		t.add("loop delay", (&domain.Unknown{Needs: "two onsets with their frequency", Key: "loop.delay_s"}).Error())
	}
	t.add("resting effort", fmt.Sprintf("workable to %s %%, good under %s %%", schema.Num(s.WorkablePct), schema.Num(s.GoodPct)))
	if unknown != nil {
		need := domain.Unknown{Needs: schema.List(unknown) + " torque", Key: "torque_nm", Do: "the effort of a build slid 10 mm off tells it"}
		t.add("motor torque", need.Error())
	}
	k.write(t.render(k.paint, "  ", k.wide))
}

// sheetDials prints the dials of a gimbal sheet.
func (k gimbalRun) sheetDials(s *schema.Sheet) {
	t := table{head: true}
	t.add("dial", "shown as", "range", "larger is", "in SI")
	for i, p := range k.cat.Params() {
		d, ok := s.Dials[p.Dial]
		if !ok || slices.ContainsFunc(k.cat.Params()[:i], func(q schema.Param) bool { return q.Dial == p.Dial }) {
			continue
		}
		si := ""
		if d.Map != nil {
			lo, _ := d.ToSI(d.Min)
			hi, _ := d.ToSI(d.Max)
			si = fmt.Sprintf("%s %s to %s %s", d.Map.Kind, schema.Sig(lo, 4), schema.Sig(hi, 4), d.Map.Unit)
		}
		t.add(d.Key, d.ShownAs, fmt.Sprintf("%s to %s, step %s", schema.Num(d.Min), schema.Num(d.Max), schema.Num(d.Fine)), d.Up, si)
	}
	if len(t.rows) > 1 {
		t.dropEmpty()
		k.printf("\n")
		k.write(t.render(k.paint, "  ", k.wide))
	}
}

// jsonTree makes a document tree fit for JSON: dates become text.
func jsonTree(v any) any {
	switch x := v.(type) {
	case map[string]any:
		m := map[string]any{}
		for k, w := range x {
			m[k] = jsonTree(w)
		}
		return m
	case []any:
		l := make([]any, len(x))
		for i, w := range x {
			l[i] = jsonTree(w)
		}
		return l
	case file.Date:
		return x.String()
	case file.DateTime:
		return x.String()
	}
	return v
}
