package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/diagnose"
	"rigkeep/preset/file"
	"rigkeep/preset/vibration"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func diagnoseVerb() command {
	return command{
		name: "diagnose", short: "find the likely cause of a shake",
		long: "Asks a few questions (or takes flags) and ranks the likely causes. With --log it first reads a gyro log (CSV): levels, peaks, harmonics, and whether it shows hand sway, rocking or chatter. " +
			"With --rig it also uses that rig's record: onsets, resting effort, ringing parts, and what a filter step costs in phase margin. Steps are in the order balance, build, stiffness, follow, filters. " +
			"--table prints the table of causes; --causes FILE uses your own.",
		example: "rigkeep diagnose --axis tilt --feel chatter --when tap --held stops --rig b-cam-85\nrigkeep diagnose --log ../desk/b-cam-shake.csv --rig b-cam-85\nrigkeep diagnose --table",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "log", Usage: "a gyro log, CSV `FILE`; - for standard input"},
			&cli.StringFlag{Name: "html", Usage: "write what the log shows as a page to this `FILE`"},
			&cli.StringFlag{Name: "map", Usage: "which `COLUMNS` are what, by name or number: time=t,pan=gz,roll=gx,tilt=#3; - for none"},
			&cli.Float64Flag{Name: "rate", Usage: "sample rate in `HZ`, for a log without time"},
			&cli.StringFlag{Name: "rate-unit", Usage: "`UNIT` of the turn rates: deg/s or rad/s; else from the header"},
			&cli.StringFlag{Name: "time-unit", Usage: "`UNIT` of the time: s, ms, us or ns; else from the header or its steps"},
			&cli.StringSliceFlag{Name: "band", Usage: "give the level of this `BAND` too, as 20-40 (Hz); repeatable"},
			&cli.StringFlag{Name: "rig", Usage: "the `RIG[/TUNE]` that shakes: its record is used"},
			&cli.StringFlag{Name: "axis", Usage: "which `AXIS`: pan, tilt, roll, several"},
			&cli.StringFlag{Name: "feel", Usage: "how it `FEELS`: chatter, rocking, jerk"},
			&cli.StringFlag{Name: "when", Usage: "`WHEN`: rest, tap, walk, turn, power-on"},
			&cli.StringFlag{Name: "where", Usage: "`WHERE`: stand, hand, vehicle"},
			&cli.StringFlag{Name: "held", Usage: "when the camera is `HELD` lightly it: stops, goes-on"},
			&cli.StringFlag{Name: "tilt", Usage: "at which `TILT`: everywhere, up, down, level"},
			&cli.StringFlag{Name: "changed", Usage: "what `CHANGED` last: build, values, unit, nothing"},
			&cli.BoolFlag{Name: "plain", Usage: "line-by-line questions (no single keys)"},
			&cli.StringFlag{Name: "causes", Usage: "use this table of causes, a `FILE`"},
			&cli.BoolFlag{Name: "why", Usage: "reasons for and against each cause, levels, peaks"},
			&cli.BoolFlag{Name: "all", Usage: "every cause, with its reasons"},
			&cli.BoolFlag{Name: "table", Usage: "print the table of causes"},
		},
		rare:  []string{"band", "causes", "map", "rate", "rate-unit", "time-unit"},
		reads: true, noLib: true, maxArgs: 0, run: runDiagnose,
	}
}

func runDiagnose(k *invocation) error {
	table, err := diagnoseRun{k}.causes()
	if err != nil {
		return err
	}
	if k.c.Bool("table") {
		k.write(string(diagnose.Text()))
		return nil
	}
	x := &diagnosis{invocation: k, table: table, answers: diagnose.Answers{}}
	if name := k.c.String("rig"); name != "" {
		if err := k.open(); err != nil {
			return err
		}
		if x.rig, err = k.lib.Names().Load(name, false); err != nil {
			return err
		}
		if x.onsets, err = k.lib.Evidence().Onsets(x.rig); err != nil {
			return err
		}
	}
	if k.c.String("log") != "" {
		if err := x.read(); err != nil {
			return err
		}
		var hints []diagnose.Hint
		x.answers, hints = preset.LogAnswers(x.report.Verdict)
		x.hints = append(x.hints, hints...)
	}
	given := 0
	for _, q := range table.Questions {
		if v := k.flag(q.ID); v != "" {
			x.answers[q.ID] = v
			given++
		}
	}
	if given == 0 && x.report == nil {
		if err := x.asked(); err != nil {
			return err
		}
	}
	if x.causes, err = table.Rank(x.answers, append(x.hints, x.record()...)...); err != nil {
		return err
	}
	if err := x.price(); err != nil {
		return err
	}
	if k.c.String("html") != "" && x.report == nil {
		return usage("--html shows a log; --log is missing").hinted("rigkeep diagnose --log FILE --html page.html")
	}
	if done, err := k.htmlPage(x.page); done || err != nil {
		return err
	}
	if k.json() {
		return x.encode()
	}
	return k.captured(func(*invocation) error { // the questions are over
		if k.c.Bool("why") || k.c.Bool("all") {
			x.print()
		} else {
			x.show()
		}
		return nil
	})
}

// flag is a flag's text, "" where the command has no such flag: a table of one's
// own may ask what no flag answers.
func (k *invocation) flag(name string) string {
	if findFlag(k.c.Command.Flags, name) == nil {
		return ""
	}
	return k.c.String(name)
}

// causes is the table in use.
func (k diagnoseRun) causes() (*diagnose.Table, error) {
	name := k.c.String("causes")
	if name == "" {
		return diagnose.Default(), nil
	}
	text, err := file.Read(k.path(name), name)
	if err != nil {
		return nil, err
	}
	t, err := diagnose.Parse(name, text)
	if err != nil {
		return nil, err
	}
	for _, c := range t.Contradictions() {
		k.say("note on %s: %s", name, safe.Line(c))
	}
	return t, nil
}

// diagnosis is one run of diagnose.
type diagnosis struct {
	*invocation
	table   *diagnose.Table
	answers diagnose.Answers
	hints   []diagnose.Hint
	rig     *library.Loaded
	onsets  []preset.OnsetRecord
	log     *vibration.Log
	report  *vibration.Report
	causes  []diagnose.Ranked
	plan    []diagnose.Planned
	prices  []preset.FilterPrice
}

// axes in question: the one answered, else all.
func (x *diagnosis) axes() []schema.Axis {
	if a, ok := schema.ParseAxis(x.answers["axis"]); ok {
		return []schema.Axis{a}
	}
	return schema.Axes
}

// record is what the rig's record says.
func (x *diagnosis) record() []diagnose.Hint {
	if x.rig == nil {
		return nil
	}
	hz := 0.0
	if x.report != nil && x.report.Verdict.Hz != nil {
		hz = *x.report.Verdict.Hz
	}
	return preset.ShakeHints(x.rig.Sheet, x.rig.Rig, x.rig.Tune, x.axes(), x.onsets, hz, x.Now().Location())
}

// price works out what the filters on the plan cost, on the unit of the proof where
// sessions on it told more than the sheet.
func (x *diagnosis) price() error {
	x.plan = diagnose.Plan(x.causes, shownCauses)
	if x.rig == nil || x.rig.Tune == nil {
		return nil
	}
	unit := ""
	if x.rig.Tune.Proof != nil {
		unit = x.rig.Tune.Proof.Unit
	}
	sheet, _, err := x.lib.Evidence().SheetFor(x.rig.Sheet, unit)
	if err != nil {
		return err
	}
	for _, p := range x.plan {
		if p.Step != "filters" {
			continue
		}
		for _, a := range x.axes() {
			x.prices = append(x.prices, preset.PriceOfFilter(x.cat, sheet, x.rig.Rig, *x.rig.Tune, a, p.Key, p.Direction))
		}
	}
	return nil
}

// read reads and analyses the log.
func (x *diagnosis) read() error {
	o := vibration.ReadOptions{TimeUnit: x.c.String("time-unit"), RateUnit: x.c.String("rate-unit"), Rate: x.c.Float64("rate")}
	for _, p := range words2list(x.c.String("map")) {
		use, col, ok := strings.Cut(p, "=")
		to := map[string]*string{"time": &o.Columns.Time, "pan": &o.Columns.Pan, "roll": &o.Columns.Roll, "tilt": &o.Columns.Tilt}[strings.TrimSpace(use)]
		if !ok || to == nil || strings.TrimSpace(col) == "" {
			return usage("--map: %q is not USE=COLUMN", p).hinted("for example: --map time=t,pan=gz,roll=gx,tilt=#3; each of time, pan, roll, tilt, - for none")
		}
		*to = strings.TrimSpace(col)
	}
	var s vibration.Settings
	for _, b := range x.c.StringSlice("band") {
		lo, hi, ok := strings.Cut(b, "-")
		l, err1 := strconv.ParseFloat(strings.TrimSpace(lo), 64)
		h, err2 := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(hi), "Hz")), 64)
		if !ok || err1 != nil || err2 != nil {
			return usage("--band %q is not LOW-HIGH", b).hinted("for example: --band 20-40")
		}
		s.Bands = append(s.Bands, vibration.Band{Low: l, High: h})
	}
	name := x.c.String("log")
	in, size := x.Stdin, int64(0)
	if name != "-" {
		f, err := os.Open(x.path(name))
		if err == nil {
			defer f.Close()
			var fi os.FileInfo
			if fi, err = f.Stat(); err == nil && fi.IsDir() {
				return fail(exitUsage, "%s is a folder", name).hinted("give a CSV file")
			}
			if err == nil {
				in, size = f, fi.Size()
			}
		}
		if errors.Is(err, os.ErrNotExist) {
			return fail(exitNotFound, "file not found: %s", name)
		}
		if err != nil {
			return &failure{code: exitNetwork, text: "reading " + name + " failed: " + rootCause(err), err: err}
		}
	}
	bar := diagnoseRun{x.invocation}.bar("reading "+name, size)
	o.Progress = bar.at
	log, err := vibration.Read(io.LimitReader(in, 8<<30), o)
	bar.done()
	if err != nil {
		var re *vibration.ReadError
		if errors.As(err, &re) {
			return &failure{code: exitDamaged, text: name + ": " + re.Error(), err: err}
		}
		return err
	}
	x.log = log
	x.report, err = vibration.Analyse(log, s)
	return err
}

// bar shows on a terminal how far something long has come; nothing elsewhere.
type bar struct {
	out   io.Writer
	what  string
	size  int64
	shown int
	on    bool
}

func (k diagnoseRun) bar(what string, size int64) *bar {
	return &bar{out: k.Stderr, what: safe.Line(what), size: size, shown: -1, on: size > 1<<20 && tty(k.Stderr)}
}

func (b *bar) at(bytes int64, _ int) {
	if !b.on {
		return
	}
	pct := int(min(100, bytes*100/b.size))
	if pct == b.shown {
		return
	}
	b.shown = pct
	fmt.Fprintf(b.out, "\r%s [%-20s] %3d %%", b.what, strings.Repeat("#", pct/5), pct)
}

func (b *bar) done() {
	if b.on && b.shown >= 0 {
		fmt.Fprintf(b.out, "\r%s\r", strings.Repeat(" ", len(b.what)+30))
	}
}

// asked puts the questions.
func (x *diagnosis) asked() error {
	if x.c.Bool("no-input") || x.json() && !x.c.Bool("plain") {
		return usage("nothing to diagnose: give a log or an answer").hinted("for example: rigkeep diagnose --axis tilt --feel chatter --when tap")
	}
	a, done, err := x.ask(x.c.Bool("plain"))
	if err != nil {
		return usage("diagnose needs a log, or an answer to go by").hinted("for example: rigkeep diagnose --axis tilt --feel chatter --when tap; or --plain to be asked line by line")
	}
	defer done()
	for _, q := range x.table.Questions {
		var cs []choice
		var text []string
		for i, ans := range q.Answers {
			key := byte('1' + i)
			if i > 7 {
				break
			}
			cs = append(cs, choice{key, ans.ID})
			text = append(text, fmt.Sprintf("  %c  %s", key, ans.Text))
		}
		cs = append(cs, choice{'0', "not known"})
		x.out("%s\n%s\n", x.paint.bold(safe.Line(q.Ask)), safe.Text(strings.Join(text, "\n")))
		c, err := a.pickOne("[1-"+string('0'+byte(len(cs)-1))+", Enter: not known]", cs)
		if errors.Is(err, errStopped) {
			return stopped("stopped; nothing was changed", "answers can be given as flags: rigkeep diagnose --help")
		}
		if err != nil {
			return err
		}
		if c != '0' {
			x.answers[q.ID] = q.Answers[c-'1'].ID
		}
	}
	return nil
}

const diagnoseCaution = "power off before you touch the motors; hold the build before you open a clamp. These are likely causes, not a verdict. The maker's manual, local codes and qualified crew come first."

func (x *diagnosis) encode() error {
	axis := ""
	if x.rig != nil {
		axis = x.rig.Rig.ID
	}
	type onset struct {
		Axis  string  `json:"axis"`
		Onset float64 `json:"onset"`
		Hz    float64 `json:"hz,omitempty"`
		Unit  string  `json:"unit,omitempty"`
		At    string  `json:"at"`
		Job   string  `json:"job,omitempty"`
		From  string  `json:"from"`
	}
	onsets := []onset{}
	for _, o := range x.onsets {
		onsets = append(onsets, onset{o.Axis.String(), o.Onset, o.Hz, o.Unit, o.At.UTC().Format("2006-01-02T15:04:05Z"), o.Job, o.Where})
	}
	return x.invocation.encode(struct {
		Format  int                  `json:"format"`
		Rig     string               `json:"rig,omitempty"`
		Log     *vibration.Report    `json:"log,omitempty"`
		Answers diagnose.Answers     `json:"answers"`
		Causes  []diagnose.Ranked    `json:"causes"`
		Plan    []diagnose.Planned   `json:"plan"`
		Prices  []preset.FilterPrice `json:"filter_prices"`
		Onsets  []onset              `json:"onsets"`
		Caution string               `json:"caution"`
	}{1, axis, x.report, x.answers, append([]diagnose.Ranked{}, x.causes...), append([]diagnose.Planned{}, x.plan...), append([]preset.FilterPrice{}, x.prices...), onsets, diagnoseCaution})
}

// shownCauses is how many causes are printed.
const shownCauses = 5

func (x *diagnosis) print() {
	if x.report != nil {
		x.printLog()
	}
	var given []string
	for _, q := range x.table.Questions {
		if v := x.answers[q.ID]; v != "" {
			given = append(given, q.ID+" "+v)
		}
	}
	if len(given) > 0 {
		x.out("%s", wrap("You said: "+safe.Line(strings.Join(given, ", ")), "", x.wide))
	}
	if x.rig != nil {
		for _, a := range x.axes() {
			for _, o := range x.onsets {
				if o.Axis == a {
					x.out("%s", wrap("on record: "+safe.Text(o.Text(x.Now().Location())), "", x.wide))
					break
				}
			}
		}
	}
	x.out("\n%s\n", x.paint.bold("Likely causes"))
	for i, c := range x.causes {
		if i == shownCauses && !x.c.Bool("all") {
			x.out("  and %d less likely (--all)\n", len(x.causes)-i)
			break
		}
		x.out("%s", hang(fmt.Sprintf("  %d. ", i+1), x.paint.bold(safe.Line(c.Name)), x.wide))
		x.out("%s", wrap(safe.Text(c.Why), "     ", x.wide))
		if len(c.For) > 0 {
			x.out("%s", wrap("for: "+safe.Text(strings.Join(c.For, "; ")), "     ", x.wide))
		}
		if len(c.Against) > 0 {
			x.out("%s", wrap("against: "+safe.Text(strings.Join(c.Against, "; ")), "     ", x.wide))
		}
	}
	x.out("\n%s\n", x.paint.bold("Try in this order"))
	for i, p := range x.plan {
		head := p.Do
		if p.Key != "" {
			head = fmt.Sprintf("%s, %s. %s", p.Key, p.Direction, p.Do)
		}
		x.out("%s", hang(fmt.Sprintf("  %d. ", i+1), fmt.Sprintf("[%s] %s", p.Step, safe.Text(head)), x.wide))
		x.out("%s", wrap(fmt.Sprintf("%s: %s", safe.Line(p.Cause), safe.Text(p.Why)), "     ", x.wide))
		if p.Step == "filters" {
			x.printPrice(p)
		}
	}
	x.out("\n%s", wrap("Caution: "+diagnoseCaution, "", x.wide))
}

// hang wraps text behind a lead, the further lines under its beginning.
func hang(lead, text string, width int) string {
	w := wrap(text, strings.Repeat(" ", len(lead)), width)
	return lead + strings.TrimPrefix(w, strings.Repeat(" ", len(lead)))
}

func (x *diagnosis) printPrice(p diagnose.Planned) {
	if x.rig == nil {
		x.out("%s", wrap("cost: phase margin on every axis (--rig RIG shows how much)", "     ", x.wide))
		return
	}
	for _, f := range x.prices {
		if f.Key == p.Key && f.Direction == p.Direction {
			x.out("%s", wrap("cost: "+safe.Text(f.Text), "     ", x.wide))
		}
	}
}

// printLog prints what a log shows.
func (x *diagnosis) printLog() {
	r := x.report
	t := r.Timing
	even := "even"
	if !t.Even {
		even = fmt.Sprintf("uneven samples (up to %.3g ms), resampled by timestamp (%s)", t.StepMax*1e3, r.Method)
	}
	x.out("%s", wrap(fmt.Sprintf("%s over %.1f s, %s Hz, %s", schema.Count(t.Rows, "row", "rows"), t.Duration, schema.Sig(r.Rate, 4), even), "", x.wide))
	var cols []string
	for _, c := range r.Columns {
		cols = append(cols, fmt.Sprintf("%s from %q (%s)", c.Use, safe.Line(c.Name), c.Unit))
	}
	x.out("%s", wrap("read: "+strings.Join(cols, ", "), "", x.wide))
	for _, f := range r.Findings {
		x.out("%s", wrap("- "+x.paint.warn(string(f.Kind))+": "+safe.Text(f.Text), "  ", x.wide))
	}
	x.out("\n")
	tab := table{head: true, right: map[int]bool{1: true, 2: true, 3: true}}
	head := []string{"axis"}
	for i, l := range r.Axes[0].Levels {
		name := l.Name
		if name == "" {
			name = fmt.Sprintf("%g-%g Hz", l.Low, l.High)
		}
		head = append(head, name)
		tab.right[i+1] = true
	}
	tab.add(append(head, "peaks, Hz (deg/s rms)")...)
	for _, a := range r.Axes {
		row := []string{a.Axis}
		for _, l := range a.Levels {
			row = append(row, levelText(l.RMS))
		}
		var peaks []string
		for i, p := range a.Peaks {
			if i < 3 && degrees(p.RMS) >= leastLevel { // less than that is the sum's own dust
				peaks = append(peaks, fmt.Sprintf("%s (%s)", schema.Sig(p.Hz, 4), schema.Sig(degrees(p.RMS), 3)))
			}
		}
		tab.add(append(row, strings.Join(peaks, ", "))...)
	}
	x.out("%s", tab.render(x.paint, "", x.wide))
	b := r.Axes[0].Levels
	x.out("%s", wrap(fmt.Sprintf("levels in deg/s rms: sway %g to %g Hz, rocking to %g Hz, chatter above", b[0].Low, b[0].High, b[1].High), "", x.wide))
	for _, a := range r.Axes {
		for _, s := range a.Series {
			x.out("%s: %s Hz with %s\n", a.Axis, schema.Sig(s.Hz, 4), schema.Count(len(s.Members)-1, "harmonic", "harmonics"))
		}
	}
	x.out("\n%s", wrap(x.paint.bold(string(r.Verdict.Kind))+" on "+r.Verdict.Axis+": "+safe.Text(strings.Join(r.Verdict.Evidence, "; ")), "", x.wide))
	for _, n := range r.Notes {
		x.out("%s", wrap("note: "+safe.Text(n), "", x.wide))
	}
	x.out("\n")
}

// leastLevel is the smallest level that is shown as a number, deg/s: a hundredth of what
// counts as quiet.
const leastLevel = 0.001

// levelText is an rms rate in deg/s for a table.
func levelText(rad float64) string {
	if d := degrees(rad); d == 0 || d >= leastLevel {
		return schema.Sig(d, 3)
	}
	return fmt.Sprintf("<%g", leastLevel)
}

// degrees is a rate of the models in the unit that people read.
func degrees(rad float64) float64 { return rad * 180 / math.Pi }

// causeAnswers completes an answer of diagnose.
func causeAnswers(question string) []candidate {
	var out []candidate
	q, _ := diagnose.Default().Question(question)
	for _, a := range q.Answers {
		out = append(out, candidate{a.ID, a.Text})
	}
	return out
}
