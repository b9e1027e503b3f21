package serve

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigkeep/diffview/page"
	"rigkeep/diffview/pages"
	"rigkeep/diffview/safe"
	"rigkeep/preset"
	"rigkeep/preset/photo"
	"rigkeep/repo/library"
	"rigkeep/schema"
)

// task is one request for a page at the stand.
type task struct {
	s    *Server
	l    *library.Library
	ctx  context.Context
	dev  *device
	d    *library.Loaded
	name string // of the rig
	unit string // serial, "" for none
	want string // unit that the address names
	form url.Values
	req  *http.Request
	to   string // where to go on after an answer that was taken
}

// task finds the rig of a page at the stand; ok is false for another page. The name is
// held against the names that the library's rigs give, and reaches no disk.
func (s *Server) task(l *library.Library, r *http.Request, d *device, kind string) (*task, bool, error) {
	file := r.PathValue("name")
	plain, ok := strings.CutPrefix(file, kind+"-")
	if !ok {
		return nil, false, nil
	}
	name := strings.TrimSuffix(plain, ".html")
	if pages.File(kind, name) != file { // a name with other than plain letters
		rigs, err := l.Names().Rigs()
		if err != nil {
			return nil, false, err
		}
		i := slices.IndexFunc(rigs, func(x library.RigRef) bool { return pages.File(kind, cmp.Or(x.Alias, x.Fingerprint)) == file })
		if i < 0 {
			return nil, false, nil
		}
		name = cmp.Or(rigs[i].Alias, rigs[i].Fingerprint)
	}
	t := &task{s: s, l: l, ctx: r.Context(), dev: d, name: name, req: r, form: r.PostForm, want: first(r.URL.Query().Get("unit"), maxName)}
	var err error
	if t.d, err = l.Names().Load(name, kind == "load"); err != nil {
		return nil, false, err
	}
	if t.d.Ref.When != "" || t.d.Ref.Tune != "main" && strings.Contains(name, "/") {
		return nil, false, nil
	}
	if t.want != "" {
		u, err := l.Units().UnitOf(t.d.Sheet, t.want)
		if err != nil {
			return nil, false, err
		}
		t.unit = u.Serial
	}
	return t, true, nil
}

// get is what was typed in a field, without its ends and no more than fits.
func (t *task) get(name string) string { return first(strings.TrimSpace(t.form.Get(name)), maxTyped) }

func (t *task) now() time.Time { return t.s.opt.Now() }

func (t *task) clock(at time.Time) string {
	return schema.SayClock(at, t.now().Location())
}

// once takes an answer unless it is the same that this device gave to the same question
// before: then its answer was lost on the way, and the page says that it is saved.
func (t *task) once(act func(*task) (pages.Stand, error)) (pages.Stand, error) {
	h := sha256.New()
	for _, k := range slices.Sorted(func(yield func(string) bool) {
		for k := range t.form {
			if k != "token" && !yield(k) {
				return
			}
		}
	}) {
		for _, v := range t.form[k] {
			_, _ = h.Write([]byte(k + "\x00" + v + "\x00"))
		}
	}
	this := [2]string{t.req.URL.Path + " " + t.get("id"), hex.EncodeToString(h.Sum(nil))}
	if t.get("id") != "" && t.dev.last == this {
		t.told("That answer is saved already.")
		t.again()
		return pages.Stand{}, nil
	}
	p, err := act(t)
	if err == nil && p.Refused == "" {
		t.dev.last = this
	}
	return p, err
}

// told notes what the next page of this device says.
func (t *task) told(lines ...string) {
	t.s.pairs.mu.Lock()
	defer t.s.pairs.mu.Unlock()
	t.dev.told = append(t.dev.told, lines...)
}

// again goes on with the same page.
func (t *task) again() { t.to = t.req.URL.RequestURI() }

// at goes on with the same page on a unit.
func (t *task) at(unit string) { t.to = t.req.URL.Path + "?unit=" + url.QueryEscape(unit) }

// rigPage goes on with the rig's page.
func (t *task) rigPage() { t.to = "/" + pages.File("rig", t.name) }

// refused shows the page as it stands now with why an answer was not taken, where that is
// something that a person can correct.
func (t *task) refused(show func(*task) (pages.Stand, error), err error) (pages.Stand, error) {
	p, serr := show(t)
	if serr != nil {
		return p, serr
	}
	p.Refused = words(err)
	return p, nil
}

// stale is an answer to a question that no longer stands.
var errStale = errors.New("answered already, here or elsewhere. Nothing was noted; this is asked now")

// unitField asks for the unit; the wanted one first.
func (t *task) unitField(first string) []pages.Field {
	var have []string
	for _, u := range t.d.Sheet.Units {
		have = append(have, u.Serial)
	}
	if len(have) == 0 {
		return nil
	}
	if i := slices.Index(have, first); i > 0 {
		have[0], have[i] = have[i], have[0]
	}
	return []pages.Field{{Name: "unit", Label: "Unit on the stand", Kind: "select", Options: have, Value: have[0]}}
}

// begin is the first page of what is done on a unit.
func (t *task) begin(what string, cautions []string, lines ...string) pages.Stand {
	p := pages.Stand{Title: t.name, Step: what, Caution: cautions, Lines: lines,
		Forms: []pages.Form{{Fields: t.unitField(t.held()), Buttons: []pages.Button{{Value: "begin", Word: "Begin", Size: "main"}}}}}
	if len(t.d.Sheet.Units) == 0 {
		p.Lines = append(p.Lines, "No unit of "+t.d.Sheet.Slug+" is on record, so results count for the model.")
	}
	return p
}

// held is the unit that holds a tune of the rig by its record, or that its proof is of.
func (t *task) held() string {
	for _, u := range t.d.Sheet.Units {
		for _, h := range u.Memory() {
			if h.Rig == t.d.Rig.ID {
				return u.Serial
			}
		}
	}
	if t.d.Tune != nil && t.d.Tune.Proof != nil {
		if u, ok := t.d.Sheet.Unit(t.d.Tune.Proof.Unit); ok {
			return u.Serial
		}
	}
	return ""
}

// begun goes on to the first question, on the unit that was chosen.
func (t *task) begun() error {
	unit := ""
	if len(t.d.Sheet.Units) > 0 {
		u, err := t.l.Units().UnitOf(t.d.Sheet, t.get("unit"))
		if err != nil {
			return err
		}
		unit = u.Serial
	}
	t.at(unit)
	if m := t.get("memory"); m != "" {
		t.to += "&memory=" + url.QueryEscape(m)
	}
	return nil
}

// chosen reports whether the unit was chosen, or there is none to choose.
func (t *task) chosen() bool { return t.req.URL.Query().Has("unit") }

// title is the rig with the unit.
func (t *task) title(unit string) string {
	if unit == "" {
		return t.name
	}
	return t.name + " on " + safe.Line(unit)
}

// save makes the revision of a finished task and goes to the rig's page.
func (t *task) save(p *library.Plan, subject, body string) error {
	if why := t.get("why"); why != "" {
		subject = why
	}
	rev, err := t.s.opt.Save(t.ctx, t.l, p, subject, body, t.dev.who)
	if err != nil {
		return err
	}
	t.s.opt.Told("saved " + rev.Short() + " by " + safe.Line(t.dev.who.Name) + ": " + safe.Line(subject))
	t.rigPage()
	return nil
}

func why(def string) pages.Field {
	return pages.Field{Name: "why", Label: "Why", Kind: "text", Value: def}
}

// ---- load

// errMemory says that the numbered memory is still to be chosen.
var errMemory = errors.New("choose the memory")

// memory is the numbered memory that the address names, 0 for none.
func (t *task) memory() int {
	n, err := strconv.Atoi(t.req.URL.Query().Get("memory"))
	if err != nil {
		return 0
	}
	return max(n, 0)
}

func (t *task) loadOn() (u library.UnitRef, memory int, was schema.Held, known bool, err error) {
	x, err := t.l.Units().UnitOf(t.d.Sheet, t.unit)
	if err != nil {
		return u, 0, was, false, err
	}
	u = library.UnitRef{Gimbal: t.d.Sheet.Slug, Unit: x}
	memory, ok := library.MemoryOf(x, t.d.Rig, t.d.Ref.Tune, t.memory())
	if !ok || memory > max(x.Memories, 0) {
		return u, 0, was, false, errMemory
	}
	was, known = x.Holds(memory)
	return u, memory, was, known, nil
}

func showLoad(t *task) (pages.Stand, error) {
	if len(t.d.Sheet.Units) == 0 {
		return pages.Stand{Title: t.name, Step: "load", Refused: "No unit of " + t.d.Sheet.Slug + " is on record.", Lines: []string{"Add one at the laptop: rigkeep unit new " + t.d.Sheet.Slug + " SERIAL"}}, nil
	}
	if t.unit == "" {
		p := t.begin("load a unit", nil)
		p.Forms[0].Fields = t.unitField(cmp.Or(t.d.Tune.Unit, t.held()))
		return p, nil
	}
	u, memory, was, known, err := t.loadOn()
	if errors.Is(err, errMemory) {
		p := t.begin("load a unit", nil)
		x, _ := t.d.Sheet.Unit(t.unit)
		f := pages.Field{Name: "memory", Label: "Memory of " + x.Serial, Kind: "select", Value: "1"}
		for i := range x.Memories {
			f.Options = append(f.Options, strconv.Itoa(i+1))
		}
		p.Lines = []string{x.Serial + " has several memories, and none is known to be for this tune."}
		p.Forms[0].Fields = []pages.Field{{Name: "unit", Kind: "hidden", Value: x.Serial}, f}
		return p, nil
	}
	if err != nil {
		return pages.Stand{}, err
	}
	where := u.Serial
	if memory > 0 {
		where += ", memory " + schema.Num(float64(memory))
	}
	lines := loadLines(t, was)
	p := pages.Stand{Title: t.name + " to " + safe.Line(where), ID: t.d.Tune.Digest() + "/" + was.At.UTC().Format(time.RFC3339),
		Caution: []string{"Start low and keep a hand at the motor switch: an oscillating axis can throw a loose part and pinch fingers. The maker's manual and qualified crew come first."}}
	p.Version = p.ID
	p.Saved = "ticks stay on this phone until you record"
	n, total := 0, 0
	for _, g := range lines {
		for _, k := range g.Keys {
			total++
			if k.Was != "" || !known {
				n++
			}
		}
	}
	p.Step = schema.Count(total, "value", "values")
	switch {
	case known && n == 0:
		p.Lines = append(p.Lines, where+" holds these values by its record. Tick them only if you key them in anew.")
	case known:
		p.Lines = append(p.Lines, schema.Count(n, "value differs", "values differ")+" from what "+where+" holds by its record.")
	default:
		p.Lines = append(p.Lines, "What "+where+" holds is not on record: key in all of it.")
	}
	if own := t.d.Tune.Unit; own != "" && !u.Is(own) {
		p.Lines = append(p.Lines, "This tune is for unit "+own+", not for "+u.Serial+".")
	}
	if u.Trouble != "" {
		p.Badges = append(p.Badges, page.Badge{Name: "Trouble", State: page.State{V: page.Look, Word: u.Trouble}})
	}
	p.Forms = []pages.Form{{Keys: lines, Count: true, Buttons: []pages.Button{{Value: "record", Word: "Record what " + u.Serial + " holds", Size: "main", Said: "The record"}}}}
	return p, nil
}

func actLoad(t *task) (pages.Stand, error) {
	if t.get("do") == "begin" {
		if err := t.begun(); err != nil {
			return t.refused(showLoad, err)
		}
		return pages.Stand{}, nil
	}
	p, err := showLoad(t)
	if err != nil || p.ID == "" || p.Refused != "" {
		return p, err
	}
	keyed := map[string]bool{}
	for _, k := range t.form["key"] {
		keyed[k] = true
	}
	switch {
	case t.get("id") != p.ID:
		return t.refused(showLoad, errors.New("the tune or the unit's record changed meanwhile. Nothing was noted; look at the list again"))
	case len(keyed) == 0:
		return t.refused(showLoad, errors.New("tick what is keyed in first"))
	}
	u, memory, was, _, err := t.loadOn()
	if err != nil {
		return p, err
	}
	h := t.l.Units().HeldPartly(t.d, was, keyed, memory, t.dev.who.Name, t.now())
	plan, err := t.l.Plans().New()
	if err != nil {
		return p, err
	}
	if err := t.l.Units().PlanHeld(plan, u, h, ""); err != nil {
		return p, err
	}
	where := u.Serial
	if memory > 0 {
		where += ", memory " + schema.Num(float64(memory))
	}
	if err := t.save(plan, library.LoadSubject(t.d, where, h), ""); err != nil {
		return t.refused(showLoad, err)
	}
	return pages.Stand{}, nil
}

// ---- photo

func showPhoto(t *task) (pages.Stand, error) {
	return pages.Stand{Title: t.name, Step: "photo",
		Lines: []string{"Of the marks, the build, the cables. It is made small, and where it was taken is left out."},
		Forms: []pages.Form{{Upload: true, Fields: []pages.Field{{Name: "photo", Label: "Photo, JPEG or PNG", Kind: "file"}}, Buttons: []pages.Button{{Value: "add", Word: "Add the photo", Size: "main"}}}}}, nil
}

func actPhoto(t *task) (pages.Stand, error) {
	f, head, err := t.req.FormFile("photo")
	if err != nil {
		return t.refused(showPhoto, errors.New("choose a photo first"))
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, photo.MaxFile+1))
	if err != nil {
		return t.refused(showPhoto, err)
	}
	rr, err := t.l.Names().Find(t.name)
	if err != nil {
		return pages.Stand{}, err
	}
	if _, err := t.l.Store.AddAttribute(t.ctx, library.PhotoAttribute); err != nil {
		return pages.Stand{}, err
	}
	subject := "Add 1 photo of " + rr.Alias
	_, rev, err := t.l.Photos().Add(t.ctx, rr, []library.NewFile{{Text: data, What: path.Base(first(head.Filename, maxName))}}, subject, t.dev.who, t.now())
	if err != nil {
		return t.refused(showPhoto, err)
	}
	t.s.opt.Told("saved " + rev.Short() + " by " + safe.Line(t.dev.who.Name) + ": " + safe.Line(subject))
	t.to = "/" + pages.File("rig", t.name) + "#notes"
	return pages.Stand{}, nil
}

// loadLines are the values in the order in which they are keyed in, with what the unit
// holds where that differs.
func loadLines(t *task, was schema.Held) []pages.KeyGroup {
	var out []pages.KeyGroup
	text := func(v any) string {
		if n, ok := schema.Number(v); ok {
			return schema.Num(n)
		}
		return cmp.Or(strings.TrimSpace(first(safe.Line(fmt.Sprint(v)), maxName)), "–")
	}
	of := t.d.Tune.Digest() + was.At.UTC().Format(time.RFC3339) + t.unit
	for _, x := range preset.KeyLines(t.l.Cat, t.d.Sheet, t.d.Tune.Values) {
		if len(out) == 0 || out[len(out)-1].Title != x.Group {
			out = append(out, pages.KeyGroup{Title: x.Group})
		}
		k := pages.KeyTick{Key: x.Key, Name: cmp.Or(x.ShownAs, x.Name), Number: strings.TrimSpace(text(x.Value)), Of: of}
		if x.ShownAs != "" {
			k.About = x.Name
		}
		if x.Unit == "°" || x.Unit == "deg" {
			k.Number += "°"
		} else if x.Unit != "" {
			k.About = strings.TrimSpace(k.About + " " + x.Unit)
		}
		if v, ok := was.Values[x.Key]; ok && text(v) != text(x.Value) {
			k.Was = "unit holds " + text(v)
		} else if !ok && len(was.Values) > 0 {
			k.Was = "not on record"
		}
		g := &out[len(out)-1]
		g.Keys = append(g.Keys, k)
	}
	return out
}
