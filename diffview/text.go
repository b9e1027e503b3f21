package diffview

import (
	"io"
	"math"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/sheet"
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
	for i, l := range sheet.WrapCut(s, max(p.s.Width-len(margin)-2, 8)) {
		if i == 1 {
			margin += "  "
		}
		p.line(margin + p.s.paint(t, l))
	}
}

// hang writes a paragraph behind a label, further lines under the first.
func (p *printer) hang(t tone, label, s string) {
	for i, l := range sheet.WrapCut(s, p.s.Width-len(label)) {
		if i == 1 {
			label = strings.Repeat(" ", len(label))
		}
		p.line(p.s.paint(t, label+l))
	}
}

// table writes a table in columns where it fits; extra columns then move below
// their row, text columns wrap, and on a narrow screen rows are stacked.
func (p *printer) table(t table) {
	if t.Loud {
		p.para("  ", safe.Line(t.Caption), plainTone)
	}
	x := sheet.Table{How: sheet.AllWrap, Head: true, Right: map[int]bool{}, Extra: map[int]bool{}, Plain: map[int]bool{}, Rows: make([][]string, 1+len(t.Rows))}
	for j, col := range t.Head {
		x.Rows[0] = append(x.Rows[0], col.Title)
		x.Right[j], x.Extra[j], x.Plain[j] = col.Right, col.Extra, col.Plain
	}
	for i, r := range t.Rows {
		for _, c := range r.Cells {
			x.Rows[i+1] = append(x.Rows[i+1], c.safe())
		}
	}
	x.Paint = func(row, column int, s string) string {
		switch {
		case column >= 0 && row > 0:
			return p.s.paint(t.Rows[row-1].Cells[column].Tone, s)
		case row == 0 && column < 0:
			return p.s.paint(dim, s)
		}
		return s
	}
	p.b.WriteString(x.Text("  ", p.s.Width))
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
		name = max(name, sheet.Width(safe.Line(s.Name)))
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
		p.line("    " + label + strings.Repeat(" ", name-sheet.Width(label)) + "  " + string(row))
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
