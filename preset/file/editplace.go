package file

import (
	"bytes"
	"sort"
	"strings"
)

// headerDepth says how many names of the path belong in the header, and not in braces: as in the last table beside it.
func (ed *editor) headerDepth(up *item, rest Path, most int) int {
	var cousin *item
	for _, k := range up.kids {
		if k.kind == tableItem && !k.dotted {
			cousin = k
		}
	}
	for i := 1; cousin != nil && i < most; i++ {
		if cousin = cousin.child(rest[i]); cousin != nil && cousin.kind == inlineItem {
			return i
		}
	}
	return most
}

// newLine is the text of a new key line with the remarks that go with it.
func (ed *editor) newLine(indent, nl, key string, v any) string {
	var b strings.Builder
	for _, l := range ed.lead {
		b.WriteString(indent + l + nl)
	}
	b.WriteString(indent + key + " = " + text(v) + ed.trail)
	return b.String()
}

// firstOrAfter puts a key line into a table with a header (or the root).
func (ed *editor) firstOrAfter(up *item, key string, v any) {
	if s, before := ed.neighbour(up, key); s != nil {
		if before {
			at, nl := ed.above(s), ed.lineBreak(s.end)
			ed.put(at, at, ed.newLine(ed.indent(s.line), nl, key, v)+nl)
			return
		}
		ed.keyLine(s, key, v)
		return
	}
	if up.header != nil {
		at := up.header.eol
		nl := ed.lineBreak(at)
		ed.put(at, at, nl+ed.newLine(ed.indent(up.header.line), nl, key, v))
		return
	}
	at, gap := ed.top()
	nl := ed.lineBreak(at)
	line := ed.newLine("", nl, key, v)
	switch {
	case len(bytes.TrimSpace(ed.x.body)) == 0 && at == 0:
		ed.put(at, at, line+nl)
	case gap:
		ed.put(at, at, nl+line)
	default:
		ed.put(at, at, line+nl+nl)
	}
}

// top is where the first key of a file goes: below the remarks at its top that stand apart, or at the beginning. after says
// that the place is at the end of a line.
func (ed *editor) top() (at int, after bool) {
	body := ed.x.body
	for at < len(body) && body[at] == '#' {
		_, eol, next := lineAt(body, at)
		if next == len(body) || len(bytes.TrimSpace(body[next:next+lineLen(body[next:])])) == 0 || bytes.HasPrefix(body[at:], []byte("#:")) {
			return eol, true
		}
		at = next
	}
	return 0, false
}

func lineLen(b []byte) int {
	if i := bytes.IndexByte(b, '\n'); i >= 0 {
		return i
	}
	return len(b)
}

// lineAt is the line that begins at off: where its words end and where the next line begins.
func lineAt(body []byte, off int) (start, eol, next int) {
	eol = off + lineLen(body[off:])
	next = min(eol+1, len(body))
	if eol > off && eol < len(body) && body[eol-1] == '\r' {
		eol--
	}
	return off, eol, next
}

// neighbour is the key line that a new key goes after, or before; nil if the table has none.
func (ed *editor) neighbour(up *item, key string) (s *stmt, before bool) {
	if up.lastKV == nil || ed.doc.rank == nil {
		return up.lastKV, false
	}
	base := rankPath(up.path())
	name, _ := ParsePath(key)
	mine := ed.doc.rank(rankPath(append(up.path(), name[0])))
	if mine < 0 {
		return up.lastKV, false
	}
	var first *stmt
	for _, o := range ed.x.stmts {
		if o.header || o.table != up {
			continue
		}
		if first == nil {
			first = o
		}
		p, _ := ParsePath(base)
		if r := ed.doc.rank(p.plus(Key(o.parts[0].name)).String()); r >= 0 && r <= mine {
			s = o
		}
	}
	if s == nil {
		return first, true
	}
	return s, false
}

// rankPath is a path without element numbers.
func rankPath(p Path) string {
	var out Path
	for _, s := range p {
		if s.Index < 0 {
			out = append(out, s)
		}
	}
	return out.String()
}

// keyLine puts a key line below the line of another.
func (ed *editor) keyLine(after *stmt, key string, v any) {
	nl := ed.lineBreak(after.end)
	ed.put(after.eol, after.eol, nl+ed.newLine(ed.indent(after.line), nl, key, v))
}

// block adds a table with a header below up.
func (ed *editor) block(up *item, names []string, array bool, t Table) {
	var all []string
	for _, s := range append(up.path(), pathOf(names)...) {
		if s.Index < 0 {
			all = append(all, keyText(s.Key))
		}
	}
	header := "[" + strings.Join(all, ".") + "]"
	if array {
		header = "[" + header + "]"
	}
	at := ed.blockPlace(up, names)
	indent := ""
	if at.s != nil && (at.s.table.header != nil) {
		indent = ed.indent(at.s.table.header.line)
	}
	ed.putBlock(at, blockLines(header, indent, t))
}

// place is before or after a header or key line, with what belongs to it; at the end of the file if there is none.
type place struct {
	s      *stmt
	before bool
}

// blockPlace is where a table called names below up goes: after all that is in up, or where its rank puts it.
func (ed *editor) blockPlace(up *item, names []string) place {
	if len(names) == 0 { // a header for a table that was only implied goes above what is in it
		return place{ed.firstIn(up), true}
	}
	if ed.doc.rank == nil {
		return place{s: ed.lastIn(up)}
	}
	mine := ed.doc.rank(rankPath(append(up.path(), pathOf(names)...)))
	var best, first *item
	for _, k := range up.kids {
		if k.kind != tablesItem && (k.kind != tableItem || k.dotted) {
			continue
		}
		if first == nil {
			first = k
		}
		if r := ed.doc.rank(rankPath(k.path())); r >= 0 && r <= mine {
			best = k
		}
	}
	switch {
	case mine >= 0 && best != nil:
		return place{s: ed.lastIn(best)}
	case mine >= 0 && first != nil:
		return place{ed.firstIn(first), true}
	}
	return place{s: ed.lastIn(up)}
}

func blockLines(header, indent string, t Table) []string {
	lines := []string{indent + header}
	for _, f := range t {
		lines = append(lines, indent+keyText(f.Key)+" = "+text(f.Value))
	}
	return lines
}

// putBlock puts lines at a place, a blank line apart from what is there.
func (ed *editor) putBlock(p place, lines []string) {
	if p.before {
		at, nl := ed.above(p.s), ed.lineBreak(p.s.end)
		ed.put(at, at, strings.Join(lines, nl)+nl+nl)
		return
	}
	if p.s != nil {
		at, nl := ed.below(p.s), ed.lineBreak(p.s.end)
		ed.put(at, at, nl+nl+strings.Join(lines, nl))
		return
	}
	at := len(ed.x.body)
	nl := ed.lineBreak(at)
	block := strings.Join(lines, nl)
	switch {
	case at == 0:
		block += nl
	case ed.x.body[at-1] == '\n':
		block = nl + block + nl
	default:
		block = nl + nl + block
	}
	ed.put(at, at, block)
}

func pathOf(names []string) Path {
	var p Path
	for _, n := range names {
		p = append(p, Key(n))
	}
	return p
}

// lastIn is the last header or key line of an item and all that is in it; nil for none.
func (ed *editor) lastIn(it *item) *stmt {
	for i := len(ed.x.stmts) - 1; i >= 0; i-- {
		if inside(ed.x.stmts[i].table, it) {
			return ed.x.stmts[i]
		}
	}
	return nil
}

func (ed *editor) firstIn(it *item) *stmt {
	for _, s := range ed.x.stmts {
		if inside(s.table, it) {
			return s
		}
	}
	return nil
}

func inside(it, up *item) bool {
	for ; it != nil; it = it.parent {
		if it == up {
			return true
		}
	}
	return false
}

// below is the end of the last line that belongs to a header or key line: its own, or that of remark lines directly below
// it, unless these stand directly above the next header or key and so belong to that.
func (ed *editor) below(s *stmt) int {
	at, pos := s.eol, s.next
	for pos < len(ed.x.body) {
		_, eol, next := lineAt(ed.x.body, pos)
		words := bytes.TrimSpace(ed.x.body[pos:eol])
		if len(words) == 0 {
			return at
		}
		if words[0] != '#' {
			return s.eol
		}
		at, pos = eol, next
	}
	return at
}

// above is the beginning of the first of the remark lines directly above a header or key line. A line for editors (#:schema)
// stays out of it.
func (ed *editor) above(s *stmt) int {
	at := s.line
	for at > 0 {
		prev := bytes.LastIndexByte(ed.x.body[:at-1], '\n') + 1
		words := bytes.TrimSpace(ed.x.body[prev:at])
		if len(words) == 0 || words[0] != '#' || bytes.HasPrefix(words, []byte("#:")) || ed.covered(prev) {
			return at
		}
		at = prev
	}
	return at
}

// covered says whether a line is part of a header or key line: a # at its beginning may be in a text of several lines.
func (ed *editor) covered(line int) bool {
	i := sort.Search(len(ed.x.stmts), func(i int) bool { return ed.x.stmts[i].next > line })
	return i < len(ed.x.stmts) && ed.x.stmts[i].line <= line
}
