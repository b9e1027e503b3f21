// Package file is all that Rigkeep knows about TOML text: reading it strictly, saying where in it a key stands, changing
// one value without moving another byte, comparing two texts, and writing a new one in canonical form.
//
// It knows nothing of tunes, sheets or jobs (callers bring keys and values) and never writes to the disk (that is repo's).
//
// Text is TOML 1.0, strictly: what TOML 1.1 added is refused, so that any other TOML 1.0 program reads our files too. Two
// independent parsers have to agree on a file before a [Doc] of it exists: go-toml v2 is the stricter of the two and gives
// positions, BurntSushi/toml gives the values.
//
// Keys are written as dotted paths: stiffness.pan, follow."wide shot".deadband.pan, part[0].mass_kg. See [Path].
package file

import (
	"bytes"
	"slices"
	"sync"

	bstoml "github.com/BurntSushi/toml"
	gotoml "github.com/pelletier/go-toml/v2"
)

// What a file may hold. The limits are far above any real tune, sheet, job or bench log; they keep both parsers away from
// input on which they take minutes (150,000 keys in one table, a key of 20,000 dots).
const (
	MaxBytes  = 1 << 20 // size of one file, in bytes
	MaxKeys   = 10_000  // keys, table headers and array elements in one file, together
	MaxDepth  = 32      // tables and arrays inside each other
	MaxErrors = 20      // faults reported for one file
)

// Doc is one TOML text that has been read and found sound. It never changes: an edit gives a new Doc.
// It is safe to use from several goroutines.
type Doc struct {
	name string
	text []byte // as given, with the byte-order mark and line endings it came with
	tree map[string]any

	once sync.Once
	idx  *index

	rank func(string) int
}

// Parse reads one TOML 1.0 text. The name is what errors call the file, usually its path within the library.
//
// The error, if any, is an *Error or Errors of class Damaged, with line, column and key, for: more than MaxBytes, MaxKeys or
// MaxDepth, bytes that are not UTF-8, binary, syntax, a key or table given twice, TOML 1.1-only syntax, numbers out of
// range, impossible dates, and every NaN and infinity (all of them, up to MaxErrors). A byte-order mark is accepted and kept.
func Parse(name string, data []byte) (*Doc, error) {
	d, err := check(name, data)
	if err != nil {
		return nil, err
	}
	var tree map[string]any
	if _, err := bstoml.Decode(string(d.body()), &tree); err != nil {
		return nil, d.checkWithSecondParser(err)
	}
	d.tree = normal(tree).(map[string]any)
	return d, nil
}

// Values reads one TOML 1.0 text as strictly as Parse but with one parser, about five times faster, for the index over many
// thousand files. It gives what Doc.Tree would: a property test holds the two together.
func Values(name string, data []byte) (map[string]any, error) {
	d, err := check(name, data)
	if err != nil {
		return nil, err
	}
	return d.tree, nil
}

// check does all of the reading but the second decoder; the Doc it returns has go-toml's tree. A text is gone through three
// times, since none of them tells what the others do: checkSyntax holds it to the limits before a decoder meets it, and to
// TOML 1.0, expression by expression with their places; go-toml's decoder knows which keys and tables are given twice; and
// BurntSushi's, in Parse alone, is the second opinion without which no text is edited. The index of places is a fourth time,
// when somebody first asks for one.
func check(name string, data []byte) (*Doc, error) {
	if len(data) > MaxBytes {
		return nil, tooLarge(name, int64(len(data)))
	}
	d := &Doc{name: name, text: bytes.Clone(data)}
	if err := d.checkBytes(); err != nil {
		return nil, err
	}
	nonFinite, err := d.checkSyntax()
	if err != nil {
		return nil, err
	}
	var tree map[string]any
	if err := gotoml.Unmarshal(d.body(), &tree); err != nil {
		return nil, d.meaningError(err)
	}
	if nonFinite {
		return nil, d.nonFiniteErrors()
	}
	if tree == nil {
		tree = map[string]any{}
	}
	d.tree = normal(tree).(map[string]any)
	return d, nil
}

var bom = []byte("\xef\xbb\xbf")

// body is the text without its byte-order mark; offsets in the index count from its start.
func (d *Doc) body() []byte { return bytes.TrimPrefix(d.text, bom) }

// Name is the name the text was read under.
func (d *Doc) Name() string { return d.name }

// Text is a copy of the whole text, byte for byte as given (or as edited).
func (d *Doc) Text() []byte { return bytes.Clone(d.text) }

// Tree is the decoded text: map[string]any for tables, []any for arrays and arrays of tables, and string, int64, float64,
// bool, time.Time (with offset), Date, Clock and DateTime (local) for values. It is shared: do not change it.
func (d *Doc) Tree() map[string]any { return d.tree }

// Get gives the value at a key, as in Tree, and whether there is one. A key that is not a well-formed path has none.
func (d *Doc) Get(key string) (any, bool) {
	p, err := ParsePath(key)
	if err != nil {
		return nil, false
	}
	return p.in(d.tree)
}

func (d *Doc) index() *index {
	d.once.Do(func() { d.idx = buildIndex(d.body()) })
	return d.idx
}

// Pos is where a key stands: line and column of its name, counted from 1, columns in characters. For a table it is the name
// in its header (the first one, if it has several), or in the first key or header that makes it. For an array element it is
// where the element begins. ok is false if the text has no such key.
func (d *Doc) Pos(key string) (line, col int, ok bool) {
	it := d.find(key)
	if it == nil {
		return 0, 0, false
	}
	line, col = d.index().lineCol(it.keyOff)
	return line, col, true
}

// ValuePos is where a key's value begins; for a table with a header or without text of its own it is Pos.
func (d *Doc) ValuePos(key string) (line, col int, ok bool) {
	it := d.find(key)
	if it == nil {
		return 0, 0, false
	}
	line, col = d.index().lineCol(it.valueOff())
	return line, col, true
}

// Literal is the value of a key as it is written in the text: 62.50, 0x10, { pan = 6 }. ok is false if there is no such
// key, or it is a table that is spread over several lines.
func (d *Doc) Literal(key string) (string, bool) {
	it := d.find(key)
	if it == nil || it.valEnd == 0 {
		return "", false
	}
	return string(d.body()[it.valOff:it.valEnd]), true
}

func (d *Doc) find(key string) *item {
	p, err := ParsePath(key)
	if err != nil {
		return nil
	}
	return d.index().find(p)
}

// Keys lists every key that holds a value, in the order of the text, as paths: stiffness.pan, part[0].mass_kg. An array of
// plain values is one key; an array that holds tables is gone into.
func (d *Doc) Keys() []string {
	var at places
	d.index().root.leaves(nil, func(p Path, it *item) { at = append(at, found{p.String(), it.valOff}) })
	return at.inOrder()
}

// Tables lists every table, in the order of the text, as paths. The root is not listed.
func (d *Doc) Tables() []string {
	var at places
	d.index().root.tables(nil, func(p Path, it *item) { at = append(at, found{p.String(), it.keyOff}) })
	return at.inOrder()
}

// places are keys with where they stand; dotted keys may give those of one table here and there.
type places []found

type found struct {
	key string
	off int
}

func (at places) inOrder() []string {
	slices.SortStableFunc(at, func(a, b found) int { return a.off - b.off })
	keys := make([]string, len(at))
	for i, f := range at {
		keys[i] = f.key
	}
	return keys
}
