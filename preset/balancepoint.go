package preset

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"rigkeep/preset/balance"
	"rigkeep/preset/bench"
	"rigkeep/preset/mass"
	"rigkeep/schema"
)

// BalancePoint is one point of a gimbal sheet's balance check.
type BalancePoint struct {
	Text    string
	Axis    schema.Axis
	HasAxis bool     // the text begins with an axis, so a reading can be worked out
	Tilt    float64  // rad of the lens, up positive
	Lean    *float64 // rad of the handle out of the upright, for pan; nil where it does not say
}

// usualPoints are checked where a sheet lists none (common practice, no source).
var usualPoints = []string{"tilt, lens level", "tilt, lens up", "roll, lens level"}

var degrees = regexp.MustCompile(`(\d+(?:\.\d+)?)\s*(?:°|deg)`)

// BalancePoints reads the points of a sheet: the axis before the comma, and how the
// head stands behind it.
//
// Source: the sheet's balance.points; what is checked without is common practice, no source.
func BalancePoints(s *schema.Sheet) []BalancePoint {
	texts := s.BalancePoints
	if len(texts) == 0 {
		texts = usualPoints
	}
	var out []BalancePoint
	for _, t := range texts {
		p := BalancePoint{Text: t}
		name, how, _ := strings.Cut(strings.ToLower(t), ",")
		p.Axis, p.HasAxis = schema.ParseAxis(strings.TrimSpace(name))
		said := -1.0
		if m := degrees.FindStringSubmatch(how); m != nil {
			if v, err := strconv.ParseFloat(m[1], 64); err == nil && v <= 180 {
				said = v * math.Pi / 180
			}
		}
		word := func(w string) bool {
			for _, x := range strings.FieldsFunc(how, func(r rune) bool { return r < 'a' || r > 'z' }) {
				if x == w {
					return true
				}
			}
			return false
		}
		if said >= 0 && p.Axis == schema.Pan {
			p.Lean = &said
		}
		limit := func(deg *float64) float64 {
			if said >= 0 {
				return said
			}
			if word("limit") && deg != nil {
				return *deg * math.Pi / 180
			}
			return math.Pi / 2
		}
		if p.Axis != schema.Pan {
			switch {
			case word("up"):
				p.Tilt = limit(s.TiltUpDeg)
			case word("down"):
				p.Tilt = -limit(s.TiltDownDeg)
			}
		}
		out = append(out, p)
	}
	return out
}

// ReadEffort turns resting effort at a point of the balance check (percent; one
// reading, or two from either side) into a verdict and what to do. The mass is the
// build's own: what of the gimbal turns with it is not on the sheet.
//
// Source: balance.ReadAtAttitude.
func ReadEffort(s *schema.Sheet, r Rig, p BalancePoint, efforts []float64) (balance.Reading, error) {
	th := balance.Thresholds{Good: s.GoodPct, Workable: s.WorkablePct}
	if !p.HasAxis {
		if len(efforts) == 0 {
			return balance.Reading{}, &schema.DomainError{What: "no effort was read"}
		}
		e := efforts[0]/2 + efforts[len(efforts)-1]/2
		v, err := th.Judge(e)
		return balance.Reading{Effort: e, Verdict: v, Words: fmt.Sprintf("%s: %.1f %% (%s)", p.Text, e, v)}, err
	}
	a := balance.Axis{Mass: r.Mass(), Full: s.Axes[p.Axis].Torque}
	if p.Axis == schema.Pan {
		a.Incline = math.Pi / 2
		if p.Lean != nil {
			a.Incline -= *p.Lean
		}
	}
	sin, cos := math.Sincos(p.Tilt)
	gravity := mass.Vec{-sin, 0, -cos}
	if p.Axis == schema.Roll {
		// a roll axis that is tilted up feels less of the weight
		a.Incline = p.Tilt
	}
	out, err := balance.ReadAtAttitude(p.Axis, a, efforts, balance.Sign(s.EffortSign), th, gravity)
	if err == nil && p.Axis == schema.Pan && p.Lean == nil {
		out.Words = fmt.Sprintf("pan holds %.1f %% (%s): by how much it is off needs the lean of the handle in degrees, in the sheet's balance.points", out.Effort, out.Verdict)
	}
	return out, err
}

// Notes by which a session goes on although a point of the balance check, named
// behind it, is over the threshold or was not read.
const (
	GoneOn  = "gone on over the threshold of balance: "
	NotRead = "not read: "
)

// BalanceDone says which points of the balance check a session has settled: read
// and workable, gone on with, or passed over.
//
// Source: the log and the sheet's thresholds.
func (b BenchLog) BalanceDone(s *schema.Sheet, r Rig) map[string]bool {
	done := map[string]bool{}
	for _, p := range BalancePoints(s) {
		for _, x := range b.Steps {
			switch {
			case x.Saw == string(bench.Effort) && x.Text == p.Text:
				read, err := ReadEffort(s, r, p, x.Readings())
				done[p.Text] = err == nil && read.Verdict != balance.Rebalance
			case x.Saw == string(bench.Note) && (x.Text == GoneOn+p.Text || x.Text == NotRead+p.Text):
				done[p.Text] = true
			}
		}
	}
	return done
}

// Readings are the readings of a resting effort, percent: one, or two from either side.
//
// Source: the log.
func (s BenchStep) Readings() []float64 {
	if len(s.Sides) > 0 {
		return s.Sides
	}
	return []float64{s.Effort}
}

// Balance is the balance check of a session as it stands: at each point that was
// read the last reading, in the sheet's order, then points that are not on the sheet.
//
// Source: the log; ReadEffort.
func (b BenchLog) Balance(s *schema.Sheet, r Rig) ([]PointReading, error) {
	points := BalancePoints(s)
	known := map[string]bool{}
	for _, p := range points {
		known[p.Text] = true
	}
	last := map[string]BenchStep{}
	for _, x := range b.Steps {
		if x.Saw != string(bench.Effort) {
			continue
		}
		if !known[x.Text] {
			known[x.Text] = true
			p := BalancePoint{Text: x.Text}
			p.Axis, p.HasAxis = schema.ParseAxis(x.Axis)
			points = append(points, p)
		}
		last[x.Text] = x
	}
	var out []PointReading
	for _, p := range points {
		x, ok := last[p.Text]
		if !ok {
			continue
		}
		read, err := ReadEffort(s, r, p, x.Readings())
		if err != nil {
			return nil, err
		}
		out = append(out, PointReading{p, x.Readings(), read})
	}
	return out, nil
}

// PointReading is a resting effort at a point of the balance check, as typed and as read.
type PointReading struct {
	Point   BalancePoint
	Efforts []float64 // percent: one, or two from either side
	Read    balance.Reading
}

// Short says it in few words: the effort and, of two readings, both and the friction
// that half their difference is.
//
// Source: ReadEffort.
func (p PointReading) Short() string {
	s := fmt.Sprintf("%s: %s %% (%s)", p.Point.Text, schema.Num(Rounded(p.Read.Effort, 3)), p.Read.Verdict)
	if len(p.Efforts) == 2 {
		s += fmt.Sprintf(", read as %s and %s from either side, friction %s %%", schema.Num(p.Efforts[0]), schema.Num(p.Efforts[1]), schema.Num(Rounded(math.Abs(p.Efforts[0]-p.Efforts[1])/2, 3)))
	}
	return s
}
