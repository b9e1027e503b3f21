package file

import (
	"bytes"
	"strings"
)

// setArray changes an array element by element. It gives false if remarks would be lost, with nothing done.
func (ed *editor) setArray(it *item, list []any) bool {
	old := it.kids
	for i, k := range old[:min(len(old), len(list))] {
		now, _ := k.path().in(ed.doc.tree)
		if Equal(now, tree(list[i])) {
			continue
		}
		if sub, ok := list[i].([]any); ok && k.kind == arrayItem {
			if !ed.setArray(k, sub) {
				return false
			}
			continue
		}
		if ed.remarks(k.valOff, k.valEnd) {
			return false
		}
		ed.put(k.valOff, k.valEnd, like(ed.src(k.valOff, k.valEnd), list[i]))
	}
	if len(list) < len(old) {
		ed.dropElements(it, len(list), len(old))
	}
	if len(list) > len(old) {
		ed.appendElements(it, list[len(old):])
	}
	return true
}

func (ed *editor) appendElements(it *item, add []any) {
	texts := make([]string, len(add))
	for i, v := range add {
		texts[i] = text(v)
	}
	if len(it.kids) == 0 {
		ed.put(it.valOff+1, it.valOff+1, strings.Join(texts, ", "))
		return
	}
	last := it.kids[len(it.kids)-1]
	line := bytes.LastIndexByte(ed.x.body[:last.valOff], '\n') + 1
	indent := ed.indent(line)
	if line <= it.valOff || line+len(indent) != last.valOff {
		ed.put(last.valEnd, last.valEnd, ", "+strings.Join(texts, ", "))
		return
	}
	// One element a line: the new ones get lines too, below the remark on the last one's line.
	sep := ed.lineBreak(last.valEnd) + indent
	w := walker{body: ed.x.body}
	close, comma, _ := w.gap(last.valEnd)
	eol := close
	if i := bytes.IndexByte(ed.x.body[last.valEnd:close], '\n'); i >= 0 {
		eol = last.valEnd + i
		if ed.x.body[eol-1] == '\r' {
			eol--
		}
	} else {
		eol = last.valEnd
	}
	if comma < 0 {
		ed.put(last.valEnd, last.valEnd, ",")
		ed.put(eol, eol, sep+strings.Join(texts, ","+sep))
		return
	}
	eol = max(eol, comma+1)
	ed.put(eol, eol, sep+strings.Join(texts, ","+sep)+",")
}

// dropElements takes out elements from to below to.
func (ed *editor) dropElements(it *item, from, to int) {
	kids := it.kids
	start, end := kids[from].valOff, kids[to-1].valEnd
	switch {
	case from > 0:
		start = kids[from-1].valEnd
	case to < len(kids):
		end = kids[to].valOff
	default:
		w := walker{body: ed.x.body}
		if _, comma, _ := w.gap(end); comma >= 0 {
			end = comma + 1
		}
	}
	if !ed.remarks(start, end) {
		ed.put(start, end, "")
		return
	}
	for _, k := range kids[from:to] {
		end := k.valEnd
		w := walker{body: ed.x.body}
		if _, comma, _ := w.gap(end); comma >= 0 {
			if ed.remarks(end, comma) {
				ed.put(comma, comma+1, "")
			} else {
				end = comma + 1
			}
		}
		ed.put(k.valOff, end, "")
	}
}

// within says whether an item is a member of just these braces, perhaps by dotted key.
func within(it, braces *item) bool {
	for it = it.parent; it != nil && it.kind == tableItem && it.dotted; it = it.parent {
	}
	return it == braces
}

// element adds [[...]] after the last one.
func (ed *editor) element(array *item, t Table) {
	last := array.kids[len(array.kids)-1]
	header := ed.src(last.header.off, last.header.end)
	ed.putBlock(place{s: ed.lastIn(last)}, blockLines(header, ed.indent(last.header.line), t))
}
