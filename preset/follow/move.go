package follow

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"rigkeep/schema"
)

// StepKind names one piece of an operator's move.
type StepKind string

// The pieces a move is made of.
const (
	Pan      StepKind = "pan"      // constant rate from a standing start to a dead stop
	Turn     StepKind = "turn"     // minimum-jerk turn, rest to rest
	Whip     StepKind = "whip"     // a fast turn; its time follows from WhipRate unless given
	Sway     StepKind = "sway"     // tones of a walking or breathing body, faded in and out
	Hold     StepKind = "hold"     // stand still
	Recorded StepKind = "recorded" // headings read from a log
)

// WhipRate is the peak rate of a whip whose time is not given. Common practice,
// no source.
const WhipRate = 300 * Deg

const (
	defaultSwayTime = 10.0 // s, a sway alone without "for"
	swayFade        = 0.5  // s, or a quarter of the sway if that is shorter
	maxSteps        = 64
	maxTones        = 16
)

// Tone is one sine of a sway: amplitude (peak) in rad, frequency in Hz, phase in rad.
type Tone struct {
	Amplitude float64 `json:"amplitude_rad"`
	Frequency float64 `json:"frequency_hz"`
	Phase     float64 `json:"phase_rad,omitempty"`
}

// Sample is one recorded heading.
type Sample struct {
	Time  float64 `json:"time_s"`
	Angle float64 `json:"angle_rad"`
}

// Step is one piece of a move.
type Step struct {
	Kind     StepKind `json:"kind"`
	Angle    float64  `json:"angle_rad,omitempty"`  // turn, whip
	Rate     float64  `json:"rate_rad_s,omitempty"` // pan
	Duration float64  `json:"duration_s"`           // 0 for a sway with a line to itself: as long as the move
	Tones    []Tone   `json:"tones,omitempty"`      // sway
	Samples  []Sample `json:"samples,omitempty"`    // recorded, increasing times
}

// Move is what the operator does with the handle: lines of steps, one after the
// other within a line, the lines laid over each other from time zero. Sway is
// what the operator does not mean; all else is meant.
type Move struct {
	Lines [][]Step `json:"lines"`
}

// NewPan is a constant-rate pan: rate in rad/s (signed), duration in s.
//
// Source: definition.
func NewPan(rate, duration float64) Move {
	return Move{[][]Step{{{Kind: Pan, Rate: rate, Duration: duration}}}}
}

// NewRecorded is a recorded heading; it starts at the first sample's time and
// angle, which count as zero.
//
// Source: definition.
func NewRecorded(samples []Sample) (Move, error) {
	m := Move{[][]Step{{{Kind: Recorded, Samples: samples}}}}
	if len(samples) >= 2 {
		m.Lines[0][0].Duration = samples[len(samples)-1].Time - samples[0].Time
	}
	return m, m.Validate()
}

// whipTime is the time of a minimum-jerk turn with peak rate WhipRate; its peak
// speed is 15/8 of the mean (Flash & Hogan 1985).
func whipTime(angle float64) float64 { return 15.0 / 8 * math.Abs(angle) / WhipRate }

// Validate reports the first step outside the model's domain as *domain.Error.
//
// Source: limits by definition.
func (m Move) Validate() error {
	n := 0
	for _, line := range m.Lines {
		for _, s := range line {
			n++
			if err := s.validate(); err != nil {
				return err
			}
			if s.Duration == 0 && len(line) > 1 {
				return refuse("time of the sway (s)", 0, "more than 0 where other steps come before or after it")
			}
		}
	}
	switch {
	case n == 0:
		return refuse("move", "empty", "at least one step")
	case n > maxSteps:
		return refuse("number of steps in the move", n, fmt.Sprintf("at most %d", maxSteps))
	}
	return inRange("length of the move (s)", m.Duration(), 0, MaxTime)
}

func (s Step) validate() error {
	kind := string(s.Kind)
	if err := inRange("time of the "+kind+" (s)", s.Duration, 0, MaxTime); err != nil {
		return err
	}
	switch s.Kind {
	case Hold:
		return above("time of the hold (s)", s.Duration, MaxTime)
	case Pan:
		if err := above("time of the pan (s)", s.Duration, MaxTime); err != nil {
			return err
		}
		return inRange("rate of the pan (rad/s)", s.Rate, -MaxRate, MaxRate)
	case Turn, Whip:
		if err := above("time of the "+kind+" (s)", s.Duration, MaxTime); err != nil {
			return err
		}
		return inRange("angle of the "+kind+" (rad)", s.Angle, -MaxAngle, MaxAngle)
	case Sway:
		return validTones(s.Tones)
	case Recorded:
		if len(s.Samples) < 2 {
			return refuse("number of recorded samples", len(s.Samples), "at least 2")
		}
		for i, p := range s.Samples {
			if math.IsNaN(p.Time) || math.IsInf(p.Time, 0) || math.IsNaN(p.Angle) || math.Abs(p.Angle) > 1e6 {
				return refuse(fmt.Sprintf("recorded sample %d", i+1), p, "a time and an angle that are numbers")
			}
			if i > 0 && !(p.Time > s.Samples[i-1].Time) {
				return refuse(fmt.Sprintf("time of recorded sample %d (s)", i+1), p.Time, fmt.Sprintf("later than the one before (%g)", s.Samples[i-1].Time))
			}
		}
		return above("length of the recording (s)", s.Samples[len(s.Samples)-1].Time-s.Samples[0].Time, MaxTime)
	}
	return refuse("kind of step", s.Kind, "pan, turn, whip, sway, hold or recorded")
}

func validTones(tones []Tone) error {
	if len(tones) == 0 || len(tones) > maxTones {
		return refuse("number of sway tones", len(tones), fmt.Sprintf("1 to %d", maxTones))
	}
	for _, t := range tones {
		if err := inRange("amplitude of the sway (rad)", t.Amplitude, 0, MaxAngle); err != nil {
			return err
		}
		if err := above("frequency of the sway (Hz)", t.Frequency, MaxFrequency); err != nil {
			return err
		}
		if err := inRange("phase of the sway (rad)", t.Phase, -2*math.Pi, 2*math.Pi); err != nil {
			return err
		}
	}
	return nil
}

// placed is a step with its start on the clock of the move.
type placed struct {
	Step
	start float64
}

// Duration is the time in s after which the handle no longer moves.
//
// Source: definition.
func (m Move) Duration() float64 {
	d := 0.0
	for _, line := range m.Lines {
		l := 0.0
		for _, s := range line {
			l += s.Duration
		}
		d = math.Max(d, l)
	}
	if d == 0 {
		return defaultSwayTime
	}
	return d
}

// Tones lists the tones of every sway in the move.
//
// Source: definition.
func (m Move) Tones() []Tone {
	var out []Tone
	for _, line := range m.Lines {
		for _, s := range line {
			out = append(out, s.Tones...)
		}
	}
	return out
}

// place lays every step on the clock.
func (m Move) place() []placed {
	total := m.Duration()
	var out []placed
	for _, line := range m.Lines {
		t := 0.0
		for _, s := range line {
			if s.Kind == Sway && s.Duration == 0 {
				s.Duration = total - t
			}
			out = append(out, placed{s, t})
			t += s.Duration
		}
	}
	return out
}

// knots are the times at which some step begins, ends or, recorded, bends:
// between them the heading is smooth.
func (m Move) knots() []float64 {
	var k []float64
	for _, p := range m.place() {
		k = append(k, p.start, p.start+p.Duration)
		for _, s := range p.Samples {
			k = append(k, p.start+s.Time-p.Samples[0].Time)
		}
	}
	sort.Float64s(k)
	out := k[:0]
	for _, t := range k {
		if len(out) == 0 || t > out[len(out)-1]+1e-12 {
			out = append(out, t)
		}
	}
	return out
}

// heading gives the handle's angle t seconds into the move, and the part of it
// that is meant: all but the sway.
func heading(steps []placed, t float64) (handle, meant float64) {
	for i := range steps {
		p := &steps[i]
		a := p.angle(t - p.start)
		handle += a
		if p.Kind != Sway {
			meant += a
		}
	}
	return handle, meant
}

// angle is the step's own contribution t seconds after it begins.
func (s *Step) angle(t float64) float64 {
	if t <= 0 {
		return 0
	}
	switch s.Kind {
	case Pan:
		return s.Rate * math.Min(t, s.Duration)
	case Turn, Whip:
		if t >= s.Duration {
			return s.Angle
		}
		u := t / s.Duration
		return s.Angle * u * u * u * (10 + u*(-15+6*u))
	case Sway:
		if t >= s.Duration {
			return 0
		}
		a := 0.0
		for _, tone := range s.Tones {
			a += tone.Amplitude * math.Sin(2*math.Pi*tone.Frequency*t+tone.Phase)
		}
		fade := math.Min(swayFade, s.Duration/4)
		if edge := math.Min(t, s.Duration-t); edge < fade {
			a *= 0.5 - 0.5*math.Cos(math.Pi*edge/fade)
		}
		return a
	case Recorded:
		t += s.Samples[0].Time
		i := sort.Search(len(s.Samples), func(i int) bool { return s.Samples[i].Time > t })
		if i == len(s.Samples) {
			return s.Samples[i-1].Angle - s.Samples[0].Angle
		}
		a, b := s.Samples[i-1], s.Samples[i]
		return a.Angle + (b.Angle-a.Angle)*(t-a.Time)/(b.Time-a.Time) - s.Samples[0].Angle
	}
	return 0
}

// String writes the move in the form ParseMove reads; a recording is named by
// its length only.
func (m Move) String() string {
	lines := make([]string, len(m.Lines))
	for i, l := range m.Lines {
		steps := make([]string, len(l))
		for j, s := range l {
			steps[j] = s.String()
		}
		lines[i] = strings.Join(steps, " then ")
	}
	return strings.Join(lines, " with ")
}

// String writes one step in the form ParseMove reads.
func (s Step) String() string {
	switch s.Kind {
	case Pan:
		return "pan " + deg(s.Rate) + "/s for " + sec(s.Duration)
	case Turn, Whip:
		return string(s.Kind) + " " + deg(s.Angle) + " in " + sec(s.Duration)
	case Hold:
		return "hold " + sec(s.Duration)
	case Sway:
		tones := make([]string, len(s.Tones))
		for i, t := range s.Tones {
			tones[i] = deg(t.Amplitude) + " at " + exact(t.Frequency) + "Hz"
		}
		out := "sway " + strings.Join(tones, " and ")
		if s.Duration > 0 {
			out += " for " + sec(s.Duration)
		}
		return out
	}
	return fmt.Sprintf("recorded %s (%s)", sec(s.Duration), schema.Count(len(s.Samples), "sample", "samples"))
}

func deg(rad float64) string { return exact(rad/Deg) + "deg" }
func sec(s float64) string   { return exact(s) + "s" }

// exact writes a number so that a move in words can be read back as what it was.
func exact(v float64) string { return strconv.FormatFloat(v, 'g', 10, 64) }
