package fit

import (
	"fmt"
	"math"

	"rigkeep/preset/mass"
)

// Parts that lie inside each other further than both of these are told: measures are
// taken with a ruler (common practice, no source).
const (
	OverlapDepth = 0.010 // m
	OverlapShare = 0.05  // of the smaller part's volume
)

// Overlap is two parts that lie inside each other.
type Overlap struct {
	Parts [2]string `json:"parts"` // as they are called in the build
	Depth float64   `json:"depth_m"`
	Share float64   `json:"share"` // of the smaller one's volume, 0 to 1
}

// Words says it for people; length writes a length in m.
//
// Source: definition.
func (o Overlap) Words(length func(float64) string) string {
	return fmt.Sprintf("%s lies %s inside %s, %.0f %% of the smaller", o.Parts[0], length(o.Depth), o.Parts[1], o.Share*100)
}

// cells is how many points the smaller of two parts is looked at by, along each of its edges.
const cells = 20

// Overlaps finds the pairs of parts that lie deeper in each other than OverlapDepth and
// OverlapShare of the smaller one. Depth is the least of their common reach over the axes
// that can part them, exact for boxes; the share is counted over a grid of points, to about 2 %.
// A part with mass only, a point, or one without thickness overlaps with nothing.
//
// Errors: as mass.Solids.
//
// Source: separating axis theorem (Ericson, Real-Time Collision Detection, ch. 4; from memory).
func Overlaps(parts []mass.Part) ([]Overlap, error) {
	solids, _, err := mass.Solids(parts, mass.Options{})
	if err != nil {
		return nil, err
	}
	var out []Overlap
	for i := range solids {
		for j := range i {
			if parts[i].Shape == mass.MassOnly || parts[j].Shape == mass.MassOnly {
				continue // its size is assumed
			}
			a, b := solids[i], solids[j]
			if a.Volume() > b.Volume() {
				a, b = b, a
			}
			if a.Volume() <= 0 {
				continue
			}
			depth := common(a, b)
			if depth <= OverlapDepth {
				continue
			}
			if share := within(a, b); share > OverlapShare {
				out = append(out, Overlap{[2]string{a.Name, b.Name}, depth, share})
			}
		}
	}
	return out, nil
}

// common is the least length in m that two solids share along any axis that could part them;
// zero or less where they do not touch.
func common(a, b mass.Solid) float64 {
	least := math.Inf(1)
	try := func(dir mass.Vec) {
		u, ok := dir.Unit()
		if !ok || dir.Len() < 1e-6 {
			return
		}
		alo, ahi := a.Extent(u)
		blo, bhi := b.Extent(u)
		least = math.Min(least, math.Min(ahi, bhi)-math.Max(alo, blo))
	}
	fa, fb := a.Frame(), b.Frame()
	for i := range 3 {
		try(fa.Column(i))
		try(fb.Column(i))
		for j := range 3 {
			try(fa.Column(i).Cross(fb.Column(j)))
		}
	}
	try(a.Middle().Sub(b.Middle()))
	return least
}

// within is the share of a's volume that lies inside b.
func within(a, b mass.Solid) float64 {
	half := a.Half()
	f, all, in := a.Frame(), 0, 0
	for i := range cells * cells * cells {
		var v mass.Vec
		for k, n := range [3]int{i % cells, i / cells % cells, i / cells / cells} {
			v[k] = half[k] * ((float64(n)+0.5)/cells*2 - 1)
		}
		p := a.Middle().Add(f.Apply(v))
		if !a.Contains(p) {
			continue
		}
		all++
		if b.Contains(p) {
			in++
		}
	}
	if all == 0 {
		return 0
	}
	return float64(in) / float64(all)
}
