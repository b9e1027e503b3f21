package preset

import (
	"sort"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// From text to value there is one door for each kind of file. It has up to four ways in, which
// decode alike and differ in what they look at first:
//
//   - ReadTune takes a text at its word for nothing: two parsers have to agree on it, and every
//     fault is named with its line and column (file.Errors). It gives the Doc too, to edit. For
//     what a command is about, for what is saved, and for what comes in from others.
//   - QuickTune is as strict with one parser, in less than half the time, but names the first
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

// quick is the values of a text, held to what the catalogue says of a kind; they are there
// beside the error too, where the text is TOML.
func quick(c *schema.Catalogue, kind, path string, text []byte, sheet *schema.Sheet) (schema.Tree, error) {
	tree, err := file.Values(path, text)
	if err != nil {
		return nil, err
	}
	if ps := schema.Errors(c.Validate(kind, tree, sheet)); len(ps) > 0 {
		return tree, ps[0]
	}
	return tree, nil
}

// ReadRig reads a build sheet strictly.
func ReadRig(c *schema.Catalogue, path string, text []byte) (Rig, *file.Doc, error) {
	doc, err := ReadAs(c, path, schema.KindRig, text, nil)
	if err != nil {
		return Rig{}, doc, err
	}
	return RigIn(doc), doc, nil
}

// QuickRig reads a build sheet with one parser. One that only the catalogue finds faulty gives
// alias and gimbal beside the error, so that a list can name it.
func QuickRig(c *schema.Catalogue, path string, text []byte) (Rig, error) {
	tree, err := quick(c, schema.KindRig, path, text, nil)
	if err != nil {
		f := schema.Flatten(tree)
		return Rig{Alias: f.Str("alias"), Gimbal: f.Str("gimbal")}, err
	}
	return rigOf(path, tree, text), nil
}

// UncheckedRig reads a build sheet as it is.
func UncheckedRig(path string, text []byte) (Rig, error) {
	tree, err := file.Values(path, text)
	if err != nil {
		return Rig{}, err
	}
	return rigOf(path, tree, text), nil
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
