package library

import (
	"context"
	"fmt"
	"path"
	"sort"
	"strings"
	"time"

	"rigkeep/preset"
	"rigkeep/preset/photo"
	"rigkeep/repo/store"
)

// PhotoAttribute tells plain git that photos are never merged or compared as text.
const PhotoAttribute = "*.jpg binary"

// MaxPhotos is how many photos a rig may have.
const MaxPhotos = 8

// Photo is one photo of a rig.
type Photo struct {
	Path string
	Name string // of its file without .jpg: the day it was added and a sum
	Size int    // bytes
}

// List lists a rig's photos in the work tree, newest day first.
func (l Photos) List(rr RigRef) ([]Photo, error) {
	list, err := l.Store.Work().List(preset.RigDir(rr.Fingerprint) + "/photos/")
	if isNotFound(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []Photo
	for _, p := range list {
		if place, ok := preset.LocatePhoto(p); ok {
			data, err := l.Store.Work().Read(p)
			if err != nil {
				return nil, err
			}
			out = append(out, Photo{p, place.Name, len(data)})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Name > out[j].Name })
	return out, nil
}

// Add makes photos small and clean, and saves them with the rig as one revision, all or
// none. day is the day that their names begin with.
//
// Errors: *photo.Error for what is not a photo; store.ErrChanged for more than MaxPhotos, and for one
// that the rig has already; those of the store.
func (l Photos) Add(ctx context.Context, rr RigRef, files []NewFile, subject string, who store.Person, when time.Time) ([]string, store.Rev, error) {
	q, paths, err := l.planPhotos(rr, files, when)
	if err != nil {
		return nil, "", err
	}
	q.Subject, q.Author, q.When = subject, who, when
	rev, err := l.Store.Writer().Save(ctx, q)
	l.Names().forget()
	return paths, rev, err
}

// Check is Add without saving: what it would write, and its errors.
func (l Photos) Check(rr RigRef, files []NewFile, when time.Time) ([]string, error) {
	_, paths, err := l.planPhotos(rr, files, when)
	return paths, err
}

func (l Photos) planPhotos(rr RigRef, files []NewFile, when time.Time) (q store.SaveRequest, paths []string, err error) {
	have, err := l.List(rr)
	if err != nil {
		return q, nil, err
	}
	if n := len(have) + len(files); n > MaxPhotos {
		return q, nil, &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("%s would have %d photos; a rig has at most %d", rr.Alias, n, MaxPhotos), Hint: "Try: rigkeep photo remove " + rr.Alias + " " + oldest(have)}
	}
	sums := map[string]string{}
	for _, p := range have {
		sums[p.Name[11:]] = p.Name
	}
	q = store.SaveRequest{WriteWork: true, Seen: map[string]store.BlobID{}}
	for _, f := range files {
		clean, err := photo.Clean(f.Text)
		if err != nil {
			return q, nil, fmt.Errorf("%s: %w", f.What, err)
		}
		to := preset.PhotoPath(rr.Fingerprint, when, clean)
		sum := strings.TrimSuffix(path.Base(to), ".jpg")[11:]
		if there, ok := sums[sum]; ok {
			return q, nil, &store.Error{Kind: store.ErrChanged, Msg: fmt.Sprintf("%s: %s has this photo already, as %s", f.What, rr.Alias, there), Hint: "Try: rigkeep photo list " + rr.Alias}
		}
		sums[sum] = f.What
		q.Files = append(q.Files, store.File{Path: to, Data: clean})
		q.Seen[to] = ""
		paths = append(paths, to)
	}
	return q, paths, nil
}

func oldest(have []Photo) string {
	if len(have) == 0 {
		return "PHOTO"
	}
	return have[len(have)-1].Name
}

// Find finds one photo of a rig by the beginning of its name or of its sum.
func (l Photos) Find(rr RigRef, name string) (Photo, error) {
	have, err := l.List(rr)
	if err != nil {
		return Photo{}, err
	}
	asked := strings.TrimSuffix(path.Base(strings.ToLower(name)), ".jpg")
	var hits []Photo
	var names []string
	for _, p := range have {
		names = append(names, p.Name)
		if asked != "" && (strings.HasPrefix(p.Name, asked) || strings.HasPrefix(p.Name[11:], asked)) {
			hits = append(hits, p)
		}
	}
	switch len(hits) {
	case 1:
		return hits[0], nil
	case 0:
		return Photo{}, &store.Error{Kind: store.ErrNotFound, Msg: fmt.Sprintf("%s has no photo %q", rr.Alias, name), Hint: nearest(asked, names, "Try: rigkeep photo list "+rr.Alias)}
	}
	return Photo{}, &store.Error{Kind: store.ErrBadPath, Msg: fmt.Sprintf("%q fits %d photos", name, len(hits)), Hint: "Give more of the name: " + hits[0].Name}
}

// Remove takes a photo out of the library; its history stays.
func (l Photos) Remove(ctx context.Context, p Photo, subject string, who store.Person, when time.Time) (store.Rev, error) {
	data, err := l.Store.Work().Read(p.Path)
	if err != nil {
		return "", err
	}
	defer l.Names().forget()
	return l.Store.Writer().Save(ctx, store.SaveRequest{Files: []store.File{{Path: p.Path, Delete: true}}, Subject: subject, Author: who, When: when, WriteWork: true,
		Seen: map[string]store.BlobID{p.Path: store.BlobIDOf(data)}})
}

// Strays lists the files of a rig's folder that no command looks after: not one of Rigkeep's, or
// a photo that was put there by hand, which may still say where it was taken. Hidden files are
// left out.
func (l *Library) Strays(fp string) ([]string, error) {
	list, err := l.Store.Work().List(preset.RigDir(fp) + "/")
	if err != nil {
		return nil, err
	}
	var out []string
	for _, p := range list {
		if l.isStray(p) {
			out = append(out, p)
		}
	}
	return out, nil
}

func (l *Library) isStray(p string) bool {
	if strings.HasPrefix(path.Base(p), ".") {
		return false
	}
	if _, ok := preset.Locate(p); ok {
		return false
	}
	_, isPhoto := preset.LocatePhoto(p)
	return !isPhoto || !l.Names().WasSaved(p)
}

// StrayHint says what to do with a file that was put into a rig's folder by hand.
func StrayHint(alias, p string) string {
	switch strings.ToLower(path.Ext(p)) {
	case ".jpg", ".jpeg", ".png", ".heic":
		return "rigkeep photo add " + alias + " " + p
	case ".toml":
		return "move it to where Rigkeep reads it, or remove it"
	}
	return "move it out of the rig's folder; Rigkeep does not keep it"
}

// checkStray tells of a file in a rig's folder that is not looked after, and of a saved photo that
// is not as photo add makes it.
func (l *Library) checkStray(fp, p string, add func(Finding)) {
	if l.isStray(p) {
		alias := fp
		if r, ok := l.Names().workRef(fp); ok && r.Alias != "" {
			alias = r.Alias
		}
		add(Finding{Path: p, What: "this file lies in the rig's folder and is in no revision and not kept", Fix: StrayHint(alias, p), Warning: true})
		return
	}
	if _, ok := preset.LocatePhoto(p); !ok {
		return
	}
	data, err := l.Store.Work().Read(p)
	if err == nil && !photo.IsClean(data) {
		add(Finding{Path: p, What: "the photo is not as photo add makes it: it may say where it was taken, or is too large", Fix: "add it again with photo add, and remove this one", Warning: true})
	}
}
