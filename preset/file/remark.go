package file

import (
	"bytes"
	"slices"
	"strings"
)

// AddComment gives the Doc with one more remark, in words of one line: above the header or key line that the key stands on,
// at the end of the file for the key "", or behind the value on its line where tail is asked for and there is room. It is
// what a merge uses for a remark that only the other side has. Errors are those of Set.
func (d *Doc) AddComment(key, words string, tail bool) (*Doc, error) {
	words = strings.TrimSpace(words)
	if _, err := commentWords(words); err != nil {
		return nil, d.refuse(key, "this cannot be a remark", "words on one line, without control characters", "")
	}
	ed := &editor{doc: d, x: d.index()}
	body := ed.x.body
	mark := "# " + words
	if words == "" {
		mark = "#"
	}
	if strings.HasPrefix(words, ":") { // #:schema …, which editors look for
		mark = "#" + words
	}
	if key == "" {
		sep := ""
		if len(body) > 0 {
			sep = ed.lineBreak(len(body))
			if body[len(body)-1] == '\n' {
				mark += sep
			} else {
				sep += sep
			}
		}
		ed.put(len(body), len(body), sep+mark)
		return d.remarked(ed, key, words, 1)
	}
	p, err := ParsePath(key)
	if err != nil {
		return nil, err
	}
	s := ed.stmtOf(p)
	if s == nil {
		return nil, d.refuse(key, "unknown key", "a key of this file", "")
	}
	if tail && len(bytes.TrimSpace(body[s.end:s.eol])) == 0 && !bytes.ContainsRune(body[s.off:s.end], '\n') {
		ed.put(s.end, s.eol, " "+mark)
		if next, err := d.remarked(ed, key, words, 1); err == nil {
			return next, nil
		}
		ed.splices = nil
	}
	ed.put(s.line, s.line, ed.indent(s.line)+mark+ed.lineBreak(s.line))
	return d.remarked(ed, key, words, 1)
}

// DropComment gives the Doc without one of its remarks, as Comments lists it. Errors are those of Set.
func (d *Doc) DropComment(c Comment) (*Doc, error) {
	ed := &editor{doc: d, x: d.index()}
	for _, at := range ed.x.comments {
		line, _ := ed.x.lineCol(at.off)
		if line != c.Line {
			continue
		}
		start, end := at.off, at.end
		first := ed.x.lines[line-1]
		for start > first && (ed.x.body[start-1] == ' ' || ed.x.body[start-1] == '\t') {
			start--
		}
		if start == first {
			_, _, end = lineAt(ed.x.body, first)
		}
		ed.put(start, end, "")
		return d.remarked(ed, c.Key, c.Text, -1)
	}
	return nil, d.refuse(c.Key, "no comment there", "a comment of this file", "")
}

// stmtOf is the header or key line on which the item at p begins.
func (ed *editor) stmtOf(p Path) *stmt {
	it := ed.x.find(p)
	switch {
	case it == nil:
		return nil
	case it.kv != nil:
		return it.kv
	case it.header != nil:
		return it.header
	}
	if s := ed.firstIn(it); s != nil {
		return s
	}
	var first *stmt // a table made by dotted keys
	it.walk(nil, func(_ Path, k *item) {
		if first == nil {
			first = k.kv
		}
	})
	return first
}

func commentWords(words string) (string, error) {
	for _, r := range words {
		if r < 0x20 && r != '\t' || r == 0x7f {
			return "", ErrUnsafeEdit
		}
	}
	return words, nil
}

// remarked lets a change through only if no value differs and of the remarks just one, by its words (by is +1 for one that
// was added, -1 for one that is gone).
func (d *Doc) remarked(ed *editor, key, words string, by int) (*Doc, error) {
	unsafe := func(cause error) (*Doc, error) {
		e := d.refuse(key, "this remark cannot be changed without touching more of the file", "a change of one remark", "edit the file by hand")
		e.Cause = cause
		return nil, e
	}
	text, err := d.splice(ed.splices)
	if err != nil {
		return unsafe(err)
	}
	next, err := Parse(d.name, text)
	if err != nil {
		return unsafe(err)
	}
	next.rank = d.rank
	less, more := d.commentWords(), next.commentWords()
	if by < 0 {
		less, more = more, less
	}
	if i := slices.Index(more, words); i < 0 || !same(d.tree, next.tree, false) || !slices.Equal(slices.Delete(more, i, i+1), less) {
		return unsafe(ErrUnsafeEdit)
	}
	return next, nil
}

func (d *Doc) commentWords() []string {
	var out []string
	for _, c := range d.Comments() {
		out = append(out, c.Text)
	}
	slices.Sort(out)
	return out
}
