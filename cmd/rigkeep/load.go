package main

import (
	"strings"

	"rigkeep/preset"
	"rigkeep/schema"
)

// keyLine is one value in the order in which values are keyed in.
type keyLine struct {
	Group string // heading under which it stands
	Key   string
	Name  string
	Value any
	Text  string // the value with its unit
}

// keyLines lists values in the order in which they are keyed in: by the catalogue's
// groups, the follow styles one after the other.
func keyLines(cat *schema.Catalogue, sheet *schema.Sheet, values map[string]any) []keyLine {
	var out []keyLine
	styles := preset.Tune{Values: values}.Styles()
	add := func(keys []string, heading func(p schema.Param) string, take func(p schema.Param) bool) {
		for _, key := range keys {
			p, known := cat.Param(key)
			v, there := values[key]
			if !known || !there || !take(p) {
				continue
			}
			out = append(out, keyLine{Group: heading(p), Key: key, Name: p.Name, Value: v, Text: textOf(cat, sheet, p, key, v)})
		}
	}
	title := map[string]string{}
	for _, g := range cat.Groups() {
		title[g.Name] = g.Title
	}
	for _, g := range cat.Groups() {
		add(cat.Expand(nil), func(schema.Param) string { return title[g.Name] }, func(p schema.Param) bool {
			return p.Group == g.Name && !strings.Contains(p.Path, "*")
		})
	}
	for _, s := range styles {
		add(cat.Expand([]string{s}), func(p schema.Param) string { return title[p.Group] + ", " + s }, func(p schema.Param) bool {
			return strings.Contains(p.Path, "*")
		})
	}
	return out
}

// textOf is a value with its unit, as the controller shows it.
func textOf(cat *schema.Catalogue, sheet *schema.Sheet, p schema.Param, key string, v any) string {
	unit := p.Unit
	if sheet != nil {
		if d, ok := sheet.DialOf(cat, key); ok && d.Unit != "" {
			unit = d.Unit
		}
	}
	return withUnit(valueText(v), unit)
}

// keyedIn lays out values in the order in which they are keyed in. mark, where given,
// is what stands before a line.
func (k *invocation) keyedIn(sheet *schema.Sheet, values map[string]any, mark func(l keyLine) string) string {
	var b strings.Builder
	group := "\x00"
	var t table
	flush := func() {
		if len(t.rows) > 0 {
			b.WriteString(t.render(k.paint, "  ", k.wide))
		}
		t = table{}
	}
	for _, l := range keyLines(k.cat, sheet, values) {
		if l.Group != group {
			flush()
			group = l.Group
			b.WriteString(k.paint.bold(strings.ToUpper(l.Group)) + "\n")
		}
		row := []string{l.Name, l.Text}
		if mark != nil {
			row = append([]string{mark(l)}, row...)
		}
		t.add(row...)
	}
	flush()
	return b.String()
}
