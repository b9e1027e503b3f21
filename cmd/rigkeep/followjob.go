package main

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/svg"
	"rigkeep/diffview/textchart"
	"rigkeep/preset"
	"rigkeep/preset/follow"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// jsonTrade is one point of the trade between drift and smoothness.
type jsonTrade struct {
	Drift    float64 `json:"drift_share"`
	SPARC    float64 `json:"sparc"`
	DeadBand float64 `json:"deadband_rad"`
	Lag      float64 `json:"lag_s"`
	Chosen   bool    `json:"chosen"`
}

type jsonShotStyle struct {
	Shot     string                 `json:"shot"`
	Kind     string                 `json:"kind,omitempty"`
	LensMM   float64                `json:"lens_mm,omitempty"`
	LensFrom string                 `json:"lens_from,omitempty"`
	Style    string                 `json:"style,omitempty"`
	Values   map[string]float64     `json:"values"`
	Reason   string                 `json:"reason,omitempty"`
	Problem  string                 `json:"problem,omitempty"`
	Shadowed string                 `json:"decided_by,omitempty"` // the shot with the longer lens whose values this style has
	Trade    map[string][]jsonTrade `json:"trade"`                // by axis
}

// jsonShots is the documented shape of follow --for --json.
type jsonShots struct {
	Format int             `json:"format"`
	Job    string          `json:"job"`
	Rig    string          `json:"rig"`
	Tune   string          `json:"tune"`
	Shots  []jsonShotStyle `json:"shots"`
	Values map[string]any  `json:"values"` // what --write puts into the tune
	DryRun bool            `json:"dry_run"`
	Files  []string        `json:"files"` // what --write wrote
}

// followJob proposes a style for each shot of a job.
func (k followRun) followJob(d *library.Loaded) error {
	if d.Ref.When != "" {
		return usage("--for works on the tune as it is now; leave @%s out", d.Ref.When)
	}
	slug, err := k.lib.Jobs().Named(k.c.String("for"))
	if err != nil {
		return err
	}
	j, err := k.lib.Jobs().Read("", slug)
	if err != nil {
		return err
	}
	shots, err := preset.ProposeShots(k.cat, d.Sheet, j, d.Rig)
	var noMap *preset.ErrNoMap
	if errors.As(err, &noMap) {
		return &failure{code: exitFindings, text: err.Error(), hint: "No SI conversion, so no search. Set a style by hand and compare.\nTry: rigkeep follow " + k.args[0] + " --style STYLE --against STYLE"}
	}
	if err != nil {
		return err
	}
	if len(shots) == 0 {
		return fail(exitFindings, "job %s has no shot for %s", slug, d.Rig.Alias).hinted("add one: rigkeep job add %s --shot \"up the ladder, stairs, 35mm\"", slug)
	}
	values := preset.ShotValues(shots)
	if !k.json() {
		_ = k.captured(func(*invocation) error { // asks nothing
			k.printShots(d, j, slug, shots)
			return nil
		})
	}
	if k.c.Bool("write") {
		if len(values) == 0 {
			return fail(exitFindings, "nothing to write: no style found")
		}
		e, err := k.lib.Edits().PutTune(d, values)
		if err != nil {
			return err
		}
		named, ok, err := k.lib.Jobs().NameStyles(slug, shots)
		if err != nil {
			return err
		}
		if err := startRun(k).putTune(d, e); err != nil {
			return err
		}
		if ok {
			if err := k.putNames(slug, named, shots); err != nil {
				return err
			}
		} else if j.State != "open" {
			k.say("job %s is closed, so its shot list stays as it is", slug)
		}
	} else if !k.json() && len(values) > 0 {
		k.say("Try: rigkeep follow %s --for %s --write", k.args[0], k.c.String("for"))
	}
	if !k.json() {
		return nil
	}
	out := jsonShots{Format: 1, Job: slug, Rig: d.Rig.ID, Tune: d.Ref.Tune, Shots: []jsonShotStyle{}, Values: values, DryRun: k.dryRun(), Files: append([]string{}, k.done.Files...)}
	for _, s := range shots {
		x := jsonShotStyle{Shot: s.Shot.Name, Kind: s.Shot.Kind, LensMM: s.Lens, LensFrom: s.LensFrom, Style: s.Style, Problem: s.Problem, Shadowed: s.Shadowed, Values: map[string]float64{}, Trade: map[string][]jsonTrade{}}
		if s.Proposal != nil {
			x.Values, x.Reason = s.Proposal.Values, s.Proposal.Reason
			for a, p := range s.Proposal.Axes {
				chosen := chosenPoint(p)
				x.Trade[a.String()] = []jsonTrade{}
				for _, t := range p.Trade {
					x.Trade[a.String()] = append(x.Trade[a.String()], jsonTrade{t.Drift, finite(t.SPARC), t.Style.DeadBand, t.Style.Lag, t.Style == chosen.Style})
				}
			}
		}
		out.Shots = append(out.Shots, x)
	}
	return k.encode(out)
}

// putNames writes the names of the styles into the job's shot list.
func (k followRun) putNames(slug string, e library.Edited, shots []preset.ShotStyle) error {
	verb, err := k.put(e)
	if err != nil {
		return err
	}
	var said []string
	for _, s := range shots {
		if s.Proposal != nil && s.Shot.Style == "" {
			said = append(said, fmt.Sprintf("shot %q: style %s", safe.Line(s.Shot.Name), s.Style))
		}
	}
	k.recordResult("", "", strings.Join(said, "\n"), e.Path)
	if !k.json() {
		k.printf("%s\n%s %s\n", strings.Join(said, "\n"), verb, e.Path)
	}
	if !k.dryRun() {
		k.say("not saved yet; save it with: rigkeep save job:%s -m WHY", slug)
	}
	return nil
}

// finite is a value that JSON can say; a measure that does not exist is 0.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

func chosenPoint(p *follow.Proposal) follow.Point {
	if p.Best != nil {
		return *p.Best
	}
	return p.Least
}

func (k followRun) printShots(d *library.Loaded, j preset.Job, slug string, shots []preset.ShotStyle) {
	k.out("%s", wrap(fmt.Sprintf("%s: styles for the shots of %s on %s", k.paint.bold(safe.Line(d.Label())), k.paint.bold(slug), d.Sheet.Slug), "", k.wide))
	if j.DriftPct > 0 {
		k.out("%s", wrap(fmt.Sprintf("drift limit: %s %% of frame", schema.Num(j.DriftPct)), "", k.wide))
	}
	for _, s := range shots {
		head := safe.Line(s.Shot.Name)
		if s.Shot.Kind != "" {
			head += ", " + safe.Line(s.Shot.Kind)
		}
		if s.Lens > 0 {
			head += ", " + schema.Num(s.Lens) + " mm"
			if s.Shot.LensMM == 0 {
				head += " (" + s.LensFrom + ")"
			}
		}
		k.out("\n%s\n", k.paint.bold(head))
		if s.Proposal == nil {
			k.out("%s", wrap("no style: "+safe.Text(s.Problem)+". Kinds of shot: "+preset.ShotKinds(), "  ", k.wide))
			continue
		}
		t := table{right: map[int]bool{1: true}}
		for _, key := range slices.Sorted(maps.Keys(s.Proposal.Values)) {
			si := ""
			if v, u, err := preset.SI(k.cat, d.Sheet, preset.Tune{Values: map[string]any{key: s.Proposal.Values[key]}}, key); err == nil {
				si = schema.Sig(v, 3) + " " + u
			}
			t.add(key, schema.Num(s.Proposal.Values[key]), si)
		}
		k.out("%s", t.render(k.paint, "  ", k.wide))
		k.out("%s", wrap(safe.Text(s.Proposal.Reason), "  ", k.wide))
		if s.Shadowed != "" {
			k.out("%s", wrap(fmt.Sprintf("not written: %q uses the same style with a longer lens", safe.Line(s.Shadowed)), "  ", k.wide))
			continue
		}
		var axes []schema.Axis
		for a := range s.Proposal.Axes {
			axes = append(axes, a)
		}
		sort.Slice(axes, func(i, j int) bool { return axes[i] < axes[j] })
		for _, a := range axes {
			if chosenPoint(s.Proposal.Axes[a]).Still {
				k.out("  %s: camera stays still (sway inside the dead band)\n", a)
				continue
			}
			if pic, err := textchart.Draw(tradeChart(a, s.Proposal.Axes[a]), min(k.wide, 64), 7, !k.unicode()); err == nil {
				k.out("\n%s", pic)
			}
		}
	}
}

// tradeChart is smoothness against drift, with the proposal and the limit.
func tradeChart(a schema.Axis, p *follow.Proposal) svg.Chart {
	c := svg.Chart{Title: "Trade, " + a.String(), XLabel: "drift of the subject, % of frame", YLabel: a.String() + ": smoothness (closer to 0 is smoother)"}
	at := chosenPoint(p)
	c.Series = append(c.Series, svg.Series{Name: "proposed", X: []float64{at.Drift * 100}, Y: []float64{at.SPARC}, Dots: true})
	line := svg.Series{Name: "smoothest at each drift"}
	for _, t := range p.Trade {
		if !t.Still {
			line.X, line.Y = append(line.X, t.Drift*100), append(line.Y, t.SPARC)
		}
	}
	c.Series = append(c.Series, line)
	c.Marks = append(c.Marks, svg.Mark{Name: "limit", At: p.MaxDrift * 100, Down: true})
	return c
}
