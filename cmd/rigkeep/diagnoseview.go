package main

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/diagnose"
	"rigkeep/preset/vibration"
	"rigkeep/schema"
)

// The short screen of a diagnosis: its lines, the causes and at most the acts.
const (
	shortLines  = 24
	shortCauses = 3
	shortActs   = 7
)

// show prints the answer on one screen: what shakes, what it may be, what to try.
// Reasons are behind --why, all causes behind --all.
func (x *diagnosis) show() {
	out := x.Stdout
	var head bytes.Buffer // what stands above the acts leaves them their number
	x.Stdout = &head
	if x.report != nil {
		x.verdict()
	}
	var given []string
	for _, q := range x.table.Questions {
		if v := x.answers[q.ID]; v != "" {
			given = append(given, q.ID+" "+v)
		}
	}
	if len(given) > 0 && x.report == nil {
		x.out("%s", wrap("Going by: "+safe.Line(strings.Join(given, ", ")), "", x.wide))
	}
	if text, ok := x.onRecord(); ok {
		x.out("%s", wrap("Record: "+safe.Text(text), "", x.wide))
	}
	x.out("\n%s\n", x.paint.bold("Likely causes"))
	for i, c := range x.causes[:min(len(x.causes), shortCauses)] {
		line := fmt.Sprintf("  %d %s", i+1, safe.Line(c.Name))
		if i == shortCauses-1 && len(x.causes) > shortCauses {
			line += fmt.Sprintf("  (%d more: --all)", len(x.causes)-shortCauses)
		}
		x.out("%s\n", line)
	}
	foot := wrap("Caution: "+diagnoseCaution, "", x.wide)
	x.Stdout = out
	x.write(head.String())
	// two lines for the heading, two for the blank and the hint below
	acts := min(len(x.plan), shortActs, max(3, shortLines-strings.Count(head.String(), "\n")-strings.Count(foot, "\n")-4))
	more := ""
	if n := len(x.plan) - acts; n > 0 {
		more = fmt.Sprintf("  (%d more: --all)", n)
	}
	x.out("\n%s%s\n", x.paint.bold("Try in this order"), more)
	for i, p := range x.plan[:acts] {
		lead := fmt.Sprintf("  %d ", i+1)
		x.out("%s", hang(lead, safe.Text(sentences(x.act(p), x.wide-len(lead))), x.wide))
	}
	x.out("\n%s", foot)
	x.say("Reasons: --why")
}

// act is one thing to try in a line: the first sentence, or of a parameter its key and
// what a step costs.
func (x *diagnosis) act(p diagnose.Planned) string {
	if p.Key == "" {
		return p.Do
	}
	for _, f := range x.prices {
		if f.Key == p.Key && f.Direction == p.Direction && f.PMBefore != nil && f.PMAfter != nil {
			return fmt.Sprintf("%s: %s to %s, phase margin of %s %.0f° to %.0f°", p.Key, schema.Num(f.From), schema.Num(f.To), f.Axis, *f.PMBefore, *f.PMAfter)
		}
	}
	return fmt.Sprintf("%s: %s. %s", p.Key, p.Direction, p.Do)
}

// sentences are as many whole sentences of a text as fit on a line, at least one: an
// act is never cut in the middle.
func sentences(text string, width int) string {
	out := ""
	for _, s := range strings.SplitAfter(text, ". ") {
		if out != "" && len([]rune(strings.TrimSpace(out+s))) > width {
			break
		}
		out += s
	}
	return strings.TrimSpace(out)
}

// onRecord is the onset on record of the axis in question, with the tune's margin.
func (x *diagnosis) onRecord() (string, bool) {
	if x.rig == nil {
		return "", false
	}
	for _, a := range x.axes() {
		for _, o := range x.onsets {
			if o.Axis != a {
				continue
			}
			text := fmt.Sprintf("onset of %s %s", a, schema.Num(o.Onset))
			if o.Hz > 0 {
				text += fmt.Sprintf(" at %s Hz", schema.Num(o.Hz))
			}
			text += " (" + x.on(o.At)
			if o.Unit != "" {
				text += ", " + o.Unit
			}
			text += ")"
			if t := x.rig.Tune; t != nil {
				if v, ok := t.Stiffness(a); ok {
					text += "; tune " + schema.Num(v)
					if m, ok := preset.MarginTo(x.rig.Sheet, a, v, o.Onset); ok {
						text += fmt.Sprintf(", margin %.2f", m)
					}
				}
			}
			return text, true
		}
	}
	return "", false
}

// verdict says what the log shows: the worst axis first.
func (x *diagnosis) verdict() {
	r := x.report
	v := r.Verdict
	head := strings.ToUpper(v.Axis) + ": " + strings.ToUpper(string(v.Kind))
	if v.Kind == vibration.Quiet {
		head = "QUIET"
	}
	if v.Hz != nil {
		head += fmt.Sprintf(" at %.1f Hz", *v.Hz)
	}
	head = x.paint.bold(head) + fmt.Sprintf(", %s deg/s rms", levelText(v.RMS))
	for _, a := range r.Axes {
		if a.Axis != v.Axis || v.Hz == nil {
			continue
		}
		for _, p := range a.Peaks {
			if p.Hz == *v.Hz {
				head += fmt.Sprintf(", %.0f dB above the floor", math.Min(p.Prominence(), 99))
				break
			}
		}
		for _, s := range a.Series {
			if s.Hz == *v.Hz {
				head += ", " + schema.Count(len(s.Members)-1, "harmonic", "harmonics")
			}
		}
	}
	x.out("%s\n", head)
	var quiet, other []string
	for _, a := range r.Axes {
		switch {
		case a.Axis == v.Axis:
		case a.Verdict.Kind == vibration.Quiet:
			quiet = append(quiet, a.Axis)
		default:
			other = append(other, a.Axis+" "+string(a.Verdict.Kind))
		}
	}
	lim := vibration.DefaultLimits()
	if quiet != nil {
		x.out("Quiet: %s (below %s deg/s rms)\n", strings.Join(quiet, ", "), schema.Sig(degrees(lim.QuietRate), 3))
	}
	if other != nil {
		x.out("Also: %s\n", strings.Join(other, ", "))
	}
	t := r.Timing
	log := fmt.Sprintf("Log: %s, %.1f s at %s Hz", schema.Count(t.Rows, "row", "rows"), t.Duration, schema.Sig(r.Rate, 4))
	for _, a := range r.Axes {
		if s := a.Loudest; a.Axis == v.Axis && s != nil && s.RMS > 0 {
			log += fmt.Sprintf("; loudest %.1f to %.1f s %s, mean %s deg/s", s.Start, s.Start+s.Length, levelText(s.RMS), levelText(s.Mean))
		}
	}
	x.out("%s", wrap(log, "", x.wide))
	for _, f := range r.Findings {
		if slices.Contains([]vibration.FindingKind{vibration.Uneven, vibration.Assumed}, f.Kind) {
			continue // behind --why
		}
		x.out("%s", firstLines(wrap(x.paint.warn(string(f.Kind))+": "+safe.Text(f.Text), "", x.wide), 2))
	}
	for _, n := range r.Notes {
		x.out("%s", firstLines(wrap(safe.Text(n), "", x.wide), 2))
	}
}
