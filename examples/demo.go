package examples

import (
	"bufio"
	"embed"
	"fmt"
	"io/fs"
	"strings"
	"time"
)

//go:embed demo
var demo embed.FS

// DemoFiles are the files that the demo brings with it: build sheets and gyro logs.
func DemoFiles() fs.FS {
	sub, err := fs.Sub(demo, "demo/files")
	if err != nil {
		panic(err) // the folder is compiled in
	}
	return sub
}

// Step is one step of the demo's scenario.
type Step struct {
	Line int
	// One of the following is set.
	Say     string   // a sentence for the reader
	Command []string // words of a command, without "rigkeep"
	Edit    *Edit    // an edit by hand of a file in the library
	Stand   *Stand   // a session at the stand, answered as a gimbal with these onsets would
	When    time.Time
	As      string // who acts from here on
	// Expect is the exit code of Command.
	Expect int
}

// Stand is an invented gimbal on the stand: each axis oscillates from its onset
// on, at its frequency.
type Stand struct {
	Rig   string
	Onset map[string]float64 // axis to dial number
	Hz    map[string]float64
}

// Edit is a change that somebody makes with an editor.
type Edit struct{ Rig, File, Old, New string }

// Scenario reads the demo's scenario: an invented documentary about a harbour
// pilot station.
func Scenario() ([]Step, error) {
	text, err := demo.ReadFile("demo/scenario.txt")
	if err != nil {
		return nil, err
	}
	return parseScenario(string(text))
}

// parseScenario reads lines of these forms; others are blank or begin with #:
//
//	at 2026-01-12 09:00        the clock from here on, a minute for each step
//	as A-cam operator <mail>   who acts from here on
//	say WORDS                  a sentence for the reader
//	run WORDS                  a command; ?1 in front says it ends with exit code 1
//	stand RIG AXIS=ONSET@HZ …  a bench session on RIG, answered from these onsets
//	edit RIG FILE | OLD | NEW  an edit by hand of FILE in the folder of RIG
func parseScenario(text string) ([]Step, error) {
	var out []Step
	sc := bufio.NewScanner(strings.NewReader(text))
	for n := 1; sc.Scan(); n++ {
		line := strings.TrimSpace(sc.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		verb, rest, _ := strings.Cut(line, " ")
		rest = strings.TrimSpace(rest)
		s := Step{Line: n}
		var err error
		switch verb {
		case "at":
			s.When, err = time.Parse("2006-01-02 15:04", rest)
		case "as":
			s.As = rest
		case "say":
			s.Say = rest
		case "run":
			if strings.HasPrefix(rest, "?") {
				var code string
				code, rest, _ = strings.Cut(rest[1:], " ")
				_, err = fmt.Sscan(code, &s.Expect)
			}
			if err == nil {
				s.Command, err = splitWords(rest)
			}
		case "stand":
			words := strings.Fields(rest)
			if len(words) < 2 {
				err = fmt.Errorf("stand takes RIG AXIS=ONSET@HZ")
				break
			}
			s.Stand = &Stand{words[0], map[string]float64{}, map[string]float64{}}
			for _, w := range words[1:] {
				var onset, hz float64
				axis, v, _ := strings.Cut(w, "=")
				if _, err = fmt.Sscanf(v, "%g@%g", &onset, &hz); err != nil {
					break
				}
				s.Stand.Onset[axis], s.Stand.Hz[axis] = onset, hz
			}
		case "edit":
			parts := strings.Split(rest, "|")
			head := strings.Fields(parts[0])
			if len(parts) != 3 || len(head) != 2 {
				err = fmt.Errorf("edit takes RIG FILE | OLD | NEW")
				break
			}
			s.Edit = &Edit{head[0], head[1], strings.TrimSpace(parts[1]), strings.TrimSpace(parts[2])}
		default:
			err = fmt.Errorf("unknown word %q", verb)
		}
		if err == nil && s.empty() {
			err = fmt.Errorf("%s takes something", verb)
		}
		if err != nil {
			return nil, fmt.Errorf("scenario line %d: %w", n, err)
		}
		out = append(out, s)
	}
	return out, sc.Err()
}

func (s Step) empty() bool {
	return s.Say == "" && s.As == "" && len(s.Command) == 0 && s.Edit == nil && s.Stand == nil && s.When.IsZero()
}

// splitWords cuts at blanks outside double quotes.
func splitWords(s string) ([]string, error) {
	var out []string
	var w strings.Builder
	in, any := false, false
	for _, r := range s {
		switch {
		case r == '"':
			in, any = !in, true
		case r == ' ' && !in:
			if any {
				out = append(out, w.String())
				w.Reset()
				any = false
			}
		default:
			w.WriteRune(r)
			any = true
		}
	}
	if in {
		return nil, fmt.Errorf("a quote is not closed")
	}
	if any {
		out = append(out, w.String())
	}
	return out, nil
}
