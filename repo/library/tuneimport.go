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
func (l *Library) ImportTunes(t *csvtable.Table, o ImportOptions) (rows []Imported, faults []csvtable.Fault, err error) {
	as, units, err := importColumns(t.Header, o.Map)
	if err != nil {
		return nil, nil, err
	}
	fault := func(line int, column, what, fix string) {
		faults = append(faults, csvtable.Fault{Line: line, Column: column, What: what, Fix: fix})
	}
	if !slices.Contains(as, "rig") {
		fault(1, "", "no column names the rig", "name one: --map COLUMN=rig")
		return nil, faults, nil
	}
	known := make([]bool, len(as)) // a column whose key some gimbal knows
	first := map[string]int{}      // rig/tune to the line that has it
	builds := map[string]Build{}
	var keyed []int
	for i, a := range as {
		if a == "" || !slices.Contains(ImportFields, a) {
			keyed = append(keyed, i)
		}
	}
	for _, r := range t.Rows {
		if slices.Contains(o.Skip, r.Line) {
			continue
		}
		cell := func(field string) (string, string) {
			for i, a := range as {
				if a == field {
					return r.Cells[i], t.Header[i]
				}
			}
			return "", field
		}
		before := len(faults)
		x := Imported{Line: r.Line, Values: map[string]any{}}
		name, col := cell("rig")
		if x.Rig = schema.Slug(name); !preset.IsName(x.Rig) {
			fault(r.Line, col, fmt.Sprintf("%q cannot be the name of a rig", name), "write a short name of letters and digits, such as a-cam-85")
			continue
		}
		tune, col := cell("tune")
		if x.Tune = cmp.Or(schema.Slug(tune), preset.MainTune); !preset.IsName(x.Tune) {
			fault(r.Line, col, fmt.Sprintf("%q cannot be the name of a tune", tune), "write a short name")
		}
		gimbal, col := cell("gimbal")
		x.Gimbal = schema.Slug(gimbal)
		rr, there := l.Named(x.Rig)
		if there && x.Gimbal == "" {
			x.Gimbal = rr.Gimbal
		}
		x.Gimbal = cmp.Or(x.Gimbal, o.Gimbal)
		if x.Gimbal == "" {
			fault(r.Line, col, "no gimbal is named", "fill it in, or give one for all: --gimbal NAME")
			continue
		}
		sheet, err := l.Sheet("", x.Gimbal)
		if err != nil {
			fault(r.Line, col, err.Error(), "")
			continue
		}
		if there && rr.Gimbal != x.Gimbal {
			fault(r.Line, col, fmt.Sprintf("the rig %s is in the library, on %s", x.Rig, rr.Gimbal), "correct the gimbal, or give the row another rig")
			continue
		}
		if line, ok := first[x.Rig+"/"+x.Tune]; ok {
			fault(r.Line, "", fmt.Sprintf("the rig %s stands on line %d already", x.Rig, line), fmt.Sprintf("leave one out with --skip %d, or tell them apart in a column tune", r.Line))
			continue
		}
		first[x.Rig+"/"+x.Tune] = r.Line
		mass, col := cell("mass")
		if mass != "" {
			u := ""
			if i := slices.Index(as, "mass"); i >= 0 {
				u = units[i]
			}
			kg, err := massOf(mass, u)
			if err != nil {
				fault(r.Line, col, err.Error(), "")
			}
			x.Mass = kg
		}
		var rig preset.Rig
		switch made, again := builds[x.Rig]; {
		case there:
			if rig, err = l.Rig("", rr.Fingerprint); err != nil {
				fault(r.Line, "", err.Error(), "")
				continue
			}
			has := rig.Mass()
			if x.Mass > 0 && (x.Mass-has > 0.005+has/100 || has-x.Mass > 0.005+has/100) {
				x.Said = append(x.Said, fmt.Sprintf("the rig weighs %s kg in the library, %s kg here: the library's counts", schema.Num(has), schema.Num(x.Mass)))
			}
			x.Mass = has
			if names, _ := l.Tunes(rr.Fingerprint); slices.Contains(names, x.Tune) {
				fault(r.Line, "", fmt.Sprintf("%s has a tune %s already", x.Rig, x.Tune), fmt.Sprintf("leave the row out with --skip %d, or name another tune in a column tune", r.Line))
				continue
			}
		case again:
			rig = made.Rig
			if x.Mass > 0 && x.Mass != rig.Mass() || rig.Gimbal != x.Gimbal {
				fault(r.Line, "", fmt.Sprintf("%s has another mass or gimbal on line %d", x.Rig, first[x.Rig+"/"]), "correct one of them, or give it another name")
				continue
			}
			x.Mass = rig.Mass()
		case mass == "":
			fault(r.Line, col, fmt.Sprintf("the rig %s is not in the library, and no mass is given", x.Rig), "weigh the build, or make the rig first: rigkeep rig new "+x.Rig)
			continue
		case x.Mass > 0:
			b, err := l.MassBuild(x.Rig, x.Gimbal, x.Mass, nil, nil)
			if err != nil {
				fault(r.Line, "", err.Error(), "")
				continue
			}
			builds[x.Rig], first[x.Rig+"/"] = b, r.Line
			rig, x.New = b.Rig, true
			x.Files = append(x.Files, NewFile{Path: preset.RigPath(rig.ID), Text: b.Text, What: "rig " + x.Rig + " (" + rig.ID + ")"})
		}
		d := &Loaded{Ref: Ref{Rig: x.Rig, Tune: x.Tune}, Rig: rig, Sheet: sheet}
		var edits []file.Edit
		from := map[string]string{}
		for _, i := range keyed {
			head := cmp.Or(as[i], t.Header[i])
			key, err := l.importKey(head, d)
			if err != nil {
				if r.Cells[i] != "" && as[i] != "" {
					fault(r.Line, t.Header[i], "for "+err.Error(), "")
				}
				continue
			}
			known[i] = true
			if r.Cells[i] == "" {
				continue
			}
			if other, twice := from[key]; twice {
				fault(r.Line, t.Header[i], fmt.Sprintf("it means %s, as %s does", key, other), fmt.Sprintf("leave one out: --map %q", t.Header[i]+"=skip"))
				continue
			}
			from[key] = t.Header[i]
			v, err := l.value(schema.KindTune, Assign{Key: key, Text: strings.ReplaceAll(r.Cells[i], "\u2212", "-")})
			if err == nil {
				for _, p := range l.Cat.CheckValue(key, v, sheet) {
					if p.Warning {
						x.Said = append(x.Said, t.Header[i]+": "+p.What)
					} else if err == nil {
						err = errors.New(p.Error())
					}
				}
			}
			if err != nil {
				fault(r.Line, t.Header[i], "for "+err.Error(), "")
				continue
			}
			x.Values[key] = v
			edits = append(edits, file.Edit{Key: key, Value: v})
		}
		if len(faults) > before {
			continue
		}
		note := []string{fmt.Sprintf("Imported from %s, line %d.", o.Name, r.Line)}
		for _, f := range []struct{ field, word string }{{"date", "Date: "}, {"source", "Source: "}, {"by", "By: "}, {"note", ""}} {
			if s, _ := cell(f.field); s != "" {
				note = append(note, f.word+strings.TrimRight(strings.Join(strings.Fields(s), " "), ".")+".")
			}
		}
		x.Note = strings.Join(note, " ")
		if len(edits) > 0 {
			e, err := l.newTune(d, append(edits, file.Edit{Key: "note", Value: x.Note}))
			if err != nil {
				fault(r.Line, "", err.Error(), "")
				continue
			}
			x.Files = append(x.Files, NewFile{Path: e.Path, Text: e.After.Text(), What: "tune " + d.Label()})
		} else {
			x.Said = append(x.Said, "no values: the rig alone is made")
			if !x.New {
				fault(r.Line, "", "the row has no values, and its rig is in the library", fmt.Sprintf("leave it out with --skip %d", r.Line))
				continue
			}
		}
		rows = append(rows, x)
	}
	if len(rows)+len(faults) == 0 {
		fault(0, "", "the table has no row to take in", "")
	}
	for _, i := range keyed {
		if !known[i] && as[i] == "" && len(t.Rows) > 0 && len(first) > 0 {
			fault(1, t.Header[i], "the column is not known", fmt.Sprintf("say what it is, or leave it out: --map %q or --map %q", t.Header[i]+"=KEY", t.Header[i]+"=skip"))
		}
	}
	slices.SortStableFunc(faults, func(a, b csvtable.Fault) int { return a.Line - b.Line })
	return rows, faults, nil
}

// importKey is the key that a header means on a gimbal: as a person types it, or with blanks and
// dashes for the dots ("stiffness pan", "walk lag pan").
func (l *Library) importKey(head string, d *Loaded) (string, error) {
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
