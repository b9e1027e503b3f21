package preset

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rigkeep/preset/unit"
	"rigkeep/schema"
)

// BalanceCautions are said whenever a balance begins or goes on.
var BalanceCautions = []string{
	"Power off before you touch the build: powered motors pinch. Hold it before you open a clamp, and tighten every clamp before you let go.",
	"The maker's manual, local codes and qualified crew come first.",
}

// Sign is what is seen when a build is off balance, and which way the slide must go then.
type Sign struct {
	Sees  string // "The lens sinks"
	Short string // "Lens sinks", for a button
	Way   string // "back"
}

// lookFor is how to look, with the power off, and the two things that can be seen (common
// practice, no source). what is the word for the thing that is moved, end what stands after.
func lookFor(adj schema.Adjustment) (how string, signs [2]Sign, what, end string) {
	what = "the build"
	switch {
	case adj.Stage == schema.Tilt && adj.Moves == 0:
		return "Camera level, let go of it gently.", [2]Sign{{"The lens sinks", "Lens sinks", "back"}, {"The lens rises", "Lens rises", "forward"}}, "it", " It stays where you leave it when the mark is right."
	case adj.Stage == schema.Tilt:
		return "Point the lens straight up, let go gently.", [2]Sign{{"It falls back, over the top", "Falls back", "down"}, {"It falls forward", "Falls forward", "up"}}, what, " It stays at any tilt when the mark is right."
	case adj.Stage == schema.Roll && adj.Moves == 1:
		return "Head level, let go gently.", [2]Sign{{"It leans left", "Leans left", "right"}, {"It leans right", "Leans right", "left"}}, what, ""
	case adj.Stage == schema.Roll:
		return "Lean the head 90° to one side, let go gently.", [2]Sign{{"It turns upright", "Swings upright", "up"}, {"It turns over", "Turns over", "down"}}, what, ""
	case adj.Moves == 0:
		return "Lean the handle 20° to one side, let go of pan gently.", [2]Sign{{"The lens turns to the low side", "Lens swings low", "back"}, {"The back does", "Back swings low", "forward"}}, what, ""
	}
	return "Lean the handle 20° forward, let go of pan gently.", [2]Sign{{"The left side turns to the front", "Left side to front", "right"}, {"The right side does", "Right side to front", "left"}}, what, ""
}

// LookFor says what to look for by hand, and what to do about it.
func LookFor(adj schema.Adjustment) string {
	way := func(dir string) string {
		if dir == adj.Rising() {
			return dir + " (larger mark)"
		}
		return dir + " (smaller mark)"
	}
	how, s, what, end := lookFor(adj)
	return how + " " + s[0].Sees + ": move " + what + " " + way(s[0].Way) + ". " + s[1].Sees + ": move it " + way(s[1].Way) + "." + end
}

// Signs are the two things that LookFor names, with how to look for them.
func Signs(adj schema.Adjustment) (how string, signs [2]Sign) {
	how, signs, _, end := lookFor(adj)
	return how + end, signs
}

// Try is a mark that is tried at a slide.
type Try struct {
	Mark float64 // metres
	By   float64 // the step that led there, metres, above 0; 0 for the first
	Way  string  // the way of that step
}

// firstTry and leastTry are the largest first step and the smallest of all, in metres: a
// scale is read to a millimetre (common practice, no source).
const (
	firstTry = 0.008
	leastTry = 0.001
)

// Next is the mark to try after a sign: on from the last one by the same step, back by half of
// it where the build went too far. half is how far the expected mark may be off, 0 where it was
// found before. It stays on the scale. Marks are whole millimetres.
func (t Try) Next(adj schema.Adjustment, s Sign, half float64) Try {
	by := t.By
	switch {
	case by <= 0:
		by = min(half/2, firstTry)
	case s.Way != t.Way:
		by /= 2
	}
	by = max(math.Round(by*1000)/1000, leastTry)
	step := by
	if s.Way != adj.Rising() {
		step = -by
	}
	mark := math.Round((t.Mark+step)*1000) / 1000
	if r := adj.Range; r != nil {
		mark = min(max(mark, r[0]), r[1])
	}
	return Try{Mark: mark, By: by, Way: s.Way}
}

// ParseMark reads a mark of an adjustment as people type it, mm with a decimal comma or
// point, and gives it in metres.
func ParseMark(a schema.Adjustment, text string) (float64, error) {
	v, err := unit.ParseIn(unit.Length, strings.Replace(strings.TrimSpace(text), ",", ".", 1), "mm")
	if err != nil {
		return 0, err
	}
	if p := a.Fault(v); p != nil {
		return 0, fmt.Errorf("%s; want %s", p.What, p.Want)
	}
	return v, nil
}

// ParseEfforts reads one resting effort in percent, or two from either side as 2.8/1.2.
func ParseEfforts(s string) ([]float64, error) {
	var out []float64
	for _, w := range strings.Split(s, "/") {
		w = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(w), "%"))
		v, err := strconv.ParseFloat(strings.Replace(w, ",", ".", 1), 64)
		if err != nil || math.IsNaN(v) || v < -100 || v > 100 {
			return nil, fmt.Errorf("%q is not a percentage from -100 to 100", w)
		}
		out = append(out, v)
	}
	if len(out) > 2 {
		return nil, fmt.Errorf("%s; type one, or two from either side as 2.8/1.2", schema.Count(len(out), "reading", "readings"))
	}
	return out, nil
}

// NewEffort is the resting effort at a point as read: of two readings their mean, and both;
// without a reading, that it was passed over.
func NewEffort(p BalancePoint, readings []float64, at time.Time) BalanceEffort {
	e := BalanceEffort{Point: p.Text, At: at}
	if p.HasAxis {
		e.Axis = p.Axis.String()
	}
	if len(readings) == 0 {
		return e
	}
	v := readings[0]
	if len(readings) > 1 {
		v, e.Sides = Rounded(readings[0]/2+readings[1]/2, 9), readings
	}
	e.Effort = &v
	return e
}

// Next is the first adjustment of a sheet without an answer, and then the first point of
// the balance check without one; both -1 when all are answered.
func (b BalanceRecord) Next(s *schema.Sheet) (mark, point int) {
	for i, a := range s.Adjustments {
		if _, ok := b.Mark(a.Name); !ok {
			return i, -1
		}
	}
	for i, p := range BalancePoints(s) {
		if _, ok := b.EffortAt(p.Text); !ok {
			return -1, i
		}
	}
	return -1, -1
}

// ReadEfforts are the efforts of the record, read; the newest of each point.
func (b BalanceRecord) ReadEfforts(s *schema.Sheet, r Rig) []PointReading {
	var out []PointReading
	seen := map[string]bool{}
	points := map[string]BalancePoint{}
	for _, p := range BalancePoints(s) {
		points[p.Text] = p
	}
	for _, e := range b.Efforts {
		if seen[e.Point] {
			continue
		}
		seen[e.Point] = true
		last, _ := b.EffortAt(e.Point)
		p, ok := points[e.Point]
		if !ok {
			p = BalancePoint{Text: e.Point}
			p.Axis, p.HasAxis = schema.ParseAxis(e.Axis)
			p.HasAxis = p.HasAxis && p.Axis != schema.Pan
		}
		if v := last.Readings(); v != nil {
			if read, err := ReadEffort(s, r, p, v); err == nil {
				out = append(out, PointReading{Point: p, Efforts: v, Read: read})
			}
		}
	}
	return out
}

// Found are the answers of the record in words, the newest of each.
func (b BalanceRecord) Found(s *schema.Sheet, r Rig) []string {
	var out []string
	for _, a := range s.Adjustments {
		if m, ok := b.Mark(a.Name); ok && m.Mark != nil {
			out = append(out, fmt.Sprintf("%s %s mm", a.Name, schema.Num(Rounded(*m.Mark*1000, 4))))
		}
	}
	for _, x := range b.ReadEfforts(s, r) {
		out = append(out, "resting effort, "+x.Short())
	}
	return out
}
