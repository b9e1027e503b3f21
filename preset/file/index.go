package file

import (
	"bytes"
	"sort"
	"unicode/utf8"
)

// span is a range of bytes of the text, after the byte-order mark.
type span struct{ off, end int }

// part is one name of a dotted key, with where it stands (quotes included).
type part struct {
	name string
	span
}

// stmt is one header or one key = value of the top level, with the lines it is on.
type stmt struct {
	span          // from the first byte of the bracket or key to the end of the bracket or value
	header bool   //
	parts  []part //
	table  *item  // the table the header opens; for a key, the table whose header came last
	line   int    // where its first line begins
	eol    int    // where the words of its last line end: before the line break
	next   int    // where the line after it begins
}

type itemKind int

const (
	tableItem  itemKind = iota // by header, by dotted key, or only implied
	tablesItem                 // an array of tables by [[header]]; its kids are tables
	inlineItem                 // { }
	arrayItem                  // [ ]
	scalarItem
)

// item is one key, table or element, with where it stands in the text.
type item struct {
	parent *item
	step   Step
	kind   itemKind
	kids   []*item
	byKey  map[string]*item

	keyOff         int // its name; for an element, its first byte or its header's name
	valOff, valEnd int // its value; 0 for tables by header or dotted key

	header *stmt // of a table with one
	kv     *stmt // the line a value of the top level stands on; also set for all that is in that value
	member span  // key = value within the braces, for a member of an inline table
	dotted bool  // made by a dotted key

	// For tables that keys can be added to: the last key line that is in it, and how many names of that line's key lead to it.
	lastKV *stmt
	prefix int
}

func (it *item) valueOff() int {
	if it.valEnd > 0 {
		return it.valOff
	}
	return it.keyOff
}

func (it *item) add(s Step) *item {
	kid := &item{parent: it, step: s, kind: scalarItem, kv: it.kv}
	it.kids = append(it.kids, kid)
	if s.Index < 0 {
		if it.byKey == nil {
			it.byKey = map[string]*item{}
		}
		it.byKey[s.Key] = kid
	}
	return kid
}

func (it *item) child(s Step) *item {
	if s.Index < 0 {
		return it.byKey[s.Key]
	}
	if (it.kind == arrayItem || it.kind == tablesItem) && s.Index < len(it.kids) {
		return it.kids[s.Index]
	}
	return nil
}

func (it *item) path() Path {
	if it.parent == nil {
		return nil
	}
	return it.parent.path().plus(it.step)
}

// walk visits all items below it in the order of the text.
func (it *item) walk(p Path, visit func(Path, *item)) {
	for _, k := range it.kids {
		kp := p.plus(k.step)
		visit(kp, k)
		k.walk(kp, visit)
	}
}

// plain says whether it is a value without tables in it.
func (it *item) plain() bool {
	if it.kind != arrayItem {
		return it.kind == scalarItem
	}
	for _, k := range it.kids {
		if !k.plain() {
			return false
		}
	}
	return true
}

func (it *item) leaves(p Path, visit func(Path, *item)) {
	for _, k := range it.kids {
		kp := p.plus(k.step)
		if k.plain() {
			visit(kp, k)
			continue
		}
		k.leaves(kp, visit)
	}
}

func (it *item) tables(p Path, visit func(Path, *item)) {
	for _, k := range it.kids {
		kp := p.plus(k.step)
		if k.kind == tableItem || k.kind == inlineItem {
			visit(kp, k)
		}
		k.tables(kp, visit)
	}
}

// clash is a thing given twice.
type clash struct {
	off, first int
	path       Path
	repeat
}

// repeat is the words for one kind of clash.
type repeat struct {
	what      string // with %d for the line of the first
	want, fix string
}

// index is where everything stands in one text.
type index struct {
	body     []byte
	root     *item
	stmts    []*stmt
	comments []span
	lines    []int  // where each line begins
	clash    *clash // the first; nil in a sound text

	now *item // the table whose header came last
}

// buildIndex reads a text whose syntax is known to be sound.
func buildIndex(body []byte) *index {
	x := &index{body: body, root: &item{kind: tableItem}}
	x.now = x.root
	for at := 0; ; {
		x.lines = append(x.lines, at)
		next := bytes.IndexByte(body[at:], '\n')
		if next < 0 {
			break
		}
		at += next + 1
	}
	w := walker{body: body, idx: x}
	w.run()
	return x
}

// lineCol is as the function of that name, without going through the whole text.
func (x *index) lineCol(off int) (line, col int) {
	line = sort.SearchInts(x.lines, off+1)
	return line, utf8.RuneCount(x.body[x.lines[line-1]:off]) + 1
}

func (x *index) find(p Path) *item {
	it := x.root
	for _, s := range p {
		if it = it.child(s); it == nil {
			return nil
		}
	}
	return it
}

// keyAt is the path of the innermost key or element whose value covers a byte; "" for none.
func (x *index) keyAt(off int) string {
	var best Path
	x.root.walk(nil, func(p Path, it *item) {
		if it.valEnd > 0 && it.valOff <= off && off < it.valEnd {
			best = p
		}
	})
	return best.String()
}

func (x *index) addStmt(s *stmt) *stmt {
	s.line = bytes.LastIndexByte(x.body[:s.off], '\n') + 1
	s.eol, s.next = len(x.body), len(x.body)
	if i := bytes.IndexByte(x.body[s.end:], '\n'); i >= 0 {
		s.next = s.end + i + 1
		s.eol = s.next - 1
		if s.eol > s.end && x.body[s.eol-1] == '\r' {
			s.eol--
		}
	}
	x.stmts = append(x.stmts, s)
	return s
}

// collide notes the first thing given twice, and gives a stray item so that reading can go on.
func (x *index) collide(at part, first *item, r repeat) *item {
	if x.clash == nil {
		p := first.path()
		x.clash = &clash{off: at.off, first: first.keyOff, path: p, repeat: r}
	}
	return &item{kind: tableItem, parent: first.parent, step: first.step}
}

var (
	twiceKey   = repeat{"this key is given twice, first on line %d", "each key once", "remove one of the two"}
	twiceTable = repeat{"this table is given twice, first on line %d", "each table once", "bring their keys together under one header"}
	notTable   = repeat{"this is a table here, but on line %d it is something else", "one meaning for each name", "rename one of the two, or remove it"}
	closed     = repeat{"this adds to a table from outside it, after line %d", "the keys of a table together under its header", "move the key there"}
)

func (x *index) header(parts []part, array bool) {
	s := &stmt{header: true, parts: parts}
	s.off = bytes.LastIndexByte(x.body[:parts[0].off], '[')
	if array {
		s.off = bytes.LastIndexByte(x.body[:s.off], '[')
	}
	s.end = parts[len(parts)-1].end
	s.end += bytes.IndexByte(x.body[s.end:], ']') + 1
	if array {
		s.end++
	}
	x.addStmt(s)

	it := x.root
	for i, p := range parts {
		last := i == len(parts)-1
		kid := it.child(Key(p.name))
		switch {
		case kid == nil:
			kid = it.add(Key(p.name))
			kid.kind, kid.keyOff = tableItem, p.off
			if last && array {
				kid.kind = tablesItem
			}
		case last && array && kid.kind != tablesItem, last && !array && kid.kind == tablesItem:
			kid = x.collide(p, kid, notTable)
		case kid.kind == tablesItem:
			if !last {
				kid = kid.kids[len(kid.kids)-1]
			}
		case kid.kind != tableItem:
			kid = x.collide(p, kid, notTable)
		case last && (kid.header != nil || kid.dotted):
			kid = x.collide(p, kid, twiceTable)
		}
		it = kid
		if last && array && it.kind == tablesItem {
			it = it.add(At(len(it.kids)))
			it.kind, it.keyOff = tableItem, p.off
		}
	}
	it.header = s
	s.table, x.now = it, it
}

// key takes in key = value; into is the inline table it is in, nil at the top level.
func (x *index) key(into *item, parts []part, valOff, valEnd int) *item {
	it := into
	var s *stmt
	if into == nil {
		it = x.now
		s = x.addStmt(&stmt{span: span{parts[0].off, valEnd}, parts: parts, table: x.now})
		it.lastKV, it.prefix = s, 0
	}
	for i, p := range parts[:len(parts)-1] {
		kid := it.child(Key(p.name))
		switch {
		case kid == nil:
			kid = it.add(Key(p.name))
			kid.kind, kid.keyOff, kid.dotted, kid.kv = tableItem, p.off, true, into.line()
		case kid.kind != tableItem:
			kid = x.collide(p, kid, notTable)
		case !kid.dotted:
			kid = x.collide(p, kid, closed)
		}
		it = kid
		it.lastKV, it.prefix = s, i+1
	}
	p := parts[len(parts)-1]
	if kid := it.child(Key(p.name)); kid != nil {
		it = x.collide(p, kid, twiceKey)
	}
	it = it.add(Key(p.name))
	it.keyOff, it.valOff, it.valEnd = p.off, valOff, valEnd
	if into == nil {
		it.kv = s
	} else {
		it.kv = into.kv
		it.member = span{parts[0].off, valEnd}
	}
	return it
}

func (it *item) line() *stmt {
	if it == nil {
		return nil
	}
	return it.kv
}
