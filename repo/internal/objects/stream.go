package objects

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"hash"
	"io"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"
	gohash "github.com/go-git/go-git/v5/plumbing/hash"
)

// PackWriter writes a pack as a stream, in constant memory. Trees and files that look like an
// earlier one go in as a delta on it: a library's history is mostly the same trees with one
// entry changed.
type PackWriter struct {
	w    io.Writer
	sum  hash.Hash
	z    *zlib.Writer
	left int
	err  error

	recent map[string]*packed // by what a similar object will look like
	ring   []string
	next   int
}

// packed is an object that was written lately and may be a base.
type packed struct {
	id    plumbing.Hash
	data  []byte
	depth int
}

const (
	recentMax = 512      // how many bases are kept at hand
	baseMax   = 64 << 10 // and how large one may be
	depthMax  = 30       // how long a chain of deltas may get; a reader walks it for each object
)

// NewPackWriter begins a pack of n objects.
func NewPackWriter(w io.Writer, n int) *PackWriter {
	p := &PackWriter{sum: gohash.New(gohash.CryptoType), left: n, recent: map[string]*packed{}, ring: make([]string, recentMax)}
	p.w = io.MultiWriter(w, p.sum)
	_, p.err = io.WriteString(p.w, "PACK")
	if p.err == nil {
		p.err = binary.Write(p.w, binary.BigEndian, [2]uint32{2, uint32(n)})
	}
	p.z, _ = zlib.NewWriterLevel(p.w, zlib.BestSpeed)
	return p
}

// Add writes one object.
func (p *PackWriter) Add(o Object) error {
	if p.err != nil {
		return p.err
	}
	if p.left == 0 {
		return errors.New("more objects than the pack was begun for")
	}
	p.left--
	keys := likeness(o)
	if b := p.base(keys); b != nil && b.depth < depthMax && b.id != o.ID {
		if d := packfile.DiffDelta(b.data, o.Data); len(d) < len(o.Data)/2 {
			p.err = p.entry(plumbing.REFDeltaObject, len(d), b.id[:], d)
			p.keep(keys, o, b.depth+1)
			return p.err
		}
	}
	p.err = p.entry(o.Kind, len(o.Data), nil, o.Data)
	p.keep(keys, o, 0)
	return p.err
}

func (p *PackWriter) entry(kind plumbing.ObjectType, size int, extra, body []byte) error {
	head := make([]byte, 0, 32)
	n := uint64(size)
	c := byte(kind)<<4 | byte(n&15)
	for n >>= 4; n > 0; n >>= 7 {
		head = append(head, c|0x80)
		c = byte(n & 0x7f)
	}
	head = append(append(head, c), extra...)
	if _, err := p.w.Write(head); err != nil {
		return err
	}
	p.z.Reset(p.w)
	_, err := p.z.Write(body)
	return errors.Join(err, p.z.Close())
}

// likeness gives the keys by which an object finds one that it resembles: a tree by its first
// and last entry, a file by how it begins.
func likeness(o Object) []string {
	if len(o.Data) < 60 || len(o.Data) > baseMax {
		return nil
	}
	switch o.Kind {
	case plumbing.TreeObject:
		i := bytes.IndexByte(o.Data, 0)
		j := bytes.LastIndexByte(o.Data[:max(len(o.Data)-20, 0)], 0)
		if i < 0 || j < 0 {
			return nil
		}
		k := bytes.LastIndexByte(o.Data[:j], ' ')
		return []string{"a" + string(o.Data[:i]), "z" + string(o.Data[max(k, 0):j])}
	case plumbing.BlobObject:
		return []string{"b" + string(o.Data[:min(len(o.Data)/2, 120)])}
	}
	return nil
}

func (p *PackWriter) base(keys []string) *packed {
	for _, k := range keys {
		if b := p.recent[k]; b != nil {
			return b
		}
	}
	return nil
}

func (p *PackWriter) keep(keys []string, o Object, depth int) {
	if len(keys) == 0 {
		return
	}
	b := &packed{o.ID, bytes.Clone(o.Data), depth}
	for _, k := range keys {
		if p.recent[k] == nil {
			delete(p.recent, p.ring[p.next])
			p.ring[p.next] = k
			p.next = (p.next + 1) % recentMax
		}
		p.recent[k] = b
	}
}

// Close ends the pack with its check sum.
func (p *PackWriter) Close() error {
	if p.err == nil && p.left != 0 {
		p.err = errors.New("fewer objects than the pack was begun for")
	}
	if p.err == nil {
		_, p.err = p.w.Write(p.sum.Sum(nil))
	}
	return p.err
}
