package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/assembly"
	"rigkeep/preset/csvtable"
	"rigkeep/preset/domain"
	"rigkeep/preset/file"
	"rigkeep/preset/mass"
	"rigkeep/preset/partlist"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func partVerb() command {
	return command{
		name: "part", short: "parts of the shop: what they weigh, where they balance and what attaches to them",
		subs: []command{
			{name: "new", args: "[NAME]", short: "make a part from what was weighed and measured", changes: true, maxArgs: 1, argKind: []string{"none"},
				long: "A part needs a name and a mass. Its seat is where it attaches to another part; lengths count from there, forward along the lens, left and up. " +
					"Without --mass the commented template of a part's file is printed, or written to NAME where that ends in .toml.",
				example: "rigkeep part new \"50 mm Brae\" --slot lens --mass 480g --diameter 76mm --length 79mm --balance 31,0,0mm",
				flags: []cli.Flag{
					&cli.StringFlag{Name: "mass", Usage: "its `MASS`, as 812g or 28.6oz"}, &cli.StringFlag{Name: "slot", Usage: "what it is, in a `WORD`: body, lens, plate, battery, monitor"},
					&cli.StringFlag{Name: "size", Usage: "`SIZE` of a box, length x width x height: 98x132x88mm"}, &cli.StringFlag{Name: "diameter", Usage: "`DIAMETER` of a cylinder along the lens"},
					&cli.StringFlag{Name: "length", Usage: "`LENGTH` of a cylinder"}, &cli.StringFlag{Name: "balance", Usage: "where it balances, `FORWARD,LEFT,UP` of its seat: 31,0,0mm"},
					&cli.StringFlag{Name: "centre", Usage: "middle of its outline, `FORWARD,LEFT,UP` of its seat"},
					&cli.StringSliceFlag{Name: "mount", Usage: "where others attach, `NAME=FORWARD,LEFT,UP[:SLOT,…]`: front=61,0,44mm:lens; repeatable"},
					&cli.StringFlag{Name: "quantity", Usage: "how `MANY` there are"}, &cli.StringFlag{Name: "owner", Usage: "`WHOSE` it is"}, &cli.StringFlag{Name: "note", Usage: "a `NOTE`"}, messageFlag(),
				}, run: runPartNew},
			{name: "add", args: "FILE…", short: "check the files of parts and take them into the library", changes: true, minArgs: 1, maxArgs: -1, argKind: []string{"file"},
				example: "rigkeep part add prime-50.toml", flags: []cli.Flag{messageFlag()}, run: runPartAdd},
			{name: "list", pages: true, short: "list the parts", reads: true, example: "rigkeep part list --slot lens",
				flags: []cli.Flag{&cli.StringFlag{Name: "slot", Usage: "only parts of this `SLOT`"}}, run: runPartList},
			{name: "show", pages: true, args: "PART", short: "show a part, and which rigs use it", reads: true, minArgs: 1, maxArgs: 1, argKind: []string{"part"}, example: "rigkeep part show 50-mm-prime", run: runPartShow},
			{name: "import", args: "FILE.csv", short: "import a list of parts from a spreadsheet", changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"file"},
				long: "Columns are guessed from the header, units with them. If a row is unreadable, nothing is imported. " +
					"A column \"balance\" counts from the seat the way the part reaches: up for a monitor or accessory, forward for anything else. Mounts of bodies, plates and lenses are proposed from their sizes: correct them with a ruler.",
				example: "rigkeep part import shelf.csv --dry-run\nrigkeep part import shelf.csv --map \"Wt=mass:g\" --skip 15",
				flags: []cli.Flag{&cli.StringSliceFlag{Name: "map", Usage: "take a column for something else, `COLUMN=FIELD[:UNIT]`; - for FIELD leaves it out; repeatable"},
					&cli.StringSliceFlag{Name: "skip", Usage: "leave out the row in this `LINE`; repeatable"}, messageFlag()}, run: runPartImport},
			{name: "export", args: "[FILE.csv]", short: "write the parts as a table for a spreadsheet", reads: true, maxArgs: 1, argKind: []string{"file"},
				example: "rigkeep part export shelf-today.csv", run: runPartExport},
		},
	}
}

// lengths reads FORWARD,LEFT,UP with one unit behind the last, in m.
func lengths(text string) (*[3]float64, error) {
	cells := strings.Split(text, ",")
	if len(cells) != 3 {
		return nil, fmt.Errorf("%q is not three lengths; write forward, left, up with commas between them, as 31,0,0mm", text)
	}
	name := strings.TrimLeft(strings.TrimSpace(cells[2]), "+-0123456789. ")
	if name == "" {
		name = "mm"
	}
	var out [3]float64
	for i, c := range cells {
		v, err := unit.ParseIn(unit.Length, strings.TrimSpace(c), name)
		if err != nil {
			return nil, err
		}
		out[i] = v
	}
	return &out, nil
}

// vector reads a flag of three lengths; nil when it is not given.
func (k partRun) vector(flag string) (*[3]float64, error) {
	s := k.c.String(flag)
	if s == "" {
		return nil, nil
	}
	v, err := lengths(s)
	if err != nil {
		return nil, usage("--%s: %v", flag, err)
	}
	return v, nil
}

// box reads a flag of a size; nil when it is not given.
func (k partRun) box(flag string) (*[3]float64, error) {
	s := k.c.String(flag)
	if s == "" {
		return nil, nil
	}
	v, err := unit.ParseSize(s, 3)
	if err != nil {
		return nil, usage("--%s: %v", flag, err)
	}
	return &[3]float64{v[0], v[1], v[2]}, nil
}

// mountOf reads NAME=FORWARD,LEFT,UP[:SLOT,…].
func mountOf(text string) (m assembly.Mount, err error) {
	name, rest, ok := strings.Cut(text, "=")
	if !ok {
		return m, fmt.Errorf("%q is not NAME=FORWARD,LEFT,UP", text)
	}
	at, takes, _ := strings.Cut(rest, ":")
	v, err := lengths(at)
	if err != nil {
		return m, err
	}
	m = assembly.Mount{Name: strings.TrimSpace(name), At: mass.Vec(*v)}
	for _, s := range strings.Split(takes, ",") {
		if s = strings.TrimSpace(s); s != "" {
			m.Takes = append(m.Takes, s)
		}
	}
	return m, nil
}

func runPartNew(k *invocation) error {
	if k.c.String("mass") == "" {
		for _, f := range []string{"slot", "size", "diameter", "length", "balance", "centre", "quantity", "owner", "note"} {
			if k.c.String(f) != "" {
				return usage("--%s needs --mass", f).hinted("Try: rigkeep part new NAME --mass 480g --%s …", f)
			}
		}
		if len(k.args) > 0 && !strings.HasSuffix(k.args[0], ".toml") && k.args[0] != "-" {
			return usage("part %q needs a mass", k.args[0]).hinted("Try: rigkeep part new %q --mass 480g", k.args[0])
		}
		return gimbalRun{k}.template(schema.KindPart)
	}
	if len(k.args) == 0 {
		return usage("a part needs a name").hinted("Try: rigkeep part new \"50 mm Brae\" --mass 480g")
	}
	p := preset.ShopPart{File: schema.Slug(k.args[0]), Quantity: -1, Owner: k.c.String("owner")}
	if !preset.IsName(p.File) {
		return usage("%q cannot name a part", k.args[0]).hinted("use letters or digits")
	}
	p.Name, p.Slot, p.Note = k.args[0], k.c.String("slot"), k.c.String("note")
	var err error
	for _, f := range []struct {
		flag string
		kind unit.Kind
		bare string
		to   *float64
	}{{"mass", unit.Mass, "", &p.Mass}, {"diameter", unit.Length, "mm", &p.Diameter}, {"length", unit.Length, "mm", &p.Length}} {
		if *f.to, err = k.measure(f.flag, f.kind, f.bare); err != nil {
			return err
		}
	}
	size, err := partRun{k}.box("size")
	if err != nil {
		return err
	}
	switch {
	case size != nil && (p.Diameter != 0 || p.Length != 0):
		return usage("--size is for a box, --diameter and --length for a cylinder").hinted("give one of the two")
	case size != nil:
		p.Shape, p.Size = "box", *size
	case (p.Diameter != 0) != (p.Length != 0):
		return usage("a cylinder needs --diameter and --length")
	case p.Diameter != 0:
		p.Shape, p.Axis = "cylinder", "x"
	}
	if p.CG, err = (partRun{k}).vector("balance"); err != nil {
		return err
	}
	if p.Centre, err = (partRun{k}).vector("centre"); err != nil {
		return err
	}
	for _, text := range k.c.StringSlice("mount") {
		m, err := mountOf(text)
		if err != nil {
			return usage("--mount: %v", err)
		}
		p.Mounts = append(p.Mounts, m)
	}
	if s := k.c.String("quantity"); s != "" {
		if p.Quantity, err = strconv.Atoi(s); err != nil || p.Quantity < 0 {
			return usage("--quantity: %q is not a count", s)
		}
	}
	text, err := library.PartText(p)
	if err != nil {
		return err
	}
	if _, err := preset.ReadAs(k.cat, preset.PartPath(p.File), schema.KindPart, text, nil); err != nil {
		return file.Asked(err) // it is the flags
	}
	if err := k.addSheets([]library.NewFile{{Path: preset.PartPath(p.File), Text: text, What: "part " + p.File}}, "Add"); err != nil {
		return err
	}
	partRun{k}.sayUnknownBalance(p)
	return nil
}

// sayUnknownBalance tells what a part without a balance point leaves unknown.
func (k partRun) sayUnknownBalance(p preset.ShopPart) {
	if p.CG == nil && !k.dryRun() {
		k.say("no balance point: centre of gravity and marks of its builds stay unknown\nTry: rigkeep edit part:%s", p.File)
	}
}

func runPartAdd(k *invocation) error {
	var files []library.NewFile
	for _, arg := range k.args {
		name, data, err := k.readInput(arg)
		if err != nil {
			return err
		}
		p, err := preset.ReadPart(k.cat, name, data)
		if err != nil {
			return err
		}
		slug := schema.CanonicalName(strings.TrimSuffix(filepath.Base(name), ".toml"))
		if name == "standard input" {
			slug = schema.Slug(p.Name)
		}
		if !preset.IsName(slug) {
			return usage("%q cannot be the file of a part", slug).hinted("rename the file: lower-case letters, digits, dash and underscore")
		}
		files = append(files, library.NewFile{Path: preset.PartPath(slug), Text: data, What: "part " + slug})
	}
	return k.addSheets(files, "Add")
}

type jsonShopPart struct {
	Part     string       `json:"part"`
	Name     string       `json:"name"`
	Slot     string       `json:"slot,omitempty"`
	Mass     float64      `json:"mass_kg"`
	Shape    string       `json:"shape,omitempty"`
	Size     []float64    `json:"size_m,omitempty"` // a box's edges; a cylinder's diameter and length
	Balance  *[3]float64  `json:"balance_m"`        // from the seat; null is unknown
	Centre   *[3]float64  `json:"centre_m,omitempty"`
	Mounts   []jsonMount  `json:"mounts"`
	Quantity *int         `json:"quantity,omitempty"`
	Owner    string       `json:"owner,omitempty"`
	Note     string       `json:"note,omitempty"`
	Used     []jsonUsedBy `json:"used_by,omitempty"`
}

type jsonMount struct {
	Name  string     `json:"mount"`
	At    [3]float64 `json:"at_m"`
	Takes []string   `json:"takes"`
}

type jsonUsedBy struct {
	Rig   string `json:"rig"`
	Alias string `json:"alias"`
}

func jsonShopPartOf(p preset.ShopPart) jsonShopPart {
	j := jsonShopPart{Part: p.File, Name: p.Name, Slot: p.Slot, Mass: p.Mass, Shape: p.Shape, Balance: p.CG, Centre: p.Centre, Mounts: []jsonMount{}, Owner: p.Owner, Note: p.Note}
	switch p.Shape {
	case "box":
		j.Size = p.Size[:]
	case "cylinder", "tube", "sphere":
		j.Size = []float64{p.Diameter, p.Length}
	}
	for _, m := range p.Mounts {
		j.Mounts = append(j.Mounts, jsonMount{m.Name, m.At, append([]string{}, m.Takes...)})
	}
	if p.Quantity >= 0 {
		j.Quantity = &p.Quantity
	}
	return j
}

// partSize shows the size of a part in words.
func (u units) partSize(p preset.Part) string {
	n := func(v float64) string { return strings.TrimSuffix(u.m(v), " "+u.length) }
	switch p.Shape {
	case "box":
		return n(p.Size[0]) + " × " + n(p.Size[1]) + " × " + n(p.Size[2])
	case "cylinder", "tube":
		return "ø " + n(p.Diameter) + " × " + n(p.Length)
	case "sphere":
		return "ø " + n(p.Diameter)
	}
	return ""
}

func (u units) place(v *[3]float64) string {
	if v == nil {
		return "unknown"
	}
	var out []string
	for _, x := range v {
		out = append(out, strings.TrimSuffix(u.m(x), " "+u.length))
	}
	return strings.Join(out, ", ")
}

// encodeParts prints parts as JSON.
func (k partRun) encodeParts(parts []preset.ShopPart) error {
	rows := []jsonShopPart{}
	for _, p := range parts {
		rows = append(rows, jsonShopPartOf(p))
	}
	return k.encode(struct {
		Format int            `json:"format"`
		Parts  []jsonShopPart `json:"parts"`
	}{1, rows})
}

func runPartList(k *invocation) error {
	parts, err := k.lib.Builds().Parts()
	if err != nil {
		return err
	}
	if slot := k.c.String("slot"); slot != "" {
		parts = slices.DeleteFunc(parts, func(p preset.ShopPart) bool { return !strings.EqualFold(p.Slot, slot) })
	}
	if k.json() {
		return partRun{k}.encodeParts(parts)
	}
	if len(parts) == 0 {
		k.say("no parts\nTry: rigkeep part import FILE.csv --dry-run")
		return nil
	}
	u := k.units()
	t := table{head: true, right: map[int]bool{2: true, 4: true}}
	t.add("part", "slot", "mass", "size, "+u.length, "qty", "balances at, "+u.length)
	for _, p := range parts {
		qty := ""
		if p.Quantity >= 0 {
			qty = strconv.Itoa(p.Quantity)
		}
		t.add(p.File, p.Slot, u.kg(p.Mass), u.partSize(p.Part), qty, u.place(p.CG))
	}
	t.dropEmpty()
	k.write(t.render(k.paint, "", k.wide))
	return nil
}

func runPartShow(k *invocation) error {
	name, err := k.lib.Builds().FindPart(k.args[0])
	if err != nil {
		return err
	}
	p, err := k.lib.Builds().Part("", name)
	if err != nil {
		return err
	}
	users, err := k.lib.Builds().Users(name)
	if err != nil {
		return err
	}
	if k.json() {
		j := jsonShopPartOf(p)
		for _, r := range users {
			j.Used = append(j.Used, jsonUsedBy{r.Fingerprint, r.Alias})
		}
		return k.encode(struct {
			Format int `json:"format"`
			jsonShopPart
		}{1, j})
	}
	u := k.units()
	k.printf("%s  %s\n", k.paint.bold(p.File), safe.Line(p.Name))
	t := table{}
	row := func(what, text string) {
		if text != "" {
			t.add(what, text)
		}
	}
	row("slot", p.Slot)
	row("mass", u.kg(p.Mass))
	if s := u.partSize(p.Part); s != "" {
		row("size", s+" "+u.length)
	}
	balance := (&domain.Unknown{Needs: "the balance point", Key: "cg_mm", Do: "find where it balances on an edge, and measure from its seat"}).Error()
	if p.CG != nil {
		balance = u.place(p.CG) + " " + u.length + " from its seat (forward, left, up)"
	}
	row("balances at", balance)
	for _, m := range p.Mounts {
		at := [3]float64(m.At)
		text := u.place(&at) + " " + u.length
		if len(m.Takes) > 0 {
			text += ", takes " + strings.Join(m.Takes, ", ")
		}
		row("mount "+m.Name, text)
	}
	if p.Quantity >= 0 {
		row("quantity", strconv.Itoa(p.Quantity))
	}
	row("owner", p.Owner)
	row("note", p.Note)
	var aliases []string
	for _, r := range users {
		aliases = append(aliases, r.Alias)
	}
	used := "no rig"
	if aliases != nil {
		used = strings.Join(aliases, ", ")
	}
	row("used by", used)
	k.write(t.render(k.paint, "  ", k.wide))
	return nil
}

func runPartImport(k *invocation) error {
	name, tab, err := k.readTable(k.args[0])
	if err != nil {
		return err
	}
	cols := partlist.Guess(tab.Header)
	for _, how := range k.c.StringSlice("map") {
		if err := partlist.Map(cols, how); err != nil {
			return usage("--map: %v", err)
		}
	}
	skip, err := k.skippedLines()
	if err != nil {
		return err
	}
	rows, faults := partlist.Read(tab, cols, skip)
	files, more := partRun{k}.newParts(rows)
	faults = append(faults, more...)
	if k.dryRun() {
		partRun{k}.showImport(name, cols, rows)
	}
	if k.dryRun() || faults != nil {
		partRun{k}.showSaid(rows)
	}
	if faults != nil {
		return badRows(name, faults)
	}
	what := schema.Count(len(files), "part", "parts")
	if k.dryRun() {
		for _, f := range files {
			k.recordResult("", "", "", f.Path)
		}
		k.printf("would add %s\n", what)
		return nil
	}
	rev, err := k.addFiles(files, k.why("Take in "+what+" from "+filepath.Base(name)))
	if err != nil {
		return err
	}
	partRun{k}.showSaid(rows)
	k.printf("took in %s\nsaved as %s\n", what, rev.Short())
	k.say("Try: rigkeep part list")
	return nil
}

// newParts are the files of the parts of a table, for AddFiles. A part that is in the library
// already is a fault.
func (k partRun) newParts(rows []partlist.Row) (files []library.NewFile, faults []csvtable.Fault) {
	for _, r := range rows {
		text, err := library.PartText(r.Part)
		if err == nil {
			_, err = preset.ReadAs(k.cat, preset.PartPath(r.Part.File), schema.KindPart, text, nil)
		}
		if err != nil {
			faults = append(faults, csvtable.Fault{Line: r.Line, What: err.Error(), Fix: "correct the row"})
			continue
		}
		if there, err := k.lib.Builds().Part("", r.Part.File); err == nil {
			faults = append(faults, csvtable.Fault{Line: r.Line, What: "part " + r.Part.File + " is in the library already, with " + k.units().kg(there.Mass),
				Fix: fmt.Sprintf("leave the row out with --skip %d, or change the part: rigkeep edit part:%s", r.Line, r.Part.File)})
			continue
		}
		files = append(files, library.NewFile{Path: preset.PartPath(r.Part.File), Text: text, What: "part " + r.Part.File})
	}
	return files, faults
}

// showSaid shows how cells were read, and what stays unknown.
func (k partRun) showSaid(rows []partlist.Row) {
	for _, r := range rows {
		for _, s := range r.Said {
			k.write(wrap(fmt.Sprintf("line %d, %s: %s", r.Line, r.Part.File, safe.Line(s)), "", k.wide))
		}
	}
}

// showImport shows what each column is taken for, and the parts as they would be.
func (k partRun) showImport(name string, cols []partlist.Column, rows []partlist.Row) {
	u := k.units()
	var taken, left []string
	for _, c := range cols {
		s := c.Header + " = " + string(c.Field)
		if c.Unit != "" {
			s += ", " + c.Unit
		}
		if c.Field == partlist.Skip {
			left = append(left, c.Header)
			continue
		}
		taken = append(taken, s)
	}
	k.write(wrap("columns: "+safe.Line(strings.Join(taken, "; ")), "", k.wide))
	if left != nil {
		k.write(wrap("not taken: "+safe.Line(strings.Join(left, ", ")), "", k.wide))
	}
	if len(rows) == 0 {
		return
	}
	t := table{head: true, right: map[int]bool{0: true, 3: true}}
	t.add("line", "part", "slot", "mass", "size, "+u.length, "balances at, "+u.length)
	for _, r := range rows {
		t.add(strconv.Itoa(r.Line), r.Part.File, r.Part.Slot, u.kg(r.Part.Mass), u.partSize(r.Part.Part), u.place(r.Part.CG))
	}
	k.write(t.render(k.paint, "", k.wide))
	var mounts []string
	for _, r := range rows {
		for _, m := range r.Part.Mounts {
			mounts = append(mounts, r.Part.File+"."+m.Name)
		}
	}
	if mounts != nil {
		k.write(wrap("mounts proposed from sizes: "+strings.Join(mounts, ", "), "", k.wide))
	}
}

func runPartExport(k *invocation) error {
	parts, err := k.lib.Builds().Parts()
	if err != nil {
		return err
	}
	if k.json() {
		return partRun{k}.encodeParts(parts)
	}
	text := partlist.Write(parts)
	if len(k.args) == 0 || k.args[0] == "-" {
		k.write(text)
		return nil
	}
	if err := createFile(k.path(k.args[0]), []byte(text)); err != nil {
		return err
	}
	k.say("wrote %s to %s", schema.Count(len(parts), "part", "parts"), k.args[0])
	return nil
}
