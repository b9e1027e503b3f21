package objects

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io/fs"
	"path/filepath"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/idxfile"
	"github.com/go-git/go-git/v5/plumbing/hash"

	"rigkeep/repo/internal/disk"
)

// VerifiedPack is a pack that is held in memory with all its objects, for what travels in a file.
type VerifiedPack struct {
	ID      plumbing.Hash // the pack's own check sum
	Data    []byte        // the pack's bytes
	Objects []Object      // in the order of the pack
	places  []place
}

type place struct {
	off uint64
	crc uint32
}

// Limits bound what ReadPack takes from a file that nobody vouches for.
type Limits struct {
	Objects int   // how many
	Each    int64 // bytes of one, unpacked
	Total   int64 // bytes of all, unpacked
}

// WritePack makes a pack of the objects in the given order: the same objects give the same bytes.
func WritePack(objs []Object) (*VerifiedPack, error) {
	w := &VerifiedPack{Objects: objs, places: make([]place, len(objs))}
	var b bytes.Buffer
	p := NewPackWriter(&b, len(objs))
	for i, o := range objs {
		off := b.Len()
		if err := p.Add(o); err != nil {
			return nil, err
		}
		w.places[i] = place{uint64(off), crc32.ChecksumIEEE(b.Bytes()[off:])}
	}
	if err := p.Close(); err != nil {
		return nil, err
	}
	w.Data = b.Bytes()
	copy(w.ID[:], w.Data[len(w.Data)-20:])
	return w, nil
}

func packSum(b []byte) (id plumbing.Hash) {
	h := hash.New(hash.CryptoType)
	h.Write(b)
	copy(id[:], h.Sum(nil))
	return id
}

// ReadPack reads a whole pack. Everything the pack needs must be in it; what its headers claim
// is held against the limits before anything is made of that size. The error wraps ErrDamaged.
func ReadPack(data []byte, lim Limits) (*VerifiedPack, error) {
	const name = "the pack"
	if len(data) < 32 || !bytes.Equal(data[:4], []byte("PACK")) {
		return nil, damaged("%s does not begin as a pack does", name)
	}
	if v := binary.BigEndian.Uint32(data[4:]); v != 2 {
		return nil, damaged("%s has version %d; only 2 is known", name, v)
	}
	count := int64(binary.BigEndian.Uint32(data[8:]))
	// the shortest object, an empty one, is a byte of header and eight of zlib
	if count > int64(lim.Objects) || count*9 > int64(len(data)) {
		return nil, damaged("%s claims %d objects; at most %d fit in %d bytes", name, count, lim.Objects, len(data))
	}
	w := &VerifiedPack{Data: data}
	copy(w.ID[:], data[len(data)-20:])
	if packSum(data[:len(data)-20]) != w.ID {
		return nil, damaged("%s does not have the check sum it ends with", name)
	}
	w.Objects, w.places = make([]Object, count), make([]place, count)
	u := &unpacking{VerifiedPack: w, pack: &pack{name: name, data: data}, lim: lim, byOff: map[int64]int{}, byID: map[plumbing.Hash]int{}}
	wait, err := u.whole()
	if err != nil {
		return nil, err
	}
	if err := u.deltas(wait); err != nil {
		return nil, err
	}
	return w, nil
}

// unpacking is a pack while ReadPack goes through it.
type unpacking struct {
	*VerifiedPack
	pack  *pack
	lim   Limits
	total int64 // bytes claimed so far
	byOff map[int64]int
	byID  map[plumbing.Hash]int
}

// pending is a delta whose base has not been read yet.
type pending struct {
	i     int
	e     entry
	delta []byte
}

// claim holds what is about to be made against the limits.
func (u *unpacking) claim(n int64) error {
	if u.total += n; n > u.lim.Each || u.total > u.lim.Total {
		return damaged("%s unpacks to more than is allowed (%d bytes each, %d in all)", u.pack.name, u.lim.Each, u.lim.Total)
	}
	return nil
}

func (u *unpacking) put(i int, kind plumbing.ObjectType, b []byte) error {
	o := New(kind, b)
	if _, twice := u.byID[o.ID]; twice {
		return damaged("%s holds object %s twice", u.pack.name, o.ID)
	}
	u.byID[o.ID] = i
	u.Objects[i] = o
	return nil
}

// whole unpacks every entry, puts in the objects that are whole, and gives the deltas.
func (u *unpacking) whole() (wait []pending, err error) {
	name := u.pack.name
	rd := (&Store{}).NewReader(0)
	data := u.Data[:len(u.Data)-20] // without the check sum
	off := int64(12)
	for i := range u.Objects {
		e, err := u.pack.header(off)
		if err != nil {
			return nil, err
		}
		if err := u.claim(e.size); err != nil {
			return nil, err
		}
		body, err := rd.inflate(data[e.body:], e.size, name)
		if err != nil {
			return nil, err
		}
		end := int64(len(data)) - int64(rd.src.Len())
		u.byOff[off] = i
		u.places[i] = place{uint64(off), crc32.ChecksumIEEE(data[off:end])}
		switch e.kind {
		case plumbing.OFSDeltaObject, plumbing.REFDeltaObject:
			wait = append(wait, pending{i, e, body})
		case plumbing.TagObject:
			return nil, damaged("%s holds a tag, which nothing here needs", name)
		default:
			if err := u.put(i, e.kind, body); err != nil {
				return nil, err
			}
		}
		off = end
	}
	if off != int64(len(data)) {
		return nil, damaged("%s goes on after its last object", name)
	}
	return wait, nil
}

// deltas puts in the objects that are kept as deltas. A base may come after its delta and be a
// delta itself, so this goes round until nothing moves.
func (u *unpacking) deltas(wait []pending) error {
	name := u.pack.name
	for len(wait) > 0 {
		var left []pending
		for _, d := range wait {
			bi, ok := u.byOff[d.e.baseOff]
			if d.e.kind == plumbing.REFDeltaObject {
				bi, ok = u.byID[d.e.baseID]
			}
			if !ok && d.e.kind == plumbing.OFSDeltaObject {
				return damaged("%s: a delta points between two objects", name)
			}
			if !ok || u.Objects[bi].Kind == 0 {
				left = append(left, d)
				continue
			}
			if err := u.claim(deltaSize(d.delta)); err != nil {
				return err
			}
			b, err := applyDelta(u.pack, u.Objects[bi].Data, d.delta)
			if err != nil {
				return err
			}
			if err := u.put(d.i, u.Objects[bi].Kind, b); err != nil {
				return err
			}
		}
		if len(left) == len(wait) {
			return damaged("%s lacks the base of %d of its objects", name, len(left))
		}
		wait = left
	}
	return nil
}

// deltaSize is the size that a delta says its result has; the largest there is, if it cannot be read.
func deltaSize(delta []byte) int64 {
	var v uint64
	for range 2 { // the first is the base's
		v = 0
		shift := 0
		for more := true; more; shift += 7 {
			if len(delta) == 0 || shift > 56 {
				return 1 << 62
			}
			v |= uint64(delta[0]&0x7f) << shift
			more = delta[0]&0x80 != 0
			delta = delta[1:]
		}
	}
	return int64(min(v, 1<<62))
}

// Index makes the .idx of the pack.
func (w *VerifiedPack) Index() ([]byte, error) {
	var x idxfile.Writer
	if err := x.OnHeader(uint32(len(w.Objects))); err != nil {
		return nil, err
	}
	for i, o := range w.Objects {
		x.Add(o.ID, w.places[i].off, w.places[i].crc)
	}
	if err := x.OnFooter(w.ID); err != nil {
		return nil, err
	}
	m, err := x.Index()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	_, err = idxfile.NewEncoder(&b).Encode(m)
	return b.Bytes(), err
}

// AddPack puts what the store lacks of the objects into it as one pack, on stable storage. undo
// takes that out again, for as long as nothing points into it.
func (s *Store) AddPack(objs []Object) (undo func(), err error) {
	need := s.Missing(objs)
	if len(need) == 0 {
		return func() {}, nil
	}
	w, err := WritePack(need)
	if err != nil {
		return nil, err
	}
	return s.AddVerifiedPack(w, disk.TempName(filepath.Join(s.dir, "pack"), PackTemp))
}

// AddVerifiedPack puts a pack into the store just as it is, on stable storage, whatever the store has
// already; tmp is the name, in the pack folder, under which it is written first. undo is as in
// AddPack.
func (s *Store) AddVerifiedPack(w *VerifiedPack, tmp string) (undo func(), err error) {
	idx, err := w.Index()
	if err != nil {
		return nil, err
	}
	return s.install(w.ID, tmp, func() error { return disk.WriteSynced(s.fs, tmp, w.Data, 0o444) }, idx)
}

// PackTemp begins the names of packs that are not whole yet; `git prune` also knows it by "tmp_".
const PackTemp = "tmp_pack_rigkeep_"

// install puts a pack and its index in place. data makes the pack as a synced file tmp beside it;
// the index is written as tmp.idx first.
func (s *Store) install(id plumbing.Hash, tmp string, data func() error, idx []byte) (undo func(), err error) {
	dir := filepath.Join(s.dir, "pack")
	if err := s.fs.Mkdir(dir, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	var made []string
	undo = func() {
		for i := len(made) - 1; i >= 0; i-- {
			_ = s.fs.Remove(made[i])
		}
	}
	index := func() error { return disk.WriteSynced(s.fs, tmp+".idx", idx, 0o444) }
	// The pack before its index: git and we look for the index first.
	for _, f := range []struct {
		ext, tmp string
		file     func() error
	}{{".pack", tmp, data}, {".idx", tmp + ".idx", index}} {
		made = append(made, f.tmp)
		err := f.file()
		if err == nil {
			name := filepath.Join(dir, "pack-"+id.String()+f.ext)
			if err = s.fs.Rename(f.tmp, name); err == nil {
				made[len(made)-1] = name
			}
		}
		if err != nil {
			undo()
			return nil, err
		}
	}
	if err := s.fs.SyncDir(dir); err != nil {
		undo()
		return nil, err
	}
	s.Rescan()
	return undo, nil
}
