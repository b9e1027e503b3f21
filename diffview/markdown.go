package diffview

import (
	"io"
	"strings"

	"rigkeep/diffview/safe"
)

// WriteMarkdown writes the report as GitHub-flavoured Markdown.
func WriteMarkdown(w io.Writer, r Report, o Options) error {
	v := layOut(r, o)
	var b strings.Builder
	b.WriteString("# " + md(v.Title) + "\n\n")
	for _, p := range v.Parties {
		b.WriteString("- **" + p[0] + "** " + md(p[1]) + "\n")
	}
	b.WriteString("\n**" + md(v.Stat) + "**\n")
	for _, s := range v.Sections {
		b.WriteString("\n## " + md(s.Title) + "\n")
		for _, x := range s.Blocks {
			b.WriteByte('\n')
			switch {
			case x.Table != nil:
				mdTable(&b, *x.Table)
			case x.Plot != nil:
				mdPlot(&b, *x.Plot)
			default:
				b.WriteString(md(x.Para) + "\n")
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// md makes outside text plain in Markdown: what could be markup is escaped.
func md(s string) string {
	s = safe.Line(s)
	var b strings.Builder
	for i, r := range s {
		first := strings.TrimSpace(s[:i]) == ""
		switch {
		case r == '<':
			b.WriteString("&lt;")
		case r == '>':
			b.WriteString("&gt;")
		case r == '&':
			b.WriteString("&amp;")
		case strings.ContainsRune("\\`*_[]|~", r),
			// these mean something at the start of a line only
			first && strings.ContainsRune("#-=!:.", r),
			first && r == '+' && blankAt(s, i+1),
			(r == '.' || r == ')') && onlyDigits(s[:i]) && blankAt(s, i+1):
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == ':' && strings.HasPrefix(s[i:], "://"), r == '@':
			// no link of its own making
			b.WriteString("&#" + map[rune]string{':': "58", '@': "64"}[r] + ";")
		default:
			b.WriteRune(r)
		}
	}
	return strings.ReplaceAll(b.String(), "www.", "www&#46;")
}

// blankAt reports whether a blank or the end of the text stands at i.
func blankAt(s string, i int) bool { return i >= len(s) || s[i] == ' ' || s[i] == '\t' }

func onlyDigits(s string) bool {
	s = strings.TrimSpace(s)
	return s != "" && strings.Trim(s, "0123456789") == ""
}

func mdTable(b *strings.Builder, t table) {
	if t.Loud {
		b.WriteString(md(t.Caption) + "\n\n")
	}
	row := func(cells []string) { b.WriteString("| " + strings.Join(cells, " | ") + " |\n") }
	var head, rule []string
	for _, c := range t.Head {
		head = append(head, md(c.Title))
		if c.Right {
			rule = append(rule, "---:")
		} else {
			rule = append(rule, "---")
		}
	}
	row(head)
	row(rule)
	for _, r := range t.Rows {
		var cells []string
		for _, c := range r.Cells {
			cells = append(cells, c.md())
		}
		row(cells)
	}
}

func (c cell) md() string {
	if c.Marks == nil {
		return md(c.Text)
	}
	var b strings.Builder
	for _, m := range c.Marks {
		switch m.Op {
		case Added:
			b.WriteString("<ins>" + md(m.Text) + "</ins>")
		case Removed:
			b.WriteString("<del>" + md(m.Text) + "</del>")
		default:
			b.WriteString(md(m.Text))
		}
	}
	return b.String()
}

// mdPlot gives a plot's numbers, since Markdown has no picture of its own.
func mdPlot(b *strings.Builder, p Plot) {
	c := p.Chart()
	t := table{Head: []column{{Title: p.XLabel, Right: true}}}
	for _, s := range p.Series {
		t.Head = append(t.Head, column{Title: s.Name + ", " + p.YLabel, Right: true})
	}
	xs, ys := c.Rows(9)
	for i, x := range xs {
		r := row{Cells: []cell{{Text: three(x)}}}
		for _, y := range ys[i] {
			r.Cells = append(r.Cells, cell{Text: three(y)})
		}
		t.Rows = append(t.Rows, r)
	}
	b.WriteString("**" + md(p.Title) + "** " + md(p.About) + "\n\n")
	mdTable(b, t)
}
