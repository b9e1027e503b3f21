package main

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"unicode"

	"github.com/mattn/go-runewidth"

	"rigkeep/diffview/safe"
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

// wrap breaks text at blanks to the width, each line behind indent. A percent
// sign stays with its number.
func wrap(text, indent string, width int) string {
	if text != "" && !strings.ContainsFunc(text, unicode.IsSpace) {
		return indent + text + "\n" // nowhere to break it
	}
	var b strings.Builder
	for _, para := range strings.Split(text, "\n") {
		line := ""
		for _, w := range unbroken(strings.Fields(para)) {
			if line != "" && runewidth.StringWidth(indent+line+" "+w) > width {
				b.WriteString(indent + line + "\n")
				line = ""
			}
			if line != "" {
				line += " "
			}
			line += w
		}
		b.WriteString(strings.TrimRight(indent+line, " ") + "\n")
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
		if runewidth.StringWidth(l) <= width {
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

// unbroken joins a word that only makes sense behind the one before it.
func unbroken(words []string) []string {
	out := words[:0]
	for _, w := range words {
		if n := len(out); n > 0 && strings.HasPrefix(w, "%") {
			out[n-1] += " " + w
			continue
		}
		out = append(out, w)
	}
	return out
}

// table lays out rows in columns; the last column is wrapped to what is left of
// the width. Cells are made safe here, so outside text may be passed as it is.
type table struct {
	rows  [][]string
	right map[int]bool // columns aligned to the right
	whole map[int]bool // columns that fitted never cuts
	head  bool         // the first row is a heading
	// above the row of that number; see title
	titles map[int]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// title is a line of its own above the rows that follow; fitted alone knows it.
func (t *table) title(text string) {
	if t.titles == nil {
		t.titles = map[int]string{}
	}
	t.titles[len(t.rows)] = text
}

// dropEmpty takes out the columns that no row but the heading fills.
func (t *table) dropEmpty() {
	if !t.head || len(t.rows) < 2 {
		return
	}
	for c := len(t.rows[0]) - 1; c >= 0; c-- {
		used := false
		for _, r := range t.rows[1:] {
			used = used || c < len(r) && r[c] != ""
		}
		if used {
			continue
		}
		for i, r := range t.rows {
			if c < len(r) {
				t.rows[i] = slices.Delete(r, c, c+1)
			}
		}
	}
}

func (t *table) render(p paint, indent string, width int) string {
	var w []int
	for _, r := range t.rows {
		for i, c := range r {
			if i >= len(w) {
				w = append(w, 0)
			}
			r[i] = safe.Text(c)
			w[i] = max(w[i], runewidth.StringWidth(r[i]))
		}
	}
	fixed := len(indent) // of the columns before the last
	for i := 0; i+1 < len(w); i++ {
		fixed += w[i] + 2
	}
	if fixed > width && len(w) > 2 {
		return t.stacked(p, indent, width)
	}
	var b strings.Builder
	var line []byte
	spaces := func(n int) {
		for range n {
			line = append(line, ' ')
		}
	}
	for n, r := range t.rows {
		line = append(line[:0], indent...)
		at := len(indent)
		for i, c := range r {
			last := i == len(r)-1
			if last && !t.right[i] {
				room := width - at
				if c != "" && room < 24 && w[i] > room && i > 0 { // too narrow beside the others: a line of its own
					line = append(append(append(bytes.TrimRight(line, " "), '\n'), indent...), "    "...)
					at = len(indent) + 4
					room = max(width-at, 24)
				}
				for j, l := range strings.Split(strings.TrimSuffix(wrap(c, "", room), "\n"), "\n") {
					if j > 0 {
						line = append(line, '\n')
						spaces(at)
					}
					line = append(line, l...)
				}
				break
			}
			pad := w[i] - runewidth.StringWidth(c)
			if t.right[i] {
				spaces(pad)
				line = append(line, c...)
			} else {
				line = append(line, c...)
				spaces(pad)
			}
			if !last {
				spaces(2)
			}
			at += w[i] + 2
		}
		line = bytes.TrimRight(line, " ")
		if t.head && n == 0 {
			line = []byte(p.bold(string(line)))
		}
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.String()
}

// fitted lays out each row as one line of the width: what is too long for its column is cut
// with …, but for the first cell, which names the row: where it is longer than first, it takes
// a line of its own, and the columns stay where they are. Columns give way from the widest.
func (t *table) fitted(p paint, indent string, width, first int) string {
	const least = 6 // of a column but the first
	var w []int
	for _, r := range t.rows {
		for i, c := range r {
			if i >= len(w) {
				w = append(w, 0)
			}
			r[i] = safe.Line(c)
			if n := columns(r[i]); i > 0 || n <= first {
				w[i] = max(w[i], n)
			}
		}
	}
	for {
		total, widest := len(indent), -1
		for i, n := range w {
			total += n
			if i > 0 {
				total += 2
				if n > least && !t.whole[i] && (widest < 0 || n > w[widest]) {
					widest = i
				}
			}
		}
		if total <= width {
			break
		}
		if widest < 0 {
			return t.stacked(p, indent, width)
		}
		w[widest]--
	}
	var b strings.Builder
	var line []byte
	for n, r := range t.rows {
		if title, ok := t.titles[n]; ok {
			b.WriteString(indent + p.bold(safe.Line(title)) + "\n")
		}
		line = append(line[:0], indent...)
		for i, c := range r {
			if i > 0 {
				line = append(line, "  "...)
				if columns(c) > w[i] {
					c = runewidth.Truncate(c, w[i], "…")
				}
			}
			size := columns(c)
			if i == 0 && size > w[0] {
				b.WriteString(indent + c + "\n")
				c, size = "", 0
			}
			if !t.right[i] {
				line = append(line, c...)
			}
			for range w[i] - size {
				line = append(line, ' ')
			}
			if t.right[i] {
				line = append(line, c...)
			}
		}
		line = bytes.TrimRight(line, " ")
		if t.head && n == 0 {
			line = []byte(p.bold(string(line)))
		}
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.String()
}

// columns is the width of a text on a terminal.
func columns(s string) int {
	for i := 0; i < len(s); i++ {
		if s[i] >= 0x7f || s[i] < ' ' {
			return runewidth.StringWidth(s)
		}
	}
	return len(s)
}

// stacked lays out each row as lines of its own, for a window that is too narrow
// for columns.
func (t *table) stacked(p paint, indent string, width int) string {
	var b strings.Builder
	for n, r := range t.rows {
		if t.head && n == 0 {
			continue
		}
		for i, c := range r {
			switch {
			case i == 0:
				b.WriteString(p.bold(strings.TrimSuffix(wrap(c, indent, width), "\n")) + "\n")
			case c == "":
			case t.head && i < len(t.rows[0]) && t.rows[0][i] != "":
				b.WriteString(wrap(t.rows[0][i]+": "+c, indent+"    ", width))
			default:
				b.WriteString(wrap(c, indent+"    ", width))
			}
		}
	}
	return b.String()
}
