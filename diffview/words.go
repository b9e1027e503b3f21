package diffview

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"rigkeep/diffview/safe"
	"rigkeep/schema"
)

// lineWidth is what a line of a commit message should keep to.
const lineWidth = 72

// InWords says a report in plain lines for the body of a commit, one for each
// change. It is "" when nothing differs. Lines keep to 72 columns where the
// words allow it. Moments are in a zone: a commit keeps UTC.
func InWords(r Report, zone *time.Location) string {
	w := wordLines{zone: zone}
	if b := r.Build; b != nil {
		for _, s := range b.words() {
			w.add(s)
		}
		w.fields(b.Fields)
	}
	w.tune(r)
	if r.Proof != nil {
		w.add(r.Proof.words(zone))
	}
	w.other(r)
	for _, d := range r.Documents {
		w.document(d)
	}
	for _, t := range r.Texts {
		name := t.Path[strings.LastIndexByte(t.Path, '/')+1:]
		w.add(name + ": " + t.Summary)
	}
	if w.out == nil {
		w.out = w.derived
	}
	return strings.Join(w.out, "\n")
}

// wordLines are the lines of a report. What Rigkeep records by itself is said only where there
// is nothing else.
type wordLines struct {
	out, derived []string
	zone         *time.Location
}

// add adds a line, in the first of its wordings that is not too long.
func (w *wordLines) add(wordings ...string) { w.out = append(w.out, fitting(wordings)) }

func fitting(wordings []string) string {
	s := ""
	for i, x := range wordings {
		if i == 0 || utf8.RuneCountInString(s) > lineWidth {
			s = safe.Line(x)
		}
	}
	return s
}

func (w *wordLines) field(f Field) {
	wordings := []string{f.sentence(w.zone), f.short(w.zone)}
	if f.Derived {
		w.derived = append(w.derived, fitting(wordings))
	} else {
		w.add(wordings...)
	}
}

func (w *wordLines) fields(list []Field) {
	for _, f := range list {
		w.field(f)
	}
}

// wholeTune says whether a tune is new or gone; "" is neither.
func (r Report) wholeTune() Op {
	switch {
	case r.a.Tune == nil && r.b.Tune != nil:
		return Added
	case r.a.Tune != nil && r.b.Tune == nil:
		return Removed
	}
	return ""
}

// tune says the values of a tune; of one that is gone only how many it had.
func (w *wordLines) tune(r Report) {
	values := 0
	for _, g := range r.Tune {
		values += len(g.Changes)
	}
	switch r.wholeTune() {
	case Added:
		w.add("new tune, " + schema.Count(values, "value", "values"))
	case Removed:
		w.add("tune removed, it had " + schema.Count(values, "value", "values"))
		return
	}
	for _, g := range r.Tune {
		for i := 0; i < len(g.Changes); {
			c := g.Changes[i]
			if r.wholeTune() == Added {
				c.Remark = ""
			}
			if style, n := wholeStyle(r, g.Changes[i:]); n > 1 {
				w.add(fmt.Sprintf("%s %s, %s", schema.Join("follow", style), c.Op, schema.Count(n, "value", "values")))
				i += n
				continue
			}
			long, short := c.words()
			w.add(long, short)
			i++
		}
	}
}

// other says the keys beside the values; of a new tune the note, of one that is gone none.
func (w *wordLines) other(r Report) {
	whole := r.wholeTune()
	for _, f := range r.Other {
		if whole == "" || f.Key == "note" && whole == Added {
			w.field(f)
		}
	}
}

func (w *wordLines) document(d Document) {
	if len(d.Fields) == 0 || d.Op != Changed {
		w.add(d.Path+" "+string(d.Op), d.Path)
		return
	}
	for i := 0; i < len(d.Fields); i++ {
		if s, n := wholeItem(d.Fields[i:], w.zone); n > 0 {
			w.add(s)
			i += n - 1
			continue
		}
		w.field(d.Fields[i])
	}
}

// wholeStyle counts the changes at the start of list that add or remove one
// whole follow style, 0 when the style is there on both sides.
func wholeStyle(r Report, list []Change) (style string, n int) {
	op := list[0].Op
	path := schema.SplitPath(list[0].Key)
	if op != Added && op != Removed || len(path) < 3 || path[0] != "follow" {
		return "", 0
	}
	other := r.a.Tune // the side that lacks it
	if op == Removed {
		other = r.b.Tune
	}
	if other != nil && hasStyle(*other, path[1]) {
		return "", 0
	}
	for n < len(list) && list[n].Op == op && strings.HasPrefix(list[n].Key, schema.Join("follow", path[1])+".") {
		n++
	}
	return path[1], n
}

// wholeItem says the item of a list that the first fields add or remove as a
// whole: pin added: rig "hxdk37xyrz", tune "main". n is how many fields that are. Of what a
// unit held the values are only counted: the tune that is named has them.
func wholeItem(list []Field, zone *time.Location) (words string, n int) {
	item, op := listItem(list[0].Key), list[0].Op
	if item == "" || op != Added && op != Removed {
		return "", 0
	}
	var in []string
	values := 0
	for n < len(list) && listItem(list[n].Key) == item {
		f := list[n]
		if f.Op != op {
			return "", 0 // the item was there before, or still is
		}
		v := f.After
		if op == Removed {
			v = f.Before
		}
		n++
		switch key := strings.TrimPrefix(f.Key, item+"."); {
		case strings.HasPrefix(key, "values."):
			values++
		case key == "digest":
		default:
			if id, ok := v.(string); ok && strings.HasPrefix(item, "held[") && key == "revision" && len(id) > 10 {
				v = id[:10]
			}
			in = append(in, key+" "+valueIn(v, zone)+unitAfter(f.Unit))
		}
	}
	if values > 0 {
		in = append(in, schema.Count(values, "value", "values"))
	}
	name, _, _ := strings.Cut(item, "[")
	return name + " " + string(op) + ": " + strings.Join(in, ", "), n
}

// arrow is "62.5 → 66" with the unit, or what is left of it when one side has none.
func (c Change) arrow() string {
	before := unitAfter(c.Unit)
	if c.UnitBefore != nil {
		before = unitAfter(*c.UnitBefore)
	}
	switch {
	case c.Op == Added:
		return value(c.After) + unitAfter(c.Unit)
	case c.Op == Removed:
		return value(c.Before) + before
	case c.UnitBefore != nil:
		return value(c.Before) + before + " → " + value(c.After) + unitAfter(c.Unit)
	}
	return value(c.Before) + " → " + value(c.After) + unitAfter(c.Unit)
}

// words says a change on one line, and more briefly.
func (c Change) words() (long, short string) {
	head := c.Key + " " + c.arrow()
	switch {
	case c.Op == Added && c.Remark == "":
		return head, head
	case c.Op == Added:
		return head + " (" + c.Remark + ")", head + " (new)"
	case c.Op == Removed:
		return c.Key + " removed, was " + c.arrow() + " (" + c.Remark + ")", c.Key + " removed, was " + c.arrow()
	case !c.Comparable:
		return head + " (not comparable: " + c.Reason + ")", head + " (not comparable)"
	}
	var in []string
	if c.Delta != nil && c.Converted == nil {
		in = append(in, schema.Signed(*c.Delta))
	}
	if c.Converted != nil {
		in = append(in, "the first is "+num(*c.Converted)+" on the second")
	}
	if s := c.StepWords(); s != "" {
		in = append(in, s)
	}
	if c.Remark != "" {
		in = append(in, c.Remark)
	}
	if in == nil {
		return head, head
	}
	return head + " (" + strings.Join(in, ", ") + ")", head + " (" + in[0] + ")"
}

// StepWords says a change in steps and direction: "1 coarse step stiffer",
// "2 coarse and 3 fine steps softer", "less than a fine step stiffer".
func (c Change) StepWords() string {
	dir := ""
	if c.Direction != "" {
		dir = " " + c.Direction
	}
	if c.Steps == nil {
		return strings.TrimSpace(dir)
	}
	coarse, fine := math.Abs(c.Steps.Coarse), math.Abs(c.Steps.Fine)
	whole := func(v float64) (int, bool) {
		r := math.Round(v)
		return int(r), math.Abs(v-r) < 1e-6 && r < 1e9
	}
	if c.Steps.Fine == 0 {
		return ""
	}
	if c.Steps.CoarseSize == c.Steps.FineSize {
		if n, ok := whole(fine); ok {
			return schema.Count(n, "step", "steps") + dir
		}
		return schema.Decimals(fine, 2) + " steps" + dir
	}
	if n, ok := whole(coarse); ok && n > 0 {
		return schema.Count(n, "coarse step", "coarse steps") + dir
	}
	if n, ok := whole(fine); ok {
		big := int(coarse)
		per, even := whole(c.Steps.CoarseSize / c.Steps.FineSize)
		if big > 0 && even {
			rest := n - big*per
			return fmt.Sprintf("%d coarse and %s%s", big, schema.Count(rest, "fine step", "fine steps"), dir)
		}
		if n > 0 {
			return schema.Count(n, "fine step", "fine steps") + dir
		}
	}
	if fine < 1 {
		return "less than a fine step" + dir
	}
	return schema.Decimals(fine, 2) + " fine steps" + dir
}

// short is how a field changed, cut to what a line can take.
func (f Field) short(zone *time.Location) string {
	if len(f.Words) > 0 || len(valueIn(f.Before, zone))+len(valueIn(f.After, zone)) > lineWidth {
		return f.Key + " " + string(f.Op)
	}
	return f.sentence(zone)
}

// sentence is how a field changed, whole.
func (f Field) sentence(zone *time.Location) string {
	unit := unitAfter(f.Unit)
	switch f.Op {
	case Added:
		return f.Key + " " + valueIn(f.After, zone) + unit + " (new)"
	case Removed:
		return f.Key + " removed, was " + valueIn(f.Before, zone) + unit
	}
	s := f.Key + " " + valueIn(f.Before, zone) + " → " + valueIn(f.After, zone) + unit
	if f.Delta != nil {
		s += " (" + schema.Signed(*f.Delta) + ")"
	}
	return s
}

// words says what happened to a build: the whole first, then the parts.
func (b Build) words() []string {
	var out []string
	switch {
	case b.Op != Changed:
		out = append(out, fmt.Sprintf("build %s, %s kg", b.Op, num(b.MassBefore+b.MassAfter)))
	case b.MassDelta != 0:
		out = append(out, fmt.Sprintf("build %s → %s kg (%s g)", num(b.MassBefore), num(b.MassAfter), schema.Signed(b.MassDelta)))
	}
	if b.Op == Changed && b.Gimbals[0] != b.Gimbals[1] {
		out = append(out, "gimbal "+b.Gimbals[0]+" → "+b.Gimbals[1])
	}
	if b.CGShift != "" && b.Op == Changed {
		out = append(out, "centre of gravity "+b.CGShift)
	}
	for _, p := range b.Parts {
		out = append(out, p.words())
	}
	if b.Reordered {
		out = append(out, "parts reordered")
	}
	return out
}

// words says a part's change on one line.
func (p Part) words() string {
	name := p.Slot + " " + strconv.Quote(p.Name)
	switch p.Op {
	case Added:
		return fmt.Sprintf("part added: %s, %s g", name, num(p.MassAfter))
	case Removed:
		return fmt.Sprintf("part removed: %s, %s g", name, num(p.MassBefore))
	case Replaced:
		name = p.Slot + " " + strconv.Quote(p.Was) + " → " + strconv.Quote(p.Name)
	}
	var in []string
	if p.MassDelta != 0 {
		in = append(in, schema.Signed(p.MassDelta)+" g")
	}
	if p.Moved != "" {
		in = append(in, "moved "+p.Moved)
	}
	var rest []string
	for _, f := range p.Fields {
		if f.Key != "mass" && f.Key != "place" {
			rest = append(rest, f.Label)
		}
	}
	if rest != nil {
		in = append(in, strings.Join(rest, ", ")+" changed")
	}
	if in == nil {
		return name
	}
	return name + ": " + strings.Join(in, ", ")
}

// Stat says a report on one line, for lists: "4 values (1 major, 2 notable),
// build +410 g, proof stale".
func Stat(r Report) string {
	if r.Same {
		return "identical"
	}
	var out []string
	if b := r.Build; b != nil {
		s := "build " + string(b.Op)
		if b.Op == Changed && b.MassDelta != 0 {
			s = "build " + schema.Signed(b.MassDelta) + " g"
		}
		out = append(out, s)
	}
	var n, apart int
	var c Count
	for _, g := range r.Tune {
		for _, ch := range g.Changes {
			n++
			c.add(ch.Level)
			if !ch.Comparable {
				apart++
			}
		}
	}
	if n > 0 {
		var by []string
		for _, w := range []struct {
			n    int
			word string
		}{{c.Major, "major"}, {c.Notable, "notable"}, {c.Minor, "minor"}} {
			if w.n > 0 {
				by = append(by, strconv.Itoa(w.n)+" "+w.word)
			}
		}
		s := schema.Count(n, "value", "values") + " (" + strings.Join(by, ", ") + ")"
		if n == 1 {
			_, word, _ := strings.Cut(by[0], " ")
			s = "1 " + word + " value"
		}
		if apart > 0 {
			s += fmt.Sprintf(", %d not comparable", apart)
		}
		out = append(out, s)
	}
	if p := r.Proof; p != nil {
		s := "proof " + string(p.Op)
		if len(p.StaleAfter) > 0 {
			s = "proof out of date"
		}
		out = append(out, s)
	}
	for _, f := range r.Other {
		if !f.Derived {
			out = append(out, f.Key+" "+string(f.Op))
		}
	}
	for _, d := range r.Documents {
		s := d.Path + " " + string(d.Op)
		if d.Op == Changed {
			s = fmt.Sprintf("%s %s", d.Path, schema.Count(len(d.Fields), "key", "keys"))
		}
		out = append(out, s)
	}
	for _, t := range r.Texts {
		out = append(out, t.Summary)
	}
	if out == nil {
		return "only Rigkeep's own records differ"
	}
	return safe.Line(strings.Join(out, "; "))
}
