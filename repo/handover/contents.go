package handover

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/preset/photo"
	"rigkeep/repo/library"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// Trailer is the key of the line by which a revision of an extracted history names the revision
// that it was made from.
const Trailer = "Handover-Revision"

// Marker makes a clone of the bundle a library. It is the same in every handover and says
// nothing of the sender's.
const Marker = "# The history of a handover, by itself. This file makes a clone of it a library.\nformat = 1\nkind = \"library\"\nname = \"From a handover\"\n"

// Contents is what goes into a handover, or came out of one.
type Contents struct {
	Sender   Sender
	Note     string
	Revision store.Rev // the sender's newest revision that changed any of it
	Time     time.Time // of that revision
	Rigs     []Rig
	Jobs     []preset.Job      // jobs that pin the tunes, oldest first
	Units    []library.UnitRef // those that the tunes are pinned to, name, or are on; as much of them as concerns the rigs
	Files    map[string][]byte // texts and photos by path in a library
	History  *store.Bundle
}

// PhotosOf is how many photos of a rig go along, the newest ones; their history does not.
const PhotosOf = 2

// Rig is one rig of a handover.
type Rig struct {
	preset.Rig
	Whole    bool // all its tunes
	Sheet    *schema.Sheet
	Tunes    []Tune // main first
	Logs     []preset.BenchLog
	Balances []preset.BalanceRecord
	Photos   []string // paths, newest first
}

// Tune is one tune of a rig.
type Tune struct {
	Name string
	Path string
	preset.Tune
}

// Wanted names a rig to hand over, and which of its tunes; none means the whole rig.
type Wanted struct {
	Rig   library.RigRef
	Tunes []string
}

// Gather collects rigs as they are in the library's last revision, with their history.
//
// Errors: ErrNotFound for a tune that has not been saved, or a rig without any; those of reading.
func Gather(l *library.Library, wanted []Wanted) (*Contents, error) {
	head, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	c := &Contents{Files: map[string][]byte{}}
	var entries []RigEntry
	var folders []string
	for _, w := range wanted {
		e := RigEntry{Fingerprint: w.Rig.Fingerprint, Whole: len(w.Tunes) == 0}
		if slices.ContainsFunc(entries, func(o RigEntry) bool { return o.Fingerprint == e.Fingerprint }) {
			return nil, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("the rig %s is named twice", w.Rig.Alias), Hint: "Name each rig once: RIG for all its tunes, RIG/TUNE for one"}
		}
		if err := c.gatherRig(l, head, w, &e); err != nil {
			return nil, err
		}
		of, err := historyFolders(l, head, e)
		if err != nil {
			return nil, err
		}
		folders = append(folders, of...)
		entries = append(entries, e)
	}
	q := extraction(head, Manifest{Rigs: entries}.allowed())
	q.Folders = folders
	if c.History, err = l.Store.Exchange().Extract(q); err != nil {
		return nil, err
	}
	if c.History == nil {
		return nil, &store.Error{Kind: store.ErrDamaged, Msg: "no revision holds these rigs", Hint: "Run rigkeep check --git"}
	}
	tip, _ := c.History.Commit(c.History.Tip)
	c.Revision, c.Time = store.Rev(tip.Trailer(Trailer)), tip.When
	if err := c.gatherJobs(l, head, entries); err != nil {
		return nil, err
	}
	if err := c.decode(l.Cat, entries); err != nil {
		return nil, err
	}
	return c, c.gatherUnits(l, head)
}

// gatherRig collects the files of one rig, and says in e what they are.
func (c *Contents) gatherRig(l *library.Library, head store.Rev, w Wanted, e *RigEntry) error {
	files, err := l.Store.Revisions().ListAt(head, preset.RigDir(e.Fingerprint)+"/")
	if err != nil {
		return err
	}
	var photos []store.Entry
	for _, f := range files {
		if _, is := preset.LocatePhoto(f.Path); is {
			photos = append(photos, f)
			continue
		}
		p, ok := preset.Locate(f.Path)
		if !ok || p.Kind == schema.KindTune && !e.Whole && !slices.Contains(w.Tunes, p.Name) {
			continue
		}
		if c.Files[f.Path], err = l.Store.Revisions().ReadBlob(f.Blob); err != nil {
			return err
		}
		if p.Kind == schema.KindTune {
			e.Tunes = append(e.Tunes, p.Name)
		}
	}
	if err := c.gatherPhotos(l, photos); err != nil {
		return err
	}
	e.Tunes = tuneOrder(e.Tunes)
	for _, t := range w.Tunes {
		if !slices.Contains(e.Tunes, t) {
			return &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("the last revision holds no tune %s of %s", t, w.Rig.Alias), Hint: "Save it first: rigkeep save " + w.Rig.Alias + " -m WHY"}
		}
	}
	if len(e.Tunes) == 0 {
		return &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("the last revision holds no tune of %s, so there is nothing to hand over", w.Rig.Alias), Hint: "Make one with: rigkeep start " + w.Rig.Alias + " --write, and save it"}
	}
	rig, err := l.Rig(head, e.Fingerprint)
	if err != nil {
		return err
	}
	e.Alias, e.Gimbal, e.Was = rig.Alias, rig.Gimbal, append([]string{}, rig.Was...)
	c.Files[preset.GimbalPath(rig.Gimbal)], err = l.Store.Revisions().ReadAt(head, preset.GimbalPath(rig.Gimbal))
	return err
}

// gatherPhotos takes the newest photos of a rig along.
func (c *Contents) gatherPhotos(l *library.Library, photos []store.Entry) error {
	slices.SortFunc(photos, func(a, b store.Entry) int { return strings.Compare(b.Path, a.Path) }) // by day
	for _, f := range photos[:min(len(photos), PhotosOf)] {
		data, err := l.Store.Revisions().ReadBlob(f.Blob)
		if err != nil {
			return err
		}
		if photo.IsClean(data) { // one put there by hand may say where it was taken
			c.Files[f.Path] = data
		}
	}
	return nil
}

// historyFolders are the folders of a rig's history: its own, and those of the builds it was.
func historyFolders(l *library.Library, head store.Rev, e RigEntry) ([]string, error) {
	folders := []string{preset.RigDir(e.Fingerprint)}
	for _, fp := range e.Was {
		now, err := l.Store.Revisions().ListAt(head, preset.RigDir(fp)+"/")
		if err != nil {
			return nil, err
		}
		if len(now) == 0 { // else that build is another rig's by now, and not ours to give away
			folders = append(folders, preset.RigDir(fp))
		}
	}
	return folders, nil
}

// extraction is what both sides extract a history by: the files of the rigs, the sheets that their
// build sheets name in each revision, and the marker.
func extraction(at store.Rev, permit func(path string) error) store.Extraction {
	return store.Extraction{
		At: at, Trailer: Trailer, Always: []store.File{{Path: preset.LibraryPath, Data: []byte(Marker)}},
		Keep:  func(path string) bool { return permit(path) == nil },
		Drawn: "gimbals",
		Needs: func(path string, data []byte) []string {
			if p, ok := preset.Locate(path); !ok || p.Kind != schema.KindRig {
				return nil
			}
			tree, err := file.Values(path, data)
			if err != nil {
				return nil
			}
			return []string{preset.GimbalPath(schema.Flatten(tree).Str("gimbal"))}
		},
	}
}

// gatherJobs adds the jobs that pin any of the tunes, without what concerns others: other rigs'
// pins and shots, names of the crew, and what was accepted in a review. Pins name the revisions
// of the extracted history.
func (c *Contents) gatherJobs(l *library.Library, head store.Rev, rigs []RigEntry) error {
	files, err := l.Store.Revisions().ListAt(head, "jobs/")
	if err != nil {
		return err
	}
	for _, f := range files {
		p, ok := preset.Locate(f.Path)
		if !ok || p.Kind != schema.KindJob {
			continue
		}
		data, err := l.Store.Revisions().ReadBlob(f.Blob)
		if err != nil {
			return err
		}
		if !slices.ContainsFunc(rigs, func(r RigEntry) bool {
			return slices.ContainsFunc(r.prints(), func(fp string) bool { return bytes.Contains(data, []byte(fp)) })
		}) {
			continue
		}
		j, doc, err := preset.ReadJob(l.Cat, f.Path, data)
		if err != nil {
			continue // a broken job is said by check; it is no reason to keep the rig back
		}
		doc, pins, err := c.ownPart(doc, j, rigs)
		if err != nil {
			return err
		}
		if pins > 0 {
			c.Files[f.Path] = doc.Text()
		}
	}
	return nil
}

// ownPart takes out of a job what does not concern the rigs.
func (c *Contents) ownPart(doc *file.Doc, j preset.Job, rigs []RigEntry) (*file.Doc, int, error) {
	var edits []file.Edit
	drop := func(parts ...any) { edits = append(edits, file.Edit{Key: file.Join(parts...), Delete: true}) }
	pins := 0
	for i := len(j.Pins) - 1; i >= 0; i-- {
		pin := j.Pins[i]
		ours := slices.ContainsFunc(rigs, func(r RigEntry) bool {
			return (r.Fingerprint == pin.Rig || slices.Contains(r.Was, pin.Rig)) && slices.Contains(r.Tunes, pin.Tune)
		})
		made := c.History.Made(store.Rev(pin.Revision))
		switch {
		case !ours, pin.Revision != "" && made == "":
			drop("pin", i)
			continue
		case pin.Revision != "":
			edits = append(edits, file.Edit{Key: file.Join("pin", i, "revision"), Value: string(made)})
		}
		pins++
	}
	for i := len(j.Shots) - 1; i >= 0; i-- {
		rig := j.Shots[i].Rig
		if rig != "" && !slices.ContainsFunc(rigs, func(r RigEntry) bool { return r.Alias == rig || strings.HasPrefix(r.Fingerprint, rig) }) {
			drop("shot", i)
		}
	}
	for i := range j.Crew {
		if j.Crew[i].Name != "" {
			drop("crew", i, "name")
		}
	}
	for i := len(j.Accepted) - 1; i >= 0; i-- {
		drop("accepted", i)
	}
	doc, err := doc.Apply(edits...)
	return doc, pins, err
}

// decode reads every text strictly and works out what it means. It is the same for what goes out
// and what comes in.
func (c *Contents) decode(cat *schema.Catalogue, entries []RigEntry) error {
	d := decoder{Contents: c, cat: cat, place: map[string]preset.Place{}, docs: map[string]*file.Doc{},
		photos: map[string][]string{}, sheets: map[string]*schema.Sheet{}, used: map[string]bool{}}
	if err := d.read(); err != nil {
		return err
	}
	for _, e := range entries {
		r, err := d.rig(e)
		if err != nil {
			return err
		}
		c.Rigs = append(c.Rigs, r)
	}
	for _, path := range c.Paths() {
		switch p := d.place[path]; {
		case p.Kind == schema.KindJob:
			if err := d.job(path, entries); err != nil {
				return err
			}
		case p.Kind == schema.KindUnit:
		case !d.used[path]:
			return fmt.Errorf("%q belongs to none of its rigs", path)
		}
	}
	for _, path := range c.Paths() { // what a unit may say depends on the jobs
		if p := d.place[path]; p.Kind == schema.KindUnit {
			if err := c.checkUnit(cat, path, p, d.docs[path]); err != nil {
				return err
			}
		}
	}
	return nil
}

// decoder is the contents while they are decoded.
type decoder struct {
	*Contents
	cat    *schema.Catalogue
	place  map[string]preset.Place // of each text
	docs   map[string]*file.Doc
	photos map[string][]string // by rig, oldest first
	sheets map[string]*schema.Sheet
	used   map[string]bool // the paths that belong to a rig
}

// read reads the texts, and looks at the photos.
func (d *decoder) read() error {
	for _, path := range d.Paths() {
		if p, ok := preset.LocatePhoto(path); ok {
			if err := checkPhoto(path, p, d.Files[path]); err != nil {
				return err
			}
			d.photos[p.Rig] = append(d.photos[p.Rig], path)
			continue
		}
		p, ok := preset.Locate(path)
		if !ok || p.Kind == schema.KindLibrary {
			return fmt.Errorf("%q has no place in a handover", path)
		}
		doc, err := preset.ReadAs(d.cat, path, p.Kind, d.Files[path], nil)
		if err != nil {
			return err
		}
		d.place[path], d.docs[path] = p, doc
	}
	for path, p := range d.place {
		if p.Kind == schema.KindGimbal {
			d.sheets[p.Name] = preset.SheetIn(d.cat, d.docs[path])
		}
	}
	return nil
}

// rig works out one rig, and holds it against what the manifest says of it.
func (d *decoder) rig(e RigEntry) (r Rig, err error) {
	path := preset.RigPath(e.Fingerprint)
	doc := d.docs[path]
	if doc == nil {
		return r, fmt.Errorf("it has no build sheet of the rig %s", e.Fingerprint)
	}
	d.used[path] = true
	photos := d.photos[e.Fingerprint]
	if len(photos) > PhotosOf {
		return r, fmt.Errorf("it has %d photos of %s; at most %d are allowed", len(photos), e.Alias, PhotosOf)
	}
	for _, path := range photos {
		d.used[path] = true
	}
	r = Rig{Rig: preset.RigIn(doc), Whole: e.Whole, Photos: photos}
	slices.Reverse(r.Photos)
	if now := r.Fingerprint(); now != e.Fingerprint {
		return r, doc.Fault("part", fmt.Sprintf("the build has the fingerprint %s and is said to be %s", now, e.Fingerprint), "", "ask the sender for the file again")
	}
	if r.Alias != e.Alias || r.Gimbal != e.Gimbal || !slices.Equal(r.Was, e.Was) {
		return r, doc.Fault("alias", "alias, gimbal or earlier fingerprints are not those of the manifest", "", "ask the sender for the file again")
	}
	if r.Sheet = d.sheets[r.Gimbal]; r.Sheet == nil {
		return r, fmt.Errorf("it has no sheet of the gimbal %s", r.Gimbal)
	}
	d.used[preset.GimbalPath(r.Gimbal)] = true
	if err := r.Check(); err != nil {
		return r, doc.Fault("part", err.Error(), "", "correct the part")
	}
	for _, path := range d.Paths() {
		p := d.place[path]
		if p.Rig != e.Fingerprint || p.Kind == schema.KindRig || d.docs[path] == nil {
			continue
		}
		d.used[path] = true
		if err := d.fileOf(&r, path, p); err != nil {
			return r, err
		}
	}
	var names []string
	for _, t := range r.Tunes {
		names = append(names, t.Name)
	}
	if !slices.Equal(tuneOrder(names), e.Tunes) {
		return r, fmt.Errorf("the tunes of %s are not those of the manifest", e.Alias)
	}
	slices.SortStableFunc(r.Tunes, func(a, b Tune) int { return slices.Index(e.Tunes, a.Name) - slices.Index(e.Tunes, b.Name) })
	return r, nil
}

// fileOf puts a record, a bench log or a tune in the folder of a rig into it.
func (d *decoder) fileOf(r *Rig, path string, p preset.Place) error {
	doc := d.docs[path]
	if p.Kind == schema.KindBalance {
		b := preset.BalanceIn(doc)
		if b.Rig != p.Rig && !slices.Contains(r.Was, b.Rig) {
			return doc.Fault("rig", fmt.Sprintf("the record is of rig %s and lies in the folder of %s", b.Rig, p.Rig), "", "correct the key, or move the file")
		}
		r.Balances = append(r.Balances, b)
		return nil
	}
	if says := schema.Flatten(doc.Tree()).Str("rig"); says != p.Rig {
		return doc.Fault("rig", fmt.Sprintf("the file says it is for rig %s and lies in the folder of %s", says, p.Rig), "", "correct the key, or move the file")
	}
	if p.Kind == schema.KindBench {
		r.Logs = append(r.Logs, preset.BenchIn(doc))
		return nil
	}
	// its values against the dials of the sheet that comes with it
	if err := preset.Check(d.cat, p.Kind, doc, r.Sheet); err != nil {
		return err
	}
	r.Tunes = append(r.Tunes, Tune{p.Name, path, preset.TuneIn(d.cat, doc)})
	return nil
}

// job puts a job in, which may pin only what is in this handover.
func (d *decoder) job(path string, entries []RigEntry) error {
	j := preset.JobIn(d.docs[path])
	for i, pin := range j.Pins {
		_, known := d.History.Commit(store.Rev(pin.Revision))
		if !known && pin.Revision != "" || !slices.ContainsFunc(entries, func(r RigEntry) bool {
			return slices.Contains(r.prints(), pin.Rig) && slices.Contains(r.Tunes, pin.Tune)
		}) {
			return d.docs[path].Fault(file.Join("pin", i), "it pins what is not in this handover", "", "ask the sender for the file again")
		}
	}
	d.Jobs = append(d.Jobs, j)
	return nil
}

// checkPhoto holds a photo to what Rigkeep makes of one, so that nothing else comes in as one.
func checkPhoto(path string, p preset.Place, data []byte) error {
	if !photo.IsClean(data) {
		return fmt.Errorf("%q is not a photo as Rigkeep makes them", path)
	}
	day, err := time.Parse("2006-01-02", p.Name[:10])
	if err != nil || preset.PhotoPath(p.Rig, day, data) != path {
		return fmt.Errorf("%q does not have the name of the photo that it is", path)
	}
	return nil
}

// Paths lists the paths of the files, sorted.
func (c *Contents) Paths() []string {
	var out []string
	for p := range c.Files {
		out = append(out, p)
	}
	slices.Sort(out)
	return out
}

// entries are the rigs as the manifest lists them.
func (c *Contents) entries() []RigEntry {
	var out []RigEntry
	for _, r := range c.Rigs {
		e := RigEntry{Fingerprint: r.ID, Alias: r.Alias, Gimbal: r.Gimbal, Was: append([]string{}, r.Was...), Whole: r.Whole}
		for _, t := range r.Tunes {
			e.Tunes = append(e.Tunes, t.Name)
		}
		out = append(out, e)
	}
	return out
}
