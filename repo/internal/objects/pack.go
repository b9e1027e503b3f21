package objects

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"runtime"
	"sync/atomic"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"

	"rigkeep/repo/internal/disk"
)

// pack is one pack with its index, both mapped. Every offset that comes from the files is
// checked before use: a damaged pack gives ErrDamaged, never a panic or a wild read.
type pack struct {
	name  string // path of the .pack
	idx   []byte
	data  []byte
	n     uint32
	names []byte // n*20, sorted
	off32 []byte // n*4
	off64 []byte

	byID map[plumbing.Hash]int64 // in place of an index, while the pack is being indexed

	dataSeen, idxSeen seen
}

// seen counts the windows of a mapped file that were looked into since its pages were last given
// back. A page fault maps a whole window, so a walk over a large pack would else end with all of
// it in this process's memory.
type seen struct {
	windows []atomic.Uint64 // a bit for each
	n       atomic.Int32
}

const (
	windowBits = 16 // Linux maps up to 64 KiB around a fault
	maxWindows = 96 // 6 MiB
)

func newSeen(data []byte) seen {
	return seen{windows: make([]atomic.Uint64, len(data)>>windowBits/64+1)}
}

// at notes a look at an offset of data.
func (s *seen) at(data []byte, off int64) {
	if s.windows == nil {
		return
	}
	w, bit := &s.windows[off>>windowBits/64], uint64(1)<<(off>>windowBits%64)
	if w.Load()&bit != 0 || w.Or(bit)&bit != 0 || s.n.Add(1) < maxWindows {
		return
	}
	s.n.Store(0)
	for i := range s.windows {
		s.windows[i].Store(0)
	}
	disk.Release(data)
}

const idxHeader = 8 + 256*4

// openPack maps base+".idx" and base+".pack". The mappings live as long as the pack is in use: the
// kernel keeps a deleted pack's bytes, so a `git gc` beside us does no harm. A process that opens
// libraries again and again would else run into the kernel's limit of mappings.
func openPack(base string) (*pack, error) {
	idx, unmap, err := disk.Map(base + ".idx")
	if err != nil {
		return nil, err
	}
	p := &pack{name: base + ".pack", idx: idx}
	runtime.AddCleanup(p, func(unmap func()) { unmap() }, unmap)
	if len(idx) < idxHeader+40 || !bytes.Equal(idx[:8], []byte{255, 't', 'O', 'c', 0, 0, 0, 2}) {
		return nil, damaged("%s.idx is not a version 2 pack index", base)
	}
	p.n = binary.BigEndian.Uint32(idx[idxHeader-4:])
	need := idxHeader + int64(p.n)*28 + 40
	if int64(len(idx)) < need {
		return nil, damaged("%s.idx is cut short", base)
	}
	var last uint32
	for i := range 256 {
		v := binary.BigEndian.Uint32(idx[8+4*i:])
		if v < last {
			return nil, damaged("%s.idx has an unordered fan-out table", base)
		}
		last = v
	}
	n := int(p.n)
	p.names = idx[idxHeader : idxHeader+n*20]
	p.off32 = idx[idxHeader+n*24 : idxHeader+n*28]
	p.off64 = idx[idxHeader+n*28 : len(idx)-40]
	if p.data, unmap, err = disk.Map(p.name); err != nil {
		return nil, err
	}
	runtime.AddCleanup(p, func(unmap func()) { unmap() }, unmap)
	if len(p.data) < 32 || !bytes.Equal(p.data[:4], []byte("PACK")) {
		return nil, damaged("%s is not a pack", p.name)
	}
	if v := binary.BigEndian.Uint32(p.data[4:]); v != 2 && v != 3 {
		return nil, damaged("%s is a version %d pack; only 2 and 3 are known", p.name, v)
	}
	if !bytes.Equal(p.data[len(p.data)-20:], idx[len(idx)-40:len(idx)-20]) {
		return nil, damaged("%s and its index do not belong together", p.name)
	}
	p.dataSeen, p.idxSeen = newSeen(p.data), newSeen(idx)
	return p, nil
}

func (p *pack) bounds(first byte) (lo, hi int) {
	if first > 0 {
		lo = int(binary.BigEndian.Uint32(p.idx[8+4*(int(first)-1):]))
	}
	hi = int(binary.BigEndian.Uint32(p.idx[8+4*int(first):]))
	return lo, hi
}

// find gives the position of id in the index, or -1. Ids are evenly spread, so guessing the
// place from the next four bytes needs two or three looks where halving needs a dozen.
func (p *pack) find(id plumbing.Hash) int {
	defer runtime.KeepAlive(p) // what is compared below lies in its map
	lo, hi := p.bounds(id[0])
	want := uint64(binary.BigEndian.Uint32(id[1:]))
	a, b := uint64(0), uint64(1)<<32
	for guess := 0; lo < hi; guess++ {
		mid := (lo + hi) / 2
		if guess < 6 && b > a && want >= a {
			mid = lo + int((want-a)*uint64(hi-lo)/(b-a))
			mid = min(max(mid, lo), hi-1)
		}
		nm := p.names[mid*20 : mid*20+20]
		switch bytes.Compare(id[:], nm) {
		case 0:
			return mid
		case 1:
			lo = mid + 1
			a = uint64(binary.BigEndian.Uint32(nm[1:]))
		default:
			hi = mid
			b = uint64(binary.BigEndian.Uint32(nm[1:])) + 1
		}
	}
	return -1
}

func (p *pack) offset(pos int) (int64, error) {
	v := binary.BigEndian.Uint32(p.off32[pos*4:])
	if v&(1<<31) == 0 {
		return int64(v), nil
	}
	k := int64(v&^(1<<31)) * 8
	if k+8 > int64(len(p.off64)) {
		return 0, damaged("%s: index offset out of range", p.name)
	}
	return int64(binary.BigEndian.Uint64(p.off64[k:])), nil
}

// locate gives where an object of the pack begins.
func (p *pack) locate(id plumbing.Hash) (off int64, ok bool, err error) {
	if p.byID != nil {
		off, ok = p.byID[id]
		return off, ok, nil
	}
	pos := p.find(id)
	if pos < 0 {
		return 0, false, nil
	}
	off, err = p.offset(pos)
	return off, err == nil, err
}

// entry is one parsed object header of a pack.
type entry struct {
	kind    plumbing.ObjectType
	size    int64
	body    int64 // where the deflated bytes begin
	baseOff int64
	baseID  plumbing.Hash
}

// maxObject bounds what one object may unpack to. A tune is a kilobyte; a damaged or hostile
// header must not make us reserve gigabytes.
const maxObject = 256 << 20

func (p *pack) header(off int64) (entry, error) {
	var e entry
	end := int64(len(p.data)) - 20
	if off < 12 || off >= end {
		return e, damaged("%s: object offset %d out of range", p.name, off)
	}
	at := off
	c := p.data[at]
	at++
	e.kind = plumbing.ObjectType(c >> 4 & 7)
	size := uint64(c & 15)
	for shift := 4; c&0x80 != 0; shift += 7 {
		if at >= end || shift > 56 {
			return e, damaged("%s: broken object header at %d", p.name, off)
		}
		c = p.data[at]
		at++
		size |= uint64(c&0x7f) << shift
	}
	if size > maxObject {
		return e, damaged("%s: object at %d claims %d bytes", p.name, off, size)
	}
	e.size = int64(size)
	switch e.kind {
	case plumbing.CommitObject, plumbing.TreeObject, plumbing.BlobObject, plumbing.TagObject:
	case plumbing.OFSDeltaObject:
		if at >= end {
			return e, damaged("%s: broken delta header at %d", p.name, off)
		}
		c = p.data[at]
		at++
		back := int64(c & 0x7f)
		for c&0x80 != 0 {
			if at >= end || back > 1<<55 {
				return e, damaged("%s: broken delta header at %d", p.name, off)
			}
			c = p.data[at]
			at++
			back = (back+1)<<7 | int64(c&0x7f)
		}
		e.baseOff = off - back
		if back <= 0 || e.baseOff < 12 {
			return e, damaged("%s: delta at %d points outside the pack", p.name, off)
		}
	case plumbing.REFDeltaObject:
		if at+20 > end {
			return e, damaged("%s: broken delta header at %d", p.name, off)
		}
		copy(e.baseID[:], p.data[at:])
		at += 20
	default:
		return e, damaged("%s: unknown object kind %d at %d", p.name, e.kind, off)
	}
	e.body = at
	return e, nil
}

// ErrDamaged is wrapped by every error that means bytes in the object store are not what git
// would have written.
var ErrDamaged = errors.New("damaged")

func damaged(format string, a ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrDamaged}, a...)...)
}

// applyDelta rebuilds an object from its base; go-git's decoder checks every copy.
func applyDelta(p *pack, base, delta []byte) ([]byte, error) {
	if len(base) == 0 || len(delta) < 2 {
		return nil, damaged("%s: empty delta or base", p.name)
	}
	if n := deltaSize(delta); n > maxObject {
		return nil, damaged("%s: a delta claims to make %d bytes", p.name, n)
	}
	out, err := packfile.PatchDelta(base, delta)
	if err != nil {
		return nil, damaged("%s: %v", p.name, err)
	}
	return out, nil
}
