package store

import (
	"context"
	"fmt"
	"rigkeep/repo/internal/objects"
	"slices"

	"github.com/go-git/go-git/v5/plumbing"
)

// Rescan looks for packs that were added by other means.
func (l *Lib) Rescan() { l.store.Rescan() }

// Object gives any object's kind ("commit", "tree", "blob", "tag") and bytes.
func (l *Lib) Object(id string) (kind string, data []byte, err error) {
	if !plumbing.IsHash(id) {
		return "", nil, &Error{Kind: ErrNotFound, Msg: fmt.Sprintf("%q is not an object id", id)}
	}
	err = l.with(func(r *objects.Reader) error {
		k, b, err := r.Get(plumbing.NewHash(id))
		kind, data = k.String(), append([]byte{}, b...)
		return err
	})
	return kind, data, err
}

// LastChanges gives, for every value that the file holds in the present revision, the revision
// that last changed it. extract gives all values in a file's contents by name.
func (l *Lib) LastChanges(path string, extract func(data []byte) map[string]string) (map[string]KeyRevision, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	return again(l, func() (map[string]KeyRevision, error) { return l.lastChanges(path, extract) })
}

func (l *Lib) lastChanges(path string, extract func(data []byte) map[string]string) (map[string]KeyRevision, error) {
	posts, err := l.History().postings(path)
	if err != nil || len(posts) == 0 || posts[0].blob.IsZero() {
		return nil, err
	}
	settled := map[string]int{} // name to place in posts
	var open map[string]string
	err = l.with(func(r *objects.Reader) error {
		for i, p := range posts {
			var values map[string]string
			if !p.blob.IsZero() {
				data, err := r.Blob(p.blob)
				if err != nil {
					return err
				}
				values = extract(data)
			}
			if i == 0 {
				open = values
				continue
			}
			for name, v := range open {
				if _, done := settled[name]; done {
					continue
				}
				if was, ok := values[name]; !ok || was != v {
					settled[name] = i - 1
				}
			}
			if len(settled) == len(open) {
				return nil
			}
		}
		for name := range open {
			if _, done := settled[name]; !done {
				settled[name] = len(posts) - 1
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var at []int
	for _, i := range settled {
		at = append(at, i)
	}
	slices.Sort(at)
	at = slices.Compact(at)
	hits := make([]touch, len(at))
	for k, i := range at {
		hits[k] = posts[i]
	}
	revs, err := l.History().details(hits)
	if err != nil {
		return nil, err
	}
	out := make(map[string]KeyRevision, len(open))
	for name, i := range settled {
		k, _ := slices.BinarySearch(at, i)
		out[name] = KeyRevision{revs[k], open[name], true}
	}
	return out, nil
}

// Tidy packs loose objects into one pack and joins small packs when there are many, as `git gc`
// would, but without needing git. It may be interrupted at any point and nothing is lost. It gives the
// number of objects packed. Readers are not disturbed; writers wait.
//
// Errors: ErrBusy, ErrDamaged if an object is not what its id says, ErrDevice.
func (l *Lib) Tidy(ctx context.Context) (packed int, err error) {
	unlock, err := l.lock(ctx)
	if err != nil {
		return 0, err
	}
	defer unlock()
	return l.tidy()
}

// RemoveFile takes a file out of the work tree, without saving a revision. base is what the
// caller read before.
//
// Errors: ErrChanged if the file is not as base, ErrBusy, ErrBadPath, ErrDevice.
func (l *Lib) RemoveFile(ctx context.Context, path string, base []byte) error {
	if err := CheckPath(path); err != nil {
		return err
	}
	if base == nil {
		base = []byte{}
	}
	return l.Work().changeWork(ctx, path, base, File{Path: path, Delete: true})
}

// Open is OpenWith without options.
func Open(dir string) (*Lib, error) { return OpenWith(dir, Options{}) }
