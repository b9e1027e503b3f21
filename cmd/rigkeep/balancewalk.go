package main

import (
	"errors"
	"fmt"
	"strings"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/balance"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// balanceRun is one run of balance on a rig.
type balanceRun struct {
	*invocation
	d    *library.Loaded
	unit string // serial, "" for none
	rec  *library.Balancing
	told [3]bool // axes of which it was said how to get the motor's torque
}

func runBalance(k *invocation) error {
	if k.c.Bool("backtest") {
		if len(k.args) > 0 {
			return usage("--backtest looks at all rigs; leave %s out", safe.Line(k.args[0]))
		}
		return markRun{k}.balanceBacktest()
	}
	if len(k.args) == 0 {
		return usage("rigkeep balance needs a rig").hinted("for example: rigkeep balance a-cam-prime --unit QL-0031")
	}
	d, err := k.loadNow(false, "balance works on the rig as it is now")
	if err != nil {
		return err
	}
	b := &balanceRun{invocation: k, d: d}
	if u := k.c.String("unit"); u != "" {
		x, err := k.lib.Units().UnitOf(d.Sheet, u)
		if err != nil {
			return err
		}
		b.unit = x.Serial
	}
	marks, err := markRun{k}.marksFlag(d.Sheet)
	if err != nil {
		return err
	}
	efforts, err := markRun{k}.effortsFlag(d.Sheet)
	if err != nil {
		return err
	}
	if err := b.takeOpen(); err != nil {
		return err
	}
	switch {
	case len(marks)+len(efforts) > 0:
		return b.scripted(marks, efforts)
	case k.json() || k.dryRun():
		return b.state("")
	}
	return b.interactive()
}

// takeOpen takes up the record that is open on this build, if there is one.
func (b *balanceRun) takeOpen() (err error) {
	if b.c.Bool("new") {
		return nil
	}
	if b.rec, err = b.lib.Balance().Open(b.d, b.unit); err != nil || b.rec == nil {
		return err
	}
	if b.unit == "" {
		b.unit = b.rec.Record.Unit
	}
	return nil
}

// resume takes up the open record, or begins one.
func (b *balanceRun) resume() error {
	if b.rec == nil {
		if err := b.takeOpen(); err != nil {
			return err
		}
	}
	if b.rec != nil {
		return nil
	}
	by := ""
	if who, err := b.who(); err == nil {
		by = who.Name
	}
	var err error
	b.rec, err = b.lib.Balance().New(b.d, b.unit, by, b.Now())
	return err
}

// add writes answers to disk, each by itself.
func (b *balanceRun) add(marks []preset.BalanceMark, efforts []preset.BalanceEffort) error {
	ctx, stop := b.ctx()
	defer stop()
	for _, m := range marks {
		if err := b.lib.Balance().AddMark(ctx, b.rec, b.d.Sheet, m); err != nil {
			return err
		}
	}
	for _, e := range efforts {
		if err := b.lib.Balance().AddEffort(ctx, b.rec, b.d.Sheet, e); err != nil {
			return err
		}
	}
	return nil
}

// scripted adds the answers of a command line and, unless more follow, saves.
func (b *balanceRun) scripted(marks []preset.BalanceMark, efforts []preset.BalanceEffort) error {
	if err := b.resume(); err != nil {
		return err
	}
	if b.dryRun() {
		b.rec.Record.Marks = append(b.rec.Record.Marks, marks...)
		b.rec.Record.Efforts = append(b.rec.Record.Efforts, efforts...)
		return b.state("")
	}
	if err := b.add(marks, efforts); err != nil {
		return err
	}
	for _, c := range preset.BalanceCautions {
		b.say("%s", strings.TrimRight(wrap("Caution: "+c, "", b.wide), "\n"))
	}
	var rev store.Rev
	if !b.c.Bool("more") {
		var err error
		if rev, err = b.save(b.c.String("message")); err != nil {
			return err
		}
	}
	if b.json() {
		return b.state(string(rev))
	}
	b.report(rev)
	return nil
}

// save ends the record and saves it as one revision.
func (b *balanceRun) save(why string) (store.Rev, error) {
	plan, err := b.lib.Balance().Plan(b.d, b.rec, b.Now())
	if err != nil {
		return "", err
	}
	subject := strings.TrimSpace(why)
	if subject == "" {
		subject = b.rec.Subject(b.d)
	}
	return b.record(plan, subject, strings.Join(b.rec.Record.Found(b.d.Sheet, b.d.Rig), "\n"), nil)
}

func jsonReadings(reads []preset.PointReading) []jsonReading {
	out := []jsonReading{}
	for _, r := range reads {
		x := jsonReading{Point: r.Point.Text, Effort: preset.Rounded(r.Read.Effort, 9), Verdict: string(r.Read.Verdict), Words: r.Read.Words}
		if len(r.Efforts) > 1 {
			x.Sides = r.Efforts
		}
		out = append(out, x)
	}
	return out
}

// answers are the marks that are expected: for the questions still open by all records
// but this one's answers, which say themselves.
func (b *balanceRun) answers() ([]preset.MarkAnswer, error) {
	q, err := b.lib.Balance().MarkQuery(b.d.Rig, b.d.Sheet, b.unit)
	if err != nil {
		return nil, err
	}
	return preset.Marks(q)
}

type jsonBalance struct {
	Format   int           `json:"format"`
	Rig      string        `json:"rig"`
	Alias    string        `json:"alias"`
	Unit     string        `json:"unit,omitempty"`
	Record   string        `json:"record,omitempty"` // path, empty before the first answer
	Marks    []jsonMark    `json:"marks"`
	Balance  []jsonReading `json:"balance"`
	Next     string        `json:"next,omitempty"` // the adjustment or point that is asked for
	Saved    string        `json:"saved,omitempty"`
	Doubts   []string      `json:"doubts"`
	Cautions []string      `json:"cautions"`
}

type jsonReading struct {
	Point   string    `json:"point"`
	Effort  float64   `json:"effort_pct"`
	Sides   []float64 `json:"effort_sides_pct,omitempty"`
	Verdict string    `json:"verdict"`
	Words   string    `json:"words"`
}

// state prints where the balance stands, without changing anything.
func (b *balanceRun) state(saved string) error {
	answers, err := b.answers()
	if err != nil {
		return err
	}
	points := preset.BalancePoints(b.d.Sheet)
	mark, point := b.next()
	next := ""
	if mark >= 0 && mark < len(b.d.Sheet.Adjustments) {
		next = b.d.Sheet.Adjustments[mark].Name
	} else if point >= 0 {
		next = points[point].Text
	}
	if b.json() {
		var doubts []string
		for _, d := range b.doubts() {
			doubts = append(doubts, d.Words())
		}
		j := jsonBalance{Format: 1, Rig: b.d.Rig.ID, Alias: b.d.Rig.Alias, Unit: b.unit, Marks: markRun{b.invocation}.jsonMarks(answers), Next: next, Saved: saved, Balance: []jsonReading{}, Doubts: append([]string{}, doubts...), Cautions: preset.BalanceCautions}
		if b.rec != nil {
			if b.rec.Saved() {
				j.Record = b.rec.Path
			}
			j.Balance = jsonReadings(b.rec.Record.ReadEfforts(b.d.Sheet, b.d.Rig))
		}
		return b.encode(j)
	}
	b.out("%s: %s\n", b.paint.bold(b.d.Label()+" on "+firstOf(b.unit, b.d.Sheet.Slug)), "nothing written (dry run)")
	b.out("%s", hung("Marks", b.markLine(answers, b.d.Sheet), b.wide))
	if b.rec != nil && (len(b.rec.Record.Marks) > 0 || len(b.rec.Record.Efforts) > 0) {
		b.out("%s", hung("Would keep", safe.Text(strings.Join(b.rec.Record.Found(b.d.Sheet, b.d.Rig), "; ")), b.wide))
	}
	return nil
}

// doubts are what the record does not agree with; none where that cannot be said.
func (b *balanceRun) doubts() []preset.MarkDoubt {
	q, err := b.lib.Balance().MarkQuery(b.d.Rig, b.d.Sheet, b.unit)
	if err != nil {
		return nil
	}
	ds, _ := preset.MarkDoubts(q)
	return ds
}

// report is the end of a balance.
func (b *balanceRun) report(rev store.Rev) {
	n := 0
	for _, a := range b.d.Sheet.Adjustments {
		if m, ok := b.rec.Record.Mark(a.Name); ok && m.Mark != nil {
			n++
		}
	}
	head := b.d.Label() + " on " + firstOf(b.unit, b.d.Sheet.Slug)
	b.out("%s: %s, %s\n", b.paint.bold(safe.Line(head)), schema.Count(n, "mark", "marks"), schema.Count(len(b.rec.Record.ReadEfforts(b.d.Sheet, b.d.Rig)), "resting effort", "resting efforts"))
	for _, w := range b.rec.Record.Found(b.d.Sheet, b.d.Rig) {
		b.out("%s", wrap(safe.Text(w), "  ", b.wide))
	}
	turned := false
	for _, d := range b.doubts() {
		turned = turned || d.Turned
		b.out("%s", wrap(b.paint.warn("Check")+" "+safe.Text(d.Words())+". Check the mark, its scale and every clamp, or whether a part changed.", "  ", b.wide))
	}
	for _, r := range b.rec.Record.ReadEfforts(b.d.Sheet, b.d.Rig) {
		if r.Read.Verdict == balance.Rebalance {
			b.out("%s", wrap(b.paint.warn("Rebalance")+" "+safe.Text(r.Read.Words), "  ", b.wide))
		}
	}
	if rev != "" {
		b.out("Saved as %s\n", rev.Short())
		if turned {
			b.out("Try: rigkeep edit gimbal:%s\n", b.d.Sheet.Slug)
		}
		b.out("Try: rigkeep start %s\n", b.args[0])
		return
	}
	b.out("Not saved yet: %s\n", b.rec.Path)
	b.out("Try: rigkeep balance %s\n", b.args[0])
}

// interactive walks through the adjustments and the points of the balance check.
func (b *balanceRun) interactive() error {
	if b.c.Bool("no-input") {
		return usage("--no-input and no answer given").hinted("add --mark NAME=MM, or --json for what is expected")
	}
	if len(b.d.Sheet.Adjustments) == 0 {
		b.say("%s", "The sheet of "+b.d.Sheet.Slug+" lists no adjustment, so only the resting efforts are asked for. Slides with a scale go into gimbals/"+b.d.Sheet.Slug+".toml as [[adjustment]].")
	}
	a, done, err := b.ask(b.c.Bool("plain"))
	if err != nil {
		return err
	}
	err = b.walk(a)
	goOn.Store(nil)
	done()
	if errors.Is(err, errStopped) {
		if b.rec == nil || !b.rec.Saved() {
			return stopped("Stopped. No answers recorded.", "Try: rigkeep balance "+b.args[0])
		}
		return stopped(fmt.Sprintf("Stopped. %s stored in %s", schema.Count(len(b.rec.Record.Marks)+len(b.rec.Record.Efforts), "answer", "answers"), b.rec.Path), "Try: rigkeep balance "+b.args[0])
	}
	return err
}

func (b *balanceRun) walk(a *prompter) error {
	again := b.rec != nil
	if b.unit == "" && len(b.d.Sheet.Units) > 0 && !again {
		b.unit = b.d.Sheet.Units[0].Serial
		if len(b.d.Sheet.Units) > 1 {
			var err error
			if b.unit, err = a.askUnit(b.d.Sheet); err != nil {
				return err
			}
		}
	}
	if err := b.resume(); err != nil {
		return err
	}
	for _, c := range preset.BalanceCautions {
		a.say("Caution: %s", c)
	}
	if again {
		a.say("Continuing the record of %s after %s.", b.clock(b.rec.Record.Began), schema.Count(len(b.rec.Record.Marks)+len(b.rec.Record.Efforts), "answer", "answers"))
	}
	to := "rigkeep balance " + b.args[0]
	goOn.Store(&to)
	answers, err := b.answers()
	if err != nil {
		return err
	}
	points := preset.BalancePoints(b.d.Sheet)
	redo := -1 // the step that is asked again: an adjustment, then the points
	for {
		mark, point := b.next()
		step := mark
		if point >= 0 {
			step = len(answers) + point
		}
		if redo >= 0 {
			step = redo
		}
		var undo, leave bool
		switch {
		case step >= 0 && step < len(answers):
			undo, leave, err = b.askMark(a, answers[step], step, len(answers))
		case step >= len(answers):
			undo, leave, err = b.askEffort(a, points, step-len(answers))
		default:
			return b.finish(a)
		}
		redo = -1
		if undo {
			redo = max(0, step-1)
			if step == 0 {
				a.say("This is the first one.")
			}
		}
		if err != nil {
			return err
		}
		if leave {
			if !b.rec.Saved() {
				a.say("Nothing was answered.")
				return nil
			}
			a.say("Kept in %s", b.rec.Path)
			b.out("Try: rigkeep balance %s\n", b.args[0])
			return nil
		}
	}
}

// finish saves the record and says what was found.
func (b *balanceRun) finish(a *prompter) error {
	rev, err := b.save(b.c.String("message"))
	if err != nil {
		return err
	}
	b.out("\n")
	b.report(rev)
	return nil
}

// askMark asks for the mark of one adjustment; undo asks for the step before again.
func (b *balanceRun) askMark(a *prompter, x preset.MarkAnswer, i, n int) (undo, leave bool, err error) {
	adj := x.Adjustment
	title := fmt.Sprintf("%s on %s", b.d.Rig.Alias, firstOf(b.unit, b.d.Sheet.Slug))
	b.out("\n%s\n", spread(b.paint.bold(safe.Line(title)), safe.Line(title), fmt.Sprintf("step %d of %d: %s", i+1, n, strings.ToUpper(safe.Line(adj.Name))), a.columns()))
	def := ""
	if to, found, ok := x.Expected(); ok {
		def = wholeMM(to)
		how := fmt.Sprintf("expected %s to %s mm, from %s", wholeMM(x.Lo), wholeMM(x.Hi), schema.Count(records(x), "record", "records"))
		if found {
			def = schema.Sig(to*1000, 4)
			how = "found " + b.on(x.Found.At)
			if x.In.Unit != "" {
				how += " on " + safe.Line(x.In.Unit)
			}
		}
		b.out("\n  %s    %s\n\n", b.paint.bold(fmt.Sprintf("SET %s TO %s MM", strings.ToUpper(safe.Line(adj.Name)), def)), how)
		if x.Out > 0 {
			a.say("%s", outWords(x)+".")
		}
	} else {
		b.out("\n%s\n", wrap(safe.Line("No mark is expected yet: "+x.Unknown+"."), "  ", a.columns()))
	}
	a.say("%s", preset.LookFor(adj))
	prompt := "mark found in mm (s skip, u undo, q quit):"
	if def != "" {
		prompt = fmt.Sprintf("mark found in mm (Enter for %s, s skip, u undo, q quit):", def)
	}
	for {
		s, err := a.line(prompt)
		if err != nil {
			return false, false, err
		}
		m := preset.BalanceMark{Name: adj.Name, At: b.Now()}
		switch strings.ToLower(s) {
		case "q", "quit":
			return false, true, nil
		case "u", "undo":
			return true, false, nil
		case "s", "skip":
			return false, false, b.add([]preset.BalanceMark{m}, nil)
		case "":
			if def == "" {
				a.say("Type the mark, or s to leave this one out.")
				continue
			}
			s = def
		}
		v, err := preset.ParseMark(adj, s)
		if err != nil {
			a.say("%s", safe.Line(err.Error()))
			continue
		}
		m.Mark = &v
		return false, false, b.add([]preset.BalanceMark{m}, nil)
	}
}

func records(x preset.MarkAnswer) int {
	if x.Mark == nil {
		return 0
	}
	return x.Mark.N
}

// spread writes a line with one text at its left and one at its right end; plain is
// left without colour.
func spread(left, plain, right string, wide int) string {
	gap := wide - 1 - len([]rune(plain)) - len([]rune(right))
	if gap < 2 {
		return left + "\n" + right
	}
	return left + strings.Repeat(" ", gap) + right
}

// askEffort asks for the resting effort at one point of the balance check; undo asks for the
// step before again.
func (b *balanceRun) askEffort(a *prompter, points []preset.BalancePoint, i int) (undo, leave bool, err error) {
	p := points[i]
	if i == 0 || !b.someEffort() {
		a.say("Tighten every clamp. Power on, hands clear, and read the resting effort where the controller shows it.")
	}
	for {
		s, err := a.line(fmt.Sprintf("resting effort in percent, %s (two readings from either side as 2.8/1.2; s skip, n none is shown, u undo, q quit):", safe.Line(p.Text)))
		if err != nil {
			return false, false, err
		}
		e := preset.BalanceEffort{Point: p.Text, At: b.Now()}
		if p.HasAxis {
			e.Axis = p.Axis.String()
		}
		switch strings.ToLower(s) {
		case "q", "quit":
			return false, true, nil
		case "u", "undo":
			return true, false, nil
		case "s", "skip", "":
			return false, false, b.add(nil, []preset.BalanceEffort{e})
		case "n", "none":
			var rest []preset.BalanceEffort
			for _, q := range points[i:] {
				e.Point, e.Axis = q.Text, ""
				if q.HasAxis {
					e.Axis = q.Axis.String()
				}
				rest = append(rest, e)
			}
			return false, false, b.add(nil, rest)
		}
		v, err := preset.ParseEfforts(s)
		if err != nil {
			a.say("%s", err.Error())
			continue
		}
		read, err := preset.ReadEffort(b.d.Sheet, b.d.Rig, p, v)
		if err != nil {
			return false, false, err
		}
		if err := b.add(nil, []preset.BalanceEffort{preset.NewEffort(p, v, b.Now())}); err != nil {
			return false, false, err
		}
		words := read.Words
		if how := ": " + balance.NeedsTorque(p.Axis).Do; p.HasAxis && strings.Contains(words, how) {
			if b.told[p.Axis] { // how to get it is said once
				words = strings.Replace(words, how, "", 1)
			}
			b.told[p.Axis] = true
		}
		a.say("%s.", safe.Text(strings.TrimSuffix(words, ".")))
		return false, false, nil
	}
}

// next is what is asked for now.
func (b *balanceRun) next() (mark, point int) {
	if b.rec == nil {
		return preset.BalanceRecord{}.Next(b.d.Sheet)
	}
	return b.rec.Record.Next(b.d.Sheet)
}

func (b *balanceRun) someEffort() bool { return len(b.rec.Record.Efforts) > 0 }
