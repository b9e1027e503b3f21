package preset

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"rigkeep/preset/balance"
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

var degrees = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`(\d+(?:\.\d+)?)\s*(?:°|deg)`) })

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
		if m := degrees().FindStringSubmatch(how); m != nil {
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

// AxisEfforts are the resting efforts of a record by axis, percent: of those at the points
// of an axis the largest.
//
// Source: the record.
func (b BalanceRecord) AxisEfforts() map[schema.Axis]float64 {
	out := map[schema.Axis]float64{}
	for _, x := range b.Efforts {
		a, ok := schema.ParseAxis(x.Axis)
		e, _ := b.EffortAt(x.Point)
		if !ok || e.Effort == nil {
			continue
		}
		v := *e.Effort
		if was, have := out[a]; !have || math.Abs(v) > math.Abs(was) || math.Abs(v) == math.Abs(was) && v > was {
			out[a] = v
		}
	}
	return out
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
