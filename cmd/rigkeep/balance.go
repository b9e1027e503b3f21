package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

func balanceVerb() command {
	return command{
		name: "balance", args: "[RIG]", short: "balance a build step by step, and keep the marks found",
		long: "On a terminal it walks through the adjustments of the gimbal sheet in their order: the mark that is expected, what to look for by hand with the power off, the mark found, then the resting effort at each point where the controller shows it. Every answer is on disk before the next question, so a walk that was left goes on where it stopped. At the end the record is saved as one revision.\n" +
			"A script gives the answers: --mark and --effort; the record is saved at once, or with --more once the last answers came. --backtest says how far off the predicted marks were.",
		example: "rigkeep balance a-cam-prime --unit QL-0031\nrigkeep balance a-cam-prime --unit QL-0031 --mark plate=59,riser=13\nrigkeep balance a-cam-prime --unit QL-0031 --effort tilt=2.8/1.2\nrigkeep balance --backtest",
		flags: append(boolFlags("new", "start another record; an open one is kept as it stands",
			"plain", "line-by-line questions (no single keys)", "more", "more answers follow: do not save yet",
			"backtest", "how far off were the predicted marks, whole rigs left out"),
			&cli.StringFlag{Name: "unit", Usage: "the `UNIT` that is balanced, by serial or label"},
			&cli.StringSliceFlag{Name: "mark", Usage: "`NAME=MM`, the mark found on an adjustment; with commas for several"},
			&cli.StringFlag{Name: "effort", Usage: "resting effort, `AXIS=PERCENT`, comma-separated; two readings as tilt=2.8/1.2"},
			&cli.StringFlag{Name: "point", Usage: "the `POINT` of the sheet's balance check that --effort was read at; else the axis's first"},
			messageFlag(),
		),
		reads: true, changes: true, minArgs: 0, maxArgs: 1, argKind: []string{"rig"}, run: runBalance,
	}
}

// jsonMark is what is known of one adjustment, in the shape of --json.
type jsonMark struct {
	Name      string   `json:"name"`
	Stage     string   `json:"stage"`
	Rising    string   `json:"rising"`
	Found     *float64 `json:"found_mm,omitempty"`
	FoundAt   string   `json:"found_at,omitempty"`
	FoundOn   string   `json:"found_on_unit,omitempty"`
	Predicted *float64 `json:"predicted_mm,omitempty"`
	Low       *float64 `json:"low_mm,omitempty"` // of the 90 % interval
	High      *float64 `json:"high_mm,omitempty"`
	Records   int      `json:"records"`
	From      string   `json:"starts_from_rig,omitempty"` // fingerprint
	Unknown   string   `json:"unknown,omitempty"`
	OutMM     float64  `json:"out_mm,omitempty"`     // how far the scale ends before balance
	EffortPct *float64 `json:"effort_pct,omitempty"` // what that leaves, at worst
}

func (k markRun) jsonMarks(answers []preset.MarkAnswer) []jsonMark {
	out := []jsonMark{}
	inMM := func(m float64) *float64 { v := preset.Rounded(m*1000, 6); return &v }
	for _, a := range answers {
		j := jsonMark{Name: a.Adjustment.Name, Stage: a.Adjustment.Stage.String(), Rising: a.Adjustment.Rising(), Unknown: a.Unknown, From: a.Parent, OutMM: preset.Rounded(a.Out*1000, 6), EffortPct: a.Effort}
		if a.Found != nil {
			j.Found, j.FoundAt, j.FoundOn = inMM(*a.Found.Mark), a.Found.At.UTC().Format("2006-01-02T15:04:05Z"), a.In.Unit
		}
		if a.Mark != nil {
			j.Predicted, j.Low, j.High, j.Records = inMM(a.Mark.Mid), inMM(a.Lo), inMM(a.Hi), a.Mark.N
		}
		out = append(out, j)
	}
	return out
}

// markShort is one mark with its interval: "plate 41 ± 3 mm", "plate 47 mm".
func markShort(a preset.MarkAnswer) string {
	name := safe.Line(a.Adjustment.Name)
	switch {
	case a.Found != nil:
		return fmt.Sprintf("%s %s mm", name, schema.Sig(*a.Found.Mark*1000, 4)) + nearEnd(a)
	case a.Mark != nil:
		return fmt.Sprintf("%s %s ± %.0f mm", name, wholeMM(a.Mark.Mid), math.Max(1, math.Ceil((a.Hi-a.Lo)*500))) + nearEnd(a)
	}
	return ""
}

// nearEnd says that little of a scale is left behind a mark on it: the next part may need
// more (5 mm, common practice, no source).
func nearEnd(a preset.MarkAnswer) string {
	at, _, ok := a.Expected()
	if r := a.Adjustment.Range; ok && r != nil && a.Out == 0 {
		if left := math.Min(at-r[0], r[1]-at); left >= 0 && left < 0.005 {
			return fmt.Sprintf(" (%s mm before its end)", wholeMM(left))
		}
	}
	return ""
}

// markLine is the answer for all adjustments: found marks first, then predicted ones,
// then what is unknown and how to get it.
func (k *invocation) markLine(answers []preset.MarkAnswer, s *schema.Sheet) string {
	if len(s.Adjustments) == 0 {
		return "the gimbal sheet lists no adjustment; the build is taken as balanced"
	}
	var found, predicted, out []string
	unknown := map[string][]string{}
	var why []string
	records := 0
	on := ""
	for _, a := range answers {
		switch {
		case a.Found != nil:
			found = append(found, markShort(a))
			on = k.on(a.Found.At)
			if a.In.Unit != "" {
				on += " on " + safe.Line(a.In.Unit)
			}
		case a.Mark != nil:
			predicted = append(predicted, markShort(a))
			records = max(records, a.Mark.N)
		default:
			if unknown[a.Unknown] == nil {
				why = append(why, a.Unknown)
			}
			unknown[a.Unknown] = append(unknown[a.Unknown], safe.Line(a.Adjustment.Name))
		}
		if a.Out > 0 {
			out = append(out, outWords(a))
		}
	}
	var all []string
	if len(found) > 0 {
		all = append(all, strings.Join(found, ", ")+" (found "+on+")")
	}
	if len(predicted) > 0 {
		from := "from the gimbal sheet"
		if records > 0 {
			from = "from " + schema.Count(records, "record", "records")
		}
		all = append(all, strings.Join(predicted, ", ")+" (predicted "+from+")")
	}
	text := strings.Join(all, "; ")
	for _, w := range why {
		text += "\n" + strings.Join(unknown[w], ", ") + " unknown: " + w
	}
	for _, o := range out {
		text += "\n" + o
	}
	return strings.TrimPrefix(text, "\n")
}

// outWords says what is out of travel, and what that leaves.
func outWords(a preset.MarkAnswer) string {
	s := fmt.Sprintf("%s would have to go to %s mm; its scale ends %s mm before", safe.Line(a.Adjustment.Name), wholeMM(a.Mark.Mid), wholeMM(a.Out))
	if a.Effort != nil {
		return s + fmt.Sprintf(", which takes %s %% of the %s motor", schema.Sig(*a.Effort, 2), a.Adjustment.Stage)
	}
	return s + "; what holding that takes is " + balance.NeedsTorque(a.Adjustment.Stage).Error()
}

// markWhy says what a mark rests on.
func (k markRun) markWhy(a preset.MarkAnswer) string {
	s := a.Adjustment.Name + ": "
	if a.Found != nil {
		s += fmt.Sprintf("found at %s mm on %s", schema.Sig(*a.Found.Mark*1000, 4), k.clock(a.Found.At))
		if a.In.Unit != "" {
			s += ", unit " + a.In.Unit
		}
		s += ". "
	}
	switch {
	case a.Mark == nil:
		return s + "unknown: " + a.Unknown
	case a.Mark.N == 0:
		s += "expected by the gimbal sheet alone"
	default:
		s += "expected from " + schema.Count(a.Mark.N, "record", "records")
	}
	s += fmt.Sprintf(": %s mm, %s to %s mm", wholeMM(a.Mark.Mid), wholeMM(a.Lo), wholeMM(a.Hi))
	if a.Parent != "" {
		s += ", starting from the marks of " + k.nameOfRig(a.Parent)
	}
	if a.Adjustment.Outer {
		s += "; depends on the mass alone"
	}
	return s
}

// nameOfRig is the alias of a fingerprint, else the fingerprint.
func (k markRun) nameOfRig(fp string) string {
	if r, err := k.lib.Rig("", fp); err == nil {
		return r.Alias
	}
	return fp
}

// payload is what a gimbal carries; a least of 0 is not known.
func (u units) payload(least, most float64) string {
	if least > 0 {
		return u.kgRange(least, most)
	}
	return "up to " + u.kg(most)
}

// kgRange is a range of masses as a sheet states it: "0.5 to 6.0 kg".
func (u units) kgRange(lo, hi float64) string {
	if u.mass != "kg" {
		return u.kg(lo) + " to " + u.kg(hi)
	}
	n := func(v float64) string {
		s := schema.Num(v)
		if !strings.Contains(s, ".") {
			s += ".0"
		}
		return s
	}
	return n(lo) + " to " + n(hi) + " kg"
}

// marksFlag reads --mark NAME=MM.
func (k markRun) marksFlag(s *schema.Sheet) ([]preset.BalanceMark, error) {
	var out []preset.BalanceMark
	var texts []string
	for _, text := range k.c.StringSlice("mark") {
		for _, t := range strings.Split(text, ",") {
			if n := len(texts); n > 0 && t != text && !strings.Contains(t, "=") {
				texts[n-1] += "," + t // a decimal comma
				continue
			}
			texts = append(texts, t)
		}
	}
	for _, text := range texts {
		name, value, ok := strings.Cut(text, "=")
		if !ok {
			return nil, usage("--mark: %q is not NAME=MM", text).hinted("for example: --mark plate=47")
		}
		a, err := k.adjustment(s, strings.TrimSpace(name))
		if err != nil {
			return nil, err
		}
		v, err := preset.ParseMark(a, value)
		if err != nil {
			return nil, usage("--mark %s: %v", safe.Line(name), err)
		}
		out = append(out, preset.BalanceMark{Name: a.Name, At: k.Now(), Mark: &v})
	}
	return out, nil
}

func (k markRun) adjustment(s *schema.Sheet, name string) (schema.Adjustment, error) {
	if a, ok := s.Adjustment(name); ok {
		return a, nil
	}
	var have []string
	for _, a := range s.Adjustments {
		have = append(have, a.Name)
	}
	f := usage("gimbal %s has no adjustment %q", s.Slug, safe.Line(name))
	if n := schema.Suggest(name, have); n != "" {
		return schema.Adjustment{}, f.hinted("%s", n)
	}
	return schema.Adjustment{}, f.hinted("its sheet lists: %s", firstOf(strings.Join(have, ", "), "none; add [[adjustment]] tables"))
}

// effortsFlag reads --effort at the points that --point names, or each axis's first.
func (k markRun) effortsFlag(s *schema.Sheet) ([]preset.BalanceEffort, error) {
	readings, err := k.effortReadings()
	if err != nil {
		return nil, err
	}
	var out []preset.BalanceEffort
	for _, a := range schema.Axes {
		v, ok := readings[a]
		if !ok {
			continue
		}
		p, err := k.effortPoint(s, a)
		if err != nil {
			return nil, err
		}
		out = append(out, preset.NewEffort(p, v, k.Now()))
	}
	return out, nil
}

// effortPoint is the point of the balance check that --point names for an axis, else
// the axis's first.
func (k markRun) effortPoint(s *schema.Sheet, a schema.Axis) (preset.BalancePoint, error) {
	named := strings.TrimSpace(k.c.String("point"))
	p := preset.BalancePoint{Text: a.String(), Axis: a, HasAxis: true}
	var have []string
	for _, x := range preset.BalancePoints(s) {
		if !x.HasAxis || x.Axis != a {
			continue
		}
		have = append(have, x.Text)
		if named == "" && len(have) == 1 || strings.EqualFold(x.Text, named) {
			return x, nil
		}
	}
	if named != "" {
		return p, usage("--point %q is not a point of the balance check for %s", named, a).hinted("gimbal %s lists: %s", s.Slug, firstOf(strings.Join(have, "; "), "none"))
	}
	return p, nil
}

// keepEfforts writes the efforts of fit --effort into a balance record of its own and
// saves it; it gives the path. Nothing is written on a dry run.
func (k markRun) keepEfforts(d *library.Loaded, unit string) (string, error) {
	efforts, err := k.effortsFlag(d.Sheet)
	if err != nil {
		return "", err
	}
	b := &balanceRun{invocation: k.invocation, d: d, unit: unit}
	if err := b.resume(); err != nil {
		return "", err
	}
	if k.dryRun() {
		return b.rec.Path, nil
	}
	if err := b.add(nil, efforts); err != nil {
		return "", err
	}
	_, err = b.save("")
	return b.rec.Path, err
}

// backtest prints how far off the predicted marks were, for each gimbal.
func (k markRun) balanceBacktest() error {
	type row struct {
		Gimbal     string   `json:"gimbal"`
		Adjustment string   `json:"adjustment"`
		N          int      `json:"marks"`
		Median     float64  `json:"median_error_mm"`
		Ninety     float64  `json:"nine_of_ten_within_mm"`
		Inside     float64  `json:"share_inside_90_percent"`
		Zero       *float64 `json:"least_squares_zero_mm,omitempty"`
		OwnMass    *float64 `json:"least_squares_own_mass_kg,omitempty"`
		OwnMoment  *float64 `json:"least_squares_own_moment_kgm,omitempty"`
		Residual   *float64 `json:"least_squares_rms_mm,omitempty"`
	}
	rows := []row{}
	slugs, err := k.lib.Gimbals()
	if err != nil {
		return err
	}
	for _, slug := range slugs {
		s, err := k.lib.Sheet("", slug)
		if err != nil || len(s.Adjustments) == 0 {
			continue // one that cannot be read is said by check
		}
		q, err := k.lib.Balance().MarkQuery(preset.Rig{}, s, "")
		if err != nil {
			return err
		}
		scores, err := preset.MarkBacktest(s, q.Records, q.Builds)
		if err != nil {
			return err
		}
		for _, x := range scores {
			r := row{Gimbal: slug, Adjustment: x.Adjustment.Name, N: x.N, Median: preset.Rounded(x.Median*1000, 3), Ninety: preset.Rounded(x.Ninety*1000, 3), Inside: preset.Rounded(x.Inside, 3)}
			if l := x.Line; l != nil {
				zero, m, mo, rms := preset.Rounded(l.Zero*1000, 4), preset.Rounded(l.OwnMass, 3), preset.Rounded(l.OwnMoment, 3), preset.Rounded(l.Residual*1000, 3)
				r.Zero, r.OwnMass, r.OwnMoment, r.Residual = &zero, &m, &mo, &rms
			}
			rows = append(rows, r)
		}
	}
	if k.json() {
		return k.encode(struct {
			Format int   `json:"format"`
			Rows   []row `json:"backtest"`
		}{1, rows})
	}
	if len(rows) == 0 {
		k.out("No gimbal sheet lists an adjustment, so no mark was ever predicted.\n")
		return nil
	}
	k.out("%s", wrap("Each mark predicted from the other rigs' records alone, whole rigs left out.", "", k.wide))
	t := table{head: true, right: map[int]bool{2: true, 3: true, 4: true, 5: true}}
	t.add("gimbal", "adjustment", "marks", "median", "9 of 10", "in 90 %")
	for _, r := range rows {
		if r.N == 0 {
			t.add(r.Gimbal, r.Adjustment, "0", "", "", "")
			continue
		}
		t.add(r.Gimbal, r.Adjustment, fmt.Sprint(r.N), fmt.Sprintf("%.1f mm", r.Median), fmt.Sprintf("%.1f mm", r.Ninety), fmt.Sprintf("%.0f %%", r.Inside*100))
	}
	k.write(t.render(k.paint, "", k.wide))
	first := true
	for _, r := range rows {
		if r.Zero == nil {
			continue
		}
		if first {
			k.out("\n%s", wrap("By least squares over all records, for the gimbal sheet (rigs and units not told apart):", "", k.wide))
			first = false
		}
		k.out("%s", wrap(fmt.Sprintf("%s, %s: zero_mm %s, own_mass_kg %s, own_moment_kgm %s; %s mm rms left", r.Gimbal, safe.Line(r.Adjustment), typed(*r.Zero), typed(*r.OwnMass), typed(*r.OwnMoment), typed(*r.Residual)), "  ", k.wide))
	}
	return nil
}

// typed writes a number for a gimbal sheet, to a thousandth: what is left of zero is zero.
func typed(v float64) string { return schema.Num(math.Round(v*1000)/1000 + 0) }
