package diffview

import (
	"fmt"

	"rigkeep/preset"
	"rigkeep/schema"
)

// Moment is a tune's values at one moment, as at a job that pinned it.
type Moment struct {
	Name  string // "2026-01-15-pilot-station"
	Short string // "2026-01-15"
	Tune  preset.Tune
}

// minorShare is the most of a picture's height that a change may fill which the
// catalogue calls minor.
const minorShare = 0.125

// leastSpan is the span of a picture of a parameter in which the least notable change
// fills no more than minorShare, 0 where the steps are not known.
func leastSpan(p schema.Param, sheet *schema.Sheet) float64 {
	coarse := p.Coarse
	if sheet != nil && p.Dial != "" {
		if d, ok := sheet.Dials[p.Dial]; ok {
			coarse = d.Coarse
		}
	}
	return p.Significance.Notable * coarse / minorShare
}

// OverJobs pictures each numeric parameter that is not the same at all moments,
// oldest first, in the catalogue's order. Fewer than two moments show nothing.
// Onsets recorded in the last moment's proof are marked.
func OverJobs(cat *schema.Catalogue, sheet *schema.Sheet, ms []Moment) []Plot {
	if len(ms) < 2 {
		return nil
	}
	styles := map[string]bool{}
	for _, m := range ms {
		for _, s := range m.Tune.Styles() {
			styles[s] = true
		}
	}
	var out []Plot
	for _, key := range cat.Expand(union(styles, nil)) {
		p, _ := cat.Param(key)
		s := Series{Name: p.Label(key)}
		differs := false
		for i, m := range ms {
			v, ok := m.Tune.Num(key)
			if !ok {
				continue
			}
			differs = differs || len(s.Y) > 0 && s.Y[len(s.Y)-1] != v
			s.X, s.Y = append(s.X, float64(i)), append(s.Y, v)
		}
		if !differs || len(s.X) < 2 {
			continue
		}
		y := p.Unit
		if sheet != nil && p.Dial != "" {
			if d, ok := sheet.Dials[p.Dial]; ok {
				y = d.Unit
			}
			if y == "" {
				y = "dial"
			}
		}
		first, last := s.Y[0], s.Y[len(s.Y)-1]
		x := Plot{Key: "history." + key, Title: p.Label(key), XLabel: "job", YLabel: y, Series: []Series{s},
			About: fmt.Sprintf("From %s to %s.", schema.Num(first), schema.Num(last))}
		x.LeastSpan = leastSpan(p, sheet)
		for i, m := range ms {
			x.Ticks = append(x.Ticks, PlotTick{X: float64(i), Name: m.Name, Short: m.Short})
		}
		if a, ok := schema.ParseAxis(p.Axis); ok && p.Group == "stiffness" {
			if pr := ms[len(ms)-1].Tune.Proof; pr != nil {
				if on, ok := pr.Onset[a]; ok {
					x.Marks = append(x.Marks, PlotMark{Name: "onset", Y: on})
				}
			}
		}
		out = append(out, x)
	}
	return out
}
