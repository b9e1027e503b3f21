package library

import (
	"context"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/unit"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Assign is one KEY=VALUE of a person; Unset removes the key. Key may be short: see
// schema.FindKeys.
type Assign struct {
	Key, Text string
	Unset     bool
}

// ParseAssign cuts KEY=VALUE.
func ParseAssign(s string) (Assign, error) {
	k, v, ok := strings.Cut(s, "=")
	k, v = strings.TrimSpace(k), strings.TrimSpace(v)
	if !ok || k == "" || v == "" {
		return Assign{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q is not KEY=VALUE", s), Hint: "Write for example pan=41, pan=+2 or pan=-=2"}
	}
	return Assign{Key: k, Text: v}, nil
}

// KeysMeant gives the keys that a person can mean by name, on a tune: one is an answer. d may be
// nil, or without a tune.
func KeysMeant(c *schema.Catalogue, name string, d *Loaded) []string {
	var styles []string
	var sheet *schema.Sheet
	if d != nil {
		sheet = d.Sheet
		if d.Tune != nil {
			styles = d.Tune.Styles()
		}
	}
	keys := c.FindKeys(name, styles, sheet)
	if style, rest, ok := strings.Cut(name, "."); len(keys) == 0 && ok && strings.Contains(strings.TrimSpace(style), " ") {
		keys = c.FindKeys(schema.Slug(style)+"."+rest, styles, sheet) // a style is said with a blank, as a kind of shot is
	}
	return keys
}

// Key gives the key that a person means on a tune; d may be nil, or without a tune.
//
// Errors: store.ErrBadPath for an unknown key, and for one that means several.
func (l Editor) Key(name string, d *Loaded) (string, error) {
	keys := KeysMeant(l.Cat, name, d)
	switch len(keys) {
	case 1:
		return keys[0], nil
	case 0:
		known := l.Cat.KnownKeys(schema.KindTune)
		if d != nil && d.Sheet != nil {
			for _, key := range slices.Sorted(maps.Keys(d.Sheet.Dials)) {
				if shown := d.Sheet.Dials[key].ShownAs; shown != "" {
					known = append(known, shown)
				}
			}
		}
		return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("unknown key %q", name), Hint: nearest(name, known, "See: rigkeep explain")}
	default:
		return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q means %d keys: %s", name, len(keys), strings.Join(keys, ", ")), Hint: "Name one of them"}
	}
}

// relative is how a person writes a change by steps: up, down, in coarse steps or fine ones.
var relative = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^(\+|-=)\s*([0-9][0-9.,]*)\s*(c?)$`) })

// stepped reads "+2", "-=2" and "+1c" against the value that a key has: so many steps of its
// dial, by the dial's number. Without a dial the number itself is added, which note says. ok is
// false for what is no such change.
func (l Editor) stepped(d *Loaded, a Assign) (to float64, note string, ok bool, err error) {
	m := relative().FindStringSubmatch(a.Text)
	if p, known := l.Cat.Param(a.Key); m == nil || !known || p.Type != schema.Float {
		return 0, "", false, nil // a note may well begin with a plus
	}
	bad := func(msg, way string) (float64, string, bool, error) {
		return 0, "", true, &store.Error{Kind: store.ErrBadPath, Msg: a.Key + ": " + msg, Hint: way}
	}
	n, err := unit.Number(m[2])
	if err != nil {
		return bad(err.Error(), "")
	}
	now, has := 0.0, false
	if d.Tune != nil {
		now, has = d.Tune.Num(a.Key)
	}
	if !has {
		return bad(fmt.Sprintf("no value yet for %q to change", a.Text), "Give the value itself, such as "+a.Key+"="+strings.TrimRight(m[2], ","))
	}
	dial, onDial := d.Sheet.DialOf(l.Cat, a.Key)
	step := 1.0
	switch {
	case onDial && m[3] == "c":
		step = dial.Coarse
	case onDial:
		step = dial.Fine
	case m[3] == "c":
		return bad("coarse steps need a dial, and "+d.Sheet.Slug+" has none for this key", "Give the value itself, or a change without the c")
	}
	if onDial && n != math.Trunc(n) {
		return bad(fmt.Sprintf("%q is not a whole number of steps", a.Text), "")
	}
	if !onDial {
		step, n = n, 1
	}
	if m[1] == "-=" {
		step = -step
	}
	to = schema.AddSteps(now, step, n)
	if !onDial {
		note = fmt.Sprintf("%s has no dial on %s: %s was added to the value itself", a.Key, d.Sheet.Slug, schema.Num(step*n))
	}
	return to, note, true, nil
}

// value reads the text as the field's type.
func (l Editor) value(kind string, a Assign) (any, error) {
	f, _ := l.Cat.Field(kind, a.Key)
	bad := func(want string) error {
		return &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%s: %q is not valid; write %s", a.Key, a.Text, want)}
	}
	switch f.Type {
	case schema.Float, schema.Int:
		t := strings.TrimSpace(strings.TrimSuffix(a.Text, f.Unit))
		if f.Unit == "°" {
			t = strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(t, "deg"), "°"))
		}
		if n, err := strconv.ParseInt(t, 10, 64); err == nil {
			return n, nil
		}
		n, err := unit.Number(t)
		if err != nil && strings.Contains(t, ",") {
			return nil, &store.Error{Kind: store.ErrBadPath, Msg: a.Key + ": " + err.Error()}
		}
		if err != nil || f.Type == schema.Int {
			return nil, bad(f.Type.String())
		}
		return n, nil
	case schema.Bool:
		b, err := strconv.ParseBool(a.Text)
		if err != nil {
			return nil, bad(f.Type.String())
		}
		return b, nil
	case schema.String:
		return a.Text, nil
	}
	return nil, &store.Error{Kind: store.ErrBadPath, Msg: a.Key + " cannot be set from the command line", Hint: "Open the file with: rigkeep edit"}
}

// Edited is one file changed in place, before and after; it is not written yet.
type Edited struct {
	Path          string
	Before, After *file.Doc // Before is nil for a new file, and for one that is broken
	BeforeText    []byte    // what lies there, where Before does not say
}

func (e Edited) base() []byte {
	if e.Before != nil {
		return e.Before.Text()
	}
	return e.BeforeText
}

// Same reports whether nothing changed.
func (e Edited) Same() bool {
	return e.Before != nil && string(e.Before.Text()) == string(e.After.Text())
}

// Assign changes values of a loaded tune in place and checks them, or makes the tune
// where the rig has none. The tune must have been loaded from the work tree. notes say
// what a person should know of how a value was read.
func (l Editor) Assign(d *Loaded, as []Assign) (e Edited, notes []string, err error) {
	var edits []file.Edit
	given := map[string]string{}
	for _, a := range as {
		name := a.Key
		if a.Key, err = l.Key(name, d); err != nil {
			return e, nil, err
		}
		if err := l.settable(a.Key); err != nil {
			return e, nil, err
		}
		if before, twice := given[a.Key]; twice {
			msg := a.Key + " is given twice"
			if before != name {
				msg += ", as " + before + " and as " + name
			}
			return e, nil, &store.Error{Kind: store.ErrBadPath, Msg: msg, Hint: "Give each key once"}
		}
		given[a.Key] = name
		if a.Unset {
			has := false
			if d.Doc != nil {
				_, has = d.Doc.Get(a.Key)
			}
			if !has {
				return e, nil, &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("%s has no key %s to remove", d.Label(), a.Key)}
			}
			edits = append(edits, file.Edit{Key: a.Key, Delete: true})
			continue
		}
		var v any
		to, note, isStep, err := l.stepped(d, a)
		if err == nil && isStep {
			v = to
			if note != "" {
				notes = append(notes, note)
			}
		} else if err == nil {
			v, err = l.value(schema.KindTune, a)
		}
		if err != nil {
			return e, nil, err
		}
		if ps := schema.Errors(l.Cat.CheckValue(a.Key, v, d.Sheet)); len(ps) > 0 {
			return e, nil, &store.Error{Kind: store.ErrBadPath, Msg: ps[0].Error()}
		}
		edits = append(edits, file.Edit{Key: a.Key, Value: v})
	}
	if d.Doc == nil {
		e, err = l.newTune(d, edits)
	} else {
		e, err = l.edit(d.TunePath(), d.Doc, d.Sheet, edits...)
	}
	return e, notes, err
}

// newTune makes a tune of values and, where one is among them, a note.
func (l Editor) newTune(d *Loaded, edits []file.Edit) (Edited, error) {
	values := map[string]any{}
	var note []file.Edit
	for _, x := range edits {
		if _, ok := l.Cat.Param(x.Key); ok {
			values[x.Key] = x.Value
		} else {
			note = append(note, x)
		}
	}
	e, err := l.PutTune(d, values)
	if err != nil || len(note) == 0 {
		return e, err
	}
	with, err := l.edit(e.Path, e.After, d.Sheet, note...)
	e.After = with.After
	return e, err
}

// settable refuses the keys of a tune that are a record of what happened, or that
// hold the file together: a proof comes from prove, not from an assignment.
func (l Editor) settable(key string) error {
	if _, ok := l.Cat.Param(key); ok || key == "note" || key == "unit" {
		return nil
	}
	if _, ok := l.Cat.Field(schema.KindTune, key); !ok {
		return nil // value says what is wrong with it
	}
	way := "Rigkeep keeps this key itself"
	if strings.HasPrefix(key, "proof.") {
		way = "A proof is recorded with: rigkeep prove RIG"
	}
	return &store.Error{Kind: store.ErrBadPath, Msg: key + " is not set by hand", Hint: way}
}

// edit applies edits and checks the result.
func (l Editor) edit(path string, doc *file.Doc, sheet *schema.Sheet, edits ...file.Edit) (Edited, error) {
	after, err := doc.WithOrder(l.rank(path)).Apply(edits...)
	if err != nil {
		return Edited{}, err
	}
	if _, err := l.Parse(path, after.Text(), sheet); err != nil {
		return Edited{}, file.Asked(err) // doc was good, so it is the edits
	}
	return Edited{Path: path, Before: doc, After: after}, nil
}

// Edit changes keys of any file of the library in place, checks the result and
// does not write it.
func (l Editor) Edit(path string, edits ...file.Edit) (Edited, error) {
	doc, err := l.Doc("", path)
	if err != nil {
		return Edited{}, err
	}
	return l.edit(path, doc, nil, edits...)
}

// rank orders keys as the catalogue lists them, so that a new key lands where a
// person would look for it.
func (l Editor) rank(path string) func(string) int {
	place, _ := preset.Locate(path)
	k, _ := l.Cat.Kind(place.Kind)
	pos := map[string]int{}
	for i, f := range k.Fields {
		pos[f.Path] = i
	}
	return func(key string) int {
		if f, ok := l.Cat.Field(place.Kind, key); ok {
			return pos[f.Path]
		}
		return len(pos)
	}
}

// Write puts an edited file into the work tree, if it is still as it was read.
func (l Editor) Write(ctx context.Context, e Edited) error {
	defer l.Names().forget()
	return l.Store.Work().WriteFile(ctx, e.Path, e.After.Text(), e.base())
}

// AddRig checks a build sheet and works out where it belongs. It does not write.
// The same build twice is an error that names the first, and so is another
// build that happens to share the ten characters.
func (l Editor) AddRig(name string, text []byte) (r preset.Rig, err error) {
	if r, _, err = preset.ReadRig(l.Cat, name, text); err != nil {
		return r, err
	}
	r.ID = r.Fingerprint()
	if _, err := l.Sheet("", r.Gimbal); err != nil {
		return r, err
	}
	if err := r.Check(); err != nil {
		return r, err
	}
	if err := l.vacant(r); err != nil {
		return r, err
	}
	return r, l.checkAliasFree(r.Alias, r.ID)
}

// OwnHistory takes the earlier fingerprints out of a new build sheet that belong to a rig of the
// library: a copied sheet carries them along, and would show that rig's history as its own. It gives
// the text and the fingerprints that were taken out.
func (l Editor) OwnHistory(name string, text []byte) ([]byte, []string, error) {
	doc, err := file.Parse(name, text)
	if err != nil {
		return nil, nil, err
	}
	was := schema.Flatten(doc.Tree()).Strs("was")
	if len(was) == 0 {
		return text, nil, nil
	}
	rigs, err := l.Names().Rigs()
	if err != nil {
		return nil, nil, err
	}
	owned := map[string]bool{}
	for _, r := range rigs {
		owned[r.Fingerprint] = true
		for _, w := range r.Was {
			owned[w] = true
		}
	}
	var keep []any
	var dropped []string
	for _, w := range was {
		if owned[w] {
			dropped = append(dropped, w)
		} else {
			keep = append(keep, w)
		}
	}
	if dropped == nil {
		return text, nil, nil
	}
	edit := file.Edit{Key: "was", Value: keep, Delete: keep == nil}
	if doc, err = doc.Apply(edit); err != nil {
		return nil, nil, err
	}
	return doc.Text(), dropped, nil
}

// vacant reports whether the folder of a fingerprint is free for this build.
func (l Editor) vacant(r preset.Rig) error {
	there, err := l.Rig("", r.ID)
	if isNotFound(err) {
		return nil
	}
	if err != nil {
		return err
	}
	if there.Canonical() == r.Canonical() {
		return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("this build is in the library already, as %s (%s)", there.Alias, there.ID), Hint: "Use that one, or change what differs: a part, its mass by 5 g or more, its place by 1 mm or more"}
	}
	return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("two different builds have the fingerprint %s: this one and %s", r.ID, there.Alias), Hint: "Nothing was merged or replaced; tell the two apart by adding to the name of one part"}
}

// nameWay says what a short name is made of, and how the one that was given could be.
func nameWay(name string) string {
	way := "Use a short name of lower-case letters, digits, dot, dash and underscore"
	if s := schema.Slug(name); preset.IsName(s) {
		way += ", such as " + s
	}
	return way
}

// checkAliasFree reports whether an alias is free, or belongs to this rig.
func (l Editor) checkAliasFree(alias, fp string) error {
	if !preset.IsName(alias) {
		return &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q cannot be an alias", alias), Hint: nameWay(alias)}
	}
	s, err := l.Lists().summary()
	if err != nil {
		return err
	}
	for _, r := range s.rigs {
		if r.fp == alias && r.fp != fp {
			return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("%s is the fingerprint of the rig %s", alias, r.alias), Hint: "Choose another alias"}
		}
		if r.alias != alias || r.fp == fp {
			continue
		}
		if now, ok := l.Names().workRef(r.fp); ok && now.Alias == alias {
			return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("the alias %s belongs to the rig %s", alias, r.fp), Hint: "Choose another alias"}
		}
	}
	return nil
}

// PutTune sets values of a loaded tune in place, or makes the tune where the
// rig has none. It does not write.
func (l Editor) PutTune(d *Loaded, values map[string]any) (Edited, error) {
	if d.Tune == nil {
		text, err := TuneText(l.Cat, d.Rig.ID, d.Ref.Tune, values)
		if err != nil {
			return Edited{}, err
		}
		doc, err := l.Parse(d.TunePath(), text, d.Sheet)
		return Edited{Path: d.TunePath(), After: doc}, file.Asked(err)
	}
	var edits []file.Edit
	for _, key := range (preset.Tune{Values: values}).Keys() {
		edits = append(edits, file.Edit{Key: key, Value: values[key]})
	}
	return l.edit(d.TunePath(), d.Doc, d.Sheet, edits...)
}
