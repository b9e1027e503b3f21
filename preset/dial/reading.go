package dial

import (
	"bufio"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"rigkeep/preset/domain"
	"rigkeep/schema"
)

// Quantity is what a dial moves, and so how it is measured.
type Quantity string

// Quantities that can be measured at the stand.
const (
	OfStiffness Quantity = "stiffness"
	OfDeadBand  Quantity = "dead band"
	OfLag       Quantity = "lag"
)

// Unit is the unit of the map of a quantity, in the words of the catalogue.
//
// Source: definition.
func (q Quantity) Unit() string {
	return map[Quantity]string{OfStiffness: "Nm/rad", OfDeadBand: "deg", OfLag: "s"}[q]
}

// Columns are the numbers that a reading of a quantity may have beside "dial".
//
// Source: definition.
func (q Quantity) Columns() []string {
	switch q {
	case OfStiffness:
		return []string{"mass_g", "pull_g", "pull_n", "arm_mm", "rest_deg", "up_deg", "down_deg"}
	case OfDeadBand:
		return []string{"left_deg", "right_deg", "back_deg"}
	}
	return []string{"half_s", "most_s", "turn_s"}
}

// Reading is one reading at one setting, in the units of the stand.
type Reading struct {
	Number float64
	Values map[string]float64 // by column
	Line   int                // of the file it came from, 0 for none
}

// String is the reading as it is kept: dial=20 mass_g=200 arm_mm=150 down_deg=1.4.
func (r Reading) String() string {
	out := "dial=" + schema.Num(r.Number)
	for _, k := range slices.Sorted(maps.Keys(r.Values)) {
		out += " " + k + "=" + schema.Num(r.Values[k])
	}
	return out
}

// ParseReadings reads readings taken on paper: a CSV with a heading (dial, then the
// columns of the quantity), or lines as String writes them. Empty lines and lines
// that begin with # count for nothing. A decimal comma is taken in a file with
// semicolons.
//
// Errors: *domain.Error that names the line.
//
// Source: CSV as RFC 4180 as far as it goes.
func ParseReadings(q Quantity, text string) ([]Reading, error) {
	p := parser{q: q, known: append([]string{"dial"}, q.Columns()...)}
	in := bufio.NewScanner(strings.NewReader(strings.TrimPrefix(text, "\ufeff")))
	for in.Scan() {
		p.n++
		line := strings.TrimSpace(in.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if err := p.line(line); err != nil {
			return nil, err
		}
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	if len(p.out) == 0 {
		return nil, &domain.Error{Model: "dial", Name: "readings", Value: "none", Want: "a heading such as dial," + strings.Join(q.Columns()[:2], ",") + " and a row for each reading"}
	}
	return p.out, nil
}

// parser is ParseReadings at one line.
type parser struct {
	q     Quantity
	known []string // columns
	n     int      // of the line
	head  []string
	out   []Reading
}

func (p *parser) fail(what, value, want string) error {
	return &domain.Error{Model: "dial", Name: fmt.Sprintf("line %d: %s", p.n, what), Value: value, Want: want}
}

// line reads a line that is not empty.
func (p *parser) line(line string) error {
	r := Reading{Values: map[string]float64{}, Line: p.n}
	r.Number = math.NaN()
	if strings.Contains(line, "=") {
		for _, f := range strings.Fields(line) {
			k, v, _ := strings.Cut(f, "=")
			if err := p.put(&r, k, v); err != nil {
				return err
			}
		}
	} else {
		sep := ","
		if strings.Contains(line, ";") {
			sep = ";"
		}
		cells := strings.Split(line, sep)
		for i := range cells {
			cells[i] = strings.Trim(strings.TrimSpace(cells[i]), `"`)
		}
		if p.head == nil {
			return p.heading(line, cells)
		}
		if len(cells) != len(p.head) {
			return p.fail("row", schema.Count(len(cells), "cell", "cells"), fmt.Sprintf("%d as in the heading", len(p.head)))
		}
		for i, c := range cells {
			if c == "" {
				continue
			}
			if sep == ";" {
				c = strings.ReplaceAll(c, ",", ".")
			}
			if err := p.put(&r, p.head[i], c); err != nil {
				return err
			}
		}
	}
	if math.IsNaN(r.Number) {
		return p.fail("reading", strconv.Quote(line), "the number on the dial")
	}
	p.out = append(p.out, r)
	return nil
}

// heading takes the cells of the first row as the columns.
func (p *parser) heading(line string, cells []string) error {
	for i, c := range cells {
		cells[i] = strings.ToLower(strings.ReplaceAll(c, " ", "_"))
		if !slices.Contains(p.known, cells[i]) {
			return p.fail("column", strconv.Quote(c), strings.Join(p.known, ", "))
		}
	}
	if !slices.Contains(cells, "dial") {
		return p.fail("heading", strconv.Quote(line), "a column dial, and of "+strings.Join(p.q.Columns(), ", ")+" what was read")
	}
	p.head = cells
	return nil
}

// put puts a cell into a reading.
func (p *parser) put(r *Reading, key, cell string) error {
	if !slices.Contains(p.known, key) {
		return p.fail("column", strconv.Quote(key), strings.Join(p.known, ", "))
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return p.fail(key, strconv.Quote(cell), "a number")
	}
	if key == "dial" {
		r.Number = v
	} else {
		r.Values[key] = v
	}
	return nil
}

// Result is what one reading says.
type Result struct {
	Point
	Friction float64 // N·m, of a stiffness read both ways; 0 unknown
	Rest     float64 // deg, of a dead band read both ways: handle minus camera at rest, + left
	Lag      Lag     // of a lag
	// Refused says why the reading makes no point, with what to change; nil where it does.
	Refused error
}

const degree = math.Pi / 180

// Measure is what a reading says in the unit of the quantity's map, with the
// uncertainty of a phone, a ruler, a spring scale and a stopwatch. known is the lag's
// model where the sheet states it.
//
// Errors: *domain.Error for a reading without the numbers it needs.
//
// Source: Load.Stiffness, BandFromSides, BandFromReverse, FromTurn.
func (r Reading) Measure(q Quantity, known Model) (Result, error) {
	out := Result{Point: Point{Number: r.Number}}
	var err error
	switch q {
	case OfStiffness:
		err = r.stiffness(&out)
	case OfDeadBand:
		err = r.deadBand(&out)
	case OfLag:
		err = r.lag(&out, known)
	default:
		err = &domain.Error{Model: "dial", Name: "quantity", Value: string(q), Want: "stiffness, dead band or lag"}
	}
	return out, err
}

func (r Reading) has(key string) bool { _, ok := r.Values[key]; return ok }

// need is the error for a reading that lacks one of the keys.
func (r Reading) need(keys ...string) error {
	for _, k := range keys {
		if !r.has(k) {
			name := "reading " + r.String()
			if r.Line > 0 {
				name = fmt.Sprintf("line %d: %s", r.Line, name)
			}
			return &domain.Error{Model: "dial", Name: name, Value: "without " + k, Want: schema.List(keys)}
		}
	}
	return nil
}

func (r Reading) stiffness(out *Result) error {
	l := Load{Mass: r.Values["mass_g"] / 1000, Force: r.Values["pull_n"] + r.Values["pull_g"]/1000*G, Arm: r.Values["arm_mm"] / 1000, Rest: r.Values["rest_deg"] * degree,
		SigmaTurned: PhoneSigma, SigmaArm: ArmSigma}
	if l.Force > 0 {
		l.SigmaForce = PullSigma
	}
	if !r.has("mass_g") && l.Force == 0 {
		return r.need("mass_g", "arm_mm", "down_deg")
	}
	if err := r.need("arm_mm", "down_deg"); err != nil {
		return err
	}
	if r.has("up_deg") {
		l.Turned = append(l.Turned, r.Values["up_deg"]*degree)
		l.SigmaTurned /= math.Sqrt2
	}
	l.Turned = append(l.Turned, r.Values["down_deg"]*degree)
	s, err := l.Stiffness()
	if err != nil {
		out.Refused = err
		return nil
	}
	out.Value, out.Sigma, out.Friction = s.K, s.Sigma, s.Friction
	do := "set the dial softer, or use a longer arm"
	if turned := s.Torque / s.K; turned < LeastTurn {
		do = fmt.Sprintf("it turned %.1f°: %s, or hang more so that it turns 2 to 6°, at no more than a third of the motor's torque", turned/degree, do)
	}
	out.Refused = out.Check("stiffness", do)
	return nil
}

func (r Reading) deadBand(out *Result) error {
	var half float64
	var err error
	if r.has("back_deg") {
		half, err = BandFromReverse(r.Values["back_deg"] * degree)
		out.Sigma = PhoneSigma / 2 / degree
	} else {
		if err := r.need("left_deg", "right_deg"); err != nil {
			return err
		}
		var rest float64
		half, rest, err = BandFromSides(r.Values["left_deg"]*degree, r.Values["right_deg"]*degree)
		out.Rest, out.Sigma = rest/degree, PhoneSigma/math.Sqrt2/degree
	}
	if err != nil {
		out.Refused = err
		return nil
	}
	out.Value = half / degree
	out.Refused = out.Check("dead band", "measure a wider setting, and turn more slowly")
	return nil
}

func (r Reading) lag(out *Result, known Model) error {
	if err := r.need("half_s", "most_s"); err != nil {
		return err
	}
	l, err := FromTurn(r.Values["half_s"], r.Values["most_s"], r.Values["turn_s"], known)
	if err != nil {
		out.Refused = err
		return nil
	}
	out.Lag, out.Value = l, l.Lag
	// of the two times, each with the watch's uncertainty
	one := WatchSigma / r.Values["half_s"] * l.Lag / 2
	two := WatchSigma / r.Values["most_s"] * l.Lag / 2
	out.Sigma = math.Hypot(one, two)
	out.Refused = out.Check("lag", "measure a longer setting, or film the turn and count frames")
	return nil
}
