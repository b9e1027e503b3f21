package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/dial"
	"rigkeep/preset/file"
	"rigkeep/preset/identify"
	"rigkeep/schema"
)

func gimbalMeasureVerb() command {
	return command{
		name: "measure", args: "DIAL", short: "measure a dial at the stand: what its numbers are in SI",
		long: "Asks for readings at two settings or more, best three: a stiffness from a hung mass or a pulled spring scale and a phone's angle, a dead band from slow turns, a lag from a fast one. The sheet gets a map with the points, their uncertainty, the unit and the day. " +
			"A reading that is off by more than 20 % is kept but makes no point, and what to change is said. --from takes readings from paper: a CSV with a heading.",
		example: "rigkeep gimbal measure tilt --unit QL-0044\nrigkeep gimbal measure lag.pan --unit QL-0044 --from lag.csv\nrigkeep gimbal measure pan --unit QL-0044 --pan-axis level",
		flags: []cli.Flag{
			&cli.StringFlag{Name: "unit", Usage: "`UNIT` at the stand, by serial or label"},
			&cli.StringFlag{Name: "from", Usage: "take the readings from this `FILE`; - for standard input"},
			&cli.StringFlag{Name: "pan-axis", Usage: "how a stiffness of pan is read, `HOW`: level (the gimbal laid down so that its pan axis is level) or scale (a spring scale pulled sideways)"},
			&cli.BoolFlag{Name: "creeps", Usage: "the loaded axis creeps back: said, and nothing is measured"},
			&cli.BoolFlag{Name: "plain", Usage: "line-by-line questions (no single keys)"},
		},
		changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"key"}, run: runGimbalMeasure,
	}
}

// measuring is one run of gimbal measure.
type measuring struct {
	*invocation
	sheet    *schema.Sheet
	d        schema.Dial
	q        dial.Quantity
	axis     schema.Axis
	unit     string // serial
	known    dial.Model
	readings []dial.Reading
	points   []dial.Point
	lags     []dial.Lag
	last     map[string]float64 // what was typed before, the default of what stays
}

func runGimbalMeasure(k *invocation) error {
	name := k.c.String("unit")
	if name == "" {
		return usage("--unit is missing: a dial is measured on one unit").hinted("Try: rigkeep gimbal measure %s --unit UNIT", k.args[0])
	}
	u, err := k.lib.Units().Find(name)
	if err != nil {
		return err
	}
	m := &measuring{invocation: k, unit: u.Serial, last: map[string]float64{}}
	if m.sheet, err = k.lib.Sheet("", u.Gimbal); err != nil {
		return err
	}
	if err := m.find(k.args[0]); err != nil {
		return err
	}
	if err := m.possible(); err != nil {
		return err
	}
	if from := k.c.String("from"); from != "" {
		if err := m.read(from); err != nil {
			return err
		}
	} else if err := m.asked(); err != nil {
		return err
	}
	return m.finish()
}

// find resolves the dial that a person names: its key, the end of it, an axis for its
// stiffness, or what the controller calls it.
func (m *measuring) find(name string) error {
	want := strings.ToLower(strings.TrimSpace(name))
	var hits []string
	for _, key := range m.sheet.DialKeys() {
		switch {
		case key == want, m.sheet.Dials[key].ShownAs != "" && strings.EqualFold(m.sheet.Dials[key].ShownAs, name), key == "stiffness."+want:
			hits = []string{key}
		case strings.HasSuffix(key, "."+want):
			hits = append(hits, key)
			continue
		default:
			continue
		}
		break
	}
	if _, ok := schema.ParseAxis(want); ok {
		hits = nil
		if _, has := m.sheet.Dials["stiffness."+want]; has {
			hits = []string{"stiffness." + want}
		}
	}
	switch len(hits) {
	case 0:
		return fail(exitNotFound, "%s has no dial %q", m.sheet.Slug, name).hinted("its dials: %s", strings.Join(m.sheet.DialKeys(), ", "))
	case 1:
	default:
		return usage("%q means %s: %s", name, schema.Count(len(hits), "dial", "dials"), strings.Join(hits, ", ")).hinted("name one of them")
	}
	m.d = m.sheet.Dials[hits[0]]
	seg := schema.SplitPath(m.d.Key)
	m.axis, _ = schema.ParseAxis(seg[len(seg)-1])
	switch {
	case seg[0] == "stiffness":
		m.q = dial.OfStiffness
	case seg[0] == "follow" && seg[1] == "deadband":
		m.q = dial.OfDeadBand
	case seg[0] == "follow" && seg[1] == "lag":
		m.q = dial.OfLag
		// an absent model is taken as one lag elsewhere; here the readings tell it
		if tree, err := m.lib.Doc("", preset.GimbalPath(m.sheet.Slug)); err == nil {
			if v, _ := tree.Get("follow.model"); v != nil {
				m.known = map[string]dial.Model{"first-order": dial.OneLag, "critical": dial.TwoLags, "two-stage": dial.TwoLags}[m.sheet.Model]
			}
		}
	default:
		return usage("%s cannot be measured at the stand", m.d.Key).hinted("stiffness, dead band and lag can: %s", strings.Join(m.sheet.DialKeys(), ", "))
	}
	return nil
}

// possible refuses what the method cannot see.
func (m *measuring) possible() error {
	if m.q != dial.OfStiffness {
		return nil
	}
	if m.c.Bool("creeps") || m.sheet.Axes[m.axis].Integral > 0 {
		return fail(exitConflict, "%s creeps back under a steady load: it has an integral part, and this method cannot see its stiffness", m.axis).hinted("switch the integral part off if the controller can, or leave the dial without a map")
	}
	if m.axis == schema.Pan {
		switch how := m.c.String("pan-axis"); how {
		case "level", "scale":
		case "":
			return fail(exitConflict, "a hung mass does not turn pan while its axis stands upright").hinted("lay the gimbal so that its pan axis is level, or pull a spring scale sideways at the arm:\nTry: rigkeep gimbal measure pan --unit %s --pan-axis level\nTry: rigkeep gimbal measure pan --unit %s --pan-axis scale\nOtherwise pan cannot be measured", m.unit, m.unit)
		default:
			return usage("--pan-axis: %q is not level or scale", how)
		}
	}
	return nil
}

// read takes readings from a file.
func (m *measuring) read(name string) error {
	_, data, err := m.readInput(name)
	if err != nil {
		return err
	}
	rs, err := dial.ParseReadings(m.q, string(data))
	if err != nil {
		return fail(exitUsage, "%s: %v", name, err)
	}
	for _, r := range rs {
		if err := m.take(r); err != nil {
			return fail(exitUsage, "%s: %v", name, err)
		}
	}
	return nil
}

// take measures one reading, says what it gives, and keeps it.
func (m *measuring) take(r dial.Reading) error {
	if r.Number < m.d.Min || r.Number > m.d.Max {
		return usage("%s is outside the dial, %s to %s", schema.Num(r.Number), schema.Num(m.d.Min), schema.Num(m.d.Max))
	}
	x, err := r.Measure(m.q, m.known)
	if err != nil {
		return err
	}
	m.readings = append(m.readings, r)
	if x.Refused == nil {
		m.points = append(m.points, x.Point)
		if m.q == dial.OfLag {
			m.lags = append(m.lags, x.Lag)
		}
	}
	if m.json() {
		return nil
	}
	if x.Refused != nil {
		m.out("%s", wrap(fmt.Sprintf("%s: NOT USED. %s", schema.Num(r.Number), safe.Text(domainText(x.Refused))), "", m.wide))
		return nil
	}
	text := fmt.Sprintf("%s: %s ± %s %s (%.0f %%)", schema.Num(r.Number), schema.Sig(x.Value, 3), schema.Sig(x.Sigma, 3), m.q.Unit(), 100*x.Sigma/x.Value)
	if x.Friction > 0 {
		text += fmt.Sprintf(", friction %s Nm", schema.Sig(x.Friction, 3))
	}
	if x.Rest != 0 {
		text += fmt.Sprintf(", at rest %s° off the middle", schema.Sig(math.Abs(x.Rest), 3))
	}
	if m.q == dial.OfLag {
		text += ", " + string(x.Lag.Model)
	}
	m.out("%s\n", text)
	return nil
}

// domainText is what a model refuses, without its package name.
func domainText(err error) string {
	_, text, ok := strings.Cut(err.Error(), ": ")
	if !ok {
		return err.Error()
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

const measureCaution = "Caution: power off before you reach between the motors. Fix the gimbal to the stand, tighten everything, keep fingers and cables clear, and keep a hand at the motor switch. Hang a load low, over something soft. Start at a soft setting. The maker's manual, local codes and qualified crew come first."

// asked puts the questions, setting by setting.
func (m *measuring) asked() error {
	if m.c.Bool("no-input") {
		return usage("gimbal measure needs readings").hinted("Try: rigkeep gimbal measure %s --unit %s --from FILE", m.args[0], m.unit)
	}
	a, done, err := m.ask(m.c.Bool("plain"))
	if err != nil {
		return err
	}
	defer done()
	m.out("%s\n", m.paint.bold(fmt.Sprintf("Measure %s on %s", m.d.Key, safe.Line(m.unit))))
	m.out("%s", wrap(measureCaution, "", m.wide))
	for _, s := range m.steps() {
		m.out("%s", hang("- ", s, m.wide))
	}
	for {
		next, why := m.next()
		m.out("\n%s", wrap(why, "", m.wide))
		number, err := m.number(a, fmt.Sprintf("Setting [Enter: %s, q: finish]", schema.Num(next)), next)
		if errors.Is(err, errFinished) {
			return nil
		}
		if err != nil {
			return m.broken(err)
		}
		r := dial.Reading{Number: number, Values: map[string]float64{}}
		for _, c := range m.columns() {
			_, there := r.Values[c.with]
			_, beside := r.Values[c.without]
			if c.with != "" && !there || beside {
				continue
			}
			v, err := m.value(a, c)
			if errors.Is(err, errFinished) {
				return nil
			}
			if err != nil {
				return m.broken(err)
			}
			if !math.IsNaN(v) {
				r.Values[c.key] = v
			}
		}
		if m.q == dial.OfStiffness {
			text, err := a.line("Does the head creep back while the load hangs? [y/N]")
			if err != nil {
				return m.broken(err)
			}
			if strings.HasPrefix(strings.ToLower(text), "y") {
				return fail(exitConflict, "%s creeps back under a steady load: it has an integral part, and this method cannot see its stiffness", m.axis).hinted("nothing was changed")
			}
		}
		if err := m.take(r); err != nil {
			m.out("%s", wrap(safe.Text(err.Error()), "", m.wide))
		}
	}
}

var errFinished = errors.New("finished")

// broken ends a run whose input ended: the readings so far are said, so that they can
// be taken up with --from.
func (m *measuring) broken(err error) error {
	if !errors.Is(err, errStopped) {
		return err
	}
	m.sofar()
	return stopped("stopped; nothing was changed", "take them up again with --from")
}

// sofar says the readings, so that none that was typed is lost.
func (m *measuring) sofar() {
	if len(m.readings) == 0 {
		return
	}
	m.out("Readings so far, for --from:\n")
	for _, r := range m.readings {
		m.out("%s\n", r)
	}
}

// steps say what to do before the first reading.
func (m *measuring) steps() []string {
	switch m.q {
	case dial.OfStiffness:
		out := []string{"Power off. Put the phone on the head with tape, then balance with the phone on it, and set its angle to zero.", "Power on, follow off, the lens level."}
		switch {
		case m.axis == schema.Pan && m.c.String("pan-axis") == "scale":
			out = append(out, "Hook a spring scale at the arm and pull sideways, at a right angle to the arm, with a steady hand. A compass app gives the angle.")
		case m.axis == schema.Pan:
			out = append(out, "Lay the gimbal so that its pan axis is level, fix it, and balance pan there.")
		}
		return append(out, "Read twice: press the load further and let it come up, then let it down gently. The mean is the spring, the difference friction.")
	case dial.OfDeadBand:
		return []string{"Follow on, lag as short as it goes. Phone on the handle.", "From rest turn the handle slowly left until the head follows, and read the angle. Go back to the same rest, and the same to the right."}
	}
	return []string{"Follow on, dead band as narrow as it goes.", "Turn the handle fast by 60° or more and stop. Read the times from the stop until the head has gone half, and nine tenths, of what it goes in the end. A film and its frames tell them best."}
}

// column is one number of a reading, as it is asked for.
type column struct {
	key, ask string
	keep     bool // the last answer is the default
	optional bool
	// asked only where another column was read, or was not
	with, without string
}

func (m *measuring) columns() []column {
	switch m.q {
	case dial.OfStiffness:
		load := column{key: "mass_g", ask: "Hung mass, g", keep: true}
		if m.axis == schema.Pan && m.c.String("pan-axis") == "scale" {
			load = column{key: "pull_g", ask: "Pull on the scale, g", keep: true}
		}
		return []column{load, {key: "arm_mm", ask: "Arm from the motor axis, mm", keep: true}, {key: "rest_deg", ask: "Arm below level unloaded, ° [Enter: 0]", optional: true},
			{key: "up_deg", ask: "Turned after pressing further and letting come up, ° [Enter: not read]", optional: true}, {key: "down_deg", ask: "Turned after letting down gently, °"}}
	case dial.OfDeadBand:
		return []column{{key: "left_deg", ask: "To the left until it follows, ° [Enter: read by turning back]", optional: true},
			{key: "right_deg", ask: "To the right, °", with: "left_deg"}, {key: "back_deg", ask: "While it follows one way, turned back until it follows again, °", without: "left_deg"}}
	}
	return []column{{key: "half_s", ask: "Time to half, s"}, {key: "most_s", ask: "Time to nine tenths, s"}, {key: "turn_s", ask: "The turn itself took, s [Enter: sudden]", optional: true}}
}

// value asks for one number until there is one; NaN where it is left out.
func (m *measuring) value(a *prompter, c column) (float64, error) {
	prompt := c.ask
	last, had := m.last[c.key]
	if c.keep && had {
		prompt += fmt.Sprintf(" [Enter: %s]", schema.Num(last))
	}
	for {
		text, err := a.line(prompt)
		if err != nil {
			return 0, err
		}
		switch {
		case text == "q":
			return 0, errFinished
		case text == "" && c.keep && had:
			return last, nil
		case text == "" && c.optional:
			return math.NaN(), nil
		}
		v, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64)
		if err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
			m.last[c.key] = v
			return v, nil
		}
		m.out("%q is not a number\n", safe.Line(text))
	}
}

// number asks for a setting.
func (m *measuring) number(a *prompter, prompt string, def float64) (float64, error) {
	for {
		text, err := a.line(prompt)
		switch {
		case err != nil:
			return 0, err
		case text == "q":
			return 0, errFinished
		case text == "":
			return def, nil
		}
		v, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64)
		if err == nil && v >= m.d.Min && v <= m.d.Max {
			return v, nil
		}
		m.out("%q is not a number of this dial, %s to %s\n", safe.Line(text), schema.Num(m.d.Min), schema.Num(m.d.Max))
	}
}

// next proposes a setting, and of a stiffness a load: from the soft end up, where the
// load turns the axis 2 to 6° at no more than a third of its torque.
func (m *measuring) next() (float64, string) {
	soft, dir := m.d.Min, 1.0
	if m.d.Sign < 0 {
		soft, dir = m.d.Max, -1
	}
	span := m.d.Max - m.d.Min
	done := len(dial.Pool(m.points))
	// three settings over the soft half of a stiffness, over most of the others
	share := []float64{0.1, 0.25, 0.4}
	if m.q != dial.OfStiffness {
		share = []float64{0.2, 0.5, 0.8}
	}
	n := m.d.Round(soft + dir*span*share[min(done, 2)])
	if done > 2 {
		return n, fmt.Sprintf("%d settings measured; q finishes, another makes it surer.", done)
	}
	text := fmt.Sprintf("Setting %d of 3.", done+1)
	if m.q != dial.OfStiffness {
		return n, text
	}
	limit := m.sheet.Axes[m.axis].Torque
	var k float64
	if len(m.points) > 0 {
		p := m.points[len(m.points)-1]
		per := p.Value / math.Max(math.Abs(p.Number-soft), m.d.Fine) // N·m/rad of one number
		// no stiffer than the largest load turns far enough to be read
		if most := limit * dial.TorquePart / dial.LeastTurn; limit > 0 && per*math.Abs(n-soft) > most {
			if softer := m.d.Round(soft + dir*most/per); !m.measured(softer) {
				n = softer
			}
		}
		k = per * math.Abs(n-soft)
	}
	bound := "The controller shows no more than 40 % effort while it hangs."
	if limit > 0 {
		bound = fmt.Sprintf("At most %s Nm, a third of the motor's torque, and no more than 40 %% shown effort.", schema.Sig(limit*dial.TorquePart, 3))
	}
	if k == 0 {
		return n, text + " Hang so much that the arm turns 2 to 6°. " + bound
	}
	p, err := dial.Propose(k, limit)
	if err != nil {
		return n, text + " " + bound
	}
	if !p.OK {
		return n, text + fmt.Sprintf(" Here the largest load turns it %.1f° only, which a phone cannot tell: choose a softer setting, or q.", p.Turn*180/math.Pi)
	}
	arm := m.last["arm_mm"]
	if arm <= 0 {
		arm = 150
	}
	return n, text + fmt.Sprintf(" About %.0f g at %s mm turns it some %.0f°. %s", math.Round(p.Torque/dial.G/(arm/1000)*1000/10)*10, schema.Num(arm), p.Turn*180/math.Pi, bound)
}

// measured reports whether a setting has a point already.
func (m *measuring) measured(number float64) bool {
	return slices.ContainsFunc(m.points, func(p dial.Point) bool { return math.Abs(p.Number-number) < m.d.Fine/2 })
}

// finish puts the map into the sheet.
func (m *measuring) finish() error {
	mp, err := dial.Map(m.points)
	if err != nil {
		if m.c.String("from") == "" {
			m.sofar()
		}
		return fail(exitConflict, "%s of %s: %s can be used", m.d.Key, m.unit, schema.Count(len(dial.Pool(m.points)), "setting", "settings")).hinted("at least two settings within 20 %% are needed, best three; nothing was changed")
	}
	sense := 1
	if p, ok := m.cat.Param(m.d.Key); ok {
		sense = p.SI[m.q.Unit()]
	}
	if mp.Line.Slope*float64(m.d.Sign*sense) <= 0 && m.q == dial.OfStiffness || mp.Line.Slope == 0 {
		return fail(exitConflict, "%s: the readings fall where the sheet says that a larger number is %s", m.d.Key, m.d.Up).hinted("check the order of the settings, or up in the sheet; nothing was changed")
	}
	at := "dial." + m.d.Key + ".map"
	var edits []file.Edit
	doc, err := m.lib.Doc("", preset.GimbalPath(m.sheet.Slug))
	if err != nil {
		return err
	}
	if _, there := doc.Get(at); there {
		edits = append(edits, file.Edit{Key: at, Delete: true})
	}
	var points, sigmas, readings []any
	for _, p := range mp.Points {
		points = append(points, p.Number, preset.Rounded(p.Value, 5))
		sigmas = append(sigmas, preset.Rounded(p.Sigma, 3))
	}
	for _, r := range m.readings {
		readings = append(readings, r.String())
	}
	for _, f := range []struct {
		key string
		v   any
	}{{"kind", string(schema.Measured)}, {"unit", m.q.Unit()}, {"points", points}, {"sigmas", sigmas}, {"measured_on", m.unit}, {"date", m.on(m.Now())}, {"readings", readings}} {
		edits = append(edits, file.Edit{Key: at + "." + f.key, Value: f.v})
	}
	model := m.model()
	if model != "" {
		edits = append(edits, file.Edit{Key: "follow.model", Value: model})
	}
	e, err := m.lib.Edits().Edit(preset.GimbalPath(m.sheet.Slug), edits...)
	if err != nil {
		return err
	}
	verb, err := m.put(e)
	if err != nil {
		return err
	}
	m.recordResult("", "", "", preset.GimbalPath(m.sheet.Slug))
	if m.json() {
		return m.encode(struct {
			Format   int          `json:"format"`
			Gimbal   string       `json:"gimbal"`
			Unit     string       `json:"unit"`
			Dial     string       `json:"dial"`
			SI       string       `json:"si_unit"`
			Points   []dial.Point `json:"points"`
			Readings []string     `json:"readings"`
			Model    string       `json:"model,omitempty"`
			DryRun   bool         `json:"dry_run"`
			Files    []string     `json:"files"`
		}{1, m.sheet.Slug, m.unit, m.d.Key, m.q.Unit(), mp.Points, texts(m.readings), model, m.dryRun(), append([]string{}, m.done.Files...)})
	}
	m.table(mp)
	if model != "" {
		m.printf("The times fit %s: follow.model = %q\n", m.lags[0].Model, model)
	}
	m.printf("%s %s\n", verb, preset.GimbalPath(m.sheet.Slug))
	m.then()
	return nil
}

func texts(rs []dial.Reading) []string {
	out := []string{}
	for _, r := range rs {
		out = append(out, r.String())
	}
	return out
}

// model is the sheet's word for the lag that the readings agree on, "" where the sheet
// has one or they do not.
func (m *measuring) model() string {
	if m.q != dial.OfLag || m.known != "" || len(m.lags) == 0 {
		return ""
	}
	for _, l := range m.lags {
		if l.Model != m.lags[0].Model {
			return ""
		}
	}
	if m.lags[0].Model == dial.OneLag {
		return "first-order"
	}
	return "two-stage"
}

// table shows the map at the dial's coarse steps: for this unit and for another.
func (m *measuring) table(mp dial.Measured) {
	between := identify.DefaultOptions().UnitSD
	m.printf("\n%s on %s, %s\n", m.paint.bold(m.d.Key), safe.Line(m.unit), m.q.Unit())
	t := table{head: true, right: map[int]bool{0: true, 1: true}}
	t.add("dial", "value", "90 %, this unit", "90 %, another unit", "")
	first, last := mp.Points[0].Number, mp.Points[len(mp.Points)-1].Number
	for _, v := range []float64{m.d.Min, first, (first + last) / 2, last, m.d.Max} {
		here, err := mp.At(v, 0.9, 0)
		if err != nil {
			continue
		}
		other, err := mp.At(v, 0.9, between)
		if err != nil {
			continue
		}
		note := ""
		if here.Extrapolated {
			note = "extrapolated"
		}
		iv := func(x dial.Value) string {
			if !x.Known {
				return "–"
			}
			return schema.Sig(x.Lo, 3) + " to " + schema.Sig(x.Hi, 3)
		}
		t.add(schema.Num(v), schema.Sig(here.Value, 3), iv(here), iv(other), note)
	}
	m.write(t.render(m.paint, "  ", m.wide))
	if len(mp.Points) < 3 {
		m.printf("Two settings give an exact line and no scatter: measure a third.\n")
	}
}

// then says what works from here on, and what is missing for more.
func (m *measuring) then() {
	if m.q != dial.OfStiffness {
		m.say("Follow, drift and steps of %s are now in SI on %s.", m.axis, m.sheet.Slug)
		var missing []string
		for _, k := range []string{"follow.deadband." + m.axis.String(), "follow.lag." + m.axis.String()} {
			if d, ok := m.sheet.Dials[k]; ok && d.Map == nil && k != m.d.Key {
				missing = append(missing, k)
			}
		}
		if missing != nil {
			m.say("Missing for that: %s", strings.Join(missing, ", "))
		}
		return
	}
	missing := m.sheet.LoopMissing(m.axis)
	if missing == nil {
		m.say("Margins and the cap of %s can now be computed.", m.axis)
		return
	}
	m.say("Missing for margins and the cap of %s: %s. Two onsets with their frequency on this unit give it.", m.axis, strings.Join(missing, ", "))
}
