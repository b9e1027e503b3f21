package file

import (
	"bytes"
	"slices"
	"strings"
)

// Graft gives the Doc with a key it does not have yet, taken from another text as it is written there: the spelling of its
// numbers, and the remarks directly above and behind it, come along; a table with a header comes as a block. It is what a
// merge uses for a key that only the other side has.
//
// from is the key in src. It differs from key only where elements of arrays have other numbers; a key one past the last
// element adds one. Errors are those of Set; also a key that is not in src, or is in the Doc already.
func (d *Doc) Graft(key string, src *Doc, from string) (*Doc, error) {
	p, err := ParsePath(key)
	if err != nil {
		return nil, err
	}
	if _, ok := p.in(d.tree); ok {
		return nil, d.refuse(key, "this key is here already", "a key that is not", "set it instead")
	}
	it := src.find(from)
	if it == nil {
		return nil, src.refuse(from, "unknown key", "a key of this file", "")
	}
	value := src.written(it)
	ed := &editor{doc: d, x: d.index()}
	other := &editor{doc: src, x: src.index()}
	if lines, ok := other.blockOf(it); ok && ed.graftBlock(p, other, it, lines) {
		return d.finish(ed.splices, p, value, false)
	}
	if it.kv != nil && it.valEnd > 0 && it.member.end == 0 && it.parent.kind == tableItem {
		ed.lead, ed.trail = other.remarksOf(it.kv)
	}
	if err := ed.insert(p, value); err != nil {
		return nil, err
	}
	return d.finish(ed.splices, p, value, false)
}

// written is the value of an item with every part of it spelled as in the text.
func (d *Doc) written(it *item) any {
	switch {
	case it.kind == tablesItem:
		list := make([]any, len(it.kids))
		for i, k := range it.kids {
			list[i] = d.written(k)
		}
		return list
	case it.valEnd == 0:
		t := Table{}
		for _, k := range it.kids {
			t = append(t, Field{k.step.Key, d.written(k)})
		}
		return t
	}
	v, _ := it.path().in(d.tree)
	return raw{string(d.body()[it.valOff:it.valEnd]), v}
}

// remarksOf is the remark lines directly above a key line, and what is behind its value.
func (ed *editor) remarksOf(s *stmt) (lead []string, trail string) {
	if above := ed.src(ed.above(s), s.line); above != "" {
		for _, l := range strings.Split(strings.TrimSuffix(above, "\n"), "\n") {
			lead = append(lead, strings.TrimSpace(l))
		}
	}
	return lead, ed.src(s.end, s.eol)
}

// blockOf is the lines of a table with a header (or an array of such), with remarks. It gives false for anything else, and
// for a table whose parts are not together.
func (ed *editor) blockOf(it *item) ([]string, bool) {
	if it.kind != tablesItem && (it.kind != tableItem || it.dotted || it.parent == nil) {
		return nil, false
	}
	first := ed.firstIn(it)
	if first == nil || !first.header || it.kind == tableItem && it.header != first && it.header != nil {
		return nil, false
	}
	last := first
	for _, s := range ed.x.stmts {
		switch in := inside(s.table, it); {
		case s.off < first.off, !in && s.off > last.off:
		case in && (s == first || ed.follows(last, s)):
			last = s
		default:
			return nil, false
		}
	}
	text := ed.src(ed.above(first), ed.below(last))
	return strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n"), true
}

// follows says whether b is the header or key line right after a.
func (ed *editor) follows(a, b *stmt) bool {
	i := slices.Index(ed.x.stmts, a)
	return i+1 < len(ed.x.stmts) && ed.x.stmts[i+1] == b
}

// graftBlock puts the lines in if a block can stand at p and the line breaks within its values stay as they are.
func (ed *editor) graftBlock(p Path, other *editor, it *item, lines []string) bool {
	if rankPath(p) != rankPath(it.path()) {
		return false
	}
	up, n := ed.x.root, 0
	for up.child(p[n]) != nil {
		up, n = up.child(p[n]), n+1
	}
	var at place
	switch names := keysOf(p[n:]); {
	case up.kind == tablesItem && len(p) == n+1 && p[n].Index == len(up.kids):
		at = place{s: ed.lastIn(up.kids[len(up.kids)-1])}
	case up.kind == tableItem && !up.dotted && len(names) > 0 && (len(p) == n+len(names) || len(p) == n+len(names)+1 && p[len(p)-1].Index == 0):
		at = ed.blockPlace(up, names)
	default:
		return false
	}
	here := ed.lineBreak(len(ed.x.body))
	there := other.lineBreak(0)
	if here != there {
		for _, s := range other.x.stmts {
			if inside(s.table, it) && bytes.ContainsRune(other.x.body[s.off:s.end], '\n') {
				return false
			}
		}
	}
	ed.putBlock(at, lines)
	return true
}
