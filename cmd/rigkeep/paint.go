package main

import (
	"io"
	"slices"
	"strings"

	"rigkeep/diffview/page"
	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
)

// paint colours words for a terminal, or not at all. Colour is never the only
// sign of anything.
type paint struct{ on bool }

func (p paint) sgr(code, s string) string {
	if !p.on || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

func (p paint) bold(s string) string { return p.sgr("1", s) }
func (p paint) warn(s string) string { return p.sgr("33", s) }
func (p paint) bad(s string) string  { return p.sgr("31", s) }
func (p paint) good(s string) string { return p.sgr("32", s) }

// verdict colours a text by how something stands.
func (p paint) verdict(v page.Verdict, s string) string {
	switch v {
	case page.Good:
		return p.good(s)
	case page.Bad:
		return p.bad(s)
	case page.Look:
		return p.warn(s)
	}
	return s
}

// signed puts the sign of a verdict before a word, where there is colour too: without it the
// word says all.
func (p paint) signed(v page.Verdict, word string) string {
	if s := v.Sign(); p.on && s != "" {
		return s + " " + word
	}
	return word
}

// wrap breaks text at blanks to the width, each line behind indent.
func wrap(text, indent string, width int) string {
	var b strings.Builder
	for _, l := range sheet.Wrap(text, width-sheet.Width(indent)) {
		b.WriteString(strings.TrimRight(indent+l, " ") + "\n")
	}
	return b.String()
}

// fold breaks what is too long for a terminal at its blanks, each line under its own
// indent; a command to try is left whole, to be copied. What goes to a file or a pipe is left as it is.
func (e Env) fold(to io.Writer, text string) string {
	if !tty(to) {
		return text
	}
	width := e.width(0)
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if sheet.Width(l) <= width {
			continue
		}
		if strings.HasPrefix(l, "Try: ") {
			continue // a command gets no line break of ours
		}
		indent := l[:len(l)-len(strings.TrimLeft(l, " "))]
		lines[i] = strings.TrimSuffix(wrap(l, indent, width), "\n")
	}
	return strings.Join(lines, "\n")
}

// table is a table of a command's answer: its cells are made safe here, so outside text may be passed as it is, and
// its heading is bold.
type table struct {
	rows   [][]string
	right  map[int]bool // columns aligned to the right
	whole  map[int]bool // columns that fitted never cuts
	head   bool         // the first row is a heading
	titles map[int]string
	stands []standing
}

// standing is how a cell stands, for its colour.
type standing struct {
	row, column int
	v           page.Verdict
}

// standing notes how a cell of the last row stands.
func (t *table) standing(column int, v page.Verdict) {
	if t.stands == nil {
		t.stands = make([]standing, 0, cap(t.rows))
	}
	t.stands = append(t.stands, standing{len(t.rows) - 1, column, v})
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// title is a line of its own above the rows that follow.
func (t *table) title(text string) {
	if t.titles == nil {
		t.titles = map[int]string{}
	}
	t.titles[len(t.rows)] = text
}

// dropEmpty takes out the columns that no row but the heading fills.
func (t *table) dropEmpty() {
	x := sheet.Table{Head: t.head, Rows: t.rows, Right: t.right, Whole: t.whole}
	kept := x.DropEmpty()
	t.rows, t.right, t.whole = x.Rows, x.Right, x.Whole
	for i := range t.stands {
		t.stands[i].column = slices.Index(kept, t.stands[i].column)
	}
}

// render wraps the last column to what is left of the width.
func (t *table) render(p paint, indent string, width int) string {
	return t.sheet(p, sheet.LastWraps, safe.Text, 0).Text(indent, width)
}

// fitted lays out each row as one line of the width: what is too long for its column is cut
// with …, but for the first cell, which names the row: where it is longer than first, it takes
// a line of its own, and the columns stay where they are.
func (t *table) fitted(p paint, indent string, width, first int) string {
	return t.sheet(p, sheet.Cuts, safe.Line, first).Text(indent, width)
}

func (t *table) sheet(p paint, how sheet.How, clean func(string) string, first int) *sheet.Table {
	out := &sheet.Table{How: how, Head: t.head, Right: t.right, Whole: t.whole, First: first, Titles: map[int]string{}, Rows: t.rows}
	for n, text := range t.titles {
		out.Titles[n] = safe.Line(text)
	}
	for _, r := range t.rows { // in place, as a list is long: what is clean stays as it is
		for j, c := range r {
			r[j] = clean(c)
		}
	}
	if p.on {
		stands := make(map[[2]int]page.Verdict, len(t.stands))
		for _, s := range t.stands {
			stands[[2]int{s.row, s.column}] = s.v
		}
		out.Paint = func(row, column int, s string) string {
			if column < 0 && (row < 0 || t.head && row == 0) {
				return p.bold(s)
			}
			return p.verdict(stands[[2]int{row, column}], s)
		}
	}
	return out
}

func columns(s string) int { return sheet.Width(s) }
