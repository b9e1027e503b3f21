package library

import (
	"cmp"
	"context"
	"encoding/json"
	"math"
	"slices"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/review"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Balancing is a balance record with its file. The file is never behind: an answer is
// written before the next question.
type Balancing struct {
	Path   string
	Record preset.BalanceRecord

	doc *file.Doc // as on disk, nil before the first answer
}

// Saved reports whether the record is on disk.
func (b *Balancing) Saved() bool { return b.doc != nil }

// Subject says in a line what the record is, for the revision that saves it.
func (b *Balancing) Subject(d *Loaded) string {
	if b.Record.Unit == "" {
		return "Balance of " + d.Rig.Alias
	}
	return "Balance of " + d.Rig.Alias + " on " + b.Record.Unit
}

// Paths lists the paths of a rig's balance records, oldest first.
func (l Balances) Paths(fp string) ([]string, error) {
	return l.Evidence().records(fp, "balance", schema.KindBalance)
}

// Own are the balance records in a rig's folder, as they lie in the work tree,
// oldest first. One that cannot be read is left out: check says what is wrong with it.
func (l Balances) Own(fp string) ([]preset.BalanceRecord, error) {
	paths, err := l.Paths(fp)
	if err != nil {
		return nil, err
	}
	var out []preset.BalanceRecord
	for _, p := range paths {
		if doc, err := l.Doc("", p); err == nil {
			b := preset.BalanceIn(doc)
			b.Path = p
			out = append(out, b)
		}
	}
	return out, nil
}

// Records are the balance records on a gimbal: the saved ones of all rigs and, of the
// rig with the fingerprint fp, those in the work tree. What is read of each is kept in
// the library's cache.
func (l Balances) Records(gimbal, fp string) ([]preset.BalanceRecord, error) {
	s, err := l.Lists().summary()
	if err != nil {
		return nil, err
	}
	list, err := l.Store.Work().Summaries(store.SummaryOptions{Name: "balance", Version: "1", SavedOnly: true,
		Match: func(p string) bool {
			place, ok := preset.Locate(p)
			return ok && place.Kind == schema.KindBalance
		},
		Extract: func(p string, data []byte) string {
			b, err := preset.QuickBalance(l.Cat, p, data)
			if err != nil {
				return "" // check says what is wrong with it
			}
			text, err := json.Marshal(b)
			if err != nil {
				return ""
			}
			return string(text)
		}})
	if err != nil {
		return nil, err
	}
	var out []preset.BalanceRecord
	for _, e := range list {
		place, _ := preset.Locate(e.Path)
		if r := s.rigs[place.Rig]; e.Value == "" || r == nil || r.gimbal != gimbal || place.Rig == fp {
			continue
		}
		var b preset.BalanceRecord
		if json.Unmarshal([]byte(e.Value), &b) == nil {
			b.Path = e.Path
			out = append(out, b)
		}
	}
	if fp == "" {
		return out, nil
	}
	own, err := l.Own(fp)
	return append(out, own...), err
}

// OfDay is the newest ended record of a build on a unit ("" any) that was begun on the
// day of a moment, in its zone; ok is false where there is none.
func (l Balances) OfDay(d *Loaded, unit string, day time.Time) (b preset.BalanceRecord, ok bool, err error) {
	own, err := l.Own(d.Rig.ID)
	if err != nil {
		return b, false, err
	}
	of := func(t time.Time) string { return schema.SayDay(t, day.Location()) }
	own = slices.DeleteFunc(own, func(r preset.BalanceRecord) bool {
		return r.Open() || of(r.Began) != of(day) || unit != "" && r.Unit != "" && serial(d.Sheet, r.Unit) != serial(d.Sheet, unit)
	})
	b, ok = preset.NewestBalance(own, d.Rig.ID, unit)
	return b, ok, nil
}

// mostParents bounds how many rigs are looked at as one to start from.
const mostParents = 40

// MarkQuery gathers what the marks of a rig rest on. unit is a serial, or "".
func (l Balances) MarkQuery(r preset.Rig, sheet *schema.Sheet, unit string) (preset.MarkQuery, error) {
	q := preset.MarkQuery{Sheet: sheet, Rig: r, Unit: unit, Builds: map[string][]preset.Part{}}
	if len(sheet.Adjustments) == 0 {
		return q, nil
	}
	var err error
	if q.Records, err = l.Records(sheet.Slug, r.ID); err != nil {
		return q, err
	}
	// the rigs nearest in mass, each once
	near := map[string]float64{}
	for _, b := range q.Records {
		if b.Rig != r.ID {
			near[b.Rig] = math.Abs(b.MassKg - r.Mass())
		}
	}
	fps := make([]string, 0, len(near))
	for fp := range near {
		fps = append(fps, fp)
	}
	slices.SortFunc(fps, func(a, b string) int { return cmp.Or(cmp.Compare(near[a], near[b]), cmp.Compare(a, b)) })
	for _, fp := range fps[:min(len(fps), mostParents)] {
		if other, err := l.Rig("", fp); err == nil {
			q.Builds[fp] = other.Parts
		}
	}
	return q, nil
}

// Open takes up the newest record of this build that was not ended; nil if there
// is none. unit is a serial, "" for any.
func (l Balances) Open(d *Loaded, unit string) (*Balancing, error) {
	paths, err := l.Paths(d.Rig.ID)
	if err != nil {
		return nil, err
	}
	for i := len(paths) - 1; i >= 0; i-- {
		data, err := l.Store.Work().Read(paths[i])
		if err != nil {
			return nil, err
		}
		b, doc, err := preset.ReadBalance(l.Cat, paths[i], data)
		if err != nil {
			return nil, err
		}
		if b.Open() && b.Rig == d.Rig.ID && (unit == "" || b.Unit == unit) {
			return &Balancing{Path: paths[i], Record: b, doc: doc}, nil
		}
	}
	return nil, nil
}

// New works out a record of this build. It writes nothing.
func (l Balances) New(d *Loaded, unit, by string, now time.Time) (*Balancing, error) {
	b := &Balancing{Record: preset.BalanceRecord{Rig: d.Rig.ID, Unit: unit, By: by, Began: now.UTC().Truncate(time.Second),
		MassKg: preset.Rounded(d.Rig.Mass(), 4), Origin: d.Rig.Origin}}
	if p, err := d.Rig.Properties(); err == nil {
		cg := p.CG
		for i := range cg {
			cg[i] = math.Round(cg[i]*1e5) / 1e5
		}
		b.Record.CG = &cg
	}
	return b, l.placeBalance(b)
}

// placeBalance gives a record the first free path from when it began.
func (l Balances) placeBalance(b *Balancing) error {
	for t := b.Record.Began; ; t = t.Add(time.Second) {
		b.Path = preset.BalancePath(b.Record.Rig, t)
		if _, err := l.Store.Work().Read(b.Path); isNotFound(err) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// AddMark writes a mark that was found into the record on disk.
func (l Balances) AddMark(ctx context.Context, b *Balancing, sheet *schema.Sheet, m preset.BalanceMark) error {
	t := file.Table{{Key: "name", Value: m.Name}, {Key: "at", Value: m.At.UTC().Truncate(time.Second)}}
	if m.Mark != nil {
		t = append(t, file.Field{Key: "mm", Value: tomlNumber(preset.Rounded(*m.Mark*1000, 6))})
	}
	if err := l.appendBalance(ctx, b, sheet, "mark", t); err != nil {
		return err
	}
	b.Record.Marks = append(b.Record.Marks, m)
	return nil
}

// AddEffort writes a resting effort into the record on disk.
func (l Balances) AddEffort(ctx context.Context, b *Balancing, sheet *schema.Sheet, e preset.BalanceEffort) error {
	t := file.Table{{Key: "point", Value: e.Point}, {Key: "at", Value: e.At.UTC().Truncate(time.Second)}}
	if e.Axis != "" {
		t = append(t, file.Field{Key: "axis", Value: e.Axis})
	}
	if e.Effort != nil {
		t = append(t, file.Field{Key: "pct", Value: tomlNumber(*e.Effort)})
	}
	if len(e.Sides) == 2 {
		t = append(t, file.Field{Key: "sides_pct", Value: []any{tomlNumber(e.Sides[0]), tomlNumber(e.Sides[1])}})
	}
	if err := l.appendBalance(ctx, b, sheet, "effort", t); err != nil {
		return err
	}
	b.Record.Efforts = append(b.Record.Efforts, e)
	return nil
}

func (l Balances) appendBalance(ctx context.Context, b *Balancing, sheet *schema.Sheet, key string, t file.Table) (err error) {
	doc := b.doc
	if doc == nil {
		if doc, err = balanceDoc(b.Path, b.Record); err != nil {
			return err
		}
	}
	b.doc, err = l.appendTo(ctx, b.Path, doc, b.doc, sheet, key, t)
	return err
}

// appendTo appends a table to a record that a person works on, and writes it. before is what is on
// disk, nil if nothing is; on an error it is given back.
func (l *Library) appendTo(ctx context.Context, path string, doc, before *file.Doc, sheet *schema.Sheet, key string, t file.Table) (*file.Doc, error) {
	after, err := doc.Append(key, t)
	if err != nil {
		return before, err
	}
	if _, err := l.Parse(path, after.Text(), sheet); err != nil {
		return before, file.Asked(err)
	}
	var base []byte
	if before != nil {
		base = before.Text()
	}
	if err := l.Store.Work().WriteFile(ctx, path, after.Text(), base); err != nil {
		return before, err
	}
	return after, nil
}

// balanceDoc is a record without its answers.
func balanceDoc(path string, b preset.BalanceRecord) (*file.Doc, error) {
	w := begin(path, schema.KindBalance)
	w.Key("rig", b.Rig)
	for _, f := range [][2]string{{"unit", b.Unit}, {"by", b.By}} {
		if f[1] != "" {
			w.Key(f[0], f[1])
		}
	}
	w.Key("began", b.Began)
	w.Key("mass_kg", b.MassKg)
	if b.CG != nil {
		w.Key("cg_mm", []any{tomlNumber(preset.Rounded(b.CG[0]*1000, 6)), tomlNumber(preset.Rounded(b.CG[1]*1000, 6)), tomlNumber(preset.Rounded(b.CG[2]*1000, 6))})
	}
	if b.Origin != "" {
		w.Key("origin", b.Origin)
	}
	return w.Doc()
}

// Ended is the record with its end, as an edit that is not written yet.
func (l Balances) Ended(b *Balancing, now time.Time) (Edited, error) {
	if b.doc == nil {
		return Edited{}, &store.Error{Kind: store.ErrNothing, Msg: "nothing was recorded of this balance"}
	}
	after, err := b.doc.Apply(file.Edit{Key: "ended", Value: now.UTC().Truncate(time.Second)})
	if err != nil {
		return Edited{}, err
	}
	if _, err := l.Parse(b.Path, after.Text(), nil); err != nil {
		return Edited{}, err
	}
	return Edited{Path: b.Path, Before: b.doc, After: after}, nil
}

// Plan plans the revision that saves an ended record.
func (l Balances) Plan(d *Loaded, b *Balancing, now time.Time) (*Plan, error) {
	e, err := l.Ended(b, now)
	if err != nil {
		return nil, err
	}
	return l.Plans().Edited(d, e)
}

// atBalance works out for a review whether the build fits, at which marks it balances,
// and what of its records is in doubt.
func (l reviewFacts) atBalance(x *review.Subject) error {
	var err error
	if x.Balances, err = l.Balance().Own(x.Rig.ID); err != nil {
		return err
	}
	unit := x.Unit
	if u, ok := x.Sheet.Unit(unit); ok {
		unit = u.Serial
	}
	q, err := l.Balance().MarkQuery(x.Rig, x.Sheet, unit)
	if err != nil {
		return err
	}
	if x.Marks, err = preset.Marks(q); err != nil {
		return err
	}
	if x.Doubts, err = preset.MarkDoubts(q); err != nil {
		return err
	}
	if rep, err := preset.FitReport(x.Rig, x.Sheet, x.Marks, preset.FitLimits(x.Sheet)); err == nil {
		x.Fit = &rep // a build that cannot be computed is a fault of its own
	}
	return nil
}
