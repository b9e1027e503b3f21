package library

import (
	"context"
	"errors"
	"maps"
	"slices"
	"sort"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/bench"
	"rigkeep/preset/file"
	"rigkeep/preset/mass"
	"rigkeep/preset/start"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Session is a tuning session with its log. The log on disk is never behind: an
// answer is written before the session moves on.
type Session struct {
	Path  string
	Log   preset.BenchLog
	State *bench.Session

	doc   *file.Doc // as on disk, nil before the first answer
	sheet *schema.Sheet
	at    func(schema.Axis, float64) float64 // inertia of the build at a tilt
}

// Saved reports whether the log is on disk.
func (s *Session) Saved() bool { return s.doc != nil }

// BenchLogs lists the paths of a rig's bench logs, oldest first.
func (l Evidence) BenchLogs(fp string) ([]string, error) {
	return l.records(fp, "bench", schema.KindBench)
}

// records lists the paths of a rig's records of one kind, which are named by their time, oldest first.
func (l Evidence) records(fp, folder string, kind string) ([]string, error) {
	all, err := l.Store.Work().List(preset.RigDir(fp) + "/" + folder + "/")
	if err != nil {
		return nil, err
	}
	var out []string
	for _, p := range all {
		if place, ok := preset.Locate(p); ok && place.Kind == kind {
			out = append(out, p)
		}
	}
	sort.Strings(out)
	return out, nil
}

// Open takes up the newest session of this tune that was not ended; nil if
// there is none.
func (l Sessions) Open(d *Loaded) (*Session, error) {
	paths, err := l.Evidence().BenchLogs(d.Rig.ID)
	if err != nil {
		return nil, err
	}
	for i := len(paths) - 1; i >= 0; i-- {
		data, err := l.Store.Work().Read(paths[i])
		if err != nil {
			return nil, err
		}
		tree, err := file.Values(paths[i], data) // one parser will do to pass an ended one over
		if err != nil {
			return nil, err
		}
		if f := tree["tune"]; tree["ended"] != nil || f != d.Ref.Tune || tree["plan"] == nil {
			continue
		}
		log, doc, err := preset.ReadBench(l.Cat, paths[i], data)
		if err != nil {
			return nil, err
		}
		s := &Session{Path: paths[i], Log: log, doc: doc, sheet: d.Sheet, at: d.Rig.InertiaAt(d.Sheet)}
		if s.State, err = s.Log.BenchSession(d.Sheet); err != nil {
			return nil, &file.Error{File: paths[i], What: err.Error(), Fix: "correct the step, or start another session with --new"}
		}
		return s, nil
	}
	return nil, nil
}

// SessionRequest says what a session is begun with.
type SessionRequest struct {
	Unit, By, Firmware string
	Axes               []schema.Axis // only these; nil for all
	Now                time.Time
	Margin             float64 // onset over kept stiffness; 0 for the sheet's
	Recheck            bool    // begin with the tune's values, handheld
}

// New works out a session: where to begin from the evidence, in which
// order, with which margin. It writes nothing.
func (l Sessions) New(d *Loaded, q SessionRequest) (*Session, error) {
	req, _, err := l.Evidence().StartRequest(d.Rig, d.Sheet, d.Tune, q.Unit, q.Now)
	if err != nil {
		return nil, err
	}
	res, err := start.Start(req)
	if err != nil {
		return nil, err
	}
	log := preset.BenchLog{Rig: d.Rig.ID, Tune: d.Ref.Tune, Unit: q.Unit, By: q.By, Firmware: q.Firmware, Began: q.Now.UTC().Truncate(time.Second),
		MassKg: preset.Rounded(d.Rig.Mass(), 4), Inertia: map[schema.Axis]float64{}, InertiaMost: map[schema.Axis]float64{}, Set: map[string]float64{}}
	for a, j := range req.Rig.J {
		if j > 0 {
			log.Inertia[schema.Axis(a)] = preset.Rounded(j, 4)
		}
	}
	if js, err := d.Rig.Inertias(d.Sheet, d.Tune); err == nil {
		for a, m := range js {
			log.InertiaMost[schema.Axis(a)] = preset.Rounded(m.Worst(), 4)
		}
	}
	for _, key := range []string{"filters.sensing", "filters.drive"} {
		if d.Tune != nil {
			if v, ok := d.Tune.Num(key); ok {
				log.Set[key] = v
				continue
			}
		}
		if o, ok := res.Offer(key); ok && o.Status != start.Unknown && o.Status != start.Outside {
			log.Set[key] = o.Value
		}
	}
	if log.Plan, err = preset.PlanBench(d.Sheet, d.Rig, d.Tune, res.Offers, q.Axes); err != nil {
		return nil, err
	}
	if q.Margin > 0 {
		log.Plan.Margin = q.Margin
	}
	if q.Recheck {
		if log.Plan, err = log.Plan.Recheck(d.Sheet, d.Tune); err != nil {
			return nil, err
		}
	}
	s := &Session{Log: log, sheet: d.Sheet, at: d.Rig.InertiaAt(d.Sheet)}
	if s.State, err = log.BenchSession(d.Sheet); err != nil {
		return nil, err
	}
	for t := log.Began; ; t = t.Add(time.Second) {
		s.Path = preset.BenchPath(d.Rig.ID, t)
		if _, err := l.Store.Work().Read(s.Path); isNotFound(err) {
			return s, nil
		} else if err != nil {
			return nil, err
		}
	}
}

// SetMargin has an open session keep another margin; its log says so.
func (l Sessions) SetMargin(ctx context.Context, s *Session, margin float64) error {
	if s.Log.Plan.Margin == margin {
		return nil
	}
	log := s.Log
	log.Plan.Margin = margin
	st, err := log.BenchSession(s.sheet)
	if err != nil {
		return err
	}
	if s.doc != nil {
		e, err := l.Edits().edit(s.Path, s.doc, nil, file.Edit{Key: "plan.margin", Value: margin})
		if err != nil {
			return err
		}
		if err := l.Edits().Write(ctx, e); err != nil {
			return err
		}
		s.doc = e.After
	}
	s.Log, s.State = log, st
	return nil
}

// PlanHeld adds to a plan what the unit of a session holds when it ends: what it held
// before, with the values that were kept on the stand. It is a tune where all of them are.
func (l Sessions) PlanHeld(p *Plan, d *Loaded, s *Session, by string, now time.Time) error {
	u, ok := d.Sheet.Unit(s.Log.Unit)
	if !ok {
		return nil
	}
	memory, ok := MemoryOf(u, d.Rig, d.Ref.Tune, 0)
	if !ok {
		return nil
	}
	h := schema.Held{At: now, By: by, Memory: memory, Values: map[string]any{}}
	was, _ := u.Holds(memory)
	maps.Copy(h.Values, was.Values)
	for _, r := range s.State.Results() {
		if r.Kept != nil {
			h.Values["stiffness."+r.Axis.String()] = *r.Kept
		}
	}
	for key, v := range s.Log.Set {
		h.Values[key] = v
	}
	h.Digest = preset.Tune{Values: h.Values}.Digest()
	if e, err := l.Tune(d, s); err == nil && e.After != nil && preset.TuneIn(l.Cat, e.After).Digest() == h.Digest {
		h.Rig, h.Tune = d.Rig.ID, d.Ref.Tune
	}
	if was.Digest == h.Digest && was.Rig == h.Rig {
		return nil
	}
	return l.Units().PlanHeld(p, UnitRef{d.Sheet.Slug, u}, h, s.Log.Firmware)
}

// Answer records one answer: it is checked, written to the log on disk, and only
// then does the session move on. A refused answer or a failed write leaves both
// as they were.
//
// A session that is answered from several screens, as by a web server: show s.State.Next()
// with its ID, send the ID back with the answer, take the session up anew with Open,
// and put the ID into e.Question. A second answer to the same question is a
// *bench.AnsweredError, also where both come at the same moment, and its Now is the question
// to show; before the first answer there is no log yet, so keep the one *Session of
// New until it is Saved. Whoever asks takes Units.LockStand for as long as somebody is at it.
func (l Sessions) Answer(ctx context.Context, s *Session, e bench.Event, at time.Time) error {
	before := s.State.Events()
	if err := s.State.Answer(e); err != nil {
		return err
	}
	events := s.State.Events()
	last := events[len(events)-1]
	step := preset.StepOf(last, at)
	if last.HasAxis && last.TiltDeg != nil {
		step.Inertia = s.at(last.Axis, *last.TiltDeg)
	}
	err := l.append(ctx, s, step)
	if err != nil {
		log := s.Log
		log.Steps = log.Steps[:len(before)]
		if st, rerr := log.BenchSession(s.sheet); rerr == nil {
			s.State = st
		}
		if errors.Is(err, store.ErrChanged) && e.Question != "" {
			if now, rerr := l.reread(s); rerr == nil && now.Next().ID != e.Question {
				return &bench.AnsweredError{Question: e.Question, Now: now.Next()}
			}
		}
		return err
	}
	s.Log.Steps = append(s.Log.Steps, step)
	return nil
}

// reread is the state of a session as its log is on disk now.
func (l Sessions) reread(s *Session) (*bench.Session, error) {
	data, err := l.Store.Work().Read(s.Path)
	if err != nil {
		return nil, err
	}
	log, _, err := preset.ReadBench(l.Cat, s.Path, data)
	if err != nil {
		return nil, err
	}
	return log.BenchSession(s.sheet)
}

func (l Sessions) append(ctx context.Context, s *Session, step preset.BenchStep) (err error) {
	doc := s.doc
	if doc == nil {
		if doc, err = benchDoc(s.Path, s.Log); err != nil {
			return err
		}
	}
	s.doc, err = l.appendTo(ctx, s.Path, doc, s.doc, nil, "step", stepTable(step))
	return err
}

func stepTable(s preset.BenchStep) file.Table {
	t := file.Table{{Key: "at", Value: s.At}}
	add := func(key string, v any, there bool) {
		if there {
			t = append(t, file.Field{Key: key, Value: v})
		}
	}
	add("axis", s.Axis, s.Axis != "")
	add("key", s.Key, s.Key != "")
	add("value", tomlNumber(s.Value), s.HasValue)
	add("saw", s.Saw, true)
	add("hz", tomlNumber(s.Hz), s.Hz != 0)
	if s.TiltDeg != nil {
		add("tilt_deg", tomlNumber(*s.TiltDeg), true)
	}
	add("inertia_kgm2", s.Inertia, s.Inertia > 0)
	add("text", s.Text, s.Text != "")
	return t
}

// tomlNumber is a number as a value of a file, a whole one as a person types it: 41, not 41.0.
func tomlNumber(v float64) any {
	if v == float64(int64(v)) && v > -1e15 && v < 1e15 {
		return int64(v)
	}
	return v
}

// benchDoc is the log of a session without its steps.
func benchDoc(path string, b preset.BenchLog) (*file.Doc, error) {
	w := begin(path, schema.KindBench)
	w.Key("rig", b.Rig)
	w.Key("tune", b.Tune)
	for _, f := range [][2]string{{"unit", b.Unit}, {"by", b.By}, {"firmware", b.Firmware}} {
		if f[1] != "" {
			w.Key(f[0], f[1])
		}
	}
	w.Key("began", b.Began)
	w.Key("mass_kg", b.MassKg)
	perAxis := func(key string, m map[schema.Axis]float64) {
		var t file.Table
		for _, a := range schema.Axes {
			if v, ok := m[a]; ok {
				t = append(t, file.Field{Key: a.String(), Value: v})
			}
		}
		if len(t) > 0 {
			w.Key(key, t)
		}
	}
	perAxis("inertia_kgm2", b.Inertia)
	perAxis("inertia_most_kgm2", b.InertiaMost)
	w.Table("plan")
	var order, hand []any
	for _, a := range b.Plan.Order {
		order = append(order, a.String())
	}
	for _, d := range b.Plan.HandDeg {
		hand = append(hand, tomlNumber(d))
	}
	w.Key("order", order)
	w.Key("margin", b.Plan.Margin)
	w.Key("hand_deg", hand)
	if b.Plan.IsRecheck() {
		if len(b.Plan.Styles) > 0 {
			w.Key("styles", b.Plan.Styles)
		}
		w.Key("minutes", tomlNumber(b.Plan.Minutes))
	}
	for _, a := range b.Plan.Order {
		x, ok := b.Plan.Axes[a]
		if !ok {
			continue
		}
		w.Table("plan", a.String())
		for _, f := range []struct {
			key string
			v   *float64
		}{{"offered", x.Offered}, {"onset_low", x.OnsetLow}, {"onset_high", x.OnsetHigh}, {"tilt_deg", x.TiltDeg}, {"held", x.Held}} {
			if f.v != nil {
				w.Key(f.key, tomlNumber(*f.v))
			}
		}
		if x.Why != "" {
			w.Key("why", x.Why)
		}
	}
	if len(b.Set) > 0 {
		w.Table("set", "filters")
		for _, k := range []string{"sensing", "drive"} {
			if v, ok := b.Set["filters."+k]; ok {
				w.Key(k, tomlNumber(v))
			}
		}
	}
	return w.Doc()
}

// results are the results as the log keeps them.
func (s *Session) results() (map[schema.Axis]preset.BenchResult, bool) {
	out, hand := preset.ResultsOf(s.State)
	for a, r := range out {
		if r.TiltDeg != nil {
			r.Inertia = s.at(a, *r.TiltDeg)
			out[a] = r
		}
	}
	return out, hand
}

// end writes results and the end of a session into its log's text.
func (s *Session) end(now time.Time) (*file.Doc, error) {
	results, hand := s.results()
	doc, err := s.doc.Apply(file.Edit{Key: "ended", Value: now.UTC().Truncate(time.Second)})
	if err != nil {
		return nil, err
	}
	var t file.Table
	for _, a := range schema.Axes {
		r, ok := results[a]
		if !ok {
			continue
		}
		var x file.Table
		for _, f := range []struct {
			key string
			v   *float64
		}{{"kept", r.Kept}, {"clean", r.Clean}, {"onset", r.Onset}} {
			if f.v != nil {
				x = append(x, file.Field{Key: f.key, Value: tomlNumber(*f.v)})
			}
		}
		if r.Hz > 0 {
			x = append(x, file.Field{Key: "hz", Value: tomlNumber(r.Hz)})
		}
		if r.TiltDeg != nil {
			x = append(x, file.Field{Key: "tilt_deg", Value: tomlNumber(*r.TiltDeg)})
		}
		if r.Inertia > 0 {
			x = append(x, file.Field{Key: "inertia_kgm2", Value: r.Inertia})
		}
		if r.Saw != "" {
			x = append(x, file.Field{Key: "saw", Value: r.Saw})
		}
		if r.Doubt {
			x = append(x, file.Field{Key: "doubt", Value: true})
		}
		if len(x) > 0 {
			t = append(t, file.Field{Key: a.String(), Value: x})
		}
	}
	if hand {
		t = append(t, file.Field{Key: "hand", Value: true})
	}
	if len(t) == 0 {
		return doc, nil
	}
	return doc.AddTable("result", t)
}

// End closes a session as it stands, in the work tree, without saving a
// revision.
func (l Sessions) End(ctx context.Context, s *Session, now time.Time) error {
	if s.doc == nil {
		return nil
	}
	after, err := s.end(now)
	if err != nil {
		return err
	}
	if _, err := l.Parse(s.Path, after.Text(), nil); err != nil {
		return err
	}
	return l.Store.Work().WriteFile(ctx, s.Path, after.Text(), s.doc.Text())
}

// KeptValues are the values that the session would put into the tune, by key.
func (s *Session) KeptValues() map[string]any {
	out := map[string]any{}
	for _, r := range s.State.Results() {
		if r.Kept != nil {
			out["stiffness."+r.Axis.String()] = *r.Kept
		}
	}
	return out
}

// Subject says in a line what the session is, for the revision that saves it.
func (s *Session) Subject(d *Loaded) string {
	what := "Bench session on "
	if s.Log.Plan.IsRecheck() {
		what = "Recheck of "
	}
	if s.Log.Unit == "" {
		return what + d.Label()
	}
	return what + d.Label() + ", unit " + s.Log.Unit
}

// How says how the head stands or is worked for a question of the session.
func (s *Session) How(d *Loaded, p bench.Proposal) string {
	js, err := d.Rig.Inertias(d.Sheet, d.Tune)
	return p.How(err != nil || preset.FlatInertia(js[p.Axis]))
}

// Points are the resting efforts of the balance record that counts for a session: that
// of its day in a zone, on its unit.
func (l Sessions) Points(d *Loaded, s *Session, zone *time.Location) ([]preset.PointReading, error) {
	rec, ok, err := l.Balance().OfDay(d, s.Log.Unit, s.Log.Began.In(zone))
	if err != nil || !ok {
		return nil, err
	}
	return rec.ReadEfforts(d.Sheet, d.Rig), nil
}

// Describe are what a session found, a line each, for the message of its revision.
func (l Sessions) Describe(d *Loaded, s *Session, zone *time.Location) string {
	var out []string
	if reads, err := l.Points(d, s, zone); err == nil { // a log that cannot be read is said by check
		for _, r := range reads {
			out = append(out, "resting effort, "+r.Short())
		}
	}
	for _, r := range s.State.Results() {
		out = append(out, r.Axis.String()+": "+r.Words())
	}
	return strings.Join(append(out, s.State.HandCheck().Words()), "\n")
}

// Tune is the tune as the session would leave it. A tune that does not
// exist yet also gets the filters that were set.
func (l Sessions) Tune(d *Loaded, s *Session) (Edited, error) {
	values := s.KeptValues()
	if d.Tune == nil {
		for key, v := range s.Log.Set {
			values[key] = v
		}
	}
	return l.Edits().PutTune(d, values)
}

// Proves reports whether saving a session renews the proof: a recheck that ended clean.
func (s *Session) Proves() bool { return s.Log.Plan.IsRecheck() && s.State.HandCheck().Done() }

// renewProof is the tune as a clean recheck leaves it, proved as prove does it: at the tilts
// that were clean, with the styles that were tried. Onsets are this session's, else those of
// the session before on a build that turns as much.
func (l Sessions) renewProof(d *Loaded, s *Session, e Edited, now time.Time) (Edited, error) {
	p := preset.Proof{At: now, By: s.Log.By, Unit: s.Log.Unit, Firmware: s.Log.Firmware, Place: "hand"}
	var styles []string
	for _, x := range s.State.CleanPoints() {
		switch {
		case x.Style != "":
			styles = append(styles, x.Style)
		case x.TiltDeg != nil:
			p.TiltsDeg = append(p.TiltsDeg, *x.TiltDeg)
		}
		p.Minutes += x.Minutes
	}
	slices.Sort(p.TiltsDeg)
	seen := s.Log
	seen.Results, _ = s.results()
	if !seen.Onsets(&p) {
		before, _, err := l.Evidence().LastSession(d, s.Log.Unit)
		if err != nil {
			return e, err
		}
		if js, jerr := d.Rig.Inertias(d.Sheet, d.Tune); before != nil && jerr == nil && before.OfBuild(mass.Moments{Pan: js[schema.Pan], Roll: js[schema.Roll], Tilt: js[schema.Tilt]}) {
			before.Onsets(&p)
		}
	}
	rec, ok, err := l.Balance().OfDay(d, s.Log.Unit, now)
	if err != nil {
		return e, err
	}
	if ok {
		p.Effort = rec.AxisEfforts()
	}
	after := *d
	t := preset.TuneIn(l.Cat, e.After)
	after.Tune, after.Doc = &t, e.After
	out, err := l.Edits().Prove(&after, p, t.TestedGroups(styles, false)...)
	out.Before, out.BeforeText = e.Before, e.BeforeText
	return out, err
}

// Plan plans the revision that saves what a session found: the tune and
// the ended log together, and after a clean recheck the proof.
func (l Sessions) Plan(d *Loaded, s *Session, now time.Time) (*Plan, error) {
	if s.doc == nil || len(s.KeptValues()) == 0 {
		return nil, &store.Error{Kind: store.ErrNothing, Msg: "the session on " + d.Label() + " has kept no value yet", Hint: "Go on with it: rigkeep bench " + d.Rig.Alias}
	}
	e, err := l.Tune(d, s)
	if err != nil {
		return nil, err
	}
	if s.Proves() {
		if e, err = l.renewProof(d, s, e, now); err != nil {
			return nil, err
		}
	}
	log, err := s.end(now)
	if err != nil {
		return nil, err
	}
	return l.Plans().Edited(d, e, Edited{Path: s.Path, Before: s.doc, After: log})
}

// planEdited puts an edited file into the plan, to be saved only if what lies in
// the work tree is still what was edited. A session at the stand may have read the
// file an hour ago, and somebody may have saved it since: that is not in the edit.
func (l Planner) planEdited(p *Plan, e Edited) error {
	now, err := l.Store.Work().Read(e.Path)
	if err != nil && !isNotFound(err) {
		return err
	}
	if b := e.base(); (err == nil) != (b != nil) || string(now) != string(b) {
		return &store.Error{Kind: store.ErrChanged, Msg: e.Path + " has been changed by someone else", Hint: "nothing was saved; check it, then repeat the command", Paths: []string{e.Path}}
	}
	if err := l.planText(p, e.Path, e.After.Text()); err != nil {
		return err
	}
	p.seen[e.Path] = ""
	if b := e.base(); b != nil {
		p.seen[e.Path] = store.BlobIDOf(b)
	}
	return nil
}

// LastSession is the newest ended session on a tune and unit ("" any) whose kept
// values are the tune's; nil if there is none.
func (l Evidence) LastSession(d *Loaded, unit string) (*preset.BenchLog, string, error) {
	if d.Tune == nil {
		return nil, "", nil
	}
	paths, err := l.BenchLogs(d.Rig.ID)
	if err != nil {
		return nil, "", err
	}
	for i := len(paths) - 1; i >= 0; i-- {
		doc, err := l.Doc("", paths[i])
		if err != nil {
			continue // check says what is wrong with it
		}
		log := preset.BenchIn(doc)
		if log.Open() || log.Tune != d.Ref.Tune || unit != "" && log.Unit != "" && log.Unit != unit {
			continue
		}
		same := len(log.Results) > 0
		for a, r := range log.Results {
			v, ok := d.Tune.Stiffness(a)
			same = same && (r.Kept == nil || ok && v == *r.Kept)
		}
		if same {
			return &log, paths[i], nil
		}
	}
	return nil, "", nil
}

// Onsets are the onsets on record for a rig, newest first: of its saved sessions and
// of the loaded tune's proof.
func (l Evidence) Onsets(d *Loaded) ([]preset.OnsetRecord, error) {
	paths, err := l.BenchLogs(d.Rig.ID)
	if err != nil {
		return nil, err
	}
	var out []preset.OnsetRecord
	for _, p := range paths {
		doc, err := l.Doc("", p)
		if err != nil {
			continue // check says what is wrong with it
		}
		log := preset.BenchIn(doc)
		if log.Open() {
			continue
		}
		job := ""
		if h, err := l.Store.History().Of(p, 1); err == nil && len(h) > 0 {
			job = h[0].Job()
		}
		for _, a := range schema.Axes {
			if r, ok := log.Results[a]; ok && r.Onset != nil {
				out = append(out, preset.OnsetRecord{Axis: a, Onset: *r.Onset, Hz: r.Hz, Unit: log.Unit, At: log.Began, Where: "session", Job: job})
			}
		}
	}
	if d.Tune != nil && d.Tune.Proof != nil {
		pr := d.Tune.Proof
		for _, a := range schema.Axes {
			if v, ok := pr.Onset[a]; ok {
				out = append(out, preset.OnsetRecord{Axis: a, Onset: v, Hz: pr.OnsetHz[a], Unit: pr.Unit, At: pr.At, Where: "proof"})
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].At.After(out[j].At) })
	return out, nil
}
