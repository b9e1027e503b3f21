// Package partlist reads a shop's list of parts from a table that somebody keeps in a
// spreadsheet, and writes one. Columns are guessed from the header and can be mapped; what a
// row does not say stays unknown, and what is taken for granted is said.
package partlist

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/assembly"
	"rigkeep/preset/csvtable"
	"rigkeep/preset/mass"
	"rigkeep/preset/unit"
	"rigkeep/schema"
)

// Field is what a column holds.
type Field string

// The fields of a list of parts.
const (
	Name     Field = "name"
	Slot     Field = "slot"
	Mass     Field = "mass"
	Length   Field = "length"
	Width    Field = "width"
	Height   Field = "height"
	Diameter Field = "diameter"
	Bore     Field = "bore"
	Balance  Field = "balance" // one number from the seat, the way the part reaches
	BalanceX Field = "balance-forward"
	BalanceY Field = "balance-left"
	BalanceZ Field = "balance-up"
	Quantity Field = "quantity"
	Owner    Field = "owner"
	Note     Field = "note"
	Skip     Field = "-" // the column is not taken
)

// Fields lists them for a message.
var Fields = []Field{Name, Slot, Mass, Length, Width, Height, Diameter, Bore, Balance, BalanceX, BalanceY, BalanceZ, Quantity, Owner, Note, Skip}

// kind is what a field measures, "" for a text or a count.
func (f Field) kind() unit.Kind {
	switch f {
	case Mass:
		return unit.Mass
	case Length, Width, Height, Diameter, Bore, Balance, BalanceX, BalanceY, BalanceZ:
		return unit.Length
	}
	return ""
}

// Column says what one column of a table is taken for.
type Column struct {
	Header string `json:"header"`
	Field  Field  `json:"field"`          // "-" for not taken
	Unit   string `json:"unit,omitempty"` // of its numbers, from the header or the mapping
}

// words of a header and the field that they mean, the longer before the shorter.
var words = []struct {
	word  string
	field Field
}{
	{"balance forward", BalanceX}, {"balance left", BalanceY}, {"balance up", BalanceZ}, {"balance x", BalanceX}, {"balance y", BalanceY}, {"balance z", BalanceZ},
	{"cg x", BalanceX}, {"cg y", BalanceY}, {"cg z", BalanceZ}, {"balance", Balance}, {"centre of gravity", Balance}, {"center of gravity", Balance}, {"cg", Balance}, {"cog", Balance},
	{"bore", Bore}, {"inner diameter", Bore}, {"outer diameter", Diameter}, {"diameter", Diameter}, {"dia", Diameter}, {"ø", Diameter},
	{"length", Length}, {"long", Length}, {"depth", Length}, {"width", Width}, {"wide", Width}, {"height", Height}, {"high", Height},
	{"mass", Mass}, {"weight", Mass}, {"quantity", Quantity}, {"qty", Quantity}, {"count", Quantity}, {"pieces", Quantity}, {"stock", Quantity},
	{"owner", Owner}, {"belongs", Owner}, {"note", Note}, {"notes", Note}, {"remark", Note}, {"remarks", Note}, {"comment", Note},
	{"slot", Slot}, {"kind", Slot}, {"type", Slot}, {"category", Slot}, {"name", Name}, {"part", Name}, {"item", Name}, {"description", Name},
}

// Guess takes each column for what its header says. The first column of a field wins; what
// no word is known for is not taken.
//
// Source: common practice, no source.
func Guess(header []string) []Column {
	out := make([]Column, len(header))
	used := map[Field]bool{}
	for i, h := range header {
		text := " " + strings.Join(strings.FieldsFunc(strings.ToLower(h), func(r rune) bool { return strings.ContainsRune(" \t[](){}/_-.:,", r) }), " ") + " "
		c := Column{Header: h, Field: Skip}
		for _, w := range words {
			if strings.Contains(text, " "+w.word+" ") && !used[w.field] {
				c.Field = w.field
				break
			}
		}
		if k := c.Field.kind(); k != "" {
			fs := strings.Fields(text)
			for j := len(fs) - 1; j >= 0 && c.Unit == ""; j-- {
				c.Unit = unitOf(k, fs[j])
			}
		}
		used[c.Field] = c.Field != Skip
		out[i] = c
	}
	return out
}

// unitOf is the plain name of a unit of a kind, "" for none.
func unitOf(k unit.Kind, s string) string {
	if s == "" || strings.ContainsAny(s, "\"'") {
		return ""
	}
	if _, err := unit.In(k, 1, s); err != nil {
		return ""
	}
	return strings.ToLower(s)
}

// Map changes what a column is taken for: "HEADER=FIELD" or "HEADER=FIELD:UNIT". A column may
// be named by its number, counted from 1.
//
// Errors: for a column, field or unit that does not exist, and a field that two columns hold.
func Map(cols []Column, how string) error {
	head, what, ok := cut(how)
	if !ok {
		return fmt.Errorf("%q is not COLUMN=FIELD or COLUMN=FIELD:UNIT", how)
	}
	i := slices.IndexFunc(cols, func(c Column) bool { return strings.EqualFold(c.Header, head) })
	if n := 0; i < 0 {
		if _, err := fmt.Sscanf(head, "%d", &n); err == nil && n >= 1 && n <= len(cols) && fmt.Sprint(n) == head {
			i = n - 1
		}
	}
	if i < 0 {
		var have []string
		for _, c := range cols {
			have = append(have, c.Header)
		}
		return fmt.Errorf("unknown column %q; the table has %s", head, strings.Join(have, ", "))
	}
	name, u, _ := strings.Cut(what, ":")
	f := Field(strings.TrimSpace(name))
	if !slices.Contains(Fields, f) {
		var have []string
		for _, f := range Fields {
			have = append(have, string(f))
		}
		return fmt.Errorf("unknown field %q; one of %s", name, strings.Join(have, ", "))
	}
	u = strings.TrimSpace(u)
	if u != "" && unitOf(f.kind(), u) == "" {
		return fmt.Errorf("%q is not a unit of %s", u, f)
	}
	for j := range cols {
		if j != i && cols[j].Field == f && f != Skip {
			cols[j].Field = Skip // what a person says counts over a guess
		}
	}
	cols[i].Field = f
	if u != "" {
		cols[i].Unit = unitOf(f.kind(), u)
	}
	return nil
}

// cut parts HEADER=FIELD at the last "=", since a header may have one.
func cut(s string) (head, what string, ok bool) {
	i := strings.LastIndex(s, "=")
	if i <= 0 || i == len(s)-1 {
		return "", "", false
	}
	return strings.TrimSpace(s[:i]), strings.TrimSpace(s[i+1:]), true
}

// Row is one part of the table.
type Row struct {
	Line int
	Part preset.ShopPart
	Said []string // how something was read, and what stays unknown
}

// Read reads the parts of a table. skip leaves out rows by their line. Where there is a
// fault nothing should be taken.
//
// Errors: csvtable.Fault for each row and column that cannot be read.
func Read(t *csvtable.Table, cols []Column, skip []int) (rows []Row, faults []csvtable.Fault) {
	for _, need := range []Field{Name, Mass} {
		if !slices.ContainsFunc(cols, func(c Column) bool { return c.Field == need }) {
			faults = append(faults, csvtable.Fault{Line: 1, What: "no column is taken for the " + string(need), Fix: "say which one is: --map \"COLUMN=" + string(need) + "\""})
		}
	}
	for _, c := range cols {
		if c.Field.kind() != "" && c.Unit == "" && !cellsHaveUnits(t, cols, c) {
			faults = append(faults, csvtable.Fault{Line: 1, Column: c.Header, What: "the header names no unit",
				Fix: fmt.Sprintf("write it there, or say: --map %q", c.Header+"="+string(c.Field)+":"+unit.Names(c.Field.kind())[map[bool]int{true: 1, false: 0}[c.Field == Mass]])})
		}
	}
	if faults != nil {
		return nil, faults
	}
	for _, s := range skip {
		if !slices.ContainsFunc(t.Rows, func(r csvtable.Row) bool { return r.Line == s }) {
			faults = append(faults, csvtable.Fault{Line: s, What: "no row to leave out", Fix: "give the line of a part"})
		}
	}
	first := map[string]Row{}
	for _, r := range t.Rows {
		if slices.Contains(skip, r.Line) {
			continue
		}
		row, fs := readRow(t, cols, r)
		if fs != nil {
			faults = append(faults, fs...)
			continue
		}
		if was, ok := first[row.Part.File]; ok {
			faults = append(faults, csvtable.Fault{Line: r.Line, Column: header(cols, Name), What: fmt.Sprintf("%s stands in line %d already%s", row.Part.Name, was.Line, differs(was.Part, row.Part)),
				Fix: fmt.Sprintf("take one of the two out, or leave it out with --skip %d or --skip %d", was.Line, r.Line)})
			continue
		}
		first[row.Part.File] = row
		rows = append(rows, row)
	}
	return rows, faults
}

func header(cols []Column, f Field) string {
	for _, c := range cols {
		if c.Field == f {
			return c.Header
		}
	}
	return ""
}

func cellsHaveUnits(t *csvtable.Table, cols []Column, c Column) bool {
	i := slices.IndexFunc(cols, func(x Column) bool { return x.Header == c.Header })
	for _, r := range t.Rows {
		if r.Cells[i] == "" {
			continue
		}
		if _, rest, err := csvtable.Number(r.Cells[i]); err == nil && rest == "" {
			return false
		}
	}
	return true
}

// differs says what two rows of one name do not share.
func differs(a, b preset.ShopPart) string {
	if math.Abs(a.Mass-b.Mass) > 1e-9 {
		return fmt.Sprintf(", with %s g there and %s g here", schema.Num(round(a.Mass*1000, 1)), schema.Num(round(b.Mass*1000, 1)))
	}
	return ""
}

func round(v float64, digits int) float64 {
	s := math.Pow10(digits)
	return math.Round(v*s) / s
}

// cells are the texts and numbers of one row by field.
type cells struct {
	text map[Field]string
	num  map[Field]float64 // SI; absent where the cell is empty
}

func readRow(t *csvtable.Table, cols []Column, r csvtable.Row) (row Row, faults []csvtable.Fault) {
	rd := reading{row: Row{Line: r.Line}, in: cells{map[Field]string{}, map[Field]float64{}}}
	for i, c := range cols {
		if cell := r.Cells[i]; c.Field != Skip && cell != "" {
			rd.cell(c, cell)
		}
	}
	p := rd.part(cols)
	if rd.faults != nil {
		return rd.row, rd.faults
	}
	size(&p, rd.in, &rd.row)
	balance(&p, rd.in, &rd.row)
	p.Mounts = Mounts(p)
	rd.row.Part = p
	return rd.row, nil
}

// reading is a row while it is read.
type reading struct {
	row    Row
	in     cells
	faults []csvtable.Fault
}

func (rd *reading) fault(c Column, what, fix string) {
	rd.faults = append(rd.faults, csvtable.Fault{Line: rd.row.Line, Column: c.Header, What: what, Fix: fix})
}

// cell reads one cell.
func (rd *reading) cell(c Column, cell string) {
	if rest, ok := strings.CutPrefix(cell, "'"); ok && formula(rest) {
		cell = rest // as Write marks it
	}
	if strings.ContainsFunc(cell, func(r rune) bool { return r < 0x20 || r == 0x7f }) {
		rd.fault(c, "the cell has a control character or more than one line", "write it on one line")
		return
	}
	if c.Field.kind() == "" && c.Field != Quantity {
		rd.in.text[c.Field] = cell
		return
	}
	v, rest, err := csvtable.Number(cell)
	if err != nil {
		rd.fault(c, err.Error(), "correct the cell")
		return
	}
	if strings.Contains(cell, ",") {
		rd.row.Said = append(rd.row.Said, fmt.Sprintf("%s: %s read as %s", c.Header, cell, schema.Num(v)))
	}
	if c.Field == Quantity {
		if rest != "" || v != math.Trunc(v) || v < 0 || v > 10000 {
			rd.fault(c, fmt.Sprintf("%q is not a count", cell), "write a whole number, 0 to 10000")
		}
		rd.in.num[Quantity] = v
		return
	}
	rd.measure(c, cell, v, rest)
}

// measure takes a mass or a length in, v with what stands behind the number.
func (rd *reading) measure(c Column, cell string, v float64, rest string) {
	u := c.Unit
	if rest != "" {
		if u = unitOf(c.Field.kind(), rest); u == "" {
			rd.fault(c, fmt.Sprintf("%q has no unit of a %s", cell, c.Field.kind()), "use one of "+strings.Join(unit.Names(c.Field.kind()), ", "))
			return
		}
		if u != c.Unit {
			si, _ := unit.ParseIn(c.Field.kind(), schema.Num(v)+" "+u, "")
			shown, _ := unit.Show(c.Field.kind(), si, map[bool]string{true: "g", false: "mm"}[c.Field == Mass])
			rd.row.Said = append(rd.row.Said, fmt.Sprintf("%s: %s read as %s", c.Header, cell, shown))
		}
	}
	one, err := unit.ParseIn(c.Field.kind(), "1 "+u, "")
	if err != nil {
		rd.fault(c, err.Error(), "")
		return
	}
	v *= one
	signed := strings.HasPrefix(string(c.Field), string(Balance))
	switch {
	case c.Field == Mass && !(v > 0 && v <= 100):
		rd.fault(c, fmt.Sprintf("a mass of %s", cell), "above 0 and at most 100 kg")
	case c.Field != Mass && (math.Abs(v) > 3 || v < 0 && !signed || v == 0 && !signed):
		rd.fault(c, fmt.Sprintf("a %s of %s", c.Field, cell), "above 0 and at most 3000 mm; leave the cell empty where it is not known")
	}
	rd.in.num[c.Field] = v
}

// part makes the part of what was read, but for its shape and balance, and finds what is wrong
// with the row as a whole.
func (rd *reading) part(cols []Column) preset.ShopPart {
	col := func(f Field) Column { return Column{Header: header(cols, f)} }
	if rd.in.text[Name] == "" && !failed(rd.faults, col(Name)) {
		rd.fault(col(Name), "the part has no name", "name it, or leave the row out with --skip")
	}
	if _, ok := rd.in.num[Mass]; !ok && !failed(rd.faults, col(Mass)) {
		rd.fault(col(Mass), "the part has no mass", "weigh it, or leave the row out with --skip")
	}
	slot := schema.Slug(rd.in.text[Slot])
	if rd.in.text[Slot] != "" && !schema.IsName(slot) {
		rd.fault(col(Slot), fmt.Sprintf("%q cannot be a slot", rd.in.text[Slot]), "a short word such as body, lens, plate")
	}
	file := schema.Slug(rd.in.text[Name])
	if rd.in.text[Name] != "" && (!preset.IsName(file) || len([]rune(rd.in.text[Name])) > 200) {
		rd.fault(col(Name), fmt.Sprintf("%q cannot name a part", rd.in.text[Name]), "a short name with a letter or digit")
	}
	p := preset.ShopPart{File: file, Quantity: -1, Owner: rd.in.text[Owner]}
	p.Name, p.Slot, p.Note, p.Mass = rd.in.text[Name], slot, rd.in.text[Note], rd.in.num[Mass]
	if n, ok := rd.in.num[Quantity]; ok {
		p.Quantity = int(n)
	}
	if _, d := rd.in.num[Diameter]; d {
		for _, f := range []Field{Width, Height} {
			if _, ok := rd.in.num[f]; ok {
				rd.fault(col(f), "the part has a diameter and a "+string(f), "give one of the two")
			}
		}
	}
	if b, ok := rd.in.num[Bore]; ok && b >= rd.in.num[Diameter] {
		rd.fault(col(Bore), "the bore is not smaller than the diameter", "correct one of them")
	}
	return p
}

func failed(faults []csvtable.Fault, c Column) bool {
	return slices.ContainsFunc(faults, func(f csvtable.Fault) bool { return f.Column == c.Header })
}

// size gives a part the shape that its measures make. Measures that make none go into the note.
func size(p *preset.ShopPart, in cells, row *Row) {
	has := func(fs ...Field) bool {
		return !slices.ContainsFunc(fs, func(f Field) bool { _, ok := in.num[f]; return !ok })
	}
	switch {
	case has(Diameter, Length) && has(Bore):
		p.Shape, p.Diameter, p.Bore, p.Length, p.Axis = "tube", in.num[Diameter], in.num[Bore], in.num[Length], "x"
	case has(Diameter, Length):
		p.Shape, p.Diameter, p.Length, p.Axis = "cylinder", in.num[Diameter], in.num[Length], "x"
	case has(Length, Width, Height):
		p.Shape, p.Size = "box", [3]float64{in.num[Length], in.num[Width], in.num[Height]}
	default:
		var left []string
		for _, f := range []Field{Length, Width, Height, Diameter, Bore} {
			if v, ok := in.num[f]; ok {
				left = append(left, fmt.Sprintf("%s %s mm", f, schema.Num(round(v*1000, 2))))
			}
		}
		if left != nil {
			what := strings.Join(left, ", ")
			row.Said = append(row.Said, what+" alone makes no size; kept in the note")
			p.Note = strings.TrimPrefix(p.Note+"; "+what, "; ")
		}
	}
}

// standing are slots of parts that stand on their seat: a number for their balance point
// counts upward. Body and plate stand too, and theirs counts forward. All others reach
// forward from their seat.
var standing = map[string]bool{"monitor": true, "accessory": true, "weight": true, "handle": true, "receiver": true, "light": true}

// balance places balance point and outline of a part from what its row says.
func balance(p *preset.ShopPart, in cells, row *Row) {
	long, high := p.Size[0], p.Size[2]
	if p.Shape == "cylinder" || p.Shape == "tube" {
		long, high = p.Length, 0
	}
	flat := p.Slot == "body" || p.Slot == "plate"
	b, one := in.num[Balance]
	var each [3]float64
	any := false
	for i, f := range []Field{BalanceX, BalanceY, BalanceZ} {
		if v, ok := in.num[f]; ok {
			each[i], any = v, true
		}
	}
	switch {
	case any:
		if _, ok := in.num[BalanceZ]; !ok && flat {
			each[2] = high / 2
		}
		p.CG = &each
	case one && standing[p.Slot]:
		p.CG = &[3]float64{0, 0, b}
	case one && flat:
		p.CG = &[3]float64{b, 0, high / 2}
	case one:
		p.CG = &[3]float64{b, 0, 0}
	default:
		row.Said = append(row.Said, "no balance point: centre of gravity and marks of its builds stay unknown")
	}
	switch {
	case p.Shape == "":
	case standing[p.Slot]:
		p.Centre = &[3]float64{0, 0, high / 2}
	case flat && p.CG != nil:
		p.Centre = &[3]float64{p.CG[0], p.CG[1], high / 2}
	case flat:
		p.Centre = &[3]float64{0, 0, high / 2}
	default:
		p.Centre = &[3]float64{long / 2, 0, 0}
	}
}

// Mounts are those that the outline of a body, a plate or a lens suggests: the lens at the middle
// of a body's front, a battery at its back, what stands on it at the middle of its top; a body on a plate; a
// filter in front of a lens. They are a place to begin; a ruler says better.
//
// Source: common practice, no source.
func Mounts(p preset.ShopPart) []assembly.Mount {
	if p.Shape == "" || p.Centre == nil {
		return nil
	}
	c := mass.Vec(*p.Centre)
	switch {
	case p.Slot == "body" && p.Shape == "box":
		x, z := p.Size[0]/2, p.Size[2]/2
		return []assembly.Mount{
			{Name: "front", At: c.Add(mass.Vec{x, 0, 0}), Takes: []string{"lens"}},
			{Name: "top", At: c.Add(mass.Vec{0, 0, z}), Takes: []string{"monitor", "accessory", "handle"}},
			{Name: "back", At: c.Add(mass.Vec{-x, 0, 0}), Turn: assembly.Turn{0, 0, math.Pi}, Takes: []string{"battery"}},
		}
	case p.Slot == "plate" && p.Shape == "box":
		return []assembly.Mount{{Name: "top", At: c.Add(mass.Vec{0, 0, p.Size[2] / 2}), Takes: []string{"body"}}}
	case p.Slot == "lens" && p.Shape != "box":
		return []assembly.Mount{{Name: "front", At: c.Add(mass.Vec{p.Length / 2, 0, 0}), Takes: []string{"filter"}}}
	}
	return nil
}

// formula reports whether a spreadsheet would take a text for one.
func formula(s string) bool { return s != "" && strings.ContainsAny(s[:1], "=+@") }

// Write makes a table of parts that Read reads again: a header with units, masses in g,
// lengths in mm, commas between the cells.
//
// Source: RFC 4180.
func Write(parts []preset.ShopPart) string {
	var b strings.Builder
	b.WriteString("Name,Slot,Mass [g],Length [mm],Width [mm],Height [mm],Diameter [mm],Bore [mm],Balance forward [mm],Balance left [mm],Balance up [mm],Quantity,Owner,Note\n")
	mm := func(v float64) string {
		if v == 0 {
			return ""
		}
		return schema.Num(round(v*1000, 4))
	}
	for _, p := range parts {
		row := []string{p.Name, p.Slot, schema.Num(round(p.Mass*1000, 4)), mm(p.Size[0]), mm(p.Size[1]), mm(p.Size[2]), mm(p.Diameter), mm(p.Bore), "", "", "", "", p.Owner, p.Note}
		if p.Length != 0 {
			row[3] = mm(p.Length)
		}
		if p.CG != nil {
			for i, v := range p.CG {
				row[8+i] = schema.Num(round(v*1000, 4))
			}
		}
		if p.Quantity >= 0 {
			row[11] = fmt.Sprint(p.Quantity)
		}
		for i, c := range row {
			// a text that a spreadsheet would take for a formula is marked as the text it is
			if formula(c) {
				c = "'" + c
			}
			if strings.ContainsAny(c, ",\"\n\r") {
				c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
			}
			row[i] = c
		}
		b.WriteString(strings.Join(row, ",") + "\n")
	}
	return b.String()
}
