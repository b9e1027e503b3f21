package library

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/mass"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// RigRef is what a list shows of one rig.
type RigRef struct {
	Fingerprint, Alias, Gimbal string
	Was                        []string
	Tunes                      []string // names, main first
	Fault                      string   // why its build sheet cannot be read, "" when it can
	props                      packedProps
}

// Mass is the build's, in kg; 0 where the build sheet cannot be read.
func (r RigRef) Mass() float64 { return r.props.mass() }

// Props are the mass properties of the build, the principal axes left out; ok is false where
// the build sheet cannot be read, or does not say where every part balances.
func (r RigRef) Props() (_ mass.Properties, ok bool) { return r.props.properties() }

// Rigs lists all rigs as they lie in the work tree, by alias. A build sheet that
// cannot be read is listed with its fault.
func (l Names) Rigs() ([]RigRef, error) {
	l.mu.Lock()
	known := l.rigs
	l.mu.Unlock()
	if known != nil {
		return known, nil
	}
	// The work tree is looked through while the summary is read.
	var changes []store.Change
	var serr error
	looked := make(chan struct{})
	go func() {
		defer close(looked)
		// of a tune, its name counts here and not what is in it
		changes, serr = l.Store.Work().StatusOf(func(path string) bool { return strings.HasSuffix(path, "/"+preset.RigName) })
	}()
	var out []RigRef
	s, err := l.Lists().summary()
	if err == nil {
		l.mu.Lock()
		order := s.byAlias()
		out = make([]RigRef, 0, len(order))
		for _, r := range order {
			out = append(out, r.ref())
		}
		l.mu.Unlock()
	}
	<-looked
	if err = errors.Join(err, serr); err != nil {
		return nil, err
	}
	edited := map[string]bool{}
	for _, c := range changes {
		if p, ok := preset.Locate(c.Path); ok && p.Rig != "" {
			edited[p.Rig] = true
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(edited) > 0 {
		out = slices.DeleteFunc(out, func(r RigRef) bool { return edited[r.Fingerprint] })
		for fp := range edited {
			if ref, ok := l.workRef(fp); ok {
				out = append(out, ref)
			}
		}
		slices.SortFunc(out, func(a, b RigRef) int {
			return cmp.Or(strings.Compare(a.Alias, b.Alias), strings.Compare(a.Fingerprint, b.Fingerprint))
		})
	}
	l.rigs = out
	return out, nil
}

// workRef reads what a list shows of one rig from the work tree; ok is false
// when there is no such rig.
func (l Names) workRef(fp string) (ref RigRef, ok bool) {
	ref = RigRef{Fingerprint: fp}
	data, err := l.Store.Work().Read(preset.RigPath(fp))
	if isNotFound(err) {
		return ref, false
	}
	var r preset.Rig
	if err == nil {
		r, err = preset.QuickRig(l.Cat, preset.RigPath(fp), data)
		ref.Alias, ref.Gimbal, ref.Was = r.Alias, r.Gimbal, r.Was
	}
	if err == nil {
		ref.props, err = propsOf(r)
	}
	if err != nil {
		ref.Fault = err.Error()
	}
	ref.Tunes, _ = l.Tunes(fp)
	return ref, true
}

// forget drops what was read, after a write.
func (l Names) forget() {
	l.mu.Lock()
	l.rigs, l.sheets, l.jobText, l.jobRead = nil, map[string]*schema.Sheet{}, nil, nil
	l.mu.Unlock()
}

// Find resolves a rig by alias, by any unique prefix of its fingerprint, or by
// an earlier fingerprint. An ambiguous prefix lists the candidates, an unknown
// name the nearest ones.
func (l Names) Find(name string) (RigRef, error) {
	if ref, ok := l.findQuickly(schema.CanonicalName(name)); ok {
		return ref, nil
	}
	rigs, err := l.Rigs()
	if err != nil {
		return RigRef{}, err
	}
	var byAlias, byPrefix, byOld []RigRef
	low := schema.CanonicalName(name)
	var aliases []string
	for _, r := range rigs {
		aliases = append(aliases, r.Alias)
		if r.Alias == low && name != "" {
			byAlias = append(byAlias, r)
		}
		if preset.IsFingerprint(low) && strings.HasPrefix(r.Fingerprint, low) {
			byPrefix = append(byPrefix, r)
		}
		for _, w := range r.Was {
			if len(low) >= 4 && strings.HasPrefix(w, low) {
				byOld = append(byOld, r)
				break
			}
		}
	}
	for _, hits := range [][]RigRef{byAlias, byPrefix, byOld} {
		switch len(hits) {
		case 0:
			continue
		case 1:
			return hits[0], nil
		}
		var lines []string
		for _, r := range hits {
			lines = append(lines, r.Fingerprint+" ("+r.Alias+")")
		}
		return RigRef{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q fits %d rigs: %s", name, len(hits), strings.Join(lines, ", ")), Hint: "give more letters of the fingerprint"}
	}
	way := "Try: rigkeep rig list"
	if r, ok := l.lost(low); ok {
		if _, err := l.Store.Work().Read(preset.RigPath(r)); errors.Is(err, store.ErrDamaged) { // a link in its place
			return RigRef{}, err
		}
		way = fmt.Sprintf("its folder %s was deleted (unsaved). Try: rigkeep git checkout -- %[1]s", preset.RigDir(r))
	} else {
		way = nearest(low, aliases, way)
	}
	return RigRef{}, &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("no rig %q in this library", name), Hint: way}
}

// WasSaved reports whether the last revision has a file.
func (l Names) WasSaved(path string) bool {
	head, err := l.Store.Head()
	if err == nil {
		_, err = l.Store.Revisions().ReadAt(head, path)
	}
	return err == nil
}

// nearest is the hint for an unknown name: the names that are near it,
// else what is said otherwise.
func nearest(name string, known []string, otherwise string) string {
	if s := schema.Suggest(name, known); s != "" {
		return strings.ToUpper(s[:1]) + s[1:]
	}
	return otherwise
}

// lost finds a rig that the last revision has and the work tree lacks.
func (l Names) lost(name string) (fp string, ok bool) {
	s, err := l.Lists().summary()
	if err != nil {
		return "", false
	}
	for _, r := range s.rigs {
		if r.alias == name || len(name) >= 4 && strings.HasPrefix(r.fp, name) {
			return r.fp, true
		}
	}
	return "", false
}

// namesCache is where whole names are looked up without reading the summary: a
// line "alias TAB fingerprint" a rig. It only proposes; the work tree decides.
const namesCache = "names"

// cacheNames keeps the names of a summary.
func (l Names) cacheNames(s *summary) {
	lines := make([]string, 0, len(s.rigs))
	for fp, r := range s.rigs {
		if r.alias != "" && !strings.ContainsAny(r.alias, "\t\n") {
			lines = append(lines, r.alias+"\t"+fp+"\n")
		}
	}
	sort.Strings(lines)
	l.Store.SetCache(namesCache, []byte("\n"+strings.Join(lines, "")))
}

// Named finds a rig by its whole alias or fingerprint, without looking at every
// file; ok is false also where only Find could tell.
func (l Names) Named(name string) (RigRef, bool) { return l.findQuickly(strings.ToLower(name)) }

// findQuickly resolves a whole alias or a whole fingerprint without looking at
// every rig.
func (l Names) findQuickly(name string) (RigRef, bool) {
	data, done, ok := l.Store.ViewCache(namesCache)
	if !ok {
		s, err := l.Lists().summary()
		if err != nil {
			return RigRef{}, false
		}
		l.cacheNames(s)
		if data, done, ok = l.Store.ViewCache(namesCache); !ok {
			return RigRef{}, false
		}
	}
	defer done()
	fp := ""
	if i := bytes.Index(data, []byte("\n"+name+"\t")); i >= 0 && preset.IsName(name) {
		rest := data[i+len(name)+2:]
		if len(rest) < preset.FingerprintLen || bytes.Contains(rest, []byte("\n"+name+"\t")) {
			return RigRef{}, false // two of that name: let the slow way say so
		}
		fp = string(rest[:preset.FingerprintLen])
	} else if len(name) == preset.FingerprintLen {
		fp = name // an alias may look like a fingerprint, so the alias was asked first
	}
	if !preset.IsFingerprint(fp) || len(fp) != preset.FingerprintLen {
		return RigRef{}, false
	}
	ref, ok := l.workRef(fp)
	if !ok || fp != name && ref.Alias != name {
		return RigRef{}, false // changed by hand: look at everything
	}
	return ref, true
}

// Ref is a parsed RIG[/TUNE][@WHEN].
type Ref struct{ Rig, Tune, When string }

// ParseRef cuts a reference; the tune is "main" where none is named.
func ParseRef(s string) (Ref, error) {
	name, when, at := strings.Cut(s, "@")
	rig, tune, has := strings.Cut(name, "/")
	tune = schema.CanonicalName(tune)
	if rig == "" || has && !preset.IsName(tune) || at && when == "" {
		return Ref{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q is not a tune", s), Hint: "write RIG, RIG/TUNE or RIG/TUNE@WHEN (WHEN: a job, a date, ~N or a commit)"}
	}
	if !has {
		tune = preset.MainTune
	}
	return Ref{rig, tune, when}, nil
}

// Loaded is a rig with one of its tunes at one moment.
type Loaded struct {
	Ref    Ref
	Rev    store.Rev // "" is the work tree
	Commit *store.Commit
	Rig    preset.Rig
	Sheet  *schema.Sheet
	Tune   *preset.Tune // nil when the rig has no such tune then
	Job    string       // slug, when WHEN named a job
	Texts  map[string][]byte
	Doc    *file.Doc // of the tune
}

// TunePath is the path of the loaded tune.
func (d *Loaded) TunePath() string { return preset.TunePath(d.Rig.ID, d.Ref.Tune) }

// Label names what was loaded.
func (d *Loaded) Label() string {
	s := d.Rig.Alias
	if d.Ref.Tune != preset.MainTune {
		s += "/" + d.Ref.Tune
	}
	if d.Ref.When != "" {
		s += "@" + d.Ref.When
	}
	return s
}

// Load reads what a reference names. needTune makes a missing tune an error.
func (l Names) Load(s string, needTune bool) (*Loaded, error) {
	ref, err := ParseRef(s)
	if err != nil {
		return nil, err
	}
	go l.Cat.Prepare() // while the rig is found
	rr, err := l.Find(ref.Rig)
	if err != nil {
		return nil, err
	}
	return l.LoadFound(rr, ref, needTune)
}

// LoadFound is Load of a rig that was found already, so that the caller can look at
// other things of it meanwhile.
func (l Names) LoadFound(rr RigRef, ref Ref, needTune bool) (*Loaded, error) {
	d := &Loaded{Ref: ref, Texts: map[string][]byte{}}
	fp := rr.Fingerprint
	var err error
	if ref.When != "" {
		if d.Rev, fp, d.Job, err = l.when(rr, ref); err != nil {
			return nil, err
		}
		if d.Commit, err = l.Store.Revisions().Commit(d.Rev); err != nil {
			return nil, err
		}
	}
	rigText, err := l.read(d.Rev, preset.RigPath(fp))
	if err != nil {
		return nil, err
	}
	if d.Rig, _, err = preset.ReadRig(l.Cat, preset.RigPath(fp), rigText); err != nil {
		return nil, err
	}
	if now := d.Rig.Fingerprint(); d.Rev == "" && now != fp {
		d.Rig.Edited = now
	}
	d.Texts[preset.RigPath(fp)] = rigText
	if d.Sheet, err = l.Sheet(d.Rev, d.Rig.Gimbal); err != nil {
		return nil, err
	}
	path := preset.TunePath(fp, ref.Tune)
	text, err := l.read(d.Rev, path)
	if err != nil {
		if needTune || !isNotFound(err) {
			return nil, l.noTune(rr, ref, err)
		}
		return d, nil
	}
	t, doc, err := preset.ReadTune(l.Cat, path, text, d.Sheet)
	if err != nil {
		return nil, err
	}
	d.Tune, d.Doc = &t, doc
	d.Texts[path] = text
	return d, nil
}

// Text gives the bytes of a tune as they are, sound or not. Its error is Load's where there is
// no such tune.
func (l Names) Text(rr RigRef, ref Ref) ([]byte, error) {
	var rev store.Rev
	fp := rr.Fingerprint
	if ref.When != "" {
		var err error
		if rev, fp, _, err = l.when(rr, ref); err != nil {
			return nil, err
		}
	}
	text, err := l.read(rev, preset.TunePath(fp, ref.Tune))
	if err != nil {
		return nil, l.noTune(rr, ref, err)
	}
	return text, nil
}

func (l Names) noTune(rr RigRef, ref Ref, err error) error {
	if !isNotFound(err) {
		return err
	}
	names, _ := l.Tunes(rr.Fingerprint)
	msg := fmt.Sprintf("rig %s has no tune %q", rr.Alias, ref.Tune)
	if ref.When != "" {
		msg += " at " + ref.When
	}
	way := "Make one with: rigkeep start " + rr.Alias + " --write"
	if l.WasSaved(preset.TunePath(rr.Fingerprint, ref.Tune)) && ref.When == "" {
		way = "It was deleted and that is not saved; bring it back with: rigkeep restore " + rr.Alias + strings.TrimSuffix("/"+ref.Tune, "/"+preset.MainTune)
	} else if len(names) > 0 {
		way = "It has: " + strings.Join(names, ", ")
	}
	return &store.Error{Kind: store.ErrNotFound, Msg: msg, Hint: way}
}

func isNotFound(err error) bool { return store.ExitClass(err) == 3 }

var back = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^~(\d{0,6})$`) }) // ~ is ~1, as in git

// IsMoment reports, as an error, what is no WHEN of this library: no job, no ~N, no date and no
// commit. Whether a tune had a revision by then is another question.
func (l Names) IsMoment(when string) error {
	if back().MatchString(when) {
		return nil
	}
	if _, ok := l.date(when); ok {
		return nil
	}
	_, jerr := l.Jobs().Named(when)
	if jerr == nil || !isNotFound(jerr) {
		return jerr
	}
	_, err := l.Store.Revisions().Resolve(when)
	if isNotFound(err) {
		return &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("%q is not a job, date, ~N or commit in this library", when), Hint: "See the jobs with: rigkeep job list; the revisions of a rig with: rigkeep history RIG"}
	}
	return err
}

// when resolves WHEN for one rig and tune: the revision, the fingerprint the
// rig had then, and the job where one was named.
func (l Names) when(rr RigRef, ref Ref) (rev store.Rev, fp, job string, err error) {
	none := func(msg, way string) error { return &store.Error{Kind: store.ErrNotFound, Msg: msg, Hint: way} }
	prints := append([]string{rr.Fingerprint}, reversed(rr.Was)...)
	name := rr.Alias + "/" + ref.Tune
	if m := back().FindStringSubmatch(ref.When); m != nil {
		n := 1
		fmt.Sscan(m[1], &n)
		hist, err := l.Past().History(rr, ref.Tune, n+1)
		if err != nil {
			return "", "", "", err
		}
		if n >= len(hist) {
			return "", "", "", none(fmt.Sprintf("no %s: %s has only %s", ref.When, name, schema.Count(len(hist), "revision", "revisions")), "See them with: rigkeep history "+rr.Alias)
		}
		return hist[n].ID, hist[n].Fingerprint, "", nil
	}
	if t, ok := l.date(ref.When); ok {
		hist, err := l.Past().History(rr, ref.Tune, 0)
		if err != nil {
			return "", "", "", err
		}
		for _, h := range hist {
			if !h.When.After(t) {
				return h.ID, h.Fingerprint, "", nil
			}
		}
		return "", "", "", none(fmt.Sprintf("no revision of %s on or before %s", name, ref.When), "See them with: rigkeep history "+rr.Alias)
	}
	if slug, jerr := l.Jobs().Named(ref.When); jerr == nil {
		rev, fp, err := l.Jobs().pinned(slug, rr, ref.Tune)
		return rev, fp, slug, err
	} else if !isNotFound(jerr) {
		return "", "", "", jerr
	}
	rev, err = l.Store.Revisions().Resolve(ref.When)
	if err != nil {
		if isNotFound(err) {
			err = none(fmt.Sprintf("%q is not a job, date, ~N or commit in this library", ref.When), "See the revisions with: rigkeep history "+rr.Alias+"; the jobs with: rigkeep job list")
		}
		return "", "", "", err
	}
	for _, p := range prints {
		if _, err := l.Store.Revisions().ReadAt(rev, preset.RigPath(p)); err == nil {
			return rev, p, "", nil
		}
	}
	return "", "", "", none(fmt.Sprintf("rig %s did not exist at %s", rr.Alias, ref.When), "See its revisions with: rigkeep history "+rr.Alias)
}

func reversed(l []string) []string {
	out := make([]string, len(l))
	for i, s := range l {
		out[len(l)-1-i] = s
	}
	return out
}

// date reads a day or moment, yesterday, and the name of a day: the last one before today.
func (l Names) date(s string) (time.Time, bool) {
	zone := cmp.Or(l.Zone, time.UTC)
	if l.Now != nil {
		now := l.Now().In(zone)
		switch name := strings.ToLower(s); name {
		case "yesterday":
			s = schema.SayDay(now.AddDate(0, 0, -1), nil)
		case "today", "tomorrow":
		default:
			if t, ok := schema.ParseDay(name, now.AddDate(0, 0, -7)); ok {
				s = schema.SayDate(t)
			}
		}
	}
	return schema.ParseMoment(s, zone)
}

// At resolves WHEN for a file that is not a tune: a commit, ~N of the file's own
// revisions, or a date.
func (l Names) At(path, when string) (store.Rev, error) {
	t, ok := l.date(when)
	if !ok {
		return l.Store.Revisions().ResolveFor(path, when)
	}
	revs, err := l.Store.History().Of(path, 0)
	if err != nil {
		return "", err
	}
	for _, r := range revs {
		if !r.When.After(t) {
			return r.ID, nil
		}
	}
	return "", &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("no revision of %s on or before %s", path, when), Hint: "See the revisions with: rigkeep history", Paths: []string{path}}
}

// Revision is one commit that changed a tune, with the fingerprint its rig had.
type Revision struct {
	store.Commit
	Fingerprint string
	Path        string
	Blob        store.BlobID // "" when that commit took the tune away
}

// trail is where a rig's folder has lain.
func trail(rr RigRef) store.Trail {
	t := store.Trail{Guide: preset.RigName}
	for _, fp := range append([]string{rr.Fingerprint}, reversed(rr.Was)...) {
		t.Dirs = append(t.Dirs, preset.RigDir(fp))
	}
	return t
}

// History lists the commits that changed a tune, newest first, across the
// rig's earlier fingerprints; limit 0 is all.
func (l Past) History(rr RigRef, tune string, limit int) ([]Revision, error) {
	changes, err := l.Store.History().Along(trail(rr), tune+".toml", limit)
	if err != nil {
		return nil, err
	}
	out := make([]Revision, len(changes))
	for i, c := range changes {
		place, _ := preset.Locate(c.Path)
		out[i] = Revision{Commit: c.Commit, Fingerprint: place.Rig, Path: c.Path, Blob: c.Blob}
	}
	return out, nil
}

// pinned resolves a tune's pin on a job: the revision the job file names, else
// the newest revision saved for that job.
func (l Jobs) pinned(slug string, rr RigRef, tune string) (store.Rev, string, error) {
	j, err := l.Read("", slug)
	if err != nil {
		return "", "", err
	}
	hist, err := l.Past().History(rr, tune, 0)
	if err != nil {
		return "", "", err
	}
	prints := append([]string{rr.Fingerprint}, rr.Was...)
	for _, fp := range prints {
		if p, ok := j.Pin(fp, tune); ok && p.Revision != "" {
			return store.Rev(p.Revision), fp, nil
		}
	}
	if h, ok := savedFor(slug, hist); ok {
		return h.ID, h.Fingerprint, nil
	}
	return "", "", &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("job %s has no pin for %s/%s", slug, rr.Alias, tune), Hint: fmt.Sprintf("Pin it with: rigkeep job add %s %s", slug, rr.Alias)}
}

// Tune is the tune as it was at a revision, nil where there was none or it cannot be read.
func (l Past) Tune(h Revision) *preset.Tune {
	if h.Blob == "" {
		return nil
	}
	data, err := l.Store.Revisions().ReadBlob(h.Blob)
	if err != nil {
		return nil
	}
	t, err := preset.UncheckedTune(l.Cat, h.Path, data)
	if err != nil {
		return nil
	}
	return &t
}

// KeyHistory lists the revisions at which one value of a tune changed, newest
// first, across the rig's earlier fingerprints. Values are as written.
func (l Past) KeyHistory(rr RigRef, tune, key string, limit int) ([]store.KeyRevision, error) {
	extract := func(data []byte) (string, bool) {
		doc, err := file.Parse("", data)
		if err != nil {
			return "", false
		}
		v, ok := doc.Get(key)
		if !ok {
			return "", false
		}
		if n, isNum := schema.Number(v); isNum {
			return schema.Num(n), true
		}
		return fmt.Sprint(v), true
	}
	return l.Store.History().KeyAlong(trail(rr), tune+".toml", limit, extract)
}
