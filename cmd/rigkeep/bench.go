package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

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
		long: "Asks axis by axis which value to set and what was seen there, one key an answer. It brackets the onset, sets a value one margin below it, and asks for a handheld test over the tilt range. Every answer is stored at once; the end saves the tune and the session log as one revision.\n" +
			"In scripts, one answer per call: --axis, --value and --saw; --json names the next value. --saw takes clean, chatter, rocking, stand (stand only), skip, undo, note, hand (clean handheld), reopen, withdraw, keep or nearer (keep --value, nearer the onset than the margin).",
		example: "rigkeep bench a-cam-zoom --unit QL-0031\nrigkeep bench a-cam-zoom --recheck\nrigkeep bench a-cam-zoom --axis pan --value 45 --saw chatter --hz 22\nrigkeep bench a-cam-zoom --saw note --key filters.sensing --text \"At 4 the ring of the zoom is gone\" --end\nrigkeep bench a-cam-zoom --save -m \"Session after the lens change\"",
		flags: append(boolFlags("resume", "continue the open session", "new", "start a new session; an open one is closed first",
			"plain", "line-by-line questions (no single keys)", "go-on", "continue with poor balance",
			"recheck", "after a rebuild: test the tune's values handheld",
			"all", "every trial, and published rules for comparison", "save", "end the session and save the tune and the log", "end", "end the session, tune unchanged"),
			&cli.StringFlag{Name: "unit", Usage: "gimbal `UNIT` on the stand (serial or label)"},
			&cli.StringFlag{Name: "firmware", Usage: "firmware `TEXT` the unit shows; else the sheet's"},
			&cli.StringFlag{Name: "only", Usage: "work only on these `AXES`, with commas"},
			&cli.Float64Flag{Name: "margin", Usage: "margin `RATIO`, above 1 (default: the sheet's)"},
			&cli.StringFlag{Name: "axis", Usage: "the `AXIS` an answer is about"},
			&cli.Float64Flag{Name: "value", Usage: "the `NUMBER` that was set; else the one proposed"},
			&cli.StringFlag{Name: "saw", Usage: "what you `SAW`"},
			&cli.Float64Flag{Name: "hz", Usage: "frequency of the oscillation in `HZ`"},
			&cli.Float64Flag{Name: "tilt", Usage: "tilt in `DEGREES` (up positive)"},
			&cli.StringFlag{Name: "key", Usage: "the `KEY` of another parameter that a note is about, as filters.drive; --value is its number, else the tune's"},
			&cli.StringFlag{Name: "text", Usage: "a `NOTE`"},
			&cli.StringFlag{Name: "effort", Usage: "resting effort for the balance record, `AXIS=PERCENT`, comma-separated; two readings as tilt=2.8/1.2"},
			&cli.StringFlag{Name: "point", Usage: "the `POINT` of the sheet's balance check that --effort was read at; else the axis's first"},
			messageFlag(), &cli.StringFlag{Name: "job", Usage: "pin the tune to this `JOB` when saving"},
		),
		rare:  []string{"axis", "effort", "firmware", "go-on", "hz", "key", "new", "point", "saw", "text", "tilt", "value"},
		reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runBench,
	}
}

func runBench(k *invocation) error {
	d, err := k.loadNow(false, "bench uses the current build only")
	if err != nil {
		return err
	}
	var only []schema.Axis
	for _, w := range words2list(k.c.String("only")) {
		a, ok := schema.ParseAxis(strings.ToLower(w))
		if !ok {
			return usage("--only: %q is not an axis", w).hinted("pan, tilt and roll, with commas")
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
	efforts, err := markRun{k}.effortsFlag(d.Sheet)
	if err != nil {
		return err
	}
	s, err := k.lib.Sessions().Open(d)
	if err != nil {
		return err
	}
	b := &benchRun{invocation: k, d: d, s: s, only: only}
	if k.c.Bool("resume") && s == nil {
		return b.notOpen().hinted("Try: rigkeep bench %s", k.args[0])
	}
	switch {
	case len(answers)+len(efforts) > 0 || k.c.Bool("save") || k.c.Bool("end"):
		return b.scripted(answers, efforts)
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
	asked bool            // on a terminal, and begun
	drift map[string]bool // that was said
}

// benchAnswers reads the answers of a scripted run.
func (k *invocation) benchAnswers(d *library.Loaded) ([]bench.Event, error) {
	saw := k.c.String("saw")
	if saw == "" {
		for _, f := range []string{"axis", "value", "hz", "tilt", "text", "key"} {
			if k.c.IsSet(f) {
				return nil, usage("--%s needs --saw", f).hinted("for example: rigkeep bench %s --axis pan --value 40 --saw clean; to work on some axes only: --only pan,tilt", k.args[0])
			}
		}
		return nil, nil
	}
	if bench.Outcome(saw) == bench.Note && strings.TrimSpace(k.c.String("text")) == "" {
		return nil, usage("--saw note needs its words").hinted("for example: --saw note --text \"Cable tied back\"")
	}
	e := bench.Event{Saw: bench.Outcome(saw), Hz: k.c.Float64("hz"), Text: k.c.String("text")}
	if k.c.IsSet("tilt") {
		v := k.c.Float64("tilt")
		e.TiltDeg = &v
	}
	if w := k.c.String("axis"); w != "" {
		a, ok := schema.ParseAxis(strings.ToLower(w))
		if !ok {
			return nil, usage("--axis %q is not an axis", w).hinted("one of: pan, tilt, roll")
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
	return []bench.Event{e}, nil
}

// noteOn makes a note one about a parameter that a session does not look for itself, as a
// filter: the log then says why it stands where it does.
func (k *invocation) noteOn(d *library.Loaded, e *bench.Event, key string) error {
	p, ok := k.cat.Param(key)
	switch {
	case e.Saw != bench.Note:
		return usage("--key goes with --saw note").hinted("a trial of a stiffness is given with --axis and --value")
	case !ok || p.Group == "stiffness":
		f := usage("--key %q is not a parameter to note", key)
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
		u, err := b.lib.Units().UnitOf(b.d.Sheet, unit)
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
	s, err := b.lib.Sessions().New(b.d, library.SessionRequest{Unit: unit, By: by, Firmware: firmware, Axes: b.only, Now: b.Now(), Margin: b.c.Float64("margin"), Recheck: b.c.Bool("recheck")})
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
			err := b.lib.Sessions().End(ctx, b.s, b.Now())
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
	if b.c.Bool("recheck") && !b.s.Log.Plan.IsRecheck() {
		return fail(exitConflict, "a session on %s is open, and it is not a recheck", refName(b.d)).hinted("end it first: rigkeep bench %s --end; or add --new", b.args[0])
	}
	b.warnChangedSetup()
	if m := b.c.Float64("margin"); b.c.IsSet("margin") && m != b.s.Log.Plan.Margin && !b.dryRun() {
		ctx, stop := b.ctx()
		err := b.lib.Sessions().SetMargin(ctx, b.s, m)
		stop()
		if err != nil {
			return err
		}
		b.say("margin %s from now on, noted in the log", schema.Num(m))
	}
	if unit != "" && b.s.Log.Unit != "" {
		u, err := b.lib.Units().UnitOf(b.d.Sheet, unit)
		if err != nil {
			return err
		}
		if !u.Is(b.s.Log.Unit) {
			return fail(exitConflict, "the open session is on unit %s, not %s", safe.Line(b.s.Log.Unit), unit).hinted("continue without --unit, or add --new")
		}
	}
	return nil
}

func (b *benchRun) answer(e bench.Event) error {
	ctx, stop := b.ctx()
	defer stop()
	err := b.lib.Sessions().Answer(ctx, b.s, e, b.Now())
	if err == nil && b.asked {
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
func (b *benchRun) scripted(answers []bench.Event, efforts []preset.BalanceEffort) error {
	if err := b.resume(); err != nil {
		return err
	}
	if b.dryRun() {
		return b.rehearse(answers)
	}
	bad, err := b.addAnswers(answers, efforts)
	if err != nil {
		return err
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
		return b.endSession()
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

// rehearse does what scripted does, and keeps nothing.
func (b *benchRun) rehearse(answers []bench.Event) error {
	for i := range answers {
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
			return b.notOpen()
		}
		if !b.json() {
			b.printf("would end %s\n", b.s.Path)
			return nil
		}
	}
	return b.showNext()
}

// addAnswers keeps the answers and resting efforts of a command line; all are looked at before any
// is written. bad says that an effort is not workable.
func (b *benchRun) addAnswers(answers []bench.Event, efforts []preset.BalanceEffort) (bad bool, err error) {
	first := !b.s.Saved()
	for _, e := range answers {
		if err := b.s.State.Fits(e); err != nil {
			return false, usage("%v", err)
		}
	}
	if bad, err = b.keepBalance(efforts); err != nil {
		return false, err
	}
	for _, e := range answers {
		if err := b.answer(e); err != nil {
			return false, err
		}
	}
	if first && len(answers) > 0 {
		for _, c := range bench.Cautions {
			b.say("%s", strings.TrimRight(wrap("Caution: "+c, "", b.wide), "\n"))
		}
	}
	return bad, nil
}

func (b *benchRun) endSession() error {
	if !b.s.Saved() {
		return b.notOpen()
	}
	ctx, stop := b.ctx()
	defer stop()
	if err := b.lib.Sessions().End(ctx, b.s, b.Now()); err != nil {
		return err
	}
	if b.json() {
		return b.encodeState("")
	}
	b.printf("ended: %s\n", b.s.Path)
	b.say("not saved yet; save the log with: rigkeep save %s -m WHY", b.d.Rig.Alias)
	return nil
}

func (b *benchRun) notOpen() *failure {
	return fail(exitNotFound, "no session is open on %s", refName(b.d))
}

// effortReadings reads --effort: per axis one reading, or two from either side.
func (k markRun) effortReadings() (map[schema.Axis][]float64, error) {
	m, err := axisReadings(k.c.String("effort"))
	if err != nil {
		return nil, usage("--effort: %v", err).hinted("for example: --effort pan=1,roll=0.5,tilt=2.8/1.2 (percent; two readings are from either side)")
	}
	for a, e := range m {
		if len(e) > 2 {
			return nil, usage("--effort: %s has %s", a, schema.Count(len(e), "reading", "readings")).hinted("one, or two from either side: tilt=2.8/1.2")
		}
		for _, v := range e {
			if v < -100 || v > 100 {
				return nil, usage("--effort: %s %% on %s: enter a percentage from -100 to 100", schema.Num(v), a)
			}
		}
	}
	return m, nil
}

// keepBalance writes resting efforts into a balance record, as balance does, and shows them;
// bad says that one is not workable.
func (b *benchRun) keepBalance(efforts []preset.BalanceEffort) (bad bool, err error) {
	if len(efforts) == 0 {
		return false, nil
	}
	w := &balanceRun{invocation: b.invocation, d: b.d, unit: b.s.Log.Unit}
	if err := w.resume(); err != nil {
		return false, err
	}
	if err := w.add(nil, efforts); err != nil {
		return false, err
	}
	if _, err := w.save(""); err != nil {
		return false, err
	}
	reads := w.rec.Record.ReadEfforts(b.d.Sheet, b.d.Rig)
	for _, r := range reads {
		bad = bad || r.Read.Verdict == balance.Rebalance
		if !b.json() {
			b.out("%s", wrap(safe.Text(r.Read.Words), "", b.wide))
		}
	}
	return bad, nil
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
	p := b.s.State.Next()
	if p.Stage == bench.Done {
		b.printEnd()
		b.out("\nTry: rigkeep bench %s --save -m REASON\n", b.args[0])
		if !b.c.Bool("all") {
			b.out("Every trial and published rules for comparison: --all\n")
		}
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
	ID      string          `json:"id"`
	Stage   bench.Stage     `json:"stage"`
	Axis    string          `json:"axis,omitempty"`
	Value   *float64        `json:"value,omitempty"`
	Point   string          `json:"point,omitempty"`
	TiltDeg *float64        `json:"tilt_deg,omitempty"`
	Reason  string          `json:"reason"`
	Clean   *float64        `json:"clean,omitempty"`
	Onset   *float64        `json:"onset,omitempty"`
	Allowed []bench.Outcome `json:"allowed"`
}

type jsonBenchAxis struct {
	Axis           string        `json:"axis"`
	Status         bench.Status  `json:"status"`
	Kept           *float64      `json:"kept"`
	Clean          *float64      `json:"clean"`
	Onset          *float64      `json:"onset"`
	Hz             float64       `json:"hz,omitempty"`
	Saw            bench.Outcome `json:"saw,omitempty"`
	InHand         bool          `json:"in_hand"`
	GM             float64       `json:"gain_margin,omitempty"`
	GMLow          float64       `json:"gain_margin_low,omitempty"`
	GMHigh         float64       `json:"gain_margin_high,omitempty"`
	SI             bool          `json:"gain_margin_si"`
	StandOnly      []float64     `json:"stand_only,omitempty"`
	Contradictions []string      `json:"contradictions,omitempty"`
	TiltDeg        *float64      `json:"tilt_deg,omitempty"` // at the onset
	Trials         int           `json:"trials"`
	Why            string        `json:"why"`
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
	Balance  []jsonReading   `json:"balance"`
	Saved    string          `json:"saved,omitempty"` // the revision, after --save
	Raises   string          `json:"raises"`          // what the stiffness dial moves
	Cautions []string        `json:"cautions"`
}

func (b *benchRun) encodeState(saved string) error {
	p := b.s.State.Next()
	n := jsonProposal{ID: p.ID, Stage: p.Stage, TiltDeg: p.TiltDeg, Reason: p.Reason, Clean: p.Clean, Onset: p.Onset, Allowed: p.Allowed}
	switch p.Stage {
	case bench.Search, bench.Relook, bench.Decide:
		v := p.Value
		n.Axis, n.Value = p.Axis.String(), &v
	case bench.InHand:
		n.Point = p.Point.Label
	}
	j := jsonBench{Format: 1, Rig: b.d.Rig.ID, Alias: b.d.Rig.Alias, Tune: b.d.Ref.Tune, Unit: b.s.Log.Unit, Steps: len(b.s.Log.Steps),
		Next: n, Hand: b.s.State.HandCheck(), Balance: []jsonReading{}, Saved: saved, Raises: b.d.Sheet.Raises(), Cautions: bench.Cautions, Axes: []jsonBenchAxis{}}
	reads, err := b.lib.Sessions().Points(b.d, b.s, b.Now().Location())
	if err != nil {
		return err
	}
	j.Balance = jsonReadings(reads)
	if b.s.Saved() {
		j.Session = b.s.Path
	}
	for _, r := range b.s.State.Results() {
		j.Axes = append(j.Axes, jsonBenchAxis{r.Axis.String(), r.Status, r.Kept, r.Clean, r.Onset, r.Hz, r.Saw, r.InHand, r.GM, r.GMLow, r.GMHigh, r.SI, r.StandOnly, r.Contradictions, r.TiltDeg, r.Trials, r.Why, b.published(r)})
	}
	return b.encode(j)
}

// reread reads the rig and its tune anew before anything is made of what was
// read when the session began, and says what does not go with it any more.
func (b *benchRun) reread() error {
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
	if err := b.reread(); err != nil {
		return "", err
	}
	plan, err := b.lib.Sessions().Plan(b.d, b.s, b.Now())
	if err != nil {
		return "", err
	}
	by := ""
	if who, err := b.who(); err == nil {
		by = who.Name
	}
	if err := b.lib.Sessions().PlanHeld(plan, b.d, b.s, by, b.Now()); err != nil {
		return "", err
	}
	trailers, err := proveRun{b.invocation}.pinned(plan, b.d, b.s.Log.Unit)
	if err != nil {
		return "", err
	}
	reports, err := compareRun{b.invocation}.reports(plan)
	if err != nil {
		return "", err
	}
	subject := firstOf(strings.TrimSpace(why), b.s.Subject(b.d))
	body := strings.TrimSpace(words(reports) + "\n\n" + b.lib.Sessions().Describe(b.d, b.s, b.Now().Location()))
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
	rev, err := b.record(plan, subject, body, trailers)
	if err != nil {
		return "", err
	}
	b.printf("Saved as %s: %s\n", rev.Short(), safe.Line(subject))
	facts, err := startRun{b.invocation}.unitFacts(b.d.Sheet, b.s.Log.Unit)
	if err != nil {
		return "", err
	}
	if facts != nil && len(facts.Words()) > 0 {
		startRun{b.invocation}.printUnit(facts)
	}
	if b.s.Proves() {
		b.out("Proof renewed: %s\n", safe.Line(strings.Join(b.tested(), ", ")))
		return "", nil
	}
	b.out("Try: rigkeep prove %s\n", b.args[0])
	return "", nil
}
