package store

import (
	"errors"
	"hash/crc32"
	"slices"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
	"rigkeep/repo/internal/hist"
	"rigkeep/repo/internal/objects"
)

// FileRevision is a revision that changed one file. Path is where it lay; Blob is the file's
// contents after it, or "" if the revision deleted it.
type FileRevision struct {
	Commit
	Path string
	Blob BlobID
}

// Of gives the revisions that changed the file, newest first; limit 0 gives all. A merge
// counts only if it differs from all its parents. No revision that changed the file is left
// out, even on a side branch whose changes a merge dropped (as `git log --full-history`).
//
// It reads a derived index (.git/rigkeep/history), which is extended as needed and can be
// deleted at any time, so the cost follows the number of revisions given, not of all there are.
func (l History) Of(path string, limit int) ([]FileRevision, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	return again(l.Lib, func() ([]FileRevision, error) {
		posts, err := l.postings(path)
		if err != nil {
			return nil, err
		}
		if limit > 0 && len(posts) > limit {
			posts = posts[:limit]
		}
		return l.details(posts)
	})
}

// Touched calls fn for every path below prefix (which ends in a slash) that a revision up to the
// present one changed, with the commit time of the newest that did.
func (l History) Touched(prefix string, fn func(path string, at time.Time)) error {
	_, head, err := l.head()
	if err != nil || head.IsZero() {
		return err
	}
	type touched struct {
		path string
		at   int64
	}
	var all []touched
	if err := l.ask(head, func(x *hist.Index) {
		all = all[:0] // asked again if the index was damaged
		for _, p := range x.Under(prefix) {
			if posts := x.Postings(p, head); len(posts) > 0 {
				all = append(all, touched{p, x.Date(posts[0].Commit)})
			}
		}
	}); err != nil {
		return err
	}
	for _, t := range all {
		fn(t.path, time.Unix(t.at, 0))
	}
	return nil
}

// touch is one change of one path: in which commit, and the contents after it.
type touch struct {
	in   *hist.Index
	no   int // of the commit in that index; parents have smaller ones
	blob plumbing.Hash
	path string
}

// errAgain says that a part of the history index turned out damaged after some of it was used.
var errAgain = errors.New("the history index was damaged and was made anew")

// again repeats a question whose answer was begun on a damaged history index.
func again[T any](l *Lib, ask func() (T, error)) (T, error) {
	out, err := ask()
	if errors.Is(err, errAgain) {
		if out, err = ask(); errors.Is(err, errAgain) {
			err = errHistory(l)
		}
	}
	return out, err
}

// ids gives the commits of postings. They are looked up only for those that end in an answer, as
// each lies in another part of the index. errAgain means that the postings do not count.
func (l History) ids(posts []touch) ([]plumbing.Hash, error) {
	l.histMu.Lock()
	defer l.histMu.Unlock()
	out := make([]plumbing.Hash, len(posts))
	for i, p := range posts {
		out[i] = p.in.ID(p.no)
		if p.in.Bad() {
			_, head, err := l.head()
			if err != nil {
				return nil, err
			}
			l.hist = nil
			if _, err := l.index(head, true); err != nil {
				return nil, l.objectError(err)
			}
			return nil, errAgain
		}
	}
	return out, nil
}

// details reads the commits of postings, on two goroutines if there are many. errAgain means that
// the postings do not count.
func (l History) details(posts []touch) ([]FileRevision, error) {
	ids, err := l.ids(posts)
	if err != nil {
		return nil, err
	}
	out := make([]FileRevision, len(posts))
	parts := 1 + min(3, len(posts)/200)
	err = disk.Each(parts, func(k int) error {
		return l.with(func(r *objects.Reader) error {
			for i := len(posts) * k / parts; i < len(posts)*(k+1)/parts; i++ {
				c, err := l.Revisions().commit(r, ids[i])
				if err != nil {
					return err
				}
				out[i] = FileRevision{*c, posts[i].path, blobID(posts[i].blob)}
			}
			return nil
		})
	})
	return out, err
}

// postings gives the changes of a path up to the present revision, newest first.
func (l History) postings(path string) ([]touch, error) {
	_, head, err := l.head()
	if err != nil || head.IsZero() {
		return nil, err
	}
	var out []touch
	err = l.ask(head, func(x *hist.Index) {
		ps := x.Postings(path, head)
		out = make([]touch, len(ps))
		for i, p := range ps {
			out[i] = touch{x, p.Commit, p.Blob, path}
		}
	})
	return out, err
}

// ask puts a question to the history index with head in it. If the index turns out damaged it
// is built anew and asked again.
func (l History) ask(head plumbing.Hash, fn func(x *hist.Index)) error {
	l.histMu.Lock()
	defer l.histMu.Unlock()
	for try := range 2 {
		x, err := l.index(head, try > 0)
		if err != nil {
			return l.objectError(err)
		}
		if !x.Bad() {
			fn(x)
		}
		if !x.Bad() {
			return nil
		}
		l.hist = nil
	}
	return errHistory(l.Lib)
}

// lendIndex gives the history index with head in it, verified whole, for as long as done has
// not been called.
func (l History) lendIndex(head plumbing.Hash) (x *hist.Index, done func(), err error) {
	l.histMu.Lock()
	for try := range 2 {
		if x, err = l.index(head, try > 0); err != nil {
			break
		}
		if x.Verify(); !x.Bad() {
			return x, l.histMu.Unlock, nil
		}
		l.hist = nil
		err = errHistory(l.Lib)
	}
	l.histMu.Unlock()
	return nil, nil, l.objectError(err)
}

func errHistory(l *Lib) error {
	return &Error{Kind: ErrDamaged, Msg: "the history index cannot be made", Hint: "Delete " + l.stateDir("history") + " and try again"}
}

// index gives the history index with head in it. histMu is held.
func (l History) index(head plumbing.Hash, anew bool) (*hist.Index, error) {
	return l.makeIndex(head, anew, nil)
}

// makeIndex is index; look as hist.Index.Extend has it.
func (l History) makeIndex(head plumbing.Hash, anew bool, look hist.Look) (*hist.Index, error) {
	base, journal := l.stateDir("history"), l.stateDir("history.journal")
	sum := l.shallowSum()
	if l.hist == nil {
		x, err := hist.Load(l.fs, base, journal, sum)
		if err != nil || anew {
			x = hist.New(sum, anew)
		}
		l.hist = x
	}
	x := l.hist
	var progress func(done, total int)
	if l.opt.OnProgress != nil {
		progress = func(done, total int) { l.opt.OnProgress("reading history", done, total) }
	}
	if err := x.Extend(l.store, head, l.shallow, look, progress); err != nil {
		return nil, err
	}
	if x.Bad() {
		return x, nil // the caller sees it and asks for a new one
	}
	if x.Unsaved() && l.ensureStateDir() == nil {
		// A library that may not be written to, or a process that is writing it now, is no reason
		// to wait or to fail: the answer is in memory.
		if lk, ok, err := disk.TryLock(l.fs, l.stateDir("history.lock")); err == nil && ok {
			_ = x.Store(l.fs, base, journal)
			lk.Unlock()
		}
	}
	return x, nil
}

// shallowSum binds the index to the edge of a shallow clone.
func (l History) shallowSum() uint32 {
	ids := make([]string, 0, len(l.shallow))
	for id := range l.shallow {
		ids = append(ids, id.String())
	}
	slices.Sort(ids)
	return crc32.ChecksumIEEE([]byte(strings.Join(ids, " ")))
}

// KeyRevision is a revision at which one value of a file changed. Value is the value after it;
// Present is false if the value (or the file) was gone.
type KeyRevision struct {
	FileRevision
	Value   string
	Present bool
}

// Always gives the contents that a file has had in every revision that changed it; ok is false if
// there was more than one, or none, or if it was ever taken away. It saves looking into the
// folders of one revision after the other for a file that hardly ever changes.
func (l History) Always(path string) (id BlobID, ok bool, err error) {
	if err := CheckPath(path); err != nil {
		return "", false, err
	}
	posts, err := l.postings(path)
	if err != nil || len(posts) == 0 {
		return "", false, err
	}
	for _, p := range posts {
		if p.blob.IsZero() || p.blob != posts[0].blob {
			return "", false, nil
		}
	}
	return blobID(posts[0].blob), true, nil
}

// OfKey gives the revisions at which extract's answer for the file changed, newest first;
// limit 1 gives the last change only and reads no further back than it must. extract gives the
// value in a file's contents as text, and whether there is one; contents that it cannot read
// should give false.
func (l History) OfKey(path string, limit int, extract func(data []byte) (value string, ok bool)) ([]KeyRevision, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	return again(l.Lib, func() ([]KeyRevision, error) {
		posts, err := l.postings(path)
		if err != nil {
			return nil, err
		}
		return l.keyChanges(posts, limit, extract)
	})
}

// keyChanges gives those of a file's changes, newest first, at which extract's answer changed.
func (l History) keyChanges(posts []touch, limit int, extract func(data []byte) (value string, ok bool)) ([]KeyRevision, error) {
	var hits []touch
	var values []KeyRevision
	err := l.with(func(r *objects.Reader) error {
		var newer KeyRevision
		for i := 0; i <= len(posts); i++ {
			var older KeyRevision
			if i < len(posts) && !posts[i].blob.IsZero() {
				data, err := r.Blob(posts[i].blob)
				if err != nil {
					return err
				}
				older.Value, older.Present = extract(data)
			}
			if i > 0 && (older.Value != newer.Value || older.Present != newer.Present) {
				hits, values = append(hits, posts[i-1]), append(values, newer)
				if limit > 0 && len(hits) >= limit {
					return nil
				}
			}
			newer = older
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	revs, err := l.details(hits)
	if err != nil {
		return nil, err
	}
	for i := range values {
		values[i].FileRevision = revs[i]
	}
	return values, nil
}
