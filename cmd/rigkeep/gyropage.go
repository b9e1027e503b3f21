package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"

	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/rigview"
	"rigkeep/diffview/svg"
	"rigkeep/preset/vibration"
	"rigkeep/schema"
)

// page writes what a gyro log shows as a page.
func (x *diagnosis) page(w io.Writer) error {
	r := x.report
	g := pages.Gyro{Site: pages.Site{Made: x.Now(), Version: version()}, Title: "Gyro log", Caution: diagnoseCaution}
	if x.rig != nil {
		g.Title = refName(x.rig) + ": gyro log"
	}
	g.Sub = fmt.Sprintf("%s, %.1f s at %.0f Hz", filepath.Base(x.c.String("log")), r.Timing.Duration, r.Rate)
	if n := len(r.Timing.Gaps); n > 0 {
		g.Sub += ", " + schema.Count(n, "gap", "gaps")
	}
	for _, l := range r.Axes[0].Levels[:min(3, len(r.Axes[0].Levels))] {
		g.Kinds = append(g.Kinds, svg.Zone{From: l.Low, To: l.High, Name: l.Name})
	}
	g.State = verdictState(r.Verdict)
	g.Answer = rigTitle(r.Verdict)
	g.Evidence = r.Verdict.Evidence
	for i, p := range x.plan {
		text := p.Do
		if p.Key != "" {
			text = fmt.Sprintf("%s, %s. %s", p.Key, p.Direction, p.Do)
		}
		if i == 0 {
			g.First = text
		}
		g.Acts = append(g.Acts, pages.Act{Text: text + " " + rigview.Title(p.Cause) + ": " + p.Why + "."})
	}
	for i, c := range x.causes {
		if i == shownCauses {
			break
		}
		g.Causes = append(g.Causes, pages.Cause{Name: c.Name, For: schema.List(c.For)})
	}
	for _, a := range r.Axes {
		if a.Spectrum == nil {
			continue
		}
		y := pages.GyroAxis{Axis: a.Axis, State: verdictState(a.Verdict)}
		for k, d := range a.Spectrum.PSD {
			y.Hz, y.Dens = append(y.Hz, a.Spectrum.Hz(k)), append(y.Dens, degrees(math.Sqrt(d)))
		}
		if y.State.V == page.Bad && a.Verdict.Hz != nil {
			for i, p := range a.Peaks {
				if math.Abs(p.Hz-*a.Verdict.Hz) < 2*a.Spectrum.Step || i == 0 {
					y.Peaks = append(y.Peaks, pages.GyroPeak{Hz: p.Hz, Dens: degrees(math.Sqrt(p.PSD)), Harmonic: 1})
					break
				}
			}
			for _, s := range a.Series {
				if math.Abs(s.Hz-*a.Verdict.Hz) > 2*a.Spectrum.Step {
					continue
				}
				for _, m := range s.Members {
					if m.Order > 1 {
						y.Peaks = append(y.Peaks, pages.GyroPeak{Hz: m.Hz, Dens: degrees(math.Sqrt(m.PSD)), Harmonic: m.Order})
					}
				}
			}
		}
		for _, o := range x.onsets {
			if o.Axis.String() == a.Axis && o.Hz > 0 && !slices.ContainsFunc(y.Onsets, func(p pages.GyroOnset) bool { return p.Hz == o.Hz }) {
				y.Onsets = append(y.Onsets, pages.GyroOnset{Hz: o.Hz, Name: "onset " + schema.Num(o.Onset)})
			}
		}
		g.Axes = append(g.Axes, y)
	}
	g.Strip = x.strip()
	data, err := g.Bytes()
	if err != nil {
		return err
	}
	_, err = w.Write(data)
	return err
}

func verdictState(v vibration.Verdict) page.State {
	switch v.Kind {
	case vibration.Chatter, vibration.Rocking:
		word := string(v.Kind)
		if v.Hz != nil {
			word += fmt.Sprintf(" at %.1f Hz", *v.Hz)
		}
		return page.State{V: page.Bad, Word: word}
	case vibration.Quiet:
		return page.State{V: page.Good, Word: "quiet"}
	}
	return page.State{V: page.Look, Word: string(v.Kind)}
}

// rigTitle is a verdict on one line.
func rigTitle(v vibration.Verdict) string {
	said := fmt.Sprintf("%s: %s", v.Axis, v.Kind)
	if v.Hz != nil {
		said += fmt.Sprintf(" at %.1f Hz", *v.Hz)
	}
	return said
}

// strip is the axis of the verdict over time, with the gaps of the log.
func (x *diagnosis) strip() *svg.Chart {
	for _, a := range schema.Axes {
		if a.String() != x.report.Verdict.Axis || x.log.Rates[a] == nil {
			continue
		}
		s := svg.Series{Name: a.String(), Look: svg.After, X: x.log.Time}
		for _, v := range x.log.Rates[a] {
			s.Y = append(s.Y, degrees(v))
		}
		c := svg.Chart{Title: a.String() + " over time", XLabel: "time, s", YLabel: "deg/s", Series: []svg.Series{s}}
		for _, gap := range x.report.Timing.Gaps {
			c.Zones = append(c.Zones, svg.Zone{From: gap.Start, To: gap.Start + gap.Length, Name: fmt.Sprintf("gap %.1f s", gap.Length), Loud: true})
			// the line is broken there
			for i := range s.X {
				if s.X[i] > gap.Start {
					c.Series[0].X = slices.Insert(slices.Clone(c.Series[0].X), i, gap.Start)
					c.Series[0].Y = slices.Insert(c.Series[0].Y, i, math.NaN())
					break
				}
			}
			s = c.Series[0]
		}
		return &c
	}
	return nil
}
