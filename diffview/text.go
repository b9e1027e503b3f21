package diffview

import (
	"io"
	"math"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"

	"rigkeep/diffview/safe"
)

// Style is what the caller knows of the terminal.
type Style struct {
	Colour bool // colours beside the signs and words, never in their place
	Width  int  // columns, 80 when 0
}

const (
	minWidth   = 24
	usualWidth = 80
)

var sgr = map[tone]string{better: "36", worse: "31", look: "33", added: "1", removed: "1", strong: "1", dim: "2"}

// paint colours a text that has been made safe.
func (s Style) paint(t tone, txt string) string {
	if code := sgr[t]; s.Colour && code != "" && txt != "" {
		return "\x1b[" + code + "m" + txt + "\x1b[0m"
	}
	return txt
}

// WriteText writes a report for a terminal, wrapped to the style's width: of two tunes the
// short form, of anything else, and with All, the whole.
func WriteText(w io.Writer, r Report, o Options, s Style) error {
	p := newPrinter(s)
	if !o.All && r.short(p, o) {
		_, err := io.WriteString(w, p.b.String())
		return err
	}
	v := layOut(r, o)
	for _, x := range v.Parties {
		p.hang(dim, x[0]+strings.Repeat(" ", 8-len(x[0])), safe.Line(x[1]))
	}
	p.hang(strong, "", safe.Line(v.Stat))
	for _, sec := range v.Sections {
		p.line("")
		p.hang(strong, "", safe.Line(sec.Title))
		for _, b := range sec.Blocks {
			switch {
			case b.Table != nil:
				p.table(*b.Table)
			case b.Plot != nil:
				p.plot(*b.Plot)
			default:
				p.para("  ", safe.Line(b.Para), b.Tone)
			}
		}
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

type printer struct {
	s Style
	b strings.Builder
}

func (p *printer) line(s string) {
	p.b.WriteString(strings.TrimRight(s, " "))
	p.b.WriteByte('\n')
}

// para writes one paragraph after a margin, further lines two columns deeper.
func (p *printer) para(margin, s string, t tone) {
	for i, l := range wrap(s, max(p.s.Width-len(margin)-2, 8)) {
		if i == 1 {
			margin += "  "
		}
		p.line(margin + p.s.paint(t, l))
	}
}

// hang writes a paragraph behind a label, further lines under the first.
func (p *printer) hang(t tone, label, s string) {
	for i, l := range wrap(s, p.s.Width-len(label)) {
		if i == 1 {
			label = strings.Repeat(" ", len(label))
		}
		p.line(p.s.paint(t, label+l))
	}
}

// width counts the columns a text takes; wide scripts take two a character.
func width(s string) int { return text.StringWidthWithoutEscSequences(s) }

// wrap breaks a text at blanks into lines of at most w columns; a word longer
// than a line is cut.
func wrap(s string, w int) []string {
	var out []string
	cur := ""
	flush := func() {
		out = append(out, cur)
		cur = ""
	}
	for _, word := range strings.Fields(s) {
		switch {
		case cur == "":
		case width(cur)+1+width(word) <= w:
			cur += " "
		default:
			flush()
		}
		for width(word) > w {
			head := cut(word, w)
			if head == "" {
				head = word[:firstLen(word)]
			}
			cur, word = head, word[len(head):]
			flush()
		}
		cur += word
	}
	if cur != "" || out == nil {
		flush()
	}
	return out
}

// cut is the longest start of a word that fits into w columns.
func cut(word string, w int) string {
	n := 0
	for i, r := range word {
		if n += text.RuneWidth(r); n > w {
			return word[:i]
		}
	}
	return word
}

func firstLen(s string) int {
	for i := range s {
		if i > 0 {
			return i
		}
	}
	return len(s)
}

const gap = 2

// table writes a table in columns where it fits; extra columns then move below
// their row, text columns wrap, and on a narrow screen rows are stacked.
func (p *printer) table(t table) {
	if t.Loud {
		p.para("  ", safe.Line(t.Caption), plainTone)
	}
	cells := make([][]string, len(t.Rows)) // safe text, not coloured
	for i, r := range t.Rows {
		for _, c := range r.Cells {
			cells[i] = append(cells[i], c.safe())
		}
	}
	for _, withExtra := range []bool{true, false} {
		if widths, ok := p.fit(t, cells, withExtra); ok {
			p.columns(t, cells, widths)
			return
		}
	}
	p.stack(t, cells)
}

// safe is a cell on one line; marks carry [-gone-] and {+new+} signs.
func (c cell) safe() string {
	if c.Marks == nil {
		return safe.Line(c.Text)
	}
	var b strings.Builder
	for _, m := range c.Marks {
		switch m.Op {
		case Added:
			b.WriteString("{+" + safe.Line(m.Text) + "+}")
		case Removed:
			b.WriteString("[-" + safe.Line(m.Text) + "-]")
		default:
			b.WriteString(safe.Line(m.Text))
		}
	}
	return b.String()
}

// fit gives each column a width, 0 for one that is left out; ok is false when
// the columns would be too narrow to read.
func (p *printer) fit(t table, cells [][]string, withExtra bool) (widths []int, ok bool) {
	widths = make([]int, len(t.Head))
	total := 2
	for j, col := range t.Head {
		if col.Extra && !withExtra {
			continue
		}
		for i := range cells {
			widths[j] = max(widths[j], width(cells[i][j]))
		}
		widths[j] = max(widths[j], width(col.Title))
		total += widths[j] + gap
	}
	over := total - gap - p.s.Width
	if over <= 0 {
		return widths, true
	}
	if withExtra {
		return nil, false
	}
	// take from the widest until it fits
	for ; over > 0; over-- {
		widest := -1
		for j, col := range t.Head {
			if widths[j] > 0 && !col.Right && (widest < 0 || widths[j] > widths[widest]) {
				widest = j
			}
		}
		if widest < 0 || widths[widest] <= 20 {
			return nil, false
		}
		widths[widest]--
	}
	return widths, true
}

func (p *printer) columns(t table, cells [][]string, widths []int) {
	pad := func(s string, j int) string {
		blanks := strings.Repeat(" ", max(widths[j]-width(s), 0))
		if t.Head[j].Right {
			return blanks + s
		}
		return s + blanks
	}
	var head []string
	for j, col := range t.Head {
		if widths[j] > 0 {
			head = append(head, pad(col.Title, j))
		}
	}
	p.line(p.s.paint(dim, "  "+strings.TrimRight(strings.Join(head, strings.Repeat(" ", gap)), " ")))
	for i, r := range t.Rows {
		lines := make([][]string, len(t.Head))
		height := 1
		for j := range t.Head {
			if widths[j] > 0 {
				lines[j] = wrap(cells[i][j], widths[j])
				if j == 0 && len(lines[j]) > 1 { // a label goes on under its words, not under its sign
					lines[j] = wrap(cells[i][j], widths[j]-2)
					for k := 1; k < len(lines[j]); k++ {
						lines[j][k] = "  " + lines[j][k]
					}
				}
				height = max(height, len(lines[j]))
			}
		}
		for k := range height {
			var out []string
			for j := range t.Head {
				if widths[j] == 0 {
					continue
				}
				s := ""
				if k < len(lines[j]) {
					s = lines[j][k]
				}
				out = append(out, p.s.paint(r.Cells[j].Tone, pad(s, j)))
			}
			p.line("  " + strings.Join(out, strings.Repeat(" ", gap)))
		}
		var left []string
		for j, col := range t.Head {
			if widths[j] == 0 && cells[i][j] != "" {
				title := col.Title
				if col.Plain {
					title = ""
				}
				left = append(left, strings.TrimSpace(title+" "+cells[i][j]))
			}
		}
		if left != nil {
			p.para("      ", strings.Join(left, "; "), dim)
		}
	}
}

// stack writes each row as a heading with its cells below.
func (p *printer) stack(t table, cells [][]string) {
	for i, r := range t.Rows {
		p.para("  ", cells[i][0], r.Cells[0].Tone)
		for j := 1; j < len(t.Head); j++ {
			if cells[i][j] == "" {
				continue
			}
			p.para("    ", t.Head[j].Title+": "+cells[i][j], r.Cells[j].Tone)
		}
	}
}

var bars = []rune("▁▂▃▄▅▆▇█")

// plot draws each series as a row of bars on one common scale.
func (p *printer) plot(pl Plot) {
	lo, hi := math.Inf(1), math.Inf(-1)
	x0, x1 := math.Inf(1), math.Inf(-1)
	for _, s := range pl.Series {
		for i := range s.Y {
			lo, hi = math.Min(lo, s.Y[i]), math.Max(hi, s.Y[i])
			x0, x1 = math.Min(x0, s.X[i]), math.Max(x1, s.X[i])
		}
	}
	if !(hi >= lo) {
		return
	}
	p.para("  ", safe.Line(pl.Title), plainTone)
	name := 0
	for _, s := range pl.Series {
		name = max(name, width(safe.Line(s.Name)))
	}
	n := min(p.s.Width-name-6, 60)
	if n < 8 {
		p.para("    ", "too narrow here for the picture", dim)
		return
	}
	for _, s := range pl.Series {
		row := make([]rune, n)
		for k := range row {
			row[k] = ' '
			if y, ok := at(s, x0+(x1-x0)*float64(k)/float64(n-1), pl.LogX, x0, x1, float64(k)/float64(n-1)); ok {
				share := 0.0
				if hi > lo {
					share = (y - lo) / (hi - lo)
				}
				row[k] = bars[min(int(share*float64(len(bars))), len(bars)-1)]
			}
		}
		label := safe.Line(s.Name)
		p.line("    " + label + strings.Repeat(" ", name-width(label)) + "  " + string(row))
	}
	p.para("    ", "across: "+safe.Line(pl.XLabel)+" "+three(x0)+" to "+three(x1)+"; up: "+safe.Line(pl.YLabel)+" "+three(lo)+" to "+three(hi), dim)
	for _, m := range pl.Marks {
		p.para("    ", safe.Line(m.Name)+": "+three(m.Y), dim)
	}
}

// at reads a series between its points; share is the place along the axis.
func at(s Series, x float64, logX bool, x0, x1, share float64) (float64, bool) {
	if logX && x0 > 0 {
		x = x0 * math.Pow(x1/x0, share)
	}
	for i := range s.X {
		if s.X[i] < x && i+1 < len(s.X) {
			continue
		}
		if i == 0 || s.X[i] <= x {
			return s.Y[i], len(s.X) > 0
		}
		a, b := i-1, i
		return s.Y[a] + (s.Y[b]-s.Y[a])*(x-s.X[a])/(s.X[b]-s.X[a]), true
	}
	return 0, false
}
