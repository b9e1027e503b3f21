package objects

import (
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
)

// loose is a loose object's file.
type loose struct {
	id   plumbing.Hash
	name string
	when time.Time
	kind plumbing.ObjectType
}

// looseFiles lists the repository's own loose objects.
func (s *Store) looseFiles() ([]loose, error) {
	var out []loose
	for i := range 256 {
		two := hex.EncodeToString([]byte{byte(i)})
		names, err := s.fs.ReadDir(filepath.Join(s.dir, two))
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			return nil, err
		}
		for _, n := range names {
			if full := two + n.Name(); len(full) == 40 && plumbing.IsHash(full) {
				l := loose{id: plumbing.NewHash(full), name: filepath.Join(s.dir, two, n.Name())}
				if fi, err := n.Info(); err == nil {
					l.when = fi.ModTime()
				}
				out = append(out, l)
			}
		}
	}
	return out, nil
}

// PackLoose puts all loose objects into one pack and then removes their files, as `git gc` does
// for the reachable ones; each is compared with its id on the way. The pack is on stable storage
// and checked before the first file goes, so that every object can be read at any time. It gives
// the number of objects packed. The caller holds the library's lock.
func (s *Store) PackLoose(progress func(done, total int)) (n int, err error) {
	all, err := s.looseFiles()
	if err != nil || len(all) == 0 {
		return 0, err
	}
	r := s.NewReader(0)
	keep := all[:0]
	for _, l := range all {
		var err error
		if l.kind, _, err = r.loose(l.id); errors.Is(err, fs.ErrNotExist) {
			continue // gone to a pack of git's meanwhile
		} else if err != nil {
			return 0, err // a damaged object must stay where `git fsck` finds it
		}
		keep = append(keep, l)
	}
	all = keep
	// Like beside like, the newest first: they are the ones read most.
	slices.SortStableFunc(all, func(a, b loose) int {
		if a.kind != b.kind {
			return int(a.kind) - int(b.kind)
		}
		return b.when.Compare(a.when)
	})
	dir := filepath.Join(s.dir, "pack")
	if err := s.fs.Mkdir(dir, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return 0, err
	}
	tmp := disk.TempName(dir, PackTemp)
	h, err := s.fs.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o444)
	if err != nil {
		return 0, err
	}
	defer func() {
		if err != nil {
			_ = s.fs.Remove(tmp)
		}
	}()
	w := NewPackWriter(h, len(all))
	for i, l := range all {
		kind, data, rerr := r.loose(l.id)
		if rerr == nil && plumbing.ComputeHash(kind, data) != l.id {
			rerr = damaged("object %s holds other bytes than its id says", l.id)
		}
		if rerr == nil {
			rerr = w.Add(Object{l.id, kind, data})
		}
		if err = rerr; err != nil {
			break
		}
		if progress != nil && (i%200 == 199 || i+1 == len(all)) {
			progress(i+1, len(all))
		}
	}
	if cerr := w.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = h.Sync()
	}
	if cerr := h.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return 0, err
	}
	id, idx, err := IndexPack(tmp, nil)
	if err != nil {
		return 0, err
	}
	if _, err = s.Install(tmp, id, idx); err != nil {
		return 0, err
	}
	s.Rescan()
	for _, l := range all {
		if p, _ := r.inPacks(s.list(), l.id); p == nil {
			return 0, damaged("object %s is not in the pack just made", l.id)
		}
	}
	for _, l := range all {
		if rerr := s.fs.Remove(l.name); rerr == nil {
			n++
		}
	}
	return n, nil
}

// CleanOld removes what killed writers left half-written in the store long enough ago that
// nobody can be writing it still.
func (s *Store) CleanOld(before time.Time) (n int) {
	for dir, prefix := range map[string]string{s.dir: TempPrefix, filepath.Join(s.dir, "pack"): PackTemp} {
		names, err := s.fs.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range names {
			fi, err := e.Info()
			if err == nil && strings.HasPrefix(e.Name(), prefix) && fi.ModTime().Before(before) && s.fs.Remove(filepath.Join(dir, e.Name())) == nil {
				n++
			}
		}
	}
	return n
}
