package library

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/csvtable"
	"rigkeep/preset/file"
	"rigkeep/preset/unit"
	"rigkeep/schema"
)

// ImportOptions say how a table of tunes is read.
type ImportOptions struct {
	Name   string            // of the file, for notes and faults
	Gimbal string            // of rows that name none, "" for none
	Map    map[string]string // column, or its number from 1, to what it is: see ImportFields; or a key of a tune
	Skip   []int             // rows left out, by line
}

// ImportFields are the columns of a table of tunes beside the values.
var ImportFields = []string{"rig", "tune", "gimbal", "mass", "date", "source", "by", "note", "skip"}

// importWords are what people write above those columns.
var importWords = map[string]string{
	"rig": "rig", "build": "rig", "name": "rig", "camera": "rig", "alias": "rig", "set up": "rig", "setup": "rig",
	"tune": "tune", "gimbal": "gimbal", "head": "gimbal", "stabiliser": "gimbal", "stabilizer": "gimbal",
	"mass": "mass", "weight": "mass", "payload": "mass", "date": "date", "day": "date", "when": "date",
	"source": "source", "from": "source", "by": "by", "person": "by", "operator": "by", "who": "by",
	"note": "note", "notes": "note", "remark": "note", "remarks": "note", "comment": "note", "comments": "note",
}

// Imported is one row of a table of tunes.
type Imported struct {
	Line      int
	Rig, Tune string
	Gimbal    string
	Mass      float64 // kg; that of the rig where it is in the library
	New       bool    // the rig comes with it
	Values    map[string]any
	Note      string
	Files     []NewFile
	Said      []string
}

// ImportTunes reads rigs with their values from a table, for AddFiles. A rig that the library does
// not have is made of one part of the given mass; one that it has gets a tune that it does not
// have. Date, source and person go into the note, and nothing becomes a proof. Where there is a
// fault nothing should be taken.
//
// Errors: csvtable.Fault for each column and cell that cannot be read; others for a map that
// names no column.
func (l Editor) ImportTunes(t *csvtable.Table, o ImportOptions) (rows []Imported, faults []csvtable.Fault, err error) {
	f := &tuneImport{lib: l.Library, ImportOptions: o, table: t, first: map[string]int{}, builds: map[string]Build{}}
	if f.as, f.units, err = importColumns(t.Header, o.Map); err != nil {
		return nil, nil, err
	}
	if !slices.Contains(f.as, "rig") {
		f.fault(1, "", "no column names the rig", "name one: --map COLUMN=rig")
		return nil, f.faults, nil
	}
	f.known = make([]bool, len(f.as))
	for i, a := range f.as {
		if a == "" || !slices.Contains(ImportFields, a) {
			f.keyed = append(f.keyed, i)
		}
	}
	for _, r := range t.Rows {
		if slices.Contains(o.Skip, r.Line) {
			continue
		}
		if x, ok := f.row(r); ok {
			rows = append(rows, x)
		}
	}
	if len(rows)+len(f.faults) == 0 {
		f.fault(0, "", "the table has no row to import", "")
	}
	for _, i := range f.keyed {
		if !f.known[i] && f.as[i] == "" && len(t.Rows) > 0 && len(f.first) > 0 {
			f.fault(1, t.Header[i], "the column is not known", fmt.Sprintf("say what it is, or leave it out: --map %q or --map %q", t.Header[i]+"=KEY", t.Header[i]+"=skip"))
		}
	}
	slices.SortStableFunc(f.faults, func(a, b csvtable.Fault) int { return a.Line - b.Line })
	return rows, f.faults, nil
}

// tuneImport is a table of tunes on its way into a library.
type tuneImport struct {
	lib *Library
	ImportOptions
	table  *csvtable.Table
	as     []string         // what each column is
	units  []string         // of each column
	keyed  []int            // columns that may be values
	known  []bool           // of a column: some gimbal knows its key
	first  map[string]int   // rig/tune, and rig/ of a new rig, to the line that has it
	builds map[string]Build // rigs that the table makes
	faults []csvtable.Fault
}

func (f *tuneImport) fault(line int, column, what, fix string) {
	f.faults = append(f.faults, csvtable.Fault{Line: line, Column: column, What: what, Fix: fix})
}

// cell is what a row says of a field, and the column that says it.
func (f *tuneImport) cell(r csvtable.Row, field string) (text, column string) {
	for i, a := range f.as {
		if a == field {
			return r.Cells[i], f.table.Header[i]
		}
	}
	return "", field
}

// row reads one row; not ok where it has a fault.
func (f *tuneImport) row(r csvtable.Row) (Imported, bool) {
	before := len(f.faults)
	x := Imported{Line: r.Line, Values: map[string]any{}}
	sheet, rr, there, ok := f.names(r, &x)
	if !ok {
		return x, false
	}
	f.mass(r, &x)
	rig, ok := f.build(r, &x, rr, there)
	if !ok {
		return x, false
	}
	d := &Loaded{Ref: Ref{Rig: x.Rig, Tune: x.Tune}, Rig: rig, Sheet: sheet}
	edits := f.values(r, &x, d)
	if len(f.faults) > before {
		return x, false
	}
	note := []string{fmt.Sprintf("Imported from %s, line %d.", f.Name, r.Line)}
	for _, w := range []struct{ field, word string }{{"date", "Date: "}, {"source", "Source: "}, {"by", "By: "}, {"note", ""}} {
		if s, _ := f.cell(r, w.field); s != "" {
			note = append(note, w.word+strings.TrimRight(strings.Join(strings.Fields(s), " "), ".")+".")
		}
	}
	x.Note = strings.Join(note, " ")
	if len(edits) == 0 {
		x.Said = append(x.Said, "no values: the rig alone is made")
		if !x.New {
			f.fault(r.Line, "", "the row has no values, and its rig is in the library", fmt.Sprintf("leave it out with --skip %d", r.Line))
		}
		return x, x.New
	}
	e, err := f.lib.Edits().newTune(d, append(edits, file.Edit{Key: "note", Value: x.Note}))
	if err != nil {
		f.fault(r.Line, "", err.Error(), "")
		return x, false
	}
	x.Files = append(x.Files, NewFile{Path: e.Path, Text: e.After.Text(), What: "tune " + d.Label()})
	return x, true
}

// names reads which rig, tune and gimbal a row is of; there says that the library has the rig.
func (f *tuneImport) names(r csvtable.Row, x *Imported) (sheet *schema.Sheet, rr RigRef, there, ok bool) {
	name, col := f.cell(r, "rig")
	if x.Rig = schema.Slug(name); !preset.IsName(x.Rig) {
		f.fault(r.Line, col, fmt.Sprintf("%q cannot be the name of a rig", name), "write a short name of letters and digits, such as a-cam-85")
		return nil, rr, there, false
	}
	tune, col := f.cell(r, "tune")
	if x.Tune = cmp.Or(schema.Slug(tune), preset.MainTune); !preset.IsName(x.Tune) {
		f.fault(r.Line, col, fmt.Sprintf("%q cannot be the name of a tune", tune), "write a short name")
	}
	gimbal, col := f.cell(r, "gimbal")
	x.Gimbal = schema.Slug(gimbal)
	rr, there = f.lib.Names().Named(x.Rig)
	if there && x.Gimbal == "" {
		x.Gimbal = rr.Gimbal
	}
	x.Gimbal = cmp.Or(x.Gimbal, f.Gimbal)
	if x.Gimbal == "" {
		f.fault(r.Line, col, "no gimbal is named", "fill it in, or give one for all: --gimbal NAME")
		return nil, rr, there, false
	}
	sheet, err := f.lib.Sheet("", x.Gimbal)
	if err != nil {
		f.fault(r.Line, col, err.Error(), "")
		return nil, rr, there, false
	}
	if there && rr.Gimbal != x.Gimbal {
		f.fault(r.Line, col, fmt.Sprintf("the rig %s is in the library, on %s", x.Rig, rr.Gimbal), "correct the gimbal, or give the row another rig")
		return nil, rr, there, false
	}
	if line, ok := f.first[x.Rig+"/"+x.Tune]; ok {
		f.fault(r.Line, "", fmt.Sprintf("the rig %s stands on line %d already", x.Rig, line), fmt.Sprintf("leave one out with --skip %d, or tell them apart in a column tune", r.Line))
		return nil, rr, there, false
	}
	f.first[x.Rig+"/"+x.Tune] = r.Line
	return sheet, rr, there, true
}

// mass reads the mass of a row's rig.
func (f *tuneImport) mass(r csvtable.Row, x *Imported) {
	mass, col := f.cell(r, "mass")
	if mass != "" {
		u := ""
		if i := slices.Index(f.as, "mass"); i >= 0 {
			u = f.units[i]
		}
		kg, err := massOf(mass, u)
		if err != nil {
			f.fault(r.Line, col, err.Error(), "")
		}
		x.Mass = kg
	}
}

// build is the rig that a row's tune is for: the library's, one that a row above made, or one of a single part.
func (f *tuneImport) build(r csvtable.Row, x *Imported, rr RigRef, there bool) (rig preset.Rig, ok bool) {
	mass, col := f.cell(r, "mass")
	var err error
	switch made, again := f.builds[x.Rig]; {
	case there:
		if rig, err = f.lib.Rig("", rr.Fingerprint); err != nil {
			f.fault(r.Line, "", err.Error(), "")
			return rig, false
		}
		has := rig.Mass()
		if x.Mass > 0 && (x.Mass-has > 0.005+has/100 || has-x.Mass > 0.005+has/100) {
			x.Said = append(x.Said, fmt.Sprintf("the rig weighs %s kg in the library, %s kg here: the library's counts", schema.Num(has), schema.Num(x.Mass)))
		}
		x.Mass = has
		if names, _ := f.lib.Tunes(rr.Fingerprint); slices.Contains(names, x.Tune) {
			f.fault(r.Line, "", fmt.Sprintf("%s has a tune %s already", x.Rig, x.Tune), fmt.Sprintf("leave the row out with --skip %d, or name another tune in a column tune", r.Line))
			return rig, false
		}
	case again:
		rig = made.Rig
		if x.Mass > 0 && x.Mass != rig.Mass() || rig.Gimbal != x.Gimbal {
			f.fault(r.Line, "", fmt.Sprintf("%s has another mass or gimbal on line %d", x.Rig, f.first[x.Rig+"/"]), "correct one of them, or give it another name")
			return rig, false
		}
		x.Mass = rig.Mass()
	case mass == "":
		f.fault(r.Line, col, fmt.Sprintf("the rig %s is not in the library, and no mass is given", x.Rig), "weigh the build, or make the rig first: rigkeep rig new "+x.Rig)
		return rig, false
	case x.Mass > 0:
		b, err := f.lib.Builds().MassBuild(x.Rig, x.Gimbal, x.Mass, nil, nil)
		if err != nil {
			f.fault(r.Line, "", err.Error(), "")
			return rig, false
		}
		f.builds[x.Rig], f.first[x.Rig+"/"] = b, r.Line
		rig, x.New = b.Rig, true
		x.Files = append(x.Files, NewFile{Path: preset.RigPath(rig.ID), Text: b.Text, What: "rig " + x.Rig + " (" + rig.ID + ")"})
	}
	return rig, true
}

// values reads the values of a row that the rig's gimbal knows.
func (f *tuneImport) values(r csvtable.Row, x *Imported, d *Loaded) []file.Edit {
	var edits []file.Edit
	from := map[string]string{}
	for _, i := range f.keyed {
		head := cmp.Or(f.as[i], f.table.Header[i])
		key, err := f.lib.Edits().importKey(head, d)
		if err != nil {
			if r.Cells[i] != "" && f.as[i] != "" {
				f.fault(r.Line, f.table.Header[i], "for "+err.Error(), "")
			}
			continue
		}
		f.known[i] = true
		if r.Cells[i] == "" {
			continue
		}
		if other, twice := from[key]; twice {
			f.fault(r.Line, f.table.Header[i], fmt.Sprintf("it means %s, as %s does", key, other), fmt.Sprintf("leave one out: --map %q", f.table.Header[i]+"=skip"))
			continue
		}
		from[key] = f.table.Header[i]
		v, err := f.lib.Edits().value(schema.KindTune, Assign{Key: key, Text: strings.ReplaceAll(r.Cells[i], "\u2212", "-")})
		if err == nil {
			for _, p := range f.lib.Cat.CheckValue(key, v, d.Sheet) {
				if p.Warning {
					x.Said = append(x.Said, f.table.Header[i]+": "+p.What)
				} else if err == nil {
					err = errors.New(p.Error())
				}
			}
		}
		if err != nil {
			f.fault(r.Line, f.table.Header[i], "for "+err.Error(), "")
			continue
		}
		x.Values[key] = v
		edits = append(edits, file.Edit{Key: key, Value: v})
	}
	return edits
}

// importKey is the key that a header means on a gimbal: as a person types it, or with blanks and
// dashes for the dots ("stiffness pan", "walk lag pan").
func (l Editor) importKey(head string, d *Loaded) (string, error) {
	head, _ = cutUnit(head)
	key, err := l.Key(head, d)
	if err != nil {
		if k, err2 := l.Key(strings.Join(strings.FieldsFunc(strings.ToLower(head), func(r rune) bool { return strings.ContainsRune(" ._-/", r) }), "."), d); err2 == nil {
			key, err = k, nil
		}
	}
	if err == nil {
		if _, ok := l.Cat.Param(key); !ok {
			err = fmt.Errorf("%s is not a value of a tune", key)
		}
	}
	return key, err
}

// importColumns says what each column is: a field, a key that was given for it, or "" for one
// whose header is to be read as a key; and the unit in its header.
func importColumns(header []string, how map[string]string) (as, units []string, err error) {
	as, units = make([]string, len(header)), make([]string, len(header))
	taken := map[string]bool{}
	given := map[int]bool{}
	for column, what := range how {
		i := slices.IndexFunc(header, func(h string) bool { return strings.EqualFold(h, column) })
		if n := 0; i < 0 {
			if _, err := fmt.Sscanf(column, "%d", &n); err == nil && n >= 1 && n <= len(header) && fmt.Sprint(n) == column {
				i = n - 1
			}
		}
		if i < 0 {
			return nil, nil, fmt.Errorf("unknown column %q; the table has %s", column, strings.Join(header, ", "))
		}
		as[i], given[i] = what, true
		taken[what] = taken[what] || what != "skip"
	}
	for i, h := range header {
		name, u := cutUnit(h)
		units[i] = u
		if f := importWords[strings.ToLower(name)]; f != "" && !given[i] && !taken[f] {
			as[i], taken[f] = f, true
		}
	}
	return as, units, nil
}

// cutUnit parts "Weight [g]" and "Weight (g)".
func cutUnit(head string) (name, u string) {
	for _, b := range []string{"[]", "()"} {
		if i := strings.IndexByte(head, b[0]); i > 0 && strings.HasSuffix(strings.TrimSpace(head), b[1:]) {
			return strings.TrimSpace(head[:i]), strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(head[i+1:]), b[1:]))
		}
	}
	return strings.TrimSpace(head), ""
}

// massOf reads a mass in kg; u is the unit of its column, "" for none.
func massOf(cell, u string) (float64, error) {
	if u != "" && !slices.Contains(unit.Names(unit.Mass), u) {
		u = strings.ToLower(u)
	}
	v, err := unit.ParseIn(unit.Mass, strings.ReplaceAll(cell, "\u2212", "-"), u)
	if err != nil {
		return 0, err
	}
	if !(v > 0 && v <= 100) {
		return 0, fmt.Errorf("%s is not the mass of a build: above 0 and at most 100 kg", cell)
	}
	return v, nil
}
