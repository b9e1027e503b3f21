package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/diffview/svg"
	"rigkeep/diffview/textchart"
	"rigkeep/preset"
	"rigkeep/preset/follow"
	"rigkeep/preset/unit"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func followVerb() command {
	return command{
		name: "follow", args: "RIG[/TUNE]", short: "simulate a follow style, or suggest styles for a job's shots",
		long: "Simulates the head during an operator move. Without SI conversions in the gimbal sheet, results are relative to --against. " +
			"--for JOB searches the smoothest style for each shot that keeps the subject in frame; --write puts it into the tune.",
		table: [][2]string{
			{"pan 20deg/s for 3s", "constant rate, dead stop (pan or tilt by --axis)"},
			{"turn 90deg in 2s", "smooth turn, rest to rest"},
			{"whip 120deg [in 0.4s]", "fast turn; without a time at most 300 deg/s"},
			{"sway 2deg at 0.8Hz", "not meant by the operator; \"and 1deg at 2Hz\", \"for 5s\""},
			{"hold 1s", "stand still"},
			{"A then B, A with B", "one after the other; both at once"},
		},
		example: "rigkeep follow b-cam-85 --style walk --against sweep\nrigkeep follow b-cam-85 --style walk --move \"turn 90deg in 2s\" --axis pan --svg turn.svg\nrigkeep follow b-cam-85 --for pilot-station",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "style", Usage: "the follow `STYLE` to try"},
			&cli.StringFlag{Name: "against", Usage: "compare with this `STYLE`"},
			&cli.StringFlag{Name: "move", Usage: "operator `MOVE` (default: the shot type with the style's name)"},
			&cli.StringFlag{Name: "csv", Usage: "a recorded move, `FILE` with time and heading"},
			&cli.StringFlag{Name: "lens", Usage: "focal `LENGTH`, for the drift in frame"},
			&cli.StringFlag{Name: "sensor", Usage: "sensor `SIZE`, width x height"},
			&cli.StringFlag{Name: "squeeze", Usage: "anamorphic `SQUEEZE`, such as 2"},
			&cli.StringFlag{Name: "axis", Usage: "one `AXIS`; else every one that the style has"},
			&cli.StringFlag{Name: "svg", Usage: "write the picture to this `FILE`"},
			&cli.StringFlag{Name: "for", Usage: "propose styles for the shots of this `JOB`"},
			&cli.BoolFlag{Name: "write", Usage: "with --for: put the styles into the tune and their names into the shot list"},
		},
		reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runFollow,
	}
}

func runFollow(k *invocation) error {
	d, err := k.lib.Names().Load(k.args[0], true)
	if err != nil {
		return err
	}
	if k.c.String("for") != "" {
		return followRun{k}.followJob(d)
	}
	if k.c.Bool("write") {
		return usage("--write goes with --for JOB").hinted("to change a style by hand: rigkeep set %s follow.STYLE.deadband.pan=NUMBER", k.args[0])
	}
	style := k.c.String("style")
	have := d.Tune.Styles()
	if style == "" && len(have) == 1 {
		style = have[0]
	}
	for _, s := range []string{style, k.c.String("against")} {
		if s == "" && s != style {
			continue
		}
		if !contains(have, s) {
			f := usage("the tune has no follow style %q", s)
			if s == "" {
				f = usage("which follow style? --style is missing")
			}
			if sug := schema.Suggest(s, have); sug != "" {
				return f.hinted("%s", sug)
			}
			return f.hinted("it has: %s", firstOf(strings.Join(have, ", "), "none; set one with: rigkeep set "+k.args[0]+" follow.walk.deadband.pan=NUMBER"))
		}
	}
	axes, err := followRun{k}.followAxes(d, style)
	if err != nil {
		return err
	}
	fc, why, err := followRun{k}.followCase(style)
	if err != nil {
		return err
	}
	out := followAnswer{Format: 1, Rig: d.Rig.ID, Alias: d.Rig.Alias, Tune: d.Ref.Tune, Gimbal: d.Sheet.Slug, Style: style, Against: k.c.String("against"), Move: fc.Text, MoveFrom: why,
		LensMM: followRun{k}.lensMM(), Runs: []followPair{}, Notes: []string{}, moveTime: fc.Move.Duration()}
	for _, a := range axes {
		p := followPair{Axis: a.String()}
		p.Of, err = preset.RunFollow(k.cat, d.Sheet, *d.Tune, style, a, fc)
		var noMap *preset.ErrNoMap
		if errors.As(err, &noMap) {
			if err := (followRun{k}).relative(d, style, a, noMap, &p, &out); err != nil {
				return err
			}
			out.Runs = append(out.Runs, p)
			continue
		}
		if err != nil {
			return err
		}
		if out.Against != "" && d.Tune.HasStyle(out.Against, a) {
			if p.Against, err = preset.RunFollow(k.cat, d.Sheet, *d.Tune, out.Against, a, fc); err != nil {
				return err
			}
		}
		out.Runs = append(out.Runs, p)
	}
	if name := k.c.String("svg"); name != "" {
		if err := (followRun{k}).followSVG(name, out); err != nil {
			return err
		}
	}
	if k.json() {
		return k.encode(out)
	}
	followRun{k}.printFollow(d, out)
	return nil
}

// followAnswer is the documented shape of follow --json.
type followAnswer struct {
	Format   int          `json:"format"`
	Rig      string       `json:"rig"`
	Alias    string       `json:"alias"`
	Tune     string       `json:"tune"`
	Gimbal   string       `json:"gimbal"`
	Style    string       `json:"style"`
	Against  string       `json:"against,omitempty"`
	Move     string       `json:"move"`
	MoveFrom string       `json:"move_from"`
	LensMM   float64      `json:"lens_mm,omitempty"`
	Runs     []followPair `json:"runs"`
	Notes    []string     `json:"notes"`

	moveTime float64 // s
}

// followPair is one axis: what the style does, and what the other one does; or only
// their ratio, where the gimbal has no maps.
type followPair struct {
	Axis    string            `json:"axis"`
	Of      *preset.FollowRun `json:"of"`
	Against *preset.FollowRun `json:"against,omitempty"`
	Ratio   *follow.Ratio     `json:"ratio,omitempty"`
}

// followAxes are the axes to show.
func (k followRun) followAxes(d *library.Loaded, style string) ([]schema.Axis, error) {
	if w := k.c.String("axis"); w != "" {
		a, ok := schema.ParseAxis(strings.ToLower(w))
		if !ok {
			return nil, usage("--axis %q is not an axis", w).hinted("one of: pan, tilt, roll")
		}
		if !d.Tune.HasStyle(style, a) {
			return nil, usage("the style %s says nothing for %s", style, a)
		}
		return []schema.Axis{a}, nil
	}
	var out []schema.Axis
	for _, a := range schema.Axes {
		if d.Tune.HasStyle(style, a) {
			out = append(out, a)
		}
	}
	return out, nil
}

func (k followRun) lensMM() float64 {
	v, err := k.measure("lens", unit.Length, "mm")
	if err != nil {
		return 0
	}
	return round(v * 1000)
}

// followCase is the move and the lens to try.
func (k followRun) followCase(style string) (preset.FollowCase, string, error) {
	fc, err := preset.StyleCase(style)
	if err != nil {
		return fc, "", err
	}
	why := "the kind of shot " + style
	if _, err := follow.ShotOf(style); err != nil {
		why = "a usual move, since " + style + " is not a kind of shot"
	}
	text, file := k.c.String("move"), k.c.String("csv")
	switch {
	case text != "" && file != "":
		return fc, "", usage("--move and --csv are both given").hinted("give one of them")
	case text != "":
		m, err := follow.ParseMove(text)
		if err != nil {
			return fc, "", usage("--move: %v", err).hinted("for example: --move \"turn 90deg in 2s\"; see: rigkeep follow --help")
		}
		fc, why = preset.FollowCase{Move: m, Text: m.String(), Landing: -1}, "--move"
	case file != "":
		m, err := k.recordedMove(file)
		if err != nil {
			return fc, "", err
		}
		fc, why = preset.FollowCase{Move: m, Text: m.String(), Landing: -1}, file
	}
	lens, err := k.measure("lens", unit.Length, "mm")
	if err != nil {
		return fc, "", err
	}
	sensor, err := k.sensor()
	if err != nil {
		return fc, "", err
	}
	if (lens == 0) != (sensor[0] == 0) {
		return fc, "", usage("the drift in frame needs both --lens and --sensor").hinted("for example: --lens 50mm --sensor 24.9x18.7mm")
	}
	if lens > 0 {
		squeeze := 1.0
		if s := k.c.String("squeeze"); s != "" {
			if _, err := fmt.Sscan(s, &squeeze); err != nil {
				return fc, "", usage("--squeeze %q is not a number", s)
			}
		}
		if fc.FOVh, fc.FOVv, err = preset.View(lens*1000, sensor, squeeze); err != nil {
			return fc, "", err
		}
	}
	return fc, why, nil
}

func (k followRun) recordedMove(name string) (follow.Move, error) {
	in := k.Stdin
	if name != "-" {
		f, err := os.Open(k.path(name))
		if errors.Is(err, os.ErrNotExist) {
			return follow.Move{}, fail(exitNotFound, "file not found: %s", name)
		}
		if err != nil {
			return follow.Move{}, &failure{code: exitNetwork, text: "reading " + name + " failed: " + rootCause(err), err: err}
		}
		defer f.Close()
		in = f
	}
	samples, err := follow.ReadRecording(in, follow.RecordingOptions{})
	var re *follow.ReadError
	if errors.As(err, &re) {
		return follow.Move{}, &failure{code: exitDamaged, text: name + ": " + re.Error(), err: err}
	}
	if err != nil {
		return follow.Move{}, err
	}
	return follow.NewRecorded(samples)
}

// relative answers for a gimbal without maps.
func (k followRun) relative(d *library.Loaded, style string, a schema.Axis, noMap *preset.ErrNoMap, p *followPair, out *followAnswer) error {
	if out.Against == "" {
		var others []string
		for _, s := range d.Tune.Styles() {
			if s != style {
				others = append(others, s)
			}
		}
		f := usage("gimbal %s has no SI conversion for dial.%s: no seconds or degrees", noMap.Gimbal, noMap.Dial)
		if len(others) > 0 {
			return f.hinted("Add --against %s", others[0])
		}
		return f.hinted("a map in gimbals/%s.toml would change that; or add a second style and set this one --against it", noMap.Gimbal)
	}
	if !d.Tune.HasStyle(out.Against, a) {
		return nil
	}
	r, err := preset.RelativeFollow(d.Sheet, *d.Tune, style, *d.Tune, out.Against, a)
	if err != nil {
		return err
	}
	p.Ratio = r
	note := fmt.Sprintf("gimbal %s has no SI conversion for its follow dials: everything here is relative to %s, taking the dial numbers as proportional to what they set; no seconds and no degrees are known", noMap.Gimbal, out.Against)
	if !contains(out.Notes, note) {
		out.Notes = append(out.Notes, note)
	}
	return nil
}

// followFigure is one row of the table.
type followFigure struct {
	name, unit string
	of         func(*preset.FollowRun) *float64
}

func followFigures() []followFigure {
	at := func(v float64) *float64 { return &v }
	scaled := func(p *float64, by float64) *float64 {
		if p == nil {
			return nil
		}
		return at(*p * by)
	}
	deg := 1 / follow.Deg
	return []followFigure{
		{"start delay", "s", func(r *preset.FollowRun) *float64 { return r.Response.StartDelay }},
		{"steady trail", "°", func(r *preset.FollowRun) *float64 { return scaled(r.Response.SteadyTrail, deg) }},
		{"largest trail", "°", func(r *preset.FollowRun) *float64 { return at(r.Response.MaxTrail * deg) }},
		{"trail at stop", "°", func(r *preset.FollowRun) *float64 { return at(r.Response.TrailAtStop * deg) }},
		{"settling time", "s", func(r *preset.FollowRun) *float64 { return r.Response.SettleTime }},
		{"peak rate", "°/s", func(r *preset.FollowRun) *float64 { return at(r.Response.PeakRate * deg) }},
		{"overshoot", "°", func(r *preset.FollowRun) *float64 { return at(r.Response.Overshoot * deg) }},
		{"final offset", "°", func(r *preset.FollowRun) *float64 { return at(r.Response.Residual * deg) }},
		{"smoothness (SPARC, closer to 0 is smoother)", "", func(r *preset.FollowRun) *float64 { return r.Response.SPARC }},
		{"smoothness, log dimensionless jerk", "", func(r *preset.FollowRun) *float64 { return r.Response.LDLJ }},
		{"subject drift, max", "% of frame", func(r *preset.FollowRun) *float64 {
			if r.Response.Drift == nil {
				return nil
			}
			return scaled(r.Response.Drift.MaxShare, 100)
		}},
		{"sway passed", "%", func(r *preset.FollowRun) *float64 {
			if r.Sway == nil {
				return nil
			}
			return at(r.Sway.LeakAll * 100)
		}},
	}
}

func (k followRun) printFollow(d *library.Loaded, out followAnswer) {
	k.out("%s", wrap(fmt.Sprintf("%s on %s, style %s: %s (%s)", k.paint.bold(safe.Line(d.Label())), out.Gimbal, k.paint.bold(safe.Line(out.Style)), safe.Text(out.Move), safe.Line(out.MoveFrom)), "", k.wide))
	for _, n := range out.Notes {
		k.out("%s", wrap(k.paint.warn("note: ")+safe.Text(n), "", k.wide))
	}
	for _, p := range out.Runs {
		if p.Of == nil {
			k.printRatio(p, out)
			continue
		}
		t := table{head: true, right: map[int]bool{1: true, 2: p.Against != nil}}
		if p.Against != nil {
			t.add(p.Axis, out.Style, out.Against, "")
		} else {
			t.add(p.Axis, out.Style, "")
		}
		for _, f := range followFigures() {
			v := f.of(p.Of)
			if v == nil && (p.Against == nil || f.of(p.Against) == nil) {
				continue
			}
			cell := func(r *preset.FollowRun) string {
				x := f.of(r)
				switch {
				case x == nil:
					return "-"
				case math.Abs(*x) < 1e-9: // the dust of the arithmetic
					return "0"
				}
				return schema.Sig(*x, 3)
			}
			if p.Against != nil {
				t.add(f.name, cell(p.Of), cell(p.Against), f.unit)
			} else {
				t.add(f.name, cell(p.Of), f.unit)
			}
		}
		k.out("\n%s", t.render(k.paint, "  ", k.wide))
		if p.Of.Response.Drift != nil && p.Of.Response.Drift.LeavesFrame {
			k.out("%s", wrap(k.paint.warn("the subject leaves the frame")+" if it stands in the middle", "  ", k.wide))
		}
		if !p.Of.Response.Moves {
			k.out("%s", wrap("camera does not move: the move stays inside the dead band", "  ", k.wide))
		}
		if pic, err := textchart.Draw(followChart(p, out), min(k.wide, 80), 12, !k.unicode()); err == nil {
			k.out("\n%s", pic)
		}
	}
}

func (k followRun) printRatio(p followPair, out followAnswer) {
	k.out("\n%s\n", k.paint.bold(p.Axis+", relative to "+safe.Line(out.Against)))
	if p.Ratio == nil {
		k.out("  %s says nothing for %s\n", safe.Line(out.Against), p.Axis)
		return
	}
	t := table{right: map[int]bool{1: true}}
	row := func(name string, v *float64) {
		if v != nil {
			t.add(name, fmt.Sprintf("×%.2f", *v))
		} else {
			t.add(name, "-")
		}
	}
	row("start delay of a pan", p.Ratio.StartDelay)
	row("trailing beyond the dead band, and settling", p.Ratio.Lag)
	if p.Ratio.SteadyTrailLow != nil && p.Ratio.SteadyTrailHigh != nil {
		t.add("steady trail, by the rate of the pan", fmt.Sprintf("×%.2f to ×%.2f", *p.Ratio.SteadyTrailLow, *p.Ratio.SteadyTrailHigh))
	}
	k.out("%s", t.render(k.paint, "  ", k.wide))
}

// drawnPoints is how many points of a trace a picture shows.
const drawnPoints = 400

// followChart is the move and what the camera makes of it.
func followChart(p followPair, out followAnswer) svg.Chart {
	c := svg.Chart{Title: fmt.Sprintf("Follow response, %s (%s)", p.Axis, out.Style), Desc: "The operator's handle and the camera that follows it: " + out.Move + ".", XLabel: "time, s", YLabel: "angle, °"}
	end := 0
	for _, r := range []*preset.FollowRun{p.Of, p.Against} {
		if r == nil {
			continue
		}
		n := len(r.Response.Trace.Camera)
		if s := r.Response.SettleTime; s != nil {
			n = min(n, int((out.moveTime+*s*1.2+0.5)/r.Response.Trace.Step)+1)
		}
		end = max(end, n)
	}
	add := func(name string, step float64, ys []float64) {
		ys = ys[:min(len(ys), end)]
		every := max(1, len(ys)/drawnPoints)
		s := svg.Series{Name: name}
		for i := 0; i < len(ys); i += every {
			s.X, s.Y = append(s.X, float64(i)*step), append(s.Y, ys[i]/follow.Deg)
		}
		c.Series = append(c.Series, s)
	}
	t := p.Of.Response.Trace
	add("camera, "+out.Style, t.Step, t.Camera)
	if p.Against != nil {
		add("camera, "+out.Against, p.Against.Response.Trace.Step, p.Against.Response.Trace.Camera)
	}
	add("operator's handle", t.Step, t.Handle)
	return c
}

// followSVG writes the picture of the first axis that has one.
func (k followRun) followSVG(name string, out followAnswer) error {
	for _, p := range out.Runs {
		if p.Of == nil {
			continue
		}
		if len(out.Runs) > 1 {
			k.say("the picture shows %s; choose with --axis", p.Axis)
		}
		c := followChart(p, out)
		for i := range c.Series { // a name stands beside its line, whole
			c.Series[i].Name = cmp.Or(map[string]string{"operator's handle": "operator"}[c.Series[i].Name], strings.TrimPrefix(c.Series[i].Name, "camera, "))
		}
		var b bytes.Buffer
		if err := svg.Write(&b, c); err != nil {
			return err
		}
		if err := k.writeOut(name, b.Bytes()); err != nil {
			return err
		}
		if name != "-" && !k.json() {
			k.say("wrote %s", name)
		}
		return nil
	}
	return usage("no picture: results are relative only").hinted("add an SI conversion to the gimbal sheet")
}
