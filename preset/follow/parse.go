package follow

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// ParseError says where a move could not be read and what was expected there.
type ParseError struct {
	Text   string // the whole text
	Offset int    // byte offset of what was not understood; len(Text) at the end
	Want   string // what was expected, with an example
}

func (e *ParseError) Error() string {
	got := "the end"
	if rest := strings.TrimSpace(e.Text[e.Offset:]); rest != "" {
		if i := strings.IndexFunc(rest, unicode.IsSpace); i > 0 {
			rest = rest[:i]
		}
		got = strconv.Quote(rest)
	}
	return fmt.Sprintf("move %q, at %s (character %d): expected %s", e.Text, got, utf8.RuneCountInString(e.Text[:e.Offset])+1, e.Want)
}

// ParseMove reads a move such as "turn 90deg in 2s", "pan 20deg/s for 3s",
// "whip 120deg", or "turn 40deg in 2s then hold 1s with sway 2deg at 0.8Hz".
// The whole form is below. Capitals do not matter. The error is a
// *ParseError for a text of another form, an *domain.Error for a number outside
// the model's domain.
//
//	move  = line { "with" line }            lines run at the same time, added up
//	line  = step { "then" step }            steps run one after the other
//	step  = "pan" ANGLE"/s" "for" TIME      constant rate, dead stop
//	      | "turn" ANGLE "in" TIME          minimum-jerk turn, rest to rest
//	      | "whip" ANGLE [ "in" TIME ]      fast turn; without a time its peak rate is 300 deg/s
//	      | "sway" ANGLE "at" FREQ { "and" ANGLE "at" FREQ } [ "for" TIME ]
//	                                        sines (peak amplitude), not meant by the operator;
//	                                        without a time: on a line of its own as long
//	                                        as the others, else 10 s
//	      | "hold" TIME                     stand still
//	ANGLE = number with deg, ° or rad       TIME = number with s, ms or min
//	FREQ  = number with Hz                  positive turns left (pan) or up (tilt) by the rig's own sense
//
// Source: a form of our own.
func ParseMove(text string) (Move, error) {
	p := &parser{text: text}
	m, err := p.move()
	if err != nil {
		return Move{}, err
	}
	return m, m.Validate()
}

type parser struct {
	text string
	pos  int
}

func (p *parser) fail(want string) error { return &ParseError{p.text, p.pos, want} }

func (p *parser) space() {
	p.pos = len(p.text) - len(strings.TrimLeftFunc(p.text[p.pos:], unicode.IsSpace))
}

// word takes the next word if it is one of those given.
func (p *parser) word(words ...string) (string, bool) {
	p.space()
	rest := p.text[p.pos:]
	n := 0
	for n < len(rest) && (rest[n]|0x20 >= 'a' && rest[n]|0x20 <= 'z') {
		n++
	}
	for _, w := range words {
		if strings.EqualFold(rest[:n], w) {
			p.pos += n
			return w, true
		}
	}
	return "", false
}

func (p *parser) end() bool { p.space(); return p.pos == len(p.text) }

// number takes a decimal number.
func (p *parser) number(want string) (float64, error) {
	p.space()
	rest := p.text[p.pos:]
	n := 0
	for n < len(rest) && strings.IndexByte("+-.0123456789", rest[n]) >= 0 {
		n++
	}
	// an exponent only if digits follow, so that a unit may begin with e
	if n > 0 && n < len(rest) && rest[n]|0x20 == 'e' {
		k := n + 1
		if k < len(rest) && (rest[k] == '-' || rest[k] == '+') {
			k++
		}
		if k < len(rest) && rest[k] >= '0' && rest[k] <= '9' {
			for n = k; n < len(rest) && rest[n] >= '0' && rest[n] <= '9'; n++ {
			}
		}
	}
	v, err := strconv.ParseFloat(rest[:n], 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, p.fail(want)
	}
	p.pos += n
	return v, nil
}

type unit struct {
	name  string
	scale float64
}

var (
	angleUnits = []unit{{"degrees", Deg}, {"degree", Deg}, {"deg", Deg}, {"°", Deg}, {"rad", 1}}
	rateUnits  = []unit{{"deg/s", Deg}, {"°/s", Deg}, {"dps", Deg}, {"rad/s", 1}}
	timeUnits  = []unit{{"seconds", 1}, {"second", 1}, {"sec", 1}, {"ms", 1e-3}, {"min", 60}, {"s", 1}}
	freqUnits  = []unit{{"hz", 1}}
)

const (
	wantAngle = `an angle with its unit, as 90deg`
	wantRate  = `a rate with its unit, as 20deg/s`
	wantTime  = `a time with its unit, as 2s`
	wantFreq  = `a frequency with its unit, as 0.8Hz`
)

// quantity takes a number and one of the units.
func (p *parser) quantity(units []unit, want string) (float64, error) {
	start := p.pos
	v, err := p.number(want)
	if err != nil {
		return 0, err
	}
	p.space()
	rest := p.text[p.pos:]
	for _, u := range units {
		if len(rest) < len(u.name) || !strings.EqualFold(rest[:len(u.name)], u.name) {
			continue
		}
		after, _ := utf8.DecodeRuneInString(rest[len(u.name):])
		if unicode.IsLetter(after) || after == '/' {
			continue
		}
		p.pos += len(u.name)
		return v * u.scale, nil
	}
	p.pos = start
	p.space()
	return 0, p.fail(want)
}

func (p *parser) move() (Move, error) {
	var m Move
	for steps := 0; ; {
		var line []Step
		for {
			s, err := p.step()
			if err != nil {
				return m, err
			}
			line = append(line, s)
			if steps++; steps > maxSteps {
				return m, p.fail(fmt.Sprintf("no more than %d steps", maxSteps))
			}
			if _, ok := p.word("then"); !ok {
				break
			}
		}
		m.Lines = append(m.Lines, line)
		if p.end() {
			break
		}
		if _, ok := p.word("with"); !ok {
			return m, p.fail(`"then" (afterwards), "with" (at the same time) or the end`)
		}
	}
	for _, line := range m.Lines { // a sway among other steps has a length of its own
		for i := range line {
			if s := &line[i]; s.Kind == Sway && s.Duration == 0 && (len(line) > 1 || len(m.Lines) == 1) {
				s.Duration = defaultSwayTime
			}
		}
	}
	return m, nil
}

func (p *parser) step() (s Step, err error) {
	kind, ok := p.word(string(Pan), string(Turn), string(Whip), string(Sway), string(Hold))
	if !ok {
		return s, p.fail(`"pan", "turn", "whip", "sway" or "hold", as in "turn 90deg in 2s"`)
	}
	s.Kind = StepKind(kind)
	switch s.Kind {
	case Pan:
		if s.Rate, err = p.quantity(rateUnits, wantRate); err != nil {
			return s, err
		}
		return s, p.timed(&s, "for", true, `"for" and a time, as in "pan 20deg/s for 3s"`)
	case Turn, Whip:
		if s.Angle, err = p.quantity(angleUnits, wantAngle); err != nil {
			return s, err
		}
		s.Duration = whipTime(s.Angle)
		return s, p.timed(&s, "in", s.Kind == Turn, `"in" and a time, as in "turn 90deg in 2s"`)
	case Hold:
		s.Duration, err = p.quantity(timeUnits, wantTime)
		return s, err
	}
	for {
		var t Tone
		if t.Amplitude, err = p.quantity(angleUnits, wantAngle); err != nil {
			return s, err
		}
		if _, ok := p.word("at"); !ok {
			return s, p.fail(`"at" and a frequency, as in "sway 2deg at 0.8Hz"`)
		}
		if t.Frequency, err = p.quantity(freqUnits, wantFreq); err != nil {
			return s, err
		}
		s.Tones = append(s.Tones, t)
		if _, ok := p.word("and"); !ok {
			break
		}
		if len(s.Tones) == maxTones {
			return s, p.fail(fmt.Sprintf("no more than %d tones", maxTones))
		}
	}
	return s, p.timed(&s, "for", false, "")
}

// timed takes a word and a time into the step, or neither if that is allowed.
func (p *parser) timed(s *Step, word string, must bool, want string) error {
	if _, ok := p.word(word); !ok {
		if must {
			return p.fail(want)
		}
		return nil
	}
	d, err := p.quantity(timeUnits, wantTime)
	if err != nil {
		return err
	}
	if !(d > 0) {
		return refuse("time of the "+string(s.Kind)+" (s)", d, "more than 0")
	}
	s.Duration = d
	return nil
}
