package file

import "bytes"

func (d *Doc) delete(key string) (*Doc, error) {
	p, err := ParsePath(key)
	if err != nil {
		return nil, err
	}
	ed := &editor{doc: d, x: d.index()}
	it := ed.x.find(p)
	if it == nil {
		return nil, d.refuse(key, "unknown key", "a key of this file", "")
	}
	switch {
	case it.parent.kind == arrayItem:
		ed.dropElements(it.parent, it.step.Index, it.step.Index+1)
	case it.kv != nil && it.valEnd == 0: // a dotted key within braces: each of its members by itself
		for len(it.kids) > 0 {
			last := it.kids[len(it.kids)-1]
			next, err := d.delete(p.plus(last.step).String())
			if err != nil {
				return nil, err
			}
			if d = next; d.index().find(p) == nil {
				return d, nil
			}
			it = d.index().find(p)
		}
	case it.member.end > 0:
		ed.dropMember(it)
	default:
		ed.dropLines(it)
	}
	return d.finish(ed.splices, p, nil, true)
}

// dropMember takes one key out of braces, with its comma.
func (ed *editor) dropMember(it *item) {
	braces := it.parent
	for braces.dotted && braces.kind == tableItem {
		braces = braces.parent
	}
	prev, next := -1, -1
	braces.walk(nil, func(_ Path, o *item) {
		if o.member.end == 0 || !within(o, braces) {
			return
		}
		if o.member.end <= it.member.off {
			prev = max(prev, o.member.end)
		}
		if o.member.off >= it.member.end && (next < 0 || o.member.off < next) {
			next = o.member.off
		}
	})
	switch {
	case next >= 0:
		ed.put(it.member.off, next, "")
	case prev >= 0:
		ed.put(prev, it.member.end, "")
	default:
		ed.put(braces.valOff+1, braces.valEnd-1, "")
	}
}

// dropLines takes out all header and key lines of an item.
func (ed *editor) dropLines(it *item) {
	stmts := ed.x.stmts
	gone := func(s *stmt) bool {
		return inside(s.table, it) || !s.header && inside(ed.x.keyItem(s), it)
	}
	var runs []span
	for i := 0; i < len(stmts); i++ {
		if !gone(stmts[i]) {
			continue
		}
		// Of key lines only those without anything between them go together; a table goes from its header to its last line.
		first := i
		for i+1 < len(stmts) && gone(stmts[i+1]) && (stmts[first].header || !stmts[i+1].header && stmts[i].next == stmts[i+1].line) {
			i++
		}
		runs = append(runs, ed.run(stmts[first], stmts[i]))
	}
	// What is left at the end of the file ends as the file did: without blank lines or a line break that were not there.
	body := ed.x.body
	for last := len(runs) - 1; last >= 0 && runs[last].end == len(body); last-- {
		start := runs[last].off
		for start > 0 && blankLine(body, lineBefore(body, start)) {
			start = lineBefore(body, start)
		}
		if last > 0 && start <= runs[last-1].end {
			runs[last-1].end = len(body)
			runs = runs[:last]
			continue
		}
		if body[len(body)-1] != '\n' && start > 0 {
			start--
			if start > 0 && body[start-1] == '\r' {
				start--
			}
		}
		runs[last].off = start
		break
	}
	for _, r := range runs {
		ed.put(r.off, r.end, "")
	}
}

// keyItem is the item whose value a key line gives.
func (x *index) keyItem(s *stmt) *item {
	it := s.table
	for _, p := range s.parts {
		it = it.child(Key(p.name))
	}
	return it
}

// run is the lines from one header or key line to another, with the remarks that go with them.
func (ed *editor) run(first, last *stmt) span {
	body := ed.x.body
	start, end := first.line, last.next
	above := ed.above(first)
	if above == 0 {
		above = start // the head of the file is about the file
	}
	if first.header {
		start = above
		_, _, end = lineAt(body, ed.below(last))
		for end < len(body) && blankLine(body, end) { // the blank lines before it go on dividing
			_, _, end = lineAt(body, end)
		}
	} else if end == len(body) || blankLine(body, end) || bytes.TrimLeft(body[end:], " \t")[0] == '[' {
		start = above
	}
	for start == 0 && end < len(body) && blankLine(body, end) { // no blank lines at the top instead
		_, _, end = lineAt(body, end)
	}
	return span{start, end}
}

func lineBefore(body []byte, line int) int { return bytes.LastIndexByte(body[:line-1], '\n') + 1 }

func blankLine(body []byte, line int) bool {
	_, eol, _ := lineAt(body, line)
	return len(bytes.TrimSpace(body[line:eol])) == 0
}
