package preset

import (
	"sort"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// From text to value there is one door for each kind of file. It has up to four ways in, which
// decode alike and differ in what they look at first:
//
//   - ReadTune trusts nothing: two parsers have to agree on the text, and every fault is named
//     with its line and column (file.Errors). It gives the Doc too where somebody edits that. For
//     what a command is about, for what is saved, and for what comes in from others.
//   - QuickTune is as strict with one parser, in about a fifth of the time, but names the first
//     fault alone and without its place. For lists, names and evidence over thousands of files,
//     where a broken file is one line or is passed over.
//   - UncheckedTune reads TOML and looks at nothing else: what is of a wrong type is as if it
//     was not there. For a text that was checked when it was saved, for a side of a merge, whose
//     outcome is checked, and for what is only shown. Nothing that is read so is saved.
//   - TuneIn is the tune in a Doc that is checked already, or made from such a one.
//
// A kind has the ways in that somebody takes. The path of a text in the library also says what
// its value is called: the fingerprint of a rig, the serial of a unit, the slug of a job. A text
// from elsewhere calls it "".

// Read reads the text of the file at a library path strictly: TOML, format, kind, keys, types
// and ranges. sheet adds a tune's dial ranges; nil for none. Faults are file.Errors with line
// and column; warnings are not errors here. A text that is only faulty by the catalogue has a
// Doc all the same.
func Read(c *schema.Catalogue, path string, text []byte, sheet *schema.Sheet) (*file.Doc, error) {
	doc, err := file.Parse(path, text)
	if err != nil {
		return nil, err
	}
	place, ok := Locate(path)
	if !ok {
		return nil, &file.Error{Class: file.Usage, File: path, What: "this is not the place of a Rigkeep file", Want: "a file under parts/, gimbals/, units/, rigs/ or jobs/"}
	}
	return doc, Check(c, place.Kind, doc, sheet)
}

// ReadAs is Read for a text that does not lie in a library, as the given kind.
func ReadAs(c *schema.Catalogue, name, kind string, text []byte, sheet *schema.Sheet) (*file.Doc, error) {
	doc, err := file.Parse(name, text)
	if err != nil {
		return nil, err
	}
	return doc, Check(c, kind, doc, sheet)
}

// Check holds a Doc to what the catalogue says of its kind; the faults are placed in its text.
func Check(c *schema.Catalogue, kind string, doc *file.Doc, sheet *schema.Sheet) error {
	return Faults(doc, c.Validate(kind, doc.Tree(), sheet))
}

// Faults places the problems that are errors in the text; nil for none.
func Faults(doc *file.Doc, ps []schema.Problem) error {
	var es file.Errors
	for _, p := range schema.Errors(ps) {
		es = append(es, doc.Fault(p.Key, p.What, p.Want, p.Fix))
	}
	sort.SliceStable(es, func(i, j int) bool {
		return es[i].Line < es[j].Line || es[i].Line == es[j].Line && es[i].Col < es[j].Col
	})
	return es.Err()
}

func strict[T any](c *schema.Catalogue, kind, path string, text []byte, sheet *schema.Sheet, in func(*file.Doc) T) (T, *file.Doc, error) {
	doc, err := ReadAs(c, path, kind, text, sheet)
	if err != nil {
		var none T
		return none, doc, err
	}
	return in(doc), doc, nil
}

func quick[T any](c *schema.Catalogue, kind, path string, text []byte, sheet *schema.Sheet, decode func(schema.Tree) T) (T, error) {
	tree, err := quickTree(c, kind, path, text, sheet)
	if err != nil {
		var none T
		return none, err
	}
	return decode(tree), nil
}

// quickTree gives the values beside the error too, where the text is TOML.
func quickTree(c *schema.Catalogue, kind, path string, text []byte, sheet *schema.Sheet) (schema.Tree, error) {
	tree, err := file.Values(path, text)
	if err != nil {
		return nil, err
	}
	if ps := schema.Errors(c.Validate(kind, tree, sheet)); len(ps) > 0 {
		return tree, ps[0]
	}
	return tree, nil
}

func unchecked[T any](path string, text []byte, decode func(schema.Tree) T) (T, error) {
	tree, err := file.Values(path, text)
	if err != nil {
		var none T
		return none, err
	}
	return decode(tree), nil
}

// nameAt is what a path calls a file of a kind; "" for one that lies elsewhere.
func nameAt(path, kind string) string {
	if place, ok := Locate(path); ok && place.Kind == kind {
		return place.Name
	}
	return ""
}

// ReadRig reads a build sheet strictly.
func ReadRig(c *schema.Catalogue, path string, text []byte) (Rig, *file.Doc, error) {
	return strict(c, schema.KindRig, path, text, nil, RigIn)
}

// QuickRig reads a build sheet with one parser. One that only the catalogue finds faulty gives
// alias and gimbal beside the error, so that a list can name it.
func QuickRig(c *schema.Catalogue, path string, text []byte) (Rig, error) {
	tree, err := quickTree(c, schema.KindRig, path, text, nil)
	if err != nil {
		f := schema.Flatten(tree)
		return Rig{Alias: f.Str("alias"), Gimbal: f.Str("gimbal")}, err
	}
	return rigOf(path, tree, text), nil
}

// UncheckedRig reads a build sheet as it is.
func UncheckedRig(path string, text []byte) (Rig, error) {
	return unchecked(path, text, func(tree schema.Tree) Rig { return rigOf(path, tree, text) })
}

// RigIn is the rig of a checked build sheet.
func RigIn(doc *file.Doc) Rig {
	place, _ := Locate(doc.Name())
	return decodeRig(place.Rig, doc.Tree()).inFileOrder(func() *file.Doc { return doc })
}

// rigOf reads the text once more, but only where the order of mounts can matter.
func rigOf(path string, tree schema.Tree, text []byte) Rig {
	place, _ := Locate(path)
	return decodeRig(place.Rig, tree).inFileOrder(func() *file.Doc {
		doc, _ := file.Parse(path, text)
		return doc
	})
}

// ReadTune reads a tune strictly, against the dials of a sheet; nil for none.
func ReadTune(c *schema.Catalogue, path string, text []byte, sheet *schema.Sheet) (Tune, *file.Doc, error) {
	return strict(c, schema.KindTune, path, text, sheet, func(doc *file.Doc) Tune { return TuneIn(c, doc) })
}

// QuickTune reads a tune with one parser, against the dials of a sheet; nil for none.
func QuickTune(c *schema.Catalogue, path string, text []byte, sheet *schema.Sheet) (Tune, error) {
	return quick(c, schema.KindTune, path, text, sheet, func(tree schema.Tree) Tune { return decodeTune(c, tree) })
}

// UncheckedTune reads a tune as it is.
func UncheckedTune(c *schema.Catalogue, path string, text []byte) (Tune, error) {
	return unchecked(path, text, func(tree schema.Tree) Tune { return decodeTune(c, tree) })
}

// TuneIn is the tune of a checked text.
func TuneIn(c *schema.Catalogue, doc *file.Doc) Tune { return decodeTune(c, doc.Tree()) }

// ReadJob reads a job strictly.
func ReadJob(c *schema.Catalogue, path string, text []byte) (Job, *file.Doc, error) {
	return strict(c, schema.KindJob, path, text, nil, JobIn)
}

// QuickJob reads a job with one parser.
func QuickJob(c *schema.Catalogue, path string, text []byte) (Job, error) {
	return quick(c, schema.KindJob, path, text, nil, jobAt(path))
}

// UncheckedJob reads a job as it is.
func UncheckedJob(path string, text []byte) (Job, error) { return unchecked(path, text, jobAt(path)) }

// JobIn is the job of a checked text.
func JobIn(doc *file.Doc) Job { return jobAt(doc.Name())(doc.Tree()) }

func jobAt(path string) func(schema.Tree) Job {
	return func(tree schema.Tree) Job { return decodeJob(nameAt(path, schema.KindJob), tree) }
}

// ReadSheet reads a gimbal sheet strictly. It has no units: their records are files of their own.
func ReadSheet(c *schema.Catalogue, path string, text []byte) (*schema.Sheet, error) {
	doc, err := file.Parse(path, text)
	if err != nil {
		return nil, err
	}
	s, ps := c.Sheet(nameAt(path, schema.KindGimbal), doc.Tree())
	return s, Faults(doc, ps)
}

// QuickSheet reads a gimbal sheet with one parser.
func QuickSheet(c *schema.Catalogue, path string, text []byte) (*schema.Sheet, error) {
	tree, err := file.Values(path, text)
	if err != nil {
		return nil, err
	}
	s, ps := c.Sheet(nameAt(path, schema.KindGimbal), tree)
	if s == nil {
		return nil, schema.Errors(ps)[0]
	}
	return s, nil
}

// SheetIn is the gimbal sheet of a checked text; nil if it is faulty all the same.
func SheetIn(c *schema.Catalogue, doc *file.Doc) *schema.Sheet {
	s, _ := c.Sheet(nameAt(doc.Name(), schema.KindGimbal), doc.Tree())
	return s
}

// ReadUnit reads the record of a unit strictly.
func ReadUnit(c *schema.Catalogue, path string, text []byte) (schema.Unit, error) {
	u, _, err := strict(c, schema.KindUnit, path, text, nil, func(doc *file.Doc) schema.Unit { return UnitIn(c, doc) })
	return u, err
}

// QuickUnit reads the record of a unit with one parser.
func QuickUnit(c *schema.Catalogue, path string, text []byte) (schema.Unit, error) {
	return quick(c, schema.KindUnit, path, text, nil, func(tree schema.Tree) schema.Unit {
		return decodeUnit(c, nameAt(path, schema.KindUnit), tree)
	})
}

// UnitIn is the unit of a checked record.
func UnitIn(c *schema.Catalogue, doc *file.Doc) schema.Unit {
	return decodeUnit(c, nameAt(doc.Name(), schema.KindUnit), doc.Tree())
}

// ReadPart reads a part of the shop strictly.
func ReadPart(c *schema.Catalogue, path string, text []byte) (ShopPart, error) {
	p, _, err := strict(c, schema.KindPart, path, text, nil, PartIn)
	return p, err
}

// PartIn is the part of a checked text, its mounts in the order of the file.
func PartIn(doc *file.Doc) ShopPart {
	p := decodeShopPart(nameAt(doc.Name(), schema.KindPart), doc.Tree())
	p.Mounts = inOrder(p.Mounts, mountOrder(doc, ""))
	return p
}

// ReadBench reads a bench log strictly.
func ReadBench(c *schema.Catalogue, path string, text []byte) (BenchLog, *file.Doc, error) {
	return strict(c, schema.KindBench, path, text, nil, BenchIn)
}

// QuickBench reads a bench log with one parser.
func QuickBench(c *schema.Catalogue, path string, text []byte) (BenchLog, error) {
	return quick(c, schema.KindBench, path, text, nil, decodeBench)
}

// BenchIn is the bench log of a checked text.
func BenchIn(doc *file.Doc) BenchLog { return decodeBench(doc.Tree()) }

// ReadBalance reads a balance record strictly.
func ReadBalance(c *schema.Catalogue, path string, text []byte) (BalanceRecord, *file.Doc, error) {
	return strict(c, schema.KindBalance, path, text, nil, BalanceIn)
}

// QuickBalance reads a balance record with one parser.
func QuickBalance(c *schema.Catalogue, path string, text []byte) (BalanceRecord, error) {
	return quick(c, schema.KindBalance, path, text, nil, decodeBalance)
}

// BalanceIn is the balance record of a checked text.
func BalanceIn(doc *file.Doc) BalanceRecord { return decodeBalance(doc.Tree()) }
