package store

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"rigkeep/repo/internal/objects"
)

// Trail is where a folder has lain. Its files are followed from folder to folder, whatever else
// has come to lie in an earlier one before or since.
type Trail struct {
	Dirs  []string // without a slash at the end; the present one first, then the earlier ones, newest first
	Guide string   // name of a file in it that is there all the time
}

// Along is History of a file in a folder that was moved. A revision that moved it counts
// once, at the path it moved to; Path says where that was.
func (l History) Along(t Trail, name string, limit int) ([]FileRevision, error) {
	return again(l.Lib, func() ([]FileRevision, error) {
		posts, err := l.along(t, name)
		if err != nil {
			return nil, err
		}
		if limit > 0 && len(posts) > limit {
			posts = posts[:limit]
		}
		return l.details(posts)
	})
}

// KeyAlong is OfKey of a file in a folder that was moved. A move that leaves the
// value as it was does not count.
func (l History) KeyAlong(t Trail, name string, limit int, extract func(data []byte) (value string, ok bool)) ([]KeyRevision, error) {
	return again(l.Lib, func() ([]KeyRevision, error) {
		posts, err := l.along(t, name)
		if err != nil {
			return nil, err
		}
		return l.keyChanges(posts, limit, extract)
	})
}

// span is a stretch of commit numbers, the last one left out.
type span struct{ from, to int }

// along gives the changes of a file in a folder that was moved, newest first.
func (l History) along(t Trail, name string) ([]touch, error) {
	var dirs []string
	for _, d := range t.Dirs {
		if !slices.Contains(dirs, d) { // it may have gone back to where it was
			dirs = append(dirs, d)
		}
	}
	if len(dirs) == 1 {
		return l.postings(dirs[0] + "/" + name)
	}
	others, err := l.others(dirs, t.Dirs[len(t.Dirs)-1], t.Guide)
	if err != nil {
		return nil, err
	}
	var all []touch
	for i, d := range dirs {
		posts, err := l.postings(d + "/" + name)
		if err != nil {
			return nil, err
		}
		for _, p := range posts {
			if !slices.ContainsFunc(others[i], func(s span) bool { return s.from <= p.no && p.no < s.to }) {
				all = append(all, p)
			}
		}
	}
	for _, p := range all {
		if p.in != all[0].in {
			return nil, errAgain // their numbers are of two counts
		}
	}
	// newest first; of one revision, where the file is afterwards comes first
	slices.SortStableFunc(all, func(a, b touch) int {
		if a.no != b.no {
			return cmp.Compare(b.no, a.no)
		}
		switch {
		case a.blob.IsZero() == b.blob.IsZero():
			return 0
		case a.blob.IsZero():
			return 1
		}
		return -1
	})
	return slices.CompactFunc(all, func(a, b touch) bool { return a.no == b.no }), nil
}

// others finds, for each folder, when something else lay there: what came by no move from another
// of the folders, except at the origin before the first move.
func (l History) others(dirs []string, origin, guide string) ([][]span, error) {
	type step struct {
		touch
		dir int
	}
	var all []step
	for i, d := range dirs {
		posts, err := l.postings(d + "/" + guide)
		if err != nil {
			return nil, err
		}
		for _, p := range posts {
			all = append(all, step{p, i})
		}
	}
	slices.SortStableFunc(all, func(a, b step) int { return cmp.Compare(a.no, b.no) })
	out := make([][]span, len(dirs))
	there, ours := make([]bool, len(dirs)), make([]bool, len(dirs))
	moved := false
	for len(all) > 0 {
		n := 1
		for n < len(all) && all[n].no == all[0].no {
			n++
		}
		group := all[:n]
		all = all[n:]
		left := slices.ContainsFunc(group, func(s step) bool { return s.blob.IsZero() && ours[s.dir] })
		for _, s := range group {
			if s.blob.IsZero() {
				there[s.dir] = false
				if k := len(out[s.dir]); k > 0 && !ours[s.dir] {
					out[s.dir][k-1].to = s.no + 1
				}
				continue
			}
			if !there[s.dir] {
				born, err := l.absentBefore(s.touch)
				if err != nil {
					return nil, err
				}
				if born { // else it is a change on a side branch, on which it was never gone
					if ours[s.dir] = left || dirs[s.dir] == origin && !moved; ours[s.dir] {
						moved = moved || left
					} else {
						out[s.dir] = append(out[s.dir], span{s.no, math.MaxInt})
					}
				}
			}
			there[s.dir] = true
		}
	}
	// what lies in the present folder now is what is asked for, however it came there
	if k := len(out[0]); k > 0 && there[0] && !ours[0] {
		out[0] = out[0][:k-1]
	}
	return out, nil
}

// absentBefore reports whether no parent of a revision had the file.
func (l History) absentBefore(t touch) (absent bool, err error) {
	var parents []Rev
	ids, err := l.ids([]touch{t})
	if err != nil {
		return false, err
	}
	err = l.with(func(r *objects.Reader) error {
		c, err := l.Revisions().commit(r, ids[0])
		if err == nil {
			parents = c.Parents
		}
		return err
	})
	if err != nil {
		return false, err
	}
	for _, p := range parents {
		if _, err := l.Revisions().ReadAt(p, t.path); err == nil {
			return false, nil
		} else if !errors.Is(err, ErrNotFound) {
			return false, err
		}
	}
	return true, nil
}
