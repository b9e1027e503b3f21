// Package library gives the git-backed store its meaning: rigs by name, tunes
// by reference, sheets, jobs and bench logs, read strictly and written in
// place. It knows no flags and prints nothing.
package library

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// checkFormat refuses a library made by a newer program before anything is read.
func (l *Library) checkFormat() error {
	data, err := l.Store.Work().Read(preset.LibraryPath)
	if err != nil {
		return err
	}
	_, err = l.Parse(preset.LibraryPath, data, nil)
	return err
}

// Parse is preset.Read by the catalogue of the library.
func (l *Library) Parse(path string, data []byte, sheet *schema.Sheet) (*file.Doc, error) {
	return preset.Read(l.Cat, path, data, sheet)
}

// read returns the bytes at a path, in the work tree for the empty revision.
func (l *Library) read(rev store.Rev, path string) ([]byte, error) {
	if rev == "" {
		return l.Store.Work().Read(path)
	}
	return l.Store.Revisions().ReadAt(rev, path)
}

// Doc reads and checks one file; rev "" is the work tree.
func (l *Library) Doc(rev store.Rev, path string) (*file.Doc, error) {
	data, err := l.read(rev, path)
	if err != nil {
		return nil, err
	}
	var sheet *schema.Sheet
	if place, ok := preset.Locate(path); ok && place.Kind == schema.KindTune {
		// the dials are those of the rig's gimbal at the same revision; a missing
		// or broken sheet is that file's fault and is said when it is read
		if r, err := l.Rig(rev, place.Rig); err == nil {
			sheet, _ = l.Sheet(rev, r.Gimbal)
		}
	}
	return l.Parse(path, data, sheet)
}

// Sheet reads a gimbal sheet, with the units of that gimbal at the same revision.
func (l *Library) Sheet(rev store.Rev, slug string) (*schema.Sheet, error) {
	id := string(rev) + "/" + slug
	l.mu.Lock()
	s, ok := l.sheets[id]
	l.mu.Unlock()
	if ok {
		return s, nil
	}
	path := preset.GimbalPath(slug)
	data, err := l.read(rev, path)
	if errors.Is(err, store.ErrNotFound) {
		return nil, l.noGimbal(slug)
	}
	if err != nil {
		return nil, err
	}
	// most revisions have the same sheet: the same text is read once
	text := "blob/" + string(store.BlobIDOf(data)) + "/" + slug
	l.mu.Lock()
	sheet, ok := l.sheets[text]
	l.mu.Unlock()
	if !ok {
		if sheet, err = preset.ReadSheet(l.Cat, path, data); err != nil {
			return nil, err
		}
	}
	units, err := l.Units().unitsAt(rev, slug)
	if err != nil {
		return nil, err
	}
	with := sheet
	if len(units) > 0 {
		own := *sheet
		own.Units = units
		with = &own
	}
	l.mu.Lock()
	l.sheets[id], l.sheets[text] = with, sheet
	l.mu.Unlock()
	return with, nil
}

func (l *Library) noGimbal(slug string) error {
	slugs, _ := l.Gimbals()
	way := "Add its sheet with: rigkeep gimbal new, or rigkeep gimbal add FILE"
	way = nearest(slug, slugs, way)
	return &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("no gimbal sheet %q in this library", slug), Hint: way, Paths: []string{preset.GimbalPath(slug)}}
}

// Gimbals lists the slugs of the sheets in the work tree.
func (l *Library) Gimbals() ([]string, error) { return l.names("gimbals/") }

// Slugs lists the slugs of the jobs in the work tree, oldest first.
func (l Jobs) Slugs() ([]string, error) { return l.names("jobs/") }

func (l *Library) names(dir string) ([]string, error) {
	es, err := l.Store.Work().List(dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range es {
		if p, ok := preset.Locate(e); ok {
			out = append(out, p.Name)
		}
	}
	sort.Strings(out)
	return out, nil
}

// Rig reads a build sheet by its fingerprint.
func (l *Library) Rig(rev store.Rev, fp string) (preset.Rig, error) {
	path := preset.RigPath(fp)
	data, err := l.read(rev, path)
	if err != nil {
		return preset.Rig{}, err
	}
	r, _, err := preset.ReadRig(l.Cat, path, data)
	return r, err
}

// Read reads a job by its slug.
func (l Jobs) Read(rev store.Rev, slug string) (preset.Job, error) {
	doc, err := l.Doc(rev, preset.JobPath(slug))
	if err != nil {
		return preset.Job{}, err
	}
	return preset.JobIn(doc), nil
}

// Named is Find for a person who types less: the first whole words of a job's name do,
// where only one job begins with them.
func (l Jobs) Named(name string) (string, error) {
	slug, err := l.Find(name)
	if !isNotFound(err) {
		return slug, err
	}
	all, jerr := l.Slugs()
	if jerr != nil {
		return "", jerr
	}
	words := schema.Slug(name) + "-"
	var hits []string
	for _, s := range all {
		if len(s) > 11 && len(words) > 1 && strings.HasPrefix(s[11:], words) {
			hits = append(hits, s)
		}
	}
	switch len(hits) {
	case 0:
		return "", err
	case 1:
		return hits[0], nil
	}
	return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q names %d jobs: %s", name, len(hits), strings.Join(hits, ", ")), Hint: "Give more of its name"}
}

// Find resolves a job by its slug or by the part behind the date, which must
// be unique.
func (l Jobs) Find(name string) (string, error) {
	all, err := l.Slugs()
	if err != nil {
		return "", err
	}
	asked := schema.CanonicalName(name)
	words := schema.Slug(name) // the job's name as it was opened
	var hits, short []string
	for _, s := range all {
		tail := s
		if len(s) > 11 {
			tail = s[11:]
		}
		short = append(short, tail)
		if s == asked {
			return s, nil
		}
		if tail == asked || tail == words {
			hits = append(hits, s)
		}
	}
	if len(hits) == 1 {
		return hits[0], nil
	}
	if len(hits) > 1 {
		return "", &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q names %d jobs: %s", name, len(hits), strings.Join(hits, ", ")), Hint: "Give the whole name with its date"}
	}
	way := "List them with: rigkeep job list"
	way = nearest(name, append(short, all...), way)
	return "", &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("no job %q in this library", name), Hint: way}
}

// Tunes lists the names of a rig's tunes in the work tree, main first.
func (l *Library) Tunes(fp string) ([]string, error) {
	es, err := l.Store.Work().List(preset.RigDir(fp) + "/")
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range es {
		if p, ok := preset.Locate(e); ok && p.Kind == schema.KindTune {
			out = append(out, p.Name)
		}
	}
	slices.SortFunc(out, preset.TuneOrder)
	return out, nil
}

// Changed lists what differs from the last revision at or below the given
// paths (a folder ends in a slash), without looking at the rest; with no path,
// everywhere. Only files that Rigkeep reads count.
func (l *Library) Changed(paths ...string) ([]store.Change, error) {
	if len(paths) == 0 {
		return l.Store.Work().Status()
	}
	head, err := l.Store.Head()
	if err != nil {
		return nil, err
	}
	now, was := map[string]bool{}, map[string]store.BlobID{}
	for _, p := range paths {
		if !strings.HasSuffix(p, "/") {
			now[p] = true
		} else {
			list, err := l.Store.Work().List(p)
			if err != nil && !isNotFound(err) {
				return nil, err
			}
			for _, f := range list {
				now[f] = true
			}
		}
		if head == "" {
			continue
		}
		es, err := l.Store.Revisions().ListAt(head, p)
		if err != nil && !isNotFound(err) {
			return nil, err
		}
		for _, e := range es {
			was[e.Path] = e.Blob
			now[e.Path] = true
		}
	}
	var out []store.Change
	for _, p := range sortedNames(now) {
		if _, ok := preset.Locate(p); !ok && !isWrites(p) {
			continue
		}
		data, err := l.Store.Work().Read(p)
		switch {
		case isNotFound(err):
			if was[p] != "" {
				out = append(out, store.Change{Path: p, Kind: store.Deleted, Unstaged: true})
			}
		case err != nil:
			return nil, err
		case was[p] == "":
			out = append(out, store.Change{Path: p, Kind: store.Added, Unstaged: true})
		case store.BlobIDOf(data) != was[p]:
			out = append(out, store.Change{Path: p, Kind: store.Modified, Unstaged: true})
		}
	}
	return out, nil
}

// Small reports whether looking at every file takes no noticeable time.
func (l *Library) Small() bool {
	n, err := l.Store.Work().Tracked()
	return err == nil && n <= 3000
}
