package objects

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand"
	"strings"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"

	"rigkeep/repo/internal/disk"
)

var lim = Limits{Objects: 1000, Each: 1 << 20, Total: 4 << 20}

func some(n int) []Object {
	var out []Object
	for i := range n {
		out = append(out, New(plumbing.BlobObject, fmt.Appendf(nil, "value = %d\n%s", i, strings.Repeat("x", i*37%900))))
	}
	return append(out, New(plumbing.BlobObject, nil))
}

// seal puts the right check sum behind a pack that was changed.
func seal(pack []byte) []byte {
	id := packSum(pack)
	return append(bytes.Clone(pack), id[:]...)
}

func TestPackRoundTrip(t *testing.T) {
	w, err := WritePack(some(60))
	if err != nil {
		t.Fatal(err)
	}
	r, err := ReadPack(w.Data, lim)
	if err != nil {
		t.Fatal(err)
	}
	if r.ID != w.ID || len(r.Objects) != len(w.Objects) {
		t.Fatalf("read %s with %d objects, wrote %s with %d", r.ID, len(r.Objects), w.ID, len(w.Objects))
	}
	for i := range r.Objects {
		if r.Objects[i].ID != w.Objects[i].ID || r.places[i] != w.places[i] {
			t.Fatalf("object %d: %v at %v, want %v at %v", i, r.Objects[i].ID, r.places[i], w.Objects[i].ID, w.places[i])
		}
	}
	s := Open(disk.OS{}, t.TempDir())
	if _, err := s.AddPack(w.Objects); err != nil {
		t.Fatal(err)
	}
	rd := s.NewReader(0)
	for _, o := range w.Objects {
		if got, err := rd.Blob(o.ID); err != nil || !bytes.Equal(got, o.Data) {
			t.Fatalf("%s reads back as %d bytes, %v", o.ID, len(got), err)
		}
	}
	if left := s.Missing(w.Objects); len(left) != 0 {
		t.Errorf("%d objects are lacking after they were added", len(left))
	}
}

// raw is one object of a pack as its header claims it.
func raw(kind byte, size uint64, extra, body []byte) []byte {
	var b bytes.Buffer
	c := kind<<4 | byte(size&15)
	for size >>= 4; size > 0; size >>= 7 {
		b.WriteByte(c | 0x80)
		c = byte(size & 0x7f)
	}
	b.WriteByte(c)
	b.Write(extra)
	z := zlib.NewWriter(&b)
	_, _ = z.Write(body)
	_ = z.Close()
	return b.Bytes()
}

func packOf(count uint32, objs ...[]byte) []byte {
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32([]byte("PACK"), 2), count)
	return seal(append(head, bytes.Join(objs, nil)...))
}

// TestHostilePacks: none is read, none makes more than its share of memory.
func TestHostilePacks(t *testing.T) {
	good, err := WritePack(some(3))
	if err != nil {
		t.Fatal(err)
	}
	base := raw(3, 40, nil, bytes.Repeat([]byte("b"), 40))
	zeros := make([]byte, 2<<20)
	for _, c := range []struct {
		name, want string
		pack       []byte
	}{
		{"empty", "does not begin", nil},
		{"not a pack", "does not begin", bytes.Repeat([]byte("KCAP"), 20)},
		{"version 3", "version 3", seal(append([]byte("PACK\x00\x00\x00\x03\x00\x00\x00\x00"), 0))},
		{"four thousand million objects", "claims", packOf(1<<32-1, base)},
		{"more objects than limits allow", "claims", packOf(1001, make([]byte, 10_000))},
		{"check sum of another pack", "check sum", append(good.Data[:len(good.Data)-20:len(good.Data)-20], make([]byte, 20)...)},
		{"fewer objects than claimed", "damaged", packOf(2, base)},
		{"more objects than claimed", "goes on", packOf(1, base, raw(3, 1, nil, []byte("x")))},
		{"the same object twice", "twice", packOf(2, base, base)},
		{"a size of petabytes", "claims", packOf(1, raw(3, 1<<50, nil, []byte("x")))},
		{"a size over the limit", "more than is allowed", packOf(1, raw(3, 2<<20, nil, zeros))},
		{"a body longer than its header says", "does not end", packOf(1, raw(3, 10, nil, zeros))},
		{"a body shorter than its header says", "EOF", packOf(1, raw(3, 1000, nil, []byte("x")))},
		{"five bodies over the total", "more than is allowed", packOf(5, raw(3, 1<<20, nil, zeros[:1<<20]), raw(3, 1<<20-1, nil, zeros[:1<<20-1]), raw(3, 1<<20-2, nil, zeros[:1<<20-2]), raw(3, 1<<20-3, nil, zeros[:1<<20-3]), raw(3, 1<<20-4, nil, zeros[:1<<20-4]))},
		{"a tag", "tag", packOf(1, raw(4, 1, nil, []byte("x")))},
		{"kind 5", "unknown object kind", packOf(1, raw(5, 1, nil, []byte("x")))},
		{"a delta before the pack", "outside", packOf(1, raw(6, 4, []byte{0x7f}, []byte("\x28\x01\x01x")))},
		{"a delta on itself", "outside", packOf(1, raw(6, 4, []byte{0}, []byte("\x28\x01\x01x")))},
		{"a delta between two objects", "between", packOf(2, base, raw(6, 4, []byte{3}, []byte("\x28\x01\x01x")))},
		{"a delta whose base is missing", "lacks the base", packOf(1, raw(7, 4, make([]byte, 20), []byte("\x28\x01\x01x")))},
		{"a delta of petabytes", "more than is allowed", packOf(2, base, raw(6, 11, []byte{byte(len(base))}, []byte("\x28\xff\xff\xff\xff\xff\xff\xff\x7f\x01x")))},
		{"a delta size without end", "more than is allowed", packOf(2, base, raw(6, 10, []byte{byte(len(base))}, bytes.Repeat([]byte{0xff}, 10)))},
		{"a delta that copies past its base", "delta", packOf(2, base, raw(6, 5, []byte{byte(len(base))}, []byte("\x28\x64\x91\x20\x64")))},
		{"an empty delta", "damaged", packOf(2, base, raw(6, 0, []byte{byte(len(base))}, nil))},
		{"a header that never ends", "broken object header", packOf(1, bytes.Repeat([]byte{0xff}, 30))},
		{"no zlib", "damaged", packOf(1, []byte("\x31xxxxxxxxxxx"))},
	} {
		w, err := ReadPack(c.pack, lim)
		if err == nil {
			t.Errorf("%s: read, with %d objects", c.name, len(w.Objects))
			continue
		}
		if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	for n := range good.Data {
		if _, err := ReadPack(good.Data[:n], lim); err == nil {
			t.Fatalf("read after %d of %d bytes", n, len(good.Data))
		}
	}
}

// TestPackDeltas reads deltas on what comes before, on a base named by its id, and on a delta.
func TestPackDeltas(t *testing.T) {
	base := raw(3, 40, nil, bytes.Repeat([]byte("b"), 40))
	one := New(plumbing.BlobObject, []byte("bbbbbx"))
	first := raw(7, 6, one.ID[:], []byte("\x06\x03\x03abc")) // on the second, by id, which comes later
	second := raw(6, 6, []byte{byte(len(base) + len(first))}, []byte("\x28\x06\x90\x05\x01x"))
	w, err := ReadPack(packOf(3, base, first, second), lim)
	if err != nil {
		t.Fatal(err)
	}
	if string(w.Objects[2].Data) != "bbbbbx" || string(w.Objects[1].Data) != "abc" {
		t.Errorf("%q and %q", w.Objects[2].Data, w.Objects[1].Data)
	}
}

// FuzzReadPack: whatever is read again gives the same objects, and nothing panics. The check
// sum is put right first, or the fuzzer would get no further than it.
func FuzzReadPack(f *testing.F) {
	good, err := WritePack(some(3))
	if err != nil {
		f.Fatal(err)
	}
	base := raw(3, 40, nil, bytes.Repeat([]byte("b"), 40))
	rnd := rand.New(rand.NewSource(1))
	f.Add(good.Data[:len(good.Data)-20])
	delta := packOf(2, base, raw(6, 6, []byte{byte(len(base))}, []byte("\x28\x06\x90\x05\x01x")))
	f.Add(delta[:len(delta)-20])
	for range 8 {
		b := bytes.Clone(good.Data[:len(good.Data)-20])
		b[rnd.Intn(len(b))] ^= 1 << rnd.Intn(8)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		w, err := ReadPack(seal(body), lim)
		if err != nil {
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("not ErrDamaged: %v", err)
			}
			return
		}
		again, err := WritePack(w.Objects)
		if err != nil {
			t.Fatal(err)
		}
		r, err := ReadPack(again.Data, lim)
		if err != nil {
			t.Fatal(err)
		}
		for i := range r.Objects {
			if r.Objects[i].ID != w.Objects[i].ID {
				t.Fatal("other objects after writing and reading")
			}
		}
	})
}
