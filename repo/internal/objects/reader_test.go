package objects

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-git/go-billy/v5/osfs"
	"github.com/go-git/go-git/v5/plumbing"
	gocache "github.com/go-git/go-git/v5/plumbing/cache"
	"github.com/go-git/go-git/v5/plumbing/format/idxfile"
	"github.com/go-git/go-git/v5/plumbing/format/packfile"

	"rigkeep/repo/internal/disk"
)

// mappedIndex shows a mapped pack to go-git as one of its own indexes, so that its packfile
// code can be used without loading and hashing the whole .idx.
type mappedIndex struct{ p *pack }

var _ idxfile.Index = mappedIndex{}

func (m mappedIndex) Contains(h plumbing.Hash) (bool, error) { return m.p.find(h) >= 0, nil }

func (m mappedIndex) FindOffset(h plumbing.Hash) (int64, error) {
	pos := m.p.find(h)
	if pos < 0 {
		return 0, plumbing.ErrObjectNotFound
	}
	return m.p.offset(pos)
}

func (m mappedIndex) FindCRC32(h plumbing.Hash) (uint32, error) {
	pos := m.p.find(h)
	if pos < 0 {
		return 0, plumbing.ErrObjectNotFound
	}
	return binary.BigEndian.Uint32(m.p.idx[idxHeader+int(m.p.n)*20+pos*4:]), nil
}

// FindHash is asked for the base of every offset delta. Looking it up backwards would need a
// table of the whole pack, so the offset itself stands in for the id; it never leaves go-git's
// packfile code, which only keys its cache with it.
func (m mappedIndex) FindHash(o int64) (h plumbing.Hash, err error) {
	binary.BigEndian.PutUint64(h[:], uint64(o))
	return h, nil
}

func (m mappedIndex) Count() (int64, error) { return int64(m.p.n), nil }

func (m mappedIndex) Entries() (idxfile.EntryIter, error) {
	return nil, errors.New("listing a mapped index is not needed")
}

func (m mappedIndex) EntriesByOffset() (idxfile.EntryIter, error) {
	return nil, errors.New("listing a mapped index is not needed")
}

// git runs the real git and gives what it printed.
func git(t testing.TB, dir string, in string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command("git", args...)
	cmd.Dir = dir
	cmd.Stdin = strings.NewReader(in)
	cmd.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "GIT_AUTHOR_NAME=T", "GIT_AUTHOR_EMAIL=t@example.org", "GIT_COMMITTER_NAME=T", "GIT_COMMITTER_EMAIL=t@example.org")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("git %v: %v", args, err)
	}
	return out
}

// library makes a repository with deltas, by fast-import and repack, and some loose objects.
func library(t testing.TB, commits int, repack ...string) string {
	dir := t.TempDir()
	git(t, dir, "", "init", "-q")
	rnd := rand.New(rand.NewSource(1))
	var b strings.Builder
	text := make([][]string, 12)
	for i := range text {
		for j := range 60 {
			text[i] = append(text[i], fmt.Sprintf("key_%d = %d", j, rnd.Intn(1000)))
		}
	}
	for i := range commits {
		k := rnd.Intn(len(text))
		text[k][rnd.Intn(60)] = fmt.Sprintf("key_x = %d", i)
		body := strings.Join(text[k], "\n")
		fmt.Fprintf(&b, "commit refs/heads/main\ncommitter T <t@example.org> %d +0000\ndata 1\nc\nM 100644 inline rigs/%02x/f.toml\ndata %d\n%s\n", 1700000000+i, k, len(body), body)
	}
	git(t, dir, b.String(), "fast-import", "--quiet")
	git(t, dir, "", append([]string{"repack", "-q", "-a", "-d", "-f", "--depth=40", "--window=10"}, repack...)...)
	git(t, dir, "loose", "hash-object", "-w", "--stdin")
	return dir
}

// all gives every object as git sees it.
func all(t testing.TB, dir string) map[plumbing.Hash]Object {
	out := map[plumbing.Hash]Object{}
	r := bufio.NewReader(bytes.NewReader(git(t, dir, "", "cat-file", "--batch-all-objects", "--batch")))
	for {
		var id, kind string
		var n int
		if _, err := fmt.Fscanf(r, "%s %s %d\n", &id, &kind, &n); err != nil {
			return out
		}
		data := make([]byte, n+1)
		if _, err := io.ReadFull(r, data); err != nil {
			t.Fatal(err)
		}
		k, err := plumbing.ParseObjectType(kind)
		if err != nil {
			t.Fatal(err)
		}
		out[plumbing.NewHash(id)] = Object{plumbing.NewHash(id), k, data[:n]}
	}
}

func TestReaderAgreesWithGit(t *testing.T) {
	for _, extra := range [][]string{nil, {"--no-write-bitmap-index"}, {"-q"}} {
		dir := library(t, 150, extra...)
		if len(extra) > 0 && extra[0] == "-q" { // deltas that name their base by id
			git(t, dir, "", "config", "repack.useDeltaBaseOffset", "false")
			git(t, dir, "", "repack", "-q", "-a", "-d", "-f")
		}
		want := all(t, dir)
		if len(want) < 400 {
			t.Fatal("too few objects:", len(want))
		}
		s := Open(disk.OS{}, filepath.Join(dir, ".git", "objects"))
		for _, size := range []int{0, 4 << 10, 8 << 20} {
			r := s.NewReader(size)
			for id, o := range want {
				k, data, err := r.Get(id)
				if err != nil || k != o.Kind || !bytes.Equal(data, o.Data) {
					t.Fatalf("%s: %v %v", id, k, err)
				}
				if got := s.Prefix(id.String()[:12], 5); len(got) != 1 || got[0] != id {
					t.Fatalf("%s: by its start: %v", id, got)
				}
			}
			var gone *NotFoundError
			if _, _, err := r.Get(plumbing.NewHash("1234567890123456789012345678901234567890")); !errors.As(err, &gone) {
				t.Fatal(err)
			}
		}
	}
}

func TestWriteIsReadByGit(t *testing.T) {
	dir := t.TempDir()
	git(t, dir, "", "init", "-q")
	s := Open(disk.OS{}, filepath.Join(dir, ".git", "objects"))
	var objs []Object
	for _, n := range []int{0, 1, 100, 5000, 16 << 10, 70000, 300000} {
		objs = append(objs, New(plumbing.BlobObject, bytes.Repeat([]byte("ab\n"), n)[:n]))
	}
	if err := s.Write(objs); err != nil {
		t.Fatal(err)
	}
	if err := s.Write(objs); err != nil { // again: all there already
		t.Fatal(err)
	}
	want := all(t, dir)
	for _, o := range objs {
		if !bytes.Equal(want[o.ID].Data, o.Data) {
			t.Fatal(len(o.Data))
		}
	}
	git(t, dir, "", "fsck", "--strict")
}

// TestDamagedPack flips bits and cuts in a pack and its index: what is read is either right or
// refused.
func TestDamagedPack(t *testing.T) {
	dir := library(t, 40)
	want := all(t, dir)
	packs, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.pack"))
	base := strings.TrimSuffix(packs[0], ".pack")
	rnd := rand.New(rand.NewSource(2))
	refused := 0
	for i := range 80 {
		ext := []string{".pack", ".idx"}[i%2]
		good, err := os.ReadFile(base + ext)
		if err != nil {
			t.Fatal(err)
		}
		bad := append([]byte{}, good...)
		if i%5 == 4 {
			bad = bad[:rnd.Intn(len(bad))]
		} else {
			bad[rnd.Intn(len(bad))] ^= 1 << rnd.Intn(8)
		}
		to := t.TempDir()
		if err := os.Mkdir(filepath.Join(to, "pack"), 0o777); err != nil {
			t.Fatal(err)
		}
		for _, e := range []string{".pack", ".idx"} {
			data, err := os.ReadFile(base + e)
			if err != nil {
				t.Fatal(err)
			}
			if e == ext {
				data = bad
			}
			if err := os.WriteFile(filepath.Join(to, "pack", filepath.Base(base)+e), data, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		r := Open(disk.OS{}, to).NewReader(1 << 20)
		r.Check = true
		for id, o := range want {
			data, err := r.Want(id, o.Kind)
			var gone *NotFoundError
			switch {
			case err == nil && !bytes.Equal(data, o.Data):
				t.Fatalf("%s: wrong bytes taken for good", id)
			case errors.Is(err, ErrDamaged) || errors.As(err, &gone):
				refused++
			case err != nil:
				t.Fatalf("%s: not called damaged: %v", id, err)
			}
		}
	}
	if refused == 0 {
		t.Fatal("nothing was ever refused")
	}
}

func FuzzLoose(f *testing.F) {
	o := New(plumbing.BlobObject, []byte("pan = 1\n"))
	f.Add(o.stored())
	deflated, _ := o.deflate()
	f.Add(deflated)
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) > 1<<16 {
			return
		}
		kind, data, err := (&Store{}).NewReader(0).parseLoose(raw)
		if err == nil && (!kind.Valid() || data == nil && len(data) > 0) {
			t.Fatal(kind, data)
		}
	})
}

// FuzzPackBytes puts bytes behind a pack's header and reads at every offset.
func FuzzPackBytes(f *testing.F) {
	dir := library(f, 6)
	packs, _ := filepath.Glob(filepath.Join(dir, ".git", "objects", "pack", "*.pack"))
	good, err := os.ReadFile(packs[0])
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good[12:], uint16(0))
	f.Add(good[12:min(len(good), 300)], uint16(40))
	f.Fuzz(func(t *testing.T, body []byte, at uint16) {
		p := &pack{name: "fuzz", data: append(append([]byte("PACK\x00\x00\x00\x02\x00\x00\x00\x01"), body...), make([]byte, 20)...), byID: map[plumbing.Hash]int64{}}
		r := (&Store{}).NewReader(1 << 16)
		for off := int64(12); off < int64(len(p.data)) && off < 12+64; off++ {
			_, _, _ = r.at(p, off, 0)
		}
		_, _, _ = r.at(p, int64(at), 0)
	})
}

func FuzzCommit(f *testing.F) {
	f.Add([]byte("tree 4b825dc642cb6eb9a060e54bf8d69288fbee4904\nparent 4b825dc642cb6eb9a060e54bf8d69288fbee4904\nauthor A <a@b> 1 +0000\ncommitter A <a@b> 1 +0000\n\nx\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		h, err := ParseCommit(plumbing.ZeroHash, data)
		if err == nil && h.Tree.IsZero() {
			t.Fatal("no tree and no error")
		}
	})
}

// The benchmarks below say why packs are read by our own code and not by go-git's packfile
// package over the same mapped index. RIGKEEP_LIBRARY names a repository to measure on.

func benchIDs(b *testing.B) (string, []plumbing.Hash) {
	dir := os.Getenv("RIGKEEP_LIBRARY")
	if dir == "" {
		dir = library(b, 400)
	}
	var ids []plumbing.Hash
	for line := range strings.Lines(string(git(b, dir, "", "rev-list", "--objects", "--no-object-names", "-n", "2000", "HEAD"))) {
		ids = append(ids, plumbing.NewHash(strings.TrimSpace(line)))
	}
	return dir, ids
}

func BenchmarkOwnReader(b *testing.B) {
	dir, ids := benchIDs(b)
	s := Open(disk.OS{}, filepath.Join(dir, ".git", "objects"))
	for b.Loop() {
		r := s.NewReader(8 << 20)
		for _, id := range ids {
			if _, _, err := r.Get(id); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(ids)), "ns/object")
}

func BenchmarkGoGitPackfile(b *testing.B) {
	dir, ids := benchIDs(b)
	s := Open(disk.OS{}, filepath.Join(dir, ".git", "objects"))
	p := s.list()[0]
	for b.Loop() {
		fs := osfs.New(filepath.Dir(p.name))
		f, err := fs.Open(filepath.Base(p.name))
		if err != nil {
			b.Fatal(err)
		}
		pf := packfile.NewPackfileWithCache(mappedIndex{p}, nil, f, gocache.NewObjectLRU(8<<20), 0)
		for _, id := range ids {
			o, err := pf.Get(id)
			if err != nil {
				b.Fatal(err)
			}
			rd, err := o.Reader()
			if err != nil {
				b.Fatal(err)
			}
			if _, err := io.Copy(io.Discard, rd); err != nil {
				b.Fatal(err)
			}
		}
		_ = pf.Close()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(ids)), "ns/object")
}
