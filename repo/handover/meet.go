package handover

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"rigkeep/preset"
	"rigkeep/preset/file"
	"rigkeep/repo/library"
	"rigkeep/repo/merge"
	"rigkeep/repo/store"
	"rigkeep/schema"
)

// meet finds where the two histories part: in the library's own history of these rigs, extracted
// as the sender extracted theirs.
func (x *accepting) meet() error {
	q := extraction(x.head, func(path string) error {
		if !x.selected(path) {
			return fmt.Errorf("not about these rigs")
		}
		return nil
	})
	for fp := range x.prints {
		q.Folders = append(q.Folders, preset.RigDir(fp))
	}
	slices.Sort(q.Folders)
	own, err := x.l.Store.Exchange().Extract(q)
	if err != nil || own == nil {
		return err
	}
	if len(x.ours) == 0 {
		return nil // the rigs were here once and were removed: they come back whole
	}
	bases := x.p.History.MergeBases(own)
	if len(bases) == 0 {
		return nil
	}
	x.a.Base = bases[0]
	if x.a.Base != x.p.History.Tip {
		x.base, err = x.state(bases, 0)
		return err
	}
	old := &Old{zone: x.l.Zone}
	known := x.p.History.Ancestors(x.p.History.Tip)
	for _, c := range own.Commits() {
		// the same rigs may have come in before with another note, or other records of units
		if sum := c.Trailer(library.HandoverTrailer); sum == x.p.Digest || sum != "" && slices.Contains(c.Parents, x.p.History.Tip) {
			old.Accept = &c
		}
		if !known[c.ID] {
			old.Since++
		}
	}
	old.Same = old.Since == 0 || old.Accept != nil && old.Accept.ID == own.Tip
	return old
}

// state gives the files where the histories part. After two people took each other's handover in,
// there are several such places; they are merged first, so that what one side took back since is
// not mistaken for what it never had.
func (x *accepting) state(bases []store.Rev, depth int) (map[string][]byte, error) {
	at, err := x.filesAt(bases[0])
	if err != nil || depth >= maxCriss {
		return at, err
	}
	for _, b := range bases[1:min(len(bases), maxCriss)] {
		other, err := x.filesAt(b)
		if err != nil {
			return nil, err
		}
		low := map[string][]byte{}
		if under := x.p.History.MergeBase(bases[0], b); len(under) > 0 {
			if low, err = x.state(under, depth+1); err != nil {
				return nil, err
			}
		}
		out, err := merge.Set(merge.SetInput{Cat: x.l.Cat, Base: texts(low), Ours: texts(at), Theirs: texts(other), OursChanged: differ(low, at), TheirsChanged: differ(low, other), Virtual: true})
		if err != nil {
			return nil, err
		}
		for p, text := range out.Files {
			if text == nil {
				delete(at, p)
			} else {
				at[p] = text
			}
		}
	}
	return at, nil
}

// filesAt are the files of a revision of the handover's history, but for the library's own.
func (x *accepting) filesAt(rev store.Rev) (map[string][]byte, error) {
	files, err := x.p.History.Files(rev)
	if err != nil {
		return nil, err
	}
	out := map[string][]byte{}
	for _, f := range files {
		if f.Path != preset.LibraryPath {
			out[f.Path] = x.p.History.Contents(f.Blob)
		}
	}
	return out, nil
}

// texts is a state of a library by itself.
type texts map[string][]byte

func (t texts) Read(path string) ([]byte, error) { return t[path], nil }

func (t texts) List(prefix string) ([]string, error) {
	var out []string
	for _, p := range sortedPaths(t) {
		if strings.HasPrefix(p, prefix) {
			out = append(out, p)
		}
	}
	return out, nil
}

// differ lists the paths whose contents are not the same in two states.
func differ(a, b map[string][]byte) []string {
	paths := map[string][]byte{}
	for _, m := range []map[string][]byte{a, b} {
		for p := range m {
			if x, y := a[p], b[p]; !bytes.Equal(x, y) || (x == nil) != (y == nil) {
				paths[p] = nil
			}
		}
	}
	return sortedPaths(paths)
}

// sides collects the files as the sender has them, and readies both for comparing.
func (x *accepting) sides() error {
	for path, text := range x.p.Files {
		if !isExtra(path) {
			x.theirs[path] = text
		}
	}
	if x.to != nil {
		c := newConverter(x.l.Cat, x.to, x.p.Rigs)
		var err error
		if x.theirs, err = c.files(x.theirs, true); err != nil {
			return err
		}
		// What they had where we parted, in the same numbers. A state that cannot be converted, as
		// from another gimbal still, is none to compare with.
		if x.base, err = c.files(x.base, false); err != nil {
			x.base = map[string][]byte{}
		}
		x.a.Conversions = c.made
	}
	if x.o.Alias != "" {
		for path, text := range x.theirs {
			if p, _ := preset.Locate(path); p.Kind == schema.KindRig {
				d, err := file.Parse(path, text)
				if err == nil {
					d, err = d.Set("alias", x.o.Alias)
				}
				if err != nil {
					return err
				}
				x.theirs[path] = d.Text()
			}
		}
	}
	if err := x.aliases(); err != nil {
		return err
	}
	// A gimbal sheet is each shop's own: without a common past, ours stays as it is.
	for path := range x.theirs {
		if p, _ := preset.Locate(path); p.Kind == schema.KindGimbal && x.base[path] == nil {
			if have, err := x.here(path); err != nil {
				return err
			} else if have != nil {
				if !bytes.Equal(have, x.theirs[path]) {
					x.note(path, "the sheet here differs from the sender's; ours is kept")
				}
				x.base[path] = x.theirs[path]
			}
		}
	}
	return nil
}

// tree is a state of the library in which the rigs' files are given ones.
type tree struct {
	x     *accepting
	files map[string][]byte // nil: as the library has them
}

// governed says whether the handover speaks of a path at all.
func (x *accepting) governed(path string) bool {
	_, t := x.theirs[path]
	_, b := x.base[path]
	return t || b || x.selected(path)
}

func (t tree) Read(path string) ([]byte, error) {
	if t.files != nil && t.x.governed(path) {
		return t.files[path], nil
	}
	return t.x.here(path)
}

func (t tree) List(prefix string) ([]string, error) {
	files, err := t.x.l.Store.Revisions().ListAt(t.x.head, prefix)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, f := range files {
		if t.files == nil || !t.x.governed(f.Path) {
			out = append(out, f.Path)
		}
	}
	for path := range t.files {
		if strings.HasPrefix(path, prefix) {
			out = append(out, path)
		}
	}
	slices.Sort(out)
	return out, nil
}
