package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

func loadVerb() command {
	return command{
		name: "load", args: "RIG[/TUNE][@WHEN]", short: "key a tune in to a unit, ticked off, and record what the unit holds",
		long:    "Lists the values in keying order, in groups, by what the controller calls them, to be ticked off; --done ticks all of them. The unit record then says what the unit holds. --read-back compares the numbers that the controller shows. For a unit that speaks an open standard, --link writes the dials over the wire, one at a time, each read back.",
		example: "rigkeep load a-cam-prime --unit QL-0031\nrigkeep load b-cam-85 --unit SK-0412 --done\nrigkeep load a-cam-prime --unit QL-0031 --read-back --shows tilt=47\nrigkeep load a-cam-prime --unit QL-0031 --link",
		flags: append(append(loadLinkFlags(), boolFlags("done", "all of it is keyed in: record it", "read-back", "compare with the numbers that the controller shows", "plain", "line-by-line questions (no single keys)")...),
			&cli.StringFlag{Name: "unit", Usage: "`UNIT`, by serial or label (default: the tune's)"},
			&cli.IntFlag{Name: "memory", Usage: "the controller's numbered memory `N`"},
			&cli.StringSliceFlag{Name: "shows", Usage: "`KEY=NUMBER` that the controller shows; repeatable"},
			messageFlag()),
		reads: true, changes: true, minArgs: 1, maxArgs: 1, argKind: []string{"rig"}, run: runLoad,
	}
}

// loadRun is one run of load.
type loadRun struct {
	*invocation
	d      *library.Loaded
	u      library.UnitRef
	memory int
	lines  []preset.KeyLine
	was    schema.Held // what the memory holds, by its record
	known  bool
	who    string
	rev    string // that was made
}

// jsonLoad is the documented shape of load.
type jsonLoad struct {
	Format   int            `json:"format"`
	Rig      string         `json:"rig"`
	Alias    string         `json:"alias"`
	Tune     string         `json:"tune"`
	Gimbal   string         `json:"gimbal"`
	Unit     string         `json:"unit"`
	Memory   int            `json:"memory,omitempty"`
	Lines    []jsonKeyLine  `json:"lines"` // in the order in which they are keyed in
	Wrong    []jsonWrong    `json:"wrong"` // read back, and not as it should be
	Recorded bool           `json:"recorded"`
	DryRun   bool           `json:"dry_run"`
	Revision string         `json:"revision,omitempty"`
	Held     map[string]any `json:"held"` // the values on record before, {} for none
}

type jsonKeyLine struct {
	preset.KeyLine
	Differs bool `json:"differs"` // from what the unit holds by its record, or that is unknown
}

type jsonWrong struct {
	Key    string `json:"key"`
	Should any    `json:"should"`
	Shows  any    `json:"shows"`
}

func runLoad(k *invocation) error {
	l := &loadRun{invocation: k}
	var err error
	if l.d, err = k.lib.Names().Load(k.args[0], true); err != nil {
		return err
	}
	if err := l.findUnit(); err != nil {
		return err
	}
	if k.c.Bool("link") {
		return runLoadLink(k, l.d, l.u, l.memory)
	}
	for _, f := range []string{"plan", "restore", "from", "style"} {
		if k.c.IsSet(f) {
			return usage("--%s goes with --link", f)
		}
	}
	who, err := k.who()
	if err != nil {
		return err
	}
	l.who = who.Name
	l.lines = preset.KeyLines(k.cat, l.d.Sheet, l.d.Tune.Values)
	if l.was, l.known = l.u.Holds(l.memory); l.known && l.was.Digest == l.d.Tune.Digest() && !k.c.Bool("read-back") && !k.json() {
		k.say("unit %s holds this tune since %s, by its record", l.u.Serial, k.clock(l.was.At))
	}
	asks := k.c.Bool("plain") || !k.c.Bool("no-input") && tty(k.Stdin) && tty(k.Stdout)
	shows, err := l.shows()
	switch {
	case err != nil:
		return err
	case len(shows) > 0 && !k.c.Bool("read-back"):
		return usage("--shows goes with --read-back")
	case k.c.Bool("done") && k.c.Bool("read-back"):
		return usage("--done or --read-back, not both")
	case k.c.Bool("read-back") && len(shows) > 0:
		return l.compare(shows)
	case k.c.Bool("read-back") && asks && !k.json():
		return l.asked(l.readBack)
	case k.c.Bool("read-back"):
		return usage("nothing was read back").hinted("give what the controller shows: --shows KEY=NUMBER, or answer on a terminal")
	case k.c.Bool("done"):
		return l.record(k.lib.Units().HeldOf(l.d, l.memory, l.who, k.Now()), nil)
	case asks && !k.json() && !k.dryRun():
		return l.asked(l.tick)
	}
	if k.json() {
		return l.answer(nil, false)
	}
	l.print()
	return nil
}

// findUnit finds the unit that was named, or the tune's own, and the memory.
func (l *loadRun) findUnit() error {
	name := cmp.Or(l.c.String("unit"), l.d.Tune.Unit, showRun{l.invocation}.unitAt(l.d))
	if name == "" {
		return usage("--unit is missing").hinted("%s has: %s", l.d.Sheet.Slug, firstOf(unitNames(l.d.Sheet), "no units yet\nTry: rigkeep unit new "+l.d.Sheet.Slug+" SERIAL"))
	}
	u, err := l.lib.Units().UnitOf(l.d.Sheet, name)
	if err != nil {
		return err
	}
	l.u = library.UnitRef{Gimbal: l.d.Sheet.Slug, Unit: u}
	if own := l.d.Tune.Unit; own != "" && !u.Is(own) {
		l.say("note: this tune is for unit %s, not for %s", safe.Line(own), u.Serial)
	}
	if u.Trouble != "" {
		l.say("trouble on %s: %s", u.Serial, safe.Line(u.Trouble))
	}
	l.memory = l.c.Int("memory")
	if l.c.IsSet("memory") && (l.memory < 1 || l.memory > max(u.Memories, 0)) {
		if u.Memories == 0 {
			return usage("no numbered memories are on record for unit %s", u.Serial).hinted("Try: rigkeep set unit:%s memories=%d", u.Serial, max(l.memory, 1))
		}
		return usage("--memory %d: unit %s has memories 1 to %d", l.memory, u.Serial, u.Memories)
	}
	if l.memory == 0 {
		var ok bool
		if l.memory, ok = library.MemoryOf(u, l.d.Rig, l.d.Ref.Tune, 0); !ok {
			return usage("--memory is missing: unit %s has memories 1 to %d", u.Serial, u.Memories)
		}
	}
	return nil
}

// where is the unit, and its memory where it has several.
func (l *loadRun) where() string {
	if l.memory > 0 {
		return fmt.Sprintf("%s, memory %d", l.u.Serial, l.memory)
	}
	return l.u.Serial
}

// held is a value that the unit holds by its record.
func (l *loadRun) held(key string) (any, bool) {
	v, ok := l.was.Values[key]
	return v, ok
}

func (l *loadRun) differs(x preset.KeyLine) bool {
	v, ok := l.held(x.Key)
	return !ok || valueText(v) != valueText(x.Value)
}

// now says what a line's value is on the unit by its record.
func (l *loadRun) now(x preset.KeyLine) string {
	v, ok := l.held(x.Key)
	switch {
	case !ok:
		return ""
	case valueText(v) == valueText(x.Value):
		return "as it is"
	}
	return "now " + valueText(v)
}

func (l *loadRun) title(what string) {
	l.printf("%s\n", l.paint.bold(fmt.Sprintf("%s to %s: %s", safe.Line(l.d.Label()), safe.Line(l.where()), what)))
}

func (l *loadRun) print() {
	n := 0
	for _, x := range l.lines {
		if l.differs(x) {
			n++
		}
	}
	what := schema.Count(len(l.lines), "value", "values") + " to key in"
	if l.known {
		what = fmt.Sprintf("%d of %s differ from what it holds", n, schema.Count(len(l.lines), "value", "values"))
	}
	l.title(what)
	l.write(unitRun{l.invocation}.keyTable(l.lines, l.now))
	l.printf("Caution: start low and keep a hand at the motor switch: an oscillating axis can\nthrow a loose part and pinch fingers. The maker's manual and qualified crew come first.\n")
	l.say("Try: rigkeep load %s --unit %s%s --done", l.args[0], shellWords([]string{l.u.Serial}), l.memoryFlag())
}

func (l *loadRun) memoryFlag() string {
	if l.memory > 0 {
		return fmt.Sprintf(" --memory %d", l.memory)
	}
	return ""
}

// keyTable lays out values in the order in which they are keyed in, in groups. note,
// where given, is what stands behind a line.
func (k unitRun) keyTable(lines []preset.KeyLine, note func(preset.KeyLine) string) string {
	var b strings.Builder
	group := ""
	t := table{}
	flush := func() {
		if len(t.rows) > 0 {
			b.WriteString(k.paint.bold(strings.ToUpper(group)) + "\n" + t.render(k.paint, "  ", k.wide))
		}
		t = table{right: map[int]bool{1: true}}
	}
	for _, x := range lines {
		if x.Group != group {
			flush()
			group = x.Group
		}
		row := []string{x.Label(), withUnit(valueText(x.Value), x.Unit)}
		if x.ShownAs != "" {
			row = append(row, x.Name)
		} else {
			row = append(row, "")
		}
		if note != nil {
			row = append(row, note(x))
		}
		t.add(row...)
	}
	flush()
	return b.String()
}

// asked runs a conversation, which may be left.
func (l *loadRun) asked(talk func(a *prompter) error) error {
	a, done, err := l.ask(l.c.Bool("plain"))
	if err != nil {
		return err
	}
	err = talk(a)
	done()
	if errors.Is(err, errStopped) {
		return stopped("Stopped. Nothing recorded.", "Try: rigkeep load "+l.args[0]+" --unit "+l.u.Serial+l.memoryFlag())
	}
	return err
}

// groupHead prints the name of a value's group where it is not the one before, and gives it.
func (l *loadRun) groupHead(before string, x preset.KeyLine) string {
	if x.Group != before {
		l.out("%s\n", l.paint.bold(strings.ToUpper(x.Group)))
	}
	return x.Group
}

// tick asks for each value whether it is keyed in.
func (l *loadRun) tick(a *prompter) error {
	l.title(schema.Count(len(l.lines), "value", "values") + " to key in")
	a.say("Caution: start low and keep a hand at the motor switch: an oscillating axis can throw a loose part and pinch fingers. The maker's manual and qualified crew come first.")
	cs := []choice{{'d', "done"}, {'s', "skip"}, {'u', "undo"}, {'q', "quit"}}
	done := make([]bool, len(l.lines))
	group := ""
	for i := 0; i < len(l.lines); {
		x := l.lines[i]
		group = l.groupHead(group, x)
		text := fmt.Sprintf("%d of %d  %s  %s", i+1, len(l.lines), safe.Line(x.Label()), l.paint.bold(withUnit(valueText(x.Value), x.Unit)))
		if x.ShownAs != "" {
			text += "  (" + x.Name + ")"
		}
		if n := l.now(x); n != "" {
			text += "  " + n
		}
		c, _, err := a.choose(text+"  [Enter done, s skip, u undo, q quit]", cs, 'd')
		if err != nil {
			return err
		}
		switch c {
		case 'u':
			i = max(0, i-1)
			group = ""
			continue
		case 'q':
			if !contains(done, true) {
				return errStopped
			}
			for j := i; j < len(done); j++ {
				done[j] = false
			}
			i = len(l.lines)
			continue
		}
		done[i] = c == 'd'
		i++
	}
	if !contains(done, true) {
		a.say("Nothing was keyed in; nothing was recorded.")
		return nil
	}
	keyed := map[string]bool{}
	for i, x := range l.lines {
		keyed[x.Key] = done[i]
	}
	h := l.lib.Units().HeldPartly(l.d, l.was, keyed, l.memory, l.who, l.Now())
	var skipped []string
	for i, ok := range done {
		if !ok {
			skipped = append(skipped, l.lines[i].Label())
		}
	}
	return l.record(h, skipped)
}

// record saves what the unit holds now.
func (l *loadRun) record(h schema.Held, skipped []string) error {
	plan, err := l.lib.Plans().New()
	if err != nil {
		return err
	}
	if err := l.lib.Units().PlanHeld(plan, l.u, h, ""); err != nil {
		return err
	}
	what := library.LoadSubject(l.d, l.where(), h)
	if l.dryRun() {
		if l.json() {
			return l.answer(nil, false)
		}
		l.printf("would save: %s\n", safe.Line(l.why(what)))
		return nil
	}
	rev, err := l.invocation.record(plan, l.why(what), "", nil)
	if err != nil {
		return err
	}
	l.rev = string(rev)
	if l.json() {
		return l.answer(nil, true)
	}
	if len(skipped) > 0 {
		l.printf("%s not keyed in: %s\n", schema.Count(len(skipped), "value", "values"), safe.Line(strings.Join(skipped, ", ")))
	}
	l.printf("Recorded: %s holds %s. Saved as %s\n", safe.Line(l.where()), safe.Line(firstOf(l.holdsName(h), "these values")), rev.Short())
	l.say("Try: rigkeep load %s --unit %s%s --read-back", l.args[0], shellWords([]string{l.u.Serial}), l.memoryFlag())
	return nil
}

func (l *loadRun) holdsName(h schema.Held) string {
	if h.Rig == "" {
		return ""
	}
	return refName(l.d)
}

func (l *loadRun) answer(wrong []jsonWrong, recorded bool) error {
	j := jsonLoad{1, l.d.Rig.ID, l.d.Rig.Alias, l.d.Ref.Tune, l.d.Sheet.Slug, l.u.Serial, l.memory, []jsonKeyLine{}, []jsonWrong{}, recorded, l.dryRun(), l.rev, map[string]any{}}
	for _, x := range l.lines {
		j.Lines = append(j.Lines, jsonKeyLine{x, l.differs(x)})
	}
	j.Wrong = append(j.Wrong, wrong...)
	for k, v := range l.was.Values {
		j.Held[k] = v
	}
	return l.encode(j)
}

// shows reads the values of --shows.
func (l *loadRun) shows() (map[string]any, error) {
	out := map[string]any{}
	for _, s := range l.c.StringSlice("shows") {
		a, err := library.ParseAssign(s)
		if err != nil {
			return nil, err
		}
		keys := l.cat.FindKeys(a.Key, l.d.Tune.Styles(), l.d.Sheet)
		if len(keys) == 0 {
			return nil, usage("--shows: unknown key %q", a.Key).hinted("see the keys with: rigkeep load %s --unit %s --json", l.args[0], l.u.Serial)
		}
		if len(keys) > 1 {
			return nil, usage("--shows: %q is %d values: %s", a.Key, len(keys), strings.Join(keys, ", "))
		}
		v, ok := typedNumber(a.Text)
		if !ok {
			return nil, usage("--shows %s: %q is not a number", a.Key, a.Text)
		}
		if _, ok := l.d.Tune.Values[keys[0]]; !ok {
			return nil, usage("--shows: %s does not set %s", refName(l.d), keys[0])
		}
		out[keys[0]] = v
	}
	return out, nil
}

// readBack asks for each number as the controller shows it.
func (l *loadRun) readBack(a *prompter) error {
	l.title("read back " + schema.Count(len(l.lines), "value", "values"))
	a.say("Type what the controller shows; Enter is as it should be, - is not read, u goes back, q leaves.")
	shows := make([]any, len(l.lines))
	group := ""
	for i := 0; i < len(l.lines); {
		x := l.lines[i]
		group = l.groupHead(group, x)
		s, err := a.line(fmt.Sprintf("%s? [%s]", safe.Line(x.Label()), withUnit(valueText(x.Value), x.Unit)))
		if err != nil {
			return err
		}
		switch strings.ToLower(s) {
		case "":
			shows[i] = x.Value
		case "-":
			shows[i] = nil
		case "u", "undo":
			i, group = max(0, i-1), ""
			continue
		case "q", "quit":
			return errStopped
		default:
			v, ok := typedNumber(s)
			if !ok {
				a.say("%q is not a number", safe.Line(s))
				continue
			}
			// what the dial cannot show was misread
			if ps := schema.Errors(l.cat.CheckValue(x.Key, v, l.d.Sheet)); len(ps) > 0 {
				a.say("%s", safe.Line(ps[0].Error()))
				continue
			}
			shows[i] = v
		}
		i++
	}
	got := map[string]any{}
	for i, x := range l.lines {
		if shows[i] != nil {
			got[x.Key] = shows[i]
		}
	}
	return l.compare(got)
}

// compare lays what the controller shows beside the tune and records it: as the tune
// where every value was read and is as it should be, else as the values that were read.
func (l *loadRun) compare(shows map[string]any) error {
	for _, key := range slices.Sorted(maps.Keys(shows)) {
		if ps := schema.Errors(l.cat.CheckValue(key, shows[key], l.d.Sheet)); len(ps) > 0 {
			return usage("%s", ps[0].Error())
		}
	}
	keys := preset.DifferentValues(l.d.Tune.Values, shows)
	var wrong []jsonWrong
	h := l.lib.Units().HeldOf(l.d, l.memory, l.who, l.Now())
	if len(shows) < len(l.lines) || len(keys) > 0 {
		values := map[string]any{}
		for k, v := range l.was.Values {
			values[k] = v
		}
		for k, v := range shows {
			values[k] = v
		}
		if d := (preset.Tune{Values: values}).Digest(); d != h.Digest {
			h = schema.Held{At: h.At, By: h.By, Memory: h.Memory, Digest: d, Values: values}
		}
	}
	for _, key := range keys {
		wrong = append(wrong, jsonWrong{key, l.d.Tune.Values[key], shows[key]})
	}
	same := l.known && l.was.Digest == h.Digest && l.was.Rig == h.Rig && l.was.Tune == h.Tune
	if !same && !l.dryRun() {
		plan, err := l.lib.Plans().New()
		if err != nil {
			return err
		}
		if err := l.lib.Units().PlanHeld(plan, l.u, h, ""); err != nil {
			return err
		}
		rev, err := l.invocation.record(plan, l.why("Read back "+l.where()), "", nil)
		if err != nil {
			return err
		}
		l.rev = string(rev)
	}
	if l.json() {
		if err := l.answer(wrong, l.rev != ""); err != nil {
			return err
		}
		if len(wrong) > 0 {
			return errFindings
		}
		return nil
	}
	if len(wrong) == 0 {
		l.title(fmt.Sprintf("%d of %s read back, all as they should be", len(shows), schema.Count(len(l.lines), "value", "values")))
	} else {
		l.title(fmt.Sprintf("%d of %s read back, %d WRONG", len(shows), schema.Count(len(l.lines), "value", "values"), len(wrong)))
		t := table{}
		for _, x := range l.lines {
			for _, w := range wrong {
				if w.Key == x.Key {
					t.add(x.Label(), "shows "+valueText(w.Shows), "should be "+withUnit(valueText(w.Should), x.Unit), map[bool]string{true: x.Name}[x.ShownAs != ""])
				}
			}
		}
		l.write(t.render(l.paint, "  ", l.wide))
	}
	if l.rev != "" {
		l.printf("Recorded what it shows. Saved as %s\n", store.Rev(l.rev).Short())
	}
	if len(wrong) > 0 {
		l.say("Key it in, then\nTry: rigkeep load %s --unit %s%s --read-back", l.args[0], shellWords([]string{l.u.Serial}), l.memoryFlag())
		return errFindings
	}
	return nil
}
