package main

import (
	"path/filepath"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/preset"
	"rigkeep/preset/csvtable"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func importVerb() command {
	return command{
		name: "import", args: "FILE.csv", short: "rigs and values from a spreadsheet",
		long: "Each row is a rig: its name, gimbal and mass, and a column for each value, under its key, its short key or what the controller calls it. A rig that is not in the library is made from its mass. " +
			"Date, source and person go into the note; nothing imported is a proof. Nothing is imported while any row has a fault.",
		example: "rigkeep import tunes.csv --dry-run\nrigkeep import tunes.csv --gimbal quay-large --map \"Pan hold=pan\" --skip 4",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "gimbal", Usage: "the `GIMBAL` of rows that name none"},
			&cli.StringSliceFlag{Name: "map", Usage: "what a column is, `COLUMN=WHAT`: rig, tune, gimbal, mass, date, source, by, note, skip or a key; repeatable"},
			&cli.StringSliceFlag{Name: "skip", Usage: "leave out the row on this `LINE`; repeatable"}, messageFlag(),
		},
		changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"file"}, run: runImport,
	}
}

func runImport(k *invocation) error {
	name, tab, err := k.readTable(k.args[0])
	if err != nil {
		return err
	}
	o := library.ImportOptions{Name: filepath.Base(name), Gimbal: schema.CanonicalName(k.c.String("gimbal")), Map: map[string]string{}}
	for _, how := range k.c.StringSlice("map") {
		i := strings.LastIndexByte(how, '=')
		if i <= 0 || i == len(how)-1 {
			return usage("--map: %q is not COLUMN=WHAT", how)
		}
		o.Map[strings.TrimSpace(how[:i])] = strings.TrimSpace(how[i+1:])
	}
	if o.Skip, err = k.skippedLines(); err != nil {
		return err
	}
	rows, faults, err := k.lib.Edits().ImportTunes(tab, o)
	if err != nil {
		return usage("--map: %v", err)
	}
	var files []library.NewFile
	rigs := 0
	for _, r := range rows {
		files = append(files, r.Files...)
		if r.New {
			rigs++
		}
	}
	if k.dryRun() || faults != nil {
		k.showTunes(rows)
	}
	if faults != nil {
		return badRows(name, faults)
	}
	what := schema.Count(len(files)-rigs, "tune", "tunes") + " and " + schema.Count(rigs, "new rig", "new rigs")
	if k.dryRun() {
		for _, f := range files {
			k.recordResult("", "", "", f.Path)
		}
		k.printf("would add %s; nothing of it is proved\n", what)
		return nil
	}
	rev, err := k.addFiles(files, k.why("Import "+what+" from "+o.Name))
	if err != nil {
		return err
	}
	k.showTunes(rows)
	k.printf("took in %s, saved as %s; nothing of it is proved\n", what, rev.Short())
	if len(rows) > 0 {
		k.say("Try: rigkeep show %s", rows[0].Rig)
	}
	return nil
}

// readTable reads a table of an argument.
func (k *invocation) readTable(arg string) (name string, tab *csvtable.Table, err error) {
	name, data, err := k.readInput(arg)
	if err != nil {
		return "", nil, err
	}
	if tab, err = csvtable.Read(data); err != nil {
		return "", nil, usage("%s: %v", name, err)
	}
	return name, tab, nil
}

// skippedLines reads --skip.
func (k *invocation) skippedLines() ([]int, error) {
	var out []int
	for _, s := range k.c.StringSlice("skip") {
		n, err := strconv.Atoi(s)
		if err != nil || n < 2 {
			return nil, usage("--skip: %q is not the line of a row", s)
		}
		out = append(out, n)
	}
	return out, nil
}

// badRows says what is wrong with a table of which nothing is taken in.
func badRows(name string, faults []csvtable.Fault) error {
	var lines []string
	for _, f := range faults {
		lines = append(lines, name+": "+f.Error())
	}
	return usage("%s", strings.Join(lines, "\n")).hinted("nothing changed")
}

// addFiles saves new files as one revision.
func (k *invocation) addFiles(files []library.NewFile, subject string) (store.Rev, error) {
	who, err := k.who()
	if err != nil {
		return "", err
	}
	ctx, stop := k.ctx()
	defer stop()
	rev, err := k.lib.Edits().AddFiles(ctx, files, subject, who, k.Now())
	if err != nil {
		return "", err
	}
	for _, f := range files {
		k.recordResult(rev, subject, "", f.Path)
	}
	return rev, nil
}

// showTunes lists what a table holds, a line a row.
func (k *invocation) showTunes(rows []library.Imported) {
	if len(rows) == 0 {
		return
	}
	u := k.units()
	t := table{head: true, right: map[int]bool{0: true, 3: true}}
	t.add("line", "rig", "gimbal", "mass", "values")
	for _, r := range rows {
		var values []string
		for _, key := range (preset.Tune{Values: r.Values}).Keys() {
			values = append(values, strings.TrimPrefix(strings.TrimPrefix(key, "stiffness."), "filters.")+" "+valueText(r.Values[key]))
		}
		rig := r.Rig
		if r.Tune != preset.MainTune {
			rig += "/" + r.Tune
		}
		if r.New {
			rig += " (new)"
		}
		t.add(strconv.Itoa(r.Line), rig, r.Gimbal, u.kg(r.Mass), strings.Join(append(values, r.Said...), ", "))
	}
	k.write(t.render(k.paint, "", k.wide))
}
