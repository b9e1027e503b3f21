package objects

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io"
	"os"
	"runtime"
	"slices"
	"sync"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/idxfile"

	"rigkeep/repo/internal/disk"
)

// IndexPack checks a pack that lies in a file, every object of it, and makes its .idx. It reads
// the file through a map and keeps some forty bytes for each object in memory, so that a pack of
// any size can be taken in. Everything the pack needs must be in it. progress is told now and
// then how many objects are done; it may stop the work with an error.
func IndexPack(name string, progress func(done, total int) error) (id plumbing.Hash, idx []byte, err error) {
	data, unmap, err := disk.Map(name)
	if err != nil {
		return id, nil, err
	}
	defer unmap()
	const called = "the pack"
	if len(data) < 32 || !bytes.Equal(data[:4], []byte("PACK")) || binary.BigEndian.Uint32(data[4:]) != 2 {
		return id, nil, damaged("%s does not begin as a pack of version 2 does", called)
	}
	count := int64(binary.BigEndian.Uint32(data[8:]))
	if count*9 > int64(len(data)) {
		return id, nil, damaged("%s claims %d objects in %d bytes", called, count, len(data))
	}
	copy(id[:], data[len(data)-20:])
	if packSum(data[:len(data)-20]) != id {
		return id, nil, damaged("%s does not have the check sum it ends with", called)
	}
	x := &indexing{pack: &pack{name: called, data: data, byID: make(map[plumbing.Hash]int64, count)}, count: int(count), progress: progress}
	if err := x.out.OnHeader(uint32(count)); err != nil {
		return id, nil, err
	}
	wait, err := x.whole()
	if err != nil {
		return id, nil, err
	}
	if err := x.deltas(wait); err != nil {
		return id, nil, err
	}
	if err := x.out.OnFooter(id); err != nil {
		return id, nil, err
	}
	m, err := x.out.Index()
	if err != nil {
		return id, nil, err
	}
	var b bytes.Buffer
	_, err = idxfile.NewEncoder(&b).Encode(m)
	return id, b.Bytes(), err
}

// indexing is a pack while IndexPack goes through it.
type indexing struct {
	*pack
	out      idxfile.Writer
	count    int
	progress func(done, total int) error
	mu       sync.Mutex // of done
	done     int
}

// waiting is a delta whose base is not known yet.
type waiting struct {
	off int64
	crc uint32
}

// step counts an object that is done.
func (x *indexing) step() error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.done++; x.progress != nil && x.done%1000 == 0 {
		return x.progress(x.done, x.count)
	}
	return nil
}

func (x *indexing) put(h plumbing.Hash, off int64, crc uint32) error {
	if _, twice := x.byID[h]; twice {
		return damaged("%s holds object %s twice", x.name, h)
	}
	x.byID[h] = off
	x.out.Add(h, uint64(off), crc)
	return nil
}

// whole unpacks every entry, puts in the objects that are whole, and gives the deltas.
func (x *indexing) whole() (wait []waiting, err error) {
	rd := (&Store{}).NewReader(1 << 20)
	body := x.data[:len(x.data)-20]     // without the check sum
	starts := make([]int64, 0, x.count) // in order
	off := int64(12)
	for range x.count {
		e, err := x.header(off)
		if err != nil {
			return nil, err
		}
		b, err := rd.inflate(body[e.body:], e.size, x.name)
		if err != nil {
			return nil, err
		}
		end := int64(len(body)) - int64(rd.src.Len())
		crc := crc32.ChecksumIEEE(body[off:end])
		starts = append(starts, off)
		switch e.kind {
		case plumbing.OFSDeltaObject:
			if _, ok := slices.BinarySearch(starts, e.baseOff); !ok {
				return nil, damaged("%s: a delta points between two objects", x.name)
			}
			wait = append(wait, waiting{off, crc})
		case plumbing.REFDeltaObject:
			wait = append(wait, waiting{off, crc})
		default:
			if err := x.put(plumbing.ComputeHash(e.kind, b), off, crc); err != nil {
				return nil, err
			}
			if err := x.step(); err != nil {
				return nil, err
			}
		}
		off = end
	}
	if off != int64(len(body)) {
		return nil, damaged("%s goes on after its last object", x.name)
	}
	return wait, nil
}

// deltas puts in the objects that are kept as deltas. A base named by id may be a delta that
// comes later, so this goes round until nothing moves.
func (x *indexing) deltas(wait []waiting) error {
	for len(wait) > 0 {
		ids, err := resolve(x.pack, len(wait), func(i int) int64 { return wait[i].off }, x.step)
		if err != nil {
			return err
		}
		var left []waiting
		for i, d := range wait {
			if ids[i].IsZero() {
				left = append(left, d)
			} else if err := x.put(ids[i], d.off, d.crc); err != nil {
				return err
			}
		}
		if len(left) == len(wait) {
			return damaged("%s lacks the base of %d of its objects", x.name, len(left))
		}
		wait = left
	}
	return nil
}

// resolve gives the ids of n objects that are kept as deltas; zero where a base is not known yet.
// Each goroutine takes a run of them, as bases lie near what is made of them.
func resolve(p *pack, n int, off func(i int) int64, step func() error) ([]plumbing.Hash, error) {
	ids := make([]plumbing.Hash, n)
	workers := min(runtime.GOMAXPROCS(0), 4, n/256+1)
	err := disk.Each(workers, func(w int) error {
		rd := (&Store{}).NewReader(24 << 20)
		for i := n * w / workers; i < n*(w+1)/workers; i++ {
			kind, b, err := rd.at(p, off(i), 0)
			var gone *NotFoundError
			if errors.As(err, &gone) {
				continue
			}
			if err != nil {
				return err
			}
			ids[i] = plumbing.ComputeHash(kind, b)
			if err := step(); err != nil {
				return err
			}
		}
		return nil
	})
	return ids, err
}

// Install puts a pack that lies in a file of the store's pack folder, already on stable storage,
// to its place, with its index. undo takes it out again, for as long as nothing points into it.
func (s *Store) Install(tmp string, id plumbing.Hash, idx []byte) (undo func(), err error) {
	return s.install(id, tmp, func() error { return nil }, idx)
}

// CopyTo writes a stream into a new file, syncs it, and gives the number of bytes.
func CopyTo(f disk.FS, name string, head []byte, r io.Reader) (n int64, err error) {
	h, err := f.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o444)
	if err != nil {
		return 0, err
	}
	n, err = io.Copy(struct{ io.Writer }{h}, io.MultiReader(bytes.NewReader(head), r))
	if err == nil {
		err = h.Sync()
	}
	if cerr := h.Close(); err == nil {
		err = cerr
	}
	return n, err
}
