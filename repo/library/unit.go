package library

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"sort"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// UnitRef is a unit with the gimbal it is one of.
type UnitRef struct {
	Gimbal string
	schema.Unit
}

// Path is the unit's record.
func (u UnitRef) Path() string { return preset.UnitPath(u.Gimbal, u.Serial) }

// unitTexts gives the records of a gimbal's units by path, and the paths in order.
func (l Units) unitTexts(rev store.Rev, gimbal string) (paths []string, read func(path string) ([]byte, error), err error) {
	dir := "units/" + gimbal + "/"
	if rev == "" {
		paths, err = l.Store.Work().List(dir)
		read = l.Store.Work().Read
	} else {
		var es []store.Entry
		if es, err = l.Store.Revisions().ListAt(rev, dir); isNotFound(err) {
			err = nil
		}
		blob := map[string]store.BlobID{}
		for _, e := range es {
			paths, blob[e.Path] = append(paths, e.Path), e.Blob
		}
		read = func(path string) ([]byte, error) { return l.Store.Revisions().ReadBlob(blob[path]) }
	}
	paths = slices.DeleteFunc(paths, func(p string) bool {
		place, ok := preset.Locate(p)
		return !ok || place.Kind != schema.KindUnit
	})
	return paths, read, err
}

// unitsAt decodes the records of a gimbal's units at a revision, by serial. One that
// cannot be read is left out: check says what is wrong with it, and who asks for that
// unit is told.
func (l Units) unitsAt(rev store.Rev, gimbal string) ([]schema.Unit, error) {
	paths, read, err := l.unitTexts(rev, gimbal)
	if err != nil {
		return nil, err
	}
	var out []schema.Unit
	for _, p := range paths {
		data, err := read(p)
		if err != nil {
			continue
		}
		if u, err := preset.QuickUnit(l.Cat, p, data); err == nil {
			out = append(out, u)
		}
	}
	return out, nil
}

// All lists every unit of the work tree, by gimbal and serial, and the errors of
// the records that cannot be read.
func (l Units) All() (out []UnitRef, broken []error, err error) {
	paths, err := l.Store.Work().List("units/")
	if err != nil {
		return nil, nil, err
	}
	for _, p := range paths {
		place, ok := preset.Locate(p)
		if !ok || place.Kind != schema.KindUnit {
			continue
		}
		doc, err := l.Doc("", p)
		if err != nil {
			broken = append(broken, err)
			continue
		}
		out = append(out, UnitRef{place.Gimbal, preset.UnitIn(l.Cat, doc)})
	}
	return out, broken, nil
}

// Find resolves a unit by serial or label without case, or by GIMBAL/SERIAL where
// two models have a unit of one name. "unit:" before the name is taken off.
func (l Units) Find(name string) (UnitRef, error) {
	name = strings.TrimPrefix(name, "unit:")
	all, broken, err := l.All()
	if err != nil {
		return UnitRef{}, err
	}
	gimbal, serial, full := strings.Cut(name, "/")
	var hits []UnitRef
	var have []string
	for _, u := range all {
		have = append(have, u.Serial)
		if full && schema.CanonicalName(gimbal) == u.Gimbal && u.Is(serial) || !full && u.Is(name) {
			hits = append(hits, u)
		}
	}
	switch len(hits) {
	case 1:
		return hits[0], nil
	case 0:
		for _, err := range broken {
			if es := file.List(err); len(es) > 0 && strings.Contains(schema.CanonicalName(es[0].File), "/"+schema.CanonicalName(serialOr(serial, name))+"/") {
				return UnitRef{}, err
			}
		}
		way := nearest(name, have, "List them with: rigkeep unit list")
		return UnitRef{}, &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("unknown unit %q", name), Hint: way}
	}
	var names []string
	for _, u := range hits {
		names = append(names, u.Gimbal+"/"+u.Serial)
	}
	return UnitRef{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q is %d units: %s", name, len(hits), strings.Join(names, ", ")), Hint: "Write GIMBAL/SERIAL"}
}

func serialOr(serial, name string) string {
	if serial != "" {
		return serial
	}
	return name
}

// UnitOf finds a unit of a gimbal by serial or label; the error lists what there is.
func (l Units) UnitOf(sheet *schema.Sheet, name string) (schema.Unit, error) {
	if u, ok := sheet.Unit(name); ok {
		return u, nil
	}
	// its record may be one that cannot be read
	if preset.IsSerial(name) {
		if _, err := l.Doc("", preset.UnitPath(sheet.Slug, name)); err != nil && !isNotFound(err) {
			return schema.Unit{}, err
		}
	}
	var have []string
	for _, u := range sheet.Units {
		have = append(have, u.Names()...)
	}
	way := "Add it with: rigkeep unit new " + sheet.Slug + " " + name
	if len(have) > 0 {
		way = "It has: " + strings.Join(have, ", ")
	}
	way = nearest(name, have, way)
	return schema.Unit{}, &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("gimbal %s has no unit %q", sheet.Slug, name), Hint: way}
}

// freeUnit reports whether a unit's names are free among the units of its gimbal, but
// for the one whose serial is old.
func (l Units) freeUnit(u UnitRef, old string) error {
	if !preset.IsSerial(u.Serial) {
		way := "Use letters, digits, dot, dash and underscore, and put what is written on its case in --label"
		return &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q cannot be the serial of a unit", u.Serial), Hint: way}
	}
	there, err := l.unitsAt("", u.Gimbal)
	if err != nil {
		return err
	}
	for _, x := range there {
		if x.Serial == old {
			continue
		}
		for _, n := range []string{u.Serial, u.Label} {
			if x.Is(n) {
				return &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("%q is the unit %s of %s already", n, x.Serial, u.Gimbal), Hint: "See it with: rigkeep unit show " + x.Serial}
			}
		}
	}
	return nil
}

// New works out the record of a new unit. It does not write.
func (l Units) New(u UnitRef) (NewFile, error) {
	if _, err := l.Sheet("", u.Gimbal); err != nil {
		return NewFile{}, err
	}
	if err := l.freeUnit(u, ""); err != nil {
		return NewFile{}, err
	}
	doc, err := UnitDoc(l.Cat, u)
	if err != nil {
		return NewFile{}, err
	}
	return NewFile{Path: u.Path(), Text: doc.Text(), What: "unit " + u.Serial}, nil
}

// UnitDoc writes a record anew, with all that a unit has.
func UnitDoc(cat *schema.Catalogue, u UnitRef) (*file.Doc, error) {
	w := begin(u.Path(), schema.KindUnit)
	for _, f := range [][2]string{{"label", u.Label}, {"firmware", u.Firmware}} {
		if f[1] != "" {
			w.Key(f[0], f[1])
		}
	}
	if len(u.Was) > 0 {
		w.Key("was", anyList(u.Was))
	}
	if u.Memories > 0 {
		w.Key("memories", u.Memories)
	}
	for _, f := range [][2]string{{"note", u.Note}, {"trouble", u.Trouble}} {
		if f[1] != "" {
			w.Key(f[0], f[1])
		}
	}
	if u.Address != "" {
		w.Table("link")
		w.Key("address", u.Address)
	}
	doc, err := w.Doc()
	for _, h := range u.Held {
		if err != nil {
			return nil, err
		}
		doc, err = AppendHeld(cat, doc, h)
	}
	return doc, err
}

// AppendHeld adds an entry to a record, without a look at what the record says already.
func AppendHeld(cat *schema.Catalogue, doc *file.Doc, h schema.Held) (*file.Doc, error) {
	t := file.Table{{Key: "at", Value: h.At.UTC().Truncate(time.Second)}}
	for _, f := range [][2]string{{"by", h.By}, {"rig", h.Rig}, {"tune", h.Tune}} {
		if f[1] != "" {
			t = append(t, file.Field{Key: f[0], Value: f[1]})
		}
	}
	if h.Memory > 0 {
		t = append(t, file.Field{Key: "memory", Value: h.Memory})
	}
	for _, f := range [][2]string{{"revision", h.Revision}, {"digest", h.Digest}} {
		if f[1] != "" {
			t = append(t, file.Field{Key: f[0], Value: f[1]})
		}
	}
	if len(h.Values) > 0 {
		t = append(t, file.Field{Key: "values", Value: valueTable(cat, h.Values)})
	}
	return doc.Append("held", t)
}

func anyList(list []string) []any {
	out := make([]any, len(list))
	for i, s := range list {
		out[i] = s
	}
	return out
}

// Add checks a record that a person wrote, for a unit of a gimbal.
func (l Units) Add(name, gimbal, serial string, text []byte) (NewFile, error) {
	unit, err := preset.ReadUnit(l.Cat, name, text)
	if err != nil {
		return NewFile{}, err
	}
	unit.Serial = serial
	if _, err := l.Sheet("", gimbal); err != nil {
		return NewFile{}, err
	}
	u := UnitRef{gimbal, unit}
	return NewFile{Path: u.Path(), Text: text, What: "unit " + serial}, l.freeUnit(u, "")
}

// PlanRename plans to give a unit another serial. Its record keeps the old one, by
// which proofs, sessions and pins still find it.
func (l Units) PlanRename(u UnitRef, serial string) (*Plan, error) {
	p, err := l.Plans().emptyPlan()
	if err != nil {
		return nil, err
	}
	if err := l.freeUnit(UnitRef{u.Gimbal, schema.Unit{Serial: serial}}, u.Serial); err != nil {
		return nil, err
	}
	doc, err := l.Doc("", u.Path())
	if err != nil {
		return nil, err
	}
	was := []any{}
	for _, w := range append(slices.Clone(u.Was), u.Serial) {
		if w != serial {
			was = append(was, w)
		}
	}
	e, err := l.Edits().edit(u.Path(), doc, nil, file.Edit{Key: "was", Value: was})
	if err != nil {
		return nil, err
	}
	to := preset.UnitPath(u.Gimbal, serial)
	if err := l.Plans().planText(p, to, e.After.Text()); err != nil {
		return nil, err
	}
	// what was written to it goes along: a writing that did not end is still to be put back
	logs, err := l.Writes(u)
	if err != nil {
		return nil, err
	}
	for _, log := range logs {
		data, err := l.Store.Work().Read(log)
		if err != nil {
			return nil, err
		}
		if err := l.Plans().planGone(p, log); err != nil {
			return nil, err
		}
		l.Plans().planRaw(p, preset.UnitDir(u.Gimbal, serial)+"/writes/"+path.Base(log), data, false)
	}
	return p, l.Plans().planGone(p, u.Path())
}

// PlanRemoval plans to take a unit's record out of the library.
func (l Units) PlanRemoval(u UnitRef) (*Plan, error) {
	p, err := l.Plans().emptyPlan()
	if err != nil {
		return nil, err
	}
	logs, err := l.Writes(u)
	if err != nil {
		return nil, err
	}
	for _, path := range append(logs, u.Path()) {
		if err := l.Plans().planGone(p, path); err != nil {
			return nil, err
		}
	}
	return p, l.Plans().checkGone(p)
}

// PlanGimbalRemoval plans to take a gimbal sheet that no unit and no rig is of out of the
// library.
func (l Units) PlanGimbalRemoval(slug string) (*Plan, error) {
	p, err := l.Plans().emptyPlan()
	if err != nil {
		return nil, err
	}
	if err := l.Plans().planGone(p, preset.GimbalPath(slug)); err != nil {
		return nil, err
	}
	return p, l.Plans().checkGone(p)
}

// planGone adds the removal of a file that has no unsaved edits.
func (l Planner) planGone(p *Plan, path string) error {
	now, err := l.Store.Work().Read(path)
	if err != nil {
		return err
	}
	before, err := l.Store.Revisions().ReadAt(p.Base, path)
	if err != nil || string(before) != string(now) {
		return &store.Error{Kind: store.ErrChanged, Msg: path + " has unsaved edits", Hint: "Save them first with: rigkeep save " + path + " -m WHY", Paths: []string{path}}
	}
	place, _ := preset.Locate(path)
	p.seen[path] = store.BlobIDOf(now)
	p.Items = append(p.Items, Item{Path: path, OldPath: path, Place: place, Before: before})
	return nil
}

// pinsOf lists the open jobs that a unit goes out with.
func (l Units) pinsOf(u UnitRef) []string {
	jobs, err := l.Jobs().Slugs()
	if err != nil {
		return nil
	}
	var out []string
	for _, slug := range jobs {
		j, err := l.Jobs().Read("", slug)
		if err != nil || j.State != "open" {
			continue
		}
		for _, pin := range j.Pins {
			r, err := l.Names().Find(pin.Rig)
			if u.Is(pin.Unit) && (err != nil || r.Gimbal == u.Gimbal) && !slices.Contains(out, slug) {
				out = append(out, slug)
			}
		}
	}
	return out
}

// AddHeld works out the record of a unit with one more entry of what it holds. firmware
// is what it shows now, "" where nobody looked. It does not write.
func (l Units) AddHeld(u UnitRef, h schema.Held, firmware string) (Edited, error) {
	doc, err := l.Doc("", u.Path())
	if err != nil {
		return Edited{}, err
	}
	after, err := l.addHeld(doc, u, h, firmware)
	return Edited{Path: u.Path(), Before: doc, After: after}, err
}

// PlanHeld adds the same to a plan.
func (l Units) PlanHeld(p *Plan, u UnitRef, h schema.Held, firmware string) error {
	doc, err := l.Plans().planned(p, u.Path())
	if err != nil {
		return err
	}
	after, err := l.addHeld(doc, u, h, firmware)
	if err != nil {
		return err
	}
	return l.Plans().planText(p, u.Path(), after.Text())
}

func (l Units) addHeld(doc *file.Doc, u UnitRef, h schema.Held, firmware string) (*file.Doc, error) {
	if h.Memory > 0 && h.Memory > u.Memories {
		what := fmt.Sprintf("unit %s has %s", u.Serial, schema.Count(u.Memories, "memory", "memories"))
		if u.Memories == 0 {
			what = "no numbered memories are on record for unit " + u.Serial
		}
		return nil, &store.Error{Kind: store.ErrBadPath, Msg: what + fmt.Sprintf("; %d was given", h.Memory), Hint: fmt.Sprintf("If it has them: rigkeep set unit:%s memories=%d", u.Serial, h.Memory)}
	}
	doc = doc.WithOrder(l.Edits().rank(u.Path()))
	var err error
	if firmware != "" && firmware != u.Firmware {
		if doc, err = doc.Apply(file.Edit{Key: "firmware", Value: firmware}); err != nil {
			return nil, err
		}
	}
	if doc, err = AppendHeld(l.Cat, doc, h); err != nil {
		return nil, err
	}
	_, err = l.Parse(u.Path(), doc.Text(), nil)
	return doc, err
}

// valueTable is values as tables within tables, in the catalogue's order.
func valueTable(cat *schema.Catalogue, values map[string]any) file.Table {
	keys := make([]string, 0, len(values))
	order := map[string]int{}
	for i, k := range cat.Expand(preset.Tune{Values: values}.Styles()) {
		order[k] = i
	}
	for k := range values {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool { return order[keys[i]] < order[keys[j]] })
	var out file.Table
	for _, k := range keys {
		v := values[k]
		if n, ok := schema.Number(v); ok {
			v = tomlNumber(n)
		}
		out = nest(out, schema.SplitPath(k), v)
	}
	return out
}

func nest(t file.Table, path []string, v any) file.Table {
	if len(path) == 1 {
		return append(t, file.Field{Key: path[0], Value: v})
	}
	for i := range t {
		if t[i].Key == path[0] {
			sub, _ := t[i].Value.(file.Table)
			t[i].Value = nest(sub, path[1:], v)
			return t
		}
	}
	return append(t, file.Field{Key: path[0], Value: nest(nil, path[1:], v)})
}

// Assign changes keys of a unit's record in place and checks them. What the unit
// held is a record of what happened, and is not set by hand. It does not write.
func (l Units) Assign(u UnitRef, as []Assign) (Edited, error) {
	doc, err := l.Doc("", u.Path())
	if err != nil {
		return Edited{}, err
	}
	var edits []file.Edit
	for _, a := range as {
		switch {
		case strings.HasPrefix(a.Key, "held"), a.Key == "was", a.Key == "format", a.Key == "kind":
			return Edited{}, &store.Error{Kind: store.ErrBadPath, Msg: a.Key + " is not set by hand", Hint: "What a unit holds is recorded with: rigkeep load RIG --unit " + u.Serial}
		case a.Unset:
			edits = append(edits, file.Edit{Key: a.Key, Delete: true})
			continue
		}
		v, err := l.Edits().value(schema.KindUnit, a)
		if err != nil {
			return Edited{}, err
		}
		if a.Key == "label" {
			if err := l.freeUnit(UnitRef{u.Gimbal, schema.Unit{Serial: u.Serial, Label: a.Text}}, u.Serial); err != nil {
				return Edited{}, err
			}
		}
		edits = append(edits, file.Edit{Key: a.Key, Value: v})
	}
	return l.Edits().edit(u.Path(), doc, nil, edits...)
}

// RevisionOf is the newest revision that holds the tune as it was loaded, "" where none
// does.
func (l Units) RevisionOf(d *Loaded) store.Rev {
	text, ok := d.Texts[d.TunePath()]
	rr, err := l.Names().Find(d.Rig.ID)
	if !ok || err != nil {
		return ""
	}
	hist, err := l.Past().History(rr, d.Ref.Tune, 0)
	if err != nil {
		return ""
	}
	id := store.BlobIDOf(text)
	for _, h := range hist {
		if h.Blob == id {
			return h.ID
		}
	}
	return ""
}

// HeldOf is the entry that says a unit holds a tune as it was loaded.
func (l Units) HeldOf(d *Loaded, memory int, by string, at time.Time) schema.Held {
	return schema.Held{At: at, By: by, Rig: d.Rig.ID, Tune: d.Ref.Tune, Memory: memory, Revision: string(l.RevisionOf(d)), Digest: d.Tune.Digest(), Values: d.Tune.Values}
}

// HeldPartly is what a unit holds when some of a tune's values were keyed in over what it
// held before: the tune, where all of them are there now.
func (l Units) HeldPartly(d *Loaded, was schema.Held, keyed map[string]bool, memory int, by string, at time.Time) schema.Held {
	h := l.HeldOf(d, memory, by, at)
	values := maps.Clone(was.Values)
	if values == nil {
		values = map[string]any{}
	}
	for key, v := range d.Tune.Values {
		if keyed[key] {
			values[key] = v
		}
	}
	if len(preset.LackingValues(d.Tune.Values, values)) == 0 {
		return h
	}
	return schema.Held{At: at, By: by, Memory: memory, Digest: preset.Tune{Values: values}.Digest(), Values: values}
}

// LoadSubject says in a line what was put on a unit, for the revision that records it. where
// is the unit and, where it has several, its memory.
func LoadSubject(d *Loaded, where string, h schema.Held) string {
	if h.Rig == "" {
		return "Values of " + d.Label() + " on " + where + ", in part"
	}
	return "Load " + d.Label() + " on " + where
}

// MemoryOf is the memory of a unit in which a rig's tune is: the one that was named,
// 0 where the controller has none, else the one whose newest entry is of this tune. ok
// is false where that does not tell.
func MemoryOf(u schema.Unit, r preset.Rig, tune string, named int) (memory int, ok bool) {
	if named > 0 || u.Memories == 0 {
		return named, true
	}
	for _, h := range u.Memory() {
		if h.Tune == tune && (h.Rig == r.ID || slices.Contains(r.Was, h.Rig)) {
			if memory > 0 {
				return 0, false
			}
			memory = h.Memory
		}
	}
	return memory, memory > 0
}

// PlanHolds adds to a plan that a unit holds values of a tune from now on, if its record
// says otherwise, and the firmware that it shows. memory is 0 where name not recorded one. said
// is false where the unit has numbered memories and it is not known which one is meant.
func (l Units) PlanHolds(p *Plan, u UnitRef, r preset.Rig, h schema.Held, firmware string) (said bool, err error) {
	h.Memory, said = MemoryOf(u.Unit, r, h.Tune, h.Memory)
	now, known := u.Holds(h.Memory)
	if !said || known && now.Digest == h.Digest && now.Rig == h.Rig && now.Tune == h.Tune {
		if firmware == "" || firmware == u.Firmware {
			return said, nil
		}
		return said, l.Plans().planEdit(p, u.Path(), file.Edit{Key: "firmware", Value: firmware})
	}
	return said, l.PlanHeld(p, u, h, firmware)
}
