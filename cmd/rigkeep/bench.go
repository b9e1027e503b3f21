package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/preset/bench"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func benchVerb() command {
	return command{
		name: "bench", args: "RIG[/TUNE]", short: "run a tuning session at the stand",
		long: "Step by step: enter the resting efforts, then set the value shown for each axis and press one key for what you see. Rigkeep brackets the onset, picks a value with the sheet's margin below it, and then asks for a handheld test over the tilt range. " +
			"Every answer is stored at once; continue an interrupted session with --resume. At the end the tune and the session log are saved as one revision.\n" +
			"A script gives one answer a run: --axis, --value and --saw; --json says what to set next. What can be seen: clean, chatter, rocking, stand (on the stand only); or skip, back, note, hand (clean handheld), reopen, withdraw, keep.",
		example: "rigkeep bench a-cam-zoom --unit QL-0031\nrigkeep bench a-cam-zoom --resume\nrigkeep bench a-cam-zoom --axis pan --value 40 --saw clean --json\nrigkeep bench a-cam-zoom --axis pan --value 45 --saw chatter --hz 22\nrigkeep bench a-cam-zoom --saw note --key filters.sensing --text \"At 4 the ring of the zoom is gone\" --end\nrigkeep bench a-cam-zoom --save -m \"Session after the lens change\"",
		flags: append(boolFlags("resume", "continue the open session", "new", "start a new session; an open one is closed first",
			"plain", "ask line by line, without single keys", "go-on", "continue with poor balance",
			"save", "end the session and save the tune and the log", "end", "end the session without putting its values into the tune"),
			&cli.StringFlag{Name: "unit", Usage: "gimbal `UNIT` on the stand (serial or label)"},
			&cli.StringFlag{Name: "firmware", Usage: "firmware `TEXT` the unit shows; else the sheet's"},
			&cli.StringFlag{Name: "only", Usage: "work only on these `AXES`, with commas"},
			&cli.Float64Flag{Name: "margin", Usage: "keep the onset over this `RATIO`, above 1; else the sheet's"},
			&cli.StringFlag{Name: "axis", Usage: "the `AXIS` an answer is about"},
			&cli.Float64Flag{Name: "value", Usage: "the `NUMBER` that was set; else the one proposed"},
			&cli.StringFlag{Name: "saw", Usage: "what you `SAW`"},
			&cli.Float64Flag{Name: "hz", Usage: "frequency of the oscillation in `HZ`"},
			&cli.Float64Flag{Name: "tilt", Usage: "tilt in `DEGREES` (up positive)"},
			&cli.StringFlag{Name: "key", Usage: "the `KEY` of another parameter that a note is about, as filters.drive; --value is its number, else the tune's"},
			&cli.StringFlag{Name: "text", Usage: "a `NOTE`"},
			&cli.StringFlag{Name: "effort", Usage: "resting effort, `AXIS=PERCENT`, comma-separated; two readings as tilt=2.8/1.2"},
			&cli.StringFlag{Name: "point", Usage: "the `POINT` of the sheet's balance check that --effort was read at; else the axis's first"},
			messageFlag(), &cli.StringFlag{Name: "job", Usage: "pin the tune to this `JOB` when saving"},
		),
		reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runBench,
	}
}

// benchCautions are said once, when a session begins.
var benchCautions = bench.Cautions

func runBench(k *invocation) error {
	d, err := k.loadNow(false, "bench uses the current build only")
	if err != nil {
		return err
	}
	var only []schema.Axis
	for _, w := range words2list(k.c.String("only")) {
		a, ok := schema.ParseAxis(strings.ToLower(w))
		if !ok {
			return usage("--only: %q is no axis", w).hinted("pan, tilt and roll, with commas")
		}
		only = append(only, a)
	}
	if m := k.c.Float64("margin"); k.c.IsSet("margin") && !(m > 1 && m <= 10) {
		return usage("--margin %s: write a ratio above 1 and up to 10", schema.Num(m)).hinted("the sheet's is %s", schema.Num(d.Sheet.BenchMargin))
	}
	answers, err := k.benchAnswers(d)
	if err != nil {
		return err
	}
	s, err := k.lib.OpenSession(d)
	if err != nil {
		return err
	}
	if k.c.Bool("resume") && s == nil {
		return fail(exitNotFound, "no session is open on %s", refName(d)).hinted("Try: rigkeep bench %s", k.args[0])
	}
	b := &benchRun{invocation: k, d: d, s: s, only: only}
	switch {
	case len(answers) > 0 || k.c.Bool("save") || k.c.Bool("end"):
		return b.scripted(answers)
	case k.json():
		return b.showNext()
	case k.dryRun():
		return b.showNext()
	}
	return b.interactive()
}

// benchRun is one run of bench on a rig.
type benchRun struct {
	*invocation
	d     *library.Loaded
	s     *library.Session
	only  []schema.Axis
	reads []preset.PointReading // of this run
	told  map[bench.Stage]bool  // whose keys were explained
	drift map[string]bool       // that was said
}

// benchBalance is one resting effort, read.
type benchBalance struct {
	Point   string    `json:"point"`
	Axis    string    `json:"axis,omitempty"`
	Effort  float64   `json:"effort_pct"`
	Sides   []float64 `json:"effort_sides_pct,omitempty"`
	Verdict string    `json:"verdict"`
	Words   string    `json:"words"`
}

// benchAnswers reads the answers of a scripted run.
func (k *invocation) benchAnswers(d *library.Loaded) ([]bench.Event, error) {
	var out []bench.Event
	efforts, err := k.effortReadings()
	if err != nil {
		return nil, err
	}
	for _, a := range schema.Axes {
		if v, ok := efforts[a]; ok {
			out = append(out, effortEvent(preset.BalancePoint{Axis: a, HasAxis: true}, v))
		}
	}
	saw := k.c.String("saw")
	if saw == "" {
		for _, f := range []string{"axis", "value", "hz", "tilt", "text", "key"} {
			if k.c.IsSet(f) {
				return nil, usage("--%s needs --saw", f).hinted("for example: rigkeep bench %s --axis pan --value 40 --saw clean; to work on some axes only: --only pan,tilt", k.args[0])
			}
		}
		return out, nil
	}
	switch bench.Saw(saw) {
	case bench.Effort:
		return nil, usage("a resting effort is given as --effort AXIS=PERCENT").hinted("for example: rigkeep bench %s --effort tilt=2.8/1.2", k.args[0])
	case bench.Note:
		if strings.TrimSpace(k.c.String("text")) == "" {
			return nil, usage("--saw note needs its words").hinted("for example: --saw note --text \"Cable tied back\"")
		}
	}
	e := bench.Event{Saw: bench.Saw(saw), Hz: k.c.Float64("hz"), TiltDeg: k.c.Float64("tilt"), Text: k.c.String("text")}
	if w := k.c.String("axis"); w != "" {
		a, ok := schema.ParseAxis(strings.ToLower(w))
		if !ok {
			return nil, usage("--axis %q is no axis", w).hinted("one of: pan, tilt, roll")
		}
		e.Axis, e.HasAxis = a, true
	}
	if k.c.IsSet("value") {
		v := k.c.Float64("value")
		e.Value = &v
	}
	if key := k.c.String("key"); key != "" {
		if err := k.noteOn(d, &e, key); err != nil {
			return nil, err
		}
	}
	return append(out, e), nil
}

// noteOn makes a note one about a parameter that a session does not look for itself, as a
// filter: the log then says why it stands where it does.
func (k *invocation) noteOn(d *library.Loaded, e *bench.Event, key string) error {
	p, ok := k.cat.Param(key)
	switch {
	case e.Saw != bench.Note:
		return usage("--key goes with --saw note").hinted("a look at a stiffness is given with --axis and --value")
	case !ok || p.Group == "stiffness":
		f := usage("--key %q is no parameter to note", key)
		if s := schema.Suggest(key, []string{"filters.sensing", "filters.drive"}); s != "" {
			return f.hinted("%s", s)
		}
		return f.hinted("for example: --key filters.drive; a stiffness is given with --axis and --value")
	}
	e.Key = key
	if e.Value != nil {
		return nil
	}
	if d.Tune != nil {
		if v, ok := d.Tune.Num(key); ok {
			e.Value = &v
			return nil
		}
	}
	return usage("the tune has no %s: say the number with --value", key)
}

// begin makes a session where none is open, with the unit that was given.
func (b *benchRun) begin(unit string) error {
	firmware := b.c.String("firmware")
	if unit != "" {
		u, err := b.lib.UnitOf(b.d.Sheet, unit)
		if err != nil {
			return err
		}
		unit = u.Serial
		firmware = firstOf(firmware, u.Firmware)
	}
	by := ""
	if who, err := b.who(); err == nil {
		by = who.Name
	}
	s, err := b.lib.NewSession(b.d, library.SessionRequest{Unit: unit, By: by, Firmware: firmware, Axes: b.only, Now: b.Now(), Margin: b.c.Float64("margin")})
	if err != nil {
		return err
	}
	b.s = s
	return nil
}

// takeUp decides between the open session and a new one.
func (b *benchRun) resume() error {
	unit := b.c.String("unit")
	if b.c.Bool("new") && b.s != nil {
		if !b.dryRun() {
			ctx, stop := b.ctx()
			err := b.lib.EndSession(ctx, b.s, b.Now())
			stop()
			if err != nil {
				return err
			}
			b.say("previous session closed, nothing added: %s", b.s.Path)
		}
		b.s = nil
	}
	if b.s == nil {
		return b.begin(unit)
	}
	b.warnChangedSetup()
	if m := b.c.Float64("margin"); b.c.IsSet("margin") && m != b.s.Log.Plan.Margin && !b.dryRun() {
		ctx, stop := b.ctx()
		err := b.lib.SetMargin(ctx, b.s, m)
		stop()
		if err != nil {
			return err
		}
		b.say("margin %s from now on, noted in the log", schema.Num(m))
	}
	if unit != "" && b.s.Log.Unit != "" {
		u, err := b.lib.UnitOf(b.d.Sheet, unit)
		if err != nil {
			return err
		}
		if !u.Is(b.s.Log.Unit) {
			return fail(exitConflict, "the open session is on unit %s, not on %s", safe.Line(b.s.Log.Unit), unit).hinted("go on without --unit, or start another with --new")
		}
	}
	return nil
}

func (b *benchRun) answer(e bench.Event) error {
	ctx, stop := b.ctx()
	defer stop()
	err := b.lib.Answer(ctx, b.s, e, b.Now())
	if err == nil && b.told != nil {
		b.resumable()
	}
	var refused *bench.AnswerError
	if errors.As(err, &refused) {
		return &failure{code: exitUsage, text: refused.Error(), err: err}
	}
	if errors.Is(err, store.ErrChanged) {
		if d, lerr := b.loadNow(false, "bench uses the current build only"); lerr == nil && d.Rig.ID != b.d.Rig.ID {
			return b.moved(d)
		}
	}
	return err
}

// moved says that the rig is another build now than when the session was taken up.
func (b *benchRun) moved(d *library.Loaded) error {
	return fail(exitConflict, "the build of %s has changed during the session (was %s, now %s); the last answer was not stored", refName(b.d), b.d.Rig.ID, d.Rig.ID).
		hinted("the answers before are in the session's log; balance again, then start another: rigkeep bench %s --new", b.args[0])
}

// scripted adds the answers of a command line, ends or saves the session where
// asked, and says what comes next.
func (b *benchRun) scripted(answers []bench.Event) error {
	if err := b.resume(); err != nil {
		return err
	}
	if b.dryRun() {
		for i := range answers {
			if answers[i].Saw == bench.Effort {
				if _, err := b.readEffort(&answers[i]); err != nil {
					return err
				}
			}
			if err := b.s.State.Answer(answers[i]); err != nil {
				return usage("%v", err)
			}
			events := b.s.State.Events()
			b.s.Log.Steps = append(b.s.Log.Steps, preset.StepOf(events[len(events)-1], b.Now()))
		}
		switch {
		case b.c.Bool("save"):
			_, err := b.saveSession(b.c.String("message"))
			return err
		case b.c.Bool("end"):
			if !b.s.Saved() {
				return fail(exitNotFound, "no session is open on %s", refName(b.d))
			}
			if !b.json() {
				b.printf("would end %s\n", b.s.Path)
				return nil
			}
		}
		return b.showNext()
	}
	first := !b.s.Saved()
	bad := false
	for i, e := range answers { // all are looked at before any is written
		if e.Saw == bench.Effort {
			ok, err := b.readEffort(&answers[i])
			if err != nil {
				return err
			}
			bad = bad || !ok
		}
		if err := b.s.State.Fits(answers[i]); err != nil {
			return usage("%v", err)
		}
	}
	for _, e := range answers {
		if err := b.answer(e); err != nil {
			return err
		}
	}
	if first && len(answers) > 0 {
		for _, c := range benchCautions {
			b.say("%s", strings.TrimRight(wrap("Caution: "+c, "", b.wide), "\n"))
		}
	}
	switch {
	case b.c.Bool("save"):
		rev, err := b.saveSession(b.c.String("message"))
		if err != nil {
			return err
		}
		if b.json() {
			return b.encodeState(string(rev))
		}
		return nil
	case b.c.Bool("end"):
		ctx, stop := b.ctx()
		defer stop()
		if !b.s.Saved() {
			return fail(exitNotFound, "no session is open on %s", refName(b.d))
		}
		if err := b.lib.EndSession(ctx, b.s, b.Now()); err != nil {
			return err
		}
		if b.json() {
			return b.encodeState("")
		}
		b.printf("ended: %s\n", b.s.Path)
		b.say("not saved yet; save the log with: rigkeep save %s -m WHY", b.d.Rig.Alias)
		return nil
	}
	if err := b.showNext(); err != nil {
		return err
	}
	if bad && !b.c.Bool("go-on") {
		if !b.json() {
			b.say("Rebalance, or add --go-on to continue anyway")
		}
		return errFindings
	}
	return nil
}

// effortEvent is a resting effort at a point as an answer: of two readings their
// mean, and both.
func effortEvent(p preset.BalancePoint, efforts []float64) bench.Event {
	e := bench.Event{Saw: bench.Effort, Axis: p.Axis, HasAxis: p.HasAxis, Text: p.Text, Effort: efforts[0]}
	if len(efforts) > 1 {
		e.Effort, e.Sides = preset.Rounded(efforts[0]/2+efforts[1]/2, 9), efforts
	}
	return e
}

// effortReadings reads --effort: per axis one reading, or two from either side.
func (k *invocation) effortReadings() (map[schema.Axis][]float64, error) {
	m, err := axisReadings(k.c.String("effort"))
	if err != nil {
		return nil, usage("--effort: %v", err).hinted("for example: --effort pan=1,roll=0.5,tilt=2.8/1.2 (percent; two readings are from either side)")
	}
	for a, e := range m {
		if len(e) > 2 {
			return nil, usage("--effort: %s has %d readings", a, len(e)).hinted("one, or two from either side: tilt=2.8/1.2")
		}
		for _, v := range e {
			if v < -100 || v > 100 {
				return nil, usage("--effort: %s %% on %s: enter a percentage from -100 to 100", schema.Num(v), a)
			}
		}
	}
	return m, nil
}

// readEffort reads the effort of an answer at the point of the sheet that --point
// names, or the first for its axis; ok is false where it is not workable.
func (b *benchRun) readEffort(e *bench.Event) (ok bool, err error) {
	p := preset.BalancePoint{Text: e.Axis.String(), Axis: e.Axis, HasAxis: e.Axis != schema.Pan}
	var have []string
	named := b.c.String("point")
	found := named == ""
	for _, x := range preset.BalancePoints(b.d.Sheet) {
		if !x.HasAxis || x.Axis != e.Axis {
			continue
		}
		have = append(have, x.Text)
		if named == "" && len(have) == 1 || strings.EqualFold(x.Text, strings.TrimSpace(named)) {
			p, found = x, true
		}
	}
	if !found {
		return false, usage("--point %q is not a point of the balance check for %s", named, e.Axis).hinted("gimbal %s lists: %s", b.d.Sheet.Slug, firstOf(strings.Join(have, "; "), "none"))
	}
	e.Text = p.Text
	sides := e.Sides
	if sides == nil {
		sides = []float64{e.Effort}
	}
	return b.note(p, sides)
}

// note reads an effort and keeps the reading for the answer.
func (b *benchRun) note(p preset.BalancePoint, efforts []float64) (ok bool, err error) {
	r, err := preset.ReadEffort(b.d.Sheet, b.d.Rig, p, efforts)
	if err != nil {
		return false, err
	}
	b.reads = append(b.reads, preset.PointReading{Point: p, Efforts: efforts, Read: r})
	return r.Verdict != balance.Rebalance, nil
}

// showNext prints what to do next, without changing anything.
func (b *benchRun) showNext() error {
	if b.s == nil {
		if err := b.resume(); err != nil {
			return err
		}
	}
	if b.json() {
		return b.encodeState("")
	}
	for _, r := range b.reads {
		b.out("%s", wrap(r.Read.Words, "", b.wide))
	}
	p := b.s.State.Next()
	if p.Stage == bench.Done {
		b.printEnd()
		b.out("next: rigkeep bench %s --save -m WHY\n", b.args[0])
		return nil
	}
	b.out("%s", wrap("next: "+proposalWords(p), "", b.wide))
	return nil
}

// proposalWords says a proposal as an instruction.
func proposalWords(p bench.Proposal) string {
	switch p.Stage {
	case bench.InHand, bench.Done:
		return p.Reason
	case bench.Decide:
		return fmt.Sprintf("%s at %s: %s", p.Axis, schema.Num(p.Value), p.Reason)
	case bench.Relook:
		return fmt.Sprintf("%s to %s again: %s", p.Axis, schema.Num(p.Value), p.Reason)
	}
	return fmt.Sprintf("%s to %s: %s", p.Axis, schema.Num(p.Value), p.Reason)
}

type jsonProposal struct {
	Stage   bench.Stage `json:"stage"`
	Axis    string      `json:"axis,omitempty"`
	Value   *float64    `json:"value,omitempty"`
	Point   string      `json:"point,omitempty"`
	TiltDeg *float64    `json:"tilt_deg,omitempty"`
	Reason  string      `json:"reason"`
	Clean   *float64    `json:"clean,omitempty"`
	Onset   *float64    `json:"onset,omitempty"`
	Allowed []bench.Saw `json:"allowed"`
}

type jsonBenchAxis struct {
	Axis           string       `json:"axis"`
	Status         bench.Status `json:"status"`
	Kept           *float64     `json:"kept"`
	Clean          *float64     `json:"clean"`
	Onset          *float64     `json:"onset"`
	Hz             float64      `json:"hz,omitempty"`
	Saw            bench.Saw    `json:"saw,omitempty"`
	InHand         bool         `json:"in_hand"`
	GM             float64      `json:"gain_margin,omitempty"`
	GMLow          float64      `json:"gain_margin_low,omitempty"`
	GMHigh         float64      `json:"gain_margin_high,omitempty"`
	SI             bool         `json:"gain_margin_si"`
	StandOnly      []float64    `json:"stand_only,omitempty"`
	Contradictions []string     `json:"contradictions,omitempty"`
	Looks          int          `json:"looks"`
	Why            string       `json:"why"`
	// Published is how published rules read the onset, for comparison only.
	Published []preset.PublishedReading `json:"published,omitempty"`
}

// jsonBench is the documented shape of bench --json.
type jsonBench struct {
	Format   int             `json:"format"`
	Rig      string          `json:"rig"`
	Alias    string          `json:"alias"`
	Tune     string          `json:"tune"`
	Unit     string          `json:"unit,omitempty"`
	Session  string          `json:"session,omitempty"` // path of the log, empty before the first answer
	Steps    int             `json:"steps"`
	Next     jsonProposal    `json:"next"`
	Axes     []jsonBenchAxis `json:"axes"`
	Hand     bench.HandCheck `json:"hand"`
	Balance  []benchBalance  `json:"balance"`
	Saved    string          `json:"saved,omitempty"` // the revision, after --save
	Raises   string          `json:"raises"`          // what the stiffness dial moves
	Cautions []string        `json:"cautions"`
}

func (b *benchRun) encodeState(saved string) error {
	p := b.s.State.Next()
	n := jsonProposal{Stage: p.Stage, Reason: p.Reason, Clean: p.Clean, Onset: p.Onset, Allowed: p.Allowed}
	switch p.Stage {
	case bench.Search, bench.Relook, bench.Decide:
		v := p.Value
		n.Axis, n.Value = p.Axis.String(), &v
	case bench.InHand:
		t := p.Point.TiltDeg
		n.Point, n.TiltDeg = p.Point.Label, &t
	}
	j := jsonBench{Format: 1, Rig: b.d.Rig.ID, Alias: b.d.Rig.Alias, Tune: b.d.Ref.Tune, Unit: b.s.Log.Unit, Steps: len(b.s.Log.Steps),
		Next: n, Hand: b.s.State.HandCheck(), Balance: []benchBalance{}, Saved: saved, Raises: b.d.Sheet.Raises(), Cautions: benchCautions, Axes: []jsonBenchAxis{}}
	reads, err := b.s.Log.Balance(b.d.Sheet, b.d.Rig)
	if err != nil {
		return err
	}
	for _, r := range reads {
		x := benchBalance{Point: r.Point.Text, Effort: preset.Rounded(r.Read.Effort, 9), Verdict: string(r.Read.Verdict), Words: r.Read.Words}
		if r.Point.HasAxis {
			x.Axis = r.Point.Axis.String()
		}
		if len(r.Efforts) > 1 {
			x.Sides = r.Efforts
		}
		j.Balance = append(j.Balance, x)
	}
	if b.s.Saved() {
		j.Session = b.s.Path
	}
	for _, r := range b.s.State.Results() {
		j.Axes = append(j.Axes, jsonBenchAxis{r.Axis.String(), r.Status, r.Kept, r.Clean, r.Onset, r.Hz, r.Saw, r.InHand, r.GM, r.GMLow, r.GMHigh, r.SI, r.StandOnly, r.Contradictions, r.Looks, r.Why, b.published(r)})
	}
	return b.encode(j)
}

// recheck reads the rig and its tune anew before anything is made of what was
// read when the session began, and says what does not go with it any more.
func (b *benchRun) recheck() error {
	d, err := b.loadNow(false, "bench uses the current build only")
	if err != nil {
		return err
	}
	if d.Rig.ID != b.d.Rig.ID {
		return b.moved(d)
	}
	b.d = d
	b.warnChangedSetup()
	return nil
}

// warnChangedSetup says once what the session was worked with and the tune no longer has.
func (b *benchRun) warnChangedSetup() {
	for _, w := range b.s.Log.Drift(b.d.Rig, b.d.Tune) {
		if b.drift[w] {
			continue
		}
		if b.drift == nil {
			b.drift = map[string]bool{}
		}
		b.drift[w] = true
		b.say("%s", strings.TrimRight(wrap("note: "+safe.Line(w)+". The results apply only to the setup they were found with: restore it, or start a new session (--new)", "", b.wide), "\n"))
	}
}

// saveSession ends the session and saves tune and log as one revision.
func (b *benchRun) saveSession(why string) (store.Rev, error) {
	if err := b.recheck(); err != nil {
		return "", err
	}
	plan, err := b.lib.PlanSession(b.d, b.s, b.Now())
	if err != nil {
		return "", err
	}
	by := ""
	if who, err := b.who(); err == nil {
		by = who.Name
	}
	if err := b.lib.PlanSessionHeld(plan, b.d, b.s, by, b.Now()); err != nil {
		return "", err
	}
	trailers, err := b.pinned(plan, b.d, b.s.Log.Unit)
	if err != nil {
		return "", err
	}
	reports, err := b.reports(plan)
	if err != nil {
		return "", err
	}
	subject := firstOf(strings.TrimSpace(why), b.defaultWhy())
	body := strings.TrimSpace(words(reports) + "\n\n" + b.sessionWords())
	if b.dryRun() {
		if b.json() {
			return "", b.encodeState("")
		}
		b.printf("would save as one revision:\n\n%s\n\n%s\n", safe.Line(subject), safe.Text(body))
		for _, p := range plan.Paths() {
			b.printf("  %s\n", safe.Line(p))
		}
		return "", nil
	}
	if b.json() {
		return b.record(plan, subject, body, trailers)
	}
	if err := b.commit(plan, subject, body, trailers); err != nil {
		return "", err
	}
	facts, err := b.unitFacts(b.d.Sheet, b.s.Log.Unit)
	if err != nil {
		return "", err
	}
	b.printUnit(facts)
	b.say("Test it handheld, then record it.\nTry: rigkeep prove %s", b.args[0])
	return "", nil
}

func (b *benchRun) defaultWhy() string {
	return b.s.Subject(b.d)
}

// sessionWords are what the session found, for the message of its revision.
func (b *benchRun) sessionWords() string { return b.s.Words(b.d) }

// handWords says how far the check in the hand came.
func (b *benchRun) handWords() string { return b.s.State.HandCheck().Words() }

// axisWords says in words how far an axis has come.
func axisWords(r bench.AxisResult) string { return r.Words() }

// wouldSave is the change of the tune in words.
func (b *benchRun) wouldSave() (string, error) {
	if len(b.s.KeptValues()) == 0 {
		return "", nil
	}
	e, err := b.lib.SessionTune(b.d, b.s)
	if err != nil {
		return "", err
	}
	now := *b.d
	t := preset.DecodeTune(b.cat, e.After.Tree())
	now.Tune = &t
	now.Texts = map[string][]byte{}
	for p, x := range b.d.Texts {
		now.Texts[p] = x
	}
	now.Texts[b.d.TunePath()] = e.After.Text()
	return strings.TrimSpace(diffview.InWords(diffview.Compare(b.cat, b.side(b.d), b.side(&now)))), nil
}
