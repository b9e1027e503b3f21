// Package rigview is what pages show of one rig and its tune: the large values with the
// controller's own names, the proof group by group, the follow styles, the parts and
// the onsets, as the parts of package page.
package rigview

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/preset"
	"rigkeep/schema"
)

// Number writes a value as the dial shows it.
func Number(v any) string {
	if n, ok := schema.Number(v); ok {
		return schema.Num(n)
	}
	switch x := v.(type) {
	case bool:
		return map[bool]string{true: "on", false: "off"}[x]
	}
	return fmt.Sprint(v)
}

// shownAs is what the controller calls the dial of a parameter, else its unit.
func shownAs(s *schema.Sheet, dial string) string {
	if s == nil {
		return ""
	}
	return page.Middle(s.Dials[dial].ShownAs, longAs)
}

// longAs is the longest name of a dial that stands under a number.
const longAs = 16

// Unit is the word for the numbers of the stiffness dials where all share one.
func Unit(s *schema.Sheet) string {
	if s == nil {
		return ""
	}
	unit := ""
	for i, a := range schema.Axes {
		u := s.Dials["stiffness."+a.String()].Unit
		if i > 0 && u != unit {
			return ""
		}
		unit = u
	}
	return unit
}

// Stiffness are the three large values. proved are the values of the proof where they
// are known, nil otherwise.
func Stiffness(s *schema.Sheet, t *preset.Tune, proved map[string]any) []page.Value {
	var out []page.Value
	for _, a := range schema.Axes {
		key := "stiffness." + a.String()
		v := page.Value{Name: a.String(), Number: "–", As: shownAs(s, key)}
		if t != nil {
			if n, ok := t.Values[key]; ok {
				v.Number = Number(n)
				if was, ok := proved[key]; ok && Number(was) != v.Number {
					v.Was = "proved at " + Number(was)
				}
			}
		}
		out = append(out, v)
	}
	return out
}

// FiltersAndLimits are the second row of values.
func FiltersAndLimits(s *schema.Sheet, t *preset.Tune, proved map[string]any) []page.Value {
	var out []page.Value
	for _, x := range []struct{ key, name string }{{"filters.sensing", "Sensing"}, {"filters.drive", "Drive"}, {"limits.tilt.up_deg", "Tilt up"}, {"limits.tilt.down_deg", "Tilt down"}} {
		v := page.Value{Name: x.name, Number: "–", As: shownAs(s, x.key)}
		deg := strings.HasSuffix(x.key, "_deg")
		if t != nil {
			if n, ok := t.Values[x.key]; ok {
				v.Number = Number(n)
				if deg {
					v.Number += "°"
				} else if s != nil && v.As == "" {
					v.As = page.Middle(s.Dials[x.key].Unit, longAs)
				}
				if was, ok := proved[x.key]; ok && Number(was) != Number(n) {
					v.Was = "proved at " + Number(was)
				}
			} else if deg {
				v.As = "no limit set"
			} else {
				v.As = cmp.Or(v.As, "not set")
			}
		}
		out = append(out, v)
	}
	return out
}

// Group is the proof of one group of values.
type Group struct {
	Name   string // "Hold", "Limits", the name of a style
	State  page.State
	Tested string // day, unit, who
	Since  string // what changed since then
	Onset  string // with margins, for Hold
}

// Proof gives the state of each group: hold, limits, horizon, then each follow style. on is the
// unit that it goes out on, "" where that is not said; days are in zone.
func Proof(r preset.Rig, s *schema.Sheet, t *preset.Tune, on string, zone *time.Location) []Group {
	none := page.State{V: page.Bad, Word: "not proved"}
	if t == nil {
		return []Group{{Name: "Hold", State: page.State{V: page.Note, Word: "no tune yet"}}}
	}
	states := map[string]page.State{
		preset.NotProved: none,
		preset.Proved:    {V: page.Good, Word: preset.Proved},
		preset.OutOfDate: {V: page.Look, Word: preset.OutOfDate},
	}
	out := []Group{}
	for _, x := range t.Standing(r, s, on) {
		name := x.Group
		if style := preset.GroupStyle(name); style != "" {
			name = style
		}
		g := Group{Name: Title(name), State: states[x.State]}
		if p := x.Proof; p != nil {
			g.Tested = join(", ", schema.SayDay(p.At, zone), p.Unit, map[string]string{"hand": "handheld", "stand": "on the stand only"}[p.Place], p.By)
			if p.Minutes > 0 {
				g.Tested += ", " + schema.Num(p.Minutes) + " min"
			}
			var why []string
			for _, y := range x.Reasons {
				why = append(why, y.Text)
			}
			g.Since = strings.Join(why, "; ")
		} else if t.Proof != nil {
			g.Tested = "No test on record"
		}
		if x.Group == preset.GroupHold {
			g.Onset = Margins(t)
		}
		out = append(out, g)
	}
	return out
}

// Margins are the onsets of the proof with what is left to them.
func Margins(t *preset.Tune) string {
	if t == nil || t.Proof == nil {
		return ""
	}
	var out []string
	for _, a := range schema.Axes {
		on, ok := t.Proof.Onset[a]
		if !ok {
			continue
		}
		said := a.String() + " " + schema.Num(on)
		if v, ok := t.Stiffness(a); ok && v > 0 && on > 0 {
			said += fmt.Sprintf(", %.2f times", on/v)
		}
		out = append(out, said)
	}
	return strings.Join(out, "; ")
}

// Badges are the states of the groups.
func Badges(gs []Group) []page.Badge {
	var out []page.Badge
	for _, g := range gs {
		out = append(out, page.Badge{Name: g.Name, State: g.State})
	}
	return out
}

// Overall is the worst state of the groups, for a list, with a word for which group.
func Overall(gs []Group) page.State {
	if len(gs) == 1 && gs[0].State.V == page.Note {
		return gs[0].State // no tune yet
	}
	var all []preset.Standing
	for i, g := range gs {
		x := preset.Standing{Group: strings.ToLower(g.Name), State: g.State.Word}
		if i == 0 {
			x.Group = preset.GroupHold
		}
		all = append(all, x)
	}
	state, _ := preset.Overall(all)
	v := map[string]page.Verdict{preset.Proved: page.Good, preset.OutOfDate: page.Look, preset.NotProved: page.Look}[state]
	if state == preset.NotProved && len(gs) > 0 && gs[0].State.V == page.Bad {
		v = page.Bad // hold itself: a style is only worth a look
	}
	return page.State{V: v, Word: preset.OverallWords(all)}
}

// Styles is the matrix of the follow styles.
type Styles struct {
	Columns []Column
	Rows    []StyleRow
}

// Column is a dead band or lag of one axis; First begins a group.
type Column struct{ What, Axis, As string }

// StyleRow is one style.
type StyleRow struct {
	Name  string
	State page.State
	Cells []string
}

// Spans are how many columns each quantity has, in order.
func (s Styles) Spans() []Span {
	var out []Span
	for _, c := range s.Columns {
		if n := len(out); n > 0 && out[n-1].What == c.What {
			out[n-1].N++
		} else {
			out = append(out, Span{c.What, 1})
		}
	}
	return out
}

// Span is one heading above columns.
type Span struct {
	What string
	N    int
}

// StylesOf lays the follow styles of a tune out; axes that no style uses have no column.
func StylesOf(s *schema.Sheet, t *preset.Tune, gs []Group) Styles {
	var out Styles
	if t == nil {
		return out
	}
	for _, q := range []struct{ key, what string }{{"deadband", "Dead band"}, {"lag", "Lag"}} {
		for _, a := range schema.Axes {
			used := false
			for _, st := range t.Styles() {
				_, ok := t.Values["follow."+st+"."+q.key+"."+a.String()]
				used = used || ok
			}
			if used {
				as := shownAs(s, "follow."+q.key+"."+a.String())
				if as == "" && s != nil {
					as = page.Middle(s.Dials["follow."+q.key+"."+a.String()].Unit, longAs)
				}
				out.Columns = append(out.Columns, Column{q.what, a.String(), as})
			}
		}
	}
	states := map[string]page.State{}
	for _, g := range gs {
		states[g.Name] = g.State
	}
	for _, st := range t.Styles() {
		row := StyleRow{Name: Title(st), State: states[Title(st)]}
		for _, c := range out.Columns {
			key := map[string]string{"Dead band": "deadband", "Lag": "lag"}[c.What]
			cell := "–"
			if v, ok := t.Values["follow."+st+"."+key+"."+c.Axis]; ok {
				cell = Number(v)
			}
			row.Cells = append(row.Cells, cell)
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

// Other are the values that stand nowhere else: horizon and what a catalogue adds.
func Other(cat *schema.Catalogue, t *preset.Tune) []page.Fact {
	if t == nil {
		return nil
	}
	var out []page.Fact
	for _, key := range cat.Expand(t.Styles()) {
		v, ok := t.Values[key]
		if !ok || strings.HasPrefix(key, "stiffness.") || strings.HasPrefix(key, "filters.") || strings.HasPrefix(key, "limits.tilt.") || strings.HasPrefix(key, "follow.") && (strings.Contains(key, ".deadband.") || strings.Contains(key, ".lag.")) {
			continue
		}
		p, _ := cat.Param(key)
		text := Number(v)
		if p.Unit == "°" {
			text += "°"
		} else if p.Unit != "" {
			text += " " + p.Unit
		}
		out = append(out, page.Fact{Term: Title(p.Label(key)), Text: text})
	}
	return out
}

// Title is a word with its first letter large.
func Title(s string) string {
	r := []rune(s)
	if len(r) == 0 {
		return s
	}
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

func join(sep string, words ...string) string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return strings.Join(out, sep)
}

// Lens is the name of what sees, for a line on the rig: the parts in the slot lens.
func Lens(r preset.Rig) string {
	var out []string
	for _, p := range r.Parts {
		if p.Slot == "lens" {
			out = append(out, p.Name)
		}
	}
	return strings.Join(out, " + ")
}

// Line is what a rig is, on one line.
func Line(r preset.Rig, s *schema.Sheet) string {
	gimbal := r.Gimbal
	if s != nil {
		gimbal = s.Name
	}
	if l := Lens(r); l != "" {
		return l + " on " + gimbal
	}
	return "On " + gimbal
}

// Kilos is a mass to the five grams that a kitchen scale is good for.
func Kilos(kg float64) string {
	return fmt.Sprintf("%.3f kg", math.Round(kg*200)/200)
}

// Templates are what pages show of this package: "groups" of a []Group, "styles" of a
// Styles.
const Templates = `{{define "groups"}}<table class="rows"><caption class="hush">Proof by group</caption><thead><tr><th scope="col">Group</th><th scope="col">State</th><th scope="col">Tested</th><th scope="col">Onset and margin</th></tr></thead><tbody>
{{range .}}<tr><th scope="row">{{line .Name}}</th><td>{{template "state" .State}}</td><td class="{{if not .Tested}}none{{end}}">{{line .Tested}}{{with .Since}}. <span class="soft">Since then: {{line .}}</span>{{end}}</td><td class="{{if not .Onset}}none{{end}}" data-label="Onset, margin">{{line .Onset}}</td></tr>
{{end}}</tbody></table>{{end}}
{{define "styles"}}<div class="flush panel narrow"><table class="matrix styles"><caption class="hush">Follow styles</caption><thead><tr><td></td>{{range .Spans}}<th scope="colgroup" colspan="{{.N}}" class="r">{{.What}}</th>{{end}}</tr><tr><td></td>{{range .Columns}}<th scope="col" class="r">{{.Axis}}{{with .As}}<span class="u">{{line .}}</span>{{end}}</th>{{end}}</tr></thead><tbody>
{{range .Rows}}<tr><th scope="row">{{line .Name}}{{if .State.Word}}<span class="u">{{template "state" .State}}</span>{{end}}</th>{{range .Cells}}<td class="r"><span class="v">{{.}}</span></td>{{end}}</tr>
{{end}}</tbody></table></div>{{end}}
`
