package file

import (
	"bytes"
	"slices"
	"sort"
	"strings"
)

// SameValues says whether two texts mean the same: the same keys with equal values, see Equal. Order, comments, layout and
// the spelling of numbers may differ.
func SameValues(a, b *Doc) bool { return Equal(a.tree, b.tree) }

// Layout says what differs between two texts apart from their values: comments, if their words or the keys they stand by
// differ; layout, if anything else does (order, blank lines, blanks, line ends, the spelling of keys and values). For texts
// that differ in their values both are about the rest as well, but a value that changed is not told from one spelled
// differently; ask SameValues first.
func Layout(a, b *Doc) (comments, layout bool) {
	comments = !slices.Equal(a.commentList(), b.commentList())
	layout = !bytes.Equal(a.bare(), b.bare())
	// Blanks around remarks, a byte-order mark, the last line break: never say that texts are the same when they are not.
	return comments, layout || !comments && !bytes.Equal(a.text, b.text)
}

// Comment is one remark in a text.
type Comment struct {
	Key  string // the key or table it is about; "" for the end of the file and the keys above the first table
	Text string // without # and the blanks around it
	Line int
	Tail bool // it stands behind something on its line
}

// Comments lists the remarks in the order of the text. A remark behind a key or header, or within its value, belongs to that.
// Remark lines directly above a key or header belong to it; those directly below the last key of a table, with a blank line
// after them, to that table; those with blank lines on both sides to the next key or header.
func (d *Doc) Comments() []Comment {
	x := d.index()
	ed := &editor{doc: d, x: x}
	var out []Comment
	next, above, below := -1, 0, 0 // the next header or key line, where its remarks begin, where those of the one before end
	for _, c := range x.comments {
		for next < 0 || next < len(x.stmts) && x.stmts[next].eol < c.end {
			next++
			above, below = len(x.body), 0
			if next < len(x.stmts) {
				above = min(ed.above(x.stmts[next]), x.stmts[next].off)
			}
			if next > 0 {
				below = ed.below(x.stmts[next-1])
			}
		}
		key := ""
		switch {
		case c.off < above && c.end <= below:
			key = x.stmts[next-1].table.path().String()
		case next == len(x.stmts):
		case x.stmts[next].header:
			key = x.stmts[next].table.path().String()
		default:
			key = x.keyItem(x.stmts[next]).path().String()
		}
		line, _ := x.lineCol(c.off)
		words := strings.TrimSpace(strings.TrimPrefix(string(x.body[c.off:c.end]), "#"))
		_, eol, _ := lineAt(x.body, x.lines[line-1])
		tail := len(bytes.TrimLeft(x.body[x.lines[line-1]:min(c.off, eol)], " \t")) > 0
		out = append(out, Comment{Key: key, Text: words, Line: line, Tail: tail})
	}
	return out
}

// commentList is what Layout compares: the remarks of each key, whichever order the keys are in.
func (d *Doc) commentList() []string {
	var out []string
	for _, c := range d.Comments() {
		out = append(out, c.Key+"\x00"+c.Text)
	}
	sort.Strings(out)
	return out
}

// bare is the text without its comments: those with a line of their own go with the line, others with the blanks before.
func (d *Doc) bare() []byte {
	x := d.index()
	var out []byte
	at := 0
	for _, c := range x.comments {
		start, end := c.off, c.end
		for start > at && (x.body[start-1] == ' ' || x.body[start-1] == '\t') {
			start--
		}
		if start == 0 || x.body[start-1] == '\n' {
			_, _, end = lineAt(x.body, start)
		}
		out = append(out, x.body[at:start]...)
		at = end
	}
	return append(out, x.body[at:]...)
}
