package main

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func unitVerb() command {
	facts := func() []cli.Flag {
		return []cli.Flag{
			&cli.StringFlag{Name: "label", Usage: "what is written on its case, the `LABEL`"},
			&cli.StringFlag{Name: "firmware", Usage: "firmware `TEXT` it shows"},
			&cli.IntFlag{Name: "memories", Usage: "its controller has `N` numbered memories"},
			&cli.StringFlag{Name: "note", Usage: "`TEXT` for the next operator"},
			&cli.StringFlag{Name: "trouble", Usage: "a fault it has, as `TEXT`; shown when it goes out"},
			&cli.StringFlag{Name: "address", Usage: "how it is reached over a link, the `ADDRESS`"},
			messageFlag(),
		}
	}
	return command{
		name: "unit", short: "the gimbals on the shelf, and what each of them holds",
		subs: []command{
			{name: "new", args: "GIMBAL SERIAL…", short: "make a unit record for each serial", changes: true, minArgs: 2, maxArgs: -1, argKind: []string{"gimbal", "none"},
				long:    "Makes units/GIMBAL/SERIAL/unit.toml and saves it. A label, a note, a fault and an address go with one serial. Change them later with set unit:SERIAL KEY=VALUE.",
				example: "rigkeep unit new quay-large QL-0051 QL-0052 --firmware 2.4\nrigkeep unit new skiff-small SK-0420 --trouble \"Roll bearing worn\"",
				flags:   facts(), run: runUnitNew},
			{name: "add", args: "FILE…", short: "check unit records and take them into the library", changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"file"},
				long:    "A file of the form that new writes. Its name without .toml is the serial, or --serial.",
				example: "rigkeep unit add QL-0052.toml --gimbal quay-large",
				flags:   []cli.Flag{&cli.StringFlag{Name: "gimbal", Required: false, Usage: "the `GIMBAL` they are units of"}, &cli.StringFlag{Name: "serial", Usage: "the `SERIAL`, where FILE does not say"}, messageFlag()}, run: runUnitAdd},
			{name: "list", pages: true, args: "[GIMBAL]", short: "list the units and what they hold", reads: true, maxArgs: 1, argKind: []string{"gimbal"}, example: "rigkeep unit list", run: runUnitList},
			{name: "show", pages: true, args: "UNIT", short: "show a unit and what it holds", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"units"},
				long: "Shows the newest entry of every memory, with its values, and the entries before it.", example: "rigkeep unit show QL-0031", run: runUnitShow},
			{name: "rename", args: "UNIT SERIAL", short: "give a unit another serial", changes: true, minArgs: 2, maxArgs: 2, argKind: []string{"units", "none"},
				long:    "The record keeps the old serial, so that proofs, sessions and jobs that name it still mean this unit. The label is changed with set unit:UNIT label=TEXT.",
				example: "rigkeep unit rename QL-0031 QL-0131", flags: []cli.Flag{messageFlag()}, run: runUnitRename},
			{name: "remove", args: "UNIT", short: "take a unit out of the library; its history stays", changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"units"},
				example: "rigkeep unit remove SK-0417 -m \"Sold\"", flags: []cli.Flag{messageFlag()}, run: runUnitRemove},
			unitReadVerb(),
		},
	}
}

func runUnitNew(k *invocation) error {
	serials := k.args[1:]
	for _, own := range []string{"label", "note", "trouble", "address"} {
		if len(serials) > 1 && k.c.String(own) != "" {
			return usage("--%s goes with one serial", own)
		}
	}
	if k.c.IsSet("memories") && k.c.Int("memories") < 1 {
		return usage("--memories %d: write a number from 1", k.c.Int("memories")).hinted("leave it out where the controller has no numbered memories")
	}
	var files []library.NewFile
	seen := map[string]bool{}
	for _, s := range serials {
		if seen[schema.CanonicalName(s)] {
			return usage("the serial %q is given twice", s)
		}
		seen[schema.CanonicalName(s)] = true
		f, err := k.lib.Units().New(library.UnitRef{Gimbal: k.args[0], Unit: schema.Unit{Serial: s, Label: k.c.String("label"), Firmware: k.c.String("firmware"),
			Memories: k.c.Int("memories"), Note: k.c.String("note"), Trouble: k.c.String("trouble"), Address: k.c.String("address")}})
		if err != nil {
			return err
		}
		files = append(files, f)
	}
	return k.addSheets(files, "Add")
}

func runUnitAdd(k *invocation) error {
	gimbal := k.c.String("gimbal")
	if gimbal == "" {
		return usage("--gimbal is missing").hinted("which model are they? rigkeep gimbal list")
	}
	var files []library.NewFile
	for _, arg := range k.args {
		name, data, err := k.readInput(arg)
		if err != nil {
			return err
		}
		serial := k.c.String("serial")
		if serial == "" {
			serial = strings.TrimSuffix(filepath.Base(name), ".toml")
		} else if len(k.args) > 1 {
			return usage("--serial goes with one file")
		}
		f, err := k.lib.Units().Add(name, gimbal, serial, data)
		if err != nil {
			return err
		}
		files = append(files, f)
	}
	return k.addSheets(files, "Add")
}

// jsonUnit is the documented shape of a unit.
type jsonUnit struct {
	Gimbal   string     `json:"gimbal"`
	Serial   string     `json:"serial"`
	Label    string     `json:"label,omitempty"`
	Was      []string   `json:"was"`
	Firmware string     `json:"firmware,omitempty"`
	Memories int        `json:"memories"` // numbered ones, 0 for none
	Note     string     `json:"note,omitempty"`
	Trouble  string     `json:"trouble,omitempty"`
	Address  string     `json:"address,omitempty"`
	Holds    []jsonHeld `json:"holds"` // the newest entry of each memory
}

// jsonHeld is the documented shape of what a unit held from a moment on.
type jsonHeld struct {
	At       time.Time      `json:"at"`
	By       string         `json:"by,omitempty"`
	Memory   int            `json:"memory,omitempty"`
	Rig      string         `json:"rig,omitempty"`
	Alias    string         `json:"alias,omitempty"`
	Tune     string         `json:"tune,omitempty"`
	Revision string         `json:"revision,omitempty"`
	Digest   string         `json:"digest,omitempty"`
	Values   map[string]any `json:"values"`
}

func (k unitRun) jsonHeld(h schema.Held) jsonHeld {
	return jsonHeld{h.At, h.By, h.Memory, h.Rig, k.aliasOfRig(h.Rig), h.Tune, h.Revision, h.Digest, h.Values}
}

// aliasOfRig is the alias of a rig by fingerprint, "" where the library has none.
func (k unitRun) aliasOfRig(fp string) string {
	if fp == "" {
		return ""
	}
	r, err := k.lib.Names().Find(fp)
	if err != nil {
		return ""
	}
	return r.Alias
}

func (k unitRun) jsonUnit(u library.UnitRef) jsonUnit {
	j := jsonUnit{u.Gimbal, u.Serial, u.Label, append([]string{}, u.Was...), u.Firmware, u.Memories, u.Note, u.Trouble, u.Address, []jsonHeld{}}
	for _, h := range u.Memory() {
		j.Holds = append(j.Holds, k.jsonHeld(h))
	}
	return j
}

// holdsWords says in a few words what a memory holds.
func (k unitRun) holdsWords(h schema.Held) string {
	return heldWords(h, k.aliasOfRig(h.Rig), k.Now().Location())
}

// heldWords is holdsWords of a rig by its alias.
func heldWords(h schema.Held, alias string, zone *time.Location) string {
	what := h.Says()
	if h.Rig != "" {
		what = firstOf(alias, h.Rig)
		if h.Tune != "" && h.Tune != "main" {
			what += "/" + h.Tune
		}
	}
	if h.Memory > 0 {
		what = fmt.Sprintf("%d: %s", h.Memory, what)
	}
	return what + " since " + schema.SayDay(h.At, zone)
}

func runUnitList(k *invocation) error {
	all, broken, err := k.lib.Units().All()
	if err != nil {
		return err
	}
	if len(k.args) > 0 {
		if _, err := k.lib.Sheet("", k.args[0]); err != nil {
			return err
		}
	}
	rows := []jsonUnit{}
	t := table{head: true}
	t.add("unit", "label", "gimbal", "firmware", "holds", "trouble")
	for _, u := range all {
		if len(k.args) > 0 && u.Gimbal != k.args[0] {
			continue
		}
		rows = append(rows, unitRun{k}.jsonUnit(u))
		var holds []string
		for _, h := range u.Memory() {
			holds = append(holds, unitRun{k}.holdsWords(h))
		}
		t.add(u.Serial, u.Label, u.Gimbal, u.Firmware, firstOf(strings.Join(holds, "; "), "unknown"), u.Trouble)
	}
	for _, err := range broken {
		k.say("%s", safe.Line(err.Error()))
	}
	if k.json() {
		return k.encode(struct {
			Format int        `json:"format"`
			Units  []jsonUnit `json:"units"`
		}{1, rows})
	}
	if len(rows) == 0 {
		k.say("no units yet\nTry: rigkeep unit new GIMBAL SERIAL")
		return nil
	}
	t.dropEmpty()
	k.write(t.render(k.paint, "", k.wide))
	return nil
}

func runUnitShow(k *invocation) error {
	u, err := k.lib.Units().Find(k.args[0])
	if err != nil {
		return err
	}
	if k.json() {
		held := []jsonHeld{}
		for _, h := range u.Held {
			held = append(held, unitRun{k}.jsonHeld(h))
		}
		return k.encode(struct {
			Format int        `json:"format"`
			Unit   jsonUnit   `json:"unit"`
			Held   []jsonHeld `json:"held"` // all of it, oldest first
		}{1, unitRun{k}.jsonUnit(u), held})
	}
	sheet, err := k.lib.Sheet("", u.Gimbal)
	if err != nil {
		return err
	}
	title := u.Serial
	if u.Label != "" {
		title += " (" + safe.Line(u.Label) + ")"
	}
	k.printf("%s on %s\n", k.paint.bold(title), u.Gimbal)
	t := table{}
	memories := ""
	if u.Memories > 0 {
		memories = fmt.Sprint(u.Memories)
	}
	for _, f := range [][2]string{{"trouble", u.Trouble}, {"firmware", u.Firmware}, {"memories", memories}, {"note", u.Note}, {"address", u.Address}, {"was", strings.Join(u.Was, ", ")}} {
		if f[1] != "" {
			t.add(f[0], f[1])
		}
	}
	k.write(t.render(k.paint, "  ", k.wide))
	holds := u.Memory()
	if len(holds) == 0 {
		k.printf("No record of what it holds.\n")
		k.say("Try: rigkeep load RIG --unit %s", u.Serial)
		return nil
	}
	for _, h := range holds {
		k.printf("\nHOLDS %s, %s\n", safe.Line(unitRun{k}.holdsWords(h)), safe.Line(firstOf(h.By, "name not recorded")))
		k.write(unitRun{k}.keyTable(preset.KeyLines(k.cat, sheet, h.Values), nil))
	}
	if n := len(u.Held) - len(holds); n > 0 {
		k.printf("\n%s before (--json lists them)\n", schema.Count(n, "entry", "entries"))
	}
	return nil
}

func runUnitRename(k *invocation) error {
	u, err := k.lib.Units().Find(k.args[0])
	if err != nil {
		return err
	}
	plan, err := k.lib.Units().PlanRename(u, k.args[1])
	if err != nil {
		return err
	}
	return unitRun{k}.planned(plan, "Rename unit "+u.Serial+" to "+k.args[1])
}

func runUnitRemove(k *invocation) error {
	u, err := k.lib.Units().Find(k.args[0])
	if err != nil {
		return err
	}
	plan, err := k.lib.Units().PlanRemoval(u)
	if err != nil {
		return err
	}
	if !k.dryRun() {
		if err := k.confirm(fmt.Sprintf("Remove unit %s of %s? Its history stays.", u.Serial, u.Gimbal)); err != nil {
			return err
		}
	}
	return unitRun{k}.planned(plan, "Remove unit "+u.Serial)
}

// planned makes a planned revision, or says with --dry-run what it would be.
func (k unitRun) planned(plan *library.Plan, subject string) error {
	subject = k.why(subject)
	if k.dryRun() {
		k.recordResult("", subject, "", plan.Paths()...)
		for _, it := range plan.Items {
			does := "write"
			if it.After == nil {
				does = "remove"
			}
			k.printf("would %s %s\n", does, safe.Line(it.Path))
		}
		return nil
	}
	return k.commit(plan, subject, "", nil)
}

// setUnit is set of a unit's record.
func (k unitRun) setUnit(as []library.Assign) error {
	u, err := k.lib.Units().Find(k.args[0])
	if err != nil {
		return err
	}
	e, err := k.lib.Units().Assign(u, as)
	if err != nil {
		return err
	}
	if e.Same() {
		k.say("nothing changed")
		return nil
	}
	verb, err := k.put(e)
	if err != nil {
		return err
	}
	k.recordResult("", "", "", e.Path)
	k.printf("%s %s\n", verb, e.Path)
	k.say("not saved yet\nTry: rigkeep save unit:%s -m WHY", safe.Line(u.Serial))
	return nil
}

// jsonUnits is the documented shape of compare --units.
type jsonUnits struct {
	Format int             `json:"format"`
	Rig    string          `json:"rig"`
	Alias  string          `json:"alias"`
	Tune   string          `json:"tune"`
	Values map[string]any  `json:"values"`
	Units  []jsonUnitHolds `json:"units"` // those that hold this tune, or held it last
}

type jsonUnitHolds struct {
	Unit    string    `json:"unit"`
	Label   string    `json:"label,omitempty"`
	Holds   jsonHeld  `json:"holds"`
	Differs []jsonOff `json:"differs"` // from the tune as it is
}

type jsonOff struct {
	Key  string `json:"key"`
	Tune any    `json:"tune,omitempty"` // nothing where the tune does not set it
	Unit any    `json:"unit,omitempty"` // nothing where the unit's record does not say
}

// compareUnits lays one tune beside what each unit holds of it.
func (k unitRun) compareUnits() error {
	d, err := k.lib.Names().Load(k.args[0], true)
	if err != nil {
		return err
	}
	held := unitsHolding(d)
	j := jsonUnits{1, d.Rig.ID, d.Rig.Alias, d.Ref.Tune, d.Tune.Values, []jsonUnitHolds{}}
	differ := 0
	for _, h := range held {
		x := jsonUnitHolds{h.unit.Serial, h.unit.Label, k.jsonHeld(h.Held), h.differs(d.Tune.Values)}
		differ += min(1, len(x.Differs))
		j.Units = append(j.Units, x)
	}
	switch {
	case k.json():
		if err := k.encode(j); err != nil {
			return err
		}
	case len(held) == 0:
		k.printf("No unit of %s holds %s, by its record.\n", d.Sheet.Slug, safe.Line(d.Label()))
		k.say("Try: rigkeep load %s --unit UNIT", k.args[0])
	default:
		title := "all hold it as it is"
		if differ > 0 {
			title = fmt.Sprintf("%d of %s differ", differ, schema.Count(len(held), "unit", "units"))
		}
		k.printf("%s\n", k.paint.bold(safe.Line(d.Label())+" on its units: "+title))
		k.printHeld(d, held)
	}
	if differ > 0 {
		return errFindings
	}
	return nil
}

// unitHeld is what a unit holds in one of its memories.
type unitHeld struct {
	unit schema.Unit
	schema.Held
}

// unitsHolding are the units that hold a tune, or held it last, by their record.
func unitsHolding(d *library.Loaded) []unitHeld {
	var out []unitHeld
	for _, u := range d.Sheet.Units {
		for _, h := range u.Memory() {
			if h.Tune == d.Ref.Tune && (h.Rig == d.Rig.ID || contains(d.Rig.Was, h.Rig)) {
				out = append(out, unitHeld{u, h})
			}
		}
	}
	return out
}

// differs are the keys in which a unit differs from the values of a tune: the tune's own, then those it does not set.
func (h unitHeld) differs(tune map[string]any) []jsonOff {
	out := []jsonOff{}
	for _, key := range slices.Sorted(maps.Keys(tune)) {
		if v, ok := h.Values[key]; !ok || valueText(v) != valueText(tune[key]) {
			out = append(out, jsonOff{key, tune[key], v})
		}
	}
	for _, key := range slices.Sorted(maps.Keys(h.Values)) {
		if _, ok := tune[key]; !ok {
			out = append(out, jsonOff{key, nil, h.Values[key]})
		}
	}
	return out
}

// printHeld is a table of the tune's values and of those in each unit.
func (k unitRun) printHeld(d *library.Loaded, held []unitHeld) {
	t := table{head: true, right: map[int]bool{1: true}}
	head := []string{"", "tune"}
	since := []string{"since", ""}
	all := map[string]any{}
	for i, h := range held {
		name := h.unit.Serial
		if h.Memory > 0 {
			name += fmt.Sprintf(" %d", h.Memory)
		}
		head = append(head, name)
		since = append(since, k.on(h.At))
		t.right[i+2] = true
		maps.Copy(all, h.Values)
	}
	maps.Copy(all, d.Tune.Values)
	t.add(head...)
	for _, l := range preset.KeyLines(k.cat, d.Sheet, all) {
		name := l.Label()
		if p, _ := k.cat.Param(l.Key); p.Style(l.Key) != "" {
			name += ", " + p.Style(l.Key)
		}
		row := []string{name, "–"}
		if v, ok := d.Tune.Values[l.Key]; ok {
			row[1] = valueText(v)
		}
		for _, h := range held {
			v, ok := h.Values[l.Key]
			switch {
			case !ok:
				row = append(row, "–")
			case valueText(v) == row[1]:
				row = append(row, "same")
			default:
				row = append(row, valueText(v))
			}
		}
		t.add(row...)
	}
	t.add(since...)
	k.write(t.render(k.paint, "  ", k.wide))
}
