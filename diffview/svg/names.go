package svg

import (
	"math"

	"rigkeep/diffview/safe"
)

// covers is how near, in px, one point hides another of its kind.
const covers = 2

// naming places names on a layout, never on each other: beside their point where there is
// room, else above or below.
type naming struct {
	*layout
	taken []rect
}

type rect struct{ x0, y0, x1, y1 float64 }

// textAt is the room of a text of this length.
func textAt(x, y, long float64) rect { return rect{x, y - 11, x + long, y + 3} }

// points lays out the points with their names. Proved points without a name are one path, and of
// those that lie on each other one is drawn: a library of a thousand rigs has as many.
func (l *layout) points() {
	n := naming{layout: l}
	var drawn []Point
	for _, p := range l.Points {
		if l.drawable(p.X, p.Y) {
			x, y := l.px(p.X), l.py(p.Y)
			drawn, n.taken = append(drawn, p), append(n.taken, rect{x - 6, y - 6, x + 6, y + 6})
		}
	}
	for i := range l.d.Marks {
		n.mark(&l.d.Marks[i])
	}
	type place struct{ x, y int }
	seen := map[place]bool{}
	for _, p := range drawn {
		if p.Name != "" || p.Kind != "proved" || p.Lo < p.Hi {
			l.d.Points = append(l.d.Points, n.point(p))
			continue
		}
		x, y := l.px(p.X), l.py(p.Y)
		if at := (place{int(x / covers), int(y / covers)}); !seen[at] {
			l.d.Crowd += "M" + coord(x) + " " + coord(y) + "h0"
			seen[at] = true
		}
	}
}

// mark names a line across where it stands; one down on its other side, or lower, where
// something is in the way.
func (n *naming) mark(m *mark) {
	long := charWidth * float64(len([]rune(m.Name)))
	if m.X1 == m.X2 && n.covered(textAt(m.TX, m.TY, long)) > 0 {
		at, least := [2]float64{m.TX, m.TY}, math.Inf(1)
		for _, x := range [][2]float64{{m.TX, m.TY}, {m.X1 - 4 - long, m.TY}, {m.X1 + 4, m.TY + 18}, {m.X1 - 4 - long, m.TY + 18}} {
			r := textAt(x[0], x[1], long)
			if cost := n.covered(r) + n.aside(r); cost < least {
				at, least = x, cost
			}
		}
		m.TX, m.TY = round(at[0]), at[1]
	}
	n.taken = append(n.taken, textAt(m.TX, m.TY, long))
}

// point places a point and its name.
func (n *naming) point(p Point) point {
	q := point{X: round(n.px(p.X)), Y: round(n.py(p.Y)), Kind: p.Kind, Name: cut(safe.Line(p.Name), 26), Anchor: "start"}
	if n.interval(p) {
		q.Lo, q.Hi = round(n.py(p.Lo)), round(n.py(p.Hi))
	}
	long := charWidth * float64(len([]rune(q.Name)))
	best, least := [2]float64{q.X + 9, q.Y + 4}, math.Inf(1)
	for _, off := range [][2]float64{{8, -8}, {-8 - long, -8}, {8, 17}, {-8 - long, 17}, {9, 4}, {-9 - long, 4}, {-long / 2, -12}, {-long / 2, 22}, {9, 32}, {-9 - long, -24}, {9, -24}, {-9 - long, 32}} {
		r := textAt(q.X+off[0], q.Y+off[1], long)
		cost := n.aside(r) + math.Max(0, n.d.Top-6-r.y0) + math.Max(0, r.y1-n.d.Base) + n.covered(r) + n.crossed(r)
		if cost < least {
			best, least = [2]float64{r.x0, r.y0 + 11}, cost
		}
	}
	q.TX, q.TY = round(math.Max(best[0], 2)), round(best[1])
	n.taken = append(n.taken, textAt(q.TX, q.TY, long))
	return q
}

// aside is how far a text stands out at the left or right.
func (n *naming) aside(r rect) float64 {
	return math.Max(0, 2-r.x0) + math.Max(0, r.x1-float64(n.d.Width)+2)
}

// covered is how much of a text is taken.
func (n *naming) covered(r rect) (cost float64) {
	for _, t := range n.taken {
		if w, h := math.Min(r.x1, t.x1)-math.Max(r.x0, t.x0), math.Min(r.y1, t.y1)-math.Max(r.y0, t.y0); w > 0 && h > 0 {
			cost += w + h
		}
	}
	return cost
}

// crossed is the cost of lines through a text: it can be read, but worse than one beside a line.
func (n *naming) crossed(r rect) (cost float64) {
	for _, s := range n.Series {
		for i := range s.X {
			if x := s.X[i]; n.usable(s, i) && n.px(x) > r.x0 && n.px(x) < r.x1 && n.py(s.Y[i]) > r.y0-1 && n.py(s.Y[i]) < r.y1+1 {
				cost += 4
			}
		}
	}
	for _, m := range n.d.Marks {
		if m.X1 == m.X2 && m.X1 > r.x0 && m.X1 < r.x1 {
			cost += 4
		}
	}
	return math.Min(cost, 16)
}
