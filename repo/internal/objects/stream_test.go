package objects

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/go-git/go-git/v5/plumbing"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"

	"rigkeep/repo/internal/disk"
)

func TestPackWriter(t *testing.T) {
	var objs []Object
	slots := make([]plumbing.Hash, 40)
	for i := range 700 {
		objs = append(objs, New(plumbing.BlobObject, fmt.Appendf(nil, "format = 1\nkind = \"tune\"\nrig = \"k7qd2m9x4%d\"\n%s\npan = %d\n", i%9, strings.Repeat("roll = 1\n", 20), i)))
		slots[i*7%40] = objs[len(objs)-1].ID
		var tree []byte
		for j, id := range slots {
			tree = append(tree, fmt.Sprintf("100644 f%02d.toml\x00%s", j, id[:])...)
		}
		objs = append(objs, New(plumbing.TreeObject, tree))
	}
	objs = append(objs, New(plumbing.BlobObject, nil))
	var b bytes.Buffer
	w := NewPackWriter(&b, len(objs))
	raw := 0
	for _, o := range objs {
		raw += len(o.Data)
		if err := w.Add(o); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Add(objs[0]); err == nil {
		t.Error("one object too many was taken")
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	got, err := ReadPack(b.Bytes(), Limits{Objects: 2000, Each: 1 << 20, Total: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	for i, o := range objs {
		if got.Objects[i].ID != o.ID || !bytes.Equal(got.Objects[i].Data, o.Data) {
			t.Fatalf("object %d differs", i)
		}
	}
	if b.Len() > raw/6 {
		t.Errorf("%d bytes for %d: the deltas do not work", b.Len(), raw)
	}
	if err := NewPackWriter(&b, 1).Close(); err == nil {
		t.Error("one object too few was taken")
	}
}

// TestIndexPack: a pack in a file is taken in as one in memory is, with deltas by offset and by
// id, forwards and backwards.
func TestIndexPack(t *testing.T) {
	dir := t.TempDir()
	s := Open(disk.OS{}, dir)
	if err := os.Mkdir(filepath.Join(dir, "pack"), 0o777); err != nil {
		t.Fatal(err)
	}
	base := bytes.Repeat([]byte("pan = 41\n"), 30)
	next := append(bytes.Clone(base), "roll = 38\n"...)
	third := append(bytes.Clone(next), "tilt = 47\n"...)
	bid, nid := New(plumbing.BlobObject, base).ID, New(plumbing.BlobObject, next).ID
	d1, d2 := packfile.DiffDelta(base, next), packfile.DiffDelta(next, third)
	pack := packOf(4, raw(7, uint64(len(d2)), nid[:], d2), raw(7, uint64(len(d1)), bid[:], d1), raw(3, uint64(len(base)), nil, base), raw(3, 0, nil, nil))
	tmp := filepath.Join(dir, "pack", PackTemp+"1")
	n, err := CopyTo(disk.OS{}, tmp, pack[:7], bytes.NewReader(pack[7:]))
	if err != nil || n != int64(len(pack)) {
		t.Fatal(n, err)
	}
	id, idx, err := IndexPack(tmp, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Install(tmp, id, idx); err != nil {
		t.Fatal(err)
	}
	r := s.NewReader(0)
	for _, want := range [][]byte{base, next, third, nil} {
		if got, err := r.Blob(New(plumbing.BlobObject, want).ID); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes: %v", len(got), err)
		}
	}
	for name, pack := range map[string][]byte{
		"cut short":          pack[:len(pack)-21],
		"a flipped bit":      append(append(bytes.Clone(pack[:40]), pack[40]^4), pack[41:]...),
		"no base":            packOf(1, raw(7, uint64(len(d1)), bid[:], d1)),
		"a delta on itself":  packOf(1, raw(7, uint64(len(d1)), nid[:], d1)),
		"between objects":    packOf(2, raw(3, uint64(len(base)), nil, base), raw(6, uint64(len(d1)), []byte{3}, d1)),
		"twice":              packOf(2, raw(3, 0, nil, nil), raw(3, 0, nil, nil)),
		"more than claimed":  packOf(1, raw(3, 0, nil, nil), raw(3, 1, nil, []byte("x"))),
		"less than claimed":  packOf(3, raw(3, 0, nil, nil), raw(3, 1, nil, []byte("x"))),
		"a delta of a giant": packOf(2, raw(3, uint64(len(base)), nil, base), raw(7, 11, bid[:], []byte("\x8e\x02\xff\xff\xff\xff\xff\x7f\x01xyz"[:11]))),
		"not a pack":         []byte("<html>proxy error</html> and some more text to fill it"),
		"empty":              nil,
	} {
		tmp := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(tmp, pack, 0o666); err != nil {
			t.Fatal(err)
		}
		if _, _, err := IndexPack(tmp, nil); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", name, err)
		}
	}
	stop := errors.New("enough")
	var b bytes.Buffer
	w := NewPackWriter(&b, 2500)
	for i := range 2500 {
		if err := w.Add(New(plumbing.BlobObject, fmt.Appendf(nil, "%d", i))); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(tmp, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, err := IndexPack(tmp, func(done, total int) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("not stopped: %v", err)
	}
}

// TestIndexPackAsGit: the index of a pack with long chains, which several goroutines resolve, is
// byte for byte git's own. Source: `git index-pack`.
func TestIndexPackAsGit(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(4))
	dir := t.TempDir()
	run := func(in string, args ...string) {
		t.Helper()
		c := exec.Command("git", args...)
		c.Dir, c.Stdin = dir, strings.NewReader(in)
		c.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL="+os.DevNull, "GIT_CONFIG_NOSYSTEM=1")
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("git %v: %v\n%s", args, err, out)
		}
	}
	run("", "init", "-q", "--bare", ".")
	var b strings.Builder
	for i := range 700 {
		fmt.Fprintf(&b, "commit refs/heads/main\ncommitter T <t@example.org> %d +0000\ndata 1\nx\n", 1_700_000_000+i)
		for j := range 3 { // of forty files, three in each commit
			text := strings.Repeat(fmt.Sprintf("pan = %d\n", (i*3+j)%40), 20) + strconv.Itoa(i)
			fmt.Fprintf(&b, "M 100644 inline f%d\ndata %d\n%s\n", (i*3+j)%40, len(text), text)
		}
	}
	run(b.String(), "fast-import", "--quiet")
	run("", "repack", "-q", "-adf", "--depth=50", "--window=20")
	packs, err := filepath.Glob(filepath.Join(dir, "objects/pack/*.pack"))
	if err != nil || len(packs) != 1 {
		t.Fatal(packs, err)
	}
	var told atomic.Int64
	id, idx, err := IndexPack(packs[0], func(done, total int) error { told.Store(int64(done)); return nil })
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(strings.TrimSuffix(packs[0], ".pack") + ".idx")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(packs[0], id.String()) || !bytes.Equal(idx, want) || told.Load() == 0 {
		t.Errorf("%d bytes for %s; git has %d for %s; told %d", len(idx), id, len(want), packs[0], told.Load())
	}
}

// FuzzIndexPack: a pack in a file is taken exactly if it is taken in memory, with the same number
// of objects, and nothing panics. The check sum is put right first.
func FuzzIndexPack(f *testing.F) {
	base := raw(3, 40, nil, bytes.Repeat([]byte("b"), 40))
	delta := packOf(2, base, raw(6, 6, []byte{byte(len(base))}, []byte("\x28\x06\x90\x05\x01x")))
	f.Add(delta[:len(delta)-20])
	one := New(plumbing.BlobObject, []byte("bbbbbx"))
	first := raw(7, 6, one.ID[:], []byte("\x06\x03\x03abc"))
	chain := packOf(3, base, first, raw(6, 6, []byte{byte(len(base) + len(first))}, []byte("\x28\x06\x90\x05\x01x")))
	f.Add(chain[:len(chain)-20])
	name := filepath.Join(f.TempDir(), "x")
	f.Fuzz(func(t *testing.T, body []byte) {
		data := seal(body)
		if err := os.WriteFile(name, data, 0o666); err != nil {
			t.Fatal(err)
		}
		_, idx, err := IndexPack(name, nil)
		if err != nil && !errors.Is(err, ErrDamaged) {
			t.Fatalf("not ErrDamaged: %v", err)
		}
		w, werr := ReadPack(data, lim)
		if (err == nil) != (werr == nil) {
			t.Fatalf("in a file %v, in memory %v", err, werr)
		}
		if err == nil && binary.BigEndian.Uint32(idx[8+255*4:]) != uint32(len(w.Objects)) {
			t.Fatal("another number of objects")
		}
	})
}
