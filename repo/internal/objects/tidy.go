package objects

import (
	"cmp"
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
	_, err = s.packUp(r, len(all), func(i int) (Object, error) {
		kind, data, err := r.loose(all[i].id)
		return Object{all[i].id, kind, data}, err
	}, progress)
	if err != nil {
		return 0, err
	}
	for _, l := range all {
		if rerr := s.fs.Remove(l.name); rerr == nil {
			n++
		}
	}
	return n, nil
}

// packUp writes n objects into a new pack, each compared with its id on the way, and returns when
// the pack is on stable storage and all of them were found in it. name is the pack's.
func (s *Store) packUp(r *Reader, n int, get func(i int) (Object, error), progress func(done, total int)) (name string, err error) {
	dir := filepath.Join(s.dir, "pack")
	if err := s.fs.Mkdir(dir, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", err
	}
	tmp := disk.TempName(dir, PackTemp)
	h, err := s.fs.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o444)
	if err != nil {
		return "", err
	}
	defer func() {
		if err != nil {
			_ = s.fs.Remove(tmp)
		}
	}()
	w := NewPackWriter(h, n)
	ids := make([]plumbing.Hash, n)
	for i := range n {
		o, oerr := get(i)
		if oerr == nil && plumbing.ComputeHash(o.Kind, o.Data) != o.ID {
			oerr = damaged("object %s holds other bytes than its id says", o.ID)
		}
		if oerr == nil {
			oerr = w.Add(o)
		}
		if err = oerr; err != nil {
			break
		}
		ids[i] = o.ID
		if progress != nil && (i%200 == 199 || i+1 == n) {
			progress(i+1, n)
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
		return "", err
	}
	id, idx, err := IndexPack(tmp, nil)
	if err != nil {
		return "", err
	}
	if _, err = s.Install(tmp, id, idx); err != nil {
		return "", err
	}
	name = filepath.Join(dir, "pack-"+id.String()+".pack")
	for _, p := range s.list() {
		if p.name != name {
			continue
		}
		for _, id := range ids {
			if p.find(id) < 0 {
				return "", damaged("object %s is not in the pack just made", id)
			}
		}
		return name, nil
	}
	return "", damaged("the pack just made cannot be opened")
}

// Packs of fewer than smallPack objects are joined when manyPacks of them have gathered: a look-up
// asks one pack after the other, and each is opened at every start. A larger pack is left alone,
// so each object is written anew once or twice in its life.
const smallPack = 25_000

var manyPacks = 12

// JoinPacks puts the objects of many small packs into one, as `git gc` would, and then removes
// those packs; it gives their number. Packs that somebody asked to keep stay, and so do all where
// git keeps an index over several packs. Readers that have a pack open keep it; others find the
// new one. The caller holds the library's lock.
func (s *Store) JoinPacks(progress func(done, total int)) (joined int, err error) {
	s.Rescan()
	small, err := s.smallPacks()
	if err != nil || len(small) < manyPacks {
		return 0, err
	}
	r := s.NewReader(16 << 20)
	all, err := objectsOf(small, r)
	if err != nil {
		return 0, err
	}
	made, err := s.packUp(r, len(all), func(i int) (Object, error) {
		kind, data, err := r.at(all[i].p, all[i].off, 0)
		return Object{all[i].id, kind, data}, err
	}, progress)
	if err != nil {
		return 0, err
	}
	// A git beside us may have set something up on these packs meanwhile.
	there, several := s.packFiles()
	if several {
		return 0, nil
	}
	for _, p := range small {
		base := strings.TrimSuffix(p.name, ".pack")
		if p.name == made || there[filepath.Base(base)+".keep"] {
			continue // made: it held all of them already
		}
		// The index first: without it nobody looks into the pack.
		if s.fs.Remove(base+".idx") == nil {
			_ = s.fs.Remove(base + ".rev")
			_ = s.fs.Remove(p.name)
			joined++
		}
	}
	return joined, nil
}

// smallPacks are the packs that JoinPacks may join, the newest first; none where git keeps an
// index over several packs.
func (s *Store) smallPacks() ([]*pack, error) {
	dir := filepath.Join(s.dir, "pack")
	there, several := s.packFiles()
	if several {
		return nil, nil
	}
	var small []*pack
	for _, p := range s.list() {
		base, ok := strings.CutSuffix(filepath.Base(p.name), ".pack")
		if !ok || filepath.Dir(p.name) != dir || p.n >= smallPack || !there[base+".pack"] || !there[base+".idx"] {
			continue
		}
		if there[base+".keep"] || there[base+".promisor"] || there[base+".mtimes"] || there[base+".bitmap"] {
			continue
		}
		small = append(small, p)
	}
	if len(small) < manyPacks {
		return small, nil
	}
	when := map[*pack]time.Time{}
	for _, p := range small {
		fi, err := s.fs.Stat(p.name)
		if err != nil {
			return nil, err
		}
		when[p] = fi.ModTime()
	}
	slices.SortStableFunc(small, func(a, b *pack) int { return when[b].Compare(when[a]) })
	return small, nil
}

// located is an object and where it lies.
type located struct {
	p    *pack
	off  int64
	kind plumbing.ObjectType
	id   plumbing.Hash
}

// objectsOf are the objects of packs, each once, by kind and as they lie.
func objectsOf(packs []*pack, r *Reader) ([]located, error) {
	var all []located
	seen := map[plumbing.Hash]bool{}
	for _, p := range packs {
		from := len(all)
		for i := range int(p.n) {
			id := plumbing.Hash(p.names[i*20 : i*20+20])
			if seen[id] {
				continue
			}
			seen[id] = true
			off, err := p.offset(i)
			if err != nil {
				return nil, err
			}
			kind, _, err := r.at(p, off, 0)
			if err != nil {
				return nil, err
			}
			all = append(all, located{p, off, kind, id})
		}
		slices.SortFunc(all[from:], func(a, b located) int { return cmp.Compare(a.off, b.off) })
	}
	slices.SortStableFunc(all, func(a, b located) int { return int(a.kind) - int(b.kind) })
	return all, nil
}

// packFiles gives the names in the pack folder, and whether git keeps an index over several packs.
func (s *Store) packFiles() (there map[string]bool, several bool) {
	names, err := s.fs.ReadDir(filepath.Join(s.dir, "pack"))
	there = map[string]bool{}
	for _, e := range names {
		there[e.Name()] = true
	}
	return there, err != nil || there["multi-pack-index"] || there["multi-pack-index.d"]
}
