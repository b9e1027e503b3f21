// Package merge brings two versions of a library's files together by meaning: key by key
// within a file, and rig by rig across files. It is pure: texts go in, texts and conflicts come
// out.
//
// A merge starts from our text and splices in what only the other side changed, so layout and
// remarks of ours stay, and remarks that only theirs has are added. A result that says no
// conflict satisfies the catalogue wherever the sides did.
//
// # Rules
//
//   - Different keys merge. The same key with the same value merges. The same key with two
//     values, a value deleted on one side and changed on the other, and a list changed on both
//     are conflicts.
//   - Elements of arrays of tables are matched by what identifies them (schema.Section.ID),
//     never by position. An element or a named table deleted on one side and changed on the
//     other is one conflict.
//   - Notes (text of any length) merge by line.
//   - The proof of a group of values is one thing: the newer one is kept. It ends, with the
//     reason written into it, if the group's values are not wholly those of its side, and that
//     of stiffness and filters also if the build came from the other side. A group that both
//     sides changed ends its own proof and no other.
//   - A rig that moved to a new fingerprint takes along what the other side did to it. A build
//     changed on both sides gets the fingerprint of the merged build. Pins without a revision
//     follow the rig.
//   - The same build added on both sides merges; with two aliases, that is a conflict on the
//     alias. Two builds with one alias are a conflict on the alias too.
//   - A tune or bench log is checked against the merged gimbal sheet; a value that no longer
//     lies on its dial is a conflict.
//   - trust/allowed_signers merges as a set of lines.
//   - A file added on both sides merges by key with nothing as the base. A file deleted on
//     one side and changed on the other is a conflict.
package merge

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"

	"rigkeep/preset/file"
	"rigkeep/schema"
)

// Side is one of the two versions that are merged.
type Side string

// The sides.
const (
	Ours   Side = "ours"
	Theirs Side = "theirs"
)

// Conflict is something that a person has to decide.
type Conflict struct {
	Path string  `json:"path"`           // the file
	Key  string  `json:"key"`            // "" when it is about the whole file
	Name string  `json:"name,omitempty"` // of the parameter
	Unit string  `json:"unit,omitempty"`
	Step float64 `json:"step,omitempty"` // the fine step, in the value's numbers
	// Base, Ours and Theirs are the values; nil where there is none. A deleted element or file
	// is nil, one that is there is the text of what it holds.
	Base   any    `json:"base"`
	Ours   any    `json:"ours"`
	Theirs any    `json:"theirs"`
	Why    string `json:"why"`
	// Value says that a third value can settle it; else only one of the sides can.
	Value bool `json:"value"`

	File string `json:"file,omitempty"` // the file by its short name: zoom-build/main, gimbal:quay-large

	// OursPath and TheirsPath are where the file lies on each side; they differ from Path where a
	// rig has moved to a new fingerprint.
	OursPath   string `json:"-"`
	TheirsPath string `json:"-"`

	alt []string // other spellings of Key: by position in our file
	at  string   // Key as the catalogue knows it
}

// Choice settles a conflict: one of the sides, or a value for its key.
type Choice struct {
	Take  Side
	Value any // used if Take is ""
}

// Chooser is asked how to settle something. clean says that there is no conflict, and that
// only a choice naming file and key should have an effect.
type Chooser func(c Conflict, clean bool) (Choice, bool)

// Accepted is a key whose value came from the other side.
type Accepted struct {
	Path   string `json:"path"`
	File   string `json:"file,omitempty"` // its short name
	Key    string `json:"key"`
	Ours   any    `json:"ours"` // before
	Merged any    `json:"merged"`
	Chosen bool   `json:"chosen,omitempty"` // a person settled it
}

// Input is one file on three sides; nil is no such file.
type Input struct {
	Cat                *schema.Catalogue
	Path, Kind         string // Kind "" is a file that is not Rigkeep's: merged by line
	Base, Ours, Theirs []byte
	Sheet              *schema.Sheet // checks a tune's or bench log's values against the dials; may be nil
	Choose             Chooser       // may be nil
	// Check also checks a file that only one side changed, as when the other side changed its sheet.
	Check bool
	// Overrule asks Choose about what merges without a conflict, too.
	Overrule bool
	// Virtual makes a common ancestor of two ancestors: what conflicts is left out, so that the
	// sides' own values decide, and nothing is checked.
	Virtual bool
}

// Output is the merged file.
type Output struct {
	Text      []byte // nil: the file is gone
	Conflicts []Conflict
	Taken     []Accepted
	// Stale lists why this merge ends the proof of a tune, whether or not there is a proof.
	Stale []string
	// Lost says what could not be brought over, in words.
	Lost []string
}

// File merges one file. The error is about input that cannot be merged at all: a newer format
// than this program knows.
func File(in Input) (Output, error) {
	if in.Kind == "" {
		return wholeText(in), nil
	}
	for _, text := range [][]byte{in.Ours, in.Theirs} {
		if err := newer(in.Path, text); err != nil {
			return Output{}, err
		}
	}
	m := &merger{in: in, shape: shapeOf(in.Cat, in.Kind), forced: map[string]string{}}
	if in.Choose != nil && in.Overrule {
		if ch, ok := in.Choose(Conflict{Path: in.Path}, true); ok && ch.Take != "" {
			text := in.Ours
			if ch.Take == Theirs {
				text = in.Theirs
			}
			return Output{Text: text}, nil
		}
	}
	if out, ok := oneSided(in); ok {
		if !in.Check || out.Text == nil || len(out.Conflicts) > 0 || in.Ours == nil || in.Theirs == nil || len(m.invalid(out)) == 0 {
			return out, nil
		}
	}
	var broken string
	read := func(side string, text []byte) *file.Doc {
		if text == nil {
			return nil
		}
		d, err := file.Parse(in.Path, text)
		if err != nil && broken == "" {
			broken = side + " file is unreadable: " + firstLine(err.Error())
		}
		return d
	}
	od, td := read("our", in.Ours), read("their", in.Theirs)
	m.b = &doc{}
	var base map[string]any
	if in.Base != nil && broken == "" {
		var err error
		// Its values are enough; its remarks are looked at only if someone changed any.
		if base, err = file.Values(in.Path, in.Base); err != nil {
			broken = "unreadable file of the common ancestor: " + firstLine(err.Error())
		}
	}
	if broken != "" {
		return whole(in, broken), nil
	}
	ties := m.shape.needTies(base, od.Tree(), td.Tree())
	if base != nil {
		m.b = m.shape.parseTree(base, ties)
	}
	m.o, m.t, m.ties = m.shape.parse(od, ties), m.shape.parse(td, ties), ties
	for try := 0; ; try++ {
		out := m.run()
		bad := m.invalid(out)
		if len(bad) == 0 {
			return out, nil
		}
		again := false
		for id, why := range bad {
			if m.forced[id] == "" {
				m.forced[id], again = why, true
			}
		}
		if !again || try > 3 {
			return m.unresolvable(out, bad), nil
		}
	}
}

// newer refuses a text of a later format.
func newer(path string, text []byte) error {
	if text == nil {
		return nil
	}
	if bytes.HasPrefix(afterRemarks(text), []byte("format = 1\n")) {
		return nil // as every file of ours begins: no need to read the rest for it
	}
	t, err := file.Values(path, text)
	if err != nil {
		return nil // said when it is read as a whole
	}
	if n, ok := schema.Number(t["format"]); ok && n > schema.Format {
		return &file.Error{Class: file.Damaged, File: path, Key: "format", What: fmt.Sprintf("this file has format %s", schema.Num(n)),
			Want: fmt.Sprintf("%d or older", schema.Format), Fix: "get a newer Rigkeep; nothing was changed"}
	}
	return nil
}

// afterRemarks is a text from its first line that is neither blank nor a remark.
func afterRemarks(text []byte) []byte {
	for len(text) > 0 && (text[0] == '#' || text[0] == '\n') {
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	return text
}

// oneSided answers where the file is the same on both sides or untouched on one, byte for byte,
// and nobody asked for anything else.
func oneSided(in Input) (Output, bool) {
	switch {
	case in.Overrule && in.Ours != nil && in.Theirs != nil && !sameText(in.Ours, in.Theirs):
		return Output{}, false
	case sameText(in.Ours, in.Theirs), sameText(in.Theirs, in.Base):
		return Output{Text: in.Ours}, true
	case sameText(in.Ours, in.Base):
		return Output{Text: in.Theirs}, true
	case in.Ours == nil || in.Theirs == nil:
		return whole(in, "deleted on one side, changed on the other"), true
	}
	return Output{}, false
}

func sameText(a, b []byte) bool { return (a == nil) == (b == nil) && string(a) == string(b) }

// whole is a conflict about a file as a whole, or its settlement.
func whole(in Input, why string) Output {
	if in.Virtual {
		return Output{}
	}
	c := Conflict{Path: in.Path, Base: textOrNil(in.Base), Ours: textOrNil(in.Ours), Theirs: textOrNil(in.Theirs), Why: why}
	if in.Choose != nil {
		if ch, ok := in.Choose(c, false); ok && ch.Take == Theirs {
			return Output{Text: in.Theirs, Taken: []Accepted{{Path: in.Path, Ours: c.Ours, Merged: c.Theirs, Chosen: true}}}
		} else if ok && ch.Take == Ours {
			return Output{Text: in.Ours}
		}
	}
	return Output{Text: in.Ours, Conflicts: []Conflict{c}}
}

func textOrNil(b []byte) any {
	if b == nil {
		return nil
	}
	return string(b)
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return s
}

// merger is the work on one file.
type merger struct {
	in      Input
	shape   *shape
	ties    map[string]bool
	b, o, t *doc
	forced  map[string]string // keys that make the result invalid, with the reason: settled by a person

	out   Output
	doc   *file.Doc       // what out.Text says
	final map[string]cell // the value decided for each key
	from  map[string]Side // and whose it is, where the sides differ
	drop  []string        // units to take out of ours
	graft []string        // units and keys to bring in from theirs
}

func (m *merger) run() Output {
	m.out, m.final, m.from, m.drop, m.graft = Output{}, map[string]cell{}, map[string]Side{}, nil, nil
	proofs := map[string]Side{}
	for _, g := range m.proofGroups() {
		proofs[g] = m.proofSide(g)
	}
	gone := m.unitsGone()
	ids := map[string]bool{}
	for _, x := range []*doc{m.b, m.o, m.t} {
		for id := range x.leaves {
			ids[id] = true
		}
	}
	for _, id := range slices.Sorted(maps.Keys(ids)) {
		if gone.covers(id) {
			continue
		}
		if side, ok := sideOfProof(proofs, id); ok {
			m.decide(id, side, false)
			continue
		}
		m.leaf(id)
	}
	m.doc = m.write()
	m.out.Text = m.doc.Text()
	if m.in.Kind == schema.KindTune {
		m.checkProofs(proofs)
	}
	return m.out
}

// sideOfProof is whose proof a key belongs to; ok is false for a key of none.
func sideOfProof(proofs map[string]Side, id string) (Side, bool) {
	for g, side := range proofs {
		if within(id, "proof."+g) {
			return side, true
		}
	}
	return "", false
}

// decide settles a key for one side.
func (m *merger) decide(id string, side Side, chosen bool) {
	o, t := m.o.cell(id), m.t.cell(id)
	m.final[id] = o
	if side == Theirs {
		m.final[id] = t
	}
	if !o.is(t) {
		m.from[id] = side
		if side == Theirs {
			m.out.Taken = append(m.out.Taken, Accepted{Path: m.in.Path, Key: id, Ours: show(o.value), Merged: show(t.value), Chosen: chosen})
		}
	}
}

// leaf merges one value.
func (m *merger) leaf(id string) {
	b, o, t := m.b.cell(id), m.o.cell(id), m.t.cell(id)
	if o.is(t) && m.forced[id] == "" {
		m.final[id] = o
		return
	}
	side, clean := Side(""), false
	switch {
	case t.is(b):
		side, clean = Ours, true
	case o.is(b):
		side, clean = Theirs, true
	}
	why := "changed on both sides"
	if !o.has || !t.has {
		why = "deleted on one side, changed on the other"
	} else if !b.has {
		why = "added on both sides"
	}
	if f := m.forced[id]; f != "" {
		clean, why = false, f
	}
	c := m.conflict(id, why)
	if m.in.Choose != nil {
		if ch, ok := m.in.Choose(c, clean); ok {
			if ch.Take != "" {
				m.decide(id, ch.Take, true)
			} else {
				m.final[id] = cell{true, ch.Value}
				m.out.Taken = append(m.out.Taken, Accepted{Path: m.in.Path, Key: id, Ours: show(o.value), Merged: show(ch.Value), Chosen: true})
			}
			return
		}
	}
	if clean {
		m.decide(id, side, false)
		return
	}
	if m.forced[id] == "" {
		if v, ok := m.together(id, b, o, t); ok {
			m.final[id] = v
			if !v.is(o) {
				m.out.Taken = append(m.out.Taken, Accepted{Path: m.in.Path, Key: id, Ours: show(o.value), Merged: show(v.value)})
			}
			return
		}
	}
	if m.in.Virtual {
		m.final[id] = cell{}
		return
	}
	m.final[id] = o
	m.out.Conflicts = append(m.out.Conflicts, c)
}

// together merges what two changes do not exclude: notes by line, and the list of a rig's
// earlier fingerprints.
func (m *merger) together(id string, b, o, t cell) (cell, bool) {
	f, ok := m.in.Cat.Field(m.in.Kind, m.at(id))
	switch {
	case !ok:
	case m.in.Kind == schema.KindRig && f.Path == "was":
		return cell{true, union(b.value, o.value, t.value)}, true
	case f.Type == schema.String && f.MaxLen == 0 && f.Pattern == "" && len(f.Enum) == 0 && o.has && t.has:
		base, _ := b.value.(string)
		text, ok := Lines(base, o.value.(string), t.value.(string))
		return cell{true, text}, ok
	}
	return cell{}, false
}

// union is a list of texts with the additions of both sides, those of the base first.
func union(b, o, t any) []any {
	var out []any
	add := func(list any) {
		var fresh []string
		for _, v := range asList(list) {
			if !slices.Contains(out, v) && !slices.Contains(fresh, fmt.Sprint(v)) {
				fresh = append(fresh, fmt.Sprint(v))
			}
		}
		for _, v := range fresh {
			out = append(out, v)
		}
	}
	add(b)
	only := append(slices.Clone(asList(o)), asList(t)...)
	slices.SortStableFunc(only, func(a, b any) int {
		// What both have keeps its order; the rest has none between the sides but the alphabet's.
		return strings.Compare(fmt.Sprint(a), fmt.Sprint(b))
	})
	if pre := commonPrefix(asList(o), asList(t)); len(pre) > 0 {
		add(pre)
	}
	add(only)
	return out
}

func asList(v any) []any {
	l, _ := v.([]any)
	return l
}

func commonPrefix(a, b []any) []any {
	n := 0
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return a[:n:n]
}

// deletedUnits are units that one side deleted: what is in them is settled as a whole.
type deletedUnits []string

func (g deletedUnits) covers(id string) bool {
	for _, u := range g {
		if within(id, u) {
			return true
		}
	}
	return false
}

// unitsGone settles the units that one side deleted.
func (m *merger) unitsGone() deletedUnits {
	var gone deletedUnits
	for _, u := range slices.Sorted(maps.Keys(m.b.units)) {
		o, t := m.o.units[u], m.t.units[u]
		if gone.covers(u) || o && t {
			continue
		}
		gone = append(gone, u)
		if !o && !t {
			continue
		}
		side, there := Theirs, m.o // theirs deleted it: take that if ours is as in the base
		if !o {
			side, there = Ours, m.t
		}
		clean := unitSame(m.b, there, u)
		c := m.conflict(u, "deleted on one side, changed on the other")
		if m.in.Choose != nil {
			if ch, ok := m.in.Choose(c, clean); ok && ch.Take != "" {
				side, clean = ch.Take, true
			}
		}
		if !clean && m.in.Virtual {
			if o {
				m.drop = append(m.drop, u)
			}
			continue
		}
		if !clean {
			m.out.Conflicts = append(m.out.Conflicts, c)
			continue
		}
		if side == Theirs {
			m.out.Taken = append(m.out.Taken, Accepted{Path: m.in.Path, Key: u, Ours: c.Ours, Merged: c.Theirs})
			if o {
				m.drop = append(m.drop, u)
			} else {
				m.graft = append(m.graft, u)
			}
		}
		for id := range m.o.leaves {
			if within(id, u) {
				m.from[id] = side
			}
		}
		for id := range m.t.leaves {
			if within(id, u) {
				m.from[id] = side
			}
		}
	}
	return gone
}

// at is the path of a key in some side's file, by which the catalogue knows it.
func (m *merger) at(id string) string {
	for _, x := range []*doc{m.o, m.t, m.b} {
		if p, ok := x.at[id]; ok {
			return p
		}
	}
	return id
}

func (m *merger) conflict(id, why string) Conflict {
	c := Conflict{Path: m.in.Path, Key: id, Why: why, Base: m.b.show(id), Ours: m.o.show(id), Theirs: m.t.show(id)}
	at := m.at(id)
	c.at = at
	if p, ok := m.o.at[id]; ok && p != id {
		c.alt = append(c.alt, p)
	}
	f, ok := m.in.Cat.Field(m.in.Kind, at)
	if !ok {
		return c
	}
	c.Unit, c.Value = f.Unit, f.Type != schema.Floats && f.Type != schema.Strings
	key := at
	if f.Of != "" {
		key = f.Of
	}
	if p, ok := m.in.Cat.Param(key); ok {
		c.Name, c.Step = p.Label(at), p.Step
		if p.Dial != "" {
			c.Step = 0
			if m.in.Sheet != nil {
				if d, ok := m.in.Sheet.Dials[p.Dial]; ok {
					c.Step, c.Unit = d.Fine, d.Unit
				}
			}
		}
	}
	return c
}

// show is a key's value for a person; a table or element is the text of what it holds.
func (x *doc) show(id string) any {
	if l, ok := x.leaves[id]; ok {
		return show(l.value)
	}
	if !x.units[id] {
		return nil
	}
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(x.leaves)) {
		if within(k, id) {
			parts = append(parts, strings.TrimPrefix(strings.TrimPrefix(k, id), ".")+" = "+literal(x.leaves[k].value))
		}
	}
	return strings.Join(parts, ", ")
}

// show gives a value the form it has in JSON: dates and times become text.
func show(v any) any {
	switch t := v.(type) {
	case nil, string, bool, int64, float64:
		return t
	case []any:
		out := make([]any, len(t))
		for i, e := range t {
			out[i] = show(e)
		}
		return out
	case map[string]any:
		out := map[string]any{}
		for k, e := range t {
			out[k] = show(e)
		}
		return out
	}
	return plain(v)
}

func literal(v any) string {
	if s, err := file.Literal(v); err == nil {
		return s
	}
	return plain(v)
}

// invalid lists the keys by which the result breaks the catalogue, with the reasons.
func (m *merger) invalid(out Output) map[string]string {
	if len(out.Conflicts) > 0 || out.Text == nil || m.in.Virtual {
		return nil
	}
	d := m.doc
	if d == nil { // taken from one side as a whole
		var err error
		if d, err = file.Parse(m.in.Path, out.Text); err != nil {
			return map[string]string{"": firstLine(err.Error())}
		}
	}
	bad := map[string]string{}
	var x *doc
	for _, p := range schema.Errors(m.in.Cat.Validate(m.in.Kind, d.Tree(), m.in.Sheet)) {
		if x == nil {
			x = m.shape.parse(d, m.ties)
		}
		id, ok := x.id[p.Key]
		if !ok {
			id = p.Key
		}
		// What holds on neither side either is not this merge's doing; check says it.
		if m.o != nil && m.o.cell(id).has && m.o.cell(id).is(m.t.cell(id)) && m.final[id].is(m.o.cell(id)) {
			continue
		}
		bad[id] = "the merged file would not hold: " + p.What
		if p.Want != "" {
			bad[id] += "; expected " + p.Want
		}
	}
	return bad
}

// unresolvable turns what no choice has mended into conflicts.
func (m *merger) unresolvable(out Output, bad map[string]string) Output {
	for _, id := range slices.Sorted(maps.Keys(bad)) {
		out.Conflicts = append(out.Conflicts, m.conflict(id, bad[id]))
	}
	return out
}

// ValueAt gives what a text has for a key as a Conflict names it: nil if it has none, or cannot
// be read. An empty key stands for the whole text.
func ValueAt(cat *schema.Catalogue, kind string, text []byte, key string) any {
	if key == "" || text == nil {
		return textOrNil(text)
	}
	d, err := file.Parse("", text)
	if err != nil {
		return nil
	}
	s := shapeOf(cat, kind)
	x := s.parse(d, s.needTies(d.Tree()))
	if seg := schema.SplitPath(key); seg[0] == "proof" && (len(seg) == 2 || len(seg) == 3 && seg[1] == "style") {
		return x.showProof(strings.TrimPrefix(key, "proof."))
	}
	return x.show(key)
}
